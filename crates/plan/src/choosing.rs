//! From what a run chooses current, voltage limit, ranges, guard and buffers where a person has not pinned them, and the
//! choice itself: pure, from what a first look saw.

use crate::choose::{self, Wanted};
use crate::facts::range_for;
use crate::limits::Allowed;
use crate::steps::{step_down, step_up};
use crate::{BenchFacts, ByEvidence, Settings, Settle};
use quadrille_documents::{Recipe, Settling, Switch};
use quadrille_quantity::{Ampere, Kelvin, Ohm, Second, Volt, Watt};
use serde::Serialize;

/// Boltzmann's constant in joules per kelvin (exact, SI 2019).
const BOLTZMANN: f64 = 1.380_649e-23;

/// Smallest current of a first look, unless the ammeter's finest range is coarser.
const SMALLEST: Ampere = Ampere(1e-12);

/// The current of a look goes up by this factor.
const STEP: f64 = 10.0;

/// Averaging that a leg is expected to afford, in seconds, when a current is chosen.
const AFFORDED_S: f64 = 4.0;

/// Part of a voltage that matters: of a Hall measurement, a tenth of what a diagonal shows, a guess that is kept on the large
/// side of the current.
const HALL_PART: f64 = 0.1;

/// Room of the voltage limit over what the sample needs.
const ROOM: f64 = 2.0;

/// Part of the wanted uncertainty that meters and noise may use up.
const SHARE: f64 = 0.8;

/// How many times a crosspoint's thermoelectric voltage the offset of a reading may be: two crosspoints, and twice as much to
/// be sure.
const OFFSETS: f64 = 3.0;

/// Power-line cycles of a state from which on each reading averages over several, and how many.
const LONG_STATE: f64 = 100.0;
const LONG_PLC: f64 = 5.0;

/// A state is reversed after so many seconds: drift and 1/f noise do not average down. Most patterns of a leg.
const LONGEST_STATE_S: f64 = 20.0;
const MOST_REPEATS: f64 = 8.0;

/// How well a look must settle: it chooses ranges and currents, not results.
const LOOK: f64 = 0.03;

/// What a choice depends on.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Choosing {
    facts: BenchFacts,
    /// Current and voltage limit that a person pinned.
    current: Option<Ampere>,
    voltage_limit: Option<Volt>,
    voltage_range: Option<Volt>,
    aperture_plc: Option<f64>,
    repeats: Option<u32>,
    guard: Switch,
    buffers: Switch,
    settling: Settling,
    /// Wanted relative standard uncertainty.
    uncertainty: f64,
    /// States of the pattern of reversal.
    states: f64,
    hall: bool,
    /// Part of a voltage that its offset may be: half of what the check of reversal accepts.
    offset: f64,
    /// The lowest of what bench, sample and instruments allow.
    most_current: Ampere,
    most_voltage: Volt,
    most_power: Watt,
}

/// What a first look saw.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Seen {
    /// Largest two-terminal resistance of the current pairs.
    pub two_terminal: Ohm,
    /// Four-terminal resistance of a leg, its magnitude.
    pub four_terminal: Ohm,
    /// Temperature of the sample.
    pub temperature: Kelvin,
}

/// What was chosen from it, and why.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Chosen {
    /// What is set.
    pub settings: Settings,
    /// Relative standard uncertainty of a resistance that meters and noise allow with it.
    pub uncertainty: f64,
    /// A sentence for each choice.
    pub because: Vec<String>,
    /// Where the wanted uncertainty cannot be had: what can.
    pub short_of: Option<String>,
}

impl Choosing {
    pub(crate) fn new(facts: BenchFacts, allowed: &Allowed, recipe: &Recipe) -> Self {
        let widest = facts.voltmeter.last().map_or(f64::INFINITY, |range| range.full_scale);
        let coarsest = facts.ammeter.last().map_or(f64::INFINITY, |range| range.full_scale);
        Self {
            current: recipe.current_a.as_ref().map(|current| Ampere(current.value)),
            voltage_limit: recipe.voltage_limit_v.as_ref().map(|limit| Volt(limit.value)),
            voltage_range: recipe.voltage_range_v.as_ref().map(|range| Volt(range.value)),
            aperture_plc: recipe.aperture_plc,
            repeats: recipe.repeats,
            states: recipe.reversal.len() as f64,
            guard: recipe.guard.value,
            buffers: recipe.buffers.value,
            settling: recipe.settling.value,
            uncertainty: recipe.wanted_relative_u.as_ref().map_or(choose::USUAL_U, |u| u.value),
            hall: recipe.hall.is_some(),
            offset: recipe.acceptance.reversal / 2.0,
            most_current: allowed.current.0.min(facts.source_most).min(Ampere(coarsest)),
            most_voltage: allowed.voltage.0.min(Volt(widest)),
            most_power: allowed.power.0,
            facts,
        }
    }

    /// The currents of a first look in order, each with its voltage limit: whatever the sample is, no step can put more
    /// voltage on it or more power into it than is allowed.
    pub fn ladder(&self) -> Vec<(Ampere, Volt)> {
        if let Some(current) = self.current {
            return vec![(current, self.limit_at(current))];
        }
        let finest = self.facts.ammeter.first().map_or(0.0, |range| 10.0 * range.own_u());
        let first = step_up(SMALLEST.0.max(finest));
        let steps = std::iter::successors(Some(first), |current| Some(current * STEP));
        let below = steps.take_while(|current| *current < self.most_current.0 * (1.0 - 1e-9));
        let mut ladder: Vec<Ampere> = below.map(|current| Ampere(step_down(current))).collect();
        ladder.push(Ampere(step_down(self.most_current.0)));
        ladder.into_iter().map(|current| (current, self.limit_at(current))).collect()
    }

    /// The highest voltage limit at a current.
    fn limit_at(&self, current: Ampere) -> Volt {
        let most = self.voltage_limit.unwrap_or(self.most_voltage).min(self.most_voltage);
        most.min(Volt(self.most_power.0 / current.0))
    }

    /// What is set for a look at a current: nothing pinned is changed; guard and buffers in where there are any.
    pub fn for_a_look(&self, current: Ampere, voltage_limit: Volt) -> Settings {
        let on = |wanted: Switch, there: bool| there && wanted != Switch::Off;
        let guard = on(self.guard, self.facts.can_guard);
        let tau = choose::longest_time_constant(voltage_limit / current, self.facts.cable(guard));
        let longest = match self.settling {
            Settling::Evidence { longest_wait_s, .. } => longest_wait_s,
            Settling::Time(time) => time.max(1.0),
            Settling::TimeConstants(_) => 60.0,
        };
        let settle = Settle::Evidence(ByEvidence {
            uncertainty: LOOK,
            bias: LOOK,
            longest: Second(longest),
            strict: false,
            time_constant: tau.min(Second(longest / 5.0)),
            operate: self.facts.operate,
        });
        Settings {
            current,
            voltage_limit,
            voltage_range: self.voltage_range,
            aperture_plc: self.aperture_plc.unwrap_or(1.0),
            aperture: Second(self.aperture_plc.unwrap_or(1.0) / self.facts.mains_hz),
            repeats: 1,
            settle,
            discharge: settle.pause().min(tau * 4.0),
            residual: choose::residual(&self.facts, current),
            guard,
            buffers: on(self.buffers, self.facts.has_buffers),
        }
    }

    /// Wait at zero current before crosspoints move, behind a resistance that was seen.
    pub fn discharge(&self, resistance: Ohm, guard: bool) -> Second {
        choose::longest_time_constant(resistance, self.facts.cable(guard)) * 4.0
    }

    /// Whether a look at a current has seen enough: a larger one would not be chosen.
    pub fn suffices(&self, current: Ampere, seen: &Seen) -> bool {
        let offset = OFFSETS * self.facts.thermoelectric.0 / (current * seen.four_terminal).0;
        self.uncertainty_at(current, seen).0 <= SHARE * self.uncertainty && offset <= self.offset
    }

    /// The smallest current with which meters and noise allow the wanted uncertainty, or the one that comes nearest, and what
    /// goes with it.
    pub fn choose(&self, seen: &Seen) -> Chosen {
        let allowed = |current: Ampere| {
            current <= self.most_current && self.needed(current, seen).0 * 1.2 <= self.limit_at(current).0
        };
        let candidates: Vec<Ampere> = match self.current {
            Some(current) => vec![current],
            None => self.candidates().into_iter().filter(|&current| allowed(current)).collect(),
        };
        let best = candidates
            .iter()
            .copied()
            .min_by(|a, b| self.uncertainty_at(*a, seen).0.total_cmp(&self.uncertainty_at(*b, seen).0));
        let first = candidates.iter().copied().find(|&current| self.suffices(current, seen));
        let current = first.or(best).unwrap_or(SMALLEST);
        let (uncertainty, meters) = self.uncertainty_at(current, seen);
        let mut because = vec![self.why(current, seen, first.is_some(), uncertainty)];
        let limit = self.voltage_limit.unwrap_or_else(|| {
            let needed = step_up(self.needed(current, seen).0 * ROOM).max(0.1);
            Volt(needed).min(self.limit_at(current))
        });
        because.push(format!(
            "voltage limit {limit}: sample, relays and leads need up to {}",
            self.needed(current, seen)
        ));
        let (aperture_plc, repeats) = self.averaging(current, seen, meters, &mut because);
        let wanted = Wanted {
            current,
            voltage_limit: limit,
            voltage_range: self.voltage_range,
            aperture_plc,
            repeats,
            guard: self.guard,
            buffers: self.buffers,
            settling: self.settling,
            uncertainty: self.uncertainty,
            temperatures: Vec::new(),
        };
        let settings = choose::settings(&self.facts, &wanted, seen.two_terminal, &mut because);
        let short_of = (uncertainty > self.uncertainty).then(|| {
            let cost = self.cost(current, seen, meters);
            format!(
                "a relative uncertainty of {:.1e} cannot be had here: meters and noise allow {uncertainty:.1e} at best, \
                 at {current}; {cost}",
                self.uncertainty
            )
        });
        Chosen { settings, uncertainty, because, short_of }
    }

    /// What the source must put out: for the sample, and for relays, ammeter and leads.
    fn needed(&self, current: Ampere, seen: &Seen) -> Volt {
        current * (seen.two_terminal + self.facts.series)
    }

    /// One, two and five times powers of ten up to what is allowed.
    fn candidates(&self) -> Vec<Ampere> {
        let ladder = self.ladder();
        let first = ladder.first().map_or(SMALLEST.0, |step| step.0.0);
        let decades = std::iter::successors(Some(first), |current| Some(current * 10.0));
        let all = decades.take_while(|decade| *decade <= self.most_current.0 * (1.0 + 1e-9));
        let steps = all.flat_map(|decade| [1.0, 2.0, 5.0].map(|step| step_down(step * decade)));
        steps.map(Ampere).filter(|current| *current <= self.most_current).collect()
    }

    /// Relative standard uncertainty of a four-terminal resistance from both meters' accuracy and noise, and that of the
    /// meters alone: gains as they are; parts of range once a polarity; Johnson noise √(4kTRΔf) of what the voltmeter
    /// sees, and the meters' own, averaged as long as a leg affords.
    fn uncertainty_at(&self, current: Ampere, seen: &Seen) -> (f64, f64) {
        let volts = (current * seen.four_terminal).0;
        let (Some(v), Some(a)) =
            (range_for(&self.facts.voltmeter, 1.2 * volts), range_for(&self.facts.ammeter, current.0))
        else {
            return (f64::INFINITY, f64::INFINITY);
        };
        let matters = volts * if self.hall { HALL_PART } else { 1.0 };
        let polarity = std::f64::consts::FRAC_1_SQRT_2;
        let meters =
            [v.gain_u(), a.gain_u(), polarity * v.own_u() / matters, polarity * a.own_u() / current.0];
        let meters = meters.iter().map(|part| part * part).sum::<f64>().sqrt();
        let noise = self.noise(v.noise_per_rthz, seen) / matters * (0.5 / AFFORDED_S).sqrt();
        let noise = noise.hypot(a.noise_per_rthz / current.0 * (0.5 / AFFORDED_S).sqrt());
        (meters.hypot(noise), meters)
    }

    /// Aperture in power-line cycles and how often the pattern is taken, from the time that the noise must be averaged over.
    fn averaging(&self, current: Ampere, seen: &Seen, meters: f64, because: &mut Vec<String>) -> (f64, u32) {
        let seconds = self.needed_averaging(current, seen, meters);
        let state = seconds / self.states;
        // A cycle is enough where the whole of a state is not much more; where it is, longer ones spare questions.
        let by_noise = if state * self.facts.mains_hz > LONG_STATE { LONG_PLC } else { 1.0 };
        let aperture = self.aperture_plc.unwrap_or(by_noise);
        let by_drift = (state / LONGEST_STATE_S).ceil().clamp(1.0, MOST_REPEATS);
        let repeats = self.repeats.unwrap_or(by_drift as u32);
        because.push(format!(
            "readings over {aperture} power-line cycles, the pattern of reversal {}: noise wants about {} of averaging a \
             configuration",
            if repeats == 1 { "once".to_owned() } else { format!("{repeats} times") },
            Second(seconds),
        ));
        (aperture, repeats)
    }

    /// Seconds over which the noise of a configuration must be averaged, at most an hour.
    fn needed_averaging(&self, current: Ampere, seen: &Seen, meters: f64) -> f64 {
        let volts = (current * seen.four_terminal).0 * if self.hall { HALL_PART } else { 1.0 };
        let of_meter =
            range_for(&self.facts.voltmeter, 1.2 * volts).map_or(0.0, |range| range.noise_per_rthz);
        let left = (self.uncertainty.powi(2) - meters.powi(2)).max(0.0).sqrt();
        (0.5 * (self.noise(of_meter, seen) / volts / left.max(1e-12)).powi(2)).min(3600.0)
    }

    /// Noise of the voltage, in volts per root hertz.
    fn noise(&self, of_meter: f64, seen: &Seen) -> f64 {
        of_meter.hypot((4.0 * BOLTZMANN * seen.temperature.0 * seen.two_terminal.0).sqrt())
    }

    fn why(&self, current: Ampere, seen: &Seen, suffices: bool, uncertainty: f64) -> String {
        let seen = format!("{} four-terminal, {} between contacts", seen.four_terminal, seen.two_terminal);
        match (self.current, suffices) {
            (Some(_), _) => format!("current {current}: as pinned; it sees {seen}"),
            (None, true) => format!(
                "current {current}: the smallest with which meters and noise allow {:.1e} of {seen}",
                self.uncertainty
            ),
            (None, false) => {
                format!("current {current}: it comes nearest to what is wanted, {uncertainty:.1e} of {seen}")
            }
        }
    }

    /// What more averaging would bring.
    fn cost(&self, current: Ampere, seen: &Seen, meters: f64) -> String {
        if meters >= self.uncertainty {
            return format!("the meters' accuracy alone is {meters:.1e}, and no averaging lessens it");
        }
        let seconds = self.needed_averaging(current, seen, meters);
        format!("to average the noise down to it would take about {} a leg", Second(seconds))
    }
}
