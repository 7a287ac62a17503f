//! Parts, kits, supersessions, lots and the stock ledger.

use crate::problem::Problem;
use crate::resource::{Changeable, Checked, Resource, Shown};
use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use fleet::id::{KitLineId, OrganisationId, PartId, SupersessionId};
use fleet::part::{
    DatedBy, KitLine, Lot, LotCondition, MoveKind, Part, PartKind, Reservation, ReservationStatus,
    StockLevel, StockMove, Supersession, Unit,
};
use fleet::person::Role;
use fleet::supersession::Supersessions;
use serde::{Deserialize, Serialize};
use store::{Transaction, record, ring};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one part.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Part)]
pub struct PartFields {
    pub number: String,
    pub maker: Option<String>,
    pub name: String,
    #[schema(value_type = String)]
    pub kind: PartKind,
    #[schema(value_type = String)]
    pub unit: Unit,
    pub compound: Option<String>,
    pub shelf_life_months: Option<i32>,
    pub shelf_life_source: Option<String>,
    pub sealing: bool,
    pub returnable: bool,
    pub boat_days_lost_hundredths: Option<i32>,
    pub family: Option<String>,
    pub archived: bool,
}

impl Resource for PartFields {
    type Noun = Part;
    const PATH: &'static str = "/parts";
    const NAME: &'static str = "Part";

    fn show(noun: Part) -> Shown<Self> {
        let Part {
            id,
            version,
            number,
            maker,
            name,
            kind,
            unit,
            compound,
            shelf_life_months,
            shelf_life_source,
            sealing,
            returnable,
            boat_days_lost_hundredths,
            family,
            archived,
        } = noun;
        let fields = Self {
            number,
            maker,
            name,
            kind,
            unit,
            compound,
            shelf_life_months,
            shelf_life_source,
            sealing,
            returnable,
            boat_days_lost_hundredths,
            family,
            archived,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for PartFields {
    const WRITES: Role = Role::Buyer;

    fn build(self, id: Uuid, version: i64) -> Result<Part, Problem> {
        let Self {
            number,
            maker,
            name,
            kind,
            unit,
            compound,
            shelf_life_months,
            shelf_life_source,
            sealing,
            returnable,
            boat_days_lost_hundredths,
            family,
            archived,
        } = self;
        Ok(Part {
            id: PartId(id),
            version,
            number,
            maker,
            name,
            kind,
            unit,
            compound,
            shelf_life_months,
            shelf_life_source,
            sealing,
            returnable,
            boat_days_lost_hundredths,
            family,
            archived,
        })
    }
}

/// The fields of one kit line.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = KitLine)]
pub struct KitLineFields {
    pub kit: Uuid,
    pub part: Uuid,
    pub quantity: i64,
}

impl Resource for KitLineFields {
    type Noun = KitLine;
    const PATH: &'static str = "/kit-lines";
    const NAME: &'static str = "KitLine";

    fn show(noun: KitLine) -> Shown<Self> {
        let KitLine { id, version, kit, part, quantity } = noun;
        let fields = Self { kit: kit.0, part: part.0, quantity };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for KitLineFields {
    const WRITES: Role = Role::Buyer;

    fn build(self, id: Uuid, version: i64) -> Result<KitLine, Problem> {
        let Self { kit, part, quantity } = self;
        Ok(KitLine { id: KitLineId(id), version, kit: PartId(kit), part: PartId(part), quantity })
    }

    fn check<'a>(
        transaction: &'a Transaction,
        organisation: OrganisationId,
        line: &'a KitLine,
    ) -> Checked<'a> {
        Box::pin(async move {
            let mut holds: HashMap<PartId, Vec<PartId>> = HashMap::new();
            for line in record::all::<KitLine>(transaction, organisation).await? {
                holds.entry(line.kit).or_default().push(line.part);
            }
            match ring::way(line.part, line.kit, |part| holds.get(&part)) {
                None => Ok(()),
                Some(_) => {
                    let message = "a kit can't hold itself";
                    Err(Problem::of_field("kit-loop", "part", line.part, message))
                }
            }
        })
    }
}

/// The fields of one supersession.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Supersession)]
pub struct SupersessionFields {
    pub old_part: Uuid,
    pub new_part: Uuid,
    pub two_way: bool,
    pub new_for_old_numerator: i32,
    pub new_for_old_denominator: i32,
    pub use_up_old: bool,
    pub effective_on: NaiveDate,
    pub source: Option<String>,
}

impl Resource for SupersessionFields {
    type Noun = Supersession;
    const PATH: &'static str = "/supersessions";
    const NAME: &'static str = "Supersession";

    fn show(noun: Supersession) -> Shown<Self> {
        let Supersession {
            id,
            version,
            old_part,
            new_part,
            two_way,
            new_for_old_numerator,
            new_for_old_denominator,
            use_up_old,
            effective_on,
            source,
        } = noun;
        let fields = Self {
            old_part: old_part.0,
            new_part: new_part.0,
            two_way,
            new_for_old_numerator,
            new_for_old_denominator,
            use_up_old,
            effective_on,
            source,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for SupersessionFields {
    const WRITES: Role = Role::Buyer;

    fn build(self, id: Uuid, version: i64) -> Result<Supersession, Problem> {
        let Self {
            old_part,
            new_part,
            two_way,
            new_for_old_numerator,
            new_for_old_denominator,
            use_up_old,
            effective_on,
            source,
        } = self;
        Ok(Supersession {
            id: SupersessionId(id),
            version,
            old_part: PartId(old_part),
            new_part: PartId(new_part),
            two_way,
            new_for_old_numerator,
            new_for_old_denominator,
            use_up_old,
            effective_on,
            source,
        })
    }

    /// No part follows itself, over however many others.
    fn check<'a>(
        transaction: &'a Transaction,
        organisation: OrganisationId,
        _: &'a Supersession,
    ) -> Checked<'a> {
        Box::pin(async move {
            let all: Vec<Supersession> = record::all(transaction, organisation).await?;
            let rules: Vec<_> = all.iter().map(Supersession::rule).collect();
            match Supersessions::new(&rules) {
                Ok(_) => Ok(()),
                Err(error) => Err(Problem::rule(error.rule(), error.to_string())),
            }
        })
    }
}

/// The fields of one lot.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Lot)]
pub struct LotFields {
    pub part: Uuid,
    pub code: Option<String>,
    pub cured_on: Option<NaiveDate>,
    pub received_on: Option<NaiveDate>,
    pub expires_on: Option<NaiveDate>,
    #[schema(value_type = String)]
    pub dated_by: DatedBy,
    #[schema(value_type = String)]
    pub condition: LotCondition,
    pub donor: Option<Uuid>,
    pub receipt_line: Option<Uuid>,
}

impl Resource for LotFields {
    type Noun = Lot;
    const PATH: &'static str = "/lots";
    const NAME: &'static str = "Lot";

    fn show(noun: Lot) -> Shown<Self> {
        let Lot {
            id,
            version,
            part,
            code,
            cured_on,
            received_on,
            expires_on,
            dated_by,
            condition,
            donor,
            receipt_line,
        } = noun;
        let fields = Self {
            part: part.0,
            code,
            cured_on,
            received_on,
            expires_on,
            dated_by,
            condition,
            donor: donor.map(|x| x.0),
            receipt_line: receipt_line.map(|x| x.0),
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

/// The fields of one stock move.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = StockMove)]
pub struct StockMoveFields {
    pub part: Uuid,
    pub site: Uuid,
    pub lot: Option<Uuid>,
    #[schema(value_type = String)]
    pub kind: MoveKind,
    pub quantity: i64,
    pub moved_at: DateTime<Utc>,
    pub job: Option<Uuid>,
    pub receipt_line: Option<Uuid>,
    pub moved_by: Option<Uuid>,
    pub together: Option<Uuid>,
    pub reason: Option<String>,
    pub reference: Option<String>,
    pub recorded_at: DateTime<Utc>,
}

impl Resource for StockMoveFields {
    type Noun = StockMove;
    const PATH: &'static str = "/stock-moves";
    const NAME: &'static str = "StockMove";

    fn show(noun: StockMove) -> Shown<Self> {
        let StockMove {
            id,
            part,
            site,
            lot,
            kind,
            quantity,
            moved_at,
            job,
            receipt_line,
            moved_by,
            together,
            reason,
            reference,
            recorded_at,
        } = noun;
        let fields = Self {
            part: part.0,
            site: site.0,
            lot: lot.map(|x| x.0),
            kind,
            quantity,
            moved_at,
            job: job.map(|x| x.0),
            receipt_line: receipt_line.map(|x| x.0),
            moved_by: moved_by.map(|x| x.0),
            together,
            reason,
            reference,
            recorded_at,
        };
        Shown { id: id.0, version: None, fields }
    }
}

/// The fields of one stock level.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = StockLevel)]
pub struct StockLevelFields {
    pub part: Uuid,
    pub site: Uuid,
    pub on_hand: i64,
    pub reserved: i64,
    /// Where it lies.
    pub bin: Option<String>,
}

impl Resource for StockLevelFields {
    type Noun = StockLevel;
    const PATH: &'static str = "/stock-levels";
    const NAME: &'static str = "StockLevel";

    fn show(noun: StockLevel) -> Shown<Self> {
        let StockLevel { id, part, site, on_hand, reserved, bin } = noun;
        let fields = Self { part: part.0, site: site.0, on_hand, reserved, bin };
        Shown { id: id.0, version: None, fields }
    }
}

/// The fields of one reservation.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Reservation)]
pub struct ReservationFields {
    pub job: Uuid,
    pub part: Uuid,
    pub site: Uuid,
    pub lot: Option<Uuid>,
    pub quantity: i64,
    #[schema(value_type = String)]
    pub status: ReservationStatus,
    pub reserved_at: DateTime<Utc>,
}

impl Resource for ReservationFields {
    type Noun = Reservation;
    const PATH: &'static str = "/reservations";
    const NAME: &'static str = "Reservation";

    fn show(noun: Reservation) -> Shown<Self> {
        let Reservation { id, version, job, part, site, lot, quantity, status, reserved_at } = noun;
        let fields = Self {
            job: job.0,
            part: part.0,
            site: site.0,
            lot: lot.map(|x| x.0),
            quantity,
            status,
            reserved_at,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}
