//! Moves as people make them: each keeps to its rule and is booked in one transaction.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use fleet::bench::Job;
use fleet::id::{EngineId, JobId, LotId, OrganisationId, PartId, PersonId, SiteId, StockMoveId};
use fleet::kit::{KitError, Kits};
use fleet::part::{DatedBy, KitLine, Lot, LotCondition, MoveKind, Part, PartKind, StockMove};
use fleet::shelf_life::{CureQuarter, ShelfLifeError};
use fleet::stock::{LotOnHand, Overruled, StockError, after_move};
use sea_orm::prelude::Uuid;

use super::shelf::{aged_lots, lot_of, shelves, unsettled};
use super::to_job::{person_behind, purpose_of};
use super::{Vouch, book_as, lock_levels};
use crate::Transaction;
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::value::to_microseconds;
use crate::{parts, sites};

/// Longest chain of kits within kits that is looked into.
const KITS_DEEP_MAX: usize = 20;

/// Why a count takes from a lot what had left the shelf before.
const NO_LOT_NAMED: &str = "left without naming its lot";

/// A part on a shelf.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct At {
    pub part: PartId,
    pub site: SiteId,
    /// `None`: what lies there without a lot.
    pub lot: Option<LotId>,
}

/// What the label, the paper or nothing at all says of a new lot.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct NewLot {
    pub code: Option<String>,
    /// Last day of the quarter of its cure.
    pub cured_on: Option<NaiveDate>,
    /// `None`: nobody knows when it came.
    pub received_on: Option<NaiveDate>,
    pub expires_on: Option<NaiveDate>,
    /// From a donor engine: used, and never for a sealing job.
    pub donor: Option<EngineId>,
}

/// One wish.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wish {
    /// Came in outside an order. Without a lot it is of unknown age.
    Receive {
        part: PartId,
        site: SiteId,
        quantity: i64,
        lot: Option<NewLot>,
    },
    /// To a job: what it was promised, then what expires first; from `lot` where one is named.
    Issue {
        job: JobId,
        part: PartId,
        quantity: i64,
        lot: Option<LotId>,
    },
    /// Back from a job.
    GiveBack {
        job: JobId,
        at: At,
        quantity: i64,
    },
    /// Put right.
    Adjust {
        at: At,
        by: i64,
    },
    /// A kit becomes its loose parts.
    OpenKit {
        at: At,
        kits: i64,
    },
    Transfer {
        at: At,
        to: SiteId,
        quantity: i64,
    },
    /// What is there; the difference is booked.
    Count {
        at: At,
        counted: i64,
        bin: Option<String>,
    },
    /// Thrown away.
    Scrap {
        at: At,
        quantity: i64,
    },
}

/// A wish, who vouches for it and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Order {
    pub wish: Wish,
    pub moved_at: DateTime<Utc>,
    pub reason: Option<String>,
    /// A rule set aside in a person's name.
    pub overruled: Option<Overruled>,
}

/// What was booked.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Booked {
    pub moves: Vec<StockMove>,
    pub lots: Vec<Lot>,
}

impl From<ShelfLifeError> for StoreError {
    fn from(error: ShelfLifeError) -> Self {
        Self::Broken { rule: error.rule(), what: error.to_string() }
    }
}

impl From<KitError> for StoreError {
    fn from(error: KitError) -> Self {
        Self::Broken { rule: error.rule(), what: error.to_string() }
    }
}

/// Carries out a wish. A count that finds what should be there books nothing.
///
/// # Errors
/// `stock-in-future`; `stock-nothing-moved`; `stock-reason-missing` where the kind needs a reason;
/// `stock-below-zero` and `stock-promised` as [`book`] says; `lot-expired`, `lot-age-unknown`,
/// `used-part-for-sealing` for an issue; `received-expired`, `cure-quarter-long-ago`,
/// `cure-quarter-later` for a receipt; `returned-more-than-issued`; `not-a-kit`; `same-site`.
pub async fn carry_out(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    order: Order,
) -> Result<Booked, StoreError> {
    if order.moved_at > who.at {
        let what = format!("nothing was moved at {} yet", order.moved_at);
        return Err(StoreError::Broken { rule: "stock-in-future", what });
    }
    if let Some(overruled) = &order.overruled {
        overruled.check()?;
    }
    let person = person_behind(transaction, organisation, who).await?.map(|person| person.id);
    let by = order.overruled.as_ref().map(|overruled| overruled.by).or(person);
    let Order { wish, moved_at, reason, overruled } = order;
    let reason = reason.or_else(|| overruled.as_ref().map(|one| one.reason.clone()));
    let reason = reason.filter(|reason| !reason.trim().is_empty());
    let hand = Hand { transaction, organisation, who, moved_at, by, reason, overruled };
    match wish {
        Wish::Receive { part, site, quantity, lot } => {
            hand.receive(part, site, quantity, lot).await
        }
        Wish::Issue { job, part, quantity, lot } => hand.issue(job, part, quantity, lot).await,
        Wish::GiveBack { job, at, quantity } => hand.give_back(job, at, quantity).await,
        Wish::Adjust { at, by } => hand.alone(MoveKind::Adjustment, at, by).await,
        Wish::OpenKit { at, kits } => hand.open_kit(at, kits).await,
        Wish::Transfer { at, to, quantity } => hand.transfer(at, to, quantity).await,
        Wish::Count { at, counted, bin } => hand.count(at, counted, bin).await,
        Wish::Scrap { at, quantity } => hand.alone(MoveKind::Scrapped, at, -quantity).await,
    }
}

/// Who moves, when and why.
struct Hand<'a> {
    transaction: &'a Transaction,
    organisation: OrganisationId,
    who: &'a Author,
    moved_at: DateTime<Utc>,
    by: Option<PersonId>,
    reason: Option<String>,
    overruled: Option<Overruled>,
}

impl Hand<'_> {
    fn step(&self, kind: MoveKind, at: At, quantity: i64) -> StockMove {
        StockMove {
            id: StockMoveId::fresh(),
            part: at.part,
            site: at.site,
            lot: at.lot,
            kind,
            quantity,
            moved_at: to_microseconds(self.moved_at),
            job: None,
            receipt_line: None,
            moved_by: self.by,
            together: None,
            reason: self.reason.clone(),
            reference: None,
            recorded_at: to_microseconds(self.who.at),
        }
    }

    async fn keep(&self, moves: Vec<StockMove>, lots: Vec<Lot>) -> Result<Booked, StoreError> {
        for step in &moves {
            // The rules of the kind alone: whether so much is there, the locked level says.
            after_move(step, step.quantity.saturating_abs())?;
        }
        record::create(self.transaction, self.organisation, self.who, &lots).await?;
        let counted = moves.iter().all(|step| step.kind == MoveKind::Count);
        let vouch = match &self.overruled {
            _ if counted => Vouch::Counted,
            Some(_) => Vouch::ByMove,
            None => Vouch::Nobody,
        };
        book_as(self.transaction, self.organisation, vouch, &moves).await?;
        Ok(Booked { moves, lots })
    }

    async fn alone(&self, kind: MoveKind, at: At, quantity: i64) -> Result<Booked, StoreError> {
        self.check_lot(at).await?;
        self.keep(vec![self.step(kind, at, quantity)], Vec::new()).await
    }

    /// A lot is of the part that is named.
    async fn check_lot(&self, at: At) -> Result<(), StoreError> {
        let Some(id) = at.lot else { return Ok(()) };
        let lot = record::get::<Lot>(self.transaction, self.organisation, id).await?;
        if lot.part == at.part {
            return Ok(());
        }
        let what = "this lot is of another part".to_owned();
        Err(StoreError::Broken { rule: "lot-of-another-part", what })
    }

    async fn receive(
        &self,
        part: PartId,
        site: SiteId,
        quantity: i64,
        lot: Option<NewLot>,
    ) -> Result<Booked, StoreError> {
        let known = record::get::<Part>(self.transaction, self.organisation, part).await?;
        let today = sites::today(self.transaction, self.organisation, site, self.who.at).await?;
        let lot = match lot {
            None => None,
            Some(new) => Some(self.new_lot(&known, new, today)?),
        };
        let at = At { part, site, lot: lot.as_ref().map(|lot| lot.id) };
        let step = self.step(MoveKind::Receipt, at, quantity);
        self.keep(vec![step], lot.into_iter().collect()).await
    }

    fn new_lot(&self, part: &Part, new: NewLot, today: NaiveDate) -> Result<Lot, StoreError> {
        let NewLot { code, cured_on, received_on, expires_on, donor } = new;
        if let Some(received_on) = received_on.filter(|day| *day > today) {
            let what = format!("nothing was received on {received_on} yet");
            return Err(StoreError::Broken { rule: "stock-in-future", what });
        }
        // Without a day of receipt it was there today at the latest.
        let known_on = received_on.unwrap_or(today);
        if let Some(cured) = cured_on.map(CureQuarter::of)
            && cured > CureQuarter::of(known_on)
        {
            return Err(ShelfLifeError::CuredLater { cured, known_on }.into());
        }
        let dated_by = match (expires_on, cured_on, received_on) {
            (Some(_), ..) => DatedBy::Label,
            (None, Some(_), _) => DatedBy::Cure,
            (None, None, Some(_)) => DatedBy::Receipt,
            (None, None, None) => DatedBy::Unknown,
        };
        let condition = if donor.is_some() { LotCondition::Used } else { LotCondition::New };
        let lot = Lot {
            id: LotId::fresh(),
            version: 1,
            part: part.id,
            code,
            cured_on,
            received_on,
            expires_on,
            dated_by,
            condition,
            donor,
            receipt_line: None,
        };
        let months = part.shelf_life_months.and_then(|months| u32::try_from(months).ok());
        let lot = lot.aged(months);
        lot.check_receipt(known_on, self.overruled.as_ref())?;
        Ok(lot)
    }

    async fn issue(
        &self,
        job: JobId,
        part: PartId,
        quantity: i64,
        lot: Option<LotId>,
    ) -> Result<Booked, StoreError> {
        let job = record::get::<Job>(self.transaction, self.organisation, job).await?;
        if quantity < 1 {
            return Err(StockError::NothingMoved.into());
        }
        if job.status.is_closed() {
            let what = format!("job {} is {}; nothing goes to it any more", job.number, job.status);
            return Err(StoreError::Broken { rule: "job-closed", what });
        }
        let today =
            sites::today(self.transaction, self.organisation, job.site, self.who.at).await?;
        let Some(lot) = lot else {
            let (who, to) = (self.who, (&job, part));
            let organisation = self.organisation;
            let moves =
                super::issue(self.transaction, organisation, who, to, quantity, today).await?;
            return Ok(Booked { moves, lots: Vec::new() });
        };
        let at = At { part, site: job.site, lot: Some(lot) };
        self.check_lot(at).await?;
        let lots = aged_lots(self.transaction, self.organisation, &[part]).await?;
        let purpose = purpose_of(self.transaction, self.organisation, part).await?;
        for known in lots.iter().filter(|known| known.id == lot) {
            known.check_issue(purpose, today, self.overruled.as_ref())?;
        }
        super::to_job::take_promised_lot(
            self.transaction,
            self.organisation,
            self.who,
            (job.id, at),
            quantity,
        )
        .await?;
        let step = StockMove { job: Some(job.id), ..self.step(MoveKind::Issue, at, -quantity) };
        self.keep(vec![step], Vec::new()).await
    }

    async fn give_back(&self, job: JobId, at: At, quantity: i64) -> Result<Booked, StoreError> {
        record::lock::<Job>(self.transaction, self.organisation, job).await?;
        self.check_lot(at).await?;
        let issued = super::issued_to(self.transaction, self.organisation, &[job]).await?;
        let issued = issued.get(&(job, at.part)).copied().unwrap_or(0);
        if quantity > issued {
            let what = format!("{quantity} can't come back of {issued} issued to this job");
            return Err(StoreError::Broken { rule: "returned-more-than-issued", what });
        }
        let step = StockMove { job: Some(job), ..self.step(MoveKind::Return, at, quantity) };
        self.keep(vec![step], Vec::new()).await
    }

    async fn transfer(&self, at: At, to: SiteId, quantity: i64) -> Result<Booked, StoreError> {
        if at.site == to {
            let what = "a transfer goes to another site".to_owned();
            return Err(StoreError::Broken { rule: "same-site", what });
        }
        if quantity < 1 {
            return Err(StockError::NothingMoved.into());
        }
        self.check_lot(at).await?;
        let together = Some(Uuid::now_v7());
        let out = self.step(MoveKind::Transfer, at, -quantity);
        let there = self.step(MoveKind::Transfer, At { site: to, ..at }, quantity);
        let moves = [out, there].map(|step| StockMove { together, ..step });
        self.keep(moves.to_vec(), Vec::new()).await
    }

    async fn count(&self, at: At, counted: i64, bin: Option<String>) -> Result<Booked, StoreError> {
        if counted < 0 {
            return Err(StockError::Negative { on_hand: 0, taken: -counted }.into());
        }
        self.check_lot(at).await?;
        record::get::<Part>(self.transaction, self.organisation, at.part).await?;
        let place = (at.part, at.site);
        lock_levels(self.transaction, self.organisation, &[place]).await?;
        if let Some(bin) = bin {
            super::keep_bin(self.transaction, self.organisation, self.who, place, &bin).await?;
        }
        let shelf = shelves(self.transaction, self.organisation, at.site, &[at.part]).await?;
        let shelf = shelf.get(&at.part).map_or(&[][..], Vec::as_slice);
        let found = shelf.iter().find(|one| lot_of(one.lot.id) == at.lot);
        let there = found.map_or(0, |one| i64::from(one.on_hand));
        if counted == there {
            return Ok(Booked::default());
        }
        let step = self.step(MoveKind::Count, at, counted - there);
        if step.reason.is_none() {
            let what = format!("{there} should be there and {counted} is; say why");
            return Err(StoreError::Broken { rule: "stock-reason-missing", what });
        }
        let (site, part) = (at.site, at.part);
        let before = unsettled(self.transaction, self.organisation, site, part).await?;
        let settled = before.into_iter().map(|(lot, change)| StockMove {
            reason: Some(NO_LOT_NAMED.to_owned()),
            ..self.step(MoveKind::Count, At { lot, ..at }, change)
        });
        let moves = settled.chain(std::iter::once(step)).collect();
        self.keep(moves, Vec::new()).await
    }

    async fn open_kit(&self, at: At, count: i64) -> Result<Booked, StoreError> {
        self.check_lot(at).await?;
        let count = u32::try_from(count).map_err(|_| StockError::NothingMoved)?;
        if count == 0 {
            return Err(StockError::NothingMoved.into());
        }
        let place = (at.part, at.site);
        lock_levels(self.transaction, self.organisation, &[place]).await?;
        let kits = kits(self.transaction, self.organisation, at.part).await?;
        let shelf = shelves(self.transaction, self.organisation, at.site, &[at.part]).await?;
        let shelf = shelf.get(&at.part).map_or(&[][..], Vec::as_slice);
        let found = shelf.iter().find(|one| lot_of(one.lot.id) == at.lot);
        let none = LotOnHand { lot: empty(at), on_hand: 0, reserved: 0 };
        let loose: Vec<PartId> = kits.lines(at.part).iter().map(|line| line.part).collect();
        let loose: Vec<Part> = record::by_ids(self.transaction, self.organisation, &loose).await?;
        let ages = |part: PartId| {
            loose.iter().any(|one| one.id == part && one.shelf_life_months.is_some())
        };
        let opened = kits.open(found.unwrap_or(&none), count, ages)?;
        let together = Some(Uuid::now_v7());
        let mut moves = vec![self.step(MoveKind::KitOpened, at, -i64::from(count))];
        let mut lots = Vec::new();
        for mut one in opened {
            // The label's code is the kit's: among the loose parts it would name nothing.
            one.lot.code = None;
            let into = At { part: one.lot.part, site: at.site, lot: Some(one.lot.id) };
            moves.push(self.step(MoveKind::KitOpened, into, i64::from(one.quantity)));
            lots.push(one.lot);
        }
        let moves = moves.into_iter().map(|step| StockMove { together, ..step }).collect();
        self.keep(moves, lots).await
    }
}

fn empty(at: At) -> Lot {
    Lot {
        id: at.lot.unwrap_or(LotId(Uuid::nil())),
        version: 1,
        part: at.part,
        code: None,
        cured_on: None,
        received_on: None,
        expires_on: None,
        dated_by: DatedBy::Unknown,
        condition: LotCondition::New,
        donor: None,
        receipt_line: None,
    }
}

/// What a kit holds, kits within it too.
async fn kits(
    transaction: &Transaction,
    organisation: OrganisationId,
    kit: PartId,
) -> Result<Kits, StoreError> {
    let mut rows = Vec::new();
    let mut seen: BTreeMap<PartId, ()> = BTreeMap::new();
    let mut next = vec![kit];
    for _ in 0..KITS_DEEP_MAX {
        next.retain(|part| seen.insert(*part, ()).is_none());
        if next.is_empty() {
            break;
        }
        let lines: Vec<KitLine> = parts::kit_lines(transaction, organisation, &next).await?;
        next = lines.iter().map(|line| line.part).collect();
        for line in lines {
            let quantity = u32::try_from(line.quantity).map_err(StoreError::corrupt)?;
            rows.push((line.kit, fleet::kit::KitLine { part: line.part, quantity }));
        }
    }
    let part = record::get::<Part>(transaction, organisation, kit).await?;
    if part.kind != PartKind::Kit {
        return Err(KitError::NotAKit { part: kit }.into());
    }
    Ok(Kits::new(&rows)?)
}
