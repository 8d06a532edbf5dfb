//! A first look at a sample: the current goes up from the smallest, the voltage limit watched, until enough is seen to choose
//! what a round is measured with. Between the steps the output is off; no step can exceed what is allowed.

use crate::evidence::How;
use crate::leg::{Here, Ranges};
use crate::run::{Failure, Work};
use crate::stand_down::duration;
use quadrille_experiment::{ChosenFrom, Condition, Configuration, Contact, Event, Polarity};
use quadrille_instruments::MeterValue;
use quadrille_plan::{Choosing, Round, Seen, Settings, Settle};
use quadrille_quantity::{Ampere, Kelvin, Ohm, Tesla, Volt};
use std::collections::BTreeSet;
use std::time::Duration;
use tokio::time::Instant;

/// Readings of one step.
const READINGS: usize = 3;

/// Four-terminal resistance as a part of the two-terminal one, before it is read; a guess on the small side.
const PART: f64 = 0.2;

/// Change of the resistance between two temperatures below which the earlier choice stands.
const ALIKE: f64 = 0.3;

/// Voltage that no relay minds, and how long it is waited for at most and looked for again; ours.
const COLD: Volt = Volt(0.3);
const DISCHARGE: Duration = Duration::from_secs(90);
const PAUSE: Duration = Duration::from_millis(200);

/// Legs whose four-terminal resistance is read, each of another current pair.
const LEGS: usize = 2;

/// What was chosen for a sample, and from what.
#[derive(Clone, Debug)]
pub(crate) struct Choice {
    temperature: Kelvin,
    settings: Settings,
    two_terminal: Ohm,
}

impl Choice {
    /// As it was made, for a round's temperature, from what the record says was seen: the same pure function again.
    pub(crate) fn again(choosing: &Choosing, temperature: Kelvin, from: &ChosenFrom) -> Self {
        let ChosenFrom { two_terminal, four_terminal, temperature: there, first_pair } = *from;
        let seen = Seen { two_terminal, four_terminal, temperature: there };
        Self { temperature, settings: choosing.choose(&seen).settings, two_terminal: first_pair }
    }

    /// Where it stood for another temperature too.
    pub(crate) fn stands_at(&mut self, temperature: Kelvin) {
        self.temperature = temperature;
    }
}

impl Work<'_> {
    /// Brings in force what a round is measured with: as planned, as chosen before, or chosen now.
    pub(crate) async fn settle_on(&mut self, round: &Round, field: Tesla) -> Result<(), Failure> {
        self.sample = round.sample;
        let planned = &self.plan.samples[round.sample];
        let Some(choosing) = planned.choosing.clone() else {
            return self.take_up(planned.settings.clone()).await;
        };
        let before = self.learned.entry(self.sample).or_default().choice.clone();
        if let Some(choice) = before.as_ref().filter(|choice| choice.temperature == round.temperature) {
            return self.take_up(choice.settings.clone()).await;
        }
        let temperature = self.temperature(round.temperature).await?;
        let at = |configuration| Here { round: round.number, field, temperature, configuration };
        let pairs = self.current_pairs(round);
        let Some(&first) = pairs.first() else { return Ok(()) };
        let from = before.as_ref().map_or(Ampere(0.0), |choice| choice.settings.current * 0.099);
        let (current, mut two_terminal) = self.climb(round, at(first), &choosing, from).await?;
        let as_before = before.filter(|choice| (two_terminal / choice.two_terminal - 1.0).abs() <= ALIKE);
        if let Some(mut choice) = as_before {
            self.take_up(choice.settings.clone()).await?;
            choice.temperature = round.temperature;
            self.learned.entry(self.sample).or_default().choice = Some(choice);
            return Ok(());
        }
        let first_pair = two_terminal;
        // What was learnt belongs to another resistance.
        let learned = self.learned.entry(self.sample).or_default();
        (learned.transients, learned.resistances) = Default::default();
        for &pair in &pairs[1..] {
            let seen = self.look_at(round, at(pair), &choosing, current).await?;
            two_terminal = two_terminal.max(seen);
        }
        let mut four_terminal = Ohm(0.0);
        for leg in self.first_legs(round) {
            four_terminal = four_terminal.max(self.look_at(round, at(leg), &choosing, current).await?);
        }
        let seen = Seen { two_terminal, four_terminal, temperature };
        let chosen = choosing.choose(&seen);
        let seen_at = ChosenFrom { two_terminal, four_terminal, first_pair, temperature };
        let event = Event::Chosen {
            sample: self.plan.samples[self.sample].name.clone(),
            temperature,
            current: chosen.settings.current,
            voltage_limit: chosen.settings.voltage_limit,
            guard: chosen.settings.guard,
            buffers: chosen.settings.buffers,
            because: chosen.because,
            short_of: chosen.short_of,
            seen: Some(seen_at),
        };
        self.recorder.event(&event).await?;
        self.take_up(chosen.settings.clone()).await?;
        let (settings, temperature) = (chosen.settings, round.temperature);
        let learned = self.learned.entry(self.sample).or_default();
        learned.transients = Default::default();
        learned.choice = Some(Choice { temperature, settings, two_terminal: first_pair });
        Ok(())
    }

    /// The current goes up until enough is seen, or the voltage limit is reached; answers the last good current, and the
    /// two-terminal resistance with it.
    async fn climb(
        &mut self,
        round: &Round,
        here: Here,
        choosing: &Choosing,
        from: Ampere,
    ) -> Result<(Ampere, Ohm), Failure> {
        let ladder = choosing.ladder();
        let begin = ladder.iter().rposition(|(current, _)| *current <= from).unwrap_or(0);
        let mut step = begin;
        self.energised = true;
        self.take_up(choosing.for_a_look(ladder[step].0, ladder[step].1)).await?;
        let mut ranges = self.energise(here, Polarity::Plus).await?;
        loop {
            let (current, limit) = ladder[step];
            let reached = match self.glance(limit).await? {
                Some(volts) => {
                    let two_terminal = Ohm(volts.0.abs() / current.0);
                    let (four_terminal, temperature) = (two_terminal * PART, here.temperature);
                    let seen = Seen { two_terminal, four_terminal, temperature };
                    let enough = choosing.suffices(current, &seen) || step + 1 == ladder.len();
                    if !enough {
                        step += 1;
                        ranges = self.step_to(here, choosing, ladder[step]).await?;
                        continue;
                    }
                    self.settled_ohm(round, here, ranges).await?
                }
                None => None,
            };
            if let Some(two_terminal) = reached {
                self.settings.discharge = choosing.discharge(two_terminal, self.settings.guard);
                self.de_energise().await?;
                return Ok((current, two_terminal));
            }
            // The limit is reached: one step back, and no further up.
            if step == 0 {
                self.let_discharge().await?;
                self.de_energise().await?;
                let why = format!(
                    "the source reaches its limit of {limit} with {current} already: is contact {} or {} open?",
                    here.configuration.source_in, here.configuration.source_out
                );
                return Err(Failure::Look(why));
            }
            step -= 1;
            ranges = self.step_to(here, choosing, ladder[step]).await?;
            let settled = self.settled_ohm(round, here, ranges).await?;
            if let Some(two_terminal) = settled {
                self.settings.discharge = choosing.discharge(two_terminal, self.settings.guard);
                self.de_energise().await?;
                return Ok((ladder[step].0, two_terminal));
            }
        }
    }

    /// Behind an open contact the leads stay charged, and a discharge that resistance and capacitance tell has no time: waits
    /// until the voltmeter, sensing the driven pair or what is beside it, sees next to nothing. The guard would hold the charge.
    async fn let_discharge(&mut self) -> Result<(), Failure> {
        self.bench.source.set_level(Ampere(0.0)).await?;
        self.undrive_guard().await?;
        let begun = Instant::now();
        while begun.elapsed() < DISCHARGE {
            let is_left = match self.bench.voltmeter.read().await?.value {
                MeterValue::Value(volts) => volts.abs() > COLD.0,
                MeterValue::Overload(_) | MeterValue::NotANumber => true,
            };
            if !is_left {
                break;
            }
            tokio::time::sleep(PAUSE).await;
        }
        Ok(())
    }

    /// Another current through the same crosspoints, which do not move.
    async fn step_to(
        &mut self,
        here: Here,
        choosing: &Choosing,
        (current, limit): (Ampere, Volt),
    ) -> Result<Ranges, Failure> {
        self.bench.source.set_level(Ampere(0.0)).await?;
        self.bench.source.set_output(false).await?;
        self.take_up(choosing.for_a_look(current, limit)).await?;
        let configuration = here.configuration;
        self.recorder.event(&Event::IntentToEnergise { configuration, current }).await?;
        self.bench.source.set_level(current).await?;
        self.bench.source.set_output(true).await?;
        self.tell_on(here, current);
        self.ranges_for(here).await
    }

    /// A few readings without waiting for them to settle: the voltage, or nothing where the source is at its limit.
    async fn glance(&mut self, limit: Volt) -> Result<Option<Volt>, Failure> {
        tokio::time::sleep(duration(self.settings.settle.pause().0.min(0.1))).await;
        let mut largest = Volt(0.0);
        for _ in 0..READINGS {
            match self.bench.voltmeter.read().await?.value {
                MeterValue::Value(volts) => largest = largest.max(Volt(volts.abs())),
                MeterValue::Overload(_) => largest = limit,
                MeterValue::NotANumber => {}
            }
        }
        let at_limit = self.bench.source.in_compliance().await?;
        // A source that cannot tell is at its limit where nearly all of it is seen.
        let is_at_limit = at_limit.unwrap_or(largest.0 > 0.95 * limit.0);
        Ok((!is_at_limit).then_some(largest))
    }

    /// Magnitude of the resistance that is settled well enough to choose by; nothing where there is no value.
    async fn settled_ohm(
        &mut self,
        round: &Round,
        here: Here,
        ranges: Ranges,
    ) -> Result<Option<Ohm>, Failure> {
        let Settle::Evidence(evidence) = self.settings.settle else { return Ok(None) };
        let how = How::Until { audited: false, step: 2.0 };
        let settled = self.state(here, round, evidence, (Instant::now(), None), ranges, how).await?;
        let (voltage, current) = (settled.voltage.1.value, settled.current.1.value);
        let sound = settled.condition == Condition::Sound && current != 0.0;
        Ok(sound.then_some(Ohm((voltage / current).abs())))
    }

    /// One configuration at the current of a look; a tenth of it, and so on, where that is too much for the configuration.
    async fn look_at(
        &mut self,
        round: &Round,
        here: Here,
        choosing: &Choosing,
        current: Ampere,
    ) -> Result<Ohm, Failure> {
        let ladder = choosing.ladder();
        let fitting = ladder.iter().rev().filter(|step| step.0 <= current);
        let mut limit = Volt(0.0);
        for &(current, most) in fitting {
            limit = most;
            self.take_up(choosing.for_a_look(current, most)).await?;
            let ranges = self.energise(here, Polarity::Plus).await?;
            let seen = self.settled_ohm(round, here, ranges).await?;
            match seen {
                Some(ohm) => self.settings.discharge = choosing.discharge(ohm, self.settings.guard),
                None => self.let_discharge().await?,
            }
            self.de_energise().await?;
            if let Some(ohm) = seen {
                return Ok(ohm);
            }
        }
        let configuration = here.configuration;
        let why =
            format!("{configuration} has no value within {limit}, whatever the current: is a contact open?");
        Err(Failure::Look(why))
    }

    /// The pairs of contacts that carry current in the rounds of a sample at a temperature, each sensed at itself.
    fn current_pairs(&self, round: &Round) -> Vec<Configuration> {
        let mut seen: BTreeSet<(Contact, Contact)> = BTreeSet::new();
        let here = self
            .plan
            .rounds
            .iter()
            .filter(|other| other.sample == round.sample && other.temperature == round.temperature);
        let legs = here.flat_map(|other| &other.legs);
        let pairs = legs.filter(|leg| {
            seen.insert((leg.source_in.min(leg.source_out), leg.source_in.max(leg.source_out)))
        });
        let two_terminal = |leg: &Configuration| Configuration {
            source_in: leg.source_in,
            source_out: leg.source_out,
            sense_high: leg.source_in,
            sense_low: leg.source_out,
        };
        pairs.map(two_terminal).collect()
    }

    /// The first legs of a round that carry current through different pairs.
    fn first_legs(&self, round: &Round) -> Vec<Configuration> {
        let mut seen: BTreeSet<(Contact, Contact)> = BTreeSet::new();
        let legs = round.legs.iter().filter(|leg| {
            seen.insert((leg.source_in.min(leg.source_out), leg.source_in.max(leg.source_out)))
        });
        legs.take(LEGS).copied().collect()
    }
}
