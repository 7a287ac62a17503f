//! Calendar feeds of the bench's work: made, listed, closed. A feed itself is read at its secret
//! address, by calendars that can't sign in.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use fleet::feed::FeedKind;
use fleet::id::{BayId, FeedId, PersonId, SiteId};
use fleet::person::Role;
use serde::{Deserialize, Serialize};
use store::Transaction;
use store::feeds::{self, FeedOf};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::access::Actor;
use crate::body::Body;
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::state::ApiState;

/// A feed that is wanted.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewFeed {
    /// `site`, `bay` or `person`.
    #[schema(value_type = String)]
    kind: FeedKind,
    /// Id of the site, bay or person.
    of: Uuid,
}

/// A feed as it is listed: never its address.
#[derive(Debug, Serialize, ToSchema)]
pub struct Feed {
    pub id: Uuid,
    #[schema(value_type = String)]
    pub kind: FeedKind,
    /// Id of the site, bay or person.
    pub of: Uuid,
    pub created_at: DateTime<Utc>,
    pub revoked_at: Option<DateTime<Utc>>,
}

/// A fresh feed.
#[derive(Debug, Serialize, ToSchema)]
pub struct CreatedFeed {
    /// Where calendars read it, on this host. Shown this once; only its hash is kept.
    #[schema(example = "/feeds/5f0c….ics")]
    pub path: String,
    pub feed: Feed,
}

impl From<feeds::Feed> for Feed {
    fn from(feed: feeds::Feed) -> Self {
        let feeds::Feed { id, of, created_at, revoked_at } = feed;
        let (kind, of) = match of {
            FeedOf::Site(site) => (FeedKind::Site, site.0),
            FeedOf::Bay(bay) => (FeedKind::Bay, bay.0),
            FeedOf::Person(person) => (FeedKind::Person, person.0),
        };
        Self { id: id.0, kind, of, created_at, revoked_at }
    }
}

/// List the calendar feeds
///
/// Role: planner.
#[utoipa::path(
    get, path = "/feeds", tag = "feeds",
    responses((status = 200, description = "all of them", body = Vec<Feed>), Refused),
)]
pub async fn list_feeds(
    State(state): State<ApiState>,
    actor: Actor,
) -> Result<Json<Vec<Feed>>, Problem> {
    actor.needs(Role::Planner)?;
    let all = feeds::all(state.store.connection(), actor.organisation).await?;
    Ok(Json(all.into_iter().map(Feed::from).collect()))
}

/// Make a calendar feed
///
/// Its address is the only key to it, and stands in this answer and nowhere else: a repeated request
/// makes another feed, and `Idempotency-Key` is not taken. Role: planner.
#[utoipa::path(
    post, path = "/feeds", tag = "feeds",
    request_body = NewFeed,
    responses(
        (status = 201, description = "made", body = CreatedFeed),
        (status = 422, description = "nothing of that id to make a feed of"),
        Refused,
    ),
)]
pub async fn create_feed(
    State(state): State<ApiState>,
    actor: Actor,
    Body(body): Body<NewFeed>,
) -> Result<Response, Problem> {
    actor.needs(Role::Planner)?;
    let NewFeed { kind, of } = body;
    let of = match kind {
        FeedKind::Site => FeedOf::Site(SiteId(of)),
        FeedKind::Bay => FeedOf::Bay(BayId(of)),
        FeedKind::Person => FeedOf::Person(PersonId(of)),
    };
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let work = async |transaction: &Transaction| {
        feeds::create(transaction, organisation, &author, of).await
    };
    let (secret, feed) = state.store.write(work).await?;
    let path = format!("/feeds/{}.ics", secret.reveal());
    let created = CreatedFeed { path, feed: feed.into() };
    Ok((StatusCode::CREATED, Json(created)).into_response())
}

/// Close a calendar feed
///
/// Its address opens nothing from this moment on; it stays listed. Role: planner.
#[utoipa::path(
    delete, path = "/feeds/{id}", tag = "feeds",
    params(("id" = Uuid, Path)),
    responses((status = 200, description = "closed", body = Feed), Refused),
)]
pub async fn revoke_feed(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
) -> Result<Json<Feed>, Problem> {
    actor.needs(Role::Planner)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let work = async |transaction: &Transaction| {
        feeds::revoke(transaction, organisation, &author, FeedId(id)).await
    };
    Ok(Json(state.store.write(work).await?.into()))
}
