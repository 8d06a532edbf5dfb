//! Faults drawn from a seed.

use crate::night::{Night, inputs, night_with, sound};
use quadrille_operations::{Fault, Happened, Inputs};

/// Lets faults of a seed strike while the run goes on.
fn random(inputs: &Inputs, seed: u64, per_minute: f64) -> Night {
    night_with(inputs, &[], 0, |bench| {
        let bench = bench.clone();
        tokio::spawn(async move { bench.strike_at_random(seed, per_minute).await });
    })
}

#[test]
fn a_seed_gives_the_same_night_twice_and_another_seed_another() {
    let inputs = inputs();
    let (first, again, other) =
        (random(&inputs, 4, 600.0), random(&inputs, 4, 600.0), random(&inputs, 5, 600.0));
    assert!(first.has_struck());
    assert_eq!(first.events, again.events);
    assert_eq!(first.rehearsed.readings, again.rehearsed.readings);
    assert_eq!(first.what, again.what);
    assert_ne!(first.events, other.events);
}

/// Whether a fault changes the circuit or the current, and so what the meters rightly read.
fn is_of_the_circuit(fault: &Fault) -> bool {
    let text = fault.to_string();
    ["stuck", "wrong-relay", "stays-on", "compliance"].iter().any(|word| text.contains(word))
}

#[test]
fn on_nights_of_many_faults_no_answer_is_taken_for_another_and_no_output_is_called_off_that_is_on() {
    let inputs = inputs();
    let sound = sound(&inputs);
    let (mut struck, mut finished, mut held_to_the_truth) = (0, 0, 0);
    for seed in 0..400 {
        // From some faults a minute to several a second; a run takes a quarter of a second.
        let night = random(&inputs, seed, [60.0, 300.0, 1500.0][seed as usize % 3]);
        struck += u32::from(night.has_struck());
        finished += u32::from(night.failure().is_none());
        let struck: Vec<&Fault> =
            night.events.iter().filter(|e| e.happened == Happened::Struck).map(|e| &e.fault).collect();
        if !struck.iter().any(|fault| is_of_the_circuit(fault)) {
            held_to_the_truth += 1;
            night.tells_the_truth(&sound);
        }
        night.is_honest_of_its_output();
    }
    println!("{struck} nights struck, {finished} runs finished, {held_to_the_truth} held to the sound run");
    assert!(struck > 200 && finished > 50 && held_to_the_truth > 100);
}
