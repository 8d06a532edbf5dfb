//! How often a verdict of stability is wrong, and how late it comes, over populations of plants: the figures of
//! docs/stability.md. `cargo run --release -p quadrille-settling --example stability_population [PLANTS]`
#![allow(clippy::print_stdout)]

#[path = "../tests/plants/mod.rs"]
mod plants;

use plants::{Plant, Sensor, log_uniform, tally};
use quadrille_settling::stability::Wanted;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

const LONGEST_S: f64 = 6000.0;

fn sensor(random: &mut ChaCha8Rng) -> Sensor {
    Sensor { sd: log_uniform(random, 0.5e-3, 10e-3), is_known: random.random(), ..Sensor::default() }
}

fn show(name: &str, plants: u64, time: f64, draw: impl Fn(&mut ChaCha8Rng) -> (Plant, Sensor)) {
    let wanted = Wanted { band: 0.02, time, target: None };
    let found = tally(0..plants, wanted, LONGEST_S, draw);
    let delay = |part| if found.delays.is_empty() { f64::NAN } else { found.delay(part) };
    println!(
        "{name:34} Y {time:3} s: false {:.4}, beyond 2x {:.4}, worst {:.2}, delay median {:5.0} s, 90 % {:5.0} s; \
         stable {:.3}, too noisy {:.3}, never {:.3}",
        found.false_rate(),
        found.far_out as f64 / found.stable.max(1) as f64,
        found.worst,
        delay(0.5),
        delay(0.9),
        found.stable as f64 / found.watched as f64,
        found.too_noisy as f64 / found.watched as f64,
        found.never as f64 / found.watched as f64,
    );
}

fn main() {
    let plants = std::env::args().nth(1).and_then(|number| number.parse().ok()).unwrap_or(2000);
    for time in [20.0, 60.0] {
        show("two poles, half with a tail", plants, time, |random| (Plant::draw(random), sensor(random)));
        show("the same by a ramp of 1-10 K/min", plants, time, |random| {
            let plant = Plant { ramp: log_uniform(random, 1.0, 10.0) / 60.0, ..Plant::draw(random) };
            (plant, sensor(random))
        });
        show("noise filtered over 0.5-10 s", plants, time, |random| {
            let filter_s = log_uniform(random, 0.5, 10.0);
            (Plant::draw(random), Sensor { filter_s, ..sensor(random) })
        });
        for quantum in [1e-3, 10e-3] {
            show(&format!("digits of {} mK", 1e3 * quantum), plants, time, |random| {
                (Plant::draw(random), Sensor { quantum, ..sensor(random) })
            });
            show(&format!("digits of {} mK, no noise", 1e3 * quantum), plants, time, |random| {
                (Plant::draw(random), Sensor { quantum, ..Sensor::default() })
            });
        }
        show("base drifts 0.1-100 mK/min", plants, time, |random| {
            let drift = log_uniform(random, 1e-4, 0.1) / 60.0;
            (Plant { drift, ..Plant::draw(random) }, sensor(random))
        });
        for (name, least, most) in [
            ("cycle of 0.1-0.5 band", 0.1, 0.5),
            ("cycle of 0.5-1 band", 0.5, 1.0),
            ("cycle of 1.1-5 band", 1.1, 5.0),
        ] {
            show(name, plants, time, |random| {
                // A loop that oscillates does so with about the period of its approach.
                let plant = Plant::draw(random);
                let period = plant.period * random.random_range(0.7..1.5);
                let cycle = (0.02 * random.random_range(least..most), period);
                (Plant { cycle, ..plant }, sensor(random))
            });
        }
    }
}
