//! Parts that lie at another site: offered where they are missed, and moved from there.

use axum::extract::{Path, State};
use axum::response::Response;
use fleet::id::{JobId, OrganisationId, PartId, SiteId};
use fleet::part::{Part, Unit};
use store::jobs::{self, Transfer};
use store::{Connection, StoreError, Transaction, record};
use uuid::Uuid;

use crate::bench::job_path;
use crate::failure::{Failure, onward, sentence};
use crate::figures::count;
use crate::frame::Notice;
use crate::part::amount;
use crate::state::PagesState;
use crate::visitor::{Posted, Right};
use crate::yard_records::Yard;

/// A form that moves parts from where they are free.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Offer {
    pub action: String,
    pub from: String,
    pub to: String,
    pub quantity: i64,
    /// Empty on the page of a part.
    pub job: String,
    pub says: String,
}

/// What other sites can give of a part to one that misses `missing` of it.
pub async fn offers(
    connection: &Connection,
    organisation: OrganisationId,
    yard: &Yard,
    part: &Part,
    (to, missing, job): (SiteId, i64, Option<JobId>),
) -> Result<Vec<Offer>, StoreError> {
    let mut offers = Vec::new();
    for site in yard.sites.iter().filter(|site| site.id != to && !site.archived) {
        let of = (part, site.id);
        let free = jobs::free_at(connection, organisation, of, yard.today).await?;
        let quantity = free.min(missing);
        if quantity > 0 {
            offers.push(Offer {
                action: format!("/stores/parts/{}/transfer", part.id),
                from: site.id.to_string(),
                to: to.to_string(),
                quantity,
                job: job.map(|job| job.to_string()).unwrap_or_default(),
                says: says(part, quantity, free, &site.name),
            });
        }
    }
    Ok(offers)
}

fn says(part: &Part, quantity: i64, free: i64, site: &str) -> String {
    let moved = amount(part.unit, quantity);
    let free = amount(part.unit, free);
    format!("Move {moved} of {} from {site} ({free} free there)", part.number)
}

/// Moves them, and says which jobs that kitted.
pub async fn save(
    State(state): State<PagesState>,
    Path(part): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::Buy)?;
    let part = record::get::<Part>(state.store.connection(), visitor.organisation, PartId(part));
    let part = part.await?;
    let site = |name: &str| fields.get(name).parse::<SiteId>().map_err(|_| Failure::NotFound);
    let job = match fields.get("job") {
        "" => None,
        job => Some(job.parse::<JobId>().map_err(|_| Failure::NotFound)?),
    };
    let back = job.map_or_else(|| format!("/stores/parts/{}", part.id), job_path);
    let Ok(quantity) = fields.get("quantity").parse::<i64>() else {
        let fault = "Write how many are to be moved, as a whole number.";
        return Ok(onward(&state, &back, &Notice::wrong(fault)));
    };
    let (from, to) = (site("from")?, site("to")?);
    let wanted = Transfer { part: part.id, from, to, quantity, reason: None };
    let (organisation, who) = (visitor.organisation, visitor.author(&state));
    let work = async |tx: &Transaction| jobs::move_between(tx, organisation, &who, &wanted).await;
    match state.store.write(work).await {
        Ok(moved) => {
            let yard = Yard::read(&state, &visitor).await?;
            let numbers: Vec<i32> = moved.kitted.iter().map(|job| job.number).collect();
            let says = booked(&yard, &part, &wanted, &numbers);
            Ok(onward(&state, &back, &Notice::done(says)))
        }
        Err(error @ StoreError::Broken { .. }) => {
            Ok(onward(&state, &back, &Notice::wrong(sentence(&error.to_string()))))
        }
        Err(error) => Err(error.into()),
    }
}

fn booked(yard: &Yard, part: &Part, wanted: &Transfer, kitted: &[i32]) -> String {
    let name = |id: SiteId| {
        let site = yard.sites.iter().find(|site| site.id == id);
        site.map_or("another site", |site| site.name.as_str()).to_owned()
    };
    let moved = match part.unit {
        Unit::Each => format!("{} {}", amount(part.unit, wanted.quantity), part.number),
        unit => format!("{} of {}", amount(unit, wanted.quantity), part.number),
    };
    let from_to = format!("{moved} moved from {} to {}.", name(wanted.from), name(wanted.to));
    match kitted {
        [] => format!("{from_to} No job that waits is made whole by it."),
        [one] => format!("{from_to} Job {one} is kitted now."),
        many => {
            let numbers: Vec<String> = many.iter().map(ToString::to_string).collect();
            let jobs = count(many.len(), "job is", "jobs are");
            format!("{from_to} {jobs} kitted now: {}.", numbers.join(", "))
        }
    }
}
