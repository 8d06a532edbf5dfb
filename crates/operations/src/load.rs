//! Documents from files: all of them read, all their faults told at once.

use crate::Error;
use quadrille_documents::{
    self as documents, Bench, Dialect, Document, Fault, Faults, Instrument, Place, Recipe, Role, Sample,
};
use quadrille_experiment::Reading;
use quadrille_journal::FrozenDocument;
use quadrille_link::Resource;
use quadrille_plan::{EquippedBench, Plan};
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::io::Read;
use std::path::Path;

/// The dialects that come with the program.
const SHIPPED: [(&str, &str); 6] = [
    ("current-source", include_str!("../../../config/dialects/current-source.toml")),
    ("voltmeter", include_str!("../../../config/dialects/voltmeter.toml")),
    ("ammeter", include_str!("../../../config/dialects/ammeter.toml")),
    ("switch-matrix", include_str!("../../../config/dialects/switch-matrix.toml")),
    ("temperature-controller", include_str!("../../../config/dialects/temperature-controller.toml")),
    ("field-source", include_str!("../../../config/dialects/field-source.toml")),
];

/// What messages and records call a dialect that comes with the program, before its name.
const SHIPPED_NAME: &str = "shipped dialect ";

/// Documents that belong together, as they were when they were read.
#[derive(Clone, Debug)]
pub struct Inputs {
    /// The bench with its dialects.
    pub equipped: EquippedBench,
    /// The samples in the order in which they were named; one at least.
    pub samples: Vec<Sample>,
    /// The recipe, where there is one.
    pub recipe: Option<Recipe>,
    /// The texts, for the record.
    pub frozen: Vec<FrozenDocument>,
}

impl Inputs {
    /// Reads a bench with its dialects, a sample and, where it is given, a recipe.
    pub fn read(bench: &Path, sample: &Path, recipe: Option<&Path>) -> Result<Self, Error> {
        Self::read_many(bench, &[sample], recipe)
    }

    /// The same with several samples on one matrix.
    pub fn read_many(
        bench: &Path,
        samples: &[impl AsRef<Path>],
        recipe: Option<&Path>,
    ) -> Result<Self, Error> {
        let mut reader = Reader::default();
        let equipped = reader.equipped(bench);
        let samples: Vec<Option<Sample>> =
            samples.iter().map(|sample| reader.read(sample.as_ref(), documents::sample)).collect();
        let samples: Option<Vec<Sample>> = samples.into_iter().collect();
        let recipe = recipe.map(|recipe| reader.read(recipe, documents::recipe));
        reader.finish()?;
        match (equipped, samples, recipe) {
            (Some(equipped), Some(samples), None) if !samples.is_empty() => {
                Ok(Self { equipped, samples, recipe: None, frozen: reader.frozen })
            }
            (Some(equipped), Some(samples), Some(Some(recipe))) if !samples.is_empty() => {
                Ok(Self { equipped, samples, recipe: Some(recipe), frozen: reader.frozen })
            }
            // Whatever could not be read has left a fault: `finish` has returned it.
            _ => Err(Error::Documents(Faults(Vec::new()))),
        }
    }

    /// Documents as a record has frozen them: no file is read.
    pub(crate) fn frozen(documents: &[FrozenDocument]) -> Result<Self, Error> {
        let mut reader = Reader { kept: Some(documents.to_vec()), ..Reader::default() };
        let (mut bench, mut samples, mut recipe) = (None, Vec::new(), None);
        for document in documents.iter().filter(|document| !document.name.starts_with(SHIPPED_NAME)) {
            let parsed = documents::document(&document.name, &document.text, resource);
            match reader.keep(parsed) {
                Some(Document::Bench(found)) => bench = Some((*found, document.name.clone())),
                Some(Document::Sample(sample)) => samples.push(*sample),
                Some(Document::Recipe(found)) => recipe = Some(*found),
                Some(Document::Dialect(_) | Document::Daemon(_)) | None => {}
            }
        }
        let equipped = bench.and_then(|(bench, name)| reader.equip(bench, Path::new(&name)));
        reader.finish()?;
        match equipped {
            Some(equipped) if !samples.is_empty() => {
                Ok(Self { equipped, samples, recipe, frozen: documents.to_vec() })
            }
            _ => Err(Error::Documents(Faults(Vec::new()))),
        }
    }

    /// SHA-256 of the plan that these documents give, in hexadecimal, as records keep it.
    pub fn plan_sha256(plan: &Plan) -> String {
        // A plan holds numbers and texts only: it can always be written.
        sha256(&serde_json::to_string(plan).unwrap_or_default())
    }

    /// The first of the samples: a proof has one only.
    pub fn sample(&self) -> &Sample {
        // There is one at least: `read_many` makes no other.
        &self.samples[0]
    }

    /// The same with a bench whose instruments are reached elsewhere.
    #[must_use]
    pub fn with_bench(&self, equipped: EquippedBench) -> Self {
        Self { equipped, ..self.clone() }
    }
}

/// Reads a bench with its dialects.
pub fn equipped(path: &Path) -> Result<EquippedBench, Error> {
    let mut reader = Reader::default();
    let equipped = reader.equipped(path);
    reader.finish()?;
    equipped.ok_or_else(|| Error::Documents(Faults(Vec::new())))
}

/// Reads a sample alone.
pub(crate) fn sample(path: &Path) -> Result<Sample, Error> {
    alone(path, documents::sample)
}

/// Reads a sample and a table of readings, and takes of it what is that sample's.
pub(crate) fn sample_and_readings(sample: &Path, table: &Path) -> Result<(Sample, Vec<Reading>), Error> {
    let (sample, rows) = match (self::sample(sample), alone(table, documents::readings)) {
        (Err(Error::Documents(mut faults)), Err(Error::Documents(more))) => {
            faults.0.extend(more.0);
            return Err(faults.into());
        }
        (sample, rows) => (sample?, rows?),
    };
    let name = &sample.name.value;
    let others: BTreeSet<&str> =
        rows.iter().filter_map(|row| row.sample.as_deref()).filter(|other| other != name).collect();
    let own = rows.iter().filter(|row| row.sample.as_ref().is_none_or(|of| of == name));
    let own: Vec<Reading> = own.map(|row| row.reading).collect();
    if own.is_empty() {
        let others = others.into_iter().collect::<Vec<_>>().join("\", \"");
        let problem =
            format!("{} has no reading of \"{name}\"; it has some of \"{others}\"", table.display());
        let fault = sample.name.fault(problem, "take that sample's document");
        return Err(Faults::from(fault).into());
    }
    Ok((sample, own))
}

fn alone<T>(path: &Path, parse: fn(&str, &str) -> Result<T, Faults>) -> Result<T, Error> {
    let mut reader = Reader::default();
    let found = reader.read(path, parse);
    reader.finish()?;
    found.ok_or_else(|| Error::Documents(Faults(Vec::new())))
}

/// Checks documents of any kind, a bench with its dialects and resource strings; one bench, its samples and one recipe
/// are also held against each other. Answers the kind of each.
pub fn check(paths: &[impl AsRef<Path>]) -> Result<Vec<&'static str>, Error> {
    let mut reader = Reader::default();
    let (mut kinds, mut benches, mut samples, mut recipes) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for path in paths {
        let Some(document) =
            reader.read(path.as_ref(), |name, text| documents::document(name, text, resource))
        else {
            continue;
        };
        kinds.push(document.kind());
        match document {
            Document::Bench(bench) => benches.extend(reader.equip(*bench, path.as_ref())),
            Document::Sample(sample) => {
                if reader.keep(quadrille_specimen::Specimen::new(&sample)).is_some() {
                    samples.push(sample);
                }
            }
            Document::Recipe(recipe) => recipes.push(recipe),
            Document::Dialect(_) | Document::Daemon(_) => {}
        }
    }
    if let ([bench], [_, ..], [recipe]) = (benches.as_slice(), samples.as_slice(), recipes.as_slice()) {
        // Several samples that the bench does not name are not meant for it together.
        let together = bench.bench.wiring.maps.iter().all(|map| map.sample.is_some());
        if samples.len() == 1 || together {
            let samples: Vec<Sample> = samples.iter().map(|sample| Sample::clone(sample)).collect();
            reader.keep(Plan::of_many(bench, &samples, recipe));
        }
    }
    reader.finish()?;
    Ok(kinds)
}

/// Judges a resource string.
fn resource(text: &str) -> Result<(), String> {
    let parsed = text.parse::<Resource>();
    parsed.map(|_| ()).map_err(|error| format!("\"{}\" {}", error.text, error.problem))
}

#[derive(Default)]
struct Reader {
    faults: Vec<Fault>,
    frozen: Vec<FrozenDocument>,
    /// What is read instead of files.
    kept: Option<Vec<FrozenDocument>>,
}

impl Reader {
    fn finish(&mut self) -> Result<(), Error> {
        let faults = std::mem::take(&mut self.faults);
        if faults.is_empty() { Ok(()) } else { Err(Faults(faults).into()) }
    }

    fn keep<T>(&mut self, result: Result<T, Faults>) -> Option<T> {
        match result {
            Ok(found) => Some(found),
            Err(Faults(faults)) => {
                self.faults.extend(faults);
                None
            }
        }
    }

    fn text(&self, path: &Path) -> std::io::Result<String> {
        let Some(kept) = &self.kept else { return text(path) };
        let name = path.display().to_string();
        let found = kept.iter().find(|document| document.name == name);
        let missing = || std::io::Error::other("the record has not kept it");
        found.map(|document| document.text.clone()).ok_or_else(missing)
    }

    /// Whether there is such a file: what is wrong within it is told of itself.
    fn opens(&self, path: &Path) -> std::io::Result<()> {
        if self.kept.is_some() { self.text(path).map(drop) } else { std::fs::File::open(path).map(drop) }
    }

    fn read<T>(&mut self, path: &Path, parse: fn(&str, &str) -> Result<T, Faults>) -> Option<T> {
        let name = path.display().to_string();
        match self.text(path) {
            Ok(text) => {
                let kind = path.extension().map_or("", |e| e.to_str().unwrap_or("")).to_owned();
                self.frozen.push(FrozenDocument {
                    kind,
                    sha256: sha256(&text),
                    name: name.clone(),
                    text: text.clone(),
                });
                self.keep(parse(&name, &text))
            }
            Err(error) => {
                let place = Place { document: name.into(), line: 1, column: 1, key: String::new() };
                let problem = format!("the file cannot be read: {error}");
                self.faults.push(Fault { place, problem, remedy: "write the path of a document".into() });
                None
            }
        }
    }

    fn equipped(&mut self, path: &Path) -> Option<EquippedBench> {
        let bench = self.read(path, |name, text| documents::bench(name, text, resource))?;
        self.equip(bench, path)
    }

    fn equip(&mut self, bench: Bench, path: &Path) -> Option<EquippedBench> {
        let dialects: Vec<Option<Dialect>> =
            bench.instruments.iter().map(|instrument| self.dialect(instrument, path)).collect();
        let dialects: Option<Vec<Dialect>> = dialects.into_iter().collect();
        Some(EquippedBench { bench, dialects: dialects? })
    }

    fn dialect(&mut self, instrument: &Instrument, bench: &Path) -> Option<Dialect> {
        let wanted = instrument.dialect.value.as_str();
        let dialect = if wanted.ends_with(".toml") {
            let path = bench.parent().unwrap_or(Path::new("")).join(wanted);
            if let Err(error) = self.opens(&path) {
                let problem = format!("{} cannot be read: {error}", path.display());
                let remedy = "write the path of a dialect document from this file, or name a shipped dialect";
                self.faults.push(instrument.dialect.fault(problem, remedy));
                return None;
            }
            self.read(&path, documents::dialect)?
        } else {
            self.shipped(instrument, wanted)?
        };
        if dialect.role != instrument.role {
            let problem = format!("\"{}\" is a dialect for a {}", dialect.name, dialect.role);
            let remedy = format!("name one for the role {}", instrument.role);
            self.faults.push(instrument.dialect.fault(problem, remedy));
            return None;
        }
        Some(dialect)
    }

    fn shipped(&mut self, instrument: &Instrument, wanted: &str) -> Option<Dialect> {
        if let Some(kept) = &self.kept {
            let name = format!("{SHIPPED_NAME}{wanted}");
            let found = kept.iter().find(|document| document.name == name).cloned();
            return found.and_then(|document| self.keep(documents::dialect(&name, &document.text)));
        }
        let Some((name, text)) = SHIPPED.iter().find(|(name, _)| *name == wanted) else {
            let names = Role::ALL.map(|role| format!("\"{role}\"")).join(", ");
            let problem = format!("no dialect \"{wanted}\" comes with the program");
            let remedy = format!("write one of {names}, or a path that ends in .toml");
            self.faults.push(instrument.dialect.fault(problem, remedy));
            return None;
        };
        let name = format!("{SHIPPED_NAME}{name}");
        self.frozen.push(FrozenDocument {
            kind: "toml".into(),
            sha256: sha256(text),
            name: name.clone(),
            text: (*text).to_owned(),
        });
        self.keep(documents::dialect(&name, text))
    }
}

/// Most that is read of one file, in bytes: a night of readings is a few megabytes.
const LARGEST: u64 = 256 << 20;

fn text(path: &Path) -> std::io::Result<String> {
    let mut text = String::new();
    std::fs::File::open(path)?.take(LARGEST + 1).read_to_string(&mut text)?;
    if text.len() as u64 > LARGEST {
        return Err(std::io::Error::other(format!("it is larger than {} MiB", LARGEST >> 20)));
    }
    Ok(text)
}

/// SHA-256 in hexadecimal.
pub(crate) fn sha256(text: &str) -> String {
    use std::fmt::Write;
    let mut hexadecimal = String::with_capacity(64);
    for byte in Sha256::digest(text.as_bytes()) {
        // Writing to a text cannot fail.
        let _ = write!(hexadecimal, "{byte:02x}");
    }
    hexadecimal
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shipped_dialect_is_right_and_for_the_role_of_its_name() {
        for (name, text) in SHIPPED {
            assert_eq!(documents::dialect(name, text).unwrap().role.word(), name);
        }
    }

    #[test]
    fn the_hash_is_that_of_fips_180() {
        // FIPS 180-2, appendix B.1: the message "abc".
        assert_eq!(sha256("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }
}
