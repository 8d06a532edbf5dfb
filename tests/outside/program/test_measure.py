"""`measure` in one process against a simulated bench in another, with a person who sets the field between them."""

import csv
import io
import math
import re
import time
from pathlib import Path

import pytest
from children import DEMO, Child, edited
from scipy.optimize import brentq

BENCH, FILM, RECIPE = DEMO / "bench.toml", DEMO / "film.toml", DEMO / "film-recipe.toml"
# The film of the demonstration: what its document holds back.
R_A, R_B, HALL_OHM_PER_T, THICKNESS_M, THICKNESS_U_M = 318.0, 232.0, -31.2, 480e-9, 6e-9
ELEMENTARY_CHARGE_C = 1.602176634e-19  # exact, SI 2019


def expected():
    """Results by van der Pauw's equation and the definitions of the Hall quantities."""
    # L. J. van der Pauw, Philips Research Reports 13 (1958) 1: exp(-pi RA/Rs) + exp(-pi RB/Rs) = 1.
    sheet = brentq(lambda r: math.exp(-math.pi * R_A / r) + math.exp(-math.pi * R_B / r) - 1, 1.0, 1e5, xtol=1e-9)
    density = 1 / (abs(HALL_OHM_PER_T) * ELEMENTARY_CHARGE_C)
    return {
        "sheet_resistance_ohm": sheet,
        "resistivity_ohm_m": sheet * THICKNESS_M,
        "hall_coefficient_m3_per_c": HALL_OHM_PER_T * THICKNESS_M,
        "sheet_carrier_density_per_m2": density,
        "carrier_density_per_m3": density / THICKNESS_M,
        "mobility_m2_per_v_s": abs(HALL_OHM_PER_T) / sheet,
    }


def values(answer):
    return {key: answer["results"][key]["value"] for key in expected()}


def agrees(answer):
    """Every result within three of its own standard uncertainties, none of which is absurdly large."""
    assert answer["results"]["carrier_type"] == "n"
    for key, value in expected().items():
        found = answer["results"][key]
        uncertainty = found["standard_uncertainty"]
        assert 0 < uncertainty < 0.05 * abs(value), key
        assert abs(found["value"] - value) <= 3 * uncertainty, f"{key}: {found} where the model has {value}"


class Bench:
    """A simulated bench and a measurement on it, with the person between them."""

    def __init__(self, served, start, journal, recipe=RECIPE, options=("--json",)):
        self.served = served
        self.journal = journal
        documents = ["--bench", served.bench, "--sample", FILM, "--recipe", recipe, "--journal", journal]
        self.run = start("measure", *documents, *options)
        self.asked = 0

    def next_field(self):
        """The field that is asked for next, in teslas."""
        self.asked, line = self.run.err.wait_for(r"^Set the field to ", after=self.asked)
        self.asked += 1
        amount, unit = re.match(r"Set the field to (\S+) (m?T)\.", line).groups()
        return float(amount) * (1e-3 if unit == "mT" else 1)

    def attend(self):
        """Sets each field and confirms it by what is read on a gaussmeter, or as asked."""
        fields = []
        for confirm in ("", "{}", "{}"):
            field = self.next_field()
            fields.append(field)
            self.served.field(field)
            self.run.type(confirm.format(field))
        return fields


@pytest.fixture
def bench(simulate, start, tmp_path):
    return lambda **options: Bench(simulate(FILM), start, tmp_path / "journal.sqlite", **options)


def test_a_film_is_measured_reduced_and_exported_the_same(bench, quadrille, tmp_path):
    measuring = bench()
    assert measuring.attend() == [0.0, 0.5, -0.5]
    assert measuring.run.finish() == 0, measuring.run.complaint
    measured = measuring.run.json
    agrees(measured)
    assert measured["outcome"]["output"] == "verified"

    runs = quadrille("runs", "--journal", measuring.journal, "--json").json["runs"]
    assert [(run["run"], run["kind"], run["readings"]) for run in runs] == [(1, "measure", 64)]
    assert runs[0]["ending"].startswith("finished") and runs[0]["ended"] > runs[0]["begun"]

    exported = quadrille("export", 1, "--journal", measuring.journal)
    assert exported.code == 0
    table = tmp_path / "readings.csv"
    table.write_text(exported.out)
    reduced = quadrille("reduce", "--sample", FILM, table, "--json").json
    agrees(reduced)
    assert values(reduced) == pytest.approx(values(measured), rel=1e-9)

    rows = list(csv.DictReader(io.StringIO(exported.out)))
    kept = quadrille("export", 1, "--journal", measuring.journal, "--json").json["readings"]
    assert len(rows) == len(kept) == 64
    for row, one in zip(rows, kept):
        assert float(row["current_a"]) == one["reading"]["current"]["value"]
        assert float(row["voltage_v"]) == one["reading"]["voltage"]["value"]
        assert float(one["circumstances"]["voltage_answer"]) == one["reading"]["voltage"]["value"]
        assert float(one["circumstances"]["current_answer"]) == one["reading"]["current"]["value"]
    times = [float(row["time_s"]) for row in rows]
    assert times == sorted(times)
    assert {float(row["field_t"]) for row in rows} == {0.0, 0.5, -0.5}
    measuring.served.is_at_rest()
    assert measuring.served.complaints() == []


def test_a_field_that_is_read_otherwise_is_what_counts(bench):
    """The magnet was set to 0.51 T and -0.49 T, and the person says so."""
    measuring = bench()
    for line in ("", "0.51", "-0.49"):
        measuring.next_field()
        measuring.served.field(line or 0)
        measuring.run.type(line)
    assert measuring.run.finish() == 0, measuring.run.complaint
    agrees(measuring.run.json)


def test_a_wrong_confirmation_is_asked_again_and_measures_nothing(bench):
    measuring = bench()
    measuring.next_field()
    measuring.run.type("")
    measuring.next_field()
    for wrong in ("-0.5", "500", "0,5", "half", "nan", "inf", "0.5 T", "5e-1e"):
        measuring.run.type(wrong)
        measuring.next_field()
    measuring.run.type("stop")
    assert measuring.run.finish() == 3, measuring.run.complaint
    assert "said stop" in measuring.run.complaint
    measuring.served.is_at_rest()


def test_a_run_that_nobody_attends_stands_down(bench):
    measuring = bench()
    measuring.next_field()
    measuring.run.process.stdin.close()
    assert measuring.run.finish() == 3, measuring.run.complaint
    assert "nobody confirmed it" in measuring.run.complaint
    measuring.served.is_at_rest()


def test_the_text_for_a_person_names_the_same_results(bench):
    measuring = bench(options=())
    measuring.attend()
    assert measuring.run.finish() == 0, measuring.run.complaint
    text = measuring.run.text
    assert "n (electrons)" in text and "Output verified off" in text
    shown = float(re.search(r"sheet resistance +([\d.]+)\(", text).group(1)) * 1e3
    assert shown == pytest.approx(expected()["sheet_resistance_ohm"], rel=1e-3)


def rehearsal(quadrille, *options, recipe=RECIPE):
    return quadrille("rehearse", "--bench", BENCH, "--sample", FILM, "--recipe", recipe, "--json", *options)


def test_the_same_seed_gives_the_same_rehearsal_and_another_seed_another(quadrille):
    first, again, other = (rehearsal(quadrille, "--seed", seed) for seed in (7, 7, 8))
    assert first.out == again.out
    assert all(values(first.json)[key] != values(other.json)[key] for key in expected())
    for answer in (first, other):
        agrees(answer.json)
        assert answer.json["complaints"] == []


def test_stated_uncertainties_hold_over_twenty_seeds(quadrille):
    """Neither too small nor too large."""
    exact = expected()["sheet_resistance_ohm"]
    off = []
    for seed in range(100, 120):
        found = rehearsal(quadrille, "--seed", seed).json["results"]["sheet_resistance_ohm"]
        off.append(abs(found["value"] - exact) / found["standard_uncertainty"])
    assert max(off) < 3, off
    # Rectangular distributions, which the instruments' are, are within one standard uncertainty for 1/sqrt(3) of the
    # draws; of twenty at least six are with a probability of 0.998. All of them within: the uncertainty is overstated.
    assert 6 <= sum(x < 1 for x in off) < 20, off


def test_a_rehearsal_is_the_same_measurement_as_the_real_one(bench, quadrille):
    measuring = bench()
    measuring.attend()
    assert measuring.run.finish() == 0
    rehearsed = rehearsal(quadrille).json
    assert rehearsed["plan"] == measuring.run.json["plan"]
    assert rehearsed["readings"] == measuring.run.json["readings"] == 64
    assert values(rehearsed) == pytest.approx(values(measuring.run.json), rel=1e-4)


def start_with(build, recipe):
    child = Child(build, "rehearse", "--bench", BENCH, "--sample", FILM, "--recipe", recipe, "--json")
    child.finish()
    return child


def test_a_rehearsal_of_eight_configurations_is_quick(program, tmp_path, record_property):
    """Both polarities, both signs of the field; the bar of 0.2 s is for a release build."""
    eight = '["21,34", "12,43", "32,41", "23,14", "43,12", "34,21", "14,23", "41,32"]'
    recipe = edited(RECIPE, tmp_path, ('configurations = "diagonals"', f"configurations = {eight}"), ('"+--+"', '"+-"'))
    release = Path(program).parents[1] / "release" / Path(program).name
    seconds = {}
    for build in {Path(program), release}:
        if build.exists():
            took = []
            for _ in range(3):
                begun = time.perf_counter()
                child = start_with(build, recipe)
                took.append(time.perf_counter() - begun)
                assert child.json["readings"] == 48, child.complaint
            seconds[build] = min(took)
            print(f"{build}: {min(took):.3f} s")
            record_property(str(build), min(took))
    if release in seconds:
        assert seconds[release] < 0.2
