//! Where the reference data lie that may not be copied into this repository.
#![allow(dead_code)] // each test file uses its own part of this

use std::path::PathBuf;

/// Text of `name` below `$SLACKWATER_REFERENCE`, or `../shared/reference` beside the checkout;
/// `None`, said aloud, where it is absent.
pub fn reference_file(name: &str) -> Option<String> {
    let beside = || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../../shared/reference");
    let folder = std::env::var_os("SLACKWATER_REFERENCE").map_or_else(beside, PathBuf::from);
    let path = folder.join(name);
    match std::fs::read_to_string(&path) {
        Ok(text) => Some(text),
        Err(cause) => {
            eprintln!("\n!!! NOT CHECKED: {} can't be read ({cause}). !!!", path.display());
            eprintln!("!!! Set SLACKWATER_REFERENCE to the folder of reference data. !!!\n");
            None
        }
    }
}

/// Fields of each line after the header.
pub fn lines(text: &str) -> impl Iterator<Item = Vec<&str>> {
    text.lines().skip(1).map(|line| line.split(',').collect())
}
