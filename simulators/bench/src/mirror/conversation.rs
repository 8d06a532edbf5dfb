//! Messages in a laboratory's dialect, carried out by the native device.

use super::{Mirror, Phrase, native};
use crate::bench::SimulatedBench;
use crate::device;
use quadrille_documents::Role;
use quadrille_scpi::device::{Response, ScpiError, errors, parse_message};

impl SimulatedBench {
    /// Carries out a program message of a mirror without its newline; answers the response message, if there is one.
    pub(crate) async fn carry_out_mirrored(
        &self,
        role: Role,
        mirror: &Mirror,
        message: &[u8],
    ) -> Option<Vec<u8>> {
        let mut response = Response::new();
        let mut is_ended = false;
        let phrases = match std::str::from_utf8(message) {
            Ok(text) => mirror.phrases(text),
            Err(_) => vec![Err(ScpiError::new(errors::INVALID_CHARACTER))],
        };
        for phrase in phrases {
            let outcome = match phrase {
                Ok(phrase) if is_ended && phrase.asks() => {
                    Err(ScpiError::new(errors::QUERY_UNTERMINATED_AFTER_INDEFINITE_RESPONSE))
                }
                Ok(phrase) => self.phrase(role, mirror, &phrase, !response.is_empty(), &mut is_ended).await,
                Err(error) => Err(error),
            };
            if !self.goes_on(role, outcome, &mut response) {
                break;
            }
        }
        response.finish()
    }

    async fn phrase(
        &self,
        role: Role,
        mirror: &Mirror,
        phrase: &Phrase,
        has_answer: bool,
        is_ended: &mut bool,
    ) -> Result<Option<String>, ScpiError> {
        let (mut answers, mut tells_who) = (Vec::new(), false);
        for message in phrase.messages() {
            for unit in parse_message(message.as_bytes()) {
                let unit = unit?;
                tells_who |= device::ends_message(&unit);
                answers.extend(self.unit(role, &unit, has_answer).await?);
            }
        }
        *is_ended |= tells_who;
        if let Phrase::Deed(deed) = phrase
            && deed.goes
            && self.natively(role, native::CAN_GO).await?.as_deref() == Some("1")
        {
            self.natively(role, native::GO).await?;
        }
        match phrase {
            Phrase::Deed(deed) => deed.answered(&mirror.dialect, &answers),
            Phrase::Common(_) => Ok(answers.into_iter().next()),
            Phrase::Heard(text) => {
                tracing::info!(%role, text, "heard, and nothing comes of it in the simulation");
                Ok(None)
            }
        }
    }

    /// One unit of a message of our own.
    async fn natively(&self, role: Role, message: &str) -> Result<Option<String>, ScpiError> {
        let mut answer = None;
        for unit in parse_message(message.as_bytes()) {
            answer = self.unit(role, &unit?, false).await?;
        }
        Ok(answer)
    }
}

impl Phrase {
    fn asks(&self) -> bool {
        match self {
            Self::Deed(deed) => deed.asks(),
            Self::Common(text) => text.contains('?'),
            Self::Heard(_) => false,
        }
    }

    /// What the native device is told and asked, in its own words.
    fn messages(&self) -> &[String] {
        match self {
            Self::Deed(deed) => &deed.messages,
            Self::Common(text) => std::slice::from_ref(text),
            Self::Heard(_) => &[],
        }
    }
}
