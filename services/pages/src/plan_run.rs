//! A plan in the making: asked for, watched, stopped; and what came of it.

use std::collections::HashMap;

use askama::Template;
use axum::extract::{Path, State};
use axum::response::{IntoResponse, Redirect, Response};
use fleet::id::{EngineId, OrganisationId, PlanId, RunId, SiteId, TaskId};
use fleet::run::{RunKind, RunStatus};
use fleet::visit::{Plan, PlanKind};
use runs::Wanted;
use runs::plan::account::{Account, PlanRunSummary};
use runs::plan::parameters::{EngineTask, PlanParameters};
use store::runs::{self as kept, Run};
use store::{Transaction, record};
use uuid::Uuid;

use crate::beside::{Compared, compared, task_names};
use crate::failure::{Failure, onward, sentence, shown};
use crate::figures::moment;
use crate::form::{Act, Fact};
use crate::frame::{Frame, Link, Notice};
use crate::plan_seen::{hours_minutes, plan_path, room};
use crate::state::PagesState;
use crate::visitor::{Fields, Posted, Right, Visitor};
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "plan_run.html")]
pub struct PlanRunPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    /// Whether it is still under way, and where it stands.
    pub under_way: bool,
    pub permille: i32,
    pub note: String,
    pub path: String,
    pub stop: Option<Act>,
    /// What a what-if came to.
    pub facts: Vec<Fact>,
    pub compared: Option<Compared>,
    pub left_out: Vec<String>,
    /// What its figures rest on.
    pub notes: Vec<String>,
    pub back: Option<Link>,
    pub refused: Vec<String>,
}

/// Asks for a plan of a site: anew, from an earlier version, or with something changed.
pub async fn ask(State(state): State<PagesState>, posted: Posted) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::Plan)?;
    let connection = state.store.connection();
    let from = match fields.get("from").parse::<Uuid>() {
        Ok(id) => {
            let plan = record::get::<Plan>(connection, visitor.organisation, PlanId(id)).await?;
            Some(plan)
        }
        Err(_) => None,
    };
    let kind = match (&from, fields.get("kind")) {
        (Some(plan), _) => plan.kind,
        (None, "rotation") => PlanKind::Rotation,
        (None, _) => PlanKind::LayUp,
    };
    let site = match &from {
        Some(plan) => Some(plan.site),
        None => fields.get("site").parse().ok().map(SiteId),
    };
    let mut parameters = PlanParameters::of(kind);
    parameters.from = from.as_ref().map(|plan| plan.id);
    match fields.has("bundles") {
        true => by_hand(&fields, &mut parameters),
        // What was struck and added for the version it goes on from stays so.
        false => carry_over(&state, visitor.organisation, from.as_ref(), &mut parameters).await?,
    }
    let run = asked(&state, &visitor, site, &parameters).await?;
    Ok(Redirect::to(&run_path(run.id)).into_response())
}

pub fn run_path(run: RunId) -> String {
    format!("/plans/runs/{run}")
}

/// Asks for a run with `parameters`.
pub async fn asked(
    state: &PagesState,
    visitor: &Visitor,
    site: Option<SiteId>,
    parameters: &PlanParameters,
) -> Result<Run, Failure> {
    let wanted = Wanted {
        organisation: visitor.organisation,
        kind: RunKind::Plan,
        site,
        seed: 1,
        parameters: serde_json::to_value(parameters).map_err(|cause| Failure::ours(&cause))?,
        requested_by: visitor.person.name.clone(),
    };
    Ok(runs::ask(&state.store, &wanted, state.now()).await?)
}

async fn carry_over(
    state: &PagesState,
    organisation: OrganisationId,
    from: Option<&Plan>,
    parameters: &mut PlanParameters,
) -> Result<(), Failure> {
    let Some(run) = from.and_then(|plan| plan.run) else { return Ok(()) };
    let run = kept::get(state.store.connection(), organisation, run).await?;
    let before = PlanParameters::read(&run.parameters)?;
    (parameters.strike, parameters.add) = (before.strike, before.add);
    Ok(())
}

/// What the page of bundles says: ticked tasks are struck, and a task is added to the engines
/// ticked.
fn by_hand(fields: &Fields, parameters: &mut PlanParameters) {
    let pair = |text: &str| -> Option<EngineTask> {
        let (engine, task) = text.split_once(' ')?;
        let engine = Some(EngineId(engine.parse().ok()?));
        Some(EngineTask { engine, task: TaskId(task.parse().ok()?) })
    };
    parameters.strike = fields.all("strike").filter_map(pair).collect();
    let mut add: Vec<EngineTask> = fields.all("added").filter_map(pair).collect();
    if let Ok(task) = fields.get("add").parse() {
        let task = TaskId(task);
        match fields.has("everywhere") {
            true => add.push(EngineTask { engine: None, task }),
            false => add.extend(fields.all("to").filter_map(|engine| {
                Some(EngineTask { engine: Some(EngineId(engine.parse().ok()?)), task })
            })),
        }
    }
    // An added task that is struck is simply no longer added.
    let strike = &mut parameters.strike;
    add.retain(|added| match strike.iter().position(|struck| struck == added) {
        Some(at) => {
            strike.remove(at);
            false
        }
        None => true,
    });
    add.dedup();
    parameters.add = add;
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(run): Path<Uuid>,
) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let run = kept::get(connection, organisation, RunId(run)).await?;
    if run.kind != RunKind::Plan {
        return Err(Failure::NotFound);
    }
    let summary: Option<PlanRunSummary> =
        run.summary.clone().and_then(|summary| serde_json::from_value(summary).ok());
    let made = summary.as_ref().and_then(|summary| summary.plans.iter().find_map(|it| it.plan));
    if let (RunStatus::Done, Some(plan)) = (run.status, made) {
        let plan: Plan = record::get(connection, organisation, plan).await?;
        return Ok(Redirect::to(&plan_path(&plan)).into_response());
    }
    let yard = Yard::read(&state, &visitor).await?;
    let parameters = PlanParameters::read(&run.parameters)?;
    let from = match parameters.from {
        Some(plan) => record::find::<Plan>(connection, organisation, plan).await?,
        None => None,
    };
    let tasks = task_names(connection, organisation).await?;
    shown(&page(&visitor, &yard, &tasks, &run, &parameters, (from, summary)))
}

fn page(
    visitor: &Visitor,
    yard: &Yard,
    tasks: &HashMap<TaskId, String>,
    run: &Run,
    parameters: &PlanParameters,
    (from, summary): (Option<Plan>, Option<PlanRunSummary>),
) -> PlanRunPage {
    let under_way = matches!(run.status, RunStatus::Queued | RunStatus::Running);
    let account = summary.as_ref().and_then(|summary| summary.plans.first());
    let room = room(parameters.plan);
    let back = match &from {
        Some(plan) => Link::new(&plan.name, plan_path(plan)),
        None => Link::new(format!("Back to {}", room.name()), room.path()),
    };
    let stop = (under_way && run.stop_asked_at.is_none() && visitor.may(Right::Plan))
        .then(|| Act::new("Stop with what it has", format!("{}/stop", run_path(run.id))));
    let refused = summary.iter().flat_map(|summary| &summary.refused);
    PlanRunPage {
        frame: visitor.frame("Plan", room),
        heading: heading(run, account, parameters.what_if.is_some()),
        lead: format!(
            "Asked for by {}, {}.",
            run.requested_by,
            moment(run.requested_at, yard.zone, yard.today)
        ),
        under_way,
        permille: run.progress_permille,
        note: note(run),
        path: run_path(run.id),
        stop,
        facts: account.map(facts).unwrap_or_default(),
        compared: account.and_then(|account| {
            let difference = account.difference.as_ref()?;
            Some(compared(yard, tasks, difference, account.currency))
        }),
        left_out: account.map(left_out).unwrap_or_default(),
        notes: account.map(|account| account.notes.clone()).unwrap_or_default(),
        back: Some(back),
        refused: refused.map(|it| format!("{}: {}", it.site_name, sentence(&it.what))).collect(),
    }
}

fn heading(run: &Run, account: Option<&Account>, is_tried: bool) -> String {
    match (run.status, account) {
        (RunStatus::Failed, _) if is_tried => "This could not be tried".to_owned(),
        (RunStatus::Queued, _) => "The plan waits for its turn".to_owned(),
        (RunStatus::Running, _) => "The plan is being made".to_owned(),
        (RunStatus::Failed, _) => "No plan could be made".to_owned(),
        (RunStatus::Done, Some(account)) => account.name.clone(),
        (RunStatus::Done, None) => "There was nothing to plan".to_owned(),
    }
}

fn note(run: &Run) -> String {
    match run.status {
        RunStatus::Failed => sentence(run.failure.as_deref().unwrap_or("no reason on record")),
        _ if run.stop_asked_at.is_some() && run.finished_at.is_none() => {
            "It ends with what it has.".to_owned()
        }
        _ => sentence(run.progress_note.as_deref().unwrap_or_default()),
    }
}

fn facts(account: &Account) -> Vec<Fact> {
    let money = |minor| fleet::Money::new(minor, account.currency).to_string();
    let mut facts = vec![
        Fact::new("On the bench", account.planned.to_string()),
        Fact::new("Left out", account.left_out.len().to_string()),
        Fact::new("Costs", money(account.objective)),
        Fact::new("Overtime", hours_minutes(account.overtime_minutes)),
        Fact::new("Boat-days short", account.boat_days_short.to_string()),
    ];
    facts.extend(account.bound.map(|bound| Fact::new("No plan can cost less than", money(bound))));
    facts
}

fn left_out(account: &Account) -> Vec<String> {
    let line = |out: &runs::plan::account::LeftOut| {
        format!("{}: {}", out.name, crate::lay_up::reason_in_words(&out.reason))
    };
    account.left_out.iter().map(line).collect()
}

pub async fn stop(
    State(state): State<PagesState>,
    Path(run): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let visitor = posted.visitor;
    visitor.check(Right::Plan)?;
    let (organisation, run) = (visitor.organisation, RunId(run));
    let (by, now) = (visitor.person.name.clone(), state.now());
    let ask = async |transaction: &Transaction| {
        kept::ask_to_stop(transaction, organisation, run, &by, now).await
    };
    state.store.write(ask).await?;
    Ok(onward(&state, &run_path(run), &Notice::done("It ends with the best plan found so far.")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_struck_and_added_goes_into_the_run_and_a_struck_addition_is_neither() {
        let (engine, gear, pump) = (EngineId::fresh(), TaskId::fresh(), TaskId::fresh());
        let fields = Fields::of(&[
            ("strike", &format!("{engine} {gear}")),
            ("added", &format!("{engine} {gear}")),
            ("strike", &format!("{engine} {pump}")),
            ("add", &gear.to_string()),
            ("to", "rubbish"),
        ]);
        let mut parameters = PlanParameters::of(PlanKind::LayUp);
        by_hand(&fields, &mut parameters);
        assert_eq!(parameters.strike, [EngineTask { engine: Some(engine), task: pump }]);
        assert!(parameters.add.is_empty());
    }

    #[test]
    fn a_task_is_added_to_many_engines_at_once_or_to_all() {
        let task = TaskId::fresh();
        let engines = [EngineId::fresh(), EngineId::fresh()].map(|engine| engine.to_string());
        let mut typed = vec![("add", task.to_string())];
        typed.extend(engines.iter().map(|engine| ("to", engine.clone())));
        let mut parameters = PlanParameters::of(PlanKind::LayUp);
        let borrowed: Vec<(&str, &str)> = typed.iter().map(|(k, v)| (*k, v.as_str())).collect();
        by_hand(&Fields::of(&borrowed), &mut parameters);
        assert_eq!(parameters.add.len(), 2);
        let everywhere = [borrowed.as_slice(), &[("everywhere", "yes")]].concat();
        by_hand(&Fields::of(&everywhere), &mut parameters);
        assert_eq!(parameters.add, [EngineTask { engine: None, task }]);
    }
}
