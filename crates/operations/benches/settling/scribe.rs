//! A recorder that only notes: what was read, and when legs and rounds began and ended by the runtime's clock.

use crate::twin::Shared;
use async_trait::async_trait;
use quadrille_experiment::{Circumstances, Configuration, Event, Polarity, Reading};
use quadrille_scheduler::{RecordError, Recorder};
use tokio::time::Instant;

/// A stretch of time, in seconds since the run began.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Span {
    pub(crate) from_s: f64,
    pub(crate) to_s: f64,
}

impl Span {
    pub(crate) fn length_s(self) -> f64 {
        self.to_s - self.from_s
    }
}

/// A reading with when it was kept, and how many looks there had been by then.
pub(crate) struct Kept {
    pub(crate) reading: Reading,
    pub(crate) circumstances: Circumstances,
    pub(crate) at_s: f64,
    pub(crate) looks: [usize; 2],
}

impl Kept {
    /// Which state it is of.
    pub(crate) fn key(&self) -> Key {
        let field = self.reading.field.0;
        let sign = if field == 0.0 { 0 } else { field.signum() as i8 };
        (self.reading.configuration, self.circumstances.polarity == Polarity::Plus, sign)
    }
}

/// Configuration, whether the current is positive, sign of the field.
pub(crate) type Key = (Configuration, bool, i8);

/// What a run left.
pub(crate) struct Scribe {
    begun: Instant,
    looks: Option<Shared>,
    pub(crate) kept: Vec<Kept>,
    pub(crate) legs: Vec<Span>,
    pub(crate) rounds: Vec<Span>,
    pub(crate) marked: usize,
    /// For how much longer than the rule asked the first state was held for an audit, in seconds; whether they agreed.
    pub(crate) audit: Option<(f64, bool)>,
}

impl Scribe {
    /// Begins now; looks are counted where there are any.
    pub(crate) fn new(looks: Option<Shared>) -> Self {
        let (kept, legs, rounds) = (Vec::new(), Vec::new(), Vec::new());
        Self { begun: Instant::now(), looks, kept, legs, rounds, marked: 0, audit: None }
    }

    fn now_s(&self) -> f64 {
        self.begun.elapsed().as_secs_f64()
    }

    /// From where the first leg begins until its first reading has been taken, in seconds. What is watched waits to be kept
    /// until the audit has been; it is taken with the last of its looks.
    pub(crate) fn first_s(&self) -> f64 {
        let Kept { reading, circumstances, at_s, .. } = &self.kept[0];
        let taken_s = circumstances.watch.as_ref().map_or(*at_s, |watch| {
            let (from, to) = watch.voltage.window_s;
            let last =
                watch.begun_s.last().zip(watch.aperture_s.last()).map_or(to, |(begun, over)| begun + over);
            reading.time.0 - (from + to) / 2.0 + last
        });
        taken_s - self.legs[0].from_s
    }
}

#[async_trait]
impl Recorder for Scribe {
    async fn event(&mut self, event: &Event) -> Result<(), RecordError> {
        let now = Span { from_s: self.now_s(), to_s: self.now_s() };
        if self.looks.is_some() && std::env::var_os("TOLD").is_some() {
            println!("{:.3} s: {event:?}", now.from_s);
        }
        let end = |spans: &mut Vec<Span>| {
            if let Some(last) = spans.last_mut().filter(|last| last.to_s == last.from_s) {
                last.to_s = now.to_s;
            }
        };
        match event {
            Event::RoundStarted { .. } => self.rounds.push(now),
            Event::IntentToEnergise { .. } => {
                end(&mut self.legs);
                self.legs.push(now);
            }
            Event::RoundFinished { .. } => {
                end(&mut self.legs);
                end(&mut self.rounds);
            }
            Event::Audited { stopped_s, held_s, agrees, .. } if self.audit.is_none() => {
                self.audit = Some((held_s - stopped_s, *agrees));
            }
            Event::Marked { .. } => self.marked += 1,
            _ => {}
        }
        Ok(())
    }

    async fn reading(&mut self, reading: &Reading, circumstances: &Circumstances) -> Result<(), RecordError> {
        let looks = self.looks.as_ref().map_or([0; 2], |looks| {
            let looks = looks.lock().unwrap();
            [looks.volts.len(), looks.amperes.len()]
        });
        let at_s = self.now_s();
        if self.looks.is_some() && std::env::var_os("TOLD").is_some() {
            let watch = circumstances.watch.clone().unwrap_or_default();
            println!(
                "{at_s:.3} s: {:?} V {:.4e} noise {:.1e} settling {:.1e} of {} readings {:?} | {:?}",
                circumstances.polarity,
                reading.voltage.value.0,
                reading.voltage.noise_u.0 / reading.voltage.value.0,
                reading.voltage.settling_u.0 / reading.voltage.value.0,
                watch.begun_s.len(),
                watch.voltage,
                watch.current
            );
        }
        self.kept.push(Kept { reading: *reading, circumstances: circumstances.clone(), at_s, looks });
        Ok(())
    }
}
