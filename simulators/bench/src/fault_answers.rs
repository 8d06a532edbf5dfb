//! What faults make of a command before it is carried out, and of its answer afterwards.

use crate::bench::SimulatedBench;
use crate::fault::{FaultKind, InstrumentFault, Scope};
use crate::fault_board::Board;
use quadrille_documents::Role;
use quadrille_quantity::Second;
use quadrille_scpi::device::{Header, ScpiError, Unit, errors};

/// Who the other instrument at the address says it is. Invented.
const STRANGER: &str = "SOMEBODY,OTHER INSTRUMENT,0,1";

/// Well formed (IEEE 488.2, 8.7.8), and never what a driver asks for.
const WRONG_TYPE: &[u8] = b"\"WRONG TYPE\"\n";

/// What comes of an answer.
#[derive(Debug, Default, PartialEq)]
pub(crate) struct Comes {
    /// How much later.
    pub(crate) late: Second,
    /// Which bytes.
    pub(crate) bytes: Vec<u8>,
    /// How long after them they come again.
    pub(crate) again: Option<Second>,
}

impl Board {
    /// What comes of a device's answer.
    pub(crate) fn spoil(&self, role: Role, answer: Vec<u8>) -> Comes {
        let of = |kind: &FaultKind| match kind {
            FaultKind::Instrument(of, fault) if *of == role => Some(*fault),
            _ => None,
        };
        let mut comes = Comes { bytes: answer, ..Comes::default() };
        if self.strikes(role, InstrumentFault::WrongType) {
            comes.bytes = WRONG_TYPE.to_vec();
        }
        if self.strikes(role, InstrumentFault::Garbled) {
            garble(&mut comes.bytes);
        }
        let cut = self.strike(|kind| match of(kind)? {
            InstrumentFault::Cut(count) => Some(count),
            _ => None,
        });
        if let Some(count) = cut {
            // At least the end of the message is missing.
            comes.bytes.truncate(usize::from(count).min(comes.bytes.len().saturating_sub(1)));
        }
        let late = self.strike(|kind| match of(kind)? {
            InstrumentFault::Late(seconds) => Some(seconds),
            _ => None,
        });
        comes.late = late.unwrap_or_default();
        comes.again = self.strike(|kind| match of(kind)? {
            InstrumentFault::Twice(seconds) => Some(seconds),
            _ => None,
        });
        if self.strikes(role, InstrumentFault::Silent) {
            comes.bytes.clear();
        }
        comes
    }
}

/// As with a line at the wrong speed: every byte but the newline is another, and none is ASCII.
fn garble(bytes: &mut [u8]) {
    for (k, byte) in bytes.iter_mut().enumerate().filter(|(_, byte)| **byte != b'\n') {
        *byte ^= 0x80 | (37 * k % 128) as u8;
    }
}

impl SimulatedBench {
    /// What a unit comes to where a fault keeps the device from carrying it out.
    pub(crate) fn spoilt(&self, role: Role, unit: &Unit) -> Option<Result<Option<String>, ScpiError>> {
        if let Some(outcome) = self.as_a_stranger(role, unit) {
            return Some(outcome);
        }
        (sets(unit) && self.faults.strikes(role, InstrumentFault::Ignored)).then_some(Ok(None))
    }

    /// Another instrument knows the common commands and its error queue, and nothing else.
    fn as_a_stranger(&self, role: Role, unit: &Unit) -> Option<Result<Option<String>, ScpiError>> {
        let stranger = FaultKind::Instrument(role, InstrumentFault::Stranger);
        let scope = self.faults.holds(|kind| *kind == stranger);
        let asks_identity = unit.is_query && matches!(&unit.header, Header::Common(name) if name == "IDN");
        if asks_identity {
            return self.faults.strikes(role, InstrumentFault::Stranger).then(|| Ok(Some(STRANGER.into())));
        }
        // Once, it is somebody else for as long as it takes to say so.
        if matches!(scope?, Scope::Once { .. }) {
            return None;
        }
        if sets(unit) {
            self.stranger_told(role, &header(unit));
        }
        match &unit.header {
            Header::Common(name) if name == "RST" => Some(Ok(None)),
            Header::Common(_) => None,
            Header::Path(path) if path.first().is_some_and(|node| node.name.starts_with("SYST")) => None,
            Header::Path(_) => {
                self.faults.strikes(role, InstrumentFault::Stranger);
                Some(Err(ScpiError::new(errors::UNDEFINED_HEADER)))
            }
        }
    }
}

/// Whether a unit changes what a device does, and not only its status.
fn sets(unit: &Unit) -> bool {
    !unit.is_query
        && match &unit.header {
            Header::Common(name) => name == "RST",
            Header::Path(path) => !path
                .first()
                .is_some_and(|node| node.name.starts_with("SYST") || node.name.starts_with("STAT")),
        }
}

fn header(unit: &Unit) -> String {
    match &unit.header {
        Header::Common(name) => format!("*{name}"),
        Header::Path(path) => path.iter().map(|node| node.name.as_str()).collect::<Vec<_>>().join(":"),
    }
}
