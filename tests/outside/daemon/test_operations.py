"""A night from the command line against a daemon; numbers by the monitoring system's own parser; the audit chain by hand."""

import csv
import hashlib
import io
import json
from pathlib import Path

from prometheus_client.openmetrics.parser import text_string_to_metric_families


def is_over(view):
    return view["state"] == "ready" and view["run"] and view["run"]["state"] == "ended"


def test_a_run_is_planned_started_and_fetched_from_the_command_line(daemon, quadrille):
    documents = ("--sample", "film", "--recipe", "film-recipe")
    plan = quadrille("plan", *documents, *daemon.remote("film")).json
    wrong = quadrille("start", *documents, "--plan", "0" * 64, *daemon.remote("film"))
    assert wrong.code == 2 and "another than the one that was looked at" in wrong.err
    started = quadrille("start", *documents, "--plan", plan["sha256"], *daemon.remote("film")).json
    assert started["ticket"] >= 1
    view = daemon.until("film", is_over)
    assert view["run"]["ending"] == "finished" and view["output"]["state"] == "verified-off"
    table = quadrille("fetch", view["run"]["run"], *daemon.remote("film")).json["readings_csv"]
    rows = list(csv.DictReader(io.StringIO(table)))
    assert len(rows) == view["run"]["readings"] == plan["readings"]


def test_a_night_is_paused_resumed_and_stopped_from_the_command_line(daemon, quadrille):
    documents = ("--sample", "night-film", "--recipe", "night-recipe")
    plan = quadrille("plan", *documents, *daemon.remote("night")).json
    quadrille("start", *documents, "--plan", plan["sha256"], *daemon.remote("night")).json
    daemon.until("night", lambda view: view["output"]["state"] == "on")
    quadrille("pause", *daemon.remote("night")).json
    paused = daemon.until("night", lambda view: view["state"] == "paused")
    kept = [round["number"] for round in paused["run"]["rounds"] if round["state"] == "kept"]
    assert kept and paused["output"]["state"] == "verified-off"
    quadrille("resume", paused["run"]["run"], *daemon.remote("night")).json
    daemon.until("night", lambda view: view["output"]["state"] == "on")
    quadrille("stop", *daemon.remote("night")).json
    over = daemon.until("night", is_over)
    assert over["run"]["ending"] == "stopped" and over["output"]["state"] == "verified-off"
    assert over["run"]["run"] == paused["run"]["run"]
    nothing = quadrille("stop", *daemon.remote("night"))
    assert nothing.code == 2 and "no run goes on here; start one first" in nothing.err


def test_numbers_are_read_by_the_parser_of_the_monitoring_system(daemon):
    families = {family.name: family for family in text_string_to_metric_families(daemon.get("/metrics"))}
    states = [sample for sample in families["quadrille_bench_state"].samples if sample.value == 1]
    assert {sample.labels["bench"] for sample in states} == {"film", "night"}
    outputs = [sample for sample in families["quadrille_output_state"].samples if sample.value == 1]
    assert len(outputs) == 2
    assert sum(sample.value for sample in families["quadrille_http_answers"].samples) > 5


def test_the_chain_of_the_audit_record_is_followed_by_another_program_and_a_change_is_seen(daemon, quadrille):
    path = Path(daemon.config).parent / "records" / "audit.jsonl"
    before = "0" * 64
    for number, text in enumerate(path.read_text().splitlines(), 1):
        bare, _, tail = text.rpartition(',"hash":"')
        line = json.loads(text)
        assert (line["n"], line["before"]) == (number, before)
        before = hashlib.sha256((bare + "}").encode()).hexdigest()
        assert tail == before + '"}'
    told = quadrille("audit", "--config", daemon.config, "--json").json
    assert told == {"lines": number, "hash": before}
    changed = Path(daemon.config).parent / "changed"
    (changed / "records").mkdir(parents=True)
    text = path.read_text().replace('"act":"start"', '"act":"stare"', 1)
    (changed / "records" / "audit.jsonl").write_text(text)
    document = Path(daemon.config).read_text().replace(str(path.parent), str(changed / "records"))
    (changed / "daemon.toml").write_text(document)
    wrong = quadrille("audit", "--config", changed / "daemon.toml")
    assert wrong.code == 3 and "is not what was written" in wrong.err
