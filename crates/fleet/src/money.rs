//! Money: whole minor units of one ISO 4217 currency.
//!
//! Invariant: two currencies are never added; that needs a rate and its date, which is not here.

use std::fmt;

use serde::{Deserialize, Serialize};

/// An ISO 4217 currency we know the minor unit of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Currency {
    code: [u8; 3],
}

/// An amount in minor units (cents, øre; whole yen).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Money {
    pub minor: i64,
    pub currency: Currency,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MoneyError {
    #[error("\"{given}\" is not a currency of ISO 4217 that is in use; write a code like EUR")]
    UnknownCurrency { given: String },
    #[error("\"{given}\" is not an amount of {currency}; write it like {example}")]
    Unreadable { given: String, currency: Currency, example: String },
    #[error("{left} and {right} can't be added without a rate and its date")]
    Mixed { left: Currency, right: Currency },
    #[error("the sum is larger than can be kept exactly")]
    TooLarge,
}

impl MoneyError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::UnknownCurrency { .. } => "currency-unknown",
            Self::Unreadable { .. } => "money-unreadable",
            Self::Mixed { .. } => "currencies-mixed",
            Self::TooLarge => "money-too-large",
        }
    }
}

/// Currencies with no minor unit and with three digits: ISO 4217:2015, list one. All other codes
/// of the list have two.
const NO_DIGITS: [&str; 16] = [
    "BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "UYI", "VND",
    "VUV", "XAF", "XPF",
];
const NO_DIGITS_WEST_AFRICA: &str = "XOF";
const THREE_DIGITS: [&str; 7] = ["BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"];
const TWO_DIGITS: [&str; 130] = [
    "AED", "AFN", "ALL", "AMD", "AOA", "ARS", "AUD", "AWG", "AZN", "BAM", "BBD", "BDT", "BMD",
    "BND", "BOB", "BRL", "BSD", "BTN", "BWP", "BYN", "BZD", "CAD", "CDF", "CHF", "CNY", "COP",
    "CRC", "CUP", "CVE", "CZK", "DKK", "DOP", "DZD", "EGP", "ERN", "ETB", "EUR", "FJD", "FKP",
    "GBP", "GEL", "GHS", "GIP", "GMD", "GTQ", "GYD", "HKD", "HNL", "HTG", "HUF", "IDR", "ILS",
    "INR", "IRR", "JMD", "KES", "KGS", "KHR", "KPW", "KYD", "KZT", "LAK", "LBP", "LKR", "LRD",
    "LSL", "MAD", "MDL", "MGA", "MKD", "MMK", "MNT", "MOP", "MRU", "MUR", "MVR", "MWK", "MXN",
    "MYR", "MZN", "NAD", "NGN", "NIO", "NOK", "NPR", "NZD", "PAB", "PEN", "PGK", "PHP", "PKR",
    "PLN", "QAR", "RON", "RSD", "RUB", "SAR", "SBD", "SCR", "SDG", "SEK", "SGD", "SHP", "SLE",
    "SOS", "SRD", "SSP", "STN", "SVC", "SYP", "SZL", "THB", "TJS", "TMT", "TOP", "TRY", "TTD",
    "TWD", "TZS", "UAH", "USD", "UYU", "UZS", "VES", "WST", "XCD", "YER", "ZAR", "ZMW", "ZWG",
];

impl Currency {
    pub const EUR: Self = Self { code: *b"EUR" };

    /// Reads a three-letter code, in either case.
    ///
    /// # Errors
    /// Not an active currency of ISO 4217.
    pub fn parse(text: &str) -> Result<Self, MoneyError> {
        let code = text.trim().to_ascii_uppercase();
        let known = TWO_DIGITS.contains(&code.as_str())
            || NO_DIGITS.contains(&code.as_str())
            || THREE_DIGITS.contains(&code.as_str())
            || code == NO_DIGITS_WEST_AFRICA;
        match code.as_bytes() {
            &[a, b, c] if known => Ok(Self { code: [a, b, c] }),
            _ => Err(MoneyError::UnknownCurrency { given: text.trim().to_owned() }),
        }
    }

    pub fn code(&self) -> &str {
        std::str::from_utf8(&self.code).unwrap_or("???")
    }

    /// Digits of the minor unit.
    pub fn digits(&self) -> u32 {
        let code = self.code();
        if NO_DIGITS.contains(&code) || code == NO_DIGITS_WEST_AFRICA {
            0
        } else if THREE_DIGITS.contains(&code) {
            3
        } else {
            2
        }
    }
}

impl TryFrom<String> for Currency {
    type Error = MoneyError;
    fn try_from(text: String) -> Result<Self, MoneyError> {
        Self::parse(&text)
    }
}

impl From<Currency> for String {
    fn from(currency: Currency) -> Self {
        currency.code().to_owned()
    }
}

impl fmt::Display for Currency {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(self.code())
    }
}

impl Money {
    pub const fn new(minor: i64, currency: Currency) -> Self {
        Self { minor, currency }
    }

    /// Reads `12`, `12.5`, `12.50` or with a decimal comma, exactly; no thousands marks.
    ///
    /// # Errors
    /// More digits than the currency has, or not a number.
    pub fn parse(text: &str, currency: Currency) -> Result<Self, MoneyError> {
        let digits = currency.digits() as usize;
        let unreadable = || MoneyError::Unreadable {
            given: text.trim().to_owned(),
            currency,
            example: if digits == 0 { "12".into() } else { format!("12.{}", "5".repeat(digits)) },
        };
        let plain = text.trim().replace(',', ".");
        let (sign, plain) = match plain.strip_prefix('-') {
            Some(rest) => (-1, rest),
            None => (1, plain.as_str()),
        };
        let (whole, part) = plain.split_once('.').unwrap_or((plain, ""));
        let all_digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
        if whole.is_empty() || !all_digits(whole) || !all_digits(part) || part.len() > digits {
            return Err(unreadable());
        }
        let minor: i64 = format!("{whole}{part:0<digits$}").parse().map_err(|_| unreadable())?;
        Ok(Self { minor: sign * minor, currency })
    }

    /// # Errors
    /// Two currencies, or a sum that does not fit.
    pub fn plus(self, more: Self) -> Result<Self, MoneyError> {
        if self.currency != more.currency {
            return Err(MoneyError::Mixed { left: self.currency, right: more.currency });
        }
        let minor = self.minor.checked_add(more.minor).ok_or(MoneyError::TooLarge)?;
        Ok(Self { minor, ..self })
    }

    /// # Errors
    /// A product that does not fit.
    pub fn times(self, count: i64) -> Result<Self, MoneyError> {
        let minor = self.minor.checked_mul(count).ok_or(MoneyError::TooLarge)?;
        Ok(Self { minor, ..self })
    }

    /// The amount as text with the currency's digits, without its code: `12.50`.
    pub fn amount(self) -> String {
        let digits = self.currency.digits();
        let scale = 10_u64.pow(digits);
        let sign = if self.minor < 0 { "-" } else { "" };
        let minor = self.minor.unsigned_abs();
        if digits == 0 {
            format!("{sign}{minor}")
        } else {
            format!("{sign}{}.{:0width$}", minor / scale, minor % scale, width = digits as usize)
        }
    }
}

impl fmt::Display for Money {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} {}", self.amount(), self.currency)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO 4217:2015, minor units: EUR 2, JPY 0, BHD 3.
    #[test]
    fn minor_units_follow_the_currency() {
        let parsed = |text: &str, code: &str| {
            Money::parse(text, Currency::parse(code).expect("known")).map(|money| money.minor)
        };
        assert_eq!(parsed("12.5", "EUR"), Ok(1250));
        assert_eq!(parsed("-0,05", "eur"), Ok(-5));
        assert_eq!(parsed("1200", "JPY"), Ok(1200));
        assert_eq!(parsed("1.234", "BHD"), Ok(1234));
        assert!(parsed("1.5", "JPY").is_err());
        assert!(parsed("1.234", "EUR").is_err());
        assert!(parsed("", "EUR").is_err());
    }

    #[test]
    fn an_amount_reads_back_as_it_was_written() {
        for (text, code) in [("0.05", "EUR"), ("-12.50", "EUR"), ("7", "JPY"), ("1.234", "KWD")] {
            let money = Money::parse(text, Currency::parse(code).expect("known")).expect("amount");
            assert_eq!(money.amount(), text);
        }
    }

    #[test]
    fn currencies_are_never_added_up() {
        let euro = Money::new(100, Currency::EUR);
        let krone = Money::new(100, Currency::parse("NOK").expect("known"));
        assert_eq!(euro.plus(krone).map_err(|error| error.rule()), Err("currencies-mixed"));
        assert_eq!(Currency::parse("EUX").map_err(|error| error.rule()), Err("currency-unknown"));
    }
}
