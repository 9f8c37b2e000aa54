//! Events as they happen: a stream of server-sent events.

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use futures_util::stream;
use serde::Deserialize;
use utoipa::{IntoParams, ToSchema};

use super::body::Params;
use super::key::{Key, Read, given_key};
use super::problem::{Fault, Problem};
use super::webhooks::event_type;
use crate::app::App;
use crate::app::streams::{Forgotten, Heard, Holder, NoSeat};
use crate::app::webhooks::cloud_event;
use crate::store::{EventType, StreamFilter};

/// Which events, and from where on.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct StreamQuery {
    /// Only of these types, separated by commas.
    types: Option<String>,
    /// Only of this depot.
    depot: Option<String>,
    /// Events after this one; the header `Last-Event-ID` goes before. Without either what happens from now on.
    after: Option<i64>,
}

/// The header of a stream that goes on, for the document.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[allow(dead_code, reason = "read by the handler; this names it in the document")]
pub(super) struct GoesOn {
    /// Id of the last event seen: the stream goes on after it.
    #[param(rename = "Last-Event-ID")]
    last_event_id: Option<i64>,
}

fn types(text: Option<&str>) -> Result<Vec<EventType>, Problem> {
    let names = text.into_iter().flat_map(|text| text.split(',')).map(str::trim);
    let read = |name| event_type(name).map_err(|detail| Problem::query(Fault::parameter("types", Some(name), detail)));
    names.map(read).collect()
}

fn last_event_id(headers: &HeaderMap) -> Result<Option<i64>, Problem> {
    let Some(value) = headers.get("last-event-id") else { return Ok(None) };
    let text = value.to_str().unwrap_or_default().trim();
    text.parse().map(Some).map_err(|_| {
        let detail = "give the id of an event of ours, or leave it out";
        Problem::query(Fault::parameter("Last-Event-ID", Some(text), detail))
    })
}

/// An event as webhooks and streams give it: a CloudEvent 1.0.
#[derive(ToSchema)]
#[allow(dead_code, reason = "made by the use cases; this names its members in the document")]
#[schema(example = json!({"specversion": "1.0", "id": "31", "source": "/ventmile", "type": "car.stop", "subject": "vehicle V104", "time": "2026-03-18T16:00:00Z", "depot": "NORTH", "datacontenttype": "application/json", "data": {"unit": "V104", "code": "P0AA6", "actor": "logs in"}}))]
pub struct CloudEvent {
    /// `1.0`.
    specversion: String,
    /// Its number: unique with `source`, larger for what was published later.
    id: String,
    /// `events.source`.
    source: String,
    /// Its type.
    #[schema(rename = "type")]
    event_type: String,
    /// What it is about, such as `vehicle V104` or `work-order WO-00012`.
    subject: String,
    /// When.
    time: DateTime<Utc>,
    /// Code of the depot it concerns; left out when it concerns all.
    depot: Option<String>,
    /// `application/json`.
    datacontenttype: String,
    /// What happened; `actor` is the key that did it, `loop` or `logs in`.
    data: serde_json::Value,
}

/// Where the stream begins.
async fn beginning(app: &App, after: Option<i64>) -> Result<i64, Problem> {
    app.stream_from(after).await?.map_err(|Forgotten { oldest }| {
        let after = after.unwrap_or_default();
        let detail = format!(
            "events after {after} have been forgotten (keep.events_days), the oldest is {oldest}: read the lists anew, \
             then begin without Last-Event-ID"
        );
        Problem::new(StatusCode::GONE, "forgotten", "These events are no longer kept", detail)
    })
}

/// How long a client waits that finds no place, in seconds.
const COME_AGAIN: u64 = 10;

fn no_seat(app: &App, reason: NoSeat) -> Problem {
    let settings = &app.settings.events;
    let problem = match reason {
        NoSeat::Key => {
            let detail = format!(
                "the key has {} streams open, as many as it may (events.streams_per_key): close one first",
                settings.streams_per_key
            );
            Problem::new(StatusCode::TOO_MANY_REQUESTS, "streams", "Too many streams of this key", detail)
        }
        NoSeat::All => {
            let detail = format!("{} streams are open, as many as may be (events.streams)", settings.streams);
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, "streams", "Too many streams", detail)
        }
    };
    problem.header(header::RETRY_AFTER, COME_AGAIN)
}

/// Follow events as they happen
///
/// Server-sent events (`text/event-stream`): `event` is the type, `id` the number, `data` the same CloudEvent that webhooks get.
/// A comment comes when nothing else does. After a break go on with `Last-Event-ID`; events are kept for
/// `keep.events_days` (30 days), and 410 says that some after it are no longer there. The stream ends when the key does, and
/// when the daemon stops.
#[utoipa::path(
    get, path = "/v1/events", operation_id = "follow_events", tag = "Events", params(StreamQuery, GoesOn),
    responses((status = 200, body = String, content_type = "text/event-stream"), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn follow_events(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    headers: HeaderMap,
    Params(query): Params<StreamQuery>,
) -> Result<Response, Problem> {
    let filter = StreamFilter { types: types(query.types.as_deref())?, depot: query.depot, ..StreamFilter::default() };
    let at = beginning(&app, last_event_id(&headers)?.or(query.after)).await?;
    let key = given_key(&headers).unwrap_or_default().to_owned();
    let heartbeat = Duration::from_secs(app.settings.events.heartbeat_seconds);
    let follower = app.follow(&caller, Holder::Key(key), filter, at, heartbeat);
    let follower = follower.map_err(|reason| no_seat(&app, reason))?;
    let source = app.settings.events.source.clone();
    let told = stream::unfold((follower, source), |(mut follower, source)| async {
        let event = shown(&follower.next().await?, &source)?;
        Some((Ok::<_, Infallible>(event), (follower, source)))
    });
    // A proxy that gathers what it passes on would hold events back.
    let unbuffered = [(header::CACHE_CONTROL.as_str(), "no-store"), ("x-accel-buffering", "no")];
    Ok((unbuffered, Sse::new(told)).into_response())
}

/// What was heard as it is sent; an event that cannot be read ends the stream.
fn shown(heard: &Heard, source: &str) -> Option<Event> {
    let Heard::Event(event) = heard else { return Some(Event::default().comment("alive")) };
    let text = cloud_event(event, source).map_err(|error| tracing::error!(%error, "a stream of events ends"));
    Some(Event::default().id(event.id.to_string()).event(&event.event_type).data(text.ok()?))
}
