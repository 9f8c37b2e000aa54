//! The week's events: days on which a car can be spared, what drivers report, breakdowns.

use axum::extract::State;
use axum::http::{StatusCode, Uri};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::fleet::Kind;

use super::body::{Json, Params, Segment};
use super::condition::{DoneOnce, IdempotencyKey, writing};
use super::key::{Key, Plan, Read};
use super::logs::LONGEST_TEXT;
use super::orders::{checked, person};
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::shapes::answer;
use super::values;
use crate::app::App;
use crate::app::symptoms::{HEAT, SMELL_OR_HEAT, SYMPTOMS};
use crate::store::{Answer, BREAKDOWN, EventFilter, EventRecord, NewEvent, NewWindow, WindowRecord, order_number};

/// Days on which a car can be spared.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"unit": "V104", "from": "2026-03-20", "to": "2026-03-21", "note": "after the morning peak"}))]
pub struct WindowRequest {
    /// Unit number of the car.
    unit: String,
    /// First day, local to its depot.
    #[schema(format = Date)]
    from: String,
    /// Last day; the first one when left out.
    #[schema(format = Date)]
    to: Option<String>,
    /// What else is to be noted.
    note: Option<String>,
}

/// Days on which a car can be spared.
#[derive(Debug, Serialize, ToSchema)]
pub struct WindowAnswer {
    /// Its number.
    id: i64,
    /// Unit number of the car.
    unit: String,
    /// Its depot.
    depot: String,
    /// First day.
    from: NaiveDate,
    /// Last day.
    to: NaiveDate,
    /// What else was noted.
    note: Option<String>,
    /// Which key posted it.
    added_by: String,
    /// When it was taken back.
    withdrawn_at: Option<DateTime<Utc>>,
}

fn window_view(record: &WindowRecord) -> WindowAnswer {
    WindowAnswer {
        id: record.id,
        unit: record.unit.clone(),
        depot: record.depot.clone(),
        from: record.from,
        to: record.to,
        note: record.note.clone(),
        added_by: record.added_by.clone(),
        withdrawn_at: record.withdrawn_at,
    }
}

fn note(text: &str) -> Result<String, Problem> {
    checked("note", text, values::free_text(text, LONGEST_TEXT))
}

/// Say when a car can be spared
///
/// While a car has such days that have not gone by, its orders are planned within them only; without any it may be planned
/// for every day.
#[utoipa::path(
    post, path = "/v1/release-windows", operation_id = "add_release_window", tag = "Planning",
    params(DoneOnce),
    request_body = WindowRequest,
    responses((status = 201, body = WindowAnswer), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn add_release_window(
    State(app): State<App>,
    Key(caller, _): Key<Plan>,
    key: IdempotencyKey,
    body: Json<WindowRequest>,
) -> Result<Answer, Problem> {
    let request = body.value;
    let from = checked("from", &request.from, values::date(&request.from))?;
    let to = request.to.as_deref().map_or(Ok(from), |text| checked("to", text, values::date(text)))?;
    if to < from {
        return Err(Problem::body(Fault::field("/to", Some(to.to_string().into()), format!("give {from} or later"))));
    }
    let note = request.note.as_deref().map(note).transpose()?;
    let writing = writing(&app, &caller, Some(key), "release-windows", &body.bytes);
    let added = |record: &WindowRecord| answer(StatusCode::CREATED, None, &window_view(record));
    Ok(app.store.add_release_window(NewWindow { unit: request.unit, from, to, note }, &writing, added).await?)
}

/// Which of them are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct EventQuery {
    /// Only of this depot.
    depot: Option<String>,
    /// Only of this car.
    unit: Option<String>,
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

impl EventQuery {
    fn filter(&self, key_depots_of: Option<i64>, limit: i64, breakdowns: bool) -> Result<EventFilter, Problem> {
        Ok(EventFilter {
            depot: self.depot.clone(),
            unit: self.unit.clone(),
            breakdowns,
            after: page::place(self.cursor.as_deref())?.unwrap_or(0),
            key_depots_of,
            limit: limit + 1,
        })
    }
}

/// List days on which cars can be spared
#[utoipa::path(
    get, path = "/v1/release-windows", operation_id = "list_release_windows", tag = "Planning", params(EventQuery),
    responses((status = 200, body = Page<WindowAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_release_windows(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<EventQuery>,
) -> Result<Page<WindowAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let filter = query.filter(caller.actor.key_depots_of(), limit, false)?;
    let mut rows = app.store.release_windows(&filter).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| row.id);
    Ok(Page { items: rows.iter().map(window_view).collect(), next })
}

/// Take such days back
#[utoipa::path(
    post, path = "/v1/release-windows/{id}/withdraw", operation_id = "withdraw_release_window", tag = "Planning",
    params(("id" = String, Path, description = "their number"), DoneOnce),
    responses((status = 200, body = WindowAnswer), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn withdraw_release_window(
    State(app): State<App>,
    Key(caller, _): Key<Plan>,
    Segment(id): Segment,
    key: IdempotencyKey,
) -> Result<Answer, Problem> {
    let number = id.parse().map_err(|_| Problem::not_found("release window", &id))?;
    let writing = writing(&app, &caller, Some(key), &format!("release-windows/{id}/withdraw"), &[]);
    let withdrawn = |record: &WindowRecord| answer(StatusCode::OK, None, &window_view(record));
    Ok(app.store.withdraw_release_window(number, &writing, withdrawn).await?)
}

/// What a driver reports.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"unit": "V104", "symptom": "fan-noise", "told": "the fan howls behind the rear seat", "by": "driver 31"}))]
pub struct DriverReportRequest {
    /// Unit number of the car.
    unit: String,
    /// `fan-noise`, `weak-airflow`, `warning-light`, `loss-of-power`, `smell-or-heat` or `other`.
    symptom: String,
    /// When it was noticed (RFC 3339); now when left out.
    #[schema(format = DateTime)]
    at: Option<String>,
    /// What the driver says.
    told: String,
    /// Who reports: the fleet's own number for them, no name, since it stands in the journal.
    by: String,
}

/// A car broke down.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"unit": "V104", "told": "lost power on the bridge, towed in", "by": "dispatch"}))]
pub struct BreakdownRequest {
    /// Unit number of the car.
    unit: String,
    /// When (RFC 3339); now when left out.
    #[schema(format = DateTime)]
    at: Option<String>,
    /// What happened.
    told: String,
    /// Who tells it: the fleet's own number or code, no name, since it stands in the journal.
    by: String,
    /// The job it calls for; `pack-assessment` when left out.
    kind: Option<String>,
}

/// What was reported and what came of it.
#[derive(Debug, Serialize, ToSchema)]
pub struct EventAnswer {
    /// Its number.
    id: i64,
    /// Unit number of the car.
    unit: String,
    /// Its depot then.
    depot: String,
    /// The symptom, or `breakdown`.
    what: String,
    /// When.
    at: DateTime<Utc>,
    /// What was told.
    told: String,
    /// Who told it.
    by: String,
    /// The order it raised or joined.
    work_order: Option<String>,
    /// Whether that order was open already.
    joined: bool,
    /// First day off the road.
    off_road_from: Option<NaiveDate>,
    /// What to do at once.
    advice: Option<&'static str>,
}

fn event_view(record: &EventRecord) -> EventAnswer {
    EventAnswer {
        id: record.id,
        unit: record.unit.clone(),
        depot: record.depot.clone(),
        what: record.what.clone(),
        at: record.at,
        told: record.told.clone(),
        by: record.told_by.clone(),
        work_order: record.work_order_id.map(order_number),
        joined: record.joined,
        off_road_from: record.off_road_from,
        advice: (record.what == HEAT).then_some(SMELL_OR_HEAT),
    }
}

/// An event may be told for so long ahead of our clock.
const AHEAD: TimeDelta = TimeDelta::minutes(5);

fn happened(at: Option<&str>, now: DateTime<Utc>) -> Result<DateTime<Utc>, Problem> {
    let Some(text) = at else { return Ok(now) };
    let read = values::instant(text)
        .and_then(|at| if at <= now + AHEAD { Ok(at) } else { Err(format!("it cannot be later than now, {now}")) });
    checked("at", text, read)
}

fn told(text: &str) -> Result<String, Problem> {
    checked("told", text, values::name(text, LONGEST_TEXT))
}

/// Tell what a driver reports
///
/// Fan noise and weak airflow call for a cooling check, a warning light, loss of power, smell or heat for a pack assessment:
/// an order is raised, or the open one joined.
#[utoipa::path(
    post, path = "/v1/driver-reports", operation_id = "report_symptom", tag = "Planning",
    params(DoneOnce),
    request_body = DriverReportRequest,
    responses((status = 201, body = EventAnswer), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn report_symptom(
    State(app): State<App>,
    Key(caller, _): Key<Plan>,
    key: IdempotencyKey,
    body: Json<DriverReportRequest>,
) -> Result<Answer, Problem> {
    let request = body.value;
    let symptom = SYMPTOMS.iter().find(|(name, _)| *name == request.symptom).ok_or_else(|| {
        let known: Vec<&str> = SYMPTOMS.iter().map(|(name, _)| *name).collect();
        format!("give one of {}", known.join(", "))
    });
    let (what, calls_for) = *checked("symptom", &request.symptom, symptom)?;
    let new = NewEvent {
        unit: request.unit,
        what,
        at: happened(request.at.as_deref(), app.now())?,
        told: told(&request.told)?,
        told_by: person("by", &request.by)?,
        calls_for,
    };
    let writing = writing(&app, &caller, Some(key), "driver-reports", &body.bytes);
    let stored = |record: &EventRecord| answer(StatusCode::CREATED, None, &event_view(record));
    Ok(app.store.add_car_event(new, &writing, stored).await?)
}

/// Tell of a breakdown
///
/// An order is raised, or the open one joined, and the car is off the road from that day until it is returned to service.
#[utoipa::path(
    post, path = "/v1/breakdowns", operation_id = "report_breakdown", tag = "Planning",
    params(DoneOnce),
    request_body = BreakdownRequest,
    responses((status = 201, body = EventAnswer), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn report_breakdown(
    State(app): State<App>,
    Key(caller, _): Key<Plan>,
    key: IdempotencyKey,
    body: Json<BreakdownRequest>,
) -> Result<Answer, Problem> {
    let request = body.value;
    let kind = request.kind.as_deref().map(|text| checked("kind", text, values::kind(text))).transpose()?;
    let new = NewEvent {
        unit: request.unit,
        what: BREAKDOWN,
        at: happened(request.at.as_deref(), app.now())?,
        told: told(&request.told)?,
        told_by: person("by", &request.by)?,
        calls_for: Some(kind.unwrap_or(Kind::PackAssessment)),
    };
    let writing = writing(&app, &caller, Some(key), "breakdowns", &body.bytes);
    let stored = |record: &EventRecord| answer(StatusCode::CREATED, None, &event_view(record));
    let done = app.store.add_car_event(new, &writing, stored).await?;
    app.news.notify_one();
    Ok(done)
}

async fn events(
    app: &App,
    key_depots_of: Option<i64>,
    uri: &Uri,
    query: &EventQuery,
    breakdowns: bool,
) -> Result<Page<EventAnswer>, Problem> {
    let limit = page::limit(app, query.limit)?;
    let mut rows = app.store.car_events(&query.filter(key_depots_of, limit, breakdowns)?).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| row.id);
    Ok(Page { items: rows.iter().map(event_view).collect(), next })
}

/// List what drivers reported
#[utoipa::path(
    get, path = "/v1/driver-reports", operation_id = "list_driver_reports", tag = "Planning", params(EventQuery),
    responses((status = 200, body = Page<EventAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_driver_reports(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<EventQuery>,
) -> Result<Page<EventAnswer>, Problem> {
    events(&app, caller.actor.key_depots_of(), &uri, &query, false).await
}

/// List breakdowns
#[utoipa::path(
    get, path = "/v1/breakdowns", operation_id = "list_breakdowns", tag = "Planning", params(EventQuery),
    responses((status = 200, body = Page<EventAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_breakdowns(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<EventQuery>,
) -> Result<Page<EventAnswer>, Problem> {
    events(&app, caller.actor.key_depots_of(), &uri, &query, true).await
}
