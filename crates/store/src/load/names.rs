//! What people call things, and what that is in the database.

use std::collections::HashMap;

use chrono::{DateTime, Days, NaiveDate, TimeZone as _, Utc};
use chrono_tz::Tz;
use exchange::load::ModelName;
use exchange::table::{Moment, RowFault};
use fleet::boat::Boat;
use fleet::calendar::start_of_day;
use fleet::engine::{Engine, EngineModel};
use fleet::id::{
    BoatId, BookingId, CalendarId, EngineId, FindingKindId, ModelId, OrderId, OrderLineId,
    OrganisationId, PartId, PersonId, PoolId, SiteId, SupplierId, TaskId,
};
use fleet::order::{Order, OrderLine};
use fleet::part::{Part, PartKind};
use fleet::person::Person;
use fleet::pool::Pool;
use fleet::programme::{FindingKind, Task, Urgency};
use fleet::site::{Site, WorkCalendar};
use fleet::supplier::Supplier;
use fleet::{Currency, hire::Booking};
use sea_orm::prelude::Uuid;

use crate::error::StoreError;
use crate::record;
use crate::store::Transaction;

/// Nouns that a kind's rows name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Needs {
    Calendars,
    /// With their zones.
    Sites,
    Pools,
    Boats,
    Models,
    Engines,
    People,
    Parts,
    Tasks,
    FindingKinds,
    Suppliers,
    /// With their lines.
    Orders,
    Bookings,
}

/// An engine, and the zone in which its days are counted.
#[derive(Clone, Copy, Debug)]
pub(super) struct KnownEngine {
    pub id: EngineId,
    pub zone: Tz,
    pub first_run_on: Option<NaiveDate>,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct KnownSite {
    pub id: SiteId,
    pub zone: Tz,
}

/// A boat or pool, of which two sites may have one of a name.
#[derive(Clone, Copy, Debug)]
pub(super) struct AtSite<I> {
    pub id: I,
    pub site: SiteId,
    pub zone: Tz,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct KnownFinding {
    pub id: FindingKindId,
    pub urgency: Urgency,
    pub safety: bool,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct KnownOrder {
    pub id: OrderId,
    pub currency: Currency,
}

/// Names of an organisation.
#[derive(Default)]
pub(super) struct Names {
    calendars: HashMap<String, CalendarId>,
    sites: HashMap<String, KnownSite>,
    pools: HashMap<String, Vec<AtSite<PoolId>>>,
    boats: HashMap<String, Vec<AtSite<BoatId>>>,
    models: HashMap<ModelName, ModelId>,
    engines: HashMap<String, KnownEngine>,
    people: HashMap<String, PersonId>,
    parts: HashMap<String, (PartId, PartKind)>,
    tasks: HashMap<String, TaskId>,
    finding_kinds: HashMap<String, KnownFinding>,
    suppliers: HashMap<String, (SupplierId, Currency)>,
    orders: HashMap<String, KnownOrder>,
    order_lines: HashMap<(OrderId, PartId), OrderLineId>,
    bookings: HashMap<String, BookingId>,
    /// The way back, for faults that show what is on record.
    shown: HashMap<Uuid, String>,
}

impl Names {
    pub(super) async fn read(
        transaction: &Transaction,
        organisation: OrganisationId,
        needs: &[Needs],
    ) -> Result<Self, StoreError> {
        let mut names = Self::default();
        // Zones come from sites, through pools.
        let zones = [Needs::Sites, Needs::Pools, Needs::Boats, Needs::Engines];
        let zones = zones.iter().any(|zone| needs.contains(zone));
        let pools = needs.contains(&Needs::Pools) || needs.contains(&Needs::Engines);
        if zones {
            names.read_sites(transaction, organisation).await?;
        }
        if pools {
            names.read_pools(transaction, organisation).await?;
        }
        for need in needs {
            match need {
                Needs::Sites | Needs::Pools => {}
                Needs::Calendars => names.read_calendars(transaction, organisation).await?,
                Needs::Boats => names.read_boats(transaction, organisation).await?,
                Needs::Models => names.read_models(transaction, organisation).await?,
                Needs::Engines => names.read_engines(transaction, organisation).await?,
                Needs::People => names.read_people(transaction, organisation).await?,
                Needs::Parts => names.read_parts(transaction, organisation).await?,
                Needs::Tasks => names.read_tasks(transaction, organisation).await?,
                Needs::FindingKinds => names.read_finding_kinds(transaction, organisation).await?,
                Needs::Suppliers => names.read_suppliers(transaction, organisation).await?,
                Needs::Orders => names.read_orders(transaction, organisation).await?,
                Needs::Bookings => names.read_bookings(transaction, organisation).await?,
            }
        }
        Ok(names)
    }

    /// A task of the file's own, so that its other rows may name it.
    pub(super) fn announce_task(&mut self, name: &str) {
        if !self.tasks.contains_key(name) {
            let id = TaskId::fresh();
            self.show(id.0, name);
            self.tasks.insert(name.to_owned(), id);
        }
    }

    /// An order of the file's own, which has a row for each part.
    pub(super) fn announce_order(&mut self, number: &str, currency: Currency) {
        if !self.orders.contains_key(number) {
            let id = OrderId::fresh();
            self.orders.insert(number.to_owned(), KnownOrder { id, currency });
        }
    }

    /// What an id is called.
    pub(super) fn shown(&self, id: Uuid) -> Option<&str> {
        self.shown.get(&id).map(String::as_str)
    }

    fn show(&mut self, id: Uuid, name: &str) {
        self.shown.insert(id, name.to_owned());
    }

    async fn read_sites(
        &mut self,
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<(), StoreError> {
        for site in record::all::<Site>(transaction, organisation).await? {
            let zone = site.time_zone.parse().map_err(StoreError::corrupt)?;
            self.show(site.id.0, &site.name);
            self.sites.insert(site.name, KnownSite { id: site.id, zone });
        }
        Ok(())
    }

    fn zone_of(&self, site: SiteId) -> Tz {
        self.sites.values().find(|known| known.id == site).map_or(Tz::UTC, |known| known.zone)
    }

    async fn read_pools(
        &mut self,
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<(), StoreError> {
        for pool in record::all::<Pool>(transaction, organisation).await? {
            let known = AtSite { id: pool.id, site: pool.site, zone: self.zone_of(pool.site) };
            self.show(pool.id.0, &pool.name);
            self.pools.entry(pool.name).or_default().push(known);
        }
        Ok(())
    }

    async fn read_boats(
        &mut self,
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<(), StoreError> {
        for boat in record::all::<Boat>(transaction, organisation).await? {
            let known = AtSite { id: boat.id, site: boat.site, zone: self.zone_of(boat.site) };
            self.show(boat.id.0, &boat.name);
            self.boats.entry(boat.name).or_default().push(known);
        }
        Ok(())
    }

    async fn read_models(
        &mut self,
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<(), StoreError> {
        for model in record::all::<EngineModel>(transaction, organisation).await? {
            self.show(model.id.0, &format!("{} {}", model.maker, model.name));
            self.models.insert(ModelName { maker: model.maker, model: model.name }, model.id);
        }
        Ok(())
    }

    async fn read_engines(
        &mut self,
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<(), StoreError> {
        let zones: HashMap<PoolId, Tz> =
            self.pools.values().flatten().map(|pool| (pool.id, pool.zone)).collect();
        for engine in record::all::<Engine>(transaction, organisation).await? {
            let zone = zones.get(&engine.pool).copied().unwrap_or(Tz::UTC);
            self.show(engine.id.0, &engine.serial);
            let known = KnownEngine { id: engine.id, zone, first_run_on: engine.first_run_on };
            self.engines.insert(engine.serial, known);
        }
        Ok(())
    }

    async fn read_calendars(
        &mut self,
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<(), StoreError> {
        for calendar in record::all::<WorkCalendar>(transaction, organisation).await? {
            self.show(calendar.id.0, &calendar.name);
            self.calendars.insert(calendar.name, calendar.id);
        }
        Ok(())
    }

    async fn read_people(
        &mut self,
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<(), StoreError> {
        for person in record::all::<Person>(transaction, organisation).await? {
            self.show(person.id.0, &person.name);
            self.people.insert(person.name, person.id);
        }
        Ok(())
    }

    async fn read_parts(
        &mut self,
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<(), StoreError> {
        for part in record::all::<Part>(transaction, organisation).await? {
            self.show(part.id.0, &part.number);
            self.parts.insert(part.number, (part.id, part.kind));
        }
        Ok(())
    }

    async fn read_tasks(
        &mut self,
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<(), StoreError> {
        for task in record::all::<Task>(transaction, organisation).await? {
            self.show(task.id.0, &task.name);
            self.tasks.insert(task.name, task.id);
        }
        Ok(())
    }

    async fn read_finding_kinds(
        &mut self,
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<(), StoreError> {
        for kind in record::all::<FindingKind>(transaction, organisation).await? {
            self.show(kind.id.0, &kind.name);
            let FindingKind { id, urgency, safety, .. } = kind;
            self.finding_kinds.insert(kind.name, KnownFinding { id, urgency, safety });
        }
        Ok(())
    }

    async fn read_suppliers(
        &mut self,
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<(), StoreError> {
        for supplier in record::all::<Supplier>(transaction, organisation).await? {
            self.show(supplier.id.0, &supplier.name);
            self.suppliers.insert(supplier.name, (supplier.id, supplier.currency));
        }
        Ok(())
    }

    async fn read_orders(
        &mut self,
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<(), StoreError> {
        for order in record::all::<Order>(transaction, organisation).await? {
            self.show(order.id.0, &order.number);
            let known = KnownOrder { id: order.id, currency: order.currency };
            self.orders.insert(order.number, known);
        }
        for line in record::all::<OrderLine>(transaction, organisation).await? {
            self.order_lines.insert((line.order, line.part), line.id);
        }
        Ok(())
    }

    async fn read_bookings(
        &mut self,
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<(), StoreError> {
        for booking in record::all::<Booking>(transaction, organisation).await? {
            self.show(booking.id.0, &booking.reference);
            self.bookings.insert(booking.reference, booking.id);
        }
        Ok(())
    }
}

/// Looks up what a row names, and notes what is wrong with it.
pub(super) struct Lookup<'a> {
    pub names: &'a Names,
    pub now: DateTime<Utc>,
    line: u64,
    faults: Vec<RowFault>,
}

impl<'a> Lookup<'a> {
    pub(super) fn new(names: &'a Names, line: u64, now: DateTime<Utc>) -> Self {
        Self { names, now, line, faults: Vec::new() }
    }

    pub(super) fn into_faults(mut self, sheet: Option<&str>) -> Vec<RowFault> {
        self.faults.iter_mut().for_each(|fault| fault.sheet = sheet.map(str::to_owned));
        self.faults
    }

    pub(super) fn refuse(
        &mut self,
        column: &str,
        value: &str,
        rule: &'static str,
        message: impl std::fmt::Display,
    ) {
        self.faults.push(RowFault::new(self.line, column, value, rule, message));
    }

    fn found<T: Copy>(
        &mut self,
        found: Option<&T>,
        noun: &str,
        column: &str,
        name: &str,
        rule: &'static str,
    ) -> Option<T> {
        if found.is_none() {
            let message =
                format!("no {noun} of that name is on record; load it first, or correct it");
            self.refuse(column, name, rule, message);
        }
        found.copied()
    }

    /// What `find` says of a name, where there is one.
    pub(super) fn optional<T>(
        &mut self,
        column: &str,
        name: Option<&str>,
        find: impl FnOnce(&mut Self, &str, &str) -> Option<T>,
    ) -> Option<Option<T>> {
        match name {
            None => Some(None),
            Some(name) => find(self, column, name).map(Some),
        }
    }

    pub(super) fn calendar(&mut self, column: &str, name: &str) -> Option<CalendarId> {
        let found = self.names.calendars.get(name);
        self.found(found, "calendar", column, name, "calendar-unknown")
    }

    pub(super) fn site(&mut self, column: &str, name: &str) -> Option<KnownSite> {
        self.found(self.names.sites.get(name), "site", column, name, "site-unknown")
    }

    pub(super) fn model(&mut self, name: &ModelName) -> Option<ModelId> {
        let shown = format!("{} {}", name.maker, name.model);
        let found = self.names.models.get(name);
        self.found(found, "engine model", "model", &shown, "model-unknown")
    }

    pub(super) fn optional_model(&mut self, name: Option<&ModelName>) -> Option<Option<ModelId>> {
        name.map_or(Some(None), |name| self.model(name).map(Some))
    }

    pub(super) fn engine(&mut self, column: &str, serial: &str) -> Option<KnownEngine> {
        self.found(self.names.engines.get(serial), "engine", column, serial, "engine-unknown")
    }

    pub(super) fn person(&mut self, column: &str, name: &str) -> Option<PersonId> {
        self.found(self.names.people.get(name), "person", column, name, "person-unknown")
    }

    pub(super) fn part(&mut self, column: &str, number: &str) -> Option<PartId> {
        self.part_and_kind(column, number).map(|(id, _)| id)
    }

    pub(super) fn part_and_kind(
        &mut self,
        column: &str,
        number: &str,
    ) -> Option<(PartId, PartKind)> {
        self.found(self.names.parts.get(number), "part", column, number, "part-unknown")
    }

    /// All of them, or a fault for each that is not known.
    pub(super) fn parts(
        &mut self,
        column: &str,
        quantities: &[(String, u32)],
    ) -> Option<Vec<(PartId, i64)>> {
        let found: Vec<_> = quantities
            .iter()
            .map(|(number, quantity)| Some((self.part(column, number)?, i64::from(*quantity))))
            .collect();
        found.into_iter().collect()
    }

    pub(super) fn task(&mut self, column: &str, name: &str) -> Option<TaskId> {
        self.found(self.names.tasks.get(name), "task", column, name, "task-unknown")
    }

    pub(super) fn tasks(&mut self, column: &str, names: &[String]) -> Option<Vec<TaskId>> {
        let found: Vec<_> = names.iter().map(|name| self.task(column, name)).collect();
        found.into_iter().collect()
    }

    pub(super) fn finding_kind(&mut self, column: &str, name: &str) -> Option<KnownFinding> {
        let found = self.names.finding_kinds.get(name);
        self.found(found, "kind of finding", column, name, "finding-kind-unknown")
    }

    pub(super) fn booking(&mut self, column: &str, reference: &str) -> Option<BookingId> {
        let found = self.names.bookings.get(reference);
        self.found(found, "booking", column, reference, "booking-unknown")
    }

    pub(super) fn supplier(&mut self, column: &str, name: &str) -> Option<(SupplierId, Currency)> {
        self.found(self.names.suppliers.get(name), "supplier", column, name, "supplier-unknown")
    }

    /// A supplier whose currency must be the row's.
    pub(super) fn supplier_paid_in(&mut self, name: &str, paid: Currency) -> Option<SupplierId> {
        let (id, currency) = self.supplier("supplier", name)?;
        self.same_currency(currency, paid).then_some(id)
    }

    pub(super) fn same_currency(&mut self, known: Currency, given: Currency) -> bool {
        if known != given {
            let message = format!("{known} is on record; money of an order is in one currency");
            self.refuse("currency", given.code(), "currencies-mixed", message);
        }
        known == given
    }

    pub(super) fn order(&mut self, column: &str, number: &str) -> Option<KnownOrder> {
        self.found(self.names.orders.get(number), "order", column, number, "order-unknown")
    }

    pub(super) fn order_line(
        &mut self,
        order: OrderId,
        part: PartId,
        number: &str,
    ) -> Option<OrderLineId> {
        let found = self.names.order_lines.get(&(order, part));
        if found.is_none() {
            let message = "this part was not on that order; load the order first";
            self.refuse("part", number, "order-line-unknown", message);
        }
        found.copied()
    }

    pub(super) fn pool(&mut self, name: &str, site: Option<&str>) -> Option<AtSite<PoolId>> {
        let named = self.names.pools.get(name).map_or(&[][..], Vec::as_slice);
        self.at_site(named, ("pool", "pool-unknown", "pool-ambiguous"), name, site)
    }

    pub(super) fn boat(&mut self, name: &str, site: Option<&str>) -> Option<AtSite<BoatId>> {
        let named = self.names.boats.get(name).map_or(&[][..], Vec::as_slice);
        self.at_site(named, ("boat", "boat-unknown", "boat-ambiguous"), name, site)
    }

    fn at_site<I: Copy>(
        &mut self,
        named: &[AtSite<I>],
        (noun, unknown, ambiguous): (&str, &'static str, &'static str),
        name: &str,
        site: Option<&str>,
    ) -> Option<AtSite<I>> {
        let site = self.optional("site", site, Self::site)?.map(|site| site.id);
        let mut fitting = named.iter().filter(|known| site.is_none_or(|site| known.site == site));
        let first = self.found(fitting.next(), noun, noun, name, unknown)?;
        if fitting.next().is_some() {
            let message = format!("two sites have a {noun} of that name; fill in the site");
            self.refuse(noun, name, ambiguous, message);
            return None;
        }
        Some(first)
    }

    /// A moment as a boat's own site shows it.
    pub(super) fn local_to_boat(&self, boat: BoatId, instant: DateTime<Utc>) -> String {
        let known = self.names.boats.values().flatten().find(|known| known.id == boat);
        local(instant, known.map_or(Tz::UTC, |known| known.zone))
    }

    /// The instant of a moment by the clock of `zone`; a day begins at its first.
    pub(super) fn instant(
        &mut self,
        column: &str,
        moment: Moment,
        zone: Tz,
    ) -> Option<DateTime<Utc>> {
        let local = match moment {
            Moment::Instant(instant) => return Some(crate::value::to_microseconds(instant)),
            Moment::Day(day) => return Some(start_of_day(day, zone)),
            Moment::Local(local) => local,
        };
        let found = zone.from_local_datetime(&local);
        match found {
            chrono::LocalResult::Single(instant) => return Some(instant.to_utc()),
            chrono::LocalResult::Ambiguous(..) => {
                let message = "the clock showed this twice that night; write it with offset, like \
                               2026-10-25T02:30:00+02:00";
                self.refuse(column, &local.to_string(), "time-twice", message);
            }
            chrono::LocalResult::None => {
                let message = "the clock was put forward over this time; it never was";
                self.refuse(column, &local.to_string(), "time-skipped", message);
            }
        }
        None
    }

    /// As [`Lookup::instant`], but a day counts to its end.
    pub(super) fn end_instant(
        &mut self,
        column: &str,
        moment: Moment,
        zone: Tz,
    ) -> Option<DateTime<Utc>> {
        match moment {
            Moment::Day(day) => Some(start_of_day(day_after(day), zone)),
            other => self.instant(column, other, zone),
        }
    }

    /// As [`Lookup::instant`]; not after the present.
    pub(super) fn past_instant(
        &mut self,
        column: &str,
        moment: Moment,
        zone: Tz,
    ) -> Option<DateTime<Utc>> {
        let instant = self.instant(column, moment, zone)?;
        if instant > self.now {
            self.refuse(column, &local(instant, zone), "in-the-future", "lies in the future");
            return None;
        }
        Some(instant)
    }

    /// Notes an end that does not come after its beginning, which days and times of different form
    /// can have.
    pub(super) fn in_order(
        &mut self,
        column: &str,
        (from, until): (DateTime<Utc>, DateTime<Utc>),
        zone: Tz,
    ) -> bool {
        if until <= from {
            let message = format!("must be later than {}", local(from, zone));
            self.refuse(column, &local(until, zone), "ends-before-it-begins", message);
        }
        until > from
    }
}

/// A ring by its names: `start` and the way that leads back to it.
pub(super) fn shown_ring(
    start: Uuid,
    way: impl IntoIterator<Item = Uuid>,
    names: &Names,
) -> String {
    let name = |id: Uuid| names.shown(id).unwrap_or_default().to_owned();
    std::iter::once(start).chain(way).map(name).collect::<Vec<_>>().join(" > ")
}

/// A moment as the clocks of its site show it, with the zone's own short name.
pub(super) fn local(instant: DateTime<Utc>, zone: Tz) -> String {
    instant.with_timezone(&zone).format("%Y-%m-%d %H:%M %Z").to_string()
}

pub(super) fn day_after(day: NaiveDate) -> NaiveDate {
    day.checked_add_days(Days::new(1)).unwrap_or(day)
}
