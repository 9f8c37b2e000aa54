//! The serving process over a real socket: started, asked, posted to, stopped.

use std::time::Duration;

use http_body_util::BodyExt;
use serde_json::{Value, json};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio_util::sync::CancellationToken;
use ventmile::app::keys::Scope;
use ventmile::config::Config;
use ventmile::serve::{ServeFault, Server};
use ventmile::store::Claim;

use crate::common::{Database, Engine};

async fn prepared(database: &Database) -> Result<Server, ServeFault> {
    let flags = [
        ("database".to_owned(), database.address()),
        ("listen".to_owned(), "127.0.0.1:0".to_owned()),
        ("connections".to_owned(), "4".to_owned()),
    ];
    Server::prepare(Config::load(None, Vec::new(), &flags).unwrap().settings).await
}

struct Answer {
    status: u16,
    headers: hyper::HeaderMap,
    text: String,
}

async fn ask(url: String, key: Option<&str>, post: Option<Value>) -> Answer {
    use hyper_util::client::legacy::Client;
    use hyper_util::rt::TokioExecutor;
    let client: Client<_, http_body_util::Full<bytes::Bytes>> = Client::builder(TokioExecutor::new()).build_http();
    let mut request = hyper::Request::builder().uri(url).header("connection", "close");
    if let Some(key) = key {
        request = request.header("authorization", format!("Bearer {key}"));
    }
    let body = post.as_ref().map(Value::to_string).unwrap_or_default();
    if post.is_some() {
        request = request.method("POST").header("content-type", "application/json");
    }
    let response = client.request(request.body(body.into()).unwrap()).await.unwrap();
    let (parts, body) = response.into_parts();
    let text = String::from_utf8(body.collect().await.unwrap().to_bytes().to_vec()).unwrap();
    Answer { status: parts.status.as_u16(), headers: parts.headers, text }
}

async fn it_serves_and_stops_cleanly(engine: Engine) {
    let database = Database::new(engine).await;
    let server = prepared(&database).await.unwrap();
    let address = server.address().unwrap();
    let app = server.app.clone();
    let key = app.new_key("smoke", &Scope::ALL, &[], None).await.unwrap();
    let stop = CancellationToken::new();
    let serving = tokio::spawn(server.run(stop.clone()));
    let at = |path: &str| format!("http://{address}{path}");

    let alive = ask(at("/livez"), None, None).await;
    assert_eq!((alive.status, alive.text.as_str()), (200, r#"{"status":"alive"}"#));
    assert_eq!(ask(at("/readyz"), None, None).await.status, 200);
    for (path, media) in [("/docs", "text/html"), ("/docs/docs.js", "text/javascript"), ("/docs/docs.css", "text/css")]
    {
        let page = ask(at(path), None, None).await;
        assert_eq!(page.status, 200, "{path}");
        assert!(page.headers["content-type"].to_str().unwrap().starts_with(media), "{path}");
        let policy = page.headers["content-security-policy"].to_str().unwrap();
        assert!(policy.contains("default-src 'none'") && policy.contains("script-src 'self'"), "{policy}");
        assert_eq!(page.headers["x-content-type-options"], "nosniff");
        // It works without the internet: nothing is fetched from anywhere else.
        let loads = ["src=\"http", "href=\"http", "url(http", "import(\"http", "//cdn"];
        assert!(!loads.iter().any(|load| page.text.contains(load)), "{path}");
    }
    assert_eq!(ask(at("/v1/depots"), None, None).await.status, 401);

    // The loops run: a posted car shows in what falls due without anybody's help.
    let depot = json!({"code": "D", "name": "D", "zone": "UTC", "bays": 1, "distance_unit": "mi"});
    assert_eq!(ask(at("/v1/depots"), Some(&key), Some(depot)).await.status, 201);
    let car = json!({"unit": "7", "depot": "D", "in_service_on": "2026-01-01", "odometer_in_service": 5, "distance_unit": "mi"});
    assert_eq!(ask(at("/v1/vehicles"), Some(&key), Some(car)).await.status, 201);
    let shown = async {
        loop {
            let list: Value = serde_json::from_str(&ask(at("/v1/upcoming"), Some(&key), None).await.text).unwrap();
            if list["items"][0]["unit"] == "7" {
                return;
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    tokio::time::timeout(Duration::from_secs(20), shown).await.expect("the car shows in /v1/upcoming");

    // A request that is under way when it is told to stop still gets its answer.
    let mut open = TcpStream::connect(address).await.unwrap();
    let row = r#"{"unit":"7","at":"2026-01-02T00:00:00Z","odometer":100,"distance_unit":"mi"}"#;
    let head = format!(
        "POST /v1/odometer-readings HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {key}\r\nconnection: close\r\n\
         content-type: application/json\r\nexpect: 100-continue\r\ncontent-length: {}\r\n\r\n",
        row.len()
    );
    open.write_all(head.as_bytes()).await.unwrap();
    let mut first = [0; 12];
    open.read_exact(&mut first).await.unwrap();
    assert_eq!(&first, b"HTTP/1.1 100", "the handler waits for the body");
    stop.cancel();
    open.write_all(row.as_bytes()).await.unwrap();
    let mut rest = String::new();
    open.read_to_string(&mut rest).await.unwrap();
    assert!(rest.contains("HTTP/1.1 200") && rest.contains(r#""stored":1"#), "{rest}");
    tokio::time::timeout(Duration::from_secs(20), serving).await.expect("it stops").unwrap().unwrap();
    assert!(TcpStream::connect(address).await.is_err(), "nothing listens any more");

    // What was acknowledged is there at the next start.
    let again = prepared(&database).await.unwrap();
    let car = again.app.store.find_vehicle("7").await.unwrap().unwrap();
    let logs = again.app.store.car_logs(&[Claim::unclaimed(car.id)]).await.unwrap();
    assert_eq!(logs[0].readings.len(), 1);
}

#[tokio::test]
async fn a_second_server_on_one_file_is_refused() {
    let database = Database::new(Engine::Sqlite).await;
    let first = prepared(&database).await.unwrap();
    let fault = prepared(&database).await.unwrap_err();
    assert!(matches!(fault, ServeFault::Served(_)), "{fault}");
    drop(first);
    prepared(&database).await.unwrap();
}

#[tokio::test]
async fn two_servers_share_a_postgres_database() {
    let database = Database::new(Engine::Postgres).await;
    let first = prepared(&database).await.unwrap();
    let second = prepared(&database).await.unwrap();
    let key = first.app.new_key("shared", &[Scope::Read], &[], None).await.unwrap();
    assert!(second.app.caller(&key).await.unwrap().is_some());
}

/// The answer to a request whose body comes a moment after its head.
async fn answer_to(address: std::net::SocketAddr, head: &str, body: &str) -> String {
    let mut socket = TcpStream::connect(address).await.unwrap();
    socket.write_all(head.as_bytes()).await.unwrap();
    tokio::time::sleep(Duration::from_millis(30)).await;
    // The other side may have closed by then.
    let _ = socket.write_all(body.as_bytes()).await;
    let mut answer = vec![0; 64 * 1024];
    let count = socket.read(&mut answer).await.unwrap();
    String::from_utf8_lossy(&answer[..count]).to_ascii_lowercase()
}

async fn a_refusal_before_the_body_says_that_the_connection_ends(engine: Engine) {
    let database = Database::new(engine).await;
    let server = prepared(&database).await.unwrap();
    let address = server.address().unwrap();
    let stop = CancellationToken::new();
    let serving = tokio::spawn(server.run(stop.clone()));
    let body = r#"{"code": "N"}"#;
    let head = |more: &str| {
        let length = body.len();
        format!(
            "POST /v1/depots HTTP/1.1\r\nhost: x\r\ncontent-type: application/json\r\ncontent-length: {length}\r\n{more}\r\n"
        )
    };
    let refused = answer_to(address, &head(""), body).await;
    assert!(refused.starts_with("http/1.1 401") && refused.contains("connection: close"), "{refused}");
    let get = "GET /v1/depots HTTP/1.1\r\nhost: x\r\n\r\n";
    let without_body = answer_to(address, get, "").await;
    assert!(without_body.starts_with("http/1.1 401") && !without_body.contains("connection: close"), "{without_body}");
    stop.cancel();
    serving.await.unwrap().unwrap();
}

crate::on_both!(a_refusal_before_the_body_says_that_the_connection_ends, it_serves_and_stops_cleanly);
