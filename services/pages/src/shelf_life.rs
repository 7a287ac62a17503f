//! What lies on the shelves until when, and what it is worth.

use std::collections::{BTreeMap, HashMap};

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use chrono::{Months, NaiveDate};
use fleet::id::PartId;
use fleet::money::{Currency, Money};
use fleet::part::{DatedBy, LotCondition, Part};
use fleet::stock::LotOnHand;
use fleet::supplier::Term;
use serde::Deserialize;
use store::{parts, record, stock};

use crate::failure::{Failure, shown};
use crate::figures::{count, day};
use crate::form::{Choice, Mark, choose};
use crate::frame::{Frame, Link, Room};
use crate::not_yet::{NotYetPage, SHELF_FIRST, load_files};
use crate::part::amount;
use crate::state::PagesState;
use crate::stores;
use crate::visitor::Visitor;
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "shelf_life.html")]
pub struct ShelfLifePage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub sites: Vec<Choice>,
    pub spans: Vec<Span>,
}

/// Lots whose last good day lies in the same span of time.
#[derive(Clone, Debug)]
pub struct Span {
    pub name: String,
    pub says: String,
    pub rows: Vec<LotRow>,
}

#[derive(Clone, Debug)]
pub struct LotRow {
    pub part: Link,
    pub name: String,
    pub lot: String,
    pub until: String,
    pub mark: Option<Mark>,
    pub quantity: String,
    pub worth: String,
}

const ROWS_MAX: usize = 200;

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    site: String,
}

/// When a lot is over, as far as somebody must do something about it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum When {
    Over,
    ThreeMonths,
    Year,
    Later,
    Unknown,
}

impl When {
    const ALL: [Self; 5] = [Self::Over, Self::ThreeMonths, Self::Year, Self::Later, Self::Unknown];

    fn of(until: Option<NaiveDate>, dated_by: DatedBy, today: NaiveDate) -> Option<Self> {
        let Some(until) = until else {
            // What lasts is not listed.
            return (dated_by == DatedBy::Unknown).then_some(Self::Unknown);
        };
        let within = |months| today.checked_add_months(Months::new(months)) >= Some(until);
        Some(match () {
            () if until < today => Self::Over,
            () if within(3) => Self::ThreeMonths,
            () if within(12) => Self::Year,
            () => Self::Later,
        })
    }

    const fn name(self) -> &'static str {
        match self {
            Self::Over => "Out of date",
            Self::ThreeMonths => "Within three months",
            Self::Year => "Within a year",
            Self::Later => "Later",
            Self::Unknown => "Age unknown, never taken as fresh",
        }
    }
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let given = yard.sites.iter().find(|site| site.id.to_string() == wanted.site);
    let Some(site) = given.or_else(|| yard.sites.first()) else {
        return shown(&NotYetPage {
            frame: visitor.frame("Shelf life", Room::Stores),
            heading: "Nothing is on a shelf yet".to_owned(),
            says: SHELF_FIRST.to_owned(),
            onward: load_files(),
        });
    };
    let all: Vec<Part> = record::all(connection, organisation).await?;
    // Only what ages: what lasts has no day.
    let aging: HashMap<PartId, Part> = all
        .into_iter()
        .filter(|part| part.shelf_life_months.is_some() || part.sealing)
        .map(|part| (part.id, part))
        .collect();
    let ids: Vec<PartId> = aging.keys().copied().collect();
    let shelves = stock::shelves(connection, organisation, site.id, &ids).await?;
    let terms = parts::terms(connection, organisation, &ids).await?;
    let prices = prices(&terms, yard.today);
    let mut by_when: BTreeMap<When, Vec<(&Part, &LotOnHand)>> = BTreeMap::new();
    for (part, shelf) in &shelves {
        let Some(part) = aging.get(part) else { continue };
        for one in shelf.iter().filter(|one| one.on_hand > 0) {
            if let Some(when) = When::of(one.lot.expires_on, one.lot.dated_by, yard.today) {
                by_when.entry(when).or_default().push((part, one));
            }
        }
    }
    let site_name = site.name.clone();
    let choices = yard.sites.iter().map(|site| Choice::new(site.id.to_string(), &site.name));
    let page = ShelfLifePage {
        frame: visitor.frame("Shelf life", Room::Stores),
        heading: heading(&by_when, &prices),
        lead: format!(
            "{site_name}, seen from {}. Worth at the lowest price that holds today.",
            day(yard.today, yard.today)
        ),
        paths: stores::paths("/stores/shelf-life"),
        sites: choose(choices, &site.id.to_string()),
        spans: When::ALL
            .into_iter()
            .filter_map(|when| Some(span(&yard, when, by_when.get_mut(&when)?, &prices)))
            .collect(),
    };
    shown(&page)
}

type Prices = HashMap<PartId, (Money, i64)>;

/// The lowest price of each part that holds today, and for how many units it is.
fn prices(terms: &[Term], today: NaiveDate) -> Prices {
    let mut prices: Prices = HashMap::new();
    let holds = |term: &&Term| {
        term.valid_from <= today && term.valid_until.is_none_or(|until| until > today)
    };
    for term in terms.iter().filter(holds) {
        let one = (term.price, term.price_units.max(1));
        let kept = prices.entry(term.part).or_insert(one);
        // Prices in different currencies are not compared: the first stays.
        let lower = one.0.currency == kept.0.currency
            && one.0.minor.saturating_mul(kept.1) < kept.0.minor.saturating_mul(one.1);
        if lower {
            *kept = one;
        }
    }
    prices
}

fn worth(prices: &Prices, part: PartId, pieces: u32) -> Option<Money> {
    let (price, units) = prices.get(&part)?;
    // To the nearest minor unit, halves up.
    let minor = (price.minor.saturating_mul(i64::from(pieces)) * 2 + units) / (2 * units);
    Some(Money::new(minor, price.currency))
}

/// What lots are worth, by currency: they are not added up without a rate.
fn total(prices: &Prices, lots: &[(&Part, &LotOnHand)]) -> String {
    let mut sums: BTreeMap<String, (Currency, i64)> = BTreeMap::new();
    for (part, one) in lots {
        if let Some(money) = worth(prices, part.id, one.on_hand) {
            let currency = money.currency;
            let sum = sums.entry(currency.code().to_owned()).or_insert((currency, 0));
            sum.1 = sum.1.saturating_add(money.minor);
        }
    }
    let written: Vec<String> = sums
        .into_values()
        .map(|(currency, minor)| Money::new(minor, currency).to_string())
        .collect();
    if written.is_empty() { "no price on record".to_owned() } else { written.join(" and ") }
}

fn heading(by_when: &BTreeMap<When, Vec<(&Part, &LotOnHand)>>, prices: &Prices) -> String {
    let lots = |when| by_when.get(&when).map_or(&[][..], Vec::as_slice);
    let (over, soon) = (lots(When::Over), lots(When::ThreeMonths));
    match (over.len(), soon.len()) {
        (0, 0) => "Nothing goes out of date within three months".to_owned(),
        (0, n) => format!(
            "{} out of date within three months, worth {}",
            count(n, "lot goes", "lots go"),
            total(prices, soon)
        ),
        (n, _) => {
            format!("{} out of date, worth {}", count(n, "lot is", "lots are"), total(prices, over))
        }
    }
}

fn span(yard: &Yard, when: When, lots: &mut Vec<(&Part, &LotOnHand)>, prices: &Prices) -> Span {
    lots.sort_by_key(|(part, one)| (one.lot.expires_on, part.number.clone(), one.lot.id));
    let shown = lots.iter().take(ROWS_MAX);
    let mut says = format!("{}, worth {}", count(lots.len(), "lot", "lots"), total(prices, lots));
    if lots.len() > ROWS_MAX {
        says += &format!("; the first {ROWS_MAX} are shown");
    }
    Span {
        name: when.name().to_owned(),
        says: format!("{says}."),
        rows: shown.map(|(part, one)| row(yard, when, part, one, prices)).collect(),
    }
}

fn row(yard: &Yard, when: When, part: &Part, one: &LotOnHand, prices: &Prices) -> LotRow {
    let lot = &one.lot;
    let code = match stock::lot_of(lot.id) {
        Some(_) => lot.code.clone().unwrap_or_else(|| "without a code".to_owned()),
        None => "no lot".to_owned(),
    };
    let used = if lot.condition == LotCondition::Used { ", used" } else { "" };
    let until = match (lot.expires_on, lot.dated_by) {
        (Some(until), DatedBy::Receipt) => {
            format!("{}, dated by receipt", day(until, yard.today))
        }
        (Some(until), _) => day(until, yard.today),
        (None, _) => lot.freshness().sentence(),
    };
    LotRow {
        part: Link::new(&part.number, format!("/stores/parts/{}", part.id)),
        name: part.name.clone(),
        lot: format!("{code}{used}"),
        until,
        mark: match when {
            When::Over => Some(Mark::stop("out of date")),
            When::ThreeMonths => Some(Mark::soon("soon")),
            _ => None,
        },
        quantity: amount(part.unit, i64::from(one.on_hand)),
        worth: worth(prices, part.id, one.on_hand)
            .map_or("–".to_owned(), |money| money.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lot_is_over_the_day_after_its_last_good_day() {
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        let today = day("2026-11-25");
        let when = |until| When::of(Some(day(until)), DatedBy::Receipt, today);
        assert_eq!(when("2026-11-24"), Some(When::Over));
        assert_eq!(when("2026-11-25"), Some(When::ThreeMonths));
        assert_eq!(when("2027-02-25"), Some(When::ThreeMonths));
        assert_eq!(when("2027-02-26"), Some(When::Year));
        assert_eq!(when("2027-11-26"), Some(When::Later));
        assert_eq!(When::of(None, DatedBy::Unknown, today), Some(When::Unknown));
        assert_eq!(When::of(None, DatedBy::Receipt, today), None);
    }
}
