"""A night of several temperatures and fields through the program: checked, rehearsed, measured on a served bench of six
instruments, told to stop in a ramp, and refused where documents ask for too much."""

import re
import signal
import time

import pytest
from children import DEMO, Simulated, edited, readings_shown

BENCH, FILM, RECIPE = (DEMO / f"night-{kind}.toml" for kind in ("bench", "film", "recipe"))


def documents(bench=BENCH, film=FILM, recipe=RECIPE):
    return ["--bench", bench, "--sample", film, "--recipe", recipe]


@pytest.fixture
def quick(tmp_path):
    """A bench whose cryostat and magnet take seconds, and a recipe of two temperatures and both signs of a field."""
    bench = edited(
        BENCH, tmp_path,
        ("most_ramp_k_per_min = 10.0", "most_ramp_k_per_min = 60.0"),
        ("most_ramp_t_per_s = 0.02", "most_ramp_t_per_s = 0.5"),
        ("start_k = 295.0", "start_k = 295.0\nstage_j_per_k = 5.0\nsample_j_per_k = 0.05"),
        ("hysteresis_a = 2.0", "hysteresis_a = 2.0\ninductance_h = 0.05"),
    )  # fmt: skip
    recipe = edited(
        RECIPE, tmp_path,
        ("[290.0, 240.0, 200.0, 170.0, 145.0, 125.0, 110.0, 100.0, 92.0, 85.0]", "[294.0, 290.0]"),
        ("within_k = 0.05", "within_k = 0.2"), ("for_s = 120", "for_s = 1"), ("ramp_k_per_min = 8.0", "ramp_k_per_min = 60"),
        ("longest_wait_s = 3600", "longest_wait_s = 60"), ("repeats = 2", "repeats = 1"), ('"+--+"', '"+-"'),
    )  # fmt: skip
    return bench, recipe


@pytest.fixture
def served(program, tmp_path):
    benches = []

    def begin(bench):
        benches.append(Simulated(program, bench=bench, sample=FILM, folder=tmp_path))
        return benches[-1]

    yield begin
    for each in benches:
        each.close()


def test_the_documents_of_a_night_are_right_alone_and_together(quadrille):
    answer = quadrille("check", BENCH, FILM, RECIPE, "--json").json
    assert [document["kind"] for document in answer["documents"]] == ["bench", "sample", "recipe"]


def test_a_rehearsed_night_has_ten_temperatures_that_freeze_out(quadrille):
    night = quadrille("rehearse", *documents(), "--json").json
    assert night["outcome"]["ending"] == "finished" and night["outcome"]["output"] == "verified"
    assert night["complaints"] == [] and night["gaps"] == []
    points = night["points"]
    wanted = [85.0, 92.0, 100.0, 110.0, 125.0, 145.0, 170.0, 200.0, 240.0, 290.0]
    for point, kelvin in zip(points, wanted, strict=True):
        assert abs(point["temperature_k"] - kelvin) < 0.05
        assert all(check["passed"] for check in point["checks"])
    densities = [point["results"]["carrier_density_per_m3"]["value"] for point in points]
    assert densities == sorted(densities) and 60 < densities[-1] / densities[0] < 120
    assert 3600 < night["duration_s"] < 3 * 3600


def test_a_rehearsal_says_what_it_will_do_to_temperature_and_field(quadrille):
    text = quadrille("rehearse", *documents()).out
    assert re.search(r"heats and cools: 10 temperatures from 85 K to 290 K, at most 8 K/min", text), text
    assert re.search(r"drives the magnet: fields from -600 mT to 600 mT, at most 20 mT/s", text), text


def test_measure_drives_both_and_asks_nobody(served, start, quick, tmp_path):
    bench, recipe = quick
    there = served(bench)
    assert len(there.devices) == 6
    run = start("measure", *documents(there.bench, FILM, recipe), "--journal", tmp_path / "j.sqlite", "--json")
    # Nothing is ever typed.
    assert run.finish(180) == 0, run.complaint
    shown = run.complaint
    assert "heats and cools" in shown and "drives the magnet" in shown
    assert "Set the field" not in shown
    assert shown.index("heats and cools") < shown.index("Round 1")
    answer = run.json
    assert [round(point["temperature_k"]) for point in answer["points"]] == [290, 294]
    is_at_rest(there)
    assert there.complaints() == []


def is_at_rest(there):
    """Output off, crosspoints open, heater off, and the field on its way to none with the circuit closed."""
    there.is_at_rest()
    assert there.ask("thermostat", "OUTP?") == "0"
    assert float(there.ask("magnet supply", "SOUR:FIEL?")) == 0.0
    assert there.ask("magnet supply", "OUTP?") == "1"


def test_a_measurement_told_to_stop_in_a_temperature_ramp_leaves_no_heat_and_no_field(served, start, quick, tmp_path):
    bench, recipe = quick
    # The second temperature is far: its ramp takes a minute.
    recipe = edited(recipe, tmp_path, ("[294.0, 290.0]", "[294.0, 310.0]"), ("ramp_k_per_min = 60", "ramp_k_per_min = 10"))
    recipe.write_text(recipe.read_text().replace("longest_wait_s = 60", "longest_wait_s = 600"))
    # It begins near its first temperature, so that the slow ramp does not matter there.
    bench = edited(bench, tmp_path, ("start_k = 295.0", "start_k = 294.2"))
    there = served(bench)
    run = start("measure", *documents(there.bench, FILM, recipe), "--journal", tmp_path / "j.sqlite", "--json")
    run.err.wait_for("^Round 3", patience_s=120)
    # Its eight readings take two seconds; then the ramp begins.
    time.sleep(8)
    shown = run.err.so_far()
    assert len(readings_shown(shown)) == 32 and not any(line.startswith("Round 4") for line in shown)
    run.send(signal.SIGTERM)
    assert run.finish(60) == 1, run.complaint
    outcome = run.json["outcome"]
    assert (outcome["ending"], outcome["output"]) == ("stopped", "verified")
    assert outcome["stand_down_failures"] == [] and outcome["energised"]
    is_at_rest(there)
    assert there.complaints() == []


def test_a_measurement_told_to_stop_before_any_current_flowed_still_leaves_no_heat(served, start, quick, tmp_path):
    bench, recipe = quick
    recipe = edited(
        recipe, tmp_path,
        ("[294.0, 290.0]", "[310.0, 290.0]"), ("ramp_k_per_min = 60", "ramp_k_per_min = 10"),
        ("longest_wait_s = 60", "longest_wait_s = 600"),
    )  # fmt: skip
    there = served(bench)
    run = start("measure", *documents(there.bench, FILM, recipe), "--journal", tmp_path / "j.sqlite", "--json")
    run.err.wait_for("magnet supply: ")
    # The controller is told within milliseconds; its ramp takes a minute and a half.
    time.sleep(2)
    run.send(signal.SIGTERM)
    assert run.finish(60) == 1, run.complaint
    outcome = run.json["outcome"]
    assert outcome["energised"] and outcome["stand_down_failures"] == []
    assert there.ask("thermostat", "OUTP?") == "0"
    assert there.complaints() == []


@pytest.mark.parametrize(
    ("change", "key", "said"),
    [
        (("92.0, 85.0]", "92.0, 79.0]"), "temperatures_k", "beyond what the cryostat may be asked for"),
        (("[290.0, ", "[321.0, "), "temperatures_k", "beyond what the cryostat may be asked for"),
        (("[0.6, -0.6]", "[0.95, -0.95]"), "fields_t", "beyond what the magnet may be asked for"),
        (("ramp_k_per_min = 8.0", "ramp_k_per_min = 12.0"), "ramp_k_per_min", "faster than the cryostat bears"),
    ],
)  # fmt: skip
def test_what_cryostat_and_magnet_do_not_bear_is_refused_at_its_line(quadrille, tmp_path, change, key, said):
    wrong = edited(RECIPE, tmp_path, change)
    line = 1 + wrong.read_text()[: wrong.read_text().index(key)].count("\n")
    for command in ("rehearse", "measure"):
        answer = quadrille(command, *documents(recipe=wrong))
        assert answer.code == 2
        assert f"{wrong}:{line}:" in answer.err and said in answer.err, answer.err


def test_several_temperatures_without_a_controller_are_refused_at_the_second(quadrille):
    answer = quadrille("check", DEMO / "bench.toml", FILM, RECIPE)
    line = 1 + RECIPE.read_text()[: RECIPE.read_text().index("temperatures_k")].count("\n")
    assert answer.code == 2
    assert f"{RECIPE}:{line}:" in answer.err and "nobody to change the temperature" in answer.err, answer.err
