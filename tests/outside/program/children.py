"""Child processes that are talked to while they run, and the simulated bench as one of them.

Knows the command line and what is printed; every wait has an end.
"""

import json
import os
import re
import signal
import socket
import subprocess
import threading
import time
from pathlib import Path

import serial

DEMO = Path(__file__).resolve().parents[3] / "config" / "demo"
PATIENCE_S = 30


class Lines:
    """The lines of a stream as they come."""

    def __init__(self, stream):
        self._lines = []
        self._changed = threading.Condition()
        self._ended = False
        self._thread = threading.Thread(target=self._read, args=(stream,), daemon=True)
        self._thread.start()

    def _read(self, stream):
        # errors="replace" in `Child`: whatever is printed, reading goes on to the end.
        for line in stream:
            with self._changed:
                self._lines.append(line.rstrip("\n"))
                self._changed.notify_all()
        with self._changed:
            self._ended = True
            self._changed.notify_all()

    def so_far(self):
        with self._changed:
            return list(self._lines)

    def all(self):
        """Every line; to be asked after the child has ended."""
        self._thread.join(PATIENCE_S)
        return self.so_far()

    def wait_for(self, pattern, after=0, patience_s=PATIENCE_S):
        """Place and text of the first line from number `after` that the pattern is found in."""
        end = time.monotonic() + patience_s
        with self._changed:
            while True:
                for place, line in enumerate(self._lines[after:], after):
                    if re.search(pattern, line):
                        return place, line
                left = end - time.monotonic()
                if self._ended or left <= 0:
                    why = "the stream ended" if self._ended else f"not within {patience_s} s"
                    raise AssertionError(f"no line with {pattern!r}: {why}; lines: {self._lines}")
                self._changed.wait(left)


class Child:
    """The program, running."""

    def __init__(self, program, *arguments, cwd=None, log="warn"):
        self.process = subprocess.Popen(
            [program, *map(str, arguments)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            errors="replace",
            cwd=cwd,
            env=os.environ | {"QUADRILLE_LOG": log},
        )
        self.out = Lines(self.process.stdout)
        self.err = Lines(self.process.stderr)

    def type(self, line):
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def send(self, which):
        self.process.send_signal(which)

    def finish(self, patience_s=PATIENCE_S):
        """Exit code; minus the signal's number where one killed it."""
        try:
            code = self.process.wait(patience_s)
        except subprocess.TimeoutExpired:
            raise AssertionError(f"still running after {patience_s} s; stderr: {self.err.so_far()}") from None
        self.out.all(), self.err.all()
        return code

    @property
    def text(self):
        return "\n".join(self.out.all())

    @property
    def complaint(self):
        return "\n".join(self.err.all())

    @property
    def json(self):
        return json.loads(self.text)

    def close(self):
        """However it stands: gone afterwards."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(PATIENCE_S)
        try:
            self.process.stdin.close()
        except OSError:
            pass


class Simulated(Child):
    """A simulated bench, served."""

    def __init__(self, program, *, bench, sample, folder, options=()):
        self.bench = Path(folder) / f"bench-of-{time.monotonic_ns()}.toml"
        samples = sample if isinstance(sample, list) else [sample]
        arguments = ["--bench", bench, *(part for each in samples for part in ("--sample", each)), "--listen", "127.0.0.1:0", "--bench-out", self.bench]
        super().__init__(program, "simulate", *arguments, "--json", *options)
        try:
            _, ready = self.out.wait_for(r"\S")
        except AssertionError as error:
            self.close()
            raise AssertionError(f"{error}; stderr: {self.err.so_far()}") from None
        self.devices = {device["name"]: device for device in json.loads(ready)["devices"]}

    def resource(self, name):
        return self.devices[name]["resource"]

    def port(self, name):
        return int(self.resource(name).split("::")[2])

    def ask(self, name, *messages):
        """The answer to the last message, over a connection of its own."""
        if self.resource(name).startswith("ASRL"):
            return ask_serial(self.resource(name).removeprefix("ASRL").removesuffix("::INSTR"), *messages)
        return ask(self.port(name), *messages)

    def field(self, tesla):
        """Sets the field; returns when it is set."""
        before = len(self.err.so_far())
        self.type(f"field {tesla}")
        self.err.wait_for("^field: ", after=before)

    def is_off(self):
        assert self.ask("source", "OUTP?") == "0"
        assert float(self.ask("source", "SOUR:CURR?")) == 0.0

    def closed(self):
        return self.ask("matrix", "ROUT:CLOS:STAT?")

    def is_at_rest(self):
        """Output off, level zero, everything open."""
        self.is_off()
        assert self.closed() == "(@)"

    def complaints(self):
        """Stops it; what it complained of."""
        self.send(signal.SIGTERM)
        assert self.finish() == 0, self.complaint
        return json.loads(self.out.all()[-1])["complaints"]


def ask(port, *messages, patience_s=PATIENCE_S):
    """The answer to the last message; the first ones are commands."""
    with socket.create_connection(("127.0.0.1", port), timeout=patience_s) as connection:
        connection.settimeout(patience_s)
        for message in messages:
            connection.sendall(message.encode() + b"\n")
        answer = b""
        while not answer.endswith(b"\n"):
            piece = connection.recv(4096)
            assert piece, f"closed before it answered {messages}"
            answer += piece
    return answer.decode().strip()


def ask_serial(path, *messages, patience_s=PATIENCE_S):
    with serial.Serial(path, timeout=patience_s, write_timeout=patience_s) as line:
        for message in messages:
            line.write(message.encode() + b"\n")
        answer = line.readline()
    assert answer.endswith(b"\n"), f"no answer to {messages}: {answer}"
    return answer.decode().strip()


def network(folder, resistors, *, contacts="abcd", name="standard", current_a=1e-3, power_w=0.005):
    """A sample document of resistors in the fixed form; returns its path."""
    rows = ", ".join(f'["{a}", "{b}", {ohm!r}]' for a, b, ohm in resistors)
    nodes = ", ".join(f'"{node}"' for node in contacts)
    path = Path(folder) / f"{name.replace(' ', '-')}-{time.monotonic_ns()}.toml"
    path.write_text(
        f'kind = "sample"\nname = "{name}"\ncontacts = [{nodes}]\n'
        f"[limits]\ncurrent_a = {current_a!r}\nvoltage_v = 10.0\npower_w = {power_w!r}\n"
        f'[model]\ntype = "network"\nresistors = [{rows}]\n'
    )
    return path


def short_recipe(folder):
    """The demonstration's recipe without its Hall part: sixteen readings in about a second, and nobody is asked."""
    text = (DEMO / "film-recipe.toml").read_text()
    path = Path(folder) / "short-recipe.toml"
    path.write_text(text[: text.index("[hall]")].replace('"+--+"', '"+-"'))
    return path


def edited(path, folder, *changes):
    """A copy of a document with texts replaced, each of which must be there exactly once."""
    text = Path(path).read_text()
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} is {text.count(old)} times in {path}"
        text = text.replace(old, new)
    copy = Path(folder) / f"{Path(path).stem}-{time.monotonic_ns()}.toml"
    copy.write_text(text)
    return copy


READING = re.compile(
    r"^ *(?P<sequence>\d+)  (?P<configuration>\d+,\d+) (?P<polarity>[+-]) +"
    r"(?P<current>-?[\d.]+)\(\d+\) (?P<current_unit>\S+) +(?P<voltage>-?[\d.]+)\(\d+\) (?P<voltage_unit>\S+)  at "
)
PREFIX = {"f": 1e-15, "p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3}


def readings_shown(lines):
    """What a run showed on standard error: (sequence, configuration, polarity, current, voltage) of each reading."""
    shown = []
    for match in filter(None, map(READING.match, lines)):
        current = number(match["current"], match["current_unit"])
        voltage = number(match["voltage"], match["voltage_unit"])
        shown.append((int(match["sequence"]), match["configuration"], match["polarity"], current, voltage))
    return shown


def are_kept(shown, kept):
    """Asserts that readings shown are the first of those that `export --json` gives, each once and in order."""
    assert len(kept) - len(shown) in (0, 1), f"{len(shown)} were shown, {len(kept)} are kept"
    sequences = [one["sequence"] for one in kept]
    assert sequences == sorted(set(sequences))
    for (sequence, configuration, polarity, current, voltage), one in zip(shown, kept):
        assert sequence == one["sequence"]
        assert configuration == one["reading"]["configuration"]
        assert polarity == one["circumstances"]["polarity"]
        for (value, half_digit), quantity in ((current, "current"), (voltage, "voltage")):
            assert abs(one["reading"][quantity]["value"] - value) <= 1.001 * half_digit


def number(digits, unit):
    """A number as shown and half a unit of its last digit, both without prefix."""
    scale = PREFIX[unit[:-1]]
    decimals = len(digits.partition(".")[2])
    return float(digits) * scale, 0.5 * 10**-decimals * scale
