//! Conversations with clients: bytes in, messages carried out in order, answers back, device after device; and what
//! faults make of a conversation.

use crate::bench::{SimulatedBench, place};
use crate::fault::{FaultKind, InstrumentFault, Scope};
use quadrille_documents::Role;
use quadrille_link::{Resource, Server, Stream};
use quadrille_quantity::Second;
use quadrille_scpi::device::{Input, ScpiError, errors};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWriteExt};
use tokio::time::{Instant, sleep, sleep_until};

/// How long a device may be without a client before it counts as abandoned: a link that is cleared is closed and
/// opened again. Ours.
const ABANDONED: Duration = Duration::from_secs(5);

/// Pause before a port that could not be had again is tried again. Ours.
const RETRY: Duration = Duration::from_millis(100);

/// Bytes that a device which hangs still takes in. Ours.
const MOST_WAITING: usize = 256 * 1024;

/// Errors that are more than any device's queue holds. Ours.
const MANY_ERRORS: usize = 64;

impl SimulatedBench {
    /// Serves a device to one client after the other, until no more can come. To be run for each role, all on one
    /// runtime.
    pub async fn serve(&self, role: Role, mut server: Box<dyn Server>) {
        let is_line = matches!(server.resource(), Resource::Serial { .. });
        let mut client = self.next_client(role, server.as_mut(), is_line).await;
        while let Some(stream) = client {
            let away = self.session(role, stream, is_line).talk().await;
            let next = async {
                if let Some(Second(seconds)) = away {
                    refuse(server.as_mut(), true).await;
                    sleep(Duration::from_secs_f64(seconds)).await;
                }
                self.next_client(role, server.as_mut(), is_line).await
            };
            let mut next = std::pin::pin!(next);
            client = match tokio::time::timeout(ABANDONED, &mut next).await {
                Ok(next) => next,
                Err(_) => {
                    self.abandoned(role);
                    next.await
                }
            };
        }
        self.abandoned(role);
    }

    /// Talks to one client of a device until it is gone. What it sent before is still carried out, except that
    /// readings which nobody would hear are broken off.
    pub async fn serve_stream(&self, role: Role, stream: impl Stream) {
        self.session(role, stream, false).talk().await;
    }

    fn session<S>(&self, role: Role, stream: S, is_line: bool) -> Session<'_, S> {
        let input = Input::default();
        Session { bench: self, role, stream, input, is_line, is_gone: false, again: Vec::new() }
    }

    /// The next client that no fault keeps away.
    async fn next_client(
        &self,
        role: Role,
        server: &mut dyn Server,
        is_line: bool,
    ) -> Option<Box<dyn Stream>> {
        let keeps_away = |kind: &FaultKind| is_held(role, kind).is_some();
        loop {
            let changed = self.faults.changed();
            let scope = self.faults.holds(keeps_away).filter(|_| !is_line);
            if let Some(Scope::UntilCleared | Scope::For(_)) = scope {
                let refuses = self.faults.strike(|kind| is_held(role, kind)).unwrap_or(false);
                refuse(server, refuses).await;
                changed.await;
                continue;
            }
            refuse(server, false).await;
            let accepted = tokio::select! {
                biased;
                accepted = server.accept() => accepted,
                () = changed => continue,
            };
            let stream = accepted.ok()?;
            match self.faults.strike(|kind| is_held(role, kind)).filter(|_| !is_line) {
                None => return Some(stream),
                Some(refuses) => turn_away(stream, refuses).await,
            }
        }
    }
}

/// Whether a fault keeps clients of a device away, and whether it refuses them.
fn is_held(role: Role, kind: &FaultKind) -> Option<bool> {
    match *kind {
        FaultKind::Instrument(of, InstrumentFault::Held) if of == role => Some(false),
        FaultKind::Instrument(of, InstrumentFault::Refused) if of == role => Some(true),
        _ => None,
    }
}

/// One client that comes while another holds the socket.
async fn turn_away(mut stream: Box<dyn Stream>, refuses: bool) {
    if refuses {
        stream.reset_when_dropped();
        return;
    }
    let mut bytes = [0; 4096];
    while matches!(stream.read(&mut bytes).await, Ok(1..)) {}
}

/// Refuses clients, or lets them come again: insists, as somebody may have taken the port in the meantime.
async fn refuse(server: &mut dyn Server, refuses: bool) {
    while let Err(error) = server.refuse(refuses).await {
        tracing::warn!(resource = %server.resource(), %error, "the port cannot be had again");
        sleep(RETRY).await;
    }
}

struct Session<'a, S> {
    bench: &'a SimulatedBench,
    role: Role,
    stream: S,
    input: Input,
    /// A serial line has no connection that could be reset or closed.
    is_line: bool,
    is_gone: bool,
    /// Answers that will come once more, and when.
    again: Vec<(Instant, Vec<u8>)>,
}

/// What becomes of a message.
enum Fate {
    /// It is carried out.
    CarriedOut,
    /// It is lost.
    Lost,
    /// The conversation ends, and the instrument is away for so long.
    End(Option<Second>),
}

impl<S: Stream> Session<'_, S> {
    /// Answers how long the instrument is away afterwards, where it is.
    async fn talk(mut self) -> Option<Second> {
        loop {
            while let Some(message) = self.input.poll_message() {
                match self.fate().await {
                    Fate::CarriedOut => self.attend(message).await,
                    Fate::Lost => {}
                    Fate::End(away) => return away,
                }
            }
            if self.is_gone {
                return None;
            }
            let due = self.again.iter().map(|(due, _)| *due).min();
            tokio::select! {
                biased;
                () = receive(&mut self.stream, &mut self.input, &mut self.is_gone) => {}
                () = sleep_until(due.unwrap_or_else(Instant::now)), if due.is_some() => self.repeat().await,
            }
        }
    }

    /// One message with its answer, as faults leave it.
    async fn attend(&mut self, message: Result<Vec<u8>, ScpiError>) {
        let faults = &self.bench.faults;
        if faults.strikes(self.role, InstrumentFault::Overflow) {
            for _ in 0..MANY_ERRORS {
                self.bench.report(self.role, ScpiError::new(errors::DEVICE_SPECIFIC_ERROR));
            }
        }
        if faults.strikes(self.role, InstrumentFault::Echo) {
            let mut echo = message.clone().unwrap_or_default();
            echo.push(b'\n');
            self.write(&echo).await;
        }
        let Some(answer) = self.carry_out(message).await else { return };
        let comes = self.bench.faults.spoil(self.role, answer);
        self.pause(comes.late).await;
        // One that was due meanwhile comes before the answer to another question.
        self.repeat().await;
        self.write(&comes.bytes).await;
        if let Some(Second(seconds)) = comes.again {
            self.again.push((Instant::now() + Duration::from_secs_f64(seconds), comes.bytes));
        }
    }

    async fn write(&mut self, bytes: &[u8]) {
        if !self.is_gone && !bytes.is_empty() {
            self.is_gone = self.stream.write_all(bytes).await.is_err();
        }
    }

    /// Sends what is due to come again.
    async fn repeat(&mut self) {
        let now = Instant::now();
        for (_, bytes) in self.again.extract_if(.., |(due, _)| *due <= now).collect::<Vec<_>>() {
            self.write(&bytes).await;
        }
    }

    /// Lets time pass while messages may arrive; no longer than the client is there.
    async fn pause(&mut self, Second(seconds): Second) {
        let end = Instant::now() + Duration::from_secs_f64(seconds);
        while !self.is_gone && Instant::now() < end {
            tokio::select! {
                biased;
                () = sleep_until(end) => {}
                () = receive(&mut self.stream, &mut self.input, &mut self.is_gone) => {}
            }
        }
    }

    /// What faults make of the message that comes next, before it is looked at.
    async fn fate(&mut self) -> Fate {
        if let Some(fate) = self.hang().await {
            return fate;
        }
        if let Some(fate) = self.fall_into_black_hole().await {
            return fate;
        }
        let reboot = self.bench.faults.strike(|kind| match *kind {
            FaultKind::Instrument(role, InstrumentFault::Reboot(away)) if role == self.role => Some(away),
            _ => None,
        });
        if let Some(away) = reboot {
            let _turn = self.bench.busy[place(self.role)].lock().await;
            self.bench.reboot(self.role);
            if self.is_line {
                self.pause(away).await;
                self.input.clear();
                return Fate::Lost;
            }
            return Fate::End(Some(away));
        }
        let is_reset = self.bench.faults.strikes(self.role, InstrumentFault::Reset);
        if !is_reset && !self.bench.faults.strikes(self.role, InstrumentFault::Closed) {
            return Fate::CarriedOut;
        }
        if self.is_line {
            return Fate::Lost;
        }
        if is_reset {
            self.stream.reset_when_dropped();
        }
        Fate::End(None)
    }

    /// Does nothing for as long as it hangs; what arrives waits.
    async fn hang(&mut self) -> Option<Fate> {
        let hang = FaultKind::Instrument(self.role, InstrumentFault::Hang);
        let ((), scope) = self.bench.faults.strike_scoped(|kind| (*kind == hang).then_some(()))?;
        let is_once = matches!(scope, Scope::Once { .. });
        let clears = self.bench.faults.clears();
        let mut waiting = 0;
        loop {
            let changed = self.bench.faults.changed();
            // One that strikes once is over when the client opens its link again; a line cannot be.
            if is_once && (self.is_gone || self.is_line) {
                return Some(if self.is_gone { Fate::End(None) } else { Fate::Lost });
            }
            let is_cleared = self.bench.faults.clears() != clears;
            if is_cleared || !is_once && self.bench.faults.holds(|kind| *kind == hang).is_none() {
                return None;
            }
            let mut bytes = [0; 4096];
            tokio::select! {
                biased;
                () = changed => {}
                count = self.stream.read(&mut bytes), if !self.is_gone && waiting < MOST_WAITING => match count {
                    Ok(count @ 1..) => {
                        waiting += count;
                        self.input.handle_bytes(&bytes[..count]);
                    }
                    _ => self.is_gone = true,
                },
            }
        }
    }

    /// Loses everything for as long as the link is a black hole.
    async fn fall_into_black_hole(&mut self) -> Option<Fate> {
        let (role, is_line) = (self.role, self.is_line);
        // To whoever shares a line with another client it is one.
        let swallows = |kind: &FaultKind| {
            *kind == FaultKind::Instrument(role, InstrumentFault::BlackHole)
                || (is_line && is_held(role, kind).is_some())
        };
        let ((), scope) = self.bench.faults.strike_scoped(|kind| swallows(kind).then_some(()))?;
        let is_once = matches!(scope, Scope::Once { .. });
        let clears = self.bench.faults.clears();
        loop {
            let changed = self.bench.faults.changed();
            self.input.clear();
            if self.is_gone {
                return Some(Fate::End(None));
            }
            let is_cleared = self.bench.faults.clears() != clears;
            let is_over = if is_once { is_line } else { self.bench.faults.holds(swallows).is_none() };
            if is_cleared || is_over {
                return Some(Fate::Lost);
            }
            tokio::select! {
                biased;
                () = changed => {}
                () = receive(&mut self.stream, &mut self.input, &mut self.is_gone) => {}
            }
        }
    }

    /// Carries a message out once nobody else's is, while more of them may arrive.
    async fn carry_out(&mut self, message: Result<Vec<u8>, ScpiError>) -> Option<Vec<u8>> {
        let Self { bench, role, stream, input, is_gone, .. } = self;
        let (bench, role) = (*bench, *role);
        let has_turn = AtomicBool::new(false);
        let work = async {
            let _turn = bench.busy[place(role)].lock().await;
            has_turn.store(true, Ordering::Relaxed);
            match message {
                Ok(message) => bench.carry_out(role, &message).await,
                Err(error) => {
                    bench.report(role, error);
                    None
                }
            }
        };
        let mut work = std::pin::pin!(work);
        loop {
            tokio::select! {
                biased;
                answer = &mut work => return answer,
                () = receive(stream, input, is_gone), if !*is_gone => {}
            }
            if *is_gone && has_turn.load(Ordering::Relaxed) && bench.is_reading(role) {
                bench.clear(role);
                return None;
            }
        }
    }
}

/// Takes in what arrives, or that nothing will any more.
async fn receive(stream: &mut (impl AsyncRead + Unpin), input: &mut Input, is_gone: &mut bool) {
    let mut bytes = [0; 4096];
    match stream.read(&mut bytes).await {
        Ok(count @ 1..) => input.handle_bytes(&bytes[..count]),
        _ => *is_gone = true,
    }
}
