//! Begins a database: an organisation and its owner.

use chrono::Utc;
use clap::Args;
use fleet::Currency;
use fleet::id::PersonId;
use fleet::person::{Person, Role};
use store::record::{self, Author};
use store::{Transaction, organisations, people, secret};

use crate::connect::{DatabaseArgs, wait_for};
use crate::failure::CommandError;

/// Begin: make a database with an organisation and its owner
#[derive(Args)]
#[command(after_help = "Example:
  slackwater init \"Hollin Quay Boats\" --owner \"Ailsa Corran\" --email ailsa@example.org

The owner signs in with the address and a password of 15 characters or more, which is read from the
environment variable SLACKWATER_PASSWORD, or asked for.")]
pub struct InitArgs {
    /// Name of the organisation
    name: String,
    /// Currency that money is shown in where nothing else is said (ISO 4217)
    #[arg(long, default_value = "EUR")]
    currency: String,
    /// Full name of the owner
    #[arg(long, default_value = "Owner")]
    owner: String,
    /// Where the owner is reached; it is the name to sign in with
    #[arg(long)]
    email: Option<String>,
    #[command(flatten)]
    place: DatabaseArgs,
}

/// Shortest password taken: NIST SP 800-63B-4 (2025), section 3.1.1.2, asks for 15 characters where
/// it is the only factor.
const PASSWORD_CHARACTERS_MIN: usize = 15;

pub fn run(args: &InitArgs) -> Result<(), CommandError> {
    let currency =
        Currency::parse(&args.currency).map_err(|error| CommandError::Usage(error.to_string()))?;
    let password = args.email.as_ref().map(|_| read_password()).transpose()?;
    let hash = password.as_deref().map(secret::hash_password).transpose()?;
    wait_for(async {
        let store = args.place.open().await?;
        let now = Utc::now();
        let work = async |transaction: &Transaction| {
            let made = organisations::create(transaction, &args.name, currency, now).await?;
            let author = Author { id: None, name: "slackwater init".into(), at: now, note: None };
            let owner = Person {
                id: PersonId::fresh(),
                version: 1,
                name: args.owner.clone(),
                email: args.email.as_deref().map(str::to_lowercase),
                role: Role::Owner,
                may_clear_holds: true,
                site: None,
                calendar: None,
                productive_percent: 0,
                archived: false,
            };
            record::create(transaction, made.id, &author, std::slice::from_ref(&owner)).await?;
            if let Some(hash) = &hash {
                people::set_password(transaction, made.id, owner.id, hash, now).await?;
            }
            Ok::<_, CommandError>(made)
        };
        let made = store.write(work).await?;
        println!("{} begins in {}.", made.name, args.place.database);
        println!("Next: slackwater load sites FILE (slackwater load sites --template shows how).");
        Ok(())
    })
}

fn read_password() -> Result<String, CommandError> {
    let password = match std::env::var("SLACKWATER_PASSWORD") {
        Ok(given) => given,
        Err(_) => {
            eprint!(
                "Password for the owner, {PASSWORD_CHARACTERS_MIN} characters or more (shown as typed): "
            );
            let mut line = String::new();
            std::io::stdin()
                .read_line(&mut line)
                .map_err(|cause| CommandError::Failed(format!("no password was read: {cause}")))?;
            line.trim_end_matches(['\r', '\n']).to_owned()
        }
    };
    let given = password.chars().count();
    if given < PASSWORD_CHARACTERS_MIN {
        return Err(CommandError::Usage(format!(
            "a password has at least {PASSWORD_CHARACTERS_MIN} characters, this one has {given}"
        )));
    }
    Ok(password)
}
