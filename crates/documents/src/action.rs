//! What each role of instrument must be able to do or tell: the keys of a dialect, with the values that each carries and
//! the form of each reply.

use crate::bench::Role;
use crate::template::Placeholder;

/// Form of an instrument's reply to a query.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reply {
    /// The action is a command: nothing comes back.
    Nothing,
    /// One number.
    Number,
    /// 0 or 1.
    Boolean,
    /// A number of which one bit is meant.
    Bit,
    /// A list of closed crosspoints, `(@1!1,2!3)`.
    Crosspoints,
    /// Free text.
    Text,
}

macro_rules! actions {
    ($($(#[$doc:meta])* $name:ident = $key:literal, $roles:expr, $need:ident, $reply:ident, $placeholders:expr;)*) => {
        /// Something that a role must be able to do or tell.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
        pub enum Action { $($(#[$doc])* $name,)* }

        impl Action {
            pub(crate) const ALL: &'static [Self] = &[$(Self::$name,)*];

            /// Key in the dialect document.
            pub fn key(self) -> &'static str {
                match self { $(Self::$name => $key,)* }
            }

            /// Form of the reply.
            pub fn reply(self) -> Reply {
                match self { $(Self::$name => Reply::$reply,)* }
            }

            pub(crate) fn roles(self) -> &'static [Role] {
                match self { $(Self::$name => &$roles,)* }
            }

            pub(crate) fn is_needed(self) -> bool {
                match self { $(Self::$name => Need::$need == Need::Always,)* }
            }

            /// Placeholders of which one must stand in the template.
            pub(crate) fn placeholders(self) -> &'static [Placeholder] {
                match self { $(Self::$name => &$placeholders,)* }
            }
        }
    };
}

#[derive(PartialEq)]
enum Need {
    Always,
    IfThere,
}

use Placeholder::{
    AperturePlc, ApertureSecond, Crosspoints, Field, Level, Limit, MagnetCurrent, RampAmperePerMinute,
    RampAmperePerSecond, RampKelvinPerMinute, RampKelvinPerSecond, RampTeslaPerMinute, RampTeslaPerSecond,
    RangeAmpere, RangeVolt, TargetKelvin,
};
use Role::{Ammeter, CurrentSource, FieldSource, SwitchMatrix, TemperatureController, Voltmeter};

actions! {
    /// Who it is.
    Identity = "identity", Role::ALL, Always, Text, [];
    /// The oldest entry of its error queue.
    NextError = "next_error", Role::ALL, Always, Text, [];
    /// Whether all that was asked for is done: answers 1 then.
    Complete = "complete", Role::ALL, Always, Number, [];
    /// Set the current.
    SetLevel = "set_level", [CurrentSource], Always, Nothing, [Level];
    /// The current that is set.
    LevelSet = "level", [CurrentSource], Always, Number, [];
    /// Set the source's range.
    SetSourceRange = "set_source_range", [CurrentSource], Always, Nothing, [RangeAmpere];
    /// The source's range.
    SourceRangeSet = "source_range", [CurrentSource], Always, Number, [];
    /// Set the voltage limit (compliance).
    SetLimit = "set_voltage_limit", [CurrentSource], Always, Nothing, [Limit];
    /// The voltage limit that is set.
    LimitSet = "voltage_limit", [CurrentSource], Always, Number, [];
    /// Whether the source is at its voltage limit now.
    InCompliance = "in_compliance", [CurrentSource], IfThere, Bit, [];
    /// Output on.
    OutputOn = "output_on", [CurrentSource, FieldSource], Always, Nothing, [];
    /// Output off.
    OutputOff = "output_off", [CurrentSource, FieldSource], Always, Nothing, [];
    /// Whether the output is on.
    OutputState = "output", [CurrentSource, FieldSource], Always, Boolean, [];
    /// Drive the guard.
    GuardOn = "guard_on", [CurrentSource], IfThere, Nothing, [];
    /// Leave the guard undriven.
    GuardOff = "guard_off", [CurrentSource], IfThere, Nothing, [];
    /// Whether the guard is driven.
    GuardState = "guard", [CurrentSource], IfThere, Boolean, [];
    /// Set the voltmeter's range.
    SetVoltageRange = "set_voltage_range", [Voltmeter], Always, Nothing, [RangeVolt];
    /// The voltmeter's range.
    VoltageRangeSet = "voltage_range", [Voltmeter], Always, Number, [];
    /// Set the ammeter's range.
    SetCurrentRange = "set_current_range", [Ammeter], Always, Nothing, [RangeAmpere];
    /// The ammeter's range.
    CurrentRangeSet = "current_range", [Ammeter], Always, Number, [];
    /// Set the averaging time of a meter.
    SetAperture = "set_aperture", [Voltmeter, Ammeter], Always, Nothing, [AperturePlc, ApertureSecond];
    /// The averaging time, in the unit in which it is set.
    ApertureSet = "aperture", [Voltmeter, Ammeter], Always, Number, [];
    /// Take one reading and answer it.
    Read = "read", [Voltmeter, Ammeter], Always, Number, [];
    /// Short the ammeter's input.
    ShortInput = "short_input", [Ammeter], Always, Nothing, [];
    /// Release the ammeter's input.
    ReleaseInput = "release_input", [Ammeter], Always, Nothing, [];
    /// Whether the ammeter's input is released.
    InputState = "input", [Ammeter], Always, Boolean, [];
    /// Close crosspoints, leaving the others.
    Close = "close", [SwitchMatrix], Always, Nothing, [Crosspoints];
    /// Open every crosspoint.
    OpenAll = "open_all", [SwitchMatrix], Always, Nothing, [];
    /// Which crosspoints are closed.
    Closed = "closed", [SwitchMatrix], Always, Crosspoints, [];
    /// Set the temperature to go to.
    SetTarget = "set_target", [TemperatureController], Always, Nothing, [TargetKelvin];
    /// The temperature to go to, in kelvins.
    TargetSet = "target", [TemperatureController], Always, Number, [];
    /// Set how fast the controller goes there.
    SetTemperatureRamp = "set_temperature_ramp", [TemperatureController], IfThere, Nothing,
        [RampKelvinPerMinute, RampKelvinPerSecond];
    /// How fast it goes there, in the unit in which it is set.
    TemperatureRampSet = "temperature_ramp", [TemperatureController], IfThere, Number, [];
    /// The temperature of the thermometer, in kelvins.
    Temperature = "temperature", [TemperatureController], Always, Number, [];
    /// Let the controller drive its heater.
    HeaterOn = "heater_on", [TemperatureController], Always, Nothing, [];
    /// No heat.
    HeaterOff = "heater_off", [TemperatureController], Always, Nothing, [];
    /// Whether the controller drives its heater.
    HeaterState = "heater", [TemperatureController], Always, Boolean, [];
    /// Heater power in percent of the most it gives.
    HeaterPower = "heater_power", [TemperatureController], IfThere, Number, [];
    /// Set the field to go to.
    SetFieldTarget = "set_field_target", [FieldSource], Always, Nothing, [Field, MagnetCurrent];
    /// The field to go to, in the unit in which it is set.
    FieldTargetSet = "field_target", [FieldSource], Always, Number, [];
    /// Set how fast the field goes there.
    SetFieldRamp = "set_field_ramp", [FieldSource], Always, Nothing,
        [RampTeslaPerSecond, RampTeslaPerMinute, RampAmperePerSecond, RampAmperePerMinute];
    /// How fast it goes there, in the unit in which it is set.
    FieldRampSet = "field_ramp", [FieldSource], Always, Number, [];
    /// Go to the field that is set; left out where the supply goes as soon as it is set.
    StartRamp = "start_ramp", [FieldSource], IfThere, Nothing, [];
    /// Stay at the present field.
    HoldField = "hold", [FieldSource], Always, Nothing, [];
    /// The field at the probe, in teslas.
    MeasuredField = "field", [FieldSource], Always, Number, [];
    /// Whether it is on its way to what is set.
    Ramping = "ramping", [TemperatureController, FieldSource], Always, Bit, [];
    /// Zero, or what is wrong.
    Fault = "fault", [TemperatureController, FieldSource], IfThere, Number, [];
}
