//! A person accepts what the lives propose for an interval.
//!
//! Invariant: the programme is changed by a person with a reason, never by a run; the change is one
//! of the usual kind, with its line in the history; a programme that was changed since the run is
//! not overwritten.

use fleet::Hours;
use fleet::id::OrganisationId;
use fleet::programme::{IntervalBasis, ProgrammeInterval};
use store::{Author, Transaction, record};

use crate::error::RunError;
use crate::lives::kept::{ItemLives, Proposal};

/// Gives the interval its proposed hours; answers the row as it is now.
///
/// # Errors
/// `proposal-note-missing`, `proposal-empty` where nothing is proposed; the row is gone or was
/// changed since the run.
pub async fn accept(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (item, proposal): (&ItemLives, &Proposal),
    note: &str,
) -> Result<ProgrammeInterval, RunError> {
    let note = note.trim();
    if note.is_empty() {
        return Err(RunError::Refused {
            rule: "proposal-note-missing",
            what: "say why the interval is changed: it is kept with the change".to_owned(),
        });
    }
    let hours = proposal.to_h.and_then(|hours| Hours::from_decimal(hours).ok());
    let Some(hours) = hours else {
        return Err(RunError::Refused {
            rule: "proposal-empty",
            what: format!("nothing is proposed for this interval: {}", proposal.sentence),
        });
    };
    let row: ProgrammeInterval = record::get(transaction, organisation, proposal.interval).await?;
    let before = row.page.as_deref().map(|page| format!(", p. {page}")).unwrap_or_default();
    let changed = ProgrammeInterval {
        version: proposal.version,
        every: Some(hours),
        basis: IntervalBasis::Site,
        source: format!(
            "lives of {}, {}: {note} (before: {} h, {}{before})",
            item.name, proposal.rests_on, proposal.every_h, row.source
        ),
        page: None,
        verified_by: Some(author.name.clone()),
        ..row
    };
    let author = Author { note: Some(note.to_owned()), ..author.clone() };
    Ok(record::change(transaction, organisation, &author, &changed).await?)
}
