//! Two arrivals of one leg as one: the value of a meter that has not shown its own end, from another's and from their ratio.

use super::{Arrival, Kind, Wanted};

/// Of a normal variable 95 % is below so many standard deviations.
pub(crate) const CONFIDENT: f64 = 1.645;
/// What is expected to remain, and so many standard deviations more, must be allowed even if the bias may be carried in the
/// uncertainty: with a known shape a leg would otherwise end just where too much remains. Chosen by simulation.
const LIKELY: f64 = 0.5;

impl Wanted {
    /// Whether what remains of a transient, expected and its standard deviation, may be carried in the uncertainty, and whether
    /// that and noise of some variance in one leg are little enough.
    pub(crate) fn allows(&self, noise: f64, mean: f64, deviation: f64) -> (bool, bool) {
        let bias = mean.hypot(deviation);
        let allowed = self.uncertainty.powi(2) + self.bias.powi(2);
        let likely = mean.abs() + LIKELY * deviation <= self.bias;
        let arrived = likely && CONFIDENT * bias <= self.uncertainty;
        (arrived, noise / f64::from(self.legs) + bias * bias <= allowed)
    }

    /// Whether an arrival is as good as is wanted without `strict`, however it was made.
    pub fn suffices(&self, arrival: &Arrival) -> bool {
        let (arrived, quiet) = self.allows(arrival.noise_u.powi(2), arrival.bias, arrival.bias_u);
        arrival.flagged.is_none() && arrived && quiet
    }
}

impl Arrival {
    /// This value times another one's, by `unit`. Relative uncertainties are added as if they were independent, and so is what
    /// may remain of both transients.
    #[must_use]
    pub fn times(&self, ratio: &Self, unit: f64) -> Self {
        self.with(ratio, 1.0, self.value * ratio.value / unit)
    }

    /// `unit` times this value by another one's, in the same way.
    #[must_use]
    pub fn over(&self, ratio: &Self, unit: f64) -> Self {
        self.with(ratio, -1.0, unit * self.value / ratio.value)
    }

    fn with(&self, ratio: &Self, power: f64, value: f64) -> Self {
        let parts = |of: fn(&Self) -> f64| (of(self) / self.value, of(ratio) / ratio.value);
        let of_both = |of: fn(&Self) -> f64| {
            let (own, other) = parts(of);
            own.hypot(other) * value.abs()
        };
        let (own, other) = parts(|arrival| arrival.bias);
        let (noise_u, bias_u) = (of_both(|arrival| arrival.noise_u), of_both(|arrival| arrival.bias_u));
        let bias = (own + power * other) * value;
        Self {
            value,
            u: noise_u.hypot(bias).hypot(bias_u),
            noise_u,
            bias,
            bias_u,
            kind: Kind::Extrapolated,
            subtracted: 0.0,
            misfit: self.misfit.max(ratio.misfit),
            flagged: self.flagged.or(ratio.flagged),
            ..*ratio
        }
    }
}
