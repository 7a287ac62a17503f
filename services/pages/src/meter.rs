//! A meter was swapped: two numbers.

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::response::Response;
use fleet::calendar::day_of;
use fleet::engine::Engine;
use fleet::hours::Hours;
use fleet::id::EngineId;
use fleet::ledger::LedgerError;
use serde::Deserialize;
use store::meters::{self, MeterSwap};
use store::readings::ReadingError;
use store::{Transaction, record};
use uuid::Uuid;

use crate::failure::{Failure, onward, sentence, shown, shown_again};
use crate::figures::{LOCAL, day, hours, parse_local};
use crate::form::Field;
use crate::frame::{Frame, Link, Notice, Room};
use crate::reads::{Standing, standings};
use crate::sign_in::own_path;
use crate::state::PagesState;
use crate::visitor::{Posted, Right, Visitor};
use crate::yard_records::{Yard, engine_path};

#[derive(Template)]
#[template(path = "meter.html")]
pub struct MeterPage {
    pub frame: Frame,
    pub engine: Link,
    pub heading: String,
    pub lead: String,
    pub action: String,
    /// Where to go on afterwards.
    pub onward: String,
    pub old_hint: String,
    pub old_last: Field,
    pub new_first: Field,
    pub swapped_at: Field,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    onward: String,
}

/// What the form holds.
#[derive(Default)]
struct Typed {
    onward: String,
    old_last: Field,
    new_first: Field,
    swapped_at: Field,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(engine): Path<Uuid>,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    visitor.check(Right::RecordHours)?;
    let about = About::read(&state, &visitor, EngineId(engine)).await?;
    let local = about.yard.now.with_timezone(&about.yard.zone).naive_local();
    let typed = Typed {
        onward: wanted.onward,
        swapped_at: Field::of(local.format(LOCAL).to_string()),
        ..Typed::default()
    };
    shown(&about.page(&visitor, typed))
}

pub async fn save(
    State(state): State<PagesState>,
    Path(engine): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::RecordHours)?;
    let about = About::read(&state, &visitor, EngineId(engine)).await?;
    let mut typed = Typed {
        onward: fields.get("onward").to_owned(),
        old_last: Field::of(fields.get("old_last")),
        new_first: Field::of(fields.get("new_first")),
        swapped_at: Field::of(fields.get("swapped_at")),
    };
    let old_last = parsed(&mut typed.old_last);
    let new_first = parsed(&mut typed.new_first);
    let at = parse_local(&typed.swapped_at.value, about.yard.zone);
    if at.is_none() {
        typed.swapped_at.fault = "Write a date and a time.".to_owned();
    }
    let (Some(old_last), Some(new_first), Some(at)) = (old_last, new_first, at) else {
        return shown_again(&about.page(&visitor, typed));
    };
    let swap = MeterSwap {
        engine: about.engine.id,
        at,
        old_last,
        new_first,
        kind: None,
        serial: None,
        source: "page".to_owned(),
        recorded_by: Some(visitor.person.id),
        note: None,
    };
    let (organisation, author) = (visitor.organisation, visitor.author(&state));
    let write =
        async |tx: &Transaction| meters::swap(tx, organisation, &author, swap.clone()).await;
    match state.store.write(write).await {
        Ok(_) => {
            let says = format!("New meter of {} recorded.", about.yard.name(about.engine.id));
            let home = engine_path(about.engine.id);
            let to = if typed.onward.is_empty() { &home } else { own_path(&typed.onward) };
            Ok(onward(&state, to, &Notice::done(says)))
        }
        Err(ReadingError::Ledger(error)) => {
            let fault = sentence(&error.to_string());
            match error {
                LedgerError::Future { .. } | LedgerError::TwoValues { .. } => {
                    typed.swapped_at.fault = fault;
                }
                _ => typed.old_last.fault = fault,
            }
            shown_again(&about.page(&visitor, typed))
        }
        Err(ReadingError::Store(error)) => Err(error.into()),
    }
}

fn parsed(field: &mut Field) -> Option<Hours> {
    match Hours::parse(&field.value) {
        Ok(hours) => Some(hours),
        Err(error) => {
            field.fault = sentence(&error.to_string());
            None
        }
    }
}

/// The engine that the form is about.
struct About {
    yard: Yard,
    engine: Engine,
    standing: Option<Standing>,
}

impl About {
    async fn read(
        state: &PagesState,
        visitor: &Visitor,
        engine: EngineId,
    ) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let engine = record::get::<Engine>(connection, organisation, engine).await?;
        let standings = standings(connection, organisation, &[engine.id]).await?;
        let mut yard = Yard::read(state, visitor).await?;
        yard.write_hours_as(standings.values());
        Ok(Self { yard, standing: standings.get(&engine.id).copied(), engine })
    }

    fn page(&self, visitor: &Visitor, typed: Typed) -> MeterPage {
        let Self { yard, engine, standing } = self;
        let path = engine_path(engine.id);
        MeterPage {
            frame: visitor.frame("Meter swapped", Room::Fleet),
            engine: Link::new(&engine.serial, &path),
            heading: format!("Meter swapped on {}", yard.name(engine.id)),
            lead: "Two numbers; the engine's life hours go on without a break.".to_owned(),
            action: format!("{path}/meter"),
            onward: typed.onward,
            old_hint: standing.map_or("No reading of it is on record.".to_owned(), |standing| {
                let on = day(day_of(standing.read_at, yard.zone), yard.today);
                format!("It showed {} on {on}.", hours(standing.shown.seconds(), yard.style))
            }),
            old_last: typed.old_last,
            new_first: typed.new_first,
            swapped_at: typed.swapped_at,
        }
    }
}
