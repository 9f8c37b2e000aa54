//! The loops' use cases by hand: recast and its marks, new days, what is kept and what is forgotten.

use chrono::TimeDelta;
use serde_json::{Value, json};

use ventmile::store::{Claim, Recast};

use crate::common::{
    Client, Engine, TestApp, car, dates, duty, instant, item, month_of_readings, post, seats, serviced, two_depots,
};

async fn fleet(engine: Engine) -> (TestApp, Client) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    (app, manager)
}

fn reading(unit: &str, at: &str, odometer: f64) -> Value {
    json!({"unit": unit, "at": at, "odometer": odometer, "distance_unit": "mi"})
}

async fn stale(app: &TestApp) -> i64 {
    app.app.store.count_stale().await.unwrap()
}

async fn a_posted_reading_makes_its_car_stale_until_it_is_recast(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    car(&manager, "8", "NORTH").await;
    assert_eq!(stale(&app).await, 2);
    assert_eq!(app.app.recast_all().await.unwrap(), 2);
    assert_eq!(stale(&app).await, 0);
    assert_eq!(app.app.recast_all().await.unwrap(), 0);
    post(&manager, "odometer-readings", month_of_readings("7", 5_000.0, 100.0)).await;
    assert_eq!(stale(&app).await, 1);
    assert_eq!(app.app.recast_all().await.unwrap(), 1);
    assert_eq!(item(&manager, "7").await["since_service"]["distance"], 4_990.0);
}

/// The claimed cars as they go out of service.
fn gone(claims: &[Claim]) -> Vec<(i64, i64)> {
    claims.iter().map(|claim| (claim.vehicle_id, claim.mark)).collect()
}

async fn a_reading_that_comes_while_its_car_is_computed_keeps_it_stale(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    app.app.recast_all().await.unwrap();
    post(&manager, "odometer-readings", reading("7", "2026-03-17T12:00:00Z", 5_000.0)).await;
    let (now, store) = (app.app.now(), &app.app.store);
    let until = now + TimeDelta::seconds(120);
    let claimed = store.claim_stale(now, until, 10).await.unwrap();
    assert_eq!(claimed.len(), 1);
    assert_eq!(store.claim_stale(now, until, 10).await.unwrap(), [], "it is being worked on");
    // Between the claim and the save.
    post(&manager, "odometer-readings", reading("7", "2026-03-18T12:00:00Z", 5_100.0)).await;
    assert_eq!(store.claim_stale(now, until, 10).await.unwrap(), [], "still");
    store.save_forecasts(&Recast { gone: gone(&claimed), ..Recast::default() }, now).await.unwrap();
    assert_eq!(stale(&app).await, 1);
    assert_eq!(app.app.recast_all().await.unwrap(), 1, "at once, not when the claim runs out");
    assert_eq!(item(&manager, "7").await["last_reading_at"], "2026-03-18T12:00:00Z");
}

async fn a_slow_worker_does_not_take_away_a_later_mark(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    app.app.recast_all().await.unwrap();
    post(&manager, "odometer-readings", reading("7", "2026-03-17T12:00:00Z", 5_000.0)).await;
    let store = &app.app.store;
    let slow = store.claim_stale(app.app.now(), app.app.now() + TimeDelta::seconds(120), 10).await.unwrap();
    // The claim runs out, another worker does the work, and then a new reading comes.
    app.pass(TimeDelta::seconds(121));
    assert_eq!(app.app.recast_all().await.unwrap(), 1);
    post(&manager, "odometer-readings", reading("7", "2026-03-18T12:00:00Z", 5_100.0)).await;
    store.save_forecasts(&Recast { gone: gone(&slow), ..Recast::default() }, app.app.now()).await.unwrap();
    assert_eq!(stale(&app).await, 1, "the new reading is not yet computed");
    app.app.recast_all().await.unwrap();
    assert_eq!(item(&manager, "7").await["last_reading_at"], "2026-03-18T12:00:00Z");
}

async fn an_abandoned_claim_is_taken_up_again(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let now = app.app.now();
    let claimed = app.app.store.claim_stale(now, now + TimeDelta::seconds(120), 10).await.unwrap();
    assert_eq!(claimed.len(), 1);
    app.pass(TimeDelta::seconds(120) - TimeDelta::microseconds(1));
    assert_eq!(app.app.recast_all().await.unwrap(), 0);
    app.pass(TimeDelta::microseconds(1));
    assert_eq!(app.app.recast_all().await.unwrap(), 1);
    assert_eq!(stale(&app).await, 0);
    // The one process on a file frees every claim when it starts.
    post(&manager, "odometer-readings", reading("7", "2026-03-17T12:00:00Z", 5_000.0)).await;
    let now = app.app.now();
    app.app.store.claim_stale(now, now + TimeDelta::seconds(30), 10).await.unwrap();
    assert_eq!(app.app.recast_all().await.unwrap(), 0);
    app.app.store.free_claims().await.unwrap();
    assert_eq!(app.app.recast_all().await.unwrap(), 1);
}

async fn workers_share_the_stale_cars(engine: Engine) {
    let (app, manager) = TestApp::with(engine, &[("loops.batch", "7")]).await;
    two_depots(&manager).await;
    for unit in 0..40 {
        car(&manager, &format!("C{unit}"), "NORTH").await;
    }
    let workers: Vec<_> = (0..4)
        .map(|_| {
            let app = app.app.clone();
            tokio::spawn(async move { app.recast_all().await.unwrap() })
        })
        .collect();
    let mut total = 0;
    for worker in workers {
        total += worker.await.unwrap();
    }
    assert_eq!((total, stale(&app).await), (40, 0));
    let list = manager.get("/v1/upcoming?limit=100").await.expect(200);
    assert_eq!(list["items"].as_array().unwrap().len(), 40);
}

/// On Postgres two transactions that took a car's things in different orders would wait for each other until one is killed.
async fn acts_and_recasts_of_the_same_cars_do_not_get_in_each_others_way(engine: Engine) {
    const CARS: usize = 6;
    let (app, manager) = fleet(engine).await;
    for number in 0..CARS {
        car(&manager, &format!("C{number}"), "NORTH").await;
    }
    let recasting = {
        let app = app.app.clone();
        tokio::spawn(async move {
            for _ in 0..120 {
                app.store.mark_every_car(app.now()).await.unwrap();
                app.recast_all().await.unwrap();
            }
        })
    };
    let acting = (0..CARS).map(|number| {
        let manager = manager.clone();
        tokio::spawn(async move {
            let unit = format!("C{number}");
            let raised = json!({"unit": unit, "kind": "fan-service", "reason": "noise"});
            let order =
                manager.send("/v1/work-orders", raised).await.expect(201)["number"].as_str().unwrap().to_owned();
            for round in 0..12 {
                let path = format!("/v1/vehicles/{unit}/move");
                let depot = if round % 2 == 0 { "WEST" } else { "NORTH" };
                let car = manager.get(&format!("/v1/vehicles/{unit}")).await;
                let to = json!({"depot": depot, "on": format!("2026-03-{:02}", 1 + round)});
                manager.post(&path).once().if_match(&car.etag()).json(&to).send().await.expect(200);
                manager.act(&order, "accept", json!({"by": "Dee"})).await.expect(200);
                let told = json!({"unit": unit, "at": "2026-03-18T12:00:00Z", "told": "stood still", "by": "Dee"});
                manager.send("/v1/breakdowns", told).await.expect(201);
                manager.send(&format!("/v1/vehicles/{unit}/return-to-service"), json!({})).await.expect(200);
                manager.act(&order, "decline", json!({"by": "Dee", "reason": "no time"})).await.expect(200);
            }
            let car = manager.get(&format!("/v1/vehicles/{unit}")).await;
            let gone = json!({"on": "2026-03-18", "reason": "sold"});
            let path = format!("/v1/vehicles/{unit}/retire");
            manager.post(&path).once().if_match(&car.etag()).json(&gone).send().await.expect(200);
        })
    });
    for task in acting.collect::<Vec<_>>() {
        task.await.unwrap();
    }
    recasting.await.unwrap();
}

async fn loops_at_once_raise_an_order_once(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    for unit in 0..10 {
        let unit = format!("C{unit}");
        car(&manager, &unit, "NORTH").await;
        post(&manager, "odometer-readings", month_of_readings(&unit, 26_000.0, 100.0)).await;
    }
    app.app.recast_all().await.unwrap();
    app.pass(TimeDelta::seconds(10));
    let raisers: Vec<_> = (0..6)
        .map(|_| {
            let app = app.app.clone();
            tokio::spawn(async move { app.raise_orders(4).await.unwrap() })
        })
        .collect();
    let mut total = 0;
    for raiser in raisers {
        total += raiser.await.unwrap();
    }
    while app.app.raise_orders(4).await.unwrap() > 0 {
        total += 1;
    }
    let orders = manager.get("/v1/work-orders?limit=100").await.expect(200);
    let mut units: Vec<_> = orders["items"].as_array().unwrap().iter().map(|order| order["unit"].to_string()).collect();
    units.sort();
    units.dedup();
    assert_eq!((units.len(), orders["items"].as_array().unwrap().len()), (10, 10), "{total}");
}

async fn a_new_local_day_makes_forecasts_anew_depot_by_depot(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "N", "NORTH").await;
    car(&manager, "W", "WEST").await;
    app.settle().await;
    let outdated = async || app.app.store.mark_outdated(app.app.now()).await.unwrap();
    assert_eq!(outdated().await, 0);
    // New York is at UTC-4, Winnipeg at UTC-5 (IANA, daylight time since 2026-03-08): midnight is an hour apart.
    app.clock.set(instant("2026-03-19T03:59:59Z"));
    assert_eq!(outdated().await, 0);
    app.clock.set(instant("2026-03-19T04:00:00Z"));
    assert_eq!(outdated().await, 1);
    assert_eq!(outdated().await, 0, "it is marked already");
    app.settle().await;
    let days = async |unit: &str| item(&manager, unit).await["since_service"]["days"].as_i64().unwrap();
    assert_eq!(days("N").await - days("W").await, 1);
    app.clock.set(instant("2026-03-19T05:00:00Z"));
    assert_eq!(outdated().await, 1);
    app.settle().await;
    assert_eq!(days("N").await, days("W").await);
}

async fn changes_that_move_dates_make_cars_stale(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "N", "NORTH").await;
    car(&manager, "W", "WEST").await;
    app.settle().await;
    let patch = |path: &str, body: Value| manager.patch(path).if_match("*").json(&body).send();
    patch("/v1/depots/NORTH", json!({"bays": 5})).await.expect(200);
    assert_eq!(stale(&app).await, 0, "bays move no date");
    for (path, body, cars) in [
        ("/v1/depots/NORTH", json!({"zone": "America/Chicago"}), 1),
        ("/v1/vehicles/N", json!({"came_in_used": true}), 1),
        ("/v1/service-rules/fan-service", json!({"lead_days": 5}), 2),
    ] {
        patch(path, body).await.expect(200);
        assert_eq!(stale(&app).await, cars, "{path}");
        app.settle().await;
    }
    for (path, body) in [
        ("/v1/vehicles/N/off-road", json!({"from": "2026-03-18", "reason": "x"})),
        ("/v1/vehicles/N/return-to-service", json!({"on": "2026-03-18"})),
        ("/v1/vehicles/N/move", json!({"depot": "WEST"})),
        ("/v1/vehicles/N/retire", json!({"reason": "sold"})),
    ] {
        let sent = manager.post(path).once().if_match("*").json(&body).send().await;
        assert!(sent.status.is_success(), "{path}: {}", sent.text);
        if !path.ends_with("retire") {
            assert_eq!(stale(&app).await, 1, "{path}");
        }
        app.settle().await;
    }
}

async fn a_depots_other_unit_shows_at_once(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "N", "NORTH").await;
    app.settle().await;
    assert_eq!(item(&manager, "N").await["distance_unit"], "mi");
    let change = json!({"distance_unit": "km"});
    manager.patch("/v1/depots/NORTH").if_match("*").json(&change).send().await.expect(200);
    app.settle().await;
    assert_eq!(item(&manager, "N").await["distance_unit"], "km");
}

/// A year of rows of a car, its last fan service on 2025-10-01 or none.
async fn a_year(manager: &Client, unit: &str, service: Option<&str>) {
    car(manager, unit, "NORTH").await;
    let days = || dates("2025-04-01", "2026-03-17").step_by(7);
    let readings: Value = days()
        .enumerate()
        .map(|(week, day)| reading(unit, &format!("{day}T17:00:00Z"), 1_000.0 + 500.0 * week as f64))
        .collect();
    post(manager, "odometer-readings", readings).await;
    post(manager, "duty-logs", duty(unit, days(), 8.0)).await;
    post(manager, "seat-logs", seats(unit, days(), 4)).await;
    if let Some(at) = service {
        serviced(manager, unit, at, 14_500.0).await;
    }
}

async fn what_is_old_is_forgotten_but_nothing_since_the_last_fan_service(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    a_year(&manager, "7", Some("2025-10-01T12:00:00Z")).await;
    a_year(&manager, "8", None).await;
    app.settle().await;
    let before = (item(&manager, "7").await, item(&manager, "8").await);
    let first = async |log: &str, unit: &str, name: &str| {
        let list = manager.get(&format!("/v1/{log}?unit={unit}&limit=1")).await.expect(200);
        list["items"][0][name].as_str().unwrap().to_owned()
    };
    let (now, answers) = (app.app.now(), TimeDelta::hours(48));
    let swept = app.app.store.sweep(now, now - answers, None).await.unwrap();
    assert_eq!(swept.log_rows, 0);
    // 400 days: the rows begin 351 days ago.
    assert_eq!(app.app.store.sweep(now, now - answers, Some(TimeDelta::days(400))).await.unwrap().log_rows, 0);
    // 250 days go back to 2025-07-11: fifteen weeks of three logs are older.
    assert_eq!(app.app.store.sweep(now, now - answers, Some(TimeDelta::days(250))).await.unwrap().log_rows, 45);
    assert_eq!(first("odometer-readings", "7", "at").await, "2025-07-15T17:00:00Z");
    // 30 days would go back to February, but the last service was on 2025-10-01.
    assert_eq!(app.app.store.sweep(now, now - answers, Some(TimeDelta::days(30))).await.unwrap().log_rows, 36);
    assert_eq!(first("odometer-readings", "7", "at").await, "2025-10-07T17:00:00Z");
    assert_eq!(first("duty-logs", "7", "date").await, "2025-10-07");
    assert_eq!(first("seat-logs", "7", "date").await, "2025-10-07");
    assert_eq!(first("odometer-readings", "8", "at").await, "2025-04-01T17:00:00Z", "without a service all is kept");
    assert_eq!(app.app.store.sweep(now, now - answers, Some(TimeDelta::days(30))).await.unwrap().log_rows, 0);
    let touch = json!({"model": "Wagon"});
    for unit in ["7", "8"] {
        manager.patch(&format!("/v1/vehicles/{unit}")).if_match("*").json(&touch).send().await.expect(200);
    }
    app.settle().await;
    for (unit, before) in [("7", before.0), ("8", before.1)] {
        let after = item(&manager, unit).await;
        // What is forgotten no longer tells how uneven the car's days are: only the spread of its dates may change.
        for name in ["/counts_since", "/since_service", "/due/early/p50", "/due/late/p50", "/band"] {
            assert_eq!(after.pointer(name), before.pointer(name), "{unit}: {name}");
        }
    }
}

async fn a_kept_answer_is_forgotten_after_its_time(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let send = || {
        let row = json!({"unit": "7", "at": "2026-03-17T12:00:00Z", "odometer": 5_000, "distance_unit": "mi"});
        manager.post("/v1/odometer-readings").header("idempotency-key", "\"k\"").json(&row).send()
    };
    assert_eq!(send().await.expect(200)["stored"], 1);
    app.pass(TimeDelta::hours(48));
    let answers = TimeDelta::hours(48);
    app.app.store.sweep(app.app.now(), app.app.now() - answers, None).await.unwrap();
    assert_eq!(send().await.expect(200)["stored"], 1, "replayed");
    app.pass(TimeDelta::microseconds(1));
    assert!(app.app.store.sweep(app.app.now(), app.app.now() - answers, None).await.unwrap().answers >= 1);
    assert_eq!(send().await.expect(200), json!({"stored": 0, "repeated": 1, "replaced": 0, "refused": []}));
}

crate::on_both!(
    a_posted_reading_makes_its_car_stale_until_it_is_recast,
    a_reading_that_comes_while_its_car_is_computed_keeps_it_stale,
    a_slow_worker_does_not_take_away_a_later_mark,
    an_abandoned_claim_is_taken_up_again,
    workers_share_the_stale_cars,
    acts_and_recasts_of_the_same_cars_do_not_get_in_each_others_way,
    loops_at_once_raise_an_order_once,
    a_new_local_day_makes_forecasts_anew_depot_by_depot,
    changes_that_move_dates_make_cars_stale,
    a_depots_other_unit_shows_at_once,
    what_is_old_is_forgotten_but_nothing_since_the_last_fan_service,
    a_kept_answer_is_forgotten_after_its_time,
);
