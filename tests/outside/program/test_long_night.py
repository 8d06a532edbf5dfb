"""A night of two films and sixty temperatures with nothing pinned: rehearsed, its first ten minutes run in real time over
TCP, and a film whose carriers freeze out by a published formula."""

import csv
import json
import math
import signal
import time

import pytest
from children import DEMO, Child, Simulated, edited

BENCH, RECIPE = DEMO / "long-night-bench.toml", DEMO / "long-night-recipe.toml"
FILMS = [DEMO / "night-film.toml", DEMO / "freezing-film.toml"]
NIGHT = ["--bench", BENCH, "--sample", FILMS[0], "--sample", FILMS[1], "--recipe", RECIPE]
MINUTES = 10


def table(path):
    with open(path, newline="") as lines:
        return list(csv.DictReader(lines))


@pytest.fixture(scope="module")
def rehearsed(program, tmp_path_factory):
    readings = tmp_path_factory.mktemp("night") / "readings.csv"
    child = Child(program, "rehearse", *NIGHT, "--readings", readings, "--json")
    assert child.finish(patience_s=400) == 0, child.complaint
    return child.json, table(readings)


def test_a_night_of_twelve_hours_is_rehearsed_with_its_choices_and_its_uncertainties(rehearsed):
    night, readings = rehearsed
    assert night["outcome"]["ending"] == "finished" and night["complaints"] == [] and night["gaps"] == []
    assert 11.5 < night["duration_s"] / 3600 < 13
    points = night["points"]
    for film in ("film of a night", "film that freezes out"):
        assert len([point for point in points if point["sample"] == film]) == 60
    for point in points:
        assert all(check["passed"] for check in point["checks"]), point
        sheet = point["results"]["sheet_resistance_ohm"]
        assert 0 < sheet["standard_uncertainty"] / sheet["value"] < 5e-3
    # Each choice says why; where the film freezes out, currents are chosen anew.
    chosen = [event for event in night["events"] if event["event"] == "chosen"]
    assert len(chosen) >= 10 and all(event["because"] for event in chosen)
    assert len({event["current"] for event in chosen if event["sample"] == "film of a night"}) >= 3
    # Twice four configurations and twice four diagonals at two fields, four states each.
    assert len(readings) == 60 * 2 * (8 + 4 * 2) * 4


def test_the_first_ten_minutes_over_tcp_in_real_time_are_as_rehearsed(program, rehearsed, tmp_path):
    _, expected = rehearsed
    bench = Simulated(program, bench=BENCH, sample=FILMS, folder=tmp_path)
    journal = tmp_path / "night.sqlite"
    night = ["--bench", bench.bench, *NIGHT[2:], "--journal", journal, "--json"]
    run = Child(program, "measure", *night)
    try:
        # The estimate is rehearsed first; the night begins when the run is announced.
        run.err.wait_for(r"^Run 1: ", patience_s=400)
        begun = time.monotonic()
        time.sleep(MINUTES * 60)
        assert run.process.poll() is None, run.complaint
        run.send(signal.SIGINT)
        assert run.finish(patience_s=120) in (1, 3), run.complaint
        assert time.monotonic() - begun < MINUTES * 60 + 120
        assert run.json["outcome"]["output"] == "verified"
        assert [event["event"] for event in run.json["events"]][0] == "estimated"
        assert bench.complaints() == []
    finally:
        run.close()
        bench.close()
    export = Child(program, "export", "1", "--journal", journal)
    assert export.finish() == 0, export.complaint
    came = list(csv.DictReader(export.text.splitlines()))
    # Ten minutes hold the wait for the first temperature and at least the first round of a film.
    assert len(came) >= 32
    same = ["field_t", "source_in", "source_out", "sense_high", "sense_low", "condition"]
    late = []
    for here, there in zip(came, expected):
        assert all(here[key] == there[key] for key in same[1:]), (here, there)
        assert float(here["field_t"]) == pytest.approx(float(there["field_t"]), abs=2e-3)
        assert abs(float(here["temperature_k"]) - float(there["temperature_k"])) < 0.05
        # What is chosen from a look is the same; noise is not, where times differ by milliseconds.
        assert float(here["current_a"]) == pytest.approx(float(there["current_a"]), rel=2e-3)
        assert float(here["voltage_v"]) == pytest.approx(float(there["voltage_v"]), rel=5e-3, abs=1e-6)
        late.append(float(here["time_s"]) - float(there["time_s"]))
    # Evidence and stability may come a look or two sooner or later; what is more would be another night.
    assert max(map(abs, late)) < 0.1 * MINUTES * 60, late[-1]


# Charge neutrality of a compensated n-type semiconductor, n(n + N_A)/(N_D - N_A - n) = (N_c/2) exp(-E/kT) with
# N_c = 2.86e19 (T/300)^1.5, N_D = 1e16, N_A = 1e15 per cubic centimetre and E = 45 meV (J. S. Blakemore, Semiconductor
# Statistics, 1962, chapter 3; from memory), computed from that formula apart from this project, per cubic centimetre.
FREEZE_OUT = {40: 1.320988e13, 60: 9.033212e14, 100: 6.091361e15, 200: 8.847627e15, 300: 8.964388e15}
BOLTZMANN_EV = 8.617333262e-5


def test_the_formula_of_the_table_is_solved_by_its_numbers():
    for kelvin, n in FREEZE_OUT.items():
        right = 2.86e19 * (kelvin / 300) ** 1.5 / 2 * math.exp(-0.045 / (BOLTZMANN_EV * kelvin))
        assert n * (n + 1e15) / (9e15 - n) == pytest.approx(right, rel=2e-5)


def test_a_rehearsed_film_gives_back_its_carriers_over_nearly_three_decades(quadrille, tmp_path):
    bench = edited(
        BENCH, tmp_path, ("lowest_k = 80.0", "lowest_k = 20.0"), ("bath_k = 77.0", "bath_k = 20.0"),
        ('name = "film of a night"', 'name = "another film"'),
        # Platinum ends at 70 K: a thermometer that goes on, straight from 10 ohm at 10 K to 350 ohm at 350 K.
        ("start_k = 295.0", 'start_k = 295.0\nsensor = "table"\nsensor_k = [10, 350]\nsensor_ohm = [10, 350]'),
    )  # fmt: skip
    recipe = edited(
        RECIPE, tmp_path,
        ('{ from = 295.0, to = 82.0, points = 60, spacing = "reciprocal" }', "[300.0, 295.0, 200.0, 197.0, 100.0, 98.5, 60.0, 59.2, 40.0, 39.5]"),
        # A hundred kelvins at once are more than an hour by the ramp of the night.
        ("ramp_k_per_min = 1.7", "ramp_k_per_min = 8.0"),
    )  # fmt: skip
    night = quadrille("rehearse", "--bench", bench, "--sample", FILMS[1], "--recipe", recipe, "--json", timeout=300).json
    assert night["complaints"] == [] and len(night["points"]) == 10, json.dumps(night["outcome"])
    # Beside each temperature of the table another one, from which the slope is known.
    for kelvin in FREEZE_OUT:
        point = min(night["points"], key=lambda point: abs(point["temperature_k"] - kelvin))
        density = point["results"]["carrier_density_per_m3"]
        found, expected = density["value"] * 1e-6, FREEZE_OUT[kelvin]
        # The table is for the kelvin exactly: the density follows it by the slope of the table's own formula. What the
        # thermometer may be off by is in the stated uncertainty.
        step = 1e-3
        slope = (neutral(kelvin + step) - neutral(kelvin - step)) / (2 * step) / expected
        expected *= 1 + slope * (point["temperature_k"] - kelvin)
        u = density["standard_uncertainty"] * 1e-6
        assert abs(found - expected) < 2.6 * u, (kelvin, found, expected, u)
        assert u / expected < 0.03


def neutral(kelvin):
    right = 2.86e19 * (kelvin / 300) ** 1.5 / 2 * math.exp(-0.045 / (BOLTZMANN_EV * kelvin))
    b = 1e15 + right
    return 2 * right * 9e15 / (b + math.sqrt(b * b + 4 * right * 9e15))
