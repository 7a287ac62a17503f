//! The demand forecast as a run that is kept: three streams, one distribution a part and month.

use std::collections::{HashMap, HashSet};

use chrono::NaiveDate;
use demand::frames::{self, DoneAt, PartRecord, PartUsed, Records, ServiceRecord, SiteCalendar};
use demand::{DemandError, History, Month, PartForecast, SamplePaths};
use exchange::snapshot::{MonthlyDemand, PartPaths, write_demand, write_paths};
use fleet::id::{EngineId, OrganisationId, PartId, PoolId, RunRowId, ServiceId, SiteId};
use fleet::run::RunKind;
use fleet::service::ServiceReason;
use fleet::supersession::{Factor, Interchange, Supersession, Supersessions};
use serde_json::{Value, json};
use store::runs::{self, ForecastPart, ForecastRow, RunFile};
use store::snapshot::Snapshot;
use store::{Store, StoreError};

use crate::due::due_list;
use crate::error::RunError;
use crate::execute::{Computed, Task};
use crate::hours::{FleetHours, zones};
use crate::planned::{Span, WorkDemand, play};

/// Months that are forecast where nothing else is asked for.
const MONTHS: usize = 12;
const PATHS: usize = 500;
/// Per cents of the quantiles that are kept.
const LEVELS: [u32; 14] = [5, 10, 20, 25, 30, 40, 50, 60, 70, 75, 80, 90, 95, 99];
pub const PATHS_FILE: &str = "paths.parquet";
const DEMAND_FILE: &str = "demand.parquet";
const PARQUET: &str = "application/vnd.apache.parquet";

/// Monthly use of each part, under the number that now stands for it.
struct Used {
    all: HashMap<PartId, History>,
    /// What was used on failures and findings alone.
    unplanned: HashMap<PartId, History>,
}

pub fn compute(task: &Task) -> Result<Computed, RunError> {
    let months = months_wanted(&task.run.parameters)?;
    let snapshot = &task.snapshot;
    (task.progress)(50, "fitting the season");
    let fleet = FleetHours::fit(snapshot, task.today);
    let lines = due_list(snapshot, &fleet, task.today, task.today);
    let span = Span {
        today: task.today,
        first: Month::of(task.today),
        months,
        paths: PATHS,
        seed: task.run.seed.unsigned_abs(),
    };
    (task.progress)(200, "playing the engines forward");
    let chain = chain(snapshot)?;
    let work = follow(play(snapshot, &fleet, &lines, span), &chain, task.today);
    let used = used(snapshot, task.today, span.first)?;
    (task.progress)(500, "forecasting what no plan explains");
    let unplanned = forecast_rest(task, &used, span)?;
    (task.progress)(900, "putting the streams together");
    let keep = Keep { task, span, used: &used };
    keep.rows(&work, &unplanned)
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

/// Work demand under the part numbers that are bought today.
fn follow(
    work: HashMap<PartId, WorkDemand>,
    chain: &Supersessions<PartId>,
    today: NaiveDate,
) -> HashMap<PartId, WorkDemand> {
    let mut followed: HashMap<PartId, WorkDemand> = HashMap::new();
    for (part, demand) in work {
        let (current, factor) = chain.current(part, today);
        let factor = factor.new_units as f32 / factor.old_units as f32;
        let into = followed.entry(current).or_default();
        add(&mut into.planned, &demand.planned, factor);
        add(&mut into.on_finding, &demand.on_finding, factor);
    }
    followed
}

fn add(into: &mut Vec<f32>, more: &[f32], factor: f32) {
    if into.is_empty() {
        into.resize(more.len(), 0.0);
    }
    for (into, more) in into.iter_mut().zip(more) {
        *into += more * factor;
    }
}

/// Whole months before the current one, from the first service on record.
///
/// A kit is stocked, bought and used whole, so a kit used is demand for the kit; what is used loose
/// is demand for the loose part. Each piece counts once, under the number on the shelf.
fn used(snapshot: &Snapshot, today: NaiveDate, current: Month) -> Result<Used, RunError> {
    let none = Used { all: HashMap::new(), unplanned: HashMap::new() };
    let services = &snapshot.work.services;
    let Some(first) = services.iter().map(|service| service.done_on).min() else {
        return Ok(none);
    };
    let until = current.plus(-1);
    if until.since(Month::of(first)) < 0 {
        return Ok(none);
    }
    let mut records = records(snapshot, first, today);
    let all = histories(snapshot, &records, until)?;
    let unplanned: HashSet<usize> = services
        .iter()
        .enumerate()
        .filter(|it| matches!(it.1.reason, ServiceReason::Finding | ServiceReason::Failure))
        .map(|it| it.0)
        .collect();
    records.used.retain(|line| unplanned.contains(&(line.service as usize)));
    let unplanned = histories(snapshot, &records, until)?;
    Ok(Used { all, unplanned })
}

/// The records as the frames take them: by places in lists.
fn records(snapshot: &Snapshot, first: NaiveDate, today: NaiveDate) -> Records {
    let zones = zones(snapshot);
    let fleet = &snapshot.fleet;
    let place = |at: usize| u32::try_from(at).unwrap_or(u32::MAX);
    let site_at: HashMap<SiteId, u32> =
        snapshot.yard.sites.iter().enumerate().map(|(at, site)| (site.id, place(at))).collect();
    let pool_at: HashMap<PoolId, (u32, SiteId)> = fleet
        .pools
        .iter()
        .enumerate()
        .map(|(at, pool)| (pool.id, (place(at), pool.site)))
        .collect();
    let pool_of: HashMap<EngineId, PoolId> =
        fleet.engines.iter().map(|engine| (engine.id, engine.pool)).collect();
    let parts = &snapshot.stores.parts;
    let part_at: HashMap<PartId, u32> =
        parts.iter().enumerate().map(|(at, part)| (part.id, place(at))).collect();
    let services = &snapshot.work.services;
    let service_at: HashMap<ServiceId, u32> =
        services.iter().enumerate().map(|(at, service)| (service.id, place(at))).collect();
    let where_done = |engine: &EngineId| {
        let (pool, site) = pool_of.get(engine).and_then(|pool| pool_at.get(pool))?;
        Some((*pool, *site_at.get(site)?))
    };
    Records {
        sites: snapshot
            .yard
            .sites
            .iter()
            .map(|site| SiteCalendar {
                name: site.name.clone(),
                zone: zones.get(&site.id).copied().unwrap_or(chrono_tz::Tz::UTC),
            })
            .collect(),
        pools: fleet.pools.iter().map(|pool| pool.id.to_string()).collect(),
        parts: parts
            .iter()
            .map(|part| PartRecord { name: part.id.to_string(), exists_from: Some(first) })
            .collect(),
        services: services
            .iter()
            .map(|service| {
                let (pool, site) = where_done(&service.engine).unwrap_or((0, 0));
                ServiceRecord { site, pool, done_at: DoneAt::Day(service.done_on) }
            })
            .collect(),
        used: snapshot
            .work
            .service_parts
            .iter()
            .filter_map(|row| {
                let service = *service_at.get(&row.service)?;
                let part = *part_at.get(&row.part)?;
                Some(PartUsed { service, part, quantity: row.quantity as f64 })
            })
            .collect(),
        kits: Vec::new(),
        supersessions: snapshot
            .stores
            .supersessions
            .iter()
            .filter(|row| row.effective_on <= today)
            .filter_map(|row| {
                let new = f64::from(row.new_for_old_numerator);
                Some(frames::Supersession {
                    part: *part_at.get(&row.old_part)?,
                    successor: *part_at.get(&row.new_part)?,
                    factor: new / f64::from(row.new_for_old_denominator.max(1)),
                })
            })
            .collect(),
    }
}

fn histories(
    snapshot: &Snapshot,
    records: &Records,
    until: Month,
) -> Result<HashMap<PartId, History>, RunError> {
    let refused =
        |error: DemandError| RunError::Refused { rule: error.rule(), what: error.to_string() };
    let monthly = frames::monthly_demand(records, until).map_err(refused)?;
    let families: HashMap<PartId, Option<String>> =
        snapshot.stores.parts.iter().map(|part| (part.id, part.family.clone())).collect();
    let mut histories = HashMap::new();
    for mut history in frames::by_part(&monthly) {
        let part: PartId = history
            .part
            .parse()
            .map_err(|error| RunError::Stopped(format!("the frames gave back no part: {error}")))?;
        if history.quantities.iter().any(|quantity| *quantity > 0.0) {
            history.family = families.get(&part).cloned().flatten();
            histories.insert(part, history);
        }
    }
    Ok(histories)
}

/// Intermittent-demand models on what planned work does not explain.
fn forecast_rest(
    task: &Task,
    used: &Used,
    span: Span,
) -> Result<HashMap<PartId, PartForecast>, RunError> {
    let mut parts: Vec<PartId> = used.unplanned.keys().copied().collect();
    parts.sort_unstable();
    let histories: Vec<History> =
        parts.iter().filter_map(|part| used.unplanned.get(part).cloned()).collect();
    if histories.is_empty() {
        return Ok(HashMap::new());
    }
    let request = demand::Request { months: span.months, paths: span.paths, seed: span.seed };
    let progress = std::sync::Arc::clone(&task.progress);
    let told = move |done: usize, all: usize| {
        let share = done as f64 / all.max(1) as f64;
        progress(500 + (share * 390.0) as i32, "forecasting what no plan explains");
    };
    let run = demand::forecast(&histories, &request, &told)
        .map_err(|error| RunError::Refused { rule: error.rule(), what: error.to_string() })?;
    Ok(parts.into_iter().zip(run.parts).collect())
}

/// Where the results are written down.
struct Keep<'a> {
    task: &'a Task,
    span: Span,
    used: &'a Used,
}

/// The streams of one part, each path after path.
struct Streams {
    planned: Vec<f32>,
    on_finding: Vec<f32>,
    unplanned: Vec<f32>,
}

impl Keep<'_> {
    fn rows(
        &self,
        work: &HashMap<PartId, WorkDemand>,
        unplanned: &HashMap<PartId, PartForecast>,
    ) -> Result<Computed, RunError> {
        let numbers: HashMap<PartId, &str> = self
            .task
            .snapshot
            .stores
            .parts
            .iter()
            .map(|part| (part.id, part.number.as_str()))
            .collect();
        let known: HashSet<PartId> =
            work.keys().chain(self.used.all.keys()).chain(unplanned.keys()).copied().collect();
        let mut known: Vec<PartId> = known.into_iter().collect();
        known.sort_unstable_by_key(|part| numbers.get(part).copied().unwrap_or(""));
        let mut computed = Computed::default();
        let mut paths = Vec::with_capacity(known.len());
        for part in &known {
            let streams = self.streams(work.get(part), unplanned.get(part));
            let total = self.total(&streams);
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

    fn streams(&self, work: Option<&WorkDemand>, rest: Option<&PartForecast>) -> Streams {
        let none = || vec![0.0; self.span.paths * self.span.months];
        let some = |values: Option<&Vec<f32>>| {
            values.filter(|values| !values.is_empty()).cloned().unwrap_or_else(none)
        };
        let mut unplanned = rest.map_or_else(none, |rest| rest.paths.values().to_vec());
        unplanned.resize(self.span.paths * self.span.months, 0.0);
        self.thin_first_month(&mut unplanned);
        Streams {
            planned: some(work.map(|work| &work.planned)),
            on_finding: some(work.map(|work| &work.on_finding)),
            unplanned,
        }
    }

    /// Of the current month only the days that are left count: each path keeps the share of them,
    /// rounded so that the paths together keep it.
    fn thin_first_month(&self, values: &mut [f32]) {
        let first = self.span.first.first_day().unwrap_or(self.span.today);
        let next = self.span.first.plus(1).first_day().unwrap_or(self.span.today);
        let left = (next - self.span.today).num_days() as f64 / (next - first).num_days() as f64;
        for (path, month) in values.chunks_mut(self.span.months).enumerate() {
            // A low-discrepancy sequence (multiples of the golden ratio) in place of a coin.
            let coin = ((path as f64 + 0.5) * 0.618_033_988_749_895).fract();
            month[0] = (f64::from(month[0]) * left + coin).floor() as f32;
        }
    }

    fn total(&self, streams: &Streams) -> SamplePaths {
        let sum = streams
            .planned
            .iter()
            .zip(&streams.on_finding)
            .zip(&streams.unplanned)
            .map(|((a, b), c)| (a + b + c).round())
            .collect();
        SamplePaths::new(self.span.months, sum)
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
        let history = self.used.all.get(&part);
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
        let mut parts: Vec<_> = self.used.all.iter().collect();
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
