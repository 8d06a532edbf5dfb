//! A night rehearsed end to end, and what it finds held against what the film was made of: by the material's own physics,
//! and by formulas that know nothing of it.
#![allow(clippy::print_stdout, clippy::unwrap_used)]

use quadrille_material::Material;
use quadrille_operations::{
    Circumstances, Ending, Inputs, Point, Reading, Rehearsed, SimulationOptions, predict, rehearse,
};
use quadrille_quantity::{Estimate, Kelvin, Tesla};
use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::path::PathBuf;

/// The film of config/demo/night-film.toml once more, as this test believes it.
const DONORS: f64 = 4.0e22;
const ACCEPTORS: f64 = 1.0e22;
const DONOR_EV: f64 = 0.060;
const STATES_300: f64 = 5.0e24;
const THICKNESS_M: f64 = 800e-9;
const FIELD_T: f64 = 0.6;

/// SI 2019, exact.
const BOLTZMANN_EV: f64 = 1.380649e-23 / 1.602176634e-19;
const CHARGE: f64 = 1.602176634e-19;

/// The thermometer of the shipped dialect: half-width 0.05 K, rectangular.
const THERMOMETER_U_K: f64 = 0.028_867_513;
/// The recipe's `field_relative_u`.
const FIELD_U: f64 = 0.0006;

const SEEDS: std::ops::Range<u64> = 1..13;

fn demo(file: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo")).join(file)
}

fn rehearsed(seed: u64) -> Rehearsed {
    let inputs =
        Inputs::read(&demo("night-bench.toml"), &demo("night-film.toml"), Some(&demo("night-recipe.toml")))
            .unwrap();
    let options = SimulationOptions { seed: Some(seed), ..SimulationOptions::default() };
    rehearse(&inputs, options, &mut ()).unwrap()
}

fn points(seed: u64) -> Vec<Point> {
    let rehearsed = rehearsed(seed);
    assert!(matches!(rehearsed.outcome.ending, Ending::Finished), "{seed}: {:?}", rehearsed.outcome);
    assert!(rehearsed.outcome.stand_down.is_clean(), "{seed}: {:?}", rehearsed.outcome);
    assert_eq!(rehearsed.complaints, [], "{seed}");
    let reduction = rehearsed.reduction.unwrap();
    assert!(reduction.accepted(), "{seed}");
    reduction.points
}

fn material() -> Material {
    let given = |key: &str| {
        Some(match key {
            "donors_per_m3" => DONORS,
            "acceptors_per_m3" => ACCEPTORS,
            "donor_ev" => DONOR_EV,
            "acceptor_ev" => 0.05,
            "conduction_states_per_m3" => STATES_300,
            "valence_states_per_m3" => 9.0e24,
            "gap_ev" => 1.6,
            "electron_mobility_m2_per_v_s" => 0.11,
            "electron_exponent" => 1.7,
            "electron_impurity_mobility_m2_per_v_s" => 0.6,
            "electron_impurity_exponent" => 1.5,
            "hole_mobility_m2_per_v_s" => 0.03,
            "hole_exponent" => 2.0,
            _ => return None,
        })
    };
    Material::from_parameters("semiconductor", None, given).unwrap()
}

/// Right side of charge neutrality of a compensated n-type semiconductor whose band is not degenerate,
/// n(n + N_A)/(N_D − N_A − n) = (N_c/2)·exp(−E/kT) (J. S. Blakemore, Semiconductor Statistics, 1962, chapter 3; from
/// memory).
fn activated(kelvin: f64) -> f64 {
    STATES_300 * (kelvin / 300.0).powf(1.5) / 2.0 * (-DONOR_EV / (BOLTZMANN_EV * kelvin)).exp()
}

/// Its root.
fn electrons(kelvin: f64) -> f64 {
    let (right, net) = (activated(kelvin), DONORS - ACCEPTORS);
    let b = ACCEPTORS + right;
    2.0 * right * net / (b + (b * b + 4.0 * right * net).sqrt())
}

/// Drift mobility by Matthiessen's rule.
fn mobility(kelvin: f64) -> f64 {
    let warmth: f64 = kelvin / 300.0;
    1.0 / (1.0 / (0.11 * warmth.powf(-1.7)) + 1.0 / (0.6 * warmth.powf(1.5)))
}

/// What a perfect measurement of the exact sheet with its contacts would be reduced to.
#[derive(Clone, Copy, Debug)]
struct Exact {
    sheet_ohm: f64,
    density: f64,
    mobility: f64,
}

fn exact(kelvin: f64) -> Exact {
    let at = |field: f64| -> BTreeMap<String, f64> {
        let found = predict(&demo("night-film.toml"), Some(Kelvin(kelvin)), Tesla(field), Some(1e-7));
        found.unwrap().four_terminal_ohm.into_iter().collect()
    };
    let (plus, minus, zero) = (at(FIELD_T), at(-FIELD_T), at(0.0));
    let (a, b) = (zero["12,43"], zero["23,14"]);
    // van der Pauw's equation by bisection.
    let (mut low, mut high) = (a.min(b), 100.0 * a.max(b));
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        let sum = (-PI * a / middle).exp() + (-PI * b / middle).exp();
        if sum < 1.0 { low = middle } else { high = middle }
    }
    let odd = |key: &str| (plus[key] - minus[key]).abs() / (2.0 * FIELD_T);
    let slope = f64::midpoint(odd("13,24"), odd("24,13"));
    Exact { sheet_ohm: low, density: 1.0 / (CHARGE * slope), mobility: slope / low }
}

/// Results of one temperature of one night against those of the exact sheet at the temperature that was shown: deviations
/// over the standard uncertainty, which is the stated one and that of the thermometer together.
fn deviations(point: &Point) -> [f64; 3] {
    let kelvin = point.temperature_k;
    let [truth, warmer] = [exact(kelvin), exact(kelvin + 0.1)];
    let results = &point.reduced.results;
    let over = |found: Option<Estimate>, of: fn(&Exact) -> f64| {
        let found = found.unwrap();
        let by_temperature = (of(&warmer) - of(&truth)) / 0.1 * THERMOMETER_U_K;
        (found.value - of(&truth)) / found.standard_uncertainty.hypot(by_temperature)
    };
    [
        over(results.sheet_resistance_ohm, |exact| exact.sheet_ohm),
        over(results.sheet_carrier_density_per_m2, |exact| exact.density),
        over(results.mobility_m2_per_v_s, |exact| exact.mobility),
    ]
}

/// Slope of a line of least squares through (x, y).
fn slope(line: &[(f64, f64)]) -> f64 {
    let count = line.len() as f64;
    let (x, y) = line.iter().fold((0.0, 0.0), |(x, y), point| (x + point.0 / count, y + point.1 / count));
    let of = |f: fn(f64, f64) -> f64| line.iter().map(|point| f(point.0 - x, point.1 - y)).sum::<f64>();
    of(|dx, dy| dx * dy) / of(|dx, _| dx * dx)
}

/// Temperature, electrons per cubic metre, and their relative uncertainty apart from what all temperatures share.
type Frozen = (f64, f64, f64);

fn frozen(points: &[Point]) -> Vec<Frozen> {
    points
        .iter()
        .filter(|point| point.temperature_k < 130.0)
        .map(|point| {
            let density = point.reduced.results.sheet_carrier_density_per_m2.unwrap();
            let own = (density.relative().powi(2) - FIELD_U.powi(2)).max(0.0).sqrt();
            (point.temperature_k, density.value / THICKNESS_M, own)
        })
        .collect()
}

/// Activation energy from the neutrality equation made a straight line over 1/T, in electronvolts.
fn activation_ev(frozen: &[Frozen]) -> f64 {
    let line = frozen.iter().map(|&(kelvin, n, _)| {
        let left = n * (n + ACCEPTORS) / (DONORS - ACCEPTORS - n);
        (1.0 / kelvin, (left / kelvin.powf(1.5)).ln())
    });
    -BOLTZMANN_EV * slope(&line.collect::<Vec<_>>())
}

/// The same by ln(n/T^1.5), as if acceptors were far more than electrons.
fn plain_activation_ev(frozen: &[Frozen]) -> f64 {
    let line = frozen.iter().map(|&(kelvin, n, _)| (1.0 / kelvin, (n / kelvin.powf(1.5)).ln()));
    -BOLTZMANN_EV * slope(&line.collect::<Vec<_>>())
}

/// One standard uncertainty of each source put in by turns: thermometer and field, which all temperatures share (this
/// simulation's thickness is exact), and each temperature's own.
fn activation_u_ev(frozen: &[Frozen]) -> f64 {
    let best = activation_ev(frozen);
    let changed = |change: &dyn Fn(usize, Frozen) -> Frozen| {
        let moved: Vec<Frozen> = frozen.iter().enumerate().map(|(k, &point)| change(k, point)).collect();
        (activation_ev(&moved) - best).powi(2)
    };
    let warmer = changed(&|_, (kelvin, n, own)| (kelvin + THERMOMETER_U_K, n, own));
    let denser = changed(&|_, (kelvin, n, own)| (kelvin, n * (1.0 + FIELD_U), own));
    let own = (0..frozen.len())
        .map(|one| changed(&|k, (kelvin, n, own)| (kelvin, if k == one { n * (1.0 + own) } else { n }, own)));
    (warmer + denser + own.sum::<f64>()).sqrt()
}

#[test]
fn the_material_has_as_many_electrons_as_charge_neutrality_says() {
    let material = material();
    for kelvin in [82.0, 100.0, 150.0, 220.0, 315.0] {
        let carriers = material.carriers(Kelvin(kelvin)).unwrap().unwrap();
        // Boltzmann's statistics, which the formula has and the material has not, are off by n/(2^1.5 N_c).
        let degenerate = electrons(kelvin) / (STATES_300 * (kelvin / 300.0f64).powf(1.5)) / 2f64.powf(1.5);
        let off = carriers.electrons_per_m3 / electrons(kelvin) - 1.0;
        assert!(off.abs() < degenerate + 1e-9, "{kelvin} K: {off:e}, {degenerate:e}");
    }
}

#[test]
fn the_contacts_cost_what_van_der_pauw_says_of_small_ones() {
    let material = material();
    for kelvin in [85.0, 145.0, 290.0] {
        let found = exact(kelvin);
        let electrons = material.carriers(Kelvin(kelvin)).unwrap().unwrap().electrons_per_m3;
        let lost = 1.0 - found.mobility / mobility(kelvin);
        let more = found.density / (electrons * THICKNESS_M) - 1.0;
        println!(
            "{kelvin} K: mobility {:.3} % too small, density {:.3} % too large",
            100.0 * lost,
            100.0 * more
        );
        // Of order 2 d/(π² D) for each contact of length d, D being 6 mm or so: 0.19 % together (L. J. van der Pauw, Philips
        // Res. Rep. 13, 1 (1958)); this piece is no disc, and some contacts are near its corners.
        assert!((0.001..0.004).contains(&lost), "{kelvin} K: {lost}");
        // All of it is in the Hall coefficient: contacts cost the sheet resistance their square.
        assert!((more - lost).abs() < 1e-5 + lost * lost, "{kelvin} K: {more}, {lost}");
    }
}

#[test]
fn a_night_gives_back_what_the_film_was_made_of() {
    let (mut all, mut by_seed) = (Vec::new(), Vec::new());
    let mut energies = Vec::new();
    for seed in SEEDS {
        let points = points(seed);
        assert_eq!(points.len(), 10);
        let here: Vec<[f64; 3]> = points.iter().map(deviations).collect();
        all.extend(here.iter().flatten().copied());
        by_seed.push(here);
        let frozen = frozen(&points);
        assert_eq!(frozen.len(), 5);
        energies.push((activation_ev(&frozen), activation_u_ev(&frozen), plain_activation_ev(&frozen)));
    }
    // Within twice the uncertainty: 95 % of normal, all of a rectangular distribution's. Seeds are independent,
    // temperatures of one night are not, as they share thermometer and probe.
    let outside = all.iter().filter(|z| z.abs() > 2.0).count();
    let rms = |values: &mut dyn Iterator<Item = f64>| {
        let (sum, count) = values.fold((0.0, 0), |(sum, count), z| (sum + z * z, count + 1));
        (sum / f64::from(count)).sqrt()
    };
    println!("{outside} of {} beyond k = 2", all.len());
    assert!(outside * 20 <= all.len(), "{outside} of {}", all.len());
    for (quantity, name) in ["sheet resistance", "density", "mobility"].into_iter().enumerate() {
        let cold = rms(&mut by_seed.iter().flat_map(|night| night[..5].iter().map(|z| z[quantity])));
        let warm = rms(&mut by_seed.iter().flat_map(|night| night[5..].iter().map(|z| z[quantity])));
        println!("{name}: rms deviation over uncertainty {cold:.2} cold, {warm:.2} warm");
        // Twelve independent nights: 1 within 3/sqrt(24) of it where the uncertainty is neither too small nor too large.
        assert!((0.4..1.6).contains(&cold), "{name}: {cold}");
        assert!((0.4..1.6).contains(&warm), "{name}: {warm}");
    }
    let over = energies.iter().map(|(ev, u, _)| (ev - DONOR_EV) / u);
    let outside = over.clone().filter(|z| z.abs() > 2.0).count();
    let (ev, u, plain) = energies[0];
    println!("E = {ev:.5} eV, u {u:.1e}; rms {:.2}; ln(n/T^1.5) alone {plain:.5} eV", rms(&mut over.clone()));
    assert!(outside <= 1, "{energies:?}");
    assert!((0.3..1.6).contains(&rms(&mut over.clone())), "{energies:?}");
    for (ev, u, plain) in energies {
        assert!(u < 0.005 * ev, "{u} is no uncertainty worth a night");
        // With electrons no longer few beside acceptors the plain line is not straight: it must be seen to fail.
        assert!((plain - DONOR_EV).abs() > 5.0 * u, "{plain}");
    }
}

#[test]
fn every_temperature_is_one_set_with_its_own_returned_current() {
    let night = rehearsed(3);
    let taken = |kelvin: f64| {
        let near = |reading: &&(Reading, Circumstances)| (reading.0.temperature.0 - kelvin).abs() < 0.1;
        night.readings.iter().filter(near).count()
    };
    let reduction = night.reduction.as_ref().unwrap();
    for point in &reduction.points {
        assert_eq!(taken(point.temperature_k), night.plan.readings() / 10, "{}", point.temperature_k);
    }
    // Readings of a round are at temperatures and fields that differ by noise and remanence, and yet belong together.
    let mut kelvins: Vec<f64> = night.readings.iter().map(|(reading, _)| reading.temperature.0).collect();
    kelvins.sort_by(f64::total_cmp);
    kelvins.dedup();
    assert!(kelvins.len() > 20, "{}", kelvins.len());
    let zeros = night.readings.iter().filter(|(reading, _)| reading.field.0.abs() < 1e-3);
    assert!(zeros.clone().any(|(reading, _)| reading.field.0 != 0.0));
    assert_eq!(zeros.count(), 10 * 8 * 8);
    let returned = |point: &Point| {
        point.reduced.checks.iter().find(|check| check.name == "returned current").unwrap().measured
    };
    let mut each: Vec<f64> = reduction.points.iter().map(returned).collect();
    each.sort_by(f64::total_cmp);
    each.dedup();
    assert!(each.len() > 1, "{each:?}");
}
