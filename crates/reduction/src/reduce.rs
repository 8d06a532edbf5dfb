//! Readings of one temperature to results: chooses what enters, combines it, propagates its uncertainty.

use crate::checks::{self, Checks};
use crate::error::Error;
use crate::hall::{self, Combination, Hall};
use crate::pair::{label, numbers};
use crate::propagation;
use crate::quantities::{Known, Quantity, input};
use crate::resistance::{PairResistance, resistances};
use crate::results::{CarrierType, Contribution, Options, Reduced, Results, Specimen};
use crate::{METHOD, field};
use nalgebra::DMatrix;
use quadrille_experiment::{Condition, Reading};
use quadrille_quantity::Estimate;

/// Configurations of the two resistances of van der Pauw, in ascending order of contacts, with the sign that makes
/// them positive for a sample with contacts in order around its edge: R_A of 12,43 and 43,12, R_B of 23,14 and 14,23.
pub(crate) const HALVES: [([[u8; 4]; 2], f64, &str); 2] = [
    ([[1, 2, 3, 4], [3, 4, 1, 2]], -1.0, "12,43 or 43,12"),
    ([[2, 3, 1, 4], [1, 4, 2, 3]], 1.0, "23,14 or 14,23"),
];

/// Temperatures further apart than this are not one temperature (ASTM F76, from memory).
const TEMPERATURE_SPREAD_K: f64 = 1.0;

/// Departures from a straight Hall line that deserve a word.
const CURVATURE: f64 = 0.01;

/// Results of the readings of one temperature, with checks and budget.
///
/// Readings that are not sound never enter; readings at fields below 1 mT or 1 % of the largest count as zero field;
/// any +B and −B make a Hall slope, with a remark where their magnitudes differ by more than 5 %. Sheet resistance is
/// of zero field, or of the straight line between both signs of the weakest field where there is none. Results that could not be measured are absent, with a remark.
///
/// # Errors
/// What is missing for any result, or for the sheet resistance where a part of its readings is there.
pub fn reduce(readings: &[Reading], specimen: &Specimen, options: &Options) -> Result<Reduced, Error> {
    check_inputs(specimen, options)?;
    let all = resistances(readings)?;
    let mut checks = Checks::default();
    remark_readings(&mut checks.remarks, readings);

    let sheet = Sheet::find(&all, &mut checks.remarks)?;
    let hall = hall::combine(&all);
    let slope = hall::mean(hall.slopes.iter().flatten());
    if sheet.is_none() && slope.is_none() {
        return Err(if hall.in_field { Error::NoFieldReversal } else { Error::NothingToReduce });
    }
    remark_hall(&mut checks.remarks, &hall, slope.is_some());

    let halves = sheet.as_ref().map(|sheet| [Sheet::half(&sheet.a), Sheet::half(&sheet.b)]);
    let inputs = Inputs::new(&all, halves.as_ref(), slope.as_ref(), specimen, options);
    checks::current_reversal_measured(&mut checks, &inputs.used(&all));
    if let Some(sheet) = &sheet {
        checks::sheet(&mut checks, sheet, &options.acceptance);
    }
    if slope.is_some() {
        checks::hall(&mut checks, &hall.slopes, &all, &options.acceptance);
    }
    inputs.remark(&mut checks.remarks, &all);

    let (results, budget) = inputs.results();
    remark_results(&mut checks.remarks, &results);
    Ok(Reduced { results, checks: checks.made, budget, remarks: checks.remarks, method: METHOD })
}

/// The resistances of van der Pauw, each positive for a good sample.
pub(crate) struct Sheet {
    /// 12|34, 34|12 or one of them.
    pub(crate) a: Vec<Member>,
    /// 23|14, 14|23 or one of them.
    pub(crate) b: Vec<Member>,
}

/// One configuration of van der Pauw.
pub(crate) struct Member {
    /// `12|34`.
    pub(crate) label: String,
    /// Resistance, Ω.
    pub(crate) value: f64,
    /// V/I of the two directions of the current, Ω.
    pub(crate) directed: (Option<f64>, Option<f64>),
    /// How it is made of resistances.
    combination: Combination,
}

impl Sheet {
    /// `None` without any reading of any of the four configurations.
    fn find(all: &[PairResistance], remarks: &mut Vec<String>) -> Result<Option<Self>, Error> {
        let present = |half: usize| {
            let contacts = HALVES[half].0;
            all.iter().any(|r| contacts.contains(&numbers(r.configuration)))
        };
        match (present(0), present(1)) {
            (false, false) => {
                remarks.push("no sheet resistance: no readings of its configurations".into());
                return Ok(None);
            }
            (true, false) => {
                return Err(Error::MissingPair { missing: HALVES[1].2, present: HALVES[0].2 });
            }
            (false, true) => {
                return Err(Error::MissingPair { missing: HALVES[0].2, present: HALVES[1].2 });
            }
            (true, true) => {}
        }
        let mut half = |(contacts, sign, name): ([[u8; 4]; 2], f64, &'static str)| {
            let members: Vec<Member> =
                contacts.iter().filter_map(|four| Member::find(all, four, sign, remarks)).collect();
            match members.len() {
                0 => return Err(Error::OneFieldSign { configurations: name }),
                1 => remarks.push(format!("of {name} only {} was measured", members[0].label)),
                _ => {}
            }
            Ok(members)
        };
        Ok(Some(Self { a: half(HALVES[0])?, b: half(HALVES[1])? }))
    }

    /// Every configuration that is there.
    pub(crate) fn members(&self) -> impl Iterator<Item = &Member> {
        self.a.iter().chain(&self.b)
    }

    fn half(members: &[Member]) -> Combination {
        hall::mean(members.iter().map(|member| &member.combination)).unwrap_or_default()
    }
}

impl Member {
    /// At zero field; failing that, the straight line there between both signs of the weakest field that has both.
    fn find(all: &[PairResistance], four: &[u8; 4], sign: f64, remarks: &mut Vec<String>) -> Option<Self> {
        let places: Vec<usize> = (0..all.len()).filter(|&k| numbers(all[k].configuration) == *four).collect();
        let at = |level: f64| places.iter().copied().find(|&k| all[k].level == level);
        if let Some(zero) = at(0.0) {
            return Some(Self::new(all, vec![(zero, sign)]));
        }
        let levels: Vec<f64> = places.iter().map(|&k| all[k].level).collect();
        let pairs = field::reversals(&levels);
        let pair = pairs.iter().find(|pair| pair.is_of_one_field()).or(pairs.first())?;
        let (plus, minus) = (at(pair.plus)?, at(pair.minus)?);
        // What is odd in the field goes whatever the two magnitudes are; of equal ones this is the mean.
        let (up, down) = (all[plus].field.0, all[minus].field.0);
        let share = -down / (up - down);
        let member = Self::new(all, vec![(plus, sign * share), (minus, sign * (1.0 - share))]);
        remarks.push(format!(
            "{} was not measured at zero field: the straight line between {} and {} stands for it, \
             magnetoresistance included",
            member.label,
            tesla(pair.plus),
            tesla(pair.minus)
        ));
        Some(member)
    }

    fn new(all: &[PairResistance], combination: Combination) -> Self {
        let directed = |of: fn(&PairResistance) -> Option<f64>| {
            combination.iter().map(|(k, weight)| Some(weight * of(&all[*k])?)).sum::<Option<f64>>()
        };
        Self {
            label: label(all[combination[0].0].configuration),
            value: hall::value(&combination, all),
            directed: (directed(|r| r.forward), directed(|r| r.backward)),
            combination,
        }
    }
}

/// The inputs of the results, with what makes them uncertain.
struct Inputs {
    values: [f64; input::COUNT],
    known: Known,
    /// R_A and R_B in Ω where van der Pauw's equation has no root.
    rootless: Option<[f64; 2]>,
    /// Places of the resistances that enter.
    entering: Vec<usize>,
    /// Each source's name and what one standard uncertainty of it does to every input. Sources are independent.
    sources: Vec<(String, [f64; input::COUNT])>,
}

impl Inputs {
    fn new(
        all: &[PairResistance],
        halves: Option<&[Combination; 2]>,
        slope: Option<&Combination>,
        specimen: &Specimen,
        options: &Options,
    ) -> Self {
        // What is not known is 1 and exact, and no result that needs it is computed.
        let mut values = [1.0; input::COUNT];
        let mut weights = vec![[0.0; input::COUNT]; all.len()];
        let mut enter = |place: usize, combination: &Combination| {
            values[place] = hall::value(combination, all);
            combination.iter().for_each(|(k, weight)| weights[*k][place] += weight);
        };
        if let Some([a, b]) = halves {
            enter(input::R_A, a);
            enter(input::R_B, b);
        }
        if let Some(slope) = slope {
            enter(input::SLOPE, slope);
        }
        if let Some(thickness) = specimen.thickness {
            values[input::THICKNESS] = thickness.value;
        }
        let pair = [values[input::R_A], values[input::R_B]];
        let sheet = halves.is_some() && pair.iter().all(|r| *r > 0.0);
        let rootless = (halves.is_some() && !sheet).then_some(pair);
        let known = Known {
            sheet,
            slope: slope.map(|_| values[input::SLOPE]),
            thickness: specimen.thickness.is_some(),
        };
        let entering: Vec<usize> = (0..all.len()).filter(|&k| weights[k] != [0.0; input::COUNT]).collect();
        let sources = sources(all, &entering, &weights, specimen, options);
        Self { values, known, rootless, entering, sources }
    }

    fn used<'a>(&self, all: &'a [PairResistance]) -> Vec<&'a PairResistance> {
        self.entering.iter().map(|&k| &all[k]).collect()
    }

    fn remark(&self, remarks: &mut Vec<String>, all: &[PairResistance]) {
        let used = self.used(all);
        if used.iter().all(|r| r.degrees_of_freedom == 0) {
            remarks.push("no reading was repeated: noise is not part of the uncertainty".into());
        }
        if let Some([r_a, r_b]) = self.rootless {
            remarks.push(format!(
                "no sheet resistance: R_A = {r_a:.4e} Ω and R_B = {r_b:.4e} Ω are not both above zero"
            ));
        }
        if !self.known.thickness {
            remarks.push("no thickness: no resistivity, Hall coefficient or density per volume".into());
        }
    }

    /// First-order propagation (JCGM 100:2008, 5.2.2), as a whole and source by source.
    fn results(&self) -> (Results, Vec<Contribution>) {
        let quantities: Vec<Quantity> =
            Quantity::ALL.into_iter().filter(|quantity| quantity.is_known(self.known)).collect();
        let mut covariance = DMatrix::zeros(input::COUNT, input::COUNT);
        for (_, change) in &self.sources {
            let change = DMatrix::from_column_slice(input::COUNT, 1, change);
            covariance += &change * change.transpose();
        }
        let model = |inputs: &[f64]| quantities.iter().map(|quantity| quantity.value(inputs)).collect();
        let propagated = propagation::linear(model, &self.values, &covariance);

        let mut results = Results::default();
        let mut budget = Vec::new();
        for (row, quantity) in quantities.iter().enumerate() {
            let estimate = Estimate::new(propagated.values[row], propagated.standard_uncertainty(row));
            quantity.set(&mut results, estimate);
            for (name, change) in &self.sources {
                let effect: f64 =
                    (0..input::COUNT).map(|k| propagated.sensitivities[(row, k)] * change[k]).sum();
                if effect != 0.0 {
                    budget.push(Contribution {
                        name: name.clone(),
                        result: quantity.key().into(),
                        standard_uncertainty: effect.abs(),
                    });
                }
            }
        }
        results.carrier_type = self
            .known
            .slope
            .filter(|slope| *slope != 0.0)
            .map(|slope| if slope < 0.0 { CarrierType::N } else { CarrierType::P });
        (results, budget)
    }
}

fn sources(
    all: &[PairResistance],
    entering: &[usize],
    weights: &[[f64; input::COUNT]],
    specimen: &Specimen,
    options: &Options,
) -> Vec<(String, [f64; input::COUNT])> {
    let scaled = |k: usize, u: f64| weights[k].map(|weight| weight * u);
    let mut result = Vec::new();
    for &k in entering {
        let own = &all[k].sources;
        let place = place(&all[k]);
        result.push((format!("scatter of repeats, {place}"), scaled(k, own.scatter)));
        result.push((format!("voltmeter, own part, {place}"), scaled(k, own.voltmeter_own)));
        result.push((format!("ammeter, own part, {place}"), scaled(k, own.ammeter_own)));
    }
    let common = |gain: fn(&PairResistance) -> f64| {
        entering.iter().fold([0.0; input::COUNT], |mut sum, &k| {
            sum.iter_mut().zip(scaled(k, gain(&all[k]))).for_each(|(total, term)| *total += term);
            sum
        })
    };
    result.push(("voltmeter gain".into(), common(|r| r.sources.voltmeter_gain)));
    result.push(("ammeter gain".into(), common(|r| r.sources.ammeter_gain)));
    let alone = |place: usize, u: f64| {
        let mut change = [0.0; input::COUNT];
        change[place] = u;
        change
    };
    let thickness_u = specimen.thickness.map_or(0.0, |thickness| thickness.standard_uncertainty);
    result.push(("thickness".into(), alone(input::THICKNESS, thickness_u)));
    result.push(("field".into(), alone(input::FIELD_SCALE, options.field_u)));
    result.retain(|(_, change)| *change != [0.0; input::COUNT]);
    result
}

fn place(resistance: &PairResistance) -> String {
    let pair = label(resistance.configuration);
    if resistance.level == 0.0 { pair } else { format!("{pair} at {:+.4} T", resistance.field.0) }
}

/// A level with its sign, to a tenth of a millitesla.
fn tesla(level: f64) -> String {
    format!("{:+} T", (level * 1e4).round() / 1e4)
}

fn check_inputs(specimen: &Specimen, options: &Options) -> Result<(), Error> {
    if let Some(Estimate { value, standard_uncertainty }) = specimen.thickness {
        let good = value > 0.0
            && value.is_finite()
            && standard_uncertainty >= 0.0
            && standard_uncertainty.is_finite();
        if !good {
            return Err(Error::BadThickness { value, standard_uncertainty });
        }
    }
    if !(options.field_u >= 0.0 && options.field_u.is_finite()) {
        return Err(Error::BadFieldUncertainty { field_u: options.field_u });
    }
    Ok(())
}

fn remark_readings(remarks: &mut Vec<String>, readings: &[Reading]) {
    let left_out = readings.iter().filter(|r| r.condition != Condition::Sound).count();
    if left_out > 0 {
        remarks.push(format!(
            "{left_out} of {} readings left out: overload, compliance or not-a-number",
            readings.len()
        ));
    }
    let useful = |r: &&Reading| {
        r.configuration.is_four_terminal() && numbers(r.configuration).iter().all(|&contact| contact <= 4)
    };
    let others = readings.iter().filter(|r| r.condition == Condition::Sound && !useful(r)).count();
    if others > 0 {
        remarks.push(format!("{others} readings of other configurations play no part"));
    }
    let temperatures =
        || readings.iter().filter(|r| r.condition == Condition::Sound).map(|r| r.temperature.0);
    let spread =
        temperatures().fold(f64::NEG_INFINITY, f64::max) - temperatures().fold(f64::INFINITY, f64::min);
    if spread > TEMPERATURE_SPREAD_K {
        remarks.push(format!("temperature spread over {spread:.2} K, more than 1 K"));
    }
}

fn remark_hall(remarks: &mut Vec<String>, hall: &Hall, measured: bool) {
    if !measured {
        remarks.push(if hall.in_field {
            "no Hall coefficient: each diagonal at one sign of the field only".into()
        } else {
            "no Hall coefficient: no readings of 13,24 or 24,31 in a field".into()
        });
    } else if hall.one_signed {
        remarks.push("the Hall diagonal with fields of one sign only plays no part".into());
    }
    for pair in &hall.uneven {
        remarks.push(format!(
            "fields {} and {} differ by more than 5 %: what is even in the field (magnetoresistance) does not cancel",
            tesla(pair.plus),
            tesla(pair.minus)
        ));
    }
    if let Some(curvature) = hall.curvature.filter(|curvature| *curvature > CURVATURE) {
        remarks.push(format!(
            "the Hall resistance departs from a straight line with field by up to {:.1} %",
            100.0 * curvature
        ));
    }
}

fn remark_results(remarks: &mut Vec<String>, results: &Results) {
    if results.carrier_type.is_some()
        && results.sheet_carrier_density_per_m2.is_some_and(|density| density.relative() > 0.5)
    {
        remarks.push(
            "the Hall slope is less than two standard uncertainties: its sign is not established".into(),
        );
    }
}
