//! Readings of one temperature to results: chooses what enters, combines it, propagates its uncertainty.

use crate::checks::{self, Checks};
use crate::error::Error;
use crate::hall::{self, Combination};
use crate::inputs::{Inputs, THERMOMETER};
use crate::pair::{is_useful, label, numbers};
use crate::remarks::{self, tesla};
use crate::resistance::{Group, PairResistance, groups, pair_resistance};
use crate::results::{Contribution, Options, Reduced, Specimen};
use crate::slopes::Slopes;
use crate::{METHOD, field};
use quadrille_experiment::{Condition, Reading};
use quadrille_quantity::Estimate;

/// Configurations of the two resistances of van der Pauw, in ascending order of contacts, with the sign that makes
/// them positive for a sample with contacts in order around its edge: R_A of 12,43 and 43,12, R_B of 23,14 and 14,23.
pub(crate) const HALVES: [([[u8; 4]; 2], f64, &str); 2] = [
    ([[1, 2, 3, 4], [3, 4, 1, 2]], -1.0, "12,43 or 43,12"),
    ([[2, 3, 1, 4], [1, 4, 2, 3]], 1.0, "23,14 or 14,23"),
];

/// Results of the readings of one temperature, with checks and budget.
///
/// Readings that are not sound never enter; readings at fields below 1 mT or 1 % of the largest count as zero field;
/// any +B and −B make a Hall slope, with a remark where their magnitudes differ by more than 5 %. Sheet resistance is
/// of zero field, or of the straight line between both signs of the weakest field where there is none. Readings whose
/// temperatures differ are brought to their mean where repeats say how the resistances change with it. Results that
/// could not be measured are absent, with a remark.
///
/// # Errors
/// What is missing for any result, or for the sheet resistance where a part of its readings is there.
pub fn reduce(readings: &[Reading], specimen: &Specimen, options: &Options) -> Result<Reduced, Error> {
    reduce_with(readings, specimen, options, Slopes::default())
}

/// The same with what is known of the change with temperature from elsewhere.
pub(crate) fn reduce_with(
    readings: &[Reading],
    specimen: &Specimen,
    options: &Options,
    slopes: Slopes,
) -> Result<Reduced, Error> {
    check_inputs(specimen, options)?;
    let mut groups = groups(readings)?;
    let (mean, spread) = temperatures(readings);
    let temperature = Estimate::new(mean, options.temperature_u);
    let slopes = slopes.or_better(Slopes::of_repeats(&groups, mean));
    let all: Vec<PairResistance> =
        groups.iter_mut().map(|group| at_one_temperature(group, &slopes, mean)).collect();
    let mut checks = Checks::default();
    remarks::readings_left_out(&mut checks.remarks, readings);

    let sheet = Sheet::find(&all, &mut checks.remarks)?;
    let hall = hall::combine(&all);
    let slope = hall::mean(hall.slopes.iter().flatten());
    if sheet.is_none() && slope.is_none() {
        return Err(if hall.in_field { Error::NoFieldReversal } else { Error::NothingToReduce });
    }
    remarks::of_hall(&mut checks.remarks, &hall, slope.is_some());

    let halves = sheet.as_ref().map(|sheet| [Sheet::half(&sheet.a), Sheet::half(&sheet.b)]);
    let inputs = Inputs::new(&all, halves.as_ref(), slope.as_ref(), specimen, options, temperature);
    checks::current_reversal_measured(&mut checks, &inputs.used(&all));
    if let Some(sheet) = &sheet {
        checks::sheet(&mut checks, sheet, &options.acceptance);
    }
    if slope.is_some() {
        checks::hall(&mut checks, &hall.slopes, &all, &options.acceptance);
    }
    let known = inputs.used(&all).iter().all(|resistance| resistance.slope.is_some());
    if spread > 0.0 {
        let left = known.then(|| inputs.left_of_drift());
        checks::temperature(&mut checks, mean, spread, left, &options.acceptance);
    }
    if !known && options.temperature_u > 0.0 {
        checks.remarks.push(
            "how the results change with temperature is not known: what the thermometer may be off by is not part of \
             their uncertainty"
                .into(),
        );
    }
    inputs.remark(&mut checks.remarks, &all);

    let (results, mut budget) = inputs.results();
    if options.temperature_u > 0.0 {
        budget.push(Contribution {
            name: THERMOMETER.into(),
            result: Reduced::TEMPERATURE.into(),
            standard_uncertainty: options.temperature_u,
        });
    }
    remarks::of_results(&mut checks.remarks, &results);
    Ok(Reduced { temperature, results, checks: checks.made, budget, remarks: checks.remarks, method: METHOD })
}

/// Mean and spread of the temperatures of the sound readings that results could be made of, in kelvins.
fn temperatures(readings: &[Reading]) -> (f64, f64) {
    let sound = || readings.iter().filter(|reading| reading.condition == Condition::Sound);
    let any_useful = sound().any(is_useful);
    let kelvins: Vec<f64> =
        sound().filter(|reading| !any_useful || is_useful(reading)).map(|r| r.temperature.0).collect();
    let mean = kelvins.iter().sum::<f64>() / kelvins.len() as f64;
    let most = kelvins.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let least = kelvins.iter().copied().fold(f64::INFINITY, f64::min);
    (if most == least { most } else { mean }, most - least)
}

/// The resistance that readings would have given at one temperature.
fn at_one_temperature(group: &mut Group, slopes: &Slopes, reference: f64) -> PairResistance {
    let slope = slopes.of(group.readings[0].configuration, group.level);
    if let Some(slope) = slope {
        for reading in &mut group.readings {
            reading.voltage -= slope.value * reading.current * (reading.temperature - reference);
        }
    }
    let squares = group.readings.iter().map(|reading| (reading.temperature - reference).powi(2));
    let square_departure = squares.sum::<f64>() / group.readings.len() as f64;
    PairResistance { slope, square_departure, ..pair_resistance(group.level, &group.readings) }
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
    if !(options.temperature_u >= 0.0 && options.temperature_u.is_finite()) {
        return Err(Error::BadTemperatureUncertainty { temperature_u: options.temperature_u });
    }
    Ok(())
}
