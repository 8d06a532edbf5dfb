//! Watches legs that are told to it in lines of JSON, for checks from outside: what it is asked on standard input, what a
//! watch says on standard output. One line, one answer:
//!
//! `{"leg": {"tau_s", "factor", "floor_s", "noise", "wanted", "step"}}` begins a leg and gives the knowledge it begins with;
//! `{"from_s", "duration_s", "values"}` are readings one after the other, and give the verdict after them;
//! `{"look": true}` gives the value as things stand;
//! `{"hold": {"from_s", "duration_s", "values"}}` holds a leg that has stopped and gives the audit.
#![allow(clippy::print_stdout)]

use quadrille_settling::transient::{Arrival, Knowledge, Noise, Verdict, Wanted, Watch, audit};
use serde::Deserialize;
use serde_json::{Value, json};
use std::error::Error;
use std::io::BufRead;

#[derive(Deserialize)]
#[serde(untagged)]
enum Line {
    Begin { leg: Leg },
    Hold { hold: Readings },
    Look { look: bool },
    Readings(Readings),
}

#[derive(Deserialize)]
struct Leg {
    tau_s: f64,
    factor: f64,
    floor_s: f64,
    noise: Noise,
    wanted: Wanted,
    step: f64,
}

#[derive(Deserialize)]
struct Readings {
    from_s: f64,
    duration_s: f64,
    values: Vec<f64>,
}

impl Readings {
    fn push_to(&self, watch: &mut Watch) {
        for (k, value) in self.values.iter().enumerate() {
            watch.push(self.from_s + k as f64 * self.duration_s, self.duration_s, *value);
        }
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let (mut watch, mut stopped): (Option<Watch>, Option<Arrival>) = (None, None);
    for line in std::io::stdin().lock().lines() {
        let answer = match (serde_json::from_str(&line?)?, &mut watch) {
            (Line::Begin { leg }, watch) => {
                let knowledge = Knowledge::from_estimate(leg.tau_s, leg.factor, leg.floor_s)?;
                *watch = Some(Watch::new(&knowledge, leg.noise, leg.wanted, leg.step)?);
                serde_json::to_value(&knowledge)?
            }
            (Line::Readings(readings), Some(watch)) => {
                readings.push_to(watch);
                verdict(watch, &mut stopped)
            }
            (Line::Hold { hold }, Some(watch)) => {
                hold.push_to(watch);
                let held = watch.held().ok_or("nothing was read")?;
                let agreement = audit(&stopped.ok_or("the leg has not stopped")?, &held);
                json!({"agreement": agreement, "agrees": agreement.agrees(), "held": held})
            }
            (Line::Look { look: true }, Some(watch)) => json!({"arrival": watch.arrival()}),
            _ => return Err("no leg has begun".into()),
        };
        println!("{answer}");
    }
    Ok(())
}

fn verdict(watch: &mut Watch, stopped: &mut Option<Arrival>) -> Value {
    match watch.verdict() {
        Verdict::GoOn { until_s } => json!({"until_s": until_s}),
        Verdict::Settled(arrival) => {
            *stopped = Some(arrival);
            json!({"settled": arrival})
        }
        Verdict::GaveUp(arrival) => {
            *stopped = Some(arrival);
            json!({"gave_up": arrival})
        }
    }
}
