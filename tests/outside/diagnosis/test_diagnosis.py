"""The diagnosis' forward model against nodal analysis with forty digits, and its evidence against integration by brute
force. Example program `predict` of the crate; benches, faults and deviations are drawn here."""

import json

import nodal
import numpy as np
import pytest
from programs import built, run
from scipy.optimize import minimize
from scipy.special import gammaln

ROWS = nodal.ROWS


@pytest.fixture(scope="session")
def answers():
    """Answers of the program to a list of questions."""
    path = built("QUADRILLE_DIAGNOSIS", "examples/predict")
    return lambda questions: run(path, stdin=json.dumps(questions), timeout=300).json


def ranges(full_scales, gain=1e-4, offset=1e-5, noise=1e-6):
    return [
        {"full_scale": f, "gain_u": gain, "offset_u": offset * f, "noise": noise * f, "quantum": 0.0}
        for f in full_scales
    ]


def drawn_bench(rng, high):
    """Resistances log-uniform over the decades in which benches are found."""
    ten = lambda a, b: float(10 ** rng.uniform(a, b))  # noqa: E731
    return {
        "source": {"ranges": ranges([1e-9, 1e-5, 1e-3]), "output_ohm": ten(10, 15), "limit_u": 1e-3},
        "voltmeter": {
            "ranges": ranges([0.1, 1.0, 10.0, 100.0]), "input_ohm": ten(9, 11), "low_to_ground_ohm": ten(9, 12),
            "bias_a": 1e-12, "overload": 1.1,
        },
        "ammeter": {
            "ranges": ranges([1e-9, 1e-5, 1e-3]), "burden_ohm": ten(0, 3), "shorted_ohm": 0.01, "overload": 1.1,
        },
        "matrix": {
            "closed_ohm": ten(-1, 0.5), "closed_spread": 0.1, "open_ohm": ten(11, 15), "open_decades": 0.4,
            "thermoelectric_v": 1e-6,
        },
        "lead": {"ohm": ten(-2, 0), "spread": 0.5},
        "cable": {
            "insulation_ohm": ten(10, 12), "guarded_insulation_ohm": ten(13, 15), "decades": 0.4,
            "capacitance_f": 1e-10,
        },
        "buffers": {"input_ohm": ten(13, 15), "bias_a": 2e-15} if high else None,
        "guard": bool(high), "settle_s": 1.0, "relative_floor": 1e-5,
    }


def drawn_state(rng, resistors, high, size):
    volts, amperes = 4, 3
    bias = 1e-15 if high else 1e-12
    return {
        "resistors": list(rng.normal(0, 0.01, resistors)), "closed": rng.normal(0, 0.1, (4, 4)).tolist(),
        "open": rng.normal(0, 1, (4, 4)).tolist(), "emf_v": rng.normal(0, 1e-6, (4, 4)).tolist(),
        "leads": list(rng.normal(0, 0.5, 4)), "insulation": list(rng.normal(0, 1, 8)),
        "output": float(rng.normal(0, 1)), "inputs": list(rng.normal(0, 0.2, 2)),
        "bias_a": list(rng.normal(0, bias, 2)), "source_gain": float(rng.normal(0, 1e-3)),
        "source_offset_a": float(rng.normal(0, 1e-14 if high else 1e-9)), "limit": float(rng.normal(0, 1e-3)),
        "volt_gain": list(rng.normal(0, 1e-4, volts)), "volt_offset_v": list(rng.normal(0, 1e-6, volts)),
        "ampere_gain": list(rng.normal(0, 1e-4, amperes)),
        "ampere_offset_a": list(rng.normal(0, 1e-14 if high else 1e-9, amperes)), "size": size,
    }


def drawn_fault(rng, kind, scale):
    two = sorted(int(k) for k in rng.choice(4, 2, replace=False))
    one, row = int(rng.integers(4)), str(rng.choice(ROWS))
    leak = float(scale * 10 ** rng.uniform(-1.5, 3))
    return {
        "good": ("good", 1.0), "contact-open": ({kind: one}, 1.0), "leads-swapped": ({kind: two}, 1.0),
        "crosspoint-open": ({kind: [row, one]}, 1.0), "crosspoint-closed": ({kind: [row, one]}, 1.0),
        "row-open": ({kind: row}, 1.0), "resistor-off": ({kind: one}, float(np.exp(rng.normal(0, 0.5)))),
        "leak": ({kind: two}, leak), "leak-to-ground": ({kind: one}, leak), "loading": (kind, leak),
        "compliance-low": (kind, float(rng.uniform(0.02, 0.3))), "all-scaled": (kind, float(np.exp(rng.normal(0, 1)))),
        "voltmeter-gain": (kind, float(np.exp(rng.normal(0, 1)))),
    }.get(kind, (kind, 1.0))


KINDS = [
    "good", "contact-open", "leads-swapped", "crosspoint-open", "crosspoint-closed", "row-open", "resistor-off", "leak",
    "leak-to-ground", "loading", "buffers-out", "ammeter-shorted", "ammeter-reversed", "voltmeter-reversed",
    "current-rows-exchanged", "compliance-low", "source-reversed", "all-scaled", "voltmeter-gain",
]  # fmt: skip


def drawn_question(rng, kind):
    high = kind == "buffers-out" or rng.random() < 0.5
    scale = 1e10 if high else 1e4
    resistors = [[k, (k + 1) % 4, float(scale * np.exp(rng.normal(0, 0.5)))] for k in range(4)]
    shape = rng.integers(3)
    if shape == 1:
        resistors.append([0, 2, float(scale * np.exp(rng.normal(0, 0.5)))])
    if shape == 2:
        resistors[1][1] = 4
        resistors.append([4, 2, float(scale * np.exp(rng.normal(0, 0.5)))])
    fault, size = drawn_fault(rng, kind, scale)
    current = 0.4 / scale
    readings = []
    for _ in range(4):
        a, b = rng.permutation(4)[:2]
        c, d = (a, b) if rng.random() < 0.3 else rng.permutation(4)[:2]
        readings.append({
            "configuration": f"{a + 1}{b + 1},{c + 1}{d + 1}", "commanded": float(current * rng.choice([-1, 1])),
            "voltage_limit": 3.0, "voltage_range": 1.0, "current_range": 1e-9 if high else 1e-3,
        })  # fmt: skip
    return {
        "bench": drawn_bench(rng, high), "resistors": resistors, "tolerance": 0.01, "readings": readings,
        "fault": fault, "state": drawn_state(rng, len(resistors), high, size),
    }


def test_each_fault_reads_what_nodal_analysis_with_forty_digits_says(answers):
    rng = np.random.default_rng(20)
    questions = [drawn_question(rng, kind) for kind in KINDS for _ in range(3)]
    worst, clamped, floating = 0.0, 0, 0
    for question, answer in zip(questions, answers(questions), strict=True):
        for one, shown in zip(question["readings"], answer, strict=True):
            volts, amperes, need, at_source = nodal.reading(question, one)
            # Scales: the largest voltage in the circuit, and the current asked for.
            most = max(float(min(abs(at_source), one["voltage_limit"])), 1e-3)
            worst = max(worst, abs(float(volts) - shown["voltage"]) / most)
            worst = max(worst, abs(float(amperes) - shown["current"]) / abs(one["commanded"]))
            assert shown["need"] == pytest.approx(float(need), rel=1e-9), question["fault"]
            clamped += float(need) > 1
            floating += shown["floats"]
            assert worst < 1e-9, (question["fault"], one, float(volts), float(amperes), shown)
    # Otherwise neither the limit of the source nor open inputs were in it.
    assert clamped > 10 and floating > 5


# A chain of three resistors, of which pairs of contacts are read; nothing else is uncertain, so that integrals have three
# dimensions, or four with a leak.
CHAIN, TOLERANCE, CURRENT = [1e4, 1.5e4, 2.2e4], 0.01, 1e-5
NOISE_V, NOISE_I = 3e-4, 2e-9
PAIRS = {"12,12": (1, 0, 0), "23,23": (0, 1, 0), "34,34": (0, 0, 1), "13,13": (1, 1, 0), "24,24": (0, 1, 1)}


def quiet_bench():
    exact = {"gain_u": 0.0, "offset_u": 0.0, "quantum": 0.0}
    return {
        "source": {"ranges": [{"full_scale": 1e-5, "noise": 0.0} | exact], "output_ohm": 1e19, "limit_u": 0.0},
        "voltmeter": {
            "ranges": [{"full_scale": 1.0, "noise": NOISE_V} | exact], "input_ohm": 1e18,
            "low_to_ground_ohm": 1e19, "bias_a": 0.0, "overload": 1.1,
        },
        "ammeter": {
            "ranges": [{"full_scale": 1e-5, "noise": NOISE_I} | exact], "burden_ohm": 1e-6, "shorted_ohm": 1e-6,
            "overload": 1.1,
        },
        "matrix": {
            "closed_ohm": 1e-6, "closed_spread": 0.0, "open_ohm": 1e19, "open_decades": 0.0, "thermoelectric_v": 0.0,
        },
        "lead": {"ohm": 1e-6, "spread": 0.0},
        "cable": {
            "insulation_ohm": 1e19, "guarded_insulation_ohm": 1e19, "decades": 0.0, "capacitance_f": 1e-10,
        },
        "buffers": None, "guard": False, "settle_s": 1.0, "relative_floor": 0.0,
    }  # fmt: skip


def log_student(residual, width):
    """Student's t of four degrees of freedom."""
    constant = gammaln(2.5) - gammaln(2.0) - 0.5 * np.log(4 * np.pi)
    return constant - np.log(width) - 2.5 * np.log1p((residual / width) ** 2 / 4)


def integrate(log_density, start, points=33, reach=7.0):
    """ln of the integral of a density by the trapezium rule on a grid that is turned and stretched as the density is around its
    top; its error vanishes fast where the density does at the edges."""
    n = len(start)
    negative = lambda x: -float(log_density(*x))  # noqa: E731
    top = minimize(negative, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-9, "maxiter": 20000}).x
    step = 1e-3 * np.maximum(1.0, np.abs(top)) * 0.3
    hessian = np.empty((n, n))
    for a in range(n):
        for b in range(n):
            corners = [(1, 1), (1, -1), (-1, 1), (-1, -1)]
            at = lambda s, t: negative(top + s * step * np.eye(n)[a] + t * step * np.eye(n)[b])  # noqa: B023, E731
            hessian[a, b] = sum(s * t * at(s, t) for s, t in corners) / (4 * step[a] * step[b])
    shape = np.linalg.inv(np.linalg.cholesky(hessian)).T
    axis = np.linspace(-reach, reach, points)
    grid = np.array(np.meshgrid(*[axis] * n, indexing="ij"))
    values = log_density(*(top.reshape((n,) + (1,) * n) + np.tensordot(shape, grid, 1)))
    most = values.max()
    for k in range(n):
        edge = max(np.take(values, 0, k).max(), np.take(values, -1, k).max())
        assert edge < most - 8, f"axis {k}: the box cuts {edge} against {most}"
    cell = (axis[1] - axis[0]) ** n * abs(np.linalg.det(shape))
    return most + np.log(np.exp(values - most).sum() * cell)


def taken(rng, real, load=np.inf):
    """Readings of the chain, each configuration six times with either sign, with a load across the sense contacts."""
    readings = []
    for text, part in PAIRS.items():
        for sign in (1, -1) * 6:
            ohm = 1 / (1 / (real @ np.array(part)) + 1 / load)
            readings.append({
                "configuration": text, "commanded": sign * CURRENT, "voltage_limit": 10.0, "voltage_range": 1.0,
                "current_range": 1e-5, "voltage": sign * CURRENT * ohm + rng.normal(0, NOISE_V),
                "current": sign * CURRENT + rng.normal(0, NOISE_I),
            })  # fmt: skip
    return readings


def brute_force(readings, load):
    """ln of the evidence of hypotheses, with nothing of the crate in it. A load is only among them where there is one: else it
    has no top that an approximation could be around."""
    sigma = TOLERANCE / np.sqrt(3)
    # No flag is wrong, and none is certain: each reading has three that may be.
    common = 3 * len(readings) * np.log(1 - 0.003)
    common += sum(log_student(one["current"] - one["commanded"], NOISE_I) for one in readings)

    def likelihood(ohms, load=np.inf):
        total = common
        for one in readings:
            part = PAIRS[one["configuration"]]
            ohm = sum(r for p, r in zip(part, ohms, strict=True) if p)
            ohm = 1 / (1 / ohm + 1 / load)
            total = total + log_student(one["voltage"] - one["commanded"] * ohm, NOISE_V)
        return total

    def normal(*u):
        return sum(-0.5 * x**2 - 0.5 * np.log(2 * np.pi) for x in u)

    def within(k, u):
        return CHAIN[k] * np.exp(sigma * u)

    def good(u, v, w):
        return likelihood([within(0, u), within(1, v), within(2, w)]) + normal(u, v, w)

    def off(x, v, w):
        """The first resistor off by a factor whose logarithm has the standard deviation 1."""
        return likelihood([CHAIN[0] * np.exp(x), within(1, v), within(2, w)]) + normal(x, v, w)

    def loaded(size, u, v, w):
        """A load across the sense contacts, anywhere in sixteen logarithms of its resistance."""
        ohms = [within(0, u), within(1, v), within(2, w)]
        return likelihood(ohms, np.exp(size)) + normal(u, v, w) - np.log(16.0)

    exact = {
        '"good"': integrate(good, [0.0] * 3),
        '{"resistor-off": 0}': integrate(off, [0.0] * 3),
    }
    if np.isfinite(load):
        exact['"loading"'] = integrate(loaded, [np.log(load), 0.0, 0.0, 0.0])
    return exact


@pytest.mark.parametrize(
    ("load", "off", "right"),
    [(np.inf, 1.0, '"good"'), (np.inf, 0.94, '{"resistor-off": 0}'), (3.5e6, 1.0, '"loading"')],
)
def test_the_evidence_of_faults_is_that_of_an_integration_by_brute_force(answers, load, off, right):
    rng = np.random.default_rng(4)
    real = np.array(CHAIN) * np.exp(TOLERANCE / np.sqrt(3) * np.array([0.7, -1.1, 0.4])) * [off, 1, 1]
    readings = taken(rng, real, load)
    question = {
        "bench": quiet_bench(), "resistors": [[k, k + 1, ohm] for k, ohm in enumerate(CHAIN)], "tolerance": TOLERANCE,
        "readings": readings,
    }
    (ranked,) = answers([question])
    evidence = {json.dumps(member): value for one in ranked for member, value in one["members"]}
    exact = brute_force(readings, load)
    assert max(exact, key=exact.get) == right
    for member, integral in exact.items():
        # Laplace's approximation, of densities that are not quite normal.
        assert evidence[member] == pytest.approx(integral, abs=0.05), (member, exact, evidence[member])
