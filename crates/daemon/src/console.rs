//! The console: a socket in the daemon's folder that only its user can open, for what nobody may do from afar: to release a bench.
//! One request of JSON a line, one answer a line.

use crate::host::Release;
use crate::problem::Problem;
use crate::site::Site;
use crate::who::Principal;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt};
use tokio::net::{UnixListener, UnixStream};

/// Longest line.
const LONGEST: u64 = 4096;

/// Longest wait for a line, and for an answer.
const PATIENCE: Duration = Duration::from_secs(10);

/// What is asked at the console.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Asked {
    /// Allow a bench to be energised.
    Release {
        /// Its name.
        bench: String,
        /// Up to this voltage.
        up_to_v: f64,
        /// For so long, in seconds.
        lasting_s: f64,
        /// Who is there.
        by: String,
    },
    /// Take a release back: a run that needs it stops and stands down.
    Withdraw {
        /// The bench.
        bench: String,
        /// Who is there.
        by: String,
    },
}

/// What the console answers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// It is done; until when, where it is a release.
    Done {
        /// The end of the release.
        until: Option<crate::moment::Moment>,
    },
    /// It is not done.
    Refused(Problem),
}

/// The socket.
pub(crate) struct Console {
    listener: UnixListener,
    path: PathBuf,
}

impl Drop for Console {
    fn drop(&mut self) {
        // The next daemon makes its own.
        let _ = std::fs::remove_file(&self.path);
    }
}

impl Console {
    /// Makes the socket. One that somebody answers at belongs to another daemon, which must not be disturbed.
    pub(crate) fn listen(path: &Path) -> std::io::Result<Self> {
        if std::os::unix::net::UnixStream::connect(path).is_ok() {
            let why =
                "another daemon keeps its records in this folder: stop it first, or give this one its own";
            return Err(std::io::Error::new(std::io::ErrorKind::AddrInUse, why));
        }
        match std::fs::remove_file(path) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        let listener = UnixListener::bind(path)?;
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600))?;
        Ok(Self { listener, path: path.to_owned() })
    }

    /// Answers whoever comes, one after the other.
    pub(crate) async fn serve(&self, site: &Arc<Site>) {
        loop {
            let Ok((stream, _)) = self.listener.accept().await else {
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            };
            if tokio::time::timeout(PATIENCE, talk(site, stream)).await.is_err() {
                tracing::debug!("the console's client said nothing");
            }
        }
    }
}

async fn talk(site: &Arc<Site>, stream: UnixStream) {
    let uid = stream.peer_cred().map_or_else(|_| "?".to_owned(), |peer| peer.uid().to_string());
    let (read, mut write) = stream.into_split();
    let mut line = String::new();
    if tokio::io::BufReader::new(read.take(LONGEST)).read_line(&mut line).await.is_err() {
        return;
    }
    let answer = match serde_json::from_str(&line) {
        Ok(asked) => answer(site, asked, &uid),
        Err(error) => Answer::Refused(
            crate::problem::Refusal::unprocessable(error.to_string(), "use `quadrille release`").into(),
        ),
    };
    let mut text = serde_json::to_vec(&answer).unwrap_or_default();
    text.push(b'\n');
    if write.write_all(&text).await.is_err() {
        tracing::debug!("the console's client has gone");
    }
}

fn answer(site: &Site, asked: Asked, uid: &str) -> Answer {
    let who = Principal::local(format!("console, user {uid}"));
    let (act, bench, of) = match &asked {
        Asked::Release { bench, up_to_v, lasting_s, by } => {
            ("release", bench.clone(), json!({ "up_to_v": up_to_v, "lasting_s": lasting_s, "by": by }))
        }
        Asked::Withdraw { bench, by } => ("withdraw release", bench.clone(), json!({ "by": by })),
    };
    let came = match asked {
        Asked::Release { bench, up_to_v, lasting_s, by } => site.bench(&bench).and_then(|host| {
            let lasting = Duration::try_from_secs_f64(lasting_s).unwrap_or(Duration::ZERO);
            host.release(up_to_v, lasting, by.chars().filter(|c| !c.is_control()).take(60).collect())
                .map(Some)
        }),
        Asked::Withdraw { bench, .. } => site.bench(&bench).map(|host| {
            host.withdraw_release();
            None
        }),
    };
    let taken = came.is_ok();
    match site.written(&who, act, Some(&bench), of, came) {
        Ok(release) => Answer::Done { until: release.map(|release: Release| release.until) },
        Err(refusal) => {
            // A release that could not be written down is none.
            if taken && let Ok(host) = site.bench(&bench) {
                host.withdraw_release();
            }
            Answer::Refused(refusal.into())
        }
    }
}

/// Asks at the console of the daemon that keeps its records in a folder.
pub fn ask(socket: &Path, asked: &Asked) -> std::io::Result<Answer> {
    let stream = std::os::unix::net::UnixStream::connect(socket)?;
    stream.set_read_timeout(Some(PATIENCE))?;
    stream.set_write_timeout(Some(PATIENCE))?;
    let mut text = serde_json::to_vec(asked)?;
    text.push(b'\n');
    (&stream).write_all(&text)?;
    let mut line = String::new();
    BufReader::new(&stream).read_line(&mut line)?;
    Ok(serde_json::from_str(&line)?)
}
