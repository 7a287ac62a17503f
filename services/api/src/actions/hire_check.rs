//! Checks at hand-over and return.

use axum::extract::{OriginalUri, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use fleet::boat::Boat;
use fleet::engine::Engine;
use fleet::hire::{CheckItem, CheckItemKind, CheckKind, CheckOutcome, HireCheck};
use fleet::id::{BoatId, CheckItemId, EngineId, HireCheckId, PersonId};
use fleet::person::Role;
use serde::{Deserialize, Serialize};
use store::{Page, Transaction, hire, record};
use utoipa::ToSchema;
use utoipa::openapi::Ref;
use uuid::Uuid;

use crate::access::Actor;
use crate::body::Body;
use crate::once::{Answer, OnceKey, Turn};
use crate::paging::{Listed, PageWanted, link_to_next};
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::resource::{Resource as _, Shown};
use crate::resources::HireCheckFields;
use crate::state::ApiState;

/// Somebody looked a boat over.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewHireCheck {
    boat: Uuid,
    /// The one that sat there alone where none is given.
    #[serde(default)]
    engine: Option<Uuid>,
    /// `hand_over` or `return`.
    #[schema(value_type = String)]
    kind: CheckKind,
    /// Now where none is given.
    #[serde(default)]
    checked_at: Option<DateTime<Utc>>,
    #[serde(default)]
    checked_by: Option<Uuid>,
    #[serde(default)]
    note: Option<String>,
    /// What was looked at, each thing once.
    items: Vec<ItemSeen>,
    /// Writes down what was bad as findings, with their holds and jobs, in the same transaction.
    #[serde(default)]
    raise_findings: bool,
}

/// One thing that was looked at.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ItemSeen {
    /// `oil_level`, `stop_cord`, `fuel_leaks`, `clamps`, `propeller`, `tell_tale`, `shift` or
    /// `flushed`.
    #[schema(value_type = String)]
    item: CheckItemKind,
    /// `good`, `bad` or `not_looked`.
    #[schema(value_type = String)]
    outcome: CheckOutcome,
}

/// A check with what was looked at.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecordedHireCheck {
    #[schema(schema_with = check_schema)]
    pub check: Shown<HireCheckFields>,
    pub items: Vec<ItemSeen>,
    /// Findings that were written down with it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Uuid>,
}

/// A page of them.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecordedHireCheckList {
    pub items: Vec<RecordedHireCheck>,
    /// Give as `after` to see the next page.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<Uuid>,
}

fn check_schema() -> Ref {
    Ref::from_schema_name("HireCheck")
}

impl RecordedHireCheck {
    fn show((check, items): (HireCheck, Vec<CheckItem>)) -> Self {
        let seen = |CheckItem { item, outcome, .. }| ItemSeen { item, outcome };
        Self {
            check: HireCheckFields::show(check),
            items: items.into_iter().map(seen).collect(),
            findings: Vec::new(),
        }
    }
}

impl NewHireCheck {
    fn build(self, now: DateTime<Utc>) -> Result<(HireCheck, Vec<CheckItem>), Problem> {
        let Self { boat, engine, kind, checked_at, checked_by, note, items, raise_findings: _ } =
            self;
        let check = HireCheck {
            id: HireCheckId::fresh(),
            boat: BoatId(boat),
            engine: engine.map(EngineId),
            kind,
            checked_at: checked_at.unwrap_or(now),
            checked_by: checked_by.map(PersonId),
            note,
        };
        for (place, seen) in items.iter().enumerate() {
            if items[..place].iter().any(|before| before.item == seen.item) {
                let detail = format!("{} is there twice; say once what was seen", seen.item);
                return Err(Problem::rule("named-twice", detail));
            }
        }
        let of_check = |ItemSeen { item, outcome }| CheckItem {
            id: CheckItemId::fresh(),
            check: check.id,
            item,
            outcome,
        };
        let items = items.into_iter().map(of_check).collect();
        Ok((check, items))
    }
}

/// Record a check
///
/// What was bad is put right or written down as a finding; the check itself is never changed. Role:
/// technician.
#[utoipa::path(
    post, path = "/hire-checks", tag = "hire-checks",
    params(("Idempotency-Key" = Option<String>, Header)),
    request_body = NewHireCheck,
    responses(
        (status = 201, description = "recorded", body = RecordedHireCheck),
        (status = 404, description = "no such boat"),
        (status = 409, description = "such a check of that moment is on record"),
        (status = 422, description = "in the future, a thing twice, or an engine that did not sit there"),
        Refused,
    ),
)]
pub async fn record_hire_check(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    Body(body): Body<NewHireCheck>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let key = key.of(&body);
    let now = state.now();
    let raises = body.raise_findings;
    let (check, items) = body.build(now)?;
    let (organisation, author) = (actor.organisation, actor.author(now));
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let check =
            hire::record_check(transaction, organisation, check.clone(), &items, now).await?;
        let mut recorded = RecordedHireCheck::show((check.clone(), items.clone()));
        if raises {
            let raised =
                hire::raise_findings(transaction, organisation, &author, &check, &items).await?;
            recorded.findings = raised.iter().map(|(finding, _)| finding.id.0).collect();
        }
        kept.keep(transaction, Answer::json(StatusCode::CREATED, None, &recorded)?).await
    };
    Ok(state.store.write(work).await?.into_response())
}

/// List the checks of a boat
///
/// In the order in which they were recorded. Role: viewer.
#[utoipa::path(
    get, path = "/boats/{id}/hire-checks", tag = "hire-checks",
    params(
        ("id" = Uuid, Path),
        ("after" = Option<Uuid>, Query, description = "the last id seen"),
        ("size" = Option<u64>, Query, description = "rows on the page, 1 to 500"),
    ),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = RecordedHireCheckList),
        Refused,
    ),
)]
pub async fn list_hire_checks_of_boat(
    State(state): State<ApiState>,
    actor: Actor,
    Id(boat): Id,
    OriginalUri(uri): OriginalUri,
    PageWanted(wanted): PageWanted,
) -> Result<Response, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let boat = record::get::<Boat>(connection, organisation, BoatId(boat)).await?.id;
    let Page { rows, next } =
        hire::check_page_of_boat(connection, organisation, boat, wanted).await?;
    let items: Vec<_> = rows.into_iter().map(RecordedHireCheck::show).collect();
    Ok((link_to_next(&uri, wanted, next), axum::Json(Listed { items, next })).into_response())
}

/// List the checks of an engine
///
/// In the order in which they were recorded. Role: viewer.
#[utoipa::path(
    get, path = "/engines/{id}/hire-checks", tag = "hire-checks",
    params(
        ("id" = Uuid, Path),
        ("after" = Option<Uuid>, Query, description = "the last id seen"),
        ("size" = Option<u64>, Query, description = "rows on the page, 1 to 500"),
    ),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = RecordedHireCheckList),
        Refused,
    ),
)]
pub async fn list_hire_checks_of_engine(
    State(state): State<ApiState>,
    actor: Actor,
    Id(engine): Id,
    OriginalUri(uri): OriginalUri,
    PageWanted(wanted): PageWanted,
) -> Result<Response, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let engine = record::get::<Engine>(connection, organisation, EngineId(engine)).await?.id;
    let Page { rows, next } =
        hire::check_page_of_engine(connection, organisation, engine, wanted).await?;
    let items: Vec<_> = rows.into_iter().map(RecordedHireCheck::show).collect();
    Ok((link_to_next(&uri, wanted, next), axum::Json(Listed { items, next })).into_response())
}
