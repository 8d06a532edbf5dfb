//! Sessions of browsers, which cannot send a token with an event stream: a token once, then a cookie that scripts cannot read
//! and other sites cannot send. Kept in memory: they end with the daemon.

use crate::moment::Moment;
use crate::tokens::{TokenError, random};
use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// How long a session lasts: a night and a morning. Ours.
pub(crate) const LASTING: Duration = Duration::from_secs(16 * 3600);

/// Sessions at a time.
const MOST: usize = 1000;

/// Sessions by their secrets: the hash of the token that began each, and its end.
#[derive(Default)]
pub(crate) struct Sessions(Mutex<BTreeMap<String, (String, Moment)>>);

impl Sessions {
    /// Begins one for a token, and answers its secret.
    pub(crate) fn begin(&self, token_sha256: &str) -> Result<String, TokenError> {
        let (secret, now) = (random()?, Moment::now());
        let mut sessions = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        sessions.retain(|_, (_, until)| *until > now);
        while sessions.len() >= MOST {
            let oldest = sessions.iter().min_by_key(|(_, (_, until))| *until).map(|(key, _)| key.clone());
            oldest.map(|key| sessions.remove(&key));
        }
        sessions.insert(secret.clone(), (token_sha256.to_owned(), now.after(LASTING)));
        Ok(secret)
    }

    /// The hash of the token that began one.
    pub(crate) fn of(&self, secret: &str) -> Option<String> {
        let sessions = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (sha256, until) = sessions.get(secret)?;
        (*until > Moment::now()).then(|| sha256.clone())
    }

    /// Ends one.
    pub(crate) fn end(&self, secret: &str) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).remove(secret);
    }
}
