"""The demonstration in an empty folder, as a new user meets it."""

import json
import os
import subprocess

import pytest
from children import DEMO


def demo(program, folder, *options):
    done = subprocess.run(
        [program, "demo", *options], cwd=folder, capture_output=True, text=True, timeout=90, check=False
    )
    assert done.returncode == 0, done.stderr
    return done


@pytest.fixture(scope="module")
def left(program, tmp_path_factory):
    """Folder and answer of one demonstration."""
    folder = tmp_path_factory.mktemp("demonstration")
    return folder, json.loads(demo(program, folder, "--json").stdout)


def test_it_proves_the_bench_twice_and_finds_the_film(left):
    _, answer = left
    assert answer["verify_low"]["passed"] and answer["verify_high"]["passed"]
    assert answer["verify_high"]["plan"]["guard"] and answer["verify_high"]["plan"]["buffers"]
    assert answer["complaints"] == []
    results = answer["measure"]["results"]
    assert results["carrier_type"] == "n"
    # 31.2 ohm/T is the Hall resistance of the invented film: n = 1/(31.2 e).
    density = results["sheet_carrier_density_per_m2"]
    assert abs(density["value"] - 1 / (31.2 * 1.602176634e-19)) < 3 * density["standard_uncertainty"]
    assert all(check["passed"] for check in answer["measure"]["checks"])


def test_the_documents_that_it_leaves_are_right(left, quadrille):
    folder, _ = left
    documents = sorted((folder / "quadrille-demo").glob("*.toml"))
    assert len(documents) == 6
    assert quadrille("check", *documents).code == 0


def test_the_table_that_it_leaves_gives_the_same_results(left, quadrille):
    folder, answer = left
    found = quadrille("reduce", "--sample", DEMO / "film.toml", folder / "quadrille-demo" / "readings.csv", "--json")
    again = json.loads(found.out)["results"]
    for quantity in ("sheet_resistance_ohm", "mobility_m2_per_v_s", "hall_coefficient_m3_per_c"):
        assert again[quantity]["value"] == pytest.approx(answer["measure"]["results"][quantity]["value"], rel=1e-12)


def test_a_second_one_adds_to_the_record_of_the_first(left, program, quadrille):
    folder, _ = left
    done = demo(program, folder)
    assert "invented" in done.stdout
    runs = json.loads(quadrille("runs", "--journal", folder / "quadrille-demo" / "journal.sqlite", "--json").out)["runs"]
    assert [run["kind"] for run in runs] == ["verify", "verify", "measure"] * 2
    assert all(run["ending"] == "finished; output verified" for run in runs)


def test_a_folder_that_cannot_be_written_is_told(program, tmp_path):
    (tmp_path / "quadrille-demo").write_text("a file stands here")
    done = subprocess.run(
        [program, "demo"], cwd=tmp_path, capture_output=True, text=True, timeout=30, env=os.environ, check=False
    )
    assert done.returncode == 2 and "quadrille-demo" in done.stderr and "panicked" not in done.stderr
