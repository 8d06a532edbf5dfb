//! One leg: a configuration connected cold, its polarities read, and the current back at zero.

use crate::run::{Failure, Work};
use crate::stand_down::{Rest, duration, sees_no_current};
use quadrille_experiment::{Circumstances, Condition, Configuration, Event, MeterReading, Polarity, Reading};
use quadrille_instruments::{Answer, MeterValue, Place};
use quadrille_quantity::{Ampere, Kelvin, Second, Tesla, Volt};

/// Headroom of the voltmeter's range over what a first look saw.
const HEADROOM: f64 = 1.2;

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
struct Ranges {
    voltage: Volt,
    current: Ampere,
}

impl Work<'_> {
    /// Carries out one leg.
    pub(crate) async fn leg(&mut self, here: Here) -> Result<(), Failure> {
        let event =
            Event::IntentToEnergise { configuration: here.configuration, current: self.settings.current };
        self.recorder.event(&event).await?;
        self.connect(here.configuration).await?;
        let first = self.plan.reversal.first().copied().unwrap_or(Polarity::Plus);
        let mut driven = Some(first);
        self.bench.source.set_level(self.settings.current * first.sign()).await?;
        self.bench.source.set_output(true).await?;
        let ranges = self.ranges().await?;
        self.settle().await;
        for _ in 0..self.plan.repeats {
            for &polarity in &self.plan.reversal {
                if driven != Some(polarity) {
                    self.bench.source.set_level(self.settings.current * polarity.sign()).await?;
                    self.settle().await;
                    driven = Some(polarity);
                }
                self.read(here, polarity, ranges).await?;
            }
        }
        self.bench.source.set_level(Ampere(0.0)).await?;
        tokio::time::sleep(duration(self.settings.discharge.0)).await;
        self.bench.source.set_output(false).await?;
        // The next crosspoints move on the source's word and the ammeter's.
        if sees_no_current(self.bench.ammeter.as_mut(), &Rest::of(self.plan, &self.settings)).await? {
            Ok(())
        } else {
            Err(Failure::CurrentFlows)
        }
    }

    /// Crosspoints move only here: output off, ammeter's input shorted.
    async fn connect(&mut self, configuration: Configuration) -> Result<(), Failure> {
        self.bench.ammeter.short_input(true).await?;
        self.bench.matrix.open_all().await?;
        self.bench.matrix.connect(Place(self.sample), configuration, self.settings.buffers).await?;
        self.bench.ammeter.short_input(false).await?;
        Ok(())
    }

    async fn settle(&self) {
        tokio::time::sleep(duration(self.settings.settle.pause().0)).await;
    }

    /// The ranges of a leg: pinned, or found by a look at the voltage on the range that holds the voltage limit.
    async fn ranges(&mut self) -> Result<Ranges, Failure> {
        let current = self.bench.ammeter.set_range(self.settings.current).await?;
        if let Some(pinned) = self.settings.voltage_range {
            return Ok(Ranges { voltage: self.bench.voltmeter.set_range(pinned).await?, current });
        }
        let widest = self.bench.voltmeter.set_range(self.settings.voltage_limit).await?;
        self.settle().await;
        let look = self.bench.voltmeter.read().await?;
        let voltage = match look.value {
            MeterValue::Value(seen) => {
                // A look on a coarse range is itself uncertain by that range's offset.
                let largest = Volt(HEADROOM * seen.abs() + 3.0 * look.own_u);
                self.bench.voltmeter.set_range(largest.min(widest)).await?
            }
            MeterValue::Overload(_) | MeterValue::NotANumber => widest,
        };
        Ok(Ranges { voltage, current })
    }

    async fn read(&mut self, here: Here, polarity: Polarity, ranges: Ranges) -> Result<(), Failure> {
        // Both apertures begin now: what the answers and the instruments' errors take afterwards is not part of them.
        let middle = self.begun.elapsed().as_secs_f64() + self.settings.aperture.0 / 2.0;
        let (voltage, current) = tokio::join!(self.bench.voltmeter.read(), self.bench.ammeter.read());
        let (voltage, current) = (voltage?, current?);
        let at_limit = self.bench.source.in_compliance().await?.unwrap_or(false);
        let condition = condition(&voltage, &current, at_limit);
        let reading = Reading {
            time: Second(middle),
            temperature: here.temperature,
            field: here.field,
            configuration: here.configuration,
            current: measured(&current, Ampere),
            voltage: measured(&voltage, Volt),
            condition,
        };
        let circumstances = Circumstances {
            round: here.round,
            sample: self.plan.samples[self.sample].name.clone(),
            polarity,
            commanded: self.settings.current * polarity.sign(),
            voltage_range: ranges.voltage,
            current_range: ranges.current,
            voltage_limit: self.settings.voltage_limit,
            settled: self.settings.settle.pause(),
            aperture: self.settings.aperture,
            watch: None,
            guard: self.settings.guard,
            buffers: self.settings.buffers,
            voltage_answer: voltage.text,
            current_answer: current.text,
        };
        self.recorder.reading(&reading, &circumstances).await?;
        if condition != Condition::Sound {
            let configuration = here.configuration;
            let event = Event::Marked { configuration, polarity, reason: condition.to_string() };
            self.recorder.event(&event).await?;
        }
        Ok(())
    }
}

fn condition(voltage: &Answer, current: &Answer, at_limit: bool) -> Condition {
    match (voltage.value, current.value) {
        _ if at_limit => Condition::Compliance,
        (MeterValue::Overload(_), _) => Condition::VoltmeterOverload,
        (_, MeterValue::Overload(_)) => Condition::AmmeterOverload,
        (MeterValue::NotANumber, _) | (_, MeterValue::NotANumber) => Condition::NotANumber,
        (MeterValue::Value(_), MeterValue::Value(_)) => Condition::Sound,
    }
}

/// What a meter showed; of a state that is no value, the number that stands for it in SCPI-1999 (from memory), which
/// no mean ever sees.
fn measured<Q: Default>(answer: &Answer, quantity: fn(f64) -> Q) -> MeterReading<Q> {
    let value = match answer.value {
        MeterValue::Value(value) => value,
        MeterValue::Overload(sign) => 9.9e37f64.copysign(sign),
        MeterValue::NotANumber => 9.91e37,
    };
    MeterReading {
        value: quantity(value),
        gain_u: answer.gain_u,
        own_u: quantity(answer.own_u),
        ..MeterReading::default()
    }
}
