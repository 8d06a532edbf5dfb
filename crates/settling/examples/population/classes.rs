//! Classes of transients: those that the hypotheses are made for, disturbed ones, and others.

use super::truth::{Disturbance, Truth, log_uniform};
use rand::{Rng, RngExt};

/// What a class makes of an ordinary transient.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Class {
    Ordinary,
    Flicker,
    Bounce,
    Spikes,
    Alias,
    StrongAbsorption,
    FarTail,
    PowerTail,
    PowerLaw,
}

impl Class {
    pub(crate) const ALL: [Self; 9] = [
        Self::Ordinary,
        Self::Flicker,
        Self::Bounce,
        Self::Spikes,
        Self::Alias,
        Self::StrongAbsorption,
        Self::FarTail,
        Self::PowerTail,
        Self::PowerLaw,
    ];

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Ordinary => "ordinary",
            Self::Flicker => "1/f noise",
            Self::Bounce => "relay bounce",
            Self::Spikes => "spikes",
            Self::Alias => "mains alias",
            Self::StrongAbsorption => "absorption 5 %",
            Self::FarTail => "tail at 100 tau",
            Self::PowerTail => "tail t^-0.7",
            Self::PowerLaw => "all of it t^-0.7",
        }
    }

    /// Half of them reversals; an absorption of 1e-4 to 1e-2, three to thirty times slower.
    pub(crate) fn draw(self, random: &mut impl Rng) -> Truth {
        let tau = log_uniform(random, 1e-3, 10.0);
        let main = if random.random() {
            -1.8 - 0.2 * random.random::<f64>()
        } else {
            4.0 * random.random::<f64>() - 2.0
        };
        let share = log_uniform(random, 1e-4, 1e-2);
        let slower = log_uniform(random, 3.0, 30.0);
        let drift = log_uniform(random, 1e-7, 1e-5) * if random.random() { 1.0 } else { -1.0 };
        let white = log_uniform(random, 3e-5, 3e-3);
        let mut truth = Truth {
            terms: vec![(main, tau), (main * share, slower * tau)],
            power: None,
            drift_per_s: drift,
            white,
            disturbance: Disturbance::default(),
        };
        match self {
            Self::Ordinary => {}
            Self::Flicker => truth.disturbance.corner_hz = log_uniform(random, 0.05, 5.0),
            Self::Bounce => truth.disturbance.bounce = 1 + usize::from(random.random::<bool>()),
            Self::Spikes => truth.disturbance.spikes = 0.01,
            Self::Alias => {
                let phase = std::f64::consts::TAU * random.random::<f64>();
                truth.disturbance.alias =
                    (log_uniform(random, 2e-5, 5e-4), log_uniform(random, 0.02, 0.5), phase);
            }
            Self::StrongAbsorption => truth.terms[1].0 = 0.05 * main,
            Self::FarTail => truth.terms[1].1 = 100.0 * tau,
            Self::PowerTail => {
                truth.terms.pop();
                truth.power = Some((main * share, tau, 0.7));
            }
            Self::PowerLaw => {
                truth.terms.clear();
                truth.power = Some((main, tau, 0.7));
            }
        }
        truth
    }
}
