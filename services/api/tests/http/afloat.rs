//! What happens on the jetty, over HTTP: meters swapped, engines fitted and taken off, hire, checks.

use fleet::person::Role;
use rstest::rstest;
use serde_json::{Value, json};
use store::{StoreError, Transaction, record};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::{Yard, author};

use crate::caller::Service;

/// A boat of each of two names, beside an engine; their ids.
async fn with_boats(service: &Service, yard: &Yard) -> [String; 2] {
    let boats = [yard.boat("Sula"), yard.boat("Skarv")];
    let ids = boats.clone().map(|boat| boat.id.to_string());
    let work = async |transaction: &Transaction| {
        record::create(transaction, yard.organisation, &author(), &boats).await?;
        Ok::<_, StoreError>(())
    };
    service.store.write(work).await.unwrap();
    ids
}

async fn with_spare(service: &Service, yard: &Yard) -> String {
    let spare = yard.engine("ND-7");
    let id = spare.id.to_string();
    let work = async |transaction: &Transaction| {
        record::create(transaction, yard.organisation, &author(), &[spare]).await?;
        Ok::<_, StoreError>(())
    };
    service.store.write(work).await.unwrap();
    id
}

fn items(list: &Value) -> &Vec<Value> {
    list["items"].as_array().unwrap()
}

#[rstest]
#[tokio::test]
async fn an_engine_has_one_meter_on(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let technician = service.caller(yard.organisation, Role::Technician).await;
    let meter = |at: &str| json!({"engine": engine, "kind": "hour_meter", "fitted_at": at});
    let first = technician.post("/v1/meters", meter("2026-04-01T08:00:00Z")).await.expect(201);
    assert_eq!(first["kind"], "hour_meter");
    // Another goes on by a swap, which keeps what the old one showed last.
    let second = technician.post("/v1/meters", meter("2026-05-01T08:00:00Z")).await;
    let (status, _) = second.refusal();
    assert!((400..500).contains(&status), "{status}");
    let meters = technician.get("/v1/meters").await.expect(200);
    assert_eq!(items(&meters).len(), 1);
}

#[rstest]
#[tokio::test]
async fn life_hours_go_on_over_a_swapped_meter(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let technician = service.caller(yard.organisation, Role::Technician).await;
    let readings = format!("/v1/engines/{engine}/readings");
    let swaps = format!("/v1/engines/{engine}/meter-swaps");
    let reading = |day: u32, shown: f64| {
        json!({"read_at": format!("2026-07-{day:02}T18:00:00Z"),
        "shown": shown})
    };
    technician.post(&readings, reading(1, 100.0)).await.expect(201);

    let swap = |day: u32, old: f64, new: f64| {
        json!({"old_last": old, "new_first": new,
        "swapped_at": format!("2026-07-{day:02}T18:00:00Z"), "serial": "H-55"})
    };
    for (given, rule) in [
        (swap(2, 99.9, 0.0), "reading-falls"),
        (swap(2, 124.2, 0.0), "reading-faster-than-time"),
        (swap(1, 101.0, 0.0), "reading-two-values"),
    ] {
        assert_eq!(technician.post(&swaps, given).await.refusal(), (422, rule.to_owned()));
    }
    let future = json!({"swapped_at": "2199-01-01T00:00:00Z", "old_last": 101, "new_first": 0});
    let refused = technician.post(&swaps, future).await.refusal();
    assert_eq!(refused, (422, "reading-in-future".to_owned()));
    let meters = technician.get("/v1/meters").await.expect(200);
    assert_eq!(items(&meters).len(), 0, "what is refused changes nothing");

    let taken = technician.post(&swaps, swap(10, 110.0, 3.0)).await.expect(201);
    assert_eq!(
        (&taken["outcome"], &taken["reading"]["shown_before"]),
        (&json!("new"), &json!(110.0))
    );
    assert_eq!(
        (&taken["meter"]["serial"], &taken["meter"]["kind"]),
        (&json!("H-55"), &json!("hour_meter"))
    );
    let again = technician.post(&swaps, swap(10, 110.0, 3.0)).await.expect(200);
    assert_eq!(
        (&again["outcome"], &again["meter"]["id"]),
        (&json!("known"), &taken["meter"]["id"])
    );
    let other = technician.post(&swaps, swap(10, 111.0, 3.0)).await.refusal();
    assert_eq!(other, (422, "reading-two-values".to_owned()));
    // The new meter counts on from three hours, and a later swap ends it.
    technician.post(&readings, reading(11, 8.0)).await.expect(201);
    technician.post(&swaps, swap(20, 30.0, 0.0)).await.expect(201);
    let meters = technician.get("/v1/meters").await.expect(200);
    let spans: Vec<_> =
        items(&meters).iter().map(|m| (&m["fitted_at"], &m["removed_at"])).collect();
    let (first, second) = (json!("2026-07-10T18:00:00Z"), json!("2026-07-20T18:00:00Z"));
    assert_eq!(spans, [(&first, &second), (&second, &Value::Null)]);
    // One that is told late stands between them.
    technician.post(&swaps, swap(15, 20.0, 20.0)).await.expect(201);
    let meters = technician.get("/v1/meters").await.expect(200);
    let between = json!("2026-07-15T18:00:00Z");
    let spans: Vec<_> =
        items(&meters).iter().map(|m| (&m["fitted_at"], &m["removed_at"])).collect();
    assert_eq!(spans, [(&first, &between), (&second, &Value::Null), (&between, &second)]);
    // The last one was mistyped: 30 hours instead of 28.
    let corrections = format!("/v1/engines/{engine}/meter-swap-corrections");
    let right = |old_last: f64| {
        let at = "2026-07-20T18:00:00Z";
        let right = json!({"swapped_at": at, "old_last": old_last, "new_first": 0});
        json!({"swap": at, "right": right, "reason": "typo"})
    };
    let taken = technician.post(&corrections, right(28.0)).await.expect(201);
    assert_eq!(taken["reading"]["corrects"], second);
    technician.post(&corrections, right(28.0)).await.expect(200);
    let refused = technician.post(&corrections, right(2.0)).await.refusal();
    assert_eq!(refused, (422, "reading-falls".to_owned()));
    let unclear = json!({"swap": "2026-07-20T18:00:00Z", "reason": "typo"});
    let refused = technician.post(&corrections, unclear).await.refusal();
    assert_eq!(refused, (422, "swap-correction-unclear".to_owned()));
    let undone = json!({"swap": "2026-07-20T18:00:00Z", "shown": 28, "reason": "wrong engine"});
    technician.post(&corrections, undone).await.expect(201);
    let meters = technician.get("/v1/meters").await.expect(200);
    assert_eq!(items(&meters).len(), 2, "the meter that never was is gone");
}

#[rstest]
#[tokio::test]
async fn an_engine_sits_on_one_boat_at_a_time(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let [sula, skarv] = with_boats(&service, &yard).await;
    let spare = with_spare(&service, &yard).await;
    let planner = service.caller(yard.organisation, Role::Planner).await;
    let fit = |engine: &str, boat: &str, from: &str| json!({"engine": engine, "boat": boat, "fitted_at": from});
    let refused = async |body: Value| planner.post("/v1/fittings", body).await.refusal();
    let first = planner
        .post_with(
            "/v1/fittings",
            &[("idempotency-key", "one")],
            fit(&engine, &sula, "2026-05-01T08:00:00Z"),
        )
        .await;
    assert_eq!(first.header("etag"), "\"1\"");
    let first = first.expect(201);
    let overlaps = (422, "fitting-overlaps".to_owned());
    assert_eq!(refused(fit(&engine, &skarv, "2026-06-01T08:00:00Z")).await, overlaps);
    assert_eq!(refused(fit(&spare, &sula, "2026-06-01T08:00:00Z")).await, overlaps);
    let mut before = fit(&spare, &sula, "2026-04-01T08:00:00Z");
    before["removed_at"] = json!("2026-05-01T08:00:01Z");
    assert_eq!(refused(before.clone()).await, overlaps);
    before["removed_at"] = json!("2026-03-01T08:00:00Z");
    assert_eq!(refused(before.clone()).await, (422, "ends-before-it-begins".to_owned()));
    assert_eq!(refused(fit(&spare, &skarv, "2199-01-01T00:00:00Z")).await.1, "in-the-future");
    before["removed_at"] = json!("2026-05-01T08:00:00Z");
    planner.post("/v1/fittings", before).await.expect(201);

    let removal = format!("/v1/fittings/{}/removal", first["id"].as_str().unwrap());
    let off = async |tag: &str, at: &str| {
        let body = json!({"removed_at": at});
        planner.json("POST", &removal, &[("if-match", tag)], body).await
    };
    assert_eq!(off("\"7\"", "2026-06-01T08:00:00Z").await.refusal().0, 412);
    let early = off("\"1\"", "2026-05-01T08:00:00Z").await.refusal();
    assert_eq!(early, (422, "ends-before-it-begins".to_owned()));
    let ended = off("\"1\"", "2026-06-01T08:00:00Z").await.expect(200);
    assert_eq!(
        (&ended["removed_at"], &ended["version"]),
        (&json!("2026-06-01T08:00:00Z"), &json!(2))
    );
    assert_eq!(off("\"2\"", "2026-06-02T08:00:00Z").await.refusal().1, "fitting-ended");

    // Back on, then a spare in its place: one call, and what sat there comes off.
    planner.post("/v1/fittings", fit(&engine, &sula, "2026-06-01T08:00:00Z")).await.expect(201);
    let mut instead = fit(&spare, &sula, "2026-07-01T08:00:00Z");
    instead["replaces"] = json!(true);
    planner.post("/v1/fittings", instead).await.expect(201);
    let of_engine = planner.get(&format!("/v1/engines/{engine}/fittings")).await.expect(200);
    let off: Vec<_> = items(&of_engine).iter().map(|one| &one["removed_at"]).collect();
    assert_eq!(off, [&json!("2026-06-01T08:00:00Z"), &json!("2026-07-01T08:00:00Z")]);
    let of_boat = planner.get(&format!("/v1/boats/{sula}/fittings?size=3")).await;
    assert!(of_boat.header("link").contains("rel=\"next\""), "{of_boat:?}");
    assert_eq!(items(&of_boat.expect(200)).len(), 3);
    let empty = planner.get(&format!("/v1/boats/{skarv}/fittings")).await.expect(200);
    assert_eq!(items(&empty).len(), 0);

    // Two fitted engines change places in one call.
    let both = json!({"engine": spare, "with": engine, "at": "2026-07-03T08:00:00Z"});
    let path = "/v1/fittings/exchange";
    let refused = planner.post(path, both.clone()).await.refusal();
    assert_eq!(refused, (422, "engine-not-fitted".to_owned()));
    planner.post("/v1/fittings", fit(&engine, &skarv, "2026-07-02T08:00:00Z")).await.expect(201);
    let exchanged = planner.post(path, both).await.expect(201);
    let sits: Vec<_> = exchanged["fittings"].as_array().unwrap().iter().collect();
    assert_eq!((&sits[0]["engine"], &sits[0]["boat"]), (&json!(spare), &json!(skarv)));
    assert_eq!((&sits[1]["engine"], &sits[1]["boat"]), (&json!(engine), &json!(sula)));
}

#[rstest]
#[tokio::test]
async fn a_boat_is_out_once_at_a_time(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let [sula, skarv] = with_boats(&service, &yard).await;
    let planner = service.caller(yard.organisation, Role::Planner).await;
    let fitting = json!({"engine": engine, "boat": sula, "fitted_at": "2026-05-01T08:00:00Z",
        "removed_at": "2026-07-04T12:00:00Z"});
    planner.post("/v1/fittings", fitting).await.expect(201);
    let hire = |boat: &str, out: &str, back: &str| {
        json!({"boat": boat, "out_at": format!("2026-07-{out}:00Z"),
            "back_at": format!("2026-07-{back}:00Z"), "used_for": "fishing"})
    };
    let post = async |body: Value| planner.post("/v1/hire-log", body).await;
    post(hire(&sula, "04T08:00", "04T16:00")).await.expect(201);
    let again = post(hire(&sula, "04T08:00", "04T16:00")).await;
    assert_eq!(again.refusal(), (409, "already-there".to_owned()));
    for (out, back, rule) in [
        ("04T15:59", "04T18:00", "hire-overlaps"),
        ("04T07:00", "04T08:01", "hire-overlaps"),
        ("05T08:00", "05T08:00", "ends-before-it-begins"),
    ] {
        let refused = post(hire(&sula, out, back)).await.refusal();
        assert_eq!(refused, (422, rule.to_owned()), "{out} {back}");
    }
    let mut later = hire(&sula, "04T08:00", "04T16:00");
    later["out_at"] = json!("2198-01-01T00:00:00Z");
    later["back_at"] = json!("2199-01-01T00:00:00Z");
    assert_eq!(post(later).await.refusal().1, "in-the-future");
    post(hire(&sula, "04T16:00", "04T18:00")).await.expect(201);
    post(hire(&skarv, "04T08:00", "04T16:00")).await.expect(201);
    let of_boat = planner.get(&format!("/v1/boats/{sula}/hire-log")).await.expect(200);
    assert_eq!(items(&of_boat).len(), 2);
    let of_engine = planner.get(&format!("/v1/engines/{engine}/hire-log")).await.expect(200);
    let out: Vec<_> = items(&of_engine).iter().map(|one| &one["out_at"]).collect();
    assert_eq!(out, [&json!("2026-07-04T08:00:00Z")], "the engine was off in the afternoon");
    let spare = with_spare(&service, &yard).await;
    let never = planner.get(&format!("/v1/engines/{spare}/hire-log")).await.expect(200);
    assert_eq!(items(&never).len(), 0, "an engine that sat nowhere was never out");
}

#[rstest]
#[tokio::test]
async fn a_check_says_what_was_looked_at(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let [sula, _] = with_boats(&service, &yard).await;
    let spare = with_spare(&service, &yard).await;
    let planner = service.caller(yard.organisation, Role::Planner).await;
    let fitting = json!({"engine": engine, "boat": sula, "fitted_at": "2026-05-01T08:00:00Z"});
    planner.post("/v1/fittings", fitting).await.expect(201);
    let technician = service.caller(yard.organisation, Role::Technician).await;
    let post = async |body: Value| technician.post("/v1/hire-checks", body).await;
    let check = |items: Value| {
        json!({"boat": sula, "kind": "return", "checked_at": "2026-07-04T16:05:00Z",
            "items": items})
    };
    let twice =
        json!([{"item": "propeller", "outcome": "bad"}, {"item": "propeller", "outcome": "good"}]);
    assert_eq!(post(check(twice)).await.refusal(), (422, "named-twice".to_owned()));
    let seen =
        json!([{"item": "propeller", "outcome": "bad"}, {"item": "stop_cord", "outcome": "good"}]);
    let mut elsewhere = check(seen.clone());
    elsewhere["engine"] = json!(spare);
    assert_eq!(post(elsewhere).await.refusal(), (422, "engine-not-on-boat".to_owned()));
    let mut later = check(seen.clone());
    later["checked_at"] = json!("2199-01-01T00:00:00Z");
    assert_eq!(post(later).await.refusal(), (422, "in-the-future".to_owned()));
    let taken = post(check(seen.clone())).await.expect(201);
    assert_eq!((&taken["check"]["engine"], &taken["items"]), (&json!(engine), &seen));
    assert!(taken.get("findings").is_none(), "nothing is raised unasked: {taken}");
    let again = post(check(seen.clone())).await.refusal();
    assert_eq!(again, (409, "already-there".to_owned()));
    let held = technician.get("/v1/holds").await.expect(200);
    assert_eq!(items(&held).len(), 0);
    let mut raises = check(json!([{"item": "fuel_leaks", "outcome": "bad"},
        {"item": "flushed", "outcome": "bad"}, {"item": "shift", "outcome": "good"}]));
    raises["raise_findings"] = json!(true);
    raises["kind"] = json!("hand_over");
    let taken = post(raises).await.expect(201);
    assert_eq!(taken["findings"].as_array().unwrap().len(), 1, "{taken}");
    let held = technician.get("/v1/holds").await.expect(200);
    assert_eq!(
        (&items(&held)[0]["reason"], &items(&held)[0]["safety"]),
        (&json!("fuel leak"), &json!(true))
    );
    for path in
        [format!("/v1/boats/{sula}/hire-checks"), format!("/v1/engines/{engine}/hire-checks")]
    {
        let list = technician.get(&path).await.expect(200);
        assert_eq!(items(&list).len(), 2, "{path}");
        let names = |list: &Value| {
            let mut names: Vec<_> =
                list.as_array().unwrap().iter().map(ToString::to_string).collect();
            names.sort_unstable();
            names
        };
        assert_eq!(names(&items(&list)[0]["items"]), names(&seen), "{path}");
    }
}
