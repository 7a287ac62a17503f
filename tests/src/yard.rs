//! An invented yard to put into a database: one site, one pool, one model, one person of each role.

use chrono::{DateTime, NaiveDate, NaiveTime, TimeZone as _, Utc};
use fleet::bench::{Job, JobStatus};
use fleet::boat::Boat;
use fleet::engine::{Engine, EngineModel, EngineStatus, FuelSystem};
use fleet::hours::Minutes;
use fleet::id::{
    BoatId, EngineId, IntervalId, JobId, ModelId, OrganisationId, PartId, PersonId, PoolId,
    ReadingId, ServiceId, SiteId, TaskId,
};
use fleet::part::{Part, PartKind, Unit};
use fleet::person::{Person, Role};
use fleet::pool::{Pool, Water};
use fleet::programme::{AccessGroup, IntervalBasis, Occasion, ProgrammeInterval, Task, Verb};
use fleet::reading::{Reading, ReadingKind};
use fleet::service::{Service, ServiceReason};
use fleet::site::Site;
use fleet::{Currency, Hours};
use store::{Author, Store, StoreError, Transaction, organisations, record};

/// What was put in.
#[derive(Clone, Debug)]
pub struct Yard {
    pub organisation: OrganisationId,
    pub site: Site,
    pub model: EngineModel,
    pub pool: Pool,
    pub owner: Person,
}

/// A Monday in July.
pub fn now() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2025, 7, 7, 7, 10, 0).single().expect("a moment that exists")
}

/// Whoever changes something in a test.
pub fn author() -> Author {
    Author { id: None, name: "Ingrid Holm".to_owned(), at: now(), note: None }
}

impl Yard {
    /// Founds an organisation of that name with all of it.
    ///
    /// # Panics
    /// Where the database refuses.
    pub async fn found(store: &Store, name: &str) -> Self {
        let found = async |transaction: &Transaction| {
            let currency = Currency::parse("EUR").expect("a currency");
            let organisation = organisations::create(transaction, name, currency, now()).await?.id;
            let (site, model) = (site(), model());
            let (pool, owner) = (pool(site.id), person("Ingrid Holm", Role::Owner));
            let (site_rows, model_rows) =
                (std::slice::from_ref(&site), std::slice::from_ref(&model));
            record::create(transaction, organisation, &author(), site_rows).await?;
            record::create(transaction, organisation, &author(), model_rows).await?;
            record::create(transaction, organisation, &author(), std::slice::from_ref(&pool))
                .await?;
            record::create(transaction, organisation, &author(), std::slice::from_ref(&owner))
                .await?;
            Ok::<_, StoreError>(Self { organisation, site, model, pool, owner })
        };
        store.write(found).await.expect("a yard is founded")
    }

    /// An engine of the yard, not yet in the database.
    pub fn engine(&self, serial: &str) -> Engine {
        Engine {
            id: EngineId::fresh(),
            version: 1,
            serial: serial.to_owned(),
            model: self.model.id,
            pool: self.pool.id,
            tag: None,
            bought_on: None,
            first_run_on: None,
            status: EngineStatus::InService,
            severity_percent: None,
            note: None,
        }
    }

    /// A boat of the yard, not yet in the database.
    pub fn boat(&self, name: &str) -> Boat {
        Boat {
            id: BoatId::fresh(),
            version: 1,
            site: self.site.id,
            pool: Some(self.pool.id),
            name: name.to_owned(),
            tag: None,
            jetty: Some("A".to_owned()),
            jetty_order: None,
            severity_percent: None,
            archived: false,
        }
    }

    /// A proposed job, not yet in the database.
    pub fn job(&self, engine: EngineId, number: i32) -> Job {
        Job {
            id: JobId::fresh(),
            version: 1,
            number,
            engine,
            site: self.site.id,
            finding: None,
            status: JobStatus::Proposed,
            reason: None,
            stood_over_until: None,
            planned_on: None,
            bay: None,
            person: None,
            note: None,
            created_at: now(),
            released_at: None,
        }
    }
}

fn site() -> Site {
    Site {
        id: SiteId::fresh(),
        version: 1,
        name: "North jetty".to_owned(),
        time_zone: "Europe/Oslo".to_owned(),
        calendar: None,
        first_hire_on: None,
        last_hire_on: None,
        finish_days_before_hire: 14,
        archived: false,
    }
}

fn model() -> EngineModel {
    EngineModel {
        id: ModelId::fresh(),
        version: 1,
        maker: "Brattvik".to_owned(),
        name: "B6".to_owned(),
        strokes: 4,
        power_watts: Some(4_400),
        premix_ratio: None,
        engine_oil_grade: Some("SAE 10W-30".to_owned()),
        engine_oil_ml: Some(800),
        fuel_system: FuelSystem::Carburettor,
        gear_oil_grade: Some("SAE 90".to_owned()),
        gear_oil_ml: Some(195),
        last_made_in: None,
        manual_edition: None,
        source: "invented".to_owned(),
        archived: false,
    }
}

fn pool(site: SiteId) -> Pool {
    Pool {
        id: PoolId::fresh(),
        version: 1,
        site,
        name: "Day boats".to_owned(),
        water: Water::Salt,
        used_for: None,
        severity_percent: 50,
        running_factor_permille: None,
        archived: false,
    }
}

/// A person, not yet in the database.
pub fn person(name: &str, role: Role) -> Person {
    Person {
        id: PersonId::fresh(),
        version: 1,
        name: name.to_owned(),
        email: Some(format!("{}@example.org", name.to_lowercase().replace(' ', "."))),
        role,
        may_clear_holds: false,
        site: None,
        calendar: None,
        productive_percent: 75,
        archived: false,
    }
}

/// A loose part, not yet in the database.
pub fn part(number: &str) -> Part {
    Part {
        id: PartId::fresh(),
        version: 1,
        number: number.to_owned(),
        maker: Some("Brattvik".to_owned()),
        name: "Impeller".to_owned(),
        kind: PartKind::Part,
        unit: Unit::Each,
        compound: None,
        shelf_life_months: None,
        shelf_life_source: None,
        sealing: false,
        returnable: true,
        boat_days_lost_hundredths: None,
        family: None,
        archived: false,
    }
}

/// A task that renews something at its intervals, not yet in the database.
pub fn task(name: &str, access: AccessGroup, minutes: u32) -> Task {
    Task {
        id: TaskId::fresh(),
        version: 1,
        name: name.to_owned(),
        verb: Verb::Replace,
        access,
        occasion: Occasion::Interval,
        own_work: Minutes(minutes),
        minutes_source: None,
        skill: None,
        safety: false,
        caution: None,
        archived: false,
    }
}

/// An interval of the site's own for every model, without a limb yet, not yet in the database.
pub fn interval(task: &Task) -> ProgrammeInterval {
    ProgrammeInterval {
        id: IntervalId::fresh(),
        version: 1,
        task: task.id,
        model: None,
        every: None,
        every_months: None,
        first: None,
        first_months: None,
        severity_on_months: false,
        basis: IntervalBasis::Site,
        source: "invented".to_owned(),
        page: None,
        serial_from: None,
        serial_until: None,
        verified_by: None,
    }
}

/// A due task done on a day, at hours that nobody wrote down, not yet in the database.
pub fn service(engine: EngineId, task: &Task, done_on: NaiveDate) -> Service {
    Service {
        id: ServiceId::fresh(),
        engine,
        task: task.id,
        done_on,
        life: None,
        reason: ServiceReason::Due,
        job: None,
        done_by: None,
        spent: None,
        note: None,
        source: "invented".to_owned(),
        recorded_at: done_on.and_time(NaiveTime::MIN).and_utc(),
    }
}

/// A reading as a person writes it down, not yet in the database.
pub fn reading(engine: EngineId, read_at: DateTime<Utc>, shown_hours: u32) -> Reading {
    Reading {
        id: ReadingId::fresh(),
        engine,
        kind: ReadingKind::Reading,
        read_at,
        shown: Hours::from_whole_hours(shown_hours),
        shown_before: None,
        corrects: None,
        source: "page".to_owned(),
        recorded_by: None,
        recorded_at: now(),
        note: None,
    }
}
