//! One drawn night carried out by each who is compared: the scheduler by evidence, the oracle, and fixed waits.

use crate::oracle::{Held, Oracle, Waited};
use crate::regime::{Draw, Part, without_noise};
use crate::scribe::{Kept, Key, Scribe};
use crate::twin::{Hand, Look, Looks, one, twins};
use quadrille_instruments::Bench;
use quadrille_operations::{Ending, Inputs, Plan};
use quadrille_plan::Settle;
use quadrille_quantity::Second;
use quadrille_scheduler::run;
use std::collections::HashMap;

/// What a mean may be off, as a part of the value: a third of what a recipe wants where it says nothing.
pub(crate) const TOLERANCE: f64 = 1e-3 / 3.0;

/// Standard uncertainty of a value by noise: the half of what is wanted that a plan has for it.
pub(crate) const WANTED: f64 = 0.5e-3;

/// A fixed wait for plans whose waits are then set by hand: so long that it does not shorten the wait at zero current.
pub(crate) const BY_HAND: &str = "time_s = 1000.0";

/// Where volts and amperes of each state end.
pub(crate) type Ends = HashMap<Key, [f64; 2]>;

/// A future in virtual time.
pub(crate) fn virtually<F: Future>(future: F) -> F::Output {
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap();
    runtime.block_on(future)
}

/// The plan of documents.
pub(crate) fn plan(inputs: &Inputs) -> Plan {
    let recipe = inputs.recipe.as_ref().unwrap();
    Plan::new(&inputs.equipped, inputs.sample(), recipe).unwrap_or_else(|faults| panic!("{faults}"))
}

/// Sets a fixed wait after each change.
pub(crate) fn wait(plan: &mut Plan, seconds: f64) {
    plan.samples[0].settings.settle = Settle::Wait(Second(seconds));
}

/// Carries a plan out to its end; anything else is a defect of this program or of the scheduler.
async fn carry(plan: &Plan, bench: &mut Bench, hand: &mut Hand, scribe: &mut Scribe) {
    let (_nobody, stop) = tokio::sync::watch::channel(false);
    let outcome = run(plan, bench, scribe, hand, stop).await;
    assert!(matches!(outcome.ending, Ending::Finished), "{outcome:?}");
}

/// A run on the quiet bench with waits of the caller's.
pub(crate) fn quietly(draw: &Draw, part: Part, change: impl Fn(&mut Plan)) -> Scribe {
    alone(&without_noise(&draw.inputs(BY_HAND, part)), change)
}

/// A run of documents on one bench.
pub(crate) fn alone(inputs: &Inputs, change: impl Fn(&mut Plan)) -> Scribe {
    let mut plan = plan(inputs);
    change(&mut plan);
    virtually(async {
        let (simulated, mut bench) = one(inputs);
        let mut hand = Hand::new(vec![simulated]);
        let mut scribe = Scribe::new(None);
        carry(&plan, &mut bench, &mut hand, &mut scribe).await;
        scribe
    })
}

/// What each state of a run came to.
pub(crate) fn values(scribe: &Scribe) -> Ends {
    let of = |kept: &Kept| [kept.reading.voltage.value.0, kept.reading.current.value.0];
    scribe.kept.iter().map(|kept| (kept.key(), of(kept))).collect()
}

/// So long that nothing is left of any transient.
fn forever(draw: &Draw) -> f64 {
    60.0 * draw.slower * draw.tau_s + 1.0
}

/// Where each state ends, by waiting.
pub(crate) fn ends(draw: &Draw, part: Part) -> Ends {
    values(&quietly(draw, part, |plan| wait(plan, forever(draw))))
}

/// The oracle's round, with what it waited for after each change and what the bench complained of.
pub(crate) struct Foreseen {
    pub(crate) scribe: Scribe,
    pub(crate) waits: Vec<Waited>,
    pub(crate) complaints: usize,
}

impl Foreseen {
    pub(crate) fn round_s(&self) -> f64 {
        self.scribe.rounds[0].length_s()
    }
}

/// Where a transient is over within a reading, the oracle begins its first one so late, in seconds: the best of these.
const STARTS: [f64; 8] = [0.0, 1e-3, 2e-3, 3e-3, 5e-3, 7e-3, 1e-2, 1.5e-2];

/// The oracle's resistivity.
pub(crate) fn foreseen(draw: &Draw, ends: &Ends, fewest: usize) -> Foreseen {
    let starts = STARTS.iter().take(if draw.tau_s < 0.01 { STARTS.len() } else { 1 });
    let each = starts.map(|&start_s| begun_at(draw, ends, fewest, start_s, true));
    let quickest = each.min_by(|a, b| a.round_s().total_cmp(&b.round_s()));
    quickest.unwrap_or_else(|| unreachable!("the first start is always tried"))
}

/// The same with its first reading after so long.
fn begun_at(draw: &Draw, ends: &Ends, fewest: usize, start_s: f64, skips: bool) -> Foreseen {
    let inputs = without_noise(&draw.inputs(BY_HAND, Part::Resistivity));
    let held = Held { fewest, skips, ..Held::to(TOLERANCE, of_no_field(ends)) };
    with_oracle(&inputs, held, |plan| wait(plan, start_s))
}

/// Documents carried out with an oracle, and no wait at zero current but its own.
pub(crate) fn with_oracle(inputs: &Inputs, held: Held, change: impl Fn(&mut Plan)) -> Foreseen {
    let mut plan = plan(inputs);
    plan.samples[0].settings.discharge = Second(0.0);
    wait(&mut plan, 0.0);
    change(&mut plan);
    let residual = plan.settings(0).residual.0;
    virtually(async {
        let (simulated, bench) = one(inputs);
        let (oracle, mut bench) = Oracle::on(bench, Held { residual, ..held });
        let mut hand = Hand::new(vec![simulated.clone()]);
        let mut scribe = Scribe::new(None);
        carry(&plan, &mut bench, &mut hand, &mut scribe).await;
        Foreseen { scribe, waits: oracle.waits(), complaints: simulated.complaints().len() }
    })
}

/// A run on the noisy bench with its twin.
pub(crate) struct Measured {
    pub(crate) scribe: Scribe,
    pub(crate) looks: Looks,
    pub(crate) complaints: usize,
}

/// The scheduler's own run of documents, with waits changed where somebody wants it.
pub(crate) fn measured(draw: &Draw, settling: &str, part: Part, change: impl Fn(&mut Plan)) -> Measured {
    let inputs = draw.inputs(settling, part);
    let mut plan = plan(&inputs);
    change(&mut plan);
    virtually(async {
        let mut twins = twins(&inputs, draw);
        let mut scribe = Scribe::new(Some(twins.looks.clone()));
        carry(&plan, &mut twins.bench, &mut twins.hand, &mut scribe).await;
        let complaints = twins.simulated.complaints().len();
        let looks = std::mem::replace(&mut *twins.looks.lock().unwrap(), Looks::new(draw));
        Measured { scribe, looks, complaints }
    })
}

/// Largest bias of any reading of a quiet run, as a part of where it ends.
pub(crate) fn worst(scribe: &Scribe, ends: &Ends) -> f64 {
    let bias = |kept: &Kept| {
        let ends = ends[&kept.key()];
        let volt = kept.reading.voltage.value.0 / ends[0] - 1.0;
        let ampere = kept.reading.current.value.0 / ends[1] - 1.0;
        volt.abs().max(ampere.abs())
    };
    scribe.kept.iter().map(bias).fold(0.0, f64::max)
}

/// With so long a wait after each change, and no more at zero current than it needs.
pub(crate) fn fixed(settle_s: f64) -> impl Fn(&mut Plan) {
    move |plan| wait(plan, settle_s)
}

/// Shortest fixed wait with which every reading of a round is right, in seconds: by bisection of its logarithm, to 2 %.
pub(crate) fn needed_wait(draw: &Draw, ends: &Ends) -> f64 {
    let right = |settle_s: f64| {
        let scribe = quietly(draw, Part::Resistivity, fixed(settle_s));
        worst(&scribe, ends) <= TOLERANCE
    };
    let (mut low, mut high) = (1e-4, forever(draw));
    while high / low > 1.02 {
        let middle = (low * high).sqrt();
        if right(middle) { high = middle } else { low = middle }
    }
    high
}

/// Noise of one reading of 20 ms.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Scatter {
    /// As a part of what is read, of the meter in which it is larger.
    pub(crate) relative: f64,
    /// Of the voltmeter, in volts.
    pub(crate) volt: f64,
}

/// Standard deviation of one reading of 20 ms as a part of where it ends, over a round that is read when it has settled:
/// the larger of the two meters'.
pub(crate) fn scatter(draw: &Draw) -> Scatter {
    let run = measured(draw, BY_HAND, Part::Resistivity, |plan| {
        wait(plan, forever(draw));
        plan.samples.iter_mut().for_each(|sample| sample.settings.repeats = 4);
    });
    let rms = |looks: &[Look]| {
        let off = looks.iter().filter(|look| look.noisy.is_finite() && look.quiet.abs() > 0.0);
        let squares: Vec<f64> = off.map(|look| ((look.noisy - look.quiet) / look.quiet).powi(2)).collect();
        (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
    };
    // What the ammeter shows of a discharge is no reading of a round.
    let taken = |kept: &Kept, which: usize, looks: &[Look]| looks[kept.looks[which] - 1];
    let volts: Vec<_> = run.scribe.kept.iter().map(|kept| taken(kept, 0, &run.looks.volts)).collect();
    let amperes: Vec<_> = run.scribe.kept.iter().map(|kept| taken(kept, 1, &run.looks.amperes)).collect();
    let square = |look: &Look| (look.noisy - look.quiet).powi(2);
    let volt = (volts.iter().map(square).sum::<f64>() / volts.len() as f64).sqrt();
    Scatter { relative: rms(&volts).max(rms(&amperes)), volt }
}

/// How many readings a mean needs for the standard uncertainty that is wanted.
pub(crate) fn fewest(scatter: f64) -> usize {
    ((scatter / WANTED).powi(2).ceil() as usize).max(1)
}

pub(crate) fn of_no_field(ends: &Ends) -> crate::oracle::Ends {
    let ends = ends.iter().filter(|((_, _, field), _)| *field == 0);
    ends.map(|(&(configuration, plus, _), &ends)| ((configuration, plus), ends)).collect()
}

/// Mean Hall voltage of readings, each with its state: what is odd in the current and in the field. The diagonals of the
/// recipe all have it with the same sign.
pub(crate) fn hall_voltage(volts: impl Iterator<Item = (Key, f64)>) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for ((_, plus, field), volt) in volts.filter(|((_, _, field), _)| *field != 0) {
        let sign = if plus { 1.0 } else { -1.0 } * f64::from(field);
        (sum, count) = (sum + sign * volt, count + 1.0);
    }
    sum / count
}

/// Readings that the mean Hall voltage is made of where each state is read once: four configurations, two fields, `+--+`.
const HALL_READINGS: f64 = 32.0;

/// Longest averaging of one reading, in power-line cycles.
const MOST_CYCLES: usize = 100;

/// The oracle's Hall rounds: one dead time for all changes, the shortest with which the mean Hall voltage is right (it is
/// the same in both fields, so that what is not odd in them cancels), and readings as long as the noise asks for.
/// Seconds of its legs, and power-line cycles of each reading.
pub(crate) fn hall_foreseen(draw: &Draw, ends: &Ends, scatter_v: f64) -> (f64, usize) {
    let end = hall_voltage(ends.iter().map(|(&key, &[volt, _])| (key, volt)));
    let cycles = (scatter_v / (HALL_READINGS.sqrt() * WANTED * end)).powi(2).ceil().max(1.0) as usize;
    let run = |settle_s: f64| {
        let scribe = hall_by(draw, settle_s, cycles.min(MOST_CYCLES));
        let found = hall_voltage(scribe.kept.iter().map(|kept| (kept.key(), kept.reading.voltage.value.0)));
        ((found / end - 1.0).abs(), scribe.rounds.iter().map(|round| round.length_s()).sum::<f64>())
    };
    let (mut low, mut high) = (1e-4, forever(draw));
    let mut took_s = run(high).1;
    let at_once = run(low);
    if at_once.0 <= TOLERANCE {
        (high, took_s) = (low, at_once.1);
    }
    while high / low > 1.02 {
        let middle = (low * high).sqrt();
        let (bias, seconds) = run(middle);
        if bias <= TOLERANCE { (high, took_s) = (middle, seconds) } else { low = middle }
    }
    let beyond = cycles.saturating_sub(MOST_CYCLES) as f64 * 0.02 * HALL_READINGS;
    (took_s + beyond, cycles)
}

/// Hall rounds of the quiet bench with a dead time, and no more at zero current than it needs.
fn hall_by(draw: &Draw, settle_s: f64, cycles: usize) -> Scribe {
    let inputs = without_noise(&draw.inputs(BY_HAND, Part::Hall));
    let held = Held { waits: false, ..Held::to(TOLERANCE, HashMap::new()) };
    let run = with_oracle(&inputs, held, |plan| {
        wait(plan, settle_s);
        let settings = &mut plan.samples[0].settings;
        settings.aperture = Second(settings.aperture.0 / settings.aperture_plc * cycles as f64);
        settings.aperture_plc = cycles as f64;
    });
    run.scribe
}
