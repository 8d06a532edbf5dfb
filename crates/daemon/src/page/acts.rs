//! What a person does on the page: forms that are sent, by the same handlers as the JSON interface, and answered by a page.

use super::html::{Denied, of_bench};
use crate::api::sent::{InPath, Sent};
use crate::api::{Confirmed, admin, benches, runs};
use crate::problem::Refusal;
use crate::site::Site;
use crate::who::{Maintain, Operate, Peer};
use axum::Extension;
use axum::extract::State;
use axum::response::{IntoResponse, Redirect, Response};
use std::sync::Arc;

type Acted = Result<Redirect, Denied>;
type Place = Result<InPath<String>, Refusal>;

/// A form as it was sent: pairs in order.
pub(crate) struct Form(Vec<(String, String)>);

impl Form {
    pub(crate) fn parse(body: &[u8]) -> Self {
        Self(form_urlencoded::parse(body).into_owned().collect())
    }

    /// The value of a field.
    pub(crate) fn one(&self, key: &str) -> Result<&str, Refusal> {
        let found = self.0.iter().find(|(known, _)| known == key).map(|(_, value)| value.trim());
        found.ok_or_else(|| {
            Refusal::unprocessable(
                format!("the form has no {key}"),
                "use the form of the page as it stands there",
            )
        })
    }

    /// All values of a field.
    pub(crate) fn all(&self, key: &str) -> Vec<String> {
        self.0.iter().filter(|(known, _)| known == key).map(|(_, value)| value.clone()).collect()
    }

    fn number<T: std::str::FromStr>(&self, key: &str, remedy: &str) -> Result<T, Refusal> {
        let text = self.one(key)?;
        text.parse().map_err(|_| Refusal::unprocessable(format!("\"{}\" is no number", short(text)), remedy))
    }
}

fn short(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(40).collect()
}

/// Back to the sheet.
fn sheet(bench: &str) -> Redirect {
    Redirect::to(&of_bench(bench))
}

/// Stops the run and stands the bench down.
pub(crate) async fn stop(State(site): State<Arc<Site>>, who: Result<Operate, Refusal>, path: Place) -> Acted {
    let (who, InPath(bench)) = (who?, path?);
    runs::stop(State(site), who, InPath(bench.clone())).await.map_err(Denied::at(&bench))?;
    Ok(sheet(&bench))
}

/// Lets the run pause after its round.
pub(crate) async fn pause(
    State(site): State<Arc<Site>>,
    who: Result<Operate, Refusal>,
    path: Place,
) -> Acted {
    let (who, InPath(bench)) = (who?, path?);
    runs::pause(State(site), who, InPath(bench.clone())).await.map_err(Denied::at(&bench))?;
    Ok(sheet(&bench))
}

/// Goes on with a run that waits.
pub(crate) async fn resume(
    State(site): State<Arc<Site>>,
    who: Result<Operate, Refusal>,
    path: Place,
    body: axum::body::Bytes,
) -> Acted {
    let (who, InPath(bench)) = (who?, path?);
    let run = Form::parse(&body).number("run", "use the button of the sheet").map_err(Denied::at(&bench))?;
    let _ticket =
        runs::resume(State(site), who, InPath((bench.clone(), run))).await.map_err(Denied::at(&bench))?;
    Ok(sheet(&bench))
}

/// Says what the field is.
pub(crate) async fn field(
    State(site): State<Arc<Site>>,
    who: Result<Operate, Refusal>,
    path: Place,
    body: axum::body::Bytes,
) -> Acted {
    let (who, InPath(bench)) = (who?, path?);
    let remedy = "write teslas with a point, as in -0.6";
    let field_t = Form::parse(&body).number("field_t", remedy).map_err(Denied::at(&bench))?;
    let sent = Sent(Confirmed { field_t });
    benches::confirm_field(State(site), who, InPath(bench.clone()), sent)
        .await
        .map_err(Denied::at(&bench))?;
    Ok(sheet(&bench))
}

/// Says that a person has looked at a bench that is blocked.
pub(crate) async fn clear(
    State(site): State<Arc<Site>>,
    who: Result<Maintain, Refusal>,
    path: Place,
) -> Acted {
    let (who, InPath(bench)) = (who?, path?);
    benches::clear(State(site), who, InPath(bench.clone())).await.map_err(Denied::at(&bench))?;
    Ok(sheet(&bench))
}

/// Takes a run out of the queue.
pub(crate) async fn withdraw(
    State(site): State<Arc<Site>>,
    who: Result<Operate, Refusal>,
    path: Place,
    body: axum::body::Bytes,
) -> Acted {
    let (who, InPath(bench)) = (who?, path?);
    let ticket =
        Form::parse(&body).number("ticket", "use the button of the sheet").map_err(Denied::at(&bench))?;
    let _ticket = runs::withdraw(State(site), who, InPath((bench.clone(), ticket)))
        .await
        .map_err(Denied::at(&bench))?;
    Ok(sheet(&bench))
}

/// Begins a session.
pub(crate) async fn begin_session(
    State(site): State<Arc<Site>>,
    peer: Option<Extension<Peer>>,
    body: axum::body::Bytes,
) -> Result<Response, Denied> {
    let token = Form::parse(&body).one("token")?.to_owned();
    let given = serde_json::from_value(serde_json::json!({ "token": token }));
    let given = given.map_err(|error| Refusal::unprocessable(error.to_string(), "send a token"))?;
    let begun = admin::begin_session(State(site), peer, Sent(given)).await?;
    let mut response = Redirect::to("/").into_response();
    for cookie in begun.headers().get_all(http::header::SET_COOKIE) {
        response.headers_mut().append(http::header::SET_COOKIE, cookie.clone());
    }
    Ok(response)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_form_is_read_as_browsers_send_it() {
        let form = Form::parse(b"samples=left+film&samples=right%20film&field_t=-0.6&run=x");
        assert_eq!(form.all("samples"), ["left film", "right film"]);
        assert_eq!(form.number::<f64>("field_t", "").unwrap(), -0.6);
        assert_eq!(form.number::<i64>("run", "look").unwrap_err().instead, "look");
        assert!(form.one("ticket").unwrap_err().detail.contains("ticket"));
    }
}
