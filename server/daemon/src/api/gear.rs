//! Gear: gloves and meters, their tests and when they fall due.

use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::Response;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::fleet::local_day;
use ventmile_model::work::{Gear, GearRules, GearType, GloveClass, Rating, Test, falling_due};

use super::body::{Json, Params, Segment};
use super::condition::{AsSeen, IdempotencyKey, IfMatch, MayBeRepeated, writing};
use super::key::{Admin, Key, Read, Work};
use super::logs::LONGEST_NAME;
use super::orders::checked;
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::retired::retirement;
use super::shapes::{answer, tagged};
use super::values;
use crate::app::App;
use crate::app::work::gear_rules;
use crate::store::{self, Answer, Conflict, GearFilter, GearRecord};

/// What a meter or its leads are marked for.
#[derive(Clone, Copy, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"category": 3, "volts": 1000}))]
pub struct MarkedRating {
    /// Measurement category (IEC 61010-1): 2, 3 or 4.
    category: u8,
    /// Volts marked beside the category.
    volts: u32,
}

/// Gear to be added.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"id": "G-7", "depot": "VB", "kind": "gloves", "class": "0", "protectors": true}))]
pub struct NewGear {
    /// The fleet's own number, marked on it.
    id: String,
    /// Code of its depot.
    depot: String,
    /// `gloves` or `meter`.
    kind: String,
    /// Gloves: their class as marked, `00`, `0`, `1` to `4`.
    class: Option<String>,
    /// Gloves: whether leather protectors belong to the pair.
    protectors: Option<bool>,
    /// Meters: the meter's rating.
    meter: Option<MarkedRating>,
    /// Meters: the leads' rating.
    leads: Option<MarkedRating>,
}

/// What is changed about gear; what is left out stays.
#[derive(Debug, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GearPatch {
    /// Code of its depot.
    depot: Option<String>,
    /// Gloves: their class.
    class: Option<String>,
    /// Gloves: whether leather protectors belong to the pair.
    protectors: Option<bool>,
    /// Meters: the meter's rating.
    meter: Option<MarkedRating>,
    /// Meters: the leads' rating.
    leads: Option<MarkedRating>,
    /// Local day since which it is used no more; null brings it back.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<String>, format = Date)]
    retired_on: Option<Option<String>>,
    /// Why it is used no more; with `retired_on`.
    retired_reason: Option<String>,
}

/// A test or check of gear.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-01-10", "by": "lab", "passed": true}))]
pub struct GearTest {
    /// Local day.
    #[schema(format = Date)]
    on: String,
    /// Who tested.
    by: String,
    /// Whether it passed. Suspect gear is entered as failed and comes back with its next pass.
    passed: bool,
}

/// The first issue of gear.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct IssueRequest {
    /// Local day; today when left out.
    #[schema(format = Date)]
    on: Option<String>,
}

/// A piece of gear.
#[derive(Debug, Serialize, ToSchema)]
pub struct GearAnswer {
    /// The fleet's own number.
    id: String,
    /// Code of its depot.
    depot: String,
    /// `gloves` or `meter`.
    kind: &'static str,
    /// Gloves: their class.
    class: Option<&'static str>,
    /// Gloves: whether leather protectors belong to the pair.
    protectors: Option<bool>,
    /// Meters: the meter's rating.
    meter: Option<MarkedRating>,
    /// Meters: the leads' rating.
    leads: Option<MarkedRating>,
    /// Its test log in the order of entry.
    tests: Vec<GearTest>,
    /// When it was first issued for service.
    issued_on: Option<NaiveDate>,
    /// Its last day of use; of gloves not yet issued the last day of their issue. Null when it needs a test before any use.
    due_on: Option<NaiveDate>,
    /// Whether it may be used on the high-voltage system today.
    usable: bool,
    /// Every reason why not.
    unusable: Vec<String>,
    /// Since when it is used no more.
    retired_on: Option<NaiveDate>,
    /// Why.
    retired_reason: Option<String>,
    /// Counts its changes; its entity tag.
    version: i64,
}

fn view(record: &GearRecord, rules: &GearRules, now: DateTime<Utc>) -> GearAnswer {
    let gear = &record.gear;
    let today = local_day(now, record.zone);
    let unusable = gear.usable(today, rules).err().unwrap_or_default();
    let marked = |rating: Rating| MarkedRating { category: rating.category, volts: rating.volts };
    let (class, protectors, meter, leads) = match gear.what {
        GearType::Gloves { class, protectors } => (Some(class.as_str()), Some(protectors), None, None),
        GearType::Meter { meter, leads } => (None, None, Some(marked(meter)), Some(marked(leads))),
    };
    let test = |test: &Test| GearTest { on: test.on.to_string(), by: test.by.clone(), passed: test.passed };
    GearAnswer {
        id: gear.id.clone(),
        depot: gear.depot.clone(),
        kind: gear.kind().as_str(),
        class,
        protectors,
        meter,
        leads,
        tests: gear.tests.iter().map(test).collect(),
        issued_on: gear.issued_on,
        due_on: gear.due_on(today, rules),
        usable: unusable.is_empty(),
        unusable: unusable.iter().map(ToString::to_string).collect(),
        retired_on: gear.retired_on,
        retired_reason: record.retired_reason.clone(),
        version: record.version,
    }
}

fn glove_class(text: &str) -> Result<GloveClass, Conflict> {
    let known = GloveClass::ALL.map(GloveClass::as_str).join(", ");
    GloveClass::parse(text)
        .ok_or_else(|| Conflict::Field { field: "class", reason: format!("give one of {known}, not {text:?}") })
}

fn rating(field: &'static str, marked: MarkedRating) -> Result<Rating, Conflict> {
    if !(2..=4).contains(&marked.category) {
        let reason = format!("give a measurement category of 2, 3 or 4, not {}", marked.category);
        return Err(Conflict::Field { field, reason });
    }
    Ok(Rating { category: marked.category, volts: marked.volts })
}

/// The gear with what the patch gives; what belongs to another kind of gear is refused.
fn patched(what: GearType, patch: &GearPatch) -> Result<GearType, Conflict> {
    let foreign = |field| Conflict::Field { field, reason: "this kind of gear has no such field".to_owned() };
    match what {
        GearType::Gloves { .. } if patch.meter.is_some() => Err(foreign("meter")),
        GearType::Gloves { .. } if patch.leads.is_some() => Err(foreign("leads")),
        GearType::Meter { .. } if patch.class.is_some() => Err(foreign("class")),
        GearType::Meter { .. } if patch.protectors.is_some() => Err(foreign("protectors")),
        GearType::Gloves { class, protectors } => Ok(GearType::Gloves {
            class: patch.class.as_deref().map_or(Ok(class), glove_class)?,
            protectors: patch.protectors.unwrap_or(protectors),
        }),
        GearType::Meter { meter, leads } => Ok(GearType::Meter {
            meter: patch.meter.map_or(Ok(meter), |marked| rating("meter/category", marked))?,
            leads: patch.leads.map_or(Ok(leads), |marked| rating("leads/category", marked))?,
        }),
    }
}

/// What new gear is: all that its kind needs must be told.
fn what(new: &NewGear) -> Result<GearType, Problem> {
    let needed = |given: bool, name: &str| {
        let says = format!("{} need `{name}`", new.kind);
        if given { Ok(()) } else { Err(Problem::body(Fault::field(format!("/{name}"), None, says))) }
    };
    let none = Rating { category: 0, volts: 0 };
    let bare = match new.kind.as_str() {
        "gloves" => {
            needed(new.class.is_some(), "class")?;
            needed(new.protectors.is_some(), "protectors")?;
            GearType::Gloves { class: GloveClass::Class00, protectors: false }
        }
        "meter" => {
            needed(new.meter.is_some(), "meter")?;
            needed(new.leads.is_some(), "leads")?;
            GearType::Meter { meter: none, leads: none }
        }
        other => return checked("kind", other, Err("give gloves or meter".to_owned())),
    };
    let patch = GearPatch {
        class: new.class.clone(),
        protectors: new.protectors,
        meter: new.meter,
        leads: new.leads,
        ..GearPatch::default()
    };
    Ok(patched(bare, &patch)?)
}

/// Which gear is listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct GearQuery {
    /// Only of this depot.
    depot: Option<String>,
    /// Only what falls due within so many days from today, overdue gear and gear that needs a test included: those that need
    /// a test first, then by date, all on one page.
    due_within: Option<u32>,
    /// `true`: pieces that are used no more too.
    with_retired: Option<bool>,
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// More gear than a fleet has.
const WHOLE: i64 = 1_000_000;
/// Further ahead nobody plans.
const FURTHEST: u32 = 3660;

/// List gear
#[utoipa::path(
    get, path = "/v1/gear", operation_id = "list_gear", tag = "Register", params(GearQuery),
    responses((status = 200, body = Page<GearAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_gear(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<GearQuery>,
) -> Result<Page<GearAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    if query.due_within.is_some_and(|days| days > FURTHEST) {
        let detail = format!("give 0 to {FURTHEST} days");
        return Err(Problem::query(Fault::parameter("due_within", None, detail)));
    }
    let filter = GearFilter {
        after: page::place(query.cursor.as_deref())?.unwrap_or_default(),
        id: None,
        with_retired: query.with_retired.unwrap_or(false),
        depot: query.depot,
        key_depots_of: caller.actor.key_depots_of(),
        limit: if query.due_within.is_some() { WHOLE } else { limit + 1 },
    };
    let mut rows = app.store.gear(&filter).await?;
    let (rules, now) = (gear_rules(&app.settings.work), app.now());
    let mut next = None;
    match query.due_within {
        Some(days) => {
            // The days are local to each depot.
            let due = |row: &GearRecord| {
                falling_due(std::slice::from_ref(&row.gear), local_day(now, row.zone), days, &rules)
                    .first()
                    .map(|it| it.1)
            };
            rows.retain(|row| due(row).is_some());
            rows.sort_by_key(due);
        }
        None => next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| row.gear.id.clone()),
    }
    Ok(Page { items: rows.iter().map(|row| view(row, &rules, now)).collect(), next })
}

/// Add gear
#[utoipa::path(
    post, path = "/v1/gear", operation_id = "add_gear", tag = "Register",
    params(MayBeRepeated),
    request_body = NewGear,
    responses((status = 201, body = GearAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn add_gear(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<NewGear>,
) -> Result<Answer, Problem> {
    let new = body.value;
    let what = what(&new)?;
    let id = checked("id", &new.id, values::name(&new.id, LONGEST_NAME))?;
    let gear = Gear { id, depot: new.depot, what, tests: Vec::new(), issued_on: None, retired_on: None };
    let writing = writing(&app, &caller, key, "gear", &body.bytes);
    let rules = gear_rules(&app.settings.work);
    let added =
        |record: &GearRecord| answer(StatusCode::CREATED, Some(record.version), &view(record, &rules, writing.now));
    Ok(app.store.add_gear(gear, &writing, added).await?)
}

/// One piece of gear
#[utoipa::path(
    get, path = "/v1/gear/{id}", operation_id = "get_gear", tag = "Register",
    params(("id" = String, Path, description = "its number")),
    responses((status = 200, body = GearAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_gear(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(id): Segment,
) -> Result<Response, Problem> {
    let filter = GearFilter {
        id: Some(id.clone()),
        with_retired: true,
        key_depots_of: caller.actor.key_depots_of(),
        limit: 1,
        ..GearFilter::default()
    };
    let found = app.store.gear(&filter).await?.into_iter().next();
    let record = found.ok_or_else(|| Problem::not_found("gear", &id))?;
    Ok(tagged(record.version, &view(&record, &gear_rules(&app.settings.work), app.now())))
}

/// Change gear
#[utoipa::path(
    patch, path = "/v1/gear/{id}", operation_id = "change_gear", tag = "Register",
    params(("id" = String, Path, description = "its number"), AsSeen),
    request_body = GearPatch,
    responses((status = 200, body = GearAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn change_gear(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(id): Segment,
    IfMatch(if_match): IfMatch,
    body: Json<GearPatch>,
) -> Result<Answer, Problem> {
    let patch = body.value;
    let retired = retirement(patch.retired_on.clone(), patch.retired_reason.clone())?;
    let change = |record: &mut GearRecord| {
        record.gear.what = patched(record.gear.what, &patch)?;
        if let Some(depot) = patch.depot {
            record.gear.depot = depot;
        }
        if let Some(retired) = retired {
            (record.gear.retired_on, record.retired_reason) = retired.unzip();
        }
        Ok(())
    };
    let writing = writing(&app, &caller, None, "", &[]);
    let rules = gear_rules(&app.settings.work);
    let changed =
        |record: &GearRecord| answer(StatusCode::OK, Some(record.version), &view(record, &rules, writing.now));
    Ok(app.store.change_gear("gear change", &id, if_match, &writing, change, changed).await?)
}

/// A day that has come at the gear's depot.
fn not_ahead(on: NaiveDate, record: &GearRecord, now: DateTime<Utc>) -> Result<(), Conflict> {
    let today = local_day(now, record.zone);
    if on <= today {
        return Ok(());
    }
    Err(Conflict::Field { field: "on", reason: format!("give {today} or an earlier day") })
}

/// Log a test of gear
///
/// A glove's electrical test, or a meter's check. Gear that has become suspect is logged as failed.
#[utoipa::path(
    post, path = "/v1/gear/{id}/tests", operation_id = "add_gear_test", tag = "Work",
    params(("id" = String, Path, description = "its number"), MayBeRepeated),
    request_body = GearTest,
    responses((status = 200, body = GearAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn add_gear_test(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(id): Segment,
    key: Option<IdempotencyKey>,
    body: Json<GearTest>,
) -> Result<Answer, Problem> {
    let given = body.value;
    let test = Test {
        on: checked("on", &given.on, values::date(&given.on))?,
        by: checked("by", &given.by, values::name(&given.by, LONGEST_NAME))?,
        passed: given.passed,
    };
    let writing = writing(&app, &caller, key, &format!("gear/{id}/tests"), &body.bytes);
    let change = |record: &mut GearRecord| {
        not_ahead(test.on, record, writing.now)?;
        record.gear.tests.push(test);
        Ok(())
    };
    let rules = gear_rules(&app.settings.work);
    let done = |record: &GearRecord| answer(StatusCode::OK, Some(record.version), &view(record, &rules, writing.now));
    Ok(app.store.change_gear("gear test", &id, store::IfMatch::Any, &writing, change, done).await?)
}

/// Issue gear for service
///
/// Once, and within twelve months of its test for gloves (29 CFR 1910.137(c)(2)(viii), Table I-5): from then on they are tested
/// every six months.
#[utoipa::path(
    post, path = "/v1/gear/{id}/issue", operation_id = "issue_gear", tag = "Register",
    params(("id" = String, Path, description = "its number"), MayBeRepeated),
    request_body = IssueRequest,
    responses((status = 200, body = GearAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn issue_gear(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(id): Segment,
    key: Option<IdempotencyKey>,
    body: Json<IssueRequest>,
) -> Result<Answer, Problem> {
    let given = body.value.on.map(|text| checked("on", &text, values::date(&text))).transpose()?;
    let writing = writing(&app, &caller, key, &format!("gear/{id}/issue"), &body.bytes);
    let rules = gear_rules(&app.settings.work);
    let change = |old: &mut GearRecord| {
        let on = given.unwrap_or_else(|| local_day(writing.now, old.zone));
        not_ahead(on, old, writing.now)?;
        if let Some(issued) = old.gear.issued_on {
            return Err(Conflict::Rule(format!("{} has been in service since {issued}", old.gear.id)));
        }
        let refused = |reason: ventmile_model::work::Unusable| Conflict::Field {
            field: "on",
            reason: format!("{} cannot be issued on {on}: {reason}", old.gear.id),
        };
        old.gear.may_issue(on, &rules).map_err(refused)?;
        old.gear.issued_on = Some(on);
        Ok(())
    };
    let done = |record: &GearRecord| answer(StatusCode::OK, Some(record.version), &view(record, &rules, writing.now));
    Ok(app.store.change_gear("gear issue", &id, store::IfMatch::Any, &writing, change, done).await?)
}
