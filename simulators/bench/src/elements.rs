//! Elements that no resistor or capacitor is: barriers at contacts as the line through two of their points, and what a
//! voltmeter between two contacts sees of a sample. Knows no time and no switch.

use quadrille_documents::{Barrier, Disturbances, Imperfections};
use quadrille_experiment::{Configuration, Contact};
use quadrille_network::{NetworkError, TerminalMatrix};
use quadrille_quantity::Kelvin;

/// Boltzmann's constant over the elementary charge, in volts per kelvin (SI, exact).
const VOLT_PER_KELVIN: f64 = 1.380_649e-23 / 1.602_176_634e-19;

/// Conductance of a contact that has no barrier, where others have one, in siemens. Ours: a hundred times less than any
/// contact's resistance.
const OHMIC_SIEMENS: f64 = 1e4;

/// Exponents beyond which the exponential is continued by its tangent: no contact stands a current of 1e17 times its
/// saturation.
const MOST_EXPONENT: f64 = 40.0;

/// Voltages closer than this are one, of the thermal voltage: the chord is the tangent.
const ONE: f64 = 1e-6;

/// A current `ampere` + `siemens` × v through a barrier at voltage v, from the metal into the sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Line {
    pub(crate) siemens: f64,
    pub(crate) ampere: f64,
}

impl Line {
    /// The chord between two voltages, or the tangent where they are one.
    pub(crate) fn through(barrier: Option<&Barrier>, [from, to]: [f64; 2], temperature: Kelvin) -> Self {
        let Some(barrier) = barrier else { return Self { siemens: OHMIC_SIEMENS, ampere: 0.0 } };
        let thermal = thermal_volt(barrier, temperature);
        let (current, slope) = characteristic(barrier, thermal, from);
        let siemens = if (to - from).abs() <= ONE * thermal {
            slope
        } else {
            (characteristic(barrier, thermal, to).0 - current) / (to - from)
        };
        Self { siemens, ampere: current - siemens * from }
    }
}

/// n k T / e, in volts.
pub(crate) fn thermal_volt(barrier: &Barrier, temperature: Kelvin) -> f64 {
    barrier.ideality * VOLT_PER_KELVIN * temperature.0
}

/// Current and differential conductance of i = I_s (exp(v / n V_T) − 1) + v / R; both signs turned where the barrier
/// conducts easily out of the sample.
fn characteristic(barrier: &Barrier, thermal: f64, volt: f64) -> (f64, f64) {
    let sign = barrier.sign();
    let exponent = sign * volt / thermal;
    let (growth, slope) = if exponent > MOST_EXPONENT {
        let most = MOST_EXPONENT.exp();
        (most * (1.0 + exponent - MOST_EXPONENT) - 1.0, most)
    } else {
        (exponent.exp_m1(), exponent.exp())
    };
    let Barrier { saturation_a, leak_ohm, .. } = *barrier;
    (sign * saturation_a * growth + volt / leak_ohm, saturation_a * slope / thermal + 1.0 / leak_ohm)
}

/// A next trial of Newton's method for a barrier's voltage, from what the tangent at the last one gives: in the forward
/// direction the voltage goes as far as the logarithm of the current would take it (the limiting of junctions in
/// circuit simulators; Nagel, report ERL-M520, Berkeley 1975).
pub(crate) fn limited(barrier: Option<&Barrier>, temperature: Kelvin, [from, to]: [f64; 2]) -> f64 {
    let Some(barrier) = barrier else { return to };
    let thermal = thermal_volt(barrier, temperature);
    let (last, next) = (barrier.sign() * from, barrier.sign() * to);
    // Where the curvature of the characteristic is greatest.
    let knee = thermal * (thermal / (2f64.sqrt() * barrier.saturation_a)).ln();
    let knee = knee.max(0.0);
    if next <= knee || (next - last).abs() <= 2.0 * thermal {
        return to;
    }
    let step = if last > 0.0 {
        let grown = 1.0 + (next - last) / thermal;
        if grown > 0.0 { last + thermal * grown.ln() } else { knee }
    } else {
        thermal * (next / thermal).ln()
    };
    barrier.sign() * step
}

/// Whether something is simulated that depends on what the voltmeter sees of the sample.
pub(crate) fn conducts(disturbances: &Disturbances, imperfections: &Imperfections) -> bool {
    disturbances.mains_a > 0.0
        || disturbances.mains_v > 0.0
        || disturbances.johnson
        || disturbances.drift_v > 0.0
        || imperfections.thermomagnetic.is_some()
        || !imperfections.contact_noise_ohm.is_empty()
        || !imperfections.excess_noise_ohm.is_empty()
}

/// A sample as a voltmeter sees it: contacts from 0, resistances in ohms.
#[derive(Clone, Debug)]
pub(crate) struct Sense {
    /// Which of the samples.
    pub(crate) of: usize,
    pub(crate) high: usize,
    pub(crate) low: usize,
    /// Between the sense contacts.
    pub(crate) two_terminal_ohm: f64,
    /// What of the voltage between the sense contacts changes sign with the field, for one ampere into each contact
    /// and out of contact 0.
    pub(crate) odd_ohm: Vec<f64>,
}

impl Sense {
    /// `reversed` is the sample in the opposite field, where what is odd is wanted.
    pub(crate) fn new(
        of: usize,
        (high, low): (usize, usize),
        sample: &TerminalMatrix,
        reversed: Option<&TerminalMatrix>,
    ) -> Result<Self, NetworkError> {
        let contacts: Vec<Contact> = Contact::first(sample.count()).collect();
        let four = |matrix: &TerminalMatrix, source: usize| {
            let configuration = Configuration {
                source_in: contacts[source],
                source_out: contacts[0],
                sense_high: contacts[high],
                sense_low: contacts[low],
            };
            matrix.four_terminal(configuration).map(|ohm| ohm.0)
        };
        let mut odd_ohm = vec![0.0; contacts.len()];
        if let Some(reversed) = reversed {
            for (source, odd) in odd_ohm.iter_mut().enumerate().skip(1) {
                *odd = (four(sample, source)? - four(reversed, source)?) / 2.0;
            }
        }
        let two_terminal_ohm = sample.two_terminal(contacts[high], contacts[low])?.0;
        Ok(Self { of, high, low, two_terminal_ohm, odd_ohm })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chord_goes_through_both_its_points_and_a_tangent_has_the_slope() {
        let barrier = Barrier { saturation_a: 2e-9, ideality: 1.3, leak_ohm: 4e7, is_easy_out: false };
        let kelvin = Kelvin(310.0);
        let thermal = thermal_volt(&barrier, kelvin);
        let exact = |v: f64| 2e-9 * ((v / thermal).exp() - 1.0) + v / 4e7;
        let chord = Line::through(Some(&barrier), [-0.05, 0.21], kelvin);
        for v in [-0.05, 0.21] {
            let current = chord.ampere + chord.siemens * v;
            assert!((current / exact(v) - 1.0).abs() < 1e-12, "{v} {current}");
        }
        let tangent = Line::through(Some(&barrier), [0.17, 0.17], kelvin);
        let slope = (exact(0.17 + 1e-6) - exact(0.17 - 1e-6)) / 2e-6;
        assert!((tangent.siemens / slope - 1.0).abs() < 1e-8);
    }
}
