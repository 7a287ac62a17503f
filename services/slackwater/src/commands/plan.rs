//! The lay-up plan and the rotation of the fleet on record: made, listed, published.

use std::collections::HashMap;

use chrono::{NaiveDate, Utc};
use clap::{Args, Subcommand};
use fleet::Money;
use fleet::engine::Engine;
use fleet::id::{BayId, EngineId, OrganisationId, PersonId, SiteId, TaskId, VisitId};
use fleet::person::{Bay, Person};
use fleet::programme::Task;
use fleet::run::RunKind;
use fleet::site::Site;
use fleet::visit::{Plan, PlanKind, Visit, VisitTask};
use runs::Wanted;
use runs::plan::account::{Account, PlanRunSummary, said};
use runs::plan::parameters::PlanParameters;
use runs::plan::standing;
use serde::Serialize;
use store::runs::Run;
use store::{Author, Store, plans, record};

use crate::commands::make::make;
use crate::connect::{RecordsArgs, wait_for};
use crate::failure::CommandError;
use crate::listing::{ListColumn, ListingArgs, numbers, words};

/// Which plan of the fleet on record.
#[derive(Subcommand, Debug)]
pub enum FleetPlan {
    /// Put every engine that needs it on the bench before the first hire
    ///
    /// Makes a draft for each site and lists its visits; with --publish it holds at once.
    LayUp(FleetPlanArgs),
    /// Say which engines come out in the coming weeks, and on which day
    ///
    /// Makes a draft for each site and lists its visits; with --publish it holds at once.
    Rotation(FleetPlanArgs),
}

/// How a plan of the fleet is made and listed.
#[derive(Args, Clone, Debug)]
pub struct FleetPlanArgs {
    /// Seconds to search
    #[arg(long, value_name = "N")]
    seconds: Option<f64>,
    /// Seed of the random draws
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32))]
    seed: u32,
    /// Work to do at most; the same records, seed and work give the same plan
    #[arg(long, value_name = "N")]
    work: Option<u64>,
    /// Stop once the gap between plan and bound is at most this share
    #[arg(long, value_name = "SHARE", default_value_t = 0.0)]
    gap: f64,
    /// Only this site
    #[arg(long, value_name = "NAME")]
    site: Option<String>,
    /// Weeks that a rotation looks ahead
    #[arg(long, value_name = "N")]
    weeks: Option<u32>,
    /// Publish what was made
    #[arg(long)]
    publish: bool,
    #[command(flatten)]
    listing: ListingArgs,
    #[command(flatten)]
    records: RecordsArgs,
}

/// A visit as it is listed.
#[derive(Serialize)]
struct Row {
    site: String,
    engine: String,
    starts_on: Option<NaiveDate>,
    ends_on: Option<NaiveDate>,
    bay: Option<String>,
    person: Option<String>,
    mode: Option<String>,
    boat_out: bool,
    minutes: u32,
    tasks: Vec<String>,
    reason: Option<String>,
}

const fn columns() -> [ListColumn<Row>; 10] {
    [
        words("site", |row| row.site.clone()),
        words("engine", |row| row.engine.clone()),
        words("starts_on", |row| date(row.starts_on)),
        words("ends_on", |row| date(row.ends_on)),
        words("bay", |row| row.bay.clone().unwrap_or_default()),
        words("person", |row| row.person.clone().unwrap_or_default()),
        words("mode", |row| row.mode.clone().unwrap_or_default()),
        numbers("minutes", |row| row.minutes.to_string()),
        words("tasks", |row| row.tasks.join("; ")),
        words("reason", |row| row.reason.clone().unwrap_or_default()),
    ]
}

fn date(on: Option<NaiveDate>) -> String {
    on.map(|on| on.to_string()).unwrap_or_default()
}

pub fn run(plan: &FleetPlan) -> Result<(), CommandError> {
    let (kind, args) = match plan {
        FleetPlan::LayUp(args) => (PlanKind::LayUp, args),
        FleetPlan::Rotation(args) => (PlanKind::Rotation, args),
    };
    let (rows, summary, sites) = wait_for(async {
        let (store, organisation) = args.records.open().await?;
        let organisation = organisation.id;
        let run = made(&store, organisation, kind, args).await?;
        if args.publish {
            publish(&store, organisation, &run).await?;
        }
        let summary = run.summary.clone().unwrap_or_default();
        let summary: PlanRunSummary = serde_json::from_value(summary)
            .map_err(|cause| CommandError::Failed(cause.to_string()))?;
        let sites = record::all(store.connection(), organisation).await?;
        let sites = names(sites, |site: Site| (site.id, site.name));
        Ok::<_, CommandError>((listed(&store, organisation, &run).await?, summary, sites))
    })?;
    if args.listing.is_for_people() {
        for account in &summary.plans {
            let site = sites.get(&account.site).map_or("", String::as_str);
            eprintln!("{}", told(site, account));
        }
    }
    for refused in &summary.refused {
        eprintln!("{}: no plan: {} [{}]", refused.site_name, refused.what, refused.rule);
    }
    if summary.plans.is_empty() && !summary.refused.is_empty() {
        return Err(CommandError::Failed("no plan was made".into()));
    }
    args.listing.write(&rows, &columns(), "No engine needs anything in that time.")
}

async fn made(
    store: &Store,
    organisation: OrganisationId,
    kind: PlanKind,
    args: &FleetPlanArgs,
) -> Result<Run, CommandError> {
    let sites: Vec<Site> = record::all(store.connection(), organisation).await?;
    let site = match &args.site {
        None => None,
        Some(name) => {
            let known = sites.iter().find(|site| site.name == *name).map(|site| site.id);
            Some(known.ok_or_else(|| {
                CommandError::Failed(format!("there is no site \"{name}\" on record"))
            })?)
        }
    };
    let parameters = PlanParameters {
        seconds: args.seconds,
        work: args.work,
        gap: args.gap,
        weeks: args.weeks,
        ..PlanParameters::of(kind)
    };
    let parameters = serde_json::to_value(&parameters)
        .map_err(|cause| CommandError::Failed(cause.to_string()))?;
    PlanParameters::read(&parameters)?;
    let seed = i64::from(args.seed);
    let wanted = Wanted::by(organisation, RunKind::Plan, "command line");
    make(store, &Wanted { site, seed, parameters, ..wanted }).await
}

async fn publish(
    store: &Store,
    organisation: OrganisationId,
    run: &Run,
) -> Result<(), CommandError> {
    let author = Author { id: None, name: "command line".into(), at: Utc::now(), note: None };
    for plan in plans::of_run(store.connection(), organisation, run.id).await? {
        let draft = (plan.id, plan.version);
        let published = standing::publish(store, organisation, &author, draft, None).await?;
        let site: Site = record::get(store.connection(), organisation, plan.site).await?;
        eprintln!("{}: {} holds now. {}", site.name, published.plan.name, published.says());
    }
    Ok(())
}

/// The visits of a run's plans, those that are planned first, by day.
async fn listed(
    store: &Store,
    organisation: OrganisationId,
    run: &Run,
) -> Result<Vec<Row>, CommandError> {
    let connection = store.connection();
    let sites: HashMap<SiteId, String> =
        names(record::all(connection, organisation).await?, |it: Site| (it.id, it.name));
    let engines: HashMap<EngineId, String> =
        names(record::all(connection, organisation).await?, |it: Engine| (it.id, it.serial));
    let bays: HashMap<BayId, String> =
        names(record::all(connection, organisation).await?, |it: Bay| (it.id, it.name));
    let people: HashMap<PersonId, String> =
        names(record::all(connection, organisation).await?, |it: Person| (it.id, it.name));
    let tasks: HashMap<TaskId, String> =
        names(record::all(connection, organisation).await?, |it: Task| (it.id, it.name));
    let mut rows = Vec::new();
    for plan in plans::of_run(connection, organisation, run.id).await? {
        let plan: Plan = plan;
        let visits: Vec<Visit> = plans::visits(connection, organisation, plan.id).await?;
        let ids: Vec<VisitId> = visits.iter().map(|visit| visit.id).collect();
        let done: Vec<VisitTask> = plans::tasks(connection, organisation, &ids).await?;
        for visit in visits {
            let of_visit = done.iter().filter(|it| it.visit == visit.id);
            rows.push(Row {
                site: sites.get(&plan.site).cloned().unwrap_or_default(),
                engine: engines.get(&visit.engine).cloned().unwrap_or_default(),
                starts_on: visit.starts_on,
                ends_on: visit.ends_on,
                bay: visit.bay.and_then(|bay| bays.get(&bay).cloned()),
                person: visit.person.and_then(|person| people.get(&person).cloned()),
                mode: visit.mode,
                boat_out: visit.boat_out,
                minutes: visit.bench.0,
                tasks: of_visit.filter_map(|it| tasks.get(&it.task).cloned()).collect(),
                reason: visit.reason,
            });
        }
    }
    rows.sort_by_key(|row| (row.starts_on.is_none(), row.starts_on));
    Ok(rows)
}

fn names<T, I: std::hash::Hash + Eq>(
    all: Vec<T>,
    name: impl Fn(T) -> (I, String),
) -> HashMap<I, String> {
    all.into_iter().map(name).collect()
}

/// A plan in a sentence or two.
fn told(site: &str, account: &Account) -> String {
    let money = |minor| Money::new(minor, account.currency).to_string();
    let proven = match (account.bound, account.gap) {
        (Some(bound), Some(gap)) => format!(
            "; no plan can cost less than {}: proven within {:.2} %",
            money(bound),
            gap * 100.0
        ),
        _ => String::new(),
    };
    let mut text = format!(
        "{site}: {}: {} planned, {} left out, from {} to {}. It costs {}{proven}.",
        account.name,
        account.planned,
        account.left_out.len(),
        said(account.first_on),
        said(account.last_on),
        money(account.objective),
    );
    if !account.to_order.is_empty() {
        let parts: Vec<String> = account
            .to_order
            .iter()
            .take(5)
            .map(|it| {
                let by = it.order_by.unwrap_or(it.needed_on);
                format!("{} of {} by {}", it.pieces, it.part, said(by))
            })
            .collect();
        let more = account.to_order.len().saturating_sub(5);
        let more = if more > 0 { format!(" and {more} parts more") } else { String::new() };
        text.push_str(&format!(
            " It counts on orders still to be sent: {}{more}.",
            parts.join(", ")
        ));
    }
    for note in &account.notes {
        text.push(' ');
        text.push_str(note);
    }
    text
}
