//! Exit codes, by what a person must look at.

use quadrille_daemon::audit::AuditError;
use quadrille_daemon::client::ClientError;
use quadrille_daemon::serve::ServeError;
use quadrille_operations::{Ending, Error, Outcome};
use std::process::ExitCode;

/// How the program ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Exit {
    /// Done, and passed.
    Done = 0,
    /// Measured, but not passed.
    NotPassed = 1,
    /// Bad input; nothing was touched.
    BadInput = 2,
    /// An instrument, a link or the record failed.
    Failed = 3,
    /// The bench was energised and its stand-down could not be verified.
    NotStoodDown = 4,
}

impl Exit {
    /// Of an error before or beside a run.
    pub(crate) fn of(error: &anyhow::Error) -> Self {
        match error.downcast_ref::<Error>() {
            Some(Error::Documents(_) | Error::Reduction(_) | Error::NoSuchRun(_)) => Self::BadInput,
            Some(Error::Instrument(_) | Error::Simulation(_) | Error::Journal(_)) => Self::Failed,
            None => match error.downcast_ref::<ServeError>() {
                Some(ServeError::Operation(
                    Error::Instrument(_) | Error::Simulation(_) | Error::Journal(_),
                )) => Self::Failed,
                Some(ServeError::Audit(_) | ServeError::Io(..)) => Self::Failed,
                Some(_) => Self::BadInput,
                None => Self::of_another(error),
            },
        }
    }

    fn of_another(error: &anyhow::Error) -> Self {
        let unreached = matches!(error.downcast_ref::<ClientError>(), Some(ClientError::Unreached { .. }));
        let is_broken = error.downcast_ref::<AuditError>().is_some();
        if unreached || is_broken { Self::Failed } else { Self::BadInput }
    }

    /// Of a run: how it ended, and whether what it found passed.
    pub(crate) fn of_run(outcome: &Outcome, passed: bool) -> Self {
        if outcome.energised && !outcome.stand_down.is_clean() {
            return Self::NotStoodDown;
        }
        match outcome.ending {
            Ending::Failed(_) => Self::Failed,
            Ending::Finished if passed => Self::Done,
            Ending::Finished | Ending::Stopped | Ending::Paused(_) => Self::NotPassed,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}
