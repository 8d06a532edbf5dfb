//! Whether a reading after a step has settled, by a bank of exponential hypotheses.
