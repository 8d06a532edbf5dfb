//! Waiting for a temperature to come to rest, as `quadrille-settling` sees it, and for the sample to follow.

use super::LOOKS;
use super::approach::Course;
use crate::Now;
use crate::run::{Failure, Work};
use crate::stand_down::duration;
use quadrille_experiment::AtRest;
use quadrille_plan::Stability;
use quadrille_quantity::{Kelvin, Second};
use quadrille_settling::stability::{Evidence, SensorFacts, Verdict, Wanted, Watch};
use tokio::time::Instant;

/// Shortest and longest pause between two looks, in seconds; ours.
pub(super) const PAUSE_S: (f64, f64) = (0.5, 5.0);

/// Time after which the controller is asked again whether something is wrong, in seconds; ours.
const FAULTS_S: f64 = 5.0;

/// A thermometer that is watched.
pub(super) struct Thermometer {
    pub(super) planned: Kelvin,
    /// What it said last.
    pub(super) measured: Kelvin,
    stability: Stability,
    begun: Instant,
    course: Course,
    watch: Watch,
    /// What the last verdict of rest was made of.
    evidence: Option<Evidence>,
    /// Since when it was at rest without leaving the band.
    at_rest_since: Option<Instant>,
    looked_for_faults: Option<Instant>,
}

/// How a wait ended.
pub(super) enum Ended {
    /// At rest, and soaked.
    AtRest,
    /// Not, and what is missing.
    Not(String),
}

impl Thermometer {
    /// `begun` is when the cryostat was first asked for the temperature.
    pub(super) fn new(stability: Stability, planned: Kelvin, begun: Instant, course: Course) -> Self {
        let wanted = Wanted { band: stability.within_k, time: stability.time.0, target: Some(planned.0) };
        Self {
            planned,
            measured: planned,
            stability,
            begun,
            course,
            watch: Watch::new(wanted, SensorFacts::default()),
            evidence: None,
            at_rest_since: None,
            looked_for_faults: None,
        }
    }

    pub(super) fn waited(&self) -> Second {
        Second(self.begun.elapsed().as_secs_f64())
    }

    /// What the record keeps of the evidence.
    pub(super) fn seen(&self) -> Option<AtRest> {
        let evidence = self.evidence?;
        Some(AtRest {
            drift_k_per_s: evidence.drift,
            scatter: Kelvin(evidence.scatter),
            worst: Kelvin(evidence.worst),
            period: evidence.period.map(Second),
            window: Second(evidence.window),
            overshoot: self.course.passed(),
            soaked: self.stability.soak,
        })
    }

    fn look(&mut self, now: Kelvin) {
        self.measured = now;
        self.course.look(now);
        self.watch.push(self.begun.elapsed().as_secs_f64(), now.0);
        if let Verdict::Stable(evidence) = self.watch.verdict() {
            self.evidence = Some(evidence);
            self.at_rest_since.get_or_insert_with(Instant::now);
        } else if self.is_off() {
            self.at_rest_since = None;
        }
    }

    fn is_off(&self) -> bool {
        (self.measured.0 - self.planned.0).abs() > self.stability.within_k
    }

    /// At rest now, and so long ago that the sample has followed.
    fn is_done(&self) -> bool {
        let has_soaked =
            self.at_rest_since.is_some_and(|since| since.elapsed() >= duration(self.stability.soak.0));
        has_soaked && matches!(self.watch.verdict(), Verdict::Stable(_))
    }

    fn is_too_late(&self, longest: Second) -> bool {
        let soaking = self.at_rest_since.map_or(0.0, |_| self.stability.soak.0);
        self.begun.elapsed() >= duration(longest.0 + soaking)
    }

    fn missing(&self, longest: Second) -> String {
        let Stability { within_k, time, .. } = self.stability;
        let now = self.measured;
        match self.watch.verdict() {
            Verdict::TooNoisy { scatter, window } => format!(
                "the thermometer scatters by {}: to see {within_k} K it would have to be watched for {}",
                Kelvin(scatter),
                Second(window.round())
            ),
            _ if self.is_off() => format!("not within {within_k} K of it in {longest}: {now}"),
            _ => format!("within {within_k} K of it, but not for {time} to come, in {longest}: {now}"),
        }
    }
}

impl Work<'_> {
    /// Looks at the thermometer until it is at rest, for so long after the cryostat was first asked.
    pub(super) async fn until_at_rest(
        &mut self,
        thermometer: &mut Thermometer,
        longest: Second,
    ) -> Result<Ended, Failure> {
        let pause = duration((thermometer.stability.time.0 / LOOKS).clamp(PAUSE_S.0, PAUSE_S.1));
        loop {
            let now = self.temperature(thermometer.planned).await?;
            let asked = thermometer.looked_for_faults;
            if asked.is_none_or(|asked| asked.elapsed() >= duration(FAULTS_S)) {
                self.heeds_no_fault(thermometer.planned).await?;
                thermometer.looked_for_faults = Some(Instant::now());
            }
            thermometer.look(now);
            self.recorder.now(Now::Temperature { planned: thermometer.planned, measured: now });
            if thermometer.is_done() {
                return Ok(Ended::AtRest);
            }
            if thermometer.is_too_late(longest) {
                return Ok(Ended::Not(thermometer.missing(longest)));
            }
            tokio::time::sleep(pause).await;
        }
    }
}
