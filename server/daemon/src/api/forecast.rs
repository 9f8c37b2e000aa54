//! One car's forecast with every number that led to it, and its duty days.

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::duty::DutyDay;
use ventmile_model::fleet::{DistanceUnit, Grade, Kind, Metres, day_start};
use ventmile_model::track::{Judged, Verdict, suspect_sources};

use super::body::{Params, Segment};
use super::grading::{DutyAnswer, duty_answer};
use super::key::{Key, Read};
use super::logs::ruling_name;
use super::problem::Problem;
use super::rules::shown_windows;
use super::shapes::{Amounts, Dates, Windows, shown, tenth, thousandth};
use super::upcoming::{DueDates, parameter, unit_asked};
use super::values;
use crate::app::App;
use crate::app::assess::{Ahead, Assessment, CountsFrom, sentence, source_name};
use crate::app::forecasts::CarForecast;
use crate::app::item::Item;
use crate::app::limits::duty_settings;
use crate::config::Settings;

/// What is asked about the forecast.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct ForecastQuery {
    /// The job; `fan-service` when left out.
    kind: Option<String>,
    /// Chance of having run past the late edge by this day; the end of the lead time when left out.
    by: Option<String>,
    /// Unit for distances; the depot's own when left out.
    distance_unit: Option<String>,
}

/// What the interval counts from.
#[derive(Debug, Serialize, ToSchema)]
pub struct CountsFromAnswer {
    /// `service`, `assumed` or `unknown`.
    basis: &'static str,
    /// The day.
    on: Option<NaiveDate>,
    /// The odometer written down then.
    odometer: Option<f64>,
}

/// A reading with its verdict.
#[derive(Debug, Serialize, ToSchema)]
pub struct JudgedReading {
    /// When it was read.
    at: DateTime<Utc>,
    /// What it showed.
    odometer: f64,
    /// Who sent it.
    source: String,
    /// `kept`, `double` (kept, and sent before), `new-cluster` (kept, and the first of a new count) or `set-aside`.
    verdict: &'static str,
    /// Why it was set aside.
    reason: Option<&'static str>,
    /// The reason in words.
    explanation: Option<&'static str>,
    /// A person's ruling.
    ruling: Option<&'static str>,
}

/// A source that seems to send a wrong unit.
#[derive(Debug, Serialize, ToSchema)]
pub struct SuspectSource {
    /// Its name.
    source: String,
    /// What it seems to do, such as `km-as-miles`.
    suspicion: &'static str,
    /// In words.
    explanation: &'static str,
}

/// A newest reading that no later one has confirmed.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProvisionalAnswer {
    /// When it was read.
    at: DateTime<Utc>,
    /// What it showed.
    odometer: f64,
    /// Who sent it.
    source: String,
    /// Days by which it moves the 50 % date of the late edge; less than 0 is earlier, null where there was no date
    /// before it or is none since.
    moved_days: Option<i64>,
}

/// The track: which readings are believed.
#[derive(Debug, Serialize, ToSchema)]
pub struct TrackAnswer {
    /// Readings in all, those written down at services and at the start among them.
    readings: usize,
    /// Readings believed.
    kept: usize,
    /// Readings set aside, with the reason, newest first.
    set_aside: Vec<JudgedReading>,
    /// Sources all of whose readings seem to be in a wrong unit, against the others.
    suspect_sources: Vec<SuspectSource>,
    /// The newest reading, where it alone moves the due date by more than 14 days: the date is provisional.
    provisional: Option<ProvisionalAnswer>,
    /// Changes of the instrument cluster.
    cluster_changes: Vec<JudgedReading>,
    /// First reading believed.
    first: Option<JudgedReading>,
    /// Last reading believed.
    last: Option<JudgedReading>,
}

/// How far the car goes in a day: a stated model.
#[derive(Debug, Serialize, ToSchema)]
pub struct UsageAnswer {
    /// `own` (its own readings), `changed` (its own before a move to another depot and the mean of that depot to equal
    /// parts, its own days since drawn towards them), `depot` (the mean of its depot) or `assumed` (a setting).
    basis: &'static str,
    /// Day of the first reading used.
    from: Option<NaiveDate>,
    /// Day of the last reading used.
    to: Option<NaiveDate>,
    /// Days on the road between them, days off included.
    days_counted: i64,
    /// Distance a day, the median over the next sixty days on the road.
    distance_per_day: f64,
    /// Duty hours a day, likewise.
    hours_per_day: f64,
    /// `a` of the model: the car's own long-run distance a day, older days counting half after a year each; null where it
    /// has no history of its own.
    long_run_per_day: Option<f64>,
    /// `r`: the logarithm of the recent distance a day, its days counting half after sixty, over the long-run one.
    recent_change: Option<f64>,
    /// `v`: half the relative standard deviation of a day, by whole weeks.
    noise: Option<f64>,
    /// `i`: the logarithm of the longest idle spell in days and one, older ones fading, less 2.
    idle: Option<f64>,
    /// `b0` to `b3` for the distance: of the days to an edge at 10, 50 and 90 % chance.
    lines: [[f64; 4]; 3],
    /// What each weekday brings of the distance beside the mean day, Monday to Sunday, with mean 1; 0 where the car is
    /// practically never driven. Short or uneven histories are drawn towards 1.
    weekdays: [f64; 7],
    /// The same of the duty hours.
    weekdays_hours: [f64; 7],
    /// The model in words.
    model: &'static str,
}

const MODEL: &str = "the distance of n days on the road is, in its 90, 50 and 10 % quantiles, a n exp(b0 + b1 r + b2 v \
    sqrt(60/n) + b3 i), with the car's own a, r, v and i and, for each quantile, b0 to b3 as learned from the fleet's past; \
    the edge at a distance D is reached within n days with the chance that n days bring at least D; each day on the road \
    counts as its weekday does beside the mean day; a history of less \
    than 45 days is drawn towards the rate of the depot";

/// The rule that applies.
#[derive(Debug, Serialize, ToSchema)]
pub struct RuleUsed {
    /// Its code.
    code: String,
    /// `strict` or `blended`.
    mixed: &'static str,
    /// Lead time in days.
    lead_days: i64,
    /// The windows that apply to this car as it is driven, counted from the service.
    window: Windows,
    /// Whether the hard window applies for want of an ordinary one.
    hard_for_want_of_ordinary: bool,
}

/// Dates of one meter.
#[derive(Debug, Serialize, ToSchema)]
pub struct MeterDates {
    /// `distance`, `hours` or `days`.
    meter: &'static str,
    /// When its edges are reached.
    due: DueDates,
}

/// How a car is used from a told day on.
#[derive(Debug, Serialize, ToSchema)]
pub struct AheadAnswer {
    /// The first day of it.
    from: NaiveDate,
    /// What is told: where the distance a day comes from.
    because: String,
    /// The grade that decides from then on.
    grade: &'static str,
    /// Distance a day, the median over sixty days on the road.
    distance_per_day: f64,
    /// Duty hours a day, likewise.
    hours_per_day: f64,
    /// Windows that apply from then on, counted from the service; null where there is nothing to count from.
    window: Option<Windows>,
}

fn ahead(assessment: &Assessment, unit: DistanceUnit) -> Vec<AheadAnswer> {
    let mut phases = assessment.interval.iter().flat_map(|interval| &interval.phases);
    let view = |ahead: &Ahead| AheadAnswer {
        from: ahead.from,
        because: ahead.words.clone(),
        grade: ahead.grade.as_str(),
        distance_per_day: tenth(ahead.usage.metres_per_day / unit.metres()),
        hours_per_day: thousandth(ahead.usage.hours_per_day),
        window: phases.next().map(|phase| shown_windows(&phase.windows, unit)),
    };
    assessment.ahead.iter().map(view).collect()
}

/// A car's forecast with every number that led to it.
#[derive(Debug, Serialize, ToSchema)]
pub struct ForecastAnswer {
    /// Unit number.
    unit: String,
    /// Depot.
    depot: String,
    /// The job.
    kind: &'static str,
    /// Local day for which it was made.
    today: NaiveDate,
    /// The depot's zone.
    zone: &'static str,
    /// Unit of the distances here.
    distance_unit: &'static str,
    /// `unknown`, `before`, `inside` or `past`.
    band: &'static str,
    /// `hard` or `ordinary`.
    grade: &'static str,
    /// Meter that comes first.
    deciding_meter: Option<&'static str>,
    /// 10, 50 and 90 % dates of both edges.
    due: DueDates,
    /// The same by meter.
    by_meter: Vec<MeterDates>,
    /// How long the car will be inside its window: days from the median of the early edge to that of the late one; null
    /// where either has no date.
    inside_days: Option<i64>,
    /// Why a date is null.
    no_date_because: Option<String>,
    /// Chance of having run past the late edge by `chance_by`.
    chance_past_late: Option<f64>,
    /// The day asked about.
    chance_by: NaiveDate,
    /// In one sentence, to be checked with a pocket calculator.
    sentence: String,
    /// What is told of the days after its last reading, by other shifts, their end and moves.
    ahead: Vec<AheadAnswer>,
    /// What the interval counts from.
    counts_from: CountsFromAnswer,
    /// Distance, hours and days since then; distance and hours by the last reading.
    since_service: Amounts,
    /// Median distance since then by the end of today.
    expected_today: Option<f64>,
    /// The rule that applies.
    rule: RuleUsed,
    /// How hard the car is driven.
    duty: DutyAnswer,
    /// How far it goes in a day.
    usage: UsageAnswer,
    /// Which readings are believed.
    track: TrackAnswer,
    /// Last believed reading.
    last_reading_at: Option<DateTime<Utc>>,
    /// Days since it.
    silent_days: i64,
    /// Whether the car's feed has gone silent.
    silent: bool,
    /// Whether the car is off the road today.
    off_road: bool,
    /// Why a work order is called for.
    raise_reason: Option<String>,
    /// What should be known about how this came about.
    notes: Vec<String>,
}

/// Names of sources by number.
type Sources = std::collections::HashMap<i64, String>;

fn judged(judged: &Judged, unit: DistanceUnit, sources: &Sources) -> JudgedReading {
    let reading = &judged.reading;
    let (verdict, reason) = match judged.verdict {
        Verdict::Kept => ("kept", None),
        Verdict::Double => ("double", None),
        Verdict::NewCluster => ("new-cluster", None),
        Verdict::SetAside(reason) => ("set-aside", Some(reason)),
    };
    let source = source_name(reading.source, sources);
    JudgedReading {
        at: reading.at,
        odometer: shown(reading.odometer, unit),
        source,
        verdict,
        reason: reason.map(|reason| reason.as_str()),
        explanation: reason.map(|reason| reason.explain()),
        ruling: reading.ruling.map(ruling_name),
    }
}

fn track(assessment: &Assessment, unit: DistanceUnit, sources: &Sources) -> TrackAnswer {
    let all = &assessment.track.judged;
    let view = |one: &Judged| judged(one, unit, sources);
    TrackAnswer {
        readings: all.len(),
        kept: assessment.track.kept().count(),
        set_aside: all.iter().rev().filter(|one| !one.verdict.is_kept()).map(view).collect(),
        suspect_sources: suspect_sources(&assessment.track)
            .iter()
            .map(|(source, suspicion)| SuspectSource {
                source: source_name(*source, sources),
                suspicion: suspicion.as_str(),
                explanation: suspicion.explain(),
            })
            .collect(),
        provisional: assessment.provisional.map(|newest| ProvisionalAnswer {
            at: newest.reading.at,
            odometer: shown(newest.reading.odometer, unit),
            source: source_name(newest.reading.source, sources),
            moved_days: newest.moved_days,
        }),
        cluster_changes: all.iter().filter(|one| one.verdict == Verdict::NewCluster).map(view).collect(),
        first: assessment.track.first().map(view),
        last: assessment.track.last().map(view),
    }
}

fn usage(assessment: &Assessment, unit: DistanceUnit) -> UsageAnswer {
    let usage = &assessment.usage;
    let known = usage.metres_known.map(|known| known.features);
    UsageAnswer {
        basis: usage.basis.as_str(),
        from: usage.from,
        to: usage.to,
        days_counted: usage.days_counted,
        distance_per_day: tenth(usage.metres_per_day / unit.metres()),
        hours_per_day: thousandth(usage.hours_per_day),
        long_run_per_day: known.map(|known| tenth(known.level / unit.metres())),
        recent_change: known.map(|known| thousandth(known.change)),
        noise: known.map(|known| thousandth(known.noise)),
        idle: known.map(|known| thousandth(known.idle)),
        lines: usage.fits.metres.lines.map(|line| line.map(thousandth)),
        weekdays: usage.metres_week.weights().map(thousandth),
        weekdays_hours: usage.hours_week.weights().map(thousandth),
        model: MODEL,
    }
}

fn counts_from(assessment: &Assessment, unit: DistanceUnit) -> CountsFromAnswer {
    match &assessment.counts_from {
        CountsFrom::Service { on, odometer, .. } => {
            CountsFromAnswer { basis: "service", on: Some(*on), odometer: odometer.map(|metres| shown(metres, unit)) }
        }
        CountsFrom::Assumed { on, odometer } => {
            CountsFromAnswer { basis: "assumed", on: Some(*on), odometer: Some(shown(*odometer, unit)) }
        }
        CountsFrom::Unknown { .. } => CountsFromAnswer { basis: "unknown", on: None, odometer: None },
    }
}

/// The whole answer.
fn view(
    forecast: &CarForecast,
    by: Option<NaiveDate>,
    unit: DistanceUnit,
    sources: &Sources,
    settings: &Settings,
) -> ForecastAnswer {
    let assessment = &forecast.assessment;
    let rule = &forecast.rule;
    let item = Item::of(assessment, rule.kind, unit, settings.due.horizon_days);
    let interval = assessment.interval.as_ref();
    let due = interval.map(|interval| &interval.due);
    let chance_by = by.unwrap_or(assessment.lead_ends);
    let windows = interval.map_or(*rule.rule.windows(assessment.grading.grade), |interval| interval.windows);
    let meter_dates = |(meter, dates): &(ventmile_model::fleet::Meter, ventmile_model::due::EdgeDates)| MeterDates {
        meter: meter.as_str(),
        due: DueDates { early: dates.early.into(), late: dates.late.into() },
    };
    ForecastAnswer {
        unit: forecast.logs.unit.clone(),
        depot: forecast.logs.depot.clone(),
        kind: rule.kind.as_str(),
        today: assessment.today,
        zone: forecast.logs.zone.name(),
        distance_unit: unit.as_str(),
        band: assessment.band().as_str(),
        grade: assessment.grading.grade.as_str(),
        deciding_meter: due.map(|due| due.deciding_meter.as_str()),
        due: DueDates { early: Dates::from(item.early), late: Dates::from(item.late) },
        by_meter: due.map(|due| due.by_meter.iter().map(meter_dates).collect()).unwrap_or_default(),
        inside_days: due.and_then(|due| due.inside_days),
        no_date_because: item.no_date_because,
        chance_past_late: due.map(|due| thousandth(due.chance_past_late(chance_by))),
        chance_by,
        sentence: sentence(assessment, unit),
        ahead: ahead(assessment, unit),
        counts_from: counts_from(assessment, unit),
        since_service: Amounts {
            distance: item.since_metres.map(|metres| shown(Metres(metres), unit)),
            hours: item.since_hours.map(tenth),
            days: item.since_days,
        },
        expected_today: due.map(|due| shown(due.expected_today, unit)),
        rule: RuleUsed {
            code: rule.code.clone(),
            mixed: rule.rule.mixed.as_str(),
            lead_days: rule.rule.lead_days,
            window: shown_windows(&windows, unit),
            hard_for_want_of_ordinary: rule.rule.ordinary.is_none() && assessment.grading.grade == Grade::Ordinary,
        },
        duty: duty_answer(&assessment.grading, rule.rule.mixed, &duty_settings(settings)),
        usage: usage(assessment, unit),
        track: track(assessment, unit, sources),
        last_reading_at: assessment.last_reading_at,
        silent_days: assessment.silent_days,
        silent: assessment.silent,
        off_road: assessment.off_road_today,
        raise_reason: assessment.raise_reason.clone(),
        notes: assessment.notes.clone(),
    }
}

/// One car's forecast, explained
///
/// Computed from what is stored now, with every number that led to the date: the window, what the interval counts
/// from, the duty with its evidence, the daily rate, and the readings set aside with the reason.
#[utoipa::path(
    get, path = "/v1/vehicles/{unit}/forecast", operation_id = "get_forecast", tag = "Answers",
    params(("unit" = String, Path, description = "its unit number"), ForecastQuery),
    responses((status = 200, body = ForecastAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_forecast(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(unit): Segment,
    Params(query): Params<ForecastQuery>,
) -> Result<Response, Problem> {
    let car = super::vehicles::visible(&app, &caller, &unit).await?;
    let kind = parameter("kind", query.kind.as_deref(), values::kind)?.unwrap_or(Kind::FanService);
    let by = parameter("by", query.by.as_deref(), values::date)?;
    let distance_unit = unit_asked(query.distance_unit.as_deref())?;
    let forecast = app
        .forecast_car(car.id, kind)
        .await?
        .ok_or_else(|| Problem::not_found("service rule for a forecast of", kind.as_str()))?;
    let distance_unit = distance_unit.unwrap_or(forecast.logs.distance_unit);
    let sources = app.store.source_names().await?;
    Ok(axum::Json(view(&forecast, by, distance_unit, &sources, &app.settings)).into_response())
}

/// Which days are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct DaysQuery {
    /// First local day.
    from: Option<String>,
    /// Last local day.
    to: Option<String>,
    /// Unit for distances; the depot's own when left out.
    distance_unit: Option<String>,
}

/// A local day of a car.
#[derive(Debug, Serialize, ToSchema)]
pub struct DayAnswer {
    /// The date.
    date: NaiveDate,
    /// Duty hours.
    hours: f64,
    /// Trips by the duty logs.
    trips: u32,
    /// Trips by the seat logs.
    seat_trips: u32,
    /// Those on which the rear seat was taken.
    rear_trips: u32,
    /// Whether it was driven.
    driven: bool,
    /// Whether it is told to be off the road.
    off_road: bool,
}

/// A car's days and what they add up to.
#[derive(Debug, Serialize, ToSchema)]
pub struct DaysAnswer {
    /// Unit number.
    unit: String,
    /// Days with a duty or seat log, in order.
    days: Vec<DayAnswer>,
    /// Days driven.
    days_driven: u32,
    /// Duty hours in all.
    hours: f64,
    /// Trips in all.
    trips: u64,
    /// Distance travelled by the believed readings from the first to the last of these days; null where they do not
    /// reach.
    distance: Option<f64>,
    /// Unit of the distance.
    distance_unit: &'static str,
}

fn day(date: NaiveDate, day: &DutyDay, forecast: &CarForecast) -> DayAnswer {
    DayAnswer {
        date,
        hours: thousandth(day.hours),
        trips: day.trips,
        seat_trips: day.seat_trips,
        rear_trips: day.rear_trips,
        driven: day.driven,
        off_road: forecast.logs.off_road.iter().any(|off| off.covers(date)),
    }
}

/// Distance between the start of the first and the end of the last day, as far as believed readings reach.
fn travelled(forecast: &CarForecast, from: Option<NaiveDate>, to: Option<NaiveDate>) -> Option<Metres> {
    let track = &forecast.assessment.track;
    let zone = forecast.logs.zone;
    let (first, last) = (track.first()?, track.last()?);
    let begin = from.map_or(first.reading.at, |day| day_start(day, zone)).max(first.reading.at);
    let next = to.and_then(|day| day.succ_opt());
    let end = next.map_or(last.reading.at, |day| day_start(day, zone)).min(last.reading.at);
    Some(track.travelled_at(end)? - track.travelled_at(begin)?)
}

/// A car's duty, day by day
#[utoipa::path(
    get, path = "/v1/vehicles/{unit}/duty-days", operation_id = "list_duty_days", tag = "Answers",
    params(("unit" = String, Path, description = "its unit number"), DaysQuery),
    responses((status = 200, body = DaysAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_duty_days(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(unit): Segment,
    Params(query): Params<DaysQuery>,
) -> Result<Response, Problem> {
    let car = super::vehicles::visible(&app, &caller, &unit).await?;
    let from = parameter("from", query.from.as_deref(), values::date)?;
    let to = parameter("to", query.to.as_deref(), values::date)?;
    let distance_unit = unit_asked(query.distance_unit.as_deref())?;
    let forecast = app
        .forecast_car(car.id, Kind::FanService)
        .await?
        .ok_or_else(|| Problem::not_found("service rule for", Kind::FanService.as_str()))?;
    let distance_unit = distance_unit.unwrap_or(forecast.logs.distance_unit);
    let within = |date: NaiveDate| from.is_none_or(|from| from <= date) && to.is_none_or(|to| date <= to);
    let chosen = || forecast.assessment.days.iter().filter(|(date, _)| within(**date));
    let days: Vec<DayAnswer> = chosen().map(|(date, duty)| day(*date, duty, &forecast)).collect();
    let answer = DaysAnswer {
        unit,
        days_driven: days.iter().map(|day| u32::from(day.driven)).sum(),
        hours: thousandth(chosen().map(|(_, duty)| duty.hours).sum()),
        trips: days.iter().map(|day| u64::from(day.trips)).sum(),
        distance: travelled(&forecast, from, to).map(|metres| shown(metres, distance_unit)),
        distance_unit: distance_unit.as_str(),
        days,
    };
    Ok(axum::Json(answer).into_response())
}
