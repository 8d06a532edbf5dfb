//! Headers as manuals write them, `SOURce:CURRent[:LEVel]`, and tables that find a command by its header.

use super::ScpiError;
use super::unit::{Header, Mnemonic, Unit};
use crate::errors::{HEADER_SUFFIX_OUT_OF_RANGE, UNDEFINED_HEADER};
use thiserror::Error;

/// A header in the notation of SCPI-1999: capitals are the short form, brackets enclose a node that may be left
/// out, `#` after a node allows a numeric suffix. `*RST` is a common command.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HeaderPattern {
    nodes: Vec<Node>,
    is_common: bool,
}

/// Why a text is no pattern.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("{pattern:?} is no header pattern: {problem}")]
pub struct PatternError {
    /// The text.
    pub pattern: String,
    /// What is wrong with it.
    pub problem: &'static str,
}

/// Whether a header exists as a command, as a query, or as both.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Without question mark only.
    Command,
    /// With question mark only.
    Query,
    /// Either.
    Both,
}

/// Patterns with what they stand for.
#[derive(Clone, Debug)]
pub struct CommandSet<T> {
    commands: Vec<(HeaderPattern, Form, T)>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Node {
    short: String,
    long: String,
    is_optional: bool,
    takes_suffix: bool,
}

impl HeaderPattern {
    /// Reads a pattern. A question mark does not belong to it: [`Form`] says whether a query exists.
    pub fn parse(pattern: &str) -> Result<Self, PatternError> {
        let fault = |problem| PatternError { pattern: pattern.to_owned(), problem };
        let pattern = pattern.trim();
        if let Some(name) = pattern.strip_prefix('*') {
            return Ok(Self { nodes: vec![node(name, false).map_err(fault)?], is_common: true });
        }
        let mut nodes = Vec::new();
        let mut rest = pattern.strip_prefix(':').unwrap_or(pattern);
        while !rest.is_empty() {
            let (written, is_optional, after) = match rest.strip_prefix('[') {
                Some(inside) => {
                    let (inside, after) =
                        inside.split_once(']').ok_or_else(|| fault("a bracket is not closed"))?;
                    let inside = inside.strip_prefix(':').unwrap_or(inside);
                    (inside.strip_suffix(':').unwrap_or(inside), true, after)
                }
                None => {
                    let end = rest.find([':', '[']).unwrap_or(rest.len());
                    (&rest[..end], false, &rest[end..])
                }
            };
            nodes.push(node(written, is_optional).map_err(fault)?);
            rest = match after.strip_prefix(':') {
                Some("") => return Err(fault("it ends with a colon")),
                Some(after) => after,
                None => after,
            };
        }
        if nodes.iter().all(|node| node.is_optional) {
            return Err(fault("nothing in it is required"));
        }
        Ok(Self { nodes, is_common: false })
    }

    /// The numeric suffixes of the nodes that take one, 1 where a header leaves it out; nothing if the header is
    /// another.
    pub fn matches(&self, header: &Header) -> Option<Vec<u32>> {
        self.find(header).and_then(Result::ok)
    }

    /// As [`Self::matches`], with an error where only a suffix is wrong.
    fn find(&self, header: &Header) -> Option<Result<Vec<u32>, ScpiError>> {
        match header {
            Header::Common(name) if self.is_common => (self.nodes[0].long == *name).then(|| Ok(Vec::new())),
            Header::Path(path) if !self.is_common => {
                let mut suffixes = Vec::new();
                let mut suffix_fits = true;
                walk(&self.nodes, path, &mut |node, mnemonic| {
                    if node.takes_suffix {
                        suffixes.push(mnemonic.and_then(|m| m.suffix).unwrap_or(1));
                    } else {
                        suffix_fits &= mnemonic.is_none_or(|m| matches!(m.suffix, None | Some(1)));
                    }
                })
                .then(|| {
                    if suffix_fits { Ok(suffixes) } else { Err(ScpiError::new(HEADER_SUFFIX_OUT_OF_RANGE)) }
                })
            }
            _ => None,
        }
    }
}

impl<T: Copy> CommandSet<T> {
    /// A table without commands.
    pub fn new() -> Self {
        Self { commands: Vec::new() }
    }

    /// Adds a command. Of two that match, the first added counts.
    pub fn add(&mut self, pattern: &str, form: Form, what: T) -> Result<(), PatternError> {
        self.commands.push((HeaderPattern::parse(pattern)?, form, what));
        Ok(())
    }

    /// What a unit asks for; `-113` if nothing here has its header in its form, `-114` if only a numeric suffix
    /// does not fit.
    pub fn find(&self, unit: &Unit) -> Result<T, ScpiError> {
        self.find_with_suffixes(unit).map(|(what, _)| what)
    }

    /// As [`Self::find`], with the numeric suffixes of the nodes that take one.
    pub fn find_with_suffixes(&self, unit: &Unit) -> Result<(T, Vec<u32>), ScpiError> {
        let mut failure = None;
        for (pattern, form, what) in &self.commands {
            let exists = match form {
                Form::Command => !unit.is_query,
                Form::Query => unit.is_query,
                Form::Both => true,
            };
            match pattern.find(&unit.header).filter(|_| exists) {
                Some(Ok(suffixes)) => return Ok((*what, suffixes)),
                Some(Err(error)) => failure = Some(error),
                None => {}
            }
        }
        let question = if unit.is_query { "?" } else { "" };
        Err(failure
            .unwrap_or_else(|| ScpiError::with(UNDEFINED_HEADER, format!("{}{question}", unit.header))))
    }
}

impl<T: Copy> Default for CommandSet<T> {
    fn default() -> Self {
        Self::new()
    }
}

fn node(written: &str, is_optional: bool) -> Result<Node, &'static str> {
    let (name, takes_suffix) = match written.strip_suffix('#') {
        Some(name) => (name, true),
        None => (written, false),
    };
    let is_mnemonic = name.starts_with(|c: char| c.is_ascii_alphabetic())
        && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_');
    if !is_mnemonic {
        return Err("a node is a letter followed by letters, digits and _");
    }
    if name.ends_with(|c: char| c.is_ascii_digit()) {
        return Err("digits at the end of a node are a suffix, written #");
    }
    let short: String = name.chars().take_while(|c| !c.is_ascii_lowercase()).collect();
    if short.is_empty() || name[short.len()..].chars().any(|c| c.is_ascii_uppercase()) {
        return Err("the short form is the capitals at the beginning of a node");
    }
    if name.len() > 12 {
        return Err("a node has at most 12 characters");
    }
    Ok(Node { short, long: name.to_ascii_uppercase(), is_optional, takes_suffix })
}

/// Whether a path is one of those that the nodes allow; tells each node of that one what it was matched with.
fn walk(nodes: &[Node], path: &[Mnemonic], visit: &mut impl FnMut(&Node, Option<&Mnemonic>)) -> bool {
    let Some((node, later_nodes)) = nodes.split_first() else {
        return path.is_empty();
    };
    if let Some((mnemonic, later_path)) = path.split_first()
        && (mnemonic.name == node.short || mnemonic.name == node.long)
        && fits(later_nodes, later_path)
    {
        visit(node, Some(mnemonic));
        return walk(later_nodes, later_path, visit);
    }
    if node.is_optional && fits(later_nodes, path) {
        visit(node, None);
        return walk(later_nodes, path, visit);
    }
    false
}

fn fits(nodes: &[Node], path: &[Mnemonic]) -> bool {
    match (nodes.split_first(), path.split_first()) {
        (None, _) => path.is_empty(),
        (Some((node, later_nodes)), first) => {
            let taken = first.is_some_and(|(mnemonic, later_path)| {
                (mnemonic.name == node.short || mnemonic.name == node.long) && fits(later_nodes, later_path)
            });
            taken || (node.is_optional && fits(later_nodes, path))
        }
    }
}
