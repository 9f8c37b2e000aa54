//! Work orders: raised, queued, acted on, and what that does to the interval.

use chrono::TimeDelta;
use serde_json::{Value, json};
use ventmile::app::keys::Scope;

use crate::common::{
    Client, Engine, NOW, Reply, TestApp, car, dates, duty, fault, forecast, instant, item, month_of_readings,
    ordinary_car, post, seats, serviced, two_depots, weekday,
};

async fn fleet(engine: Engine) -> (TestApp, Client) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    (app, manager)
}

/// A car whose readings end at `last` miles after a service at 10 miles, at `per_day` miles a day.
async fn driven(client: &Client, unit: &str, last: f64, per_day: f64) {
    car(client, unit, "NORTH").await;
    post(client, "odometer-readings", month_of_readings(unit, last + 10.0, per_day)).await;
}

async fn open_order(client: &Client, unit: &str) -> Option<Value> {
    let list = client.get(&format!("/v1/work-orders?open=true&unit={unit}")).await.expect(200);
    let items = list["items"].as_array().unwrap();
    assert!(items.len() <= 1, "{list}");
    items.first().cloned()
}

fn number(order: &Value) -> &str {
    order["number"].as_str().unwrap_or_else(|| panic!("{order}"))
}

async fn raise(client: &Client, unit: &str) -> String {
    let order =
        client.send("/v1/work-orders", json!({"unit": unit, "kind": "fan-service", "reason": "fan noise"})).await;
    number(&order.expect(201)).to_owned()
}

async fn read(client: &Client, order: &str) -> Value {
    client.get(&format!("/v1/work-orders/{order}")).await.expect(200)
}

async fn rule(client: &Client, change: Value) {
    client.patch("/v1/service-rules/fan-service").if_match("*").json(&change).send().await.expect(200);
}

async fn an_order_is_raised_at_the_lead_time_before_the_early_edge(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    // 100 mi a day: from 17 March, 1,490 and 1,590 mi to the early edge are 1 and 2 April; the lead time ends on 1 April.
    driven(&manager, "IN", 18_510.0, 100.0).await;
    driven(&manager, "OUT", 18_410.0, 100.0).await;
    app.settle().await;
    let order = open_order(&manager, "IN").await.unwrap();
    assert_eq!(order["reason"], "early edge expected on 2026-04-01, within the lead time of 14 days");
    assert_eq!((&order["raised_by"], &order["status"]), (&json!("loop"), &json!("needs-action")));
    assert_eq!((&order["due"], &order["band"]), (&item(&manager, "IN").await["due"], &json!("before")));
    assert_eq!(item(&manager, "IN").await["work_order"], order["number"]);
    assert_eq!(open_order(&manager, "OUT").await, None);
    rule(&manager, json!({"lead_days": 15})).await;
    app.settle().await;
    assert!(open_order(&manager, "OUT").await.is_some());
}

async fn an_order_is_raised_when_the_chance_of_running_past_is_above_the_setting(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    // A rate that jumps about: the early edge's median is far, but the late one may be passed.
    car(&manager, "7", "NORTH").await;
    let end = instant("2026-03-17T17:00:00Z");
    let mut odometer = 19_000.0;
    let mut rows = Vec::new();
    for back in 0..30 {
        rows.push(json!({"unit": "7", "at": end - TimeDelta::days(back), "odometer": odometer, "distance_unit": "mi"}));
        odometer -= if back % 5 == 0 { 500.0 } else { 0.0 };
    }
    post(&manager, "odometer-readings", Value::Array(rows)).await;
    rule(
        &manager,
        json!({"hard": {"distance": {"early": 20_600, "late": 20_601}}, "lead_days": 13, "raise_chance": 1.0}),
    )
    .await;
    app.settle().await;
    let found = item(&manager, "7").await;
    let chance = found["chance_past_late"].as_f64().unwrap();
    assert!((0.11..0.5).contains(&chance), "{found}");
    assert_eq!(open_order(&manager, "7").await, None, "a chance is never above 1");
    rule(&manager, json!({"raise_chance": 0.1})).await;
    app.settle().await;
    let order = open_order(&manager, "7").await.unwrap();
    // By now the depot has a usual rate, towards which a car of a month is drawn a little.
    let chance = item(&manager, "7").await["chance_past_late"].as_f64().unwrap();
    let expected = format!("{:.0} % chance of running past the late edge by 2026-03-31", chance * 100.0);
    assert_eq!(order["reason"], expected);
}

async fn an_order_is_raised_when_past_inside_or_unknown(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    driven(&manager, "PAST", 25_500.0, 100.0).await;
    driven(&manager, "INSIDE", 20_500.0, 100.0).await;
    let used = json!({"unit": "USED", "depot": "NORTH", "in_service_on": "2025-01-01", "odometer_in_service": 60_000, "distance_unit": "mi"});
    manager.send("/v1/vehicles", used).await.expect(201);
    driven(&manager, "EARLY", 5_000.0, 100.0).await;
    app.settle().await;
    let reason =
        async |unit: &str| open_order(&manager, unit).await.map(|order| order["reason"].as_str().unwrap().to_owned());
    // Crossed five days before the last reading: 2026-03-12.
    assert_eq!(reason("PAST").await.unwrap(), "past the late edge since 2026-03-12");
    assert_eq!(reason("INSIDE").await.unwrap(), "inside its window since 2026-03-12");
    assert!(reason("USED").await.unwrap().contains("came in used"));
    assert_eq!(reason("EARLY").await, None);
    // Unknown first, then by date.
    let queue = manager.get("/v1/work-orders?open=true").await.expect(200);
    let units: Vec<_> =
        queue["items"].as_array().unwrap().iter().map(|order| order["unit"].as_str().unwrap()).collect();
    assert_eq!(units, ["USED", "PAST", "INSIDE"]);
}

async fn a_car_nobody_has_read_gets_an_order_after_a_day(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    manager
        .send("/v1/vehicles", json!({"unit": "7", "depot": "NORTH", "in_service_on": "2025-01-01"}))
        .await
        .expect(201);
    app.settle().await;
    assert_eq!(open_order(&manager, "7").await, None);
    app.pass(TimeDelta::days(1));
    assert_eq!(app.app.store.mark_outdated(app.app.now()).await.unwrap(), 1);
    app.settle().await;
    assert!(open_order(&manager, "7").await.unwrap()["reason"].as_str().unwrap().contains("read it"));
}

async fn a_first_load_raises_no_order_on_half_of_it(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    driven(&manager, "7", 25_500.0, 100.0).await;
    app.app.recast_all().await.unwrap();
    assert_eq!(app.app.raise_orders(100).await.unwrap(), 0, "its logs came a moment ago");
    app.pass(TimeDelta::seconds(3));
    assert_eq!(app.app.raise_orders(100).await.unwrap(), 0);
    app.pass(TimeDelta::seconds(1));
    assert_eq!(app.app.raise_orders(100).await.unwrap(), 1);
    // A car that is stale is left alone until its forecast is made anew.
    driven(&manager, "8", 25_500.0, 100.0).await;
    app.settle().await;
    assert!(open_order(&manager, "8").await.is_some());
    driven(&manager, "9", 25_500.0, 100.0).await;
    app.app.recast_all().await.unwrap();
    app.pass(TimeDelta::hours(2));
    serviced(&manager, "9", "2026-03-17T18:00:00Z", 25_515.0).await;
    assert_eq!(app.app.raise_orders(100).await.unwrap(), 0);
}

async fn one_order_is_open_for_a_car_and_kind(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    driven(&manager, "7", 25_500.0, 100.0).await;
    app.settle().await;
    let order = open_order(&manager, "7").await.unwrap();
    for _ in 0..3 {
        assert_eq!(app.app.raise_orders(100).await.unwrap(), 0);
    }
    let again = json!({"unit": "7", "kind": "fan-service", "reason": "again"});
    let joined = manager.send("/v1/work-orders", again).await.expect(200);
    assert_eq!((&joined["number"], &joined["reason"]), (&order["number"], &order["reason"]));
    assert_eq!(joined["joined"][0]["reason"], "again");
    let other = json!({"unit": "7", "kind": "cooling-check", "reason": "warm pack"});
    manager.send("/v1/work-orders", other).await.expect(201);
    manager.act(number(&order), "start", json!({"by": "R. Osei"})).await.expect(200);
    assert_eq!(app.app.raise_orders(100).await.unwrap(), 0, "one in process is open too");
}

async fn the_loop_never_withdraws_an_order(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    driven(&manager, "7", 25_500.0, 100.0).await;
    app.settle().await;
    let before = open_order(&manager, "7").await.unwrap();
    assert_eq!(before["reason_today"], before["reason"]);
    // A service comes to light: nothing is due any more.
    serviced(&manager, "7", "2026-03-01T17:00:00Z", 23_910.0).await;
    app.settle().await;
    let after = open_order(&manager, "7").await.unwrap();
    assert_eq!(
        (&after["number"], &after["reason"], &after["version"]),
        (&before["number"], &before["reason"], &before["version"])
    );
    assert_eq!((&after["reason_today"], &after["band"]), (&Value::Null, &json!("before")));
    assert_eq!(after["due"], item(&manager, "7").await["due"]);
    assert_ne!(after["due"], before["due"]);
    assert_eq!(item(&manager, "7").await["work_order"], before["number"]);
}

async fn an_order_raised_by_hand_says_who_and_why(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let shop = app.named_client("north shop", &[Scope::Work, Scope::Read], &[]).await;
    let body = json!({"unit": "7", "kind": "fan-service", "reason": "fan noise", "external_ref": "J-2211"});
    let raised = shop.send("/v1/work-orders", body).await;
    let tag = raised.etag();
    let order = raised.expect(201);
    assert_eq!(
        (&order["raised_by"], &order["reason"], &order["external_ref"]),
        (&json!("north shop"), &json!("fan noise"), &json!("J-2211"))
    );
    assert_eq!((&order["waiting"], &order["version"], tag.as_str()), (&json!(["technician"]), &json!(1), "\"1\""));
    assert!(order["caution"].as_str().unwrap().contains("High voltage"));
    for (field, value) in [
        ("kind", json!("oil")),
        ("reason", json!("")),
        ("external_ref", json!("x".repeat(65))),
        ("urgent", json!(true)),
    ] {
        let mut body = json!({"unit": "7", "kind": "cooling-check", "reason": "x"});
        body[field] = value;
        assert_eq!(fault(&shop.send("/v1/work-orders", body).await.problem(422)), format!("/{field}"));
    }
    shop.send("/v1/work-orders", json!({"unit": "99", "kind": "fan-service", "reason": "x"})).await.problem(404);
    let plain =
        shop.post("/v1/work-orders").json(&json!({"unit": "7", "kind": "cooling-check", "reason": "x"})).send().await;
    assert_eq!(fault(&plain.problem(400)), "Idempotency-Key");
}

async fn an_order_is_accepted_started_and_completed(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let order = raise(&manager, "7").await;
    let accepted = manager.act(&order, "accept", json!({"by": "R. Osei"})).await.expect(200);
    assert_eq!(
        (&accepted["assigned_to"], &accepted["status"], &accepted["waiting"]),
        (&json!("R. Osei"), &json!("needs-action"), &json!([]))
    );
    let started = manager.act(&order, "start", json!({})).await.expect(200);
    assert_eq!(
        (&started["status"], &started["started_at"], &started["version"]),
        (&json!("in-process"), &json!(NOW), &json!(3))
    );
    let body = json!({"outcome": "serviced", "at": "2026-03-18T15:00:00Z", "odometer": 99.5, "distance_unit": "mi", "by": "R. Osei", "note": "filter"});
    let reply = manager.act(&order, "complete", body).await;
    assert_eq!(reply.etag(), "\"4\"");
    let done = reply.expect(200);
    assert_eq!(
        (&done["status"], &done["outcome"], &done["done_at"]),
        (&json!("completed"), &json!("serviced"), &json!("2026-03-18T15:00:00Z"))
    );
    assert_eq!((&done["done_by"], &done["note"]), (&json!("R. Osei"), &json!("filter")));
    let services = manager.get("/v1/past-services?unit=7").await.expect(200);
    assert_eq!((&services["items"][0]["work_order"], &services["items"][0]["odometer"]), (&json!(order), &json!(99.5)));
}

async fn the_odometer_of_a_done_order_is_shown_in_the_depots_unit(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let done = json!({"outcome": "serviced", "odometer": 99.5, "distance_unit": "mi", "by": "x"});
    // A job that has no forecast, and a car that is retired since.
    let check = manager
        .send("/v1/work-orders", json!({"unit": "7", "kind": "cooling-check", "reason": "warm"}))
        .await
        .expect(201);
    manager.act(number(&check), "complete", done.clone()).await.expect(200);
    app.settle().await;
    let fan = raise(&manager, "7").await;
    manager.act(&fan, "complete", done).await.expect(200);
    app.settle().await;
    manager
        .post("/v1/vehicles/7/retire")
        .once()
        .if_match("*")
        .json(&json!({"reason": "sold"}))
        .send()
        .await
        .expect(200);
    for order in [fan.as_str(), number(&check)] {
        let order = read(&manager, order).await;
        assert_eq!((&order["odometer"], &order["distance_unit"]), (&json!(99.5), &json!("mi")), "{order}");
    }
}

async fn an_act_that_does_not_fit_is_refused(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let order = raise(&manager, "7").await;
    let path = |act: &str| format!("/v1/work-orders/{order}/{act}");
    let body = json!({"by": "R. Osei"});
    // The header conditions.
    manager.post(&path("accept")).once().json(&body).send().await.problem(428);
    let no_key = manager.post(&path("accept")).if_match("\"1\"").json(&body).send().await;
    assert_eq!(fault(&no_key.problem(400)), "Idempotency-Key");
    manager.post(&path("accept")).once().if_match("\"2\"").json(&body).send().await.problem(412);
    manager.post(&path("accept")).once().if_match("W/\"1\"").json(&body).send().await.problem(412);
    assert_eq!(
        fault(&manager.post(&path("accept")).once().if_match("1").json(&body).send().await.problem(400)),
        "If-Match"
    );
    assert_eq!(fault(&manager.act(&order, "accept", json!({"by": ""})).await.problem(422)), "/by");
    assert_eq!(fault(&manager.act(&order, "accept", json!({})).await.problem(422)), "/by");
    assert_eq!(fault(&manager.act(&order, "accept", json!({"by": "x", "to": "y"})).await.problem(422)), "/to");
    assert_eq!(read(&manager, &order).await["version"], 1, "nothing was done");
    // What the order's state does not allow.
    manager.act(&order, "reopen", json!({"reason": "x"})).await.problem(409);
    assert_eq!(fault(&manager.act(&order, "start", json!({})).await.problem(422)), "/by");
    manager.act(&order, "accept", body.clone()).await.expect(200);
    manager.act(&order, "accept", json!({"by": "L. Brandt"})).await.problem(409);
    manager.act(&order, "start", json!({"by": "L. Brandt"})).await.problem(409);
    manager.act(&order, "start", json!({})).await.expect(200);
    for act in ["accept", "start"] {
        let problem = manager.act(&order, act, body.clone()).await.problem(409);
        assert!(problem["detail"].as_str().unwrap().contains("in-process"), "{problem}");
    }
    manager.act(&order, "cancel", json!({"reason": "sold"})).await.expect(200);
    for (act, body) in
        [("cancel", json!({"reason": "x"})), ("complete", json!({"outcome": "partly", "by": "x"})), ("start", body)]
    {
        manager.act(&order, act, body).await.problem(409);
    }
    assert_eq!(fault(&manager.act(&order, "cancel", json!({"reason": " "})).await.problem(422)), "/reason");
    let missing = "/v1/work-orders/WO-99999/accept";
    manager.post(missing).once().if_match("*").json(&json!({"by": "x"})).send().await.problem(404);
    manager.get("/v1/work-orders/99").await.problem(404);
}

async fn a_completion_says_what_is_wrong_with_it(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    driven(&manager, "7", 20_500.0, 100.0).await;
    let order = raise(&manager, "7").await;
    let good = json!({"outcome": "serviced", "odometer": 20_600, "distance_unit": "mi", "by": "R. Osei"});
    for (field, value, pointer) in [
        ("outcome", json!("done"), "/outcome"),
        ("by", json!(""), "/by"),
        ("distance_unit", Value::Null, "/distance_unit"),
        ("distance_unit", json!("m"), "/distance_unit"),
        ("odometer", Value::Null, "/odometer"),
        ("odometer", json!(-5), "/odometer"),
        // Below the last reading by far; above what a car can do in a day.
        ("odometer", json!(2_060), "/odometer"),
        ("odometer", json!(206_000), "/odometer"),
        ("at", json!("2026-03-18"), "/at"),
        ("at", json!("2026-03-18T16:05:01Z"), "/at"),
        ("at", json!("2026-03-01T12:00:00Z"), "/odometer"),
        ("hours", json!(1001), "/hours"),
        ("colour", json!(2), "/colour"),
    ] {
        let mut body = good.clone();
        body[field] = value.clone();
        let problem = manager.act(&order, "complete", body).await.problem(422);
        assert_eq!(fault(&problem), pointer, "{field} = {value}");
    }
    assert_eq!(read(&manager, &order).await["status"], "needs-action");
    assert_eq!(manager.get("/v1/past-services?unit=7").await.expect(200)["items"], json!([]));
    // The state is judged before the odometer.
    manager.act(&order, "cancel", json!({"reason": "x"})).await.expect(200);
    let mut wrong = good;
    wrong["odometer"] = json!(206_000);
    manager.act(&order, "complete", wrong).await.problem(409);
}

async fn only_serviced_restarts_the_interval(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    driven(&manager, "7", 20_500.0, 100.0).await;
    app.settle().await;
    let since = item(&manager, "7").await["since_service"].clone();
    for outcome in ["partly", "not-done"] {
        let order = number(&open_order(&manager, "7").await.unwrap()).to_owned();
        let body = json!({"outcome": outcome, "odometer": 20_600, "distance_unit": "mi", "by": "R. Osei"});
        manager.act(&order, "complete", body).await.expect(200);
        app.settle().await;
        assert_eq!(item(&manager, "7").await["since_service"], since, "{outcome}");
        // Still due, so another order is raised.
        let next = open_order(&manager, "7").await.unwrap();
        assert_ne!(number(&next), order);
    }
    let order = number(&open_order(&manager, "7").await.unwrap()).to_owned();
    // Done the evening before last at 20,460 mi: fifty miles were driven since.
    let body = json!({"outcome": "serviced", "at": "2026-03-17T05:00:00Z", "odometer": 20_460, "distance_unit": "mi", "by": "R. Osei"});
    manager.act(&order, "complete", body).await.expect(200);
    app.settle().await;
    let found = item(&manager, "7").await;
    assert_eq!((&found["since_service"]["distance"], &found["counts_since"]), (&json!(50.0), &json!("2026-03-17")));
    assert_eq!((&found["band"], &found["work_order"]), (&json!("before"), &Value::Null));
}

async fn reopening_or_voiding_restores_the_old_interval(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    driven(&manager, "7", 20_500.0, 100.0).await;
    app.settle().await;
    let before = item(&manager, "7").await;
    let order = number(&open_order(&manager, "7").await.unwrap()).to_owned();
    let body = json!({"outcome": "serviced", "at": "2026-03-17T18:00:00Z", "odometer": 20_512, "distance_unit": "mi", "by": "R. Osei"});
    manager.act(&order, "complete", body.clone()).await.expect(200);
    app.settle().await;
    assert_eq!(item(&manager, "7").await["since_service"]["distance"], 0.0);
    let reopened = manager.act(&order, "reopen", json!({"reason": "wrong car"})).await.expect(200);
    assert_eq!(
        (&reopened["status"], &reopened["outcome"], &reopened["assigned_to"]),
        (&json!("needs-action"), &Value::Null, &Value::Null)
    );
    assert_eq!(reopened["closing_reason"], "wrong car");
    app.settle().await;
    let after = item(&manager, "7").await;
    for name in ["since_service", "counts_since", "due", "band", "window", "work_order"] {
        assert_eq!(after[name], before[name], "{name}");
    }
    // Once more, and then the service is voided as a row.
    manager.act(&order, "complete", body).await.expect(200);
    app.settle().await;
    let void = json!({"unit": "7", "kind": "fan-service", "at": "2026-03-17T18:00:00Z", "reason": "never done"});
    manager.send("/v1/past-services/void", void).await.expect(200);
    app.settle().await;
    let after = item(&manager, "7").await;
    for name in ["since_service", "counts_since", "due", "band", "window"] {
        assert_eq!(after[name], before[name], "{name}");
    }
    assert_ne!(after["work_order"].as_str().unwrap(), order, "it is due again: another order");
}

async fn reopening_leaves_a_service_that_was_told_apart(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    driven(&manager, "7", 20_500.0, 100.0).await;
    // The shop's records tell of the service, and its order is completed with the same instant.
    serviced(&manager, "7", "2026-03-17T18:00:00Z", 20_512.0).await;
    let order = raise(&manager, "7").await;
    let body = json!({"outcome": "serviced", "at": "2026-03-17T18:00:00Z", "odometer": 20_512, "distance_unit": "mi", "by": "R. Osei"});
    manager.act(&order, "complete", body).await.expect(200);
    manager.act(&order, "reopen", json!({"reason": "ducts not done"})).await.expect(200);
    app.settle().await;
    assert_eq!(
        item(&manager, "7").await["counts_since"],
        "2026-03-17",
        "the old interval counts from the service told before"
    );
}

async fn a_second_order_of_a_kind_cannot_be_reopened_beside_an_open_one(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let first = raise(&manager, "7").await;
    manager.act(&first, "cancel", json!({"reason": "x"})).await.expect(200);
    raise(&manager, "7").await;
    manager.act(&first, "reopen", json!({"reason": "x"})).await.problem(409);
}

async fn a_cancelled_order_keeps_the_loop_quiet_for_some_days(engine: Engine) {
    let (app, manager) = TestApp::with(engine, &[("raise.quiet_days_after_cancel", "5")]).await;
    two_depots(&manager).await;
    driven(&manager, "7", 20_500.0, 100.0).await;
    app.settle().await;
    let order = number(&open_order(&manager, "7").await.unwrap()).to_owned();
    let cancelled = manager.act(&order, "cancel", json!({"reason": "in court"})).await.expect(200);
    assert_eq!((&cancelled["status"], &cancelled["closing_reason"]), (&json!("cancelled"), &json!("in court")));
    app.settle().await;
    assert_eq!(open_order(&manager, "7").await, None);
    app.clock.set(instant(NOW) + TimeDelta::seconds(10) + TimeDelta::days(5) - TimeDelta::microseconds(1));
    assert_eq!(app.app.raise_orders(100).await.unwrap(), 0);
    app.pass(TimeDelta::microseconds(1));
    assert_eq!(app.app.raise_orders(100).await.unwrap(), 1);
    // By hand one may be raised at any time.
    let next = number(&open_order(&manager, "7").await.unwrap()).to_owned();
    manager.act(&next, "cancel", json!({"reason": "x"})).await.expect(200);
    raise(&manager, "7").await;
}

async fn a_shops_number_is_used_once_by_a_key(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    for unit in ["1", "2", "3"] {
        car(&manager, unit, "NORTH").await;
    }
    let other = app.client(&[Scope::Work, Scope::Read], &[]).await;
    let body = |unit: &str| json!({"unit": unit, "kind": "fan-service", "reason": "x", "external_ref": "J-1"});
    manager.send("/v1/work-orders", body("1")).await.expect(201);
    let problem = manager.send("/v1/work-orders", body("2")).await.problem(422);
    assert_eq!(fault(&problem), "/external_ref");
    assert!(problem["detail"].as_str().unwrap().contains("used once"), "{problem}");
    other.send("/v1/work-orders", body("2")).await.expect(201);
    let found = manager.get("/v1/work-orders?external_ref=J-1").await.expect(200);
    assert_eq!(found["items"].as_array().unwrap().len(), 2);
    // Given later, changed, taken away.
    let third = raise(&manager, "3").await;
    let patch =
        |tag: &str, body: Value| manager.patch(&format!("/v1/work-orders/{third}")).if_match(tag).json(&body).send();
    assert_eq!(fault(&patch("\"1\"", json!({"external_ref": "J-1"})).await.problem(422)), "/external_ref");
    assert_eq!(patch("\"1\"", json!({"external_ref": "J-3"})).await.expect(200)["external_ref"], "J-3");
    patch("\"1\"", json!({"external_ref": "J-4"})).await.problem(412);
    assert_eq!(patch("\"2\"", json!({"external_ref": null})).await.expect(200)["external_ref"], Value::Null);
    assert_eq!(patch("\"3\"", json!({"external_ref": "J-3"})).await.expect(200)["external_ref"], "J-3");
}

async fn what_a_patch_leaves_out_stays(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let body = json!({"unit": "7", "kind": "fan-service", "reason": "x", "external_ref": "J-1"});
    let order = number(&manager.send("/v1/work-orders", body).await.expect(201)).to_owned();
    let same = manager.patch(&format!("/v1/work-orders/{order}")).if_match("*").json(&json!({})).send().await;
    assert_eq!(same.expect(200)["external_ref"], "J-1");
}

async fn a_number_that_another_order_of_the_key_has_is_refused_on_taking_over(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "1", "NORTH").await;
    car(&manager, "2", "NORTH").await;
    let other = app.client(&[Scope::Work, Scope::Read], &[]).await;
    let body = |unit: &str| json!({"unit": unit, "kind": "fan-service", "reason": "x", "external_ref": "J-1"});
    let first = number(&manager.send("/v1/work-orders", body("1")).await.expect(201)).to_owned();
    other.send("/v1/work-orders", body("2")).await.expect(201);
    let taken = other
        .patch(&format!("/v1/work-orders/{first}"))
        .if_match("*")
        .json(&json!({"external_ref": "J-1"}))
        .send()
        .await;
    assert_eq!(fault(&taken.problem(422)), "/external_ref");
}

async fn polling_by_change_misses_nothing(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let mut orders = Vec::new();
    for unit in ["1", "2", "3", "4"] {
        car(&manager, unit, "NORTH").await;
        orders.push(raise(&manager, unit).await);
        app.pass(TimeDelta::minutes(1));
    }
    let since = async |at: &str, more: &str| {
        let (mut path, mut found) = (format!("/v1/work-orders?changed_since={at}{more}"), Vec::new());
        loop {
            let page = manager.get(&path).await.expect(200);
            found.extend(page["items"].as_array().unwrap().iter().map(|order| number(order).to_owned()));
            let Some(next) = page["next"].as_str() else { return found };
            path = next.to_owned();
        }
    };
    assert_eq!(since("2026-03-18T16:00:00Z", "").await, orders, "oldest change first");
    assert_eq!(since("2026-03-18T16:02:00Z", "").await, orders[2..]);
    manager.act(&orders[0], "accept", json!({"by": "x"})).await.expect(200);
    let changed = [orders[1].clone(), orders[2].clone(), orders[3].clone(), orders[0].clone()];
    assert_eq!(since("2026-03-18T16:00:00Z", "&limit=1").await, changed);
    assert_eq!(since("2026-03-18T16:04:00Z", "").await, [orders[0].clone()], "at or after");
    assert_eq!(since("2026-03-18T16:04:00.000001Z", "").await, [""; 0]);
    let problem = manager.get("/v1/work-orders?changed_since=today").await.problem(400);
    assert_eq!(fault(&problem), "changed_since");
    // What the forecast calls for joins the order once; a forecast that moves is no change of it.
    app.settle().await;
    assert_eq!(since("2026-03-18T16:04:00.000001Z", "").await, orders);
    app.pass(TimeDelta::minutes(1));
    post(&manager, "odometer-readings", month_of_readings("1", 25_510.0, 100.0)).await;
    app.settle().await;
    assert_eq!(since("2026-03-18T16:05:00Z", "").await, [""; 0]);
}

async fn the_queue_is_filtered_and_paged(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    for (unit, last) in [("A", 21_000.0), ("B", 24_000.0), ("C", 26_000.0)] {
        driven(&manager, unit, last, 100.0).await;
    }
    car(&manager, "W", "WEST").await;
    serviced(&manager, "W", "2026-03-01T17:00:00Z", 9_000.0).await;
    app.settle().await;
    let west =
        manager.send("/v1/work-orders", json!({"unit": "W", "kind": "cooling-check", "reason": "x"})).await.expect(201);
    let units = async |query: &str| {
        let (mut path, mut found) = (format!("/v1/work-orders?{query}"), Vec::new());
        loop {
            let page = manager.get(&path).await.expect(200);
            found.extend(
                page["items"].as_array().unwrap().iter().map(|order| order["unit"].as_str().unwrap().to_owned()),
            );
            let Some(next) = page["next"].as_str() else { return found };
            path = next.to_owned();
        }
    };
    assert_eq!(units("depot=NORTH").await, ["C", "B", "A"], "the most urgent first");
    assert_eq!(units("depot=NORTH&limit=1").await, ["C", "B", "A"]);
    assert_eq!(units("kind=cooling-check").await, ["W"]);
    assert_eq!(units("depot=NOWHERE").await, [""; 0]);
    manager.act(number(&west), "start", json!({"by": "R. Osei"})).await.expect(200);
    assert_eq!(units("status=in-process").await, ["W"]);
    assert_eq!(units("assigned_to=R.%20Osei").await, ["W"]);
    manager.act(number(&west), "complete", json!({"outcome": "partly", "by": "R. Osei"})).await.expect(200);
    assert_eq!(
        (units("open=false").await, units("status=completed").await),
        (vec!["W".to_owned()], vec!["W".to_owned()])
    );
    assert_eq!(units("open=true").await, ["C", "B", "A"]);
    // B is driven hard: the queue follows its new date.
    app.pass(TimeDelta::days(3));
    let row = json!({"unit": "A", "at": "2026-03-20T17:00:00Z", "odometer": 24_900, "distance_unit": "mi"});
    post(&manager, "odometer-readings", row).await;
    app.settle().await;
    assert_eq!(units("open=true").await, ["C", "A", "B"]);
    for (query, name) in [
        ("status=done", "status"),
        ("kind=oil", "kind"),
        ("open=maybe", "open"),
        ("colour=red", "colour"),
        ("limit=x", "limit"),
    ] {
        assert_eq!(fault(&manager.get(&format!("/v1/work-orders?{query}")).await.problem(400)), name);
    }
}

async fn the_next_order_goes_to_exactly_one_of_twenty(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    for place in 0..12 {
        driven(&manager, &format!("C{place:02}"), 26_000.0 - f64::from(place) * 100.0, 100.0).await;
    }
    app.settle().await;
    let calls: Vec<_> = (0..20)
        .map(|who| {
            let call = manager.post("/v1/work-orders/next").once().json(&json!({"by": format!("T{who}")}));
            tokio::spawn(async move { (format!("T{who}"), call.send().await) })
        })
        .collect();
    let mut handed: Vec<(String, String)> = Vec::new();
    let mut empty = 0;
    for call in calls {
        let (who, reply) = call.await.unwrap();
        match reply.status.as_u16() {
            204 => empty += 1,
            _ => {
                let order = reply.expect(200);
                assert_eq!(order["assigned_to"], who);
                handed.push((number(&order).to_owned(), who));
            }
        }
    }
    assert_eq!((handed.len(), empty), (12, 8));
    for (order, who) in &handed {
        assert_eq!(read(&manager, order).await["assigned_to"], *who);
    }
    handed.sort();
    handed.dedup_by(|one, other| one.0 == other.0);
    assert_eq!(handed.len(), 12, "none twice");
}

async fn the_next_order_is_the_most_urgent_that_fits(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    for (unit, last) in [("A", 21_000.0), ("B", 26_000.0)] {
        driven(&manager, unit, last, 100.0).await;
    }
    car(&manager, "W", "WEST").await;
    serviced(&manager, "W", "2026-03-01T17:00:00Z", 9_000.0).await;
    app.settle().await;
    manager.send("/v1/work-orders", json!({"unit": "W", "kind": "cooling-check", "reason": "x"})).await.expect(201);
    let next = async |body: Value| manager.send("/v1/work-orders/next", body).await;
    assert_eq!(next(json!({"by": "x", "depot": "NOWHERE"})).await.status.as_u16(), 204);
    assert_eq!(next(json!({"by": "x", "kind": "cooling-check"})).await.expect(200)["unit"], "W");
    assert_eq!(next(json!({"by": "x", "depot": "NORTH"})).await.expect(200)["unit"], "B");
    let taken = next(json!({"by": "y"})).await;
    assert_eq!((taken.etag(), &taken.expect(200)["unit"]), ("\"2\"".to_owned(), &json!("A")));
    let none = next(json!({"by": "x"})).await;
    assert_eq!((none.status.as_u16(), none.text.as_str()), (204, ""));
    assert_eq!(fault(&next(json!({"by": ""})).await.problem(422)), "/by");
    let plain = manager.post("/v1/work-orders/next").json(&json!({"by": "x"})).send().await;
    assert_eq!(fault(&plain.problem(400)), "Idempotency-Key");
    // The key of a request that found nothing may ask again.
    let ask = || manager.post("/v1/work-orders/next").header("idempotency-key", "\"later\"").json(&json!({"by": "z"}));
    assert_eq!(ask().send().await.status.as_u16(), 204);
    raise(&manager, "W").await;
    let first = ask().send().await.expect(200);
    assert_eq!((&first["unit"], ask().send().await.expect(200)), (&json!("W"), first.clone()));
}

/// Sends the same request twenty times at once; all answers are the same.
async fn twenty_at_once(calls: impl Iterator<Item = crate::common::Call>) -> Reply {
    let sent: Vec<_> = calls.map(|call| tokio::spawn(call.send())).collect();
    let mut replies = Vec::new();
    for reply in sent {
        replies.push(reply.await.unwrap());
    }
    assert_eq!(replies.len(), 20);
    one_answer(replies)
}

/// All are answered alike, or told that the same request is being worked on.
fn one_answer(mut replies: Vec<Reply>) -> Reply {
    let under_way = |reply: &Reply| reply.text.contains("urn:ventmile:problem:under-way");
    for reply in replies.iter().filter(|reply| under_way(reply)) {
        assert_eq!(fault(&reply.problem(409)), "Idempotency-Key");
        assert_eq!(reply.headers["retry-after"], "1");
    }
    replies.retain(|reply| !under_way(reply));
    let first = replies.pop().expect("one is answered");
    for reply in &replies {
        assert_eq!((reply.status, &reply.text), (first.status, &first.text));
        assert_eq!(reply.headers.get("etag"), first.headers.get("etag"));
    }
    first
}

/// Two processes on one database know of each other by the database alone.
async fn doubles_in_two_processes_have_one_effect_and_one_answer(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let elsewhere = app.again().await.client_with(manager.key());
    car(&manager, "7", "NORTH").await;
    let at_once = |path: &'static str, body: Value| {
        let both = [&manager, &elsewhere].into_iter().cycle().take(20);
        let calls: Vec<_> =
            both.map(|client| client.post(path).header("idempotency-key", "\"d\"").json(&body)).collect();
        twenty_at_once(calls.into_iter())
    };
    let order = json!({"unit": "7", "kind": "fan-service", "reason": "fan noise"});
    at_once("/v1/work-orders", order.clone()).await.expect(201);
    let lines = manager.get("/v1/journal?limit=500").await.expect(200);
    let raised = lines["items"].as_array().unwrap().iter().filter(|line| line["action"] == "work-order raise");
    assert_eq!(raised.count(), 1);
    // The same key for something else is refused, by either.
    for client in [&manager, &elsewhere] {
        let other = client.post("/v1/duty-logs").header("idempotency-key", "\"d\"").json(&json!([])).send().await;
        assert_eq!(fault(&other.problem(422)), "Idempotency-Key");
    }
}

/// Rows are stored before their answer is kept, so that two processes may both store them: once, and with one answer.
async fn bulk_posts_in_two_processes_have_one_answer(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let elsewhere = app.again().await.client_with(manager.key());
    car(&manager, "7", "NORTH").await;
    let rows: Value = (1..=9).map(|day| json!({"unit": "7", "date": format!("2026-03-0{day}"), "hours": 3})).collect();
    let both = [&manager, &elsewhere].into_iter().cycle().take(20);
    let calls = both.map(|client| client.post("/v1/duty-logs").header("idempotency-key", "\"d\"").json(&rows));
    let calls: Vec<_> = calls.collect();
    let kept = twenty_at_once(calls.into_iter()).await.expect(200);
    assert_eq!(kept["stored"].as_u64().unwrap() + kept["repeated"].as_u64().unwrap(), 9, "{kept}");
    let found = manager.get("/v1/duty-logs?unit=7").await.expect(200);
    assert_eq!(found["items"].as_array().unwrap().len(), 9);
}

async fn doubles_at_once_have_one_effect_and_one_answer(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    for unit in ["7", "8"] {
        car(&manager, unit, "NORTH").await;
    }
    let body = json!({"unit": "7", "kind": "fan-service", "reason": "fan noise"});
    let raised = (0..20).map(|_| manager.post("/v1/work-orders").header("idempotency-key", "\"r\"").json(&body));
    let order = number(&twenty_at_once(raised).await.expect(201)).to_owned();
    raise(&manager, "8").await;
    let next = (0..20)
        .map(|_| manager.post("/v1/work-orders/next").header("idempotency-key", "\"n\"").json(&json!({"by": "x"})));
    twenty_at_once(next).await.expect(200);
    let taken = manager.get("/v1/work-orders?assigned_to=x").await.expect(200);
    assert_eq!(taken["items"].as_array().unwrap().len(), 1);
    let tag = format!("\"{}\"", read(&manager, &order).await["version"]);
    let path = format!("/v1/work-orders/{order}/cancel");
    let acts = (0..20).map(|_| {
        manager.post(&path).header("idempotency-key", "\"c\"").if_match(&tag).json(&json!({"reason": "sold"}))
    });
    let cancelled = twenty_at_once(acts).await;
    assert_eq!(cancelled.expect(200)["status"], "cancelled");
    // And later still, though the version has gone on.
    let again = manager
        .post(&path)
        .header("idempotency-key", "\"c\"")
        .if_match(&tag)
        .json(&json!({"reason": "sold"}))
        .send()
        .await;
    assert_eq!(again.text, cancelled.text);
    let other = manager
        .post(&path)
        .header("idempotency-key", "\"c\"")
        .if_match(&tag)
        .json(&json!({"reason": "lost"}))
        .send()
        .await;
    assert_eq!(fault(&other.problem(422)), "Idempotency-Key");
    let lines = manager.get("/v1/journal?limit=500").await.expect(200);
    let lines = lines["items"].as_array().unwrap();
    let count = |action: &str| lines.iter().filter(|line| line["action"] == action).count();
    assert_eq!((count("work-order raise"), count("work-order accept"), count("work-order cancel")), (2, 1, 1));
}

async fn acts_at_once_are_done_once(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let order = raise(&manager, "7").await;
    let path = format!("/v1/work-orders/{order}/accept");
    let sent: Vec<_> = (0..20)
        .map(|who| {
            tokio::spawn(manager.post(&path).once().if_match("\"1\"").json(&json!({"by": format!("T{who}")})).send())
        })
        .collect();
    let mut statuses = Vec::new();
    for reply in sent {
        statuses.push(reply.await.unwrap().status.as_u16());
    }
    assert_eq!(statuses.iter().filter(|status| **status == 200).count(), 1, "{statuses:?}");
    assert!(statuses.iter().all(|status| [200, 409, 412].contains(status)), "{statuses:?}");
    assert_eq!(read(&manager, &order).await["version"], 2);
}

async fn a_refused_act_leaves_its_key_free(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let order = raise(&manager, "7").await;
    let path = format!("/v1/work-orders/{order}/reopen");
    let call = |tag: &'static str| {
        manager.post(&path).header("idempotency-key", "\"k\"").if_match(tag).json(&json!({"reason": "x"})).send()
    };
    call("\"1\"").await.problem(409);
    manager.act(&order, "cancel", json!({"reason": "x"})).await.expect(200);
    call("\"2\"").await.expect(200);
}

async fn the_day_list_names_cars_to_bring_in_and_to_look_at(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    // Early edges: INSIDE behind, SOON on 1 April, UNDER behind but off the road; SILENT last heard on 1 March.
    driven(&manager, "INSIDE", 21_000.0, 100.0).await;
    driven(&manager, "SOON", 18_510.0, 100.0).await;
    driven(&manager, "UNDER", 21_000.0, 100.0).await;
    driven(&manager, "FAR", 5_000.0, 100.0).await;
    app.settle().await;
    let used = json!({"unit": "USED", "depot": "NORTH", "in_service_on": "2025-01-01", "odometer_in_service": 60_000, "distance_unit": "mi"});
    manager.send("/v1/vehicles", used).await.expect(201);
    car(&manager, "SILENT", "NORTH").await;
    serviced(&manager, "SILENT", "2026-03-01T17:00:00Z", 9_000.0).await;
    let off = json!({"from": "2026-03-18", "reason": "body work"});
    manager.send("/v1/vehicles/UNDER/off-road", off).await.expect(201);
    car(&manager, "W", "WEST").await;
    serviced(&manager, "W", "2026-03-01T17:00:00Z", 9_000.0).await;
    app.settle().await;
    manager
        .send("/v1/work-orders", json!({"unit": "FAR", "kind": "cooling-check", "reason": "warm pack"}))
        .await
        .expect(201);
    let list = async |path: &str| {
        let found = manager.get(path).await.expect(200);
        let units = |name: &str| -> Vec<String> {
            found[name].as_array().unwrap().iter().map(|row| row["unit"].as_str().unwrap().to_owned()).collect()
        };
        (units("bring_in"), units("look_at"))
    };
    // A job without a forecast waits from the day on which it was raised; then by the late edge.
    let (bring, look) = list("/v1/day-lists/2026-03-18?depot=NORTH").await;
    assert_eq!(
        (bring, look.clone()),
        (vec!["FAR".to_owned(), "INSIDE".to_owned()], vec!["USED".to_owned(), "SILENT".to_owned()])
    );
    let (bring, _) = list("/v1/day-lists/2026-03-31?depot=NORTH").await;
    assert!(!bring.contains(&"SOON".to_owned()));
    let (bring, again) = list("/v1/day-lists/2026-04-01?depot=NORTH").await;
    assert!(bring.contains(&"SOON".to_owned()) && !bring.contains(&"UNDER".to_owned()), "{bring:?}");
    assert_eq!(again, look);
    assert_eq!(list("/v1/day-lists/2026-03-18").await.1, ["USED", "W", "SILENT"]);
    assert_eq!(list("/v1/day-lists/2026-03-18?depot=WEST").await, (vec![], vec!["W".to_owned()]));
    // The table says the same.
    let table = manager.get("/v1/day-lists/2026-03-18?depot=NORTH&format=csv").await;
    let mut reader = csv::Reader::from_reader(table.text.as_bytes());
    assert_eq!(
        reader.headers().unwrap(),
        &csv::StringRecord::from(vec![
            "date",
            "what",
            "unit",
            "depot",
            "work_order",
            "kind",
            "due_late",
            "reason",
            "expected_back"
        ])
    );
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let cells: Vec<_> = rows.iter().map(|row| (row[1].to_owned(), row[2].to_owned())).collect();
    let expected = [
        ("bring-in", "FAR"),
        ("bring-in", "INSIDE"),
        ("look-at", "USED"),
        ("look-at", "SILENT"),
        ("off-road", "UNDER"),
    ];
    assert_eq!(cells, expected.map(|(what, unit)| (what.to_owned(), unit.to_owned())));
    let inside = open_order(&manager, "INSIDE").await.unwrap();
    assert_eq!(
        (&rows[1][0], &rows[1][4], &rows[1][7]),
        ("2026-03-18", number(&inside), inside["reason"].as_str().unwrap())
    );
    assert_eq!(&rows[1][6], inside["due"]["late"]["p50"].as_str().unwrap());
    assert_eq!((&rows[2][7], &rows[3][7]), ("unknown: inspect or read", "silent: read the odometer"));
    assert_eq!(fault(&manager.get("/v1/day-lists/today").await.problem(400)), "date");
    assert_eq!(fault(&manager.get("/v1/day-lists/2026-03-18?depot=NOWHERE").await.problem(400)), "depot");
}

async fn a_safety_hold_is_released_only_by_the_named_keys(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let named = app.named_client("hv lead", &[Scope::Plan], &[]).await;
    let other = app.named_client("dispatch", &[Scope::Plan], &[]).await;
    let hold =
        json!({"from": "2026-03-10", "reason": "isolation fault", "safety_hold": true, "release_by": ["hv lead"]});
    let back = "/v1/vehicles/7/return-to-service";
    let held = other.send("/v1/vehicles/7/off-road", hold.clone()).await.expect(201);
    assert_eq!(
        (&held["safety_hold"], &held["release_by"], &held["released"]),
        (&json!(true), &json!(["hv lead"]), &json!(false))
    );
    let problem = other.send(back, json!({"on": "2026-03-18"})).await.problem(403);
    assert!(problem["detail"].as_str().unwrap().contains("hv lead"), "{problem}");
    other.send(back, json!({"on": "2026-03-09"})).await.problem(409);
    named.send(back, json!({"on": "2026-03-18", "note": "measured, clear"})).await.expect(200);
    let list = manager.get("/v1/vehicles/7/off-road").await.expect(200);
    assert_eq!((&list["items"][0]["released"], &list["items"][0]["to"]), (&json!(true), &json!("2026-03-17")));
    named.send(back, json!({"on": "2026-03-18"})).await.problem(409);
    // An admin may release any; an ordinary time off the road anybody who plans.
    other.send("/v1/vehicles/7/off-road", hold).await.expect(201);
    manager.send(back, json!({})).await.expect(200);
    other.send("/v1/vehicles/7/off-road", json!({"from": "2026-03-18", "reason": "body work"})).await.expect(201);
    other.send(back, json!({})).await.expect(200);
    for (field, value) in
        [("to", json!("2026-03-17")), ("from", json!("today")), ("reason", json!("")), ("release_by", json!(["a,b"]))]
    {
        let mut body = json!({"from": "2026-03-18", "reason": "x"});
        body[field] = value;
        assert_eq!(fault(&manager.send("/v1/vehicles/7/off-road", body).await.problem(422)), format!("/{field}"));
    }
    let plain = manager.post(back).json(&json!({})).send().await;
    assert_eq!(fault(&plain.problem(400)), "Idempotency-Key");
}

async fn a_safety_hold_does_not_end_by_itself(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    ordinary_car(&manager, "7", "NORTH").await;
    let hold = json!({"from": "2026-03-10", "to": "2026-03-17", "reason": "isolation fault", "safety_hold": true});
    manager.send("/v1/vehicles/7/off-road", hold).await.expect(201);
    app.settle().await;
    // Its last day was yesterday and nobody has released it.
    assert_eq!(forecast(&manager, "7").await["off_road"], true);
}

async fn grades_and_dates_of_an_order_follow_its_car(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    serviced(&manager, "7", "2026-02-10T17:00:00Z", 20_000.0).await;
    post(&manager, "odometer-readings", month_of_readings("7", 41_000.0, 600.0)).await;
    let days = || dates("2026-02-11", "2026-03-17").filter(weekday);
    post(&manager, "duty-logs", duty("7", days(), 8.0)).await;
    post(&manager, "seat-logs", seats("7", days(), 4)).await;
    app.settle().await;
    let order = open_order(&manager, "7").await.unwrap();
    assert_eq!(order["band"], "inside");
    rule(&manager, json!({"ordinary": {"distance": {"early": 28_000, "late": 30_000}}})).await;
    app.settle().await;
    let after = open_order(&manager, "7").await.unwrap();
    assert_eq!((&after["number"], &after["band"]), (&order["number"], &json!("before")));
}

crate::on_both!(
    an_order_is_raised_at_the_lead_time_before_the_early_edge,
    an_order_is_raised_when_the_chance_of_running_past_is_above_the_setting,
    an_order_is_raised_when_past_inside_or_unknown,
    a_car_nobody_has_read_gets_an_order_after_a_day,
    a_first_load_raises_no_order_on_half_of_it,
    one_order_is_open_for_a_car_and_kind,
    the_loop_never_withdraws_an_order,
    an_order_raised_by_hand_says_who_and_why,
    an_order_is_accepted_started_and_completed,
    the_odometer_of_a_done_order_is_shown_in_the_depots_unit,
    an_act_that_does_not_fit_is_refused,
    a_completion_says_what_is_wrong_with_it,
    only_serviced_restarts_the_interval,
    reopening_or_voiding_restores_the_old_interval,
    reopening_leaves_a_service_that_was_told_apart,
    a_second_order_of_a_kind_cannot_be_reopened_beside_an_open_one,
    a_cancelled_order_keeps_the_loop_quiet_for_some_days,
    a_shops_number_is_used_once_by_a_key,
    what_a_patch_leaves_out_stays,
    a_number_that_another_order_of_the_key_has_is_refused_on_taking_over,
    polling_by_change_misses_nothing,
    the_queue_is_filtered_and_paged,
    the_next_order_goes_to_exactly_one_of_twenty,
    the_next_order_is_the_most_urgent_that_fits,
    doubles_at_once_have_one_effect_and_one_answer,
    doubles_in_two_processes_have_one_effect_and_one_answer,
    bulk_posts_in_two_processes_have_one_answer,
    acts_at_once_are_done_once,
    a_refused_act_leaves_its_key_free,
    the_day_list_names_cars_to_bring_in_and_to_look_at,
    a_safety_hold_is_released_only_by_the_named_keys,
    a_safety_hold_does_not_end_by_itself,
    grades_and_dates_of_an_order_follow_its_car,
);
