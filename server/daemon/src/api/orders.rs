//! Work orders: raised, listed, handed out.

use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::Response;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::fleet::{Order, Plan, Status};

use super::acts::PartUsed;
use super::body::{Json, Params, Segment};
use super::condition::{AsSeen, DoneOnce, IdempotencyKey, IfMatch, writing};
use super::key::{Key, Read, Work};
use super::logs::{LONGEST_NAME, LONGEST_TEXT};
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::shapes::{answer, shown, tagged, thousandth};
use super::upcoming::{DueDates, parameter};
use super::values;
use crate::app::App;
use crate::app::day_list::expected_back;
use crate::app::item::Item;
use crate::app::keys::Caller;
use crate::app::stops::{Stop, standing_stops};
use crate::app::waiting::{Wait, waiting};
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
    /// What it waits for: `technician` until somebody has taken it; `part` until its parts are here; `car` while it is planned and
    /// not begun, or the car cannot be spared today; `gear` until the depot has in date what the steps still to be recorded
    /// need; `evidence` once begun, until it could be completed as `serviced`.
    waiting: Vec<&'static str>,
    /// Parts that are not here for it once the more urgent orders have theirs.
    short_of: Vec<String>,
    /// Codes on which the car is stopped at once.
    stop_notices: Vec<StopNoticeAnswer>,
    /// Why it was raised.
    pub(super) reason: String,
    /// Reasons that joined it since.
    joined: Vec<JoinedReason>,
    /// Why an order is called for today; null when the forecast no longer calls for one: a person decides.
    reason_today: Option<String>,
    /// Today's forecast: 10, 50 and 90 % dates of both edges. It moves without a new version of the order.
    pub(super) due: Option<DueDates>,
    /// Where the car stands in its window today.
    band: Option<String>,
    /// The day given by a planner.
    planned: Option<NaiveDate>,
    /// Time, bay and people given by a planner.
    plan: Option<PlanAnswer>,
    /// Who confirmed that the car will be there as planned.
    slot_confirmed_by: Option<String>,
    /// Planned slots that were refused.
    slots_refused: Vec<RefusedSlot>,
    /// Planned days that went by without work.
    missed: Vec<MissedAnswer>,
    /// When the car will be back: the end of its slot, or what was told since.
    pub(super) expected_back: Option<DateTime<Utc>>,
    /// Why it takes longer than planned.
    overrun_because: Option<String>,
    /// Who has taken it.
    assigned_to: Option<String>,
    /// Until when it waits for its start; then nobody has taken it, without a new version.
    lease_until: Option<DateTime<Utc>>,
    /// What those have answered who were asked.
    answers: Vec<PartstatAnswer>,
    /// Why and since when work rests.
    paused: Option<PauseAnswer>,
    /// The procedure it was raised with; null when there was none for the job.
    procedure: Option<ProcedureKept>,
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
    /// Hours worked.
    hours: Option<f64>,
    /// What it cost, in cents.
    cost_cents: Option<i64>,
    /// Parts taken from stock.
    parts: Vec<PartUsed>,
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

/// When and where an order is to be worked.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanAnswer {
    /// Local day.
    on: NaiveDate,
    /// Local time, `HH:MM`.
    start: String,
    /// How many minutes bay and people are taken.
    minutes: u32,
    /// Number of the bay.
    bay: u32,
    /// Who it is meant for.
    technicians: Vec<String>,
    /// Gear promised to it.
    gear: Vec<String>,
}

/// A planned day that went by.
#[derive(Debug, Serialize, ToSchema)]
pub struct MissedAnswer {
    /// The day.
    on: NaiveDate,
    /// Why.
    reason: String,
}

/// A code on which a car is stopped at once.
#[derive(Debug, Serialize, ToSchema)]
pub struct StopNoticeAnswer {
    /// The code.
    pub(super) code: String,
    /// Since when it is confirmed.
    since: DateTime<Utc>,
    /// What it means.
    means: &'static str,
    /// What is to be done.
    pub(super) does: &'static str,
}

pub(super) fn stop_view(stop: &Stop) -> StopNoticeAnswer {
    StopNoticeAnswer { code: stop.code.clone(), since: stop.since, means: stop.notice.means, does: stop.notice.does }
}

/// A planned slot that the dispatcher refused.
#[derive(Debug, Serialize, ToSchema)]
pub struct RefusedSlot {
    /// The day.
    on: NaiveDate,
    /// Who refused.
    by: String,
    /// Why.
    reason: String,
}

/// What somebody has answered.
#[derive(Debug, Serialize, ToSchema)]
pub struct PartstatAnswer {
    /// Who.
    by: String,
    /// `accepted`, `declined` or `needs-action` (RFC 5545, PARTSTAT).
    partstat: &'static str,
    /// Why it was declined.
    reason: Option<String>,
}

/// Work that rests.
#[derive(Debug, Serialize, ToSchema)]
pub struct PauseAnswer {
    /// Why.
    reason: String,
    /// Since when.
    at: DateTime<Utc>,
}

/// The version of a procedure that an order keeps.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProcedureKept {
    /// Its code.
    code: String,
    /// Its version.
    version: i64,
}

/// A reason that joined an open order.
#[derive(Debug, Serialize, ToSchema)]
pub struct JoinedReason {
    /// Why.
    reason: String,
    /// Who called for it.
    by: String,
    /// When.
    at: DateTime<Utc>,
}

/// Those who were asked or have answered: who has it, who declined, whom a planner meant.
fn answers(order: &Order) -> Vec<PartstatAnswer> {
    let planned = order.plan.iter().flat_map(|plan| &plan.technicians);
    let mut people: Vec<&String> =
        order.assigned_to.iter().chain(order.declined.iter().map(|no| &no.by)).chain(planned).collect();
    people.sort();
    people.dedup();
    let answer = |by: &String| PartstatAnswer {
        by: by.clone(),
        partstat: order.partstat(by).as_str(),
        reason: order.declined.iter().find(|no| no.by == *by).map(|no| no.reason.clone()),
    };
    people.into_iter().map(answer).collect()
}

fn plan_view(plan: &Plan) -> PlanAnswer {
    PlanAnswer {
        on: plan.on,
        start: plan.start.format("%H:%M").to_string(),
        minutes: plan.minutes,
        bay: plan.bay,
        technicians: plan.technicians.clone(),
        gear: plan.gear.clone(),
    }
}

/// An order's number.
pub(super) fn number_of(record: &OrderRecord) -> String {
    order_number(record.id)
}

/// The day by which an order's car is to be there: the planned one, else the late edge at 50 %.
pub(super) fn planned_for(record: &OrderRecord) -> Option<NaiveDate> {
    let planned = record.order.plan.as_ref().map(|plan| plan.on);
    let item = || record.item.as_deref().and_then(|text| serde_json::from_str::<Item>(text).ok());
    planned.or_else(|| item().and_then(|item| item.late[1]))
}

/// An order as it stands at `now`.
pub(super) fn view(record: &OrderRecord, app: &App, now: DateTime<Utc>) -> OrderAnswer {
    let item: Option<Item> = record.item.as_deref().and_then(|text| serde_json::from_str(text).ok());
    let unit = record.distance_unit;
    let order = &record.order.settled(now);
    let done = order.completion.as_ref();
    let open = order.status.is_open();
    OrderAnswer {
        number: order_number(record.id),
        external_ref: record.external_ref.clone(),
        unit: record.unit.clone(),
        depot: record.depot.clone(),
        kind: record.kind.as_str(),
        status: order.status.as_str(),
        waiting: waiting(record, &app.settings.work, now).into_iter().map(Wait::as_str).collect(),
        short_of: record.short_of.clone(),
        stop_notices: standing_stops(&record.stop_codes, record.zone, now).iter().map(stop_view).collect(),
        reason: record.reason.clone(),
        joined: record
            .joined
            .iter()
            .map(|joined| JoinedReason { reason: joined.reason.clone(), by: joined.by.clone(), at: joined.at })
            .collect(),
        reason_today: record.reason_today.clone().filter(|_| open),
        due: item.as_ref().map(|item| DueDates { early: item.early.into(), late: item.late.into() }),
        band: item.map(|item| item.band),
        planned: order.plan.as_ref().map(|plan| plan.on),
        plan: order.plan.as_ref().map(plan_view),
        slot_confirmed_by: order.confirmed.as_ref().map(|confirmed| confirmed.by.clone()),
        slots_refused: order
            .refused
            .iter()
            .map(|no| RefusedSlot { on: no.on, by: no.by.clone(), reason: no.reason.clone() })
            .collect(),
        expected_back: expected_back(record).filter(|_| open),
        overrun_because: order.back.as_ref().map(|back| back.reason.clone()),
        missed: order
            .missed
            .iter()
            .map(|missed| MissedAnswer { on: missed.on, reason: missed.reason.clone() })
            .collect(),
        assigned_to: order.assigned_to.clone(),
        lease_until: order.lease_until,
        answers: answers(order),
        paused: order.paused.as_ref().map(|pause| PauseAnswer { reason: pause.reason.clone(), at: pause.at }),
        procedure: record
            .procedure
            .as_ref()
            .map(|name| ProcedureKept { code: name.code.clone(), version: name.version }),
        raised_by: record.raised_by.clone(),
        started_at: order.started_at,
        outcome: done.map(|done| done.outcome.as_str()),
        done_at: done.map(|done| done.at),
        odometer: done.and_then(|done| done.odometer).map(|metres| shown(metres, unit)),
        distance_unit: unit.as_str(),
        done_by: done.map(|done| done.by.clone()),
        note: done.and_then(|done| done.note.clone()),
        hours: record.labour_minutes.map(|minutes| thousandth(minutes as f64 / 60.0)),
        cost_cents: record.cost,
        parts: record
            .parts_used
            .iter()
            .map(|(number, quantity)| PartUsed { number: number.clone(), quantity: *quantity })
            .collect(),
        closing_reason: order.closing_reason.clone(),
        created_at: record.created_at,
        changed_at: record.changed_at,
        version: record.version,
        caution: CAUTION,
    }
}

/// The answer of a change made at `now`.
pub(super) fn done(app: &App, now: DateTime<Utc>) -> impl FnOnce(&OrderRecord) -> Answer {
    move |record| answer(StatusCode::OK, Some(record.version), &view(record, app, now))
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
        now: app.now(),
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
    Ok(Page { items: rows.iter().map(|row| view(row, &app, app.now())).collect(), next })
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

pub(super) fn checked<T>(name: &str, value: &str, read: Result<T, String>) -> Result<T, Problem> {
    read.map_err(|reason| Problem::body(Fault::field(format!("/{name}"), Some(value.into()), reason)))
}

fn reference(text: Option<String>) -> Result<Option<String>, Problem> {
    text.map(|text| checked("external_ref", &text, values::name(&text, LONGEST_NAME))).transpose()
}

pub(super) fn person(name: &str, text: &str) -> Result<String, Problem> {
    checked(name, text, values::name(text, LONGEST_NAME))
}

/// Raise a work order
///
/// A car has at most one open order of a kind: while one is open the reason joins it, and the answer is 200 with that order.
#[utoipa::path(
    post, path = "/v1/work-orders", operation_id = "raise_work_order", tag = "Work",
    params(DoneOnce),
    request_body = RaiseRequest,
    responses((status = 201, body = OrderAnswer), (status = 200, body = OrderAnswer), Problem),
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
    let raised = |record: &OrderRecord, new: bool| {
        let status = if new { StatusCode::CREATED } else { StatusCode::OK };
        answer(status, Some(record.version), &view(record, &app, writing.now))
    };
    Ok(app.store.raise_order(new, &writing, raised).await?)
}

pub(super) async fn find(app: &App, caller: &Caller, number: &str) -> Result<OrderRecord, Problem> {
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
    Ok(tagged(record.version, &view(&record, &app, app.now())))
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
    Ok(app.store.refer_order(&number, if_match, reference, &writing, done(&app, writing.now)).await?)
}

/// Who takes the next order.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NextRequest {
    /// Who takes it, when that is no technician of the register.
    by: Option<String>,
    /// Code of the technician who takes it: only an order at their depot for which they hold every certificate and the depot
    /// has gear in date, on a day on which they work.
    technician: Option<String>,
    /// Only of this depot.
    depot: Option<String>,
    /// Only this job.
    kind: Option<String>,
}

/// Take the next work order
///
/// The most urgent one that nobody has taken or whose lease has run out, given to exactly one caller however many ask; none
/// that the caller has declined, none whose parts are not here. 204 when there is none.
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
    let (by, is_technician) = match (&request.by, &request.technician) {
        (Some(by), None) => (person("by", by)?, false),
        (None, Some(code)) => (person("technician", code)?, true),
        _ => return Err(Problem::body(Fault::field("/by", None, "give either `by` or `technician`"))),
    };
    let next = NextOrder {
        by,
        is_technician,
        lease_until: app.lease(None).map(|lease| app.now() + lease),
        depot: request.depot,
        kind: request.kind.map(|text| checked("kind", &text, values::kind(&text))).transpose()?,
    };
    let writing = writing(&app, &caller, Some(key), "work-orders/next", &body.bytes);
    let none = Answer { status: StatusCode::NO_CONTENT.as_u16(), etag: None, body: String::new() };
    let taken = |record: Option<&OrderRecord>| record.map_or(none, done(&app, writing.now));
    Ok(app.take_next_order(&next, &writing, taken).await?)
}
