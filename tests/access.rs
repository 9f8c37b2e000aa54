//! Keys: what is open, what each scope allows, what a key confined to depots sees, and the journal of who did what.

use axum::http::Method;
use chrono::TimeDelta;
use serde_json::{Value, json};
use ventmile::app::keys::Scope;

use crate::common::{
    Client, Engine, Reply, TestApp, car, fault, item, month_of_readings, ordinary_car, post, serviced, two_depots,
};
use crate::document::operations;

fn document() -> Value {
    serde_json::from_str(&ventmile::api::document_text()).unwrap()
}

/// Every operation behind a key, its path filled in, with the scope it names.
fn guarded() -> Vec<(Method, String, Scope)> {
    let filled = |path: &str| {
        let mut parts: Vec<String> = path.split(['{', '}']).map(str::to_owned).collect();
        for name in parts.iter_mut().skip(1).step_by(2) {
            *name = if name == "date" { "2026-03-18".to_owned() } else { "7".to_owned() };
        }
        parts.concat()
    };
    operations(&document())
        .into_iter()
        // A calendar's address is a secret of its own: no key is asked for there.
        .filter(|(path, _, operation)| path.starts_with("/v1/") && operation["operationId"] != "get_calendar")
        .map(|(path, method, operation)| {
            let scope = operation["security"][0]["key"][0].as_str().unwrap();
            (method.to_uppercase().parse().unwrap(), filled(&path), Scope::parse(scope).unwrap())
        })
        .collect()
}

async fn only_the_open_routes_answer_without_a_key(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    let nobody = app.anonymous();
    nobody.get("/v1/calendars/7.ics").await.problem(404);
    for path in ["/livez", "/readyz", "/openapi.json", "/docs", "/docs/docs.js", "/docs/docs.css"] {
        assert_eq!(nobody.get(path).await.status.as_u16(), 200, "{path}");
    }
    assert_eq!(nobody.get("/openapi.json").await.text, ventmile::api::document_text());
    assert!(guarded().len() > 30);
    for (method, path, _) in guarded() {
        let reply = nobody.call(method.clone(), &path).json(&json!({})).send().await;
        assert!(reply.headers["www-authenticate"].to_str().unwrap().starts_with("Bearer"), "{method} {path}");
        let problem = reply.problem(401);
        assert!(!problem.to_string().contains("scope"), "{problem}");
    }
    manager.get("/v1/depots").await.expect(200);
    manager.get("/v1/nothing").await.problem(404);
    let wrong_method = manager.call(Method::DELETE, "/v1/depots").send().await;
    assert!(wrong_method.headers.contains_key("allow"), "RFC 9110, 15.5.6: a 405 names the methods there are");
    wrong_method.problem(405);
}

async fn a_wrong_credential_is_no_key(engine: Engine) {
    let (app, _manager) = TestApp::new(engine).await;
    for wrong in ["vm_", &format!("vm_{}", "0".repeat(64)), "hello", "' OR 1=1 --"] {
        app.client_with(wrong).get("/v1/depots").await.problem(401);
    }
    for header in ["Basic dm06dm0=", "vm_x", "Bearer", ""] {
        app.anonymous().call(Method::GET, "/v1/depots").header("authorization", header).send().await.problem(401);
    }
}

async fn each_route_needs_its_scope_and_no_other(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    for held in Scope::ALL {
        let client = app.client(&[held], &[]).await;
        for (method, path, needed) in guarded() {
            let reply = client.call(method.clone(), &path).json(&json!({})).send().await;
            if held == needed {
                assert!(![401, 403].contains(&reply.status.as_u16()), "{method} {path} with {held:?}: {}", reply.text);
                assert!(reply.status.as_u16() < 500, "{method} {path}: {}", reply.text);
            } else {
                let problem = reply.problem(403);
                let detail = problem["detail"].as_str().unwrap();
                assert!(detail.contains(needed.as_str()) && detail.contains(held.as_str()), "{detail}");
            }
        }
    }
}

async fn a_key_is_refused_before_the_request_is_read(engine: Engine) {
    let (app, _manager) = TestApp::new(engine).await;
    let reader = app.client(&[Scope::Read], &[]).await;
    for (method, path, scope) in guarded().into_iter().filter(|(_, _, scope)| *scope != Scope::Read) {
        let call = reader.call(method.clone(), &format!("{path}?nonsense=1"));
        let reply = call.body("text/plain", "nonsense").header("content-encoding", "br").send().await;
        assert_eq!(reply.status.as_u16(), 403, "{method} {path} {scope:?}: {}", reply.text);
    }
}

async fn every_refusal_is_a_problem_document(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    // A path that is no UTF-8, a body that is no JSON, a query that is none.
    manager.get("/v1/vehicles/%ff").await.problem(400);
    manager.get("/v1/depots?limit=%ff").await.problem(400);
    manager.post("/v1/depots").body("application/json", "{").send().await.problem(400);
    manager.get("/v1/upcoming?limit=1&limit=2").await.problem(400);
    let reply = manager.call(Method::GET, "/v1/nothing").header("x-request-id", "shop-17").send().await;
    assert_eq!(reply.problem(404)["request_id"], "shop-17");
}

async fn a_nul_in_a_name_is_a_name_that_is_not_there(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    for path in [
        "/v1/vehicles/%00",
        "/v1/vehicles/%00/forecast",
        "/v1/depots/%00",
        "/v1/service-rules/%00",
        "/v1/upcoming?unit=%00",
        "/v1/upcoming?depot=%00",
        "/v1/work-orders?unit=%00",
        "/v1/work-orders?assigned_to=%00",
        "/v1/vehicles?depot=%00",
        "/v1/day-lists/2026-03-18?depot=%00",
        "/v1/duty-logs?unit=%00",
        "/v1/technicians/%00",
        "/v1/technicians?depot=%00",
        "/v1/gear/%00",
        "/v1/gear?depot=%00",
        "/v1/procedures/%00",
        "/v1/work-orders/%00/steps",
    ] {
        let reply = manager.get(path).await;
        assert!(reply.status.as_u16() < 500, "{path}: {}", reply.text);
    }
    for (path, body) in [
        ("/v1/work-orders", json!({"unit": "\u{0}", "kind": "fan-service", "reason": "x"})),
        ("/v1/work-orders/next", json!({"by": "x", "depot": "\u{0}"})),
        ("/v1/vehicles", json!({"unit": "8", "depot": "\u{0}", "in_service_on": "2026-01-01"})),
        ("/v1/vehicles", json!([{"unit": "8", "depot": "\u{0}", "in_service_on": "2026-01-01"}])),
        ("/v1/odometer-readings/void", json!({"unit": "\u{0}", "at": "2026-03-01T12:00:00Z", "reason": "x"})),
        (
            "/v1/odometer-readings/void",
            json!({"unit": "7", "at": "2026-03-01T12:00:00Z", "source": "\u{0}", "reason": "x"}),
        ),
        ("/v1/duty-logs/void", json!({"unit": "7", "date": "2026-03-01", "shift": "\u{0}", "reason": "x"})),
        ("/v1/vehicles/%00/off-road", json!({"from": "2026-03-18", "reason": "x"})),
        ("/v1/technicians", json!({"code": "x", "depot": "\u{0}"})),
        ("/v1/work-orders/%00/steps/1", json!({"by": "x"})),
        ("/v1/work-orders/next", json!({"technician": "\u{0}"})),
    ] {
        let reply = manager.send(path, body).await;
        assert!(reply.status.as_u16() < 500, "{path}: {}", reply.text);
    }
}

/// A fleet of two depots with one car and one order each, and a key for each depot alone.
async fn confined(engine: Engine) -> (TestApp, Client, Client) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    for (unit, depot) in [("N", "NORTH"), ("W", "WEST")] {
        ordinary_car(&manager, unit, depot).await;
        let order = json!({"unit": unit, "kind": "fan-service", "reason": "fan noise"});
        manager.send("/v1/work-orders", order).await.expect(201);
        let told = json!({"unit": unit, "symptom": "other", "told": "x", "by": "x"});
        manager.send("/v1/driver-reports", told).await.expect(201);
        let told = json!({"unit": unit, "told": "x", "by": "x", "kind": "fan-service"});
        manager.send("/v1/breakdowns", told).await.expect(201);
        manager.send(&format!("/v1/vehicles/{unit}/return-to-service"), json!({})).await.expect(200);
        manager
            .send("/v1/release-windows", json!({"unit": unit, "from": "2026-03-18", "to": "2027-03-18"}))
            .await
            .expect(201);
        manager.send("/v1/calendars", json!({"depot": depot, "name": "x"})).await.expect(201);
        let part = json!({"depot": depot, "number": "F", "name": "x", "lead_days": 1});
        manager.send("/v1/parts", part).await.expect(201);
    }
    for (code, depot) in [("rule-north", "NORTH"), ("rule-west", "WEST")] {
        let rule = json!({
            "code": code, "kind": "fan-service", "depot": depot, "distance_unit": "mi",
            "hard": {"distance": {"early": 20_000, "late": 25_000}},
        });
        manager.send("/v1/service-rules", rule).await.expect(201);
    }
    for (code, gear, depot) in [("ned", "N-1", "NORTH"), ("wim", "W-1", "WEST")] {
        manager.send("/v1/technicians", json!({"code": code, "depot": depot})).await.expect(201);
        let gloves = json!({"id": gear, "depot": depot, "kind": "gloves", "class": "0", "protectors": true});
        manager.send("/v1/gear", gloves).await.expect(201);
    }
    app.settle().await;
    let north = app.client(&Scope::ALL, &["NORTH"]).await;
    (app, manager, north)
}

async fn the_order_of(client: &Client, unit: &str) -> Value {
    let list = client.get(&format!("/v1/work-orders?unit={unit}")).await.expect(200);
    list["items"][0].clone()
}

async fn lists_of_a_confined_key_hold_only_its_depots(engine: Engine) {
    let (_app, manager, north) = confined(engine).await;
    for (path, field, all, own) in [
        ("/v1/depots", "code", vec!["NORTH", "WEST"], vec!["NORTH"]),
        ("/v1/vehicles", "unit", vec!["N", "W"], vec!["N"]),
        ("/v1/vehicles?retired=true", "unit", vec!["N", "W"], vec!["N"]),
        ("/v1/upcoming", "unit", vec!["N", "W"], vec!["N"]),
        ("/v1/work-orders", "unit", vec!["N", "W"], vec!["N"]),
        ("/v1/work-orders?changed_since=2026-01-01T00:00:00Z", "unit", vec!["N", "W"], vec!["N"]),
        ("/v1/technicians", "code", vec!["ned", "wim"], vec!["ned"]),
        ("/v1/gear", "id", vec!["N-1", "W-1"], vec!["N-1"]),
        ("/v1/gear?due_within=30", "id", vec!["N-1", "W-1"], vec!["N-1"]),
        ("/v1/release-windows", "unit", vec!["N", "W"], vec!["N"]),
        ("/v1/driver-reports", "unit", vec!["N", "W"], vec!["N"]),
        ("/v1/breakdowns", "unit", vec!["N", "W"], vec!["N"]),
        ("/v1/calendars", "depot", vec!["NORTH", "WEST"], vec!["NORTH"]),
        ("/v1/parts", "depot", vec!["NORTH", "WEST"], vec!["NORTH"]),
        (
            "/v1/service-rules",
            "code",
            vec!["fan-service", "rule-north", "rule-west"],
            vec!["fan-service", "rule-north"],
        ),
    ] {
        let found = async |client: &Client| -> Vec<String> {
            let page = client.get(path).await.expect(200);
            let mut names: Vec<_> =
                page["items"].as_array().unwrap().iter().map(|item| item[field].as_str().unwrap().to_owned()).collect();
            names.sort();
            names
        };
        assert_eq!(found(&manager).await, all, "{path}");
        assert_eq!(found(&north).await, own, "{path}");
    }
    for path in [
        "/v1/vehicles?depot=WEST",
        "/v1/upcoming?depot=WEST",
        "/v1/upcoming?unit=W",
        "/v1/work-orders?depot=WEST",
        "/v1/work-orders?unit=W",
        "/v1/technicians?depot=WEST",
        "/v1/gear?depot=WEST",
    ] {
        assert_eq!(north.get(path).await.expect(200)["items"], json!([]), "{path}");
        assert_eq!(manager.get(path).await.expect(200)["items"].as_array().unwrap().len(), 1, "{path}");
    }
    let list = north.get("/v1/day-lists/2026-09-18").await.expect(200);
    assert!(!list.to_string().contains("WEST"), "{list}");
    assert!(manager.get("/v1/day-lists/2026-09-18").await.text.contains("WEST"));
    assert!(!north.get("/v1/day-lists/2026-09-18?format=csv").await.text.contains("WEST"));
    let journal = north.get("/v1/journal?limit=500").await;
    assert!(!journal.text.contains("WEST") && !journal.text.contains("vehicle W"), "{}", journal.text);
    assert!(journal.text.contains("vehicle N"));
}

async fn pages_of_a_confined_key_leak_nothing(engine: Engine) {
    let (_app, _manager, north) = confined(engine).await;
    for path in [
        "/v1/depots",
        "/v1/vehicles",
        "/v1/upcoming",
        "/v1/work-orders",
        "/v1/service-rules",
        "/v1/technicians",
        "/v1/gear",
        "/v1/journal",
    ] {
        let mut path = format!("{path}?limit=1");
        loop {
            let page = north.get(&path).await.expect(200);
            assert_eq!(page["items"].as_array().unwrap().len(), 1, "{path}: a page that is not the last is full");
            let Some(next) = page["next"].as_str() else { break };
            let cursor = next.rsplit("cursor=").next().unwrap();
            let place = String::from_utf8(hex::decode(cursor).unwrap()).unwrap();
            assert!(!place.to_lowercase().contains("west"), "{place}");
            path = next.to_owned();
        }
    }
}

/// The same answer but for the name that the client gave.
#[track_caller]
fn same(hidden: &Reply, hidden_name: &str, missing: &Reply, missing_name: &str) {
    let plain = |reply: &Reply, name: &str| {
        let mut body: Value = if reply.text.is_empty() { Value::Null } else { reply.json() };
        if let Some(body) = body.as_object_mut() {
            body.remove("request_id");
        }
        (reply.status.as_u16(), body.to_string().replace(name, "NAME"), reply.headers.get("etag").cloned())
    };
    assert_eq!(plain(hidden, hidden_name), plain(missing, missing_name));
}

async fn what_another_depot_has_is_as_if_it_were_not_there(engine: Engine) {
    let (_app, manager, north) = confined(engine).await;
    let order = the_order_of(&manager, "W").await["number"].as_str().unwrap().to_owned();
    assert_eq!(order.len(), "WO-99999".len());
    let pairs = [
        ("/v1/depots/", "WEST", "NONE", ""),
        ("/v1/vehicles/", "W", "Z", ""),
        ("/v1/vehicles/", "W", "Z", "/forecast"),
        ("/v1/vehicles/", "W", "Z", "/duty-days"),
        ("/v1/vehicles/", "W", "Z", "/off-road"),
        ("/v1/odometer-readings?unit=", "W", "Z", ""),
        ("/v1/duty-logs?unit=", "W", "Z", ""),
        ("/v1/seat-logs?unit=", "W", "Z", ""),
        ("/v1/past-services?unit=", "W", "Z", ""),
        ("/v1/service-rules/", "rule-west", "rule-none", ""),
        ("/v1/technicians/", "wim", "zoe", ""),
        ("/v1/gear/", "W-1", "Z-1", ""),
        ("/v1/work-orders/", order.as_str(), "WO-99999", "/steps"),
        ("/v1/work-orders/", order.as_str(), "WO-99999", ""),
        ("/v1/day-lists/2026-03-18?depot=", "WEST", "NONE", ""),
    ];
    for (head, hidden, missing, tail) in pairs {
        let hidden_reply = north.get(&format!("{head}{hidden}{tail}")).await;
        assert!([400, 404].contains(&hidden_reply.status.as_u16()), "{head}: {}", hidden_reply.text);
        same(
            &hidden_reply,
            &format!("\"{hidden}"),
            &north.get(&format!("{head}{missing}{tail}")).await,
            &format!("\"{missing}"),
        );
        manager.get(&format!("{head}{hidden}{tail}")).await.expect(200);
    }
}

async fn posts_for_another_depots_car_are_refused_as_unknown(engine: Engine) {
    let (app, manager, north) = confined(engine).await;
    for (log, row) in [
        ("odometer-readings", json!({"at": "2026-03-18T12:00:00Z", "odometer": 41_100, "distance_unit": "mi"})),
        ("duty-logs", json!({"date": "2026-03-18", "hours": 3})),
        ("seat-logs", json!({"date": "2026-03-18", "trips": 3, "rear_trips": 1})),
        ("past-services", json!({"kind": "fan-service", "at": "2026-03-18T12:00:00Z"})),
    ] {
        let of = |unit: &str| {
            let mut row = row.clone();
            row["unit"] = json!(unit);
            row
        };
        let verdicts = post(&north, log, json!([of("W"), of("Z"), of("N")])).await;
        assert_eq!(verdicts["stored"], 1, "{log}: {verdicts}");
        let rows = verdicts["refused"].as_array().unwrap();
        assert_eq!(rows.len(), 2);
        assert_eq!((&rows[0]["field"], &rows[0]["reason"]), (&rows[1]["field"], &rows[1]["reason"]), "{log}");
    }
    app.settle().await;
    assert_eq!(item(&manager, "W").await["last_reading_at"], "2026-03-17T17:00:00Z");
}

async fn acts_on_another_depots_orders_find_nothing(engine: Engine) {
    let (_app, manager, north) = confined(engine).await;
    let hidden = the_order_of(&manager, "W").await["number"].as_str().unwrap().to_owned();
    let before = lines(&manager).await;
    let acts = [
        ("accept", json!({"by": "x"})),
        ("start", json!({"by": "x"})),
        ("complete", json!({"outcome": "partly", "by": "x"})),
        ("cancel", json!({"reason": "x"})),
        ("reopen", json!({"reason": "x"})),
        ("decline", json!({"by": "x", "reason": "x"})),
        ("hand-over", json!({"by": "x", "to": "y"})),
        ("pause", json!({"by": "x", "reason": "x"})),
        ("resume", json!({"by": "x"})),
        ("plan", json!({"on": "2026-03-19", "start": "09:00", "bay": 1})),
        ("missed", json!({"reason": "x"})),
        ("confirm-slot", json!({"by": "x"})),
        ("refuse-slot", json!({"by": "x", "reason": "x"})),
        ("expected-back", json!({"at": "2026-03-19T12:00:00Z", "reason": "x"})),
        ("steps/1", json!({"by": "x"})),
        ("overrides", json!({"item": "wait", "reason": "x"})),
    ];
    for (act, body) in acts {
        for tag in ["*", "\"77\""] {
            let send = |order: &str| {
                north.post(&format!("/v1/work-orders/{order}/{act}")).once().if_match(tag).json(&body).send()
            };
            let reply = send(&hidden).await;
            assert_eq!(reply.status.as_u16(), 404, "{act}: {}", reply.text);
            same(&reply, &hidden, &send("WO-99999").await, "WO-99999");
        }
    }
    assert_eq!(lines(&manager).await, before, "nothing was done");
}

async fn lines(client: &Client) -> usize {
    client.get("/v1/journal?limit=500").await.expect(200)["items"].as_array().unwrap().len()
}

async fn changes_of_another_depots_things_find_nothing(engine: Engine) {
    let (_app, manager, north) = confined(engine).await;
    let hidden = the_order_of(&manager, "W").await["number"].as_str().unwrap().to_owned();
    let before = lines(&manager).await;
    let cases: [(Method, &str, &str, &str, Value); 13] = [
        (Method::POST, "/v1/calendars/HERE/revoke", "2", "9", json!({})),
        (Method::POST, "/v1/release-windows/HERE/withdraw", "2", "9", json!({})),
        (Method::PATCH, "/v1/work-orders/HERE", &hidden, "WO-99999", json!({"external_ref": "J"})),
        (Method::PATCH, "/v1/vehicles/HERE", "W", "Z", json!({"model": "x"})),
        (Method::POST, "/v1/vehicles/HERE/move", "W", "Z", json!({"depot": "NORTH"})),
        (Method::POST, "/v1/vehicles/HERE/retire", "W", "Z", json!({"reason": "x"})),
        (Method::POST, "/v1/vehicles/HERE/off-road", "W", "Z", json!({"from": "2026-03-18", "reason": "x"})),
        (Method::POST, "/v1/vehicles/HERE/return-to-service", "W", "Z", json!({})),
        (Method::PATCH, "/v1/depots/HERE", "WEST", "NONE", json!({"name": "x"})),
        (Method::PATCH, "/v1/technicians/HERE", "wim", "zoe", json!({"absences": []})),
        (Method::PATCH, "/v1/gear/HERE", "W-1", "Z-1", json!({"class": "1"})),
        (Method::POST, "/v1/gear/HERE/tests", "W-1", "Z-1", json!({"on": "2026-03-18", "by": "x", "passed": true})),
        (Method::POST, "/v1/gear/HERE/issue", "W-1", "Z-1", json!({})),
    ];
    for (method, path, hidden, missing, body) in cases {
        for tag in ["*", "\"77\""] {
            let send = |name: &str| {
                north.call(method.clone(), &path.replace("HERE", name)).once().if_match(tag).json(&body).send()
            };
            let reply = send(hidden).await;
            assert!([404, 422].contains(&reply.status.as_u16()), "{method} {path} {tag}: {}", reply.text);
            same(&reply, hidden, &send(missing).await, missing);
        }
    }
    assert_eq!(lines(&manager).await, before, "nothing was done");
}

async fn another_depots_rule_is_as_if_it_were_not_there(engine: Engine) {
    let (_app, _manager, north) = confined(engine).await;
    for (tag, body) in
        [("*", json!({"lead_days": 3})), ("\"77\"", json!({"lead_days": 3})), ("*", json!({"lead_days": 900}))]
    {
        let send = |name: &str| {
            let path = format!("/v1/service-rules/{name}");
            north.patch(&path).if_match(tag).json(&body).send()
        };
        let reply = send("rule-west").await;
        same(&reply, "rule-west", &send("rule-none").await, "rule-none");
    }
}

async fn bodies_that_name_another_depots_things_find_nothing(engine: Engine) {
    let (_app, manager, north) = confined(engine).await;
    let before = lines(&manager).await;
    let bodies = [
        ("/v1/work-orders", "unit", "W", "Z", json!({"kind": "fan-service", "reason": "x"})),
        ("/v1/driver-reports", "unit", "W", "Z", json!({"symptom": "fan-noise", "told": "x", "by": "x"})),
        ("/v1/breakdowns", "unit", "W", "Z", json!({"told": "x", "by": "x"})),
        ("/v1/release-windows", "unit", "W", "Z", json!({"from": "2026-03-18"})),
        ("/v1/calendars", "depot", "WEST", "NONE", json!({"name": "x"})),
        ("/v1/parts", "depot", "WEST", "NONE", json!({"number": "G", "name": "x", "lead_days": 1})),
        ("/v1/parts/F/receipts", "depot", "WEST", "NONE", json!({"quantity": 1})),
        ("/v1/work-orders/next", "depot", "WEST", "NONE", json!({"by": "x"})),
        ("/v1/work-orders/next", "technician", "wim", "zoe", json!({})),
        ("/v1/technicians", "depot", "WEST", "NONE", json!({"code": "q"})),
        ("/v1/gear", "depot", "WEST", "NONE", json!({"id": "Q", "kind": "gloves", "class": "0", "protectors": true})),
        ("/v1/vehicles/N/move", "depot", "WEST", "NONE", json!({})),
        (
            "/v1/service-rules",
            "depot",
            "WEST",
            "NONE",
            json!({"code": "mine", "kind": "fan-service", "distance_unit": "mi", "hard": {"days": {"early": 1, "late": 2}}}),
        ),
        ("/v1/vehicles", "depot", "WEST", "NONE", json!({"unit": "Q", "in_service_on": "2026-01-01"})),
        // The check digit should be 4: the regulation's own example (49 CFR 565) with another one.
        (
            "/v1/vehicles",
            "depot",
            "WEST",
            "NONE",
            json!({"unit": "Q", "in_service_on": "2026-01-01", "vin": "1G4AH59H55G118341"}),
        ),
        (
            "/v1/odometer-readings/void",
            "unit",
            "W",
            "Z",
            json!({"at": "2026-03-17T17:00:00Z", "source": "telematics", "reason": "x"}),
        ),
        (
            "/v1/odometer-readings/ruling",
            "unit",
            "W",
            "Z",
            json!({"at": "2026-03-17T17:00:00Z", "source": "telematics", "ruling": "keep", "reason": "x"}),
        ),
        ("/v1/duty-logs/void", "unit", "W", "Z", json!({"date": "2026-03-17", "source": "dispatch", "reason": "x"})),
        ("/v1/seat-logs/void", "unit", "W", "Z", json!({"date": "2026-03-17", "source": "dispatch", "reason": "x"})),
        (
            "/v1/past-services/void",
            "unit",
            "W",
            "Z",
            json!({"kind": "fan-service", "at": "2026-02-10T17:00:00Z", "reason": "x"}),
        ),
    ];
    for (path, field, hidden, missing, body) in bodies {
        let send = |name: &str| {
            let mut body = body.clone();
            body[field] = json!(name);
            north.post(path).once().if_match("*").json(&body).send()
        };
        let reply = send(hidden).await;
        assert!([204, 404, 422].contains(&reply.status.as_u16()), "{path}: {}", reply.text);
        same(&reply, &format!("\"{hidden}"), &send(missing).await, &format!("\"{missing}"));
    }
    assert_eq!(lines(&manager).await, before, "nothing was done");
}

async fn a_confined_key_acts_within_its_depots_alone(engine: Engine) {
    let (_app, _manager, north) = confined(engine).await;
    // What reaches beyond its depots it may not do.
    let depot = json!({"code": "NEW", "name": "x", "zone": "UTC", "bays": 1, "distance_unit": "mi"});
    north.send("/v1/depots", depot).await.problem(403);
    let rule = json!({"code": "all", "kind": "cooling-check", "distance_unit": "mi", "hard": {"days": {"early": 1, "late": 2}}});
    north.send("/v1/service-rules", rule).await.problem(403);
    north.patch("/v1/service-rules/fan-service").if_match("*").json(&json!({"lead_days": 3})).send().await.problem(403);
    let procedure = north.get("/v1/procedures/fan-service").await.expect(200)["procedure"].clone();
    north.send("/v1/procedures", procedure).await.problem(403);
    // And in its own it may.
    north.patch("/v1/service-rules/rule-north").if_match("*").json(&json!({"lead_days": 3})).send().await.expect(200);
    let taken = north.send("/v1/work-orders/next", json!({"by": "x"})).await.expect(200);
    assert_eq!(taken["unit"], "N");
    assert_eq!(north.send("/v1/work-orders/next", json!({"by": "x"})).await.status.as_u16(), 204);
}

async fn a_move_takes_the_car_out_of_a_confined_keys_sight(engine: Engine) {
    let (app, manager, north) = confined(engine).await;
    let order = the_order_of(&manager, "N").await["number"].as_str().unwrap().to_owned();
    let body = json!({"depot": "WEST"});
    manager.post("/v1/vehicles/N/move").once().if_match("*").json(&body).send().await.expect(200);
    north.get("/v1/vehicles/N").await.problem(404);
    north.get(&format!("/v1/work-orders/{order}")).await.problem(404);
    app.settle().await;
    assert_eq!(north.get("/v1/upcoming").await.expect(200)["items"], json!([]));
    let west = app.client(&[Scope::Read], &["WEST"]).await;
    assert_eq!(west.get("/v1/upcoming").await.expect(200)["items"].as_array().unwrap().len(), 2);
}

async fn the_list_forgets_a_car_that_moved_at_once(engine: Engine) {
    let (_app, manager, north) = confined(engine).await;
    let body = json!({"depot": "WEST"});
    manager.post("/v1/vehicles/N/move").once().if_match("*").json(&body).send().await.expect(200);
    // Before its forecast is made anew.
    assert_eq!(north.get("/v1/upcoming").await.expect(200)["items"], json!([]));
}

async fn a_revoked_or_ended_key_is_no_key(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    let revoked = app.named_client("leaked", &Scope::ALL, &[]).await;
    revoked.get("/v1/depots").await.expect(200);
    let elsewhere = app.again().await;
    elsewhere.client_with(revoked.key()).get("/v1/depots").await.expect(200);
    manager.post("/v1/keys/leaked/revoke").once().send().await.expect(200);
    manager.post("/v1/keys/leaked/revoke").once().send().await.problem(409);
    revoked.get("/v1/depots").await.problem(401);
    // Another process remembers it for two seconds.
    app.pass(TimeDelta::seconds(2));
    elsewhere.client_with(revoked.key()).get("/v1/depots").await.problem(401);
    let ends = app.app.now() + TimeDelta::hours(1);
    let key = app.app.new_key("for an hour", &[Scope::Read], &[], Some(ends)).await.unwrap();
    let visitor = app.client_with(&key);
    visitor.get("/v1/depots").await.expect(200);
    app.pass(TimeDelta::hours(1) - TimeDelta::microseconds(1));
    visitor.get("/v1/depots").await.expect(200);
    app.pass(TimeDelta::microseconds(1));
    visitor.get("/v1/depots").await.problem(401);
    assert!(app.app.new_key("leaked", &[Scope::Read], &[], None).await.is_err(), "a name is used once");
    let nowhere = ["NOWHERE".to_owned()];
    assert!(app.app.new_key("lost", &[Scope::Read], &nowhere, None).await.is_err());
    assert!(!app.app.store.keys(0, None, 500).await.unwrap().iter().any(|key| key.name == "lost"));
}

async fn a_key_is_stored_only_as_a_hash(engine: Engine) {
    let (app, _manager) = TestApp::new(engine).await;
    let key = app.app.new_key("shop", &[Scope::Read], &[], None).await.unwrap();
    assert!(key.starts_with("vm_") && key.len() >= 40, "{}", key.len());
    assert_ne!(key, app.app.new_key("shop 2", &[Scope::Read], &[], None).await.unwrap());
    let stored = format!("{:?}", app.app.store.keys(0, None, 500).await.unwrap());
    assert!(!stored.contains(&key[3..]));
}

async fn every_act_stands_in_the_journal_with_its_actor(engine: Engine) {
    let (app, _manager) = TestApp::new(engine).await;
    let boss = app.named_client("boss", &Scope::ALL, &[]).await;
    two_depots(&boss).await;
    car(&boss, "7", "NORTH").await;
    boss.patch("/v1/depots/NORTH").if_match("*").json(&json!({"bays": 3})).send().await.expect(200);
    boss.patch("/v1/vehicles/7").if_match("*").json(&json!({"model": "Wagon"})).send().await.expect(200);
    boss.patch("/v1/service-rules/fan-service").if_match("*").json(&json!({"lead_days": 7})).send().await.expect(200);
    let rule = json!({"code": "west", "kind": "fan-service", "depot": "WEST", "distance_unit": "mi", "hard": {"days": {"early": 1, "late": 2}}});
    boss.send("/v1/service-rules", rule).await.expect(201);
    post(&boss, "odometer-readings", month_of_readings("7", 26_000.0, 150.0)).await;
    serviced(&boss, "7", "2025-02-01T12:00:00Z", 20.0).await;
    let void = json!({"unit": "7", "at": "2026-03-17T17:00:00Z", "source": "telematics", "reason": "typo"});
    boss.send("/v1/odometer-readings/void", void.clone()).await.expect(200);
    let mut ruling = void;
    ruling["ruling"] = json!("keep");
    boss.send("/v1/odometer-readings/ruling", ruling).await.expect(200);
    app.settle().await;
    let order = the_order_of(&boss, "7").await["number"].as_str().unwrap().to_owned();
    boss.patch(&format!("/v1/work-orders/{order}"))
        .if_match("*")
        .json(&json!({"external_ref": "J"}))
        .send()
        .await
        .expect(200);
    boss.act(&order, "accept", json!({"by": "R. Osei"})).await.expect(200);
    boss.act(&order, "start", json!({})).await.expect(200);
    boss.act(&order, "complete", json!({"outcome": "partly", "by": "R. Osei"})).await.expect(200);
    boss.act(&order, "reopen", json!({"reason": "x"})).await.expect(200);
    boss.act(&order, "cancel", json!({"reason": "x"})).await.expect(200);
    boss.send("/v1/work-orders", json!({"unit": "7", "kind": "cooling-check", "reason": "x"})).await.expect(201);
    boss.send("/v1/vehicles/7/off-road", json!({"from": "2026-03-18", "reason": "x"})).await.expect(201);
    boss.send("/v1/vehicles/7/return-to-service", json!({})).await.expect(200);
    boss.post("/v1/vehicles/7/move").once().if_match("*").json(&json!({"depot": "WEST"})).send().await.expect(200);
    boss.post("/v1/vehicles/7/retire").once().if_match("*").json(&json!({"reason": "sold"})).send().await.expect(200);
    let page = boss.get("/v1/journal?limit=500").await.expect(200);
    let lines = page["items"].as_array().unwrap();
    let by = |actor: &str| -> Vec<&str> {
        lines.iter().filter(|line| line["actor"] == actor).map(|line| line["action"].as_str().unwrap()).collect()
    };
    let expected = [
        "depot add",
        "depot add",
        "vehicle add",
        "depot change",
        "vehicle change",
        "service-rule change",
        "service-rule add",
        "row void",
        "reading ruling",
        "work-order refer",
        "work-order accept",
        "work-order start",
        "work-order complete",
        "work-order reopen",
        "work-order cancel",
        "work-order raise",
        "vehicle off-road",
        "vehicle return-to-service",
        "vehicle move",
        "vehicle retire",
        "work-order cancel",
    ];
    assert_eq!(by("boss"), expected);
    assert_eq!(by("loop"), ["work-order raise"]);
    assert_eq!(by("command line"), ["key new", "key new"]);
    let bays = lines.iter().find(|line| line["action"] == "depot change").unwrap();
    assert_eq!((&bays["before"]["bays"], &bays["after"]["bays"]), (&json!(2), &json!(3)));
    let done = lines.iter().find(|line| line["action"] == "work-order complete").unwrap();
    assert_eq!(
        (&done["subject"], &done["after"]["status"]),
        (&json!(format!("work-order {order}")), &json!("completed"))
    );
}

async fn the_journal_is_a_chain_of_hashes(engine: Engine) {
    use sha2::{Digest, Sha256};
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    manager.patch("/v1/depots/NORTH").if_match("*").json(&json!({"bays": 3})).send().await.expect(200);
    let lines = app.app.store.journal_lines(0, None, 100).await.unwrap();
    assert_eq!(lines.len(), 5);
    let mut previous = String::new();
    for line in lines {
        let mut digest = Sha256::new();
        digest.update(&previous);
        digest.update(line.at.timestamp_micros().to_string());
        for field in [
            &line.actor,
            &line.action,
            &line.subject,
            &line.before.unwrap_or_default(),
            &line.after.unwrap_or_default(),
            &line.depot_id.map(|id| id.to_string()).unwrap_or_default(),
        ] {
            digest.update("\u{1f}");
            digest.update(field);
        }
        previous = hex::encode(digest.finalize());
        assert_eq!(line.hash, previous, "line {}", line.id);
    }
}

async fn a_query_that_nobody_knows_is_refused_by_name(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    for (method, path, scope) in guarded() {
        if method == Method::GET
            && scope == Scope::Read
            && ![
                "/v1/depots/7",
                "/v1/vehicles/7",
                "/v1/work-orders/7",
                "/v1/service-rules/7",
                "/v1/vehicles/7/off-road",
            ]
            .contains(&path.as_str())
        {
            let problem = manager.get(&format!("{path}?unit=7&colour=red")).await;
            assert!([400, 404].contains(&problem.status.as_u16()), "{path}: {}", problem.text);
        }
    }
    assert_eq!(fault(&manager.get("/v1/vehicles?colour=red").await.problem(400)), "colour");
}

crate::on_both!(
    only_the_open_routes_answer_without_a_key,
    a_wrong_credential_is_no_key,
    each_route_needs_its_scope_and_no_other,
    a_key_is_refused_before_the_request_is_read,
    every_refusal_is_a_problem_document,
    a_nul_in_a_name_is_a_name_that_is_not_there,
    lists_of_a_confined_key_hold_only_its_depots,
    pages_of_a_confined_key_leak_nothing,
    what_another_depot_has_is_as_if_it_were_not_there,
    posts_for_another_depots_car_are_refused_as_unknown,
    acts_on_another_depots_orders_find_nothing,
    changes_of_another_depots_things_find_nothing,
    another_depots_rule_is_as_if_it_were_not_there,
    bodies_that_name_another_depots_things_find_nothing,
    a_confined_key_acts_within_its_depots_alone,
    a_move_takes_the_car_out_of_a_confined_keys_sight,
    the_list_forgets_a_car_that_moved_at_once,
    a_revoked_or_ended_key_is_no_key,
    a_key_is_stored_only_as_a_hash,
    every_act_stands_in_the_journal_with_its_actor,
    the_journal_is_a_chain_of_hashes,
    a_query_that_nobody_knows_is_refused_by_name,
);
