//! What a simulated bench complains of: misuse that real hardware punishes in silence.

use quadrille_documents::Role;
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
    /// An instrument that is not the bench's was told to do something: what is off for one may be on for another.
    StrangerTold(Role),
    /// The output of the magnet's supply was switched off with current in the magnet.
    MagnetOpened,
    /// The stage of the cryostat is above the highest temperature that the bench allows.
    OverTemperature,
    /// More field was asked for than the bench allows.
    OverField,
    /// A temperature or a field is on its way faster than the bench allows.
    RampTooFast(Role),
    /// The heater of the cryostat was left on.
    HeaterLeftOn,
    /// Current was left in the magnet, and it is not on its way to nothing.
    FieldLeftOn,
}

impl ComplaintKind {
    /// The instrument that was misused, or at whose place something was.
    pub fn instrument(self) -> Role {
        match self {
            Self::HotSwitching | Self::SourceShorted => Role::SwitchMatrix,
            Self::OverPower | Self::OverCurrent | Self::OverVoltage | Self::OutputLeftOn => {
                Role::CurrentSource
            }
            Self::AmmeterOpen => Role::Ammeter,
            Self::StrangerTold(role) | Self::RampTooFast(role) => role,
            Self::MagnetOpened | Self::OverField | Self::FieldLeftOn => Role::FieldSource,
            Self::OverTemperature | Self::HeaterLeftOn => Role::TemperatureController,
        }
    }
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
            Self::StrangerTold(_) => "a stranger told what to do",
            Self::MagnetOpened => "magnet's circuit opened",
            Self::OverTemperature => "over-temperature",
            Self::OverField => "over-field",
            Self::RampTooFast(_) => "ramp too fast",
            Self::HeaterLeftOn => "heater left on",
            Self::FieldLeftOn => "field left on",
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
        let instrument = self.kind.instrument();
        write!(f, "{:.3} s: {instrument}: {}: {}", self.time_s, self.kind, self.detail)
    }
}
