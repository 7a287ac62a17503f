//! The terms file: who sells a part, how, and what is wanted of its stock.

use std::collections::HashMap;
use std::io::Read;

use exchange::table::{Column, Faults, Refused, Row, read_all};
use fleet::terms::{LeadTime, LeadTimes, OrderTerms, Terms, TermsError, parse_breaks};
use fleet::{Currency, Money};
use ordering::{Offer, Policy};

/// All terms of a file.
pub struct Sellers {
    pub currency: Currency,
    /// Suppliers by place, in the order of the file.
    pub names: Vec<String>,
    pub orders: Vec<OrderTerms>,
    pub parts: HashMap<String, PartTerms>,
    /// Parts in the order of the file.
    pub order: Vec<String>,
}

/// Who sells a part, and how much of it should be there.
#[derive(Clone, Debug)]
pub struct PartTerms {
    pub offers: Vec<Offer>,
    pub policy: Policy,
    pub boat_days_per_unit: f64,
}

/// Fill rate that is wanted where the file says nothing (common practice, no source).
const TARGET: f64 = 0.95;

impl Default for PartTerms {
    fn default() -> Self {
        let policy = Policy::FillRate { target: TARGET };
        Self { offers: Vec::new(), policy, boat_days_per_unit: 1.0 }
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Wanted {
    FillRate,
    CycleService,
    BoatDays,
}

const COLUMNS: [Column; 16] = [
    Column::required("part", "part number or name"),
    Column::required("supplier", "who sells it"),
    Column::required("lead_days", "median days from order to delivery"),
    Column::optional("lead_days_worst", "days that one delivery in twenty exceeds"),
    Column::optional("review_days", "days between two looks at what to order"),
    Column::optional("pack", "units in a pack"),
    Column::optional("minimum", "least units in an order"),
    Column::required("price", "price of a unit"),
    Column::required("currency", "ISO 4217 code, one in the whole file"),
    Column::optional("breaks", "price from a quantity on, like 10:4.20;50:3.90"),
    Column::optional("order_cost", "our own cost of an order of this part"),
    Column::optional(
        "supplier_minimum",
        "least value of an order, the same on all rows of a supplier",
    ),
    Column::optional("freight", "freight of an order, the same on all rows of a supplier"),
    Column::optional("policy", "fill_rate, cycle_service or boat_days"),
    Column::optional(
        "target",
        "share for fill_rate and cycle_service, most boat-days lost for boat_days",
    ),
    Column::optional("boat_days_lost", "boat-days lost for each unit short"),
];

pub fn read(reader: impl Read) -> Result<Sellers, Faults> {
    let mut sellers = Sellers {
        currency: Currency::EUR,
        names: Vec::new(),
        orders: Vec::new(),
        parts: HashMap::new(),
        order: Vec::new(),
    };
    let mut first_currency = None;
    read_all(reader, &COLUMNS, |row| {
        let currency = row.currency("currency")?;
        let one = *first_currency.get_or_insert(currency);
        if currency != one {
            let message =
                format!("the file began in {one}; amounts in two currencies can't be added");
            return Err(row.refuse("currency", "currencies-mixed", message));
        }
        sellers.currency = currency;
        sellers.add(row)
    })?;
    Ok(sellers)
}

impl Sellers {
    fn add(&mut self, row: &Row<'_>) -> Result<(), Refused> {
        let part = row.text("part");
        let supplier = row.text("supplier");
        let offer = offer(row, self.currency);
        let order = order_terms(row, self.currency);
        let wanted = wanted(row);
        let (part, supplier, mut offer) = (part?, supplier?, offer?);
        let (order, (policy, boat_days_per_unit)) = (order?, wanted?);
        offer.supplier = self.supplier(row, supplier, order)?;
        let stated = ["policy", "target", "boat_days_lost"].map(|column| !row.is_empty(column));
        let states_policy = stated.contains(&true);
        let order_of_file = &mut self.order;
        let terms = self.parts.entry(part.to_owned()).or_insert_with(|| {
            order_of_file.push(part.to_owned());
            PartTerms { policy, boat_days_per_unit, ..PartTerms::default() }
        });
        if terms.offers.iter().any(|other| other.supplier == offer.supplier) {
            let message = format!("{part} from {supplier} is in the file already");
            return Err(row.refuse("supplier", "part-supplier-twice", message));
        }
        let same = terms.policy == policy && terms.boat_days_per_unit == boat_days_per_unit;
        if states_policy && !same {
            let message =
                format!("{part} has another policy, target or boat-days in an earlier row");
            return Err(row.refuse("policy", "part-policies-differ", message));
        }
        terms.offers.push(offer);
        Ok(())
    }

    /// Place of a supplier, whose order terms are the same on all rows.
    fn supplier(&mut self, row: &Row<'_>, name: &str, terms: OrderTerms) -> Result<usize, Refused> {
        let Some(place) = self.names.iter().position(|known| known == name) else {
            self.names.push(name.to_owned());
            self.orders.push(terms);
            return Ok(self.names.len() - 1);
        };
        let shown = |amount: Option<Money>| {
            amount.map_or("nothing".to_owned(), |amount| amount.to_string())
        };
        let known = self.orders[place];
        for (column, before, now) in [
            ("supplier_minimum", known.minimum, terms.minimum),
            ("freight", known.freight, terms.freight),
        ] {
            if before != now {
                let message = format!("{name} has {} in an earlier row", shown(before));
                return Err(row.refuse(column, "supplier-terms-differ", message));
            }
        }
        Ok(place)
    }
}

fn offer(row: &Row<'_>, currency: Currency) -> Result<Offer, Refused> {
    let lead_days = row.count("lead_days");
    let worst = row.optional("lead_days_worst", Row::count);
    let review_days = row.optional("review_days", Row::count);
    let pack = row.optional("pack", Row::count);
    let minimum = row.optional("minimum", Row::count);
    let price = row.money("price", currency);
    let breaks = parse_breaks(row.raw("breaks"), currency)
        .map_err(|error| row.refuse("breaks", error.rule(), &error));
    let order_cost = not_negative(row, "order_cost", currency);
    let (lead_days, worst, review_days) = (lead_days?, worst?, review_days?.unwrap_or(0));
    let (pack, minimum, price) = (pack?.unwrap_or(1), minimum?.unwrap_or(1), price?);
    let (breaks, order_cost) = (breaks?, order_cost?);
    for (column, days) in [
        ("lead_days", Some(lead_days)),
        ("lead_days_worst", worst),
        ("review_days", Some(review_days)),
    ] {
        if days.is_some_and(|days| days > DAYS_MAX) {
            let message = format!("more than {DAYS_MAX} days");
            return Err(row.refuse(column, "days-too-many", message));
        }
    }
    let broken = |error: TermsError| row.refuse(column_of(&error), error.rule(), &error);
    let lead = LeadTime::new(lead_days, worst.unwrap_or(lead_days)).map_err(broken)?;
    let terms = Terms {
        pack,
        minimum,
        breaks,
        lead: LeadTimes::all_year(lead),
        ..Terms::plain(price, lead)
    };
    terms.check().map_err(broken)?;
    let order_cost_minor = order_cost.map_or(0, |cost| cost.minor);
    Ok(Offer { supplier: 0, terms, review_days, order_cost_minor })
}

/// Longest lead or review time taken: two years.
const DAYS_MAX: u32 = 730;

/// The column that a broken rule of the terms is about.
const fn column_of(error: &TermsError) -> &'static str {
    match error {
        TermsError::PackZero | TermsError::UnitZero => "pack",
        TermsError::WorstBelowMedian { .. } => "lead_days_worst",
        TermsError::BreaksOutOfOrder { .. }
        | TermsError::BreakPriceRises { .. }
        | TermsError::BreaksUnreadable { .. } => "breaks",
        TermsError::AmountNegative { .. } => "freight",
        TermsError::PriceNotPositive { .. }
        | TermsError::WindowReversed { .. }
        | TermsError::DiscountTooLarge { .. }
        | TermsError::Money(_) => "price",
    }
}

fn not_negative(row: &Row<'_>, column: &str, currency: Currency) -> Result<Option<Money>, Refused> {
    let amount = row.optional(column, |row, column| row.money(column, currency))?;
    if amount.is_some_and(|amount| amount.minor < 0) {
        return Err(row.refuse(column, "amount-negative", "an amount of zero or more is wanted"));
    }
    Ok(amount)
}

fn order_terms(row: &Row<'_>, currency: Currency) -> Result<OrderTerms, Refused> {
    let minimum = not_negative(row, "supplier_minimum", currency);
    let freight = not_negative(row, "freight", currency);
    Ok(OrderTerms { currency, minimum: minimum?, freight: freight?, freight_free_from: None })
}

fn wanted(row: &Row<'_>) -> Result<(Policy, f64), Refused> {
    let policies = [
        ("fill_rate", Wanted::FillRate),
        ("cycle_service", Wanted::CycleService),
        ("boat_days", Wanted::BoatDays),
    ];
    let wanted = row.optional("policy", |row, column| row.one_of(column, &policies));
    let target = row.optional("target", Row::not_negative);
    let boat_days = row.optional("boat_days_lost", Row::not_negative);
    let (wanted, target) = (wanted?.unwrap_or(Wanted::FillRate), target?);
    let boat_days = boat_days?.unwrap_or(1.0);
    if wanted != Wanted::BoatDays && target.is_some_and(|target| target > 1.0) {
        return Err(row.refuse(
            "target",
            "not-a-share",
            "write a share between 0 and 1, like 0.95",
        ));
    }
    let share = target.unwrap_or(TARGET);
    let policy = match wanted {
        Wanted::FillRate => Policy::FillRate { target: share },
        Wanted::CycleService => Policy::CycleService { target: share },
        Wanted::BoatDays => Policy::BoatDays { most_lost: target },
    };
    Ok((policy, boat_days))
}
