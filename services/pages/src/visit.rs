//! One visit of a plan: why it stands where it does, where else it might and what that costs, shown
//! before it is kept.

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::response::Response;
use chrono::NaiveDate;
use fleet::id::{PlanId, VisitId};
use fleet::money::{Currency, Money};
use fleet::visit::{Plan, Visit};
use runs::plan::standing::{
    self, DatedMoves, DatedOpening, Destination, PartsOfCost, lock_visit, move_visit,
};
use serde::Deserialize;
use store::record;
use uuid::Uuid;

use crate::failure::{Failure, onward, sentence, shown, shown_again};
use crate::figures::{capital, day};
use crate::form::{Act, Fact, Field, Mark};
use crate::frame::{Frame, Link, Notice};
use crate::lay_up::reason_in_words;
use crate::plan_seen::{PlanSeen, bench_time, more_or_less, plan_path, room, stands, stay};
use crate::state::PagesState;
use crate::visitor::{Posted, Right, Visitor};
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "visit.html")]
pub struct VisitPage {
    pub frame: Frame,
    pub plan: Link,
    pub engine: Link,
    pub heading: String,
    pub lead: String,
    pub mark: Option<Mark>,
    /// Why it is wanted, and why then.
    pub why: Vec<String>,
    /// What standing there costs, part by part.
    pub costs: Vec<Fact>,
    pub facts: Vec<Fact>,
    /// The day that was asked about.
    pub on: Field,
    pub path: String,
    /// What the day asked about would cost, in a sentence.
    pub asked: String,
    /// Keeps that day.
    pub keep: Option<Act>,
    pub others: Vec<OpeningLine>,
    /// Lock, leave out, or what must be done before anything can be moved.
    pub acts: Vec<Act>,
}

/// Another day that is free, cheapest first.
#[derive(Clone, Debug)]
pub struct OpeningLine {
    pub day: Link,
    pub costs: String,
    pub why: String,
}

/// Days that are offered.
const OTHERS_MAX: usize = 8;

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    on: String,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(visit): Path<Uuid>,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    let seen = Seen::read(&state, &visitor, VisitId(visit)).await?;
    let on = Field::of(&wanted.on);
    shown(&seen.page(&visitor, on))
}

/// A visit within its plan.
struct Seen {
    yard: Yard,
    plan: PlanSeen,
    visit: Visit,
    moves: Option<DatedMoves>,
    currency: Currency,
}

impl Seen {
    async fn read(state: &PagesState, visitor: &Visitor, visit: VisitId) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let yard = Yard::read(state, visitor).await?;
        let visit: Visit = record::get(connection, organisation, visit).await?;
        let plan = PlanSeen::read(connection, organisation, visit.plan).await?;
        let moves = match &plan.standing {
            Some(standing) => Some(standing.moves(visit.id)?),
            None => None,
        };
        let currency = plan.currency().unwrap_or(Currency::EUR);
        Ok(Self { yard, plan, visit, moves, currency })
    }

    fn page(&self, visitor: &Visitor, on: Field) -> VisitPage {
        let (visit, plan) = (&self.visit, &self.plan.plan);
        let name = self.yard.name(visit.engine);
        let stands_on = visit.starts_on.zip(visit.ends_on);
        let when =
            stands_on.map_or("left out".to_owned(), |(from, to)| stay(from, to, self.yard.today));
        let may = visitor.may(Right::Plan);
        let (asked, keep) = self.asked(&on.value, may);
        let mut facts = vec![
            Fact::new("Work", self.plan.tasks(visit.id)),
            Fact::new("Bench time", bench_time(visit.bench)),
        ];
        let place = self.plan.place(visit);
        facts.extend((!place.is_empty()).then(|| Fact::new("Where and who", place)));
        facts.extend(visit.mode.clone().map(|mode| Fact::new("Way", capital(&mode))));
        VisitPage {
            frame: visitor.frame(&name, room(plan.kind)),
            plan: Link::new(&plan.name, plan_path(plan)),
            engine: self.yard.link(visit.engine),
            heading: format!("{name}: {when}"),
            lead: stands(plan, &self.yard),
            mark: visit.locked.then(|| Mark::plain("locked")),
            why: self.why(),
            costs: self.parts(),
            facts,
            on,
            path: PlanSeen::visit_path(visit.id),
            asked,
            keep,
            others: self.others(),
            acts: if may { self.acts() } else { Vec::new() },
        }
    }

    fn why(&self) -> Vec<String> {
        let wanted =
            self.plan.standing.as_ref().and_then(|standing| {
                Some(standing.problem.of_engine(self.visit.engine)?.why.clone())
            });
        let mut why: Vec<String> = wanted.map(|why| sentence(&why)).into_iter().collect();
        let Some(moves) = &self.moves else {
            why.extend(self.visit.reason.as_deref().map(sentence));
            return why;
        };
        match (&moves.now, self.cheapest()) {
            (Some(now), Some(best)) if best.change < 0 => why.push(format!(
                "{} would cost {} than {}: it stands where a person put it, or where the search \
                 left it.",
                day(best.on, self.yard.today),
                more_or_less(best.change, self.currency),
                day(now.on, self.yard.today)
            )),
            (Some(_), Some(best)) => why.push(format!(
                "As all else stands no free day is cheaper; the next best, {}, costs {}.",
                day(best.on, self.yard.today),
                more_or_less(best.change, self.currency)
            )),
            (Some(_), None) => why.push("As all else stands no other day is free.".to_owned()),
            (None, _) => why.extend(self.visit.reason.as_deref().map(sentence)),
        }
        why
    }

    /// The free day that costs least, where it stands not counted.
    fn cheapest(&self) -> Option<&DatedOpening> {
        let free = self.free();
        free.into_iter().min_by_key(|opening| (opening.change, opening.on))
    }

    /// One opening a day: the cheapest way that is free, where it stands not counted.
    fn free(&self) -> Vec<&DatedOpening> {
        let Some(moves) = &self.moves else { return Vec::new() };
        let now = moves.now.as_ref().map(|now| now.on);
        let mut free: Vec<&DatedOpening> = moves
            .openings
            .iter()
            .filter(|opening| opening.blocked_by.is_empty() && Some(opening.on) != now)
            .collect();
        free.sort_by_key(|opening| (opening.on, opening.change));
        free.dedup_by_key(|opening| opening.on);
        free
    }

    fn parts(&self) -> Vec<Fact> {
        let now = self.moves.as_ref().and_then(|moves| moves.now.as_ref());
        now.map(|now| parts(now.parts, self.currency)).unwrap_or_default()
    }

    fn others(&self) -> Vec<OpeningLine> {
        let mut free = self.free();
        free.sort_by_key(|opening| (opening.change, opening.on));
        let line = |opening: &DatedOpening| OpeningLine {
            day: Link::new(
                stay(opening.on, opening.last_on, self.yard.today),
                format!("{}?on={}", PlanSeen::visit_path(self.visit.id), opening.on),
            ),
            costs: more_or_less(opening.change, self.currency),
            why: dearest(opening.parts, self.currency),
        };
        free.into_iter().take(OTHERS_MAX).map(line).collect()
    }

    /// What is said of the day asked about, and the button that keeps it.
    fn asked(&self, on: &str, may: bool) -> (String, Option<Act>) {
        let (Ok(on), Some(moves)) = (on.parse::<NaiveDate>(), &self.moves) else {
            return (String::new(), None);
        };
        let said = day(on, self.yard.today);
        if self.visit.starts_on == Some(on) {
            return (format!("It stands on {said} already."), None);
        }
        let there: Vec<&DatedOpening> =
            moves.openings.iter().filter(|opening| opening.on == on).collect();
        let free = there.iter().filter(|opening| opening.blocked_by.is_empty());
        let Some(best) = free.min_by_key(|opening| opening.change) else {
            let mut blocks: Vec<String> = there
                .iter()
                .flat_map(|opening| &opening.blocked_by)
                .map(|block| reason_in_words(block))
                .collect();
            blocks.sort_unstable();
            blocks.dedup();
            let why = match there.is_empty() {
                true => "the bench is closed then, or it is outside the plan's days".to_owned(),
                false => blocks.join(", "),
            };
            return (format!("It can't begin on {said}: {why}."), None);
        };
        let costs = match best.change {
            0 => "the plan costs the same".to_owned(),
            change => format!("the plan costs {}", more_or_less(change, self.currency)),
        };
        let why = dearest(best.parts, self.currency);
        let locked = if self.visit.locked { " It is locked: unlock it first." } else { "" };
        let can = may && self.plan.is_draft() && !self.visit.locked;
        let keep = can.then(|| {
            let path = format!("{}/move", PlanSeen::visit_path(self.visit.id));
            Act::new(format!("Put it on {said}"), path)
                .with("on", on)
                .with("version", self.visit.version)
        });
        (
            format!(
                "On {}: {costs}. There it costs most for {why}.{locked}",
                stay(best.on, best.last_on, self.yard.today)
            ),
            keep,
        )
    }

    fn acts(&self) -> Vec<Act> {
        let (visit, plan) = (&self.visit, &self.plan.plan);
        if !self.plan.is_draft() {
            let draft =
                Act::new("Make a draft to change it in", format!("/plans/{}/draft", plan.id));
            return vec![draft.with("engine", visit.engine)];
        }
        let path = |verb: &str| format!("{}/{verb}", PlanSeen::visit_path(visit.id));
        let mut acts = Vec::new();
        if visit.locked {
            acts.push(Act::new("Unlock it", path("lock")).with("locked", ""));
        } else if visit.starts_on.is_some() {
            acts.push(Act::new("Lock it on this day", path("lock")).with("locked", "yes"));
            let leaving = self.moves.as_ref().and_then(|moves| moves.leaving_out);
            acts.extend(leaving.map(|change| {
                let costs = more_or_less(change, self.currency);
                Act::new(format!("Leave it out ({costs})"), path("move")).with("on", "")
            }));
        }
        acts.into_iter().map(|act| act.with("version", visit.version)).collect()
    }
}

/// Each part of a visit's cost that is there.
fn parts(parts: PartsOfCost, currency: Currency) -> Vec<Fact> {
    let fact =
        |(name, minor): (&str, i64)| Fact::new(name, Money::new(minor, currency).to_string());
    named(parts).into_iter().filter(|(_, minor)| *minor != 0).map(fact).collect()
}

fn named(parts: PartsOfCost) -> [(&'static str, i64); 6] {
    let PartsOfCost { mode, start_day, hire_lost, moved, overtime, boats_short } = parts;
    [
        ("Lateness, risk and life thrown away", start_day),
        ("Hire lost", hire_lost),
        ("Overtime", overtime),
        ("Boats short", boats_short),
        ("Moved against the plan that holds", moved),
        ("Work put off, or the dearer way", mode),
    ]
}

/// The largest part of a cost, in words.
fn dearest(parts: PartsOfCost, currency: Currency) -> String {
    let most = named(parts).into_iter().max_by_key(|(_, minor)| *minor);
    match most {
        Some((name, minor)) if minor > 0 => {
            let name = name.to_lowercase();
            format!("{name} ({})", Money::new(minor, currency))
        }
        _ => "nothing".to_owned(),
    }
}

pub async fn keep(
    State(state): State<PagesState>,
    Path(visit): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::Plan)?;
    let visit = VisitId(visit);
    let on = fields.get("on");
    let to = match on {
        "" => None,
        on => match on.parse() {
            Ok(day) => Some(day),
            Err(_) => {
                let seen = Seen::read(&state, &visitor, visit).await?;
                let fault = "Write a day as 2026-11-03.".to_owned();
                let on = Field { value: on.to_owned(), fault };
                return shown_again(&seen.page(&visitor, on));
            }
        },
    };
    let version = fields.get("version").parse().unwrap_or(0);
    let author = visitor.author(&state);
    let to = Destination { on: to, mode: None };
    let moved =
        move_visit(&state.store, visitor.organisation, &author, (visit, version), &to).await?;
    let yard = Yard::read(&state, &visitor).await?;
    let name = yard.name(moved.engine);
    let says = match moved.starts_on {
        Some(on) => format!("{name} is on the bench on {} now.", day(on, yard.today)),
        None => format!("{name} is left out of this plan now."),
    };
    let plan: Plan =
        record::get(state.store.connection(), visitor.organisation, moved.plan).await?;
    Ok(onward(&state, &plan_path(&plan), &Notice::done(says)))
}

pub async fn lock(
    State(state): State<PagesState>,
    Path(visit): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::Plan)?;
    let version = fields.get("version").parse().unwrap_or(0);
    let author = visitor.author(&state);
    let (visit, locked) = ((VisitId(visit), version), fields.has("locked"));
    let changed = lock_visit(&state.store, visitor.organisation, &author, visit, locked).await?;
    let yard = Yard::read(&state, &visitor).await?;
    let name = yard.name(changed.engine);
    let says = match changed.locked {
        true => format!("{name} is locked: no later plan moves it."),
        false => format!("{name} may be moved again."),
    };
    let plan: Plan =
        record::get(state.store.connection(), visitor.organisation, changed.plan).await?;
    Ok(onward(&state, &plan_path(&plan), &Notice::done(says)))
}

/// A draft of a plan, to be changed beside it; where it was asked for from a visit, on to that.
pub async fn draft(
    State(state): State<PagesState>,
    Path(plan): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::Plan)?;
    let (organisation, author) = (visitor.organisation, visitor.author(&state));
    let draft = standing::draft_of(&state.store, organisation, &author, PlanId(plan)).await?;
    let says = Notice::done("This is a draft to change; what is published holds meanwhile.");
    let engine = fields.get("engine");
    let visits = store::plans::visits(state.store.connection(), organisation, draft.id).await?;
    let visit = visits.iter().find(|visit| visit.engine.to_string() == engine);
    let to = visit.map_or_else(|| plan_path(&draft), |visit| PlanSeen::visit_path(visit.id));
    Ok(onward(&state, &to, &says))
}

pub async fn publish(
    State(state): State<PagesState>,
    Path(plan): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::Plan)?;
    let version = fields.get("version").parse().unwrap_or(0);
    let (organisation, author) = (visitor.organisation, visitor.author(&state));
    let by = Some(visitor.person.id);
    let plan = (PlanId(plan), version);
    let published = standing::publish(&state.store, organisation, &author, plan, by).await?;
    let holds = &published.plan;
    let says = format!("{} holds now. {}", holds.name, published.says());
    Ok(onward(&state, &plan_path(holds), &Notice::done(says)))
}
