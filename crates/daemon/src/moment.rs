//! Moments of wall time, in UTC, for people: nothing is ordered or decided by them but what a person's time decides
//! (how long a token, a release or a statement is good for).

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::time::Duration;
use time::OffsetDateTime;
use time::format_description::well_known::Rfc3339;
use utoipa::openapi::schema::{KnownFormat, ObjectBuilder, SchemaFormat, Type};
use utoipa::openapi::{RefOr, Schema};
use utoipa::{PartialSchema, ToSchema};

/// A moment in UTC, written as RFC 3339 to the millisecond.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Moment(OffsetDateTime);

impl Moment {
    /// Now, by the machine's clock.
    pub fn now() -> Self {
        // The daemon faces people: what it shows them and what it allows them for a time is by the wall clock.
        #[allow(clippy::disallowed_methods)]
        let now = std::time::SystemTime::now();
        Self::of(now.into())
    }

    /// From seconds since 1970; `None` out of the calendar's bounds.
    pub fn from_unix(seconds: i64) -> Option<Self> {
        OffsetDateTime::from_unix_timestamp(seconds).ok().map(Self)
    }

    /// Read from RFC 3339, as the journal writes it.
    pub fn parse(text: &str) -> Option<Self> {
        OffsetDateTime::parse(text, &Rfc3339).ok().map(Self::of)
    }

    fn of(moment: OffsetDateTime) -> Self {
        let milliseconds = moment.millisecond();
        Self(moment.replace_millisecond(milliseconds).map_or(moment, |moment| {
            let extra = i64::from(moment.nanosecond() % 1_000_000);
            moment - time::Duration::nanoseconds(extra)
        }))
    }

    /// Seconds since 1970, with their thousandths.
    pub fn unix_s(self) -> f64 {
        self.0.unix_timestamp() as f64 + f64::from(self.0.millisecond()) / 1000.0
    }

    /// Seconds from an earlier moment to this one; negative where it is later.
    pub fn since(self, earlier: Self) -> f64 {
        (self.0 - earlier.0).as_seconds_f64()
    }

    /// A moment so much later; the calendar's last one where there is none.
    #[must_use]
    pub fn after(self, duration: Duration) -> Self {
        let later = time::Duration::try_from(duration).ok().and_then(|more| self.0.checked_add(more));
        later.map_or(self, Self::of)
    }

    /// A moment so many seconds later; itself where that is no number.
    #[must_use]
    pub fn after_s(self, seconds: f64) -> Self {
        Duration::try_from_secs_f64(seconds).map_or(self, |duration| self.after(duration))
    }
}

impl std::fmt::Display for Moment {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let moment = self.0;
        write!(
            f,
            "{:04}-{:02}-{:02}T{:02}:{:02}:{:02}.{:03}Z",
            moment.year(),
            u8::from(moment.month()),
            moment.day(),
            moment.hour(),
            moment.minute(),
            moment.second(),
            moment.millisecond()
        )
    }
}

impl Serialize for Moment {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Moment {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::parse(&text).ok_or_else(|| serde::de::Error::custom(format!("{text} is no moment of RFC 3339")))
    }
}

impl PartialSchema for Moment {
    fn schema() -> RefOr<Schema> {
        let moment = ObjectBuilder::new()
            .schema_type(Type::String)
            .format(Some(SchemaFormat::KnownFormat(KnownFormat::DateTime)))
            .description(Some("A moment in UTC, RFC 3339"));
        moment.into()
    }
}

impl ToSchema for Moment {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_is_written_as_the_journal_writes_it_and_read_again() {
        // Seconds since 1970 of a moment: computed with Python's datetime.
        let moment = Moment::parse("2026-03-01T22:15:07.042Z").unwrap();
        assert_eq!(moment.unix_s(), 1_772_403_307.042);
        assert_eq!(moment.to_string(), "2026-03-01T22:15:07.042Z");
        assert_eq!(serde_json::to_string(&moment).unwrap(), "\"2026-03-01T22:15:07.042Z\"");
        assert_eq!(Moment::parse("2026-03-01T23:15:07.0429Z").unwrap().since(moment), 3600.0);
        assert!(Moment::parse("yesterday").is_none());
    }
}
