//! How long the Hall legs of a temperature wait and average: decided once, from the round of resistivity and the first state
//! in a field, and then alike at every field. What is left of the transient is then the same at +B and −B and goes out
//! with their difference, which it would not if each leg decided anew.

use crate::evidence::Settled;
use crate::learned::{HallTiming, Learned};
use crate::leg::Here;
use crate::run::{Failure, Work};
use quadrille_experiment::{Configuration, Contact, Event};
use quadrille_plan::{ByEvidence, Round};
use quadrille_quantity::{Ohm, Second};

/// Quantile of the dead time over what is believed of the transient.
const SURE: f64 = 0.95;

/// Relative change of the time constant between the fields, and jitter of the dead time over it: what does not cancel of what
/// is left. A guess, on the large side for semiconductors below a tesla.
const NOT_ALIKE: f64 = 5e-3;

/// How much of the standard deviation of what one state has left is that of the mean over all of them: what they teach of the
/// shape they have in common, the noise they have not. Chosen by simulation.
const ALIKE: f64 = 0.5;

/// How much of what is allowed may be left by what the states without a field have shown. A tail is slow: 20 % less of it is
/// 40 % more of the time, and as much too little where it is a little larger than was shown. Chosen by simulation.
const SHARE: f64 = 0.7;

/// Hall voltage over the voltage of the diagonal where nothing is known of it; a guess.
const USUAL_PART: f64 = 0.01;

/// A Hall voltage is not waited for as if it were a smaller part than this.
const LEAST_PART: f64 = 1e-6;

/// What of a step may be left, however small the Hall voltage is.
const RESIDUAL: f64 = 1e-6;

/// A window that would be longer than an aperture by less than this is none.
const ROUGHLY: f64 = 1.2;

/// Where the timing of Hall legs comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Timed {
    /// It was fixed by an earlier leg.
    Fixed,
    /// From the legs without a field alone.
    Guessed,
}

impl Work<'_> {
    /// Dead time and window of the Hall legs at the temperature of a round: as they were fixed, or, before the first of them,
    /// for a Hall voltage that is guessed.
    pub(crate) fn hall_timing(
        &mut self,
        round: &Round,
        evidence: &ByEvidence,
    ) -> Result<(HallTiming, Timed), Failure> {
        let learned = self.learned.entry(self.sample).or_default();
        if let Some((_, timing)) = learned.hall.filter(|(kelvin, _)| *kelvin == round.temperature.0) {
            return Ok((timing, Timed::Fixed));
        }
        let part = learned.hall_part.unwrap_or(USUAL_PART);
        let dead = self.hall_dead(evidence, part)?;
        Ok((HallTiming { dead, window: self.settings.aperture }, Timed::Guessed))
    }

    /// Fixes the timing after the first state of the first Hall leg, which was read after a guessed time. Whether that state
    /// was read as all others will be; otherwise its leg begins again.
    pub(crate) async fn fix_hall_timing(
        &mut self,
        here: Here,
        round: &Round,
        evidence: &ByEvidence,
        (guessed, look): (HallTiming, &Settled),
    ) -> Result<bool, Failure> {
        let aperture = self.settings.aperture.0;
        let readings = self.plan.reversal.len() as f64 * f64::from(self.settings.repeats);
        let learned = self.learned.entry(self.sample).or_default();
        let (voltage, current) = (look.voltage.1, look.current.1);
        let part = hall_part(learned, here.configuration, Ohm(voltage.value / current.value));
        learned.hall_part = part.or(learned.hall_part);
        let part = learned.hall_part.unwrap_or(USUAL_PART).clamp(LEAST_PART, 1.0);
        let dead = self.hall_dead(evidence, part)?.max(guessed.dead);
        // Noise of one aperture, from the window that was read; four diagonals at two fields share what is wanted.
        let (from, to) = look.kept.voltage.window_s;
        let one = voltage.noise_u * ((to - from).max(aperture) / aperture).sqrt();
        let wanted = evidence.uncertainty * part * voltage.value.abs();
        let legs = 2.0 * round.legs.len() as f64 * readings;
        let enough = aperture * (one / wanted.max(1e-300)).powi(2) / legs;
        // The noise itself is known no better than so.
        let enough = if enough < ROUGHLY * aperture { aperture } else { enough };
        let window = Second(enough.clamp(aperture, evidence.longest.0.max(aperture)));
        let timing = HallTiming { dead, window };
        let learned = self.learned.entry(self.sample).or_default();
        learned.hall = Some((round.temperature.0, timing));
        let states = std::mem::take(&mut learned.left).len();
        let because = format!(
            "Hall voltage about {:.2} % of the diagonal's; after that time as little is left as is allowed of it, as {states} \
             states without a field have shown; alike at every field",
            100.0 * part,
        );
        self.recorder.event(&Event::HallTimed { dead, window, because }).await?;
        Ok(timing == guessed)
    }

    /// Dead time for a Hall voltage that is some part of its diagonal's.
    fn hall_dead(&mut self, evidence: &ByEvidence, part: f64) -> Result<Second, Failure> {
        let guard = self.settings.guard;
        let learned = self.learned.entry(self.sample).or_default();
        let part = part.clamp(LEAST_PART, 1.0);
        // What the offset leaves cancels but for that; the Hall voltage's own transient, a step of twice itself, does not.
        let allowed = (evidence.bias * part / (2.0 * NOT_ALIKE)).min(evidence.bias).max(RESIDUAL);
        let transients = learned.transients(guard, evidence)?;
        let believed = transients.voltage.dead_time(SURE, allowed / 2.0);
        let of_belief = believed.map_err(|error| Failure::Panic(format!("no dead time: {error}")))?;
        // What the legs without a field had left is mostly a better dead time than the belief's, which keeps a part for all that
        // could be. It is what is expected of all of them together, as it will be in the mean of the Hall legs.
        let dead = cleared(&learned.left, allowed).unwrap_or(of_belief);
        Ok(Second(dead.min(of_belief).max(evidence.operate.0).min(evidence.longest.0)))
    }
}

/// Times that Hall legs may wait, in seconds: a factor apart, from less than the shortest reading to more than a night.
pub(crate) fn times_s() -> Vec<f64> {
    const FIRST_S: f64 = 1e-3;
    const APART: f64 = 1.04;
    (0..450).map(|k| FIRST_S * APART.powi(k)).collect()
}

/// The shortest time from which on no more than `allowed` is left in the mean over some states; none without states or time.
fn cleared(left: &[Vec<(f64, f64)>], allowed: f64) -> Option<f64> {
    let count = left.len() as f64;
    let is_clear = |k: usize| {
        let mean = left.iter().map(|state| state[k].0).sum::<f64>() / count;
        let deviation = (left.iter().map(|state| state[k].1.powi(2)).sum::<f64>() / count).sqrt();
        mean.abs() + ALIKE * deviation <= SHARE * allowed
    };
    let times = times_s();
    let first = (0..times.len()).rev().take_while(|k| count > 0.0 && is_clear(*k)).last()?;
    times.get(first).copied()
}

/// Hall voltage over the diagonal's voltage, from a diagonal in a field and the resistances at zero field: for points
/// i, j, k and l, R_ij,kl + R_jk,il + R_ki,jl = 0 at zero field (four-terminal resistances are differences of one potential
/// each; van der Pauw 1958, equation for the transfer resistances, from memory).
fn hall_part(learned: &Learned, diagonal: Configuration, in_field: Ohm) -> Option<f64> {
    let Configuration { source_in: a, source_out: c, sense_high: b, sense_low: d } = diagonal;
    let at_zero = Ohm(0.0) - known(learned, c, b, a, d)? - known(learned, b, a, c, d)?;
    let largest = in_field.0.abs().max(at_zero.0.abs());
    (largest > 0.0).then(|| (in_field - at_zero).0.abs() / largest)
}

/// A resistance at zero field from any configuration that has the same by exchange of leads or of pairs.
fn known(learned: &Learned, i: Contact, j: Contact, k: Contact, l: Contact) -> Option<Ohm> {
    let forms = [(i, j, k, l, 1.0), (j, i, k, l, -1.0), (i, j, l, k, -1.0), (j, i, l, k, 1.0)];
    forms.into_iter().find_map(|(source_in, source_out, sense_high, sense_low, sign)| {
        let direct = Configuration { source_in, source_out, sense_high, sense_low };
        let exchanged = Configuration {
            source_in: sense_high,
            source_out: sense_low,
            sense_high: source_in,
            sense_low: source_out,
        };
        let found = learned.resistances.get(&direct).or_else(|| learned.resistances.get(&exchanged))?;
        Some(*found * sign)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// States of which some size is left that falls with 2 s, known to some part of it.
    fn states(sizes: &[f64], known_to: f64) -> Vec<Vec<(f64, f64)>> {
        let left = |size: f64| move |at: f64| size * (-at / 2.0).exp();
        let of_one = |size: &f64| -> Vec<(f64, f64)> {
            let left = left(*size);
            times_s().into_iter().map(|at| (left(at), known_to * left(at).abs())).collect()
        };
        sizes.iter().map(of_one).collect()
    }

    #[test]
    fn hall_legs_wait_until_what_the_states_have_left_on_average_is_a_share_of_what_is_allowed() {
        // 2e-3 and 6e-3 are 4e-3 on average: ln(4e-3 / (0.7 × 1e-4)) = 4.046 time constants.
        let waits = cleared(&states(&[-2e-3, -6e-3], 0.0), 1e-4).unwrap();
        assert!((8.0..8.5).contains(&waits), "{waits}");
        let less_sure = cleared(&states(&[-2e-3, -6e-3], 2.0), 1e-4).unwrap();
        assert!(less_sure > waits + 1.0, "{less_sure}");
        assert_eq!(cleared(&[], 1e-4), None);
    }

    #[test]
    fn what_changes_sign_on_the_way_is_waited_for_until_it_stays_small() {
        let crossing = |at: f64| -1e-2 * (-at).exp() + 2e-3 * (-at / 8.0).exp();
        let state = times_s().into_iter().map(|at| (crossing(at), 0.0)).collect();
        let waits = cleared(&[state], 1e-4).unwrap();
        let there = crossing(waits) / 0.7e-4;
        assert!((0.9..=1.0).contains(&there), "{there}");
    }
}
