//! Runs begun, paused, resumed and stopped over real sockets, on benches in virtual time.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_daemon::console::{Answer as Said, Asked, ask};
use quadrille_daemon::tokens::Right;
use quadrille_daemon::view::{BenchState, EndState, OutputState, RoundState, RunState};
use serde_json::json;
use std::io::{BufRead, BufReader, Read, Write};
use support::{Laboratory, Running, Wanted, documents};

/// A pace at which the night's bench takes a second or two for each round.
const WATCHABLE: u32 = 100;

fn laboratory(pace: Option<u32>) -> Laboratory {
    Laboratory::new(&Wanted { pace, ..Wanted::default() })
}

#[test]
fn a_run_is_begun_watched_and_its_results_fetched() {
    let laboratory = laboratory(None);
    let daemon = laboratory.begin();
    let ready = daemon.view("film");
    assert_eq!((ready.state, ready.output.state), (BenchState::Ready, OutputState::VerifiedOff));
    assert!(ready.instruments.iter().all(|known| known.identity.is_some() && known.last_answer.is_some()));
    let answer = daemon.start("film", "one", None);
    assert_eq!(answer.status, 202, "{answer:?}");
    let ended = daemon.ended("film");
    let run = ended.run.clone().unwrap();
    assert_eq!((run.run, run.ending), (Some(1), Some(EndState::Finished)), "{run:?}");
    assert_eq!(ended.output.state, OutputState::VerifiedOff);
    assert!(run.rounds.iter().all(|round| round.state == RoundState::Kept), "{:?}", run.rounds);
    assert_eq!(run.readings, run.plan.readings);
    let sheet = run.results[0].sheet_resistance_ohm.unwrap();
    // The film's sheet resistance solves exp(-pi 318/Rs) + exp(-pi 232/Rs) = 1 (van der Pauw 1958); found with
    // scipy.optimize.brentq.
    assert!((sheet.value - 1_235.767_864_867_198).abs() < 3.0 * sheet.u, "{sheet:?}");
    let estimate = run.estimate.unwrap();
    assert!(estimate.duration_s > 1.0 && !estimate.results.is_empty());
    let table = daemon.get("/api/v1/benches/film/runs/1/readings.csv");
    assert_eq!(table.body.lines().count() as u64, run.readings + 1);
    let ticket = daemon.get("/api/v1/benches/film/orders/1").value();
    assert_eq!((ticket["state"].clone(), ticket["run"].clone()), (json!("begun"), json!(1)));
    let mut told = daemon.get("/api/v1/benches/film/runs/1/view").value();
    assert_eq!(told["rounds"], json!(run.rounds));
    told["results"] = json!(null);
    assert_eq!(daemon.get("/api/v1/benches/film/runs/9/view").status, 404);
    daemon.end();
}

#[test]
fn of_two_people_who_start_at_once_one_wins_and_the_other_is_told_by_whom_and_when() {
    let laboratory = Laboratory::new(&Wanted { tokens: true, pace: Some(WATCHABLE), ..Wanted::default() });
    let names = ["ada", "bea", "cec", "dot"];
    let tokens = names.map(|name| laboratory.token(name, &[Right::Operate]));
    let daemon = laboratory.begin();
    let answers: Vec<support::Answer> = std::thread::scope(|scope| {
        let starts: Vec<_> =
            tokens.iter().map(|token| scope.spawn(|| daemon.start("night", "mine", Some(token)))).collect();
        starts.into_iter().map(|start| start.join().unwrap()).collect()
    });
    let won: Vec<usize> = (0..4).filter(|&k| answers[k].status == 202).collect();
    let [winner] = won[..] else { panic!("{answers:?}") };
    for (k, answer) in answers.iter().enumerate().filter(|(k, _)| *k != winner) {
        assert_eq!(answer.status, 409, "{k}");
        let told = answer.refusal();
        assert_eq!(told["more"]["hold"]["by"], json!(names[winner]));
        assert!(told["detail"].as_str().unwrap().contains(names[winner]), "{told}");
        assert!(told["more"]["hold"]["since"].as_str().unwrap().ends_with('Z'), "{told}");
    }
    // Refused starts are in the audit record with who and why, and the chain is whole.
    assert_eq!(daemon.audit().matches("\"act\":\"start\"").count(), 4);
    let look = daemon.ask("POST", "/api/v1/benches/night/stop").token(Some(&tokens[0])).send();
    assert_eq!(look.status, 202);
    daemon.ended("night");
    let path = daemon.site.audit.path().to_owned();
    daemon.end();
    quadrille_daemon::audit::verify(&path).unwrap();
}

#[test]
fn a_start_needs_the_plan_that_was_looked_at_and_a_plan_that_changed_since_is_refused() {
    let laboratory = laboratory(None);
    let daemon = laboratory.begin();
    let start = |key: Option<&str>, hash: Option<&str>| {
        let mut body = documents("film");
        if let Some(hash) = hash {
            body["plan_sha256"] = json!(hash);
        }
        let asked = daemon.ask("POST", "/api/v1/benches/film/runs").json(&body);
        match key {
            Some(key) => asked.header("Idempotency-Key", key).send(),
            None => asked.send(),
        }
    };
    let looked_at = daemon.plan("film", None);
    assert_eq!(start(None, Some(&looked_at)).status, 400, "no key");
    let none = start(Some("a"), None);
    assert_eq!((none.status, none.refusal()["more"]["plan_sha256"].clone()), (428, json!(looked_at)));
    let recipe = laboratory.folder.path().join("film-recipe.toml");
    let text = std::fs::read_to_string(&recipe).unwrap();
    std::fs::write(&recipe, text.replace("current_a = 1e-4", "current_a = 5e-5")).unwrap();
    let changed = start(Some("b"), Some(&looked_at));
    assert_eq!(changed.status, 409, "{changed:?}");
    assert_eq!(changed.refusal()["type"], json!("/problems/plan-changed"));
    // A document that is wrong is told with its line.
    std::fs::write(&recipe, text.replace("aperture_plc = 1", "aperture_plc = \"x\"")).unwrap();
    let wrong = start(Some("c"), Some(&looked_at));
    assert_eq!(wrong.status, 422);
    assert_eq!(wrong.refusal()["more"]["faults"][0]["line"], json!(7), "{}", wrong.body);
    std::fs::write(&recipe, text).unwrap();
    assert!(daemon.view("film").run.is_none());
    assert_eq!(start(Some("d"), Some(&looked_at)).status, 202);
    daemon.ended("film");
    assert_eq!(daemon.audit().matches("\"act\":\"start\"").count(), 5);
    daemon.end();
}

#[test]
fn a_start_that_is_sent_again_with_its_key_starts_nothing_more_even_after_a_restart() {
    let laboratory = laboratory(None);
    let daemon = laboratory.begin();
    let first = daemon.start("film", "the same", None);
    let again = daemon.start("film", "the same", None);
    assert_eq!((first.status, again.status), (202, 202));
    assert_eq!(first.value()["ticket"], again.value()["ticket"]);
    daemon.ended("film");
    let later = daemon.start("film", "the same", None);
    assert_eq!((later.status, later.value()["run"].clone()), (202, json!(1)));
    let other = {
        let mut body = documents("film");
        body["plan_sha256"] = json!(daemon.plan("film", None));
        body["queue"] = json!(true);
        daemon
            .ask("POST", "/api/v1/benches/film/runs")
            .header("Idempotency-Key", "the same")
            .json(&body)
            .send()
    };
    assert_eq!((other.status, other.refusal()["type"].clone()), (409, json!("/problems/key-taken")));
    daemon.end();
    let daemon = laboratory.begin();
    let after = daemon.start("film", "the same", None);
    assert_eq!((after.status, after.refusal()["type"].clone()), (409, json!("/problems/taken-before")));
    assert_eq!(daemon.get("/api/v1/benches/film/runs").value()["runs"].as_array().unwrap().len(), 1);
    daemon.end();
}

fn taking(daemon: &Running, round: u32) {
    daemon.wait("night", |view| {
        view.run.as_ref().is_some_and(|run| run.rounds[round as usize - 1].state == RoundState::Taking)
    });
}

#[test]
fn a_stop_in_mid_round_stands_down_and_what_was_read_is_kept() {
    let laboratory = laboratory(Some(WATCHABLE));
    let daemon = laboratory.begin();
    assert_eq!(daemon.start("night", "one", None).status, 202);
    daemon.wait("night", |view| view.output.state == OutputState::On);
    assert_eq!(daemon.post("/api/v1/benches/night/stop").status, 202);
    let ended = daemon.ended("night");
    let run = ended.run.as_ref().unwrap();
    assert_eq!((run.ending, ended.output.state), (Some(EndState::Stopped), OutputState::VerifiedOff));
    assert!(run.rounds.iter().any(|round| round.state == RoundState::BrokenOff));
    let runs = daemon.get("/api/v1/benches/night/runs").value();
    assert_eq!(runs["runs"][0]["ending"], json!("stopped; output verified"));
    assert_eq!(daemon.post("/api/v1/benches/night/stop").status, 409, "nothing goes on");
    daemon.end();
}

#[test]
fn a_stop_begins_nothing_that_waits() {
    let laboratory = laboratory(Some(WATCHABLE));
    let daemon = laboratory.begin();
    assert_eq!(daemon.start("night", "one", None).status, 202);
    daemon.wait("night", |view| view.output.state == OutputState::On);
    let mut body = documents("night");
    body["plan_sha256"] = json!(daemon.plan("night", None));
    body["queue"] = json!(true);
    let waits =
        daemon.ask("POST", "/api/v1/benches/night/runs").header("Idempotency-Key", "two").json(&body).send();
    let ticket = waits.value()["ticket"].as_u64().unwrap();
    assert_eq!(daemon.post("/api/v1/benches/night/stop").status, 202);
    let ended = daemon.ended("night");
    assert_eq!((ended.queue.len(), ended.output.state), (0, OutputState::VerifiedOff));
    let order = daemon.get(&format!("/api/v1/benches/night/orders/{ticket}")).value();
    assert_eq!(order["state"], json!("not-begun"), "{order}");
    assert_eq!(daemon.view("night").run.as_ref().unwrap().run, Some(1));
    daemon.end();
}

#[test]
fn a_run_pauses_after_its_round_and_goes_on_with_the_next_after_a_restart() {
    let laboratory = laboratory(Some(WATCHABLE));
    let daemon = laboratory.begin();
    assert_eq!(daemon.start("night", "one", None).status, 202);
    taking(&daemon, 2);
    assert_eq!(daemon.post("/api/v1/benches/night/pause").status, 202);
    let paused = daemon.wait("night", |view| view.state == BenchState::Paused);
    let run = paused.run.as_ref().unwrap();
    assert_eq!((run.state, paused.output.state), (RunState::Paused, OutputState::VerifiedOff));
    let done = run.rounds.iter().filter(|round| round.state == RoundState::Kept).count();
    assert!(done >= 2 && run.rounds[done].state == RoundState::Planned, "{:?}", run.rounds);
    let busy = daemon.start("night", "two", None);
    assert_eq!((busy.status, busy.refusal()["type"].clone()), (409, json!("/problems/parked")));
    let kept = daemon.get("/api/v1/benches/night/runs/1/readings.csv").body;
    daemon.end();

    let daemon = laboratory.begin();
    let again = daemon.view("night");
    let shown = again.run.as_ref().unwrap();
    assert_eq!((again.state, shown.state, shown.run), (BenchState::Paused, RunState::Paused, Some(1)));
    assert_eq!(shown.rounds.iter().filter(|round| round.state == RoundState::Kept).count(), done);
    assert_eq!(daemon.post("/api/v1/benches/night/runs/2/resume").status, 404);
    assert_eq!(daemon.post("/api/v1/benches/night/runs/1/resume").status, 202);
    daemon.wait("night", |view| view.output.state == OutputState::On);
    assert_eq!(daemon.post("/api/v1/benches/night/pause").status, 202);
    let paused = daemon.wait("night", |view| view.state == BenchState::Paused);
    let rounds = &paused.run.as_ref().unwrap().rounds;
    assert!(rounds[..=done].iter().all(|round| round.state == RoundState::Kept), "{rounds:?}");
    let longer = daemon.get("/api/v1/benches/night/runs/1/readings.csv").body;
    assert!(longer.starts_with(&kept) && longer.len() > kept.len(), "what was done is as it was");
    // Ended by a person: it holds the bench no more.
    assert_eq!(daemon.post("/api/v1/benches/night/stop").status, 202);
    daemon.ended("night");
    assert_eq!(daemon.post("/api/v1/benches/night/runs/1/resume").status, 409);
    daemon.end();
}

#[test]
fn a_daemon_that_ends_stops_its_run_and_leaves_no_bench_energised() {
    let laboratory = laboratory(Some(WATCHABLE));
    let daemon = laboratory.begin();
    assert_eq!(daemon.start("night", "one", None).status, 202);
    daemon.wait("night", |view| view.output.state == OutputState::On);
    let site = std::sync::Arc::clone(&daemon.site);
    daemon.end();
    let view = site.benches["night"].view();
    assert_eq!(view.output.state, OutputState::VerifiedOff);
    assert_eq!(view.run.as_ref().unwrap().ending, Some(EndState::Stopped));
    drop(site);
    let daemon = laboratory.begin();
    assert_eq!(daemon.view("night").state, BenchState::Ready);
    daemon.end();
}

#[test]
fn a_bench_that_nobody_released_is_not_energised_and_one_whose_release_is_taken_back_stands_down() {
    let laboratory = Laboratory::new(&Wanted { release: true, pace: Some(WATCHABLE), ..Wanted::default() });
    let daemon = laboratory.begin();
    let console = laboratory.records().join("console.sock");
    let refused = daemon.start("night", "one", None);
    assert_eq!((refused.status, refused.refusal()["type"].clone()), (403, json!("/problems/not-released")));
    assert!(refused.value()["instead"].as_str().unwrap().contains("quadrille release night"));
    let release = |up_to_v: f64, hours: f64| {
        let bench = "night".to_owned();
        ask(&console, &Asked::Release { bench, up_to_v, lasting_s: hours * 3600.0, by: "ada".to_owned() })
            .unwrap()
    };
    assert!(matches!(release(1e6, 1.0), Said::Refused(_)), "more than the bench document allows");
    assert!(matches!(release(1.0, 1.0), Said::Done { .. }));
    assert_eq!(daemon.start("night", "two", None).status, 403, "the plan may put 5 V on the leads");
    // The night takes an hour and a half of its own time.
    assert!(matches!(release(5.0, 2.0 / 3600.0), Said::Done { .. }));
    assert_eq!(daemon.start("night", "three", None).status, 202);
    let short = daemon.ended("night");
    assert!(short.run.as_ref().unwrap().saying.contains("release"), "{:?}", short.run);
    assert!(matches!(release(5.0, 1.0), Said::Done { until: Some(_) }));
    assert_eq!(daemon.view("night").release.as_ref().unwrap().by, "ada");
    assert_eq!(daemon.start("night", "four", None).status, 202);
    daemon.wait("night", |view| view.output.state == OutputState::On);
    let waits = {
        let mut body = documents("night");
        body["plan_sha256"] = json!(daemon.plan("night", None));
        body["queue"] = json!(true);
        let asked = daemon.ask("POST", "/api/v1/benches/night/runs").header("Idempotency-Key", "five");
        asked.json(&body).send().value()["ticket"].as_u64().unwrap()
    };
    let withdraw = Asked::Withdraw { bench: "night".to_owned(), by: "ada".to_owned() };
    assert_eq!(ask(&console, &withdraw).unwrap(), Said::Done { until: None });
    let ended = daemon.ended("night");
    assert_eq!((ended.queue.len(), ended.output.state), (0, OutputState::VerifiedOff));
    let runs = daemon.get("/api/v1/benches/night/runs").value();
    assert_eq!(runs["runs"].as_array().unwrap().last().unwrap()["ending"], json!("stopped; output verified"));
    let waited = daemon.get(&format!("/api/v1/benches/night/orders/{waits}")).value();
    assert_eq!(waited["state"], json!("not-begun"), "what waited is not begun after a stop");
    assert!(waited["reason"].as_str().unwrap().contains("stopped"), "{waited}");
    let mode = std::os::unix::fs::PermissionsExt::mode(&std::fs::metadata(&console).unwrap().permissions());
    assert_eq!(mode & 0o777, 0o600);
    let audit = daemon.audit();
    assert!(audit.contains("nobody at the bench has released it") && audit.contains("\"act\":\"release\""));
    daemon.end();
}

/// Events of a stream up to one that is wanted: ids and kinds.
fn events(
    daemon: &Running,
    path: &str,
    after: Option<&str>,
    until: impl Fn(&str, &str) -> bool,
) -> Vec<(String, String)> {
    let mut asked = daemon.ask("GET", path);
    if let Some(after) = after {
        asked = asked.header("Last-Event-ID", after);
    }
    let mut stream = daemon.connect();
    stream.write_all(asked.raw().as_bytes()).unwrap();
    let (mut found, mut id, mut kind) = (Vec::new(), String::new(), String::new());
    for line in BufReader::new(stream).lines() {
        let line = line.unwrap();
        if let Some(value) = line.strip_prefix("id: ") {
            value.clone_into(&mut id);
        } else if let Some(value) = line.strip_prefix("event: ") {
            value.clone_into(&mut kind);
        } else if line.starts_with("data: ") {
            found.push((std::mem::take(&mut id), std::mem::take(&mut kind)));
            let (id, kind) = found.last().unwrap();
            if until(id, kind) {
                break;
            }
        }
    }
    found
}

#[test]
fn a_stream_that_broke_off_goes_on_where_it_did_and_misses_nothing() {
    let laboratory = laboratory(None);
    let daemon = laboratory.begin();
    let path = "/api/v1/benches/film/events?snapshots=false";
    // Two streams from the very beginning, while the run goes on and after it.
    let live = std::thread::scope(|scope| {
        let live = scope.spawn(|| events(&daemon, path, Some("0.0"), |_, kind| kind == "stood-down"));
        assert_eq!(daemon.start("film", "one", None).status, 202);
        live.join().unwrap()
    });
    daemon.ended("film");
    let last = daemon.view("film").run.as_ref().unwrap().sequence;
    let wanted: Vec<String> = (1..=last).map(|sequence| format!("1.{sequence}")).collect();
    let ids = |events: &[(String, String)]| events.iter().map(|event| event.0.clone()).collect::<Vec<_>>();
    assert_eq!(ids(&live), wanted);
    let rest = events(&daemon, path, Some("1.10"), |_, kind| kind == "stood-down");
    assert_eq!(rest, live[10..], "the same events, with the same ids");
    let after = format!("{path}&after=1.{}", last - 1);
    assert_eq!(ids(&events(&daemon, &after, None, |_, _| true)), [format!("1.{last}")]);
    assert_eq!(daemon.ask("GET", path).header("Last-Event-ID", "x").send().status, 400);
    let snapshot = events(&daemon, "/api/v1/benches/film/events", None, |_, _| true);
    assert_eq!(snapshot, [(String::new(), "snapshot".to_owned())]);
    daemon.end();
}

#[test]
fn a_stream_that_takes_nothing_is_closed_and_the_run_goes_on() {
    let more = "[limits]\nstall_s = 1.0\nstreams_per_token = 3\n";
    let laboratory = Laboratory::new(&Wanted { more, ..Wanted::default() });
    let daemon = laboratory.begin();
    let mut stalled: Vec<std::net::TcpStream> = (0..3)
        .map(|_| {
            // A client with a small buffer, so that a night is more than it holds.
            let socket = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::STREAM, None).unwrap();
            socket.set_recv_buffer_size(4096).unwrap();
            socket.connect(&daemon.address.into()).unwrap();
            let mut stream: std::net::TcpStream = socket.into();
            let asked = daemon.ask("GET", "/api/v1/benches/night/events?after=0.0");
            stream.write_all(asked.raw().as_bytes()).unwrap();
            stream
        })
        .collect();
    while daemon.get("/metrics").body.lines().all(|line| line != "quadrille_event_streams 3") {}
    let fourth = daemon.get("/api/v1/benches/night/events");
    assert_eq!((fourth.status, fourth.refusal()["type"].clone()), (429, json!("/problems/too-many-streams")));
    assert_eq!(daemon.start("night", "one", None).status, 202);
    let run = daemon.ended("night").run.clone().unwrap();
    assert_eq!(run.ending, Some(EndState::Finished));
    // Whoever takes nothing is closed: more was sent than the sockets hold, and nobody read it.
    let waited = tokio::time::Instant::now();
    while daemon.get("/metrics").body.lines().all(|line| line != "quadrille_event_streams 0") {
        assert!(waited.elapsed().as_secs() < 40, "stalled streams stay open");
    }
    let mut rest = Vec::new();
    let _ = stalled[0].read_to_end(&mut rest);
    daemon.end();
}

#[test]
fn a_rehearsal_goes_on_beside_the_bench_and_does_not_touch_it() {
    let laboratory = laboratory(None);
    let daemon = laboratory.begin();
    let before = daemon.view("film");
    let begun = daemon.ask("POST", "/api/v1/benches/film/rehearsals").json(&documents("film")).send();
    assert_eq!(begun.status, 202, "{begun:?}");
    let path = format!("/api/v1/benches/film/rehearsals/{}", begun.value()["rehearsal"]);
    let done = loop {
        let now = daemon.get(&path).value();
        if now["state"] != json!("under-way") {
            break now;
        }
    };
    assert_eq!(done["state"], json!("done"), "{done}");
    assert_eq!(done["complaints"], json!([]));
    assert!(done["duration_s"].as_f64().unwrap() > 1.0);
    assert!(done["plan"]["rounds"][0]["expected_s"].is_array(), "{done}");
    let after = daemon.view("film");
    assert_eq!((before.version, before.run.clone()), (after.version, after.run.clone()));
    assert_eq!(daemon.get("/api/v1/benches/film/runs").value()["runs"], json!([]));
    daemon.end();
}

#[test]
fn a_queue_is_worked_off_in_order_and_what_waits_can_be_withdrawn() {
    let laboratory = laboratory(Some(1000));
    let daemon = laboratory.begin();
    let start = |key: &str| {
        let mut body = documents("film");
        body["plan_sha256"] = json!(daemon.plan("film", None));
        body["queue"] = json!(true);
        daemon.ask("POST", "/api/v1/benches/film/runs").header("Idempotency-Key", key).json(&body).send()
    };
    let tickets: Vec<u64> =
        ["a", "b", "c"].iter().map(|key| start(key).value()["ticket"].as_u64().unwrap()).collect();
    let gone = daemon.ask("DELETE", &format!("/api/v1/benches/film/orders/{}", tickets[1])).send();
    assert_eq!(gone.status, 200, "{gone:?}");
    daemon.wait("film", |view| {
        view.state == BenchState::Ready
            && view.run.as_ref().is_some_and(|run| run.ticket == Some(tickets[2]) && run.ended.is_some())
    });
    let state = |ticket: u64| daemon.get(&format!("/api/v1/benches/film/orders/{ticket}")).value();
    assert_eq!(state(tickets[0])["run"], json!(1));
    assert_eq!(state(tickets[1])["state"], json!("not-begun"));
    assert_eq!(state(tickets[2])["run"], json!(2));
    daemon.end();
}
