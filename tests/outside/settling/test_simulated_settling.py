"""The whole simulated bench settles as its circuit does: what its meters read over SCPI too early, against ngspice.

The netlist is written here from the documents and docs/simulated-bench.md, not by the program. Accuracy errors, noise,
thermoelectric voltages and bias currents are set to zero; the scatter of closed relays, 15 % of 1 ohm, is nothing beside
gigohms.
"""

import itertools
import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

HERE = Path(__file__).resolve()
ROOT = HERE.parents[3]
sys.path.insert(0, str(HERE.parents[1] / "network"))
from circuit_simulator import transient  # noqa: E402
from reference import GROUND  # noqa: E402

RING = [("c1", "c2", 4.7e9), ("c2", "c3", 6.8e9), ("c3", "c4", 10e9), ("c4", "c1", 15e9)]
CLOSED_OHM, OPEN_OHM, BURDEN_OHM, OUTPUT_OHM = 1.0, 1e15, 10.0, 1e15
INPUT_OHM, BUFFER_OHM = 1e10, 1e15
CABLE = {True: (0.2e-12, 1e15), False: (100e-12, 1e11)}
CURRENT_A = 100e-12
MAINS_HZ = 50.0
# Unguarded leads settle in seconds, guarded ones in milliseconds; a reading averages over a part of that.
TIMES = {True: dict(starts=[0.5e-3, 2e-3, 5e-3, 15e-3], phase=25e-3, plc=0.05), False: dict(starts=[0.5, 1.0, 3.0, 8.0], phase=12.0, plc=5.0)}


def quiet(text):
    """A dialect without errors, noise or delay."""
    for key in ("of_reading", "of_range", "noise_[av]_per_rthz", "bias_current_a", "thermoelectric_v", "operate_s"):
        text = re.sub(rf"^{key} = \S+", lambda found: found[0].split("=")[0] + "= 0.0", text, flags=re.M)
    return text


def simulated(configuration, guard, buffers):
    """Phases of readings of the simulated bench: after switching on, after reversal."""
    dialects = {
        role: quiet((ROOT / "config" / "dialects" / f"{role}.toml").read_text())
        for role in ("current-source", "voltmeter", "ammeter", "switch-matrix")
    }
    bench = (ROOT / "config" / "demo" / "bench.toml").read_text()
    bench, changed = re.subn(r"^bias_current_a = .*$", "bias_current_a = 0.0", bench, flags=re.M)
    assert changed == 1
    closed = [f"{row}!{contact}" for row, contact in enumerate(configuration, 1)] + (["5!1"] if buffers else [])
    job = {
        "bench": bench,
        "sample": (ROOT / "config" / "demo" / "standard-high.toml").read_text(),
        "closed": f"(@{','.join(closed)})",
        "guard": guard,
        "current_a": CURRENT_A,
        "aperture_plc": TIMES[guard]["plc"],
        "starts_s": TIMES[guard]["starts"],
        "phase_s": TIMES[guard]["phase"],
    } | dialects
    program = ROOT / "target" / "debug" / "examples" / "settle"
    done = subprocess.run([program], input=json.dumps(job), capture_output=True, text=True, timeout=60, check=True)
    return json.loads(done.stdout)


def circuit(configuration, guard, buffers):
    """Resistors and capacitors of the bench: four contacts with their columns, four rows."""
    capacitance, insulation = CABLE[guard]
    rows, contacts = ["r1", "r2", "r3", "r4"], ["c1", "c2", "c3", "c4"]
    joined = {(rows[k], f"c{contact}") for k, contact in enumerate(configuration)}
    resistors = list(RING)
    for row, contact in itertools.product(rows, contacts):
        resistors.append((row, contact, CLOSED_OHM if (row, contact) in joined else OPEN_OHM))
    resistors += [(node, GROUND, insulation) for node in rows + contacts]
    resistors += [("r1", GROUND, OUTPUT_OHM), ("r2", GROUND, BURDEN_OHM)]
    if buffers:
        resistors += [("r3", GROUND, BUFFER_OHM), ("r4", GROUND, BUFFER_OHM)]
    else:
        resistors.append(("r3", "r4", INPUT_OHM))
    return resistors, [(node, GROUND, capacitance) for node in rows + contacts]


def mean(times, values, start, length):
    """Mean of a waveform over a window, by the trapezium rule."""
    window = np.linspace(start, start + length, 2001)
    return np.trapezoid(np.interp(window, times, values), window) / length


@pytest.mark.parametrize("guard", [True, False], ids=["guard on", "guard off"])
@pytest.mark.parametrize("buffers", [True, False], ids=["buffers in", "buffers out"])
@pytest.mark.parametrize("configuration", [(1, 2, 4, 3), (2, 3, 1, 4)], ids=["12,43", "23,14"])
def test_early_readings_are_those_of_the_circuit(configuration, guard, buffers):
    resistors, capacitors = circuit(configuration, guard, buffers)
    length = TIMES[guard]["plc"] / MAINS_HZ
    initial = {node: 0.0 for node in ["r1", "r2", "r3", "r4", "c1", "c2", "c3", "c4"]}
    worst = early = 0.0
    for sign, phase in zip((1, -1), simulated(configuration, guard, buffers)):
        described = dict(resistors=resistors, capacitors=capacitors, currents={"r1": sign * CURRENT_A}, initial=initial)
        times, voltages = transient(described, phase["lasted_s"])
        sensed = voltages["r3"] - voltages["r4"]
        # Steps: what the sense voltage will change by, and twice the current at a reversal.
        step = abs(sensed[-1] - sensed[0])
        for reading in phase["readings"]:
            expected = mean(times, sensed, reading["start_s"], length)
            returned = mean(times, voltages["r2"], reading["start_s"], length) / BURDEN_OHM
            worst = max(worst, abs(reading["voltage_v"] - expected) / step)
            worst = max(worst, abs(reading["current_a"] - returned) / CURRENT_A)
            early = max(early, abs(expected - sensed[-1]) / step)
        initial = {node: float(values[-1]) for node, values in voltages.items() if node != GROUND}
    assert early > 0.01, "no reading was early enough to tell"
    assert worst < 1e-4, f"off by {worst:.2e} of the step"
