//! The forward model's derivatives, what floats, and what charges.

use crate::fault::Fault;
use crate::forward::{Forward, NO_COLUMN, Point, Predictions, groups};
use crate::layout::Layout;
use crate::testing::{bench, settings, standard};

/// Derivatives against differences of both sides, for faults that change the circuit in each way.
#[test]
fn derivatives_are_those_of_the_predictions() {
    let (standard, bench) = (standard(1e4), bench());
    let layout = Layout::new(&standard, &bench);
    let settings = settings();
    let groups = groups(settings.iter());
    let faults = [
        (Fault::Good, 0.0),
        (Fault::Leak(0, 2), 9.0),
        (Fault::LeakToGround(1), 11.0),
        (Fault::Loading, 10.0),
        (Fault::AllScaled, 0.3),
        (Fault::VoltmeterGain, -0.2),
        (Fault::ComplianceLow, -2.0),
        (Fault::CurrentRowsExchanged, 0.0),
        (Fault::VoltmeterReversed, 0.0),
        (Fault::SourceReversed, 0.0),
        (Fault::AmmeterReversed, 0.0),
        (Fault::CrosspointClosed(crate::Row::SenseHigh, 1), 0.0),
    ];
    for (fault, size) in faults {
        let forward = Forward { standard: &standard, bench: &bench, layout, fault, beside: None };
        let mut values: Vec<f64> = (0..layout.count()).map(|q| 0.02 * (q as f64 + 1.0).sin()).collect();
        // Thermoelectric voltages, bias currents and offsets are small numbers.
        let volts = layout.emf(0, 0)..layout.lead(0);
        let amperes = [layout.bias(0), layout.bias(1), layout.source_offset()];
        let unit = |q: usize| match q {
            q if volts.contains(&q) => 1e-2,
            q if amperes.contains(&q) => 1e-5,
            _ => 1.0,
        };
        values.iter_mut().enumerate().for_each(|(q, value)| *value *= unit(q));
        values[layout.size()] = size;
        values[layout.factor()] = size;
        let scales = vec![1.0; values.len()];
        let columns: Vec<usize> = (0..values.len()).collect();
        let predict = |values: &[f64], count: usize| {
            let mut out = Predictions::default();
            let point = Point { values, scales: &scales, columns: &columns, count };
            let point =
                if count == 0 { Point { columns: &vec![NO_COLUMN; values.len()], ..point } } else { point };
            forward.predict(&settings, &groups, point, &mut out);
            out
        };
        let exact = predict(&values, values.len());
        for q in 0..values.len() {
            // What is in volts or amperes acts linearly, and may be moved further.
            let h = if unit(q) < 1.0 { 1e-3 * unit(q) } else { 1e-5 };
            let at = |shift: f64| {
                let mut moved = values.clone();
                moved[q] += shift;
                predict(&moved, 0).readings
            };
            let (above, below) = (at(h), at(-h));
            for k in 0..settings.len() {
                let by_volts = (above[k].volts - below[k].volts) / (2.0 * h);
                let by_amperes = (above[k].amperes - below[k].amperes) / (2.0 * h);
                let of = |row: usize| exact.jacobian[row * values.len() + q];
                let volts = exact.readings[k].volts.abs().max(0.1);
                let slack = |size: f64, d: f64| 1e-7 * size + 1e-7 * d.abs() + 1e-13 * size / h;
                assert!(
                    (of(2 * k) - by_volts).abs() < slack(volts, by_volts),
                    "{fault:?} quantity {q} reading {k}: {} {by_volts}",
                    of(2 * k)
                );
                assert!(
                    (of(2 * k + 1) - by_amperes).abs() < slack(5e-5, by_amperes),
                    "{fault:?} quantity {q} reading {k}: {} {by_amperes}",
                    of(2 * k + 1)
                );
            }
        }
    }
}

/// Charging is linear: a current that is reversed is the first current going on and twice its opposite set in.
#[test]
fn the_second_direction_goes_on_from_where_the_first_left_its_cables() {
    let (standard, bench) = (standard(1e10), bench());
    let layout = Layout::new(&standard, &bench);
    let values = vec![0.0; layout.count()];
    let drive = crate::Drive {
        current: quadrille_quantity::Ampere(1e-11),
        voltage_limit: quadrille_quantity::Volt(90.0),
    };
    let charged = |currents: &[(f64, f64)]| {
        let mut settings = Vec::new();
        for &(sign, seconds) in currents {
            let mut setting = drive.setting(
                &bench,
                "12,34".parse().unwrap(),
                quadrille_experiment::Polarity::Plus,
                quadrille_quantity::Volt(0.9),
            );
            setting.commanded.0 *= sign;
            setting.waited = quadrille_quantity::Second(seconds);
            settings.push(setting);
        }
        let forward =
            Forward { standard: &standard, bench: &bench, layout, fault: Fault::GuardOff, beside: None };
        let columns = vec![NO_COLUMN; values.len()];
        let point = Point { values: &values, scales: &values, columns: &columns, count: 0 };
        let mut out = Predictions::default();
        forward.predict(&settings, &groups(settings.iter()), point, &mut out);
        *out.readings.last().unwrap()
    };
    let (first, second) = (0.03, 0.017);
    let (both, short) = (charged(&[(1.0, first + second)]), charged(&[(1.0, second)]));
    let end = charged(&[(1.0, 1e3)]);
    assert!(end.unsettled[0].abs() < 1e-6 * end.volts.abs(), "{end:?}");
    assert!(short.unsettled[0].abs() > 0.2 * end.volts.abs(), "{short:?} {end:?}");
    let turned = charged(&[(1.0, first), (-1.0, second)]);
    let expected = both.volts - 2.0 * short.volts;
    assert!((turned.volts - expected).abs() < 0.01 * end.volts.abs(), "{turned:?} {expected}");
    let on = charged(&[(1.0, first), (1.0, second)]);
    assert!((on.volts - both.volts).abs() < 0.01 * end.volts.abs(), "{on:?} {both:?}");
}

#[test]
fn a_voltmeter_behind_an_open_lead_floats_and_no_other() {
    let (standard, bench) = (standard(1e4), bench());
    let settings = settings();
    let layout = Layout::new(&standard, &bench);
    let values = vec![0.0; layout.count()];
    for (fault, floats) in [(Fault::Good, 0), (Fault::RowOpen(crate::Row::SenseLow), settings.len())] {
        let forward = Forward { standard: &standard, bench: &bench, layout, fault, beside: None };
        let columns = vec![NO_COLUMN; values.len()];
        let point = Point { values: &values, scales: &values, columns: &columns, count: 0 };
        let mut out = Predictions::default();
        forward.predict(&settings, &groups(settings.iter()), point, &mut out);
        assert_eq!(out.readings.iter().filter(|read| read.floats).count(), floats);
    }
}
