//! Forecasts over HTTP: a share of them, what changed, last year's against what happened, the files.

use chrono::{DateTime, Months, NaiveDate, TimeDelta, Utc};
use exchange::snapshot::{
    MonthlyDemand, PartPaths, read_demand, read_paths, write_demand, write_paths,
};
use fleet::id::{PartId, RunId, RunRowId};
use fleet::person::Role;
use fleet::run::RunKind;
use rstest::rstest;
use serde_json::{Value, json};
use store::runs::{self, ForecastPart, ForecastRow, Outcome, Request, RunFile};
use store::{StoreError, Transaction, record};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::{Yard, author, now, part};

use crate::caller::Service;

fn first() -> NaiveDate {
    NaiveDate::from_ymd_opt(2025, 7, 1).unwrap()
}

/// The first of the month so many after this July.
fn month(ahead: i32) -> NaiveDate {
    let months = Months::new(ahead.unsigned_abs());
    if ahead < 0 { first() - months } else { first() + months }
}

/// A kept forecast run of one part.
struct Kept {
    at: DateTime<Utc>,
    /// The first month, and what is planned in each of three.
    months: (i32, [f64; 3]),
    hindcast: Option<Value>,
}

impl Kept {
    fn row(&self, run: RunId, part: PartId, (ahead, planned): (i32, f64)) -> ForecastRow {
        let band = (planned - 1.0, planned + 1.0);
        ForecastRow {
            id: RunRowId::fresh(),
            run,
            part,
            site: None,
            pool: None,
            month: month(self.months.0 + ahead),
            months: 1,
            mean: planned,
            planned,
            on_finding: 0.0,
            unplanned: 0.0,
            quantiles: json!({"10": band.0, "25": band.0, "50": planned, "75": band.1, "90": band.1}),
        }
    }

    fn rows(&self, run: RunId, yard: &Yard, part: PartId) -> Vec<ForecastRow> {
        let fleet = (0..).zip(self.months.1).map(|of| self.row(run, part, of));
        let share = |row: ForecastRow| {
            let (site, pool) = (Some(yard.site.id), Some(yard.pool.id));
            let fresh = || RunRowId::fresh();
            [
                ForecastRow { id: fresh(), site, ..row.clone() },
                ForecastRow { id: fresh(), site, pool, ..row.clone() },
                row,
            ]
        };
        fleet.flat_map(share).collect()
    }

    async fn keep(&self, service: &Service, yard: &Yard, part: PartId) -> RunId {
        let work = async |transaction: &Transaction| {
            let organisation = yard.organisation;
            let request = Request {
                kind: RunKind::Forecast,
                site: None,
                program_version: "0".to_owned(),
                seed: 1,
                parameters: json!({}),
                requested_by: "tests".to_owned(),
            };
            let run = runs::request(transaction, organisation, &request, self.at).await?.id;
            runs::start(transaction, organisation, run, self.at).await?;
            let how = ForecastPart {
                id: RunRowId::fresh(),
                run,
                part,
                site: None,
                model: "due dates".to_owned(),
                reason: "planned work".to_owned(),
                scores: json!([]),
                // Two years up to June 2025: 5 in each July, else 2.
                history: json!({"first": "2023-07", "quantities": used()}),
                hindcast: self.hindcast.clone(),
            };
            record::append(transaction, organisation, &[how]).await?;
            record::append(transaction, organisation, &self.rows(run, yard, part)).await?;
            let outcome = Outcome { input_digest: vec![1; 32], scores: None, summary: None };
            let files = files(part);
            runs::finish(transaction, organisation, run, &outcome, &files, self.at).await?;
            Ok::<_, StoreError>(run)
        };
        service.store.write(work).await.unwrap()
    }
}

fn used() -> Vec<f64> {
    (0..24).map(|month| if month % 12 == 0 { 5.0 } else { 2.0 }).collect()
}

fn paths(part: PartId) -> Vec<PartPaths> {
    vec![PartPaths {
        part: part.to_string(),
        months: 3,
        values: vec![1.0, 0.0, 2.0, 0.0, 0.0, 7.0],
    }]
}

fn demand() -> Vec<MonthlyDemand> {
    let row = |(ahead, quantity)| {
        let part = "B6-IM".to_owned();
        MonthlyDemand { part, month: month(ahead - 24), quantity }
    };
    (0..).zip(used()).map(row).collect()
}

fn files(part: PartId) -> Vec<RunFile> {
    let file = |name: &str, content| RunFile {
        name: name.to_owned(),
        media_type: "application/vnd.apache.parquet".to_owned(),
        content,
    };
    vec![
        file("paths.parquet", write_paths(&paths(part)).unwrap()),
        file("demand.parquet", write_demand(&demand()).unwrap()),
    ]
}

/// A yard with one part, and who reads.
async fn yard_with_part(service: &Service) -> (Yard, PartId) {
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let impeller = part("B6-IM");
    let work = async |transaction: &Transaction| {
        let rows = std::slice::from_ref(&impeller);
        record::create(transaction, yard.organisation, &author(), rows).await
    };
    service.store.write::<_, StoreError>(work).await.unwrap();
    (yard, impeller.id)
}

#[rstest]
#[tokio::test]
async fn a_forecast_says_what_changed_and_a_sites_and_a_pools_share_is_asked_for(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, part) = yard_with_part(&service).await;
    let viewer = service.caller(yard.organisation, Role::Viewer).await;
    let path = format!("/v1/parts/{part}/forecast");
    let kept = |days: i64, planned| Kept {
        at: now() + TimeDelta::days(days),
        months: (0, planned),
        hindcast: None,
    };
    let before = kept(0, [9.0, 4.0, 6.0]).keep(&service, &yard, part).await;
    let alone = viewer.get(&path).await.expect(200);
    assert_eq!((&alone["changed"], &alone["looking_back"]), (&Value::Null, &Value::Null));
    kept(1, [3.0, 4.0, 12.0]).keep(&service, &yard, part).await;

    let fleet = viewer.get(&path).await.expect(200);
    let changed = &fleet["changed"];
    assert_eq!(changed["since"], json!(before));
    assert_eq!(
        changed["says"],
        "16 instead of 10 in the 2 months that both know whole: planned work 16 instead of 10; \
         most in Sep 2025, 12 instead of 6"
    );
    assert_eq!(changed["months"].as_array().unwrap().len(), 2, "not the month that runs");
    assert_eq!(changed["months"][1]["before"]["planned"], json!(6.0));
    let planned = |of: &Value| -> Vec<f64> {
        of["months"].as_array().unwrap().iter().map(|it| it["planned"].as_f64().unwrap()).collect()
    };
    assert_eq!(planned(&fleet), [3.0, 4.0, 12.0], "the fleet's rows alone");
    for (of, key) in [(yard.site.id.0, "site"), (yard.pool.id.0, "pool")] {
        let share = viewer.get(&format!("{path}?{key}={of}")).await.expect(200);
        assert_eq!(planned(&share), planned(&fleet), "{key}");
        assert_eq!(share["months"][0][key], json!(of));
        assert_eq!(share["changed"]["says"], changed["says"]);
        assert_eq!(share["looking_back"], Value::Null);
    }
    let nowhere = viewer.get(&format!("{path}?site={}", uuid::Uuid::now_v7())).await.expect(200);
    assert_eq!(planned(&nowhere), Vec::<f64>::new());
    let both = format!("{path}?site={}&pool={}", yard.site.id, yard.pool.id);
    let refused = viewer.get(&both).await.refusal();
    assert_eq!(refused, (422, "site-or-pool".to_owned()));
    let earlier = viewer.get(&format!("{path}?run={before}")).await.expect(200);
    assert_eq!(planned(&earlier), [9.0, 4.0, 6.0]);
}

/// What a run's own code says from a year back: July to September 2024.
fn hindcast() -> Value {
    let month = |ahead: i32, mean: f64, (q10, q90): (f64, f64)| {
        let quantiles = json!({"10": q10, "25": q10, "50": mean, "75": q90, "90": q90});
        json!({"month": month(ahead - 12), "planned": mean, "on_finding": 0.0, "unplanned": 0.0,
               "quantiles": quantiles})
    };
    json!({
        "stood_on": "2024-07-01",
        "months": [month(0, 4.0, (3.0, 6.0)), month(1, 4.0, (3.0, 6.0)), month(2, 2.0, (0.0, 3.0))],
        "contested": null,
    })
}

#[rstest]
#[tokio::test]
async fn last_years_forecast_stands_beside_what_happened_and_a_kept_one_before_a_replay(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, part) = yard_with_part(&service).await;
    let viewer = service.caller(yard.organisation, Role::Viewer).await;
    let path = format!("/v1/parts/{part}/forecast");
    let today = Kept { at: now(), months: (0, [1.0; 3]), hindcast: Some(hindcast()) };
    today.keep(&service, &yard, part).await;
    let replay = viewer.get(&path).await.expect(200)["looking_back"].clone();
    assert_eq!((&replay["run"], &replay["stood_on"]), (&Value::Null, &json!("2024-07-01")));
    // July's 5 and September's 2 are inside, August's 2 is below 3 to 6.
    let says = "Of 3 months, 2 lie inside the 80 % band; 9 were used where 10 were expected";
    assert_eq!((&replay["says"], &replay["inside"]), (&json!(says), &json!(2)));
    assert_eq!(replay["months"][1]["used"], json!(2.0));

    // Thirteen months ago somebody forecast June to August 2024 on the seventh of June: of June it
    // counted the days that were left.
    let at = now() - TimeDelta::days(395);
    let then = Kept { at, months: (-13, [4.0, 4.5, 2.0]), hindcast: None };
    let then = then.keep(&service, &yard, part).await;
    let run = Kept { at: now(), ..today }.keep(&service, &yard, part).await;
    let kept = viewer.get(&format!("{path}?run={run}")).await.expect(200)["looking_back"].clone();
    assert_eq!((&kept["run"], &kept["stood_on"]), (&json!(then), &json!("2024-06-07")));
    let months = kept["months"].as_array().unwrap();
    assert_eq!(months.len(), 2);
    assert_eq!((&months[0]["month"], &months[0]["used"]), (&json!("2024-07-01"), &json!(5.0)));
    assert_eq!(kept["inside"], json!(2));
}

#[rstest]
#[tokio::test]
async fn the_snapshot_and_the_paths_of_a_run_are_read_back_as_parquet(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, part) = yard_with_part(&service).await;
    let run = Kept { at: now(), months: (0, [1.0; 3]), hindcast: None };
    let run = run.keep(&service, &yard, part).await;
    let viewer = service.caller(yard.organisation, Role::Viewer).await;
    let listed = viewer.get(&format!("/v1/runs/{run}")).await.expect(200);
    let names: Vec<&str> =
        listed["files"].as_array().unwrap().iter().map(|it| it["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["demand.parquet", "paths.parquet"]);
    let file = async |name| viewer.get(&format!("/v1/runs/{run}/files/{name}")).await.bytes;
    assert_eq!(read_demand(file("demand.parquet").await).unwrap(), demand());
    assert_eq!(read_paths(file("paths.parquet").await).unwrap(), paths(part));
    let none = viewer.get(&format!("/v1/runs/{run}/files/weather.parquet")).await;
    assert_eq!(none.refusal(), (404, "not-found".to_owned()));
}
