//! How quick and how honest settling by evidence is on the simulated bench, regime by regime, beside an oracle that knows
//! every time constant and noise, and beside fixed waits. Virtual time, the instruments' real strings, seeded nights.
//!
//! `cargo bench -p quadrille-operations --bench settling -- [--nights N] [--regime NAME] [--class NAME] [--check]`
#![allow(clippy::print_stdout, clippy::unwrap_used, clippy::disallowed_methods)]

mod night;
mod oracle;
mod regime;
mod scribe;
mod twin;

use regime::{Class, Draw, Part, REGIMES};

fn main() {
    for regime in REGIMES {
        let begun = std::time::Instant::now();
        let draw = Draw::new(regime, Class::Plain, 1);
        let ends = night::ends(&draw, Part::Resistivity);
        let t1 = begun.elapsed().as_secs_f64();
        let scatter = night::scatter(&draw);
        let foreseen = night::foreseen(&draw, &ends, night::fewest(scatter));
        let t2 = begun.elapsed().as_secs_f64();
        let needed = night::needed_wait(&draw, &ends);
        let t3 = begun.elapsed().as_secs_f64();
        let fixed = night::measured(&draw, "time_constants = 14", Part::Resistivity, |_| {});
        println!("{}: tau {:.4} slower {:.1} tail {:.1e} noise {:.1e} scatter {scatter:.1e}: oracle first {:.3} round {:.3} s, changes {} steps {} complaints {}; needed {:.4} s; fixed {:.3} s compl {}; wall {t1:.2} {:.2} {:.2} {:.2}",
            regime.name, draw.tau_s, draw.slower, draw.tail, draw.noise,
            foreseen.scribe.first_s(), foreseen.scribe.rounds[0].length_s(), foreseen.waits.len(),
            foreseen.waits.iter().map(|w| w.steps.len()).sum::<usize>(), foreseen.complaints, needed,
            fixed.scribe.rounds[0].length_s(), fixed.complaints, t2-t1, t3-t2, begun.elapsed().as_secs_f64()-t3);
    }
}
