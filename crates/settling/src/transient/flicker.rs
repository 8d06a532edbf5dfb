//! 1/f noise between means over intervals of time.

/// Covariance of the means over two intervals for 1/f noise with a one-sided density of 1/f, but for a constant that all
/// pairs share: minus the mean of ln of the distance, in closed form. The constant is without effect where a level is fitted.
pub(crate) fn covariance((a, b): (f64, f64), (c, d): (f64, f64)) -> f64 {
    let integral = second(d - a) - second(c - a) - second(d - b) + second(c - b);
    -integral / ((b - a) * (d - c))
}

/// The function whose second derivative is ln|x|.
fn second(x: f64) -> f64 {
    if x == 0.0 { 0.0 } else { x * x * (0.5 * x.abs().ln() - 0.75) }
}

/// The constant that makes the variance of a mean over all of `seconds` one: 1/f noise that is slower is common to a leg and to
/// its reversal. (For a square wave without end, the variance of a leg is 0.85 of the density at 1 Hz, whatever its length.)
pub(crate) fn level(seconds: f64) -> f64 {
    seconds.ln() - 0.5
}
