//! Rows of `fleet::supplier`.

use fleet::id::{
    LeadTimeId, OrganisationId, PartId, SupplierId, SupplierSeasonId, TermBreakId, TermId,
};
use fleet::supplier::{LeadTime, Supplier, SupplierSeason, Term, TermBreak};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{lead_times, supplier_seasons, suppliers, term_breaks, terms};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::{currency, money, optional_word, word};

impl Record for Supplier {
    type Entity = suppliers::Entity;
    type Row = suppliers::Model;
    type Id = SupplierId;
    const ORGANISATION: suppliers::Column = suppliers::Column::OrganisationId;
    const ID: suppliers::Column = suppliers::Column::Id;
    const NOUN: &'static str = "supplier";

    fn id(&self) -> SupplierId {
        self.id
    }

    fn key(id: SupplierId) -> Uuid {
        id.0
    }

    fn from_row(row: suppliers::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: SupplierId(row.id),
            version: row.version,
            name: row.name,
            currency: currency(&row.currency)?,
            order_minimum_minor: row.order_minimum_minor,
            freight_minor: row.freight_minor,
            order_cost_minor: row.order_cost_minor,
            review_days: row.review_days,
            note: row.note,
            archived: row.archived,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> suppliers::Model {
        suppliers::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            name: self.name.clone(),
            currency: self.currency.code().to_owned(),
            order_minimum_minor: self.order_minimum_minor,
            freight_minor: self.freight_minor,
            order_cost_minor: self.order_cost_minor,
            review_days: self.review_days,
            note: self.note.clone(),
            archived: self.archived,
        }
    }
}

impl Shared for Supplier {
    const VERSION: suppliers::Column = suppliers::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for SupplierSeason {
    type Entity = supplier_seasons::Entity;
    type Row = supplier_seasons::Model;
    type Id = SupplierSeasonId;
    const ORGANISATION: supplier_seasons::Column = supplier_seasons::Column::OrganisationId;
    const ID: supplier_seasons::Column = supplier_seasons::Column::Id;
    const NOUN: &'static str = "supplier season";

    fn id(&self) -> SupplierSeasonId {
        self.id
    }

    fn key(id: SupplierSeasonId) -> Uuid {
        id.0
    }

    fn from_row(row: supplier_seasons::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: SupplierSeasonId(row.id),
            version: row.version,
            supplier: SupplierId(row.supplier_id),
            opens_on: row.opens_on,
            closes_on: row.closes_on,
            ships_on: row.ships_on,
            discount_permille: row.discount_permille,
            minimum_minor: row.minimum_minor,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> supplier_seasons::Model {
        supplier_seasons::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            supplier_id: self.supplier.0,
            opens_on: self.opens_on,
            closes_on: self.closes_on,
            ships_on: self.ships_on,
            discount_permille: self.discount_permille,
            minimum_minor: self.minimum_minor,
        }
    }
}

impl Shared for SupplierSeason {
    const VERSION: supplier_seasons::Column = supplier_seasons::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for Term {
    type Entity = terms::Entity;
    type Row = terms::Model;
    type Id = TermId;
    const ORGANISATION: terms::Column = terms::Column::OrganisationId;
    const ID: terms::Column = terms::Column::Id;
    const NOUN: &'static str = "term";

    fn id(&self) -> TermId {
        self.id
    }

    fn key(id: TermId) -> Uuid {
        id.0
    }

    fn from_row(row: terms::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: TermId(row.id),
            version: row.version,
            part: PartId(row.part_id),
            supplier: SupplierId(row.supplier_id),
            supplier_number: row.supplier_number,
            pack: row.pack,
            minimum: row.minimum,
            price: money(row.price_minor, &row.price_currency)?,
            price_units: row.price_units,
            lead_days_median: row.lead_days_median,
            lead_days_worst: row.lead_days_worst,
            review_days: row.review_days,
            policy: optional_word(row.policy.as_deref())?,
            target_permille: row.target_permille,
            valid_from: row.valid_from,
            valid_until: row.valid_until,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> terms::Model {
        terms::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            part_id: self.part.0,
            supplier_id: self.supplier.0,
            supplier_number: self.supplier_number.clone(),
            pack: self.pack,
            minimum: self.minimum,
            price_minor: self.price.minor,
            price_currency: self.price.currency.code().to_owned(),
            price_units: self.price_units,
            lead_days_median: self.lead_days_median,
            lead_days_worst: self.lead_days_worst,
            review_days: self.review_days,
            policy: self.policy.map(|word| word.as_str().to_owned()),
            target_permille: self.target_permille,
            valid_from: self.valid_from,
            valid_until: self.valid_until,
        }
    }
}

impl Shared for Term {
    const VERSION: terms::Column = terms::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for TermBreak {
    type Entity = term_breaks::Entity;
    type Row = term_breaks::Model;
    type Id = TermBreakId;
    const ORGANISATION: term_breaks::Column = term_breaks::Column::OrganisationId;
    const ID: term_breaks::Column = term_breaks::Column::Id;
    const NOUN: &'static str = "term break";

    fn id(&self) -> TermBreakId {
        self.id
    }

    fn key(id: TermBreakId) -> Uuid {
        id.0
    }

    fn from_row(row: term_breaks::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: TermBreakId(row.id),
            version: row.version,
            term: TermId(row.term_id),
            quantity_from: row.quantity_from,
            price_minor: row.price_minor,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> term_breaks::Model {
        term_breaks::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            term_id: self.term.0,
            quantity_from: self.quantity_from,
            price_minor: self.price_minor,
        }
    }
}

impl Shared for TermBreak {
    const VERSION: term_breaks::Column = term_breaks::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for LeadTime {
    type Entity = lead_times::Entity;
    type Row = lead_times::Model;
    type Id = LeadTimeId;
    const ORGANISATION: lead_times::Column = lead_times::Column::OrganisationId;
    const ID: lead_times::Column = lead_times::Column::Id;
    const NOUN: &'static str = "lead time";

    fn id(&self) -> LeadTimeId {
        self.id
    }

    fn key(id: LeadTimeId) -> Uuid {
        id.0
    }

    fn from_row(row: lead_times::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: LeadTimeId(row.id),
            version: row.version,
            supplier: SupplierId(row.supplier_id),
            part: row.part_id.map(PartId),
            month: row.month,
            days_median: row.days_median,
            days_worst: row.days_worst,
            sample: row.sample,
            basis: word(&row.basis)?,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> lead_times::Model {
        lead_times::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            supplier_id: self.supplier.0,
            part_id: self.part.map(|id| id.0),
            month: self.month,
            days_median: self.days_median,
            days_worst: self.days_worst,
            sample: self.sample,
            basis: self.basis.as_str().to_owned(),
        }
    }
}

impl Shared for LeadTime {
    const VERSION: lead_times::Column = lead_times::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}
