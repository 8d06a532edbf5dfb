//! Standards that nothing was tuned on: rings of four unequal resistors that rise around the ring.

use super::draw::Draw;

/// Of which size.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    TenKilohms,
    TenGigohms,
}

impl Scale {
    pub fn ohm(self) -> f64 {
        match self {
            Self::TenKilohms => 1e4,
            Self::TenGigohms => 1e10,
        }
    }

    pub fn is_large(self) -> bool {
        self == Self::TenGigohms
    }
}

/// Between contacts 1 and 2, 2 and 3, 3 and 4, 4 and 1.
#[derive(Clone, Copy, Debug)]
pub struct Ring {
    pub ohms: [f64; 4],
    pub tolerance: f64,
    pub scale: Scale,
}

impl Ring {
    /// Each at least a fifth above the one before it, the largest 2.5 to 5 times the smallest; which is the smallest, and
    /// which way round they rise, is drawn too.
    pub fn drawn(seed: u64, scale: Scale) -> Self {
        let mut draw = Draw::new(seed, "standard");
        loop {
            let steps = [0; 3].map(|_| draw.log_within(1.2, 2.5));
            let [a, b, c] = steps;
            if !(2.5..=5.0).contains(&(a * b * c)) {
                continue;
            }
            let rising = [1.0, a, a * b, a * b * c].map(|ratio| scale.ohm() * 0.6 * ratio);
            let (first, turned) = (draw.below(4), draw.below(2) == 1);
            let place = |k: usize| if turned { (4 + first - k) % 4 } else { (first + k) % 4 };
            let mut ohms = [0.0; 4];
            // Three digits, as a person would write them.
            (0..4).for_each(|k| ohms[place(k)] = format!("{:.2e}", rising[k]).parse().unwrap());
            return Self { ohms, tolerance: 0.01, scale };
        }
    }

    /// Its document.
    pub fn document(&self) -> String {
        let [ab, bc, cd, da] = self.ohms;
        let (current, power) = if self.scale.is_large() { (1e-6, 1e-6) } else { (1e-3, 0.005) };
        format!(
            "kind = \"sample\"\nname = \"ring\"\ncontacts = [\"a\", \"b\", \"c\", \"d\"]\n\
             [limits]\ncurrent_a = {current:e}\nvoltage_v = 10.0\npower_w = {power:e}\n\
             [model]\ntype = \"network\"\ntolerance = {}\nresistors = [[\"a\", \"b\", {ab:e}], [\"b\", \"c\", \
             {bc:e}], [\"c\", \"d\", {cd:e}], [\"d\", \"a\", {da:e}]]\n",
            self.tolerance
        )
    }
}
