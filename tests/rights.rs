//! Rights: keys over HTTP, and every route against every scope and depot of a key.

use std::collections::{BTreeMap, BTreeSet};

use axum::http::Method;
use chrono::TimeDelta;
use serde_json::{Value, json};
use ventmile::app::keys::Scope;

use crate::common::{Client, Engine, Reply, TestApp, fault, instant, ordinary_car, post};
use crate::document::{document, operations};
use crate::work::{LAST, body};

// --- Keys over HTTP -------------------------------------------------------------------------------------------------

async fn depots(client: &Client) {
    for code in ["ALPHA", "BRAVO"] {
        let depot = json!({"code": code, "name": code, "zone": "America/New_York", "bays": 2, "distance_unit": "mi"});
        client.send("/v1/depots", depot).await.expect(201);
    }
}

async fn a_key_is_made_shown_once_and_listed(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    depots(&manager).await;
    let wish =
        json!({"name": "shop", "may": ["work", "read"], "depots": ["ALPHA"], "expires_at": "2026-06-01T00:00:00Z"});
    let sent = || manager.post("/v1/keys").header("idempotency-key", "\"once\"").json(&wish).send();
    let made = sent().await.expect(201);
    let secret = made["key"].as_str().unwrap();
    assert!(secret.starts_with("vm_") && secret.len() > 60);
    assert_eq!((&made["may"], &made["depots"]), (&json!(["read", "work"]), &json!(["ALPHA"])));
    assert_eq!(made["expires_at"], "2026-06-01T00:00:00Z");
    let again = sent().await.expect(201);
    assert_eq!((&again["key"], &again["name"]), (&Value::Null, &json!("shop")), "what is kept holds no secret");
    let client = app.client_with(secret);
    client.get("/v1/vehicles").await.expect(200);
    client.send("/v1/depots", json!({})).await.problem(403);
    let one = manager.get("/v1/keys/shop").await.expect(200);
    assert_eq!((&one["key"], &one["last_used_at"]), (&Value::Null, &Value::Null));
    let list = manager.get("/v1/keys").await.expect(200);
    assert_eq!(list["items"].as_array().unwrap().last(), Some(&one));
    assert!(!manager.get("/v1/journal?limit=500").await.text.contains(secret));
    manager.send("/v1/keys", json!({"name": "shop", "may": ["read"]})).await.problem(409);
    for (wrong, at) in [
        (json!({"name": "x", "may": []}), "/may"),
        (json!({"name": "x", "may": ["read", "fly"]}), "/may/1"),
        (json!({"name": "a,b", "may": ["read"]}), "/name"),
        (json!({"name": "x", "may": ["read"], "depots": ["ALPHA", "NONE"]}), "/depots"),
        (json!({"name": "x", "may": ["read"], "expires_at": "2026-03-18T16:00:00Z"}), "/expires_at"),
        (json!({"name": "x", "may": ["read"], "expires_at": "soon"}), "/expires_at"),
    ] {
        assert_eq!(fault(&manager.send("/v1/keys", wrong).await.problem(422)), at);
    }
    manager.get("/v1/keys/x").await.problem(404);
}

/// A key is used now and then; what is written down is the last time, about once a minute.
async fn its_last_use_is_written_down_now_and_then(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    let client = app.named_client("shop", &[Scope::Read], &[]).await;
    let last_used = async || manager.get("/v1/keys/shop").await.expect(200)["last_used_at"].clone();
    client.get("/v1/depots").await.expect(200);
    assert_eq!(last_used().await, Value::Null);
    app.app.note_key_use().await.unwrap();
    assert_eq!(last_used().await, "2026-03-18T16:00:00Z");
    app.pass(TimeDelta::minutes(5));
    client.get("/v1/depots").await.expect(200);
    app.app.note_key_use().await.unwrap();
    app.app.note_key_use().await.unwrap();
    assert_eq!(last_used().await, "2026-03-18T16:05:00Z");
}

async fn a_rotated_key_has_two_secrets_for_a_while(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    let old = app.named_client("shop", &Scope::ALL, &[]).await;
    old.get("/v1/depots").await.expect(200);
    let rotated = manager.send("/v1/keys/shop/rotate", json!({"overlap_hours": 2})).await.expect(200);
    assert_eq!(rotated["old_secret_until"], "2026-03-18T18:00:00Z");
    let new = app.client_with(rotated["key"].as_str().unwrap());
    for client in [&old, &new] {
        client.get("/v1/depots").await.expect(200);
    }
    // Who has only the old secret gets no new one by it, nor a key that lasts.
    old.send("/v1/keys/shop/rotate", json!({})).await.problem(403);
    old.send("/v1/keys", json!({"name": "mine", "may": ["read"]})).await.problem(403);
    old.send("/v1/keys", json!({"name": "mine", "may": ["read"], "expires_at": "2026-03-18T17:59:00Z"}))
        .await
        .expect(201);
    app.pass(TimeDelta::hours(2) - TimeDelta::microseconds(1));
    old.get("/v1/depots").await.expect(200);
    app.pass(TimeDelta::microseconds(1));
    old.get("/v1/depots").await.problem(401);
    new.get("/v1/depots").await.expect(200);

    // Without an overlap the old one ends at once, and so does one from before it.
    let newer = new.send("/v1/keys/shop/rotate", json!({"overlap_hours": 1})).await.expect(200);
    let newest = manager.send("/v1/keys/shop/rotate", json!({"overlap_hours": 0})).await.expect(200);
    new.get("/v1/depots").await.problem(401);
    app.client_with(newer["key"].as_str().unwrap()).get("/v1/depots").await.problem(401);
    let newest = app.client_with(newest["key"].as_str().unwrap());
    newest.get("/v1/depots").await.expect(200);
    // It is one key still: the same idempotency key stands for the same act.
    assert_eq!(
        fault(&manager.send("/v1/keys/shop/rotate", json!({"overlap_hours": 745})).await.problem(422)),
        "/overlap_hours"
    );
    manager.send("/v1/keys/none/rotate", json!({})).await.problem(404);
    manager.post("/v1/keys/shop/revoke").once().send().await.expect(200);
    newest.get("/v1/depots").await.problem(401);
    manager.send("/v1/keys/shop/rotate", json!({})).await.problem(409);
}

async fn nobody_makes_a_key_that_goes_further_than_his_own(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    depots(&manager).await;
    let admin = app.named_client("admin", &[Scope::Admin, Scope::Read], &[]).await;
    admin.send("/v1/keys", json!({"name": "a", "may": ["work"]})).await.problem(403);
    admin.send("/v1/keys", json!({"name": "b", "may": ["read"]})).await.expect(201);
    // A key that may do more is not rotated, which would hand it out; taking it back is anybody's who may.
    app.named_client("all", &Scope::ALL, &[]).await;
    admin.send("/v1/keys/all/rotate", json!({})).await.problem(403);
    admin.post("/v1/keys/all/revoke").once().send().await.expect(200);

    let alpha = app.named_client("alpha", &Scope::ALL, &["ALPHA"]).await;
    alpha.send("/v1/keys", json!({"name": "c", "may": ["read"]})).await.problem(403);
    let elsewhere =
        |code: &str| alpha.send("/v1/keys", json!({"name": "c", "may": ["read"], "depots": ["ALPHA", code]}));
    let hidden = elsewhere("BRAVO").await;
    assert_eq!(fault(&hidden.problem(422)), "/depots");
    same(&hidden, &elsewhere("DELTA").await);
    alpha.send("/v1/keys", json!({"name": "c", "may": ["admin"], "depots": ["ALPHA"]})).await.expect(201);
    // It knows of its own depot's keys alone.
    app.named_client("both", &[Scope::Read], &["ALPHA", "BRAVO"]).await;
    app.named_client("bravo", &[Scope::Read], &["BRAVO"]).await;
    let list = alpha.get("/v1/keys").await.expect(200);
    let names: Vec<&str> = list["items"].as_array().unwrap().iter().map(|key| key["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["alpha", "c"]);
    for name in ["both", "bravo", "admin"] {
        alpha.get(&format!("/v1/keys/{name}")).await.problem(404);
        alpha.send(&format!("/v1/keys/{name}/rotate"), json!({})).await.problem(404);
        alpha.post(&format!("/v1/keys/{name}/revoke")).once().send().await.problem(404);
    }
    // In time too.
    let short = json!({"name": "d", "may": ["admin", "read"], "expires_at": "2026-03-19T00:00:00Z"});
    let made = manager.send("/v1/keys", short).await.expect(201);
    let short = app.client_with(made["key"].as_str().unwrap());
    short.send("/v1/keys", json!({"name": "e", "may": ["read"]})).await.problem(403);
    let longer = json!({"name": "e", "may": ["read"], "expires_at": "2026-03-19T00:00:01Z"});
    short.send("/v1/keys", longer).await.problem(403);
    short.send("/v1/keys/d/rotate", json!({})).await.expect(200);
}

// --- Every route, every scope, every depot ----------------------------------------------------------------------------

/// What a request is to a key of the depot it is about, a key of another depot, and a key that is confined to none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sight {
    /// It is about a thing of a depot: to a key of another one it is not there.
    Own,
    /// Figures of a depot, which may say nothing yet.
    Figures,
    /// It lists things: to each key those of its depots.
    List,
    /// It is about the whole fleet's: to a confined key it is barred.
    Fleet,
    /// Alike to every key.
    All,
    /// No key is asked for.
    Open,
}

use Sight::{All, Figures, Fleet, List, Open, Own};

/// Operation, what it is to whom, path, body. Names in braces are those of the depot's things; acts on one thing stand in an order
/// in which the ones before leave it there.
const ROUTES: &[(&str, Sight, &str, &str)] = &[
    ("livez", Open, "/livez", ""),
    ("readyz", Open, "/readyz", ""),
    ("get_metrics", Fleet, "/metrics", ""),
    ("get_calendar", Open, "/v1/calendars/none.ics", ""),
    ("list_depots", List, "/v1/depots", ""),
    ("get_depot", Own, "/v1/depots/{T}", ""),
    ("change_depot", Own, "/v1/depots/{T}", r#"{"bays": 3}"#),
    (
        "add_depot",
        Fleet,
        "/v1/depots",
        r#"{"code": "NEW", "name": "x", "zone": "UTC", "bays": 1, "distance_unit": "mi"}"#,
    ),
    ("list_vehicles", List, "/v1/vehicles", ""),
    ("get_vehicle", Own, "/v1/vehicles/{T}-1", ""),
    ("change_vehicle", Own, "/v1/vehicles/{T}-1", r#"{"model": "{T} wagon"}"#),
    ("add_vehicles", Own, "/v1/vehicles", r#"{"unit": "new", "depot": "{T}", "in_service_on": "2026-01-01"}"#),
    ("list_upcoming", List, "/v1/upcoming", ""),
    ("get_forecast", Own, "/v1/vehicles/{T}-1/forecast", ""),
    ("list_duty_days", Own, "/v1/vehicles/{T}-1/duty-days", ""),
    ("ask_what_if", Own, "/v1/vehicles/{T}-1/what-if", r#"{"shifts": {"days_per_week": 6, "hours_per_day": 9}}"#),
    ("get_day_list", List, "/v1/day-lists/2026-03-18", ""),
    ("list_pack_outlook", List, "/v1/pack-outlook", ""),
    ("get_vehicle_pack", Own, "/v1/vehicles/{T}-1/pack", ""),
    ("get_pack", Own, "/v1/packs/{T}-pack", ""),
    ("list_packs", List, "/v1/packs", ""),
    ("get_life_curve", Own, "/v1/life-curve?depot={T}", ""),
    ("get_hindsight", Own, "/v1/hindsight?depot={T}", ""),
    ("get_risk_hindsight", Figures, "/v1/hindsight/risks?depot={T}", ""),
    ("get_services_report", List, "/v1/reports/services", ""),
    ("get_failures_report", Figures, "/v1/reports/failures?depot={T}", ""),
    ("get_out_of_service_report", List, "/v1/reports/out-of-service", ""),
    ("get_cores_report", List, "/v1/reports/cores", ""),
    ("list_parts", List, "/v1/parts", ""),
    ("add_part", Own, "/v1/parts", r#"{"depot": "{T}", "number": "new", "name": "x", "lead_days": 1}"#),
    ("receive_part", Own, "/v1/parts/{T}-part/receipts", r#"{"depot": "{T}", "quantity": 1}"#),
    ("change_part", Own, "/v1/parts/{T}-part", r#"{"depot": "{T}", "lead_days": 2}"#),
    ("list_cores", List, "/v1/cores", ""),
    ("change_core", Own, "/v1/cores/{core}", r#"{"packed": true}"#),
    ("list_odometer_readings", Own, "/v1/odometer-readings?unit={T}-1", ""),
    (
        "post_odometer_readings",
        Own,
        "/v1/odometer-readings",
        r#"{"unit": "{T}-1", "at": "2026-03-18T12:00:00Z", "odometer": 41100, "distance_unit": "mi"}"#,
    ),
    (
        "rule_on_odometer_reading",
        Own,
        "/v1/odometer-readings/ruling",
        r#"{"unit": "{T}-1", "at": "2026-03-17T17:00:00Z", "source": "telematics", "ruling": "keep", "reason": "x"}"#,
    ),
    (
        "void_odometer_reading",
        Own,
        "/v1/odometer-readings/void",
        r#"{"unit": "{T}-1", "at": "2026-03-17T17:00:00Z", "source": "telematics", "reason": "x"}"#,
    ),
    ("list_duty_logs", Own, "/v1/duty-logs?unit={T}-1", ""),
    ("post_duty_logs", Own, "/v1/duty-logs", r#"{"unit": "{T}-1", "date": "2026-03-18", "hours": 3}"#),
    (
        "void_duty_log",
        Own,
        "/v1/duty-logs/void",
        r#"{"unit": "{T}-1", "date": "2026-03-17", "source": "dispatch", "reason": "x"}"#,
    ),
    ("list_seat_logs", Own, "/v1/seat-logs?unit={T}-1", ""),
    ("post_seat_logs", Own, "/v1/seat-logs", r#"{"unit": "{T}-1", "date": "2026-03-18", "trips": 3, "rear_trips": 1}"#),
    (
        "void_seat_log",
        Own,
        "/v1/seat-logs/void",
        r#"{"unit": "{T}-1", "date": "2026-03-17", "source": "dispatch", "reason": "x"}"#,
    ),
    ("list_past_services", Own, "/v1/past-services?unit={T}-1", ""),
    (
        "post_past_services",
        Own,
        "/v1/past-services",
        r#"{"unit": "{T}-1", "kind": "cooling-check", "at": "2026-03-01T12:00:00Z"}"#,
    ),
    (
        "void_past_service",
        Own,
        "/v1/past-services/void",
        r#"{"unit": "{T}-1", "kind": "fan-service", "at": "2026-02-10T17:00:00Z", "reason": "x"}"#,
    ),
    ("list_pack_checks", Own, "/v1/pack-checks?unit={T}-1", ""),
    (
        "post_pack_checks",
        Own,
        "/v1/pack-checks",
        r#"{"unit": "{T}-1", "at": "2026-03-18T12:00:00Z", "block_volts": [14.1, 14.2, 14.1, 14.2, 14.1, 14.2, 14.1, 14.2, 14.1, 14.2, 14.1, 14.2, 14.1, 14.2]}"#,
    ),
    (
        "void_pack_check",
        Own,
        "/v1/pack-checks/void",
        r#"{"unit": "{T}-1", "at": "2026-03-16T17:00:00Z", "source": "{T} scanner", "reason": "x"}"#,
    ),
    ("list_trouble_codes", Own, "/v1/trouble-codes?unit={T}-1", ""),
    (
        "post_trouble_codes",
        Own,
        "/v1/trouble-codes",
        r#"{"unit": "{T}-1", "at": "2026-03-18T12:00:00Z", "code": "P0A82", "state": "pending"}"#,
    ),
    (
        "void_trouble_code",
        Own,
        "/v1/trouble-codes/void",
        r#"{"unit": "{T}-1", "at": "2026-03-16T17:00:00Z", "code": "P0A7F", "source": "{T} scanner", "reason": "x"}"#,
    ),
    (
        "post_packs",
        Own,
        "/v1/packs",
        r#"{"serial": "new", "type": "x", "unit": "{T}-3", "installed_at": "2026-03-01T12:00:00Z"}"#,
    ),
    ("list_service_rules", List, "/v1/service-rules", ""),
    ("get_service_rule", Own, "/v1/service-rules/{T}-rule", ""),
    ("change_service_rule", Own, "/v1/service-rules/{T}-rule", r#"{"lead_days": 5}"#),
    (
        "add_service_rule",
        Own,
        "/v1/service-rules",
        r#"{"code": "new", "kind": "cooling-check", "depot": "{T}", "distance_unit": "mi", "hard": {"days": {"early": 1, "late": 2}}}"#,
    ),
    ("list_technicians", List, "/v1/technicians", ""),
    ("get_technician", Own, "/v1/technicians/{T}-kim", ""),
    ("change_technician", Own, "/v1/technicians/{T}-kim", r#"{"absences": []}"#),
    ("add_technician", Own, "/v1/technicians", r#"{"code": "new", "depot": "{T}"}"#),
    ("list_gear", List, "/v1/gear", ""),
    ("get_gear", Own, "/v1/gear/{T}-G1", ""),
    ("change_gear", Own, "/v1/gear/{T}-G1", r#"{"class": "1"}"#),
    ("issue_gear", Own, "/v1/gear/{T}-G1/issue", "{}"),
    ("add_gear_test", Own, "/v1/gear/{T}-G1/tests", r#"{"on": "2026-03-18", "by": "x", "passed": true}"#),
    (
        "add_gear",
        Own,
        "/v1/gear",
        r#"{"id": "new", "depot": "{T}", "kind": "gloves", "class": "0", "protectors": true}"#,
    ),
    ("list_procedures", All, "/v1/procedures", ""),
    ("get_procedure", All, "/v1/procedures/fan-service", ""),
    ("add_procedure", Fleet, "/v1/procedures", "{procedure}"),
    ("list_journal", List, "/v1/journal?limit=500", ""),
    ("list_keys", List, "/v1/keys", ""),
    ("get_key", Own, "/v1/keys/{T}-key", ""),
    ("add_key", Own, "/v1/keys", r#"{"name": "new", "may": ["admin"], "depots": ["{T}"]}"#),
    ("rotate_key", Own, "/v1/keys/{T}-key/rotate", "{}"),
    ("revoke_key", Own, "/v1/keys/{T}-key/revoke", ""),
    ("list_calendars", List, "/v1/calendars", ""),
    ("add_calendar", Own, "/v1/calendars", r#"{"depot": "{T}", "name": "x"}"#),
    ("revoke_calendar", Own, "/v1/calendars/{calendar}/revoke", ""),
    ("list_webhooks", List, "/v1/webhooks", ""),
    ("get_webhook", Own, "/v1/webhooks/{webhook}", ""),
    ("change_webhook", Own, "/v1/webhooks/{webhook}", r#"{"types": []}"#),
    ("add_webhook", Own, "/v1/webhooks", r#"{"url": "https://shop.example/", "depots": ["{T}"]}"#),
    ("list_deliveries", Own, "/v1/webhooks/{webhook}/deliveries", ""),
    ("resend_event", Own, "/v1/webhooks/{webhook}/deliveries/{event}/redeliver", ""),
    ("ping_webhook", Own, "/v1/webhooks/{webhook}/ping", ""),
    ("rotate_webhook", Own, "/v1/webhooks/{webhook}/rotate", ""),
    ("close_webhook", Own, "/v1/webhooks/{webhook}/close", ""),
    // What it then shows to whom is in tests/streams.rs.
    ("follow_events", All, "/v1/events", ""),
    ("list_release_windows", List, "/v1/release-windows", ""),
    ("add_release_window", Own, "/v1/release-windows", r#"{"unit": "{T}-1", "from": "2026-03-18"}"#),
    ("withdraw_release_window", Own, "/v1/release-windows/{window}/withdraw", ""),
    ("list_driver_reports", List, "/v1/driver-reports", ""),
    (
        "report_symptom",
        Own,
        "/v1/driver-reports",
        r#"{"unit": "{T}-1", "symptom": "fan-noise", "told": "x", "by": "x"}"#,
    ),
    ("list_breakdowns", List, "/v1/breakdowns", ""),
    ("report_breakdown", Own, "/v1/breakdowns", r#"{"unit": "{T}-1", "told": "x", "by": "x"}"#),
    ("list_off_road", Own, "/v1/vehicles/{T}-1/off-road", ""),
    ("return_to_service", Own, "/v1/vehicles/{T}-1/return-to-service", "{}"),
    ("take_off_road", Own, "/v1/vehicles/{T}-1/off-road", r#"{"from": "2026-03-18", "reason": "x"}"#),
    ("list_plans", Own, "/v1/vehicles/{T}-1/plans", ""),
    ("add_plan", Own, "/v1/vehicles/{T}-1/plans", r#"{"from": "2026-06-01", "shifts": {"hours_per_day": 9}}"#),
    ("withdraw_plan", Own, "/v1/vehicles/{T}-1/plans/{plan}/withdraw", ""),
    ("list_work_orders", List, "/v1/work-orders", ""),
    ("get_work_order", Own, "/v1/work-orders/{order}", ""),
    ("raise_work_order", Own, "/v1/work-orders", r#"{"unit": "{T}-3", "kind": "pack-assessment", "reason": "x"}"#),
    ("change_work_order", Own, "/v1/work-orders/{order}", r#"{"external_ref": "{T} 2"}"#),
    ("list_work_order_steps", Own, "/v1/work-orders/{order}/steps", ""),
    ("plan_work_order", Own, "/v1/work-orders/{order}/plan", r#"{"on": "2026-03-19", "start": "09:00", "bay": 1}"#),
    ("confirm_work_order_slot", Own, "/v1/work-orders/{order}/confirm-slot", r#"{"by": "x"}"#),
    ("refuse_work_order_slot", Own, "/v1/work-orders/{order}/refuse-slot", r#"{"by": "x", "reason": "x"}"#),
    ("miss_work_order", Own, "/v1/work-orders/{order}/missed", r#"{"reason": "x"}"#),
    ("accept_work_order", Own, "/v1/work-orders/{order}/accept", r#"{"by": "{T}-kim"}"#),
    ("decline_work_order", Own, "/v1/work-orders/{order}/decline", r#"{"by": "{T}-lee", "reason": "x"}"#),
    ("start_work_order", Own, "/v1/work-orders/{order}/start", r#"{"by": "{T}-kim"}"#),
    (
        "expect_work_order_back",
        Own,
        "/v1/work-orders/{order}/expected-back",
        r#"{"at": "2026-03-19T12:00:00Z", "reason": "x"}"#,
    ),
    ("pause_work_order", Own, "/v1/work-orders/{order}/pause", r#"{"by": "{T}-kim", "reason": "x"}"#),
    ("resume_work_order", Own, "/v1/work-orders/{order}/resume", r#"{"by": "{T}-kim"}"#),
    ("hand_over_work_order", Own, "/v1/work-orders/{order}/hand-over", r#"{"by": "{T}-kim", "to": "{T}-lee"}"#),
    ("record_step", Own, "/v1/work-orders/{order}/steps/1", r#"{"by": "{T}-lee"}"#),
    ("override_work_order_item", Own, "/v1/work-orders/{order}/overrides", r#"{"item": "wait", "reason": "x"}"#),
    ("complete_work_order", Own, "/v1/work-orders/{order}/complete", r#"{"outcome": "partly", "by": "{T}-lee"}"#),
    ("reopen_work_order", Own, "/v1/work-orders/{order}/reopen", r#"{"reason": "x"}"#),
    ("cancel_work_order", Own, "/v1/work-orders/{order}/cancel", r#"{"reason": "x"}"#),
    ("take_next_work_order", Own, "/v1/work-orders/next", r#"{"by": "x", "depot": "{T}"}"#),
    ("remove_pack", Own, "/v1/packs/{T}-pack/remove", r#"{"at": "2026-03-18T12:00:00Z", "because": "age"}"#),
    (
        "void_pack",
        Own,
        "/v1/packs/void",
        r#"{"unit": "{T}-1", "serial": "{T}-pack", "at": "2025-01-01T05:00:00Z", "reason": "x"}"#,
    ),
    ("retire_vehicle", Own, "/v1/vehicles/{T}-1/retire", r#"{"reason": "x"}"#),
    ("move_vehicle", Own, "/v1/vehicles/{T}-3/move", r#"{"depot": "{T}"}"#),
];

/// Names of a depot's things that are given by the daemon: what stands in braces in [`ROUTES`].
type Names = BTreeMap<&'static str, String>;

fn filled(text: &str, token: &str, names: &Names) -> String {
    names.iter().fold(text.replace("{T}", token), |text, (name, given)| text.replace(&format!("{{{name}}}"), given))
}

/// What a fleet of two depots holds, all of it named after its depot.
struct World {
    app: TestApp,
    alpha: Names,
    bravo: Names,
    /// Names of things that are not there, of the same length.
    nothing: Names,
}

const MADE_BY_HAND: [&str; 3] = ["ALPHA", "BRAVO", "DELTA"];

async fn world(engine: Engine) -> World {
    let (app, manager) = TestApp::new(engine).await;
    let alpha = depot(&app, &manager, "ALPHA").await;
    let bravo = depot(&app, &manager, "BRAVO").await;
    app.settle().await;
    app.app.learn_life_when_due().await.unwrap();
    app.settle().await;
    let mut edited = manager.get("/v1/procedures/fan-service").await.expect(200)["procedure"].clone();
    edited["version"] = json!(2);
    let nothing = [
        ("order", "WO-99999"),
        ("core", "999"),
        ("calendar", "999"),
        ("window", "999"),
        ("plan", "999"),
        ("webhook", "999"),
        ("event", "999"),
    ]
    .map(|(name, given)| (name, given.to_owned()));
    let mut world = World { app, alpha, bravo, nothing: nothing.into() };
    for names in [&mut world.alpha, &mut world.bravo, &mut world.nothing] {
        names.insert("procedure", edited.to_string());
    }
    world
}

fn number(answer: &Value, name: &str) -> String {
    let given = &answer[name];
    given.as_str().map_or_else(|| given.to_string(), str::to_owned)
}

/// A depot with something in every register and log.
async fn depot(app: &TestApp, manager: &Client, token: &str) -> Names {
    let named = |text: &str| -> Value { serde_json::from_str(&text.replace("{T}", token)).unwrap() };
    let add = async |path: &str, text: &str| manager.send(path, named(text)).await.expect(201);
    let rows = async |log: &str, text: &str| assert_eq!(post(manager, log, named(text)).await["stored"], 1, "{log}");
    add(
        "/v1/depots",
        r#"{"code": "{T}", "name": "{T} yard", "zone": "America/New_York", "bays": 2, "distance_unit": "mi"}"#,
    )
    .await;
    let mut names = Names::new();
    for unit in ["{T}-1", "{T}-2", "{T}-3"] {
        ordinary_car(manager, &unit.replace("{T}", token), token).await;
    }
    let model = named(r#"{"model": "{T} wagon"}"#);
    manager.patch(&format!("/v1/vehicles/{token}-1")).if_match("*").json(&model).send().await.expect(200);
    rows("odometer-readings", r#"{"unit": "{T}-1", "at": "2026-03-10T02:00:00Z", "odometer": 39000, "distance_unit": "km", "source": "{T} pump"}"#).await;
    for (unit, serial) in [("{T}-1", "{T}-pack"), ("{T}-2", "{T}-old")] {
        let pack = json!({"serial": serial, "type": "{T}-type", "unit": unit, "installed_at": "2025-01-01T05:00:00Z",
            "odometer": 10, "distance_unit": "mi", "original": true, "note": "{T} pack"});
        rows("packs", &pack.to_string()).await;
    }
    for day in 1..=16 {
        let check = format!(
            r#"{{"unit": "{{T}}-1", "at": "2026-03-{day:02}T17:00:00Z", "block_volts": [14.1, 14.2, 14.1, 13.2, 14.1, 14.2, 14.1, 14.2, 14.1, 14.2, 14.1, 14.2, 14.1, 14.2], "current_a": 30, "charge_pct": 55, "pack_c": 30, "cabin_c": 22, "fan_stage": 2, "source": "{{T}} scanner"}}"#
        );
        rows("pack-checks", &check).await;
    }
    rows("trouble-codes", r#"{"unit": "{T}-1", "at": "2026-03-16T17:00:00Z", "code": "P0A7F", "state": "confirmed", "source": "{T} scanner"}"#).await;
    for code in ["kim", "lee"] {
        let person = json!({"code": format!("{{T}}-{code}"), "depot": "{T}",
            "certificates": [{"name": "high-voltage", "expires_on": "2027-06-30"}]});
        add("/v1/technicians", &person.to_string()).await;
    }
    for (id, piece) in [
        ("G1", json!({"kind": "gloves", "class": "0", "protectors": true})),
        ("G2", json!({"kind": "gloves", "class": "0", "protectors": true})),
        (
            "M1",
            json!({"kind": "meter", "meter": {"category": 3, "volts": 1000}, "leads": {"category": 3, "volts": 1000}}),
        ),
    ] {
        let mut piece = piece;
        piece["id"] = json!(format!("{token}-{id}"));
        piece["depot"] = json!(token);
        manager.send("/v1/gear", piece).await.expect(201);
        let test = named(r#"{"on": "2026-01-10", "by": "{T} lab", "passed": true}"#);
        manager.send(&format!("/v1/gear/{token}-{id}/tests"), test).await.expect(200);
        manager.send(&format!("/v1/gear/{token}-{id}/issue"), json!({"on": "2026-02-01"})).await.expect(200);
    }
    add("/v1/parts", r#"{"depot": "{T}", "number": "{T}-part", "name": "{T} pack", "job": "pack-replacement", "pack_type": "{T}-type", "lead_days": 14, "stock": 2, "core_credit_cents": 40000}"#).await;
    add("/v1/service-rules", r#"{"code": "{T}-rule", "kind": "fan-service", "depot": "{T}", "distance_unit": "mi", "hard": {"distance": {"early": 20000, "late": 25000}}}"#).await;
    let order = add(
        "/v1/work-orders",
        r#"{"unit": "{T}-1", "kind": "fan-service", "reason": "{T} noise", "external_ref": "{T} 1"}"#,
    )
    .await;
    names.insert("order", number(&order, "number"));
    let plan = named(r#"{"on": "2026-03-18", "start": "13:00", "bay": 1, "technicians": ["{T}-kim"]}"#);
    manager.act(&names["order"], "plan", plan).await.expect(200);
    replace(app, manager, token).await;
    names.insert("core", number(&manager.get(&format!("/v1/cores?depot={token}")).await.expect(200)["items"][0], "id"));
    names.insert("calendar", number(&add("/v1/calendars", r#"{"depot": "{T}", "name": "{T} phone"}"#).await, "id"));
    let hook = r#"{"url": "https://shop.example/{T}", "depots": ["{T}"], "note": "{T} shop"}"#;
    names.insert("webhook", number(&add("/v1/webhooks", hook).await, "id"));
    let pinged = format!("/v1/webhooks/{}/ping", names["webhook"]);
    manager.send(&pinged, json!({})).await.expect(202);
    while app.app.publish_events().await.unwrap() > 0 {}
    let delivered = manager.get(&format!("/v1/webhooks/{}/deliveries", names["webhook"])).await.expect(200);
    names.insert("event", number(&delivered["items"][0], "event"));
    let window = r#"{"unit": "{T}-1", "from": "2026-03-18", "to": "2027-03-18", "note": "{T} spare"}"#;
    names.insert("window", number(&add("/v1/release-windows", window).await, "id"));
    let plan = r#"{"from": "2026-04-01", "to": "2026-04-10", "shifts": {"hours_per_day": 9}, "note": "{T} night"}"#;
    let plans = "/v1/vehicles/{T}-1/plans".replace("{T}", token);
    names.insert("plan", number(&add(&plans, plan).await, "id"));
    add("/v1/driver-reports", r#"{"unit": "{T}-1", "symptom": "other", "told": "{T} hum", "by": "{T} driver"}"#).await;
    add("/v1/breakdowns", r#"{"unit": "{T}-3", "told": "{T} stop", "by": "{T} driver", "kind": "fan-service"}"#).await;
    add(
        "/v1/vehicles/{T}-1/off-road".replace("{T}", token).as_str(),
        r#"{"from": "2026-03-20", "to": "2026-03-21", "reason": "{T} paint"}"#,
    )
    .await;
    add("/v1/keys", r#"{"name": "{T}-key", "may": ["admin"], "depots": ["{T}"]}"#).await;
    names
}

/// A pack of the depot is replaced, step by step.
async fn replace(app: &TestApp, manager: &Client, token: &str) {
    let raised = json!({"unit": format!("{token}-2"), "kind": "pack-replacement", "reason": format!("{token} worn")});
    let order = number(&manager.send("/v1/work-orders", raised).await.expect(201), "number");
    let named = |body: Value| -> Value {
        let mut text = body.to_string();
        for (there, here) in [
            ("\"kim\"", "{T}-kim"),
            ("\"lee\"", "{T}-lee"),
            ("\"G-1\"", "{T}-G1"),
            ("\"G-2\"", "{T}-G2"),
            ("\"M-1\"", "{T}-M1"),
            ("\"O-1\"", "{T}-old"),
            ("\"N-1\"", "{T}-new"),
            ("\"P-14\"", "{T}-type"),
        ] {
            text = text.replace(there, &format!("\"{}\"", here.replace("{T}", token)));
        }
        serde_json::from_str(&text).unwrap()
    };
    manager.act(&order, "start", named(json!({"by": "kim"}))).await.expect(200);
    for step in 1..=LAST {
        app.pass(TimeDelta::minutes(if step == 9 { 10 } else { 1 }));
        manager.act(&order, &format!("steps/{step}"), named(body(step))).await.expect(201);
    }
    let done = json!({"outcome": "serviced", "odometer": 41_010, "distance_unit": "mi", "by": "kim", "removed_because": "failed"});
    manager.act(&order, "complete", named(done)).await.expect(200);
    app.clock.set(instant(crate::common::NOW));
}

fn ask(client: &Client, method: &Method, path: &str, body: &str) -> crate::common::Call {
    let call = client.call(method.clone(), path);
    match *method {
        Method::GET => call,
        _ if body.is_empty() => call.once().if_match("*"),
        _ => call.once().if_match("*").body("application/json", body.to_owned()),
    }
}

/// All of an answer but what is different each time: status, headers, body.
fn plain(reply: &Reply) -> (u16, BTreeMap<String, String>, String) {
    let mut body: Value = serde_json::from_str(&reply.text).unwrap_or_else(|_| json!(reply.text));
    if let Some(body) = body.as_object_mut() {
        body.remove("request_id");
    }
    let headers = reply.headers.iter().filter(|(name, _)| !CHANGING.contains(&name.as_str()));
    let headers = headers.map(|(name, value)| (name.to_string(), value.to_str().unwrap().to_owned())).collect();
    (reply.status.as_u16(), headers, body.to_string())
}

const CHANGING: [&str; 4] = ["x-request-id", "content-length", "ratelimit", "date"];

/// The same answer but for the name that was asked for.
#[track_caller]
fn same(hidden: &Reply, missing: &Reply) {
    assert_eq!(unnamed(hidden), unnamed(missing));
}

fn unnamed(reply: &Reply) -> (u16, BTreeMap<String, String>, String) {
    let (status, headers, body) = plain(reply);
    (status, headers, MADE_BY_HAND.iter().fold(body, |body, token| body.replace(token, "NAME")))
}

async fn every_route_for_every_scope_and_depot(engine: Engine) {
    let world = world(engine).await;
    let kinds = [("own", vec!["ALPHA"]), ("other", vec!["BRAVO"]), ("none", vec![])];
    let mut keys = BTreeMap::new();
    for (kind, depots) in &kinds {
        for scope in Scope::ALL {
            keys.insert((*kind, scope), world.app.client(&[scope], depots).await);
        }
    }
    let told: BTreeSet<String> = ROUTES.iter().map(|(operation, ..)| (*operation).to_owned()).collect();
    let served = operations(&document());
    let ids = served.iter().map(|(.., operation)| operation["operationId"].as_str().unwrap().to_owned());
    assert_eq!(ids.collect::<BTreeSet<_>>(), told, "each route stands in the table of rights");
    let mut faults = Vec::new();
    let by_id = |id: &str| served.iter().find(|(.., operation)| operation["operationId"] == id).unwrap();
    for (operation, sight, path, body) in ROUTES {
        let (_, method, described) = by_id(operation);
        let method: Method = method.to_uppercase().parse().unwrap();
        let text = |token: &str, names: &Names| (filled(path, token, names), filled(body, token, names));
        let (path, body) = text("ALPHA", &world.alpha);
        if *sight == Open {
            let reply = ask(&world.app.anonymous(), &method, &path, &body).send().await;
            assert_ne!(reply.status.as_u16(), 401, "{operation}");
            continue;
        }
        let needed = Scope::parse(described["security"][0]["key"][0].as_str().unwrap()).unwrap();
        ask(&world.app.anonymous(), &method, &path, &body).send().await.problem(401);
        for ((kind, scope), client) in keys.iter().filter(|((_, scope), _)| *scope != needed) {
            let reply = ask(client, &method, &path, &body).send().await;
            assert_eq!(reply.status.as_u16(), 403, "{operation} with {scope:?} of {kind}: {}", reply.text);
        }
        let by = |kind| &keys[&(kind, needed)];
        let (absent_path, absent_body) = text("DELTA", &world.nothing);
        let other = ask(by("other"), &method, &path, &body).send().await;
        let absent = ask(by("other"), &method, &absent_path, &absent_body).send().await;
        let own = ask(by("own"), &method, &path, &body).send().await;
        let none = ask(by("none"), &method, &path, &body).send().await;
        let seen = |reply: &Reply| {
            let status = reply.status.as_u16();
            assert!(![401, 403].contains(&status) && status < 500, "{operation}: {}", reply.text);
        };
        match sight {
            Own | Figures => {
                let numbers = |reply: &Reply, names: &Names| {
                    let (status, headers, mut body) = plain(reply);
                    for name in ["order", "core", "calendar", "window", "plan", "webhook", "event"] {
                        body = body.replace(&format!("\\\"{}\\\"", names[name]), "NAME");
                    }
                    let body = MADE_BY_HAND.iter().fold(body, |body, token| body.replace(token, "NAME"));
                    (status, headers, body)
                };
                let nothing = numbers(&absent, &world.nothing);
                let hidden = numbers(&other, &world.alpha);
                if hidden != nothing {
                    faults.push(format!("{operation}: another depot's shows: {hidden:?} but {nothing:?}"));
                }
                for reply in [&own, &none] {
                    seen(reply);
                    // What the first one did, the second one may find done.
                    let told = method == Method::GET || std::ptr::eq(reply, &own);
                    if told && *sight == Own && numbers(reply, &world.alpha) == nothing {
                        faults.push(format!("{operation}: its own does not show: {nothing:?}"));
                    }
                }
            }
            List => {
                for (reply, here) in [(&own, [true, false]), (&other, [false, true]), (&none, [true, true])] {
                    assert_eq!(reply.status.as_u16(), 200, "{operation}: {}", reply.text);
                    let holds = ["ALPHA", "BRAVO"].map(|token| reply.text.contains(token));
                    if holds != here {
                        faults.push(format!("{operation}: {holds:?}, not {here:?}: {}", reply.text));
                    }
                }
            }
            Fleet => {
                own.problem(403);
                other.problem(403);
                seen(&none);
            }
            All => {
                seen(&none);
                assert_eq!((plain(&own), plain(&other)), (plain(&none), plain(&none)), "{operation}");
            }
            Open => {}
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

// --- What leaks -----------------------------------------------------------------------------------------------------

/// What an answer, or a cursor in it, holds of depot BRAVO, if anything.
fn leak(reply: &Reply, asked: &str, hidden: &Names) -> Option<String> {
    let mut text = reply.text.clone();
    for (name, value) in &reply.headers {
        text.push_str(&format!("\n{name}: {}", value.to_str().unwrap()));
    }
    let cursors: Vec<String> = text
        .split("cursor=")
        .skip(1)
        .map(|rest| rest.chars().take_while(char::is_ascii_hexdigit).collect::<String>())
        .filter_map(|cursor| Some(String::from_utf8_lossy(&hex::decode(cursor).ok()?).into_owned()))
        .collect();
    text.push_str(&cursors.concat());
    let leaks = text.to_uppercase().contains("BRAVO") || text.contains(&hidden["order"]);
    leaks.then(|| format!("{asked}: {text}"))
}

/// Every answer to a key of one depot, page by page and in every form, without a word of the other depot.
async fn no_answer_holds_anything_of_another_depot(engine: Engine) {
    let world = world(engine).await;
    let alpha = world.app.client(&Scope::ALL, &["ALPHA"]).await;
    let (mut asked, mut faults) = (0, Vec::new());
    for (path, method, operation) in operations(&document()) {
        if method != "get" || !path.starts_with("/v1/") || operation["operationId"] == "get_calendar" {
            continue;
        }
        let id = operation["operationId"].as_str().unwrap();
        let (_, _, path, _) = ROUTES.iter().find(|(known, ..)| *known == id).unwrap();
        let path = filled(path, "ALPHA", &world.alpha);
        let empty = Vec::new();
        let takes: Vec<&str> = operation["parameters"]
            .as_array()
            .unwrap_or(&empty)
            .iter()
            .filter(|parameter| parameter["in"] == "query")
            .map(|parameter| parameter["name"].as_str().unwrap())
            .collect();
        let mut forms = vec![String::new()];
        if takes.contains(&"limit") {
            forms.push("limit=1".to_owned());
        }
        for (name, values) in [
            ("format", ["csv", "ndjson"]),
            ("retired", ["true", "false"]),
            ("with_removed", ["true", "false"]),
            ("distance_unit", ["km", "mi"]),
        ] {
            if takes.contains(&name) {
                forms.extend(values.map(|value| format!("{name}={value}")));
            }
        }
        for form in forms {
            let with = if path.contains('?') { "&" } else { "?" };
            let mut next = Some(format!("{path}{with}{form}"));
            let mut pages = 0;
            while let Some(link) = next.take() {
                let reply = alpha.get(&link).await;
                assert!(reply.status.as_u16() < 500 && reply.status.as_u16() != 404, "{link}: {}", reply.text);
                faults.extend(leak(&reply, &link, &world.bravo));
                asked += 1;
                pages += 1;
                let page: Value = serde_json::from_str(&reply.text).unwrap_or_default();
                next = page["next"].as_str().map(str::to_owned).filter(|_| pages < 200);
            }
        }
        // Another depot's name in a filter is one that is not there.
        for (name, hidden, missing) in [
            ("depot", "BRAVO", "DELTA"),
            ("unit", "BRAVO-1", "DELTA-1"),
            ("type", "BRAVO-type", "DELTA-type"),
            ("assigned_to", "BRAVO-kim", "DELTA-kim"),
            ("external_ref", "BRAVO 1", "DELTA 1"),
            ("technician", "BRAVO-kim", "DELTA-kim"),
        ] {
            if takes.contains(&name) {
                let bare = path.split('?').next().unwrap();
                let with = |value: &str| format!("{bare}?{name}={}", value.replace(' ', "%20"));
                let (found, nothing) = (alpha.get(&with(hidden)).await, alpha.get(&with(missing)).await);
                assert!([200, 400, 404, 422].contains(&found.status.as_u16()), "{bare} {name}: {}", found.text);
                if unnamed(&found) != unnamed(&nothing) {
                    faults.push(format!("{bare} by {name}: {} but {}", found.text, nothing.text));
                }
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    assert!(asked > 150, "{asked}");
}

/// Own things beside another depot's in one request: as if the latter were not there.
const REFERENCES: &[(&str, &str, &str)] = &[
    (
        "POST",
        "/v1/work-orders/{order}/plan",
        r#"{"on": "2026-03-19", "start": "09:00", "bay": 1, "technicians": ["{O}-kim"]}"#,
    ),
    ("POST", "/v1/work-orders/{order}/steps/1", r#"{"by": "{O}-kim"}"#),
    ("POST", "/v1/work-orders/{order}/steps/2", r#"{"by": "ALPHA-kim", "with": ["{O}-kim"], "gear": ["{O}-G1"]}"#),
    (
        "POST",
        "/v1/work-orders/{order}/complete",
        r#"{"outcome": "serviced", "by": "ALPHA-kim", "parts": [{"number": "{O}-part", "quantity": 1}]}"#,
    ),
    ("POST", "/v1/vehicles/ALPHA-1/what-if", r#"{"rule": "{O}-rule"}"#),
    ("POST", "/v1/vehicles/ALPHA-1/what-if", r#"{"depot": "{O}"}"#),
    ("POST", "/v1/vehicles/ALPHA-1/move", r#"{"depot": "{O}"}"#),
    ("PATCH", "/v1/technicians/ALPHA-kim", r#"{"depot": "{O}"}"#),
    ("PATCH", "/v1/gear/ALPHA-G1", r#"{"depot": "{O}"}"#),
    ("POST", "/v1/work-orders/next", r#"{"technician": "{O}-kim"}"#),
    (
        "POST",
        "/v1/packs/void",
        r#"{"unit": "ALPHA-1", "serial": "{O}-pack", "at": "2025-01-01T05:00:00Z", "reason": "x"}"#,
    ),
    ("POST", "/v1/parts/{O}-part/receipts", r#"{"depot": "ALPHA", "quantity": 1}"#),
    (
        "POST",
        "/v1/pack-checks/void",
        r#"{"unit": "ALPHA-1", "at": "2026-03-16T17:00:00Z", "source": "{O} scanner", "reason": "x"}"#,
    ),
    ("POST", "/v1/keys", r#"{"name": "n", "may": ["read"], "depots": ["{O}"]}"#),
];

async fn a_request_that_names_another_depots_thing_beside_its_own(engine: Engine) {
    let world = world(engine).await;
    let alpha = world.app.client(&Scope::ALL, &["ALPHA"]).await;
    let mut faults = Vec::new();
    for (method, path, body) in REFERENCES {
        let text = |text: &str, token: &str| filled(text, token, &world.alpha).replace("{O}", token);
        let method: Method = method.parse().unwrap();
        let send = |token: &str| ask(&alpha, &method, &text(path, token), &text(body, token)).send();
        let (hidden, missing) = (send("BRAVO").await, send("DELTA").await);
        assert!(hidden.status.as_u16() < 500, "{path}: {}", hidden.text);
        if unnamed(&hidden) != unnamed(&missing) {
            faults.push(format!("{path} {body}: {} but {}", hidden.text, missing.text));
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// Names are the fleet's, so one that is taken is refused; but that is all that is said.
async fn a_name_that_another_depot_has_taken_says_no_more_than_that(engine: Engine) {
    let world = world(engine).await;
    let alpha = world.app.client(&Scope::ALL, &["ALPHA"]).await;
    for (path, taken, body) in [
        ("/v1/technicians", "BRAVO-kim", r#"{"code": "BRAVO-kim", "depot": "ALPHA"}"#),
        (
            "/v1/gear",
            "BRAVO-G1",
            r#"{"id": "BRAVO-G1", "depot": "ALPHA", "kind": "gloves", "class": "0", "protectors": true}"#,
        ),
        ("/v1/keys", "BRAVO-key", r#"{"name": "BRAVO-key", "may": ["read"], "depots": ["ALPHA"]}"#),
        (
            "/v1/service-rules",
            "BRAVO-rule",
            r#"{"code": "BRAVO-rule", "kind": "cooling-check", "depot": "ALPHA", "distance_unit": "mi", "hard": {"days": {"early": 1, "late": 2}}}"#,
        ),
        ("/v1/vehicles", "BRAVO-1", r#"{"unit": "BRAVO-1", "depot": "ALPHA", "in_service_on": "2026-01-01"}"#),
        (
            "/v1/packs",
            "BRAVO-pack",
            r#"{"serial": "BRAVO-pack", "type": "x", "unit": "ALPHA-3", "installed_at": "2026-03-01T12:00:00Z"}"#,
        ),
    ] {
        let reply = ask(&alpha, &Method::POST, path, body).send().await;
        assert!(reply.status.as_u16() < 500, "{path}: {}", reply.text);
        let rest = reply.text.replace(taken, "");
        assert!(!rest.contains("BRAVO"), "{path}: {}", reply.text);
    }
}

crate::on_both!(
    a_key_is_made_shown_once_and_listed,
    its_last_use_is_written_down_now_and_then,
    a_rotated_key_has_two_secrets_for_a_while,
    nobody_makes_a_key_that_goes_further_than_his_own,
    every_route_for_every_scope_and_depot,
    no_answer_holds_anything_of_another_depot,
    a_request_that_names_another_depots_thing_beside_its_own,
    a_name_that_another_depot_has_taken_says_no_more_than_that,
);
