//! What a reading costs the simulated bench with one sample or several on the matrix: films of the demonstration's kind, the
//! recipe of its film. Prints milliseconds for each reading, the quickest of several rehearsals.
#![allow(clippy::print_stdout, clippy::unwrap_used, clippy::disallowed_methods)]

use quadrille_operations::{Ending, Inputs, SimulationOptions, rehearse};
use std::path::{Path, PathBuf};
use std::time::Instant;

fn demo(file: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo")).join(file)
}

/// The demonstration's bench with so many samples wired, and a film for each.
fn documents(folder: &Path, wired: usize) -> (PathBuf, Vec<PathBuf>) {
    let mut bench = std::fs::read_to_string(demo("bench.toml")).unwrap();
    bench = bench.replace("columns = [1, 2, 3, 4]", "");
    let film = std::fs::read_to_string(demo("film.toml")).unwrap();
    let mut samples = Vec::new();
    for k in 0..wired {
        let first = 4 * k + 1;
        let columns = [first, first + 1, first + 2, first + 3];
        bench += &format!("[[wiring.sample]]\nname = \"film {k}\"\ncolumns = {columns:?}\n");
        let path = folder.join(format!("film-{k}.toml"));
        std::fs::write(&path, film.replace("film of the demonstration", &format!("film {k}"))).unwrap();
        samples.push(path);
    }
    let path = folder.join(format!("bench-{wired}.toml"));
    std::fs::write(&path, bench).unwrap();
    (path, samples)
}

fn milliseconds(inputs: &Inputs) -> f64 {
    let mut least = f64::INFINITY;
    for _ in 0..9 {
        let begun = Instant::now();
        let rehearsed = rehearse(inputs, SimulationOptions::default(), &mut ()).unwrap();
        let wall = begun.elapsed().as_secs_f64();
        assert!(matches!(rehearsed.outcome.ending, Ending::Finished), "{:?}", rehearsed.outcome);
        least = least.min(1e3 * wall / rehearsed.readings.len() as f64);
    }
    least
}

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let recipe = demo("film-recipe.toml");
    let one = Inputs::read(&demo("bench.toml"), &demo("film.toml"), Some(&recipe)).unwrap();
    let single = milliseconds(&one);
    println!("the demonstration's bench and film: {single:.3} ms");
    for (wired, there) in [(1, 1), (2, 1), (2, 2), (4, 1), (4, 4), (8, 8)] {
        let (bench, samples) = documents(folder.path(), wired);
        let inputs = Inputs::read_many(&bench, &samples[..there], Some(&recipe)).unwrap();
        let cost = milliseconds(&inputs);
        println!("{wired} wired, {there} there: {cost:.3} ms, {:.2} times", cost / single);
    }
}
