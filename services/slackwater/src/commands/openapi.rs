//! The document of the API.

use std::path::PathBuf;

use clap::Args;

use crate::failure::CommandError;
use crate::output::write_whole;

/// Write the document of the API (OpenAPI 3.1)
#[derive(Args)]
#[command(after_help = "Example:
  slackwater openapi --out openapi/slackwater.json

A running service serves the same at /v1/openapi.json, and a page that shows it at /docs.")]
pub struct OpenapiArgs {
    /// File to write; without, standard output
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

pub fn run(args: &OpenapiArgs) -> Result<(), CommandError> {
    let document = api::document_text();
    let document = document.map_err(|cause| {
        CommandError::Failed(format!("the document could not be written as JSON: {cause}"))
    })?;
    write_whole(args.out.as_deref(), |out| out.write_all(document.as_bytes()))
}
