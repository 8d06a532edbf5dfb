//! Faults drawn from a seed: which, when, for how long. Knows no bench but its instruments and crosspoints, and does not wait.

use crate::draw::Purpose;
use crate::fault::{Fault, FaultKind, InstrumentFault, Scope};
use crate::plant::{CryostatFault, MagnetFault};
use quadrille_documents::{Crosspoint, Role};
use quadrille_quantity::Second;

/// Longest that a drawn fault is in force, in seconds. Ours: some timeouts of three seconds, so that a run meets it
/// more than once, and short enough that a night has both faults and rest.
const LONGEST_S: f64 = 20.0;

/// Part of the drawn faults that strike once where they can. Ours.
const ONCE: f64 = 0.6;

/// Endless faults in the order of their times, each a function of the seed, its number, and the bench's instruments and crosspoints.
/// None of them is in force for ever: each strikes once, or lasts for some seconds.
#[derive(Clone, Debug)]
pub struct Schedule {
    seed: u64,
    per_minute: f64,
    roles: Vec<Role>,
    crosspoints: Vec<Crosspoint>,
    drawn: u64,
    time_s: f64,
}

impl Schedule {
    /// Faults of a seed, so many a minute on average.
    pub fn new(seed: u64, per_minute: f64, roles: Vec<Role>, crosspoints: Vec<Crosspoint>) -> Self {
        Self { seed, per_minute, roles, crosspoints, drawn: 0, time_s: 0.0 }
    }

    /// Uniform between 0 and 1, of the fault that is being drawn.
    fn draw(&self, what: &str) -> f64 {
        let drawn = Purpose::new(self.seed, "fault").whole(self.drawn).word(what).uniform();
        ((drawn + 1.0) / 2.0).clamp(0.0, 1.0)
    }

    fn choose<T: Copy>(&self, what: &str, among: &[T]) -> Option<T> {
        let place = (self.draw(what) * among.len() as f64) as usize;
        among.get(place.min(among.len().saturating_sub(1))).copied()
    }

    fn kind(&self) -> Option<FaultKind> {
        let crosspoint = || self.choose("crosspoint", &self.crosspoints);
        let of_instrument = |fault| Some(FaultKind::Instrument(self.choose("role", &self.roles)?, fault));
        let seconds = Second((self.draw("seconds") * 100.0).ceil() / 20.0);
        // Places 0 to 16 are instruments' faults, those to 21 the bench's, the others cryostat's and magnet's.
        let more = self.of_surroundings();
        match (self.draw("kind") * (22 + more.len()) as f64) as usize {
            0 => of_instrument(InstrumentFault::Silent),
            1 => of_instrument(InstrumentFault::Late(seconds)),
            2 => of_instrument(InstrumentFault::Cut((self.draw("bytes") * 12.0) as u16)),
            3 => of_instrument(InstrumentFault::Garbled),
            4 => of_instrument(InstrumentFault::WrongType),
            5 => of_instrument(InstrumentFault::Twice(Second(seconds.0 / 50.0))),
            6 => of_instrument(InstrumentFault::Echo),
            7 => of_instrument(InstrumentFault::Reset),
            8 => of_instrument(InstrumentFault::Closed),
            9 => of_instrument(InstrumentFault::BlackHole),
            10 => of_instrument(InstrumentFault::Held),
            11 => of_instrument(InstrumentFault::Refused),
            12 => of_instrument(InstrumentFault::Reboot(seconds)),
            13 => of_instrument(InstrumentFault::Stranger),
            14 => of_instrument(InstrumentFault::Ignored),
            15 => of_instrument(InstrumentFault::Overflow),
            16 => of_instrument(InstrumentFault::Hang),
            17 => Some(FaultKind::StuckOpen(crosspoint()?)),
            18 => Some(FaultKind::StuckClosed(crosspoint()?)),
            19 => {
                let told = crosspoint()?;
                let others: Vec<Crosspoint> =
                    self.crosspoints.iter().copied().filter(|&other| other != told).collect();
                Some(FaultKind::WrongRelay { told, moves: self.choose("other", &others)? })
            }
            20 => Some(FaultKind::StaysOn),
            21 => Some(FaultKind::Compliance),
            place => more.get(place - 22).or(more.last()).copied(),
        }
    }

    /// What may go wrong with the cryostat and the magnet that the bench has.
    fn of_surroundings(&self) -> Vec<FaultKind> {
        let signed = 2.0 * self.draw("size") - 1.0;
        let rounded = |size: f64| (size * 1000.0).round() / 1000.0;
        let detuned = |gain, integral, lag_s| CryostatFault::Detuned { gain, integral, lag_s };
        let of_cryostat = [
            CryostatFault::HeaterBroken,
            CryostatFault::BathAt(rounded(150.0 + 150.0 * self.draw("size"))),
            detuned(0.1, 0.1, 0.0),
            detuned(1.0, 1.0, 60.0),
            CryostatFault::SensorJumps(rounded(20.0 * signed)),
            CryostatFault::SensorSticks,
            CryostatFault::SensorBroken,
            CryostatFault::Trips,
        ];
        let of_magnet = [
            MagnetFault::RampStalls,
            MagnetFault::ProbeJumps(rounded(0.2 * signed)),
            MagnetFault::ProbeSticks,
            MagnetFault::Trips,
        ];
        let kinds = of_cryostat.map(FaultKind::Cryostat).into_iter().chain(of_magnet.map(FaultKind::Magnet));
        kinds.filter(|kind| self.roles.contains(&kind.role())).collect()
    }
}

impl Iterator for Schedule {
    /// Seconds since the bench began, and the fault.
    type Item = (f64, Fault);

    fn next(&mut self) -> Option<Self::Item> {
        if self.per_minute <= 0.0 || !self.per_minute.is_finite() {
            return None;
        }
        self.drawn += 1;
        // Times between faults of a constant rate are exponential.
        self.time_s += -self.draw("time").max(f64::MIN_POSITIVE).ln() * 60.0 / self.per_minute;
        let kind = self.kind()?;
        let is_once = self.draw("scope") < ONCE && matches!(kind.usual_scope(), Scope::Once { .. });
        let lasts = Second((self.draw("lasts") * LONGEST_S * 10.0).ceil() / 10.0);
        let scope = if is_once { Scope::Once { after: 0 } } else { Scope::For(lasts) };
        Some((self.time_s, Fault { kind, scope }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    fn schedule(seed: u64) -> Schedule {
        let crosspoints = (1..=3).map(|column| Crosspoint { row: 2, column }).collect();
        Schedule::new(seed, 6.0, Role::ALL.to_vec(), crosspoints)
    }

    fn texts(seed: u64) -> Vec<String> {
        schedule(seed).take(50).map(|(time, fault)| format!("{time} {fault}")).collect()
    }

    #[test]
    fn a_seed_gives_one_sequence_and_another_seed_another() {
        assert_eq!(texts(7), texts(7));
        assert_ne!(texts(7), texts(8));
    }

    #[test]
    fn faults_come_at_their_rate_in_the_order_of_time() {
        let times: Vec<f64> = schedule(3).take(2000).map(|(time, _)| time).collect();
        assert!(times.is_sorted());
        // The mean of 2000 exponential times of 10 s has a standard deviation of 10 s / sqrt(2000); five of them.
        let mean = times.last().unwrap() / 2000.0;
        assert!((mean - 10.0).abs() < 5.0 * 10.0 / 2000f64.sqrt(), "{mean}");
    }

    #[test]
    fn every_kind_of_fault_is_drawn_and_none_lasts_for_ever() {
        let drawn: Vec<Fault> = schedule(5).take(2000).map(|(_, fault)| fault).collect();
        assert!(drawn.iter().all(|fault| fault.scope != Scope::UntilCleared));
        let words = drawn.iter().map(|fault| fault.kind.to_string());
        let kinds: BTreeSet<String> = words.filter_map(|w| Some(w.split(' ').nth(1)?.to_owned())).collect();
        let listed = crate::fault::FORMS.iter().filter_map(|(form, _)| form.split(' ').nth(1));
        assert_eq!(kinds, listed.map(str::to_owned).collect());
        let roles: BTreeSet<Role> = drawn.iter().map(|fault| fault.kind.role()).collect();
        assert_eq!(roles.len(), Role::ALL.len());
    }
}
