//! How long a rehearsal of a whole night takes: twelve hours, 60 temperatures, no field and both signs of one, eight
//! configurations with reversal at each, through drivers, links in memory and simulated devices as every rehearsal goes.
//! Prints the quickest, the median and the slowest of several in one run.
#![allow(clippy::print_stdout, clippy::unwrap_used, clippy::disallowed_methods)]

use quadrille_operations::{Ending, Inputs, SimulationOptions, rehearse};
use std::path::PathBuf;
use std::time::Instant;

const TEMPERATURES: u32 = 60;
const RUNS: usize = 5;

fn recipe() -> String {
    let kelvin = |k: u32| format!("{:.1}", 300.0 - 3.6 * f64::from(k));
    let kelvins: Vec<String> = (0..TEMPERATURES).map(kelvin).collect();
    format!(
        r#"
kind = "recipe"
name = "twelve hours"
current_a = 1e-6
voltage_limit_v = 5.0
reversal = "+-"
temperatures_k = [{}]
[stability]
within_k = 0.05
for_s = 520
ramp_k_per_min = 8.0
[settling]
time_constants = 14
[resistivity]
configurations = "standard"
[hall]
fields_t = [0.6, -0.6]
configurations = ["21,34", "12,43", "32,41", "23,14", "43,12", "34,21", "14,23", "41,32"]
"#,
        kelvins.join(", ")
    )
}

fn main() {
    let demo = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo"));
    let path = std::env::temp_dir().join(format!("quadrille-night-{}.toml", std::process::id()));
    std::fs::write(&path, recipe()).unwrap();
    let inputs =
        Inputs::read(&demo.join("night-bench.toml"), &demo.join("night-film.toml"), Some(&path)).unwrap();
    std::fs::remove_file(&path).unwrap();
    let mut walls = Vec::new();
    let mut virtual_s = 0.0;
    for _ in 0..RUNS {
        let begun = Instant::now();
        let rehearsed = rehearse(&inputs, SimulationOptions::default(), &mut ()).unwrap();
        walls.push(begun.elapsed().as_secs_f64());
        assert!(matches!(rehearsed.outcome.ending, Ending::Finished), "{:?}", rehearsed.outcome);
        assert_eq!(rehearsed.readings.len(), TEMPERATURES as usize * 3 * 8 * 2);
        virtual_s = rehearsed.duration.0;
        assert!(virtual_s >= 12.0 * 3600.0, "{virtual_s}");
    }
    walls.sort_by(f64::total_cmp);
    println!("{} readings, {:.2} h at the bench", TEMPERATURES * 3 * 8 * 2, virtual_s / 3600.0);
    for (name, wall) in [("quickest", walls[0]), ("median", walls[RUNS / 2]), ("slowest", walls[RUNS - 1])] {
        println!("{name:>8}: {wall:.3} s, {:.0} times quicker than the bench", virtual_s / wall);
    }
}
