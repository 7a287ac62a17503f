//! Loads a yard's files.

use std::fs::File;
use std::io::{IsTerminal, Read};
use std::path::{Path, PathBuf};

use chrono::Utc;
use clap::Args;
use exchange::load::Kind;
use store::load::{Ending, FaultyRows, Input, LoadReport, LoadRequest, load};
use store::record::Author;

use crate::connect::{RecordsArgs, wait_for};
use crate::failure::CommandError;
use crate::output::write_whole;

/// Load a file of one kind: all of it or, where any row breaks a rule, nothing
#[derive(Args)]
#[command(after_help = "Examples:
  slackwater load engines --template --out engines.csv   the file to fill in, columns explained
  slackwater load engines engines.csv --dry-run          say what would happen
  slackwater load engines engines.csv

Loading a file twice is loading it once. A row that is there with other values is an error that shows
both. CSV with comma, semicolon or tab and decimal comma, XLSX and newline-delimited JSON are read.
Load kinds in the order of the list: each names those before it.")]
pub struct LoadArgs {
    /// What the file holds
    #[arg(value_parser = kind_parser())]
    kind: Kind,
    /// The file; `-` reads CSV from standard input
    #[arg(required_unless_present = "template")]
    file: Option<PathBuf>,
    /// Write the file to fill in, with each column explained
    #[arg(long, conflicts_with_all = ["file", "dry_run", "keep_good", "sheet"])]
    template: bool,
    /// Where the template goes; standard output without it
    #[arg(long, value_name = "FILE", requires = "template")]
    out: Option<PathBuf>,
    /// Do everything, say what came of it, and keep nothing
    #[arg(long)]
    dry_run: bool,
    /// Keep the good rows and list the others
    #[arg(long)]
    keep_good: bool,
    /// Which sheet of a workbook, where several are filled in
    #[arg(long, value_name = "NAME")]
    sheet: Option<String>,
    #[command(flatten)]
    records: RecordsArgs,
}

fn kind_parser() -> impl clap::builder::TypedValueParser<Value = Kind> {
    use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser as _};
    let names = Kind::ALL.map(|kind| PossibleValue::new(kind.name()).help(kind.about()));
    PossibleValuesParser::new(names).try_map(|name| name.parse::<Kind>())
}

pub fn run(args: &LoadArgs) -> Result<(), CommandError> {
    if args.template {
        let text = args.kind.template();
        return write_whole(args.out.as_deref(), |out| out.write_all(text.as_bytes()));
    }
    let Some(file) = &args.file else {
        return Err(CommandError::Usage("name the file to load".into()));
    };
    let input = open(file, args.sheet.as_deref())?;
    let report = wait_for(async {
        let (store, organisation) = args.records.open().await?;
        let name = std::env::var("USER").unwrap_or_else(|_| "command line".into());
        let request = LoadRequest {
            organisation: organisation.id,
            author: Author { id: None, name, at: Utc::now(), note: Some(said_of(file)) },
            kind: args.kind,
            faulty: if args.keep_good { FaultyRows::LeaveOut } else { FaultyRows::RefuseFile },
            ending: if args.dry_run { Ending::RollBack } else { Ending::Keep },
        };
        let bar = rows_bar();
        let report = load(&store, &request, input, &mut |rows| bar.set_position(rows)).await;
        bar.finish_and_clear();
        Ok::<LoadReport, CommandError>(report?)
    })?;
    say(args, file, report)
}

fn said_of(file: &Path) -> String {
    let name = file.file_name().unwrap_or_default().to_string_lossy();
    format!("loaded from {name}")
}

fn open(file: &Path, sheet: Option<&str>) -> Result<Input, CommandError> {
    if file.as_os_str() == "-" {
        return Ok(Input::Text(Box::new(std::io::stdin())));
    }
    let fail = |cause| CommandError::File { file: file.to_owned(), cause };
    let mut opened = File::open(file).map_err(fail)?;
    let ending = file.extension().map(|ending| ending.to_ascii_lowercase());
    match ending.as_deref().and_then(|ending| ending.to_str()) {
        Some("xlsx") => {
            let mut bytes = Vec::new();
            opened.read_to_end(&mut bytes).map_err(fail)?;
            Ok(Input::Workbook { bytes, sheet: sheet.map(str::to_owned) })
        }
        Some("ndjson" | "jsonl") => Ok(Input::Objects(Box::new(opened))),
        _ => Ok(Input::Text(Box::new(opened))),
    }
}

/// Rows read, on a terminal only: how many there will be is not known before the end.
fn rows_bar() -> indicatif::ProgressBar {
    if !std::io::stderr().is_terminal() {
        return indicatif::ProgressBar::hidden();
    }
    let bar = indicatif::ProgressBar::new_spinner();
    if let Ok(style) =
        indicatif::ProgressStyle::with_template("{spinner} {human_pos} rows  {speed}  {elapsed}")
    {
        let speed = |state: &indicatif::ProgressState, out: &mut dyn std::fmt::Write| {
            // A bar that can't be drawn is no reason to end a load.
            let _ = write!(out, "{:.0} rows/s", state.per_sec());
        };
        bar.set_style(style.with_key("speed", speed));
    }
    bar
}

fn say(args: &LoadArgs, file: &Path, report: LoadReport) -> Result<(), CommandError> {
    let LoadReport { kind, read, added, unchanged, faults, kept } = report;
    let rows = if read == 1 { "row" } else { "rows" };
    let counts =
        format!("{}: {read} {rows} read, {added} new, {unchanged} there already", kind.name());
    if faults.count() > 0 && !args.keep_good {
        return Err(CommandError::Rows { file: file.to_owned(), faults });
    }
    match (kept, args.dry_run) {
        (true, _) => println!("{counts}."),
        (false, true) => println!("{counts}; a dry run: nothing was kept."),
        (false, false) => println!("{counts}; nothing was kept."),
    }
    if faults.count() > 0 {
        return Err(CommandError::LeftOut { file: file.to_owned(), faults });
    }
    Ok(())
}
