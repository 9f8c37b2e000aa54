//! What every request gets: an id, a trace, a log line and an end.

use std::net::IpAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use axum::BoxError;
use axum::body::{Body, BodyDataStream, HttpBody};
use axum::extract::{MatchedPath, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use futures_util::{StreamExt, stream};
use tracing::Instrument;

use super::body::Idle;
use super::problem::Problem;
use crate::app::App;
use crate::app::guard::Allowance;
use crate::app::keys::Caller;
use crate::clock::Stopwatch;
use crate::current::{self, Current, TooMany};
use crate::listen::Remote;

const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");

/// Lets in a request of a known key, as far as its allowance goes.
pub(super) fn admit(app: &App, caller: &Caller) -> Result<(), Problem> {
    current::admit(app, caller).map_err(too_many)
}

/// Holds the act that a request asks for by its idempotency key: while it is under way the same one is refused.
pub(super) fn hold(app: &App, value: &str) -> Result<(), Problem> {
    if current::hold(app, value) { Ok(()) } else { Err(Problem::under_way()) }
}

/// What a request without a valid key is told, as long as its address has not sent too many of them.
pub(super) fn turn_away(app: &App, problem: Problem) -> Problem {
    current::stranger(app).map_err(too_many).err().unwrap_or(problem)
}

fn too_many(beyond: TooMany) -> Problem {
    Problem::too_many(&beyond.allowance, beyond.wait_s)
}

/// The address the request comes from: the last one in X-Forwarded-For is what our own proxy saw.
fn remote(request: &Request, trust_forwarded: bool) -> Option<IpAddr> {
    let forwarded = || {
        let last = request.headers().get_all("x-forwarded-for").iter().next_back()?.to_str().ok()?;
        last.rsplit(',').next()?.trim().parse().ok()
    };
    let seen = request.extensions().get::<Remote>().map(|remote| remote.0);
    trust_forwarded.then(forwarded).flatten().or(seen)
}

const POLICY: HeaderName = HeaderName::from_static("ratelimit-policy");
const LEFT: HeaderName = HeaderName::from_static("ratelimit");

/// The headers of the IETF draft on rate limits.
fn told(headers: &mut HeaderMap, allowance: &Allowance) {
    let Allowance { quota, window_s, left, whole_in_s, .. } = allowance;
    let policy = HeaderValue::try_from(format!("\"default\";q={quota};w={window_s}"));
    let standing = HeaderValue::try_from(format!("\"default\";r={left};t={whole_in_s}"));
    if let (Ok(policy), Ok(standing)) = (policy, standing) {
        headers.insert(POLICY, policy);
        headers.insert(LEFT, standing);
    }
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

/// So much of a body that nobody read is read and thrown away after the answer, for so long: a client that still sends is cut off
/// by a reset, and may lose the answer with it.
const DRAINED_BYTES: usize = 64 * 1024 * 1024;
const DRAINED_FOR: Duration = Duration::from_secs(10);

/// A request's body, which is drained where it is dropped before its end.
struct Unread(Option<BodyDataStream>);

impl Drop for Unread {
    fn drop(&mut self) {
        if let (Some(body), Ok(runtime)) = (self.0.take(), tokio::runtime::Handle::try_current()) {
            runtime.spawn(tokio::time::timeout(DRAINED_FOR, drain(body)));
        }
    }
}

async fn drain(mut body: BodyDataStream) {
    let mut left = DRAINED_BYTES;
    while let Some(Ok(part)) = body.next().await {
        left = left.saturating_sub(part.len());
        if left == 0 {
            return;
        }
    }
}

/// The request, and whether its body has been read to its end by now; the body fails once it pauses for too long.
fn followed(request: Request, idle_seconds: u64) -> (Request, Arc<AtomicBool>) {
    let (parts, body) = request.into_parts();
    let ended = Arc::new(AtomicBool::new(body.is_end_stream()));
    if ended.load(Ordering::Relaxed) {
        return (Request::from_parts(parts, body), ended);
    }
    let at_end = Arc::clone(&ended);
    let body = stream::unfold(Unread(Some(body.into_data_stream())), move |mut body| {
        let at_end = Arc::clone(&at_end);
        async move {
            match tokio::time::timeout(Duration::from_secs(idle_seconds), body.0.as_mut()?.next()).await {
                Ok(Some(part)) => Some((part.map_err(BoxError::from), body)),
                Ok(None) => {
                    at_end.store(true, Ordering::Relaxed);
                    drop(body.0.take());
                    None
                }
                // Of a client that sends nothing there is nothing to drain.
                Err(_) => {
                    body.0 = None;
                    Some((Err(BoxError::from(Idle(idle_seconds))), body))
                }
            }
        }
    });
    (Request::from_parts(parts, Body::from_stream(body)), ended)
}

/// Gives each request its id, its span, its log line and its time limit.
pub(super) async fn accompany(State(app): State<App>, request: Request, next: Next) -> Response {
    let id = request_id(request.headers());
    let route = request.extensions().get::<MatchedPath>().map_or("-", MatchedPath::as_str).to_owned();
    let method = request.method().clone();
    let trace = trace_id(request.headers()).unwrap_or_default();
    let (asked, template) = (method.clone(), route.clone());
    let key = tracing::field::Empty;
    let span = tracing::info_span!("request", request_id = %id, trace_id = trace, %method, route, key);
    let limits = &app.settings.limits;
    let limit = Duration::from_secs(limits.request_seconds);
    let from = remote(&request, limits.trust_forwarded);
    let (request, read_to_end) = followed(request, limits.idle_seconds);
    let current = Current::new(id.clone(), from);
    let watched = !(route.starts_with("/v1/") || route.starts_with("/board"));
    let answered = async {
        let watch = Stopwatch::start();
        let response = match app.guard.enter() {
            None if !watched => {
                app.meters.no_room();
                Problem::busy().into_response()
            }
            _room => {
                let answer = tokio::time::timeout(limit, next.run(request)).await;
                answer.unwrap_or_else(|_| too_slow(limit).into_response())
            }
        };
        let status = response.status().as_u16();
        let elapsed_ms = watch.elapsed_ms();
        app.meters.answered(asked.as_str(), &template, status, elapsed_ms);
        if response.status().is_server_error() {
            tracing::warn!(status, elapsed_ms, "answered");
        } else if app.settings.log.requests && !watched {
            tracing::info!(status, elapsed_ms, "answered");
        } else {
            tracing::debug!(status, elapsed_ms, "answered");
        }
        response
    };
    let mut response = Arc::clone(&current).answer(answered).instrument(span).await;
    if let Some(allowance) = current.allowance() {
        told(response.headers_mut(), allowance);
    }
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
    fn an_address_is_the_sockets_or_what_our_own_proxy_saw() {
        let mut request = Request::new(Body::empty());
        request.extensions_mut().insert(Remote([192, 0, 2, 1].into()));
        let is = |request: &Request, trust, text: &str| assert_eq!(remote(request, trust), Some(text.parse().unwrap()));
        is(&request, true, "192.0.2.1");
        request.headers_mut().append("x-forwarded-for", HeaderValue::from_static("203.0.113.9, 198.51.100.7"));
        is(&request, false, "192.0.2.1");
        is(&request, true, "198.51.100.7");
        request.headers_mut().append("x-forwarded-for", HeaderValue::from_static("2001:db8::1"));
        is(&request, true, "2001:db8::1");
        request.headers_mut().append("x-forwarded-for", HeaderValue::from_static("somewhere"));
        is(&request, true, "192.0.2.1");
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
