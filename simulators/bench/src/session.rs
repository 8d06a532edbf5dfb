//! One client's conversation with one device: bytes in, messages carried out in order, answers back.

use crate::bench::{SimulatedBench, place};
use quadrille_documents::Role;
use quadrille_scpi::device::Input;

/// Gathers a client's bytes and carries out its messages.
pub(crate) struct Session {
    bench: SimulatedBench,
    role: Role,
    input: Input,
}

impl Session {
    /// Of a client that has come; when this is dropped, it has gone.
    pub(crate) fn new(bench: SimulatedBench, role: Role) -> Self {
        bench.client_came(role);
        Self { bench, role, input: Input::default() }
    }

    /// Takes in what arrived.
    pub(crate) fn handle_bytes(&mut self, bytes: &[u8]) {
        self.input.handle_bytes(bytes);
    }

    /// Carries out the oldest message that is complete, once nobody else's is; its answer may be nothing. `None`
    /// where no message is complete.
    pub(crate) async fn next_answer(&mut self) -> Option<Option<Vec<u8>>> {
        let message = self.input.poll_message()?;
        let _turn = self.bench.busy[place(self.role)].lock().await;
        match message {
            Ok(message) => Some(self.bench.carry_out(self.role, &message).await),
            Err(error) => {
                self.bench.report(self.role, error);
                Some(None)
            }
        }
    }

    /// Device clear: what was received and not carried out is forgotten.
    pub(crate) fn clear(&mut self) {
        self.input.clear();
        self.bench.clear(self.role);
    }
}

impl Drop for Session {
    fn drop(&mut self) {
        self.bench.client_went(self.role);
    }
}
