//! Tokens for programs.

use chrono::{TimeDelta, Utc};
use clap::Args;
use fleet::person::Role;
use store::record::Author;
use store::{Transaction, tokens};

use crate::connect::{RecordsArgs, wait_for};
use crate::failure::CommandError;

/// Make a token with which a program may call the API
#[derive(Args)]
#[command(after_help = "Example:
  slackwater token \"meter gateway\" --role technician --days 400

The token is shown once; only its hash is kept. An owner lists and revokes tokens over the API.")]
pub struct TokenArgs {
    /// What the program is called in the history
    name: String,
    /// What it may do
    #[arg(long, default_value = "viewer", value_parser = role_parser())]
    role: Role,
    /// Days until it ends; without, it lasts until it is revoked
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=3650))]
    days: Option<u16>,
    #[command(flatten)]
    records: RecordsArgs,
}

fn role_parser() -> impl clap::builder::TypedValueParser<Value = Role> {
    use clap::builder::{PossibleValuesParser, TypedValueParser as _};
    let names: Vec<&'static str> = Role::ALL.iter().map(|role| role.as_str()).collect();
    PossibleValuesParser::new(names).try_map(|name| name.parse::<Role>())
}

pub fn run(args: &TokenArgs) -> Result<(), CommandError> {
    let now = Utc::now();
    let author = Author { id: None, name: "command line".into(), at: now, note: None };
    let ends = args.days.map(|days| now + TimeDelta::days(i64::from(days)));
    let secret = wait_for(async {
        let (store, organisation) = args.records.open().await?;
        let work = async |transaction: &Transaction| {
            tokens::create(transaction, organisation.id, &author, &args.name, args.role, ends).await
        };
        Ok::<_, CommandError>(store.write(work).await?)
    })?;
    println!("{}", secret.0.reveal());
    Ok(())
}
