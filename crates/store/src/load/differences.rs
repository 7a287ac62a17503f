//! Whether a row says what is on record, and if not, what each says.

use std::collections::HashMap;
use std::hash::Hash;

use fleet::{Currency, Hours, Money};
use sea_orm::prelude::Uuid;
use serde::Serialize;
use serde_json::{Map, Value};

use super::Verdict;
use super::names::{Lookup, Names};

/// Fields that the program writes, or that change in the course of work: no file says them.
const NOT_COMPARED: [&str; 10] = [
    "id",
    "version",
    "archived",
    "recorded_at",
    "recorded_by",
    "created_at",
    "run",
    "job",
    "receipt_line",
    // Follows from the days of the lot.
    "dated_by",
];
/// Fields in seconds, shown as hours.
const HOURS: [&str; 5] = ["every", "first", "life", "shown", "shown_before"];

/// Columns that files call by another name than the record does.
const COLUMNS: [(&str, &str); 10] = [
    ("every", "hours"),
    ("every_months", "months"),
    ("first", "first_hours"),
    ("engine", "serial"),
    ("life", "hours"),
    ("shown", "hours"),
    ("shown_before", "hours_before"),
    ("spent", "minutes"),
    ("code", "lot"),
    ("boat_days_lost_hundredths", "boat_days_lost"),
];

fn column(field: &str) -> &str {
    COLUMNS.iter().find(|(known, _)| *known == field).map_or(field, |(_, column)| column)
}

/// Values by field.
pub(super) type Values = Map<String, Value>;

/// The values of a record as far as a file can say them.
pub(super) fn values(record: &impl Serialize) -> Values {
    match serde_json::to_value(record) {
        Ok(Value::Object(mut fields)) => {
            NOT_COMPARED.iter().for_each(|field| drop(fields.remove(*field)));
            fields
        }
        // Records are structs of plain fields.
        _ => Values::new(),
    }
}

/// What is on record by natural key.
pub(super) struct Known<K> {
    by_key: HashMap<K, Values>,
}

impl<K: Eq + Hash> Known<K> {
    pub(super) fn new(records: impl IntoIterator<Item = (K, Values)>) -> Self {
        Self { by_key: records.into_iter().collect() }
    }

    /// New, the same, or other values, which is noted with both. Only fields that `given` has are
    /// compared; new values are known from here on.
    pub(super) fn judge(&mut self, key: K, given: Values, at: &mut Lookup<'_>) -> Verdict {
        let Some(known) = self.by_key.get(&key) else {
            self.by_key.insert(key, given);
            return Verdict::New;
        };
        let null = Value::Null;
        let mut differing: Vec<_> = given
            .iter()
            .map(|(field, given)| (field, given, known.get(field).unwrap_or(&null)))
            .filter(|(_, given, known)| given != known)
            .collect();
        // By name: whether a map keeps the order in which it was filled hangs on how it was built.
        differing.sort_unstable_by_key(|(field, _, _)| field.as_str());
        let Some((field, value, _)) = differing.first() else { return Verdict::Unchanged };
        let both: Vec<_> = differing
            .iter()
            .map(|(field, given, known)| {
                let (given, known) = (show(field, given, at.names), show(field, known, at.names));
                format!("{} is {known} on record and {given} here", column(field))
            })
            .collect();
        let value = show(field, value, at.names);
        let message = format!("{}; change it there, not by loading", both.join(", "));
        at.refuse(column(field), &value, "other-values-on-record", message);
        Verdict::Refused
    }
}

fn show(field: &str, value: &Value, names: &Names) -> String {
    match value {
        Value::Null => "empty".to_owned(),
        Value::Number(number) if HOURS.contains(&field) => number
            .as_u64()
            .map_or_else(|| number.to_string(), |seconds| Hours::from_seconds(seconds).to_string()),
        Value::String(text) => {
            let named = text.parse::<Uuid>().ok().and_then(|id| names.shown(id));
            named.unwrap_or(text).to_owned()
        }
        Value::Array(items) if items.is_empty() => "empty".to_owned(),
        Value::Array(items) => {
            items.iter().map(|item| show(field, item, names)).collect::<Vec<_>>().join(";")
        }
        Value::Object(fields) => {
            money(fields).map_or_else(|| value.to_string(), |money| money.to_string())
        }
        other => other.to_string(),
    }
}

fn money(fields: &Values) -> Option<Money> {
    let minor = fields.get("minor")?.as_i64()?;
    let currency = Currency::parse(fields.get("currency")?.as_str()?).ok()?;
    Some(Money::new(minor, currency))
}
