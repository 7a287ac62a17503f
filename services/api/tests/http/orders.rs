//! Orders from draft to closed over HTTP, and what is refused on the way.

use fleet::id::{PartId, PersonId, RunId, SupplierId};
use fleet::person::{Person, Role};
use fleet::run::RunKind;
use fleet::{Currency, Money};
use rstest::rstest;
use serde_json::{Value, json};
use store::{Transaction, record, runs};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::Yard;

use crate::caller::{Caller, Service};

/// A yard with an engine and a supplier who sells a seal (packs of 4, shelf life 5 years) and a plain pin.
struct Purchasing {
    service: Service,
    yard: Yard,
    engine: String,
    buyer: Caller,
    supplier: Value,
    seal: Value,
    pin: Value,
}

impl Purchasing {
    async fn start(on: Database) -> Option<Self> {
        let service = Service::start(on).await?;
        let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
        let buyer = service.caller(yard.organisation, Role::Buyer).await;
        let supplier = json!({
            "name": "Coast Marine Parts", "currency": "EUR", "order_minimum_minor": null,
            "freight_minor": 900, "order_cost_minor": null, "review_days": 30, "note": null,
            "archived": false,
        });
        let supplier = buyer.post("/v1/suppliers", supplier).await.expect(201)["id"].clone();
        let mut parts = Vec::new();
        for (number, months) in [("BV-SEAL", Some(60)), ("BV-PIN", None)] {
            let part = json!({
                "number": number, "maker": "Brattvik", "name": number, "kind": "part",
                "unit": "each", "compound": null, "shelf_life_months": months,
                "shelf_life_source": null, "sealing": months.is_some(), "returnable": true,
                "boat_days_lost_hundredths": null, "family": null, "archived": false,
            });
            let part = buyer.post("/v1/parts", part).await.expect(201)["id"].clone();
            buyer.post("/v1/terms", term(&part, &supplier, 4)).await.expect(201);
            parts.push(part);
        }
        let pin = parts.pop()?;
        Some(Self { seal: parts.pop()?, pin, supplier, buyer, engine, yard, service })
    }

    async fn draft(&self) -> Value {
        let body = json!({"supplier": self.supplier, "site": self.yard.site.id, "lines": [
            {"part": self.seal, "quantity": 8}, {"part": self.pin, "quantity": 4},
        ]});
        self.buyer.post("/v1/orders", body).await.expect(201)
    }

    /// Does a step of the order at a version.
    async fn step(&self, order: &Value, version: i64, what: &str, body: Value) -> Value {
        let path = format!("/v1/orders/{}/{what}", order["id"].as_str().unwrap());
        let tag = format!("\"{version}\"");
        self.buyer.post_with(&path, &[("if-match", &tag)], body).await.expect(200)
    }

    /// An order that is with the supplier since yesterday, and its lines: seal, pin.
    async fn sent(&self) -> (Value, Value, Value) {
        let drafted = self.draft().await;
        let order = drafted["order"].clone();
        let line = |part: &Value| {
            let lines = drafted["lines"].as_array().unwrap();
            lines.iter().find(|line| line["part"] == *part).unwrap().clone()
        };
        let lines = (line(&self.seal), line(&self.pin));
        self.step(&order, 1, "approval", json!({})).await;
        let sent = self.step(&order, 2, "sending", json!({"ordered_on": yesterday()})).await;
        assert_eq!(sent["status"], "sent");
        (sent, lines.0, lines.1)
    }

    async fn receive(&self, order: &Value, lines: Value) -> crate::caller::Answer {
        let path = format!("/v1/orders/{}/receipts", order["id"].as_str().unwrap());
        let body = json!({"delivery_note": "LS-77", "lines": lines,
            "received_by": self.yard.owner.id});
        self.buyer.post(&path, body).await
    }
}

fn yesterday() -> String {
    let day = chrono::Utc::now().date_naive() - chrono::Days::new(1);
    day.to_string()
}

fn term(part: &Value, supplier: &Value, pack: i64) -> Value {
    json!({
        "part": part, "supplier": supplier, "supplier_number": "CM-1", "pack": pack,
        "minimum": 1, "price": {"amount": "5.00", "currency": "EUR"}, "price_units": 1,
        "lead_days_median": 14, "lead_days_worst": 30, "review_days": null, "policy": null,
        "target_permille": null, "valid_from": "2020-01-01", "valid_until": null,
    })
}

#[rstest]
#[tokio::test]
async fn an_order_goes_from_draft_over_part_receipt_to_closed(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(shop) = Purchasing::start(on).await else { return };
    let (order, seal, pin) = shop.sent().await;
    let expected = chrono::Utc::now().date_naive() + chrono::Days::new(13);
    assert_eq!(order["expected_on"], expected.to_string(), "by the stated median of 14 days");

    let came = json!([{"line": seal["id"], "quantity": 6}, {"line": pin["id"], "quantity": 4}]);
    let received = shop.receive(&order, came).await.expect(201);
    assert_eq!(received["order"]["status"], "part_received");
    assert_eq!(received["lots"].as_array().unwrap().len(), 1, "a pin does not age");
    let lot = format!("/v1/lots/{}", received["lots"][0].as_str().unwrap());
    let lot = shop.buyer.get(&lot).await.expect(200);
    assert_eq!((&lot["dated_by"], &lot["cured_on"]), (&json!("receipt"), &Value::Null));

    let line = |what: &str| format!("/v1/order-lines/{}/{what}", seal["id"].as_str().unwrap());
    let later = json!({"expected_on": "2099-01-01", "note": "maker is late"});
    shop.buyer.post_with(&line("back-order"), &[("if-match", "\"1\"")], later).await.expect(200);
    let why = json!({"note": "bought elsewhere"});
    let giving_up = line("cancellation");
    let stale = shop.buyer.post_with(&giving_up, &[("if-match", "\"1\"")], why.clone()).await;
    assert_eq!(stale.refusal(), (412, "changed-meanwhile".to_owned()));
    let rest = shop.buyer.post_with(&line("cancellation"), &[("if-match", "\"2\"")], why).await;
    let rest = rest.expect(200);
    assert_eq!(rest["order"]["status"], "received");
    assert_eq!(rest["lines"][0]["cancelled"], 2);

    let version = rest["order"]["version"].as_i64().unwrap();
    let closed = shop.step(&order, version, "closing", Value::Null).await;
    assert_eq!(closed["status"], "closed");
    let levels = shop.buyer.get("/v1/stock-levels").await.expect(200);
    let on_hand = |part: &Value| {
        let levels = levels["items"].as_array().unwrap();
        levels.iter().find(|level| level["part"] == *part).unwrap()["on_hand"].clone()
    };
    assert_eq!((on_hand(&shop.seal), on_hand(&shop.pin)), (json!(6), json!(4)));
    let history = shop.buyer.get("/v1/history?size=500").await.expect(200).to_string();
    assert!(history.contains("maker is late") && history.contains("bought elsewhere"));
}

#[rstest]
#[tokio::test]
async fn what_arrives_kits_the_job_that_waits_and_says_which(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(shop) = Purchasing::start(on).await else { return };
    let (order, _, pin) = shop.sent().await;
    let planner = shop.service.caller(shop.yard.organisation, Role::Planner).await;
    let mut jobs = Vec::new();
    for _ in 0..2 {
        let body = json!({"engine": shop.engine, "tasks": [],
            "parts": [{"part": shop.pin, "quantity": 2}]});
        let job = planner.post("/v1/jobs", body).await.expect(201)["id"].clone();
        let path = format!("/v1/jobs/{}/state", job.as_str().unwrap());
        let agreed = planner.post_with(&path, &[("if-match", "\"1\"")], json!({"state": "agreed"}));
        let agreed = agreed.await.expect(200);
        assert_eq!(agreed["job"]["status"], "short", "until {}", order["expected_on"]);
        assert_eq!(agreed["shortages"][0]["until"], order["expected_on"]);
        jobs.push(job);
    }
    let came = json!([{"line": pin["id"], "quantity": 3}]);
    let received = shop.receive(&order, came).await.expect(201);
    assert_eq!(received["kitted"].as_array().unwrap().len(), 1, "three are enough for one job");
    assert!(jobs.contains(&received["kitted"][0]));
    let came = json!([{"line": pin["id"], "quantity": 1}]);
    let path = format!("/v1/orders/{}/receipts", order["id"].as_str().unwrap());
    let received = shop.buyer.post(&path, json!({"lines": came})).await.expect(201);
    assert_eq!(received["kitted"].as_array().unwrap().len(), 1, "and one more for the other");
}

#[rstest]
#[tokio::test]
async fn more_than_ordered_is_taken_only_in_somebodys_name(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(shop) = Purchasing::start(on).await else { return };
    let (order, seal, _) = shop.sent().await;
    let many = |accepted: Value| {
        json!([{"line": seal["id"], "quantity": 9, "lot": "B-12", "cured": "2024-Q3",
            "accepted": accepted}])
    };
    let refused = shop.receive(&order, many(Value::Null)).await;
    assert_eq!(refused.refusal(), (422, "received-more-than-ordered".to_owned()));
    let path = format!("/v1/orders/{}/receipts", order["id"].as_str().unwrap());
    let nobody = shop.buyer.post(&path, json!({"lines": many(json!("a gift"))})).await;
    assert_eq!(nobody.refusal(), (422, "received-more-than-ordered".to_owned()));
    let taken = shop.receive(&order, many(json!("a gift"))).await.expect(201);
    let lot = format!("/v1/lots/{}", taken["lots"][0].as_str().unwrap());
    let lot = shop.buyer.get(&lot).await.expect(200);
    assert_eq!((&lot["dated_by"], &lot["expires_on"]), (&json!("cure"), &json!("2029-09-30")));
    let lines = shop.buyer.get("/v1/receipt-lines").await.expect(200);
    assert_eq!(lines["items"][0]["accepted"], "a gift");
    let again = |cured: &str| {
        json!([{"line": seal["id"], "quantity": 1, "lot": "B-12", "cured": cured,
            "accepted": "a gift"}])
    };
    let path = format!("/v1/orders/{}/receipts", order["id"].as_str().unwrap());
    let receive = async |cured: &str| {
        let body = json!({"lines": again(cured), "received_by": shop.yard.owner.id});
        shop.buyer.post(&path, body).await
    };
    let other = receive("2024-Q4").await;
    assert_eq!(other.refusal(), (422, "lot-other-dates".to_owned()), "other goods, other code");
    receive("2024-Q3").await.expect(201);
}

#[rstest]
#[tokio::test]
async fn goods_past_their_date_are_taken_only_in_somebodys_name(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(shop) = Purchasing::start(on).await else { return };
    let (order, seal, pin) = shop.sent().await;
    let came = |line: &Value, of: Value, accepted: Value| {
        let mut one = json!({"line": line["id"], "quantity": 1, "accepted": accepted});
        for (name, value) in of.as_object().unwrap() {
            one[name] = value.clone();
        }
        json!([one])
    };
    let cases = [
        (&seal, json!({"expires_on": "2024-01-31"}), "received-expired"),
        (&seal, json!({"cured": "3/2001"}), "received-expired"),
        (&pin, json!({"cured": "3/1994"}), "cure-quarter-long-ago"),
    ];
    let path = format!("/v1/orders/{}/receipts", order["id"].as_str().unwrap());
    let receive = async |lines: Value| {
        let body = json!({"lines": lines, "received_by": shop.yard.owner.id});
        shop.buyer.post(&path, body).await
    };
    for (line, of, rule) in cases {
        let refused = receive(came(line, of.clone(), Value::Null)).await;
        assert_eq!(refused.refusal(), (422, rule.to_owned()), "{of}");
        receive(came(line, of, json!("for trials only"))).await.expect(201);
    }
    let future = receive(came(&pin, json!({"cured": "1/2099"}), json!("x"))).await;
    assert_eq!(future.refusal(), (422, "cure-quarter-later".to_owned()));
    let lines = shop.buyer.get("/v1/receipt-lines").await.expect(200);
    let lines = lines["items"].as_array().unwrap();
    assert!(lines.iter().all(|line| line["accepted"] == "for trials only"), "it is on record");
}

#[rstest]
#[tokio::test]
async fn goods_go_back_for_others_or_for_the_money(#[values(Sqlite, Postgres)] on: Database) {
    let Some(shop) = Purchasing::start(on).await else { return };
    let (order, seal, pin) = shop.sent().await;
    let all = json!([{"line": seal["id"], "quantity": 8}, {"line": pin["id"], "quantity": 4}]);
    let received = shop.receive(&order, all).await.expect(201);
    assert_eq!(received["order"]["status"], "received");
    let back = async |line: &Value, version: &str, quantity: i64, replaced: bool| {
        let path = format!("/v1/order-lines/{}/returns", line["id"].as_str().unwrap());
        let body = json!({"quantity": quantity, "reason": "lip torn", "replaced": replaced});
        shop.buyer.post_with(&path, &[("if-match", version)], body).await
    };
    let others = back(&seal, "\"1\"", 3, true).await.expect(200);
    assert_eq!(others["order"]["status"], "part_received", "three are awaited again");
    let money = back(&pin, "\"1\"", 1, false).await.expect(200);
    assert_eq!(money["lines"][0]["cancelled"], 1);
    let too_many = back(&pin, "\"2\"", 4, false).await;
    assert_eq!(too_many.refusal(), (422, "returned-more-than-received".to_owned()));
    let again = json!([{"line": seal["id"], "quantity": 3}]);
    let path = format!("/v1/orders/{}/receipts", order["id"].as_str().unwrap());
    let again = shop.buyer.post(&path, json!({"lines": again})).await.expect(201);
    assert_eq!(again["order"]["status"], "received");
}

#[rstest]
#[tokio::test]
async fn an_invoice_stands_beside_what_was_agreed(#[values(Sqlite, Postgres)] on: Database) {
    let Some(shop) = Purchasing::start(on).await else { return };
    let (order, seal, _) = shop.sent().await;
    let path = format!("/v1/orders/{}/invoices", order["id"].as_str().unwrap());
    let invoice = |amount: &str, currency: &str, reason: Value| {
        json!({"invoice": "R-9", "invoiced_on": yesterday(), "lines": [
            {"line": seal["id"], "quantity": 8, "reason": reason,
                "amount": {"amount": amount, "currency": currency}},
            {"amount": {"amount": "9.00", "currency": currency}},
        ]})
    };
    let dearer = shop.buyer.post(&path, invoice("41.60", "EUR", Value::Null)).await;
    assert_eq!(dearer.refusal(), (422, "invoice-differs".to_owned()));
    let other = shop.buyer.post(&path, invoice("40.00", "SEK", Value::Null)).await;
    assert_eq!(other.refusal(), (422, "currencies-mixed".to_owned()));
    let reason = json!("price list of June");
    let booked = shop.buyer.post(&path, invoice("41.60", "EUR", reason.clone())).await.expect(201);
    let of_line = &booked["lines"][0];
    assert_eq!((&of_line["amount_minor"], &of_line["agreed_minor"]), (&json!(4160), &json!(4000)));
    let twice = shop.buyer.post(&path, invoice("41.60", "EUR", reason)).await;
    assert_eq!(twice.refusal(), (409, "already-there".to_owned()));
    // Neither the same goods nor the freight are agreed a second time under another number.
    for line in [json!({"line": seal["id"], "quantity": 8}), json!({})] {
        let mut line = line;
        let amount = if line["line"].is_null() { "9.00" } else { "40.00" };
        line["amount"] = json!({"amount": amount, "currency": "EUR"});
        let again = json!({"invoice": "R-10", "invoiced_on": yesterday(), "lines": [line]});
        let refused = shop.buyer.post(&path, again).await;
        assert_eq!(refused.refusal(), (422, "invoice-differs".to_owned()));
    }
}

#[rstest]
#[tokio::test]
async fn each_step_waits_for_the_one_before(#[values(Sqlite, Postgres)] on: Database) {
    let Some(shop) = Purchasing::start(on).await else { return };
    let drafted = shop.draft().await;
    let (order, line) = (&drafted["order"], &drafted["lines"][0]);
    let id = order["id"].as_str().unwrap();
    let post = async |what: &str, tag: &str, body: Value| {
        let path = format!("/v1/orders/{id}/{what}");
        shop.buyer.post_with(&path, &[("if-match", tag)], body).await
    };
    let early = post("sending", "\"1\"", json!({})).await;
    assert_eq!(early.refusal(), (422, "order-illegal-move".to_owned()));
    let goods = shop.receive(order, json!([{"line": line["id"], "quantity": 1}])).await;
    assert_eq!(goods.refusal(), (422, "order-not-sent".to_owned()));
    let path = format!("/v1/order-lines/{}", line["id"].as_str().unwrap());
    for (body, rule) in [
        (json!({"quantity": 0}), "order-quantity-not-positive"),
        (json!({"quantity": 6}), "order-not-as-sold"),
    ] {
        let refused = shop.buyer.put(&path, "\"1\"", body).await;
        assert_eq!(refused.refusal(), (422, rule.to_owned()));
    }
    let noted = json!({"quantity": 6, "note": "they break packs for us"});
    shop.buyer.put(&path, "\"1\"", noted.clone()).await.expect(200);
    let hand = Person {
        id: PersonId::fresh(),
        name: "Torunn Vik".into(),
        email: None,
        role: Role::Technician,
        ..shop.yard.owner.clone()
    };
    let work = async |transaction: &Transaction| {
        let (yard, hands) = (&shop.yard, std::slice::from_ref(&hand));
        record::create(transaction, yard.organisation, &tests::yard::author(), hands).await
    };
    shop.service.store.write(work).await.unwrap();
    let borrowed = post("approval", "\"1\"", json!({"person": hand.id})).await;
    assert_eq!(borrowed.refusal(), (422, "order-approver-may-not".to_owned()));
    post("approval", "\"1\"", json!({"person": shop.yard.owner.id})).await.expect(200);
    let late = shop.buyer.put(&path, "\"2\"", noted).await;
    assert_eq!(late.refusal(), (422, "order-not-a-draft".to_owned()));
    let future = post("sending", "\"2\"", json!({"ordered_on": "2099-01-01"})).await;
    assert_eq!(future.refusal(), (422, "order-day-in-future".to_owned()));
    post("reopening", "\"2\"", Value::Null).await.expect(200);
    let silent = post("cancellation", "\"3\"", json!({"note": " "})).await;
    assert_eq!(silent.refusal(), (422, "order-note-missing".to_owned()));
    let off = post("cancellation", "\"3\"", json!({"note": "not needed"})).await.expect(200);
    assert_eq!(off["status"], "cancelled");
}

#[rstest]
#[tokio::test]
async fn a_delivery_sent_twice_is_received_once(#[values(Sqlite, Postgres)] on: Database) {
    let Some(shop) = Purchasing::start(on).await else { return };
    let (order, _, pin) = shop.sent().await;
    let path = format!("/v1/orders/{}/receipts", order["id"].as_str().unwrap());
    let body = json!({"lines": [{"line": pin["id"], "quantity": 2}]});
    let key = [("idempotency-key", "delivery of this morning")];
    let first = shop.buyer.post_with(&path, &key, body.clone()).await.expect(201);
    let second = shop.buyer.post_with(&path, &key, body).await.expect(201);
    assert_eq!(first, second);
    let receipts = shop.buyer.get("/v1/receipts").await.expect(200);
    assert_eq!(receipts["items"].as_array().unwrap().len(), 1);
}

#[rstest]
#[case::table("csv", "text/csv", "order,line,supplier_number")]
#[case::page("pdf", "application/pdf", "%PDF-")]
#[case::workbook("xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "PK")]
#[tokio::test]
async fn a_supplier_gets_a_sheet_that_can_be_read(
    #[case] format: &str,
    #[case] media_type: &str,
    #[case] begins: &str,
) {
    let shop = Purchasing::start(Sqlite).await.unwrap();
    let drafted = shop.draft().await;
    let id = drafted["order"]["id"].as_str().unwrap();
    let viewer = shop.service.caller(shop.yard.organisation, Role::Viewer).await;
    let sheet = viewer.get(&format!("/v1/orders/{id}/sheet?format={format}")).await;
    assert_eq!(sheet.status, 200, "{}", sheet.text);
    assert!(sheet.header("content-type").starts_with(media_type));
    assert!(sheet.header("content-disposition").contains(&format!(".{format}")));
    assert!(sheet.text.starts_with(begins), "{:.80}", sheet.text);
    if format == "csv" {
        assert!(sheet.text.contains("CM-1,BV-SEAL,BV-SEAL,8,pieces,2,4,5.00,1,40.00,EUR"));
    }
}

#[tokio::test]
async fn terms_that_mean_nothing_are_refused() {
    let shop = Purchasing::start(Sqlite).await.unwrap();
    let Purchasing { buyer, supplier, pin, seal, .. } = &shop;
    let mut none = term(pin, supplier, 0);
    none["valid_from"] = json!("2021-01-01");
    assert_eq!(buyer.post("/v1/terms", none).await.refusal(), (422, "pack-zero".to_owned()));
    let mut other = term(pin, supplier, 1);
    other["price"]["currency"] = json!("XYZ");
    let unknown = buyer.post("/v1/terms", other.clone()).await.refusal();
    assert_eq!(unknown, (422, "currency-unknown".to_owned()));
    other["price"]["currency"] = json!("SEK");
    other["valid_from"] = json!("2021-01-01");
    assert_eq!(
        buyer.post("/v1/terms", other).await.refusal(),
        (422, "currencies-mixed".to_owned())
    );

    let terms = buyer.get("/v1/terms").await.expect(200);
    let of_pin = terms["items"].as_array().unwrap().iter().find(|term| term["part"] == *pin);
    let step = |from: i64, minor: i64| json!({"term": of_pin.unwrap()["id"], "quantity_from": from, "price_minor": minor});
    buyer.post("/v1/term-breaks", step(50, 390)).await.expect(201);
    let dearer = buyer.post("/v1/term-breaks", step(100, 420)).await;
    assert_eq!(dearer.refusal(), (422, "break-price-rises".to_owned()));
    let rising = buyer.post("/v1/term-breaks", step(10, 380)).await;
    assert_eq!(rising.refusal(), (422, "break-price-rises".to_owned()));
    buyer.post("/v1/term-breaks", step(10, 420)).await.expect(201);

    let follows = |old: &Value, new: &Value| {
        json!({"old_part": old, "new_part": new, "two_way": false, "new_for_old_numerator": 1,
            "new_for_old_denominator": 1, "use_up_old": true, "effective_on": "2025-01-01",
            "source": null})
    };
    buyer.post("/v1/supersessions", follows(seal, pin)).await.expect(201);
    let looped = buyer.post("/v1/supersessions", follows(pin, seal)).await;
    assert_eq!(looped.refusal(), (422, "supersession-loop".to_owned()));
}

#[rstest]
#[tokio::test]
async fn kits_and_tasks_that_hold_themselves_are_refused(#[values(Sqlite, Postgres)] on: Database) {
    let Some(shop) = Purchasing::start(on).await else { return };
    let Purchasing { buyer, pin, seal, .. } = &shop;
    let line = |kit: &Value, part: &Value| json!({"kit": kit, "part": part, "quantity": 1});
    buyer.post("/v1/kit-lines", line(pin, seal)).await.expect(201);
    let back = buyer.post("/v1/kit-lines", line(seal, pin)).await;
    assert_eq!(back.refusal(), (422, "kit-loop".to_owned()));

    let planner = shop.service.caller(shop.yard.organisation, Role::Planner).await;
    let mut tasks = Vec::new();
    for name in ["Reseal", "Look"] {
        let task = json!({"name": name, "verb": "check", "access": "gearcase_off", "occasion": "interval",
            "own_work": 5, "minutes_source": null, "skill": null, "safety": false,
            "caution": null, "archived": false});
        tasks.push(planner.post("/v1/tasks", task).await.expect(201)["id"].clone());
    }
    let link =
        |task: &Value, other: &Value| json!({"task": task, "other": other, "kind": "contains"});
    planner.post("/v1/task-links", link(&tasks[0], &tasks[1])).await.expect(201);
    let back = planner.post("/v1/task-links", link(&tasks[1], &tasks[0])).await;
    assert_eq!(back.refusal(), (422, "task-loop".to_owned()));
}

#[tokio::test]
async fn who_buys_nothing_changes_no_order() {
    let shop = Purchasing::start(Sqlite).await.unwrap();
    let drafted = shop.draft().await;
    let id = drafted["order"]["id"].as_str().unwrap();
    for role in [Role::Viewer, Role::Technician, Role::Planner] {
        let other = shop.service.caller(shop.yard.organisation, role).await;
        let path = format!("/v1/orders/{id}/approval");
        let refused = other.post_with(&path, &[("if-match", "\"1\"")], json!({})).await;
        assert_eq!(refused.refusal(), (403, "role-too-small".to_owned()), "{role}");
    }
    let south = Yard::found(&shop.service.store, "south").await;
    let stranger = shop.service.caller(south.organisation, Role::Owner).await;
    let seen = stranger.get(&format!("/v1/orders/{id}/sheet")).await;
    assert_eq!(seen.refusal(), (404, "not-found".to_owned()));
}

/// Of two advised lines one is laid into a later month: a draft takes the other.
#[rstest]
#[tokio::test]
async fn a_draft_takes_what_this_months_money_buys(#[values(Sqlite, Postgres)] on: Database) {
    let Some(shop) = Purchasing::start(on).await else { return };
    let (store, organisation) = (&shop.service.store, shop.yard.organisation);
    let id = |value: &Value| value.as_str().unwrap().parse::<uuid::Uuid>().unwrap();
    let now = chrono::Utc::now();
    let advised = async |months: [Value; 2]| {
        let work = async |tx: &store::Transaction| {
            let wanted = runs::Request {
                kind: RunKind::OrderAdvice,
                site: None,
                program_version: "test".to_owned(),
                seed: 1,
                parameters: json!({"month_limit": "50"}),
                requested_by: "test".to_owned(),
            };
            let run = runs::request(tx, organisation, &wanted, now).await?.id;
            runs::start(tx, organisation, run, now).await?;
            let row = |(part, month): (&Value, &Value)| runs::AdviceRow {
                id: fleet::id::RunRowId::fresh(),
                run,
                part: PartId(id(part)),
                supplier: SupplierId(id(&shop.supplier)),
                site: None,
                quantity: 4,
                order_by: now.date_naive(),
                unit_price: Money::new(500, Currency::EUR),
                total: Money::new(2_000, Currency::EUR),
                fill_rate_permille: None,
                reason: "needed".to_owned(),
                detail: Some(json!({"buy_in_month": month})),
            };
            let rows: Vec<runs::AdviceRow> =
                [&shop.seal, &shop.pin].into_iter().zip(&months).map(row).collect();
            record::append(tx, organisation, &rows).await?;
            let outcome = runs::Outcome { input_digest: vec![7; 32], scores: None, summary: None };
            runs::finish(tx, organisation, run, &outcome, &[], now).await?;
            Ok::<_, store::StoreError>(run)
        };
        store.write(work).await.unwrap()
    };
    let draft = async |run: RunId| {
        let body = json!({"site": shop.yard.site.id, "run": run, "suppliers": []});
        shop.buyer.post("/v1/order-advice/orders", body).await
    };
    let waits = draft(advised([json!(1), Value::Null]).await).await;
    assert_eq!(waits.refusal(), (422, "advice-waits".to_owned()));
    let drafted = draft(advised([json!(0), json!(2)]).await).await.expect(201);
    let lines = drafted[0]["lines"].as_array().unwrap();
    assert_eq!((lines.len(), &lines[0]["part"]), (1, &shop.seal));
}
