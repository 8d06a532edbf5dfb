"""Programs that outside checks run: where they are, and how a run of one ended."""

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
