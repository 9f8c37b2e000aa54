//! Webhooks: who subscribes to what, and what becomes of each delivery, with receivers of every temper.

use std::sync::{Arc, Mutex};

use axum::Router;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, Method, StatusCode};
use chrono::TimeDelta;
use serde_json::{Value, json};
use ventmile::app::keys::Scope;
use ventmile::courier::sign;
use ventmile::store::{Outgoing, Sent};

use crate::common::{Client, Engine, Reply, TestApp, car, fault, two_depots};

/// A receiver on a port of its own: keeps what it gets and answers as it is told.
#[derive(Clone)]
struct Receiver {
    inner: Arc<Inner>,
    url: String,
}

struct Inner {
    got: Mutex<Vec<(HeaderMap, Bytes)>>,
    answer: Mutex<(u16, Option<(&'static str, String)>)>,
}

impl Receiver {
    async fn start() -> Self {
        let inner = Arc::new(Inner { got: Mutex::default(), answer: Mutex::new((204, None)) });
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}/hook", listener.local_addr().unwrap());
        let router = Router::new().fallback(receive).with_state(Arc::clone(&inner));
        tokio::spawn(async move { axum::serve(listener, router).await });
        Self { inner, url }
    }

    fn answers(&self, status: u16) {
        self.answers_with(status, None);
    }

    fn answers_with(&self, status: u16, header: Option<(&'static str, String)>) {
        *self.inner.answer.lock().unwrap() = (status, header);
    }

    /// What it got since the last look.
    fn take(&self) -> Vec<(HeaderMap, Bytes)> {
        std::mem::take(&mut self.inner.got.lock().unwrap())
    }

    /// Types of the events it got since the last look.
    fn types(&self) -> Vec<String> {
        let event_type = |(_, body): (HeaderMap, Bytes)| {
            serde_json::from_slice::<Value>(&body).unwrap()["type"].as_str().unwrap().to_owned()
        };
        self.take().into_iter().map(event_type).collect()
    }
}

async fn receive(State(inner): State<Arc<Inner>>, headers: HeaderMap, body: Bytes) -> axum::response::Response {
    inner.got.lock().unwrap().push((headers, body));
    let (status, header) = inner.answer.lock().unwrap().clone();
    let mut answer = axum::response::Response::builder().status(status);
    if let Some((name, value)) = header {
        answer = answer.header(name, value);
    }
    answer.body("thanks".into()).unwrap()
}

const NEARBY: [(&str, &str); 2] = [("webhooks.allow_private", "true"), ("webhooks.allow_http", "true")];

async fn shop(engine: Engine) -> (TestApp, Client, Receiver) {
    let (app, boss) = TestApp::with(engine, &NEARBY).await;
    two_depots(&boss).await;
    for (unit, depot) in [("7", "NORTH"), ("8", "WEST")] {
        car(&boss, unit, depot).await;
    }
    (app, boss, Receiver::start().await)
}

async fn subscribe(client: &Client, body: Value) -> Value {
    client.send("/v1/webhooks", body).await.expect(201)
}

/// What the loop does, until nothing is due.
async fn deliver(app: &TestApp) -> Vec<(Outgoing, Sent)> {
    while app.app.publish_events().await.unwrap() > 0 {}
    let mut done = Vec::new();
    for webhook in app.app.store.due_webhooks(app.app.now()).await.unwrap() {
        for outgoing in app.app.claim_deliveries(webhook, 100).await.unwrap() {
            let sent = app.app.deliver(&outgoing).await.unwrap();
            done.push((outgoing, sent));
        }
    }
    done
}

async fn off_road(client: &Client, unit: &str, day: u32) {
    let off = json!({"from": format!("2026-04-{day:02}"), "to": format!("2026-04-{day:02}"), "reason": "x"});
    client.send(&format!("/v1/vehicles/{unit}/off-road"), off).await.expect(201);
}

async fn change(client: &Client, id: &Value, body: Value) -> Reply {
    client.patch(&format!("/v1/webhooks/{id}")).if_match("*").json(&body).send().await
}

async fn deliveries(client: &Client, id: &Value) -> Vec<Value> {
    let list = client.get(&format!("/v1/webhooks/{id}/deliveries")).await.expect(200);
    list["items"].as_array().unwrap().clone()
}

async fn a_secret_is_shown_once(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    let body = json!({"url": receiver.url, "types": ["car.stop"], "note": "shop"});
    let made = boss.post("/v1/webhooks").header("idempotency-key", "\"a\"").json(&body).send().await;
    let secret = made.expect(201)["secret"].as_str().unwrap().to_owned();
    // Standard Webhooks: 24 to 64 bytes in base64 after the prefix.
    assert!(secret.starts_with("whsec_") && secret.len() == 6 + 44, "{secret}");
    let again = boss.post("/v1/webhooks").header("idempotency-key", "\"a\"").json(&body).send().await;
    assert_eq!((&again.expect(201)["secret"], &again.json()["id"]), (&Value::Null, &made.json()["id"]));
    let id = &made.json()["id"];
    for path in ["/v1/webhooks", &format!("/v1/webhooks/{id}"), "/v1/journal"] {
        let text = boss.get(path).await.text;
        assert!(!text.contains("whsec_"), "{path}: {text}");
    }
    assert_eq!(boss.get("/v1/webhooks").await.expect(200)["items"].as_array().unwrap().len(), 1);
    let rotated = boss.send(&format!("/v1/webhooks/{id}/rotate"), json!({})).await.expect(200);
    assert!(rotated["secret"].as_str().is_some_and(|new| new != secret), "{rotated}");
    off_road(&boss, "7", 1).await;
    boss.send(&format!("/v1/webhooks/{id}/ping"), json!({})).await.expect(202);
    app.app.publish_events().await.unwrap();
    let outgoing = app.app.claim_deliveries(id.as_i64().unwrap(), 1).await.unwrap();
    assert!(!format!("{outgoing:?}").contains(&secret), "secrets stay out of the logs");
}

async fn what_cannot_be_subscribed_to_is_said(engine: Engine) {
    let (_app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    for (body, pointer, reason) in [
        (json!({"url": "http://shop.example/"}), "/url", "webhooks.allow_http"),
        (json!({"url": "https://10.0.0.1/"}), "/url", "webhooks.allow_private"),
        (json!({"url": "https://a:b@shop.example/"}), "/url", "without a login"),
        (json!({"url": "https://shop.example/", "types": ["car.stop", "car.start"]}), "/types/1", "car.stop"),
        (json!({"url": "https://shop.example/", "depots": ["NOWHERE"]}), "/depots", "NOWHERE"),
        (json!({"url": "https://shop.example/", "depots": ["\n"]}), "/depots/0", "characters"),
        (json!({"url": "https://shop.example/", "colour": "red"}), "/colour", "unknown field"),
        (json!({}), "/url", "missing field"),
    ] {
        let problem = boss.send("/v1/webhooks", body).await.problem(422);
        assert_eq!(fault(&problem), pointer, "{problem}");
        assert!(problem["detail"].as_str().unwrap().contains(reason), "{problem}");
    }
    let made = subscribe(&boss, json!({"url": "https://shop.example/"})).await;
    assert_eq!(fault(&change(&boss, &made["id"], json!({"state": "closed"})).await.problem(422)), "/state");
    assert_eq!(fault(&change(&boss, &made["id"], json!({"url": "https://127.1/"})).await.problem(422)), "/url");
    let path = format!("/v1/webhooks/{}", made["id"]);
    boss.patch(&path).if_match("\"9\"").json(&json!({"note": "x"})).send().await.problem(412);
    boss.patch(&path).json(&json!({"note": "x"})).send().await.problem(428);
    for path in ["/v1/webhooks/99", "/v1/webhooks/x", "/v1/webhooks/99/deliveries"] {
        boss.get(path).await.problem(404);
    }
    boss.send(&format!("{path}/deliveries/5/redeliver"), json!({})).await.problem(404);
    assert_eq!(fault(&boss.get(&format!("{path}/deliveries?state=lost")).await.problem(400)), "state");
}

async fn a_confined_key_subscribes_for_its_depots(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    let north = app.client(&[Scope::Admin, Scope::Plan], &["NORTH"]).await;
    let own = subscribe(&north, json!({"url": receiver.url})).await;
    assert_eq!(own["depots"], json!(["NORTH"]), "all that it may see");
    let beyond = json!({"url": receiver.url, "depots": ["WEST"]});
    assert_eq!(fault(&north.send("/v1/webhooks", beyond).await.problem(422)), "/depots");
    assert_eq!(fault(&change(&north, &own["id"], json!({"depots": ["NORTH", "WEST"]})).await.problem(422)), "/depots");
    let all = subscribe(&boss, json!({"url": receiver.url, "types": ["webhook.ping"]})).await;
    let both =
        subscribe(&boss, json!({"url": receiver.url, "depots": ["NORTH", "WEST"], "types": ["webhook.ping"]})).await;
    for hidden in [&all, &both] {
        north.get(&format!("/v1/webhooks/{}", hidden["id"])).await.problem(404);
        north.get(&format!("/v1/webhooks/{}/deliveries", hidden["id"])).await.problem(404);
        for act in ["rotate", "close", "ping"] {
            north.send(&format!("/v1/webhooks/{}/{act}", hidden["id"]), json!({})).await.problem(404);
        }
        change(&north, &hidden["id"], json!({"state": "paused"})).await.problem(404);
    }
    let seen = north.get("/v1/webhooks").await.expect(200);
    assert_eq!(seen["items"].as_array().unwrap().len(), 1);
    assert_eq!(boss.get("/v1/webhooks").await.expect(200)["items"].as_array().unwrap().len(), 3);
    off_road(&boss, "7", 1).await;
    off_road(&boss, "8", 1).await;
    deliver(&app).await;
    let got = receiver.take();
    let depots: Vec<Value> =
        got.iter().map(|(_, body)| serde_json::from_slice::<Value>(body).unwrap()["depot"].clone()).collect();
    assert_eq!(depots, [json!("NORTH")]);
}

async fn an_event_arrives_signed(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    let made = subscribe(&boss, json!({"url": receiver.url, "types": ["car.off-road"], "depots": ["NORTH"]})).await;
    off_road(&boss, "7", 1).await;
    off_road(&boss, "8", 1).await;
    boss.send("/v1/driver-reports", json!({"unit": "7", "symptom": "other", "told": "x", "by": "x"})).await.expect(201);
    assert_eq!(deliver(&app).await.len(), 1);
    let (headers, body) = receiver.take().pop().unwrap();
    let header = |name: &str| headers[name].to_str().unwrap();
    let body = std::str::from_utf8(&body).unwrap();
    let timestamp = header("webhook-timestamp").parse().unwrap();
    assert_eq!(timestamp, app.app.now().timestamp());
    let secret = made["secret"].as_str().unwrap();
    assert_eq!(header("webhook-signature"), sign([secret], header("webhook-id"), timestamp, body));
    assert!(header("content-type").starts_with("application/cloudevents+json"));
    assert!(header("user-agent").starts_with("ventmile/"));
    let event: Value = serde_json::from_str(body).unwrap();
    assert_eq!((&event["specversion"], &event["type"]), (&json!("1.0"), &json!("car.off-road")));
    assert_eq!((&event["subject"], &event["depot"]), (&json!("vehicle 7"), &json!("NORTH")));
    assert_eq!((&event["id"], &event["data"]["unit"]), (&json!(header("webhook-id")), &json!("7")));
    let listed = deliveries(&boss, &made["id"]).await;
    assert_eq!((&listed[0]["state"], &listed[0]["attempts"]), (&json!("delivered"), &json!(1)));
    assert_eq!((&listed[0]["last_status"], &listed[0]["next_at"]), (&json!(204), &Value::Null));
    assert_eq!(deliver(&app).await.len(), 0, "it is sent once");
}

async fn what_fails_is_tried_again_until_it_is_dead_and_sent_by_hand(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    let made = subscribe(&boss, json!({"url": receiver.url})).await;
    off_road(&boss, "7", 1).await;
    receiver.answers(500);
    let (_, first) = deliver(&app).await.pop().unwrap();
    let waits = first.due_at - app.app.now();
    assert!(waits >= TimeDelta::seconds(4) && waits <= TimeDelta::seconds(6), "{waits}");
    assert_eq!(deliver(&app).await.len(), 0, "not before its time");
    let waiting = &deliveries(&boss, &made["id"]).await[0];
    assert_eq!((&waiting["state"], &waiting["last_status"]), (&json!("waiting"), &json!(500)));
    assert!(waiting["next_at"].is_string() && waiting["last_fault"].as_str().unwrap().contains("500"), "{waiting}");
    for attempt in 2..=10 {
        app.pass(TimeDelta::days(2));
        assert_eq!(deliver(&app).await.len(), 1, "{attempt}");
    }
    app.pass(TimeDelta::days(2));
    assert_eq!(deliver(&app).await.len(), 0, "ten attempts");
    let ids: Vec<String> =
        receiver.take().iter().map(|(headers, _)| headers["webhook-id"].to_str().unwrap().to_owned()).collect();
    assert!(ids.len() == 10 && ids.iter().all(|id| *id == ids[0]), "{ids:?}");
    let path = format!("/v1/webhooks/{}/deliveries", made["id"]);
    let dead = boss.get(&format!("{path}?state=dead")).await.expect(200)["items"][0].clone();
    assert_eq!((&dead["attempts"], &dead["next_at"]), (&json!(10), &Value::Null));
    let counts = app.app.store.delivery_counts().await.unwrap();
    assert_eq!((counts.waiting, counts.dead, counts.oldest_waiting), (0, 1, None));
    receiver.answers(200);
    let again = boss.send(&format!("{path}/{}/redeliver", dead["event"]), json!({})).await.expect(202);
    assert_eq!((&again["state"], &again["attempts"]), (&json!("waiting"), &json!(0)));
    assert_eq!(app.app.store.delivery_counts().await.unwrap().waiting, 1);
    deliver(&app).await;
    assert_eq!(receiver.take()[0].0["webhook-id"], *ids[0]);
    assert_eq!(deliveries(&boss, &made["id"]).await[0]["state"], "delivered");
    boss.send(&format!("{path}/{}/redeliver", dead["event"]), json!({})).await.expect(202);
    assert_eq!(deliver(&app).await.len(), 1, "what was delivered can be sent again too");
}

async fn nobody_listens(engine: Engine) {
    let (app, boss, _) = shop(engine).await;
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let made = subscribe(&boss, json!({"url": format!("http://127.0.0.1:{port}/")})).await;
    off_road(&boss, "7", 1).await;
    deliver(&app).await;
    let waiting = &deliveries(&boss, &made["id"]).await[0];
    assert_eq!((&waiting["state"], &waiting["last_status"]), (&json!("waiting"), &Value::Null));
    assert!(waiting["last_fault"].as_str().unwrap().starts_with("no connection"), "{waiting}");
}

async fn gone_stops_the_subscription(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    let made = subscribe(&boss, json!({"url": receiver.url})).await;
    off_road(&boss, "7", 1).await;
    receiver.answers(500);
    deliver(&app).await;
    off_road(&boss, "7", 2).await;
    receiver.answers(410);
    deliver(&app).await;
    let path = format!("/v1/webhooks/{}", made["id"]);
    let stopped = boss.get(&path).await.expect(200);
    assert_eq!(stopped["state"], "stopped");
    assert!(stopped["state_reason"].as_str().unwrap().contains("410"), "{stopped}");
    assert!(deliveries(&boss, &made["id"]).await.iter().all(|one| one["state"] == "dead"));
    off_road(&boss, "7", 3).await;
    app.pass(TimeDelta::days(1));
    receiver.take();
    deliver(&app).await;
    assert_eq!(receiver.types(), [""; 0]);
    boss.send(&format!("{path}/ping"), json!({})).await.problem(409);
    let event = &deliveries(&boss, &made["id"]).await[0]["event"];
    boss.send(&format!("{path}/deliveries/{event}/redeliver"), json!({})).await.problem(409);
    receiver.answers(200);
    let active = change(&boss, &made["id"], json!({"state": "active"})).await.expect(200);
    assert_eq!((&active["state"], &active["state_reason"]), (&json!("active"), &Value::Null));
    off_road(&boss, "7", 4).await;
    deliver(&app).await;
    assert_eq!(receiver.types(), ["car.off-road"], "what happened meanwhile is not sent");
}

async fn a_redirect_is_not_followed(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    let other = Receiver::start().await;
    let made = subscribe(&boss, json!({"url": receiver.url})).await;
    for status in [301, 302, 303, 307, 308] {
        receiver.answers_with(status, Some(("location", other.url.clone())));
        boss.send(&format!("/v1/webhooks/{}/ping", made["id"]), json!({})).await.expect(202);
        deliver(&app).await;
        let last = &deliveries(&boss, &made["id"]).await[0];
        assert_eq!((&last["state"], &last["last_status"]), (&json!("waiting"), &json!(status)));
    }
    assert_eq!(other.types(), [""; 0]);
}

async fn both_secrets_sign_for_a_while(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    let made = subscribe(&boss, json!({"url": receiver.url})).await;
    let path = format!("/v1/webhooks/{}", made["id"]);
    let rotated = boss.send(&format!("{path}/rotate"), json!({})).await.expect(200);
    let signatures = async || {
        boss.send(&format!("{path}/ping"), json!({})).await.expect(202);
        deliver(&app).await;
        let (headers, body) = receiver.take().pop().unwrap();
        let value = |name: &str| headers[name].to_str().unwrap().to_owned();
        let by = |secret: &Value| {
            let timestamp = value("webhook-timestamp").parse().unwrap();
            sign([secret.as_str().unwrap()], &value("webhook-id"), timestamp, std::str::from_utf8(&body).unwrap())
        };
        (value("webhook-signature"), by(&rotated["secret"]), by(&made["secret"]))
    };
    let (both, new, old) = signatures().await;
    assert_eq!(both, format!("{new} {old}"));
    app.pass(TimeDelta::hours(24));
    let (only, new, _) = signatures().await;
    assert_eq!(only, new);
}

async fn a_paused_subscription_keeps_what_happens(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    let made = subscribe(&boss, json!({"url": receiver.url, "note": "x"})).await;
    change(&boss, &made["id"], json!({"state": "paused", "note": null})).await.expect(200);
    off_road(&boss, "7", 1).await;
    boss.send(&format!("/v1/webhooks/{}/ping", made["id"]), json!({})).await.expect(202);
    assert_eq!(deliver(&app).await.len(), 0);
    let active = change(&boss, &made["id"], json!({"state": "active"})).await.expect(200);
    assert_eq!((&active["note"], &active["version"]), (&Value::Null, &json!(3)));
    deliver(&app).await;
    assert_eq!(receiver.types(), ["car.off-road", "webhook.ping"]);
}

async fn a_closed_subscription_is_over(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    let made = subscribe(&boss, json!({"url": receiver.url})).await;
    off_road(&boss, "7", 1).await;
    app.app.publish_events().await.unwrap();
    let path = format!("/v1/webhooks/{}", made["id"]);
    assert_eq!(boss.send(&format!("{path}/close"), json!({})).await.expect(200)["state"], "closed");
    assert_eq!(deliver(&app).await.len(), 0);
    assert_eq!(deliveries(&boss, &made["id"]).await[0]["state"], "dead");
    for act in ["close", "rotate", "ping"] {
        boss.send(&format!("{path}/{act}"), json!({})).await.problem(409);
    }
    change(&boss, &made["id"], json!({"state": "active"})).await.problem(409);
    assert_eq!(receiver.types(), [""; 0]);
}

async fn an_overloaded_receiver_is_left_alone(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    subscribe(&boss, json!({"url": receiver.url})).await;
    off_road(&boss, "7", 1).await;
    receiver.answers_with(429, Some(("retry-after", "600".to_owned())));
    deliver(&app).await;
    off_road(&boss, "7", 2).await;
    app.pass(TimeDelta::seconds(599));
    assert_eq!(deliver(&app).await.len(), 0, "nothing else either");
    app.pass(TimeDelta::seconds(2));
    assert_eq!(deliver(&app).await.len(), 2);
}

async fn a_ping_goes_to_one_only(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    let other = Receiver::start().await;
    let made = subscribe(&boss, json!({"url": receiver.url, "types": ["car.stop"], "depots": ["WEST"]})).await;
    subscribe(&boss, json!({"url": other.url})).await;
    boss.send(&format!("/v1/webhooks/{}/ping", made["id"]), json!({})).await.expect(202);
    deliver(&app).await;
    assert_eq!((receiver.types(), other.types()), (vec!["webhook.ping".to_owned()], vec![]));
}

async fn workers_at_once_send_each_delivery_once(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    let made = subscribe(&boss, json!({"url": receiver.url})).await;
    for day in 1..=12 {
        off_road(&boss, "7", day).await;
    }
    app.app.publish_events().await.unwrap();
    let id = made["id"].as_i64().unwrap();
    let mut workers = tokio::task::JoinSet::new();
    for _ in 0..4 {
        let app = app.app.clone();
        workers.spawn(async move { app.claim_deliveries(id, 5).await.unwrap() });
    }
    let claimed: Vec<Outgoing> = workers.join_all().await.into_iter().flatten().collect();
    let mut events: Vec<i64> = claimed.iter().map(|one| one.event.id).collect();
    events.sort_unstable();
    events.dedup();
    assert_eq!((claimed.len(), events.len()), (12, 12));
    assert_eq!(app.app.claim_deliveries(id, 5).await.unwrap().len(), 0, "all are under way");
    app.pass(TimeDelta::seconds(46));
    let again = app.app.claim_deliveries(id, 5).await.unwrap();
    assert_eq!(
        again.iter().map(|one| one.event.id).collect::<Vec<_>>(),
        events[..5],
        "a claim runs out, the oldest come first"
    );
}

async fn old_deliveries_are_forgotten_with_their_events(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    let made = subscribe(&boss, json!({"url": receiver.url})).await;
    off_road(&boss, "7", 1).await;
    deliver(&app).await;
    change(&boss, &made["id"], json!({"state": "paused"})).await.expect(200);
    off_road(&boss, "7", 2).await;
    deliver(&app).await;
    app.pass(TimeDelta::days(31));
    off_road(&boss, "7", 3).await;
    deliver(&app).await;
    assert_eq!(deliveries(&boss, &made["id"]).await.len(), 3);
    app.app.store.sweep_events(app.app.now(), TimeDelta::days(30)).await.unwrap();
    let left = deliveries(&boss, &made["id"]).await;
    assert_eq!((left.len(), &left[0]["state"]), (1, &json!("waiting")));
}

async fn deliveries_come_in_pages(engine: Engine) {
    let (app, boss, receiver) = shop(engine).await;
    let made = subscribe(&boss, json!({"url": receiver.url})).await;
    for day in 1..=5 {
        off_road(&boss, "7", day).await;
    }
    deliver(&app).await;
    let mut path = Some(format!("/v1/webhooks/{}/deliveries?limit=2", made["id"]));
    let mut events = Vec::new();
    while let Some(page) = path {
        let list = boss.get(&page).await.expect(200);
        events.extend(list["items"].as_array().unwrap().iter().map(|one| one["event"].as_i64().unwrap()));
        path = list["next"].as_str().map(str::to_owned);
    }
    assert!(events.len() == 5 && events.windows(2).all(|pair| pair[0] > pair[1]), "{events:?}");
    let wrong = boss.call(Method::DELETE, &format!("/v1/webhooks/{}", made["id"])).send().await;
    assert_eq!(wrong.status, StatusCode::METHOD_NOT_ALLOWED);
}

crate::on_both!(
    a_secret_is_shown_once,
    what_cannot_be_subscribed_to_is_said,
    a_confined_key_subscribes_for_its_depots,
    an_event_arrives_signed,
    what_fails_is_tried_again_until_it_is_dead_and_sent_by_hand,
    nobody_listens,
    gone_stops_the_subscription,
    a_redirect_is_not_followed,
    both_secrets_sign_for_a_while,
    a_paused_subscription_keeps_what_happens,
    a_closed_subscription_is_over,
    an_overloaded_receiver_is_left_alone,
    a_ping_goes_to_one_only,
    workers_at_once_send_each_delivery_once,
    old_deliveries_are_forgotten_with_their_events,
    deliveries_come_in_pages,
);
