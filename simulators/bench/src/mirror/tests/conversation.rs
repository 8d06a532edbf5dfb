//! Conversations with a mirror, against those with the native device.

use super::{laboratory, laboratory_text, parsed, shipped};
use crate::testing::{ring, surrounded};
use crate::{CryostatFault, MagnetFault, Options, SimulatedBench, SimulationError};
use quadrille_documents::{Bench, Dialect, Role};
use std::time::Duration;

/// The bench of the tests with every dialect its own document.
fn own_bench() -> Bench {
    let mut bench = surrounded();
    for instrument in &mut bench.instruments {
        instrument.dialect.value = "own.toml".to_owned();
    }
    bench
}

fn simulated(bench: &Bench, of: fn(Role) -> Dialect) -> Result<SimulatedBench, SimulationError> {
    let dialects = Role::ALL.map(of);
    let sample = ring(1e4, 1.5e4, 2.2e4, 3.3e4);
    let dialect = |role: Role| dialects.iter().find(|dialect| dialect.role == role).unwrap();
    SimulatedBench::new(bench, dialect, &[&sample], Options::default())
}

/// What the devices answer to messages, one after the other, and the times at which they do. After an empty message
/// half a minute passes.
fn conversation(bench: &SimulatedBench, messages: &[(Role, &str)]) -> Vec<(String, f64)> {
    let mut builder = tokio::runtime::Builder::new_current_thread();
    builder.enable_time().start_paused(true).build().unwrap().block_on(async {
        let mut heard = Vec::new();
        for (role, message) in messages {
            if message.is_empty() {
                tokio::time::sleep(Duration::from_secs(30)).await;
            }
            let answer = bench.carry_out(*role, message.as_bytes()).await.unwrap_or_default();
            heard.push((String::from_utf8(answer).unwrap(), bench.now_s()));
        }
        heard
    })
}

use Role::{Ammeter, CurrentSource, FieldSource, SwitchMatrix, TemperatureController, Voltmeter};

/// What is said in the shipped dialects and in the laboratory's: the same deeds in the same order.
const MESSAGES: [(Role, &str, &str); 53] = [
    (CurrentSource, "*ESE 7;*ESE?", "*ESE 7;*ESE?"),
    (CurrentSource, "*IDN?", "WHO?"),
    (CurrentSource, "*RST", "*RST"),
    (CurrentSource, ":SYSTem:ERRor?", "TROUBLE?"),
    (CurrentSource, ":SOURce:CURRent:RANGe 0.001", "IRANGE 0.001"),
    (CurrentSource, "*OPC?", "READY?"),
    (CurrentSource, ":SOURce:CURRent:RANGe?", "IRANGE?"),
    (CurrentSource, ":SOURce:VOLTage:LIMit 20", "CLAMP 1,20"),
    (CurrentSource, ":SOURce:VOLTage:LIMit?", "CLAMP? 1"),
    (CurrentSource, ":SOURce:CURRent 2.5E-4", "I 2.5E-4 A"),
    (CurrentSource, ":SOURce:CURRent?", "I?"),
    (CurrentSource, ":OUTPut:GUARd ON", "SHIELD DRIVEN"),
    (CurrentSource, ":OUTPut:GUARd?", "SHIELD?"),
    (SwitchMatrix, ":ROUTe:OPEN:ALL", "PART ALL"),
    (SwitchMatrix, ":ROUTe:CLOSe (@3!11,1!12,4!14,2!13)", "JOIN R3C11,R1C12,R4C14,R2C13"),
    (SwitchMatrix, "*OPC?", "*OPC?"),
    (CurrentSource, ":OUTPut:STATe ON", "DRIVE 1"),
    (CurrentSource, ":OUTPut:STATe?", "DRIVE?"),
    (Voltmeter, ":SENSe:VOLTage:DC:RANGe:UPPer 10", "VRANGE 10; SELF OFF"),
    (Voltmeter, ":SENSe:VOLTage:DC:RANGe:UPPer?", "VRANGE?"),
    (Voltmeter, ":SENSe:VOLTage:DC:NPLCycles 5", "AVERAGE 0.1 S"),
    (Voltmeter, "*WAI;*OPC?", "*WAI;DONE?"),
    (Ammeter, ":SENSe:CURRent:DC:RANGe:UPPer 1E-3", "SCALE:TO 1E-3,FIXED"),
    (Ammeter, ":SENSe:CURRent:DC:NPLCycles 5", "CYCLES 5"),
    (Ammeter, ":SENSe:CURRent:DC:NPLCycles?", "CYCLES?"),
    (Ammeter, ":INPut:STATe ON", "TERMINALS FREE"),
    (Ammeter, ":INPut:STATe?", "TERMINALS?"),
    (Voltmeter, ":READ?", "K? "),
    (Ammeter, ":READ?", "TAKE;VALUE?"),
    (Ammeter, ":INPut:STATe OFF", "TERMINALS SHORT"),
    (CurrentSource, ":SOURce:CURRent 5", "I 5 A"),
    (CurrentSource, ":SYSTem:ERRor?", "TROUBLE?"),
    (CurrentSource, ":OUTPut:STATe OFF", "DRIVE 0"),
    (CurrentSource, ":OUTPut:GUARd OFF", "SHIELD FREE"),
    (CurrentSource, ":OUTPut:STATe?", "DRIVE?"),
    (SwitchMatrix, ":ROUTe:OPEN:ALL", "PART ALL"),
    (TemperatureController, ":SOURce:TEMPerature:RAMP 6", "SLEW 0.1"),
    (TemperatureController, ":SOURce:TEMPerature:SPOint 280.5", "GO 280.5 K"),
    (TemperatureController, ":SOURce:TEMPerature:SPOint?", "GO?"),
    (TemperatureController, ":OUTPut:STATe ON", "HEAT 1"),
    (TemperatureController, ":OUTPut:STATe?", "HEAT?"),
    (TemperatureController, "", ""),
    (TemperatureController, ":MEASure:TEMPerature?", "STAGE?"),
    (TemperatureController, ":OUTPut:POWer?", "HEAT:PART?"),
    (TemperatureController, ":OUTPut:STATe OFF", "HEAT 0"),
    (FieldSource, ":SOURce:FIELd:RAMP 0.02", "RATE 40"),
    (FieldSource, ":SOURce:FIELd 0.45", "PROGRAM 15"),
    (FieldSource, ":OUTPut:STATe ON;:SOURce:FIELd:STARt", "LEADS ON"),
    (FieldSource, "", ""),
    (FieldSource, ":MEASure:FIELd?", "PROBE?"),
    (FieldSource, ":SOURce:FIELd:HOLD", "STAY"),
    (FieldSource, ":OUTPut:STATe?", "LEADS?"),
    (FieldSource, ":SYSTem:ERRor?", "ERR?"),
];

#[test]
fn a_laboratorys_words_have_the_answers_and_the_times_of_the_shipped_ones() {
    let native = MESSAGES.map(|(role, shipped, _)| (role, shipped));
    let native = conversation(&simulated(&surrounded(), shipped).unwrap(), &native);
    let own = MESSAGES.map(|(role, _, own)| (role, own));
    let own = conversation(&simulated(&own_bench(), laboratory).unwrap(), &own);
    assert_eq!(own, native);
    assert!(native[31].0.starts_with("-222,"), "{}", native[31].0);
}

#[test]
fn the_shipped_dialects_turned_round_have_the_same_conversation() {
    let messages = MESSAGES.map(|(role, shipped, _)| (role, shipped));
    let native = conversation(&simulated(&surrounded(), shipped).unwrap(), &messages);
    assert_eq!(conversation(&simulated(&own_bench(), shipped).unwrap(), &messages), native);
}

#[test]
fn the_register_of_the_voltage_limit_has_its_bit_where_the_document_says() {
    let messages = [
        (CurrentSource, "IRANGE 1E-3"),
        (CurrentSource, "CLAMP 1,0.5"),
        (CurrentSource, "LAMPS?"),
        (SwitchMatrix, "JOIN R3C11,R1C12"),
        (CurrentSource, "I 1E-3 A"),
        (CurrentSource, "DRIVE 1"),
        // Time for the cables to be charged to the limit.
        (Ammeter, "TAKE;VALUE?"),
        (CurrentSource, "LAMPS?"),
    ];
    let heard = conversation(&simulated(&own_bench(), laboratory).unwrap(), &messages);
    assert_eq!((heard[2].0.as_str(), heard[7].0.as_str()), ("0\n", "32\n"));
}

#[test]
fn a_supply_without_a_word_to_start_goes_where_it_is_set_as_soon_as_its_output_is_on() {
    let messages = [
        ("RATE 60", ""),
        ("PROGRAM 10", ""),
        // At rest is bit 6.
        ("FLAGS?", "64\n"),
        ("LEADS ON", ""),
        ("FLAGS?", "0\n"),
        ("", ""),
        ("FLAGS?", "64\n"),
        ("PROGRAM?", "1.0E+01\n"),
        ("RATE?", "6.0E+01\n"),
        ("PROGRAM -5", ""),
        ("FLAGS?", "0\n"),
        ("STAY", ""),
        ("FLAGS?", "64\n"),
        ("ERR?", "0,\"No error\"\n"),
    ];
    let bench = simulated(&own_bench(), laboratory).unwrap();
    let heard = conversation(&bench, &messages.map(|(message, _)| (FieldSource, message)));
    for ((message, expected), (answer, _)) in messages.iter().zip(&heard) {
        assert_eq!(answer, expected, "{message}");
    }
    // 10 A and a little of the way to -5 A, at 0.03 T/A; the iron adds its millitesla.
    let (_, field) = bench.surroundings();
    assert!((field.0 - 0.3).abs() < 0.01, "{field}");
}

#[test]
fn faults_have_the_bits_that_the_document_lists_in_its_order() {
    let messages = [(FieldSource, ""), (TemperatureController, "FLAGS?"), (FieldSource, "FLAGS?")];
    let bench = simulated(&own_bench(), laboratory).unwrap();
    assert!(bench.fail_cryostat(CryostatFault::SensorBroken) && bench.fail_magnet(MagnetFault::Trips));
    let heard = conversation(&bench, &messages);
    // At rest is bit 6; the first fault of the controller is bit 1, that of the supply bit 2.
    assert_eq!((heard[1].0.as_str(), heard[2].0.as_str()), ("66\n", "68\n"));
}

#[test]
fn faults_of_instruments_strike_whatever_words_are_spoken() {
    for (fault, told, asked, expected) in [
        ("source ignored", (CurrentSource, "CLAMP 1,20"), (CurrentSource, "CLAMP? 1"), "1.0E-03\n"),
        ("source compliance", (CurrentSource, ""), (CurrentSource, "LAMPS?"), "32\n"),
        ("voltmeter stranger", (Voltmeter, ""), (Voltmeter, "*IDN?"), "SOMEBODY,OTHER INSTRUMENT,0,1\n"),
        ("matrix stuck-open 1!12", (SwitchMatrix, "JOIN R1C12"), (SwitchMatrix, "JOINED?"), "(@R1C12)\n"),
    ] {
        let bench = simulated(&own_bench(), laboratory).unwrap();
        bench.inject(fault.parse().unwrap()).unwrap();
        let heard = conversation(&bench, &[told, asked]);
        assert_eq!(heard[1].0, expected, "{fault}");
    }
}

#[test]
fn closed_crosspoints_are_told_in_the_documents_form() {
    let messages = [
        (SwitchMatrix, "JOIN R3C11,R1C12"),
        (SwitchMatrix, "JOINED?"),
        (SwitchMatrix, "JOIN R9C9"),
        (SwitchMatrix, "ERR?"),
    ];
    let heard = conversation(&simulated(&own_bench(), laboratory).unwrap(), &messages);
    assert_eq!(heard[1].0, "(@R1C12,R3C11)\n");
    assert_eq!(heard[3].0, "-222,\"Data out of range;R9C9\"\n");
}

/// A driver that holds one document against a device that was built from another: a word of one template is changed.
#[test]
fn a_word_that_only_one_side_has_is_an_undefined_header_in_the_error_queue() {
    let other = |role: Role| {
        let text = laboratory_text(role);
        parsed(&text.replace("\"I {level_a} A\"", "\"I {level_a}\""))
    };
    let messages = [(CurrentSource, "I 1E-3 A"), (CurrentSource, "TROUBLE?"), (CurrentSource, "I?")];
    let heard = conversation(&simulated(&own_bench(), other).unwrap(), &messages);
    assert_eq!(heard[1].0, "-113,\"Undefined header;I 1E-3 A\"\n");
    assert_eq!(heard[2].0, "0.0E+00\n");
}

#[test]
fn an_ambiguous_document_is_no_bench() {
    let ambiguous = |role: Role| {
        let text = laboratory_text(role);
        parsed(&text.replace("SHIELD FREE", "SHIELD DRIVEN").replace("\"VRANGE?\"", "\"AVERAGE?\""))
    };
    let Err(SimulationError::Ambiguous(faults)) = simulated(&own_bench(), ambiguous) else {
        panic!("it was simulated")
    };
    assert_eq!(faults.0.len(), 2, "{faults}");
    // A document that nobody speaks is nobody's fault.
    assert!(simulated(&surrounded(), ambiguous).is_ok());
}
