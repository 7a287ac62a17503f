//! Suppliers, their terms, orders and what they delivered.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::NaiveDate;
use exchange::load::{OrderRow, ReceiptRow, SupplierRow, SupplierSeasonRow, TermRow};
use fleet::id::{
    OrderId, OrderLineId, OrganisationId, PartId, PersonId, ReceiptId, ReceiptLineId, SupplierId,
    SupplierSeasonId, TermBreakId, TermId,
};
use fleet::order::{Order, OrderLine, Receipt, ReceiptLine};
use fleet::supplier::{Supplier, SupplierSeason, Term, TermBreak};
use serde_json::json;

use super::differences::{Known, Values, values};
use super::names::{Lookup, Names, Needs};
use super::{Loaded, Verdict, recorded_at};
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::store::Transaction;

impl Loaded for SupplierRow {
    type Entry = Supplier;
    type State = Known<String>;
    const NEEDS: &'static [Needs] = &[];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<Supplier>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| (one.name.clone(), values(one)))))
    }

    fn entry(self, _: &mut Lookup<'_>) -> Option<Supplier> {
        Some(Supplier {
            id: SupplierId::fresh(),
            version: 1,
            name: self.supplier,
            currency: self.currency,
            order_minimum_minor: self.order_minimum.map(|money| money.minor),
            freight_minor: self.freight.map(|money| money.minor),
            order_cost_minor: self.order_cost.map(|money| money.minor),
            review_days: self.review_days,
            note: self.note,
            archived: false,
        })
    }

    fn judge(state: &mut Self::State, entry: &Supplier, at: &mut Lookup<'_>) -> Verdict {
        state.judge(entry.name.clone(), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<Supplier>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

impl Loaded for SupplierSeasonRow {
    type Entry = SupplierSeason;
    type State = Known<(SupplierId, NaiveDate)>;
    const NEEDS: &'static [Needs] = &[Needs::Suppliers];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<SupplierSeason>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| ((one.supplier, one.opens_on), values(one)))))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<SupplierSeason> {
        let (supplier, currency) = at.supplier("supplier", &self.supplier)?;
        if self.minimum.is_some_and(|money| !at.same_currency(currency, money.currency)) {
            return None;
        }
        Some(SupplierSeason {
            id: SupplierSeasonId::fresh(),
            version: 1,
            supplier,
            opens_on: self.opens_on,
            closes_on: self.closes_on,
            ships_on: self.ships_on,
            discount_permille: self.discount_permille,
            minimum_minor: self.minimum.map(|money| money.minor),
        })
    }

    fn judge(state: &mut Self::State, entry: &SupplierSeason, at: &mut Lookup<'_>) -> Verdict {
        state.judge((entry.supplier, entry.opens_on), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<SupplierSeason>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

/// A term and its lower prices by quantity.
pub(super) struct TermEntry {
    term: Term,
    breaks: BTreeMap<i64, i64>,
}

fn term_values(term: &Term, breaks: &BTreeMap<i64, i64>) -> Values {
    let mut all = values(term);
    let breaks: Vec<_> = breaks.iter().map(|(from, price)| format!("{from}:{price}")).collect();
    all.insert("breaks".to_owned(), json!(breaks));
    all
}

impl Loaded for TermRow {
    type Entry = TermEntry;
    type State = Known<(PartId, SupplierId, NaiveDate)>;
    const NEEDS: &'static [Needs] = &[Needs::Parts, Needs::Suppliers];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let terms = record::all::<Term>(transaction, organisation).await?;
        let mut breaks: HashMap<TermId, BTreeMap<i64, i64>> = HashMap::new();
        for one in record::all::<TermBreak>(transaction, organisation).await? {
            breaks.entry(one.term).or_default().insert(one.quantity_from, one.price_minor);
        }
        Ok(Known::new(terms.iter().map(|term| {
            let breaks = breaks.remove(&term.id).unwrap_or_default();
            ((term.part, term.supplier, term.valid_from), term_values(term, &breaks))
        })))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<TermEntry> {
        let part = at.part("part", &self.part);
        let supplier = at.supplier_paid_in(&self.supplier, self.price.currency);
        let term = Term {
            id: TermId::fresh(),
            version: 1,
            part: part?,
            supplier: supplier?,
            supplier_number: self.supplier_number,
            pack: i64::from(self.pack),
            minimum: i64::from(self.minimum),
            price: self.price,
            price_units: i64::from(self.price_units),
            lead_days_median: self.lead_days_median,
            lead_days_worst: self.lead_days_worst,
            review_days: self.review_days,
            policy: self.policy,
            target_permille: self.target_permille,
            valid_from: self.valid_from,
            valid_until: self.valid_until,
        };
        let breaks = self.breaks.into_iter().map(|(from, price)| (i64::from(from), price.minor));
        Some(TermEntry { term, breaks: breaks.collect() })
    }

    fn judge(state: &mut Self::State, entry: &TermEntry, at: &mut Lookup<'_>) -> Verdict {
        let TermEntry { term, breaks } = entry;
        let key = (term.part, term.supplier, term.valid_from);
        state.judge(key, term_values(term, breaks), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<TermEntry>,
    ) -> Result<(), StoreError> {
        let (mut terms, mut breaks) = (Vec::new(), Vec::new());
        for TermEntry { term, breaks: by_quantity } in entries {
            breaks.extend(by_quantity.into_iter().map(|(quantity_from, price_minor)| TermBreak {
                id: TermBreakId::fresh(),
                version: 1,
                term: term.id,
                quantity_from,
                price_minor,
            }));
            terms.push(term);
        }
        record::create(transaction, organisation, author, &terms).await?;
        record::create(transaction, organisation, author, &breaks).await
    }
}

/// A line and the order that it stands in.
pub(super) struct OrderEntry {
    order: Order,
    line: OrderLine,
}

pub(super) struct OrderState {
    orders: Known<OrderId>,
    lines: Known<(OrderId, PartId)>,
    on_record: HashSet<OrderId>,
}

impl Loaded for OrderRow {
    type Entry = OrderEntry;
    type State = OrderState;
    const NEEDS: &'static [Needs] = &[Needs::Orders, Needs::Suppliers, Needs::Sites, Needs::Parts];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let orders = record::all::<Order>(transaction, organisation).await?;
        let lines = record::all::<OrderLine>(transaction, organisation).await?;
        Ok(OrderState {
            on_record: orders.iter().map(|order| order.id).collect(),
            orders: Known::new(orders.iter().map(|order| (order.id, order_values(order)))),
            lines: Known::new(
                lines.iter().map(|line| ((line.order, line.part), line_values(line))),
            ),
        })
    }

    fn announce(&self, names: &mut Names) {
        names.announce_order(&self.order, self.price.currency);
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<OrderEntry> {
        let order = at.order("order", &self.order);
        let supplier = at.supplier_paid_in(&self.supplier, self.price.currency);
        let site = at.site("site", &self.site);
        let part = at.part("part", &self.part);
        let (order, supplier, site, part) = (order?, supplier?, site?, part?);
        if !at.same_currency(order.currency, self.price.currency) {
            return None;
        }
        let line = OrderLine {
            id: OrderLineId::fresh(),
            version: 1,
            order: order.id,
            part,
            quantity: i64::from(self.quantity),
            price_minor: self.price.minor,
            price_units: i64::from(self.price_units),
            cancelled: i64::from(self.cancelled),
            returned: 0,
            expected_on: self.expected_on,
            note: self.note,
        };
        let order = Order {
            id: order.id,
            version: 1,
            number: self.order,
            supplier,
            site: site.id,
            status: self.status,
            currency: self.price.currency,
            ordered_on: Some(self.ordered_on),
            expected_on: None,
            approved_by: None,
            run: None,
            note: None,
            created_at: at.now,
        };
        Some(OrderEntry { order, line })
    }

    fn judge(state: &mut Self::State, entry: &OrderEntry, at: &mut Lookup<'_>) -> Verdict {
        let OrderEntry { order, line } = entry;
        if state.orders.judge(order.id, order_values(order), at) == Verdict::Refused {
            return Verdict::Refused;
        }
        state.lines.judge((line.order, line.part), line_values(line), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        state: &mut Self::State,
        entries: Vec<OrderEntry>,
    ) -> Result<(), StoreError> {
        let (mut orders, mut lines) = (Vec::new(), Vec::new());
        for OrderEntry { order, line } in entries {
            if state.on_record.insert(order.id) {
                orders.push(Order { created_at: recorded_at(author), ..order });
            }
            lines.push(line);
        }
        record::create(transaction, organisation, author, &orders).await?;
        record::create(transaction, organisation, author, &lines).await
    }
}

/// What a file says of a line: what went back later is not in it.
fn line_values(line: &OrderLine) -> Values {
    let mut all = values(line);
    drop(all.remove("returned"));
    all
}

/// What all rows of an order say alike.
fn order_values(order: &Order) -> Values {
    let mut all = values(order);
    ["number", "expected_on", "approved_by", "note"]
        .iter()
        .for_each(|field| drop(all.remove(*field)));
    all
}

/// What a delivery held of an order's part.
pub(super) struct ReceiptEntry {
    order: OrderId,
    received_on: NaiveDate,
    delivery_note: String,
    received_by: Option<PersonId>,
    line: OrderLineId,
    quantity: i64,
    invoiced_minor: Option<i64>,
}

type Delivery = (OrderId, NaiveDate, String);

pub(super) struct ReceiptState {
    known: Known<(Delivery, OrderLineId)>,
    deliveries: HashMap<Delivery, ReceiptId>,
    /// What has not come yet of each order's lines.
    open: HashMap<OrderLineId, i64>,
    ordered_on: HashMap<OrderId, NaiveDate>,
}

fn receipt_values(
    quantity: i64,
    invoiced_minor: Option<i64>,
    received_by: Option<PersonId>,
) -> Values {
    let fields = [
        ("quantity", json!(quantity)),
        ("invoiced_minor", json!(invoiced_minor)),
        ("received_by", json!(received_by)),
    ];
    fields.into_iter().map(|(field, value)| (field.to_owned(), value)).collect()
}

impl Loaded for ReceiptRow {
    type Entry = ReceiptEntry;
    type State = ReceiptState;
    const NEEDS: &'static [Needs] = &[Needs::Orders, Needs::Parts, Needs::People];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let receipts: HashMap<ReceiptId, Receipt> =
            record::all::<Receipt>(transaction, organisation)
                .await?
                .into_iter()
                .map(|receipt| (receipt.id, receipt))
                .collect();
        let delivery = |receipt: &Receipt| -> Option<Delivery> {
            Some((receipt.order, receipt.received_on, receipt.delivery_note.clone()?))
        };
        let lines = record::all::<ReceiptLine>(transaction, organisation).await?;
        let mut came: HashMap<OrderLineId, i64> = HashMap::new();
        for line in &lines {
            *came.entry(line.line).or_default() += line.quantity;
        }
        let open = record::all::<OrderLine>(transaction, organisation).await?.into_iter();
        let open = open
            .map(|line| (line.id, line.open(came.get(&line.id).copied().unwrap_or(0))))
            .collect();
        let orders = record::all::<Order>(transaction, organisation).await?.into_iter();
        let ordered_on = orders.filter_map(|order| Some((order.id, order.ordered_on?))).collect();
        let known = Known::new(lines.iter().filter_map(|line| {
            let receipt = receipts.get(&line.receipt)?;
            let values = receipt_values(line.quantity, line.invoiced_minor, receipt.received_by);
            Some(((delivery(receipt)?, line.line), values))
        }));
        let deliveries =
            receipts.values().filter_map(|one| Some((delivery(one)?, one.id))).collect();
        Ok(ReceiptState { known, deliveries, open, ordered_on })
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<ReceiptEntry> {
        let order = at.order("order", &self.order);
        let part = at.part("part", &self.part);
        let received_by = at.optional("received_by", self.received_by.as_deref(), Lookup::person);
        let (order, part) = (order?, part?);
        let line = at.order_line(order.id, part, &self.part)?;
        if self.invoiced.is_some_and(|money| !at.same_currency(order.currency, money.currency)) {
            return None;
        }
        Some(ReceiptEntry {
            order: order.id,
            received_on: self.received_on,
            delivery_note: self.delivery_note,
            received_by: received_by?,
            line,
            quantity: i64::from(self.quantity),
            invoiced_minor: self.invoiced.map(|money| money.minor),
        })
    }

    fn judge(state: &mut Self::State, entry: &ReceiptEntry, at: &mut Lookup<'_>) -> Verdict {
        let values = receipt_values(entry.quantity, entry.invoiced_minor, entry.received_by);
        let verdict = state.known.judge((entry.delivery(), entry.line), values, at);
        if !matches!(verdict, Verdict::New) {
            return verdict;
        }
        if let Some(ordered_on) = state.ordered_on.get(&entry.order)
            && entry.received_on < *ordered_on
        {
            let message = format!("it was ordered on {ordered_on}");
            let day = entry.received_on.to_string();
            at.refuse("received_on", &day, "received-before-ordered", message);
            return Verdict::Refused;
        }
        let open = state.open.entry(entry.line).or_default();
        if entry.quantity > *open {
            let message = format!(
                "{open} of this line have not come yet; more than was ordered is received on the \
                 order itself, in somebody's name and with the reason"
            );
            let quantity = entry.quantity.to_string();
            at.refuse("quantity", &quantity, "received-more-than-ordered", message);
            return Verdict::Refused;
        }
        *open -= entry.quantity;
        verdict
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        state: &mut Self::State,
        entries: Vec<ReceiptEntry>,
    ) -> Result<(), StoreError> {
        let (mut receipts, mut lines) = (Vec::new(), Vec::new());
        for entry in entries {
            let receipt = *state.deliveries.entry(entry.delivery()).or_insert_with(|| {
                let id = ReceiptId::fresh();
                receipts.push(Receipt {
                    id,
                    order: entry.order,
                    received_on: entry.received_on,
                    delivery_note: Some(entry.delivery_note.clone()),
                    received_by: entry.received_by,
                    recorded_at: recorded_at(author),
                });
                id
            });
            lines.push(ReceiptLine {
                id: ReceiptLineId::fresh(),
                receipt,
                line: entry.line,
                quantity: entry.quantity,
                invoiced_minor: entry.invoiced_minor,
                accepted: None,
            });
        }
        record::append(transaction, organisation, &receipts).await?;
        record::append(transaction, organisation, &lines).await
    }
}

impl ReceiptEntry {
    fn delivery(&self) -> Delivery {
        (self.order, self.received_on, self.delivery_note.clone())
    }
}
