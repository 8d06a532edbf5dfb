//! What comes into the sense loop beside the sample's own voltage: the mains, drifting thermoelectric voltages, heat and
//! field, the noise of contacts and of resistors. All of it is a function of time and seed, averaged exactly.

use super::World;
use crate::draw::Purpose;
use crate::elements::Sense;
use crate::parts::{SENSE_HIGH, SENSE_LOW};
use quadrille_quantity::Second;
use std::f64::consts::TAU;

/// Boltzmann's constant, in joules per kelvin (SI, exact).
const BOLTZMANN: f64 = 1.380_649e-23;

/// Sinusoids of a drift: their sum has its variance, and no more.
const DRIFT_WAVES: u64 = 6;

/// A contact that carries less than this part of what passes through the sample carries a meter's current: it is not
/// counted. Ours.
const CARRIES: f64 = 1e-3;

/// Decades of frequency of a contact's fluctuation, from the lowest on, and sinusoids in each: 1/f.
const LOWEST_HZ: f64 = 1e-4;
const DECADES: u64 = 7;
const WAVES: u64 = 5;

impl World {
    /// Integral of what is added to the sense voltage between two times, in volt-seconds.
    pub(super) fn disturb(&self, from: f64, to: f64) -> f64 {
        let Some(sense) = &self.formed.sense else { return 0.0 };
        let heat = self.heat_volts(sense) * (to - from);
        heat + self.mains(sense, from, to) + self.drift(sense, from, to) + self.contacts(sense, from, to)
    }

    /// Johnson noise of a voltmeter's mean over an aperture, standard deviation in volts, of everything that conducts in
    /// the circuit, at the sample's temperature. Without sense contacts on the sample there is none.
    pub(crate) fn johnson_v(&self, aperture_s: f64) -> f64 {
        if !self.parts.disturbances.johnson || self.formed.sense.is_none() {
            return 0.0;
        }
        let square = self.lined.dynamics.thermal_mean_square(SENSE_HIGH, SENSE_LOW, Second(aperture_s));
        (self.thermal_energy() * square.unwrap_or(0.0).max(0.0)).sqrt()
    }

    /// The same of an ammeter's mean, in amperes: 4 k T G over a bandwidth of 1/2T (Nyquist, Phys. Rev. 32, 110, 1928),
    /// with the conductance G that it sees at low frequency.
    pub(crate) fn johnson_a(&self, aperture_s: f64) -> f64 {
        let Some(mesh) = self.formed.without_ammeter.as_ref().filter(|_| self.position.input) else {
            return 0.0;
        };
        let lines = self.parts.lines(&self.position, &self.lines);
        let siemens = self.parts.around_ammeter(mesh, &lines).unwrap_or(0.0);
        (2.0 * self.thermal_energy() * siemens / aperture_s).sqrt()
    }

    fn thermal_energy(&self) -> f64 {
        let sample = self.formed.sense.as_ref().map_or(0, |sense| sense.of);
        let condition = self.position.conditions.get(sample);
        BOLTZMANN * condition.map_or(self.surrounding.0, |condition| condition.temperature()).0
    }

    /// Nernst, Righi-Leduc and Seebeck: what heat that flows anyway does, whatever the current's sign.
    fn heat_volts(&self, sense: &Sense) -> f64 {
        let held = &self.parts.samples[sense.of];
        let Some(thermomagnetic) = &held.imperfections.thermomagnetic else { return 0.0 };
        let between = |list: &[f64]| {
            let at = |k: usize| list.get(k).copied().unwrap_or(0.0);
            at(sense.high) - at(sense.low)
        };
        between(&thermomagnetic.heat_flow_v_per_t) * self.position.field().0
            + between(&thermomagnetic.seebeck_v)
    }

    fn mains(&self, sense: &Sense, from: f64, to: f64) -> f64 {
        let disturbances = &self.parts.disturbances;
        let volt = disturbances.mains_v + disturbances.mains_a * sense.two_terminal_ohm;
        if volt == 0.0 {
            return 0.0;
        }
        let phase = TAU * Purpose::new(self.parts.seed, "mains").uniform();
        volt * wave(TAU * (self.parts.mains_hz + disturbances.mains_off_hz), phase, from, to)
    }

    /// Relays of the sense rows warm and cool a little.
    fn drift(&self, sense: &Sense, from: f64, to: f64) -> f64 {
        let disturbances = &self.parts.disturbances;
        if disturbances.drift_v == 0.0 {
            return 0.0;
        }
        let first = self.parts.samples[sense.of].leads.start;
        let relay = |row: usize, contact: usize| {
            let column = (first + contact) as u64;
            let purpose = Purpose::new(self.parts.seed, "drift").whole(row as u64).whole(column);
            let amplitude = disturbances.drift_v * (2.0 / DRIFT_WAVES as f64).sqrt();
            let wave_of = |k: u64| {
                let purpose = purpose.clone().whole(k);
                // Periods from a third of the time to three times it.
                let period = disturbances.drift_s * 3f64.powf(purpose.clone().word("period").uniform());
                let phase = TAU * purpose.word("phase").uniform();
                amplitude * wave(TAU / period, phase, from, to)
            };
            (0..DRIFT_WAVES).map(wave_of).sum::<f64>()
        };
        relay(SENSE_HIGH, sense.high) - relay(SENSE_LOW, sense.low)
    }

    /// What fluctuates at the sense contacts in proportion to the current: the resistance of one that carries it, and its
    /// potential by what passes through the sample.
    fn contacts(&self, sense: &Sense, from: f64, to: f64) -> f64 {
        let held = &self.parts.samples[sense.of];
        let own = &held.imperfections.contact_noise_ohm;
        let through = &held.imperfections.excess_noise_ohm;
        if own.is_empty() && through.is_empty() {
            return 0.0;
        }
        let (_, currents) = self.in_sample(sense.of, &self.voltages);
        let passes = currents.iter().map(|ampere| ampere.0.abs()).sum::<f64>() / 2.0;
        let passes = passes.copysign(self.source.current);
        let at = |contact: usize| {
            let of = |list: &[f64], ampere: f64, word: &str| {
                let ohm = list.get(contact).copied().unwrap_or(0.0);
                if ohm == 0.0 || ampere == 0.0 {
                    return 0.0;
                }
                let column = held.leads.start + contact;
                let purpose = Purpose::new(self.parts.seed, word).whole(column as u64);
                ampere * ohm * fluctuation(&purpose, from, to)
            };
            // The contact's outside is above the sample where current enters.
            let carried = Some(currents[contact].0).filter(|ampere| ampere.abs() > CARRIES * passes.abs());
            of(own, carried.unwrap_or(0.0), "contact noise") + of(through, passes, "excess noise")
        };
        at(sense.high) - at(sense.low)
    }
}

/// ∫ sin(ωt + φ) dt.
fn wave(omega: f64, phase: f64, from: f64, to: f64) -> f64 {
    // cos a − cos b = 2 sin((a + b) / 2) sin((b − a) / 2): no digits lost for short times.
    let half = omega * (to - from) / 2.0;
    2.0 / omega * (omega * (from + to) / 2.0 + phase).sin() * half.sin()
}

/// Integral of a fluctuation of unit variance in each decade of frequency.
fn fluctuation(purpose: &Purpose, from: f64, to: f64) -> f64 {
    let amplitude = (2.0 / WAVES as f64).sqrt();
    let wave_of = |k: u64| {
        let purpose = purpose.clone().whole(k);
        // Evenly over the logarithm, each somewhere in its own part.
        let place = (k as f64 + 0.5 + 0.5 * purpose.clone().word("frequency").uniform()) / WAVES as f64;
        let hertz = LOWEST_HZ * 10f64.powf(place);
        amplitude * wave(TAU * hertz, TAU * purpose.word("phase").uniform(), from, to)
    };
    (0..DECADES * WAVES).map(wave_of).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mean_over_whole_cycles_is_nothing_and_over_a_part_is_that_of_the_sine() {
        let omega = TAU * 50.0;
        assert!(wave(omega, 0.7, 0.013, 0.033).abs() < 1e-15);
        // Half a cycle from the zero on: 2/ω.
        assert!((wave(omega, 0.0, 0.0, 0.01) * omega / 2.0 - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_contact_fluctuates_alike_in_each_decade() {
        // The mean square over 1e5 s of means over a millisecond: seven decades of unit variance, less what the mean
        // takes of the last.
        let purpose = Purpose::new(5, "contact noise").whole(1);
        let at = |k: u64| fluctuation(&purpose, k as f64 * 10.0, k as f64 * 10.0 + 1e-3) / 1e-3;
        let square = (0..10_000).map(|k| at(k).powi(2)).sum::<f64>() / 1e4;
        assert!((6.0..7.5).contains(&square), "{square}");
    }
}
