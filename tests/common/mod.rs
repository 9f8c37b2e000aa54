//! A daemon in process: its own database, a clock that stands, loops run by hand.

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

use axum::Router;
use axum::body::Body;
use axum::http::{HeaderMap, Method, Request, StatusCode};
use chrono::{DateTime, Datelike, NaiveDate, TimeDelta, Utc};
use http_body_util::BodyExt;
use serde_json::{Value, json};
use sqlx::{Connection, Executor};
use tower::ServiceExt;
use ventmile::app::App;
use ventmile::app::keys::Scope;
use ventmile::clock::SetClock;
use ventmile::config::Config;

/// Noon in New York on a Wednesday.
pub const NOW: &str = "2026-03-18T16:00:00Z";

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Engine {
    Sqlite,
    Postgres,
}

/// Makes of `async fn name(engine: Engine)` one test for each database.
#[macro_export]
macro_rules! on_both {
    ($($name:ident),* $(,)?) => {
        mod sqlite {
            $(#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $name() { super::$name($crate::common::Engine::Sqlite).await; })*
        }
        mod postgres {
            $(#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $name() { super::$name($crate::common::Engine::Postgres).await; })*
        }
    };
}

/// A database of its own, gone with the test.
pub enum Database {
    Sqlite { _dir: tempfile::TempDir, address: String },
    Postgres { server: String, name: String },
}

static NUMBER: AtomicU32 = AtomicU32::new(0);

pub fn postgres_server() -> String {
    std::env::var("VENTMILE_TEST_POSTGRES")
        .expect("VENTMILE_TEST_POSTGRES names a Postgres server for the tests; tests/run starts one")
}

impl Database {
    pub async fn new(engine: Engine) -> Self {
        if engine == Engine::Sqlite {
            let dir = tempfile::tempdir().unwrap();
            let address = format!("sqlite:{}", dir.path().join("fleet.db").display());
            return Self::Sqlite { _dir: dir, address };
        }
        let server = postgres_server();
        let name = format!("t{}_{}", std::process::id(), NUMBER.fetch_add(1, Ordering::Relaxed));
        let mut connection = sqlx::PgConnection::connect(&format!("{server}/postgres")).await.unwrap();
        connection.execute(sqlx::AssertSqlSafe(format!("CREATE DATABASE {name}"))).await.unwrap();
        Self::Postgres { server, name }
    }

    /// Runs SQL on it, beside the daemon.
    pub async fn run(&self, sql: &'static str) {
        let address = self.address();
        if let Some(path) = address.strip_prefix("sqlite:") {
            let mut connection = sqlx::SqliteConnection::connect(path).await.unwrap();
            connection.execute(sql).await.unwrap();
        } else {
            let mut connection = sqlx::PgConnection::connect(&address).await.unwrap();
            connection.execute(sql).await.unwrap();
        }
    }

    pub fn address(&self) -> String {
        match self {
            Self::Sqlite { address, .. } => address.clone(),
            Self::Postgres { server, name } => format!("{server}/{name}"),
        }
    }
}

/// An answer, read.
#[derive(Debug)]
pub struct Reply {
    pub status: StatusCode,
    pub headers: HeaderMap,
    pub text: String,
}

impl Reply {
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|fault| panic!("{fault}: {}", self.text))
    }

    /// The answer as JSON, once its status is as expected.
    #[track_caller]
    pub fn expect(&self, status: u16) -> Value {
        assert_eq!(self.status.as_u16(), status, "{}", self.text);
        if self.text.is_empty() { Value::Null } else { self.json() }
    }

    #[track_caller]
    pub fn etag(&self) -> String {
        self.headers["etag"].to_str().unwrap().to_owned()
    }

    /// The problem, once its status and shape are right (RFC 9457).
    #[track_caller]
    pub fn problem(&self, status: u16) -> Value {
        let problem = self.expect(status);
        assert_eq!(self.headers["content-type"], "application/problem+json");
        for member in ["type", "title", "detail"] {
            assert!(problem[member].is_string(), "{member}: {problem}");
        }
        assert_eq!(problem["status"], status);
        assert_eq!(problem["request_id"].as_str(), self.headers["x-request-id"].to_str().ok());
        problem
    }
}

/// A client with a key.
#[derive(Clone, Debug)]
pub struct Client {
    router: Router,
    key: String,
}

/// A request being built.
pub struct Call {
    router: Router,
    builder: axum::http::request::Builder,
    body: Body,
}

impl Call {
    pub fn header(mut self, name: &str, value: &str) -> Self {
        self.builder = self.builder.header(name, value);
        self
    }

    /// As if it came over a connection from this address.
    pub fn from(mut self, address: [u8; 4]) -> Self {
        self.builder = self.builder.extension(ventmile::listen::Remote(address.into()));
        self
    }

    /// An Idempotency-Key of its own.
    pub fn once(self) -> Self {
        let key = format!("\"k{}\"", NUMBER.fetch_add(1, Ordering::Relaxed));
        self.header("idempotency-key", &key)
    }

    pub fn if_match(self, etag: &str) -> Self {
        self.header("if-match", etag)
    }

    pub fn body(mut self, media_type: &str, body: impl Into<Body>) -> Self {
        self.body = body.into();
        self.header("content-type", media_type)
    }

    pub fn json(self, body: &Value) -> Self {
        self.body("application/json", body.to_string())
    }

    pub async fn send(self) -> Reply {
        let response = self.router.oneshot(self.builder.body(self.body).unwrap()).await.unwrap();
        let (parts, body) = response.into_parts();
        // A stream has no end to wait for.
        let streams = parts.headers.get("content-type").is_some_and(|media| media == "text/event-stream");
        let bytes = if streams { bytes::Bytes::new() } else { body.collect().await.unwrap().to_bytes() };
        let text = String::from_utf8(bytes.to_vec()).unwrap();
        Reply { status: parts.status, headers: parts.headers, text }
    }

    /// The answer as it arrives.
    pub async fn open(self) -> axum::response::Response {
        self.router.oneshot(self.builder.body(self.body).unwrap()).await.unwrap()
    }
}

impl Client {
    pub fn key(&self) -> &str {
        &self.key
    }

    /// The same key at another daemon.
    pub fn at(&self, app: &TestApp) -> Self {
        Self { router: app.router.clone(), key: self.key.clone() }
    }

    pub fn call(&self, method: Method, path: &str) -> Call {
        let mut builder = Request::builder().method(method).uri(path);
        if !self.key.is_empty() {
            builder = builder.header("authorization", format!("Bearer {}", self.key));
        }
        Call { router: self.router.clone(), builder, body: Body::empty() }
    }

    pub async fn get(&self, path: &str) -> Reply {
        self.call(Method::GET, path).send().await
    }

    pub fn post(&self, path: &str) -> Call {
        self.call(Method::POST, path)
    }

    pub fn patch(&self, path: &str) -> Call {
        self.call(Method::PATCH, path)
    }

    /// Posts JSON with an Idempotency-Key of its own.
    pub async fn send(&self, path: &str, body: Value) -> Reply {
        self.post(path).once().json(&body).send().await
    }

    /// Does an act on an order as it stands.
    pub async fn act(&self, number: &str, act: &str, body: Value) -> Reply {
        let order = self.get(&format!("/v1/work-orders/{number}")).await;
        let path = format!("/v1/work-orders/{number}/{act}");
        self.post(&path).once().if_match(&order.etag()).json(&body).send().await
    }
}

/// A daemon in process.
pub struct TestApp {
    pub app: App,
    pub clock: Arc<SetClock>,
    router: Router,
    pub database: Database,
}

/// Another process on a test's database.
pub struct Second(Router);

impl Second {
    pub fn client_with(&self, key: &str) -> Client {
        Client { router: self.0.clone(), key: key.to_owned() }
    }
}

pub fn instant(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

impl TestApp {
    /// A daemon on a new database, and a client whose key may do all.
    pub async fn new(engine: Engine) -> (Self, Client) {
        Self::with(engine, &[]).await
    }

    /// The same with other settings.
    pub async fn with(engine: Engine, settings: &[(&str, &str)]) -> (Self, Client) {
        let this = Self::on(Database::new(engine).await, settings).await;
        let client = this.client(&Scope::ALL, &[]).await;
        (this, client)
    }

    /// A daemon on a database that is there.
    pub async fn on(database: Database, settings: &[(&str, &str)]) -> Self {
        let mut flags = vec![("database".to_owned(), database.address()), ("connections".to_owned(), "4".to_owned())];
        flags.extend(settings.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())));
        let config = Config::load(None, Vec::new(), &flags).unwrap();
        let clock = Arc::new(SetClock::new(instant(NOW)));
        let app = App::open(config.settings, clock.clone()).await.unwrap();
        let router = ventmile::serve::router(&app);
        Self { app, clock, router, database }
    }

    /// A second process on the same database and clock.
    pub async fn again(&self) -> Second {
        let app = App::open((*self.app.settings).clone(), self.clock.clone()).await.unwrap();
        Second(ventmile::serve::router(&app))
    }

    /// A client whose key has these scopes at these depots.
    pub async fn client(&self, scopes: &[Scope], depots: &[&str]) -> Client {
        let name = format!("key {}", NUMBER.fetch_add(1, Ordering::Relaxed));
        self.named_client(&name, scopes, depots).await
    }

    pub async fn named_client(&self, name: &str, scopes: &[Scope], depots: &[&str]) -> Client {
        let depots: Vec<String> = depots.iter().map(|code| (*code).to_owned()).collect();
        let key = self.app.new_key(name, scopes, &depots, None).await.unwrap();
        Client { router: self.router.clone(), key }
    }

    pub fn anonymous(&self) -> Client {
        Client { router: self.router.clone(), key: String::new() }
    }

    pub fn client_with(&self, key: &str) -> Client {
        Client { router: self.router.clone(), key: key.to_owned() }
    }

    /// Puts the clock forward.
    pub fn pass(&self, time: TimeDelta) {
        use ventmile::clock::Clock;
        self.clock.set(self.clock.now() + time);
    }

    /// What the loops do: move what is told to move today, recast what is stale, then raise what is due once the first logs have settled.
    pub async fn settle(&self) {
        self.app.store.take_moves(self.app.now()).await.unwrap();
        self.app.recast_all().await.unwrap();
        self.pass(TimeDelta::seconds(10));
        self.app.raise_orders(10_000).await.unwrap();
    }
}

/// A depot in New York and one in Winnipeg.
pub async fn two_depots(client: &Client) {
    for (code, zone, unit) in [("NORTH", "America/New_York", "mi"), ("WEST", "America/Winnipeg", "km")] {
        let depot = json!({"code": code, "name": code, "zone": zone, "bays": 2, "distance_unit": unit});
        client.send("/v1/depots", depot).await.expect(201);
    }
}

/// A car at a depot, in service since 2025-01-01 with 10 mi on the odometer.
pub async fn car(client: &Client, unit: &str, depot: &str) {
    let car = json!({
        "unit": unit, "depot": depot, "in_service_on": "2025-01-01", "odometer_in_service": 10, "distance_unit": "mi",
    });
    client.send("/v1/vehicles", car).await.expect(201);
}

/// A month of readings at 17:00 UTC up to the day before `NOW`, `per_day` miles a day, ending at `last` miles.
pub fn month_of_readings(unit: &str, last: f64, per_day: f64) -> Value {
    daily_readings(unit, last, per_day, 30)
}

/// The same of so many days.
fn daily_readings(unit: &str, last: f64, per_day: f64, days: i64) -> Value {
    let end = instant("2026-03-17T17:00:00Z");
    (0..days)
        .map(|back| {
            json!({
                "unit": unit, "at": end - TimeDelta::days(back), "odometer": last - per_day * back as f64,
                "distance_unit": "mi", "source": "telematics",
            })
        })
        .collect()
}

/// Posts rows of a log and gives the verdicts.
#[track_caller]
pub fn post<'a>(client: &'a Client, log: &str, rows: Value) -> impl Future<Output = Value> + use<'a> {
    let sent = client.post(&format!("/v1/{log}")).json(&rows);
    let place = std::panic::Location::caller();
    async move {
        let reply = sent.send().await;
        assert_eq!(reply.status, StatusCode::OK, "{place}: {}", reply.text);
        reply.json()
    }
}

/// A fan service of a car, at an odometer in miles.
pub async fn serviced(client: &Client, unit: &str, at: &str, miles: f64) {
    let row = json!({"unit": unit, "kind": "fan-service", "at": at, "odometer": miles, "distance_unit": "mi"});
    assert_eq!(post(client, "past-services", row).await["stored"], 1);
}

/// The one item of a car in the list of what falls due.
pub async fn item(client: &Client, unit: &str) -> Value {
    let list = client.get(&format!("/v1/upcoming?unit={unit}")).await.expect(200);
    let items = list["items"].as_array().unwrap();
    assert_eq!(items.len(), 1, "{list}");
    items[0].clone()
}

/// A car's explained forecast.
pub async fn forecast(client: &Client, unit: &str) -> Value {
    client.get(&format!("/v1/vehicles/{unit}/forecast")).await.expect(200)
}

/// What a list shows of a car, kept at its recast, is what comes of its rows as they stand.
pub async fn list_and_explanation_agree(client: &Client, unit: &str) {
    let (listed, why) = (item(client, unit).await, forecast(client, unit).await);
    for name in [
        "unit",
        "depot",
        "kind",
        "band",
        "grade",
        "distance_unit",
        "deciding_meter",
        "since_service",
        "due",
        "no_date_because",
        "chance_past_late",
        "chance_by",
        "last_reading_at",
        "silent_days",
        "silent",
        "off_road",
        "notes",
    ] {
        assert_eq!(listed[name], why[name], "{unit}: {name}");
    }
    assert_eq!(listed["counts_from"], why["counts_from"]["basis"]);
    assert_eq!(listed["counts_since"], why["counts_from"]["on"]);
}

/// The dates from one to another, both included.
pub fn dates(from: &str, to: &str) -> impl Iterator<Item = NaiveDate> {
    let (from, to): (NaiveDate, NaiveDate) = (from.parse().unwrap(), to.parse().unwrap());
    from.iter_days().take_while(move |date| *date <= to)
}

/// Duty logs of `hours` and 20 trips on each of the days.
pub fn duty(unit: &str, days: impl Iterator<Item = NaiveDate>, hours: f64) -> Value {
    days.map(|date| json!({"unit": unit, "date": date, "hours": hours, "trips": 20, "source": "dispatch"})).collect()
}

/// Seat logs of 20 trips on each of the days, `rear` of them with the rear seat taken.
pub fn seats(unit: &str, days: impl Iterator<Item = NaiveDate>, rear: u32) -> Value {
    days.map(|date| json!({"unit": unit, "date": date, "trips": 20, "rear_trips": rear, "source": "dispatch"}))
        .collect()
}

/// Whether a day is Monday to Friday.
pub fn weekday(date: &NaiveDate) -> bool {
    date.weekday().num_days_from_monday() < 5
}

/// A car in ordinary duty: serviced on 2026-02-10 at 35,750 mi, five days a week, eight hours a day, a fifth of the
/// trips with the rear seat taken, 150 mi a day, at 41,000 mi the day before `NOW`.
pub async fn ordinary_car(client: &Client, unit: &str, depot: &str) {
    car(client, unit, depot).await;
    serviced(client, unit, "2026-02-10T17:00:00Z", 35_750.0).await;
    post(client, "odometer-readings", daily_readings(unit, 41_000.0, 150.0, 35)).await;
    post(client, "duty-logs", duty(unit, dates("2026-02-11", "2026-03-17").filter(weekday), 8.0)).await;
    post(client, "seat-logs", seats(unit, dates("2026-02-11", "2026-03-17").filter(weekday), 4)).await;
}

/// The refused row at a place, as (row, field, value).
#[track_caller]
pub fn refused(verdicts: &Value, place: usize) -> (u64, &str, &Value) {
    let row = &verdicts["refused"][place];
    assert!(row["reason"].as_str().is_some_and(|reason| !reason.is_empty()), "{verdicts}");
    (row["row"].as_u64().unwrap(), row["field"].as_str().unwrap(), &row["value"])
}

/// The pointer or parameter of a problem's first fault.
#[track_caller]
pub fn fault(problem: &Value) -> &str {
    let first = &problem["errors"][0];
    first["pointer"].as_str().or(first["parameter"].as_str()).unwrap_or_else(|| panic!("{problem}"))
}
