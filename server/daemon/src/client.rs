//! A small HTTP client for a daemon of ours: the demo's own, or the one that holds a file's database.

use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use bytes::Bytes;
use http_body_util::{BodyExt, Full};
use hyper::{Method, Request, StatusCode, header};
use hyper_util::client::legacy::Client as Http;
use hyper_util::client::legacy::connect::HttpConnector;
use hyper_util::rt::TokioExecutor;
use serde_json::Value;

use crate::upkeep::Failure;

/// How often a server that has no room at the moment is asked again.
const PATIENCE: u32 = 10;

/// A client of one server, with a key.
#[derive(Debug)]
pub struct Client {
    http: Http<HttpConnector, Full<Bytes>>,
    authority: String,
    key: String,
    name: String,
    sent: AtomicU32,
}

impl Client {
    /// A client of the server at `authority` (`HOST:PORT`); `name` tells its requests from those of others with its key.
    #[must_use]
    pub fn new(authority: &str, key: &str, name: &str) -> Self {
        let http = Http::builder(TokioExecutor::new()).build_http();
        let (authority, key, name) = (authority.to_owned(), key.to_owned(), name.to_owned());
        Self { http, authority, key, name, sent: AtomicU32::new(0) }
    }

    /// What stands at a path.
    ///
    /// # Errors
    /// When it cannot be had, in words.
    pub async fn get(&self, path: &str) -> Result<Value, Failure> {
        self.send(Method::GET, path, None, Bytes::new()).await
    }

    /// Posts a body; a server without room is asked again when it says.
    ///
    /// # Errors
    /// When it is not taken, in words.
    pub async fn post(&self, path: &str, media_type: &str, body: impl Into<Bytes>) -> Result<Value, Failure> {
        self.send(Method::POST, path, Some(media_type), body.into()).await
    }

    async fn send(&self, method: Method, path: &str, media_type: Option<&str>, body: Bytes) -> Result<Value, Failure> {
        let number = self.sent.fetch_add(1, Ordering::Relaxed);
        let mut tries = 0;
        loop {
            let mut request = Request::builder()
                .method(method.clone())
                .uri(format!("http://{}{path}", self.authority))
                .header(header::AUTHORIZATION, format!("Bearer {}", self.key));
            if let Some(media_type) = media_type {
                let once = format!("\"{}-{number}\"", self.name);
                request = request.header(header::CONTENT_TYPE, media_type).header("idempotency-key", once);
            }
            let response = self.http.request(request.body(Full::new(body.clone()))?).await;
            let response = response.map_err(|fault| format!("{} does not answer: {fault}", self.authority))?;
            let status = response.status();
            let wait = response.headers().get(header::RETRY_AFTER).and_then(|value| value.to_str().ok()?.parse().ok());
            let bytes = response.into_body().collect().await?.to_bytes();
            let answer: Value = serde_json::from_slice(&bytes).unwrap_or_default();
            if status.is_success() {
                return Ok(answer);
            }
            let no_room = matches!(status, StatusCode::TOO_MANY_REQUESTS | StatusCode::SERVICE_UNAVAILABLE);
            tries += 1;
            if !no_room || tries > PATIENCE {
                let detail = answer.get("detail").and_then(Value::as_str).unwrap_or_default();
                return Err(format!("{path}: {status} {detail}").into());
            }
            tokio::time::sleep(Duration::from_secs(wait.unwrap_or(1))).await;
        }
    }
}
