//! From service records to monthly demand, as lazy frames: the one place that knows polars.
//!
//! Invariants: no type of polars leaves this file; kits and supersession are settled per part
//! before any line is read, so a line is joined once; a month is a month of the site's calendar.
//! Demand is counted in loose parts: a kit used counts as what it holds, and a kit opened on the
//! shelf is no demand at all, only its parts' later use is.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use polars::prelude::{
    DataFrame, DataType, IntoLazy, JoinArgs, JoinType, LazyFrame, NamedFrom, PolarsError,
    Series as Column, TimeUnit, TimeZone, col, concat, lit,
};
use serde::{Deserialize, Serialize};

use crate::error::DemandError;
use crate::month::Month;

/// When a service was done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum DoneAt {
    /// A day of the site's calendar.
    Day(NaiveDate),
    /// An instant; its month is the site's.
    Instant(DateTime<Utc>),
}

/// A site and its calendar.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SiteCalendar {
    pub name: String,
    pub zone: Tz,
}

/// A part number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PartRecord {
    pub name: String,
    /// First day it could be asked for; `None`: from its first demand on.
    pub exists_from: Option<NaiveDate>,
}

/// A service. Sites and pools by their place in [`Records`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ServiceRecord {
    pub site: u32,
    pub pool: u32,
    pub done_at: DoneAt,
}

/// A part used by a service.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PartUsed {
    /// Place in [`Records::services`].
    pub service: u32,
    /// Place in [`Records::parts`].
    pub part: u32,
    pub quantity: f64,
}

/// A line of a kit's contents, by places in [`Records::parts`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KitContent {
    pub kit: u32,
    pub part: u32,
    pub quantity: f64,
}

/// A part replaced by another: one of `part` is `factor` of `successor`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Supersession {
    pub part: u32,
    pub successor: u32,
    pub factor: f64,
}

/// What the job reads.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Records {
    pub sites: Vec<SiteCalendar>,
    pub pools: Vec<String>,
    pub parts: Vec<PartRecord>,
    pub services: Vec<ServiceRecord>,
    pub used: Vec<PartUsed>,
    pub kits: Vec<KitContent>,
    pub supersessions: Vec<Supersession>,
}

/// Demand of one loose, current part at one site for one pool, zeros written out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MonthlyDemand {
    pub part: String,
    pub site: String,
    pub pool: String,
    /// Month the part first could be asked for.
    pub first: Month,
    pub quantities: Vec<f64>,
}

/// Monthly demand of every part, site and pool up to and with the month `until`; later lines are
/// left out. Sorted by part, site and pool in the order of `records`.
///
/// Months between a part's first and `until` are zeros where nothing was used; months before the
/// part, or any part it superseded, existed are not there.
///
/// # Errors
/// A circle of kits or of supersessions, a factor that is not positive, a place that is not there,
/// a quantity below zero.
pub fn monthly_demand(records: &Records, until: Month) -> Result<Vec<MonthlyDemand>, DemandError> {
    check(records)?;
    let contents = settle(records)?;
    let sums = summed(records, &contents, until).map_err(|cause| DemandError::Frame {
        table: "monthly demand",
        cause: cause.to_string(),
    })?;
    Ok(with_zeros(records, &contents, &sums, until))
}

/// What one used part counts as: loose current parts and how many of each.
type Contents = Vec<Vec<(u32, f64)>>;

/// A sum of one month.
#[derive(Clone, Copy, Debug, PartialEq)]
struct MonthSum {
    part: u32,
    site: u32,
    pool: u32,
    month: Month,
    quantity: f64,
}

fn check(records: &Records) -> Result<(), DemandError> {
    let missing = |table: &'static str, place: u32| DemandError::Frame {
        table,
        cause: format!("no row {place} is there to refer to"),
    };
    let parts = records.parts.len() as u32;
    for service in &records.services {
        if service.site as usize >= records.sites.len() {
            return Err(missing("sites", service.site));
        }
        if service.pool as usize >= records.pools.len() {
            return Err(missing("pools", service.pool));
        }
    }
    for used in &records.used {
        if used.service as usize >= records.services.len() {
            return Err(missing("services", used.service));
        }
        if used.part >= parts {
            return Err(missing("parts", used.part));
        }
        if !used.quantity.is_finite() || used.quantity < 0.0 {
            let cause = format!("quantity {} of a part used is not zero or more", used.quantity);
            return Err(DemandError::Frame { table: "parts used", cause });
        }
    }
    let pairs = records.kits.iter().map(|line| (line.kit, line.part, line.quantity));
    let successors =
        records.supersessions.iter().map(|link| (link.part, link.successor, link.factor));
    for (from, to, factor) in pairs.chain(successors) {
        if let Some(place) = [from, to].into_iter().find(|place| *place >= parts) {
            return Err(missing("parts", place));
        }
        if !factor.is_finite() || factor <= 0.0 {
            let part = records.parts[from as usize].name.clone();
            return Err(DemandError::Factor { part, given: factor });
        }
    }
    Ok(())
}

/// Takes every part apart into loose parts and each of those to the end of its chain.
fn settle(records: &Records) -> Result<Contents, DemandError> {
    let count = records.parts.len();
    let mut lines: Vec<Vec<(u32, f64)>> = vec![Vec::new(); count];
    for line in &records.kits {
        lines[line.kit as usize].push((line.part, line.quantity));
    }
    let mut successors: Vec<Option<(u32, f64)>> = vec![None; count];
    for link in &records.supersessions {
        successors[link.part as usize] = Some((link.successor, link.factor));
    }
    let mut settled = Vec::with_capacity(count);
    for part in 0..count as u32 {
        let mut sums = BTreeMap::new();
        let mut above = Vec::new();
        take_apart(records, &lines, &successors, part, 1.0, &mut above, &mut sums)?;
        settled.push(sums.into_iter().collect());
    }
    Ok(settled)
}

fn take_apart(
    records: &Records,
    lines: &[Vec<(u32, f64)>],
    successors: &[Option<(u32, f64)>],
    part: u32,
    quantity: f64,
    above: &mut Vec<u32>,
    sums: &mut BTreeMap<u32, f64>,
) -> Result<(), DemandError> {
    let place = part as usize;
    let name = || records.parts[place].name.clone();
    if above.contains(&part) {
        return Err(if lines[place].is_empty() {
            DemandError::Circle { part: name() }
        } else {
            DemandError::KitCircle { part: name() }
        });
    }
    above.push(part);
    if !lines[place].is_empty() {
        for &(content, each) in &lines[place] {
            take_apart(records, lines, successors, content, quantity * each, above, sums)?;
        }
    } else if let Some((successor, factor)) = successors[place] {
        take_apart(records, lines, successors, successor, quantity * factor, above, sums)?;
    } else {
        *sums.entry(part).or_insert(0.0) += quantity;
    }
    above.pop();
    Ok(())
}

/// The lazy part: lines, joined with their service and with what they count as, summed by month.
fn summed(
    records: &Records,
    contents: &Contents,
    until: Month,
) -> Result<Vec<MonthSum>, PolarsError> {
    let services = services_by_month(records)?;
    let used = frame(vec![
        Column::new("service".into(), records.used.iter().map(|u| u.service).collect::<Vec<_>>()),
        Column::new("used".into(), records.used.iter().map(|u| u.part).collect::<Vec<_>>()),
        Column::new("quantity".into(), records.used.iter().map(|u| u.quantity).collect::<Vec<_>>()),
    ])?;
    let flat = || {
        let rows = contents.iter().enumerate();
        rows.flat_map(|(used, parts)| parts.iter().map(move |part| (used as u32, *part)))
    };
    let counted_as = frame(vec![
        Column::new("used".into(), flat().map(|(used, _)| used).collect::<Vec<_>>()),
        Column::new("part".into(), flat().map(|(_, (part, _))| part).collect::<Vec<_>>()),
        Column::new("each".into(), flat().map(|(_, (_, each))| each).collect::<Vec<_>>()),
    ])?;
    let keys = [col("part"), col("site"), col("pool"), col("month")];
    let last = until.year() * 12 + until.of_year() as i32;
    let sums = used
        .lazy()
        .join(services, [col("service")], [col("service")], JoinArgs::new(JoinType::Inner))
        .filter(col("month").lt_eq(lit(last)))
        // Summed before kits are taken apart: far fewer rows to join.
        .group_by([col("used"), col("site"), col("pool"), col("month")])
        .agg([col("quantity").sum()])
        .join(counted_as.lazy(), [col("used")], [col("used")], JoinArgs::new(JoinType::Inner))
        .with_column((col("quantity") * col("each")).alias("quantity"))
        .group_by(keys.clone())
        .agg([col("quantity").sum()])
        .sort_by_exprs(keys, Default::default())
        .collect()?;
    let whole = |name: &str| -> Result<Vec<u32>, PolarsError> {
        Ok(sums.column(name)?.u32()?.into_no_null_iter().collect())
    };
    let (parts, sites, pools) = (whole("part")?, whole("site")?, whole("pool")?);
    let months = sums.column("month")?.i32()?.into_no_null_iter();
    let quantities = sums.column("quantity")?.f64()?.into_no_null_iter();
    let rows = parts.into_iter().zip(sites).zip(pools).zip(months).zip(quantities);
    Ok(rows
        .filter_map(|((((part, site), pool), month), quantity)| {
            let month = Month::new(month.div_euclid(12), month.rem_euclid(12) as u32 + 1)?;
            Some(MonthSum { part, site, pool, month, quantity })
        })
        .collect())
}

fn frame(columns: Vec<Column>) -> Result<DataFrame, PolarsError> {
    let height = columns.first().map_or(0, |column| column.len());
    DataFrame::new(height, columns.into_iter().map(Into::into).collect())
}

/// Services with the month of their site's calendar, counted from year 0.
fn services_by_month(records: &Records) -> Result<LazyFrame, PolarsError> {
    let epoch = NaiveDate::default();
    let services = &records.services;
    let day = |service: &ServiceRecord| match service.done_at {
        DoneAt::Day(day) => Some(day.signed_duration_since(epoch).num_days() as i32),
        DoneAt::Instant(_) => None,
    };
    let instant = |service: &ServiceRecord| match service.done_at {
        DoneAt::Day(_) => None,
        DoneAt::Instant(instant) => Some(instant.timestamp_millis()),
    };
    let table = frame(vec![
        Column::new("service".into(), (0..services.len() as u32).collect::<Vec<_>>()),
        Column::new("site".into(), services.iter().map(|s| s.site).collect::<Vec<_>>()),
        Column::new("pool".into(), services.iter().map(|s| s.pool).collect::<Vec<_>>()),
        Column::new("day".into(), services.iter().map(day).collect::<Vec<_>>()),
        Column::new("instant".into(), services.iter().map(instant).collect::<Vec<_>>()),
    ])?
    .lazy();
    let month = |time: polars::prelude::Expr| {
        time.clone().dt().year().cast(DataType::Int32) * lit(12)
            + time.dt().month().cast(DataType::Int32)
            - lit(1)
    };
    let by_day = table
        .clone()
        .filter(col("day").is_not_null())
        .with_column(month(col("day").cast(DataType::Date)).alias("month"));
    let mut tables = vec![by_day];
    let mut zones: BTreeMap<&str, (Tz, Vec<u32>)> = BTreeMap::new();
    for (place, site) in records.sites.iter().enumerate() {
        let sites = &mut zones.entry(site.zone.name()).or_insert((site.zone, Vec::new())).1;
        sites.push(place as u32);
    }
    // A zone is a property of a column, so each zone's services are a frame of their own.
    for (zone, sites) in zones.into_values() {
        let utc = DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC));
        let here = sites.into_iter().map(|site| col("site").eq(lit(site)));
        let Some(here) = here.reduce(|a, b| a.or(b)) else { continue };
        let local = col("instant").cast(utc).dt().convert_time_zone(TimeZone::from_chrono(&zone));
        tables.push(
            table
                .clone()
                .filter(col("instant").is_not_null().and(here))
                .with_column(month(local).alias("month")),
        );
    }
    let all = concat(tables, Default::default())?;
    Ok(all.select([col("service"), col("site"), col("pool"), col("month")]))
}

/// Rows of a part's series, zeros between its first month and `until`.
fn with_zeros(
    records: &Records,
    contents: &Contents,
    sums: &[MonthSum],
    until: Month,
) -> Vec<MonthlyDemand> {
    let first = first_months(records, contents, sums);
    sums.chunk_by(|a, b| (a.part, a.site, a.pool) == (b.part, b.site, b.pool))
        .map(|months| {
            let MonthSum { part, site, pool, month, .. } = months[0];
            let first = first[part as usize].map_or(month, |first| first.min(month));
            let mut quantities = vec![0.0; until.since(first) as usize + 1];
            for sum in months {
                quantities[sum.month.since(first) as usize] = sum.quantity;
            }
            MonthlyDemand {
                part: records.parts[part as usize].name.clone(),
                site: records.sites[site as usize].name.clone(),
                pool: records.pools[pool as usize].clone(),
                first,
                quantities,
            }
        })
        .collect()
}

/// First month of each current part: the earliest day it, or a part that counts as it, existed or
/// was used, at any site.
fn first_months(records: &Records, contents: &Contents, sums: &[MonthSum]) -> Vec<Option<Month>> {
    let mut first: Vec<Option<Month>> = vec![None; records.parts.len()];
    let mut earlier = |part: u32, month: Month| {
        let known = &mut first[part as usize];
        *known = Some(known.map_or(month, |known| known.min(month)));
    };
    let kits: std::collections::BTreeSet<u32> = records.kits.iter().map(|line| line.kit).collect();
    for (part, record) in records.parts.iter().enumerate() {
        // A kit's age says nothing about its parts'.
        if let (Some(day), false) = (record.exists_from, kits.contains(&(part as u32))) {
            for &(current, _) in &contents[part] {
                earlier(current, Month::of(day));
            }
        }
    }
    for sum in sums {
        earlier(sum.part, sum.month);
    }
    first
}

/// Demand of each part over all its sites and pools, as histories the models take: all end with
/// the same month.
pub fn by_part(demand: &[MonthlyDemand]) -> Vec<crate::History> {
    let mut parts: BTreeMap<&str, (Month, Vec<f64>)> = BTreeMap::new();
    let mut order = Vec::new();
    for one in demand {
        let (first, quantities) = parts.entry(&one.part).or_insert_with(|| {
            order.push(one.part.as_str());
            (one.first, vec![0.0; one.quantities.len()])
        });
        let missing = first.since(one.first);
        if missing > 0 {
            quantities.splice(0..0, std::iter::repeat_n(0.0, missing as usize));
            *first = one.first;
        }
        let offset = one.first.since(*first) as usize;
        for (sum, quantity) in quantities[offset..].iter_mut().zip(&one.quantities) {
            *sum += quantity;
        }
    }
    order
        .into_iter()
        .filter_map(|part| {
            let (first, quantities) = parts.remove(part)?;
            Some(crate::History { part: part.to_owned(), family: None, first, quantities })
        })
        .collect()
}
