//! The invented fleet's records, as a yard would have loaded them.

use chrono::{DateTime, NaiveDate, TimeZone as _, Utc};
use fleet::id::OrganisationId;
use store::load::{Ending, FaultyRows, Input, LoadRequest, load};
use store::snapshot::{self, Snapshot};
use store::{Author, Store, Transaction, organisations};

/// The morning after the last day on record.
pub fn now() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2026, 11, 21, 5, 0, 0).single().unwrap()
}

pub async fn records(store: &Store, seed: u64) -> (OrganisationId, Snapshot) {
    let until: NaiveDate = "2026-11-20".parse().unwrap();
    let history = scenario::history::live(seed, until);
    let supply = scenario::supply::buy(seed, &history);
    let begin = async |tx: &Transaction| {
        organisations::create(tx, "Hollin Quay", fleet::Currency::EUR, now()).await
    };
    let organisation = store.write(begin).await.unwrap().id;
    for file in scenario::files::write(&history, &supply) {
        let request = LoadRequest {
            organisation,
            author: Author { id: None, name: "tests".to_owned(), at: now(), note: None },
            kind: file.kind.parse().unwrap(),
            faulty: FaultyRows::RefuseFile,
            ending: Ending::Keep,
        };
        let input = Input::Text(Box::new(std::io::Cursor::new(file.csv.into_bytes())));
        let report = load(store, &request, input, &mut |_| {}).await.unwrap();
        assert_eq!(report.faults.count(), 0, "{}", file.kind);
    }
    let snapshot = snapshot::take(store, organisation, now()).await.unwrap();
    (organisation, snapshot)
}
