"""Transients of the network crate against a circuit simulator, a matrix exponential and fifty digits."""

import random

import numpy as np
import pytest
import scipy.linalg

import reference
from circuit_simulator import transient

RING = [["a", "b", 12e9], ["b", "c", 7.5e9], ["c", "d", 10e9], ["d", "a", 15e9]]


def ring_behind_cables(guarded):
    """A ring of about 10 GΩ behind relays of 1 Ω and cables; contact 1 driven, contact 2 returned through 10 Ω.

    Unguarded, a cable is 100 pF and 1e11 Ω to ground; guarded, what is left is 0.1 pF and 1e14 Ω.
    """
    farad, ohm = (1e-13, 1e14) if guarded else (1e-10, 1e11)
    uneven = dict(zip("abcd", (1.0, 1.1, 0.9, 1.25)))
    resistors = RING + [[f"{end}{end}", end, 1.0] for end in "abcd"] + [["bb", "0", 10.0]]
    resistors += [[f"{end}{end}", "0", ohm * share] for end, share in uneven.items()]
    capacitors = [[f"{end}{end}", "0", farad * share] for end, share in uneven.items()]
    capacitors += [[end, "0", farad / 10] for end in "abcd"]
    return {"resistors": resistors, "capacitors": capacitors, "currents": {"aa": 1e-10}, "initial": {}}


def agree_with_circuit_simulator(relax, circuit, stop):
    times, expected = transient(circuit, stop)
    chosen = [int(k) for k in np.linspace(len(times) // 200, len(times) - 1, 60)]
    circuit["times_s"] = [float(times[k]) for k in chosen]
    answer = relax(circuit)
    start = circuit["initial"]
    step = max(abs(level - start.get(node, 0)) for node, level in answer["steady"].items())
    for node, found in answer["voltages"].items():
        assert found == pytest.approx(expected[node][chosen], rel=0, abs=1e-4 * step), node


@pytest.mark.parametrize("guarded, stop", [(False, 8.0), (True, 8e-3)])
def test_a_ring_of_ten_gigohms_charges_its_cables(relax, guarded, stop):
    agree_with_circuit_simulator(relax, ring_behind_cables(guarded), stop)


@pytest.mark.parametrize("guarded, stop", [(False, 8.0), (True, 8e-3)])
def test_a_reversed_current_starts_from_where_the_other_left(relax, guarded, stop):
    circuit = ring_behind_cables(guarded)
    circuit["times_s"] = [stop / 5]
    circuit["initial"] = {node: volts[0] for node, volts in relax(circuit)["voltages"].items()}
    circuit["currents"] = {"aa": -1e-10}
    agree_with_circuit_simulator(relax, circuit, stop)


@pytest.mark.parametrize("seed", range(6))
def test_circuits_of_few_decades_agree_with_a_matrix_exponential(relax, seed):
    rng = random.Random(seed)
    n = rng.randrange(3, 16)
    nodes = [f"n{k}" for k in range(n)]
    resistors = [[nodes[rng.randrange(k)], nodes[k], rng.uniform(0.3, 3)] for k in range(1, n)]
    resistors += [[rng.choice(nodes), "0", rng.uniform(1, 9)], [nodes[0], nodes[-1], rng.uniform(0.3, 3)]]
    capacitors = [[node, "0", rng.uniform(0.3, 3)] for node in nodes]
    circuit = {
        "resistors": resistors,
        "capacitors": capacitors,
        "currents": {nodes[0]: 1.0, nodes[1]: -0.3},
        "initial": {node: rng.uniform(-1, 1) for node in nodes},
        "times_s": [1e-3, 0.1, 0.7, 3.0, 20.0],
    }
    answer = relax(circuit)
    order = reference.nodes_of(resistors + capacitors, reference.GROUND)
    conductance = np.array(reference.laplacian(resistors, order, lambda ohm: 1 / ohm).tolist(), dtype=float)
    capacitance = {node: farad for node, _, farad in capacitors}
    rates = conductance / np.array([[capacitance[node]] for node in order])
    current = np.array([circuit["currents"].get(node, 0) for node in order])
    settled = np.linalg.solve(conductance, current)
    deviation = np.array([circuit["initial"][node] for node in order]) - settled
    for i, seconds in enumerate(circuit["times_s"]):
        expected = settled + scipy.linalg.expm(-rates * seconds) @ deviation
        found = [answer["voltages"][node][i] for node in order]
        assert found == pytest.approx(expected, rel=0, abs=1e-11 * np.abs(deviation).max())


@pytest.mark.parametrize("driven", [False, True])
@pytest.mark.parametrize("seed", range(100, 110))
def test_stiff_circuits_agree_with_fifty_digits(relax, seed, driven):
    circuit = reference.stiff_in_time(seed, driven)
    answer = relax(circuit)
    voltages, means, slowest = reference.transient(circuit)
    assert answer["slowest_s"] == pytest.approx(float(slowest), rel=1e-12)
    steady = answer["steady"].items()
    largest = max(abs(level - circuit["initial"][node]) for node, level in steady)
    for key, expected in (("voltages", voltages), ("means", means)):
        for node, series in answer[key].items():
            assert series == pytest.approx([float(v) for v in expected[node]], rel=0, abs=1e-9 * largest), (key, node)
