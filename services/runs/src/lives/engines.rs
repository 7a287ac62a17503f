//! Repair or retire: each engine weighed for the coming twelve months beside a new one.
//!
//! Repairs are services that a finding or a failure asked for; planned upkeep is the same for an old
//! engine and a new one and is left out. The answer is a range with its reason, never a decision.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use chrono::{Datelike as _, Days, NaiveDate};
use fleet::calendar::day_of;
use fleet::engine::{Engine, EngineStatus};
use fleet::id::{EngineId, ModelId, PartId, PoolId, ServiceId, SiteId};
use fleet::part::PartKind;
use fleet::programme::Urgency;
use fleet::service::{Service, ServiceReason};
use fleet::site::{PriceKind, Site};
use life::RepairHistory;
use life::retirement::{PoolRecord, RetirementPrices, SeasonRecord, weigh_engine};
use life::sentence::describe_trend;
use store::snapshot::Snapshot;

use crate::error::RunError;
use crate::hours::{EngineHours, FleetHours, zones};
use crate::lives::costs::Costs;
use crate::lives::items::services_by_engine;
use crate::lives::kept::{EngineWeighed, EnginesKept, Outlook, Season, SeasonCost};

// None of the following has a source: they are of the size that is common practice, and are shown
// with the answer.
/// Seasons over which a new engine's loss in value is spread.
const SEASONS_OF_USE: f64 = 6.0;
/// Share of its price that an engine keeps from one year to the next.
const KEEPS_A_YEAR: f64 = 0.75;
/// It never fetches less than this share of a new one's price.
const FETCHES_MIN: f64 = 0.05;
/// Years that an engine is taken to have where nobody wrote down when it was bought.
const YEARS_UNKNOWN: f64 = 5.0;
/// Repairs of a young engine per hour, beside its pool's.
const YOUNG_SHARE: f64 = 0.5;
/// A part from a donor saves this share of a new one's price: it has run.
const USED_SHARE: f64 = 0.5;
/// Years back in which a part must have been used for somebody to wait for one.
const WAITED_FOR_YEARS: u64 = 2;

/// # Errors
/// A figure on record is beyond what can be weighed.
pub fn weigh_all(
    snapshot: &Snapshot,
    fleet: &FleetHours,
    costs: &Costs<'_>,
) -> Result<EnginesKept, RunError> {
    let refused = |error: life::LifeError| RunError::Refused {
        rule: error.rule(),
        what: format!("an engine can't be weighed: {error}"),
    };
    let records = Records::read(snapshot, fleet, costs);
    let mut by_pool: BTreeMap<PoolId, Vec<(&Engine, Vec<Season>)>> = BTreeMap::new();
    for engine in &snapshot.fleet.engines {
        let seasons = records.seasons(engine);
        by_pool.entry(engine.pool).or_default().push((engine, seasons));
    }
    let mut weighed = Vec::new();
    for (pool, engines) in by_pool {
        // Engines that are gone still say how repairs come in their pool.
        let histories: Vec<Vec<SeasonRecord>> =
            engines.iter().map(|(_, seasons)| plain(seasons)).collect();
        let of_pool = PoolRecord::from_engines(&histories).map_err(refused)?;
        for ((engine, seasons), history) in engines.into_iter().zip(&histories) {
            if !matches!(engine.status, EngineStatus::InService | EngineStatus::LaidUp) {
                continue;
            }
            let Some(site) = records.site_of.get(&pool).copied() else { continue };
            let prices = records.prices(engine, site);
            let next_hours = records.next_hours(engine.id);
            let view = weigh_engine(history, &of_pool, next_hours, &prices).map_err(refused)?;
            weighed.push(EngineWeighed {
                engine: engine.id,
                pool,
                site,
                model: engine.model,
                seasons,
                next_hours,
                keep: cost(view.keep),
                new: cost(view.new),
                outlook: match view.outlook {
                    life::retirement::Outlook::KeepingLooksCheaper => Outlook::KeepingLooksCheaper,
                    life::retirement::Outlook::NewLooksCheaper => Outlook::NewLooksCheaper,
                    life::retirement::Outlook::TooCloseToCall => Outlook::TooCloseToCall,
                },
                donor: view.worth_more_as_donor,
                donor_parts: prices.donor_parts,
                resale_now: prices.resale_now,
                reason: view.reason,
                trend: records.trend(engine),
            });
        }
    }
    weighed.sort_by(|a, b| {
        let beyond = |one: &EngineWeighed| one.keep.mean - one.new.mean;
        a.outlook
            .cmp(&b.outlook)
            .then(beyond(b).total_cmp(&beyond(a)))
            .then(a.engine.cmp(&b.engine))
    });
    Ok(EnginesKept {
        on: fleet.on,
        currency: costs.currency,
        assumptions: assumptions(snapshot, costs),
        engines: weighed,
    })
}

fn assumptions(snapshot: &Snapshot, costs: &Costs<'_>) -> Vec<String> {
    let mut said = Vec::new();
    for site in snapshot.yard.sites.iter().filter(|site| !site.archived) {
        let price = |kind| costs.price(Some(site.id), kind);
        let own = |kind| {
            let mut prices = snapshot.yard.prices.iter();
            let own = prices.find(|price| price.site == site.id && price.kind == kind);
            own.map_or_else(
                || "shipped until the site sets its own".to_owned(),
                |price| price.basis.clone(),
            )
        };
        said.push(format!(
            "{}: a new engine {:.0} {} ({}); a day without it {:.0} ({}).",
            site.name,
            price(PriceKind::NewEngine),
            costs.currency,
            own(PriceKind::NewEngine),
            price(PriceKind::BoatShort),
            own(PriceKind::BoatShort),
        ));
    }
    said.push(format!(
        "A new engine's loss in value is spread over {SEASONS_OF_USE} seasons, an older one's over \
         those that are left of them; an engine keeps {:.0} \
         % of its price from one year to the next; a young one needs {:.0} % of its pool's repairs \
         an hour; a part from a donor saves {:.0} % of a new one, where the model used one in the \
         last {WAITED_FOR_YEARS} years, and never a seal (common practice, no source).",
        KEEPS_A_YEAR * 100.0,
        YOUNG_SHARE * 100.0,
        USED_SHARE * 100.0,
    ));
    said.push(
        "Planned upkeep is the same for both and is left out. A repair is a service that a finding \
         or a failure asked for; a day lost is a day of the hire season on hold, or with a finding \
         that stops the engine."
            .to_owned(),
    );
    said
}

fn cost(cost: life::retirement::SeasonCost) -> SeasonCost {
    let life::retirement::SeasonCost { mean, low, high, repairs, days_lost } = cost;
    SeasonCost { mean, low, high, repairs, days_lost }
}

fn plain(seasons: &[Season]) -> Vec<SeasonRecord> {
    let record = |season: &Season| SeasonRecord {
        ran_hours: season.ran_h,
        repairs: season.repairs,
        repair_money: season.money,
        days_lost: season.days_lost,
    };
    seasons.iter().map(record).collect()
}

/// What is on record of each engine, laid out for weighing.
struct Records<'a> {
    fleet: &'a FleetHours,
    costs: &'a Costs<'a>,
    services: HashMap<EngineId, Vec<&'a Service>>,
    parts_of: HashMap<ServiceId, Vec<(PartId, i64)>>,
    /// First and last day of each hold, and of each finding that stops an engine.
    held: HashMap<EngineId, Vec<(NaiveDate, NaiveDate)>>,
    sites: HashMap<SiteId, &'a Site>,
    site_of: HashMap<PoolId, SiteId>,
    /// What donors of each model would save.
    donors: HashMap<ModelId, f64>,
}

impl<'a> Records<'a> {
    fn read(snapshot: &'a Snapshot, fleet: &'a FleetHours, costs: &'a Costs<'a>) -> Self {
        let mut parts_of: HashMap<ServiceId, Vec<(PartId, i64)>> = HashMap::new();
        for used in &snapshot.work.service_parts {
            parts_of.entry(used.service).or_default().push((used.part, used.quantity));
        }
        let zones = zones(snapshot);
        let site_of: HashMap<PoolId, SiteId> =
            snapshot.fleet.pools.iter().map(|pool| (pool.id, pool.site)).collect();
        let zone_of: HashMap<EngineId, chrono_tz::Tz> = snapshot
            .fleet
            .engines
            .iter()
            .filter_map(|it| Some((it.id, *zones.get(site_of.get(&it.pool)?)?)))
            .collect();
        let mut held: HashMap<EngineId, Vec<(NaiveDate, NaiveDate)>> = HashMap::new();
        let stops = snapshot.work.findings.iter().filter(|it| it.urgency == Urgency::Stop);
        let stops = stops.map(|it| (it.engine, it.found_at, it.closed_at));
        let holds = snapshot.work.holds.iter().map(|it| (it.engine, it.placed_at, it.cleared_at));
        for (engine, from, until) in holds.chain(stops) {
            let zone = zone_of.get(&engine).copied().unwrap_or(chrono_tz::Tz::UTC);
            let until = until.map_or(fleet.on, |at| day_of(at, zone));
            held.entry(engine).or_default().push((day_of(from, zone), until));
        }
        let mut records = Self {
            fleet,
            costs,
            services: services_by_engine(snapshot),
            parts_of,
            held,
            sites: snapshot.yard.sites.iter().map(|site| (site.id, site)).collect(),
            site_of,
            donors: HashMap::new(),
        };
        records.donors = records.value_donors(snapshot);
        records
    }

    /// Parts of a model that were used lately, are no seals and no kits, at what a used one saves.
    fn value_donors(&self, snapshot: &Snapshot) -> HashMap<ModelId, f64> {
        let since = self.fleet.on - Days::new(WAITED_FOR_YEARS * 365);
        let models: HashMap<EngineId, ModelId> =
            snapshot.fleet.engines.iter().map(|it| (it.id, it.model)).collect();
        let fit: HashSet<PartId> = snapshot
            .stores
            .parts
            .iter()
            .filter(|part| part.kind == PartKind::Part && !part.sealing && part.compound.is_none())
            .map(|part| part.id)
            .collect();
        // What is renewed each time anyway nobody takes from a donor.
        let always: HashSet<PartId> = snapshot
            .programme
            .task_parts
            .iter()
            .filter(|row| row.chance_permille >= 1_000)
            .map(|row| row.part)
            .collect();
        let mut waited: HashMap<ModelId, HashSet<PartId>> = HashMap::new();
        for service in self.services.values().flatten().filter(|it| it.done_on >= since) {
            let Some(model) = models.get(&service.engine) else { continue };
            let parts = self.parts_of.get(&service.id).into_iter().flatten();
            let parts = parts.map(|(part, _)| *part);
            waited
                .entry(*model)
                .or_default()
                .extend(parts.filter(|part| fit.contains(part) && !always.contains(part)));
        }
        let value = |parts: HashSet<PartId>| {
            let mut prices: Vec<f64> =
                parts.iter().filter_map(|part| self.costs.parts.of(*part, 1)).collect();
            // In a fixed order, so that a run can be repeated bit for bit.
            prices.sort_by(f64::total_cmp);
            prices.iter().sum::<f64>() * USED_SHARE
        };
        waited.into_iter().map(|(model, parts)| (model, value(parts))).collect()
    }

    /// Seasons of an engine, oldest first, from its first hours on record.
    fn seasons(&self, engine: &Engine) -> Vec<Season> {
        let Some(hours) = self.fleet.engine(engine.id) else { return Vec::new() };
        let site = self.site_of.get(&engine.pool).and_then(|site| self.sites.get(site)).copied();
        let year = SeasonYear::of(site);
        let (Some(first), Some(last)) = (hours.life().first(), hours.last_on()) else {
            return Vec::new();
        };
        let life = |day: NaiveDate| hours.life_on(day).unwrap_or(0.0);
        let mut seasons: Vec<Season> = (year.of_day(first.0)..=year.of_day(last))
            .map(|of| {
                let (from, to) = year.days(of);
                let ran_h = (life(to) - life(from)).max(0.0);
                Season { year: of, ran_h, repairs: 0, money: 0.0, days_lost: 0.0 }
            })
            .collect();
        self.add_repairs(engine, site, year, &mut seasons);
        // A finding and its hold are the same days.
        let held = self.held.get(&engine.id).into_iter().flatten();
        let days: BTreeSet<NaiveDate> = held
            .flat_map(|(from, until)| from.iter_days().take_while(move |day| day <= until))
            .filter(|day| year.is_hire_season(*day))
            .collect();
        for day in days {
            if let Some(season) = season_of(&mut seasons, year.of_day(day)) {
                season.days_lost += 1.0;
            }
        }
        seasons
    }

    fn add_repairs(
        &self,
        engine: &Engine,
        site: Option<&Site>,
        year: SeasonYear,
        seasons: &mut [Season],
    ) {
        let site = site.map(|site| site.id);
        let mut last_repair = None;
        for service in self.services.get(&engine.id).into_iter().flatten() {
            if !is_repair(service) {
                continue;
            }
            let Some(season) = season_of(seasons, year.of_day(service.done_on)) else { continue };
            // Several tasks of one day are one repair.
            if last_repair != Some(service.done_on) {
                season.repairs += 1;
                last_repair = Some(service.done_on);
            }
            let parts = self.parts_of.get(&service.id).into_iter().flatten();
            let parts: f64 =
                parts.filter_map(|(part, quantity)| self.costs.parts.of(*part, *quantity)).sum();
            let bench = match service.spent {
                Some(spent) => self.costs.minutes(site, f64::from(spent.0)),
                None => self.costs.bench(site, service.task),
            };
            season.money += parts + bench;
        }
    }

    fn prices(&self, engine: &Engine, site: SiteId) -> RetirementPrices {
        let new_engine = self.costs.price(Some(site), PriceKind::NewEngine);
        let bought = engine.bought_on.or(engine.first_run_on);
        let years = bought
            .map_or(YEARS_UNKNOWN, |day| (self.fleet.on - day).num_days().max(0) as f64 / 365.25);
        let fetches = |years: f64| new_engine * KEEPS_A_YEAR.powf(years).max(FETCHES_MIN);
        // A young engine loses most of its value in its first years, whoever keeps it: what it still
        // loses is spread over the seasons that it has left, as a new one's is over all of them.
        let left = (SEASONS_OF_USE - years).max(1.0);
        let loses = (fetches(years) - fetches(years + left)) / left;
        RetirementPrices {
            day_lost: self.costs.price(Some(site), PriceKind::BoatShort),
            new_engine,
            new_engine_resale: fetches(SEASONS_OF_USE),
            seasons_of_use: SEASONS_OF_USE,
            resale_now: fetches(years),
            resale_after_season: fetches(years) - loses,
            young_rate_share: YOUNG_SHARE,
            donor_parts: self.donors.get(&engine.model).copied().unwrap_or(0.0),
        }
    }

    /// Hours expected from today on for twelve months.
    fn next_hours(&self, engine: EngineId) -> f64 {
        let mean = |to: NaiveDate| self.fleet.ahead(engine, to).map_or(0.0, |it| it.hours.mean());
        (mean(self.fleet.on + Days::new(365)) - mean(self.fleet.on)).max(0.0)
    }

    fn trend(&self, engine: &Engine) -> Option<String> {
        let hours = self.fleet.engine(engine.id)?;
        let (first, last) = (hours.life().first()?, hours.last_life()?);
        let mut days: Vec<NaiveDate> = self
            .services
            .get(&engine.id)?
            .iter()
            .filter(|service| is_repair(service) && service.done_on > first.0)
            .map(|service| service.done_on)
            .collect();
        days.dedup();
        // Watched from its first hours on record.
        let age = |hours: &EngineHours, day| {
            hours.life_on(day).map(|life| life - first.1).filter(|age| *age > 0.0)
        };
        let ages: Vec<f64> = days.into_iter().filter_map(|day| age(hours, day)).collect();
        let history = RepairHistory::new(ages, Some(last - first.1)).ok()?;
        Some(describe_trend("repairs", &life::estimate_trend(&history), "h"))
    }
}

fn is_repair(service: &Service) -> bool {
    matches!(service.reason, ServiceReason::Finding | ServiceReason::Failure)
}

fn season_of(seasons: &mut [Season], year: i32) -> Option<&mut Season> {
    seasons.iter_mut().find(|season| season.year == year)
}

/// A year that is cut outside the hire season.
#[derive(Clone, Copy)]
struct SeasonYear {
    /// The season runs over the turn of the year.
    over_new_year: bool,
    /// Day of the year of first and last hire, where the site says so.
    hire: Option<(u32, u32)>,
}

impl SeasonYear {
    fn of(site: Option<&Site>) -> Self {
        let days = site.and_then(|site| Some((site.first_hire_on?, site.last_hire_on?)));
        let hire = days.map(|(first, last)| (first.ordinal(), last.ordinal()));
        Self { over_new_year: hire.is_some_and(|(first, last)| last < first), hire }
    }

    /// The year in which the season of a day began.
    fn of_day(self, day: NaiveDate) -> i32 {
        if self.over_new_year { (day - Days::new(182)).year() } else { day.year() }
    }

    fn days(self, year: i32) -> (NaiveDate, NaiveDate) {
        let shift = Days::new(if self.over_new_year { 182 } else { 0 });
        let first = |year| NaiveDate::from_ymd_opt(year, 1, 1).unwrap_or(NaiveDate::MIN);
        (first(year) + shift, first(year + 1) + shift)
    }

    fn is_hire_season(self, day: NaiveDate) -> bool {
        let at = day.ordinal();
        match self.hire {
            None => true,
            Some((first, last)) if first <= last => (first..=last).contains(&at),
            Some((first, last)) => at >= first || at <= last,
        }
    }
}
