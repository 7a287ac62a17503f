//! Suppliers and what they ask.

use crate::problem::Problem;
use crate::quantity::{Amount, parse_currency};
use crate::resource::{Changeable, Checked, Resource, Shown};
use chrono::NaiveDate;
use fleet::id::{
    LeadTimeId, OrganisationId, PartId, SupplierId, SupplierSeasonId, TermBreakId, TermId,
};
use fleet::person::Role;
use fleet::supplier::{
    LeadTime, LeadTimeBasis, StockPolicy, Supplier, SupplierSeason, Term, TermBreak,
};
use fleet::terms::{LeadTime as LeadDays, LeadTimes};
use serde::{Deserialize, Serialize};
use store::{Transaction, parts, record};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one supplier.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Supplier)]
pub struct SupplierFields {
    pub name: String,
    pub currency: String,
    pub order_minimum_minor: Option<i64>,
    pub freight_minor: Option<i64>,
    pub order_cost_minor: Option<i64>,
    pub review_days: i32,
    pub note: Option<String>,
    pub archived: bool,
}

impl Resource for SupplierFields {
    type Noun = Supplier;
    const PATH: &'static str = "/suppliers";
    const NAME: &'static str = "Supplier";

    fn show(noun: Supplier) -> Shown<Self> {
        let Supplier {
            id,
            version,
            name,
            currency,
            order_minimum_minor,
            freight_minor,
            order_cost_minor,
            review_days,
            note,
            archived,
        } = noun;
        let fields = Self {
            name,
            currency: currency.to_string(),
            order_minimum_minor,
            freight_minor,
            order_cost_minor,
            review_days,
            note,
            archived,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for SupplierFields {
    const WRITES: Role = Role::Buyer;

    fn build(self, id: Uuid, version: i64) -> Result<Supplier, Problem> {
        let Self {
            name,
            currency,
            order_minimum_minor,
            freight_minor,
            order_cost_minor,
            review_days,
            note,
            archived,
        } = self;
        Ok(Supplier {
            id: SupplierId(id),
            version,
            name,
            currency: parse_currency(&currency)?,
            order_minimum_minor,
            freight_minor,
            order_cost_minor,
            review_days,
            note,
            archived,
        })
    }
}

/// The fields of one supplier season.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = SupplierSeason)]
pub struct SupplierSeasonFields {
    pub supplier: Uuid,
    pub opens_on: NaiveDate,
    pub closes_on: NaiveDate,
    pub ships_on: Option<NaiveDate>,
    pub discount_permille: i32,
    pub minimum_minor: Option<i64>,
}

impl Resource for SupplierSeasonFields {
    type Noun = SupplierSeason;
    const PATH: &'static str = "/supplier-seasons";
    const NAME: &'static str = "SupplierSeason";

    fn show(noun: SupplierSeason) -> Shown<Self> {
        let SupplierSeason {
            id,
            version,
            supplier,
            opens_on,
            closes_on,
            ships_on,
            discount_permille,
            minimum_minor,
        } = noun;
        let fields = Self {
            supplier: supplier.0,
            opens_on,
            closes_on,
            ships_on,
            discount_permille,
            minimum_minor,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for SupplierSeasonFields {
    const WRITES: Role = Role::Buyer;

    fn build(self, id: Uuid, version: i64) -> Result<SupplierSeason, Problem> {
        let Self { supplier, opens_on, closes_on, ships_on, discount_permille, minimum_minor } =
            self;
        Ok(SupplierSeason {
            id: SupplierSeasonId(id),
            version,
            supplier: SupplierId(supplier),
            opens_on,
            closes_on,
            ships_on,
            discount_permille,
            minimum_minor,
        })
    }
}

/// The fields of one term.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Term)]
pub struct TermFields {
    pub part: Uuid,
    pub supplier: Uuid,
    pub supplier_number: Option<String>,
    pub pack: i64,
    pub minimum: i64,
    pub price: Amount,
    pub price_units: i64,
    pub lead_days_median: i32,
    pub lead_days_worst: Option<i32>,
    pub review_days: Option<i32>,
    #[schema(value_type = Option<String>)]
    pub policy: Option<StockPolicy>,
    pub target_permille: Option<i32>,
    pub valid_from: NaiveDate,
    pub valid_until: Option<NaiveDate>,
}

impl Resource for TermFields {
    type Noun = Term;
    const PATH: &'static str = "/terms";
    const NAME: &'static str = "Term";

    fn show(noun: Term) -> Shown<Self> {
        let Term {
            id,
            version,
            part,
            supplier,
            supplier_number,
            pack,
            minimum,
            price,
            price_units,
            lead_days_median,
            lead_days_worst,
            review_days,
            policy,
            target_permille,
            valid_from,
            valid_until,
        } = noun;
        let fields = Self {
            part: part.0,
            supplier: supplier.0,
            supplier_number,
            pack,
            minimum,
            price: Amount::show(price),
            price_units,
            lead_days_median,
            lead_days_worst,
            review_days,
            policy,
            target_permille,
            valid_from,
            valid_until,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for TermFields {
    const WRITES: Role = Role::Buyer;

    fn build(self, id: Uuid, version: i64) -> Result<Term, Problem> {
        let Self {
            part,
            supplier,
            supplier_number,
            pack,
            minimum,
            price,
            price_units,
            lead_days_median,
            lead_days_worst,
            review_days,
            policy,
            target_permille,
            valid_from,
            valid_until,
        } = self;
        let term = Term {
            id: TermId(id),
            version,
            part: PartId(part),
            supplier: SupplierId(supplier),
            supplier_number,
            pack,
            minimum,
            price: price.build()?,
            price_units,
            lead_days_median,
            lead_days_worst,
            review_days,
            policy,
            target_permille,
            valid_from,
            valid_until,
        };
        in_order(&term, &[])?;
        Ok(term)
    }

    fn check<'a>(
        transaction: &'a Transaction,
        organisation: OrganisationId,
        term: &'a Term,
    ) -> Checked<'a> {
        Box::pin(check_terms(transaction, organisation, term))
    }
}

/// Pack, price and breaks as a buyer would use them.
async fn check_terms(
    transaction: &Transaction,
    organisation: OrganisationId,
    term: &Term,
) -> Result<(), Problem> {
    let supplier: Supplier = record::get(transaction, organisation, term.supplier).await?;
    if supplier.currency != term.price.currency {
        let detail = format!(
            "{} sells in {}; a price in {} can't be on its terms",
            supplier.name, supplier.currency, term.price.currency
        );
        return Err(Problem::rule("currencies-mixed", detail));
    }
    let breaks = parts::term_breaks(transaction, organisation, &[term.id]).await?;
    in_order(term, &breaks)
}

fn in_order(term: &Term, breaks: &[TermBreak]) -> Result<(), Problem> {
    let checked = term.in_bought_units(breaks, LeadTimes::all_year(LeadDays::fixed(0)), None);
    checked.map(drop).map_err(|error| Problem::rule(error.rule(), error.to_string()))
}

/// The fields of one term break.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = TermBreak)]
pub struct TermBreakFields {
    pub term: Uuid,
    pub quantity_from: i64,
    pub price_minor: i64,
}

impl Resource for TermBreakFields {
    type Noun = TermBreak;
    const PATH: &'static str = "/term-breaks";
    const NAME: &'static str = "TermBreak";

    fn show(noun: TermBreak) -> Shown<Self> {
        let TermBreak { id, version, term, quantity_from, price_minor } = noun;
        let fields = Self { term: term.0, quantity_from, price_minor };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for TermBreakFields {
    const WRITES: Role = Role::Buyer;

    fn build(self, id: Uuid, version: i64) -> Result<TermBreak, Problem> {
        let Self { term, quantity_from, price_minor } = self;
        Ok(TermBreak {
            id: TermBreakId(id),
            version,
            term: TermId(term),
            quantity_from,
            price_minor,
        })
    }

    fn check<'a>(
        transaction: &'a Transaction,
        organisation: OrganisationId,
        step: &'a TermBreak,
    ) -> Checked<'a> {
        Box::pin(async move {
            let term: Term = record::get(transaction, organisation, step.term).await?;
            check_terms(transaction, organisation, &term).await
        })
    }
}

/// The fields of one lead time.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = LeadTime)]
pub struct LeadTimeFields {
    pub supplier: Uuid,
    pub part: Option<Uuid>,
    pub month: i32,
    pub days_median: i32,
    pub days_worst: i32,
    pub sample: i32,
    #[schema(value_type = String)]
    pub basis: LeadTimeBasis,
}

impl Resource for LeadTimeFields {
    type Noun = LeadTime;
    const PATH: &'static str = "/lead-times";
    const NAME: &'static str = "LeadTime";

    fn show(noun: LeadTime) -> Shown<Self> {
        let LeadTime { id, version, supplier, part, month, days_median, days_worst, sample, basis } =
            noun;
        let fields = Self {
            supplier: supplier.0,
            part: part.map(|x| x.0),
            month,
            days_median,
            days_worst,
            sample,
            basis,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for LeadTimeFields {
    const WRITES: Role = Role::Buyer;

    fn build(self, id: Uuid, version: i64) -> Result<LeadTime, Problem> {
        let Self { supplier, part, month, days_median, days_worst, sample, basis } = self;
        Ok(LeadTime {
            id: LeadTimeId(id),
            version,
            supplier: SupplierId(supplier),
            part: part.map(PartId),
            month,
            days_median,
            days_worst,
            sample,
            basis,
        })
    }
}
