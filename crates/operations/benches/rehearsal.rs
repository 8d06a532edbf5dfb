//! How many times quicker than the bench a rehearsal is: eight configurations, both polarities, both signs of the
//! field. Prints the ratio of virtual to real time, and the real time, of the quickest, the median and the slowest of
//! several rehearsals in one run.
#![allow(clippy::print_stdout, clippy::unwrap_used, clippy::disallowed_methods)]

use quadrille_operations::{Inputs, SimulationOptions, rehearse};
use std::path::PathBuf;
use std::time::Instant;

const RECIPE: &str = r#"
kind = "recipe"
name = "eight configurations, both polarities, both signs of the field"
current_a = 1e-4
voltage_limit_v = 2.0
temperature_k = 295.0
[settling]
time_constants = 14
[hall]
fields_t = [0.5, -0.5]
configurations = ["21,34", "12,43", "32,41", "23,14", "43,12", "34,21", "14,23", "41,32"]
"#;

fn main() {
    let demo = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo"));
    let recipe = std::env::temp_dir().join(format!("quadrille-rehearsal-{}.toml", std::process::id()));
    std::fs::write(&recipe, RECIPE).unwrap();
    let inputs = Inputs::read(&demo.join("bench.toml"), &demo.join("film.toml"), Some(&recipe)).unwrap();
    std::fs::remove_file(&recipe).unwrap();
    let mut walls = Vec::new();
    let mut virtual_s = 0.0;
    for _ in 0..21 {
        let begun = Instant::now();
        let rehearsed = rehearse(&inputs, SimulationOptions::default(), &mut ()).unwrap();
        walls.push(begun.elapsed().as_secs_f64());
        virtual_s = rehearsed.duration.0;
        assert_eq!(rehearsed.readings.len(), 32);
    }
    walls.sort_by(f64::total_cmp);
    println!("32 readings, {virtual_s:.3} s at the bench");
    for (name, wall) in [("quickest", walls[0]), ("median", walls[10]), ("slowest", walls[20])] {
        println!("{name:>8}: {wall:.4} s, {:.0} times quicker than the bench", virtual_s / wall);
    }
}
