//! Work orders: the queue and its acts.

use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::Response;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::fleet::{Act, Completion, Outcome, Status};

use super::body::{Json, Params, Segment};
use super::condition::{ActHeaders, AsSeen, DoneOnce, IdempotencyKey, IfMatch, writing};
use super::key::{Key, Read, Work};
use super::logs::{LONGEST_NAME, LONGEST_TEXT};
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::shapes::{answer, shown, tagged};
use super::upcoming::{DueDates, parameter};
use super::values;
use crate::app::App;
use crate::app::item::Item;
use crate::app::keys::Caller;
use crate::store::{Answer, NewOrder, NextOrder, OrderFilter, OrderRecord, order_number, values::micros};

/// What is printed on every order for work near the high-voltage system.
const CAUTION: &str = "High voltage. The vehicle maker's procedure, local codes and licensed practice come first. Only trained \
    people work on the high-voltage system. Modules inside a pack stay live whatever a meter shows at its terminals.";

/// A work order.
#[derive(Debug, Serialize, ToSchema)]
pub struct OrderAnswer {
    /// Its number.
    pub(super) number: String,
    /// The shop's own number for it.
    external_ref: Option<String>,
    /// Unit number of the car.
    pub(super) unit: String,
    /// Depot.
    pub(super) depot: String,
    /// The job.
    pub(super) kind: &'static str,
    /// `needs-action`, `in-process`, `completed` or `cancelled`.
    status: &'static str,
    /// What it waits for: `technician` until somebody has taken it.
    waiting: Vec<&'static str>,
    /// Why it was raised.
    pub(super) reason: String,
    /// Why an order is called for today; null when the forecast no longer calls for one: a person decides.
    reason_today: Option<String>,
    /// Today's forecast: 10, 50 and 90 % dates of both edges. It moves without a new version of the order.
    pub(super) due: Option<DueDates>,
    /// Where the car stands in its window today.
    band: Option<String>,
    /// The day, start and bay given by a planner.
    planned: Option<NaiveDate>,
    /// Who has taken it.
    assigned_to: Option<String>,
    /// `loop`, or the key that raised it.
    raised_by: String,
    /// When work began.
    started_at: Option<DateTime<Utc>>,
    /// `serviced`, `partly` or `not-done`.
    outcome: Option<&'static str>,
    /// When it was done.
    done_at: Option<DateTime<Utc>>,
    /// Odometer then.
    odometer: Option<f64>,
    /// Unit of the odometer.
    distance_unit: &'static str,
    /// Who did it.
    done_by: Option<String>,
    /// What else was noted.
    note: Option<String>,
    /// Why it was cancelled or reopened.
    closing_reason: Option<String>,
    /// When it was raised.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    changed_at: DateTime<Utc>,
    /// Counts its changes; its entity tag.
    version: i64,
    /// What to mind.
    caution: &'static str,
}

pub(super) fn view(record: &OrderRecord) -> OrderAnswer {
    let item: Option<Item> = record.item.as_deref().and_then(|text| serde_json::from_str(text).ok());
    let unit = record.distance_unit;
    let order = &record.order;
    let done = order.completion.as_ref();
    let open = order.status.is_open();
    let free = open && order.assigned_to.is_none();
    OrderAnswer {
        number: order_number(record.id),
        external_ref: record.external_ref.clone(),
        unit: record.unit.clone(),
        depot: record.depot.clone(),
        kind: record.kind.as_str(),
        status: order.status.as_str(),
        waiting: if free { vec!["technician"] } else { Vec::new() },
        reason: record.reason.clone(),
        reason_today: record.reason_today.clone().filter(|_| open),
        due: item.as_ref().map(|item| DueDates { early: item.early.into(), late: item.late.into() }),
        band: item.map(|item| item.band),
        planned: None,
        assigned_to: order.assigned_to.clone(),
        raised_by: record.raised_by.clone(),
        started_at: order.started_at,
        outcome: done.map(|done| done.outcome.as_str()),
        done_at: done.map(|done| done.at),
        odometer: done.and_then(|done| done.odometer).map(|metres| shown(metres, unit)),
        distance_unit: unit.as_str(),
        done_by: done.map(|done| done.by.clone()),
        note: done.and_then(|done| done.note.clone()),
        closing_reason: order.closing_reason.clone(),
        created_at: record.created_at,
        changed_at: record.changed_at,
        version: record.version,
        caution: CAUTION,
    }
}

fn done(record: &OrderRecord) -> Answer {
    answer(StatusCode::OK, Some(record.version), &view(record))
}

/// Which orders are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct OrderQuery {
    /// `needs-action`, `in-process`, `completed` or `cancelled`.
    status: Option<String>,
    /// `true` for open ones only, `false` for closed ones only.
    open: Option<bool>,
    /// Only of this depot.
    depot: Option<String>,
    /// Only this job.
    kind: Option<String>,
    /// Only of this car.
    unit: Option<String>,
    /// Only taken by this person.
    assigned_to: Option<String>,
    /// Only with this number of the shop's.
    external_ref: Option<String>,
    /// Changed at or after this time, in the order of change: for polling, repeat with the last `changed_at` seen less a
    /// few seconds, since changes made side by side may become visible in another order.
    changed_since: Option<String>,
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

fn status(text: &str) -> Result<Status, String> {
    Status::parse(text).ok_or_else(|| {
        let known: Vec<&str> = Status::ALL.iter().map(|status| status.as_str()).collect();
        format!("give one of {}", known.join(", "))
    })
}

/// List work orders
///
/// The queue: most urgent first; with `changed_since`, oldest change first.
#[utoipa::path(
    get, path = "/v1/work-orders", operation_id = "list_work_orders", tag = "Work", params(OrderQuery),
    responses((status = 200, body = Page<OrderAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_work_orders(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<OrderQuery>,
) -> Result<Page<OrderAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let changed_since = parameter("changed_since", query.changed_since.as_deref(), values::instant)?;
    let filter = OrderFilter {
        status: parameter("status", query.status.as_deref(), status)?,
        open: query.open,
        depot: query.depot,
        kind: parameter("kind", query.kind.as_deref(), values::kind)?,
        unit: query.unit,
        assigned_to: query.assigned_to,
        external_ref: query.external_ref,
        key_depots_of: caller.actor.key_depots_of(),
        changed_since,
        after: page::place(query.cursor.as_deref())?,
        limit: limit + 1,
    };
    let mut rows = app.store.orders(&filter).await?;
    let place = |row: &OrderRecord| match changed_since {
        Some(_) => (0, micros(row.changed_at), row.id),
        None => (row.rank, row.due_day, row.id),
    };
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), place);
    Ok(Page { items: rows.iter().map(view).collect(), next })
}

/// A work order to be raised by hand.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"unit": "V104", "kind": "fan-service", "reason": "fan noise reported", "external_ref": "J-2211"}))]
pub struct RaiseRequest {
    /// Unit number of the car.
    unit: String,
    /// The job.
    kind: String,
    /// Why.
    reason: String,
    /// The shop's own number for it; each may be used once by a key.
    external_ref: Option<String>,
}

fn checked<T>(name: &str, value: &str, read: Result<T, String>) -> Result<T, Problem> {
    read.map_err(|reason| Problem::body(Fault::field(format!("/{name}"), Some(value.into()), reason)))
}

fn reference(text: Option<String>) -> Result<Option<String>, Problem> {
    text.map(|text| checked("external_ref", &text, values::name(&text, LONGEST_NAME))).transpose()
}

fn person(text: &str) -> Result<String, Problem> {
    checked("by", text, values::name(text, LONGEST_NAME))
}

/// Raise a work order
///
/// A car has at most one open order of a kind.
#[utoipa::path(
    post, path = "/v1/work-orders", operation_id = "raise_work_order", tag = "Work",
    params(DoneOnce),
    request_body = RaiseRequest,
    responses((status = 201, body = OrderAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn raise_work_order(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    key: IdempotencyKey,
    body: Json<RaiseRequest>,
) -> Result<Answer, Problem> {
    let request = body.value;
    let new = NewOrder {
        unit: request.unit,
        kind: checked("kind", &request.kind, values::kind(&request.kind))?,
        reason: checked("reason", &request.reason, values::name(&request.reason, LONGEST_TEXT))?,
        external_ref: reference(request.external_ref)?,
    };
    let writing = writing(&app, &caller, Some(key), "work-orders", &body.bytes);
    let raised = |record: &OrderRecord| answer(StatusCode::CREATED, Some(record.version), &view(record));
    Ok(app.store.raise_order(new, &writing, raised).await?)
}

async fn find(app: &App, caller: &Caller, number: &str) -> Result<OrderRecord, Problem> {
    let found = app.store.find_order(number).await?.filter(|order| caller.actor.may_see(&order.depot));
    found.ok_or_else(|| Problem::not_found("work order", number))
}

/// One work order
#[utoipa::path(
    get, path = "/v1/work-orders/{number}", operation_id = "get_work_order", tag = "Work",
    params(("number" = String, Path, description = "its number")),
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_work_order(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(number): Segment,
) -> Result<Response, Problem> {
    let record = find(&app, &caller, &number).await?;
    Ok(tagged(record.version, &view(&record)))
}

/// What may be changed about an order outside its acts.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OrderPatch {
    /// The shop's own number for it; null takes it away, left out it stays.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<String>)]
    external_ref: Option<Option<String>>,
}

/// Give a work order the shop's own number
#[utoipa::path(
    patch, path = "/v1/work-orders/{number}", operation_id = "change_work_order", tag = "Work",
    params(("number" = String, Path, description = "its number"), AsSeen),
    request_body = OrderPatch,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn change_work_order(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(number): Segment,
    IfMatch(if_match): IfMatch,
    body: Json<OrderPatch>,
) -> Result<Answer, Problem> {
    let order = find(&app, &caller, &number).await?;
    let reference = body.value.external_ref.map_or(Ok(order.external_ref), reference)?;
    let writing = writing(&app, &caller, None, "", &[]);
    Ok(app.store.refer_order(&number, if_match, reference, &writing, done).await?)
}

/// Who takes the next order.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NextRequest {
    /// Who takes it.
    by: String,
    /// Only of this depot.
    depot: Option<String>,
    /// Only this job.
    kind: Option<String>,
}

/// Take the next work order
///
/// The most urgent one that nobody has taken, given to exactly one caller however many ask. 204 when there is none.
#[utoipa::path(
    post, path = "/v1/work-orders/next", operation_id = "take_next_work_order", tag = "Work",
    params(DoneOnce),
    request_body = NextRequest,
    responses(
        (status = 200, body = OrderAnswer), (status = 204, description = "nothing is waiting"),
        Problem
    ),
    security(("key" = ["work"]))
)]
pub(super) async fn take_next_work_order(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    key: IdempotencyKey,
    body: Json<NextRequest>,
) -> Result<Answer, Problem> {
    let request = body.value;
    let next = NextOrder {
        by: person(&request.by)?,
        depot: request.depot,
        kind: request.kind.map(|text| checked("kind", &text, values::kind(&text))).transpose()?,
    };
    let writing = writing(&app, &caller, Some(key), "work-orders/next", &body.bytes);
    let none = Answer { status: StatusCode::NO_CONTENT.as_u16(), etag: None, body: String::new() };
    Ok(app.store.take_next_order(&next, &writing, |record| record.map_or(none, done)).await?)
}

async fn act(
    app: &App,
    caller: &Caller,
    number: &str,
    if_match: IfMatch,
    key: IdempotencyKey,
    act: Act,
    bytes: &[u8],
) -> Result<Answer, Problem> {
    // An order the key may not see is not there, whatever else is wrong with the request.
    find(app, caller, number).await?;
    let what = format!("work-orders/{number}/{}", act.as_str());
    let writing = writing(app, caller, Some(key), &what, bytes);
    Ok(app.act(number, if_match.0, act, &writing, done).await?)
}

/// Who takes an order.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AcceptRequest {
    /// Who takes it.
    by: String,
}

/// Accept a work order
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/accept", operation_id = "accept_work_order", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = AcceptRequest,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn accept_work_order(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<AcceptRequest>,
) -> Result<Answer, Problem> {
    let by = person(&body.value.by)?;
    act(&app, &caller, &number, if_match, key, Act::Accept { by, lease: None }, &body.bytes).await
}

/// Who begins.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StartRequest {
    /// Who begins; may be left out when the order is taken.
    by: Option<String>,
}

/// Start work
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/start", operation_id = "start_work_order", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = StartRequest,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn start_work_order(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<StartRequest>,
) -> Result<Answer, Problem> {
    let by = body.value.by.as_deref().map(person).transpose()?;
    act(&app, &caller, &number, if_match, key, Act::Start { by }, &body.bytes).await
}

/// How the work ended.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"outcome": "serviced", "at": "2026-03-02T15:20:00-05:00", "odometer": 61890.2, "distance_unit": "mi", "by": "R. Osei", "note": "filter replaced"}))]
pub struct CompleteRequest {
    /// `serviced` restarts the interval; `partly` and `not-done` do not.
    outcome: String,
    /// When it was done (RFC 3339); now when left out.
    #[schema(format = DateTime)]
    at: Option<String>,
    /// Odometer then; `serviced` needs it, and it must fit the car's readings.
    odometer: Option<f64>,
    /// `mi` or `km`, with an odometer.
    distance_unit: Option<String>,
    /// Who did it.
    by: String,
    /// What else is to be noted.
    note: Option<String>,
}

fn completion(request: CompleteRequest, now: DateTime<Utc>) -> Result<Completion, Problem> {
    let outcome = Outcome::parse(&request.outcome).ok_or_else(|| {
        let known: Vec<&str> = Outcome::ALL.iter().map(|outcome| outcome.as_str()).collect();
        format!("give one of {}", known.join(", "))
    });
    let odometer = match (request.odometer, request.distance_unit.as_deref()) {
        (None, _) => None,
        (Some(_), None) => {
            let detail = "an odometer without a unit is refused: give mi or km";
            return Err(Problem::body(Fault::field("/distance_unit", None, detail)));
        }
        (Some(value), Some(unit)) => {
            let unit = checked("distance_unit", unit, values::distance_unit(unit))?;
            let metres = values::odometer(value, unit)
                .map_err(|reason| Problem::body(Fault::field("/odometer", Some(values::number(value)), reason)))?;
            Some(metres)
        }
    };
    Ok(Completion {
        outcome: checked("outcome", &request.outcome, outcome)?,
        at: request.at.map_or(Ok(now), |text| checked("at", &text, values::instant(&text)))?,
        odometer,
        by: person(&request.by)?,
        note: request.note.map(|text| checked("note", &text, values::free_text(&text, LONGEST_TEXT))).transpose()?,
    })
}

/// Complete a work order
///
/// Only the outcome `serviced` restarts the interval, from its odometer, which must fit the car's readings.
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/complete", operation_id = "complete_work_order", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = CompleteRequest,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn complete_work_order(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<CompleteRequest>,
) -> Result<Answer, Problem> {
    let completion = completion(body.value, app.now())?;
    act(&app, &caller, &number, if_match, key, Act::Complete(completion), &body.bytes).await
}

/// Why an order is cancelled or reopened.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReasonRequest {
    /// Why.
    reason: String,
}

fn reason(body: &ReasonRequest) -> Result<String, Problem> {
    checked("reason", &body.reason, values::name(&body.reason, LONGEST_TEXT))
}

/// Cancel a work order
///
/// The loop raises no other for the same car and kind for some days (`raise.quiet_days_after_cancel`).
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/cancel", operation_id = "cancel_work_order", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = ReasonRequest,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn cancel_work_order(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<ReasonRequest>,
) -> Result<Answer, Problem> {
    let reason = reason(&body.value)?;
    act(&app, &caller, &number, if_match, key, Act::Cancel { reason }, &body.bytes).await
}

/// Reopen a work order
///
/// What its completion did to the interval is undone: the old interval counts again.
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/reopen", operation_id = "reopen_work_order", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = ReasonRequest,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn reopen_work_order(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<ReasonRequest>,
) -> Result<Answer, Problem> {
    let reason = reason(&body.value)?;
    act(&app, &caller, &number, if_match, key, Act::Reopen { reason }, &body.bytes).await
}
