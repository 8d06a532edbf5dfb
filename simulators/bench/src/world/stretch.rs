//! How long the world may pass time in one stride, and what goes on by itself meanwhile: a source that comes to its
//! level, light that goes on, a sample that warms itself.

use super::{Mode, World};
use quadrille_quantity::{Ampere, Volt};

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
        let Some(light) = self.parts.imperfections.light else { return most };
        let lit = self.time >= light.from_s && self.time < light.to_s;
        if std::mem::replace(&mut self.position.lit, lit) != lit {
            self.rearrange();
        }
        let next = [light.from_s, light.to_s].into_iter().find(|moment| *moment > self.time);
        next.map_or(most, |moment| most.min(moment - self.time))
    }

    /// The circuit of a stride is that at the sample's mean temperature over it.
    fn prepare_warmth(&mut self, most: f64) -> f64 {
        let heating = self.parts.imperfections.heating.filter(|_| self.parts.feels_temperature());
        let Some(heating) = heating else { return most };
        let ahead = self.respond(most).voltages;
        let power = self.power(&self.voltages).max(self.power(&ahead));
        let end = power * heating.kelvin_per_w;
        let gap = (end - self.warmth).abs();
        let mut stride = most;
        let within = (gap * WARMER).max(WARMER_K);
        if gap > within {
            stride = most.min(-heating.time_s * (-within / gap).ln_1p());
        }
        let length = stride / heating.time_s;
        let mean = end - (self.warmth - end) * (-length).exp_m1() / length;
        let kelvin = self.surrounding.0.0 + mean;
        if (kelvin - self.position.temperature().0).abs() > ANEW_K {
            let before = std::mem::replace(&mut self.position.temperature, kelvin.to_bits());
            // A material may have no circuit there: it stays as warm as it was.
            if self.parts.form(&self.position).is_err() {
                self.position.temperature = before;
            }
            self.rearrange();
        }
        stride
    }

    /// After a stride of some seconds: how warm the sample is, and which temperature differences the current made.
    /// Answers what of them is in the sense voltage, in volt-seconds (Ettingshausen).
    pub(super) fn follow(&mut self, seconds: f64) -> f64 {
        if let Some(heating) = self.parts.imperfections.heating {
            let end = self.power(&self.voltages) * heating.kelvin_per_w;
            self.warmth = end + (self.warmth - end) * (-seconds / heating.time_s).exp();
            let kelvin = self.surrounding.0.0 + self.warmth;
            let differs = (kelvin - self.position.temperature().0).abs() > ANEW_K;
            if differs && !self.parts.feels_temperature() {
                // Its circuit is the same at every temperature: there is nothing to form.
                self.position.temperature = kelvin.to_bits();
            }
        }
        let Some(thermomagnetic) = &self.parts.imperfections.thermomagnetic else { return 0.0 };
        let (part, time_s) = (thermomagnetic.ettingshausen, thermomagnetic.time_s);
        if part == 0.0 {
            return 0.0;
        }
        let (_, currents) = self.in_sample(&self.voltages);
        let decay = -(-seconds / time_s).exp_m1();
        let sense = self.formed.sense.as_ref();
        let mut volt_seconds = 0.0;
        for (contact, (lagging, now)) in self.lagging.iter_mut().zip(&currents).enumerate() {
            let ohm = sense.map_or(0.0, |sense| sense.odd_ohm[contact]);
            let left = *lagging - now.0;
            volt_seconds += part * ohm * (now.0 * seconds + left * time_s * decay);
            *lagging -= left * decay;
        }
        volt_seconds
    }

    /// Voltages of the sample's own side of its contacts, and the currents into them.
    pub(super) fn in_sample(&self, voltages: &[f64]) -> (Vec<f64>, Vec<Ampere>) {
        let inside = (0..self.formed.sample.count()).map(|k| voltages[self.parts.inside(k)]);
        let volts: Vec<f64> = inside.collect();
        let as_volts: Vec<Volt> = volts.iter().copied().map(Volt).collect();
        let currents = self.formed.sample.currents(&as_volts).unwrap_or_default();
        (volts, currents)
    }

    /// Power into the sample with its contacts, in watts.
    fn power(&self, voltages: &[f64]) -> f64 {
        let (_, currents) = self.in_sample(voltages);
        currents
            .iter()
            .enumerate()
            .map(|(contact, ampere)| voltages[self.parts.plug(contact)] * ampere.0)
            .sum()
    }

    /// Whether a meter averages over the time that comes next.
    pub(super) fn is_watched(&self) -> bool {
        self.windows.values().any(|window| window.start <= self.time && window.end > self.time)
    }
}
