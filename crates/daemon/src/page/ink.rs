//! A band as a drawing: what [`super::band`] says, on paper of a given width. Colours and strokes are the style sheet's.

use super::band::{Band, Mark, Ruled, Shape};
use super::words;
use maud::{Markup, html};

/// How large a band is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Paper {
    pub(crate) width: f64,
    pub(crate) height: f64,
    /// Whether there is room for numbers.
    pub(crate) is_labelled: bool,
    /// Class, by which the style sheet chooses between two sizes.
    pub(crate) class: &'static str,
}

impl Paper {
    pub(crate) const WIDE: Self =
        Self { width: 1080.0, height: 230.0, is_labelled: true, class: "band wide" };
    pub(crate) const NARROW: Self =
        Self { width: 380.0, height: 210.0, is_labelled: true, class: "band narrow" };
    pub(crate) const SMALL: Self =
        Self { width: 320.0, height: 44.0, is_labelled: false, class: "band small" };

    fn left(&self) -> f64 {
        if self.is_labelled { 46.0 } else { 6.0 }
    }

    fn right(&self) -> f64 {
        self.width - if self.is_labelled { 12.0 } else { 6.0 }
    }

    fn top(&self) -> f64 {
        if self.is_labelled { 16.0 } else { 7.0 }
    }

    fn bottom(&self) -> f64 {
        self.height - if self.is_labelled { 44.0 } else { 7.0 }
    }
}

/// A number on paper: a tenth of a unit is finer than anybody sees.
pub(crate) fn n(number: f64) -> String {
    let text = format!("{number:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// A line through points.
pub(crate) fn path(points: impl Iterator<Item = (f64, f64)>) -> String {
    let mut path = String::new();
    for (x, y) in points {
        path.push(if path.is_empty() { 'M' } else { 'L' });
        path.push_str(&format!("{} {}", n(x), n(y)));
    }
    path
}

/// The drawing. `link` says where a mark leads; `None` where it leads nowhere.
pub(crate) fn band(band: &Band, paper: Paper, link: Option<&str>) -> Markup {
    let (left, right, top, bottom) = (paper.left(), paper.right(), paper.top(), paper.bottom());
    let x = |time: f64| left + (time / band.span_s).clamp(0.0, 1.0) * (right - left);
    let kelvin = band.axis((bottom - 6.0, top + 6.0));
    let line = |points: &[(f64, f64)]| path(points.iter().map(|(time, value)| (x(*time), kelvin.at(*value))));
    let about = ((right - left) / 95.0).clamp(3.0, 10.0);
    html! {
        svg class=(paper.class) viewBox=(format!("0 0 {} {}", n(paper.width), n(paper.height)))
            role="img" aria-label=(band.says()) {
            @if paper.is_labelled {
                @for (time, label) in band.ruled(about) {
                    line class="ruling" x1=(n(x(time))) x2=(n(x(time))) y1=(n(top)) y2=(n(bottom)) {}
                    (ruled(&label, x(time).clamp(left, right - 14.0), bottom + 16.0))
                }
                @for value in kelvin.ruled(4.0) {
                    line class="ruling" x1=(n(left)) x2=(n(right)) y1=(n(kelvin.at(value))) y2=(n(kelvin.at(value))) {}
                    text class="number" x=(n(left - 6.0)) y=(n(kelvin.at(value) + 4.0)) text-anchor="end" { (n(value)) }
                }
                text class="number" x=(n(left - 6.0)) y=(n(top - 4.0)) text-anchor="end" { "K" }
            }
            @for hole in &band.holes {
                g class="hole" {
                    title { (hole.says) }
                    rect x=(n(x(hole.from_s))) y=(n(top)) height=(n(bottom - top))
                        width=(n((x(hole.to_s) - x(hole.from_s)).max(3.0))) {}
                }
            }
            path class="planned-line" d=(line(&band.planned)) {}
            @for stretch in stretches(band) { path class="measured-line" d=(line(&stretch)) {} }
            @if let Some(now) = band.now_s {
                line class="now" x1=(n(x(now))) x2=(n(x(now))) y1=(n(top)) y2=(n(bottom)) {}
            }
            @if let Some(end) = band.end_s.filter(|_| paper.is_labelled) {
                (bracket(x(end.0), x(end.1), x(end.2), bottom + 28.0))
            }
            @for mark in &band.marks {
                (linked(mark, x(mark.time_s), kelvin.at(mark.kelvin), paper, link))
            }
        }
    }
}

/// The measured line, broken where nobody looked from before a gap until after it.
fn stretches(band: &Band) -> Vec<Vec<(f64, f64)>> {
    let mut stretches: Vec<Vec<(f64, f64)>> = vec![Vec::new()];
    let mut before = f64::NEG_INFINITY;
    for point in &band.measured {
        if band.holes.iter().any(|hole| before <= hole.from_s && point.0 >= hole.to_s) {
            stretches.push(Vec::new());
        }
        before = point.0;
        if let Some(last) = stretches.last_mut() {
            last.push(*point);
        }
    }
    stretches.retain(|stretch| !stretch.is_empty());
    stretches
}

fn ruled(label: &Ruled, x: f64, y: f64) -> Markup {
    html! {
        @match label {
            Ruled::Clock(moment, fine) => {
                text class="number clock" x=(n(x)) y=(n(y)) text-anchor="middle" data-at=(moment)
                    data-show=(if *fine == words::Fine::Second { "second" } else { "minute" }) { (fine.utc(*moment)) }
            }
            Ruled::Text(text) => text class="number" x=(n(x)) y=(n(y)) text-anchor="middle" { (text) }
        }
    }
}

/// The estimate of the end: as wide as it is uncertain.
fn bracket(from: f64, likely: f64, to: f64, y: f64) -> Markup {
    let (from, to) = (from.min(likely - 3.0), to.max(likely + 3.0));
    let d = format!(
        "M{} {}V{}H{}V{}M{} {}V{}",
        n(from),
        n(y - 4.0),
        n(y + 2.0),
        n(to),
        n(y - 4.0),
        n(likely),
        n(y - 4.0),
        n(y + 2.0)
    );
    html! {
        g class="bracket" {
            title { "The end, and how far off that may be" }
            path d=(d) {}
            text x=(n(from - 5.0)) y=(n(y + 4.0)) text-anchor="end" { "end" }
        }
    }
}

fn linked(mark: &Mark, x: f64, y: f64, paper: Paper, link: Option<&str>) -> Markup {
    let drawn = html! { g class="mark" { title { (mark.says) } (shape(mark.shape, x, y, size(paper))) } };
    match link {
        Some(to) if paper.is_labelled => {
            html! { a href=(format!("{to}#round-{}", mark.number)) aria-label=(mark.says) { (drawn) } }
        }
        _ => drawn,
    }
}

fn size(paper: Paper) -> f64 {
    if paper.is_labelled { 4.5 } else { 2.5 }
}

/// The shape of a round: told apart without colour.
pub(crate) fn shape(shape: Shape, x: f64, y: f64, r: f64) -> Markup {
    let circle = |class: &str| html! { circle class=(class) cx=(n(x)) cy=(n(y)) r=(n(r)) {} };
    let slash = |r: f64| path([(x - r, y + r), (x + r, y - r)].into_iter());
    match shape {
        Shape::Kept => circle("filled"),
        Shape::Planned => circle("hollow"),
        Shape::Taking => {
            html! { (circle("hollow strong")) circle class="accent" cx=(n(x)) cy=(n(y)) r=(n(r * 0.45)) {} }
        }
        Shape::Failed => html! { (circle("hollow strong")) path class="stroke" d=(slash(r * 1.6)) {} },
        Shape::BrokenOff => html! {
            (circle("hollow strong"))
            path class="stroke" d=(path([(x, y - r * 1.8), (x, y + r * 1.8)].into_iter())) {}
        },
        Shape::LeftOut => html! {
            path class="stroke" d=(format!(
                "M{} {}V{}M{} {}V{}", n(x - r * 0.7), n(y - r), n(y + r), n(x + r * 0.7), n(y - r), n(y + r)
            )) {}
        },
    }
}

/// What the shapes mean, in words.
pub(crate) fn legend(band: &Band) -> Markup {
    let told = [
        (Shape::Kept, "kept"),
        (Shape::Failed, "kept, a check failed or it is marked"),
        (Shape::Taking, "being taken"),
        (Shape::Planned, "planned"),
        (Shape::LeftOut, "left out"),
        (Shape::BrokenOff, "broken off"),
    ];
    html! {
        p class="legend small" {
            @for (kind, word) in told {
                @if band.marks.iter().any(|mark| mark.shape == kind) {
                    span { svg class="glyph" viewBox="0 0 16 16" aria-hidden="true" { (shape(kind, 8.0, 8.0, 4.5)) } (word) }
                }
            }
            span { svg class="glyph" viewBox="0 0 16 16" aria-hidden="true" { path class="planned-line" d="M0 8H16" {} } "temperature planned" }
            @if !band.measured.is_empty() {
                span { svg class="glyph" viewBox="0 0 16 16" aria-hidden="true" { path class="measured-line" d="M0 8H16" {} } "measured" }
            }
            @if !band.holes.is_empty() { span { "shaded: nothing could be measured" } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::sample::{a_run, moment};

    #[test]
    fn every_round_is_a_mark_that_leads_to_it_and_says_what_it_is() {
        let drawn = band(&Band::of(&a_run(), moment("23:05")), Paper::WIDE, Some("")).into_string();
        for number in 1..=5 {
            assert!(drawn.contains(&format!("href=\"#round-{number}\"")), "{number}");
        }
        assert!(drawn.contains("the link to the meter was cut"));
        assert!(drawn.contains("voltage over range &lt;b&gt;"), "what others wrote is escaped");
        assert!(!drawn.contains("style="), "the policy allows no style of its own");
    }

    #[test]
    fn shapes_differ_without_their_colour() {
        let all =
            [Shape::Planned, Shape::Taking, Shape::Kept, Shape::Failed, Shape::LeftOut, Shape::BrokenOff];
        let drawn: std::collections::BTreeSet<String> =
            all.iter().map(|kind| shape(*kind, 8.0, 8.0, 4.0).into_string()).collect();
        assert_eq!(drawn.len(), all.len());
    }

    #[test]
    fn the_measured_line_is_broken_at_a_gap() {
        let night = Band::of(&a_run(), moment("23:05"));
        let lines = stretches(&night);
        assert_eq!(lines.iter().map(Vec::len).collect::<Vec<_>>(), [2, 3]);
    }
}
