//! How fast readings come into SQLite: `cargo bench -p store --bench load`.

use std::io::Write as _;

use chrono::{DateTime, NaiveDate, Utc};
use divan::Bencher;
use divan::counter::ItemsCount;
use exchange::load::Kind;
use fleet::id::OrganisationId;
use store::load::{Ending, FaultyRows, Input, LoadRequest, load};
use store::{Author, Store, StoreError, Transaction, organisations};

const ENGINES: u64 = 500;

fn main() {
    divan::main();
}

fn author() -> Author {
    let at = DateTime::<Utc>::from_timestamp(1_800_000_000, 0).expect("a time");
    Author { id: None, name: "bench".into(), at, note: None }
}

/// Readings of 500 engines, a day apart, in the order of time.
fn readings(rows: u64) -> Vec<u8> {
    let mut file = b"serial,read_at,hours\n".to_vec();
    for row in 0..rows {
        let (engine, number) = (row % ENGINES, row / ENGINES);
        let day = NaiveDate::from_ymd_opt(2015, 1, 1).expect("a day") + chrono::Days::new(number);
        let tenths = number * 17;
        writeln!(file, "ND6-{engine:05},{day} 18:30,{}.{}", tenths / 10, tenths % 10)
            .expect("memory takes it");
    }
    file
}

async fn must_load(store: &Store, organisation: OrganisationId, kind: Kind, file: Vec<u8>) {
    let (faulty, ending) = (FaultyRows::RefuseFile, Ending::Keep);
    let request = LoadRequest { organisation, author: author(), kind, faulty, ending };
    let input = Input::Text(Box::new(std::io::Cursor::new(file)));
    let report = load(store, &request, input, &mut |_| {}).await.expect("the database answers");
    assert!(report.kept, "{}", report.faults);
}

async fn yard(path: &str) -> (Store, OrganisationId) {
    let store = Store::open(path).await.expect("a database");
    store.migrate().await.expect("a schema");
    let create = async |transaction: &Transaction| {
        organisations::create(transaction, "Bench", fleet::Currency::EUR, author().at).await
    };
    let founded: Result<_, StoreError> = store.write(create).await;
    let organisation = founded.expect("an organisation").id;
    let mut engines = "serial,maker,model,pool,first_run_on\n".to_owned();
    for engine in 0..ENGINES {
        engines.push_str(&format!("ND6-{engine:05},Northdrift,ND 6,Dinghies,2014-04-01\n"));
    }
    for (kind, file) in [
        (Kind::Sites, "site,time_zone\nQuay,Europe/Oslo\n"),
        (Kind::Pools, "site,pool,water\nQuay,Dinghies,salt\n"),
        (Kind::Models, "maker,model,strokes,fuel_system,source\nNorthdrift,ND 6,4,carburettor,x\n"),
        (Kind::Engines, engines.as_str()),
    ] {
        must_load(&store, organisation, kind, file.into()).await;
    }
    (store, organisation)
}

#[divan::bench(args = [100_000, 1_000_000], sample_count = 1, sample_size = 1)]
fn load_readings(bencher: Bencher, rows: u64) {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build();
    let runtime = runtime.expect("a runtime");
    let file = readings(rows);
    bencher.counter(ItemsCount::new(rows)).bench(|| {
        let directory = tempfile::tempdir().expect("a directory");
        let path = directory.path().join("bench.sqlite");
        runtime.block_on(async {
            let (store, organisation) = yard(&path.display().to_string()).await;
            must_load(&store, organisation, Kind::Readings, file.clone()).await;
        });
    });
}
