//! What an open order waits for: somebody, parts, its car, gear in date, records.

use chrono::TimeDelta;
use serde_json::{Value, json};
use ventmile::app::keys::Scope;

use crate::board::Browser;
use crate::common::{Engine, car};
use crate::work::{LAST, Shop, shop, shop_with};

async fn raised(shop: &Shop, unit: &str, kind: &str) -> String {
    car(&shop.boss, unit, "NORTH").await;
    let order = json!({"unit": unit, "kind": kind, "reason": "x"});
    shop.boss.send("/v1/work-orders", order).await.expect(201)["number"].as_str().unwrap().to_owned()
}

async fn tested(shop: &Shop, id: &str, passed: bool) {
    let test = json!({"on": "2026-03-18", "by": "lab", "passed": passed});
    shop.boss.send(&format!("/v1/gear/{id}/tests"), test).await.expect(200);
}

/// What the answer of an act, the order and the list say, which is the same.
async fn waits(shop: &Shop, order: &str) -> Value {
    let read = shop.read(order).await["waiting"].clone();
    let list = shop.boss.get("/v1/work-orders").await.expect(200);
    let listed = list["items"].as_array().unwrap().iter().find(|it| it["number"] == json!(order)).unwrap();
    assert_eq!(listed["waiting"], read);
    read
}

async fn an_order_says_what_it_waits_for_from_call_to_close(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    let order = raised(&shop, "7", "pack-replacement").await;
    assert_eq!(waits(&shop, &order).await, json!(["technician"]));
    let plan = json!({"on": "2026-03-20", "start": "09:00", "minutes": 120, "bay": 1});
    let planned = boss.act(&order, "plan", plan).await.expect(200);
    assert_eq!(planned["waiting"], json!(["technician", "car"]));
    boss.act(&order, "accept", json!({"by": "kim"})).await.expect(200);
    assert_eq!(waits(&shop, &order).await, json!(["car"]));
    tested(&shop, "M-1", false).await;
    assert_eq!(waits(&shop, &order).await, json!(["car", "gear"]), "its lock-out needs a meter");
    let browser = Browser::sign_in(&shop.app, "floor", &[Scope::Read, Scope::Work], &[]).await;
    let queue = browser.page("/board/work").await;
    assert!(queue.contains("Waits for its car; gear in date"), "{queue}");
    let begun = boss.act(&order, "start", json!({})).await.expect(200);
    assert_eq!(begun["waiting"], json!(["gear", "evidence"]), "the car is here");
    tested(&shop, "M-1", true).await;
    shop.work(&order, 1..=10).await;
    assert_eq!(waits(&shop, &order).await, json!(["evidence"]));
    // What is measured needs the meter no more; what is still to be done needs gloves.
    tested(&shop, "M-1", false).await;
    assert_eq!(waits(&shop, &order).await, json!(["evidence"]));
    for gloves in ["G-1", "G-2"] {
        tested(&shop, gloves, false).await;
    }
    assert_eq!(waits(&shop, &order).await, json!(["gear", "evidence"]));
    for piece in ["G-1", "G-2", "M-1"] {
        tested(&shop, piece, true).await;
    }
    shop.work(&order, 11..=LAST).await;
    assert_eq!(waits(&shop, &order).await, json!([]));
    let done = json!({"outcome": "serviced", "odometer": 99.5, "distance_unit": "mi", "by": "kim"});
    assert_eq!(boss.act(&order, "complete", done).await.expect(200)["waiting"], json!([]));
    // Reopened, nothing of it counts any more.
    boss.act(&order, "reopen", json!({"reason": "wrong car"})).await.expect(200);
    assert_eq!(waits(&shop, &order).await, json!(["technician"]));
    boss.act(&order, "start", json!({"by": "kim"})).await.expect(200);
    assert_eq!(waits(&shop, &order).await, json!(["evidence"]));
}

async fn a_car_kept_on_duty_is_waited_for(engine: Engine) {
    let shop = shop(engine).await;
    let order = raised(&shop, "7", "fan-service").await;
    let window = json!({"unit": "7", "from": "2026-03-19", "to": "2026-03-19"});
    let window = shop.boss.send("/v1/release-windows", window).await.expect(201);
    assert_eq!(waits(&shop, &order).await, json!(["technician", "car"]));
    shop.app.pass(TimeDelta::days(1));
    assert_eq!(waits(&shop, &order).await, json!(["technician"]), "today it can be spared");
    shop.app.pass(TimeDelta::days(1));
    assert_eq!(waits(&shop, &order).await, json!(["technician"]), "nothing is told of days to come");
    let next = json!({"unit": "7", "from": "2026-03-30", "to": "2026-03-31"});
    let next = shop.boss.send("/v1/release-windows", next).await.expect(201);
    assert_eq!(waits(&shop, &order).await, json!(["technician", "car"]));
    for id in [&window["id"], &next["id"]] {
        shop.boss.send(&format!("/v1/release-windows/{id}/withdraw"), json!({})).await.expect(200);
    }
    assert_eq!(waits(&shop, &order).await, json!(["technician"]));
}

async fn records_are_waited_for_where_they_are_needed(engine: Engine) {
    let shop = shop(engine).await;
    let order = shop.started("7", "fan-service").await;
    assert_eq!(waits(&shop, &order).await, json!([]), "it may be completed without records");
    let first = json!({"by": "kim", "records": {"maker_procedure": "MP 4", "high_voltage_needed": "no"}});
    shop.boss.act(&order, "steps/1", first).await.expect(201);
    assert_eq!(waits(&shop, &order).await, json!(["evidence"]));
    let strict = shop_with(engine, &[("work.records", "required")]).await;
    let order = strict.started("7", "fan-service").await;
    assert_eq!(waits(&strict, &order).await, json!(["evidence"]));
}

crate::on_both!(
    an_order_says_what_it_waits_for_from_call_to_close,
    a_car_kept_on_duty_is_waited_for,
    records_are_waited_for_where_they_are_needed,
);
