//! What is too much: what to stop buying, and what expires unused, in money.

use std::collections::HashMap;

use askama::Template;
use axum::extract::State;
use axum::response::Response;
use fleet::Money;
use fleet::id::PartId;
use fleet::part::Part;
use fleet::run::RunKind;
use store::record;

use crate::advice_kept::{AdviceKept, KeptOverstock, money};
use crate::failure::{Failure, shown};
use crate::figures::count;
use crate::form::Mark;
use crate::frame::{Frame, Link, Room};
use crate::order::total;
use crate::part::amount;
use crate::run::Latest;
use crate::state::PagesState;
use crate::stores::paths;
use crate::visitor::Visitor;
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "surplus.html")]
pub struct SurplusPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub rows: Vec<SurplusRow>,
    pub sums: Vec<String>,
    pub nothing: String,
}

#[derive(Clone, Debug)]
pub struct SurplusRow {
    pub part: Link,
    pub name: String,
    pub marks: Vec<Mark>,
    pub excess: String,
    pub excess_money: String,
    pub expiring: String,
    pub expiring_money: String,
}

pub async fn show(State(state): State<PagesState>, visitor: Visitor) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let latest = Latest::of(&state, organisation, RunKind::OrderAdvice).await?;
    let kept = AdviceKept::of(latest.done.as_ref());
    let ids: Vec<PartId> = kept.overstock.iter().map(|row| row.part).collect();
    let parts: Vec<Part> = record::by_ids(connection, organisation, &ids).await?;
    let parts: HashMap<PartId, Part> = parts.into_iter().map(|part| (part.id, part)).collect();
    let rows: Vec<SurplusRow> =
        kept.overstock.iter().filter_map(|row| surplus(row, parts.get(&row.part)?)).collect();
    let page = SurplusPage {
        frame: visitor.frame("Too much", Room::Stores),
        heading: match rows.len() {
            0 => "Nothing is too much".to_owned(),
            n => format!("{} too much on the shelf", count(n, "part has", "parts have")),
        },
        lead: format!(
            "More than a year needs in nineteen cases of twenty, and what will be past its date \
             before it is used. {}",
            latest.says(&yard)
        ),
        paths: paths("/stores/surplus"),
        sums: sums(&kept.overstock),
        nothing: "Nothing on the shelf is more than a year needs, and nothing is expected to \
                  expire unused."
            .to_owned(),
        rows,
    };
    shown(&page)
}

/// What it comes to; currencies are never added up.
fn sums(rows: &[KeptOverstock]) -> Vec<String> {
    let sum = |minor: fn(&KeptOverstock) -> i64| {
        let amounts: Vec<Money> = rows
            .iter()
            .filter(|row| minor(row) > 0)
            .filter_map(|row| money(&row.currency, minor(row)))
            .collect();
        (!amounts.is_empty()).then(|| total(amounts.into_iter()))
    };
    let dead = sum(|row| if row.dead { row.excess_minor } else { 0 });
    let excess = sum(|row| row.excess_minor).map(|sum| format!("Tied up beyond a year: {sum}."));
    let dead = dead.map(|sum| format!("Of it in parts that nothing needs any more: {sum}."));
    let expiring = sum(|row| row.expiring_minor)
        .map(|sum| format!("Expected to expire unused within a year: {sum}."));
    [excess, dead, expiring].into_iter().flatten().collect()
}

fn surplus(row: &KeptOverstock, part: &Part) -> Option<SurplusRow> {
    let mut marks = Vec::new();
    if row.dead {
        marks.push(Mark::plain("stop buying"));
    }
    if row.expired > 0 {
        marks.push(Mark::stop(format!("{} past their date", row.expired)));
    }
    let says = |minor: i64| money(&row.currency, minor).map(|money| money.to_string());
    Some(SurplusRow {
        part: Link::new(&part.number, format!("/stores/parts/{}", part.id)),
        name: part.name.clone(),
        marks,
        excess: amount(part.unit, row.excess),
        excess_money: says(row.excess_minor)?,
        expiring: format!("{:.1}", row.expiring),
        expiring_money: says(row.expiring_minor)?,
    })
}
