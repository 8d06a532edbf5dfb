//! What the results are computed of, with every source of uncertainty as one change of all of it; knows no checks.

use crate::hall::{self, Combination};
use crate::pair::label;
use crate::propagation;
use crate::quantities::{Known, Quantity, input};
use crate::remarks::tesla;
use crate::resistance::PairResistance;
use crate::results::{CarrierType, Contribution, Options, Results, Specimen};
use crate::slopes::Slope;
use nalgebra::DMatrix;
use quadrille_quantity::Estimate;

/// Name of the source: what is not known of the change of resistances with temperature, where readings were brought to one.
const TEMPERATURE_DRIFT: &str = "drift of the temperature";

/// Name of the source: the same beyond the straight line.
const SECOND_ORDER: &str = "drift of the temperature, second order";

/// Name of the source: accuracy of the thermometer.
pub(crate) const THERMOMETER: &str = "thermometer";

/// The inputs of the results, with what makes them uncertain.
pub(crate) struct Inputs {
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
    pub(crate) fn new(
        all: &[PairResistance],
        halves: Option<&[Combination; 2]>,
        slope: Option<&Combination>,
        specimen: &Specimen,
        options: &Options,
        temperature: Estimate,
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
        let sources = sources(all, &entering, &weights, specimen, options, temperature);
        Self { values, known, rootless, entering, sources }
    }

    pub(crate) fn used<'a>(&self, all: &'a [PairResistance]) -> Vec<&'a PairResistance> {
        self.entering.iter().map(|&k| &all[k]).collect()
    }

    pub(crate) fn remark(&self, remarks: &mut Vec<String>, all: &[PairResistance]) {
        let used = self.used(all);
        if used.iter().all(|r| r.sources.noise == 0.0) {
            remarks.push(
                "no reading was repeated, and none says what its noise is: noise is not part of the uncertainty"
                    .into(),
            );
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

    /// What the uncertainty of the slopes with temperature leaves of a drift, relative: the most of R_A, R_B and Hall slope.
    pub(crate) fn left_of_drift(&self) -> f64 {
        let drift = self.sources.iter().find(|(name, _)| name == TEMPERATURE_DRIFT);
        let relative =
            |place: usize| drift.map_or(0.0, |(_, change)| (change[place] / self.values[place]).abs());
        [input::R_A, input::R_B, input::SLOPE].into_iter().map(relative).fold(0.0, f64::max)
    }

    /// First-order propagation (JCGM 100:2008, 5.2.2), as a whole and source by source.
    pub(crate) fn results(&self) -> (Results, Vec<Contribution>) {
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
    temperature: Estimate,
) -> Vec<(String, [f64; input::COUNT])> {
    let scaled = |k: usize, u: f64| weights[k].map(|weight| weight * u);
    let mut result = Vec::new();
    for &k in entering {
        let own = &all[k].sources;
        let place = place(&all[k]);
        result.push((format!("noise, {place}"), scaled(k, own.noise)));
        result.push((format!("voltmeter, own part, {place}"), scaled(k, own.voltmeter_own)));
        result.push((format!("ammeter, own part, {place}"), scaled(k, own.ammeter_own)));
    }
    // Correlated inputs (JCGM 100:2008, 5.2.2): what moves several resistances together is one source, whose changes of
    // them add up with their signs.
    let common = |change: &dyn Fn(&PairResistance) -> f64| {
        entering.iter().fold([0.0; input::COUNT], |mut sum, &k| {
            sum.iter_mut().zip(scaled(k, change(&all[k]))).for_each(|(total, term)| *total += term);
            sum
        })
    };
    result.push(("voltmeter gain".into(), common(&|r| r.sources.voltmeter_gain)));
    result.push(("ammeter gain".into(), common(&|r| r.sources.ammeter_gain)));
    // The legs of a round, which is of one field, share what is left of the transient.
    let mut levels: Vec<f64> = entering.iter().map(|&k| all[k].level).collect();
    levels.sort_by(f64::total_cmp);
    levels.dedup();
    for level in levels {
        let of_round = |change: fn(&PairResistance) -> f64| {
            common(&|r: &PairResistance| if r.level == level { change(r) } else { 0.0 })
        };
        let at = if level == 0.0 { String::new() } else { format!(" at {}", tesla(level)) };
        result.push((format!("settling of the voltage{at}"), of_round(|r| r.sources.voltmeter_settling)));
        result.push((format!("settling of the current{at}"), of_round(|r| r.sources.ammeter_settling)));
    }
    let slope = |r: &PairResistance| r.slope.unwrap_or(Slope { value: 0.0, u: 0.0, bend: 0.0 });
    // What is not known of the slopes is mostly their course, which scales all of them: it has their signs.
    let first =
        |r: &PairResistance| slope(r).u.copysign(slope(r).value) * (temperature.value - r.temperature);
    result.push((TEMPERATURE_DRIFT.into(), common(&first)));
    let second = |r: &PairResistance| slope(r).second_order(r.resistance.value, r.square_departure);
    result.push((SECOND_ORDER.into(), common(&second)));
    result.push((THERMOMETER.into(), common(&|r| slope(r).value * temperature.standard_uncertainty)));
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
