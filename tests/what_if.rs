//! What a car's dates would be, were something otherwise.

use chrono::NaiveDate;
use serde_json::{Value, json};
use ventmile::app::keys::Scope;

use crate::common::{
    Client, Engine, TestApp, car, fault, forecast, item, month_of_readings, ordinary_car, post, serviced, two_depots,
};

/// Its ordinary window is wider: 25,000 to 30,000 miles.
const WIDER: &str = r#"{"distance": {"early": 25000, "late": 30000}}"#;

async fn fleet(engine: Engine) -> (TestApp, Client) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    let wider: Value = serde_json::from_str(WIDER).unwrap();
    let patch = manager.patch("/v1/service-rules/fan-service").if_match("*");
    patch.json(&json!({"ordinary": wider})).send().await.expect(200);
    ordinary_car(&manager, "7", "NORTH").await;
    app.settle().await;
    (app, manager)
}

async fn ask(client: &Client, unit: &str, question: Value) -> Value {
    let path = format!("/v1/vehicles/{unit}/what-if");
    client.post(&path).json(&question).send().await.expect(200)
}

async fn refused(client: &Client, question: Value) -> Value {
    client.post("/v1/vehicles/7/what-if").json(&question).send().await.problem(422)
}

fn late(outcome: &Value) -> NaiveDate {
    outcome["due"]["late"]["p50"].as_str().unwrap_or_else(|| panic!("{outcome}")).parse().unwrap()
}

async fn nothing_otherwise_is_as_it_stands_and_nothing_is_saved(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let before = (item(&manager, "7").await, manager.get("/v1/journal").await.expect(200));
    let found = ask(&manager, "7", json!({})).await;
    assert_eq!(found["as_it_stands"], found["would_be"]);
    assert_eq!(found["moved_days"], json!({"early": 0, "late": 0}));
    assert!(found["sentence"].as_str().unwrap().ends_with("the same day."), "{found}");
    let stands = forecast(&manager, "7").await;
    for name in ["due", "band", "grade", "inside_days", "chance_past_late", "chance_by", "sentence"] {
        assert_eq!(found["as_it_stands"][name], stands[name], "{name}");
    }
    ask(&manager, "7", json!({"depot": "WEST", "off_road": [{"from": "2026-03-20", "to": null}]})).await;
    app.settle().await;
    assert_eq!((item(&manager, "7").await, manager.get("/v1/journal").await.expect(200)), before);
    assert_eq!(manager.get("/v1/vehicles/7/off-road").await.expect(200)["items"], json!([]));
}

async fn a_week_off_the_road_is_a_week_later(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    let found = ask(&manager, "7", json!({"off_road": [{"from": "2026-03-23", "to": "2026-03-29"}]})).await;
    assert_eq!(found["moved_days"], json!({"early": 7, "late": 7}));
    assert!(found["sentence"].as_str().unwrap().ends_with(": 7 days later."), "{found}");
}

async fn a_sixth_day_brings_the_hard_window_and_more_miles(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    let found = ask(&manager, "7", json!({"shifts": {"days_per_week": 6}})).await;
    let (stands, would_be) = (&found["as_it_stands"], &found["would_be"]);
    assert_eq!((&stands["grade"], &would_be["grade"]), (&json!("ordinary"), &json!("hard")));
    assert_eq!(stands["window"]["distance"], json!({"early": 25_000.0, "late": 30_000.0}));
    assert_eq!(would_be["window"]["distance"], json!({"early": 20_000.0, "late": 25_000.0}));
    let rate = |outcome: &Value| outcome["distance_per_day"].as_f64().unwrap();
    assert!((rate(would_be) / rate(stands) - 1.2).abs() < 0.01, "{found}");
    assert!(late(would_be) < late(stands), "{found}");
    // Told in full, the rate is the told one: 140 miles on each of six days a week.
    let told = json!({"shifts": {"days_per_week": 6, "hours_per_day": 8, "distance_per_day": 140}});
    let found = ask(&manager, "7", told).await;
    assert_eq!(found["would_be"]["distance_per_day"], json!(120.0));
    assert!(found["would_be"]["sentence"].as_str().unwrap().contains("120 mi a day as the shifts that are told bring"));
    // 5,250 miles are behind it: 19,750 to the late edge.
    let last: NaiveDate = "2026-03-17".parse().unwrap();
    let days = (late(&found["would_be"]) - last).num_days();
    assert!((160..=170).contains(&days), "{days}: {found}");
}

async fn another_depot_brings_its_rule(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    let window = json!({"distance": {"early": 8_000, "late": 16_000}});
    let rule = json!({"code": "west", "kind": "fan-service", "depot": "WEST", "distance_unit": "km", "hard": window});
    manager.send("/v1/service-rules", rule).await.expect(201);
    let found = ask(&manager, "7", json!({"depot": "WEST", "distance_unit": "km"})).await;
    assert_eq!((&found["would_be"]["depot"], &found["would_be"]["rule"]), (&json!("WEST"), &json!("west")));
    assert_eq!(found["would_be"]["window"]["distance"], json!({"early": 8_000.0, "late": 16_000.0}));
    // 5,250 miles are 8,449 km.
    assert_eq!((&found["as_it_stands"]["band"], &found["would_be"]["band"]), (&json!("before"), &json!("inside")));
}

async fn another_rule_can_be_tried(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    let days = json!({"rule_change": {"ordinary": {"days": {"early": 30, "late": 60}}}});
    let found = ask(&manager, "7", days).await;
    assert_eq!(late(&found["would_be"]).to_string(), "2026-04-11");
    assert_eq!(found["would_be"]["deciding_meter"], "days");
    let rule = json!({"code": "short", "kind": "fan-service", "model": "trial", "distance_unit": "mi",
        "hard": {"distance": {"early": 6_000, "late": 7_000}}});
    manager.send("/v1/service-rules", rule).await.expect(201);
    let found = ask(&manager, "7", json!({"rule": "short"})).await;
    assert_eq!(
        (&found["would_be"]["rule"], found["would_be"]["window"]["distance"]["late"].as_f64()),
        (&json!("short"), Some(7_000.0))
    );
}

async fn what_was_hard_since_the_service_stays_hard(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "8", "NORTH").await;
    serviced(&manager, "8", "2026-01-02T17:00:00Z", 36_000.0).await;
    post(&manager, "odometer-readings", month_of_readings("8", 41_000.0, 150.0)).await;
    app.settle().await;
    // Without logs its duty counts as hard, and a pattern told today does not undo that: it needs a service.
    let told = json!({"shifts": {"days_per_week": 5, "hours_per_day": 8, "rear_share": 0.1, "distance_per_day": 200}});
    let found = ask(&manager, "8", told.clone()).await;
    assert_eq!((&found["as_it_stands"]["grade"], &found["would_be"]["grade"]), (&json!("hard"), &json!("hard")));
    let mut blended = told;
    blended["rule_change"] = json!({"mixed": "blended"});
    let found = ask(&manager, "8", blended).await;
    assert_eq!(found["would_be"]["grade"], "hard");
    let late = found["would_be"]["window"]["distance"]["late"].as_f64().unwrap();
    assert!(late > 25_000.0 && late < 30_000.0, "what is ahead is ordinary: {found}");
}

async fn wrong_questions_name_their_field(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    for (question, pointer) in [
        (json!({"shifts": {"days_per_week": 7.5}}), "/shifts/days_per_week"),
        (json!({"shifts": {"hours_per_day": -1}}), "/shifts/hours_per_day"),
        (json!({"shifts": {"rear_share": 2}}), "/shifts/rear_share"),
        (json!({"shifts": {"distance_per_day": 1e9}}), "/shifts/distance_per_day"),
        (json!({"off_road": [{"from": "2026-04-02", "to": "2026-04-01"}]}), "/off_road/0/to"),
        (json!({"off_road": [{"from": "soon"}]}), "/off_road/0/from"),
        (json!({"depot": "NONE"}), "/depot"),
        (json!({"rule": "none"}), "/rule"),
        (json!({"rule_change": {"hard": {"distance": {"early": -1, "late": 2}}}}), "/rule_change/hard/distance/early"),
        (json!({"kind": "none"}), "/kind"),
        (json!({"by": "soon"}), "/by"),
        (json!({"distance_unit": "ft"}), "/distance_unit"),
        (json!({"night": true}), "/night"),
    ] {
        assert_eq!(fault(&refused(&manager, question).await), pointer);
    }
    car(&manager, "9", "NORTH").await;
    app.settle().await;
    let path = "/v1/vehicles/9/what-if";
    let question = json!({"shifts": {"hours_per_day": 9}});
    let problem = manager.post(path).json(&question).send().await.problem(422);
    assert_eq!(fault(&problem), "/shifts/days_per_week");
    let question = json!({"shifts": {"hours_per_day": 9, "days_per_week": 5}});
    let problem = manager.post(path).json(&question).send().await.problem(422);
    assert_eq!(fault(&problem), "/shifts/distance_per_day");
}

async fn a_key_sees_its_own_depots_only(engine: Engine) {
    let (app, _) = fleet(engine).await;
    let reader = app.client(&[Scope::Read], &["NORTH"]).await;
    ask(&reader, "7", json!({"shifts": {"days_per_week": 6}})).await;
    assert_eq!(fault(&refused(&reader, json!({"depot": "WEST"})).await), "/depot");
    let other = app.client(&[Scope::Read], &["WEST"]).await;
    other.post("/v1/vehicles/7/what-if").json(&json!({})).send().await.problem(404);
    let poster = app.client(&[Scope::Post], &[]).await;
    poster.post("/v1/vehicles/7/what-if").json(&json!({})).send().await.problem(403);
}

crate::on_both!(
    nothing_otherwise_is_as_it_stands_and_nothing_is_saved,
    a_week_off_the_road_is_a_week_later,
    a_sixth_day_brings_the_hard_window_and_more_miles,
    another_depot_brings_its_rule,
    another_rule_can_be_tried,
    what_was_hard_since_the_service_stays_hard,
    wrong_questions_name_their_field,
    a_key_sees_its_own_depots_only,
);
