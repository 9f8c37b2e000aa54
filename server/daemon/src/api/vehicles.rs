//! Vehicles: registered, changed, moved, retired, off the road and back.

use axum::extract::{Request, State};
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::fleet::{DistanceUnit, Metres, Vin, is_north_american, local_day};

use super::body::{Json, Params, Segment, read_json};
use super::condition::{ActHeaders, AsSeen, DoneOnce, IdempotencyKey, IfMatch, MayBeRepeated, writing};
use super::key::{Admin, Key, Plan, Read};
use super::logs::{LONGEST_NAME, LONGEST_TEXT, counted, unit_name};
use super::page::{self, Page};
use super::plans::{self, CarPlanAnswer};
use super::problem::{Fault, Problem};
use super::rows::{self, Row, Rows, need, refuse};
use super::shapes::{PostAnswer, answer, shown, tagged};
use super::values;
use crate::app::App;
use crate::app::keys::{Caller, Scope};
use crate::app::stops::may_return;
use crate::app::vouched::Trial;
use crate::store::{
    Actor, Answer, HoldFile, NewOffRoad, NewPlan, NewVehicle, OffRoadRecord, PlanRecord, Refused, Return, StoreError,
    Tally, VehicleChange, VehicleFilter, VehicleRecord, Writing,
};

/// A vehicle to be added.
#[derive(Clone, Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"unit": "V140", "depot": "VB", "vin": null, "model": "Hybrid wagon", "in_service_on": "2026-03-01", "odometer_in_service": 12, "distance_unit": "mi"}))]
pub struct VehicleRow {
    /// The fleet's own number for it.
    #[schema(required = true, value_type = String)]
    unit: Option<String>,
    /// Code of its depot.
    #[schema(required = true, value_type = String)]
    depot: Option<String>,
    /// Vehicle identification number: its check digit must be right at depots in North America, elsewhere a wrong
    /// one is stored with a warning.
    vin: Option<String>,
    /// Model, in the fleet's own words; service rules may name it.
    model: Option<String>,
    /// Type for the speed limit of the track; `car` when left out.
    vehicle_type: Option<String>,
    /// First day in service: the unit number belongs to the car from then on.
    #[schema(required = true, value_type = String, format = Date)]
    in_service_on: Option<String>,
    /// Odometer on that day.
    odometer_in_service: Option<f64>,
    /// `mi` or `km`, with an odometer.
    #[schema(pattern = "^(mi|km)$")]
    distance_unit: Option<String>,
    /// Whether it came in used; judged by the odometer when left out.
    came_in_used: Option<bool>,
}

/// A checked row whose depot is not yet looked up.
#[derive(Debug)]
pub struct CheckedVehicle {
    row: u64,
    new: NewVehicle,
}

impl Row for VehicleRow {
    type Checked = CheckedVehicle;
    const FIELDS: &'static [&'static str] = &[
        "unit",
        "depot",
        "vin",
        "model",
        "vehicle_type",
        "in_service_on",
        "odometer_in_service",
        "distance_unit",
        "came_in_used",
    ];

    fn check(self, row: u64) -> Result<CheckedVehicle, Refused> {
        let named = |name, text: Option<String>| {
            let text = text.filter(|text| !text.trim().is_empty());
            text.map(|text| values::name(&text, LONGEST_NAME).map_err(|reason| refuse(row, name, text, reason)))
                .transpose()
        };
        let in_service_on = need(row, "in_service_on", self.in_service_on)?;
        let in_service_on =
            values::date(&in_service_on).map_err(|reason| refuse(row, "in_service_on", in_service_on, reason))?;
        let unit = self
            .distance_unit
            .map(|text| values::distance_unit(&text).map_err(|reason| refuse(row, "distance_unit", text, reason)));
        let distance_unit = unit.transpose()?;
        let odometer = self.odometer_in_service.map(|value| {
            let unit = distance_unit.ok_or_else(|| {
                let reason = "an odometer without a unit is refused: give mi or km";
                refuse(row, "distance_unit", serde_json::Value::Null, reason)
            })?;
            values::odometer(value, unit)
                .map_err(|reason| refuse(row, "odometer_in_service", values::number(value), reason))
        });
        let vin = self.vin.filter(|vin| !vin.trim().is_empty());
        let new = NewVehicle {
            unit: unit_name(row, self.unit)?,
            depot: need(row, "depot", self.depot)?,
            vin: vin
                .map(|text| Vin::parse(&text).map_err(|fault| refuse(row, "vin", text, fault.to_string())))
                .transpose()?,
            model: named("model", self.model)?,
            vehicle_type: named("vehicle_type", self.vehicle_type)?.unwrap_or_else(|| "car".to_owned()),
            distance_unit,
            in_service_on,
            odometer_in_service: odometer.transpose()?,
            came_in_used: self.came_in_used,
        };
        Ok(CheckedVehicle { row, new })
    }
}

/// A wrong check digit: what it should be.
fn wrong_check_digit(vin: &Vin) -> Option<String> {
    (!vin.has_right_check_digit()).then(|| {
        format!("the check digit in position 9 should be {}: one of the 17 characters is wrong", vin.check_digit())
    })
}

/// The check digit binds where the depot is in North America (49 CFR 565).
async fn check_vin(app: &App, actor: &Actor, checked: &CheckedVehicle) -> Result<(), RefusedOr> {
    let new = &checked.new;
    let Some((vin, reason)) = new.vin.as_ref().and_then(|vin| Some((vin, wrong_check_digit(vin)?))) else {
        return Ok(());
    };
    let depot = app.store.find_depot(&new.depot).await?.filter(|_| actor.may_see(&new.depot));
    match depot {
        Some(depot) if is_north_american(depot.depot.zone) => {
            Err(RefusedOr::Refused(refuse(checked.row, "vin", vin.as_str(), reason)))
        }
        _ => Ok(()),
    }
}

/// A row's own fault, or a failure of the whole request.
enum RefusedOr {
    Refused(Refused),
    Store(StoreError),
}

impl From<StoreError> for RefusedOr {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

/// A vehicle.
#[derive(Debug, Serialize, ToSchema)]
pub struct VehicleAnswer {
    /// The fleet's own number for it.
    unit: String,
    /// Code of its depot.
    depot: String,
    /// Vehicle identification number.
    vin: Option<String>,
    /// What is wrong with the VIN where that is no reason to refuse it.
    vin_warning: Option<String>,
    /// Model.
    model: Option<String>,
    /// Type for the speed limit of the track.
    vehicle_type: String,
    /// First day in service.
    in_service_on: NaiveDate,
    /// Odometer on that day, in `distance_unit`.
    odometer_in_service: Option<f64>,
    /// Unit of the odometer.
    distance_unit: &'static str,
    /// Whether it came in used, where somebody said so.
    came_in_used: Option<bool>,
    /// Last day in service.
    retired_on: Option<NaiveDate>,
    /// Why it was retired.
    retired_reason: Option<String>,
    /// Counts its changes; its entity tag.
    version: i64,
}

fn view(record: &VehicleRecord) -> VehicleAnswer {
    let vin = record.vin.as_deref().and_then(|text| Vin::parse(text).ok());
    VehicleAnswer {
        unit: record.unit.clone(),
        depot: record.depot.clone(),
        vin: record.vin.clone(),
        vin_warning: vin.as_ref().and_then(wrong_check_digit),
        model: record.model.clone(),
        vehicle_type: record.vehicle_type.clone(),
        in_service_on: record.in_service_on,
        odometer_in_service: record.odometer_in_service.map(|metres| shown(metres, record.distance_unit)),
        distance_unit: record.distance_unit.as_str(),
        came_in_used: record.came_in_used,
        retired_on: record.retired_on,
        retired_reason: record.retired_reason.clone(),
        version: record.version,
    }
}

fn changed(record: &VehicleRecord) -> Answer {
    answer(StatusCode::OK, Some(record.version), &view(record))
}

/// The car of a unit number, if the key may see it.
pub(super) async fn visible(app: &App, caller: &Caller, unit: &str) -> Result<VehicleRecord, Problem> {
    let found = app.store.find_vehicle(unit).await?.filter(|car| caller.actor.may_see(&car.depot));
    found.ok_or_else(|| Problem::not_found("vehicle", unit))
}

/// The unit in which a car's depot shows distances.
pub(super) async fn depot_unit(app: &App, car: &VehicleRecord) -> Result<DistanceUnit, Problem> {
    let depot = app.store.find_depot(&car.depot).await?;
    Ok(depot.map_or(car.distance_unit, |depot| depot.depot.distance_unit))
}

/// Which vehicles are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct VehicleQuery {
    /// Only of this depot.
    depot: Option<String>,
    /// Retired ones too.
    #[serde(default)]
    retired: bool,
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// List vehicles
#[utoipa::path(
    get, path = "/v1/vehicles", operation_id = "list_vehicles", tag = "Register", params(VehicleQuery),
    responses((status = 200, body = Page<VehicleAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_vehicles(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<VehicleQuery>,
) -> Result<Page<VehicleAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let filter = VehicleFilter {
        depot: query.depot,
        with_retired: query.retired,
        after: page::place(query.cursor.as_deref())?,
        key_depots_of: caller.actor.key_depots_of(),
        limit: limit + 1,
    };
    let mut rows = app.store.vehicles(&filter).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| (row.unit.clone(), row.id));
    Ok(Page { items: rows.iter().map(view).collect(), next })
}

/// Add vehicles
///
/// A single JSON object answers 201 with the vehicle. An array, NDJSON or CSV answers 200 with a verdict per row; a
/// row that names a car as it stands already is `repeated`.
#[utoipa::path(
    post, path = "/v1/vehicles", operation_id = "add_vehicles", tag = "Register",
    params(MayBeRepeated),
    request_body(content((VehicleRow = "application/json"), (VehicleRow = "application/x-ndjson"), (VehicleRow = "text/csv"))),
    responses(
        (status = 201, body = VehicleAnswer, description = "one vehicle was added"),
        (status = 200, body = PostAnswer, description = "many were sent"),
        Problem
    ),
    security(("key" = ["admin"]))
)]
pub(super) async fn add_vehicles(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    request: Request,
) -> Result<Response, Problem> {
    let media = super::body::media_type(request.headers());
    let plain = !request.headers().contains_key(axum::http::header::CONTENT_ENCODING);
    let (request, bytes) = rows::buffered(request, &app).await?;
    let single = media == "application/json" && plain && bytes.trim_ascii_start().first() == Some(&b'{');
    let writing = writing(&app, &caller, key, &format!("vehicles {media}"), &bytes);
    if single {
        let row: VehicleRow = read_json(&bytes, &app.settings.limits)?;
        let checked = row.check(1).map_err(refusal)?;
        match check_vin(&app, &caller.actor, &checked).await {
            Ok(()) => {}
            Err(RefusedOr::Refused(refused)) => return Err(refusal(refused)),
            Err(RefusedOr::Store(error)) => return Err(error.into()),
        }
        let added = |record: &VehicleRecord| answer(StatusCode::CREATED, Some(record.version), &view(record));
        let done = app.store.add_vehicle(checked.new, &writing, added).await?;
        app.news.notify_one();
        return Ok(done.into_response());
    }
    if let Some(once) = &writing.once
        && let Some(before) = app.store.find_answer(once).await?
    {
        return Ok(before.into_response());
    }
    let trial = request.extensions().get::<Trial>().cloned();
    let rows = rows::read::<VehicleRow>(request, &app.settings.limits).await?;
    let verdicts = add_many(&app, rows, &writing, trial.as_ref()).await;
    if trial.is_some() {
        return Ok(answer(StatusCode::OK, None, &PostAnswer::from(verdicts?)).into_response());
    }
    let told = counted(&app, "vehicles", verdicts)?;
    let mut done = answer(StatusCode::OK, None, &told);
    if let Some(once) = &writing.once {
        done = app.store.save_answer(once, done, app.now()).await?;
    }
    app.news.notify_one();
    Ok(done.into_response())
}

fn refusal(refused: Refused) -> Problem {
    let value = Some(refused.value).filter(|value| !value.is_null());
    Problem::body(Fault::field(format!("/{}", refused.field), value, refused.reason))
}

/// Adds the vehicles of many rows part by part.
pub(super) async fn add_many(
    app: &App,
    mut rows: Rows<CheckedVehicle>,
    writing: &Writing,
    trial: Option<&Trial>,
) -> Result<Tally, Problem> {
    let mut tally = Tally::default();
    let writing = Writing { once: None, ..writing.clone() };
    loop {
        let (checked, refused) = match rows.next().await {
            Ok(None) => {
                trial.into_iter().for_each(|trial| trial.tell(std::mem::take(&mut tally.taken)));
                return Ok(tally);
            }
            Ok(Some(part)) => part,
            Err(problem) => return Err(Problem { rows: Some(Box::new(tally.into())), ..problem }),
        };
        tally.refused.extend(refused);
        let mut fit = Vec::with_capacity(checked.len());
        for checked in checked {
            match check_vin(app, &writing.actor, &checked).await {
                Ok(()) => fit.push((checked.row, checked.new)),
                Err(RefusedOr::Refused(refused)) => tally.refused.push(refused),
                Err(RefusedOr::Store(error)) => return Err(error.into()),
            }
        }
        tally.absorb(app.store.add_vehicles(fit, &writing, trial.is_some()).await?);
    }
}

/// One vehicle
#[utoipa::path(
    get, path = "/v1/vehicles/{unit}", operation_id = "get_vehicle", tag = "Register",
    params(("unit" = String, Path, description = "its unit number")),
    responses((status = 200, body = VehicleAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_vehicle(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(unit): Segment,
) -> Result<Response, Problem> {
    let car = visible(&app, &caller, &unit).await?;
    Ok(tagged(car.version, &view(&car)))
}

/// What is changed about a vehicle; what is left out stays, null empties.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct VehiclePatch {
    /// Vehicle identification number.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<String>)]
    vin: Option<Option<String>>,
    /// Model.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<String>)]
    model: Option<Option<String>>,
    /// Type for the speed limit of the track.
    vehicle_type: Option<String>,
    /// Odometer when it came into service.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<f64>)]
    odometer_in_service: Option<Option<f64>>,
    /// `mi` or `km`, with an odometer.
    distance_unit: Option<String>,
    /// Whether it came in used.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<bool>)]
    came_in_used: Option<Option<bool>>,
}

fn checked<T>(name: &str, value: impl Into<serde_json::Value>, read: Result<T, String>) -> Result<T, Problem> {
    read.map_err(|reason| Problem::body(Fault::field(format!("/{name}"), Some(value.into()), reason)))
}

fn patched_odometer(value: f64, unit: Option<&str>) -> Result<Metres, Problem> {
    let Some(unit) = unit else {
        let reason = "an odometer without a unit is refused: give mi or km";
        return Err(Problem::body(Fault::field("/distance_unit", None, reason)));
    };
    let unit = checked("distance_unit", unit, values::distance_unit(unit))?;
    checked("odometer_in_service", values::number(value), values::odometer(value, unit))
}

/// Change a vehicle
///
/// To move it to another depot use `move`, to take it out of service `retire`.
#[utoipa::path(
    patch, path = "/v1/vehicles/{unit}", operation_id = "change_vehicle", tag = "Register",
    params(("unit" = String, Path, description = "its unit number"), AsSeen),
    request_body = VehiclePatch,
    responses((status = 200, body = VehicleAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn change_vehicle(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(unit): Segment,
    IfMatch(if_match): IfMatch,
    body: Json<VehiclePatch>,
) -> Result<Answer, Problem> {
    let car = visible(&app, &caller, &unit).await?;
    let patch = body.value;
    let vin = |text: String| -> Result<Vin, Problem> {
        let vin = checked("vin", text.as_str(), Vin::parse(&text).map_err(|fault| fault.to_string()))?;
        match wrong_check_digit(&vin).filter(|_| is_north_american(car.zone)) {
            Some(reason) => checked("vin", text, Err(reason)),
            None => Ok(vin),
        }
    };
    let name = |field: &str, text: String| checked(field, text.as_str(), values::name(&text, LONGEST_NAME));
    let odometer = |value| patched_odometer(value, patch.distance_unit.as_deref());
    let change = VehicleChange {
        vin: patch.vin.map(|text| text.map(vin).transpose()).transpose()?,
        model: patch.model.map(|text| text.map(|text| name("model", text)).transpose()).transpose()?,
        vehicle_type: patch.vehicle_type.map(|text| name("vehicle_type", text)).transpose()?,
        odometer_in_service: patch.odometer_in_service.map(|value| value.map(odometer).transpose()).transpose()?,
        came_in_used: patch.came_in_used,
    };
    let writing = writing(&app, &caller, None, "", &[]);
    let done = app.store.change_vehicle(&unit, if_match, change, &writing, changed).await?;
    app.news.notify_one();
    Ok(done)
}

/// A day that is not still to come: what takes effect at once cannot be dated ahead.
fn day_so_far(text: Option<&str>, today: NaiveDate) -> Result<NaiveDate, Problem> {
    let Some(text) = text else { return Ok(today) };
    let day = checked("on", text, values::date(text))?;
    if day > today {
        let detail = format!("give today, {today} at the depot, or an earlier day: this takes effect at once");
        return Err(Problem::body(Fault::field("/on", Some(text.into()), detail)));
    }
    Ok(day)
}

/// Where a car moves.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Move {
    /// Code of the depot.
    depot: String,
    /// First day there, local to it; today when left out. On a day to come it moves by itself.
    #[schema(format = Date)]
    on: Option<String>,
}

/// Move a vehicle to another depot
///
/// From the day on its logs are read in the new depot's zone; earlier ones stay as they were. Open orders go with it. A move
/// on a day to come is a plan that takes effect by itself on that day: it is listed and taken back by `plans`.
#[utoipa::path(
    post, path = "/v1/vehicles/{unit}/move", operation_id = "move_vehicle", tag = "Register",
    params(("unit" = String, Path, description = "its unit number"), ActHeaders),
    request_body = Move,
    responses(
        (status = 200, body = VehicleAnswer, description = "it has moved"),
        (status = 202, body = CarPlanAnswer, description = "it will move"),
        Problem
    ),
    security(("key" = ["admin"]))
)]
pub(super) async fn move_vehicle(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(unit): Segment,
    IfMatch(if_match): IfMatch,
    key: IdempotencyKey,
    body: Json<Move>,
) -> Result<Answer, Problem> {
    let request = body.value;
    let what = format!("vehicles/{unit}/move");
    let writing = writing(&app, &caller, Some(key), &what, &body.bytes);
    let depot = app.store.find_depot(&request.depot).await?.filter(|_| caller.actor.may_see(&request.depot));
    let depot = depot.ok_or_else(|| {
        Problem::body(Fault::field("/depot", Some(request.depot.as_str().into()), "there is no such depot"))
    })?;
    let today = local_day(writing.now, depot.depot.zone);
    let on = request.on.as_deref().map(|text| checked("on", text, values::date(text))).transpose()?.unwrap_or(today);
    let done = if on > today {
        let distance_unit = depot.depot.distance_unit;
        let told = |record: &PlanRecord| answer(StatusCode::ACCEPTED, None, &plans::view(&unit, record, distance_unit));
        let new = NewPlan { from: on, to: None, shifts: None, depot: request.depot, note: None };
        let told = app.store.add_plan(&unit, Some(if_match), new, &writing, told).await;
        told.map_err(|error| Problem::from(error).renamed("/from", "/on"))?
    } else {
        app.store.move_vehicle(&unit, if_match, &request.depot, on, &writing, changed).await?
    };
    app.news.notify_one();
    Ok(done)
}

/// How a car is retired.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Retire {
    /// Last day in service, local to its depot; today when left out.
    #[schema(format = Date)]
    on: Option<String>,
    /// Why.
    reason: String,
}

/// Retire a vehicle
///
/// Its open work orders are cancelled with the reason; its unit number may be used again from the day after.
#[utoipa::path(
    post, path = "/v1/vehicles/{unit}/retire", operation_id = "retire_vehicle", tag = "Register",
    params(("unit" = String, Path, description = "its unit number"), ActHeaders),
    request_body = Retire,
    responses((status = 200, body = VehicleAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn retire_vehicle(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(unit): Segment,
    IfMatch(if_match): IfMatch,
    key: IdempotencyKey,
    body: Json<Retire>,
) -> Result<Answer, Problem> {
    let car = visible(&app, &caller, &unit).await?;
    let request = body.value;
    let reason = checked("reason", request.reason.as_str(), values::name(&request.reason, LONGEST_TEXT))?;
    let writing = writing(&app, &caller, Some(key), &format!("vehicles/{unit}/retire"), &body.bytes);
    let on = day_so_far(request.on.as_deref(), local_day(writing.now, car.zone))?;
    let done = app.store.retire_vehicle(&unit, if_match, on, &reason, &writing, changed).await?;
    app.news.notify_one();
    Ok(done)
}

/// A car is taken off the road.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OffRoadRequest {
    /// First day, local.
    #[schema(format = Date)]
    from: String,
    /// Last day; null while it is not known.
    #[schema(format = Date)]
    to: Option<String>,
    /// Why.
    reason: String,
    /// Whether only the keys named in `release_by`, or one with the scope admin, may bring it back: it stays off the
    /// road until one does, whatever `to` says.
    #[serde(default)]
    safety_hold: bool,
    /// Names of keys.
    #[serde(default)]
    release_by: Vec<String>,
}

/// A time off the road.
#[derive(Debug, Serialize, ToSchema)]
pub struct OffRoadAnswer {
    /// First day.
    from: NaiveDate,
    /// Last day; null while it is not known.
    to: Option<NaiveDate>,
    /// Why.
    reason: String,
    /// Whether it is a safety hold.
    safety_hold: bool,
    /// Names of the keys that may release the hold.
    release_by: Vec<String>,
    /// Whether a return to service has ended it.
    released: bool,
    /// The code on which the car was stopped by itself.
    stop_code: Option<String>,
    /// Since when the car is known to be sound again: two trips since the clear, or as recorded at an order; null while
    /// nothing shows it.
    sound_at: Option<DateTime<Utc>>,
}

fn off_road_view(record: &OffRoadRecord) -> OffRoadAnswer {
    let off = &record.off_road;
    OffRoadAnswer {
        from: off.from,
        to: off.to,
        reason: off.reason.clone(),
        safety_hold: off.safety_hold,
        release_by: off.release_by.clone(),
        released: record.released,
        stop_code: off.stop_code.clone(),
        sound_at: record.sound_at,
    }
}

/// Take a car off the road
///
/// The days count neither as duty nor as distance to come. A safety hold stays until a named key releases it.
#[utoipa::path(
    post, path = "/v1/vehicles/{unit}/off-road", operation_id = "take_off_road", tag = "Planning",
    params(("unit" = String, Path, description = "its unit number"), DoneOnce),
    request_body = OffRoadRequest,
    responses((status = 201, body = OffRoadAnswer), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn take_off_road(
    State(app): State<App>,
    Key(caller, _): Key<Plan>,
    Segment(unit): Segment,
    key: IdempotencyKey,
    body: Json<OffRoadRequest>,
) -> Result<Answer, Problem> {
    let request = body.value;
    let from = checked("from", request.from.as_str(), values::date(&request.from))?;
    let to = request.to.as_deref().map(|text| checked("to", text, values::date(text))).transpose()?;
    if let Some(to) = to.filter(|to| *to < from) {
        return Err(Problem::body(Fault::field("/to", Some(to.to_string().into()), format!("give {from} or later"))));
    }
    for name in &request.release_by {
        let plain = values::name(name, LONGEST_NAME)
            .and_then(|name| if name.contains(',') { Err("a key's name holds no comma".to_owned()) } else { Ok(name) });
        checked("release_by", name.as_str(), plain)?;
    }
    let new = NewOffRoad {
        from,
        to,
        reason: checked("reason", request.reason.as_str(), values::name(&request.reason, LONGEST_TEXT))?,
        safety_hold: request.safety_hold,
        release_by: request.release_by,
        stop_code: None,
    };
    let writing = writing(&app, &caller, Some(key), &format!("vehicles/{unit}/off-road"), &body.bytes);
    let view = |record: &OffRoadRecord| answer(StatusCode::CREATED, None, &off_road_view(record));
    let done = app.store.add_off_road(&unit, new, &writing, view).await?;
    app.news.notify_one();
    Ok(done)
}

/// List a car's times off the road
#[utoipa::path(
    get, path = "/v1/vehicles/{unit}/off-road", operation_id = "list_off_road", tag = "Planning",
    params(("unit" = String, Path, description = "its unit number")),
    responses((status = 200, body = Page<OffRoadAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_off_road(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(unit): Segment,
) -> Result<Page<OffRoadAnswer>, Problem> {
    let car = visible(&app, &caller, &unit).await?;
    let items = app.store.off_road(car.id).await?.iter().map(off_road_view).collect();
    Ok(Page { items, next: None })
}

/// A car comes back.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReturnRequest {
    /// First day back, local to its depot; today when left out.
    #[schema(format = Date)]
    on: Option<String>,
    /// What else is to be noted.
    note: Option<String>,
}

/// The car is back.
#[derive(Debug, Serialize, ToSchema)]
pub struct Returned {
    /// Unit number.
    unit: String,
    /// First day back.
    on: NaiveDate,
}

/// Return a car to service
///
/// Ends every time off the road that covers the day. A safety hold is ended only by a key that may. One that a code made is
/// ended (409 else) once the code is no longer confirmed, the order it calls for is closed, and the car is known to be sound:
/// two trips since the clear without the code, or for P0AA6 `isolation: sound` recorded at a step of an order, for
/// P0A7E a cooling check completed as serviced.
#[utoipa::path(
    post, path = "/v1/vehicles/{unit}/return-to-service", operation_id = "return_to_service", tag = "Planning",
    params(("unit" = String, Path, description = "its unit number"), DoneOnce),
    request_body = ReturnRequest,
    responses((status = 200, body = Returned), Problem),
    security(("key" = ["plan"]))
)]
pub(super) async fn return_to_service(
    State(app): State<App>,
    Key(caller, _): Key<Plan>,
    Segment(unit): Segment,
    key: IdempotencyKey,
    body: Json<ReturnRequest>,
) -> Result<Answer, Problem> {
    let car = visible(&app, &caller, &unit).await?;
    let request = body.value;
    let note =
        request.note.map(|text| checked("note", text.as_str(), values::free_text(&text, LONGEST_TEXT))).transpose()?;
    let writing = writing(&app, &caller, Some(key), &format!("vehicles/{unit}/return-to-service"), &body.bytes);
    let on = match &request.on {
        Some(text) => checked("on", text.as_str(), values::date(text))?,
        None => local_day(writing.now, car.zone),
    };
    let returned = Returned { unit: unit.clone(), on };
    let back = Return { on, note: note.as_deref(), may_release_all: caller.may(Scope::Admin) };
    let view = || answer(StatusCode::OK, None, &returned);
    let sound = |hold: &HoldFile| may_return(hold, writing.now);
    let done = app.store.return_to_service(&unit, back, &writing, sound, view).await?;
    app.news.notify_one();
    Ok(done)
}
