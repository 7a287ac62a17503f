//! The moves of a part, and what was there on a day.

use std::collections::HashMap;

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::response::Response;
use chrono::{Days, NaiveDate, TimeDelta};
use fleet::bench::Job;
use fleet::calendar::start_of_day;
use fleet::id::{JobId, PartId, PersonId};
use fleet::part::{MoveKind, Part, StockMove};
use fleet::person::Person;
use serde::Deserialize;
use store::stock::{self, ShelfRow, lot_of};
use store::{PageOf, record};
use uuid::Uuid;

use crate::bench::job_path;
use crate::failure::{Failure, shown};
use crate::figures::{day, grouped, moment};
use crate::frame::{Frame, Link, Room};
use crate::part::amount;
use crate::state::PagesState;
use crate::visitor::Visitor;
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "moves.html")]
pub struct MovesPage {
    pub frame: Frame,
    pub part: Link,
    pub heading: String,
    pub on: String,
    pub path: String,
    pub there: Vec<String>,
    pub rows: Vec<MoveRow>,
    pub more: String,
}

#[derive(Clone, Debug)]
pub struct MoveRow {
    pub at: String,
    pub kind: &'static str,
    pub quantity: String,
    pub lot: String,
    pub job: Option<Link>,
    pub who: String,
    pub why: String,
}

const ROWS_MAX: u64 = 200;

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    on: String,
}

const fn kind_words(kind: MoveKind) -> &'static str {
    match kind {
        MoveKind::Receipt => "came in",
        MoveKind::Issue => "to a job",
        MoveKind::Return => "back from a job",
        MoveKind::Adjustment => "put right",
        MoveKind::Count => "counted",
        MoveKind::KitOpened => "kit opened",
        MoveKind::Transfer => "between sites",
        MoveKind::SupplierReturn => "back to the supplier",
        MoveKind::Scrapped => "thrown away",
    }
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(part): Path<Uuid>,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let part = record::get::<Part>(connection, organisation, PartId(part)).await?;
    let on: NaiveDate = wanted.on.parse().unwrap_or(yard.today);
    // The end of that day; what is still to come was not moved yet.
    let next = on.checked_add_days(Days::new(1)).unwrap_or(on);
    let until = (start_of_day(next, yard.zone) - TimeDelta::microseconds(1)).min(yard.now);
    let one = PageOf::new(None, 1);
    let there = stock::at(connection, organisation, until, (None, Some(part.id)), one).await?.rows;
    let moves = stock::moves_of(connection, organisation, part.id, until, ROWS_MAX).await?;
    let people: Vec<Person> = record::all(connection, organisation).await?;
    let ids: Vec<JobId> = moves.iter().filter_map(|step| step.job).collect();
    let jobs: Vec<Job> = record::by_ids(connection, organisation, &ids).await?;
    let lots = stock::aged_lots(connection, organisation, &[part.id]).await?;
    let about = About {
        people: people.into_iter().map(|person| (person.id, person.name)).collect(),
        jobs: jobs.into_iter().map(|job| (job.id, job.number)).collect(),
        codes: lots.into_iter().filter_map(|lot| Some((lot.id, lot.code?))).collect(),
        yard,
        part,
    };
    let path = format!("/stores/parts/{}", about.part.id);
    let total: i64 = there.iter().map(|row| row.on_hand).sum();
    let page = MovesPage {
        frame: visitor.frame(format!("Moves of {}", about.part.number), Room::Stores),
        heading: format!(
            "{} of {} at the end of {}",
            amount(about.part.unit, total),
            about.part.name,
            day(on, about.yard.today)
        ),
        part: Link::new(&about.part.number, &path),
        path: format!("{path}/moves"),
        on: on.to_string(),
        there: there.iter().map(|row| about.there(row)).collect(),
        more: if moves.len() as u64 == ROWS_MAX {
            format!("The last {ROWS_MAX} moves until then; choose an earlier day for those before.")
        } else {
            String::new()
        },
        rows: moves.iter().map(|step| about.row(step)).collect(),
    };
    shown(&page)
}

struct About {
    yard: Yard,
    part: Part,
    people: HashMap<PersonId, String>,
    jobs: HashMap<JobId, i32>,
    codes: HashMap<fleet::id::LotId, String>,
}

impl About {
    fn there(&self, row: &ShelfRow) -> String {
        let site = self.yard.sites.iter().find(|site| site.id == row.site);
        let site = site.map_or("A site that is closed", |site| site.name.as_str());
        let quantity = amount(self.part.unit, row.on_hand);
        match lot_of(row.lot.id) {
            None => format!("{site}: {quantity} without a lot"),
            Some(_) => format!(
                "{site}: {quantity} of lot {}, {}",
                row.lot.code.as_deref().unwrap_or("without a code"),
                row.lot.freshness().sentence()
            ),
        }
    }

    fn row(&self, step: &StockMove) -> MoveRow {
        let sign = if step.quantity > 0 { "+" } else { "−" };
        let quantity = i64::try_from(step.quantity.unsigned_abs()).unwrap_or(i64::MAX);
        let code = step.lot.map(|lot| self.codes.get(&lot).cloned().unwrap_or_default());
        MoveRow {
            at: moment(step.moved_at, self.yard.zone, self.yard.today),
            kind: kind_words(step.kind),
            quantity: format!("{sign}{}", grouped(quantity)),
            lot: code.unwrap_or_else(|| "–".to_owned()),
            job: step.job.map(|job| {
                let number = self.jobs.get(&job).map(i32::to_string).unwrap_or_default();
                Link::new(format!("Job {number}"), job_path(job))
            }),
            who: step.moved_by.and_then(|id| self.people.get(&id)).cloned().unwrap_or_default(),
            why: step.reason.clone().unwrap_or_default(),
        }
    }
}
