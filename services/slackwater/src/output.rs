//! Where results go: a file written whole or standard output; progress on a terminal only.

use std::fs::File;
use std::io::{BufWriter, IsTerminal, Write};
use std::path::{Path, PathBuf};

use indicatif::{ProgressBar, ProgressStyle};

use crate::failure::CommandError;

/// Writes a whole result: to a temporary file beside `out` that is then renamed, so that a failed
/// run leaves nothing half-written, or to standard output where there is no `out`.
///
/// # Errors
/// What `write` answers, or the file's own error.
pub fn write_whole(
    out: Option<&Path>,
    write: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
) -> Result<(), CommandError> {
    let Some(out) = out else {
        let mut stdout = BufWriter::new(std::io::stdout().lock());
        return match write(&mut stdout).and_then(|()| stdout.flush()) {
            // A reader that has seen enough (`| head`) is not a failure.
            Err(cause) if cause.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
            done => {
                done.map_err(|cause| CommandError::File { file: "standard output".into(), cause })
            }
        };
    };
    let fail = |file: &Path| {
        let file = file.to_owned();
        move |cause| CommandError::File { file, cause }
    };
    let temporary = beside(out);
    let result = File::create(&temporary)
        .and_then(|file| {
            let mut file = BufWriter::new(file);
            write(&mut file)?;
            file.flush()?;
            file.get_ref().sync_all()
        })
        .map_err(fail(&temporary))
        .and_then(|()| std::fs::rename(&temporary, out).map_err(fail(out)));
    if result.is_err() {
        let _ = std::fs::remove_file(&temporary);
    }
    result
}

/// A name in the same folder, so that the rename is atomic, and of this process alone.
fn beside(out: &Path) -> PathBuf {
    let mut name = std::ffi::OsString::from(".");
    name.push(out.file_name().unwrap_or_default());
    name.push(format!(".{}.part", std::process::id()));
    out.with_file_name(name)
}

/// A bar on a terminal, nothing in a pipe. `length` in whatever `unit` counts.
pub fn progress(length: u64, unit: &str) -> ProgressBar {
    if !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(length);
    let template = format!("{{wide_bar}} {{pos}}/{{len}} {unit} {{elapsed}} (left {{eta}})");
    if let Ok(style) = ProgressStyle::with_template(&template) {
        bar.set_style(style);
    }
    bar
}
