//! Draws of a campaign: a stream for each case, from its seed and a word, so that no case depends on another.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A stream of draws.
pub struct Draw(ChaCha8Rng);

impl Draw {
    pub fn new(seed: u64, word: &str) -> Self {
        // FNV-1a: any mixing of word and seed will do, as long as it is the same on every machine.
        let mix = |hash: u64, byte: u8| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
        let bytes = word.bytes().chain(seed.to_le_bytes());
        Self(ChaCha8Rng::seed_from_u64(bytes.fold(0xcbf2_9ce4_8422_2325, mix)))
    }

    /// From 0 to below `count`.
    pub fn below(&mut self, count: usize) -> usize {
        self.0.random_range(0..count)
    }

    /// Two different ones.
    pub fn two_below(&mut self, count: usize) -> (usize, usize) {
        let first = self.below(count);
        let second = (first + 1 + self.below(count - 1)) % count;
        (first, second)
    }

    pub fn within(&mut self, from: f64, to: f64) -> f64 {
        self.0.random_range(from..to)
    }

    /// Evenly over the logarithm.
    pub fn log_within(&mut self, from: f64, to: f64) -> f64 {
        (self.within(from.ln(), to.ln())).exp()
    }

    pub fn choose<T: Copy>(&mut self, among: &[T]) -> T {
        among[self.below(among.len())]
    }

    pub fn sign(&mut self) -> f64 {
        self.choose(&[-1.0, 1.0])
    }
}
