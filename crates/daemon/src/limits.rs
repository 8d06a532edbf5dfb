//! How much a client may ask for: requests a minute by token, streams at a time by token and in all.

use crate::problem::Refusal;
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};
use http::StatusCode;
use quadrille_documents::ClientLimits;
use std::collections::BTreeMap;
use std::num::NonZeroU32;
use std::sync::{Arc, Mutex, PoisonError};

/// Largest body of a request, in bytes.
pub(crate) const LARGEST_BODY: usize = 64 << 10;

pub(crate) struct Limits {
    requests: DefaultKeyedRateLimiter<String>,
    streams: Arc<Mutex<BTreeMap<String, u32>>>,
    most: ClientLimits,
}

impl Limits {
    pub(crate) fn new(most: ClientLimits) -> Self {
        let rate = NonZeroU32::new(most.requests_per_minute).unwrap_or(NonZeroU32::MIN);
        Self { requests: RateLimiter::keyed(Quota::per_minute(rate)), streams: Arc::default(), most }
    }

    /// Counts a request of somebody, or refuses it.
    pub(crate) fn request(&self, who: &str) -> Result<(), Refusal> {
        if self.requests.len() > 10_000 {
            self.requests.retain_recent();
        }
        self.requests.check_key(&who.to_owned()).map_err(|_| {
            let detail = format!("more than {} requests a minute", self.most.requests_per_minute);
            let instead = "wait some seconds; follow the event stream instead of asking again and again";
            Refusal::new(StatusCode::TOO_MANY_REQUESTS, "too-many-requests", detail, instead)
        })
    }

    /// A place for a stream, for as long as it is held.
    pub(crate) fn stream(&self, who: &str) -> Result<Place, Refusal> {
        let mut streams = self.streams.lock().unwrap_or_else(PoisonError::into_inner);
        let (own, all) = (streams.get(who).copied().unwrap_or(0), streams.values().sum::<u32>());
        if own >= self.most.streams_per_token || all >= self.most.streams {
            let detail = format!("{own} event streams of {who}, {all} in all");
            let instead = "close a page that you do not look at";
            return Err(Refusal::new(StatusCode::TOO_MANY_REQUESTS, "too-many-streams", detail, instead));
        }
        *streams.entry(who.to_owned()).or_default() += 1;
        Ok(Place { streams: Arc::clone(&self.streams), who: who.to_owned() })
    }

    /// Streams that are open.
    pub(crate) fn open_streams(&self) -> u32 {
        self.streams.lock().unwrap_or_else(PoisonError::into_inner).values().sum()
    }
}

/// A stream's place.
pub(crate) struct Place {
    streams: Arc<Mutex<BTreeMap<String, u32>>>,
    who: String,
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut streams = self.streams.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(own) = streams.get_mut(&self.who) {
            *own -= 1;
            if *own == 0 {
                streams.remove(&self.who);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stream_that_ends_gives_its_place_back() {
        let most = ClientLimits { streams_per_token: 2, streams: 3, ..ClientLimits::default() };
        let limits = Limits::new(most);
        let (one, _two) = (limits.stream("ada").unwrap(), limits.stream("ada").unwrap());
        assert!(limits.stream("ada").is_err());
        let _three = limits.stream("bea").unwrap();
        assert!(limits.stream("cec").is_err(), "three in all");
        drop(one);
        assert_eq!(limits.open_streams(), 2);
        limits.stream("ada").unwrap();
    }

    #[test]
    fn who_asks_too_often_waits_and_others_do_not() {
        let limits = Limits::new(ClientLimits { requests_per_minute: 3, ..ClientLimits::default() });
        for _ in 0..3 {
            limits.request("ada").unwrap();
        }
        assert_eq!(limits.request("ada").unwrap_err().status, StatusCode::TOO_MANY_REQUESTS);
        limits.request("bea").unwrap();
    }
}
