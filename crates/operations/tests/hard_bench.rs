//! Rehearsals on a bench and samples that are hard to measure: leads that settle slowly, and heat in a field.
#![allow(clippy::unwrap_used)]

use quadrille_operations::{Ending, Inputs, Rehearsed, SimulationOptions, rehearse};
use std::path::Path;

fn demo(file: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/demo").join(file);
    std::fs::read_to_string(path).unwrap()
}

/// A rehearsal of three documents.
fn rehearsed(bench: &str, sample: &str, recipe: &str) -> Rehearsed {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    };
    let (bench, sample) = (write("bench.toml", bench), write("sample.toml", sample));
    let inputs = Inputs::read(&bench, &sample, Some(&write("recipe.toml", recipe))).unwrap();
    rehearse(&inputs, SimulationOptions::default(), &mut ()).unwrap()
}

// A standard of gigohms that is one resistor between two pairs of contacts: what 12,43 senses has a single time constant,
// and none of the four is like another.

const STANDARD_OHM: f64 = 4.7e9;
const AMPERES: f64 = 1e-10;

fn standard() -> String {
    // Links of a hundred kilohms are 2e-5 of it.
    format!(
        "kind = \"sample\"\nname = \"gigohms\"\ncontacts = [\"a\", \"b\", \"c\", \"d\"]\n[model]\ntype = \"network\"\n\
        resistors = [[\"a\", \"d\", 1e5], [\"d\", \"c\", {STANDARD_OHM:e}], [\"c\", \"b\", 1e5]]\n"
    )
}

/// The demonstration's cables, of which the guard leaves a fifth rather than a five-hundredth: its time constant is then
/// long beside the milliseconds of the bench's clock.
struct Cables {
    guard: bool,
    farad: f64,
    insulation_ohm: f64,
}

const PLAIN: Cables = Cables { guard: false, farad: 100e-12, insulation_ohm: 1e11 };
const GUARDED: Cables = Cables { guard: true, farad: 20e-12, insulation_ohm: 1e15 };

impl Cables {
    /// The standard with the insulation of the four cables that lie on its far side: source and sense row, two contacts.
    fn ohm(&self) -> f64 {
        1.0 / (1.0 / STANDARD_OHM + 4.0 / self.insulation_ohm)
    }

    fn time_constant_s(&self) -> f64 {
        self.ohm() * 4.0 * self.farad
    }

    /// First reading of a leg that waits so long, in volts.
    fn first_reading(&self, wait_s: f64) -> f64 {
        let right = "guarded_capacitance_f = 0.2e-12";
        let bench = demo("bench.toml");
        assert!(bench.contains(right));
        let bench = bench.replace(right, "guarded_capacitance_f = 20e-12");
        let guard = if self.guard { "on" } else { "off" };
        let recipe = format!(
            "kind = \"recipe\"\nname = \"early\"\ncurrent_a = {AMPERES:e}\nvoltage_limit_v = 2.0\n\
            voltage_range_v = 1.0\naperture_plc = 1\nreversal = \"+-\"\ntemperature_k = 295.0\nguard = \"{guard}\"\n\
            buffers = \"on\"\n[settling]\ntime_s = {wait_s}\n[resistivity]\nconfigurations = [\"12,43\"]\n"
        );
        let rehearsed = rehearsed(&bench, &standard(), &recipe);
        let first = &rehearsed.readings.first().unwrap().0;
        assert!(first.current.value.0 > 0.0, "{first:?}");
        first.voltage.value.0
    }

    /// What is missing of the final voltage, as a part, averaged over a power-line cycle that begins after the wait.
    fn missing(&self, wait_s: f64) -> f64 {
        let (tau, aperture) = (self.time_constant_s(), 0.02);
        (-wait_s / tau).exp() * -(-aperture / tau).exp_m1() * tau / aperture
    }
}

/// Source (5e-4 of reading, 2e-4 of a nanoampere) and voltmeter are right to a part of this of 0.1 nA.
const ACCURACY: f64 = 5e-4 + 2e-3 + 1e-4;

/// Operate times of source and meters and the clock's milliseconds, between the source's change and the aperture.
const LATE_S: f64 = 0.012;

#[track_caller]
fn check_after_one_time_constant_and_twelve(cables: &Cables) {
    let tau = cables.time_constant_s();
    let end = AMPERES * cables.ohm();
    let early = cables.first_reading(tau) / end;
    let expected = 1.0 - cables.missing(tau);
    let allowed = ACCURACY + (-1f64).exp() * LATE_S / tau;
    assert!((early - expected).abs() < allowed, "{early} of the voltage, not {expected} within {allowed}");
    let late = cables.first_reading(12.0 * tau) / end;
    assert!((late - 1.0).abs() < ACCURACY + (-12f64).exp(), "{late} of the voltage");
}

#[test]
fn gigohms_without_guard_read_after_one_time_constant_are_low_by_one_part_in_e() {
    // 4.7 Gohm beside the insulation, 400 pF: 1.58 s.
    check_after_one_time_constant_and_twelve(&PLAIN);
}

#[test]
fn with_the_guard_driven_the_time_constant_is_that_of_the_guarded_capacitance() {
    // 80 pF: 0.376 s. The unguarded one's reading at that moment would be a fifth of the voltage.
    check_after_one_time_constant_and_twelve(&GUARDED);
    assert!(PLAIN.first_reading(GUARDED.time_constant_s()) < 0.25 * AMPERES * PLAIN.ohm());
}

/// Hall coefficient of the demonstration's film with imperfections: value and standard uncertainty, in m³/C.
fn hall_coefficient(imperfections: &str) -> (f64, f64) {
    let sample = format!("{}[model.imperfections]\n{imperfections}\n", demo("film.toml"));
    let rehearsed = rehearsed(&demo("bench.toml"), &sample, &demo("film-recipe.toml"));
    assert!(matches!(rehearsed.outcome.ending, Ending::Finished), "{:?}", rehearsed.outcome);
    assert_eq!(rehearsed.complaints, []);
    let reduction = rehearsed.reduction.unwrap();
    let found = reduction.points[0].reduced.results.hall_coefficient_m3_per_c.unwrap();
    (found.value, found.standard_uncertainty)
}

/// The film's own: -31.2 ohm a tesla times 480 nm.
const FILM: f64 = -31.2 * 480e-9;

#[test]
fn heat_that_flows_in_a_field_leaves_the_hall_coefficient_right() {
    // Up to a fifth of the Hall voltage of 1.56 mV at half a tesla, and as much without a field.
    let (found, u) = hall_coefficient(
        "heat_flow_v_per_t = [3e-4, -2e-4, 1e-4, 5e-4]\nseebeck_v = [1e-4, 2e-4, -3e-4, 4e-5]",
    );
    assert!((found - FILM).abs() < 3.0 * u && u < 0.02 * FILM.abs(), "{found:e} ± {u:e}, not {FILM:e}");
}

#[test]
fn ettingshausens_part_stays_in_the_hall_coefficient_and_nothing_else() {
    let (plain, _) = hall_coefficient("");
    let (found, _) = hall_coefficient("ettingshausen = 0.04\nettingshausen_s = 0.0005");
    // Same seed, same gains: what differs beside it is the noise of the readings.
    assert!((found / plain - 1.04).abs() < 1e-3, "{}", found / plain);
}
