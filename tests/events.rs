//! The week's events: release windows, slots confirmed and refused, reports, breakdowns, cars to be stopped, calendars; and
//! the journal held against changes.

use axum::http::Method;
use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::{Connection, Executor};
use ventmile::app::keys::Scope;

use crate::common::{Client, Engine, TestApp, car, fault, item, ordinary_car, post, two_depots};

async fn order(client: &Client, unit: &str) -> String {
    let raised = json!({"unit": unit, "kind": "fan-service", "reason": "fan noise"});
    client.send("/v1/work-orders", raised).await.expect(201)["number"].as_str().unwrap().to_owned()
}

async fn plan(client: &Client, number: &str, on: &str) -> crate::common::Reply {
    client.act(number, "plan", json!({"on": on, "start": "09:00", "minutes": 120, "bay": 1})).await
}

async fn a_car_is_planned_only_when_it_can_be_spared(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    car(&boss, "7", "NORTH").await;
    let number = order(&boss, "7").await;
    plan(&boss, &number, "2026-03-19").await.expect(200);
    let days = json!({"unit": "7", "from": "2026-03-23", "to": "2026-03-24"});
    let window = boss.send("/v1/release-windows", days).await.expect(201);
    let refused = plan(&boss, &number, "2026-03-25").await.problem(409);
    assert_eq!((&refused["errors"][0]["item"], fault(&refused)), (&json!("release-window"), "/on"));
    assert!(refused["detail"].as_str().unwrap().contains("2026-03-23 to 2026-03-24"), "{refused}");
    for day in ["2026-03-23", "2026-03-24"] {
        plan(&boss, &number, day).await.expect(200);
    }
    // A car off the road can always be spared.
    boss.send("/v1/vehicles/7/off-road", json!({"from": "2026-03-25", "to": "2026-03-26", "reason": "x"}))
        .await
        .expect(201);
    plan(&boss, &number, "2026-03-26").await.expect(200);
    plan(&boss, &number, "2026-03-27").await.problem(409);
    // Taken back, or gone by, they bind nobody.
    let path = format!("/v1/release-windows/{}/withdraw", window["id"]);
    assert!(boss.send(&path, json!({})).await.expect(200)["withdrawn_at"].is_string());
    boss.send(&path, json!({})).await.problem(409);
    plan(&boss, &number, "2026-03-27").await.expect(200);
    boss.send("/v1/release-windows", json!({"unit": "7", "from": "2026-03-20"})).await.expect(201);
    plan(&boss, &number, "2026-03-27").await.problem(409);
    app.pass(TimeDelta::days(3));
    plan(&boss, &number, "2026-03-27").await.expect(200);
    let backwards = json!({"unit": "7", "from": "2026-03-20", "to": "2026-03-19"});
    assert_eq!(fault(&boss.send("/v1/release-windows", backwards).await.problem(422)), "/to");
}

async fn a_slot_is_confirmed_or_refused(engine: Engine) {
    let (_app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    car(&boss, "7", "NORTH").await;
    let number = order(&boss, "7").await;
    boss.act(&number, "confirm-slot", json!({"by": "dee"})).await.problem(409);
    plan(&boss, &number, "2026-03-19").await.expect(200);
    let confirmed = boss.act(&number, "confirm-slot", json!({"by": "dee"})).await.expect(200);
    assert_eq!(confirmed["slot_confirmed_by"], "dee");
    let again = plan(&boss, &number, "2026-03-20").await.expect(200);
    assert_eq!(again["slot_confirmed_by"], Value::Null, "another slot is another question");
    let body = json!({"by": "dee", "reason": "marathon"});
    let refused = boss.act(&number, "refuse-slot", body).await.expect(200);
    assert_eq!(refused["slots_refused"], json!([{"on": "2026-03-20", "by": "dee", "reason": "marathon"}]));
    assert_eq!((&refused["plan"], &refused["expected_back"]), (&Value::Null, &Value::Null));
    // The bay is free again.
    car(&boss, "8", "NORTH").await;
    let other = order(&boss, "8").await;
    plan(&boss, &other, "2026-03-20").await.expect(200);
    // An overrun: first the slot's end (09:00 in New York and two hours), then what is told.
    let read = boss.get(&format!("/v1/work-orders/{other}")).await.expect(200);
    assert_eq!(read["expected_back"], "2026-03-20T15:00:00Z");
    let late = json!({"at": "2026-03-20T17:30:00-04:00", "reason": "broken duct"});
    let late = boss.act(&other, "expected-back", late).await.expect(200);
    assert_eq!(
        (&late["expected_back"], &late["overrun_because"]),
        (&json!("2026-03-20T21:30:00Z"), &json!("broken duct"))
    );
    let gone = json!({"at": "2026-03-18T15:59:00Z", "reason": "x"});
    assert_eq!(fault(&boss.act(&other, "expected-back", gone).await.problem(422)), "/at");
    let list = boss.get("/v1/day-lists/2026-03-20?depot=NORTH").await.expect(200);
    assert_eq!(list["slots"].as_array().unwrap().len(), 1, "{list}");
    assert_eq!(
        (&list["slots"][0]["unit"], &list["slots"][0]["expected_back"]),
        (&json!("8"), &json!("2026-03-20T21:30:00Z"))
    );
    let csv = boss.get("/v1/day-lists/2026-03-20?depot=NORTH&format=csv").await.text;
    assert!(csv.contains(&format!("2026-03-20,slot,8,NORTH,{other},fan-service,")), "{csv}");
}

async fn reports_and_breakdowns_raise_or_join_orders(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    car(&boss, "7", "NORTH").await;
    let noise = json!({"unit": "7", "symptom": "fan-noise", "told": "it howls", "by": "driver 31"});
    let first = boss.send("/v1/driver-reports", noise.clone()).await.expect(201);
    assert_eq!(
        (&first["joined"], &first["off_road_from"], &first["advice"]),
        (&json!(false), &Value::Null, &Value::Null)
    );
    let mut again = noise.clone();
    again["told"] = json!("still howls");
    let second = boss.send("/v1/driver-reports", again).await.expect(201);
    assert_eq!((&second["joined"], &second["work_order"]), (&json!(true), &first["work_order"]));
    let number = first["work_order"].as_str().unwrap();
    let raised = boss.get(&format!("/v1/work-orders/{number}")).await.expect(200);
    assert_eq!((&raised["kind"], &raised["reason"]), (&json!("cooling-check"), &json!("fan-noise: it howls")));
    assert_eq!(raised["joined"][0]["reason"], "fan-noise: still howls");
    let other = json!({"unit": "7", "symptom": "other", "told": "smells of dog", "by": "driver 31"});
    assert_eq!(boss.send("/v1/driver-reports", other).await.expect(201)["work_order"], Value::Null);
    let heat = json!({"unit": "7", "symptom": "smell-or-heat", "told": "hot", "by": "driver 31"});
    let heat = boss.send("/v1/driver-reports", heat).await.expect(201);
    assert!(heat["advice"].as_str().unwrap().contains("do not restart"), "{heat}");
    let wrong = json!({"unit": "7", "symptom": "bad-mood", "told": "x", "by": "x"});
    assert_eq!(fault(&boss.send("/v1/driver-reports", wrong).await.problem(422)), "/symptom");

    // 02:00 UTC is the evening before in New York.
    let broke = json!({"unit": "7", "at": "2026-03-18T02:00:00Z", "told": "no power", "by": "dispatch"});
    let down = boss.send("/v1/breakdowns", broke).await.expect(201);
    assert_eq!((&down["joined"], &down["work_order"]), (&json!(true), &heat["work_order"]), "the assessment was open");
    assert_eq!(down["off_road_from"], "2026-03-17");
    let off = boss.get("/v1/vehicles/7/off-road").await.expect(200);
    assert_eq!((&off["items"][0]["reason"], &off["items"][0]["to"]), (&json!("breakdown: no power"), &Value::Null));
    // A second tow on the same day changes nothing about that.
    let again = json!({"unit": "7", "told": "towed", "by": "dispatch"});
    boss.send("/v1/breakdowns", again).await.expect(201);
    assert_eq!(boss.get("/v1/vehicles/7/off-road").await.expect(200)["items"].as_array().unwrap().len(), 1);
    let away = boss.get("/v1/day-lists/2026-03-18").await.expect(200);
    assert_eq!((&away["off_road"][0]["unit"], &away["off_road"][0]["back_on"]), (&json!("7"), &Value::Null));
    boss.send("/v1/vehicles/7/return-to-service", json!({})).await.expect(200);
    assert_eq!(boss.get("/v1/day-lists/2026-03-18").await.expect(200)["off_road"], json!([]));
    assert_eq!(boss.get("/v1/driver-reports?unit=7").await.expect(200)["items"].as_array().unwrap().len(), 4);
    assert_eq!(boss.get("/v1/breakdowns?unit=7&depot=NORTH").await.expect(200)["items"].as_array().unwrap().len(), 2);
    // A repeated request has its effect once.
    let send = || {
        boss.post("/v1/breakdowns")
            .header("idempotency-key", "\"b1\"")
            .json(&json!({"unit": "7", "told": "t", "by": "d"}))
            .send()
    };
    assert_eq!(send().await.text, send().await.text);
    assert_eq!(boss.get("/v1/breakdowns").await.expect(200)["items"].as_array().unwrap().len(), 3);
    boss.post("/v1/vehicles/7/retire").once().if_match("*").json(&json!({"reason": "sold"})).send().await.expect(200);
    app.settle().await;
    boss.send("/v1/breakdowns", json!({"unit": "7", "told": "x", "by": "x"})).await.problem(409);
}

async fn a_code_that_stops_a_car_is_shown_first_everywhere(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    ordinary_car(&boss, "7", "NORTH").await;
    let number = order(&boss, "7").await;
    let told = |code: &str, state: &str, at: &str| json!({"unit": "7", "code": code, "state": state, "at": at, "source": "scan"});
    post(&boss, "trouble-codes", told("P0AA6-00", "pending", "2026-03-17T10:00:00Z")).await;
    let list = async |client: &Client| client.get("/v1/day-lists/2026-03-18").await.expect(200)["stop_notices"].clone();
    assert_eq!(list(&boss).await, json!([]), "a pending code stops nobody");
    post(&boss, "trouble-codes", told("P0AA6-00", "confirmed", "2026-03-18T10:00:00Z")).await;
    let notices = list(&boss).await;
    assert_eq!((&notices[0]["unit"], &notices[0]["notices"][0]["code"]), (&json!("7"), &json!("P0AA6-00")));
    assert!(notices[0]["notices"][0]["does"].as_str().unwrap().contains("do not restart"), "{notices}");
    let csv = boss.get("/v1/day-lists/2026-03-18?format=csv").await.text;
    assert!(csv.lines().nth(1).unwrap().starts_with("2026-03-18,stop,7,NORTH,"), "{csv}");
    let ics = boss.get("/v1/day-lists/2026-03-18?format=ics").await.text;
    assert!(ics.contains("SUMMARY:STOP 7: P0AA6-00\r\n"), "{ics}");
    let read = boss.get(&format!("/v1/work-orders/{number}")).await.expect(200);
    assert_eq!(read["stop_notices"][0]["code"], "P0AA6-00");
    let listed = boss.get("/v1/work-orders?unit=7&kind=fan-service").await.expect(200);
    assert_eq!(listed["items"][0]["stop_notices"][0]["code"], "P0AA6-00");
    app.settle().await;
    let note = item(&boss, "7").await["notes"][0].as_str().unwrap().to_owned();
    assert!(note.starts_with("STOP: P0AA6-00"), "{note}");
    let west = app.client(&[Scope::Read], &["WEST"]).await;
    assert_eq!(list(&west).await, json!([]));
    post(&boss, "trouble-codes", told("P0AA6", "cleared", "2026-03-18T11:00:00Z")).await;
    assert_eq!(list(&boss).await, json!([]));
}

async fn a_calendar_is_read_at_its_secret_address_until_it_is_revoked(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    let nobody = app.anonymous();
    let send = || {
        boss.post("/v1/calendars")
            .header("idempotency-key", "\"c1\"")
            .json(&json!({"depot": "NORTH", "name": "Dee; phone"}))
            .send()
    };
    let made = send().await.expect(201);
    let address = made["address"].as_str().unwrap().to_owned();
    assert_eq!(address.len(), "/v1/calendars/.ics".len() + 64);
    let again = send().await.expect(201);
    assert_eq!((&again["id"], &again["address"]), (&made["id"], &Value::Null), "the secret is not kept anywhere");
    let empty = nobody.get(&address).await;
    assert_eq!(
        (empty.status.as_u16(), empty.headers["content-type"].to_str().unwrap()),
        (200, "text/calendar; charset=utf-8")
    );
    assert!(
        empty.text.contains("NAME:NORTH Dee\\; phone\r\n") && empty.text.contains("BEGIN:VFREEBUSY"),
        "{}",
        empty.text
    );
    for unit in ["7", "8"] {
        car(&boss, unit, "NORTH").await;
    }
    car(&boss, "W", "WEST").await;
    let numbers = [order(&boss, "7").await, order(&boss, "8").await];
    let hidden = order(&boss, "W").await;
    plan(&boss, &numbers[0], "2026-03-19").await.expect(200);
    let text = nobody.get(&address).await.text;
    // 09:00 in New York in summer time.
    for line in ["DTSTART:20260319T130000Z", "DTEND:20260319T150000Z", "STATUS:TENTATIVE", "STATUS:NEEDS-ACTION"] {
        assert!(text.contains(&format!("{line}\r\n")), "{line}: {text}");
    }
    assert!(text.lines().all(|line| line.len() <= 76) && !text.contains(&hidden), "{text}");
    assert_eq!(text.matches("BEGIN:VEVENT").count(), 1, "{text}");
    boss.act(&numbers[0], "confirm-slot", json!({"by": "dee"})).await.expect(200);
    assert!(nobody.get(&address).await.text.contains("STATUS:CONFIRMED\r\n"));
    let listed = boss.get("/v1/calendars").await;
    assert!(!listed.text.contains(&address[14..30]), "{}", listed.text);
    let journal = boss.get("/v1/journal?limit=500").await.text;
    assert!(journal.contains("calendar add") && !journal.contains(&address[14..30]));
    nobody.get("/v1/calendars/00.ics").await.problem(404);
    nobody.get(&address.replace(".ics", "")).await.problem(404);
    let revoke = format!("/v1/calendars/{}/revoke", made["id"]);
    assert!(boss.send(&revoke, json!({})).await.expect(200)["revoked_at"].is_string());
    nobody.get(&address).await.problem(404);
    boss.send(&revoke, json!({})).await.problem(409);
    assert_eq!(fault(&boss.send("/v1/calendars", json!({"depot": "X", "name": "x"})).await.problem(422)), "/depot");
}

/// Runs a statement on the database behind the daemon's back.
async fn behind(app: &TestApp, sql: &'static str) -> Result<(), sqlx::Error> {
    match app.database.address().strip_prefix("sqlite:") {
        Some(path) => sqlx::SqliteConnection::connect(path).await?.execute(sql).await.map(drop),
        None => sqlx::PgConnection::connect(&app.database.address()).await?.execute(sql).await.map(drop),
    }
}

async fn the_journal_cannot_be_changed_unseen(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    for unit in ["1", "2", "3", "4", "5", "6"] {
        car(&boss, unit, "NORTH").await;
    }
    let check = async |holds: Option<&str>| app.app.store.check_journal(holds).await.unwrap();
    let whole = check(None).await;
    let (last, hash) = whole.last.clone().unwrap();
    assert_eq!((whole.faults.len(), whole.holds, whole.lines), (0, true, u64::try_from(last).unwrap()));
    assert!(check(Some(&hash)).await.holds && !check(Some("00")).await.holds);
    // The database itself refuses.
    assert!(behind(&app, "UPDATE journal SET actor = 'nobody'").await.is_err());
    assert!(behind(&app, "DELETE FROM journal WHERE id = 2").await.is_err());
    let disarm: &[&str] = match engine {
        Engine::Sqlite => &["DROP TRIGGER journal_is_never_changed", "DROP TRIGGER journal_is_never_deleted"],
        Engine::Postgres => &["DROP TRIGGER journal_is_never_changed ON journal"],
    };
    for sql in disarm {
        behind(&app, sql).await.unwrap();
    }
    // And whoever gets past that is seen: each change, undone before the next.
    let changed = "it was changed";
    let missing = "it does not follow the line before it: lines are missing or out of order";
    for (sql, undo, expected) in [
        (
            "UPDATE journal SET actor = actor || 'x' WHERE id = 4",
            "UPDATE journal SET actor = substr(actor, 1, length(actor) - 1) WHERE id = 4",
            vec![(4, changed)],
        ),
        (
            "UPDATE journal SET at_us = at_us + 1 WHERE id = 4",
            "UPDATE journal SET at_us = at_us - 1 WHERE id = 4",
            vec![(4, changed)],
        ),
        (
            "UPDATE journal SET depot_id = depot_id + 1 WHERE id = 5",
            "UPDATE journal SET depot_id = depot_id - 1 WHERE id = 5",
            vec![(5, changed)],
        ),
        (
            "UPDATE journal SET after = replace(after, 'NORTH', 'SOUTH') WHERE id = 5",
            "UPDATE journal SET after = replace(after, 'SOUTH', 'NORTH') WHERE id = 5",
            vec![(5, changed)],
        ),
        (
            "UPDATE journal SET previous = 'x' || previous WHERE id = 5",
            "UPDATE journal SET previous = substr(previous, 2) WHERE id = 5",
            vec![(5, missing), (5, changed)],
        ),
        (
            "UPDATE journal SET hash = 'x' || hash WHERE id = 5",
            "UPDATE journal SET hash = substr(hash, 2) WHERE id = 5",
            vec![(5, changed), (6, missing)],
        ),
        (
            "UPDATE journal SET id = 1005 WHERE id = 5",
            "UPDATE journal SET id = 5 WHERE id = 1005",
            vec![(6, missing), (1005, missing)],
        ),
    ] {
        behind(&app, sql).await.unwrap();
        assert_eq!(check(None).await.faults, expected, "{sql}");
        behind(&app, undo).await.unwrap();
        assert_eq!(check(None).await, whole, "{undo}");
    }
    behind(&app, "DELETE FROM journal WHERE id = 1").await.unwrap();
    assert_eq!(check(None).await.faults, [(2, missing)]);
    behind(&app, "DELETE FROM journal WHERE id = (SELECT max(id) FROM journal)").await.unwrap();
    assert!(!check(Some(&hash)).await.holds, "lines cut off the end show by a hash noted elsewhere");
}

async fn the_journal_is_exported_line_by_line(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    car(&boss, "7", "NORTH").await;
    let reply = boss.call(Method::GET, "/v1/journal").header("accept", "application/x-ndjson").send().await;
    assert_eq!(reply.headers["content-type"], "application/x-ndjson");
    assert_eq!(boss.get("/v1/journal?format=ndjson").await.text, reply.text);
    let lines: Vec<Value> = reply.text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let page = boss.get("/v1/journal?limit=500").await.expect(200);
    assert_eq!(page["items"].as_array().unwrap(), &lines);
    assert!(lines.windows(2).all(|pair| pair[1]["previous"] == pair[0]["hash"]) && lines.len() == 4);
    let north = app.client(&Scope::ALL, &["NORTH"]).await;
    assert!(!north.get("/v1/journal?format=ndjson").await.text.contains("WEST"));
    assert_eq!(fault(&boss.get("/v1/journal?format=xml").await.problem(400)), "format");
}

crate::on_both!(
    a_car_is_planned_only_when_it_can_be_spared,
    a_slot_is_confirmed_or_refused,
    reports_and_breakdowns_raise_or_join_orders,
    a_code_that_stops_a_car_is_shown_first_everywhere,
    a_calendar_is_read_at_its_secret_address_until_it_is_revoked,
    the_journal_cannot_be_changed_unseen,
    the_journal_is_exported_line_by_line,
);
