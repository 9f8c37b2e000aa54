//! What was forecast, held against what happened.

use chrono::TimeDelta;
use serde_json::{Value, json};

use crate::common::{Client, Engine, TestApp, car, instant, month_of_readings, post, two_depots};

/// A day's reading of a car that goes `per_day` miles a day from 41,000 mi on 17 March.
fn reading(unit: &str, day: i64, per_day: f64) -> Value {
    let at = instant("2026-03-17T17:00:00Z") + TimeDelta::days(day);
    let odometer = 41_000.0 + per_day * day as f64;
    json!([{"unit": unit, "at": at, "odometer": odometer, "distance_unit": "mi", "source": "telematics"}])
}

/// Two cars serviced at 25,000 mi, which goes on as it was and which drives half as much from now on.
pub async fn two_cars_for_ten_weeks(app: &TestApp, manager: &Client) {
    two_depots(manager).await;
    for unit in ["AS-BEFORE", "SLOWER"] {
        car(manager, unit, "NORTH").await;
        let service = json!([{"unit": unit, "kind": "fan-service", "at": "2025-10-01T12:00:00Z", "odometer": 25_000, "distance_unit": "mi"}]);
        post(manager, "past-services", service).await;
        post(manager, "odometer-readings", month_of_readings(unit, 41_000.0, 150.0)).await;
    }
    app.settle().await;
    for day in 1..70 {
        app.pass(TimeDelta::days(1));
        post(manager, "odometer-readings", reading("AS-BEFORE", day, 150.0)).await;
        post(manager, "odometer-readings", reading("SLOWER", day, 75.0)).await;
        app.settle().await;
    }
}

async fn forecasts_are_scored_by_when_the_odometer_passed_the_edge(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_cars_for_ten_weeks(&app, &manager).await;
    let hindsight = manager.get("/v1/hindsight").await.expect(200);
    let early = &hindsight["early"]["all"]["ventmile"];
    // 4,000 mi are left to the early edge: 27 days at 150 a day, so four or five Mondays; 54 days at 75: eight.
    let count = early["n"].as_u64().unwrap();
    assert!((11..=13).contains(&count), "{hindsight}");
    for name in ["cover80", "below_q10", "above_q90"] {
        assert!((0.0..=1.0).contains(&early[name].as_f64().unwrap()), "{early}");
    }
    let by_depot = hindsight["early"]["by_depot"].as_array().unwrap();
    assert_eq!((by_depot.len(), &by_depot[0]["group"]), (1, &json!("NORTH")));
    let months: Vec<&str> =
        hindsight["early"]["by_month"].as_array().unwrap().iter().filter_map(|group| group["group"].as_str()).collect();
    assert_eq!(months[..2], ["2026-03", "2026-04"]);
    for naive in ["naive_all_history", "naive_28_days"] {
        assert_eq!(hindsight["early"]["all"][naive]["n"].as_u64(), Some(count), "{hindsight}");
    }
    // The late edge, 9,000 mi ahead, is passed by one car only after 60 days; the other is followed and kept.
    assert!(hindsight["late"]["all"]["ventmile"]["n"].as_u64().unwrap() > count);
}

async fn a_service_in_between_does_not_end_the_follow_up(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    let service = json!([{"unit": "7", "kind": "fan-service", "at": "2025-10-01T12:00:00Z", "odometer": 25_000, "distance_unit": "mi"}]);
    post(&manager, "past-services", service).await;
    post(&manager, "odometer-readings", month_of_readings("7", 41_000.0, 150.0)).await;
    app.settle().await;
    app.pass(TimeDelta::days(10));
    post(&manager, "odometer-readings", reading("7", 10, 150.0)).await;
    let service = json!([{"unit": "7", "kind": "fan-service", "at": "2026-03-27T18:00:00Z", "odometer": 42_501, "distance_unit": "mi"}]);
    post(&manager, "past-services", service).await;
    app.settle().await;
    app.pass(TimeDelta::days(30));
    post(&manager, "odometer-readings", reading("7", 40, 150.0)).await;
    app.settle().await;
    let score = manager.get("/v1/hindsight?to=2026-03-20").await.expect(200)["early"]["all"]["ventmile"].clone();
    // Forecast for 27 days after 17 March, passed on that very day: the service of 27 March changes nothing.
    assert_eq!((&score["n"], &score["median_abs_error"]), (&json!(1), &json!(0.0)), "{score}");
}

async fn told_plans_are_scored_apart(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    post(&manager, "odometer-readings", month_of_readings("7", 15_000.0, 150.0)).await;
    let plan = json!({"from": "2026-03-20", "to": "2026-03-24", "reason": "body shop"});
    manager.send("/v1/vehicles/7/off-road", plan).await.expect(201);
    app.settle().await;
    app.pass(TimeDelta::days(8));
    post(&manager, "odometer-readings", reading("7", 0, 150.0)).await;
    let late = json!([{"unit": "7", "at": "2026-03-26T15:00:00Z", "odometer": 15_600, "distance_unit": "mi", "source": "telematics"}]);
    post(&manager, "odometer-readings", late).await;
    app.settle().await;
    let hindsight = manager.get("/v1/hindsight?to=2026-03-20").await.expect(200);
    assert_eq!(hindsight["late"]["all"], json!(null), "{hindsight}");
    assert_eq!(hindsight["late"]["told"]["ventmile"]["n"], 1);
}

crate::on_both!(
    forecasts_are_scored_by_when_the_odometer_passed_the_edge,
    a_service_in_between_does_not_end_the_follow_up,
    told_plans_are_scored_apart,
);
