//! Contacts with barriers in time. Each is replaced by the chord of its characteristic through its voltages at the
//! beginning and at the end of a stride, found by trial, so that the circuit stays linear and is propagated exactly; a
//! stride is as long as the difference from its two halves allows.

use super::{Mode, World};
use crate::elements::{limited, thermal_volt};
use crate::parts::Junction;
use quadrille_network::Response;

/// Largest error of a stride, in thermal voltages n k T / e: of every node at its end, and where a meter averages, of
/// the mean over it. Chords are right to the second order, so that a stride differs from its halves by three quarters
/// of its error.
const ERROR: f64 = 1e-5;

/// The same as a part of the largest change of a voltage in the stride, whichever is more.
const ERROR_OF_CHANGE: f64 = 1e-6;

/// Voltages that differ by less are one: this part of the thermal voltage, and of the largest voltage about.
const SAME: f64 = 1e-8;
const SAME_OF_LARGEST: f64 = 1e-10;

/// Tangents are tried until they move by less, in thermal voltages: the next is then right to half its square.
const TANGENT: f64 = 1e-5;

/// A stride that moves no barrier by more, in thermal voltages, is right: the mean current of a chord over x is wrong by
/// x²/12 of itself, which is 2e-8, for an exponential.
const LITTLE: f64 = 5e-4;

/// A stride that moves one by more is not held against its halves: two chords may agree and both be steeper than the
/// end of a discharge. It is right where all is over at its end, by chord and by tangent.
const MUCH: f64 = 1.0;

/// Tangents and chords tried for a stride, and how often it is shortened. Ours.
const TANGENTS: usize = 100;
const CHORDS: usize = 25;
const SHORTENINGS: usize = 80;

impl World {
    /// The longest stride of at most so many seconds that barriers allow, with their lines as they are to be in it.
    pub(super) fn follow_barriers(&mut self, longest: f64) -> f64 {
        if self.lines.is_empty() || self.rests(longest) {
            return longest;
        }
        let watched = self.is_watched();
        let mut stride = longest;
        for shortening in 0..SHORTENINGS {
            if self.holds(stride, watched) {
                let whole = self.respond(stride);
                match self.crossing(stride, &whole) {
                    Some(crossing) if crossing.1 < stride * (1.0 - 1e-6) => {
                        if !watched && self.ends_in_another_mode(stride, &crossing) {
                            return stride;
                        }
                        stride = crossing.1;
                        continue;
                    }
                    _ => {
                        self.barrier_stride = stride;
                        return stride;
                    }
                }
            }
            let hint = 2.0 * self.barrier_stride;
            stride = if shortening == 0 && hint < stride { hint } else { stride / 4.0 };
        }
        stride
    }

    /// Whether nothing moves for so many seconds; the lines are tangents then.
    fn rests(&mut self, seconds: f64) -> bool {
        let now = self.barrier_volts(&self.voltages);
        let as_drawn =
            self.lines.iter().zip(&now).all(|([from, to], v)| from == to && (v - to).abs() < 1e-12);
        if !as_drawn {
            self.draw(&now, &now);
        }
        let then = self.respond(seconds);
        self.are_same(&now, &self.barrier_volts(&then.voltages))
    }

    /// Whether a stride is right with chords; if so, they are drawn.
    fn holds(&mut self, stride: f64, watched: bool) -> bool {
        let before = self.barrier_volts(&self.voltages);
        // Where little moves, the tangent of now is near enough to begin with.
        self.draw(&before, &before);
        let near = self.barrier_volts(&self.respond(stride).voltages);
        let is_little = self.most_thermal(&before, &near) <= MUCH;
        let by_chords = is_little.then(|| self.end_by_chords(&before, near, stride)).flatten();
        let by_chords = by_chords.filter(|(after, _)| self.most_thermal(&before, after) <= MUCH);
        let (after, whole) = match by_chords {
            Some(found) => found,
            None => {
                let Some((tangent, by_tangents)) = self.end_by_tangents(&before, stride) else {
                    return false;
                };
                let Some((after, whole)) = self.end_by_chords(&before, tangent, stride) else { return false };
                if self.most_thermal(&before, &after) > MUCH {
                    let allowed = self.allowed(&whole.voltages);
                    return !watched && most(&whole.voltages, &by_tangents.voltages) <= allowed;
                }
                (after, whole)
            }
        };
        if self.most_thermal(&before, &after) <= LITTLE {
            return true;
        }
        let allowed = self.allowed(&whole.voltages);
        let agrees = self.halves(&before, &after, stride).is_some_and(|halves| {
            most(&whole.voltages, &halves.voltages) <= allowed
                && (!watched || most(&whole.integrals, &halves.integrals) <= allowed * stride)
        });
        self.draw(&before, &after);
        agrees
    }

    /// Whether a stride in which the source comes to its limit, or leaves it, may be passed in the mode that it ends in:
    /// where its end is the same from now as from when the mode changes, no node remembers the way. The world is in that
    /// mode then.
    fn ends_in_another_mode(&mut self, stride: f64, (at, took, mode): &(Response, f64, Mode)) -> bool {
        let (time, before, lines) = (self.time, self.mode, self.lines.clone());
        let reached = self.limit_reached;
        self.mode = *mode;
        self.take_circuit();
        let from_now = self.holds(stride, false).then(|| self.respond(stride));
        let right = from_now.filter(|end| !self.is_beyond(end, stride)).is_some_and(|end| {
            let allowed = self.allowed(&end.voltages);
            let drawn = self.lines.clone();
            let voltages = std::mem::replace(&mut self.voltages, at.voltages.clone());
            self.time += took;
            let left = stride - took;
            let late = self.holds(left, false).then(|| self.respond(left));
            (self.time, self.voltages, self.lines) = (time, voltages, drawn);
            late.is_some_and(|late| most(&end.voltages, &late.voltages) <= allowed)
        });
        if !right {
            (self.mode, self.lines, self.limit_reached) = (before, lines, reached);
        }
        self.take_circuit();
        right
    }

    /// Most that the voltages at the end of a stride may be away from those of another way of passing it.
    fn allowed(&self, end: &[f64]) -> f64 {
        let least = self.thermal_volts().into_iter().fold(f64::INFINITY, f64::min);
        0.75 * (ERROR * least).max(ERROR_OF_CHANGE * most(end, &self.voltages))
    }

    /// A stride in two halves, from where the world is; it stays there.
    fn halves(&mut self, before: &[f64], after: &[f64], stride: f64) -> Option<Response> {
        let (time, voltages) = (self.time, self.voltages.clone());
        let half = stride / 2.0;
        let guess: Vec<f64> = before.iter().zip(after).map(|(a, b)| (a + b) / 2.0).collect();
        let first = self.end_by_chords(before, guess, half);
        let both = first.and_then(|(middle, first)| {
            self.voltages.clone_from(&first.voltages);
            self.time += half;
            let (_, mut second) = self.end_by_chords(&middle, after.to_vec(), half)?;
            second.integrals.iter_mut().zip(&first.integrals).for_each(|(sum, one)| *sum += one);
            Some(second)
        });
        (self.time, self.voltages) = (time, voltages);
        both
    }

    /// Voltages of the barriers at the end of a stride in which their lines are tangents at those voltages: Newton's
    /// method.
    fn end_by_tangents(&mut self, before: &[f64], stride: f64) -> Option<(Vec<f64>, Response)> {
        let mut at = before.to_vec();
        for _ in 0..TANGENTS {
            self.draw(&at, &at);
            let response = self.respond(stride);
            let next = self.barrier_volts(&response.voltages);
            let trial = |(junction, (at, next)): (&Junction, (&f64, &f64))| {
                let kelvin = self.position.conditions[junction.sample].temperature();
                limited(junction.barrier.as_ref(), kelvin, [*at, *next])
            };
            let trial: Vec<f64> = self.parts.junctions.iter().zip(at.iter().zip(&next)).map(trial).collect();
            if trial == next && self.most_thermal(&at, &next) <= TANGENT {
                return Some((next, response));
            }
            at = trial;
        }
        None
    }

    /// The same with chords from the voltages at the beginning, and how the circuit gets there.
    fn end_by_chords(
        &mut self,
        before: &[f64],
        guess: Vec<f64>,
        stride: f64,
    ) -> Option<(Vec<f64>, Response)> {
        let mut after = guess;
        let mut last = f64::INFINITY;
        for _ in 0..CHORDS {
            self.draw(before, &after);
            let response = self.respond(stride);
            let next = self.barrier_volts(&response.voltages);
            if self.are_same(&after, &next) {
                return Some((after, response));
            }
            let moved = self.most_thermal(&after, &next);
            if moved > last {
                return None;
            }
            last = moved;
            after = next;
        }
        None
    }

    fn draw(&mut self, from: &[f64], to: &[f64]) {
        self.lines = from.iter().zip(to).map(|(from, to)| [*from, *to]).collect();
        self.take_circuit();
    }

    /// Voltage of each contact's metal against the sample beneath it.
    fn barrier_volts(&self, voltages: &[f64]) -> Vec<f64> {
        let volt = |junction| {
            let [outside, inside] = self.parts.sides(junction);
            voltages[outside] - voltages[inside]
        };
        self.parts.junctions.iter().map(volt).collect()
    }

    fn are_same(&self, a: &[f64], b: &[f64]) -> bool {
        let largest = self.voltages.iter().fold(0.0_f64, |most, v| most.max(v.abs()));
        let thermal = self.thermal_volts();
        let mut each = a.iter().zip(b).zip(&thermal);
        each.all(|((a, b), thermal)| {
            !thermal.is_finite() || (a - b).abs() <= SAME * thermal + SAME_OF_LARGEST * largest
        })
    }

    /// Largest difference, in thermal voltages.
    fn most_thermal(&self, a: &[f64], b: &[f64]) -> f64 {
        let each = a.iter().zip(b).zip(self.thermal_volts());
        each.map(|((a, b), thermal)| (a - b).abs() / thermal).fold(0.0, f64::max)
    }

    /// n k T / e of each contact; infinite where it is ohmic.
    fn thermal_volts(&self) -> Vec<f64> {
        let of = |junction: &Junction| {
            let kelvin = self.position.conditions[junction.sample].temperature();
            junction.barrier.as_ref().map_or(f64::INFINITY, |barrier| thermal_volt(barrier, kelvin))
        };
        self.parts.junctions.iter().map(of).collect()
    }
}

/// Largest difference.
fn most(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
}
