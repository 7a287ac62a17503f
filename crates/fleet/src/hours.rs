//! Running hours and bench minutes.
//!
//! Invariant: exact, never negative. Whole seconds, because meters show tenths of an hour, people
//! write `HH:MM` and the network counts seconds (NMEA 2000, PGN 127489): any mixture adds up.

use std::fmt;

use serde::{Deserialize, Serialize};

/// Hours an engine has run.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Hours {
    seconds: u64,
}

/// Work at the bench, in whole minutes.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Minutes(pub u32);

/// Why a text or number is not a running time.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum HoursError {
    #[error("\"{given}\" is not a running time; write hours like 123.4 or 123:24")]
    Unreadable { given: String },
    #[error("{given} hours is below zero")]
    Negative { given: String },
    #[error("{given} hours is more than {HOURS_MAX}, the most a meter can show")]
    TooLarge { given: String },
    #[error("raw value {raw} is reserved by the network for \"no data\"")]
    NoData { raw: u32 },
}

impl HoursError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::Unreadable { .. } => "hours-unreadable",
            Self::Negative { .. } => "hours-negative",
            Self::TooLarge { .. } => "hours-too-large",
            Self::NoData { .. } => "hours-no-data",
        }
    }
}

/// Largest reading taken: the full scale of PGN 127489 in hours (2^32 s), rounded down.
pub const HOURS_MAX: u64 = 1_193_046;

impl Hours {
    pub const ZERO: Self = Self { seconds: 0 };

    pub const fn from_seconds(seconds: u64) -> Self {
        Self { seconds }
    }

    pub const fn from_whole_hours(hours: u32) -> Self {
        Self { seconds: hours as u64 * 3600 }
    }

    /// From decimal hours, rounded to the nearest second.
    ///
    /// # Errors
    /// Below zero, not a number, or above [`HOURS_MAX`].
    pub fn from_decimal(hours: f64) -> Result<Self, HoursError> {
        let given = || format!("{hours}");
        if hours.is_nan() {
            return Err(HoursError::Unreadable { given: given() });
        }
        if hours < 0.0 {
            return Err(HoursError::Negative { given: given() });
        }
        if hours > HOURS_MAX as f64 {
            return Err(HoursError::TooLarge { given: given() });
        }
        Ok(Self { seconds: (hours * 3600.0).round() as u64 })
    }

    /// From what an engine sends as total hours (NMEA 2000 PGN 127489): unsigned seconds, of which
    /// the top three values are reserved (no data, error, reserved).
    ///
    /// # Errors
    /// One of the three reserved values.
    pub const fn from_network(raw: u32) -> Result<Self, HoursError> {
        if raw >= 0xFFFF_FFFD {
            return Err(HoursError::NoData { raw });
        }
        Ok(Self { seconds: raw as u64 })
    }

    /// Reads `123.4`, `123,4` or `123:24` (hours and minutes) or `123:24:30`.
    ///
    /// # Errors
    /// Anything else, a sign, or minutes above 59.
    pub fn parse(text: &str) -> Result<Self, HoursError> {
        let text = text.trim();
        let unreadable = || HoursError::Unreadable { given: text.to_owned() };
        if text.starts_with('-') {
            return Err(HoursError::Negative { given: text.to_owned() });
        }
        if text.is_empty() || !text.bytes().all(|b| b.is_ascii_digit() || b".,:".contains(&b)) {
            return Err(unreadable());
        }
        if !text.contains(':') {
            let decimal: f64 = text.replace(',', ".").parse().map_err(|_| unreadable())?;
            return Self::from_decimal(decimal);
        }
        let fields: Vec<u64> =
            text.split(':').map(str::parse).collect::<Result<_, _>>().map_err(|_| unreadable())?;
        let (hours, minutes, seconds) = match fields[..] {
            [hours, minutes] => (hours, minutes, 0),
            [hours, minutes, seconds] => (hours, minutes, seconds),
            _ => return Err(unreadable()),
        };
        if minutes > 59 || seconds > 59 {
            return Err(unreadable());
        }
        if hours > HOURS_MAX {
            return Err(HoursError::TooLarge { given: text.to_owned() });
        }
        Ok(Self { seconds: hours * 3600 + minutes * 60 + seconds })
    }

    pub const fn seconds(self) -> u64 {
        self.seconds
    }

    pub fn as_decimal(self) -> f64 {
        self.seconds as f64 / 3600.0
    }

    /// Hours from `earlier` to here; `None` where `earlier` is the larger.
    pub fn since(self, earlier: Self) -> Option<Self> {
        self.seconds.checked_sub(earlier.seconds).map(|seconds| Self { seconds })
    }

    /// The sum, held at the largest number there is.
    pub const fn plus(self, more: Self) -> Self {
        Self { seconds: self.seconds.saturating_add(more.seconds) }
    }

    /// The limb of a severe use: `factor` 0.5 halves it. Rounded to the second; never below one
    /// second, so that an interval stays an interval.
    pub fn scaled(self, factor: f64) -> Self {
        Self { seconds: ((self.seconds as f64 * factor).round() as u64).max(1) }
    }
}

impl fmt::Display for Hours {
    /// `123.4 h`, tenths as meters show them.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{:.1} h", self.as_decimal())
    }
}

impl fmt::Display for Minutes {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.0 / 60, self.0 % 60) {
            (0, minutes) => write!(out, "{minutes} min"),
            (hours, minutes) => write!(out, "{hours}:{minutes:02} h"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NMEA 2000 PGN 127489, total engine hours: resolution 1 s, top three values reserved
    /// (public field lists of the message; all ones is "not available").
    #[test]
    fn the_three_reserved_network_values_are_never_hours() {
        for raw in [u32::MAX, u32::MAX - 1, u32::MAX - 2] {
            assert_eq!(Hours::from_network(raw), Err(HoursError::NoData { raw }));
        }
        let largest = Hours::from_network(u32::MAX - 3).expect("the largest value is data");
        assert_eq!(largest.seconds(), u64::from(u32::MAX) - 3);
        assert_eq!(Hours::from_network(3600), Ok(Hours::from_whole_hours(1)));
    }

    #[test]
    fn people_write_hours_in_several_ways() {
        let quarter = Hours::from_seconds(123 * 3600 + 15 * 60);
        for text in ["123.25", "123,25", "123:15", "123:15:00", " 123.25 "] {
            assert_eq!(Hours::parse(text), Ok(quarter), "{text}");
        }
        for (text, rule) in [
            ("", "hours-unreadable"),
            ("12:60", "hours-unreadable"),
            ("1.2.3", "hours-unreadable"),
            ("NaN", "hours-unreadable"),
            ("1e9", "hours-unreadable"),
            ("-1", "hours-negative"),
            ("1193047", "hours-too-large"),
            ("1193047:00", "hours-too-large"),
        ] {
            assert_eq!(Hours::parse(text).map_err(|error| error.rule()), Err(rule), "{text}");
        }
    }

    #[test]
    fn severe_use_halves_the_limb_but_never_to_nothing() {
        assert_eq!(Hours::from_whole_hours(100).scaled(0.5), Hours::from_whole_hours(50));
        assert_eq!(Hours::from_seconds(1).scaled(0.1).seconds(), 1);
    }
}
