"""What makes a bench hard, seen through its meters over SCPI: barriers against ngspice, noise against Nyquist's formula.

Barriers: i = I_s (exp(v / n V_T) - 1) + v / R, which is ngspice's diode with a resistor beside it. Noise: H. Nyquist,
Phys. Rev. 32, 110 (1928); constants of the SI.
"""

import json
import subprocess

import numpy as np
import pytest
import scipy.constants
import scipy.signal
from test_simulated_settling import PROGRAM, Laboratory, disturbed, laboratory, parts, terminals
from circuit_simulator import transient
from reference import GROUND

KELVIN = 295.0
RING = "[[\"a\", \"b\", {0}], [\"b\", \"c\", {1}], [\"c\", \"d\", {2}], [\"d\", \"a\", {3}]]"


def bench(ohms, disturbances="", imperfections=""):
    """The demonstration's bench without errors around an unequal ring."""
    lab = laboratory({})
    sample = (
        'kind = "sample"\nname = "ring"\ncontacts = ["a", "b", "c", "d"]\n'
        f'[model]\ntype = "network"\nresistors = {RING.format(*ohms)}\n'
    )
    return disturbed(Laboratory(lab.texts | {"sample": sample}), disturbances, imperfections)


def readings(lab, configuration, **settings):
    """Phases of readings: after switching on, after reversal."""
    rows = lab.of("bench")["wiring"]["rows"]
    closed = ",".join(f"{rows[row]}!{k}" for row, k in terminals(configuration).items())
    job = lab.texts | {"closed": f"(@{closed})", "guard": False} | settings
    done = subprocess.run([PROGRAM], input=json.dumps(job), capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def behind_a_barrier(lab, barrier, contact):
    """The circuit with the sample's own side of a contact apart, and the barrier between."""
    resistors, capacitors = parts(lab, "12,12", False, False)
    inside = f"{contact} inside"
    moved = [
        (kind, inside if kind == "sample" and a == contact else a, inside if kind == "sample" and b == contact else b, r)
        for kind, a, b, r in resistors
    ]
    moved.append(("leak", contact, inside, barrier["leak_ohm"]))
    # The sample's own side of each contact has a bare terminal's capacitance, as every node has.
    for node in lab.of("sample")["contacts"]:
        capacitors.append(("inside", inside if node == contact else node, GROUND, 0.1e-12))
    celsius = KELVIN - scipy.constants.zero_Celsius
    lines = [
        f"d0 {{{contact}}} {{{inside}}} barrier",
        f".model barrier d is={barrier['saturation_a']!r} n={barrier['ideality']!r} tnom={celsius!r}",
        f".options temp={celsius!r} tnom={celsius!r}",
    ]
    return moved, capacitors, lines


@pytest.mark.parametrize("current", [2e-8, 2e-9, 3e-10])
def test_a_contact_with_a_barrier_settles_as_a_diode_does(current):
    barrier = {"saturation_a": 3e-12, "ideality": 1.4, "leak_ohm": 2e8}
    written = "\n".join(f"{key} = {value!r}" for key, value in barrier.items())
    lab = bench(
        (8e7, 1.3e8, 2.1e8, 9e7),
        imperfections=f"[[model.imperfections.barrier]]\ncontact = 1\n{written}",
    )
    starts, aperture_plc = [0.005, 0.02, 0.06, 0.2, 0.6], 0.25
    phases = readings(
        lab, "12,12", current_a=current, starts_s=starts, phase_s=1.0, aperture_plc=aperture_plc
    )
    resistors, capacitors, lines = behind_a_barrier(lab, barrier, "a")
    initial = {node: 0.0 for _, node, _, _ in capacitors}
    for sign, phase in zip((1, -1), phases):
        circuit = {
            "resistors": [component[1:] for component in resistors],
            "capacitors": [component[1:] for component in capacitors],
            "currents": {"source_high": sign * current},
            "initial": initial,
            "lines": lines,
        }
        times, voltages = transient(circuit, phase["lasted_s"])
        sensed = voltages["sense_high"] - voltages["sense_low"]
        step = abs(sensed[-1] - sensed[0])
        for reading in phase["readings"]:
            window = np.linspace(reading["start_s"], reading["start_s"] + aperture_plc / 50.0, 2001)
            expected = np.trapezoid(np.interp(window, times, sensed), window) / (window[-1] - window[0])
            # What ngspice itself is good to here.
            assert abs(reading["voltage_v"] - expected) < 2e-5 * step, (sign, reading, expected)
        initial = {node: float(values[-1]) for node, values in voltages.items() if node != GROUND}


def test_johnson_noise_has_the_density_of_its_resistance_and_no_colour():
    ohms = (3e6, 4e6, 7e6, 11e6)
    lab = bench(ohms, disturbances="johnson_noise = true")
    count, every = 4000, 0.05
    starts = [round(1.0 + every * k, 3) for k in range(count)]
    phases = readings(
        lab, "12,43", current_a=1e-9, starts_s=starts, phase_s=1.0 + every * (count + 1), aperture_plc=1.0
    )
    for phase in phases:
        volts = np.array([reading["voltage_v"] for reading in phase["readings"]])
        # Between contacts 4 and 3: that side beside the three others.
        side = ohms[2]
        between = side * (sum(ohms) - side) / sum(ohms)
        density = 4 * scipy.constants.k * KELVIN * between
        variance = density / (2 * 0.02)
        # Variance of a sample variance of normal values: 2 / (n - 1).
        assert abs(volts.var(ddof=1) / variance - 1) < 5 * np.sqrt(2 / (count - 1))
        # A reading is a mean over its aperture, and readings are independent: their spectrum is flat.
        frequencies, power = scipy.signal.welch(volts - volts.mean(), fs=1 / every, nperseg=200, detrend=False)
        thirds = np.array_split(power[1:-1], 3)
        # Some 39 half-overlapping segments and 33 frequencies in each third.
        for third in thirds:
            assert abs(third.mean() / (2 * variance * every) - 1) < 5 * np.sqrt(1 / (0.5 * 39 * len(third)))


@pytest.mark.parametrize("cycles", [0.1, 0.5, 0.8, 1.0, 1.3, 2.0])
def test_the_mains_are_averaged_as_their_sinc(cycles):
    lab = bench((1e4, 1.5e4, 2.2e4, 3.3e4), disturbances="mains_v = 1e-3\nmains_a = 2e-8")
    starts = [round(0.05 + 0.041 * k, 3) for k in range(60)]
    (phase, _) = readings(
        lab, "12,43", current_a=1e-5, starts_s=starts, phase_s=3.0, aperture_plc=cycles
    )
    volts = np.array([reading["voltage_v"] for reading in phase["readings"]])
    begun = np.array([reading["start_s"] for reading in phase["readings"]])
    # Whatever the phase: a constant, and a sine and cosine at 50 Hz at the middle of each aperture.
    angle = 2 * np.pi * 50 * (begun + cycles / 100)
    fitted, *_ = np.linalg.lstsq(
        np.column_stack([np.ones_like(angle), np.sin(angle), np.cos(angle)]), volts, rcond=None
    )
    amplitude = 1e-3 + 2e-8 * 2.2e4 * 5.8e4 / 8e4
    assert np.hypot(fitted[1], fitted[2]) == pytest.approx(amplitude * abs(np.sinc(cycles)), abs=2e-9)
