//! The page over a real socket: what it shows is what the interface says, it does what the interface does, and it asks for
//! nothing from elsewhere.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_daemon::tokens::Right;
use quadrille_daemon::view::{BenchState, RoundState, RunState};
use std::io::{BufRead, BufReader, Write};
use support::{Answer, Laboratory, Running, Wanted};

/// A form as a browser sends it from the daemon's own page.
fn form(daemon: &Running, path: &str, cookie: Option<&str>, fields: &str) -> Answer {
    let mut stream = daemon.connect();
    let cookie = cookie.map_or(String::new(), |cookie| format!("Cookie: {cookie}\r\n"));
    let head = format!(
        "POST {path} HTTP/1.1\r\nHost: {0}\r\nOrigin: http://{0}\r\nSec-Fetch-Site: same-origin\r\n{cookie}\
         Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {1}\r\nConnection: close\r\n\r\n{fields}",
        daemon.address,
        fields.len()
    );
    stream.write_all(head.as_bytes()).unwrap();
    Answer::read(&mut stream)
}

/// The value of a hidden field.
fn hidden(page: &str, name: &str) -> String {
    let from = page.find(&format!("name=\"{name}\" value=\"")).unwrap_or_else(|| panic!("no {name}: {page}"));
    let rest = &page[from..];
    let begin = rest.find("value=\"").unwrap() + 7;
    rest[begin..].split('"').next().unwrap().to_owned()
}

/// Composes, rehearses and starts the demonstration's run as a person without scripts does.
fn start(daemon: &Running, bench: &str, fields: &str) -> Answer {
    let composed = daemon.get(&format!("/benches/{bench}/compose"));
    assert_eq!(composed.status, 200, "{composed:?}");
    let begun = form(daemon, &format!("/benches/{bench}/rehearse"), None, fields);
    assert_eq!(begun.status, 303, "{begun:?}");
    let place = begun.header("location").unwrap();
    let rehearsed = loop {
        let page = daemon.get(&place);
        assert_eq!(page.status, 200);
        if !page.body.contains("http-equiv=\"refresh\"") {
            break page.body;
        }
        // The rehearsal goes on in the daemon; a browser would ask again in two seconds.
        #[allow(clippy::disallowed_methods)]
        std::thread::sleep(std::time::Duration::from_millis(100));
    };
    let (hash, key) = (hidden(&rehearsed, "plan_sha256"), hidden(&rehearsed, "key"));
    assert_eq!(hash, daemon.plan(bench, None), "the start carries the plan that was looked at");
    form(daemon, &format!("/benches/{bench}/start"), None, &format!("{fields}&plan_sha256={hash}&key={key}"))
}

#[test]
fn a_run_that_is_composed_on_the_page_is_shown_as_the_interface_tells_it() {
    let laboratory = Laboratory::new(&Wanted::default());
    let daemon = laboratory.begin();
    let begun = start(&daemon, "film", "samples=film&recipe=film-recipe");
    assert_eq!(
        (begun.status, begun.header("location").as_deref()),
        (303, Some("/benches/film")),
        "{begun:?}"
    );
    let view = daemon.ended("film");
    let run = view.run.as_ref().unwrap();
    let sheet = daemon.get("/benches/film").body;
    assert!(sheet.contains("Output verified off."), "{sheet}");
    assert!(sheet.contains(&format!("All {} rounds are safe.", run.rounds.len())), "{sheet}");
    for round in &run.rounds {
        assert_eq!(round.state, RoundState::Kept);
        assert!(
            sheet.contains(&format!("href=\"#round-{}\"", round.number)),
            "a mark of round {}",
            round.number
        );
        assert!(sheet.contains(&format!("id=\"round-{}\"", round.number)), "round {}", round.number);
    }
    let found = run.results[0].sheet_resistance_ohm.unwrap();
    let written = quadrille_quantity::with_uncertainty(found.value, found.u, "Ω").replace(' ', "\u{202f}");
    assert!(sheet.contains(&written), "{written}");
    let last = run.last_readings.last().unwrap();
    let voltage = quadrille_quantity::with_uncertainty(last.voltage_v.value.abs(), last.voltage_v.u, "V");
    assert!(sheet.contains(&voltage.replace(' ', "\u{202f}")), "{voltage}");
    let records = daemon.get("/benches/film/records").body;
    assert!(records.contains("/benches/film/runs/1"), "{records}");
    let table = daemon.get("/benches/film/runs/1/results.csv");
    let column = table.body.lines().nth(1).unwrap().split(',').nth(2).unwrap().parse::<f64>().unwrap();
    assert_eq!(column, found.value, "nothing is lost on the way into the table");
    let round = daemon.get("/benches/film/runs/1/rounds/1").body;
    assert!(round.contains(&format!("{} readings", run.rounds[0].readings)), "{round}");
    daemon.end();
}

#[test]
fn stop_is_on_the_sheet_whatever_the_bench_does_and_stops_without_scripts() {
    let laboratory = Laboratory::new(&Wanted { pace: Some(100), ..Wanted::default() });
    let daemon = laboratory.begin();
    let has_stop = || daemon.get("/benches/night").body.contains("action=\"/benches/night/stop\"");
    assert!(has_stop(), "of a bench that is ready too");
    let nothing = form(&daemon, "/benches/night/stop", None, "");
    assert_eq!(nothing.status, 409);
    assert!(nothing.body.contains("Instead: "), "a refusal is a page that says what to do: {}", nothing.body);
    assert_eq!(start(&daemon, "night", "samples=night-film&recipe=night-recipe").status, 303);
    daemon.wait("night", |view| view.run.as_ref().is_some_and(|run| run.readings > 0));
    assert!(has_stop());
    assert_eq!(form(&daemon, "/benches/night/stop", None, "").status, 303);
    daemon.ended("night");
    let sheet = daemon.get("/benches/night").body;
    assert!(sheet.contains("Stood down") && sheet.contains("Output verified off."), "{sheet}");
    daemon.end();
}

#[test]
fn the_stream_sends_what_has_changed_and_a_part_that_has_not_is_not_sent_again() {
    let laboratory = Laboratory::new(&Wanted { pace: Some(100), ..Wanted::default() });
    let daemon = laboratory.begin();
    let mut stream = daemon.connect();
    let head = format!("GET /benches/film/sheet/events HTTP/1.1\r\nHost: {}\r\n\r\n", daemon.address);
    stream.write_all(head.as_bytes()).unwrap();
    let parts = |lines: &mut dyn Iterator<Item = String>, until: &str| {
        let mut names = Vec::new();
        for line in lines {
            let Some(data) = line.strip_prefix("data: {") else { continue };
            let told: serde_json::Value = serde_json::from_str(&format!("{{{data}")).unwrap();
            let name = told["part"].as_str().unwrap().to_owned();
            let is_last = name == until;
            names.push(name);
            if is_last {
                break;
            }
        }
        names
    };
    let mut lines = BufReader::new(stream).lines().map_while(Result::ok);
    assert_eq!(parts(&mut lines, "rounds").len(), 8, "all parts at first");
    let part = daemon.get("/benches/film/sheet/saying");
    let tag = part.header("etag").unwrap();
    let again = daemon.ask("GET", "/benches/film/sheet/saying").header("If-None-Match", &tag).send();
    assert_eq!((again.status, again.body.as_str()), (304, ""));
    assert_eq!(start(&daemon, "film", "samples=film&recipe=film-recipe").status, 303);
    assert_eq!(parts(&mut lines, "saying"), ["saying"], "the sentence comes first");
    daemon.ended("film");
    daemon.end();
}

#[test]
fn whoever_is_not_known_is_asked_who_they_are_and_may_then_do_what_their_token_allows() {
    let laboratory = Laboratory::new(&Wanted { tokens: true, ..Wanted::default() });
    let secret = laboratory.token("ada", &[Right::Look]);
    let daemon = laboratory.begin();
    let paths = [
        "/",
        "/benches/film",
        "/benches/film/bench",
        "/benches/film/records",
        "/benches/film/compose",
        "/audit",
    ];
    for path in paths {
        let page = daemon.get(path);
        assert_eq!(page.status, 401, "{path}");
        assert!(page.body.contains("action=\"/session\"") && !page.body.contains("film.toml"), "{path}");
    }
    let wrong = form(&daemon, "/session", None, "token=wrong");
    assert_eq!((wrong.status, wrong.header("set-cookie")), (401, None));
    let begun = form(&daemon, "/session", None, &format!("token={secret}"));
    assert_eq!(begun.status, 303);
    let cookie = begun.header("set-cookie").unwrap();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    let cookie = cookie.split(';').next().unwrap();
    let sheet = daemon.ask("GET", "/benches/film").header("Cookie", cookie).send();
    assert_eq!(sheet.status, 200);
    assert!(!sheet.body.contains("<button"), "whoever may look only is offered nothing else");
    let acts = ["stop", "pause", "resume", "field", "clear", "withdraw", "rehearse", "start"];
    for act in acts {
        let path = format!("/benches/film/{act}");
        for (cookie, status) in [(None, 401), (Some(cookie), 403)] {
            let answer =
                form(&daemon, &path, cookie, "samples=film&recipe=film-recipe&run=1&ticket=1&field_t=1");
            assert_eq!(answer.status, status, "{act}");
        }
    }
    let view = daemon.view("film");
    assert!(view.run.is_none() && view.state == BenchState::Ready);
    daemon.end();
}

#[test]
fn a_form_from_another_site_does_nothing() {
    let laboratory = Laboratory::new(&Wanted { pace: Some(100), ..Wanted::default() });
    let daemon = laboratory.begin();
    assert_eq!(start(&daemon, "night", "samples=night-film&recipe=night-recipe").status, 303);
    daemon.wait("night", |view| view.run.as_ref().is_some_and(|run| run.readings > 0));
    for (name, value) in
        [("Origin", "http://evil.example"), ("Origin", "null"), ("Sec-Fetch-Site", "cross-site")]
    {
        let answer = daemon.ask("POST", "/benches/night/stop").header(name, value).send();
        assert_eq!(answer.status, 403, "{name}: {value}");
    }
    assert_eq!(daemon.view("night").run.as_ref().map(|run| run.state), Some(RunState::Running));
    assert_eq!(form(&daemon, "/benches/night/stop", None, "").status, 303);
    daemon.ended("night");
    daemon.end();
}

#[test]
fn a_page_has_nothing_in_it_that_the_policy_forbids() {
    let laboratory = Laboratory::new(&Wanted::default());
    let daemon = laboratory.begin();
    assert_eq!(start(&daemon, "film", "samples=film&recipe=film-recipe").status, 303);
    daemon.ended("film");
    let paths = [
        "/?all",
        "/benches/film",
        "/benches/film/compose",
        "/benches/film/bench",
        "/benches/film/records",
        "/audit",
        "/benches/film/runs/1",
        "/benches/film/runs/1/rounds/1",
        "/benches/nowhere",
    ];
    for path in paths {
        let page = daemon.get(path);
        assert!(page.header("content-type").unwrap().starts_with("text/html"), "{path}");
        let policy = page.header("content-security-policy").unwrap();
        assert!(policy.contains("script-src 'self'") && !policy.contains("unsafe"), "{policy}");
        for forbidden in [" style=", "<style", "<script>", " onclick", "javascript:", "https://"] {
            assert!(!page.body.contains(forbidden), "{path}: {forbidden}");
        }
        for link in page.body.split("src=\"").skip(1).chain(page.body.split("href=\"").skip(1)) {
            let link = link.split('"').next().unwrap();
            assert!(link.starts_with(['/', '#', '?']) && !link.starts_with("//"), "{path}: {link}");
        }
    }
    for asset in ["/assets/page.css", "/assets/page.js", "/assets/icon.svg"] {
        let answer = daemon.get(asset);
        assert_eq!(answer.status, 200);
        assert!(!answer.body.contains("https://"), "{asset}");
    }
    daemon.end();
}
