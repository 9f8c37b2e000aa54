//! What falls due: the manager's and the dispatcher's main question.

use axum::extract::State;
use axum::http::{HeaderMap, Uri};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::fleet::{DistanceUnit, Metres};

use super::body::Params;
use super::csv;
use super::key::{Key, Read};
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::shapes::{Amounts, Dates, Edges, Windows, shown, tenth, thousandth};
use super::values;
use crate::app::App;
use crate::app::item::Item;
use crate::store::{ListFilter, ListPosition, ListRow, StoreError, order_number};

/// Which cars are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct UpcomingQuery {
    /// Only of this depot.
    depot: Option<String>,
    /// Only this job.
    kind: Option<String>,
    /// `unknown`, `before`, `inside` or `past`.
    band: Option<String>,
    /// Only cars whose early edge is reached by this date at 50 %; unknown and silent ones stay in.
    until: Option<String>,
    /// Only this car.
    unit: Option<String>,
    /// Unit for distances; each depot's own when left out.
    distance_unit: Option<String>,
    /// `json` or `csv`; by the Accept header when left out.
    format: Option<String>,
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// When the edges are reached.
#[derive(Clone, Copy, Debug, Serialize, ToSchema)]
pub struct DueDates {
    /// The early edge.
    pub early: Dates,
    /// The late edge.
    pub late: Dates,
}

/// A car and when its service falls due.
#[derive(Debug, Serialize, ToSchema)]
pub struct UpcomingItem {
    /// Unit number.
    pub unit: String,
    /// Depot.
    pub depot: String,
    /// The job.
    pub kind: String,
    /// `unknown`, `before`, `inside` or `past`.
    pub band: String,
    /// `hard` or `ordinary`.
    pub grade: String,
    /// Unit of the distances here.
    pub distance_unit: &'static str,
    /// Meter that comes first: `distance`, `hours` or `days`.
    pub deciding_meter: Option<String>,
    /// `service` (the last one known), `assumed` (the first odometer) or `unknown`.
    pub counts_from: String,
    /// The day from which the interval counts.
    pub counts_since: Option<NaiveDate>,
    /// Distance, hours and days since then; distance and hours by the last reading.
    pub since_service: Amounts,
    /// The window by meter.
    pub window: Windows,
    /// 10, 50 and 90 % dates of both edges; null where not within the horizon.
    pub due: DueDates,
    /// Why a date is null.
    pub no_date_because: Option<String>,
    /// Chance of having run past the late edge by `chance_by`.
    pub chance_past_late: Option<f64>,
    /// Today and the rule's lead time.
    pub chance_by: NaiveDate,
    /// Last believed reading.
    pub last_reading_at: Option<DateTime<Utc>>,
    /// Days since it.
    pub silent_days: i64,
    /// Whether the car's feed has gone silent.
    pub silent: bool,
    /// Whether the car is off the road today.
    pub off_road: bool,
    /// Number of the open work order.
    pub work_order: Option<String>,
    /// What should be known about how this came about.
    pub notes: Vec<String>,
}

/// The unit a query asks for.
pub(super) fn unit_asked(text: Option<&str>) -> Result<Option<DistanceUnit>, Problem> {
    let read = |text: &str| {
        values::distance_unit(text)
            .map_err(|reason| Problem::query(Fault::parameter("distance_unit", Some(text), reason)))
    };
    text.map(read).transpose()
}

/// The stored item of a row.
pub(super) fn stored_item(text: &str) -> Result<Item, Problem> {
    serde_json::from_str(text)
        .map_err(|fault| StoreError::BadRow { column: "forecasts.item", value: fault.to_string() }.into())
}

impl UpcomingItem {
    /// The item in the unit asked for.
    pub(super) fn of(row: ListRow, item: Item, unit: Option<DistanceUnit>) -> Self {
        let unit = unit.unwrap_or_else(|| item.unit());
        let distance = |metres: i64| shown(Metres(metres), unit);
        Self {
            unit: row.unit,
            depot: row.depot,
            kind: item.kind,
            band: item.band,
            grade: item.grade,
            distance_unit: unit.as_str(),
            deciding_meter: item.deciding_meter,
            counts_from: item.counts_from,
            counts_since: item.counts_since,
            since_service: Amounts {
                distance: item.since_metres.map(distance),
                hours: item.since_hours.map(tenth),
                days: item.since_days,
            },
            window: Windows {
                distance: item.distance.map(|(early, late)| Edges { early: distance(early), late: distance(late) }),
                hours: item.hours.map(|(early, late)| Edges { early, late }),
                days: item.days.map(|(early, late)| Edges { early: early as f64, late: late as f64 }),
            },
            due: DueDates { early: item.early.into(), late: item.late.into() },
            no_date_because: item.no_date_because,
            chance_past_late: item.chance_past_late.map(thousandth),
            chance_by: item.chance_by,
            last_reading_at: item.last_reading_at,
            silent_days: item.silent_days,
            silent: item.silent,
            off_road: item.off_road,
            work_order: row.work_order_id.map(order_number),
            notes: item.notes,
        }
    }

    fn cells(self) -> [String; 20] {
        [
            csv::text(&self.unit),
            csv::text(&self.depot),
            self.kind,
            self.band,
            self.grade,
            self.distance_unit.to_owned(),
            csv::maybe(self.deciding_meter),
            csv::maybe(self.since_service.distance),
            csv::maybe(self.window.distance.map(|edges| edges.early)),
            csv::maybe(self.window.distance.map(|edges| edges.late)),
            csv::maybe(self.due.early.p10),
            csv::maybe(self.due.early.p50),
            csv::maybe(self.due.early.p90),
            csv::maybe(self.due.late.p10),
            csv::maybe(self.due.late.p50),
            csv::maybe(self.due.late.p90),
            csv::maybe(self.chance_past_late),
            csv::maybe(self.last_reading_at.map(|at| at.to_rfc3339())),
            self.silent_days.to_string(),
            csv::maybe(self.work_order),
        ]
    }
}

const HEAD: [&str; 20] = [
    "unit",
    "depot",
    "kind",
    "band",
    "grade",
    "distance_unit",
    "deciding_meter",
    "distance_since_service",
    "window_early",
    "window_late",
    "early_p10",
    "early_p50",
    "early_p90",
    "late_p10",
    "late_p50",
    "late_p90",
    "chance_past_late",
    "last_reading_at",
    "silent_days",
    "work_order",
];

const BANDS: [&str; 4] = ["unknown", "before", "inside", "past"];

fn band(text: Option<String>) -> Result<Option<String>, Problem> {
    match text {
        Some(text) if !BANDS.contains(&text.as_str()) => {
            let detail = format!("give one of {}", BANDS.join(", "));
            Err(Problem::query(Fault::parameter("band", Some(&text), detail)))
        }
        other => Ok(other),
    }
}

/// A query parameter read into a value.
pub(super) fn parameter<T>(
    name: &str,
    text: Option<&str>,
    read: impl Fn(&str) -> Result<T, String>,
) -> Result<Option<T>, Problem> {
    text.map(|text| read(text).map_err(|reason| Problem::query(Fault::parameter(name, Some(text), reason)))).transpose()
}

/// What falls due
///
/// Cars that nobody watches come first: unknown ones, then silent ones; the rest by the date on which the late edge
/// is reached at 50 %.
#[utoipa::path(
    get, path = "/v1/upcoming", operation_id = "list_upcoming", tag = "Answers", params(UpcomingQuery),
    responses(
        (status = 200, content((Page<UpcomingItem> = "application/json"), (String = "text/csv"))),
        Problem
    ),
    security(("key" = ["read"]))
)]
pub(super) async fn list_upcoming(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    headers: HeaderMap,
    Params(query): Params<UpcomingQuery>,
) -> Result<Response, Problem> {
    let as_csv = csv::wanted(query.format.as_deref(), &headers)?;
    let limit = page::limit(&app, query.limit)?;
    let unit = unit_asked(query.distance_unit.as_deref())?;
    type Place = (i64, i64, i64, String);
    let after: Option<Place> = page::place(query.cursor.as_deref())?;
    let filter = ListFilter {
        depot: query.depot,
        kind: parameter("kind", query.kind.as_deref(), values::kind)?,
        band: band(query.band)?,
        until: parameter("until", query.until.as_deref(), values::date)?,
        unit: query.unit,
        unit_has: None,
        after: after.map(|(rank, due_day, vehicle_id, kind)| ListPosition { rank, due_day, vehicle_id, kind }),
        key_depots_of: caller.actor.key_depots_of(),
        limit: limit + 1,
    };
    let mut rows = app.store.list_forecasts(&filter).await?;
    let place = |row: &ListRow| {
        let at = &row.position;
        (at.rank, at.due_day, at.vehicle_id, at.kind.clone())
    };
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), place);
    let mut items = Vec::with_capacity(rows.len());
    for row in rows {
        let item = stored_item(&row.item)?;
        items.push(UpcomingItem::of(row, item, unit));
    }
    if as_csv {
        let response = csv::table(HEAD, items.into_iter().map(UpcomingItem::cells));
        return Ok(page::with_link(response, next.as_deref()));
    }
    Ok(Page { items, next }.into_response())
}
