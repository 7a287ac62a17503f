//! Typed access to the fields of a row.

use std::cell::RefCell;
use std::fmt;
use std::ops::RangeInclusive;
use std::str::FromStr;

use chrono::{DateTime, NaiveDate, NaiveDateTime, Utc};
use fleet::word::UnknownWord;
use fleet::{Currency, Hours, Money};
use serde::Serialize;

use super::fault::{Refused, RowFault};
use super::header::{Fields, Header};
use super::number::{Broken, MarkSeen};

/// Years a date may lie in. A wider one is a slip of the hand.
const YEARS: RangeInclusive<i32> = 1900..=2199;

/// A row of a table. Each getter gives the column's value or notes a fault.
///
/// # Panics
/// Every method panics when asked for a column that was not declared: that is a mistake of ours.
pub struct Row<'a> {
    line: u64,
    fields: Fields<'a>,
    header: &'a Header,
    mark: &'a MarkSeen,
    faults: RefCell<Vec<RowFault>>,
}

/// A point in time as a file may give it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Moment {
    /// With an offset: a definite instant.
    Instant(DateTime<Utc>),
    /// Without: the clock on the wall of the site.
    Local(NaiveDateTime),
    /// A day of the site's calendar.
    Day(NaiveDate),
}

impl<'a> Row<'a> {
    pub(super) fn new(
        line: u64,
        fields: Fields<'a>,
        header: &'a Header,
        mark: &'a MarkSeen,
    ) -> Self {
        Self { line, fields, header, mark, faults: RefCell::default() }
    }

    pub(super) fn into_faults(self) -> Vec<RowFault> {
        self.faults.into_inner()
    }

    /// Line of the file on which the row starts.
    pub fn line(&self) -> u64 {
        self.line
    }

    /// The field as it stands, without spaces around; empty where the file lacks the column.
    pub fn raw(&self, column: &str) -> &'a str {
        self.header.field(self.fields, column)
    }

    pub fn is_empty(&self, column: &str) -> bool {
        self.raw(column).is_empty()
    }

    /// Notes that a rule of the caller's is broken. `rule` is a stable name in kebab case.
    pub fn refuse(&self, column: &str, rule: &'static str, message: impl fmt::Display) -> Refused {
        let fault = RowFault::new(self.line, column, self.raw(column), rule, message);
        self.faults.borrow_mut().push(fault);
        Refused(())
    }

    /// `None` for an empty field, else what `get` says of it:
    /// `row.optional("hours", Row::not_negative)?`.
    pub fn optional<'b, T>(
        &'b self,
        column: &str,
        get: impl FnOnce(&'b Self, &str) -> Result<T, Refused>,
    ) -> Result<Option<T>, Refused> {
        if self.is_empty(column) { Ok(None) } else { get(self, column).map(Some) }
    }

    /// Text on one line. Never empty.
    pub fn text(&self, column: &str) -> Result<&'a str, Refused> {
        let text = self.filled(column)?;
        if text.chars().any(char::is_control) {
            let message = "has a line break, tab or other control character inside";
            return Err(self.refuse(column, "control-character", message));
        }
        Ok(text)
    }

    /// [`Row::text`] to keep.
    pub fn string(&self, column: &str) -> Result<String, Refused> {
        self.text(column).map(str::to_owned)
    }

    /// One of a list of words of `fleet`, in any case; `-` and spaces count as `_`.
    pub fn word<T: FromStr<Err = UnknownWord>>(&self, column: &str) -> Result<T, Refused> {
        let written = self.filled(column)?.to_lowercase().replace([' ', '-'], "_");
        written.parse().map_err(|error: UnknownWord| {
            self.refuse(column, error.rule(), format_args!("write one of: {}", error.known))
        })
    }

    /// A number within bounds, as a whole number of `1 / scale`; finer ones are refused rather than
    /// rounded.
    pub fn scaled(
        &self,
        column: &str,
        scale: i32,
        bounds: RangeInclusive<f64>,
    ) -> Result<i32, Refused> {
        let scaled = self.within(column, bounds)? * f64::from(scale);
        // 1e-6 is far above what a double loses here and far below what anybody writes.
        if (scaled - scaled.round()).abs() > 1e-6 || scaled.abs() > f64::from(i32::MAX) {
            let message = format!("at most {} decimals are kept", scale.ilog10());
            return Err(self.refuse(column, "too-many-decimals", message));
        }
        Ok(scaled.round() as i32)
    }

    /// Names between semicolons, none twice.
    pub fn names(&self, column: &str) -> Result<Vec<String>, Refused> {
        let mut names: Vec<String> = Vec::new();
        for name in self.text(column)?.split(';').map(str::trim).filter(|name| !name.is_empty()) {
            if names.iter().any(|earlier| earlier == name) {
                return Err(self.refuse(
                    column,
                    "named-twice",
                    format_args!("{name:?} stands twice"),
                ));
            }
            names.push(name.to_owned());
        }
        Ok(names)
    }

    /// Names with quantities of one or more: `IMP-3:1;GSK-7:2`.
    pub fn quantities(&self, column: &str) -> Result<Vec<(String, u32)>, Refused> {
        let mut quantities = Vec::new();
        for one in self.names(column)? {
            let parsed = one.rsplit_once(':').and_then(|(name, quantity)| {
                let quantity = quantity.trim().parse().ok().filter(|&quantity| quantity > 0)?;
                Some((name.trim().to_owned(), quantity))
            });
            let Some((name, quantity)) = parsed.filter(|(name, _)| !name.is_empty()) else {
                let message = "write number:quantity;number:quantity, quantities from 1";
                return Err(self.refuse(column, "quantities-unreadable", message));
            };
            if quantities.iter().any(|(earlier, _)| *earlier == name) {
                return Err(self.refuse(
                    column,
                    "named-twice",
                    format_args!("{name:?} stands twice"),
                ));
            }
            quantities.push((name, quantity));
        }
        Ok(quantities)
    }

    /// Text that may have line breaks. Never empty.
    pub fn note(&self, column: &str) -> Result<&'a str, Refused> {
        let text = self.filled(column)?;
        if text.chars().any(|c| c.is_control() && !matches!(c, '\n' | '\r' | '\t')) {
            return Err(self.refuse(column, "control-character", "has a control character inside"));
        }
        Ok(text)
    }

    /// A finite number.
    pub fn decimal(&self, column: &str) -> Result<f64, Refused> {
        let plain = self.plain_number(column)?;
        match plain.parse::<f64>() {
            Ok(number) if number.is_finite() => Ok(number),
            _ => Err(self.refuse(column, "number-too-large", "too large a number")),
        }
    }

    /// A number of zero or more.
    pub fn not_negative(&self, column: &str) -> Result<f64, Refused> {
        let number = self.decimal(column)?;
        if number < 0.0 {
            return Err(self.refuse(column, "below-zero", "may not be below zero"));
        }
        Ok(number.abs()) // -0 is 0
    }

    /// A number above zero.
    pub fn positive(&self, column: &str) -> Result<f64, Refused> {
        let number = self.decimal(column)?;
        if number <= 0.0 {
            return Err(self.refuse(column, "not-above-zero", "must be above zero"));
        }
        Ok(number)
    }

    /// A number within bounds, both allowed.
    pub fn within(&self, column: &str, bounds: RangeInclusive<f64>) -> Result<f64, Refused> {
        let number = self.decimal(column)?;
        if !bounds.contains(&number) {
            let message = format!("must be from {} to {}", bounds.start(), bounds.end());
            return Err(self.refuse(column, "out-of-bounds", message));
        }
        Ok(number)
    }

    /// A whole number. `12.0` is whole.
    pub fn integer(&self, column: &str) -> Result<i64, Refused> {
        let plain = self.plain_number(column)?;
        if let Ok(number) = plain.parse() {
            return Ok(number);
        }
        // Beyond 2^53 a double no longer holds every integer.
        match plain.parse::<f64>() {
            Ok(number) if number.fract() != 0.0 => {
                Err(self.refuse(column, "not-whole", "must be a whole number"))
            }
            Ok(number) if number.abs() < 9_007_199_254_740_992.0 => Ok(number as i64),
            _ => Err(self.refuse(column, "number-too-large", "too large a number")),
        }
    }

    /// A whole number of zero or more.
    pub fn count(&self, column: &str) -> Result<u32, Refused> {
        let number = self.integer(column)?;
        if number < 0 {
            return Err(self.refuse(column, "below-zero", "may not be below zero"));
        }
        u32::try_from(number)
            .map_err(|_| self.refuse(column, "number-too-large", "too large a number"))
    }

    /// A whole number of one or more.
    pub fn count_from_one(&self, column: &str) -> Result<u32, Refused> {
        match self.count(column)? {
            0 => Err(self.refuse(column, "not-above-zero", "must be one or more")),
            count => Ok(count),
        }
    }

    /// A day, `YYYY-MM-DD`.
    pub fn date(&self, column: &str) -> Result<NaiveDate, Refused> {
        let text = self.filled(column)?;
        self.settle(column, parse_date(text))
    }

    /// A month, `YYYY-MM`, given as its first day.
    pub fn month(&self, column: &str) -> Result<NaiveDate, Refused> {
        let text = self.filled(column)?;
        self.settle(column, parse_month(text))
    }

    /// `YYYY-MM-DD`, `YYYY-MM-DD HH:MM`, or with seconds and offset (RFC 3339).
    pub fn moment(&self, column: &str) -> Result<Moment, Refused> {
        let text = self.filled(column)?;
        self.settle(column, parse_moment(text))
    }

    /// `true` or `false`, also yes and no, 1 and 0.
    pub fn boolean(&self, column: &str) -> Result<bool, Refused> {
        match self.filled(column)?.to_ascii_lowercase().as_str() {
            "true" | "yes" | "1" => Ok(true),
            "false" | "no" | "0" => Ok(false),
            _ => Err(self.refuse(column, "not-true-or-false", "write true or false")),
        }
    }

    /// One of some words, in any case; `-` and spaces count as `_`.
    pub fn one_of<T: Copy>(&self, column: &str, words: &[(&str, T)]) -> Result<T, Refused> {
        let written = self.filled(column)?.to_lowercase().replace([' ', '-'], "_");
        let found = words.iter().find(|(word, _)| word.replace([' ', '-'], "_") == written);
        found.map(|&(_, value)| value).ok_or_else(|| {
            let allowed = words.iter().map(|&(word, _)| word).collect::<Vec<_>>().join(", ");
            self.refuse(column, "word-unknown", format!("write one of: {allowed}"))
        })
    }

    /// Running hours: `12.5`, `12,5` or `12:30`.
    pub fn hours(&self, column: &str) -> Result<Hours, Refused> {
        let text = self.filled(column)?;
        let hours = if text.contains(':') {
            Hours::parse(text)
        } else {
            Hours::from_decimal(self.decimal(column)?)
        };
        hours.map_err(|error| self.refuse(column, error.rule(), error))
    }

    /// An ISO 4217 currency.
    pub fn currency(&self, column: &str) -> Result<Currency, Refused> {
        let text = self.filled(column)?;
        Currency::parse(text).map_err(|error| self.refuse(column, error.rule(), error))
    }

    /// Money of zero or more, without its currency, which the caller has from another column.
    pub fn money(&self, column: &str, currency: Currency) -> Result<Money, Refused> {
        let text = self.filled(column)?;
        self.money_of(column, text, currency)
    }

    /// Prices by quantity: `10:4.20;50:3.90`, quantities rising.
    pub fn price_breaks(
        &self,
        column: &str,
        currency: Currency,
    ) -> Result<Vec<(u32, Money)>, Refused> {
        let malformed = || {
            let message = "write breaks as quantity:price;quantity:price, quantities rising from 1";
            self.refuse(column, "breaks-unreadable", message)
        };
        let mut breaks: Vec<(u32, Money)> = Vec::new();
        for one in self.filled(column)?.split(';') {
            let (quantity, price) = one.split_once(':').ok_or_else(malformed)?;
            let quantity: u32 = quantity.trim().parse().map_err(|_| malformed())?;
            if quantity <= breaks.last().map_or(0, |&(last, _)| last) {
                return Err(malformed());
            }
            breaks.push((quantity, self.money_of(column, price.trim(), currency)?));
        }
        Ok(breaks)
    }

    fn money_of(&self, column: &str, text: &str, currency: Currency) -> Result<Money, Refused> {
        let plain = self.mark.plain_number(text, self.line, self.header.delimiter);
        let plain = self.settle(column, plain)?;
        let money = Money::parse(&plain, currency)
            .map_err(|error| self.refuse(column, error.rule(), error))?;
        if money.minor < 0 {
            return Err(self.refuse(column, "below-zero", "may not be below zero"));
        }
        Ok(money)
    }

    fn filled(&self, column: &str) -> Result<&'a str, Refused> {
        match self.raw(column) {
            "" => Err(self.refuse(column, "value-missing", "may not be empty")),
            text => Ok(text),
        }
    }

    fn plain_number(&self, column: &str) -> Result<std::borrow::Cow<'a, str>, Refused> {
        let text = self.filled(column)?;
        let plain = self.mark.plain_number(text, self.line, self.header.delimiter);
        self.settle(column, plain)
    }

    fn settle<T>(&self, column: &str, parsed: Result<T, Broken>) -> Result<T, Refused> {
        parsed.map_err(|(rule, message)| self.refuse(column, rule, message))
    }
}

/// The digits of `text` where it has the form of `pattern`, in which 0 stands for a digit.
///
/// By hand: this runs for every row of a million, and chrono's formats cost many times as much.
fn numbers<const N: usize>(text: &str, pattern: &str) -> Option<[u32; N]> {
    if text.len() != pattern.len() {
        return None;
    }
    let mut numbers = [0; N];
    let mut number = 0;
    for (byte, wanted) in text.bytes().zip(pattern.bytes()) {
        match wanted {
            b'0' if byte.is_ascii_digit() => {
                numbers[number] = numbers[number] * 10 + u32::from(byte - b'0');
            }
            b'0' => return None,
            separator if byte == separator => number += 1,
            _ => return None,
        }
    }
    Some(numbers)
}

fn parse_date(text: &str) -> Result<NaiveDate, Broken> {
    let Some([year, month, day]) = numbers(text, "0000-00-00") else {
        return Err(("not-a-date", "not a date; write YYYY-MM-DD".to_owned()));
    };
    let date = day_of(year, month, day);
    in_years(date.ok_or_else(|| ("not-a-date", "there is no such day".to_owned()))?)
}

fn parse_month(text: &str) -> Result<NaiveDate, Broken> {
    let first = numbers(text, "0000-00").and_then(|[year, month]| day_of(year, month, 1));
    in_years(first.ok_or_else(|| ("not-a-month", "not a month; write YYYY-MM".to_owned()))?)
}

fn day_of(year: u32, month: u32, day: u32) -> Option<NaiveDate> {
    NaiveDate::from_ymd_opt(i32::try_from(year).ok()?, month, day)
}

fn in_years(date: NaiveDate) -> Result<NaiveDate, Broken> {
    use chrono::Datelike;
    if YEARS.contains(&date.year()) {
        return Ok(date);
    }
    let message = format!("the year must be from {} to {}", YEARS.start(), YEARS.end());
    Err(("date-out-of-bounds", message))
}

fn parse_moment(text: &str) -> Result<Moment, Broken> {
    if text.len() <= 10 {
        return parse_date(text).map(Moment::Day);
    }
    if let Some(local) = parse_local(text) {
        in_years(local.date())?;
        return Ok(Moment::Local(local));
    }
    let instant = DateTime::parse_from_rfc3339(text).map_err(|_| {
        let message = "not a point in time; write YYYY-MM-DD HH:MM, or with offset like \
                       2026-07-03T08:00:00+02:00";
        ("not-a-moment", message.to_owned())
    })?;
    in_years(instant.date_naive())?;
    Ok(Moment::Instant(instant.to_utc()))
}

/// `YYYY-MM-DD HH:MM` or `HH:MM:SS`, with a space or a T between.
fn parse_local(text: &str) -> Option<NaiveDateTime> {
    let (day, clock) = text.split_once([' ', 'T'])?;
    let [year, month, day] = numbers(day, "0000-00-00")?;
    let [hour, minute, second] = match numbers(clock, "00:00") {
        Some([hour, minute]) => [hour, minute, 0],
        None => numbers(clock, "00:00:00")?,
    };
    day_of(year, month, day)?.and_hms_opt(hour, minute, second)
}
