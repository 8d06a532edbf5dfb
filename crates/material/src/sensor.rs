//! A thermometer by its table: readings at temperatures, rising or falling throughout, and what lies between.

use crate::MaterialError;
use quadrille_quantity::Kelvin;

/// How it goes from one point of a table to the next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Interpolation {
    /// In a straight line: diodes, platinum, thermocouples.
    Linear,
    /// In a straight line of logarithms against logarithms: semiconducting resistors, whose tables span decades.
    Logarithmic,
}

/// A sensor known by a table. Both directions are interpolated in the same way, so that they are inverse to one
/// another. How far it may be off between points is the table's to say.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorTable {
    /// Rising temperatures with readings that rise or fall throughout.
    points: Vec<(f64, f64)>,
    interpolation: Interpolation,
}

impl SensorTable {
    /// A table from pairs of temperature and reading (of whatever unit), in any order. Wants two points or more,
    /// temperatures above 0 K that differ, readings that rise or fall throughout, and above zero for logarithms.
    pub fn new(
        points: impl IntoIterator<Item = (Kelvin, f64)>,
        interpolation: Interpolation,
    ) -> Result<Self, MaterialError> {
        let mut points: Vec<_> = points.into_iter().map(|(kelvin, reading)| (kelvin.0, reading)).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let fault = |problem: String, remedy: &str| Err(MaterialError::new("table", problem, remedy));
        if points.len() < 2 {
            return fault(format!("{} points make no table", points.len()), "write two or more");
        }
        for &(kelvin, reading) in &points {
            let right = kelvin > 0.0 && kelvin.is_finite() && reading.is_finite();
            if !right || (interpolation == Interpolation::Logarithmic && reading <= 0.0) {
                return fault(format!("{reading} at {kelvin} K is no point"), "write numbers above zero");
            }
        }
        let rising = points[1].1 > points[0].1;
        for pair in points.windows(2) {
            let [(cold, first), (warm, second)] = [pair[0], pair[1]];
            if cold == warm {
                return fault(format!("{cold} K is there twice"), "write each temperature once");
            }
            if first == second || (second > first) != rising {
                let problem = format!("the readings do not go one way from {cold} K to {warm} K");
                return fault(problem, "write readings that rise or fall throughout");
            }
        }
        Ok(Self { points, interpolation })
    }

    /// What the sensor reads; an error outside of the table.
    pub fn reading(&self, temperature: Kelvin) -> Result<f64, MaterialError> {
        self.between(temperature.0, |point| point, true).ok_or_else(|| {
            let problem = format!("{} K is outside of the sensor's table", temperature.0);
            MaterialError::new("temperature", problem, self.span_text())
        })
    }

    /// The temperature at which the sensor reads this; an error outside of the table.
    pub fn temperature(&self, reading: f64) -> Result<Kelvin, MaterialError> {
        let rising = self.points[1].1 > self.points[0].1;
        self.between(reading, |(kelvin, value)| (value, kelvin), rising).map(Kelvin).ok_or_else(|| {
            let problem = format!("a reading of {reading} is outside of the sensor's table");
            MaterialError::new("resistance", problem, self.span_text())
        })
    }

    fn span_text(&self) -> String {
        let last = self.points.len() - 1;
        format!("stay between {} K and {} K", self.points[0].0, self.points[last].0)
    }

    /// The second of a pair at a value of the first.
    fn between(&self, x: f64, view: impl Fn((f64, f64)) -> (f64, f64), rising: bool) -> Option<f64> {
        let before = |y: f64| if rising { y < x } else { y > x };
        let last = self.points.len() - 1;
        let (first, end) = (view(self.points[0]).0, view(self.points[last]).0);
        if !(first.min(end)..=first.max(end)).contains(&x) {
            return None;
        }
        let next = self.points.partition_point(|&point| before(view(point).0)).clamp(1, last);
        let (a, b) = (view(self.points[next - 1]), view(self.points[next]));
        Some(match self.interpolation {
            Interpolation::Linear => line(a, b, x),
            Interpolation::Logarithmic => line((a.0.ln(), a.1.ln()), (b.0.ln(), b.1.ln()), x.ln()).exp(),
        })
    }
}

fn line(a: (f64, f64), b: (f64, f64), x: f64) -> f64 {
    let part = (x - a.0) / (b.0 - a.0);
    a.1 * (1.0 - part) + b.1 * part
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(points: &[(f64, f64)], interpolation: Interpolation) -> Result<SensorTable, MaterialError> {
        SensorTable::new(points.iter().map(|&(kelvin, reading)| (Kelvin(kelvin), reading)), interpolation)
    }

    // Invented: a voltage that falls, and a resistance that falls as a power, R = 1000 Ω·(4 K/T)^1.5.
    const FALLING: [(f64, f64); 4] = [(300.0, 0.56), (4.2, 1.63), (77.0, 1.02), (20.0, 1.21)];

    #[test]
    fn points_of_the_table_are_met() {
        let sensor = table(&FALLING, Interpolation::Linear).unwrap();
        for (kelvin, reading) in FALLING {
            assert_eq!(sensor.reading(Kelvin(kelvin)).unwrap(), reading);
            assert!((sensor.temperature(reading).unwrap().0 - kelvin).abs() < 1e-12 * kelvin);
        }
    }

    #[test]
    fn both_directions_are_inverse_between_points() {
        for interpolation in [Interpolation::Linear, Interpolation::Logarithmic] {
            let sensor = table(&FALLING, interpolation).unwrap();
            for kelvin in [4.2, 5.0, 19.9, 20.1, 63.0, 77.35, 299.0] {
                let back = sensor.temperature(sensor.reading(Kelvin(kelvin)).unwrap()).unwrap();
                assert!((back.0 / kelvin - 1.0).abs() < 1e-12, "{kelvin} K came back as {} K", back.0);
            }
        }
    }

    #[test]
    fn logarithms_follow_a_power_exactly() {
        let law = |kelvin: f64| 1000.0 * (4.0 / kelvin).powf(1.5);
        let sensor =
            table(&[4.0, 11.0, 90.0, 300.0].map(|t| (t, law(t))), Interpolation::Logarithmic).unwrap();
        for kelvin in [4.5, 25.0, 150.0] {
            let reading = sensor.reading(Kelvin(kelvin)).unwrap();
            assert!((reading / law(kelvin) - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn a_table_that_turns_back_is_refused() {
        let cases: [(&[(f64, f64)], &str); 5] = [
            (&[(4.0, 1.0)], "1 points make no table"),
            (&[(4.0, 1.0), (10.0, 2.0), (20.0, 1.5)], "from 10 K to 20 K"),
            (&[(4.0, 1.0), (4.0, 2.0)], "4 K is there twice"),
            (&[(4.0, 1.0), (10.0, 1.0)], "do not go one way"),
            (&[(-4.0, 1.0), (10.0, 2.0)], "is no point"),
        ];
        for (points, told) in cases {
            let error = table(points, Interpolation::Linear).unwrap_err();
            assert!(error.problem.contains(told), "{told:?} is not in {:?}", error.problem);
        }
        assert!(table(&[(4.0, -1.0), (10.0, 2.0)], Interpolation::Logarithmic).is_err());
    }

    #[test]
    fn nothing_is_said_outside_of_the_table() {
        let sensor = table(&FALLING, Interpolation::Linear).unwrap();
        assert_eq!(sensor.reading(Kelvin(4.1)).unwrap_err().parameter, "temperature");
        assert_eq!(sensor.temperature(0.5).unwrap_err().parameter, "resistance");
        assert!(sensor.temperature(f64::NAN).is_err());
    }
}
