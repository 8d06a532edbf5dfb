//! Readings as they are kept, and how far a run is.

use crate::{complain, text};
use indicatif::{ProgressBar, ProgressStyle};
use quadrille_operations::{Begun, Circumstances, Event, Observer, Reading};
use std::io::IsTerminal;

/// Shows readings on standard error, each after its commit; on a terminal also a bar.
pub(crate) struct Progress {
    shows: bool,
    bar: ProgressBar,
}

impl Progress {
    /// Shows readings unless it is to be quiet.
    pub(crate) fn new(quiet: bool) -> Self {
        Self { shows: !quiet, bar: ProgressBar::hidden() }
    }

    /// Shows nothing.
    pub(crate) fn none() -> Self {
        Self::new(true)
    }

    /// Takes the bar away.
    pub(crate) fn finish(&self) {
        self.bar.finish_and_clear();
    }

    fn line(&self, line: &str) {
        if !self.shows {
            return;
        }
        if self.bar.is_hidden() {
            complain(line);
        } else {
            self.bar.println(line);
        }
    }
}

impl Observer for Progress {
    fn begun(&mut self, begun: &Begun<'_>) {
        if self.shows && std::io::stderr().is_terminal() {
            self.bar = ProgressBar::new(begun.plan.readings() as u64);
            if let Ok(style) = ProgressStyle::with_template("{pos} of {len} readings {wide_bar} {eta} left") {
                self.bar.set_style(style.progress_chars("██ "));
            }
        }
        if let Some(run) = begun.run {
            self.line(&format!("Run {run}: {}.", text::intent(begun.plan)));
            text::surroundings(begun.plan).iter().for_each(|line| self.line(line));
        }
    }

    fn reading(&mut self, sequence: i64, reading: &Reading, circumstances: &Circumstances) {
        self.line(&text::reading(sequence, reading, circumstances));
        self.bar.inc(1);
    }

    fn event(&mut self, _sequence: i64, event: &Event) {
        if let Some(line) = text::event(event) {
            self.line(&line);
        }
    }
}
