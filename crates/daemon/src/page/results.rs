//! What came out so far: plots, and the table under them with its checks in words.

use super::html::of_bench;
use super::plot::{Over, QUANTITIES, plot};
use super::words;
use crate::view::{Point, RunView, Value};
use maud::{Markup, html};

/// Plots and table.
pub(crate) fn results(bench: &str, run: &RunView, over: Over) -> Markup {
    html! {
        h2 { "What came out so far" }
        @if run.results.is_empty() {
            p { "Nothing yet: a result needs whole rounds." }
            (expected(run))
        } @else {
            (plots(&run.results, over))
            (table(&run.results))
            (kept(bench, run, over))
        }
    }
}

/// The plots side by side.
pub(crate) fn plots(points: &[Point], over: Over) -> Markup {
    html! {
        div class="plots" {
            @for quantity in &QUANTITIES {
                @if let Some(drawn) = plot(points, quantity, over) {
                    figure { figcaption { (quantity.name) " in " (quantity.unit) } (drawn) }
                }
            }
        }
    }
}

fn kept(bench: &str, run: &RunView, over: Over) -> Markup {
    let Some(number) = run.run else { return html! {} };
    let path = of_bench(bench);
    let (asked, word, other) = match over {
        Over::Temperature => ("", "Plot over 1/T", "?over=inverse"),
        Over::Inverse => ("?over=inverse", "Plot over T", "?over=temperature"),
    };
    html! {
        p class="small keep" {
            a href=(other) { (word) }
            a href=(format!("{path}/runs/{number}/plots.svg{asked}")) download { "Save the plots (SVG)" }
            a href=(format!("{path}/runs/{number}/results.csv")) download { "Save the results (CSV)" }
            a href=(format!("/api/v1/benches/{}/runs/{number}/readings.csv", super::html::part(bench))) download { "Save the readings (CSV)" }
        }
    }
}

/// A value in the unit of the trade, and in SI under it.
fn both(found: Option<Value>, factor: f64, trade: &str, si: &str) -> Markup {
    html! {
        td class="number" {
            @match found {
                Some(found) => { (words::scaled(found, factor, trade)) @if trade != si { span class="si small" { (words::value(found, si)) } } },
                None => { "\u{2013}" },
            }
        }
    }
}

/// The table, with a column of checks in words.
pub(crate) fn table(points: &[Point]) -> Markup {
    let are_many = points.iter().any(|point| point.sample != points[0].sample);
    let has_volume = points
        .iter()
        .any(|point| point.carrier_density_per_m3.is_some() || point.resistivity_ohm_m.is_some());
    html! {
        div class="scroll" tabindex="0" role="group" aria-label="Table of results" {
            table {
                thead { tr {
                    @if are_many { th scope="col" { "Sample" } }
                    th scope="col" class="number" { "Temperature" } th scope="col" class="number" { "Sheet resistance" }
                    th scope="col" class="number" { "Carriers per area" } th scope="col" class="number" { "Hall mobility" }
                    th scope="col" { "Type" } th scope="col" { "Checks" }
                } }
                tbody {
                    @for point in points {
                        tr class=[(!point.accepted).then_some("rejected")] {
                            @if are_many { th scope="row" { (point.sample) } }
                            td class="number" { (words::kelvin(point.temperature_k)) }
                            (both(point.sheet_resistance_ohm, 1.0, "Ω", "Ω"))
                            (both(point.sheet_carrier_density_per_m2, 1e-4, "cm⁻²", "m⁻²"))
                            (both(point.mobility_m2_per_v_s, 1e4, "cm²/(V·s)", "m²/(V·s)"))
                            td { (point.carrier_type.as_deref().unwrap_or("\u{2013}")) }
                            td { (words::checks(point)) @for remark in &point.remarks { " " span class="small" { (words::sentence(remark)) } } }
                        }
                    }
                }
            }
        }
        @if has_volume { (per_volume(points, are_many)) }
    }
}

fn per_volume(points: &[Point], are_many: bool) -> Markup {
    html! {
        details id="per-volume" {
            summary { "With the thickness: resistivity, carriers per volume, Hall coefficient" }
            div class="scroll" tabindex="0" role="group" aria-label="Table of results with the thickness" {
                table {
                    thead { tr {
                        @if are_many { th scope="col" { "Sample" } }
                        th scope="col" class="number" { "Temperature" } th scope="col" class="number" { "Resistivity" }
                        th scope="col" class="number" { "Carriers per volume" } th scope="col" class="number" { "Hall coefficient" }
                    } }
                    tbody {
                        @for point in points {
                            tr {
                                @if are_many { th scope="row" { (point.sample) } }
                                td class="number" { (words::kelvin(point.temperature_k)) }
                                (both(point.resistivity_ohm_m, 1e2, "Ω·cm", "Ω·m"))
                                (both(point.carrier_density_per_m3, 1e-6, "cm⁻³", "m⁻³"))
                                (both(point.hall_coefficient_m3_per_c, 1e6, "cm³/C", "m³/C"))
                            }
                        }
                    }
                }
            }
        }
    }
}

/// What the rehearsal lets expect of the sheet's resistance, before anything is measured.
fn expected(run: &RunView) -> Markup {
    let found: Vec<_> = run.estimate.iter().flat_map(|estimate| &estimate.results).collect();
    let found: Vec<_> =
        found.into_iter().filter(|expected| expected.quantity == "sheet_resistance_ohm").collect();
    html! {
        @if !found.is_empty() {
            details id="expected" {
                summary { "What the rehearsal lets expect" }
                ul {
                    @for expected in found {
                        li {
                            (expected.sample) " at " (words::kelvin(expected.temperature_k)) ": "
                            (words::value(Value { value: expected.value, u: (expected.relative_u * expected.value).abs() }, "Ω")) " per square"
                        }
                    }
                }
            }
        }
    }
}

/// A quantity of a result.
type Of = fn(&Point) -> Option<Value>;

/// Results as a table of comma-separated values, SI units.
pub(crate) fn csv(points: &[Point]) -> String {
    let mut text = String::from("sample,temperature_k");
    let columns: [(&str, Of); 6] = [
        ("sheet_resistance_ohm", |point| point.sheet_resistance_ohm),
        ("resistivity_ohm_m", |point| point.resistivity_ohm_m),
        ("hall_coefficient_m3_per_c", |point| point.hall_coefficient_m3_per_c),
        ("sheet_carrier_density_per_m2", |point| point.sheet_carrier_density_per_m2),
        ("carrier_density_per_m3", |point| point.carrier_density_per_m3),
        ("mobility_m2_per_v_s", |point| point.mobility_m2_per_v_s),
    ];
    columns.iter().for_each(|(name, _)| text += &format!(",{name},{name}_u"));
    text += ",carrier_type,accepted,checks\n";
    let quoted = |text: &str| format!("\"{}\"", text.replace('"', "\"\""));
    for point in points {
        text += &format!("{},{}", quoted(&point.sample), point.temperature_k);
        for (_, of) in &columns {
            text += &of(point)
                .map_or_else(|| ",,".to_owned(), |found| format!(",{:e},{:e}", found.value, found.u));
        }
        let carriers = point.carrier_type.as_deref().unwrap_or_default();
        text += &format!(",{carriers},{},{}\n", point.accepted, quoted(&words::checks(point)));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::sample::{a_point, a_run};

    #[test]
    fn the_table_says_what_the_checks_say() {
        let shown = table(&[a_point(299.9, true), a_point(142.1, false)]).into_string();
        assert!(shown.contains("<td>passed"), "{shown}");
        assert!(shown.contains("not passed: reciprocity"));
        assert!(shown.contains("1.240(12)\u{202f}kΩ"), "{shown}");
        assert!(shown.contains("2.000(30)×10¹³\u{202f}cm⁻²"), "{shown}");
    }

    #[test]
    fn a_table_to_be_kept_has_a_column_for_each_uncertainty() {
        let text = csv(&[a_point(300.0, false)]);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0].split(',').count(), 17);
        assert!(lines[1].starts_with("\"left film\",300,1.24e3,1.2e1,,,"), "{}", lines[1]);
        assert!(lines[1].contains(",n,false,\"not passed"));
    }

    #[test]
    fn before_the_first_result_the_sheet_says_what_it_waits_for() {
        let mut run = a_run();
        run.results.clear();
        assert!(results("cold", &run, Over::Temperature).into_string().contains("Nothing yet"));
    }
}
