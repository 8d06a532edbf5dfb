//! The daemon's document from its file: what it names is found from where it stands.

use quadrille_documents::{Daemon, Fault, Faults, Located, Place};
use quadrille_operations::Error;
use std::os::unix::fs::DirBuilderExt as _;
use std::path::{Path, PathBuf};

/// A daemon's document with the paths that it names.
#[derive(Clone, Debug)]
pub struct Config {
    /// The document.
    pub document: Daemon,
    /// Where journals, tokens and the audit record are.
    pub folder: PathBuf,
    /// Certificate and key.
    pub tls: Option<(PathBuf, PathBuf)>,
    /// Documents of each bench, in order.
    pub benches: Vec<BenchPaths>,
}

/// The documents of a bench.
#[derive(Clone, Debug)]
pub struct BenchPaths {
    /// Its own.
    pub bench: PathBuf,
    /// Samples, or folders of them.
    pub samples: Vec<PathBuf>,
    /// Recipes, or folders of them.
    pub recipes: Vec<PathBuf>,
}

impl Config {
    /// Reads a daemon's document. What it names must be there: all faults at once.
    pub fn read(path: &Path) -> Result<Self, Error> {
        let name = path.display().to_string();
        let text = std::fs::read_to_string(path).map_err(|error| {
            let place = Place { document: name.as_str().into(), line: 1, column: 1, key: String::new() };
            let problem = format!("the file cannot be read: {error}");
            Faults::from(Fault { place, problem, remedy: "write the path of a daemon's document".into() })
        })?;
        let document = quadrille_documents::daemon(&name, &text)?;
        let from = path.parent().unwrap_or(Path::new(""));
        let mut faults = Vec::new();
        let mut found = |named: &Located<String>| {
            let path = from.join(&named.value);
            if !path.exists() {
                let problem = format!("{} is not there", path.display());
                faults.push(named.fault(problem, "write a path from this document"));
            }
            path
        };
        let benches = document.benches.iter().map(|bench| BenchPaths {
            bench: found(&bench.bench),
            samples: bench.samples.iter().map(&mut found).collect(),
            recipes: bench.recipes.iter().map(&mut found).collect(),
        });
        let benches = benches.collect();
        let tls = document.tls.as_ref().map(|tls| (found(&tls.certificate), found(&tls.key)));
        if !faults.is_empty() {
            return Err(Faults(faults).into());
        }
        Ok(Self { folder: from.join(&document.folder.value), document, tls, benches })
    }

    /// Makes the folder where it is not there: what is in it is for the daemon's user alone.
    pub fn make_folder(&self) -> std::io::Result<()> {
        std::fs::DirBuilder::new().recursive(true).mode(0o700).create(&self.folder)
    }

    /// The audit record.
    pub fn audit(&self) -> PathBuf {
        self.folder.join("audit.jsonl")
    }

    /// The tokens.
    pub fn tokens(&self) -> PathBuf {
        self.folder.join("tokens.json")
    }

    /// The socket of the console, for whoever is at the machine.
    pub fn console(&self) -> PathBuf {
        self.folder.join("console.sock")
    }
}
