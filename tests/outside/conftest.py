"""What all outside checks share: the program under test. Knows its command line, not its insides."""

import json
import os
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@dataclass
class Answer:
    """How one run of a program ended."""

    code: int
    out: str
    err: str

    @property
    def json(self):
        """Standard output as JSON; a run that failed shows what it complained of instead."""
        assert self.code == 0, f"exit code {self.code}: {self.err}"
        return json.loads(self.out)


def built(variable, default):
    """A program by the path in an environment variable, or where a debug build puts it."""
    path = Path(os.environ.get(variable, ROOT / "target" / "debug" / default))
    if not path.exists():
        pytest.fail(f"no program at {path}: build it, or set {variable}")
    return path


def run(path, *arguments, stdin="", timeout=60):
    done = subprocess.run(
        [path, *map(str, arguments)], input=stdin, capture_output=True, text=True, timeout=timeout, check=False
    )
    return Answer(done.returncode, done.stdout, done.stderr)


@pytest.fixture(scope="session")
def program():
    """Path of the program, for checks that start it themselves and talk to it while it runs."""
    return built("QUADRILLE", "quadrille")


@pytest.fixture(scope="session")
def quadrille(program):
    """`quadrille("predict", "--sample", path, "--json").json`"""
    return lambda *arguments, **options: run(program, *arguments, **options)


@pytest.fixture(scope="session")
def relax():
    """Transient of a circuit given as a dictionary, by the example program of the network crate."""
    path = built("QUADRILLE_RELAX", "examples/relax")
    return lambda circuit: run(path, stdin=json.dumps(circuit)).json
