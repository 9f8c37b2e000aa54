//! The dispatcher's list of a day.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::body::{Params, Segment};
use super::csv;
use super::key::{Key, Read};
use super::orders::{self, OrderAnswer};
use super::problem::{Fault, Problem};
use super::upcoming::UpcomingItem;
use super::values;
use crate::app::App;

/// Which list is wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct DayListQuery {
    /// Only of this depot.
    depot: Option<String>,
    /// `json` or `csv`; by the Accept header when left out.
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
    /// Open orders whose car is to come in by that day, most urgent first.
    bring_in: Vec<OrderAnswer>,
    /// Cars nobody knows enough about, to be read or inspected: unknown ones, then silent ones.
    look_at: Vec<UpcomingItem>,
}

const HEAD: [&str; 8] = ["date", "what", "unit", "depot", "work_order", "kind", "due_late", "reason"];

/// The dispatcher's list of a day
///
/// Cars to bring in: an order is open, the car is not off the road, and its early edge is reached by then at 50 %.
/// Cars to look at: unknown or silent, whatever the date.
#[utoipa::path(
    get, path = "/v1/day-lists/{date}", operation_id = "get_day_list", tag = "Answers",
    params(("date" = String, Path, description = "local date", format = Date), DayListQuery),
    responses(
        (status = 200, content((DayListAnswer = "application/json"), (String = "text/csv"))),
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
    let as_csv = csv::wanted(query.format.as_deref(), &headers)?;
    let day = values::date(&date).map_err(|reason| Problem::query(Fault::parameter("date", Some(&date), reason)))?;
    if let Some(code) = &query.depot {
        let found = app.store.find_depot(code).await?.filter(|_| caller.actor.may_see(code));
        found.ok_or_else(|| Problem::query(Fault::parameter("depot", Some(code), "there is no such depot")))?;
    }
    let list = app.day_list(day, query.depot.clone(), caller.actor.key_depots_of()).await?;
    let bring_in: Vec<OrderAnswer> = list.bring_in.iter().map(|record| orders::view(record, app.now())).collect();
    let look_at: Vec<UpcomingItem> =
        list.look_at.into_iter().map(|(row, item)| UpcomingItem::of(row, item, None)).collect();
    if as_csv {
        let bring = bring_in.iter().map(|order| order.day_list_cells(day));
        let look = look_at.iter().map(|item| look_cells(day, item));
        return Ok(csv::table(HEAD, bring.chain(look)));
    }
    let answer = DayListAnswer { date: day, depot: query.depot, generated_at: app.now(), bring_in, look_at };
    Ok(axum::Json(answer).into_response())
}

fn look_cells(day: NaiveDate, item: &UpcomingItem) -> [String; 8] {
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
    ]
}

impl OrderAnswer {
    fn day_list_cells(&self, day: NaiveDate) -> [String; 8] {
        [
            day.to_string(),
            "bring-in".to_owned(),
            csv::text(&self.unit),
            csv::text(&self.depot),
            self.number.clone(),
            self.kind.to_owned(),
            csv::maybe(self.due.and_then(|due| due.late.p50)),
            csv::text(&self.reason),
        ]
    }
}
