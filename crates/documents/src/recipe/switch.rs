//! What a recipe has on or off: guard and buffers.

use crate::fault::Located;
use crate::table::Table;
use serde::Serialize;

/// Whether something is on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Switch {
    /// On.
    On,
    /// Off.
    Off,
    /// As the resistance asks for.
    #[default]
    ByResistance,
}

impl Switch {
    /// As documents write them.
    pub const WORDS: [&'static str; 3] = ["on", "off", "by-resistance"];

    /// Reads a word; `None` where it is none of [`Self::WORDS`].
    pub fn from_word(word: &str) -> Option<Self> {
        Some(match word {
            "on" => Self::On,
            "off" => Self::Off,
            "by-resistance" => Self::ByResistance,
            _ => return None,
        })
    }
}

pub(super) fn switch(root: &Table<'_>, key: &'static str) -> Option<Located<Switch>> {
    match root.word(key, &Switch::WORDS) {
        Some(word) => Switch::from_word(word.value).map(|switch| word.map(|_| switch)),
        None => (!root.has(key)).then(|| root.located(Switch::default())),
    }
}
