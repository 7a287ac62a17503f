//! A forecast written down: rows by part, site, pool and month, and the two Parquet files.

use std::collections::{BTreeMap, HashMap, HashSet};

use demand::{PartForecast, SamplePaths};
use exchange::snapshot::{MonthlyDemand, PartPaths, write_demand, write_paths};
use fleet::id::{PartId, PoolId, RunId, RunRowId, SiteId};
use serde_json::{Value, json};
use store::runs::{ForecastPart, ForecastRow, RunFile};

use super::hindcast::Hindcast;
use super::streams::Streams;
use super::{DEMAND_FILE, Foreseen, PATHS_FILE};
use crate::error::RunError;
use crate::execute::{Computed, Task};
use crate::looking_back::Replayed;
use crate::planned::Span;

/// Per cents of the quantiles that are kept.
const LEVELS: [u32; 14] = [5, 10, 20, 25, 30, 40, 50, 60, 70, 75, 80, 90, 95, 99];
const PARQUET: &str = "application/vnd.apache.parquet";

/// Where the results are written down.
pub struct Keep<'a> {
    pub task: &'a Task,
    pub span: Span,
    pub foreseen: &'a Foreseen,
    pub hindcast: Option<&'a Hindcast>,
}

/// Whose rows, and how far they are added up.
#[derive(Clone, Copy)]
struct Whose {
    part: PartId,
    site: Option<SiteId>,
    pool: Option<PoolId>,
    cumulated: Cumulated,
}

/// Orders are placed for a site or the fleet, never for a pool.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Cumulated {
    AlsoFirstMonthsTogether,
    MonthsOnly,
}

impl Keep<'_> {
    pub fn rows(&self) -> Result<Computed, RunError> {
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
            let total = self.rows_of(*part, &mut computed.forecast_rows)?;
            computed.forecast_parts.push(self.part(*part, unplanned.get(part)));
            paths.push(PartPaths {
                part: part.to_string(),
                months: self.span.months as u32,
                values: total.values().to_vec(),
            });
        }
        computed.scores = self.hindcast.and_then(Hindcast::overall).map(|overall| json!(overall));
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

    /// Rows of the fleet, the sites and the pools; answers the fleet's paths.
    fn rows_of(&self, part: PartId, rows: &mut Vec<ForecastRow>) -> Result<SamplePaths, RunError> {
        let site_of: HashMap<PoolId, SiteId> =
            self.task.snapshot.fleet.pools.iter().map(|pool| (pool.id, pool.site)).collect();
        let fleet = self.foreseen.streams(part, self.span);
        let total = fleet.total(self.span);
        let mut sites: BTreeMap<SiteId, (Streams, SamplePaths)> = BTreeMap::new();
        for of in self.foreseen.by_pool(part, self.span)? {
            let Some(site) = site_of.get(&of.pool).copied() else { continue };
            let (pool, cumulated) = (Some(of.pool), Cumulated::MonthsOnly);
            let whose = Whose { part, site: Some(site), pool, cumulated };
            self.push(whose, (&of.streams, &of.total), rows);
            match sites.get_mut(&site) {
                Some((streams, total)) => {
                    streams.add(&of.streams);
                    total.add(&of.total);
                }
                None => {
                    sites.insert(site, (of.streams, of.total));
                }
            }
        }
        let cumulated = Cumulated::AlsoFirstMonthsTogether;
        for (site, (streams, total)) in &sites {
            let whose = Whose { part, site: Some(*site), pool: None, cumulated };
            self.push(whose, (streams, total), rows);
        }
        let whose = Whose { part, site: None, pool: None, cumulated };
        self.push(whose, (&fleet, &total), rows);
        Ok(total)
    }

    fn push(
        &self,
        whose: Whose,
        (streams, total): (&Streams, &SamplePaths),
        rows: &mut Vec<ForecastRow>,
    ) {
        let months = self.span.months;
        let single = (0..months).map(|ahead| (ahead, 1));
        let more = if whose.cumulated == Cumulated::MonthsOnly { 0 } else { months };
        let together = (2..=more).map(|months| (0, months));
        for (from, months) in single.chain(together) {
            let seen = seen(streams, total, (from, months));
            let Seen { planned, on_finding, unplanned, quantiles } = seen;
            rows.push(ForecastRow {
                id: RunRowId::fresh(),
                run: self.task.run.id,
                part: whose.part,
                site: whose.site,
                pool: whose.pool,
                month: self.span.first.plus(from as i32).first_day().unwrap_or_default(),
                months: months as i32,
                mean: planned + on_finding + unplanned,
                planned,
                on_finding,
                unplanned,
                quantiles,
            });
        }
    }

    fn part(&self, part: PartId, rest: Option<&PartForecast>) -> ForecastPart {
        let history = self.foreseen.used.all.get(&part);
        let by_work = "planned work, what opening brings to light and failures, from due dates and the \
                       services on record";
        let run: RunId = self.task.run.id;
        let replayed: Option<Replayed> = self.hindcast.and_then(|it| it.of_part(part));
        ForecastPart {
            id: RunRowId::fresh(),
            run,
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
            hindcast: replayed.map(|replayed| json!(replayed)),
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

/// What is seen of some months together.
pub struct Seen {
    pub planned: f64,
    pub on_finding: f64,
    pub unplanned: f64,
    pub quantiles: Value,
}

/// Means of the streams and quantiles of their total: of one month, `from` months ahead, or of the
/// first so many.
pub fn seen(streams: &Streams, total: &SamplePaths, (from, months): (usize, usize)) -> Seen {
    let mean = |values: &[f32]| {
        let paths = values.chunks(total.months()).flat_map(|path| &path[from..from + months]);
        paths.map(|value| f64::from(*value)).sum::<f64>() / total.count() as f64
    };
    let levels: Vec<f64> = LEVELS.iter().map(|level| f64::from(*level) / 100.0).collect();
    let mut quantiles = vec![0.0; levels.len()];
    if months == 1 {
        total.quantiles(from, &levels, &mut quantiles);
    } else {
        total.cumulated_quantiles(months, &levels, &mut quantiles);
    }
    Seen {
        planned: mean(&streams.planned),
        on_finding: mean(&streams.on_finding),
        unplanned: mean(&streams.unplanned),
        quantiles: quantiles_json(&quantiles),
    }
}

fn quantiles_json(quantiles: &[f64]) -> Value {
    let pairs = LEVELS.iter().zip(quantiles);
    Value::Object(pairs.map(|(level, value)| (level.to_string(), json!(value.round()))).collect())
}

fn file(name: &str, content: Vec<u8>) -> RunFile {
    RunFile { name: name.to_owned(), media_type: PARQUET.to_owned(), content }
}
