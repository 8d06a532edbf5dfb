//! What is asked of the bench, what it answered, and the sets of readings that a diagnosis can ask for.

use crate::bench::{BenchModel, range_for};
use quadrille_experiment::{Condition, Configuration, Contact, Polarity, STANDARD};
use quadrille_quantity::{Ampere, Second, Volt};

/// How one reading is taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setting {
    /// Contacts: source in, source out, sense high, sense low. The sense pair may be the current pair.
    pub configuration: Configuration,
    /// Current asked of the source, with its sign.
    pub commanded: Ampere,
    /// Voltage limit of the source, above zero.
    pub voltage_limit: Volt,
    /// Full scale of the voltmeter's range.
    pub voltage_range: Volt,
    /// Full scale of the ammeter's range.
    pub current_range: Ampere,
    /// Standard deviation of the voltmeter's noise in this reading; zero to take the range's.
    pub voltage_noise: Volt,
    /// Standard deviation of the ammeter's noise in this reading, the source's with it; zero to take the range's.
    pub current_noise: Ampere,
    /// Time for which the source drove this current before the middle of the reading; zero to take the bench's wait.
    pub waited: Second,
}

/// One reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observation {
    /// How it was taken.
    pub setting: Setting,
    /// What the voltmeter showed; not looked at where it was over its range, or where it is not finite.
    pub voltage: Volt,
    /// What the ammeter showed; not looked at where it was over its range, or where it is not finite.
    pub current: Ampere,
    /// What the instruments said of it.
    pub condition: Condition,
}

/// Which configurations are read, each with both polarities.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReadingSet {
    /// The eight of the standards.
    Standard,
    /// All 24 ordered four-terminal and the 12 two-terminal ones.
    Full,
}

/// The configurations of a set.
pub fn readings(set: ReadingSet) -> Vec<Configuration> {
    match set {
        ReadingSet::Standard => STANDARD.to_vec(),
        ReadingSet::Full => full(),
    }
}

fn full() -> Vec<Configuration> {
    let mut all = Vec::new();
    let contacts: Vec<Contact> = Contact::first(4).collect();
    for &source_in in &contacts {
        for &source_out in contacts.iter().filter(|&&c| c != source_in) {
            let others: Vec<Contact> =
                contacts.iter().copied().filter(|&c| c != source_in && c != source_out).collect();
            let pairs = [(others[0], others[1]), (others[1], others[0]), (source_in, source_out)];
            for (sense_high, sense_low) in pairs {
                all.push(Configuration { source_in, source_out, sense_high, sense_low });
            }
        }
    }
    all
}

/// Current and voltage limit of a series of readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drive {
    /// Magnitude of the current.
    pub current: Ampere,
    /// Voltage limit of the source.
    pub voltage_limit: Volt,
}

impl Drive {
    /// The setting of a configuration on the ranges that hold a voltage of so much and the drive's current.
    pub fn setting(
        self,
        bench: &BenchModel,
        configuration: Configuration,
        polarity: Polarity,
        expected: Volt,
    ) -> Setting {
        let volts = &bench.voltmeter.ranges;
        let amperes = &bench.ammeter.ranges;
        Setting {
            configuration,
            commanded: Ampere(self.current.0 * polarity.sign()),
            voltage_limit: self.voltage_limit,
            voltage_range: Volt(volts[range_for(volts, expected.0)].full_scale),
            current_range: Ampere(amperes[range_for(amperes, self.current.0)].full_scale),
            voltage_noise: Volt(0.0),
            current_noise: Ampere(0.0),
            waited: Second(0.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_full_set_has_each_ordered_four_terminal_and_two_terminal_configuration_once() {
        let full = readings(ReadingSet::Full);
        let four = full.iter().filter(|c| c.is_four_terminal()).count();
        let distinct: std::collections::HashSet<_> = full.iter().collect();
        assert_eq!((four, full.len(), distinct.len()), (24, 36, 36));
    }
}
