//! The forward model against circuits of twice the digits, and how many digits a small resistance beside a large one costs.
#![allow(clippy::unwrap_used)]

mod generator;

use generator::{Scale, bench};
use quadrille_diagnosis::{Drive, Fault, Row, Standard, State, predict};
use quadrille_experiment::{Configuration, Contact, Polarity};
use quadrille_network::{Circuit, GROUND};
use quadrille_quantity::{Ampere, Ohm, Volt};

/// The same bench as a circuit by name; without thermoelectric voltages and bias currents.
fn circuit(standard: &Standard, scale: Scale, configuration: Configuration, fault: Fault) -> Circuit {
    let bench = bench(scale);
    let mut builder = Circuit::builder();
    let ohm = |builder: &mut quadrille_network::CircuitBuilder, a: &str, b: &str, ohm: f64| {
        builder.resistor(a, b, Ohm(ohm));
    };
    for resistor in standard.resistors() {
        let name = |k: usize| format!("s{k}");
        ohm(&mut builder, &name(resistor.ends.0), &name(resistor.ends.1), resistor.ohm);
    }
    for k in 0..4 {
        let to = match fault {
            Fault::LeadsSwapped(0, 1) if k < 2 => 1 - k,
            _ => k,
        };
        ohm(&mut builder, &format!("c{k}"), &format!("s{to}"), bench.lead.ohm);
        let insulation =
            if bench.guard { bench.cable.guarded_insulation_ohm } else { bench.cable.insulation_ohm };
        ohm(&mut builder, &format!("c{k}"), GROUND, insulation);
        ohm(&mut builder, &format!("r{k}"), GROUND, insulation);
        let contact = configuration.contacts()[k].index();
        for column in 0..4 {
            let closed = (contact == column || fault == Fault::CrosspointClosed(Row::ALL[k], column))
                && fault != Fault::CrosspointOpen(Row::ALL[k], column);
            let resistance = if closed { bench.matrix.closed_ohm } else { bench.matrix.open_ohm };
            ohm(&mut builder, &format!("r{k}"), &format!("c{column}"), resistance);
        }
    }
    ohm(&mut builder, "r0", GROUND, bench.source.output_ohm);
    ohm(&mut builder, "r1", GROUND, bench.ammeter.burden_ohm);
    match bench.buffers {
        Some(buffers) => {
            ohm(&mut builder, "r2", GROUND, buffers.input_ohm);
            ohm(&mut builder, "r3", GROUND, buffers.input_ohm);
        }
        None => ohm(&mut builder, "r2", "r3", bench.voltmeter.input_ohm),
    }
    builder.contacts(["r0", "r1"]);
    builder.build().unwrap()
}

#[test]
fn one_ohm_beside_ten_gigohms_and_more_costs_no_digits() {
    let ohms = |base: f64| [0.7, 1.1, 1.6, 2.7].map(|ratio| Ohm(base * ratio));
    let faults = [
        Fault::Good,
        Fault::LeadsSwapped(0, 1),
        Fault::CrosspointClosed(Row::SenseHigh, 3),
        Fault::CrosspointOpen(Row::Return, 2),
    ];
    let mut worst = [0.0f64; 2];
    for (scale, base) in [(Scale::TenKilohm, 1e4), (Scale::TenGigohm, 1e10), (Scale::TenGigohm, 1e12)] {
        let standard = Standard::ring(ohms(base), 0.01).unwrap();
        let bench = bench(scale);
        // So high a limit that the source never reaches it.
        let drive = Drive { current: Ampere(0.5 / base), voltage_limit: Volt(1e30) };
        for text in ["12,34", "13,24", "42,31", "34,34"] {
            let configuration: Configuration = text.parse().unwrap();
            assert!(configuration.contacts().iter().all(|c: &Contact| c.number() <= 4));
            let setting = drive.setting(&bench, configuration, Polarity::Plus, Volt(1.0));
            for fault in faults {
                let seen = predict(&standard, &bench, fault, &State::default(), &[setting]).unwrap()[0];
                let circuit = circuit(&standard, scale, configuration, fault);
                let node = |name: &str| circuit.node(name).unwrap();
                let source = (node("r0"), node(GROUND));
                let volts = circuit.transfer_resistance(source, (node("r2"), node("r3"))).unwrap().0;
                let back = circuit.transfer_resistance(source, (node("r1"), node(GROUND))).unwrap().0;
                // The largest voltage there is: a difference of two has the digits of that.
                let most = circuit.transfer_resistance(source, source).unwrap().0;
                let by_volts = (seen.voltage.0 / drive.current.0 - volts).abs() / most;
                let by_amperes = (seen.current.0 / drive.current.0 - back / bench.ammeter.burden_ohm).abs();
                worst = [worst[0].max(by_volts), worst[1].max(by_amperes)];
            }
        }
    }
    // A few roundings of f64 in an elimination of 13 nodes.
    assert!(worst[0] < 3e-15 && worst[1] < 3e-15, "{worst:?}");
}

#[test]
fn a_source_at_its_limit_drives_what_the_limit_allows() {
    let standard = Standard::ring([1e4, 1.5e4, 2.2e4, 3.3e4].map(Ohm), 0.01).unwrap();
    let bench = bench(Scale::TenKilohm);
    let drive = Drive { current: Ampere(1e-4), voltage_limit: Volt(0.4) };
    let configuration: Configuration = "12,12".parse().unwrap();
    let setting = drive.setting(&bench, configuration, Polarity::Plus, Volt(1.0));
    let seen = predict(&standard, &bench, Fault::Good, &State::default(), &[setting]).unwrap()[0];
    // 10 kΩ beside the other three and the voltmeter's 10 GΩ, two crosspoints of 1 Ω, two leads of 0.1 Ω, the burden of 10 Ω.
    let between = 1.0 / (1e-4 + 1.0 / 7e4 + 1e-10);
    let expected = 0.4 / (between + 12.2);
    assert!((seen.current.0 / expected - 1.0).abs() < 1e-6, "{} {expected}", seen.current.0);
    assert!((seen.need - 1e-4 / expected).abs() < 1e-6 * seen.need);
}
