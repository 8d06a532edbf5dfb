//! Prints what rings of given ratios can show: scale, set, tolerance and four ratios as arguments.
#![allow(clippy::print_stdout, clippy::unwrap_used)]

#[path = "../tests/generator/mod.rs"]
mod generator;

use generator::{Scale, bench, drive};
use quadrille_diagnosis::{ReadingSet, Standard, power};
use quadrille_quantity::Ohm;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let argument = |k: usize, default: &str| arguments.get(k).cloned().unwrap_or_else(|| default.to_owned());
    let (scale, base) = match argument(0, "10k").as_str() {
        "10k" => (Scale::TenKilohm, 1e4),
        _ => (Scale::TenGigohm, 1e10),
    };
    let set = if argument(1, "full") == "full" { ReadingSet::Full } else { ReadingSet::Standard };
    let tolerance: f64 = argument(2, "0.01").parse().unwrap();
    let ratio =
        |k: usize| Ohm(base * argument(3 + k, ["0.6", "0.9", "1.32", "1.98"][k]).parse::<f64>().unwrap());
    let standard = Standard::ring([ratio(0), ratio(1), ratio(2), ratio(3)], tolerance).unwrap();
    let power = power(&standard, &bench(scale), drive(scale), set).unwrap();
    for limit in &power.limits {
        println!("{:?} {:?} {:.2}", limit.fault, limit.size, limit.distance);
    }
    for pair in &power.alike {
        println!("{:?} ~ {:?}: {:.2}", pair.first, pair.second, pair.distance);
    }
    for warning in &power.warnings {
        println!("{warning}");
    }
}
