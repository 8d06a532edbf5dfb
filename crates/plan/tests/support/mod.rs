//! Documents of the demonstration, changed in one place where a test needs it.
#![allow(dead_code, clippy::unwrap_used)]

use quadrille_documents::{Recipe, Sample, bench, dialect, recipe, sample};
use quadrille_plan::EquippedBench;

pub(crate) fn config(path: &str) -> String {
    std::fs::read_to_string(format!("{}/../../config/{path}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

/// A text with others in place of parts of it, which must stand in it.
#[track_caller]
pub(crate) fn changed(text: &str, changes: &[(&str, &str)]) -> String {
    changes.iter().fold(text.to_owned(), |text, (old, new)| {
        assert!(text.contains(old), "{old:?} does not stand in:\n{text}");
        text.replacen(old, new, 1)
    })
}

/// The demonstration's bench, its bench document and its source's dialect changed.
pub(crate) fn equipped_with(of_bench: &[(&str, &str)], of_source: &[(&str, &str)]) -> EquippedBench {
    let bench = bench("bench.toml", &changed(&config("demo/bench.toml"), of_bench), |_| Ok(())).unwrap();
    let read = |name: &str| dialect(name, &config(&format!("dialects/{name}.toml"))).unwrap();
    let source = changed(&config("dialects/current-source.toml"), of_source);
    let source = dialect("current-source", &source).unwrap();
    let dialects = vec![source, read("voltmeter"), read("ammeter"), read("switch-matrix")];
    EquippedBench { bench, dialects }
}

pub(crate) fn equipped() -> EquippedBench {
    equipped_with(&[], &[])
}

/// The bench of the long night, with its cryostat and its magnet.
pub(crate) fn with_cryostat() -> EquippedBench {
    let bench = bench("bench.toml", &config("demo/night-bench.toml"), |_| Ok(())).unwrap();
    let read = |name: &str| dialect(name, &config(&format!("dialects/{name}.toml"))).unwrap();
    let dialects = bench.instruments.iter().map(|instrument| read(&instrument.dialect.value)).collect();
    EquippedBench { bench, dialects }
}

/// Without guard and buffers.
pub(crate) fn plain_bench() -> EquippedBench {
    let buffers = "[wiring.buffers]              # unity-gain buffers in both sense lines\ncrosspoint = \"5!1\"\n\
        input_resistance_ohm = 1e15\nbias_current_a = 2e-15\n";
    equipped_with(&[("guard = true", "guard = false"), (buffers, "")], &[])
}

pub(crate) fn demo_sample(name: &str) -> Sample {
    sample(name, &config(&format!("demo/{name}"))).unwrap()
}

pub(crate) fn demo_recipe(changes: &[(&str, &str)]) -> Recipe {
    recipe("recipe.toml", &changed(&config("demo/film-recipe.toml"), changes)).unwrap()
}

/// A standard of four resistors in a ring from contact to contact, each good to one in a thousand.
pub(crate) fn ring(ohms: [f64; 4], limits: &str) -> Sample {
    let [ab, bc, cd, da] = ohms;
    let text = format!(
        "kind = \"sample\"\nname = \"ring\"\ncontacts = [\"a\", \"b\", \"c\", \"d\"]\n{limits}[model]\n\
        type = \"network\"\ntolerance = 0.001\nresistors = [[\"a\", \"b\", {ab:e}], [\"b\", \"c\", {bc:e}], \
        [\"c\", \"d\", {cd:e}], [\"d\", \"a\", {da:e}]]\n"
    );
    sample("ring.toml", &text).unwrap()
}
