"""Circuits solved by other means than the program's: exact rationals at rest, fifty digits in time.

Run as a program it writes the values that the Rust tests of the network are held against:
`python reference.py ../../../crates/network/tests/values.json`.
"""

import itertools
import json
import random
import sys
from fractions import Fraction

import mpmath

mpmath.mp.dps = 50
GROUND = "0"


def solve_exactly(matrix, right_hand_sides):
    """Gauss-Jordan elimination over the rationals: no rounding, so no order of pivots matters but for zeros."""
    rows = [list(row) + list(extra) for row, extra in zip(matrix, right_hand_sides)]
    n = len(rows)
    for m in range(n):
        pivot = next(k for k in range(m, n) if rows[k][m] != 0)
        rows[m], rows[pivot] = rows[pivot], rows[m]
        rows[m] = [x / rows[m][m] for x in rows[m]]
        for k in range(n):
            if k != m and rows[k][m] != 0:
                factor = rows[k][m]
                rows[k] = [x - factor * y for x, y in zip(rows[k], rows[m])]
    return [row[n:] for row in rows]


def nodes_of(components, reference=None):
    seen = dict.fromkeys(end for component in components for end in component[:2])
    return [node for node in seen if node != reference]


def resistances(resistors, contacts):
    """Every ordered four-terminal and every two-terminal resistance, as exact fractions of the given floats."""
    nodes = nodes_of(resistors, contacts[0])
    index = {node: k for k, node in enumerate(nodes)}
    matrix = [[Fraction(0)] * len(nodes) for _ in nodes]
    for a, b, ohm in resistors:
        siemens = 1 / Fraction(ohm)
        for p, q in ((a, b), (b, a)):
            if p in index:
                matrix[index[p]][index[p]] += siemens
                if q in index:
                    matrix[index[p]][index[q]] -= siemens
    drives = [[Fraction(int(node == contact)) for contact in contacts] for node in nodes]
    potentials = solve_exactly(matrix, drives)

    def potential(node, source):
        return potentials[index[contacts[node]]][source] if contacts[node] in index else Fraction(0)

    def transfer(a, b, c, d):
        return potential(c, a) - potential(c, b) - potential(d, a) + potential(d, b)

    count = range(len(contacts))
    four = {
        f"{a + 1}{b + 1},{c + 1}{d + 1}": transfer(a, b, c, d) for a, b, c, d in itertools.permutations(count, 4)
    }
    two = {f"{a + 1}{b + 1}": transfer(a, b, a, b) for a, b in itertools.combinations(count, 2)}
    return four, two


def laplacian(components, nodes, value):
    index = {node: k for k, node in enumerate(nodes)}
    matrix = mpmath.zeros(len(nodes))
    for a, b, given in components:
        for p, q in ((a, b), (b, a)):
            if p in index:
                matrix[index[p], index[p]] += value(given)
                if q in index:
                    matrix[index[p], index[q]] -= value(given)
    return matrix


def transient(circuit):
    """Node voltages and their means from the start, from the modes of the circuit, and its longest time constant.

    With C = L Lᵀ the modes are the eigenvectors of the symmetric L⁻¹ Y L⁻ᵀ.
    """
    nodes = nodes_of(circuit["resistors"] + circuit["capacitors"], GROUND)
    conductance = laplacian(circuit["resistors"], nodes, lambda ohm: 1 / mpmath.mpf(ohm))
    root = mpmath.cholesky(laplacian(circuit["capacitors"], nodes, mpmath.mpf))
    inverse = root**-1
    rates, modes = mpmath.eigsy(inverse * conductance * inverse.T)
    current = modes.T * inverse * mpmath.matrix([circuit["currents"].get(node, 0) for node in nodes])
    start = modes.T * root.T * mpmath.matrix([circuit["initial"].get(node, 0) for node in nodes])
    back = inverse.T * modes
    voltages, means = {node: [] for node in nodes}, {node: [] for node in nodes}
    for time in map(mpmath.mpf, circuit["times_s"]):
        at, mean = [], []
        for rate, j, y in zip(rates, current, start):
            grown = -mpmath.expm1(-rate * time) / rate
            at.append(y * mpmath.exp(-rate * time) + j * grown)
            mean.append((y * grown + j * (time - grown) / rate) / time)
        for series, modal in ((voltages, at), (means, mean)):
            for node, value in zip(nodes, back * mpmath.matrix(modal)):
                series[node].append(value)
    return voltages, means, 1 / min(rates)


def stiff_at_rest(seed):
    """A sample of 10 GΩ with closed relays of about 1 Ω in its leads and, for some seeds, inside it; leaks beside it."""
    rng = random.Random(seed)
    inner, outer = ["p", "q", "r", "s", "t"], ["a", "b", "c", "d"]
    resistors = [[inner[k], inner[(k + 1) % 5], 1e10 * rng.uniform(0.3, 3)] for k in range(5)]
    resistors += [["p", "r", 1e10 * rng.uniform(0.3, 3)], ["q", "t", 10 ** rng.uniform(0, 13)]]
    resistors += [[outer[k], inner[k], rng.uniform(0.5, 2)] for k in range(4)]
    resistors += [[outer[k], "z", 10 ** rng.uniform(11, 14)] for k in range(4)]
    resistors += [["b", "s", 1.0]] if seed % 2 else []
    return {"resistors": resistors, "contacts": outer}


BEHIND_CONTACTS = [
    {
        "resistors": [
            *(["a", "i", 1e10], ["b", "j", 3e9], ["c", "k", 7e9], ["d", "l", 1e10]),
            *(["i", "j", 1.0], ["j", "k", 1.7], ["k", "l", 2.3], ["l", "i", 3.1]),
        ],
        "contacts": ["a", "b", "c", "d"],
    },
    {
        "resistors": [["a", "m", 1.0], ["b", "m", 2.0], ["c", "m", 1e10], ["d", "m", 4.0], ["a", "b", 1e10]],
        "contacts": ["a", "b", "c", "d"],
    },
]


def behind_contacts(seed):
    """A sample of about 1 Ω behind one to three resistors of 100 MΩ to 10 GΩ at each contact, to the same node or not."""
    rng = random.Random(seed)
    inner, outer = [f"n{k}" for k in range(9)], ["a", "b", "c", "d"]
    resistors = [[inner[rng.randrange(k)], inner[k], rng.uniform(0.3, 3)] for k in range(1, 9)]
    resistors += [rng.sample(inner, 2) + [rng.uniform(0.3, 3)] for _ in range(8)]
    resistors += [[end, rng.choice(inner), 10 ** rng.uniform(8, 10)] for end in outer for _ in range(rng.randint(1, 3))]
    resistors += [rng.sample(outer, 2) + [10 ** rng.uniform(8, 10)]] if seed % 2 else []
    return {"resistors": resistors, "contacts": outer}


def stiff_in_time(seed, driven):
    """Twelve nodes from 1 Ω to 1e15 Ω and from 0.1 pF to 100 nF, some of them coupled by capacitors."""
    rng = random.Random(seed)
    nodes = [f"n{k}" for k in range(12)]
    resistors = [
        [nodes[rng.randrange(k)], nodes[k], 10 ** rng.choice([0, 0, 4, 10, rng.uniform(0, 15)])] for k in range(1, 12)
    ]
    resistors += [rng.sample(nodes, 2) + [10 ** rng.uniform(0, 15)] for _ in range(12)]
    resistors += [[node, GROUND, 10 ** rng.uniform(11, 15)] for node in nodes]
    capacitors = [[node, GROUND, 10 ** rng.uniform(-13, -7)] for node in nodes]
    capacitors += [rng.sample(nodes, 2) + [10 ** rng.uniform(-13, -10)] for _ in range(3)]
    source, sink = rng.sample(nodes, 2)
    return {
        "resistors": resistors,
        "capacitors": capacitors,
        "currents": {source: 1e-10, sink: -1e-10} if driven else {},
        "initial": {node: rng.uniform(-1, 1) for node in nodes},
        "times_s": [10.0**k for k in range(-12, 6)],
    }


def with_resistances(circuit):
    four, two = resistances(circuit["resistors"], circuit["contacts"])
    ohms = ({key: float(ohm) for key, ohm in group.items()} for group in (four, two))
    return circuit | dict(zip(("four_terminal_ohm", "two_terminal_ohm"), ohms))


def values():
    in_time = []
    at_rest = [with_resistances(stiff_at_rest(seed)) for seed in (1, 2, 3, 4)]
    behind = BEHIND_CONTACTS + [behind_contacts(seed) for seed in (31, 32, 33, 34)]
    for seed, driven in ((11, False), (12, True)):
        circuit = stiff_in_time(seed, driven)
        voltages, means, slowest = transient(circuit)
        series = ({node: [float(v) for v in row] for node, row in group.items()} for group in (voltages, means))
        in_time.append(circuit | dict(zip(("voltages", "means"), series)) | {"slowest_s": float(slowest)})
    return {"origin": "tests/outside/network/reference.py", "at_rest": at_rest, "in_time": in_time} | {
        "behind_contacts": [with_resistances(circuit) for circuit in behind]
    }


if __name__ == "__main__":
    with open(sys.argv[1], "w", encoding="utf-8") as file:
        json.dump(values(), file, indent=1)
        file.write("\n")
