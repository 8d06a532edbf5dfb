"""`demo` in an empty folder: what it says, what it leaves behind, and that it can be run again."""

import csv
import json
import shutil
import subprocess
from concurrent.futures import ThreadPoolExecutor

import pytest
from children import DEMO

DOCUMENTS = ["bench.toml", "bench-as-served.toml", "film.toml", "film-recipe.toml", "standard-low.toml", "standard-high.toml"]

QUANTITIES = {
    "sheet_resistance_ohm": "sheet resistance",
    "resistivity_ohm_m": "resistivity",
    "hall_coefficient_m3_per_c": "Hall coefficient",
    "sheet_carrier_density_per_m2": "sheet carrier density",
    "carrier_density_per_m3": "carrier density",
    "mobility_m2_per_v_s": "Hall mobility",
}


def demo(program, folder, *options):
    return subprocess.run(
        [program, "demo", *options], cwd=folder, capture_output=True, text=True, timeout=120, stdin=subprocess.DEVNULL
    )


@pytest.fixture(scope="module")
def demonstrations(program, tmp_path_factory):
    """Twice in one folder, for a person and then for a program; meanwhile another in a folder of its own."""
    twice, other = tmp_path_factory.mktemp("twice"), tmp_path_factory.mktemp("other")
    with ThreadPoolExecutor(2) as pool:
        alone = pool.submit(demo, program, other, "--quiet", "--folder", "here")
        first = demo(program, twice)
        kept = tmp_path_factory.mktemp("kept") / "first"
        shutil.copytree(twice / "quadrille-demo", kept)
        second = demo(program, twice, "--json", "--quiet")
    return {
        "first": first, "second": second, "alone": alone.result(), "folder": twice / "quadrille-demo",
        "kept": kept, "other": other / "here", "began in": twice,
    }  # fmt: skip


@pytest.mark.parametrize("which", ["first", "second", "alone"])
def test_it_ends_well(demonstrations, which):
    done = demonstrations[which]
    assert done.returncode == 0, done.stderr
    assert "panicked" not in done.stderr + done.stdout


def test_it_says_that_everything_is_invented_and_what_it_found(demonstrations):
    text = demonstrations["first"].stdout
    assert text.startswith("Everything here is invented")
    assert text.count("reads this standard right in all eight configurations") == 2
    assert text.count("Output verified off") == 4
    assert text.count("no complaint") == 2
    assert "n (electrons)" in text


def test_it_leaves_journal_documents_and_tables_and_nothing_else(demonstrations):
    assert [path.name for path in demonstrations["began in"].iterdir()] == ["quadrille-demo"]
    found = {path.name for path in demonstrations["folder"].iterdir()}
    assert found == {"journal.sqlite", "readings.csv", "results.csv", "summary.txt", *DOCUMENTS}
    for name in ("bench.toml", "film.toml", "film-recipe.toml", "standard-low.toml", "standard-high.toml"):
        assert (demonstrations["folder"] / name).read_text() == (DEMO / name).read_text()


@pytest.mark.parametrize("name", DOCUMENTS)
def test_its_documents_are_right(demonstrations, quadrille, name):
    assert quadrille("check", demonstrations["folder"] / name, "--json").json["documents"][0]["kind"]


@pytest.mark.parametrize("which", ["kept", "folder", "other"])
def test_its_readings_reduce_to_its_results(demonstrations, quadrille, which):
    folder = demonstrations[which]
    reduced = quadrille("reduce", "--sample", folder / "film.toml", folder / "readings.csv", "--json").json["results"]
    with (folder / "results.csv").open(newline="") as file:
        table = {row["quantity"]: row for row in csv.DictReader(file)}
    for key, quantity in QUANTITIES.items():
        for column in ("value", "standard_uncertainty"):
            # The field's uncertainty is in the recipe, which a table of readings does not carry.
            if column == "value" or key in ("sheet_resistance_ohm", "resistivity_ohm_m"):
                assert float(table[quantity][column]) == pytest.approx(reduced[key][column], rel=1e-9)
    assert reduced["carrier_type"] == "n"
    # The model of the film: n = 1/(31.2 ohm/T × e).
    assert reduced["sheet_carrier_density_per_m2"]["value"] == pytest.approx(1 / (31.2 * 1.602176634e-19), rel=5e-3)


def test_its_program_output_is_one_document_that_agrees_with_the_tables(demonstrations, quadrille):
    answer = json.loads(demonstrations["second"].stdout)
    assert answer["verify_low"]["passed"] and answer["verify_high"]["passed"]
    assert answer["complaints"] == []
    folder = demonstrations["folder"]
    reduced = quadrille("reduce", "--sample", folder / "film.toml", folder / "readings.csv", "--json").json["results"]
    measured = answer["measure"]["results"]
    for key in ("sheet_resistance_ohm", "mobility_m2_per_v_s"):
        assert measured[key]["value"] == pytest.approx(reduced[key]["value"], rel=1e-9)


def test_its_journal_has_three_runs_after_the_first_and_six_after_the_second(demonstrations, quadrille):
    for which, count in (("kept", 3), ("folder", 6), ("other", 3)):
        runs = quadrille("runs", "--journal", demonstrations[which] / "journal.sqlite", "--json").json["runs"]
        assert [run["kind"] for run in runs] == ["verify", "verify", "measure"] * (count // 3)
        assert all(run["ending"] == "finished; output verified" for run in runs)


def test_a_folder_that_cannot_be_made_is_refused(program, tmp_path):
    (tmp_path / "quadrille-demo").write_text("a file of that name\n")
    done = demo(program, tmp_path)
    assert done.returncode in (2, 3), done
    assert "quadrille-demo" in done.stderr and "panicked" not in done.stderr
    assert (tmp_path / "quadrille-demo").read_text() == "a file of that name\n"
