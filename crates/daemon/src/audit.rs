//! What was asked of the daemon, by whom, and what came of it: a file that only grows, each line with the hash of the one
//! before it. Refusals are in it like what was done.
//!
//! A line that is changed, taken out or put in breaks the chain, and [`verify`] says where. Whoever can write the file can
//! compute a whole chain anew, or cut its end off: the number and the hash of the last line, which `quadrille audit` prints and
//! the daemon logs when it begins, are worth writing down elsewhere.

use crate::moment::Moment;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// Hash before the first line.
const NOTHING: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// Refusals of strangers in a row that are written one by one; what exceeds them is counted and told in one line. Nobody fills a
/// disk by knocking.
const KNOCKS: u32 = 60;
const KNOCKS_IN: Duration = Duration::from_secs(60);

/// What is told of an act.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Act {
    /// Who: the name of a token, `this machine`, `the console`, or `a stranger`.
    pub who: String,
    /// From where: the address of the client.
    pub from: String,
    /// What was asked: `start`, `stop`, `release` …
    pub act: String,
    /// Of which bench.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bench: Option<String>,
    /// `done`, or why not.
    pub outcome: String,
    /// What a person needs to know of it: samples and recipe, the plan's hash, the run, the key of a start.
    #[serde(default, skip_serializing_if = "serde_json::Value::is_null")]
    pub of: serde_json::Value,
}

/// A line of the record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Its number, from 1.
    pub n: u64,
    /// When.
    pub at: Moment,
    /// What.
    #[serde(flatten)]
    pub act: Act,
    /// Hash of the line before it.
    pub before: String,
    /// SHA-256 of this line without this key, in hexadecimal.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub hash: String,
}

impl Line {
    fn hashed(&self) -> String {
        let bare = Self { hash: String::new(), ..self.clone() };
        // Plain values: they can always be written.
        hexadecimal(&Sha256::digest(serde_json::to_vec(&bare).unwrap_or_default()))
    }
}

/// Bytes in hexadecimal.
pub(crate) fn hexadecimal(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
        // Writing to a text cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// Where a chain ends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Head {
    /// Number of its last line; 0 where there is none.
    pub n: u64,
    /// Hash of it.
    pub hash: String,
}

/// Why a record cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum AuditError {
    /// The file.
    #[error("audit record {0}: {1}")]
    File(String, std::io::Error),
    /// A line that does not follow from the one before it.
    #[error(
        "audit record {file}: line {line} {what}: keep the file, find out who changed it, and begin a new one"
    )]
    Broken {
        /// The file.
        file: String,
        /// Line of the file, from 1.
        line: usize,
        /// What is wrong with it.
        what: String,
    },
}

/// Follows the chain of a record from its beginning to its end.
pub fn verify(path: &Path) -> Result<Head, AuditError> {
    let at = |error| AuditError::File(path.display().to_string(), error);
    let mut head = Head { n: 0, hash: NOTHING.to_owned() };
    let file = match File::open(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(head),
        file => file.map_err(at)?,
    };
    for (k, line) in BufReader::new(file).lines().enumerate() {
        let broken =
            |what: String| AuditError::Broken { file: path.display().to_string(), line: k + 1, what };
        let text = line.map_err(at)?;
        let line: Line =
            serde_json::from_str(&text).map_err(|error| broken(format!("is no line of it ({error})")))?;
        if line.n != head.n + 1 || line.before != head.hash {
            return Err(broken(format!("does not follow line {}", head.n)));
        }
        // What is hashed is what is read: a key more, or another spelling of a number, would go unseen otherwise.
        let is_spelt = serde_json::to_string(&line).is_ok_and(|spelt| spelt == text);
        if line.hashed() != line.hash || !is_spelt {
            return Err(broken("is not what was written".to_owned()));
        }
        head = Head { n: line.n, hash: line.hash };
    }
    Ok(head)
}

/// The lines of a record, as far as they are lines.
pub(crate) fn lines(path: &Path) -> impl Iterator<Item = Line> + use<> {
    let lines = File::open(path).into_iter().flat_map(|file| BufReader::new(file).lines());
    lines.map_while(Result::ok).filter_map(|line| serde_json::from_str(&line).ok())
}

struct Inner {
    file: File,
    head: Head,
    knocks: u32,
    unwritten: u32,
    since: Instant,
}

/// A record to write to.
pub struct Audit {
    path: PathBuf,
    inner: Mutex<Inner>,
}

impl Audit {
    /// Opens a record whose chain is whole, and makes it where there is none. A last line that a crash has cut off is taken
    /// away: it was never acknowledged.
    pub fn open(path: &Path) -> Result<Self, AuditError> {
        let at = |error| AuditError::File(path.display().to_string(), error);
        let mut options = OpenOptions::new();
        options.read(true).append(true).create(true).mode(0o600);
        let mut file = options.open(path).map_err(at)?;
        cut_torn(&mut file).map_err(at)?;
        let head = verify(path)?;
        let inner = Inner { file, head, knocks: 0, unwritten: 0, since: Instant::now() };
        Ok(Self { path: path.to_owned(), inner: Mutex::new(inner) })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Where it ends now.
    pub fn head(&self) -> Head {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner).head.clone()
    }

    /// Writes an act; returns when it is on the disk.
    pub fn write(&self, act: Act) -> std::io::Result<Head> {
        let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        inner.append(act)
    }

    /// Writes the refusal of a stranger, or counts it where there are too many.
    pub fn knock(&self, act: Act) -> std::io::Result<()> {
        let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        if inner.since.elapsed() > KNOCKS_IN {
            (inner.knocks, inner.since) = (0, Instant::now());
            let unwritten = std::mem::take(&mut inner.unwritten);
            if unwritten > 0 {
                let more = Act {
                    who: "a stranger".to_owned(),
                    from: "several".to_owned(),
                    act: "refused".to_owned(),
                    bench: None,
                    outcome: format!("{unwritten} more in a minute"),
                    of: serde_json::Value::Null,
                };
                inner.append(more)?;
            }
        }
        inner.knocks += 1;
        if inner.knocks > KNOCKS {
            inner.unwritten += 1;
            return Ok(());
        }
        inner.append(act).map(|_| ())
    }
}

impl Inner {
    fn append(&mut self, act: Act) -> std::io::Result<Head> {
        let mut line = Line {
            n: self.head.n + 1,
            at: Moment::now(),
            act,
            before: self.head.hash.clone(),
            hash: String::new(),
        };
        line.hash = line.hashed();
        let mut text = serde_json::to_vec(&line)?;
        text.push(b'\n');
        // One write: a line is whole or torn at its end, never mixed with another.
        let length = self.file.metadata()?.len();
        if let Err(error) = self.file.write_all(&text).and_then(|()| self.file.sync_data()) {
            // What is not on the disk in full is not in the record either, or the next line would not follow the last.
            self.file.set_len(length)?;
            return Err(error);
        }
        self.head = Head { n: line.n, hash: line.hash };
        Ok(self.head.clone())
    }
}

/// Cuts off what follows the last newline.
fn cut_torn(file: &mut File) -> std::io::Result<()> {
    let length = file.metadata()?.len();
    let tail = length.min(1 << 20);
    file.seek(SeekFrom::Start(length - tail))?;
    let mut bytes = Vec::new();
    Read::by_ref(file).take(tail).read_to_end(&mut bytes)?;
    let whole = bytes.iter().rposition(|byte| *byte == b'\n').map_or(0, |place| place + 1);
    if whole < bytes.len() {
        file.set_len(length - tail + whole as u64)?;
        file.sync_data()?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn act(what: &str) -> Act {
        Act {
            who: "ada".to_owned(),
            from: "127.0.0.1:1".to_owned(),
            act: what.to_owned(),
            bench: Some("hall".to_owned()),
            outcome: "done".to_owned(),
            of: serde_json::json!({ "volts": 0.1 }),
        }
    }

    fn written() -> (tempfile::TempDir, PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("audit.jsonl");
        let audit = Audit::open(&path).unwrap();
        for what in ["start", "stop", "release"] {
            audit.write(act(what)).unwrap();
        }
        (folder, path)
    }

    #[test]
    fn a_chain_goes_on_where_it_ended_and_its_hash_is_that_of_the_line() {
        let (_folder, path) = written();
        let before = verify(&path).unwrap();
        assert_eq!(before.n, 3);
        let audit = Audit::open(&path).unwrap();
        assert_eq!(audit.head(), before);
        audit.write(act("pause")).unwrap();
        assert_eq!(verify(&path).unwrap().n, 4);
        // The hash is of the line as it stands in the file, without its last key.
        let text = std::fs::read_to_string(&path).unwrap();
        let first = text.lines().next().unwrap();
        let (bare, hash) = first.rsplit_once(",\"hash\":\"").unwrap();
        assert_eq!(hexadecimal(&Sha256::digest(format!("{bare}}}"))), hash.trim_end_matches("\"}"));
    }

    #[test]
    fn whatever_is_changed_in_a_line_breaks_the_chain_there() {
        let (_folder, path) = written();
        let good = std::fs::read_to_string(&path).unwrap();
        let lines: Vec<&str> = good.lines().collect();
        let changed = good.replacen("stop", "look", 1);
        let removed = format!("{}\n{}\n", lines[0], lines[2]);
        let swapped = format!("{}\n{}\n{}\n", lines[1], lines[0], lines[2]);
        let added = good.replacen("\"of\":{", "\"of\":{ ", 1);
        for (text, line) in [(changed, 2), (removed, 2), (swapped, 1), (added, 1)] {
            std::fs::write(&path, &text).unwrap();
            match verify(&path) {
                Err(AuditError::Broken { line: found, .. }) => assert_eq!(found, line, "{text}"),
                other => panic!("{other:?} of {text}"),
            }
            assert!(Audit::open(&path).is_err());
        }
    }

    #[test]
    fn a_line_that_a_crash_cut_off_is_gone_and_the_chain_goes_on() {
        let (_folder, path) = written();
        let mut text = std::fs::read_to_string(&path).unwrap();
        text.push_str("{\"n\":4,\"at\":\"2026-");
        std::fs::write(&path, text).unwrap();
        let audit = Audit::open(&path).unwrap();
        assert_eq!(audit.head().n, 3);
        audit.write(act("start")).unwrap();
        assert_eq!(verify(&path).unwrap().n, 4);
    }

    #[test]
    fn a_stranger_who_knocks_a_thousand_times_fills_no_disk() {
        let (_folder, path) = written();
        let audit = Audit::open(&path).unwrap();
        for _ in 0..1000 {
            audit.knock(act("refused")).unwrap();
        }
        assert_eq!(verify(&path).unwrap().n, 3 + u64::from(KNOCKS));
    }
}
