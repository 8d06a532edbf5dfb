//! A person sets the field by hand and confirms it.

use crate::complain;
use async_trait::async_trait;
use quadrille_operations::FieldHand;
use quadrille_quantity::Tesla;
use std::io::BufRead;
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

/// Lines of standard input. A thread of its own: a read of a terminal cannot be given up.
pub(crate) fn lines() -> UnboundedReceiver<String> {
    let (tell, lines) = unbounded_channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            let Ok(line) = line else { return };
            if tell.send(line).is_err() {
                return;
            }
        }
    });
    lines
}

/// The person at the terminal.
pub(crate) struct Person {
    /// Nobody is asked where the recipe has no field but zero, or the bench a magnet.
    lines: Option<UnboundedReceiver<String>>,
}

impl Person {
    pub(crate) fn new(is_asked: bool) -> Self {
        Self { lines: is_asked.then(lines) }
    }
}

#[async_trait]
impl FieldHand for Person {
    async fn set(&mut self, field: Tesla) -> Result<Tesla, String> {
        let Some(lines) = &mut self.lines else { return Ok(field) };
        loop {
            complain(&format!(
                "Set the field to {field}. Then type the field that you read, in teslas; only Enter: as asked; stop: \
                 stand down."
            ));
            let Some(line) = lines.recv().await else {
                return Err("nobody confirmed it: standard input has ended; run at a terminal, or give it a line for \
                            each field"
                    .to_owned());
            };
            match answer(line.trim(), field) {
                Ok(confirmed) => return confirmed,
                Err(again) => complain(&again),
            }
        }
    }
}

/// What a line says: a field, a refusal, or something to be asked again.
fn answer(line: &str, asked: Tesla) -> Result<Result<Tesla, String>, String> {
    if line.is_empty() {
        return Ok(Ok(asked));
    }
    if line.eq_ignore_ascii_case("stop") {
        return Ok(Err("the person at the bench said stop".to_owned()));
    }
    let read = line.parse::<f64>().ok().filter(|field| field.is_finite());
    let Some(read) = read.map(Tesla) else {
        return Err(format!("\"{line}\" is no field: write a number of teslas, as in -0.5"));
    };
    // A sign mistaken, or millitesla for tesla, would turn a type or a density round in silence.
    let tolerance = (0.1 * asked.abs().0).max(0.01);
    if (read - asked).abs().0 > tolerance {
        return Err(format!(
            "{read} is not the {asked} that the recipe asks for (within {}): set it again",
            Tesla(tolerance)
        ));
    }
    Ok(Ok(read))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_is_confirmed_as_asked_or_as_read() {
        assert_eq!(answer("", Tesla(0.5)), Ok(Ok(Tesla(0.5))));
        assert_eq!(answer("-0.497", Tesla(-0.5)), Ok(Ok(Tesla(-0.497))));
    }

    #[test]
    fn a_field_of_the_wrong_sign_or_size_is_asked_for_again() {
        for line in ["0.5", "-0.05", "-500", "half", "inf"] {
            assert!(answer(line, Tesla(-0.5)).is_err(), "{line}");
        }
    }

    #[test]
    fn stop_ends_the_run() {
        assert!(matches!(answer("Stop", Tesla(0.5)), Ok(Err(_))));
    }
}
