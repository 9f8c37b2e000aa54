//! Old rows come from a car's book, and what is read is what stands in the tables all the same.

use chrono::TimeDelta;
use serde_json::{Value, json};
use ventmile::app::App;
use ventmile::store::{BookChange, CarLogs, Claim, Kept, Recast, Store};

use crate::common::{
    Client, Engine, TestApp, car, dates, duty, instant, item, list_and_explanation_agree, post, seats, serviced,
    two_depots,
};

/// A car with 200 days of logs up to the day before `NOW`, recast.
async fn old_car(engine: Engine) -> (TestApp, Client) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    let days = || dates("2025-08-30", "2026-03-17");
    let readings =
        days().enumerate().map(|(day, date)| reading(&format!("{date}T17:00:00Z"), 1_000.0 + 140.0 * day as f64));
    post(&manager, "odometer-readings", readings.collect()).await;
    post(&manager, "duty-logs", duty("7", days(), 8.25)).await;
    post(&manager, "seat-logs", seats("7", days(), 6)).await;
    post(&manager, "pack-checks", days().step_by(7).map(|date| check(&format!("{date}T18:00:00Z"))).collect()).await;
    app.settle().await;
    (app, manager)
}

fn reading(at: &str, odometer: f64) -> Value {
    json!({"unit": "7", "at": at, "odometer": odometer, "distance_unit": "mi", "source": "telematics"})
}

fn check(at: &str) -> Value {
    json!({
        "unit": "7", "at": at, "block_volts": [15.1, 15.2, 15.05], "current_a": 30.0, "charge_pct": 55.0, "pack_c": 31.5,
        "cabin_c": 22.0, "fan_stage": 2,
    })
}

/// The car as a recast reads it, and as it is read from all rows; `None` where it is not stale.
async fn read(app: &TestApp) -> Option<(CarLogs, CarLogs)> {
    let store = &app.app.store;
    let claims = store.claim_stale(app.app.now(), app.app.now(), 10).await.unwrap();
    let whole: Vec<Claim> = claims.iter().map(|claim| Claim::unclaimed(claim.vehicle_id)).collect();
    Some((store.car_logs(&claims).await.unwrap().pop()?, store.car_logs(&whole).await.unwrap().pop()?))
}

/// The rows in an order of their own.
fn rows(car: &CarLogs) -> Vec<String> {
    let mut rows: Vec<String> = car.readings.iter().map(|row| format!("{row:?}")).collect();
    rows.extend(car.duty.iter().map(|row| format!("{row:?}")));
    rows.extend(car.seats.iter().map(|row| format!("{row:?}")));
    rows.extend(car.checks.iter().map(|row| format!("{row:?}")));
    rows.extend(car.packs.iter().map(|row| format!("{row:?}")));
    rows.extend(car.codes.iter().map(|row| format!("{row:?}")));
    rows.sort_unstable();
    rows
}

/// The car has been made stale: it is read from its book, or from all rows, and either way the same comes of it.
async fn is_read(app: &TestApp, manager: &Client, from_book: bool, what: &str) {
    let (read, whole) = read(app).await.unwrap_or_else(|| panic!("{what}: the car is not stale"));
    let whole = read.remembered.as_ref().map_or(whole.clone(), |remembered| whole.left_at(remembered.clone()));
    assert_eq!(read.book.map(|book| book.used), Some(from_book), "{what}");
    assert_eq!(rows(&read), rows(&whole), "{what}");
    app.settle().await;
    list_and_explanation_agree(manager, "7").await;
    assert!(self::read(app).await.is_none(), "{what}: it is fresh");
}

async fn a_change_of_old_rows_alone_costs_a_recast_from_all(engine: Engine) {
    let (app, manager) = old_car(engine).await;
    let old = json!({"unit": "7", "at": "2025-10-10T17:00:00Z", "source": "telematics", "reason": "wrong car"});
    let ruling = json!({
        "unit": "7", "at": "2025-10-11T17:00:00Z", "source": "telematics", "ruling": "set-aside", "reason": "misread",
    });
    let day = |date: &str| duty("7", dates(date, date), 3.5);
    let cases = [
        ("a newer reading", "odometer-readings", reading("2026-03-18T15:00:00Z", 29_000.0), true),
        ("one of three weeks ago", "odometer-readings", reading("2026-02-25T03:00:00Z", 25_990.0), true),
        ("one of an old day", "odometer-readings", reading("2025-12-01T03:00:00Z", 13_950.0), false),
        ("another after it", "odometer-readings", reading("2026-03-18T15:30:00Z", 29_005.0), true),
        ("a duty log of today", "duty-logs", day("2026-03-18"), true),
        ("a duty log replaced", "duty-logs", day("2025-11-11"), false),
        ("seats of an old day", "seat-logs", seats("7", dates("2025-11-12", "2025-11-12"), 19), false),
        ("a check of an old day", "pack-checks", check("2025-11-13T12:00:00Z"), false),
        ("a check of today", "pack-checks", check("2026-03-18T12:00:00Z"), true),
    ];
    for (what, log, row, from_book) in cases {
        let row = if row.is_array() { row } else { json!([row]) };
        let verdicts = post(&manager, log, row).await;
        assert_eq!(verdicts["refused"], json!([]), "{what}");
        is_read(&app, &manager, from_book, what).await;
    }
    manager.send("/v1/odometer-readings/void", old).await.expect(200);
    is_read(&app, &manager, false, "a void").await;
    manager.send("/v1/odometer-readings/ruling", ruling).await.expect(200);
    is_read(&app, &manager, false, "a ruling").await;
    app.pass(TimeDelta::days(1));
    app.app.store.mark_outdated(app.app.now()).await.unwrap();
    is_read(&app, &manager, true, "a new day").await;
}

async fn forgotten_rows_leave_the_book_too(engine: Engine) {
    let (app, manager) = old_car(engine).await;
    serviced(&manager, "7", "2026-01-10T17:30:00Z", 19_620.0).await;
    is_read(&app, &manager, false, "a service").await;
    let now = app.app.now();
    let swept = app.app.store.sweep(now, now, Some(TimeDelta::days(150))).await.unwrap();
    assert_eq!(swept.log_rows, 3 * 50);
    is_read(&app, &manager, false, "a sweep").await;
    assert_eq!(app.app.store.sweep(now, now, Some(TimeDelta::days(150))).await.unwrap().log_rows, 0);
    assert!(read(&app).await.is_none(), "a sweep that takes nothing");
    post(&manager, "odometer-readings", json!([reading("2026-03-18T15:30:00Z", 29_005.0)])).await;
    is_read(&app, &manager, true, "a newer reading").await;
}

async fn a_book_follows_after_its_car(engine: Engine) {
    let (app, manager) = old_car(engine).await;
    let until = |text: &str| Some(Kept { until: text.parse().unwrap(), used: true });
    post(&manager, "odometer-readings", json!([reading("2026-03-18T15:00:00Z", 29_000.0)])).await;
    assert_eq!(read(&app).await.unwrap().0.book, until("2026-02-18"));
    for (days, expected) in [(59, "2026-02-18"), (1, "2026-04-19")] {
        app.pass(TimeDelta::days(days));
        app.app.store.mark_outdated(app.app.now()).await.unwrap();
        app.settle().await;
        let at = app.app.now().to_rfc3339();
        post(&manager, "odometer-readings", json!([reading(&at, 29_050.0 + 10.0 * days as f64)])).await;
        assert_eq!(read(&app).await.unwrap().0.book, until(expected), "after {days} days more");
        is_read(&app, &manager, true, "in a new book").await;
    }
}

async fn a_short_history_has_no_book(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    // Eighty-seven days: sixty up to four weeks ago would be one more.
    post(&manager, "odometer-readings", json!([reading("2025-12-21T17:00:00Z", 500.0)])).await;
    app.settle().await;
    post(&manager, "duty-logs", duty("7", dates("2026-03-17", "2026-03-17"), 3.0)).await;
    assert_eq!(read(&app).await.unwrap().0.book, None);
}

/// Nothing may hang on a book that was made before a row of its days came in.
async fn a_book_made_too_early_is_not_kept(engine: Engine) {
    let (app, manager) = old_car(engine).await;
    let store = &app.app.store;
    post(&manager, "odometer-readings", json!([reading("2026-03-18T15:00:00Z", 29_000.0)])).await;
    let claim = store.claim_stale(app.app.now(), app.app.now(), 10).await.unwrap()[0];
    post(&manager, "odometer-readings", json!([reading("2025-12-01T03:00:00Z", 13_950.0)])).await;
    let wrong = BookChange::Write { until: "2026-03-01".parse().unwrap(), since: None, rows: 0, body: Vec::new() };
    let gone = vec![(claim.vehicle_id, claim.mark)];
    let recast = Recast { gone, books: vec![(claim.vehicle_id, wrong)], ..Recast::default() };
    store.save_forecasts(&recast, app.app.now()).await.unwrap();
    is_read(&app, &manager, false, "a late row during a recast").await;
    post(&manager, "odometer-readings", json!([reading("2026-03-18T15:30:00Z", 29_005.0)])).await;
    is_read(&app, &manager, true, "a newer reading").await;
}

/// What an older or newer program packed otherwise is made again.
async fn a_book_that_cannot_be_read_is_made_again(engine: Engine) {
    let (app, manager) = old_car(engine).await;
    let store = &app.app.store;
    post(&manager, "odometer-readings", json!([reading("2026-03-18T15:00:00Z", 29_000.0)])).await;
    let claim = store.claim_stale(app.app.now(), app.app.now(), 10).await.unwrap()[0];
    let wrong = BookChange::Write { until: "2026-02-18".parse().unwrap(), since: None, rows: 0, body: vec![0xff; 9] };
    let gone = vec![(claim.vehicle_id, claim.mark)];
    let recast = Recast { gone, books: vec![(claim.vehicle_id, wrong)], ..Recast::default() };
    store.save_forecasts(&recast, instant("2026-03-18T16:30:00Z")).await.unwrap();
    post(&manager, "odometer-readings", json!([reading("2026-03-18T15:30:00Z", 29_005.0)])).await;
    is_read(&app, &manager, false, "a book of another form").await;
    post(&manager, "odometer-readings", json!([reading("2026-03-18T15:40:00Z", 29_006.0)])).await;
    is_read(&app, &manager, true, "the next one").await;
}

/// A car with 500 days of logs and a fan service every 90 days, recast: its oldest rows are left at what is remembered of
/// them.
async fn veteran(engine: Engine) -> (TestApp, Client) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    let days = || dates("2024-11-03", "2026-03-17");
    let miles = |day: usize| 1_000.0 + 140.0 * day as f64;
    let readings = days().enumerate().map(|(day, date)| reading(&format!("{date}T17:00:00Z"), miles(day)));
    post(&manager, "odometer-readings", readings.collect()).await;
    post(&manager, "duty-logs", duty("7", days(), 8.25)).await;
    post(&manager, "seat-logs", seats("7", days(), 6)).await;
    post(&manager, "pack-checks", days().step_by(7).map(|date| check(&format!("{date}T18:00:00Z"))).collect()).await;
    for (day, date) in days().enumerate().skip(60).step_by(90) {
        serviced(&manager, "7", &format!("{date}T17:00:00Z"), miles(day)).await;
    }
    app.settle().await;
    (app, manager)
}

/// How many of its readings the stale car is read with, and how many it has; whether something stands for the others.
async fn spared(app: &TestApp) -> (usize, usize, bool) {
    let (read, whole) = read(app).await.expect("the car is stale");
    (read.readings.len(), whole.readings.len(), read.remembered.is_some())
}

/// All that a recast saves, as it is asked for.
async fn saved(manager: &Client) -> [Value; 3] {
    let mut saved = [Value::Null, Value::Null, Value::Null];
    for (place, path) in ["upcoming", "pack-outlook", "hindsight"].into_iter().enumerate() {
        saved[place] = manager.get(&format!("/v1/{path}")).await.expect(200);
    }
    saved
}

/// The car has been made stale: it is read with what is remembered, and all rows say the same.
async fn is_remembered(app: &TestApp, manager: &Client, what: &str) {
    let (read, whole, remembered) = spared(app).await;
    assert!(remembered && read < whole / 2, "{what}: {read} of {whole}");
    app.app.recast_all().await.unwrap();
    list_and_explanation_agree(manager, "7").await;
    let by_memory = saved(manager).await;
    app.database
        .run(
            "INSERT INTO stale_cars (vehicle_id, since_us, mark, claimed_until_us, from_day)
            SELECT id, 0, 99, 0, -1000000 FROM vehicles",
        )
        .await;
    assert_eq!(spared(app).await, (whole, whole, false), "{what}");
    app.app.recast_all().await.unwrap();
    assert_eq!(saved(manager).await, by_memory, "{what}");
}

async fn a_new_reading_costs_no_more_however_old_the_car(engine: Engine) {
    let (app, manager) = veteran(engine).await;
    post(&manager, "odometer-readings", json!([reading("2026-03-18T15:00:00Z", 71_000.0)])).await;
    is_remembered(&app, &manager, "a newer reading").await;
    for day in 1..=40 {
        app.pass(TimeDelta::days(1));
        let at = app.app.now().to_rfc3339();
        post(&manager, "odometer-readings", json!([reading(&at, 71_000.0 + 140.0 * f64::from(day))])).await;
        if day % 10 == 0 {
            is_remembered(&app, &manager, &format!("day {day}")).await;
        }
        app.settle().await;
    }
    assert!(Store::check_deep(&app.database.address(), |_| {}).await.unwrap());
}

async fn a_late_row_costs_its_cars_recomputation_only(engine: Engine) {
    let (app, manager) = veteran(engine).await;
    let old = json!([reading("2025-02-01T03:00:00Z", 13_500.0)]);
    post(&manager, "odometer-readings", old).await;
    let (read, whole, remembered) = spared(&app).await;
    assert_eq!((read, remembered), (whole, false));
    app.settle().await;
    list_and_explanation_agree(&manager, "7").await;
    post(&manager, "odometer-readings", json!([reading("2026-03-18T15:00:00Z", 71_000.0)])).await;
    is_remembered(&app, &manager, "after it").await;
    serviced(&manager, "7", "2026-03-18T15:10:00Z", 71_001.0).await;
    is_remembered(&app, &manager, "a service of today").await;
    let off_road = json!({"from": "2025-01-05", "to": "2025-01-06", "reason": "told late"});
    manager.send("/v1/vehicles/7/off-road", off_road).await.expect(201);
    assert!(!spared(&app).await.2, "days off the road that are told late");
    app.settle().await;
    post(&manager, "duty-logs", duty("7", dates("2026-03-18", "2026-03-18"), 3.0)).await;
    is_remembered(&app, &manager, "after them").await;
}

/// What was remembered under other settings is no use, and the same recast falls back on all rows.
async fn what_is_remembered_rests_on_its_settings(engine: Engine) {
    let (app, manager) = veteran(engine).await;
    post(&manager, "odometer-readings", json!([reading("2026-03-18T15:00:00Z", 71_000.0)])).await;
    assert!(spared(&app).await.2);
    let mut settings = (*app.app.settings).clone();
    settings.duty.week_days = 8;
    let other = App::open(settings, app.clock.clone()).await.unwrap();
    assert_eq!(item(&manager, "7").await["grade"], "hard");
    other.recast_all().await.unwrap();
    assert_eq!(item(&manager, "7").await["grade"], "ordinary");
    post(&manager, "odometer-readings", json!([reading("2026-03-18T15:30:00Z", 71_005.0)])).await;
    assert!(spared(&app).await.2, "and it was made anew");
    app.app.recast_all().await.unwrap();
    list_and_explanation_agree(&manager, "7").await;
}

crate::on_both!(
    a_change_of_old_rows_alone_costs_a_recast_from_all,
    forgotten_rows_leave_the_book_too,
    a_book_follows_after_its_car,
    a_short_history_has_no_book,
    a_book_made_too_early_is_not_kept,
    a_book_that_cannot_be_read_is_made_again,
    a_new_reading_costs_no_more_however_old_the_car,
    a_late_row_costs_its_cars_recomputation_only,
    what_is_remembered_rests_on_its_settings,
);
