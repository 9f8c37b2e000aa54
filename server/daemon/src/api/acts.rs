//! Acts on a work order.

use axum::extract::State;
use chrono::{DateTime, NaiveTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use ventmile_model::fleet::{Act, Completion, ExpectedBack, Outcome, Plan, RemovedBecause, local_day};

use super::body::{Json, Segment};
use super::condition::{ActHeaders, IdempotencyKey, IfMatch, writing};
use super::key::{Key, Plan as PlanScope, Work};
use super::logs::LONGEST_TEXT;
use super::orders::{OrderAnswer, checked, done, find, person};
use super::problem::{Fault, Problem};
use super::values;
use crate::app::App;
use crate::app::keys::Caller;
use crate::store::{Answer, Closing};

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
    Ok(app.act(number, if_match.0, act, &Closing::default(), &writing, done(app, writing.now)).await?)
}

/// Who takes an order.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AcceptRequest {
    /// Who takes it.
    by: String,
    /// How long it waits for its start before it is back in the queue, in minutes; 0 without end, `work.lease_minutes` (480)
    /// when left out.
    lease_minutes: Option<i64>,
}

/// Longer than any order waits.
const LONGEST_LEASE: i64 = 525_600;

fn lease_minutes(minutes: i64) -> Result<i64, Problem> {
    if (0..=LONGEST_LEASE).contains(&minutes) {
        return Ok(minutes);
    }
    let detail = format!("give 0 to {LONGEST_LEASE} minutes");
    Err(Problem::body(Fault::field("/lease_minutes", Some(minutes.into()), detail)))
}

/// Accept a work order
///
/// It then waits for its start until `lease_until`; accepting it once more renews the lease.
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
    let by = person("by", &body.value.by)?;
    let lease = app.lease(body.value.lease_minutes.map(lease_minutes).transpose()?);
    act(&app, &caller, &number, if_match, key, Act::Accept { by, lease }, &body.bytes).await
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
    let by = body.value.by.as_deref().map(|text| person("by", text)).transpose()?;
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
    /// At a pack replacement: serial of the pack that went in; as recorded at the steps when left out.
    installed_serial: Option<String>,
    /// Its part type; likewise.
    installed_type: Option<String>,
    /// Serial of the pack that came out; likewise. It must be the one that the register has in the car.
    removed_serial: Option<String>,
    /// Its part type, where the register does not know it; likewise.
    removed_type: Option<String>,
    /// Why it came out: `failed`, `condition`, `age`, `sale`, `crash` or `other`; `condition` when left out.
    removed_because: Option<String>,
    /// Whether the old pack is whole, as a core must be; as recorded at the steps when left out.
    core_intact: Option<bool>,
    /// Hours worked.
    hours: Option<f64>,
    /// What it cost, parts and labour, in cents.
    cost_cents: Option<i64>,
    /// Parts taken from the depot's stock.
    #[serde(default)]
    parts: Vec<PartUsed>,
}

/// A part taken from stock.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PartUsed {
    /// Its number.
    pub(super) number: String,
    /// How many.
    pub(super) quantity: i64,
}

/// More than one order takes.
pub(super) const MOST: i64 = 10_000;
/// Dearer than any order, in cents.
pub(super) const DEAREST: i64 = 10_000_000_000;

pub(super) fn whole(name: &str, value: i64, range: std::ops::RangeInclusive<i64>) -> Result<i64, Problem> {
    let detail = format!("give {} to {}", range.start(), range.end());
    if range.contains(&value) {
        Ok(value)
    } else {
        Err(Problem::body(Fault::field(format!("/{name}"), Some(value.into()), detail)))
    }
}

fn closing(request: &CompleteRequest) -> Result<Closing, Problem> {
    let text = |name: &str, text: &Option<String>| text.as_deref().map(|text| person(name, text)).transpose();
    let because = |text: &str| {
        let known: Vec<&str> = RemovedBecause::ALL.iter().map(|because| because.as_str()).collect();
        let read = RemovedBecause::parse(text).ok_or_else(|| format!("give one of {}", known.join(", ")));
        checked("removed_because", text, read)
    };
    let minutes = |hours: f64| {
        let fits = (0.0..=1000.0).contains(&hours);
        let fault = || Problem::body(Fault::field("/hours", Some(values::number(hours)), "give 0 to 1000 hours"));
        if fits { Ok((hours * 60.0).round() as i64) } else { Err(fault()) }
    };
    let part = |(place, part): (usize, &PartUsed)| {
        let number = person(&format!("parts/{place}/number"), &part.number)?;
        Ok((number, whole(&format!("parts/{place}/quantity"), part.quantity, 1..=MOST)?))
    };
    Ok(Closing {
        installed_serial: text("installed_serial", &request.installed_serial)?,
        installed_type: text("installed_type", &request.installed_type)?,
        removed_serial: text("removed_serial", &request.removed_serial)?,
        removed_type: text("removed_type", &request.removed_type)?,
        removed_because: request.removed_because.as_deref().map(because).transpose()?,
        core_intact: request.core_intact,
        labour_minutes: request.hours.map(minutes).transpose()?,
        cost: request.cost_cents.map(|cents| whole("cost_cents", cents, 0..=DEAREST)).transpose()?,
        parts: request.parts.iter().enumerate().map(part).collect::<Result<_, Problem>>()?,
        judged: None,
    })
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
        by: person("by", &request.by)?,
        note: request.note.map(|text| checked("note", &text, values::free_text(&text, LONGEST_TEXT))).transpose()?,
    })
}

/// Complete a work order
///
/// Only the outcome `serviced` restarts the interval, from its odometer, which must fit the car's readings. Work that comes
/// near the high-voltage system is completed as `serviced` only once every step of its procedure is recorded and passed;
/// other work likewise once any step is recorded, or always with `work.records = "required"`. Whatever the outcome, a system
/// that was opened is closed first: plug in, latch seated, codes read. A refusal (422) names everything that is missing. A pack
/// replacement ends the old pack's time in the car and begins the new one's, the old pack becomes a core, and the fan
/// interval restarts only when the fan's steps are recorded.
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
    let closing = closing(&body.value)?;
    let act = Act::Complete(completion(body.value, app.now())?);
    find(&app, &caller, &number).await?;
    let writing = writing(&app, &caller, Some(key), &format!("work-orders/{number}/complete"), &body.bytes);
    Ok(app.act(&number, if_match.0, act, &closing, &writing, done(&app, writing.now)).await?)
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
/// The loop raises no other for the same car and kind for some days (`raise.quiet_days_after_cancel`). Refused (422) while
/// the high-voltage system is open.
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
/// What its completion did to the interval is undone: the old interval counts again. Evidence from before stays and is shown,
/// and counts no more.
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

/// Who says or does something, and why.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PersonReason {
    /// Who.
    by: String,
    /// Why.
    reason: String,
}

fn by_and_reason(body: &PersonReason) -> Result<(String, String), Problem> {
    Ok((person("by", &body.by)?, checked("reason", &body.reason, values::name(&body.reason, LONGEST_TEXT))?))
}

/// Decline a work order
///
/// Or give it back before work has begun. `next` no longer offers it to the one who declined.
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/decline", operation_id = "decline_work_order", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = PersonReason,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn decline_work_order(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<PersonReason>,
) -> Result<Answer, Problem> {
    let (by, reason) = by_and_reason(&body.value)?;
    act(&app, &caller, &number, if_match, key, Act::Decline { by, reason }, &body.bytes).await
}

/// Pause work
///
/// No step is recorded while work rests.
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/pause", operation_id = "pause_work_order", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = PersonReason,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn pause_work_order(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<PersonReason>,
) -> Result<Answer, Problem> {
    let (by, reason) = by_and_reason(&body.value)?;
    act(&app, &caller, &number, if_match, key, Act::Pause { by, reason }, &body.bytes).await
}

/// Who goes on.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ResumeRequest {
    /// Who has the order.
    by: String,
}

/// Resume work
///
/// A lock-out recorded before the pause no longer opens anything: nobody has kept an eye on the car.
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/resume", operation_id = "resume_work_order", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = ResumeRequest,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn resume_work_order(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<ResumeRequest>,
) -> Result<Answer, Problem> {
    let by = person("by", &body.value.by)?;
    act(&app, &caller, &number, if_match, key, Act::Resume { by }, &body.bytes).await
}

/// Who gives the order to whom.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HandOverRequest {
    /// Who has it.
    by: String,
    /// Who gets it.
    to: String,
}

/// Hand a work order over
///
/// A lock-out recorded before no longer opens anything: the one who takes over makes their own.
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/hand-over", operation_id = "hand_over_work_order", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = HandOverRequest,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn hand_over_work_order(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<HandOverRequest>,
) -> Result<Answer, Problem> {
    let (by, to) = (person("by", &body.value.by)?, person("to", &body.value.to)?);
    act(&app, &caller, &number, if_match, key, Act::HandOver { by, to }, &body.bytes).await
}

/// A day, a time, a bay and people for an order.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-03-20", "start": "09:00", "minutes": 240, "bay": 1, "technicians": ["osei", "brandt"], "gear": ["G-7", "G-8", "M-1"]}))]
pub struct PlanRequest {
    /// Local day.
    #[schema(format = Date)]
    on: String,
    /// Local time, `HH:MM`.
    start: String,
    /// How many minutes bay and people are taken; `work.slot_minutes` (120) when left out.
    minutes: Option<u32>,
    /// Number of the bay, from 1.
    bay: u32,
    /// Codes of the technicians it is meant for.
    #[serde(default)]
    technicians: Vec<String>,
    /// Ids of the gear promised to it; without any, enough of the kinds it needs must be in date.
    #[serde(default)]
    gear: Vec<String>,
}

/// More people than work on one car, or pieces of gear than they take.
const MOST_NAMED: usize = 20;

fn plan(request: PlanRequest, usual_minutes: u32) -> Result<Plan, Problem> {
    let start =
        NaiveTime::parse_from_str(&request.start, "%H:%M").map_err(|_| "give a local time such as 07:30".to_owned());
    let minutes = request.minutes.unwrap_or(usual_minutes);
    if !(5..=1440).contains(&minutes) {
        return Err(Problem::body(Fault::field("/minutes", Some(minutes.into()), "give 5 to 1440 minutes")));
    }
    let few = |name: &str, given: &[String]| {
        if given.len() > MOST_NAMED {
            return Err(Problem::body(Fault::field(format!("/{name}"), None, format!("give at most {MOST_NAMED}"))));
        }
        given.iter().enumerate().map(|(place, code)| person(&format!("{name}/{place}"), code)).collect()
    };
    Ok(Plan {
        on: checked("on", &request.on, values::date(&request.on))?,
        start: checked("start", &request.start, start)?,
        minutes,
        bay: request.bay,
        technicians: few("technicians", &request.technicians)?,
        gear: few("gear", &request.gear)?,
    })
}

/// Plan a work order
///
/// Or plan it anew. Refused (409) with every clash: a bay or person taken or unfit, the shop closed, the car planned for
/// something else, too little gear in date on the day, a piece named that is promised to another order then, a part that is
/// not there by the day. A car off the road may be planned: it stands at the shop's disposal.
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/plan", operation_id = "plan_work_order", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = PlanRequest,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn plan_work_order(
    State(app): State<App>,
    Key(caller, _): Key<PlanScope>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<PlanRequest>,
) -> Result<Answer, Problem> {
    let plan = plan(body.value, app.settings.work.slot_minutes)?;
    act(&app, &caller, &number, if_match, key, Act::Plan(plan), &body.bytes).await
}

/// Say that a planned day went by
///
/// The order waits for another plan; the day and the reason stay.
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/missed", operation_id = "miss_work_order", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = ReasonRequest,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn miss_work_order(
    State(app): State<App>,
    Key(caller, _): Key<PlanScope>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<ReasonRequest>,
) -> Result<Answer, Problem> {
    let reason = reason(&body.value)?;
    let order = find(&app, &caller, &number).await?;
    let today = local_day(app.now(), order.zone);
    act(&app, &caller, &number, if_match, key, Act::Missed { today, reason }, &body.bytes).await
}

/// Who speaks for the car.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ConfirmRequest {
    /// Who.
    by: String,
}

/// Confirm a planned slot
///
/// The dispatcher will bring the car. Planning the order anew asks anew.
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/confirm-slot", operation_id = "confirm_work_order_slot", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = ConfirmRequest,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn confirm_work_order_slot(
    State(app): State<App>,
    Key(caller, _): Key<PlanScope>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<ConfirmRequest>,
) -> Result<Answer, Problem> {
    let by = person("by", &body.value.by)?;
    act(&app, &caller, &number, if_match, key, Act::Confirm { by }, &body.bytes).await
}

/// Refuse a planned slot
///
/// The car cannot be spared then: bay and people are free again, the order waits for another plan, the reason stays.
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/refuse-slot", operation_id = "refuse_work_order_slot", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = PersonReason,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn refuse_work_order_slot(
    State(app): State<App>,
    Key(caller, _): Key<PlanScope>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<PersonReason>,
) -> Result<Answer, Problem> {
    let (by, reason) = by_and_reason(&body.value)?;
    act(&app, &caller, &number, if_match, key, Act::Refuse { by, reason }, &body.bytes).await
}

/// When a car will be back that takes longer.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"at": "2026-03-20T17:30:00-04:00", "reason": "the duct is broken, part comes tomorrow"}))]
pub struct BackRequest {
    /// When (RFC 3339).
    #[schema(format = DateTime)]
    at: String,
    /// Why it takes longer.
    reason: String,
}

/// Say that work takes longer
///
/// Day lists and calendars show when the car will be back.
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/expected-back", operation_id = "expect_work_order_back", tag = "Work",
    params(("number" = String, Path, description = "its number"), ActHeaders),
    request_body = BackRequest,
    responses((status = 200, body = OrderAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn expect_work_order_back(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<BackRequest>,
) -> Result<Answer, Problem> {
    let request = &body.value;
    let back = ExpectedBack {
        at: checked("at", &request.at, values::instant(&request.at))?,
        reason: checked("reason", &request.reason, values::name(&request.reason, LONGEST_TEXT))?,
    };
    act(&app, &caller, &number, if_match, key, Act::Overrun(back), &body.bytes).await
}
