//! What a standard can show on a bench before anything is read: the smallest faults, those that look alike, and what is not
//! tested at all.
//!
//! A distance is √(rᵀ (D + J Jᵀ)⁻¹ r): r the difference of the readings under two faults, D their scatter, J their derivatives
//! by everything that is not exactly known of a good bench. It is the difference in standard deviations after all else
//! was fitted. Of leaks it is at most what is left after a good bench was fitted with its curvature: insulation that is known by its
//! decade gives way to a leak more easily than its derivative says.

use crate::DiagnosisError;
use crate::bench::{BenchModel, range_for};
use crate::data::Data;
use crate::diagnose::Size;
use crate::fault::{Class, Fault, Noisy};
use crate::fit::Problem;
use crate::forward::Predicted;
use crate::hypotheses::faults;
use crate::layout::Layout;
use crate::linear::{Linear, bare};
use crate::reading::{Drive, ReadingSet, Setting, readings};
use crate::seen::{fitted, hidden_limit, is_hidden, noise_limit};
use crate::standard::Standard;
use quadrille_experiment::Polarity;
use quadrille_quantity::Volt;
use std::collections::BTreeMap;

/// The smallest distance at which a fault counts as seen. Ours: five standard deviations, as for a reading that is wild.
pub const SEEN: f64 = 5.0;

/// Faults nearer than this are one for these readings. Ours: three standard deviations.
const ALIKE: f64 = 3.0;

/// A standard on which two faults are nearer than this is poor. Ours.
const POOR: f64 = 10.0;

/// What can be seen of one fault.
#[derive(Clone, Debug, PartialEq)]
pub struct Limit {
    /// The fault.
    pub fault: Fault,
    /// Its class.
    pub class: Class,
    /// The smallest that is seen: the highest resistance of a leak or load, the smallest factor, the highest voltage limit; nothing
    /// where the fault has no size, or where none is seen.
    pub size: Option<Size>,
    /// Distance from a good bench: at the limit, or of a fault without size.
    pub distance: f64,
}

impl Limit {
    /// Whether the readings show the fault at any size.
    pub fn is_tested(&self) -> bool {
        self.distance >= SEEN * 0.99
    }
}

/// Two classes that are hard to tell apart with these readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Alike {
    /// One.
    pub first: Class,
    /// The other.
    pub second: Class,
    /// How far apart they are, in standard deviations; of faults with a size, three times the limit large.
    pub distance: f64,
}

/// What a set of readings of a standard on a bench can tell apart.
#[derive(Clone, Debug, PartialEq)]
pub struct Power {
    /// What can be seen of each fault.
    pub limits: Vec<Limit>,
    /// Pairs nearer than ten standard deviations, nearest first.
    pub alike: Vec<Alike>,
    /// Classes that are one for these readings.
    pub merged: Vec<Vec<Class>>,
    /// Classes of which nothing can be seen.
    pub not_tested: Vec<Class>,
    /// What the person at the bench should know, in sentences.
    pub warnings: Vec<String>,
}

/// Works out what readings of a standard will be able to show.
pub fn power(
    standard: &Standard,
    bench: &BenchModel,
    drive: Drive,
    set: ReadingSet,
) -> Result<Power, DiagnosisError> {
    bench.check()?;
    let data = Data::of_settings(bench, settings(standard, bench, drive, set)?)?;
    let problem = Problem { standard, bench, data: &data };
    let study = Study::new(&problem);
    let mut limits: Vec<Limit> = study.faults.iter().map(|&fault| study.limit(fault)).collect();
    let alike = study.alike(&limits);
    let merged = merged(&alike);
    limits.extend([Noisy::Voltmeter, Noisy::Ammeter, Noisy::Both].map(|whose| study.noise(whose)));
    let not_tested = not_tested(&limits);
    let warnings = warnings(standard, &merged, &alike, &not_tested);
    Ok(Power { limits, alike, merged, not_tested, warnings })
}

/// Guard and buffers where these readings could not have shown that they are not there.
pub(crate) fn untested(problem: &Problem<'_>) -> Vec<Class> {
    let linear = Linear::freed(problem, Fault::Good);
    let candidates =
        [(Fault::GuardOff, problem.bench.guard), (Fault::BuffersOut, problem.bench.buffers.is_some())];
    let unseen = |&(fault, told): &(Fault, bool)| {
        told && linear.distance(problem, fault, &problem.nominal()).sqrt() < ALIKE
    };
    candidates.iter().filter(|c| unseen(c)).map(|(fault, _)| fault.class(problem.standard)).collect()
}

/// Settings on the ranges that hold what a good bench shows.
fn settings(
    standard: &Standard,
    bench: &BenchModel,
    drive: Drive,
    set: ReadingSet,
) -> Result<Vec<Setting>, DiagnosisError> {
    let both = [Polarity::Plus, Polarity::Minus];
    let widest = Volt(drive.current.0 * standard.scale_ohm());
    let mut settings: Vec<Setting> = readings(set)
        .into_iter()
        .flat_map(|c| both.map(|polarity| drive.setting(bench, c, polarity, widest)))
        .collect();
    let data = Data::of_settings(bench, settings.clone())?;
    let problem = Problem { standard, bench, data: &data };
    let seen = bare(&problem, Fault::Good, &problem.nominal());
    for (setting, seen) in settings.iter_mut().zip(seen) {
        let ranges = &bench.voltmeter.ranges;
        setting.voltage_range = Volt(ranges[range_for(ranges, seen.volts)].full_scale);
    }
    Ok(settings)
}

/// A set of readings with the faults that they are held against.
struct Study<'a> {
    problem: &'a Problem<'a>,
    layout: Layout,
    good: Linear,
    faults: Vec<Fault>,
}

impl<'a> Study<'a> {
    fn new(problem: &'a Problem<'a>) -> Self {
        let layout = Layout::new(problem.standard, problem.bench);
        // Coarse digits and pairs of resistors have no one size that a distance could be of; noise moves no reading's mean.
        let sized = |fault: &Fault| {
            !matches!(
                fault,
                Fault::Good
                    | Fault::Noisy(_)
                    | Fault::ResistorsOff(..)
                    | Fault::VoltmeterCoarse(_)
                    | Fault::AmmeterCoarse(_)
            )
        };
        let faults =
            faults(problem.standard, problem.bench, problem.data).into_iter().filter(sized).collect();
        Self { problem, layout, good: Linear::freed(problem, Fault::Good), faults }
    }

    /// Values of all quantities under a fault of a size, given by its logarithm.
    fn values(&self, fault: Fault, size: f64) -> Vec<f64> {
        let mut values = self.problem.nominal();
        let place = match fault {
            Fault::ResistorOff(k) => self.layout.resistor(k),
            Fault::AllScaled | Fault::VoltmeterGain => self.layout.factor(),
            _ => self.layout.size(),
        };
        values[place] = size;
        values
    }

    fn distance(&self, fault: Fault, size: f64) -> f64 {
        self.good.distance(self.problem, fault, &self.values(fault, size)).sqrt()
    }

    /// Logarithms of the largest and the smallest size that are looked at, the largest fault first.
    fn sizes(&self, fault: Fault) -> Option<(f64, f64)> {
        let scale = self.problem.standard.scale_ohm().ln();
        match fault {
            Fault::ResistorOff(_) | Fault::AllScaled | Fault::VoltmeterGain => Some((1.0, 1e-6)),
            Fault::Leak(..) | Fault::LeakToGround(_) | Fault::Loading => Some((scale - 4.0, scale + 23.0)),
            Fault::ComplianceLow => {
                let need = self.good.readings().iter().zip(&self.problem.data.settings);
                let most = need
                    .map(|(read, s)| read.need * s.voltage_limit.0)
                    .fold(f64::MIN_POSITIVE, f64::max)
                    .ln();
                Some((most - 3.0, most + 0.1))
            }
            _ => None,
        }
    }

    /// The limit by bisection between a size that is seen and one that is not.
    fn limit(&self, fault: Fault) -> Limit {
        let class = fault.class(self.problem.standard);
        let Some((mut seen, mut unseen)) = self.sizes(fault) else {
            return Limit { fault, class, size: None, distance: self.distance(fault, 0.0) };
        };
        let largest = self.distance(fault, seen);
        if largest < SEEN {
            return Limit { fault, class, size: None, distance: largest };
        }
        for _ in 0..40 {
            let middle = 0.5 * (seen + unseen);
            if self.distance(fault, middle) >= SEEN {
                seen = middle;
            } else {
                unseen = middle;
            }
        }
        if !is_hidden(fault) {
            return Limit {
                fault,
                class,
                size: Some(size(fault, seen)),
                distance: self.distance(fault, seen),
            };
        }
        let distance = |size: f64| {
            let by_line = self.distance(fault, size);
            by_line.min(fitted(self.problem, fault, &self.values(fault, size)))
        };
        let seen = hidden_limit(seen, distance);
        let distance = distance(seen);
        Limit { fault, class, size: Some(size(fault, seen)), distance }
    }

    /// What is seen of a meter's noise.
    fn noise(&self, whose: Noisy) -> Limit {
        let fault = Fault::Noisy(whose);
        let factor = noise_limit(self.problem, &self.good, whose);
        let distance = if factor.is_some() { SEEN } else { 0.0 };
        Limit { fault, class: Class::Noisy, size: factor.map(Size::Factor), distance }
    }

    /// A size that is well seen: three times the limit.
    fn well_seen(&self, limit: &Limit) -> f64 {
        match limit.size {
            Some(Size::Ohm(ohm)) => (ohm / 3.0).ln(),
            Some(Size::Factor(factor)) => 3.0 * factor.ln(),
            Some(Size::Volt(volt)) => volt.ln() - 0.2,
            None => 0.0,
        }
    }

    fn alike(&self, limits: &[Limit]) -> Vec<Alike> {
        let tested: Vec<&Limit> = limits.iter().filter(|limit| limit.is_tested()).collect();
        let shown: Vec<Vec<Predicted>> = tested
            .iter()
            .map(|limit| bare(self.problem, limit.fault, &self.values(limit.fault, self.well_seen(limit))))
            .collect();
        let mut nearest: BTreeMap<(Class, Class), f64> = BTreeMap::new();
        let mut note = |a: Class, b: Class, distance: f64| {
            if a != b && distance < POOR {
                let entry = nearest.entry((a.min(b), a.max(b))).or_insert(f64::INFINITY);
                *entry = entry.min(distance);
            }
        };
        for (k, one) in tested.iter().enumerate() {
            for (j, other) in tested.iter().enumerate().skip(k + 1) {
                if one.size.is_none() && other.size.is_none() {
                    note(one.class, other.class, self.good.apart(&shown[k], &shown[j]).sqrt());
                }
            }
        }
        // A fault with a size against all sizes of a resistor, or of all of them.
        let explains = |limit: &&&Limit| matches!(limit.fault, Fault::ResistorOff(_) | Fault::AllScaled);
        for other in tested.iter().filter(explains) {
            let freed = Linear::freed(self.problem, other.fault);
            for (k, one) in tested.iter().enumerate().filter(|(_, one)| one.size.is_some()) {
                note(one.class, other.class, freed.apart(&shown[k], freed.readings()).sqrt());
            }
        }
        let mut alike: Vec<Alike> = nearest
            .into_iter()
            .map(|((first, second), distance)| Alike { first, second, distance })
            .collect();
        alike.sort_by(|a, b| a.distance.total_cmp(&b.distance));
        alike
    }
}

fn size(fault: Fault, logarithm: f64) -> Size {
    match fault {
        Fault::ResistorOff(_) | Fault::AllScaled | Fault::VoltmeterGain => Size::Factor(logarithm.exp()),
        Fault::ComplianceLow => Size::Volt(logarithm.exp()),
        _ => Size::Ohm(logarithm.exp()),
    }
}

fn merged(alike: &[Alike]) -> Vec<Vec<Class>> {
    let mut groups: Vec<Vec<Class>> = Vec::new();
    for pair in alike.iter().filter(|pair| pair.distance < ALIKE) {
        let has = |group: &Vec<Class>, class| group.contains(&class);
        let one = groups.iter().position(|g| has(g, pair.first));
        let other = groups.iter().position(|g| has(g, pair.second));
        match (one, other) {
            (Some(a), Some(b)) if a != b => {
                let moved = groups.remove(a.max(b));
                groups[a.min(b)].extend(moved);
            }
            (Some(_), Some(_)) => {}
            (Some(a), None) => groups[a].push(pair.second),
            (None, Some(b)) => groups[b].push(pair.first),
            (None, None) => groups.push(vec![pair.first, pair.second]),
        }
    }
    groups
}

fn not_tested(limits: &[Limit]) -> Vec<Class> {
    let mut classes: Vec<Class> =
        limits.iter().filter(|limit| !limit.is_tested()).map(|limit| limit.class).collect();
    classes.sort();
    classes.dedup();
    // A class is tested where one of its members is; the buffers are named although a load is seen.
    let tested = |class: &Class| limits.iter().any(|limit| limit.class == *class && limit.is_tested());
    classes.retain(|class| !tested(class) || *class == Class::Loading);
    classes
}

fn warnings(
    standard: &Standard,
    merged: &[Vec<Class>],
    alike: &[Alike],
    not_tested: &[Class],
) -> Vec<String> {
    let mut warnings = Vec::new();
    for group in merged {
        let words: Vec<String> = group.iter().map(|class| class.sentence(standard)).collect();
        warnings.push(format!("these readings of this standard cannot tell apart: {}", words.join("; ")));
    }
    let hard = alike.iter().filter(|pair| pair.distance >= ALIKE).count();
    if let Some(pair) = alike.iter().find(|pair| pair.distance >= ALIKE) {
        warnings.push(format!(
            "{hard} pairs are hard to tell apart, first of all ({:.1} standard deviations): {}; {}",
            pair.distance,
            pair.first.sentence(standard),
            pair.second.sentence(standard)
        ));
    }
    for class in not_tested {
        let words = match class {
            Class::GuardOff => "the guard".to_owned(),
            Class::Loading => "whether the buffers are in the sense lines".to_owned(),
            class => format!("whether {}", class.sentence(standard)),
        };
        warnings.push(format!("not tested by this standard: {words}"));
    }
    if alike.iter().any(|pair| matches!((pair.first, pair.second), (Class::LeadsSwapped(..), _))) {
        warnings.push(
            "a better standard has four unequal resistors that rise around the ring, the largest three to five times \
             the smallest"
                .into(),
        );
    }
    warnings
}
