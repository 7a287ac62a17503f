//! The demand forecast as a run that is kept: three streams, one distribution a part and month.

mod used;

use std::collections::{HashMap, HashSet};

use chrono::NaiveDate;
use demand::{History, Month, PartForecast, SamplePaths};
use exchange::snapshot::{MonthlyDemand, PartPaths, write_demand, write_paths};
use fleet::id::{OrganisationId, PartId, RunRowId};
use fleet::run::RunKind;
use fleet::supersession::{Factor, Interchange, Supersession, Supersessions};
use serde_json::{Value, json};
use store::runs::{self, ForecastPart, ForecastRow, RunFile};
use store::snapshot::Snapshot;
use store::{Store, StoreError};

use crate::due::due_list;
use crate::error::RunError;
use crate::execute::{Computed, Task};
use crate::hours::FleetHours;
use crate::planned::{Span, WorkDemand, play};

pub(crate) use used::{Used, used};

/// Months that are forecast where nothing else is asked for.
const MONTHS: usize = 12;
const PATHS: usize = 500;
/// Per cents of the quantiles that are kept.
const LEVELS: [u32; 14] = [5, 10, 20, 25, 30, 40, 50, 60, 70, 75, 80, 90, 95, 99];
pub const PATHS_FILE: &str = "paths.parquet";
const DEMAND_FILE: &str = "demand.parquet";
const PARQUET: &str = "application/vnd.apache.parquet";

pub fn compute(task: &Task) -> Result<Computed, RunError> {
    let span = Span {
        today: task.today,
        first: Month::of(task.today),
        months: months_wanted(&task.run.parameters)?,
        paths: PATHS,
        seed: task.run.seed.unsigned_abs(),
    };
    let foreseen = foresee(&task.snapshot, span, task.today, &*task.progress)?;
    (task.progress)(900, "putting the streams together");
    Keep { task, span, foreseen: &foreseen }.rows()
}

/// All three streams of every part.
pub(crate) struct Foreseen {
    pub used: Used,
    work: HashMap<PartId, WorkDemand>,
    unplanned: HashMap<PartId, PartForecast>,
}

/// Looks ahead from what `snapshot` holds. `chain_on` is the day whose part numbers are spoken of;
/// `told` hears how far it is.
///
/// # Errors
/// Records that break a rule.
pub(crate) fn foresee(
    snapshot: &Snapshot,
    span: Span,
    chain_on: NaiveDate,
    told: &(dyn Fn(i32, &str) + Sync),
) -> Result<Foreseen, RunError> {
    told(50, "fitting the season");
    let fleet = FleetHours::fit(snapshot, span.today);
    let lines = due_list(snapshot, &fleet, span.today, span.today);
    told(200, "playing the engines forward");
    let played = play(snapshot, &fleet, &lines, (span, chain_on))?;
    let used = used(snapshot, span.first, chain_on, &played.revealed)?;
    told(500, "forecasting what no plan explains");
    let unplanned = forecast_rest(&used, span, told)?;
    let mut work: HashMap<PartId, WorkDemand> = HashMap::new();
    for ((part, _), demand) in played.demand {
        let into = work.entry(part).or_default();
        add(&mut into.planned, &demand.planned);
        add(&mut into.on_finding, &demand.on_finding);
    }
    Ok(Foreseen { used, work, unplanned })
}

fn add(into: &mut Vec<f32>, more: &[f32]) {
    if into.is_empty() {
        into.resize(more.len(), 0.0);
    }
    for (into, more) in into.iter_mut().zip(more) {
        *into += more;
    }
}

impl Foreseen {
    /// Paths of all three streams together, part by part.
    pub fn totals(&self, span: Span) -> HashMap<PartId, SamplePaths> {
        let parts: HashSet<PartId> =
            self.work.keys().chain(self.unplanned.keys()).copied().collect();
        parts.into_iter().map(|part| (part, self.streams(part, span).total(span))).collect()
    }

    fn streams(&self, part: PartId, span: Span) -> Streams {
        let none = || vec![0.0; span.paths * span.months];
        let some = |values: Option<&Vec<f32>>| {
            values.filter(|values| !values.is_empty()).cloned().unwrap_or_else(none)
        };
        let work = self.work.get(&part);
        let rest = self.unplanned.get(&part);
        let mut unplanned = rest.map_or_else(none, |rest| rest.paths.values().to_vec());
        unplanned.resize(span.paths * span.months, 0.0);
        thin_first_month(&mut unplanned, span);
        Streams {
            planned: some(work.map(|work| &work.planned)),
            on_finding: some(work.map(|work| &work.on_finding)),
            unplanned,
        }
    }
}

fn months_wanted(parameters: &Value) -> Result<usize, RunError> {
    match parameters.get("months") {
        None => Ok(MONTHS),
        Some(given) => given
            .as_u64()
            .and_then(|months| usize::try_from(months).ok())
            .filter(|months| (1..=36).contains(months))
            .ok_or_else(|| RunError::Refused {
                rule: "forecast-months",
                what: format!("months {given} is not a whole number from 1 to 36"),
            }),
    }
}

pub(crate) fn chain(snapshot: &Snapshot) -> Result<Supersessions<PartId>, RunError> {
    let rows: Vec<Supersession<PartId>> = snapshot
        .stores
        .supersessions
        .iter()
        .map(|row| Supersession {
            old: row.old_part,
            new: row.new_part,
            factor: Factor {
                new_units: row.new_for_old_numerator.unsigned_abs(),
                old_units: row.new_for_old_denominator.unsigned_abs(),
            },
            interchange: if row.two_way { Interchange::Both } else { Interchange::OneWay },
            use_up_old_first: row.use_up_old,
            from: Some(row.effective_on),
        })
        .collect();
    Supersessions::new(&rows)
        .map_err(|error| RunError::Refused { rule: "supersession-broken", what: error.to_string() })
}

/// Intermittent-demand models on what planned work does not explain.
fn forecast_rest(
    used: &Used,
    span: Span,
    told: &(dyn Fn(i32, &str) + Sync),
) -> Result<HashMap<PartId, PartForecast>, RunError> {
    let mut parts: Vec<PartId> = used.unplanned.keys().copied().collect();
    parts.sort_unstable();
    let histories: Vec<History> =
        parts.iter().filter_map(|part| used.unplanned.get(part).cloned()).collect();
    if histories.is_empty() {
        return Ok(HashMap::new());
    }
    let request = demand::Request { months: span.months, paths: span.paths, seed: span.seed };
    let watch = |done: usize, all: usize| {
        let share = done as f64 / all.max(1) as f64;
        told(500 + (share * 390.0) as i32, "forecasting what no plan explains");
    };
    let run = demand::forecast(&histories, &request, &watch)
        .map_err(|error| RunError::Refused { rule: error.rule(), what: error.to_string() })?;
    Ok(parts.into_iter().zip(run.parts).collect())
}

/// Where the results are written down.
struct Keep<'a> {
    task: &'a Task,
    span: Span,
    foreseen: &'a Foreseen,
}

/// The streams of one part, each path after path.
struct Streams {
    planned: Vec<f32>,
    on_finding: Vec<f32>,
    unplanned: Vec<f32>,
}

impl Streams {
    fn total(&self, span: Span) -> SamplePaths {
        let sum = self
            .planned
            .iter()
            .zip(&self.on_finding)
            .zip(&self.unplanned)
            .map(|((a, b), c)| (a + b + c).round())
            .collect();
        SamplePaths::new(span.months, sum)
    }
}

/// Of the current month only the days that are left count: each path keeps the share of them,
/// rounded so that the paths together keep it.
fn thin_first_month(values: &mut [f32], span: Span) {
    let first = span.first.first_day().unwrap_or(span.today);
    let next = span.first.plus(1).first_day().unwrap_or(span.today);
    let left = (next - span.today).num_days() as f64 / (next - first).num_days() as f64;
    for (path, month) in values.chunks_mut(span.months).enumerate() {
        // A low-discrepancy sequence (multiples of the golden ratio) in place of a coin.
        let coin = ((path as f64 + 0.5) * 0.618_033_988_749_895).fract();
        month[0] = (f64::from(month[0]) * left + coin).floor() as f32;
    }
}

impl Keep<'_> {
    fn rows(&self) -> Result<Computed, RunError> {
        let Foreseen { used, work, unplanned } = self.foreseen;
        let numbers: HashMap<PartId, &str> = self
            .task
            .snapshot
            .stores
            .parts
            .iter()
            .map(|part| (part.id, part.number.as_str()))
            .collect();
        let known: HashSet<PartId> =
            work.keys().chain(used.all.keys()).chain(unplanned.keys()).copied().collect();
        let mut known: Vec<PartId> = known.into_iter().collect();
        known.sort_unstable_by_key(|part| numbers.get(part).copied().unwrap_or(""));
        let mut computed = Computed::default();
        let mut paths = Vec::with_capacity(known.len());
        for part in &known {
            let streams = self.foreseen.streams(*part, self.span);
            let total = streams.total(self.span);
            self.push_rows(*part, &streams, &total, &mut computed.forecast_rows);
            computed.forecast_parts.push(self.part(*part, unplanned.get(part)));
            paths.push(PartPaths {
                part: part.to_string(),
                months: self.span.months as u32,
                values: total.values().to_vec(),
            });
        }
        computed.summary = Some(json!({
            "first": self.span.first.to_string(),
            "months": self.span.months,
            "parts": known.len(),
        }));
        let failed = |error: exchange::ExchangeError| RunError::Stopped(error.to_string());
        computed.files = vec![
            file(PATHS_FILE, write_paths(&paths).map_err(failed)?),
            file(DEMAND_FILE, write_demand(&self.history_rows(&numbers)).map_err(failed)?),
        ];
        Ok(computed)
    }

    fn push_rows(
        &self,
        part: PartId,
        streams: &Streams,
        total: &SamplePaths,
        rows: &mut Vec<ForecastRow>,
    ) {
        let levels: Vec<f64> = LEVELS.iter().map(|level| f64::from(*level) / 100.0).collect();
        let mut quantiles = vec![0.0; levels.len()];
        let mean = |values: &[f32], from: usize, months: usize| {
            let sum: f64 = values
                .chunks(self.span.months)
                .flat_map(|path| &path[from..from + months])
                .map(|value| f64::from(*value))
                .sum();
            sum / self.span.paths as f64
        };
        let mut row = |from: usize, months: usize, quantiles: &[f64]| {
            let first = self.span.first.plus(from as i32).first_day().unwrap_or_default();
            let (planned, on_finding, unplanned) = (
                mean(&streams.planned, from, months),
                mean(&streams.on_finding, from, months),
                mean(&streams.unplanned, from, months),
            );
            rows.push(ForecastRow {
                id: RunRowId::fresh(),
                run: self.task.run.id,
                part,
                site: None,
                pool: None,
                month: first,
                months: months as i32,
                mean: planned + on_finding + unplanned,
                planned,
                on_finding,
                unplanned,
                quantiles: quantiles_json(quantiles),
            });
        };
        for ahead in 0..self.span.months {
            total.quantiles(ahead, &levels, &mut quantiles);
            row(ahead, 1, &quantiles);
        }
        for months in 2..=self.span.months {
            total.cumulated_quantiles(months, &levels, &mut quantiles);
            row(0, months, &quantiles);
        }
    }

    fn part(&self, part: PartId, rest: Option<&PartForecast>) -> ForecastPart {
        let history = self.foreseen.used.all.get(&part);
        let by_work = "planned work and what opening brings to light, from due dates and the \
                       services on record";
        ForecastPart {
            id: RunRowId::fresh(),
            run: self.task.run.id,
            part,
            site: None,
            model: rest.map_or("due dates", |rest| rest.model.name()).to_owned(),
            reason: match rest {
                Some(rest) => format!("{by_work}; the rest: {}", rest.reason),
                None => format!("{by_work}; nothing was used beside it"),
            },
            scores: rest.map_or_else(|| json!([]), |rest| json!(rest.scores)),
            history: history.map_or_else(
                || json!({}),
                |it| json!({ "first": it.first.to_string(), "quantities": it.quantities }),
            ),
        }
    }

    fn history_rows(&self, numbers: &HashMap<PartId, &str>) -> Vec<MonthlyDemand> {
        let mut rows = Vec::new();
        let mut parts: Vec<_> = self.foreseen.used.all.iter().collect();
        parts.sort_unstable_by_key(|it| it.0);
        for (part, history) in parts {
            for (ahead, quantity) in history.quantities.iter().enumerate() {
                rows.push(MonthlyDemand {
                    part: numbers.get(part).copied().unwrap_or_default().to_owned(),
                    month: history.first.plus(ahead as i32).first_day().unwrap_or_default(),
                    quantity: *quantity,
                });
            }
        }
        rows
    }
}

fn quantiles_json(quantiles: &[f64]) -> Value {
    let pairs = LEVELS.iter().zip(quantiles);
    Value::Object(pairs.map(|(level, value)| (level.to_string(), json!(value.round()))).collect())
}

fn file(name: &str, content: Vec<u8>) -> RunFile {
    RunFile { name: name.to_owned(), media_type: PARQUET.to_owned(), content }
}

/// The latest forecast and its sample paths, for what builds on it.
///
/// # Errors
/// The store failed.
pub async fn latest_paths(
    store: &Store,
    organisation: OrganisationId,
) -> Result<Option<(runs::Run, RunFile)>, StoreError> {
    let connection = store.connection();
    let Some(run) = runs::latest(connection, organisation, RunKind::Forecast, None).await? else {
        return Ok(None);
    };
    let file = runs::file(connection, organisation, run.id, PATHS_FILE).await?;
    Ok(Some((run, file)))
}
