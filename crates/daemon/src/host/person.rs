//! A field that a person sets by hand: asked for on the desk, confirmed by a request.

use super::Host;
use crate::moment::Moment;
use crate::view::{Asks, BenchState};
use async_trait::async_trait;
use quadrille_operations::FieldHand;
use quadrille_quantity::Tesla;
use std::sync::Arc;

/// Asks whoever looks at the bench.
pub(super) struct Person {
    pub(super) host: Arc<Host>,
    /// Whether there is anything to ask: without a Hall measurement the field is whatever it is.
    pub(super) asks: bool,
}

#[async_trait]
impl FieldHand for Person {
    async fn set(&mut self, field: Tesla) -> Result<Tesla, String> {
        if !self.asks {
            return Ok(field);
        }
        let (tell, told) = tokio::sync::oneshot::channel();
        self.host.at_desk(|desk| {
            desk.asked = Some(tell);
            let now = Moment::now();
            desk.fold.change(now, |view| {
                view.state = BenchState::Asking;
                view.asks = Some(Asks { field_t: field.0, since: now });
            });
        });
        let answer = told.await.unwrap_or_else(|_| Err("nobody confirmed it".to_owned()));
        self.host.at_desk(|desk| {
            desk.fold.change(Moment::now(), |view| {
                view.state = BenchState::Working;
                view.asks = None;
            });
        });
        answer
    }
}
