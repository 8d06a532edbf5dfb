//! Answers questions of the outside check: what benches read under faults, and the evidence of faults for readings.
#![allow(clippy::print_stdout, clippy::unwrap_used)]

use quadrille_diagnosis::{BenchModel, Fault, Observation, Setting, Standard, State, diagnose, predict};
use quadrille_experiment::{Condition, Configuration};
use quadrille_quantity::{Ampere, Ohm, Second, Volt};
use serde::Deserialize;
use serde_json::{Value, json};

#[derive(Deserialize)]
struct Question {
    bench: BenchModel,
    resistors: Vec<(usize, usize, f64)>,
    tolerance: f64,
    readings: Vec<Reading>,
    /// What is predicted.
    fault: Option<Fault>,
    #[serde(default)]
    state: State,
}

#[derive(Deserialize)]
struct Reading {
    configuration: Configuration,
    commanded: f64,
    voltage_limit: f64,
    voltage_range: f64,
    current_range: f64,
    #[serde(default)]
    voltage: f64,
    #[serde(default)]
    current: f64,
}

fn main() {
    let questions: Vec<Question> = serde_json::from_reader(std::io::stdin()).unwrap();
    let answers: Vec<Value> = questions.iter().map(answer).collect();
    println!("{}", serde_json::to_string(&answers).unwrap());
}

fn answer(question: &Question) -> Value {
    let resistors: Vec<_> = question.resistors.iter().map(|&(a, b, ohm)| (a, b, Ohm(ohm))).collect();
    let standard = Standard::new(&resistors, question.tolerance).unwrap();
    let settings: Vec<Setting> = question.readings.iter().map(setting).collect();
    if let Some(fault) = question.fault {
        let read = predict(&standard, &question.bench, fault, &question.state, &settings).unwrap();
        return json!(read);
    }
    let observe = |(setting, reading): (&Setting, &Reading)| Observation {
        setting: *setting,
        voltage: Volt(reading.voltage),
        current: Ampere(reading.current),
        condition: Condition::Sound,
    };
    let observations: Vec<Observation> = settings.iter().zip(&question.readings).map(observe).collect();
    let diagnosis = diagnose(&standard, &question.bench, &observations).unwrap();
    let of = |ranked: &quadrille_diagnosis::Ranked| json!({ "members": ranked.members });
    json!(diagnosis.ranked.iter().map(of).collect::<Vec<_>>())
}

fn setting(reading: &Reading) -> Setting {
    Setting {
        configuration: reading.configuration,
        commanded: Ampere(reading.commanded),
        voltage_limit: Volt(reading.voltage_limit),
        voltage_range: Volt(reading.voltage_range),
        current_range: Ampere(reading.current_range),
        voltage_noise: Volt(0.0),
        current_noise: Ampere(0.0),
        waited: Second(0.0),
    }
}
