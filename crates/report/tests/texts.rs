//! Tables that read back, and a summary that a person can read.
#![allow(clippy::unwrap_used)]

use quadrille_experiment::{Condition, Configuration, MeterReading, Reading};
use quadrille_quantity::{Ampere, Estimate, Kelvin, Second, Tesla, Volt};
use quadrille_reduction::{Options, Reduced, Specimen, reduce};
use quadrille_report::{readings_csv, results_csv, summary};

const SPECIMEN: Specimen =
    Specimen { thickness: Some(Estimate { value: 480e-9, standard_uncertainty: 6e-9 }) };

/// A film with R_A = 37 Ω, R_B = 211 Ω and a Hall slope of −3.7 Ω/T, with thermoelectric offsets and rounding that
/// no decimal text of a few digits holds.
fn readings() -> Vec<Reading> {
    let (r_a, r_b, hall) = (37.0, 211.0, -3.7 * 0.8);
    let plan = [
        ("12,43", 0.0, r_a),
        ("21,34", 0.0, r_a),
        ("43,12", 0.0, r_a),
        ("34,21", 0.0, r_a),
        ("23,14", 0.0, r_b),
        ("32,41", 0.0, r_b),
        ("14,23", 0.0, r_b),
        ("41,32", 0.0, r_b),
        ("13,24", 0.8, r_b - r_a + hall),
        ("31,42", 0.8, r_b - r_a + hall),
        ("42,13", 0.8, r_a - r_b + hall),
        ("24,31", 0.8, r_a - r_b + hall),
        ("13,24", -0.8, r_b - r_a - hall),
        ("31,42", -0.8, r_b - r_a - hall),
        ("42,13", -0.8, r_a - r_b - hall),
        ("24,31", -0.8, r_a - r_b - hall),
    ];
    plan.iter()
        .enumerate()
        .map(|(k, (configuration, field, resistance))| {
            let current = 1e-4 * (1.0 + 0.01 * (k as f64).sin());
            Reading {
                time: Second(k as f64 / 3.0),
                temperature: Kelvin(295.0 + 0.01 * (k as f64).cos()),
                field: Tesla(*field),
                configuration: configuration.parse().unwrap(),
                current: MeterReading {
                    value: Ampere(current),
                    gain_u: 2.5e-5 / 3f64.sqrt(),
                    own_u: Ampere(1.3e-10),
                    noise_u: Ampere(7e-11 / 3.0),
                    settling_u: Ampere(1e-12 * k as f64),
                },
                voltage: MeterReading {
                    value: Volt(current * resistance + 1e-7 * (2.0 * k as f64).sin()),
                    gain_u: 1e-5,
                    own_u: Volt(7e-8 / 3f64.sqrt()),
                    noise_u: Volt(2e-8 / 7.0),
                    settling_u: Volt(1e-9 * k as f64),
                },
                condition: Condition::Sound,
            }
        })
        .collect()
}

fn reduced(readings: &[Reading]) -> Reduced {
    reduce(readings, &SPECIMEN, &Options { field_u: 0.002, ..Options::default() }).unwrap()
}

/// Reads a table of readings by the names of its columns, as anyone's script would.
fn read_back(table: &str) -> Vec<Reading> {
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    let columns = reader.headers().unwrap().clone();
    reader
        .records()
        .map(|record| {
            let record = record.unwrap();
            let text = |name: &str| &record[columns.iter().position(|column| column == name).unwrap()];
            let number = |name: &str| text(name).parse::<f64>().unwrap();
            let contact = |name: &str| text(name).parse::<u8>().unwrap();
            let (a, b, c, d) =
                (contact("source_in"), contact("source_out"), contact("sense_high"), contact("sense_low"));
            Reading {
                time: Second(number("time_s")),
                temperature: Kelvin(number("temperature_k")),
                field: Tesla(number("field_t")),
                configuration: Configuration::new(a, b, c, d).unwrap(),
                current: MeterReading {
                    value: Ampere(number("current_a")),
                    gain_u: number("current_gain_u"),
                    own_u: Ampere(number("current_u_a")),
                    noise_u: Ampere(number("current_noise_u_a")),
                    settling_u: Ampere(number("current_settling_u_a")),
                },
                voltage: MeterReading {
                    value: Volt(number("voltage_v")),
                    gain_u: number("voltage_gain_u"),
                    own_u: Volt(number("voltage_u_v")),
                    noise_u: Volt(number("voltage_noise_u_v")),
                    settling_u: Volt(number("voltage_settling_u_v")),
                },
                condition: serde_json::from_value(text("condition").into()).unwrap(),
            }
        })
        .collect()
}

#[test]
fn exported_readings_read_back_to_the_bit_and_reduce_to_the_same() {
    let mut original = readings();
    for (k, condition) in [
        Condition::VoltmeterOverload,
        Condition::AmmeterOverload,
        Condition::NotANumber,
        Condition::Compliance,
    ]
    .into_iter()
    .enumerate()
    {
        let mut marked = original[k];
        marked.condition = condition;
        marked.voltage.value = Volt(9.9e37);
        marked.current.value = Ampere(5e-324);
        original.push(marked);
    }
    let back = read_back(&readings_csv(original.iter().map(|reading| (reading, "a film"))));
    assert_eq!(back, original);
    assert_eq!(reduced(&back), reduced(&original));
}

#[test]
fn the_table_of_readings_has_its_columns_even_without_rows() {
    assert_eq!(
        readings_csv([]),
        "time_s,temperature_k,field_t,source_in,source_out,sense_high,sense_low,current_a,voltage_v,\
         current_u_a,voltage_u_v,current_gain_u,voltage_gain_u,current_noise_u_a,voltage_noise_u_v,\
         current_settling_u_a,voltage_settling_u_v,condition,sample\n"
    );
    let mut one = readings()[0];
    (one.time, one.temperature, one.current.value, one.voltage.value) =
        (Second(0.0), Kelvin(295.0), Ampere(1e-9), Volt(-0.0025));
    (one.current.gain_u, one.current.own_u, one.voltage.own_u) = (0.0, Ampere(0.0), Volt(5e-8));
    (one.current.noise_u, one.current.settling_u) = (Ampere(0.0), Ampere(0.0));
    (one.voltage.noise_u, one.voltage.settling_u) = (Volt(2e-8), Volt(3e-9));
    let table = readings_csv([(&one, "film, upper")]);
    assert_eq!(
        table.lines().nth(1).unwrap(),
        "0,295,0,1,2,4,3,1e-9,-0.0025,0,5e-8,0,1e-5,0,2e-8,0,3e-9,sound,\"film, upper\""
    );
}

#[test]
fn the_table_of_results_is_long_and_in_si_units() {
    let film = reduced(&readings());
    let bare = reduce(&readings()[..8], &Specimen::default(), &Options::default()).unwrap();
    let table = results_csv(&[(Kelvin(77.25), film.clone()), (Kelvin(295.0), bare)]);
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    assert_eq!(
        reader.headers().unwrap(),
        vec!["temperature_k", "quantity", "unit", "value", "standard_uncertainty"]
    );
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let names: Vec<String> = rows.iter().map(|row| format!("{} {} {}", &row[0], &row[1], &row[2])).collect();
    assert_eq!(
        names,
        [
            "77.25 sheet resistance Ω",
            "77.25 resistivity Ω·m",
            "77.25 Hall coefficient m³/C",
            "77.25 sheet carrier density m⁻²",
            "77.25 carrier density m⁻³",
            "77.25 Hall mobility m²/(V·s)",
            "77.25 carrier sign 1",
            "295 sheet resistance Ω",
        ]
    );
    let mobility = film.results.mobility_m2_per_v_s.unwrap();
    assert_eq!(rows[5][3].parse::<f64>().unwrap(), mobility.value);
    assert_eq!(rows[5][4].parse::<f64>().unwrap(), mobility.standard_uncertainty);
    assert_eq!(&rows[6][3], "-1");
}

/// Texts of everything that the summary can say.
fn summaries() -> Vec<String> {
    let good = readings();
    let mut spoiled = good.clone();
    spoiled[0].voltage.value = spoiled[0].voltage.value * 1.041;
    spoiled[9].condition = Condition::Compliance;
    let mut swapped = good.clone();
    swapped[..4].iter_mut().for_each(|reading| reading.voltage.value = -reading.voltage.value);
    let one_way: Vec<Reading> = good.iter().step_by(2).copied().collect();
    [good, spoiled, swapped[..8].to_vec(), one_way].iter().map(|r| summary(&reduced(r))).collect()
}

#[test]
fn the_summary_gives_values_with_uncertainty_in_both_units() {
    let film = reduced(&readings());
    let text = summary(&film);
    let rs = film.results.sheet_resistance_ohm.unwrap();
    assert!(
        text.contains(&quadrille_quantity::with_uncertainty(rs.value, rs.standard_uncertainty, "Ω")),
        "{text}"
    );
    for unit in ["Ω·m", "Ω·cm", "m³/C", "cm³/C", "m⁻²", "cm⁻²", "m⁻³", "cm⁻³", "m²/(V·s)", "cm²/(V·s)"]
    {
        assert!(text.contains(unit), "{unit}\n{text}");
    }
    assert!(text.contains("n (electrons)"), "{text}");
    let value_of = |line: &str, unit: &str| {
        let line = text.lines().find(|l| l.trim_start().starts_with(line)).unwrap();
        let upto = line.split(unit).next().unwrap();
        upto.split_whitespace().last().unwrap().to_owned()
    };
    // 1 m²/(V·s) is 10⁴ cm²/(V·s), and the digits of both are the same.
    let digits = |text: String| text.split('×').next().unwrap().replace(['.', '(', ')'], "");
    let (si, customary) = (value_of("Hall mobility", " m²"), value_of("Hall mobility", " cm²"));
    assert_eq!(digits(si.clone()).trim_start_matches('0'), digits(customary.clone()), "{si} {customary}");
}

#[test]
fn the_summary_says_in_words_whether_a_check_was_passed() {
    let [good, spoiled, swapped, one_way] = <[String; 4]>::try_from(summaries()).unwrap();
    assert!(!good.contains("NOT"), "{good}");
    let line = |text: &str, start: &str| {
        text.lines().find(|line| line.trim_start().starts_with(start)).unwrap_or_default().to_owned()
    };
    let reversal = line(&spoiled, "reversal 12|34");
    assert!(reversal.ends_with("NOT passed: measured 4 %, limit 3 %"), "{reversal}");
    assert!(line(&good, "positive resistances").contains("passed: measured"), "{good}");
    let positive = line(&swapped, "positive resistances");
    assert!(positive.contains("NOT passed: measured -") && positive.ends_with("at least 0 %"), "{positive}");
    assert!(swapped.contains("  none\n"), "{swapped}");
    let reversed = line(&one_way, "current reversal measured");
    assert!(reversed.ends_with("NOT passed: measured 0 %, at least 100 %"), "{reversed}");
    assert!(spoiled.contains("- 1 of 16 readings left out"), "{spoiled}");
}

#[test]
fn the_summary_names_the_largest_contributions_first() {
    let text = summary(&reduced(&readings()));
    let mut lines = text.lines().skip_while(|line| !line.starts_with("  resistivity: "));
    assert_eq!(lines.next().unwrap(), "  resistivity: 1.3 %");
    let largest = lines.next().unwrap();
    // 6 nm of 480 nm.
    assert!(largest.starts_with("    thickness ") && largest.ends_with(" 1.3 %"), "{largest}");
}

#[test]
fn no_line_of_the_summary_is_wider_than_77_columns() {
    for text in summaries() {
        for line in text.lines() {
            assert!(line.chars().count() < 78 && line.trim_end() == line, "\"{line}\"");
        }
    }
}
