"""Sheets with contacts on their edge against an integral equation for the current density under the contacts.

The equation knows nothing of the product of powers by which the program solves the same sheet: on the upper half plane, a
current density j into the contacts has the potential V(x) = R_s (-1/pi int j(y) ln|x - y| dy + t int^x j dy) along the
edge, and V is constant on each contact. Its derivative is Carleman's singular integral equation, solved here by Jacobi
polynomials (Erdogan, Gupta & Cook, in Sih (ed.), Methods of analysis and solutions of crack problems, 1973, from memory):
for w = (1 - y)^a (1 + y)^b with a + b = -1,
1/pi PV int w P_n^(a,b) / (y - x) dy = cot(pi a) w P_n^(a,b) - 1 / (2 sin(pi a)) P_(n-1)^(-a,-b).
"""

import json

import mpmath
import numpy as np
import pytest
from scipy.special import eval_jacobi, roots_jacobi, roots_legendre

from programs import built, run

# The recurrence of a + b = -1 has a 0/0 in its first step, which scipy replaces.
pytestmark = pytest.mark.filterwarnings("ignore:invalid value encountered in divide:RuntimeWarning")

POLYNOMIALS = 40
NODES = 80

LAYOUTS = {
    "three": [(0.2, 0.9), (1.4, 1.7), (2.5, 3.0)],
    "four": [(-0.4, 0.1), (0.4, 1.4), (1.8, 1.95), (2.3, 2.9)],
    "four, narrow": [(-1.0, -0.999), (0.3, 0.3001), (0.8, 0.9), (2.0, 2.0002)],
    "five": [(-2.0, -1.5), (-1.2, -0.3), (0.1, 0.2), (0.6, 1.1), (2.1, 2.9)],
    "six": [(-2.9, -2.0), (-1.6, -1.5), (-1.1, -0.5), (0.0, 0.3), (0.9, 1.9), (2.3, 2.6)],
}


@pytest.fixture(scope="session")
def arcs():
    path = built("QUADRILLE_ARCS", "examples/arcs")
    return lambda layout, tangents: run(path, stdin=json.dumps({"arcs": layout, "tan_hall": tangents})).json


class Contact:
    """One contact on the edge of the half plane: its density is w(y) sum_n c_n P_n(y), y from -1 to 1 along it."""

    def __init__(self, start, end, a, b):
        self.middle, self.half, self.a, self.b = (start + end) / 2, (end - start) / 2, a, b
        self.y, self.weight = roots_jacobi(NODES, a, b)
        self.x = self.middle + self.half * self.y
        self.values = self.polynomials(self.y)
        self.flux = self.half * self.weight @ self.values
        self.points = roots_jacobi(POLYNOMIALS - 1, -a, -b)[0]

    def polynomials(self, y):
        return np.array([eval_jacobi(n, self.a, self.b, y) for n in range(POLYNOMIALS)]).T

    def at(self, y):
        return self.middle + self.half * y

    def slope_of(self, other):
        """1/pi int j(y) / (y - x) dy at the points of this contact, and t j if the contact is the other one itself."""
        if other is self:
            lower = [eval_jacobi(n - 1, -self.a, -self.b, self.points) for n in range(1, POLYNOMIALS)]
            own = np.array([np.zeros_like(self.points), *lower]).T
            return -own / (2 * np.sin(np.pi * self.a))
        kernel = 1 / (other.x[None, :] - self.at(self.points)[:, None])
        return other.half / np.pi * (kernel * other.weight) @ other.values

    def potential_of(self, other, t, before):
        """V in the middle of this contact, of each polynomial on the other one."""
        if other is not self:
            logarithm = -np.log(np.abs(self.middle - other.x)) / np.pi
            return other.half * (logarithm * other.weight) @ other.values + (t * other.flux if before else 0.0)
        total = np.zeros(POLYNOMIALS)
        for side, near, far in ((-1, self.b, self.a), (1, self.a, self.b)):
            # From the end to half-way: the power of the end.
            u, weight = roots_jacobi(NODES, 0.0, near)
            u, weight = (u + 1) / 4, weight / 4 ** (near + 1)
            total += self.piece(side, 1 - u, weight * (2 - u) ** far, t)
            # From half-way to the middle: the logarithm, by a power of the variable.
            v, weight = roots_legendre(NODES)
            v, weight = (v + 1) / 2, weight / 2
            r = v**6 / 2
            total += self.piece(side, r, weight * 3 * v**5 * (1 - r) ** near * (1 + r) ** far, t)
        return total

    def piece(self, side, r, weight, t):
        """Nodes at r from the middle towards `side`, in units of half the contact, with all but the kernel in `weight`."""
        kernel = -np.log(self.half * r) / np.pi + (t if side < 0 else 0.0)
        return self.half * (kernel * weight) @ self.polynomials(side * r)


def voltages(layout, t):
    """V of each contact up to a constant, R_s = 1, for one ampere into contact k and out of the last one; by columns."""
    q = np.arctan2(1.0, t) / np.pi
    contacts = [Contact(np.tan(start / 2), np.tan(end / 2), -q, q - 1) for start, end in layout]
    matrix = np.block([[one.slope_of(other) for other in contacts] for one in contacts])
    count = len(contacts)
    leading = POLYNOMIALS * np.arange(count)
    others = np.setdiff1d(np.arange(count * POLYNOMIALS), leading)
    currents = np.vstack([np.eye(count - 1), -np.ones(count - 1)])
    # Only the polynomial of degree 0 carries current.
    coefficients = np.zeros((count * POLYNOMIALS, count - 1))
    coefficients[leading] = currents / np.array([[contact.flux[0]] for contact in contacts])
    coefficients[others] = np.linalg.solve(matrix[:, others], -matrix[:, leading] @ coefficients[leading])
    potentials = np.block(
        [[one.potential_of(other, t, j < k) for j, other in enumerate(contacts)] for k, one in enumerate(contacts)]
    )
    return currents, potentials @ coefficients


def test_the_formula_for_jacobi_polynomials_holds():
    """Against quadrature: the singular part is taken out of the integral and has a closed form of its own."""
    a, b, x, n = -0.3, -0.7, mpmath.mpf("0.37"), 3
    jacobi = lambda y: mpmath.jacobi(n, a, b, y)
    smooth = lambda y: (jacobi(y) - jacobi(x)) / (y - x)
    nodes, weights = roots_jacobi(20, a, b)
    regular = sum(weight * smooth(mpmath.mpf(y)) for y, weight in zip(nodes, weights)) / mpmath.pi
    # n = 0: 1/pi PV int w / (y - x) dy = cot(pi a) w.
    left = regular + jacobi(x) * mpmath.cot(mpmath.pi * a) * (1 - x) ** a * (1 + x) ** b
    right = mpmath.cot(mpmath.pi * a) * (1 - x) ** a * (1 + x) ** b * jacobi(x)
    right -= mpmath.jacobi(n - 1, -a, -b, x) / (2 * mpmath.sin(mpmath.pi * a))
    assert abs(left - right) < 1e-12


@pytest.mark.parametrize("name", LAYOUTS)
@pytest.mark.parametrize("t", [0.0, 0.3, -1.0, 2.0, -5.0, 20.0])
def test_conductances_drive_the_currents_of_the_integral_equation(arcs, name, t):
    layout = LAYOUTS[name]
    answer = arcs(layout, [t])
    currents, potentials = voltages(layout, t)
    found = np.array(answer["admittances"][0]) @ potentials
    assert np.abs(found - currents).max() < 1e-10, found


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_disc_found_from_zero_field_drives_them_too(arcs, name):
    layout, t = LAYOUTS[name], 2.0
    fitted = arcs(layout, [t])["fitted"]
    currents, potentials = voltages(layout, t)
    found = np.array(fitted["admittances"][0]) @ potentials
    assert np.abs(found - currents).max() < 1e-10, found
    assert fitted["residual"] < 1e-12
    # Another disc, by a Möbius map.
    assert np.abs(np.array(fitted["arcs"]) - np.array(layout)).max() > 0.01
