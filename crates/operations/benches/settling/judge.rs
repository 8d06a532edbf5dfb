//! What came of stops: how far each mean was off by what had not settled, how far by everything, and what was claimed.

use crate::night::{Ends, Measured, TOLERANCE};
use crate::scribe::Kept;
use crate::twin::Look;
use quadrille_experiment::{Evidence, MeterReading, Watch};

/// One mean of one meter.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stopped {
    /// What was told less its noise, by what the quiet bench showed in the same window, less where it ends, as a part of that.
    pub(crate) bias: f64,
    /// What was told less where it ends, the same.
    pub(crate) error: f64,
    /// What was claimed of that, one standard uncertainty.
    pub(crate) claimed: f64,
    /// Whether it was told that it had not settled.
    pub(crate) flagged: bool,
}

/// The stops of a run, of the voltmeter and of the ammeter.
pub(crate) fn stops(run: &Measured, ends: &Ends) -> [Vec<Stopped>; 2] {
    let each = |meter: usize| run.scribe.kept.iter().map(move |kept| stop(run, ends, kept, meter)).collect();
    [each(0), each(1)]
}

fn stop(run: &Measured, ends: &Ends, kept: &Kept, meter: usize) -> Stopped {
    let end = ends[&kept.key()][meter];
    let looks = if meter == 0 { &run.looks.volts } else { &run.looks.amperes };
    let looks = &looks[..kept.looks[meter]];
    let MeterReading { value, noise_u, settling_u, .. } = if meter == 0 {
        let MeterReading { value, gain_u, own_u, noise_u, settling_u } = kept.reading.voltage;
        MeterReading { value: value.0, gain_u, own_u: own_u.0, noise_u: noise_u.0, settling_u: settling_u.0 }
    } else {
        let MeterReading { value, gain_u, own_u, noise_u, settling_u } = kept.reading.current;
        MeterReading { value: value.0, gain_u, own_u: own_u.0, noise_u: noise_u.0, settling_u: settling_u.0 }
    };
    let ([noisy, quiet], flagged) = match &kept.circumstances.watch {
        None => {
            let look = looks[looks.len() - 1];
            ([look.noisy, look.quiet], false)
        }
        Some(watch) => watched(watch, looks, meter),
    };
    Stopped {
        // A mean is its readings'; of a value that is extrapolated, what it differs from their mean by counts with it.
        bias: (value - noisy + quiet) / end - 1.0,
        error: value / end - 1.0,
        claimed: noise_u.hypot(settling_u) / end.abs(),
        flagged,
    }
}

/// The means of what both benches showed in the window of a watch, and whether it was flagged.
fn watched(watch: &Watch, looks: &[Look], meter: usize) -> ([f64; 2], bool) {
    let (shown, evidence): (&[f64], &Evidence) =
        if meter == 0 { (&watch.voltage_v, &watch.voltage) } else { (&watch.current_a, &watch.current) };
    let (from, to) = evidence.window_s;
    let mut looks = looks.iter().rev();
    let (mut sums, mut weight) = ([0.0; 2], 0.0);
    for (k, &value) in shown.iter().enumerate().rev() {
        let look = looks.find(|look| look.noisy == value || (value.is_nan() && look.noisy.is_nan()));
        let look = look.unwrap_or_else(|| panic!("a watched reading that no meter gave: {value}"));
        let (begun, aperture) = (watch.begun_s[k], watch.aperture_s[k]);
        if begun >= from - 1e-6 && begun + aperture <= to + 1e-6 {
            sums = [sums[0] + aperture * look.noisy, sums[1] + aperture * look.quiet];
            weight += aperture;
        }
    }
    assert!(weight > 0.0, "an empty window {:?} of {:?}", evidence.window_s, watch.begun_s);
    (sums.map(|sum| sum / weight), evidence.flag.is_some())
}

/// What results are made of: voltage over current of each state, with what was claimed of both as if it were independent.
pub(crate) fn ratios([volts, amperes]: &[Vec<Stopped>; 2]) -> Vec<Stopped> {
    let ratio = |(volt, ampere): (&Stopped, &Stopped)| Stopped {
        bias: (1.0 + volt.bias) / (1.0 + ampere.bias) - 1.0,
        error: (1.0 + volt.error) / (1.0 + ampere.error) - 1.0,
        claimed: volt.claimed.hypot(ampere.claimed),
        flagged: volt.flagged || ampere.flagged,
    };
    volts.iter().zip(amperes).map(ratio).collect()
}

/// How honest stops were, in parts of one.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Honesty {
    /// Not flagged, and off by more than the tolerance.
    pub(crate) wrong: f64,
    /// Not flagged, and off by more than three tolerances.
    pub(crate) far: f64,
    /// Within two claimed standard uncertainties.
    pub(crate) covered: f64,
    /// The same, or flagged.
    pub(crate) covered_or_flagged: f64,
    pub(crate) flagged: f64,
}

/// Of all stops together.
pub(crate) fn honesty(stops: &[Stopped]) -> Honesty {
    let share = |is: &dyn Fn(&Stopped) -> bool| {
        stops.iter().filter(|stop| is(stop)).count() as f64 / stops.len().max(1) as f64
    };
    // The last digit that a meter tells is an uncertainty of nobody's.
    let covered = |stop: &Stopped| stop.error.abs() <= 2.0 * stop.claimed + 1e-9;
    Honesty {
        wrong: share(&|stop| !stop.flagged && stop.bias.abs() > TOLERANCE),
        far: share(&|stop| !stop.flagged && stop.bias.abs() > 3.0 * TOLERANCE),
        covered: share(&covered),
        covered_or_flagged: share(&|stop| stop.flagged || covered(stop)),
        flagged: share(&|stop| stop.flagged),
    }
}
