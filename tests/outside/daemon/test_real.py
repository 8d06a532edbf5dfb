"""Benches at real addresses, whose instruments are simulated in another process; and a daemon that is killed."""

import json
import signal
import subprocess

import pytest

from daemons import begin, with_token
from programs import ROOT

DEMO = ROOT / "config" / "demo"

NIGHT = f"""
kind = "daemon"
listen = "127.0.0.1:0"
folder = "records"
tokens = true
[[bench]]
name = "night"
bench = "{DEMO}/night-bench.toml"
samples = ["{DEMO}/night-film.toml"]
recipes = ["{DEMO}/night-recipe.toml"]
simulated = "virtual-time"
pace = 100
"""

REAL = f"""
kind = "daemon"
listen = "127.0.0.1:0"
folder = "records"
tokens = true
[[bench]]
name = "film"
bench = "bench.toml"
samples = ["{DEMO}/film.toml"]
recipes = ["{DEMO}/film-recipe.toml"]
"""


@pytest.fixture
def laboratory(program, tmp_path):
    """Begins a daemon by its document, again and again on the same records; what still runs is ended."""
    begun, known = [], []

    def make(document):
        config = tmp_path / "daemon.toml"
        config.write_text(document)
        known[:] = known or [with_token(program, config)]
        begun.append(begin(program, config, *known[0]))
        return begun[-1]

    yield make
    for daemon in begun:
        daemon.process.kill()
        daemon.process.wait(timeout=30)


@pytest.fixture
def bench(program, tmp_path):
    """The demonstration's bench on sockets; its document lies beside the daemon's."""
    arguments = ["--bench", DEMO / "bench.toml", "--sample", DEMO / "film.toml", "--listen", "127.0.0.1:0"]
    process = subprocess.Popen(
        [program, "simulate", *arguments, "--bench-out", tmp_path / "bench.toml", "--json"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    process.stdout.readline()
    yield process
    process.terminate()
    process.wait(timeout=30)


def start(daemon, quadrille, bench, sample, recipe):
    documents = ("--sample", sample, "--recipe", recipe)
    plan = quadrille("plan", *documents, *daemon.remote(bench)).json
    return plan, quadrille("start", *documents, "--plan", plan["sha256"], *daemon.remote(bench))


def test_a_daemon_that_is_killed_goes_on_by_whole_rounds_when_a_person_says_so(laboratory, quadrille):
    daemon = laboratory(NIGHT)
    assert start(daemon, quadrille, "night", "night-film", "night-recipe")[1].json["state"] == "waiting"
    daemon.until("night", lambda view: view["run"] and any(r["state"] == "kept" for r in view["run"]["rounds"][2:]))
    daemon.until("night", lambda view: view["output"]["state"] == "on")
    daemon.process.send_signal(signal.SIGKILL)
    daemon.process.wait(timeout=30)

    daemon = laboratory(NIGHT)
    view = daemon.view("night")
    assert (view["state"], view["run"]["state"], view["output"]["state"]) == ("paused", "interrupted", "verified-off")
    before = quadrille("fetch", 1, *daemon.remote("night")).json["readings_csv"].splitlines()
    kept = {round["number"]: round["readings"] for round in view["run"]["rounds"] if round["state"] == "kept"}
    assert len(kept) >= 3 and not any(round["state"] == "taking" for round in view["run"]["rounds"])
    assert any("the program ended in this run" in note["text"] for note in view["run"]["notes"])
    quadrille("resume", 1, *daemon.remote("night")).json
    over = daemon.until("night", lambda view: view["run"]["state"] == "ended", 300)
    assert over["run"]["ending"] == "finished" and over["output"]["state"] == "verified-off"
    assert all(round["state"] == "kept" for round in over["run"]["rounds"])
    after = quadrille("fetch", 1, *daemon.remote("night")).json["readings_csv"].splitlines()
    assert len(after) == over["run"]["plan"]["readings"] + 1
    whole = 1 + sum(kept.values())
    assert after[:whole] == before[:whole], "what was done is as it was"
    assert len(json.loads(daemon.get("/api/v1/benches/night/runs"))["runs"]) == 1


def test_a_real_bench_is_released_asks_for_its_fields_and_finds_the_film(laboratory, quadrille, bench):
    daemon = laboratory(REAL)
    view = daemon.view("film")
    assert view["simulated"] is False and view["output"]["state"] == "verified-off"
    assert all("VIRTUAL" in instrument["identity"] for instrument in view["instruments"])
    plan, refused = start(daemon, quadrille, "film", "film", "film-recipe")
    assert refused.code == 2 and "quadrille release film" in refused.err
    release = ("release", "film", "--by", "ada", "--config", daemon.config)
    quadrille(*release, "--up-to-v", plan["most_v"], "--hours", 1)
    assert start(daemon, quadrille, "film", "film", "film-recipe")[1].json["ticket"] == 1
    for _ in range(3):
        asks = daemon.until("film", lambda view: view["asks"] is not None)["asks"]
        bench.stdin.write(f"field {asks['field_t']}\n")
        bench.stdin.flush()
        assert daemon.post("/api/v1/benches/film/field", {"field_t": asks["field_t"]}) == 204
        daemon.until("film", lambda view: view["asks"] is None)
    over = daemon.until("film", lambda view: view["run"]["state"] == "ended" and view["state"] == "ready")
    assert over["run"]["ending"] == "finished", over["run"]["saying"]
    sheet = over["run"]["results"][0]["sheet_resistance_ohm"]
    # The film's sheet resistance solves exp(-pi 318/Rs) + exp(-pi 232/Rs) = 1 (van der Pauw 1958).
    assert abs(sheet["value"] - 1235.767864867198) < 4 * sheet["u"]
    density = over["run"]["results"][0]["sheet_carrier_density_per_m2"]
    assert abs(density["value"] - 1 / (31.2 * 1.602176634e-19)) < 4 * density["u"]


def test_a_bench_that_cannot_be_reached_is_blocked_and_says_why(laboratory, quadrille, bench):
    bench.terminate()
    bench.wait(timeout=30)
    daemon = laboratory(REAL)
    view = daemon.view("film")
    assert (view["state"], view["output"]["state"]) == ("blocked", "not-known")
    assert "could not open its link" in view["reason"]
    refused = start(daemon, quadrille, "film", "film", "film-recipe")[1]
    assert refused.code == 2 and "the bench is blocked" in refused.err
    daemon.process.terminate()
    assert daemon.process.wait(timeout=30) == 4, "a person must look"
