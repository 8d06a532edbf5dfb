"""Verdicts of stability against plants that scipy solves: linear ones by their poles, a heater with its limits and
radiation under a controller by numerical integration, and a thermostat that switches and never stops oscillating.

The program sees readings of a thermometer twice a second; whether what it said came true is judged here from the true
temperature. One verdict of twenty may be wrong: the temperature then leaves the band about its mean over the window within
the time wanted after it. By twice the band it may never leave.
"""

import json

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.signal import lsim, lti

from programs import built, run

BAND_K = 0.02
RATE_HZ = 2.0


@pytest.fixture(scope="module")
def watch():
    """What the program says of several series of readings."""
    path = built("QUADRILLE_STABILITY", "examples/stability")
    return lambda series: run(path, stdin=json.dumps(series), timeout=300).json


def series(times, values, time_s, target=None, sd=None, quantum=0.0):
    if quantum:
        values = np.round(values / quantum) * quantum
    return {
        "band": BAND_K, "time_s": time_s, "target": target, "sd": sd, "quantum": quantum,
        "times_s": times.tolist(), "values": values.tolist(),
    }


def excursion(times, truth, verdict, time_s):
    """How far the truth gets from its mean over the window of a verdict in the time after it, in bands."""
    at, window = verdict["at_s"], verdict["window_s"]
    mean = truth[(times >= at - window) & (times <= at)].mean()
    after = truth[(times >= at) & (times <= at + time_s)]
    return np.abs(after - mean).max() / BAND_K


def hold(watch, plants, time_s, **sensor):
    """Most verdicts came true, none was far out, and each plant was called stable in the end."""
    rng = np.random.default_rng(20 + int(time_s))
    asked = []
    for times, truth in plants:
        noise = np.exp(rng.uniform(np.log(0.5e-3), np.log(10e-3)))
        asked.append(series(times, truth + noise * rng.standard_normal(len(times)), time_s, **sensor))
    answers = watch(asked)
    firsts = [answer["stable"][0] if answer["stable"] else None for answer in answers]
    assert None not in firsts, firsts.index(None)
    far = np.array([excursion(t, y, first, time_s) for (t, y), first in zip(plants, firsts)])
    assert (far > 1).mean() <= 0.05, np.sort(far)[-10:]
    assert far.max() <= 2
    return firsts


def linear(seed):
    """Two poles and, in every other plant, a slow third: its answer to a step of the set point."""
    rng = np.random.default_rng(seed)
    step = rng.choice([-1, 1]) * np.exp(rng.uniform(np.log(2), np.log(20)))
    damping = rng.uniform(0.25, 0.9)
    wave = 2 * np.pi / np.exp(rng.uniform(np.log(30), np.log(300)))
    natural = wave / np.sqrt(1 - damping**2)
    part, slow = (rng.uniform(0.005, 0.03), np.exp(rng.uniform(np.log(100), np.log(1000)))) if seed % 2 else (0, 1)
    times = np.arange(0, 3000, 1 / RATE_HZ)
    poles = lti([natural**2], [1, 2 * damping * natural, natural**2]), lti([1], [slow, 1])
    fast, late = (lsim(pole, np.full(len(times), step), times)[1] for pole in poles)
    return times, 300 + (1 - part) * fast + part * late


def heated(seed):
    """A stage that conducts to its bath and radiates, heated within limits by a controller of two terms that knows the
    temperature through a slow thermometer; the set point goes by a ramp."""
    rng = np.random.default_rng(1000 + seed)
    capacity, conductance = rng.uniform(20, 80), rng.uniform(0.05, 0.3)
    bath, begin, end = 77.0, rng.uniform(120, 280), rng.uniform(120, 280)
    lag, ramp = rng.uniform(1, 6), rng.uniform(1, 10) / 60
    loop = rng.uniform(4, 8) * lag
    gain, integral, most = capacity / loop, rng.uniform(4, 10) * loop, 60.0
    radiated = 5e-11

    def loss(kelvin):
        return conductance * (kelvin - bath) + radiated * (kelvin**4 - bath**4)

    def change(t, state):
        stage, seen, summed = state
        target = begin + np.sign(end - begin) * min(ramp * t, abs(end - begin))
        wanted = gain * (target - seen) + summed
        power = min(max(wanted, 0), most)
        # The sum stands still while the heater is at its end.
        growth = gain / integral * (target - seen) if wanted == power else 0.0
        return [(power - loss(stage)) / capacity, (stage - seen) / lag, growth]

    times = np.arange(0, abs(end - begin) / ramp + 2500, 1 / RATE_HZ)
    done = solve_ivp(change, (0, times[-1]), [begin, begin, loss(begin)], t_eval=times, rtol=1e-8, atol=1e-8, max_step=2)
    return times, done.y[0], end


@pytest.mark.parametrize("time_s", [20.0, 60.0])
def test_linear_plants_that_are_called_stable_stay_so(watch, time_s):
    hold(watch, [linear(seed) for seed in range(100)], time_s)


@pytest.mark.parametrize("time_s", [20.0, 60.0])
@pytest.mark.parametrize("quantum", [1e-3, 10e-3])
def test_digits_of_the_thermometer_hide_nothing(watch, time_s, quantum):
    hold(watch, [linear(seed) for seed in range(40)], time_s, quantum=quantum)


@pytest.mark.parametrize("time_s", [20.0, 60.0])
def test_a_heated_stage_that_is_called_stable_stays_so_and_is_where_it_should_be(watch, time_s):
    plants = [heated(seed) for seed in range(40)]
    rng = np.random.default_rng(9)
    asked = [series(t, y + 2e-3 * rng.standard_normal(len(t)), time_s, target=end, sd=2e-3) for t, y, end in plants]
    wrong = 0
    for (times, truth, end), answer in zip(plants, watch(asked)):
        assert answer["stable"]
        first = answer["stable"][0]
        far = excursion(times, truth, first, time_s)
        assert far <= 2
        wrong += far > 1
        after = (times >= first["at_s"]) & (times <= first["at_s"] + time_s)
        assert np.abs(truth[after] - end).max() <= 1.5 * BAND_K
    assert wrong <= 2


def thermostat(amplitude, heating_s, seed):
    """A heater that is switched on below a level and off above another: exponentials between two ends, exactly; with the
    amplitude that is asked for. Heating and cooling take different times."""
    rng = np.random.default_rng(seed)
    constant, hot = 20 * heating_s, rng.uniform(0.3, 0.7)
    # From -a to a towards an end e takes c ln((e + a)/(e - a)).
    reach = amplitude / np.tanh(heating_s / (2 * constant))
    ends = (reach, -reach * hot)
    switches = [(0.0, -amplitude, ends[0])]
    while switches[-1][0] < 3000:
        begin, level, end = switches[-1]
        switches.append((begin + constant * np.log((end - level) / (end + level)), -level, ends[len(switches) % 2]))
    times = np.arange(0, 2500, 1 / RATE_HZ)
    starts = np.array([switch[0] for switch in switches])
    which = np.searchsorted(starts, times, side="right") - 1
    begin, level, end = (np.array([switch[k] for switch in switches])[which] for k in range(3))
    truth = 300 + end + (level - end) * np.exp(-(times - begin) / constant)
    return times, truth, starts[2] - starts[0]


@pytest.mark.parametrize("heating_s", [17.0, 41.0, 90.0])
@pytest.mark.parametrize("time_s", [20.0, 60.0])
def test_a_thermostat_is_stable_where_it_stays_within_the_band_and_nowhere_else(watch, heating_s, time_s):
    rng = np.random.default_rng(int(heating_s))
    bands = (0.2, 0.5, 0.7, 1.2, 2.0, 4.0)
    plants = [thermostat(part * BAND_K, heating_s, k) for k, part in enumerate(bands)]
    asked = [series(t, y + 5e-4 * rng.standard_normal(len(t)), time_s, target=300.0) for t, y, _ in plants]
    for part, (times, _, period), answer in zip(bands, plants, watch(asked)):
        late = [verdict for verdict in answer["stable"] if verdict["at_s"] > 3 * period + 1.5 * time_s]
        if part > 1:
            assert not late, (part, late[0])
        else:
            assert late, part
            assert late[-1]["worst"] >= 0.9 * part * BAND_K or part < 0.3
