//! When the source comes to its voltage limit, and when it leaves it.

use super::{Mode, World};
use crate::parts::{CLAMP_SIEMENS, SOURCE_HIGH};
use quadrille_network::Response;

impl World {
    /// Voltages of the source's row between which it drives its current, some seconds from now.
    pub(super) fn free_span(&self, after: f64) -> [f64; 2] {
        let short = self.flows(after) / CLAMP_SIEMENS;
        [-self.source.limit - short, self.source.limit - short]
    }

    /// The first moment within a stretch at which the source comes to its limit or leaves it, with the mode from
    /// then on.
    pub(super) fn crossing(&self, seconds: f64, whole: &Response) -> Option<(Response, f64, Mode)> {
        if self.mode == Mode::Off {
            return None;
        }
        let mut outside = seconds;
        let mut response = None;
        if !self.is_beyond(whole, seconds) {
            // It may have been beyond and come back, where other nodes hold more than the row itself.
            let most = self.voltages.iter().chain(&whole.voltages).fold(0.0_f64, |m, v| m.max(v.abs()));
            let limited = self.mode == Mode::Free && most < self.source.limit && self.approach.is_none();
            let early = || (1..=6).rev().map(|k| seconds * 10f64.powi(-k));
            let found = early()
                .filter(|_| !limited)
                .map(|after| (after, self.respond(after)))
                .find(|(after, response)| self.is_beyond(response, *after))?;
            outside = found.0;
            response = Some(found.1);
        }
        let mut response = response.unwrap_or_else(|| whole.clone());
        let mut inside = 0.0;
        // Down to where the moment cannot be told apart, in time or in voltage.
        for _ in 0..60 {
            let middle = 0.5 * (inside + outside);
            let here = self.respond(middle);
            if self.is_beyond(&here, middle) {
                (outside, response) = (middle, here);
            } else {
                inside = middle;
            }
            let close =
                (response.voltages[SOURCE_HIGH] - self.bound(outside)).abs() <= 1e-12 * self.source.limit;
            if close || outside - inside <= 1e-12 * seconds {
                break;
            }
        }
        let positive = response.voltages[SOURCE_HIGH] > 0.0;
        let mode = if self.mode == Mode::Free { Mode::AtLimit { positive } } else { Mode::Free };
        Some((response, outside, mode))
    }

    /// Whether the voltages at the end of a stretch belong to another mode.
    pub(super) fn is_beyond(&self, response: &Response, after: f64) -> bool {
        let volt = response.voltages[SOURCE_HIGH];
        let [low, high] = self.free_span(after);
        match self.mode {
            Mode::Off => false,
            Mode::Free => volt > high || volt < low,
            Mode::AtLimit { positive: true } => volt < high,
            Mode::AtLimit { positive: false } => volt > low,
        }
    }

    /// The voltage at which the present mode ends, towards which the row is going.
    fn bound(&self, after: f64) -> f64 {
        let [low, high] = self.free_span(after);
        let upwards = match self.mode {
            Mode::AtLimit { positive } => positive,
            _ => self.source.current >= 0.0,
        };
        if upwards { high } else { low }
    }
}
