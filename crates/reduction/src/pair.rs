//! One order for the contacts of a configuration, so that a reversal made by exchanging leads and one made by the
//! sign of the source are the same thing.

use quadrille_experiment::{Configuration, Reading};

/// A reading in ascending order of contacts: current into the lower contact of its pair, potential of the lower
/// sense contact against the higher, both with the sign that this gives them.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ordered {
    /// Ascending within each of the two pairs.
    pub(crate) configuration: Configuration,
    /// Monotonic time, s.
    pub(crate) time: f64,
    /// Flux density, T.
    pub(crate) field: f64,
    /// Current, A.
    pub(crate) current: f64,
    /// Voltage, V.
    pub(crate) voltage: f64,
    /// Sample temperature, K.
    pub(crate) temperature: f64,
    /// Standard uncertainties of the ammeter, A.
    pub(crate) current_u: Parts,
    /// Standard uncertainties of the voltmeter, V.
    pub(crate) voltage_u: Parts,
}

/// Standard uncertainties of a meter's value, in its unit but for the gain.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Parts {
    /// Relative.
    pub(crate) gain: f64,
    /// Common to one state.
    pub(crate) own: f64,
    /// Independent between readings.
    pub(crate) noise: f64,
    /// What may be left of the transient, common to a round.
    pub(crate) settling: f64,
}

impl Ordered {
    pub(crate) fn new(reading: &Reading) -> Self {
        let (configuration, current_sign, voltage_sign) = ascending(reading.configuration);
        Self {
            configuration,
            time: reading.time.0,
            field: reading.field.0,
            current: current_sign * reading.current.value.0,
            voltage: voltage_sign * reading.voltage.value.0,
            temperature: reading.temperature.0,
            current_u: Parts {
                gain: reading.current.gain_u,
                own: reading.current.own_u.0,
                noise: reading.current.noise_u.0,
                settling: reading.current.settling_u.0,
            },
            voltage_u: Parts {
                gain: reading.voltage.gain_u,
                own: reading.voltage.own_u.0,
                noise: reading.voltage.noise_u.0,
                settling: reading.voltage.settling_u.0,
            },
        }
    }

    /// +1 for current into the lower contact, −1 for the other direction, 0 for none.
    pub(crate) fn direction(&self) -> f64 {
        if self.current == 0.0 { 0.0 } else { self.current.signum() }
    }
}

/// The configuration with its pairs in ascending order, and the signs that current and voltage take.
fn ascending(mut configuration: Configuration) -> (Configuration, f64, f64) {
    let (mut current_sign, mut voltage_sign) = (1.0, 1.0);
    if configuration.source_in > configuration.source_out {
        std::mem::swap(&mut configuration.source_in, &mut configuration.source_out);
        current_sign = -1.0;
    }
    if configuration.sense_high > configuration.sense_low {
        std::mem::swap(&mut configuration.sense_high, &mut configuration.sense_low);
        voltage_sign = -1.0;
    }
    (configuration, current_sign, voltage_sign)
}

/// Whether a reading is of four of the contacts 1 to 4, so that sheet resistance or Hall coefficient could use it.
pub(crate) fn is_useful(reading: &Reading) -> bool {
    reading.configuration.is_four_terminal()
        && numbers(reading.configuration).iter().all(|&contact| contact <= 4)
}

/// The four numbers of a configuration.
pub(crate) fn numbers(configuration: Configuration) -> [u8; 4] {
    configuration.contacts().map(|contact| contact.number())
}

/// How a pair of pairs is written where the direction of current does not matter: `12|34`.
pub(crate) fn label(configuration: Configuration) -> String {
    configuration.to_string().replace(',', "|")
}
