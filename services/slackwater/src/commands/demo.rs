//! An invented yard to look at: made from a seed, computed and served.

mod bench;
mod plans;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use clap::Args;
use exchange::load::Kind;
use fleet::Currency;
use fleet::id::OrganisationId;
use fleet::person::{Person, Role};
use fleet::run::RunKind;
use store::load::{Ending, FaultyRows, Input, LoadRequest, load};
use store::record::{self, Author};
use store::runs as kept_runs;
use store::{Store, Transaction, organisations, sessions};

use crate::commands::serve;
use crate::connect::{open, wait_for};
use crate::failure::CommandError;
use crate::output::progress;

/// Make an invented yard, compute its due list, forecast, order and plans, and serve it
#[derive(Args)]
#[command(after_help = "Examples:
  slackwater demo
  slackwater demo --files demo-files --no-serve    the same past as files to load

Asking twice is harmless: a yard that is there is opened again.")]
pub struct DemoArgs {
    /// The file that holds the yard
    #[arg(long, value_name = "FILE", default_value = "slackwater-demo.sqlite")]
    database: PathBuf,
    /// Another seed makes another past
    #[arg(long, value_name = "N", default_value_t = 7)]
    seed: u64,
    /// The last day of the past, and the demo stands at the next morning; yesterday without it
    #[arg(long, value_name = "DATE")]
    until: Option<NaiveDate>,
    /// Also write the past as CSV files into this folder
    #[arg(long, value_name = "FOLDER")]
    files: Option<PathBuf>,
    /// Make it and stop
    #[arg(long)]
    no_serve: bool,
    /// Leave the lay-up and the rotation unplanned
    #[arg(long)]
    no_plans: bool,
    /// Address and port to answer on
    #[arg(long, default_value = "127.0.0.1:8320")]
    listen: SocketAddr,
}

const ORGANISATION: &str = "Hollin Quay Boats";
/// How long the sign-in link holds.
const LINK_HOURS: i64 = 12;

pub fn run(args: &DemoArgs) -> Result<(), CommandError> {
    if !args.listen.ip().is_loopback() && !args.no_serve {
        return Err(CommandError::Usage(
            "the demo signs its owner in by a link, so it answers on this machine only: \
             give --listen an address like 127.0.0.1:8320"
                .into(),
        ));
    }
    serve::start_log();
    let clock = clock(args.until);
    wait_for(async {
        let store = Arc::new(open(&args.database.to_string_lossy()).await?);
        let organisation = make(&store, args, clock()).await?;
        compute(&store, organisation, &[RunKind::Due, RunKind::Life], &clock).await?;
        bench::fill(&store, organisation, clock()).await?;
        if !args.no_plans {
            plans::publish(&store, organisation, &clock).await?;
        }
        // What is published says in which months its parts are needed.
        let after = [RunKind::Forecast, RunKind::OrderAdvice];
        compute(&store, organisation, &after, &clock).await?;
        println!("The yard is in {}.", args.database.display());
        if args.no_serve {
            let database = args.database.display();
            println!("Look at it: slackwater due --database {database}");
            println!("Serve it:   slackwater demo --database {database}");
            return Ok(());
        }
        let listener = serve::listen(args.listen).await?;
        let link = sign_in_link(&store, organisation, clock()).await?;
        let address = serve::address_of(&listener, args.listen);
        println!("Open it, signed in as its owner (the link works once):");
        println!("  http://{address}/sign-in/once/{link}");
        println!("API document: http://{address}/docs   End with Ctrl-C.");
        let cookies = serve::cookies(args.listen);
        serve::serve(store, listener, cookies, serve::Work::Here, clock).await
    })
}

/// The demo's clock: it runs on from the morning after the last day of the past.
fn clock(until: Option<NaiveDate>) -> runs::Clock {
    let Some(morning) = until.and_then(|day| day.succ_opt()?.and_hms_opt(5, 10, 0)) else {
        return Arc::new(Utc::now);
    };
    let began = Utc::now();
    Arc::new(move || morning.and_utc() + (Utc::now() - began))
}

/// Loads the invented past, unless it is there.
async fn make(
    store: &Store,
    args: &DemoArgs,
    now: DateTime<Utc>,
) -> Result<OrganisationId, CommandError> {
    let until = args.until.unwrap_or_else(|| now.date_naive().pred_opt().unwrap_or_default());
    let history = scenario::history::live(args.seed, until);
    let supply = scenario::supply::buy(args.seed, &history);
    let files = scenario::files::write(&history, &supply);
    if let Some(folder) = &args.files {
        write_files(folder, &files)?;
    }
    let known = organisations::all(store.connection()).await?;
    if let Some(known) = known.iter().find(|one| one.name == ORGANISATION) {
        println!("{ORGANISATION} is there already.");
        return Ok(known.id);
    }
    println!(
        "Making {ORGANISATION}: {} engines, four seasons to {until}, seed {}.",
        history.engines.len(),
        args.seed
    );
    let begin = async |transaction: &Transaction| {
        organisations::create(transaction, ORGANISATION, Currency::EUR, now).await
    };
    let organisation = store.write(begin).await?.id;
    let bar = progress(files.len() as u64, "files");
    for file in files {
        bar.inc(1);
        load_file(store, organisation, file, now).await?;
    }
    bar.finish_and_clear();
    Ok(organisation)
}

async fn load_file(
    store: &Store,
    organisation: OrganisationId,
    file: scenario::files::LoadFile,
    now: DateTime<Utc>,
) -> Result<(), CommandError> {
    let kind: Kind = file.kind.parse().map_err(|error| CommandError::Failed(format!("{error}")))?;
    let request = LoadRequest {
        organisation,
        author: Author { id: None, name: "demo".into(), at: now, note: None },
        kind,
        faulty: FaultyRows::RefuseFile,
        ending: Ending::Keep,
    };
    let input = Input::Text(Box::new(std::io::Cursor::new(file.csv.into_bytes())));
    let report = load(store, &request, input, &mut |_| {}).await?;
    if report.faults.count() > 0 {
        let file = PathBuf::from(format!("{}.csv", kind.name()));
        return Err(CommandError::Rows { file, faults: report.faults });
    }
    Ok(())
}

fn write_files(folder: &Path, files: &[scenario::files::LoadFile]) -> Result<(), CommandError> {
    let fail = |file: &Path| {
        let file = file.to_owned();
        move |cause| CommandError::File { file, cause }
    };
    std::fs::create_dir_all(folder).map_err(fail(folder))?;
    for (number, file) in files.iter().enumerate() {
        let path = folder.join(format!("{:02}-{}.csv", number + 1, file.kind));
        std::fs::write(&path, &file.csv).map_err(fail(&path))?;
    }
    println!("{} files are in {}, numbered as they load.", files.len(), folder.display());
    Ok(())
}

/// Makes the runs that are not there yet.
async fn compute(
    store: &Store,
    organisation: OrganisationId,
    kinds: &[RunKind],
    clock: &runs::Clock,
) -> Result<(), CommandError> {
    for &kind in kinds {
        if kept_runs::latest(store.connection(), organisation, kind, None).await?.is_some() {
            continue;
        }
        let bar = progress(1_000, kind.as_str());
        let shown = bar.clone();
        let told: runs::Progress = Arc::new(move |permille, note| {
            shown.set_position(permille.unsigned_abs().into());
            shown.set_message(note.to_owned());
        });
        let wanted = runs::Wanted::by(organisation, kind, "demo");
        let run = runs::ask(store, &wanted, clock()).await?;
        runs::carry_out(store, organisation, run.id, clock, told).await?;
        bar.finish_and_clear();
    }
    Ok(())
}

async fn sign_in_link(
    store: &Store,
    organisation: OrganisationId,
    now: DateTime<Utc>,
) -> Result<String, CommandError> {
    let people: Vec<Person> = record::all(store.connection(), organisation).await?;
    let owner = people.iter().find(|person| person.role == Role::Owner).ok_or_else(|| {
        CommandError::Failed("the yard has no owner any more; delete its file and ask again".into())
    })?;
    let work = async |transaction: &Transaction| {
        let lasts = TimeDelta::hours(LINK_HOURS);
        sessions::create_link(transaction, organisation, owner.id, now, lasts).await
    };
    Ok(store.write(work).await?.reveal().to_owned())
}
