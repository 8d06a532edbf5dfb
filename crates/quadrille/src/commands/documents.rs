//! Commands that need documents and nothing else: check, predict, reduce.

use super::Shown;
use crate::exit::Exit;
use crate::{json, text};
use quadrille_quantity::Tesla;
use std::path::{Path, PathBuf};

pub(crate) fn check(paths: &[PathBuf]) -> anyhow::Result<(Exit, Shown)> {
    let kinds = quadrille_operations::check(paths)?;
    let lines = paths.iter().zip(&kinds).map(|(path, kind)| format!("{}: {kind}, right\n", path.display()));
    Ok((Exit::Done, Shown { text: lines.collect(), json: json::checked(paths, &kinds) }))
}

pub(crate) fn predict(sample: &Path, field_t: f64) -> anyhow::Result<(Exit, Shown)> {
    anyhow::ensure!(field_t.is_finite(), "--field-t: {field_t} is no field; write teslas");
    let predicted = quadrille_operations::predict(sample, Tesla(field_t))?;
    Ok((Exit::Done, Shown { text: text::predicted(&predicted, field_t), json: json::predicted(&predicted) }))
}

pub(crate) fn reduce(sample: &Path, readings: &Path) -> anyhow::Result<(Exit, Shown)> {
    let reduction = quadrille_operations::reduce(sample, readings)?;
    let exit = if reduction.accepted() { Exit::Done } else { Exit::NotPassed };
    Ok((exit, Shown { text: text::reduction(&reduction), json: json::reduction(&reduction) }))
}
