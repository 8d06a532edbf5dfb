//! How long the Hall legs of a temperature wait and average: decided once, from the round of resistivity and a look at the
//! first diagonal, and then alike at every field. What is left of the transient is then the same at +B and −B and goes out
//! with their difference, which it would not if each leg decided anew.

use crate::evidence::How;
use crate::learned::{HallTiming, Learned};
use crate::leg::Here;
use crate::run::{Failure, Work};
use quadrille_experiment::{Configuration, Contact, Event, Polarity};
use quadrille_plan::{ByEvidence, Round};
use quadrille_quantity::{Ohm, Second};
use tokio::time::Instant;

/// Quantile of the dead time over what is believed of the transient.
const SURE: f64 = 0.95;

/// Relative change of the time constant between the fields, and jitter of the dead time over it: what does not cancel of what
/// is left. A guess, on the large side for semiconductors below a tesla.
const NOT_ALIKE: f64 = 5e-3;

/// Hall voltage over the voltage of the diagonal where nothing is known of it; a guess.
const USUAL_PART: f64 = 0.01;

/// What of a step may be left, however small the Hall voltage is.
const RESIDUAL: f64 = 1e-6;

impl Work<'_> {
    /// Dead time and window of the Hall legs at the temperature of a round.
    pub(crate) async fn hall_timing(
        &mut self,
        here: Here,
        round: &Round,
        evidence: ByEvidence,
    ) -> Result<HallTiming, Failure> {
        let known = self.learned.entry(self.sample).or_default().hall;
        if let Some((_, timing)) = known.filter(|(kelvin, _)| *kelvin == round.temperature.0) {
            return Ok(timing);
        }
        let first = self.plan.reversal.first().copied().unwrap_or(Polarity::Plus);
        let ranges = self.energise(here, first).await?;
        let look =
            self.state(here, round, evidence, Instant::now(), ranges, How::Until { audited: false }).await?;
        self.de_energise().await?;
        let (aperture, guard, states) = (
            self.settings.aperture.0,
            self.settings.guard,
            self.plan.reversal.len() as f64 * f64::from(self.settings.repeats),
        );
        let learned = self.learned.entry(self.sample).or_default();
        let (voltage, current) = (look.voltage.1, look.current.1);
        let part = hall_part(learned, here.configuration, Ohm(voltage.value / current.value));
        learned.hall_part = part.or(learned.hall_part);
        let part = learned.hall_part.unwrap_or(USUAL_PART).clamp(1e-6, 1.0);
        // What the offset leaves cancels but for that; the Hall voltage's own transient, a step of twice itself, does not.
        let allowed = (evidence.bias * part / (2.0 * NOT_ALIKE)).min(evidence.bias / 2.0).max(RESIDUAL);
        let transients = learned.transients(guard, &evidence)?;
        let dead_of = |allowed: f64| -> Result<f64, Failure> {
            let of = |knowledge: &quadrille_settling::transient::Knowledge| {
                let dead = knowledge.dead_time(SURE, allowed);
                dead.map_err(|error| Failure::Panic(format!("no dead time: {error}")))
            };
            Ok(of(&transients.voltage)?.max(of(&transients.current)?))
        };
        // The legs without a field were stopped where what was left was shown to be within what is allowed of them: a time
        // that nine in ten of them took no longer than is a better dead time than the belief's, which keeps a part for all
        // that could be. Where less is allowed, what that takes is the belief's.
        let of_resistivity = evidence.bias / 2.0;
        let stops = std::mem::take(&mut learned.stops_s);
        let stopped = nine_tenths(&stops);
        let more = if allowed < of_resistivity { dead_of(allowed)? - dead_of(of_resistivity)? } else { 0.0 };
        let dead = match stopped {
            Some(stopped) => stopped + more,
            None => dead_of(allowed)?,
        };
        let dead = dead.max(evidence.operate.0).min(evidence.longest.0);
        // Noise of one aperture, from the window that was read; four diagonals at two fields share what is wanted.
        let (from, to) = look.kept.voltage.window_s;
        let one = voltage.noise_u * ((to - from).max(aperture) / aperture).sqrt();
        let wanted = evidence.uncertainty * part * voltage.value.abs();
        let legs = 2.0 * round.legs.len() as f64 * states;
        let enough = aperture * (one / wanted.max(1e-300)).powi(2) / legs;
        let window = enough.clamp(aperture, evidence.longest.0).max(aperture);
        let timing = HallTiming { dead: Second(dead), window: Second(window) };
        learned.hall = Some((round.temperature.0, timing));
        let event = Event::HallTimed {
            dead: timing.dead,
            window: timing.window,
            because: format!(
                "Hall voltage about {:.2} % of the diagonal's; nine tenths of the states without a field had settled after {}; \
                 alike at every field",
                100.0 * part,
                Second(stopped.unwrap_or_default())
            ),
        };
        self.recorder.event(&event).await?;
        Ok(timing)
    }
}

/// The smallest that nine tenths of some values do not exceed.
fn nine_tenths(values: &[f64]) -> Option<f64> {
    let mut values = values.to_vec();
    values.sort_by(f64::total_cmp);
    let rank = (0.9 * values.len() as f64).ceil() as usize;
    values.get(rank.saturating_sub(1)).copied()
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
