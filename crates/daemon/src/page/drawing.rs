//! The sample as drawn on paper: its outline to scale, its contacts by their numbers, the pair that is driven and the pair that
//! is sensed. Geometry alone; it knows no reading but the text that stands beside the bracket.

use super::ink::{n, path};
use maud::{Markup, html};
use quadrille_documents::{Outline, Shape};

/// Side of the paper, and the part of it that the sample fills.
const SIDE: f64 = 300.0;
const FILLED: f64 = 132.0;

/// How far from the edge leads end, and numbers stand.
const LEAD: f64 = 34.0;

/// Corners of a disc.
const ROUND: usize = 96;

/// What is connected.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Connection {
    /// Contacts where the current enters and leaves.
    pub(crate) driven: Option<(usize, usize)>,
    /// Contacts of the voltmeter.
    pub(crate) sensed: Option<(usize, usize)>,
    /// Whether current flows.
    pub(crate) is_on: bool,
    /// Whether the guard around the sensed leads is driven.
    pub(crate) is_guarded: bool,
    /// The voltage beside the bracket.
    pub(crate) voltage: Option<String>,
    /// The current beside the arrow.
    pub(crate) current: Option<String>,
}

impl Connection {
    /// From `12,43` and a direction: the first pair carries the current in its order, the second senses.
    pub(crate) fn parse(configuration: &str, polarity: Option<&str>) -> Self {
        let contacts: Vec<usize> =
            configuration.chars().filter_map(|c| c.to_digit(10)).map(|digit| digit as usize).collect();
        let [high, low, plus, minus] = contacts[..] else { return Self::default() };
        let driven = if polarity == Some("-") { (low, high) } else { (high, low) };
        Self { driven: Some(driven), sensed: Some((plus, minus)), ..Self::default() }
    }
}

/// A place on the sample or on paper.
type Place = (f64, f64);

/// A contact on paper: where it is on the edge, and where away from the sample is.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Spot {
    at: (f64, f64),
    out: (f64, f64),
}

/// A sample on paper.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Figure {
    edge: Vec<(f64, f64)>,
    holes: Vec<Vec<(f64, f64)>>,
    spots: Vec<Spot>,
    /// Whether the document knows the outline.
    pub(crate) is_to_scale: bool,
}

impl Figure {
    /// Of an outline that is known; of a square with its contacts at the corners where none is.
    pub(crate) fn of(outline: Option<&Outline>, contacts: usize) -> Self {
        let Some(outline) = outline else { return Self::schematic(contacts) };
        let edge = corners(&outline.shape.value);
        let along: Vec<f64> = outline.contacts.iter().map(|contact| contact.value.at_m).collect();
        let holes = outline.holes.iter().map(|hole| hole.value.iter().map(|at| (at[0], at[1])).collect());
        Self::fit(&edge, &along, holes.collect(), true)
    }

    /// How far from the middle the bracket goes round: outside of all leads.
    fn around(&self) -> f64 {
        let ends = self.spots.iter().map(|spot| beyond(*spot, LEAD + 6.0));
        ends.map(|(x, y)| (x - SIDE / 2.0).hypot(y - SIDE / 2.0)).fold(0.0, f64::max) + 12.0
    }

    /// The part of the paper that is drawn on: the same whatever is connected.
    fn paper(&self) -> String {
        let half = (self.around() + 12.0).min(SIDE / 2.0 + 12.0);
        format!("{0} {0} {1} {1}", n(SIDE / 2.0 - half), n(2.0 * half))
    }

    fn schematic(contacts: usize) -> Self {
        let square = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)];
        let along: Vec<f64> = match contacts {
            4 => (0..4).map(|place| f64::from(place) + 1e-6).collect(),
            many => (0..many).map(|place| 4.0 * place as f64 / many as f64).collect(),
        };
        Self::fit(&square, &along, Vec::new(), false)
    }

    /// On paper: y downwards, the middle in the middle.
    fn fit(edge: &[(f64, f64)], along: &[f64], holes: Vec<Vec<(f64, f64)>>, is_to_scale: bool) -> Self {
        let bound = |pick: fn(&(f64, f64)) -> f64| {
            let values = edge.iter().map(pick);
            (values.clone().fold(f64::INFINITY, f64::min), values.fold(f64::NEG_INFINITY, f64::max))
        };
        let ((x0, x1), (y0, y1)) = (bound(|p| p.0), bound(|p| p.1));
        let scale = FILLED / (x1 - x0).max(y1 - y0).max(1e-30);
        let place = |(x, y): (f64, f64)| {
            (SIDE / 2.0 + (x - (x0 + x1) / 2.0) * scale, SIDE / 2.0 - (y - (y0 + y1) / 2.0) * scale)
        };
        let spots = along.iter().map(|at| {
            let (at, mut out) = on_edge(edge, *at);
            if !is_to_scale {
                out = unit((at.0 - (x0 + x1) / 2.0, at.1 - (y0 + y1) / 2.0));
            }
            Spot { at: place(at), out: (out.0, -out.1) }
        });
        let spots = spots.collect();
        let holes = holes.into_iter().map(|hole| hole.into_iter().map(place).collect()).collect();
        Self { edge: edge.iter().copied().map(place).collect(), holes, spots, is_to_scale }
    }
}

fn unit(vector: (f64, f64)) -> (f64, f64) {
    let length = vector.0.hypot(vector.1).max(1e-30);
    (vector.0 / length, vector.1 / length)
}

/// Where a length along a closed edge ends, and which way is out of it there; the edge runs counter-clockwise.
fn on_edge(edge: &[(f64, f64)], along: f64) -> ((f64, f64), (f64, f64)) {
    let next = |place: usize| edge[(place + 1) % edge.len()];
    let length = |place: usize| (next(place).0 - edge[place].0).hypot(next(place).1 - edge[place].1);
    let all: f64 = (0..edge.len()).map(length).sum();
    let mut left = along.rem_euclid(all.max(1e-30));
    for (place, &a) in edge.iter().enumerate() {
        let here = length(place);
        if left <= here && here > 0.0 {
            let b = next(place);
            let part = left / here;
            let way = unit((b.0 - a.0, b.1 - a.1));
            return ((a.0 + part * (b.0 - a.0), a.1 + part * (b.1 - a.1)), (way.1, -way.0));
        }
        left -= here;
    }
    (edge[0], (0.0, -1.0))
}

/// Corners of a shape, counter-clockwise from where its arc starts.
fn corners(shape: &Shape) -> Vec<(f64, f64)> {
    match shape {
        Shape::Disc { diameter_m } => (0..ROUND)
            .map(|place| (std::f64::consts::TAU * place as f64 / ROUND as f64).sin_cos())
            .map(|(sin, cos)| (cos * diameter_m / 2.0, sin * diameter_m / 2.0))
            .collect(),
        Shape::Rectangle { width_m: w, height_m: h } => vec![(0.0, 0.0), (*w, 0.0), (*w, *h), (0.0, *h)],
        Shape::GreekCross { arm_width_m: w, arm_length_m: l } => {
            let (a, b) = (w / 2.0, w / 2.0 + l);
            vec![
                (-a, -b),
                (a, -b),
                (a, -a),
                (b, -a),
                (b, a),
                (a, a),
                (a, b),
                (-a, b),
                (-a, a),
                (-b, a),
                (-b, -a),
                (-a, -a),
            ]
        }
        Shape::Cloverleaf { side_m, slot_width_m, slot_depth_m } => {
            cloverleaf(*side_m, *slot_width_m, *slot_depth_m)
        }
        Shape::Bridge { length_m, width_m, arms_at_m, arm_width_m, arm_length_m } => {
            let (half, arm) = (arm_width_m / 2.0, *arm_length_m);
            let mut edge = vec![(0.0, 0.0)];
            for at in arms_at_m {
                edge.extend([(at - half, 0.0), (at - half, -arm), (at + half, -arm), (at + half, 0.0)]);
            }
            edge.extend([(*length_m, 0.0), (*length_m, *width_m)]);
            for at in arms_at_m.iter().rev() {
                let top = *width_m;
                edge.extend([
                    (at + half, top),
                    (at + half, top + arm),
                    (at - half, top + arm),
                    (at - half, top),
                ]);
            }
            edge.push((0.0, *width_m));
            edge
        }
        Shape::Polygon { vertices_m } => vertices_m.iter().map(|at| (at.value[0], at.value[1])).collect(),
    }
}

/// A square that is cut in from the middle of each side, from its lower left corner.
fn cloverleaf(side: f64, slot: f64, depth: f64) -> Vec<(f64, f64)> {
    let (h, w) = (side / 2.0, slot / 2.0);
    let quarter = [(-h, -h), (-w, -h), (-w, -h + depth), (w, -h + depth), (w, -h)];
    let turns: [fn(Place) -> Place; 4] = [|p| p, |(x, y)| (-y, x), |(x, y)| (-x, -y), |(x, y)| (y, -x)];
    turns.iter().flat_map(|turn| quarter.iter().map(|point| turn(*point))).collect()
}

/// The drawing.
pub(crate) fn drawing(figure: &Figure, connection: &Connection) -> Markup {
    let closed = |points: &[(f64, f64)]| path(points.iter().copied()) + "Z";
    let says = says(connection);
    html! {
        svg class="sample" viewBox=(figure.paper()) role="img" aria-label=(says) {
            title { (says) }
            path class="body" d=(closed(&figure.edge)) {}
            @for hole in &figure.holes { path class="opening" d=(closed(hole)) {} }
            @for (place, spot) in figure.spots.iter().enumerate() { (lead(*spot, place + 1, connection)) }
            @if let Some((plus, minus)) = connection.sensed { (bracket(figure, plus, minus, connection)) }
            @if let (Some((from, _)), Some(current)) = (connection.driven, &connection.current) {
                @if let Some(spot) = figure.spots.get(from - 1) {
                    @let (x, y) = beyond(*spot, LEAD + 26.0);
                    text class="label accent-text" x=(n(x.clamp(34.0, SIDE - 34.0))) y=(n((y + 4.0).clamp(12.0, SIDE - 4.0))) text-anchor="middle" { (current) }
                }
            }
        }
    }
}

/// What it shows, in words.
pub(crate) fn says(connection: &Connection) -> String {
    let Some(((from, to), (plus, minus))) = connection.driven.zip(connection.sensed) else {
        return "All leads are open.".to_owned();
    };
    let by = connection.current.as_ref().map(|current| format!(", {current}")).unwrap_or_default();
    let current = match connection.is_on {
        true => format!("Current enters at {from} and leaves at {to}{by}"),
        false => format!("Current is off; connected from {from} to {to}"),
    };
    let voltage = connection.voltage.as_ref().map(|voltage| format!(": {voltage}")).unwrap_or_default();
    let guard = if connection.is_guarded { " Guard driven." } else { "" };
    format!("{current}; voltage sensed from {plus} to {minus}{voltage}.{guard}")
}

fn beyond(spot: Spot, by: f64) -> (f64, f64) {
    (spot.at.0 + spot.out.0 * by, spot.at.1 + spot.out.1 * by)
}

/// A lead: with an arrow where current flows, with a gap where it is open, with a second line where it is guarded.
fn lead(spot: Spot, number: usize, connection: &Connection) -> Markup {
    let is_in = |pair: Option<(usize, usize)>| pair.is_some_and(|(a, b)| a == number || b == number);
    let (driven, sensed) = (is_in(connection.driven), is_in(connection.sensed));
    let enters = connection.driven.is_some_and(|(from, _)| from == number);
    let line = |from: f64, to: f64| path([beyond(spot, from), beyond(spot, to)].into_iter());
    let side = (-spot.out.1 * 13.0, spot.out.0 * 13.0);
    let (x, y) = beyond(spot, 15.0);
    html! {
        circle class="contact" cx=(n(spot.at.0)) cy=(n(spot.at.1)) r="3.5" {}
        @if driven {
            path class=(if connection.is_on { "lead driven" } else { "lead" }) d=(line(3.0, LEAD + 6.0)) {}
            (arrow(spot, enters, connection.is_on))
        } @else if sensed {
            path class="lead" d=(line(3.0, LEAD + 6.0)) {}
            @if connection.is_guarded { (guard(spot)) }
        } @else {
            path class="lead" d=(line(3.0, 14.0)) {}
            path class="lead" d=(line(21.0, LEAD + 6.0)) {}
        }
        text class="label contact-number" x=(n(x + side.0)) y=(n(y + side.1 + 5.0)) text-anchor="middle" { (number) }
    }
}

fn arrow(spot: Spot, enters: bool, is_on: bool) -> Markup {
    let (tip, tail) = if enters { (14.0, 25.0) } else { (LEAD + 8.0, LEAD - 3.0) };
    let side = (-spot.out.1 * 5.0, spot.out.0 * 5.0);
    let (end, (x, y)) = (beyond(spot, tip), beyond(spot, tail));
    let d = path([(x + side.0, y + side.1), end, (x - side.0, y - side.1)].into_iter()) + "Z";
    html! { path class=(if is_on { "arrow" } else { "arrow off" }) d=(d) {} }
}

/// The guard: a second line on both sides of a lead.
fn guard(spot: Spot) -> Markup {
    let side = (-spot.out.1 * 4.0, spot.out.0 * 4.0);
    let line = |sign: f64| {
        let shifted = |(x, y): (f64, f64)| (x + sign * side.0, y + sign * side.1);
        path([shifted(beyond(spot, 9.0)), shifted(beyond(spot, LEAD + 4.0))].into_iter())
    };
    html! { path class="guard" d=(line(1.0)) {} path class="guard" d=(line(-1.0)) {} }
}

/// The bracket from one sensed lead to the other, around the sample and outside of all leads, with the voltage beside it.
fn bracket(figure: &Figure, plus: usize, minus: usize, connection: &Connection) -> Markup {
    let spots = (figure.spots.get(plus.wrapping_sub(1)), figure.spots.get(minus.wrapping_sub(1)));
    let (Some(a), Some(b)) = spots else { return html! {} };
    let middle = SIDE / 2.0;
    let end = |spot: Spot| {
        let (x, y) = beyond(spot, LEAD + 6.0);
        (x - middle, y - middle)
    };
    let radius = figure.around();
    let (from, to) = (end(*a), end(*b));
    let (begin, mut turn) = (from.1.atan2(from.0), to.1.atan2(to.0) - from.1.atan2(from.0));
    if turn.abs() > std::f64::consts::PI {
        turn -= turn.signum() * std::f64::consts::TAU;
    }
    let on_arc = |angle: f64, radius: f64| (middle + radius * angle.cos(), middle + radius * angle.sin());
    let steps = 48;
    let arc = (0..=steps).map(|step| on_arc(begin + turn * f64::from(step) / f64::from(steps), radius));
    let (first, last) = (beyond(*a, LEAD + 6.0), beyond(*b, LEAD + 6.0));
    let line = std::iter::once(first).chain(arc).chain(std::iter::once(last));
    let word = connection.voltage.clone().unwrap_or_else(|| "V".to_owned());
    let (x, y) = on_arc(begin + turn / 2.0, radius);
    let sign = |spot: Spot| {
        let (x, y) = beyond(spot, LEAD - 4.0);
        (x + spot.out.1 * 11.0, y - spot.out.0 * 11.0 + 4.0)
    };
    let (high, low) = (sign(*a), sign(*b));
    html! {
        path class="sense" d=(path(line)) {}
        text class="label" x=(n(high.0)) y=(n(high.1)) text-anchor="middle" { "+" }
        text class="label" x=(n(low.0)) y=(n(low.1)) text-anchor="middle" { "\u{2212}" }
        text class="label halo" x=(n(x.clamp(56.0, SIDE - 56.0))) y=(n((y + 5.0).clamp(4.0, SIDE + 4.0))) text-anchor="middle" { (word) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_configuration_names_where_current_enters_and_where_voltage_is_sensed() {
        let forward = Connection::parse("12,43", Some("+"));
        assert_eq!((forward.driven, forward.sensed), (Some((1, 2)), Some((4, 3))));
        assert_eq!(Connection::parse("12,43", Some("-")).driven, Some((2, 1)), "reversed");
        assert_eq!(Connection::parse("nonsense", None), Connection::default());
    }

    #[test]
    fn contacts_stand_on_the_edge_of_a_shape_without_symmetry() {
        // A rectangle of 6 mm by 2 mm: 7 mm along its edge is 1 mm up its right side.
        let edge = corners(&Shape::Rectangle { width_m: 6e-3, height_m: 2e-3 });
        let (at, out) = on_edge(&edge, 7e-3);
        assert!((at.0 - 6e-3).abs() < 1e-12 && (at.1 - 1e-3).abs() < 1e-12, "{at:?}");
        assert_eq!(out, (1.0, 0.0));
        assert_eq!(cloverleaf(10.0, 1.0, 3.0).len(), 20);
    }

    #[test]
    fn what_is_drawn_says_the_same_in_words() {
        let figure = Figure::of(None, 4);
        let mut connection = Connection::parse("12,43", Some("+"));
        (connection.is_on, connection.is_guarded) = (true, true);
        connection.voltage = Some("1.2345(12) mV".to_owned());
        connection.current = Some("12 µA".to_owned());
        assert_eq!(
            says(&connection),
            "Current enters at 1 and leaves at 2, 12 µA; voltage sensed from 4 to 3: 1.2345(12) mV. Guard driven."
        );
        let drawn = drawing(&figure, &connection).into_string();
        assert!(drawn.contains("class=\"guard\"") && drawn.contains("class=\"arrow\""));
        connection.is_on = false;
        let off = drawing(&figure, &connection).into_string();
        assert!(
            !off.contains("class=\"arrow\"") && off.contains("is off"),
            "no current is drawn where there is none"
        );
        assert!(drawing(&figure, &Connection::default()).into_string().contains("All leads are open."));
    }
}
