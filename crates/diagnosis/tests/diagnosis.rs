//! Each class found on unseen standards of both scales, good benches left alone, and what is on no list refused.
#![allow(clippy::unwrap_used)]

mod generator;

use generator::{Case, Draw, KINDS, Scale, bench, case, drive, observe, settings};
use quadrille_diagnosis::{
    Class, Diagnosis, Fault, Kind, Next, ReadingSet, Standard, Verdict, diagnose, next_reading, power, wild,
};
use quadrille_quantity::Ohm;

const SCALES: [Scale; 2] = [Scale::TenKilohm, Scale::TenGigohm];

fn said(case: &Case) -> Diagnosis {
    diagnose(&case.standard, &case.bench, &case.observations).unwrap()
}

#[test]
fn each_kind_of_fault_is_named_on_standards_of_both_scales() {
    let unlisted = ["good", "good-edge", "good-wild", "two-faults", "outside"];
    for scale in SCALES {
        for kind in KINDS.into_iter().filter(|kind| !unlisted.contains(kind)) {
            for seed in [900_001, 900_002] {
                let Some(case) = case(seed, kind, scale, ReadingSet::Full) else { continue };
                let truth = case.fault.class(&case.standard);
                let diagnosis = said(&case);
                assert_eq!(
                    diagnosis.verdict,
                    Verdict::Accuses(truth),
                    "{kind} {scale:?} {seed} {:?} {:e}: {:?}",
                    case.fault,
                    case.size,
                    &diagnosis.ranked[..2]
                );
            }
        }
    }
}

#[test]
fn good_benches_pass_also_with_resistors_at_the_edge_of_their_tolerance() {
    for scale in SCALES {
        for kind in ["good", "good-edge"] {
            for seed in 0..4 {
                let diagnosis = said(&case(910_000 + seed, kind, scale, ReadingSet::Full).unwrap());
                assert_eq!(diagnosis.verdict, Verdict::Passes, "{kind} {scale:?} {seed}");
                assert!(diagnosis.good > 0.8, "{kind} {scale:?} {seed} {}", diagnosis.good);
            }
        }
    }
}

#[test]
fn a_wild_reading_is_found_and_accuses_nobody() {
    for scale in SCALES {
        for seed in 0..4 {
            let plain = case(920_000 + seed, "good", scale, ReadingSet::Full).unwrap();
            let spoiled = case(920_000 + seed, "good-wild", scale, ReadingSet::Full).unwrap();
            let differs = |k: &usize| plain.observations[*k] != spoiled.observations[*k];
            let real: Vec<usize> = (0..plain.observations.len()).filter(differs).collect();
            assert_eq!(real.len(), 1);
            let again = wild(&spoiled.standard, &spoiled.bench, &spoiled.observations).unwrap();
            assert_eq!(again, real, "{scale:?} {seed}");
            assert_eq!(said(&spoiled).verdict, Verdict::Passes, "{scale:?} {seed}");
        }
    }
}

#[test]
fn what_no_class_is_of_is_none_of_these() {
    for scale in SCALES {
        for kind in ["two-faults", "outside"] {
            for seed in 0..4 {
                let diagnosis = said(&case(930_000 + seed, kind, scale, ReadingSet::Full).unwrap());
                assert_eq!(diagnosis.verdict, Verdict::NoneOfThese, "{kind} {scale:?} {seed}");
            }
        }
    }
}

/// A second fault that χ² hardly notices: leads exchanged, and a cable that leaks, or a resistor off by several tolerances.
#[test]
fn a_second_fault_beside_a_large_one_is_seen() {
    for seed in 900..906 {
        let mut case = case(seed, "swap", Scale::TenKilohm, ReadingSet::Full).unwrap();
        let configurations = quadrille_diagnosis::readings(ReadingSet::Full);
        let alone = case.state.clone();
        let mut observed = |state: &quadrille_diagnosis::State| {
            let settings =
                settings(&case.bench, &case.standard, case.drive, case.fault, state, &configurations);
            let mut draw = Draw::new(seed);
            case.observations = observe(&mut draw, &case.bench, &case.standard, case.fault, state, &settings);
            said(&case)
        };
        let first = observed(&alone);
        assert_eq!(first.beside, None, "seed {seed}");
        let mut leaking = alone.clone();
        // The cable of a column, of which the limit is some hundred megohms.
        leaking.insulation[5] = (5e7 / 1e11f64).ln();
        let leaking = observed(&leaking);
        assert_eq!((leaking.ranked[0].class, leaking.verdict), (first.ranked[0].class, Verdict::NoneOfThese));
        assert!(matches!(leaking.beside, Some(Class::GroundLeak(_))), "seed {seed}: {:?}", leaking.beside);
        let mut off = alone.clone();
        off.resistors[2] = 0.06;
        let off = observed(&off);
        assert_eq!(off.verdict, Verdict::NoneOfThese, "seed {seed}: {:?}", off.ranked[0]);
        assert_eq!(off.beside, Some(Class::Edge(2)), "seed {seed}");
    }
}

#[test]
fn leads_that_eight_configurations_cannot_part_are_parted_by_a_two_terminal_reading() {
    let mut asked = 0;
    for seed in 0..6 {
        let case = case(940_000 + seed, "swap", Scale::TenKilohm, ReadingSet::Standard).unwrap();
        let truth = case.fault.class(&case.standard);
        let diagnosis = said(&case);
        let Verdict::Undecided { first, second, next } = diagnosis.verdict else {
            panic!("{seed}: {:?}", diagnosis.verdict)
        };
        if first.kind() != Kind::LeadsSwapped || second.kind() != Kind::LeadsSwapped {
            continue;
        }
        assert!([first, second].contains(&truth), "{seed}: {truth:?} {first:?} {second:?}");
        let Next::Read { configuration, .. } = next else { panic!("{seed}: {next:?}") };
        assert!(!configuration.is_four_terminal(), "{configuration}");
        asked += 1;
    }
    assert!(asked >= 3, "{asked}");
}

#[test]
fn where_no_reading_parts_two_faults_a_hand_is_asked() {
    let case = case(950_001, "v-reversed", Scale::TenKilohm, ReadingSet::Full).unwrap();
    let (first, second) = (Fault::VoltmeterReversed, Fault::CurrentRowsExchanged);
    let next =
        next_reading(&case.standard, &case.bench, case.drive, &case.observations, first, second).unwrap();
    let Next::Hand { action } = next else { panic!("{next:?}") };
    assert!(action.contains("exchange"), "{action}");
}

#[test]
fn a_square_standard_is_told_to_hide_exchanged_leads() {
    let square = Standard::ring([1e4; 4].map(Ohm), 0.01).unwrap();
    let of = |standard| {
        power(standard, &bench(Scale::TenKilohm), drive(Scale::TenKilohm), ReadingSet::Full).unwrap()
    };
    let poor = of(&square);
    let swapped = |class: &Class| matches!(class, Class::LeadsSwapped(..));
    // {12, 34}, {14, 23} look alike; 13 and 24 like a good bench: the symmetries of a square.
    let pairs: Vec<_> = poor.merged.iter().filter(|group| group.iter().all(swapped)).collect();
    assert_eq!(pairs.len(), 2, "{:?}", poor.merged);
    assert_eq!(poor.not_tested.iter().filter(|class| swapped(class)).count(), 2, "{:?}", poor.not_tested);
    let rising = of(&Standard::ring([1e4, 1.5e4, 2.2e4, 3.3e4].map(Ohm), 0.01).unwrap());
    assert!(rising.merged.is_empty() && !rising.not_tested.iter().any(swapped), "{rising:?}");
}

#[test]
fn a_limit_that_is_told_is_where_a_fault_begins_to_be_seen() {
    let standard = Standard::ring([1e4, 1.5e4, 2.2e4, 3.3e4].map(Ohm), 0.01).unwrap();
    let bench = bench(Scale::TenKilohm);
    let drive = drive(Scale::TenKilohm);
    let limit = |set| {
        let power = power(&standard, &bench, drive, set).unwrap();
        let of = |fault| power.limits.iter().find(|limit| limit.fault == fault).unwrap().size;
        let ohm = |fault| match of(fault) {
            Some(quadrille_diagnosis::Size::Ohm(ohm)) => ohm,
            other => panic!("{other:?}"),
        };
        (ohm(Fault::Leak(0, 2)), ohm(Fault::Leak(0, 1)))
    };
    let ((few_diagonal, few_edge), (all_diagonal, all_edge)) =
        (limit(ReadingSet::Standard), limit(ReadingSet::Full));
    // The tolerance hides a leak along an edge whatever is read; one across is only hidden while no two-terminal reading is.
    assert!(all_diagonal > 30.0 * few_diagonal, "{few_diagonal:e} {all_diagonal:e}");
    assert!(all_edge < 3.0 * few_edge, "{few_edge:e} {all_edge:e}");
}
