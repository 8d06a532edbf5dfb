"""What makes the simulated bench hard to measure on, through its devices: absorption and barriers against ngspice,
Johnson noise by its variance and its spectrum, the mains by the transfer function of a mean.

Netlists and formulas are written here from docs/simulated-bench.md, not by the program. Figures are invented.
"""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import test_simulated_settling as bench
from scipy.signal import welch

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "network"))
from circuit_simulator import Names, ngspice, transient  # noqa: E402
from reference import GROUND  # noqa: E402

BOLTZMANN = 1.380649e-23  # SI
ROOM_K = 295.0
BARE_F = 0.1e-12
CONFIGURATION = "12,43"


def laboratory(disturbances=(), imperfections="", changes=None):
    """The demonstration without errors, with keys of `[simulation.disturbances]` and `[model.imperfections]`."""
    lab = bench.laboratory(changes or {})
    lab.texts["bench"] += "\n[simulation.disturbances]\n" + "\n".join(disturbances) + "\n"
    lab.texts["sample"] += "\n[model.imperfections]\n" + imperfections + "\n"
    return lab


def readings(lab, starts_s, aperture_plc, current_a=bench.CURRENT_A, phase_s=0.0, configuration=CONFIGURATION):
    """Phases of readings, guard not driven and buffers in: after switching on, after reversal."""
    wiring = lab.of("bench")["wiring"]
    on = bench.terminals(configuration)
    closed = [f"{wiring['rows'][row]}!{wiring['columns'][k - 1]}" for row, k in on.items()]
    closed.append(wiring["buffers"]["crosspoint"])
    job = {"closed": f"(@{','.join(closed)})", "guard": False, "current_a": current_a, "starts_s": list(starts_s)}
    job |= {"aperture_plc": aperture_plc, "phase_s": phase_s} | lab.texts
    done = subprocess.run(
        [bench.PROGRAM], input=json.dumps(job), capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def series(phase, key):
    return np.array([reading[key] for reading in phase["readings"]])


# Absorption: every cable has a second capacitance behind a resistor.

STARTS = [0.2, 0.5, 1.0, 3.0, 8.0, 15.0]
PHASE_S = 20.0
LENGTH_S = 0.1  # five power-line cycles of 50 Hz


def compare(lab, resistors, capacitors, solve):
    """Largest difference of the voltage from a transient of the circuit, in steps, in both phases."""
    initial = {node: 0.0 for node, _, _ in capacitors}
    off = []
    for sign, phase in zip((1, -1), readings(lab, STARTS, 5.0, phase_s=PHASE_S)):
        drive = {"source_high": sign * bench.CURRENT_A}
        circuit = {"resistors": resistors, "capacitors": capacitors, "currents": drive, "initial": initial}
        times, voltages = solve(circuit, phase["lasted_s"])
        sensed = voltages["sense_high"] - voltages["sense_low"]
        expected = [bench.mean(times, sensed, start, LENGTH_S) for start in series(phase, "start_s")]
        off.append(np.abs(series(phase, "voltage_v") - expected).max() / abs(sensed[-1] - sensed[0]))
        initial = {node: float(values[-1]) for node, values in voltages.items() if node != GROUND}
    return max(off)


def soaking(part, time_s):
    """Parts of the demonstration with what soaks in each cable."""
    named = bench.parts(laboratory(), CONFIGURATION, False, True)
    resistors, capacitors = ([component[1:] for component in components] for components in named)
    for node, _, farad in list(capacitors):
        resistors.append((node, f"soak {node}", time_s / (part * farad)))
        capacitors.append((f"soak {node}", GROUND, part * farad))
    return resistors, capacitors


def test_a_cable_that_absorbs_settles_as_its_two_capacitances_do():
    lab = laboratory(["absorption = 0.05", "absorption_s = 4.0"])
    off = compare(lab, *soaking(0.05, 4.0), transient)
    assert off < bench.TOLERANCE, f"off by {off:.2e} of the step"


@pytest.mark.parametrize("part, time_s", [(0.055, 4.0), (0.05, 4.4)])
def test_an_absorption_that_is_a_tenth_wrong_is_noticed(part, time_s):
    off = compare(laboratory(["absorption = 0.05", "absorption_s = 4.0"]), *soaking(part, time_s), transient)
    assert off > 3 * bench.TOLERANCE, f"only {off:.2e} of the step"


# Barriers: a diode with a resistor beside it between a contact and the sample.

# What ngspice itself is good to here.
BARRIER_TOLERANCE = 2e-5
BARRIERS = {1: (1e-14, 1.2, 2e10), 3: (4e-14, 1.5, 7e9)}


def barred(barriers):
    """`[[model.imperfections.barrier]]` of each contact."""
    keys = ("contact", "saturation_a", "ideality", "leak_ohm")
    entry = "[[model.imperfections.barrier]]\n{}"
    lines = ("\n".join(f"{key} = {value}" for key, value in zip(keys, (k, *values))) for k, values in barriers.items())
    return "\n".join(entry.format(text) for text in lines)


def with_diodes(barriers):
    """Parts with the sample behind its barriers, and the solver of a circuit with these diodes."""
    lab = laboratory()
    contacts = lab.of("sample")["contacts"]
    inside = {contacts[k - 1]: f"inside {k}" for k in barriers}
    named, capacitors = bench.parts(lab, CONFIGURATION, False, True)
    resistors = [
        tuple(inside.get(node, node) if kind == "sample" else node for node in nodes) + (ohm,)
        for kind, *nodes, ohm in named
    ]
    capacitors = [component[1:] for component in capacitors]
    # Each contact's own side has a bare terminal's capacitance.
    capacitors += [(inside.get(contact, contact), GROUND, BARE_F) for contact in contacts]
    resistors += [(contacts[k - 1], f"inside {k}", leak) for k, (_, _, leak) in barriers.items()]

    def solve(circuit, stop, steps=20000):
        names = Names(circuit["resistors"] + circuit["capacitors"], GROUND)
        vectors = " ".join(f"v({names.place[node]})" for node in names.given)
        lines = names.lines("r", circuit["resistors"]) + names.lines("c", circuit["capacitors"])
        for k, (saturation, ideality, _) in barriers.items():
            lines.append(f"d{k} {names.place[contacts[k - 1]]} {names.place[f'inside {k}']} m{k}")
            lines.append(f".model m{k} d(is={saturation!r} n={ideality!r})")
        drives = enumerate(circuit["currents"].items())
        lines += [f"i{k} 0 {names.place[node]} dc {ampere!r}" for k, (node, ampere) in drives]
        lines += [f".ic v({names.place[node]})={volt!r}" for node, volt in circuit["initial"].items()]
        step = stop / steps
        celsius = ROOM_K - 273.15
        lines += [
            ".options reltol=1e-8 abstol=1e-20 vntol=1e-12 chgtol=1e-24 trtol=1 gmin=1e-20 method=gear maxord=2",
            f".options temp={celsius!r} tnom={celsius!r}",
            ".control",
            "set numdgt=12",
            "set wr_singlescale",
            f"tran {step!r} {stop!r} 0 {step!r} uic",
            f"wrdata data {vectors}",
            ".endc",
        ]
        data = ngspice(lines)
        return data[:, 0], dict(zip(names.given, data[:, 1:].T))

    return resistors, capacitors, solve


def test_contacts_with_barriers_settle_and_rest_as_diodes_do():
    off = compare(laboratory(imperfections=barred(BARRIERS)), *with_diodes(BARRIERS))
    assert off < BARRIER_TOLERANCE, f"off by {off:.2e} of the step"


@pytest.mark.parametrize(
    "contact, wrong",
    [(1, (1e-14, 1.25, 2e10)), (1, (1.3e-14, 1.2, 2e10)), (3, (4e-14, 1.5, 7.3e9))],
)
def test_a_barrier_that_is_wrong_is_noticed(contact, wrong):
    off = compare(laboratory(imperfections=barred(BARRIERS)), *with_diodes(BARRIERS | {contact: wrong}))
    assert off > 2 * BARRIER_TOLERANCE, f"only {off:.2e} of the step"


# All of it at once, and a source that settles.

SOURCE_S, SOAKING = 0.3, (0.05, 4.0)


def everything(source_s=SOURCE_S, soaking_part=SOAKING[0], barriers=BARRIERS):
    """Largest difference of the voltage from ngspice in both phases, in steps, for figures that may be wrong."""
    lab = laboratory(
        [f"absorption = {SOAKING[0]}", f"absorption_s = {SOAKING[1]}", f"source_s = {SOURCE_S}"], barred(BARRIERS)
    )
    resistors, capacitors, _ = with_diodes(barriers)
    inside = {f"inside {k}" for k in barriers}
    for node, _, farad in [each for each in capacitors if each[0] not in inside and each[2] > BARE_F]:
        resistors.append((node, f"soak {node}", SOAKING[1] / (soaking_part * farad)))
        capacitors.append((f"soak {node}", GROUND, soaking_part * farad))
    contacts = laboratory().of("sample")["contacts"]
    lines = [f".options temp={ROOM_K - 273.15!r} tnom={ROOM_K - 273.15!r}"]
    for k, (saturation, ideality, _) in barriers.items():
        lines.append(f"d{k} {{{contacts[k - 1]}}} {{inside {k}}} m{k}")
        lines.append(f".model m{k} d(is={saturation!r} n={ideality!r})")
    initial, off, before = {node: 0.0 for node, _, _ in capacitors}, [], 0.0
    for sign, phase in zip((1, -1), readings(lab, [0.02, *STARTS], 5.0, phase_s=PHASE_S)):
        after = sign * bench.CURRENT_A
        source = f"bsource 0 {{source_high}} i={after!r}+({before - after!r})*exp(-time/{source_s!r})"
        circuit = {"resistors": resistors, "capacitors": capacitors, "currents": {}, "initial": initial}
        times, voltages = transient(circuit | {"lines": [*lines, source]}, phase["lasted_s"], steps=40000)
        sensed = voltages["sense_high"] - voltages["sense_low"]
        expected = [bench.mean(times, sensed, start, LENGTH_S) for start in series(phase, "start_s")]
        off.append(np.abs(series(phase, "voltage_v") - expected).max() / abs(sensed[-1] - sensed[0]))
        initial = {node: float(values[-1]) for node, values in voltages.items() if node != GROUND}
        before = after
    return max(off)


def test_barriers_absorption_and_a_settling_source_go_together_as_in_one_circuit():
    off = everything()
    assert off < BARRIER_TOLERANCE, f"off by {off:.2e} of the step"


@pytest.mark.parametrize(
    "wrong", [{"source_s": 0.303}, {"soaking_part": 0.051}, {"barriers": BARRIERS | {1: (1.05e-14, 1.2, 2e10)}}]
)
def test_one_wrong_figure_among_all_of_it_is_noticed(wrong):
    off = everything(**wrong)
    assert off > 2 * BARRIER_TOLERANCE, f"only {off:.2e} of the step"


# Noise of resistors. A ring of four, read without current to speak of, over and over.

RING_OHM = {"a b": 4.7e6, "b c": 6.8e6, "c d": 10e6, "d a": 15e6}
COUNT = 2000


def ring(scale=1.0):
    links = (f'["{name[0]}", "{name[2]}", {ohm * scale}]' for name, ohm in RING_OHM.items())
    return f"resistors = [{', '.join(links)}]"


def sensed_ohm(scale=1.0):
    """Between contacts 4 and 3, which 12,43 senses: 10 Mohm beside the other three."""
    others = sum(ohm for name, ohm in RING_OHM.items() if name != "c d")
    return scale / (1 / RING_OHM["c d"] + 1 / others)


def noisy(scale=1.0, johnson=True):
    lab = laboratory([f"johnson_noise = {str(johnson).lower()}"])
    before, _, after = lab.texts["sample"].partition("resistors = ")
    lab.texts["sample"] = before + ring(scale) + after[after.index("]]") + 2 :]
    return lab


def noise(lab, aperture_plc, every_s, settled_s=2.0):
    """Voltages at even times after each change, from when all has settled, without their mean."""
    starts = settled_s + every_s * np.arange(COUNT)
    voltages = [series(phase, "voltage_v") for phase in readings(lab, starts, aperture_plc, current_a=1e-10)]
    return [each - each.mean() for each in voltages]


def test_johnson_noise_over_a_long_aperture_has_the_variance_of_nyquist():
    # 0.1 s against 100 pF times some 7 Mohm: 4 k T R over a bandwidth of 1/2T, less RC/T of it.
    values = np.concatenate(noise(noisy(), 5.0, 0.1))
    time_s = sensed_ohm() * 100e-12
    expected = 4 * BOLTZMANN * ROOM_K * sensed_ohm() / (2 * 0.1) * (1 - time_s / 0.1)
    # The variance of so many normal values is known to sqrt(2/N): 2.2 %; three of these.
    assert np.var(values) == pytest.approx(expected, rel=3 * np.sqrt(2 / values.size))


def test_johnson_noise_is_no_more_than_the_capacitance_lets_through():
    # 0.2 ms against 0.7 s: k T / C, whatever the resistance. Two cables of 100 pF on either side, in series.
    values = np.concatenate(noise(noisy(1000.0), 0.01, 0.001, settled_s=90.0))
    found = np.var(values - values.mean())
    assert found == pytest.approx(BOLTZMANN * ROOM_K / 100e-12, rel=3 * np.sqrt(2 / values.size) + 2e-3)


def test_johnson_noise_is_white_with_the_density_of_nyquist():
    aperture_s = 0.1
    for values in noise(noisy(), 5.0, aperture_s):
        # Apertures end to end: below the first zero of the mean's transfer function all of it is folded in, so that
        # the density of the readings is 4 k T R at every frequency.
        _, density = welch(values, fs=1 / aperture_s, nperseg=100, noverlap=0, window="boxcar", detrend=False)
        inner = density[1:-1]
        expected = 4 * BOLTZMANN * ROOM_K * sensed_ohm()
        segments = COUNT // 100
        # Each of the mean of `segments` values with two degrees of freedom: 1/sqrt(segments).
        assert inner.mean() == pytest.approx(expected, rel=3 / np.sqrt(segments * inner.size))
        scatter = inner.std() / inner.mean() * np.sqrt(segments)
        assert scatter == pytest.approx(1.0, abs=0.35), "not white, or not normal"
        slow, fast = inner[: inner.size // 2], inner[inner.size // 2 :]
        assert slow.mean() / fast.mean() == pytest.approx(1.0, abs=3 * np.sqrt(2 / (segments * slow.size)))


def test_no_johnson_noise_where_none_is_written():
    for values in noise(noisy(johnson=False), 5.0, 0.1):
        assert np.abs(values).max() < 1e-12


# The mains: a sine of the line's frequency, averaged over a part of its cycle.

MAINS_V, MAINS_A = 2e-3, 3e-10


def pickup(starts, aperture_plc):
    """What the mains add to readings at these times: beginnings and volts of each phase."""
    quiet, mains = noisy(johnson=False), noisy(johnson=False)
    keys = f"mains_v = {MAINS_V}\nmains_a = {MAINS_A}"
    mains.texts["bench"] = mains.texts["bench"].replace("johnson_noise = false", keys)
    pairs = zip(readings(mains, starts, aperture_plc), readings(quiet, starts, aperture_plc))
    return [(series(a, "start_s"), series(a, "voltage_v") - series(b, "voltage_v")) for a, b in pairs]


@pytest.mark.parametrize("aperture_plc", [0.05, 0.3, 0.5, 1.3, 2.5])
def test_the_mains_are_seen_through_the_mean_over_the_aperture(aperture_plc):
    amplitude = MAINS_V + MAINS_A * sensed_ohm()
    for starts, added in pickup(1.0 + 0.057 * np.arange(60), aperture_plc):
        middle = 2 * np.pi * 50 * (starts + aperture_plc / 100)
        waves = np.column_stack([np.sin(middle), np.cos(middle)])
        fitted, *_ = np.linalg.lstsq(waves, added, rcond=None)
        assert np.hypot(*fitted) == pytest.approx(amplitude * abs(np.sinc(aperture_plc)), rel=1e-4)
        assert np.abs(waves @ fitted - added).max() < 1e-4 * amplitude


@pytest.mark.parametrize("aperture_plc", [1, 3])
def test_the_mains_vanish_over_whole_cycles(aperture_plc):
    for _, added in pickup(1.0 + 0.087 * np.arange(30), aperture_plc):
        assert np.abs(added).max() < 1e-9 * MAINS_V
