//! A small campaign of benches, good and wrong: each fault that the list knows comes first, good benches pass, and what the
//! list does not know is not called by a name. The large one is an example of this room; docs/diagnosis.md has its table.

#![allow(clippy::unwrap_used, reason = "a test fails where it cannot go on")]

#[allow(dead_code, unreachable_pub, reason = "shared with an example")]
mod campaign;

use campaign::kinds::Kind;
use campaign::standards::{Ring, Scale};
use campaign::{Case, Row, Said, carry_out_all, shown, table};

/// Of each kind. Ours: what a minute allows.
const SEEDS: u64 = 3;

/// Seeds that nobody looked at while the diagnosis was written.
const FROM: u64 = 7000;

fn campaign_of(scale: Scale) -> Vec<Said> {
    let kinds = Kind::ALL.into_iter().filter(|kind| kind.exists(&Ring::drawn(0, scale)));
    let seeds = |kind| (FROM..FROM + SEEDS).map(move |seed| Case { kind, scale, seed });
    let cases: Vec<Case> = kinds.flat_map(seeds).collect();
    carry_out_all(&cases, |_| {})
}

fn sum(all: &[Said], meant: impl Fn(Kind) -> bool) -> Row {
    let own: Vec<Said> = all.iter().filter(|said| meant(said.case.kind)).cloned().collect();
    table(&own).into_values().fold(Row::default(), Row::and)
}

#[track_caller]
fn keeps_its_bars(scale: Scale) {
    let all = campaign_of(scale);
    let text = shown(&table(&all));
    let good = sum(&all, Kind::is_good);
    assert_eq!((good.not_passed, good.first), (0, good.cases), "good benches pass\n{text}");
    let single = sum(&all, |kind| !kind.is_good() && !kind.is_none_of_these());
    // Of some eighty cases that each go wrong once in fifty, more than five do so once in fifty campaigns.
    assert!(single.first + 5 >= single.cases, "the true class comes first\n{text}");
    assert!(single.sure_and_wrong <= 2, "no other class is named\n{text}");
    let none = sum(&all, Kind::is_none_of_these);
    assert!(none.none_of_these + 2 >= none.cases, "none of these\n{text}");
    assert_eq!(none.not_passed, none.cases, "two faults never pass\n{text}");
}

#[test]
fn faults_of_a_bench_with_a_standard_of_kilohms_are_named() {
    keeps_its_bars(Scale::TenKilohms);
}

#[test]
fn faults_of_a_bench_with_a_standard_of_gigohms_are_named() {
    keeps_its_bars(Scale::TenGigohms);
}
