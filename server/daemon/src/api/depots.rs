//! Depots.

use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::Response;
use chrono::NaiveTime;
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::fleet::{DayHours, Depot, DistanceUnit, OpeningHours, parse_zone};

use super::body::{Json, Params, Segment};
use super::condition::{AsSeen, IdempotencyKey, IfMatch, MayBeRepeated, writing};
use super::key::{Admin, Key, Read};
use super::logs::LONGEST_NAME;
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::shapes::{answer, tagged};
use super::values;
use crate::app::App;
use crate::store::{Answer, DepotChange, DepotRecord};

/// More bays than any shop has.
const MOST_BAYS: u32 = 10_000;

/// Opening hours of a day, local time.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DayTimes {
    /// `HH:MM`.
    #[schema(example = "07:00")]
    opens: String,
    /// `HH:MM`, later than `opens`.
    #[schema(example = "18:00")]
    closes: String,
}

/// Opening hours by weekday; null on a day on which the shop is closed.
#[derive(Clone, Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "the names say it")]
pub struct WeekTimes {
    pub mon: Option<DayTimes>,
    pub tue: Option<DayTimes>,
    pub wed: Option<DayTimes>,
    pub thu: Option<DayTimes>,
    pub fri: Option<DayTimes>,
    pub sat: Option<DayTimes>,
    pub sun: Option<DayTimes>,
}

/// A depot to be added.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"code": "VB", "name": "Veldane Bay", "zone": "America/New_York", "bays": 2, "distance_unit": "mi"}))]
pub struct NewDepot {
    /// The fleet's own short code.
    code: String,
    /// What people call it.
    name: String,
    /// IANA time zone: its local dates are the depot's duty days.
    zone: String,
    /// Bays in which a car can be worked on.
    bays: u32,
    /// `mi` or `km`: the unit in which its distances are shown.
    distance_unit: String,
    /// Opening hours of its shop; Monday to Friday 08:00 to 17:00 when left out.
    opening_hours: Option<WeekTimes>,
}

/// What is changed about a depot; what is left out stays.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DepotPatch {
    /// What people call it.
    name: Option<String>,
    /// IANA time zone.
    zone: Option<String>,
    /// Bays.
    bays: Option<u32>,
    /// `mi` or `km`.
    distance_unit: Option<String>,
    /// Opening hours.
    opening_hours: Option<WeekTimes>,
}

/// A depot.
#[derive(Debug, Serialize, ToSchema)]
pub struct DepotAnswer {
    /// The fleet's own short code.
    code: String,
    /// What people call it.
    name: String,
    /// IANA time zone.
    zone: String,
    /// Bays.
    bays: u32,
    /// `mi` or `km`.
    distance_unit: &'static str,
    /// Opening hours.
    opening_hours: WeekTimes,
    /// Counts its changes; its entity tag.
    version: i64,
}

const MINUTES: &str = "%H:%M";

pub(super) fn week_times(hours: &OpeningHours) -> WeekTimes {
    let [mon, tue, wed, thu, fri, sat, sun] = hours.0.map(|day| {
        day.map(|day| DayTimes {
            opens: day.opens.format(MINUTES).to_string(),
            closes: day.closes.format(MINUTES).to_string(),
        })
    });
    WeekTimes { mon, tue, wed, thu, fri, sat, sun }
}

/// The hours of a week given in the field `field`.
pub(super) fn opening_hours(field: &str, week: WeekTimes) -> Result<OpeningHours, Problem> {
    let days = [
        ("mon", week.mon),
        ("tue", week.tue),
        ("wed", week.wed),
        ("thu", week.thu),
        ("fri", week.fri),
        ("sat", week.sat),
        ("sun", week.sun),
    ];
    let mut hours = OpeningHours::default();
    for (place, (name, day)) in hours.0.iter_mut().zip(days) {
        *place = day.map(|day| day_hours(&format!("/{field}/{name}"), &day)).transpose()?;
    }
    Ok(hours)
}

fn day_hours(day: &str, times: &DayTimes) -> Result<DayHours, Problem> {
    let time = |name: &str, text: &str| {
        NaiveTime::parse_from_str(text, MINUTES).map_err(|_| {
            let pointer = format!("{day}/{name}");
            Problem::body(Fault::field(pointer, Some(text.into()), "give a local time such as 07:30"))
        })
    };
    let (opens, closes) = (time("opens", &times.opens)?, time("closes", &times.closes)?);
    if closes <= opens {
        let pointer = format!("{day}/closes");
        let detail = format!("give a time after {}", times.opens);
        return Err(Problem::body(Fault::field(pointer, Some(times.closes.as_str().into()), detail)));
    }
    Ok(DayHours { opens, closes })
}

/// Monday to Friday, 08:00 to 17:00.
pub(super) fn office_week() -> OpeningHours {
    let day = NaiveTime::from_hms_opt(8, 0, 0)
        .zip(NaiveTime::from_hms_opt(17, 0, 0))
        .map(|(opens, closes)| DayHours { opens, closes });
    OpeningHours([day, day, day, day, day, None, None])
}

fn zone(text: &str) -> Result<Tz, Problem> {
    parse_zone(text).ok_or_else(|| {
        let detail = "give an IANA time zone, such as America/New_York";
        Problem::body(Fault::field("/zone", Some(text.into()), detail))
    })
}

fn bays(count: u32) -> Result<u32, Problem> {
    if count <= MOST_BAYS {
        return Ok(count);
    }
    let detail = format!("give 0 to {MOST_BAYS} bays");
    Err(Problem::body(Fault::field("/bays", Some(count.into()), detail)))
}

fn distance_unit(text: &str) -> Result<DistanceUnit, Problem> {
    values::distance_unit(text)
        .map_err(|reason| Problem::body(Fault::field("/distance_unit", Some(text.into()), reason)))
}

fn name(text: &str) -> Result<String, Problem> {
    values::name(text, 200).map_err(|reason| Problem::body(Fault::field("/name", Some(text.into()), reason)))
}

fn view(record: &DepotRecord) -> DepotAnswer {
    let depot = &record.depot;
    DepotAnswer {
        code: depot.code.clone(),
        name: depot.name.clone(),
        zone: depot.zone.name().to_owned(),
        bays: depot.bays,
        distance_unit: depot.distance_unit.as_str(),
        opening_hours: week_times(&depot.hours),
        version: record.version,
    }
}

/// Which depots are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct DepotQuery {
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// List depots
#[utoipa::path(
    get, path = "/v1/depots", operation_id = "list_depots", tag = "Register", params(DepotQuery),
    responses((status = 200, body = Page<DepotAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_depots(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<DepotQuery>,
) -> Result<Page<DepotAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let after: String = page::place(query.cursor.as_deref())?.unwrap_or_default();
    let mut rows = app.store.depots(&after, caller.actor.key_depots_of(), limit + 1).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| row.depot.code.clone());
    Ok(Page { items: rows.iter().map(view).collect(), next })
}

/// Add a depot
#[utoipa::path(
    post, path = "/v1/depots", operation_id = "add_depot", tag = "Register",
    params(MayBeRepeated),
    request_body = NewDepot,
    responses((status = 201, body = DepotAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn add_depot(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<NewDepot>,
) -> Result<Answer, Problem> {
    if !caller.actor.depots.is_empty() {
        return Err(Problem::forbidden("the key is confined to depots, so it cannot add one"));
    }
    let new = body.value;
    let code = values::name(&new.code, LONGEST_NAME)
        .map_err(|reason| Problem::body(Fault::field("/code", Some(new.code.as_str().into()), reason)))?;
    let depot = Depot {
        code,
        name: name(&new.name)?,
        zone: zone(&new.zone)?,
        bays: bays(new.bays)?,
        hours: new
            .opening_hours
            .map(|week| opening_hours("opening_hours", week))
            .transpose()?
            .unwrap_or_else(office_week),
        distance_unit: distance_unit(&new.distance_unit)?,
    };
    let writing = writing(&app, &caller, key, "depots", &body.bytes);
    Ok(app
        .store
        .add_depot(depot, &writing, |record| answer(StatusCode::CREATED, Some(record.version), &view(record)))
        .await?)
}

/// One depot
#[utoipa::path(
    get, path = "/v1/depots/{code}", operation_id = "get_depot", tag = "Register",
    params(("code" = String, Path, description = "its code")),
    responses((status = 200, body = DepotAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_depot(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(code): Segment,
) -> Result<Response, Problem> {
    let found = app.store.find_depot(&code).await?.filter(|_| caller.actor.may_see(&code));
    let record = found.ok_or_else(|| Problem::not_found("depot", &code))?;
    Ok(tagged(record.version, &view(&record)))
}

/// Change a depot
#[utoipa::path(
    patch, path = "/v1/depots/{code}", operation_id = "change_depot", tag = "Register",
    params(("code" = String, Path, description = "its code"), AsSeen),
    request_body = DepotPatch,
    responses((status = 200, body = DepotAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn change_depot(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(code): Segment,
    IfMatch(if_match): IfMatch,
    body: Json<DepotPatch>,
) -> Result<Answer, Problem> {
    let patch = body.value;
    let change = DepotChange {
        name: patch.name.map(|text| name(&text)).transpose()?,
        zone: patch.zone.map(|text| zone(&text)).transpose()?,
        bays: patch.bays.map(bays).transpose()?,
        hours: patch.opening_hours.map(|week| opening_hours("opening_hours", week)).transpose()?,
        distance_unit: patch.distance_unit.map(|text| distance_unit(&text)).transpose()?,
    };
    let writing = writing(&app, &caller, None, "", &[]);
    let view = |record: &DepotRecord| answer(StatusCode::OK, Some(record.version), &view(record));
    let done = app.store.change_depot(&code, if_match, change, &writing, view).await?;
    app.news.notify_one();
    Ok(done)
}
