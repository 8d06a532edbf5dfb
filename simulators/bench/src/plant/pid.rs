//! A digital controller: proportional, integral and derivative on the error at a fixed cadence, with the integral held
//! where the heater cannot follow. Knows no plant.

/// Settings of a controller.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Tuning {
    /// Watts for each kelvin of error.
    pub(crate) gain_w_per_k: f64,
    /// Integral time, in seconds.
    pub(crate) integral_s: f64,
    /// Derivative time, in seconds; on the measured value, so that a new set point gives no kick.
    pub(crate) derivative_s: f64,
}

/// A controller between no power and the most that the heater gives.
#[derive(Clone, Debug)]
pub(crate) struct Pid {
    tuning: Tuning,
    cadence_s: f64,
    most_w: f64,
    integral_w: f64,
    last_k: Option<f64>,
}

impl Pid {
    pub(crate) fn new(tuning: Tuning, cadence_s: f64, most_w: f64) -> Self {
        Self { tuning, cadence_s, most_w, integral_w: 0.0, last_k: None }
    }

    pub(crate) fn tune(&mut self, tuning: Tuning) {
        self.tuning = tuning;
    }

    /// Forgets what it did: the next output is from the error alone.
    pub(crate) fn reset(&mut self) {
        (self.integral_w, self.last_k) = (0.0, None);
    }

    /// Power until the next update, in watts.
    pub(crate) fn update(&mut self, set_k: f64, measured_k: f64) -> f64 {
        let Tuning { gain_w_per_k: gain, integral_s, derivative_s } = self.tuning;
        let error = set_k - measured_k;
        let rise = self.last_k.replace(measured_k).map_or(0.0, |last| measured_k - last);
        let prompt = gain * (error - derivative_s * rise / self.cadence_s);
        let integral = self.integral_w + gain * error * self.cadence_s / integral_s;
        let wanted = prompt + integral;
        let power = wanted.clamp(0.0, self.most_w);
        // Anti-windup: the integral goes on only while the heater follows, or back to where it does.
        let is_beyond = wanted != power;
        if !is_beyond || (wanted > power) != (error > 0.0) {
            self.integral_w = integral;
        }
        power
    }
}
