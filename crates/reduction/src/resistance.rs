//! Four-terminal resistances: all readings of one pair of pairs at one field become one value with its sources of
//! uncertainty.
//!
//! V = e + R I by least squares, where the thermoelectric offset e goes with the reversal of the current. With three
//! readings or more, taken at different times such that current and time are nearly uncorrelated (at most 0.5 in
//! magnitude), V = e + R I + d t: then `+ - +` and `+ - - +` are free of linear drift as well, as in their
//! well-known weighted means (V₁ − 2V₂ + V₃)/4 and (V₁ − V₂ − V₃ + V₄)/4.

use crate::error::Error;
use crate::field;
use crate::pair::Ordered;
use crate::slopes::Slope;
use quadrille_experiment::{Condition, Configuration, Reading};
use quadrille_quantity::{Estimate, Tesla};

/// Above this correlation of current with time a drift cannot be told from a resistance without losing more to noise
/// than the drift costs (variance grows by 1/(1 − r²), here 4/3).
const LARGEST_CORRELATION: f64 = 0.5;

/// The resistance of one pair of pairs at one field.
#[derive(Clone, Debug, PartialEq)]
pub struct PairResistance {
    /// Contacts in ascending order within each pair; the sign of the resistance is of this order.
    pub configuration: Configuration,
    /// Flux density that the resistance belongs to where it changes linearly with field: the mean of its readings,
    /// weighted as the fit weighs them.
    pub field: Tesla,
    /// (V_high − V_low)/I in ohms, free of the thermoelectric offset if `reversed`; standard uncertainty of all
    /// sources: scatter of repeats, meters' own parts, gains.
    pub resistance: Estimate,
    /// Mean of V/I in ohms, offset included, of the readings with current into the lower contact.
    pub forward: Option<f64>,
    /// The same with current into the higher contact.
    pub backward: Option<f64>,
    /// Whether both directions of the current were measured.
    pub reversed: bool,
    /// How many readings it is made of.
    pub readings: usize,
    /// Readings beyond those that the fit needs; without any, scatter is unknown and taken as none.
    pub degrees_of_freedom: usize,
    /// Level of the field, T; exactly 0 for no field.
    pub(crate) level: f64,
    /// Temperature, K, that the resistance belongs to where it changes linearly with it, weighted like `field`.
    pub(crate) temperature: f64,
    /// How it changes with temperature, where that is known.
    pub(crate) slope: Option<Slope>,
    /// Mean square of the departure of its readings from the temperature that they were brought to, K².
    pub(crate) square_departure: f64,
    pub(crate) sources: Sources,
}

/// What makes a resistance uncertain, in ohms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sources {
    /// Noise: what the readings say of theirs, or the scatter of the fit where that is more.
    pub(crate) noise: f64,
    /// Own parts, independent between the two directions of the current, common within one.
    pub(crate) voltmeter_own: f64,
    pub(crate) ammeter_own: f64,
    /// Changes that one standard uncertainty of the gain makes, with sign: common to all resistances.
    pub(crate) voltmeter_gain: f64,
    pub(crate) ammeter_gain: f64,
    /// Changes that one standard uncertainty of what is left of the transient makes, with sign: common to a round. It
    /// follows the current, so that it lessens every voltage and every current.
    pub(crate) voltmeter_settling: f64,
    pub(crate) ammeter_settling: f64,
}

impl Sources {
    /// What is this resistance's alone.
    pub(crate) fn own(&self) -> f64 {
        self.noise.hypot(self.voltmeter_own).hypot(self.ammeter_own)
    }

    fn total(&self) -> f64 {
        let common = [self.voltmeter_gain, self.ammeter_gain, self.voltmeter_settling, self.ammeter_settling];
        common.into_iter().fold(self.own(), f64::hypot)
    }
}

/// Every resistance that sound readings give, two-terminal ones included, in order of configuration and field.
///
/// # Errors
/// No readings, none of them sound, one without a current or with a value that is not a number.
pub fn resistances(readings: &[Reading]) -> Result<Vec<PairResistance>, Error> {
    let groups = groups(readings)?;
    Ok(groups.iter().map(|group| pair_resistance(group.level, &group.readings)).collect())
}

/// Readings of one pair of pairs at one level of the field.
pub(crate) struct Group {
    pub(crate) level: f64,
    /// In order of time.
    pub(crate) readings: Vec<Ordered>,
}

/// Sound readings by configuration and field.
pub(crate) fn groups(readings: &[Reading]) -> Result<Vec<Group>, Error> {
    if readings.is_empty() {
        return Err(Error::NoReadings);
    }
    let sound: Vec<&Reading> = readings.iter().filter(|r| r.condition == Condition::Sound).collect();
    if sound.is_empty() {
        return Err(Error::NoneSound { count: readings.len() });
    }
    sound.iter().try_for_each(|reading| check(reading))?;
    let levels = field::levels(&sound.iter().map(|reading| reading.field.0).collect::<Vec<_>>());
    let mut ordered: Vec<(f64, Ordered)> =
        levels.into_iter().zip(sound.into_iter().map(Ordered::new)).collect();
    ordered.sort_by(|(level_a, a), (level_b, b)| {
        (a.configuration.cmp(&b.configuration))
            .then(level_a.total_cmp(level_b))
            .then(a.time.total_cmp(&b.time))
            .then(a.current.total_cmp(&b.current))
            .then(a.voltage.total_cmp(&b.voltage))
            .then(a.field.total_cmp(&b.field))
    });
    Ok(ordered
        .chunk_by(|(level_a, a), (level_b, b)| a.configuration == b.configuration && level_a == level_b)
        .map(|group| Group {
            level: group[0].0,
            readings: group.iter().map(|(_, reading)| *reading).collect(),
        })
        .collect())
}

fn check(reading: &Reading) -> Result<(), Error> {
    check_finite(reading)?;
    if reading.current.value.0 == 0.0 {
        return Err(Error::ZeroCurrent { configuration: reading.configuration, time_s: reading.time.0 });
    }
    Ok(())
}

/// Whether everything that enters is a number.
pub(crate) fn check_finite(reading: &Reading) -> Result<(), Error> {
    let (configuration, time_s) = (reading.configuration, reading.time.0);
    let are_uncertainties = |all: [f64; 4]| all.iter().all(|u| u.is_finite() && *u >= 0.0);
    let (volt, ampere) = (reading.voltage, reading.current);
    let parts = [
        ("its time", time_s.is_finite()),
        ("its temperature", reading.temperature.0.is_finite()),
        ("its field", reading.field.0.is_finite()),
        ("its current", reading.current.value.0.is_finite()),
        ("its voltage", reading.voltage.value.0.is_finite()),
        (
            "the uncertainty of its current",
            are_uncertainties([ampere.gain_u, ampere.own_u.0, ampere.noise_u.0, ampere.settling_u.0]),
        ),
        (
            "the uncertainty of its voltage",
            are_uncertainties([volt.gain_u, volt.own_u.0, volt.noise_u.0, volt.settling_u.0]),
        ),
    ];
    if let Some((what, _)) = parts.into_iter().find(|(_, finite)| !finite) {
        return Err(Error::NotFinite { configuration, time_s, what });
    }
    Ok(())
}

pub(crate) fn pair_resistance(level: f64, readings: &[Ordered]) -> PairResistance {
    let directed = |forward: bool| {
        let ratios = readings.iter().filter(|r| (r.current > 0.0) == forward).map(|r| r.voltage / r.current);
        mean(ratios.collect::<Vec<_>>().as_slice())
    };
    let (forward, backward) = (directed(true), directed(false));
    let reversed = forward.is_some() && backward.is_some();
    let fit = if reversed { line(readings) } else { ratio(readings) };
    let sources = sources(readings, &fit);
    PairResistance {
        configuration: readings[0].configuration,
        field: Tesla(belonging(readings, &fit, |r| r.field)),
        temperature: belonging(readings, &fit, |r| r.temperature),
        resistance: Estimate::new(fit.resistance, sources.total()),
        forward,
        backward,
        reversed,
        readings: readings.len(),
        degrees_of_freedom: fit.degrees_of_freedom,
        level,
        slope: None,
        square_departure: 0.0,
        sources,
    }
}

/// The field or temperature that the fit's resistance belongs to: of R(B) = R₀ + s B the fit makes
/// R₀ + s Σ (∂R/∂V) I B, as it is linear in the voltages and gives R₀ for s = 0.
fn belonging(readings: &[Ordered], fit: &Fit, of: fn(&Ordered) -> f64) -> f64 {
    let mean = readings.iter().map(of).sum::<f64>() / readings.len() as f64;
    let departure = readings.iter().zip(&fit.by_voltage).map(|(r, by)| by * r.current * (of(r) - mean));
    mean + departure.sum::<f64>()
}

/// A resistance as a function of its readings.
struct Fit {
    resistance: f64,
    /// Its derivative by each voltage, 1/A.
    by_voltage: Vec<f64>,
    /// Its derivative by each current, Ω/A.
    by_current: Vec<f64>,
    scatter: f64,
    degrees_of_freedom: usize,
}

/// Least squares of V = e + R I, with drift where it can be told from R.
///
/// Offset and drift are projected out of current and voltage first; then R = I'·V'/I'·I', from which both derivatives
/// follow.
fn line(readings: &[Ordered]) -> Fit {
    let current = centred(readings.iter().map(|r| r.current));
    let voltage = centred(readings.iter().map(|r| r.voltage));
    let time = centred(readings.iter().map(|r| r.time));
    let drifts = readings.len() >= 3 && dot(&time, &time) > 0.0 && {
        let correlation = dot(&current, &time) / (dot(&current, &current) * dot(&time, &time)).sqrt();
        correlation.abs() <= LARGEST_CORRELATION
    };
    let (current, voltage) =
        if drifts { (without(&current, &time), without(&voltage, &time)) } else { (current, voltage) };
    let square = dot(&current, &current);
    let resistance = dot(&current, &voltage) / square;
    let residuals: Vec<f64> = voltage.iter().zip(&current).map(|(v, i)| v - resistance * i).collect();
    let degrees_of_freedom = readings.len() - if drifts { 3 } else { 2 };
    let scatter = if degrees_of_freedom == 0 {
        0.0
    } else {
        (dot(&residuals, &residuals) / degrees_of_freedom as f64 / square).sqrt()
    };
    Fit {
        resistance,
        by_voltage: current.iter().map(|i| i / square).collect(),
        by_current: current.iter().zip(&residuals).map(|(i, r)| (r - resistance * i) / square).collect(),
        scatter,
        degrees_of_freedom,
    }
}

/// Mean of V/I: all that one direction of the current allows.
fn ratio(readings: &[Ordered]) -> Fit {
    let count = readings.len() as f64;
    let ratios: Vec<f64> = readings.iter().map(|r| r.voltage / r.current).collect();
    let resistance = ratios.iter().sum::<f64>() / count;
    let departures = centred(ratios.iter().copied());
    let degrees_of_freedom = readings.len() - 1;
    let scatter = if degrees_of_freedom == 0 {
        0.0
    } else {
        (dot(&departures, &departures) / degrees_of_freedom as f64 / count).sqrt()
    };
    Fit {
        resistance,
        by_voltage: readings.iter().map(|r| 1.0 / (count * r.current)).collect(),
        by_current: readings.iter().zip(&ratios).map(|(r, ratio)| -ratio / (count * r.current)).collect(),
        scatter,
        degrees_of_freedom,
    }
}

fn sources(readings: &[Ordered], fit: &Fit) -> Sources {
    let own = |derivatives: &[f64], u: fn(&Ordered) -> f64| {
        let of_direction = |forward: bool| {
            let terms = readings.iter().zip(derivatives).filter(|(r, _)| (r.current > 0.0) == forward);
            terms.map(|(r, derivative)| derivative * u(r)).sum::<f64>()
        };
        of_direction(true).hypot(of_direction(false))
    };
    let common = |derivatives: &[f64], change: fn(&Ordered) -> f64| {
        readings.iter().zip(derivatives).map(|(r, derivative)| derivative * change(r)).sum::<f64>()
    };
    let independent = |derivatives: &[f64], u: fn(&Ordered) -> f64| {
        let squares = readings.iter().zip(derivatives).map(|(r, derivative)| (derivative * u(r)).powi(2));
        squares.sum::<f64>().sqrt()
    };
    let stated = independent(&fit.by_voltage, |r| r.voltage_u.noise)
        .hypot(independent(&fit.by_current, |r| r.current_u.noise));
    // The transient left in a voltage has the sign of current times resistance, turned.
    let sign = if fit.resistance == 0.0 { 0.0 } else { fit.resistance.signum() };
    Sources {
        noise: fit.scatter.max(stated),
        voltmeter_own: own(&fit.by_voltage, |r| r.voltage_u.own),
        ammeter_own: own(&fit.by_current, |r| r.current_u.own),
        voltmeter_gain: common(&fit.by_voltage, |r| r.voltage * r.voltage_u.gain),
        ammeter_gain: common(&fit.by_current, |r| r.current * r.current_u.gain),
        voltmeter_settling: sign * common(&fit.by_voltage, |r| -r.direction() * r.voltage_u.settling),
        ammeter_settling: common(&fit.by_current, |r| -r.direction() * r.current_u.settling),
    }
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

fn centred(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let values: Vec<f64> = values.collect();
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    values.iter().map(|value| value - mean).collect()
}

/// What remains of `values` without their part along `direction`.
fn without(values: &[f64], direction: &[f64]) -> Vec<f64> {
    let part = dot(values, direction) / dot(direction, direction);
    values.iter().zip(direction).map(|(value, along)| value - part * along).collect()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pair::Parts;

    /// Currents, voltages and times that no line fits.
    fn rough() -> Vec<Ordered> {
        [(1.0, 2.3, 0.0), (-0.7, -1.1, 1.0), (-1.2, -2.9, 2.5), (0.9, 1.4, 3.0), (1.1, 2.0, 4.5)]
            .into_iter()
            .map(|(current, voltage, time)| Ordered {
                configuration: "12,34".parse().unwrap(),
                time,
                field: 0.0,
                current,
                voltage,
                temperature: 295.0,
                current_u: Parts::default(),
                voltage_u: Parts::default(),
            })
            .collect()
    }

    #[track_caller]
    fn check(estimator: fn(&[Ordered]) -> Fit, readings: &[Ordered]) {
        let fit = estimator(readings);
        for k in 0..readings.len() {
            let moved = |change: fn(&mut Ordered, f64)| {
                let at = |step: f64| {
                    let mut moved = readings.to_vec();
                    change(&mut moved[k], step);
                    estimator(&moved).resistance
                };
                (at(1e-5) - at(-1e-5)) / 2e-5
            };
            let (by_voltage, by_current) =
                (moved(|r, step| r.voltage += step), moved(|r, step| r.current += step));
            assert!((fit.by_voltage[k] - by_voltage).abs() < 1e-8, "{k}: {by_voltage}");
            assert!((fit.by_current[k] - by_current).abs() < 1e-8, "{k}: {by_current}");
        }
    }

    #[test]
    fn the_derivatives_are_those_of_the_estimate_whatever_the_residuals() {
        check(line, &rough());
        check(line, &rough()[..2]);
        check(line, &rough()[..3]);
        check(ratio, &rough());
    }
}
