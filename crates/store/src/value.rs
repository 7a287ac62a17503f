//! Column values and the values they stand for.

use std::str::FromStr;

use chrono::{DateTime, SubsecRound as _, Utc};
use fleet::word::UnknownWord;
use fleet::{Currency, Hours, Minutes, Money};

use crate::error::StoreError;

/// PostgreSQL keeps microseconds; so does SQLite, then, and both give back what was given.
const SUBSECOND_DIGITS: u16 = 6;

pub(crate) fn to_microseconds(instant: DateTime<Utc>) -> DateTime<Utc> {
    instant.trunc_subsecs(SUBSECOND_DIGITS)
}

pub(crate) fn word<T: FromStr<Err = UnknownWord>>(text: &str) -> Result<T, StoreError> {
    text.parse().map_err(|cause: UnknownWord| StoreError::corrupt(cause))
}

pub(crate) fn optional_word<T>(text: Option<&str>) -> Result<Option<T>, StoreError>
where
    T: FromStr<Err = UnknownWord>,
{
    text.map(word).transpose()
}

/// Seconds for a column. A thousand centuries of running fit, so none is cut off.
pub(crate) fn seconds(hours: Hours) -> i64 {
    i64::try_from(hours.seconds()).unwrap_or(i64::MAX)
}

pub(crate) fn hours(seconds: i64) -> Result<Hours, StoreError> {
    u64::try_from(seconds).map(Hours::from_seconds).map_err(StoreError::corrupt)
}

pub(crate) fn optional_hours(seconds: Option<i64>) -> Result<Option<Hours>, StoreError> {
    seconds.map(hours).transpose()
}

pub(crate) fn whole_minutes(minutes: Minutes) -> i32 {
    i32::try_from(minutes.0).unwrap_or(i32::MAX)
}

pub(crate) fn minutes(minutes: i32) -> Result<Minutes, StoreError> {
    u32::try_from(minutes).map(Minutes).map_err(StoreError::corrupt)
}

pub(crate) fn optional_minutes(value: Option<i32>) -> Result<Option<Minutes>, StoreError> {
    value.map(minutes).transpose()
}

pub(crate) fn currency(code: &str) -> Result<Currency, StoreError> {
    Currency::parse(code).map_err(StoreError::corrupt)
}

pub(crate) fn money(minor: i64, code: &str) -> Result<Money, StoreError> {
    currency(code).map(|currency| Money::new(minor, currency))
}
