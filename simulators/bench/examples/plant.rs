//! What cryostat and magnet of a simulated bench do over SCPI: temperatures, heater, field and current at given instants.
//!
//! Reads a job as JSON on standard input: the texts of the documents (`bench`, `sample`, and each dialect under its
//! role), and `steps`, each with `at_s` and either `role` and `command`, or `look`. Prints, as JSON, one object for each
//! look: the virtual time, the sample's temperature and field, and what the two instruments say. For comparison with
//! another solver.
#![allow(clippy::print_stdout, clippy::unwrap_used)]

use quadrille_bench::{Options, SimulatedBench};
use quadrille_documents::{Role, bench, dialect, sample};
use serde_json::{Value, json};
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader, DuplexStream, duplex};
use tokio::time::{Instant, sleep_until};

/// A conversation with one device.
struct Device(BufReader<DuplexStream>);

impl Device {
    fn new(bench: &SimulatedBench, role: Role) -> Self {
        let (ours, theirs) = duplex(1 << 16);
        let bench = bench.clone();
        tokio::spawn(async move { bench.serve_stream(role, theirs).await });
        Self(BufReader::new(ours))
    }

    async fn ask(&mut self, message: &str) -> String {
        self.0.get_mut().write_all(format!("{message}\n").as_bytes()).await.unwrap();
        let mut answer = String::new();
        self.0.read_line(&mut answer).await.unwrap();
        answer.trim().to_owned()
    }

    async fn number(&mut self, query: &str) -> f64 {
        self.ask(query).await.parse().unwrap()
    }

    /// Sends a command and returns when it is complete; it must not be refused.
    async fn tell(&mut self, command: &str) {
        assert_eq!(self.ask(&format!("{command};*OPC?")).await, "1");
        let error = self.ask("SYST:ERR?").await;
        assert!(error.starts_with("0,"), "{command}: {error}");
    }
}

fn main() {
    let job: Value = serde_json::from_reader(std::io::stdin()).unwrap();
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap();
    println!("{}", runtime.block_on(looks(&job)));
}

async fn looks(job: &Value) -> Value {
    let text = |key: &str| job[key].as_str().unwrap();
    let document = bench("bench", text("bench"), |_| Ok(())).unwrap();
    let dialects = Role::ALL.map(|role| dialect(role.word(), text(role.word())).unwrap());
    let of = |role: Role| dialects.iter().find(|dialect| dialect.role == role).unwrap();
    let sample = sample("sample", text("sample")).unwrap();
    let simulated = SimulatedBench::new(&document, of, &[&sample], Options::default()).unwrap();
    let mut controller = Device::new(&simulated, Role::TemperatureController);
    let mut supply = Device::new(&simulated, Role::FieldSource);
    // The bench's time begins with its first question.
    controller.ask("*OPC?").await;
    let begun = Instant::now();
    let mut seen = Vec::new();
    for step in job["steps"].as_array().unwrap() {
        sleep_until(begun + Duration::from_secs_f64(step["at_s"].as_f64().unwrap())).await;
        match (step["role"].as_str(), step["command"].as_str()) {
            (Some("temperature-controller"), Some(command)) => controller.tell(command).await,
            (Some(_), Some(command)) => supply.tell(command).await,
            _ => {
                let (temperature, field) = simulated.surroundings();
                seen.push(json!({
                    "at_s": begun.elapsed().as_secs_f64(),
                    "sample_k": temperature.0,
                    "field_t": field.0,
                    "stage_k": controller.number("MEAS:TEMP?").await,
                    "heater_percent": controller.number("OUTP:POW?").await,
                    "probe_t": supply.number("MEAS:FIEL?").await,
                    "current_a": supply.number("MEAS:CURR?").await,
                }));
            }
        }
    }
    json!(seen)
}
