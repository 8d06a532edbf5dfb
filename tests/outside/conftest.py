"""What all outside checks share: the program under test. Knows its command line, not its insides."""

import json

import pytest

from programs import built, run


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
