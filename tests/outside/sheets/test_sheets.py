"""Sheets without symmetry against an independent finite-element solver."""

import json

import numpy as np
import pytest
from elements import admittances, assemble

import programs

IRREGULAR = [[0, 0], [1.3, -0.2], [1.7, 0.9], [0.8, 0.55], [0.2, 1.2]]
FOUR = [[0.3, 0.2], [1.3, 0.25], [2.9, 0.11], [4.35, 0.4]]
SIX = [[0.3, 0.2], [1.05, 0.1], [1.6, 0.25], [2.9, 0.11], [3.6, 0.3], [4.5, 0.4]]
TANGENTS = [0.0, 0.5, -2.0]


def sheet(description):
    path = programs.built("QUADRILLE_SHEET", "examples/sheet")
    return programs.run(path, stdin=json.dumps(description)).json


def deviation(found, expected):
    """Largest difference of an admittance, relative to the largest conductance of a contact."""
    found, expected = np.array(found), np.array(expected)
    return np.abs(found - expected).max() / np.abs(expected).max()


@pytest.mark.parametrize("contacts", [FOUR, SIX], ids=["four", "six"])
def test_an_irregular_sheet_agrees_with_an_independent_solver(contacts):
    ours = sheet({"outline": {"polygon": IRREGULAR}, "contacts": contacts, "tan_hall": TANGENTS})
    system = assemble(IRREGULAR, contacts)
    for t, rows, bound in zip(TANGENTS, ours["admittances"], ours["bounds"]):
        assert bound < 1e-6
        # The other is a plain Galerkin solution, whose own error, seen when it is refined, is 2e-7.
        assert deviation(admittances(system, t), rows) < 1e-6


def test_the_difference_from_an_independent_solver_goes_down_as_that_is_refined():
    ours = sheet({"outline": {"polygon": IRREGULAR}, "contacts": FOUR, "tan_hall": [1.0], "relative": 1e-7})
    differences = [
        deviation(admittances(assemble(IRREGULAR, FOUR, smallest=size), 1.0), ours["admittances"][0])
        for size in (1e-3, 1e-4, 1e-5)
    ]
    # The error of a plain solution goes down with its smallest triangles: ours is the limit, not merely near.
    assert differences[1] < differences[0] / 4 and differences[2] < differences[1] / 4


def test_a_sheet_whose_conductance_varies_agrees_with_an_independent_solver():
    gradient = [0.7, -0.4]
    ours = sheet(
        {"outline": {"polygon": IRREGULAR}, "contacts": FOUR, "tan_hall": TANGENTS, "gradient": gradient}
    )
    system = assemble(IRREGULAR, FOUR, gradient=gradient)
    for t, rows in zip(TANGENTS, ours["admittances"]):
        assert deviation(admittances(system, t), rows) < 1e-6
    plain = sheet({"outline": {"polygon": IRREGULAR}, "contacts": FOUR, "tan_hall": TANGENTS})
    assert deviation(plain["admittances"][0], ours["admittances"][0]) > 0.1
