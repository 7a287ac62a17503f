//! What each engine needs before the winter is planned: due, found, worth doing while it is open;
//! struck or added for one engine or for many.

use std::collections::HashSet;
use std::sync::Arc;

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use fleet::engine::Engine;
use fleet::id::{EngineId, PoolId, TaskId};
use fleet::programme::Task;
use fleet::run::RunKind;
use fleet::site::Site;
use fleet::visit::PlanKind;
use runs::RunError;
use runs::due::due_list_of;
use runs::hours::FleetHours;
use runs::lives::risks::Risks;
use runs::plan::build::Source;
use runs::plan::bundle::{Bundle, Bundled, Why};
use runs::plan::lay_up::{begin, bundles};
use runs::plan::parameters::{EngineTask, PlanParameters};
use serde::Deserialize;
use store::snapshot::{self, Snapshot};
use store::{record, runs as kept};

use crate::failure::{Failure, sentence, shown};
use crate::figures::{as_counted, count, day};
use crate::form::{Choice, Mark, choose};
use crate::frame::{Frame, Link, Room};
use crate::lay_up::chosen_site;
use crate::outlook;
use crate::plan_seen::{Names, hours_minutes, versions};
use crate::state::PagesState;
use crate::visitor::{Right, Visitor};
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "bundles.html")]
pub struct BundlesPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub sites: Vec<Choice>,
    pub site: String,
    /// The version that the plan goes on from.
    pub from: String,
    /// Tasks added before, as `engine task`.
    pub added: Vec<String>,
    pub tasks: Vec<Choice>,
    pub engines: Vec<EngineBundle>,
    pub may_plan: bool,
    pub nothing: String,
}

/// What one engine needs.
#[derive(Clone, Debug)]
pub struct EngineBundle {
    pub id: String,
    pub engine: Link,
    pub mark: Option<Mark>,
    pub time: String,
    pub tasks: Vec<TaskChoice>,
}

/// A task that may be struck.
#[derive(Clone, Debug)]
pub struct TaskChoice {
    /// `engine task`.
    pub value: String,
    pub id: String,
    pub name: String,
    pub why: String,
    pub struck: bool,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    site: String,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let Some(site) = chosen_site(&yard, &visitor, &wanted.site).cloned() else {
        return Err(Failure::NotFound);
    };
    let of = versions(connection, organisation, (Some(site.id), PlanKind::LayUp)).await?;
    let mut parameters = PlanParameters::of(PlanKind::LayUp);
    let last = of.iter().find(|plan| plan.run.is_some());
    if let Some(run) = last.and_then(|plan| plan.run) {
        let run = kept::get(connection, organisation, run).await?;
        let before = PlanParameters::read(&run.parameters)?;
        (parameters.strike, parameters.add) = (before.strike, before.add);
    }
    let by_hand = ByHand {
        from: last.map(|plan| plan.id.to_string()).unwrap_or_default(),
        struck: parameters.strike.clone(),
        added: parameters.add.clone(),
    };
    let needs = needs(&state, &visitor, &yard, (site.clone(), parameters)).await?;
    let names = Names::read(connection, organisation).await?;
    let mut tasks: Vec<Task> = record::all(connection, organisation).await?;
    tasks.sort_by(|a, b| a.name.cmp(&b.name));
    shown(&page(&visitor, &yard, &site, (needs, by_hand), (&names, &tasks)))
}

/// What people changed for the last version.
struct ByHand {
    from: String,
    struck: Vec<EngineTask>,
    added: Vec<EngineTask>,
}

/// An engine's bundle and its bench minutes; or why there is none.
type Needs = Result<Vec<(Bundle, i64)>, String>;

/// What the engines of a site need, nothing struck, so that what is struck can be taken back.
async fn needs(
    state: &PagesState,
    visitor: &Visitor,
    yard: &Yard,
    (site, mut parameters): (Site, PlanParameters),
) -> Result<Needs, Failure> {
    parameters.strike.clear();
    let organisation = visitor.organisation;
    let due = kept::latest(state.store.connection(), organisation, RunKind::Due, None).await?;
    let fleet = match due {
        Some(run) => Some(outlook::of_run(state, organisation, &run).await?),
        None => None,
    };
    // What is due rests on the hours as they were fitted; only a fit needs every hire and reading.
    let snapshot = match fleet {
        Some(_) => snapshot::take_without_logs(&state.store, organisation, yard.now).await?,
        None => snapshot::take(&state.store, organisation, yard.now).await?,
    };
    let today = yard.today;
    let work = move || {
        let fleet = fleet.unwrap_or_else(|| Arc::new(FleetHours::fit(&snapshot, today)));
        bundled(&snapshot, &fleet, &site, (today, &parameters))
    };
    // Seconds of computing for a large fleet: not on a thread that serves requests.
    let found = tokio::task::spawn_blocking(work).await.map_err(|cause| Failure::ours(&cause))?;
    match found {
        Ok(found) => Ok(Ok(found)),
        Err(RunError::Refused { what, .. }) => Ok(Err(sentence(&what))),
        Err(error) => Err(error.into()),
    }
}

fn bundled(
    snapshot: &Snapshot,
    fleet: &FleetHours,
    site: &Site,
    (today, parameters): (chrono::NaiveDate, &PlanParameters),
) -> Result<Vec<(Bundle, i64)>, RunError> {
    let pools = snapshot.fleet.pools.iter().filter(|pool| pool.site == site.id);
    let pools: HashSet<PoolId> = pools.map(|pool| pool.id).collect();
    let of_site = |engine: &Engine| pools.contains(&engine.pool);
    let lines = due_list_of(snapshot, fleet, (today, today), of_site);
    // What may fail sets the days of a plan; what an engine needs does not hang on it.
    let risks = Risks::unknown(fleet);
    let source = Source { snapshot, lines: &lines, risks: &risks, site, today, parameters };
    let (mut builder, winter) = begin(source)?;
    let all = bundles(&mut builder, &winter);
    let timed = |bundle: Bundle| {
        let tasks: Vec<&Bundled> = bundle.tasks.iter().collect();
        let (_, minutes) = builder.work.minutes_of(&tasks);
        (bundle, minutes)
    };
    Ok(all.into_iter().map(timed).collect())
}

fn page(
    visitor: &Visitor,
    yard: &Yard,
    site: &Site,
    (needs, by_hand): (Needs, ByHand),
    (names, tasks): (&Names, &[Task]),
) -> BundlesPage {
    let (needs, refused) = match needs {
        Ok(needs) => (needs, None),
        Err(why) => (Vec::new(), Some(why)),
    };
    let struck: HashSet<(Option<EngineId>, TaskId)> =
        by_hand.struck.iter().map(|one| (one.engine, one.task)).collect();
    let minutes: i64 = needs.iter().map(|(_, minutes)| minutes).sum();
    let mut engines: Vec<EngineBundle> = needs
        .iter()
        .map(|(bundle, minutes)| engine_bundle(yard, names, bundle, *minutes, &struck))
        .collect();
    engines.sort_by_cached_key(|engine| as_counted(&engine.engine.text));
    let sites = yard.sites.iter().map(|site| Choice::new(site.id.to_string(), &site.name));
    let tasks = tasks.iter().map(|task| Choice::new(task.id.to_string(), &task.name));
    let added = by_hand.added.iter().filter_map(|added| Some((added.engine?, added.task)));
    BundlesPage {
        frame: visitor.frame("What each engine needs", Room::LayUp),
        heading: format!(
            "{} of work on {} before the season",
            hours_minutes(minutes),
            count(engines.len(), "engine", "engines")
        ),
        lead: "Due by hours, due by the calendar, on a finding, and what is worth doing while it \
               is open. Tick what is not to be done; what is due and struck is not forgotten: it \
               stays on Afloat."
            .to_owned(),
        sites: if yard.sites.len() < 2 { Vec::new() } else { choose(sites, &site.id.to_string()) },
        site: site.id.to_string(),
        from: by_hand.from,
        added: added.map(|(engine, task)| format!("{engine} {task}")).collect(),
        tasks: [Choice::new("", "nothing")].into_iter().chain(tasks).collect(),
        may_plan: visitor.may(Right::Plan) && !engines.is_empty(),
        engines,
        nothing: refused.unwrap_or_else(|| {
            "No engine of this site needs anything this winter, as far as is known.".to_owned()
        }),
    }
}

fn engine_bundle(
    yard: &Yard,
    names: &Names,
    bundle: &Bundle,
    minutes: i64,
    struck: &HashSet<(Option<EngineId>, TaskId)>,
) -> EngineBundle {
    let choice = |(at, task): (usize, &Bundled)| TaskChoice {
        value: format!("{} {}", bundle.engine, task.task),
        id: format!("s-{}-{at}", bundle.engine),
        name: names.tasks.get(&task.task).cloned().unwrap_or_default(),
        why: why(yard, task),
        struck: struck.contains(&(Some(bundle.engine), task.task))
            || struck.contains(&(None, task.task)),
    };
    let mark = if bundle.held {
        Some(Mark::stop("hold"))
    } else {
        bundle.urgent.then(|| Mark::soon("finding"))
    };
    EngineBundle {
        id: bundle.engine.to_string(),
        engine: yard.link(bundle.engine),
        mark,
        time: time(bundle, minutes),
        tasks: bundle.tasks.iter().enumerate().map(choice).collect(),
    }
}

/// `3 h 20 min, 45 min of it to get at them and to put back`: what is more than the tasks' own work.
fn time(bundle: &Bundle, minutes: i64) -> String {
    let own: i64 = bundle.tasks.iter().map(|task| i64::from(task.minutes)).sum();
    let all = hours_minutes(minutes);
    match minutes - own {
        access if access > 0 => format!("{all}, {} of it to get there", hours_minutes(access)),
        _ => all,
    }
}

/// `due by hours, Sat 14 Mar 2027; 25 min (learned from 31 services)`.
fn why(yard: &Yard, task: &Bundled) -> String {
    let due = match task.why {
        Why::Hours | Why::Calendar | Why::Season | Why::WhileOpen => {
            task.due_on.map(|on| format!(", {}", day(on, yard.today)))
        }
        _ => None,
    };
    let due = due.unwrap_or_default();
    format!("{}{due}; {} min ({})", task.why.words(), task.minutes, task.minutes_basis)
}
