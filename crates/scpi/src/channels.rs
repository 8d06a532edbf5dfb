//! Channel lists as SCPI-1999 volume 1, 8.3.2 writes them: `(@1!2,3!4)`. Knows no switch and no wiring.

use std::fmt;
use thiserror::Error;

/// Most channels that one list may name, so that a range such as `(@1:4000000000)` costs nothing. Ours; a bench
/// of crosspoints needs some hundreds.
pub const MOST_CHANNELS: usize = 10_000;

/// One channel of a switch. Numbers are those of the instrument, which usually count from one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Channel {
    /// A channel with a number of its own; also the `slot * 100 + channel` that many instruments use.
    Line(u32),
    /// A point of a matrix, written `row!column`.
    Crosspoint {
        /// First dimension.
        row: u32,
        /// Second dimension.
        column: u32,
    },
}

/// Channels in the order in which a list names them, ranges written out.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ChannelList(pub Vec<Channel>);

/// Why a text is not a channel list.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ChannelListError {
    /// The text is not enclosed in `(@` and `)`.
    #[error("a channel list is written (@...), not {0:?}")]
    NoEnclosure(String),
    /// An entry is neither a number nor `row!column` nor a range of such.
    #[error("{0:?} is neither a channel nor row!column nor a range of those")]
    BadEntry(String),
    /// A range joins a line and a crosspoint.
    #[error("the ends of the range {0:?} differ in their number of dimensions")]
    MixedRange(String),
    /// The list names more than [`MOST_CHANNELS`].
    #[error("a channel list names more than {MOST_CHANNELS} channels")]
    TooLong,
}

impl ChannelList {
    /// A list of crosspoints from pairs of row and column.
    pub fn crosspoints(points: impl IntoIterator<Item = (u32, u32)>) -> Self {
        Self(points.into_iter().map(|(row, column)| Channel::Crosspoint { row, column }).collect())
    }

    /// Reads a list with its enclosure, blanks allowed between its parts. In a range the last dimension runs
    /// fastest, and either end may be the larger.
    pub fn parse(text: &str) -> Result<Self, ChannelListError> {
        let text = text.trim();
        let inner = text
            .strip_prefix('(')
            .and_then(|rest| rest.strip_suffix(')'))
            .and_then(|rest| rest.trim().strip_prefix('@'))
            .ok_or_else(|| ChannelListError::NoEnclosure(text.to_owned()))?;
        let mut channels = Vec::new();
        if !inner.trim().is_empty() {
            for entry in inner.split(',') {
                add_entry(&mut channels, entry.trim())?;
            }
        }
        Ok(Self(channels))
    }

    /// The crosspoints of the list as pairs of row and column; nothing if it names a line.
    pub fn as_crosspoints(&self) -> Option<Vec<(u32, u32)>> {
        self.0
            .iter()
            .map(|channel| match *channel {
                Channel::Crosspoint { row, column } => Some((row, column)),
                Channel::Line(_) => None,
            })
            .collect()
    }

    /// Whether the list names nothing, `(@)`.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Line(number) => write!(f, "{number}"),
            Self::Crosspoint { row, column } => write!(f, "{row}!{column}"),
        }
    }
}

impl fmt::Display for ChannelList {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(@")?;
        for (place, channel) in self.0.iter().enumerate() {
            if place > 0 {
                f.write_str(",")?;
            }
            channel.fmt(f)?;
        }
        f.write_str(")")
    }
}

fn add_entry(channels: &mut Vec<Channel>, entry: &str) -> Result<(), ChannelListError> {
    let Some((first, last)) = entry.split_once(':') else {
        return add(channels, channel(entry, entry)?);
    };
    match (channel(first, entry)?, channel(last, entry)?) {
        (Channel::Line(first), Channel::Line(last)) => {
            for number in span(first, last) {
                add(channels, Channel::Line(number))?;
            }
        }
        (
            Channel::Crosspoint { row: first_row, column: first_column },
            Channel::Crosspoint { row: last_row, column: last_column },
        ) => {
            for row in span(first_row, last_row) {
                for column in span(first_column, last_column) {
                    add(channels, Channel::Crosspoint { row, column })?;
                }
            }
        }
        _ => return Err(ChannelListError::MixedRange(entry.to_owned())),
    }
    Ok(())
}

fn add(channels: &mut Vec<Channel>, channel: Channel) -> Result<(), ChannelListError> {
    if channels.len() >= MOST_CHANNELS {
        return Err(ChannelListError::TooLong);
    }
    channels.push(channel);
    Ok(())
}

fn channel(text: &str, entry: &str) -> Result<Channel, ChannelListError> {
    let number = |digits: &str| -> Result<u32, ChannelListError> {
        let digits = digits.trim();
        if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit()) {
            return Err(ChannelListError::BadEntry(entry.to_owned()));
        }
        digits.parse().map_err(|_| ChannelListError::BadEntry(entry.to_owned()))
    };
    match text.split_once('!') {
        None => number(text).map(Channel::Line),
        Some((row, column)) => Ok(Channel::Crosspoint { row: number(row)?, column: number(column)? }),
    }
}

/// Both ends included, in the direction from the first to the last.
fn span(first: u32, last: u32) -> Box<dyn Iterator<Item = u32>> {
    if first <= last { Box::new(first..=last) } else { Box::new((last..=first).rev()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(text: &str, expected: &str) {
        assert_eq!(ChannelList::parse(text).expect(text).to_string(), expected);
    }

    #[track_caller]
    fn refuse(text: &str, expected: &str) {
        assert_eq!(ChannelList::parse(text).expect_err(text).to_string(), expected);
    }

    // The forms are those of SCPI-1999 volume 1, 8.3.2, from memory.
    #[test]
    fn ranges_are_written_out_with_the_last_dimension_fastest() {
        check("(@1!1:2!3)", "(@1!1,1!2,1!3,2!1,2!2,2!3)");
        check("(@1!2,2!1:2!4)", "(@1!2,2!1,2!2,2!3,2!4)");
        check("(@1,3:5)", "(@1,3,4,5)");
        check("(@5:3)", "(@5,4,3)");
        check("(@2!3:1!2)", "(@2!3,2!2,1!3,1!2)");
    }

    #[test]
    fn lists_keep_their_order() {
        check("(@3!4,1!2)", "(@3!4,1!2)");
        check(" ( @ 101 , 7 ) ", "(@101,7)");
        check("(@)", "(@)");
    }

    #[test]
    fn what_is_no_list_is_refused() {
        refuse("1!2", "a channel list is written (@...), not \"1!2\"");
        refuse("(1!2)", "a channel list is written (@...), not \"(1!2)\"");
        refuse("(@1!2!3)", "\"1!2!3\" is neither a channel nor row!column nor a range of those");
        refuse("(@1,)", "\"\" is neither a channel nor row!column nor a range of those");
        refuse("(@-1)", "\"-1\" is neither a channel nor row!column nor a range of those");
        refuse("(@1:2!3)", "the ends of the range \"1:2!3\" differ in their number of dimensions");
        refuse("(@1:4000000000)", "a channel list names more than 10000 channels");
        refuse("(@99999999999)", "\"99999999999\" is neither a channel nor row!column nor a range of those");
    }

    #[test]
    fn crosspoints_are_pairs_of_row_and_column() {
        let list = ChannelList::crosspoints([(1, 2), (3, 4)]);
        assert_eq!(list.to_string(), "(@1!2,3!4)");
        assert_eq!(list.as_crosspoints(), Some(vec![(1, 2), (3, 4)]));
        assert_eq!(ChannelList(vec![Channel::Line(3)]).as_crosspoints(), None);
    }
}
