//! An invented yard in November: three engines whose gear oil falls due in winter and whose pumps
//! fall due in the season, with a bench and a mechanic, before a first hire on 1 April.

use chrono::{DateTime, NaiveDate, TimeZone as _, Utc};
use fleet::engine::Engine;
use fleet::id::{BayId, PersonSkillId, SkillId, SupplierId, TaskPartId, TermId};
use fleet::part::Part;
use fleet::person::{Bay, Person, PersonSkill, Role, Skill};
use fleet::programme::{AccessGroup, ProgrammeInterval, Task, TaskPart};
use fleet::service::Service;
use fleet::site::Site;
use fleet::supplier::{Supplier, Term};
use fleet::{Currency, Money};
use store::{Store, StoreError, Transaction, record};

use crate::yard::{Yard, author, interval, part, person, service, task};

/// A Monday in November.
pub fn now() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2025, 11, 3, 6, 0, 0).single().expect("a moment that exists")
}

fn day(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

/// What was put in.
pub struct WinterYard {
    pub yard: Yard,
    pub engines: Vec<Engine>,
    /// Every 12 months, last done in December.
    pub oil: Task,
    /// Every 24 months, takes one kit; last done in June.
    pub pump: Task,
    /// Sold within ten days by `seller`; none is on the shelf.
    pub kit: Part,
    pub seller: Supplier,
}

/// Whether anything can be done there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum YardHas {
    HandsAndBench,
    Nobody,
}

impl WinterYard {
    /// Puts it in.
    ///
    /// # Panics
    /// Where the database refuses.
    pub async fn found(store: &Store, has: YardHas) -> Self {
        let yard = Yard::found(store, "north").await;
        let skill = Skill { id: SkillId::fresh(), version: 1, name: "outboards".to_owned() };
        let skilled = |task: Task| Task { skill: Some(skill.id), ..task };
        let oil = skilled(task("Change the gear oil", AccessGroup::NothingOff, 30));
        let pump = skilled(task("Renew the pump", AccessGroup::GearcaseOff, 50));
        let engines: Vec<Engine> =
            ["ND-1", "ND-2", "ND-3"].iter().map(|serial| yard.engine(serial)).collect();
        let (kit, seller) = (part("B6-PK"), seller());
        let winter = Self { yard, engines, oil, pump, kit, seller };
        winter.write_records(store, &skill).await;
        if has == YardHas::HandsAndBench {
            winter.write_hands(store, &skill).await;
        }
        winter
    }

    async fn write_records(&self, store: &Store, skill: &Skill) {
        let Self { yard, engines, oil, pump, kit, seller } = self;
        let organisation = yard.organisation;
        let term = sold(kit, seller);
        let takes = TaskPart {
            id: TaskPartId::fresh(),
            version: 1,
            task: pump.id,
            model: None,
            part: kit.id,
            quantity: 1,
            chance_permille: 1_000,
        };
        let site = Site { first_hire_on: Some(day("2026-04-01")), ..yard.site.clone() };
        let services: Vec<Service> = engines
            .iter()
            .flat_map(|engine| {
                [(oil, "2024-12-10"), (pump, "2024-06-10")]
                    .map(|(task, on)| service(engine.id, task, day(on)))
            })
            .collect();
        let work = async |tx: &Transaction| {
            let who = author();
            record::change(tx, organisation, &who, &site).await?;
            record::create(tx, organisation, &who, std::slice::from_ref(skill)).await?;
            record::create(tx, organisation, &who, &[oil.clone(), pump.clone()]).await?;
            record::create(tx, organisation, &who, &[every(oil, 12), every(pump, 24)]).await?;
            record::create(tx, organisation, &who, engines).await?;
            record::create(tx, organisation, &who, std::slice::from_ref(kit)).await?;
            record::create(tx, organisation, &who, std::slice::from_ref(seller)).await?;
            record::create(tx, organisation, &who, std::slice::from_ref(&term)).await?;
            record::create(tx, organisation, &who, std::slice::from_ref(&takes)).await?;
            record::append(tx, organisation, &services).await
        };
        store.write::<_, StoreError>(work).await.expect("records are written");
    }

    async fn write_hands(&self, store: &Store, skill: &Skill) {
        let (site, organisation) = (self.yard.site.id, self.yard.organisation);
        let mechanic = Person { site: Some(site), ..person("Una Rask", Role::Technician) };
        let has = PersonSkill { id: PersonSkillId::fresh(), person: mechanic.id, skill: skill.id };
        let bay = Bay {
            id: BayId::fresh(),
            version: 1,
            site,
            name: "Bench 1".to_owned(),
            kind: "bench".to_owned(),
            archived: false,
        };
        let work = async |tx: &Transaction| {
            let who = author();
            record::create(tx, organisation, &who, std::slice::from_ref(&mechanic)).await?;
            record::append(tx, organisation, std::slice::from_ref(&has)).await?;
            record::create(tx, organisation, &who, std::slice::from_ref(&bay)).await?;
            Ok(())
        };
        store.write::<_, StoreError>(work).await.expect("hands are written");
    }
}

fn every(task: &Task, months: i32) -> ProgrammeInterval {
    ProgrammeInterval { every_months: Some(months), ..interval(task) }
}

fn seller() -> Supplier {
    Supplier {
        id: SupplierId::fresh(),
        version: 1,
        name: "Varde Spares".to_owned(),
        currency: Currency::EUR,
        order_minimum_minor: None,
        freight_minor: None,
        order_cost_minor: None,
        review_days: 14,
        note: None,
        archived: false,
    }
}

fn sold(part: &Part, seller: &Supplier) -> Term {
    Term {
        id: TermId::fresh(),
        version: 1,
        part: part.id,
        supplier: seller.id,
        supplier_number: None,
        pack: 1,
        minimum: 1,
        price: Money::new(3_850, Currency::EUR),
        price_units: 1,
        lead_days_median: 10,
        lead_days_worst: None,
        review_days: None,
        policy: None,
        target_permille: None,
        valid_from: day("2024-01-01"),
        valid_until: None,
    }
}
