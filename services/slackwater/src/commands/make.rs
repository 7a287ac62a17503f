//! Makes a run from the command line, with a bar.

use std::sync::Arc;

use chrono::Utc;
use fleet::id::OrganisationId;
use fleet::run::RunKind;
use runs::{Clock, Progress, Wanted};
use store::Store;
use store::runs::Run;

use crate::failure::CommandError;
use crate::output::progress;

/// Asks for a run and carries it out here.
///
/// # Errors
/// The computation refuses, or the store failed; the run is then on record as failed.
pub async fn make_run(
    store: &Store,
    organisation: OrganisationId,
    kind: RunKind,
    seed: i64,
    parameters: serde_json::Value,
) -> Result<Run, CommandError> {
    make(store, &Wanted { seed, parameters, ..Wanted::by(organisation, kind, "command line") })
        .await
}

/// Carries out here what is wanted.
///
/// # Errors
/// The computation refuses, or the store failed; the run is then on record as failed.
pub async fn make(store: &Store, wanted: &Wanted) -> Result<Run, CommandError> {
    let clock: Clock = Arc::new(Utc::now);
    let bar = progress(1_000, "‰");
    let shown = bar.clone();
    let told: Progress = Arc::new(move |permille, note| {
        shown.set_position(permille.unsigned_abs().into());
        shown.set_message(note.to_owned());
    });
    let asked = runs::ask(store, wanted, clock()).await?;
    let made = runs::carry_out(store, wanted.organisation, asked.id, &clock, told).await;
    bar.finish_and_clear();
    Ok(made?)
}
