//! A walk over a parsed document that collects every fault instead of stopping at the first. Knows no kind of
//! document.

use crate::fault::{Fault, Faults, Lines, Located};
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Numbers that a key may have.
#[derive(Clone, Copy)]
pub(crate) struct Bounds {
    /// Smallest that is right.
    pub(crate) least: f64,
    /// Largest that is right.
    pub(crate) most: f64,
    /// Unit, for messages.
    pub(crate) unit: &'static str,
}

impl Bounds {
    pub(crate) const fn new(least: f64, most: f64, unit: &'static str) -> Self {
        Self { least, most, unit }
    }

    fn remedy(self) -> String {
        let Self { least, most, unit } = self;
        format!("write a number from {least:e} to {most:e}{}{unit}", if unit.is_empty() { "" } else { " " })
    }
}

/// A number, or a table that stands for several.
pub(crate) enum Entry<'t> {
    /// A number.
    Number(Located<f64>),
    /// A table.
    Table(Table<'t>),
    /// Something else, with its fault told.
    Wrong,
}

/// Two nodes and the number between them, as a network's resistors are written.
pub(crate) type Link = (String, String, f64);

struct Context<'t> {
    lines: Lines<'t>,
    faults: RefCell<Vec<Fault>>,
}

/// One table of a document, with the keys that were asked for so far.
pub(crate) struct Table<'t> {
    context: &'t Context<'t>,
    table: &'t DeTable<'t>,
    span: Range<usize>,
    path: String,
    asked: RefCell<BTreeSet<&'static str>>,
}

/// Parses a text and walks its root table; faults of syntax, of the walk and of unknown keys together.
pub(crate) fn read<T>(
    name: &str,
    text: &str,
    walk: impl FnOnce(&Table<'_>) -> Option<T>,
) -> Result<T, Faults> {
    let (document, errors) = DeTable::parse_recoverable(text);
    let context = Context { lines: Lines::new(name, text), faults: RefCell::default() };
    for error in &errors {
        let offset = error.span().map_or(0, |span| span.start);
        context.faults.borrow_mut().push(Fault {
            place: context.lines.place(offset, ""),
            problem: error.message().trim().replace('\n', ", "),
            remedy: "write the document in TOML, one `key = value` a line".to_owned(),
        });
    }
    let root = Table {
        context: &context,
        table: document.get_ref(),
        span: 0..0,
        path: String::new(),
        asked: RefCell::default(),
    };
    // After a fault of syntax the rest of the text may be torn: the walk would accuse what is right.
    let found = if errors.is_empty() { walk(&root) } else { None };
    if errors.is_empty() && root.asked.borrow().len() > 1 {
        root.refuse_unknown();
    }
    drop(root);
    let mut faults = context.faults.into_inner();
    faults.sort_by_key(|fault| (fault.place.line, fault.place.column));
    match found {
        Some(found) if faults.is_empty() => Ok(found),
        _ => Err(Faults(faults)),
    }
}

impl<'t> Table<'t> {
    /// Where the table begins.
    pub(crate) fn located<T>(&self, value: T) -> Located<T> {
        Located { value, place: self.context.lines.place(self.span.start, &self.path) }
    }

    pub(crate) fn push(&self, fault: Fault) {
        self.context.faults.borrow_mut().push(fault);
    }

    fn key_path(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    fn at(&self, span: &Range<usize>, key: &str, problem: String, remedy: String) {
        self.push(Fault {
            place: self.context.lines.place(span.start, &self.key_path(key)),
            problem,
            remedy,
        });
    }

    fn get(&self, key: &'static str) -> Option<&'t Spanned<DeValue<'t>>> {
        self.asked.borrow_mut().insert(key);
        self.table.get(key)
    }

    fn expect<T>(
        &self,
        key: &str,
        found: &Spanned<DeValue<'_>>,
        wanted: &str,
        remedy: &str,
        value: Option<T>,
    ) -> Option<Located<T>> {
        if value.is_none() {
            let problem = format!("expected {wanted}, found {}", shown(found.get_ref()));
            self.at(&found.span(), key, problem, remedy.to_owned());
        }
        Some(Located {
            value: value?,
            place: self.context.lines.place(found.span().start, &self.key_path(key)),
        })
    }

    /// Whether the key is there, right or wrong.
    pub(crate) fn has(&self, key: &'static str) -> bool {
        self.get(key).is_some()
    }

    /// Whether the key holds a text rather than a list or a table.
    pub(crate) fn holds_text(&self, key: &'static str) -> bool {
        self.get(key).is_some_and(|found| found.get_ref().as_str().is_some())
    }

    /// Turns an absent key into a fault; a key that is there but wrong already has its own.
    pub(crate) fn require<T>(&self, key: &'static str, remedy: &str, found: Option<T>) -> Option<T> {
        if found.is_none() && self.table.get(key).is_none() {
            let table = if self.path.is_empty() { String::new() } else { format!(" in [{}]", self.path) };
            self.push(Fault {
                place: self.context.lines.place(self.span.start, &self.path),
                problem: format!("`{key}` is missing{table}"),
                remedy: remedy.to_owned(),
            });
        }
        found
    }

    pub(crate) fn text(&self, key: &'static str) -> Option<Located<String>> {
        let found = self.get(key)?;
        let text = found.get_ref().as_str().map(str::to_owned);
        self.expect(key, found, "a text", "write it in quotes", text)
    }

    /// A text that is not blank and fits a line: names appear in messages, tables and file names.
    pub(crate) fn name(&self, key: &'static str) -> Option<Located<String>> {
        let text = self.text(key)?;
        let right = !text.value.trim().is_empty()
            && text.value.len() <= 120
            && !text.value.contains(char::is_control);
        if !right {
            self.push(text.fault("a name must be one line of 1 to 120 characters", "shorten or fill it"));
        }
        right.then_some(text)
    }

    pub(crate) fn flag(&self, key: &'static str) -> Option<Located<bool>> {
        let found = self.get(key)?;
        self.expect(
            key,
            found,
            "true or false",
            "write true or false without quotes",
            found.get_ref().as_bool(),
        )
    }

    pub(crate) fn word(&self, key: &'static str, words: &[&'static str]) -> Option<Located<&'static str>> {
        let text = self.text(key)?;
        let word = words.iter().find(|word| **word == text.value);
        if word.is_none() {
            let list: Vec<String> = words.iter().map(|word| format!("\"{word}\"")).collect();
            self.push(text.fault(format!("\"{}\" is not known here", text.value), one_of(&list)));
        }
        let word = *word?;
        Some(text.map(|_| word))
    }

    pub(crate) fn number(&self, key: &'static str, bounds: Bounds) -> Option<Located<f64>> {
        let found = self.get(key)?;
        self.bounded(key, found, bounds)
    }

    pub(crate) fn whole(&self, key: &'static str, least: i64, most: i64) -> Option<Located<i64>> {
        let found = self.get(key)?;
        let remedy = format!("write a whole number from {least} to {most}");
        self.bounded_whole(key, found, least, most, &remedy)
    }

    fn bounded(&self, key: &str, found: &Spanned<DeValue<'_>>, bounds: Bounds) -> Option<Located<f64>> {
        let unit = if bounds.unit.is_empty() { String::new() } else { format!(" in {}", bounds.unit) };
        let wanted = format!("a number{unit}");
        let value = self.expect(key, found, &wanted, &bounds.remedy(), as_number(found.get_ref()))?;
        if !(bounds.least..=bounds.most).contains(&value.value) {
            self.push(value.fault(format!("{} is out of bounds", shown(found.get_ref())), bounds.remedy()));
            return None;
        }
        Some(value)
    }

    fn bounded_whole(
        &self,
        key: &str,
        found: &Spanned<DeValue<'_>>,
        least: i64,
        most: i64,
        remedy: &str,
    ) -> Option<Located<i64>> {
        let value = self.expect(key, found, "a whole number", remedy, as_whole(found.get_ref()))?;
        if !(least..=most).contains(&value.value) {
            self.push(value.fault(format!("{} is out of bounds", value.value), remedy.to_owned()));
            return None;
        }
        Some(value)
    }

    /// A sub-table that may be absent.
    pub(crate) fn table(&self, key: &'static str) -> Option<Self> {
        let found = self.get(key)?;
        let table = found.get_ref().as_table();
        self.expect(key, found, "a table", &format!("write [{}]", self.key_path(key)), table)?;
        Some(self.child(self.key_path(key), found.span(), table?))
    }

    /// An array of tables, `[[key]]`; empty where it is absent.
    pub(crate) fn tables(&self, key: &'static str) -> Vec<Self> {
        let Some(found) = self.get(key) else { return Vec::new() };
        let remedy = format!("begin each with [[{}]]", self.key_path(key));
        let Some(array) = self.expect(key, found, "an array of tables", &remedy, found.get_ref().as_array())
        else {
            return Vec::new();
        };
        let mut tables = Vec::new();
        for (k, item) in array.value.iter().enumerate() {
            let path = format!("{key}[{k}]");
            let table = item.get_ref().as_table();
            if self.expect(&path, item, "a table", &remedy, table).is_some()
                && let Some(table) = table
            {
                tables.push(self.child(self.key_path(&path), item.span(), table));
            }
        }
        tables
    }

    fn child(&self, path: String, span: Range<usize>, table: &'t DeTable<'t>) -> Self {
        Self { context: self.context, table, span, path, asked: RefCell::default() }
    }

    fn items<T>(
        &self,
        key: &'static str,
        wanted: &str,
        remedy: &str,
        read: impl Fn(&str, &Spanned<DeValue<'_>>) -> Option<Located<T>>,
    ) -> Option<Located<Vec<Located<T>>>> {
        let found = self.get(key)?;
        let array = self.expect(key, found, wanted, remedy, found.get_ref().as_array())?;
        let items: Vec<_> =
            array.value.iter().enumerate().map(|(k, item)| read(&format!("{key}[{k}]"), item)).collect();
        let all: Option<Vec<_>> = items.into_iter().collect();
        Some(Located { value: all?, place: array.place })
    }

    pub(crate) fn texts(&self, key: &'static str, remedy: &str) -> Option<Located<Vec<Located<String>>>> {
        self.items(key, "a list of texts", remedy, |path, item| {
            self.expect(path, item, "a text", remedy, item.get_ref().as_str().map(str::to_owned))
        })
    }

    pub(crate) fn numbers(&self, key: &'static str, bounds: Bounds) -> Option<Located<Vec<Located<f64>>>> {
        self.items(key, "a list of numbers", &bounds.remedy(), |path, item| self.bounded(path, item, bounds))
    }

    /// A table, or a list in which each item is a number or a table.
    pub(crate) fn entries(
        &self,
        key: &'static str,
        bounds: Bounds,
        remedy: &str,
    ) -> Option<Located<Vec<Entry<'t>>>> {
        let found = self.get(key)?;
        if let Some(table) = found.get_ref().as_table() {
            let child = self.child(self.key_path(key), found.span(), table);
            return Some(child.located(())).map(|place| place.map(|()| vec![Entry::Table(child)]));
        }
        let array = self.expect(key, found, "a list or a table", remedy, found.get_ref().as_array())?;
        let entry = |(k, item): (usize, &'t Spanned<DeValue<'t>>)| {
            let path = format!("{key}[{k}]");
            match item.get_ref().as_table() {
                Some(table) => Entry::Table(self.child(self.key_path(&path), item.span(), table)),
                None => self.bounded(&path, item, bounds).map_or(Entry::Wrong, Entry::Number),
            }
        };
        let entries = array.value.iter().enumerate().map(entry).collect();
        Some(array.map(|_| entries))
    }

    pub(crate) fn wholes(
        &self,
        key: &'static str,
        least: i64,
        most: i64,
    ) -> Option<Located<Vec<Located<i64>>>> {
        let remedy = format!("write whole numbers from {least} to {most}");
        self.items(key, "a list of whole numbers", &remedy, |path, item| {
            self.bounded_whole(path, item, least, most, &remedy)
        })
    }

    /// A list of `[text, text, number]`, as a network's resistors are written.
    pub(crate) fn links(
        &self,
        key: &'static str,
        bounds: Bounds,
        remedy: &str,
    ) -> Option<Located<Vec<Located<Link>>>> {
        self.items(key, "a list", remedy, |path, item| {
            let wanted = "[node, node, number]";
            let parts = item.get_ref().as_array().filter(|parts| parts.len() == 3);
            let parts = self.expect(path, item, wanted, remedy, parts)?;
            let text = |k: usize| {
                let part = parts.value.get(k)?;
                let text = part.get_ref().as_str().map(str::to_owned);
                self.expect(&format!("{path}[{k}]"), part, "the name of a node", remedy, text)
            };
            let (a, b) = (text(0), text(1));
            let number = self.bounded(&format!("{path}[2]"), parts.value.get(2)?, bounds)?;
            Some(Located { value: (a?.value, b?.value, number.value), place: parts.place })
        })
    }

    /// A list of `[x, y]`, as an outline's corners are written.
    pub(crate) fn points(
        &self,
        key: &'static str,
        bounds: Bounds,
        remedy: &str,
    ) -> Option<Located<Vec<Located<[f64; 2]>>>> {
        self.items(key, "a list", remedy, |path, item| {
            let parts = item.get_ref().as_array().filter(|parts| parts.len() == 2);
            let parts = self.expect(path, item, "[x, y]", remedy, parts)?;
            let number = |k: usize| self.bounded(&format!("{path}[{k}]"), parts.value.get(k)?, bounds);
            let (x, y) = (number(0), number(1));
            Some(Located { value: [x?.value, y?.value], place: parts.place })
        })
    }

    /// Faults for every key that nothing asked for, here and in the sub-tables that were walked.
    pub(crate) fn refuse_unknown(&self) {
        let asked = self.asked.borrow();
        for (key, value) in self.table {
            let name = key.get_ref().as_ref();
            if asked.contains(name) {
                continue;
            }
            let near =
                asked.iter().min_by_key(|known| distance(known, name)).filter(|k| distance(k, name) <= 3);
            let known: Vec<&str> = asked.iter().copied().collect();
            let remedy = match near {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("known here: {}", known.join(", ")),
            };
            let span = if key.span().is_empty() { value.span() } else { key.span() };
            self.at(&span, name, format!("unknown key `{name}`"), remedy);
        }
    }
}

impl Drop for Table<'_> {
    /// A table that was walked is refused its unknown keys however the walk ended: a misspelt key and the missing
    /// one are then told together.
    fn drop(&mut self) {
        if !self.path.is_empty() {
            self.refuse_unknown();
        }
    }
}

fn as_number(value: &DeValue<'_>) -> Option<f64> {
    let number = match value {
        DeValue::Float(float) => float.as_str().replace('_', "").parse().ok()?,
        DeValue::Integer(_) => as_whole(value)? as f64,
        _ => return None,
    };
    number.is_finite().then_some(number)
}

fn as_whole(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(&integer.as_str().replace('_', ""), integer.radix()).ok()
}

fn shown(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the text \"{}\"", text.chars().take(40).collect::<String>()),
        DeValue::Float(float) => float.as_str().to_owned(),
        DeValue::Integer(integer) => integer.as_str().to_owned(),
        DeValue::Boolean(flag) => flag.to_string(),
        DeValue::Array(items) => format!("a list of {}", items.len()),
        DeValue::Table(_) => "a table".to_owned(),
        DeValue::Datetime(_) => "a date".to_owned(),
    }
}

pub(crate) fn one_of(words: &[String]) -> String {
    match words {
        [only] => format!("write {only}"),
        [first @ .., last] => format!("write {} or {last}", first.join(", ")),
        [] => String::new(),
    }
}

/// Edits (insertion, deletion, substitution) between two short words.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let next = (diagonal + usize::from(x != *y)).min(row[j] + 1).min(row[j + 1] + 1);
            diagonal = row[j + 1];
            row[j + 1] = next;
        }
    }
    row[b.len()]
}
