"""Materials against scipy and mpmath: neutrality, statistics, metals, hopping, thermometers, from the equations anew.

Nothing here is from the program. Fermi-Dirac integrals are polylogarithms and quadratures, those of Bloch and Gruneisen
quadratures; neutrality is solved with sixty digits and without logarithms; tensors are inverted as matrices. Crystals
are invented, and compensated unevenly.
"""

import json
import math
import os
import subprocess
from pathlib import Path

import mpmath
import numpy as np
import pytest
from scipy.constants import elementary_charge, k
from scipy.integrate import quad
from scipy.optimize import brentq

ROOT = Path(__file__).resolve().parents[3]
PROGRAM = Path(os.environ.get("QUADRILLE_MATERIAL", ROOT / "target" / "debug" / "examples" / "material"))
K_EV = k / elementary_charge

CRYSTAL = {
    **{"donors_per_m3": 3.1e21, "donor_ev": 0.039, "donor_degeneracy": 2.0},
    **{"acceptors_per_m3": 4.7e20, "acceptor_ev": 0.083, "acceptor_degeneracy": 4.0},
    **{"conduction_states_per_m3": 1.9e25, "valence_states_per_m3": 7.3e24, "gap_ev": 0.71},
    **{"electron_mobility_m2_per_v_s": 0.37, "electron_exponent": 1.8},
    **{"electron_impurity_mobility_m2_per_v_s": 1.3, "electron_impurity_exponent": 1.4},
    **{"hole_mobility_m2_per_v_s": 0.11, "hole_exponent": 2.2},
    **{"hole_impurity_mobility_m2_per_v_s": 0.9, "hole_impurity_exponent": 1.6},
    "hall_factor": 1.15,
}
P_TYPE = {
    **CRYSTAL,
    **{"donors_per_m3": 6.0e20, "acceptors_per_m3": 8.8e21, "acceptor_ev": 0.021},
    **{"gap_ev": 0.21, "conduction_states_per_m3": 6e22, "electron_mobility_m2_per_v_s": 6.1},
}
DEGENERATE = {**CRYSTAL, "donors_per_m3": 2.4e26, "donor_ev": 0.0}


def ask(question):
    if not PROGRAM.exists():
        pytest.fail(f"no program at {PROGRAM}: build it, or set QUADRILLE_MATERIAL")
    done = subprocess.run([PROGRAM], input=json.dumps(question), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def material(kind, parameters, at, preset=None):
    return ask({"type": kind, "preset": preset, "parameters": parameters, "at": at})


def function(name, *arguments):
    return ask({"function": name, "arguments": [list(row) for row in arguments]})


@pytest.mark.parametrize("eta", [-300.0, -40.0, -7.3, -1.0, 0.0, 1.999, 2.001, 5.5, 40.0, 1234.5])
def test_fermi_dirac_integrals_are_those_of_a_quadrature(eta):
    (value,) = function("fermi_dirac_half", [eta])
    with mpmath.workdps(30):
        exact = half_integral(eta)
    assert value == pytest.approx(float(exact), rel=2e-12)


def quadrature(eta):
    """Quadrature of the definition, cut at the Fermi level, where the integrand falls."""
    edges = [0, eta, eta + 5, eta + 40, eta + 90] if eta > 0 else [0, 5, 40, 90]
    edges = sorted({0, *[max(eta - cut, 0) for cut in (40, 10, 3)], *edges})
    integral = mpmath.quad(lambda t: mpmath.sqrt(t) / (1 + mpmath.exp(t - eta)), edges)
    return integral * 2 / mpmath.sqrt(mpmath.pi)


def half_integral(eta):
    """Normalised, of order 1/2: the polylogarithm below the band edge, the quadrature above."""
    if eta >= 0:
        return quadrature(eta)
    return -mpmath.re(mpmath.polylog(mpmath.mpf(3) / 2, -mpmath.exp(eta)))


def neutral(p, temperature):
    """Electrons and holes per cubic metre, by bisection of the charge over the Fermi level in electronvolts.

    Sixty digits are enough for 1e-30 beside 1e21: no logarithms needed.
    """
    with mpmath.workdps(60):
        kt = mpmath.mpf(K_EV) * temperature
        warmth = (mpmath.mpf(temperature) / 300) ** 1.5

        def band(states, eta):
            return states * warmth * half_integral(eta)

        def parts(level):
            electrons = band(p["conduction_states_per_m3"], (level - p["gap_ev"]) / kt)
            holes = band(p["valence_states_per_m3"], -level / kt)
            donors, acceptors = p["donors_per_m3"], p["acceptors_per_m3"]
            if p["donor_ev"]:
                up = mpmath.exp((level - p["gap_ev"] + p["donor_ev"]) / kt)
                donors /= 1 + p["donor_degeneracy"] * up
            acceptors /= 1 + p["acceptor_degeneracy"] * mpmath.exp((p["acceptor_ev"] - level) / kt)
            return electrons, holes, holes + donors - electrons - acceptors

        low, high = mpmath.mpf(-1), mpmath.mpf(p["gap_ev"]) + 1
        for _ in range(110):
            middle = (low + high) / 2
            low, high = (middle, high) if parts(middle)[2] > 0 else (low, middle)
        electrons, holes, _ = parts(low)
        return float(electrons), float(holes)


@pytest.mark.parametrize("crystal", [CRYSTAL, P_TYPE], ids=["n", "p"])
@pytest.mark.parametrize("temperature", [7.0, 11.0, 23.0, 77.0, 180.0, 300.0, 520.0, 900.0, 2000.0])
def test_carriers_and_transport_are_those_of_neutrality_solved_anew(crystal, temperature):
    field = 0.83
    (answer,) = material("semiconductor", crystal, [[temperature, field]])
    electrons, holes = neutral(crystal, temperature)
    assert answer["electrons_per_m3"] == pytest.approx(electrons, rel=3e-10)
    assert answer["holes_per_m3"] == pytest.approx(holes, rel=3e-10)

    def mobility(of):
        lattice = crystal[f"{of}_mobility_m2_per_v_s"] * (temperature / 300) ** -crystal[f"{of}_exponent"]
        rise = (temperature / 300) ** crystal[f"{of}_impurity_exponent"]
        impurity = crystal[f"{of}_impurity_mobility_m2_per_v_s"] * rise
        return 1 / (1 / lattice + 1 / impurity)

    # Conductivity tensors from the equation of motion, m v' = q(E + v x rB) - m v/tau, and inverted as matrices.
    sigma = np.zeros((2, 2))
    for density, charge, mu in ((electrons, -1, mobility("electron")), (holes, 1, mobility("hole"))):
        turn = charge * crystal["hall_factor"] * mu * field
        # v - turn*(vy, -vx) = charge*mu*E
        sigma += density * elementary_charge * mu * np.linalg.inv([[1.0, -turn], [turn, 1.0]])
    rho = np.linalg.inv(sigma)
    assert answer["resistivity_ohm_m"] == pytest.approx(rho[0, 0], rel=1e-9)
    # rho_yx = E_y/J_x.
    assert answer["tan_hall"] == pytest.approx(rho[1, 0] / rho[0, 0], rel=1e-9)


@pytest.mark.parametrize("temperature", [4.0, 77.0, 300.0])
def test_a_degenerate_band_has_fermi_s_statistics(temperature):
    (answer,) = material("semiconductor", DEGENERATE, [[temperature, 0.0]])
    free = DEGENERATE["donors_per_m3"] - DEGENERATE["acceptors_per_m3"]
    assert answer["electrons_per_m3"] == pytest.approx(free, rel=1e-9)
    if temperature == 300.0:
        states = DEGENERATE["conduction_states_per_m3"]
        eta = brentq(lambda eta: float(half_integral(eta)) * states - free, -5, 50, xtol=1e-13)
        kt = K_EV * temperature
        holes = DEGENERATE["valence_states_per_m3"] * math.exp(-(DEGENERATE["gap_ev"] / kt + eta))
        assert answer["holes_per_m3"] == pytest.approx(holes, rel=1e-8)


def test_from_1_k_to_2000_k_charges_balance_and_nothing_jumps():
    shallow = {**CRYSTAL, "donor_ev": 0.004, "acceptor_ev": 0.009, "gap_ev": 1.4, "donors_per_m3": 2e21}
    temperatures = np.geomspace(1.0, 2000.0, 400)
    answers = material("semiconductor", shallow, [[t, 0.0] for t in temperatures])
    assert all("problem" not in answer for answer in answers)
    logs = np.log([answer["electrons_per_m3"] for answer in answers])
    assert np.all(np.diff(logs) > -1e-9)
    # Slopes against temperature go over into one another: no step of the solver is seen.
    assert np.max(np.abs(np.diff(logs, 2))) < 0.2 * np.max(np.abs(np.diff(logs)))


@pytest.mark.parametrize("x", [1e-3, 0.2, 0.999, 1.001, 2.5, 8.0, 25.0, 83.0, 700.0, 5000.0])
def test_the_integral_of_bloch_and_gruneisen_is_its_quadrature(x):
    (value,) = function("bloch_gruneisen_integral", [x])
    top = min(x, 120.0)
    edges = [0, *[edge for edge in (1.0, 5.0, 15.0, 40.0) if edge < top], top]
    exact = sum(
        quad(lambda t: t**5 / (math.expm1(t) * -math.expm1(-t)) if t else 0.0, a, b, epsabs=0, epsrel=1e-13)[0]
        for a, b in zip(edges, edges[1:])
    )
    assert value == pytest.approx(exact, rel=2e-12)


def test_a_metal_is_linear_in_the_heat_and_goes_as_the_fifth_power_in_the_cold():
    metal = {
        **{"resistivity_ohm_m": 4.1e-8, "reference_k": 285.0, "debye_k": 410.0},
        **{"residual_resistivity_ohm_m": 3e-10, "hall_coefficient_m3_per_c": -7.1e-11},
    }
    temperatures = [2.0, 9.0, 31.0, 120.0, 285.0, 640.0, 3000.0]
    answers = material("metal", metal, [[t, 1.7] for t in temperatures])

    def phonons(t):
        integrand = lambda u: u**5 / (4 * math.sinh(u / 2) ** 2) if u else 0.0  # noqa: E731
        return (t / 410.0) ** 5 * quad(integrand, 0, min(410.0 / t, 90.0), epsabs=0, epsrel=1e-11, limit=200)[0]

    for temperature, answer in zip(temperatures, answers):
        rho = 3e-10 + (4.1e-8 - 3e-10) * phonons(temperature) / phonons(285.0)
        assert answer["resistivity_ohm_m"] == pytest.approx(rho, rel=1e-9)
        assert answer["tan_hall"] == pytest.approx(-7.1e-11 * 1.7 / rho, rel=1e-9)
        assert answer["electrons_per_m3"] is None


@pytest.mark.parametrize("exponent", [1.0, 0.5, 1 / 3, 0.25])
def test_hopping_is_a_straight_line_of_its_slope(exponent):
    law = {"resistivity_ohm_m": 2e-3, "characteristic_k": 870.0, "exponent": exponent}
    law["hall_mobility_m2_per_v_s"] = -3e-6
    temperatures = np.array([20.0, 55.0, 140.0, 333.0])
    answers = material("hopping", law, [[t, -2.0] for t in temperatures])
    logs = np.log([answer["resistivity_ohm_m"] for answer in answers])
    slope, start = np.polyfit(temperatures**-exponent, logs, 1)
    assert slope == pytest.approx(870.0**exponent, rel=1e-10)
    assert math.exp(start) == pytest.approx(2e-3, rel=1e-9)
    assert [answer["tan_hall"] for answer in answers] == pytest.approx([6e-6] * 4)


def test_a_thermometer_of_platinum_is_that_of_the_standard():
    # IEC 60751:2008, 4.2.
    def ratio(t):
        return 1 + 3.9083e-3 * t - 5.775e-7 * t * t + (-4.183e-12 * (t - 100) * t**3 if t < 0 else 0)

    celsius = [-199.9, -150.3, -77.7, -0.4, 0.4, 23.1, 277.7, 849.0]
    resistances = function("platinum_resistance", *[[500.0, 273.15 + t] for t in celsius])
    assert resistances == pytest.approx([500.0 * ratio(t) for t in celsius], rel=1e-12)
    for ohm in (95.0, 210.0, 499.0, 501.0, 1700.0):
        (kelvin,) = function("platinum_temperature", [500.0, ohm])
        exact = brentq(lambda t: 500.0 * ratio(t) - ohm, -200, 850, xtol=1e-12)
        assert kelvin - 273.15 == pytest.approx(exact, abs=1e-9)


@pytest.mark.parametrize(
    ("preset", "changed", "parameter"),
    [
        ("Si:P", {"donors_per_m3": -1e21}, "donors_per_m3"),
        ("Si:P", {}, "donors_per_m3"),
        ("Si:P", {"donors_per_m3": 1e21, "acceptors_per_m3": 2e21}, "acceptors_per_m3"),
        ("Si:P", {"donors_per_m3": 1e26}, "donors_per_m3"),
        ("Si:P", {"donors_per_m3": 1e21, "gap_ev": 0.0}, "gap_ev"),
        ("Si:P", {"donors_per_m3": 1e21, "electron_exponent": 99.0}, "electron_exponent"),
        ("Si:P", {"donors_per_m3": 1e21, "electron_exponent": -2.4}, "electron_exponent"),
        ("Si:Xx", {"donors_per_m3": 1e21}, "preset"),
        (None, {"donors_per_m3": 1e21}, "donor_ev"),
    ],
)
def test_what_is_not_physical_is_refused_by_name(preset, changed, parameter):
    (answer,) = material("semiconductor", changed, [[300.0, 0.0]], preset)
    assert answer["parameter"] == parameter
