//! Events that tell others of changes: with the change or not at all, in one order, to those who may see them.

use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::{Connection, Executor};
use ventmile::app::keys::Scope;
use ventmile::store::{EventType, PublishedEvent, StreamFilter};

use crate::common::{Client, Engine, TestApp, car, month_of_readings, ordinary_car, post, serviced, two_depots};

/// Publishes what was told and gives all of it that is after a number.
async fn after(app: &TestApp, number: i64) -> Vec<PublishedEvent> {
    while app.app.store.publish_events(app.app.now()).await.unwrap() > 0 {}
    app.app.store.events_between(number, i64::MAX, &StreamFilter::default(), 10_000).await.unwrap()
}

/// What was told since the last look: type and subject.
async fn news(app: &TestApp, seen: &mut i64) -> Vec<(String, String)> {
    let events = after(app, *seen).await;
    *seen = events.last().map_or(*seen, |event| event.id);
    events.into_iter().map(|event| (event.event_type, event.subject)).collect()
}

fn one(event_type: &str, subject: &str) -> Vec<(String, String)> {
    vec![(event_type.to_owned(), subject.to_owned())]
}

async fn raise(boss: &Client, unit: &str) -> String {
    let order = json!({"unit": unit, "kind": "fan-service", "reason": "fan noise"});
    boss.send("/v1/work-orders", order).await.expect(201)["number"].as_str().unwrap().to_owned()
}

async fn what_is_done_to_an_order_is_told(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    car(&boss, "7", "NORTH").await;
    let mut seen = 0;
    let number = raise(&boss, "7").await;
    let raised = after(&app, 0).await.pop().unwrap();
    assert_eq!((raised.event_type.as_str(), raised.depot.as_deref()), ("work-order.raised", Some("NORTH")));
    assert_eq!(raised.at, app.app.now());
    let data: Value = serde_json::from_str(&raised.data).unwrap();
    assert_eq!((&data["number"], &data["unit"], &data["kind"]), (&json!(number), &json!("7"), &json!("fan-service")));
    assert_eq!(
        (&data["status"], &data["version"], &data["reason"]),
        (&json!("needs-action"), &json!(1), &json!("fan noise"))
    );
    assert!(data["actor"].as_str().unwrap().starts_with("key "), "{data}");
    news(&app, &mut seen).await;

    let subject = format!("work-order {number}");
    let again = json!({"unit": "7", "kind": "fan-service", "reason": "weak airflow"});
    boss.send("/v1/work-orders", again.clone()).await.expect(200);
    assert_eq!(news(&app, &mut seen).await, one("work-order.joined", &subject));
    boss.send("/v1/work-orders", again).await.expect(200);
    assert_eq!(news(&app, &mut seen).await, [], "the same reason again changes nothing");
    let plan = json!({"on": "2026-03-18", "start": "09:00", "minutes": 60, "bay": 1});
    let done = json!({"outcome": "not-done", "by": "ann"});
    for (act, body, told) in [
        ("plan", plan.clone(), "planned"),
        ("confirm-slot", json!({"by": "dee"}), "slot-confirmed"),
        ("refuse-slot", json!({"by": "dee", "reason": "peak"}), "slot-refused"),
        ("accept", json!({"by": "ann"}), "accepted"),
        ("decline", json!({"by": "ann", "reason": "no time"}), "declined"),
        ("accept", json!({"by": "bea"}), "accepted"),
        ("start", json!({"by": "bea"}), "started"),
        ("pause", json!({"by": "bea", "reason": "lunch"}), "paused"),
        ("resume", json!({"by": "bea"}), "resumed"),
        ("hand-over", json!({"by": "bea", "to": "ann"}), "handed-over"),
        ("expected-back", json!({"at": "2026-03-18T20:00:00Z", "reason": "seized screw"}), "expected-back"),
        ("complete", done, "completed"),
        ("reopen", json!({"reason": "wrong car"}), "reopened"),
        ("plan", plan, "planned"),
    ] {
        boss.act(&number, act, body).await.expect(200);
        assert_eq!(news(&app, &mut seen).await, one(&format!("work-order.{told}"), &subject), "{act}");
    }
    app.pass(TimeDelta::days(1));
    boss.act(&number, "missed", json!({"reason": "no-show"})).await.expect(200);
    assert_eq!(news(&app, &mut seen).await, one("work-order.missed", &subject));
    let refer = json!({"external_ref": "S-1"});
    boss.patch(&format!("/v1/work-orders/{number}")).if_match("*").json(&refer).send().await.expect(200);
    assert_eq!(news(&app, &mut seen).await, one("work-order.referred", &subject));
    boss.act(&number, "start", json!({})).await.problem(422);
    assert_eq!(news(&app, &mut seen).await, [], "what was refused is not told");
    boss.act(&number, "cancel", json!({"reason": "sold"})).await.expect(200);
    assert_eq!(news(&app, &mut seen).await, one("work-order.cancelled", &subject));
    let next = raise(&boss, "7").await;
    boss.send("/v1/work-orders/next", json!({"by": "ann"})).await.expect(200);
    let told: Vec<String> = news(&app, &mut seen).await.into_iter().map(|(event, _)| event).collect();
    assert_eq!(told, ["work-order.raised", "work-order.accepted"]);
    let retire = json!({"on": "2026-03-19", "reason": "crash"});
    boss.post("/v1/vehicles/7/retire").once().if_match("*").json(&retire).send().await.expect(200);
    let cancelled = format!("work-order {next}");
    let expected = [one("car.retired", "vehicle 7"), one("work-order.cancelled", &cancelled)].concat();
    assert_eq!(news(&app, &mut seen).await, expected);
}

async fn a_repeated_request_is_told_once(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    car(&boss, "7", "NORTH").await;
    let off = json!({"from": "2026-03-18", "reason": "bumper"});
    for _ in 0..3 {
        let call = boss.post("/v1/vehicles/7/off-road").header("idempotency-key", "\"a\"");
        call.json(&off).send().await.expect(201);
    }
    let mut seen = 0;
    assert_eq!(news(&app, &mut seen).await, one("car.off-road", "vehicle 7"));
    boss.send("/v1/vehicles/7/return-to-service", json!({"on": "2026-03-19"})).await.expect(200);
    assert_eq!(news(&app, &mut seen).await, one("car.returned", "vehicle 7"));
}

async fn reports_breakdowns_and_moves_are_told(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    car(&boss, "7", "NORTH").await;
    let report = json!({"unit": "7", "symptom": "fan-noise", "told": "howls, says Ms Person", "by": "Mr Driver"});
    boss.send("/v1/driver-reports", report).await.expect(201);
    boss.send("/v1/breakdowns", json!({"unit": "7", "told": "dead, says Ms Person", "by": "Mr Driver"}))
        .await
        .expect(201);
    let events = after(&app, 0).await;
    let types: Vec<&str> = events.iter().map(|event| event.event_type.as_str()).collect();
    assert_eq!(types, ["work-order.raised", "car.driver-report", "work-order.raised", "car.off-road", "car.breakdown"]);
    let of_cars: Vec<&PublishedEvent> = events
        .iter()
        .filter(|event| event.event_type == "car.driver-report" || event.event_type == "car.breakdown")
        .collect();
    assert!(
        of_cars.iter().all(|event| !event.data.contains("Driver") && !event.data.contains("Person")),
        "{of_cars:?}"
    );
    let mut seen = events.last().unwrap().id;
    let moves = json!({"depot": "WEST", "on": "2026-03-18"});
    boss.post("/v1/vehicles/7/move").once().if_match("*").json(&moves).send().await.expect(200);
    let moved = after(&app, seen).await;
    let told: Vec<(&str, Option<&str>)> =
        moved.iter().map(|event| (event.event_type.as_str(), event.depot.as_deref())).collect();
    assert_eq!(told, [("car.left", Some("NORTH")), ("car.arrived", Some("WEST"))]);
    assert!(moved.iter().all(|event| event.data.matches("NORTH").count() + event.data.matches("WEST").count() == 0));
    news(&app, &mut seen).await;
}

fn code(code: &str, state: &str, at: &str) -> Value {
    json!([{"unit": "7", "code": code, "state": state, "at": at}])
}

async fn a_car_to_be_stopped_is_told_once_and_so_is_its_end(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    car(&boss, "7", "NORTH").await;
    let mut seen = 0;
    let sent =
        async |text: &str, state: &str, at: &str| drop(post(&boss, "trouble-codes", code(text, state, at)).await);
    sent("P0AA6", "pending", "2026-03-17T10:00:00Z").await;
    sent("P0A80", "confirmed", "2026-03-17T10:00:00Z").await;
    assert_eq!(news(&app, &mut seen).await, []);
    sent("P0AA6-00", "confirmed", "2026-03-17T11:00:00Z").await;
    let stop = after(&app, 0).await.pop().unwrap();
    let data: Value = serde_json::from_str(&stop.data).unwrap();
    assert_eq!((stop.event_type.as_str(), &data["code"], &data["unit"]), ("car.stop", &json!("P0AA6-00"), &json!("7")));
    assert!(data["does"].as_str().unwrap().contains("do not restart"), "{data}");
    news(&app, &mut seen).await;
    sent("P0AA6-00", "confirmed", "2026-03-17T12:00:00Z").await;
    sent("P0AA6-00", "confirmed", "2026-03-17T12:00:00Z").await;
    assert_eq!(news(&app, &mut seen).await, [], "it stands already");
    sent("P0AA6", "cleared", "2026-03-17T13:00:00Z").await;
    assert_eq!(news(&app, &mut seen).await, one("car.stop-lifted", "vehicle 7"));
    sent("P0A7E", "confirmed", "2026-03-17T14:00:00Z").await;
    assert_eq!(news(&app, &mut seen).await, one("car.stop", "vehicle 7"));
    let void = json!({"unit": "7", "code": "P0A7E", "at": "2026-03-17T14:00:00Z", "reason": "another car's"});
    boss.send("/v1/trouble-codes/void", void).await.expect(200);
    assert_eq!(news(&app, &mut seen).await, one("car.stop-lifted", "vehicle 7"));
}

async fn steps_holds_and_overdue_gear_are_told(engine: Engine) {
    let shop = crate::work::shop(engine).await;
    let (app, boss) = (&shop.app, &shop.boss);
    let order = shop.started("7", "pack-replacement").await;
    let last = |events: &[PublishedEvent]| serde_json::from_str::<Value>(&events.last().unwrap().data).unwrap();
    let mut seen = 0;
    news(app, &mut seen).await;
    let before = seen;
    shop.work(&order, [1]).await;
    assert_eq!(news(app, &mut seen).await, one("work-order.step-recorded", &format!("work-order {order}")));
    let step = last(&after(app, before).await);
    assert_eq!((&step["step"], &step["by"], &step["late"]), (&json!(1), &json!("kim"), &json!(false)));
    assert!(!step.to_string().contains("MP 4"), "what was recorded is not told: {step}");
    // A refused one is no event.
    boss.act(&order, "steps/11", crate::work::body(11)).await.problem(422);
    assert_eq!(news(app, &mut seen).await, []);

    post(boss, "trouble-codes", code("P0AA6-1F", "confirmed", "2026-03-18T15:00:00Z")).await;
    app.app.recast_all().await.unwrap();
    let events = after(app, seen).await;
    let types: Vec<&str> = events.iter().map(|event| event.event_type.as_str()).collect();
    assert_eq!(types, ["car.stop", "car.off-road", "car.held"]);
    let held = last(&events);
    assert_eq!((&held["unit"], &held["code"], &held["stands"]), (&json!("7"), &json!("P0AA6"), &json!(true)));
    app.app.recast_all().await.unwrap();
    news(app, &mut seen).await;

    assert_eq!(app.app.tell_overdue_gear().await.unwrap(), 0);
    // The gloves' test of 10 January lasts to 10 July.
    let to = |day: &str| app.clock.set(crate::common::instant(&format!("{day}T16:00:00Z")));
    to("2026-07-10");
    assert_eq!(app.app.tell_overdue_gear().await.unwrap(), 0);
    to("2026-07-11");
    assert_eq!(app.app.tell_overdue_gear().await.unwrap(), 2);
    assert_eq!(app.app.tell_overdue_gear().await.unwrap(), 0, "each once");
    let overdue = after(app, seen).await;
    assert_eq!(overdue.iter().map(|it| it.subject.as_str()).collect::<Vec<_>>(), ["gear G-1", "gear G-2"]);
    assert_eq!((overdue[0].event_type.as_str(), overdue[0].depot.as_deref()), ("gear.overdue", Some("NORTH")));
    assert_eq!(last(&overdue)["due_on"], "2026-07-10");
    // Tested and overdue again it is told again.
    boss.send("/v1/gear/G-1/tests", json!({"on": "2026-07-11", "by": "lab", "passed": true})).await.expect(200);
    assert_eq!(app.app.tell_overdue_gear().await.unwrap(), 0);
    to("2027-01-12");
    assert_eq!(app.app.tell_overdue_gear().await.unwrap(), 2, "G-1 and the meter");
}

async fn a_forecast_is_told_when_it_changes_by_much(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    ordinary_car(&boss, "7", "NORTH").await;
    let mut seen = 0;
    let only_forecasts = async |seen: &mut i64| {
        app.app.recast_all().await.unwrap();
        news(&app, seen).await.into_iter().filter(|(event, _)| event == "forecast.changed").collect::<Vec<_>>()
    };
    assert_eq!(only_forecasts(&mut seen).await, [], "a car's first forecast");
    app.app.store.mark_every_car(app.app.now()).await.unwrap();
    assert_eq!(only_forecasts(&mut seen).await, [], "nothing changed");
    serviced(&boss, "7", "2026-03-16T17:00:00Z", 40_900.0).await;
    let before = seen;
    assert_eq!(only_forecasts(&mut seen).await, one("forecast.changed", "vehicle 7"));
    let event = after(&app, before).await.pop().unwrap();
    let data: Value = serde_json::from_str(&event.data).unwrap();
    assert_eq!(
        (&data["unit"], &data["kind"], event.depot.as_deref()),
        (&json!("7"), &json!("fan-service"), Some("NORTH"))
    );
    let day = |name: &str| data[name].as_str().unwrap().parse::<chrono::NaiveDate>().unwrap();
    assert!(day("due_on") > day("was_due_on") + TimeDelta::days(7), "{data}");
    app.app.store.mark_every_car(app.app.now()).await.unwrap();
    assert_eq!(only_forecasts(&mut seen).await, [], "it was told");
}

async fn the_loops_orders_are_told(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    car(&boss, "7", "NORTH").await;
    serviced(&boss, "7", "2025-12-20T17:00:00Z", 10_000.0).await;
    post(&boss, "odometer-readings", month_of_readings("7", 36_000.0, 300.0)).await;
    app.settle().await;
    let events = after(&app, 0).await;
    let raised: Vec<&PublishedEvent> = events.iter().filter(|event| event.event_type == "work-order.raised").collect();
    assert_eq!(raised.len(), 1, "{events:?}");
    assert!(raised[0].data.contains(r#""actor":"loop""#), "{raised:?}");
}

async fn a_key_sees_the_events_of_its_depots(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    for (unit, depot) in [("7", "NORTH"), ("8", "WEST")] {
        car(&boss, unit, depot).await;
        raise(&boss, unit).await;
    }
    app.named_client("west", &[Scope::Read], &["WEST"]).await;
    let all = after(&app, 0).await;
    assert_eq!(all.len(), 2);
    let west = app.app.store.keys(0, None, 100).await.unwrap().into_iter().find(|key| key.name == "west").unwrap();
    let filter = StreamFilter { key_depots_of: Some(west.id), ..StreamFilter::default() };
    let seen = app.app.store.events_between(0, i64::MAX, &filter, 100).await.unwrap();
    assert_eq!(seen, all[1..]);
    let of_north = StreamFilter { depot: Some("NORTH".to_owned()), ..StreamFilter::default() };
    assert_eq!(app.app.store.events_between(0, i64::MAX, &of_north, 100).await.unwrap(), all[..1]);
    let both = StreamFilter { depot: Some("NORTH".to_owned()), ..filter };
    assert_eq!(app.app.store.events_between(0, i64::MAX, &both, 100).await.unwrap(), []);
}

async fn publishers_at_once_publish_each_event_once(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    car(&boss, "7", "NORTH").await;
    let mut publishing = tokio::task::JoinSet::new();
    for _ in 0..4 {
        let app = app.app.clone();
        publishing.spawn(async move {
            for _ in 0..100 {
                app.store.publish_events(app.now()).await.unwrap();
                tokio::task::yield_now().await;
            }
        });
    }
    for day in 1..=20 {
        let off = json!({"from": format!("2026-04-{day:02}"), "to": format!("2026-04-{day:02}"), "reason": "x"});
        boss.send("/v1/vehicles/7/off-road", off).await.expect(201);
    }
    publishing.join_all().await;
    let events = after(&app, 0).await;
    let days: Vec<Value> =
        events.iter().map(|event| serde_json::from_str::<Value>(&event.data).unwrap()["from"].clone()).collect();
    let expected: Vec<Value> = (1..=20).map(|day| json!(format!("2026-04-{day:02}"))).collect();
    assert_eq!(days, expected);
}

/// A number is taken at the insert and seen at the commit: what commits late comes after what was read, never before it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_commits_late_is_not_missed() {
    let (app, boss) = TestApp::new(Engine::Postgres).await;
    two_depots(&boss).await;
    car(&boss, "7", "NORTH").await;
    let mut slow = sqlx::PgConnection::connect(&app.database.address()).await.unwrap();
    slow.execute("BEGIN").await.unwrap();
    let told = "INSERT INTO outbox (at_us, event_type, subject, data) VALUES (0, 'car.stop', 'vehicle slow', '{}')";
    slow.execute(told).await.unwrap();
    boss.send("/v1/vehicles/7/off-road", json!({"from": "2026-03-18", "reason": "x"})).await.expect(201);
    let mut seen = 0;
    assert_eq!(news(&app, &mut seen).await, one("car.off-road", "vehicle 7"));
    slow.execute("COMMIT").await.unwrap();
    assert_eq!(news(&app, &mut seen).await, one("car.stop", "vehicle slow"));
}

async fn old_events_are_forgotten_but_the_newest(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    car(&boss, "7", "NORTH").await;
    for day in 1..=3 {
        let off = json!({"from": format!("2026-04-0{day}"), "to": format!("2026-04-0{day}"), "reason": "x"});
        boss.send("/v1/vehicles/7/off-road", off).await.expect(201);
        app.pass(TimeDelta::days(1));
    }
    let ids: Vec<i64> = after(&app, 0).await.iter().map(|event| event.id).collect();
    let store = &app.app.store;
    let now = app.app.now();
    assert_eq!(store.sweep_events(now, TimeDelta::hours(71)).await.unwrap(), 1);
    assert_eq!(store.event_ends().await.unwrap(), Some((ids[1], ids[2])));
    assert_eq!(store.sweep_events(now, TimeDelta::hours(1)).await.unwrap(), 1);
    assert_eq!(store.sweep_events(now, TimeDelta::hours(1)).await.unwrap(), 0);
    assert_eq!(store.event_ends().await.unwrap(), Some((ids[2], ids[2])));
}

#[test]
fn the_readme_names_every_type() {
    let readme = include_str!("../README.md");
    for event in EventType::ALL.iter().map(|event| event.as_str()) {
        let short = event.strip_prefix("work-order.").unwrap_or(event);
        assert!(readme.contains(&format!("`{event}`")) || readme.contains(&format!("`{short}`")), "{event}");
    }
}

crate::on_both!(
    what_is_done_to_an_order_is_told,
    a_repeated_request_is_told_once,
    reports_breakdowns_and_moves_are_told,
    a_car_to_be_stopped_is_told_once_and_so_is_its_end,
    steps_holds_and_overdue_gear_are_told,
    a_forecast_is_told_when_it_changes_by_much,
    the_loops_orders_are_told,
    a_key_sees_the_events_of_its_depots,
    publishers_at_once_publish_each_event_once,
    old_events_are_forgotten_but_the_newest,
);
