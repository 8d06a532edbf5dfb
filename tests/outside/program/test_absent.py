"""An instrument that is not there, is silent, babbles, is another one, or hangs up: each role in turn."""

import json
import random
import re
import socket
import threading
import time

import pytest
from children import DEMO, edited, readings_shown, short_recipe

FILM = DEMO / "film.toml"
ROLES = ["source", "voltmeter", "ammeter", "matrix"]


class Impostor:
    """Listens on a free port and treats every connection as `behave` says; keeps what it was told."""

    def __init__(self, behave):
        self.behave = behave
        self.told = []
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.listener.settimeout(0.1)
        self.port = self.listener.getsockname()[1]
        self.over = threading.Event()
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    def _serve(self):
        while not self.over.is_set():
            try:
                connection, _ = self.listener.accept()
            except TimeoutError:
                continue
            threading.Thread(target=self._attend, args=(connection,), daemon=True).start()

    def _attend(self, connection):
        with connection:
            connection.settimeout(30)
            try:
                self.behave(self, connection)
            except OSError:
                pass

    def lines(self, connection):
        """Messages as they come, until the other end closes."""
        pending = b""
        while not self.over.is_set():
            piece = connection.recv(4096)
            if not piece:
                return
            pending += piece
            while b"\n" in pending:
                line, _, pending = pending.partition(b"\n")
                self.told.append(line.decode(errors="replace").strip())
                yield self.told[-1]

    def close(self):
        self.over.set()
        self.thread.join(5)
        self.listener.close()


def silent(self, connection):
    for _ in self.lines(connection):
        pass


def hangs_up(self, connection):
    connection.shutdown(socket.SHUT_RDWR)


def hangs_up_when_asked(self, connection):
    next(iter(self.lines(connection)))
    connection.shutdown(socket.SHUT_RDWR)


def random_bytes(self, connection):
    noise = random.Random(5)
    for _ in self.lines(connection):
        connection.sendall(noise.randbytes(40))


def random_lines(self, connection):
    noise = random.Random(6)
    words = ["", "yes", "1,2,3", "NaN", "9.91E37", "#15hello", '"', "0x10", "1e999", "-", "ERROR", "((((", "\ufffd"]
    for _ in self.lines(connection):
        connection.sendall((noise.choice(words) + "\n").encode())


def never_ends(self, connection):
    """An answer without an end, as fast as it goes."""
    next(iter(self.lines(connection)))
    while not self.over.is_set():
        connection.sendall(b"1234567890" * 1000)


def echo(self, connection):
    for line in self.lines(connection):
        connection.sendall(line.encode() + b"\n")


def another(self, connection):
    """Speaks IEEE 488.2 well, but is not the instrument of the bench document."""
    events = "0"
    for line in self.lines(connection):
        for part in line.split(";"):
            if part.upper().startswith("*ESE "):
                events = part.split()[1]
            elif part == "*ESE?":
                connection.sendall(events.encode() + b"\n")
            elif part == "*IDN?":
                connection.sendall(b"SOMEBODY,OTHER INSTRUMENT,1,2\n")
            elif part == "*OPC?":
                connection.sendall(b"1\n")
            elif "ERR" in part.upper():
                connection.sendall(b'0,"No error"\n')
            elif part.endswith("?"):
                connection.sendall(b"0\n")


BEHAVIOURS = [silent, hangs_up, hangs_up_when_asked, random_bytes, random_lines, never_ends, echo, another]


@pytest.fixture
def impostor():
    made = []

    def begin(behave):
        made.append(Impostor(behave))
        return made[-1]

    yield begin
    for each in made:
        each.close()


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return listener.getsockname()[1]


class Attempt:
    """A measurement with one instrument replaced, the source left on by whoever was there before."""

    def __init__(self, simulate, quadrille, folder, role, port, *, is_left_on=True):
        self.served = simulate(FILM)
        self.left_on = is_left_on
        if is_left_on:
            self.served.ask("source", "SOUR:CURR:RANG 1E-3", "SOUR:VOLT:LIM 1", "SOUR:CURR 1E-6", "OUTP ON", "*OPC?")
        here, there = self.served.resource(role), f"TCPIP0::127.0.0.1::{port}::SOCKET"
        # The limit of each wait, so that the whole is quick.
        name = f'name = "{role}"\n'
        bench = edited(self.served.bench, folder, (here, there), (name, f"{name}timeout_s = 0.3\n"))
        self.journal = folder / "journal.sqlite"
        documents = ["--bench", bench, "--sample", FILM, "--recipe", short_recipe(folder)]
        begun = time.monotonic()
        self.answer = quadrille("measure", *documents, "--journal", self.journal, "--json")
        self.took_s = time.monotonic() - begun
        self.resource = there

    def told(self):
        """What a person is told, and what a program is told."""
        found = json.loads(self.answer.out)
        machine = found["error"] if "error" in found else found["outcome"]["failure"]
        assert machine in self.answer.err, self.answer.err
        return machine


def fails_well(attempt, role):
    assert attempt.answer.code == 3, attempt.answer.err
    assert attempt.took_s < 15
    assert "panicked" not in attempt.answer.err
    told = attempt.told()
    assert told.startswith(f"{role}: "), told
    assert readings_shown(attempt.answer.err.splitlines()) == []
    return told


@pytest.mark.parametrize("role", ROLES)
def test_an_absent_instrument_is_named_with_its_address(simulate, quadrille, tmp_path, role):
    attempt = Attempt(simulate, quadrille, tmp_path, role, free_port())
    told = fails_well(attempt, role)
    assert attempt.resource in told and re.search("refused", told), told


# A link that cannot be opened ends the run before it begins, and must not leave what an earlier one left.
@pytest.mark.parametrize("role", ["voltmeter", "ammeter", "matrix"])
def test_a_source_left_on_is_switched_off_though_another_instrument_is_absent(simulate, quadrille, tmp_path, role):
    attempt = Attempt(simulate, quadrille, tmp_path, role, free_port())
    attempt.served.is_off()


@pytest.mark.parametrize("behave", BEHAVIOURS, ids=lambda behave: behave.__name__)
@pytest.mark.parametrize("role", ROLES)
def test_an_instrument_that_misbehaves_is_named_and_the_others_come_to_rest(
    simulate, quadrille, impostor, tmp_path, role, behave
):
    other = impostor(behave)
    attempt = Attempt(simulate, quadrille, tmp_path, role, other.port)
    told = fails_well(attempt, role)
    if behave is another:
        assert "OTHER INSTRUMENT" in told and "VIRTUAL" in told, told
    elif behave is hangs_up:
        assert re.search("clos|reset|broken", told), told
    else:
        # What was asked, and what came of it.
        assert re.search(r'asked "[^"]+', told), told
    if behave is silent:
        assert "no answer in" in told, told
    if role != "source":
        attempt.served.is_off()
    if role not in ("source", "matrix"):
        assert attempt.served.closed() == "(@)"
    runs = quadrille("runs", "--journal", attempt.journal, "--json").json["runs"]
    assert all(run["readings"] == 0 for run in runs)


# To an electronic load, for one, `INPut:STATe ON` means to draw current.
@pytest.mark.parametrize("role", ["source", "voltmeter", "ammeter", "matrix"])
def test_another_instrument_is_never_told_to_switch_on_or_to_connect(simulate, quadrille, impostor, tmp_path, role):
    other = impostor(another)
    fails_well(Attempt(simulate, quadrille, tmp_path, role, other.port), role)
    assert "*IDN?" in other.told
    assert not any(" ON" in message or "CLOSe (" in message for message in other.told), other.told
