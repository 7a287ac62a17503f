//! Keep an engine off hire, and let it go again.
//!
//! A safety hold is cleared by a person with that right, never by a token alone: the person confirms
//! it with their own password. A token tells which program calls, not who stands behind it.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use fleet::engine::Engine;
use fleet::finding::Hold;
use fleet::id::{EngineId, HoldId, OrganisationId, PersonId};
use fleet::person::{Person, Role};
use serde::{Deserialize, Serialize};
use store::record::Author;
use store::{Transaction, findings, people, record, secret};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::access::Actor;
use crate::body::Body;
use crate::conditional::IfMatch;
use crate::once::{Answer, OnceKey, Turn};
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::resource::{Resource as _, tagged};
use crate::resources::HoldFields;
use crate::state::ApiState;

/// Why an engine must not be hired.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewHold {
    engine: Uuid,
    #[schema(example = "waits for the insurer")]
    reason: String,
    #[serde(default)]
    safety: bool,
    #[serde(default)]
    placed_by: Option<Uuid>,
}

/// Who clears a hold, and what was done.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Clearing {
    person: Uuid,
    #[schema(example = "stop cord replaced and tried")]
    note: String,
    /// Whether what was done settles the finding behind the hold as well: it is then closed with the
    /// same note, in the same transaction. Where this is not given it stays as it is.
    #[serde(default)]
    settles_finding: bool,
    /// The person's own; needed for a safety hold.
    #[serde(default)]
    password: Option<String>,
}

/// Hold an engine
///
/// A finding about safety holds its engine by itself. Role: technician.
#[utoipa::path(
    post, path = "/holds", tag = "holds",
    params(("Idempotency-Key" = Option<String>, Header)),
    request_body = NewHold,
    responses(
        (status = 201, description = "held", body = ref("#/components/schemas/Hold")),
        Refused,
    ),
)]
pub async fn place_hold(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    Body(body): Body<NewHold>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let key = key.of(&body);
    let now = state.now();
    let (organisation, author) = (actor.organisation, actor.author(now));
    let NewHold { engine, reason, safety, placed_by } = body;
    if reason.trim().is_empty() {
        return Err(Problem::rule("hold-reason-missing", "say why the engine must not be hired"));
    }
    let hold = Hold {
        id: HoldId::fresh(),
        version: 1,
        engine: EngineId(engine),
        finding: None,
        safety,
        reason,
        placed_at: now,
        placed_by: placed_by.map(PersonId),
        cleared_at: None,
        cleared_by: None,
        clearing_note: None,
    };
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        record::get::<Engine>(transaction, organisation, hold.engine).await?;
        record::create(transaction, organisation, &author, std::slice::from_ref(&hold)).await?;
        let shown = HoldFields::show(hold.clone());
        kept.keep(transaction, Answer::json(StatusCode::CREATED, Some(1), &shown)?).await
    };
    Ok(state.store.write(work).await?.into_response())
}

/// Clear a hold
///
/// A safety hold needs a person to whom the owner gave that right, and that person's password: see to
/// it that the work is done and tried as the engine maker's manual says. Role: technician.
#[utoipa::path(
    post, path = "/holds/{id}/clearing", tag = "holds",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = Clearing,
    responses(
        (status = 200, description = "cleared", body = ref("#/components/schemas/Hold")),
        (status = 403, description = "the password is not that person's"),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "cleared before, the person has not that right, or the finding \
         to settle is not there or closed before"),
        Refused,
    ),
)]
pub async fn clear_hold(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(body): Body<Clearing>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let Clearing { person, note, settles_finding, password } = body;
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let hold: Hold = record::get(connection, organisation, HoldId(id)).await?;
    let person: Person = record::get(connection, organisation, PersonId(person)).await?;
    if note.trim().is_empty() {
        return Err(Problem::rule("hold-note-missing", "say what was done"));
    }
    if hold.safety {
        confirm(&state, organisation, &person, password).await?;
    }
    // The history names the person, who acted through the token.
    let author = Author {
        id: Some(person.id.0),
        name: format!("{} (through {})", person.name, actor.name),
        at: state.now(),
        note: None,
    };
    let work = async |transaction: &Transaction| {
        let held = record::lock::<Hold>(transaction, organisation, hold.id).await?;
        if held.version != version {
            return Err(Problem::changed_meanwhile());
        }
        if settles_finding {
            let both = findings::clear_and_settle;
            let done = both(transaction, organisation, &author, &person, held.id, &note).await?;
            return Ok(done.0);
        }
        let cleared =
            findings::clear_hold(transaction, organisation, &author, &person, held.id, &note);
        Ok(cleared.await?)
    };
    let cleared = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &HoldFields::show(cleared)))
}

/// Whether it is that person who confirms.
async fn confirm(
    state: &ApiState,
    organisation: OrganisationId,
    person: &Person,
    password: Option<String>,
) -> Result<(), Problem> {
    let refused = || {
        Problem::new(
            StatusCode::FORBIDDEN,
            "not-confirmed",
            "Not confirmed",
            "a safety hold is cleared by a person who confirms it with their own password",
        )
    };
    let (Some(password), Some(email)) = (password, person.email.as_deref()) else {
        return Err(refused());
    };
    if person.archived {
        return Err(refused());
    }
    let found = people::candidates(state.store.connection(), email).await?;
    let found = found
        .into_iter()
        .find(|found| found.organisation == organisation && found.person.id == person.id);
    let hash = found.map(|found| found.password_hash);
    // Slow on purpose, so not on the threads that serve.
    let check = move || secret::verify_password(&password, hash.as_deref());
    let is_theirs =
        tokio::task::spawn_blocking(check).await.map_err(|cause| Problem::internal(&cause))?;
    if is_theirs { Ok(()) } else { Err(refused()) }
}
