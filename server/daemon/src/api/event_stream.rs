//! Events as they happen: a stream of server-sent events.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use futures_util::stream;
use serde::Deserialize;
use tokio::sync::watch;
use utoipa::{IntoParams, ToSchema};

use super::body::Params;
use super::key::{Key, Read, given_key};
use super::problem::{Fault, Problem};
use super::webhooks::event_type;
use crate::app::App;
use crate::app::keys::Scope;
use crate::app::streams::{NoSeat, Seat};
use crate::app::webhooks::cloud_event;
use crate::store::{EventType, PublishedEvent, StoreError, StreamFilter};

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
    let Some((oldest, newest)) = app.store.event_ends().await? else { return Ok(0) };
    match after {
        None => Ok(newest),
        Some(after) if after >= oldest - 1 => Ok(after.min(newest)),
        Some(after) => {
            let detail = format!(
                "events after {after} have been forgotten (keep.events_days), the oldest is {oldest}: read the lists anew, \
                 then begin without Last-Event-ID"
            );
            Err(Problem::new(StatusCode::GONE, "forgotten", "These events are no longer kept", detail))
        }
    }
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
    let filter = StreamFilter {
        types: types(query.types.as_deref())?,
        depot: query.depot,
        key_depots_of: caller.actor.key_depots_of(),
    };
    let at = beginning(&app, last_event_id(&headers)?.or(query.after)).await?;
    let settings = &app.settings.events;
    let seat = app.streams.sit(caller.actor.key_id.unwrap_or_default(), settings.streams_per_key, settings.streams);
    let follower = Follower {
        _seat: seat.map_err(|reason| no_seat(&app, reason))?,
        key: given_key(&headers).unwrap_or_default().to_owned(),
        newest: app.newest_event.subscribe(),
        app,
        filter,
        at,
        read: VecDeque::new(),
    };
    // A proxy that gathers what it passes on would hold events back.
    let unbuffered = [(header::CACHE_CONTROL.as_str(), "no-store"), ("x-accel-buffering", "no")];
    Ok((unbuffered, Sse::new(stream::unfold(follower, Follower::next))).into_response())
}

/// Events read at once.
const BATCH: i64 = 100;

/// One who follows the events.
struct Follower {
    app: App,
    key: String,
    filter: StreamFilter,
    /// Number of the last event looked at.
    at: i64,
    read: VecDeque<PublishedEvent>,
    newest: watch::Receiver<i64>,
    _seat: Seat,
}

impl Follower {
    /// What comes next; `None` ends the stream.
    async fn next(mut self) -> Option<(Result<Event, Infallible>, Self)> {
        let next = self.step().await.unwrap_or_else(|error| {
            tracing::error!(%error, "a stream of events ends");
            None
        })?;
        Some((Ok(next), self))
    }

    async fn step(&mut self) -> Result<Option<Event>, StoreError> {
        let ending = self.app.ending.clone();
        let heartbeat = Duration::from_secs(self.app.settings.events.heartbeat_seconds);
        loop {
            if ending.is_cancelled() {
                return Ok(None);
            }
            if let Some(event) = self.read.pop_front() {
                return self.shown(&event).map(Some);
            }
            let newest = *self.newest.borrow_and_update();
            if newest > self.at {
                if !self.may_go_on().await? {
                    return Ok(None);
                }
                self.read_up_to(newest).await?;
                continue;
            }
            tokio::select! {
                () = ending.cancelled() => {}
                _ = self.newest.changed() => {}
                () = tokio::time::sleep(heartbeat) => {
                    let lives = self.may_go_on().await?;
                    return Ok(lives.then(|| Event::default().comment("alive")));
                }
            }
        }
    }

    /// Whether the key still stands and may read; its depots may be others than at the beginning.
    async fn may_go_on(&mut self) -> Result<bool, StoreError> {
        let caller = self.app.caller(&self.key).await?.filter(|caller| caller.may(Scope::Read));
        self.filter.key_depots_of = caller.as_ref().and_then(|caller| caller.actor.key_depots_of());
        Ok(caller.is_some())
    }

    async fn read_up_to(&mut self, newest: i64) -> Result<(), StoreError> {
        let events = self.app.store.events_between(self.at, newest, &self.filter, BATCH).await?;
        let full = i64::try_from(events.len()).is_ok_and(|count| count == BATCH);
        self.at = events.last().filter(|_| full).map_or(newest, |event| event.id);
        self.read.extend(events);
        Ok(())
    }

    fn shown(&self, event: &PublishedEvent) -> Result<Event, StoreError> {
        let text = cloud_event(event, &self.app.settings.events.source)?;
        Ok(Event::default().id(event.id.to_string()).event(&event.event_type).data(text))
    }
}
