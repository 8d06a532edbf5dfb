//! The magnet: ramps within a voltage, iron that remembers, a probe.

use crate::complaint::ComplaintKind;
use crate::plant::iron::Iron;
use crate::plant::magnet::{Magnet, MagnetFault, ProbeErrors};
use quadrille_documents::{Magnet as Limits, MagnetModel, Role};

const LIMITS: Limits = Limits { field_t_per_a: 0.03, most_field_t: 1.2, most_ramp_t_per_s: 0.5 };
const EXACT: ProbeErrors = ProbeErrors { gain: 0.0, offset_t: 0.0 };

/// 2 H, 0.8 ohm, 40 V, without iron and noise.
fn coil() -> MagnetModel {
    MagnetModel {
        inductance_h: 2.0,
        resistance_ohm: 0.8,
        compliance_v: 40.0,
        remanence_t: 0.0,
        hysteresis_a: 2.0,
        noise_t: 0.0,
        resolution_t: 0.0,
    }
}

fn magnet(model: MagnetModel) -> Magnet {
    let mut magnet = Magnet::new(model, LIMITS, EXACT, 0.0, 3);
    magnet.set_output(0.0, true);
    magnet
}

fn near(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-9 * (1.0 + expected.abs()), "{found} {expected}");
}

#[test]
fn a_ramp_within_the_voltage_is_straight_and_ends_in_its_time() {
    // 20 A at 1 A/s: 2 V for the coil and at most 16 V for its resistance, of 40.
    let mut it = magnet(coil());
    it.go_to(5.0, 0.6, 0.03);
    near(it.current_a(12.0), 7.0);
    assert!(it.is_ramping(24.999) && !it.is_ramping(25.001) && !it.is_at_voltage_limit(24.0));
    near(it.field_t(100.0), 0.6);
    it.go_to(100.0, -0.3, 0.015);
    near(it.current_a(110.0), 15.0);
    near(it.current_a(200.0), -10.0);
    it.go_to(300.0, 0.3, 0.3);
    it.hold(301.0);
    near(it.current_a(1000.0), 0.0);
    assert!(!it.is_ramping(1000.0));
    assert_eq!(it.take_told(), []);
}

// L dI/dt = U - R I from no current: I = U/R (1 - exp(-t R/L)), and so t = -(L/R) ln(1 - I R/U).
#[test]
fn a_ramp_beyond_the_voltage_takes_the_time_that_the_coil_needs() {
    let mut it = magnet(coil());
    it.go_to(0.0, 1.2, 0.5 * 30.0);
    let seconds = -(2.0_f64 / 0.8) * (1.0_f64 - 40.0 * 0.8 / 40.0).ln();
    near(seconds, 4.023_594_781);
    assert!(it.is_ramping(seconds - 1e-6) && it.is_at_voltage_limit(seconds - 1e-6));
    assert!(!it.is_ramping(seconds + 1e-6) && !it.is_at_voltage_limit(seconds + 1e-6));
    near(it.current_a(1.0), 50.0 * (1.0 - (-0.4_f64).exp()));
    assert_eq!(it.take_told()[0].kind, ComplaintKind::RampTooFast(Role::FieldSource));
}

// At 12 A/s the coil takes 24 V: straight until 16 V are left for the resistance, at 20 A after 1.667 s; then towards
// 50 A by 2.5 s.
#[test]
fn a_ramp_bends_where_its_voltage_is_used_up() {
    let mut it = magnet(coil());
    it.go_to(0.0, 1.2, 0.36);
    near(it.current_a(1.0), 12.0);
    assert!(!it.is_at_voltage_limit(1.66) && it.is_at_voltage_limit(1.67));
    near(it.current_a(3.0), 50.0 - 30.0 * (-(3.0 - 20.0 / 12.0) / 2.5_f64).exp());
    // Back down, the resistance helps: straight all the way to no current.
    it.go_to(100.0, 0.0, 0.36);
    near(it.current_a(101.0), 28.0);
    near(it.current_a(100.0 + 40.0 / 12.0), 0.0);
}

#[test]
fn a_field_beyond_what_the_voltage_drives_is_never_reached_and_a_superconducting_coil_has_no_such_end() {
    let mut it = magnet(MagnetModel { compliance_v: 20.0, ..coil() });
    it.go_to(0.0, 0.9, 0.03);
    near(it.current_a(1e4), 25.0);
    assert!(it.is_ramping(1e4) && it.is_at_voltage_limit(1e4));
    // 20 V over 2 H: 10 A/s, however fast the ramp is set.
    let mut it = magnet(MagnetModel { compliance_v: 20.0, resistance_ohm: 0.0, ..coil() });
    it.go_to(0.0, 0.9, 0.5);
    near(it.current_a(1.0), 10.0);
    near(it.current_a(2.9), 29.0);
    near(it.current_a(9.0), 30.0);
}

#[test]
fn a_hysteresis_loop_closes_and_leaves_the_remanence_that_is_stated() {
    let fresh = Iron::new(5e-3, 8.0);
    assert_eq!(fresh.field_t(), 0.0);
    let down = fresh.at(30.0).at(0.0);
    near(down.field_t(), 5e-3);
    let up = down.at(-30.0).at(0.0);
    near(up.field_t(), -5e-3);
    // Once round, and it is where it was; the way there does not matter.
    let loop_end = up.at(30.0).at(0.0);
    near(loop_end.field_t(), 5e-3);
    let slowly = (0..=300).fold(up, |iron, k| iron.at(f64::from(k) * 0.1)).at(0.0);
    near(slowly.field_t(), 5e-3);
    // The descending branch lies above the ascending one.
    assert!(down.at(-3.0).field_t() > up.at(30.0).at(-30.0).at(-3.0).field_t());
    // A minor loop leaves no trace once the current has passed where it began.
    let without = up.at(20.0);
    let with = up.at(10.0).at(7.5).at(10.0).at(20.0);
    near(with.field_t(), without.field_t());
    // A reversal by half the width turns half of it round, one by the whole width all of it.
    near(fresh.at(30.0).at(22.0).field_t(), 5e-3);
    assert!(fresh.at(30.0).at(26.0).field_t() < 4.9e-3);
}

#[test]
fn at_no_current_the_field_is_the_remanence_of_where_it_came_from() {
    let mut it = magnet(MagnetModel { remanence_t: 3e-3, ..coil() });
    it.go_to(0.0, 0.6, 0.03);
    it.go_to(60.0, 0.0, 0.03);
    near(it.field_t(200.0), 3e-3);
    it.go_to(200.0, -0.6, 0.03);
    it.go_to(300.0, 0.0, 0.03);
    near(it.field_t(400.0), -3e-3);
    assert!(!it.is_left_on(400.0));
}

#[test]
fn an_output_that_opens_under_current_is_told_with_its_energy() {
    let mut it = magnet(coil());
    it.go_to(0.0, 0.6, 0.03);
    it.set_output(50.0, false);
    let told = it.take_told();
    assert_eq!((told.len(), told[0].kind, told[0].time), (1, ComplaintKind::MagnetOpened, 50.0));
    // Half of 2 H times the square of 20 A.
    assert!(
        told[0].detail.contains("20.000 A") && told[0].detail.contains("400.000 J"),
        "{}",
        told[0].detail
    );
    near(it.field_t(51.0), 0.0);
    let mut it = magnet(coil());
    it.go_to(0.0, 0.6, 0.03);
    assert!(!it.is_left_on(0.0) && it.is_left_on(30.0));
    it.go_to(30.0, 0.0, 0.03);
    assert!(!it.is_left_on(31.0));
    it.set_output(100.0, false);
    assert_eq!(it.take_told(), []);
    it.go_to(101.0, 0.6, 0.03);
    near(it.current_a(200.0), 0.0);
}

#[test]
fn more_field_than_the_magnet_bears_is_told() {
    let mut it = magnet(coil());
    it.go_to(0.0, -1.21, 0.03);
    assert_eq!(it.take_told()[0].kind, ComplaintKind::OverField);
}

#[test]
fn a_ramp_stalls_a_supply_trips_and_a_probe_jumps_and_sticks() {
    let mut it = magnet(coil());
    it.go_to(0.0, 0.6, 0.03);
    it.fail(8.0, MagnetFault::RampStalls);
    near(it.current_a(100.0), 8.0);
    assert!(it.is_ramping(100.0));
    it.go_to(100.0, 0.0, 0.03);
    near(it.current_a(200.0), 8.0);
    it.mend();
    it.go_to(200.0, 0.0, 0.03);
    near(it.current_a(300.0), 0.0);

    let mut it = magnet(coil());
    it.go_to(0.0, 0.6, 0.03);
    it.fail(50.0, MagnetFault::Trips);
    assert!(it.has_tripped() && it.current_a(52.0) < 8.0 && it.current_a(52.0) > 7.0);
    it.go_to(53.0, 0.6, 0.03);
    assert!(it.current_a(90.0).abs() < 1e-6 && !it.is_ramping(90.0) && !it.is_left_on(60.0));
    it.clear_trip(90.0);
    it.go_to(90.0, 0.3, 0.03);
    near(it.current_a(200.0), 10.0);

    it.fail(200.0, MagnetFault::ProbeJumps(0.05));
    near(it.shown_t(201.0), 0.35);
    it.fail(202.0, MagnetFault::ProbeSticks);
    it.go_to(202.0, 0.0, 0.03);
    near(it.shown_t(300.0), 0.35);
    near(it.field_t(300.0), it.current_a(300.0) * 0.03);
}

#[test]
fn the_probe_has_its_errors_its_noise_and_its_digits_whoever_asks_how_often() {
    let model = MagnetModel { noise_t: 3e-4, resolution_t: 1e-4, ..coil() };
    let probe = ProbeErrors { gain: 2e-3, offset_t: -5e-3 };
    let mut it = Magnet::new(model, LIMITS, probe, 0.0, 3);
    it.set_output(0.0, true);
    it.go_to(0.0, 0.6, 0.5);
    let shown: Vec<f64> = (0..2000).map(|k| it.shown_t(100.05 + f64::from(k) * 0.1)).collect();
    let mean = shown.iter().sum::<f64>() / 2000.0;
    let sd = (shown.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 1999.0).sqrt();
    assert!((mean - (0.6 * 1.002 - 5e-3)).abs() < 3e-5, "{mean}");
    assert!((sd / 3.0139e-4 - 1.0).abs() < 0.06, "{sd}");
    assert!(shown.iter().all(|x| ((x / 1e-4).round() * 1e-4 - x).abs() < 1e-12));
    assert_eq!(it.shown_t(150.05), it.shown_t(150.05));
}
