//! Limits: how much a key, a stranger and a connection may ask, and how slow they may be.

use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::http::Method;
use futures_util::StreamExt;
use serde_json::json;
use sqlx::{Connection, Executor};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio_util::sync::CancellationToken;
use ventmile::app::keys::Scope;
use ventmile::config::Config;
use ventmile::serve::Server;

use crate::common::{Database, Engine, TestApp, car, post, refused, two_depots};

fn header(reply: &crate::common::Reply, name: &str) -> String {
    reply.headers.get(name).map(|value| value.to_str().unwrap().to_owned()).unwrap_or_default()
}

/// The headers as the IETF draft on rate limits has them (FACTS: `"default";q=100;w=60` and `"default";r=50;t=30`).
async fn a_key_has_an_allowance_and_is_told_of_it(engine: Engine) {
    let (app, _) = TestApp::with(engine, &[("limits.key_requests", "4"), ("limits.key_seconds", "7200")]).await;
    let (one, other) = (app.client(&[Scope::Read], &[]).await, app.client(&[Scope::Read], &[]).await);
    for (left, whole) in [(3, 1800), (2, 3600), (1, 5400), (0, 7200)] {
        // A refusal counts like an answer.
        let reply = if left % 2 == 0 { one.get("/v1/vehicles/none").await } else { one.get("/v1/depots").await };
        assert_eq!(header(&reply, "ratelimit-policy"), "\"default\";q=4;w=7200");
        assert_eq!(header(&reply, "ratelimit"), format!("\"default\";r={left};t={whole}"));
    }
    let reply = one.get("/v1/depots").await;
    assert_eq!(header(&reply, "ratelimit"), "\"default\";r=0;t=7200");
    let wait: u64 = header(&reply, "retry-after").parse().unwrap();
    assert!((1795..=1800).contains(&wait), "{wait}");
    assert_eq!(reply.problem(429)["type"], "urn:ventmile:problem:rate");
    // What is refused is not done.
    let sent =
        one.send("/v1/depots", json!({"code": "N", "name": "x", "zone": "UTC", "bays": 1, "distance_unit": "mi"}));
    sent.await.problem(429);
    other.get("/v1/depots").await.expect(200);
    app.anonymous().get("/livez").await.expect(200);
}

async fn without_a_limit_nothing_is_told(engine: Engine) {
    let (_app, manager) = TestApp::with(engine, &[("limits.key_requests", "0")]).await;
    let reply = manager.get("/v1/depots").await;
    assert_eq!((reply.status.as_u16(), header(&reply, "ratelimit")), (200, String::new()));
}

async fn a_stranger_has_few_attempts_and_hinders_nobody(engine: Engine) {
    let settings = [("limits.stranger_requests", "3"), ("limits.stranger_seconds", "3600")];
    let (app, manager) = TestApp::with(engine, &settings).await;
    let (here, there) = ([192, 0, 2, 1], [192, 0, 2, 2]);
    let stranger = app.client_with("vm_guessed");
    let depots = |from| stranger.call(Method::GET, "/v1/depots").from(from).send();
    depots(here).await.problem(401);
    app.anonymous().call(Method::GET, "/v1/depots").from(here).send().await.problem(401);
    app.anonymous().call(Method::GET, "/v1/calendars/guess.ics").from(here).send().await.problem(404);
    let reply = depots(here).await;
    assert!(header(&reply, "retry-after").parse::<u64>().unwrap() > 1000);
    reply.problem(429);
    app.anonymous().call(Method::GET, "/v1/calendars/guess.ics").from(here).send().await.problem(429);
    depots(there).await.problem(401);
    // Who has a key is let in from there all the same, and a forged header helps nobody.
    manager.call(Method::GET, "/v1/depots").from(here).send().await.expect(200);
    let forged = stranger.call(Method::GET, "/v1/depots").from(here).header("x-forwarded-for", "203.0.113.1");
    forged.send().await.problem(429);
}

async fn json_is_nested_so_deep_and_no_deeper(engine: Engine) {
    let (_app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    let deep = |levels: usize| format!("{}1{}", "[".repeat(levels), "]".repeat(levels));
    for levels in [33, 200, 100_000] {
        let reply = manager.post("/v1/depots").body("application/json", deep(levels)).send().await;
        assert!(reply.problem(400)["detail"].as_str().unwrap().contains("limits.json_depth"), "{levels}");
    }
    let reply = manager.post("/v1/depots").body("application/json", deep(32)).send().await;
    reply.problem(422);
    let row = |value: &str| format!("{{\"unit\": \"7\", \"odometer\": {value}}}\n");
    let rows = row(&deep(31)) + &row(&deep(32)) + &row(&deep(20_000));
    let verdicts = manager.post("/v1/odometer-readings").body("application/x-ndjson", rows).send().await.expect(200);
    let reasons = |place: usize| verdicts["refused"][place]["reason"].as_str().unwrap();
    assert!(!reasons(0).contains("limits.json_depth"), "{verdicts}");
    assert!(reasons(1).contains("limits.json_depth") && reasons(2).contains("limits.json_depth"), "{verdicts}");
}

/// A body that begins, and ends once told to.
fn pausing(text: &'static str) -> (Body, tokio::sync::oneshot::Sender<()>) {
    let (end, ended) = tokio::sync::oneshot::channel::<()>();
    let head = futures_util::stream::once(async move { Ok::<_, std::io::Error>(Bytes::from_static(text.as_bytes())) });
    let rest = futures_util::stream::once(async move {
        let _ = ended.await;
        Ok(Bytes::new())
    });
    (Body::from_stream(head.chain(rest)), end)
}

const DEPOT: &str = r#"{"code": "N", "name": "x", "zone": "UTC", "bays": 1, "distance_unit": "mi"}"#;

async fn so_many_requests_are_worked_on_at_once(engine: Engine) {
    let (app, manager) = TestApp::with(engine, &[("limits.concurrent", "1")]).await;
    let (body, end) = pausing(DEPOT);
    let first = manager.post("/v1/depots").once().body("application/json", body);
    let first = tokio::spawn(first.send());
    while app.app.guard.room() > 0 {
        tokio::task::yield_now().await;
    }
    let reply = manager.get("/v1/depots").await;
    assert_eq!(header(&reply, "retry-after"), "1");
    assert_eq!(reply.problem(503)["type"], "urn:ventmile:problem:busy");
    app.anonymous().get("/livez").await.expect(200);
    end.send(()).unwrap();
    first.await.unwrap().expect(201);
    assert_eq!(manager.get("/v1/depots").await.expect(200)["items"].as_array().unwrap().len(), 1);
}

async fn a_body_that_pauses_too_long_is_given_up(engine: Engine) {
    let (_app, manager) = TestApp::with(engine, &[("limits.idle_seconds", "1")]).await;
    let (body, _end) = pausing(DEPOT);
    let reply = manager.post("/v1/depots").once().body("application/json", body).send().await;
    assert!(reply.problem(408)["detail"].as_str().unwrap().contains("limits.idle_seconds"));
    assert_eq!(header(&reply, "connection"), "close");
    let (body, _end) = pausing("unit,at");
    let reply = manager.post("/v1/odometer-readings").body("text/csv", body).send().await;
    assert!(reply.problem(408)["detail"].as_str().unwrap().contains("limits.idle_seconds"));
    assert_eq!(manager.get("/v1/depots").await.expect(200)["items"], json!([]));
}

async fn rows_of_a_request_have_an_end(engine: Engine) {
    let settings = [("limits.rows", "2"), ("limits.row_bytes", "1024"), ("limits.page_max", "60")];
    let (_app, manager) = TestApp::with(engine, &settings).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    let row = |day: u32| json!({"unit": "7", "date": format!("2026-03-0{day}"), "hours": 3});
    let reply = manager.post("/v1/duty-logs").json(&json!([row(1), row(2), row(3)])).send().await;
    let problem = reply.problem(413);
    assert_eq!(problem["rows"]["stored"], 2);
    assert!(problem["detail"].as_str().unwrap().contains("limits.rows"));
    let mut long = row(4);
    long["source"] = json!("x".repeat(1024));
    let verdicts = post(&manager, "duty-logs", json!([long, row(5)])).await;
    assert_eq!((verdicts["stored"].as_u64(), refused(&verdicts, 0).0), (Some(1), 1));
    manager.get("/v1/depots?limit=61").await.problem(400);
}

async fn a_body_has_an_end_packed_and_unpacked(engine: Engine) {
    use std::io::Write;
    let (_app, manager) = TestApp::with(engine, &[("limits.body_mib", "1"), ("limits.decompressed_mib", "2")]).await;
    let send = |media, body: Vec<u8>| manager.post("/v1/odometer-readings").body(media, body);
    let spaces = vec![b' '; 1024 * 1024 + 1];
    send("application/json", spaces.clone()).send().await.problem(413);
    manager.post("/v1/depots").body("application/json", spaces).send().await.problem(413);
    // 3 MiB of spaces are 3 KiB when packed.
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    packer.write_all(&vec![b' '; 3 * 1024 * 1024]).unwrap();
    let bomb = packer.finish().unwrap();
    assert!(bomb.len() < 8 * 1024);
    let reply = send("application/json", bomb).header("content-encoding", "gzip").send().await;
    assert!(reply.problem(413)["detail"].as_str().unwrap().contains("limits.decompressed_mib"));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_question_to_postgres_is_cut_short() {
    let (app, manager) = TestApp::with(Engine::Postgres, &[("limits.statement_seconds", "1")]).await;
    manager.get("/v1/depots").await.expect(200);
    let mut other = sqlx::PgConnection::connect(&app.database.address()).await.unwrap();
    other.execute("BEGIN; LOCK TABLE depots IN ACCESS EXCLUSIVE MODE").await.unwrap();
    let problem = manager.get("/v1/depots").await.problem(503);
    assert!(problem["detail"].as_str().unwrap().contains("limits.statement_seconds"), "{problem}");
    other.execute("ROLLBACK").await.unwrap();
    manager.get("/v1/depots").await.expect(200);
}

// --- Over real sockets ----------------------------------------------------------------------------------------------

async fn served(
    settings: &[(&str, &str)],
) -> (Database, std::net::SocketAddr, CancellationToken, tokio::task::JoinHandle<()>) {
    let database = Database::new(Engine::Sqlite).await;
    let mut flags = vec![("database".to_owned(), database.address()), ("listen".to_owned(), "127.0.0.1:0".to_owned())];
    flags.extend(settings.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())));
    let server = Server::prepare(Config::load(None, Vec::new(), &flags).unwrap().settings).await.unwrap();
    let (address, stop) = (server.address().unwrap(), CancellationToken::new());
    let told = stop.clone();
    (database, address, stop, tokio::spawn(async move { server.run(told).await.unwrap() }))
}

/// All that comes until the other side closes.
async fn rest(stream: &mut TcpStream) -> String {
    let mut text = Vec::new();
    let read = tokio::time::timeout(Duration::from_secs(20), stream.read_to_end(&mut text));
    let _ = read.await.expect("the connection is closed");
    String::from_utf8_lossy(&text).into_owned()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn slow_clients_lose_their_connection() {
    let (_database, address, stop, running) =
        served(&[("limits.head_seconds", "1"), ("limits.idle_seconds", "1")]).await;
    // Nothing at all; half of a head; a whole request and then silence; half of a body.
    let mut silent = TcpStream::connect(address).await.unwrap();
    let mut half = TcpStream::connect(address).await.unwrap();
    half.write_all(b"GET /livez HTTP/1.1\r\nhost: x\r\nx-slow: ").await.unwrap();
    let mut kept = TcpStream::connect(address).await.unwrap();
    kept.write_all(b"GET /livez HTTP/1.1\r\nhost: x\r\n\r\n").await.unwrap();
    assert!(rest(&mut kept).await.contains("alive"));
    assert!(!rest(&mut silent).await.contains("200 OK") && !rest(&mut half).await.contains("200 OK"));
    let mut body = TcpStream::connect(address).await.unwrap();
    body.write_all(b"POST /v1/depots HTTP/1.1\r\nhost: x\r\ncontent-length: 100\r\n\r\n{").await.unwrap();
    assert!(rest(&mut body).await.contains("401"));
    stop.cancel();
    running.await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_address_has_so_many_connections() {
    let (_database, address, stop, running) = served(&[("limits.connections_per_address", "2")]).await;
    let ask = async |stream: &mut TcpStream| {
        stream.write_all(b"GET /livez HTTP/1.1\r\nhost: x\r\n\r\n").await.unwrap();
        let mut answer = [0; 15];
        stream.read_exact(&mut answer).await.map(|_| answer == *b"HTTP/1.1 200 OK")
    };
    let mut first = TcpStream::connect(address).await.unwrap();
    let mut second = TcpStream::connect(address).await.unwrap();
    assert!(ask(&mut first).await.unwrap() && ask(&mut second).await.unwrap());
    let mut third = TcpStream::connect(address).await.unwrap();
    assert!(ask(&mut third).await.is_err());
    drop(first);
    // The place is free once the server has seen the end of the first one.
    let freed = async {
        loop {
            let mut again = TcpStream::connect(address).await.unwrap();
            if ask(&mut again).await.is_ok_and(|right| right) {
                return;
            }
        }
    };
    tokio::time::timeout(Duration::from_secs(20), freed).await.unwrap();
    stop.cancel();
    running.await.unwrap();
}

#[test]
fn every_limit_is_documented() {
    let readme = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../../README.md")).unwrap();
    let defaults: toml::Table = ventmile::config::DEFAULTS.parse().unwrap();
    for name in defaults["limits"].as_table().unwrap().keys() {
        assert!(readme.contains(&format!("`limits.{name}`")), "limits.{name}");
    }
}

crate::on_both!(
    a_key_has_an_allowance_and_is_told_of_it,
    without_a_limit_nothing_is_told,
    a_stranger_has_few_attempts_and_hinders_nobody,
    json_is_nested_so_deep_and_no_deeper,
    so_many_requests_are_worked_on_at_once,
    a_body_that_pauses_too_long_is_given_up,
    rows_of_a_request_have_an_end,
    a_body_has_an_end_packed_and_unpacked,
);
