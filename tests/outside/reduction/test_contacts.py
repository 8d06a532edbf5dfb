"""Contact lines and contact resistances from outside: tables in, JSON out, held against numpy and scipy.

A film of resistors without symmetry is solved here by numpy's own linear algebra; its contacts have series resistances, and
one may have a barrier, solved by scipy.
"""

import json

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import f as fisher

COLUMNS = "time_s,temperature_k,field_t,source_in,source_out,sense_high,sense_low,current_a,voltage_v"
SAMPLE = 'kind = "sample"\nname = "film"\n'

# Node, node, ohm: contacts are nodes 0 to 3 around the edge, 4 and 5 are inside.
FILM = [(0, 1, 150.0), (1, 2, 420.0), (2, 3, 260.0), (3, 0, 95.0), (0, 4, 130.0), (1, 4, 380.0), (4, 5, 50.0),
        (2, 5, 210.0), (3, 5, 170.0)]  # fmt: skip


def resistance_matrix(resistors, nodes=6):
    laplacian = np.zeros((nodes, nodes))
    for a, b, ohm in resistors:
        laplacian[[a, b], [a, b]] += 1 / ohm
        laplacian[[a, b], [b, a]] -= 1 / ohm
    return np.linalg.pinv(laplacian)


Z = resistance_matrix(FILM)


def film_voltage(a, b, c, d):
    """Four-terminal resistance of the film: into a, out of b, c against d; contacts from 1."""
    a, b, c, d = (k - 1 for k in (a, b, c, d))
    return Z[a, c] - Z[b, c] - Z[a, d] + Z[b, d]


class Sample:
    def __init__(self, series, barrier=None):
        self.series, self.barrier = series, barrier  # barrier: contact, saturation current, volts, parallel resistance

    def at_contact(self, contact, current):
        """Voltage of the metal against the film with a current into it."""
        volts = current * self.series[contact - 1]
        if self.barrier and self.barrier[0] == contact:
            _, saturation, scale, leak = self.barrier

            def rest(v):
                return saturation * np.expm1(min(v / scale, 600)) + v / leak - current

            volts += brentq(rest, -abs(current) * leak - 1e-9, abs(current) * leak + 1e-9, xtol=1e-15)
        return volts

    def voltage(self, a, b, c, d, current):
        def metal(contact):
            return self.at_contact(contact, current * ((contact == a) - (contact == b)))

        return current * film_voltage(a, b, c, d) + metal(c) - metal(d)


def table(sample, currents, rng, noise):
    rows = []

    def row(a, b, c, d, current):
        volts = sample.voltage(a, b, c, d, current) + noise * rng.standard_normal()
        rows.append(f"{len(rows)},295,0,{a},{b},{c},{d},{float(current)!r},{float(volts)!r}")
        return volts

    lines = {}
    for a in range(1, 5):
        for b in range(a + 1, 5):
            lines[a, b] = np.array([row(a, b, a, b, current) for current in currents])
    for a, b, c, d in [(1, 2, 4, 3), (2, 3, 1, 4), (4, 3, 1, 2), (1, 4, 2, 3)]:
        for current in (2e-4, -2e-4):
            row(a, b, c, d, current)
    return "\n".join([COLUMNS, *rows]) + "\n", lines


@pytest.fixture
def contacts(quadrille, tmp_path):
    def run(text):
        (tmp_path / "sample.toml").write_text(SAMPLE)
        (tmp_path / "readings.csv").write_text(text)
        answer = quadrille("reduce", "--sample", tmp_path / "sample.toml", tmp_path / "readings.csv", "--json")
        assert answer.code in (0, 1), answer.err
        [found] = json.loads(answer.out)["contacts"]
        return answer.code, found

    return run


CURRENTS = np.array([s * i for i in (0.3e-4, 0.7e-4, 1.2e-4, 2e-4) for s in (1, -1)])


@pytest.mark.parametrize("seed", range(6))
def test_lines_are_those_of_polyfit_and_the_curvature_that_of_fisher(contacts, seed):
    rng = np.random.default_rng(seed)
    # A barrier that hardly shows in half of the cases, so that the test of curvature has something to find.
    barrier = (3, 1e-4, 0.03, 500.0) if seed % 2 else None
    text, lines = table(Sample([11.0, 3.0, 25.0, 8.0], barrier), CURRENTS, rng, 20e-6)
    _, found = contacts(text)
    for pair in found["pairs"]:
        volts, line = lines[tuple(pair["pair"])], pair["line"]
        slope, offset = np.polyfit(CURRENTS, volts, 1)
        assert line["resistance"]["value"] == pytest.approx(slope, rel=1e-10)
        assert line["offset"]["value"] == pytest.approx(offset, rel=1e-6, abs=1e-12)
        residual = volts - np.polyval([slope, offset], CURRENTS)
        assert line["nonlinearity"] == pytest.approx(np.abs(residual).max() / np.ptp(volts), rel=1e-6)
        # Scatter is what is left beside a step between the directions, which a meter's own part may make.
        design = np.column_stack([np.ones(8), CURRENTS, np.sign(CURRENTS)])
        (_, left, _, _) = np.linalg.lstsq(design / [1, 1e-4, 1], volts, rcond=None)
        _, unscaled = np.polyfit(CURRENTS, volts, 1, cov="unscaled")
        u = np.sqrt(unscaled[0, 0] * left[0] / 5)
        assert line["resistance"]["standard_uncertainty"] == pytest.approx(u, rel=1e-6)
        cubic = np.polyfit(CURRENTS, volts, 3)
        rest = ((volts - np.polyval(cubic, CURRENTS)) ** 2).sum()
        statistic = ((residual**2).sum() - rest) / 2 / (rest / 4)
        assert line["curvature"]["by_chance"] == pytest.approx(fisher.sf(statistic, 2, 4), rel=1e-5)


@pytest.mark.parametrize("seed", range(4))
def test_contacts_are_those_of_lstsq_and_differ_by_what_was_put_in_series(contacts, seed):
    rng = np.random.default_rng(100 + seed)
    series = rng.uniform(1, 60, 4)
    text, lines = table(Sample(series), CURRENTS, rng, 0.0)
    code, found = contacts(text)
    assert code == 0, found
    r_a, r_b = film_voltage(1, 2, 4, 3), film_voltage(2, 3, 1, 4)
    part = {(1, 2): r_a, (3, 4): r_a, (2, 3): r_b, (1, 4): r_b, (1, 3): r_a + r_b, (2, 4): r_a + r_b}
    design = np.array([[float(k in pair) for k in range(1, 5)] for pair in lines])
    observed = np.array([np.polyfit(CURRENTS, lines[pair], 1)[0] - part[pair] for pair in lines])
    expected = np.linalg.lstsq(design, observed, rcond=None)[0]
    values = [contact["resistance"]["value"] for contact in found["contacts"]]
    np.testing.assert_allclose(values, expected, rtol=1e-9)
    # The film's own narrowing is the same whatever is in series, and never below zero.
    narrowing = np.array(values) - series
    assert (narrowing >= 0).all()
    again, _ = table(Sample([0.0] * 4), CURRENTS, rng, 0.0)
    _, found = contacts(again)
    np.testing.assert_allclose([c["resistance"]["value"] for c in found["contacts"]], narrowing, rtol=1e-8)


@pytest.mark.parametrize("bad", [1, 2, 3, 4])
def test_a_barrier_is_found_at_its_contact(contacts, bad):
    sample = Sample([11.0, 3.0, 25.0, 8.0], (bad, 2e-7, 0.03, 5e3))
    text, _ = table(sample, CURRENTS, np.random.default_rng(bad), 1e-6)
    code, found = contacts(text)
    assert code == 1
    assert [c["contact"] for c in found["contacts"] if not c["passed"]] == [bad]
    assert {tuple(p["pair"]) for p in found["pairs"] if not p["passed"]} == {
        tuple(sorted((bad, other))) for other in range(1, 5) if other != bad
    }
