//! Rounds of 32 legs of one sample: eight configurations, four reversals each, with what is learnt going from leg to leg
//! and what earlier steps left behind.

use super::legs::{estimate, true_bias, watch_leg};
use super::oracle::oracle_s;
use super::truth::{Disturbance, Meter, READING_S, Truth, log_uniform, normal};
use quadrille_settling::transient::{Arrival, Kind, Knowledge, Noise, Wanted, Watch};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// One kind of sample; the level is 1.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sample {
    pub(crate) tau: f64,
    pub(crate) white: f64,
    pub(crate) uncertainty: f64,
    pub(crate) bias: f64,
    /// How well the time constant is known before the first leg.
    pub(crate) factor: f64,
}

/// How one leg of a round went.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Leg {
    pub(crate) seconds: f64,
    pub(crate) ideal_s: f64,
    pub(crate) fixed_s: f64,
    pub(crate) arrival: Arrival,
    pub(crate) bias: f64,
    pub(crate) error: f64,
    pub(crate) flagged: bool,
}

pub(crate) const LEGS: u32 = 32;
const PER_CONFIGURATION: usize = 4;
const LONGEST_S: f64 = 600.0;
const DRIFT: f64 = 1e-7;

/// What decays, as amplitudes and time constants, after the steps so far.
struct Memory {
    terms: Vec<(f64, f64)>,
}

impl Memory {
    fn step(&mut self, by: f64, shares: &[(f64, f64)]) {
        self.terms.extend(shares.iter().map(|(share, tau)| (-by * share, *tau)));
    }

    fn wait(&mut self, seconds: f64) {
        for (amplitude, tau) in &mut self.terms {
            *amplitude *= (-seconds / *tau).exp();
        }
        self.terms.retain(|(amplitude, _)| amplitude.abs() > 1e-12);
    }
}

/// A round; `fixed` is the wait, by the estimated time constant, of who always waits the same.
pub(crate) fn round(sample: Sample, seed: u64, fixed: f64) -> Vec<Leg> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let share = log_uniform(&mut random, 1e-4, 1e-2);
    let slower = log_uniform(&mut random, 3.0, 30.0);
    let mut knowledge = estimate(sample.tau, sample.factor, &mut random);
    let estimated = knowledge.time_constant().0;
    let mut memory = Memory { terms: Vec::new() };
    let (mut level, mut legs) = (0.0, Vec::new());
    for configuration in 0..LEGS as usize / PER_CONFIGURATION {
        let mut near = |spread: f64| (spread * normal(&mut random)).exp();
        let tau = sample.tau * near(0.15);
        let shares = [(1.0, tau), (share * near(0.2), tau * slower * near(0.2))];
        let size = 0.4 + 0.6 * random.random::<f64>();
        for turn in 0..PER_CONFIGURATION {
            let target = if (configuration + turn) % 2 == 0 { size } else { -size };
            memory.step(target - level, &shares);
            let step = target - level;
            level = target;
            let truth = Truth {
                terms: memory.terms.clone(),
                power: None,
                drift_per_s: 0.0,
                white: sample.white,
                disturbance: Disturbance::default(),
            };
            let (leg, learned) = leg(sample, &truth, &knowledge, step, seed * 100 + legs.len() as u64);
            knowledge = learned;
            memory.wait(leg.seconds);
            legs.push(Leg { fixed_s: fixed * estimated, ..leg });
        }
    }
    legs
}

fn leg(sample: Sample, truth: &Truth, knowledge: &Knowledge, step: f64, seed: u64) -> (Leg, Knowledge) {
    let noise = Noise { white: sample.white, over_s: READING_S, corner_hz: 0.0, drift_per_s: DRIFT };
    let wanted = Wanted {
        uncertainty: sample.uncertainty,
        bias: sample.bias,
        longest_wait_s: LONGEST_S,
        not_before_s: 0.0,
        strict: false,
        legs: LEGS,
    };
    let mut watch = Watch::new(knowledge, noise, wanted, step).unwrap();
    let mut meter = Meter::new(truth, seed);
    let (arrival, flagged) = watch_leg(&mut watch, &mut meter);
    let ideal_s = oracle_s(truth, sample.uncertainty * f64::from(LEGS).sqrt(), sample.bias, LONGEST_S);
    let leg = Leg {
        seconds: meter.at(),
        ideal_s: ideal_s.unwrap_or(LONGEST_S),
        fixed_s: 0.0,
        arrival,
        bias: true_bias(truth, &arrival),
        error: arrival.value - truth.level(arrival.at_s),
        flagged,
    };
    (leg, watch.learned())
}

/// Figures of many rounds, in a line.
pub(crate) fn row(rounds: &[Vec<Leg>], bias: f64) -> String {
    let all: Vec<&Leg> = rounds.iter().flatten().collect();
    let count = all.len() as f64;
    let share = |holds: &dyn Fn(&Leg) -> bool| all.iter().filter(|leg| holds(leg)).count() as f64 / count;
    let sum = |of: fn(&Leg) -> f64| all.iter().map(|leg| of(leg)).sum::<f64>();
    let (seconds, ideal, fixed) = (sum(|l| l.seconds), sum(|l| l.ideal_s), sum(|l| l.fixed_s));
    let mut each: Vec<f64> = rounds
        .iter()
        .map(|round| {
            round.iter().map(|l| l.seconds).sum::<f64>() / round.iter().map(|l| l.ideal_s).sum::<f64>()
        })
        .collect();
    each.sort_by(f64::total_cmp);
    format!(
        "flagged {:.3} false {:.3} >3 {:.4} cov {:.3} t/O {:.2} med {:.2} p90 {:.2}, over it {:.0} ms a leg, t/fixed {:.2} extrapolated {:.2}",
        share(&|l| l.flagged),
        share(&|l| !l.flagged && l.bias.abs() > bias),
        share(&|l| !l.flagged && l.bias.abs() > 3.0 * bias),
        share(&|l| l.error.abs() <= 2.0 * l.arrival.u),
        seconds / ideal,
        each[each.len() / 2],
        each[each.len() * 9 / 10],
        1e3 * (seconds - ideal) / count,
        seconds / fixed,
        share(&|l| l.arrival.kind == Kind::Extrapolated),
    )
}
