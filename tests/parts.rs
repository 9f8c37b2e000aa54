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
    assert!(csv.contains(",7,NORTH,O-1,P-14,credit,2026-04-07,false,25000,\r\n"), "{csv}");
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

/// An order for each car, in turn.
async fn orders(client: &Client, kind: &str, units: &[&str]) -> Vec<String> {
    let mut numbers = Vec::new();
    for unit in units {
        car(client, unit, "NORTH").await;
        let raised = json!({"unit": unit, "kind": kind, "reason": "x"});
        let order = client.send("/v1/work-orders", raised).await.expect(201);
        numbers.push(order["number"].as_str().unwrap().to_owned());
    }
    numbers
}

async fn filters(client: &Client, stock: i64) {
    let part = json!({"depot": "NORTH", "number": "F-1", "name": "filter", "job": "fan-service", "per_job": 2,
        "lead_days": 5, "stock": stock});
    client.send("/v1/parts", part).await.expect(201);
}

async fn an_order_waits_for_its_parts(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    filters(boss, 3).await;
    let numbers = orders(boss, "fan-service", &["1", "2", "3"]).await;
    let waits = async |number: &str| {
        let order = shop.read(number).await;
        (order["waiting"].clone(), order["short_of"].clone())
    };
    assert_eq!(waits(&numbers[0]).await, (json!(["technician"]), json!([])));
    for number in &numbers[1..] {
        assert_eq!(waits(number).await, (json!(["technician", "part"]), json!(["F-1"])));
    }
    let next = || boss.send("/v1/work-orders/next", json!({"technician": "kim"}));
    assert_eq!(next().await.expect(200)["number"], json!(numbers[0]));
    assert_eq!(next().await.status.as_u16(), 204, "the others wait for their filters");
    assert_eq!(boss.send("/v1/work-orders/next", json!({"by": "x"})).await.status.as_u16(), 204);
    boss.send("/v1/parts/F-1/receipts", json!({"depot": "NORTH", "quantity": 1})).await.expect(201);
    assert_eq!(next().await.expect(200)["number"], json!(numbers[1]));
    assert_eq!(waits(&numbers[1]).await, (json!([]), json!([])));
    // Work that has begun has its parts, however far behind it stood.
    boss.act(&numbers[2], "start", json!({"by": "lee"})).await.expect(200);
    assert_eq!(waits(&numbers[1]).await, (json!(["part"]), json!(["F-1"])));
    // Done, it has taken them.
    let done = json!({"outcome": "serviced", "by": "lee", "odometer": 99.5, "distance_unit": "mi",
        "parts": [{"number": "F-1", "quantity": 2}]});
    boss.act(&numbers[2], "complete", done).await.expect(200);
    assert_eq!(waits(&numbers[1]).await, (json!(["part"]), json!(["F-1"])));
    boss.act(&numbers[0], "cancel", json!({"reason": "sold"})).await.expect(200);
    assert_eq!(waits(&numbers[1]).await, (json!([]), json!([])));
}

async fn a_pack_is_waited_for_by_cars_of_its_type_only(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    let part = json!({"depot": "NORTH", "number": "PK-9", "name": "pack", "job": "pack-replacement", "pack_type": "P-9",
        "lead_days": 14});
    boss.send("/v1/parts", part).await.expect(201);
    let numbers = orders(boss, "pack-replacement", &["1", "2"]).await;
    for (unit, pack_type) in [("1", "P-9"), ("2", "P-14")] {
        let pack = json!({"unit": unit, "serial": unit, "type": pack_type, "installed_at": "2025-01-01T05:00:00Z",
            "odometer": 10, "distance_unit": "mi", "original": true});
        assert_eq!(post(boss, "packs", pack).await["stored"], 1);
    }
    shop.app.settle().await;
    assert_eq!(shop.read(&numbers[0]).await["short_of"], json!(["PK-9"]));
    assert_eq!(shop.read(&numbers[1]).await["short_of"], json!([]));
    let next = || boss.send("/v1/work-orders/next", json!({"technician": "kim", "kind": "pack-replacement"}));
    // The depot's one meter fails: nobody is given work at the high-voltage system.
    let failed = json!({"on": "2026-03-18", "by": "kim", "passed": false});
    boss.send("/v1/gear/M-1/tests", failed).await.expect(200);
    assert_eq!(next().await.status.as_u16(), 204);
    let passed = json!({"on": "2026-03-18", "by": "lab", "passed": true});
    boss.send("/v1/gear/M-1/tests", passed).await.expect(200);
    assert_eq!(next().await.expect(200)["number"], json!(numbers[1]));
}

async fn a_plan_waits_for_the_day_its_parts_arrive(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    filters(boss, 2).await;
    let numbers = orders(boss, "fan-service", &["1", "2"]).await;
    let plan = async |number: &str, on: &str| {
        boss.act(number, "plan", json!({"on": on, "start": "09:00", "minutes": 60, "bay": 1})).await
    };
    plan(&numbers[0], "2026-03-20").await.expect(200);
    for on in ["2026-03-19", "2026-03-23"] {
        let clash = plan(&numbers[1], on).await.problem(409);
        assert_eq!((&clash["errors"][0]["item"], fault(&clash)), (&json!("part"), "/on"));
        assert!(clash["detail"].as_str().unwrap().contains("F-1"), "{clash}");
    }
    let coming = json!({"depot": "NORTH", "quantity": 2, "expected_on": "2026-03-24"});
    boss.send("/v1/parts/F-1/receipts", coming).await.expect(201);
    let clash = plan(&numbers[1], "2026-03-23").await.problem(409);
    assert!(clash["detail"].as_str().unwrap().contains("there is on 2026-03-24"), "{clash}");
    plan(&numbers[1], "2026-03-24").await.expect(200);
    plan(&numbers[0], "2026-03-25").await.expect(200);
    // A part that is kept no more is waited for by nobody.
    plan(&numbers[1], "2026-03-19").await.expect(200);
    boss.patch("/v1/parts/F-1").if_match("*").json(&json!({"depot": "NORTH", "stock": 0})).send().await.expect(200);
    plan(&numbers[1], "2026-03-19").await.problem(409);
    let retired = json!({"depot": "NORTH", "retired_on": "2026-03-18", "retired_reason": "the new fans need none"});
    boss.patch("/v1/parts/F-1").if_match("*").json(&retired).send().await.expect(200);
    plan(&numbers[1], "2026-03-19").await.expect(200);
    assert_eq!(shop.read(&numbers[1]).await["short_of"], json!([]));
}

async fn a_part_is_changed_and_retired(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    pack_in_stock(boss, 24).await;
    let patch = |tag: &str, body: Value| boss.patch("/v1/parts/PK-14").if_match(tag).json(&body).send();
    let change = json!({"depot": "NORTH", "name": "pack, rebuilt", "per_job": 2, "lead_days": 21, "stock": 5, "core_days": 40,
        "core_credit_cents": null, "warranty": null, "job": null, "pack_type": null});
    let changed = patch("\"1\"", change.clone()).await.expect(200);
    for (field, value) in change.as_object().unwrap() {
        let shown = if field == "warranty" { &changed["warranty_months"] } else { &changed[field] };
        assert_eq!(shown, value, "{field}");
    }
    patch("\"1\"", json!({"depot": "NORTH", "stock": 1})).await.problem(412);
    let kept = patch("\"2\"", json!({"depot": "NORTH", "stock": 6})).await.expect(200);
    assert_eq!((&kept["stock"], &kept["name"]), (&json!(6), &json!("pack, rebuilt")));
    for (field, value) in [
        ("stock", json!(-1)),
        ("per_job", json!(0)),
        ("lead_days", json!(366)),
        ("core_credit_cents", json!(-1)),
        ("job", json!("oil")),
        ("depot", json!("X")),
        ("retired_on", json!("soon")),
        ("colour", json!(1)),
    ] {
        let mut wrong = json!({"depot": "NORTH", "retired_reason": "x", "retired_on": "2026-03-18"});
        wrong[field] = value;
        assert_eq!(fault(&patch("*", wrong).await.problem(422)), format!("/{field}"));
    }
    assert_eq!(
        fault(&patch("*", json!({"depot": "NORTH", "retired_on": "2026-03-18"})).await.problem(422)),
        "/retired_reason"
    );
    assert_eq!(fault(&patch("*", json!({"depot": "NORTH", "retired_reason": "x"})).await.problem(422)), "/retired_on");
    boss.patch("/v1/parts/none").if_match("*").json(&json!({"depot": "NORTH"})).send().await.problem(404);
    let retired = json!({"depot": "NORTH", "retired_on": "2026-03-18", "retired_reason": "obsolete"});
    let gone = patch("\"3\"", retired).await.expect(200);
    assert_eq!((&gone["retired_on"], &gone["retired_reason"]), (&json!("2026-03-18"), &json!("obsolete")));
    assert_eq!(boss.get("/v1/parts").await.expect(200)["items"], json!([]));
    assert_eq!(boss.get("/v1/parts?with_retired=true").await.expect(200)["items"][0]["number"], "PK-14");
    let order = shop.started("7", "cooling-check").await;
    let used = json!({"outcome": "partly", "by": "kim", "parts": [{"number": "PK-14", "quantity": 1}]});
    let refused = boss.act(&order, "complete", used.clone()).await.problem(422);
    assert!(refused["detail"].as_str().unwrap().contains("it is retired"), "{refused}");
    patch("\"4\"", json!({"depot": "NORTH", "retired_on": null})).await.expect(200);
    boss.act(&order, "complete", used).await.expect(200);
}

async fn a_claim_goes_its_way_and_its_money_is_told(engine: Engine) {
    let shop = shop(engine).await;
    pack_in_stock(&shop.boss, 24).await;
    let boss = &shop.boss;
    let order = ready(&shop, "7").await;
    boss.act(&order, "complete", done(json!({}))).await.expect(200);
    let first = boss.get("/v1/cores").await.expect(200)["items"][0]["id"].clone();
    let early = json!({"claim": "claimed", "claim_cents": 90_000});
    let early = boss.patch(&format!("/v1/cores/{first}")).if_match("*").json(&early).send().await;
    assert_eq!(fault(&early.problem(422)), "/claim", "an original pack has no warranty of ours");
    let again =
        boss.send("/v1/work-orders", json!({"unit": "7", "kind": "pack-replacement", "reason": "failed"})).await;
    let again = again.expect(201)["number"].as_str().unwrap().to_owned();
    boss.act(&again, "start", json!({"by": "kim"})).await.expect(200);
    shop.work(&again, 1..=LAST).await;
    let next =
        json!({"installed_serial": "N-2", "removed_serial": "N-1", "odometer": 60_300, "removed_because": "failed"});
    boss.act(&again, "complete", done(next)).await.expect(200);
    let core = boss.get("/v1/cores").await.expect(200)["items"][1].clone();
    assert_eq!((&core["path"], &core["claim"]), (&json!("claim"), &Value::Null));
    let path = format!("/v1/cores/{}", core["id"]);
    let change = |body: Value| boss.patch(&path).if_match("*").json(&body).send();
    for (body, pointer) in [
        (json!({"claim_cents": 1}), "/claim"),
        (json!({"claim": "accepted", "claim_cents": 1}), "/claim"),
        (json!({"claim": "claimed"}), "/claim_cents"),
        (json!({"claim": "lost"}), "/claim"),
    ] {
        assert_eq!(fault(&change(body.clone()).await.problem(422)), pointer, "{body}");
    }
    let claimed =
        change(json!({"claim": "claimed", "claim_cents": 90_000, "claimed_on": "2026-03-19"})).await.expect(200);
    assert_eq!(
        (&claimed["claim"], &claimed["claimed_on"], &claimed["outstanding_cents"]),
        (&json!("claimed"), &json!("2026-03-19"), &json!(90_000))
    );
    let report = boss.get("/v1/reports/cores").await.expect(200);
    assert_eq!((&report["claimed_cents"], &report["outstanding_cents"]), (&json!(90_000), &json!(130_000)));
    // Refused, the core may still bring its credit; claimed once more and paid it is settled.
    let refused = change(json!({"claim": "refused"})).await.expect(200);
    assert_eq!((&refused["path"], &refused["outstanding_cents"]), (&json!("pending"), &json!(40_000)));
    change(json!({"claim": "claimed"})).await.expect(200);
    change(json!({"claim": "accepted"})).await.expect(200);
    assert_eq!(fault(&change(json!({"claim": "refused"})).await.problem(422)), "/claim");
    assert_eq!(fault(&change(json!({"claim": "paid"})).await.problem(422)), "/claim_paid_cents");
    let paid = change(json!({"claim": "paid", "claim_paid_cents": 85_000})).await.expect(200);
    assert_eq!(
        (&paid["claim"], &paid["outstanding_cents"], &paid["path"]),
        (&json!("paid"), &json!(0), &json!("claim"))
    );
    let journal = boss.get("/v1/journal?limit=500").await.text;
    assert!(journal.contains("\"claim\":\"paid\"") && journal.contains("\"claim_paid_cents\":85000"));
}

async fn a_service_keeps_the_window_it_was_done_in(engine: Engine) {
    let shop = shop(engine).await;
    let (app, boss) = (&shop.app, &shop.boss);
    ordinary_car(boss, "7", "NORTH").await;
    app.settle().await;
    let order =
        boss.send("/v1/work-orders", json!({"unit": "7", "kind": "fan-service", "reason": "x"})).await.expect(201);
    let order = order["number"].as_str().unwrap();
    // Serviced at 35,750 mi, now at 41,010: 5,260 mi are inside a window from 5,000 to 6,000.
    let short = json!({"hard": {"distance": {"early": 5_000, "late": 6_000}}});
    boss.patch("/v1/service-rules/fan-service").if_match("*").json(&short).send().await.expect(200);
    boss.act(order, "start", json!({"by": "kim"})).await.expect(200);
    let done = json!({"outcome": "serviced", "by": "kim", "odometer": 41_010, "distance_unit": "mi"});
    boss.act(order, "complete", done).await.expect(200);
    let march = async || {
        let report = boss.get("/v1/reports/services?depot=NORTH").await.expect(200);
        let items = report["items"].as_array().unwrap().clone();
        let of = items.iter().find(|item| item["month"] == "2026-03-01").unwrap_or(&Value::Null);
        ["before", "inside", "past"].map(|place| of[place].as_u64().unwrap_or(0))
    };
    assert_eq!(march().await, [0, 1, 0]);
    // Another rule, another depot: the service was done as it was done.
    let long = json!({"hard": {"distance": {"early": 20_000, "late": 25_000}}});
    boss.patch("/v1/service-rules/fan-service").if_match("*").json(&long).send().await.expect(200);
    assert_eq!(march().await, [0, 1, 0]);
    let moved = json!({"depot": "WEST", "on": "2026-03-19"});
    app.pass(TimeDelta::days(1));
    boss.post("/v1/vehicles/7/move").once().if_match("*").json(&moved).send().await.expect(200);
    assert_eq!(march().await, [0, 1, 0]);
    assert_eq!(boss.get("/v1/reports/services?depot=WEST").await.expect(200)["items"], json!([]));
    // Reopened it is no service; done anew without the rule's help it is judged anew.
    boss.act(order, "reopen", json!({"reason": "x"})).await.expect(200);
    assert_eq!(march().await, [0, 0, 0]);
}

async fn out_of_service_goes_by_each_depots_day(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    car(&boss, "N", "NORTH").await;
    car(&boss, "W", "WEST").await;
    for unit in ["N", "W"] {
        let off = json!({"from": "2026-03-19", "to": "2026-03-19", "reason": "x"});
        boss.send(&format!("/v1/vehicles/{unit}/off-road"), off).await.expect(201);
    }
    let away = async |at: &str| {
        app.clock.set(crate::common::instant(at));
        let report = boss.get("/v1/reports/out-of-service").await.expect(200);
        report["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|item| item["unit"].as_str().unwrap().to_owned())
            .collect::<Vec<_>>()
    };
    // Midnight is 04:00 UTC in New York and 05:00 in Winnipeg.
    assert_eq!(away("2026-03-19T03:59:59Z").await, Vec::<String>::new());
    assert_eq!(away("2026-03-19T04:00:00Z").await, ["N"]);
    assert_eq!(away("2026-03-19T05:00:00Z").await, ["N", "W"]);
    assert_eq!(away("2026-03-20T04:30:00Z").await, ["W"]);
    assert_eq!(away("2026-03-20T05:00:00Z").await, Vec::<String>::new());
}

crate::on_both!(
    a_replacement_closes_one_packs_time_and_opens_the_next,
    a_new_pack_without_its_fan_steps_restarts_no_fan_interval,
    packs_change_only_at_their_own_job,
    a_core_goes_back_in_time_or_brings_nothing,
    a_core_of_another_type_brings_no_credit_and_a_warranty_is_claimed,
    parts_are_reserved_received_and_reordered,
    reports_tell_of_services_faults_and_cars_away,
    an_order_waits_for_its_parts,
    a_pack_is_waited_for_by_cars_of_its_type_only,
    a_plan_waits_for_the_day_its_parts_arrive,
    a_part_is_changed_and_retired,
    a_claim_goes_its_way_and_its_money_is_told,
    a_service_keeps_the_window_it_was_done_in,
    out_of_service_goes_by_each_depots_day,
);
