//! Stock moves, each by its own rule, and what they do to jobs.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, NaiveDate, Utc};
use fleet::id::{EngineId, JobId, LotId, PartId, PersonId, SiteId};
use fleet::person::{Person, Role};
use fleet::shelf_life::CureQuarter;
use fleet::stock::Overruled;
use serde::{Deserialize, Serialize};
use store::jobs::{self, Moved};
use store::stock::{At, NewLot, Order, Wish};
use store::{Transaction, record};
use utoipa::ToSchema;
use utoipa::openapi::{Array, ArrayBuilder, Ref};
use uuid::Uuid;

use crate::access::Actor;
use crate::body::Body;
use crate::once::{Answer, OnceKey, Turn};
use crate::problem::{Problem, Refused};
use crate::resource::{Resource as _, Shown};
use crate::resources::{JobFields, LotFields, StockMoveFields};
use crate::state::ApiState;

/// A move, when and why, and in whose name a rule was set aside.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewMove {
    #[serde(rename = "move")]
    step: Step,
    /// Now where none is given.
    #[serde(default)]
    moved_at: Option<DateTime<Utc>>,
    #[serde(default)]
    reason: Option<String>,
    /// A named person who lets an expired lot go out, or more leave than is on record, with `reason`.
    #[serde(default)]
    allowed_by: Option<Uuid>,
}

/// A move by its kind.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Step {
    /// Came in outside an order. Without a lot its age is unknown.
    Receipt {
        part: Uuid,
        site: Uuid,
        quantity: i64,
        #[serde(default)]
        lot: Option<NewLotFields>,
    },
    /// To a job: what it was promised first, then what expires first; from a lot where one is named.
    Issue {
        job: Uuid,
        part: Uuid,
        quantity: i64,
        #[serde(default)]
        lot: Option<Uuid>,
    },
    /// Back from a job.
    Return {
        job: Uuid,
        part: Uuid,
        site: Uuid,
        #[serde(default)]
        lot: Option<Uuid>,
        quantity: i64,
    },
    /// Put right, with a reason.
    Adjustment {
        part: Uuid,
        site: Uuid,
        #[serde(default)]
        lot: Option<Uuid>,
        /// More, or below zero: less.
        quantity: i64,
    },
    /// So many kits become their loose parts.
    KitOpened {
        part: Uuid,
        site: Uuid,
        #[serde(default)]
        lot: Option<Uuid>,
        kits: i64,
    },
    /// To another site.
    Transfer {
        part: Uuid,
        site: Uuid,
        to: Uuid,
        #[serde(default)]
        lot: Option<Uuid>,
        quantity: i64,
    },
    /// What is there; a difference needs a reason, and the difference is booked.
    Count {
        part: Uuid,
        site: Uuid,
        #[serde(default)]
        lot: Option<Uuid>,
        counted: i64,
        /// Where it lies; kept as it was where none is given.
        #[serde(default)]
        bin: Option<String>,
    },
    /// Thrown away, with a reason.
    Scrapped {
        part: Uuid,
        site: Uuid,
        #[serde(default)]
        lot: Option<Uuid>,
        quantity: i64,
    },
}

/// What the label, the paper or nothing at all says of a new lot.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewLotFields {
    #[serde(default)]
    code: Option<String>,
    /// Quarter of cure as seals are marked: `3/94`, `2024-Q3`.
    #[serde(default)]
    cured: Option<String>,
    #[serde(default)]
    received_on: Option<NaiveDate>,
    /// As printed by the maker.
    #[serde(default)]
    expires_on: Option<NaiveDate>,
    /// The engine that a used part came from: never for a sealing job.
    #[serde(default)]
    donor: Option<Uuid>,
}

/// What was booked, and the jobs that it touched.
#[derive(Debug, Serialize, ToSchema)]
pub struct BookedMoves {
    /// Empty where a count found what should be there.
    #[schema(schema_with = moves_schema)]
    moves: Vec<Shown<StockMoveFields>>,
    /// New ones.
    #[schema(schema_with = lots_schema)]
    lots: Vec<Shown<LotFields>>,
    /// Short before, kitted now.
    #[schema(schema_with = jobs_schema)]
    kitted: Vec<Shown<JobFields>>,
    /// Kitted before; what was kept back for them is not there.
    #[schema(schema_with = jobs_schema)]
    short: Vec<Shown<JobFields>>,
}

fn listed(name: &str) -> Array {
    ArrayBuilder::new().items(Ref::from_schema_name(name)).build()
}

fn moves_schema() -> Array {
    listed("StockMove")
}

fn lots_schema() -> Array {
    listed("Lot")
}

fn jobs_schema() -> Array {
    listed("Job")
}

impl From<Moved> for BookedMoves {
    fn from(Moved { booked, kitted, short }: Moved) -> Self {
        Self {
            moves: booked.moves.into_iter().map(StockMoveFields::show).collect(),
            lots: booked.lots.into_iter().map(LotFields::show).collect(),
            kitted: kitted.into_iter().map(JobFields::show).collect(),
            short: short.into_iter().map(JobFields::show).collect(),
        }
    }
}

impl NewLotFields {
    fn build(&self, now: DateTime<Utc>) -> Result<NewLot, Problem> {
        let known_on = self.received_on.unwrap_or_else(|| now.date_naive());
        let cured_on = match &self.cured {
            None => None,
            Some(text) => Some(
                CureQuarter::parse(text, known_on)
                    .map_err(|error| Problem::rule(error.rule(), error.to_string()))?
                    .end(),
            ),
        };
        Ok(NewLot {
            code: self.code.clone(),
            cured_on,
            received_on: self.received_on,
            expires_on: self.expires_on,
            donor: self.donor.map(EngineId),
        })
    }
}

fn at(part: Uuid, site: Uuid, lot: Option<Uuid>) -> At {
    At { part: PartId(part), site: SiteId(site), lot: lot.map(LotId) }
}

impl NewMove {
    fn order(&self, now: DateTime<Utc>) -> Result<Order, Problem> {
        let Self { step, moved_at, reason, allowed_by } = self;
        let overruled = allowed_by
            .map(|by| Overruled { by: PersonId(by), reason: reason.clone().unwrap_or_default() });
        let moved_at = moved_at.unwrap_or(now);
        Ok(Order { wish: step.wish(now)?, moved_at, reason: reason.clone(), overruled })
    }
}

impl Step {
    fn wish(&self, now: DateTime<Utc>) -> Result<Wish, Problem> {
        Ok(match self {
            Self::Receipt { part, site, quantity, lot } => {
                let lot = lot.as_ref().map(|lot| lot.build(now)).transpose()?;
                let (part, site) = (PartId(*part), SiteId(*site));
                Wish::Receive { part, site, quantity: *quantity, lot }
            }
            Self::Issue { job, part, quantity, lot } => {
                let (job, part, lot) = (JobId(*job), PartId(*part), lot.map(LotId));
                Wish::Issue { job, part, quantity: *quantity, lot }
            }
            Self::Return { job, part, site, lot, quantity } => {
                let at = at(*part, *site, *lot);
                Wish::GiveBack { job: JobId(*job), at, quantity: *quantity }
            }
            Self::Adjustment { part, site, lot, quantity } => {
                Wish::Adjust { at: at(*part, *site, *lot), by: *quantity }
            }
            Self::KitOpened { part, site, lot, kits } => {
                Wish::OpenKit { at: at(*part, *site, *lot), kits: *kits }
            }
            Self::Transfer { part, site, to, lot, quantity } => {
                let (at, to) = (at(*part, *site, *lot), SiteId(*to));
                Wish::Transfer { at, to, quantity: *quantity }
            }
            Self::Count { part, site, lot, counted, bin } => {
                let (at, bin) = (at(*part, *site, *lot), bin.clone());
                Wish::Count { at, counted: *counted, bin }
            }
            Self::Scrapped { part, site, lot, quantity } => {
                Wish::Scrap { at: at(*part, *site, *lot), quantity: *quantity }
            }
        })
    }

    /// Who may: goods are a buyer's, what goes to jobs and what is counted a technician's.
    const fn needs(&self) -> Role {
        match self {
            Self::Issue { .. }
            | Self::Return { .. }
            | Self::Count { .. }
            | Self::KitOpened { .. } => Role::Technician,
            Self::Receipt { .. }
            | Self::Adjustment { .. }
            | Self::Transfer { .. }
            | Self::Scrapped { .. } => Role::Buyer,
        }
    }
}

/// Move stock
///
/// Moves are never changed afterwards: a mistake is put right by another. What comes in kits the
/// jobs that waited for it; a kit that a count unmakes makes its job short. Role: technician for
/// issues, returns, counts and kits opened, buyer for all else.
#[utoipa::path(
    post, path = "/stock-moves", tag = "stock",
    params(("Idempotency-Key" = Option<String>, Header)),
    request_body = NewMove,
    responses(
        (status = 201, description = "booked", body = BookedMoves),
        (status = 422, description = "more than is there, expired, without its reason"),
        Refused,
    ),
)]
pub async fn move_stock(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    Body(body): Body<NewMove>,
) -> Result<Response, Problem> {
    actor.needs(body.step.needs())?;
    let key = key.of(&body);
    let now = state.now();
    let (organisation, author) = (actor.organisation, actor.author(now));
    let order = body.order(now)?;
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        if let Some(overruled) = &order.overruled {
            record::get::<Person>(transaction, organisation, overruled.by).await?;
        }
        let order = order.clone();
        let moved = jobs::move_stock(transaction, organisation, &author, order).await?;
        let answer = Answer::json(StatusCode::CREATED, None, &BookedMoves::from(moved))?;
        kept.keep(transaction, answer).await
    };
    Ok(state.store.write(work).await?.into_response())
}
