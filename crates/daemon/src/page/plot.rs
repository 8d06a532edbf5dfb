//! Results over temperature as drawings: a value with its error bar, hollow where a check failed. Made from results alone.

use super::axis::Axis;
use super::ink::{n, path};
use super::words;
use crate::view::{Point, Value};
use maud::{Markup, html};

/// Factor between the least and the greatest value from which on decades are ruled.
const DECADES: f64 = 6.0;

/// Size of a plot on paper.
const SIZE: (f64, f64) = (360.0, 250.0);
const LEFT: f64 = 66.0;
const RIGHT: f64 = 350.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 212.0;

/// A quantity that is plotted: how it is called, the unit of the trade, and how many of it make one of SI.
#[derive(Clone, Copy)]
pub(crate) struct Quantity {
    pub(crate) name: &'static str,
    pub(crate) unit: &'static str,
    pub(crate) factor: f64,
    pub(crate) of: fn(&Point) -> Option<Value>,
}

/// What is plotted.
pub(crate) const QUANTITIES: [Quantity; 3] = [
    Quantity { name: "Sheet resistance", unit: "Ω", factor: 1.0, of: |point| point.sheet_resistance_ohm },
    Quantity {
        name: "Carriers per area",
        unit: "cm⁻²",
        factor: 1e-4,
        of: |point| point.sheet_carrier_density_per_m2,
    },
    Quantity {
        name: "Hall mobility", unit: "cm²/(V·s)", factor: 1e4, of: |point| point.mobility_m2_per_v_s
    },
];

/// Over what.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Over {
    #[default]
    Temperature,
    /// A thousand over the temperature.
    Inverse,
}

impl Over {
    fn x(self, kelvin: f64) -> f64 {
        match self {
            Self::Temperature => kelvin,
            Self::Inverse => 1000.0 / kelvin,
        }
    }

    fn unit(self) -> &'static str {
        match self {
            Self::Temperature => "temperature in K",
            Self::Inverse => "1000 K / temperature",
        }
    }
}

struct Dot {
    x: f64,
    found: Value,
    is_accepted: bool,
    sample: usize,
    says: String,
}

fn dots(points: &[Point], quantity: &Quantity, over: Over) -> Vec<Dot> {
    let mut samples: Vec<&str> = Vec::new();
    let mut dots = Vec::new();
    for point in points {
        let sample = samples.iter().position(|known| *known == point.sample).unwrap_or_else(|| {
            samples.push(&point.sample);
            samples.len() - 1
        });
        let Some(found) = (quantity.of)(point).filter(|found| found.value.is_finite()) else { continue };
        let found = Value { value: found.value * quantity.factor, u: found.u.abs() * quantity.factor };
        let (kelvin, value) = (words::kelvin(point.temperature_k), words::value(found, quantity.unit));
        let says = format!("{} at {kelvin}: {value}, {}", point.sample, words::checks(point));
        dots.push(Dot { x: over.x(point.temperature_k), found, is_accepted: point.accepted, sample, says });
    }
    dots
}

/// One quantity over temperature; `None` where nothing of it is known.
pub(crate) fn plot(points: &[Point], quantity: &Quantity, over: Over) -> Option<Markup> {
    let dots = dots(points, quantity, over);
    if dots.is_empty() {
        return None;
    }
    let x = Axis::around(dots.iter().map(|dot| dot.x), f64::INFINITY, (LEFT + 6.0, RIGHT - 6.0));
    let y = Axis::around(dots.iter().map(|dot| dot.found.value), DECADES, (BOTTOM - 6.0, TOP + 6.0));
    let rejected = dots.iter().filter(|dot| !dot.is_accepted).count();
    let told = format!(
        "{} in {} over {}: {} points, {rejected} of them rejected and drawn hollow.",
        quantity.name,
        quantity.unit,
        over.unit(),
        dots.len()
    );
    Some(html! {
        svg class="plot" viewBox=(format!("0 0 {} {}", n(SIZE.0), n(SIZE.1))) role="img" aria-label=(told) {
            @for value in y.ruled(4.0) {
                line class="ruling" x1=(n(LEFT)) x2=(n(RIGHT)) y1=(n(y.at(value))) y2=(n(y.at(value))) {}
                text class="number" x=(n(LEFT - 6.0)) y=(n(y.at(value) + 4.0)) text-anchor="end" { (label(value, quantity.unit)) }
            }
            @for value in x.ruled(5.0) {
                line class="ruling" x1=(n(x.at(value))) x2=(n(x.at(value))) y1=(n(TOP)) y2=(n(BOTTOM)) {}
                text class="number" x=(n(x.at(value))) y=(n(BOTTOM + 16.0)) text-anchor="middle" { (n(value)) }
            }
            text class="number" x=(n((LEFT + RIGHT) / 2.0)) y=(n(BOTTOM + 33.0)) text-anchor="middle" { (over.unit()) }
            @for dot in &dots { (drawn(dot, &x, &y)) }
        }
    })
}

/// A number on an axis: with its unit where that takes a prefix.
fn label(value: f64, unit: &str) -> String {
    let text = words::bare(value, unit);
    if unit == "Ω" {
        text
    } else {
        text.strip_suffix(unit).map_or(text.clone(), |text| text.trim_end().to_owned())
    }
}

fn drawn(dot: &Dot, x: &Axis, y: &Axis) -> Markup {
    let (cx, cy) = (x.at(dot.x), y.at(dot.found.value));
    let low = (dot.found.value - dot.found.u).max(if dot.found.value > 0.0 {
        dot.found.value * 1e-3
    } else {
        f64::MIN
    });
    let (low, high) = (y.at(low), y.at(dot.found.value + dot.found.u));
    let class = if dot.is_accepted { "filled" } else { "hollow strong" };
    html! {
        g class="dot" {
            title { (dot.says) }
            @if (low - high).abs() > 1.0 {
                path class="error" d=(format!(
                    "M{0} {1}V{2}M{3} {1}H{4}M{3} {2}H{4}", n(cx), n(low), n(high), n(cx - 3.0), n(cx + 3.0)
                )) {}
            }
            @match dot.sample % 3 {
                0 => circle class=(class) cx=(n(cx)) cy=(n(cy)) r="3.6" {},
                1 => rect class=(class) x=(n(cx - 3.4)) y=(n(cy - 3.4)) width="6.8" height="6.8" {},
                _ => path class=(class) d=(path([(cx - 4.0, cy + 3.5), (cx, cy - 4.0), (cx + 4.0, cy + 3.5)].into_iter()) + "Z") {},
            }
        }
    }
}

/// Ink of a drawing that leaves the page: it stands on white paper.
const STANDALONE: &str = "svg{background:#fff;font:12px system-ui,sans-serif;font-variant-numeric:tabular-nums}\
    .ruling{stroke:#ddd}.number,.title{fill:#333}.filled{fill:#222;stroke:#222}.hollow{fill:#fff;stroke:#222}\
    .error{fill:none;stroke:#222}";

/// All plots of a run in one drawing, to be kept.
pub(crate) fn standalone(title: &str, points: &[Point], over: Over) -> String {
    let plots: Vec<(&Quantity, Markup)> =
        QUANTITIES.iter().filter_map(|quantity| Some((quantity, plot(points, quantity, over)?))).collect();
    let height = SIZE.1 + 46.0;
    let width = SIZE.0 * plots.len().max(1) as f64;
    let drawing = html! {
        svg xmlns="http://www.w3.org/2000/svg" viewBox=(format!("0 0 {} {}", n(width), n(height))) width=(n(width)) height=(n(height)) {
            title { (title) }
            style { (STANDALONE) }
            text class="title" x="12" y="18" { (title) }
            @for (place, (quantity, plot)) in plots.iter().enumerate() {
                @let left = SIZE.0 * place as f64;
                text class="title" x=(n(left + LEFT)) y="40" { (quantity.name) " in " (quantity.unit) }
                svg x=(n(left)) y="46" width=(n(SIZE.0)) height=(n(SIZE.1)) { (plot) }
            }
        }
    };
    drawing.into_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::sample::a_point;

    #[test]
    fn a_point_that_failed_its_check_is_hollow_and_says_so() {
        let points = [a_point(299.9, true), a_point(142.1, false)];
        let drawn = plot(&points, &QUANTITIES[0], Over::Temperature).unwrap().into_string();
        assert_eq!(drawn.matches("class=\"filled\"").count(), 1);
        assert_eq!(drawn.matches("class=\"hollow strong\"").count(), 1);
        assert!(drawn.contains("not passed: reciprocity 3.1\u{202f}%, limit 1.0\u{202f}%"), "{drawn}");
        assert!(drawn.contains("2 points, 1 of them rejected"));
    }

    #[test]
    fn what_was_not_found_is_not_plotted() {
        let bare = Point { temperature_k: 90.0, ..Point::default() };
        assert!(plot(&[bare], &QUANTITIES[2], Over::Inverse).is_none());
    }

    #[test]
    fn a_drawing_that_is_kept_stands_alone() {
        let drawn = standalone("run 4 <of> \"cold\"", &[a_point(299.9, true)], Over::Temperature);
        assert!(drawn.starts_with("<svg xmlns=\"http://www.w3.org/2000/svg\""));
        assert!(drawn.contains("run 4 &lt;of&gt;"));
        assert_eq!(drawn.matches("class=\"plot\"").count(), 3);
    }
}
