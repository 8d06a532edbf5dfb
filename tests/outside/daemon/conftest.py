"""A daemon with two simulated benches, and tokens for it."""

import json
import subprocess
import time
import urllib.request
from dataclasses import dataclass

import pytest

from programs import ROOT, run

DOCUMENT = """
kind = "daemon"
listen = "127.0.0.1:0"
folder = "{folder}"
tokens = true
[limits]
requests_per_minute = 1000000
[[bench]]
name = "film"
bench = "{demo}/bench.toml"
samples = ["{demo}/film.toml"]
recipes = ["{demo}/film-recipe.toml"]
simulated = "virtual-time"
[[bench]]
name = "night"
bench = "{demo}/night-bench.toml"
samples = ["{demo}/night-film.toml"]
recipes = ["{demo}/night-recipe.toml"]
simulated = "virtual-time"
pace = 100
"""


@dataclass
class Daemon:
    """A daemon that listens, and how it is asked."""

    url: str
    config: str
    token: str
    token_file: str

    @property
    def headers(self):
        return {"Authorization": f"Bearer {self.token}"}

    def get(self, path):
        request = urllib.request.Request(self.url + path, headers=self.headers)
        with urllib.request.urlopen(request, timeout=30) as answer:
            return answer.read().decode()

    def view(self, bench):
        return json.loads(self.get(f"/api/v1/benches/{bench}"))


@pytest.fixture(scope="session")
def daemon(program, tmp_path_factory):
    folder = tmp_path_factory.mktemp("daemon")
    config = folder / "daemon.toml"
    config.write_text(DOCUMENT.format(folder=folder / "records", demo=ROOT / "config" / "demo"))
    rights = ("--right", "operate", "--right", "maintain")
    token = run(program, "token", "add", "checks", *rights, "--config", config, "--json").json["secret"]
    token_file = folder / "token"
    token_file.touch(mode=0o600)
    token_file.write_text(token)
    process = subprocess.Popen([program, "serve", "--config", config, "--json"], stdout=subprocess.PIPE, text=True)
    url = json.loads(process.stdout.readline())["listens"]
    daemon = Daemon(url, str(config), token, str(token_file))
    deadline = time.monotonic() + 30
    while any(daemon.view(bench)["state"] == "standing-down" for bench in ("film", "night")):
        assert time.monotonic() < deadline, "the benches were not stood down"
        time.sleep(0.1)
    yield daemon
    process.terminate()
    assert process.wait(timeout=60) == 0, "every bench is at rest, output verified off"
