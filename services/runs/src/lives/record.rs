//! The life of each part that was renewed, from services, findings and hours on record.
//!
//! What is known of one life: it ended sound (renewed because it was due, or still in service): at
//! least so long. It failed in use: at that age. A look showed that it must be renewed: between the
//! last look that showed nothing and this one. A life whose beginning is not on record is left out;
//! that is no bias, since what is left out does not depend on how long it lasted.

use std::collections::HashMap;

use chrono::{Days, NaiveDate};
use fleet::due::LastDone;
use fleet::engine::{Engine, EngineStatus};
use fleet::id::{EngineId, ModelId, PoolId, SiteId};
use fleet::pool::Water;
use fleet::service::{Service, ServiceReason};
use life::Life;
use store::snapshot::Snapshot;

use crate::due::record_begins;
use crate::hours::{Basis, EngineHours, FleetHours};
use crate::lives::items::{Item, Items, Taken, services_by_engine};

/// Days within which a renewal answers the look that found it wanting.
const LOOK_DAYS: u64 = 3;
/// Days without a reading after which a meter's last figure says nothing of the day.
const SILENT_DAYS: i64 = 31;
/// Days before a swap in which the old meter gained nothing: it had stopped.
const STOPPED_DAYS: i64 = 14;

/// One life.
#[derive(Clone, Debug, PartialEq)]
pub struct PartLife {
    pub engine: EngineId,
    pub model: ModelId,
    pub pool: PoolId,
    pub site: Option<SiteId>,
    pub water: Option<Water>,
    pub began_on: NaiveDate,
    pub ended_on: NaiveDate,
    /// It is in the engine now.
    pub in_engine: bool,
    pub life: Life,
}

/// All that is on record of one item.
#[derive(Clone, Debug, Default)]
pub struct Recorded {
    pub lives: Vec<PartLife>,
    /// Renewals whose beginning or hours are not on record.
    pub left_out: usize,
    pub unknown_reason: usize,
}

/// Lives by item.
pub fn read(snapshot: &Snapshot, fleet: &FleetHours, items: &Items<'_>) -> HashMap<Item, Recorded> {
    let services = services_by_engine(snapshot);
    let places = Places::read(snapshot);
    let mut recorded: HashMap<Item, Recorded> = HashMap::new();
    for engine in &snapshot.fleet.engines {
        let services = services.get(&engine.id).map_or(&[][..], Vec::as_slice);
        let Some(hours) = fleet.engine(engine.id) else { continue };
        let new = match record_begins(snapshot, fleet, engine, services) {
            Some(LastDone::NeverSinceNew { in_service }) => Some(in_service),
            _ => None,
        };
        let meter = MeterRecord::read(hours);
        for item in items.followed(engine.model) {
            let walk = Walk { engine, items, item, hours, meter: &meter, places: &places };
            walk.along(services, new, fleet.on, recorded.entry(item).or_default());
        }
    }
    recorded
}

/// Where an engine was on a day.
struct Places {
    stays: HashMap<EngineId, Vec<(NaiveDate, Option<NaiveDate>, PoolId)>>,
    pools: HashMap<PoolId, (SiteId, Water)>,
}

impl Places {
    fn read(snapshot: &Snapshot) -> Self {
        let mut stays: HashMap<EngineId, Vec<_>> = HashMap::new();
        for stay in &snapshot.fleet.pool_stays {
            let stay = (stay.engine, (stay.from_on, stay.until_on, stay.pool));
            stays.entry(stay.0).or_default().push(stay.1);
        }
        let pools = snapshot.fleet.pools.iter();
        Self { stays, pools: pools.map(|pool| (pool.id, (pool.site, pool.water))).collect() }
    }

    fn pool_on(&self, engine: &Engine, day: NaiveDate) -> PoolId {
        let stays = self.stays.get(&engine.id).into_iter().flatten();
        let mut there =
            stays.filter(|(from, until, _)| *from <= day && until.is_none_or(|until| day < until));
        there.next().map_or(engine.pool, |(.., pool)| *pool)
    }
}

/// When an engine's meter told nothing.
struct MeterRecord {
    /// From the last hour that a stopped meter counted to its swap, life hours at both.
    stopped: Vec<(NaiveDate, NaiveDate, f64)>,
}

impl MeterRecord {
    fn read(hours: &EngineHours) -> Self {
        let mut stopped = Vec::new();
        if hours.basis == Basis::Meter {
            for swap in &hours.meter_changes {
                let at = hours.life().partition_point(|point| point.0 < *swap);
                let (Some(before), Some(after)) =
                    (at.checked_sub(1).map(|at| hours.life()[at]), hours.life().get(at))
                else {
                    continue;
                };
                // Seconds are kept: a meter that ran at all gained more than this.
                let gained = after.1 - before.1;
                if gained < 0.05 && (*swap - before.0).num_days() >= STOPPED_DAYS {
                    stopped.push((before.0, *swap, before.1));
                }
            }
        }
        Self { stopped }
    }

    /// Life hours up to which a meter surely counted between two days; `None`: all the way.
    fn counted_to(&self, hours: &EngineHours, from: NaiveDate, to: NaiveDate) -> Option<f64> {
        let within = |(stopped_on, swapped_on, _): &&(NaiveDate, NaiveDate, f64)| {
            *stopped_on < to && from < *swapped_on
        };
        if let Some((.., life)) = self.stopped.iter().find(within) {
            return Some(*life);
        }
        let silent = hours.basis == Basis::Meter
            && hours.last_on().is_some_and(|last| (to - last).num_days() > SILENT_DAYS);
        silent.then(|| hours.last_life()).flatten()
    }
}

/// A moment in an engine's life that ages are counted between.
#[derive(Clone, Copy)]
struct Point {
    on: NaiveDate,
    /// As written down at the bench.
    written: Option<f64>,
    /// As the readings around it say.
    read: Option<f64>,
}

/// How long from one point to another.
#[derive(Clone, Copy)]
enum Age {
    Known(f64),
    /// The meter stood still meanwhile.
    AtLeast(f64),
}

/// One item along the services of one engine.
struct Walk<'a> {
    engine: &'a Engine,
    items: &'a Items<'a>,
    item: Item,
    hours: &'a EngineHours,
    meter: &'a MeterRecord,
    places: &'a Places,
}

impl Walk<'_> {
    fn along(
        &self,
        services: &[&Service],
        new: Option<NaiveDate>,
        today: NaiveDate,
        into: &mut Recorded,
    ) {
        let mut began: Option<Point> = new.map(|on| Point { on, written: Some(0.0), read: None });
        if let Some(began) = began.as_mut() {
            began.read = Some(0.0);
        }
        let mut looks = Looks { sound: began, before: None };
        for service in services {
            let at = self.point(service);
            let renewed =
                self.items.renewed_by(service.id).is_some_and(|it| it.contains(&self.item));
            if renewed {
                if service.reason == ServiceReason::Unknown {
                    into.unknown_reason += 1;
                }
                match began.and_then(|began| self.ended(began, at, &looks, service)) {
                    Some(life) => into.lives.push(life),
                    None => into.left_out += 1,
                }
                began = Some(at);
                looks = Looks { sound: began, before: None };
            } else if self.is_look(service) {
                looks.note(at);
            }
        }
        into.lives.extend(began.and_then(|began| self.in_engine(began, today)));
    }

    fn point(&self, service: &Service) -> Point {
        Point {
            on: service.done_on,
            written: service.life.map(fleet::Hours::as_decimal),
            // Before its first hours nobody knows what it ran.
            read: self
                .hours
                .life_on(service.done_on)
                .filter(|_| self.hours.life().first().is_some_and(|it| it.0 <= service.done_on)),
        }
    }

    /// Whether a service that did not renew the item shows that it is sound.
    fn is_look(&self, service: &Service) -> bool {
        let model = self.engine.model;
        if self.items.taken(service.task, model, self.item) == Some(Taken::OnCondition) {
            return true;
        }
        self.items.checks_of(model, self.item).any(|check| check == service.task)
    }

    fn ended(&self, began: Point, at: Point, looks: &Looks, service: &Service) -> Option<PartLife> {
        let age = self.age(began, at)?;
        let model = self.engine.model;
        let failed = matches!(service.reason, ServiceReason::Finding | ServiceReason::Failure);
        let taken = self.items.taken(service.task, model, self.item);
        let since = |sound: Option<Point>| {
            let known = sound.and_then(|sound| self.age(began, sound));
            known.map_or(0.0, |(Age::Known(age) | Age::AtLeast(age))| age)
        };
        let life = match age {
            Age::AtLeast(age) => Life::in_service(age),
            Age::Known(age) if taken == Some(Taken::OnCondition) => {
                Life::failed_between(since(looks.sound).min(age), age)
            }
            Age::Known(age) if failed && self.items.is_main(service.task, model, self.item) => {
                match looks.before_look_at(service.done_on) {
                    Some(sound) => Life::failed_between(since(sound).min(age), age),
                    None => Life::failed_at(age),
                }
            }
            // Part of no task: it was put in because the old one was bad.
            Age::Known(age) if taken.is_none() => {
                Life::failed_between(since(looks.sound).min(age), age)
            }
            Age::Known(age) => Life::in_service(age),
        };
        // Renewed twice at one age: nothing has run between.
        let life = life.ok().filter(|life| life.upper().unwrap_or(life.lower()) > 0.0)?;
        Some(self.life(began, at.on, life, false))
    }

    fn in_engine(&self, began: Point, today: NaiveDate) -> Option<PartLife> {
        let last = self.hours.last_life()?;
        let at = began.read.or(began.written)?;
        let life = Life::in_service((last - at).max(0.0)).ok()?;
        let in_engine =
            matches!(self.engine.status, EngineStatus::InService | EngineStatus::LaidUp);
        let ended_on = if in_engine { today } else { self.hours.last_on()? };
        // Nothing has run yet: no life, but there for what is expected.
        Some(self.life(began, ended_on.max(began.on), life, in_engine))
    }

    fn life(&self, began: Point, ended_on: NaiveDate, life: Life, in_engine: bool) -> PartLife {
        let pool = self.places.pool_on(self.engine, ended_on);
        let place = self.places.pools.get(&pool);
        PartLife {
            engine: self.engine.id,
            model: self.engine.model,
            pool,
            site: place.map(|place| place.0),
            water: place.map(|place| place.1),
            began_on: began.on,
            ended_on,
            in_engine,
            life,
        }
    }

    /// Hours between two points: as written at both, for then no meter can have stopped unseen;
    /// else as read.
    fn age(&self, from: Point, to: Point) -> Option<Age> {
        if let (Some(from), Some(to)) = (from.written, to.written)
            && to >= from
        {
            return Some(Age::Known(to - from));
        }
        let (read_from, read_to) = (from.read.or(from.written)?, to.read?);
        let counted_to = self.meter.counted_to(self.hours, from.on, to.on);
        Some(match counted_to {
            Some(counted) => Age::AtLeast((counted - read_from).max(0.0)),
            None => Age::Known((read_to - read_from).max(0.0)),
        })
    }
}

/// What looks have shown of the part that is in now.
struct Looks {
    /// The last point at which it was surely sound.
    sound: Option<Point>,
    /// The day of the latest look, and the point before it.
    before: Option<(NaiveDate, Option<Point>)>,
}

impl Looks {
    fn note(&mut self, at: Point) {
        let together = self.before.filter(|(on, _)| *on + Days::new(LOOK_DAYS) >= at.on);
        self.before = Some((at.on, together.map_or(self.sound, |(_, sound)| sound)));
        self.sound = Some(at);
    }

    /// Where a look of these days brought a failure to light: the last sound point before it.
    fn before_look_at(&self, day: NaiveDate) -> Option<Option<Point>> {
        let (on, sound) = self.before?;
        (on + Days::new(LOOK_DAYS) >= day).then_some(sound)
    }
}
