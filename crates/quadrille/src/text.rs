//! What is shown to a person. Lines stay under 100 columns; words before symbols.

use quadrille_operations::{
    Circumstances, Complaint, Ending, Event, FaultEvent, Measured, Outcome, Output, Plan, Predicted, Reading,
    Reduction, Rehearsed, RunLine, SampleContacts, Served,
};
use quadrille_quantity::{Ampere, Kelvin, Ohm, Second, Tesla, Volt, with_uncertainty};
use std::collections::BTreeSet;
use std::fmt::Write;
use std::net::SocketAddr;

/// What a run is about to do.
pub(crate) fn intent(plan: &Plan) -> String {
    let mut currents: Vec<String> =
        plan.samples.iter().map(|sample| sample.settings.current.to_string()).collect();
    currents.dedup();
    let limit = plan.samples.iter().map(|sample| sample.settings.voltage_limit).fold(Volt(0.0), Volt::max);
    format!(
        "{} readings at {}; the source may put up to {limit} on the leads",
        plan.readings(),
        currents.join(" and "),
    )
}

/// What a run is about to do to temperature and field; nothing on a bench that drives neither.
pub(crate) fn surroundings(plan: &Plan) -> Vec<String> {
    let span = |values: &mut dyn Iterator<Item = f64>| {
        values.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), x| (least.min(x), most.max(x)))
    };
    let mut lines = Vec::new();
    if let Some(ramp) = plan.ramps.kelvin_per_minute {
        let mut targets: Vec<f64> = plan.rounds.iter().map(|round| round.temperature.0).collect();
        targets.dedup();
        let (least, most) = span(&mut targets.iter().copied());
        let wait = duration(plan.stability.longest_wait);
        lines.push(format!(
            "It heats and cools: {} from {} to {}, at most {ramp} K/min, waiting up to {wait} for each; heater off at \
             the end.",
            counted(targets.len(), "temperature"),
            Kelvin(least),
            Kelvin(most),
        ));
    }
    if let Some(ramp) = plan.ramps.tesla_per_second {
        let (least, most) = span(&mut plan.rounds.iter().map(|round| round.field.0));
        lines.push(format!(
            "It drives the magnet: fields from {} to {}, at most {}/s; on its way to no field at the end.",
            Tesla(least),
            Tesla(most),
            Tesla(ramp),
        ));
    }
    lines
}

fn counted(count: usize, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// One reading on a line.
pub(crate) fn reading(sequence: i64, reading: &Reading, circumstances: &Circumstances) -> String {
    let place = format!("{sequence:>5}  {} {}", reading.configuration, circumstances.polarity);
    if reading.condition != quadrille_experiment::Condition::Sound {
        return format!("{place}  no value: {}", reading.condition);
    }
    let shown =
        |value: f64, gain: f64, own: f64, unit| with_uncertainty(value, (value * gain).hypot(own), unit);
    let (current, voltage) = (&reading.current, &reading.voltage);
    format!(
        "{place}  {:>22}  {:>22}  at {}",
        shown(current.value.0, current.gain_u, current.own_u.0, Ampere::UNIT),
        shown(voltage.value.0, voltage.gain_u, voltage.own_u.0, Volt::UNIT),
        reading.field
    )
}

/// An event that a person wants to see while a run goes on.
pub(crate) fn event(event: &Event) -> Option<String> {
    Some(match event {
        Event::Identified { instrument, identity } => format!("       {instrument}: {identity}"),
        Event::RoundStarted { round, .. } => format!("Round {round}."),
        Event::TemperatureReached { planned, measured, waited, .. } => {
            format!("Temperature {planned} reached in {waited}: {measured}.")
        }
        Event::TemperatureUnreached { planned, because, then, .. } => {
            let then = match then {
                quadrille_experiment::Unreached::Skipped { rounds } => {
                    format!("{} left out", counted(rounds.len(), "round"))
                }
                quadrille_experiment::Unreached::Parked => "waiting there, without current".to_owned(),
            };
            format!("Temperature {planned} not reached, {then}: {because}.")
        }
        Event::FieldSet { confirmed, .. } => format!("Field {confirmed}."),
        Event::Flagged { configuration, polarity, reason } => {
            format!("       {configuration} {polarity}  flagged: {reason}")
        }
        Event::Audited { configuration, agrees: false, .. } => format!(
            "       {configuration}: held for longer, it went on changing; what comes waits for longer"
        ),
        Event::Estimated { duration: expected, .. } => {
            format!("Estimated by a rehearsal: {}.", duration(*expected))
        }
        Event::Chosen { sample, temperature, because, short_of, .. } => {
            let because = because.iter().chain(short_of).map(|line| format!("\n       {line}"));
            format!("Chosen for {sample} at {temperature}:{}", because.collect::<String>())
        }
        Event::SampleLeftOut { because, rounds, .. } => {
            format!("{} left out, the other samples go on: {because}.", counted(rounds.len(), "round"))
        }
        Event::ContactsChecked { sample, accepted, findings } => {
            let verdict = if *accepted { "good" } else { "NOT good enough" };
            let findings: String = findings.iter().map(|line| format!("\n       {line}")).collect();
            format!("Contacts of {sample}: {verdict}.{findings}")
        }
        Event::HallTimed { dead, window, because } => {
            format!("Hall legs wait {dead} and average {window}: {because}.")
        }
        Event::Paused { next } => format!("Pausing before round {next}."),
        Event::Resumed { from } => format!("Going on with round {from}."),
        Event::Fault { what } => format!("Fault: {what}"),
        Event::IntentToEnergise { .. }
        | Event::RoundFinished { .. }
        | Event::Audited { .. }
        | Event::Marked { .. }
        | Event::StoodDown { .. } => return None,
    })
}

pub(crate) fn predicted(predicted: &Predicted, field_t: f64) -> String {
    let kelvin = predicted.temperature_k.map_or(String::new(), |kelvin| format!(" and {}", Kelvin(kelvin)));
    let mut text = format!("{} at {}{kelvin}\n", predicted.sample, Tesla(field_t));
    if predicted.relative_bound > 0.0 {
        let _ = writeln!(
            text,
            "Error of each resistance below {:.1e} of the two-terminal resistances of its pairs",
            predicted.relative_bound
        );
    }
    text.push_str("\nFour-terminal resistance\n");
    table(&mut text, &predicted.four_terminal_ohm);
    text.push_str("\nTwo-terminal resistance\n");
    table(&mut text, &predicted.two_terminal_ohm);
    text
}

fn table(text: &mut String, rows: &[(String, f64)]) {
    for (name, ohm) in rows {
        let _ = writeln!(text, "  {name:<8} {:>14}   {ohm:e} Ω", Ohm(*ohm).to_string());
    }
}

pub(crate) fn reduction(reduction: &Reduction) -> String {
    let mut text = String::new();
    let names = reduction.points.iter().map(|p| &p.sample).chain(reduction.gaps.iter().map(|g| &g.sample));
    let several = names.collect::<BTreeSet<_>>().len() > 1;
    let whose = |sample: &str| if several { format!("{sample}: ") } else { String::new() };
    for point in &reduction.points {
        let _ = writeln!(text, "{}At {}", whose(&point.sample), Kelvin(point.temperature_k));
        text.push_str(&quadrille_report::summary(&point.reduced));
    }
    for gap in &reduction.gaps {
        let place = gap.temperature_k.map_or(String::new(), |kelvin| format!("At {}: ", Kelvin(kelvin)));
        let _ = writeln!(text, "{}{place}no result: {}", whose(&gap.sample), gap.reason);
    }
    text
}

pub(crate) fn outcome(plan: &Plan, outcome: &Outcome) -> String {
    let mut text = match &outcome.ending {
        Ending::Finished => "Finished.".to_owned(),
        Ending::Stopped => "Stopped when asked to. What was read is kept.".to_owned(),
        Ending::Paused(next) => format!("Paused before round {next}. What was read is kept."),
        Ending::Failed(failure) => format!("Ended early: {failure}. What was read is kept."),
    };
    text.push_str(match outcome.stand_down.output {
        Output::Verified => " Output verified off: the source says so and the ammeter agrees.\n",
        Output::Commanded => " Output told off, NOT verified: look at the source.\n",
        Output::Unknown => " Output NOT KNOWN: look at the source before you touch anything.\n",
    });
    for failure in &outcome.stand_down.failures {
        let _ = writeln!(text, "  while standing down: {failure}");
    }
    // Whoever opens a cryostat or reaches into a magnet must know that the program ends before they are at rest.
    if outcome.stand_down.failures.is_empty() {
        if plan.ramps.kelvin_per_minute.is_some() {
            text.push_str(
                "The heater is off, by its controller's own word; the sample takes its time to drift.\n",
            );
        }
        if plan.ramps.tesla_per_second.is_some() {
            text.push_str(
                "The magnet is on its way to no current by its supply's own ramp: it may not be there yet.\n",
            );
        }
    }
    text
}

pub(crate) fn reasons(plan: &Plan) -> String {
    let reasons = plan.reasons.iter().map(|reason| format!("  {reason}\n"));
    let warnings = plan.warnings.iter().map(|warning| format!("  warning: {warning}\n"));
    reasons.chain(warnings).collect()
}

pub(crate) fn measured(measured: &Measured) -> String {
    let mut text = format!("Run {}\n{}", measured.run, reasons(&measured.plan));
    text.push_str(&choices(&measured.events));
    text.push_str(&outcome(&measured.plan, &measured.outcome));
    text.push_str(&as_expected(measured));
    if !measured.contacts.is_empty() {
        text.push_str(&format!("\n{}", contacts(&measured.contacts)));
    }
    if let Some(result) = &measured.reduction {
        text.push('\n');
        text.push_str(&found(result));
    }
    text
}

/// What a rehearsal had said beside what came.
fn as_expected(measured: &Measured) -> String {
    let estimate = measured.events.iter().find_map(|event| match event {
        Event::Estimated { duration, results } => Some((*duration, results)),
        _ => None,
    });
    let Some((expected, results)) = estimate else { return String::new() };
    let mut text = format!("Estimated {}; took {}.\n", duration(expected), duration(measured.took));
    let Some(Ok(reduction)) = &measured.reduction else { return text };
    let came = |sample: &str, kelvin: f64| {
        let points = reduction.points.iter().filter(|point| point.sample == sample);
        points.min_by(|a, b| (a.temperature_k - kelvin).abs().total_cmp(&(b.temperature_k - kelvin).abs()))
    };
    let sheets = results.iter().filter(|result| result.quantity == "sheet_resistance_ohm");
    for expected in sheets {
        let found = came(&expected.sample, expected.temperature_k);
        let Some(found) = found.and_then(|point| point.reduced.results.sheet_resistance_ohm) else {
            continue;
        };
        let _ = writeln!(
            text,
            "  {} at {}: sheet resistance to {:.1e} estimated, {:.1e} came",
            expected.sample,
            Kelvin(expected.temperature_k),
            expected.relative_u,
            (found.standard_uncertainty / found.value).abs(),
        );
    }
    text
}

/// What the check of the contacts says.
pub(crate) fn contacts(checked: &[SampleContacts]) -> String {
    let of_sample = |checked: &SampleContacts| {
        let verdict = if checked.accepted { "good" } else { "NOT good enough" };
        let report = quadrille_report::contacts(&checked.report);
        format!("{}: contacts {verdict}\n{report}\n", checked.sample)
    };
    checked.iter().map(of_sample).collect()
}

fn found(result: &Result<Reduction, String>) -> String {
    match result {
        Ok(reduction) => self::reduction(reduction),
        Err(reason) => format!("No result: {reason}\n"),
    }
}

pub(crate) fn rehearsed(rehearsed: &Rehearsed) -> String {
    format!("{}\n{}{}", course(rehearsed), contacts(&rehearsed.contacts), found(&rehearsed.reduction))
}

/// How a rehearsal went, without what it found.
pub(crate) fn course(rehearsed: &Rehearsed) -> String {
    let mut text = format!(
        "Rehearsed on the simulated bench: {}, {}.\n",
        duration(rehearsed.duration),
        intent(&rehearsed.plan)
    );
    surroundings(&rehearsed.plan).iter().for_each(|line| text.push_str(&format!("{line}\n")));
    text.push_str(&reasons(&rehearsed.plan));
    text.push_str(&choices(&rehearsed.events));
    text.push_str(&outcome(&rehearsed.plan, &rehearsed.outcome));
    text.push_str(&complaints(&rehearsed.complaints));
    text
}

/// What was chosen on the way.
fn choices(events: &[Event]) -> String {
    let told = |event: &&Event| {
        matches!(event, Event::Chosen { .. } | Event::HallTimed { .. } | Event::Audited { agrees: false, .. })
    };
    events.iter().filter(told).filter_map(event).map(|line| format!("{line}\n")).collect()
}

/// A duration as a person says it.
fn duration(seconds: Second) -> String {
    let whole = seconds.0.round() as u64;
    match whole {
        0..100 => format!("{:.1} s", seconds.0),
        100..7200 => format!("{} min {:02} s", whole / 60, whole % 60),
        _ => format!("{} h {:02} min", whole / 3600, whole % 3600 / 60),
    }
}

pub(crate) fn complaints(complaints: &[Complaint]) -> String {
    if complaints.is_empty() {
        return "The simulated bench has no complaint.\n".to_owned();
    }
    let lines = complaints.iter().map(|complaint| format!("  {complaint}\n"));
    format!("The simulated bench complains:\n{}", lines.collect::<String>())
}

pub(crate) fn fault(event: &FaultEvent) -> String {
    format!("{:.3} s: fault {}: {}", event.time_s, event.happened, event.fault)
}

pub(crate) fn served(name: &str, served: &Served, control: Option<SocketAddr>) -> String {
    let devices = served.devices.iter().map(|d| format!("{} ({}) {}", d.name, d.role, d.resource));
    let control = control.map_or_else(String::new, |address| format!("; control at {address}"));
    format!("{name} is ready: {}{control}\n", devices.collect::<Vec<_>>().join("; "))
}

pub(crate) fn runs(runs: &[RunLine]) -> String {
    if runs.is_empty() {
        return "There are no runs yet.\n".to_owned();
    }
    let line = |run: &RunLine| {
        let ending = run.ending.as_deref().unwrap_or("not ended: it goes on, or the program died in it");
        format!(
            "{:>4}  {:<8} {}  {:>5} readings  {}  {ending}\n",
            run.run.to_string(),
            run.kind,
            run.begun,
            run.readings,
            run.sample
        )
    };
    runs.iter().map(line).collect()
}
