//! The demo's plans: a rotation and a lay-up plan for each site, published, so that their jobs stand
//! on the bench and no page of them is empty.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use fleet::id::OrganisationId;
use fleet::run::RunKind;
use fleet::site::Site;
use fleet::visit::{Plan, PlanKind};
use runs::plan::parameters::PlanParameters;
use runs::plan::standing;
use store::{Author, Store, plans, record};

use crate::failure::CommandError;
use crate::output::progress;

/// The search's share of making a demo: a few seconds, and the same plan each time.
const WORK: u64 = 2_000_000;

/// Makes and publishes the plans that are not there yet. What falls due in the coming weeks is the
/// rotation's, the rest of the winter's work the lay-up plan's.
pub async fn publish(
    store: &Store,
    organisation: OrganisationId,
    clock: &runs::Clock,
) -> Result<(), CommandError> {
    let known: Vec<Plan> = record::all(store.connection(), organisation).await?;
    for kind in [PlanKind::Rotation, PlanKind::LayUp] {
        if known.iter().all(|plan| plan.kind != kind) {
            make(store, organisation, kind, clock).await?;
        }
    }
    Ok(())
}

async fn make(
    store: &Store,
    organisation: OrganisationId,
    kind: PlanKind,
    clock: &runs::Clock,
) -> Result<(), CommandError> {
    let bar = progress(1_000, kind.as_str());
    let shown = bar.clone();
    let told: runs::Progress = Arc::new(move |permille, note| {
        shown.set_position(permille.unsigned_abs().into());
        shown.set_message(note.to_owned());
    });
    let parameters = PlanParameters { work: Some(WORK), ..PlanParameters::of(kind) };
    let parameters = serde_json::to_value(parameters)
        .map_err(|cause| CommandError::Failed(cause.to_string()))?;
    let wanted = runs::Wanted::by(organisation, RunKind::Plan, "demo");
    let wanted = runs::Wanted { parameters, ..wanted };
    let run = runs::ask(store, &wanted, clock()).await?;
    runs::carry_out(store, organisation, run.id, clock, told).await?;
    bar.finish_and_clear();
    let now: DateTime<Utc> = clock();
    let author = Author { id: None, name: "demo".to_owned(), at: now, note: None };
    for plan in plans::of_run(store.connection(), organisation, run.id).await? {
        let draft = (plan.id, plan.version);
        let published = standing::publish(store, organisation, &author, draft, None).await?;
        let site: Site = record::get(store.connection(), organisation, plan.site).await?;
        println!("{}: {} holds. {}", site.name, published.plan.name, published.says());
    }
    Ok(())
}
