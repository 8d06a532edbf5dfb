//! Counts how often each kind of fault is found on the tests' own benches: kind, scale, set, count, "v" for details, and the
//! first seed as arguments.
// How long a diagnosis takes is part of what is counted.
#![allow(clippy::print_stdout, clippy::unwrap_used, clippy::disallowed_methods)]

#[path = "../tests/generator/mod.rs"]
mod generator;

use generator::{KINDS, Scale, case};
use quadrille_diagnosis::{ReadingSet, Verdict, diagnose, wild};
use std::time::Instant;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let argument = |k: usize, default: &str| arguments.get(k).cloned().unwrap_or_else(|| default.to_owned());
    let (kind, scale, set) = (argument(0, "all"), argument(1, "10k"), argument(2, "full"));
    let count: u64 = argument(3, "20").parse().unwrap();
    let first: u64 = argument(5, "100000").parse().unwrap();
    let verbose = argument(4, "") == "v";
    let scale = if scale == "10k" { Scale::TenKilohm } else { Scale::TenGigohm };
    let set = if set == "full" { ReadingSet::Full } else { ReadingSet::Standard };
    println!("kind            n  1st  2nd  sure wrong-sure accused passed none  ms");
    for kind in KINDS.into_iter().filter(|k| kind == "all" || kind == *k) {
        let mut n = [0; 8];
        let mut time = 0.0;
        let mut wilds = 0;
        for seed in 0..count {
            let Some(case) = case(first + seed, kind, scale, set) else { continue };
            let truth = case.fault.class(&case.standard);
            let begin = Instant::now();
            let again = if kind == "good-wild" {
                wild(&case.standard, &case.bench, &case.observations).unwrap()
            } else {
                Vec::new()
            };
            wilds += again.len();
            let diagnosis = diagnose(&case.standard, &case.bench, &case.observations).unwrap();
            time += begin.elapsed().as_secs_f64();
            n[0] += 1;
            let first = !case.unlisted && diagnosis.ranked[0].class == truth;
            n[1] += u32::from(first);
            n[2] += u32::from(diagnosis.ranked[..2].iter().any(|r| r.class == truth));
            match &diagnosis.verdict {
                Verdict::Accuses(class) => {
                    let right = !case.unlisted && *class == truth;
                    n[3] += u32::from(right);
                    n[4] += u32::from(!right);
                }
                Verdict::NoneOfThese => n[7] += 1,
                Verdict::Passes => n[6] += 1,
                Verdict::Undecided { .. } => {}
            }
            n[5] += u32::from(diagnosis.good < 0.01);
            if verbose
                && (!first || matches!(diagnosis.verdict, Verdict::NoneOfThese))
                && !(case.unlisted && matches!(diagnosis.verdict, Verdict::NoneOfThese))
            {
                println!("  seed {seed} {:?} {:e}: {:?}", case.fault, case.size, diagnosis.verdict);
                for r in &diagnosis.ranked[..3] {
                    println!(
                        "     {:?} {:.4} {:?} {:?} fits {:.2e}",
                        r.class, r.probability, r.member, r.size, r.fits
                    );
                }
                if let Some((k, r)) = diagnosis.ranked.iter().enumerate().find(|(_, r)| r.class == truth) {
                    println!(
                        "     truth at {k}: {:.2e} {:?} {:?} fits {:.2e}",
                        r.probability, r.member, r.size, r.fits
                    );
                }
            }
        }
        let ms = 1e3 * time / f64::from(n[0].max(1));
        println!(
            "{kind:14} {:3} {:4} {:4} {:4} {:9} {:7} {:6} {:4} {ms:6.1} {wilds}",
            n[0], n[1], n[2], n[3], n[4], n[5], n[6], n[7]
        );
    }
}
