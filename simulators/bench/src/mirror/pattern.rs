//! A template turned round: the messages that it can give, as an automaton over their bytes. Knows no action.
//!
//! The automaton reads a message and says what stood for each placeholder; and it decides, exactly, whether two
//! templates have a message in common, by walking both at once.

use quadrille_documents::{Part, Placeholder, Template};
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// Bytes that may follow, one bit each.
type Set = u128;

const DIGITS: Set = ((1 << 10) - 1) << b'0';
const SIGNS: Set = one(b'+') | one(b'-');
const EXPONENT: Set = one(b'E') | one(b'e');

const fn one(byte: u8) -> Set {
    1 << byte
}

struct Step {
    set: Set,
    /// Which part of the template the byte belongs to.
    part: usize,
    to: usize,
}

/// The messages that a template can give.
pub(crate) struct Pattern {
    steps: Vec<Vec<Step>>,
    /// States that are reached without a byte, each state itself included.
    reached: Vec<Vec<usize>>,
    end: usize,
}

impl Pattern {
    /// The messages of a template, white space around them left out. Numbers are NRf of IEEE 488.2, 7.7.2 (without
    /// white space in them); crosspoints are written as `crosspoint` has them, with commas between.
    pub(crate) fn new(template: &Template, crosspoint: &Template) -> Self {
        let mut draft = Draft::default();
        let mut at = draft.state();
        let last = template.parts().len().saturating_sub(1);
        for (part, piece) in template.parts().iter().enumerate() {
            at = match piece {
                Part::Text(text) => {
                    let text = if part == 0 { text.trim_start() } else { text };
                    let text = if part == last { text.trim_end() } else { text };
                    draft.text(at, text, part)
                }
                Part::Value(Placeholder::Crosspoints) => draft.crosspoints(at, crosspoint, part),
                Part::Value(_) => draft.number(at, part),
            };
        }
        let reached = (0..draft.steps.len()).map(|state| draft.reached(state)).collect();
        Self { steps: draft.steps, reached, end: at }
    }

    /// What of a message belongs to each of the first `parts` parts; `None` where it is not one of this template.
    pub(crate) fn read<'m>(&self, message: &'m str, parts: usize) -> Option<Vec<&'m str>> {
        let mut layers: Vec<BTreeMap<usize, (usize, usize)>> = Vec::with_capacity(message.len());
        let mut present: Vec<usize> = self.reached[0].clone();
        for byte in message.bytes().map(|byte| byte.min(127)) {
            let mut next = BTreeMap::new();
            for &state in &present {
                for step in self.steps[state].iter().filter(|step| step.set & one(byte) != 0) {
                    for &to in &self.reached[step.to] {
                        next.entry(to).or_insert((state, step.part));
                    }
                }
            }
            present = next.keys().copied().collect();
            layers.push(next);
        }
        if !present.contains(&self.end) {
            return None;
        }
        let mut ends: Vec<(usize, usize)> = vec![(usize::MAX, 0); parts];
        let mut state = self.end;
        for (at, layer) in layers.iter().enumerate().rev() {
            let &(before, part) = layer.get(&state)?;
            let (from, to) = ends.get_mut(part)?;
            (*from, *to) = (at, (*to).max(at + 1));
            state = before;
        }
        Some(ends.iter().map(|&(from, to)| message.get(from..to).unwrap_or_default()).collect())
    }

    /// A shortest message that both can give.
    pub(crate) fn common(&self, other: &Self) -> Option<String> {
        self.walk(other, false)
    }

    /// A shortest message of which the parts can be told apart in more than one way.
    pub(crate) fn unclear(&self) -> Option<String> {
        self.walk(self, true)
    }

    /// Walks two automata at once, breadth first. Where they `must_differ`, a byte must have belonged to different
    /// parts.
    fn walk(&self, other: &Self, must_differ: bool) -> Option<String> {
        type Place = (usize, usize, bool);
        let mut from: BTreeMap<Place, Option<(Place, u8)>> = BTreeMap::new();
        let mut waiting: VecDeque<Place> = VecDeque::new();
        for &a in &self.reached[0] {
            for &b in &other.reached[0] {
                from.insert((a, b, false), None);
                waiting.push_back((a, b, false));
            }
        }
        while let Some(place @ (a, b, differed)) = waiting.pop_front() {
            if a == self.end && b == other.end && (differed || !must_differ) {
                let mut bytes = Vec::new();
                let mut place = place;
                while let Some(Some((before, byte))) = from.get(&place) {
                    bytes.push(*byte);
                    place = *before;
                }
                bytes.reverse();
                return String::from_utf8(bytes).ok();
            }
            for x in &self.steps[a] {
                for y in other.steps[b].iter().filter(|y| x.set & y.set != 0) {
                    let differs = differed || must_differ && x.part != y.part;
                    for &to_a in &self.reached[x.to] {
                        for &to_b in &other.reached[y.to] {
                            let to = (to_a, to_b, differs);
                            from.entry(to).or_insert_with(|| {
                                waiting.push_back(to);
                                Some((place, example(x.set & y.set)))
                            });
                        }
                    }
                }
            }
        }
        None
    }
}

/// One byte of a set, for messages to a person.
fn example(set: Set) -> u8 {
    if set & one(b'1') != 0 { b'1' } else { set.trailing_zeros() as u8 }
}

#[derive(Default)]
struct Draft {
    steps: Vec<Vec<Step>>,
    skips: Vec<Vec<usize>>,
}

impl Draft {
    fn state(&mut self) -> usize {
        self.steps.push(Vec::new());
        self.skips.push(Vec::new());
        self.steps.len() - 1
    }

    fn step(&mut self, from: usize, set: Set, part: usize, to: usize) {
        self.steps[from].push(Step { set, part, to });
    }

    fn text(&mut self, from: usize, text: &str, part: usize) -> usize {
        text.bytes().fold(from, |at, byte| {
            let to = self.state();
            self.step(at, one(byte.min(127)), part, to);
            to
        })
    }

    /// One digit or more.
    fn digits(&mut self, from: usize, part: usize) -> usize {
        let to = self.state();
        self.step(from, DIGITS, part, to);
        self.step(to, DIGITS, part, to);
        to
    }

    /// A sign, or none.
    fn sign(&mut self, from: usize, part: usize) -> usize {
        let to = self.state();
        self.step(from, SIGNS, part, to);
        self.skips[from].push(to);
        to
    }

    fn number(&mut self, from: usize, part: usize) -> usize {
        let signed = self.sign(from, part);
        let whole = self.digits(signed, part);
        let (fraction, bare) = (self.state(), self.state());
        self.step(whole, one(b'.'), part, fraction);
        self.step(fraction, DIGITS, part, fraction);
        // `.5`, but no point alone.
        self.step(signed, one(b'.'), part, bare);
        self.step(bare, DIGITS, part, fraction);
        let (mantissa, mark, end) = (self.state(), self.state(), self.state());
        self.skips[whole].push(mantissa);
        self.skips[fraction].push(mantissa);
        self.step(mantissa, EXPONENT, part, mark);
        let signed = self.sign(mark, part);
        let exponent = self.digits(signed, part);
        self.skips[mantissa].push(end);
        self.skips[exponent].push(end);
        end
    }

    fn crosspoints(&mut self, from: usize, form: &Template, part: usize) -> usize {
        let begin = self.state();
        self.skips[from].push(begin);
        let mut at = begin;
        for piece in form.parts() {
            at = match piece {
                Part::Text(text) => self.text(at, text, part),
                Part::Value(_) => self.digits(at, part),
            };
        }
        self.step(at, one(b','), part, begin);
        // Digits at the end of one crosspoint go on by themselves: what follows must not come back to them.
        let end = self.state();
        self.skips[at].push(end);
        end
    }

    fn reached(&self, from: usize) -> Vec<usize> {
        let (mut found, mut waiting) = (BTreeSet::from([from]), vec![from]);
        while let Some(state) = waiting.pop() {
            waiting.extend(self.skips[state].iter().copied().filter(|&to| found.insert(to)));
        }
        found.into_iter().collect()
    }
}
