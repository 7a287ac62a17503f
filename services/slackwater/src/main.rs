//! Slackwater: the command line, and the wiring of its services.

use std::process::ExitCode;

use clap::{CommandFactory, Parser, Subcommand};

use crate::failure::CommandError;

mod bare;
mod commands;
mod connect;
mod failure;
mod listing;
mod output;

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Schedules the upkeep of a fleet of small outboards and forecasts the parts it will need.
#[derive(Parser)]
#[command(name = "slackwater", version, max_term_width = 100, after_help = EXIT_CODES)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

const EXIT_CODES: &str = "Exit codes: 0 done; 1 the data breaks a rule, or the work failed (said why); \
2 the command line is wrong.";

#[derive(Subcommand)]
enum Command {
    Demand(bare::demand::DemandArgs),
    Init(commands::init::InitArgs),
    Load(commands::load::LoadArgs),
    Due(bare::due::DueArgs),
    Check(commands::check::CheckArgs),
    Serve(commands::serve::ServeArgs),
    Work(commands::work::WorkArgs),
    Demo(commands::demo::DemoArgs),
    Forecast(commands::forecast::ForecastArgs),
    Plan(bare::plan::PlanArgs),
    Completions(commands::shell::CompletionsArgs),
    Man(commands::shell::ManArgs),
    Token(commands::token::TokenArgs),
    Openapi(commands::openapi::OpenapiArgs),
    Gearcase(bare::gearcase::GearcaseArgs),
    Life(bare::life::LifeArgs),
    Lives(commands::lives::LivesArgs),
    Order(bare::order::OrderArgs),
    Usage(bare::usage::UsageArgs),
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    let done: Result<(), CommandError> = match cli.command {
        Command::Demand(args) => bare::demand::run(&args),
        Command::Init(args) => commands::init::run(&args),
        Command::Load(args) => commands::load::run(&args),
        Command::Due(args) => bare::due::run(&args),
        Command::Check(args) => commands::check::run(&args),
        Command::Work(args) => commands::work::run(&args),
        Command::Serve(args) => commands::serve::run(&args),
        Command::Demo(args) => commands::demo::run(&args),
        Command::Forecast(args) => commands::forecast::run(&args),
        Command::Plan(args) => bare::plan::run(&args),
        Command::Completions(args) => commands::shell::completions(&args, Cli::command()),
        Command::Man(args) => commands::shell::man(&args, Cli::command()),
        Command::Token(args) => commands::token::run(&args),
        Command::Openapi(args) => commands::openapi::run(&args),
        Command::Gearcase(args) => bare::gearcase::run(&args),
        Command::Life(args) => bare::life::run(&args),
        Command::Lives(args) => commands::lives::run(&args),
        Command::Order(args) => bare::order::run(&args),
        Command::Usage(args) => bare::usage::run(&args),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => failure.report(),
    }
}
