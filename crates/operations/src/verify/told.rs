//! What a diagnosis says, in words and numbers for a person and for a program.

use super::known::Known;
use quadrille_diagnosis::{Class, Diagnosis, Fault, Next, Noisy, Power, Ranked, Verdict};
use quadrille_quantity::{Ohm, Volt};
use serde::Serialize;
use std::fmt;

/// Classes less likely than this are not told. Ours.
const TOLD: f64 = 1e-3;

/// Classes that are told at most. Ours.
const MOST_TOLD: usize = 5;

/// What the readings of a standard say of the bench.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Told {
    /// How many readings it is from.
    pub readings: usize,
    /// What is concluded.
    pub conclusion: Conclusion,
    /// What to do now, in a sentence.
    pub next: String,
    /// What may be wrong, likeliest first; at least the first two.
    pub ranked: Vec<Suspect>,
    /// Probability that nothing is wrong that these readings can see.
    pub good: f64,
    /// How often readings of the likeliest would fit it worse than these do.
    pub fits: f64,
    /// What these readings of this standard could not have shown, in sentences.
    pub not_tested: Vec<String>,
}

/// What is concluded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Conclusion {
    /// Nothing is accused.
    Passes,
    /// The first of the ranking explains the readings, and no other does.
    Accuses,
    /// One of the first two.
    Undecided,
    /// No single fault that is known here gives such readings.
    NoneOfThese,
}

/// Something that may be wrong.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Suspect {
    /// What, for a program.
    pub class: Class,
    /// The likeliest of what looks alike.
    pub member: Fault,
    /// What, in a sentence.
    pub sentence: String,
    /// How large, where it has a size.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub size: Option<Size>,
    /// How likely it is, if the truth is one of those that are known here.
    pub probability: f64,
    /// How often readings of it would fit it worse than these do.
    pub fits: f64,
}

/// How large something is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Size {
    /// A resistance in ohms, of a leak or a load.
    Ohm(f64),
    /// A factor, of a resistor, of all, of a gain, of noise.
    Factor(f64),
    /// A voltage limit in volts.
    Volt(f64),
}

impl From<quadrille_diagnosis::Size> for Size {
    fn from(size: quadrille_diagnosis::Size) -> Self {
        match size {
            quadrille_diagnosis::Size::Ohm(ohm) => Self::Ohm(ohm),
            quadrille_diagnosis::Size::Factor(factor) => Self::Factor(factor),
            quadrille_diagnosis::Size::Volt(volt) => Self::Volt(volt),
        }
    }
}

impl fmt::Display for Size {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Ohm(ohm) => Ohm(three_digits(ohm)).fmt(f),
            Self::Volt(volt) => Volt(three_digits(volt)).fmt(f),
            Self::Factor(factor) => write!(f, "a factor of {factor:.4}"),
        }
    }
}

/// Sizes are estimates: three digits of them are enough.
fn three_digits(value: f64) -> f64 {
    format!("{value:.2e}").parse().unwrap_or(value)
}

/// What all configurations of a standard can show of a bench, before anything is read.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Strength {
    /// The smallest of each fault that has a size, of those that can be seen at all.
    pub limits: Vec<Smallest>,
    /// What cannot be seen, whatever its size, in sentences.
    pub not_tested: Vec<String>,
    /// What is poor about this standard on this bench, in sentences.
    pub warnings: Vec<String>,
}

/// The smallest of a fault that is seen.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Smallest {
    /// The fault, for a program.
    pub fault: Fault,
    /// What it is reported as, in a sentence.
    pub sentence: String,
    /// The largest resistance of a leak or load, the smallest factor, the highest voltage limit.
    pub size: Size,
}

impl Strength {
    pub(crate) fn of(known: &Known, power: &Power) -> Self {
        let sentence = |class: &Class| class.sentence(&known.standard);
        let smallest = |limit: &quadrille_diagnosis::Limit| {
            let size = limit.size.filter(|_| limit.is_tested())?;
            let sentence = match limit.fault {
                Fault::Noisy(whose) => noisier(whose).to_owned(),
                _ => sentence(&limit.class),
            };
            Some(Smallest { fault: limit.fault, sentence, size: size.into() })
        };
        Self {
            limits: power.limits.iter().filter_map(smallest).collect(),
            not_tested: power.not_tested.iter().map(sentence).collect(),
            warnings: power.warnings.clone(),
        }
    }
}

fn noisier(whose: Noisy) -> &'static str {
    match whose {
        Noisy::Voltmeter => "the voltmeter's own noise is larger than its ranges say",
        Noisy::Ammeter => "the ammeter's own noise is larger than its ranges say",
        Noisy::Both => "the own noise of both meters is larger than their ranges say",
    }
}

impl Told {
    /// In words.
    pub(crate) fn of(known: &Known, diagnosis: &Diagnosis, readings: usize) -> Self {
        let ranked = diagnosis.ranked.iter().enumerate();
        let told = ranked.take_while(|(k, one)| *k < 2 || (*k < MOST_TOLD && one.probability > TOLD));
        Self {
            readings,
            conclusion: match &diagnosis.verdict {
                Verdict::Passes => Conclusion::Passes,
                Verdict::Accuses(_) => Conclusion::Accuses,
                Verdict::Undecided { .. } => Conclusion::Undecided,
                Verdict::NoneOfThese => Conclusion::NoneOfThese,
            },
            next: next(known, diagnosis),
            ranked: told.map(|(_, one)| suspect(known, one)).collect(),
            good: diagnosis.good,
            fits: diagnosis.fits,
            not_tested: diagnosis.not_tested.iter().map(|class| class.sentence(&known.standard)).collect(),
        }
    }

    /// Whether a bench may be used that this is said of.
    pub fn clears(&self) -> bool {
        match self.conclusion {
            Conclusion::Passes => true,
            Conclusion::Undecided => self.good >= 0.01,
            Conclusion::Accuses | Conclusion::NoneOfThese => false,
        }
    }
}

fn suspect(known: &Known, ranked: &Ranked) -> Suspect {
    Suspect {
        class: ranked.class,
        member: ranked.member,
        sentence: ranked.class.sentence(&known.standard),
        size: ranked.size.map(Size::from),
        probability: ranked.probability,
        fits: ranked.fits,
    }
}

fn next(known: &Known, diagnosis: &Diagnosis) -> String {
    match &diagnosis.verdict {
        Verdict::Passes => "nothing".to_owned(),
        Verdict::Accuses(class) => class.hand_action(&known.standard),
        Verdict::Undecided { next: Next::Read { configuration, .. }, .. } => {
            format!("read {configuration} in both directions: it tells the first two apart best")
        }
        Verdict::Undecided { next: Next::Hand { action }, .. } => {
            format!("no reading with this wiring tells the first two apart: {action}")
        }
        Verdict::NoneOfThese => {
            let beside = diagnosis.beside.map_or(String::new(), |class| {
                format!(" (beside the first of these it seems that {})", class.sentence(&known.standard))
            });
            format!(
                "no single fault that is known here gives such readings{beside}: unplug the standard, check its leads \
                 and plugs one by one, mend what is found, and prove the bench again"
            )
        }
    }
}
