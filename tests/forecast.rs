//! What falls due, and why: lists, grades, days, dates, the explanation of one car.

use chrono::{Datelike, NaiveDate, TimeDelta};
use serde_json::{Value, json};

use crate::common::{
    Client, Engine, TestApp, car, dates, duty, fault, forecast, instant, item, list_and_explanation_agree,
    month_of_readings, ordinary_car, post, seats, serviced, two_depots, weekday,
};

async fn fleet(engine: Engine) -> (TestApp, Client) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    (app, manager)
}

async fn add(client: &Client, unit: &str, more: Value) {
    let mut car = json!({"unit": unit, "depot": "NORTH", "in_service_on": "2025-01-01"});
    car.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    client.send("/v1/vehicles", car).await.expect(201);
}

fn text<'a>(value: &'a Value, name: &str) -> &'a str {
    value[name].as_str().unwrap_or_else(|| panic!("{name}: {value}"))
}

async fn a_new_car_without_a_service_counts_from_its_first_odometer(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    post(&manager, "odometer-readings", month_of_readings("7", 21_010.0, 50.0)).await;
    app.settle().await;
    let found = item(&manager, "7").await;
    assert_eq!((text(&found, "counts_from"), text(&found, "counts_since")), ("assumed", "2025-01-01"));
    // 21,010 on the clock, 10 of them at the start.
    assert_eq!((text(&found, "band"), &found["since_service"]["distance"]), ("inside", &json!(21_000.0)));
    assert!(found["notes"].to_string().contains("assumed"), "{found}");
    let why = forecast(&manager, "7").await;
    assert_eq!(why["counts_from"], json!({"basis": "assumed", "on": "2025-01-01", "odometer": 10.0}));
}

async fn a_used_car_is_unknown_until_somebody_says(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    // Above a thousand miles it came in used, unless somebody says otherwise.
    add(&manager, "USED", json!({"odometer_in_service": 1_000.1, "distance_unit": "mi"})).await;
    add(&manager, "EDGE", json!({"odometer_in_service": 1_000, "distance_unit": "mi"})).await;
    add(&manager, "SAID", json!({"odometer_in_service": 5, "distance_unit": "mi", "came_in_used": true})).await;
    add(&manager, "DENIED", json!({"odometer_in_service": 9_000, "distance_unit": "mi", "came_in_used": false})).await;
    app.settle().await;
    for (unit, from) in [("USED", "unknown"), ("EDGE", "assumed"), ("SAID", "unknown"), ("DENIED", "assumed")] {
        let found = item(&manager, unit).await;
        assert_eq!((text(&found, "counts_from"), found["band"] == "unknown"), (from, from == "unknown"), "{unit}");
    }
    let found = item(&manager, "USED").await;
    assert_eq!((&found["due"]["late"]["p50"], &found["chance_past_late"]), (&Value::Null, &Value::Null));
    assert!(text(&found, "no_date_because").contains("came in used"), "{found}");
    let said = json!({"came_in_used": false});
    manager.patch("/v1/vehicles/USED").if_match("*").json(&said).send().await.expect(200);
    serviced(&manager, "SAID", "2026-03-01T12:00:00Z", 9_000.0).await;
    app.settle().await;
    assert_eq!(item(&manager, "USED").await["counts_from"], "assumed");
    let found = item(&manager, "SAID").await;
    assert_eq!((text(&found, "counts_from"), text(&found, "counts_since")), ("service", "2026-03-01"));
}

async fn a_car_nobody_has_read_is_unknown(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    add(&manager, "7", json!({})).await;
    app.settle().await;
    let found = item(&manager, "7").await;
    assert_eq!((text(&found, "band"), &found["last_reading_at"]), ("unknown", &Value::Null));
    assert!(text(&found, "no_date_because").contains("No odometer reading"), "{found}");
    let sentence = forecast(&manager, "7").await;
    assert!(text(&sentence, "sentence").contains("nothing to count from"), "{sentence}");
}

async fn the_last_service_counts_and_no_other_job(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    serviced(&manager, "7", "2025-06-01T12:00:00Z", 10_000.0).await;
    serviced(&manager, "7", "2025-09-01T12:00:00Z", 20_000.0).await;
    let pack = json!({"unit": "7", "kind": "cooling-check", "at": "2025-12-01T12:00:00Z", "odometer": 30_000, "distance_unit": "mi"});
    post(&manager, "past-services", pack).await;
    post(&manager, "odometer-readings", month_of_readings("7", 41_000.0, 150.0)).await;
    app.settle().await;
    let why = forecast(&manager, "7").await;
    assert_eq!(why["counts_from"], json!({"basis": "service", "on": "2025-09-01", "odometer": 20_000.0}));
    assert_eq!(why["since_service"]["distance"], 21_000.0);
    // The last of the kind voided, the one before counts.
    let void = json!({"unit": "7", "kind": "fan-service", "at": "2025-09-01T12:00:00Z", "reason": "not done"});
    manager.send("/v1/past-services/void", void).await.expect(200);
    assert_eq!(forecast(&manager, "7").await["since_service"]["distance"], 31_000.0);
}

async fn nothing_is_shown_as_less_than_nothing(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    post(&manager, "odometer-readings", month_of_readings("7", 5_000.0, 100.0)).await;
    app.settle().await;
    for path in ["/v1/upcoming", "/v1/upcoming?format=csv", "/v1/vehicles/7/forecast", "/v1/vehicles/7/duty-days"] {
        let reply = manager.get(path).await;
        let less = ["-0.0,", "-0.0]", "-0.0}", ",-0,"].into_iter().find(|less| reply.text.contains(less));
        assert_eq!(less, None, "{path}: {}", reply.text);
    }
}

async fn a_service_without_an_odometer_is_placed_by_the_readings(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    post(&manager, "odometer-readings", month_of_readings("7", 41_000.0, 150.0)).await;
    let service = json!({"unit": "7", "kind": "fan-service", "at": "2026-03-07T17:00:00Z"});
    post(&manager, "past-services", service).await;
    app.settle().await;
    let found = item(&manager, "7").await;
    assert_eq!(found["since_service"]["distance"], 1_500.0, "ten days at 150 mi");
    assert!(found["notes"].to_string().contains("no odometer was written down"), "{found}");
    // An odometer that does not fit is said and set aside.
    let service = json!({"unit": "7", "kind": "fan-service", "at": "2026-03-12T17:00:00Z", "odometer": 80_000, "distance_unit": "mi"});
    post(&manager, "past-services", service).await;
    let why = forecast(&manager, "7").await;
    assert_eq!(why["since_service"]["distance"], 750.0, "five days at 150 mi");
    assert!(why["notes"].to_string().contains("does not fit the readings"), "{why}");
    assert_eq!(text(&why["track"]["set_aside"][0], "source"), "past service");
}

/// The evidence of a car whose duty and seat logs stand from 11 February to 17 March on days that `driven` picks.
async fn graded(
    app: &TestApp,
    client: &Client,
    unit: &str,
    driven: impl Fn(&NaiveDate) -> bool,
    hours: f64,
    rear: u32,
) -> Value {
    car(client, unit, "NORTH").await;
    serviced(client, unit, "2026-02-10T17:00:00Z", 36_000.0).await;
    post(client, "odometer-readings", month_of_readings(unit, 41_000.0, 150.0)).await;
    let days = || dates("2026-02-11", "2026-03-17").filter(|day| driven(day));
    post(client, "duty-logs", duty(unit, days(), hours)).await;
    post(client, "seat-logs", seats(unit, days(), rear)).await;
    app.settle().await;
    let listed = item(client, unit).await;
    let why = forecast(client, unit).await;
    assert_eq!(listed["grade"], why["grade"]);
    why["duty"].clone()
}

fn conditions(duty: &Value) -> Vec<&str> {
    duty["current"]["conditions"].as_array().unwrap().iter().map(|name| name.as_str().unwrap()).collect()
}

async fn six_days_of_a_complete_week_are_hard(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let five = graded(&app, &manager, "5", weekday, 8.0, 4).await;
    assert_eq!((text(&five, "grade"), conditions(&five)), ("ordinary", vec![]));
    // The window is 18 February to 17 March: three complete weeks, 20 weekdays.
    let evidence = &five["current"];
    assert_eq!((text(evidence, "from"), text(evidence, "to")), ("2026-02-18", "2026-03-17"));
    assert_eq!((&evidence["days_driven"], &evidence["complete_weeks"]), (&json!(20), &json!(3)));
    assert_eq!(evidence["busiest_week_days"], 5);
    let saturday = |day: &NaiveDate| weekday(day) || day.to_string() == "2026-03-07";
    let six = graded(&app, &manager, "6", saturday, 8.0, 4).await;
    assert_eq!((text(&six, "grade"), conditions(&six)), ("hard", vec!["days-per-week"]));
    assert_eq!(text(&six["current"], "busiest_week"), "2026-03-02");
    assert!(text(&six, "explanation").contains("6 days in the week of 2026-03-02"), "{six}");
    // Wednesday to Sunday, then Monday to Friday: ten days in a row, but five of each week.
    let across = |day: &NaiveDate| {
        let place = day.weekday().num_days_from_monday();
        if day.iso_week().week().is_multiple_of(2) { place >= 2 } else { place < 5 }
    };
    let across = graded(&app, &manager, "A", across, 8.0, 4).await;
    assert_eq!((text(&across, "grade"), &across["current"]["busiest_week_days"]), ("ordinary", &json!(5)), "{across}");
}

async fn more_than_ten_hours_a_driven_day_are_hard(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let ten = graded(&app, &manager, "10", weekday, 10.0, 4).await;
    assert_eq!((text(&ten, "grade"), &ten["current"]["mean_hours"]), ("ordinary", &json!(10.0)));
    let more = graded(&app, &manager, "11", weekday, 10.01, 4).await;
    assert_eq!((text(&more, "grade"), conditions(&more)), ("hard", vec!["hours-per-day"]));
    assert!(text(&more, "explanation").contains("10.01 hours a driven day"), "{more}");
}

async fn a_rear_seat_taken_on_half_the_trips_is_hard(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let nine = graded(&app, &manager, "9", weekday, 8.0, 9).await;
    assert_eq!((text(&nine, "grade"), &nine["current"]["rear_share"]), ("ordinary", &json!(0.45)));
    let ten = graded(&app, &manager, "10", weekday, 8.0, 10).await;
    assert_eq!((text(&ten, "grade"), conditions(&ten)), ("hard", vec!["rear-seat"]));
    assert!(text(&ten, "explanation").contains("50 % of the trips"), "{ten}");
}

async fn missing_logs_count_as_hard_and_are_said(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    serviced(&manager, "7", "2026-02-10T17:00:00Z", 36_000.0).await;
    post(&manager, "odometer-readings", month_of_readings("7", 41_000.0, 150.0)).await;
    app.settle().await;
    let none = forecast(&manager, "7").await["duty"].clone();
    assert_eq!(conditions(&none), ["duty-logs-missing", "seat-logs-missing"]);
    // The week that ended on 15 March, three days ago, may still come.
    let weeks = json!(["2026-02-23", "2026-03-02"]);
    assert_eq!(none["current"]["weeks_without_duty_logs"], weeks);
    assert_eq!(none["current"]["weeks_without_seat_logs"], weeks);
    assert!(text(&none, "explanation").contains("which counts as hard"), "{none}");
    post(&manager, "duty-logs", duty("7", dates("2026-02-11", "2026-03-13").filter(weekday), 8.0)).await;
    let seats_only = forecast(&manager, "7").await["duty"].clone();
    assert_eq!(conditions(&seats_only), ["seat-logs-missing"]);
    let days = dates("2026-02-11", "2026-03-13").filter(weekday);
    post(&manager, "seat-logs", seats("7", days.filter(|day| !(23..=28).contains(&day.day())), 4)).await;
    let one_week = forecast(&manager, "7").await["duty"].clone();
    assert_eq!(conditions(&one_week), ["seat-logs-missing"]);
    assert_eq!(one_week["current"]["weeks_without_seat_logs"], json!(["2026-02-23"]));
    post(&manager, "seat-logs", seats("7", dates("2026-02-25", "2026-02-25"), 4)).await;
    assert_eq!(text(&forecast(&manager, "7").await, "grade"), "ordinary");
}

async fn the_bars_of_hard_duty_are_settings(engine: Engine) {
    let settings = [("duty.week_days", "5"), ("duty.mean_hours", "7.5"), ("duty.rear_share", "0.2")];
    let (app, manager) = TestApp::with(engine, &settings).await;
    two_depots(&manager).await;
    let found = graded(&app, &manager, "7", weekday, 8.0, 4).await;
    assert_eq!(conditions(&found), ["days-per-week", "hours-per-day", "rear-seat"]);
}

/// A car's hours by day.
async fn hours(client: &Client, unit: &str) -> Vec<(String, f64)> {
    let days = client.get(&format!("/v1/vehicles/{unit}/duty-days")).await.expect(200);
    let total: f64 = days["days"].as_array().unwrap().iter().map(|day| day["hours"].as_f64().unwrap()).sum();
    assert!((total - days["hours"].as_f64().unwrap()).abs() < 1e-3, "{days}");
    days["days"]
        .as_array()
        .unwrap()
        .iter()
        .map(|day| (text(day, "date").to_owned(), day["hours"].as_f64().unwrap()))
        .collect()
}

async fn two_drivers_shifts_add_up_and_a_total_never_adds(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let row = |date: &str, shift: Option<&str>, hours: f64, source: &str| json!({"unit": "7", "date": date, "shift": shift, "hours": hours, "trips": 10, "source": source});
    let rows = json!([
        // Two drivers, and the day's total of the same source: 13 hours, not 26.
        row("2026-03-02", Some("day"), 7.0, "dispatch"),
        row("2026-03-02", Some("night"), 6.0, "dispatch"),
        row("2026-03-02", None, 13.0, "dispatch"),
        // A total larger than the shifts that came: 11 hours.
        row("2026-03-03", Some("day"), 7.0, "dispatch"),
        row("2026-03-03", None, 11.0, "payroll"),
        // One shift told by two sources: the larger.
        row("2026-03-04", Some("day"), 7.0, "dispatch"),
        row("2026-03-04", Some("day"), 7.5, "telematics"),
        // Two totals: the larger.
        row("2026-03-05", None, 5.0, "dispatch"),
        row("2026-03-05", None, 6.0, "payroll"),
    ]);
    assert_eq!(post(&manager, "duty-logs", rows).await["stored"], 9);
    let expected = [("2026-03-02", 13.0), ("2026-03-03", 11.0), ("2026-03-04", 7.5), ("2026-03-05", 6.0)];
    assert_eq!(hours(&manager, "7").await, expected.map(|(date, hours)| (date.to_owned(), hours)));
    let days = manager.get("/v1/vehicles/7/duty-days?from=2026-03-02&to=2026-03-03").await.expect(200);
    assert_eq!((&days["days_driven"], &days["trips"], &days["days"][0]["trips"]), (&json!(2), &json!(30), &json!(20)));
}

async fn a_night_shift_is_split_at_local_midnight(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let shift = |start: &str, end: &str| json!({"unit": "7", "shift": "night", "start_at": start, "end_at": end});
    let rows = json!([
        shift("2026-03-02T20:00:00-05:00", "2026-03-03T04:30:00-05:00"),
        // New York, 2026-03-08: 23 hours (IANA; FACTS.md, 5). From 22:00 to 06:00 are seven elapsed hours.
        shift("2026-03-07T22:00:00-05:00", "2026-03-08T06:00:00-04:00"),
        // New York, 2025-11-02: 25 hours (IANA). From 22:00 to 06:00 are nine.
        shift("2025-11-01T22:00:00-04:00", "2025-11-02T06:00:00-05:00"),
    ]);
    assert_eq!(post(&manager, "duty-logs", rows).await["stored"], 3);
    let expected = [
        ("2025-11-01", 2.0),
        ("2025-11-02", 7.0),
        ("2026-03-02", 4.0),
        ("2026-03-03", 4.5),
        ("2026-03-07", 2.0),
        ("2026-03-08", 5.0),
    ];
    assert_eq!(hours(&manager, "7").await, expected.map(|(date, hours)| (date.to_owned(), hours)));
}

async fn no_day_has_more_hours_than_it_lasts(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let rows: Value = ["2025-11-02", "2026-03-02", "2026-03-08"]
        .iter()
        .flat_map(|date| {
            ["day", "night"].map(|shift| json!({"unit": "7", "date": date, "shift": shift, "hours": 13.5}))
        })
        .collect();
    post(&manager, "duty-logs", rows).await;
    // 25, 24 and 23 hours in New York (IANA; FACTS.md, 5).
    let expected = [("2025-11-02", 25.0), ("2026-03-02", 24.0), ("2026-03-08", 23.0)];
    assert_eq!(hours(&manager, "7").await, expected.map(|(date, hours)| (date.to_owned(), hours)));
}

async fn a_silent_car_says_since_when(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    for (unit, last) in [("6", "2026-03-12"), ("7", "2026-03-11")] {
        car(&manager, unit, "NORTH").await;
        let at = format!("{last}T17:00:00Z");
        post(&manager, "odometer-readings", json!({"unit": unit, "at": at, "odometer": 5_000, "distance_unit": "mi"}))
            .await;
    }
    app.settle().await;
    let (six, seven) = (item(&manager, "6").await, item(&manager, "7").await);
    assert_eq!((&six["silent_days"], &six["silent"]), (&json!(6), &json!(false)));
    assert_eq!((&seven["silent_days"], &seven["silent"]), (&json!(7), &json!(true)));
    assert_eq!(text(&seven, "last_reading_at"), "2026-03-11T17:00:00Z");
    // A car that never sent is silent from its first day on.
    car(&manager, "8", "NORTH").await;
    app.settle().await;
    let eight = item(&manager, "8").await;
    assert_eq!(
        (&eight["last_reading_at"], &eight["silent"], &eight["silent_days"]),
        (&Value::Null, &json!(true), &json!(441))
    );
}

async fn off_road(client: &Client, unit: &str, from: &str, to: Option<&str>) {
    let body = json!({"from": from, "to": to, "reason": "body work"});
    client.send(&format!("/v1/vehicles/{unit}/off-road"), body).await.expect(201);
}

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

async fn days_off_the_road_shift_the_dates(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    ordinary_car(&manager, "7", "NORTH").await;
    app.settle().await;
    let before = item(&manager, "7").await;
    // 14,750 mi to the early edge at 150 mi a day: 99 days after 17 March.
    assert_eq!(text(&before["due"]["early"], "p50"), "2026-06-24");
    off_road(&manager, "7", "2026-04-01", Some("2026-04-10")).await;
    app.settle().await;
    let after = item(&manager, "7").await;
    assert_eq!(text(&after["due"]["early"], "p50"), "2026-07-04");
    let shift = day(text(&after["due"]["late"], "p50")) - day(text(&before["due"]["late"], "p50"));
    assert_eq!(shift, TimeDelta::days(10));
    assert_eq!(after["off_road"], false);
    // Without an end no edge of distance is ever reached.
    off_road(&manager, "7", "2026-03-18", None).await;
    app.settle().await;
    let open = item(&manager, "7").await;
    assert_eq!((&open["off_road"], &open["due"]["early"]["p50"]), (&json!(true), &Value::Null));
    assert!(open["no_date_because"].is_string(), "{open}");
    let back = manager.send("/v1/vehicles/7/return-to-service", json!({"on": "2026-03-18"})).await;
    assert_eq!(back.expect(200), json!({"unit": "7", "on": "2026-03-18"}));
    app.settle().await;
    assert_eq!(text(&item(&manager, "7").await["due"]["early"], "p50"), "2026-07-04");
}

async fn days_off_the_road_leave_the_window_of_duty(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    serviced(&manager, "7", "2026-02-10T17:00:00Z", 36_000.0).await;
    let moving = |date: &NaiveDate| weekday(date) && !(day("2026-02-23")..=day("2026-03-08")).contains(date);
    let days = || dates("2026-02-11", "2026-03-17").filter(moving);
    post(&manager, "duty-logs", duty("7", days(), 8.0)).await;
    post(&manager, "seat-logs", seats("7", days(), 4)).await;
    app.settle().await;
    assert_eq!(conditions(&forecast(&manager, "7").await["duty"]), ["duty-logs-missing"]);
    off_road(&manager, "7", "2026-02-23", Some("2026-03-08")).await;
    app.settle().await;
    let found = forecast(&manager, "7").await["duty"].clone();
    assert_eq!((text(&found, "grade"), &found["current"]["days_off_road"]), ("ordinary", &json!(14)), "{found}");
}

async fn a_silence_off_the_road_is_no_silence(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    post(
        &manager,
        "odometer-readings",
        json!({"unit": "7", "at": "2026-03-01T17:00:00Z", "odometer": 5_000, "distance_unit": "mi"}),
    )
    .await;
    off_road(&manager, "7", "2026-03-03", Some("2026-03-15")).await;
    app.settle().await;
    let found = item(&manager, "7").await;
    assert_eq!(
        (&found["silent_days"], &found["silent"], &found["off_road"]),
        (&json!(17), &json!(false), &json!(false))
    );
}

async fn beyond_the_horizon_a_date_is_null_with_the_reason(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    // Ten miles a day: 20,000 mi are some 2,000 days away, the horizon is 730.
    post(&manager, "odometer-readings", month_of_readings("7", 4_000.0, 10.0)).await;
    app.settle().await;
    let found = item(&manager, "7").await;
    assert_eq!(found["due"]["early"], json!({"p10": null, "p50": null, "p90": null}));
    assert_eq!(
        (text(&found, "no_date_because"), text(&found, "band")),
        ("not within the horizon of 730 days", "before")
    );
    // A car that stands never comes to an edge.
    car(&manager, "8", "NORTH").await;
    post(&manager, "odometer-readings", month_of_readings("8", 4_000.0, 0.0)).await;
    app.settle().await;
    let why = forecast(&manager, "8").await;
    assert!(text(&why, "no_date_because").contains("stands"), "{why}");
    assert!(text(&why, "sentence").contains("it stands"), "{why}");
}

async fn the_chance_of_running_past_grows_with_the_day(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    ordinary_car(&manager, "7", "NORTH").await;
    app.settle().await;
    let chance = async |by: &str| {
        let found = manager.get(&format!("/v1/vehicles/7/forecast?by={by}")).await.expect(200);
        assert_eq!(text(&found, "chance_by"), by);
        found["chance_past_late"].as_f64().unwrap()
    };
    let late = item(&manager, "7").await["due"]["late"].clone();
    // A date at p % is the first day by whose end the chance is at least p %.
    for (name, level) in [("p10", 0.1), ("p50", 0.5), ("p90", 0.9)] {
        let on = day(text(&late, name));
        let before = on.pred_opt().unwrap();
        assert!(chance(&on.to_string()).await >= level - 5e-4, "{name}");
        assert!(chance(&before.to_string()).await < level + 5e-4, "{name}");
    }
    assert_eq!((chance("2020-01-01").await, chance("2039-01-01").await), (0.0, 1.0));
    let listed = item(&manager, "7").await;
    assert_eq!(text(&listed, "chance_by"), "2026-04-01", "today and the lead time of 14 days");
    assert_eq!(fault(&manager.get("/v1/vehicles/7/forecast?by=soon").await.problem(400)), "by");
    assert_eq!(fault(&manager.get("/v1/vehicles/7/forecast?kind=oil").await.problem(400)), "kind");
    manager.get("/v1/vehicles/99/forecast").await.problem(404);
}

/// Six cars: unknown, silent, and four by their late edge, one of them in Winnipeg.
async fn six_cars(app: &TestApp, manager: &Client) {
    for (unit, depot, last) in [
        ("LAST", "NORTH", 1_000.0),
        ("PAST", "NORTH", 26_000.0),
        ("INSIDE", "NORTH", 21_000.0),
        ("WEST1", "WEST", 15_000.0),
    ] {
        car(manager, unit, depot).await;
        post(manager, "odometer-readings", month_of_readings(unit, last + 10.0, 30.0)).await;
    }
    app.settle().await;
    add(manager, "UNKNOWN", json!({"odometer_in_service": 50_000, "distance_unit": "mi"})).await;
    car(manager, "SILENT", "NORTH").await;
    app.settle().await;
}

async fn units(client: &Client, query: &str) -> Vec<String> {
    let page = client.get(&format!("/v1/upcoming{query}")).await.expect(200);
    page["items"].as_array().unwrap().iter().map(|item| text(item, "unit").to_owned()).collect()
}

async fn unknown_and_silent_cars_come_first_then_by_date(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    six_cars(&app, &manager).await;
    let all = ["UNKNOWN", "SILENT", "PAST", "INSIDE", "WEST1", "LAST"];
    assert_eq!(units(&manager, "").await, all);
    assert_eq!(units(&manager, "?depot=WEST").await, ["WEST1"]);
    assert_eq!(units(&manager, "?depot=NOWHERE").await, [""; 0]);
    assert_eq!(units(&manager, "?band=past").await, ["PAST"]);
    assert_eq!(units(&manager, "?band=unknown").await, ["UNKNOWN"]);
    assert_eq!(units(&manager, "?band=before").await, ["SILENT", "WEST1", "LAST"]);
    assert_eq!(units(&manager, "?kind=fan-service&band=inside").await, ["INSIDE"]);
    assert_eq!(units(&manager, "?kind=cooling-check").await, [""; 0]);
    assert_eq!(units(&manager, "?unit=WEST1").await, ["WEST1"]);
    // Unknown and silent ones stay in whatever the date.
    assert_eq!(units(&manager, "?until=2026-03-18").await, ["UNKNOWN", "SILENT", "PAST", "INSIDE"]);
    // WEST1: 5,000 mi to the early edge at 30 mi a day are 167 days after 17 March.
    assert_eq!(text(&item(&manager, "WEST1").await["due"]["early"], "p50"), "2026-08-31");
    assert_eq!(units(&manager, "?until=2026-08-30").await.len(), 4);
    assert_eq!(units(&manager, "?until=2026-08-31").await.len(), 5);
    for (query, name) in [
        ("?band=late", "band"),
        ("?kind=oil", "kind"),
        ("?until=soon", "until"),
        ("?distance_unit=m", "distance_unit"),
        ("?format=xml", "format"),
        ("?colour=red", "colour"),
    ] {
        assert_eq!(fault(&manager.get(&format!("/v1/upcoming{query}")).await.problem(400)), name);
    }
}

async fn pages_walk_the_whole_list_once(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    six_cars(&app, &manager).await;
    let whole = units(&manager, "").await;
    for limit in [1, 2, 3, 5, 6] {
        let (mut path, mut walked, mut pages) = (format!("/v1/upcoming?limit={limit}"), Vec::new(), 0);
        loop {
            let reply = manager.get(&path).await;
            let page = reply.expect(200);
            walked.extend(page["items"].as_array().unwrap().iter().map(|item| text(item, "unit").to_owned()));
            pages += 1;
            let Some(next) = page["next"].as_str() else { break };
            assert_eq!(reply.headers["link"], format!("<{next}>; rel=\"next\""));
            path = next.to_owned();
        }
        assert_eq!((&walked, pages), (&whole, 6_usize.div_ceil(limit)), "limit {limit}");
    }
    // A page keeps its filters.
    let first = manager.get("/v1/upcoming?depot=NORTH&limit=4&distance_unit=km").await.expect(200);
    let second = manager.get(text(&first, "next")).await.expect(200);
    assert_eq!((text(&second["items"][0], "unit"), second["items"][0]["distance_unit"].as_str()), ("LAST", Some("km")));
}

async fn the_table_says_what_the_json_says(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    six_cars(&app, &manager).await;
    let json = manager.get("/v1/upcoming?limit=4").await;
    let by_header =
        manager.call(axum::http::Method::GET, "/v1/upcoming?limit=4").header("accept", "text/csv").send().await;
    let by_query = manager.get("/v1/upcoming?limit=4&format=csv").await;
    assert_eq!(by_header.text, by_query.text);
    assert!(by_query.headers["content-type"].to_str().unwrap().starts_with("text/csv"));
    assert!(by_query.headers.contains_key("link"));
    let items = json.expect(200)["items"].as_array().unwrap().clone();
    let mut reader = csv::Reader::from_reader(by_query.text.as_bytes());
    let columns = reader.headers().unwrap().clone();
    let pointers = [
        ("unit", "/unit"),
        ("depot", "/depot"),
        ("kind", "/kind"),
        ("band", "/band"),
        ("grade", "/grade"),
        ("distance_unit", "/distance_unit"),
        ("deciding_meter", "/deciding_meter"),
        ("distance_since_service", "/since_service/distance"),
        ("window_early", "/window/distance/early"),
        ("window_late", "/window/distance/late"),
        ("early_p10", "/due/early/p10"),
        ("early_p50", "/due/early/p50"),
        ("early_p90", "/due/early/p90"),
        ("late_p10", "/due/late/p10"),
        ("late_p50", "/due/late/p50"),
        ("late_p90", "/due/late/p90"),
        ("chance_past_late", "/chance_past_late"),
        ("last_reading_at", "/last_reading_at"),
        ("silent_days", "/silent_days"),
        ("work_order", "/work_order"),
    ];
    assert_eq!(columns.iter().collect::<Vec<_>>(), pointers.map(|(name, _)| name));
    let rows: Vec<_> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), items.len());
    for (row, item) in rows.iter().zip(&items) {
        for (cell, (name, pointer)) in row.iter().zip(pointers) {
            match item.pointer(pointer).unwrap_or(&Value::Null) {
                Value::Null => assert_eq!(cell, "", "{name}"),
                Value::Number(number) => assert_eq!(cell.parse::<f64>().unwrap(), number.as_f64().unwrap(), "{name}"),
                other if name == "last_reading_at" => assert_eq!(instant(cell), instant(other.as_str().unwrap())),
                other => assert_eq!(cell, other.as_str().unwrap(), "{name}"),
            }
        }
    }
}

async fn a_cell_that_looks_like_a_formula_is_guarded(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    add(&manager, "=1+1", json!({"odometer_in_service": 5, "distance_unit": "mi"})).await;
    app.settle().await;
    let table = manager.get("/v1/upcoming?format=csv").await;
    assert!(table.text.lines().nth(1).unwrap().starts_with("'=1+1,"), "{}", table.text);
}

async fn distances_come_in_the_unit_asked_for(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    car(&manager, "8", "WEST").await;
    for unit in ["7", "8"] {
        post(&manager, "odometer-readings", month_of_readings(unit, 20_010.0, 100.0)).await;
    }
    app.settle().await;
    // 20,000 mi = 32,186.88 km, 25,000 mi = 40,233.6 km (FACTS.md, 5), shown to a tenth.
    let kilometres = (json!("km"), json!(32_186.9), json!({"early": 32_186.9, "late": 40_233.6}));
    let miles = (json!("mi"), json!(20_000.0), json!({"early": 20_000.0, "late": 25_000.0}));
    for (unit, asked, (name, since, window)) in
        [("7", "", &miles), ("8", "", &kilometres), ("7", "km", &kilometres), ("8", "mi", &miles)]
    {
        let query = if asked.is_empty() { String::new() } else { format!("&distance_unit={asked}") };
        let listed = manager.get(&format!("/v1/upcoming?unit={unit}{query}")).await.expect(200)["items"][0].clone();
        let why = manager.get(&format!("/v1/vehicles/{unit}/forecast?kind=fan-service{query}")).await.expect(200);
        for found in [&listed, &why] {
            assert_eq!((&found["distance_unit"], &found["since_service"]["distance"]), (name, since));
        }
        assert_eq!((&listed["window"]["distance"], &why["rule"]["window"]["distance"]), (window, window));
        let days =
            manager.get(&format!("/v1/vehicles/{unit}/duty-days?{}", query.trim_start_matches('&'))).await.expect(200);
        assert_eq!((&days["distance_unit"], &days["distance"]), (name, since));
    }
}

/// The numbers with a comma between thousands in a sentence.
fn numbers(sentence: &str) -> Vec<f64> {
    sentence
        .split(|letter: char| !(letter.is_ascii_digit() || letter == ',' || letter == '-'))
        .map(|word| word.trim_matches(','))
        .filter_map(|word| word.replace(',', "").parse().ok())
        .collect()
}

async fn the_sentence_agrees_with_the_fields(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    ordinary_car(&manager, "7", "NORTH").await;
    app.settle().await;
    let why = forecast(&manager, "7").await;
    let (said, usage) = (numbers(text(&why, "sentence")), &why["usage"]);
    assert!(
        text(&why, "sentence")
            .starts_with("By 2026-03-17 the car had gone 5,250 mi since the fan service of 2026-02-10")
    );
    for field in [
        &why["since_service"]["distance"],
        &usage["distance_per_day"],
        &usage["days_counted"],
        &why["rule"]["window"]["distance"]["early"],
        &why["rule"]["window"]["distance"]["late"],
    ] {
        assert!(said.contains(&field.as_f64().unwrap()), "{field} in {said:?}");
    }
    // 14,750 and 19,750 mi left at 150 mi a day: 99 and 132 days, counted from the last reading.
    for number in [14_750.0, 99.0, 19_750.0, 132.0] {
        assert!(said.contains(&number), "{number} in {said:?}");
    }
    let last = day("2026-03-17");
    assert_eq!(day(text(&why["due"]["early"], "p50")), last + TimeDelta::days(99));
    assert_eq!(day(text(&why["due"]["late"], "p50")), last + TimeDelta::days(132));
    // The one for today: one more day.
    assert_eq!(why["expected_today"], 5_400.0);
}

async fn the_list_and_the_explanation_say_the_same(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    six_cars(&app, &manager).await;
    for unit in units(&manager, "").await {
        list_and_explanation_agree(&manager, &unit).await;
    }
}

async fn a_car_without_history_goes_as_its_depot_does(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "NEW", "NORTH").await;
    app.settle().await;
    assert_eq!(forecast(&manager, "NEW").await["usage"]["basis"], "assumed");
    assert_eq!(forecast(&manager, "NEW").await["usage"]["distance_per_day"], 150.0);
    for (unit, per_day) in [("7", 100.0), ("8", 140.0)] {
        car(&manager, unit, "NORTH").await;
        post(&manager, "odometer-readings", month_of_readings(unit, 9_000.0, per_day)).await;
    }
    app.settle().await;
    let usage = forecast(&manager, "NEW").await["usage"].clone();
    assert_eq!((text(&usage, "basis"), &usage["distance_per_day"]), ("depot", &json!(120.0)));
    let usage = forecast(&manager, "7").await["usage"].clone();
    assert_eq!(
        (text(&usage, "basis"), &usage["distance_per_day"], &usage["days_counted"]),
        ("own", &json!(100.0), &json!(29))
    );
}

async fn a_newest_reading_that_alone_moves_the_date_far_is_provisional(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    serviced(&manager, "7", "2025-10-01T17:00:00Z", 30_000.0).await;
    post(&manager, "odometer-readings", month_of_readings("7", 41_000.0, 60.0)).await;
    app.settle().await;
    assert_eq!(forecast(&manager, "7").await["track"]["provisional"], Value::Null);
    // 1,400 mi in nineteen hours: a car could, this one never did. At 60 mi a day they are 23 days.
    let newest = |at: &str, odometer: f64| json!([{"unit": "7", "at": at, "odometer": odometer, "distance_unit": "mi", "source": "telematics"}]);
    post(&manager, "odometer-readings", newest("2026-03-18T12:00:00Z", 42_400.0)).await;
    let told = forecast(&manager, "7").await;
    let provisional = &told["track"]["provisional"];
    assert_eq!((&provisional["odometer"], &provisional["source"]), (&json!(42_400.0), &json!("telematics")), "{told}");
    assert!(provisional["moved_days"].as_i64().unwrap() < -14, "{provisional}");
    let said = |told: &Value| {
        told["notes"].as_array().unwrap().iter().any(|note| note.as_str().unwrap().starts_with("provisional: "))
    };
    assert!(said(&told), "{told}");
    post(&manager, "odometer-readings", newest("2026-03-18T15:00:00Z", 42_410.0)).await;
    let confirmed = forecast(&manager, "7").await;
    assert_eq!(confirmed["track"]["provisional"], Value::Null, "{}", confirmed["track"]);
    assert!(!said(&confirmed));
}

async fn a_source_in_the_wrong_unit_is_named(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    post(&manager, "odometer-readings", month_of_readings("7", 41_000.0, 150.0)).await;
    let km_as_miles: Value = (0..6)
        .map(|back| {
            let at = instant("2026-03-17T20:00:00Z") - TimeDelta::days(back);
            let odometer = ((41_015.0 - 150.0 * back as f64) * 1.609_344).round();
            json!({"unit": "7", "at": at, "odometer": odometer, "distance_unit": "mi", "source": "fuel card"})
        })
        .collect();
    post(&manager, "odometer-readings", km_as_miles).await;
    app.settle().await;
    let track = forecast(&manager, "7").await["track"].clone();
    let suspects = track["suspect_sources"].as_array().unwrap();
    assert_eq!(suspects.len(), 1, "{track}");
    assert_eq!((text(&suspects[0], "source"), text(&suspects[0], "suspicion")), ("fuel card", "km-as-miles"));
    assert_eq!(track["set_aside"].as_array().unwrap().len(), 6);
}

async fn a_source_of_no_trust_decides_nothing(engine: Engine) {
    let (app, manager) = TestApp::with(engine, &[("track.trust.fuel card", "0")]).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    post(&manager, "odometer-readings", month_of_readings("7", 41_000.0, 150.0)).await;
    let plausible = json!([{"unit": "7", "at": "2026-03-17T20:00:00Z", "odometer": 41_020, "distance_unit": "mi", "source": "fuel card"}]);
    post(&manager, "odometer-readings", plausible).await;
    app.settle().await;
    let track = forecast(&manager, "7").await["track"].clone();
    let aside = &track["set_aside"][0];
    assert_eq!((text(aside, "source"), text(aside, "reason")), ("fuel card", "untrusted"), "{track}");
    assert_eq!(track["last"]["odometer"], 41_000.0);
}

async fn readings_that_lie_are_set_aside_with_the_reason(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    post(&manager, "odometer-readings", month_of_readings("7", 41_000.0, 150.0)).await;
    let lie = |at: &str, odometer: f64| json!({"unit": "7", "at": at, "odometer": odometer, "distance_unit": "mi", "source": "fuel card"});
    let lies = json!([lie("2026-03-10T20:00:00Z", 3_998.0), lie("2026-03-12T20:00:00Z", 402_800.0)]);
    post(&manager, "odometer-readings", lies).await;
    app.settle().await;
    let track = forecast(&manager, "7").await["track"].clone();
    let aside: Vec<_> = track["set_aside"]
        .as_array()
        .unwrap()
        .iter()
        .map(|row| (text(row, "at"), text(row, "reason"), text(row, "source")))
        .collect();
    let expected = [
        ("2026-03-12T20:00:00Z", "tenths-as-whole", "fuel card"),
        ("2026-03-10T20:00:00Z", "dropped-digit", "fuel card"),
    ];
    assert_eq!(aside, expected, "newest first");
    // Thirty readings, the two lies and the odometer at the start.
    assert_eq!((&track["readings"], &track["kept"]), (&json!(33), &json!(31)));
    assert_eq!(item(&manager, "7").await["since_service"]["distance"], 40_990.0);
}

async fn a_changed_instrument_cluster_goes_on_counting(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    post(&manager, "odometer-readings", month_of_readings("7", 20_010.0, 100.0)).await;
    app.pass(TimeDelta::days(12));
    let first = instant("2026-03-19T17:00:00Z");
    let rows: Value = (0..10)
        .map(|day| json!({"unit": "7", "at": first + TimeDelta::days(day), "odometer": 60.0 + 100.0 * day as f64, "distance_unit": "mi"}))
        .collect();
    post(&manager, "odometer-readings", rows).await;
    app.settle().await;
    let why = forecast(&manager, "7").await;
    assert_eq!(why["track"]["cluster_changes"][0]["odometer"], 60.0, "{}", why["track"]);
    // 20,000 mi on the old cluster; the new one began at zero and shows 960.
    assert_eq!(why["since_service"]["distance"], 20_960.0);
}

async fn values_at_their_limits_are_computed(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    for (unit, on) in [("OLD", "1990-01-01"), ("FUTURE", "9999-12-31"), ("7", "2025-01-01")] {
        let car = json!({"unit": unit, "depot": "NORTH", "in_service_on": on, "odometer_in_service": 0, "distance_unit": "km"});
        manager.send("/v1/vehicles", car).await.expect(201);
    }
    let reading = |at: &str, odometer: f64| json!({"unit": "7", "at": at, "odometer": odometer, "distance_unit": "km"});
    let rows = json!([
        reading("2025-01-01T05:00:00.000001Z", 0.0),
        reading("2026-03-17T23:59:59.999999Z", 10_000_000.0),
        reading("2026-03-16T23:59:59Z", 1e-9),
    ]);
    assert_eq!(post(&manager, "odometer-readings", rows).await["stored"], 3);
    serviced(&manager, "OLD", "1990-01-01T12:00:00Z", 0.0).await;
    let shifts: Value = (0..9)
        .map(|shift| {
            let source = "x".repeat(64);
            json!({"unit": "7", "date": "2026-03-16", "shift": format!("s{shift}"), "hours": 25, "trips": u32::MAX, "source": source})
        })
        .collect();
    post(&manager, "duty-logs", shifts).await;
    let seats: Value = (0..9)
        .map(|shift| json!({"unit": "7", "date": "2026-03-16", "shift": format!("s{shift}"), "trips": u32::MAX, "rear_trips": u32::MAX}))
        .collect();
    post(&manager, "seat-logs", seats).await;
    off_road(&manager, "OLD", "1990-01-01", Some("9999-12-31")).await;
    off_road(&manager, "OLD", "9999-12-31", None).await;
    let rule = json!({
        "hard": {"distance": {"early": 0.001, "late": 1_000_000}, "hours": {"early": 0.001, "late": 1_000_000}, "days": {"early": 1, "late": 36_500}},
        "lead_days": 366, "raise_chance": 0, "mixed": "blended",
    });
    manager.patch("/v1/service-rules/fan-service").if_match("*").json(&rule).send().await.expect(200);
    app.settle().await;
    assert_eq!(app.app.store.count_stale().await.unwrap(), 0);
    let mut all = units(&manager, "").await;
    all.sort();
    assert_eq!(all, ["7", "FUTURE", "OLD"]);
    for unit in all {
        for by in ["1990-01-01", "9999-12-31"] {
            manager.get(&format!("/v1/vehicles/{unit}/forecast?by={by}")).await.expect(200);
        }
        manager.get(&format!("/v1/vehicles/{unit}/duty-days?from=1990-01-01&to=9999-12-31")).await.expect(200);
    }
    for date in ["1990-01-01", "9999-12-31"] {
        manager.get(&format!("/v1/upcoming?until={date}")).await.expect(200);
        manager.get(&format!("/v1/day-lists/{date}")).await.expect(200);
        manager.get(&format!("/v1/odometer-readings?unit=7&from={date}&to={date}")).await.expect(200);
        manager.get(&format!("/v1/duty-logs?unit=7&from={date}&to={date}")).await.expect(200);
    }
    for (path, body, status) in [
        ("/v1/vehicles/7/move", json!({"depot": "WEST", "on": "9999-12-31"}), 202),
        ("/v1/vehicles/OLD/return-to-service", json!({"on": "9999-12-31"}), 200),
        ("/v1/vehicles/FUTURE/retire", json!({"on": "9999-12-31", "reason": "sold"}), 422),
    ] {
        manager.post(path).once().if_match("*").json(&body).send().await.expect(status);
    }
    app.settle().await;
    assert_eq!(app.app.store.count_stale().await.unwrap(), 0);
}

async fn forged_cursors_are_refused(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    six_cars(&app, &manager).await;
    for place in ["", "[]", "[1]", "{}", "[1,2,3,4]", "[1e99,0,0,\"x\"]", "[9223372036854775808,0,0,\"x\"]"] {
        let cursor = hex::encode(place);
        assert_eq!(
            fault(&manager.get(&format!("/v1/upcoming?cursor={cursor}")).await.problem(400)),
            "cursor",
            "{place}"
        );
        assert_eq!(
            fault(&manager.get(&format!("/v1/work-orders?cursor={cursor}")).await.problem(400)),
            "cursor",
            "{place}"
        );
    }
    // One that is well made but beyond every item shows an empty last page.
    let end = hex::encode("[9223372036854775807,9223372036854775807,9223372036854775807,\"x\"]");
    let page = manager.get(&format!("/v1/upcoming?cursor={end}")).await.expect(200);
    assert_eq!(page, json!({"items": [], "next": null}));
    for limit in ["0", "-1", "501", "9223372036854775808", "x", ""] {
        assert_eq!(fault(&manager.get(&format!("/v1/upcoming?limit={limit}")).await.problem(400)), "limit", "{limit}");
    }
}

/// Readings at eight in the morning and six in the evening of each day, 200 mi driven between them.
fn working_days(unit: &str, days: impl Iterator<Item = NaiveDate>) -> Value {
    let rows = days.enumerate().flat_map(|(driven, day)| {
        [("12:00:00", 0), ("22:00:00", 1)].map(|(time, share)| {
            json!({
                "unit": unit, "at": format!("{day}T{time}Z"), "odometer": 1_000 + 200 * (driven + share),
                "distance_unit": "mi", "source": "telematics",
            })
        })
    });
    rows.collect()
}

async fn a_car_that_never_works_on_sundays_never_falls_due_on_one(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    car(&manager, "7", "NORTH").await;
    let six = dates("2025-11-10", "2026-03-17").filter(|day| day.weekday() != chrono::Weekday::Sun);
    post(&manager, "odometer-readings", working_days("7", six)).await;
    app.settle().await;
    let why = forecast(&manager, "7").await;
    let weekdays: Vec<f64> = serde_json::from_value(why["usage"]["weekdays"].clone()).unwrap();
    assert!(weekdays[6] == 0.0 && weekdays[..6].iter().all(|weight| (1.15..1.18).contains(weight)), "{weekdays:?}");
    assert_eq!(why["usage"]["weekdays_hours"], json!([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0]));
    assert!(why["notes"].to_string().contains("practically never driven on Sundays"), "{why}");
    assert!(text(&why, "sentence").contains("practically never driven on Sundays"), "{why}");
    for edge in ["early", "late"] {
        for chance in ["p10", "p50", "p90"] {
            let due: Option<NaiveDate> = serde_json::from_value(why["due"][edge][chance].clone()).unwrap();
            assert!(due.is_none_or(|day| day.weekday() != chrono::Weekday::Sun), "{edge} {chance}: {due:?}");
        }
    }
    // On a Saturday the chance is what it is on the Sunday after it.
    let chance = async |by: &str| {
        let found = manager.get(&format!("/v1/vehicles/7/forecast?by={by}")).await.expect(200);
        found["chance_past_late"].as_f64().unwrap()
    };
    let late: NaiveDate = text(&why["due"]["late"], "p50").parse().unwrap();
    let saturday = late - TimeDelta::days((i64::from(late.weekday().num_days_from_monday()) + 2) % 7);
    let next = |days: i64| (saturday + TimeDelta::days(days)).to_string();
    assert_eq!(chance(&next(0)).await, chance(&next(1)).await);
    assert!(chance(&next(1)).await < chance(&next(2)).await);
}

async fn a_move_to_another_depot_makes_the_history_a_second_opinion(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    ordinary_car(&manager, "7", "NORTH").await;
    car(&manager, "W", "WEST").await;
    post(&manager, "odometer-readings", month_of_readings("W", 9_000.0, 100.0)).await;
    app.settle().await;
    let body = json!({"depot": "WEST", "on": "2026-03-18"});
    manager.post("/v1/vehicles/7/move").once().if_match("*").json(&body).send().await.expect(200);
    app.settle().await;
    // Nothing is known since: half its own 150 mi and half the 100 of the one car there.
    let why = manager.get("/v1/vehicles/7/forecast?distance_unit=mi").await.expect(200);
    assert_eq!((text(&why["usage"], "basis"), &why["usage"]["distance_per_day"]), ("changed", &json!(125.0)), "{why}");
    assert!(why["notes"].to_string().contains("moved to another depot on 2026-03-18"), "{why}");
    assert_eq!(item(&manager, "7").await["due"], manager.get("/v1/vehicles/7/forecast").await.expect(200)["due"]);
}

crate::on_both!(
    a_car_that_never_works_on_sundays_never_falls_due_on_one,
    a_move_to_another_depot_makes_the_history_a_second_opinion,
    values_at_their_limits_are_computed,
    forged_cursors_are_refused,
    a_new_car_without_a_service_counts_from_its_first_odometer,
    a_used_car_is_unknown_until_somebody_says,
    a_car_nobody_has_read_is_unknown,
    the_last_service_counts_and_no_other_job,
    nothing_is_shown_as_less_than_nothing,
    a_service_without_an_odometer_is_placed_by_the_readings,
    six_days_of_a_complete_week_are_hard,
    more_than_ten_hours_a_driven_day_are_hard,
    a_rear_seat_taken_on_half_the_trips_is_hard,
    missing_logs_count_as_hard_and_are_said,
    the_bars_of_hard_duty_are_settings,
    two_drivers_shifts_add_up_and_a_total_never_adds,
    a_night_shift_is_split_at_local_midnight,
    no_day_has_more_hours_than_it_lasts,
    a_silent_car_says_since_when,
    days_off_the_road_shift_the_dates,
    days_off_the_road_leave_the_window_of_duty,
    a_silence_off_the_road_is_no_silence,
    beyond_the_horizon_a_date_is_null_with_the_reason,
    the_chance_of_running_past_grows_with_the_day,
    unknown_and_silent_cars_come_first_then_by_date,
    pages_walk_the_whole_list_once,
    the_table_says_what_the_json_says,
    a_cell_that_looks_like_a_formula_is_guarded,
    distances_come_in_the_unit_asked_for,
    the_sentence_agrees_with_the_fields,
    the_list_and_the_explanation_say_the_same,
    a_car_without_history_goes_as_its_depot_does,
    a_newest_reading_that_alone_moves_the_date_far_is_provisional,
    a_source_in_the_wrong_unit_is_named,
    a_source_of_no_trust_decides_nothing,
    readings_that_lie_are_set_aside_with_the_reason,
    a_changed_instrument_cluster_goes_on_counting,
);
