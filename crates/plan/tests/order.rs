//! The order of temperatures and fields: everything once, never a longer way than as written, and none shorter.
#![allow(clippy::unwrap_used)]

use proptest::prelude::*;
use quadrille_documents::{FieldOrder, Order, TemperatureOrder};
use quadrille_plan::Ramps;
use quadrille_plan::order::{Ordered, Part, Stop, Wanted, order};
use quadrille_quantity::{Kelvin, Tesla};

const BEST: Order =
    Order { temperatures: TemperatureOrder::LeastTravel, fields: FieldOrder::FewestReversals };
const WRITTEN: Order = Order { temperatures: TemperatureOrder::AsWritten, fields: FieldOrder::AsWritten };

fn wanted(start: Option<f64>, kelvins: &[f64], teslas: &[f64]) -> Wanted {
    Wanted {
        temperatures: kelvins.iter().copied().map(Kelvin).collect(),
        start: start.map(Kelvin),
        resistivity: true,
        fields: teslas.iter().copied().map(Tesla).collect(),
        field_now: Tesla(0.0),
        samples: 1,
        order: BEST,
        ramps: Ramps { kelvin_per_minute: Some(5.0), tesla_per_second: Some(0.05) },
    }
}

/// Temperatures in order, each once where several stops are at it.
fn kelvins(ordered: &Ordered) -> Vec<f64> {
    let mut kelvins: Vec<f64> = ordered.stops.iter().map(|stop| stop.temperature.0).collect();
    kelvins.dedup();
    kelvins
}

fn teslas(ordered: &Ordered) -> Vec<f64> {
    ordered.stops.iter().map(|stop| stop.field.0).collect()
}

#[test]
fn the_nearer_end_is_first_and_the_rest_comes_from_one_side() {
    let of = |start, written: &[f64]| kelvins(&order(&wanted(start, written, &[])));
    assert_eq!(of(Some(295.0), &[80.0, 300.0, 200.0]), [300.0, 200.0, 80.0]);
    assert_eq!(of(Some(90.0), &[300.0, 80.0, 200.0]), [80.0, 200.0, 300.0]);
    assert_eq!(of(Some(4.0), &[300.0, 80.0, 200.0]), [80.0, 200.0, 300.0]);
    // Nobody knows where the cryostat is: from the end that is nearer to what was written first.
    assert_eq!(of(None, &[250.0, 300.0, 80.0, 200.0]), [300.0, 250.0, 200.0, 80.0]);
}

#[test]
fn what_is_as_short_as_any_stays_as_it_is_written() {
    let written = [300.0, 305.0, 290.0, 80.0];
    let ordered = order(&wanted(Some(295.0), &written, &[]));
    assert_eq!(kelvins(&ordered), written);
    assert_eq!(ordered.saving.to_string(), "temperatures and fields as written");
}

#[test]
fn the_field_begins_at_each_temperature_with_the_sign_at_which_it_ended() {
    let ordered = order(&wanted(Some(300.0), &[300.0, 200.0, 100.0], &[0.5, -0.5]));
    assert_eq!(teslas(&ordered), [0.0, 0.5, -0.5, 0.0, -0.5, 0.5, 0.0, 0.5, -0.5]);
    assert_eq!((ordered.saving.ordered.reversals, ordered.saving.as_written.reversals), (3, 5));
    // The way through zero field is as long; only the reversals are fewer.
    assert_eq!(ordered.saving.ordered.field, ordered.saving.as_written.field);
}

#[test]
fn without_zero_field_the_field_stays_where_it_is_for_the_next_temperature() {
    let hall = Wanted { resistivity: false, ..wanted(Some(300.0), &[300.0, 200.0], &[0.2, -0.2, 0.6, -0.6]) };
    let ordered = order(&hall);
    assert_eq!(teslas(&ordered), [0.2, 0.6, -0.2, -0.6, -0.6, -0.2, 0.2, 0.6]);
    assert!((ordered.saving.ordered.field.0 - 3.0).abs() < 1e-12);
}

#[test]
fn every_sample_is_measured_before_field_or_temperature_move() {
    let ordered = order(&Wanted { samples: 3, ..wanted(Some(300.0), &[300.0, 200.0], &[0.5, -0.5]) });
    let first: Vec<_> =
        ordered.stops[..9].iter().map(|stop| (stop.field.0, stop.part, stop.sample)).collect();
    let at = |field, part| [(field, part, 0), (field, part, 1), (field, part, 2)];
    assert_eq!(first, [at(0.0, Part::Resistivity), at(0.5, Part::Hall), at(-0.5, Part::Hall)].concat());
    assert_eq!(ordered.stops.len(), 18);
}

#[test]
fn the_order_as_written_is_kept_where_it_is_asked_for() {
    let written = [80.0, 300.0, 200.0];
    let ordered = order(&Wanted { order: WRITTEN, ..wanted(Some(295.0), &written, &[0.5, -0.5]) });
    assert_eq!(kelvins(&ordered), written);
    assert_eq!(teslas(&ordered), [0.0, 0.5, -0.5].repeat(3));
    assert_eq!(ordered.saving.ordered, ordered.saving.as_written);
}

#[test]
fn the_saving_is_told_in_a_sentence() {
    let ordered = order(&wanted(Some(295.0), &[80.0, 300.0, 200.0], &[0.5, -0.5]));
    assert_eq!(
        ordered.saving.to_string(),
        "temperatures and fields ordered: 225 K of travel for 535 K as written, 5.5 T for 5.5 T, 3 reversals of the \
         field for 5, 62 min less on the ramps"
    );
}

/// All orders of a few things.
fn permutations<T: Copy>(of: &[T]) -> Vec<Vec<T>> {
    let Some((&first, rest)) = of.split_first() else { return vec![Vec::new()] };
    let mut all = Vec::new();
    for shorter in permutations(rest) {
        for at in 0..=shorter.len() {
            let mut longer = shorter.clone();
            longer.insert(at, first);
            all.push(longer);
        }
    }
    all
}

fn gone(start: f64, stops: &[f64]) -> f64 {
    let from = std::iter::once(&start).chain(stops);
    from.zip(stops).map(|(from, to)| (to - from).abs()).sum()
}

fn turns(stops: &[f64]) -> usize {
    let signs: Vec<f64> = stops.iter().filter(|stop| **stop != 0.0).map(|stop| stop.signum()).collect();
    signs.windows(2).filter(|pair| pair[0] != pair[1]).count()
}

/// Reversals and teslas of the best of all orders of the fields at all temperatures, and of the best way among those
/// with the fewest reversals.
fn best_fields(now: f64, fields: &[f64], zero: bool, temperatures: usize) -> (usize, f64) {
    let one: Vec<Vec<f64>> = permutations(fields);
    let mut runs = vec![Vec::new()];
    for _ in 0..temperatures {
        let longer = |run: &Vec<f64>| {
            let run = run.clone();
            one.iter()
                .map(move |next| [&run[..], if zero { &[0.0] } else { &[] }, next].concat())
                .collect::<Vec<_>>()
        };
        runs = runs.iter().flat_map(longer).collect();
    }
    let cost = |run: &Vec<f64>| (turns(&[&[now], &run[..]].concat()), gone(now, run));
    let better = |a: &(usize, f64), b: &(usize, f64)| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1));
    runs.iter().map(cost).min_by(better).unwrap()
}

fn some_wanted(most_kelvins: usize, most_teslas: usize) -> impl Strategy<Value = Wanted> {
    let kelvins = prop::collection::vec((4u32..320).prop_map(f64::from), 1..=most_kelvins);
    let teslas =
        prop::collection::vec((-9i32..=9).prop_map(|tenths| f64::from(tenths) / 10.0), 0..=most_teslas);
    let start = prop::option::of((4u32..320).prop_map(f64::from));
    let now = (-5i32..=5).prop_map(|tenths| f64::from(tenths) / 10.0);
    (kelvins, teslas, start, now, any::<bool>(), 1usize..4).prop_map(
        |(kelvins, teslas, start, now, resistivity, samples)| Wanted {
            resistivity,
            samples,
            field_now: Tesla(now),
            ..wanted(start, &kelvins, &teslas)
        },
    )
}

fn sorted(stops: &[Stop]) -> Vec<(i64, i64, bool, usize)> {
    let whole = |value: f64| (value * 1e6).round() as i64;
    let key =
        |stop: &Stop| (whole(stop.temperature.0), whole(stop.field.0), stop.part == Part::Hall, stop.sample);
    let mut keys: Vec<_> = stops.iter().map(key).collect();
    keys.sort_unstable();
    keys
}

proptest! {
    #[test]
    fn everything_that_is_wanted_is_measured_once(wanted in some_wanted(8, 6)) {
        let as_written = order(&Wanted { order: WRITTEN, ..wanted.clone() });
        let parts = usize::from(wanted.resistivity) + wanted.fields.len();
        prop_assert_eq!(as_written.stops.len(), wanted.temperatures.len() * parts * wanted.samples);
        prop_assert_eq!(sorted(&order(&wanted).stops), sorted(&as_written.stops));
    }

    #[test]
    fn neither_way_is_longer_than_as_written(wanted in some_wanted(8, 6)) {
        let saving = order(&wanted).saving;
        prop_assert!(saving.ordered.temperature.0 <= saving.as_written.temperature.0 * (1.0 + 1e-12));
        prop_assert!(saving.ordered.reversals <= saving.as_written.reversals);
        if saving.ordered.reversals == saving.as_written.reversals {
            prop_assert!(saving.ordered.field.0 <= saving.as_written.field.0 * (1.0 + 1e-12));
        }
    }

    #[test]
    fn what_is_told_of_the_way_is_what_the_stops_go(wanted in some_wanted(8, 6)) {
        let ordered = order(&wanted);
        let travel = ordered.saving.ordered;
        let kelvins: Vec<f64> = ordered.stops.iter().map(|stop| stop.temperature.0).collect();
        if let Some(first) = kelvins.first() {
            let start = wanted.start.map_or(*first, |start| start.0);
            prop_assert!((gone(start, &kelvins) - travel.temperature.0).abs() < 1e-9);
        }
        let teslas = teslas(&ordered);
        prop_assert!((gone(wanted.field_now.0, &teslas) - travel.field.0).abs() < 1e-9);
        prop_assert_eq!(turns(&[&[wanted.field_now.0], &teslas[..]].concat()), travel.reversals);
        let seconds = 12.0 * travel.temperature.0 + 20.0 * travel.field.0;
        prop_assert!((travel.ramps.0 - seconds).abs() < 1e-6);
    }

    #[test]
    fn no_order_of_a_few_temperatures_is_shorter(wanted in some_wanted(6, 0)) {
        let kelvins: Vec<f64> = wanted.temperatures.iter().map(|kelvin| kelvin.0).collect();
        let least = permutations(&kelvins)
            .iter()
            .map(|way| gone(wanted.start.map_or(way[0], |start| start.0), way))
            .fold(f64::INFINITY, f64::min);
        prop_assert!((order(&wanted).saving.ordered.temperature.0 - least).abs() < 1e-9);
    }

    #[test]
    fn no_order_of_a_few_fields_turns_less_often_or_goes_less_far(wanted in some_wanted(3, 3)) {
        let fields: Vec<f64> = wanted.fields.iter().map(|tesla| tesla.0).collect();
        let (turns, least) =
            best_fields(wanted.field_now.0, &fields, wanted.resistivity, wanted.temperatures.len());
        let found = order(&wanted).saving.ordered;
        prop_assert_eq!(found.reversals, turns);
        prop_assert!((found.field.0 - least).abs() < 1e-9, "{} T for {least} T", found.field.0);
    }
}
