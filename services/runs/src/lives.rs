//! How long parts last and which engines pay for another season: the life run.
//!
//! From the services, findings and readings on record: the life of each part that was renewed
//! (`record`), summed up by water, model and pool with the age at which renewing costs least and what
//! that says of the programme (`analysis`), and each engine weighed for another season (`engines`).
//! What is kept (`kept`) is read by pages and API; `risks` turns the same lives into what is expected
//! to fail. Nothing here changes a programme: a person accepts a proposal, or does not (`accept`).

mod accept;
mod analysis;
mod costs;
mod engines;
mod items;
pub mod kept;
mod record;
pub mod risks;

pub use accept::accept;

use serde_json::json;
use store::runs::RunFile;

use crate::error::RunError;
use crate::execute::{Computed, Task};
use crate::hours::FleetHours;
use crate::lives::kept::{ENGINES_FILE, EnginesKept, LIVES_FILE, LivesKept};

/// Lives and engines of a snapshot.
///
/// # Errors
/// Supersessions on record go in a ring, or a site's prices name two currencies.
pub fn weigh(
    snapshot: &store::snapshot::Snapshot,
    fleet: &FleetHours,
) -> Result<(LivesKept, EnginesKept), RunError> {
    let costs = costs::Costs::read(snapshot, fleet.on)?;
    let items = items::Items::read(snapshot, &costs.parts, fleet.on)?;
    let recorded = record::read(snapshot, fleet, &items);
    let lives = analysis::sum_up(snapshot, &items, &costs, &recorded, fleet.on);
    let engines = engines::weigh_all(snapshot, fleet, &costs)?;
    Ok((lives, engines))
}

pub(crate) fn compute(task: &Task) -> Result<Computed, RunError> {
    (task.progress)(100, "fitting the season");
    let fleet = FleetHours::fit(&task.snapshot, task.today);
    (task.progress)(600, "summing up lives");
    let (lives, engines) = weigh(&task.snapshot, &fleet)?;
    let summary = json!({
        "on": task.today,
        "parts": lives.items.len(),
        "lives": lives.items.iter().map(|item| item.whole().map_or(0, |all| all.lives)).sum::<usize>(),
        "failures":
            lives.items.iter().map(|item| item.whole().map_or(0, |all| all.failures)).sum::<usize>(),
        "engines": engines.engines.len(),
        "sentences": lives.items.iter().filter_map(|item| item.whole()).map(|all| &all.sentence)
            .collect::<Vec<_>>(),
    });
    let files = vec![file(LIVES_FILE, &lives)?, file(ENGINES_FILE, &engines)?];
    Ok(Computed { summary: Some(summary), files, ..Computed::default() })
}

fn file(name: &str, kept: &impl serde::Serialize) -> Result<RunFile, RunError> {
    let content = serde_json::to_vec(kept).map_err(|cause| RunError::Stopped(cause.to_string()))?;
    Ok(RunFile { name: name.to_owned(), media_type: "application/json".to_owned(), content })
}
