//! The steps of an order: what is recorded, what is missing, what was overridden.

use std::collections::BTreeMap;

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use ventmile_model::fleet::Outcome;
use ventmile_model::work::{self, Entry, Item, Override};

use super::body::{Json, Segment, Segments};
use super::condition::{ActHeaders, IdempotencyKey, IfMatch, writing};
use super::key::{Admin, Key, Read, Work};
use super::logs::LONGEST_TEXT;
use super::orders::{checked, find, person};
use super::problem::{Fault, Problem};
use super::procedures::StepBody;
use super::shapes::{answer, tagged};
use super::values;
use crate::app::App;
use crate::app::work::Bench;
use crate::config::Records;
use crate::store::{Answer, EntryRecord, OrderFile, OrderRecord, StepText, order_number};

/// What was recorded at a step.
#[derive(Debug, Serialize, ToSchema)]
pub struct EntryAnswer {
    /// Number of the step.
    step: u32,
    /// When it was taken in: gates go by this time.
    at: DateTime<Utc>,
    /// When it was done, as told.
    done_at: DateTime<Utc>,
    /// Who did it.
    by: String,
    /// Who worked with them.
    with: Vec<String>,
    /// Numbers and texts by the record's name.
    records: BTreeMap<String, Value>,
    /// Ids of the gear used.
    gear: Vec<String>,
    /// It was told late, and is marked so for ever.
    late: bool,
    /// It holds a reading at or over the limit, which stopped the order.
    stops: bool,
    /// Whether it is from before the order was last reopened: it then counts no more.
    past: bool,
}

fn entry_view(record: &EntryRecord, order: &OrderRecord) -> EntryAnswer {
    let entry = &record.entry;
    let value = |value: &work::Value| match value {
        work::Value::Number(number) => values::number(*number),
        work::Value::Text(text) => text.as_str().into(),
    };
    EntryAnswer {
        step: entry.step,
        at: entry.at,
        done_at: entry.done_at,
        by: entry.by.clone(),
        with: entry.with.clone(),
        records: entry.records.iter().map(|(name, found)| (name.clone(), value(found))).collect(),
        gear: entry.gear.clone(),
        late: record.late,
        stops: record.stops,
        past: order.reopened_at.is_some_and(|from| entry.at < from),
    }
}

/// A step with what was recorded at it.
#[derive(Debug, Serialize, ToSchema)]
pub struct WorkStep {
    /// The step, as the procedure has it.
    #[schema(value_type = StepBody)]
    step: StepText,
    /// What was recorded, oldest first; the last counts.
    entries: Vec<EntryAnswer>,
}

/// An administrator's decision to go on without an item.
#[derive(Debug, Serialize, ToSchema)]
pub struct OverrideAnswer {
    /// Code of the item.
    item: String,
    /// Who decided.
    by: String,
    /// Why.
    reason: String,
    /// When.
    at: DateTime<Utc>,
}

/// The step that comes next.
#[derive(Debug, Serialize, ToSchema)]
pub struct NextStep {
    /// Its number.
    step: u32,
    /// What would be missing for the one who has the order, if nothing more were named than that.
    missing: Vec<Fault>,
}

/// The work of an order.
#[derive(Debug, Serialize, ToSchema)]
pub struct StepsAnswer {
    /// Number of the order.
    number: String,
    /// Code of the procedure it was raised with.
    procedure: String,
    /// Its version.
    procedure_version: u32,
    /// What it is called.
    title: String,
    /// What is read before the first step.
    cautions: Vec<String>,
    /// The steps in order.
    steps: Vec<WorkStep>,
    /// Every override, oldest first.
    overrides: Vec<OverrideAnswer>,
    /// Volts at or over which a reading stops the order.
    residual_limit_v: f64,
    /// Whether an isolation fault (P0AA6) of the car is confirmed, or was and is not known to be gone: only people qualified
    /// for it touch the car.
    isolation_fault: bool,
    /// The reading that stops the order; null while none does.
    stopped: Option<EntryAnswer>,
    /// The first step that is not recorded; null when each is.
    next: Option<NextStep>,
    /// What is missing to close the order as `serviced`.
    missing_to_close: Vec<Fault>,
    /// Version of the order; the entity tag.
    version: i64,
}

fn faults(found: Vec<crate::store::Fault>) -> Vec<Fault> {
    found.into_iter().map(Fault::from).collect()
}

fn steps_view(
    order: &OrderRecord,
    file: &OrderFile,
    bench: &Bench<'_>,
    records: Records,
    now: DateTime<Utc>,
) -> StepsAnswer {
    let of_step = |number: u32| file.entries.iter().filter(move |it| it.entry.step == number);
    let procedure = bench.job().procedure;
    let step = |step: &work::Step| WorkStep {
        step: StepText::from(step),
        entries: of_step(step.number).map(|it| entry_view(it, order)).collect(),
    };
    let given = |given: &Override| OverrideAnswer {
        item: given.item.to_string(),
        by: given.by.clone(),
        reason: given.reason.clone(),
        at: given.at,
    };
    let stop = bench.job().stopped(now).map(|entry| (entry.step, entry.at));
    let stopped = file.entries.iter().find(|it| stop == Some((it.entry.step, it.entry.at)));
    let next = bench.next_step(order.order.settled(now).assigned_to.as_deref(), now);
    StepsAnswer {
        number: order_number(order.id),
        procedure: procedure.code.clone(),
        procedure_version: procedure.version,
        title: procedure.title.clone(),
        cautions: procedure.cautions.clone(),
        steps: procedure.steps.iter().map(step).collect(),
        overrides: file.overrides.iter().map(given).collect(),
        residual_limit_v: bench.residual_limit_v(),
        isolation_fault: bench.isolation_fault,
        stopped: stopped.map(|it| entry_view(it, order)),
        next: next.map(|(step, missing)| NextStep { step, missing: faults(missing) }),
        missing_to_close: faults(bench.missing_to_close(Outcome::Serviced, records, now)),
        version: order.version,
    }
}

/// The steps of a work order
///
/// Its procedure in the version it was raised with, what is recorded, and what is missing. 404 for an order that was raised
/// without a procedure.
#[utoipa::path(
    get, path = "/v1/work-orders/{number}/steps", operation_id = "list_work_order_steps", tag = "Work",
    params(("number" = String, Path, description = "number of the order")),
    responses((status = 200, body = StepsAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_work_order_steps(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(number): Segment,
) -> Result<Response, Problem> {
    let writing = writing(&app, &caller, None, "", &[]);
    let (order, file) = (app.store.find_order_file(&number, &writing).await?)
        .ok_or_else(|| Problem::not_found("work order", &number))?;
    let bench = Bench::of(&app.settings.work, &order, &file, writing.now);
    let bench = bench.ok_or_else(|| Problem::not_found("procedure of work order", &number))?;
    let records = app.settings.work.records;
    Ok(tagged(order.version, &steps_view(&order, &file, &bench, records, writing.now)))
}

/// What is recorded at a step.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"by": "osei", "with": ["brandt"], "records": {"air_test": "passed"}, "gear": ["G-7", "G-8"]}))]
pub struct StepRequest {
    /// Code of the person who did it.
    by: String,
    /// Codes of those who worked with them.
    #[serde(default)]
    with: Vec<String>,
    /// When it was done (RFC 3339); now when left out. Gates go by the time at which it is sent.
    #[schema(format = DateTime)]
    done_at: Option<String>,
    /// Numbers and texts by the record's name.
    #[serde(default)]
    records: BTreeMap<String, Value>,
    /// Ids of the gear used.
    #[serde(default)]
    gear: Vec<String>,
}

/// More people, records or gear than a step has.
const MOST: usize = 100;

fn names(field: &str, given: &[String]) -> Result<Vec<String>, Problem> {
    if given.len() > MOST {
        return Err(Problem::body(Fault::field(format!("/{field}"), None, format!("give at most {MOST}"))));
    }
    given.iter().enumerate().map(|(place, name)| person(&format!("{field}/{place}"), name)).collect()
}

fn value(name: &str, given: Value) -> Result<work::Value, Problem> {
    let field = format!("records/{}", name.replace('~', "~0").replace('/', "~1"));
    match given {
        Value::String(text) => Ok(work::Value::Text(checked(&field, &text, values::free_text(&text, LONGEST_TEXT))?)),
        Value::Number(ref number) => match number.as_f64() {
            Some(number) => Ok(work::Value::Number(number)),
            None => Err(Problem::body(Fault::field(format!("/{field}"), Some(given), "give a number or a text"))),
        },
        other => Err(Problem::body(Fault::field(format!("/{field}"), Some(other), "give a number or a text"))),
    }
}

fn entry(step: u32, request: StepRequest, now: DateTime<Utc>) -> Result<Entry, Problem> {
    if request.records.len() > MOST {
        return Err(Problem::body(Fault::field("/records", None, format!("give at most {MOST}"))));
    }
    let records = request.records.into_iter().map(|(name, given)| {
        let value = value(&name, given)?;
        Ok((name, value))
    });
    Ok(Entry {
        step,
        at: now,
        done_at: request.done_at.map_or(Ok(now), |text| checked("done_at", &text, values::instant(&text)))?,
        by: person("by", &request.by)?,
        with: names("with", &request.with)?,
        records: records.collect::<Result<_, Problem>>()?,
        gear: names("gear", &request.gear)?,
    })
}

/// Record a step
///
/// Refused (422) with everything that must stand first, each with its pointer and the stable code `item`. A reading at or over
/// the limit is always taken, and stops the order: `stops` is then true.
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/steps/{n}", operation_id = "record_step", tag = "Work",
    params(
        ("number" = String, Path, description = "number of the order"),
        ("n" = u32, Path, description = "number of the step"), ActHeaders
    ),
    request_body = StepRequest,
    responses((status = 201, body = EntryAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn record_step(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segments(number, n): Segments,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<StepRequest>,
) -> Result<Answer, Problem> {
    find(&app, &caller, &number).await?;
    let step = n.parse().map_err(|_| Problem::not_found("step", &n))?;
    let writing = writing(&app, &caller, Some(key), &format!("work-orders/{number}/steps/{n}"), &body.bytes);
    let entry = entry(step, body.value, writing.now)?;
    let taken = |order: &OrderRecord, it: &EntryRecord| {
        answer(StatusCode::CREATED, Some(order.version), &entry_view(it, order))
    };
    Ok(app.record_step(&number, if_match.0, &entry, &writing, taken).await?)
}

/// An item to go on without.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"item": "ground-off", "reason": "12 V battery is out already"}))]
pub struct OverrideRequest {
    /// Code of the item, as a refusal names it.
    item: String,
    /// Why; shown for ever.
    reason: String,
}

/// Override an item of a work order's gates
///
/// It counts for the lock-out it was given in and no longer. Reading, isolation fault and qualification cannot be overridden.
#[utoipa::path(
    post, path = "/v1/work-orders/{number}/overrides", operation_id = "override_work_order_item", tag = "Work",
    params(("number" = String, Path, description = "number of the order"), ActHeaders),
    request_body = OverrideRequest,
    responses((status = 201, body = OverrideAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn override_work_order_item(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(number): Segment,
    if_match: IfMatch,
    key: IdempotencyKey,
    body: Json<OverrideRequest>,
) -> Result<Answer, Problem> {
    find(&app, &caller, &number).await?;
    let request = &body.value;
    let known = Item::parse(&request.item).ok_or_else(|| "give the code of an item, as a refusal names it".to_owned());
    let item = checked("item", &request.item, known)?;
    let reason = checked("reason", &request.reason, values::name(&request.reason, LONGEST_TEXT))?;
    let writing = writing(&app, &caller, Some(key), &format!("work-orders/{number}/overrides"), &body.bytes);
    let view = OverrideAnswer {
        item: item.to_string(),
        by: writing.actor.name.clone(),
        reason: reason.clone(),
        at: writing.now,
    };
    let given = |order: &OrderRecord| answer(StatusCode::CREATED, Some(order.version), &view);
    Ok(app.override_item(&number, if_match.0, item, reason, &writing, given).await?)
}
