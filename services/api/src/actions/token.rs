//! Programs' keys: made, listed, taken away. Only the owner.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use fleet::id::TokenId;
use fleet::person::Role;
use serde::{Deserialize, Serialize};
use store::{Transaction, tokens};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::access::Actor;
use crate::body::Body;
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::state::ApiState;

/// A key that is wanted.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewToken {
    #[schema(example = "hour counter on jetty B")]
    name: String,
    /// `viewer`, `technician`, `planner`, `buyer` or `owner`.
    #[schema(value_type = String)]
    role: Role,
    #[serde(default)]
    expires_at: Option<DateTime<Utc>>,
}

/// A key as it is listed: never its secret.
#[derive(Debug, Serialize, ToSchema)]
pub struct Token {
    pub id: Uuid,
    pub name: String,
    #[schema(value_type = String)]
    pub role: Role,
    pub created_at: DateTime<Utc>,
    pub expires_at: Option<DateTime<Utc>>,
    pub revoked_at: Option<DateTime<Utc>>,
    /// To the hour.
    pub last_used_at: Option<DateTime<Utc>>,
}

/// A fresh key.
#[derive(Debug, Serialize, ToSchema)]
pub struct CreatedToken {
    /// Shown this once; only its hash is kept.
    pub secret: String,
    pub token: Token,
}

impl From<tokens::Token> for Token {
    fn from(token: tokens::Token) -> Self {
        let tokens::Token {
            id,
            name,
            role,
            created_by: _,
            created_at,
            expires_at,
            revoked_at,
            last_used_at,
        } = token;
        Self { id: id.0, name, role, created_at, expires_at, revoked_at, last_used_at }
    }
}

/// List the tokens
///
/// Role: owner.
#[utoipa::path(
    get, path = "/tokens", tag = "tokens",
    responses((status = 200, description = "all of them", body = Vec<Token>), Refused),
)]
pub async fn list_tokens(
    State(state): State<ApiState>,
    actor: Actor,
) -> Result<Json<Vec<Token>>, Problem> {
    actor.needs(Role::Owner)?;
    let all = tokens::all(state.store.connection(), actor.organisation).await?;
    Ok(Json(all.into_iter().map(Token::from).collect()))
}

/// Make a token
///
/// Its secret is in this answer and nowhere else, so a repeated request makes another one:
/// `Idempotency-Key` is not taken here, because an answer that is kept would keep the secret. Role:
/// owner.
#[utoipa::path(
    post, path = "/tokens", tag = "tokens",
    request_body = NewToken,
    responses(
        (status = 201, description = "made", body = CreatedToken),
        (status = 422, description = "no name, or expired from the start"),
        Refused,
    ),
)]
pub async fn create_token(
    State(state): State<ApiState>,
    actor: Actor,
    Body(body): Body<NewToken>,
) -> Result<Response, Problem> {
    actor.needs(Role::Owner)?;
    let NewToken { name, role, expires_at } = body;
    let now = state.now();
    if name.trim().is_empty() {
        return Err(Problem::rule("token-unnamed", "name the program that it is for"));
    }
    if expires_at.is_some_and(|expires_at| expires_at <= now) {
        return Err(Problem::rule("token-expired", "it would have expired before its first use"));
    }
    let (organisation, author) = (actor.organisation, actor.author(now));
    let work = async |transaction: &Transaction| {
        tokens::create(transaction, organisation, &author, name.trim(), role, expires_at).await
    };
    let (secret, token) = state.store.write(work).await?;
    let created = CreatedToken { secret: secret.reveal().to_owned(), token: token.into() };
    Ok((StatusCode::CREATED, Json(created)).into_response())
}

/// Revoke a token
///
/// It opens nothing from this moment on; it stays listed. Role: owner.
#[utoipa::path(
    delete, path = "/tokens/{id}", tag = "tokens",
    params(("id" = Uuid, Path)),
    responses((status = 200, description = "revoked", body = Token), Refused),
)]
pub async fn revoke_token(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
) -> Result<Json<Token>, Problem> {
    actor.needs(Role::Owner)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let work = async |transaction: &Transaction| {
        tokens::revoke(transaction, organisation, &author, TokenId(id)).await
    };
    Ok(Json(state.store.write(work).await?.into()))
}
