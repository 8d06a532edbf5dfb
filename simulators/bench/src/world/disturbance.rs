//! What comes into the sense loop beside the sample's own voltage: the mains, drifting thermoelectric voltages, heat and
//! field, the noise of contacts and of resistors. All of it is a function of time and seed, averaged exactly.

use super::{Mode, World};
use crate::draw::Purpose;
use crate::elements::Sense;
use crate::parts::{CONTACTS, SENSE_HIGH, SENSE_LOW};
use std::f64::consts::TAU;

/// Boltzmann's constant, in joules per kelvin (SI, exact).
const BOLTZMANN: f64 = 1.380_649e-23;

/// Sinusoids of a drift: their sum has its variance, and no more.
const DRIFT_WAVES: u64 = 6;

/// Decades of frequency of a contact's fluctuation, from the lowest on, and sinusoids in each: 1/f.
const LOWEST_HZ: f64 = 1e-4;
const DECADES: u64 = 7;
const WAVES: u64 = 5;

impl World {
    /// Integral of what is added to the sense voltage from now over some seconds, in volt-seconds; the lagging part comes
    /// along.
    pub(super) fn disturb(&mut self, seconds: f64) -> f64 {
        let Some(sense) = self.formed.sense else {
            self.lag(0.0, seconds);
            return 0.0;
        };
        let (from, to) = (self.time, self.time + seconds);
        let lagging = self.lag(sense.odd_ohm * self.flowing(&sense), seconds);
        let heat = self.heat_volts(&sense) * seconds;
        lagging
            + heat
            + self.mains(&sense, from, to)
            + self.drift(&sense, from, to)
            + self.contacts(&sense, from, to)
    }

    /// Voltage of Johnson noise over an aperture, standard deviation in volts: k T / C between the two sense nodes,
    /// filtered by their own time constant and by the mean over the aperture (Nyquist, Phys. Rev. 32, 110, 1928; for
    /// T ≫ RC this is 4 k T R over a bandwidth of 1/2T).
    pub(crate) fn johnson_v(&self, aperture_s: f64) -> f64 {
        let Some(sense) = self.formed.sense.filter(|_| self.parts.disturbances.johnson) else { return 0.0 };
        let capacitances = self.formed.balance.capacitances();
        let farad = |row: usize, contact: usize| {
            let (cable, inside) = (CONTACTS + contact, self.parts.inside(contact));
            let behind = if inside == cable { 0.0 } else { capacitances[inside] };
            capacitances[row] + capacitances[cable] + behind
        };
        let (high, low) = (farad(SENSE_HIGH, sense.high), farad(SENSE_LOW, sense.low));
        let farad = high * low / (high + low) + self.parts.imperfections.capacitance_f;
        let time_s = sense.two_terminal_ohm * farad;
        let ratio = aperture_s / time_s;
        // (2 / x) (1 − (1 − exp(−x)) / x), which is 1 for small x.
        let filtered = if ratio < 1e-6 { 1.0 } else { 2.0 / ratio * (1.0 + (-ratio).exp_m1() / ratio) };
        (BOLTZMANN * self.position.temperature().0 / farad * filtered).sqrt()
    }

    /// Ettingshausen: a part of the Hall voltage that follows the current with the sample's thermal time constant.
    fn lag(&mut self, hall_v: f64, seconds: f64) -> f64 {
        let Some(thermomagnetic) = &self.parts.imperfections.thermomagnetic else { return 0.0 };
        let time_s = thermomagnetic.time_s;
        let end = thermomagnetic.ettingshausen * hall_v;
        let left = self.lagging - end;
        self.lagging = end + left * (-seconds / time_s).exp();
        end * seconds - left * time_s * (-seconds / time_s).exp_m1()
    }

    /// Current from contact to contact through the sample, in amperes: what the source is set to, or what its limit lets
    /// through.
    fn flowing(&self, sense: &Sense) -> f64 {
        match (self.mode, sense.source) {
            (Mode::Free, Some(_)) => self.source.current,
            (Mode::AtLimit { .. }, Some((enters, _))) => {
                self.in_sample().1.get(enters).map_or(0.0, |current| current.0)
            }
            _ => 0.0,
        }
    }

    /// Nernst, Righi-Leduc and Seebeck: what heat that flows anyway does, whatever the current's sign.
    fn heat_volts(&self, sense: &Sense) -> f64 {
        let Some(thermomagnetic) = &self.parts.imperfections.thermomagnetic else { return 0.0 };
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
        volt * wave(TAU * self.parts.mains_hz, phase, from, to)
    }

    /// Relays of the sense rows warm and cool a little.
    fn drift(&self, sense: &Sense, from: f64, to: f64) -> f64 {
        let disturbances = &self.parts.disturbances;
        if disturbances.drift_v == 0.0 {
            return 0.0;
        }
        let relay = |row: usize, contact: usize| {
            let purpose = Purpose::new(self.parts.seed, "drift").whole(row as u64).whole(contact as u64);
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

    /// Contacts that carry current and are sensed: their resistance fluctuates.
    fn contacts(&self, sense: &Sense, from: f64, to: f64) -> f64 {
        let noise = &self.parts.imperfections.contact_noise_ohm;
        let Some((enters, leaves)) = sense.source.filter(|_| !noise.is_empty()) else {
            return 0.0;
        };
        let ohm_seconds = |contact: usize| {
            let ohm = noise.get(contact).copied().unwrap_or(0.0);
            if ohm == 0.0 { 0.0 } else { ohm * fluctuation(self.parts.seed, contact, from, to) }
        };
        let on = |contact: usize, pair: usize| if contact == pair { ohm_seconds(contact) } else { 0.0 };
        // The contact lies above the sample where current enters, below where it leaves.
        let high = on(sense.high, enters) - on(sense.high, leaves);
        let low = on(sense.low, enters) - on(sense.low, leaves);
        self.flowing(sense) * (high - low)
    }
}

/// ∫ sin(ωt + φ) dt.
fn wave(omega: f64, phase: f64, from: f64, to: f64) -> f64 {
    // cos a − cos b = 2 sin((a + b) / 2) sin((b − a) / 2): no digits lost for short times.
    let half = omega * (to - from) / 2.0;
    2.0 / omega * (omega * (from + to) / 2.0 + phase).sin() * half.sin()
}

/// Integral of a fluctuation of unit variance in each decade of frequency.
fn fluctuation(seed: u64, contact: usize, from: f64, to: f64) -> f64 {
    let purpose = Purpose::new(seed, "contact noise").whole(contact as u64);
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
        let at = |k: u64| fluctuation(5, 1, k as f64 * 10.0, k as f64 * 10.0 + 1e-3) / 1e-3;
        let square = (0..10_000).map(|k| at(k).powi(2)).sum::<f64>() / 1e4;
        assert!((6.0..7.5).contains(&square), "{square}");
    }
}
