//! The faults that are in force, told to everybody whom they concern. Knows what a fault is and how long it lasts, not
//! how it is brought about.

use crate::fault::{Fault, FaultError, FaultKind, InstrumentFault, Scope};
use quadrille_documents::Role;
use quadrille_quantity::Second;
use std::fmt;
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::Duration;
use tokio::sync::Notify;
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use tokio::time::Instant;

/// Faults in force at a time. Ours: whoever injects without end, by hand or from a seed, takes no memory.
const MOST: usize = 100;

/// A fault that is in force.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ArmedFault {
    /// The fault.
    pub fault: Fault,
    /// Since when, in seconds since the simulated bench began.
    pub since_s: f64,
    /// How often it struck.
    pub struck: u64,
}

/// What became of a fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Happened {
    /// It is in force from now on.
    Injected,
    /// It struck for the first time.
    Struck,
    /// It is over.
    Ended,
}

impl fmt::Display for Happened {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Injected => "injected",
            Self::Struck => "struck",
            Self::Ended => "ended",
        })
    }
}

/// What became of a fault, and when.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FaultEvent {
    /// When, in seconds since the simulated bench began.
    pub time_s: f64,
    /// The fault.
    pub fault: Fault,
    /// What became of it.
    pub happened: Happened,
}

#[derive(Default)]
pub(crate) struct Board {
    epoch: OnceLock<Instant>,
    state: Mutex<State>,
    changed: Notify,
}

#[derive(Default)]
struct State {
    armed: Vec<Armed>,
    clears: u64,
    watchers: Vec<UnboundedSender<FaultEvent>>,
}

struct Armed {
    fault: Fault,
    since: Instant,
    until: Option<Instant>,
    /// Occasions that have yet to pass unharmed.
    spared: u32,
    struck: u64,
}

impl Board {
    /// When the bench's time began: when this was first asked.
    pub(crate) fn epoch(&self) -> Instant {
        *self.epoch.get_or_init(Instant::now)
    }

    fn seconds(&self, instant: Instant) -> f64 {
        instant.saturating_duration_since(self.epoch()).as_secs_f64()
    }

    /// Refused where too many are in force.
    pub(crate) fn inject(&self, fault: Fault) -> Result<(), FaultError> {
        self.epoch();
        let since = Instant::now();
        let (until, spared) = match fault.scope {
            Scope::Once { after } => (None, after),
            Scope::UntilCleared => (None, 0),
            Scope::For(Second(seconds)) => (Some(since + Duration::from_secs_f64(seconds)), 0),
        };
        let mut state = self.state();
        self.expire(&mut state);
        if state.armed.len() >= MOST {
            return Err(FaultError(format!("{MOST} faults are in force already: clear them first")));
        }
        let is_there = fault.kind.acts_at_once();
        state.armed.push(Armed { fault, since, until, spared, struck: is_there.into() });
        self.tell(&mut state, fault, since, Happened::Injected);
        if is_there {
            self.tell(&mut state, fault, since, Happened::Struck);
        }
        drop(state);
        self.changed.notify_waiters();
        Ok(())
    }

    /// Ends every fault; answers how many there were.
    pub(crate) fn clear(&self) -> usize {
        let mut state = self.state();
        let ended = std::mem::take(&mut state.armed);
        state.clears += 1;
        for armed in &ended {
            self.tell(&mut state, armed.fault, Instant::now(), Happened::Ended);
        }
        drop(state);
        self.changed.notify_waiters();
        ended.len()
    }

    /// How often everything was cleared.
    pub(crate) fn clears(&self) -> u64 {
        self.state().clears
    }

    pub(crate) fn armed(&self) -> Vec<ArmedFault> {
        let mut state = self.state();
        self.expire(&mut state);
        let shown =
            |a: &Armed| ArmedFault { fault: a.fault, since_s: self.seconds(a.since), struck: a.struck };
        state.armed.iter().map(shown).collect()
    }

    /// What of the faults in force is meant, in the order in which they were injected; no occasion for any.
    pub(crate) fn each<T>(&self, meant: impl Fn(&FaultKind) -> Option<T>) -> Vec<T> {
        let mut state = self.state();
        self.expire(&mut state);
        state.armed.iter().filter_map(|armed| meant(&armed.fault.kind)).collect()
    }

    /// What becomes of faults from now on.
    pub(crate) fn watch(&self) -> UnboundedReceiver<FaultEvent> {
        let (tell, told) = unbounded_channel();
        self.state().watchers.push(tell);
        told
    }

    /// An occasion for a fault: what the oldest that is meant makes of it, if there is one. A fault that strikes once
    /// is over then.
    pub(crate) fn strike<T>(&self, meant: impl Fn(&FaultKind) -> Option<T>) -> Option<T> {
        self.strike_scoped(meant).map(|(found, _)| found)
    }

    /// The same with how long it is in force.
    pub(crate) fn strike_scoped<T>(&self, meant: impl Fn(&FaultKind) -> Option<T>) -> Option<(T, Scope)> {
        let mut state = self.state();
        self.expire(&mut state);
        let mut struck = None;
        for (k, armed) in state.armed.iter_mut().enumerate() {
            let Some(found) = meant(&armed.fault.kind) else { continue };
            if armed.spared > 0 {
                armed.spared -= 1;
                continue;
            }
            armed.struck += 1;
            struck = Some((k, armed.fault, armed.struck == 1, found));
            break;
        }
        let (k, fault, is_first, found) = struck?;
        let now = Instant::now();
        if is_first {
            self.tell(&mut state, fault, now, Happened::Struck);
        }
        if matches!(fault.scope, Scope::Once { .. }) {
            state.armed.remove(k);
            self.tell(&mut state, fault, now, Happened::Ended);
        }
        Some((found, fault.scope))
    }

    /// [`Board::strike`] for a fault of an instrument that has no parameter.
    pub(crate) fn strikes(&self, role: Role, wanted: InstrumentFault) -> bool {
        self.strike(|kind| (*kind == FaultKind::Instrument(role, wanted)).then_some(())).is_some()
    }

    /// Whether a fault is in force; no occasion for it. One that strikes once is in force when its turn has come.
    pub(crate) fn holds(&self, meant: impl Fn(&FaultKind) -> bool) -> Option<Scope> {
        let mut state = self.state();
        self.expire(&mut state);
        let found = state.armed.iter().find(|armed| armed.spared == 0 && meant(&armed.fault.kind))?;
        Some(found.fault.scope)
    }

    /// Ends when a fault has come or gone since this was called. To be called before what it guards is looked at.
    pub(crate) fn changed(&self) -> impl Future<Output = ()> {
        let notified = self.changed.notified();
        let next = self.state().armed.iter().filter_map(|armed| armed.until).min();
        async move {
            match next {
                Some(next) => {
                    let _ = tokio::time::timeout_at(next, notified).await;
                }
                None => notified.await,
            }
        }
    }

    fn expire(&self, state: &mut State) {
        let now = Instant::now();
        let is_over = |armed: &Armed| armed.until.is_some_and(|until| until <= now);
        let over: Vec<Fault> = state.armed.iter().filter(|a| is_over(a)).map(|armed| armed.fault).collect();
        if over.is_empty() {
            return;
        }
        state.armed.retain(|armed| !is_over(armed));
        for fault in over {
            self.tell(state, fault, now, Happened::Ended);
        }
    }

    fn tell(&self, state: &mut State, fault: Fault, at: Instant, happened: Happened) {
        let event = FaultEvent { time_s: self.seconds(at), fault, happened };
        tracing::info!(time_s = event.time_s, %fault, ?happened, "fault");
        state.watchers.retain(|watcher| watcher.send(event).is_ok());
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
