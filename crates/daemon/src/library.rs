//! The documents of a bench on this machine, by the names that requests use. A request names documents; it never carries one,
//! nor a path.

use crate::problem::Refusal;
use crate::view::Documents;
use quadrille_documents::Document;
use quadrille_operations::{Error, Inputs};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Where a bench's documents are.
#[derive(Clone, Debug)]
pub struct Library {
    /// The bench document.
    pub bench: PathBuf,
    /// Sample documents, or folders of them.
    pub samples: Vec<PathBuf>,
    /// Recipe documents, or folders of them.
    pub recipes: Vec<PathBuf>,
}

impl Library {
    /// The names that may be asked for now.
    pub fn list(&self) -> Documents {
        Documents {
            bench: stem(&self.bench),
            samples: found(&self.samples, "sample").into_keys().collect(),
            recipes: found(&self.recipes, "recipe").into_keys().collect(),
        }
    }

    /// Reads the documents that a request names, all faults at once.
    pub fn read(&self, samples: &[String], recipe: &str) -> Result<Inputs, Refusal> {
        if samples.is_empty() {
            return Err(Refusal::unprocessable("no sample is named", "name one at least in \"samples\""));
        }
        let (known, recipes) = (found(&self.samples, "sample"), found(&self.recipes, "recipe"));
        let paths: Result<Vec<&PathBuf>, Refusal> =
            samples.iter().map(|name| pick(&known, "sample", name)).collect();
        let (samples, recipe) = (paths?, pick(&recipes, "recipe", recipe)?);
        Inputs::read_many(&self.bench, &samples, Some(recipe)).map_err(|error| Refusal::of(&error))
    }

    /// The bench with a sample that its wiring knows: enough to stand it down.
    pub(crate) fn bench_alone(&self) -> Result<Inputs, Error> {
        let known = found(&self.samples, "sample");
        let mut outcome = Err(Error::Simulation("the bench has no sample document".to_owned()));
        for path in known.values() {
            outcome = Inputs::read_many(&self.bench, &[path], None);
            let fits = |inputs: &Inputs| {
                inputs.equipped.bench.wiring.columns_of_each(&inputs.samples).is_ok()
                    && inputs.samples[0].model.is_some()
            };
            if outcome.as_ref().is_ok_and(fits) {
                break;
            }
        }
        outcome
    }
}

fn pick<'l>(known: &'l BTreeMap<String, PathBuf>, kind: &str, name: &str) -> Result<&'l PathBuf, Refusal> {
    known.get(name).ok_or_else(|| {
        let names: Vec<&str> = known.keys().map(String::as_str).collect();
        // What was asked for is a stranger's text: it is quoted shortly, and as a text.
        let name: String = name.chars().filter(|c| !c.is_control()).take(60).collect();
        let remedy = format!("name one of: {}", names.join(", "));
        Refusal::unprocessable(format!("there is no {kind} document \"{name}\" on this bench"), remedy)
    })
}

/// Documents of a kind by their names: those that are listed, and those in the folders that are listed.
fn found(places: &[PathBuf], kind: &str) -> BTreeMap<String, PathBuf> {
    let mut found = BTreeMap::new();
    for place in places {
        if !place.is_dir() {
            found.insert(stem(place), place.clone());
            continue;
        }
        let Ok(entries) = std::fs::read_dir(place) else { continue };
        for path in entries.flatten().map(|entry| entry.path()) {
            if path.extension().is_some_and(|end| end == "toml") && is_of(&path, kind) {
                found.insert(stem(&path), path);
            }
        }
    }
    found
}

/// Whether a document in a folder is of a kind; one that is wrong is, so that asking for it tells its faults.
fn is_of(path: &Path, kind: &str) -> bool {
    let Ok(text) = std::fs::read_to_string(path) else { return false };
    let name = path.display().to_string();
    let read = quadrille_documents::document(&name, &text, |_| Ok(()));
    read.as_ref().map_or_else(
        |_| text.contains(&format!("kind = \"{kind}\"")),
        |document: &Document| document.kind() == kind,
    )
}

fn stem(path: &Path) -> String {
    path.file_stem().map_or_else(String::new, |stem| stem.to_string_lossy().into_owned())
}
