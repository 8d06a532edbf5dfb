//! One instrument's link, and the contract that every exchange on it keeps.
//!
//! An answer never outlives its question. A link is dirty from the moment a question leaves until its answer is in,
//! so that a timeout, a loss and a dropped future all leave it dirty. A dirty link is cleared as its transport can,
//! then fenced: `*ESE n` and `*ESE?` (mandatory commands of IEEE 488.2) twice with numbers that were not used before,
//! everything that is not the expected answer being thrown away, who answers is asked again, and its error queue is
//! emptied of what came before.
//! Only then is anything else asked. An answer that is not of the expected form, and one that nobody asked for, make
//! a link dirty too: they may belong to another question.

use crate::command::{Value, message};
use quadrille_documents::{Action, Dialect};
use quadrille_instruments::{ErrorKind, InstrumentError, Result};
use quadrille_link::Link;
use quadrille_scpi::controller::{ErrorEntry, Framer, Number, parse_boolean};
use std::time::Duration;
use tokio::time::Instant;

/// Relative difference within which a number read back is the number that was set: single precision.
const READ_BACK: f64 = 1e-6;

/// Entries of an error queue that are read before it is given up as endless.
const MOST_ERRORS: usize = 64;

/// Pause before a link that was cut as soon as it was open is opened again; ours.
const RETRY: Duration = Duration::from_millis(50);

/// Answers that are thrown away while a fence is looked for.
const MOST_STALE: usize = 64;

/// What a session needs to know of its instrument.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The laboratory's name of it.
    pub name: String,
    /// Pattern that its identity must have; `*` stands for anything.
    pub identity: Option<String>,
    /// Longest wait for an answer, beyond what the question itself takes.
    pub timeout: Duration,
    /// Power-line frequency in hertz.
    pub mains_hz: f64,
}

/// What may still be on its way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    /// Nothing.
    Clean,
    /// Just opened: perhaps somebody else's answers.
    Fresh,
    /// The answer to a question that was given up.
    Dirty,
}

/// One instrument on its link.
pub struct Session {
    link: Box<dyn Link>,
    framer: Framer,
    dialect: Dialect,
    settings: Settings,
    state: State,
    fence: u8,
    /// What is being done, for messages.
    operation: String,
    /// Whether an answer was taken for that already.
    answered: bool,
    /// Whether it is another instrument than the bench document expects.
    stranger: bool,
}

impl Session {
    /// A session on a link that may still carry somebody else's answers.
    pub fn new(link: Box<dyn Link>, dialect: Dialect, settings: Settings) -> Self {
        Self {
            link,
            framer: Framer::default(),
            dialect,
            settings,
            state: State::Fresh,
            fence: 0,
            operation: String::new(),
            answered: false,
            stranger: false,
        }
    }

    /// The laboratory's name of the instrument.
    pub fn name(&self) -> &str {
        &self.settings.name
    }

    pub(crate) fn dialect(&self) -> &Dialect {
        &self.dialect
    }

    pub(crate) fn mains_hz(&self) -> f64 {
        self.settings.mains_hz
    }

    /// Says what the exchanges that follow are for.
    pub(crate) fn begin(&mut self, operation: impl Into<String>) {
        self.operation = operation.into();
        self.answered = false;
    }

    pub(crate) fn error(&self, kind: ErrorKind, detail: impl Into<String>) -> InstrumentError {
        InstrumentError {
            kind,
            instrument: self.settings.name.clone(),
            operation: self.operation.clone(),
            detail: detail.into(),
        }
    }

    /// A failure to understand an answer: it may be another question's, so that the link is dirty.
    pub(crate) fn garbage(&mut self, detail: impl Into<String>) -> InstrumentError {
        self.state = State::Dirty;
        self.error(ErrorKind::Garbage, detail)
    }

    /// Identity, initialisation, an empty error queue.
    pub(crate) async fn prepare(&mut self) -> Result<String> {
        let identity = self.identify().await?;
        self.initialise().await?;
        Ok(identity)
    }

    /// Asks who it is. To another instrument than the bench document expects nothing is said any more: what would be
    /// off for one may be on for the other.
    pub(crate) async fn identify(&mut self) -> Result<String> {
        self.begin("identify it");
        let identity = self.ask(Action::Identity, Duration::ZERO).await?;
        self.expect(&identity).inspect_err(|_| self.stranger = true)?;
        Ok(identity)
    }

    fn expect(&self, identity: &str) -> Result<()> {
        if let Some(pattern) = &self.settings.identity
            && !matches(pattern, identity)
        {
            let detail = format!("it says it is \"{identity}\", the bench document expects \"{pattern}\"");
            return Err(self.error(ErrorKind::Identity, detail));
        }
        Ok(())
    }

    /// Brings it to its known state.
    pub(crate) async fn initialise(&mut self) -> Result<()> {
        self.begin("initialise it");
        self.forget_errors().await?;
        for template in self.dialect.initialise.clone() {
            let text = message(&self.dialect, &template, &Value::None)
                .map_err(|fault| self.error(ErrorKind::Unable, fault))?;
            self.send(&text).await?;
        }
        self.complete().await?;
        self.no_errors().await
    }

    /// Sends a command and waits until it is complete. What it set is then to be read back, and the error queue to
    /// be held against both: in this order, so that the queue tells of the question too.
    pub(crate) async fn tell(&mut self, action: Action, value: Value<'_>) -> Result<()> {
        let text = self.text(action, &value)?;
        self.send(&text).await?;
        self.complete().await
    }

    /// Sets a number and reads it back.
    pub(crate) async fn set(&mut self, set: Action, value: f64, get: Action) -> Result<()> {
        self.tell(set, Value::Number(value)).await?;
        let read = self.number(get).await?;
        self.no_errors().await?;
        self.agree(value, read)
    }

    /// Sets a value in whichever unit the dialect speaks and reads it back in that; it may come back rounded to the
    /// `step` of its kind, in the same unit.
    pub(crate) async fn set_in_its_unit(
        &mut self,
        set: Action,
        value: Value<'_>,
        get: Action,
        step: f64,
    ) -> Result<()> {
        let carried = self.dialect.template(set).and_then(|template| value.carried(template));
        self.tell(set, value).await?;
        let read = self.number(get).await?;
        self.no_errors().await?;
        self.agree_within(carried.unwrap_or(f64::NAN), read, step)
    }

    pub(crate) fn agree(&self, set: f64, read: f64) -> Result<()> {
        self.agree_within(set, read, 0.0)
    }

    fn agree_within(&self, set: f64, read: f64, step: f64) -> Result<()> {
        if (read - set).abs() <= READ_BACK * set.abs() + step {
            return Ok(());
        }
        Err(self.error(ErrorKind::ReadBack, format!("set {set:e}, it reads back {read:e}")))
    }

    /// Sets a state and reads it back.
    pub(crate) async fn switch(&mut self, set: Action, get: Action, wanted: bool) -> Result<()> {
        self.tell(set, Value::None).await?;
        let read = self.boolean(get).await?;
        self.no_errors().await?;
        if read == wanted {
            return Ok(());
        }
        let detail = format!("set {}, it reads back {}", i32::from(wanted), i32::from(read));
        Err(self.error(ErrorKind::ReadBack, detail))
    }

    /// Asks for a finite number.
    pub(crate) async fn number(&mut self, action: Action) -> Result<f64> {
        let (number, text) = self.reading(action, Duration::ZERO).await?;
        let asked = self.text(action, &Value::None)?;
        number
            .value()
            .ok_or_else(|| self.garbage(format!("asked \"{asked}\", came \"{text}\", which is no value")))
    }

    /// Asks for a number that may be a state instead (overload, not-a-number), which takes a while.
    pub(crate) async fn reading(&mut self, action: Action, takes: Duration) -> Result<(Number, String)> {
        let asked = self.text(action, &Value::None)?;
        let answer = self.ask(action, takes).await?;
        let number = Number::parse(&answer)
            .map_err(|error| self.garbage(format!("asked \"{asked}\", came \"{answer}\": {error}")))?;
        Ok((number, answer))
    }

    /// Asks for 0 or 1.
    pub(crate) async fn boolean(&mut self, action: Action) -> Result<bool> {
        let asked = self.text(action, &Value::None)?;
        let answer = self.ask(action, Duration::ZERO).await?;
        parse_boolean(&answer)
            .map_err(|error| self.garbage(format!("asked \"{asked}\", came \"{answer}\": {error}")))
    }

    /// Asks, and answers the text that came.
    pub(crate) async fn ask(&mut self, action: Action, takes: Duration) -> Result<String> {
        let text = self.text(action, &Value::None)?;
        self.exchange(&text, takes).await
    }

    /// Holds the error queue against what was done: empty, or the operation failed.
    pub(crate) async fn no_errors(&mut self) -> Result<()> {
        let entries = self.errors().await?;
        if entries.is_empty() {
            return Ok(());
        }
        Err(self.error(ErrorKind::Rejected, format!("it reports {}", entries.join(", "))))
    }

    fn text(&self, action: Action, value: &Value<'_>) -> Result<String> {
        let Some(template) = self.dialect.template(action) else {
            let detail = format!("its dialect \"{}\" has no `{}`", self.dialect.name, action.key());
            return Err(self.error(ErrorKind::Unable, detail));
        };
        message(&self.dialect, template, value).map_err(|fault| self.error(ErrorKind::Unable, fault))
    }

    async fn send(&mut self, text: &str) -> Result<()> {
        self.make_clean().await?;
        // A message that is cut off in the middle must not be continued by the next.
        self.state = State::Dirty;
        self.send_raw(text).await?;
        self.state = State::Clean;
        Ok(())
    }

    async fn exchange(&mut self, text: &str, takes: Duration) -> Result<String> {
        self.make_clean().await?;
        let answer = self.exchange_raw(text, takes).await?;
        self.answered = true;
        Ok(answer)
    }

    /// One question and its one answer, on a link that is clean.
    async fn exchange_raw(&mut self, text: &str, takes: Duration) -> Result<String> {
        self.state = State::Dirty;
        self.send_raw(text).await?;
        let answer = self.receive(text, takes).await?;
        if !self.framer.is_empty() {
            let detail = format!("asked \"{text}\", came \"{answer}\" and more that nobody asked for");
            return Err(self.garbage(detail));
        }
        self.state = State::Clean;
        Ok(answer)
    }

    async fn send_raw(&mut self, text: &str) -> Result<()> {
        let bytes = format!("{text}\n");
        match tokio::time::timeout(self.settings.timeout, self.link.send(bytes.as_bytes())).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(error)) => Err(self.error(ErrorKind::Link, format!("sent \"{text}\": {error}"))),
            Err(_) => Err(self.error(ErrorKind::Silent, format!("\"{text}\" could not be sent in time"))),
        }
    }

    async fn receive(&mut self, asked: &str, takes: Duration) -> Result<String> {
        let limit = self.settings.timeout + takes;
        match tokio::time::timeout(limit, self.message()).await {
            Ok(Ok(message)) => String::from_utf8(message).map_err(|error| {
                let came = error.as_bytes().escape_ascii().to_string();
                self.error(
                    ErrorKind::Garbage,
                    format!("asked \"{asked}\", came \"{came}\", which is no text"),
                )
            }),
            Ok(Err(reason)) => Err(self.error(ErrorKind::Link, format!("asked \"{asked}\": {reason}"))),
            Err(_) => {
                let waited = limit.as_secs_f64();
                Err(self.error(ErrorKind::Silent, format!("asked \"{asked}\", no answer in {waited} s")))
            }
        }
    }

    /// The next whole message.
    async fn message(&mut self) -> std::result::Result<Vec<u8>, String> {
        loop {
            if let Some(message) = self.framer.poll_message() {
                return Ok(message);
            }
            let bytes = self.link.receive().await.map_err(|error| error.to_string())?;
            self.framer.handle_bytes(&bytes).map_err(|error| error.to_string())?;
        }
    }

    async fn make_clean(&mut self) -> Result<()> {
        if self.stranger {
            let detail =
                "it is another instrument than the bench document expects: nothing more is said to it";
            return Err(self.error(ErrorKind::Identity, detail));
        }
        if self.state == State::Clean && !self.unasked().await? {
            return Ok(());
        }
        let opens_again = self.state == State::Dirty;
        if opens_again {
            self.open_again().await?
        } else {
            self.fence().await?
        }
        // A link that was opened again may lead to another instrument. The answer may also have been spoilt: it is asked
        // for anew before anything else is said.
        if opens_again && self.settings.identity.is_some() {
            let asked = self.text(Action::Identity, &Value::None)?;
            let identity = self.exchange_raw(&asked, Duration::ZERO).await?;
            self.expect(&identity).inspect_err(|_| self.state = State::Dirty)?;
        }
        self.forget_errors().await
    }

    /// Clears the link and fences it. An instrument that starts anew may take a link and cut it again: that is not its last word
    /// until the time for an answer is over.
    async fn open_again(&mut self) -> Result<()> {
        let begun = Instant::now();
        loop {
            if let Err(error) = self.link.clear().await {
                return Err(self.error(ErrorKind::Link, error.to_string()));
            }
            match self.fence().await {
                Err(error) if error.kind == ErrorKind::Link && begun.elapsed() < self.settings.timeout => {
                    tokio::time::sleep(RETRY).await;
                }
                result => return result,
            }
        }
    }

    /// Throws away whatever is not the answer to the two questions that are asked here.
    async fn fence(&mut self) -> Result<()> {
        self.state = State::Dirty;
        self.framer.clear();
        // Two fences: a stale answer could be one expected number by chance, hardly two in a row.
        for _ in 0..2 {
            self.fence = self.fence % 250 + 1;
            let expected = self.fence;
            self.send_raw(&format!("*ESE {expected};*ESE?")).await?;
            self.find_fence(expected).await?;
        }
        self.send_raw("*ESE 0").await
    }

    /// Whether something came that nobody asked for. Between operations it makes the link dirty; within one, an
    /// answer that was taken already may have been another question's, and the operation fails.
    async fn unasked(&mut self) -> Result<bool> {
        let received = tokio::select! {
            biased;
            received = self.link.receive() => received,
            () = std::future::ready(()) => return Ok(false),
        };
        self.state = State::Dirty;
        match received {
            Err(error) => Err(self.error(ErrorKind::Link, error.to_string())),
            Ok(bytes) if self.answered => {
                let detail = format!("\"{}\" came that nobody asked for", bytes.escape_ascii());
                Err(self.error(ErrorKind::Garbage, detail))
            }
            Ok(_) => Ok(true),
        }
    }

    async fn find_fence(&mut self, expected: u8) -> Result<()> {
        let mut last = String::new();
        for _ in 0..MOST_STALE {
            last = self.receive("*ESE?", Duration::ZERO).await?;
            if Number::parse(&last).ok().and_then(Number::value) == Some(f64::from(expected)) {
                return Ok(());
            }
            tracing::warn!(
                instrument = self.settings.name,
                answer = last,
                "threw away an answer to an earlier question"
            );
        }
        let detail = format!("asked \"*ESE?\" after setting {expected}, came \"{last}\" and no {expected}");
        Err(self.error(ErrorKind::Garbage, detail))
    }

    async fn complete(&mut self) -> Result<()> {
        let takes = Duration::from_secs_f64(self.dialect.facts.operate_s);
        let answer = self.ask(Action::Complete, takes).await?;
        if Number::parse(&answer).ok().and_then(Number::value) == Some(1.0) {
            return Ok(());
        }
        Err(self.garbage(format!("asked whether it is complete, came \"{answer}\"")))
    }

    /// Empties the error queue of what is nobody's fault any more: entries of a time before, or of a question that
    /// was given up.
    async fn forget_errors(&mut self) -> Result<()> {
        let entries = self.errors_raw().await?;
        if !entries.is_empty() {
            let entries = entries.join(", ");
            tracing::warn!(instrument = self.settings.name, entries, "errors from before");
        }
        Ok(())
    }

    /// Empties the error queue, and answers its entries.
    async fn errors(&mut self) -> Result<Vec<String>> {
        self.make_clean().await?;
        self.errors_raw().await
    }

    async fn errors_raw(&mut self) -> Result<Vec<String>> {
        let asked = self.text(Action::NextError, &Value::None)?;
        let mut entries = Vec::new();
        while entries.len() < MOST_ERRORS {
            let answer = self.exchange_raw(&asked, Duration::ZERO).await?;
            let entry = ErrorEntry::parse(&answer)
                .map_err(|error| self.garbage(format!("asked \"{asked}\", came \"{answer}\": {error}")))?;
            if entry.is_none() {
                return Ok(entries);
            }
            entries.push(format!("{},\"{}\"", entry.code, entry.text));
        }
        Err(self.garbage(format!("asked \"{asked}\" {MOST_ERRORS} times, and its error queue has no end")))
    }
}

/// Whether a text has a pattern, in which `*` stands for anything; case does not matter.
fn matches(pattern: &str, text: &str) -> bool {
    let (pattern, text) = (pattern.to_ascii_uppercase(), text.to_ascii_uppercase());
    let Some((head, rest)) = pattern.split_once('*') else { return pattern == text };
    let Some(mut left) = text.strip_prefix(head) else { return false };
    let mut pieces: Vec<&str> = rest.split('*').collect();
    let tail = pieces.pop().unwrap_or_default();
    for piece in pieces {
        match left.find(piece) {
            Some(at) => left = &left[at + piece.len()..],
            None => return false,
        }
    }
    left.len() >= tail.len() && left.ends_with(tail)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pattern_of_an_identity_stands_for_what_it_says() {
        for (pattern, text, expected) in [
            ("*virtual voltmeter*", "MAKER,VIRTUAL VOLTMETER,1,2", true),
            ("*virtual voltmeter*", "MAKER,VIRTUAL AMMETER,1,2", false),
            ("maker,*,7,*", "MAKER,METER,7,2", true),
            ("maker,*,7,*", "MAKER,METER,8,2", false),
            ("maker", "maker", true),
            ("maker", "maker,1", false),
            ("a*ba", "aba", true),
            ("ab*ba", "aba", false),
        ] {
            assert_eq!(matches(pattern, text), expected, "{pattern} {text}");
        }
    }
}
