//! The dispatcher's list of a day.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::body::{Params, Segment};
use super::calendars::as_calendar;
use super::csv;
use super::ical;
use super::key::{Key, Read};
use super::orders::{self, OrderAnswer, StopNoticeAnswer, stop_view};
use super::problem::{Fault, Problem};
use super::upcoming::UpcomingItem;
use super::values;
use crate::app::App;
use crate::app::day_list::DaySpan;
use crate::app::stops::Stop;
use crate::store::{AwayRecord, StopCodes};

/// Which list is wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct DayListQuery {
    /// Only of this depot.
    depot: Option<String>,
    /// `json`, `csv` or `ics` (iCalendar); by the Accept header when left out.
    format: Option<String>,
}

/// A depot's list of one day.
#[derive(Debug, Serialize, ToSchema)]
pub struct DayListAnswer {
    /// The day.
    date: NaiveDate,
    /// The depot; null for all the key may see.
    depot: Option<String>,
    /// When the list was made.
    generated_at: DateTime<Utc>,
    /// Cars to be stopped at once.
    stop_notices: Vec<StoppedCar>,
    /// Open orders planned for the day, by time and bay.
    slots: Vec<OrderAnswer>,
    /// Open orders whose car is to come in by that day, most urgent first.
    bring_in: Vec<OrderAnswer>,
    /// Cars nobody knows enough about, to be read or inspected: unknown ones, then silent ones.
    look_at: Vec<UpcomingItem>,
    /// Cars off the road that day.
    off_road: Vec<CarAway>,
}

/// A car to be stopped at once.
#[derive(Debug, Serialize, ToSchema)]
pub struct StoppedCar {
    /// Unit number.
    unit: String,
    /// Depot.
    depot: String,
    /// The codes and what to do.
    notices: Vec<StopNoticeAnswer>,
}

/// A car off the road.
#[derive(Debug, Serialize, ToSchema)]
pub struct CarAway {
    /// Unit number.
    unit: String,
    /// Depot.
    depot: String,
    /// Since when.
    since: NaiveDate,
    /// First day back; null when it is not known.
    back_on: Option<NaiveDate>,
    /// Why.
    reason: String,
    /// Whether only a named key may bring it back.
    safety_hold: bool,
}

pub(super) fn away_view(record: AwayRecord) -> CarAway {
    let off = record.time.off_road;
    CarAway {
        unit: record.unit,
        depot: record.depot,
        since: off.from,
        back_on: off.to.and_then(|to| to.succ_opt()).filter(|_| !off.safety_hold),
        reason: off.reason,
        safety_hold: off.safety_hold,
    }
}

fn ical_wanted(format: Option<&str>, headers: &HeaderMap) -> Result<bool, Problem> {
    match format {
        Some("json" | "csv") => Ok(false),
        Some("ics") => Ok(true),
        Some(other) => Err(Problem::query(Fault::parameter("format", Some(other), "give json, csv or ics"))),
        None => Ok(csv::accepts(headers, "text/calendar")),
    }
}

fn stopped((car, stops): &(StopCodes, Vec<Stop>)) -> StoppedCar {
    StoppedCar { unit: car.unit.clone(), depot: car.depot.clone(), notices: stops.iter().map(stop_view).collect() }
}

const HEAD: [&str; 9] = ["date", "what", "unit", "depot", "work_order", "kind", "due_late", "reason", "expected_back"];

/// The dispatcher's list of a day
///
/// Cars to be stopped at once come first. Slots: what is planned for the day. Cars to bring in: an order is open, the car is not off the road, and its early edge is reached by then at 50 %.
/// Cars to look at: unknown or silent, whatever the date.
#[utoipa::path(
    get, path = "/v1/day-lists/{date}", operation_id = "get_day_list", tag = "Answers",
    params(("date" = String, Path, description = "local date", format = Date), DayListQuery),
    responses(
        (status = 200, content((DayListAnswer = "application/json"), (String = "text/csv"), (String = "text/calendar"))),
        Problem
    ),
    security(("key" = ["read"]))
)]
pub(super) async fn get_day_list(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(date): Segment,
    headers: HeaderMap,
    Params(query): Params<DayListQuery>,
) -> Result<Response, Problem> {
    let as_ical = ical_wanted(query.format.as_deref(), &headers)?;
    let as_csv = !as_ical && csv::wanted(query.format.as_deref(), &headers)?;
    let day = values::date(&date).map_err(|reason| Problem::query(Fault::parameter("date", Some(&date), reason)))?;
    if let Some(code) = &query.depot {
        let found = app.store.find_depot(code).await?.filter(|_| caller.actor.may_see(code));
        found.ok_or_else(|| Problem::query(Fault::parameter("depot", Some(code), "there is no such depot")))?;
    }
    let list = app.day_list(&DaySpan::of(day), query.depot.clone(), caller.actor.key_depots_of()).await?;
    if as_ical {
        let name = query.depot.unwrap_or_else(|| "all depots".to_owned());
        return Ok(as_calendar(ical::calendar(&format!("{name} {day}"), &list, app.now())));
    }
    let stop_notices: Vec<StoppedCar> = list.stops.iter().map(stopped).collect();
    let slots: Vec<OrderAnswer> = list.slots.iter().map(|record| orders::view(record, &app, app.now())).collect();
    let off_road: Vec<CarAway> = list.away.into_iter().map(away_view).collect();
    let bring_in: Vec<OrderAnswer> = list.bring_in.iter().map(|record| orders::view(record, &app, app.now())).collect();
    let look_at: Vec<UpcomingItem> =
        list.look_at.into_iter().map(|(row, item)| UpcomingItem::of(row, item, None)).collect();
    if as_csv {
        let stop = stop_notices.iter().map(|car| car.cells(day));
        let slot = slots.iter().map(|order| order.day_list_cells(day, "slot"));
        let bring = bring_in.iter().map(|order| order.day_list_cells(day, "bring-in"));
        let look = look_at.iter().map(|item| look_cells(day, item));
        let away = off_road.iter().map(|car| car.cells(day));
        return Ok(csv::table(HEAD, stop.chain(slot).chain(bring).chain(look).chain(away)));
    }
    let answer = DayListAnswer {
        date: day,
        depot: query.depot,
        generated_at: app.now(),
        stop_notices,
        slots,
        bring_in,
        look_at,
        off_road,
    };
    Ok(axum::Json(answer).into_response())
}

fn look_cells(day: NaiveDate, item: &UpcomingItem) -> [String; 9] {
    let reason = if item.band == "unknown" { "unknown: inspect or read" } else { "silent: read the odometer" };
    [
        day.to_string(),
        "look-at".to_owned(),
        csv::text(&item.unit),
        csv::text(&item.depot),
        csv::maybe(item.work_order.as_ref()),
        item.kind.clone(),
        csv::maybe(item.due.late.p50),
        reason.to_owned(),
        String::new(),
    ]
}

impl StoppedCar {
    fn cells(&self, day: NaiveDate) -> [String; 9] {
        let says: Vec<String> = self.notices.iter().map(|notice| format!("{}: {}", notice.code, notice.does)).collect();
        let (unit, depot) = (csv::text(&self.unit), csv::text(&self.depot));
        let none = String::new;
        [day.to_string(), "stop".to_owned(), unit, depot, none(), none(), none(), says.join("; "), none()]
    }
}

impl CarAway {
    pub(super) fn report_cells(&self) -> [String; 6] {
        let (unit, depot, reason) = (csv::text(&self.unit), csv::text(&self.depot), csv::text(&self.reason));
        [unit, depot, self.since.to_string(), csv::maybe(self.back_on), reason, self.safety_hold.to_string()]
    }

    fn cells(&self, day: NaiveDate) -> [String; 9] {
        let (unit, depot, reason) = (csv::text(&self.unit), csv::text(&self.depot), csv::text(&self.reason));
        let (none, back) = (String::new, csv::maybe(self.back_on));
        [day.to_string(), "off-road".to_owned(), unit, depot, none(), none(), none(), reason, back]
    }
}

impl OrderAnswer {
    fn day_list_cells(&self, day: NaiveDate, what: &str) -> [String; 9] {
        [
            day.to_string(),
            what.to_owned(),
            csv::text(&self.unit),
            csv::text(&self.depot),
            self.number.clone(),
            self.kind.to_owned(),
            csv::maybe(self.due.and_then(|due| due.late.p50)),
            csv::text(&self.reason),
            csv::maybe(self.expected_back.map(|at| at.to_rfc3339())),
        ]
    }
}
