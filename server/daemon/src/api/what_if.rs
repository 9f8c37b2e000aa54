//! What a car's dates would be, were something otherwise. Nothing is saved.

use axum::extract::State;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use ventmile_model::duty::Pattern;
use ventmile_model::fleet::{DistanceUnit, Kind, Metres, OffRoad};
use ventmile_model::usage::{Shifts, Untold};

use super::body::{Json, Segment};
use super::key::{Key, Read};
use super::problem::{Fault, Problem};
use super::rules::{RulePatch, changed, shown_windows};
use super::shapes::{Dates, Windows, shown, tenth, thousandth};
use super::upcoming::DueDates;
use super::values;
use super::vehicles::visible;
use crate::app::App;
use crate::app::assess::sentence;
use crate::app::forecasts::CarForecast;
use crate::app::item::Item;
use crate::app::keys::Caller;
use crate::app::what_if::{MOST_DAYS, MOST_HOURS, WhatIf, furthest, moved_words, off_road, untold_words, within};
use crate::store::{DepotRecord, RuleRecord};

/// Longest list of days off the road in one question.
const MOST_TIMES: usize = 50;

/// What would be otherwise; what is left out stays as it is.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"shifts": {"days_per_week": 6, "hours_per_day": 9}, "off_road": [{"from": "2026-12-07", "to": "2026-12-13"}]}))]
pub struct WhatIfRequest {
    /// The job; `fan-service` when left out.
    kind: Option<String>,
    /// Moved to this depot today: its zone, its service rule, the usual day of its cars.
    depot: Option<String>,
    /// Driven in these shifts from the last reading on, instead of those it is told by today.
    shifts: Option<ShiftsRequest>,
    /// Off the road on these days too.
    #[serde(default)]
    off_road: Vec<TimeOffRoad>,
    /// Code of a service rule to be used instead of the one that applies.
    rule: Option<String>,
    /// The rule with these fields changed.
    rule_change: Option<RulePatch>,
    /// Unit of `distance_per_day` and of the answer; that of the car's depot when left out.
    distance_unit: Option<String>,
    /// The day for `chance_past_late`; the end of the lead time when left out.
    #[schema(format = Date)]
    by: Option<String>,
}

/// Shifts; what is left out stays as the logs have it.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ShiftsRequest {
    /// Driven days a week, 0 to 7.
    days_per_week: Option<f64>,
    /// Hours on duty on a driven day, 0 to 24.
    hours_per_day: Option<f64>,
    /// Share of trips with the rear seat taken, 0 to 1.
    rear_share: Option<f64>,
    /// Distance on a driven day; when left out the car keeps its mean speed.
    distance_per_day: Option<f64>,
}

/// Days off the road.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TimeOffRoad {
    /// First day, local.
    #[schema(format = Date)]
    from: String,
    /// Last day; null while it is not known.
    #[schema(format = Date)]
    to: Option<String>,
}

/// The dates of a car, in short.
#[derive(Debug, Serialize, ToSchema)]
pub struct OutcomeAnswer {
    /// Depot.
    depot: String,
    /// Code of the rule.
    rule: String,
    /// `unknown`, `before`, `inside` or `past`.
    band: &'static str,
    /// `hard` or `ordinary`: the hardest since the last service.
    grade: &'static str,
    /// Windows that apply, counted from the service.
    window: Windows,
    /// Distance a day, the median over the next sixty days on the road.
    distance_per_day: f64,
    /// Duty hours a day, likewise.
    hours_per_day: f64,
    /// Meter that comes first.
    deciding_meter: Option<&'static str>,
    /// 10, 50 and 90 % dates of both edges.
    due: DueDates,
    /// Days from the median of the early edge to that of the late one.
    inside_days: Option<i64>,
    /// Why a date is null.
    no_date_because: Option<String>,
    /// Chance of having run past the late edge by `chance_by`.
    chance_past_late: Option<f64>,
    /// The day asked about.
    chance_by: NaiveDate,
    /// Why an order would be raised today.
    raise_reason: Option<String>,
    /// In one sentence, to be checked with a pocket calculator.
    sentence: String,
    /// What should be known.
    notes: Vec<String>,
}

/// A car's dates as they stand and as they would be.
#[derive(Debug, Serialize, ToSchema)]
pub struct WhatIfAnswer {
    /// Unit number.
    unit: String,
    /// The job.
    kind: &'static str,
    /// Unit of the distances here.
    distance_unit: &'static str,
    /// As things stand.
    as_it_stands: OutcomeAnswer,
    /// As they would be.
    would_be: OutcomeAnswer,
    /// Days by which the medians move; less than 0 is earlier, null where a date is missing on either side.
    moved_days: MovedDays,
    /// The difference in one sentence.
    sentence: String,
}

/// Days by which the medians of both edges move.
#[derive(Debug, Serialize, ToSchema)]
pub struct MovedDays {
    /// Of the early edge.
    early: Option<i64>,
    /// Of the late edge.
    late: Option<i64>,
}

fn fault(pointer: &str, value: impl Into<Value>, detail: impl Into<String>) -> Problem {
    Problem::body(Fault::field(pointer, Some(value.into()), detail))
}

fn checked<T>(field: &str, text: &str, read: impl Fn(&str) -> Result<T, String>) -> Result<T, Problem> {
    read(text).map_err(|reason| fault(&format!("/{field}"), text, reason))
}

fn number(field: &str, value: Option<f64>, most: f64) -> Result<Option<f64>, Problem> {
    let refused = |value: f64, says| fault(&format!("/shifts/{field}"), values::number(value), says);
    value.map(|value| within(value, most).map_err(|says| refused(value, says))).transpose()
}

pub(super) fn shifts(request: &ShiftsRequest, unit: DistanceUnit) -> Result<Shifts, Problem> {
    let pattern = Pattern {
        days_per_week: number("days_per_week", request.days_per_week, MOST_DAYS)?,
        hours_per_day: number("hours_per_day", request.hours_per_day, MOST_HOURS)?,
        rear_share: number("rear_share", request.rear_share, 1.0)?,
    };
    let distance = number("distance_per_day", request.distance_per_day, furthest(unit))?;
    Ok(Shifts { pattern, metres_per_driven_day: distance.map(|distance| distance * unit.metres()) })
}

fn times_off_road(times: &[TimeOffRoad]) -> Result<Vec<OffRoad>, Problem> {
    if times.len() > MOST_TIMES {
        return Err(fault("/off_road", times.len(), format!("give at most {MOST_TIMES} times off the road")));
    }
    let read = |(place, time): (usize, &TimeOffRoad)| {
        let day = |name: &str, text: &str| checked(&format!("off_road/{place}/{name}"), text, values::date);
        let from = day("from", &time.from)?;
        let to = time.to.as_deref().map(|text| day("to", text)).transpose()?;
        let given = to.map(|to| to.to_string());
        off_road(from, to).map_err(|says| fault(&format!("/off_road/{place}/to"), given, says))
    };
    times.iter().enumerate().map(read).collect()
}

async fn depot(app: &App, caller: &Caller, code: &str) -> Result<DepotRecord, Problem> {
    let found = app.depot_seen(&caller.actor, code).await?;
    found.ok_or_else(|| fault("/depot", code, "give the code of a depot the key may see"))
}

async fn rule(app: &App, caller: &Caller, code: &str, kind: Kind) -> Result<RuleRecord, Problem> {
    let found = app.rule_seen(&caller.actor, code, kind).await?;
    found.ok_or_else(|| fault("/rule", code, format!("give the code of a service rule for {}", kind.as_str())))
}

fn outcome(forecast: &CarForecast, by: Option<NaiveDate>, unit: DistanceUnit, horizon_days: i64) -> OutcomeAnswer {
    let assessment = &forecast.assessment;
    let item = Item::of(assessment, forecast.rule.kind, unit, horizon_days);
    let interval = assessment.interval.as_ref();
    let due = interval.map(|interval| &interval.due);
    let chance_by = by.unwrap_or(assessment.lead_ends);
    OutcomeAnswer {
        depot: forecast.logs.depot.clone(),
        rule: forecast.rule.code.clone(),
        band: assessment.band().as_str(),
        grade: assessment.grading.grade.as_str(),
        window: shown_windows(&interval.map(|interval| interval.windows).unwrap_or_default(), unit),
        distance_per_day: shown(Metres(assessment.usage.metres_per_day.round() as i64), unit),
        hours_per_day: tenth(assessment.usage.hours_per_day),
        deciding_meter: due.map(|due| due.deciding_meter.as_str()),
        due: DueDates { early: Dates::from(item.early), late: Dates::from(item.late) },
        inside_days: due.and_then(|due| due.inside_days),
        no_date_because: item.no_date_because,
        chance_past_late: due.map(|due| thousandth(due.chance_past_late(chance_by))),
        chance_by,
        raise_reason: assessment.raise_reason.clone(),
        sentence: sentence(assessment, unit),
        notes: assessment.notes.clone(),
    }
}

fn moved(stands: Option<NaiveDate>, would_be: Option<NaiveDate>) -> Option<i64> {
    Some((would_be? - stands?).num_days())
}

pub(super) fn untold(untold: Untold) -> Problem {
    let (field, detail) = untold_words(untold);
    Problem::body(Fault::field(format!("/shifts/{field}"), None, detail))
}

/// What if
///
/// The car's dates under other shifts, at another depot, off the road for some days, or by another rule, beside the
/// dates as they stand, with all that it is told by `plans`. Nothing is saved. What the car did since its last service stays with it: a car that was in hard
/// duty since then keeps the hard window until its next service, where mixed duty is strict.
#[utoipa::path(
    post, path = "/v1/vehicles/{unit}/what-if", operation_id = "ask_what_if", tag = "Answers",
    params(("unit" = String, Path, description = "its unit number")),
    request_body = WhatIfRequest,
    responses((status = 200, body = WhatIfAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn ask_what_if(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(unit): Segment,
    body: Json<WhatIfRequest>,
) -> Result<axum::Json<WhatIfAnswer>, Problem> {
    let request = body.value;
    let car = visible(&app, &caller, &unit).await?;
    let kind = request.kind.as_deref().map(|text| checked("kind", text, values::kind)).transpose()?;
    let kind = kind.unwrap_or(Kind::FanService);
    let by = request.by.as_deref().map(|text| checked("by", text, values::date)).transpose()?;
    let given = request.distance_unit.as_deref().map(|text| checked("distance_unit", text, values::distance_unit));
    let distance_unit = match given.transpose()? {
        Some(unit) => unit,
        None => super::vehicles::depot_unit(&app, &car).await?,
    };
    let mut wish = WhatIf {
        off_road: times_off_road(&request.off_road)?,
        shifts: request.shifts.as_ref().map(|request| shifts(request, distance_unit)).transpose()?,
        ..WhatIf::default()
    };
    if let Some(code) = &request.depot {
        wish.depot = Some(depot(&app, &caller, code).await?);
    }
    if let Some(code) = &request.rule {
        wish.rule = Some(rule(&app, &caller, code, kind).await?);
    }
    if let Some(patch) = request.rule_change {
        wish.change = changed(patch, distance_unit).map_err(|problem| problem.under("/rule_change"))?;
    }
    let no_rule = || Problem::not_found("service rule for a forecast of", kind.as_str());
    let stands = app.forecast_car(car.id, kind).await?.ok_or_else(no_rule)?;
    let would_be = app.would_be(&stands, wish).await?.ok_or_else(no_rule)?.map_err(untold)?;
    let horizon = app.settings.due.horizon_days;
    let [as_it_stands, would_be] = [stands, would_be].map(|forecast| outcome(&forecast, by, distance_unit, horizon));
    Ok(axum::Json(WhatIfAnswer {
        unit,
        kind: kind.as_str(),
        distance_unit: distance_unit.as_str(),
        moved_days: MovedDays {
            early: moved(as_it_stands.due.early.p50, would_be.due.early.p50),
            late: moved(as_it_stands.due.late.p50, would_be.due.late.p50),
        },
        sentence: moved_words("late", as_it_stands.due.late.p50, would_be.due.late.p50, |day| day.to_string()),
        as_it_stands,
        would_be,
    }))
}
