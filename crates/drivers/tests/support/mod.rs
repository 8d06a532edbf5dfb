//! A scripted peer at the other end of a link in memory: answers from a table written by hand, and keeps every line
//! that it received. Knows no dialect and no simulated bench.
#![allow(dead_code, clippy::unwrap_used)]

use quadrille_documents::{Crosspoint, Dialect, bench, dialect};
use quadrille_drivers::{MatrixDriver, Session, Settings, SourceDriver};
use quadrille_instruments::{ErrorKind, InstrumentError};
use quadrille_link::{Link, MemoryLink, Server, Spoil, Spoiled, memory};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};

/// What a peer does when a line has come.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Reply {
    /// Sends these bytes as they are.
    Bytes(Vec<u8>),
    /// Sends nothing.
    Nothing,
    /// Sends these bytes, and after a while others that nobody asked for.
    Chatter(Vec<u8>, Duration, Vec<u8>),
    /// Sends these bytes and closes the link.
    Close(Vec<u8>),
}

/// A line as an answer.
pub(crate) fn line(text: &str) -> Reply {
    Reply::Bytes(format!("{text}\n").into_bytes())
}

/// How long a session waits for an answer here.
pub(crate) const TIMEOUT: Duration = Duration::from_secs(2);

/// What the peer received, and its answers.
#[derive(Clone)]
pub(crate) struct Peer(Arc<Mutex<Inner>>);

struct Inner {
    received: Vec<String>,
    /// Answers to a question, each given once, the last one for ever.
    answers: Vec<(String, VecDeque<Reply>)>,
    /// How often the link is closed in the place of an answer to a fence.
    cuts: u32,
}

impl Peer {
    /// A peer that answers from a table, that it is the expected one, that its errors are none, that everything is
    /// complete, and to `*ESE?` what `*ESE` set.
    pub(crate) fn new(table: &[(&str, &str)]) -> Self {
        let peer = Self(Arc::new(Mutex::new(Inner { received: Vec::new(), answers: Vec::new(), cuts: 0 })));
        peer.answer("*IDN?", [line("SOMEBODY,INVENTED,1,2")]);
        peer.answer("*OPC?", [line("1")]);
        peer.answer(":SYSTem:ERRor?", [line("0,\"No error\"")]);
        for (question, answer) in table {
            peer.answer(question, [line(answer)]);
        }
        peer
    }

    /// From now on answers a question so; the last of the replies for ever.
    pub(crate) fn answer(&self, question: &str, replies: impl IntoIterator<Item = Reply>) {
        let mut inner = self.0.lock().unwrap();
        inner.answers.retain(|(known, _)| known != question);
        inner.answers.push((question.to_owned(), replies.into_iter().collect()));
    }

    /// From now on closes the link so often when it is opened again.
    pub(crate) fn cuts(&self, times: u32) {
        self.0.lock().unwrap().cuts = times;
    }

    /// The lines received since this was asked last.
    pub(crate) fn received(&self) -> Vec<String> {
        std::mem::take(&mut self.0.lock().unwrap().received)
    }

    fn reply(&self, received: &str) -> Reply {
        let mut inner = self.0.lock().unwrap();
        inner.received.push(received.to_owned());
        if inner.cuts > 0 && received.ends_with("*ESE?") {
            inner.cuts -= 1;
            return Reply::Close(Vec::new());
        }
        if let Some(number) = received.strip_prefix("*ESE ").and_then(|rest| rest.strip_suffix(";*ESE?")) {
            return line(number);
        }
        let Some((_, replies)) = inner.answers.iter_mut().find(|(question, _)| question == received) else {
            return Reply::Nothing;
        };
        if replies.len() > 1 { replies.pop_front().unwrap() } else { replies[0].clone() }
    }

    /// Its link; it lives as long as the runtime.
    pub(crate) fn link(&self) -> MemoryLink {
        let (link, mut server) = memory("TCPIP::memory::5025::SOCKET".parse().unwrap());
        let peer = self.clone();
        tokio::spawn(async move {
            'clients: while let Ok(mut stream) = server.accept().await {
                let mut text = Vec::new();
                while let Ok(byte) = stream.read_u8().await {
                    if byte != b'\n' {
                        text.push(byte);
                        continue;
                    }
                    let received = String::from_utf8(std::mem::take(&mut text)).unwrap();
                    match peer.reply(&received) {
                        // A client that is gone hears no answer.
                        Reply::Bytes(bytes) => drop(stream.write_all(&bytes).await),
                        Reply::Nothing => {}
                        Reply::Chatter(bytes, pause, more) => {
                            drop(stream.write_all(&bytes).await);
                            tokio::time::sleep(pause).await;
                            drop(stream.write_all(&more).await);
                        }
                        Reply::Close(bytes) => {
                            drop(stream.write_all(&bytes).await);
                            continue 'clients;
                        }
                    }
                }
            }
        });
        link
    }

    /// A session on its link.
    pub(crate) fn session(&self, dialect: Dialect) -> Session {
        session(Box::new(self.link()), dialect)
    }
}

/// A session on any link; mains of 50 Hz.
pub(crate) fn session(link: Box<dyn Link>, dialect: Dialect) -> Session {
    let settings = Settings {
        name: "the instrument".to_owned(),
        identity: Some("*invented*".to_owned()),
        timeout: TIMEOUT,
        mains_hz: 50.0,
    };
    Session::new(link, dialect, settings)
}

fn config(path: &str) -> String {
    std::fs::read_to_string(format!("{}/../../config/{path}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

/// A dialect that comes with the program.
pub(crate) fn shipped(name: &str) -> Dialect {
    dialect(name, &config(&format!("dialects/{name}.toml"))).unwrap()
}

/// A matrix wired as the demonstration with two samples on columns that are in no order, so that no two can be
/// exchanged unnoticed; the second has five contacts.
pub(crate) fn matrix(session: Session) -> MatrixDriver {
    let mut wiring = bench("bench.toml", &config("demo/bench.toml"), |_| Ok(())).unwrap().wiring;
    wiring.buffers.as_mut().unwrap().crosspoint = Crosspoint { row: 5, column: 2 };
    MatrixDriver::new(session, &wiring, vec![vec![7, 4, 12, 9], vec![3, 8, 1, 6, 5]])
}

pub(crate) const COMPLIANCE: &str = ":STATus:QUEStionable:CONDition?";
pub(crate) const ERRORS: &str = ":SYSTem:ERRor?";
pub(crate) const LEVEL: &str = ":SOURce:CURRent?";

/// Chunks that a fresh session receives before its first question's answer: two fences and an empty error queue.
pub(crate) const OPENING: usize = 3;

pub(crate) fn source_of(peer: &Peer) -> SourceDriver {
    SourceDriver::new(peer.session(shipped("current-source")))
}

/// A source whose answers are spoiled by a script that begins with the first answer after the opening.
pub(crate) fn spoiled(peer: &Peer, script: impl IntoIterator<Item = Spoil>) -> SourceDriver {
    let script = std::iter::repeat_n(Spoil::Pass, OPENING).chain(script);
    let link = Spoiled::new(peer.link(), script);
    SourceDriver::new(session(Box::new(link), shipped("current-source")))
}

pub(crate) fn late(seconds: f64) -> Spoil {
    Spoil::Delay(Duration::from_secs_f64(seconds))
}

pub(crate) fn garbled(text: &str) -> Spoil {
    Spoil::Replace(format!("{text}\n").into_bytes())
}

/// The kind of a failure, and words that it says.
#[track_caller]
pub(crate) fn fails<T: std::fmt::Debug>(result: Result<T, InstrumentError>, kind: ErrorKind, words: &[&str]) {
    let error = result.expect_err("it should have failed");
    assert_eq!(error.kind, kind, "{error}");
    for word in words {
        assert!(error.to_string().contains(word), "{word:?} is not said in: {error}");
    }
}
