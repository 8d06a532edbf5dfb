//! How the circuit of the present mode goes on, and what passes the ammeter meanwhile.

use super::{Mode, World};
use crate::parts::{CLAMP_SIEMENS, Lined, RETURN_LOW, SOURCE_HIGH};
use quadrille_network::{Fading, Response};
use quadrille_quantity::Second;

impl World {
    /// Charge through the ammeter during a response, in coulombs.
    pub(super) fn charge(&self, response: &Response, seconds: f64) -> f64 {
        if !self.position.input {
            return 0.0;
        }
        // Of the two ways to know it, the one that rounding of the voltages touches less.
        if self.is_at_limit() {
            return response.integrals[RETURN_LOW] / self.parts.burden_ohm();
        }
        let rises: Vec<f64> =
            response.voltages.iter().zip(&self.voltages).map(|(end, start)| end - start).collect();
        let faded =
            self.fading().map_or(0.0, |(ampere, time_s)| -ampere * time_s * (-seconds / time_s).exp_m1());
        let driven = self.drive() * seconds + faded;
        self.formed.balance.charge(driven, seconds, &response.integrals, &rises)
    }

    /// Current that is pushed into the source's row in the end, before what its own conductance takes.
    pub(super) fn drive(&self) -> f64 {
        match self.mode {
            Mode::Off => 0.0,
            Mode::Free => self.source.current,
            Mode::AtLimit { positive: true } => self.source.limit * CLAMP_SIEMENS,
            Mode::AtLimit { positive: false } => -self.source.limit * CLAMP_SIEMENS,
        }
    }

    /// Node voltages after some seconds in the present mode. Only what differs from the background is propagated,
    /// with the drive turned positive: the solver keeps most digits near ground for currents that go there.
    pub(super) fn respond(&self, seconds: f64) -> Response {
        let drive = self.drive();
        let sign = if drive < 0.0 { -1.0 } else { 1.0 };
        let Lined { dynamics, background } = &*self.lined;
        let excess: Vec<f64> = self.voltages.iter().zip(background).map(|(v, b)| sign * (v - b)).collect();
        let mut currents = vec![0.0; excess.len()];
        currents[SOURCE_HIGH] = sign * drive;
        let mut fades = vec![0.0; excess.len()];
        let fading = self.fading().map(|(ampere, time_s)| {
            fades[SOURCE_HIGH] = sign * ampere;
            Fading { currents: &fades, time: Second(time_s) }
        });
        let mut response = dynamics.advance_fading(&excess, &currents, fading, Second(seconds));
        for (k, b) in background.iter().enumerate() {
            response.voltages[k] = sign * response.voltages[k] + b;
            response.integrals[k] = sign * response.integrals[k] + b * seconds;
        }
        response
    }
}
