//! A sample of four point contacts on its edge, and readings of it; made from the two resistances of van der Pauw, a
//! Hall slope and contact potentials, without any code of the reduction.
#![allow(dead_code, missing_docs, unreachable_pub, clippy::unwrap_used)]

use quadrille_experiment::{Condition, Configuration, MeterReading, Reading};
use quadrille_quantity::{Ampere, Kelvin, Second, Tesla, Volt};
use quadrille_reduction::{Check, Reduced};

/// The eight configurations of sheet resistance, then the eight of the Hall coefficient.
pub const SHEET: [&str; 8] = ["21,34", "12,43", "32,41", "23,14", "43,12", "34,21", "14,23", "41,32"];
pub const HALL: [&str; 4] = ["13,24", "31,42", "42,13", "24,31"];

#[derive(Clone, Copy, Debug)]
pub struct Sample {
    pub r_a: f64,
    pub r_b: f64,
    /// dR/dB of 13,24 in Ω/T.
    pub slope: f64,
    /// Relative rise of both resistances with the square of the field, 1/T².
    pub magnetoresistance: f64,
    /// Thermoelectric potentials of the contacts, V.
    pub potentials: [f64; 4],
    /// Drift of the voltmeter's zero, V/s.
    pub drift: f64,
}

pub const SAMPLE: Sample = Sample {
    r_a: 37.0,
    r_b: 211.0,
    slope: -3.7,
    magnetoresistance: 0.02,
    potentials: [1.3e-6, -2.1e-6, 0.4e-6, 3.3e-6],
    drift: 0.0,
};

impl Sample {
    /// R_ab,cd at a field. Exchanging contacts of a pair changes the sign; R₁₂,₃₄ = −R_A, R₂₃,₁₄ = R_B and their
    /// reciprocals have no odd part for point contacts on the edge; R₁₃,₂₄ = R_B − R_A + slope·B (sum rule
    /// R₁₂,₃₄ + R₂₃,₁₄ + R₃₁,₂₄ = 0), and its reciprocal is its value at −B (Onsager and Casimir).
    pub fn resistance(&self, [a, b, c, d]: [u8; 4], field: f64) -> f64 {
        if a > b {
            return -self.resistance([b, a, c, d], field);
        }
        if c > d {
            return -self.resistance([a, b, d, c], field);
        }
        let even = 1.0 + self.magnetoresistance * field * field;
        match [a, b, c, d] {
            [1, 2, 3, 4] | [3, 4, 1, 2] => -self.r_a * even,
            [2, 3, 1, 4] | [1, 4, 2, 3] => self.r_b * even,
            [1, 3, 2, 4] => (self.r_b - self.r_a) * even + self.slope * field,
            [2, 4, 1, 3] => (self.r_b - self.r_a) * even - self.slope * field,
            other => panic!("not a configuration of four contacts: {other:?}"),
        }
    }

    pub fn reading(&self, configuration: &str, current: f64, field: f64, time: f64) -> Reading {
        let configuration: Configuration = configuration.parse().unwrap();
        let [a, b, c, d] = configuration.contacts().map(|contact| contact.number());
        let potential = |contact: u8| self.potentials[usize::from(contact) - 1];
        let voltage =
            current * self.resistance([a, b, c, d], field) + potential(c) - potential(d) + self.drift * time;
        reading(configuration, current, voltage, field, time)
    }

    /// One round: sheet resistance at zero field, then the diagonals at both fields.
    pub fn round(&self, current: f64, field: f64) -> Vec<Reading> {
        let mut plan: Vec<(&str, f64)> = SHEET.iter().map(|c| (*c, 0.0)).collect();
        plan.extend([field, -field].iter().flat_map(|b| HALL.iter().map(|c| (*c, *b))));
        plan.iter().enumerate().map(|(k, (c, b))| self.reading(c, current, *b, k as f64)).collect()
    }
}

pub fn reading(configuration: Configuration, current: f64, voltage: f64, field: f64, time: f64) -> Reading {
    Reading {
        time: Second(time),
        temperature: Kelvin(295.0),
        field: Tesla(field),
        configuration,
        current: MeterReading {
            value: Ampere(current),
            gain_u: 0.0,
            own_u: Ampere(0.0),
            ..MeterReading::default()
        },
        voltage: MeterReading {
            value: Volt(voltage),
            gain_u: 0.0,
            own_u: Volt(0.0),
            ..MeterReading::default()
        },
        condition: Condition::Sound,
    }
}

#[track_caller]
pub fn close(what: &str, value: f64, expected: f64, relative: f64) {
    let error = (value / expected - 1.0).abs();
    assert!(error <= relative, "{what}: {value:e}, expected {expected:e}, relative error {error:e}");
}

#[track_caller]
pub fn named<'a>(reduced: &'a Reduced, name: &str) -> &'a Check {
    let found = reduced.checks.iter().find(|check| check.name == name);
    found.unwrap_or_else(|| panic!("no check \"{name}\" in {:?}", reduced.checks))
}
