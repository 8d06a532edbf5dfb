//! What enters a result, what does not, what is said about it, and what is refused.
#![allow(clippy::unwrap_used)]

mod support;

use proptest::prelude::*;
use quadrille_experiment::{Condition, Configuration, Reading};
use quadrille_quantity::{Ampere, Estimate, Kelvin, Tesla, Volt};
use quadrille_reduction::{
    Acceptance, CarrierType, Error, Options, Quantity, Reduced, Results, Specimen, by_temperature, reduce,
    resistances,
};
use support::{HALL, SAMPLE, SHEET, Sample, close, named};

const SPECIMEN: Specimen =
    Specimen { thickness: Some(Estimate { value: 480e-9, standard_uncertainty: 6e-9 }) };

fn reduced(readings: &[Reading]) -> Reduced {
    reduce(readings, &SPECIMEN, &Options::default()).unwrap()
}

fn refused(readings: &[Reading]) -> Error {
    reduce(readings, &SPECIMEN, &Options::default()).unwrap_err()
}

/// Sheet resistance of the sample from the equation of van der Pauw by bisection, without Newton.
fn sheet_resistance(sample: &Sample) -> f64 {
    let defect = |rs: f64| {
        let term = |r: f64| (-std::f64::consts::PI * r / rs).exp();
        term(sample.r_a) + term(sample.r_b) - 1.0
    };
    let (mut low, mut high) = (1e-6 * sample.r_a, 1e3 * (sample.r_a + sample.r_b));
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if defect(middle) > 0.0 { high = middle } else { low = middle }
    }
    low
}

#[track_caller]
fn check_against(sample: &Sample, results: &Results, relative: f64) {
    let value = |quantity: Quantity| quantity.of(results).unwrap().value;
    let rs = sheet_resistance(sample);
    let e = 1.602176634e-19;
    close("Rs", value(Quantity::SheetResistance), rs, relative);
    close("rho", value(Quantity::Resistivity), rs * 480e-9, relative);
    close("R_H", value(Quantity::HallCoefficient), sample.slope * 480e-9, relative);
    close("n_s", value(Quantity::SheetDensity), 1.0 / (e * sample.slope.abs()), relative);
    close("n", value(Quantity::Density), 1.0 / (e * sample.slope.abs() * 480e-9), relative);
    close("mobility", value(Quantity::Mobility), sample.slope.abs() / rs, relative);
}

// --- what enters ---

#[test]
fn a_sample_without_symmetry_gives_back_its_values() {
    check_against(&SAMPLE, &reduced(&SAMPLE.round(2e-4, 0.8)).results, 1e-12);
    let other = Sample { r_a: 911.0, r_b: 3.2, slope: 12.0, ..SAMPLE };
    let results = reduced(&other.round(-1e-3, 1.3)).results;
    check_against(&other, &results, 1e-11);
    assert_eq!(results.carrier_type, Some(CarrierType::P));
}

/// The round once by lead exchange, once by the source's sign, once half by each.
fn ways_of_reversing(sample: &Sample) -> [Vec<Reading>; 3] {
    let (i, b) = (3e-4, 0.7);
    let sheet = ["12,43", "23,14", "43,12", "14,23"];
    let hall = ["13,24", "42,13"];
    let exchanged = |c: &str| {
        let c: Configuration = c.parse().unwrap();
        let [p, q, r, s] = c.contacts().map(|contact| contact.number());
        Configuration::new(q, p, s, r).unwrap().to_string()
    };
    let plan: Vec<(&str, f64)> =
        (sheet.iter().map(|c| (*c, 0.0))).chain(hall.iter().flat_map(|c| [(*c, b), (*c, -b)])).collect();
    let leads = |c: &str, b: f64| [sample.reading(c, i, b, 0.0), sample.reading(&exchanged(c), i, b, 1.0)];
    let source = |c: &str, b: f64| [sample.reading(c, i, b, 0.0), sample.reading(c, -i, b, 1.0)];
    [
        plan.iter().flat_map(|(c, b)| leads(c, *b)).collect(),
        plan.iter().flat_map(|(c, b)| source(c, *b)).collect(),
        plan.iter()
            .enumerate()
            .flat_map(|(k, (c, b))| if k % 2 == 0 { leads(c, *b) } else { source(c, *b) })
            .collect(),
    ]
}

#[test]
fn exchanging_leads_and_turning_the_source_are_one_reversal() {
    let mut all = ways_of_reversing(&SAMPLE);
    for reading in all.iter_mut().flatten() {
        reading.voltage.own_u = Volt(2e-6);
        reading.current.own_u = Ampere(1e-8);
        reading.voltage.gain_u = 3e-5;
    }
    let [leads, source, mixture] = all.map(|readings| reduced(&readings));
    check_against(&SAMPLE, &leads.results, 1e-12);
    assert_eq!(leads, source);
    assert_eq!(leads, mixture);
}

#[test]
fn the_order_of_the_readings_changes_no_bit() {
    let mut readings = SAMPLE.round(2e-4, 0.8);
    readings.extend(SAMPLE.round(-1.7e-4, 0.803));
    for (k, reading) in readings.iter_mut().enumerate() {
        reading.voltage.value.0 *= 1.0 + 1e-4 * (k as f64).sin();
        reading.voltage.own_u = Volt(1e-7);
    }
    let expected = reduced(&readings);
    for step in [5, 7, 11, 13] {
        let permuted: Vec<Reading> =
            (0..readings.len()).map(|k| readings[k * step % readings.len()]).collect();
        assert_eq!(reduced(&permuted), expected, "step {step}");
    }
}

#[test]
fn readings_that_are_no_values_never_enter_and_are_counted() {
    let readings = SAMPLE.round(2e-4, 0.8);
    let mut spoiled = readings.clone();
    for (k, condition) in [
        Condition::VoltmeterOverload,
        Condition::AmmeterOverload,
        Condition::NotANumber,
        Condition::Compliance,
    ]
    .into_iter()
    .enumerate()
    {
        let mut bad = readings[3 * k];
        bad.condition = condition;
        bad.voltage.value = Volt(if k == 2 { f64::NAN } else { 9.9e37 });
        bad.current.value = Ampere(if k == 1 { 0.0 } else { 9.9e37 });
        spoiled.push(bad);
    }
    let (clean, with) = (reduced(&readings), reduced(&spoiled));
    assert_eq!(with.results, clean.results);
    assert!(
        with.remarks.iter().any(|remark| remark.starts_with("4 of 20 readings left out")),
        "{:?}",
        with.remarks
    );
}

#[test]
fn unequal_fields_of_the_two_signs_are_not_taken_for_equal() {
    let mut readings: Vec<Reading> =
        SAMPLE.round(2e-4, 0.8).into_iter().filter(|r| r.field == Tesla(0.0)).collect();
    let flat = Sample { magnetoresistance: 0.0, ..SAMPLE };
    for (c, b) in HALL.iter().flat_map(|c| [(c, 0.80), (c, -0.83)]) {
        readings.push(flat.reading(c, 2e-4, b, 9.0));
    }
    check_against(&flat, &reduced(&readings).results, 1e-12);
}

/// The round at zero field, and the diagonals at the fields given, of a sample without magnetoresistance.
fn at_fields(fields: &[f64]) -> Vec<Reading> {
    let flat = Sample { magnetoresistance: 0.0, ..SAMPLE };
    let mut readings: Vec<Reading> = SHEET.iter().map(|c| flat.reading(c, 2e-4, 0.0, 1.0)).collect();
    readings.extend(fields.iter().flat_map(|b| HALL.map(|c| flat.reading(c, 2e-4, *b, 9.0))));
    readings
}

#[track_caller]
fn check_fields(fields: &[f64], uneven: &[(&str, &str)]) {
    let reduced = reduced(&at_fields(fields));
    check_against(&SAMPLE, &reduced.results, 1e-12);
    let said: Vec<&String> = reduced.remarks.iter().filter(|r| r.contains("field")).collect();
    let expected: Vec<String> = uneven
        .iter()
        .map(|(plus, minus)| {
            format!(
                "fields {plus} T and {minus} T differ by more than 5 %: \
                 what is even in the field (magnetoresistance) does not cancel"
            )
        })
        .collect();
    assert_eq!(said, expected.iter().collect::<Vec<_>>());
}

#[test]
fn any_two_fields_of_opposite_sign_make_a_slope_and_uneven_ones_are_told() {
    check_fields(&[0.73, -0.41], &[("+0.73", "-0.41")]);
    check_fields(&[0.41, -0.73], &[("+0.41", "-0.73")]);
    check_fields(&[0.5, -0.45], &[("+0.5", "-0.45")]);
    check_fields(&[0.5, -0.48], &[]);
    check_fields(&[0.2, -0.3, 0.5, -0.45, 1.1, -1.0], &[("+0.2", "-0.3"), ("+0.5", "-0.45"), ("+1.1", "-1")]);
    check_fields(&[0.31, -0.9, 0.88], &[("+0.31", "-0.9")]);
}

#[test]
fn a_field_that_is_not_steady_within_a_level_costs_nothing() {
    let mut readings = at_fields(&[]);
    let flat = Sample { magnetoresistance: 0.0, ..SAMPLE };
    let plan = HALL.iter().flat_map(|c| [(c, 0.73), (c, -0.41)]);
    for (k, (c, b)) in plan.flat_map(|state| [state; 3]).enumerate() {
        let (jitter, current) = (2e-4 * (7.0 * k as f64).sin(), 2e-4 * (1.0 + 0.1 * (k as f64).cos()));
        readings.push(flat.reading(c, current, b + jitter, (k * k) as f64));
    }
    check_against(&flat, &reduced(&readings).results, 1e-12);
}

#[test]
fn several_fields_give_one_slope() {
    let fields = [0.2, 0.5, 0.9];
    let mut readings = SAMPLE.round(2e-4, fields[0]);
    for b in &fields[1..] {
        readings.extend(SAMPLE.round(2e-4, *b).into_iter().filter(|r| r.field != Tesla(0.0)));
    }
    check_against(&SAMPLE, &reduced(&readings).results, 1e-12);

    // A Hall voltage that goes as B + 0.2 B³: the line through the origin by least squares is Σ B y/Σ B².
    let mut bent = readings.clone();
    for reading in bent.iter_mut().filter(|r| r.field != Tesla(0.0)) {
        let [a, b, c, d] = reading.configuration.contacts().map(|contact| contact.number());
        let odd = SAMPLE.resistance([a, b, c, d], reading.field.0)
            - SAMPLE.resistance([a, b, c, d], -reading.field.0);
        reading.voltage.value.0 += reading.current.value.0 * odd / 2.0 * 0.2 * reading.field.0.powi(2);
    }
    let sums = fields.iter().fold((0.0, 0.0), |(y, x), b| (y + b * b * (1.0 + 0.2 * b * b), x + b * b));
    let bent = reduced(&bent);
    let coefficient = bent.results.hall_coefficient_m3_per_c.unwrap().value;
    close("R_H", coefficient, SAMPLE.slope * 480e-9 * sums.0 / sums.1, 1e-12);
    assert!(bent.remarks.iter().any(|remark| remark.contains("straight line")), "{:?}", bent.remarks);
}

// --- offsets and drift ---

fn drifting(times_and_signs: &[(f64, f64)], drift: f64) -> f64 {
    let sample = Sample { drift, ..SAMPLE };
    let readings: Vec<Reading> =
        times_and_signs.iter().map(|(t, sign)| sample.reading("23,14", sign * 1e-4, 0.0, *t)).collect();
    resistances(&readings).unwrap()[0].resistance.value
}

#[test]
fn linear_drift_goes_where_the_order_of_polarities_allows() {
    let drift = 1e-4;
    close("+ - +", drifting(&[(0.0, 1.0), (1.0, -1.0), (2.0, 1.0)], drift), SAMPLE.r_b, 1e-12);
    close("+ - - +", drifting(&[(0.0, 1.0), (1.0, -1.0), (2.0, -1.0), (3.0, 1.0)], drift), SAMPLE.r_b, 1e-12);
    close("- + + -", drifting(&[(5.0, -1.0), (6.1, 1.0), (7.3, 1.0), (8.0, -1.0)], drift), SAMPLE.r_b, 1e-12);
    // Current and time go together in these two: drift stays, as (V+ − V−)/2 keeps half a step of it.
    close("+ -", drifting(&[(0.0, 1.0), (1.0, -1.0)], drift), SAMPLE.r_b - drift / 2.0 / 1e-4, 1e-12);
    close(
        "+ + - -",
        drifting(&[(0.0, 1.0), (1.0, 1.0), (2.0, -1.0), (3.0, -1.0)], drift),
        SAMPLE.r_b - drift / 1e-4,
        1e-12,
    );
}

#[test]
fn one_direction_of_the_current_keeps_the_offset_and_fails_its_check() {
    let readings: Vec<Reading> =
        ["12,43", "23,14", "43,12", "14,23"].iter().map(|c| SAMPLE.reading(c, 1e-5, 0.0, 0.0)).collect();
    let reduced = reduced(&readings);
    let check = named(&reduced, "current reversal measured");
    assert_eq!((check.measured, check.passed), (0.0, false));
    assert!(
        reduced.remarks.iter().any(|r| r.starts_with("thermoelectric offsets are not removed from 12|34"))
    );
    assert!(
        reduced
            .remarks
            .iter()
            .any(|r| r == "check not made: reversal 12|34: one direction of the current only")
    );
    let offset = SAMPLE.potentials[3] - SAMPLE.potentials[2];
    let found = resistances(&readings).unwrap();
    close("12|34", -found[0].resistance.value, SAMPLE.r_a + offset / 1e-5, 1e-12);
}

// --- what may be missing ---

#[test]
fn half_of_the_reciprocal_pairs_is_enough_with_a_remark() {
    let readings: Vec<Reading> =
        ["12,43", "21,34", "14,23", "41,32"].iter().map(|c| SAMPLE.reading(c, 1e-4, 0.0, 0.0)).collect();
    let reduced = reduced(&readings);
    close("Rs", reduced.results.sheet_resistance_ohm.unwrap().value, sheet_resistance(&SAMPLE), 1e-12);
    assert!(
        reduced.remarks.iter().any(|r| r == "of 12,43 or 43,12 only 12|34 was measured"),
        "{:?}",
        reduced.remarks
    );
    assert!(!reduced.checks.iter().any(|c| c.name.starts_with("reciprocity") || c.name == "pair agreement"));
    assert!(reduced.remarks.iter().any(|r| r.starts_with("check not made: pair agreement")));
    assert_eq!(reduced.results.mobility_m2_per_v_s, None);
}

#[test]
fn without_zero_field_the_even_part_stands_for_it() {
    let b = 0.5;
    let readings: Vec<Reading> = SHEET
        .iter()
        .chain(&HALL)
        .flat_map(|c| [b, -b].map(|field| SAMPLE.reading(c, 1e-4, field, 0.0)))
        .collect();
    let reduced = reduced(&readings);
    let rise = 1.0 + SAMPLE.magnetoresistance * b * b;
    close("Rs", reduced.results.sheet_resistance_ohm.unwrap().value, sheet_resistance(&SAMPLE) * rise, 1e-12);
    assert!(reduced.remarks.iter().any(|r| r.starts_with("12|34 was not measured at zero field")));
}

#[test]
fn without_zero_field_what_is_odd_in_uneven_fields_goes() {
    let mut readings = at_fields(&[0.73, -0.41]);
    readings.retain(|r| r.field != Tesla(0.0));
    // Contacts that are not points on the edge give these configurations a Hall voltage as well, here 0.9 Ω/T.
    for (c, b) in SHEET.iter().flat_map(|c| [(c, 0.73), (c, -0.41)]) {
        let mut reading = Sample { magnetoresistance: 0.0, ..SAMPLE }.reading(c, 1e-4, b, 0.0);
        let sign = if ["21,34", "34,21", "23,14", "14,23"].contains(c) { 1.0 } else { -1.0 };
        reading.voltage.value.0 += sign * 0.9 * b * 1e-4;
        readings.push(reading);
    }
    let reduced = reduced(&readings);
    close("Rs", reduced.results.sheet_resistance_ohm.unwrap().value, sheet_resistance(&SAMPLE), 1e-12);
    let remark = "12|34 was not measured at zero field: the straight line between +0.73 T and -0.41 T";
    assert!(reduced.remarks.iter().any(|r| r.starts_with(remark)), "{:?}", reduced.remarks);
}

#[test]
fn one_hall_diagonal_is_enough_with_a_remark() {
    let readings: Vec<Reading> = SAMPLE
        .round(2e-4, 0.8)
        .into_iter()
        .filter(|r| !["42,13", "24,31"].contains(&r.configuration.to_string().as_str()))
        .collect();
    let reduced = reduced(&readings);
    check_against(&SAMPLE, &reduced.results, 1e-12);
    assert!(reduced.remarks.iter().any(|r| r == "check not made: hall pair agreement: one diagonal only"));
}

#[test]
fn a_field_without_its_opposite_gives_no_hall_coefficient_and_says_so() {
    let readings: Vec<Reading> = SAMPLE.round(2e-4, 0.8).into_iter().filter(|r| r.field.0 >= 0.0).collect();
    let reduced = reduced(&readings);
    assert_eq!(reduced.results.sheet_carrier_density_per_m2, None);
    assert_eq!(reduced.results.carrier_type, None);
    assert!(
        reduced
            .remarks
            .iter()
            .any(|r| r == "no Hall coefficient: each diagonal at one sign of the field only")
    );
}

#[track_caller]
fn check_refused(readings: &[Reading], expected: &str) {
    let message = refused(readings).to_string();
    assert!(message.contains(expected), "\"{message}\" does not contain \"{expected}\"");
    assert!(message.starts_with(|c: char| c.is_lowercase()) && !message.ends_with('.'), "{message}");
}

#[test]
fn what_cannot_be_reduced_is_refused_with_what_is_missing() {
    let round = SAMPLE.round(2e-4, 0.8);
    let only = |names: &[&str]| -> Vec<Reading> {
        round.iter().filter(|r| names.contains(&r.configuration.to_string().as_str())).copied().collect()
    };
    check_refused(&[], "there are no readings");
    check_refused(
        &only(&["12,43", "21,34", "43,12"]),
        "no readings of 23,14 or 14,23: sheet resistance needs 23,14 or 14,23 as well as 12,43 or 43,12",
    );
    check_refused(&only(&["14,23", "13,24", "31,42"]), "no readings of 12,43 or 43,12");
    check_refused(&[SAMPLE.reading("13,24", 1e-4, 0.5, 0.0)], "needs +B and -B");
    check_refused(&[SAMPLE.reading("13,24", 1e-4, 0.0, 0.0)], "could use");
    let one_sign: Vec<Reading> = SHEET.iter().map(|c| SAMPLE.reading(c, 1e-4, 0.5, 0.0)).collect();
    check_refused(&one_sign, "only at one sign of the field");

    let mut spoiled = round.clone();
    spoiled.iter_mut().for_each(|r| r.condition = Condition::Compliance);
    check_refused(&spoiled, "none of the 16 readings is a value");
    let mut spoiled = round.clone();
    spoiled[5].current.value = Ampere(0.0);
    check_refused(&spoiled, "the current of the reading of 34,21 at 5 s is zero");
    for spoil in [
        |r: &mut Reading| r.voltage.value = Volt(f64::NAN),
        |r: &mut Reading| r.current.value = Ampere(f64::INFINITY),
        |r: &mut Reading| r.field = Tesla(f64::NAN),
        |r: &mut Reading| r.voltage.own_u = Volt(-1.0),
        |r: &mut Reading| r.current.gain_u = f64::NAN,
    ] {
        let mut spoiled = round.clone();
        spoil(&mut spoiled[2]);
        check_refused(&spoiled, "the reading of 32,41 at 2 s is marked sound but");
    }
}

#[test]
fn a_thickness_or_field_uncertainty_that_is_none_is_refused() {
    let readings = SAMPLE.round(2e-4, 0.8);
    for thickness in [Estimate::new(0.0, 0.0), Estimate::new(-1e-9, 0.0), Estimate::new(1e-9, f64::NAN)] {
        let specimen = Specimen { thickness: Some(thickness) };
        let error = reduce(&readings, &specimen, &Options::default()).unwrap_err();
        assert!(matches!(error, Error::BadThickness { .. }), "{error}");
    }
    let options = Options { field_u: -0.01, ..Options::default() };
    assert!(matches!(reduce(&readings, &SPECIMEN, &options), Err(Error::BadFieldUncertainty { .. })));
}

// --- checks ---

/// A round with one configuration's voltages multiplied.
fn with_factor(configurations: &[&str], factor: f64) -> Reduced {
    let quiet = Sample { potentials: [0.0; 4], ..SAMPLE };
    let mut readings = quiet.round(2e-4, 0.8);
    for reading in &mut readings {
        if configurations.contains(&reading.configuration.to_string().as_str()) {
            reading.voltage.value.0 *= factor;
        }
    }
    reduced(&readings)
}

#[track_caller]
fn check_failed(reduced: &Reduced, names: &[&str]) {
    let failed: Vec<&str> = reduced.checks.iter().filter(|c| !c.passed).map(|c| c.name.as_str()).collect();
    assert_eq!(failed, names, "{:#?}", reduced.checks);
}

#[test]
fn every_check_fails_on_what_it_is_for_and_on_nothing_else() {
    check_failed(&with_factor(&[], 1.0), &[]);
    check_failed(&with_factor(&["21,34"], 1.02), &[]);
    check_failed(&with_factor(&["21,34"], 1.04), &["reversal 12|34"]);
    check_failed(&with_factor(&["23,14"], 0.95), &["reversal 23|14"]);
    check_failed(&with_factor(&["43,12"], 0.95), &["reversal 34|12"]);
    check_failed(&with_factor(&["41,32"], 1.05), &["reversal 14|23"]);
    check_failed(&with_factor(&["21,34", "12,43"], 1.04), &["reciprocity A"]);
    check_failed(&with_factor(&["14,23", "41,32"], 0.95), &["reciprocity B"]);
    check_failed(&with_factor(&["14,23", "41,32"], 1.2), &["reciprocity B", "pair agreement"]);
    check_failed(&with_factor(&["42,13", "24,31"], 1.2), &["hall pair agreement"]);
}

#[test]
fn the_measured_disagreement_is_relative_to_the_mean() {
    let factor = 1.04;
    let expected = 2.0 * (factor - 1.0) / (factor + 1.0);
    let reversal = with_factor(&["21,34"], factor);
    close("reversal", named(&reversal, "reversal 12|34").measured, expected, 1e-10);
    let reciprocity = with_factor(&["32,41", "23,14"], factor);
    close("reciprocity", named(&reciprocity, "reciprocity B").measured, expected, 1e-10);
    let hall = with_factor(&["13,24", "31,42"], factor);
    close("hall", named(&hall, "hall pair agreement").measured, expected, 1e-10);
    assert!(named(&reversal, "positive resistances").measured > 0.0);
}

#[test]
fn a_negative_resistance_is_told() {
    let one = with_factor(&["34,21"], -1.0);
    assert!(!named(&one, "positive resistances").passed);
    assert!(!named(&one, "reversal 34|12").passed);

    // Both sense leads of all of R_A exchanged: no equation has a root, and no number is given.
    let all = with_factor(&["21,34", "12,43", "43,12", "34,21"], -1.0);
    assert!(!named(&all, "positive resistances").passed);
    assert_eq!(all.results.sheet_resistance_ohm, None);
    assert_eq!(all.results.mobility_m2_per_v_s, None);
    assert!(all.results.sheet_carrier_density_per_m2.is_some());
    assert!(
        all.remarks.iter().any(|r| r.starts_with("no sheet resistance: R_A = -3.7")),
        "{:?}",
        all.remarks
    );
}

#[test]
fn resistances_that_cancel_disagree_by_twice_their_magnitude() {
    let disagreement = |configurations: &[&str], factor: f64, name: &str| {
        let reduced = with_factor(configurations, factor);
        let check = named(&reduced, name);
        assert!(!check.passed, "{check:?}");
        check.measured
    };
    close("cancelling", disagreement(&["21,34"], -1.0, "reversal 12|34"), 2.0, 1e-12);
    close("nearly cancelling", disagreement(&["21,34"], -0.9999, "reversal 12|34"), 2.0, 1e-12);
    close("reciprocal", disagreement(&["14,23", "41,32"], -1.0, "reciprocity B"), 2.0, 1e-12);
    close("one zero", disagreement(&["14,23", "41,32"], 0.0, "reciprocity B"), 2.0, 1e-12);
}

#[test]
fn limits_can_be_chosen() {
    let mut readings = SAMPLE.round(2e-4, 0.8);
    readings[0].voltage.value.0 *= 1.04;
    let wide = Acceptance { reversal: 0.05, ..Acceptance::default() };
    let options = Options { acceptance: wide, ..Options::default() };
    assert!(!reduced(&readings).accepted());
    assert!(reduce(&readings, &SPECIMEN, &options).unwrap().accepted());
}

// --- temperatures ---

#[test]
fn readings_more_than_a_kelvin_apart_are_of_different_temperatures() {
    let at = |kelvin: f64, time: f64| {
        let mut reading = SAMPLE.reading("12,43", 1e-4, 0.0, time);
        reading.temperature = Kelvin(kelvin);
        reading
    };
    let readings = [at(300.0, 0.0), at(77.3, 1.0), at(299.2, 2.0), at(78.4, 3.0), at(300.4, 4.0)];
    let sets = by_temperature(&readings);
    let times: Vec<Vec<f64>> = sets.iter().map(|(_, set)| set.iter().map(|r| r.time.0).collect()).collect();
    assert_eq!(times, [vec![1.0], vec![3.0], vec![0.0, 2.0, 4.0]]);
    close("mean", sets[2].0.0, (300.0 + 299.2 + 300.4) / 3.0, 1e-15);
    assert!(by_temperature(&[]).is_empty());
}

#[test]
fn a_set_that_spans_more_than_a_kelvin_is_remarked() {
    let mut readings = SAMPLE.round(2e-4, 0.8);
    readings[7].temperature = Kelvin(296.5);
    assert!(reduced(&readings).remarks.iter().any(|r| r.starts_with("temperature spread over 1.50 K")));
}

proptest! {
    #[test]
    fn a_change_of_scale_changes_results_by_their_powers(
        r_a in 1e-3..1e3f64, ratio in 1e-3..1e3f64, slope in 1e-3..1e2f64, hole in any::<bool>(),
        ohms in 1e-6..1e6f64, amperes in 1e-6..1e3f64, teslas in 0.5..2.0f64, metres in 0.01..100.0f64,
    ) {
        let sample = Sample {
            r_a, r_b: r_a * ratio, slope: if hole { slope } else { -slope }, potentials: [0.0; 4], ..SAMPLE
        };
        let base = sample.round(1e-4, 0.5);
        let scaled: Vec<Reading> = base.iter().map(|reading| {
            let mut reading = *reading;
            reading.current.value.0 *= amperes;
            reading.voltage.value.0 *= amperes * ohms;
            reading.field.0 *= teslas;
            reading
        }).collect();
        let thickness = 480e-9;
        let at = |readings: &[Reading], thickness: f64| {
            let specimen = Specimen { thickness: Some(Estimate::new(thickness, 0.01 * thickness)) };
            reduce(readings, &specimen, &Options::default()).unwrap().results
        };
        let (one, other) = (at(&base, thickness), at(&scaled, thickness * metres));
        // The Hall part is what is left of larger resistances, and so is its rounding.
        let lost = (1.0 + r_a * (1.0 + ratio) / (slope * 0.5)) * 1e-14;
        for (quantity, factor) in [
            (Quantity::SheetResistance, ohms),
            (Quantity::Resistivity, ohms * metres),
            (Quantity::HallCoefficient, ohms / teslas * metres),
            (Quantity::SheetDensity, teslas / ohms),
            (Quantity::Density, teslas / ohms / metres),
            (Quantity::Mobility, 1.0 / teslas),
        ] {
            let (a, b) = (quantity.of(&one).unwrap(), quantity.of(&other).unwrap());
            prop_assert!((b.value / (a.value * factor) - 1.0).abs() < lost, "{quantity:?}: {a:?} {b:?}");
            let u = (a.standard_uncertainty * factor, b.standard_uncertainty);
            prop_assert!((u.0 - u.1).abs() <= 1e-9 * u.0 + lost * b.value.abs(), "{quantity:?}: {u:?}");
        }
        prop_assert_eq!(one.carrier_type, other.carrier_type);
    }

    #[test]
    fn what_a_sample_is_made_of_comes_back(
        r_a in 1e-3..1e3f64, ratio in 1e-3..1e3f64, slope in 1e-2..1e2f64, microvolts in -20.0..20.0f64,
    ) {
        let sample = Sample { r_a, r_b: r_a * ratio, slope, potentials: [microvolts * 1e-6, 0.0, 1e-6, 4e-6], ..SAMPLE };
        let results = reduced(&sample.round(1e-2, 1.0)).results;
        let rs = sheet_resistance(&sample);
        prop_assert!((results.sheet_resistance_ohm.unwrap().value / rs - 1.0).abs() < 1e-11);
    }
}
