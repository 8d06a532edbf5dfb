//! Several samples on one matrix: each its own, all in one circuit. Formulas stand at each test.

use super::test_support::{close, drive, driven, mean};
use super::*;
use crate::complaint::ComplaintKind;
use crate::testing::{
    Dialects, bench_of_two, called, film, imperfect_film, imperfect_pair, imperfect_ring, ring,
};
use crate::testing::{relays, world_of};
use quadrille_documents::{Bench, Role, Sample};

/// Four-terminal resistances of a ring a, b, c, d with the sum s, by current division: R12,34 = −a c / s,
/// R23,41 = −b d / s, R13,24 = (b d − a c) / s.
fn ring_ohm([a, b, c, d]: [f64; 4], contacts: [usize; 4]) -> f64 {
    let s = a + b + c + d;
    match contacts {
        [1, 2, 3, 4] => -a * c / s,
        [2, 3, 4, 1] => -b * d / s,
        [1, 3, 2, 4] => (b * d - a * c) / s,
        _ => unreachable!("{contacts:?}"),
    }
}

const LEFT: [f64; 4] = [1e4, 1.5e4, 2.2e4, 3.3e4];
const RIGHT: [f64; 4] = [7.1e3, 2.4e4, 1.3e4, 4.9e4];
const CONFIGURATIONS: [[usize; 4]; 3] = [[1, 2, 3, 4], [2, 3, 4, 1], [1, 3, 2, 4]];

fn rings() -> (Sample, Sample) {
    let of = |[a, b, c, d]: [f64; 4]| ring(a, b, c, d);
    (called("left", of(LEFT)), called("right", of(RIGHT)))
}

/// Contacts of a sample as the world counts columns: the left one's four before the right one's.
fn of_right(contacts: [usize; 4]) -> [usize; 4] {
    contacts.map(|contact| contact + 4)
}

fn ohm(mut world: World, contacts: [usize; 4]) -> f64 {
    world = driven(world, contacts, 1e-5);
    world.advance(100.0);
    world.value(Quantity::Voltage) / world.value(Quantity::Current)
}

#[test]
fn each_sample_is_read_through_its_own_columns() {
    let (left, right) = rings();
    // In the order of the run, which is not that of the bench document.
    let world = || world_of(&bench_of_two(), &Dialects::ideal(), &[&right, &left]);
    for contacts in CONFIGURATIONS {
        close(ohm(world(), contacts), ring_ohm(LEFT, contacts), 5e-6);
        close(ohm(world(), of_right(contacts)), ring_ohm(RIGHT, contacts), 5e-6);
    }
}

#[test]
fn columns_in_another_order_read_another_resistance() {
    // Contacts 2 and 3 of the right sample exchanged: R12,34 is read as R13,24.
    let (left, right) = rings();
    let world = world_of(&bench_of_two(), &Dialects::ideal(), &[&left, &right]);
    close(ohm(world, of_right([1, 3, 2, 4])), ring_ohm(RIGHT, [1, 3, 2, 4]), 5e-6);
    let off = ring_ohm(RIGHT, [1, 3, 2, 4]) / ring_ohm(RIGHT, [1, 2, 3, 4]);
    assert!((off - 1.0).abs() > 0.1, "{off}");
}

#[test]
fn a_current_from_one_sample_to_the_other_brings_the_source_to_its_limit() {
    let (left, right) = rings();
    let world = world_of(&bench_of_two(), &Dialects::ideal(), &[&left, &right]);
    // The return is on the other sample's column.
    let mut world = driven(world, [1, 6, 3, 4], 1e-5);
    world.advance(100.0);
    assert!(world.is_at_limit());
    assert!(world.value(Quantity::Current).abs() < 1e-9);
}

#[test]
fn contacts_without_a_sample_are_there_and_empty() {
    let (left, right) = rings();
    let alone = world_of(&bench_of_two(), &Dialects::ideal(), &[&left]);
    close(ohm(alone, [1, 2, 3, 4]), ring_ohm(LEFT, [1, 2, 3, 4]), 5e-6);
    let mut empty = driven(world_of(&bench_of_two(), &Dialects::ideal(), &[&left]), [5, 6, 7, 8], 1e-5);
    empty.advance(10.0);
    assert!(empty.is_at_limit());
    close(
        ohm(world_of(&bench_of_two(), &Dialects::ideal(), &[&right]), [5, 6, 7, 8]),
        ring_ohm(RIGHT, [1, 2, 3, 4]),
        5e-6,
    );
}

/// Voltages of nodes joined by conductances, for currents into them; node 0 is ground. Gaussian elimination with
/// pivots, nothing of this project's.
fn nodal(count: usize, links: &[(usize, usize, f64)], currents: &[(usize, f64)]) -> Vec<f64> {
    let n = count - 1;
    let mut rows = vec![vec![0.0; n + 1]; n];
    for &(a, b, ohm) in links {
        for (k, j) in [(a, b), (b, a)] {
            if k > 0 {
                rows[k - 1][k - 1] += 1.0 / ohm;
                if j > 0 {
                    rows[k - 1][j - 1] -= 1.0 / ohm;
                }
            }
        }
    }
    currents.iter().for_each(|&(node, ampere)| rows[node - 1][n] += ampere);
    for k in 0..n {
        let pivot = (k..n).max_by(|&a, &b| rows[a][k].abs().total_cmp(&rows[b][k].abs())).unwrap();
        rows.swap(k, pivot);
        let row = rows[k].clone();
        for other in rows.iter_mut().skip(k + 1) {
            let factor = other[k] / row[k];
            other.iter_mut().zip(&row).for_each(|(x, y)| *x -= factor * y);
        }
    }
    let mut volts = vec![0.0; count];
    for k in (0..n).rev() {
        let known: f64 = (k + 1..n).map(|j| rows[k][j] * volts[j + 1]).sum();
        volts[k + 1] = (rows[k][n] - known) / rows[k][k];
    }
    volts
}

const OPEN_OHM: f64 = 2e12;
const GUARDED_OHM: f64 = 1e15;
const GIGOHMS: [f64; 4] = [1e10, 1.5e10, 2.2e10, 3.3e10];
const OTHERS: [f64; 4] = [2.7e9, 8e8, 5.1e9, 1.9e9];

/// A bench whose open crosspoints leak enough to be seen, guard and buffers there.
fn leaky() -> (Bench, Dialects) {
    let mut dialects = Dialects::ideal();
    dialects.of_mut(Role::SwitchMatrix).facts.open_resistance_ohm = OPEN_OHM;
    let mut bench = bench_of_two();
    bench.wiring.buffers.as_mut().unwrap().bias_current_a = 0.0;
    (bench, dialects)
}

/// The left sample's R12,34 at gigohms, guard and buffers on, with more relays closed.
fn guarded_ohm(samples: &[&Sample], more: &[(Place, bool)]) -> f64 {
    let (bench, dialects) = leaky();
    let mut world = world_of(&bench, &dialects, samples);
    world.set_guard(0.0, true);
    world.switch(0.0, &[(Place::Buffers, true)]);
    world.switch(0.0, more);
    let mut world = driven(world, [1, 2, 3, 4], 1e-10);
    world.advance(1e5);
    world.value(Quantity::Voltage) / 1e-10
}

/// Nodes of the rows, and of the left sample's columns. What is joined by closed relays is one node, and the return
/// through the ammeter is ground: both are nothing beside gigohms, and would cost the elimination its digits.
const TERMINALS: [usize; 4] = [1, 0, 2, 3];

fn of_sample(nodes: [usize; 4], ohms: [f64; 4]) -> Vec<(usize, usize, f64)> {
    (0..4).map(|k| (nodes[k], nodes[(k + 1) % 4], ohms[k])).collect()
}

/// The same by nodal analysis, with the right sample's columns at nodes.
fn nodal_ohm(right: [usize; 4], more: &[(usize, usize, f64)]) -> f64 {
    let mut links = [&of_sample(TERMINALS, GIGOHMS), more].concat();
    let nodes = || TERMINALS.into_iter().chain(right);
    // An open relay between each row and each column that it does not join; a cable for each row and each column.
    let open = |row: usize| nodes().map(move |column| (row, column, OPEN_OHM));
    links.extend(TERMINALS.into_iter().flat_map(open));
    links.extend(TERMINALS.into_iter().chain(nodes()).map(|node| (node, 0, GUARDED_OHM)));
    // The buffers' inputs; what the source has across its output.
    links.extend([(2, 0, 1e15), (3, 0, 1e15)]);
    links.push((1, 0, Dialects::new().of(Role::CurrentSource).facts.output_resistance_ohm));
    links.retain(|(a, b, _)| a != b);
    let volts = nodal(8, &links, &[(1, 1e-10)]);
    (volts[2] - volts[3]) / 1e-10
}

fn others(keys: &str) -> Sample {
    called("right", imperfect_ring(OTHERS, keys))
}

fn gigohms() -> Sample {
    called("left", imperfect_ring(GIGOHMS, ""))
}

#[test]
fn a_leak_to_ground_in_another_sample_is_seen_through_open_crosspoints_as_nodal_analysis_has_it() {
    let right = [4, 5, 6, 7];
    let alone = guarded_ohm(&[&gigohms()], &[]);
    close(alone, nodal_ohm(right, &[]), 1e-8);
    // Between columns that all see the same open crosspoints, a sample carries nothing.
    let beside = guarded_ohm(&[&gigohms(), &others("")], &[]);
    close(beside, nodal_ohm(right, &of_sample(right, OTHERS)), 1e-8);
    close(beside, alone, 1e-12);
    let leaking = guarded_ohm(&[&gigohms(), &others("leak_to_ground_ohm = [0.0, 3e10, 0.0, 0.0]")], &[]);
    let leak = [of_sample(right, OTHERS), vec![(5, 0, 3e10)]].concat();
    close(leaking, nodal_ohm(right, &leak), 1e-8);
    assert!((leaking / beside - 1.0).abs() > 1e-4, "{leaking} {beside}");
}

#[test]
fn a_relay_that_stays_closed_joins_another_sample_to_the_leaks_as_nodal_analysis_has_it() {
    // The source's row on the right sample's first column, too: all of that sample is at the source's voltage then.
    let stuck = [(Place::Relay(SOURCE_HIGH, 4), true)];
    let right = [1, 4, 5, 6];
    // Node 7 is nothing: it is tied to ground.
    let empty = guarded_ohm(&[&gigohms()], &stuck);
    close(empty, nodal_ohm(right, &[(7, 0, 1.0)]), 1e-8);
    let beside = guarded_ohm(&[&gigohms(), &others("")], &stuck);
    close(beside, nodal_ohm(right, &[of_sample(right, OTHERS), vec![(7, 0, 1.0)]].concat()), 1e-8);
    assert!((beside / empty - 1.0).abs() > 1e-4, "{beside} {empty}");
}

#[test]
fn a_limit_is_that_of_the_sample_that_passes_it() {
    let limited = |name: &str, watt: f64| {
        let mut sample = called(name, ring(1e4, 1.5e4, 2.2e4, 3.3e4));
        sample.limits.as_mut().unwrap().power_w = watt;
        sample
    };
    let (left, right) = (limited("left", 5e-3), limited("right", 0.5));
    let complaints = |contacts: [usize; 4]| {
        let world = world_of(&bench_of_two(), &Dialects::ideal(), &[&left, &right]);
        // 8.75 kohm between neighbours: 8.75 mW.
        let mut world = driven(world, contacts, 1e-3);
        world.advance(1.0);
        let is_of_limit = |complaint: &&Complaint| complaint.kind != ComplaintKind::AmmeterOpen;
        world.complaints().iter().filter(is_of_limit).cloned().collect::<Vec<_>>()
    };
    assert_eq!(complaints([5, 6, 7, 8]), []);
    let [complaint] = complaints([1, 2, 3, 4]).try_into().unwrap();
    assert_eq!(complaint.kind, ComplaintKind::OverPower);
    assert!(complaint.detail.contains("in the sample \"left\", 5e-3 W is allowed"), "{}", complaint.detail);
}

#[test]
fn a_short_names_the_contact_of_its_sample() {
    let (left, right) = rings();
    let mut world = world_of(&bench_of_two(), &Dialects::ideal(), &[&left, &right]);
    world.switch(0.0, &relays([7, 7, 5, 6]));
    let [complaint] = world.complaints() else { panic!("{:?}", world.complaints()) };
    assert_eq!(complaint.detail, "source and return are both on contact 3 of \"right\"");
}

#[test]
fn only_the_sample_that_carries_the_current_warms() {
    let warm = "heating_k_per_w = 300.0\nheating_s = 2.0\ntemperature_coefficient_per_k = 2e-3";
    let of = |name: &str| called(name, imperfect_pair(1e4, warm));
    let world = world_of(&bench_of_two(), &Dialects::ideal(), &[&of("left"), &of("right")]);
    let mut world = driven(world, [5, 6, 5, 6], 1e-3);
    world.advance(60.0);
    // P = I² R₀ exp(α ΔT) with ΔT = 300 K/W P, by iteration: 33.2 K.
    let mut rise: f64 = 0.0;
    for _ in 0..200 {
        rise = 300.0 * 1e-6 * 1e4 * (2e-3 * rise).exp();
    }
    close(world.samples[1].warmth, rise, 1e-3);
    assert!(world.samples[0].warmth.abs() < 1e-6, "{}", world.samples[0].warmth);
    close(world.value(Quantity::Voltage), 10.0 * (2e-3 * rise).exp(), 1e-3);
}

#[test]
fn light_falls_on_the_sample_whose_document_says_so() {
    let lit =
        called("right", imperfect_ring(RIGHT, "light_factor = 3.0\nlight_from_s = 5.0\nlight_to_s = 1e9"));
    let (left, _) = rings();
    let world = || world_of(&bench_of_two(), &Dialects::ideal(), &[&left, &lit]);
    close(ohm(world(), [1, 2, 3, 4]), ring_ohm(LEFT, [1, 2, 3, 4]), 5e-6);
    close(ohm(world(), [5, 6, 7, 8]), ring_ohm(RIGHT, [1, 2, 3, 4]) / 3.0, 5e-6);
}

/// What a voltmeter reads of a sample, in the dark or not, alone on the bench of two and beside the other.
fn alone_and_beside(bench: &Bench, sample: &Sample, other: &Sample, contacts: [usize; 4]) -> [f64; 2] {
    let read = |samples: &[&Sample]| {
        let mut world = driven(world_of(bench, &Dialects::ideal(), samples), contacts, 0.0);
        world.set_field(0.0, Tesla(0.4)).unwrap();
        drive(&mut world, 0.0, 1e-5);
        mean(&mut world, 3.0, 3.013)
    };
    [read(&[sample]), read(&[other, sample])]
}

#[test]
fn what_disturbs_one_sample_is_the_same_beside_another() {
    // The other has what would be seen at once if it were taken for this one's.
    let other = called(
        "left",
        imperfect_film("contact_noise_ohm = [90.0, 50.0, 70.0, 60.0]\nseebeck_v = [1e-2, 3e-2, 2e-2, 5e-2]"),
    );
    let disturbed = crate::testing::bench_of_two_with("drift_v = 1e-6\ndrift_s = 5.0\nmains_a = 1e-7");
    for keys in [
        "contact_noise_ohm = [9.0, 5.0, 7.0, 6.0]\nexcess_noise_ohm = [2.0, 1.0, 3.0, 5.0]",
        "ettingshausen = 0.2\nettingshausen_s = 1.5\nseebeck_v = [1e-6, 3e-6, 2e-6, 7e-6]",
        "[[model.imperfections.barrier]]\ncontact = 2\nsaturation_a = 2e-7\nideality = 1.4\nleak_ohm = 4e5",
    ] {
        let sample = called("right", imperfect_film(keys));
        let [alone, beside] = alone_and_beside(&disturbed, &sample, &other, [5, 7, 6, 8]);
        close(beside, alone, 1e-7);
        let [plain, _] = alone_and_beside(&disturbed, &called("right", film()), &other, [5, 7, 6, 8]);
        assert!((alone / plain - 1.0).abs() > 1e-6, "{keys}: {alone} {plain}");
    }
}

#[test]
fn two_samples_with_barriers_have_each_their_own() {
    // Between its contacts 1 and 2: the forward voltage of contact 1's barrier, n V_T ln(1 + I/I_s), and 10 kohm.
    let of = |name: &str, saturation: f64| {
        let keys = format!(
            "[[model.imperfections.barrier]]\ncontact = 1\nsaturation_a = {saturation:e}\nideality = 1.2\nleak_ohm = 1e12"
        );
        called(name, imperfect_pair(1e4, &keys))
    };
    let (left, right) = (of("left", 1e-9), of("right", 4e-7));
    let thermal = 1.2 * 1.380_649e-23 * 295.0 / 1.602_176_634e-19;
    for (contacts, saturation) in [([1, 2, 1, 2], 1e-9), ([5, 6, 5, 6], 4e-7)] {
        let world = world_of(&bench_of_two(), &Dialects::ideal(), &[&left, &right]);
        let mut world = driven(world, contacts, 1e-5);
        world.advance(10.0);
        let expected = 1e-5 * 1e4 + thermal * (1e-5f64 / saturation).ln_1p();
        close(world.value(Quantity::Voltage), expected, 1e-5);
    }
}
