//! The faults that a bench can show, and how they are written. Knows nothing of how they are brought about.

mod text;

pub use text::FaultError;
pub(crate) use text::{FORMS, word};

use crate::plant::{CryostatFault, MagnetFault};
use crate::wiring::{MeterFault, SourceFault, WiringFault};
use quadrille_documents::{Crosspoint, Role};
use quadrille_quantity::Second;

/// One fault: what goes wrong, and for how long. Its text (`voltmeter late 3 once`) is read and printed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fault {
    /// What goes wrong.
    pub kind: FaultKind,
    /// For how long.
    pub scope: Scope,
}

/// How long a fault is in force.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Scope {
    /// At one occasion, after so many others have passed unharmed.
    Once {
        /// Occasions that pass unharmed before.
        after: u32,
    },
    /// Until somebody clears it.
    UntilCleared,
    /// For so long from when it is injected.
    For(Second),
}

/// What goes wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FaultKind {
    /// An instrument, or the link to it.
    Instrument(Role, InstrumentFault),
    /// A relay does not close; one that is closed stays so until it is told to open.
    StuckOpen(Crosspoint),
    /// A relay that has closed does not open again.
    StuckClosed(Crosspoint),
    /// A relay is closed, whatever it is told.
    Welded(Crosspoint),
    /// Another relay moves than the one that is told to.
    WrongRelay {
        /// The crosspoint that commands name.
        told: Crosspoint,
        /// The one that moves in its place.
        moves: Crosspoint,
    },
    /// Told to switch off, or to 0 A, the source says that it did and goes on driving what it drove.
    StaysOn,
    /// The source reports that it is at its voltage limit, whether it is or not.
    Compliance,
    /// Leads, cables, guard, buffers, or the standard.
    Wiring(WiringFault),
    /// Voltmeter or ammeter itself.
    Meter(Role, MeterFault),
    /// The source itself.
    Source(SourceFault),
    /// Cryostat or controller.
    Cryostat(CryostatFault),
    /// Magnet or supply.
    Magnet(MagnetFault),
}

/// What goes wrong with any instrument, or with the link to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum InstrumentFault {
    /// Commands are carried out; the answer does not come.
    Silent,
    /// The answer comes later by this.
    Late(Second),
    /// Only so many bytes of the answer come, and no end of message.
    Cut(u16),
    /// The bytes of the answer are others.
    Garbled,
    /// The answer is well formed, and of another type than was asked for.
    WrongType,
    /// The answer comes twice, the second time later by this.
    Twice(Second),
    /// What is sent comes back before the answer.
    Echo,
    /// The connection is reset; the message that it strikes is not carried out.
    Reset,
    /// The instrument closes the connection; the message that it strikes is not carried out.
    Closed,
    /// Messages are lost and nothing is answered, on new connections too.
    BlackHole,
    /// Another client holds the one socket: new connections wait without an answer.
    Held,
    /// Another client holds the one socket: new connections are refused.
    Refused,
    /// It restarts: settings and status are those after power on, the link is gone for this long.
    Reboot(Second),
    /// Another instrument is at the address: it says who it is and knows none of the commands.
    Stranger,
    /// A setting is taken, without an error, and not carried out.
    Ignored,
    /// So many errors that the queue has lost some.
    Overflow,
    /// It does nothing; what it is told waits, and is carried out when the fault is over.
    Hang,
}

impl FaultKind {
    /// The instrument that shows it.
    pub fn role(&self) -> Role {
        match self {
            Self::Instrument(role, _) | Self::Meter(role, _) => *role,
            Self::Wiring(fault) => fault.role(),
            Self::StuckOpen(_) | Self::StuckClosed(_) | Self::Welded(_) | Self::WrongRelay { .. } => {
                Role::SwitchMatrix
            }
            Self::StaysOn | Self::Compliance | Self::Source(_) => Role::CurrentSource,
            Self::Cryostat(_) => Role::TemperatureController,
            Self::Magnet(_) => Role::FieldSource,
        }
    }

    /// Whether it is there as soon as it is injected, and waits for no occasion.
    pub(crate) fn acts_at_once(&self) -> bool {
        match self {
            Self::Cryostat(_) | Self::Magnet(_) | Self::Wiring(_) | Self::Source(_) | Self::Welded(_) => true,
            Self::Meter(_, fault) => !matches!(fault, MeterFault::Wild(_)),
            _ => false,
        }
    }

    /// How long it is in force where its text does not say: what strikes a single message does so once.
    pub fn usual_scope(&self) -> Scope {
        use InstrumentFault::{BlackHole, Hang, Held, Refused, Stranger};
        match self {
            Self::Instrument(_, BlackHole | Hang | Held | Refused | Stranger) => Scope::UntilCleared,
            Self::Instrument(..) | Self::Meter(_, MeterFault::Wild(_)) => Scope::Once { after: 0 },
            _ => Scope::UntilCleared,
        }
    }

    /// The crosspoints that it names.
    pub(crate) fn crosspoints(&self) -> impl Iterator<Item = Crosspoint> {
        let (first, second) = match *self {
            Self::StuckOpen(crosspoint) | Self::StuckClosed(crosspoint) | Self::Welded(crosspoint) => {
                (Some(crosspoint), None)
            }
            Self::WrongRelay { told, moves } => (Some(told), Some(moves)),
            _ => (None, None),
        };
        first.into_iter().chain(second)
    }
}
