//! The table of `docs/ARCHITECTURE.md` held against the manifests, and what no file of the project may have.
#![allow(clippy::unwrap_used)]

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

type Arrows = BTreeMap<String, BTreeSet<String>>;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// Rows of the table: place, and the rooms that it imports.
fn told() -> Arrows {
    let text = std::fs::read_to_string(root().join("docs/ARCHITECTURE.md")).unwrap();
    let rows = text.lines().filter(|line| line.starts_with("| `"));
    rows.map(|row| {
        let cells: Vec<&str> = row.split('|').map(str::trim).collect();
        let imports = cells[3].split(',').map(str::trim).filter(|room| *room != "—").map(str::to_owned);
        (cells[1].trim_matches('`').to_owned(), imports.collect())
    })
    .collect()
}

/// The same from the manifests: what is compiled into a room, tests apart.
fn built() -> Arrows {
    let mut places: Vec<PathBuf> =
        std::fs::read_dir(root().join("crates")).unwrap().map(|entry| entry.unwrap().path()).collect();
    places.extend([root().join("simulators/bench"), root().join("tests")]);
    let arrows = places.iter().map(|place| {
        let manifest: toml::Table =
            toml::from_str(&std::fs::read_to_string(place.join("Cargo.toml")).unwrap()).unwrap();
        let dependencies = manifest.get("dependencies").and_then(|table| table.as_table());
        let names =
            dependencies.into_iter().flatten().filter_map(|(name, _)| name.strip_prefix("quadrille-"));
        let place = place.strip_prefix(root()).unwrap().display().to_string();
        (place, names.map(str::to_owned).collect())
    });
    arrows.collect()
}

#[test]
fn the_table_of_rooms_is_what_is_built() {
    let (told, built) = (told(), built());
    let places = |arrows: &Arrows| arrows.keys().cloned().collect::<BTreeSet<_>>();
    assert_eq!(places(&told), places(&built), "rooms told (left) and built (right)");
    for (place, imports) in &built {
        assert_eq!(&told[place], imports, "what {place} imports, as told (left) and as built (right)");
    }
}

#[test]
fn the_simulator_shares_no_room_with_what_it_tests() {
    let arrows = built();
    let mut reached = BTreeSet::new();
    let mut ahead = vec!["bench".to_owned()];
    while let Some(room) = ahead.pop() {
        let place = if room == "bench" { "simulators/bench".to_owned() } else { format!("crates/{room}") };
        if reached.insert(room) {
            ahead.extend(arrows[&place].iter().cloned());
        }
    }
    for room in ["drivers", "scheduler", "plan", "reduction", "operations", "instruments"] {
        assert!(!reached.contains(room), "the simulator reaches {room}");
    }
}

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() && !name.starts_with('.') && name != "target" && name != "__pycache__" {
            sources(&path, found);
        } else if path.extension().is_some_and(|end| end == "rs") {
            found.push(path);
        }
    }
}

#[test]
fn every_source_file_opens_with_what_it_is() {
    let mut files = Vec::new();
    sources(&root(), &mut files);
    assert!(files.len() > 100);
    for file in files {
        let text = std::fs::read_to_string(&file).unwrap();
        assert!(text.starts_with("//! "), "{} does not say what it is", file.display());
    }
}

#[test]
fn the_readme_begins_with_two_commands() {
    let text = std::fs::read_to_string(root().join("README.md")).unwrap();
    let blocks: Vec<&str> =
        text.split("```sh\n").skip(1).map(|rest| rest.split("```").next().unwrap()).collect();
    assert!(blocks.len() >= 2);
    for block in &blocks[..2] {
        assert_eq!(block.trim().lines().count(), 1, "one command each: {block}");
    }
    let ci = std::fs::read_to_string(root().join(".ci/run")).unwrap();
    assert!(ci.contains(blocks[1].trim()), ".ci/run calls the test command of the README");
}
