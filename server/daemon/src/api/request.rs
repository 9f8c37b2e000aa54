//! What every request gets: an id, a trace, a log line and an end.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::Poll;
use std::time::Duration;

use axum::body::{Body, HttpBody};
use axum::extract::{MatchedPath, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use futures_util::StreamExt;
use tracing::Instrument;

use super::problem::Problem;
use crate::app::App;
use crate::clock::Stopwatch;

const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");

tokio::task_local! {
    static CURRENT: String;
}

/// The id of the request being answered.
pub(super) fn current_request_id() -> Option<String> {
    CURRENT.try_with(Clone::clone).ok()
}

/// Longest request id taken over from a client.
const LONGEST_ID: usize = 100;

/// The client's id where it is short and harmless, else a new one.
fn request_id(headers: &HeaderMap) -> String {
    let plain = |text: &&str| {
        !text.is_empty()
            && text.len() <= LONGEST_ID
            && text.bytes().all(|byte| byte.is_ascii_alphanumeric() || b"-_.".contains(&byte))
    };
    let given = headers.get(REQUEST_ID).and_then(|value| value.to_str().ok()).filter(plain);
    given.map_or_else(new_id, str::to_owned)
}

fn new_id() -> String {
    let mut bytes = [0_u8; 8];
    // Without the system's random source two ids may be alike: a nuisance in the logs, no more.
    let _ = getrandom::fill(&mut bytes);
    hex::encode(bytes)
}

/// The trace id of a W3C `traceparent`; a bad header is ignored, as that recommendation says.
fn trace_id(headers: &HeaderMap) -> Option<&str> {
    let text = headers.get("traceparent")?.to_str().ok()?;
    let mut parts = text.split('-');
    let (version, trace, parent, flags) = (parts.next()?, parts.next()?, parts.next()?, parts.next()?);
    let hex = |part: &str, length: usize| {
        part.len() == length && part.bytes().all(|byte| byte.is_ascii_digit() || (b'a'..=b'f').contains(&byte))
    };
    let zero = |part: &str| part.bytes().all(|byte| byte == b'0');
    let right = hex(version, 2) && version != "ff" && hex(trace, 32) && hex(parent, 16) && hex(flags, 2);
    let ended = version != "00" || parts.next().is_none();
    (right && ended && !zero(trace) && !zero(parent)).then_some(trace)
}

/// The request, and whether its body has been read to its end by now.
fn followed(request: Request) -> (Request, Arc<AtomicBool>) {
    let (parts, body) = request.into_parts();
    let ended = Arc::new(AtomicBool::new(body.is_end_stream()));
    if ended.load(Ordering::Relaxed) {
        return (Request::from_parts(parts, body), ended);
    }
    let at_end = Arc::clone(&ended);
    let end = futures_util::stream::poll_fn(move |_| {
        at_end.store(true, Ordering::Relaxed);
        Poll::Ready(None)
    });
    let body = Body::from_stream(body.into_data_stream().chain(end));
    (Request::from_parts(parts, body), ended)
}

/// Gives each request its id, its span, its log line and its time limit.
pub(super) async fn accompany(State(app): State<App>, request: Request, next: Next) -> Response {
    let id = request_id(request.headers());
    let route = request.extensions().get::<MatchedPath>().map_or("-", MatchedPath::as_str).to_owned();
    let method = request.method().clone();
    let trace = trace_id(request.headers()).unwrap_or_default();
    let span = tracing::info_span!("request", request_id = %id, trace_id = trace, %method, route);
    let limit = Duration::from_secs(app.settings.limits.request_seconds);
    let (request, read_to_end) = followed(request);
    let answered = async {
        let watch = Stopwatch::start();
        let answer = tokio::time::timeout(limit, next.run(request)).await;
        let response = answer.unwrap_or_else(|_| too_slow(limit).into_response());
        let status = response.status().as_u16();
        let elapsed_ms = watch.elapsed_ms();
        if response.status().is_server_error() {
            tracing::warn!(status, elapsed_ms, "answered");
        } else {
            tracing::debug!(status, elapsed_ms, "answered");
        }
        response
    };
    let mut response = CURRENT.scope(id.clone(), answered).instrument(span).await;
    if let Ok(value) = HeaderValue::from_str(&id) {
        response.headers_mut().insert(REQUEST_ID, value);
    }
    // What is left of a body that nobody read ends the connection: the client is told, so that it does not use it again.
    if !read_to_end.load(Ordering::Relaxed) {
        response.headers_mut().insert(header::CONNECTION, HeaderValue::from_static("close"));
    }
    response.headers_mut().insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    response
}

fn too_slow(limit: Duration) -> Problem {
    let detail = format!("the request was not done within {} seconds; what it stored stays stored", limit.as_secs());
    Problem::new(StatusCode::REQUEST_TIMEOUT, "timeout", "Too slow", detail)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn traced(value: &str) -> Option<String> {
        let mut headers = HeaderMap::new();
        headers.insert("traceparent", HeaderValue::from_str(value).unwrap());
        trace_id(&headers).map(str::to_owned)
    }

    #[test]
    fn a_traceparent_is_read_or_ignored() {
        // The example of the W3C Trace Context recommendation, section 3.2 (from memory).
        let good = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";
        assert_eq!(traced(good).as_deref(), Some("4bf92f3577b34da6a3ce929d0e0e4736"));
        for bad in ["", "00-abc-def-01", &good.to_uppercase(), &format!("{good}-x"), &good.replacen("00", "ff", 1)] {
            assert_eq!(traced(bad), None, "{bad}");
        }
    }

    #[test]
    fn a_clients_id_is_kept_when_harmless() {
        let id = |value: &'static str| {
            let mut headers = HeaderMap::new();
            headers.insert(REQUEST_ID, HeaderValue::from_static(value));
            request_id(&headers)
        };
        assert_eq!(id("shop-17"), "shop-17");
        assert_eq!(id("a b").len(), 16);
    }
}
