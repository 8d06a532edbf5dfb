//! In which order temperatures and fields are taken: the slow axis moves least, and the field turns round as seldom as
//! both its signs at each temperature allow. Knows neither configurations nor instruments.
//!
//! On a line the shortest way past all points goes to the nearer end first and from there to the other. Temperatures
//! are taken on that second way alone, so that all but the first are approached from one side; fields on both, so that
//! they are past sooner.

use crate::Ramps;
use quadrille_documents::{FieldOrder, Order, TemperatureOrder};
use quadrille_quantity::{Kelvin, Second, Tesla};

/// What is to be measured, as it is written.
#[derive(Clone, Debug)]
pub struct Wanted {
    /// Temperatures as written.
    pub temperatures: Vec<Kelvin>,
    /// Where the cryostat is now; the way to the first temperature counts only where this is known.
    pub start: Option<Kelvin>,
    /// Whether each temperature begins at zero field.
    pub resistivity: bool,
    /// Fields as written.
    pub fields: Vec<Tesla>,
    /// The field now.
    pub field_now: Tesla,
    /// How many samples the cryostat holds: each is measured in turn before field or temperature move.
    pub samples: usize,
    /// What the recipe says of the order.
    pub order: Order,
    /// How fast temperature and field go.
    pub ramps: Ramps,
}

/// What is measured at a stop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The configurations at zero field.
    Resistivity,
    /// The Hall configurations.
    Hall,
}

/// One sample at one temperature and field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stop {
    /// Temperature.
    pub temperature: Kelvin,
    /// Field.
    pub field: Tesla,
    /// What is measured.
    pub part: Part,
    /// Which sample, from 0.
    pub sample: usize,
}

/// How far temperature and field go in one order.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Travel {
    /// Of the temperature, there and back counted twice.
    pub temperature: Kelvin,
    /// Of the field likewise.
    pub field: Tesla,
    /// How often the field changes its sign.
    pub reversals: usize,
    /// How long it takes by the ramps; axes that nobody drives take none.
    pub ramps: Second,
}

/// What an order saves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Saving {
    /// As it is written.
    pub as_written: Travel,
    /// As it is done.
    pub ordered: Travel,
}

/// The stops in order, and what that order saves.
#[derive(Clone, Debug, PartialEq)]
pub struct Ordered {
    /// In order.
    pub stops: Vec<Stop>,
    /// Against the order as written.
    pub saving: Saving,
}

/// Puts what is wanted in order: at each temperature zero field first (ASTM F76, from memory: resistivity before
/// Hall), then the fields, at each of them every sample.
pub fn order(wanted: &Wanted) -> Ordered {
    let temperatures = match wanted.order.temperatures {
        TemperatureOrder::LeastTravel => nearer_end_first(wanted),
        TemperatureOrder::AsWritten => wanted.temperatures.clone(),
    };
    let written = vec![wanted.fields.clone(); temperatures.len()];
    let fields = match wanted.order.fields {
        FieldOrder::FewestReversals => turned_seldom(wanted, temperatures.len()),
        FieldOrder::AsWritten => written.clone(),
    };
    let saving = Saving {
        as_written: travel(wanted, &wanted.temperatures, &written),
        ordered: travel(wanted, &temperatures, &fields),
    };
    let mut stops = Vec::new();
    for (&temperature, fields) in temperatures.iter().zip(&fields) {
        let zero = wanted.resistivity.then_some((Tesla(0.0), Part::Resistivity));
        let parts = zero.into_iter().chain(fields.iter().map(|&field| (field, Part::Hall)));
        for (field, part) in parts {
            stops.extend((0..wanted.samples).map(|sample| Stop { temperature, field, part, sample }));
        }
    }
    Ordered { stops, saving }
}

/// Roundings of a sum of distances: less than this, relative, is no shorter way.
const SHORTER: f64 = 1e-9;

/// The shortest way past all temperatures; as written where no other is shorter.
fn nearer_end_first(wanted: &Wanted) -> Vec<Kelvin> {
    let mut rising = wanted.temperatures.clone();
    rising.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (Some(&lowest), Some(&first)) = (rising.first(), wanted.temperatures.first()) else { return rising };
    let highest = rising.last().copied().unwrap_or(lowest);
    let from = wanted.start.unwrap_or(first);
    if (from - lowest).abs() > (highest - from).abs() {
        rising.reverse();
    }
    let way = |temperatures: &[Kelvin]| kelvins(wanted.start, temperatures).0;
    let is_shorter = way(&rising) < way(&wanted.temperatures) * (1.0 - SHORTER);
    if is_shorter { rising } else { wanted.temperatures.clone() }
}

/// The fields at each temperature: one end first and then the other, and at the next temperature first the end at which
/// this one ended. Of the two ways to begin the one with which the field turns round less often, then goes less far; as
/// written where neither is better.
fn turned_seldom(wanted: &Wanted, temperatures: usize) -> Vec<Vec<Tesla>> {
    let mut best = vec![wanted.fields.clone(); temperatures];
    let Some(lowest) = wanted.fields.iter().copied().reduce(Tesla::min) else { return best };
    let highest = wanted.fields.iter().copied().fold(lowest, Tesla::max);
    // Of two ways that are alike the one that begins where the person would have begun.
    let nearer = wanted.fields.first().is_some_and(|first| (highest - *first).0 <= (*first - lowest).0);
    for begin in if nearer { [highest, lowest] } else { [lowest, highest] } {
        let fields = there_and_back(wanted, begin, [lowest, highest], temperatures);
        let (of_best, here) = (teslas(wanted, &best), teslas(wanted, &fields));
        let is_shorter = here.1.0 < of_best.1.0 * (1.0 - SHORTER);
        if here.0 < of_best.0 || (here.0 == of_best.0 && is_shorter) {
            best = fields;
        }
    }
    best
}

fn there_and_back(wanted: &Wanted, begin: Tesla, ends: [Tesla; 2], temperatures: usize) -> Vec<Vec<Tesla>> {
    let (mut from, mut first) = (wanted.field_now, begin);
    let mut all = Vec::with_capacity(temperatures);
    for _ in 0..temperatures {
        if wanted.resistivity {
            from = Tesla(0.0);
        }
        let fields = past(&wanted.fields, from, first);
        from = fields.last().copied().unwrap_or(from);
        first = if from == ends[0] { ends[0] } else { ends[1] };
        all.push(fields);
    }
    all
}

/// From one field to an end and then to the other, each point when the way first passes it.
fn past(fields: &[Tesla], from: Tesla, first: Tesla) -> Vec<Tesla> {
    let towards = |a: Tesla, b: Tesla, field: Tesla| (a.0.min(b.0)..=a.0.max(b.0)).contains(&field.0);
    let (mut there, mut back): (Vec<Tesla>, Vec<Tesla>) =
        fields.iter().partition(|field| towards(from, first, **field));
    there.sort_by(|a, b| (*a - from).abs().0.total_cmp(&(*b - from).abs().0));
    back.sort_by(|a, b| (*a - first).abs().0.total_cmp(&(*b - first).abs().0));
    there.extend(back);
    there
}

fn travel(wanted: &Wanted, temperatures: &[Kelvin], fields: &[Vec<Tesla>]) -> Travel {
    let temperature = kelvins(wanted.start, temperatures);
    let (reversals, field) = teslas(wanted, fields);
    let of_temperature = wanted.ramps.kelvin_per_minute.map_or(0.0, |ramp| 60.0 * temperature.0 / ramp);
    let of_field = wanted.ramps.tesla_per_second.map_or(0.0, |ramp| field.0 / ramp);
    Travel { temperature, field, reversals, ramps: Second(of_temperature + of_field) }
}

/// From the start, where it is known, past all temperatures in order.
fn kelvins(start: Option<Kelvin>, temperatures: &[Kelvin]) -> Kelvin {
    let stops: Vec<Kelvin> = start.into_iter().chain(temperatures.iter().copied()).collect();
    Kelvin(stops.windows(2).map(|pair| (pair[1] - pair[0]).abs().0).sum())
}

/// How often the field changes its sign, and how far it goes.
fn teslas(wanted: &Wanted, fields: &[Vec<Tesla>]) -> (usize, Tesla) {
    let zero = wanted.resistivity.then_some(Tesla(0.0));
    let at_each = fields.iter().flat_map(|fields| zero.into_iter().chain(fields.iter().copied()));
    let stops: Vec<Tesla> = std::iter::once(wanted.field_now).chain(at_each).collect();
    let gone = stops.windows(2).map(|pair| (pair[1] - pair[0]).abs().0).sum();
    let signs: Vec<bool> = stops.iter().filter(|field| field.0 != 0.0).map(|field| field.0 > 0.0).collect();
    (signs.windows(2).filter(|pair| pair[0] != pair[1]).count(), Tesla(gone))
}

impl std::fmt::Display for Saving {
    /// A sentence for the reasons of a plan.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { as_written, ordered } = self;
        if as_written == ordered {
            return f.write_str("temperatures and fields as written");
        }
        write!(
            f,
            "temperatures and fields ordered: {} of travel for {} as written, {} for {}, {} of the field for {}",
            ordered.temperature,
            as_written.temperature,
            ordered.field,
            as_written.field,
            reversals(ordered.reversals),
            as_written.reversals,
        )?;
        let saved = (as_written.ramps - ordered.ramps).0;
        if saved >= 1.0 { write!(f, ", {} less on the ramps", duration(saved)) } else { Ok(()) }
    }
}

fn reversals(count: usize) -> String {
    if count == 1 { "1 reversal".to_owned() } else { format!("{count} reversals") }
}

/// Seconds as a person says them.
fn duration(seconds: f64) -> String {
    match seconds {
        seconds if seconds < 120.0 => format!("{seconds:.0} s"),
        seconds if seconds < 7200.0 => format!("{:.0} min", seconds / 60.0),
        seconds => format!("{:.1} h", seconds / 3600.0),
    }
}
