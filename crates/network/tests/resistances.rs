//! Resistances of circuits against closed forms, exact rationals and identities.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use proptest::prelude::*;
use quadrille_experiment::{Configuration, Contact};
use quadrille_network::{Circuit, CircuitBuilder, GROUND, NetworkError, TerminalMatrix};
use quadrille_quantity::{Ohm, Volt};
use serde_json::Value;

fn configuration(text: &str) -> Configuration {
    text.parse().unwrap()
}

fn contact(number: u8) -> Contact {
    Contact::new(number).unwrap()
}

fn check(terminals: &TerminalMatrix, text: &str, expected: f64, relative: f64) {
    let Ohm(ohm) = terminals.four_terminal(configuration(text)).unwrap();
    assert!((ohm - expected).abs() <= relative * expected.abs(), "{text}: {ohm} instead of {expected}");
}

fn ring(a: f64, b: f64, c: f64, d: f64) -> Circuit {
    let mut builder = Circuit::builder();
    builder.resistor("p", "q", Ohm(a)).resistor("q", "r", Ohm(b)).resistor("r", "s", Ohm(c));
    builder.resistor("s", "p", Ohm(d)).contacts(["p", "q", "r", "s"]).build().unwrap()
}

#[test]
fn a_ring_follows_the_current_divider() {
    // I p/S flows the long way round and drops over the opposite resistor: R12,43 = a c / S, R23,14 = b d / S.
    let (a, b, c, d) = (10e3, 15e3, 22e3, 33e3);
    let (terminals, sum) = (ring(a, b, c, d).terminals(), a + b + c + d);
    check(&terminals, "12,43", a * c / sum, 1e-15);
    check(&terminals, "34,21", a * c / sum, 1e-15);
    check(&terminals, "23,14", b * d / sum, 1e-15);
    check(&terminals, "13,24", (b * d - a * c) / sum, 1e-15);
    check(&terminals, "12,12", a * (b + c + d) / sum, 1e-15);
    check(&terminals, "13,13", (a + b) * (c + d) / sum, 1e-15);
    check(&terminals, "12,13", a * (c + d) / sum, 1e-15);
    check(&terminals, "12,32", a * b / sum, 1e-15);
    check(&terminals, "12,42", a * (b + c) / sum, 1e-15);
    check(&terminals, "21,42", -a * (b + c) / sum, 1e-15);
    check(&terminals, "12,23", -a * b / sum, 1e-15);
}

/// N × N nodes, neighbours joined by 1 Ω, on the boundary by `boundary`; contacts at the corners, in order around.
fn grid(n: usize, boundary: f64) -> Circuit {
    let name = |x: usize, y: usize| format!("{x}:{y}");
    let along = |edge: usize| Ohm(if edge == 0 || edge == n - 1 { boundary } else { 1.0 });
    let mut builder = Circuit::builder();
    for i in 0..n {
        for k in 0..n - 1 {
            builder.resistor(&name(k, i), &name(k + 1, i), along(i));
            builder.resistor(&name(i, k), &name(i, k + 1), along(i));
        }
    }
    builder.contacts([name(0, 0), name(n - 1, 0), name(n - 1, n - 1), name(0, n - 1)]).build().unwrap()
}

#[test]
fn small_grids_have_their_exact_fractions() {
    // Exact rationals by nodal analysis of the grids, computed outside the project.
    for (n, opposite, adjacent, diagonal) in [
        (2, 1.0 / 4.0, 3.0 / 4.0, 1.0),
        (3, 1.0 / 4.0, 5.0 / 4.0, 3.0 / 2.0),
        (4, 27.0 / 112.0, 181.0 / 112.0, 13.0 / 7.0),
    ] {
        let terminals = grid(n, 1.0).terminals();
        check(&terminals, "12,43", opposite, 1e-14);
        check(&terminals, "12,12", adjacent, 1e-14);
        check(&terminals, "13,13", diagonal, 1e-14);
    }
    for (n, opposite, adjacent, diagonal) in [
        (2, 1.0 / 2.0, 3.0 / 2.0, 2.0),
        (3, 1.0 / 3.0, 7.0 / 3.0, 8.0 / 3.0),
        (4, 19.0 / 70.0, 201.0 / 70.0, 22.0 / 7.0),
    ] {
        let terminals = grid(n, 2.0).terminals();
        check(&terminals, "12,43", opposite, 1e-14);
        check(&terminals, "12,12", adjacent, 1e-14);
        check(&terminals, "13,13", diagonal, 1e-14);
    }
}

#[test]
fn finer_grids_converge_to_the_sheet_of_van_der_pauw() {
    // R12,43 → ln 2 / π of the sheet resistance at the corners of a square (van der Pauw 1958, Philips Res. Rep. 13,
    // 1); the ratios at finite N are computed outside the project, by nodal analysis.
    let sheet = std::f64::consts::LN_2 / std::f64::consts::PI;
    for (n, boundary, ratio) in [
        (9, 2.0, 1.028768947),
        (17, 2.0, 1.007094830),
        (33, 2.0, 1.001768265),
        (65, 2.0, 1.000441734),
        (17, 1.0, 1.006204466),
        (65, 1.0, 1.000427885),
    ] {
        check(&grid(n, boundary).terminals(), "12,43", ratio * sheet, 6e-10);
    }
}

fn circuit_of(value: &Value) -> Circuit {
    let mut builder = Circuit::builder();
    for resistor in value["resistors"].as_array().unwrap() {
        let end = |k: usize| resistor[k].as_str().unwrap();
        builder.resistor(end(0), end(1), Ohm(resistor[2].as_f64().unwrap()));
    }
    builder
        .contacts(value["contacts"].as_array().unwrap().iter().map(|c| c.as_str().unwrap()))
        .build()
        .unwrap()
}

#[test]
fn one_ohm_beside_ten_gigohms_costs_no_digits() {
    // Exact rationals, written by tests/outside/network/reference.py.
    let values: Value = serde_json::from_str(include_str!("values.json")).unwrap();
    let circuits = values["at_rest"].as_array().unwrap();
    assert_eq!(circuits.len(), 4);
    for circuit in circuits {
        let terminals = circuit_of(circuit).terminals();
        for (text, expected) in circuit["four_terminal_ohm"].as_object().unwrap() {
            check(&terminals, text, expected.as_f64().unwrap(), 1e-10);
        }
        for (text, expected) in circuit["two_terminal_ohm"].as_object().unwrap() {
            check(&terminals, &format!("{text},{text}"), expected.as_f64().unwrap(), 1e-13);
        }
    }
}

#[test]
fn one_ohm_behind_ten_gigohms_costs_no_digits() {
    // Exact rationals, written by tests/outside/network/reference.py.
    let values: Value = serde_json::from_str(include_str!("values.json")).unwrap();
    let circuits = values["behind_contacts"].as_array().unwrap();
    assert_eq!(circuits.len(), 6);
    for circuit in circuits {
        let (expected, circuit) = (circuit, circuit_of(circuit));
        let terminals = circuit.terminals();
        let contacts = |text: &str| configuration(text).contacts().map(|c| circuit.contacts()[c.index()]);
        for (text, ohm) in expected["four_terminal_ohm"].as_object().unwrap() {
            let ohm = ohm.as_f64().unwrap();
            check(&terminals, text, ohm, 1e-12);
            let [a, b, c, d] = contacts(text);
            let Ohm(found) = circuit.transfer_resistance((a, b), (c, d)).unwrap();
            assert!((found - ohm).abs() <= 1e-12 * ohm.abs(), "{text}: {found} instead of {ohm}");
        }
        for (text, ohm) in expected["two_terminal_ohm"].as_object().unwrap() {
            check(&terminals, &format!("{text},{text}"), ohm.as_f64().unwrap(), 1e-15);
        }
    }
}

#[test]
fn resistors_in_parallel_add_and_dead_ends_do_not_matter() {
    let mut builder = Circuit::builder();
    builder.resistor("a", "b", Ohm(300.0)).resistor("b", "a", Ohm(600.0)).resistor("b", "x", Ohm(7.0));
    builder.resistor("x", "y", Ohm(7.0)).resistor("u", "v", Ohm(1.0));
    let circuit = builder.contacts(["a", "b"]).build().unwrap();
    let terminals = circuit.terminals();
    check(&terminals, "12,12", 200.0, 1e-15);
    assert_eq!(terminals.all_two_terminal().unwrap(), [(contact(1), contact(2), Ohm(200.0))]);
    assert_eq!(terminals.all_four_terminal().unwrap(), []);
    assert_eq!(terminals.two_terminal(contact(2), contact(2)).unwrap(), Ohm(0.0));
}

#[test]
fn what_leaks_through_ground_counts_whether_or_not_ground_is_a_contact() {
    let leaky = |name: &str| {
        let mut builder = Circuit::builder();
        builder.resistor("a", "b", Ohm(1e3)).resistor("a", name, Ohm(4e3)).resistor("b", name, Ohm(5e3));
        builder.contacts(["a", "b"]);
        builder
    };
    let expected = 1.0 / (1e-3 + 1.0 / 9e3);
    let terminals = leaky(GROUND).build().unwrap().terminals();
    check(&terminals, "12,12", expected, 1e-15);
    check(&leaky("elsewhere").build().unwrap().terminals(), "12,12", expected, 1e-15);
    check(&leaky(GROUND).contacts([GROUND]).build().unwrap().terminals(), "12,12", expected, 1e-15);
    // Against ground the leaks are seen as they are, and so are the currents they carry.
    assert_eq!(terminals.to_ground(contact(1)), 1.0 / 4e3);
    assert_eq!(terminals.admittance(contact(1), contact(2)), -1e-3);
    assert_eq!(terminals.admittance(contact(1), contact(1)), 1e-3 + 1.0 / 4e3);
    let currents = terminals.currents(&[Volt(3.0), Volt(1.0)]).unwrap();
    assert!((currents[0].0 - (2e-3 + 3.0 / 4e3)).abs() < 1e-18);
    assert!((currents[1].0 - (-2e-3 + 1.0 / 5e3)).abs() < 1e-18);
}

#[test]
fn islands_are_named_by_all_their_nodes() {
    let mut builder = Circuit::builder();
    builder.resistor("a", "x", Ohm(1.0)).resistor("x", "b", Ohm(1.0)).resistor("c", "y", Ohm(2.0));
    builder.resistor("y", "d", Ohm(2.0)).resistor("u", "v", Ohm(3.0)).contacts(["a", "b", "c", "d"]);
    let circuit = builder.build().unwrap();
    let error = circuit.terminals().four_terminal(configuration("12,34")).unwrap_err();
    assert_eq!(error.to_string(), "not connected by any conductance: {a, x, b} and {c, y, d}");
    assert_eq!(circuit.log_sensitivities(configuration("13,24")).unwrap_err(), error);
    assert_eq!(circuit.terminals().all_four_terminal().unwrap_err(), error);
    let node = |name: &str| circuit.node(name).unwrap();
    let beyond = circuit.transfer_resistance((node("a"), node("b")), (node("x"), node("u")));
    assert_eq!(beyond.unwrap_err().to_string(), "not connected by any conductance: {a, x, b} and {u, v}");
    // Within an island all is well, whatever else floats.
    check(&circuit.terminals(), "12,12", 2.0, 1e-15);
    check(&circuit.terminals(), "34,34", 4.0, 1e-15);
    assert_eq!(
        circuit.transfer_resistance((node("a"), node("b")), (node("a"), node("x"))).unwrap(),
        Ohm(1.0)
    );
}

#[test]
fn an_open_contact_is_an_island_of_its_own_name() {
    let mut builder = Circuit::builder();
    builder.resistor("a", "b", Ohm(1.0)).capacitor("c", GROUND, quadrille_quantity::Farad(1e-12));
    let terminals = builder.contacts(["a", "b", "c"]).build().unwrap().terminals();
    let error = terminals.two_terminal(contact(1), contact(3)).unwrap_err();
    assert_eq!(error.to_string(), "not connected by any conductance: {a, b} and {c}");
}

#[test]
fn a_connected_circuit_has_every_node_joined_by_resistors() {
    let mut builder = Circuit::builder();
    builder.resistor("a", "x", Ohm(1.0)).resistor("x", "b", Ohm(1e10)).contacts(["b", "a"]);
    assert_eq!(builder.build().unwrap().connected(), Ok(()));
    builder.capacitor("x", "c", quadrille_quantity::Farad(1e-12)).resistor("u", "v", Ohm(3.0));
    let error = builder.build().unwrap().connected().unwrap_err();
    assert_eq!(error.to_string(), "not connected by any conductance: {a, x, b} and {u, v} and {c}");
    // A contact without a resistor, and ground where only a capacitor leads to it, are nodes like any other.
    builder.resistor("c", "v", Ohm(2.0)).resistor("v", "a", Ohm(4.0)).contacts(["c"]);
    assert_eq!(builder.build().unwrap().connected(), Ok(()));
    builder.capacitor("a", GROUND, quadrille_quantity::Farad(1e-12));
    let error = builder.build().unwrap().connected().unwrap_err();
    assert_eq!(error.to_string(), "not connected by any conductance: {a, x, b, u, v, c} and {ground}");
    builder.resistor(GROUND, "u", Ohm(1e12));
    assert_eq!(builder.build().unwrap().connected(), Ok(()));
}

fn refused(fill: impl Fn(&mut CircuitBuilder), expected: &str) {
    let mut builder = Circuit::builder();
    builder.resistor("a", "b", Ohm(1.0));
    fill(&mut builder);
    assert_eq!(builder.build().unwrap_err().to_string(), expected);
}

#[test]
fn what_is_no_circuit_is_refused_by_name() {
    let bad = |b: &mut CircuitBuilder, value| {
        b.resistor("b", "c", Ohm(value)).contacts(["a", "b"]);
    };
    refused(|b| bad(b, 0.0), "resistor between \"b\" and \"c\" is 0 ohm, must be above zero and finite");
    refused(|b| bad(b, -3.0), "resistor between \"b\" and \"c\" is -3 ohm, must be above zero and finite");
    refused(
        |b| bad(b, f64::NAN),
        "resistor between \"b\" and \"c\" is NaN ohm, must be above zero and finite",
    );
    refused(
        |b| bad(b, f64::INFINITY),
        "resistor between \"b\" and \"c\" is inf ohm, must be above zero and finite",
    );
    refused(
        |b| _ = b.capacitor("b", "c", quadrille_quantity::Farad(0.0)).contacts(["a", "b"]),
        "capacitor between \"b\" and \"c\" is 0 farad, must be above zero and finite",
    );
    refused(|b| _ = b.resistor("c", "c", Ohm(1.0)), "resistor from node \"c\" to itself");
    refused(
        |b| _ = b.contacts(["a", "nowhere"]),
        "contact \"nowhere\" is no node of the circuit: no component ends at it",
    );
    refused(|b| _ = b.contacts(["a", "b", "a"]), "node \"a\" is listed as a contact twice");
    refused(|b| _ = b.contacts(["a"]), "1 contacts given, at least 2 are needed");
    refused(|_| (), "0 contacts given, at least 2 are needed");
}

#[test]
fn a_contact_that_does_not_exist_is_refused() {
    let circuit = ring(1.0, 2.0, 3.0, 4.0);
    let error = circuit.terminals().four_terminal(configuration("12,35")).unwrap_err();
    assert_eq!(error.to_string(), "there is no contact 5: the contacts are 1 to 4");
    assert_eq!(circuit.log_sensitivities(configuration("12,35")).unwrap_err(), error);
}

#[test]
fn sensitivities_of_a_ring_are_the_derivatives_of_its_formula() {
    // R = ac/S: dR/d ln a = R (1 − a/S), dR/d ln b = −R b/S, dR/d ln c = R (1 − c/S), dR/d ln d = −R d/S.
    let (a, b, c, d) = (1.0, 15e9, 2e10, 3e9);
    let (sum, resistance) = (a + b + c + d, a * c / (a + b + c + d));
    let sensitivities = ring(a, b, c, d).log_sensitivities(configuration("12,43")).unwrap();
    let expected = [(sum - a) / sum, -b / sum, (a + b + d) / sum, -d / sum].map(|share| resistance * share);
    for (Ohm(found), expected) in sensitivities.into_iter().zip(expected) {
        assert!((found / expected - 1.0).abs() < 1e-13, "{found} instead of {expected}");
    }
}

#[test]
fn a_terminal_matrix_must_return_what_it_takes() {
    let rows = |g12: f64| vec![vec![0.0, g12, 2.0], vec![1.0, 0.0, 3.0], vec![2.5, 2.5, 0.0]];
    let refused = TerminalMatrix::new(&rows(1.0), &[0.0; 3]).unwrap_err();
    assert_eq!(refused, NetworkError::Unbalanced { column: 0 });
    let terminals = TerminalMatrix::new(&rows(1.5), &[0.0; 3]).unwrap();
    // Two nodes and three by hand: with 2 as reference R12,12 = (g31 + g32) / (g12 (g31 + g32) + g13 g32).
    check(&terminals, "12,12", 5.0 / (1.5 * 5.0 + 2.0 * 2.5), 1e-15);
    check(&terminals, "21,21", 5.0 / (1.5 * 5.0 + 2.0 * 2.5), 1e-15);
    check(&terminals, "12,32", 2.5 / (1.5 * 5.0 + 2.0 * 2.5), 1e-15);
    assert!(matches!(TerminalMatrix::new(&rows(f64::NAN), &[0.0; 3]), Err(NetworkError::OutOfRange { .. })));
    assert!(matches!(TerminalMatrix::new(&rows(1.5), &[0.0; 2]), Err(NetworkError::WrongLength { .. })));
}

/// Random circuits of 6 to 14 nodes over `decades` decades, connected by a random tree, four nodes contacted, with or
/// without ground.
fn circuits(decades: f64) -> impl Strategy<Value = Circuit> {
    let edges =
        prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>(), 0.0..1.0), 14..30);
    (6_usize..14, edges, any::<bool>()).prop_map(move |(n, edges, grounded)| {
        let mut builder = Circuit::builder();
        let name = |k: usize| if grounded && k == 4 { GROUND.to_owned() } else { format!("n{k}") };
        for (step, (from, to, decade)) in edges.iter().enumerate() {
            let (a, b) =
                if step + 1 < n { (from.index(step + 1), step + 1) } else { (from.index(n), to.index(n)) };
            if a != b {
                builder.resistor(&name(a), &name(b), Ohm(10.0_f64.powf(decade * decades)));
            }
        }
        builder.contacts((0..4).map(name)).build().unwrap()
    })
}

fn ohms(terminals: &TerminalMatrix, text: &str) -> f64 {
    terminals.four_terminal(configuration(text)).unwrap().0
}

proptest! {
    #[test]
    fn reciprocity_holds_for_every_circuit(circuit in circuits(10.0)) {
        let terminals = circuit.terminals();
        let all = terminals.all_four_terminal().unwrap();
        prop_assert_eq!(all.len(), 24);
        for (asked, Ohm(ohm)) in all {
            let Ohm(other) = terminals.four_terminal(asked.reciprocal()).unwrap();
            // Each is a difference of products that are at most the smaller of the two-terminal resistances.
            let scale = terminals.two_terminal(asked.source_in, asked.source_out).unwrap().0
                .min(terminals.two_terminal(asked.sense_high, asked.sense_low).unwrap().0);
            prop_assert!((ohm - other).abs() <= 1e-13 * scale, "{} {} {}", asked, ohm, other);
        }
    }

    #[test]
    fn the_cyclic_sum_vanishes_for_every_circuit(circuit in circuits(10.0)) {
        let terminals = circuit.terminals();
        let sum = ohms(&terminals, "12,34") + ohms(&terminals, "23,14") + ohms(&terminals, "31,24");
        let scale = ["12,12", "34,34", "23,23", "14,14"].map(|pair| ohms(&terminals, pair)).into_iter().fold(0.0, f64::max);
        prop_assert!(sum.abs() <= 1e-13 * scale, "{} of {}", sum, scale);
    }

    #[test]
    fn sensitivities_sum_to_the_resistance_and_match_finite_differences(circuit in circuits(3.0)) {
        let asked = configuration("13,24");
        let sensitivities = circuit.log_sensitivities(asked).unwrap();
        let terminals = circuit.terminals();
        let scale = ohms(&terminals, "13,13").min(ohms(&terminals, "24,24"));
        let sum: f64 = sensitivities.iter().map(|s| s.0).sum();
        prop_assert!((sum - ohms(&terminals, "13,24")).abs() <= 1e-12 * scale);
        for (k, Ohm(sensitivity)) in sensitivities.into_iter().enumerate() {
            // Third order of a step of 1e-4 is 1e-8 of the scale, rounding over the step 1e-11.
            let step: f64 = 1e-4;
            let stepped = |sign: f64| {
                let mut values: Vec<Ohm> = circuit.resistors().iter().map(|r| r.resistance).collect();
                values[k] = Ohm(values[k].0 * (sign * step).exp());
                ohms(&circuit.with_resistances(&values).unwrap().terminals(), "13,24")
            };
            let difference = (stepped(1.0) - stepped(-1.0)) / (2.0 * step);
            prop_assert!((difference - sensitivity).abs() <= 1e-8 * scale, "{} {}", difference, sensitivity);
        }
    }

    #[test]
    fn the_voltages_of_a_solution_obey_kirchhoff(circuit in circuits(4.0)) {
        // 1 A into contact 1 and out of contact 3: voltages against contact 3 by the transfer resistance of each
        // node, currents by Ohm's law, and their sum at every node.
        let (source, drain) = (circuit.contacts()[0], circuit.contacts()[2]);
        let voltages: Vec<f64> = circuit
            .nodes()
            .map(|n| circuit.transfer_resistance((source, drain), (n, drain)).unwrap().0)
            .collect();
        let mut left = vec![0.0; voltages.len()];
        left[source.index()] = 1.0;
        left[drain.index()] = -1.0;
        for resistor in circuit.resistors() {
            let (a, b) = (resistor.ends.0.index(), resistor.ends.1.index());
            let current = (voltages[a] - voltages[b]) / resistor.resistance.0;
            left[a] -= current;
            left[b] += current;
        }
        // A voltage of up to 1e5 V, rounded at 1e-16, across 1 Ω.
        prop_assert!(left.iter().all(|x| x.abs() < 1e-9), "{:?}", left);
    }
}
