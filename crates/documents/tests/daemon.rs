//! Documents of daemons: what is right is read with what is usual, what is wrong is told with its line, all at once.
#![allow(clippy::unwrap_used)]

use quadrille_documents::{ClientLimits, Simulated, daemon};

const GOOD: &str = "kind = \"daemon\"\nfolder = \"records\"\n\
[[bench]]\nname = \"cryostat-2\"\nbench = \"bench.toml\"\nsamples = [\"a.toml\"]\nrecipes = [\"r\"]\n\
[[bench]]\nname = \"practice\"\nbench = \"bench.toml\"\nsamples = [\"a.toml\"]\nrecipes = [\"r\"]\n\
simulated = \"virtual-time\"\npace = 60\n";

/// Each fault as a person reads it.
fn faults(text: &str) -> Vec<String> {
    daemon("d.toml", text).unwrap_err().0.iter().map(ToString::to_string).collect()
}

/// The one fault of a document in which something is replaced.
fn fault(from: &str, to: &str) -> String {
    assert!(GOOD.contains(from), "{from}");
    let all = faults(&GOOD.replacen(from, to, 1));
    let [only] = &all[..] else { panic!("{all:?}") };
    only.clone()
}

#[test]
fn what_is_not_written_is_as_it_is_usually_and_a_real_bench_needs_a_release() {
    let read = daemon("d.toml", GOOD).unwrap();
    assert_eq!(read.listen.value.to_string(), "127.0.0.1:8760");
    assert_eq!((read.tokens, read.limits, read.tls.is_none()), (false, ClientLimits::default(), true));
    let [real, practice] = &read.benches[..] else { panic!() };
    assert_eq!((real.simulated, real.release), (None, true));
    assert_eq!((practice.simulated, practice.release), (Some(Simulated::Virtual(Some(60.0))), false));
}

#[test]
fn a_fault_is_told_at_its_line_with_what_would_be_right() {
    for (from, to, told) in [
        ("folder = \"records\"\n", "", "d.toml:1:1: `folder` is missing; name the folder"),
        (
            "folder",
            "listen = \"here\"\nfolder",
            "d.toml:2:10: listen: \"here\" is no address with a port; write",
        ),
        ("cryostat-2", "Cryostat 2", "d.toml:4:8: bench[0].name: \"Cryostat 2\" cannot stand in a path"),
        (
            "\"practice\"",
            "\"cryostat-2\"",
            "d.toml:9:8: bench[1].name: \"cryostat-2\" is the name of another",
        ),
        ("samples = [\"a.toml\"]", "samples = []", "d.toml:6:11: bench[0].samples: the list is empty; name"),
        ("recipes = [\"r\"]\n[[", "recipes = [\"r\"]\nrelease = false\n[[", "a real bench without a release"),
        (
            "recipes = [\"r\"]\n[[",
            "recipes = [\"r\"]\npace = 3\n[[",
            "d.toml:8:8: bench[0].pace: a real bench has no pace",
        ),
        ("virtual-time", "real-time", "bench[1].pace: real time has no pace; write"),
        ("virtual-time", "no-time", "d.toml:13:13: bench[1].simulated: \"no-time\" is not known here"),
        (
            "folder",
            "tolkens = true\nfolder",
            "d.toml:2:1: tolkens: unknown key `tolkens`; did you mean `tokens`?",
        ),
        (
            "folder = \"records\"\n",
            "folder = \"records\"\n[tls]\nkey = \"k.pem\"\n",
            "d.toml:3:1: tls: `certificate` is missing",
        ),
        (
            "folder = \"records\"\n",
            "folder = \"records\"\n[limits]\nstall_s = 0\n",
            "d.toml:4:11: limits.stall_s: 0 is out of bounds",
        ),
    ] {
        let found = fault(from, to);
        assert!(found.contains(told), "{found}\nnot: {told}");
    }
}

#[test]
fn all_faults_are_told_at_once() {
    let text = GOOD
        .replace("\"practice\"", "\"\"")
        .replace("folder = \"records\"", "folder = 7")
        .replace("60", "-1");
    assert_eq!(faults(&text).len(), 3, "{:?}", faults(&text));
}
