"""Cryostat and magnet of the simulated bench against scipy: the same equations, written here from docs/simulated-bench.md
and solved by numerical integration, with a controller of their own.

Noise, digits, accuracy and operate times are set to zero. The sample follows its surroundings in steps of 1 mK and 1 uT,
which are the tolerances where the sample is compared; instruments are compared more closely.
"""

import json
import os
import subprocess
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

HERE = Path(__file__).resolve()
ROOT = HERE.parents[3]
PROGRAM = Path(os.environ.get("QUADRILLE_PLANT", ROOT / "target" / "debug" / "examples" / "plant"))
ROLES = ("current-source", "voltmeter", "ammeter", "switch-matrix", "temperature-controller", "field-source")

# Invented figures, none of them a default.
CRYOSTAT = {
    "bath_k": 90.0, "start_k": 250.0, "stage_j_per_k": 33.0, "sample_j_per_k": 3.0, "bath_w_per_k": 0.12,
    "sample_w_per_k": 0.25, "leak_w_per_k": 0.004, "heater_w": 40.0, "noise_k": 0.0, "resolution_k": 0.0,
    "gain_w_per_k": 2.0, "integral_s": 60.0, "derivative_s": 1.5, "cadence_s": 0.25,
}
MAGNET = {
    "inductance_h": 1.6, "resistance_ohm": 0.7, "compliance_v": 25.0, "remanence_t": 0.004, "hysteresis_a": 6.0,
    "noise_t": 0.0, "resolution_t": 0.0,
}
TESLA_PER_AMPERE = 0.025


def table(name, values):
    return f"[{name}]\n" + "".join(f"{key} = {value!r}\n" for key, value in values.items())


def instrument(role, port):
    return (
        f'[[instrument]]\nname = "{role}"\nrole = "{role}"\nresource = "TCPIP::127.0.0.1::{port}::SOCKET"\n'
        f'dialect = "{role}"\n'
    )


def looks(steps):
    """What the simulated bench shows: `steps` are (time, role, command) or (time,)."""
    if not PROGRAM.exists():
        pytest.fail(f"no program at {PROGRAM}: build the examples of the simulated bench, or set QUADRILLE_PLANT")
    read = lambda path: (ROOT / "config" / path).read_text(encoding="utf-8")  # noqa: E731
    bench = read("demo/bench.toml") + "\n" + table("simulation.cryostat", CRYOSTAT)
    bench += table("simulation.magnet", MAGNET)
    bench += instrument("temperature-controller", 5029) + instrument("field-source", 5030)
    bench += table("cryostat", {"lowest_k": 91.0, "highest_k": 400.0, "most_ramp_k_per_min": 90.0})
    bench += table(
        "magnet", {"field_t_per_a": TESLA_PER_AMPERE, "most_field_t": 0.8, "most_ramp_t_per_s": 1.0}
    )
    job = {"bench": bench, "sample": read("demo/standard-low.toml")}
    for role in ROLES:
        text = read(f"dialects/{role}.toml")
        for exact in ("operate_s = 0.01", "accuracy_k = 0.05", "of_reading = 1e-3", "accuracy_t = 1e-4"):
            if role in ROLES[4:]:
                text = text.replace(exact, exact.split("=")[0] + "= 0.0")
        job[role] = text
    job["steps"] = [
        {"at_s": step[0]} | ({"role": step[1], "command": step[2]} if len(step) > 1 else {}) for step in steps
    ]
    done = subprocess.run([PROGRAM], input=json.dumps(job), capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def thermal(_, state, watts):
    stage, sample = state
    c = CRYOSTAT
    flow = c["sample_w_per_k"] * (stage - sample)
    into_stage = watts - c["bath_w_per_k"] * (stage - c["bath_k"]) - flow
    into_sample = flow - c["leak_w_per_k"] * (sample - c["bath_k"])
    return [into_stage / c["stage_j_per_k"], into_sample / c["sample_j_per_k"]]


def controlled(settings, end_s):
    """Stage, sample and heater at each look of a controller. `settings`: (time, target in K, ramp in K/min); the first
    switches the heater on."""
    c, step = CRYOSTAT, CRYOSTAT["cadence_s"]
    state, watts = [c["start_k"]] * 2, 0.0
    integral, last, set_point = 0.0, None, c["start_k"]
    history = [(0.0, *state, 0.0)]
    for look in range(1, round(end_s / step) + 1):
        now = look * step
        solution = solve_ivp(thermal, (0.0, step), state, args=(watts,), rtol=1e-10, atol=1e-12)
        state = list(solution.y[:, -1])
        due = [one for one in settings if one[0] < now]
        if due:
            _, target, ramp = due[-1]
            move = ramp / 60.0 * step
            set_point += min(max(target - set_point, -move), move)
            error = set_point - state[0]
            slope = 0.0 if last is None else (state[0] - last) / step
            last = state[0]
            grown = integral + c["gain_w_per_k"] * error * step / c["integral_s"]
            wanted = c["gain_w_per_k"] * (error - c["derivative_s"] * slope) + grown
            watts = min(max(wanted, 0.0), c["heater_w"])
            pushes_on = (wanted > watts and error > 0.0) or (wanted < watts and error < 0.0)
            integral = integral if pushes_on else grown
        history.append((now, *state, 100.0 * watts / c["heater_w"]))
    return np.array(history)


def test_a_controlled_temperature_is_that_of_an_independent_integration():
    # Into saturation, over the top, and down again by the bath; settings between two looks.
    settings = [(0.1, 280.0, 60.0), (260.1, 200.0, 30.0)]
    times = [0.35 + 2.25 * k for k in range(300)]
    steps = [(0.1, "temperature-controller", "TEMP:SPO 280;RAMP 60;:OUTP ON")]
    steps += [(time,) for time in times if time < 260.0]
    steps += [(260.1, "temperature-controller", "TEMP:SPO 200;RAMP 30")]
    steps += [(time,) for time in times if time > 260.2]
    shown = looks(steps)
    history = controlled(settings, 700.0)
    heater = [one["heater_percent"] for one in shown]
    # Otherwise neither saturation nor its release was in it.
    assert max(heater) == 100.0 and min(heater) == 0.0
    for one in shown:
        look = int(np.floor(one["at_s"] / CRYOSTAT["cadence_s"] + 1e-9))
        _, stage, sample, percent = history[look]
        assert one["stage_k"] == pytest.approx(stage, abs=2e-6), one
        assert one["heater_percent"] == pytest.approx(percent, abs=1e-4), one
        rest = one["at_s"] - look * CRYOSTAT["cadence_s"]
        watts = percent / 100.0 * CRYOSTAT["heater_w"]
        if rest > 0.0:
            now = solve_ivp(thermal, (0.0, rest), [stage, sample], args=(watts,), rtol=1e-10, atol=1e-12)
            sample = now.y[1, -1]
        assert one["sample_k"] == pytest.approx(sample, abs=1.01e-3), one


def test_a_ramp_of_the_magnet_is_that_of_an_independent_integration_of_supply_and_iron():
    # To 0.75 T at 0.3 T/s: 12 A/s take 19.2 of the 25 V; then back through nothing, and up again.
    targets = [(1.0, 0.75, 0.3), (9.0, -0.5, 0.2), (20.0, 0.1, 0.2)]
    steps = []
    for time, target, rate in targets:
        steps.append((time, "field-source", f"FIEL {target};FIEL:RAMP {rate};:OUTP ON;:FIEL:STAR"))
    steps += [(0.05 + 0.31 * k,) for k in range(90)]
    steps.sort(key=lambda step: step[0])
    shown = looks(steps)
    m, step, widths = MAGNET, 1e-4, np.array([0.25, 0.5, 0.75, 1.0]) * MAGNET["hysteresis_a"] / 2.0
    current, stops, now, limited = 0.0, np.zeros(4), 0.0, 0
    for one in shown:
        while now < one["at_s"] - step / 2:
            due = [target for target in targets if target[0] < now + step / 2]
            if due:
                target, rate = due[-1][1] / TESLA_PER_AMPERE, due[-1][2] / TESLA_PER_AMPERE
                # Midpoint rule on dI/dt, within the ramp and the voltage.
                slope = lambda amperes: np.clip(  # noqa: E731
                    np.sign(target - current) * rate,
                    (-m["compliance_v"] - m["resistance_ohm"] * amperes) / m["inductance_h"],
                    (m["compliance_v"] - m["resistance_ohm"] * amperes) / m["inductance_h"],
                )
                change = step * slope(current + step / 2 * slope(current))
                limited += abs(change) < 0.999 * step * rate and abs(target - current) > abs(change)
                change = np.clip(change, -abs(target - current), abs(target - current))
                stops = np.clip(stops + change, -widths, widths)
                current += change
            now += step
        field = TESLA_PER_AMPERE * current - m["remanence_t"] * np.mean(stops / widths)
        # A step of the integration is 1.2 mA, and settings are taken within one of them.
        assert one["current_a"] == pytest.approx(current, abs=4e-3), one
        assert one["probe_t"] == pytest.approx(field, abs=4e-3 * 0.03), one
        assert one["field_t"] == pytest.approx(one["probe_t"], abs=1.01e-6), one
    # Otherwise the voltage limit was not in it.
    assert limited > 1000
