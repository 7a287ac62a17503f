//! Rows of `fleet::part`.

use fleet::id::{
    EngineId, JobId, KitLineId, LotId, OrganisationId, PartId, PersonId, ReceiptLineId,
    ReservationId, SiteId, StockLevelId, StockMoveId, SupersessionId,
};
use fleet::part::{KitLine, Lot, Part, Reservation, StockLevel, StockMove, Supersession};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{
    kit_lines, lots, parts, reservations, stock_levels, stock_moves, supersessions,
};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::{to_microseconds, word};

impl Record for Part {
    type Entity = parts::Entity;
    type Row = parts::Model;
    type Id = PartId;
    const ORGANISATION: parts::Column = parts::Column::OrganisationId;
    const ID: parts::Column = parts::Column::Id;
    const NOUN: &'static str = "part";

    fn id(&self) -> PartId {
        self.id
    }

    fn key(id: PartId) -> Uuid {
        id.0
    }

    fn from_row(row: parts::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: PartId(row.id),
            version: row.version,
            number: row.number,
            maker: row.maker,
            name: row.name,
            kind: word(&row.kind)?,
            unit: word(&row.unit)?,
            compound: row.compound,
            shelf_life_months: row.shelf_life_months,
            shelf_life_source: row.shelf_life_source,
            sealing: row.sealing,
            returnable: row.returnable,
            boat_days_lost_hundredths: row.boat_days_lost_hundredths,
            family: row.family,
            archived: row.archived,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> parts::Model {
        parts::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            number: self.number.clone(),
            maker: self.maker.clone(),
            name: self.name.clone(),
            kind: self.kind.as_str().to_owned(),
            unit: self.unit.as_str().to_owned(),
            compound: self.compound.clone(),
            shelf_life_months: self.shelf_life_months,
            shelf_life_source: self.shelf_life_source.clone(),
            sealing: self.sealing,
            returnable: self.returnable,
            boat_days_lost_hundredths: self.boat_days_lost_hundredths,
            family: self.family.clone(),
            archived: self.archived,
        }
    }
}

impl Shared for Part {
    const VERSION: parts::Column = parts::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for KitLine {
    type Entity = kit_lines::Entity;
    type Row = kit_lines::Model;
    type Id = KitLineId;
    const ORGANISATION: kit_lines::Column = kit_lines::Column::OrganisationId;
    const ID: kit_lines::Column = kit_lines::Column::Id;
    const NOUN: &'static str = "kit line";

    fn id(&self) -> KitLineId {
        self.id
    }

    fn key(id: KitLineId) -> Uuid {
        id.0
    }

    fn from_row(row: kit_lines::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: KitLineId(row.id),
            version: row.version,
            kit: PartId(row.kit_id),
            part: PartId(row.part_id),
            quantity: row.quantity,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> kit_lines::Model {
        kit_lines::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            kit_id: self.kit.0,
            part_id: self.part.0,
            quantity: self.quantity,
        }
    }
}

impl Shared for KitLine {
    const VERSION: kit_lines::Column = kit_lines::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for Supersession {
    type Entity = supersessions::Entity;
    type Row = supersessions::Model;
    type Id = SupersessionId;
    const ORGANISATION: supersessions::Column = supersessions::Column::OrganisationId;
    const ID: supersessions::Column = supersessions::Column::Id;
    const NOUN: &'static str = "supersession";

    fn id(&self) -> SupersessionId {
        self.id
    }

    fn key(id: SupersessionId) -> Uuid {
        id.0
    }

    fn from_row(row: supersessions::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: SupersessionId(row.id),
            version: row.version,
            old_part: PartId(row.old_part_id),
            new_part: PartId(row.new_part_id),
            two_way: row.two_way,
            new_for_old_numerator: row.new_for_old_numerator,
            new_for_old_denominator: row.new_for_old_denominator,
            use_up_old: row.use_up_old,
            effective_on: row.effective_on,
            source: row.source,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> supersessions::Model {
        supersessions::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            old_part_id: self.old_part.0,
            new_part_id: self.new_part.0,
            two_way: self.two_way,
            new_for_old_numerator: self.new_for_old_numerator,
            new_for_old_denominator: self.new_for_old_denominator,
            use_up_old: self.use_up_old,
            effective_on: self.effective_on,
            source: self.source.clone(),
        }
    }
}

impl Shared for Supersession {
    const VERSION: supersessions::Column = supersessions::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for Lot {
    type Entity = lots::Entity;
    type Row = lots::Model;
    type Id = LotId;
    const ORGANISATION: lots::Column = lots::Column::OrganisationId;
    const ID: lots::Column = lots::Column::Id;
    const NOUN: &'static str = "lot";

    fn id(&self) -> LotId {
        self.id
    }

    fn key(id: LotId) -> Uuid {
        id.0
    }

    fn from_row(row: lots::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: LotId(row.id),
            version: row.version,
            part: PartId(row.part_id),
            code: row.code,
            cured_on: row.cured_on,
            received_on: row.received_on,
            expires_on: row.expires_on,
            dated_by: word(&row.dated_by)?,
            condition: word(&row.condition)?,
            donor: row.donor_id.map(EngineId),
            receipt_line: row.receipt_line_id.map(ReceiptLineId),
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> lots::Model {
        lots::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            part_id: self.part.0,
            code: self.code.clone(),
            cured_on: self.cured_on,
            received_on: self.received_on,
            expires_on: self.expires_on,
            dated_by: self.dated_by.as_str().to_owned(),
            condition: self.condition.as_str().to_owned(),
            donor_id: self.donor.map(|id| id.0),
            receipt_line_id: self.receipt_line.map(|id| id.0),
        }
    }
}

impl Shared for Lot {
    const VERSION: lots::Column = lots::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for StockMove {
    type Entity = stock_moves::Entity;
    type Row = stock_moves::Model;
    type Id = StockMoveId;
    const ORGANISATION: stock_moves::Column = stock_moves::Column::OrganisationId;
    const ID: stock_moves::Column = stock_moves::Column::Id;
    const NOUN: &'static str = "stock move";

    fn id(&self) -> StockMoveId {
        self.id
    }

    fn key(id: StockMoveId) -> Uuid {
        id.0
    }

    fn from_row(row: stock_moves::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: StockMoveId(row.id),
            part: PartId(row.part_id),
            site: SiteId(row.site_id),
            lot: row.lot_id.map(LotId),
            kind: word(&row.kind)?,
            quantity: row.quantity,
            moved_at: row.moved_at,
            job: row.job_id.map(JobId),
            receipt_line: row.receipt_line_id.map(ReceiptLineId),
            moved_by: row.moved_by_id.map(PersonId),
            together: row.together,
            reason: row.reason,
            reference: row.reference,
            recorded_at: row.recorded_at,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> stock_moves::Model {
        stock_moves::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            part_id: self.part.0,
            site_id: self.site.0,
            lot_id: self.lot.map(|id| id.0),
            kind: self.kind.as_str().to_owned(),
            quantity: self.quantity,
            moved_at: to_microseconds(self.moved_at),
            job_id: self.job.map(|id| id.0),
            receipt_line_id: self.receipt_line.map(|id| id.0),
            moved_by_id: self.moved_by.map(|id| id.0),
            together: self.together,
            reason: self.reason.clone(),
            reference: self.reference.clone(),
            recorded_at: to_microseconds(self.recorded_at),
        }
    }
}

impl Record for StockLevel {
    type Entity = stock_levels::Entity;
    type Row = stock_levels::Model;
    type Id = StockLevelId;
    const ORGANISATION: stock_levels::Column = stock_levels::Column::OrganisationId;
    const ID: stock_levels::Column = stock_levels::Column::Id;
    const NOUN: &'static str = "stock level";

    fn id(&self) -> StockLevelId {
        self.id
    }

    fn key(id: StockLevelId) -> Uuid {
        id.0
    }

    fn from_row(row: stock_levels::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: StockLevelId(row.id),
            part: PartId(row.part_id),
            site: SiteId(row.site_id),
            on_hand: row.on_hand,
            reserved: row.reserved,
            bin: row.bin,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> stock_levels::Model {
        stock_levels::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            part_id: self.part.0,
            site_id: self.site.0,
            on_hand: self.on_hand,
            reserved: self.reserved,
            bin: self.bin.clone(),
        }
    }
}

impl Record for Reservation {
    type Entity = reservations::Entity;
    type Row = reservations::Model;
    type Id = ReservationId;
    const ORGANISATION: reservations::Column = reservations::Column::OrganisationId;
    const ID: reservations::Column = reservations::Column::Id;
    const NOUN: &'static str = "reservation";

    fn id(&self) -> ReservationId {
        self.id
    }

    fn key(id: ReservationId) -> Uuid {
        id.0
    }

    fn from_row(row: reservations::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: ReservationId(row.id),
            version: row.version,
            job: JobId(row.job_id),
            part: PartId(row.part_id),
            site: SiteId(row.site_id),
            lot: row.lot_id.map(LotId),
            quantity: row.quantity,
            status: word(&row.status)?,
            reserved_at: row.reserved_at,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> reservations::Model {
        reservations::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            job_id: self.job.0,
            part_id: self.part.0,
            site_id: self.site.0,
            lot_id: self.lot.map(|id| id.0),
            quantity: self.quantity,
            status: self.status.as_str().to_owned(),
            reserved_at: to_microseconds(self.reserved_at),
        }
    }
}

impl Shared for Reservation {
    const VERSION: reservations::Column = reservations::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}
