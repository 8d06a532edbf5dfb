//! Temperature and field of a round: asked for, waited for, and proved by the sensors. A bench that controls neither has
//! somebody who states them.

use crate::run::{Failure, Work};
use crate::stand_down::duration;
use quadrille_experiment::Event;
use quadrille_instruments::{FieldState, MeterValue, ThermalState};
use quadrille_quantity::{Kelvin, Tesla};
use tokio::time::Instant;

/// Looks at the thermometer within the time for which it must be near the target; ours.
const LOOKS: f64 = 12.0;

/// Shortest and longest pause between two looks, in seconds; ours.
const PAUSE_S: (f64, f64) = (1.0, 10.0);

/// How much longer than its ramp a field may take, and what is added to that, in seconds; ours.
const PATIENCE: (f64, f64) = (2.0, 60.0);

/// How far the field at the probe may be from the one that is wanted before it is corrected: a part of it, and teslas.
/// What is left is in the readings, which carry the probe's value. The smallest field of a Hall measurement is 1 mT.
const NEAR: (f64, f64) = (0.01, 2e-4);

/// Most corrections of a field: iron keeps some of what was asked for before.
const CORRECTIONS: usize = 4;

impl Work<'_> {
    /// Brings the sample to the temperature of a round, and answers what the thermometer says.
    pub(crate) async fn reach_temperature(&mut self, planned: Kelvin) -> Result<Kelvin, Failure> {
        let Some(ramp) = self.plan.ramps.kelvin_per_minute else { return Ok(planned) };
        let Some(controller) = self.bench.temperature.as_mut() else { return Ok(planned) };
        if self.target == Some(planned) {
            return self.temperature(planned).await;
        }
        self.energised = true;
        controller.set_ramp(ramp).await?;
        controller.set_target(planned).await?;
        controller.set_heater(true).await?;
        self.target = Some(planned);
        let begun = Instant::now();
        let measured = self.wait_until_stable(planned).await?;
        let waited = quadrille_quantity::Second(begun.elapsed().as_secs_f64());
        self.recorder.event(&Event::TemperatureReached { planned, measured, waited }).await?;
        Ok(measured)
    }

    /// The sample's temperature now; as planned on a bench that has nobody to say.
    pub(crate) async fn temperature(&mut self, planned: Kelvin) -> Result<Kelvin, Failure> {
        let controlled = self.plan.ramps.kelvin_per_minute.is_some();
        let Some(controller) = self.bench.temperature.as_mut().filter(|_| controlled) else {
            return Ok(planned);
        };
        let sensed = controller.temperature().await?;
        match sensed.value {
            MeterValue::Value(kelvin) => Ok(Kelvin(kelvin)),
            MeterValue::Overload(_) | MeterValue::NotANumber => {
                let why = format!("the thermometer has no value: it answered \"{}\"", sensed.text);
                Err(Failure::Temperature(planned, why))
            }
        }
    }

    /// Near the target for as long as the plan asks, without a break.
    async fn wait_until_stable(&mut self, planned: Kelvin) -> Result<Kelvin, Failure> {
        let stability = self.plan.stability;
        let pause = duration((stability.time.0 / LOOKS).clamp(PAUSE_S.0, PAUSE_S.1));
        let begun = Instant::now();
        let mut near_since = None;
        loop {
            let now = self.temperature(planned).await?;
            self.heeds_no_fault(planned).await?;
            if (now.0 - planned.0).abs() <= stability.within_k {
                let since = *near_since.get_or_insert_with(Instant::now);
                if since.elapsed() >= duration(stability.time.0) {
                    return Ok(now);
                }
            } else {
                near_since = None;
            }
            if begun.elapsed() >= duration(stability.longest_wait.0) {
                let why =
                    format!("not within {} K of it in {}: {now}", stability.within_k, stability.longest_wait);
                return Err(Failure::Temperature(planned, why));
            }
            tokio::time::sleep(pause).await;
        }
    }

    async fn heeds_no_fault(&mut self, planned: Kelvin) -> Result<(), Failure> {
        let Some(controller) = self.bench.temperature.as_mut() else { return Ok(()) };
        match controller.status().await?.state {
            ThermalState::Fault(what) => Err(Failure::Temperature(planned, what)),
            ThermalState::Off => Err(Failure::Temperature(planned, "the heater went off".to_owned())),
            ThermalState::Ramping | ThermalState::Holding => Ok(()),
        }
    }

    /// Brings the sample to the field of a round, and answers what the probe says, or whoever confirmed it.
    pub(crate) async fn reach_field(&mut self, planned: Tesla) -> Result<Tesla, Failure> {
        let ramp = self.plan.ramps.tesla_per_second.filter(|_| self.bench.field.is_some());
        let Some(ramp) = ramp else {
            return self.fields.set(planned).await.map_err(|why| Failure::Field(planned, why));
        };
        let mut asked = planned;
        let mut measured = self.go_to(asked, ramp).await?;
        for _ in 0..CORRECTIONS {
            let off = measured.0 - planned.0;
            if off.abs() <= NEAR.0 * planned.0.abs() + NEAR.1 {
                return Ok(measured);
            }
            asked = Tesla(asked.0 - off);
            measured = self.go_to(asked, ramp).await?;
        }
        let why = format!("the probe still says {measured} after {CORRECTIONS} corrections");
        Err(Failure::Field(planned, why))
    }

    /// Goes to what the supply calls a field, waits until it is there, and asks the probe.
    async fn go_to(&mut self, field: Tesla, ramp: f64) -> Result<Tesla, Failure> {
        let from = self.probe(field).await?;
        let Some(magnet) = self.bench.field.as_mut() else { return Ok(from) };
        self.energised = true;
        magnet.set_ramp(ramp).await?;
        magnet.go_to(field).await?;
        let ramp_s = (field.0 - from.0).abs() / ramp;
        let longest = duration(PATIENCE.0 * ramp_s + PATIENCE.1);
        // Asked seldom where it takes long.
        let pause = duration((ramp_s / LOOKS).clamp(0.1, PAUSE_S.1));
        let begun = Instant::now();
        loop {
            match magnet.state().await? {
                FieldState::AtRest => return self.probe(field).await,
                FieldState::Fault(what) => return Err(Failure::Field(field, what)),
                FieldState::Ramping if begun.elapsed() >= longest => {
                    let why = format!("the supply is still on its way after {} s", longest.as_secs());
                    return Err(Failure::Field(field, why));
                }
                FieldState::Ramping => tokio::time::sleep(pause).await,
            }
        }
    }

    pub(crate) async fn probe(&mut self, planned: Tesla) -> Result<Tesla, Failure> {
        let Some(magnet) = self.bench.field.as_mut() else { return Ok(planned) };
        let sensed = magnet.field().await?;
        match sensed.value {
            MeterValue::Value(tesla) => Ok(Tesla(tesla)),
            MeterValue::Overload(_) | MeterValue::NotANumber => {
                let why = format!("the probe has no value: it answered \"{}\"", sensed.text);
                Err(Failure::Field(planned, why))
            }
        }
    }
}
