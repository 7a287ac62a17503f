//! Bookings, the hire log and the checks at hand-over and return.

use chrono::{DateTime, Utc};
use fleet::boat::{Boat, Fitting};
use fleet::finding::{Finding, FindingStatus};
use fleet::hire::{Booking, BookingStatus, CheckItem, CheckOutcome, Hire, HireCheck};
use fleet::id::{BoatId, EngineId, FindingId, OrganisationId};
use fleet::programme::FindingKind;
use sea_orm::{
    ColumnTrait as _, Condition, ConnectionTrait, QueryFilter as _, QueryOrder as _,
    QuerySelect as _,
};

use crate::Transaction;
use crate::boats;
use crate::entity::{bookings, hire_check_items, hire_checks, hire_log};
use crate::error::StoreError;
use crate::findings;
use crate::record::{self, Author, Page, PageOf, Record as _};
use crate::value::to_microseconds;

/// Boats still wanted after a moment: booked, not cancelled, and not over by then.
pub async fn bookings_ending_after(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    after: DateTime<Utc>,
) -> Result<Vec<Booking>, StoreError> {
    let query = record::of::<Booking>(organisation)
        .filter(bookings::Column::Status.eq(BookingStatus::Booked.as_str()))
        .filter(bookings::Column::EndsAt.gt(to_microseconds(after)));
    record::select(connection, query).await
}

/// When boats were out on hire.
pub async fn log_of_boats(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    boats: &[BoatId],
) -> Result<Vec<Hire>, StoreError> {
    let keys: Vec<_> = boats.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, hire_log::Column::BoatId, &keys).await
}

/// Checks of boats and what was looked at in each.
pub async fn checks_of_boats(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    boats: &[BoatId],
) -> Result<(Vec<HireCheck>, Vec<CheckItem>), StoreError> {
    let keys: Vec<_> = boats.iter().map(|id| id.0).collect();
    let checks: Vec<HireCheck> =
        record::by_column(connection, organisation, hire_checks::Column::BoatId, &keys).await?;
    let keys: Vec<_> = checks.iter().map(|check| check.id.0).collect();
    let items =
        record::by_column(connection, organisation, hire_check_items::Column::CheckId, &keys)
            .await?;
    Ok((checks, items))
}

/// A page of when one boat was out, in the order in which it was recorded.
pub async fn log_page_of_boat(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    boat: BoatId,
    wanted: PageOf,
) -> Result<Page<Hire>, StoreError> {
    let condition = Condition::all().add(hire_log::Column::BoatId.eq(boat.0));
    record::page_where(connection, organisation, condition, wanted).await
}

/// A page of when the boats that an engine sat on were out with it.
pub async fn log_page_of_engine(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engine: EngineId,
    wanted: PageOf,
) -> Result<Page<Hire>, StoreError> {
    let sat = boats::fittings_of_engines(connection, organisation, &[engine]).await?;
    if sat.is_empty() {
        return Ok(Page { rows: Vec::new(), next: None });
    }
    let condition = sat.iter().fold(Condition::any(), |any, fitting| {
        let mut during = Condition::all()
            .add(hire_log::Column::BoatId.eq(fitting.boat.0))
            .add(hire_log::Column::OutAt.gte(fitting.fitted_at));
        if let Some(off) = fitting.removed_at {
            during = during.add(hire_log::Column::OutAt.lt(off));
        }
        any.add(during)
    });
    record::page_where(connection, organisation, condition, wanted).await
}

/// Records that a boat was out.
///
/// # Errors
/// `ends-before-it-begins`; `in-the-future` where it goes out after `now`; `hire-overlaps` where the
/// boat was out already; `Taken` where the log has this very hire.
pub async fn record_hire(
    transaction: &Transaction,
    organisation: OrganisationId,
    mut hire: Hire,
    now: DateTime<Utc>,
) -> Result<Hire, StoreError> {
    let (out_at, back_at) = (to_microseconds(hire.out_at), to_microseconds(hire.back_at));
    (hire.out_at, hire.back_at) = (out_at, back_at);
    if out_at > now {
        let what =
            format!("{} lies in the future; what is to come is a booking", out_at.to_rfc3339());
        return Err(StoreError::Broken { rule: "in-the-future", what });
    }
    if back_at <= out_at {
        let what = format!("back_at must be later than {}", out_at.to_rfc3339());
        return Err(StoreError::Broken { rule: "ends-before-it-begins", what });
    }
    record::lock::<Boat>(transaction, organisation, hire.boat).await?;
    let query = record::of::<Hire>(organisation)
        .filter(hire_log::Column::BoatId.eq(hire.boat.0))
        .filter(hire_log::Column::OutAt.lt(back_at))
        .filter(hire_log::Column::OutAt.ne(out_at))
        .filter(hire_log::Column::BackAt.gt(out_at));
    if let Some(other) = record::select::<Hire>(transaction, query).await?.first() {
        let (from, until) = (other.out_at.to_rfc3339(), other.back_at.to_rfc3339());
        let what = format!("the boat was out already, from {from} to {until}");
        return Err(StoreError::Broken { rule: "hire-overlaps", what });
    }
    record::append(transaction, organisation, std::slice::from_ref(&hire)).await?;
    Ok(hire)
}

/// A page of checks of one boat with what was looked at in each.
pub async fn check_page_of_boat(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    boat: BoatId,
    wanted: PageOf,
) -> Result<Page<(HireCheck, Vec<CheckItem>)>, StoreError> {
    let condition = Condition::all().add(hire_checks::Column::BoatId.eq(boat.0));
    check_page(connection, organisation, condition, wanted).await
}

/// A page of checks of one engine with what was looked at in each.
pub async fn check_page_of_engine(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engine: EngineId,
    wanted: PageOf,
) -> Result<Page<(HireCheck, Vec<CheckItem>)>, StoreError> {
    let condition = Condition::all().add(hire_checks::Column::EngineId.eq(engine.0));
    check_page(connection, organisation, condition, wanted).await
}

async fn check_page(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    condition: Condition,
    wanted: PageOf,
) -> Result<Page<(HireCheck, Vec<CheckItem>)>, StoreError> {
    let Page { rows, next } =
        record::page_where::<HireCheck>(connection, organisation, condition, wanted).await?;
    let keys: Vec<_> = rows.iter().map(|check| check.id.0).collect();
    let items: Vec<CheckItem> =
        record::by_column(connection, organisation, hire_check_items::Column::CheckId, &keys)
            .await?;
    let with_items = |check: HireCheck| {
        let of_check = items.iter().filter(|item| item.check == check.id).cloned().collect();
        (check, of_check)
    };
    Ok(Page { rows: rows.into_iter().map(with_items).collect(), next })
}

/// Records that somebody looked a boat over. Without an engine, it is the one that sat there alone.
///
/// # Errors
/// `in-the-future`; `engine-not-on-boat` where others are known to have sat there; `Taken` where the
/// same check, or a thing within it, is there twice.
pub async fn record_check(
    transaction: &Transaction,
    organisation: OrganisationId,
    mut check: HireCheck,
    items: &[CheckItem],
    now: DateTime<Utc>,
) -> Result<HireCheck, StoreError> {
    let at = to_microseconds(check.checked_at);
    check.checked_at = at;
    if at > now {
        let what = format!("{} lies in the future", at.to_rfc3339());
        return Err(StoreError::Broken { rule: "in-the-future", what });
    }
    record::get::<Boat>(transaction, organisation, check.boat).await?;
    let sat = boats::fittings_of_boats(transaction, organisation, &[check.boat]).await?;
    let sits = |fitting: &&Fitting| {
        fitting.fitted_at <= at && fitting.removed_at.is_none_or(|off| at < off)
    };
    let engines: Vec<EngineId> = sat.iter().filter(sits).map(|fitting| fitting.engine).collect();
    match (check.engine, engines.as_slice()) {
        (None, [alone]) => check.engine = Some(*alone),
        (Some(engine), [_, ..]) if !engines.contains(&engine) => {
            let what =
                "another engine sat on the boat then; leave the engine out, or record first \
                        that it was fitted"
                    .to_owned();
            return Err(StoreError::Broken { rule: "engine-not-on-boat", what });
        }
        _ => {}
    }
    record::append(transaction, organisation, std::slice::from_ref(&check)).await?;
    record::append(transaction, organisation, items).await?;
    Ok(check)
}

/// The latest checks of an engine with what was looked at in each, the newest first.
pub async fn latest_checks_of_engine(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engine: EngineId,
    most: u64,
) -> Result<Vec<(HireCheck, Vec<CheckItem>)>, StoreError> {
    let rows = record::of::<HireCheck>(organisation)
        .filter(hire_checks::Column::EngineId.eq(engine.0))
        .order_by_desc(hire_checks::Column::CheckedAt)
        .order_by_desc(hire_checks::Column::Id)
        .limit(most)
        .all(connection)
        .await?;
    let checks =
        rows.into_iter().map(HireCheck::from_row).collect::<Result<Vec<HireCheck>, _>>()?;
    let keys: Vec<_> = checks.iter().map(|check| check.id.0).collect();
    let items: Vec<CheckItem> =
        record::by_column(connection, organisation, hire_check_items::Column::CheckId, &keys)
            .await?;
    let with_items = |check: HireCheck| {
        let of_check = items.iter().filter(|item| item.check == check.id).cloned().collect();
        (check, of_check)
    };
    Ok(checks.into_iter().map(with_items).collect())
}

/// Writes down as findings what a check saw not to be as it should be: by the yard's own kind where
/// it has one of that name, else as [`CheckItemKind::finding`] says. What is about safety holds the
/// engine in the same moment.
///
/// # Errors
/// `check-without-engine` where nobody knows which engine it was.
///
/// [`CheckItemKind::finding`]: fleet::hire::CheckItemKind::finding
pub async fn raise_findings(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    check: &HireCheck,
    items: &[CheckItem],
) -> Result<Vec<(Finding, findings::Recorded)>, StoreError> {
    let bad: Vec<_> = items
        .iter()
        .filter(|item| item.outcome == CheckOutcome::Bad)
        .filter_map(|item| item.item.finding())
        .collect();
    if bad.is_empty() {
        return Ok(Vec::new());
    }
    let Some(engine) = check.engine else {
        let what = "say which engine it was: no engine is known to have sat on the boat then";
        return Err(StoreError::Broken { rule: "check-without-engine", what: what.to_owned() });
    };
    let kinds: Vec<FindingKind> = record::all(transaction, organisation).await?;
    let mut raised = Vec::new();
    for (title, urgency, safety) in bad {
        let known = |kind: &&FindingKind| !kind.archived && kind.name.eq_ignore_ascii_case(title);
        let kind = kinds.iter().find(known);
        let finding = Finding {
            id: FindingId::fresh(),
            version: 1,
            engine,
            kind: kind.map(|kind| kind.id),
            title: kind.map_or_else(|| title.to_owned(), |kind| kind.name.clone()),
            urgency: kind.map_or(urgency, |kind| kind.urgency),
            safety: kind.map_or(safety, |kind| kind.safety),
            status: FindingStatus::Open,
            found_at: check.checked_at,
            found_by: check.checked_by,
            life: None,
            note: check.note.clone(),
            closed_at: None,
            closing_note: None,
        };
        let followed = findings::record(transaction, organisation, author, &finding).await?;
        raised.push((finding, followed));
    }
    Ok(raised)
}
