//! The magnet with its supply and a Hall probe: current by a ramp that the supply's voltage limits, and the field that it
//! and the iron make. Knows no command.
//!
//! A stretch of motion (a ramp, a hold, a run-down) begins where the last one was broken off, and everything within it is
//! in closed form from its beginning: what is asked in between changes nothing.

use super::iron::Iron;
use super::{Told, draw};
use crate::complaint::ComplaintKind;
use quadrille_documents::{Magnet as Limits, MagnetModel, Role};

/// Time constant with which the current dies away after a trip, in seconds. Ours.
const RUN_DOWN_S: f64 = 2.0;

/// Time between two conversions of the probe, in seconds. Ours.
const CONVERSION_S: f64 = 0.1;

/// Current below which a circuit may be opened, as a part of the largest. Ours.
const NO_CURRENT: f64 = 1e-3;

/// A fault of magnet or supply.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum MagnetFault {
    /// The ramp goes no further, and the supply says that it ramps.
    RampStalls,
    /// The magnet quenches, or the supply trips: the current dies away, and the supply does nothing until that is cleared.
    Trips,
    /// The probe shows so many teslas too much.
    ProbeJumps(f64),
    /// The probe shows for ever what it shows now.
    ProbeSticks,
}

/// What the current does from the beginning of a stretch on.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Motion {
    Still,
    Ramp { target_a: f64, rate_a_per_s: f64 },
    RunDown,
}

/// The current at a time within a ramp.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Ramped {
    current_a: f64,
    is_limited: bool,
    has_arrived: bool,
}

/// Errors of one probe.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ProbeErrors {
    pub(crate) gain: f64,
    pub(crate) offset_t: f64,
}

/// The magnet.
pub(crate) struct Magnet {
    model: MagnetModel,
    limits: Limits,
    probe: ProbeErrors,
    seed: u64,
    /// Field that is there without magnet, in teslas.
    background_t: f64,
    /// Beginning of the present stretch.
    since: f64,
    start: Iron,
    start_a: f64,
    motion: Motion,
    is_on: bool,
    has_tripped: bool,
    is_stalled: bool,
    jump_t: f64,
    stuck_t: Option<f64>,
    told: Vec<Told>,
}

impl Magnet {
    /// No current, output off, iron not magnetised.
    pub(crate) fn new(
        model: MagnetModel,
        limits: Limits,
        probe: ProbeErrors,
        background_t: f64,
        seed: u64,
    ) -> Self {
        Self {
            start: Iron::new(model.remanence_t, model.hysteresis_a),
            model,
            limits,
            probe,
            seed,
            background_t,
            since: 0.0,
            start_a: 0.0,
            motion: Motion::Still,
            is_on: false,
            has_tripped: false,
            is_stalled: false,
            jump_t: 0.0,
            stuck_t: None,
            told: Vec::new(),
        }
    }

    /// Current at a time of the present stretch, in amperes.
    pub(crate) fn current_a(&self, now: f64) -> f64 {
        let seconds = (now - self.since).max(0.0);
        match self.motion {
            Motion::Still => self.start_a,
            Motion::Ramp { .. } => self.ramped(now).current_a,
            Motion::RunDown => self.start_a * (-seconds / RUN_DOWN_S).exp(),
        }
    }

    /// Field at the sample, in teslas.
    pub(crate) fn field_t(&self, now: f64) -> f64 {
        let current = self.current_a(now);
        self.background_t + self.limits.field_t_per_a * current + self.start.at(current).field_t()
    }

    /// What the probe shows, in teslas. Its noise is that of the conversion, whoever asks for it how often.
    pub(crate) fn shown_t(&self, now: f64) -> f64 {
        if let Some(stuck) = self.stuck_t {
            return stuck;
        }
        let conversion = (now / CONVERSION_S).floor();
        let noise = draw(self.seed, "probe").real(conversion).normal() * self.model.noise_t;
        let exact = self.field_t(now) * (1.0 + self.probe.gain) + self.probe.offset_t + self.jump_t + noise;
        let step = self.model.resolution_t;
        if step > 0.0 { (exact / step).round() * step } else { exact }
    }

    /// Whether the supply says that it is on its way.
    pub(crate) fn is_ramping(&self, now: f64) -> bool {
        self.is_stalled || (matches!(self.motion, Motion::Ramp { .. }) && !self.ramped(now).has_arrived)
    }

    /// Whether the supply is at its voltage limit and cannot keep its ramp.
    pub(crate) fn is_at_voltage_limit(&self, now: f64) -> bool {
        matches!(self.motion, Motion::Ramp { .. }) && self.ramped(now).is_limited
    }

    pub(crate) fn has_tripped(&self) -> bool {
        self.has_tripped
    }

    pub(crate) fn is_on(&self) -> bool {
        self.is_on
    }

    /// Whether current flows that is not on its way to nothing.
    pub(crate) fn is_left_on(&self, now: f64) -> bool {
        let goes_down = match self.motion {
            Motion::Still => false,
            Motion::Ramp { target_a, .. } => target_a == 0.0,
            Motion::RunDown => true,
        };
        self.has_current(now) && !goes_down
    }

    /// Starts a ramp to a field by a rate, from where the current is.
    pub(crate) fn go_to(&mut self, now: f64, field_t: f64, rate_t_per_s: f64) {
        if self.has_tripped || !self.is_on {
            return;
        }
        self.judge_ramp(now, field_t, rate_t_per_s);
        self.begin(
            now,
            Motion::Ramp {
                target_a: self.limits.current_a(field_t),
                rate_a_per_s: self.limits.current_a(rate_t_per_s).abs(),
            },
        );
    }

    pub(crate) fn hold(&mut self, now: f64) {
        if !self.has_tripped {
            self.begin(now, Motion::Still);
        }
    }

    /// Switches the output. Off with current breaks the circuit: the current is gone at once, and that is told.
    pub(crate) fn set_output(&mut self, now: f64, on: bool) {
        if self.is_on && !on {
            if self.has_current(now) {
                let ampere = self.current_a(now);
                let joule = 0.5 * self.model.inductance_h * ampere * ampere;
                let detail = format!("output off at {ampere:.3} A, with {joule:.3} J in the coil");
                self.told.push(Told::new(now, ComplaintKind::MagnetOpened, detail));
            }
            self.begin(now, Motion::Still);
            (self.start, self.start_a) = (self.start.at(0.0), 0.0);
        }
        self.is_on = on;
    }

    /// Forgets that it tripped; the current stays where it has come to.
    pub(crate) fn clear_trip(&mut self, now: f64) {
        if std::mem::take(&mut self.has_tripped) {
            self.begin(now, Motion::Still);
        }
    }

    /// Shows a fault from now on, beside those that it shows already.
    pub(crate) fn fail(&mut self, now: f64, fault: MagnetFault) {
        match fault {
            MagnetFault::RampStalls => {
                if self.is_ramping(now) {
                    self.begin(now, Motion::Still);
                }
                self.is_stalled = true;
            }
            MagnetFault::Trips => {
                self.begin(now, Motion::RunDown);
                self.has_tripped = true;
            }
            MagnetFault::ProbeJumps(tesla) => self.jump_t = tesla,
            MagnetFault::ProbeSticks => self.stuck_t = Some(self.shown_t(now)),
        }
    }

    /// Nothing is wrong any more; a trip is still to be cleared, and a ramp that stalled to be started again.
    pub(crate) fn mend(&mut self) {
        (self.is_stalled, self.jump_t, self.stuck_t) = (false, 0.0, None);
    }

    /// What is to be complained of since this was asked last.
    pub(crate) fn take_told(&mut self) -> Vec<Told> {
        std::mem::take(&mut self.told)
    }

    pub(crate) fn has_current(&self, now: f64) -> bool {
        let most = self.limits.current_a(self.limits.most_field_t).abs();
        self.current_a(now).abs() > NO_CURRENT * most
    }

    fn begin(&mut self, now: f64, motion: Motion) {
        let current = self.current_a(now);
        (self.start, self.start_a, self.since) = (self.start.at(current), current, now.max(self.since));
        self.motion =
            if self.is_stalled && !matches!(motion, Motion::RunDown) { Motion::Still } else { motion };
    }

    /// The supply keeps its ramp while L·r + R·I is within its voltage. Beyond, the current goes by the time constant
    /// of the coil towards what that voltage drives in the end, U/R, at which it may never arrive.
    fn ramped(&self, now: f64) -> Ramped {
        let Motion::Ramp { target_a, rate_a_per_s: rate } = self.motion else {
            return Ramped { current_a: self.start_a, is_limited: false, has_arrived: true };
        };
        let MagnetModel { inductance_h: l, resistance_ohm: r, compliance_v: u, .. } = self.model;
        let seconds = (now - self.since).max(0.0);
        let direction = if target_a < self.start_a { -1.0 } else { 1.0 };
        // Along the direction of the ramp, so that there is but one way to go: up.
        let (from, to) = (direction * self.start_a, direction * target_a);
        let (linear_s, keeps_to) = match r > 0.0 {
            true => {
                let keeps_to = ((u - l * rate) / r).max(from);
                (if rate > 0.0 { (keeps_to - from) / rate } else { f64::INFINITY }, keeps_to)
            }
            false => (if l * rate <= u { f64::INFINITY } else { 0.0 }, from),
        };
        let is_limited = seconds > linear_s;
        let along = if !is_limited {
            from + rate * seconds
        } else if r > 0.0 {
            u / r - (u / r - keeps_to) * (-(seconds - linear_s) * r / l).exp()
        } else {
            from + u / l * seconds
        };
        let has_arrived = along >= to;
        Ramped { current_a: direction * along.min(to), is_limited: is_limited && !has_arrived, has_arrived }
    }

    fn judge_ramp(&mut self, now: f64, field_t: f64, rate_t_per_s: f64) {
        let (ramp, field) = (self.limits.most_ramp_t_per_s, self.limits.most_field_t);
        if rate_t_per_s > ramp * (1.0 + 1e-9) {
            let detail = format!("{rate_t_per_s} T/s, {ramp} T/s are allowed");
            self.told.push(Told::new(now, ComplaintKind::RampTooFast(Role::FieldSource), detail));
        }
        if field_t.abs() > field * (1.0 + 1e-9) {
            let detail = format!("on the way to {field_t} T, {field} T are allowed");
            self.told.push(Told::new(now, ComplaintKind::OverField, detail));
        }
    }
}
