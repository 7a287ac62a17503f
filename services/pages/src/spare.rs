//! A spare for an engine that is not to go out, and two engines that change places.

use std::collections::{HashMap, HashSet};

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;
use chrono::TimeDelta;
use fleet::bench::{Job, JobStatus};
use fleet::boat::Fitting;
use fleet::calendar::day_of;
use fleet::engine::{Engine, EngineStatus};
use fleet::id::{EngineId, TaskId};
use fleet::programme::Task;
use fleet::run::RunKind;
use store::{StoreError, Transaction, boats, findings, jobs, record};
use uuid::Uuid;

use crate::due::Days;
use crate::failure::{Failure, onward, sentence, shown, shown_again};
use crate::figures::day;
use crate::form::{Act, Choice, Field, choose};
use crate::frame::{Frame, Link, Notice, Room};
use crate::reads;
use crate::run::{DueRun, Latest};
use crate::state::PagesState;
use crate::visitor::{Posted, Right, Visitor};
use crate::yard_records::{Yard, engine_path};

#[derive(Template)]
#[template(path = "spare.html")]
pub struct SparePage {
    pub frame: Frame,
    pub engine: Link,
    pub heading: String,
    pub lead: String,
    pub path: String,
    pub spares: Vec<SpareOffer>,
    pub no_spare: String,
    /// Engines that sit on other boats of the pool; empty where there is none.
    pub others: Vec<Choice>,
    pub other: Field,
}

/// A spare, and the button that fits it.
#[derive(Clone, Debug)]
pub struct SpareOffer {
    pub act: Act,
    pub says: String,
}

/// What stands on the page of an engine that is not to go out.
#[derive(Clone, Debug)]
pub struct SpareBox {
    pub heading: String,
    pub lead: String,
    pub spares: Vec<SpareOffer>,
    pub more: Link,
}

/// Spares that stand on an engine's own page.
const OFFERED: usize = 3;
/// As far ahead as a booking makes a boat wanted.
const WANTED_DAYS: i64 = 14;
/// As far ahead as a spare's own work is looked at.
const DUE_DAYS: u64 = 30;

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(engine): Path<Uuid>,
) -> Result<Response, Failure> {
    visitor.check(Right::Plan)?;
    let about = About::read(&state, &visitor, EngineId(engine)).await?;
    shown(&about.page(&visitor, Field::default()))
}

/// Fits a spare, or lets two engines change places, now.
pub async fn save(
    State(state): State<PagesState>,
    Path(engine): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::Plan)?;
    let about = About::read(&state, &visitor, EngineId(engine)).await?;
    let engine_of = |name| fields.get(name).parse::<Uuid>().ok().map(EngineId);
    let (organisation, author, id) =
        (visitor.organisation, visitor.author(&state), about.engine.id);
    let at = author.at;
    let (done, says) = match (engine_of("spare"), engine_of("other")) {
        (Some(spare), _) => {
            let fit = async |tx: &Transaction| {
                boats::fit_spare(tx, organisation, &author, (spare, id), at).await
            };
            let says = format!(
                "{} is on {} now; {} came off and is a spare once it may be hired.",
                about.serial(spare),
                about.boat(),
                about.engine.serial
            );
            (state.store.write(fit).await.map(drop), says)
        }
        (None, Some(other)) => {
            let swap = async |tx: &Transaction| {
                boats::exchange(tx, organisation, &author, (id, other), at).await
            };
            let says = format!(
                "{} is on {} now, and {} on {}.",
                about.serial(other),
                about.boat(),
                about.engine.serial,
                about.yard.name(other)
            );
            (state.store.write(swap).await.map(drop), says)
        }
        (None, None) => {
            let fault = "Choose the engine to change places with.".to_owned();
            let other = Field { fault, ..Field::default() };
            return shown_again(&about.page(&visitor, other));
        }
    };
    match done {
        Ok(()) => Ok(onward(&state, &engine_path(id), &Notice::done(says))),
        Err(StoreError::Broken { what, .. }) => {
            let mut page = about.page(&visitor, Field::of(fields.get("other")));
            page.frame.notice = Some(Notice::wrong(sentence(&what)));
            shown_again(&page)
        }
        Err(error) => Err(error.into()),
    }
}

/// What is offered on the page of `engine`: where it sits on a boat and is on hold or on the bench.
pub async fn offered(
    state: &PagesState,
    visitor: &Visitor,
    engine: EngineId,
) -> Result<Option<SpareBox>, Failure> {
    if !visitor.may(Right::Plan) {
        return Ok(None);
    }
    let about = About::read(state, visitor, engine).await?;
    if about.place.is_none() || about.out.is_empty() {
        return Ok(None);
    }
    let mut spares = about.offers();
    spares.truncate(OFFERED);
    let none = if spares.is_empty() { format!(" {}", about.no_spare()) } else { String::new() };
    Ok(Some(SpareBox {
        heading: format!("A spare for {}", about.boat()),
        lead: about.lead() + &none,
        spares,
        more: Link::new("All spares, or swap with another boat", about.path()),
    }))
}

struct About {
    yard: Yard,
    engine: Engine,
    place: Option<Fitting>,
    /// Why the engine is not to go out; empty where nothing is in its way.
    out: String,
    /// Whether and when boats of its pool are wanted.
    wanted: String,
    /// Spares of the pool, the least due first, and what is next on them.
    spares: Vec<(EngineId, String)>,
}

impl About {
    async fn read(
        state: &PagesState,
        visitor: &Visitor,
        engine: EngineId,
    ) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let engine = record::get::<Engine>(connection, organisation, engine).await?;
        let yard = Yard::read(state, visitor).await?;
        let place = boats::open_of(connection, organisation, engine.id).await?;
        let holds = findings::open_holds(connection, organisation).await?;
        let held: HashSet<EngineId> = holds.iter().map(|hold| hold.engine).collect();
        let of_pool: Vec<EngineId> =
            yard.engines.values().filter(|one| one.pool == engine.pool).map(|one| one.id).collect();
        let mut at_work: Vec<Job> = jobs::of_engines(connection, organisation, &of_pool).await?;
        at_work.retain(|job| matches!(job.status, JobStatus::OnBench | JobStatus::OnTest));
        let hold = holds.iter().find(|hold| hold.engine == engine.id);
        let job = at_work.iter().find(|job| job.engine == engine.id);
        let out = match (hold, job) {
            (Some(hold), _) => format!("is on hold: {}", hold.reason),
            (None, Some(job)) => format!("is on the bench with job {}", job.number),
            (None, None) => String::new(),
        };
        let busy: HashSet<EngineId> = at_work.iter().map(|job| job.engine).collect();
        let free = |id: &EngineId| {
            yard.engines.get(id).is_some_and(|one| one.status == EngineStatus::InService)
                && *id != engine.id
                && yard.boat_of(*id).is_none()
                && !held.contains(id)
                && !busy.contains(id)
        };
        let spares: Vec<EngineId> = of_pool.into_iter().filter(free).collect();
        let spares = by_least_due(state, visitor, &yard, spares).await?;
        let until = yard.now + TimeDelta::days(WANTED_DAYS);
        let bookings = reads::bookings_from(connection, organisation, yard.now).await?;
        let first = bookings
            .iter()
            .filter(|booking| booking.pool == engine.pool && booking.starts_at < until)
            .map(|booking| booking.starts_at.max(yard.now))
            .min();
        let pool = yard.pool(engine.pool).map_or("its pool", |pool| pool.name.as_str());
        let wanted = match first {
            Some(at) => format!(
                "Boats of {pool} are booked from {} on.",
                day(day_of(at, yard.zone), yard.today)
            ),
            None => format!(
                "No boat of {pool} is booked in the coming {WANTED_DAYS} days: it can wait."
            ),
        };
        Ok(Self { yard, engine, place, out, wanted, spares })
    }

    fn path(&self) -> String {
        format!("{}/spare", engine_path(self.engine.id))
    }

    fn boat(&self) -> String {
        self.yard.name(self.engine.id)
    }

    fn serial(&self, engine: EngineId) -> &str {
        self.yard.engines.get(&engine).map_or("", |engine| engine.serial.as_str())
    }

    fn lead(&self) -> String {
        match self.out.as_str() {
            "" => self.wanted.clone(),
            out => format!("{} {out}. {}", self.engine.serial, self.wanted),
        }
    }

    fn no_spare(&self) -> String {
        "No engine of the pool is free: each sits on a boat, is on hold or on the bench.".to_owned()
    }

    fn offers(&self) -> Vec<SpareOffer> {
        let offer = |(spare, says): &(EngineId, String)| SpareOffer {
            act: Act::new(format!("Fit {} now", self.serial(*spare)), self.path())
                .with("spare", spare),
            says: says.clone(),
        };
        self.spares.iter().map(offer).collect()
    }

    /// Engines on other boats of the pool, by the boat's name.
    fn others(&self, chosen: &str) -> Vec<Choice> {
        let fitted = self.yard.engines.values().filter(|one| {
            one.pool == self.engine.pool
                && one.id != self.engine.id
                && self.yard.boat_of(one.id).is_some()
        });
        let mut others: Vec<Choice> = fitted
            .map(|one| {
                let text = format!("{}, {}", self.yard.name(one.id), one.serial);
                Choice::new(one.id.to_string(), text)
            })
            .collect();
        others.sort_by(|a, b| a.text.cmp(&b.text));
        choose([Choice::new("", "choose")].into_iter().chain(others), chosen)
    }

    fn page(&self, visitor: &Visitor, other: Field) -> SparePage {
        let path = engine_path(self.engine.id);
        let (heading, spares, others, no_spare) = match &self.place {
            Some(_) => (
                format!("A spare for {}, or another boat's engine", self.boat()),
                self.offers(),
                self.others(&other.value),
                self.no_spare(),
            ),
            None => (
                format!("{} sits on no boat", self.engine.serial),
                Vec::new(),
                Vec::new(),
                "There is no place to fit another engine to.".to_owned(),
            ),
        };
        SparePage {
            frame: visitor.frame("Fit a spare", Room::Fleet),
            engine: Link::new(&self.engine.serial, &path),
            heading,
            lead: self.lead(),
            path: self.path(),
            spares,
            no_spare,
            others,
            other,
        }
    }
}

/// The spares with what is next on each, the least due first; without a due run by their serials.
async fn by_least_due(
    state: &PagesState,
    visitor: &Visitor,
    yard: &Yard,
    mut spares: Vec<EngineId>,
) -> Result<Vec<(EngineId, String)>, Failure> {
    let serial = |id: &EngineId| yard.engines.get(id).map(|engine| engine.serial.clone());
    spares.sort_by_key(serial);
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let latest = Latest::of(state, organisation, RunKind::Due).await?;
    let run = match latest.done.as_ref().filter(|_| !spares.is_empty()) {
        Some(done) => Some(DueRun::read(state, organisation, done).await?),
        None => None,
    };
    let Some(run) = run else {
        return Ok(spares.into_iter().map(|id| (id, "Free.".to_owned())).collect());
    };
    let tasks: Vec<Task> = record::all(connection, organisation).await?;
    let tasks: HashMap<TaskId, String> =
        tasks.into_iter().map(|task| (task.id, task.name)).collect();
    let by = yard.today + chrono::Days::new(DUE_DAYS);
    let days = Days { today: yard.today, by, style: yard.style };
    let mut ranked = Vec::new();
    for id in spares {
        let ahead = run.ahead(id, by);
        let known = run.lines.iter().filter(|line| line.engine == id && !line.facts.is_unknown());
        let worst =
            known.map(|line| (line.task, line.facts.show(days, ahead.as_ref()))).max_by(|a, b| {
                a.1.urgency.partial_cmp(&b.1.urgency).unwrap_or(std::cmp::Ordering::Equal)
            });
        ranked.push((id, worst));
    }
    let urgency = |one: &(EngineId, Option<(TaskId, crate::due::DueShown)>)| {
        one.1.as_ref().map_or((false, 0.0, 0.0), |(_, shown)| {
            (shown.urgency.over, shown.urgency.chance, shown.urgency.used)
        })
    };
    ranked.sort_by(|a, b| urgency(a).partial_cmp(&urgency(b)).unwrap_or(std::cmp::Ordering::Equal));
    let says = |worst: Option<(TaskId, crate::due::DueShown)>| match worst {
        None => "Free; nothing falls due on it.".to_owned(),
        Some((task, shown)) => {
            let task = tasks.get(&task).cloned().unwrap_or_default();
            format!("Free. Next on it: {task} ({}).", shown.sentence)
        }
    };
    Ok(ranked.into_iter().map(|(id, worst)| (id, says(worst))).collect())
}
