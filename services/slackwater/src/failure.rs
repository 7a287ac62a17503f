//! How a command ends when it can't do what was asked.

use std::path::PathBuf;
use std::process::ExitCode;

use exchange::table::Faults;

/// Most faults that are listed; the count is always given.
const FAULTS_SHOWN: usize = 200;

#[derive(Debug, thiserror::Error)]
pub enum CommandError {
    /// The command line is wrong in a way that clap can't see.
    #[error("{0}")]
    Usage(String),
    /// Rows of a file break rules.
    #[error("{}: {}; nothing was written", file.display(), counted(faults.count()))]
    Rows { file: PathBuf, faults: Faults },
    /// Rows were left out, as was asked; the others are kept.
    #[error("{}: {}; those rows were left out", file.display(), counted(faults.count()))]
    LeftOut { file: PathBuf, faults: Faults },
    /// A file can't be read or written.
    #[error("{}: {cause}", file.display())]
    File { file: PathBuf, cause: std::io::Error },
    /// Anything else, said in a sentence.
    #[error("{0}")]
    Failed(String),
}

impl CommandError {
    /// Says what happened on standard error and answers with the documented exit code.
    pub fn report(&self) -> ExitCode {
        eprintln!("slackwater: {self}");
        if let Self::Rows { faults, .. } | Self::LeftOut { faults, .. } = self {
            for fault in faults.faults().iter().take(FAULTS_SHOWN) {
                eprintln!("  {fault}");
            }
            let more = faults.count().saturating_sub(FAULTS_SHOWN as u64);
            if more > 0 {
                eprintln!("  and {more} more");
            }
        }
        match self {
            Self::Usage(_) => ExitCode::from(2),
            Self::Rows { .. } | Self::LeftOut { .. } | Self::File { .. } | Self::Failed(_) => {
                ExitCode::from(1)
            }
        }
    }
}

fn counted(faults: u64) -> String {
    if faults == 1 {
        "1 value breaks a rule".to_owned()
    } else {
        format!("{faults} values break a rule")
    }
}
