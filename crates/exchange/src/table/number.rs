//! Numbers as people write them.

use std::borrow::Cow;
use std::cell::Cell;

/// What stands between whole and fraction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DecimalMark {
    Point,
    Comma,
}

/// The decimal mark a file has used so far. A file that uses both is refused at the first place
/// where it changes: `1.250` may be one and a quarter in one row and twelve hundred in the next.
#[derive(Debug, Default)]
pub(super) struct MarkSeen {
    mark: Cell<Option<(DecimalMark, u64)>>,
}

/// A broken rule of a single value: its name and what to do.
pub(super) type Broken = (&'static str, String);

impl MarkSeen {
    /// Brings a number to plain form, `-12.5` or `1e5`, or says why it is none.
    pub(super) fn plain_number<'a>(
        &self,
        text: &'a str,
        line: u64,
        delimiter: u8,
    ) -> Result<Cow<'a, str>, Broken> {
        let points = text.bytes().filter(|&byte| byte == b'.').count();
        let commas = text.bytes().filter(|&byte| byte == b',').count();
        if !is_number(text) || points + commas > 1 {
            let grouped = points + commas > 1 || text.contains([' ', '\u{a0}', '\u{202f}', '\'']);
            let hint = if grouped { ", without marks between thousands" } else { "" };
            let message = format!("not a number; write one like 12.5 or 12,5{hint}");
            return Err(("not-a-number", message));
        }
        if points + commas == 1 {
            let mark = if points == 1 { DecimalMark::Point } else { DecimalMark::Comma };
            if mark == DecimalMark::Comma && delimiter == b',' && looks_grouped(text) {
                let message = "may be a decimal or thousands; write it with a decimal point, or \
                               without a mark";
                return Err(("number-ambiguous", message.to_owned()));
            }
            self.agree(mark, line)?;
        }
        Ok(if commas == 1 || !text.is_ascii() {
            Cow::Owned(text.replace(',', ".").replace('\u{2212}', "-"))
        } else {
            Cow::Borrowed(text)
        })
    }

    fn agree(&self, mark: DecimalMark, line: u64) -> Result<(), Broken> {
        match self.mark.get() {
            None => self.mark.set(Some((mark, line))),
            Some((seen, at)) if seen != mark => {
                let name = |mark| if mark == DecimalMark::Point { "point" } else { "comma" };
                let message = format!(
                    "decimal {} here, but decimal {} in line {at}; use one in the whole file, and no \
                     marks between thousands",
                    name(mark),
                    name(seen),
                );
                return Err(("decimal-mark-mixed", message));
            }
            Some(_) => {}
        }
        Ok(())
    }
}

/// Sign, digits with at most some marks among them, exponent. `inf` and `nan` are words to us.
fn is_number(text: &str) -> bool {
    let unsigned = text.strip_prefix(['+', '-', '\u{2212}']).unwrap_or(text);
    let (mantissa, exponent) = match unsigned.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, Some(exponent)),
        None => (unsigned, None),
    };
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    mantissa.bytes().any(|byte| byte.is_ascii_digit())
        && mantissa.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.' || byte == b',')
        && exponent
            .is_none_or(|exponent| digits(exponent.strip_prefix(['+', '-']).unwrap_or(exponent)))
}

/// `1,234`: exactly three digits behind the comma and one to three, not led by zero, before it.
fn looks_grouped(text: &str) -> bool {
    let Some((whole, rest)) = text.trim_start_matches(['+', '-', '\u{2212}']).split_once(',')
    else {
        return false;
    };
    rest.len() == 3 && (1..=3).contains(&whole.len()) && !whole.starts_with('0')
}
