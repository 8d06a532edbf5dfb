"""The program on a terminal (a pseudo-terminal), where a person sits."""

import os
import pty
import re
import signal
import time

import pytest
from children import DEMO, short_recipe

BENCH, FILM = DEMO / "bench.toml", DEMO / "film.toml"


class Terminal:
    """The program with a terminal of its own."""

    def __init__(self, program, *arguments):
        self.pid, self.screen = pty.fork()
        if self.pid == 0:
            try:
                os.execv(program, [str(program), *map(str, arguments)])
            finally:
                os._exit(127)
        self.seen = b""
        self.code = None

    def read(self, until=None, patience_s=30):
        """Reads until a pattern is on the screen, or until the program has closed the terminal."""
        end = time.monotonic() + patience_s
        while time.monotonic() < end:
            if until is not None and re.search(until, self.seen):
                return
            try:
                piece = os.read(self.screen, 4096)
            except OSError:  # Linux says EIO where the other end is closed
                piece = b""
            if not piece:
                assert until is None, self.seen.decode(errors="replace")
                return
            self.seen += piece
        raise AssertionError(f"not within {patience_s} s: {self.seen}")

    def finish(self, patience_s=30):
        end = time.monotonic() + patience_s
        while self.code is None and time.monotonic() < end:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.code = os.waitstatus_to_exitcode(status)
            else:
                time.sleep(0.01)
        assert self.code is not None, "still running"
        return self.code

    def close(self):
        if self.code is None:
            os.kill(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)


@pytest.fixture
def terminal(program):
    opened = []

    def begin(*arguments):
        opened.append(Terminal(program, *arguments))
        return opened[-1]

    yield begin
    for each in opened:
        each.close()


def test_documents_are_checked_on_a_terminal(terminal):
    check = terminal("check", BENCH)
    check.read()
    assert check.finish() == 0, check.seen
    assert b"bench, right" in check.seen and b"panicked" not in check.seen


def measuring(terminal, simulate, folder):
    served = simulate(FILM)
    documents = ["--bench", served.bench, "--sample", FILM, "--recipe", short_recipe(folder)]
    return served, terminal("measure", *documents, "--journal", folder / "journal.sqlite")


def test_a_film_is_measured_on_a_terminal(terminal, simulate, tmp_path):
    served, run = measuring(terminal, simulate, tmp_path)
    run.read()
    assert run.finish() == 0, run.seen
    assert b"sheet resistance" in run.seen and b"Output verified off" in run.seen
    served.is_at_rest()


def test_a_terminal_that_hangs_up_stands_the_bench_down(terminal, simulate, tmp_path):
    served, run = measuring(terminal, simulate, tmp_path)
    run.read(until=rb"12,43")
    os.close(run.screen)  # the kernel sends SIGHUP, and every write fails from now on
    assert run.finish() == 1
    served.is_at_rest()
    assert served.complaints() == []


def test_the_interrupt_key_stands_the_bench_down(terminal, simulate, tmp_path):
    served, run = measuring(terminal, simulate, tmp_path)
    run.read(until=rb"12,43")
    os.write(run.screen, b"\x03")
    run.read()
    assert run.finish() == 1, run.seen
    served.is_at_rest()
