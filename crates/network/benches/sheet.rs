//! How long sheets take: prints one JSON object, which `tests/speed/sheets.py` sets beside other solvers.
//!
//! `cargo bench -p quadrille-network --bench sheet`. Times are the least of three, in seconds of one core.

#![allow(
    missing_docs,
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a benchmark reads a clock and prints"
)]

use quadrille_network::{EdgeContact, Fineness, Outline, Sheet, SheetError};
use serde_json::{Value, json};
use std::time::Instant;

const ANGLES: [f64; 10] = [-2.0, -1.5, -1.0, -0.5, -0.2, 0.1, 0.4, 0.8, 1.2, 2.0];

fn main() -> Result<(), SheetError> {
    // About 1e5 unknowns. The outlines are in the script too.
    let fineness = Fineness { order: 4, growth: 0.33, innermost: 1e-7, largest: 0.03, arc: 0.25 };
    let sheet = irregular()?;
    let equations = sheet.equations(fineness)?;
    let unknowns = equations.free();
    let one = least(|| equations.clone().admittances(&[0.0]).map(drop))?;
    let ten = least(|| equations.clone().admittances(&ANGLES).map(drop))?;
    let square = square()?;
    let default = least(|| square.solve(1e-6).map(drop))?;
    let answer = json!({
        "fineness": [fineness.order as f64, fineness.growth, fineness.innermost, fineness.largest, fineness.arc],
        "unknowns": unknowns,
        "angles": ANGLES,
        "one angle": one,
        "ten angles": ten,
        "square, default": default,
        "cost": costs()?,
    });
    println!("{answer}");
    Ok(())
}

/// An outline without symmetry.
fn irregular() -> Result<Sheet, SheetError> {
    let outline = Outline::polygon(&[[0.0, 0.0], [1.3, -0.2], [1.7, 0.9], [0.8, 0.55], [0.2, 1.2]])?;
    let contacts = [(0.3, 0.2), (1.3, 0.25), (2.9, 0.11), (4.35, 0.4)];
    Sheet::new(outline, &contacts.map(|(at_m, length_m)| EdgeContact { at_m, length_m }))
}

fn square() -> Result<Sheet, SheetError> {
    let contacts = [0.0, 1.0, 2.0, 3.0].map(|at_m| EdgeContact { at_m, length_m: 0.2 });
    Sheet::new(Outline::square(1.0)?, &contacts)
}

/// Whole solutions, mesh and both problems, for more and more unknowns, and the bound that comes with them.
fn costs() -> Result<Vec<Value>, SheetError> {
    let sheet = irregular()?;
    let one = |&(order, growth, innermost, largest): &(usize, f64, f64, f64)| {
        let fineness = Fineness { order, growth, innermost, largest, arc: 0.25 };
        let solved = sheet.solve_on(fineness)?;
        let (unknowns, bound) = (solved.unknowns(), solved.bound(0.0));
        drop(solved);
        let seconds = if unknowns > 300_000 {
            once(|| sheet.solve_on(fineness).map(drop))?
        } else {
            least(|| sheet.solve_on(fineness).map(drop))?
        };
        Ok(json!({ "order": order, "unknowns": unknowns, "seconds": seconds, "bound": bound }))
    };
    [
        (2, 1.0, 1e-2, 0.3),
        (3, 1.0, 1e-3, 0.3),
        (4, 0.8, 1e-5, 0.25),
        (5, 0.8, 2e-7, 0.25),
        (6, 0.8, 1e-8, 0.2),
        (6, 0.5, 1e-8, 0.05),
        (6, 0.3, 1e-8, 0.02),
        (6, 0.17, 1e-8, 0.0112),
    ]
    .iter()
    .map(one)
    .collect()
}

fn least(run: impl Fn() -> Result<(), SheetError>) -> Result<f64, SheetError> {
    (0..3).try_fold(f64::INFINITY, |least, _| Ok(least.min(once(&run)?)))
}

fn once(run: impl Fn() -> Result<(), SheetError>) -> Result<f64, SheetError> {
    let start = Instant::now();
    run()?;
    Ok(start.elapsed().as_secs_f64())
}
