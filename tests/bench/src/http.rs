//! A client that keeps one connection, and loads made of many of them.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use bytes::Bytes;
use http_body_util::{BodyExt, Full};
use hyper::body::Incoming;
use hyper::client::conn::http1::{self, SendRequest};
use hyper::header::{AUTHORIZATION, CONTENT_TYPE, COOKIE, HOST, HeaderName, SET_COOKIE};
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::TokioIo;
use serde_json::Value;
use tokio::net::TcpStream;
use tokio::task::JoinSet;

use crate::table::quantile;
use crate::{Fault, Result};

pub const JSON: &str = "application/json";
pub const NDJSON: &str = "application/x-ndjson";
const FORM: &str = "application/x-www-form-urlencoded";

/// One connection with what lets it in: a key, or the cookie of who has signed in.
pub struct Client {
    sender: SendRequest<Full<Bytes>>,
    host: String,
    pass: (HeaderName, String),
}

impl Client {
    pub async fn connect(address: SocketAddr, key: &str) -> Result<Self> {
        let stream = TcpStream::connect(address).await?;
        stream.set_nodelay(true)?;
        let (sender, connection) = http1::handshake(TokioIo::new(stream)).await?;
        tokio::spawn(connection);
        Ok(Self { sender, host: address.to_string(), pass: (AUTHORIZATION, format!("Bearer {key}")) })
    }

    /// Signs in to the board with a key, as a browser does.
    pub async fn sign_in(address: SocketAddr, key: &str) -> Result<Self> {
        let mut client = Self::connect(address, key).await?;
        let form = Bytes::from(format!("key={key}&next=/board"));
        let answer = client.ask(Method::POST, "/board/sign-in", FORM, form).await?;
        let cookie = answer.headers().get(SET_COOKIE).ok_or("signing in gave no cookie")?.to_str()?;
        client.pass = (COOKIE, cookie.split(';').next().unwrap_or_default().to_owned());
        if answer.status() != StatusCode::SEE_OTHER {
            return Err(format!("signing in: {}", answer.status()).into());
        }
        answer.into_body().collect().await?;
        Ok(client)
    }

    async fn ask(&mut self, method: Method, path: &str, media_type: &str, body: Bytes) -> Result<Response<Incoming>> {
        let request = Request::builder()
            .method(method)
            .uri(path)
            .header(HOST, &self.host)
            .header(&self.pass.0, &self.pass.1)
            .header(CONTENT_TYPE, media_type)
            .header("sec-fetch-site", "same-origin")
            .body(Full::new(body))?;
        self.sender.ready().await?;
        Ok(self.sender.send_request(request).await?)
    }

    /// Seconds from asking to the first byte of the answer, which is then read to its end.
    pub async fn first_byte(&mut self, path: &str) -> Result<f64> {
        let asked = Instant::now();
        let answer = self.ask(Method::GET, path, JSON, Bytes::new()).await?;
        let seconds = asked.elapsed().as_secs_f64();
        if answer.status() != StatusCode::OK {
            return Err(format!("{path}: {}", answer.status()).into());
        }
        answer.into_body().collect().await?;
        Ok(seconds)
    }

    async fn send(&mut self, method: Method, path: &str, media_type: &str, body: Bytes) -> Result<Bytes> {
        let (parts, body) = self.ask(method, path, media_type, body).await?.into_parts();
        let bytes = body.collect().await?.to_bytes();
        if !parts.status.is_success() {
            return Err(format!("{path}: {}: {}", parts.status, String::from_utf8_lossy(&bytes)).into());
        }
        Ok(bytes)
    }

    pub async fn get(&mut self, path: &str) -> Result<Bytes> {
        self.send(Method::GET, path, JSON, Bytes::new()).await
    }

    pub async fn post(&mut self, path: &str, media_type: &str, body: impl Into<Bytes>) -> Result<Bytes> {
        self.send(Method::POST, path, media_type, body.into()).await
    }

    /// Posts rows, every one of which must be new.
    pub async fn store(&mut self, path: &str, media_type: &str, body: impl Into<Bytes>, rows: usize) -> Result<()> {
        let answer = self.post(path, media_type, body).await?;
        let verdict: Value = serde_json::from_slice(&answer)?;
        if verdict["stored"].as_u64() != Some(rows as u64) {
            let said: String = verdict.to_string().chars().take(500).collect();
            return Err(format!("{path}: of {rows} rows: {said}").into());
        }
        Ok(())
    }
}

/// What a load of readers saw.
pub struct Load {
    pub per_second: f64,
    pub p50_ms: f64,
    pub p99_ms: f64,
}

/// Every client asks for the path again and again; each answer must have the length expected.
pub async fn read(clients: Vec<Client>, path: &str, length: usize, time: Duration) -> Result<(Load, Vec<Client>)> {
    let start = Instant::now();
    let mut tasks = JoinSet::new();
    for mut client in clients {
        let path = path.to_owned();
        tasks.spawn(async move {
            let mut times = Vec::new();
            while start.elapsed() < time {
                let asked = Instant::now();
                let body = client.get(&path).await?;
                times.push(asked.elapsed().as_secs_f64() * 1000.0);
                if body.len() != length {
                    return Err(format!("{path}: {} bytes, not {length}", body.len()).into());
                }
            }
            Ok::<_, Fault>((client, times))
        });
    }
    let (mut clients, mut times) = (Vec::new(), Vec::new());
    while let Some(done) = tasks.join_next().await {
        let (client, own) = done??;
        clients.push(client);
        times.extend(own);
    }
    let per_second = times.len() as f64 / start.elapsed().as_secs_f64();
    Ok((Load { per_second, p50_ms: quantile(&times, 0.5), p99_ms: quantile(&times, 0.99) }, clients))
}

/// Every client posts its bodies one after the other.
pub async fn post_each(clients: Vec<Client>, path: &'static str, bodies: Vec<Vec<String>>) -> Result<Vec<Client>> {
    let mut tasks = JoinSet::new();
    for (mut client, bodies) in clients.into_iter().zip(bodies) {
        tasks.spawn(async move {
            for body in bodies {
                client.store(path, JSON, body, 1).await?;
            }
            Ok::<_, Fault>(client)
        });
    }
    let mut clients = Vec::new();
    while let Some(done) = tasks.join_next().await {
        clients.push(done??);
    }
    Ok(clients)
}
