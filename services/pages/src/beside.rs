//! Two versions of a plan beside each other: what moved, what was gained and lost, and what that
//! costs.

use std::collections::{BTreeSet, HashMap};

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;
use fleet::id::{OrganisationId, PlanId, TaskId};
use fleet::money::Currency;
use fleet::programme::Task;
use runs::plan::account::DatedDifference;
use runs::plan::standing;
use store::{Connection, record};
use uuid::Uuid;

use crate::failure::{Failure, shown};
use crate::figures::{count, day};
use crate::frame::{Frame, Link};
use crate::plan_seen::{hours_minutes, more_or_less, plan_path, room, stands};
use crate::state::PagesState;
use crate::visitor::Visitor;
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "beside.html")]
pub struct BesidePage {
    pub frame: Frame,
    pub heading: String,
    pub before: Link,
    pub before_says: String,
    pub after: Link,
    pub after_says: String,
    pub compared: Compared,
}

/// A difference in words.
#[derive(Clone, Debug, Default)]
pub struct Compared {
    pub says: Vec<String>,
    pub shifted: Vec<ShiftLine>,
    pub reworked: Vec<WorkLine>,
    pub gained: String,
    pub lost: String,
}

/// An engine on which other work is done.
#[derive(Clone, Debug)]
pub struct WorkLine {
    pub engine: Link,
    pub added: String,
    pub dropped: String,
}

/// An engine that stands otherwise.
#[derive(Clone, Debug)]
pub struct ShiftLine {
    pub engine: Link,
    pub before: String,
    pub after: String,
    pub way: String,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path((after, before)): Path<(Uuid, Uuid)>,
) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let before = standing::read(connection, organisation, PlanId(before)).await?;
    let after = standing::read(connection, organisation, PlanId(after)).await?;
    let difference = after.difference(&before);
    let tasks = task_names(connection, organisation).await?;
    let link = |plan: &fleet::visit::Plan| Link::new(&plan.name, plan_path(plan));
    let page = BesidePage {
        frame: visitor.frame("Two versions", room(after.plan.kind)),
        heading: heading(&difference),
        before: link(&before.plan),
        before_says: stands(&before.plan, &yard),
        after: link(&after.plan),
        after_says: stands(&after.plan, &yard),
        compared: compared(&yard, &tasks, &difference, after.problem.currency),
    };
    shown(&page)
}

fn heading(difference: &DatedDifference) -> String {
    let shifted = difference.shifted.iter().map(|shift| &shift.visit);
    let reworked = difference.reworked.iter().map(|reworked| &reworked.visit);
    let both: BTreeSet<&String> = shifted.chain(reworked).collect();
    match both.len() + difference.gained.len() + difference.lost.len() {
        0 => "Both versions say the same".to_owned(),
        n => format!("{} otherwise", count(n, "engine stands", "engines stand")),
    }
}

/// Tasks by name.
pub async fn task_names(
    connection: &Connection,
    organisation: OrganisationId,
) -> Result<HashMap<TaskId, String>, Failure> {
    let tasks: Vec<Task> = record::all(connection, organisation).await?;
    Ok(tasks.into_iter().map(|task| (task.id, task.name)).collect())
}

/// A difference in words; engines by the boats they sit on.
pub fn compared(
    yard: &Yard,
    tasks: &HashMap<TaskId, String>,
    difference: &DatedDifference,
    currency: Currency,
) -> Compared {
    let by_serial = |serial: &str| {
        let engine = yard.engines.values().find(|engine| engine.serial == serial);
        engine.map_or_else(|| Link::new(serial, "/fleet"), |engine| yard.link(engine.id))
    };
    let names = |serials: &[String]| {
        serials.iter().map(|serial| by_serial(serial).text).collect::<Vec<_>>().join(", ")
    };
    let mut says = vec![format!("It costs {}.", more_or_less(difference.objective, currency))];
    says.extend(difference.unchanged.map(|unchanged| {
        format!(
            "Planned again with nothing changed it would cost {}; the change alone costs {}.",
            more_or_less(unchanged, currency),
            more_or_less(difference.objective - unchanged, currency)
        )
    }));
    let moved = difference.shifted.iter().filter(|shift| shift.from_on != shift.to_on).count();
    says.push(format!("{} to another day.", count(moved, "engine moves", "engines move")));
    for (skill, minutes) in &difference.overtime {
        let sign = if *minutes < 0 { "less" } else { "more" };
        says.push(format!("{} {sign} overtime of {skill}.", hours_minutes(minutes.abs())));
    }
    for (pool, boats) in &difference.shortfall {
        let sign = if *boats < 0 { "fewer" } else { "more" };
        let days = count(usize::try_from(boats.abs()).unwrap_or(0), "boat-day", "boat-days");
        says.push(format!("{days} {sign} short in {pool}."));
    }
    let shifted = difference.shifted.iter().map(|shift| ShiftLine {
        engine: by_serial(&shift.visit),
        before: day(shift.from_on, yard.today),
        after: day(shift.to_on, yard.today),
        way: match shift.from_mode == shift.to_mode {
            true => String::new(),
            false => format!("{}, was {}", shift.to_mode, shift.from_mode),
        },
    });
    let said = |these: &[TaskId]| {
        let names: Vec<&str> =
            these.iter().filter_map(|task| tasks.get(task)).map(String::as_str).collect();
        if names.is_empty() { "–".to_owned() } else { names.join("; ") }
    };
    let reworked = difference.reworked.iter().map(|reworked| WorkLine {
        engine: by_serial(&reworked.visit),
        added: said(&reworked.added),
        dropped: said(&reworked.dropped),
    });
    if !difference.reworked.is_empty() {
        let engines = count(difference.reworked.len(), "engine gets", "engines get");
        says.push(format!("{engines} other work."));
    }
    Compared {
        says,
        reworked: reworked.collect(),
        shifted: shifted.collect(),
        gained: names(&difference.gained),
        lost: names(&difference.lost),
    }
}
