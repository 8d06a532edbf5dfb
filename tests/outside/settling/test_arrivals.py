"""When a leg has settled, against transients generated here with known truth, and one posterior in forty digits.

The rule is in docs/settling.md. Transients, noise (1/f noise by a Fourier transform) and the oracle are written here with
numpy; the posterior is computed here in the space of the readings, with dense covariances, where the program adds up
normal equations. Seeds are fixed.
"""

import concurrent.futures
import json
import math
import os
import subprocess
from pathlib import Path

import mpmath
import numpy as np
import pytest
from scipy.stats import norm

ROOT = Path(__file__).resolve().parents[3]
PROGRAM = Path(os.environ.get("QUADRILLE_ARRIVE", ROOT / "target" / "debug" / "examples" / "arrive"))
READING_S = 0.02
BIAS, UNCERTAINTY, LONGEST_S, LEVEL = 1e-4, 3e-4, 60.0, 1.0
WANTED = {
    "uncertainty": UNCERTAINTY, "bias": BIAS, "longest_wait_s": LONGEST_S, "not_before_s": 0.0, "strict": False,
    "legs": 1,
}
SEEDS = {"ordinary": 2000, "flicker": 2000, "absorption": 1000, "far": 1000}


class Watcher:
    """The example program, a line for a line."""

    def __init__(self):
        if not PROGRAM.exists():
            pytest.fail(f"no program at {PROGRAM}: build the examples of the settling crate, or set QUADRILLE_ARRIVE")
        self.process = subprocess.Popen([PROGRAM], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def ask(self, line):
        self.process.stdin.write(json.dumps(line) + "\n")
        self.process.stdin.flush()
        answer = self.process.stdout.readline()
        assert answer, f"no answer to {str(line)[:200]}"
        return json.loads(answer)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.stdin.close()
        self.process.wait(10)


class Leg:
    """Readings of exponentials (amplitudes, time constants) towards LEVEL; `noise` is what is added to them."""

    def __init__(self, amplitudes, taus, drift, noise):
        self.amplitudes, self.taus, self.drift, self.noise = np.array(amplitudes), np.array(taus), drift, noise

    def transient(self, begin, end):
        """Mean of the transient from `begin` to `end`, for arrays of them."""
        begin, end = np.atleast_1d(begin)[:, None], np.atleast_1d(end)[:, None]
        decayed = np.exp(-begin / self.taus) * -np.expm1(-(end - begin) / self.taus)
        return (decayed * self.taus / (end - begin)) @ self.amplitudes

    def level(self, at):
        return LEVEL + self.drift * at

    def readings(self, first, last):
        """Readings number `first` to `last`, as the program takes them."""
        begin = np.arange(first, last) * READING_S
        values = self.level(begin + READING_S / 2) + self.transient(begin, begin + READING_S)
        values = values + self.noise(first, last)
        return {"from_s": first * READING_S, "duration_s": READING_S, "values": values.tolist()}

    def oracle_s(self, white):
        """When a mean of as many readings as the noise needs may begin, from the truth, and its end."""
        length = READING_S * max(1, math.ceil((white / UNCERTAINTY) ** 2))
        begin = np.arange(0.0, LONGEST_S, READING_S)
        good = np.flatnonzero(np.abs(self.transient(begin, begin + length)) <= BIAS)
        return begin[good[0]] + length if len(good) else None


def log_uniform(random, low, high):
    return math.exp(random.uniform(math.log(low), math.log(high)))


def flicker(random, white, corner_hz, count):
    """1/f noise of readings whose white part has `white`: by its density at the frequencies of the record."""
    hz = np.fft.rfftfreq(count, READING_S)
    density = 2 * white**2 * READING_S * corner_hz / np.maximum(hz, hz[1])
    sizes = np.sqrt(density * count / (4 * READING_S)) * np.sinc(hz * READING_S)
    sizes[0] = 0.0
    phases = random.standard_normal(len(hz)) + 1j * random.standard_normal(len(hz))
    return np.fft.irfft(sizes * phases, count)


def drawn(random, kind):
    """One leg of a class, with what the program is told of it."""
    tau = log_uniform(random, 1e-3, 1.0)
    main = random.uniform(-2.0, -1.8) if random.random() < 0.5 else random.uniform(-2.0, 2.0)
    share, slower = log_uniform(random, 1e-4, 1e-2), log_uniform(random, 3.0, 30.0)
    share, slower = {"absorption": (0.05, slower), "far": (share, 100.0)}.get(kind, (share, slower))
    drift = log_uniform(random, 1e-7, 1e-5) * random.choice([-1.0, 1.0])
    white = log_uniform(random, 3e-5, 3e-3)
    corner = log_uniform(random, 0.05, 5.0) if kind == "flicker" else 0.0
    count = 4 * round(LONGEST_S / READING_S) if kind in ("far", "absorption") else 2 * round(LONGEST_S / READING_S)
    record = white * random.standard_normal(count)
    if corner:
        record += flicker(random, white, corner, count)
    leg = Leg([main, main * share], [tau, slower * tau], drift, lambda first, last: record[first:last])
    told = {
        "tau_s": tau * math.exp(math.log(3.0) * random.standard_normal()), "factor": 3.0, "floor_s": 1e-3,
        "noise": {"white": white, "over_s": READING_S, "corner_hz": corner, "drift_per_s": 3e-6},
        "wanted": WANTED, "step": main * (1 + share),
    }
    return leg, told, record


def watched(watcher, leg, told):
    """Readings until the verdict: the arrival, whether it is as wanted, and how many readings it took."""
    watcher.ask({"leg": told})
    first, until = 0, 0.0
    while True:
        last = max(first + 1, math.ceil(until / READING_S - 1e-6))
        answer = watcher.ask(leg.readings(first, last))
        first = last
        if "until_s" not in answer:
            arrival = answer.get("settled") or answer["gave_up"]
            return arrival, "settled" in answer and arrival["flagged"] is None, first
        until = answer["until_s"]


def outcome(watcher, kind, seed):
    random = np.random.default_rng([seed, *kind.encode()])
    leg, told, record = drawn(random, kind)
    arrival, fine, count = watched(watcher, leg, told)
    error, u = arrival["value"] - leg.level(arrival["at_s"]), arrival["u"]
    if kind == "flicker":
        # What is slower than a leg is common to a leg and its reversal.
        leg.noise = lambda first, last: record[count + first : count + last]
        other, also, _ = watched(watcher, leg, told)
        error, u = (error - other["value"] + leg.level(other["at_s"])) / 2, math.hypot(u, other["u"]) / 2
        fine = fine and also
    agrees = True
    if kind in ("far", "absorption") and fine:
        audit = watcher.ask({"hold": leg.readings(count, 4 * count)})
        agrees, u = audit["agrees"], audit["agreement"]["u"]
    return {
        "fine": fine and agrees,
        "bias": leg.transient(arrival["from_s"], arrival["to_s"])[0],
        "covered": abs(error) <= 2 * u,
        "ratio": count * READING_S / ideal if (ideal := leg.oracle_s(told["noise"]["white"])) else None,
    }


def outcomes(kind):
    """All seeds of a class, by two programs at once."""

    def part(k):
        with Watcher() as watcher:
            return [outcome(watcher, kind, seed) for seed in range(k, SEEDS[kind], 2)]

    with concurrent.futures.ThreadPoolExecutor(2) as pool:
        return [one for part in pool.map(part, range(2)) for one in part]


def share(values):
    return float(np.mean(list(values)))


def at_most(found, bound, count):
    """A share of `count` is not above its bound by more than chance allows at one in a thousand."""
    return found <= bound + norm.isf(1e-3) * math.sqrt(bound * (1 - bound) / count)


@pytest.mark.parametrize("kind, covered", [("ordinary", 0.93), ("flicker", 0.90)])
def test_legs_that_have_settled_are_where_they_are_said_to_be(kind, covered):
    stopped = [one for one in outcomes(kind) if one["fine"]]
    assert len(stopped) > 0.7 * SEEDS[kind]
    assert share(abs(one["bias"]) > BIAS for one in stopped) <= 0.05
    assert at_most(share(abs(one["bias"]) > 3 * BIAS for one in stopped), 0.005, len(stopped))
    assert share(one["covered"] for one in stopped) >= covered
    ratios = [one["ratio"] for one in stopped if one["ratio"]]
    median, most = np.quantile(ratios, [0.5, 0.9])
    assert median <= 4.0 and most <= 10.0, (median, most)


@pytest.mark.parametrize("kind", ["absorption", "far"])
def test_legs_outside_the_hypotheses_are_covered_or_flagged_after_an_audit(kind):
    assert share(one["covered"] or not one["fine"] for one in outcomes(kind)) >= 0.85


mpmath.mp.dps = 40


def dictionary(knowledge, first, longest_wait):
    shortest = max(knowledge["time_constants"][0] / 2, first[0] / 20, (first[1] - first[0]) / 40)
    count = math.ceil(math.log(5 * longest_wait / shortest) / math.log(1.35))
    return [shortest * 1.35**j for j in range(count + 1)]


def amplitude(x, shape):
    """Prior standard deviation of an exponential's amplitude by the step, x = ln(tau/tau_main)."""
    beginning, tail = shape
    beyond = {"single": abs(x), "several": max(x, -2.3 - x, 0.0)}[beginning]
    main = 0.7 * math.exp(-0.5 * (beyond / 0.36) ** 2)
    if "absorption" in tail:
        share_, reach = tail["absorption"]["share"], tail["absorption"]["reach"]
        outside = max(math.log(3) - x, x - math.log(reach), 0.0)
        return math.hypot(main, share_ * math.exp(-0.5 * (outside / 0.49) ** 2))
    return math.hypot(main, 0.7 * math.exp(-tail["power"]["exponent"] * x) if x > 0 else 0.0)


def log_mean(one, other):
    """Mean of ln|t - s| over two intervals, by the double integral's corners."""
    corner = lambda x: x * x * (mpmath.log(abs(x)) / 2 - mpmath.mpf(3) / 4) if x else mpmath.mpf(0)  # noqa: E731
    (a, b), (c, d) = [[mpmath.mpf(x) for x in pair] for pair in (one, other)]
    return (corner(d - a) - corner(c - a) - corner(d - b) + corner(c - b)) / ((b - a) * (d - c))


def posterior_bias(told, knowledge, intervals, values, window, ratio):
    """Mean and standard deviation of the transient's mean over the readings in `window`: readings and bias are jointly
    normal under each hypothesis, with covariances that follow from the prior; hypotheses are weighed by the density of
    what was read."""
    mp, noise, bias = mpmath.mpf, told["noise"], told["wanted"]["bias"]
    white, step = max(noise["white"], bias / 10), max(abs(told["step"]), 200 * bias)
    columns = dictionary(knowledge, intervals[0], told["wanted"]["longest_wait_s"])
    mean_of = lambda tau, a, b: mpmath.exp(-mp(a) / tau) * -mpmath.expm1(-(mp(b) - a) / tau) * tau / (mp(b) - a)  # noqa: E731
    exponentials = [[mean_of(mp(tau), a, b) for tau in columns] for a, b in intervals]
    inside = [k for k, (a, b) in enumerate(intervals) if a >= window[0] - 1e-9 and b <= window[1] + 1e-9]
    n = len(values)
    common = mpmath.matrix(n)
    for k in range(n):
        for m in range(n):
            middle = [mp(intervals[j][0] + intervals[j][1]) / 2 for j in (k, m)]
            common[k, m] = (1000 * mp(step)) ** 2 + mp(noise["drift_per_s"]) ** 2 * middle[0] * middle[1]
            if noise["corner_hz"]:
                strength = 2 * mp(white) ** 2 * noise["over_s"] * noise["corner_hz"] * ratio
                level = mpmath.log(20 * told["wanted"]["longest_wait_s"]) - mp(1) / 2
                common[k, m] += strength * (level - log_mean(intervals[k], intervals[m]))
        common[k, k] += mp(white) ** 2 * noise["over_s"] / (mp(intervals[k][1]) - intervals[k][0]) * ratio
    read = mpmath.matrix([mp(value) - values[0] for value in values])
    found = []
    for m, weight in enumerate(knowledge["weights"]):
        tau = max(knowledge["time_constants"][m // len(knowledge["shapes"])], columns[0])
        sizes = [step * amplitude(math.log(c / tau), knowledge["shapes"][m % len(knowledge["shapes"])]) for c in columns]
        kept = [j for j, size in enumerate(sizes) if size > 0.1 * bias]
        scaled = mpmath.matrix([[row[j] * mp(sizes[j]) for j in kept] for row in exponentials])
        seen = [sum(scaled[k, j] for k in inside) / len(inside) for j in range(len(kept))]
        seen = mpmath.matrix(seen)
        factor = mpmath.cholesky(common + scaled * scaled.T)
        half, cross = mpmath.lu_solve(factor, read), mpmath.lu_solve(factor, scaled * seen)
        density = -sum(mpmath.log(factor[k, k]) for k in range(n)) - (half.T * half)[0] / 2
        variance = (seen.T * seen)[0] - (cross.T * cross)[0]
        found.append((mpmath.log(mp(weight)) + density, (cross.T * half)[0], variance))
    most = max(one[0] for one in found)
    weighed = [(mpmath.exp(one[0] - most), one[1], one[2]) for one in found]
    total = sum(one[0] for one in weighed)
    weighed = [one for one in weighed if one[0] / total > 1e-4]
    total = sum(one[0] for one in weighed)
    mean = sum(w * b for w, b, _ in weighed) / total
    return float(mean), float(mpmath.sqrt(sum(w * (v + (b - mean) ** 2) for w, b, v in weighed) / total))


@pytest.mark.parametrize("kind, seed, count", [("ordinary", 1, 9), ("ordinary", 2, 14), ("flicker", 3, 12), ("far", 4, 18)])
def test_a_posterior_is_that_of_dense_algebra_in_forty_digits(kind, seed, count):
    leg, told, _ = drawn(np.random.default_rng([seed, *kind.encode()]), kind)
    # A good estimate, so that there are few hypotheses.
    told |= {"tau_s": leg.taus[0] * 1.2, "factor": 1.6, "wanted": WANTED | {"uncertainty": 1e-9}}
    with Watcher() as watcher:
        knowledge = watcher.ask({"leg": told})
        readings = leg.readings(0, count)
        watcher.ask(readings)
        arrival = watcher.ask({"look": True})["arrival"]
    assert arrival["seen"] == count and arrival["spikes"] == 0
    intervals = [(k * READING_S, (k + 1) * READING_S) for k in range(count)]
    window = (arrival["from_s"], arrival["to_s"])
    mean, deviation = posterior_bias(told, knowledge, intervals, readings["values"], window, arrival["noise_ratio"])
    assert arrival["bias"] == pytest.approx(mean, rel=0, abs=1e-6 * (deviation + abs(mean)))
    assert arrival["bias_u"] == pytest.approx(deviation, rel=1e-6)
