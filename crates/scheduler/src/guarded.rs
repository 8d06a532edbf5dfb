//! Turns a panic inside a future into a value, so that whoever waits for it can still stand the bench down.

use std::any::Any;
use std::future::Future;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::pin;
use std::task::Poll;

/// Runs a future; a panic in it becomes its message.
pub(crate) async fn guarded<F: Future>(future: F) -> Result<F::Output, String> {
    let mut future = pin!(future);
    std::future::poll_fn(move |context| {
        match catch_unwind(AssertUnwindSafe(|| future.as_mut().poll(context))) {
            Ok(Poll::Pending) => Poll::Pending,
            Ok(Poll::Ready(output)) => Poll::Ready(Ok(output)),
            Err(panic) => Poll::Ready(Err(message(panic.as_ref()))),
        }
    })
    .await
}

fn message(panic: &(dyn Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_else(|| "without a message".to_owned())
}
