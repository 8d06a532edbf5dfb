//! Sessions as golden strings, written from IEEE 488.2 and SCPI-1999 (from memory), not from our encoder.

use crate::testing::{Dialects, bench, ring};
use crate::{ComplaintKind, Options, SimulatedBench};
use quadrille_documents::Role::{self, Ammeter, CurrentSource, SwitchMatrix, Voltmeter};

fn simulated(dialects: &Dialects, options: Options) -> SimulatedBench {
    let sample = ring(1e4, 1.5e4, 2.2e4, 3.3e4);
    SimulatedBench::new(&bench(), |role| dialects.of(role), &[&sample], options).unwrap()
}

/// Messages with the response message each must have, on a fresh bench in virtual time.
#[track_caller]
fn check(role: Role, exchanges: &[(&str, &str)]) {
    let bench = simulated(&Dialects::ideal(), Options::default());
    in_virtual_time(async {
        for (message, expected) in exchanges {
            assert_eq!(ask(&bench, role, message).await, *expected, "{message}");
        }
    });
}

#[track_caller]
fn in_virtual_time<T>(work: impl Future<Output = T>) -> T {
    let mut builder = tokio::runtime::Builder::new_current_thread();
    builder.enable_time().start_paused(true).build().unwrap().block_on(work)
}

async fn ask(bench: &SimulatedBench, role: Role, message: &str) -> String {
    let answer = bench.carry_out(role, message.as_bytes()).await;
    String::from_utf8(answer.unwrap_or_default()).unwrap().trim_end_matches('\n').to_owned()
}

const NO_ERROR: (&str, &str) = ("SYST:ERR?", "0,\"No error\"");

#[test]
fn every_device_says_who_it_is() {
    let version = env!("CARGO_PKG_VERSION");
    let check = |role, expected: &str| check(role, &[("*IDN?", &format!("{expected},{version}"))]);
    check(CurrentSource, "QUADRILLE,VIRTUAL CURRENT SOURCE,SIM-1");
    check(Voltmeter, "QUADRILLE,VIRTUAL VOLTMETER,SIM-2");
    check(Ammeter, "QUADRILLE,VIRTUAL AMMETER,SIM-3");
    check(SwitchMatrix, "QUADRILLE,VIRTUAL SWITCH MATRIX,SIM-4");
}

#[test]
fn every_device_carries_out_what_the_standards_require() {
    for role in Role::NEEDED {
        check(
            role,
            &[
                ("*CLS;*OPC?", "1"),
                ("*ESR?", "0"),
                ("*ESE 32;*ESE?;*SRE 255;*SRE?", "32;191"),
                ("*OPC;*ESR?", "1"),
                // Message available, and the master summary of it.
                ("*TST?;*WAI;*STB?", "0;80"),
                ("SYSTem:VERSion?", "1999.0"),
                ("STATus:PRESet;:STAT:OPER:COND?;EVEN?;ENAB?", "0;0;0"),
                ("stat:ques:enab 1;enab?", "1"),
                ("*RST;*OPC?", "1"),
                NO_ERROR,
                ("NONSense", ""),
                ("*STB?", "100"),
                ("SYSTem:ERRor:COUNt?", "1"),
                ("SYSTem:ERRor:NEXT?", "-113,\"Undefined header;:NONSENSE\""),
                ("*ESR?", "32"),
                NO_ERROR,
            ],
        );
    }
}

#[test]
fn the_source_takes_long_and_short_forms_units_and_words() {
    check(
        CurrentSource,
        &[
            ("CURR?;:CURR:RANG?;:VOLT:LIM?;:OUTP?;:OUTP:GUAR?", "0.0E+00;1.0E-01;1.0E-03;0;0"),
            (":SOURce:CURRent:RANGe 100e-6;:SOURce:CURRent:RANGe?", "1.0E-03"),
            (":SOURce:CURRent:LEVel:IMMediate:AMPLitude 1e-4", ""),
            ("sour:curr:lev:imm:ampl?", "1.0E-04"),
            ("CURR -250 UA;CURR?", "-2.5E-04"),
            ("CURR MAX;CURR?;CURR MIN;CURR?;CURR DEF;CURR?", "1.0E-03;-1.0E-03;0.0E+00"),
            ("CURR? MAX;:CURR:RANG? MIN", "1.0E-03;1.0E-09"),
            ("SOUR:VOLT:LIM 500 MV;LIM?", "5.0E-01"),
            ("VOLT:LIM 2.5;:VOLT:LIM?", "2.5E+00"),
            ("OUTPut:STATe ON;STATe?", "1"),
            ("OUTP 0;:OUTP?", "0"),
            ("OUTP:GUAR ON;GUAR?", "1"),
            NO_ERROR,
            ("CURR 1e-4;:OUTP ON;*RST;:CURR?;:OUTP?;:OUTP:GUAR?;:VOLT:LIM?", "0.0E+00;0;0;1.0E-03"),
            NO_ERROR,
        ],
    );
}

#[test]
fn the_source_refuses_with_the_numbers_of_the_standard() {
    let refuse = |message: &str, error: &str| {
        check(CurrentSource, &[("CURR:RANG 1e-3", ""), (message, ""), ("SYST:ERR?", error), NO_ERROR])
    };
    refuse("CURR 2e-3", "-222,\"Data out of range;0.002\"");
    refuse("CURR 1 V", "-131,\"Invalid suffix;V\"");
    refuse("CURR", "-109,\"Missing parameter\"");
    refuse("CURR 1e-4,2", "-108,\"Parameter not allowed\"");
    refuse("CURR ON", "-224,\"Illegal parameter value;ON\"");
    refuse("CURR \"1\"", "-104,\"Data type error\"");
    refuse("CURR:RANG 1", "-222,\"Data out of range;1\"");
    refuse("CURR 5e-4;:CURR:RANG 1e-5", "-221,\"Settings conflict;the level is beyond the range\"");
    refuse("VOLT:LIM 1e6", "-222,\"Data out of range;1000000\"");
    refuse("VOLT:LIM 0", "-222,\"Data out of range;0\"");
    refuse("OUTP MAYBE", "-224,\"Illegal parameter value;MAYBE\"");
    refuse("CURRE 1", "-113,\"Undefined header;:CURRE\"");
    refuse("READ?", "-113,\"Undefined header;:READ?\"");
    refuse("\u{7f}\u{1}", "-101,\"Invalid character;0x7f\"");
}

#[test]
fn after_a_command_error_the_rest_of_a_message_is_left_and_after_an_execution_error_not() {
    check(
        CurrentSource,
        &[
            ("CURR:RANG 1e-3;:CURR 1;:CURR 2e-4;:CURR?", "2.0E-04"),
            ("SYST:ERR?", "-222,\"Data out of range;1\""),
            ("BLUR 1;:CURR 3e-4;:CURR?", ""),
            ("SYST:ERR?;:CURR?", "-113,\"Undefined header;:BLUR\";2.0E-04"),
            ("*IDN?;*OPC?", &format!("QUADRILLE,VIRTUAL CURRENT SOURCE,SIM-1,{}", env!("CARGO_PKG_VERSION"))),
            ("SYST:ERR?", "-440,\"Query UNTERMINATED after indefinite response\""),
        ],
    );
}

#[test]
fn the_matrix_closes_opens_and_lists() {
    check(
        SwitchMatrix,
        &[
            ("ROUT:CLOS:STAT?", "(@)"),
            ("ROUTe:CLOSe (@3!11,1!12,4!13,2!14)", ""),
            ("ROUTe:CLOSe:STATe?", "(@1!12,2!14,3!11,4!13)"),
            ("ROUT:CLOS? (@1!11,1!12,5!1)", "0,1,0"),
            ("ROUT:CLOS (@5!1);OPEN (@1!12,2!14);CLOS:STAT?", "(@3!11,4!13,5!1)"),
            ("ROUT:CLOS (@1!11:1!13);CLOS:STAT?", "(@1!11,1!12,1!13,3!11,4!13,5!1)"),
            ("ROUT:OPEN:ALL;:ROUT:CLOS:STAT?", "(@)"),
            NO_ERROR,
            ("ROUT:CLOS (@1!15)", ""),
            ("SYST:ERR?", "-222,\"Data out of range;1!15\""),
            ("ROUT:CLOS (@1!11,9!11);CLOS:STAT?", "(@)"),
            ("SYST:ERR?", "-222,\"Data out of range;9!11\""),
            ("ROUT:CLOS (@101)", ""),
            ("SYST:ERR?", "-222,\"Data out of range;(@101)\""),
            ("ROUT:CLOS 1!11", ""),
            ("SYST:ERR:COUN?", "1"),
        ],
    );
}

#[test]
fn the_meters_take_ranges_and_apertures() {
    check(
        Voltmeter,
        &[
            ("VOLT:RANG?;NPLC?", "1.0E+02;1.0E+00"),
            ("SENSe:VOLTage:DC:RANGe:UPPer 0.75;UPPer?", "1.0E+00"),
            ("SENS:VOLT:RANG 1 MV;RANG?;RANG MAX;RANG?;RANG MIN;RANG?", "1.0E-02;1.0E+02;1.0E-02"),
            ("SENS:VOLT:DC:NPLC 10;NPLC?;NPLC? MAX", "1.0E+01;1.0E+02"),
            ("VOLT:NPLC 0", ""),
            ("SYST:ERR?", "-222,\"Data out of range;0\""),
            ("VOLT:RANG 200", ""),
            ("SYST:ERR?", "-222,\"Data out of range;200\""),
            ("INP ON", ""),
            ("SYST:ERR?", "-113,\"Undefined header;:INP\""),
            ("FETC?", ""),
            ("SYST:ERR?", "-230,\"Data corrupt or stale\""),
        ],
    );
    check(
        Ammeter,
        &[
            ("INPut:STATe?;:INP ON;:INP?", "0;1"),
            (":SENSe:CURRent:DC:RANGe:UPPer 100 UA;UPPer?", "1.0E-03"),
            ("CURR:NPLC 0.5;NPLC?", "5.0E-01"),
            ("*RST;:INP?;:CURR:RANG?;NPLC?", "0;1.0E-01;1.0E+00"),
            NO_ERROR,
        ],
    );
}

/// The bench measures 12,43 of the ring with 100 µA.
async fn connect(bench: &SimulatedBench) {
    ask(bench, SwitchMatrix, "ROUT:CLOS (@3!11,1!12,4!14,2!13)").await;
    ask(bench, Ammeter, "CURR:RANG 1e-3;:INP ON").await;
    ask(bench, Voltmeter, "VOLT:RANG 1").await;
    ask(bench, CurrentSource, "CURR:RANG 1e-4;:VOLT:LIM 10;:CURR 1e-4;:OUTP ON").await;
}

fn number(text: &str) -> f64 {
    text.parse().unwrap_or_else(|_| panic!("{text:?} is no number"))
}

#[test]
fn a_reading_is_the_voltage_of_the_ring_and_takes_its_aperture() {
    let bench = simulated(&Dialects::ideal(), Options::default());
    in_virtual_time(async {
        connect(&bench).await;
        tokio::time::sleep(std::time::Duration::from_millis(100)).await;
        let began = bench.now_s();
        let volt = number(&ask(&bench, Voltmeter, "READ?").await);
        // Of a ring: 100 µA x 10 kohm x 22 kohm / 80 kohm = 0.275 V.
        assert!((volt / 0.275 - 1.0).abs() < 1e-5, "{volt}");
        assert!((bench.now_s() - began - 0.020).abs() < 1.1e-3, "one cycle of 50 Hz");
        let ampere = number(&ask(&bench, Ammeter, "CURR:NPLC 5;:READ?").await);
        assert!((ampere / 1e-4 - 1.0).abs() < 1e-5, "{ampere}");
        assert_eq!(ask(&bench, Ammeter, "FETC?").await, ask(&bench, Ammeter, "FETC?").await);
        ask(&bench, Voltmeter, "VOLT:RANG 0.1").await;
        assert_eq!(ask(&bench, Voltmeter, "READ?").await, "9.9E+37");
        ask(&bench, CurrentSource, "CURR -1e-4").await;
        assert_eq!(ask(&bench, Voltmeter, "READ?").await, "-9.9E+37");
        assert_eq!(bench.complaints(), []);
    });
}

#[test]
fn an_initiated_reading_goes_on_by_itself() {
    let bench = simulated(&Dialects::ideal(), Options::default());
    in_virtual_time(async {
        connect(&bench).await;
        ask(&bench, Voltmeter, "VOLT:NPLC 10;*CLS").await;
        let began = bench.now_s();
        assert_eq!(ask(&bench, Voltmeter, "INIT;*OPC;*ESR?;:STAT:OPER:COND?;:INIT").await, "0;16");
        assert_eq!(ask(&bench, Voltmeter, "SYST:ERR?").await, "-213,\"Init ignored\"");
        assert!(bench.now_s() - began < 0.01);
        assert_eq!(ask(&bench, Voltmeter, "*OPC?").await, "1");
        assert!((bench.now_s() - began - 0.2).abs() < 2e-3, "ten cycles of 50 Hz");
        // *OPC was set when the reading ended, beside the execution error of the second INITiate.
        assert_eq!(ask(&bench, Voltmeter, "*ESR?;:STAT:OPER:COND?").await, "17;0");
        assert!(number(&ask(&bench, Voltmeter, "FETC?").await) > 0.2);
        assert_eq!(ask(&bench, Voltmeter, "*TRG;ABOR;:FETC?").await, "");
        assert_eq!(ask(&bench, Voltmeter, "SYST:ERR?").await, "-230,\"Data corrupt or stale\"");
    });
}

#[test]
fn a_source_at_its_limit_sets_the_questionable_bit_of_voltage() {
    let bench = simulated(&Dialects::new(), Options::default());
    in_virtual_time(async {
        connect(&bench).await;
        assert_eq!(ask(&bench, CurrentSource, "*CLS;:STAT:QUES:COND?").await, "0");
        // 100 µA through 8.75 kohm are 0.875 V.
        assert_eq!(ask(&bench, CurrentSource, "VOLT:LIM 0.5;:STAT:QUES:COND?").await, "1");
        let volt = number(&ask(&bench, Voltmeter, "READ?").await);
        assert!((0.1..0.2).contains(&volt), "{volt}");
        assert_eq!(ask(&bench, CurrentSource, "VOLT:LIM 2;:STAT:QUES:COND?;EVEN?;EVEN?").await, "0;1;0");
        assert_eq!(ask(&bench, CurrentSource, "SYST:ERR?").await, "0,\"No error\"");
    });
}

#[test]
fn settings_take_the_time_to_operate_and_queries_none() {
    let bench = simulated(&Dialects::new(), Options::default());
    in_virtual_time(async {
        let took = async |role, message: &str| {
            let began = bench.now_s();
            ask(&bench, role, message).await;
            bench.now_s() - began
        };
        took(SwitchMatrix, "*CLS").await;
        assert_eq!(took(SwitchMatrix, "ROUT:CLOS:STAT?;*IDN?").await, 0.0);
        assert!((took(SwitchMatrix, "ROUT:CLOS (@1!11)").await - 0.005).abs() < 1e-6);
        assert!((took(CurrentSource, "OUTP:GUAR ON;:VOLT:LIM 1").await - 0.002).abs() < 1e-6);
    });
}

/// Readings of a fixed order of states, with other questions in between or not.
fn readings(options: Options, meddle: bool) -> Vec<String> {
    let bench = simulated(&Dialects::new(), options);
    in_virtual_time(async {
        connect(&bench).await;
        let mut readings = Vec::new();
        for level in ["1e-4", "-1e-4", "1e-4"] {
            ask(&bench, CurrentSource, &format!("CURR {level}")).await;
            if meddle {
                ask(&bench, Ammeter, "READ?").await;
            }
            tokio::time::sleep(std::time::Duration::from_secs(1)).await;
            readings.push(ask(&bench, Voltmeter, "READ?").await);
        }
        readings
    })
}

#[test]
fn noise_belongs_to_what_is_read_not_to_the_order_of_calls() {
    let plain = readings(Options::default(), false);
    assert_eq!(plain, readings(Options::default(), false));
    assert_eq!(plain, readings(Options::default(), true));
    assert_ne!(plain, readings(Options { seed: Some(99), ..Options::default() }, false));
    // The same state read a second time has other noise.
    assert_ne!(plain[0], plain[2]);
    assert!((number(&plain[0]) / number(&plain[2]) - 1.0).abs() < 1e-5);
}

#[test]
fn misuse_over_the_wire_is_complained_of() {
    let bench = simulated(&Dialects::new(), Options::default());
    in_virtual_time(async {
        connect(&bench).await;
        ask(&bench, SwitchMatrix, "ROUT:OPEN (@4!14)").await;
        assert!(bench.is_energised());
        bench.abandoned(CurrentSource);
    });
    let kinds: Vec<_> = bench.complaints().iter().map(|complaint| complaint.kind).collect();
    use ComplaintKind::{AmmeterOpen, HotSwitching, OutputLeftOn};
    assert_eq!(kinds, [HotSwitching, AmmeterOpen, OutputLeftOn]);
}

#[test]
fn a_sample_without_a_model_is_refused_with_what_to_write() {
    let mut sample = ring(1e4, 1.5e4, 2.2e4, 3.3e4);
    sample.model = None;
    let dialects = Dialects::new();
    let refused = SimulatedBench::new(&bench(), |role| dialects.of(role), &[&sample], Options::default());
    let message = refused.err().unwrap().to_string();
    assert_eq!(message, "sample \"ring\" has no model to simulate: write [model] in its document");
}

#[test]
fn after_a_reset_the_noise_of_a_state_begins_again() {
    let bench = simulated(&Dialects::new(), Options::default());
    in_virtual_time(async {
        connect(&bench).await;
        let read = async |setting: &str| {
            ask(&bench, Voltmeter, setting).await;
            tokio::time::sleep(std::time::Duration::from_secs(1)).await;
            ask(&bench, Voltmeter, "READ?").await
        };
        let first = read("*RST;:VOLT:RANG 1").await;
        let second = read("VOLT:RANG 1").await;
        assert_ne!(second, first);
        assert_eq!(read("*RST;:VOLT:RANG 1").await, first);
    });
}

/// 100 pA between two contacts of a ring of gigohms, guard and buffers switched in.
fn volts_at_gigohms(options: Options) -> f64 {
    let dialects = Dialects::ideal();
    let sample = ring(1e10, 1.5e10, 2.2e10, 3.3e10);
    let bench = SimulatedBench::new(&bench(), |role| dialects.of(role), &[&sample], options).unwrap();
    in_virtual_time(async {
        ask(&bench, SwitchMatrix, "ROUT:CLOS (@3!11,1!12,4!11,2!12,5!1)").await;
        ask(&bench, Ammeter, "INP ON").await;
        ask(&bench, CurrentSource, "CURR:RANG 1e-9;:VOLT:LIM 10;:CURR 1e-10;:OUTP:GUAR ON;:OUTP ON").await;
        tokio::time::sleep(std::time::Duration::from_secs(100)).await;
        number(&ask(&bench, Voltmeter, "VOLT:RANG 1;:READ?").await)
    })
}

#[test]
fn a_broken_guard_or_broken_buffers_show_at_gigohms() {
    // 10 Gohm beside 70: 8.75 Gohm; parallel to the voltmeter's 10 Gohm: 4.6667 Gohm.
    let whole = volts_at_gigohms(Options::default());
    assert!((whole / 0.875 - 1.0).abs() < 1e-4, "{whole}");
    let loaded = volts_at_gigohms(Options { without_buffers: true, ..Options::default() });
    assert!((loaded / 0.466667 - 1.0).abs() < 1e-4, "{loaded}");
    // Three cables of 100 Gohm at that contact, and less at the others.
    let leaking = volts_at_gigohms(Options { without_guard: true, ..Options::default() });
    assert!((0.55..0.75).contains(&leaking), "{leaking}");
}

#[test]
fn a_reading_has_the_johnson_noise_of_what_it_was_taken_on_whenever_it_is_fetched() {
    let fetched = |opened: bool| {
        let mut document = bench();
        document.disturbances.johnson = true;
        let (dialects, sample) = (Dialects::ideal(), ring(1e8, 1.5e8, 2.2e8, 3.3e8));
        let of = |role| dialects.of(role);
        let bench = SimulatedBench::new(&document, of, &[&sample], Options::default()).unwrap();
        in_virtual_time(async {
            ask(&bench, SwitchMatrix, "ROUT:CLOS (@4!14,2!13)").await;
            ask(&bench, Voltmeter, "VOLT:RANG 0.1;:INIT").await;
            tokio::time::sleep(std::time::Duration::from_millis(30)).await;
            if opened {
                ask(&bench, SwitchMatrix, "ROUT:OPEN:ALL").await;
            }
            number(&ask(&bench, Voltmeter, "FETC?").await)
        })
    };
    // Some microvolts of noise, and nothing else.
    assert!((1e-9..1e-4).contains(&fetched(false).abs()), "{}", fetched(false));
    assert_eq!(fetched(true), fetched(false));
}
