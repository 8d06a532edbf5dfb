"""Drives the program's reduction from outside: files in, JSON and exit code out.

Every expected value is computed here by numpy, scipy or `uncertainties` from the published equations, or is a table
with its source beside it; nothing of the program's own arithmetic is used.
"""

import json
import math

import numpy as np
import pytest
from scipy.optimize import brentq
from uncertainties import ufloat, wrap

# SI 2019, exact.
ELEMENTARY_CHARGE = 1.602176634e-19

SAMPLE = 'kind = "sample"\nname = "film B"\nthickness_m = 480e-9\nthickness_u_m = 6e-9\n'
THICKNESS, THICKNESS_U = 480e-9, 6e-9

COLUMNS = (
    "time_s,temperature_k,field_t,source_in,source_out,sense_high,sense_low,"
    "current_a,voltage_v,current_u_a,voltage_u_v"
)

SHEET = ["21,34", "12,43", "32,41", "23,14", "43,12", "34,21", "14,23", "41,32"]
HALL = ["13,24", "31,42", "42,13", "24,31"]


class Film:
    """Four point contacts on the edge of a film, numbered counter-clockwise seen with +B towards the viewer.

    R12,34 = -R_A and R23,14 = R_B with their reciprocals; R13,24 = R_B - R_A at zero field, by the sum rule R12,34 +
    R23,14 + R31,24 = 0 that holds there, plus slope B in a field; its reciprocal with -B (Onsager and Casimir);
    exchanging two contacts of a pair changes sign.
    """

    def __init__(self, r_a, r_b, slope=0.0, potentials=(0.0, 0.0, 0.0, 0.0)):
        self.r_a, self.r_b, self.slope, self.potentials = r_a, r_b, slope, potentials

    def resistance(self, configuration, field):
        a, b, _, c, d = configuration
        sign = (1 if a < b else -1) * (1 if c < d else -1)
        pairs = "".join(sorted(a + b)) + "|" + "".join(sorted(c + d))
        canonical = {
            "12|34": -self.r_a,
            "34|12": -self.r_a,
            "23|14": self.r_b,
            "14|23": self.r_b,
            "13|24": self.r_b - self.r_a + self.slope * field,
            "24|13": self.r_b - self.r_a - self.slope * field,
        }
        return sign * canonical[pairs]

    def row(self, configuration, current, field=0.0, time=0.0, current_u=0.0, voltage_u=0.0):
        high, low = (self.potentials[int(contact) - 1] for contact in configuration[3:])
        voltage = current * self.resistance(configuration, field) + high - low
        return Row(configuration, current, voltage, field, time, current_u, voltage_u)

    def sheet_resistance(self):
        """Root of exp(-pi R_A/Rs) + exp(-pi R_B/Rs) = 1 (van der Pauw, Philips Res. Rep. 13, 1958)."""
        return van_der_pauw(self.r_a, self.r_b)


class Row:
    def __init__(self, configuration, current, voltage, field=0.0, time=0.0, current_u=0.0, voltage_u=0.0):
        self.configuration, self.field, self.time = configuration, field, time
        self.current, self.voltage = float(current), float(voltage)
        self.current_u, self.voltage_u = current_u, voltage_u

    def text(self):
        contacts = ",".join(self.configuration.replace(",", ""))
        return (
            f"{self.time!r},295.0,{self.field!r},{contacts},"
            f"{self.current!r},{self.voltage!r},{self.current_u!r},{self.voltage_u!r}"
        )


def van_der_pauw(r_a, r_b):
    # In the unknown x = 1/Rs, scaled by the larger resistance; expm1 keeps the small exponent's digits.
    small, large = sorted((r_a, r_b))
    ratio = small / large
    root = brentq(
        lambda y: math.expm1(-ratio * y) + math.exp(-y), 1e-3, 100.0, xtol=1e-300, rtol=8.9e-16, maxiter=500
    )
    return math.pi * large / root


@pytest.fixture
def reduce(quadrille, tmp_path):
    """Runs the program on rows and gives the answer with `.code`, `.results`, `.checks`, `.err`."""

    def run(rows, sample=SAMPLE):
        (tmp_path / "film.toml").write_text(sample)
        table = "\n".join([COLUMNS, *(row.text() for row in rows)]) + "\n"
        (tmp_path / "readings.csv").write_text(table)
        answer = quadrille("reduce", "--sample", tmp_path / "film.toml", tmp_path / "readings.csv", "--json")
        if answer.code in (0, 1):
            document = json.loads(answer.out)
            answer.results = document["results"]
            answer.remarks = document["remarks"]
            answer.checks = {check["name"]: check for check in document["checks"]}
        return answer

    return run


def value(answer, key):
    return answer.results[key]["value"]


def failed(answer):
    return {name for name, check in answer.checks.items() if not check["passed"]}


def close(found, expected, relative):
    assert abs(found / expected - 1.0) <= relative, f"{found!r}, expected {expected!r}"


# --- sheet resistance ---


@pytest.mark.parametrize("seed", range(24))
def test_the_root_is_that_of_an_independent_solver(reduce, seed):
    random = np.random.default_rng(seed)
    r_a = 10 ** random.uniform(-3, 9)
    r_b = r_a * 10 ** random.uniform(-3, 3)
    film = Film(r_a, r_b)
    answer = reduce([film.row(configuration, 1e-6) for configuration in SHEET])
    assert answer.code == 0, answer.err
    close(value(answer, "sheet_resistance_ohm"), film.sheet_resistance(), 1e-12)
    close(value(answer, "resistivity_ohm_m"), film.sheet_resistance() * THICKNESS, 1e-12)


# f of cosh{[(Q-1)/(Q+1)] ln2/f} = exp(ln2/f)/2 (van der Pauw 1958), computed from that form to 28 digits.
FORM_FACTORS = {
    1.0: 1.0,
    1.01: 0.999991421601534,
    1.05: 0.999793796221539,
    1.1: 0.999213643367286,
    1.5: 0.985986102189267,
    2.0: 0.960280060275038,
    5.0: 0.821655085157722,
    10.0: 0.699259455239415,
    50.0: 0.471559507509627,
    100.0: 0.403849004164254,
    1000.0: 0.263701478129127,
    10000.0: 0.191665427255344,
}


@pytest.mark.parametrize("ratio", FORM_FACTORS)
def test_the_form_factor_has_all_its_digits(reduce, ratio):
    film = Film(3.0 * ratio, 3.0)
    answer = reduce([film.row(configuration, 1e-3) for configuration in SHEET])
    expected = math.pi / math.log(2) * (film.r_a + film.r_b) / 2 * FORM_FACTORS[ratio]
    close(value(answer, "sheet_resistance_ohm"), expected, 1e-13)


# --- whole sets ---

# n = 1e16 cm^-3, mobility 1200 cm^2/Vs, t = 0.05 cm, I = 1 mA, |B| = 0.5 T, R_A/R_B = 1.5, thermoelectric potentials
# e12 = -20, e23 = +12, e34 = +20, e41 = -12 microvolt. Computed from the equations of van der Pauw and E = R_H B x J;
# microvolts rounded to 1e-6.
WORKED_SET = [
    ("21,34", 0.0, 2813.343836),
    ("12,43", 0.0, 2773.343836),
    ("32,41", 0.0, 1850.229224),
    ("23,14", 0.0, 1874.229224),
    ("43,12", 0.0, 2773.343836),
    ("34,21", 0.0, 2813.343836),
    ("14,23", 0.0, 1874.229224),
    ("41,32", 0.0, 1850.229224),
    ("13,24", 0.5, -1523.265519),
    ("31,42", 0.5, -1587.265519),
    ("42,13", 0.5, 298.963705),
    ("24,31", 0.5, 314.963705),
    ("13,24", -0.5, -274.963705),
    ("31,42", -0.5, -338.963705),
    ("42,13", -0.5, 1547.265519),
    ("24,31", -0.5, 1563.265519),
]


def test_the_worked_set_gives_back_what_it_was_made_of(reduce):
    rows = [Row(c, 1e-3, microvolts * 1e-6, field, float(k)) for k, (c, field, microvolts) in enumerate(WORKED_SET)]
    answer = reduce(rows, 'kind = "sample"\nname = "worked set"\nthickness_m = 0.5e-3\n')
    assert answer.code == 0, (answer.out, answer.err)
    close(value(answer, "sheet_resistance_ohm"), 10.4025151241, 1e-9)
    close(value(answer, "resistivity_ohm_m"), 0.5201257562e-2, 1e-9)
    close(value(answer, "hall_coefficient_m3_per_c"), -624.1509074461e-6, 1e-9)
    close(value(answer, "sheet_carrier_density_per_m2"), 5.0e18, 1e-9)
    close(value(answer, "carrier_density_per_m3"), 1.0e22, 1e-9)
    close(value(answer, "mobility_m2_per_v_s"), 0.12, 1e-9)
    assert answer.results["carrier_type"] == "n"
    close(answer.checks["reversal 12|34"]["measured"], 40.0 / 2793.343836, 1e-9)
    close(answer.checks["reversal 23|14"]["measured"], 24.0 / 1862.229224, 1e-9)


def random_film(random):
    r_a = 10 ** random.uniform(1, 4)
    r_b = r_a * 10 ** random.uniform(-0.7, 0.7)
    slope = random.choice([-1.0, 1.0]) * 0.1 * (r_a + r_b) * random.uniform(0.3, 1.0)
    return Film(r_a, r_b, slope, tuple(random.uniform(-3e-6, 3e-6, 4)))


def full_round(film, current, field, reverse="leads", **uncertainties):
    plan = [(c, 0.0) for c in SHEET] + [(c, b) for b in (field, -field) for c in HALL]
    if reverse == "leads":
        rows = [(c, current, b) for c, b in plan]
    else:
        half = [(c, b) for c, b in plan if c in ("12,43", "23,14", "43,12", "14,23", "13,24", "42,13")]
        rows = [(c, sign * current, b) for c, b in half for sign in (1, -1)]
    return [film.row(c, i, b, float(k), **uncertainties) for k, (c, i, b) in enumerate(rows)]


@pytest.mark.parametrize("reverse", ["leads", "source"])
@pytest.mark.parametrize("seed", range(8))
def test_a_film_of_either_type_gives_back_its_values_through_thermoelectric_offsets(reduce, seed, reverse):
    random = np.random.default_rng(1000 + seed)
    film = random_film(random)
    thickness = 10 ** random.uniform(-8, -3)
    sample = f'kind = "sample"\nname = "seed {seed}"\nthickness_m = {float(thickness)!r}\n'
    answer = reduce(full_round(film, 1e-3, float(random.uniform(0.3, 2.0)), reverse), sample)
    assert answer.code == 0, (answer.out, answer.err)
    rs = film.sheet_resistance()
    close(value(answer, "sheet_resistance_ohm"), rs, 1e-11)
    close(value(answer, "hall_coefficient_m3_per_c"), film.slope * thickness, 1e-11)
    close(value(answer, "sheet_carrier_density_per_m2"), 1 / (ELEMENTARY_CHARGE * abs(film.slope)), 1e-11)
    close(value(answer, "carrier_density_per_m3"), 1 / (ELEMENTARY_CHARGE * abs(film.slope) * thickness), 1e-11)
    close(value(answer, "mobility_m2_per_v_s"), abs(film.slope) / rs, 1e-11)
    assert answer.results["carrier_type"] == ("p" if film.slope > 0 else "n")


@pytest.mark.parametrize(
    "fields, uneven",
    [
        ([0.73, -0.41], [("+0.73", "-0.41")]),
        ([0.5, -0.45], [("+0.5", "-0.45")]),
        ([0.2, -0.3, 0.5, -0.45, 1.1, -1.0], [("+0.2", "-0.3"), ("+0.5", "-0.45"), ("+1.1", "-1")]),
        ([0.9, -0.88], []),
        ([0.35, 0.9, -0.7], [("+0.35", "-0.7"), ("+0.9", "-0.7")]),
    ],
)
def test_any_fields_of_both_signs_give_the_slope(reduce, fields, uneven):
    film = Film(37.0, 211.0, -3.7, (1.3e-6, -2.1e-6, 0.4e-6, 3.3e-6))
    rows = [film.row(c, 2e-4) for c in SHEET] + [film.row(c, 2e-4, b) for b in fields for c in HALL]
    answer = reduce(rows)
    assert answer.code == 0, (answer.out, answer.err)
    close(value(answer, "hall_coefficient_m3_per_c"), -3.7 * THICKNESS, 1e-12)
    said = [remark for remark in answer.remarks if "differ by more than 5 %" in remark]
    assert len(said) == len(uneven)
    for remark, (plus, minus) in zip(said, uneven):
        assert remark.startswith(f"fields {plus} T and {minus} T differ")


def test_fields_of_one_sign_give_no_hall_result(reduce):
    film = Film(37.0, 211.0, -3.7)
    answer = reduce([film.row(c, 2e-4) for c in SHEET] + [film.row(c, 2e-4, b) for b in (0.3, 0.7) for c in HALL])
    assert set(answer.results) == {"sheet_resistance_ohm", "resistivity_ohm_m"}
    assert "no Hall coefficient: each diagonal at one sign of the field only" in answer.remarks


def test_without_thickness_nothing_per_volume_is_invented(reduce):
    answer = reduce(full_round(Film(37.0, 211.0, -3.7), 1e-4, 0.8), 'kind = "sample"\nname = "film"\n')
    assert answer.code == 0
    assert set(answer.results) == {
        "sheet_resistance_ohm",
        "sheet_carrier_density_per_m2",
        "mobility_m2_per_v_s",
        "carrier_type",
    }


def test_without_a_field_there_is_no_hall_result(reduce):
    film = Film(37.0, 211.0)
    answer = reduce([film.row(c, 1e-4) for c in SHEET])
    assert set(answer.results) == {"sheet_resistance_ohm", "resistivity_ohm_m"}


# --- broken data ---


def spoiled(configurations, factor):
    rows = full_round(Film(37.0, 211.0, -30.0), 1e-4, 0.8)
    for row in rows:
        if row.configuration in configurations:
            row.voltage *= factor
    return rows


@pytest.mark.parametrize(
    "configurations, factor, names",
    [
        (["21,34"], 1.06, {"reversal 12|34"}),
        (["14,23"], 0.95, {"reversal 14|23"}),
        # 6 % of one of the two is more than 3 % of their mean, so that reciprocity is off as well.
        (["14,23"], 0.94, {"reversal 14|23", "reciprocity B"}),
        (["43,12", "34,21"], 1.05, {"reciprocity A"}),
        (["32,41", "23,14"], 0.94, {"reciprocity B"}),
        (["32,41", "23,14"], 1.3, {"reciprocity B", "pair agreement"}),
        (["13,24", "31,42"], 1.25, {"hall pair agreement"}),
    ],
)
def test_a_broken_set_is_measured_and_flagged(reduce, configurations, factor, names):
    answer = reduce(spoiled(configurations, factor))
    assert answer.code == 1
    assert failed(answer) == names
    assert value(answer, "sheet_resistance_ohm") > 0
    for name in names:
        check = answer.checks[name]
        assert check["measured"] > check["limit"]


def test_what_is_not_broken_is_not_flagged(reduce):
    assert reduce(spoiled([], 1.0)).code == 0
    answer = reduce(spoiled(["21,34"], 1.025))
    assert answer.code == 0, failed(answer)


@pytest.mark.parametrize("configurations", [["41,32"], ["21,34", "12,43", "43,12", "34,21"]])
def test_a_negative_resistance_is_flagged(reduce, configurations):
    answer = reduce(spoiled(configurations, -1.0))
    assert answer.code == 1
    assert "positive resistances" in failed(answer)


def test_one_direction_of_the_current_is_flagged(reduce):
    film = Film(37.0, 211.0)
    answer = reduce([film.row(c, 1e-4) for c in ("12,43", "43,12", "23,14", "14,23")])
    assert answer.code == 1
    assert failed(answer) == {"current reversal measured"}


def test_reciprocal_resistances_that_cancel_are_two_apart(reduce):
    answer = reduce(spoiled(["14,23", "41,32"], -1.0))
    assert answer.code == 1
    assert "reciprocity B" in failed(answer)
    close(answer.checks["reciprocity B"]["measured"], 2.0, 1e-12)


def test_a_missing_pair_is_an_error_that_names_it(reduce):
    film = Film(37.0, 211.0)
    answer = reduce([film.row(c, 1e-4) for c in ("12,43", "21,34", "43,12", "34,21")])
    assert answer.code >= 2
    assert "23,14 or 14,23" in answer.err


# --- uncertainty ---

# d Rs/d R_A of exp(-pi R_A/Rs) + exp(-pi R_B/Rs) = 1, by implicit differentiation.
def by_first(r_a, r_b):
    rs = van_der_pauw(r_a, r_b)
    a, b = math.exp(-math.pi * r_a / rs), math.exp(-math.pi * r_b / rs)
    return rs * a / (r_a * a + r_b * b)


VAN_DER_PAUW_WITH_U = wrap(van_der_pauw, [by_first, lambda r_a, r_b: by_first(r_b, r_a)])


@pytest.mark.parametrize("seed", range(4))
def test_the_uncertainties_are_those_of_an_independent_library(reduce, seed):
    random = np.random.default_rng(50 + seed)
    film = random_film(random)
    rows = []
    for k, (c, b) in enumerate([(c, 0.0) for c in SHEET] + [(c, b) for b in (0.80, -0.81) for c in HALL]):
        # Unequal currents and uncertainties, one reading per state, so that nothing cancels by symmetry.
        current = float(1e-3 * random.uniform(0.7, 1.3))
        row = film.row(c, current, b, float(k))
        row.current_u = float(current * random.uniform(1e-5, 1e-4))
        row.voltage_u = float(1e-5 * random.uniform(0.5, 2.0))
        rows.append(row)
    meters = {
        (row.configuration, row.field): (ufloat(row.voltage, row.voltage_u), ufloat(row.current, row.current_u))
        for row in rows
    }

    def resistance(forward, backward, field=0.0):
        # The second is the first with both pairs exchanged: in the first's order both its signs change.
        (v_1, i_1), (v_2, i_2) = meters[forward, field], meters[backward, field]
        return (v_1 + v_2) / (i_1 + i_2)

    r_a = (resistance("21,34", "12,43") + resistance("43,12", "34,21")) / 2
    r_b = (resistance("32,41", "23,14") + resistance("14,23", "41,32")) / 2

    def hall(forward, backward):
        return (resistance(forward, backward, 0.80) - resistance(forward, backward, -0.81)) / (0.80 + 0.81)

    slope = (hall("13,24", "31,42") + hall("42,13", "24,31")) / 2
    magnitude = slope * math.copysign(1.0, slope.nominal_value)
    thickness = ufloat(THICKNESS, THICKNESS_U)
    rs = VAN_DER_PAUW_WITH_U(r_a, r_b)
    expected = {
        "sheet_resistance_ohm": rs,
        "resistivity_ohm_m": rs * thickness,
        "hall_coefficient_m3_per_c": slope * thickness,
        "sheet_carrier_density_per_m2": 1 / (ELEMENTARY_CHARGE * magnitude),
        "carrier_density_per_m3": 1 / (ELEMENTARY_CHARGE * magnitude * thickness),
        "mobility_m2_per_v_s": magnitude / rs,
    }
    answer = reduce(rows)
    assert answer.code in (0, 1), answer.err
    for key, estimate in expected.items():
        close(answer.results[key]["value"], estimate.nominal_value, 1e-10)
        close(answer.results[key]["standard_uncertainty"], estimate.std_dev, 1e-6)
