//! Temperature controller and magnet supply as golden strings, written from IEEE 488.2, SCPI-1999 (from memory) and the
//! table of commands in docs/simulated-bench.md, not from our encoder; and what the sample has of them.

use crate::testing::{Dialects, film, ring, surrounded};
use crate::{ComplaintKind, CryostatFault, MagnetFault, Options, SimulatedBench, SimulationError};
use quadrille_documents::Role::{self, CurrentSource, FieldSource, TemperatureController};
use quadrille_quantity::Tesla;
use std::time::Duration;

fn simulated() -> SimulatedBench {
    let dialects = Dialects::ideal();
    let sample = ring(1e4, 1.5e4, 2.2e4, 3.3e4);
    SimulatedBench::new(&surrounded(), |role| dialects.of(role), &[&sample], Options::default()).unwrap()
}

fn in_virtual_time<T>(work: impl Future<Output = T>) -> T {
    let mut builder = tokio::runtime::Builder::new_current_thread();
    builder.enable_time().start_paused(true).build().unwrap().block_on(work)
}

async fn ask(bench: &SimulatedBench, role: Role, message: &str) -> String {
    let answer = bench.carry_out(role, message.as_bytes()).await;
    String::from_utf8(answer.unwrap_or_default()).unwrap().trim_end_matches('\n').to_owned()
}

async fn number(bench: &SimulatedBench, role: Role, message: &str) -> f64 {
    ask(bench, role, message).await.parse().unwrap()
}

async fn pass(seconds: f64) {
    tokio::time::sleep(Duration::from_secs_f64(seconds)).await;
}

/// Messages with the response message each must have, on a fresh bench in virtual time.
#[track_caller]
fn check(role: Role, exchanges: &[(&str, &str)]) {
    let bench = simulated();
    in_virtual_time(async {
        for (message, expected) in exchanges {
            assert_eq!(ask(&bench, role, message).await, *expected, "{message}");
        }
    });
}

const NO_ERROR: (&str, &str) = ("SYST:ERR?", "0,\"No error\"");

#[test]
fn they_say_who_they_are_and_carry_out_what_the_standards_require() {
    let version = env!("CARGO_PKG_VERSION");
    for (role, name) in [
        (TemperatureController, "QUADRILLE,VIRTUAL TEMPERATURE CONTROLLER,SIM-5"),
        (FieldSource, "QUADRILLE,VIRTUAL FIELD SOURCE,SIM-6"),
    ] {
        check(
            role,
            &[
                ("*IDN?", format!("{name},{version}").as_str()),
                ("*CLS;*OPC?", "1"),
                ("*ESE 32;*ESE?;*SRE 255;*SRE?", "32;191"),
                ("SYSTem:VERSion?", "1999.0"),
                ("STATus:OPERation:CONDition?;:STATus:QUEStionable:CONDition?", "0;0"),
                NO_ERROR,
            ],
        );
    }
}

#[test]
fn the_controller_keeps_its_settings_and_refuses_others() {
    check(
        TemperatureController,
        &[
            (":SOURce:TEMPerature:SPOint 150;SPOint?", "1.5E+02"),
            ("TEMP:SPO 77.35 K;SPO?;SPO? MIN;SPO? MAX;SPO? DEF", "7.735E+01;1.0E-01;1.5E+03;2.95E+02"),
            ("sour:temp:ramp 2.5;ramp?", "2.5E+00"),
            (":OUTPut:STATe?;STATe ON;STATe?;:OUTP OFF;:OUTP?", "0;1;0"),
            NO_ERROR,
            ("TEMP:SPO 0.05", ""),
            ("TEMP:RAMP 101;:TEMP:RAMP?", "2.5E+00"),
            ("SYST:ERR?", "-222,\"Data out of range;0.05\""),
            ("SYST:ERR?", "-222,\"Data out of range;101\""),
            ("TEMP:SPO 3 V", ""),
            ("SYST:ERR?", "-131,\"Invalid suffix;V\""),
            ("*RST;:TEMP:SPO?;RAMP?;:OUTP?", "2.95E+02;1.0E+00;0"),
            ("OUTP:POW?", "0.000000000E+00"),
            // As at the last look at the thermometer, at 0 s.
            ("MEASure:TEMPerature?", "2.950000000E+02"),
            NO_ERROR,
        ],
    );
}

#[test]
fn the_supply_keeps_its_settings_and_refuses_others() {
    check(
        FieldSource,
        &[
            (":SOURce:FIELd -0.45;FIELd?", "-4.5E-01"),
            ("FIEL 300 MT;FIEL?", "3.0E-01"),
            ("FIEL:RAMP 0.02;RAMP?", "2.0E-02"),
            ("FIEL:STAR", ""),
            ("SYST:ERR?", "-221,\"Settings conflict;the output is off\""),
            (":OUTPut:STATe ON;STATe?", "1"),
            ("FIEL:HOLD;STAR", ""),
            NO_ERROR,
            ("FIEL 1.9", ""),
            ("SYST:ERR?", "-222,\"Data out of range;1.9\""),
        ],
    );
}

#[test]
fn a_temperature_is_gone_to_and_the_sample_follows_behind_the_thermometer() {
    let bench = simulated();
    in_virtual_time(async {
        let it = TemperatureController;
        ask(&bench, it, ":SOUR:TEMP:RAMP 10;SPO 310;:OUTP ON").await;
        pass(60.0).await;
        assert_eq!(ask(&bench, it, "STAT:OPER:COND?").await, "8");
        let (shown, (sample, _)) = (number(&bench, it, "MEAS:TEMP?").await, bench.surroundings());
        // 5 s of lag at 10 K/min are 0.8 K.
        assert!((0.6..1.3).contains(&(shown - sample.0)), "{shown} {sample}");
        pass(1200.0).await;
        assert_eq!(ask(&bench, it, "STAT:OPER:COND?").await, "0");
        let shown = number(&bench, it, "MEAS:TEMP?").await;
        assert!((shown - 310.0).abs() < 1e-3, "{shown}");
        // IEC 60751:2008 at 36.85 °C: 100 (1 + 3.9083e-3 t - 5.775e-7 t^2).
        let ohm = number(&bench, it, "MEAS:RES?").await;
        assert!((ohm - 114.3237).abs() < 1e-3, "{ohm}");
        // (310 - 77) K x 0.1 W/K of 50 W.
        let percent = number(&bench, it, "OUTP:POW?").await;
        assert!((percent - 46.6).abs() < 0.05, "{percent}");
        assert_eq!(ask(&bench, it, "SYST:ERR?").await, "0,\"No error\"");
    });
    assert_eq!(bench.complaints(), []);
    assert_eq!(bench.left_on(), [ComplaintKind::HeaterLeftOn]);
}

#[test]
fn a_field_is_gone_to_held_and_left_with_its_remanence() {
    let bench = simulated();
    in_virtual_time(async {
        let it = FieldSource;
        ask(&bench, it, "FIEL:RAMP 0.03;:FIEL 0.6;:OUTP ON;:FIEL:STAR").await;
        pass(10.0).await;
        assert_eq!(ask(&bench, it, "STAT:OPER:COND?").await, "8");
        pass(11.0).await;
        assert_eq!(ask(&bench, it, "STAT:OPER:COND?;:STAT:QUES:COND?").await, "0;0");
        // Iron that came up from nothing lags by its remanence; 20 A.
        assert!((number(&bench, it, "MEAS:FIEL?").await - 0.597).abs() < 1e-9);
        assert_eq!(ask(&bench, it, "MEAS:CURR?").await, "2.000000000E+01");
        assert!((bench.surroundings().1.0 - 0.597).abs() < 1e-9);
        assert_eq!(bench.left_on(), [ComplaintKind::FieldLeftOn]);
        ask(&bench, it, "FIEL 0;:FIEL:STAR").await;
        assert_eq!(bench.left_on(), []);
        pass(5.0).await;
        ask(&bench, it, "FIEL:HOLD").await;
        let held = number(&bench, it, "MEAS:FIEL?").await;
        assert!((0.4..0.5).contains(&held), "{held}");
        pass(100.0).await;
        assert_eq!(number(&bench, it, "MEAS:FIEL?").await, held);
        ask(&bench, it, "FIEL:STAR").await;
        pass(30.0).await;
        assert!((number(&bench, it, "MEAS:FIEL?").await - 3e-3).abs() < 1e-9);
        ask(&bench, it, "OUTP OFF").await;
        assert_eq!(ask(&bench, it, "SYST:ERR?").await, "0,\"No error\"");
    });
    assert_eq!(bench.complaints(), []);
}

#[test]
fn a_supply_that_is_reset_comes_down_by_its_ramp_and_is_off_then() {
    let bench = simulated();
    in_virtual_time(async {
        ask(&bench, FieldSource, "FIEL:RAMP 0.05;:FIEL 0.6;:OUTP ON;:FIEL:STAR").await;
        pass(20.0).await;
        assert_eq!(ask(&bench, FieldSource, "*RST;:OUTP?").await, "1");
        pass(100.0).await;
        let half_way = number(&bench, FieldSource, "MEAS:CURR?").await;
        // 1 mT/s after power on: 20 A less 3.3 A in 100 s.
        assert!((half_way - 16.667).abs() < 0.01, "{half_way}");
        pass(600.0).await;
        assert_eq!(ask(&bench, FieldSource, "OUTP?;:MEAS:CURR?").await, "0;0.000000000E+00");
    });
    assert_eq!(bench.complaints(), []);
}

#[test]
fn what_hardware_would_punish_is_complained_of() {
    let bench = simulated();
    let kinds = |bench: &SimulatedBench| bench.complaints().iter().map(|one| one.kind).collect::<Vec<_>>();
    in_virtual_time(async {
        ask(&bench, FieldSource, "FIEL:RAMP 0.06;:FIEL 0.6;:OUTP ON;:FIEL:STAR").await;
        pass(20.0).await;
        ask(&bench, FieldSource, "OUTP OFF").await;
        assert_eq!(kinds(&bench), [ComplaintKind::RampTooFast(FieldSource), ComplaintKind::MagnetOpened]);
        ask(&bench, TemperatureController, "TEMP:RAMP 20;SPO 335;:OUTP ON").await;
        pass(900.0).await;
        let expected = [ComplaintKind::RampTooFast(TemperatureController), ComplaintKind::OverTemperature];
        assert_eq!(kinds(&bench)[2..], expected);
    });
    let text = bench.complaints()[1].to_string();
    assert!(text.contains("magnet's circuit opened") && text.contains("400.000 J"), "{text}");
}

#[test]
fn faults_show_in_status_and_readings() {
    let bench = simulated();
    in_virtual_time(async {
        ask(&bench, TemperatureController, "OUTP ON").await;
        assert!(bench.fail_cryostat(CryostatFault::SensorBroken));
        pass(0.3).await;
        assert_eq!(ask(&bench, TemperatureController, "MEAS:TEMP?;:STAT:QUES:COND?").await, "9.91E+37;16");
        assert!(bench.mend_cryostat() && bench.fail_cryostat(CryostatFault::Trips));
        pass(0.3).await;
        assert_eq!(ask(&bench, TemperatureController, "STAT:QUES:COND?;:OUTP?").await, "512;0");
        ask(&bench, TemperatureController, "OUTP ON").await;
        assert_eq!(
            ask(&bench, TemperatureController, "SYST:ERR?").await,
            "-221,\"Settings conflict;it has tripped\""
        );
        assert_eq!(
            ask(&bench, TemperatureController, "OUTP:PROT:CLE;:OUTP ON;:OUTP?;:STAT:QUES:COND?").await,
            "1;0"
        );
        ask(&bench, FieldSource, "FIEL:RAMP 0.05;:FIEL 0.6;:OUTP ON;:FIEL:STAR").await;
        pass(30.0).await;
        assert!(bench.fail_magnet(MagnetFault::Trips));
        pass(1.0).await;
        assert_eq!(ask(&bench, FieldSource, "STAT:QUES:COND?;:STAT:OPER:COND?").await, "512;0");
        ask(&bench, FieldSource, "FIEL:STAR").await;
        assert_eq!(ask(&bench, FieldSource, "SYST:ERR?").await, "-221,\"Settings conflict;it has tripped\"");
        pass(60.0).await;
        ask(&bench, FieldSource, "OUTP:PROT:CLE;:FIEL:STAR").await;
        bench.fail_magnet(MagnetFault::RampStalls);
        pass(100.0).await;
        assert_eq!(ask(&bench, FieldSource, "STAT:QUES:COND?;:STAT:OPER:COND?").await, "0;8");
        assert!(number(&bench, FieldSource, "MEAS:FIEL?").await.abs() < 0.1);
    });
    assert_eq!(bench.complaints(), []);
}

#[test]
fn the_field_of_a_bench_with_a_magnet_is_the_magnets_and_a_films_hall_voltage_follows_it() {
    let dialects = Dialects::ideal();
    let bench =
        SimulatedBench::new(&surrounded(), |role| dialects.of(role), &[&film()], Options::default()).unwrap();
    let hall = in_virtual_time(async {
        assert_eq!(bench.set_field(Tesla(0.1)), Err(SimulationError::Driven));
        let matrix = Role::SwitchMatrix;
        // Rows 3, 1, 4, 2 are source, return, sense high and low; current 1 to 3, voltage from 2 to 4.
        ask(&bench, matrix, "CLOS (@3!11,1!13,4!12,2!14)").await;
        ask(&bench, Role::Ammeter, "INP ON").await;
        ask(&bench, CurrentSource, "CURR:RANG 1e-3;:VOLT:LIM 20;:CURR 1e-4;:OUTP ON").await;
        ask(&bench, FieldSource, "FIEL:RAMP 0.05;:OUTP ON").await;
        let mut volts = Vec::new();
        for field in ["0.9", "-0.9"] {
            ask(&bench, FieldSource, &format!("FIEL {field};:FIEL:STAR")).await;
            pass(60.0).await;
            volts.push((
                number(&bench, Role::Voltmeter, "READ?").await,
                number(&bench, FieldSource, "MEAS:FIEL?").await,
            ));
        }
        ask(&bench, CurrentSource, "CURR 0;:OUTP OFF").await;
        (volts[0].0 - volts[1].0) / (volts[0].1 - volts[1].1)
    });
    let Some(quadrille_documents::Model::Film(film)) = film().model else { panic!() };
    // Current is 1e-4 A; the sign is that of the terminals' order.
    assert!((hall.abs() / 1e-4 / film.hall_ohm_per_t.abs() - 1.0).abs() < 1e-3, "{hall}");
    assert_eq!(bench.complaints(), []);
}

#[test]
fn a_night_of_twelve_hours_is_the_same_every_time() {
    let night = || {
        let mut bench = surrounded();
        bench.plants.cryostat.noise_k = 2e-3;
        let dialects = Dialects::new();
        let sample = ring(1e4, 1.5e4, 2.2e4, 3.3e4);
        let bench =
            SimulatedBench::new(&bench, |role| dialects.of(role), &[&sample], Options::default()).unwrap();
        in_virtual_time(async {
            ask(&bench, TemperatureController, "TEMP:SPO 90;RAMP 1;:OUTP ON").await;
            pass(43_200.0).await;
            ask(&bench, TemperatureController, "MEAS:TEMP?").await
        })
    };
    let shown = night();
    assert!((shown.parse::<f64>().unwrap() - 90.0).abs() < 0.05, "{shown}");
    assert_eq!(night(), shown);
}
