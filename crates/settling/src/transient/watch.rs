//! The readings of one leg, and when to stop.

use super::bank::{Bank, Window};
use super::blocks::{Block, Blocks};
use super::neighbours::{Neighbours, Sample};
use super::posterior::{Level, Posterior, Prior, Scales, Spread, freedom, priors};
use super::together::CONFIDENT;
use super::{Arrival, Kind, Knowledge, Noise, Reason, Unusable, Verdict, Wanted};

/// Where windows begin, by the length of the leg.
const WINDOWS: [f64; 7] = [0.0, 0.06, 0.125, 0.25, 0.5, 0.7, 0.85];
/// Fewest readings, on the first leg and when something has been learnt.
const FEWEST: (u32, u32) = (5, 3);
/// The step is taken to be at least this many times the allowed bias: what is not expected may still come.
const LEAST_STEP: f64 = 200.0;
/// An extrapolated value may differ from the mean of the readings by so many times the allowed bias.
const FARTHEST: f64 = 3.0;
/// And only where its variance from noise is below so many times the square of that.
const QUIET: f64 = 0.25;
/// Which of the windows an extrapolated value is held against, and for whose middle it is meant.
const LAST_HALF: usize = 4;
/// White noise is taken to be at least this part of the allowed bias, or the equations would be singular.
const LEAST_NOISE: f64 = 0.1;
/// More misfit than this is none of the hypotheses' doing.
const MOST_MISFIT: f64 = 4.0;
/// Hypotheses with less weight than this are looked at in each so many-th judgement only.
const OUT: f64 = 1e-5;
const ALL_EACH: u32 = 10;

/// Watches one leg: takes readings as they come and says when to stop.
#[derive(Clone, Debug)]
pub struct Watch {
    knowledge: Knowledge,
    noise: Noise,
    wanted: Wanted,
    step: f64,
    neighbours: Neighbours,
    blocks: Blocks,
    bank: Option<(Bank, Vec<Prior>)>,
    seen: u32,
    accepted: u32,
    last_s: f64,
    /// Whether a block was ended since the last judgement.
    fresh: bool,
    weights: Option<Vec<f64>>,
    judged: u32,
}

impl Watch {
    /// Before the first reading after a change by about `step` (its sign does not matter).
    ///
    /// # Errors
    /// Where a number of `noise`, `wanted` or `step` cannot be.
    pub fn new(knowledge: &Knowledge, noise: Noise, wanted: Wanted, step: f64) -> Result<Self, Unusable> {
        noise.check()?;
        wanted.check()?;
        Unusable::unless(step.is_finite(), "step", step, "a number")?;
        let white = noise.white.max(LEAST_NOISE * wanted.bias);
        let noise = Noise { white, ..noise };
        Ok(Self {
            knowledge: knowledge.clone(),
            noise,
            wanted,
            step: step.abs().max(LEAST_STEP * wanted.bias),
            neighbours: Neighbours::new(noise),
            blocks: Blocks::default(),
            bank: None,
            seen: 0,
            accepted: 0,
            last_s: wanted.not_before_s,
            fresh: false,
            weights: None,
            judged: 0,
        })
    }

    /// A reading that averaged the signal for `duration_s` from `begun_s` after the change. Apertures may differ and readings
    /// may be missing. What is no number, began too early or before the last one's end is not looked at.
    pub fn push(&mut self, begun_s: f64, duration_s: f64, value: f64) {
        let end_s = begun_s + duration_s;
        let usable = value.is_finite() && end_s.is_finite() && duration_s > 0.0;
        if !usable || begun_s < self.wanted.not_before_s || begun_s < self.last_s - 1e-3 * duration_s {
            return;
        }
        self.seen += 1;
        self.last_s = end_s;
        for sample in self.neighbours.sift(Sample { from: begun_s, to: end_s, value }) {
            self.accepted += 1;
            for block in self.blocks.take(&sample) {
                self.take(block);
            }
        }
    }

    /// Whether the next verdict rests on more than the one before it.
    pub fn is_due(&self) -> bool {
        let enough = self.accepted >= if self.knowledge.legs() == 0 { FEWEST.0 } else { FEWEST.1 };
        self.last_s >= self.wanted.longest_wait_s || self.fresh && enough
    }

    /// What to do now. Costs something only where a block of readings has been ended since the last question.
    pub fn verdict(&mut self) -> Verdict {
        let over = self.last_s >= self.wanted.longest_wait_s;
        let go_on = Verdict::GoOn { until_s: self.blocks.next_end_s().min(self.wanted.longest_wait_s) };
        if !self.is_due() {
            return go_on;
        }
        if over {
            self.close();
        }
        self.fresh = false;
        self.judged += 1;
        let ends = |arrival: &Arrival| {
            over || matches!(arrival.flagged, None | Some(Reason::Misfit | Reason::BelowFlicker))
        };
        // What ends a leg is judged with all hypotheses; in between those that are long out are looked at now and then.
        let all = over || self.judged % ALL_EACH == 1;
        match self.judge(all) {
            Some(arrival) if !ends(&arrival) => return go_on,
            None => return go_on,
            Some(_) => {}
        }
        match self.judge(true) {
            Some(arrival) if matches!(arrival.flagged, None | Some(Reason::Misfit)) => {
                Verdict::Settled(arrival)
            }
            Some(arrival) if ends(&arrival) => Verdict::GaveUp(arrival),
            _ => go_on,
        }
    }

    /// The value as things stand, whatever was wanted: for who must stop for other reasons, and for a leg that is held. None
    /// before the first reading.
    pub fn arrival(&mut self) -> Option<Arrival> {
        self.close();
        self.judge(true)
    }

    /// The mean of the last half of a leg that was held for an [`audit`](super::audit()).
    pub fn held(&mut self) -> Option<Arrival> {
        self.close();
        self.look(true, |judging| judging.last_half())
    }

    /// The mean of the readings from `from_s` on, for a state that is read on after it could be stopped: with what is expected
    /// of the transient subtracted, as from the value it was stopped with, or with that beside it. After an
    /// [`arrival`](Self::arrival) at the stop, with which what comes later begins anew. None where no reading that is no spike
    /// begins then.
    pub fn again(&mut self, from_s: f64, subtracted: bool) -> Option<Arrival> {
        self.close();
        let from_s = from_s - 1e-6;
        let again = self.look(true, |judging| judging.again(from_s, subtracted))?;
        (again.from_s >= from_s).then_some(again)
    }

    /// What was left of the transient at some times after the change, in the signal's unit: what is expected, and one standard
    /// deviation of that. For legs that are to have one dead time. None before the first reading.
    pub fn left(&mut self, seconds: &[f64]) -> Option<Vec<(f64, f64)>> {
        self.close();
        self.look(true, |judging| seconds.iter().map(|at| judging.left(*at)).collect())
    }

    fn close(&mut self) {
        if let Some(block) = self.blocks.close() {
            self.take(block);
        }
    }

    fn judge(&mut self, all: bool) -> Option<Arrival> {
        self.look(all, |judging| judging.best())
    }

    fn look<T>(&mut self, all: bool, choose: impl Fn(&Judging<'_>) -> T) -> Option<T> {
        let (bank, priors) = self.bank.as_ref()?;
        let last = self.weights.as_deref();
        let alive = |m: usize| all || last.is_none_or(|weights| weights[m] > OUT);
        let mut ratio = self.neighbours.noise_ratio();
        let mut posterior = Posterior::of(bank, priors, ratio, alive);
        let misfit = posterior.misfit;
        if misfit > 1.0 + 2.0 * (2.0 / freedom(bank)).sqrt() {
            ratio *= misfit;
            posterior = Posterior::of(bank, priors, ratio, alive);
        }
        let arrival = choose(&Judging { watch: self, bank, posterior: &posterior, ratio, misfit });
        self.weights = Some(posterior.weights);
        Some(arrival)
    }

    /// Judges what has been read, and what comes, by other knowledge of the same circuit: what another meter's readings of the
    /// same leg have taught.
    pub fn inform(&mut self, knowledge: &Knowledge) {
        self.knowledge = knowledge.clone();
        self.weights = None;
        if let Some((bank, known)) = &mut self.bank {
            let scales =
                Scales { step: self.step, bias: self.wanted.bias, drift_per_s: self.noise.drift_per_s };
            *known = priors(&self.knowledge, &bank.columns, scales);
            self.fresh = true;
        }
    }

    /// What this leg, as far as it was judged, adds to what was known: for the next leg of the round.
    pub fn learned(&self) -> Knowledge {
        match &self.weights {
            Some(weights) => self.knowledge.after(weights),
            None => self.knowledge.clone(),
        }
    }

    fn take(&mut self, block: Block) {
        let (bank, _) = self.bank.get_or_insert_with(|| {
            let bank =
                Bank::new(self.noise, self.knowledge.shortest() / 2.0, &block, self.wanted.longest_wait_s);
            let scales =
                Scales { step: self.step, bias: self.wanted.bias, drift_per_s: self.noise.drift_per_s };
            let priors = priors(&self.knowledge, &bank.columns, scales);
            (bank, priors)
        });
        bank.take(block);
        self.fresh = true;
    }
}

/// One look at the readings so far.
struct Judging<'a> {
    watch: &'a Watch,
    bank: &'a Bank,
    posterior: &'a Posterior,
    ratio: f64,
    misfit: f64,
}

/// A value, what it is worth in a mean over the wanted legs, and whether it is as wanted.
struct Candidate {
    arrival: Arrival,
    variance: f64,
    unmet: Option<Reason>,
}

impl Judging<'_> {
    fn last_half(&self) -> Arrival {
        let candidate = self.mean(&self.window(WINDOWS[LAST_HALF]));
        Arrival { flagged: candidate.unmet, ..candidate.arrival }
    }

    fn again(&self, from_s: f64, subtracted: bool) -> Arrival {
        let mean = self.mean(&self.bank.window(from_s)).arrival;
        if !subtracted {
            return mean;
        }
        let value = mean.value - mean.bias;
        let u = mean.noise_u.hypot(mean.bias_u);
        Arrival { value, u, bias: 0.0, kind: Kind::Extrapolated, subtracted: mean.bias, ..mean }
    }

    fn left(&self, seconds: f64) -> (f64, f64) {
        let exponentials: Vec<f64> = self.bank.columns.iter().map(|tau| (-seconds / tau).exp()).collect();
        let Spread { mean, deviation } = self.posterior.bias(&exponentials);
        (mean, deviation)
    }

    fn window(&self, part: f64) -> Window {
        let blocks = self.bank.blocks();
        let (first, last) = (blocks[0].from, blocks[blocks.len() - 1].to);
        self.bank.window(first + part * (last - first))
    }

    fn best(&self) -> Arrival {
        let windows: Vec<Window> = WINDOWS.iter().map(|part| self.window(*part)).collect();
        let mut candidates: Vec<Candidate> = windows.iter().map(|window| self.mean(window)).collect();
        // Only what has been seen before is subtracted.
        if self.watch.knowledge.legs() > 0 {
            candidates.extend(self.extrapolated(&windows[LAST_HALF]));
        }
        let better = |a: &&Candidate, b: &&Candidate| {
            a.unmet.is_some().cmp(&b.unmet.is_some()).then(a.variance.total_cmp(&b.variance))
        };
        let Some(best) = candidates.iter().min_by(better) else { unreachable!("there are windows") };
        let mut arrival = best.arrival;
        arrival.flagged = match best.unmet {
            None if self.misfit > MOST_MISFIT => Some(Reason::Misfit),
            unmet => unmet,
        };
        arrival
    }

    fn mean(&self, window: &Window) -> Candidate {
        let wanted = &self.watch.wanted;
        let noise = window.variance * self.ratio;
        let Spread { mean, deviation } = self.posterior.bias(&window.exponentials);
        let bias = mean.hypot(deviation);
        let legs = f64::from(wanted.legs);
        let variance = noise / legs + bias * bias;
        let (arrived, quiet) = if wanted.strict {
            (mean.abs() + CONFIDENT * deviation <= wanted.bias, noise <= wanted.uncertainty.powi(2) * legs)
        } else {
            wanted.allows(noise, mean, deviation)
        };
        let arrival = Arrival {
            value: window.mean,
            at_s: window.at,
            u: (noise + bias * bias).sqrt(),
            noise_u: noise.sqrt(),
            bias: mean,
            bias_u: deviation,
            from_s: window.from,
            to_s: window.to,
            readings: window.readings,
            ..self.blank()
        };
        Candidate { arrival, variance, unmet: self.unmet(arrived, quiet) }
    }

    /// None where it would be farther from the mean of the readings than may be.
    fn extrapolated(&self, window: &Window) -> Option<Candidate> {
        let wanted = &self.watch.wanted;
        let Level { value, noise, open } = self.posterior.level(window.at);
        let subtracted = window.mean - value;
        if subtracted.abs() > FARTHEST * wanted.bias || noise > QUIET * wanted.bias.powi(2) {
            return None;
        }
        // Where the noise is small the error is the prior's, which is not as normal as noise.
        let sure = if wanted.strict || noise < open / 4.0 { CONFIDENT } else { 1.0 };
        let legs = f64::from(wanted.legs);
        let arrived = sure * open.sqrt() <= wanted.bias;
        let quiet = noise <= wanted.uncertainty.powi(2) * legs;
        let arrival = Arrival {
            value,
            at_s: window.at,
            u: (noise + open).sqrt(),
            noise_u: noise.sqrt(),
            bias: 0.0,
            bias_u: open.sqrt(),
            kind: Kind::Extrapolated,
            subtracted,
            from_s: self.bank.blocks()[0].from,
            to_s: window.to,
            readings: self.watch.accepted,
            ..self.blank()
        };
        Some(Candidate { arrival, variance: noise / legs + open, unmet: self.unmet(arrived, quiet) })
    }

    fn unmet(&self, arrived: bool, quiet: bool) -> Option<Reason> {
        let wanted = &self.watch.wanted;
        let allowed = (wanted.uncertainty.powi(2) + wanted.bias.powi(2)) * f64::from(wanted.legs);
        match (arrived, quiet) {
            (true, true) => None,
            (false, _) => Some(Reason::NotSettled),
            (true, false) if self.watch.noise.flicker() > allowed => Some(Reason::BelowFlicker),
            (true, false) => Some(Reason::TooNoisy),
        }
    }

    /// What all candidates have in common.
    fn blank(&self) -> Arrival {
        Arrival {
            value: 0.0,
            at_s: 0.0,
            u: 0.0,
            noise_u: 0.0,
            bias: 0.0,
            bias_u: 0.0,
            kind: Kind::Mean,
            subtracted: 0.0,
            from_s: 0.0,
            to_s: 0.0,
            readings: 0,
            seen: self.watch.seen,
            spikes: self.watch.neighbours.spikes,
            misfit: self.misfit,
            noise_ratio: self.ratio,
            time_constant_s: self.posterior.ln_tau.exp(),
            drift_per_s: self.watch.noise.drift_per_s,
            flagged: None,
        }
    }
}
