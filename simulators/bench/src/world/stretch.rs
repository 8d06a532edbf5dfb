//! How long the world may pass time in one stride, and what slowly changes from one to the next: a source that comes to
//! its level, light that goes on, a sample that warms itself, barriers that follow their voltage.

use super::World;
use crate::elements::thermal_volt;
use crate::parts::CONTACTS;
use quadrille_network::Response;
use quadrille_quantity::{Kelvin, Volt};

/// Strides of something that goes exponentially, in its time constants: the first, and each over the time since the
/// change. The current of a stride is the mean over it.
const FIRST: f64 = 0.05;
const GROWTH: f64 = 0.1;

/// After this many time constants an exponential is over: 1e-17.
const OVER: f64 = 40.0;

/// Least change of the sample's temperature that its circuit is made anew for, in kelvins.
const WARMER_K: f64 = 1e-4;

/// Most that a barrier's voltage may change in a stride, in thermal voltages: a chord over that much is off by 1/200 of
/// what the exponential changes by, at most.
const STEP: f64 = 0.25;

/// Below so many thermal voltages a barrier is its resistance and no more: exp(−14) is 1e-6 of the saturation current.
/// How far it goes there bounds no stride.
const BLOCKED: f64 = -14.0;

/// Voltages of barriers that agree to this part of the thermal voltage are settled.
const AGREE: f64 = 1e-9;

/// Chords tried for a stride, and halvings of a stride.
const CHORDS: usize = 25;
const HALVINGS: usize = 60;

/// A source on its way to a level.
#[derive(Clone, Copy, Debug)]
pub(super) struct Approach {
    from: f64,
    since: f64,
}

impl World {
    /// The longest stride from now on; infinite where nothing changes by itself.
    pub(super) fn stride(&self) -> f64 {
        let exponential = |time_s: f64, since: f64| {
            let passed = self.time - since;
            if passed >= OVER * time_s { f64::INFINITY } else { (FIRST * time_s).max(GROWTH * passed) }
        };
        let source = self
            .approach
            .map_or(f64::INFINITY, |approach| exponential(self.parts.disturbances.source_s, approach.since));
        let warming = self.parts.imperfections.heating;
        let warming = warming.map_or(f64::INFINITY, |heating| exponential(heating.time_s, self.changed));
        let light = self.parts.imperfections.light.map_or(f64::INFINITY, |light| {
            let next = [light.from_s, light.to_s].into_iter().find(|moment| *moment > self.time);
            next.map_or(f64::INFINITY, |moment| moment - self.time)
        });
        source.min(warming).min(light)
    }

    /// Notes that the source is told a new current, from what flowed before; `None` where it is off.
    pub(super) fn note_change(&mut self, from: Option<f64>) {
        self.changed = self.time;
        self.approach = None;
        if let Some(from) = from.filter(|_| self.parts.disturbances.source_s > 0.0) {
            self.approach = Some(Approach { from, since: self.time });
            self.wanted = self.source.current;
            self.source.current = from;
        }
    }

    /// Lets light fall, or not, before it is asked how long a stride may be: what is lit begins to warm.
    pub(super) fn illuminate(&mut self) {
        let Some(light) = self.parts.imperfections.light else { return };
        let lit = self.time >= light.from_s && self.time < light.to_s;
        if std::mem::replace(&mut self.position.lit, lit) != lit {
            self.changed = self.time;
            self.rearrange();
        }
    }

    /// Brings what changes by itself to a stride of some seconds from now, before it is passed.
    pub(super) fn prepare(&mut self, seconds: f64) {
        let mut changed = false;
        if let Some(Approach { from, since }) = self.approach {
            let time_s = self.parts.disturbances.source_s;
            let begin = (self.time - since) / time_s;
            if begin >= OVER {
                self.approach = None;
                self.source.current = self.wanted;
            } else {
                // The mean of exp(−t/τ) over the stride.
                let length = (seconds / time_s).max(1e-12);
                let mean = -(-begin).exp() * (-length).exp_m1() / length;
                self.source.current = self.wanted + (from - self.wanted) * mean;
            }
            changed = true;
        }
        let kelvin = self.surrounding.0.0 + self.warmth;
        if (kelvin - self.position.temperature().0).abs() > WARMER_K {
            let before = std::mem::replace(&mut self.position.temperature, kelvin.to_bits());
            // A material may have no circuit there: it stays as warm as it was.
            if self.parts.form(&self.position).is_err() {
                self.position.temperature = before;
            }
            changed = true;
        }
        if changed {
            self.rearrange();
        }
    }

    /// After a stride of some seconds: what the sample has taken up.
    pub(super) fn warm(&mut self, seconds: f64) {
        if let Some(heating) = self.parts.imperfections.heating {
            let (volts, currents) = self.in_sample();
            let power: f64 = volts.iter().zip(&currents).map(|(v, i)| v * i.0).sum();
            let end = power * heating.kelvin_per_w;
            self.warmth = end + (self.warmth - end) * (-seconds / heating.time_s).exp();
        }
    }

    /// Voltages of the sample's own contacts, and the currents into them.
    pub(super) fn in_sample(&self) -> (Vec<f64>, Vec<quadrille_quantity::Ampere>) {
        let contacts = (0..self.formed.sample.count()).map(|k| self.voltages[self.parts.inside(k)]);
        let volts: Vec<f64> = contacts.collect();
        let as_volts: Vec<Volt> = volts.iter().copied().map(Volt).collect();
        let currents = self.formed.sample.currents(&as_volts).unwrap_or_default();
        (volts, currents)
    }

    /// A stride with barriers: the line of each is a chord through its voltage before and after, found by repeated
    /// trial, so that a state at rest lies on the characteristic; the stride is shortened until no voltage changes
    /// by more than [`STEP`]. Answers how long it is. Newton's method with the chord for the slope.
    pub(super) fn follow_barriers(&mut self, seconds: f64) -> f64 {
        let before = self.barrier_volts(&self.voltages);
        let thermal = self.thermal_volts();
        let mut stride = seconds;
        for _ in 0..HALVINGS {
            let mut after = before.clone();
            for _ in 0..CHORDS {
                self.position.barriers =
                    before.iter().zip(&after).map(|(a, b)| [a.to_bits(), b.to_bits()]).collect();
                self.take_circuit();
                let response: Response = self.respond(stride);
                let next = self.barrier_volts(&response.voltages);
                let moved = |from: &[f64], to: &[f64], least: f64| {
                    let each = from.iter().zip(to).zip(&thermal);
                    let one = |((a, b), thermal): ((&f64, &f64), &f64)| {
                        ((b / thermal).max(least) - (a / thermal).max(least)).abs()
                    };
                    each.map(one).fold(0.0, f64::max)
                };
                if moved(&before, &next, BLOCKED) > STEP {
                    break;
                }
                let agrees = moved(&after, &next, f64::NEG_INFINITY) < AGREE;
                after = next;
                if agrees {
                    return stride;
                }
            }
            stride /= 2.0;
        }
        stride
    }

    fn barrier_volts(&self, voltages: &[f64]) -> Vec<f64> {
        let count = self.parts.imperfections.barriers.len();
        (0..count).map(|k| voltages[CONTACTS + k] - voltages[self.parts.inside(k)]).collect()
    }

    fn thermal_volts(&self) -> Vec<f64> {
        let kelvin: Kelvin = self.position.temperature();
        let barriers = self.parts.imperfections.barriers.iter();
        barriers.map(|barrier| barrier.as_ref().map_or(f64::INFINITY, |b| thermal_volt(b, kelvin))).collect()
    }
}
