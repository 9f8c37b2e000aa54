//! The register: depots, vehicles, unit numbers, moves, service rules.

use chrono::TimeDelta;
use serde_json::{Value, json};

use crate::common::{
    Client, Engine, TestApp, car, dates, duty, fault, forecast, instant, item, month_of_readings, ordinary_car, post,
    refused, seats, serviced, two_depots, weekday,
};

async fn vienna(client: &Client) {
    let depot = json!({"code": "EAST", "name": "East", "zone": "Europe/Vienna", "bays": 1, "distance_unit": "km"});
    client.send("/v1/depots", depot).await.expect(201);
}

async fn a_depot_is_added_read_listed_and_changed(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    let depot = json!({
        "code": "VB", "name": "Veldane Bay", "zone": "America/New_York", "bays": 3, "distance_unit": "mi",
        "opening_hours": {"mon": {"opens": "07:00", "closes": "18:30"}, "sat": {"opens": "08:00", "closes": "12:00"}},
    });
    let added = manager.send("/v1/depots", depot.clone()).await;
    assert_eq!((added.etag(), &added.expect(201)["code"]), ("\"1\"".to_owned(), &json!("VB")));
    let read = manager.get("/v1/depots/VB").await;
    let body = read.expect(200);
    assert_eq!(body["opening_hours"]["mon"], json!({"opens": "07:00", "closes": "18:30"}));
    assert_eq!((&body["opening_hours"]["sun"], &body["bays"]), (&Value::Null, &json!(3)));
    let change = json!({"name": "Bay", "bays": 4});
    let changed = manager.patch("/v1/depots/VB").if_match(&read.etag()).json(&change).send().await;
    assert_eq!(changed.etag(), "\"2\"");
    let body = changed.expect(200);
    assert_eq!((&body["name"], &body["bays"], &body["zone"]), (&json!("Bay"), &json!(4), &json!("America/New_York")));
    let stale = manager.patch("/v1/depots/VB").if_match("\"1\"").json(&change).send().await;
    stale.problem(412);
    manager.patch("/v1/depots/VB").json(&change).send().await.problem(428);
    let list = manager.get("/v1/depots").await.expect(200);
    assert_eq!((list["items"].as_array().unwrap().len(), &list["next"]), (1, &Value::Null));
    manager.send("/v1/depots", depot).await.problem(409);
    manager.get("/v1/depots/NOWHERE").await.problem(404);
}

async fn a_wrong_depot_names_the_field(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    let good = json!({"code": "A", "name": "A", "zone": "UTC", "bays": 1, "distance_unit": "mi"});
    for (field, value, pointer) in [
        ("zone", json!("Mars/Olympus"), "/zone"),
        ("bays", json!(10_001), "/bays"),
        ("bays", json!(-1), "/bays"),
        ("distance_unit", json!("miles"), "/distance_unit"),
        ("name", json!(""), "/name"),
        ("code", json!("x\u{1}"), "/code"),
        ("colour", json!("red"), "/colour"),
        ("opening_hours", json!({"tue": {"opens": "18:00", "closes": "07:00"}}), "/opening_hours/tue/closes"),
        ("opening_hours", json!({"tue": {"opens": "7 am", "closes": "18:00"}}), "/opening_hours/tue/opens"),
    ] {
        let mut depot = good.clone();
        depot[field] = value;
        let problem = manager.send("/v1/depots", depot).await.problem(422);
        assert_eq!(fault(&problem), pointer);
    }
    let mut depot = good.clone();
    depot.as_object_mut().unwrap().remove("zone");
    assert_eq!(fault(&manager.send("/v1/depots", depot).await.problem(422)), "/zone");
    assert_eq!(manager.get("/v1/depots").await.expect(200)["items"], json!([]));
}

async fn depots_come_in_pages(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    for code in ["D1", "D2", "D3", "D4", "D5"] {
        let depot = json!({"code": code, "name": code, "zone": "UTC", "bays": 1, "distance_unit": "km"});
        manager.send("/v1/depots", depot).await.expect(201);
    }
    assert_eq!(walk(&manager, "/v1/depots?limit=2", "code").await, ["D1", "D2", "D3", "D4", "D5"]);
    assert_eq!(fault(&manager.get("/v1/depots?limit=0").await.problem(400)), "limit");
    assert_eq!(fault(&manager.get("/v1/depots?limit=501").await.problem(400)), "limit");
    assert_eq!(fault(&manager.get("/v1/depots?cursor=zz").await.problem(400)), "cursor");
    assert_eq!(fault(&manager.get("/v1/depots?page=2").await.problem(400)), "page");
}

/// Follows `next` to the end; each page's Link header says the same.
async fn walk(client: &Client, first: &str, field: &str) -> Vec<String> {
    let (mut path, mut found) = (first.to_owned(), Vec::new());
    loop {
        let reply = client.get(&path).await;
        let page = reply.expect(200);
        found.extend(page["items"].as_array().unwrap().iter().map(|item| item[field].as_str().unwrap().to_owned()));
        let link = reply.headers.get("link").map(|link| link.to_str().unwrap().to_owned());
        let Some(next) = page["next"].as_str() else {
            assert_eq!(link, None);
            return found;
        };
        assert_eq!(link.unwrap(), format!("<{next}>; rel=\"next\""));
        path = next.to_owned();
    }
}

/// VINs of 49 CFR 565 and widely quoted ones (FACTS.md, 5): the check digits are 4, X and 1.
const RIGHT_VINS: [&str; 3] = ["1G4AH59H45G118341", "1M8GDM9AXKP042788", "11111111111111111"];

/// The regulation's own example with the check digit 5 in place of 4.
const WRONG_VIN: &str = "1G4AH59H55G118341";

async fn a_vin_binds_in_north_america_and_warns_elsewhere(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    vienna(&manager).await;
    let vehicle = |unit: &str, depot: &str, vin: &str| json!({"unit": unit, "depot": depot, "vin": vin, "in_service_on": "2026-01-01"});
    for (place, vin) in RIGHT_VINS.into_iter().enumerate() {
        let added = manager.send("/v1/vehicles", vehicle(&format!("R{place}"), "NORTH", vin)).await.expect(201);
        assert_eq!((&added["vin"], &added["vin_warning"]), (&json!(vin), &Value::Null));
    }
    for depot in ["NORTH", "WEST"] {
        let problem = manager.send("/v1/vehicles", vehicle("W", depot, WRONG_VIN)).await.problem(422);
        assert_eq!((fault(&problem), &problem["errors"][0]["value"]), ("/vin", &json!(WRONG_VIN)));
        assert!(problem["detail"].as_str().unwrap().contains("should be 4"), "{problem}");
    }
    let added = manager.send("/v1/vehicles", vehicle("W", "EAST", WRONG_VIN)).await.expect(201);
    assert!(added["vin_warning"].as_str().unwrap().contains("should be 4"), "{added}");
    for (unit, vin) in [("L", "1G4AH59H45G11834"), ("I", "IG4AH59H45G118341")] {
        let problem = manager.send("/v1/vehicles", vehicle(unit, "EAST", vin)).await.problem(422);
        assert_eq!(fault(&problem), "/vin");
    }
    // The same holds when it is changed, and small letters are raised.
    let tag = manager.get("/v1/vehicles/R0").await.etag();
    let change = |vin: &str| manager.patch("/v1/vehicles/R0").if_match(&tag).json(&json!({"vin": vin}));
    assert_eq!(fault(&change(WRONG_VIN).send().await.problem(422)), "/vin");
    assert_eq!(change("1m8gdm9axkp042788").send().await.expect(200)["vin"], "1M8GDM9AXKP042788");
}

async fn many_vehicles_get_a_verdict_each(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    let first = json!({"unit": "1", "depot": "NORTH", "in_service_on": "2025-01-01", "model": "Wagon"});
    let rows = json!([
        first,
        {"unit": "2", "depot": "NOWHERE", "in_service_on": "2025-01-01"},
        {"unit": "3", "depot": "NORTH", "in_service_on": "2025-01-01", "vin": WRONG_VIN},
        {"depot": "NORTH", "in_service_on": "2025-01-01"},
        {"unit": "5", "depot": "NORTH", "in_service_on": "soon"},
        {"unit": "6", "depot": "NORTH", "in_service_on": "2025-01-01", "odometer_in_service": 5},
        {"unit": "7", "depot": "NORTH", "in_service_on": "2025-01-01", "wheels": 4},
        first,
        {"unit": "1", "depot": "NORTH", "in_service_on": "2025-01-01", "model": "Saloon"},
        {"unit": "10", "depot": "WEST", "in_service_on": "2025-01-01"},
    ]);
    let verdicts = manager.send("/v1/vehicles", rows).await.expect(200);
    assert_eq!((&verdicts["stored"], &verdicts["repeated"]), (&json!(2), &json!(1)), "{verdicts}");
    let found: Vec<_> = (0..7).map(|place| refused(&verdicts, place)).collect();
    let names: Vec<_> = found.iter().map(|(row, field, _)| (*row, *field)).collect();
    assert_eq!(
        names,
        [(2, "depot"), (3, "vin"), (4, "unit"), (5, "in_service_on"), (6, "distance_unit"), (7, "wheels"), (9, "unit")]
    );
    assert_eq!((found[1].2, found[3].2), (&json!(WRONG_VIN), &json!("soon")));
    assert_eq!(verdicts["refused"].as_array().unwrap().len(), 7);
    let list = walk(&manager, "/v1/vehicles?limit=1", "unit").await;
    assert_eq!(list, ["1", "10"]);
}

async fn a_refused_row_shows_the_value_of_its_field(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    let rows = json!([{"unit": "2", "depot": "NOWHERE", "in_service_on": "2025-01-01"}]);
    let verdicts = manager.send("/v1/vehicles", rows).await.expect(200);
    assert_eq!(refused(&verdicts, 0), (1, "depot", &json!("NOWHERE")));
}

async fn vehicles_come_as_csv_too(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    let table = "unit,depot,vin,in_service_on,odometer_in_service,distance_unit,came_in_used\r\n\
                 1,NORTH,,2025-01-01,12.5,mi,false\r\n2,WEST,1M8GDM9AXKP042788,2025-01-01,,,true\r\n";
    let verdicts = manager.post("/v1/vehicles").body("text/csv", table).send().await.expect(200);
    assert_eq!(verdicts, json!({"stored": 2, "repeated": 0, "replaced": 0, "refused": []}));
    let first = manager.get("/v1/vehicles/1").await.expect(200);
    assert_eq!((&first["odometer_in_service"], &first["came_in_used"]), (&json!(12.5), &json!(false)));
    let second = manager.get("/v1/vehicles/2").await.expect(200);
    assert_eq!((&second["vin"], &second["came_in_used"]), (&json!("1M8GDM9AXKP042788"), &json!(true)));
}

async fn a_vehicle_is_changed_field_by_field(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    let tag = manager.get("/v1/vehicles/7").await.etag();
    let change = json!({"model": "Wagon", "odometer_in_service": 20, "distance_unit": "mi", "came_in_used": true});
    let changed = manager.patch("/v1/vehicles/7").if_match(&tag).json(&change).send().await;
    let tag = changed.etag();
    let body = changed.expect(200);
    assert_eq!((&body["model"], &body["odometer_in_service"]), (&json!("Wagon"), &json!(20.0)));
    // What is left out stays; null empties.
    let change = json!({"model": null});
    let body = manager.patch("/v1/vehicles/7").if_match(&tag).json(&change).send().await.expect(200);
    assert_eq!((&body["model"], &body["came_in_used"]), (&Value::Null, &json!(true)));
    let wrong = json!({"odometer_in_service": 20});
    let problem = manager.patch("/v1/vehicles/7").if_match("*").json(&wrong).send().await.problem(422);
    assert_eq!(fault(&problem), "/distance_unit");
    manager.patch("/v1/vehicles/7").if_match("\"1\"").json(&change).send().await.problem(412);
    manager.patch("/v1/vehicles/8").if_match("*").json(&change).send().await.problem(404);
}

async fn retire(client: &Client, unit: &str, on: &str) -> Value {
    let path = format!("/v1/vehicles/{unit}/retire");
    client.post(&path).once().if_match("*").json(&json!({"on": on, "reason": "sold"})).send().await.expect(200)
}

async fn a_unit_number_is_free_only_after_its_car_is_retired(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    let next = |on: &str| json!({"unit": "7", "depot": "NORTH", "in_service_on": on, "model": "next"});
    manager.send("/v1/vehicles", next("2026-03-11")).await.problem(409);
    retire(&manager, "7", "2026-03-10").await;
    let problem = manager.send("/v1/vehicles", next("2026-03-10")).await.problem(422);
    assert_eq!(fault(&problem), "/in_service_on");
    assert!(problem["detail"].as_str().unwrap().contains("2026-03-10"), "{problem}");
    manager.send("/v1/vehicles", next("2026-03-11")).await.expect(201);
    assert_eq!(manager.get("/v1/vehicles/7").await.expect(200)["model"], "next");
    let both = manager.get("/v1/vehicles?retired=true").await.expect(200);
    assert_eq!(both["items"].as_array().unwrap().len(), 2);
    assert_eq!(walk(&manager, "/v1/vehicles?limit=1", "unit").await, ["7"]);
    assert_eq!(walk(&manager, "/v1/vehicles?retired=true&limit=1", "unit").await, ["7", "7"]);
}

async fn rows_belong_to_who_held_the_number_on_their_local_day(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    retire(&manager, "7", "2026-03-10").await;
    car_on(&manager, "7", "2026-03-12").await;
    let reading = |at: &str, odometer: f64| json!({"unit": "7", "at": at, "odometer": odometer, "distance_unit": "mi"});
    // New York is at UTC-4 from 2026-03-08 on (IANA): the 11th, when nobody holds the number, begins at 04:00 UTC.
    let rows = json!([
        reading("2026-03-11T03:59:59Z", 90_000.0),
        reading("2026-03-11T04:00:00Z", 90_001.0),
        reading("2026-03-12T03:59:59Z", 90_002.0),
        reading("2026-03-12T04:00:00Z", 11.0),
    ]);
    let verdicts = post(&manager, "odometer-readings", rows).await;
    assert_eq!(verdicts["stored"], 2, "{verdicts}");
    assert_eq!(refused(&verdicts, 0), (2, "unit", &json!("7")));
    assert_eq!(refused(&verdicts, 1), (3, "unit", &json!("7")));
    let reason = verdicts["refused"][0]["reason"].as_str().unwrap();
    assert!(reason.contains("2026-03-11") && reason.contains("2025-01-01 to 2026-03-10, 2026-03-12 on"), "{reason}");
    let list = manager.get("/v1/odometer-readings?unit=7").await.expect(200);
    let odometers: Vec<_> = list["items"].as_array().unwrap().iter().map(|row| &row["odometer"]).collect();
    assert_eq!(odometers, [&json!(11.0)]);
    // Dated rows by their date.
    let days = json!([
        {"unit": "7", "date": "2026-03-10", "hours": 3}, {"unit": "7", "date": "2026-03-11", "hours": 4},
        {"unit": "7", "date": "2026-03-12", "hours": 5},
    ]);
    let verdicts = post(&manager, "duty-logs", days).await;
    assert_eq!((&verdicts["stored"], refused(&verdicts, 0).0), (&json!(2), 2));
    app.settle().await;
    assert_eq!(forecast(&manager, "7").await["track"]["last"]["odometer"], 11.0);
}

async fn car_on(client: &Client, unit: &str, on: &str) {
    let car =
        json!({"unit": unit, "depot": "NORTH", "in_service_on": on, "odometer_in_service": 10, "distance_unit": "mi"});
    client.send("/v1/vehicles", car).await.expect(201);
}

async fn a_service_before_the_cars_time_here_is_its_own(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    serviced(&manager, "7", "2024-06-01T12:00:00Z", 5.0).await;
    assert_eq!(forecast(&manager, "7").await["counts_from"]["on"], "2024-06-01");
}

async fn retiring_cancels_open_orders_with_the_reason(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    let raised = json!({"unit": "7", "kind": "fan-service", "reason": "fan noise"});
    let fan = manager.send("/v1/work-orders", raised).await.expect(201);
    let raised = json!({"unit": "7", "kind": "cooling-check", "reason": "warm pack"});
    let check = manager.send("/v1/work-orders", raised).await.expect(201);
    let done = check["number"].as_str().unwrap();
    manager.act(done, "complete", json!({"outcome": "partly", "by": "R. Osei"})).await.expect(200);
    app.settle().await;
    assert_eq!(item(&manager, "7").await["work_order"], fan["number"]);
    let car = retire(&manager, "7", "2026-03-18").await;
    assert_eq!((&car["retired_on"], &car["retired_reason"]), (&json!("2026-03-18"), &json!("sold")));
    let order = manager.get(&format!("/v1/work-orders/{}", fan["number"].as_str().unwrap())).await.expect(200);
    assert_eq!((&order["status"], &order["closing_reason"]), (&json!("cancelled"), &json!("car retired: sold")));
    let other = manager.get(&format!("/v1/work-orders/{done}")).await.expect(200);
    assert_eq!(other["status"], "completed");
    app.settle().await;
    assert_eq!(manager.get("/v1/upcoming").await.expect(200)["items"], json!([]));
    let again = json!({"unit": "7", "kind": "fan-service", "reason": "x"});
    manager.send("/v1/work-orders", again).await.problem(409);
    let twice = manager.post("/v1/vehicles/7/retire").once().if_match("*").json(&json!({"reason": "x"})).send().await;
    twice.problem(409);
}

async fn move_to(client: &Client, unit: &str, depot: &str, on: &str) -> crate::common::Reply {
    let path = format!("/v1/vehicles/{unit}/move");
    client.post(&path).once().if_match("*").json(&json!({"depot": depot, "on": on})).send().await
}

async fn a_move_keeps_the_history_in_its_zone(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    vienna(&manager).await;
    car(&manager, "7", "NORTH").await;
    post(&manager, "odometer-readings", month_of_readings("7", 5_000.0, 100.0)).await;
    // Ten at night to six in the morning: two hours before local midnight, six after it. At UTC-5 and at UTC+1.
    let night = |start: &str, end: &str| json!({"unit": "7", "shift": "night", "start_at": start, "end_at": end});
    post(&manager, "duty-logs", night("2026-03-05T22:00:00-05:00", "2026-03-06T06:00:00-05:00")).await;
    let raised = json!({"unit": "7", "kind": "fan-service", "reason": "fan noise"});
    let order = manager.send("/v1/work-orders", raised).await.expect(201);
    let moved = move_to(&manager, "7", "EAST", "2026-03-10").await.expect(200);
    assert_eq!(moved["depot"], "EAST");
    post(&manager, "duty-logs", night("2026-03-12T22:00:00+01:00", "2026-03-13T06:00:00+01:00")).await;
    app.settle().await;
    let days = manager.get("/v1/vehicles/7/duty-days").await.expect(200);
    let hours: Vec<_> =
        days["days"].as_array().unwrap().iter().map(|day| (day["date"].as_str().unwrap(), &day["hours"])).collect();
    let (two, six) = (json!(2.0), json!(6.0));
    let expected = [("2026-03-05", &two), ("2026-03-06", &six), ("2026-03-12", &two), ("2026-03-13", &six)];
    assert_eq!(hours, expected);
    let number = order["number"].as_str().unwrap();
    assert_eq!(manager.get(&format!("/v1/work-orders/{number}")).await.expect(200)["depot"], "EAST");
    let shown = item(&manager, "7").await;
    assert_eq!((&shown["depot"], &shown["distance_unit"]), (&json!("EAST"), &json!("km")));
    let problem = move_to(&manager, "7", "NORTH", "2026-03-09").await.problem(422);
    assert_eq!(fault(&problem), "/on");
    assert_eq!(fault(&move_to(&manager, "7", "NOWHERE", "2026-03-12").await.problem(422)), "/depot");
}

async fn a_move_does_not_move_the_day_of_the_last_service(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    vienna(&manager).await;
    car(&manager, "7", "NORTH").await;
    // 23:30 in New York on the last of August; in Vienna it is September.
    serviced(&manager, "7", "2025-08-31T23:30:00-04:00", 20_000.0).await;
    post(&manager, "odometer-readings", month_of_readings("7", 41_000.0, 150.0)).await;
    app.settle().await;
    assert_eq!(item(&manager, "7").await["counts_since"], "2025-08-31");
    move_to(&manager, "7", "EAST", "2026-03-10").await.expect(200);
    app.settle().await;
    assert_eq!(item(&manager, "7").await["counts_since"], "2025-08-31");
}

async fn rows_after_a_move_are_read_in_the_new_zone(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    vienna(&manager).await;
    car(&manager, "7", "NORTH").await;
    move_to(&manager, "7", "EAST", "2026-03-10").await.expect(200);
    // A shift without a date falls on the local day of its start: 01:00 in Vienna is still yesterday in New York.
    let row = |at: &str, end: &str| json!({"unit": "7", "shift": "s", "start_at": at, "end_at": end});
    post(&manager, "duty-logs", row("2026-03-15T00:30:00Z", "2026-03-15T02:30:00Z")).await;
    post(&manager, "duty-logs", row("2026-03-05T00:30:00Z", "2026-03-05T02:30:00Z")).await;
    let list = manager.get("/v1/duty-logs?unit=7").await.expect(200);
    let found: Vec<_> = list["items"].as_array().unwrap().iter().map(|row| row["date"].as_str().unwrap()).collect();
    assert_eq!(found, ["2026-03-04", "2026-03-15"]);
}

fn hard_rule(code: &str, late: f64) -> Value {
    json!({
        "code": code, "kind": "fan-service", "distance_unit": "mi",
        "hard": {"distance": {"early": late - 5_000.0, "late": late}},
    })
}

async fn the_more_specific_rule_wins(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    for (unit, depot, model) in
        [("A", "NORTH", "Wagon"), ("B", "NORTH", "Saloon"), ("C", "WEST", "Wagon"), ("D", "WEST", "Saloon")]
    {
        let car = json!({
            "unit": unit, "depot": depot, "model": model, "in_service_on": "2025-01-01", "odometer_in_service": 10,
            "distance_unit": "mi",
        });
        manager.send("/v1/vehicles", car).await.expect(201);
    }
    let rules = [
        ("by-model", None, Some("Wagon"), 31_000.0),
        ("by-depot", Some("NORTH"), None, 32_000.0),
        ("by-both", Some("NORTH"), Some("Wagon"), 33_000.0),
    ];
    for (code, depot, model, late) in rules {
        let mut rule = hard_rule(code, late);
        rule["depot"] = json!(depot);
        rule["model"] = json!(model);
        manager.send("/v1/service-rules", rule).await.expect(201);
    }
    app.settle().await;
    for (unit, code, late) in [
        ("A", "by-both", 33_000.0),
        ("B", "by-depot", 32_000.0),
        ("C", "by-model", 31_000.0),
        ("D", "fan-service", 25_000.0),
    ] {
        let found = manager.get(&format!("/v1/vehicles/{unit}/forecast?distance_unit=mi")).await.expect(200);
        assert_eq!(
            (&found["rule"]["code"], &found["rule"]["window"]["distance"]["late"]),
            (&json!(code), &json!(late))
        );
        let listed = manager.get(&format!("/v1/upcoming?unit={unit}&distance_unit=mi")).await.expect(200);
        assert_eq!(listed["items"][0]["window"]["distance"]["late"], late);
    }
    // One rule for one reach, one for each code.
    manager.send("/v1/service-rules", hard_rule("another", 9_000.0)).await.problem(409);
    let mut twice = hard_rule("by-both", 9_000.0);
    twice["model"] = json!("Other");
    manager.send("/v1/service-rules", twice).await.problem(409);
}

async fn a_window_may_be_in_distance_hours_or_days(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    ordinary_car(&manager, "7", "NORTH").await;
    let patch = |body: Value| manager.patch("/v1/service-rules/fan-service").if_match("*").json(&body);
    // 36 days since the service, 25 duty days of 8 h, 5,250 mi: each meter decides where its late edge is nearest.
    let distance = json!({"early": 20_000, "late": 25_000});
    for (hard, meter, band) in [
        (json!({"distance": distance}), "distance", "before"),
        (json!({"distance": distance, "hours": {"early": 150, "late": 300}}), "hours", "inside"),
        (json!({"distance": distance, "days": {"early": 30, "late": 36}}), "days", "past"),
        (json!({"days": {"early": 30, "late": 37}}), "days", "inside"),
        (json!({"distance": {"early": 4_000, "late": 5_000}, "days": {"early": 300, "late": 400}}), "distance", "past"),
    ] {
        patch(json!({"hard": hard})).send().await.expect(200);
        app.settle().await;
        let found = item(&manager, "7").await;
        assert_eq!((&found["deciding_meter"], &found["band"]), (&json!(meter), &json!(band)), "{hard}: {found}");
        assert_eq!((&found["since_service"]["days"], &found["since_service"]["hours"]), (&json!(36), &json!(200.0)));
        let by_meter = forecast(&manager, "7").await;
        assert_eq!(by_meter["by_meter"].as_array().unwrap().len(), hard.as_object().unwrap().len());
    }
    // 2026-02-10 and 37 days.
    patch(json!({"hard": {"days": {"early": 30, "late": 37}}})).send().await.expect(200);
    app.settle().await;
    let due = &item(&manager, "7").await["due"];
    assert_eq!((&due["early"]["p50"], &due["late"]["p90"]), (&json!("2026-03-12"), &json!("2026-03-19")));
}

async fn without_an_ordinary_window_the_hard_one_applies_and_is_said(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    ordinary_car(&manager, "7", "NORTH").await;
    app.settle().await;
    let found = forecast(&manager, "7").await;
    assert_eq!(found["grade"], "ordinary", "{}", found["duty"]);
    assert_eq!(found["rule"]["window"]["distance"], json!({"early": 20_000.0, "late": 25_000.0}));
    assert_eq!(found["rule"]["hard_for_want_of_ordinary"], true);
    let says = |answer: &Value| {
        answer["notes"]
            .as_array()
            .unwrap()
            .iter()
            .any(|note| note.as_str().unwrap().contains("no ordinary window is set"))
    };
    assert!(says(&found) && says(&item(&manager, "7").await));
    let ordinary = json!({"ordinary": {"distance": {"early": 28_000, "late": 30_000}}});
    manager.patch("/v1/service-rules/fan-service").if_match("*").json(&ordinary).send().await.expect(200);
    app.settle().await;
    let found = forecast(&manager, "7").await;
    assert_eq!(found["rule"]["window"]["distance"], json!({"early": 28_000.0, "late": 30_000.0}));
    assert_eq!(found["rule"]["hard_for_want_of_ordinary"], false);
    assert!(!says(&found) && !says(&item(&manager, "7").await));
    // Taken away again by null.
    let none = json!({"ordinary": null});
    manager.patch("/v1/service-rules/fan-service").if_match("*").json(&none).send().await.expect(200);
    app.settle().await;
    assert_eq!(forecast(&manager, "7").await["rule"]["hard_for_want_of_ordinary"], true);
}

async fn mixed_duty_is_strict_unless_blended(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    serviced(&manager, "7", "2025-12-01T17:00:00Z", 30_000.0).await;
    let end = instant("2026-03-17T17:00:00Z");
    let readings: Value = (0..107)
        .map(|back| {
            let odometer = 41_000.0 - 100.0 * f64::from(back);
            json!({"unit": "7", "at": end - TimeDelta::days(back.into()), "odometer": odometer, "distance_unit": "mi"})
        })
        .collect();
    post(&manager, "odometer-readings", readings).await;
    // Seven days a week until the end of January, five a week since.
    let days =
        || dates("2025-12-02", "2026-03-17").filter(|day| weekday(day) || day.to_string().as_str() < "2026-02-01");
    post(&manager, "duty-logs", duty("7", days(), 8.0)).await;
    post(&manager, "seat-logs", seats("7", days(), 4)).await;
    let rule = json!({"ordinary": {"distance": {"early": 30_000, "late": 40_000}}});
    manager.patch("/v1/service-rules/fan-service").if_match("*").json(&rule).send().await.expect(200);
    app.settle().await;
    let strict = forecast(&manager, "7").await;
    assert_eq!((&strict["grade"], &strict["duty"]["current"]["grade"]), (&json!("hard"), &json!("ordinary")));
    assert_eq!(strict["duty"]["earlier"]["conditions"], json!(["days-per-week"]), "{}", strict["duty"]);
    assert_eq!(strict["rule"]["window"]["distance"], json!({"early": 20_000.0, "late": 25_000.0}));
    let rule = json!({"mixed": "blended"});
    manager.patch("/v1/service-rules/fan-service").if_match("*").json(&rule).send().await.expect(200);
    app.settle().await;
    let blended = forecast(&manager, "7").await;
    let edge = |name: &str| blended["rule"]["window"]["distance"][name].as_f64().unwrap();
    // 11,000 mi since the service, 6,100 to 10,400 of them hard (a window of four weeks looks back, and ordinary duty has
    // to last two weeks): with h hard miles
    // the early edge lies at 30,000 - h/2, the late one at 40,000 - 0.6 h, by linear accumulation.
    assert!((24_800.0..=26_950.0).contains(&edge("early")), "{}", edge("early"));
    let hard_miles = (30_000.0 - edge("early")) * 2.0;
    assert!((edge("late") - (40_000.0 - 0.6 * hard_miles)).abs() < 0.5, "{} {hard_miles}", edge("late"));
    assert_eq!(blended["rule"]["mixed"], "blended");
}

async fn a_wrong_rule_names_the_field(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    let good = hard_rule("r", 25_000.0);
    for (field, value, pointer) in [
        ("kind", json!("oil"), "/kind"),
        ("distance_unit", json!("furlong"), "/distance_unit"),
        ("hard", json!({}), "/hard"),
        ("hard", json!({"distance": {"early": 0, "late": 5}}), "/hard/distance/early"),
        ("hard", json!({"distance": {"early": 9, "late": 5}}), "/hard/distance/late"),
        ("hard", json!({"days": {"early": 1.5, "late": 5}}), "/hard/days"),
        ("ordinary", json!({"hours": {"early": -1, "late": 5}}), "/ordinary/hours/early"),
        ("lead_days", json!(367), "/lead_days"),
        ("mixed", json!("lenient"), "/mixed"),
        ("raise_chance", json!(1.1), "/raise_chance"),
        ("window", json!({}), "/window"),
    ] {
        let mut rule = good.clone();
        rule[field] = value;
        assert_eq!(fault(&manager.send("/v1/service-rules", rule).await.problem(422)), pointer);
    }
    let mut rule = good.clone();
    rule["depot"] = json!("NOWHERE");
    manager.send("/v1/service-rules", rule).await.problem(404);
    manager.patch("/v1/service-rules/fan-service").if_match("\"9\"").json(&json!({})).send().await.problem(412);
    manager.patch("/v1/service-rules/fan-service").json(&json!({})).send().await.problem(428);
    manager.get("/v1/service-rules/none").await.problem(404);
}

async fn the_first_rule_is_the_hard_duty_one(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    let rule = manager.get("/v1/service-rules/fan-service").await.expect(200);
    // FACTS.md, 1: 20,000 to 25,000 miles in hard duty (common practice, no published source), no ordinary window.
    assert_eq!(rule["hard"], json!({"distance": {"early": 20_000.0, "late": 25_000.0}, "hours": null, "days": null}));
    assert_eq!((&rule["ordinary"], &rule["mixed"], &rule["lead_days"]), (&Value::Null, &json!("strict"), &json!(14)));
    // FACTS.md, 5: 20,000 mi = 32,186.88 km and 25,000 mi = 40,233.6 km, shown to a tenth.
    let shown = json!({"distance_unit": "km"});
    let rule = manager.patch("/v1/service-rules/fan-service").if_match("*").json(&shown).send().await.expect(200);
    assert_eq!(rule["hard"]["distance"], json!({"early": 32_186.9, "late": 40_233.6}));
}

async fn a_late_log_does_not_bring_a_retired_car_back(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    retire(&manager, "7", "2026-03-18").await;
    let verdicts = post(&manager, "odometer-readings", month_of_readings("7", 26_000.0, 150.0)).await;
    assert_eq!(verdicts["stored"], 30, "its days were its own");
    app.settle().await;
    assert_eq!(manager.get("/v1/upcoming").await.expect(200)["items"], json!([]));
    assert_eq!(manager.get("/v1/work-orders").await.expect(200)["items"], json!([]));
    assert_eq!(app.app.store.count_stale().await.unwrap(), 0);
}

async fn a_request_sent_twice_adds_once(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    let depot = json!({"code": "NORTH", "name": "N", "zone": "America/New_York", "bays": 1, "distance_unit": "mi"});
    let vehicle = json!({"unit": "7", "depot": "NORTH", "in_service_on": "2026-01-01"});
    let vehicles = json!([vehicle, {"unit": "8", "depot": "NORTH", "in_service_on": "2026-01-01"}]);
    let off_road = json!({"from": "2026-03-18", "reason": "body work"});
    for (path, body, status) in [
        ("/v1/depots", depot, 201),
        ("/v1/vehicles", vehicle, 201),
        ("/v1/vehicles", vehicles, 200),
        ("/v1/service-rules", hard_rule_of_depot(), 201),
        ("/v1/vehicles/7/off-road", off_road, 201),
    ] {
        let key = format!("\"{path}-{status}\"");
        let send = |body: &Value| manager.post(path).header("idempotency-key", &key).json(body).send();
        let first = send(&body).await;
        let again = send(&body).await;
        assert_eq!(first.expect(status), again.expect(status), "{path}");
        assert_eq!(first.headers.get("etag"), again.headers.get("etag"), "{path}");
        let mut other = body.clone();
        match other.as_array_mut() {
            Some(rows) => rows.truncate(1),
            None => other["reason"] = json!("another"),
        }
        let reused = send(&other).await;
        // A field that is not known is found before the key is looked at.
        assert_eq!(reused.status.as_u16(), 422, "{path}: {}", reused.text);
    }
    let off = manager.get("/v1/vehicles/7/off-road").await.expect(200);
    assert_eq!(off["items"].as_array().unwrap().len(), 1);
}

fn hard_rule_of_depot() -> Value {
    let mut rule = hard_rule("north", 25_000.0);
    rule["depot"] = json!("NORTH");
    rule
}

async fn names_of_any_letters_travel_in_paths(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    for code in ["A/B", "Ü 7", "50%", "a?b&c=d", "…"] {
        let path: String = code.bytes().map(|byte| format!("%{byte:02X}")).collect();
        let depot = json!({"code": code, "name": code, "zone": "UTC", "bays": 1, "distance_unit": "km"});
        manager.send("/v1/depots", depot).await.expect(201);
        assert_eq!(manager.get(&format!("/v1/depots/{path}")).await.expect(200)["name"], code);
        let car = json!({"unit": code, "depot": code, "in_service_on": "2026-01-01"});
        manager.send("/v1/vehicles", car).await.expect(201);
        let row = json!({"unit": code, "at": "2026-03-17T12:00:00Z", "odometer": 9, "distance_unit": "km"});
        assert_eq!(post(&manager, "odometer-readings", row).await["stored"], 1);
        app.settle().await;
        assert_eq!(item(&manager, &path).await["unit"], code);
        let off = json!({"from": "2026-03-18", "reason": "body work"});
        manager.send(&format!("/v1/vehicles/{path}/off-road"), off).await.expect(201);
        let days = manager.get(&format!("/v1/day-lists/2026-03-18?depot={path}")).await.expect(200);
        assert_eq!(days["depot"], code);
    }
}

async fn a_tag_among_several_is_enough(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    let patch = |tags: &str| manager.patch("/v1/depots/NORTH").if_match(tags).json(&json!({"bays": 3})).send();
    patch("\"7\", \"x\"").await.problem(412);
    // Strong comparison (RFC 9110, 13.1.1): a weak tag matches nothing.
    patch("W/\"1\"").await.problem(412);
    patch("\"7\", \"1\"").await.expect(200);
    patch("*").await.expect(200);
    assert_eq!(fault(&patch("one").await.problem(400)), "If-Match");
}

async fn what_is_dated_ahead_takes_no_effect_now(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    app.settle().await;
    let retired = json!({"on": "2026-03-19", "reason": "sold"});
    let reply = manager.post("/v1/vehicles/7/retire").once().if_match("*").json(&retired).send().await;
    assert_eq!(fault(&reply.problem(422)), "/on");
    // A move on a day to come is a plan: see tests/plans.rs.
    move_to(&manager, "7", "WEST", "2026-03-19").await.expect(202);
    assert_eq!(item(&manager, "7").await["depot"], "NORTH");
    // 18 March in Winnipeg and in New York.
    move_to(&manager, "7", "WEST", "2026-03-18").await.expect(200);
    retire(&manager, "7", "2026-03-18").await;
}

crate::on_both!(
    what_is_dated_ahead_takes_no_effect_now,
    a_late_log_does_not_bring_a_retired_car_back,
    a_request_sent_twice_adds_once,
    names_of_any_letters_travel_in_paths,
    a_tag_among_several_is_enough,
    a_depot_is_added_read_listed_and_changed,
    a_wrong_depot_names_the_field,
    depots_come_in_pages,
    a_vin_binds_in_north_america_and_warns_elsewhere,
    many_vehicles_get_a_verdict_each,
    a_refused_row_shows_the_value_of_its_field,
    vehicles_come_as_csv_too,
    a_vehicle_is_changed_field_by_field,
    a_unit_number_is_free_only_after_its_car_is_retired,
    rows_belong_to_who_held_the_number_on_their_local_day,
    a_service_before_the_cars_time_here_is_its_own,
    retiring_cancels_open_orders_with_the_reason,
    a_move_keeps_the_history_in_its_zone,
    a_move_does_not_move_the_day_of_the_last_service,
    rows_after_a_move_are_read_in_the_new_zone,
    the_more_specific_rule_wins,
    a_window_may_be_in_distance_hours_or_days,
    without_an_ordinary_window_the_hard_one_applies_and_is_said,
    mixed_duty_is_strict_unless_blended,
    a_wrong_rule_names_the_field,
    the_first_rule_is_the_hard_duty_one,
);
