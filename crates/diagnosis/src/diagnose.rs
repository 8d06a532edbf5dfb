//! Readings to a ranking of faults and a verdict.

use crate::DiagnosisError;
use crate::bench::BenchModel;
use crate::beside;
use crate::data::Data;
use crate::fault::{Class, Fault};
use crate::fit::{Fit, Problem};
use crate::fits::p_value;
use crate::hypotheses::{Start, faults, priors};
use crate::layout::Layout;
use crate::linear::Linear;
use crate::next::{Next, between};
use crate::power::untested;
use crate::reading::{Drive, Observation};
use crate::standard::Standard;
use crate::wild::single;
use quadrille_quantity::{Ampere, Volt};
use std::collections::BTreeMap;

/// A bench is accused only where it is less likely to be good than this.
const ACCUSED: f64 = 0.01;

/// A class is named only where it is likelier than this, and fits with more than that.
const NAMED: f64 = 0.99;
const FITS: f64 = 1e-3;

/// Noise is named only where a meter on a coarse range is less likely than this. Ours: noise is fitted, that of a range is taken as
/// stated, and no data sheet states it better than to a factor.
const COARSE_BESIDE_NOISE: f64 = 1e-4;

/// What fits less than this does not fit at all.
const DOES_NOT_FIT: f64 = 1e-6;

/// A class with its place in the ranking.
#[derive(Clone, Debug, PartialEq)]
pub struct Ranked {
    /// The class.
    pub class: Class,
    /// Its probability after the readings, if the list has the truth.
    pub probability: f64,
    /// The likeliest of its members.
    pub member: Fault,
    /// Every member with ln p(readings | member), the likeliest first; only differences mean anything.
    pub members: Vec<(Fault, f64)>,
    /// How large that is, where it has a size.
    pub size: Option<Size>,
    /// How likely readings are that fit worse.
    pub fits: f64,
}

/// How large a fault is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Size {
    /// A resistance in ohms: of a leak or a load.
    Ohm(f64),
    /// A factor: of a resistor, of all, of a gain, of noise.
    Factor(f64),
    /// A voltage limit in volts.
    Volt(f64),
}

/// What is concluded.
#[derive(Clone, Debug, PartialEq)]
pub enum Verdict {
    /// Nothing is accused; what is below the limits of this standard is not excluded.
    Passes,
    /// This class explains the readings, and no other does.
    Accuses(Class),
    /// One of the first two; a reading or a hand would part them.
    Undecided {
        /// The likeliest.
        first: Class,
        /// The next.
        second: Class,
        /// What to do.
        next: Next,
    },
    /// The readings are those of no class of the list.
    NoneOfThese,
}

/// What readings say of a bench.
#[derive(Clone, Debug, PartialEq)]
pub struct Diagnosis {
    /// All classes, likeliest first.
    pub ranked: Vec<Ranked>,
    /// Probability that the bench is good.
    pub good: f64,
    /// How likely readings are that fit the first class worse (p of χ²).
    pub fits: f64,
    /// The conclusion.
    pub verdict: Verdict,
    /// Classes that these readings could not have shown.
    pub not_tested: Vec<Class>,
    /// Places of readings that are far from what the first class says of them: to be read again.
    pub wild: Vec<usize>,
    /// A second fault that the readings show beside the first class: then they are those of no single one.
    pub beside: Option<Class>,
}

/// Ranks all faults by the readings of a standard.
///
/// [`wild`](crate::wild()) comes first: a glitch that was not read again makes a good bench look bad.
pub fn diagnose(
    standard: &Standard,
    bench: &BenchModel,
    observations: &[Observation],
) -> Result<Diagnosis, DiagnosisError> {
    bench.check()?;
    let data = Data::new(bench, observations)?;
    let problem = Problem { standard, bench, data: &data };
    let linear = Linear::nominal(&problem);
    let good = problem.fit(Fault::Good, &problem.nominal(), f64::INFINITY);
    let not_tested = untested(&problem);
    let all: Vec<Fault> = faults(standard, bench, &data)
        .into_iter()
        .filter(|fault| *fault == Fault::Good || !is_untested(*fault, standard, &not_tested))
        .collect();
    let fits = fit_all(&problem, &linear, &all, good);
    let ranked = rank(&problem, &all, &fits);
    conclude(&problem, ranked, &fits, not_tested)
}

/// Fits of all faults in their order; what looks best is fitted first, so that what is hopeless is soon known to be.
fn fit_all(problem: &Problem<'_>, linear: &Linear, all: &[Fault], good: Fit) -> Vec<Fit> {
    let starts: Vec<Vec<Start>> = all.iter().map(|&fault| problem.ordered_starts(fault, linear)).collect();
    let mut order: Vec<usize> = (0..all.len()).collect();
    let score = |k: usize| starts[k].first().map_or(f64::INFINITY, |start| start.score);
    order.sort_by(|&a, &b| score(a).total_cmp(&score(b)));
    let mut bound = good.objective;
    let mut fits = vec![good; all.len()];
    for k in order.into_iter().filter(|&k| all[k] != Fault::Good) {
        fits[k] = problem.best_fit(all[k], &starts[k], bound);
        bound = bound.min(fits[k].objective);
    }
    fits
}

/// Buffers that cannot be seen leave the load in the list, which can.
fn is_untested(fault: Fault, standard: &Standard, not_tested: &[Class]) -> bool {
    match fault {
        Fault::GuardOff | Fault::BuffersOut => not_tested.contains(&fault.class(standard)),
        _ => false,
    }
}

fn rank(problem: &Problem<'_>, all: &[Fault], fits: &[Fit]) -> Vec<(Ranked, usize)> {
    let priors = priors(problem.standard, all);
    let logarithms: Vec<f64> = fits.iter().zip(&priors).map(|(fit, prior)| fit.evidence + prior).collect();
    let most = logarithms.iter().copied().filter(|x| x.is_finite()).fold(f64::NEG_INFINITY, f64::max);
    let weight = |k: usize| if logarithms[k].is_finite() { (logarithms[k] - most).exp() } else { 0.0 };
    let total: f64 = (0..all.len()).map(weight).sum();
    let mut classes: BTreeMap<Class, (f64, usize)> = BTreeMap::new();
    for (k, fault) in all.iter().enumerate() {
        let entry = classes.entry(fault.class(problem.standard)).or_insert((0.0, k));
        entry.0 += weight(k) / total;
        if logarithms[k] > logarithms[entry.1] {
            entry.1 = k;
        }
    }
    let of = |(class, (probability, k)): (Class, (f64, usize))| {
        let mut places: Vec<usize> =
            (0..all.len()).filter(|&j| all[j].class(problem.standard) == class).collect();
        places.sort_by(|&a, &b| logarithms[b].total_cmp(&logarithms[a]));
        let members = places.into_iter().map(|j| (all[j], fits[j].evidence)).collect();
        let size = size(problem, &fits[k]);
        (Ranked { class, probability, member: all[k], members, size, fits: p_value(problem, &fits[k]) }, k)
    };
    let mut ranked: Vec<(Ranked, usize)> = classes.into_iter().map(of).collect();
    ranked.sort_by(|(a, k), (b, j)| {
        b.probability.total_cmp(&a.probability).then(logarithms[*j].total_cmp(&logarithms[*k]))
    });
    ranked
}

fn conclude(
    problem: &Problem<'_>,
    ranked: Vec<(Ranked, usize)>,
    fits: &[Fit],
    not_tested: Vec<Class>,
) -> Result<Diagnosis, DiagnosisError> {
    let good = ranked.iter().find(|(r, _)| r.class == Class::Good).map_or(0.0, |(r, _)| r.probability);
    let winner = &fits[ranked[0].1];
    let wild = single(winner, problem.data.settings.len()).unwrap_or_default();
    let (first, second) = (ranked[0].0.clone(), ranked.get(1).map_or(&ranked[0], |r| r));
    // That resistor and a second one slightly off asks for the same hand as that resistor.
    let same_hand = |class: Class| match (first.class, class) {
        (Class::Edge(e), Class::TwoEdges(i, j)) => i == e || j == e,
        (a, b) => a == b,
    };
    let named: f64 = ranked.iter().filter(|(r, _)| same_hand(r.class)).map(|(r, _)| r.probability).sum();
    let beside = beside::second(problem, winner);
    let verdict = if first.fits < DOES_NOT_FIT || beside.is_some() {
        Verdict::NoneOfThese
    } else if good >= ACCUSED && first.class == Class::Good {
        Verdict::Passes
    } else if good < ACCUSED && named > NAMED && first.fits > FITS && !is_perhaps_coarse(&ranked) {
        Verdict::Accuses(first.class)
    } else {
        let setting = problem.data.settings[0];
        let drive = Drive {
            current: Ampere(setting.commanded.0.abs()),
            voltage_limit: Volt(setting.voltage_limit.0),
        };
        let next = between(problem, winner, &fits[second.1], drive)?;
        Verdict::Undecided { first: first.class, second: second.0.class, next }
    };
    let fits = first.fits;
    let ranked = ranked.into_iter().map(|(ranked, _)| ranked).collect();
    Ok(Diagnosis { ranked, good, fits, verdict, not_tested, wild, beside })
}

/// Whether what is taken for noise may be a coarse range whose offset happens to be small.
fn is_perhaps_coarse(ranked: &[(Ranked, usize)]) -> bool {
    let is_coarse = |class| matches!(class, Class::AmmeterCoarse | Class::VoltmeterCoarse);
    ranked[0].0.class == Class::Noisy
        && ranked.iter().any(|(r, _)| is_coarse(r.class) && r.probability > COARSE_BESIDE_NOISE)
}

fn size(problem: &Problem<'_>, fit: &Fit) -> Option<Size> {
    let layout = Layout::new(problem.standard, problem.bench);
    match fit.fault {
        Fault::Leak(..) | Fault::LeakToGround(_) | Fault::Loading => {
            Some(Size::Ohm(fit.value(layout.size()).exp()))
        }
        Fault::ComplianceLow => Some(Size::Volt(fit.value(layout.size()).exp())),
        Fault::ResistorOff(k) | Fault::ResistorsOff(k, _) => {
            Some(Size::Factor(fit.value(layout.resistor(k)).exp()))
        }
        Fault::AllScaled | Fault::VoltmeterGain => Some(Size::Factor(fit.value(layout.factor()).exp())),
        Fault::Noisy(_) => Some(Size::Factor(fit.noise)),
        _ => None,
    }
}
