//! Reads series of readings as JSON on standard input and prints when each was called stable: the door through which
//! outside programs check verdicts. Checks no more than it must.
//!
//! `[{"band": k, "time_s": s, "target": k or null, "sd": k or null, "quantum": k, "times_s": […], "values": […]}, …]`;
//! prints `[{"stable": [{"at_s", "value", "drift_per_s", "worst", "period_s" or null, "window_s"}, …], "too_noisy":
//! bool}, …]`, one entry of `stable` for each reading after which the verdict was that.

use quadrille_settling::stability::{SensorFacts, Verdict, Wanted, Watch};
use serde_json::{Value, json};
use std::io::{Read, Write};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text)?;
    let input: Value = serde_json::from_str(&text)?;
    let series = input.as_array().ok_or("a list of series is wanted")?;
    let answers: Result<Vec<Value>, &str> = series.iter().map(watched).collect();
    writeln!(std::io::stdout(), "{}", Value::from(answers?))?;
    Ok(())
}

fn watched(series: &Value) -> Result<Value, &'static str> {
    let wanted = Wanted {
        band: series["band"].as_f64().ok_or("no band")?,
        time: series["time_s"].as_f64().ok_or("no time_s")?,
        target: series["target"].as_f64(),
    };
    let sensor =
        SensorFacts { sd: series["sd"].as_f64(), quantum: series["quantum"].as_f64().unwrap_or_default() };
    let numbers = |key: &str| series[key].as_array().into_iter().flatten().filter_map(Value::as_f64);
    let mut watch = Watch::new(wanted, sensor);
    let mut stable = Vec::new();
    for (time, value) in numbers("times_s").zip(numbers("values")) {
        watch.push(time, value);
        if let Verdict::Stable(evidence) = watch.verdict() {
            stable.push(json!({
                "at_s": time,
                "value": evidence.value,
                "drift_per_s": evidence.drift,
                "worst": evidence.worst,
                "period_s": evidence.period,
                "window_s": evidence.window,
            }));
        }
    }
    let too_noisy = matches!(watch.verdict(), Verdict::TooNoisy { .. });
    Ok(json!({ "stable": stable, "too_noisy": too_noisy }))
}
