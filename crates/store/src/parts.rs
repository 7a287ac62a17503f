//! Parts, their kits and their terms.

use fleet::id::{OrganisationId, PartId, TermId};
use fleet::part::{KitLine, Lot, Part, PartKind};
use fleet::supplier::{Term, TermBreak};
use sea_orm::sea_query::extension::postgres::PgExpr as _;
use sea_orm::sea_query::{
    CommonTableExpression, Expr, ExprTrait as _, LikeExpr, Query, SelectStatement, UnionType,
    WithClause,
};
use sea_orm::{ColumnTrait as _, Condition, ConnectionTrait, DbBackend};

use crate::entity::{kit_lines, lots, parts, supersessions, term_breaks, terms};
use crate::error::StoreError;
use crate::record::{self, Page, PageOf};

/// Which parts are wanted; what is `None` does not matter.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PartFilter {
    pub kind: Option<PartKind>,
    /// Words, each of which is part of the number, the name or the maker, letters' case aside. What
    /// stands in for such a part, now or through others, is found with it.
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
    if let Some(text) = filter.text.as_deref().filter(|text| !text.trim().is_empty()) {
        let ids = found_by(organisation, text, connection.get_database_backend());
        condition = condition.add(parts::Column::Id.in_subquery(ids));
    }
    record::page_where(connection, organisation, condition, wanted).await
}

/// The recursive table of [`found_by`], and its column.
const FOUND: (&str, &str) = ("found", "part_id");

/// The ids of parts that `text` finds, in one statement: those whose words match, then whatever
/// stands in for one found.
///
/// Words inside a number are looked for, so that no index can serve them but one of every three
/// letters, which PostgreSQL has in an extension only; read are the parts of one organisation alone.
fn found_by(organisation: OrganisationId, text: &str, backend: DbBackend) -> SelectStatement {
    let words = text.split_whitespace().map(|word| has_word(word, backend));
    let mut found = Query::select()
        .column(parts::Column::Id)
        .from(parts::Entity)
        .and_where(parts::Column::OrganisationId.eq(organisation.0))
        .cond_where(words.fold(Condition::all(), Condition::add))
        .to_owned();
    let of = |column| (supersessions::Entity, column);
    // A cross join keeps SQLite to this order: each part found looks into the index of old numbers.
    // The other way about, 20,000 parts found read 2,000 supersessions each, for nine seconds.
    let stands_in = Query::select()
        .column(of(supersessions::Column::NewPartId))
        .from(FOUND.0)
        .cross_join(supersessions::Entity)
        .and_where(Expr::col(FOUND).equals(of(supersessions::Column::OldPartId)))
        .and_where(Expr::col(of(supersessions::Column::OrganisationId)).eq(organisation.0))
        .to_owned();
    // Not UNION ALL: each part comes once, so that even a ring of numbers ends.
    let all = CommonTableExpression::new()
        .query(found.union(UnionType::Distinct, stands_in).to_owned())
        .column(FOUND.1)
        .table_name(FOUND.0)
        .to_owned();
    let clause = WithClause::new().recursive(true).cte(all).to_owned();
    Query::select().column(FOUND.1).from(FOUND.0).with_cte(clause).to_owned()
}

fn has_word(word: &str, backend: DbBackend) -> Condition {
    let mut pattern = String::from("%");
    for letter in word.chars() {
        if matches!(letter, '%' | '_' | '\\') {
            pattern.push('\\');
        }
        pattern.push(letter);
    }
    pattern.push('%');
    let columns = [parts::Column::Number, parts::Column::Name, parts::Column::Maker];
    columns.into_iter().fold(Condition::any(), |any, column| {
        // PostgreSQL escapes by the backslash as it is; SQLite's LIKE leaves the case of letters
        // aside as it is.
        any.add(match backend {
            DbBackend::Postgres => Expr::col(column).ilike(&*pattern),
            _ => Expr::col(column).like(LikeExpr::new(&*pattern).escape('\\')),
        })
    })
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
