//! What a simulated bench complains of: misuse that real hardware punishes in silence.

use std::fmt;

/// Kind of misuse.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ComplaintKind {
    /// A crosspoint moved under current or voltage.
    HotSwitching,
    /// More power in the sample than its limits or the bench's allow.
    OverPower,
    /// More current through a contact of the sample than allowed.
    OverCurrent,
    /// More voltage between two contacts of the sample than allowed.
    OverVoltage,
    /// A crosspoint moved while the ammeter's input was not shorted.
    AmmeterOpen,
    /// High terminal and return of the source were tied to one contact.
    SourceShorted,
    /// The last client of the source went away while current was on.
    OutputLeftOn,
}

impl fmt::Display for ComplaintKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::HotSwitching => "hot switching",
            Self::OverPower => "over-power",
            Self::OverCurrent => "over-current",
            Self::OverVoltage => "over-voltage",
            Self::AmmeterOpen => "ammeter input open while crosspoints move",
            Self::SourceShorted => "source shorted",
            Self::OutputLeftOn => "output left on",
        })
    }
}

/// One complaint.
#[derive(Clone, Debug, PartialEq)]
pub struct Complaint {
    /// When, in seconds since the simulated bench began.
    pub time_s: f64,
    /// What kind of misuse.
    pub kind: ComplaintKind,
    /// The circumstances, in words.
    pub detail: String,
}

impl fmt::Display for Complaint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.3} s: {}: {}", self.time_s, self.kind, self.detail)
    }
}
