//! Calendars of depots, read by calendar programs at secret addresses that can be taken back.

use axum::extract::State;
use axum::http::{StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::body::{Json, Params, Segment};
use super::condition::{DoneOnce, IdempotencyKey, writing};
use super::ical;
use super::key::{Key, Plan, Read};
use super::logs::LONGEST_NAME;
use super::orders::checked;
use super::page::{self, Page};
use super::problem::Problem;
use super::request::turn_away;
use super::shapes::answer;
use super::values;
use crate::app::App;
use crate::store::{Answer, CalendarRecord};

/// A calendar to be made.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"depot": "NORTH", "name": "dispatcher's phone"}))]
pub struct NewCalendarRequest {
    /// Code of the depot whose slots and cars to bring in it shows.
    depot: String,
    /// Who reads it, in words.
    name: String,
}

/// A calendar at a secret address.
#[derive(Debug, Serialize, ToSchema)]
pub struct CalendarAnswer {
    /// Its number.
    id: i64,
    /// Depot.
    depot: String,
    /// Who reads it.
    name: String,
    /// Where it is read, without a key: shown once, when it is made. Whoever has it can read.
    address: Option<String>,
    /// Which key made it.
    added_by: String,
    /// When.
    created_at: DateTime<Utc>,
    /// When its address was taken back.
    revoked_at: Option<DateTime<Utc>>,
}

fn view(record: &CalendarRecord, address: Option<String>) -> CalendarAnswer {
    CalendarAnswer {
        id: record.id,
        depot: record.depot.clone(),
        name: record.name.clone(),
        address,
        added_by: record.added_by.clone(),
        created_at: record.created_at,
        revoked_at: record.revoked_at,
    }
}

/// Make a calendar
///
/// Its address is shown this once: the answer to a repeated request has none. Take it back and make another where it was lost.
#[utoipa::path(
    post, path = "/v1/calendars", operation_id = "add_calendar", tag = "Planning",
    params(DoneOnce),
    request_body = NewCalendarRequest,
    responses((status = 201, body = CalendarAnswer), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn add_calendar(
    State(app): State<App>,
    Key(caller, _): Key<Plan>,
    key: IdempotencyKey,
    body: Json<NewCalendarRequest>,
) -> Result<Answer, Problem> {
    let request = body.value;
    let name = checked("name", &request.name, values::name(&request.name, LONGEST_NAME))?;
    let writing = writing(&app, &caller, Some(key), "calendars", &body.bytes);
    let made = |record: &CalendarRecord, secret: Option<&str>| {
        let address = secret.map(|secret| format!("/v1/calendars/{secret}.ics"));
        answer(StatusCode::CREATED, None, &view(record, address))
    };
    Ok(app.add_calendar(request.depot, name, &writing, made).await?)
}

/// Which calendars are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct CalendarQuery {
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// List calendars
#[utoipa::path(
    get, path = "/v1/calendars", operation_id = "list_calendars", tag = "Planning", params(CalendarQuery),
    responses((status = 200, body = Page<CalendarAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_calendars(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<CalendarQuery>,
) -> Result<Page<CalendarAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let after = page::place(query.cursor.as_deref())?.unwrap_or(0);
    let mut rows = app.store.calendars(after, caller.actor.key_depots_of(), limit + 1).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| row.id);
    Ok(Page { items: rows.iter().map(|row| view(row, None)).collect(), next })
}

/// Take a calendar's address back
#[utoipa::path(
    post, path = "/v1/calendars/{calendar}/revoke", operation_id = "revoke_calendar", tag = "Planning",
    params(("calendar" = String, Path, description = "its number"), DoneOnce),
    responses((status = 200, body = CalendarAnswer), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn revoke_calendar(
    State(app): State<App>,
    Key(caller, _): Key<Plan>,
    Segment(calendar): Segment,
    key: IdempotencyKey,
) -> Result<Answer, Problem> {
    let id = calendar.parse().map_err(|_| Problem::not_found("calendar", &calendar))?;
    let writing = writing(&app, &caller, Some(key), &format!("calendars/{calendar}/revoke"), &[]);
    let revoked = |record: &CalendarRecord| answer(StatusCode::OK, None, &view(record, None));
    Ok(app.store.revoke_calendar(id, &writing, revoked).await?)
}

/// Read a calendar
///
/// iCalendar (RFC 5545): planned slots from a week ago on are events, cars to bring in within a week are to-dos, and so are
/// cars to be stopped at once. The secret in the address stands for a key.
#[utoipa::path(
    get, path = "/v1/calendars/{calendar}", operation_id = "get_calendar", tag = "Planning",
    params(("calendar" = String, Path, description = "the secret, then `.ics`")),
    responses((status = 200, body = String, content_type = "text/calendar"), Problem),
    security(())
)]
pub(super) async fn get_calendar(State(app): State<App>, Segment(calendar): Segment) -> Result<Response, Problem> {
    let secret = calendar.strip_suffix(".ics").unwrap_or_default();
    let found = app.calendar(secret).await?;
    let missing = || turn_away(&app, Problem::not_found("calendar", "of this address"));
    let (record, list) = found.ok_or_else(missing)?;
    let text = ical::calendar(&format!("{} {}", record.depot, record.name), &list, app.now());
    Ok(as_calendar(text))
}

/// A calendar as an answer; nobody on the way keeps it.
pub(super) fn as_calendar(text: String) -> Response {
    ([(header::CONTENT_TYPE, ical::MEDIA_TYPE), (header::CACHE_CONTROL, "private, no-cache")], text).into_response()
}
