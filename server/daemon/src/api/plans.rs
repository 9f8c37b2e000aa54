//! What a car is told for days to come: other shifts, a move to another depot.

use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use ventmile_model::fleet::{DistanceUnit, Kind};
use ventmile_model::usage::Shifts;

use super::body::{Json, Segment, Segments};
use super::condition::{ActHeaders, DoneOnce, IdempotencyKey, IfMatch, writing};
use super::key::{Key, Plan, Read};
use super::logs::LONGEST_TEXT;
use super::orders::checked;
use super::page::Page;
use super::problem::{Fault, Problem};
use super::shapes::{answer, tenth};
use super::values;
use super::vehicles::{depot_unit, visible};
use super::what_if::{ShiftsRequest, shifts, untold};
use crate::app::App;
use crate::app::keys::Scope;
use crate::store::{Answer, NewPlan, PlanRecord, Planned};

/// What a car is told: `shifts` or `depot`.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"from": "2026-12-01", "to": "2026-12-31", "shifts": {"days_per_week": 6, "hours_per_day": 10}, "note": "holiday season"}))]
pub struct CarPlanRequest {
    /// First day, local to the depot: of a move one to come, at the depot it moves to.
    #[schema(format = Date)]
    from: String,
    /// Last day of other shifts: then they are as before; until further notice when left out. A move has none.
    #[schema(format = Date)]
    to: Option<String>,
    /// Driven in these shifts.
    shifts: Option<ShiftsRequest>,
    /// Moves to this depot.
    depot: Option<String>,
    /// Unit of `distance_per_day`; that of the car's depot when left out.
    distance_unit: Option<String>,
    /// What else is to be noted.
    note: Option<String>,
}

/// Shifts as they are told; null stays as the logs have it.
#[derive(Debug, Serialize, ToSchema)]
pub struct ShiftsAnswer {
    /// Driven days a week.
    days_per_week: Option<f64>,
    /// Hours on duty on a driven day.
    hours_per_day: Option<f64>,
    /// Share of trips with the rear seat taken.
    rear_share: Option<f64>,
    /// Distance on a driven day.
    distance_per_day: Option<f64>,
    /// Its unit.
    distance_unit: &'static str,
}

/// What a car is told.
#[derive(Debug, Serialize, ToSchema)]
pub struct CarPlanAnswer {
    /// Its number.
    id: i64,
    /// Unit number of the car.
    unit: String,
    /// First day.
    from: NaiveDate,
    /// Last day; null until further notice.
    to: Option<NaiveDate>,
    /// Driven in these shifts.
    shifts: Option<ShiftsAnswer>,
    /// Moves to this depot.
    depot: Option<String>,
    /// What else was noted.
    note: Option<String>,
    /// Which key told it.
    told_by: String,
    /// When it was told.
    told_at: DateTime<Utc>,
    /// When it was taken back.
    withdrawn_at: Option<DateTime<Utc>>,
    /// When the move took effect.
    moved_at: Option<DateTime<Utc>>,
    /// Counts its changes; its entity tag.
    version: i64,
}

pub(super) fn view(unit: &str, record: &PlanRecord, distance_unit: DistanceUnit) -> CarPlanAnswer {
    let (shifts, depot) = match &record.plan.told {
        Planned::Shifts(shifts) => (Some(shifts_view(shifts, distance_unit)), None),
        Planned::Move { depot, .. } => (None, Some(depot.clone())),
    };
    CarPlanAnswer {
        id: record.id,
        unit: unit.to_owned(),
        from: record.plan.from,
        to: record.plan.to,
        shifts,
        depot,
        note: record.note.clone(),
        told_by: record.told_by.clone(),
        told_at: record.told_at,
        withdrawn_at: record.withdrawn_at,
        moved_at: record.done_at,
        version: record.version,
    }
}

pub(super) fn shifts_view(shifts: &Shifts, distance_unit: DistanceUnit) -> ShiftsAnswer {
    ShiftsAnswer {
        days_per_week: shifts.pattern.days_per_week,
        hours_per_day: shifts.pattern.hours_per_day,
        rear_share: shifts.pattern.rear_share,
        distance_per_day: shifts.metres_per_driven_day.map(|metres| tenth(metres / distance_unit.metres())),
        distance_unit: distance_unit.as_str(),
    }
}

fn fault(pointer: &str, detail: &str) -> Problem {
    Problem::body(Fault::field(pointer, None, detail))
}

fn checked_plan(request: &CarPlanRequest, distance_unit: DistanceUnit) -> Result<NewPlan, Problem> {
    let from = checked("from", &request.from, values::date(&request.from))?;
    let to = request.to.as_deref().map(|text| checked("to", text, values::date(text))).transpose()?;
    if let Some(to) = to.filter(|to| *to < from) {
        return Err(Problem::body(Fault::field("/to", Some(to.to_string().into()), format!("give {from} or later"))));
    }
    let note = request.note.as_deref().map(|text| checked("note", text, values::free_text(text, LONGEST_TEXT)));
    let told = request.shifts.as_ref().map(|request| shifts(request, distance_unit)).transpose()?;
    match (&told, &request.depot) {
        (None, None) => return Err(fault("/shifts", "give shifts, or a depot it moves to")),
        (Some(_), Some(_)) => return Err(fault("/depot", "give either shifts or a depot: tell two plans for both")),
        (Some(shifts), None) if *shifts == Shifts::default() => {
            return Err(fault(
                "/shifts",
                "give at least one of days_per_week, hours_per_day, rear_share, distance_per_day",
            ));
        }
        (None, Some(_)) if to.is_some() => {
            return Err(fault("/to", "a move has no end: tell the move back as a plan of its own"));
        }
        _ => {}
    }
    Ok(NewPlan { from, to, shifts: told, depot: request.depot.clone().unwrap_or_default(), note: note.transpose()? })
}

/// Tell a car other shifts, or a move
///
/// Its forecast takes the days before as they are and those from then on as they are told; `what-if` starts from there. Shifts
/// with an end give way to what was before them; until further notice they hold until the logs show them. What is left out
/// stays as the logs have it. A move takes effect by itself on its day; until then the car is, and is seen, where it is. A move
/// takes a key with the scope admin.
#[utoipa::path(
    post, path = "/v1/vehicles/{unit}/plans", operation_id = "add_plan", tag = "Planning",
    params(("unit" = String, Path, description = "its unit number"), DoneOnce),
    request_body = CarPlanRequest,
    responses((status = 201, body = CarPlanAnswer), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn add_plan(
    State(app): State<App>,
    Key(caller, _): Key<Plan>,
    Segment(unit): Segment,
    key: IdempotencyKey,
    body: Json<CarPlanRequest>,
) -> Result<Answer, Problem> {
    let car = visible(&app, &caller, &unit).await?;
    let request = body.value;
    let given =
        request.distance_unit.as_deref().map(|text| checked("distance_unit", text, values::distance_unit(text)));
    let distance_unit = match given.transpose()? {
        Some(unit) => unit,
        None => depot_unit(&app, &car).await?,
    };
    let new = checked_plan(&request, distance_unit)?;
    let writing = writing(&app, &caller, Some(key), &format!("vehicles/{unit}/plans"), &body.bytes);
    if let Some(once) = &writing.once
        && let Some(before) = app.store.find_answer(once).await?
    {
        return Ok(before);
    }
    match &new.shifts {
        None if !caller.may(Scope::Admin) => {
            return Err(Problem::forbidden("a move is told by a key with the scope admin"));
        }
        None => {}
        Some(told) => {
            let forecast = app.forecast_car(car.id, Kind::FanService).await?;
            let evidence = forecast.map(|forecast| forecast.assessment.grading.current);
            evidence.map_or(Ok(()), |evidence| told.told(&evidence).map(drop)).map_err(untold)?;
        }
    }
    let told =
        |record: &PlanRecord| answer(StatusCode::CREATED, Some(record.version), &view(&unit, record, distance_unit));
    let done = app.store.add_plan(&unit, None, new, &writing, told).await?;
    app.news.notify_one();
    Ok(done)
}

/// List what a car is and was told
#[utoipa::path(
    get, path = "/v1/vehicles/{unit}/plans", operation_id = "list_plans", tag = "Planning",
    params(("unit" = String, Path, description = "its unit number")),
    responses((status = 200, body = Page<CarPlanAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_plans(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(unit): Segment,
) -> Result<Page<CarPlanAnswer>, Problem> {
    let car = visible(&app, &caller, &unit).await?;
    let distance_unit = depot_unit(&app, &car).await?;
    let items = app.store.plans(car.id).await?.iter().map(|record| view(&unit, record, distance_unit)).collect();
    Ok(Page { items, next: None })
}

/// Take back what a car was told
///
/// It is then as if it had never been told. A move that took effect is not taken back: move the car back.
#[utoipa::path(
    post, path = "/v1/vehicles/{unit}/plans/{id}/withdraw", operation_id = "withdraw_plan", tag = "Planning",
    params(
        ("unit" = String, Path, description = "its unit number"),
        ("id" = String, Path, description = "the plan's number"),
        ActHeaders
    ),
    responses((status = 200, body = CarPlanAnswer), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn withdraw_plan(
    State(app): State<App>,
    Key(caller, _): Key<Plan>,
    Segments(unit, id): Segments,
    IfMatch(if_match): IfMatch,
    key: IdempotencyKey,
) -> Result<Answer, Problem> {
    let car = visible(&app, &caller, &unit).await?;
    let number = id.parse().map_err(|_| Problem::not_found("plan", &id))?;
    let distance_unit = depot_unit(&app, &car).await?;
    let writing = writing(&app, &caller, Some(key), &format!("vehicles/{unit}/plans/{id}/withdraw"), &[]);
    let withdrawn =
        |record: &PlanRecord| answer(StatusCode::OK, Some(record.version), &view(&unit, record, distance_unit));
    let may_move = caller.may(Scope::Admin);
    let done = app.store.withdraw_plan(&unit, number, if_match, may_move, &writing, withdrawn).await?;
    app.news.notify_one();
    Ok(done)
}
