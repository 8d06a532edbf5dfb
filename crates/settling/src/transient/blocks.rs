//! Readings merged into blocks whose lengths grow with the time since the first. Knows no hypothesis.

use super::neighbours::Sample;

/// Blocks are as long as the twelfth part of the time before their end: about 110 for 30 000 readings.
const PARTS: f64 = 12.0;

/// Readings farther apart than so many times their usual distance have one missing between them.
const HOLE: f64 = 1.5;

/// Neighbouring readings of one aperture, as one.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Block {
    pub(crate) from: f64,
    pub(crate) to: f64,
    /// Seconds of it that were averaged: less than its length if there are pauses between readings.
    pub(crate) measured: f64,
    pub(crate) mean: f64,
    pub(crate) readings: u32,
}

impl Block {
    fn of(sample: &Sample) -> Self {
        Self {
            from: sample.from,
            to: sample.to,
            measured: sample.duration(),
            mean: sample.value,
            readings: 1,
        }
    }

    fn take(&mut self, sample: &Sample) {
        self.to = sample.to;
        self.measured += sample.duration();
        self.mean += (sample.value - self.mean) * sample.duration() / self.measured;
        self.readings += 1;
    }
}

/// The block that grows.
#[derive(Clone, Debug, Default)]
pub(crate) struct Blocks {
    open: Option<Block>,
    last: Option<Sample>,
    first_s: f64,
}

impl Blocks {
    /// Takes a reading; gives the blocks that it ends.
    pub(crate) fn take(&mut self, sample: &Sample) -> Vec<Block> {
        let mut ended = Vec::new();
        let follows = self.last.is_some_and(|last| last.continues_in(sample) && self.in_step(&last, sample));
        if self.last.is_none() {
            self.first_s = sample.from;
        }
        if !follows {
            ended.extend(self.open.take());
        }
        self.last = Some(*sample);
        match &mut self.open {
            Some(open) => open.take(sample),
            none => *none = Some(Block::of(sample)),
        }
        if self.open.is_some_and(|open| self.end_s(&open) <= sample.to) {
            ended.extend(self.open.take());
        }
        ended
    }

    /// Ends the block that grows.
    pub(crate) fn close(&mut self) -> Option<Block> {
        self.open.take()
    }

    /// When the block that grows, or the next, will end.
    pub(crate) fn next_end_s(&self) -> f64 {
        let Some(last) = self.last else { return 0.0 };
        let next = Block { from: last.to, to: last.to, measured: 0.0, mean: 0.0, readings: 0 };
        self.end_s(&self.open.unwrap_or(next)).max(last.to + last.duration())
    }

    /// Whether nothing is missing in between: on a steep signal a block with a hole has another mean.
    fn in_step(&self, last: &Sample, next: &Sample) -> bool {
        let Some(open) = self.open.filter(|open| open.readings > 1) else { return true };
        let pitch = (last.from - open.from) / f64::from(open.readings - 1);
        next.from - last.from < HOLE * pitch
    }

    /// When a block is long enough: where one more reading would make it longer than its share.
    fn end_s(&self, block: &Block) -> f64 {
        let reading = self.last.map_or(0.0, |last| last.duration());
        block.from + ((block.to - self.first_s) / PARTS - 0.999 * reading).max(0.0)
    }
}
