//! The watches of one state: of the voltage, of the current, and of the current over the voltage. Knows no bench, no clock.
//!
//! Late in a transient voltage and current are off by nearly the same part, as the same current charges what is still charging.
//! Their ratio has then arrived long before either: where one of them has shown its end, the other's follows from it.

use crate::learned::Transients;
use quadrille_settling::transient::{Arrival, Kind, Knowledge, Noise, Unusable, Verdict, Wanted, Watch};

/// The ratio is looked at from where the voltage is this part of what it comes to: a reversal goes through zero.
const ARRIVING: f64 = 0.9;

/// How one meter's watch begins.
#[derive(Clone, Copy)]
pub(crate) struct Begin {
    pub(crate) noise: Noise,
    pub(crate) wanted: Wanted,
    /// Size of its value, by which the ratio is scaled.
    pub(crate) value: f64,
    /// Change of the current that the state begins with, by the current.
    pub(crate) step: f64,
}

/// What to do now.
pub(crate) enum Decision {
    /// Both have arrived, or will not.
    Stop(Box<(Arrival, Arrival)>),
    /// Another question before so many seconds after the change is answered in the same way.
    GoOn(f64),
}

/// How the values came about at the stop, and so how they do when the state is read on.
#[derive(Clone, Copy)]
enum By {
    Own {
        voltage: Kind,
        current: Kind,
    },
    /// The current from the voltage and the ratio.
    Voltage {
        voltage: Kind,
        ratio: Kind,
    },
    /// The voltage from the current and the ratio.
    Current {
        current: Kind,
        ratio: Kind,
    },
}

/// A watch and what it said last.
struct Asked {
    watch: Watch,
    ended: Option<Arrival>,
}

impl Asked {
    fn new(knowledge: &Knowledge, begin: &Begin) -> Result<Self, Unusable> {
        let step = begin.step * begin.value;
        Ok(Self { watch: Watch::new(knowledge, begin.noise, begin.wanted, step)?, ended: None })
    }

    /// Asks; seconds before which that is of no use, and whether it has ended just now.
    fn ask(&mut self) -> (f64, bool) {
        let due = self.watch.is_due();
        match self.watch.verdict() {
            Verdict::GoOn { until_s } => {
                self.ended = self.ended.take().filter(|_| !due);
                (until_s, false)
            }
            Verdict::Settled(arrival) | Verdict::GaveUp(arrival) => {
                let until_s = arrival.to_s;
                self.ended = Some(arrival);
                (until_s, true)
            }
        }
    }

    fn sound(&self) -> Option<&Arrival> {
        self.ended.as_ref().filter(|arrival| arrival.flagged.is_none())
    }
}

/// The three watches.
pub(crate) struct Watched {
    voltage: Asked,
    current: Asked,
    ratio: Asked,
    /// What is wanted of voltage and current.
    wanted: (Wanted, Wanted),
    /// The voltage that they were begun for.
    pub(crate) assumed: f64,
    /// Whether the current was judged by what the voltage had taught.
    informed: bool,
    by: By,
}

impl Watched {
    pub(crate) fn new(
        known: &Transients,
        voltage: &Begin,
        current: &Begin,
        assumed: f64,
    ) -> Result<Self, Unusable> {
        let (own, other) = (current.noise.white, voltage.noise.white * current.value / assumed);
        let flicker = own * own * current.noise.corner_hz + other * other * voltage.noise.corner_hz;
        let white = own.hypot(other);
        let noise = Noise { white, corner_hz: flicker / (white * white), ..current.noise };
        Ok(Self {
            voltage: Asked::new(&known.voltage, voltage)?,
            current: Asked::new(&known.current, current)?,
            ratio: Asked::new(&known.ratio, &Begin { noise, ..*current })?,
            wanted: (voltage.wanted, current.wanted),
            assumed,
            informed: false,
            by: By::Own { voltage: Kind::Mean, current: Kind::Mean },
        })
    }

    /// Takes in what both meters showed from `begun` on, in seconds after the change.
    pub(crate) fn push(&mut self, begun: f64, aperture: f64, volts: f64, amperes: f64) {
        self.voltage.watch.push(begun, aperture, volts);
        self.current.watch.push(begun, aperture, amperes);
        if volts.abs() > ARRIVING * self.assumed {
            self.ratio.watch.push(begun, aperture, amperes * self.assumed / volts);
        }
    }

    /// What to do now. The same circuit settles for both meters, and its last time constants are those of both: where the
    /// voltage has shown what they are, a noisier current need not show them again, only how much of them it has. The other
    /// way round it does not hold, for the sense leads have time constants of their own.
    pub(crate) fn decide(&mut self) -> Decision {
        let (voltage_s, fresh) = self.voltage.ask();
        let (mut current_s, _) = self.current.ask();
        let (ratio_s, _) = self.ratio.ask();
        if fresh && self.current.ended.is_none() {
            self.current.watch.inform(&self.voltage.watch.learned());
            self.informed = true;
            (current_s, _) = self.current.ask();
        }
        if let (Some(voltage), Some(current)) = (self.voltage.ended, self.current.ended) {
            self.by = By::Own { voltage: voltage.kind, current: current.kind };
            return Decision::Stop(Box::new((voltage, current)));
        }
        self.by_ratio().unwrap_or(Decision::GoOn(voltage_s.min(current_s).min(ratio_s)))
    }

    /// Where one meter and the ratio have arrived, what follows of the other, if it is as good as is wanted.
    fn by_ratio(&mut self) -> Option<Decision> {
        let ratio = *self.ratio.sound().filter(|_| !self.wanted.0.strict)?;
        if let Some(voltage) = self.voltage.sound() {
            let current = voltage.times(&ratio, self.assumed);
            if self.wanted.1.suffices(&current) {
                self.by = By::Voltage { voltage: voltage.kind, ratio: ratio.kind };
                return Some(Decision::Stop(Box::new((*voltage, current))));
            }
        }
        let current = self.current.sound()?;
        let voltage = current.over(&ratio, self.assumed);
        if !self.wanted.0.suffices(&voltage) {
            return None;
        }
        self.by = By::Current { current: current.kind, ratio: ratio.kind };
        Some(Decision::Stop(Box::new((voltage, *current))))
    }

    /// Both values as things stand.
    pub(crate) fn arrivals(&mut self) -> Option<(Arrival, Arrival)> {
        self.voltage.watch.arrival().zip(self.current.watch.arrival())
    }

    /// The values at the stop, or those of a longer watch where these are better: a state that was held is worth it.
    pub(crate) fn best(&mut self, stopped: (Arrival, Arrival)) -> (Arrival, Arrival) {
        // What comes later is not to be of one block with what has been.
        self.ratio.watch.arrival();
        let Some((voltage, current)) = self.arrivals() else { return stopped };
        let better = |now: &Arrival, then: &Arrival| {
            now.u < then.u && (now.flagged.is_none() || then.flagged.is_some())
        };
        if better(&voltage, &stopped.0) && better(&current, &stopped.1) {
            self.by = By::Own { voltage: voltage.kind, current: current.kind };
            return (voltage, current);
        }
        stopped
    }

    /// What was left of the voltage's transient, as a part of its value, at some times after the change: what is expected and
    /// one standard deviation.
    pub(crate) fn left(&mut self, seconds: &[f64], value: f64) -> Option<Vec<(f64, f64)>> {
        let left = self.voltage.watch.left(seconds)?;
        Some(left.into_iter().map(|(mean, deviation)| (mean / value, deviation / value.abs())).collect())
    }

    /// The means of the last half of a state that was held.
    pub(crate) fn held(&mut self) -> Option<(Arrival, Arrival)> {
        self.voltage.watch.held().zip(self.current.watch.held())
    }

    /// The values of a state that is read on from so many seconds after its change, made as they were at the stop.
    pub(crate) fn again(&mut self, from_s: f64) -> Option<(Arrival, Arrival)> {
        let of = |asked: &mut Asked, kind: Kind| asked.watch.again(from_s, kind == Kind::Extrapolated);
        match self.by {
            By::Own { voltage, current } => {
                of(&mut self.voltage, voltage).zip(of(&mut self.current, current))
            }
            By::Voltage { voltage, ratio } => {
                let (voltage, ratio) = (of(&mut self.voltage, voltage)?, of(&mut self.ratio, ratio)?);
                Some((voltage, voltage.times(&ratio, self.assumed)))
            }
            By::Current { current, ratio } => {
                let (current, ratio) = (of(&mut self.current, current)?, of(&mut self.ratio, ratio)?);
                Some((current.over(&ratio, self.assumed), current))
            }
        }
    }

    /// What it taught.
    pub(crate) fn learned(&self) -> Transients {
        let voltage = self.voltage.watch.learned();
        let current = if self.informed { voltage.clone() } else { self.current.watch.learned() };
        Transients { voltage, current, ratio: self.ratio.watch.learned() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use quadrille_settling::transient::Knowledge;

    const READING_S: f64 = 0.02;

    fn begin(value: f64, white: f64, corner_hz: f64) -> Begin {
        let noise = Noise { white: white * value, over_s: READING_S, corner_hz, drift_per_s: 0.0 };
        let wanted = Wanted {
            uncertainty: 5e-4 * value,
            bias: 3.3e-4 * value,
            longest_wait_s: 600.0,
            not_before_s: 0.0,
            strict: false,
            legs: 24,
        };
        Begin { noise, wanted, value, step: 2.0 }
    }

    /// One state of 7 V and 90 nA in which both settle alike late; the current has 1/f noise by its specification.
    fn state(known: &Transients, ammeter: (f64, f64)) -> (Watched, f64, (Arrival, Arrival)) {
        let (volt, ampere) = (begin(7.0, 1e-5, 0.0), begin(90e-9, ammeter.0, ammeter.1));
        let mut watched = Watched::new(known, &volt, &ampere, 7.0).unwrap();
        for k in 0..30_000 {
            let from = f64::from(k) * READING_S;
            let left = |fast: f64| 1.994 * (-from / fast).exp() + 6e-3 * (-from / 1.7).exp();
            watched.push(from, READING_S, -7.0 * (1.0 - left(0.21)), -90e-9 * (1.0 - left(0.17)));
            if let Decision::Stop(ended) = watched.decide() {
                return (watched, from + READING_S, *ended);
            }
        }
        panic!("no stop");
    }

    #[test]
    fn a_current_that_cannot_show_its_own_end_has_it_from_the_voltage_and_their_ratio() {
        let knowledge = Knowledge::from_estimate(0.3, 3.0, 1e-3).unwrap();
        let mut known =
            Transients { voltage: knowledge.clone(), current: knowledge.clone(), ratio: knowledge };
        for _ in 0..3 {
            known = state(&known, (1e-4, 5.0)).0.learned();
        }
        let (watched, stopped_s, (voltage, current)) = state(&known, (1e-4, 5.0));
        assert!(matches!(watched.by, By::Voltage { .. }), "stopped after {stopped_s} s");
        for (arrival, end) in [(voltage, -7.0), (current, -90e-9)] {
            let settling = arrival.bias.hypot(arrival.bias_u);
            assert!((arrival.value - end).abs() <= 2.0 * settling, "{arrival:?}");
            assert!((arrival.value / end - 1.0).abs() < 3.3e-4, "{arrival:?}");
        }
    }

    #[test]
    fn a_state_that_is_read_on_has_its_second_values_made_as_its_first() {
        let knowledge = Knowledge::from_estimate(0.3, 3.0, 1e-3).unwrap();
        let known = Transients { voltage: knowledge.clone(), current: knowledge.clone(), ratio: knowledge };
        let (mut watched, stopped_s, _) = state(&known, (1e-5, 0.0));
        let left = 6e-3 * (-stopped_s / 1.7f64).exp();
        watched.push(stopped_s, READING_S, -7.0 * (1.0 - left), -90e-9 * (1.0 - left));
        let (voltage, current) = watched.again(stopped_s).unwrap();
        assert!((voltage.value / -7.0 - 1.0).abs() < 3.3e-4, "{voltage:?}");
        assert!((current.value / -90e-9 - 1.0).abs() < 3.3e-4, "{current:?}");
        assert!(watched.again(stopped_s + 1.0).is_none());
    }
}
