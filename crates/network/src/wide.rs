//! Numbers of twice the digits of `f64`, as unevaluated sums of two; they know no network.
//!
//! Error-free sum: Knuth, The Art of Computer Programming 2, 4.2.2, theorem B; the pairs: Dekker, Numer. Math. 18, 224,
//! 1971. The error of each operation is below 16 × 2⁻¹⁰⁶ of its result (Joldes, Muller & Popescu, ACM Trans. Math.
//! Softw. 44, 15, 2017; all from memory).

use std::iter::Sum;
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub};

/// `high + low`, where `low` is at most half a unit in the last place of `high`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Wide {
    high: f64,
    low: f64,
}

impl Wide {
    pub(crate) const ZERO: Self = Self { high: 0.0, low: 0.0 };

    /// 1 / `value`.
    pub(crate) fn reciprocal(value: f64) -> Self {
        Self::from(1.0) / Self::from(value)
    }

    /// The nearest `f64`.
    pub(crate) fn rounded(self) -> f64 {
        self.high
    }

    /// Beyond the range of `f64` the error is not a number, and the sum would be none.
    fn pair(high: f64, low: f64) -> Self {
        Self { high, low: if high.is_finite() { low } else { 0.0 } }
    }

    fn sum_of(a: f64, b: f64) -> Self {
        let sum = a + b;
        let of_b = sum - a;
        Self::pair(sum, (a - (sum - of_b)) + (b - of_b))
    }

    /// Where `large` is zero or not below `small` in magnitude.
    fn sum_of_ordered(large: f64, small: f64) -> Self {
        let sum = large + small;
        Self::pair(sum, small - (sum - large))
    }

    fn product_of(a: f64, b: f64) -> Self {
        let product = a * b;
        Self::pair(product, a.mul_add(b, -product))
    }
}

impl From<f64> for Wide {
    fn from(value: f64) -> Self {
        Self { high: value, low: 0.0 }
    }
}

impl Neg for Wide {
    type Output = Self;

    fn neg(self) -> Self {
        Self { high: -self.high, low: -self.low }
    }
}

impl Add for Wide {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        let (high, low) = (Self::sum_of(self.high, other.high), Self::sum_of(self.low, other.low));
        let carried = Self::sum_of_ordered(high.high, high.low + low.high);
        Self::sum_of_ordered(carried.high, carried.low + low.low)
    }
}

impl Sub for Wide {
    type Output = Self;

    fn sub(self, other: Self) -> Self {
        self + -other
    }
}

impl Mul for Wide {
    type Output = Self;

    fn mul(self, other: Self) -> Self {
        let product = Self::product_of(self.high, other.high);
        let crossed = self.high.mul_add(other.low, self.low * other.low);
        Self::sum_of_ordered(product.high, product.low + self.low.mul_add(other.high, crossed))
    }
}

impl Div for Wide {
    type Output = Self;

    fn div(self, other: Self) -> Self {
        let quotient = self.high / other.high;
        let left = self - other * Self::from(quotient);
        Self::sum_of_ordered(quotient, left.high / other.high)
    }
}

impl AddAssign for Wide {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl Sum for Wide {
    fn sum<I: Iterator<Item = Self>>(values: I) -> Self {
        values.fold(Self::ZERO, Add::add)
    }
}

#[cfg(test)]
mod tests {
    use super::Wide;

    fn check(found: Wide, high: f64, low: f64) {
        assert_eq!(found.high, high);
        assert!((found.low - low).abs() <= 16.0 * 2.0_f64.powi(-106) * high.abs(), "{found:?}, {low:e}");
    }

    #[test]
    fn twice_the_digits_are_kept() {
        let tiny = 2.0_f64.powi(-80);
        let near_one = Wide::from(1.0) + Wide::from(tiny);
        check(near_one, 1.0, tiny);
        check(near_one - Wide::from(1.0), tiny, 0.0);
        check(near_one * near_one, 1.0, 2.0 * tiny);
        check(Wide::from(1.0) / near_one, 1.0, -tiny);
        check(-near_one * Wide::from(3.0), -3.0, -3.0 * tiny);
        // 1/3 = 0.0101…₂: the rounded value is short of it by a third of its last place, 2⁻⁵⁴ / 3.
        check(Wide::reciprocal(3.0), 1.0 / 3.0, 2.0_f64.powi(-54) / 3.0);
        check(Wide::reciprocal(3.0) * Wide::from(3.0), 1.0, 0.0);
        check([1e16, 1.0, -1e16].map(Wide::from).into_iter().sum(), 1.0, 0.0);
    }

    #[test]
    fn beyond_the_range_it_is_infinite_as_f64_is() {
        assert_eq!((Wide::from(1e308) + Wide::from(1e308)).rounded(), f64::INFINITY);
        assert_eq!((Wide::from(1e200) * Wide::from(-1e200)).rounded(), f64::NEG_INFINITY);
    }
}
