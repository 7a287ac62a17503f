//! A worker of its own, beside any number of others on one PostgreSQL.

use std::sync::Arc;

use chrono::Utc;
use clap::Args;
use tokio::sync::watch;

use crate::commands::serve::{asked_to_end, start_log};
use crate::connect::{DatabaseArgs, wait_for};
use crate::failure::CommandError;

/// Carry out the runs that wait and those of the schedule, until asked to end
#[derive(Args)]
#[command(after_help = "Example:
  slackwater work --database postgres://slackwater@db.internal/slackwater

`slackwater serve` does this too, unless it is told --no-work.")]
pub struct WorkArgs {
    /// Carry out what waits now and end
    #[arg(long)]
    once: bool,
    #[command(flatten)]
    place: DatabaseArgs,
}

pub fn run(args: &WorkArgs) -> Result<(), CommandError> {
    start_log();
    let schedules = worker::defaults().map_err(|error| CommandError::Failed(error.to_string()))?;
    wait_for(async {
        args.place.must_exist()?;
        let store = Arc::new(args.place.open().await?);
        let clock: runs::Clock = Arc::new(Utc::now);
        if args.once {
            let done = worker::work_through(&store, &clock).await?;
            println!("{done} carried out.");
            return Ok(());
        }
        let (end, ended) = watch::channel(false);
        let working = tokio::spawn(worker::work(store, clock, schedules, ended));
        asked_to_end().await;
        let _ = end.send(true);
        working.await.map_err(|cause| CommandError::Failed(format!("the worker broke: {cause}")))
    })
}
