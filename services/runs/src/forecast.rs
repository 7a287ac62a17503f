//! The demand forecast as a run that is kept: three streams, one distribution a part and month.

mod hindcast;
mod rows;
mod streams;
mod used;

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::NaiveDate;
use demand::{History, Month, PartForecast, SamplePaths};
use fleet::id::{OrganisationId, PartId, PoolId};
use fleet::run::RunKind;
use fleet::supersession::{Factor, Interchange, Supersession, Supersessions};
use serde_json::Value;
use store::runs::{self, RunFile};
use store::snapshot::Snapshot;
use store::{Store, StoreError};

use crate::due::due_list;
use crate::error::RunError;
use crate::execute::{Computed, Task};
use crate::hours::FleetHours;
use crate::planned::{Span, WorkDemand, play};
use hindcast::hindcast;
use rows::Keep;
use streams::{OfPool, Streams, by_pool, thin_first_month};

pub(crate) use used::{Used, used};

/// Months that are forecast where nothing else is asked for.
const MONTHS: usize = 12;
const PATHS: usize = 500;
pub const PATHS_FILE: &str = "paths.parquet";
pub const DEMAND_FILE: &str = "demand.parquet";

pub fn compute(task: &Task) -> Result<Computed, RunError> {
    let span = Span {
        today: task.today,
        first: Month::of(task.today),
        months: months_wanted(&task.run.parameters)?,
        paths: PATHS,
        seed: task.run.seed.unsigned_abs(),
    };
    let foreseen = foresee(&task.snapshot, span, task.today, &*task.progress)?;
    (task.progress)(600, "standing where a year ago it would have stood");
    let hindcast = hindcast(&task.snapshot, &foreseen, span)?;
    (task.progress)(900, "putting the streams together");
    Keep { task, span, foreseen: &foreseen, hindcast: hindcast.as_ref() }.rows()
}

/// All three streams of every part.
pub(crate) struct Foreseen {
    pub used: Used,
    work: HashMap<PartId, BTreeMap<PoolId, WorkDemand>>,
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
    let used = used(snapshot, span.first, chain_on, &played.explained)?;
    told(350, "forecasting what no plan explains");
    let unplanned = forecast_rest(&used, span, told)?;
    let mut work: HashMap<PartId, BTreeMap<PoolId, WorkDemand>> = HashMap::new();
    for ((part, pool), demand) in played.demand {
        work.entry(part).or_default().insert(pool, demand);
    }
    Ok(Foreseen { used, work, unplanned })
}

impl Foreseen {
    /// Paths of all three streams together, part by part.
    pub fn totals(&self, span: Span) -> HashMap<PartId, SamplePaths> {
        let parts: HashSet<PartId> =
            self.work.keys().chain(self.unplanned.keys()).copied().collect();
        parts.into_iter().map(|part| (part, self.streams(part, span).total(span))).collect()
    }

    pub fn knows(&self, part: PartId) -> bool {
        self.work.contains_key(&part) || self.unplanned.contains_key(&part)
    }

    /// The fleet's streams.
    fn streams(&self, part: PartId, span: Span) -> Streams {
        let mut streams = Streams::none(span);
        self.work.get(&part).into_iter().flatten().for_each(|(_, work)| streams.add_work(work));
        streams.add_rest(&self.rest(part, span).unwrap_or_default());
        streams
    }

    /// The streams of each pool that asks for it.
    fn by_pool(&self, part: PartId, span: Span) -> Result<Vec<OfPool>, RunError> {
        let none = BTreeMap::new();
        let rest = self.rest(part, span);
        let shares = rest.as_ref().and(self.used.shares.get(&part)).unwrap_or(&none);
        by_pool(self.work.get(&part), (rest.as_deref().unwrap_or_default(), shares), span)
    }

    /// What no plan explains, of the days to come.
    fn rest(&self, part: PartId, span: Span) -> Option<Vec<f32>> {
        let mut rest = self.unplanned.get(&part)?.paths.values().to_vec();
        thin_first_month(&mut rest, span);
        Some(rest)
    }
}

pub(crate) fn months_wanted(parameters: &Value) -> Result<usize, RunError> {
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
        told(350 + (share * 240.0) as i32, "forecasting what no plan explains");
    };
    let run = demand::forecast(&histories, &request, &watch)
        .map_err(|error| RunError::Refused { rule: error.rule(), what: error.to_string() })?;
    Ok(parts.into_iter().zip(run.parts).collect())
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
