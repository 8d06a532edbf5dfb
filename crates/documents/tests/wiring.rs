//! How several samples are wired to one matrix, and what contradictions are answered with.
#![allow(clippy::unwrap_used)]

use quadrille_documents::{Bench, Faults, Sample, Wiring, bench, sample};

fn config(path: &str) -> String {
    let root = concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/");
    std::fs::read_to_string(format!("{root}{path}")).unwrap()
}

/// The demonstration's bench with the maps of several samples instead of one.
fn wired(samples: &str) -> Result<Bench, Faults> {
    let text = config("demo/bench.toml").replace("columns = [1, 2, 3, 4]", "") + samples;
    bench("bench.toml", &text, |_| Ok(()))
}

fn one() -> Wiring {
    bench("bench.toml", &config("demo/bench.toml"), |_| Ok(())).unwrap().wiring
}

/// The film of the demonstration by another name.
fn film(file: &str, name: &str) -> Sample {
    let text = config("demo/film.toml").replace("film of the demonstration", name);
    sample(file, &text).unwrap()
}

const TWO: &str = r#"[[wiring.sample]]
name = "left"
columns = [6, 2, 9, 4, 7]
[[wiring.sample]]
name = "right"
columns = [8, 1, 5, 3]
"#;

#[test]
fn each_sample_has_the_columns_of_its_name() {
    let wiring = wired(TWO).unwrap().wiring;
    assert_eq!(wiring.columns_of("right"), Some([8, 1, 5, 3].as_slice()));
    assert_eq!(wiring.columns_of("left"), Some([6, 2, 9, 4, 7].as_slice()));
    assert_eq!(wiring.columns_of("Right"), None);
    assert_eq!(wiring.columns().collect::<Vec<_>>(), [6, 2, 9, 4, 7, 8, 1, 5, 3]);
}

#[test]
fn columns_without_a_name_are_those_of_any_sample() {
    assert_eq!(one().columns_of("Right"), Some([1, 2, 3, 4].as_slice()));
}

#[test]
fn a_column_of_two_samples_is_told_at_its_line() {
    let faults = wired(&TWO.replace("8, 1, 5", "8, 1, 9")).unwrap_err().to_string();
    // After the demonstration's own lines.
    let first = config("demo/bench.toml").lines().count() + 1;
    let expected = format!(
        "bench.toml:{}:18: wiring.sample[1].columns[2]: column 9 is also a contact of the sample on line {}; give \
         each contact of each sample its own column",
        first + 5,
        first + 2
    );
    assert_eq!(faults, expected);
}

#[test]
fn maps_that_are_wrong_in_themselves_are_refused() {
    let check = |right: &str, wrong: &str, expected: &str| {
        assert!(TWO.contains(right));
        let faults = wired(&TWO.replacen(right, wrong, 1)).unwrap_err().to_string();
        assert!(faults.contains(expected), "{expected:?} is not said in:\n{faults}");
    };
    check("\"right\"", "\"left\"", "wiring.sample[1].name: \"left\" is also the sample on line");
    check("[8, 1, 5, 3]", "[8, 1, 5]", "wiring.sample[1].columns: only 3 contacts are wired");
    check("[8, 1, 5, 3]", "[8, 1, 5, 0]", "wiring.sample[1].columns[3]: 0 is out of bounds");
    check(
        "[8, 1, 5, 3]",
        "[8, 1, 8, 3]",
        "wiring.sample[1].columns[2]: contacts 1 and 3 are both on column 8",
    );
    check("name = \"right\"", "names = \"right\"", "`name` is missing in [wiring.sample[1]]");
    check("columns = [8", "column = [8", "`columns` is missing in [wiring.sample[1]]");
}

#[test]
fn columns_of_one_sample_beside_those_of_several_are_refused() {
    let text = config("demo/bench.toml") + TWO;
    let faults = bench("bench.toml", &text, |_| Ok(())).unwrap_err().to_string();
    assert!(
        faults.contains("wiring.columns: the columns of one sample beside [[wiring.sample]]"),
        "{faults}"
    );
}

#[test]
fn buffers_are_on_no_column_of_any_sample() {
    let text = config("demo/bench.toml").replace("columns = [1, 2, 3, 4]", "").replace("5!1", "4!5") + TWO;
    let faults = bench("bench.toml", &text, |_| Ok(())).unwrap_err().to_string();
    assert!(faults.contains("4!5 joins an instrument to a contact"), "{faults}");
}

#[test]
fn samples_come_in_any_order() {
    let (left, right) = (film("left.toml", "left"), film("right.toml", "right"));
    let columns = wired(TWO).unwrap().wiring.columns_of_each(&[&right, &left]).unwrap();
    assert_eq!(columns, [vec![8, 1, 5, 3], vec![6, 2, 9, 4, 7]]);
}

#[test]
fn samples_that_a_bench_does_not_wire_together_are_told_at_their_name() {
    let check = |wiring: &Wiring, samples: &[Sample], expected: &str| {
        let faults = wiring.columns_of_each(samples).unwrap_err().to_string();
        assert!(faults.contains(expected), "{expected:?} is not said in:\n{faults}");
    };
    let two = wired(TWO).unwrap().wiring;
    let with = |other: Sample| [film("left.toml", "left"), other];
    check(
        &two,
        &with(film("other.toml", "rihgt")),
        "other.toml:4:8: name: the bench wires no sample of the name \"rihgt\"; it wires \"left\", \"right\": write one",
    );
    check(
        &two,
        &with(film("again.toml", "left")),
        "again.toml:4:8: name: \"left\" is also the name in left.toml:4",
    );
    check(
        &one(),
        &with(film("right.toml", "right")),
        "right.toml:4:8: name: the bench wires one sample, and that is \"left\"",
    );
}
