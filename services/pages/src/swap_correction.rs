//! A swapped meter was told wrongly: what is right is written beside it, or that there was no swap.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;
use chrono::{DateTime, Utc};
use fleet::engine::Engine;
use fleet::hours::Hours;
use fleet::id::EngineId;
use fleet::ledger::{Ledger, LedgerError, Mark};
use store::meters::{self, RightSwap, SwapCorrection};
use store::readings::{self, ReadingError};
use store::{StoreError, Transaction, record};
use uuid::Uuid;

use crate::failure::{Failure, onward, sentence, shown, shown_again};
use crate::figures::{LOCAL, hours, hours_bare, moment, parse_local};
use crate::form::Field;
use crate::frame::{Frame, Link, Notice, Room};
use crate::reads;
use crate::state::PagesState;
use crate::visitor::{Fields, Posted, Right, Visitor};
use crate::yard_records::{Yard, engine_path};

#[derive(Template)]
#[template(path = "swap_correction.html")]
pub struct SwapCorrectionPage {
    pub frame: Frame,
    pub engine: Link,
    pub heading: String,
    pub lead: String,
    pub action: String,
    /// The moment of the swap that the form was made for.
    pub swap: String,
    pub was: String,
    pub old_last: Field,
    pub new_first: Field,
    pub swapped_at: Field,
    pub reason: Field,
    /// What the one meter showed, where none was swapped.
    pub shown: Field,
    pub undo_reason: Field,
}

const REASON_MAX: usize = 500;

/// What the form holds.
struct Typed {
    old_last: Field,
    new_first: Field,
    swapped_at: Field,
    reason: Field,
    shown: Field,
    undo_reason: Field,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(engine): Path<Uuid>,
) -> Result<Response, Failure> {
    visitor.check(Right::RecordHours)?;
    let about = About::read(&state, &visitor, EngineId(engine)).await?;
    shown(&about.page(&visitor, about.on_record()))
}

pub async fn save(
    State(state): State<PagesState>,
    Path(engine): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::RecordHours)?;
    let about = About::read(&state, &visitor, EngineId(engine)).await?;
    let mut typed = about.typed(&fields);
    let undo = fields.get("go") == "undo";
    let right = if undo { typed.no_swap() } else { typed.swap(&about) };
    let reason = if undo { &typed.undo_reason } else { &typed.reason };
    let Some(right) = right.filter(|_| !reason.wrong()) else {
        return shown_again(&about.page(&visitor, typed));
    };
    let correction = SwapCorrection {
        engine: about.engine.id,
        // Put right by somebody else meanwhile: nothing counts at this moment any more.
        swap: fields.get("swap").parse().unwrap_or(about.swap.at),
        right,
        source: "page".to_owned(),
        recorded_by: Some(visitor.person.id),
        reason: reason.value.clone(),
    };
    let (organisation, author) = (visitor.organisation, visitor.author(&state));
    let write = async |tx: &Transaction| {
        meters::correct_swap(tx, organisation, &author, correction.clone()).await
    };
    match state.store.write(write).await {
        Ok(_) => {
            let name = about.yard.name(about.engine.id);
            let says = match right {
                RightSwap::Swap { .. } => format!("The meter swap of {name} is put right."),
                RightSwap::NoSwap { .. } => format!("{name} has its old meter again."),
            };
            Ok(onward(&state, &engine_path(about.engine.id), &Notice::done(says)))
        }
        Err(ReadingError::Ledger(error)) => {
            typed.refused(&error, undo);
            shown_again(&about.page(&visitor, typed))
        }
        Err(ReadingError::Store(StoreError::Broken { what, .. })) => {
            typed.swapped_at.fault = sentence(&what);
            shown_again(&about.page(&visitor, typed))
        }
        Err(ReadingError::Store(error)) => Err(error.into()),
    }
}

impl Typed {
    fn swap(&mut self, about: &About) -> Option<RightSwap> {
        let old_last = parsed(&mut self.old_last);
        let new_first = parsed(&mut self.new_first);
        // The minute as it stood on the page is the moment on record, seconds and all.
        let same = self.swapped_at.value == about.local();
        let at = if same {
            Some(about.swap.at)
        } else {
            parse_local(&self.swapped_at.value, about.yard.zone)
        };
        if at.is_none() {
            self.swapped_at.fault = "Write a date and a time.".to_owned();
        }
        check_reason(&mut self.reason);
        Some(RightSwap::Swap { at: at?, old_last: old_last?, new_first: new_first? })
    }

    fn no_swap(&mut self) -> Option<RightSwap> {
        let shown = parsed(&mut self.shown);
        check_reason(&mut self.undo_reason);
        Some(RightSwap::NoSwap { shown: shown? })
    }

    /// The ledger's reason stands at the field that can answer it.
    fn refused(&mut self, error: &LedgerError, undo: bool) {
        let fault = sentence(&error.to_string());
        let field = match error {
            _ if undo => &mut self.shown,
            LedgerError::Future { .. }
            | LedgerError::TwoValues { .. }
            | LedgerError::NothingToCorrect => &mut self.swapped_at,
            LedgerError::AboveNext { .. } => &mut self.new_first,
            _ => &mut self.old_last,
        };
        field.fault = fault;
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

fn check_reason(field: &mut Field) {
    if field.value.is_empty() {
        field.fault = "Say why, in a few words.".to_owned();
    } else if field.value.chars().count() > REASON_MAX {
        field.fault = format!("At most {REASON_MAX} characters.");
    }
}

/// A swap that counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Swap {
    pub at: DateTime<Utc>,
    pub old_last: Hours,
    pub new_first: Hours,
}

/// The last swap of a ledger.
pub fn last_swap(ledger: &Ledger) -> Option<Swap> {
    ledger.entries().iter().rev().find_map(|entry| match entry.mark {
        Mark::MeterReplaced { old_last, new_first } => {
            Some(Swap { at: entry.read_at, old_last, new_first })
        }
        _ => None,
    })
}

struct About {
    yard: Yard,
    engine: Engine,
    swap: Swap,
}

impl About {
    /// Not found for an engine whose meter was never swapped: there is nothing to correct.
    async fn read(
        state: &PagesState,
        visitor: &Visitor,
        engine: EngineId,
    ) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let engine = record::get::<Engine>(connection, organisation, engine).await?;
        let mut known = readings::of_engines(connection, organisation, &[engine.id]).await?;
        let known = known.remove(&engine.id).unwrap_or_default();
        let ledger = readings::ledger(&known)?;
        let swap = last_swap(&ledger).ok_or(Failure::NotFound)?;
        let mut yard = Yard::read(state, visitor).await?;
        yard.write_hours_as(reads::last(&ledger).iter());
        Ok(Self { yard, engine, swap })
    }

    /// The moment of the swap as its field writes it.
    fn local(&self) -> String {
        self.swap.at.with_timezone(&self.yard.zone).naive_local().format(LOCAL).to_string()
    }

    fn on_record(&self) -> Typed {
        let bare = |hours: Hours| Field::of(hours_bare(hours.seconds(), self.yard.style));
        Typed {
            old_last: bare(self.swap.old_last),
            new_first: bare(self.swap.new_first),
            swapped_at: Field::of(self.local()),
            reason: Field::default(),
            shown: bare(self.swap.old_last),
            undo_reason: Field::default(),
        }
    }

    fn typed(&self, fields: &Fields) -> Typed {
        let of = |name| Field::of(fields.get(name));
        Typed {
            old_last: of("old_last"),
            new_first: of("new_first"),
            swapped_at: of("swapped_at"),
            reason: of("reason"),
            shown: of("shown"),
            undo_reason: of("undo_reason"),
        }
    }

    fn page(&self, visitor: &Visitor, typed: Typed) -> SwapCorrectionPage {
        let Self { yard, engine, swap } = self;
        let path = engine_path(engine.id);
        let at = moment(swap.at, yard.zone, yard.today);
        let said = |of: Hours| hours(of.seconds(), yard.style);
        SwapCorrectionPage {
            frame: visitor.frame("Correct the meter swap", Room::Fleet),
            engine: Link::new(&engine.serial, &path),
            heading: format!("Correct the meter swap on {}", yard.name(engine.id)),
            lead: "Nothing is overwritten: the wrong swap stays on record with your reason, and \
                   what you write here counts."
                .to_owned(),
            action: format!("{path}/meter/correction"),
            swap: swap.at.to_rfc3339(),
            was: format!(
                "On record for {at}: the old meter ended at {}, the new one began at {}.",
                said(swap.old_last),
                said(swap.new_first)
            ),
            old_last: typed.old_last,
            new_first: typed.new_first,
            swapped_at: typed.swapped_at,
            reason: typed.reason,
            shown: typed.shown,
            undo_reason: typed.undo_reason,
        }
    }
}
