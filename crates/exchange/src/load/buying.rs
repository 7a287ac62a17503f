//! Suppliers, terms, orders, receipts and the shelf.

use chrono::{DateTime, NaiveDate, Utc};
use fleet::order::OrderStatus;
use fleet::part::LotCondition;
use fleet::shelf_life::{CURE_YEARS_MAX, CureQuarter};
use fleet::supplier::StockPolicy;
use fleet::{Currency, Money};
use serde::Serialize;

use super::checks::{not_before, past_day};
use super::{Kind, LoadRow};
use crate::table::{Column, Refused, Row};

const DAYS_MAX: f64 = 3_650.0;
/// Orders are looked at once a week: common practice, no source.
const REVIEW_DAYS: i32 = 7;

/// Whoever parts are bought from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SupplierRow {
    pub supplier: String,
    pub currency: Currency,
    pub order_minimum: Option<Money>,
    pub freight: Option<Money>,
    pub order_cost: Option<Money>,
    pub review_days: i32,
    pub note: Option<String>,
}

impl LoadRow for SupplierRow {
    const KIND: Kind = Kind::Suppliers;
    const COLUMNS: &'static [Column] = &[
        Column::required("supplier", "its name"),
        Column::required("currency", "of its invoices, like EUR"),
        Column::optional("order_minimum", "least value of an order"),
        Column::optional("freight", "paid for each order"),
        Column::optional("order_cost", "our own cost of an order"),
        Column::optional("review_days", "days between two looks at what to order; else 7"),
        Column::optional("note", "anything worth knowing"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["Skerry Marine Supply", "EUR", "250", "18.50", "12", "14", ""];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let supplier = row.string("supplier");
        let currency = row.currency("currency")?;
        let money = |row: &Row<'_>, column: &str| row.money(column, currency);
        let order_minimum = row.optional("order_minimum", money);
        let freight = row.optional("freight", money);
        let order_cost = row.optional("order_cost", money);
        let review_days = row.optional("review_days", |row, c| row.scaled(c, 1, 0.0..=366.0));
        let note = row.optional("note", Row::note);
        Ok(Self {
            supplier: supplier?,
            currency,
            order_minimum: order_minimum?,
            freight: freight?,
            order_cost: order_cost?,
            review_days: review_days?.unwrap_or(REVIEW_DAYS),
            note: note?.map(str::to_owned),
        })
    }
}

/// A pre-season window, both days included.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SupplierSeasonRow {
    pub supplier: String,
    pub opens_on: NaiveDate,
    pub closes_on: NaiveDate,
    pub ships_on: Option<NaiveDate>,
    pub discount_permille: i32,
    pub minimum: Option<Money>,
}

impl LoadRow for SupplierSeasonRow {
    const KIND: Kind = Kind::SupplierSeasons;
    const COLUMNS: &'static [Column] = &[
        Column::required("supplier", "name of the supplier"),
        Column::required("opens_on", "first day on which it can be ordered"),
        Column::required("closes_on", "last day"),
        Column::optional("ships_on", "when it is sent"),
        Column::required("discount_percent", "off the price"),
        Column::optional("minimum", "least value of such an order"),
        Column::optional("currency", "of the minimum"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["Skerry Marine Supply", "2026-11-01", "2026-12-10", "2027-02-01", "8", "500", "EUR"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let supplier = row.string("supplier");
        let opens_on = row.date("opens_on");
        let closes_on = row.date("closes_on");
        let ships_on = row.optional("ships_on", Row::date);
        let discount = row.scaled("discount_percent", 10, 0.0..=100.0);
        let minimum = row.optional("minimum", |row, column| {
            let currency = row.currency("currency")?;
            row.money(column, currency)
        });
        let (opens_on, closes_on) = (opens_on?, closes_on?);
        not_before(row, "closes_on", opens_on, closes_on)?;
        Ok(Self {
            supplier: supplier?,
            opens_on,
            closes_on,
            ships_on: ships_on?,
            discount_permille: discount?,
            minimum: minimum?,
        })
    }
}

/// On which terms a supplier sells a part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TermRow {
    pub part: String,
    pub supplier: String,
    pub supplier_number: Option<String>,
    pub pack: u32,
    pub minimum: u32,
    pub price: Money,
    pub price_units: u32,
    pub breaks: Vec<(u32, Money)>,
    pub lead_days_median: i32,
    pub lead_days_worst: Option<i32>,
    pub review_days: Option<i32>,
    pub policy: Option<StockPolicy>,
    pub target_permille: Option<i32>,
    pub valid_from: NaiveDate,
    pub valid_until: Option<NaiveDate>,
}

impl LoadRow for TermRow {
    const KIND: Kind = Kind::Terms;
    const COLUMNS: &'static [Column] = &[
        Column::required("part", "part number"),
        Column::required("supplier", "name of the supplier"),
        Column::optional("supplier_number", "the supplier's number for it"),
        Column::required("lead_days", "days from order to delivery, the middle of what is usual"),
        Column::optional("lead_days_worst", "one delivery in twenty takes longer"),
        Column::optional(
            "review_days",
            "days between two looks at what to order; else the supplier's",
        ),
        Column::optional("pack", "units in a pack; else 1"),
        Column::optional("minimum", "units to order at the least; else 1"),
        Column::required("price", "for so many units as price_units says"),
        Column::required("currency", "like EUR; must be the supplier's"),
        Column::optional("price_units", "how many units the price is for; else 1"),
        Column::optional(
            "breaks",
            "lower prices from a quantity on, quantity:price between semicolons",
        ),
        Column::optional("policy", "fill_rate, cycle_service or boat_days"),
        Column::optional("target", "share to reach, like 0.95"),
        Column::required("valid_from", "first day on which it holds"),
        Column::optional("valid_until", "first day on which it holds no more"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "ND-IMP-06",
        "Skerry Marine Supply",
        "SK-4471",
        "12",
        "30",
        "",
        "1",
        "5",
        "9.80",
        "EUR",
        "1",
        "10:9.20;50:8.40",
        "fill_rate",
        "0.95",
        "2026-01-01",
        "",
    ];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let part = row.string("part");
        let supplier = row.string("supplier");
        let supplier_number = row.optional("supplier_number", Row::string);
        let lead = days(row, "lead_days");
        let worst = row.optional("lead_days_worst", days);
        let review = row.optional("review_days", |row, c| row.scaled(c, 1, 0.0..=366.0));
        let pack = row.optional("pack", Row::count_from_one);
        let minimum = row.optional("minimum", Row::count);
        let price_units = row.optional("price_units", Row::count_from_one);
        let policy = row.optional("policy", Row::word);
        let target = row.optional("target", |row, c| row.scaled(c, 1_000, 0.001..=1.0));
        let valid_from = row.date("valid_from");
        let valid_until = row.optional("valid_until", Row::date);
        let (price, breaks) = prices(row)?;
        let (lead_days_median, lead_days_worst) = (lead?, worst?);
        if lead_days_worst.is_some_and(|worst| worst < lead_days_median) {
            let message = "may not be below lead_days";
            return Err(row.refuse("lead_days_worst", "worst-below-median", message));
        }
        let (valid_from, valid_until) = (valid_from?, valid_until?);
        if valid_until.is_some_and(|until| until <= valid_from) {
            let message = "must be later than valid_from";
            return Err(row.refuse("valid_until", "ends-before-it-begins", message));
        }
        Ok(Self {
            part: part?,
            supplier: supplier?,
            supplier_number: supplier_number?,
            pack: pack?.unwrap_or(1),
            minimum: minimum?.unwrap_or(1),
            price,
            price_units: price_units?.unwrap_or(1),
            breaks,
            lead_days_median,
            lead_days_worst,
            review_days: review?,
            policy: policy?,
            target_permille: target?,
            valid_from,
            valid_until,
        })
    }
}

/// Price and breaks, prices falling.
fn prices(row: &Row<'_>) -> Result<(Money, Vec<(u32, Money)>), Refused> {
    let currency = row.currency("currency")?;
    let price = row.money("price", currency);
    let breaks = row.optional("breaks", |row, column| row.price_breaks(column, currency));
    let (price, breaks) = (price?, breaks?.unwrap_or_default());
    let mut before = price;
    for &(from, at) in &breaks {
        if at.minor > before.minor {
            let message = format!("{at} from {from} on is more than {before} below it");
            return Err(row.refuse("breaks", "break-price-rises", message));
        }
        before = at;
    }
    Ok((price, breaks))
}

fn days(row: &Row<'_>, column: &str) -> Result<i32, Refused> {
    row.scaled(column, 1, 0.0..=DAYS_MAX)
}

/// What was ordered of one part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct OrderRow {
    pub order: String,
    pub supplier: String,
    pub site: String,
    pub part: String,
    pub quantity: u32,
    pub price: Money,
    pub price_units: u32,
    pub cancelled: u32,
    pub ordered_on: NaiveDate,
    pub expected_on: Option<NaiveDate>,
    pub status: OrderStatus,
    pub note: Option<String>,
}

impl LoadRow for OrderRow {
    const KIND: Kind = Kind::Orders;
    const COLUMNS: &'static [Column] = &[
        Column::required("order", "number of the order, the same for all its rows"),
        Column::required("supplier", "name of the supplier, the same for all rows of the order"),
        Column::required("site", "site that ordered, the same for all rows of the order"),
        Column::required("part", "part number, once an order"),
        Column::required("quantity", "how much, in the part's unit"),
        Column::required("price", "for so many units as price_units says"),
        Column::required("currency", "like EUR; must be the supplier's"),
        Column::optional("price_units", "how many units the price is for; else 1"),
        Column::optional("cancelled", "units that won't come any more; else 0"),
        Column::required("ordered_on", "day of the order, the same for all its rows"),
        Column::optional("expected_on", "promised day of this part"),
        Column::optional(
            "status",
            "sent, part_received, received, closed or cancelled; else sent. The same for all rows of the order",
        ),
        Column::optional("note", "anything worth knowing of this part"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "P-2025-118",
        "Skerry Marine Supply",
        "North Quay",
        "ND-IMP-06",
        "40",
        "8.90",
        "EUR",
        "1",
        "0",
        "2025-11-28",
        "2026-02-01",
        "closed",
        "",
    ];

    fn parse(row: &Row<'_>, now: DateTime<Utc>) -> Result<Self, Refused> {
        let order = row.string("order");
        let supplier = row.string("supplier");
        let site = row.string("site");
        let part = row.string("part");
        let quantity = row.count_from_one("quantity");
        let price = row.currency("currency").and_then(|currency| row.money("price", currency));
        let price_units = row.optional("price_units", Row::count_from_one);
        let cancelled = row.optional("cancelled", Row::count);
        let ordered_on = past_day(row, "ordered_on", now);
        let expected_on = row.optional("expected_on", Row::date);
        let status = row.optional("status", Row::word);
        let note = row.optional("note", Row::note);
        let (quantity, cancelled) = (quantity?, cancelled?.unwrap_or(0));
        if cancelled > quantity {
            let message = "no more than was ordered can be cancelled";
            return Err(row.refuse("cancelled", "cancelled-above-ordered", message));
        }
        let status = status?.unwrap_or(OrderStatus::Sent);
        if matches!(status, OrderStatus::Draft | OrderStatus::Approved) {
            let message = "an order that was not sent is written in Stores; write sent, \
                           part_received, received, closed or cancelled";
            return Err(row.refuse("status", "order-not-sent", message));
        }
        let (ordered_on, expected_on) = (ordered_on?, expected_on?);
        if let Some(expected_on) = expected_on {
            not_before(row, "expected_on", ordered_on, expected_on)?;
        }
        Ok(Self {
            order: order?,
            supplier: supplier?,
            site: site?,
            part: part?,
            quantity,
            price: price?,
            price_units: price_units?.unwrap_or(1),
            cancelled,
            ordered_on,
            expected_on,
            status,
            note: note?.map(str::to_owned),
        })
    }
}

/// What a delivery held of an order's part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ReceiptRow {
    pub order: String,
    pub part: String,
    pub received_on: NaiveDate,
    pub quantity: u32,
    pub delivery_note: String,
    pub received_by: Option<String>,
    /// For as many units as the order's price.
    pub invoiced: Option<Money>,
}

impl LoadRow for ReceiptRow {
    const KIND: Kind = Kind::Receipts;
    const COLUMNS: &'static [Column] = &[
        Column::required("order", "number of the order"),
        Column::required("part", "part number"),
        Column::required("received_on", "day of the delivery"),
        Column::required("quantity", "how much came, in the part's unit"),
        Column::required("delivery_note", "its number, the same for all parts of the delivery"),
        Column::optional("received_by", "full name"),
        Column::optional(
            "invoiced",
            "price on the invoice, for as many units as the order's price",
        ),
        Column::optional("currency", "of the invoice, needed beside invoiced; must be the order's"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "P-2025-118",
        "ND-IMP-06",
        "2026-02-04",
        "40",
        "L-90331",
        "Mara Lindqvist",
        "8.90",
        "EUR",
    ];

    fn parse(row: &Row<'_>, now: DateTime<Utc>) -> Result<Self, Refused> {
        let order = row.string("order");
        let part = row.string("part");
        let received_on = past_day(row, "received_on", now);
        let quantity = row.count_from_one("quantity");
        let delivery_note = row.string("delivery_note");
        let received_by = row.optional("received_by", Row::string);
        let invoiced = row.optional("invoiced", |row, column| {
            let currency = row.currency("currency")?;
            row.money(column, currency)
        });
        Ok(Self {
            order: order?,
            part: part?,
            received_on: received_on?,
            quantity: quantity?,
            delivery_note: delivery_note?,
            received_by: received_by?,
            invoiced: invoiced?,
        })
    }
}

/// Refuses a lot that was past its label's date when it came, or was cured longer ago than is
/// likely: mostly a slip of the pen.
fn doubtful_age(
    row: &Row<'_>,
    (cured_on, received_on, expires_on): (Option<NaiveDate>, Option<NaiveDate>, Option<NaiveDate>),
    known_on: Option<NaiveDate>,
) -> Result<(), Refused> {
    let cured = cured_on.map(CureQuarter::of);
    if let (Some(last), Some(came)) = (expires_on, received_on)
        && last < came
    {
        let message = format!("it came on {came}, past its last good day; give a reason");
        return Err(row.refuse("expires_on", "received-expired", message));
    }
    if let (Some(cured), Some(known_on)) = (cured, known_on)
        && cured.is_doubtful(known_on)
    {
        let message = format!("cured over {CURE_YEARS_MAX} years before; give a reason");
        return Err(row.refuse("cured_on", "cure-quarter-long-ago", message));
    }
    Ok(())
}

/// What was counted on the shelf.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct StockRow {
    pub site: String,
    pub part: String,
    pub quantity: u32,
    pub counted_on: NaiveDate,
    pub lot: Option<String>,
    pub cured_on: Option<NaiveDate>,
    pub received_on: Option<NaiveDate>,
    pub expires_on: Option<NaiveDate>,
    pub condition: LotCondition,
    /// Serial of the engine a used part came from.
    pub donor: Option<String>,
    pub reason: Option<String>,
}

impl LoadRow for StockRow {
    const KIND: Kind = Kind::Stock;
    const COLUMNS: &'static [Column] = &[
        Column::required("site", "where the shelf is"),
        Column::required("part", "part number"),
        Column::required("quantity", "how much is there, in the part's unit"),
        Column::required("counted_on", "day of the count, at its end"),
        Column::optional("lot", "code on the bag, where parts have an age"),
        Column::optional("cured_on", "last day of the cure quarter on the label"),
        Column::optional("received_on", "when it came"),
        Column::optional("expires_on", "as the label says"),
        Column::optional("condition", "new or used; else new"),
        Column::optional("donor", "serial of the engine that a used part came from"),
        Column::optional(
            "reason",
            "why it differs from what should be there, or came past its date; needed where it does",
        ),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "North Quay",
        "ND-IMP-06",
        "14",
        "2026-11-14",
        "4Q25-A",
        "2025-12-31",
        "2026-02-04",
        "",
        "new",
        "",
        "",
    ];

    fn parse(row: &Row<'_>, now: DateTime<Utc>) -> Result<Self, Refused> {
        let site = row.string("site");
        let part = row.string("part");
        let quantity = row.count("quantity");
        let counted_on = past_day(row, "counted_on", now);
        let lot = row.optional("lot", Row::string);
        let cured_on = row.optional("cured_on", |row, c| past_day(row, c, now));
        let received_on = row.optional("received_on", |row, c| past_day(row, c, now));
        let expires_on = row.optional("expires_on", Row::date);
        let condition = row.optional("condition", Row::word);
        let donor = row.optional("donor", Row::string);
        let reason = row.optional("reason", Row::string);
        let (lot, condition, donor) = (lot?, condition?.unwrap_or(LotCondition::New), donor?);
        let (cured_on, received_on, expires_on) = (cured_on?, received_on?, expires_on?);
        let dated = cured_on.is_some() || received_on.is_some() || expires_on.is_some();
        if lot.is_none() && (dated || condition == LotCondition::Used) {
            let message = "parts with a date of their own, or used ones, need a lot to be told by";
            return Err(row.refuse("lot", "lot-missing", message));
        }
        if reason.as_ref().is_ok_and(Option::is_none) {
            let known_on = received_on.or(counted_on.as_ref().ok().copied());
            doubtful_age(row, (cured_on, received_on, expires_on), known_on)?;
        }
        if (condition == LotCondition::Used) != donor.is_some() {
            let message = "a used part names the engine it came from, a new one does not";
            return Err(row.refuse("donor", "used-without-donor", message));
        }
        Ok(Self {
            site: site?,
            part: part?,
            quantity: quantity?,
            counted_on: counted_on?,
            lot,
            cured_on,
            received_on,
            expires_on,
            condition,
            donor,
            reason: reason?,
        })
    }
}
