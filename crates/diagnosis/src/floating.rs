//! What a voltmeter shows whose inputs float: volts that nobody can predict, but not any volts.
//!
//! Three ways, equally likely: each reading anywhere in logarithm from the noise to the source's limit; all readings scattered
//! around nothing, or around what leaks and bias currents of nominal size make of them, by one width that is itself
//! anywhere in logarithm.

/// A reading of inputs that float.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Floating {
    pub(crate) shown: f64,
    /// By leaks and bias currents of nominal size.
    pub(crate) expected: f64,
    /// Standard deviation of the reading if its inputs did not float.
    pub(crate) sigma: f64,
    pub(crate) limit: f64,
}

/// Logarithm of the density of all these readings together.
pub(crate) fn density(readings: &[Floating]) -> f64 {
    let apart: f64 = readings.iter().map(anywhere).sum();
    let around_nothing = around(readings, |_| 0.0);
    let around_expected = around(readings, |reading| reading.expected);
    let most = apart.max(around_nothing).max(around_expected);
    let sum: f64 = [apart, around_nothing, around_expected].iter().map(|x| (x - most).exp()).sum();
    most + (sum / 3.0).ln()
}

fn anywhere(reading: &Floating) -> f64 {
    let least = 10.0 * reading.sigma;
    let range = (reading.limit.max(100.0 * least) / least).ln_1p();
    -(2.0 * range * (reading.shown.abs() + least)).ln()
}

/// Cauchy around a centre, at the likeliest common width; Laplace for the logarithm of that.
fn around(readings: &[Floating], centre: impl Fn(&Floating) -> f64) -> f64 {
    let off: Vec<f64> = readings.iter().map(|r| r.shown - centre(r)).collect();
    let least = readings.iter().map(|r| r.sigma).fold(f64::INFINITY, f64::min) * 10.0;
    let limit = readings.iter().map(|r| r.limit).fold(least * 100.0, f64::max);
    let mut width = off.iter().map(|x| x.abs()).sum::<f64>() / off.len() as f64;
    for _ in 0..20 {
        // At the likeliest width the mean of x²/(x² + w²) is one half.
        let share: f64 = off.iter().map(|x| x * x / (x * x + width * width)).sum::<f64>() / off.len() as f64;
        width = (width * (share / (1.0 - share).max(1e-9)).sqrt()).clamp(least, limit);
    }
    let density: f64 =
        off.iter().map(|x| -(std::f64::consts::PI * width * (1.0 + (x / width).powi(2))).ln()).sum();
    let curvature: f64 = off.iter().map(|x| 4.0 * (x * width / (x * x + width * width)).powi(2)).sum();
    density + 0.5 * (2.0 * std::f64::consts::PI / curvature.max(1.0)).ln() - (limit / least).ln().ln()
}
