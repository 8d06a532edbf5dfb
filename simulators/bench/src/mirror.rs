//! A dialect turned round: an instrument that speaks a laboratory's own dialect document. Knows the document and the
//! virtual instruments' own words, and nothing of how drivers write.
//!
//! Each template becomes a pattern that reads messages. A message, or a run of its units, that a pattern reads is an
//! action with values; the native device carries it out in its own words, and its answer is brought to the form that
//! the document promises. So the strings of a rehearsal are those of the night, and what the document does not say
//! is an undefined header, as it would be there.

mod conversation;
mod native;
mod pattern;
#[cfg(test)]
mod tests;

use crate::SimulationError;
use native::{Deed, Units, Values};
use pattern::Pattern;
use quadrille_documents::{
    Action, Bench, Crosspoint, Dialect, Fault, Faults, Part, Place, Placeholder, Role, Template,
};
use quadrille_scpi::device::{ScpiError, errors};
use std::collections::BTreeMap;

/// Common commands that stand for themselves also inside a template (IEEE 488.2, 10: mandatory ones).
const COMMON: [&str; 6] = ["*CLS", "*ESE", "*OPC", "*RST", "*SRE", "*WAI"];

/// With these a controller tells an answer from one before it (IEEE 488.2, 10.10 and 10.11); in a dialect they would
/// mean something else.
const FENCE: [&str; 2] = ["*ESE {level_a}", "*ESE?"];

/// One instrument's dialect, turned round.
pub(crate) struct Mirror {
    dialect: Dialect,
    wordings: Vec<Wording>,
    /// Units of the initialisation that are no action: heard, and nothing more.
    initialise: Vec<String>,
    /// The bench's crosspoints as the dialect writes them.
    crosspoints: BTreeMap<String, Crosspoint>,
    units: Units,
}

/// A template with what it means: one action, or several questions for one register.
struct Wording {
    actions: Vec<Action>,
    template: Template,
    pattern: Pattern,
}

/// What a unit, or a run of units, of a message comes to.
#[derive(Debug, PartialEq)]
enum Phrase {
    /// An action.
    Deed(Deed),
    /// A common command, as it stands.
    Common(String),
    /// Part of the initialisation that has no effect here.
    Heard(String),
}

/// The mirrors of a bench, for the instruments whose dialect is a document of the laboratory's own.
pub(crate) fn of_bench<'d>(
    bench: &Bench,
    dialects: &impl Fn(Role) -> &'d Dialect,
) -> Result<BTreeMap<Role, Mirror>, SimulationError> {
    let (mut mirrors, mut faults) = (BTreeMap::new(), Vec::new());
    for instrument in &bench.instruments {
        if !instrument.dialect.value.ends_with(".toml") {
            continue;
        }
        match Mirror::new(dialects(instrument.role), bench) {
            Ok(mirror) => {
                mirrors.insert(instrument.role, mirror);
            }
            Err(Faults(found)) => faults.extend(found),
        }
    }
    if faults.is_empty() { Ok(mirrors) } else { Err(SimulationError::Ambiguous(Faults(faults))) }
}

impl Mirror {
    /// Turns a dialect round. Refused where a message could mean two actions, or one action with different values:
    /// every such pair is a fault. A value that stands twice in a template counts as two here: what could be told
    /// apart by that alone is refused too. One text for several questions is right where all ask for bits of one register,
    /// each for its own.
    pub(crate) fn new(dialect: &Dialect, bench: &Bench) -> Result<Self, Faults> {
        let wordings = wordings(dialect);
        let mut faults = Vec::new();
        for (k, wording) in wordings.iter().enumerate() {
            faults.extend(wording.is_unclear(dialect));
            faults.extend(wordings[..k].iter().filter_map(|before| wording.collides(before, dialect)));
            faults.extend(wording.is_a_fence(dialect));
        }
        let mut crosspoints = BTreeMap::new();
        for crosspoint in crosspoints_of(bench) {
            let text = dialect.crosspoint_text(crosspoint);
            if let Some(other) = crosspoints.insert(text.clone(), crosspoint)
                && other != crosspoint
                && let Some(place) = dialect.place(Action::Close)
            {
                let problem = format!("crosspoints {other} and {crosspoint} are both written \"{text}\"");
                let remedy = "write crosspoint with something between row and column, as the manual has it";
                faults.push(Fault { place: place.clone(), problem, remedy: remedy.to_owned() });
            }
        }
        if !faults.is_empty() {
            return Err(Faults(faults));
        }
        let texts = dialect.initialise.iter().map(written);
        let initialise = texts.flat_map(|text| split(&text).map(str::to_owned).collect::<Vec<_>>()).collect();
        let (dialect, units) = (dialect.clone(), Units::new(bench));
        Ok(Self { dialect, wordings, initialise, crosspoints, units })
    }

    /// What a message without its newline comes to, up to the first unit that is not understood. The longest run of
    /// units that a template has goes together.
    fn phrases(&self, message: &str) -> Vec<Result<Phrase, ScpiError>> {
        let mut phrases = Vec::new();
        let units: Vec<&str> = split(message).collect();
        let mut at = 0;
        if units.iter().all(|unit| unit.is_empty()) {
            return phrases;
        }
        while at < units.len() {
            let found = (at + 1..=units.len()).rev().find_map(|end| {
                let phrase = self.phrase(run(message, units[at], units[end - 1]), end - at == 1)?;
                Some((phrase, end))
            });
            let (phrase, end) = found
                .unwrap_or_else(|| (Err(ScpiError::with(errors::UNDEFINED_HEADER, units[at])), units.len()));
            phrases.push(phrase);
            at = end;
        }
        phrases
    }

    /// What a run of units comes to; `None` where it is nothing that the document has.
    fn phrase(&self, text: &str, is_single: bool) -> Option<Result<Phrase, ScpiError>> {
        for wording in &self.wordings {
            if let Some(values) = wording.read(text) {
                return Some(self.deed(wording, &values, text).map(Phrase::Deed));
            }
        }
        if is_single && text.starts_with('*') {
            return Some(Ok(Phrase::Common(text.to_owned())));
        }
        let is_heard = is_single && self.initialise.iter().any(|unit| unit == text);
        is_heard.then(|| Ok(Phrase::Heard(text.to_owned())))
    }

    fn deed(&self, wording: &Wording, values: &Values<'_>, text: &str) -> Result<Deed, ScpiError> {
        let closes = match values.get(&Placeholder::Crosspoints) {
            Some(list) => self.crosspoints(list)?,
            None => Vec::new(),
        };
        let mut deed = match wording.actions.as_slice() {
            [action] => native::deed(&self.dialect, *action, values, &closes, &self.units)?,
            several => {
                let bits = several.iter().filter_map(|action| native::bits(&self.dialect, *action));
                native::register(bits.flatten().collect())
            }
        };
        let common = split(text).filter(|unit| {
            let header = unit.split(' ').next().unwrap_or_default();
            COMMON.iter().any(|common| common.eq_ignore_ascii_case(header))
        });
        deed.messages.splice(0..0, common.map(str::to_owned).collect::<Vec<_>>());
        Ok(deed)
    }

    fn crosspoints(&self, list: &str) -> Result<Vec<Crosspoint>, ScpiError> {
        let find = |text: &str| {
            let found = self.crosspoints.get(text).copied();
            found.ok_or_else(|| ScpiError::with(errors::DATA_OUT_OF_RANGE, text))
        };
        list.split(',').map(find).collect()
    }
}

impl Wording {
    /// The values in a message; `None` where the message is another's.
    fn read<'m>(&self, message: &'m str) -> Option<Values<'m>> {
        let parts = self.template.parts();
        let mut values = Values::new();
        for (part, text) in parts.iter().zip(self.pattern.read(message, parts.len())?) {
            if let Part::Value(placeholder) = part
                && values.insert(*placeholder, text).is_some_and(|other| other != text)
            {
                return None;
            }
        }
        Some(values)
    }

    /// Keys and template, for messages.
    fn named(&self) -> String {
        let keys: Vec<&str> = self.actions.iter().map(|action| action.key()).collect();
        format!("{} \"{}\"", keys.join(" and "), written(&self.template))
    }

    fn place(&self, dialect: &Dialect) -> Place {
        let written = self.actions.iter().find_map(|&action| dialect.place(action));
        let nowhere =
            || Place { document: dialect.name.as_str().into(), line: 1, column: 1, key: String::new() };
        written.cloned().unwrap_or_else(nowhere)
    }

    fn fault(&self, dialect: &Dialect, problem: String) -> Fault {
        let remedy =
            "write each template as the manual has it: a simulated instrument must know which is meant";
        Fault { place: self.place(dialect), problem, remedy: remedy.to_owned() }
    }

    fn collides(&self, before: &Self, dialect: &Dialect) -> Option<Fault> {
        let example = self.pattern.common(&before.pattern)?;
        let line = before.place(dialect).line;
        let (this, before) = (self.named(), before.named());
        let problem = format!("{this} cannot be told from {before} on line {line}: \"{example}\" is both");
        Some(self.fault(dialect, problem))
    }

    fn is_unclear(&self, dialect: &Dialect) -> Option<Fault> {
        let example = self.pattern.unclear()?;
        let named = self.named();
        let problem =
            format!("the values of {named} run into one another: \"{example}\" has several readings");
        Some(self.fault(dialect, problem))
    }

    fn is_a_fence(&self, dialect: &Dialect) -> Option<Fault> {
        let fence = |text: &&str| Template::parse(text, &[Placeholder::Level]).ok();
        let example = FENCE
            .iter()
            .filter_map(fence)
            .find_map(|template| self.pattern.common(&Pattern::new(&template, &dialect.crosspoint)))?;
        let named = self.named();
        let problem =
            format!("{named} is a common command of IEEE 488.2 that every controller needs: \"{example}\"");
        Some(self.fault(dialect, problem))
    }
}

/// The templates of a dialect. Questions of one text are one wording where each asks for its own bits of a register.
fn wordings(dialect: &Dialect) -> Vec<Wording> {
    let mut wordings: Vec<Wording> = Vec::new();
    for (action, template) in dialect.templates() {
        let mine = native::bits(dialect, action);
        let same = wordings.iter_mut().find(|wording| {
            let theirs: Option<Vec<_>> =
                wording.actions.iter().map(|&other| native::bits(dialect, other)).collect();
            let (Some(mine), Some(theirs)) = (&mine, theirs) else { return false };
            let is_free = |bit: u8| theirs.iter().flatten().all(|other| other.bit != bit);
            written(&wording.template).trim() == written(template).trim()
                && mine.iter().all(|bit| is_free(bit.bit))
        });
        match same {
            Some(wording) => wording.actions.push(action),
            None => wordings.push(Wording {
                actions: vec![action],
                template: template.clone(),
                pattern: Pattern::new(template, &dialect.crosspoint),
            }),
        }
    }
    wordings
}

/// A template as the document has it.
fn written(template: &Template) -> String {
    let write = |part: &Part| match part {
        Part::Text(text) => text.clone(),
        Part::Value(placeholder) => format!("{{{}}}", placeholder.name()),
    };
    template.parts().iter().map(write).collect()
}

/// Every crosspoint of a bench.
fn crosspoints_of(bench: &Bench) -> Vec<Crosspoint> {
    let wiring = &bench.wiring;
    let of_row = |row: u16| wiring.columns().map(move |column| Crosspoint { row, column });
    let sample = wiring.rows.in_order().into_iter().flat_map(of_row);
    sample.chain(wiring.buffers.iter().map(|buffers| buffers.crosspoint)).collect()
}

/// The units of a message, without the white space around them: between semicolons that stand neither in quotes nor
/// in brackets.
fn split(message: &str) -> impl Iterator<Item = &str> {
    let (mut quote, mut depth) = (None, 0_usize);
    let separates = move |character: char| {
        match (quote, character) {
            (Some(open), _) if open == character => quote = None,
            (Some(_), _) => {}
            (None, '"' | '\'') => quote = Some(character),
            (None, '(') => depth += 1,
            (None, ')') => depth = depth.saturating_sub(1),
            (None, ';') => return depth == 0,
            _ => {}
        }
        false
    };
    message.split(separates).map(str::trim)
}

/// The text of a message from one of its units to another.
fn run<'m>(message: &'m str, first: &'m str, last: &'m str) -> &'m str {
    let begin = first.as_ptr().addr() - message.as_ptr().addr();
    let end = last.as_ptr().addr() - message.as_ptr().addr() + last.len();
    message.get(begin..end).unwrap_or_default()
}
