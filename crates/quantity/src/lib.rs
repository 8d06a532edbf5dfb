//! Physical quantities as types of their own, and a value with its standard uncertainty. Knows nothing else.
//!
//! A quantity is a newtype over `f64` in the SI unit without prefix: `Volt(1e-3)` is one millivolt. Only the
//! handful of products that a bench needs exist, so that `Volt(1.0) / Ampere(1.0)` is an [`Ohm`] and
//! `Volt(1.0) + Ohm(1.0)` does not compile.

mod text;

pub use text::{prefixed, with_uncertainty};

use serde::{Deserialize, Serialize};
use std::ops::{Add, Div, Mul, Neg, Sub};

macro_rules! quantity {
    ($($(#[$doc:meta])* $name:ident, $unit:literal;)*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// Symbol of the SI unit.
            pub const UNIT: &'static str = $unit;

            /// The magnitude.
            pub fn abs(self) -> Self {
                Self(self.0.abs())
            }

            /// The smaller of two.
            pub fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }

            /// The larger of two.
            pub fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(&prefixed(self.0, Self::UNIT))
            }
        }
        impl Add for $name { type Output = Self; fn add(self, o: Self) -> Self { Self(self.0 + o.0) } }
        impl Sub for $name { type Output = Self; fn sub(self, o: Self) -> Self { Self(self.0 - o.0) } }
        impl Neg for $name { type Output = Self; fn neg(self) -> Self { Self(-self.0) } }
        impl Mul<f64> for $name { type Output = Self; fn mul(self, k: f64) -> Self { Self(self.0 * k) } }
        impl Mul<$name> for f64 { type Output = $name; fn mul(self, q: $name) -> $name { $name(self * q.0) } }
        impl Div<f64> for $name { type Output = Self; fn div(self, k: f64) -> Self { Self(self.0 / k) } }
        impl Div for $name { type Output = f64; fn div(self, o: Self) -> f64 { self.0 / o.0 } }
    )*};
}

quantity! {
    /// Electric potential difference in volts.
    Volt, "V";
    /// Electric current in amperes.
    Ampere, "A";
    /// Resistance in ohms; also sheet resistance, where the trade writes ohms per square.
    Ohm, "Ω";
    /// Power in watts.
    Watt, "W";
    /// Capacitance in farads.
    Farad, "F";
    /// Thermodynamic temperature in kelvins.
    Kelvin, "K";
    /// Magnetic flux density in teslas.
    Tesla, "T";
    /// Duration in seconds.
    Second, "s";
    /// Length in metres.
    Metre, "m";
}

impl Div<Ampere> for Volt {
    type Output = Ohm;
    fn div(self, i: Ampere) -> Ohm {
        Ohm(self.0 / i.0)
    }
}
impl Div<Ohm> for Volt {
    type Output = Ampere;
    fn div(self, r: Ohm) -> Ampere {
        Ampere(self.0 / r.0)
    }
}
impl Mul<Ohm> for Ampere {
    type Output = Volt;
    fn mul(self, r: Ohm) -> Volt {
        Volt(self.0 * r.0)
    }
}
impl Mul<Ampere> for Volt {
    type Output = Watt;
    fn mul(self, i: Ampere) -> Watt {
        Watt(self.0 * i.0)
    }
}
impl Mul<Farad> for Ohm {
    type Output = Second;
    fn mul(self, c: Farad) -> Second {
        Second(self.0 * c.0)
    }
}

/// A value with its standard uncertainty (JCGM 100:2008, 2.3.1), both in the same SI unit, which the name of
/// the variable or key states.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty, never negative.
    pub standard_uncertainty: f64,
}

impl Estimate {
    /// A value with its standard uncertainty.
    pub fn new(value: f64, standard_uncertainty: f64) -> Self {
        Self { value, standard_uncertainty }
    }

    /// A value taken as exact.
    pub fn exact(value: f64) -> Self {
        Self::new(value, 0.0)
    }

    /// Standard uncertainty over the magnitude of the value; infinite for an uncertain zero.
    pub fn relative(self) -> f64 {
        if self.standard_uncertainty == 0.0 { 0.0 } else { self.standard_uncertainty / self.value.abs() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn products_carry_their_units() {
        assert_eq!(Volt(0.75) / Ampere(1e-4), Ohm(7500.0));
        assert_eq!(Ampere(2.0) * Ohm(3.0), Volt(6.0));
        assert_eq!(Volt(2.0) * Ampere(0.5), Watt(1.0));
        assert_eq!(Volt(4.0) / Volt(2.0), 2.0);
        assert_eq!(Ohm(1e10) * Farad(1e-10), Second(1.0));
    }
}
