//! The contact check on circuits that another room solves: contacts in series and barriers come back as they were put
//! in.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_experiment::{Condition, Configuration, Contact, Reading};
use quadrille_network::{Circuit, TerminalMatrix};
use quadrille_quantity::{Ampere, Ohm, Volt};
use quadrille_reduction::contacts::{
    ContactCriteria, ContactReport, Film, PairLine, check_contacts, contact_resistances, lines,
};
use quadrille_reduction::{Error, resistances};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use support::{close, reading};

/// A barrier at a contact: i = I_s (exp(v/V_0) − 1) + v/R from the metal into the sample.
#[derive(Clone, Copy)]
struct Barrier {
    saturation: f64,
    scale: f64,
    leak: f64,
}

impl Barrier {
    /// Voltage at a current, by bisection: the characteristic rises.
    fn voltage(&self, current: f64) -> f64 {
        let at = |v: f64| self.saturation * (v / self.scale).exp_m1() + v / self.leak;
        let (mut low, mut high) = (-1.0 - (current * self.leak).abs(), 1.0 + (current * self.leak).abs());
        high = high.min(self.scale * 600.0);
        for _ in 0..200 {
            let middle = (low + high) / 2.0;
            if at(middle) < current { low = middle } else { high = middle }
        }
        (low + high) / 2.0
    }
}

/// A film of resistors without symmetry, planar, its contacts in order around the edge, with what is in series with each.
struct Bench {
    film: TerminalMatrix,
    whole: TerminalMatrix,
    barriers: Vec<Option<Barrier>>,
    potentials: Vec<f64>,
}

impl Bench {
    fn new(circuit: &Circuit, series: &[f64]) -> Self {
        let film = circuit.terminals();
        let whole = film.behind(&series.iter().map(|r| Ohm(*r)).collect::<Vec<_>>()).unwrap();
        Self {
            film,
            whole,
            barriers: vec![None; series.len()],
            potentials: (0..series.len()).map(|k| 2e-6 * (1.9 * k as f64).sin()).collect(),
        }
    }

    fn voltage(&self, configuration: Configuration, current: f64) -> f64 {
        let [a, b, c, d] = configuration.contacts();
        let linear = current * self.whole.four_terminal(configuration).unwrap().0;
        let at = |contact: Contact| {
            let driven = f64::from(u8::from(contact == a)) - f64::from(u8::from(contact == b));
            let barrier =
                self.barriers[contact.index()].map_or(0.0, |barrier| barrier.voltage(driven * current));
            barrier + self.potentials[contact.index()]
        };
        linear + at(c) - at(d)
    }

    fn pairs(&self) -> Vec<String> {
        let count = self.film.count() as u8;
        (1..=count).flat_map(|a| (a + 1..=count).map(move |b| format!("{a}{b},{a}{b}"))).collect()
    }

    /// Every pair at these currents, and every four-terminal resistance between neighbours in both directions.
    fn readings(&self, currents: &[f64]) -> Vec<Reading> {
        let count = self.film.count() as u8;
        let next = |k: u8| k % count + 1;
        let gaps = (1..=count).flat_map(|p| (1..=count).map(move |q| (p, q)));
        let between_neighbours = gaps
            .filter_map(|(p, q)| Configuration::new(p, next(p), next(q), q).filter(|c| c.is_four_terminal()));
        let two: Vec<Configuration> = self.pairs().iter().map(|c| c.parse().unwrap()).collect();
        let taken = two
            .into_iter()
            .flat_map(|c| currents.iter().map(move |i| (c, *i)))
            .chain(between_neighbours.flat_map(|c| [(c, 1e-5), (c, -1e-5)]));
        taken.enumerate().map(|(k, (c, i))| reading(c, i, self.voltage(c, i), 0.0, k as f64)).collect()
    }
}

fn circuit(resistors: &[(&str, &str, f64)], contacts: &[&str]) -> Circuit {
    let mut builder = Circuit::builder();
    for (a, b, ohm) in resistors {
        builder.resistor(a, b, Ohm(*ohm));
    }
    builder.contacts(contacts);
    builder.build().unwrap()
}

/// Contacts a, b, c, d around m; the film narrows towards b through another node.
fn four() -> Circuit {
    circuit(
        &[
            ("a", "n", 120.0),
            ("n", "c", 310.0),
            ("c", "d", 270.0),
            ("d", "a", 95.0),
            ("a", "m", 150.0),
            ("n", "m", 410.0),
            ("c", "m", 230.0),
            ("d", "m", 180.0),
            ("n", "b", 60.0),
        ],
        &["a", "b", "c", "d"],
    )
}

fn five() -> Circuit {
    circuit(
        &[
            ("a", "b", 120.0),
            ("b", "c", 75.0),
            ("c", "d", 310.0),
            ("d", "e", 200.0),
            ("e", "a", 95.0),
            ("a", "m", 150.0),
            ("b", "m", 410.0),
            ("c", "m", 230.0),
            ("m", "n", 40.0),
            ("d", "n", 180.0),
            ("e", "n", 330.0),
        ],
        &["a", "b", "c", "d", "e"],
    )
}

const CURRENTS: [f64; 8] = [2e-6, -2e-6, 5e-6, -5e-6, 1e-5, -1e-5, 2e-5, -2e-5];
const SERIES: [f64; 4] = [12.0, 3.5, 0.0, 41.0];

fn checked(readings: &[Reading], film: Film<'_>, criteria: &ContactCriteria) -> ContactReport {
    check_contacts(readings, film, criteria).unwrap()
}

fn found(report: &ContactReport, number: u8) -> f64 {
    let contact = Contact::new(number).unwrap();
    report.contacts.iter().find(|c| c.contact == contact).unwrap().resistance.unwrap().value
}

#[test]
fn a_pair_gives_the_two_terminal_resistance_and_the_thermoelectric_offset() {
    let bench = Bench::new(&four(), &SERIES);
    for PairLine { pair, line } in lines(&bench.readings(&CURRENTS)).unwrap() {
        let line = line.unwrap();
        close("R", line.resistance.value, bench.whole.two_terminal(pair[0], pair[1]).unwrap().0, 1e-12);
        let offset = bench.potentials[pair[0].index()] - bench.potentials[pair[1].index()];
        assert!((line.offset.value - offset).abs() < 1e-15, "{pair:?}: {}", line.offset.value);
        assert!(line.nonlinearity < 1e-12 && line.asymmetry.unwrap().value.abs() < 1e-11);
        assert_eq!((line.readings, line.left_out), (8, 0));
    }
}

#[test]
fn leads_exchanged_and_the_source_turned_are_one_line() {
    let bench = Bench::new(&four(), &SERIES);
    let turned: Vec<Reading> = CURRENTS
        .iter()
        .map(|i| {
            let c: Configuration = if *i > 0.0 { "24,24" } else { "42,42" }.parse().unwrap();
            reading(c, i.abs(), bench.voltage(c, i.abs()), 0.0, 0.0)
        })
        .collect();
    let line = lines(&turned).unwrap().remove(0).line.unwrap();
    close("R", line.resistance.value, bench.whole.two_terminal(line.pair[0], line.pair[1]).unwrap().0, 1e-12);
}

#[test]
fn contacts_in_series_come_back_beside_what_the_film_narrows_towards_each() {
    for (circuit, series) in [(four(), SERIES.to_vec()), (five(), vec![7.0, 0.0, 33.0, 2.0, 19.0])] {
        let bare = Bench::new(&circuit, &vec![0.0; series.len()]);
        let report = checked(&bare.readings(&CURRENTS), Film::Edge, &ContactCriteria::default());
        let narrowing: Vec<f64> = (1..=series.len() as u8).map(|k| found(&report, k)).collect();
        assert!(narrowing.iter().all(|s| *s >= 0.0), "{narrowing:?}");
        let report = checked(
            &Bench::new(&circuit, &series).readings(&CURRENTS),
            Film::Edge,
            &ContactCriteria::default(),
        );
        for (k, c) in series.iter().enumerate() {
            let difference = found(&report, k as u8 + 1) - narrowing[k];
            assert!((difference - c).abs() < 1e-9, "contact {}: {difference}, put in {c}", k + 1);
        }
        // The pairs that are more than needed agree: the film's part is what the four-terminal readings say.
        assert!(report.resistances.disagreement.unwrap().value < 1e-9);
    }
}

// F_12 − R_12,43 = 2 s for four equal contacts: two-terminal 2.568318644 Rs between neighbours, 2.788755015 between
// opposite ones, of arcs of a twentieth of the diameter (computed by a boundary integral and a conformal map that agree
// to nine digits); Rs·ln2/π·0.999097021 in the place of R_A for point contacts.
#[test]
fn the_narrowing_towards_arcs_on_a_disc_is_that_of_the_disc() {
    let r_a = 0.220_635_600_152_651_6 * 0.999097021;
    let sheet = 100.0;
    let readings: Vec<Reading> = ["12,12", "13,13", "14,14", "23,23", "24,24", "34,34", "12,43", "23,14"]
        .iter()
        .flat_map(|c| {
            let ohm = match *c {
                "13,13" | "24,24" => 2.788755015,
                "12,43" | "23,14" => r_a,
                _ => 2.568318644,
            } * sheet;
            [1e-4, -1e-4, 2e-4, -2e-4, 3e-4, -3e-4].map(|i| reading(c.parse().unwrap(), i, i * ohm, 0.0, 0.0))
        })
        .collect();
    let report = checked(&readings, Film::Edge, &ContactCriteria::default());
    for k in 1..=4 {
        close("narrowing", found(&report, k), (2.568318644 - r_a) / 2.0 * sheet, 1e-8);
    }
    assert!(report.resistances.disagreement.unwrap().value < 1e-5, "{:?}", report.resistances.disagreement);
    assert!(report.accepted(), "{report:?}");
}

#[test]
fn with_the_films_part_given_each_value_is_the_contact_alone() {
    let bench = Bench::new(&four(), &SERIES);
    let readings = bench.readings(&CURRENTS);
    let unknown = checked(&readings, Film::Edge, &ContactCriteria::default());
    let sheet = unknown.resistances.sheet.unwrap().value;
    let squares: Vec<([Contact; 2], f64)> = lines(&readings)
        .unwrap()
        .into_iter()
        .map(|PairLine { pair, .. }| (pair, bench.film.two_terminal(pair[0], pair[1]).unwrap().0 / sheet))
        .collect();
    let report = checked(&readings, Film::Squares(&squares), &ContactCriteria::default());
    for (k, c) in SERIES.iter().enumerate() {
        assert!(
            (found(&report, k as u8 + 1) - c).abs() < 1e-9,
            "contact {}: {}",
            k + 1,
            found(&report, k as u8 + 1)
        );
    }
}

#[test]
fn what_the_pairs_do_not_tell_is_not_told() {
    let bench = Bench::new(&four(), &SERIES);
    let all = bench.readings(&CURRENTS);
    let with = |pairs: &[&str]| {
        let kept: Vec<Reading> = all
            .iter()
            .filter(|r| {
                r.configuration.is_four_terminal() || pairs.contains(&r.configuration.to_string().as_str())
            })
            .copied()
            .collect();
        checked(&kept, Film::Edge, &ContactCriteria::default())
    };
    let whole = checked(&all, Film::Edge, &ContactCriteria::default());
    // A ring of four allows +δ and −δ in turn; of three it does not, and a fourth contact hangs on to it.
    let ring = with(&["12,12", "23,23", "34,34", "14,14"]);
    assert!(ring.contacts.iter().all(|c| c.resistance.is_none()));
    assert!(
        ring.remarks.iter().any(|r| r.contains("contacts 1, 2, 3, 4 cannot be told")),
        "{:?}",
        ring.remarks
    );
    let odd = with(&["12,12", "23,23", "13,13", "34,34"]);
    for k in 1..=4 {
        close("c", found(&odd, k), found(&whole, k), 1e-9);
    }
    assert_eq!(odd.resistances.disagreement, None);
}

#[test]
fn a_barrier_is_found_at_its_contact_and_the_others_pass() {
    for (bad, saturation, leak) in [(2, 1e-7, 1e5), (4, 3e-6, 3e3)] {
        let mut bench = Bench::new(&four(), &SERIES);
        bench.barriers[bad - 1] = Some(Barrier { saturation, scale: 0.0254 * 1.3, leak });
        let report = checked(&bench.readings(&CURRENTS), Film::Edge, &ContactCriteria::default());
        for contact in &report.contacts {
            let is_bad = contact.contact.index() == bad - 1;
            assert_eq!(contact.passed, !is_bad, "{contact:?}");
        }
        assert!(!report.accepted());
        for pair in &report.pairs {
            let [a, b] = pair.pair.map(Contact::index);
            assert_eq!(pair.passed, a != bad - 1 && b != bad - 1, "{pair:?}");
            if !pair.passed {
                let curve = pair.line.as_ref().unwrap().curvature.unwrap();
                assert!(curve.by_chance < 0.01, "{curve:?}");
                // Metal into sample is the easy way: into the bad contact.
                let easy = if a == bad - 1 { (a + 1, b + 1) } else { (b + 1, a + 1) };
                let said = format!("current flows more easily from {} to {} than back", easy.0, easy.1);
                assert!(pair.remarks.contains(&said), "{:?}", pair.remarks);
            }
        }
    }
}

#[test]
fn a_contact_of_high_resistance_is_found_by_its_resistance_alone() {
    let bench = Bench::new(&four(), &[12.0, 3.5, 25_000.0, 41.0]);
    let report = checked(&bench.readings(&CURRENTS), Film::Edge, &ContactCriteria::default());
    let bad: Vec<u8> = report.contacts.iter().filter(|c| !c.passed).map(|c| c.contact.number()).collect();
    assert_eq!(bad, [3]);
    assert!(report.pairs.iter().all(|pair| pair.passed));
    let loose = ContactCriteria { largest_ohm: Some(3e4), ..ContactCriteria::default() };
    assert!(checked(&bench.readings(&CURRENTS), Film::Edge, &loose).accepted());
    let tight = ContactCriteria { largest_ohm: Some(30.0), ..ContactCriteria::default() };
    assert!(!checked(&Bench::new(&four(), &SERIES).readings(&CURRENTS), Film::Edge, &tight).accepted());
}

#[test]
fn an_open_contact_is_told_from_the_pairs_it_spoils() {
    let bench = Bench::new(&four(), &SERIES);
    let readings: Vec<Reading> = bench
        .readings(&CURRENTS)
        .into_iter()
        .map(|mut reading| {
            if reading.configuration.contacts()[..2].iter().any(|c| c.number() == 2) {
                reading.condition = Condition::Compliance;
                reading.voltage.value = Volt(9.9e37);
            }
            reading
        })
        .collect();
    let report = checked(&readings, Film::Edge, &ContactCriteria::default());
    let bad = report.contacts.iter().find(|c| !c.passed).unwrap();
    assert_eq!(bad.contact.number(), 2);
    assert!(bad.reason.as_ref().unwrap().contains("open"));
    assert_eq!(report.contacts.iter().filter(|c| !c.passed).count(), 1);
}

#[test]
fn readings_without_pairs_are_refused() {
    let c: Configuration = "12,43".parse().unwrap();
    let refused =
        |readings: &[Reading]| check_contacts(readings, Film::Edge, &ContactCriteria::default()).unwrap_err();
    assert_eq!(refused(&[]), Error::NoPairs { count: 0 });
    assert_eq!(refused(&[reading(c, 1e-6, 1e-3, 0.0, 0.0)]), Error::NoPairs { count: 1 });
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

#[test]
fn monte_carlo_confirms_the_uncertainties_of_lines_and_contacts() {
    const TRIALS: usize = 10_000;
    const NOISE: f64 = 2e-6;
    const SETTLING: f64 = 5e-6;
    let seed = 4_711;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let bench = Bench::new(&four(), &SERIES);
    let mut readings = bench.readings(&CURRENTS);
    for reading in &mut readings {
        reading.voltage.gain_u = 1.1e-3;
        reading.current.gain_u = 0.7e-3;
        reading.voltage.own_u = Volt(4e-6);
        reading.current.own_u = Ampere(3e-9);
        reading.voltage.settling_u = Volt(SETTLING);
    }
    let (mut values, mut claims) = (vec![Vec::new(); 5], vec![0.0; 5]);
    for _ in 0..TRIALS {
        let (volt, ampere) = (1.0 + 1.1e-3 * normal(&mut rng), 1.0 + 0.7e-3 * normal(&mut rng));
        // What is left of the transient lags behind every voltage of the round by as much.
        let left = SETTLING * normal(&mut rng);
        let mut own = std::collections::HashMap::new();
        let drawn: Vec<Reading> = readings
            .iter()
            .map(|r| {
                let state = (r.configuration.to_string(), r.current.value.0 > 0.0);
                let (v, i) = *own.entry(state).or_insert_with(|| (normal(&mut rng), normal(&mut rng)));
                let mut moved = *r;
                let noise = if r.configuration.is_four_terminal() { 0.0 } else { NOISE };
                let lag = left * r.voltage.value.0.signum();
                moved.voltage.value =
                    Volt(r.voltage.value.0 * volt + 4e-6 * v + noise * normal(&mut rng) - lag);
                moved.current.value = Ampere(r.current.value.0 * ampere + 3e-9 * i);
                moved
            })
            .collect();
        let straight: Vec<_> = lines(&drawn).unwrap().into_iter().filter_map(|pair| pair.line).collect();
        let four: Vec<Reading> =
            drawn.iter().filter(|r| r.configuration.is_four_terminal()).copied().collect();
        let solved = contact_resistances(&straight, &resistances(&four).unwrap(), Film::Edge);
        let all = solved.contacts.iter().map(|(_, found)| found.unwrap()).chain([straight[2].resistance]);
        for (k, estimate) in all.enumerate() {
            values[k].push(estimate.value);
            claims[k] += estimate.standard_uncertainty.powi(2) / TRIALS as f64;
        }
    }
    for (k, values) in values.iter().enumerate() {
        let mean = values.iter().sum::<f64>() / TRIALS as f64;
        let deviation = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (TRIALS - 1) as f64).sqrt();
        let ratio = claims[k].sqrt() / deviation;
        // The deviation of 10 000 draws is known to 0.7 %.
        assert!((ratio - 1.0).abs() < 0.03, "seed {seed}, {k}: claimed/seen {ratio}");
    }
}
