//! The named sets of configurations.

use crate::{Configuration, Contact};

const fn configuration([a, b, c, d]: [u8; 4]) -> Configuration {
    Configuration {
        source_in: Contact::at(a),
        source_out: Contact::at(b),
        sense_high: Contact::at(c),
        sense_low: Contact::at(d),
    }
}

/// The eight resistances of the standards: every exchange of leads and of pairs around the edge, each positive for a
/// homogeneous sheet (ASTM F76 and NIST's public description of the Hall measurement, from memory).
pub const STANDARD: [Configuration; 8] = [
    configuration([2, 1, 3, 4]),
    configuration([1, 2, 4, 3]),
    configuration([3, 2, 4, 1]),
    configuration([2, 3, 1, 4]),
    configuration([4, 3, 1, 2]),
    configuration([3, 4, 2, 1]),
    configuration([1, 4, 2, 3]),
    configuration([4, 1, 3, 2]),
];

/// The four Hall diagonals of the same sources.
pub const DIAGONALS: [Configuration; 4] = [
    configuration([1, 3, 2, 4]),
    configuration([3, 1, 4, 2]),
    configuration([4, 2, 1, 3]),
    configuration([2, 4, 3, 1]),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_patterns_read_as_the_standards_write_them() {
        let standard = "21,34 12,43 32,41 23,14 43,12 34,21 14,23 41,32";
        assert_eq!(STANDARD.map(|c| c.to_string()).join(" "), standard);
        assert_eq!(DIAGONALS.map(|c| c.to_string()).join(" "), "13,24 31,42 42,13 24,31");
    }
}
