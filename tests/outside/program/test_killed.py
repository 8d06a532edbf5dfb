"""The program killed, told to stop, or left alone by its bench in the middle of a run."""

import json
import os
import re
import resource
import signal
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from children import DEMO, Child, Simulated, are_kept, readings_shown, short_recipe

BENCH, FILM = DEMO / "bench.toml", DEMO / "film.toml"
READINGS = 16


class Night:
    """A simulated bench with a run on it, in a folder of its own."""

    def __init__(self, program, quadrille, folder, *, log="warn"):
        folder.mkdir(exist_ok=True)
        self.program, self.quadrille, self.folder = program, quadrille, folder
        self.recipe = short_recipe(folder)
        self.journal = folder / "journal.sqlite"
        self.served = Simulated(program, bench=BENCH, sample=FILM, folder=folder)
        self.run = self.measure(log)

    def measure(self, log="warn"):
        documents = ["--bench", self.served.bench, "--sample", FILM, "--recipe", self.recipe]
        return Child(self.program, "measure", *documents, "--journal", self.journal, "--json", log=log)

    def reaches(self, readings):
        """Returns when so many readings were shown."""
        place = -1
        for _ in range(readings):
            place, _ = self.run.err.wait_for(r"^ *\d+  \d+,\d+ [+-]", after=place + 1)

    def kept(self, run):
        return self.quadrille("export", run, "--journal", self.journal, "--json").json["readings"]

    def runs(self):
        return self.quadrille("runs", "--journal", self.journal, "--json").json["runs"]

    def close(self):
        self.run.close()
        self.served.close()


@pytest.fixture
def night(program, quadrille, tmp_path):
    nights = []

    def begin(**options):
        nights.append(Night(program, quadrille, tmp_path / str(len(nights)), **options))
        return nights[-1]

    yield begin
    for each in nights:
        each.close()


# Readings shown before the kill, and how long after the last of them, in seconds.
INSTANTS = [
    (0, 0.0), (1, 0.03), (2, 0.0), (4, 0.01), (6, 0.035), (7, 0.004), (9, 0.05), (11, 0.02), (13, 0.06), (14, 0.02),
]  # fmt: skip


def killed(program, quadrille, folder, readings, later_s):
    """Kills a run, then measures again on the same bench; what both left."""
    night = Night(program, quadrille, folder)
    try:
        if readings:
            night.reaches(readings)
        else:
            night.run.err.wait_for("^Run 1")
        time.sleep(later_s)
        night.run.send(signal.SIGKILL)
        assert night.run.finish() == -signal.SIGKILL
        shown = readings_shown(night.run.err.all())
        was_on = night.served.ask("source", "OUTP?") == "1"
        listed = night.runs()
        text = quadrille("runs", "--journal", night.journal).out
        kept = night.kept(1)
        night.run = night.measure(log="trace")
        code = night.run.finish()
        again = readings_shown(night.run.err.all())
        kept_again = night.kept(2)
        runs = night.runs()
        night.served.is_at_rest()
        return {
            "shown": shown, "was_on": was_on, "listed": listed, "text": text, "kept": kept, "code": code,
            "err": night.run.err.all(), "again": again, "kept_again": kept_again, "runs": runs,
            "still_kept": night.kept(1), "devices": night.served.devices, "complaints": night.served.complaints(),
        }  # fmt: skip
    finally:
        night.close()


@pytest.fixture(scope="module")
def kills(program, quadrille, tmp_path_factory):
    folder = tmp_path_factory.mktemp("killed")
    with ThreadPoolExecutor(5) as pool:
        found = [pool.submit(killed, program, quadrille, folder / str(k), *at) for k, at in enumerate(INSTANTS)]
    return [each.result() for each in found]


@pytest.mark.parametrize("k", range(len(INSTANTS)))
def test_a_kill_loses_no_reading_that_was_shown(kills, k):
    kill = kills[k]
    assert len(kill["shown"]) >= INSTANTS[k][0]
    assert len(kill["shown"]) < READINGS
    are_kept(kill["shown"], kill["kept"])
    assert kill["still_kept"] == kill["kept"]


@pytest.mark.parametrize("k", range(len(INSTANTS)))
def test_a_killed_run_is_listed_as_not_ended(kills, k):
    (run,) = kills[k]["listed"]
    assert (run["ended"], run["ending"]) == (None, None)
    assert run["readings"] == len(kills[k]["kept"])
    assert "not ended" in kills[k]["text"]


def exchanged(lines, devices):
    """(device, "sent" or "received", message) of each line of the trace, in order."""
    names = {device["resource"]: name for name, device in devices.items()}
    line = re.compile(r"TRACE resource=(\S+) (sent|received)=(.*)\\n$")
    return [(names[m[1]], m[2], m[3]) for m in map(line.search, lines) if m]


@pytest.mark.parametrize("k", range(len(INSTANTS)))
def test_the_next_run_begins_by_switching_off_and_finishes(kills, k):
    kill = kills[k]
    assert kill["code"] == 0, kill["err"]
    assert len(kill["again"]) == len(kill["kept_again"]) == READINGS
    are_kept(kill["again"], kill["kept_again"])
    assert [run["ended"] is None for run in kill["runs"]] == [True, False]
    messages = exchanged(kill["err"], kill["devices"])
    assert len(messages) > 100
    off = messages.index(("source", "received", "0"), messages.index(("source", "sent", ":OUTPut:STATe?")))
    before = messages[:off]
    # Until the source has said that its output is off, no other instrument is told anything.
    assert {device for device, _, _ in before} == {"source"}
    assert ("source", "sent", ":OUTPut:STATe OFF") in before
    # Relays that were left closed open cold, or the simulated bench would complain of hot switching.
    assert kill["complaints"] == []


def test_most_kills_left_the_output_on(kills):
    """Otherwise the test above would show nothing."""
    assert sum(kill["was_on"] for kill in kills) >= 3


@pytest.mark.parametrize("which", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=lambda which: which.name)
@pytest.mark.parametrize("readings", [0, 1, 8])
def test_a_signal_stands_the_bench_down(night, which, readings):
    night = night()
    night.reaches(readings) if readings else night.run.err.wait_for("^Round 1")
    night.run.send(which)
    assert night.run.finish() == 1, night.run.complaint
    answer = night.run.json
    assert answer["outcome"]["ending"] == "stopped"
    assert answer["outcome"]["output"] == "verified"
    assert answer["outcome"]["stand_down_failures"] == []
    night.served.is_at_rest()
    shown, kept = readings_shown(night.run.err.all()), night.kept(1)
    assert readings <= len(shown) < READINGS
    are_kept(shown, kept)
    (run,) = night.runs()
    assert run["ending"].startswith("stopped") and run["ended"]
    assert night.served.complaints() == []


def test_many_signals_at_once_stand_the_bench_down_once(night):
    night = night()
    night.reaches(3)
    for _ in range(20):
        for which in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            night.run.send(which)
        time.sleep(0.002)
    assert night.run.finish() == 1, night.run.complaint
    night.served.is_at_rest()
    assert night.served.complaints() == []


def test_a_signal_while_a_person_is_asked_for_the_field_stands_the_bench_down(simulate, start, tmp_path):
    served = simulate(FILM)
    documents = ["--bench", served.bench, "--sample", FILM, "--recipe", DEMO / "film-recipe.toml"]
    run = start("measure", *documents, "--journal", tmp_path / "journal.sqlite", "--json")
    run.err.wait_for("^Set the field to 0 T")
    run.type("")
    run.err.wait_for("^Set the field to 500 mT")
    run.send(signal.SIGINT)
    assert run.finish(10) == 1, run.complaint
    served.is_at_rest()
    assert served.complaints() == []


def test_verify_and_simulate_end_at_a_signal_too(simulate, start, tmp_path):
    served = simulate(DEMO / "standard-low.toml")
    standard = ["--sample", DEMO / "standard-low.toml", "--journal", tmp_path / "journal.sqlite"]
    run = start("verify", "--bench", served.bench, *standard, "--json")
    run.err.wait_for(r"^ *\d+  32,41")
    run.send(signal.SIGTERM)
    assert run.finish() == 1, run.complaint
    verdict = run.json
    assert verdict["passed"] is False and verdict["outcome"]["output"] == "verified"
    served.is_at_rest()
    assert served.complaints() == []


@pytest.mark.parametrize(("readings", "later_s"), [(1, 0.0), (5, 0.015), (8, 0.04), (12, 0.06)])
def test_a_bench_that_dies_is_named_and_no_shown_reading_is_lost(night, readings, later_s):
    night = night()
    night.reaches(readings)
    time.sleep(later_s)
    night.served.send(signal.SIGKILL)
    begun = time.monotonic()
    code = night.run.finish(60)
    # Four instruments of which each may be waited for twice its timeout of 2 s, and time to spare.
    assert time.monotonic() - begun < 20
    answer = json.loads(night.run.text)
    assert code == 4, night.run.complaint
    outcome = answer["outcome"]
    assert outcome["ending"] == "failed" and outcome["output"] == "unknown"
    failure = outcome["failure"]
    assert failure.partition(":")[0] in ("source", "voltmeter", "ammeter", "matrix"), failure
    assert night.served.resource(failure.partition(":")[0]) in failure
    # Both halves of the exchange, or that there could be none.
    assert re.search(r'(asked|told) "[^"]+": .*(closed|reset|refused)|could not (receive|send|open)', failure), failure
    assert failure in night.run.complaint
    are_kept(readings_shown(night.run.err.all()), night.kept(1))
    (run,) = night.runs()
    assert "unknown" in run["ending"]


def test_a_bench_that_hangs_is_given_up_in_bounded_time(night):
    """Stopped, it keeps its connections and answers nothing."""
    night = night()
    night.reaches(4)
    night.served.send(signal.SIGSTOP)
    begun = time.monotonic()
    code = night.run.finish(90)
    took = time.monotonic() - begun
    night.served.send(signal.SIGCONT)
    assert code == 4, night.run.complaint
    assert took < 60, took
    failure = json.loads(night.run.text)["outcome"]["failure"]
    assert re.search(r'asked ".+", no answer in', failure), failure
    are_kept(readings_shown(night.run.err.all()), night.kept(1))


def test_a_second_run_on_a_busy_bench_does_not_disturb_the_first(night):
    """A device serves one client at a time: the second is refused by its own timeout, and the first goes on."""
    night = night()
    night.reaches(2)
    second = night.measure()
    try:
        assert night.run.finish() == 0, night.run.complaint
        assert second.finish(60) in (0, 3), second.complaint
    finally:
        second.close()
    assert len(night.kept(1)) == READINGS
    night.served.is_at_rest()
    assert night.served.complaints() == []


# `warn` is the log's own level; `trace` writes every message, also while standing down.
@pytest.mark.parametrize("log", ["warn", "trace"])
def test_a_terminal_that_goes_away_leaves_no_output_on(simulate, program, tmp_path, log):
    """Nobody reads standard output and error any more, as behind a pager that was left."""
    served = simulate(FILM)
    arguments = ["--bench", served.bench, "--sample", FILM, "--recipe", short_recipe(tmp_path)]
    journal = ["--journal", tmp_path / "journal.sqlite"]
    reading, writing = os.pipe()
    run = subprocess.Popen(
        [program, "measure", *arguments, *journal],
        stdin=subprocess.DEVNULL, stdout=writing, stderr=writing, env=os.environ | {"QUADRILLE_LOG": log},
    )  # fmt: skip
    os.close(writing)
    try:
        seen = b""
        while not re.search(rb"\n +\d+  12,43 \+", seen):
            piece = os.read(reading, 4096)
            assert piece, seen
            seen += piece
        os.close(reading)
        run.wait(30)
    finally:
        run.kill()
        run.wait(30)
    served.is_at_rest()
    assert served.complaints() == []


# Without a handler of its own, a program that outgrows its limit of file size is killed by SIGXFSZ.
@pytest.mark.parametrize("is_ignored", [True, False], ids=["write error", "signal"])
def test_a_journal_that_cannot_grow_stands_the_bench_down(simulate, program, quadrille, tmp_path, is_ignored):
    served = simulate(FILM)
    recipe = short_recipe(tmp_path)
    documents = ["--bench", served.bench, "--sample", FILM, "--recipe", recipe]
    journal = tmp_path / "journal.sqlite"
    # The size to which the journal's log grows in a whole run, of which half is then allowed.
    whole = Child(program, "measure", *documents, "--journal", tmp_path / "whole.sqlite")
    log, largest = tmp_path / "whole.sqlite-wal", 0
    while whole.process.poll() is None:
        largest = max(largest, log.stat().st_size if log.exists() else 0)
        time.sleep(0.01)
    assert whole.finish() == 0 and largest > 0

    def limit():
        if is_ignored:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (largest * 3 // 4, largest * 3 // 4))

    done = subprocess.run(
        [program, "measure", *map(str, documents), "--journal", str(journal)],
        capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL, preexec_fn=limit, restore_signals=not is_ignored,
    )  # fmt: skip
    shown = readings_shown(done.stderr.splitlines())
    assert 0 < len(shown) < READINGS, done.stderr
    are_kept(shown, quadrille("export", 1, "--journal", journal, "--json").json["readings"])
    served.is_at_rest()
    assert done.returncode == 3, done.stderr
    assert "the record could not be kept" in done.stdout
