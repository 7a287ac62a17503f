//! Boats and the engines on them.

use chrono::{DateTime, Utc};
use fleet::boat::{Boat, Fitting};
use fleet::engine::{Engine, EngineStatus};
use fleet::id::{BoatId, EngineId, FittingId, OrganisationId};
use sea_orm::{ColumnTrait as _, Condition, ConnectionTrait, QueryFilter as _};

use crate::Transaction;
use crate::entity::{boats, fittings};
use crate::error::StoreError;
use crate::findings;
use crate::record::{self, Author, Page, PageOf};
use crate::value::to_microseconds;

/// The boats of `names` that are there, at any site.
pub async fn by_names(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    names: &[&str],
) -> Result<Vec<Boat>, StoreError> {
    record::by_text(connection, organisation, boats::Column::Name, names).await
}

/// Which engine sits on which boat now.
pub async fn open_fittings(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
) -> Result<Vec<Fitting>, StoreError> {
    let query = record::of::<Fitting>(organisation).filter(fittings::Column::RemovedAt.is_null());
    record::select(connection, query).await
}

/// On which boats engines sat, and when.
pub async fn fittings_of_engines(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engines: &[EngineId],
) -> Result<Vec<Fitting>, StoreError> {
    let keys: Vec<_> = engines.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, fittings::Column::EngineId, &keys).await
}

/// Which engines sat on boats, and when.
pub async fn fittings_of_boats(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    boats: &[BoatId],
) -> Result<Vec<Fitting>, StoreError> {
    let keys: Vec<_> = boats.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, fittings::Column::BoatId, &keys).await
}

/// A page of where one engine sat, in the order in which it was recorded.
pub async fn page_of_engine(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engine: EngineId,
    wanted: PageOf,
) -> Result<Page<Fitting>, StoreError> {
    let condition = Condition::all().add(fittings::Column::EngineId.eq(engine.0));
    record::page_where(connection, organisation, condition, wanted).await
}

/// A page of what sat on one boat, in the order in which it was recorded.
pub async fn page_of_boat(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    boat: BoatId,
    wanted: PageOf,
) -> Result<Page<Fitting>, StoreError> {
    let condition = Condition::all().add(fittings::Column::BoatId.eq(boat.0));
    record::page_where(connection, organisation, condition, wanted).await
}

/// Records where an engine sat or sits, beside what is on record.
///
/// # Errors
/// `fitting-overlaps` where the engine sat on a boat then, or another engine at that place;
/// `ends-before-it-begins`; `in-the-future` where either comes after the author's present.
pub async fn record_fitting(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    mut fitting: Fitting,
) -> Result<Fitting, StoreError> {
    not_to_come(author, Some(fitting.fitted_at))?;
    not_to_come(author, fitting.removed_at)?;
    fitting.fitted_at = to_microseconds(fitting.fitted_at);
    fitting.removed_at = fitting.removed_at.map(to_microseconds);
    in_order(fitting.fitted_at, fitting.removed_at)?;
    record::lock::<Engine>(transaction, organisation, fitting.engine).await?;
    record::lock::<Boat>(transaction, organisation, fitting.boat).await?;
    let of_engine = fittings_of_engines(transaction, organisation, &[fitting.engine]).await?;
    let of_boat = fittings_of_boats(transaction, organisation, &[fitting.boat]).await?;
    let there = of_boat.into_iter().filter(|other| other.position == fitting.position);
    if let Some(other) = of_engine.iter().find(|other| overlap(&fitting, other)) {
        return Err(overlapping("the engine sat on a boat then", other));
    }
    if let Some(other) = there.into_iter().find(|other| overlap(&fitting, other)) {
        return Err(overlapping("another engine sat at that place then", &other));
    }
    record::create(transaction, organisation, author, std::slice::from_ref(&fitting)).await?;
    Ok(fitting)
}

/// Takes an engine off its boat at `at`.
///
/// # Errors
/// `fitting-ended` where it came off before, `ends-before-it-begins`, `in-the-future`; `Stale` where
/// somebody else changed the fitting meanwhile.
pub async fn take_off(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    id: FittingId,
    version: i64,
    at: DateTime<Utc>,
) -> Result<Fitting, StoreError> {
    not_to_come(author, Some(at))?;
    let fitting = record::lock::<Fitting>(transaction, organisation, id).await?;
    if fitting.version != version {
        let (noun, current) = (<Fitting as record::Record>::NOUN, fitting.version);
        return Err(StoreError::Stale { noun, given: version, current });
    }
    let at = to_microseconds(at);
    if let Some(off) = fitting.removed_at {
        let what = format!("the engine came off at {} already", off.to_rfc3339());
        return Err(StoreError::Broken { rule: "fitting-ended", what });
    }
    in_order(fitting.fitted_at, Some(at))?;
    let ended = Fitting { removed_at: Some(at), ..fitting };
    record::change(transaction, organisation, author, &ended).await
}

fn not_to_come(author: &Author, at: Option<DateTime<Utc>>) -> Result<(), StoreError> {
    match at.filter(|&at| at > author.at) {
        None => Ok(()),
        Some(at) => {
            let what = format!("{} lies in the future", at.to_rfc3339());
            Err(StoreError::Broken { rule: "in-the-future", what })
        }
    }
}

fn in_order(fitted_at: DateTime<Utc>, removed_at: Option<DateTime<Utc>>) -> Result<(), StoreError> {
    if removed_at.is_none_or(|off| off > fitted_at) {
        return Ok(());
    }
    let what = format!("it is fitted at {}; it comes off later", fitted_at.to_rfc3339());
    Err(StoreError::Broken { rule: "ends-before-it-begins", what })
}

/// Whether two fittings share a moment; each ends before its last one.
fn overlap(a: &Fitting, b: &Fitting) -> bool {
    let begins_before =
        |from: DateTime<Utc>, until: Option<DateTime<Utc>>| until.is_none_or(|until| from < until);
    begins_before(a.fitted_at, b.removed_at) && begins_before(b.fitted_at, a.removed_at)
}

fn overlapping(what: &str, other: &Fitting) -> StoreError {
    let until = other.removed_at.map_or_else(|| "now".to_owned(), |off| off.to_rfc3339());
    let what = format!("{what}, from {} to {until}", other.fitted_at.to_rfc3339());
    StoreError::Broken { rule: "fitting-overlaps", what }
}

/// Puts `engine` on `boat`; whatever sat there, and wherever the engine sat, comes off at `at`.
///
/// # Errors
/// `fitting-before-last` where either was fitted at or after `at`; `in-the-future`.
pub async fn fit(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    engine: EngineId,
    boat: BoatId,
    position: i32,
    at: DateTime<Utc>,
) -> Result<Fitting, StoreError> {
    not_to_come(author, Some(at))?;
    record::lock::<Engine>(transaction, organisation, engine).await?;
    record::lock::<Boat>(transaction, organisation, boat).await?;
    let at = to_microseconds(at);
    let of_engine = fittings_of_engines(transaction, organisation, &[engine]).await?;
    let of_boat = fittings_of_boats(transaction, organisation, &[boat]).await?;
    let there = of_boat.into_iter().filter(|fitting| fitting.position == position);
    let mut touched: Vec<Fitting> = of_engine.into_iter().chain(there).collect();
    touched.sort_by_key(|fitting| fitting.id);
    touched.dedup_by_key(|fitting| fitting.id);
    for mut fitting in touched {
        if fitting.fitted_at >= at || fitting.removed_at.is_some_and(|off| off > at) {
            let what = "the engine or the place was fitted at that time or later; record fittings \
                        in the order of their days"
                .to_owned();
            return Err(StoreError::Broken { rule: "fitting-before-last", what });
        }
        if fitting.removed_at.is_none() {
            fitting.removed_at = Some(at);
            record::change(transaction, organisation, author, &fitting).await?;
        }
    }
    let id = FittingId::fresh();
    let fitting =
        Fitting { id, version: 1, engine, boat, position, fitted_at: at, removed_at: None };
    record::create(transaction, organisation, author, std::slice::from_ref(&fitting)).await?;
    Ok(fitting)
}

/// Puts a spare in the place of an engine that is not to go out: that one comes off at `at`, and the
/// spare begins there in the same moment.
///
/// # Errors
/// `engine-not-fitted` where there is no place to take; `spare-fitted` where the spare sits on a boat
/// itself; `spare-held` where it is on hold; `spare-not-in-service`; `in-the-future`;
/// `fitting-before-last`.
pub async fn fit_spare(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (spare, instead_of): (EngineId, EngineId),
    at: DateTime<Utc>,
) -> Result<Fitting, StoreError> {
    record::lock_many::<Engine>(transaction, organisation, &[spare, instead_of]).await?;
    let engine = record::get::<Engine>(transaction, organisation, spare).await?;
    let place = open_of(transaction, organisation, instead_of).await?;
    let broken = |rule, what: String| Err(StoreError::Broken { rule, what });
    let Some(place) = place else {
        return broken("engine-not-fitted", "the engine sits on no boat".to_owned());
    };
    if open_of(transaction, organisation, spare).await?.is_some() {
        let what = format!("{} sits on a boat; let the two change places", engine.serial);
        return broken("spare-fitted", what);
    }
    if engine.status != EngineStatus::InService {
        return broken("spare-not-in-service", format!("{} is not in service", engine.serial));
    }
    let holds = findings::holds_of_engines(transaction, organisation, &[spare]).await?;
    if let Some(hold) = holds.iter().find(|hold| hold.cleared_at.is_none()) {
        let what = format!("{} is not to be hired: {}", engine.serial, hold.reason);
        return broken("spare-held", what);
    }
    fit(transaction, organisation, author, spare, place.boat, place.position, at).await
}

/// Lets two engines change places at `at`: each sits where the other sat.
///
/// # Errors
/// `engine-not-fitted` where either sits on no boat; `same-engine`; `in-the-future`;
/// `fitting-before-last` where either was fitted at or after `at`.
pub async fn exchange(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (one, other): (EngineId, EngineId),
    at: DateTime<Utc>,
) -> Result<[Fitting; 2], StoreError> {
    not_to_come(author, Some(at))?;
    let at = to_microseconds(at);
    if one == other {
        let what = "an engine can't change places with itself".to_owned();
        return Err(StoreError::Broken { rule: "same-engine", what });
    }
    record::lock_many::<Engine>(transaction, organisation, &[one, other]).await?;
    let mut places = Vec::new();
    for engine in [one, other] {
        let place = open_of(transaction, organisation, engine).await?;
        places.push(place.ok_or_else(|| StoreError::Broken {
            rule: "engine-not-fitted",
            what: "both engines must sit on a boat to change places".to_owned(),
        })?);
    }
    let boats: Vec<BoatId> = places.iter().map(|place| place.boat).collect();
    record::lock_many::<Boat>(transaction, organisation, &boats).await?;
    if places.iter().any(|place| place.fitted_at >= at) {
        let what = "one of them was fitted at that time or later; record fittings in the order of \
                    their days"
            .to_owned();
        return Err(StoreError::Broken { rule: "fitting-before-last", what });
    }
    for place in &places {
        let ended = Fitting { removed_at: Some(at), ..place.clone() };
        record::change(transaction, organisation, author, &ended).await?;
    }
    let begins = |engine, place: &Fitting| Fitting {
        id: FittingId::fresh(),
        version: 1,
        engine,
        boat: place.boat,
        position: place.position,
        fitted_at: at,
        removed_at: None,
    };
    let fresh = [begins(one, &places[1]), begins(other, &places[0])];
    record::create(transaction, organisation, author, &fresh).await?;
    Ok(fresh)
}

/// Where an engine sits now.
pub async fn open_of(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engine: EngineId,
) -> Result<Option<Fitting>, StoreError> {
    let fittings = fittings_of_engines(connection, organisation, &[engine]).await?;
    Ok(fittings.into_iter().find(|fitting| fitting.removed_at.is_none()))
}
