//! The table of SCPI-1999 volume 2, 21.8 as far as it is used: numbers, texts, and the class of each. From memory,
//! checked against public summaries.

use std::fmt;

macro_rules! table {
    ($($name:ident = $code:literal, $text:literal;)*) => {
        $(#[doc = $text] pub const $name: i32 = $code;)*
        /// The standard's text for a number, without device information.
        pub fn text(code: i32) -> Option<&'static str> {
            match code {
                $($code => Some($text),)*
                _ => None,
            }
        }
    };
}

table! {
    NO_ERROR = 0, "No error";
    COMMAND_ERROR = -100, "Command error";
    INVALID_CHARACTER = -101, "Invalid character";
    SYNTAX_ERROR = -102, "Syntax error";
    INVALID_SEPARATOR = -103, "Invalid separator";
    DATA_TYPE_ERROR = -104, "Data type error";
    GET_NOT_ALLOWED = -105, "GET not allowed";
    PARAMETER_NOT_ALLOWED = -108, "Parameter not allowed";
    MISSING_PARAMETER = -109, "Missing parameter";
    COMMAND_HEADER_ERROR = -110, "Command header error";
    HEADER_SEPARATOR_ERROR = -111, "Header separator error";
    PROGRAM_MNEMONIC_TOO_LONG = -112, "Program mnemonic too long";
    UNDEFINED_HEADER = -113, "Undefined header";
    HEADER_SUFFIX_OUT_OF_RANGE = -114, "Header suffix out of range";
    UNEXPECTED_NUMBER_OF_PARAMETERS = -115, "Unexpected number of parameters";
    NUMERIC_DATA_ERROR = -120, "Numeric data error";
    INVALID_CHARACTER_IN_NUMBER = -121, "Invalid character in number";
    EXPONENT_TOO_LARGE = -123, "Exponent too large";
    TOO_MANY_DIGITS = -124, "Too many digits";
    NUMERIC_DATA_NOT_ALLOWED = -128, "Numeric data not allowed";
    SUFFIX_ERROR = -130, "Suffix error";
    INVALID_SUFFIX = -131, "Invalid suffix";
    SUFFIX_TOO_LONG = -134, "Suffix too long";
    SUFFIX_NOT_ALLOWED = -138, "Suffix not allowed";
    CHARACTER_DATA_ERROR = -140, "Character data error";
    INVALID_CHARACTER_DATA = -141, "Invalid character data";
    CHARACTER_DATA_TOO_LONG = -144, "Character data too long";
    CHARACTER_DATA_NOT_ALLOWED = -148, "Character data not allowed";
    STRING_DATA_ERROR = -150, "String data error";
    INVALID_STRING_DATA = -151, "Invalid string data";
    STRING_DATA_NOT_ALLOWED = -158, "String data not allowed";
    BLOCK_DATA_ERROR = -160, "Block data error";
    INVALID_BLOCK_DATA = -161, "Invalid block data";
    BLOCK_DATA_NOT_ALLOWED = -168, "Block data not allowed";
    EXPRESSION_ERROR = -170, "Expression error";
    INVALID_EXPRESSION = -171, "Invalid expression";
    EXPRESSION_DATA_NOT_ALLOWED = -178, "Expression data not allowed";
    EXECUTION_ERROR = -200, "Execution error";
    INVALID_WHILE_IN_LOCAL = -201, "Invalid while in local";
    SETTINGS_LOST_DUE_TO_RTL = -202, "Settings lost due to rtl";
    COMMAND_PROTECTED = -203, "Command protected";
    TRIGGER_ERROR = -210, "Trigger error";
    TRIGGER_IGNORED = -211, "Trigger ignored";
    ARM_IGNORED = -212, "Arm ignored";
    INIT_IGNORED = -213, "Init ignored";
    TRIGGER_DEADLOCK = -214, "Trigger deadlock";
    ARM_DEADLOCK = -215, "Arm deadlock";
    PARAMETER_ERROR = -220, "Parameter error";
    SETTINGS_CONFLICT = -221, "Settings conflict";
    DATA_OUT_OF_RANGE = -222, "Data out of range";
    TOO_MUCH_DATA = -223, "Too much data";
    ILLEGAL_PARAMETER_VALUE = -224, "Illegal parameter value";
    OUT_OF_MEMORY = -225, "Out of memory";
    LISTS_NOT_SAME_LENGTH = -226, "Lists not same length";
    DATA_CORRUPT_OR_STALE = -230, "Data corrupt or stale";
    DATA_QUESTIONABLE = -231, "Data questionable";
    HARDWARE_ERROR = -240, "Hardware error";
    HARDWARE_MISSING = -241, "Hardware missing";
    DEVICE_SPECIFIC_ERROR = -300, "Device-specific error";
    SYSTEM_ERROR = -310, "System error";
    MEMORY_ERROR = -311, "Memory error";
    CALIBRATION_MEMORY_LOST = -313, "Calibration memory lost";
    SAVE_RECALL_MEMORY_LOST = -314, "Save/recall memory lost";
    CONFIGURATION_MEMORY_LOST = -315, "Configuration memory lost";
    STORAGE_FAULT = -320, "Storage fault";
    SELF_TEST_FAILED = -330, "Self-test failed";
    CALIBRATION_FAILED = -340, "Calibration failed";
    QUEUE_OVERFLOW = -350, "Queue overflow";
    COMMUNICATION_ERROR = -360, "Communication error";
    PARITY_ERROR = -361, "Parity error in program message";
    FRAMING_ERROR = -362, "Framing error in program message";
    INPUT_BUFFER_OVERRUN = -363, "Input buffer overrun";
    TIME_OUT_ERROR = -365, "Time out error";
    QUERY_ERROR = -400, "Query error";
    QUERY_INTERRUPTED = -410, "Query INTERRUPTED";
    QUERY_UNTERMINATED = -420, "Query UNTERMINATED";
    QUERY_DEADLOCKED = -430, "Query DEADLOCKED";
    QUERY_UNTERMINATED_AFTER_INDEFINITE_RESPONSE = -440, "Query UNTERMINATED after indefinite response";
    POWER_ON = -500, "Power on";
    USER_REQUEST = -600, "User request";
    REQUEST_CONTROL = -700, "Request control";
    OPERATION_COMPLETE = -800, "Operation complete";
}

/// Longest description of an error with its device information, in characters (SCPI-1999 volume 2, 21.8.1).
pub const LONGEST_DESCRIPTION: usize = 255;

/// An error as a device reports it: a number of the standard's table or a positive one of its own, and what the
/// device adds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ScpiError {
    /// Negative as in the table, positive for the device's own.
    pub code: i32,
    /// What the device adds after the standard's text.
    pub information: Option<String>,
}

impl ScpiError {
    /// An error with the standard's text alone.
    pub fn new(code: i32) -> Self {
        Self { code, information: None }
    }

    /// An error with something added by the device.
    pub fn with(code: i32, information: impl Into<String>) -> Self {
        Self { code, information: Some(information.into()) }
    }

    /// Text and device information, at most [`LONGEST_DESCRIPTION`] characters of printable ASCII.
    pub fn description(&self) -> String {
        let text = text(self.code).unwrap_or("Device-specific error");
        let whole = match &self.information {
            Some(information) => format!("{text};{information}"),
            None => text.to_owned(),
        };
        let printable = |c: char| if c == ' ' || c.is_ascii_graphic() { c } else { '?' };
        whole.chars().map(printable).take(LONGEST_DESCRIPTION).collect()
    }

    /// The answer to `SYSTem:ERRor?`: `-113,"Undefined header;FOO"`.
    pub fn answer(&self) -> String {
        format!("{},\"{}\"", self.code, self.description().replace('"', "\"\""))
    }

    /// Bit of the standard event status register that this error sets (SCPI-1999 volume 2, 21.8.4 to 21.8.16).
    pub fn event_bit(&self) -> u8 {
        match self.code {
            -199..=-100 => 1 << 5,
            -299..=-200 => 1 << 4,
            -399..=-300 | 1.. => 1 << 3,
            -499..=-400 => 1 << 2,
            -599..=-500 => 1 << 7,
            -699..=-600 => 1 << 6,
            -799..=-700 => 1 << 1,
            -899..=-800 => 1,
            _ => 0,
        }
    }
}

impl fmt::Display for ScpiError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.answer())
    }
}

impl std::error::Error for ScpiError {}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(error: ScpiError, expected: &str) {
        assert_eq!(error.answer(), expected);
    }

    // Texts from memory of SCPI-1999 volume 2, 21.8.
    #[test]
    fn answers_carry_number_text_and_information() {
        check(ScpiError::new(-113), "-113,\"Undefined header\"");
        check(ScpiError::with(-222, "CURR 5"), "-222,\"Data out of range;CURR 5\"");
        check(ScpiError::with(301, "heater \"B\""), "301,\"Device-specific error;heater \"\"B\"\"\"");
        check(ScpiError::with(-102, "a\nb\u{e9}"), "-102,\"Syntax error;a?b?\"");
    }

    #[test]
    fn a_description_is_cut_at_255_characters() {
        assert_eq!(ScpiError::with(-300, "x".repeat(400)).description().len(), 255);
    }

    #[test]
    fn each_class_has_its_bit() {
        let bit = |code| ScpiError::new(code).event_bit();
        assert_eq!([bit(-113), bit(-222), bit(-350), bit(7)], [32, 16, 8, 8]);
        assert_eq!([bit(-410), bit(-500), bit(-600), bit(-700), bit(-800), bit(0)], [4, 128, 64, 2, 1, 0]);
    }
}
