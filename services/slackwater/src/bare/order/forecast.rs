//! The forecast file: a row a part and month, and a row for the first 2, 3, … months together.

use std::collections::HashMap;
use std::io::Read;

use chrono::NaiveDate;
use exchange::table::{Column, Faults, Refused, Row, RowFault, Table};
use fleet::calendar::add_months;
use ordering::{MonthlyQuantiles, Quantiles};

/// A part and its forecast.
pub struct PartForecast {
    pub part: String,
    pub quantiles: MonthlyQuantiles,
}

const LEVELS: [(&str, f64); 12] = [
    ("q05", 0.05),
    ("q10", 0.10),
    ("q20", 0.20),
    ("q30", 0.30),
    ("q40", 0.40),
    ("q50", 0.50),
    ("q60", 0.60),
    ("q70", 0.70),
    ("q80", 0.80),
    ("q90", 0.90),
    ("q95", 0.95),
    ("q99", 0.99),
];

const COLUMNS: [Column; 16] = [
    Column::required("part", "part number or name"),
    Column::required("month", "month, YYYY-MM, or the first months together, YYYY-MM/P3M"),
    Column::required("mean", "expected quantity"),
    Column::required("q05", "5 % quantile"),
    Column::required("q10", "10 % quantile"),
    Column::required("q20", "20 % quantile"),
    Column::required("q30", "30 % quantile"),
    Column::required("q40", "40 % quantile"),
    Column::required("q50", "median"),
    Column::required("q60", "60 % quantile"),
    Column::required("q70", "70 % quantile"),
    Column::required("q80", "80 % quantile"),
    Column::required("q90", "90 % quantile"),
    Column::required("q95", "95 % quantile"),
    Column::required("q99", "99 % quantile"),
    Column::optional("model", "the model it comes from"),
];

/// Months a forecast may hold, and months together.
const MONTHS_MAX: u32 = 120;
const FAULTS_MAX: usize = 10_000;

struct Entry {
    line: u64,
    part: String,
    from: NaiveDate,
    /// 1 for a single month.
    months: u32,
    quantiles: Quantiles,
}

pub fn read(reader: impl Read) -> Result<Vec<PartForecast>, Faults> {
    let table = Table::open(reader, &COLUMNS)?;
    let mut faults = Faults::none(FAULTS_MAX);
    let mut parts: Vec<(String, Vec<Entry>)> = Vec::new();
    let mut places: HashMap<String, usize> = HashMap::new();
    for row in table.rows(entry) {
        match row {
            Err(broken) => broken.into_iter().for_each(|fault| faults.push(fault)),
            Ok(placed) => {
                let entry = placed.value;
                let place = *places.entry(entry.part.clone()).or_insert_with(|| {
                    parts.push((entry.part.clone(), Vec::new()));
                    parts.len() - 1
                });
                parts[place].1.push(entry);
            }
        }
    }
    let mut forecasts = Vec::with_capacity(parts.len());
    for (part, entries) in parts {
        match join(part, entries) {
            Ok(forecast) => forecasts.push(forecast),
            Err(fault) => faults.push(fault),
        }
    }
    faults.into_result()?;
    Ok(forecasts)
}

fn entry(row: &Row<'_>) -> Result<Entry, Refused> {
    let part = row.text("part");
    let month = month_of(row);
    let mean = row.not_negative("mean");
    let values: Vec<_> = LEVELS.iter().map(|(column, _)| row.not_negative(column)).collect();
    let _ = row.optional("model", Row::note);
    let (part, (from, months), mean) = (part?, month?, mean?);
    let values: Vec<f64> = values.into_iter().collect::<Result<_, _>>()?;
    for (place, pair) in values.windows(2).enumerate() {
        if pair[1] < pair[0] {
            let message = format!("below {} of {}; quantiles never fall", pair[0], LEVELS[place].0);
            return Err(row.refuse(LEVELS[place + 1].0, "quantiles-fall", message));
        }
    }
    let points = LEVELS.iter().zip(values).map(|((_, level), value)| (*level, value)).collect();
    let quantiles = Quantiles { mean, points };
    Ok(Entry { line: row.line(), part: part.to_owned(), from, months, quantiles })
}

/// A month, or a number of months from one on (ISO 8601: start and duration).
fn month_of(row: &Row<'_>) -> Result<(NaiveDate, u32), Refused> {
    let text = row.text("month")?;
    let refused = || {
        let message = "not a month; write YYYY-MM, or YYYY-MM/P3M for three months together";
        row.refuse("month", "not-a-month", message)
    };
    let (start, length) = text.split_once('/').unwrap_or((text, "P1M"));
    let from: NaiveDate = format!("{start}-01").parse().map_err(|_| refused())?;
    if start.len() != 7 {
        return Err(refused());
    }
    let digits = length.strip_prefix('P').and_then(|rest| rest.strip_suffix('M'));
    let digits = digits.filter(|digits| digits.bytes().all(|byte| byte.is_ascii_digit()));
    let months: u32 = digits.and_then(|digits| digits.parse().ok()).ok_or_else(refused)?;
    if months == 0 || months > MONTHS_MAX || (text.contains('/') && months == 1) {
        return Err(refused());
    }
    Ok((from, months))
}

/// One part's rows as a forecast: months without a gap, sums from the first month on.
fn join(part: String, mut entries: Vec<Entry>) -> Result<PartForecast, RowFault> {
    entries.sort_by_key(|entry| (entry.months > 1, entry.from, entry.months, entry.line));
    let singles = entries.iter().take_while(|entry| entry.months == 1).count();
    let fault = |entry: &Entry, rule: &'static str, message: String| {
        let month = entry.from.format("%Y-%m");
        let value = if entry.months == 1 {
            month.to_string()
        } else {
            format!("{month}/P{}M", entry.months)
        };
        RowFault::new(entry.line, "month", &value, rule, message)
    };
    if singles == 0 {
        let message = format!("part {part} has sums of months but no single month");
        return Err(fault(&entries[0], "month-missing", message));
    }
    let first_month = entries[0].from;
    let mut cumulated: Vec<Option<Quantiles>> = vec![None; singles.saturating_sub(1)];
    for (place, entry) in entries.iter().enumerate() {
        if entry.months == 1 {
            let due = add_months(first_month, place as u32);
            if entry.from < due {
                let message = format!("part {part} has this month twice");
                return Err(fault(entry, "part-month-twice", message));
            }
            if entry.from > due {
                let message = format!("part {part} has no row for {}", due.format("%Y-%m"));
                return Err(fault(entry, "month-missing", message));
            }
            continue;
        }
        if entry.from != first_month {
            let message = format!(
                "months together are counted from part {part}'s first, {}",
                first_month.format("%Y-%m")
            );
            return Err(fault(entry, "months-together-start", message));
        }
        let Some(slot) = cumulated.get_mut(entry.months as usize - 2) else {
            let message = format!("part {part} has rows for {singles} single months only");
            return Err(fault(entry, "month-missing", message));
        };
        if slot.replace(entry.quantiles.clone()).is_some() {
            let message = format!("part {part} has these months together twice");
            return Err(fault(entry, "part-month-twice", message));
        }
    }
    let months = entries.into_iter().take(singles).map(|entry| entry.quantiles).collect();
    Ok(PartForecast { part, quantiles: MonthlyQuantiles { first_month, months, cumulated } })
}
