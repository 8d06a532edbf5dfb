"""What `quadrille predict` says of resistor networks, against solutions by other means."""

import itertools
import json
import random
from pathlib import Path

import numpy as np
import pytest

import reference
from circuit_simulator import operating_point

CONTACTS = 4
FOUR_TERMINAL = list(itertools.permutations(range(CONTACTS), 4))
TWO_TERMINAL = list(itertools.combinations(range(CONTACTS), 2))


@pytest.fixture
def predict(quadrille, tmp_path):
    """The program's answer for a network of resistors."""

    def answer(resistors, contacts):
        rows = ",\n".join(f"  [{json.dumps(a)}, {json.dumps(b)}, {ohm!r}]" for a, b, ohm in resistors)
        document = (
            f'kind = "sample"\nname = "a network"\ncontacts = {json.dumps(contacts)}\n'
            f'[model]\ntype = "network"\nresistors = [\n{rows},\n]\n'
        )
        sample = tmp_path / "sample.toml"
        sample.write_text(document, encoding="utf-8")
        return quadrille("predict", "--sample", sample, "--json").json

    return answer


def four_terminal_key(a, b, c, d):
    return f"{a + 1}{b + 1},{c + 1}{d + 1}"


def random_circuit(nodes, seed):
    """A random tree and twice as many resistors beside it, from 1 Ω to 10 kΩ; nothing in it is symmetric."""
    rng = random.Random(seed)
    names = [f"n{k}" for k in range(nodes)]
    rng.shuffle(names)
    resistors = [[names[rng.randrange(k)], names[k], 10 ** rng.uniform(0, 4)] for k in range(1, nodes)]
    resistors += [rng.sample(names, 2) + [10 ** rng.uniform(0, 4)] for _ in range(2 * nodes)]
    return resistors, rng.sample(names, CONTACTS)


def hold(answer, transfer, relative, of_two_terminal):
    """Every resistance agrees to a part of itself, plus a part of the two-terminal resistances it is a difference of."""
    assert sorted(answer["four_terminal_ohm"]) == sorted(four_terminal_key(*four) for four in FOUR_TERMINAL)
    assert sorted(answer["two_terminal_ohm"]) == sorted(f"{a + 1}{b + 1}" for a, b in TWO_TERMINAL)
    two = {(a, b): transfer(a, b, a, b) for a, b in TWO_TERMINAL}
    for (a, b), ohm in two.items():
        assert answer["two_terminal_ohm"][f"{a + 1}{b + 1}"] == pytest.approx(ohm, rel=relative, abs=0)
    for four in FOUR_TERMINAL:
        found = answer["four_terminal_ohm"][four_terminal_key(*four)]
        assert found == pytest.approx(transfer(*four), rel=relative, abs=of_two_terminal * max(two.values())), four


@pytest.mark.parametrize("nodes, seed", [(4, 1), (5, 2), (7, 3), (12, 4), (30, 5), (60, 6), (120, 7), (200, 8), (200, 9)])
def test_random_circuits_agree_with_a_dense_solution(predict, nodes, seed):
    resistors, contacts = random_circuit(nodes, seed)
    index = {node: k for k, node in enumerate(reference.nodes_of(resistors))}
    matrix = np.zeros((nodes, nodes))
    for a, b, ohm in resistors:
        a, b = index[a], index[b]
        matrix[[a, b], [a, b]] += 1 / ohm
        matrix[[a, b], [b, a]] -= 1 / ohm
    ends = [index[contact] for contact in contacts]
    kept = [k for k in range(nodes) if k != ends[0]]
    potentials = np.zeros((nodes, nodes))
    potentials[np.ix_(kept, kept)] = np.linalg.inv(matrix[np.ix_(kept, kept)])

    def transfer(a, b, c, d):
        a, b, c, d = (ends[k] for k in (a, b, c, d))
        return potentials[c, a] - potentials[c, b] - potentials[d, a] + potentials[d, b]

    hold(predict(resistors, contacts), transfer, 1e-9, 1e-12)


@pytest.mark.parametrize("nodes, seed", [(6, 21), (40, 22), (200, 23)])
def test_random_circuits_agree_with_a_circuit_simulator(predict, nodes, seed):
    resistors, contacts = random_circuit(nodes, seed)
    driven = {(a, b): operating_point(resistors, contacts[a], contacts[b]) for a, b in TWO_TERMINAL}

    def transfer(a, b, c, d):
        volts = driven[min(a, b), max(a, b)]
        return (1 if a < b else -1) * (volts[contacts[c]] - volts[contacts[d]])

    hold(predict(resistors, contacts), transfer, 1e-6, 1e-10)


@pytest.mark.parametrize("seed", range(1, 13))
def test_one_ohm_beside_ten_gigohms_agrees_with_exact_rationals(predict, seed):
    circuit = reference.stiff_at_rest(seed)
    four, two = reference.resistances(circuit["resistors"], circuit["contacts"])
    answer = predict(circuit["resistors"], circuit["contacts"])
    assert answer["four_terminal_ohm"] == pytest.approx({k: float(v) for k, v in four.items()}, rel=1e-10, abs=0)
    assert answer["two_terminal_ohm"] == pytest.approx({k: float(v) for k, v in two.items()}, rel=1e-10, abs=0)


@pytest.mark.parametrize(
    "circuit", reference.BEHIND_CONTACTS + [reference.behind_contacts(seed) for seed in range(31, 61)]
)
def test_one_ohm_behind_ten_gigohms_agrees_with_exact_rationals(predict, circuit):
    expected = reference.with_resistances(circuit)
    answer = predict(circuit["resistors"], circuit["contacts"])
    # Some are exactly zero, where rounding leaves 1e-32 of the two-terminal resistances.
    zero = 1e-30 * max(expected["two_terminal_ohm"].values())
    assert answer["four_terminal_ohm"] == pytest.approx(expected["four_terminal_ohm"], rel=1e-12, abs=zero)
    assert answer["two_terminal_ohm"] == pytest.approx(expected["two_terminal_ohm"], rel=1e-15, abs=0)


def test_an_open_contact_is_named(quadrille, tmp_path):
    sample = tmp_path / "sample.toml"
    sample.write_text(
        'kind = "sample"\nname = "open"\ncontacts = ["a", "b", "lonely", "d"]\n[model]\ntype = "network"\n'
        'resistors = [["a", "b", 1e3], ["b", "d", 2e3], ["d", "a", 4e3], ["lonely", "far", 5e3]]\n',
        encoding="utf-8",
    )
    answer = quadrille("predict", "--sample", sample, "--json")
    assert answer.code != 0
    assert "lonely" in answer.err and "far" in answer.err


def test_the_values_in_the_crate_are_the_ones_computed_here():
    file = Path(__file__).resolve().parents[3] / "crates" / "network" / "tests" / "values.json"
    assert json.loads(file.read_text(encoding="utf-8")) == reference.values()
