//! What the simulated meters read over SCPI at given instants after a current is switched on, and after it is reversed.
//!
//! Reads a job as JSON on standard input: the texts of the documents (`bench`, `sample`, and each dialect under its
//! role), `closed` (a channel list), `guard`, `current_a`, `aperture_plc`, `starts_s` and `phase_s` after each change.
//! Prints, as JSON, the virtual time of the beginning of each reading after its change, the voltage and the current.
//! For comparison with another solver.
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

    /// Sends a command and returns when it is complete; it must not be refused.
    async fn tell(&mut self, command: &str) {
        assert_eq!(self.ask(&format!("{command};*OPC?")).await, "1");
        let error = self.ask("SYST:ERR?").await;
        assert!(error.starts_with("0,"), "{command}: {error}");
    }

    async fn number(&mut self, query: &str) -> f64 {
        self.ask(query).await.parse().unwrap()
    }
}

fn main() {
    let job: Value = serde_json::from_reader(std::io::stdin()).unwrap();
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap();
    println!("{}", runtime.block_on(readings(&job)));
}

async fn readings(job: &Value) -> Value {
    let text = |key: &str| job[key].as_str().unwrap();
    let document = bench("bench", text("bench"), |_| Ok(())).unwrap();
    let dialects = Role::NEEDED.map(|role| dialect(role.word(), text(role.word())).unwrap());
    let of = |role: Role| dialects.iter().find(|dialect| dialect.role == role).unwrap();
    let sample = sample("sample", text("sample")).unwrap();
    let simulated = SimulatedBench::new(&document, of, &[&sample], Options::default()).unwrap();
    let mut source = Device::new(&simulated, Role::CurrentSource);
    let mut voltmeter = Device::new(&simulated, Role::Voltmeter);
    let mut ammeter = Device::new(&simulated, Role::Ammeter);
    let mut matrix = Device::new(&simulated, Role::SwitchMatrix);
    let current = job["current_a"].as_f64().unwrap();
    source.tell(&format!("SOUR:CURR:RANG {current:E}")).await;
    source.tell("SOUR:VOLT:LIM 10").await;
    source.tell(&format!("SOUR:CURR {current:E}")).await;
    source.tell(if job["guard"].as_bool().unwrap() { "OUTP:GUAR ON" } else { "OUTP:GUAR OFF" }).await;
    matrix.tell(&format!("ROUT:CLOS {}", text("closed"))).await;
    voltmeter.tell(&format!("SENS:VOLT:NPLC {}", job["aperture_plc"])).await;
    voltmeter.tell("SENS:VOLT:RANG 10").await;
    ammeter.tell(&format!("SENS:CURR:NPLC {}", job["aperture_plc"])).await;
    ammeter.tell(&format!("SENS:CURR:RANG {current:E}")).await;
    ammeter.tell("INP ON").await;
    let mut phases = Vec::new();
    for change in ["OUTP ON".to_owned(), format!("SOUR:CURR {:E}", -current)] {
        source.tell(&change).await;
        let changed = Instant::now();
        let mut phase = Vec::new();
        for start in job["starts_s"].as_array().unwrap() {
            sleep_until(changed + Duration::from_secs_f64(start.as_f64().unwrap())).await;
            let begun = changed.elapsed().as_secs_f64();
            let (voltage, current) = tokio::join!(voltmeter.number("READ?"), ammeter.number("READ?"));
            phase.push(json!({ "start_s": begun, "voltage_v": voltage, "current_a": current }));
        }
        sleep_until(changed + Duration::from_secs_f64(job["phase_s"].as_f64().unwrap())).await;
        phases.push(json!({ "readings": phase, "lasted_s": changed.elapsed().as_secs_f64() }));
    }
    json!(phases)
}
