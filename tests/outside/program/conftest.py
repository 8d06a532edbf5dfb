"""Fixtures of the checks that run the program as a person would: benches and children that end with the test."""

import pytest
from children import DEMO, Child, Simulated


@pytest.fixture
def start(program):
    """`start("measure", "--bench", path)`: the program running; killed after the test if it still is."""
    children = []

    def begin(*arguments, **options):
        child = Child(program, *arguments, **options)
        children.append(child)
        return child

    yield begin
    for child in children:
        child.close()


@pytest.fixture
def simulate(program, tmp_path):
    """`simulate(sample)`: a bench served on free ports, the demonstration's unless another is given."""
    benches = []

    def begin(sample, *options, bench=DEMO / "bench.toml"):
        served = Simulated(program, bench=bench, sample=sample, folder=tmp_path, options=options)
        benches.append(served)
        return served

    yield begin
    for served in benches:
        served.close()
