//! Conversations with clients: bytes in, messages carried out in order, answers back, device after device.

use crate::bench::{SimulatedBench, place};
use quadrille_documents::Role;
use quadrille_link::Server;
use quadrille_scpi::device::{Input, ScpiError};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};

/// How long a device may be without a client before it counts as abandoned: a link that is cleared is closed and
/// opened again. Ours.
const ABANDONED: Duration = Duration::from_secs(5);

impl SimulatedBench {
    /// Serves a device to one client after the other, until no more can come. To be run for each role, all on one
    /// runtime.
    pub async fn serve(&self, role: Role, mut server: Box<dyn Server>) {
        let mut next = server.accept().await;
        while let Ok(stream) = next {
            self.serve_stream(role, stream).await;
            next = match tokio::time::timeout(ABANDONED, server.accept()).await {
                Ok(next) => next,
                Err(_) => {
                    self.abandoned(role);
                    server.accept().await
                }
            };
        }
        self.abandoned(role);
    }

    /// Talks to one client of a device until it is gone. What it sent before is still carried out, except that
    /// readings which nobody would hear are broken off.
    pub async fn serve_stream(&self, role: Role, stream: impl AsyncRead + AsyncWrite + Unpin) {
        let session = Session { bench: self, role, stream, input: Input::default(), is_gone: false };
        session.talk().await;
    }
}

struct Session<'a, S> {
    bench: &'a SimulatedBench,
    role: Role,
    stream: S,
    input: Input,
    is_gone: bool,
}

impl<S: AsyncRead + AsyncWrite + Unpin> Session<'_, S> {
    async fn talk(mut self) {
        loop {
            while let Some(message) = self.input.poll_message() {
                let answer = self.carry_out(message).await;
                if let Some(answer) = answer.filter(|_| !self.is_gone) {
                    self.is_gone = self.stream.write_all(&answer).await.is_err();
                }
            }
            if self.is_gone {
                return;
            }
            receive(&mut self.stream, &mut self.input, &mut self.is_gone).await;
        }
    }

    /// Carries a message out once nobody else's is, while more of them may arrive.
    async fn carry_out(&mut self, message: Result<Vec<u8>, ScpiError>) -> Option<Vec<u8>> {
        let Self { bench, role, stream, input, is_gone } = self;
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
