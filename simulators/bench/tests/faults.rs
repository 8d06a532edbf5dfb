//! What faults do, as a client sees it that knows nothing but lines: in virtual time, on a bench with all six devices.

#![allow(clippy::unwrap_used, reason = "a test fails where it cannot go on")]

use quadrille_bench::{ComplaintKind, Options, SimulatedBench};
use quadrille_documents::{Role, bench, dialect, sample};
use quadrille_link::{Link, MemoryLink, memory};
use std::time::Duration;
use tokio::time::{sleep, timeout};

const SURROUNDINGS: &str = r#"
[[instrument]]
name = "thermostat"
role = "temperature-controller"
resource = "TCPIP::127.0.0.1::5029::SOCKET"
dialect = "temperature-controller"
[[instrument]]
name = "magnet"
role = "field-source"
resource = "TCPIP::127.0.0.1::5030::SOCKET"
dialect = "field-source"
[cryostat]
lowest_k = 80.0
highest_k = 330.0
most_ramp_k_per_min = 10.0
[magnet]
field_t_per_a = 0.03
most_field_t = 0.9
most_ramp_t_per_s = 0.05
"#;

fn config(path: &str) -> String {
    std::fs::read_to_string(format!("{}/../../config/{path}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

fn simulated(surroundings: &str) -> SimulatedBench {
    let document =
        bench("bench.toml", &format!("{}{surroundings}", config("demo/bench.toml")), |_| Ok(())).unwrap();
    let dialects =
        Role::ALL.map(|role| dialect(role.word(), &config(&format!("dialects/{role}.toml"))).unwrap());
    let of = |role: Role| dialects.iter().find(|dialect| dialect.role == role).unwrap();
    let sample = sample("sample.toml", &config("demo/standard-low.toml")).unwrap();
    SimulatedBench::new(&document, of, &[&sample], Options::default()).unwrap()
}

/// A client of one device.
struct Client(MemoryLink);

impl Client {
    fn of(bench: &SimulatedBench, role: Role) -> Self {
        let (link, server) = memory("TCPIP::192.0.2.1::5025::SOCKET".parse().unwrap());
        let bench = bench.clone();
        tokio::spawn(async move { bench.serve(role, Box::new(server)).await });
        Self(link)
    }

    async fn tell(&mut self, message: &str) {
        self.0.send(format!("{message}\n").as_bytes()).await.unwrap();
    }

    /// What comes within so many seconds, as it comes.
    async fn hear(&mut self, seconds: f64) -> String {
        let mut heard = Vec::new();
        let all = async {
            while let Ok(bytes) = self.0.receive().await {
                heard.extend(bytes);
            }
        };
        let _ = timeout(Duration::from_secs_f64(seconds), all).await;
        String::from_utf8_lossy(&heard).into_owned()
    }

    async fn ask(&mut self, message: &str) -> String {
        self.tell(message).await;
        let answer = self.hear(0.5).await;
        answer.strip_suffix('\n').unwrap_or_else(|| panic!("{message}: {answer:?}")).to_owned()
    }

    async fn number(&mut self, message: &str) -> f64 {
        self.ask(message).await.parse().unwrap()
    }
}

/// What comes of `*OPC?` within a second, with a fault.
async fn seen(fault: &str) -> String {
    let bench = simulated("");
    let mut client = Client::of(&bench, Role::Voltmeter);
    bench.inject(fault.parse().unwrap()).unwrap();
    client.tell("*OPC?").await;
    client.hear(1.0).await
}

#[tokio::test(start_paused = true)]
async fn an_answer_comes_as_its_fault_leaves_it() {
    for (fault, comes) in [
        ("ammeter silent", "1\n"),
        ("voltmeter silent", ""),
        ("voltmeter silent once after 1", "1\n"),
        ("voltmeter late 0.9", "1\n"),
        ("voltmeter late 1.1", ""),
        ("voltmeter cut 0", ""),
        ("voltmeter cut 1", "1"),
        ("voltmeter cut 9", "1"),
        ("voltmeter wrong-type", "\"WRONG TYPE\"\n"),
        ("voltmeter twice 0", "1\n1\n"),
        ("voltmeter twice 0.9", "1\n1\n"),
        ("voltmeter twice 1.1", "1\n"),
        ("voltmeter echo", "*OPC?\n1\n"),
        ("voltmeter black-hole", ""),
        ("voltmeter black-hole for 0.5", ""),
        ("voltmeter hang", ""),
        ("voltmeter hang for 0.5", "1\n"),
        ("voltmeter held", ""),
        ("voltmeter held for 0.5", "1\n"),
        ("voltmeter refused for 0.5", "1\n"),
    ] {
        assert_eq!(seen(fault).await, comes, "{fault}");
    }
    assert!(!seen("voltmeter garbled").await.contains('1'));
}

#[tokio::test(start_paused = true)]
async fn an_answer_that_comes_again_comes_before_that_to_the_next_question() {
    let bench = simulated("");
    let mut client = Client::of(&bench, Role::CurrentSource);
    bench.inject("source twice 0.2".parse().unwrap()).unwrap();
    assert_eq!(client.ask("*ESE 7;*ESE?").await, "7\n7");
    bench.inject("source twice 0.2".parse().unwrap()).unwrap();
    client.tell("*ESE 8;*ESE?").await;
    assert_eq!(client.hear(0.1).await, "8\n");
    sleep(Duration::from_secs_f64(0.2)).await;
    client.tell("*ESE 9;*ESE?").await;
    assert_eq!(client.hear(1.0).await, "8\n9\n");
}

#[tokio::test(start_paused = true)]
async fn what_a_hanging_device_is_told_is_done_afterwards_and_what_a_black_hole_swallows_never() {
    for (fault, level) in [("hang", "1.000000000E-03"), ("black-hole", "0.000000000E+00")] {
        let bench = simulated("");
        let mut client = Client::of(&bench, Role::CurrentSource);
        bench.inject(format!("source {fault}").parse().unwrap()).unwrap();
        client.tell("SOUR:CURR 1E-3").await;
        assert_eq!(client.hear(60.0).await, "", "{fault}");
        assert_eq!(bench.clear_faults(), 1);
        let found: f64 = client.number("SOUR:CURR?").await;
        assert_eq!(found, level.parse::<f64>().unwrap(), "{fault}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_setting_that_is_ignored_leaves_no_error_and_a_stranger_complains_of_what_it_is_told() {
    let bench = simulated("");
    let mut client = Client::of(&bench, Role::CurrentSource);
    bench.inject("source ignored".parse().unwrap()).unwrap();
    assert_eq!(client.number("SOUR:CURR 1E-3;:SOUR:CURR?").await, 0.0);
    assert!(client.ask("SYST:ERR?").await.starts_with("0,"));
    assert_eq!(client.number("SOUR:CURR 1E-3;:SOUR:CURR?").await, 1e-3);
    bench.inject("source stranger".parse().unwrap()).unwrap();
    assert!(!client.ask("*IDN?").await.contains("VIRTUAL"));
    assert_eq!(bench.complaints(), []);
    client.tell("OUTP ON").await;
    assert!(client.ask("SYST:ERR?").await.starts_with("-113"));
    let complaint = &bench.complaints()[0];
    assert_eq!(complaint.kind, ComplaintKind::StrangerTold(Role::CurrentSource));
    assert!(complaint.to_string().contains("current-source"), "{complaint}");
    assert!(!bench.is_energised());
}

#[tokio::test(start_paused = true)]
async fn a_reboot_leaves_the_settings_of_power_on_and_its_bit() {
    let bench = simulated("");
    let mut client = Client::of(&bench, Role::CurrentSource);
    assert_eq!(client.number("*CLS;:SOUR:CURR 1E-3;:OUTP ON;:OUTP?").await, 1.0);
    assert!(bench.is_energised());
    bench.inject("source reboot 3".parse().unwrap()).unwrap();
    client.tell("SOUR:CURR?").await;
    assert_eq!(client.hear(1.0).await, "");
    assert!(!bench.is_energised());
    client.0.clear().await.unwrap();
    client.tell("SOUR:CURR?;:OUTP?;*ESR?").await;
    assert_eq!(client.hear(1.0).await, "", "it is back after three seconds");
    // Power on is bit 7 (IEEE 488.2, 11.5.1.1).
    assert_eq!(client.hear(3.0).await, "0.0E+00;0;128\n");
}

#[tokio::test(start_paused = true)]
async fn a_relay_that_is_stuck_is_reported_as_it_should_be_and_does_what_it_does() {
    for (fault, voltage) in [
        // Between contacts 1 and 2: 10 kohm beside 70 kohm, at 0.1 mA (Ohm's law), less what undriven cables take.
        (None, 0.86..0.876),
        // The high sense lead stays open: its row is wherever bias currents and insulation take it.
        (Some("matrix stuck-open 3!1"), -0.5..0.5),
        // It goes to contact 2, as the low one does.
        (Some("matrix wrong-relay 3!1 3!2"), -1e-3..1e-3),
    ] {
        let bench = simulated("");
        let [mut source, mut voltmeter, mut matrix] =
            [Role::CurrentSource, Role::Voltmeter, Role::SwitchMatrix].map(|role| Client::of(&bench, role));
        if let Some(fault) = fault {
            bench.inject(fault.parse().unwrap()).unwrap();
        }
        assert_eq!(matrix.ask("ROUT:CLOS (@1!1,2!2,3!1,4!2);:ROUT:CLOS:STAT?").await, "(@1!1,2!2,3!1,4!2)");
        source.tell("SOUR:CURR 1E-4;:SOUR:VOLT:LIM 5;:OUTP ON").await;
        sleep(Duration::from_secs(1)).await;
        let read = voltmeter.number("READ?").await;
        assert!(voltage.contains(&read), "{fault:?}: {read} V");
    }
}

/// What two benches of the same seed show of their temperature, a fault being injected into the second.
async fn temperatures(fault: &str, seconds: &[u64]) -> Vec<(f64, f64)> {
    let (sound, faulty) = (simulated(SURROUNDINGS), simulated(SURROUNDINGS));
    let mut of_sound = Client::of(&sound, Role::TemperatureController);
    let mut of_faulty = Client::of(&faulty, Role::TemperatureController);
    faulty.inject(fault.parse().unwrap()).unwrap();
    let mut shown = Vec::new();
    for &seconds in seconds {
        sleep(Duration::from_secs(seconds)).await;
        of_sound.tell("MEAS:TEMP?").await;
        let faulty = of_faulty.number("MEAS:TEMP?").await;
        shown.push((of_sound.hear(0.1).await.trim().parse().unwrap(), faulty));
    }
    shown
}

#[tokio::test(start_paused = true)]
async fn a_thermometer_that_jumps_or_breaks_comes_back_when_its_time_is_over() {
    for (fault, shows) in [
        // The controller believes its thermometer and begins to cool.
        ("thermostat sensor-jumps 7 for 20", 6.0..7.05),
        // Not a number (SCPI-1999 volume 1, 7.2.1.5, from memory).
        ("thermostat sensor-broken for 20", 9.9e37..9.92e37),
    ] {
        let [(sound, faulty), (sound_after, after)] = temperatures(fault, &[1, 1200]).await[..] else {
            panic!("two readings each");
        };
        assert!(shows.contains(&(faulty - sound)), "{fault}: {sound} K, {faulty} K");
        assert!((after - sound_after).abs() < 0.1, "{fault}: {sound_after} K, {after} K");
    }
}

#[tokio::test(start_paused = true)]
async fn a_heater_that_gives_nothing_stalls_the_temperature_until_it_is_mended() {
    let bench = simulated(SURROUNDINGS);
    let mut client = Client::of(&bench, Role::TemperatureController);
    bench.inject("thermostat stalls".parse().unwrap()).unwrap();
    client.tell("SOUR:TEMP:RAMP 10;:SOUR:TEMP:SPO 310;:OUTP ON").await;
    sleep(Duration::from_secs(600)).await;
    let stalled = client.number("MEAS:TEMP?").await;
    assert!(stalled < 297.0, "{stalled} K");
    bench.clear_faults();
    sleep(Duration::from_secs(1800)).await;
    let mended = client.number("MEAS:TEMP?").await;
    assert!((mended - 310.0).abs() < 2.0, "{mended} K");
}

#[tokio::test(start_paused = true)]
async fn a_ramp_of_the_field_that_stalls_says_that_it_ramps_and_arrives_nowhere() {
    let bench = simulated(SURROUNDINGS);
    let mut client = Client::of(&bench, Role::FieldSource);
    client.tell("OUTP ON;:SOUR:FIEL:RAMP 0.02;:SOUR:FIEL 0.5;:SOUR:FIEL:STAR").await;
    sleep(Duration::from_secs(5)).await;
    bench.inject("magnet stalls".parse().unwrap()).unwrap();
    sleep(Duration::from_secs(60)).await;
    // Bit 3 of the operation register: on its way.
    assert_eq!(client.number("STAT:OPER:COND?").await as u32 & 8, 8);
    let stalled = client.number("MEAS:FIEL?").await;
    assert!((0.05..0.15).contains(&stalled), "{stalled} T");
    bench.clear_faults();
    client.tell("SOUR:FIEL:STAR").await;
    sleep(Duration::from_secs(60)).await;
    let arrived = client.number("MEAS:FIEL?").await;
    assert!((arrived - 0.5).abs() < 0.01, "{arrived} T");
    bench.inject("magnet probe-jumps -0.1".parse().unwrap()).unwrap();
    sleep(Duration::from_secs(1)).await;
    let jumped = client.number("MEAS:FIEL?").await;
    assert!((jumped - 0.4).abs() < 0.01, "{jumped} T");
}

#[tokio::test(start_paused = true)]
async fn a_fault_of_what_the_bench_has_not_is_refused() {
    let bench = simulated("");
    for (fault, reason) in [
        ("thermostat stalls", "no temperature-controller"),
        ("magnet late 3", "no field-source"),
        ("matrix stuck-open 5!4", "no crosspoint 5!4"),
        ("matrix wrong-relay 1!1 1!9", "no crosspoint 1!9"),
    ] {
        let refused = bench.inject(fault.parse().unwrap()).unwrap_err().to_string();
        assert!(refused.contains(reason), "{fault}: {refused}");
    }
    assert!(bench.faults().is_empty());
}
