//! How long the world may pass time in one stride, and what goes on by itself meanwhile: a source that comes to its
//! level, light that goes on, a sample that warms itself.

use super::{Mode, World};
use crate::parts::Held;
use quadrille_quantity::{Ampere, Kelvin, Volt};

/// After this many time constants an exponential is over: 1e-17.
const OVER: f64 = 40.0;

/// Change of the sample's temperature within one stride, in kelvins, and as a part of what it is going to change by;
/// whichever is more. Where it does not change by as much, warming costs no stride.
const WARMER_K: f64 = 1e-3;
const WARMER: f64 = 0.125;

/// Least change of the sample's temperature that its circuit is made anew for, in kelvins.
const ANEW_K: f64 = 1e-4;

/// A source on its way to the current that it is set to.
#[derive(Clone, Copy, Debug)]
pub(super) struct Approach {
    /// How much more than that it gave to begin with, in amperes.
    excess: f64,
    since: f64,
}

impl World {
    /// The source is set and gives a current that it comes from.
    pub(super) fn begin_approach(&mut self, from: f64) {
        let slow = self.source.on && self.parts.disturbances.source_s > 0.0;
        let excess = from - self.source.current;
        self.approach = (slow && excess != 0.0).then_some(Approach { excess, since: self.time });
    }

    /// What the source gives beyond what it is set to, in amperes now, and the time constant of that.
    pub(super) fn fading(&self) -> Option<(f64, f64)> {
        let approach = self.approach.filter(|_| self.mode == Mode::Free)?;
        let time_s = self.parts.disturbances.source_s;
        Some((approach.excess * (-(self.time - approach.since) / time_s).exp(), time_s))
    }

    /// Current that the source would give some seconds from now, in amperes.
    pub(super) fn flows(&self, after: f64) -> f64 {
        let excess = self.approach.map_or(0.0, |approach| {
            let passed = self.time + after - approach.since;
            approach.excess * (-passed / self.parts.disturbances.source_s).exp()
        });
        self.source.current + excess
    }

    /// The longest stride from now on that is not over before `most` seconds; brings what changes by itself to it.
    pub(super) fn stride(&mut self, most: f64) -> f64 {
        let over = OVER * self.parts.disturbances.source_s;
        self.approach = self.approach.filter(|approach| self.time - approach.since < over);
        let stride = self.light(most);
        let stride = self.prepare_warmth(stride);
        self.follow_barriers(stride)
    }

    fn light(&mut self, most: f64) -> f64 {
        let (mut stride, mut changed) = (most, false);
        for (held, condition) in self.parts.samples.iter().zip(&mut self.position.conditions) {
            let Some(light) = held.imperfections.light else { continue };
            let lit = self.time >= light.from_s && self.time < light.to_s;
            changed |= std::mem::replace(&mut condition.lit, lit) != lit;
            let next = [light.from_s, light.to_s].into_iter().find(|moment| *moment > self.time);
            stride = next.map_or(stride, |moment| stride.min(moment - self.time));
        }
        if changed {
            self.rearrange();
        }
        stride
    }

    /// The circuit of a stride is that at the samples' mean temperatures over it.
    fn prepare_warmth(&mut self, most: f64) -> f64 {
        let feels = |held: &Held| held.imperfections.heating.filter(|_| held.feels_temperature());
        let heatings: Vec<_> = self.parts.samples.iter().map(feels).enumerate().collect();
        let heatings: Vec<_> = heatings.into_iter().filter_map(|(k, heating)| Some((k, heating?))).collect();
        if heatings.is_empty() {
            return most;
        }
        let ahead = self.respond(most).voltages;
        let mut stride = most;
        let mut ends = Vec::with_capacity(heatings.len());
        for (sample, heating) in heatings {
            let power = self.power(sample, &self.voltages).max(self.power(sample, &ahead));
            let end = power * heating.kelvin_per_w;
            let gap = (end - self.samples[sample].warmth).abs();
            let within = (gap * WARMER).max(WARMER_K);
            if gap > within {
                stride = stride.min(-heating.time_s * (-within / gap).ln_1p());
            }
            ends.push((sample, end, heating.time_s));
        }
        let mut changed = false;
        for (sample, end, time_s) in ends {
            let length = stride / time_s;
            let mean = end - (self.samples[sample].warmth - end) * (-length).exp_m1() / length;
            let kelvin = Kelvin(self.surrounding.0.0 + mean);
            let before = self.position.conditions[sample];
            if (kelvin.0 - before.temperature().0).abs() > ANEW_K {
                self.position.conditions[sample].set_temperature(kelvin);
                // A material may have no circuit there: it stays as warm as it was.
                if self.parts.form(&self.position).is_err() {
                    self.position.conditions[sample] = before;
                }
                changed = true;
            }
        }
        if changed {
            self.rearrange();
        }
        stride
    }

    /// After a stride of some seconds: how warm the samples are, and which temperature differences the current made.
    /// Answers what of them is in the sense voltage, in volt-seconds (Ettingshausen).
    pub(super) fn follow(&mut self, seconds: f64) -> f64 {
        (0..self.samples.len()).map(|sample| self.follow_one(sample, seconds)).sum()
    }

    fn follow_one(&mut self, sample: usize, seconds: f64) -> f64 {
        let held = &self.parts.samples[sample];
        if let Some(heating) = held.imperfections.heating {
            let end = self.power(sample, &self.voltages) * heating.kelvin_per_w;
            let warmth = &mut self.samples[sample].warmth;
            *warmth = end + (*warmth - end) * (-seconds / heating.time_s).exp();
            let kelvin = Kelvin(self.surrounding.0.0 + *warmth);
            let condition = &mut self.position.conditions[sample];
            let differs = (kelvin.0 - condition.temperature().0).abs() > ANEW_K;
            if differs && !held.feels_temperature() {
                // Its circuit is the same at every temperature: there is nothing to form.
                condition.set_temperature(kelvin);
            }
        }
        let Some(thermomagnetic) = &held.imperfections.thermomagnetic else { return 0.0 };
        let (part, time_s) = (thermomagnetic.ettingshausen, thermomagnetic.time_s);
        if part == 0.0 {
            return 0.0;
        }
        let (_, currents) = self.in_sample(sample, &self.voltages);
        let decay = -(-seconds / time_s).exp_m1();
        let sense = self.formed.sense.as_ref().filter(|sense| sense.of == sample);
        let mut volt_seconds = 0.0;
        for (contact, (lagging, now)) in self.samples[sample].lagging.iter_mut().zip(&currents).enumerate() {
            let ohm = sense.map_or(0.0, |sense| sense.odd_ohm[contact]);
            let left = *lagging - now.0;
            volt_seconds += part * ohm * (now.0 * seconds + left * time_s * decay);
            *lagging -= left * decay;
        }
        volt_seconds
    }

    /// Voltages of a sample's own side of its contacts, and the currents into them.
    pub(super) fn in_sample(&self, sample: usize, voltages: &[f64]) -> (Vec<f64>, Vec<Ampere>) {
        let volts: Vec<f64> = self.parts.samples[sample].inside.iter().map(|&node| voltages[node]).collect();
        let as_volts: Vec<Volt> = volts.iter().copied().map(Volt).collect();
        let currents = self.formed.samples[sample].currents(&as_volts).unwrap_or_default();
        (volts, currents)
    }

    /// Power into a sample with its contacts, in watts.
    fn power(&self, sample: usize, voltages: &[f64]) -> f64 {
        let (_, currents) = self.in_sample(sample, voltages);
        let outside = self.parts.samples[sample].outside.iter();
        outside.zip(&currents).map(|(&node, ampere)| voltages[node] * ampere.0).sum()
    }

    /// Whether a meter averages over the time that comes next.
    pub(super) fn is_watched(&self) -> bool {
        self.windows.values().any(|window| window.start <= self.time && window.end > self.time)
    }
}
