//! Repair or retire: each engine's coming twelve months beside a new one, as a range with its reason.

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use fleet::id::EngineId;
use fleet::run::RunKind;
use runs::lives::kept::{EngineWeighed, EnginesKept, Outlook};
use serde::Deserialize;

use crate::chart::Table;
use crate::failure::{Failure, in_address, shown};
use crate::figures::{capital, count};
use crate::form::{Choice, Mark};
use crate::frame::{Frame, Link, Room};
use crate::lives::paths;
use crate::run::Latest;
use crate::state::PagesState;
use crate::visitor::Visitor;
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "retire.html")]
pub struct RetirePage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub pools: Vec<Choice>,
    pub rows: Vec<RetireRow>,
    pub more: Option<Link>,
    pub nothing: String,
    pub assumptions: Vec<String>,
}

#[derive(Clone, Debug)]
pub struct RetireRow {
    pub engine: Link,
    pub marks: Vec<Mark>,
    pub pool: String,
    /// Money and range.
    pub keep: String,
    pub new: String,
    pub so_far: String,
    pub days: String,
}

/// One engine, for its own page.
#[derive(Clone, Debug)]
pub struct EngineOutlook {
    pub mark: Option<Mark>,
    pub sentences: Vec<String>,
    pub seasons: Table,
}

const ROWS_MAX: usize = 60;
const ROWS_OF_ALL_MAX: usize = 1_000;

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    pool: String,
    all: String,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    let yard = Yard::read(&state, &visitor).await?;
    let latest = Latest::of(&state, visitor.organisation, RunKind::Life).await?;
    let kept = read(&state, &visitor, &latest).await?;
    shown(&page(&visitor, &yard, &wanted, &latest, kept.as_ref()))
}

async fn read(
    state: &PagesState,
    visitor: &Visitor,
    latest: &Latest,
) -> Result<Option<EnginesKept>, Failure> {
    let Some(run) = &latest.done else { return Ok(None) };
    let read = EnginesKept::read(state.store.connection(), visitor.organisation, run.id).await;
    Ok(Some(read?))
}

/// What the last life run says of one engine.
pub async fn of_engine(
    state: &PagesState,
    visitor: &Visitor,
    engine: EngineId,
) -> Result<Option<EngineOutlook>, Failure> {
    let latest = Latest::of(state, visitor.organisation, RunKind::Life).await?;
    let kept = read(state, visitor, &latest).await?;
    Ok(kept.as_ref().and_then(|kept| {
        let one = kept.of_engine(engine)?;
        Some(outlook(one, &kept.currency.to_string()))
    }))
}

fn page(
    visitor: &Visitor,
    yard: &Yard,
    wanted: &Wanted,
    latest: &Latest,
    kept: Option<&EnginesKept>,
) -> RetirePage {
    let asked =
        |one: &&EngineWeighed| wanted.pool.is_empty() || one.pool.to_string() == wanted.pool;
    let engines: Vec<&EngineWeighed> =
        kept.iter().flat_map(|kept| &kept.engines).filter(asked).collect();
    let currency = kept.map(|kept| kept.currency.to_string()).unwrap_or_default();
    let cheaper = engines.iter().filter(|it| it.outlook == Outlook::NewLooksCheaper).count();
    let close = engines.iter().filter(|it| it.outlook == Outlook::TooCloseToCall).count();
    let most = if wanted.all.is_empty() { ROWS_MAX } else { ROWS_OF_ALL_MAX };
    let hidden = engines.len().saturating_sub(most);
    RetirePage {
        frame: visitor.frame("Repair or retire", Room::Fleet),
        heading: match (engines.len(), cheaper) {
            (0, _) => "Repair or retire".to_owned(),
            (_, 0) => "No engine looks dearer than a new one".to_owned(),
            (of, n) => format!("{n} of {} look dearer than a new one", count(of, "engine", "engines")),
        },
        lead: format!(
            "{} What the coming twelve months are expected to cost beyond planned upkeep, eight times \
             in ten within the range. The decision stays with you. {}",
            match close {
                0 => String::new(),
                n => format!("{} too close to call.", count(n, "is", "are")),
            },
            latest.says(yard)
        )
        .trim()
        .to_owned(),
        paths: paths("/fleet/retire"),
        pools: yard.pool_choices(&wanted.pool),
        rows: engines.iter().take(most).map(|one| row(yard, one, &currency)).collect(),
        more: (hidden > 0 && wanted.all.is_empty()).then(|| {
            let to = format!("/fleet/retire?all=yes&pool={}", in_address(&wanted.pool));
            Link::new(format!("Show also {}", count(hidden, "engine", "engines")), to)
        }),
        nothing: "Engines are weighed each night, from what their repairs took. Nothing has been \
                  weighed yet."
            .to_owned(),
        assumptions: kept.map(|kept| kept.assumptions.clone()).unwrap_or_default(),
    }
}

fn mark(outlook: Outlook) -> Option<Mark> {
    match outlook {
        Outlook::NewLooksCheaper => Some(Mark::soon("a new one looks cheaper")),
        Outlook::TooCloseToCall => Some(Mark::plain("too close to call")),
        Outlook::KeepingLooksCheaper => None,
    }
}

fn row(yard: &Yard, one: &EngineWeighed, currency: &str) -> RetireRow {
    // Too close to call is the rule and asks for nobody; the sentence above counts those.
    let dearer = (one.outlook == Outlook::NewLooksCheaper).then(|| mark(one.outlook)).flatten();
    let mut marks: Vec<Mark> = dearer.into_iter().collect();
    if one.donor {
        marks.push(Mark::plain("worth more in parts"));
    }
    // Counted from nothing: an empty sum of floats is minus nothing.
    let money = one.seasons.iter().fold(0.0, |sum, season| sum + season.money);
    let days = one.seasons.iter().fold(0.0, |sum, season| sum + season.days_lost);
    RetireRow {
        engine: yard.link(one.engine),
        marks,
        pool: yard.pool(one.pool).map(|pool| pool.name.clone()).unwrap_or_default(),
        keep: format!(
            "{:.0} {currency} ({:.0} to {:.0})",
            one.keep.mean, one.keep.low, one.keep.high
        ),
        new: format!("{:.0} {currency}", one.new.mean),
        so_far: format!("{money:.0} {currency}"),
        days: format!("{days:.0}"),
    }
}

fn outlook(one: &EngineWeighed, currency: &str) -> EngineOutlook {
    let mut sentences = vec![format!("{}. In {currency}.", capital(&one.reason))];
    sentences.extend(one.trend.as_ref().map(|trend| capital(trend) + "."));
    let head = ["Season", "Ran", "Repairs", "Money", "Days lost"].map(str::to_owned).to_vec();
    let row = |season: &runs::lives::kept::Season| {
        vec![
            season.year.to_string(),
            format!("{:.0} h", season.ran_h),
            season.repairs.to_string(),
            format!("{:.0} {currency}", season.money),
            format!("{:.0}", season.days_lost),
        ]
    };
    EngineOutlook {
        mark: mark(one.outlook),
        sentences,
        seasons: Table { head, rows: one.seasons.iter().rev().map(row).collect() },
    }
}
