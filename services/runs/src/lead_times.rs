//! How long suppliers take, as orders and receipts show.
//!
//! A part with deliveries of its own goes by them, its stated figures blended in as long as they are
//! few; a month in which the supplier was slower or quicker than usual counts for all of its parts.
//! What a person wrote down for a month goes before what was learned.

use std::collections::HashMap;

use chrono::{Days, NaiveDate};
use fleet::id::{OrderId, OrderLineId, OrganisationId, PartId, ReceiptId, SupplierId};
use fleet::order::{Order, OrderLine, Receipt, ReceiptLine};
use fleet::supplier::{LeadTime as MonthStated, LeadTimeBasis, SupplierSeason, Term};
use fleet::terms::{LeadTime, LeadTimes, PreSeason};
use ordering::{Delivery, LearnedLeadTimes, learn_lead_times};
use serde_json::{Value, json};
use store::{Connection, StoreError, orders, parts, record};

/// What orders and receipts say of each supplier and part.
#[derive(Clone, Debug, Default)]
pub struct Learned {
    deliveries: HashMap<(SupplierId, PartId), Vec<Delivery>>,
    stated_by_month: Vec<MonthStated>,
    today: NaiveDate,
}

/// Orders and what came of them.
pub struct Past<'a> {
    pub orders: &'a [Order],
    pub lines: &'a [OrderLine],
    pub receipts: &'a [Receipt],
    pub receipt_lines: &'a [ReceiptLine],
}

impl Learned {
    /// Everything known by `today`.
    pub fn of(past: &Past<'_>, stated_by_month: &[MonthStated], today: NaiveDate) -> Self {
        let orders: HashMap<OrderId, &Order> =
            past.orders.iter().map(|order| (order.id, order)).collect();
        let days: HashMap<ReceiptId, NaiveDate> =
            past.receipts.iter().map(|receipt| (receipt.id, receipt.received_on)).collect();
        let mut came: HashMap<OrderLineId, Vec<(NaiveDate, i64)>> = HashMap::new();
        for row in past.receipt_lines {
            if let Some(day) = days.get(&row.receipt) {
                came.entry(row.line).or_default().push((*day, row.quantity));
            }
        }
        let mut deliveries: HashMap<(SupplierId, PartId), Vec<Delivery>> = HashMap::new();
        for line in past.lines {
            let Some(order) = orders.get(&line.order) else { continue };
            let Some(ordered_on) = order.ordered_on else { continue };
            let own = deliveries.entry((order.supplier, line.part)).or_default();
            let came = came.get(&line.id).map_or(&[][..], Vec::as_slice);
            let arrived =
                came.iter().map(|(day, _)| Delivery { ordered_on, received_on: Some(*day) });
            own.extend(arrived);
            let received = came.iter().map(|(_, quantity)| quantity).sum();
            if order.status.awaits_goods() && line.open(received) > 0 {
                own.push(Delivery { ordered_on, received_on: None });
            }
        }
        // What an earlier run learned is learned anew; only what somebody says is news.
        let said = |row: &&MonthStated| row.basis == LeadTimeBasis::Stated;
        let stated_by_month = stated_by_month.iter().filter(said).cloned().collect();
        Self { deliveries, stated_by_month, today }
    }

    /// How long a part takes on a term's figures and what was learned.
    pub fn of_term(&self, term: &Term) -> LeadTimes {
        let key = (term.supplier, term.part);
        let own = self.deliveries.get(&key).map_or(&[][..], Vec::as_slice);
        let mut lead = learn_lead_times(own, stated(term), self.today).lead;
        let supplier = self.of_supplier(term.supplier, &[term]).lead;
        for (month, own) in lead.by_month.iter_mut().enumerate() {
            let Some(slower) = supplier.by_month[month].filter(|_| own.is_none()) else { continue };
            *own = Some(scaled(lead.usual, slower, supplier.usual));
        }
        for row in self.stated_by_month.iter().filter(|row| row.supplier == term.supplier) {
            if row.part.is_some_and(|part| part != term.part) {
                continue;
            }
            let of_part = |other: &&MonthStated| {
                other.part == Some(term.part) && other.month == row.month && row.part.is_none()
            };
            if self.stated_by_month.iter().any(|other| of_part(&other)) {
                continue;
            }
            let median_days = row.days_median.max(0).unsigned_abs();
            let worst_days = row.days_worst.max(0).unsigned_abs().max(median_days);
            let month = (row.month.clamp(1, 12) - 1) as usize;
            lead.by_month[month] = Some(LeadTime { median_days, worst_days });
        }
        lead
    }

    /// How long a supplier takes over all of its parts; `terms` are those that it states.
    pub fn of_supplier(&self, supplier: SupplierId, terms: &[&Term]) -> LearnedLeadTimes {
        let mut medians: Vec<u32> = terms.iter().map(|term| stated(term).median_days).collect();
        medians.sort_unstable();
        let median_days = medians.get(medians.len() / 2).copied().unwrap_or(0);
        let worst = terms.iter().map(|term| stated(term).worst_days).max().unwrap_or(median_days);
        let mut all: Vec<Delivery> = Vec::new();
        for ((of, _), deliveries) in &self.deliveries {
            if *of == supplier {
                all.extend(deliveries);
            }
        }
        // The order of a hash map must not show.
        all.sort_unstable_by_key(|one| (one.ordered_on, one.received_on));
        let stated = LeadTime { median_days, worst_days: worst.max(median_days) };
        learn_lead_times(&all, stated, self.today)
    }

    /// What was learned, as it is kept with a run: each supplier, and each part with deliveries.
    pub fn kept(&self, terms: &[&Term]) -> Value {
        let mut by_supplier: HashMap<SupplierId, Vec<&Term>> = HashMap::new();
        for term in terms {
            by_supplier.entry(term.supplier).or_default().push(term);
        }
        let mut suppliers: Vec<_> = by_supplier.into_iter().collect();
        suppliers.sort_unstable_by_key(|(supplier, _)| *supplier);
        let mut rows = Vec::new();
        for (supplier, terms) in suppliers {
            let learned = self.of_supplier(supplier, &terms);
            rows.push(row(supplier, None, &learned.lead, &learned));
            for term in terms {
                let Some(own) = self.deliveries.get(&(supplier, term.part)) else { continue };
                let learned = learn_lead_times(own, stated(term), self.today);
                rows.push(row(supplier, Some(term.part), &self.of_term(term), &learned));
            }
        }
        Value::Array(rows)
    }
}

fn stated(term: &Term) -> LeadTime {
    let median_days = term.lead_days_median.max(0).unsigned_abs();
    let worst = term.lead_days_worst.map_or(median_days, |days| days.max(0).unsigned_abs());
    LeadTime { median_days, worst_days: worst.max(median_days) }
}

/// `usual` as much slower as the supplier's month is slower than its usual.
fn scaled(usual: LeadTime, month: LeadTime, of: LeadTime) -> LeadTime {
    let by = |days: u32, month: u32, of: u32| {
        (f64::from(days) * f64::from(month.max(1)) / f64::from(of.max(1))).round() as u32
    };
    let median_days = by(usual.median_days, month.median_days, of.median_days);
    let worst_days = by(usual.worst_days, month.worst_days, of.worst_days);
    LeadTime { median_days, worst_days: worst_days.max(median_days) }
}

fn row(
    supplier: SupplierId,
    part: Option<PartId>,
    lead: &LeadTimes,
    learned: &LearnedLeadTimes,
) -> Value {
    let months: Vec<Value> = lead
        .by_month
        .iter()
        .zip(learned.received_by_month)
        .map(|(month, received)| {
            month.map_or(Value::Null, |days| {
                json!({
                    "median_days": days.median_days,
                    "worst_days": days.worst_days,
                    "received": received,
                })
            })
        })
        .collect();
    json!({
        "supplier": supplier,
        "part": part,
        "median_days": lead.usual.median_days,
        "worst_days": lead.usual.worst_days,
        "received": learned.received,
        "open": learned.open,
        "by_month": months,
    })
}

/// The day by which an order of `ordered_on` can be expected: its slowest line's median.
///
/// # Errors
/// The store failed.
pub async fn expected_on(
    connection: &Connection,
    organisation: OrganisationId,
    order: &Order,
    ordered_on: NaiveDate,
) -> Result<NaiveDate, StoreError> {
    let past_orders = orders::of_supplier(connection, organisation, order.supplier).await?;
    let ids: Vec<OrderId> = past_orders.iter().map(|order| order.id).collect();
    let lines = orders::lines(connection, organisation, &ids).await?;
    let (receipts, receipt_lines) = orders::receipts(connection, organisation, &ids).await?;
    let stated: Vec<MonthStated> = record::all(connection, organisation).await?;
    let past = Past {
        orders: &past_orders,
        lines: &lines,
        receipts: &receipts,
        receipt_lines: &receipt_lines,
    };
    let learned = Learned::of(&past, &stated, ordered_on);
    let wanted: Vec<PartId> =
        lines.iter().filter(|line| line.order == order.id).map(|line| line.part).collect();
    let mut terms = parts::terms(connection, organisation, &wanted).await?;
    terms.retain(|term| term.supplier == order.supplier && term.holds_on(ordered_on));
    let slowest = terms.iter().map(|term| learned.of_term(term).on(ordered_on).median_days).max();
    let seasons: Vec<SupplierSeason> = record::all(connection, organisation).await?;
    let windows = seasons.iter().filter(|season| season.supplier == order.supplier);
    Ok(arrival(ordered_on, slowest.unwrap_or(0), windows.map(SupplierSeason::window)))
}

/// When what is ordered on a day arrives: in a pre-season window nothing leaves before its day.
fn arrival(
    ordered_on: NaiveDate,
    days: u32,
    windows: impl Iterator<Item = PreSeason>,
) -> NaiveDate {
    let open = windows.filter(|window| window.is_open(ordered_on));
    let ships = open.filter_map(|window| window.ships_from).max();
    let leaves = ships.map_or(ordered_on, |ships| ships.max(ordered_on));
    leaves.checked_add_days(Days::new(u64::from(days))).unwrap_or(leaves)
}

#[cfg(test)]
mod tests {
    use fleet::Currency;
    use fleet::Money;
    use fleet::id::{LeadTimeId, ReceiptLineId, SiteId, TermId};
    use fleet::order::OrderStatus;
    use fleet::supplier::LeadTimeBasis;

    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    #[test]
    fn what_is_ordered_in_a_window_comes_after_it_ships() {
        let window = PreSeason {
            opens: day("2026-11-01"),
            closes: day("2026-12-10"),
            ships_from: Some(day("2027-02-01")),
            discount_permille: 80,
        };
        let on = |ordered_on: &str| arrival(day(ordered_on), 14, [window].into_iter());
        assert_eq!(on("2026-10-31"), day("2026-11-14"), "before the window");
        assert_eq!(on("2026-12-10"), day("2027-02-15"));
        assert_eq!(on("2026-12-11"), day("2026-12-25"), "after it");
        let at_once = PreSeason { ships_from: None, ..window };
        assert_eq!(arrival(day("2026-12-10"), 14, [at_once].into_iter()), day("2026-12-24"));
    }

    fn term(supplier: SupplierId, part: PartId) -> Term {
        Term {
            id: TermId::fresh(),
            version: 1,
            part,
            supplier,
            supplier_number: None,
            pack: 1,
            minimum: 1,
            price: Money::new(500, Currency::EUR),
            price_units: 1,
            lead_days_median: 10,
            lead_days_worst: Some(20),
            review_days: None,
            policy: None,
            target_permille: None,
            valid_from: day("2020-01-01"),
            valid_until: None,
        }
    }

    struct Record {
        supplier: SupplierId,
        orders: Vec<Order>,
        lines: Vec<OrderLine>,
        receipts: Vec<Receipt>,
        receipt_lines: Vec<ReceiptLine>,
    }

    impl Record {
        fn empty() -> Self {
            Self {
                supplier: SupplierId::fresh(),
                orders: Vec::new(),
                lines: Vec::new(),
                receipts: Vec::new(),
                receipt_lines: Vec::new(),
            }
        }

        /// Ten of a part, ordered on a day; `came` after so many days.
        fn bought(&mut self, part: PartId, on: &str, came: &[(u64, i64)]) {
            let at = chrono::DateTime::UNIX_EPOCH;
            let order = Order {
                id: OrderId::fresh(),
                version: 1,
                number: format!("T-{}", self.orders.len()),
                supplier: self.supplier,
                site: SiteId::fresh(),
                status: OrderStatus::PartReceived,
                currency: Currency::EUR,
                ordered_on: Some(day(on)),
                expected_on: None,
                approved_by: None,
                run: None,
                note: None,
                created_at: at,
            };
            let line = OrderLine {
                id: OrderLineId::fresh(),
                version: 1,
                order: order.id,
                part,
                quantity: 10,
                price_minor: 500,
                price_units: 1,
                cancelled: 0,
                returned: 0,
                expected_on: None,
                note: None,
            };
            for (days, quantity) in came {
                let receipt = Receipt {
                    id: ReceiptId::fresh(),
                    order: order.id,
                    received_on: day(on) + Days::new(*days),
                    delivery_note: None,
                    received_by: None,
                    recorded_at: at,
                };
                self.receipt_lines.push(ReceiptLine {
                    id: ReceiptLineId::fresh(),
                    receipt: receipt.id,
                    line: line.id,
                    quantity: *quantity,
                    invoiced_minor: None,
                    accepted: None,
                });
                self.receipts.push(receipt);
            }
            self.orders.push(order);
            self.lines.push(line);
        }

        fn learned(&self, stated: &[MonthStated]) -> Learned {
            let past = Past {
                orders: &self.orders,
                lines: &self.lines,
                receipts: &self.receipts,
                receipt_lines: &self.receipt_lines,
            };
            Learned::of(&past, stated, day("2026-11-25"))
        }
    }

    #[test]
    fn late_deliveries_make_a_part_slower_and_nobody_elses() {
        let (late, other) = (PartId::fresh(), PartId::fresh());
        let mut record = Record::empty();
        for month in ["2026-01-05", "2026-03-05", "2026-05-05", "2026-07-05"] {
            record.bought(late, month, &[(40, 10)]);
        }
        let learned = record.learned(&[]);
        let usual = learned.of_term(&term(record.supplier, late)).usual;
        // Four deliveries of 40 days beside a stated median worth five of 10: (160 + 50) / 9.
        assert_eq!(usual.median_days, 23);
        assert_eq!(learned.of_term(&term(record.supplier, other)).usual.median_days, 10);
    }

    #[test]
    fn a_part_that_came_short_counts_for_what_came_and_for_what_is_awaited() {
        let part = PartId::fresh();
        let mut record = Record::empty();
        record.bought(part, "2026-10-01", &[(12, 6)]);
        let learned = record.learned(&[]);
        let term = term(record.supplier, part);
        let all = learned.of_supplier(record.supplier, &[&term]);
        assert_eq!((all.received, all.open), (1, 1));
    }

    #[test]
    fn a_suppliers_slow_month_is_slow_for_parts_without_a_record() {
        let (bought, fresh) = (PartId::fresh(), PartId::fresh());
        let mut record = Record::empty();
        for day in ["2026-02-01", "2026-02-02", "2026-02-03", "2026-02-04", "2026-02-05"] {
            record.bought(bought, day, &[(30, 10)]);
        }
        for day in ["2026-06-01", "2026-06-02", "2026-06-03", "2026-06-04", "2026-06-05"] {
            record.bought(bought, day, &[(10, 10)]);
        }
        let lead = record.learned(&[]).of_term(&term(record.supplier, fresh));
        assert_eq!(lead.usual.median_days, 10);
        assert!(lead.on(day("2026-02-15")).median_days > lead.on(day("2026-06-15")).median_days);
        let written = MonthStated {
            id: LeadTimeId::fresh(),
            version: 1,
            supplier: record.supplier,
            part: None,
            month: 2,
            days_median: 45,
            days_worst: 60,
            sample: 0,
            basis: LeadTimeBasis::Stated,
        };
        let lead = record.learned(&[written]).of_term(&term(record.supplier, fresh));
        assert_eq!(lead.on(day("2026-02-15")), LeadTime { median_days: 45, worst_days: 60 });
    }
}
