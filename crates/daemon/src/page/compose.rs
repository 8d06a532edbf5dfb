//! The sheet before it is lived: what is to be measured, what a rehearsal makes of it, and the start of exactly that.

use super::acts::Form;
use super::band::Band;
use super::html::{Denied, Frame, Tab, of_bench, page};
use super::sections::night;
use super::sheet::{asked, may};
use super::words::{self, bare, lasting};
use super::{plot::Over, results};
use crate::api::sent::{InPath, Sent, aside};
use crate::api::{Rehearsal, RehearsalState, Start, Wanted, rehearsals, runs};
use crate::moment::Moment;
use crate::problem::Refusal;
use crate::site::Site;
use crate::tokens::random;
use crate::view::{BenchState, BenchView, Documents, Estimate, RunView};
use crate::who::{Look, Operate};
use axum::extract::State;
use axum::response::{Html, Redirect};
use http::{HeaderMap, HeaderName, HeaderValue, StatusCode, Uri};
use maud::{Markup, html};
use std::sync::Arc;

/// What is to be measured.
struct Choice {
    samples: Vec<String>,
    recipe: String,
}

impl Choice {
    fn of(pairs: &[(String, String)]) -> Self {
        let all = |key: &str| {
            pairs.iter().filter(|(known, _)| known == key).map(|(_, value)| value.clone()).collect()
        };
        let recipes: Vec<String> = all("recipe");
        Self { samples: all("samples"), recipe: recipes.into_iter().next().unwrap_or_default() }
    }

    fn query(&self) -> String {
        let mut query = form_urlencoded::Serializer::new(String::new());
        self.samples.iter().for_each(|sample| {
            query.append_pair("samples", sample);
        });
        query.append_pair("recipe", &self.recipe).finish()
    }
}

/// The form.
pub(crate) async fn compose(
    State(site): State<Arc<Site>>,
    look: Result<Look, Refusal>,
    path: Result<InPath<String>, Refusal>,
    uri: Uri,
) -> Result<Html<String>, Denied> {
    let (Look(who), InPath(bench)) = (look?, path?);
    let host = Arc::clone(site.bench(&bench)?);
    let documents = aside(move || Ok(host.library.list())).await?;
    let body = html! {
        h1 { "Compose a run" }
        @if may(&who).operate { (form(&bench, &documents, &Choice::of(&asked(&uri)))) }
        @else { p { "You may look here; to compose a run takes a token with the right to operate." } }
    };
    Ok(page(&Frame::still("Compose", Some(&bench), Tab::Compose), &body))
}

fn form(bench: &str, documents: &Documents, choice: &Choice) -> Markup {
    let only =
        |names: &[String], name: &String, chosen: bool| chosen || names.len() == 1 && names[0] == *name;
    html! {
        p class="lead" { "Choose what to measure. A rehearsal on the side shows the night before it is lived; nothing is energised by it." }
        form method="post" action=(format!("{}/rehearse", of_bench(bench))) class="stack" {
            fieldset {
                legend { "Samples" }
                @for name in &documents.samples {
                    label class="choice" {
                        input type="checkbox" name="samples" value=(name)
                            checked[only(&documents.samples, name, choice.samples.contains(name))];
                        (name)
                    }
                }
                @if documents.samples.is_empty() { p { "There is no sample document on this bench: write one on its machine." } }
            }
            fieldset {
                legend { "Recipe" }
                @for name in &documents.recipes {
                    label class="choice" {
                        input type="radio" name="recipe" value=(name) required checked[only(&documents.recipes, name, choice.recipe == *name)];
                        (name)
                    }
                }
                @if documents.recipes.is_empty() { p { "There is no recipe document on this bench: write one on its machine." } }
            }
            button type="submit" { "Rehearse it" }
        }
    }
}

/// Begins a rehearsal.
pub(crate) async fn rehearse(
    State(site): State<Arc<Site>>,
    who: Result<Operate, Refusal>,
    path: Result<InPath<String>, Refusal>,
    body: axum::body::Bytes,
) -> Result<Redirect, Denied> {
    let (who, InPath(bench)) = (who?, path?);
    let form = Form::parse(&body);
    let choice = Choice {
        samples: form.all("samples"),
        recipe: form.one("recipe").map_err(Denied::at(&bench))?.to_owned(),
    };
    let wanted = Sent(Wanted { samples: choice.samples.clone(), recipe: choice.recipe.clone() });
    let begun = rehearsals::begin(State(site), who, InPath(bench.clone()), wanted).await;
    let (_, axum::Json(begun)) = begun.map_err(Denied::at(&bench))?;
    let to = format!("{}/rehearsals/{}?{}", of_bench(&bench), begun.rehearsal, choice.query());
    Ok(Redirect::to(&to))
}

/// A rehearsal: how far it is, then what it found, and the start of its plan.
pub(crate) async fn rehearsal(
    State(site): State<Arc<Site>>,
    look: Result<Look, Refusal>,
    path: Result<InPath<(String, u64)>, Refusal>,
    uri: Uri,
) -> Result<Html<String>, Denied> {
    let (look, InPath((bench, number))) = (look?, path?);
    let may = may(&look.0).operate;
    let host = Arc::clone(site.bench(&bench)?);
    let found = rehearsals::view(State(Arc::clone(&site)), look, InPath((bench.clone(), number))).await;
    let axum::Json(found) = found.map_err(Denied::at(&bench))?;
    let choice = Choice::of(&asked(&uri));
    let key = random().map_err(|error| {
        Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, "failed", error.to_string(), "try again")
    })?;
    let begin = html! {
        @if found.state == RehearsalState::Done && may { (start_form(&host.view(), &found, &choice, &key)) }
    };
    let body = html! {
        (told(&found, host.pace(), &begin))
        p { a href=(format!("{}/compose?{}", of_bench(&bench), choice.query())) { "Choose otherwise" } }
    };
    let again_s = (found.state == RehearsalState::UnderWay).then_some(2);
    let frame = Frame { again_s, ..Frame::still("Rehearsal", Some(&bench), Tab::Compose) };
    Ok(page(&frame, &body))
}

/// A rehearsal as a run that has not begun.
fn coming(found: &Rehearsal, pace: f64) -> RunView {
    let mut run = RunView::prepared(found.plan.clone(), pace);
    run.estimate = found.duration_s.map(|duration_s| Estimate {
        duration_s,
        ends: None,
        within_s: None,
        results: Vec::new(),
    });
    run
}

fn told(found: &Rehearsal, pace: f64, begin: &Markup) -> Markup {
    let plan = &found.plan;
    let (samples, recipe) = (plan.samples.join(", "), &plan.recipe);
    html! {
        @match (found.state, found.duration_s) {
            (RehearsalState::UnderWay, _) => h1 { "Rehearsing " (samples) ": " (plan.rounds.len()) " rounds." },
            (RehearsalState::Done, duration) => {
                h1 {
                    (samples) ": " (plan.rounds.len()) " rounds"
                    @if let Some(seconds) = duration {
                        ", " (lasting(seconds))
                        @if pace == 1.0 { "; begun now, it ends about " (words::Clock(Moment::now().after_s(seconds), words::Fine::Minute)) }
                    }
                    "."
                }
            },
            (RehearsalState::Failed, _) => h1 { "The rehearsal did not come to the end of its plan." },
        }
        p class="small" {
            "Recipe: " (recipe) ". " (plan.readings) " readings, at most " (bare(plan.most_v, "V")) " on the leads."
            @if found.state == RehearsalState::UnderWay { " This page asks again by itself." }
        }
        @if let Some(reason) = &found.reason { section class="refusal" { p { (words::sentence(reason)) } } }
        section { (night(&Band::of(&coming(found, pace), Moment::now()), None)) }
        @if !(plan.warnings.is_empty() && found.complaints.is_empty()) {
            section {
                h2 { "Warnings" }
                ul {
                    @for warning in &plan.warnings { li { (words::sentence(warning)) } }
                    @for complaint in &found.complaints { li { strong { "The bench would suffer: " } (words::sentence(complaint)) } }
                }
            }
        }
        (begin)
        @if !found.results.is_empty() {
            section {
                h2 { "What to expect" }
                p class="small" { "From the models in the sample documents: it is what a rehearsal found, not what was measured." }
                (results::plots(&found.results, Over::Temperature))
                (results::table(&found.results))
            }
        }
        details {
            summary { "Why it is planned like this" }
            ul { @for reason in &plan.reasons { li { (words::sentence(reason)) } } }
        }
    }
}

fn start_form(view: &BenchView, found: &Rehearsal, choice: &Choice, key: &str) -> Markup {
    let is_busy = view.state != BenchState::Ready || !view.queue.is_empty();
    html! {
        form method="post" action=(format!("{}/start", of_bench(&view.bench))) class="start" {
            @for sample in &choice.samples { input type="hidden" name="samples" value=(sample); }
            input type="hidden" name="recipe" value=(choice.recipe);
            input type="hidden" name="plan_sha256" value=(found.plan.sha256);
            input type="hidden" name="key" value=(key);
            @if is_busy { input type="hidden" name="queue" value="yes"; }
            button type="submit" { @if is_busy { "Start when the bench is free" } @else { "Start" } }
            span class="says small" {
                "Starts exactly this plan, " code { (found.plan.sha256.get(..12).unwrap_or_default()) }
                ": where a document has changed by then, nothing is begun."
                @if view.needs_release && view.release.is_none() { " Somebody at the bench must release it first." }
            }
        }
    }
}

/// Starts what was rehearsed.
pub(crate) async fn start(
    State(site): State<Arc<Site>>,
    who: Result<Operate, Refusal>,
    path: Result<InPath<String>, Refusal>,
    body: axum::body::Bytes,
) -> Result<Redirect, Denied> {
    let (who, InPath(bench)) = (who?, path?);
    let form = Form::parse(&body);
    let one = |key: &str| form.one(key).map(str::to_owned).map_err(Denied::at(&bench));
    let start = Start {
        samples: form.all("samples"),
        recipe: one("recipe")?,
        plan_sha256: Some(one("plan_sha256")?),
        queue: form.one("queue").is_ok(),
    };
    let mut headers = HeaderMap::new();
    let key = HeaderValue::from_str(&one("key")?).map_err(|_| {
        Refusal::unprocessable("the form's key is none", "use the form of the page as it stands there")
    })?;
    headers.insert(HeaderName::from_static("idempotency-key"), key);
    let begun = runs::start(State(site), who, InPath(bench.clone()), headers, Sent(start)).await;
    let _ticket = begun.map_err(Denied::at(&bench))?;
    Ok(Redirect::to(&of_bench(&bench)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::sample::{a_bench, a_run};

    fn a_rehearsal() -> Rehearsal {
        let plan = a_run().plan;
        Rehearsal {
            rehearsal: 1,
            bench: "cold".to_owned(),
            by: "ada".to_owned(),
            at: Moment::now(),
            state: RehearsalState::Done,
            plan,
            duration_s: Some(18_000.0),
            readings: Some(80),
            results: Vec::new(),
            complaints: Vec::new(),
            reason: None,
        }
    }

    #[test]
    fn a_start_carries_the_plan_that_was_looked_at_and_a_key_of_its_own() {
        let choice = Choice { samples: vec!["left \"film\"".to_owned()], recipe: "night".to_owned() };
        let shown = start_form(&a_bench(None), &a_rehearsal(), &choice, "k1").into_string();
        assert!(shown.contains(&format!("name=\"plan_sha256\" value=\"{}\"", "ab".repeat(32))));
        assert!(shown.contains("name=\"key\" value=\"k1\""));
        assert!(shown.contains("value=\"left &quot;film&quot;\""), "{shown}");
        assert!(!shown.contains("name=\"queue\""));
        let mut busy = a_bench(None);
        busy.state = BenchState::Working;
        assert!(
            start_form(&busy, &a_rehearsal(), &choice, "k1").into_string().contains("when the bench is free")
        );
    }

    #[test]
    fn a_choice_survives_its_way_through_an_address() {
        let choice = Choice { samples: vec!["a&b".to_owned(), "c d".to_owned()], recipe: "r=1".to_owned() };
        let pairs: Vec<(String, String)> =
            form_urlencoded::parse(choice.query().as_bytes()).into_owned().collect();
        let again = Choice::of(&pairs);
        assert_eq!((again.samples, again.recipe), (choice.samples, choice.recipe));
    }
}
