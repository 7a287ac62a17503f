//! What was used of each part, month by month: service records laid out for the models.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::NaiveDate;
use demand::frames::{self, DoneAt, PartRecord, PartUsed, Records, ServiceRecord, SiteCalendar};
use demand::{DemandError, History, Month};
use fleet::id::{EngineId, PartId, PoolId, ServiceId, SiteId};
use fleet::service::ServiceReason;
use store::snapshot::Snapshot;

use crate::error::RunError;
use crate::hours::zones;
use crate::past::parts_known_from;

/// Monthly use of each part, under the number that now stands for it.
pub struct Used {
    pub all: HashMap<PartId, History>,
    /// What was used on failures and findings that are not played.
    pub unplanned: HashMap<PartId, History>,
    /// How much of that each pool used lately.
    pub shares: HashMap<PartId, BTreeMap<PoolId, f64>>,
}

/// Months that say which pool's engines a part was used on; with nothing used in them, all do.
const SHARE_MONTHS: usize = 24;

/// Whole months before the current one, from the first service on record that tells its parts.
///
/// A kit is stocked, bought and used whole, so a kit used is demand for the kit; what is used loose
/// is demand for the loose part. Each piece counts once, under the number on the shelf.
///
/// `chain_on` is the day whose numbers parts go by; `explained` are unplanned services whose like
/// is played.
///
/// # Errors
/// Supersessions or quantities that break a rule.
pub fn used(
    snapshot: &Snapshot,
    current: Month,
    chain_on: NaiveDate,
    explained: &[ServiceId],
) -> Result<Used, RunError> {
    let none = Used { all: HashMap::new(), unplanned: HashMap::new(), shares: HashMap::new() };
    let services = &snapshot.work.services;
    let Some(first) = parts_known_from(snapshot) else { return Ok(none) };
    let until = current.plus(-1);
    if until.since(Month::of(first)) < 0 {
        return Ok(none);
    }
    let mut records = records(snapshot, first, chain_on);
    let all = histories(snapshot, &monthly(&records, until)?)?;
    let explained: HashSet<&ServiceId> = explained.iter().collect();
    let unplanned: HashSet<usize> = services
        .iter()
        .enumerate()
        .filter(|it| matches!(it.1.reason, ServiceReason::Finding | ServiceReason::Failure))
        .filter(|it| !explained.contains(&it.1.id))
        .map(|it| it.0)
        .collect();
    records.used.retain(|line| unplanned.contains(&(line.service as usize)));
    let by_pool = monthly(&records, until)?;
    Ok(Used { all, unplanned: histories(snapshot, &by_pool)?, shares: shares(&by_pool)? })
}

fn shares(
    by_pool: &[frames::MonthlyDemand],
) -> Result<HashMap<PartId, BTreeMap<PoolId, f64>>, RunError> {
    let mut shares: HashMap<PartId, BTreeMap<PoolId, (f64, f64)>> = HashMap::new();
    for row in by_pool {
        let late = row.quantities.len().saturating_sub(SHARE_MONTHS);
        let sum = |quantities: &[f64]| quantities.iter().sum::<f64>();
        let of = shares.entry(id_of(&row.part)?).or_default().entry(id_of(&row.pool)?).or_default();
        *of = (of.0 + sum(&row.quantities[late..]), of.1 + sum(&row.quantities));
    }
    let chosen = |pools: BTreeMap<PoolId, (f64, f64)>| {
        let asked_lately = pools.values().any(|it| it.0 > 0.0);
        pools.into_iter().map(|(pool, it)| (pool, if asked_lately { it.0 } else { it.1 })).collect()
    };
    Ok(shares.into_iter().map(|(part, pools)| (part, chosen(pools))).collect())
}

/// The records as the frames take them: by places in lists.
fn records(snapshot: &Snapshot, first: NaiveDate, chain_on: NaiveDate) -> Records {
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
            .filter(|row| row.effective_on <= chain_on)
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

fn monthly(records: &Records, until: Month) -> Result<Vec<frames::MonthlyDemand>, RunError> {
    let refused =
        |error: DemandError| RunError::Refused { rule: error.rule(), what: error.to_string() };
    frames::monthly_demand(records, until).map_err(refused)
}

fn histories(
    snapshot: &Snapshot,
    monthly: &[frames::MonthlyDemand],
) -> Result<HashMap<PartId, History>, RunError> {
    let families: HashMap<PartId, Option<String>> =
        snapshot.stores.parts.iter().map(|part| (part.id, part.family.clone())).collect();
    let mut histories = HashMap::new();
    for mut history in frames::by_part(monthly) {
        let part: PartId = id_of(&history.part)?;
        if history.quantities.iter().any(|quantity| *quantity > 0.0) {
            history.family = families.get(&part).cloned().flatten();
            histories.insert(part, history);
        }
    }
    Ok(histories)
}

fn id_of<T: std::str::FromStr<Err: std::fmt::Display>>(name: &str) -> Result<T, RunError> {
    name.parse().map_err(|error| RunError::Stopped(format!("the frames gave back no id: {error}")))
}
