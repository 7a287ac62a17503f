//! Stock moves by their rules, on both databases, and what they do to jobs.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

use chrono::{NaiveDate, TimeDelta};
use fleet::bench::{Job, JobStatus};
use fleet::engine::Engine;
use fleet::id::{KitLineId, LotId, PersonId, SiteId};
use fleet::job::JobState;
use fleet::part::{DatedBy, KitLine, Lot, LotCondition, MoveKind, Part, PartKind};
use fleet::person::Person;
use fleet::site::Site;
use fleet::stock::Overruled;
use rstest::rstest;
use store::jobs::{self, Moved, NewJob};
use store::stock::{self, At, NewLot, Order, Wish};
use store::{Author, PageOf, Store, StoreError, Transaction, record};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::{Yard, author, now, part};

/// A yard with two sites, an engine, a seal that keeps 84 months and an impeller that lasts.
struct Stores {
    yard: Yard,
    other: SiteId,
    engine: Engine,
    seal: Part,
    impeller: Part,
}

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

async fn stores(store: &Store) -> Stores {
    let yard = Yard::found(store, "north").await;
    let other = Site { id: SiteId::fresh(), name: "South jetty".to_owned(), ..yard.site.clone() };
    let engine = yard.engine("ND-1042");
    let seal = Part {
        sealing: true,
        shelf_life_months: Some(84),
        name: "Shaft seal".to_owned(),
        ..part("BV-6-SEAL")
    };
    let impeller = part("BV-6-IMP");
    let work = async |tx: &Transaction| {
        let organisation = yard.organisation;
        record::create(tx, organisation, &author(), std::slice::from_ref(&other)).await?;
        record::create(tx, organisation, &author(), std::slice::from_ref(&engine)).await?;
        record::create(tx, organisation, &author(), &[seal.clone(), impeller.clone()]).await
    };
    store.write::<_, StoreError>(work).await.unwrap();
    Stores { other: other.id, yard, engine, seal, impeller }
}

impl Stores {
    fn at(&self, of: &Part, lot: Option<LotId>) -> At {
        At { part: of.id, site: self.yard.site.id, lot }
    }

    fn ingrid(&self) -> Author {
        let Person { id, name, .. } = &self.yard.owner;
        Author { id: Some(id.0), name: name.clone(), ..author() }
    }

    async fn order(&self, store: &Store, order: Order) -> Result<Moved, StoreError> {
        let who = self.ingrid();
        let work = async |tx: &Transaction| {
            jobs::move_stock(tx, self.yard.organisation, &who, order.clone()).await
        };
        store.write(work).await
    }

    async fn wish(&self, store: &Store, wish: Wish) -> Result<Moved, StoreError> {
        let order = Order { wish, moved_at: now(), reason: None, overruled: None };
        self.order(store, order).await
    }

    async fn wish_since(
        &self,
        store: &Store,
        wish: Wish,
        reason: &str,
    ) -> Result<Moved, StoreError> {
        let reason = Some(reason.to_owned());
        self.order(store, Order { wish, moved_at: now(), reason, overruled: None }).await
    }

    /// Receives a lot and returns it.
    async fn receive(&self, store: &Store, of: &Part, quantity: i64, lot: NewLot) -> Lot {
        let (part, site) = (of.id, self.yard.site.id);
        let wish = Wish::Receive { part, site, quantity, lot: Some(lot) };
        self.wish(store, wish).await.unwrap().booked.lots.remove(0)
    }

    async fn kitted_job(&self, store: &Store, of: &Part, quantity: i64) -> Job {
        let new = NewJob {
            engine: self.engine.id,
            site: self.yard.site.id,
            finding: None,
            planned_on: None,
            bay: None,
            person: None,
            tasks: Vec::new(),
            parts: vec![(of.id, quantity)],
            note: None,
        };
        let work = async |tx: &Transaction| {
            let organisation = self.yard.organisation;
            let job = jobs::create(tx, organisation, &author(), new.clone()).await?;
            let (who, today) = (author(), now().date_naive());
            jobs::follow(tx, organisation, &who, job.id, 1, JobState::Agreed, today).await
        };
        store.write::<_, StoreError>(work).await.unwrap().job
    }

    /// What lies at the first site of a part, by lot.
    async fn shelf(&self, store: &Store, of: &Part) -> Vec<(Option<LotId>, u32)> {
        let (organisation, site) = (self.yard.organisation, self.yard.site.id);
        let shelves = stock::shelves(store.connection(), organisation, site, &[of.id]).await;
        let shelf = shelves.unwrap().remove(&of.id).unwrap_or_default();
        shelf.iter().map(|one| (stock::lot_of(one.lot.id), one.on_hand)).collect()
    }
}

#[rstest]
#[case::by_its_label(NewLot { expires_on: Some(day("2026-01-31")), ..NewLot::default() },
    Some("2026-01-31"), DatedBy::Label)]
#[case::by_its_cure(NewLot { cured_on: Some(day("2024-03-31")), ..NewLot::default() },
    Some("2031-03-31"), DatedBy::Cure)]
#[case::by_receipt(NewLot { received_on: Some(day("2025-07-01")), ..NewLot::default() },
    Some("2032-07-01"), DatedBy::Receipt)]
#[case::by_nothing(NewLot::default(), None, DatedBy::Unknown)]
#[tokio::test]
async fn a_lot_that_comes_in_is_dated_by_what_is_known(
    #[case] new: NewLot,
    #[case] expires_on: Option<&str>,
    #[case] dated_by: DatedBy,
) {
    let database = Sqlite.fresh().await.unwrap();
    let stores = stores(&database.store).await;
    let lot = stores.receive(&database.store, &stores.seal, 2, new).await;
    assert_eq!((lot.expires_on, lot.dated_by), (expires_on.map(day), dated_by));
}

#[rstest]
#[tokio::test]
async fn a_count_books_the_difference_with_its_reason(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let stores = stores(store).await;
    let lot = stores.receive(store, &stores.seal, 5, NewLot::default()).await;
    let at = stores.at(&stores.seal, Some(lot.id));
    let count = |counted| Wish::Count { at, counted, bin: Some("B4".to_owned()) };
    let same = stores.wish(store, count(5)).await.unwrap();
    assert_eq!(same.booked.moves, []);
    let refused = stores.wish(store, count(3)).await.unwrap_err();
    assert_eq!(refused.rule(), "stock-reason-missing");
    let booked = stores.wish_since(store, count(3), "two dropped overboard").await.unwrap().booked;
    let booked: Vec<_> = booked.moves.iter().map(|step| (step.kind, step.quantity)).collect();
    assert_eq!(booked, [(MoveKind::Count, -2)]);
    let organisation = stores.yard.organisation;
    let level = stock::levels(store.connection(), organisation, &[stores.seal.id]).await.unwrap();
    assert_eq!((level[0].on_hand, level[0].bin.as_deref()), (3, Some("B4")));
}

/// Two of seven left without anybody naming a lot: they are taken off what expires first, and a
/// count of any lot finds what the page showed.
#[rstest]
#[tokio::test]
async fn a_count_settles_what_left_without_its_lot(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let stores = stores(store).await;
    let until = |day_text| NewLot { expires_on: Some(day(day_text)), ..NewLot::default() };
    let first = stores.receive(store, &stores.seal, 1, until("2026-01-31")).await.id;
    let second = stores.receive(store, &stores.seal, 6, until("2027-01-31")).await.id;
    let nameless = stores.at(&stores.seal, None);
    let overruled = Some(Overruled { by: stores.yard.owner.id, reason: "from the van".into() });
    let wish = Wish::Adjust { at: nameless, by: -2 };
    let order = Order { wish, moved_at: now(), reason: None, overruled };
    stores.order(store, order).await.unwrap();
    assert_eq!(stores.shelf(store, &stores.seal).await, [(Some(second), 5)]);
    let at = stores.at(&stores.seal, Some(first));
    let wish = Wish::Count { at, counted: 1, bin: None };
    stores.wish_since(store, wish, "it was there after all").await.unwrap();
    assert_eq!(stores.shelf(store, &stores.seal).await, [(Some(first), 1), (Some(second), 5)]);
}

#[rstest]
#[tokio::test]
async fn a_count_that_finds_less_than_was_promised_makes_a_job_short(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let stores = stores(store).await;
    let lot = stores.receive(store, &stores.impeller, 2, NewLot::default()).await;
    let first = stores.kitted_job(store, &stores.impeller, 1).await;
    let second = stores.kitted_job(store, &stores.impeller, 1).await;
    let at = stores.at(&stores.impeller, Some(lot.id));
    let count = |counted| Wish::Count { at, counted, bin: None };
    let moved = stores.wish_since(store, count(1), "one is cracked").await.unwrap();
    let ids: Vec<_> = moved.short.iter().map(|job| (job.id, job.status)).collect();
    // The later of the two gives way.
    assert_eq!(ids, [(second.id, JobStatus::Short)]);
    let organisation = stores.yard.organisation;
    let kept = record::get::<Job>(store.connection(), organisation, first.id).await.unwrap();
    assert_eq!(kept.status, JobStatus::Kitted);
    // What comes in kits it again.
    let moved = stores.wish_since(store, count(2), "found another").await.unwrap();
    let ids: Vec<_> = moved.kitted.iter().map(|job| job.id).collect();
    assert_eq!(ids, [second.id]);
}

#[rstest]
#[tokio::test]
async fn what_is_there_and_free_can_be_moved_and_no_more(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let stores = stores(store).await;
    let lot = stores.receive(store, &stores.impeller, 3, NewLot::default()).await;
    stores.kitted_job(store, &stores.impeller, 1).await;
    let at = stores.at(&stores.impeller, Some(lot.id));
    let to = |quantity| Wish::Transfer { at, to: stores.other, quantity };
    assert_eq!(stores.wish(store, to(4)).await.unwrap_err().rule(), "stock-below-zero");
    assert_eq!(stores.wish(store, to(3)).await.unwrap_err().rule(), "stock-promised");
    let moved = stores.wish(store, to(2)).await.unwrap().booked.moves;
    assert_eq!(moved[0].together, moved[1].together);
    assert!(moved[0].together.is_some());
    let scrap = Wish::Scrap { at, quantity: 1 };
    assert_eq!(stores.wish(store, scrap.clone()).await.unwrap_err().rule(), "stock-reason-missing");
    let refused = stores.wish_since(store, scrap.clone(), "cracked").await.unwrap_err();
    assert_eq!(refused.rule(), "stock-promised");
    let overruled = Some(Overruled { by: stores.yard.owner.id, reason: "cracked".into() });
    let order = Order { wish: scrap, moved_at: now(), reason: None, overruled };
    let moved = stores.order(store, order).await.unwrap();
    assert_eq!(moved.short.len(), 1, "its job has lost its part");
    assert_eq!(moved.booked.moves[0].moved_by, Some(stores.yard.owner.id));
    assert_eq!(moved.booked.moves[0].reason.as_deref(), Some("cracked"));
}

#[rstest]
#[tokio::test]
async fn a_kit_becomes_its_loose_parts_with_its_dates(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let stores = stores(store).await;
    let kit = Part { kind: PartKind::Kit, ..part("BV-6-KIT") };
    let lines = [(&stores.seal, 2), (&stores.impeller, 1)].map(|(of, quantity)| KitLine {
        id: KitLineId::fresh(),
        version: 1,
        kit: kit.id,
        part: of.id,
        quantity,
    });
    let work = async |tx: &Transaction| {
        let organisation = stores.yard.organisation;
        record::create(tx, organisation, &author(), std::slice::from_ref(&kit)).await?;
        record::create(tx, organisation, &author(), &lines).await
    };
    store.write::<_, StoreError>(work).await.unwrap();
    let new = NewLot { expires_on: Some(day("2026-01-31")), ..NewLot::default() };
    let lot = stores.receive(store, &kit, 2, new).await;
    let at = stores.at(&kit, Some(lot.id));
    let refused = stores.wish(store, Wish::OpenKit { at, kits: 3 }).await.unwrap_err();
    assert_eq!(refused.rule(), "already-promised");
    let booked = stores.wish(store, Wish::OpenKit { at, kits: 1 }).await.unwrap().booked;
    let lot_of = |of: &Part| booked.lots.iter().find(|lot| lot.part == of.id).unwrap();
    assert_eq!(lot_of(&stores.seal).expires_on, Some(day("2026-01-31")));
    assert_eq!(lot_of(&stores.impeller).expires_on, None);
    assert_eq!(stores.shelf(store, &kit).await, [(Some(lot.id), 1)]);
    assert_eq!(stores.shelf(store, &stores.seal).await, [(Some(lot_of(&stores.seal).id), 2)]);
    let at = stores.at(&stores.seal, Some(lot_of(&stores.seal).id));
    let refused = stores.wish(store, Wish::OpenKit { at, kits: 1 }).await.unwrap_err();
    assert_eq!(refused.rule(), "not-a-kit");
}

#[rstest]
#[tokio::test]
async fn an_expired_or_used_part_goes_to_a_job_only_as_far_as_the_rule_lets_it(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let stores = stores(store).await;
    let old = NewLot { expires_on: Some(day("2025-07-06")), ..NewLot::default() };
    let comes_in = |by: Option<PersonId>| Order {
        wish: Wish::Receive {
            part: stores.seal.id,
            site: stores.yard.site.id,
            quantity: 1,
            lot: Some(old.clone()),
        },
        moved_at: now(),
        reason: None,
        overruled: by.map(|by| Overruled { by, reason: "for trials".to_owned() }),
    };
    let ingrid = Some(stores.yard.owner.id);
    let rule = |answer: Result<Moved, StoreError>| answer.unwrap_err().rule();
    assert_eq!(rule(stores.order(store, comes_in(None)).await), "received-expired");
    let mut taken = stores.order(store, comes_in(ingrid)).await.unwrap().booked;
    assert_eq!(taken.moves[0].reason.as_deref(), Some("for trials"), "it is on record");
    let old = taken.lots.remove(0);
    let donor = Some(stores.engine.id);
    let fresh = Some(day("2030-12-31"));
    let used = NewLot { donor, expires_on: fresh, ..NewLot::default() };
    let used = stores.receive(store, &stores.seal, 1, used).await;
    assert_eq!(used.condition, LotCondition::Used);
    let job = stores.kitted_job(store, &stores.seal, 1).await;
    assert_eq!(job.status, JobStatus::Short, "neither is promised to a sealing job");
    let issue = |lot: &Lot, by: Option<PersonId>| Order {
        wish: Wish::Issue { job: job.id, part: lot.part, quantity: 1, lot: Some(lot.id) },
        moved_at: now(),
        reason: None,
        overruled: by.map(|by| Overruled { by, reason: "inspected, supple".to_owned() }),
    };
    assert_eq!(rule(stores.order(store, issue(&old, None)).await), "lot-expired");
    assert_eq!(rule(stores.order(store, issue(&used, ingrid)).await), "used-part-for-sealing");
    let moved = stores.order(store, issue(&old, ingrid)).await.unwrap();
    assert_eq!(moved.booked.moves[0].reason.as_deref(), Some("inspected, supple"));
    assert_eq!(moved.booked.moves[0].moved_by, ingrid);
}

#[rstest]
#[tokio::test]
async fn what_is_free_at_another_site_is_moved_and_kits_the_job_that_waits(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let stores = stores(store).await;
    let job = stores.kitted_job(store, &stores.seal, 2).await;
    assert_eq!(job.status, JobStatus::Short);
    let at_other = async |quantity: i64, until: &str, overruled| {
        let lot = NewLot { expires_on: Some(day(until)), ..NewLot::default() };
        let wish =
            Wish::Receive { part: stores.seal.id, site: stores.other, quantity, lot: Some(lot) };
        let order = Order { wish, moved_at: now(), reason: None, overruled };
        stores.order(store, order).await.unwrap();
    };
    at_other(1, "2026-01-31", None).await;
    at_other(1, "2027-01-31", None).await;
    let taken = Overruled { by: stores.yard.owner.id, reason: "for trials".to_owned() };
    at_other(5, "2025-06-30", Some(taken)).await;
    let (organisation, home) = (stores.yard.organisation, stores.yard.site.id);
    let (of, today) = ((&stores.seal, stores.other), now().date_naive());
    let free = jobs::free_at(store.connection(), organisation, of, today).await.unwrap();
    assert_eq!(free, 2, "what is expired helps no job");
    let transfer = async |quantity: i64, to| {
        let wanted =
            jobs::Transfer { part: stores.seal.id, from: stores.other, to, quantity, reason: None };
        let work =
            async |tx: &Transaction| jobs::move_between(tx, organisation, &author(), &wanted).await;
        store.write::<_, StoreError>(work).await
    };
    assert_eq!(transfer(3, home).await.unwrap_err().rule(), "stock-short");
    assert_eq!(transfer(1, stores.other).await.unwrap_err().rule(), "same-site");
    assert_eq!(transfer(0, home).await.unwrap_err().rule(), "stock-nothing-moved");
    let moved = transfer(2, home).await.unwrap();
    assert_eq!(moved.booked.moves.len(), 4, "out and in of two lots");
    let kitted: Vec<_> = moved.kitted.iter().map(|job| (job.id, job.status)).collect();
    assert_eq!(kitted, [(job.id, JobStatus::Kitted)]);
    assert_eq!(stores.shelf(store, &stores.seal).await.len(), 2);
}

#[rstest]
#[tokio::test]
async fn no_more_comes_back_from_a_job_than_went_to_it(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let stores = stores(store).await;
    let lot = stores.receive(store, &stores.impeller, 3, NewLot::default()).await;
    let job = stores.kitted_job(store, &stores.impeller, 1).await;
    let issue = Wish::Issue { job: job.id, part: stores.impeller.id, quantity: 2, lot: None };
    stores.wish(store, issue).await.unwrap();
    let organisation = stores.yard.organisation;
    let level = stock::levels(store.connection(), organisation, &[stores.impeller.id]).await;
    let level = level.unwrap().remove(0);
    assert_eq!((level.on_hand, level.reserved), (1, 0), "what was promised went first");
    let at = stores.at(&stores.impeller, Some(lot.id));
    let back = |quantity| Wish::GiveBack { job: job.id, at, quantity };
    assert_eq!(stores.wish(store, back(3)).await.unwrap_err().rule(), "returned-more-than-issued");
    stores.wish(store, back(2)).await.unwrap();
    assert_eq!(stores.wish(store, back(1)).await.unwrap_err().rule(), "returned-more-than-issued");
}

#[rstest]
#[tokio::test]
async fn stock_at_a_past_day_is_told_by_lot(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let stores = stores(store).await;
    let (part, site) = (stores.seal.id, stores.yard.site.id);
    let received_on = Some(day("2025-07-01"));
    let earlier = Order {
        wish: Wish::Receive {
            part,
            site,
            quantity: 4,
            lot: Some(NewLot { received_on, ..NewLot::default() }),
        },
        moved_at: now() - TimeDelta::days(3),
        reason: None,
        overruled: None,
    };
    let lot = stores.order(store, earlier).await.unwrap().booked.lots.remove(0);
    let at = stores.at(&stores.seal, Some(lot.id));
    stores.wish_since(store, Wish::Scrap { at, quantity: 3 }, "oil on them").await.unwrap();
    let page = PageOf::new(None, 100);
    let organisation = stores.yard.organisation;
    for (days, expected) in [(4, None), (3, Some(4)), (1, Some(4)), (0, Some(1))] {
        let moment = now() - TimeDelta::days(days);
        let of = (Some(site), Some(part));
        let rows = stock::at(store.connection(), organisation, moment, of, page).await.unwrap();
        let row = rows.rows.first();
        assert_eq!(row.map(|row| row.on_hand), expected, "{days} days ago");
        if let Some(row) = row {
            let sentence = row.lot.freshness().sentence();
            assert_eq!(sentence, "until 2032-07-01, dated by receipt");
        }
    }
    let tomorrow = now() + TimeDelta::days(1);
    let wish = Wish::Receive { part, site, quantity: 1, lot: None };
    let order = Order { wish, moved_at: tomorrow, reason: None, overruled: None };
    assert_eq!(stores.order(store, order).await.unwrap_err().rule(), "stock-in-future");
}
