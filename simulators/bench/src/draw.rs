//! Random draws that depend on what they are for and on the seed, never on the order in which they are made.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use sha2::{Digest, Sha256};

/// What a draw is for. Two purposes that differ in any part are independent draws.
#[derive(Clone)]
pub(crate) struct Purpose(Sha256);

impl Purpose {
    /// A purpose within the simulation of a seed.
    pub(crate) fn new(seed: u64, word: &str) -> Self {
        Self(Sha256::new()).whole(seed).word(word)
    }

    /// With a word; its length goes in before it, so that "ab", "c" is not "a", "bc".
    pub(crate) fn word(self, word: &str) -> Self {
        let mut this = self.whole(word.len() as u64);
        this.0.update(word.as_bytes());
        this
    }

    /// With a whole number.
    pub(crate) fn whole(mut self, number: u64) -> Self {
        self.0.update(number.to_le_bytes());
        self
    }

    /// With a real number; both zeros are one.
    pub(crate) fn real(self, number: f64) -> Self {
        self.whole((number + 0.0).to_bits())
    }

    /// Its digest, for counting how often the same purpose comes.
    pub(crate) fn digest(&self) -> [u8; 32] {
        self.0.clone().finalize().into()
    }

    /// Uniform between −1 and 1.
    pub(crate) fn uniform(&self) -> f64 {
        self.generator().random_range(-1.0..=1.0)
    }

    /// Of the standard normal distribution.
    pub(crate) fn normal(&self) -> f64 {
        self.generator().sample(StandardNormal)
    }

    fn generator(&self) -> ChaCha8Rng {
        ChaCha8Rng::from_seed(self.digest())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_purpose_draws_the_same_and_another_draws_another() {
        let purpose = || Purpose::new(7, "gain").word("voltmeter").whole(2);
        assert_eq!(purpose().normal(), purpose().normal());
        assert_ne!(purpose().normal(), Purpose::new(8, "gain").word("voltmeter").whole(2).normal());
        assert_ne!(purpose().normal(), purpose().real(1.0).normal());
        assert_ne!(Purpose::new(7, "ab").word("c").uniform(), Purpose::new(7, "a").word("bc").uniform());
        assert_eq!(purpose().real(0.0).uniform(), purpose().real(-0.0).uniform());
    }

    #[test]
    fn draws_have_the_moments_of_their_distributions() {
        let count = 20_000;
        let draw = |k: u64| Purpose::new(1, "moments").whole(k);
        let mean = |f: &dyn Fn(u64) -> f64| (0..count).map(f).sum::<f64>() / count as f64;
        // Five standard deviations of each mean.
        let bound = 5.0 / (count as f64).sqrt();
        assert!(mean(&|k| draw(k).normal()).abs() < bound);
        assert!((mean(&|k| draw(k).normal().powi(2)) - 1.0).abs() < bound * 2f64.sqrt());
        assert!(mean(&|k| draw(k).uniform()).abs() < bound / 3f64.sqrt());
        assert!((mean(&|k| draw(k).uniform().powi(2)) - 1.0 / 3.0).abs() < bound * (4.0f64 / 45.0).sqrt());
    }
}
