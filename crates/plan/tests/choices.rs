//! What a plan chooses by itself: guard, buffers, waits, ranges and order, each with its reason.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_documents::Switch::{ByResistance, Off, On};
use quadrille_experiment::{DIAGONALS, Polarity, STANDARD};
use quadrille_plan::{EquippedBench, Plan, Settle, Verification};
use quadrille_quantity::{Ampere, Kelvin, Ohm, Second, Tesla, Volt};
use support::{demo_recipe, demo_sample, equipped, equipped_with, plain_bench, ring};

#[track_caller]
fn near(found: f64, expected: f64) {
    assert!((found / expected - 1.0).abs() < 1e-9, "{found:e}, not {expected:e}");
}

fn proof(equipped: &EquippedBench, ohms: [f64; 4]) -> Plan {
    Verification::new(equipped, &ring(ohms, ""), ByResistance, ByResistance).unwrap().plan
}

/// Largest resistance between two contacts of a ring: of each pair one way around is parallel to the other.
fn largest([ab, bc, cd, da]: [f64; 4]) -> f64 {
    let sum = ab + bc + cd + da;
    let ways = [ab, bc, cd, da, ab + bc, bc + cd];
    ways.into_iter().map(|way| way * (sum - way) / sum).fold(0.0, f64::max)
}

const KILOHMS: [f64; 4] = [4.7e3, 6.8e3, 10e3, 15e3];
const GIGOHMS: [f64; 4] = [4.7e9, 6.8e9, 10e9, 15e9];

// 100 uA into ten kilohms and 100 pA into ten gigohms drive about a volt: common practice, no source.
#[test]
fn a_standard_is_driven_to_about_a_volt() {
    for (ohms, current, limit) in [
        (KILOHMS, 1e-4, 2.0),
        ([10e3, 15e3, 22e3, 33e3], 5e-5, 2.0),
        (GIGOHMS, 1e-10, 2.0),
        // Two crosspoints, the ammeter's burden and leads, 14 ohm, are most of what 10 mA must be driven through.
        ([0.47, 0.68, 1.0, 1.5], 0.01, 0.5),
    ] {
        let plan = proof(&equipped(), ohms);
        assert_eq!(
            (plan.settings(0).current, plan.settings(0).voltage_limit),
            (Ampere(current), Volt(limit)),
            "{ohms:?}"
        );
        assert!(current * largest(ohms) <= 1.0);
        assert!(plan.reasons[0].starts_with(&format!("current {}", Ampere(current))), "{:?}", plan.reasons);
    }
}

#[test]
fn a_proof_never_asks_for_more_than_bench_sample_and_meters_allow() {
    for power in [1e-9_f64, 3.3e-7, 2.2e-4, 5e-3, 1.0] {
        for voltage in [0.3_f64, 0.9, 10.0, 60.0] {
            for step in 0..60 {
                let scale = 1.51f64.powi(step);
                let ohms = [4.7 * scale, 6.8 * scale, 10.0 * scale, 15.0 * scale];
                let limits =
                    format!("[limits]\ncurrent_a = 2e-3\nvoltage_v = {voltage}\npower_w = {power:e}\n");
                let sample = ring(ohms, &limits);
                let plan = Verification::new(&equipped(), &sample, ByResistance, ByResistance).unwrap().plan;
                let (current, limit) = (plan.settings(0).current.0, plan.settings(0).voltage_limit.0);
                let what = format!("{ohms:?} {voltage} V {power} W: {current} A, {limit} V");
                assert!(current > 0.0 && current <= 2e-3, "{what}");
                assert!(limit <= voltage.min(20.0), "{what}");
                assert!(limit * current <= power.min(5e-3) * (1.0 + 1e-9), "{what}");
                assert!(limit >= 1.2 * current * largest(ohms), "no headroom: {what}");
            }
        }
    }
}

#[test]
fn kilohms_need_neither_guard_nor_buffers_and_gigohms_both() {
    let plan = proof(&equipped(), KILOHMS);
    assert_eq!(
        (plan.settings(0).guard, plan.settings(0).buffers, plan.settings(0).aperture_plc),
        (false, false, 1.0)
    );
    let plan = proof(&equipped(), GIGOHMS);
    // Picoamperes are averaged for longer.
    assert_eq!(
        (plan.settings(0).guard, plan.settings(0).buffers, plan.settings(0).aperture_plc),
        (true, true, 5.0)
    );
    near(plan.settings(0).aperture.0, 0.1);
    for reason in ["guard driven: ", "buffers in: "] {
        assert!(plan.reasons.iter().any(|told| told.starts_with(reason)), "{:?}", plan.reasons);
    }
}

// A ten-thousandth is worth a remedy: of the insulation of 100 Gohm that is 10 Mohm, of the voltmeter's input of 10 Gohm
// 1 Mohm. A time constant of 6 cables of 100 pF is 50 ms at 83 Mohm, so that the insulation decides.
#[test]
fn guard_and_buffers_come_in_where_leak_and_load_are_worth_it() {
    for (mega, guard, buffers) in
        [(0.9, false, false), (1.1, false, true), (9.0, false, true), (11.0, true, true)]
    {
        let shape = largest(KILOHMS);
        let ohms = KILOHMS.map(|ohm| ohm / shape * mega * 1e6);
        let plan = proof(&equipped(), ohms);
        assert_eq!((plan.settings(0).guard, plan.settings(0).buffers), (guard, buffers), "{mega} Mohm");
    }
    // With better insulation it is the wait that calls for the guard: 80 Mohm and 86 Mohm.
    let dry = equipped_with(&[("\ninsulation_ohm = 1e11", "\ninsulation_ohm = 1e14")], &[]);
    for (mega, guard) in [(80.0, false), (86.0, true)] {
        let shape = largest(KILOHMS);
        assert_eq!(
            proof(&dry, KILOHMS.map(|ohm| ohm / shape * mega * 1e6)).settings(0).guard,
            guard,
            "{mega} Mohm"
        );
    }
}

#[test]
fn a_bench_without_guard_or_buffers_says_that_it_would_have_wanted_them() {
    let wordless = [("guard_on = \":OUTPut:GUARd ON\"\n", ""), ("guard_off = \":OUTPut:GUARd OFF\"\n", "")];
    let plan = proof(&plain_bench(), GIGOHMS);
    assert!(!plan.settings(0).guard && !plan.settings(0).buffers);
    let told = plan.reasons.join("\n");
    assert!(told.contains("guard not driven, for this bench has none"), "{told}");
    assert!(told.contains("buffers out, for this bench has none"), "{told}");
    assert!(!proof(&equipped_with(&[], &wordless), GIGOHMS).settings(0).guard);
}

#[test]
fn what_is_pinned_is_not_chosen() {
    let sample = ring(KILOHMS, "");
    let plan = Verification::new(&equipped(), &sample, On, On).unwrap().plan;
    assert!(plan.settings(0).guard && plan.settings(0).buffers);
    assert!(plan.reasons.iter().any(|told| told == "guard driven: as pinned"), "{:?}", plan.reasons);
    let plan = Verification::new(&equipped(), &ring(GIGOHMS, ""), Off, Off).unwrap().plan;
    assert!(!plan.settings(0).guard && !plan.settings(0).buffers);
    let refused =
        |guard, buffers| Verification::new(&plain_bench(), &sample, guard, buffers).unwrap_err().to_string();
    assert!(
        refused(On, Off).starts_with("ring.toml:2:8: name: this bench has no guard"),
        "{}",
        refused(On, Off)
    );
    assert!(
        refused(Off, On).starts_with("ring.toml:2:8: name: this bench has no buffers"),
        "{}",
        refused(Off, On)
    );
}

// Trace bound: three contacts off ground, each with the cable of its column and of its row: R times 6 C. The cables have
// 100 pF, guarded 0.2 pF; the slowest instrument follows in 5 ms.
#[test]
fn the_wait_is_a_number_of_time_constants_of_the_cables_and_the_slowest_instrument() {
    let ohm = largest(GIGOHMS);
    near(ohm, 9.067_397_260_273e9);
    let guarded = proof(&equipped(), GIGOHMS);
    near(guarded.settings(0).settle.pause().0, 14.0 * ohm * 6.0 * 0.2e-12 + 0.005);
    near(guarded.settings(0).discharge.0, 4.0 * ohm * 6.0 * 0.2e-12);
    let recipe = demo_recipe(&[("1e-4", "1e-10")]);
    let bare = Plan::new(&plain_bench(), &ring(GIGOHMS, ""), &recipe).unwrap();
    near(bare.settings(0).settle.pause().0, 14.0 * ohm * 6.0 * 100e-12 + 0.005);
    near(bare.settings(0).discharge.0, 4.0 * ohm * 6.0 * 100e-12);
}

#[test]
fn a_wait_may_be_pinned_and_without_a_model_the_voltage_limit_bounds_the_resistance() {
    let film = demo_sample("film.toml");
    let pinned = demo_recipe(&[("time_constants = 14", "time_s = 0.25")]);
    assert_eq!(
        Plan::new(&equipped(), &film, &pinned).unwrap().settings(0).settle,
        Settle::Wait(Second(0.25))
    );
    let bare = quadrille_documents::sample("bare.toml", "kind = \"sample\"\nname = \"bare\"\n").unwrap();
    // 2 V over 100 pA: 20 Gohm.
    let plan = Plan::new(&equipped(), &bare, &demo_recipe(&[("1e-4", "1e-10")])).unwrap();
    assert!(plan.settings(0).guard && plan.settings(0).buffers);
    near(plan.settings(0).settle.pause().0, 14.0 * 2e10 * 6.0 * 0.2e-12 + 0.005);
    assert!(plan.reasons[0].contains(&Ohm(2e10).to_string()), "{:?}", plan.reasons);
}

#[test]
fn a_source_that_will_reach_its_voltage_limit_is_warned_of() {
    let sample = ring(KILOHMS, "");
    let plan = Plan::new(&equipped(), &sample, &demo_recipe(&[("1e-4", "5e-4")])).unwrap();
    assert_eq!(plan.warnings.len(), 1, "{:?}", plan.warnings);
    assert!(plan.warnings[0].contains("voltage limit of 2 V"), "{:?}", plan.warnings);
    assert_eq!(Plan::new(&equipped(), &sample, &demo_recipe(&[])).unwrap().warnings, [""; 0]);
}

#[test]
fn a_recipe_is_planned_at_zero_field_first_and_then_at_its_fields_in_order() {
    let plan = Plan::new(&equipped(), &demo_sample("film.toml"), &demo_recipe(&[])).unwrap();
    let rounds: Vec<_> =
        plan.rounds.iter().map(|round| (round.number, round.field, round.legs.len())).collect();
    assert_eq!(rounds, [(1, Tesla(0.0), 8), (2, Tesla(0.5), 4), (3, Tesla(-0.5), 4)]);
    assert_eq!(plan.rounds[0].legs, STANDARD);
    assert_eq!(plan.rounds[2].legs, DIAGONALS);
    assert!(plan.rounds.iter().all(|round| round.temperature == Kelvin(295.0)));
    use Polarity::{Minus, Plus};
    assert_eq!(plan.reversal, [Plus, Minus, Minus, Plus]);
    // 16 legs of a pattern of four.
    assert_eq!(plan.readings(), 64);
    assert_eq!(
        (plan.settings(0).current, plan.settings(0).voltage_limit, plan.settings(0).voltage_range),
        (Ampere(1e-4), Volt(2.0), None)
    );
    near(plan.settings(0).aperture.0, 0.02);
}

// A hundredth of the current, and the bias of both inputs: 5 pA of the voltmeter, or 2 fA of its buffers.
#[test]
fn what_may_return_with_the_source_off_are_the_bias_currents_and_a_hundredth_of_the_current() {
    near(proof(&equipped(), GIGOHMS).settings(0).residual.0, 1e-12 + 1e-11);
    near(proof(&equipped(), KILOHMS).settings(0).residual.0, 1e-6 + 1e-11);
}
