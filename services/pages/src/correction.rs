//! The last reading of an engine was wrong: the right one is written beside it.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::{IntoResponse as _, Redirect, Response};
use fleet::engine::Engine;
use fleet::hours::Hours;
use fleet::id::{EngineId, ReadingId};
use fleet::reading::{Reading, ReadingKind};
use store::readings::{self, ReadingError};
use store::{Transaction, record};
use uuid::Uuid;

use crate::failure::{Failure, onward, sentence, shown, shown_again};
use crate::figures::{hours, hours_bare, moment};
use crate::form::Field;
use crate::frame::{Frame, Link, Notice, Room};
use crate::reads::{self, Standing};
use crate::state::PagesState;
use crate::swap_correction::last_swap;
use crate::visitor::{Posted, Right, Visitor};
use crate::yard_records::{Yard, engine_path};

#[derive(Template)]
#[template(path = "correction.html")]
pub struct CorrectionPage {
    pub frame: Frame,
    pub engine: Link,
    pub heading: String,
    pub lead: String,
    pub action: String,
    pub was: String,
    pub shown: Field,
    pub note: Field,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(engine): Path<Uuid>,
) -> Result<Response, Failure> {
    visitor.check(Right::RecordHours)?;
    let about = About::read(&state, &visitor, EngineId(engine)).await?;
    if about.is_swap {
        let to = format!("{}/meter/correction", engine_path(about.engine.id));
        return Ok(Redirect::to(&to).into_response());
    }
    let shown_now = hours_bare(about.standing.shown.seconds(), about.yard.style);
    shown(&about.page(&visitor, Field::of(shown_now), Field::default()))
}

pub async fn save(
    State(state): State<PagesState>,
    Path(engine): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::RecordHours)?;
    let about = About::read(&state, &visitor, EngineId(engine)).await?;
    let (mut shown, note) = (Field::of(fields.get("shown")), Field::of(fields.get("note")));
    let given = match Hours::parse(&shown.value) {
        Ok(given) => given,
        Err(error) => {
            shown.fault = sentence(&error.to_string());
            return shown_again(&about.page(&visitor, shown, note));
        }
    };
    let (organisation, now) = (visitor.organisation, state.now());
    let reading = Reading {
        id: ReadingId::fresh(),
        engine: about.engine.id,
        kind: ReadingKind::Correction,
        read_at: about.standing.read_at,
        shown: given,
        shown_before: None,
        corrects: None,
        source: "page".to_owned(),
        recorded_by: Some(visitor.person.id),
        recorded_at: now,
        note: (!note.value.is_empty()).then(|| note.value.clone()),
    };
    let write = async |tx: &Transaction| readings::append(tx, organisation, &reading, now).await;
    match state.store.write(write).await {
        Ok(_) => {
            let says = format!(
                "The reading of {} is corrected to {}.",
                about.yard.name(about.engine.id),
                hours(given.seconds(), about.yard.style)
            );
            Ok(onward(&state, &engine_path(about.engine.id), &Notice::done(says)))
        }
        Err(ReadingError::Ledger(error)) => {
            shown.fault = sentence(&error.to_string());
            shown_again(&about.page(&visitor, shown, note))
        }
        Err(ReadingError::Store(error)) => Err(error.into()),
    }
}

struct About {
    yard: Yard,
    engine: Engine,
    standing: Standing,
    /// Two numbers, which a page of their own puts right.
    is_swap: bool,
}

impl About {
    /// Not found for an engine without readings: there is nothing to correct.
    async fn read(
        state: &PagesState,
        visitor: &Visitor,
        engine: EngineId,
    ) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let engine = record::get::<Engine>(connection, organisation, engine).await?;
        let mut known = readings::of_engines(connection, organisation, &[engine.id]).await?;
        let ledger = readings::ledger(&known.remove(&engine.id).unwrap_or_default())?;
        let standing = reads::last(&ledger).ok_or(Failure::NotFound)?;
        let is_swap = last_swap(&ledger).is_some_and(|swap| swap.at == standing.read_at);
        let mut yard = Yard::read(state, visitor).await?;
        yard.write_hours_as([standing].iter());
        Ok(Self { yard, engine, standing, is_swap })
    }

    fn page(&self, visitor: &Visitor, shown: Field, note: Field) -> CorrectionPage {
        let Self { yard, engine, standing, .. } = self;
        let path = engine_path(engine.id);
        let at = moment(standing.read_at, yard.zone, yard.today);
        CorrectionPage {
            frame: visitor.frame("Correct the last reading", Room::Fleet),
            engine: Link::new(&engine.serial, &path),
            heading: format!("Correct the last reading of {}", yard.name(engine.id)),
            lead: "Nothing is overwritten: the wrong reading stays on record, and the right one \
                   counts."
                .to_owned(),
            action: format!("{path}/correction"),
            was: format!("On record for {at}: {}.", hours(standing.shown.seconds(), yard.style)),
            shown,
            note,
        }
    }
}
