//! Logs in: formats, verdicts, limits, idempotency, voids and rulings.

use std::io::Write;

use chrono::TimeDelta;
use serde_json::{Value, json};

use crate::common::{
    Client, Engine, TestApp, car, fault, forecast, instant, item, month_of_readings, post, refused, serviced,
    two_depots,
};

const READINGS: &str = "/v1/odometer-readings";

fn reading(unit: &str, at: &str, odometer: f64) -> Value {
    json!({"unit": unit, "at": at, "odometer": odometer, "distance_unit": "mi", "source": "telematics"})
}

fn counts(stored: u64, repeated: u64, replaced: u64) -> Value {
    json!({"stored": stored, "repeated": repeated, "replaced": replaced, "refused": []})
}

async fn fleet(engine: Engine, settings: &[(&str, &str)]) -> (TestApp, Client) {
    let (app, manager) = TestApp::with(engine, settings).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    (app, manager)
}

fn gzip(text: &str) -> Vec<u8> {
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    packed.write_all(text.as_bytes()).unwrap();
    packed.finish().unwrap()
}

fn ndjson(rows: &Value) -> String {
    rows.as_array().unwrap().iter().map(|row| format!("{row}\n")).collect()
}

async fn every_format_says_the_same(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let rows = json!([reading("7", "2026-03-01T12:00:00Z", 100.0), reading("7", "2026-03-02T12:00:00-05:00", 250.5)]);
    let table = "unit,at,odometer,distance_unit,source\r\n\
                 7,2026-03-01T12:00:00Z,100,mi,telematics\r\n7,2026-03-02T17:00:00Z,250.5,mi,telematics\r\n";
    let send = |media: &'static str, body: Vec<u8>| manager.post(READINGS).body(media, body);
    let first = send("application/json", rows[0].to_string().into_bytes()).send().await.expect(200);
    assert_eq!(first, counts(1, 0, 0));
    let both = send("application/json; charset=utf-8", rows.to_string().into_bytes()).send().await.expect(200);
    assert_eq!(both, counts(1, 1, 0));
    let lines = ndjson(&rows);
    for (media, text) in
        [("application/x-ndjson", lines.as_str()), ("text/csv", table), ("application/json", &rows.to_string())]
    {
        let plain = send(media, text.into()).send().await.expect(200);
        assert_eq!(plain, counts(0, 2, 0), "{media}");
        let packed = send(media, gzip(text)).header("content-encoding", "gzip").send().await.expect(200);
        assert_eq!(packed, counts(0, 2, 0), "{media}, gzip");
        let sized = send(media, text.into()).header("content-length", &text.len().to_string()).send().await.expect(200);
        assert_eq!(sized, counts(0, 2, 0), "{media}, of known length");
    }
    let list = manager.get("/v1/odometer-readings?unit=7&distance_unit=km").await.expect(200);
    let shown: Vec<_> = list["items"].as_array().unwrap().iter().map(|row| row["odometer"].as_f64().unwrap()).collect();
    // A mile is 1.609344 km (UCUM): 160.9344 and 403.140672 km, shown to a tenth.
    assert_eq!(shown, [160.9, 403.1]);
}

async fn what_spreadsheets_write_is_read(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let table = "\u{feff}unit , at,odometer,distance_unit\n\"7\",2026-03-01T12:00:00Z, 100 ,mi\n\n7,2026-03-02T12:00:00Z,\"200\",mi";
    let verdicts = manager.post(READINGS).body("text/csv", table).send().await.expect(200);
    assert_eq!(verdicts, counts(2, 0, 0));
    let lines = format!(
        "\n{}\r\n\r\n{}",
        reading("7", "2026-03-03T12:00:00Z", 300.0),
        reading("7", "2026-03-04T12:00:00Z", 400.0)
    );
    let verdicts = manager.post(READINGS).body("application/x-ndjson", lines).send().await.expect(200);
    assert_eq!(verdicts, counts(2, 0, 0));
}

async fn a_refused_row_names_row_field_value_and_reason(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let good = reading("7", "2026-03-01T12:00:00Z", 100.0);
    let cases = [
        ("unit", Value::Null, Value::Null),
        ("unit", json!("  "), json!("  ")),
        ("unit", json!("999"), json!("999")),
        ("at", Value::Null, Value::Null),
        ("at", json!("2026-03-01T12:00:00"), json!("2026-03-01T12:00:00")),
        ("at", json!("1989-12-31T00:00:00Z"), json!("1989-12-31T00:00:00Z")),
        ("odometer", Value::Null, Value::Null),
        ("odometer", json!(-1), json!(-1.0)),
        ("odometer", json!("many"), json!("many")),
        ("odometer", json!(1e12), json!(1e12)),
        ("distance_unit", Value::Null, Value::Null),
        ("distance_unit", json!("miles"), json!("miles")),
        ("source", json!("x".repeat(65)), json!("x".repeat(65))),
        ("colour", json!("red"), json!("red")),
    ];
    let mut rows = vec![good.clone()];
    for (field, value, _) in &cases {
        let mut row = good.clone();
        row[*field] = value.clone();
        rows.push(row);
    }
    let verdicts = post(&manager, "odometer-readings", Value::Array(rows)).await;
    assert_eq!(verdicts["stored"], 1, "{verdicts}");
    assert_eq!(verdicts["refused"].as_array().unwrap().len(), cases.len(), "{verdicts}");
    for (place, (field, _, shown)) in cases.iter().enumerate() {
        let (row, found, value) = refused(&verdicts, place);
        assert_eq!((row, found), (place as u64 + 2, *field), "{verdicts}");
        assert_eq!(value, shown);
    }
    let reason = verdicts["refused"][10]["reason"].as_str().unwrap();
    assert!(reason.contains("without a unit is refused"), "{reason}");
}

async fn a_refused_cell_names_its_column(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let table = "unit,at,odometer,distance_unit\n7,2026-03-01T12:00:00Z,12o,mi\n7,2026-03-01T12:00:00Z,120\n\
                 7,2026-03-01T12:00:00Z,120,\n7,2026-03-01T12:00:00Z,120,mi\n8,2026-03-01T12:00:00Z,120,mi\n";
    let verdicts = manager.post(READINGS).body("text/csv", table).send().await.expect(200);
    assert_eq!(verdicts["stored"], 1, "{verdicts}");
    assert_eq!(refused(&verdicts, 0), (1, "odometer", &json!("12o")));
    assert_eq!((refused(&verdicts, 1).0, refused(&verdicts, 1).1), (2, ""));
    assert_eq!(refused(&verdicts, 2), (3, "distance_unit", &Value::Null));
    assert_eq!(refused(&verdicts, 3), (5, "unit", &json!("8")));
}

async fn duty_seat_and_service_rows_are_checked_too(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let rows = json!([
        {"unit": "7", "date": "2026-02-30", "hours": 8}, {"unit": "7", "date": "2026-03-01"},
        {"unit": "7", "date": "2026-03-01", "hours": 25.1}, {"unit": "7", "hours": 8},
        {"unit": "7", "date": "2026-03-01", "hours": 8, "trips": -1}, {"unit": "7", "date": "2026-03-01", "hours": 25},
    ]);
    let verdicts = post(&manager, "duty-logs", rows).await;
    let fields: Vec<_> = (0..5).map(|place| refused(&verdicts, place).1).collect();
    assert_eq!((fields, &verdicts["stored"]), (vec!["date", "hours", "hours", "date", "trips"], &json!(1)));
    let rows = json!([
        {"unit": "7", "date": "2026-03-01", "trips": 3, "rear_trips": 4}, {"unit": "7", "date": "2026-03-01", "trips": 3},
        {"unit": "7", "date": "2026-03-01", "rear_trips": 4}, {"unit": "7", "date": "2026-03-01", "trips": 4, "rear_trips": 4},
    ]);
    let verdicts = post(&manager, "seat-logs", rows).await;
    let fields: Vec<_> = (0..3).map(|place| refused(&verdicts, place).1).collect();
    assert_eq!((fields, &verdicts["stored"]), (vec!["rear_trips", "rear_trips", "trips"], &json!(1)));
    let rows = json!([
        {"unit": "7", "kind": "oil", "at": "2026-03-01T12:00:00Z"}, {"unit": "7", "kind": "fan-service"},
        {"unit": "7", "kind": "fan-service", "at": "2026-03-01T12:00:00Z", "odometer": 5},
        {"unit": "7", "kind": "fan-service", "at": "2026-03-01T12:00:00Z", "note": "a\u{7}"},
        {"unit": "7", "kind": "fan-service", "at": "2026-03-01T12:00:00Z"},
    ]);
    let verdicts = post(&manager, "past-services", rows).await;
    let fields: Vec<_> = (0..4).map(|place| refused(&verdicts, place).1).collect();
    assert_eq!((fields, &verdicts["stored"]), (vec!["kind", "at", "distance_unit", "note"], &json!(1)));
}

async fn the_same_rows_again_change_nothing_and_others_replace(engine: Engine) {
    let (app, manager) = fleet(engine, &[]).await;
    let logs = [
        ("odometer-readings", reading("7", "2026-03-01T12:00:00Z", 100.0), ("odometer", json!(101))),
        (
            "duty-logs",
            json!({"unit": "7", "date": "2026-03-01", "shift": "day", "hours": 8, "source": "d"}),
            ("hours", json!(9)),
        ),
        ("duty-logs", json!({"unit": "7", "date": "2026-03-02", "hours": 8, "source": "d"}), ("trips", json!(9))),
        (
            "seat-logs",
            json!({"unit": "7", "date": "2026-03-01", "trips": 8, "rear_trips": 2}),
            ("rear_trips", json!(3)),
        ),
        (
            "past-services",
            json!({"unit": "7", "kind": "fan-service", "at": "2025-03-01T12:00:00Z"}),
            ("note", json!("x")),
        ),
    ];
    for (log, row, (field, value)) in logs {
        assert_eq!(post(&manager, log, row.clone()).await, counts(1, 0, 0), "{log}");
        app.settle().await;
        assert_eq!(post(&manager, log, row.clone()).await, counts(0, 1, 0), "{log}");
        assert_eq!(app.app.store.count_stale().await.unwrap(), 0, "{log}: a repeated row makes no work");
        let mut other = row.clone();
        other[field] = value;
        assert_eq!(post(&manager, log, other).await, counts(0, 0, 1), "{log}");
        assert_eq!(app.app.store.count_stale().await.unwrap(), 1, "{log}");
        app.settle().await;
    }
    // Another source, another shift, another time: another row.
    let mut beside = reading("7", "2026-03-01T12:00:00Z", 102.0);
    beside["source"] = json!("shop");
    assert_eq!(post(&manager, "odometer-readings", beside).await, counts(1, 0, 0));
}

async fn doubles_within_one_request_are_seen(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let at = "2026-03-01T12:00:00Z";
    let rows = json!([reading("7", at, 100.0), reading("7", at, 100.0), reading("7", at, 120.0)]);
    assert_eq!(post(&manager, "odometer-readings", rows).await, counts(1, 1, 1));
    let list = manager.get("/v1/odometer-readings?unit=7").await.expect(200);
    assert_eq!(list["items"].as_array().unwrap().len(), 1);
    assert_eq!(list["items"][0]["odometer"], 120.0, "the later row stands");
}

async fn unknown_columns_are_refused_by_name(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let table = "unit,at,odometer,distance_unit,colour\n7,2026-03-01T12:00:00Z,1,mi,red\n";
    let problem = manager.post(READINGS).body("text/csv", table).send().await.problem(422);
    assert_eq!(fault(&problem), "/colour");
    let table = "unit,at,odometer,distance_unit,unit\n7,2026-03-01T12:00:00Z,1,mi,8\n";
    let problem = manager.post(READINGS).body("text/csv", table).send().await.problem(422);
    assert!(problem["detail"].as_str().unwrap().contains("twice"), "{problem}");
    assert_eq!(manager.get("/v1/odometer-readings?unit=7").await.expect(200)["items"], json!([]));
}

async fn rows_before_a_syntax_fault_are_kept_and_counted(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let one = reading("7", "2026-03-01T12:00:00Z", 100.0);
    let unknown = reading("9", "2026-03-01T12:00:00Z", 100.0);
    let body = format!("[{one}, {unknown}, {{\"unit\": ]");
    let problem = manager.post(READINGS).json(&json!(null)).body("application/json", body).send().await.problem(400);
    assert_eq!((&problem["rows"]["stored"], &problem["rows"]["repeated"]), (&json!(1), &json!(0)));
    assert_eq!(problem["rows"]["refused"][0]["row"], 2);
    assert_eq!(manager.get("/v1/odometer-readings?unit=7").await.expect(200)["items"].as_array().unwrap().len(), 1);
    for body in ["", "[", "nonsense", "{\"unit\": \"7\"} x"] {
        manager.post(READINGS).body("application/json", body).send().await.problem(400);
    }
    // A line of NDJSON is a row of its own: a bad one is refused, the rest are read.
    let body = format!("{{\"unit\": \n{}\n", reading("7", "2026-03-02T12:00:00Z", 200.0));
    let verdicts = manager.post(READINGS).body("application/x-ndjson", body).send().await.expect(200);
    assert_eq!((&verdicts["stored"], refused(&verdicts, 0).0), (&json!(1), 1));
}

async fn more_rows_than_the_limit_are_refused_and_those_before_kept(engine: Engine) {
    let (_app, manager) = fleet(engine, &[("limits.rows", "3")]).await;
    let rows: Value =
        (1..=4).map(|day| reading("7", &format!("2026-03-0{day}T12:00:00Z"), f64::from(day) * 100.0)).collect();
    for (media, body) in [("application/json", rows.to_string()), ("application/x-ndjson", ndjson(&rows))] {
        let problem = manager.post(READINGS).body(media, body).send().await.problem(413);
        let kept = &problem["rows"];
        assert_eq!(kept["stored"].as_u64().unwrap() + kept["repeated"].as_u64().unwrap(), 3, "{problem}");
    }
    let stored = manager.get("/v1/odometer-readings?unit=7").await.expect(200);
    assert_eq!(stored["items"].as_array().unwrap().len(), 3);
    assert_eq!(post(&manager, "odometer-readings", json!([rows[3]])).await, counts(1, 0, 0));
}

async fn a_row_that_is_too_long_is_refused_alone(engine: Engine) {
    let (_app, manager) = fleet(engine, &[("limits.row_bytes", "1024")]).await;
    let mut long = reading("7", "2026-03-01T12:00:00Z", 100.0);
    long["source"] = json!("x".repeat(2_000));
    let rows = json!([long, reading("7", "2026-03-02T12:00:00Z", 200.0)]);
    for (media, body) in [("application/x-ndjson", ndjson(&rows)), ("application/json", rows.to_string())] {
        let verdicts = manager.post(READINGS).body(media, body).send().await.expect(200);
        assert_eq!((refused(&verdicts, 0).0, verdicts["refused"].as_array().unwrap().len()), (1, 1), "{verdicts}");
        assert!(verdicts["refused"][0]["reason"].as_str().unwrap().contains("1024 bytes"), "{verdicts}");
    }
    assert_eq!(manager.get("/v1/odometer-readings?unit=7").await.expect(200)["items"].as_array().unwrap().len(), 1);
}

/// Two MiB of rows for one car.
fn two_mib() -> Value {
    let start = instant("2026-01-01T00:00:00Z");
    (0..18_000)
        .map(|minute| {
            let at = (start + TimeDelta::minutes(minute)).to_rfc3339();
            reading("7", &at, 100.0 + minute as f64 / 2.0)
        })
        .collect()
}

async fn a_body_may_not_unpack_to_more_than_the_limit(engine: Engine) {
    let (_app, manager) = fleet(engine, &[("limits.decompressed_mib", "1")]).await;
    let rows = two_mib();
    for (media, body) in [("application/x-ndjson", ndjson(&rows)), ("application/json", rows.to_string())] {
        assert!(body.len() > 1024 * 1024);
        let reply = manager.post(READINGS).body(media, gzip(&body)).header("content-encoding", "gzip").send().await;
        assert_eq!(reply.status.as_u16(), 413, "{media}: {}", reply.text);
        assert!(reply.problem(413)["detail"].as_str().unwrap().contains("limits.decompressed_mib"));
    }
}

async fn a_body_may_not_be_longer_than_the_limit(engine: Engine) {
    let (_app, manager) = fleet(engine, &[("limits.body_mib", "1")]).await;
    let rows = two_mib();
    for (media, body) in [("application/x-ndjson", ndjson(&rows)), ("application/json", rows.to_string())] {
        let length = body.len().to_string();
        manager.post(READINGS).body(media, body.clone()).header("content-length", &length).send().await.problem(413);
        let chunks: Vec<_> =
            body.as_bytes().chunks(10_000).map(|chunk| Ok::<_, std::io::Error>(chunk.to_vec())).collect();
        let stream = axum::body::Body::from_stream(futures_util::stream::iter(chunks));
        let reply = manager.post(READINGS).body(media, stream).send().await;
        assert_eq!(reply.status.as_u16(), 413, "{media} of unknown length: {}", reply.text);
    }
    let long = json!({"unit": "7", "kind": "fan-service", "reason": "x".repeat(1024 * 1024)});
    manager.send("/v1/work-orders", long).await.problem(413);
}

async fn other_media_and_codings_are_refused(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    for media in ["text/plain", "application/xml", ""] {
        manager.post(READINGS).body(media, "[]").send().await.problem(415);
    }
    let reply = manager.post(READINGS).body("application/json", "[]").header("content-encoding", "br").send().await;
    assert_eq!(reply.headers["accept-encoding"], "gzip");
    reply.problem(415);
    manager.post("/v1/depots").body("text/csv", "{}").send().await.problem(415);
    let broken = manager.post(READINGS).body("application/json", "[]").header("content-encoding", "gzip").send().await;
    broken.problem(400);
}

async fn fifty_thousand_rows_fit_one_request(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let start = instant("2026-01-01T05:00:00Z");
    let rows: Value = (0..50_000)
        .map(|minute| reading("7", &(start + TimeDelta::minutes(minute)).to_rfc3339(), 100.0 + minute as f64 / 2.0))
        .collect();
    let body = ndjson(&rows);
    let verdicts = manager.post(READINGS).body("application/x-ndjson", gzip(&body)).header("content-encoding", "gzip");
    assert_eq!(verdicts.send().await.expect(200), counts(50_000, 0, 0));
    let last = manager.get("/v1/odometer-readings?unit=7&from=2026-02-04&limit=500").await.expect(200);
    assert_eq!(last["items"].as_array().unwrap().len(), 500);
    assert_eq!(last["items"][0]["at"], "2026-02-04T00:00:00Z");
}

async fn a_short_body_may_have_many_rows(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    // 30,000 rows in 60,000 bytes, each refused; a server is told the length.
    let body = "1\n".repeat(30_000);
    let call = manager.post(READINGS).body("application/x-ndjson", body.clone());
    let verdicts = call.header("content-length", &body.len().to_string()).send().await.expect(200);
    assert_eq!(verdicts["refused"].as_array().unwrap().len(), 30_000);
}

async fn one_idempotency_key_gives_one_answer(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let rows = json!([reading("7", "2026-03-01T12:00:00Z", 100.0), reading("9", "2026-03-01T12:00:00Z", 100.0)]);
    let send = |key: &str, rows: &Value| manager.post(READINGS).header("idempotency-key", key).json(rows);
    let first = send("\"load-1\"", &rows).send().await.expect(200);
    assert_eq!((&first["stored"], refused(&first, 0).0), (&json!(1), 2));
    assert_eq!(send("\"load-1\"", &rows).send().await.expect(200), first);
    assert_eq!(send("\"load-2\"", &rows).send().await.expect(200)["repeated"], 1);
    let other = json!([reading("7", "2026-03-02T12:00:00Z", 200.0)]);
    let problem = send("\"load-1\"", &other).send().await.problem(422);
    assert_eq!(fault(&problem), "Idempotency-Key");
    assert_eq!(manager.get("/v1/odometer-readings?unit=7").await.expect(200)["items"].as_array().unwrap().len(), 1);
    // The same key on another log is another request.
    let duty = json!([{"unit": "7", "date": "2026-03-01", "hours": 8}]);
    manager.post("/v1/duty-logs").header("idempotency-key", "\"load-1\"").json(&duty).send().await.problem(422);
    for wrong in ["\"\"", "\"a b\"", &format!("\"{}\"", "x".repeat(256))] {
        assert_eq!(fault(&send(wrong, &rows).send().await.problem(400)), "Idempotency-Key");
    }
}

async fn another_callers_idempotency_key_is_another_key(engine: Engine) {
    use ventmile::app::keys::Scope;
    let (app, manager) = fleet(engine, &[]).await;
    let other = app.client(&[Scope::Post], &[]).await;
    let rows = json!([reading("7", "2026-03-01T12:00:00Z", 100.0)]);
    for (client, expected) in [(&manager, counts(1, 0, 0)), (&other, counts(0, 1, 0)), (&manager, counts(1, 0, 0))] {
        let answer = client.post(READINGS).header("idempotency-key", "\"same\"").json(&rows).send().await.expect(200);
        assert_eq!(answer, expected);
    }
}

async fn what_lies_in_the_future_is_refused_or_set_aside(engine: Engine) {
    let (app, manager) = fleet(engine, &[]).await;
    // Now is 2026-03-18T16:00Z; a row may be dated tomorrow, for zones ahead.
    let verdicts = post(
        &manager,
        "duty-logs",
        json!([
            {"unit": "7", "date": "2026-03-20", "hours": 8}, {"unit": "7", "date": "2026-03-19", "hours": 8},
            {"unit": "7", "start_at": "2026-03-20T06:00:00Z", "end_at": "2026-03-20T08:00:00Z"},
        ]),
    )
    .await;
    assert_eq!(
        (refused(&verdicts, 0).1, refused(&verdicts, 1).1, &verdicts["stored"]),
        ("date", "start_at", &json!(1))
    );
    let seats = json!([{"unit": "7", "date": "2026-03-20", "trips": 1, "rear_trips": 0}]);
    assert_eq!(refused(&post(&manager, "seat-logs", seats).await, 0).1, "date");
    let service = json!({"unit": "7", "kind": "fan-service", "at": "2026-03-19T16:00:01Z"});
    assert_eq!(refused(&post(&manager, "past-services", service).await, 0).1, "at");
    // A sender's clock may be wrong by much: such a reading is stored and the track sets it aside.
    let rows = json!([reading("7", "2027-03-01T12:00:00Z", 100.0), reading("7", "2027-04-01T12:00:00Z", 100.0)]);
    let verdicts = post(&manager, "odometer-readings", rows).await;
    assert_eq!((&verdicts["stored"], refused(&verdicts, 0).1), (&json!(1), "at"));
    app.settle().await;
    assert_eq!(forecast(&manager, "7").await["track"]["set_aside"][0]["reason"], "ahead-of-clock");
}

async fn a_shift_needs_both_ends_in_order(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let shift =
        |start: Option<&str>, end: Option<&str>| json!({"unit": "7", "shift": "s", "start_at": start, "end_at": end});
    let rows = json!([
        shift(Some("2026-03-01T06:00:00Z"), None),
        shift(None, Some("2026-03-01T06:00:00Z")),
        shift(Some("2026-03-01T06:00:00Z"), Some("2026-03-01T06:00:00Z")),
        shift(Some("2026-03-01T06:00:00Z"), Some("2026-03-03T06:00:01Z")),
        shift(Some("2026-03-01T06:00:00Z"), Some("tomorrow")),
        shift(Some("2026-03-01T06:00:00Z"), Some("2026-03-01T14:30:00Z")),
    ]);
    let verdicts = post(&manager, "duty-logs", rows).await;
    let fields: Vec<_> = (0..5).map(|place| refused(&verdicts, place).1).collect();
    assert_eq!((fields, &verdicts["stored"]), (vec!["end_at", "start_at", "end_at", "end_at", "end_at"], &json!(1)));
    let row = &manager.get("/v1/duty-logs?unit=7").await.expect(200)["items"][0];
    assert_eq!((&row["date"], &row["hours"]), (&json!("2026-03-01"), &json!(8.5)));
    assert_eq!((&row["start_at"], &row["shift"]), (&json!("2026-03-01T06:00:00Z"), &json!("s")));
}

async fn a_shift_is_dated_by_the_day_it_starts(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    // The date given is not the local date on which the shift begins.
    let row = json!({
        "unit": "7", "date": "2026-02-01", "start_at": "2026-03-01T12:00:00Z", "end_at": "2026-03-01T20:00:00Z",
    });
    let verdicts = post(&manager, "duty-logs", row).await;
    assert_eq!((refused(&verdicts, 0).1, &verdicts["stored"]), ("date", &json!(0)));
}

async fn void(client: &Client, log: &str, mut row: Value, undo: bool) -> crate::common::Reply {
    row["reason"] = json!("wrong car");
    row["undo"] = json!(undo);
    client.send(&format!("/v1/{log}/void"), row).await
}

async fn a_row_of_any_log_can_be_voided_and_taken_back(engine: Engine) {
    let (app, manager) = fleet(engine, &[]).await;
    let logs = [
        (
            "odometer-readings",
            reading("7", "2026-03-01T12:00:00Z", 100.0),
            json!({"unit": "7", "at": "2026-03-01T12:00:00Z", "source": "telematics"}),
        ),
        (
            "duty-logs",
            json!({"unit": "7", "date": "2026-03-01", "shift": "day", "hours": 8, "source": "d"}),
            json!({"unit": "7", "date": "2026-03-01", "shift": "day", "source": "d"}),
        ),
        (
            "seat-logs",
            json!({"unit": "7", "date": "2026-03-01", "trips": 8, "rear_trips": 2}),
            json!({"unit": "7", "date": "2026-03-01"}),
        ),
        (
            "past-services",
            json!({"unit": "7", "kind": "fan-service", "at": "2025-03-01T12:00:00Z"}),
            json!({"unit": "7", "kind": "fan-service", "at": "2025-03-01T12:00:00Z"}),
        ),
    ];
    for (log, row, name) in logs {
        post(&manager, log, row.clone()).await;
        app.settle().await;
        let path = format!("/v1/{log}?unit=7");
        let voided = async || manager.get(&path).await.expect(200)["items"][0]["voided_at"].clone();
        assert_eq!(voided().await, Value::Null);
        let marked = void(&manager, log, name.clone(), false).await.expect(200);
        assert_eq!((&marked["unit"], &marked["voided"]), (&json!("7"), &json!(true)), "{log}");
        assert!(voided().await.is_string(), "{log}: it stays stored");
        assert_eq!(app.app.store.count_stale().await.unwrap(), 1, "{log}");
        assert_eq!(post(&manager, log, row).await, counts(0, 1, 0), "{log}: the same row does not come back");
        assert!(voided().await.is_string(), "{log}");
        assert_eq!(void(&manager, log, name.clone(), true).await.expect(200)["voided"], false);
        assert_eq!(voided().await, Value::Null, "{log}");
        let mut other = name.clone();
        let (field, value) =
            if name["at"].is_string() { ("at", "2026-03-09T12:00:00Z") } else { ("date", "2026-03-09") };
        other[field] = json!(value);
        void(&manager, log, other, false).await.problem(404);
        let mut nobody = name.clone();
        nobody["unit"] = json!("99");
        void(&manager, log, nobody, false).await.problem(404);
        let mut unnamed = name;
        unnamed.as_object_mut().unwrap().remove(field);
        assert_eq!(fault(&void(&manager, log, unnamed, false).await.problem(422)), format!("/{field}"), "{log}");
    }
    let no_reason = json!({"unit": "7", "at": "2026-03-01T12:00:00Z", "source": "telematics"});
    assert_eq!(fault(&manager.send("/v1/odometer-readings/void", no_reason).await.problem(422)), "/reason");
}

async fn a_voided_row_counts_for_nothing(engine: Engine) {
    let (app, manager) = fleet(engine, &[]).await;
    post(&manager, "odometer-readings", month_of_readings("7", 5_000.0, 100.0)).await;
    post(&manager, "duty-logs", json!({"unit": "7", "date": "2026-03-17", "hours": 8})).await;
    let last = json!({"unit": "7", "at": "2026-03-17T17:00:00Z", "source": "telematics"});
    void(&manager, "odometer-readings", last.clone(), false).await.expect(200);
    void(&manager, "duty-logs", json!({"unit": "7", "date": "2026-03-17"}), false).await.expect(200);
    app.settle().await;
    let found = forecast(&manager, "7").await;
    assert_eq!((&found["track"]["readings"], &found["track"]["last"]["odometer"]), (&json!(30), &json!(4_900.0)));
    assert_eq!(item(&manager, "7").await["since_service"]["hours"], 0.0);
    assert_eq!(manager.get("/v1/vehicles/7/duty-days").await.expect(200)["days"], json!([]));
    void(&manager, "odometer-readings", last, true).await.expect(200);
    app.settle().await;
    assert_eq!(forecast(&manager, "7").await["track"]["last"]["odometer"], 5_000.0);
}

async fn a_ruling_overturns_the_track(engine: Engine) {
    let (app, manager) = fleet(engine, &[]).await;
    post(&manager, "odometer-readings", month_of_readings("7", 5_000.0, 100.0)).await;
    // 4,950 mi in kilometres, taken for miles.
    post(&manager, "odometer-readings", reading("7", "2026-03-17T05:00:00Z", 7_966.0)).await;
    let rule = async |ruling: Value| {
        let body = json!({
            "unit": "7", "at": "2026-03-17T05:00:00Z", "source": "telematics", "ruling": ruling, "reason": "seen",
        });
        let done = manager.send("/v1/odometer-readings/ruling", body).await.expect(200);
        assert_eq!(done["ruling"], ruling);
        app.settle().await;
        forecast(&manager, "7").await["track"].clone()
    };
    app.settle().await;
    let aside = |track: &Value| -> Vec<(f64, String, Value)> {
        let rows = track["set_aside"].as_array().unwrap().iter();
        rows.map(|row| {
            (row["odometer"].as_f64().unwrap(), row["reason"].as_str().unwrap().to_owned(), row["ruling"].clone())
        })
        .collect()
    };
    let track = forecast(&manager, "7").await["track"].clone();
    assert_eq!(aside(&track), [(7_966.0, "km-as-miles".to_owned(), Value::Null)]);
    assert!(track["set_aside"][0]["explanation"].as_str().unwrap().contains("miles"));
    let track = rule(json!("keep")).await;
    assert!(aside(&track).iter().all(|(odometer, ..)| *odometer != 7_966.0), "{track}");
    let track = rule(json!("set-aside")).await;
    assert_eq!(aside(&track), [(7_966.0, "ruled".to_owned(), json!("set-aside"))]);
    let track = rule(Value::Null).await;
    assert_eq!(aside(&track), [(7_966.0, "km-as-miles".to_owned(), Value::Null)]);
    let wrong = json!({"unit": "7", "at": "2026-03-17T05:00:00Z", "ruling": "maybe", "reason": "x"});
    assert_eq!(fault(&manager.send("/v1/odometer-readings/ruling", wrong).await.problem(422)), "/ruling");
    let none = json!({"unit": "7", "at": "2026-03-17T05:00:01Z", "ruling": "keep", "reason": "x"});
    manager.send("/v1/odometer-readings/ruling", none).await.problem(404);
}

async fn stored_rows_come_in_pages_and_by_date(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    post(&manager, "odometer-readings", month_of_readings("7", 5_000.0, 100.0)).await;
    let duty: Value = (1..=9)
        .flat_map(|day| {
            ["day", "night"]
                .map(|shift| json!({"unit": "7", "date": format!("2026-03-0{day}"), "shift": shift, "hours": 6}))
        })
        .collect();
    post(&manager, "duty-logs", duty).await;
    serviced(&manager, "7", "2025-09-01T12:00:00Z", 20.0).await;
    for (log, total) in [("odometer-readings", 30), ("duty-logs", 18), ("past-services", 1), ("seat-logs", 0)] {
        let (mut path, mut seen) = (format!("/v1/{log}?unit=7&limit=7"), Vec::new());
        loop {
            let page = manager.get(&path).await.expect(200);
            let items = page["items"].as_array().unwrap();
            assert!(items.len() <= 7);
            seen.extend(items.iter().map(Value::to_string));
            let Some(next) = page["next"].as_str() else { break };
            path = next.to_owned();
        }
        assert_eq!(seen.len(), total, "{log}");
        seen.sort();
        seen.dedup();
        assert_eq!(seen.len(), total, "{log}: none twice");
    }
    let between = manager.get("/v1/duty-logs?unit=7&from=2026-03-02&to=2026-03-03").await.expect(200);
    assert_eq!(between["items"].as_array().unwrap().len(), 4);
    let between = manager.get("/v1/odometer-readings?unit=7&from=2026-03-16&to=2026-03-16").await.expect(200);
    assert_eq!(between["items"].as_array().unwrap().len(), 1);
    assert_eq!(fault(&manager.get("/v1/duty-logs?unit=7&from=March").await.problem(400)), "from");
    assert_eq!(fault(&manager.get("/v1/duty-logs").await.problem(400)), "unit");
    manager.get("/v1/duty-logs?unit=99").await.problem(404);
}

async fn many_single_posts_at_once_are_all_stored(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let start = instant("2026-03-01T00:00:00Z");
    let posts = (0..64).map(|minute| {
        let at = (start + TimeDelta::minutes(minute)).to_rfc3339();
        let sent = manager.post(READINGS).json(&reading("7", &at, 100.0 + minute as f64)).send();
        tokio::spawn(sent)
    });
    for sent in posts.collect::<Vec<_>>() {
        assert_eq!(sent.await.unwrap().expect(200), counts(1, 0, 0));
    }
    let list = manager.get("/v1/odometer-readings?unit=7&limit=100").await.expect(200);
    assert_eq!(list["items"].as_array().unwrap().len(), 64);
}

async fn odd_json_is_refused_row_by_row(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let deep = format!("{}{}", "[".repeat(500), "]".repeat(500));
    let good = reading("7", "2026-03-01T12:00:00Z", 100.0).to_string();
    let rows = [
        "null",
        "5",
        "\"text\"",
        "[]",
        "{}",
        deep.as_str(),
        "{\"unit\": \"7\", \"unit\": \"8\"}",
        "{\"unit\": {\"a\": 1}}",
        "{\"unit\": \"\\u0000\"}",
        "{\"unit\": \"7\\ud800\"}",
        good.as_str(),
    ];
    for (media, body) in
        [("application/x-ndjson", rows.join("\n")), ("application/json", format!("[{}]", rows.join(",")))]
    {
        let verdicts = manager.post(READINGS).body(media, body).send().await;
        // An array that a parser cannot follow is no JSON; a line that is none is a row of its own.
        if media == "application/json" && verdicts.status.as_u16() == 400 {
            verdicts.problem(400);
            continue;
        }
        let verdicts = verdicts.expect(200);
        let refused = verdicts["refused"].as_array().unwrap();
        assert_eq!(refused.len(), rows.len() - 1, "{media}: {verdicts}");
        assert!(
            refused.iter().all(|row| row["reason"].as_str().is_some_and(|reason| !reason.is_empty())),
            "{verdicts}"
        );
    }
    let bytes = [b"{\"unit\": \"".as_slice(), &[0xff, 0xfe], b"\"}\n", good.as_bytes()].concat();
    let verdicts = manager.post(READINGS).body("application/x-ndjson", bytes).send().await.expect(200);
    assert_eq!((refused(&verdicts, 0).0, verdicts["refused"].as_array().unwrap().len()), (1, 1), "{verdicts}");
    let bytes = [b"unit,at,odometer,distance_unit\n".as_slice(), &[0xff], b",2026-03-01T12:00:00Z,1,mi\n"].concat();
    let verdicts = manager.post(READINGS).body("text/csv", bytes).send().await.expect(200);
    assert!(verdicts["refused"][0]["reason"].as_str().unwrap().contains("UTF-8"), "{verdicts}");
}

async fn a_gzip_body_that_breaks_off_keeps_what_came(engine: Engine) {
    let (_app, manager) = fleet(engine, &[]).await;
    let rows = two_mib();
    let packed = gzip(&ndjson(&rows));
    let half = packed[..packed.len() / 2].to_vec();
    let reply =
        manager.post(READINGS).body("application/x-ndjson", half).header("content-encoding", "gzip").send().await;
    let problem = reply.problem(400);
    let stored = problem["rows"]["stored"].as_u64().unwrap();
    assert!(stored > 1_000, "{problem}");
    let again =
        manager.post(READINGS).body("application/x-ndjson", packed).header("content-encoding", "gzip").send().await;
    assert_eq!(again.expect(200), counts(18_000 - stored, stored, 0));
}

crate::on_both!(
    odd_json_is_refused_row_by_row,
    a_gzip_body_that_breaks_off_keeps_what_came,
    every_format_says_the_same,
    what_spreadsheets_write_is_read,
    a_refused_row_names_row_field_value_and_reason,
    a_refused_cell_names_its_column,
    duty_seat_and_service_rows_are_checked_too,
    the_same_rows_again_change_nothing_and_others_replace,
    doubles_within_one_request_are_seen,
    unknown_columns_are_refused_by_name,
    rows_before_a_syntax_fault_are_kept_and_counted,
    more_rows_than_the_limit_are_refused_and_those_before_kept,
    a_row_that_is_too_long_is_refused_alone,
    a_body_may_not_unpack_to_more_than_the_limit,
    a_body_may_not_be_longer_than_the_limit,
    other_media_and_codings_are_refused,
    fifty_thousand_rows_fit_one_request,
    a_short_body_may_have_many_rows,
    one_idempotency_key_gives_one_answer,
    another_callers_idempotency_key_is_another_key,
    what_lies_in_the_future_is_refused_or_set_aside,
    a_shift_needs_both_ends_in_order,
    a_shift_is_dated_by_the_day_it_starts,
    a_row_of_any_log_can_be_voided_and_taken_back,
    a_voided_row_counts_for_nothing,
    a_ruling_overturns_the_track,
    stored_rows_come_in_pages_and_by_date,
    many_single_posts_at_once_are_all_stored,
);
