//! The stream of events: who sees which, going on after a break, limits, ends.

use std::time::Duration;

use axum::body::Body;
use axum::http::Method;
use chrono::TimeDelta;
use http_body_util::BodyExt;
use serde_json::{Value, json};
use ventmile::app::keys::Scope;

use crate::common::{Call, Client, Engine, TestApp, car, fault, two_depots};

/// An open stream and what was read of it.
pub struct Stream {
    body: Body,
    text: String,
}

/// Longer than anything takes here.
const PATIENCE: Duration = Duration::from_secs(10);

/// Long enough for what should not come.
const MOMENT: Duration = Duration::from_millis(100);

impl Stream {
    async fn open(client: &Client, path: &str, last: Option<&str>) -> Self {
        let mut call = client.call(Method::GET, path);
        if let Some(last) = last {
            call = call.header("last-event-id", last);
        }
        Self::at(call).await
    }

    pub async fn at(call: Call) -> Self {
        let response = call.open().await;
        assert_eq!(response.status().as_u16(), 200);
        assert_eq!(response.headers()["content-type"], "text/event-stream");
        Self { body: response.into_body(), text: String::new() }
    }

    /// The next block of fields; `None` at the end.
    pub async fn block(&mut self) -> Option<String> {
        while !self.text.contains("\n\n") {
            let frame = tokio::time::timeout(PATIENCE, self.body.frame()).await.expect("something comes")?;
            self.text.push_str(std::str::from_utf8(frame.unwrap().data_ref().unwrap()).unwrap());
        }
        let (block, rest) = self.text.split_once("\n\n").map(|(a, b)| (a.to_owned(), b.to_owned())).unwrap();
        self.text = rest;
        Some(block)
    }

    /// The next event: its id and the CloudEvent.
    async fn event(&mut self) -> (String, Value) {
        let block = self.block().await.expect("the stream goes on");
        let field =
            |name: &str| block.lines().find_map(|line| line.strip_prefix(name)).unwrap_or_else(|| panic!("{block}"));
        let event: Value = serde_json::from_str(field("data: ")).unwrap();
        assert_eq!((field("id: "), field("event: ")), (event["id"].as_str().unwrap(), event["type"].as_str().unwrap()));
        (field("id: ").to_owned(), event)
    }

    async fn is_quiet(&mut self) -> bool {
        tokio::time::timeout(MOMENT, self.block()).await.is_err()
    }
}

async fn fleet(engine: Engine, settings: &[(&str, &str)]) -> (TestApp, Client) {
    let (app, boss) = TestApp::with(engine, settings).await;
    two_depots(&boss).await;
    for (unit, depot) in [("7", "NORTH"), ("8", "WEST")] {
        car(&boss, unit, depot).await;
    }
    (app, boss)
}

async fn off_road(app: &TestApp, client: &Client, unit: &str, day: u32) {
    let off = json!({"from": format!("2026-04-{day:02}"), "to": format!("2026-04-{day:02}"), "reason": "x"});
    client.send(&format!("/v1/vehicles/{unit}/off-road"), off).await.expect(201);
    app.app.publish_events().await.unwrap();
}

async fn what_happens_comes_and_a_broken_stream_goes_on(engine: Engine) {
    let (app, boss) = fleet(engine, &[]).await;
    off_road(&app, &boss, "7", 1).await;
    let mut stream = Stream::open(&boss, "/v1/events", None).await;
    assert!(stream.is_quiet().await, "what was before is not shown");
    off_road(&app, &boss, "7", 2).await;
    let (id, event) = stream.event().await;
    assert_eq!((&event["type"], &event["data"]["from"]), (&json!("car.off-road"), &json!("2026-04-02")));
    drop(stream);
    for day in 3..=5 {
        off_road(&app, &boss, "7", day).await;
    }
    let mut stream = Stream::open(&boss, "/v1/events", Some(&id)).await;
    for day in 3..=5 {
        let (_, event) = stream.event().await;
        assert_eq!(event["data"]["from"], json!(format!("2026-04-{day:02}")));
    }
    assert!(stream.is_quiet().await);
    let mut from_the_first = Stream::open(&boss, "/v1/events?after=0", None).await;
    assert_eq!(from_the_first.event().await.1["data"]["from"], "2026-04-01");
    for wrong in ["x", "", "1.5"] {
        let reply = boss.call(Method::GET, "/v1/events").header("last-event-id", wrong).send().await;
        assert_eq!(fault(&reply.problem(400)), "Last-Event-ID", "{wrong}");
    }
}

async fn many_events_come_in_their_order(engine: Engine) {
    let (app, boss) = fleet(engine, &[]).await;
    for day in 1..=28 {
        for unit in ["7", "8", "7", "8"] {
            let off = json!({"from": format!("2026-04-{day:02}"), "reason": "x"});
            boss.send(&format!("/v1/vehicles/{unit}/off-road"), off).await.expect(201);
        }
    }
    let mut stream = Stream::open(&boss, "/v1/events?after=0", None).await;
    while app.app.publish_events().await.unwrap() > 0 {}
    let mut last = 0;
    for _ in 0..112 {
        let id: i64 = stream.event().await.0.parse().unwrap();
        assert!(id > last);
        last = id;
    }
    assert!(stream.is_quiet().await);
}

async fn a_stream_shows_what_was_asked_for_and_may_be_seen(engine: Engine) {
    let (app, boss) = fleet(engine, &[]).await;
    let west = app.client(&[Scope::Read], &["WEST"]).await;
    let mut of_west = Stream::open(&west, "/v1/events", None).await;
    let mut of_north = Stream::open(&boss, "/v1/events?depot=NORTH", None).await;
    let mut returned = Stream::open(&boss, "/v1/events?types=car.returned,car.stop", None).await;
    let mut nothing = Stream::open(&west, "/v1/events?depot=NORTH", None).await;
    off_road(&app, &boss, "7", 1).await;
    off_road(&app, &boss, "8", 1).await;
    boss.send("/v1/vehicles/8/return-to-service", json!({"on": "2026-04-01"})).await.expect(200);
    app.app.publish_events().await.unwrap();
    assert_eq!(of_north.event().await.1["data"]["unit"], "7");
    assert!(of_north.is_quiet().await);
    assert_eq!(of_west.event().await.1["type"], "car.off-road");
    assert_eq!(of_west.event().await.1["type"], "car.returned");
    assert_eq!(returned.event().await.1["data"]["unit"], "8");
    assert!(returned.is_quiet().await && nothing.is_quiet().await);
    assert_eq!(fault(&boss.get("/v1/events?types=car.start").await.problem(400)), "types");
    assert_eq!(fault(&boss.get("/v1/events?colour=red").await.problem(400)), "colour");
}

async fn a_stream_ends_with_its_key(engine: Engine) {
    let (app, boss) = fleet(engine, &[]).await;
    let reader = app.named_client("reader", &[Scope::Read], &[]).await;
    let mut stream = Stream::open(&reader, "/v1/events", None).await;
    off_road(&app, &boss, "7", 1).await;
    stream.event().await;
    boss.post("/v1/keys/reader/revoke").once().send().await.expect(200);
    // A key's lookup is remembered for two seconds.
    app.pass(TimeDelta::seconds(3));
    off_road(&app, &boss, "7", 2).await;
    assert_eq!(stream.block().await, None, "no event after the key has ended");
}

async fn a_quiet_stream_shows_that_it_lives_and_ends_with_its_key(engine: Engine) {
    let (app, boss) = fleet(engine, &[("events.heartbeat_seconds", "1")]).await;
    let reader = app.named_client("reader", &[Scope::Read], &[]).await;
    let mut stream = Stream::open(&reader, "/v1/events", None).await;
    assert_eq!(stream.block().await.as_deref(), Some(": alive"));
    boss.post("/v1/keys/reader/revoke").once().send().await.expect(200);
    app.pass(TimeDelta::seconds(3));
    assert_eq!(stream.block().await, None);
}

async fn streams_are_counted(engine: Engine) {
    let (app, boss) = fleet(engine, &[("events.streams", "3"), ("events.streams_per_key", "2")]).await;
    let one = Stream::open(&boss, "/v1/events", None).await;
    let _two = Stream::open(&boss, "/v1/events", None).await;
    let refused = boss.get("/v1/events").await;
    assert_eq!(refused.headers["retry-after"], "10");
    assert!(refused.problem(429)["detail"].as_str().unwrap().contains("events.streams_per_key"));
    let other = app.client(&[Scope::Read], &[]).await;
    let _three = Stream::open(&other, "/v1/events", None).await;
    let refused = other.get("/v1/events").await;
    assert_eq!(refused.headers["retry-after"], "10");
    refused.problem(503);
    drop(one);
    let _again = Stream::open(&other, "/v1/events", None).await;
    assert_eq!(app.app.streams.open(), 3);
}

async fn streams_end_with_the_daemon(engine: Engine) {
    let (app, boss) = fleet(engine, &[]).await;
    let mut stream = Stream::open(&boss, "/v1/events", None).await;
    app.app.ending.cancel();
    assert_eq!(stream.block().await, None);
    let mut late = Stream::open(&boss, "/v1/events", None).await;
    assert_eq!(late.block().await, None);
}

async fn a_gap_is_said(engine: Engine) {
    let (app, boss) = fleet(engine, &[]).await;
    for day in 1..=3 {
        off_road(&app, &boss, "7", day).await;
        app.pass(TimeDelta::days(20));
    }
    let (first, last) = app.app.store.event_ends().await.unwrap().unwrap();
    assert_eq!(app.app.store.sweep_events(app.app.now(), TimeDelta::days(30)).await.unwrap(), 2);
    let gone = boss.get(&format!("/v1/events?after={first}")).await.problem(410);
    assert!(gone["detail"].as_str().unwrap().contains(&last.to_string()), "{gone}");
    let mut stream = Stream::open(&boss, &format!("/v1/events?after={}", last - 1), None).await;
    assert_eq!(stream.event().await.1["data"]["from"], "2026-04-03");
}

/// Two processes on one database: what one of them publishes the other one's streams show.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn another_processes_events_are_seen() {
    let (app, boss) = fleet(Engine::Postgres, &[]).await;
    let config = ventmile::config::Config::load(None, Vec::new(), &[("database".to_owned(), app.database.address())]);
    let other = ventmile::app::App::open(config.unwrap().settings, app.clock.clone()).await.unwrap();
    let mut stream = Stream::open(&boss, "/v1/events", None).await;
    boss.send("/v1/vehicles/7/off-road", json!({"from": "2026-04-01", "reason": "x"})).await.expect(201);
    assert_eq!(other.publish_events().await.unwrap(), 1);
    assert!(stream.is_quiet().await, "this process has not looked");
    assert_eq!(app.app.publish_events().await.unwrap(), 0);
    assert_eq!(stream.event().await.1["type"], "car.off-road");
}

crate::on_both!(
    what_happens_comes_and_a_broken_stream_goes_on,
    many_events_come_in_their_order,
    a_stream_shows_what_was_asked_for_and_may_be_seen,
    a_stream_ends_with_its_key,
    a_quiet_stream_shows_that_it_lives_and_ends_with_its_key,
    streams_are_counted,
    streams_end_with_the_daemon,
    a_gap_is_said,
);
