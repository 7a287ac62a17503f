//! Parts found by what somebody types, on both databases.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

use std::collections::HashSet;

use fleet::id::{PartId, SupersessionId};
use fleet::part::{Part, Supersession};
use rstest::rstest;
use store::parts::{self, PartFilter};
use store::{PageOf, Store, StoreError, Transaction, record};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::{Yard, author, part};

fn named(number: &str, name: &str) -> Part {
    Part { name: name.to_owned(), ..part(number) }
}

fn stands_in(old: &Part, new: &Part) -> Supersession {
    Supersession {
        id: SupersessionId::fresh(),
        version: 1,
        old_part: old.id,
        new_part: new.id,
        two_way: false,
        new_for_old_numerator: 1,
        new_for_old_denominator: 1,
        use_up_old: true,
        effective_on: "2025-01-01".parse().unwrap(),
        source: None,
    }
}

async fn create(store: &Store, yard: &Yard, (parts, chain): (&[Part], &[Supersession])) {
    let work = async |tx: &Transaction| {
        record::create(tx, yard.organisation, &author(), parts).await?;
        record::create(tx, yard.organisation, &author(), chain).await
    };
    store.write::<_, StoreError>(work).await.unwrap();
}

async fn find(store: &Store, yard: &Yard, text: &str) -> Vec<String> {
    let filter = PartFilter { text: Some(text.to_owned()), ..PartFilter::default() };
    let of = PageOf::new(None, 100);
    let page = parts::page(store.connection(), yard.organisation, &filter, of).await.unwrap();
    let mut numbers: Vec<String> = page.rows.into_iter().map(|part| part.number).collect();
    numbers.sort();
    numbers
}

#[rstest]
#[tokio::test]
async fn a_part_is_found_by_number_name_and_the_old_number_it_stands_in_for(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let (ours, theirs) = (Yard::found(store, "north").await, Yard::found(store, "south").await);
    let [oldest, old, new] =
        ["K-7", "K-70", "NB 12"].map(|number| named(number, "Gearcase seal kit"));
    let other = named("ÆR-100%", "Water pump_kit");
    let chain = [stands_in(&oldest, &old), stands_in(&old, &new)];
    create(store, &ours, (&[oldest, old, new, other], &chain)).await;
    create(store, &theirs, (&[named("K-7", "Gearcase seal kit")], &[])).await;

    let found = async |text: &str| find(store, &ours, text).await;
    // By the oldest number come all that stand in for it, through two steps.
    assert_eq!(found("k-7").await, ["K-7", "K-70", "NB 12"]);
    assert_eq!(found("K-70").await, ["K-70", "NB 12"]);
    assert_eq!(found("nb").await, ["NB 12"]);
    assert_eq!(found("  KIT   seal ").await, ["K-7", "K-70", "NB 12"]);
    assert_eq!(found("kit pump").await, ["ÆR-100%"]);
    assert_eq!(found("ÆR").await, ["ÆR-100%"]);
    assert_eq!(found("brattvik nb").await, ["NB 12"]);
    // What stands for any letters elsewhere is a letter here.
    assert_eq!(found("%").await, ["ÆR-100%"]);
    assert_eq!(found("p_k").await, ["ÆR-100%"]);
    assert_eq!(found("K_7").await, Vec::<String>::new());
    assert_eq!(found("\\").await, Vec::<String>::new());
    assert_eq!(found("  ").await.len(), 4, "nothing typed is no wish");
    assert_eq!(find(store, &theirs, "k-7").await, ["K-7"]);
}

#[rstest]
#[tokio::test]
async fn numbers_that_stand_in_for_each_other_are_found_once(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let yard = Yard::found(&database.store, "north").await;
    let (one, two) = (part("A-1"), part("B-2"));
    let ring = [stands_in(&one, &two), stands_in(&two, &one)];
    create(&database.store, &yard, (&[one, two], &ring)).await;
    assert_eq!(find(&database.store, &yard, "a-1").await, ["A-1", "B-2"]);
}

#[rstest]
#[tokio::test]
async fn pages_of_what_was_found_hold_each_part_once(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let (store, yard) = (&database.store, Yard::found(&database.store, "north").await);
    let all: Vec<Part> = (0..2_000).map(|n| part(&format!("P-{n:05}"))).collect();
    create(store, &yard, (&all, &[])).await;
    let filter = PartFilter { text: Some("p-01".to_owned()), ..PartFilter::default() };
    let (mut seen, mut after) = (HashSet::<PartId>::new(), None);
    loop {
        let of = PageOf::new(after, 300);
        let page = parts::page(store.connection(), yard.organisation, &filter, of).await.unwrap();
        assert!(page.rows.iter().all(|part| part.number.starts_with("P-01")));
        assert!(page.rows.iter().all(|part| seen.insert(part.id)));
        after = page.next;
        if after.is_none() {
            break;
        }
    }
    assert_eq!(seen.len(), 1_000);
}
