"""Sheets beside SuperLU and scikit-fem, in one run on one machine: prints times, ratios and the cost against unknowns.

    cargo build --release -p quadrille-network --bench sheet --example sheet
    python tests/speed/sheets.py BENCH EXAMPLE

BENCH and EXAMPLE are the two programs that the first line builds (the bench is in target/release/deps). Needs numpy, scipy and
scikit-fem. SuperLU gets the same matrix, the best of its orderings, and the same one core.
"""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[name] = "1"

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import splu

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "outside" / "sheets"))
import elements

IRREGULAR = {
    "outline": {"polygon": [[0, 0], [1.3, -0.2], [1.7, 0.9], [0.8, 0.55], [0.2, 1.2]]},
    "contacts": [[0.3, 0.2], [1.3, 0.25], [2.9, 0.11], [4.35, 0.4]],
}
SQUARE = [[0, 0], [1, 0], [1, 1], [0, 1]]
CORNERS = [[0.0, 0.2], [1.0, 0.2], [2.0, 0.2], [3.0, 0.2]]
ORDERINGS = [
    ("COLAMD", {}),
    ("MMD_AT_PLUS_A", {}),
    ("MMD_AT_PLUS_A", {"diag_pivot_thresh": 0.0, "options": {"SymmetricMode": True}}),
]


def ask(program, *arguments, **description):
    done = subprocess.run([program, *arguments], input=json.dumps(description), capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def least(run, times=3):
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        answer = run()
        best = min(best, time.perf_counter() - start)
    return best, answer


def matrices(equations):
    """S and A, whole, in columns."""
    size = equations["free"] + equations["terminals"]
    i, j, x = map(np.array, zip(*equations["stiffness"]))
    i, j = i.astype(int), j.astype(int)
    below = i != j
    s = coo_matrix((np.append(x, x[below]), (np.append(i, j[below]), np.append(j, i[below]))), (size, size))
    i, j, x = map(np.array, zip(*equations["hall"]))
    return s.tocsc(), coo_matrix((x, (i.astype(int), j.astype(int))), (size, size)).tocsc()


def terminals(s, a, free, t, ordering):
    """Y from one factorisation and as many solutions as there are terminals."""
    permutation, options = ordering
    matrix = (s + t * a).tocsc()
    inner = matrix[:free, :free]
    start = time.perf_counter()
    x = splu(inner, permc_spec=permutation, **options).solve(-matrix[:free, free:].toarray())
    seconds = time.perf_counter() - start
    return seconds, (matrix[free:, free:].toarray() + matrix[free:, :free] @ x) / (1 + t * t)


def scikit_fem(relative, truth):
    """The fastest of some meshes and orders that is as good as asked: growth 0.7, smallest triangle below the accuracy."""
    best = None
    for order in ("P2", "P3", "P4"):
        for growth in (0.7, 1.0):
            for smallest in (1e-4, 3e-5, 1e-5, 1e-6):
                def run():
                    return elements.admittances(
                        elements.assemble(SQUARE, CORNERS, growth, smallest, 0.4, order=order), 0.0
                    )
                seconds, rows = least(run, 1)
                error = np.abs(rows - truth).max() / np.abs(truth).max()
                if error < relative and (best is None or seconds < best[0]):
                    best = (min(seconds, least(run, 2)[0]), order, growth, smallest, error)
    return best


def main(bench, example):
    ours = json.loads(subprocess.run([bench], capture_output=True, text=True, check=True).stdout)
    equations = ask(example, "equations", **IRREGULAR, fineness=ours["fineness"])
    s, a = matrices(equations)
    free = equations["free"]
    assert free == ours["unknowns"]
    best = min(ORDERINGS, key=lambda ordering: terminals(s, a, free, 0.0, ordering)[0])
    one = min(terminals(s, a, free, 0.0, best)[0] for _ in range(3))
    # The same terminals, or the times mean nothing.
    check = ask(example, **IRREGULAR, fineness=ours["fineness"], tan_hall=[1.0])["admittances"][0]
    assert np.abs(terminals(s, a, free, 1.0, best)[1] - check).max() < 1e-5 * np.abs(check).max()
    ten = sum(min(terminals(s, a, free, t, best)[0] for _ in range(2)) for t in ours["angles"])
    print(f"{free} unknowns, SuperLU's best ordering {best}")
    print(f"all terminals at zero field: ours {ours['one angle']:.3f} s, SuperLU {one:.3f} s, ratio {one / ours['one angle']:.2f}")
    print(f"ten Hall angles: ours {ours['ten angles']:.3f} s, SuperLU {ten:.3f} s, ratio {ten / ours['ten angles']:.2f}")
    truth = np.array(
        ask(example, outline={"polygon": SQUARE}, contacts=CORNERS, relative=1e-8, tan_hall=[0.0])["admittances"][0]
    )
    default = ours["square, default"]
    other = scikit_fem(1e-5, truth)
    print(f"square with corner contacts: ours to 1e-6 {default:.3f} s, scikit-fem to 1e-5 {other[0]:.3f} s {other[1:]}, "
          f"ratio {other[0] / default:.2f}")
    print("cost of whole solutions, mesh and both problems:")
    for row in ours["cost"]:
        print(f"  P{row['order']}  {row['unknowns']:8d} unknowns  {row['seconds']:8.3f} s  bound {row['bound']:.1e}")
    unknowns, seconds = (np.log([row[key] for row in ours["cost"]]) for key in ("unknowns", "seconds"))
    print(f"exponent: {np.polyfit(unknowns, seconds, 1)[0]:.2f}")


if __name__ == "__main__":
    main(*sys.argv[1:])
