//! Circuits in time against closed forms, fifty-digit values and an independent exponential.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use quadrille_network::{Dynamics, Fading, Film, Mesh, NetworkError};
use quadrille_quantity::{Ohm, Second, Tesla};
use serde_json::Value;

fn close(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "{found} instead of {expected}");
}

fn decades() -> impl Iterator<Item = f64> {
    (-9..=4).flat_map(|k| [1.0, 2.7].map(|x| x * 10.0_f64.powi(k)))
}

fn dynamics(fill: impl FnOnce(&mut Mesh), count: usize) -> Dynamics {
    let mut mesh = Mesh::new(count);
    fill(&mut mesh);
    Dynamics::new(mesh).unwrap()
}

#[test]
fn one_node_charges_and_discharges_exponentially() {
    for (ohm, farad) in [(1e10, 1e-10), (1.0, 1e-13), (1e15, 1e-7), (1e5, 1e-9)] {
        let tau: f64 = ohm * farad;
        let node = dynamics(
            |m| _ = m.add_conductance_to_ground(0, 1.0 / ohm).add_capacitance_to_ground(0, farad),
            1,
        );
        close(node.slowest().0 / tau, 1.0, 1e-12);
        close(node.steady_state(&[3.0 / ohm]).unwrap()[0], 3.0, 1e-14);
        for seconds in decades() {
            let gone = -(-seconds / tau).exp_m1();
            let relaxed = node.relax_with_integral(&[2.0], Second(seconds));
            close(relaxed.voltages[0], 2.0 - 2.0 * gone, 1e-12);
            close(relaxed.integrals[0] / seconds, 2.0 * gone * tau / seconds, 1e-11);
            assert_eq!(node.relax(&[2.0], Second(seconds)), relaxed.voltages);
            assert_eq!(node.integral(&[2.0], Second(seconds)), relaxed.integrals);
            let advanced = node.advance(&[2.0], &[3.0 / ohm], Second(seconds));
            close(advanced.voltages[0], 2.0 + gone, 1e-12);
            close(advanced.integrals[0] / seconds, 3.0 - gone * tau / seconds, 1e-11);
        }
    }
}

#[test]
fn a_chain_of_two_follows_its_two_eigenvalues() {
    // Node 0 to ground through r0, node 1 to node 0 through r1: λ² − (trace) λ + det = 0 for C⁻¹Y, and with
    // projectors (C⁻¹Y − λ₂)/(λ₁ − λ₂) the exponential is a sum of two.
    for (r0, c0, r1, c1) in [(1e9, 1e-10, 3e9, 2e-10), (2e3, 1e-12, 1e10, 1e-10), (1e10, 1e-9, 5e4, 3e-11)] {
        let chain = dynamics(
            |m| {
                m.add_conductance_to_ground(0, 1.0 / r0).add_conductance(0, 1, 1.0 / r1);
                m.add_capacitance_to_ground(0, c0).add_capacitance_to_ground(1, c1);
            },
            2,
        );
        let a = [[(1.0 / r0 + 1.0 / r1) / c0, -1.0 / (r1 * c0)], [-1.0 / (r1 * c1), 1.0 / (r1 * c1)]];
        let (trace, det) = (a[0][0] + a[1][1], 1.0 / (r0 * c0 * r1 * c1));
        let fast = trace / 2.0 + (trace * trace / 4.0 - det).sqrt();
        let slow = det / fast;
        close(chain.slowest().0 * slow, 1.0, 1e-12);
        let start = [0.3, -1.0];
        for seconds in decades() {
            let found = chain.relax(&start, Second(seconds));
            for k in 0..2 {
                let product: f64 = (0..2).map(|j| a[k][j] * start[j]).sum();
                let (on_slow, on_fast) = (
                    (fast * start[k] - product) / (fast - slow),
                    (product - slow * start[k]) / (fast - slow),
                );
                close(found[k], on_slow * (-slow * seconds).exp() + on_fast * (-fast * seconds).exp(), 1e-11);
            }
        }
    }
}

#[test]
fn a_coupling_capacitor_slows_only_what_charges_it() {
    // Equal nodes: the common mode has τ = r c, the difference r (c + 2 c_between).
    let (r, c, between) = (1e9, 1e-11, 7e-11);
    let pair = dynamics(
        |m| {
            for node in [0, 1] {
                m.add_conductance_to_ground(node, 1.0 / r).add_capacitance_to_ground(node, c);
            }
            m.add_capacitance(0, 1, between);
        },
        2,
    );
    close(pair.slowest().0 / (r * (c + 2.0 * between)), 1.0, 1e-12);
    for seconds in decades() {
        let found = pair.relax(&[1.0, 0.0], Second(seconds));
        let common = (-seconds / (r * c)).exp() / 2.0;
        let difference = (-seconds / (r * (c + 2.0 * between))).exp() / 2.0;
        close(found[0], common + difference, 1e-12);
        close(found[1], common - difference, 1e-12);
    }
}

#[test]
fn twelve_stiff_nodes_agree_with_fifty_digits() {
    // Modes of the circuit in 50-digit arithmetic, written by tests/outside/network/reference.py; 1 Ω to 1e15 Ω,
    // 0.1 pF to 100 nF, 1 ps to 1e5 s, without and with a current.
    let values: Value = serde_json::from_str(include_str!("values.json")).unwrap();
    let circuits = values["in_time"].as_array().unwrap();
    assert_eq!(circuits.len(), 2);
    for circuit in circuits {
        let built = circuit_of(circuit);
        let dynamics = built.dynamics().unwrap();
        let nodes: Vec<_> = built.dynamic_nodes().collect();
        assert_eq!(nodes.len(), 12);
        let named = |key: &str| -> Vec<f64> {
            nodes.iter().map(|&n| circuit[key][built.name(n)].as_f64().unwrap_or_default()).collect()
        };
        close(dynamics.slowest().0 / circuit["slowest_s"].as_f64().unwrap(), 1.0, 1e-12);
        for (i, seconds) in circuit["times_s"].as_array().unwrap().iter().enumerate() {
            let seconds = seconds.as_f64().unwrap();
            let response = dynamics.advance(&named("initial"), &named("currents"), Second(seconds));
            for (k, &node) in nodes.iter().enumerate() {
                let expected = |key: &str| circuit[key][built.name(node)][i].as_f64().unwrap();
                // The largest initial deviation is about 1 V.
                close(response.voltages[k], expected("voltages"), 1e-11);
                close(response.integrals[k] / seconds, expected("means"), 1e-11);
            }
        }
    }
}

fn circuit_of(value: &Value) -> quadrille_network::Circuit {
    let mut builder = quadrille_network::Circuit::builder();
    let end = |end: &Value| match end.as_str().unwrap() {
        "0" => quadrille_network::GROUND.to_owned(),
        name => name.to_owned(),
    };
    for part in value["resistors"].as_array().unwrap() {
        builder.resistor(&end(&part[0]), &end(&part[1]), Ohm(part[2].as_f64().unwrap()));
    }
    for part in value["capacitors"].as_array().unwrap() {
        let farad = quadrille_quantity::Farad(part[2].as_f64().unwrap());
        builder.capacitor(&end(&part[0]), &end(&part[1]), farad);
    }
    builder.contacts(["n0", "n1"]).build().unwrap()
}

#[test]
fn a_leak_of_a_petaohm_does_not_blur_the_millivolt_across_an_ohm() {
    let pair = dynamics(
        |m| {
            m.add_conductance(0, 1, 1.0)
                .add_conductance_to_ground(0, 1e-15)
                .add_conductance_to_ground(1, 3e-15);
            m.add_capacitance_to_ground(0, 1e-10).add_capacitance_to_ground(1, 1e-10);
        },
        2,
    );
    // 1 mA in at 0 and out at 1; what leaks from one leaks into the other: v0 = −3 v1, v0 − v1 = 1 mV.
    let settled = pair.steady_state(&[1e-3, -1e-3]).unwrap();
    close(settled[0], 0.75e-3, 1e-16);
    close(settled[1], -0.25e-3, 1e-16);
    let later = pair.advance(&[0.0, 0.0], &[1e-3, -1e-3], Second(1e6)).voltages;
    close(later[0] - later[1], 1e-3, 1e-15);
    close(later[0], 0.75e-3 - 0.25e-3 * (-1e6_f64 * 4e-15 / 2e-10).exp(), 1e-13);
}

#[test]
fn current_without_a_way_back_charges_what_it_reaches() {
    // 1 mA into 0.1 nF behind 1e15 Ω would settle at 1e12 V; after 1 µs it stands at 10 V.
    let open = dynamics(|m| _ = m.add_conductance_to_ground(0, 1e-15).add_capacitance_to_ground(0, 1e-10), 1);
    let response = open.advance(&[0.5], &[1e-3], Second(1e-6));
    close(response.voltages[0], 10.5, 1e-9);
    close(response.integrals[0], 5.5e-6, 1e-15);
    // Without any leak nothing ever settles.
    let floating = dynamics(
        |m| {
            m.add_conductance(0, 1, 1e-6)
                .add_capacitance_to_ground(0, 1e-10)
                .add_capacitance_to_ground(1, 3e-10);
            m.add_conductance_to_ground(2, 1e-6).add_capacitance_to_ground(2, 1e-10);
        },
        3,
    );
    let refused = floating.steady_state(&[1e-6, -1e-6, 0.0]).unwrap_err();
    assert_eq!(refused, NetworkError::NoPathToGround { nodes: vec![0, 1] });
    assert_eq!(floating.slowest(), Second(f64::INFINITY));
    let late = floating.advance(&[0.0; 3], &[1e-6, -1e-6, 0.0], Second(10.0)).voltages;
    close(late[0], 0.75, 1e-9);
    close(late[1], -0.25, 1e-9);
    let relaxed = floating.relax(&[1.0, 0.0, 1.0], Second(10.0));
    close(relaxed[0], 0.25, 1e-12);
    close(relaxed[1], 0.25, 1e-12);
    close(relaxed[2], 0.0, 1e-12);
}

#[test]
fn a_node_whose_voltage_could_jump_is_refused() {
    let mut mesh = Mesh::new(3);
    mesh.add_conductance(0, 1, 1.0).add_capacitance_to_ground(0, 1e-12).add_capacitance(1, 2, 1e-12);
    assert_eq!(Dynamics::new(mesh).unwrap_err(), NetworkError::NoCapacitance { nodes: vec![1, 2] });
}

#[test]
fn no_time_changes_nothing() {
    let node = dynamics(|m| _ = m.add_conductance_to_ground(0, 1.0).add_capacitance_to_ground(0, 1.0), 1);
    assert_eq!(node.advance(&[2.0], &[3.0], Second(0.0)).voltages, [2.0]);
    assert_eq!(node.integral(&[2.0], Second(0.0)), [0.0]);
}

/// A film in a strong field behind cables of different capacitance, and its C⁻¹Y in 1/s.
fn film_on_cables(hall: f64) -> (Dynamics, Vec<Vec<f64>>) {
    let contacts = [Ohm(150.0), Ohm(400.0), Ohm(90.0), Ohm(220.0)];
    let film = Film::new(Ohm(130.0), Ohm(70.0), hall, contacts).unwrap().terminal_matrix(Tesla(1.0)).unwrap();
    let (leaks, cables) = ([1e-5, 2e-5, 0.0, 4e-5], [1e-3, 2e-3, 0.7e-3, 3e-3]);
    let dynamics = dynamics(
        |m| {
            m.add_sample(&film, &[0, 1, 2, 3]);
            for k in 0..4 {
                m.add_conductance_to_ground(k, leaks[k]).add_capacitance_to_ground(k, cables[k]);
            }
        },
        4,
    );
    let contact = |k: usize| quadrille_experiment::Contact::new(k as u8 + 1).unwrap();
    let rate = |k: usize, j: usize| {
        let leak = if k == j { leaks[k] } else { 0.0 };
        (film.admittance(contact(k), contact(j)) + leak) / cables[k]
    };
    (dynamics, (0..4).map(|k| (0..4).map(|j| rate(k, j)).collect()).collect())
}

/// exp(−A t) v by the Taylor series in small steps: good to rounding where nothing is stiff.
fn exponential(a: &[Vec<f64>], v: &[f64], seconds: f64) -> Vec<f64> {
    const STEPS: usize = 400;
    let mut v = v.to_vec();
    for _ in 0..STEPS {
        let mut term = v.clone();
        for order in 1..20 {
            let factor = -seconds / STEPS as f64 / f64::from(order);
            term =
                a.iter().map(|row| factor * row.iter().zip(&term).map(|(a, t)| a * t).sum::<f64>()).collect();
            v.iter_mut().zip(&term).for_each(|(v, t)| *v += t);
        }
    }
    v
}

#[test]
fn a_film_in_a_strong_field_relaxes_as_its_matrix_exponential() {
    for hall in [0.0, 60.0, -250.0, 600.0] {
        let (dynamics, rates) = film_on_cables(hall);
        let start = [1.0, -0.4, 0.25, 0.6];
        for seconds in [1e-3, 0.1, 0.4, 1.0, 5.0, 40.0] {
            let found = dynamics.relax(&start, Second(seconds));
            for (found, expected) in found.into_iter().zip(exponential(&rates, &start, seconds)) {
                close(found, expected, 1e-11);
            }
        }
        // After many of the longest time constants only its mode is left.
        let tau = dynamics.slowest().0;
        let early = dynamics.relax(&start, Second(tau));
        let late = dynamics.relax(&start, Second(2.0 * tau));
        close(late[0] / early[0], (-1.0_f64).exp(), 1e-9);
    }
}

#[test]
fn a_film_settles_to_its_four_terminal_resistance() {
    let contacts = [Ohm(150.0), Ohm(400.0), Ohm(90.0), Ohm(220.0)];
    let film = Film::new(Ohm(130.0), Ohm(70.0), 40.0, contacts).unwrap().terminal_matrix(Tesla(1.0)).unwrap();
    let bench = dynamics(
        |m| {
            m.add_sample(&film, &[3, 1, 0, 2]);
            for k in 0..4 {
                m.add_conductance_to_ground(k, 1e-15 * (k + 1) as f64).add_capacitance_to_ground(k, 1e-10);
            }
        },
        4,
    );
    // Contacts 1 and 3 stand at nodes 3 and 0, contacts 2 and 4 at nodes 1 and 2.
    let settled = bench.steady_state(&[-1e-3, 0.0, 0.0, 1e-3]).unwrap();
    let expected = film.four_terminal("13,24".parse().unwrap()).unwrap();
    close(expected.0, 70.0 - 130.0 + 40.0, 1e-10);
    close((settled[1] - settled[2]) / 1e-3, expected.0, 1e-8);
    let late = bench.advance(&[0.0; 4], &[-1e-3, 0.0, 0.0, 1e-3], Second(1e-3)).voltages;
    close((late[1] - late[2]) / 1e-3, expected.0, 1e-8);
}

#[test]
fn a_current_that_dies_away_charges_a_node_by_two_exponentials() {
    // C v' = -v/R + K exp(-t/T): v = K/C (exp(-t/T) - exp(-t/RC)) / (1/RC - 1/T), beside a constant current's R I.
    let (ohm, farad) = (3e9, 2e-10);
    let node =
        dynamics(|m| _ = m.add_conductance_to_ground(0, 1.0 / ohm).add_capacitance_to_ground(0, farad), 1);
    let tau = ohm * farad;
    for time in [1e-6, 0.013, 0.5, 7.0] {
        for seconds in decades() {
            let (steady, fading) = (1.5 / ohm, -0.8 / ohm);
            let fade = Fading { currents: &[fading], time: Second(time) };
            let found = node.advance_fading(&[0.3], &[steady], Some(fade), Second(seconds));
            let rate = 1.0 / tau - 1.0 / time;
            let dying = |t: f64| -(-seconds / t).exp_m1();
            let faded = fading / farad * (dying(tau) - dying(time)) / rate;
            close(found.voltages[0], 0.3 + 1.2 * dying(tau) + faded, 2e-11);
            let area = fading / farad * (time * dying(time) - tau * dying(tau)) / rate;
            let expected = 1.5 * seconds - 1.2 * tau * dying(tau) + area;
            close(found.integrals[0] / seconds, expected / seconds, 2e-11);
        }
    }
}

#[test]
fn thermal_motion_is_that_of_one_resistor_and_two_capacitors() {
    // Nodes with C1, C2 to ground and R between: the voltage between them has kT/C, C in series, and relaxes with RC:
    // mean square of the mean over T is kT/C 2/x (1 - (1 - exp(-x))/x), x = T/RC.
    let (ohm, first, second) = (7e8, 3e-10, 4e-11);
    let between = dynamics(
        |m| {
            m.add_conductance(0, 1, 1.0 / ohm).add_conductance_to_ground(0, 1e-16);
            m.add_capacitance_to_ground(0, first).add_capacitance_to_ground(1, second);
        },
        2,
    );
    let farad = first * second / (first + second);
    for seconds in [1e-5, 1e-3, 0.02, 0.7, 30.0] {
        let x = seconds / (ohm * farad);
        let expected = 2.0 / x * (1.0 + (-x).exp_m1() / x) / farad;
        let found = between.thermal_mean_square(0, 1, Second(seconds)).unwrap();
        close(found / expected, 1.0, 1e-6);
    }
}

#[test]
fn thermal_motion_over_a_long_time_is_nyquists_and_over_none_that_of_the_capacitances() {
    // Also in a field, where the film's conductances are not symmetric: 4 R / 2T with R between two contacts, whose
    // leaks to ground are nothing beside it; 1/C + 1/C at once.
    let film = Film::new(Ohm(318.0), Ohm(232.0), -31.2, [41.0, 28.0, 55.0, 33.0].map(Ohm)).unwrap();
    let terminals = film.terminal_matrix(Tesla(3.0)).unwrap();
    let farads = [1e-10, 3e-10, 2e-10, 7e-11];
    let circuit = dynamics(
        |m| {
            m.add_sample(&terminals, &[2, 0, 3, 1]);
            for (node, farad) in farads.into_iter().enumerate() {
                m.add_capacitance_to_ground(node, farad).add_conductance_to_ground(node, 1e-14);
            }
        },
        4,
    );
    let contacts = quadrille_experiment::Contact::first(4).collect::<Vec<_>>();
    let ohm = terminals.two_terminal(contacts[0], contacts[2]).unwrap().0;
    let long = circuit.thermal_mean_square(2, 3, Second(0.5)).unwrap();
    close(long / (2.0 * ohm / 0.5), 1.0, 1e-6);
    let short = circuit.thermal_mean_square(2, 3, Second(1e-13)).unwrap();
    close(short * (1.0 / (1.0 / farads[2] + 1.0 / farads[3])), 1.0, 1e-4);
}
