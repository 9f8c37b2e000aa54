//! Packs in and out at a replacement, cores, parts in stock and what to order when; reports.

use chrono::TimeDelta;
use serde_json::{Value, json};

use crate::common::{Client, Engine, TestApp, car, fault, ordinary_car, post, serviced, two_depots};
use crate::work::{LAST, Shop, shop};

/// The type that the steps record, with terms of its supplier.
pub async fn pack_in_stock(client: &Client, months: u32) {
    let part = json!({
        "depot": "NORTH", "number": "PK-14", "name": "pack", "job": "pack-replacement", "pack_type": "P-14",
        "lead_days": 14, "stock": 2, "core_days": 20, "core_credit_cents": 40_000,
        "warranty": {"months": months, "distance": 50_000, "distance_unit": "mi"},
    });
    client.send("/v1/parts", part).await.expect(201);
}

/// An order whose every step is recorded, for a car with the pack O-1 in it.
pub async fn ready(shop: &Shop, unit: &str) -> String {
    let order = shop.started(unit, "pack-replacement").await;
    let old = json!({
        "unit": unit, "serial": "O-1", "type": "P-14", "installed_at": "2025-01-01T05:00:00Z", "odometer": 10,
        "distance_unit": "mi", "original": true,
    });
    assert_eq!(post(&shop.boss, "packs", old).await["stored"], 1);
    shop.work(&order, 1..=LAST).await;
    order
}

pub fn done(more: Value) -> Value {
    let mut body = json!({"outcome": "serviced", "odometer": 60_010, "distance_unit": "mi", "by": "kim"});
    for (name, value) in more.as_object().unwrap() {
        body[name] = value.clone();
    }
    body
}

async fn packs(client: &Client, unit: &str) -> Vec<Value> {
    let page = client.get(&format!("/v1/packs?unit={unit}&with_removed=true")).await.expect(200);
    page["items"].as_array().unwrap().clone()
}

async fn a_replacement_closes_one_packs_time_and_opens_the_next(engine: Engine) {
    let shop = shop(engine).await;
    pack_in_stock(&shop.boss, 24).await;
    let order = ready(&shop, "7").await;
    let wrong = done(json!({"removed_serial": "O-2"}));
    let refused = shop.boss.act(&order, "complete", wrong).await.problem(422);
    assert_eq!(fault(&refused), "/removed_serial");
    assert!(refused["detail"].as_str().unwrap().contains("O-1"), "{refused}");
    let many = done(json!({"parts": [{"number": "PK-14", "quantity": 3}]}));
    assert_eq!(fault(&shop.boss.act(&order, "complete", many).await.problem(422)), "/parts");
    assert_eq!(packs(&shop.boss, "7").await.len(), 1, "what is refused changes nothing");
    let told = json!({
        "removed_because": "failed", "hours": 2.5, "cost_cents": 210_000, "parts": [{"number": "PK-14", "quantity": 1}],
    });
    let closed = shop.boss.act(&order, "complete", done(told.clone())).await.expect(200);
    assert_eq!(
        (&closed["hours"], &closed["cost_cents"], &closed["parts"]),
        (&json!(2.5), &json!(210_000), &told["parts"])
    );
    let stock = async || shop.boss.get("/v1/parts").await.expect(200)["items"][0]["stock"].clone();
    assert_eq!(stock().await, 1);
    let found = packs(&shop.boss, "7").await;
    let of = |serial: &str| found.iter().find(|pack| pack["serial"] == serial).unwrap().clone();
    let (old, new) = (of("O-1"), of("N-1"));
    assert_eq!((&old["removed_because"], &old["removed_odometer"]), (&json!("failed"), &json!(60_010.0)));
    assert_eq!((&old["removed_at"], &new["removed_at"]), (&new["installed_at"], &Value::Null));
    assert_eq!((&new["type"], &new["odometer"], &new["original"]), (&json!("P-14"), &json!(60_010.0), &json!(false)));
    // The fan was serviced with it: its interval begins anew.
    let services = shop.boss.get("/v1/past-services?unit=7").await.expect(200);
    assert_eq!(services["items"].as_array().unwrap().len(), 1, "{services}");
    let cores = shop.boss.get("/v1/cores").await.expect(200);
    let core = &cores["items"][0];
    assert_eq!(
        (&core["serial"], &core["core_type"], &core["path"]),
        (&json!("O-1"), &json!("P-14"), &json!("pending"))
    );
    assert_eq!((&core["removed_on"], &core["return_by"]), (&json!("2026-03-18"), &json!("2026-04-07")));
    assert_eq!((&core["credit_expected_cents"], &core["outstanding_cents"]), (&json!(40_000), &json!(40_000)));

    // A pack that is in one car goes into no other.
    let other = shop.started("8", "pack-replacement").await;
    shop.work(&other, 1..=LAST).await;
    let twice = shop.boss.act(&other, "complete", done(json!({}))).await.problem(422);
    assert_eq!(fault(&twice), "/installed_serial");

    // Reopened, all of it is undone.
    shop.boss.act(&order, "reopen", json!({"reason": "wrong car"})).await.expect(200);
    let found = packs(&shop.boss, "7").await;
    let standing: Vec<&Value> = found.iter().filter(|pack| pack["voided_at"].is_null()).collect();
    assert_eq!((standing.len(), &standing[0]["serial"], &standing[0]["removed_at"]), (1, &json!("O-1"), &Value::Null));
    assert_eq!(stock().await, 2);
    assert_eq!(shop.boss.get("/v1/cores").await.expect(200)["items"], json!([]));
    let reopened = shop.read(&order).await;
    assert_eq!((&reopened["cost_cents"], &reopened["parts"]), (&Value::Null, &json!([])));
}

async fn a_new_pack_without_its_fan_steps_restarts_no_fan_interval(engine: Engine) {
    let shop = shop(engine).await;
    let order = shop.started("7", "pack-replacement").await;
    shop.work(&order, (1..=LAST).filter(|step| *step != 14)).await;
    shop.app.pass(TimeDelta::minutes(1));
    let given = json!({"item": "step-14", "reason": "the fan is on its way"});
    shop.boss.act(&order, "overrides", given).await.expect(201);
    shop.boss.act(&order, "complete", done(json!({}))).await.expect(200);
    let services = shop.boss.get("/v1/past-services?unit=7").await.expect(200);
    assert_eq!(services["items"], json!([]));
    assert_eq!(packs(&shop.boss, "7").await[0]["serial"], "N-1");
    // What the steps say of a pack that no register knew is a core all the same.
    let core = shop.boss.get("/v1/cores").await.expect(200)["items"][0].clone();
    assert_eq!(
        (&core["serial"], &core["intact"], &core["return_by"]),
        (&json!("O-1"), &json!(true), &json!("2026-04-17"))
    );
}

async fn packs_change_only_at_their_own_job(engine: Engine) {
    let shop = shop(engine).await;
    let order = shop.started("7", "cooling-check").await;
    let told = json!({"outcome": "partly", "by": "kim", "installed_serial": "N-1", "installed_type": "P-14"});
    assert_eq!(fault(&shop.boss.act(&order, "complete", told).await.problem(422)), "/installed_serial");
    for (name, value) in [("hours", json!(-1)), ("cost_cents", json!(-1)), ("removed_because", json!("age?"))] {
        let mut told = json!({"outcome": "partly", "by": "kim"});
        told[name] = value;
        assert_eq!(fault(&shop.boss.act(&order, "complete", told).await.problem(422)), format!("/{name}"));
    }
    let unknown = json!({"outcome": "partly", "by": "kim", "parts": [{"number": "X", "quantity": 1}]});
    assert_eq!(fault(&shop.boss.act(&order, "complete", unknown).await.problem(422)), "/parts");
}

async fn a_core_goes_back_in_time_or_brings_nothing(engine: Engine) {
    let shop = shop(engine).await;
    pack_in_stock(&shop.boss, 24).await;
    let order = ready(&shop, "7").await;
    shop.boss.act(&order, "complete", done(json!({}))).await.expect(200);
    let core = async || shop.boss.get("/v1/cores").await.expect(200)["items"][0].clone();
    let first = core().await;
    let path = format!("/v1/cores/{}", first["id"]);
    let change = |tag: &str, body: Value| shop.boss.patch(&path).if_match(tag).json(&body).send();
    change("\"9\"", json!({"packed": true})).await.problem(412);
    let packed = change("\"1\"", json!({"packed": true, "shipped_on": "2026-03-20"})).await.expect(200);
    assert_eq!(packed["because"], json!(["the core is to be returned by 2026-04-07"]));
    shop.app.pass(TimeDelta::days(21));
    let late = core().await;
    assert_eq!(
        (&late["path"], &late["overdue"], &late["outstanding_cents"]),
        (&json!("no-credit"), &json!(true), &json!(0))
    );
    let report = shop.boss.get("/v1/reports/cores").await.expect(200);
    assert_eq!((&report["overdue"], &report["outstanding_cents"]), (&json!(1), &json!(0)));
    // It had come in time after all.
    let credited =
        change("\"2\"", json!({"returned_on": "2026-04-07", "credit_received_cents": 15_000})).await.expect(200);
    assert_eq!((&credited["path"], &credited["outstanding_cents"]), (&json!("credit"), &json!(25_000)));
    let csv = shop.boss.get("/v1/reports/cores?format=csv").await.text;
    assert!(csv.contains(",7,NORTH,O-1,P-14,credit,2026-04-07,false,25000\r\n"), "{csv}");
    let broken = change("*", json!({"intact": false})).await.expect(200);
    assert_eq!((&broken["path"], &broken["because"]), (&json!("no-credit"), &json!(["the core is not intact"])));
}

async fn a_core_of_another_type_brings_no_credit_and_a_warranty_is_claimed(engine: Engine) {
    let shop = shop(engine).await;
    pack_in_stock(&shop.boss, 24).await;
    let order = ready(&shop, "7").await;
    let other = done(json!({"installed_serial": "N-9", "installed_type": "P-99"}));
    shop.boss.act(&order, "complete", other).await.expect(200);
    let core = shop.boss.get("/v1/cores").await.expect(200)["items"][0].clone();
    assert_eq!(
        (&core["path"], &core["because"][0]),
        (&json!("no-credit"), &json!("the core is a P-14, the pack bought a P-99"))
    );
    // A pack bought under warranty that fails within it.
    shop.boss.act(&order, "reopen", json!({"reason": "typo"})).await.expect(200);
    shop.boss.act(&order, "start", json!({"by": "kim"})).await.expect(200);
    shop.work(&order, 1..=LAST).await;
    shop.boss.act(&order, "complete", done(json!({}))).await.expect(200);
    shop.app.pass(TimeDelta::days(1));
    let again =
        shop.boss.send("/v1/work-orders", json!({"unit": "7", "kind": "pack-replacement", "reason": "failed"})).await;
    let again = again.expect(201)["number"].as_str().unwrap().to_owned();
    shop.boss.act(&again, "start", json!({"by": "kim"})).await.expect(200);
    shop.work(&again, 1..=LAST).await;
    let next =
        json!({"installed_serial": "N-2", "removed_serial": "N-1", "odometer": 60_300, "removed_because": "failed"});
    shop.boss.act(&again, "complete", done(next)).await.expect(200);
    let cores = shop.boss.get("/v1/cores").await.expect(200);
    assert_eq!((&cores["items"][1]["serial"], &cores["items"][1]["path"]), (&json!("N-1"), &json!("claim")), "{cores}");
}

async fn parts_are_reserved_received_and_reordered(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    ordinary_car(&boss, "7", "NORTH").await;
    app.settle().await;
    let part = json!({"depot": "NORTH", "number": "F/1", "name": "=filter", "job": "fan-service", "per_job": 2, "lead_days": 365});
    let made = boss.send("/v1/parts", part.clone()).await.expect(201);
    assert_eq!((&made["stock"], &made["core_days"]), (&json!(0), &json!(30)));
    boss.send("/v1/parts", part.clone()).await.problem(409);
    let mut wrong = part;
    wrong["lead_days"] = json!(-1);
    assert_eq!(fault(&boss.send("/v1/parts", wrong).await.problem(422)), "/lead_days");
    let list = async || boss.get("/v1/parts?depot=NORTH").await.expect(200)["items"][0].clone();
    // The car falls due within the lead time: two are needed, and to be ordered today.
    let forecast = list().await;
    assert_eq!(
        (&forecast["needed"], &forecast["order_quantity"], &forecast["order_by"]),
        (&json!(2.0), &json!(2), &json!("2026-03-18"))
    );
    // An open order reserves them, and they are then counted once.
    boss.send("/v1/work-orders", json!({"unit": "7", "kind": "fan-service", "reason": "x"})).await.expect(201);
    let reserved = list().await;
    assert_eq!((&reserved["reserved"], &reserved["free"], &reserved["needed"]), (&json!(2), &json!(-2), &json!(0.0)));
    assert_eq!(reserved["order_quantity"], 2);
    let path = "/v1/parts/F%2F1/receipts";
    let coming = json!({"depot": "NORTH", "quantity": 5, "expected_on": "2026-03-18"});
    let coming = boss.send(path, coming).await.expect(201);
    assert_eq!((&coming["stock"], &coming["arrivals"][0]["quantity"]), (&json!(0), &json!(5)));
    assert_eq!(list().await["order_by"], Value::Null);
    let arrival = coming["arrivals"][0]["arrival"].clone();
    let came = boss.send(path, json!({"depot": "NORTH", "quantity": 4, "arrival": arrival})).await.expect(201);
    assert_eq!((&came["stock"], &came["arrivals"]), (&json!(4), &json!([])));
    let again = boss.send(path, json!({"depot": "NORTH", "quantity": 4, "arrival": arrival})).await;
    assert_eq!(fault(&again.problem(422)), "/arrival");
    boss.send("/v1/parts/none/receipts", json!({"depot": "NORTH", "quantity": 1})).await.problem(404);
    let csv = boss.get("/v1/parts?format=csv").await.text;
    assert!(csv.contains("NORTH,F/1,'=filter,4,2,2,365,"), "{csv}");
}

async fn reports_tell_of_services_faults_and_cars_away(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    for unit in ["1", "2", "3"] {
        car(&boss, unit, "NORTH").await;
    }
    // The window of hard duty: 20,000 to 25,000 mi. Cars came new with 10 mi.
    serviced(&boss, "1", "2025-06-10T17:00:00Z", 20_010.0).await;
    serviced(&boss, "1", "2025-12-10T17:00:00Z", 45_011.0).await;
    serviced(&boss, "2", "2025-12-11T17:00:00Z", 20_000.0).await;
    // In the evening of the 31st in New York.
    serviced(&boss, "3", "2026-01-01T04:00:00Z", 24_000.0).await;
    let report = boss.get("/v1/reports/services?depot=NORTH").await.expect(200);
    let months: Vec<_> = report["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|item| {
            (
                item["month"].as_str().unwrap().to_owned(),
                [&item["before"], &item["inside"], &item["past"]].map(|it| it.as_u64().unwrap()),
            )
        })
        .collect();
    assert_eq!(months, [("2025-06-01".to_owned(), [0, 1, 0]), ("2025-12-01".to_owned(), [1, 1, 1])]);
    let csv = boss.get("/v1/reports/services?format=csv").await.text;
    assert!(csv.contains("NORTH,2025-12-01,3,1,1,1,0,0.333\r\n"), "{csv}");

    let quiet = boss.get("/v1/reports/failures").await.expect(200);
    assert_eq!((&quiet["faults"], &quiet["mean_days_between"], &quiet["cars"]), (&json!(0), &Value::Null, &json!(3)));
    app.pass(TimeDelta::days(9));
    for unit in ["1", "2"] {
        let noise = json!({"unit": unit, "symptom": "fan-noise", "told": "x", "by": "x"});
        boss.send("/v1/driver-reports", noise).await.expect(201);
    }
    let report = boss.get("/v1/reports/failures?depot=NORTH").await.expect(200);
    // Three cars in the register for ten days each, two faults at one age: 2/3 of a fault a car.
    assert_eq!((&report["car_days"], &report["mean_days_between"]), (&json!(30.0), &json!(15.0)), "{report}");
    assert_eq!(
        (&report["mean_cumulative"][0]["at_risk"], &report["mean_cumulative"][0]["mean"]),
        (&json!(3.0), &json!(0.667))
    );
    assert_eq!(boss.get("/v1/reports/failures?depot=WEST").await.expect(200)["cars"], 0);

    boss.send("/v1/breakdowns", json!({"unit": "3", "told": "=1+1", "by": "x"})).await.expect(201);
    let hold = json!({"from": "2026-03-20", "to": "2026-03-21", "reason": "-isolation", "safety_hold": true});
    boss.send("/v1/vehicles/2/off-road", hold).await.expect(201);
    let away = boss.get("/v1/reports/out-of-service").await.expect(200);
    let reasons: Vec<_> =
        away["items"].as_array().unwrap().iter().map(|item| (&item["unit"], &item["reason"])).collect();
    assert_eq!(reasons, [(&json!("2"), &json!("-isolation")), (&json!("3"), &json!("breakdown: =1+1"))]);
    let csv = boss.get("/v1/reports/out-of-service?format=csv").await.text;
    assert!(csv.contains("2,NORTH,2026-03-20,,'-isolation,true\r\n"), "{csv}");
}

crate::on_both!(
    a_replacement_closes_one_packs_time_and_opens_the_next,
    a_new_pack_without_its_fan_steps_restarts_no_fan_interval,
    packs_change_only_at_their_own_job,
    a_core_goes_back_in_time_or_brings_nothing,
    a_core_of_another_type_brings_no_credit_and_a_warranty_is_claimed,
    parts_are_reserved_received_and_reordered,
    reports_tell_of_services_faults_and_cars_away,
);
