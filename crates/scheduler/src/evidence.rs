//! A leg that settles by evidence: fast readings after each change, until they show that what is left of the transient is
//! small enough, or the longest wait is over. Each state (a polarity, until it changes) becomes one reading, a mean over a
//! window of the fast ones, which are kept with it.

use crate::hall::Timed;
use crate::learned::HallTiming;
use crate::leg::{Here, Ranges, condition, measured};
use crate::run::{Failure, Work};
use crate::watched::{Begin, Decision, Watched};
use quadrille_experiment::{Condition, Event, Evidence, Polarity, Watch as Kept};
use quadrille_instruments::{Answer, MeterValue};
use quadrille_plan::{ByEvidence, Purpose, Round};
use quadrille_quantity::{Ampere, Ohm, Second, Volt};
use quadrille_settling::transient::{Agreement, Arrival, Kind, Noise, Reason, Wanted, audit};
use tokio::time::Instant;

/// Boltzmann's constant in joules per kelvin (exact, SI 2019).
const BOLTZMANN: f64 = 1.380_649e-23;

/// From so many seconds after a change on, readings average over more power-line cycles: what is slow needs fewer.
const SLOW_S: f64 = 2.0;
const SLOW_PLC: f64 = 10.0;

/// States in a row without a value after which a leg goes on without one.
const NO_VALUE: usize = 3;

/// Part of a meter's own uncertainty below which noise, and what is left of a transient, are not worth a wait.
const WORTH: (f64, f64) = (0.3, 0.1);

/// Smallest voltage that is worth its full accuracy, as a part of the round's largest: what is smaller counts for less in
/// every result.
const SMALL: f64 = 0.1;

/// How much longer than the rule asks an audited state is held.
const HELD: f64 = 4.0;

/// What was left of a transient at the stop, by what of it went while the state was held.
const BEYOND: f64 = 2.0;

/// Growth of the voltage over what was expected at which the watch begins again with a larger step.
const GROWN: f64 = 1.5;

/// One state, read until it had settled.
pub(crate) struct Settled {
    pub(crate) kept: Kept,
    pub(crate) voltage: (Answer, Mean),
    pub(crate) current: (Answer, Mean),
    pub(crate) condition: Condition,
    pub(crate) ranges: Ranges,
    /// Where it was watched.
    watched: Option<Watched>,
}

/// A mean of one meter, in volts or amperes.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Mean {
    pub(crate) value: f64,
    pub(crate) noise_u: f64,
    pub(crate) settling_u: f64,
}

/// What is to be done in one state.
#[derive(Clone, Copy)]
pub(crate) enum How {
    /// Until the evidence suffices after a change by `step` times the current; then held for longer, to see whether that was
    /// right.
    Until { audited: bool, step: f64 },
    /// For so long from now on: a state that has settled, once more.
    Again(Second),
    /// For a fixed time from a fixed time on.
    Fixed(HallTiming),
}

impl Work<'_> {
    /// Carries out one leg whose readings settle by evidence.
    pub(crate) async fn leg_by_evidence(
        &mut self,
        here: Here,
        round: &Round,
        evidence: ByEvidence,
    ) -> Result<(), Failure> {
        let (hall, mut timed) = match round.purpose {
            Purpose::Hall => {
                self.hall_timing(round, &evidence).map(|(timing, timed)| (Some(timing), timed))?
            }
            Purpose::Contacts | Purpose::Resistivity | Purpose::Proof => (None, Timed::Fixed),
        };
        let pattern = self.plan.reversal.clone();
        let first = pattern.first().copied().unwrap_or(Polarity::Plus);
        let mut ranges = self.energise(here, first).await?;
        let (mut changed, mut driven, mut fresh) = (Instant::now(), first, true);
        let (mut again, mut watched) = (Second(0.0), None);
        let mut audit = self.audit_is_due(round);
        // States of the leg, each until the current changes.
        let mut changes = 1 + self.changes();
        let mut is_first = true;
        let mut waiting = Vec::new();
        for _ in 0..self.settings.repeats {
            for &polarity in &pattern {
                if driven != polarity {
                    self.bench.source.set_level(self.settings.current * polarity.sign()).await?;
                    (changed, driven, fresh) = (Instant::now(), polarity, true);
                }
                // The first states of all take longest, and four times that is a long time: it is the last of the first leg
                // that is held. Until then what was read waits for what the audit says of it.
                let audited = audit && fresh && changes == 1;
                changes = changes.saturating_sub(u32::from(fresh));
                let how = match hall {
                    Some(timing) if fresh => How::Fixed(timing),
                    // A leg begins at zero current, and goes on by reversals.
                    None if fresh => How::Until { audited, step: if is_first { 1.0 } else { 2.0 } },
                    // The pattern's times are 1:2:1: what does not change is averaged once more, and not waited for again.
                    _ => How::Again(again),
                };
                is_first = false;
                let mut settled =
                    self.state(here, round, evidence, (changed, watched.take()), ranges, how).await?;
                if let (Some(guessed), Timed::Guessed) = (hall, timed) {
                    timed = Timed::Fixed;
                    if !self.fix_hall_timing(here, round, &evidence, (guessed, &settled)).await? {
                        self.de_energise().await?;
                        return Box::pin(self.leg_by_evidence(here, round, evidence)).await;
                    }
                }
                ranges = settled.ranges;
                if fresh {
                    again = hall.map_or_else(|| self.once_more(here, &settled), |timing| timing.window);
                }
                watched = settled.watched.take();
                fresh = false;
                audit &= !audited;
                waiting.push((polarity, changed, settled));
                if !audit {
                    for (polarity, changed, settled) in waiting.drain(..) {
                        self.keep_settled(here, round, polarity, changed, settled).await?;
                    }
                }
            }
        }
        for (polarity, changed, settled) in waiting {
            self.keep_settled(here, round, polarity, changed, settled).await?;
        }
        self.de_energise().await
    }

    /// How often the current changes in a leg between its first state and its last.
    fn changes(&self) -> u32 {
        let once = self.plan.reversal.windows(2).filter(|pair| pair[0] != pair[1]).count() as u32;
        let between = self.plan.reversal.first() != self.plan.reversal.last();
        self.settings.repeats * once + u32::from(between) * self.settings.repeats.saturating_sub(1)
    }

    /// For how long a state is read again that has not changed: until the mean is as good as the first one was. A value that was
    /// extrapolated had a long window, and not for its noise.
    fn once_more(&self, here: Here, settled: &Settled) -> Second {
        let (from, to) = settled.kept.voltage.window_s;
        let (answer, mean) = &settled.voltage;
        let over_s = settled.kept.aperture_s.last().copied().unwrap_or(self.settings.aperture.0);
        let one = answer.noise_u.hypot(self.johnson(here, mean.value, over_s));
        let enough = over_s * (one / mean.noise_u.max(1e-300)).powi(2);
        Second(enough.min(to - from).max(self.settings.aperture.0))
    }

    /// Johnson noise of a reading of some volts over some seconds: 4 k T R in the bandwidth of 1/2T, the sample's own.
    fn johnson(&self, here: Here, volts: f64, over_s: f64) -> f64 {
        (2.0 * BOLTZMANN * here.temperature.0 * volts.abs() / self.settings.current.0 / over_s).sqrt()
    }

    /// Once a round, in its first leg, before anything of it is kept.
    fn audit_is_due(&mut self, round: &Round) -> bool {
        let learned = self.learned.entry(self.sample).or_default();
        let due = round.purpose == Purpose::Resistivity && learned.audited != Some(round.number);
        learned.audited = Some(round.number);
        due
    }

    /// Reads one state.
    pub(crate) async fn state(
        &mut self,
        here: Here,
        round: &Round,
        evidence: ByEvidence,
        (changed, before): (Instant, Option<Watched>),
        mut ranges: Ranges,
        how: How,
    ) -> Result<Settled, Failure> {
        let mut kept = Kept::default();
        let mut pair: Option<Watched> = before.filter(|_| matches!(how, How::Again(_)));
        let (mut without_value, mut audited) = (0, false);
        let (mut slow, mut is_finest) = (false, false);
        let mut until = 0.0;
        if let How::Fixed(timing) = how {
            tokio::time::sleep_until(changed + crate::stand_down::duration(timing.dead.0)).await;
        }
        let (voltage, current, ended) = loop {
            let begun = changed.elapsed().as_secs_f64();
            let aperture = self.aperture(slow);
            let (voltage, current) = tokio::join!(self.bench.voltmeter.read(), self.bench.ammeter.read());
            let (voltage, current) = (voltage?, current?);
            let now = begun + aperture;
            let (MeterValue::Value(volts), MeterValue::Value(amperes)) = (voltage.value, current.value)
            else {
                if let (MeterValue::Overload(_), true) = (voltage.value, ranges.voltage < ranges.widest) {
                    ranges.voltage = self.wider(ranges).await?;
                    (kept, pair, until) = (Kept::default(), None, 0.0);
                    continue;
                }
                without_value += 1;
                if without_value >= NO_VALUE {
                    break (voltage, current, None);
                }
                continue;
            };
            without_value = 0;
            kept.begun_s.push(begun);
            kept.aperture_s.push(aperture);
            kept.voltage_v.push(volts);
            kept.current_a.push(amperes);
            let ends = match how {
                How::Fixed(timing) => Some(timing.dead.0 + timing.window.0),
                How::Again(window) => {
                    if let Some(pair) = &mut pair {
                        pair.push(begun, aperture, volts, amperes);
                    }
                    Some(kept.begun_s[0] + window.0)
                }
                How::Until { .. } => None,
            };
            if let Some(ends) = ends {
                if now >= ends - 1e-9 {
                    break (voltage, current, None);
                }
                continue;
            }
            if let Some(lower) = self.narrower(ranges, &kept, &voltage).filter(|_| !is_finest) {
                let before =
                    std::mem::replace(&mut ranges.voltage, self.bench.voltmeter.set_range(lower).await?);
                is_finest = ranges.voltage >= before;
                if !is_finest {
                    (kept, pair, until) = (Kept::default(), None, 0.0);
                    continue;
                }
            }
            if now > SLOW_S && !slow && self.settings.aperture_plc < SLOW_PLC {
                slow = true;
                self.set_aperture(SLOW_PLC).await?;
            }
            self.watch(&mut pair, round, (&evidence, how), here, (&kept, &voltage, &current))?;
            let Some(pair) = pair.as_mut() else { continue };
            if now < until {
                continue;
            }
            match pair.decide() {
                Decision::GoOn(until_s) => until = until_s,
                Decision::Stop(ended) => break (voltage, current, Some(*ended)),
            }
            if now >= evidence.longest.0
                && let Some(ended) = pair.arrivals()
            {
                break (voltage, current, Some(ended));
            }
        };
        if let (How::Until { audited: true, .. }, Some(stopped), Some(pair)) = (how, ended, pair.as_mut()) {
            self.hold(here, changed, slow, (&mut kept, pair), stopped, &evidence).await?;
            audited = true;
        }
        if slow {
            self.set_aperture(self.settings.aperture_plc).await?;
        }
        let at_limit = self.bench.source.in_compliance().await?.unwrap_or(false);
        let condition = condition(&voltage, &current, at_limit);
        let (v, i) = match ended {
            Some(_) => self.arrived(here, pair.as_mut(), ended, condition, audited),
            None => self.averaged(here, how, evidence, (&kept, &voltage, &current), pair.as_mut()),
        };
        (kept.voltage, kept.current) = (v.1, i.1);
        Ok(Settled {
            kept,
            voltage: (voltage, v.0),
            current: (current, i.0),
            condition,
            ranges,
            watched: pair,
        })
    }

    /// Averaging time of a reading now, in seconds.
    fn aperture(&self, slow: bool) -> f64 {
        let settings = &self.settings;
        let plc = if slow { settings.aperture_plc.max(SLOW_PLC) } else { settings.aperture_plc };
        settings.aperture.0 * plc / settings.aperture_plc
    }

    /// Gives both watches the newest reading, and begins them where the voltage is larger than they were begun for.
    fn watch(
        &mut self,
        pair: &mut Option<Watched>,
        round: &Round,
        (evidence, how): (&ByEvidence, How),
        here: Here,
        (kept, voltage, current): (&Kept, &Answer, &Answer),
    ) -> Result<(), Failure> {
        let last = kept.begun_s.len() - 1;
        let seen = kept.voltage_v[last].abs();
        if let Some(pair) = pair.as_mut().filter(|pair| seen <= GROWN * pair.assumed) {
            pair.push(kept.begun_s[last], kept.aperture_s[last], kept.voltage_v[last], kept.current_a[last]);
            return Ok(());
        }
        let guard = self.settings.guard;
        let (aperture, asked) = (self.settings.aperture.0, self.settings.current);
        let learned = self.learned.entry(self.sample).or_default();
        let transients = learned.transients(guard, evidence)?;
        let known = learned.resistances.get(&here.configuration).map_or(0.0, |ohm| (asked * *ohm).0.abs());
        let four_terminal = learned.resistances.iter().filter(|(leg, _)| leg.is_four_terminal());
        let largest = four_terminal.map(|(_, ohm)| (asked * *ohm).0.abs()).fold(0.0, f64::max);
        let assumed = known.max(seen).max(3.0 * voltage.own_u);
        let johnson = (2.0 * BOLTZMANN * here.temperature.0 * assumed / asked.0 / aperture).sqrt();
        // What is spread over all legs of a round is wanted of all of them together.
        let states = self.plan.reversal.len() as u32 * self.settings.repeats;
        let legs = (round.legs.len() as u32 / 2).max(1) * states;
        let How::Until { step, .. } = how else { return Ok(()) };
        let begin = |answer: &Answer, johnson: f64, value: f64, counts: f64| {
            let wanted = Wanted {
                uncertainty: (evidence.uncertainty * counts).max(WORTH.0 * answer.own_u),
                bias: (evidence.bias * counts).max(WORTH.1 * answer.own_u),
                longest_wait_s: evidence.longest.0,
                not_before_s: evidence.operate.0,
                strict: evidence.strict,
                legs,
            };
            let noise = Noise {
                white: answer.noise_u.hypot(johnson).max(1e-3 * wanted.bias),
                over_s: aperture,
                corner_hz: answer.corner_hz,
                drift_per_s: 0.0,
            };
            Begin { noise, wanted, value, step }
        };
        let of_voltage = begin(voltage, johnson, assumed, assumed.max(SMALL * largest));
        let of_current = begin(current, 0.0, asked.0, asked.0);
        let mut begun = Watched::new(&transients, &of_voltage, &of_current, assumed)
            .map_err(|error| Failure::Panic(format!("a watch cannot be: {error}")))?;
        for k in 0..=last {
            begun.push(kept.begun_s[k], kept.aperture_s[k], kept.voltage_v[k], kept.current_a[k]);
        }
        *pair = Some(begun);
        Ok(())
    }

    /// Goes on reading a state that could have been stopped, and tells whether that would have been right.
    async fn hold(
        &mut self,
        here: Here,
        changed: Instant,
        slow: bool,
        (kept, pair): (&mut Kept, &mut Watched),
        stopped: (Arrival, Arrival),
        evidence: &ByEvidence,
    ) -> Result<(), Failure> {
        let stopped_s = stopped.0.to_s.max(stopped.1.to_s);
        let held_s = (HELD * stopped_s).min(evidence.longest.0.max(stopped_s));
        loop {
            let begun = changed.elapsed().as_secs_f64();
            let aperture = self.aperture(slow);
            if begun + aperture > held_s {
                break;
            }
            let (voltage, current) = tokio::join!(self.bench.voltmeter.read(), self.bench.ammeter.read());
            let (MeterValue::Value(volts), MeterValue::Value(amperes)) = (voltage?.value, current?.value)
            else {
                continue;
            };
            kept.begun_s.push(begun);
            kept.aperture_s.push(aperture);
            kept.voltage_v.push(volts);
            kept.current_a.push(amperes);
            pair.push(begun, aperture, volts, amperes);
        }
        let Some((voltage, current)) = pair.held() else { return Ok(()) };
        let (of_voltage, of_current) = (audit(&stopped.0, &voltage), audit(&stopped.1, &current));
        let agrees = of_voltage.agrees() && of_current.agrees();
        // What of the difference noise does not explain was left at the stop, and as much again will come after the hold: of a
        // power law t^-0.7 half has gone by then. It is in the uncertainty of the round whether the audit agrees or not.
        let part = |agreement: &Agreement, stopped: &Arrival, held: &Arrival| {
            let noise = stopped.noise_u.hypot(held.noise_u);
            let shown = (agreement.difference.powi(2) - noise * noise).max(0.0).sqrt();
            BEYOND * (shown / held.value).abs()
        };
        let doubt = (part(&of_voltage, &stopped.0, &voltage), part(&of_current, &stopped.1, &current));
        let learned = self.learned.entry(self.sample).or_default();
        (learned.doubt, learned.doubted) = (doubt, !agrees);
        let event = Event::Audited {
            configuration: here.configuration,
            stopped_s,
            held_s,
            difference_v: of_voltage.difference,
            allowed_v: of_voltage.allowed,
            agrees,
        };
        Ok(self.recorder.event(&event).await?)
    }

    /// Means and evidence of a state that was watched, and what it taught.
    fn arrived(
        &mut self,
        here: Here,
        pair: Option<&mut Watched>,
        ended: Option<(Arrival, Arrival)>,
        condition: Condition,
        audited: bool,
    ) -> ((Mean, Evidence), (Mean, Evidence)) {
        let Some((mut voltage, mut current)) = ended else { return Default::default() };
        if let Some(pair) = pair {
            (voltage, current) = pair.best((voltage, current));
            let left = pair.left(&crate::hall::times_s(), voltage.value);
            let learned = self.learned.entry(self.sample).or_default();
            if condition == Condition::Sound {
                let learnt = pair.learned();
                // Where the audit of this state disagreed, what comes is waited for with larger and longer tails.
                let is_doubted = audited && learned.doubted;
                let learnt = if is_doubted { learnt.widened() } else { learnt };
                learned.transients.insert(self.settings.guard, learnt);
                learned.left.extend(left);
            }
        }
        let learned = self.learned.entry(self.sample).or_default();
        if condition == Condition::Sound {
            learned.resistances.insert(here.configuration, Ohm(voltage.value / current.value));
        }
        (of_arrival(&voltage), of_arrival(&current))
    }

    /// Plain means over a fixed window; of a state that has been watched, with what the watches make of it.
    fn averaged(
        &self,
        here: Here,
        how: How,
        evidence: ByEvidence,
        (kept, voltage, current): (&Kept, &Answer, &Answer),
        watched: Option<&mut Watched>,
    ) -> ((Mean, Evidence), (Mean, Evidence)) {
        if let (How::Again(_), Some(watched), Some(from)) = (how, watched, kept.begun_s.first())
            && let Some((voltage, current)) = watched.again(*from)
        {
            return (of_arrival(&voltage), of_arrival(&current));
        }
        let window_s = match (kept.begun_s.first(), kept.begun_s.last().zip(kept.aperture_s.last())) {
            (Some(from), Some((begun, aperture))) => (*from, begun + aperture),
            _ => (0.0, 0.0),
        };
        let settings = &self.settings;
        let largest = kept.voltage_v.iter().map(|volts| volts.abs()).fold(0.0, f64::max);
        let johnson =
            (2.0 * BOLTZMANN * here.temperature.0 * largest / settings.current.0 / settings.aperture.0)
                .sqrt();
        // What a dead time leaves is alike at both fields, but for what the time constant changes between them.
        let part = if matches!(how, How::Fixed(_) | How::Again(_)) { evidence.bias } else { 0.0 };
        let mean = |values: &[f64], specified: f64| {
            let (value, noise_u) = mean_and_noise(values, specified);
            let settling_u = part * value.abs() / 3f64.sqrt();
            let told = Evidence { window_s, bias_u: settling_u, misfit: 1.0, ..Evidence::default() };
            (Mean { value, noise_u, settling_u }, told)
        };
        (mean(&kept.voltage_v, voltage.noise_u.hypot(johnson)), mean(&kept.current_a, current.noise_u))
    }

    /// The next wider range of the voltmeter.
    async fn wider(&mut self, ranges: Ranges) -> Result<Volt, Failure> {
        let next = (ranges.voltage * 1.01).min(ranges.widest);
        Ok(self.bench.voltmeter.set_range(next).await?)
    }

    /// What a narrower range must hold, where the voltage has come near its end and would be read better on one.
    fn narrower(&self, ranges: Ranges, kept: &Kept, voltage: &Answer) -> Option<Volt> {
        /// A range is left where the voltage fills less than this part of it.
        const FILLED: f64 = 0.05;
        /// How much the voltage may still change per doubling of the time.
        const STEADY: f64 = 0.1;
        if self.settings.voltage_range.is_some() || kept.begun_s.len() < 4 {
            return None;
        }
        let (now, last) = (kept.begun_s.last()?, kept.voltage_v.last()?.abs());
        let half = kept.begun_s.iter().position(|&begun| begun >= now / 2.0)?;
        let before = kept.voltage_v[half].abs();
        let noise = 3.0 * voltage.own_u;
        let steady = (last - before).abs() <= STEADY * last + noise;
        let wanted = crate::leg::HEADROOM * last + noise;
        (steady && wanted < FILLED * ranges.voltage.0).then_some(Volt(wanted.max(2.0 * last)))
    }

    /// Keeps one state as one reading.
    pub(crate) async fn keep_settled(
        &mut self,
        here: Here,
        round: &Round,
        polarity: Polarity,
        changed: Instant,
        settled: Settled,
    ) -> Result<(), Failure> {
        let Settled { kept, voltage: (v, mut of_v), current: (i, mut of_i), condition, ranges, watched: _ } =
            settled;
        // What an audit found belongs to every state of its round. Hall legs wait alike at both fields instead.
        if round.purpose != Purpose::Hall {
            let (doubt_v, doubt_i) = self.learned.entry(self.sample).or_default().doubt;
            of_v.settling_u = of_v.settling_u.hypot(doubt_v * of_v.value);
            of_i.settling_u = of_i.settling_u.hypot(doubt_i * of_i.value);
        }
        let (from, to) = kept.voltage.window_s;
        let begun = (changed - self.begun).as_secs_f64();
        let flag = kept.voltage.flag.clone().or_else(|| kept.current.flag.clone());
        let mut reading = self.reading(here, &v, &i, condition, begun + (from + to) / 2.0);
        if condition == Condition::Sound {
            reading.voltage = measured(&v, Volt, Some(of_v));
            reading.current = measured(&i, Ampere, Some(of_i));
        }
        let mut circumstances = self.circumstances(here, polarity, ranges, &v, &i);
        (circumstances.settled, circumstances.aperture) = (Second(from), Second(to - from));
        circumstances.watch = Some(kept);
        self.keep(here, polarity, &reading, &circumstances).await?;
        if let Some(flag) = flag {
            let event = Event::Flagged { configuration: here.configuration, polarity, reason: flag };
            self.recorder.event(&event).await?;
        }
        Ok(())
    }
}

fn of_arrival(arrival: &Arrival) -> (Mean, Evidence) {
    let mean = Mean {
        value: arrival.value,
        noise_u: arrival.noise_u,
        settling_u: arrival.bias.hypot(arrival.bias_u),
    };
    let evidence = Evidence {
        window_s: (arrival.from_s, arrival.to_s),
        bias: arrival.bias,
        bias_u: arrival.bias_u,
        misfit: arrival.misfit,
        flag: arrival.flagged.map(|reason| in_words(reason, arrival).to_owned()),
    };
    (mean, evidence)
}

fn in_words(reason: Reason, arrival: &Arrival) -> &'static str {
    match (reason, arrival.kind) {
        (Reason::NotSettled, _) => "not settled within the longest wait",
        (Reason::TooNoisy, _) => "noise is more than the wanted uncertainty allows",
        (Reason::BelowFlicker, _) => "1/f noise alone is more than the wanted uncertainty allows",
        (Reason::Misfit, Kind::Mean | Kind::Extrapolated) => {
            "the readings scatter by more than noise and settling explain"
        }
    }
}

/// Mean of readings and its standard uncertainty, from their scatter pooled with what is specified of one (six degrees of
/// freedom; a few readings alone scatter by less than they are uncertain).
pub(crate) fn mean_and_noise(values: &[f64], specified: f64) -> (f64, f64) {
    const OF_SPECIFICATION: f64 = 6.0;
    let n = values.len() as f64;
    if values.is_empty() {
        return (0.0, 0.0);
    }
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    let variance = (OF_SPECIFICATION * specified.powi(2) + squares) / (OF_SPECIFICATION + n - 1.0);
    (mean, (variance / n).sqrt())
}
