//! Nothing happens without a right, a host and an origin: every operation of the interface, as its own description lists them,
//! with every right and without any.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_daemon::api::description;
use quadrille_daemon::tokens::Right;
use serde_json::{Value, json};
use support::{Laboratory, Running, Wanted};

struct Operation {
    method: String,
    path: String,
    right: Option<Right>,
}

fn operations() -> Vec<Operation> {
    let description = serde_json::to_value(description()).unwrap();
    let mut found = Vec::new();
    for (path, methods) in description["paths"].as_object().unwrap() {
        for (method, operation) in methods.as_object().unwrap() {
            let right = match operation["x-right"]
                .as_str()
                .unwrap_or_else(|| panic!("{method} {path} names no right"))
            {
                "none" => None,
                word => Some(Right::ALL.into_iter().find(|right| right.word() == word).unwrap()),
            };
            found.push(Operation { method: method.to_uppercase(), path: path.clone(), right });
        }
    }
    found
}

/// A path with something in each of its places.
fn filled(path: &str) -> String {
    let path = path.replace("{bench}", "film").replace("{run}", "77").replace("{ticket}", "77");
    path.replace("{rehearsal}", "77").replace("{name}", "nobody")
}

/// Everything of a bench that a request could change.
fn state(daemon: &Running) -> Value {
    let view = daemon.view("film");
    json!([view.state, view.queue, view.run, view.release, view.output.state])
}

#[test]
fn every_operation_needs_the_right_that_its_description_names_and_no_other_will_do() {
    let laboratory = Laboratory::new(&Wanted { tokens: true, ..Wanted::default() });
    let mut holders: Vec<(String, Option<Right>, Option<String>)> = vec![("nobody".into(), None, None)];
    for right in Right::ALL {
        holders.push((right.word().to_owned(), Some(right), Some(laboratory.token(right.word(), &[right]))));
    }
    let daemon = laboratory.begin();
    let operations = operations();
    assert!(operations.len() >= 28, "{}", operations.len());
    let before = state(&daemon);
    let mut cells = 0;
    for Operation { method, path, right } in operations.iter().filter(|it| !it.path.ends_with("/events")) {
        for (holder, held, token) in &holders {
            let asked = daemon.ask(method, &filled(path)).token(token.as_deref());
            let answer = if method == "POST" { asked.json(&json!({})).send() } else { asked.send() };
            let what = format!("{method} {path} as {holder}: {answer:?}");
            let is_allowed = match (right, held) {
                (None, _) => true,
                (Some(_), None) => false,
                (Some(Right::Look), Some(_)) => true,
                (Some(needed), Some(held)) => needed == held,
            };
            match (is_allowed, held) {
                (true, _) => {
                    assert!(answer.status != 403 && (answer.status != 401 || right.is_none()), "{what}")
                }
                (false, None) => assert_eq!(answer.status, 401, "{what}"),
                (false, Some(_)) => assert_eq!(answer.status, 403, "{what}"),
            }
            if answer.status >= 400 && answer.status != 503 {
                answer.refusal();
            }
            if !is_allowed {
                assert_eq!(state(&daemon), before, "{what}");
            }
            cells += 1;
        }
    }
    assert!(cells >= 4 * 27, "{cells}");
    daemon.end();
}

#[test]
fn a_token_that_is_wrong_revoked_or_cut_off_opens_nothing_and_is_written_down() {
    let laboratory = Laboratory::new(&Wanted { tokens: true, ..Wanted::default() });
    let secret = laboratory.token("ada", &[Right::Look]);
    let daemon = laboratory.begin();
    let look = |token: &str| daemon.ask("GET", "/api/v1/benches").token(Some(token)).send();
    assert_eq!(look(&secret).status, 200);
    for wrong in ["", "x", &secret[..secret.len() - 1], &secret.to_uppercase()] {
        let answer = look(wrong);
        assert_eq!(answer.status, 401, "{wrong}");
        answer.refusal();
        assert!(answer.header("www-authenticate").is_some());
    }
    laboratory.tokens().revoke("ada").unwrap();
    assert_eq!(look(&secret).status, 401);
    assert_eq!(daemon.audit().matches("GET /api/v1/benches").count(), 5);
    assert!(!daemon.audit().contains(&secret[10..]), "no secret in the record");
    daemon.end();
}

#[test]
fn a_session_is_a_cookie_that_scripts_and_other_sites_do_not_get() {
    let laboratory = Laboratory::new(&Wanted { tokens: true, ..Wanted::default() });
    let secret = laboratory.token("ada", &[Right::Operate]);
    let daemon = laboratory.begin();
    let begin = |token: &str| daemon.ask("POST", "/api/v1/session").json(&json!({ "token": token })).send();
    assert_eq!(begin("wrong").status, 401);
    let answer = begin(&secret);
    assert_eq!(answer.status, 204);
    let cookie = answer.header("set-cookie").unwrap();
    for part in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    assert!(!cookie.contains(&secret[10..]), "the cookie is not the token");
    let cookie = cookie.split(';').next().unwrap().to_owned();
    let you = daemon.ask("GET", "/api/v1/session").header("Cookie", &cookie).send();
    assert_eq!(you.value(), json!({ "name": "ada", "rights": ["look", "operate"] }));
    // A page of another site that gets a browser to send the cookie all the same.
    let origin = daemon.ask("POST", "/api/v1/benches/film/stop").header("Cookie", &cookie);
    let foreign = origin.header("Origin", "http://evil.example").send();
    assert_eq!((foreign.status, foreign.refusal()["type"].clone()), (403, json!("/problems/wrong-origin")));
    laboratory.tokens().revoke("ada").unwrap();
    assert_eq!(daemon.ask("GET", "/api/v1/session").header("Cookie", &cookie).send().status, 401);
    daemon.end();
}

#[test]
fn another_host_or_origin_is_refused_before_anything_is_looked_for_and_is_written_down() {
    let laboratory = Laboratory::new(&Wanted::default());
    let daemon = laboratory.begin();
    let port = daemon.address.port();
    // What a browser sends after a name of another site was made to lead to this machine.
    for host in [
        "evil.example",
        &format!("evil.example:{port}"),
        "127.0.0.1",
        &format!("127.0.0.1.evil.example:{port}"),
        "",
    ] {
        for path in ["/api/v1/benches", "/nowhere", "/health/live"] {
            let answer = daemon.ask("GET", path).host(host).send();
            assert_eq!(answer.status, 421, "{host} {path}: {answer:?}");
            answer.refusal();
        }
    }
    for host in [format!("localhost:{port}"), format!("127.0.0.1:{port}")] {
        assert_eq!(daemon.ask("GET", "/health/live").host(&host).send().status, 200, "{host}");
    }
    let own = format!("http://127.0.0.1:{port}");
    let origin =
        |origin: &str| daemon.ask("POST", "/api/v1/benches/film/stop").header("Origin", origin).send();
    assert_eq!(origin(&own).status, 409, "nothing to stop, but let in");
    for foreign in [
        "null",
        "http://evil.example",
        &format!("https://127.0.0.1:{port}"),
        &format!("http://localhost:{port}"),
    ] {
        assert_eq!(origin(foreign).status, 403, "{foreign}");
    }
    let cross = daemon.ask("POST", "/api/v1/benches/film/stop").header("Sec-Fetch-Site", "cross-site").send();
    assert_eq!(cross.status, 403);
    let answer = daemon.get("/api/v1/benches");
    assert_eq!(answer.header("access-control-allow-origin"), None);
    assert!(answer.header("content-security-policy").unwrap().starts_with("default-src 'none'"));
    let audit = daemon.audit();
    assert_eq!(audit.matches("for another host").count(), 15);
    assert_eq!(audit.matches("a page of another site").count(), 5);
    daemon.end();
}

#[test]
fn what_is_too_large_too_slow_or_too_often_is_refused() {
    use std::io::Write;
    let more = "[limits]\nheader_s = 1.0\nrequests_per_minute = 40\n";
    let laboratory = Laboratory::new(&Wanted { more, ..Wanted::default() });
    let daemon = laboratory.begin();
    let body = json!({ "samples": ["x".repeat(70_000)], "recipe": "y" });
    let answer = daemon.ask("POST", "/api/v1/benches/film/plans").json(&body).send();
    assert_eq!(answer.status, 413, "{answer:?}");
    answer.refusal();
    // The same without saying how long it will be.
    let mut stream = daemon.connect();
    let head = format!(
        "POST /api/v1/benches/film/plans HTTP/1.1\r\nHost: {}\r\nConnection: close\r\nContent-Type: application/json\r\n\
         Transfer-Encoding: chunked\r\n\r\n",
        daemon.address
    );
    stream.write_all(head.as_bytes()).unwrap();
    let chunk = format!("4000\r\n{}\r\n", " ".repeat(0x4000));
    for _ in 0..6 {
        let _ = stream.write_all(chunk.as_bytes());
    }
    assert_eq!(support::Answer::read(&mut stream).status, 413);
    let long = daemon.ask("GET", "/health/live").header("X-Long", &"x".repeat(40_000)).send();
    assert_eq!(long.status, 431, "{long:?}");
    let mut many = daemon.ask("GET", "/health/live");
    for k in 0..100 {
        many = many.header(&format!("X-{k}"), "x");
    }
    assert_eq!(many.send().status, 431);
    // A head that does not come is not waited for.
    let mut slow = daemon.connect();
    slow.write_all(b"GET /health/live HTTP/1.1\r\nHost: ").unwrap();
    let begun = tokio::time::Instant::now();
    let _ = support::Answer::read(&mut slow);
    assert!(begun.elapsed().as_secs_f64() < 10.0);
    let statuses: Vec<u16> = (0..60).map(|_| daemon.get("/health/live").status).collect();
    assert!(statuses.contains(&429), "{statuses:?}");
    let refused = daemon.get("/health/live");
    assert_eq!(refused.status, 429);
    assert!(refused.header("retry-after").is_some());
    refused.refusal();
    daemon.end();
}

#[test]
fn a_daemon_refuses_to_begin_where_it_would_be_reached_without_what_that_takes() {
    use std::os::unix::fs::PermissionsExt;
    let laboratory = Laboratory::new(&Wanted::default());
    let good = std::fs::read_to_string(&laboratory.document).unwrap();
    let begin = |text: String| {
        std::fs::write(&laboratory.document, text).unwrap();
        laboratory.try_begin().map(Running::end)
    };
    let anywhere = good.replace("127.0.0.1:0", "0.0.0.0:0");
    assert!(begin(anywhere.clone()).unwrap_err().contains("[tls]"));
    assert!(begin(anywhere.replace("tokens = false", "tokens = true")).unwrap_err().contains("[tls]"));
    let key = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    let at = |file: &str| laboratory.folder.path().join(file);
    std::fs::write(at("cert.pem"), key.cert.pem()).unwrap();
    std::fs::write(at("key.pem"), key.signing_key.serialize_pem()).unwrap();
    let with_tls = |text: &str| {
        text.replace(
            "[[bench]]\nname = \"film\"",
            "[tls]\ncertificate = \"cert.pem\"\nkey = \"key.pem\"\n[[bench]]\nname = \"film\"",
        )
    };
    std::fs::set_permissions(at("key.pem"), std::fs::Permissions::from_mode(0o600)).unwrap();
    assert!(begin(with_tls(&anywhere)).unwrap_err().contains("tokens = true"));
    let whole = with_tls(&anywhere.replace("tokens = false", "tokens = true"));
    std::fs::set_permissions(at("key.pem"), std::fs::Permissions::from_mode(0o640)).unwrap();
    assert!(begin(whole.clone()).unwrap_err().contains("chmod 600"));
    std::fs::set_permissions(at("key.pem"), std::fs::Permissions::from_mode(0o600)).unwrap();
    begin(whole.clone()).unwrap();
    laboratory.token("ada", &[Right::Look]);
    let tokens = laboratory.records().join("tokens.json");
    std::fs::set_permissions(&tokens, std::fs::Permissions::from_mode(0o644)).unwrap();
    assert!(begin(whole).unwrap_err().contains("chmod 600"));
}

#[test]
fn over_tls_the_same_is_served_and_a_client_that_trusts_the_certificate_is_let_in() {
    use quadrille_daemon::client::Client;
    use std::os::unix::fs::PermissionsExt;
    let more = "[tls]\ncertificate = \"cert.pem\"\nkey = \"key.pem\"\n";
    let laboratory = Laboratory::new(&Wanted { tokens: true, more, ..Wanted::default() });
    let key = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    let at = |file: &str| laboratory.folder.path().join(file);
    std::fs::write(at("cert.pem"), key.cert.pem()).unwrap();
    std::fs::write(at("key.pem"), key.signing_key.serialize_pem()).unwrap();
    std::fs::write(at("token"), laboratory.token("ada", &[Right::Look])).unwrap();
    for file in ["key.pem", "token"] {
        std::fs::set_permissions(at(file), std::fs::Permissions::from_mode(0o600)).unwrap();
    }
    let daemon = laboratory.begin();
    let url = format!("https://localhost:{}", daemon.address.port());
    let client = Client::new(&url, Some(&at("token")), Some(&at("cert.pem"))).unwrap();
    assert_eq!(client.benches().unwrap().benches.len(), 2);
    assert!(
        Client::new(&url, Some(&at("token")), None).unwrap().benches().is_err(),
        "an unknown certificate"
    );
    assert!(Client::new(&url, None, Some(&at("cert.pem"))).unwrap().benches().is_err(), "no token");
    daemon.end();
}
