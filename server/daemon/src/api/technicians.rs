//! Technicians.

use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::Response;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::work::{Absence, Certificate, Technician};

use super::body::{Json, Params, Segment};
use super::condition::{AsSeen, IdempotencyKey, IfMatch, MayBeRepeated, writing};
use super::depots::{WeekTimes, office_week, opening_hours, week_times};
use super::key::{Admin, Key, Read};
use super::logs::LONGEST_NAME;
use super::orders::checked;
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::retired::retirement;
use super::shapes::{answer, tagged};
use super::values;
use crate::app::App;
use crate::store::{Answer, TechnicianChange, TechnicianRecord};

/// A certificate held.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CertificateHeld {
    /// The fleet's name for it, as procedures ask for it.
    name: String,
    /// Its last valid day.
    #[schema(format = Date)]
    expires_on: String,
}

/// Days away, both ends included.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AbsenceDays {
    /// First day away.
    #[schema(format = Date)]
    from: String,
    /// Last day away.
    #[schema(format = Date)]
    to: String,
}

/// A technician to be added.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"code": "osei", "depot": "VB", "certificates": [{"name": "high-voltage", "expires_on": "2027-06-30"}], "absences": [{"from": "2026-08-03", "to": "2026-08-14"}]}))]
pub struct NewTechnician {
    /// The fleet's own code, as evidence and orders name the person.
    code: String,
    /// Their name, if it is to be kept: it stands here only and can be erased; everything else goes by the code.
    name: Option<String>,
    /// Code of the depot where they work.
    depot: String,
    /// Certificates held.
    #[serde(default)]
    certificates: Vec<CertificateHeld>,
    /// Working hours by weekday; Monday to Friday 08:00 to 17:00 when left out.
    hours: Option<WeekTimes>,
    /// Days away.
    #[serde(default)]
    absences: Vec<AbsenceDays>,
}

/// What is changed about a technician; what is left out stays, a list given takes the place of the old one.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TechnicianPatch {
    /// Their name; null erases it.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<String>)]
    name: Option<Option<String>>,
    /// Local day since which they work here no more: from then on no order is theirs; null brings them back.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<String>, format = Date)]
    retired_on: Option<Option<String>>,
    /// Why; with `retired_on`. No name in it: it stands in the journal.
    retired_reason: Option<String>,
    /// Code of the depot where they work.
    depot: Option<String>,
    /// Certificates held.
    certificates: Option<Vec<CertificateHeld>>,
    /// Working hours by weekday.
    hours: Option<WeekTimes>,
    /// Days away.
    absences: Option<Vec<AbsenceDays>>,
}

/// A technician.
#[derive(Debug, Serialize, ToSchema)]
pub struct TechnicianAnswer {
    /// The fleet's own code.
    code: String,
    /// Their name, unless it was never told or erased.
    name: Option<String>,
    /// Code of the depot where they work.
    depot: String,
    /// Since when they work here no more.
    retired_on: Option<NaiveDate>,
    /// Why.
    retired_reason: Option<String>,
    /// Certificates held.
    certificates: Vec<CertificateHeld>,
    /// Working hours by weekday.
    hours: WeekTimes,
    /// Days away.
    absences: Vec<AbsenceDays>,
    /// Counts the changes; the entity tag.
    version: i64,
}

fn view(record: &TechnicianRecord) -> TechnicianAnswer {
    let person = &record.technician;
    let held =
        |held: &Certificate| CertificateHeld { name: held.name.clone(), expires_on: held.expires_on.to_string() };
    let away = |away: &Absence| AbsenceDays { from: away.from.to_string(), to: away.to.to_string() };
    TechnicianAnswer {
        code: person.code.clone(),
        name: record.name.clone(),
        depot: person.depot.clone(),
        retired_on: person.retired_on,
        retired_reason: record.retired_reason.clone(),
        certificates: person.certificates.iter().map(held).collect(),
        hours: week_times(&person.hours),
        absences: person.absences.iter().map(away).collect(),
        version: record.version,
    }
}

/// More than anybody holds or is away for.
const MOST: usize = 200;

fn few<T>(name: &str, list: &[T]) -> Result<(), Problem> {
    let detail = format!("give at most {MOST}");
    if list.len() <= MOST { Ok(()) } else { Err(Problem::body(Fault::field(format!("/{name}"), None, detail))) }
}

fn name_of(text: &str) -> Result<String, Problem> {
    checked("name", text, values::name(text, LONGEST_NAME))
}

fn day(field: &str, text: &str) -> Result<NaiveDate, Problem> {
    checked(field, text, values::date(text))
}

fn certificates(given: Vec<CertificateHeld>) -> Result<Vec<Certificate>, Problem> {
    few("certificates", &given)?;
    let read = |(place, held): (usize, CertificateHeld)| {
        let field = format!("certificates/{place}");
        Ok(Certificate {
            name: checked(&format!("{field}/name"), &held.name, values::name(&held.name, LONGEST_NAME))?,
            expires_on: day(&format!("{field}/expires_on"), &held.expires_on)?,
        })
    };
    given.into_iter().enumerate().map(read).collect()
}

fn absences(given: Vec<AbsenceDays>) -> Result<Vec<Absence>, Problem> {
    few("absences", &given)?;
    let read = |(place, away): (usize, AbsenceDays)| {
        let from = day(&format!("absences/{place}/from"), &away.from)?;
        let to = day(&format!("absences/{place}/to"), &away.to)?;
        if to < from {
            let detail = format!("give {from} or a later day");
            return Err(Problem::body(Fault::field(format!("/absences/{place}/to"), Some(away.to.into()), detail)));
        }
        Ok(Absence { from, to })
    };
    given.into_iter().enumerate().map(read).collect()
}

/// Which technicians are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct TechnicianQuery {
    /// Only of this depot.
    depot: Option<String>,
    /// `true`: those who work here no more too.
    with_retired: Option<bool>,
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// List technicians
#[utoipa::path(
    get, path = "/v1/technicians", operation_id = "list_technicians", tag = "Register", params(TechnicianQuery),
    responses((status = 200, body = Page<TechnicianAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_technicians(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<TechnicianQuery>,
) -> Result<Page<TechnicianAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let after: String = page::place(query.cursor.as_deref())?.unwrap_or_default();
    let depots = caller.actor.key_depots_of();
    let mut rows = (app.store)
        .technicians(&after, query.depot.as_deref(), query.with_retired.unwrap_or(false), depots, limit + 1)
        .await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| row.technician.code.clone());
    Ok(Page { items: rows.iter().map(view).collect(), next })
}

/// Add a technician
#[utoipa::path(
    post, path = "/v1/technicians", operation_id = "add_technician", tag = "Register",
    params(MayBeRepeated),
    request_body = NewTechnician,
    responses((status = 201, body = TechnicianAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn add_technician(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<NewTechnician>,
) -> Result<Answer, Problem> {
    let new = body.value;
    let technician = Technician {
        code: checked("code", &new.code, values::name(&new.code, LONGEST_NAME))?,
        depot: new.depot,
        certificates: certificates(new.certificates)?,
        hours: new.hours.map(|week| opening_hours("hours", week)).transpose()?.unwrap_or_else(office_week),
        absences: absences(new.absences)?,
        retired_on: None,
    };
    let name = new.name.as_deref().map(name_of).transpose()?;
    let writing = writing(&app, &caller, key, "technicians", &body.bytes);
    let added = |record: &TechnicianRecord| answer(StatusCode::CREATED, Some(record.version), &view(record));
    Ok(app.store.add_technician(technician, name, &writing, added).await?)
}

/// One technician
#[utoipa::path(
    get, path = "/v1/technicians/{code}", operation_id = "get_technician", tag = "Register",
    params(("code" = String, Path, description = "their code")),
    responses((status = 200, body = TechnicianAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_technician(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(code): Segment,
) -> Result<Response, Problem> {
    let found = app.store.find_technician(&code).await?;
    let found = found.filter(|record| caller.actor.may_see(&record.technician.depot));
    let record = found.ok_or_else(|| Problem::not_found("technician", &code))?;
    Ok(tagged(record.version, &view(&record)))
}

/// Change a technician
///
/// Also retires one, or brings one back. Orders, evidence and journal keep the code; erasing the name leaves nothing that says
/// who it was.
#[utoipa::path(
    patch, path = "/v1/technicians/{code}", operation_id = "change_technician", tag = "Register",
    params(("code" = String, Path, description = "their code"), AsSeen),
    request_body = TechnicianPatch,
    responses((status = 200, body = TechnicianAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn change_technician(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(code): Segment,
    IfMatch(if_match): IfMatch,
    body: Json<TechnicianPatch>,
) -> Result<Answer, Problem> {
    let patch = body.value;
    let change = TechnicianChange {
        depot: patch.depot,
        certificates: patch.certificates.map(certificates).transpose()?,
        hours: patch.hours.map(|week| opening_hours("hours", week)).transpose()?,
        absences: patch.absences.map(absences).transpose()?,
        name: patch.name.map(|name| name.as_deref().map(name_of).transpose()).transpose()?,
        retired: retirement(patch.retired_on, patch.retired_reason)?,
    };
    let writing = writing(&app, &caller, None, "", &[]);
    let changed = |record: &TechnicianRecord| answer(StatusCode::OK, Some(record.version), &view(record));
    Ok(app.store.change_technician(&code, if_match, change, &writing, changed).await?)
}
