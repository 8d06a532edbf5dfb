//! Sorts the readings of a run into sets of one temperature each; knows what a measurement needs, not what it gives.

use crate::field;
use crate::hall::DIAGONALS;
use crate::pair::{Ordered, numbers};
use crate::reduce::HALVES;
use quadrille_experiment::{Condition, Reading};
use quadrille_quantity::Kelvin;
use std::collections::{BTreeMap, BTreeSet};

/// Readings further apart than this are not of one temperature: the limit of ASTM F76 between the start and the end
/// of a set (from memory).
const GAP_K: f64 = 1.0;
/// A gap between two measurements is at least so many times as wide as either: a judgement, no source. Readings
/// spread at random leave no such gap between groups of several.
const GAP_OVER_WIDTH: f64 = 5.0;
/// A gap between two measurements is at least this part of the temperature: what thermometers resolve anyhow, no
/// source.
const GAP_RELATIVE: f64 = 1e-3;

/// Readings clustered by temperature, coldest first, each set with its mean temperature and in the order given.
///
/// Neighbours in temperature more than 1 K apart never belong together. Closer ones do, as jitter and drift of one
/// measurement, unless they are several measurements: readings are cut at gaps more than five times as wide as the
/// parts on both sides and more than a thousandth of the temperature, if every part is a whole measurement by itself.
/// That is: all parts measured the same pairs of contacts at the same signs of the field, enough for sheet resistance
/// or a Hall coefficient; no two parts only together have both directions of a current; and the parts are not what a
/// thermometer makes that jumps between two of its digits: each was measured as a whole before the next, or all have
/// as many readings of everything. So sheet readings at 300.0 K stay with Hall readings at 300.4 K, and whole sets at
/// 4.2 K and 4.5 K are two temperatures.
pub fn by_temperature(readings: &[Reading]) -> Vec<(Kelvin, Vec<Reading>)> {
    let mut order: Vec<(usize, &Reading)> = readings.iter().enumerate().collect();
    order.sort_by(|(_, a), (_, b)| a.temperature.0.total_cmp(&b.temperature.0));
    order
        .chunk_by(|(_, a), (_, b)| b.temperature.0 - a.temperature.0 <= GAP_K)
        .flat_map(|cluster| {
            let fields: Vec<f64> = cluster.iter().map(|(_, reading)| reading.field.0).collect();
            let levels = field::levels(&fields).into_iter();
            let placed: Vec<Placed> =
                cluster.iter().zip(levels).map(|((k, r), level)| Placed::new(*k, r, level)).collect();
            measurements(&placed).into_iter().map(|part| set(readings, part)).collect::<Vec<_>>()
        })
        .collect()
}

/// Mean temperature and readings in the order given.
fn set(readings: &[Reading], part: &[Placed]) -> (Kelvin, Vec<Reading>) {
    let sum: f64 = part.iter().map(|reading| reading.temperature).sum();
    let mut in_order: Vec<usize> = part.iter().map(|reading| reading.place).collect();
    in_order.sort_unstable();
    (Kelvin(sum / part.len() as f64), in_order.into_iter().map(|k| readings[k]).collect())
}

/// Current pair and sense pair, each ascending, and the sign of the field: 0 for none.
type State = ([u8; 4], i8);

/// A reading as far as it matters here.
struct Placed {
    /// Its place in the list given.
    place: usize,
    time: f64,
    temperature: f64,
    state: State,
    /// Whether current went into the lower contact; `None` of a reading that is no value.
    forward: Option<bool>,
}

impl Placed {
    fn new(place: usize, reading: &Reading, level: f64) -> Self {
        let ordered = Ordered::new(reading);
        let sign = i8::from(level > 0.0) - i8::from(level < 0.0);
        Self {
            place,
            time: reading.time.0,
            temperature: reading.temperature.0,
            state: (numbers(ordered.configuration), sign),
            forward: (reading.condition == Condition::Sound).then_some(ordered.current > 0.0),
        }
    }
}

/// Cuts a cluster, ascending in temperature, into the measurements it is made of.
///
/// The fewest of its widest gaps that part it into measurements do so; then every part is looked at in the same way.
fn measurements(cluster: &[Placed]) -> Vec<&[Placed]> {
    let states: BTreeSet<State> = cluster.iter().map(|reading| reading.state).collect();
    if !is_measurement(&states) {
        return vec![cluster];
    }
    let gap = |cut: usize| cluster[cut].temperature - cluster[cut - 1].temperature;
    let mut gaps: Vec<usize> =
        (1..cluster.len()).filter(|&cut| gap(cut) > GAP_RELATIVE * cluster[cut].temperature.abs()).collect();
    gaps.sort_by(|&a, &b| gap(b).total_cmp(&gap(a)));
    let most = gaps.len().min(cluster.len() / states.len() - 1);
    for count in 1..=most {
        let parts = parts(cluster, &gaps[..count]);
        if are_apart(&parts)
            && are_measurements(&parts, &states)
            && (are_alike(&parts) || are_one_after_another(&parts, &states))
        {
            return parts.into_iter().flat_map(measurements).collect();
        }
    }
    vec![cluster]
}

/// Whether a sheet resistance or a Hall coefficient could come of it.
fn is_measurement(states: &BTreeSet<State>) -> bool {
    let at_any_field = |contacts: &[u8; 4]| states.iter().any(|(measured, _)| measured == contacts);
    let sheet = HALVES.iter().all(|(half, ..)| half.iter().any(at_any_field));
    let hall = DIAGONALS.iter().any(|(four, _)| [1, -1].iter().all(|sign| states.contains(&(*four, *sign))));
    sheet || hall
}

fn parts<'a>(cluster: &'a [Placed], cuts: &[usize]) -> Vec<&'a [Placed]> {
    let mut bounds = [&[0, cluster.len()], cuts].concat();
    bounds.sort_unstable();
    bounds.windows(2).map(|ends| &cluster[ends[0]..ends[1]]).collect()
}

/// Whether all gaps between the parts are wide beside the parts on both sides.
fn are_apart(parts: &[&[Placed]]) -> bool {
    let width = |part: &[Placed]| match part {
        [first, .., last] => last.temperature - first.temperature,
        _ => 0.0,
    };
    parts.windows(2).all(|two| {
        let whole = two[1][two[1].len() - 1].temperature - two[0][0].temperature;
        let (below, above) = (width(two[0]), width(two[1]));
        whole - below - above > GAP_OVER_WIDTH * below.max(above)
    })
}

/// Whether every part has all states, and no state's two directions of the current only in different parts.
fn are_measurements(parts: &[&[Placed]], states: &BTreeSet<State>) -> bool {
    let all = |part: &&[Placed]| part.iter().map(|reading| reading.state).collect::<BTreeSet<_>>() == *states;
    parts.iter().all(all) && {
        // Of each state, which one-directional parts there are: forward, backward.
        let mut single: BTreeMap<State, [bool; 2]> = BTreeMap::new();
        for part in parts {
            let mut directions: BTreeMap<State, [bool; 2]> = BTreeMap::new();
            for reading in part.iter() {
                if let Some(forward) = reading.forward {
                    directions.entry(reading.state).or_default()[usize::from(!forward)] = true;
                }
            }
            for (state, [forward, backward]) in directions {
                let seen = single.entry(state).or_default();
                seen[0] |= forward && !backward;
                seen[1] |= backward && !forward;
            }
        }
        single.values().all(|seen| *seen != [true, true])
    }
}

/// Whether all parts have as many readings of each state as the first.
fn are_alike(parts: &[&[Placed]]) -> bool {
    let counts = |part: &[Placed]| {
        part.iter().fold(BTreeMap::<State, usize>::new(), |mut counts, reading| {
            *counts.entry(reading.state).or_default() += 1;
            counts
        })
    };
    parts.iter().skip(1).all(|part| counts(part) == counts(parts[0]))
}

/// Whether all states were measured on every visit to the temperature of a part. Times tell nothing where two parts
/// have the same: they are of clocks that started anew.
fn are_one_after_another(parts: &[&[Placed]], states: &BTreeSet<State>) -> bool {
    let mut in_time: Vec<(usize, &Placed)> = parts
        .iter()
        .enumerate()
        .flat_map(|(part, readings)| readings.iter().map(move |r| (part, r)))
        .collect();
    in_time.sort_by(|(_, a), (_, b)| a.time.total_cmp(&b.time));
    let started_anew = in_time.windows(2).any(|two| two[0].0 != two[1].0 && two[0].1.time == two[1].1.time);
    started_anew
        || in_time
            .chunk_by(|(a, _), (b, _)| a == b)
            .all(|visit| visit.iter().map(|(_, reading)| reading.state).collect::<BTreeSet<_>>() == *states)
}
