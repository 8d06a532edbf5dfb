//! The campaign of a bench's diagnosis: `--scale 10k|10g --seeds N [--from N] [--kind KIND,KIND] [--show] [--dump]`. Prints how
//! often the true fault comes first, and each case in which it does not.

#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::disallowed_methods,
    reason = "an example"
)]

#[path = "../tests/campaign/mod.rs"]
#[allow(dead_code, unreachable_pub, reason = "shared with a test")]
mod campaign;

use campaign::kinds::Kind;
use campaign::standards::{Ring, Scale};
use campaign::{Case, Said, carry_out_all, shown, table};
use quadrille_operations::{Circumstances, Reading};

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let value = |name: &str| {
        let place = arguments.iter().position(|argument| argument == name)?;
        arguments.get(place + 1).cloned()
    };
    let scale = match value("--scale").as_deref() {
        Some("10k") | None => Scale::TenKilohms,
        Some("10g") => Scale::TenGigohms,
        Some(other) => panic!("--scale {other}: write 10k or 10g"),
    };
    let seeds: u64 = value("--seeds").map_or(10, |text| text.parse().unwrap());
    let from: u64 = value("--from").map_or(0, |text| text.parse().unwrap());
    let only = value("--kind");
    let kinds = Kind::ALL.into_iter().filter(|kind| {
        let name = format!("{kind:?}");
        only.as_ref().is_none_or(|only| only.split(',').any(|one| one == name))
            && kind.exists(&Ring::drawn(0, scale))
    });
    let cases: Vec<Case> =
        kinds.flat_map(|kind| (from..from + seeds).map(move |seed| Case { kind, scale, seed })).collect();
    let show = arguments.iter().any(|argument| argument == "--show");
    let dump = arguments.iter().any(|argument| argument == "--dump");
    let begun = std::time::Instant::now();
    let all = carry_out_all(&cases, |said| {
        let is_fine = if said.wrong.class.is_none() { said.is_none_of_these() } else { said.is_first() };
        let is_missed = said.passed && !said.case.kind.is_good();
        if show
            || !is_fine
            || is_missed
            || said.is_none_of_these() && said.wrong.class.is_some()
            || said.is_sure_and_wrong()
        {
            eprintln!("{}{}", told(said), if dump { dumped(said) } else { String::new() });
        }
    });
    println!("{}", shown(&table(&all)));
    let seconds = begun.elapsed().as_secs_f64();
    println!(
        "{} cases in {seconds:.1} s, {:.3} s each on two threads",
        cases.len(),
        seconds / cases.len() as f64
    );
}

fn told(said: &Said) -> String {
    let Said { case, ring, wrong, told, passed, .. } = said;
    let mut text = format!(
        "{:?} {} {:?} {:?}: passed {passed}, ",
        case.kind,
        case.seed,
        ring.ohms,
        wrong.faults.join(", ")
    );
    match told {
        Ok(Some(told)) => {
            text.push_str(&format!("{:?}, good {:.3}, fits {:.2e}", told.conclusion, told.good, told.fits));
            text.push_str(&format!("\n    {}", told.next));
            for suspect in told.ranked.iter().take(3) {
                text.push_str(&format!(
                    "\n    {:.4} {:?} {:?} {} fits {:.1e}",
                    suspect.probability,
                    suspect.class,
                    suspect.member,
                    suspect.size.map_or(String::new(), |size| size.to_string()),
                    suspect.fits
                ));
            }
        }
        Ok(None) => text.push_str("not looked into"),
        Err(reason) => text.push_str(reason),
    }
    text
}

fn dumped(said: &Said) -> String {
    let line = |(reading, circumstances): &(Reading, Circumstances)| {
        format!(
            "\n    {} {} {:>16.9e} A {:>16.9e} V {}",
            reading.configuration,
            circumstances.polarity,
            reading.current.value.0,
            reading.voltage.value.0,
            reading.condition
        )
    };
    said.readings.iter().map(line).collect()
}
