//! The oracle tried by itself: against transients in closed form, and against every window that it could have taken.

use crate::night::{BY_HAND, Ends, Foreseen, TOLERANCE, alone, of_no_field, values, wait, with_oracle};
use crate::oracle::{Held, Step, Waited};
use crate::regime::{Class, Draw, Part, REGIMES, without_noise};
use quadrille_documents::Absorption;
use quadrille_operations::Inputs;

/// Averaging time of a reading, in seconds.
const APERTURE_S: f64 = 0.02;

/// All checks; the first that fails panics.
pub(crate) fn all() {
    a_settling_source_is_one_exponential();
    one_resistance_with_absorption_is_two_exponentials();
    nothing_was_missed();
}

/// Amplitudes, as parts of the step, and time constants in seconds.
type Exponentials = [(f64, f64); 2];

/// Mean over a reading that begins so long after a change from −(step − 1) to 1, less 1.
fn left(exponentials: &Exponentials, step: f64, from_s: f64) -> f64 {
    let mean = |&(part, tau): &(f64, f64)| {
        part * tau / APERTURE_S * ((-from_s / tau).exp() - (-(from_s + APERTURE_S) / tau).exp())
    };
    -step * exponentials.iter().map(mean).sum::<f64>()
}

/// Holds what an oracle saw and where it stopped against the closed form. The clock has whole milliseconds.
fn holds(what: &str, waited: &Waited, exponentials: &Exponentials, step: f64) {
    let slow = exponentials.iter().map(|(_, tau)| *tau).fold(f64::INFINITY, f64::min);
    for Step { from_s, off, .. } in &waited.steps {
        let expected = left(exponentials, step, *from_s);
        let near = expected.abs() * 2e-3 / slow + 1e-7;
        assert!((off[0] - expected).abs() <= near, "{what}: {from_s} s: {} and not {expected}", off[0]);
    }
    let stopped = waited.steps[waited.steps.len() - 1];
    let (mut early, mut late) = (0.0, 1e6);
    while late - early > 1e-6 {
        let middle: f64 = (early + late) / 2.0;
        if left(exponentials, step, middle).abs() <= TOLERANCE { late = middle } else { early = middle }
    }
    println!("{what}: stopped with the reading from {:.4} s, closed form {late:.4} s", stopped.from_s);
    // One reading and its answer, or what was skipped.
    let before = waited.steps.len().checked_sub(2).map_or(0.0, |k| waited.steps[k].from_s);
    assert!(
        stopped.from_s >= late - 2e-3 && before <= late + 2e-3,
        "{what}: {before} {} {late}",
        stopped.from_s
    );
    assert!(stopped.from_s - late <= 2.2 * APERTURE_S, "{what}: {} {late}", stopped.from_s);
}

fn first_of(inputs: &Inputs, legs: &str, forever_s: f64) -> Foreseen {
    let legs: Vec<_> = legs.split(' ').map(|one| one.parse().unwrap()).collect();
    let ends: Ends = values(&alone(inputs, |plan| {
        plan.rounds[0].legs.clone_from(&legs);
        wait(plan, forever_s);
    }));
    with_oracle(inputs, Held::to(TOLERANCE, of_no_field(&ends)), |plan| plan.rounds[0].legs.clone_from(&legs))
}

fn a_settling_source_is_one_exponential() {
    let mut inputs =
        without_noise(&Draw::new(REGIMES[2], Class::Plain, 1).inputs(BY_HAND, Part::Resistivity));
    inputs.equipped.bench.disturbances.absorption = None;
    inputs.equipped.bench.disturbances.source_s = 1.0;
    let run = first_of(&inputs, "12,43 23,14", 40.0);
    for (k, waited) in run.waits.iter().enumerate() {
        // `+--+`: after the first, the second and the fourth follow a reversal.
        let step = [1.0, 2.0, 0.0, 2.0][k % 4];
        if step > 0.0 {
            holds("source", waited, &[(1.0, 1.0), (0.0, 1.0)], step);
        }
    }
}

/// A resistor of which both ends are sensed through a kilohm: four cables at one end, the other at ground.
const RESISTOR: &str = r#"
kind = "sample"
name = "one resistor"
contacts = ["a", "b", "c", "d"]
[model]
type = "network"
resistors = [["a", "b", 1e9], ["a", "c", 1e3], ["b", "d", 1e3]]
"#;

fn one_resistance_with_absorption_is_two_exponentials() {
    let draw = Draw::new(REGIMES[5], Class::Plain, 1);
    let mut inputs = without_noise(&draw.inputs(BY_HAND, Part::Resistivity));
    inputs.samples[0] =
        quadrille_documents::sample("check", RESISTOR).unwrap_or_else(|faults| panic!("{faults}"));
    let (ohm, farad) = (1e9, 4.0 * inputs.equipped.bench.wiring.cable.capacitance_f);
    let (part, slow) = (0.06, 20.0 * ohm * farad);
    inputs.equipped.bench.disturbances.absorption = Some(Absorption { part, time_s: slow });
    inputs.equipped.bench.disturbances.source_s = 0.0;
    // C v' = −v/R − pC/s (v − u), u' = (v − u)/s, both from 1 to 0: v = A exp(−a t) + (1 − A) exp(−b t) with a, b the
    // roots of x² − (1/RC + p/s + 1/s) x + 1/(RC s) = 0 and v'(0) = −1/RC.
    let fast = 1.0 / (ohm * farad);
    let sum = fast + (1.0 + part) / slow;
    let root = (sum * sum - 4.0 * fast / slow).sqrt();
    let (a, b) = ((sum + root) / 2.0, (sum - root) / 2.0);
    let amplitude = (fast - b) / (a - b);
    let run = first_of(&inputs, "12,34", 60.0 * slow);
    holds("absorption", &run.waits[0], &[(amplitude, 1.0 / a), (1.0 - amplitude, 1.0 / b)], 1.0);
}

fn nothing_was_missed() {
    for seed in 1..=3 {
        let draw = Draw::new(REGIMES[5], Class::Plain, seed);
        let inputs = without_noise(&draw.inputs(BY_HAND, Part::Resistivity));
        let ends = of_no_field(&crate::night::ends(&draw, Part::Resistivity));
        for fewest in [1, 3] {
            let held = Held { fewest, skips: false, ..Held::to(TOLERANCE, ends.clone()) };
            let all = with_oracle(&inputs, held.clone(), |_| {});
            let some = with_oracle(&inputs, Held { skips: true, ..held }, |_| {});
            for waited in &all.waits {
                brute(&waited.steps, fewest);
            }
            let (all, some) = (all.round_s(), some.round_s());
            println!(
                "seed {seed}, {fewest} readings: a round read through {all:.2} s, with what is skipped {some:.2} s"
            );
            // Each of its 32 waits may be late by the reading that was skipped into.
            assert!((some - all).abs() <= 32.0 * 2.0 * APERTURE_S, "{some} {all}");
        }
    }
}

/// No window that ends before the last reading is allowed; one that ends with it is.
fn brute(steps: &[Step], fewest: usize) {
    let is_allowed = |from: usize, to: usize| {
        let mean = |meter: usize| {
            steps[from..to].iter().map(|step| step.off[meter]).sum::<f64>() / (to - from) as f64
        };
        to - from >= fewest && mean(0).abs() <= TOLERANCE && mean(1).abs() <= TOLERANCE
    };
    let count = steps.len();
    for to in 1..count {
        assert!(
            (0..to).all(|from| !is_allowed(from, to)),
            "an earlier window of {count} readings: ends with {to}"
        );
    }
    assert!((0..count).any(|from| is_allowed(from, count)), "no window of {count} readings");
}
