"""A daemon with two simulated benches, and tokens for it."""

import pytest

from daemons import begin, with_token
from programs import ROOT

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


@pytest.fixture(scope="session")
def daemon(program, tmp_path_factory):
    folder = tmp_path_factory.mktemp("daemon")
    config = folder / "daemon.toml"
    config.write_text(DOCUMENT.format(folder=folder / "records", demo=ROOT / "config" / "demo"))
    daemon = begin(program, config, *with_token(program, config))
    yield daemon
    daemon.process.terminate()
    assert daemon.process.wait(timeout=60) == 0, "every bench is at rest, output verified off"
