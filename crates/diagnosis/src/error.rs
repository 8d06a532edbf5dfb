//! What is wrong with a bench, a standard or readings that nothing can be said of.

/// Why there is no diagnosis.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum DiagnosisError {
    /// A number from which no circuit can be made.
    #[error("{quantity} is {value:e}: it must be above zero and finite")]
    OutOfRange {
        /// What it is the value of, with its unit.
        quantity: &'static str,
        /// The value.
        value: f64,
    },
    /// Ranges that are missing or not in order.
    #[error("the {instrument} needs ranges, from the smallest to the largest")]
    Ranges {
        /// Whose.
        instrument: &'static str,
    },
    /// A standard with another number of contacts.
    #[error("a standard has four contacts, this one has {0}")]
    Contacts(usize),
    /// A standard a part of which nothing leads to.
    #[error("node {0} of the standard has no path of resistors to contact 1")]
    Apart(usize),
    /// A standard with a resistor to ground.
    #[error("a standard floats: leave out resistors to ground")]
    Grounded,
    /// No readings.
    #[error("there are no readings to judge")]
    NoReadings,
    /// A reading at a contact that the standard does not have.
    #[error("reading {0} is of a contact that the standard does not have")]
    NoSuchContact(usize),
}
