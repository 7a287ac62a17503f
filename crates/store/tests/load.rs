//! Files into the store, on both databases.

use chrono::{DateTime, NaiveDate, TimeZone as _, Utc};
use exchange::load::Kind;
use fleet::boat::Fitting;
use fleet::engine::{Engine, Standstill};
use fleet::finding::{Finding, Hold};
use fleet::id::OrganisationId;
use fleet::order::{Order, OrderLine, Receipt};
use fleet::part::{KitLine, Lot, Part, StockLevel, StockMove, Supersession};
use fleet::person::{PersonSkill, Skill};
use fleet::pool::PoolMinimum;
use fleet::programme::{ProgrammeInterval, Task, TaskLink, TaskPart};
use fleet::reading::{Reading, ReadingKind};
use fleet::service::{Service, ServicePart};
use fleet::site::{CurrencyRate, SitePrice};
use proptest::prelude::{any, prop};
use proptest::test_runner::{Config, TestRunner};
use rstest::rstest;
use store::load::{Ending, FaultyRows, Input, LoadReport, LoadRequest, load};
use store::{Author, Store, StoreError, Transaction, organisations, record};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::database::Fresh;

/// A database with an organisation of its own.
struct Yard {
    database: Fresh,
    organisation: OrganisationId,
}

fn now() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2026, 7, 12, 18, 0, 0).single().expect("a time")
}

async fn found(store: &Store, name: &str) -> OrganisationId {
    let create = async |transaction: &Transaction| {
        organisations::create(transaction, name, fleet::Currency::EUR, now()).await
    };
    let founded: Result<_, StoreError> = store.write(create).await;
    founded.expect("an organisation").id
}

impl Yard {
    async fn bare(on: Database) -> Option<Self> {
        let database = on.fresh().await?;
        let organisation = found(&database.store, "North").await;
        Some(Self { database, organisation })
    }

    /// With a site in a zone of two clocks, a pool, a model, two engines, two boats.
    async fn small(on: Database) -> Option<Self> {
        let yard = Self::bare(on).await?;
        for (kind, file) in [
            (Kind::Sites, "site,time_zone\nQuay,Europe/Oslo\n"),
            (Kind::Pools, "site,pool,water\nQuay,Dinghies,salt\n"),
            (Kind::Boats, "site,boat,pool\nQuay,Teal 1,Dinghies\nQuay,Teal 2,Dinghies\n"),
            (
                Kind::Models,
                "maker,model,strokes,fuel_system,source\nBrattvik,B6,4,carburettor,manual\n",
            ),
            (
                Kind::Engines,
                "serial,maker,model,pool,first_run_on\n\
                 B-1,Brattvik,B6,Dinghies,2024-04-01\nB-2,Brattvik,B6,Dinghies,2024-04-01\n",
            ),
        ] {
            yard.must_load(kind, file).await;
        }
        Some(yard)
    }

    fn request(&self, kind: Kind) -> LoadRequest {
        LoadRequest {
            organisation: self.organisation,
            author: Author { id: None, name: "Ingrid Holm".into(), at: now(), note: None },
            kind,
            faulty: FaultyRows::RefuseFile,
            ending: Ending::Keep,
        }
    }

    async fn run(&self, request: &LoadRequest, input: Input) -> LoadReport {
        load(&self.database.store, request, input, &mut |_| {}).await.expect("the database answers")
    }

    async fn load(&self, kind: Kind, file: &str) -> LoadReport {
        self.run(&self.request(kind), text(file)).await
    }

    async fn must_load(&self, kind: Kind, file: &str) -> LoadReport {
        let report = self.load(kind, file).await;
        assert!(report.faults.is_empty() && report.kept, "{kind}: {}", report.faults);
        report
    }

    async fn all<T: record::Record>(&self) -> Vec<T> {
        record::all(self.database.store.connection(), self.organisation).await.expect("rows")
    }

    async fn count<T: record::Record>(&self) -> usize {
        self.all::<T>().await.len()
    }
}

fn text(file: impl AsRef<[u8]>) -> Input {
    Input::Text(Box::new(std::io::Cursor::new(file.as_ref().to_vec())))
}

/// `line/column/rule` of each fault.
fn broken(report: &LoadReport) -> Vec<String> {
    let faults = report.faults.faults().iter();
    faults.map(|fault| format!("{}/{}/{}", fault.line, fault.column, fault.rule)).collect()
}

#[rstest]
#[tokio::test]
async fn a_whole_fleet_loads_and_loading_it_twice_is_loading_it_once(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(yard) = Yard::bare(on).await else { return };
    let until = NaiveDate::from_ymd_opt(2026, 7, 12).unwrap();
    let history = scenario::history::live(1, until);
    let supply = scenario::supply::buy(1, &history);
    let files = scenario::files::write(&history, &supply);
    let mut added = 0;
    for file in &files {
        added += yard.must_load(file.kind.parse().unwrap(), &file.csv).await.added;
    }
    assert!(added > 5_000, "{added} rows");
    let counts = counts(&yard).await;
    assert!(counts.iter().all(|(_, count)| *count > 0), "{counts:?}");
    for file in &files {
        let again = yard.must_load(file.kind.parse().unwrap(), &file.csv).await;
        assert_eq!((again.added, again.unchanged), (0, again.read), "{}", file.kind);
    }
    assert_eq!(counts, self::counts(&yard).await);
}

async fn counts(yard: &Yard) -> Vec<(&'static str, usize)> {
    vec![
        ("engines", yard.count::<Engine>().await),
        ("fittings", yard.count::<Fitting>().await),
        ("readings", yard.count::<Reading>().await),
        ("site prices", yard.count::<SitePrice>().await),
        ("pool minimums", yard.count::<PoolMinimum>().await),
        ("standstills", yard.count::<Standstill>().await),
        ("services", yard.count::<Service>().await),
        ("service parts", yard.count::<ServicePart>().await),
        ("findings", yard.count::<Finding>().await),
        ("parts", yard.count::<Part>().await),
        ("kit lines", yard.count::<KitLine>().await),
        ("tasks", yard.count::<Task>().await),
        ("task links", yard.count::<TaskLink>().await),
        ("task parts", yard.count::<TaskPart>().await),
        ("intervals", yard.count::<ProgrammeInterval>().await),
        ("orders", yard.count::<Order>().await),
        ("order lines", yard.count::<OrderLine>().await),
        ("receipts", yard.count::<Receipt>().await),
        ("moves", yard.count::<StockMove>().await),
        ("levels", yard.count::<StockLevel>().await),
    ]
}

#[rstest]
#[tokio::test]
async fn what_a_day_is_worth_loads_once_and_says_where_it_differs(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(yard) = Yard::small(on).await else { return };
    for (kind, good, bad, rule) in [
        (
            Kind::SitePrices,
            "site,kind,amount,currency,basis\nQuay,boat_short,95,EUR,price list\n",
            "site,kind,amount,currency,basis\nQuay,boat_short,96,EUR,price list\n",
            "other-values-on-record",
        ),
        (
            Kind::PoolMinimums,
            "pool,from_on,until_on,boats\nDinghies,2026-07-01,2026-08-31,2\n",
            "pool,from_on,until_on,boats\nDories,2026-07-01,2026-08-31,2\n",
            "pool-unknown",
        ),
        (
            Kind::Standstills,
            "serial,from_on,until_on,reason\nB-1,2026-10-12,2027-04-10,laid up\n",
            "serial,from_on,until_on,reason\nX-9,2026-10-12,2027-04-10,laid up\n",
            "engine-unknown",
        ),
        (
            Kind::CurrencyRates,
            "from_currency,to_currency,on,rate,source\nGBP,EUR,2026-07-01,1.1525,bank\n",
            "from_currency,to_currency,on,rate,source\nGBP,EUR,2026-07-01,1.15,bank\n",
            "other-values-on-record",
        ),
    ] {
        assert_eq!(yard.must_load(kind, good).await.added, 1, "{kind}");
        let again = yard.must_load(kind, good).await;
        assert_eq!((again.added, again.unchanged), (0, 1), "{kind}");
        let refused = yard.load(kind, bad).await;
        assert_eq!(refused.faults.faults()[0].rule, rule, "{kind}");
    }
    let rates: Vec<CurrencyRate> =
        record::all(yard.database.store.connection(), yard.organisation).await.unwrap();
    assert_eq!(rates.iter().map(|rate| rate.rate_millionths).collect::<Vec<_>>(), [1_152_500]);
}

#[rstest]
#[tokio::test]
async fn every_bad_row_is_listed_and_nothing_is_kept(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    let file = "serial;read_at;hours\n\
                B-1;2026-07-01 08:00;100,5\n\
                X-9;2026-07-01 08:00;1\n\
                B-1;2026-07-02 08:00;99\n\
                B-1;2026-07-02 08:00;126\n\
                B-1;2026-07-02 08:00;124,5\n\
                B-1;2026-07-02 08:00;124\n\
                B-1;2026-07-13;130\n\
                B-1;2026-07-12 20:01;130\n\
                B-2;2026-07-01;-1\n\
                B-2;2026-07-01;12:75\n";
    let report = yard.load(Kind::Readings, file).await;
    assert_eq!(
        broken(&report),
        [
            "3/serial/engine-unknown",
            "4/hours/reading-falls",
            "5/hours/reading-faster-than-time",
            "7/hours/reading-two-values",
            "8/read_at/in-the-future",
            "9/read_at/in-the-future",
            "10/hours/hours-negative",
            "11/hours/hours-unreadable"
        ]
    );
    assert_eq!((report.read, report.added, report.kept), (10, 2, false));
    assert_eq!(yard.count::<Reading>().await, 0);
    let header = yard.load(Kind::Readings, "serial,read_at,hours,colour\n").await;
    assert_eq!(broken(&header), ["1/colour/column-unknown"]);
}

#[rstest]
#[tokio::test]
async fn good_rows_are_kept_where_that_was_asked_for(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    let request = LoadRequest { faulty: FaultyRows::LeaveOut, ..yard.request(Kind::Readings) };
    let file = "serial,read_at,hours\nB-1,2026-07-01,10\nB-1,2026-07-02,9\nB-2,2026-07-02,5\n";
    let report = yard.run(&request, text(file)).await;
    assert_eq!(broken(&report), ["3/hours/reading-falls"]);
    assert_eq!((report.added, report.kept), (2, true));
    assert_eq!(yard.count::<Reading>().await, 2);
}

#[rstest]
#[tokio::test]
async fn a_dry_run_says_what_it_would_do_and_does_nothing(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(yard) = Yard::small(on).await else { return };
    let request = LoadRequest { ending: Ending::RollBack, ..yard.request(Kind::Parts) };
    let file = "part,name\nA,seal\nB,gasket\n";
    let report = yard.run(&request, text(file)).await;
    assert_eq!((report.added, report.kept, report.faults.count()), (2, false, 0));
    assert_eq!(yard.count::<Part>().await, 0);
    assert_eq!(yard.must_load(Kind::Parts, file).await.added, 2);
}

#[rstest]
#[tokio::test]
async fn other_values_are_refused_with_both_shown(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    yard.must_load(Kind::Pools, "site,pool,water\nQuay,Launches,salt\n").await;
    let file = "serial,maker,model,pool,first_run_on\nB-1,Brattvik,B6,Launches,2024-04-02\n";
    let report = yard.load(Kind::Engines, file).await;
    assert_eq!(broken(&report), ["2/first_run_on/other-values-on-record"]);
    assert_eq!(
        report.faults.faults()[0].message,
        "first_run_on is 2024-04-01 on record and 2024-04-02 here, pool is Dinghies on record and \
         Launches here; change it there, not by loading"
    );
    let twice = "part,name\nA,seal\nA,seal\nA,gasket\n";
    let report = yard.load(Kind::Parts, twice).await;
    assert_eq!(broken(&report), ["4/name/other-values-on-record"]);
    // In the order of the file, though what a row lacks shows before what others say.
    let report = yard.load(Kind::Parts, &format!("{twice},shim\n")).await;
    let lines: Vec<_> = report.faults.faults().iter().map(|fault| fault.line).collect();
    assert_eq!(lines, [4, 5]);
    assert_eq!((report.added, report.unchanged), (1, 1));
}

#[rstest]
#[tokio::test]
async fn meters_are_swapped_reset_and_corrected_once(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    let file = "serial,read_at,hours,kind,hours_before\n\
                B-1,2026-05-01,100,,\n\
                B-1,2026-05-10,150,,\n\
                B-1,2026-05-10,140,correction,\n\
                B-1,2026-05-11,0,meter_replaced,141\n\
                B-1,2026-05-12,8.5,,\n\
                B-1,2026-05-13,2,reset,9\n\
                B-1,2026-05-14,3,estimate,\n";
    assert_eq!(yard.must_load(Kind::Readings, file).await.added, 7);
    let again = yard.must_load(Kind::Readings, file).await;
    assert_eq!((again.added, again.unchanged), (0, 7));
    // What comes late is checked on both sides.
    let late = "serial,read_at,hours\nB-1,2026-05-05,120\nB-1,2026-05-06,143\n";
    assert_eq!(broken(&yard.load(Kind::Readings, late).await), ["3/hours/reading-above-next"]);
    let engine = yard.all::<Engine>().await[0].id;
    let connection = yard.database.store.connection();
    let of = store::readings::of_engines(connection, yard.organisation, &[engine]).await;
    let readings = of.unwrap().into_values().next().unwrap();
    let life = store::readings::ledger(&readings).unwrap().life(fleet::Hours::ZERO);
    // 141 by the first meter, 9 by the second, 1 since its reset.
    assert_eq!(life.last().map(|point| point.life), Some(fleet::Hours::from_whole_hours(151)));
    // A swap put right on a page stays so, however often the old file comes.
    let swap = readings.iter().find(|one| one.kind == ReadingKind::MeterReplaced).unwrap();
    let right = store::meters::RightSwap::Swap {
        at: swap.read_at + chrono::TimeDelta::hours(2),
        old_last: fleet::Hours::from_whole_hours(142),
        new_first: fleet::Hours::ZERO,
    };
    let correction = store::meters::SwapCorrection {
        engine,
        swap: swap.read_at,
        right,
        source: "page".to_owned(),
        recorded_by: None,
        reason: "typo".to_owned(),
    };
    let work = async |tx: &Transaction| {
        let author = Author { id: None, name: "page".to_owned(), at: now(), note: None };
        store::meters::correct_swap(tx, yard.organisation, &author, correction.clone()).await
    };
    yard.database.store.write(work).await.unwrap();
    let again = yard.must_load(Kind::Readings, file).await;
    assert_eq!((again.added, again.unchanged), (0, 7));
}

/// Oslo: 29 March 2026 02:00 to 03:00 does not exist, 26 October 2025 02:00 to 03:00 comes twice.
#[rstest]
#[tokio::test]
async fn times_that_never_were_or_were_twice_are_refused(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    let file = "serial,read_at,hours\n\
                B-1,2025-10-26 02:30,10\n\
                B-1,2025-10-26T02:30:00+01:00,10\n\
                B-1,2026-03-29 02:30,20\n\
                B-1,2026-03-29 03:00,20\n";
    let report = yard.load(Kind::Readings, file).await;
    assert_eq!(broken(&report), ["2/read_at/time-twice", "4/read_at/time-skipped"]);
}

#[rstest]
#[tokio::test]
async fn an_engine_sits_on_one_boat_at_a_time(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    let file = "serial,boat,fitted_at,removed_at\n\
                B-1,Teal 1,2025-04-01,2025-10-01\n\
                B-1,Teal 2,2025-10-01,\n\
                B-2,Teal 1,2025-10-01,2026-04-01\n";
    assert_eq!(yard.must_load(Kind::Fittings, file).await.added, 3);
    let clashing = "serial,boat,fitted_at,removed_at\n\
                    B-1,Teal 1,2026-05-01,\n\
                    B-2,Teal 1,2025-09-30,2025-10-01\n\
                    B-2,Teal 2,2026-05-01,\n\
                    B-2,Teal 3,2026-05-01,\n";
    assert_eq!(
        broken(&yard.load(Kind::Fittings, clashing).await),
        [
            "2/serial/fitting-overlaps",
            "3/boat/fitting-overlaps",
            "4/boat/fitting-overlaps",
            "5/boat/boat-unknown"
        ]
    );
}

#[rstest]
#[tokio::test]
async fn a_boat_is_out_once_at_a_time(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    yard.must_load(
        Kind::Bookings,
        "reference,pool,starts_at,ends_at,boats\nR1,Dinghies,2026-07-01,2026-07-02,1\n",
    )
    .await;
    let file = "boat,out_at,back_at,booking\n\
                Teal 1,2026-07-01 08:00,2026-07-01 12:00,R1\n\
                Teal 1,2026-07-01 12:00,2026-07-01 18:00,\n\
                Teal 2,2026-07-01,2026-07-02,\n";
    assert_eq!(yard.must_load(Kind::Hire, file).await.added, 3);
    assert_eq!(yard.must_load(Kind::Hire, file).await.unchanged, 3);
    let clashing = "boat,out_at,back_at,booking\n\
                    Teal 1,2026-07-01 11:59,2026-07-01 12:30,\n\
                    Teal 2,2026-07-02 23:59,2026-07-03 01:00,\n\
                    Teal 2,2026-07-03 00:00,2026-07-03 01:00,R2\n\
                    Teal 2,2026-07-03 02:00,2026-07-03 03:00,\n";
    assert_eq!(
        broken(&yard.load(Kind::Hire, clashing).await),
        ["2/boat/hire-overlaps", "3/boat/hire-overlaps", "4/booking/booking-unknown"]
    );
}

#[rstest]
#[tokio::test]
async fn a_task_is_never_contained_in_itself(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    let head = "task,verb,minutes,contains\n";
    let ring = format!("{head}A,check,5,B\nB,check,5,C\nC,check,5,A\n");
    let report = yard.load(Kind::Tasks, &ring).await;
    assert_eq!(broken(&report), ["4/contains/task-loop"]);
    let message = &report.faults.faults()[0].message;
    assert!(message.ends_with("C > A > B > C"), "{message}");
    let own = format!("{head}A,check,5,A\n");
    assert_eq!(broken(&yard.load(Kind::Tasks, &own).await), ["2/contains/task-loop"]);
    yard.must_load(Kind::Tasks, &format!("{head}B,check,5,\nA,check,5,B\n")).await;
}

#[rstest]
#[tokio::test]
async fn nothing_was_done_to_an_engine_before_it_first_ran(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(yard) = Yard::small(on).await else { return };
    yard.must_load(Kind::Tasks, "task,verb,minutes\nGear oil,replace,15\n").await;
    let services = "serial,task,done_on\nB-1,Gear oil,2024-03-31\nB-1,Gear oil,2024-04-01\n";
    let report = yard.load(Kind::Services, services).await;
    assert_eq!(broken(&report), ["2/done_on/before-first-running"]);
}

#[rstest]
#[tokio::test]
async fn kits_and_supersessions_never_come_back_to_themselves(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(yard) = Yard::small(on).await else { return };
    yard.must_load(Kind::Parts, "part,name,kind\nK1,kit,kit\nK2,kit,kit\nK3,kit,kit\nP,seal,\n")
        .await;
    yard.must_load(Kind::Kits, "kit,part,quantity\nK1,K2,1\nK2,P,2\n").await;
    let loop_over_file = "kit,part,quantity\nK2,K3,1\nK3,K1,1\nP,K1,1\nK1,Q,1\n";
    let report = yard.load(Kind::Kits, loop_over_file).await;
    assert_eq!(broken(&report), ["3/part/kit-loop", "4/kit/not-a-kit", "5/part/part-unknown"]);
    assert!(report.faults.to_string().contains("K3 > K1 > K2 > K3"), "{}", report.faults);
    assert_eq!(yard.count::<KitLine>().await, 2);

    yard.must_load(Kind::Parts, "part,name\nA,a\nB,b\nC,c\n").await;
    let header = "old_part,new_part,effective_on\n";
    yard.must_load(Kind::Supersessions, &format!("{header}A,B,2026-01-01\n")).await;
    let rows = "B,C,2026-02-01\nC,A,2026-03-01\nA,C,2026-03-01\n";
    let report = yard.load(Kind::Supersessions, &format!("{header}{rows}")).await;
    assert_eq!(
        broken(&report),
        ["3/new_part/supersession-loop", "4/new_part/supersession-two-successors"]
    );
    assert_eq!(yard.count::<Supersession>().await, 1);
}

#[rstest]
#[tokio::test]
async fn tasks_name_one_another_in_any_order(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    let file = "task,verb,minutes,skill,contains,resets\n\
                Lay-up,check,60,gearcase,Oil change;Look,\n\
                Oil change,replace,20,gearcase,,Look\n\
                Look,check,5,,,\n";
    assert_eq!(yard.must_load(Kind::Tasks, file).await.added, 3);
    assert_eq!(yard.must_load(Kind::Tasks, file).await.unchanged, 3);
    assert_eq!((yard.count::<TaskLink>().await, yard.count::<Skill>().await), (3, 1));
    let people = "person,role,skills\nMara,technician,gearcase;fuel\n";
    yard.must_load(Kind::People, people).await;
    yard.must_load(Kind::People, people).await;
    assert_eq!((yard.count::<PersonSkill>().await, yard.count::<Skill>().await), (2, 2));
    let unknown = "task,verb,minutes,contains\nOther,check,1,Nothing\n";
    assert_eq!(broken(&yard.load(Kind::Tasks, unknown).await), ["2/contains/task-unknown"]);

    yard.must_load(Kind::Parts, "part,name\nP,plug gasket\nQ,filter\n").await;
    let header = "task,maker,model,hours,basis,source,parts\n";
    let row = "Oil change,Brattvik,B6,100,maker,manual,P:2\n";
    assert_eq!(yard.must_load(Kind::Programme, &format!("{header}{row}")).await.added, 1);
    assert_eq!(yard.must_load(Kind::Programme, &format!("{header}{row}")).await.unchanged, 1);
    let other = yard.load(Kind::Programme, &format!("{header}{}", row.replace("100", "90"))).await;
    assert_eq!(broken(&other), ["2/hours/other-values-on-record"], "as the file calls it");
    let more = row.replace("P:2", "P:2;Q:1");
    assert_eq!(yard.must_load(Kind::Programme, &format!("{header}{more}")).await.added, 1);
    assert_eq!(yard.count::<TaskPart>().await, 2);
    let other = row.replace("P:2", "P:3");
    let report = yard.load(Kind::Programme, &format!("{header}{other}")).await;
    assert_eq!(broken(&report), ["2/parts/other-values-on-record"]);
    assert_eq!(yard.count::<ProgrammeInterval>().await, 1);
}

#[rstest]
#[tokio::test]
async fn a_count_books_the_difference_and_asks_why(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    yard.must_load(Kind::Parts, "part,name,sealing\nP,seal,true\nQ,plug,\n").await;
    let header = "site,part,quantity,counted_on,lot,cured_on,reason\n";
    let first = format!("{header}Quay,P,5,2026-05-01,L1,2025-12-31,\nQuay,Q,0,2026-05-01,,,\n");
    let report = yard.must_load(Kind::Stock, &first).await;
    assert_eq!((report.added, report.unchanged), (1, 1));
    assert_eq!(yard.must_load(Kind::Stock, &first).await.unchanged, 2);
    let level = async || -> Vec<i64> {
        yard.all::<StockLevel>().await.iter().map(|level| level.on_hand).collect()
    };
    assert_eq!(level().await, [5]);
    let fewer = format!("{header}Quay,P,3,2026-06-01,L1,2025-12-31,\n");
    let report = yard.load(Kind::Stock, &fewer).await;
    assert_eq!(broken(&report), ["2/quantity/stock-reason-missing"]);
    let with_reason = format!("{header}Quay,P,7,2026-06-01,L1,2025-12-31,found a bag\n");
    yard.must_load(Kind::Stock, &with_reason).await;
    assert_eq!(yard.must_load(Kind::Stock, &with_reason).await.unchanged, 1);
    assert_eq!(level().await, [7]);
    // The first file still says what it said.
    assert_eq!(yard.must_load(Kind::Stock, &first).await.unchanged, 2);
    let other =
        format!("{header}Quay,P,6,2026-05-01,L1,2025-12-31,\nQuay,P,1,2026-05-02,L1,2025-09-30,\n");
    let report = yard.load(Kind::Stock, &other).await;
    assert_eq!(
        broken(&report),
        ["2/quantity/other-values-on-record", "3/cured_on/other-values-on-record"]
    );
    assert_eq!((yard.count::<Lot>().await, yard.count::<StockMove>().await), (1, 2));
}

#[rstest]
#[tokio::test]
async fn what_was_past_its_life_when_it_came_is_a_slip(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    let parts = "part,name,sealing,shelf_life_months\nP,seal,true,24\n";
    yard.must_load(Kind::Parts, parts).await;
    // 24 months from the end of the third quarter of 2022.
    let head = "site,part,quantity,counted_on,lot,cured_on,received_on\n";
    let late = format!("{head}Quay,P,5,2026-05-01,L1,2022-09-30,2024-10-01\n");
    assert_eq!(broken(&yard.load(Kind::Stock, &late).await), ["2/received_on/received-expired"]);
    let last_day = format!("{head}Quay,P,5,2026-05-01,L1,2022-09-30,2024-09-30\n");
    yard.must_load(Kind::Stock, &last_day).await;
}

#[rstest]
#[tokio::test]
async fn an_open_finding_that_stops_an_engine_holds_it(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    yard.must_load(
        Kind::FindingKinds,
        "finding,urgency,safety,source\nNo kill,stop,true,own\nDull plug,next_service,,own\n",
    )
    .await;
    let file = "serial,found_at,finding,title,urgency,closed_at\n\
                B-1,2026-07-01,No kill,,,\n\
                B-1,2026-07-02,Dull plug,,,\n\
                B-2,2026-06-01,No kill,,,2026-06-02\n\
                B-2,2026-07-03,,scored shaft,stop,\n";
    assert_eq!(yard.must_load(Kind::Findings, file).await.added, 4);
    assert_eq!(yard.must_load(Kind::Findings, file).await.unchanged, 4);
    let holds = yard.all::<Hold>().await;
    let held: Vec<_> = holds.iter().map(|hold| (hold.reason.as_str(), hold.safety)).collect();
    assert_eq!(held, [("No kill", true), ("scored shaft", false)]);
}

#[rstest]
#[tokio::test]
async fn rows_of_an_order_agree_and_deliveries_find_their_lines(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(yard) = Yard::small(on).await else { return };
    yard.must_load(Kind::Parts, "part,name\nP,seal\nQ,plug\n").await;
    yard.must_load(Kind::Suppliers, "supplier,currency\nSkerry,EUR\nFjord,NOK\n").await;
    let header = "order,supplier,site,part,quantity,price,currency,ordered_on\n";
    let rows = "O1,Skerry,Quay,P,10,4.20,EUR,2026-01-05\nO1,Skerry,Quay,Q,5,1,EUR,2026-01-05\n";
    assert_eq!(yard.must_load(Kind::Orders, &format!("{header}{rows}")).await.added, 2);
    assert_eq!(yard.must_load(Kind::Orders, &format!("{header}{rows}")).await.unchanged, 2);
    assert_eq!((yard.count::<Order>().await, yard.count::<OrderLine>().await), (1, 2));
    let wrong = "O2,Skerry,Quay,P,1,1,EUR,2026-01-06\n\
                 O2,Skerry,Quay,Q,1,1,EUR,2026-01-07\n\
                 O3,Fjord,Quay,P,1,1,EUR,2026-01-06\n\
                 O1,Skerry,Quay,P,11,4.20,EUR,2026-01-05\n";
    assert_eq!(
        broken(&yard.load(Kind::Orders, &format!("{header}{wrong}")).await),
        [
            "3/ordered_on/other-values-on-record",
            "4/currency/currencies-mixed",
            "5/quantity/other-values-on-record"
        ]
    );
    let header = "order,part,received_on,quantity,delivery_note\n";
    let wrong = "O1,P,2026-02-01,4,D1\nO1,P,2026-02-10,7,D2\nO1,Q,2026-01-04,1,D3\n";
    assert_eq!(
        broken(&yard.load(Kind::Receipts, &format!("{header}{wrong}")).await),
        ["3/quantity/received-more-than-ordered", "4/received_on/received-before-ordered"]
    );
    assert_eq!(yard.count::<Receipt>().await, 0);
    let rows = "O1,P,2026-02-01,10,D1\nO1,Q,2026-02-01,5,D1\n";
    yard.must_load(Kind::Receipts, &format!("{header}{rows}")).await;
    assert_eq!(yard.must_load(Kind::Receipts, &format!("{header}{rows}")).await.unchanged, 2);
    assert_eq!(yard.count::<Receipt>().await, 1);
    let report = yard.load(Kind::Receipts, &format!("{header}O9,P,2026-02-01,1,D2\n")).await;
    assert_eq!(broken(&report), ["2/order/order-unknown"]);
}

#[rstest]
#[tokio::test]
async fn anothers_names_are_unknown(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    let south = found(&yard.database.store, "South").await;
    let request = LoadRequest { organisation: south, ..yard.request(Kind::Readings) };
    let report = yard.run(&request, text("serial,read_at,hours\nB-1,2026-07-01,10\n")).await;
    assert_eq!(broken(&report), ["2/serial/engine-unknown"]);
}

#[rstest]
#[tokio::test]
async fn a_tag_or_address_that_is_taken_is_named(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    let boats = "site,boat,tag\nQuay,Tern 1,T-1\nQuay,Tern 2,T-1\n";
    assert_eq!(broken(&yard.load(Kind::Boats, boats).await), ["3/tag/tag-taken"]);
    let people = "person,email,role\nMara,m@quay.example,owner\nJon,M@quay.example,viewer\n";
    assert_eq!(broken(&yard.load(Kind::People, people).await), ["3/email/email-taken"]);
}

#[rstest]
#[tokio::test]
async fn lines_of_json_and_workbooks_load_as_well(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    let lines = "{\"serial\":\"B-1\",\"read_at\":\"2026-07-01T08:00:00Z\",\"hours\":10.5}\n\
                 {\"serial\":\"B-9\",\"read_at\":\"2026-07-01T08:00:00Z\",\"hours\":10.5}\n";
    let input = Input::Objects(Box::new(std::io::Cursor::new(lines)));
    let report = yard.run(&yard.request(Kind::Readings), input).await;
    assert_eq!(broken(&report), ["2/serial/engine-unknown"]);
    let rows = [
        vec!["B-2".into(), "2026-07-01".into(), 7.5.into()],
        vec!["B-9".into(), "2026-07-01".into(), 7.5.into()],
    ];
    let columns = ["serial", "read_at", "hours"];
    let bytes = exchange::workbook::write_workbook("July", &columns, &rows).unwrap();
    let input = Input::Workbook { bytes, sheet: None };
    let report = yard.run(&yard.request(Kind::Readings), input).await;
    assert_eq!(broken(&report), ["3/serial/engine-unknown"]);
    assert_eq!(report.faults.faults()[0].sheet.as_deref(), Some("July"));
}

#[rstest]
#[tokio::test]
async fn readings_in_any_order_and_in_many_chunks_are_one_ledger(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(yard) = Yard::small(on).await else { return };
    let day =
        |number: u64| NaiveDate::from_ymd_opt(2000, 1, 1).unwrap() + chrono::Days::new(number);
    let row = |number: u64| {
        format!("B-1,{},{}.0\nB-2,{},{}.5\n", day(number), number * 2, day(number), number * 3)
    };
    // Every third day first, the days between after that: 6,000 rows, four chunks.
    let numbers = (0..3_000).step_by(3).chain((0..3_000).filter(|number| number % 3 != 0));
    let file: String = numbers.map(row).collect();
    let mut seen = Vec::new();
    let request = yard.request(Kind::Readings);
    let report = load(
        &yard.database.store,
        &request,
        text(format!("serial,read_at,hours\n{file}")),
        &mut |rows| seen.push(rows),
    )
    .await
    .unwrap();
    assert_eq!((report.added, report.kept, report.faults.count()), (6_000, true, 0));
    assert_eq!(seen, [2_000, 4_000, 6_000]);
}

/// A load that is dropped half way, as by a kill or a lost connection, leaves nothing.
#[rstest]
#[tokio::test]
async fn a_load_cut_off_half_way_leaves_nothing(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    let file: String = (0..6_000).map(|number| format!("P{number},part\n")).collect();
    let (reached, mut progress) = tokio::sync::mpsc::unbounded_channel();
    let request = yard.request(Kind::Parts);
    let mut report = |rows: u64| reached.send(rows).unwrap();
    let input = text(format!("part,name\n{file}"));
    let whole = load(&yard.database.store, &request, input, &mut report);
    tokio::select! {
        _ = whole => panic!("the load should be cut off first"),
        rows = progress.recv() => assert_eq!(rows, Some(2_000)),
    }
    assert_eq!(yard.count::<Part>().await, 0);
    assert_eq!(yard.must_load(Kind::Parts, "part,name\nP1,part\n").await.added, 1);
}

#[test]
fn any_bytes_are_loaded_whole_or_not_at_all() {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let yard = runtime.block_on(Yard::small(Sqlite)).unwrap();
    let mut runner = TestRunner::new(Config { cases: 200, ..Config::default() });
    let row = "[PQ]{1,2},[a-c\"]{0,2}(,[0-9])?\n";
    let bytes = prop::strategy::Union::new([
        prop::strategy::Strategy::boxed(prop::collection::vec(any::<u8>(), 0..300)),
        prop::strategy::Strategy::boxed(prop::strategy::Strategy::prop_map(
            prop::collection::vec(row, 0..6),
            |rows| format!("part,name\n{}", rows.concat()).into_bytes(),
        )),
    ]);
    let checked = runner.run(&(0..Kind::ALL.len(), bytes), |(which, bytes)| {
        let kind = if bytes.starts_with(b"part,name") { Kind::Parts } else { Kind::ALL[which] };
        runtime.block_on(async {
            let before = yard.count::<Part>().await;
            let report = yard.run(&yard.request(kind), text(&bytes)).await;
            let added = yard.count::<Part>().await - before;
            let expected = if report.kept && kind == Kind::Parts { report.added } else { 0 };
            assert_eq!(added as u64, expected);
            assert_eq!(report.kept, report.faults.is_empty());
        });
        Ok(())
    });
    checked.unwrap();
}

/// Two loads of one file at the same time: both go well, and each reading is on record once.
#[rstest]
#[tokio::test]
async fn two_loads_at_once_are_one(#[values(Sqlite, Postgres)] on: Database) {
    let Some(yard) = Yard::small(on).await else { return };
    let rows: String = (1..=28).map(|day| format!("B-1,2026-06-{day:02},{day}\n")).collect();
    let file = format!("serial,read_at,hours\n{rows}");
    let (one, other) =
        tokio::join!(yard.load(Kind::Readings, &file), yard.load(Kind::Readings, &file));
    assert!(one.kept && other.kept, "{} {}", one.faults, other.faults);
    assert_eq!((one.added + other.added, one.unchanged + other.unchanged), (28, 28));
    assert_eq!(yard.count::<Reading>().await, 28);
}
