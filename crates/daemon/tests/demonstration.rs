//! The demonstration's daemon: its document is right, and what it names is there.
#![allow(clippy::unwrap_used)]

use quadrille_daemon::config::Config;
use quadrille_daemon::library::Library;
use quadrille_operations::plan;
use std::path::Path;

#[test]
fn every_recipe_of_the_demonstration_can_be_planned_for_each_of_its_samples() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo/daemon.toml");
    let config = Config::read(Path::new(path)).unwrap();
    assert!(config.document.listen.value.ip().is_loopback());
    assert_eq!(config.benches.len(), 2);
    for paths in config.benches {
        let library = Library { bench: paths.bench, samples: paths.samples, recipes: paths.recipes };
        let known = library.list();
        assert!(!known.samples.is_empty() && !known.recipes.is_empty());
        for sample in known.samples {
            let inputs = library.read(std::slice::from_ref(&sample), &known.recipes[0]);
            match inputs {
                Ok(inputs) => assert!(!plan(&inputs).unwrap().rounds.is_empty(), "{sample}"),
                Err(refusal) => panic!("{sample}: {refusal}"),
            }
        }
    }
}
