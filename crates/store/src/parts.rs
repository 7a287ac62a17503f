//! Parts, their kits and their terms.

use fleet::id::{OrganisationId, PartId, TermId};
use fleet::part::{KitLine, Lot, Part, PartKind};
use fleet::supplier::{Term, TermBreak};
use sea_orm::{ColumnTrait as _, Condition, ConnectionTrait};

use crate::entity::{kit_lines, lots, parts, term_breaks, terms};
use crate::error::StoreError;
use crate::record::{self, Page, PageOf};

/// Which parts are wanted; what is `None` does not matter.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PartFilter {
    pub kind: Option<PartKind>,
    /// Part of the number or the name.
    pub text: Option<String>,
}

/// The parts of `numbers` that are there.
pub async fn by_numbers(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    numbers: &[&str],
) -> Result<Vec<Part>, StoreError> {
    record::by_text(connection, organisation, parts::Column::Number, numbers).await
}

pub async fn page(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    filter: &PartFilter,
    wanted: PageOf,
) -> Result<Page<Part>, StoreError> {
    let mut condition = Condition::all();
    if let Some(kind) = filter.kind {
        condition = condition.add(parts::Column::Kind.eq(kind.as_str()));
    }
    if let Some(text) = &filter.text {
        let either = Condition::any()
            .add(parts::Column::Number.contains(text))
            .add(parts::Column::Name.contains(text));
        condition = condition.add(either);
    }
    record::page_where(connection, organisation, condition, wanted).await
}

/// What kits hold.
pub async fn kit_lines(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    kits: &[PartId],
) -> Result<Vec<KitLine>, StoreError> {
    let keys: Vec<_> = kits.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, kit_lines::Column::KitId, &keys).await
}

/// On which terms parts are sold, by anybody, at any time.
pub async fn terms(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[PartId],
) -> Result<Vec<Term>, StoreError> {
    let keys: Vec<_> = of.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, terms::Column::PartId, &keys).await
}

pub async fn term_breaks(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[TermId],
) -> Result<Vec<TermBreak>, StoreError> {
    let keys: Vec<_> = of.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, term_breaks::Column::TermId, &keys).await
}

pub async fn lots(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[PartId],
) -> Result<Vec<Lot>, StoreError> {
    let keys: Vec<_> = of.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, lots::Column::PartId, &keys).await
}
