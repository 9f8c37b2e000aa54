//! A small HTTP client for the demo's own daemon on this machine.

use std::net::SocketAddr;
use std::sync::atomic::{AtomicU32, Ordering};

use bytes::Bytes;
use http_body_util::{BodyExt, Full};
use hyper::{Method, Request};
use hyper_util::client::legacy::Client as Http;
use hyper_util::client::legacy::connect::HttpConnector;
use hyper_util::rt::TokioExecutor;
use serde_json::Value;

use super::Failure;

pub(super) struct Client {
    http: Http<HttpConnector, Full<Bytes>>,
    address: SocketAddr,
    key: String,
    sent: AtomicU32,
}

impl Client {
    pub(super) fn new(address: SocketAddr, key: &str) -> Self {
        let http = Http::builder(TokioExecutor::new()).build_http();
        Self { http, address, key: key.to_owned(), sent: AtomicU32::new(0) }
    }

    pub(super) async fn get(&self, path: &str) -> Result<Value, Failure> {
        self.send(Method::GET, path, None, String::new()).await
    }

    pub(super) async fn post(&self, path: &str, media_type: &str, body: String) -> Result<Value, Failure> {
        self.send(Method::POST, path, Some(media_type), body).await
    }

    async fn send(&self, method: Method, path: &str, media_type: Option<&str>, body: String) -> Result<Value, Failure> {
        let number = self.sent.fetch_add(1, Ordering::Relaxed);
        let mut request = Request::builder()
            .method(method)
            .uri(format!("http://{}{path}", self.address))
            .header("authorization", format!("Bearer {}", self.key));
        if let Some(media_type) = media_type {
            request =
                request.header("content-type", media_type).header("idempotency-key", format!("\"demo-{number}\""));
        }
        let response = self.http.request(request.body(Full::new(Bytes::from(body)))?).await?;
        let status = response.status();
        let bytes = response.into_body().collect().await?.to_bytes();
        let answer: Value = serde_json::from_slice(&bytes).unwrap_or_default();
        if status.is_success() {
            return Ok(answer);
        }
        let detail = answer.get("detail").and_then(Value::as_str).unwrap_or_default();
        Err(format!("{path}: {status} {detail}").into())
    }
}
