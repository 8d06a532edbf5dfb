//! The way to a temperature: by the ramp, or in two parts where it may not be passed by much.
//!
//! How far a controlled temperature passes the end of a ramp grows with the ramp's rate (a linear loop's answer is in
//! proportion to it). So the first part stops short and shows by how much it passes; the second goes the rest at a rate
//! that makes a part of what is allowed of that.

use super::rest::PAUSE_S;
use crate::run::{Failure, Work};
use crate::stand_down::duration;
use quadrille_instruments::ErrorKind;
use quadrille_quantity::Kelvin;
use tokio::time::Instant;

/// Part of what is allowed that the second part is made for; ours.
const CAUTION: f64 = 0.3;

/// How far the first part stops short where nothing is known of the cryostat: so many times what it may be passed by, and
/// this part of the way. At most half of the way. Ours.
const SHORT: (f64, f64) = (10.0, 0.05);

/// The same in what approaches passed before, where that is known.
const SHORT_OF_KNOWN: f64 = 2.0;

/// Part of what is allowed that is no more way: noise, for the most part.
const NO_WAY: f64 = 0.1;

/// Time without more way after which the first part has turned, in seconds; ours.
const TURNED_S: f64 = 30.0;

/// Slowest ramp of a second part, of the first's: at a thousandth a kelvin takes hours. Ours.
const SLOWEST: f64 = 1e-3;

/// A way to a temperature, and how far it went beyond.
#[derive(Clone, Copy, Debug)]
pub(super) struct Course {
    end: Kelvin,
    sign: f64,
    farthest: f64,
}

impl Course {
    fn new(from: Kelvin, end: Kelvin) -> Self {
        let sign = if end.0 >= from.0 { 1.0 } else { -1.0 };
        Self { end, sign, farthest: sign * (from.0 - end.0) }
    }

    /// Takes in where it is; answers whether it is farther than ever by more than `way`.
    fn goes_on(&mut self, now: Kelvin, way: f64) -> bool {
        let here = self.sign * (now.0 - self.end.0);
        let is_farther = here > self.farthest + way;
        if is_farther {
            self.farthest = here;
        }
        is_farther
    }

    pub(super) fn look(&mut self, now: Kelvin) {
        self.goes_on(now, 0.0);
    }

    /// The farthest beyond its end.
    pub(super) fn passed(&self) -> Kelvin {
        Kelvin(self.farthest.max(0.0))
    }
}

impl Work<'_> {
    /// Sends the set point on its way to a temperature, and answers the way.
    pub(super) async fn set_out(&mut self, planned: Kelvin, ramp: f64) -> Result<Course, Failure> {
        let from = self.temperature(planned).await?;
        let course = Course::new(from, planned);
        let way = (planned.0 - from.0).abs();
        let ramp = match self.plan.stability.overshoot_k {
            Some(most) if way > 2.0 * most => {
                let known = self.asked.overshoot.map(|overshoot| SHORT_OF_KNOWN * overshoot * ramp);
                let short = known.unwrap_or(SHORT.1 * way).max(SHORT.0 * most).min(0.5 * way);
                let stop = Kelvin(planned.0 - course.sign * short);
                self.first_part(Course::new(from, stop), ramp, most).await?
            }
            _ => ramp,
        };
        self.go_by_ramp(planned, ramp).await?;
        Ok(course)
    }

    /// Goes to where the first part stops, waits until it has turned and come back, and answers the ramp of the second.
    async fn first_part(&mut self, mut course: Course, ramp: f64, most: f64) -> Result<f64, Failure> {
        match self.go_by_ramp(course.end, ramp).await {
            Ok(()) => {}
            // A stop beyond the bench's limits, from which the temperature is coming: nothing was sent.
            Err(Failure::Instrument(error)) if error.kind == ErrorKind::Unable => return Ok(ramp),
            Err(failure) => return Err(failure),
        }
        let (begun, mut went_on) = (Instant::now(), Instant::now());
        let near = most.max(self.plan.stability.within_k);
        let mut is_back = false;
        let longest = duration(self.plan.stability.longest_wait.0);
        while !(is_back && went_on.elapsed() >= duration(TURNED_S)) && begun.elapsed() < longest {
            tokio::time::sleep(duration(PAUSE_S.0)).await;
            let now = self.temperature(course.end).await?;
            is_back = (now.0 - course.end.0).abs() <= near;
            if course.goes_on(now, NO_WAY * most) {
                went_on = Instant::now();
                self.heeds_no_fault(course.end).await?;
            }
        }
        let passed = course.passed().0;
        self.asked.overshoot = Some((passed / ramp).max(self.asked.overshoot.unwrap_or(0.0)));
        let slower = CAUTION * most / passed;
        Ok(if slower < 1.0 { ramp * slower.max(SLOWEST) } else { ramp })
    }

    async fn go_by_ramp(&mut self, target: Kelvin, ramp: f64) -> Result<(), Failure> {
        let Some(controller) = self.bench.temperature.as_mut() else { return Ok(()) };
        self.energised = true;
        controller.set_ramp(ramp).await?;
        controller.set_target(target).await?;
        controller.set_heater(true).await?;
        Ok(())
    }
}
