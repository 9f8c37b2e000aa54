//! Webhooks: where events are sent, and what became of each.

use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::Response;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::body::{Json, Params, Segment, Segments, given};
use super::condition::{AsSeen, DoneOnce, IdempotencyKey, IfMatch, writing};
use super::key::{Admin, Key};
use super::logs::{LONGEST_NAME, LONGEST_TEXT};
use super::orders::checked;
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::shapes::{answer, tagged};
use super::values;
use crate::app::App;
use crate::app::keys::Caller;
use crate::store::{
    Answer, DeliveryFilter, DeliveryRecord, DeliveryState, EventType, NewWebhook, WebhookChange, WebhookRecord,
    WebhookState,
};

/// A subscription to be made.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"url": "https://shop.example/ventmile", "types": ["work-order.raised", "car.stop"], "depots": ["NORTH"], "note": "shop software"}))]
pub struct NewWebhookRequest {
    /// Where events are posted: https, a public host.
    url: String,
    /// Types of events; all when left out or empty.
    #[serde(default)]
    types: Vec<String>,
    /// Codes of the depots whose events are sent; when left out or empty all, or those of the key where it is confined.
    #[serde(default)]
    depots: Vec<String>,
    /// What it is for.
    note: Option<String>,
}

/// What is changed about a subscription; what is left out stays.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"state": "paused"}))]
pub struct WebhookPatch {
    /// Where events are posted.
    url: Option<String>,
    /// Types of events; empty for all.
    types: Option<Vec<String>>,
    /// Codes of depots; empty for all that the key may see.
    depots: Option<Vec<String>>,
    /// What it is for; null takes it away.
    #[serde(default, deserialize_with = "given")]
    note: Option<Option<String>>,
    /// `paused`: events wait; `active`: they are sent, also what waited.
    state: Option<String>,
}

/// A subscription.
#[derive(Debug, Serialize, ToSchema)]
pub struct WebhookAnswer {
    /// Its number.
    id: i64,
    /// Where events are posted.
    url: String,
    /// Types of events; empty for all.
    types: Vec<&'static str>,
    /// Codes of depots; empty for all.
    depots: Vec<String>,
    /// What it is for.
    note: Option<String>,
    /// `active`, `paused`, `stopped` (the receiver answered 410) or `closed`.
    state: &'static str,
    /// Why it is stopped or closed.
    state_reason: Option<String>,
    /// What signs its events (Standard Webhooks): shown once, when it is made.
    secret: Option<String>,
    /// Until when the secret before the last rotation signs too.
    old_secret_until: Option<DateTime<Utc>>,
    /// Which key made it.
    added_by: String,
    /// When it was made.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    changed_at: DateTime<Utc>,
    /// Counts the changes; the entity tag.
    version: i64,
}

fn view(record: &WebhookRecord, secret: Option<&str>) -> WebhookAnswer {
    WebhookAnswer {
        id: record.id,
        url: record.url.clone(),
        types: record.types.iter().map(|event| event.as_str()).collect(),
        depots: record.depots.clone(),
        note: record.note.clone(),
        state: record.state.as_str(),
        state_reason: record.state_reason.clone(),
        secret: secret.map(str::to_owned),
        old_secret_until: record.old_secret_until,
        added_by: record.added_by.clone(),
        created_at: record.created_at,
        changed_at: record.changed_at,
        version: record.version,
    }
}

/// One event for one subscription.
#[derive(Debug, Serialize, ToSchema)]
pub struct DeliveryAnswer {
    /// Number of the event: its `id`, and the header `webhook-id`.
    event: i64,
    /// Type of the event.
    #[serde(rename = "type")]
    event_type: String,
    /// What the event is about.
    subject: String,
    /// Depot of the event.
    depot: Option<String>,
    /// When it happened.
    at: DateTime<Utc>,
    /// `waiting`, `delivered` or `dead`.
    state: &'static str,
    /// How often it was sent, since it was last sent again by hand.
    attempts: i64,
    /// When it is sent next, while it waits.
    next_at: Option<DateTime<Utc>>,
    /// When it was last sent.
    last_at: Option<DateTime<Utc>>,
    /// HTTP status of the last answer.
    last_status: Option<i64>,
    /// Why it failed.
    last_fault: Option<String>,
}

fn delivery_view(record: &DeliveryRecord) -> DeliveryAnswer {
    DeliveryAnswer {
        event: record.event.id,
        event_type: record.event.event_type.clone(),
        subject: record.event.subject.clone(),
        depot: record.event.depot.clone(),
        at: record.event.at,
        state: record.state.as_str(),
        attempts: record.attempts,
        next_at: (record.state == DeliveryState::Waiting).then_some(record.due_at),
        last_at: record.last_at,
        last_status: record.last_status,
        last_fault: record.last_fault.clone(),
    }
}

/// A type of event by its name.
pub(super) fn event_type(text: &str) -> Result<EventType, String> {
    EventType::parse(text).ok_or_else(|| {
        let known: Vec<&str> = EventType::ALL.iter().map(|event| event.as_str()).collect();
        format!("give one of {}", known.join(", "))
    })
}

/// More depots than a fleet has.
const MOST_DEPOTS: usize = 1_000;

fn types(given: &[String]) -> Result<Vec<EventType>, Problem> {
    let mut types: Vec<EventType> = Vec::new();
    for (place, text) in given.iter().enumerate() {
        let event = checked(&format!("types/{place}"), text, event_type(text))?;
        if !types.contains(&event) {
            types.push(event);
        }
    }
    Ok(types)
}

fn depots(given: Vec<String>) -> Result<Vec<String>, Problem> {
    if given.len() > MOST_DEPOTS {
        return Err(Problem::body(Fault::field("/depots", None, format!("give at most {MOST_DEPOTS}"))));
    }
    given
        .iter()
        .enumerate()
        .map(|(place, code)| checked(&format!("depots/{place}"), code, values::name(code, LONGEST_NAME)))
        .collect()
}

fn url(app: &App, text: &str) -> Result<String, Problem> {
    checked("url", text, app.courier.target(text).map(|target| target.text()))
}

fn note(text: &str) -> Result<String, Problem> {
    checked("note", text, values::free_text(text, LONGEST_TEXT))
}

fn number(text: &str) -> Result<i64, Problem> {
    text.parse().map_err(|_| Problem::not_found("webhook", text))
}

async fn found(app: &App, caller: &Caller, text: &str) -> Result<WebhookRecord, Problem> {
    let found = app.store.find_webhook(number(text)?).await?.filter(|webhook| webhook.is_seen_by(&caller.actor));
    found.ok_or_else(|| Problem::not_found("webhook", text))
}

/// Subscribe to events
///
/// Every event is posted as a CloudEvent 1.0 in JSON (`application/cloudevents+json`), signed as Standard Webhooks 1.0 has it:
/// `webhook-id`, `webhook-timestamp`, `webhook-signature`. Any 2xx answer takes it; 410 ends the subscription; redirects are
/// not followed; anything else is tried again over days. Events may come twice, or out of order: go by their `id` and `time`.
/// The secret is shown this once: the answer to a repeated request has none; rotate it where it was lost.
#[utoipa::path(
    post, path = "/v1/webhooks", operation_id = "add_webhook", tag = "Events",
    params(DoneOnce),
    request_body = NewWebhookRequest,
    responses((status = 201, body = WebhookAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn add_webhook(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: IdempotencyKey,
    body: Json<NewWebhookRequest>,
) -> Result<Answer, Problem> {
    let request = body.value;
    let new = NewWebhook {
        url: url(&app, &request.url)?,
        types: types(&request.types)?,
        depots: depots(request.depots)?,
        note: request.note.as_deref().map(note).transpose()?,
    };
    let writing = writing(&app, &caller, Some(key), "webhooks", &body.bytes);
    let made = |record: &WebhookRecord, secret: Option<&str>| {
        answer(StatusCode::CREATED, Some(record.version), &view(record, secret))
    };
    Ok(app.add_webhook(new, &writing, made).await?)
}

/// Which subscriptions are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct WebhookQuery {
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// List subscriptions
///
/// Ended ones too. A key that is confined to depots sees only those that are confined to some of them.
#[utoipa::path(
    get, path = "/v1/webhooks", operation_id = "list_webhooks", tag = "Events", params(WebhookQuery),
    responses((status = 200, body = Page<WebhookAnswer>), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn list_webhooks(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    uri: Uri,
    Params(query): Params<WebhookQuery>,
) -> Result<Page<WebhookAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let after = page::place(query.cursor.as_deref())?.unwrap_or(0);
    let mut rows = app.store.webhooks(after, caller.actor.key_depots_of(), limit + 1).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| row.id);
    Ok(Page { items: rows.iter().map(|row| view(row, None)).collect(), next })
}

/// One subscription
#[utoipa::path(
    get, path = "/v1/webhooks/{id}", operation_id = "get_webhook", tag = "Events",
    params(("id" = String, Path, description = "its number")),
    responses((status = 200, body = WebhookAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn get_webhook(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(id): Segment,
) -> Result<Response, Problem> {
    let record = found(&app, &caller, &id).await?;
    Ok(tagged(record.version, &view(&record, None)))
}

/// Change a subscription
///
/// Pause it and let it go on with `state`; one that was stopped by a 410 goes on with `active`, but what happened meanwhile is
/// not sent.
#[utoipa::path(
    patch, path = "/v1/webhooks/{id}", operation_id = "change_webhook", tag = "Events",
    params(("id" = String, Path, description = "its number"), AsSeen),
    request_body = WebhookPatch,
    responses((status = 200, body = WebhookAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn change_webhook(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(id): Segment,
    IfMatch(if_match): IfMatch,
    body: Json<WebhookPatch>,
) -> Result<Answer, Problem> {
    let patch = body.value;
    let state = |text: &String| {
        let state = WebhookState::parse(text);
        let may_be_set = state.filter(|state| matches!(state, WebhookState::Active | WebhookState::Paused));
        checked("state", text, may_be_set.ok_or_else(|| "give active or paused".to_owned()))
    };
    let change = WebhookChange {
        url: patch.url.map(|text| url(&app, &text)).transpose()?,
        types: patch.types.as_deref().map(types).transpose()?,
        depots: patch.depots.map(depots).transpose()?,
        note: patch.note.map(|text| text.as_deref().map(note).transpose()).transpose()?,
        state: patch.state.as_ref().map(state).transpose()?,
    };
    let writing = writing(&app, &caller, None, "", &[]);
    let changed = |record: &WebhookRecord| answer(StatusCode::OK, Some(record.version), &view(record, None));
    Ok(app.store.change_webhook(number(&id)?, if_match, change, &writing, changed).await?)
}

/// Give a subscription a new secret
///
/// For `webhooks.overlap_hours` (24 hours) both the new and the old one sign, so that the receiver can change over; the one
/// before the old one no longer does. The secret is shown this once.
#[utoipa::path(
    post, path = "/v1/webhooks/{id}/rotate", operation_id = "rotate_webhook", tag = "Events",
    params(("id" = String, Path, description = "its number"), DoneOnce),
    responses((status = 200, body = WebhookAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn rotate_webhook(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(id): Segment,
    key: IdempotencyKey,
) -> Result<Answer, Problem> {
    let writing = writing(&app, &caller, Some(key), &format!("webhooks/{id}/rotate"), &[]);
    let rotated = |record: &WebhookRecord, secret: Option<&str>| {
        answer(StatusCode::OK, Some(record.version), &view(record, secret))
    };
    Ok(app.rotate_webhook(number(&id)?, &writing, rotated).await?)
}

/// Close a subscription for good
///
/// What waits for it is dead; what became of its events can still be read.
#[utoipa::path(
    post, path = "/v1/webhooks/{id}/close", operation_id = "close_webhook", tag = "Events",
    params(("id" = String, Path, description = "its number"), DoneOnce),
    responses((status = 200, body = WebhookAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn close_webhook(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(id): Segment,
    key: IdempotencyKey,
) -> Result<Answer, Problem> {
    let writing = writing(&app, &caller, Some(key), &format!("webhooks/{id}/close"), &[]);
    let closed = |record: &WebhookRecord| answer(StatusCode::OK, Some(record.version), &view(record, None));
    Ok(app.store.close_webhook(number(&id)?, &writing, closed).await?)
}

/// Send a test
///
/// An event `webhook.ping`, to this subscription only and whatever types it wants; see its deliveries for what came of it.
#[utoipa::path(
    post, path = "/v1/webhooks/{id}/ping", operation_id = "ping_webhook", tag = "Events",
    params(("id" = String, Path, description = "its number"), DoneOnce),
    responses((status = 202, body = WebhookAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn ping_webhook(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(id): Segment,
    key: IdempotencyKey,
) -> Result<Answer, Problem> {
    let writing = writing(&app, &caller, Some(key), &format!("webhooks/{id}/ping"), &[]);
    let pinged = |record: &WebhookRecord| answer(StatusCode::ACCEPTED, Some(record.version), &view(record, None));
    Ok(app.store.ping_webhook(number(&id)?, &writing, pinged).await?)
}

/// Which deliveries are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct DeliveryQuery {
    /// Only in this state: `waiting`, `delivered` or `dead`.
    state: Option<String>,
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// List deliveries
///
/// The newest event first; kept for `keep.events_days` (30 days).
#[utoipa::path(
    get, path = "/v1/webhooks/{id}/deliveries", operation_id = "list_deliveries", tag = "Events",
    params(("id" = String, Path, description = "number of the subscription"), DeliveryQuery),
    responses((status = 200, body = Page<DeliveryAnswer>), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn list_deliveries(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(id): Segment,
    uri: Uri,
    Params(query): Params<DeliveryQuery>,
) -> Result<Page<DeliveryAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let state = |text: &str| {
        let wrong = || Problem::query(Fault::parameter("state", Some(text), "give waiting, delivered or dead"));
        DeliveryState::parse(text).ok_or_else(wrong)
    };
    let filter = DeliveryFilter {
        webhook_id: found(&app, &caller, &id).await?.id,
        state: query.state.as_deref().map(state).transpose()?,
        before: page::place(query.cursor.as_deref())?.unwrap_or(i64::MAX),
        limit: limit + 1,
    };
    let mut rows = app.store.deliveries(&filter).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| row.event.id);
    Ok(Page { items: rows.iter().map(delivery_view).collect(), next })
}

/// Send an event again
///
/// Whether it was delivered or is dead; one that waits is sent at once. It keeps its `id`.
#[utoipa::path(
    post, path = "/v1/webhooks/{id}/deliveries/{event}/redeliver", operation_id = "resend_event", tag = "Events",
    params(("id" = String, Path, description = "number of the subscription"),
        ("event" = String, Path, description = "number of the event"), DoneOnce),
    responses((status = 202, body = DeliveryAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn resend_event(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segments(id, event): Segments,
    key: IdempotencyKey,
) -> Result<Answer, Problem> {
    let event_id = event.parse().map_err(|_| Problem::not_found("delivery", &event))?;
    let writing = writing(&app, &caller, Some(key), &format!("webhooks/{id}/deliveries/{event}/redeliver"), &[]);
    let again = |record: &DeliveryRecord| answer(StatusCode::ACCEPTED, None, &delivery_view(record));
    Ok(app.store.redeliver(number(&id)?, event_id, &writing, again).await?)
}
