//! Temperature and field of a round: asked for, waited for, and proved by the sensors. A bench that controls neither has
//! somebody who states them.

mod approach;
mod field;
mod rest;

use crate::run::{Failure, Work};
use quadrille_experiment::{Event, Unreached};
use quadrille_instruments::{MeterValue, Sensed, ThermalState};
use quadrille_plan::Unreached as Wanted;
use quadrille_quantity::{Kelvin, Second};
use rest::{Ended, Thermometer};
use tokio::time::Instant;

/// Looks at a sensor within the time for which it must be near the target; ours.
const LOOKS: f64 = 40.0;

/// What was asked of the cryostat, and what its approaches taught.
#[derive(Default)]
pub(crate) struct Asked {
    /// The temperature that was last asked for.
    target: Option<Kelvin>,
    /// Whether it was not reached, and its rounds are left out.
    is_left_out: bool,
    /// How far an approach passed where it was to stop, in kelvins for each kelvin per minute of its ramp.
    overshoot: Option<f64>,
}

impl Work<'_> {
    /// Brings the sample to the temperature of a round; `false` where it was not reached and the round is left out.
    pub(crate) async fn reach_temperature(&mut self, planned: Kelvin) -> Result<bool, Failure> {
        let Some(ramp) = self.plan.ramps.kelvin_per_minute else { return Ok(true) };
        if self.bench.temperature.is_none() {
            return Ok(true);
        }
        if self.asked.target == Some(planned) {
            return Ok(!self.asked.is_left_out);
        }
        let begun = Instant::now();
        let course = self.set_out(planned, ramp).await?;
        (self.asked.target, self.asked.is_left_out) = (Some(planned), false);
        let mut thermometer = Thermometer::new(self.plan.stability, planned, begun, course);
        let longest = self.plan.stability.longest_wait;
        match self.until_at_rest(&mut thermometer, longest).await? {
            Ended::AtRest => self.reached(&thermometer).await,
            Ended::Not(because) => self.unreached(thermometer, because).await,
        }
    }

    async fn reached(&mut self, thermometer: &Thermometer) -> Result<bool, Failure> {
        let Thermometer { planned, measured, .. } = *thermometer;
        let (waited, seen) = (thermometer.waited(), thermometer.seen());
        self.recorder.event(&Event::TemperatureReached { planned, measured, waited, seen }).await?;
        Ok(true)
    }

    /// Does what the plan wants done where a temperature is not reached.
    async fn unreached(&mut self, mut thermometer: Thermometer, because: String) -> Result<bool, Failure> {
        let Thermometer { planned, measured, .. } = thermometer;
        let then = match self.plan.stability.unreached {
            Wanted::StandDown => return Err(Failure::Temperature(planned, because)),
            Wanted::Skip => Unreached::Skipped { rounds: self.rounds_here(planned) },
            Wanted::Park(_) => Unreached::Parked,
        };
        let waited = thermometer.waited();
        self.recorder
            .event(&Event::TemperatureUnreached { planned, measured, waited, because, then })
            .await?;
        let Wanted::Park(longest) = self.plan.stability.unreached else {
            self.asked.is_left_out = true;
            return Ok(false);
        };
        match self.until_at_rest(&mut thermometer, Second(waited.0 + longest.0)).await? {
            Ended::AtRest => self.reached(&thermometer).await,
            Ended::Not(because) => {
                Err(Failure::Temperature(planned, format!("parked for {longest} in vain: {because}")))
            }
        }
    }

    /// The rounds that follow at this temperature without another between.
    fn rounds_here(&self, planned: Kelvin) -> Vec<u32> {
        let here = |round: &&quadrille_plan::Round| round.temperature == planned;
        let from = self.plan.rounds.iter().skip_while(|round| round.number < self.round_now);
        from.take_while(here).map(|round| round.number).collect()
    }

    /// The sample's temperature now; as planned on a bench that has nobody to say.
    pub(crate) async fn temperature(&mut self, planned: Kelvin) -> Result<Kelvin, Failure> {
        let controlled = self.plan.ramps.kelvin_per_minute.is_some();
        let Some(controller) = self.bench.temperature.as_mut().filter(|_| controlled) else {
            return Ok(planned);
        };
        let sensed = controller.temperature().await?;
        value(&sensed, "the thermometer").map(Kelvin).map_err(|why| Failure::Temperature(planned, why))
    }

    async fn heeds_no_fault(&mut self, planned: Kelvin) -> Result<(), Failure> {
        let Some(controller) = self.bench.temperature.as_mut() else { return Ok(()) };
        match controller.status().await?.state {
            ThermalState::Fault(what) => Err(Failure::Temperature(planned, what)),
            ThermalState::Off => Err(Failure::Temperature(planned, "the heater went off".to_owned())),
            ThermalState::Ramping | ThermalState::Holding => Ok(()),
        }
    }
}

/// What a sensor says, or that it has nothing to say.
fn value(sensed: &Sensed, whose: &str) -> Result<f64, String> {
    match sensed.value {
        MeterValue::Value(value) => Ok(value),
        MeterValue::Overload(_) | MeterValue::NotANumber => {
            Err(format!("{whose} has no value: it answered \"{}\"", sensed.text))
        }
    }
}
