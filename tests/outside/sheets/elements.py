"""An independent solver of sheets: scikit-fem for the elements, SuperLU for the equations, no map, no mean of two problems.

Polygons only. The mesh begins with Delaunay's of the vertices and contact ends, and is refined until every
triangle is smaller than a fraction of its distance from the nearest contact end or re-entrant corner.
"""

import numpy as np
import skfem
from scipy.sparse.linalg import splu
from scipy.spatial import Delaunay
from skfem import Basis, BilinearForm, MeshTri


def edge_points(vertices, contacts):
    """Vertices and contact ends in the order of the edge, and for each side the contact that it belongs to, or -1."""
    vertices = np.asarray(vertices, float)
    lengths = np.linalg.norm(np.roll(vertices, -1, axis=0) - vertices, axis=1)
    corners = np.concatenate([[0.0], np.cumsum(lengths)])
    perimeter = corners[-1]
    ends = [(at + sign * length / 2) % perimeter for at, length in contacts for sign in (-1, 1)]
    marks = np.unique(np.round(np.concatenate([corners[:-1], ends]), 13))
    points = np.column_stack([np.interp(marks, corners, np.append(x, x[0])) for x in vertices.T])
    middles = (marks + np.append(marks[1:], perimeter)) / 2

    def owner(middle):
        for k, (at, length) in enumerate(contacts):
            if abs((middle - at + perimeter / 2) % perimeter - perimeter / 2) < length / 2:
                return k
        return -1

    return points, [owner(middle) for middle in middles]


def inside(places, points):
    """Which places are inside the closed polygon: crossings of a ray to the right are odd."""
    odd = np.zeros(len(places), bool)
    for a, b in zip(points, np.roll(points, -1, axis=0)):
        if a[1] != b[1]:
            x = a[0] + (places[:, 1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
            odd ^= ((a[1] > places[:, 1]) != (b[1] > places[:, 1])) & (x > places[:, 0])
    return odd


def begin(points):
    """A coarse triangulation: Delaunay's, sides halved until all of them are edges of it."""
    sides = list(zip(points, np.roll(points, -1, axis=0)))
    while True:
        nodes = np.array([a for a, _ in sides])
        triangles = Delaunay(nodes).simplices
        edges = {tuple(sorted((t[i], t[i - 1]))) for t in triangles for i in range(3)}
        divided = []
        for i, (a, b) in enumerate(sides):
            if tuple(sorted((i, (i + 1) % len(sides)))) in edges:
                divided.append((a, b))
            else:
                divided += [(a, (a + b) / 2), ((a + b) / 2, b)]
        if len(divided) == len(sides):
            return nodes, triangles[inside(nodes[triangles].mean(axis=1), points)]
        sides = divided


def mesh(vertices, contacts, growth, smallest, largest):
    points, owners = edge_points(vertices, contacts)
    nodes, triangles = begin(points)
    grid = MeshTri(nodes.T, triangles.T)
    # Contact ends, and all corners: which of them are singular need not be known.
    spots = points

    for _ in range(200):
        corners = grid.p[:, grid.t]
        centre = corners.mean(axis=1)
        size = np.max([np.linalg.norm(corners[:, i] - corners[:, j], axis=0) for i, j in ((0, 1), (1, 2), (2, 0))], axis=0)
        # The nearest point of a triangle to a spot counts, which its corners and its centre come close to.
        places = np.concatenate([corners.transpose(1, 0, 2), centre[None]])
        away = np.full(grid.t.shape[1], np.inf)
        for spot in spots:
            distance = np.linalg.norm(places - spot[None, :, None], axis=1).max(axis=0)
            away = np.minimum(away, distance)
        marked = np.flatnonzero(size > np.clip(growth * away, smallest, largest))
        if not len(marked):
            return grid, points, owners
        grid = grid.refined(marked)
    raise RuntimeError("the mesh does not become fine enough")


def contact_of_facets(grid, points, owners):
    """Boundary facets of each contact, by the side of the polygon that their middle is on."""
    facets = grid.boundary_facets()
    middles = grid.p[:, grid.facets[:, facets]].mean(axis=1).T
    ends = np.roll(points, -1, axis=0)
    along = ends - points
    lengths = np.linalg.norm(along, axis=1)
    found = {}
    for facet, middle in zip(facets, middles):
        part = np.clip(np.sum((middle - points) * along, axis=1) / lengths**2, 0, 1)
        nearest = np.argmin(np.linalg.norm(points + part[:, None] * along - middle, axis=1))
        if owners[nearest] >= 0:
            found.setdefault(owners[nearest], []).append(facet)
    return found


@BilinearForm
def stiffness(u, v, w):
    return w.factor * (u.grad[0] * v.grad[0] + u.grad[1] * v.grad[1])


@BilinearForm
def hall(u, v, w):
    return w.factor * (v.grad[0] * u.grad[1] - v.grad[1] * u.grad[0])


def assemble(vertices, contacts, growth=0.7, smallest=1e-6, largest=0.25, gradient=(0.0, 0.0), order="P4"):
    """S, A, and the degrees of freedom of each contact."""
    grid, points, owners = mesh(vertices, contacts, growth, smallest, largest)
    basis = Basis(grid, getattr(skfem, f"ElementTri{order}")())
    x = basis.global_coordinates()
    factor = np.exp(gradient[0] * x[0] + gradient[1] * x[1])
    facets = contact_of_facets(grid, points, owners)
    tied = [np.unique(basis.get_dofs(np.array(facets[k])).all()) for k in range(len(contacts))]
    return stiffness.assemble(basis, factor=factor), hall.assemble(basis, factor=factor), tied


def admittances(system, tan_hall):
    """Y in units of 1/R_s: J = (E − t Rot E)/(1 + t²), Rot (x, y) = (−y, x), so that t > 0 is p-type in +B."""
    s, a, tied = system
    matrix = (s + tan_hall * a).tocsc() / (1 + tan_hall**2)
    held = np.concatenate(tied)
    free = np.setdiff1d(np.arange(matrix.shape[0]), held)
    values = np.zeros((matrix.shape[0], len(tied)))
    for k, unknowns in enumerate(tied):
        values[unknowns, k] = 1.0
    factor = splu(matrix[np.ix_(free, free)].tocsc())
    values[free] = factor.solve(-(matrix[free] @ values))
    flow = matrix @ values
    return np.array([flow[unknowns].sum(axis=0) for unknowns in tied])
