//! Commands that need documents and nothing else: check, predict, reduce.

use super::{Shown, write_table};
use crate::args::ResultsTable;
use crate::exit::Exit;
use crate::{json, text};
use quadrille_operations::{Error, SampleContacts};
use quadrille_quantity::{Kelvin, Tesla};
use std::path::{Path, PathBuf};

pub(crate) fn check(paths: &[PathBuf]) -> anyhow::Result<(Exit, Shown)> {
    let kinds = quadrille_operations::check(paths)?;
    let lines = paths.iter().zip(&kinds).map(|(path, kind)| format!("{}: {kind}, right\n", path.display()));
    Ok((Exit::Done, Shown { text: lines.collect(), json: json::checked(paths, &kinds) }))
}

pub(crate) fn predict(
    sample: &Path,
    field_t: f64,
    temperature_k: Option<f64>,
    tolerance: Option<f64>,
) -> anyhow::Result<(Exit, Shown)> {
    anyhow::ensure!(field_t.is_finite(), "--field-t: {field_t} is no field; write teslas");
    if let Some(kelvin) = temperature_k {
        let right = (0.01..=2000.0).contains(&kelvin);
        anyhow::ensure!(right, "--temperature-k: {kelvin} is out of bounds; write kelvins from 0.01 to 2000");
    }
    if let Some(part) = tolerance {
        let right = (1e-8..=1e-2).contains(&part);
        anyhow::ensure!(right, "--tolerance: {part} is out of bounds; write a part from 1e-8 to 1e-2");
    }
    let predicted =
        quadrille_operations::predict(sample, temperature_k.map(Kelvin), Tesla(field_t), tolerance)?;
    Ok((Exit::Done, Shown { text: text::predicted(&predicted, field_t), json: json::predicted(&predicted) }))
}

pub(crate) fn reduce(sample: &Path, readings: &Path, table: &ResultsTable) -> anyhow::Result<(Exit, Shown)> {
    let contacts: Vec<SampleContacts> =
        quadrille_operations::contacts(sample, readings)?.into_iter().collect();
    let good = contacts.iter().all(|checked| checked.accepted);
    let reduction = match quadrille_operations::reduce(sample, readings) {
        Ok(reduction) => reduction,
        // A table of a contact check alone has nothing else to say.
        Err(Error::Reduction(missing)) if !contacts.is_empty() => {
            let text = format!("{}No result: {missing}\n", text::contacts(&contacts));
            let json =
                json::with_contacts(serde_json::json!({ "no_result": missing.to_string() }), &contacts);
            return Ok((if good { Exit::Done } else { Exit::NotPassed }, Shown { text, json }));
        }
        Err(error) => return Err(error.into()),
    };
    write_table(&reduction, table)?;
    let exit = if reduction.accepted() && good { Exit::Done } else { Exit::NotPassed };
    let text = format!("{}{}", text::contacts(&contacts), text::reduction(&reduction));
    Ok((exit, Shown { text, json: json::with_contacts(json::reduction(&reduction), &contacts) }))
}
