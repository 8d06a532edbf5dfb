//! The cryostat with its controller: heat, thermometer, set point and heater in time, with the faults that it may show.
//! Knows no command. Whether a temperature is stable is not kept anywhere: it is what the plant does.
//!
//! The controller looks at its thermometer every `cadence_s`, the first time at 0 s, and sets the heater for the time
//! until it looks again; between the two everything is propagated exactly. Settings are taken at the next look. So the
//! state at each look depends on the settings and their times alone, never on who asked what in between.

use super::pid::{Pid, Tuning};
use super::sensor::Sensor;
use super::thermal::{Propagator, Temperatures, Thermal};
use super::{Told, generator};
use crate::complaint::ComplaintKind;
use quadrille_documents::{Cryostat as Limits, CryostatModel, PidModel, Role};
use quadrille_material::MaterialError;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// The stage may overshoot the highest temperature by this before it is a complaint, in kelvins. Ours.
const OVERSHOOT_K: f64 = 1.0;

/// The controller takes the heater off where its thermometer is above the highest temperature by this. Ours.
const TRIP_K: f64 = 10.0;

/// Closed-loop time constant that the usual gain aims at, in time constants of the sample. Ours.
const UNHURRIED: f64 = 2.0;

/// A fault of cryostat or controller.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CryostatFault {
    /// The heater gives nothing, whatever the controller says: the temperature stalls and falls.
    HeaterBroken,
    /// The bath is at another temperature, in kelvins: the coolant has run out.
    BathAt(f64),
    /// The controller is badly tuned. A small gain overshoots; a lag beside a usual gain swings for ever.
    Detuned {
        /// What its gain is multiplied by.
        gain: f64,
        /// What its integral time is multiplied by.
        integral: f64,
        /// Time constant by which it averages its thermometer before it acts, in seconds.
        lag_s: f64,
    },
    /// The thermometer shows so many kelvins too much from now on; the controller believes it.
    SensorJumps(f64),
    /// The thermometer shows for ever what it shows now.
    SensorSticks,
    /// The thermometer's leads are broken: it shows nothing, and the controller takes the heater off.
    SensorBroken,
    /// The controller takes the heater off as at over-temperature, until its trip is cleared.
    Trips,
}

/// What goes wrong at present.
#[derive(Clone, Copy, Debug)]
struct Wrong {
    heater: bool,
    jump_k: f64,
    stuck: bool,
    broken: bool,
}

const NOTHING_WRONG: Wrong = Wrong { heater: false, jump_k: 0.0, stuck: false, broken: false };

/// The cryostat.
pub(crate) struct Cryostat {
    model: CryostatModel,
    limits: Limits,
    thermal: Thermal,
    between_looks: Propagator,
    pid: Pid,
    sensor: Sensor,
    /// What this thermometer shows too much, in kelvins.
    offset_k: f64,
    noise: ChaCha8Rng,
    looks: u64,
    /// At the last look.
    at: Temperatures,
    heater_w: f64,
    commanded_w: f64,
    shown_k: Option<f64>,
    /// What the controller acts on.
    averaged_k: Option<f64>,
    lag_s: f64,
    set_k: f64,
    target_k: f64,
    ramp_k_per_s: f64,
    is_on: bool,
    has_tripped: bool,
    wrong: Wrong,
    told_hot: bool,
    told_fast: bool,
    told: Vec<Told>,
}

impl Cryostat {
    /// Everything at the temperature that the document says, heater off. `offset_k` is the thermometer's own error.
    pub(crate) fn new(
        model: &CryostatModel,
        limits: Limits,
        offset_k: f64,
        seed: u64,
    ) -> Result<Self, MaterialError> {
        let thermal = Thermal::new(model);
        let start = Temperatures { stage: model.start_k, sample: model.start_k };
        let mut this = Self {
            between_looks: thermal.propagator(model.pid.cadence_s),
            pid: Pid::new(tuning(model), model.pid.cadence_s, model.heater_w),
            sensor: Sensor::new(&model.sensor)?,
            thermal,
            limits,
            offset_k,
            noise: generator(seed, "thermometer"),
            looks: 0,
            at: start,
            heater_w: 0.0,
            commanded_w: 0.0,
            shown_k: None,
            averaged_k: None,
            lag_s: 0.0,
            set_k: model.start_k,
            target_k: model.start_k,
            ramp_k_per_s: limits.most_ramp_k_per_min / 60.0,
            is_on: false,
            has_tripped: false,
            wrong: NOTHING_WRONG,
            told_hot: false,
            told_fast: false,
            told: Vec::new(),
            model: model.clone(),
        };
        this.look();
        Ok(this)
    }

    /// Lets time pass, look after look.
    pub(crate) fn advance(&mut self, to: f64) {
        while self.next_look() <= to {
            self.at = self.thermal.advance(&self.between_looks, self.at, self.heater_w);
            self.looks += 1;
            self.look();
        }
    }

    /// Temperatures at a time from the last look on; [`Cryostat::advance`] comes first.
    pub(crate) fn temperatures(&self, now: f64) -> Temperatures {
        let since = (now - self.looks as f64 * self.model.pid.cadence_s).max(0.0);
        self.thermal.advance(&self.thermal.propagator(since), self.at, self.heater_w)
    }

    /// What the thermometer showed at the last look, in kelvins; `None` where it is broken or beyond its range.
    pub(crate) fn shown_k(&self) -> Option<f64> {
        self.shown_k
    }

    /// Resistance of the thermometer at the last look.
    pub(crate) fn ohm(&self) -> Option<f64> {
        self.sensor.ohm(self.at.stage).filter(|_| !self.wrong.broken)
    }

    /// Heater power that the controller wants, in percent of the most.
    pub(crate) fn heater_percent(&self) -> f64 {
        100.0 * self.commanded_w / self.model.heater_w
    }

    pub(crate) fn is_on(&self) -> bool {
        self.is_on
    }

    /// Whether the set point is on its way.
    pub(crate) fn is_ramping(&self) -> bool {
        self.is_on && self.set_k != self.target_k
    }

    pub(crate) fn has_tripped(&self) -> bool {
        self.has_tripped
    }

    pub(crate) fn start_k(&self) -> f64 {
        self.model.start_k
    }

    pub(crate) fn set_target(&mut self, kelvin: f64) {
        self.target_k = kelvin;
    }

    pub(crate) fn set_ramp(&mut self, kelvin_per_second: f64) {
        self.ramp_k_per_s = kelvin_per_second;
        self.told_fast = false;
    }

    /// The set point begins where the thermometer is.
    pub(crate) fn set_heater(&mut self, on: bool) {
        if on && !self.is_on {
            self.pid.reset();
            self.averaged_k = None;
            self.set_k = self.shown_k.unwrap_or(self.at.stage);
        }
        self.is_on = on && !self.has_tripped;
    }

    /// Forgets that it tripped; the heater stays off.
    pub(crate) fn clear_trip(&mut self) {
        self.has_tripped = false;
    }

    /// Shows a fault from now on, beside those that it shows already.
    pub(crate) fn fail(&mut self, fault: CryostatFault) {
        match fault {
            CryostatFault::HeaterBroken => self.wrong.heater = true,
            CryostatFault::BathAt(kelvin) => self.thermal.set_bath(kelvin),
            CryostatFault::Detuned { gain, integral, lag_s } => {
                self.lag_s = lag_s;
                let right = tuning(&self.model);
                self.pid.tune(Tuning {
                    gain_w_per_k: right.gain_w_per_k * gain,
                    integral_s: right.integral_s * integral,
                    ..right
                });
            }
            CryostatFault::SensorJumps(kelvin) => self.wrong.jump_k = kelvin,
            CryostatFault::SensorSticks => self.wrong.stuck = true,
            CryostatFault::SensorBroken => self.wrong.broken = true,
            CryostatFault::Trips => self.trip(),
        }
    }

    /// Nothing is wrong any more; a trip is still to be cleared.
    pub(crate) fn mend(&mut self) {
        self.wrong = NOTHING_WRONG;
        self.lag_s = 0.0;
        self.thermal.set_bath(self.model.bath_k);
        self.pid.tune(tuning(&self.model));
    }

    /// What is to be complained of since this was asked last.
    pub(crate) fn take_told(&mut self) -> Vec<Told> {
        std::mem::take(&mut self.told)
    }

    fn next_look(&self) -> f64 {
        (self.looks + 1) as f64 * self.model.pid.cadence_s
    }

    fn now(&self) -> f64 {
        self.looks as f64 * self.model.pid.cadence_s
    }

    /// The thermometer is read, the set point moves, the heater follows.
    fn look(&mut self) {
        self.judge_heat();
        let shown = self.convert();
        self.shown_k = if self.wrong.stuck { self.shown_k } else { shown };
        if self.shown_k.is_some_and(|kelvin| kelvin > self.limits.highest_k + TRIP_K) {
            self.trip();
        }
        let measured = self.shown_k.filter(|_| self.is_on);
        self.commanded_w = match measured {
            Some(measured) => {
                self.move_set_point();
                // A first-order average, exact for a reading that stays until the next one.
                let part = 1.0 - (-self.model.pid.cadence_s / self.lag_s).exp();
                let averaged = self.averaged_k.map_or(measured, |before| before + part * (measured - before));
                self.averaged_k = Some(averaged);
                self.pid.update(self.set_k, averaged)
            }
            None => 0.0,
        };
        self.heater_w = if self.wrong.heater { 0.0 } else { self.commanded_w };
    }

    fn convert(&mut self) -> Option<f64> {
        // Drawn whether it is wanted or not, so that a fault does not change the noise that comes after it.
        let noise: f64 = self.noise.sample(StandardNormal);
        self.ohm()?;
        let exact = self.at.stage + self.offset_k + self.wrong.jump_k + noise * self.model.noise_k;
        let step = self.model.resolution_k;
        Some(if step > 0.0 { (exact / step).round() * step } else { exact })
    }

    fn move_set_point(&mut self) {
        let most = self.ramp_k_per_s * self.model.pid.cadence_s;
        let left = self.target_k - self.set_k;
        if left != 0.0 && !self.told_fast {
            let (ramp, allowed) = (self.ramp_k_per_s * 60.0, self.limits.most_ramp_k_per_min);
            if ramp > allowed * (1.0 + 1e-9) {
                self.told_fast = true;
                let detail = format!("{ramp} K/min, {allowed} K/min are allowed");
                self.told.push(Told::new(
                    self.now(),
                    ComplaintKind::RampTooFast(Role::TemperatureController),
                    detail,
                ));
            }
        }
        self.set_k = if left.abs() <= most { self.target_k } else { self.set_k + most.copysign(left) };
    }

    fn trip(&mut self) {
        (self.has_tripped, self.is_on) = (true, false);
    }

    fn judge_heat(&mut self) {
        let (stage, highest) = (self.at.stage, self.limits.highest_k);
        if stage <= highest {
            self.told_hot = false;
        } else if stage > highest + OVERSHOOT_K && !self.told_hot {
            self.told_hot = true;
            let detail = format!("the stage is at {stage:.1} K, {highest} K are allowed");
            self.told.push(Told::new(self.now(), ComplaintKind::OverTemperature, detail));
        }
    }
}

/// The document's settings; where it has none, those that suit the plant: a first-order process of both heat
/// capacities together, closed with a time constant of a few of the sample's, and an integral time of four of those
/// (Skogestad, J. Process Control 13 (2003) 291, the rules for a process that is slow beside its closed loop).
fn tuning(model: &CryostatModel) -> Tuning {
    let PidModel { gain_w_per_k, integral_s, derivative_s, cadence_s } = model.pid;
    let capacity = model.stage_j_per_k + model.sample_j_per_k;
    let [_, fast] = Thermal::new(model).time_constants_s();
    let closed = (UNHURRIED * fast).max(10.0 * cadence_s);
    Tuning {
        gain_w_per_k: gain_w_per_k.unwrap_or(capacity / closed),
        integral_s: integral_s.unwrap_or(4.0 * closed),
        derivative_s,
    }
}
