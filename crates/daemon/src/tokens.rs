//! Tokens: who may do what, until when. The file holds hashes; a secret is shown once, when it is made.
//!
//! A secret is 256 random bits. Nobody finds such a text from its SHA-256 by trying, so that a slow, salted hash, which is there
//! for texts that people choose, would protect nothing more and cost each request.

use crate::audit::hexadecimal;
use crate::moment::Moment;
use crate::secret;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, SystemTime};
use utoipa::ToSchema;

/// What a secret begins with, so that one that got into a file is found.
const PREFIX: &str = "quadrille_";

/// A right.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Right {
    /// To see what is true and what was measured.
    Look,
    /// To plan, rehearse, start, pause, resume and stop.
    Operate,
    /// To clear a bench that is blocked, to revoke tokens, to read the audit record.
    Maintain,
}

impl Right {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Look, Self::Operate, Self::Maintain];

    /// As requests and documents write it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Look => "look",
            Self::Operate => "operate",
            Self::Maintain => "maintain",
        }
    }
}

/// A token, without its secret.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Token {
    /// Whose it is; one line.
    pub name: String,
    /// SHA-256 of its secret, in hexadecimal.
    pub sha256: String,
    /// What it allows. To operate or to maintain is also to look.
    pub rights: BTreeSet<Right>,
    /// When it was made.
    pub made: Moment,
    /// Until when it is good.
    pub expires: Moment,
    /// When it was taken back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub revoked: Option<Moment>,
}

impl Token {
    /// Whether it is good now.
    pub fn is_good(&self, now: Moment) -> bool {
        self.expires > now && self.revoked.is_none()
    }

    /// Whether it allows something.
    pub fn allows(&self, right: Right) -> bool {
        self.rights.contains(&right) || right == Right::Look && !self.rights.is_empty()
    }
}

/// Why a file of tokens cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// It may be read by others, or not at all.
    #[error(transparent)]
    Secret(#[from] secret::SecretError),
    /// It is no file of tokens.
    #[error("{0} is no file of tokens: {1}; make one with `quadrille token add`")]
    Unreadable(String, serde_json::Error),
    /// It could not be written.
    #[error("{0} cannot be written: {1}")]
    Unwritten(String, std::io::Error),
    /// A token of this name is good.
    #[error("{0} has a good token: revoke it first, or give this one another name")]
    Taken(String),
    /// There is no good token of this name.
    #[error("{0} has no good token; `quadrille token list` shows all")]
    Unknown(String),
    /// A name that is no name.
    #[error("a name is one line of 1 to 60 characters")]
    Name,
    /// No random numbers.
    #[error("this machine has no random numbers: {0}")]
    Random(String),
}

#[derive(Default, Serialize, Deserialize)]
struct Stored {
    tokens: Vec<Token>,
}

/// The tokens of a daemon, read again when their file changes.
pub struct Tokens {
    path: PathBuf,
    read: Mutex<(Option<SystemTime>, Vec<Token>)>,
}

impl Tokens {
    /// The tokens in a file; none where it is not there.
    pub fn open(path: &Path) -> Result<Self, TokenError> {
        let tokens = Self { path: path.to_owned(), read: Mutex::default() };
        tokens.refresh()?;
        Ok(tokens)
    }

    fn refresh(&self) -> Result<Vec<Token>, TokenError> {
        let mut read = self.read.lock().unwrap_or_else(PoisonError::into_inner);
        let Ok(metadata) = std::fs::metadata(&self.path) else {
            *read = (None, Vec::new());
            return Ok(Vec::new());
        };
        let changed = metadata.modified().ok();
        if changed.is_none() || changed != read.0 {
            *read = (changed, load(&self.path)?.tokens);
        }
        Ok(read.1.clone())
    }

    /// All of them, good or not.
    pub fn list(&self) -> Result<Vec<Token>, TokenError> {
        self.refresh()
    }

    /// The good token of a secret. A file that cannot be read any more lets nobody in.
    pub fn of(&self, secret: &str) -> Option<Token> {
        let hash = hash(secret);
        let now = Moment::now();
        let tokens = self.refresh().unwrap_or_else(|error| {
            tracing::error!("nobody is let in: {error}");
            Vec::new()
        });
        tokens.into_iter().find(|token| token.sha256 == hash && token.is_good(now))
    }

    /// The good token of a name: a session asks again whether it still is.
    pub fn good(&self, sha256: &str) -> Option<Token> {
        let now = Moment::now();
        let tokens = self.refresh().unwrap_or_default();
        tokens.into_iter().find(|token| token.sha256 == sha256 && token.is_good(now))
    }

    /// Makes a token, and answers its secret: it is shown once and kept nowhere.
    pub fn add(&self, name: &str, rights: BTreeSet<Right>, good_for: Duration) -> Result<String, TokenError> {
        let is_name = (1..=60).contains(&name.chars().count()) && !name.contains(char::is_control);
        if !is_name || name.trim() != name {
            return Err(TokenError::Name);
        }
        let now = Moment::now();
        let mut tokens = self.refresh()?;
        if tokens.iter().any(|token| token.name == name && token.is_good(now)) {
            return Err(TokenError::Taken(name.to_owned()));
        }
        let secret = format!("{PREFIX}{}", random()?);
        tokens.push(Token {
            name: name.to_owned(),
            sha256: hash(&secret),
            rights,
            made: now,
            expires: now.after(good_for),
            revoked: None,
        });
        self.store(tokens)?;
        Ok(secret)
    }

    /// Takes a token back.
    pub fn revoke(&self, name: &str) -> Result<(), TokenError> {
        let now = Moment::now();
        let mut tokens = self.refresh()?;
        let token = tokens.iter_mut().find(|token| token.name == name && token.is_good(now));
        token.ok_or_else(|| TokenError::Unknown(name.to_owned()))?.revoked = Some(now);
        self.store(tokens)
    }

    fn store(&self, tokens: Vec<Token>) -> Result<(), TokenError> {
        let failed = |error| TokenError::Unwritten(self.path.display().to_string(), error);
        let text = serde_json::to_vec_pretty(&Stored { tokens })
            .map_err(|error| TokenError::Unreadable(self.path.display().to_string(), error))?;
        secret::write(&self.path, &text).map_err(failed)?;
        *self.read.lock().unwrap_or_else(PoisonError::into_inner) = (None, Vec::new());
        Ok(())
    }
}

fn load(path: &Path) -> Result<Stored, TokenError> {
    let text = secret::read(path)?;
    serde_json::from_str(&text).map_err(|error| TokenError::Unreadable(path.display().to_string(), error))
}

fn hash(secret: &str) -> String {
    hexadecimal(&Sha256::digest(secret.as_bytes()))
}

/// 256 random bits in hexadecimal.
pub(crate) fn random() -> Result<String, TokenError> {
    let mut bytes = [0; 32];
    getrandom::fill(&mut bytes).map_err(|error| TokenError::Random(error.to_string()))?;
    Ok(hexadecimal(&bytes))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    fn fresh() -> (tempfile::TempDir, Tokens) {
        let folder = tempfile::tempdir().unwrap();
        let tokens = Tokens::open(&folder.path().join("tokens.json")).unwrap();
        (folder, tokens)
    }

    #[test]
    fn a_secret_opens_until_it_is_revoked_and_stands_in_no_file() {
        let (folder, tokens) = fresh();
        let secret = tokens.add("ada", [Right::Operate].into(), Duration::from_secs(60)).unwrap();
        let found = tokens.of(&secret).unwrap();
        assert_eq!(found.name, "ada");
        assert!(found.allows(Right::Look) && found.allows(Right::Operate) && !found.allows(Right::Maintain));
        assert!(tokens.of(&secret[..secret.len() - 1]).is_none());
        assert!(tokens.of(&found.sha256).is_none(), "the hash in the file is no secret");
        let text = std::fs::read_to_string(folder.path().join("tokens.json")).unwrap();
        assert!(!text.contains(&secret[PREFIX.len()..]));
        assert!(matches!(
            tokens.add("ada", [Right::Look].into(), Duration::from_secs(1)),
            Err(TokenError::Taken(_))
        ));
        tokens.revoke("ada").unwrap();
        assert!(tokens.of(&secret).is_none());
    }

    #[test]
    fn a_token_that_has_expired_is_none() {
        let (_folder, tokens) = fresh();
        let secret = tokens.add("ada", [Right::Look].into(), Duration::ZERO).unwrap();
        assert!(tokens.of(&secret).is_none());
    }

    #[test]
    fn a_file_that_others_may_read_lets_nobody_in() {
        let (folder, tokens) = fresh();
        let secret = tokens.add("ada", [Right::Look].into(), Duration::from_secs(60)).unwrap();
        let path = folder.path().join("tokens.json");
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o640)).unwrap();
        let again = Tokens::open(&path);
        assert!(matches!(again, Err(TokenError::Secret(_))));
        drop(secret);
    }
}
