//! The cryostat: two poles, a thermometer, a controller.

use crate::complaint::ComplaintKind;
use crate::plant::cryostat::{Cryostat, CryostatFault};
use crate::plant::sensor::Sensor;
use crate::plant::thermal::{Temperatures, Thermal};
use quadrille_documents::{Cryostat as Limits, CryostatModel, PidModel, Role, SensorModel};

const LIMITS: Limits = Limits { lowest_k: 80.0, highest_k: 330.0, most_ramp_k_per_min: 10.0 };

fn noiseless() -> CryostatModel {
    CryostatModel { noise_k: 0.0, resolution_k: 0.0, ..CryostatModel::default() }
}

fn cryostat(model: &CryostatModel) -> Cryostat {
    Cryostat::new(model, LIMITS, 0.0, 7).unwrap()
}

/// Heading for a temperature at a ramp in kelvins per minute, heater on.
fn heading(model: &CryostatModel, target: f64, ramp: f64) -> Cryostat {
    let mut it = cryostat(model);
    it.set_target(target);
    it.set_ramp(ramp / 60.0);
    it.set_heater(true);
    it
}

/// Sample temperatures every second over a stretch.
fn watch(it: &mut Cryostat, from: f64, to: f64) -> Vec<f64> {
    let mut seen = Vec::new();
    let mut time = from;
    while time <= to {
        it.advance(time);
        seen.push(it.temperatures(time).sample);
        time += 1.0;
    }
    seen
}

fn most(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

fn least(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, f64::min)
}

// Partial fractions of the two transfer functions
//   T1/P = (s + k)/(C1 (s - p)(s - q)),  T2/P = (Gs/C2)/(C1 (s - p)(s - q)),  k = (Gs + Gl)/C2,
// for a step of P: T1(t) = P/C1 [ (p + k)/(p (p - q)) (e^pt - 1) + (q + k)/(q (q - p)) (e^qt - 1) ].
#[test]
fn a_step_of_power_gives_the_two_exponentials_of_the_transfer_function() {
    let model = CryostatModel {
        stage_j_per_k: 37.0,
        sample_j_per_k: 4.2,
        bath_w_per_k: 0.13,
        sample_w_per_k: 0.31,
        leak_w_per_k: 0.017,
        bath_k: 65.0,
        ..CryostatModel::default()
    };
    let (c1, c2, gb, gs, gl): (f64, f64, f64, f64, f64) = (37.0, 4.2, 0.13, 0.31, 0.017);
    let watts = 3.7;
    let (sum, product) = ((gb + gs) / c1 + (gs + gl) / c2, ((gb + gs) * (gs + gl) - gs * gs) / (c1 * c2));
    let root = (sum * sum - 4.0 * product).sqrt();
    let (p, q) = ((-sum + root) / 2.0, (-sum - root) / 2.0);
    let k = (gs + gl) / c2;
    let thermal = Thermal::new(&model);
    for seconds in [0.02, 1.0, 13.0, 120.0, 900.0, 1e5] {
        let part = |zero: f64, p: f64, q: f64| (zero + p) / (p * (p - q)) * ((p * seconds).exp() - 1.0);
        let stage = watts / c1 * (part(k, p, q) + part(k, q, p));
        let follows = |p: f64, q: f64| ((p * seconds).exp() - 1.0) / (p * (p - q));
        let sample = watts / c1 * gs / c2 * (follows(p, q) + follows(q, p));
        let cold = Temperatures { stage: 65.0, sample: 65.0 };
        let found = thermal.advance(&thermal.propagator(seconds), cold, watts);
        assert!((found.stage - 65.0 - stage).abs() < 1e-11 * (1.0 + stage), "{seconds} s: {found:?}");
        assert!((found.sample - 65.0 - sample).abs() < 1e-11 * (1.0 + sample), "{seconds} s: {found:?}");
    }
}

#[test]
fn time_passes_the_same_in_one_stretch_and_in_many() {
    let thermal = Thermal::new(&CryostatModel::default());
    let start = Temperatures { stage: 301.0, sample: 287.0 };
    let whole = thermal.advance(&thermal.propagator(777.0), start, 11.0);
    let tenth = thermal.propagator(77.7);
    let parts = (0..10).fold(start, |at, _| thermal.advance(&tenth, at, 11.0));
    assert!((whole.stage - parts.stage).abs() < 1e-10 && (whole.sample - parts.sample).abs() < 1e-10);
    // Stiff: the fast pole is a million times the slow one.
    let stiff = CryostatModel { sample_w_per_k: 1e3, sample_j_per_k: 1e-2, ..CryostatModel::default() };
    let [slow, fast] = Thermal::new(&stiff).time_constants_s();
    assert!((slow / 500.1 - 1.0).abs() < 1e-3 && fast < 2e-5, "{slow} {fast}");
    let stiff = Thermal::new(&stiff);
    let after = stiff.advance(&stiff.propagator(43_200.0), start, 11.0);
    assert!((after.stage - stiff.steady(11.0).stage).abs() < 1e-9);
}

// IEC 60751:2008, table of Pt100: ohms at degrees Celsius.
#[test]
fn the_platinum_thermometer_has_the_resistance_of_the_standard_and_none_beyond_it() {
    let sensor = Sensor::new(&SensorModel::Platinum).unwrap();
    for (celsius, ohm) in
        [(-200.0, 18.52), (-100.0, 60.26), (0.0, 100.0), (20.0, 107.79), (100.0, 138.51), (850.0, 390.48)]
    {
        let found = sensor.ohm(celsius + 273.15).unwrap();
        assert!((found - ohm).abs() < 0.006, "{celsius} °C: {found}");
    }
    assert_eq!((sensor.ohm(72.0), sensor.ohm(1125.0)), (None, None));
}

#[test]
fn a_thermometer_of_a_table_has_its_points_and_none_beyond_them() {
    let table = SensorModel::Table(vec![(4.0, 9000.0), (20.0, 2000.0), (300.0, 60.0)]);
    let sensor = Sensor::new(&table).unwrap();
    assert!((sensor.ohm(20.0).unwrap() - 2000.0).abs() < 1e-9);
    assert!((2000.0..9000.0).contains(&sensor.ohm(10.0).unwrap()));
    assert_eq!((sensor.ohm(3.9), sensor.ohm(300.1)), (None, None));
    let cold = CryostatModel { sensor: table, bath_k: 4.2, start_k: 295.0, ..CryostatModel::default() };
    let mut it = cryostat(&cold);
    it.advance(3600.0 * 4.0);
    assert!((it.shown_k().unwrap() - 4.2).abs() < 0.05, "{:?}", it.shown_k());
    let platinum = CryostatModel { sensor: SensorModel::Platinum, ..cold };
    let mut it = cryostat(&platinum);
    it.advance(3600.0 * 4.0);
    assert_eq!((it.shown_k(), it.ohm()), (None, None));
}

#[test]
fn the_controller_reaches_a_temperature_holds_it_and_needs_the_power_that_the_bath_takes() {
    let model = noiseless();
    let mut it = heading(&model, 150.0, 5.0);
    let whole = watch(&mut it, 0.0, 5000.0);
    // Ramped down, 145 K at 5 K/min take 29 min; the sample hangs behind.
    assert!(whole[20 * 60] > 190.0 && whole[40 * 60] < 151.0, "{} {}", whole[1200], whole[2400]);
    assert!(150.0 - least(&whole) < 0.7, "undershoot to {}", least(&whole));
    let held = watch(&mut it, 5000.0, 5600.0);
    assert!(most(&held) - least(&held) < 2e-3, "{} to {}", least(&held), most(&held));
    // Gs (T1 - T2) = Gl (T2 - Tb): the sample is 73 K x 5e-6 / 0.2 below the stage.
    let last = it.temperatures(5600.0);
    assert!((last.stage - 150.0).abs() < 1e-3, "{last:?}");
    assert!((last.stage - last.sample - 73.0 * 5e-6 / 0.2).abs() < 1e-4, "{last:?}");
    // 73 K over 0.1 W/K, of 50 W.
    let expected = 100.0 * (73.0 * 0.1 + 73.0 * 5e-6) / 50.0;
    assert!((it.heater_percent() - expected).abs() < 0.01, "{}", it.heater_percent());
    assert!(!it.is_ramping() && it.is_on());
    assert_eq!(it.take_told(), []);
}

#[test]
fn the_set_point_arrives_long_before_the_temperature_is_stable() {
    let mut it = heading(&noiseless(), 290.0, 10.0);
    // 5 K at 10 K/min: 30 s, and one look.
    it.advance(29.0);
    assert!(it.is_ramping());
    it.advance(30.3);
    assert!(!it.is_ramping());
    let arrived = it.temperatures(30.3).sample;
    assert!((arrived - 290.0).abs() > 0.3, "{arrived}");
    let later = watch(&mut it, 30.0, 1500.0);
    assert!((later[1400] - 290.0).abs() < 0.03, "{}", later[1400]);
}

#[test]
fn a_heater_at_its_limit_limits_the_ramp_and_does_not_wind_up() {
    // At full power it goes to 77 K + 23.3 W / 0.1 W/K = 310 K by the 510 s of both heat capacities on the bath.
    let model = CryostatModel { heater_w: 23.3, ..noiseless() };
    let mut it = heading(&model, 305.0, 10.0);
    let rising = watch(&mut it, 0.0, 400.0);
    let left = (310.0 - rising[300]) / (310.0 - rising[200]);
    assert!((left / (-100.0_f64 / 510.0).exp() - 1.0).abs() < 1e-3, "{left}");
    assert_eq!(it.heater_percent(), 100.0);
    let held = watch(&mut it, 400.0, 6000.0);
    assert!(most(&held) < 305.5, "overshoot to {}", most(&held));
    assert!((held[5500] - 305.0).abs() < 0.02, "{}", held[5500]);
    // Beyond what it can hold, 77 K + 23.3 W / 0.1 W/K: it stays below, at full power.
    let mut it = heading(&model, 329.0, 10.0);
    let whole = watch(&mut it, 0.0, 9000.0);
    assert!((whole[9000] - (77.0 + 23.3 / 0.1)).abs() < 0.05, "{}", whole[9000]);
    assert_eq!((it.heater_percent(), it.is_ramping()), (100.0, false));
}

#[test]
fn the_bath_limits_how_fast_it_cools() {
    let mut it = heading(&noiseless(), 85.0, 100.0);
    let whole = watch(&mut it, 0.0, 4000.0);
    let arrived = whole.iter().position(|&kelvin| kelvin < 86.0).unwrap() as f64;
    // One pole alone, of both heat capacities: tau ln((295 - 77)/(86 - 77)); the sample is 5 s behind.
    let tau = 51.0 / 0.1;
    let alone = tau * (218.0_f64 / 9.0).ln();
    assert!((arrived / alone - 1.0).abs() < 0.02, "{arrived} s, {alone} s");
}

#[test]
fn a_controller_that_is_badly_tuned_overshoots_and_rings() {
    let overshoot = |fault: Option<CryostatFault>| {
        let mut it = heading(&noiseless(), 310.0, 10.0);
        if let Some(fault) = fault {
            it.fail(fault);
        }
        most(&watch(&mut it, 0.0, 1500.0)) - 310.0
    };
    let well = overshoot(None);
    let sluggish = overshoot(Some(CryostatFault::Detuned { gain: 0.1, integral: 0.1, lag_s: 0.0 }));
    assert!((0.2..1.0).contains(&well) && sluggish > 5.0, "{well} {sluggish}");
    // 5 W/K on 51 J/K cross over at 0.1/s, where a lag of 60 s takes 81 of the 90 degrees that are left.
    let mut it = heading(&noiseless(), 310.0, 10.0);
    it.fail(CryostatFault::Detuned { gain: 1.0, integral: 1.0, lag_s: 60.0 });
    let late = watch(&mut it, 3600.0, 4200.0);
    assert!(most(&late) - least(&late) > 1.0, "{} to {}", least(&late), most(&late));
    it.mend();
    let mended = watch(&mut it, 8000.0, 8600.0);
    assert!(most(&mended) - least(&mended) < 0.01, "{} to {}", least(&mended), most(&mended));
}

// -gain x derivative time x dT/dt is a heat capacity: 2 W/K x 10 s are 20 J/K on the stage.
#[test]
fn a_derivative_of_what_is_measured_acts_as_heat_capacity() {
    let with = |derivative_s, stage_j_per_k| {
        let pid = PidModel { gain_w_per_k: Some(2.0), integral_s: Some(8.0), derivative_s, cadence_s: 0.01 };
        let mut it = heading(&CryostatModel { pid, stage_j_per_k, ..noiseless() }, 300.0, 10.0);
        // Until the power that the bath takes is found, the heater is at its lower limit, where nothing acts.
        watch(&mut it, 0.0, 1500.0);
        it.set_target(290.0);
        watch(&mut it, 1500.0, 1900.0)
    };
    let (derivative, heavy, light) = (with(10.0, 50.0), with(0.0, 70.0), with(0.0, 50.0));
    let apart = |a: &[f64], b: &[f64]| most(&a.iter().zip(b).map(|(a, b)| (a - b).abs()).collect::<Vec<_>>());
    assert!(apart(&derivative, &heavy) < 0.01, "{}", apart(&derivative, &heavy));
    assert!(apart(&derivative, &light) > 0.1, "{}", apart(&derivative, &light));
}

#[test]
fn faults_stall_jump_stick_and_break_and_the_controller_knows_only_some() {
    let model = CryostatModel::default();
    let settled = || {
        let mut it = heading(&model, 300.0, 10.0);
        it.advance(2000.0);
        it
    };
    let mut it = settled();
    it.fail(CryostatFault::HeaterBroken);
    it.advance(2600.0);
    // It falls by the bath's 500 s, while the controller gives all it can.
    assert!(it.temperatures(2600.0).sample < 240.0 && it.heater_percent() == 100.0);

    let mut it = settled();
    it.fail(CryostatFault::SensorJumps(3.0));
    it.advance(2000.2);
    assert!((it.shown_k().unwrap() - 303.0).abs() < 0.05, "{:?}", it.shown_k());
    it.advance(4000.0);
    assert!(
        (it.shown_k().unwrap() - 300.0).abs() < 0.05 && (it.temperatures(4000.0).sample - 297.0).abs() < 0.05
    );

    let mut it = settled();
    it.set_target(310.0);
    it.advance(2010.0);
    it.fail(CryostatFault::SensorSticks);
    let shown = it.shown_k();
    it.advance(2200.0);
    assert!(it.shown_k() == shown && it.temperatures(2200.0).sample > 312.0, "{:?}", it.temperatures(2200.0));

    let mut it = settled();
    it.fail(CryostatFault::SensorBroken);
    it.advance(2001.0);
    assert_eq!((it.shown_k(), it.ohm(), it.heater_percent()), (None, None, 0.0));

    let mut it = settled();
    it.fail(CryostatFault::BathAt(299.5));
    it.set_target(290.0);
    it.advance(9000.0);
    assert!((it.temperatures(9000.0).sample - 299.5).abs() < 0.01, "{:?}", it.temperatures(9000.0));

    let mut it = settled();
    it.fail(CryostatFault::Trips);
    it.set_heater(true);
    it.advance(2300.0);
    assert!(it.has_tripped() && !it.is_on() && it.temperatures(2300.0).sample < 260.0);
    it.clear_trip();
    it.set_heater(true);
    it.advance(4000.0);
    assert!((it.temperatures(4000.0).sample - 300.0).abs() < 0.1);
}

#[test]
fn heat_and_haste_beyond_the_limits_are_told_once_and_the_controller_trips_at_last() {
    let mut it = heading(&noiseless(), 331.5, 10.0);
    it.advance(1000.0);
    it.set_target(300.0);
    it.advance(2000.0);
    it.set_target(332.0);
    it.advance(3000.0);
    let told = it.take_told();
    let kinds: Vec<ComplaintKind> = told.iter().map(|told| told.kind).collect();
    assert_eq!(kinds, [ComplaintKind::OverTemperature; 2], "{told:?}");
    let mut it = heading(&noiseless(), 300.0, 10.1);
    it.advance(1.0);
    assert_eq!(it.take_told()[0].kind, ComplaintKind::RampTooFast(Role::TemperatureController));
    it.set_target(350.0);
    it.advance(2000.0);
    assert!(it.has_tripped() && it.heater_percent() == 0.0);
}

#[test]
fn who_asks_what_in_between_changes_nothing() {
    let model = CryostatModel::default();
    let (mut asked, mut alone) = (heading(&model, 240.0, 3.0), heading(&model, 240.0, 3.0));
    let mut time = 0.0;
    while time < 500.0 {
        time += 0.037;
        asked.advance(time);
        let _ = (asked.temperatures(time), asked.shown_k(), asked.heater_percent());
    }
    alone.advance(time);
    assert_eq!(asked.temperatures(time), alone.temperatures(time));
    assert_eq!(asked.shown_k(), alone.shown_k());
    let mut other = Cryostat::new(&model, LIMITS, 0.0, 8).unwrap();
    other.advance(time);
    assert_ne!(other.shown_k(), alone.shown_k());
}

#[test]
fn the_thermometer_has_the_noise_and_the_digits_of_its_document() {
    let model =
        CryostatModel { noise_k: 5e-3, resolution_k: 2e-3, bath_k: 295.0, ..CryostatModel::default() };
    let mut it = cryostat(&model);
    let mut shown = Vec::new();
    for k in 1..=4000 {
        it.advance(f64::from(k) * 0.1);
        shown.push(it.shown_k().unwrap());
    }
    let count = shown.len() as f64;
    let mean = shown.iter().sum::<f64>() / count;
    let sd = (shown.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt();
    // 5 mK, and 2 mK/sqrt(12) of the digits; 4000 draws tell a standard deviation to 1.1 %.
    assert!((mean - 295.0).abs() < 4e-4 && (sd / 5.033e-3 - 1.0).abs() < 0.05, "{mean} {sd}");
    assert!(shown.iter().all(|x| ((x / 2e-3).round() * 2e-3 - x).abs() < 1e-9));
}
