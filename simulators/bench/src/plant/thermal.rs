//! Heat between a heated stage, a sample that hangs on it, and a bath: two poles, exact for a constant heater. Knows no
//! thermometer and no controller.
//!
//! ```text
//! C₁ dT₁/dt = P − G_b (T₁ − T_b) − G_s (T₁ − T₂)
//! C₂ dT₂/dt = G_s (T₁ − T₂) − G_l (T₂ − T_b)
//! ```
//! Stage 1 has the heater P; sample 2 hangs on it by G_s and leaks to the bath by G_l. The matrix of the system has
//! off-diagonal elements of one sign, so that its poles are real and differ, and both are negative.

use quadrille_documents::CryostatModel;

/// Temperatures of stage and sample, in kelvins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Temperatures {
    pub(crate) stage: f64,
    pub(crate) sample: f64,
}

/// exp(A t) for one t, to be used again and again.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Propagator([[f64; 2]; 2]);

/// The system.
#[derive(Clone, Debug)]
pub(crate) struct Thermal {
    matrix: [[f64; 2]; 2],
    /// The slow pole and the fast one, in 1/s, negative.
    poles: [f64; 2],
    /// What a watt raises stage and sample by in the end, in kelvins.
    per_watt: Temperatures,
    bath: f64,
}

impl Thermal {
    pub(crate) fn new(model: &CryostatModel) -> Self {
        let (c1, c2) = (model.stage_j_per_k, model.sample_j_per_k);
        let (gb, gs, gl) = (model.bath_w_per_k, model.sample_w_per_k, model.leak_w_per_k);
        let matrix = [[-(gb + gs) / c1, gs / c1], [gs / c2, -(gs + gl) / c2]];
        // Without subtraction of G_s² from what it is part of.
        let conductances = gb * (gs + gl) + gs * gl;
        let mean = 0.5 * (matrix[0][0] + matrix[1][1]);
        let half = (0.5 * (matrix[0][0] - matrix[1][1])).hypot((matrix[0][1] * matrix[1][0]).sqrt());
        let fast = mean - half;
        // The slow pole from the product of both: their difference would lose its digits.
        let slow = conductances / (c1 * c2) / fast;
        let per_watt = Temperatures { stage: (gs + gl) / conductances, sample: gs / conductances };
        Self { matrix, poles: [slow, fast], per_watt, bath: model.bath_k }
    }

    /// The slow time constant and the fast one, in seconds.
    pub(crate) fn time_constants_s(&self) -> [f64; 2] {
        self.poles.map(|pole| -1.0 / pole)
    }

    pub(crate) fn set_bath(&mut self, kelvin: f64) {
        self.bath = kelvin;
    }

    /// Where everything goes in the end.
    pub(crate) fn steady(&self, watts: f64) -> Temperatures {
        Temperatures {
            stage: self.bath + watts * self.per_watt.stage,
            sample: self.bath + watts * self.per_watt.sample,
        }
    }

    /// exp(A t) = e^{λ₁t} [1 + (A − λ₁) (e^{(λ₂−λ₁)t} − 1)/(λ₂ − λ₁)], with λ₁ the slow pole: no exponent is positive.
    pub(crate) fn propagator(&self, seconds: f64) -> Propagator {
        let [slow, fast] = self.poles;
        let decay = (slow * seconds).exp();
        let mix = ((fast - slow) * seconds).exp_m1() / (fast - slow);
        let [[a, b], [c, d]] = self.matrix;
        Propagator([
            [decay * (1.0 + (a - slow) * mix), decay * b * mix],
            [decay * c * mix, decay * (1.0 + (d - slow) * mix)],
        ])
    }

    /// Temperatures after the propagator's time at a constant power.
    pub(crate) fn advance(&self, by: &Propagator, from: Temperatures, watts: f64) -> Temperatures {
        let end = self.steady(watts);
        let (x, y) = (from.stage - end.stage, from.sample - end.sample);
        let [[a, b], [c, d]] = by.0;
        Temperatures { stage: end.stage + a * x + b * y, sample: end.sample + c * x + d * y }
    }
}
