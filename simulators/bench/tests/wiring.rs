//! Faults of wiring, standard, meters and source, told in their text form and seen in what the instruments answer, against
//! nodal analysis of the circuit that each makes, or against numbers worked out by hand.

#![allow(clippy::unwrap_used, reason = "a test fails where it cannot go on")]

use quadrille_bench::{Options, SimulatedBench, Spread};
use quadrille_documents::{Bench, Dialect, Role, bench, dialect, sample};
use quadrille_experiment::Configuration;
use quadrille_link::{Link, MemoryLink, memory};
use quadrille_network::Circuit;
use quadrille_quantity::Ohm;
use std::time::Duration;
use tokio::time::{sleep, timeout};

const LOW: [f64; 4] = [10e3, 15e3, 22e3, 33e3];
const HIGH: [f64; 4] = [4.7e9, 6.8e9, 10e9, 15e9];

fn config(path: &str) -> String {
    std::fs::read_to_string(format!("{}/../../config/{path}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

fn document() -> Bench {
    bench("bench.toml", &config("demo/bench.toml"), |_| Ok(())).unwrap()
}

fn shipped() -> Vec<Dialect> {
    Role::ALL
        .iter()
        .map(|role| dialect(role.word(), &config(&format!("dialects/{role}.toml"))).unwrap())
        .collect()
}

/// Without errors, noise and what crosspoints add: what is left is the circuit that is wrong.
fn ideal() -> Vec<Dialect> {
    let mut dialects = shipped();
    for dialect in &mut dialects {
        (dialect.facts.bias_current_a, dialect.facts.thermoelectric_v) = (0.0, 0.0);
        dialect.facts.closed_resistance_ohm *= 1e-6;
        for range in &mut dialect.facts.ranges {
            (range.of_reading, range.of_range, range.noise_per_rthz) = (0.0, 0.0, 0.0);
        }
    }
    dialects
}

fn ring(ohms: [f64; 4], tolerance: f64) -> String {
    let [ab, bc, cd, da] = ohms;
    format!(
        "kind = \"sample\"\nname = \"ring\"\ncontacts = [\"a\", \"b\", \"c\", \"d\"]\n[model]\ntype = \"network\"\n\
         tolerance = {tolerance}\nresistors = [[\"a\", \"b\", {ab:e}], [\"b\", \"c\", {bc:e}], \
         [\"c\", \"d\", {cd:e}], [\"d\", \"a\", {da:e}]]\n"
    )
}

fn simulated(ohms: [f64; 4], dialects: &[Dialect], options: Options) -> SimulatedBench {
    toleranced(ohms, 0.01, dialects, options)
}

fn toleranced(ohms: [f64; 4], tolerance: f64, dialects: &[Dialect], options: Options) -> SimulatedBench {
    let of = |role: Role| dialects.iter().find(|dialect| dialect.role == role).unwrap();
    let sample = sample("sample.toml", &ring(ohms, tolerance)).unwrap();
    SimulatedBench::new(&document(), of, &[&sample], options).unwrap()
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

    async fn ask(&mut self, message: &str) -> f64 {
        self.tell(message).await;
        let mut heard = Vec::new();
        let line = async {
            while !heard.ends_with(b"\n") {
                heard.extend(self.0.receive().await.unwrap());
            }
        };
        timeout(Duration::from_secs(60), line).await.unwrap();
        String::from_utf8(heard).unwrap().trim().parse().unwrap()
    }
}

/// The four instruments, as somebody uses them who measures a resistance.
struct Hand {
    source: Client,
    voltmeter: Client,
    ammeter: Client,
    matrix: Client,
}

#[derive(Clone, Copy, Debug)]
struct Seen {
    volt: f64,
    ampere: f64,
    at_limit: bool,
}

impl Hand {
    fn on(bench: &SimulatedBench) -> Self {
        let of = |role| Client::of(bench, role);
        Self {
            source: of(Role::CurrentSource),
            voltmeter: of(Role::Voltmeter),
            ammeter: of(Role::Ammeter),
            matrix: of(Role::SwitchMatrix),
        }
    }

    /// Connects contacts to source, return, sense high and sense low, and drives a current.
    async fn drive(&mut self, contacts: [u8; 4], ampere: f64, more: &str) {
        self.source.tell("OUTP OFF").await;
        sleep(Duration::from_secs(1)).await;
        self.ammeter.tell("INP OFF").await;
        self.matrix.tell("ROUT:OPEN:ALL").await;
        let [a, b, c, d] = contacts;
        self.matrix.tell(&format!("ROUT:CLOS (@1!{a},2!{b},3!{c},4!{d}{more})")).await;
        sleep(Duration::from_millis(50)).await;
        self.ammeter.tell("INP ON").await;
        let guard = if more.is_empty() { "OFF" } else { "ON" };
        self.source.tell(&format!("OUTP:GUAR {guard};:CURR {ampere:e};:VOLT:LIM 10;:OUTP ON")).await;
        sleep(Duration::from_secs(60)).await;
    }

    async fn see(&mut self) -> Seen {
        let (volt, ampere) = (self.voltmeter.ask("READ?").await, self.ammeter.ask("READ?").await);
        Seen { volt, ampere, at_limit: self.source.ask("STAT:QUES:COND?").await != 0.0 }
    }

    async fn measure(&mut self, contacts: [u8; 4], ampere: f64) -> Seen {
        self.drive(contacts, ampere, "").await;
        self.see().await
    }
}

const AMPERE: f64 = 5e-5;

/// What the instruments show of the ideal bench with a ring of tens of kilohms and these faults.
async fn shows(faults: &[&str], contacts: [u8; 4]) -> Seen {
    let bench = simulated(LOW, &ideal(), Options::default());
    faults.iter().for_each(|fault| bench.inject(fault.parse().unwrap()).unwrap());
    Hand::on(&bench).measure(contacts, AMPERE).await
}

/// A circuit of resistors between nodes of one letter; its contacts are a, b, c, d and, for ground, g.
fn nodal(resistors: &[(&str, f64)], [a, b, c, d]: [u8; 4]) -> f64 {
    let mut builder = Circuit::builder();
    for (nodes, ohm) in resistors {
        builder.resistor(&nodes[..1], &nodes[1..], Ohm(*ohm));
    }
    let with_ground = resistors.iter().any(|(nodes, _)| nodes.contains('g'));
    builder.contacts(["a", "b", "c", "d", "g"].into_iter().take(if with_ground { 5 } else { 4 }));
    let circuit = builder.build().unwrap();
    circuit.terminals().four_terminal(Configuration::new(a, b, c, d).unwrap()).unwrap().0
}

fn with<'n>(ohms: [f64; 4], more: &[(&'n str, f64)]) -> Vec<(&'n str, f64)> {
    ["ab", "bc", "cd", "da"].into_iter().zip(ohms).chain(more.iter().copied()).collect()
}

#[track_caller]
fn close(value: f64, expected: f64, relative: f64) {
    assert!((value / expected - 1.0).abs() < relative, "{value:e} is not {expected:e} within {relative:e}");
}

#[track_caller]
fn is_resistance(seen: Seen, ohm: f64) {
    assert!(!seen.at_limit, "{seen:?}");
    close(seen.volt / seen.ampere, ohm, 3e-6);
}

#[tokio::test(start_paused = true)]
async fn leads_that_are_exchanged_read_what_the_other_contacts_would() {
    is_resistance(shows(&[], [2, 1, 3, 4]).await, nodal(&with(LOW, &[]), [2, 1, 3, 4]));
    let fault = ["wiring exchanged 1 3"];
    is_resistance(shows(&fault, [2, 1, 3, 4]).await, nodal(&with(LOW, &[]), [2, 3, 1, 4]));
    is_resistance(shows(&fault, [1, 4, 1, 4]).await, nodal(&with(LOW, &[]), [3, 4, 3, 4]));
    // Exchanged twice over, they run round: contact 1 is on column 3, 3 on 4, 4 on 1.
    let both = ["wiring exchanged 1 3", "wiring exchanged 3 4"];
    is_resistance(shows(&both, [3, 2, 4, 1]).await, nodal(&with(LOW, &[]), [1, 2, 3, 4]));
}

#[tokio::test(start_paused = true)]
async fn an_open_lead_carries_nothing_and_leaves_a_sense_line_to_its_insulation() {
    let driven = shows(&["wiring open 3"], [3, 4, 2, 1]).await;
    assert!(driven.at_limit && driven.ampere.abs() < 1e-8, "{driven:?}");
    // Contact 3 is sensed: the high line hangs on the meter's 10 GΩ to the low line and on the insulation of its two
    // cables, 100 GΩ each, to ground; the return is 10 Ω above that.
    let sensed = shows(&["wiring open 3"], [2, 1, 3, 4]).await;
    let ground = AMPERE * 10.0;
    let low = ground + AMPERE * nodal(&with(LOW, &[]), [2, 1, 4, 1]);
    // Five times 1e15 Ω of open relays and lead, to at most twice that voltage, are left out.
    close(sensed.volt, -low * 1e10 / (1e10 + 5e10), 2e-4);
    // Where it is not connected it is not missed.
    is_resistance(shows(&["wiring open 3"], [2, 1, 4, 1]).await, nodal(&with(LOW, &[]), [2, 1, 4, 1]));
}

#[tokio::test(start_paused = true)]
async fn an_open_row_is_missed_in_every_configuration() {
    for row in ["source", "return"] {
        let seen = shows(&[&format!("wiring row-open {row}")], [2, 1, 3, 4]).await;
        assert!(seen.at_limit && seen.ampere.abs() < 1e-8, "{row}: {seen:?}");
    }
    // The high terminal hangs on the meter's 10 GΩ and on its own cable alone.
    let seen = shows(&["wiring row-open sense-high"], [2, 1, 3, 4]).await;
    let low = AMPERE * (10.0 + nodal(&with(LOW, &[]), [2, 1, 4, 1]));
    close(seen.volt, -low * 1e10 / (1e10 + 1e11), 1e-4);
    let seen = shows(&["wiring row-open sense-low"], [2, 1, 3, 4]).await;
    let high = AMPERE * (10.0 + nodal(&with(LOW, &[]), [2, 1, 3, 1]));
    close(seen.volt, high * 1e10 / (1e10 + 1e11), 1e-4);
}

#[tokio::test(start_paused = true)]
async fn rows_that_are_exchanged_turn_the_sign_or_mix_current_and_sense() {
    let right = nodal(&with(LOW, &[]), [2, 1, 3, 4]);
    is_resistance(shows(&["wiring rows-exchanged sense-high sense-low"], [2, 1, 3, 4]).await, -right);
    let seen = shows(&["wiring rows-exchanged source return"], [2, 1, 3, 4]).await;
    assert!(seen.ampere > 0.0, "{seen:?}");
    is_resistance(seen, -right);
    let mixed = shows(&["wiring rows-exchanged source sense-high"], [2, 1, 3, 4]).await;
    is_resistance(mixed, nodal(&with(LOW, &[]), [3, 1, 2, 4]));
}

#[tokio::test(start_paused = true)]
async fn a_leak_is_a_resistor_more() {
    for (fault, edge) in [("wiring leak 1 3 40000", "ac"), ("wiring leak 2 1 40000", "ab")] {
        for contacts in [[2, 1, 3, 4], [3, 2, 4, 1], [1, 3, 1, 3]] {
            is_resistance(shows(&[fault], contacts).await, nodal(&with(LOW, &[(edge, 4e4)]), contacts));
        }
    }
}

#[tokio::test(start_paused = true)]
async fn a_leak_to_ground_takes_current_past_the_ammeter() {
    let seen = shows(&["wiring leak-to-ground 3 50000"], [2, 1, 3, 4]).await;
    let circuit = with(LOW, &[("ag", 10.0), ("cg", 5e4)]);
    close(seen.volt / AMPERE, nodal(&circuit, [2, 5, 3, 4]), 3e-6);
    close(seen.ampere / AMPERE, nodal(&circuit, [2, 5, 1, 5]) / 10.0, 3e-6);
}

#[tokio::test(start_paused = true)]
async fn a_loaded_voltmeter_draws_its_current_through_the_sample() {
    let seen = shows(&["wiring loaded 1e5"], [2, 1, 3, 4]).await;
    is_resistance(seen, nodal(&with(LOW, &[("cd", 1e5)]), [2, 1, 3, 4]));
}

/// Volts over amperes of gigohms with guard and buffers told to be in, and the matrix' own word that they are.
async fn gigohms(faults: &[&str]) -> (f64, f64) {
    let bench = simulated(HIGH, &ideal(), Options::default());
    faults.iter().for_each(|fault| bench.inject(fault.parse().unwrap()).unwrap());
    let mut hand = Hand::on(&bench);
    hand.drive([2, 1, 3, 4], 1e-10, ",5!1").await;
    assert_eq!(hand.matrix.ask("ROUT:CLOS? (@5!1)").await, 1.0);
    assert_eq!(hand.source.ask("OUTP:GUAR?").await, 1.0);
    let seen = hand.see().await;
    (seen.volt / 1e-10, seen.ampere / 1e-10)
}

#[tokio::test(start_paused = true)]
async fn buffers_that_stay_out_and_a_guard_that_is_not_driven_read_as_the_circuit_without_them() {
    let right = nodal(&with(HIGH, &[]), [2, 1, 3, 4]);
    close(gigohms(&[]).await.0, right, 1e-4);
    let (volt, _) = gigohms(&["wiring buffers-out"]).await;
    close(volt, nodal(&with(HIGH, &[("cd", 1e10)]), [2, 1, 3, 4]), 1e-4);
    // Each contact has the cables of its column and of its row, 100 GΩ each.
    let (volt, ampere) = gigohms(&["wiring guard-broken"]).await;
    let cables = ["bg", "cg", "dg"].map(|nodes| (nodes, 5e10));
    let circuit = with(HIGH, &[&cables[..], &[("ag", 10.0)]].concat());
    close(volt, nodal(&circuit, [2, 5, 3, 4]), 1e-4);
    close(ampere, nodal(&circuit, [2, 5, 1, 5]) / 10.0, 1e-4);
}

#[tokio::test(start_paused = true)]
async fn a_wrong_standard_is_another_standard() {
    let [ab, bc, cd, da] = LOW;
    let seen = shows(&["standard resistor 2 1.1"], [3, 2, 4, 1]).await;
    is_resistance(seen, nodal(&with([ab, 1.1 * bc, cd, da], &[]), [3, 2, 4, 1]));
    let seen = shows(&["standard scaled 0.97", "standard resistor 4 1.2"], [3, 2, 4, 1]).await;
    let scaled = [ab, bc, cd, 1.2 * da].map(|ohm| 0.97 * ohm);
    is_resistance(seen, nodal(&with(scaled, &[]), [3, 2, 4, 1]));
}

#[tokio::test(start_paused = true)]
async fn a_meter_shows_its_own_faults() {
    let right = shows(&[], [2, 1, 3, 4]).await;
    assert_eq!(shows(&["ammeter shorted"], [2, 1, 3, 4]).await.ampere, 0.0);
    assert_eq!(shows(&["ammeter overloaded"], [2, 1, 3, 4]).await.ampere, 9.9e37);
    assert_eq!(shows(&["voltmeter overloaded"], [2, 1, 3, 4]).await.volt, 9.9e37);
    close(shows(&["ammeter reversed"], [2, 1, 3, 4]).await.ampere, -right.ampere, 1e-9);
    close(shows(&["voltmeter reversed"], [2, 1, 3, 4]).await.volt, -right.volt, 1e-9);
    close(shows(&["ammeter gain 1.05"], [2, 1, 3, 4]).await.ampere, 1.05 * right.ampere, 1e-9);
    close(shows(&["voltmeter gain 0.8"], [2, 1, 3, 4]).await.volt, 0.8 * right.volt, 1e-9);
}

#[tokio::test(start_paused = true)]
async fn a_source_shows_its_own_faults() {
    let seen = shows(&["source limited 0.3"], [2, 1, 3, 4]).await;
    assert!(seen.at_limit);
    // 0.3 V, less the millivolt per milliampere of a limit that is held, across the ring and the ammeter.
    let ring = nodal(&with(LOW, &[]), [2, 1, 2, 1]);
    close(seen.ampere, 0.3 / (ring + 10.0 + 1.0), 1e-6);
    let right = shows(&[], [2, 1, 3, 4]).await;
    let seen = shows(&["source reversed"], [2, 1, 3, 4]).await;
    close(seen.ampere, -right.ampere, 1e-9);
    close(seen.volt, -right.volt, 1e-6);
}

#[tokio::test(start_paused = true)]
async fn a_meter_that_stays_on_a_range_reads_as_on_that() {
    let mut dialects = shipped();
    dialects.iter_mut().for_each(|d| d.facts.ranges.iter_mut().for_each(|r| r.noise_per_rthz = 0.0));
    for (role, fault, told, above) in [
        (Role::Voltmeter, "voltmeter range 100", "VOLT:RANG 1", "VOLT:RANG 100"),
        (Role::Ammeter, "ammeter range 0.1", "CURR:RANG 1E-3", "CURR:RANG 0.1"),
    ] {
        let read = async |fault: Option<&str>, range: &str| {
            let bench = simulated(LOW, &dialects, Options::default());
            fault.into_iter().for_each(|fault| bench.inject(fault.parse().unwrap()).unwrap());
            let mut hand = Hand::on(&bench);
            hand.drive([2, 1, 3, 4], AMPERE, "").await;
            let meter = if role == Role::Voltmeter { &mut hand.voltmeter } else { &mut hand.ammeter };
            meter.tell(range).await;
            sleep(Duration::from_millis(10)).await;
            meter.ask("READ?").await
        };
        let wrong = read(Some(fault), told).await;
        assert_eq!(wrong, read(None, above).await);
        assert_ne!(wrong, read(None, told).await);
    }
}

#[tokio::test(start_paused = true)]
async fn noise_is_so_many_times_the_usual() {
    let spread = async |fault: Option<&str>| {
        let bench = simulated(LOW, &shipped(), Options::default());
        fault.into_iter().for_each(|fault| bench.inject(fault.parse().unwrap()).unwrap());
        let mut hand = Hand::on(&bench);
        hand.drive([2, 1, 3, 4], AMPERE, "").await;
        let mut read = Vec::new();
        for _ in 0..200 {
            read.push(hand.voltmeter.ask("READ?").await);
        }
        let mean = read.iter().sum::<f64>() / 200.0;
        (read.iter().map(|volt| (volt - mean).powi(2)).sum::<f64>() / 199.0).sqrt()
    };
    // The draws are the same ones.
    close(spread(Some("voltmeter noisy 40")).await, 40.0 * spread(None).await, 1e-3);
}

#[tokio::test(start_paused = true)]
async fn a_wild_answer_comes_once_and_its_turn_can_be_told() {
    let bench = simulated(LOW, &ideal(), Options::default());
    bench.inject("voltmeter wild 0.25 once after 2".parse().unwrap()).unwrap();
    let mut hand = Hand::on(&bench);
    hand.drive([2, 1, 3, 4], AMPERE, "").await;
    let mut read = Vec::new();
    for _ in 0..4 {
        read.push(hand.voltmeter.ask("READ?").await);
    }
    close(read[2] - read[1], 0.25, 1e-6);
    close(read[3], read[0], 1e-6);
    assert!(bench.faults().is_empty());
}

#[tokio::test(start_paused = true)]
async fn what_is_mended_reads_right_again() {
    let bench = simulated(LOW, &ideal(), Options::default());
    let mut hand = Hand::on(&bench);
    let right = hand.measure([2, 1, 3, 4], AMPERE).await;
    for fault in ["wiring open 3", "standard scaled 2", "source limited 0.1", "ammeter shorted"] {
        bench.inject(fault.parse().unwrap()).unwrap();
    }
    hand.measure([2, 1, 3, 4], AMPERE).await;
    bench.clear_faults();
    let again = hand.measure([2, 1, 3, 4], AMPERE).await;
    close(again.volt, right.volt, 1e-9);
    close(again.ampere, right.ampere, 1e-9);
    bench.inject("wiring exchanged 1 3 for 30".parse().unwrap()).unwrap();
    sleep(Duration::from_secs(31)).await;
    close(hand.see().await.volt, right.volt, 1e-9);
}

#[tokio::test(start_paused = true)]
async fn what_a_bench_cannot_show_is_refused() {
    let bench = simulated(LOW, &ideal(), Options::default());
    for (fault, why) in [
        ("wiring open 5", "4 contacts"),
        ("wiring exchanged 1 7", "4 contacts"),
        ("standard resistor 5 1.1", "4 resistors"),
        ("ammeter range 2", "largest range holds 1e-1"),
        ("voltmeter noisy 10", "no noise"),
    ] {
        let error = bench.inject(fault.parse().unwrap()).unwrap_err().to_string();
        assert!(error.contains(why), "{fault}: {error}");
    }
    let plain = SimulatedBench::new(
        &bare(),
        |role| Box::leak(Box::new(shipped())).iter().find(|dialect| dialect.role == role).unwrap(),
        &[&sample("film.toml", &config("demo/film.toml")).unwrap()],
        Options::default(),
    )
    .unwrap();
    for (fault, why) in [
        ("wiring buffers-out", "no buffers"),
        ("wiring guard-broken", "no guard"),
        ("standard scaled 2", "no network"),
    ] {
        let error = plain.inject(fault.parse().unwrap()).unwrap_err().to_string();
        assert!(error.contains(why), "{fault}: {error}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_welded_relay_is_closed_before_anybody_closes_it() {
    // Sense high stays on contact 2 and joins it to contact 3.
    let joined = with(LOW, &[("bc", 1e-6)]);
    is_resistance(shows(&["matrix welded 3!2"], [2, 1, 3, 4]).await, nodal(&joined, [2, 1, 3, 4]));
}

#[tokio::test(start_paused = true)]
async fn a_range_that_is_too_small_is_in_overload_where_the_value_is_beyond_it() {
    // Of 0.21 V, on the 0.1 V range instead of that of 1 V.
    let read = async |fault: &str| {
        let bench = simulated(LOW, &ideal(), Options::default());
        bench.inject(fault.parse().unwrap()).unwrap();
        let mut hand = Hand::on(&bench);
        hand.drive([2, 1, 3, 4], AMPERE, "").await;
        hand.voltmeter.tell("VOLT:RANG 1").await;
        hand.ammeter.tell("CURR:RANG 1E-3").await;
        sleep(Duration::from_millis(10)).await;
        hand.see().await
    };
    assert_eq!(read("voltmeter range 0.1").await.volt, 9.9e37);
    assert_eq!(read("ammeter range 1e-5").await.ampere, 9.9e37);
    assert!(read("ammeter range 1e-5").await.volt.abs() < 1.0);
}

/// The bench without guard and buffers.
fn bare() -> Bench {
    let mut bench = document();
    (bench.wiring.guard, bench.wiring.buffers) = (false, None);
    bench
}

#[tokio::test(start_paused = true)]
async fn a_bench_that_is_spread_stays_within_what_its_documents_promise() {
    let read = async |tolerance, spread| {
        let options = Options { spread: Some(spread), ..Options::default() };
        let bench = toleranced(LOW, tolerance, &ideal(), options);
        let seen = Hand::on(&bench).measure([1, 2, 1, 2], AMPERE).await;
        seen.volt / seen.ampere
    };
    let nominal = nodal(&with(LOW, &[]), [1, 2, 1, 2]);
    for spread in [Spread::Within, Spread::Edge] {
        let seen = read(0.01, spread).await;
        assert!((seen - nominal).abs() > 1e-4 * nominal, "{seen}");
        assert!(seen > 0.99 * nominal && seen < 1.01 * nominal + 1.0, "{seen}");
        // Beyond the matrix both pairs share the leads of contacts 1 and 2, 0.15 to 0.45 Ω each.
        let leads = read(0.0, spread).await - nominal;
        assert!((0.3..0.9).contains(&leads), "{leads}");
    }
}
