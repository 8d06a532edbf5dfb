//! What an oscillation that goes on reaches, by what whole periods of it reached.

/// How far readings, averaged over parts of this length, are from a value at most.
pub(super) fn farthest(samples: &[(f64, f64)], part: f64, from: f64) -> f64 {
    let mut farthest: f64 = 0.0;
    let mut rest = samples;
    while let Some(&(begin, _)) = rest.first() {
        let number = rest.partition_point(|sample| sample.0 < begin + part).max(1);
        let mean = rest[..number].iter().map(|sample| sample.1).sum::<f64>() / number as f64;
        farthest = farthest.max((mean - from).abs());
        rest = &rest[number..];
    }
    farthest
}

/// What an oscillation reaches.
pub(super) struct Reach {
    /// Mean over the periods.
    pub(super) mean: f64,
    /// Farthest from it.
    pub(super) amplitude: f64,
    /// How fast the mean moves, per second.
    pub(super) drift: f64,
    /// How far the mean may have moved by the end of the time ahead.
    pub(super) drifted: f64,
}

/// Over a window of which each half has whole periods; `part` is short against one.
pub(super) fn reach(samples: &[(f64, f64)], part: f64, ahead: f64) -> Option<Reach> {
    let (begin, end) = (samples.first()?.0, samples.last()?.0);
    let half = (end - begin) / 2.0;
    let middle = samples.partition_point(|sample| sample.0 < begin + half);
    let mean = |samples: &[(f64, f64)]| {
        samples.iter().map(|sample| sample.1).sum::<f64>() / samples.len().max(1) as f64
    };
    let drift = (mean(&samples[middle..]) - mean(&samples[..middle])) / half;
    let all = mean(samples);
    Some(Reach { mean: all, amplitude: farthest(samples, part, all), drift, drifted: (drift * ahead).abs() })
}
