//! What cryostat and magnet are told, line by line, and what is said when they fail. The lines are written by hand from
//! the comments of the shipped dialects and IEEE 488.2 (from memory), never taken from a driver.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_documents::{Cryostat, Dialect, Magnet, dialect};
use quadrille_drivers::{FieldDriver, TemperatureDriver};
use quadrille_instruments::{
    ErrorKind, FieldSource, FieldState, Instrument, MeterValue, TemperatureController, ThermalState,
};
use quadrille_quantity::{Kelvin, Tesla};
use support::{ERRORS, Peer, Reply, fails, line, shipped};

const COMPLETE: &str = "*OPC?";
const OPENING: [&str; 4] = ["*ESE 1;*ESE?", "*ESE 2;*ESE?", "*ESE 0", ERRORS];

const OPERATION: &str = ":STATus:OPERation:CONDition?";
const QUESTIONABLE: &str = ":STATus:QUEStionable:CONDition?";

#[track_caller]
fn said(peer: &Peer, expected: &[&str]) {
    let received = peer.received();
    let received: Vec<&str> = received.iter().map(String::as_str).collect();
    assert_eq!(received.strip_prefix(&OPENING).unwrap_or(&received), expected);
}

fn temperature(peer: &Peer) -> TemperatureDriver {
    let limits = Cryostat { lowest_k: 80.0, highest_k: 320.0, most_ramp_k_per_min: 5.0 };
    TemperatureDriver::new(peer.session(shipped("temperature-controller")), limits)
}

const MAGNET: Magnet = Magnet { field_t_per_a: 0.03, most_field_t: 1.2, most_ramp_t_per_s: 0.02 };

fn field(peer: &Peer) -> FieldDriver {
    FieldDriver::new(peer.session(shipped("field-source")), MAGNET)
}

/// A supply that speaks amperes and minutes, goes as soon as it is set, and says when it is done.
fn in_amperes() -> Dialect {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/dialects/field-source.toml");
    let text = std::fs::read_to_string(path)
        .unwrap()
        .replace(":SOURce:FIELd {field_t}", "ISET {magnet_current_a}")
        .replace(":SOURce:FIELd:RAMP {ramp_t_per_s}", "RATE {ramp_a_per_min}")
        .replace("start_ramp = \":SOURce:FIELd:STARt\"\n", "")
        .replace("ramping_bit = 3", "ramping_bit = 0\nramping_is_zero = true\ntarget_step = 1e-3");
    dialect("amperes.toml", &text).unwrap()
}

#[tokio::test(start_paused = true)]
async fn a_run_leaves_cryostat_and_magnet_as_it_finds_them() {
    let peer = Peer::new(&[("*IDN?", "AN,INVENTED ONE,1,2")]);
    assert_eq!(temperature(&peer).prepare().await.unwrap(), "AN,INVENTED ONE,1,2");
    said(&peer, &["*IDN?", ERRORS, "*CLS", COMPLETE, ERRORS]);
    assert_eq!(field(&peer).prepare().await.unwrap(), "AN,INVENTED ONE,1,2");
    said(&peer, &["*IDN?", ERRORS, "*CLS", COMPLETE, ERRORS]);
}

#[tokio::test(start_paused = true)]
async fn ramp_target_and_heater_are_set_completed_and_read_back() {
    let peer = Peer::new(&[
        (":SOURce:TEMPerature:RAMP?", "2.5"),
        (":SOURce:TEMPerature:SPOint?", "+1.405E+02"),
        (":OUTPut:STATe?", "1"),
    ]);
    let mut it = temperature(&peer);
    it.set_ramp(2.5).await.unwrap();
    said(&peer, &[":SOURce:TEMPerature:RAMP 2.5", COMPLETE, ":SOURce:TEMPerature:RAMP?", ERRORS]);
    it.set_target(Kelvin(140.5)).await.unwrap();
    said(&peer, &[":SOURce:TEMPerature:SPOint 140.5", COMPLETE, ":SOURce:TEMPerature:SPOint?", ERRORS]);
    it.set_heater(true).await.unwrap();
    said(&peer, &[":OUTPut:STATe ON", COMPLETE, ":OUTPut:STATe?", ERRORS]);
    fails(it.set_target(Kelvin(141.0)).await, ErrorKind::ReadBack, &["1.41e2", "1.405e2"]);
    peer.received();
    fails(it.rest().await, ErrorKind::ReadBack, &["switch its heater off", "reads back 1"]);
    said(&peer, &[":OUTPut:STATe OFF", COMPLETE, ":OUTPut:STATe?", ERRORS]);
}

#[tokio::test(start_paused = true)]
async fn what_the_cryostat_does_not_bear_is_never_said() {
    let peer = Peer::new(&[]);
    let mut it = temperature(&peer);
    for kelvin in [79.9, 320.1, f64::NAN, f64::INFINITY, -1.0] {
        fails(it.set_target(Kelvin(kelvin)).await, ErrorKind::Unable, &["80 K to 320 K"]);
    }
    for ramp in [0.0, -1.0, 5.1, f64::NAN] {
        fails(it.set_ramp(ramp).await, ErrorKind::Unable, &["up to 5 K/min"]);
    }
    assert_eq!(peer.received(), Vec::<String>::new());
}

#[tokio::test(start_paused = true)]
async fn a_thermometer_answers_kelvins_or_why_it_has_none() {
    let peer = Peer::new(&[]);
    let mut it = temperature(&peer);
    for (answer, expected) in [
        ("+7.735000000E+01", MeterValue::Value(77.35)),
        ("9.9E37", MeterValue::Overload(1.0)),
        ("-9.9E37", MeterValue::Overload(-1.0)),
        ("9.91E37", MeterValue::NotANumber),
    ] {
        peer.answer(":MEASure:TEMPerature?", [line(answer)]);
        let sensed = it.temperature().await.unwrap();
        assert_eq!((sensed.value, sensed.text.as_str()), (expected, answer));
        // 50 mK of the dialect as the half-width of a rectangular distribution.
        assert!((sensed.own_u - 0.028_867_5).abs() < 1e-6 && sensed.gain_u == 0.0);
        said(&peer, &[":MEASure:TEMPerature?", ERRORS]);
    }
    peer.answer(":MEASure:TEMPerature?", [line("-3.0")]);
    fails(it.temperature().await, ErrorKind::Garbage, &["-3.0", "no temperature"]);
    peer.answer(":MEASure:TEMPerature?", [line("20 C")]);
    fails(it.temperature().await, ErrorKind::Garbage, &["20 C"]);
}

#[tokio::test(start_paused = true)]
async fn a_controller_says_what_it_is_doing() {
    let peer = Peer::new(&[]);
    let mut it = temperature(&peer);
    let off = ThermalState::Off;
    let tripped = ThermalState::Fault("it tripped at over-temperature and took the heater off".to_owned());
    for (questionable, heater, operation, power, expected, saturated) in [
        ("0", "1", "8", "35.5", ThermalState::Ramping, false),
        ("0", "1", "0", "100", ThermalState::Holding, true),
        // Other bits than the one that is meant: neither ramping nor a fault.
        ("8", "1", "16", "0", ThermalState::Holding, false),
        ("0", "0", "8", "0", off, false),
        ("512", "0", "0", "0", tripped, false),
    ] {
        for (question, answer) in [
            (QUESTIONABLE, questionable),
            (":OUTPut:STATe?", heater),
            (OPERATION, operation),
            (":OUTPut:POWer?", power),
        ] {
            peer.answer(question, [line(answer)]);
        }
        let status = it.status().await.unwrap();
        assert_eq!((&status.state, status.is_saturated()), (&expected, Some(saturated)));
        said(&peer, &[QUESTIONABLE, ":OUTPut:STATe?", OPERATION, ":OUTPut:POWer?", ERRORS]);
    }
    peer.answer(OPERATION, [line("8.5")]);
    fails(it.status().await, ErrorKind::Garbage, &["8.5 is no register"]);
}

#[tokio::test(start_paused = true)]
async fn a_field_is_gone_to_with_its_target_before_its_output() {
    let peer = Peer::new(&[(":SOURce:FIELd:RAMP?", "1.5e-2"), (":SOURce:FIELd?", "-0.45")]);
    peer.answer(":OUTPut:STATe?", [line("0"), line("1")]);
    let mut it = field(&peer);
    it.set_ramp(0.015).await.unwrap();
    said(&peer, &[":SOURce:FIELd:RAMP 0.015", COMPLETE, ":SOURce:FIELd:RAMP?", ERRORS]);
    it.go_to(Tesla(-0.45)).await.unwrap();
    let target = [":SOURce:FIELd -0.45", COMPLETE, ":SOURce:FIELd?", ERRORS, ":OUTPut:STATe?"];
    let output = [":OUTPut:STATe ON", COMPLETE, ":OUTPut:STATe?", ERRORS];
    let start = [":SOURce:FIELd:STARt", COMPLETE, ERRORS];
    said(&peer, &[&target[..], &output, &start].concat());
    it.go_to(Tesla(-0.45)).await.unwrap();
    said(&peer, &[&target[..], &start].concat());
    it.hold().await.unwrap();
    said(&peer, &[":SOURce:FIELd:HOLD", COMPLETE, ERRORS]);
}

#[tokio::test(start_paused = true)]
async fn a_supply_that_speaks_amperes_is_told_them_and_answers_in_them() {
    // 0.5 T by 0.03 T/A; 0.015 T/s are 30 A/min.
    let peer =
        Peer::new(&[(":SOURce:FIELd:RAMP?", "30"), (":SOURce:FIELd?", "16.667"), (":OUTPut:STATe?", "1")]);
    let mut it = FieldDriver::new(peer.session(in_amperes()), MAGNET);
    it.set_ramp(0.015).await.unwrap();
    said(&peer, &["RATE 30", COMPLETE, ":SOURce:FIELd:RAMP?", ERRORS]);
    it.go_to(Tesla(0.5)).await.unwrap();
    let received = peer.received();
    let (command, number) = received[0].split_once(' ').unwrap();
    assert_eq!(command, "ISET");
    assert!((number.parse::<f64>().unwrap() - 50.0 / 3.0).abs() < 1e-9, "{number}");
    assert_eq!(received[1..], [COMPLETE, ":SOURce:FIELd?", ERRORS, ":OUTPut:STATe?"]);
    // Rounded to 1 mA is right, 2 mA beside it is not.
    peer.answer(":SOURce:FIELd?", [line("16.669")]);
    fails(it.go_to(Tesla(0.5)).await, ErrorKind::ReadBack, &["1.6669e1"]);
    for (operation, expected) in [("0", FieldState::Ramping), ("1", FieldState::AtRest)] {
        peer.answer(OPERATION, [line(operation)]);
        peer.answer(QUESTIONABLE, [line("0")]);
        assert_eq!(it.state().await.unwrap(), expected);
    }
}

#[tokio::test(start_paused = true)]
async fn what_the_magnet_does_not_bear_is_never_said_and_nothing_ramps_unbounded() {
    let peer = Peer::new(&[]);
    let mut it = field(&peer);
    fails(it.go_to(Tesla(0.1)).await, ErrorKind::Unable, &["its ramp was not set"]);
    for tesla in [1.21, -1.21, f64::NAN, f64::NEG_INFINITY] {
        fails(it.go_to(Tesla(tesla)).await, ErrorKind::Unable, &["up to 1.2 T"]);
    }
    for ramp in [0.0, -0.01, 0.021, f64::NAN] {
        fails(it.set_ramp(ramp).await, ErrorKind::Unable, &["up to 0.02 T/s"]);
    }
    assert_eq!(peer.received(), Vec::<String>::new());
    peer.answer(":SOURce:FIELd:RAMP?", [line("5")]);
    fails(it.set_ramp(0.01).await, ErrorKind::ReadBack, &["1e-2", "5e0"]);
    fails(it.go_to(Tesla(0.1)).await, ErrorKind::Unable, &["its ramp was not set"]);
}

#[tokio::test(start_paused = true)]
async fn a_supply_comes_to_rest_by_its_ramp_and_its_output_is_never_switched_off() {
    let peer = Peer::new(&[(":SOURce:FIELd?", "0"), (":OUTPut:STATe?", "1")]);
    // No ramp was set by this run: the supply's own is good enough to come down.
    field(&peer).rest().await.unwrap();
    let down =
        [":SOURce:FIELd 0", COMPLETE, ":SOURce:FIELd?", ERRORS, ":SOURce:FIELd:STARt", COMPLETE, ERRORS];
    said(&peer, &[&[":OUTPut:STATe?"], &down[..]].concat());
    peer.answer(":OUTPut:STATe?", [line("0")]);
    field(&peer).rest().await.unwrap();
    said(&peer, &[":OUTPut:STATe?", ERRORS]);
    // Without an answer whether it is on, it is brought down all the same, and the failure is told.
    peer.answer(":OUTPut:STATe?", [Reply::Nothing]);
    fails(field(&peer).rest().await, ErrorKind::Silent, &["start its ramp to no current", ":OUTPut:STATe?"]);
    let received = peer.received();
    assert!(received.ends_with(&down.map(str::to_owned)), "{received:?}");
}

#[tokio::test(start_paused = true)]
async fn a_fault_of_the_supply_is_told_in_the_words_of_its_dialect() {
    let peer = Peer::new(&[(QUESTIONABLE, "513"), (OPERATION, "8")]);
    let expected = FieldState::Fault("the magnet quenched, or its supply tripped".to_owned());
    assert_eq!(field(&peer).state().await.unwrap(), expected);
    let mut bare = in_amperes();
    bare.fault_bits.clear();
    let mut it = FieldDriver::new(peer.session(bare), MAGNET);
    assert_eq!(it.state().await.unwrap(), FieldState::Fault("it reports fault 513".to_owned()));
}

#[tokio::test(start_paused = true)]
async fn a_probe_answers_teslas_with_the_uncertainty_of_its_dialect() {
    let peer = Peer::new(&[(":MEASure:FIELd?", "-4.512E-01")]);
    let sensed = field(&peer).field().await.unwrap();
    assert_eq!(sensed.value, MeterValue::Value(-0.4512));
    // 1e-3 of reading and 1e-4 T, half-widths of rectangular distributions.
    assert!((sensed.gain_u - 5.773_503e-4).abs() < 1e-9 && (sensed.own_u - 5.773_503e-5).abs() < 1e-10);
    said(&peer, &[":MEASure:FIELd?", ERRORS]);
    let peer = Peer::new(&[(":MEASure:FIELd?", "0.1"), (ERRORS, "-200,\"Execution error\"")]);
    peer.answer(ERRORS, [line("0,\"No error\""), line("-241,\"Hardware missing\""), line("0,\"No error\"")]);
    fails(field(&peer).field().await, ErrorKind::Rejected, &["read the field", "-241"]);
}
