//! One supplier: what it asks, how long it takes by its deliveries, what is under way.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;
use fleet::Money;
use fleet::id::SupplierId;
use fleet::order::Order;
use fleet::run::RunKind;
use fleet::supplier::{Supplier, SupplierSeason};
use store::{orders, record};
use uuid::Uuid;

use crate::advice_kept::AdviceKept;
use crate::failure::{Failure, shown};
use crate::figures::{count, span};
use crate::form::Fact;
use crate::frame::{Frame, Link, Room};
use crate::orders::state_says;
use crate::run::Latest;
use crate::state::PagesState;
use crate::stores::paths;
use crate::visitor::Visitor;
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "supplier.html")]
pub struct SupplierPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub facts: Vec<Fact>,
    pub months: Vec<Vec<String>>,
    pub orders: Vec<(Link, String)>,
}

/// Orders in one list, the newest.
const ORDERS_MAX: usize = 50;

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(supplier): Path<Uuid>,
) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let id = SupplierId(supplier);
    let supplier = record::get::<Supplier>(connection, organisation, id).await?;
    let seasons: Vec<SupplierSeason> = record::all(connection, organisation).await?;
    let mut own = orders::of_supplier(connection, organisation, id).await?;
    own.sort_by_key(|order| std::cmp::Reverse(order.id));
    let latest = Latest::of(&state, organisation, RunKind::OrderAdvice).await?;
    let kept = AdviceKept::of(latest.done.as_ref());
    let lead = kept.lead_times.iter().find(|row| row.supplier == id && row.part.is_none());
    let mut facts = asked(&supplier);
    for season in seasons.iter().filter(|season| season.supplier == id) {
        if season.closes_on >= yard.today {
            facts.push(Fact::new("Pre-season window", window_says(&yard, season)));
        }
    }
    let page = SupplierPage {
        frame: visitor.frame(&supplier.name, Room::Stores),
        heading: supplier.name.clone(),
        lead: match lead {
            Some(lead) => format!("Deliveries: {}. {}", lead.says(), latest.says(&yard)),
            None => format!("How long it takes is not learned yet. {}", latest.says(&yard)),
        },
        paths: paths("/stores/suppliers/one"),
        months: lead.map(|lead| lead.months()).unwrap_or_default(),
        orders: own.iter().take(ORDERS_MAX).map(listed).collect(),
        facts,
    };
    shown(&page)
}

fn listed(order: &Order) -> (Link, String) {
    let link = Link::new(&order.number, format!("/stores/orders/{}", order.id));
    (link, state_says(order.status).to_owned())
}

fn asked(supplier: &Supplier) -> Vec<Fact> {
    let money = |minor: i64| Money::new(minor, supplier.currency).to_string();
    let mut facts = vec![Fact::new("Currency", supplier.currency.to_string())];
    let minimum = supplier.order_minimum_minor;
    facts.extend(minimum.map(|minor| Fact::new("Least order", money(minor))));
    facts.extend(supplier.freight_minor.map(|minor| Fact::new("Freight", money(minor))));
    let review = count(supplier.review_days.unsigned_abs() as usize, "day", "days");
    facts.push(Fact::new("Looked at every", review));
    facts.extend(supplier.note.as_ref().map(|note| Fact::new("Note", note)));
    facts
}

/// `2 Nov to 10 Dec: 8 % off, ships from 25 Jan`.
pub fn window_says(yard: &Yard, season: &SupplierSeason) -> String {
    let off = f64::from(season.discount_permille) / 10.0;
    let ships = season
        .ships_on
        .map(|on| format!(", ships from {}", crate::figures::day(on, yard.today)))
        .unwrap_or_default();
    format!("{}: {off} % off{ships}", span(season.opens_on, season.closes_on, yard.today))
}
