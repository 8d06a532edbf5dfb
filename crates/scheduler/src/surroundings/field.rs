//! The field of a round: set by a supply and seen by its probe, or by somebody who confirms it.

use super::{LOOKS, value};
use crate::Now;
use crate::run::{Failure, Work};
use crate::stand_down::duration;
use quadrille_instruments::FieldState;
use quadrille_quantity::Tesla;
use tokio::time::Instant;

/// Shortest and longest pause between two looks, in seconds; ours.
const PAUSE_S: (f64, f64) = (0.1, 10.0);

/// How much longer than its ramp a field may take, and what is added to that, in seconds; ours.
const PATIENCE: (f64, f64) = (2.0, 60.0);

/// How far the field at the probe may be from the one that is wanted before it is corrected: a part of it, and teslas.
/// What is left is in the readings, which carry the probe's value. The smallest field of a Hall measurement is 1 mT.
const NEAR: (f64, f64) = (0.01, 2e-4);

/// Most corrections of a field: iron keeps some of what was asked for before.
const CORRECTIONS: usize = 4;

impl Work<'_> {
    /// Brings the sample to the field of a round, and answers what the probe says, or whoever confirmed it.
    pub(crate) async fn reach_field(&mut self, planned: Tesla) -> Result<Tesla, Failure> {
        self.recorder.now(Now::Field { planned, measured: None });
        let ramp = self.plan.ramps.tesla_per_second.filter(|_| self.bench.field.is_some());
        let Some(ramp) = ramp else {
            return self.by_hand(planned).await;
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

    /// Somebody sets it, within the time that the plan gives.
    async fn by_hand(&mut self, planned: Tesla) -> Result<Tesla, Failure> {
        let set = self.fields.set(planned);
        let confirmed = match self.plan.hand {
            Some(longest) => tokio::time::timeout(duration(longest.0), set)
                .await
                .unwrap_or_else(|_| Err(format!("nobody confirmed it within {longest}"))),
            None => set.await,
        };
        confirmed.map_err(|why| Failure::Field(planned, why))
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
        let pause = duration((ramp_s / LOOKS).clamp(PAUSE_S.0, PAUSE_S.1));
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
        let said = value(&sensed, "the probe").map_err(|why| Failure::Field(planned, why))?;
        Ok(Tesla(said))
    }
}
