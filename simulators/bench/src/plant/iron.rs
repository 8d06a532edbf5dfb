//! What the iron of a magnet adds to the field of its current: hysteresis as a sum of elements that follow and then
//! slip (a Prandtl–Ishlinskii model with stop operators). Knows no time: iron is as slow as its current.
//!
//! Each element follows the current until it is at its width and stays there: s ← clamp(s + ΔI, −w, w). The iron's field
//! is −B_r × the mean of s/w: behind the current, B_r after the current came down from far above, −B_r after it came up
//! from far below. Loops close, and a minor loop leaves no trace when the current has passed it.

/// Widths of the elements as parts of the largest. Ours: enough that a loop is round.
const WIDTHS: [f64; 4] = [0.25, 0.5, 0.75, 1.0];

/// The iron.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Iron {
    remanence_t: f64,
    /// Width of the widest element, in amperes.
    width_a: f64,
    stops: [f64; WIDTHS.len()],
    current_a: f64,
}

impl Iron {
    /// Without current, not magnetised. A reversal of `reversal_a` turns it round in whole.
    pub(crate) fn new(remanence_t: f64, reversal_a: f64) -> Self {
        Self { remanence_t, width_a: reversal_a / 2.0, stops: [0.0; WIDTHS.len()], current_a: 0.0 }
    }

    /// After the current went to a value in one direction.
    #[must_use]
    pub(crate) fn at(mut self, current_a: f64) -> Self {
        let change = current_a - self.current_a;
        for (stop, part) in self.stops.iter_mut().zip(WIDTHS) {
            let width = part * self.width_a;
            *stop = (*stop + change).clamp(-width, width);
        }
        self.current_a = current_a;
        self
    }

    /// The field that it adds, in teslas.
    pub(crate) fn field_t(&self) -> f64 {
        let parts = self.stops.iter().zip(WIDTHS).map(|(stop, part)| stop / (part * self.width_a));
        -self.remanence_t * parts.sum::<f64>() / WIDTHS.len() as f64
    }
}
