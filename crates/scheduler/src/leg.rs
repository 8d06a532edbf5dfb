//! One leg: a configuration connected cold, its polarities read, and the current back at zero.

use crate::Now;
use crate::evidence::Mean;
use crate::run::{Failure, Work};
use crate::stand_down::{Rest, duration, sees_no_current};
use quadrille_experiment::{Circumstances, Condition, Configuration, Event, MeterReading, Polarity, Reading};
use quadrille_instruments::{Answer, MeterValue, Place};
use quadrille_plan::{Round, Settle};
use quadrille_quantity::{Ampere, Kelvin, Second, Tesla, Volt};

/// Headroom of the voltmeter's range over what a look saw.
pub(crate) const HEADROOM: f64 = 1.2;

/// Time constants after which leads are discharged far enough that no crosspoint moves under a voltage worth naming.
const DISCHARGED: f64 = 4.0;

/// Where a reading is taken.
#[derive(Clone, Copy)]
pub(crate) struct Here {
    pub(crate) round: u32,
    pub(crate) field: Tesla,
    pub(crate) temperature: Kelvin,
    pub(crate) configuration: Configuration,
}

/// Full scales of the two meters.
#[derive(Clone, Copy)]
pub(crate) struct Ranges {
    pub(crate) voltage: Volt,
    pub(crate) current: Ampere,
    /// The voltmeter's range that holds whatever the source can put out.
    pub(crate) widest: Volt,
}

impl Work<'_> {
    /// Carries out one leg.
    pub(crate) async fn leg(&mut self, here: Here, round: &Round) -> Result<(), Failure> {
        match self.settings.settle {
            Settle::Wait(wait) => self.leg_by_the_clock(here, wait).await,
            Settle::Evidence(evidence) => self.leg_by_evidence(here, round, evidence).await,
        }
    }

    async fn leg_by_the_clock(&mut self, here: Here, wait: Second) -> Result<(), Failure> {
        let first = self.plan.reversal.first().copied().unwrap_or(Polarity::Plus);
        let mut driven = Some(first);
        self.drive(here, first).await?;
        let ranges = self.ranges(wait).await?;
        tokio::time::sleep(duration(wait.0)).await;
        for _ in 0..self.settings.repeats {
            for &polarity in &self.plan.reversal {
                if driven != Some(polarity) {
                    self.bench.source.set_level(self.settings.current * polarity.sign()).await?;
                    tokio::time::sleep(duration(wait.0)).await;
                    driven = Some(polarity);
                }
                self.read(here, polarity, ranges).await?;
            }
        }
        self.de_energise().await
    }

    /// Connects a configuration and drives its first current; the ranges are those that hold what is expected.
    pub(crate) async fn energise(&mut self, here: Here, first: Polarity) -> Result<Ranges, Failure> {
        self.drive(here, first).await?;
        self.ranges_for(here).await
    }

    /// The ranges that hold what is expected, or whatever the source can put out.
    pub(crate) async fn ranges_for(&mut self, here: Here) -> Result<Ranges, Failure> {
        let current = self.bench.ammeter.set_range(self.settings.current).await?;
        let known =
            self.learned.entry(self.sample).or_default().resistances.get(&here.configuration).copied();
        let expected = known.map(|ohm| (self.settings.current * ohm).abs() * HEADROOM);
        let limit = self.settings.voltage_limit;
        let (voltage, widest) = match self.settings.voltage_range {
            Some(pinned) => {
                let pinned = self.bench.voltmeter.set_range(pinned).await?;
                (pinned, pinned)
            }
            None => {
                let start = expected.unwrap_or(limit).min(limit);
                (self.bench.voltmeter.set_range(start).await?, limit)
            }
        };
        Ok(Ranges { voltage, current, widest })
    }

    pub(crate) async fn drive(&mut self, here: Here, first: Polarity) -> Result<(), Failure> {
        let event =
            Event::IntentToEnergise { configuration: here.configuration, current: self.settings.current };
        self.recorder.event(&event).await?;
        self.connect(here.configuration).await?;
        self.drive_guard().await?;
        self.bench.source.set_level(self.settings.current * first.sign()).await?;
        self.bench.source.set_output(true).await?;
        self.tell_on(here, self.settings.current * first.sign());
        Ok(())
    }

    /// Tells whoever watches that the output is on.
    pub(crate) fn tell_on(&mut self, here: Here, current: Ampere) {
        let (sample, configuration, limit) = (self.sample, here.configuration, self.settings.voltage_limit);
        self.recorder.now(Now::On { sample, configuration, current, limit });
    }

    /// Current to zero, output off, and the ammeter agrees: only then may crosspoints move again.
    pub(crate) async fn de_energise(&mut self) -> Result<(), Failure> {
        self.bench.source.set_level(Ampere(0.0)).await?;
        // A plan's time constant is rather too long; where legs have shown it, as many of theirs are enough.
        let shown = self.learned.entry(self.sample).or_default().discharge(self.settings.guard, DISCHARGED);
        let discharge = shown.map_or(self.settings.discharge, |shown| shown.min(self.settings.discharge));
        tokio::time::sleep(duration(discharge.0)).await;
        self.bench.source.set_output(false).await?;
        // The next crosspoints move on the source's word and the ammeter's.
        if sees_no_current(self.bench.ammeter.as_mut(), &Rest::of(self.plan, &self.settings)).await? {
            self.recorder.now(Now::Off);
            Ok(())
        } else {
            Err(Failure::CurrentFlows)
        }
    }

    /// Crosspoints move only here: output off, ammeter's input shorted, the guard not driven. On a slow link it may take a
    /// second until rows that hang open are connected again, time enough to drift by volts if a guard follows them.
    async fn connect(&mut self, configuration: Configuration) -> Result<(), Failure> {
        self.undrive_guard().await?;
        self.bench.ammeter.short_input(true).await?;
        self.bench.matrix.open_all().await?;
        self.bench.matrix.connect(Place(self.sample), configuration, self.settings.buffers).await?;
        self.bench.ammeter.short_input(false).await?;
        Ok(())
    }

    /// The ranges of a leg: pinned, or found by a look at the voltage on the range that holds the voltage limit.
    pub(crate) async fn ranges(&mut self, wait: Second) -> Result<Ranges, Failure> {
        let current = self.bench.ammeter.set_range(self.settings.current).await?;
        if let Some(pinned) = self.settings.voltage_range {
            let voltage = self.bench.voltmeter.set_range(pinned).await?;
            return Ok(Ranges { voltage, current, widest: voltage });
        }
        let widest = self.bench.voltmeter.set_range(self.settings.voltage_limit).await?;
        tokio::time::sleep(duration(wait.0)).await;
        let look = self.bench.voltmeter.read().await?;
        let voltage = match look.value {
            MeterValue::Value(seen) => {
                // A look on a coarse range is itself uncertain by that range's offset.
                let largest = Volt(HEADROOM * seen.abs() + 3.0 * look.own_u);
                self.bench.voltmeter.set_range(largest.min(widest)).await?
            }
            MeterValue::Overload(_) | MeterValue::NotANumber => widest,
        };
        Ok(Ranges { voltage, current, widest })
    }

    /// Reads both meters now, and keeps what they said.
    pub(crate) async fn read(
        &mut self,
        here: Here,
        polarity: Polarity,
        ranges: Ranges,
    ) -> Result<Condition, Failure> {
        // Both apertures begin now: what the answers and the instruments' errors take afterwards is not part of them.
        let middle = self.begun.elapsed().as_secs_f64() + self.settings.aperture.0 / 2.0;
        let (voltage, current) = tokio::join!(self.bench.voltmeter.read(), self.bench.ammeter.read());
        let (voltage, current) = (voltage?, current?);
        let at_limit = self.bench.source.in_compliance().await?.unwrap_or(false);
        let condition = condition(&voltage, &current, at_limit);
        let reading = self.reading(here, &voltage, &current, condition, middle);
        let circumstances = self.circumstances(here, polarity, ranges, &voltage, &current);
        self.keep(here, polarity, &reading, &circumstances).await?;
        Ok(condition)
    }

    /// A reading of what both meters answered.
    pub(crate) fn reading(
        &self,
        here: Here,
        voltage: &Answer,
        current: &Answer,
        condition: Condition,
        time: f64,
    ) -> Reading {
        Reading {
            time: Second(time),
            temperature: here.temperature,
            field: here.field,
            configuration: here.configuration,
            current: measured(current, Ampere, None),
            voltage: measured(voltage, Volt, None),
            condition,
        }
    }

    /// What a reading was taken at, with the settings in force.
    pub(crate) fn circumstances(
        &self,
        here: Here,
        polarity: Polarity,
        ranges: Ranges,
        voltage: &Answer,
        current: &Answer,
    ) -> Circumstances {
        let settings = &self.settings;
        Circumstances {
            round: here.round,
            sample: self.plan.samples[self.sample].name.clone(),
            polarity,
            commanded: settings.current * polarity.sign(),
            voltage_range: ranges.voltage,
            current_range: ranges.current,
            voltage_limit: settings.voltage_limit,
            settled: settings.settle.pause(),
            aperture: settings.aperture,
            watch: None,
            guard: settings.guard,
            buffers: settings.buffers,
            voltage_answer: voltage.text.clone(),
            current_answer: current.text.clone(),
        }
    }

    /// Keeps a reading, and says so where it is no value.
    pub(crate) async fn keep(
        &mut self,
        here: Here,
        polarity: Polarity,
        reading: &Reading,
        circumstances: &Circumstances,
    ) -> Result<(), Failure> {
        self.recorder.reading(reading, circumstances).await?;
        if let Some(gathered) = &mut self.of_contacts {
            gathered.push(*reading);
        }
        if reading.condition != Condition::Sound {
            let (configuration, reason) = (here.configuration, reading.condition.to_string());
            self.recorder.event(&Event::Marked { configuration, polarity, reason }).await?;
        }
        Ok(())
    }
}

pub(crate) fn condition(voltage: &Answer, current: &Answer, at_limit: bool) -> Condition {
    match (voltage.value, current.value) {
        _ if at_limit => Condition::Compliance,
        (MeterValue::Overload(_), _) => Condition::VoltmeterOverload,
        (_, MeterValue::Overload(_)) => Condition::AmmeterOverload,
        (MeterValue::NotANumber, _) | (_, MeterValue::NotANumber) => Condition::NotANumber,
        (MeterValue::Value(_), MeterValue::Value(_)) => Condition::Sound,
    }
}

/// What a meter showed, or a mean of what it showed; of a state that is no value, the number that stands for it in
/// SCPI-1999 (from memory), which no mean ever sees.
pub(crate) fn measured<Q: Default>(
    answer: &Answer,
    quantity: fn(f64) -> Q,
    mean: Option<Mean>,
) -> MeterReading<Q> {
    let value = match answer.value {
        MeterValue::Value(value) => mean.map_or(value, |mean| mean.value),
        MeterValue::Overload(sign) => 9.9e37f64.copysign(sign),
        MeterValue::NotANumber => 9.91e37,
    };
    let mean = mean.unwrap_or_default();
    MeterReading {
        value: quantity(value),
        gain_u: answer.gain_u,
        own_u: quantity(answer.own_u),
        noise_u: quantity(mean.noise_u),
        settling_u: quantity(mean.settling_u),
    }
}
