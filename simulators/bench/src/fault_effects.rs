//! What faults make of a bench's relays, source, cryostat and magnet, and how a person, or a seed, brings faults about.

use crate::bench::SimulatedBench;
use crate::fault::{FORMS, Fault, FaultError, FaultKind, Scope, word};
use crate::fault_board::{ArmedFault, Board, FaultEvent};
use crate::fault_schedule::Schedule;
use crate::plant::{CryostatFault, MagnetFault};
use crate::wiring;
use quadrille_documents::Crosspoint;
use quadrille_quantity::Second;
use std::collections::BTreeSet;
use std::time::Duration;
use tokio::sync::mpsc::UnboundedReceiver;
use tokio::time::{Instant, sleep_until};

impl SimulatedBench {
    /// Puts a fault in force. Refused where it names an instrument or a crosspoint that the bench does not have. To be
    /// called on the runtime that the bench lives on.
    pub fn inject(&self, fault: Fault) -> Result<(), FaultError> {
        if !self.roles().contains(&fault.kind.role()) {
            return Err(FaultError(format!("this bench has no {}", fault.kind.role())));
        }
        if let Some(missing) = fault.kind.crosspoints().find(|&crosspoint| !self.has(crosspoint)) {
            return Err(FaultError(format!("the matrix of this bench has no crosspoint {missing}")));
        }
        if let Err(why) = self.can_show(&fault.kind) {
            return Err(FaultError(format!("this bench cannot show \"{}\": {why}", fault.kind)));
        }
        self.faults.inject(fault)?;
        self.show(fault.kind);
        if let (true, Scope::For(Second(seconds))) = (fault.kind.acts_at_once(), fault.scope) {
            let bench = self.clone();
            let end = Instant::now() + Duration::from_secs_f64(seconds);
            tokio::spawn(async move {
                sleep_until(end).await;
                bench.mend();
            });
        }
        Ok(())
    }

    /// Lets cryostat, magnet, wiring, meters and source show a fault of theirs.
    fn show(&self, kind: FaultKind) {
        match kind {
            FaultKind::Cryostat(fault) => self.fail_cryostat(fault),
            FaultKind::Magnet(fault) => self.fail_magnet(fault),
            FaultKind::Wiring(_) | FaultKind::Meter(..) | FaultKind::Source(_) | FaultKind::Welded(_) => {
                self.take_wiring();
                true
            }
            _ => false,
        };
    }

    /// What shows a fault at once shows none but those that are still in force. What tripped does not trip again.
    fn mend(&self) {
        self.take_wiring();
        self.mend_cryostat();
        self.mend_magnet();
        for armed in self.faults.armed() {
            let kind = armed.fault.kind;
            let is_trip = matches!(
                kind,
                FaultKind::Cryostat(CryostatFault::Trips) | FaultKind::Magnet(MagnetFault::Trips)
            );
            if matches!(kind, FaultKind::Cryostat(_) | FaultKind::Magnet(_)) && !is_trip {
                self.show(kind);
            }
        }
    }

    /// Every form of a fault of this bench with what it does, for a person.
    pub fn fault_forms(&self) -> Vec<(&'static str, &'static str)> {
        let always = ["INSTRUMENT", "wiring", "standard"];
        let words: Vec<&str> = self.roles().into_iter().map(word).chain(always).collect();
        let is_here = |form: &str| form.split(' ').next().is_some_and(|first| words.contains(&first));
        FORMS.iter().chain(wiring::FORMS).copied().filter(|(form, _)| is_here(form)).collect()
    }

    /// Ends every fault; answers how many there were. What is broken follows its instrument's next command.
    pub fn clear_faults(&self) -> usize {
        let ended = self.faults.clear();
        self.mend();
        ended
    }

    /// The faults in force, in the order in which they were injected.
    pub fn faults(&self) -> Vec<ArmedFault> {
        self.faults.armed()
    }

    /// What becomes of faults from now on.
    pub fn watch_faults(&self) -> UnboundedReceiver<FaultEvent> {
        self.faults.watch()
    }

    /// Lets faults be drawn from a seed for as long as it is polled; `per_minute` of them on average. The same seed
    /// gives the same faults at the same times of the bench.
    pub async fn strike_at_random(&self, seed: u64, per_minute: f64) {
        let epoch = self.faults.epoch();
        for (time_s, fault) in Schedule::new(seed, per_minute, self.roles(), self.crosspoints()) {
            sleep_until(epoch + Duration::from_secs_f64(time_s)).await;
            if let Err(error) = self.inject(fault) {
                tracing::debug!(%fault, %error, "a fault that was drawn is left out");
            }
        }
    }
}

impl Board {
    /// Which relays are closed after the matrix was told which should be, where these are closed now.
    pub(crate) fn relays_that_close(
        &self,
        wanted: &BTreeSet<Crosspoint>,
        present: &BTreeSet<Crosspoint>,
    ) -> BTreeSet<Crosspoint> {
        let exchanged = |&told: &Crosspoint| {
            let other = self.strike(|kind| match *kind {
                FaultKind::WrongRelay { told: named, moves } if named == told => Some(moves),
                _ => None,
            });
            other.unwrap_or(told)
        };
        let mut closed: BTreeSet<Crosspoint> = wanted.iter().map(exchanged).collect();
        let strikes = |fault: FaultKind| self.strike(|kind| (*kind == fault).then_some(())).is_some();
        let asked_to_close: Vec<Crosspoint> = closed.difference(present).copied().collect();
        for crosspoint in asked_to_close {
            if strikes(FaultKind::StuckOpen(crosspoint)) {
                closed.remove(&crosspoint);
            }
        }
        let asked_to_open: Vec<Crosspoint> = present.difference(&closed).copied().collect();
        closed.extend(
            asked_to_open.into_iter().filter(|&crosspoint| strikes(FaultKind::StuckClosed(crosspoint))),
        );
        closed.extend(self.each(|kind| match *kind {
            FaultKind::Welded(crosspoint) => Some(crosspoint),
            _ => None,
        }));
        closed
    }

    /// Whether the output goes on driving, told that it should not.
    pub(crate) fn stays_on(&self) -> bool {
        self.strike(|kind| matches!(kind, FaultKind::StaysOn).then_some(())).is_some()
    }

    /// Whether the source reports its limit though it is not there.
    pub(crate) fn pretends_compliance(&self) -> bool {
        self.strike(|kind| matches!(kind, FaultKind::Compliance).then_some(())).is_some()
    }
}
