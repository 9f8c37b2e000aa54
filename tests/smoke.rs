//! The main job in one breath: logs in, a date, an order, done, and the interval starts again.

use serde_json::json;

use crate::common::{Engine, TestApp, car, month_of_readings, two_depots};

async fn the_main_job(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    let service = json!({"unit": "7", "kind": "fan-service", "at": "2025-09-01T12:00:00Z", "odometer": 20000, "distance_unit": "mi"});
    manager.send("/v1/past-services", service).await.expect(200);
    let posted = manager.send("/v1/odometer-readings", month_of_readings("7", 41_000.0, 150.0)).await.expect(200);
    assert_eq!(posted, json!({"stored": 30, "repeated": 0, "replaced": 0, "refused": []}));
    app.settle().await;

    let upcoming = manager.get("/v1/upcoming").await.expect(200);
    let item = &upcoming["items"][0];
    assert_eq!((&item["unit"], &item["band"], &item["grade"]), (&json!("7"), &json!("inside"), &json!("hard")));
    assert_eq!(item["since_service"]["distance"], 21_000.0);
    assert_eq!(item["window"]["distance"], json!({"early": 20_000.0, "late": 25_000.0}));
    // 4,000 mi are left at 150 mi a day: 26.7 days after 17 March.
    assert_eq!(item["due"]["late"]["p50"], "2026-04-13");

    let order = manager.post("/v1/work-orders/next").once().json(&json!({"by": "R. Osei"})).send().await;
    let number = order.expect(200)["number"].as_str().unwrap().to_owned();
    assert_eq!(Some(number.as_str()), item["work_order"].as_str());
    manager.act(&number, "start", json!({})).await.expect(200);
    let done = json!({"outcome": "serviced", "odometer": 41_100, "distance_unit": "mi", "by": "R. Osei"});
    manager.act(&number, "complete", done).await.expect(200);
    app.settle().await;

    let after = manager.get("/v1/upcoming?unit=7").await.expect(200);
    let item = &after["items"][0];
    assert_eq!((&item["band"], &item["since_service"]["distance"]), (&json!("before"), &json!(0.0)));
    assert_eq!(item["work_order"], json!(null));

    manager.act(&number, "reopen", json!({"reason": "wrong car"})).await.expect(200);
    app.settle().await;
    let back = manager.get("/v1/upcoming?unit=7").await.expect(200);
    assert_eq!(back["items"][0]["counts_since"], "2025-09-01");
}

crate::on_both!(the_main_job);
