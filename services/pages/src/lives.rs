//! How long parts last: each part's sentence, and what it says of the programme.

use std::collections::HashMap;

use askama::Template;
use axum::extract::State;
use axum::response::Response;
use fleet::id::PartId;
use fleet::run::RunKind;
use runs::lives::kept::{ItemLives, LivesKept, Verdict};

use crate::failure::{Failure, shown};
use crate::figures::{capital, count};
use crate::form::Mark;
use crate::frame::{Frame, Link, Room};
use crate::run::Latest;
use crate::state::PagesState;
use crate::visitor::Visitor;
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "lives.html")]
pub struct LivesPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub rows: Vec<LivesRow>,
    pub nothing: String,
}

/// One part.
#[derive(Clone, Debug)]
pub struct LivesRow {
    pub part: Link,
    pub mark: Option<Mark>,
    /// One a water.
    pub sentences: Vec<String>,
    /// What that says of the programme.
    pub proposals: Vec<String>,
}

pub async fn show(State(state): State<PagesState>, visitor: Visitor) -> Result<Response, Failure> {
    let yard = Yard::read(&state, &visitor).await?;
    let latest = Latest::of(&state, visitor.organisation, RunKind::Life).await?;
    let kept = read(&state, &visitor, &latest).await?;
    let rows: Vec<LivesRow> = kept.iter().flat_map(|kept| &kept.items).map(row).collect();
    let asks = rows.iter().filter(|row| row.mark.is_some()).count();
    let page = LivesPage {
        frame: visitor.frame("How long parts last", Room::Fleet),
        heading: match (rows.len(), asks) {
            (0, _) => "How long parts last".to_owned(),
            (parts, 0) => format!("How long {} last", count(parts, "part", "parts")),
            (parts, asks) => format!(
                "How long {} last, {} to look at",
                count(parts, "part", "parts"),
                count(asks, "interval", "intervals")
            ),
        },
        lead: format!(
            "From services, findings and hours on record; a renewal whose beginning is not on record \
             is left out. {}",
            latest.says(&yard)
        ),
        paths: paths("/fleet/lives"),
        rows,
        nothing:
            "No part has been renewed twice yet, nor once on an engine that is known from new. \
                  Record services with the parts that they used: lives are summed up each night."
                .to_owned(),
    };
    shown(&page)
}

/// What the last good life run kept of lives.
pub async fn read(
    state: &PagesState,
    visitor: &Visitor,
    latest: &Latest,
) -> Result<Option<LivesKept>, Failure> {
    let Some(run) = &latest.done else { return Ok(None) };
    let read = LivesKept::read(state.store.connection(), visitor.organisation, run.id).await;
    Ok(Some(read?))
}

/// The pages of this room.
pub fn paths(here: &str) -> Vec<Link> {
    [
        ("Engines", "/fleet"),
        ("How long parts last", "/fleet/lives"),
        ("Repair or retire", "/fleet/retire"),
    ]
    .map(|(text, to)| Link::new(text, to).seen_from(here))
    .to_vec()
}

pub fn life_path(part: PartId) -> String {
    format!("/fleet/lives/{part}")
}

fn row(item: &ItemLives) -> LivesRow {
    let to = item.parts.first().map(|part| life_path(*part)).unwrap_or_default();
    let changes = |verdict: Verdict| matches!(verdict, Verdict::Shorten | Verdict::Lengthen);
    let mut proposals: HashMap<Verdict, Vec<String>> = HashMap::new();
    for proposal in item.proposals.iter().filter(|it| changes(it.verdict)) {
        proposals.entry(proposal.verdict).or_default().push(capital(&proposal.sentence) + ".");
    }
    let shorten = proposals.remove(&Verdict::Shorten).unwrap_or_default();
    let lengthen = proposals.remove(&Verdict::Lengthen).unwrap_or_default();
    let mark = match (shorten.is_empty(), lengthen.is_empty()) {
        (false, _) => Some(Mark::soon("shorten?")),
        (true, false) => Some(Mark::plain("lengthen?")),
        (true, true) => None,
    };
    LivesRow {
        part: Link::new(&item.name, to),
        mark,
        sentences: item.by_water().iter().map(|group| capital(&group.sentence) + ".").collect(),
        proposals: shorten.into_iter().chain(lengthen).collect(),
    }
}
