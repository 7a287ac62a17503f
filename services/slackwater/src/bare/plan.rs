//! `slackwater plan --instance FILE`: a schedule for a planning problem given as a file.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use std::time::Instant;

use planning::{Effort, Instance, Plan, PlanError, Progress, Watch};

use crate::commands;
use crate::commands::plan::FleetPlan;
use crate::failure::CommandError;
use crate::output;

/// Steps of the progress bar.
const STEPS: u64 = 1_000;

/// Plan the fleet's lay-up or rotation, or the visits of an instance file
///
/// `plan lay-up` and `plan rotation` plan the fleet on record. With --instance, a planning problem
/// given as a file: the plan comes with a proof of how much better any plan could be. The answer is
/// JSON: objective, bound and gap, a day and a mode for each visit, and for each visit left out the
/// reason. Files whose names end in `.gz` are read compressed.
#[derive(Debug, clap::Args)]
#[command(subcommand_negates_reqs = true, args_conflicts_with_subcommands = true)]
#[command(after_help = "Examples:
  slackwater plan lay-up --seconds 30 --publish
  slackwater plan rotation --csv > rotation.csv
  slackwater plan --instance winter.json --seconds 60 --out plan.json")]
pub struct PlanArgs {
    #[command(subcommand)]
    fleet: Option<FleetPlan>,
    /// The planning problem, JSON.
    #[arg(long, value_name = "FILE", required = true)]
    instance: Option<PathBuf>,
    /// Seconds to search.
    #[arg(long, value_name = "N", required_unless_present = "work")]
    seconds: Option<f64>,
    /// A plan to start from: this instance's or that of a slightly different one.
    #[arg(long, value_name = "PLAN")]
    start: Option<PathBuf>,
    /// Seed of the random draws.
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Work to do at most; the same seed and work give the same plan on any machine.
    #[arg(long, value_name = "N")]
    work: Option<u64>,
    /// Stop once the gap between plan and bound is at most this share.
    #[arg(long, value_name = "SHARE", default_value_t = 0.0)]
    gap: f64,
    /// Where to write the prices that prove the bound.
    #[arg(long, value_name = "FILE")]
    certificate: Option<PathBuf>,
    /// Where to write the plan; standard output without it.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

pub fn run(args: &PlanArgs) -> Result<(), CommandError> {
    if let Some(fleet) = &args.fleet {
        return commands::plan::run(fleet);
    }
    let Some(file) = &args.instance else {
        return Err(CommandError::Usage("give --instance, or plan lay-up or rotation".into()));
    };
    plan_file(args, file)
}

fn plan_file(args: &PlanArgs, file: &Path) -> Result<(), CommandError> {
    let began = Instant::now();
    if args.seconds.is_some_and(|seconds| !seconds.is_finite() || seconds < 0.0) {
        return Err(CommandError::Usage("--seconds: give a number of 0 or more".into()));
    }
    if !(0.0..=1.0).contains(&args.gap) {
        return Err(CommandError::Usage(
            "--gap: give a share from 0 to 1, 0.01 for one percent".into(),
        ));
    }
    let broken = |file: &Path, rule: &str, text: String| {
        CommandError::Failed(format!("{}: {text} [{rule}]; nothing was written", file.display()))
    };
    let instance = Instance::from_json(&read(file)?)
        .map_err(|error| broken(file, error.rule(), error.to_string()))?;
    let start = match &args.start {
        Some(file) => {
            let wrong = |error: PlanError| broken(file, error.rule(), error.to_string());
            Some(Plan::from_json(&read(file)?).map_err(wrong)?)
        }
        None => None,
    };
    let bar = output::progress(STEPS, "of the time");
    let spent =
        || args.seconds.map_or(0.0, |seconds| began.elapsed().as_secs_f64() / seconds.max(1e-9));
    let mut report = |progress: &Progress| {
        let of_work = args.work.map_or(0.0, |work| progress.work as f64 / work.max(1) as f64);
        bar.set_position((spent().max(of_work).min(1.0) * STEPS as f64) as u64);
        bar.set_message(told(progress));
    };
    let effort = Effort { seed: args.seed, work: args.work, gap: args.gap };
    let mut watch =
        Watch { spent: &spent, cancelled: &AtomicBool::new(false), report: &mut report };
    let solution = planning::solve(&instance, start.as_ref(), &effort, &mut watch)
        .map_err(|error| broken(file, error.rule(), error.to_string()))?;
    bar.finish_and_clear();
    if let Some(file) = &args.certificate {
        output::write_whole(Some(file), |write| json(write, &solution.certificate))?;
    }
    output::write_whole(args.out.as_deref(), |write| json(write, &solution.plan))?;
    eprintln!("{}: {}", file.display(), summed_up(&solution.plan));
    Ok(())
}

/// What a plan comes to, in a sentence.
fn summed_up(plan: &Plan) -> String {
    let (planned, left_out) = (plan.visits.len(), plan.unplanned.len());
    let proven = match (plan.bound, plan.gap) {
        (Some(bound), Some(gap)) => {
            format!("; no plan can cost less than {bound}: proven within {:.2} %", gap * 100.0)
        }
        _ => String::new(),
    };
    format!("{planned} planned, {left_out} left out. It costs {} cents{proven}.", plan.objective)
}

fn told(progress: &Progress) -> String {
    match progress.gap {
        Some(gap) => format!("{} cents, gap {:.2} %", progress.objective, gap * 100.0),
        None => format!("{} cents", progress.objective),
    }
}

fn read(file: &Path) -> Result<Vec<u8>, CommandError> {
    let fail = |cause| CommandError::File { file: file.to_owned(), cause };
    let bytes = std::fs::read(file).map_err(fail)?;
    if file.extension().is_none_or(|extension| extension != "gz") {
        return Ok(bytes);
    }
    let mut text = Vec::new();
    flate2::read::GzDecoder::new(bytes.as_slice()).read_to_end(&mut text).map_err(fail)?;
    Ok(text)
}

fn json(write: &mut dyn std::io::Write, value: &impl serde::Serialize) -> std::io::Result<()> {
    serde_json::to_writer(&mut *write, value)?;
    writeln!(write)
}
