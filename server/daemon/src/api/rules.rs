//! Service rules.

use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::Response;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::fleet::{DistanceUnit, Hours, Metres, Mixed, Rule, Window, WindowSet};

use super::body::{Json, Params, Segment};
use super::condition::{AsSeen, IdempotencyKey, IfMatch, MayBeRepeated, writing};
use super::key::{Admin, Key, Read};
use super::logs::LONGEST_NAME;
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::shapes::{Edges, Windows, answer, shown, tagged};
use super::values;
use crate::app::App;
use crate::store::{Answer, RuleChange, RuleRecord};

/// A rule to be added.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"code": "fan-service-vb", "kind": "fan-service", "depot": "VB", "distance_unit": "mi", "hard": {"distance": {"early": 20000, "late": 25000}}, "ordinary": {"distance": {"early": 25000, "late": 30000}}, "lead_days": 14, "mixed": "strict"}))]
pub struct NewRule {
    /// What the fleet calls it.
    code: String,
    /// The job it is for.
    kind: String,
    /// The only depot it is for.
    depot: Option<String>,
    /// The only model it is for.
    model: Option<String>,
    /// `mi` or `km`: the unit of the windows given here.
    distance_unit: String,
    /// Windows in hard duty.
    hard: Windows,
    /// Windows in ordinary duty; the hard ones apply when left out, and the answers say so.
    ordinary: Option<Windows>,
    /// Days before the early edge at which an order is raised; 14 when left out.
    lead_days: Option<i64>,
    /// `strict` (the hardest grade sustained since the last service decides; when left out) or `blended` (each mile
    /// uses up its share of the interval).
    mixed: Option<String>,
    /// An order is raised when the chance of running past the late edge within the lead time is above this; 0.1 when
    /// left out.
    raise_chance: Option<f64>,
}

/// What is changed about a rule; what is left out stays.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RulePatch {
    /// Unit of the windows given here, and in which they are shown from now on.
    distance_unit: Option<String>,
    /// Windows in hard duty.
    hard: Option<Windows>,
    /// Windows in ordinary duty; null takes them away.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<Windows>)]
    ordinary: Option<Option<Windows>>,
    /// Lead time in days.
    lead_days: Option<i64>,
    /// `strict` or `blended`.
    mixed: Option<String>,
    /// Chance above which an order is raised.
    raise_chance: Option<f64>,
}

/// A service rule.
#[derive(Debug, Serialize, ToSchema)]
pub struct RuleAnswer {
    /// What the fleet calls it.
    code: String,
    /// The job it is for.
    kind: &'static str,
    /// The only depot it is for.
    depot: Option<String>,
    /// The only model it is for.
    model: Option<String>,
    /// Unit of the windows.
    distance_unit: &'static str,
    /// Windows in hard duty.
    hard: Windows,
    /// Windows in ordinary duty; null where the hard ones apply.
    ordinary: Option<Windows>,
    /// Lead time in days.
    lead_days: i64,
    /// `strict` or `blended`.
    mixed: &'static str,
    /// Chance above which an order is raised.
    raise_chance: f64,
    /// Counts its changes; its entity tag.
    version: i64,
}

/// Windows as they are shown.
pub(super) fn shown_windows(set: &WindowSet, unit: DistanceUnit) -> Windows {
    let edges = |early: f64, late: f64| Edges { early, late };
    Windows {
        distance: set.distance.map(|window| edges(shown(window.early, unit), shown(window.late, unit))),
        hours: set.hours.map(|window| edges(window.early.0, window.late.0)),
        days: set.days.map(|window| edges(window.early as f64, window.late as f64)),
    }
}

fn view(record: &RuleRecord) -> RuleAnswer {
    let rule = &record.rule;
    RuleAnswer {
        code: record.code.clone(),
        kind: record.kind.as_str(),
        depot: record.depot.clone(),
        model: record.model.clone(),
        distance_unit: record.distance_unit.as_str(),
        hard: shown_windows(&rule.hard, record.distance_unit),
        ordinary: rule.ordinary.as_ref().map(|set| shown_windows(set, record.distance_unit)),
        lead_days: rule.lead_days,
        mixed: rule.mixed.as_str(),
        raise_chance: rule.raise_chance,
        version: record.version,
    }
}

fn fault(pointer: String, value: serde_json::Value, detail: impl Into<String>) -> Problem {
    Problem::body(Fault::field(pointer, Some(value), detail))
}

/// An edge lies above zero and the late one not before the early one.
fn check_edges(pointer: &str, edges: Edges, most: f64) -> Result<(), Problem> {
    if !(edges.early > 0.0 && edges.early <= most) {
        return Err(fault(
            format!("{pointer}/early"),
            values::number(edges.early),
            format!("give more than 0, at most {most}"),
        ));
    }
    if !(edges.late >= edges.early && edges.late <= most) {
        let detail = format!("give at least the early edge, {}, at most {most}", edges.early);
        return Err(fault(format!("{pointer}/late"), values::number(edges.late), detail));
    }
    Ok(())
}

/// Beyond this no interval makes sense, in any meter.
const FURTHEST: f64 = 1e6;

fn window_set(name: &str, windows: &Windows, unit: DistanceUnit) -> Result<WindowSet, Problem> {
    let mut set = WindowSet::default();
    if let Some(edges) = windows.distance {
        check_edges(&format!("/{name}/distance"), edges, FURTHEST)?;
        let metres = |value| unit.to_metres(value).unwrap_or(Metres(i64::MAX));
        set.distance = Some(Window { early: metres(edges.early), late: metres(edges.late) });
    }
    if let Some(edges) = windows.hours {
        check_edges(&format!("/{name}/hours"), edges, FURTHEST)?;
        set.hours = Some(Window { early: Hours(edges.early), late: Hours(edges.late) });
    }
    if let Some(edges) = windows.days {
        let pointer = format!("/{name}/days");
        check_edges(&pointer, edges, 36_500.0)?;
        if edges.early.fract() != 0.0 || edges.late.fract() != 0.0 {
            return Err(fault(pointer, serde_json::json!(edges), "give whole days"));
        }
        set.days = Some(Window { early: edges.early as i64, late: edges.late as i64 });
    }
    if set == WindowSet::default() {
        let detail = "give a window in at least one of distance, hours and days";
        return Err(fault(format!("/{name}"), serde_json::json!(windows), detail));
    }
    Ok(set)
}

fn unit(text: &str) -> Result<DistanceUnit, Problem> {
    values::distance_unit(text).map_err(|reason| fault("/distance_unit".into(), text.into(), reason))
}

fn lead_days(days: i64) -> Result<i64, Problem> {
    if (0..=366).contains(&days) {
        Ok(days)
    } else {
        Err(fault("/lead_days".into(), days.into(), "give 0 to 366 days"))
    }
}

fn mixed(text: &str) -> Result<Mixed, Problem> {
    Mixed::parse(text).ok_or_else(|| fault("/mixed".into(), text.into(), "give strict or blended"))
}

fn raise_chance(chance: f64) -> Result<f64, Problem> {
    let right = (0.0..=1.0).contains(&chance);
    if right { Ok(chance) } else { Err(fault("/raise_chance".into(), values::number(chance), "give 0 to 1")) }
}

/// The change of a rule whose windows are in `known` unless the patch names another unit.
pub(super) fn changed(patch: RulePatch, known: DistanceUnit) -> Result<RuleChange, Problem> {
    let given_unit = patch.distance_unit.as_deref().map(unit).transpose()?;
    let unit = given_unit.unwrap_or(known);
    let ordinary = |windows: Option<Windows>| windows.map(|windows| window_set("ordinary", &windows, unit)).transpose();
    Ok(RuleChange {
        hard: patch.hard.map(|windows| window_set("hard", &windows, unit)).transpose()?,
        ordinary: patch.ordinary.map(ordinary).transpose()?,
        lead_days: patch.lead_days.map(lead_days).transpose()?,
        mixed: patch.mixed.as_deref().map(mixed).transpose()?,
        raise_chance: patch.raise_chance.map(raise_chance).transpose()?,
        distance_unit: given_unit,
    })
}

/// Which rules are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct RuleQuery {
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// List service rules
#[utoipa::path(
    get, path = "/v1/service-rules", operation_id = "list_service_rules", tag = "Register", params(RuleQuery),
    responses((status = 200, body = Page<RuleAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_service_rules(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<RuleQuery>,
) -> Result<Page<RuleAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let after: String = page::place(query.cursor.as_deref())?.unwrap_or_default();
    let mut rows = app.store.rules(&after, caller.actor.key_depots_of(), limit + 1).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| row.code.clone());
    Ok(Page { items: rows.iter().map(view).collect(), next })
}

/// Add a service rule
///
/// The rule that names a car's depot and model applies before one that names its depot, then its model, then all.
#[utoipa::path(
    post, path = "/v1/service-rules", operation_id = "add_service_rule", tag = "Register",
    params(MayBeRepeated),
    request_body = NewRule,
    responses((status = 201, body = RuleAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn add_service_rule(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<NewRule>,
) -> Result<Answer, Problem> {
    let new = body.value;
    if new.depot.is_none() && !caller.actor.depots.is_empty() {
        return Err(Problem::forbidden("the key is confined to depots: name one of them in `depot`"));
    }
    let unit = unit(&new.distance_unit)?;
    let name = |field: &str, text: &str| {
        values::name(text, LONGEST_NAME).map_err(|reason| fault(format!("/{field}"), text.into(), reason))
    };
    let record = RuleRecord {
        id: 0,
        version: 1,
        code: name("code", &new.code)?,
        kind: values::kind(&new.kind).map_err(|reason| fault("/kind".into(), new.kind.as_str().into(), reason))?,
        depot: new.depot,
        model: new.model.map(|text| name("model", &text)).transpose()?,
        distance_unit: unit,
        rule: Rule {
            hard: window_set("hard", &new.hard, unit)?,
            ordinary: new.ordinary.map(|windows| window_set("ordinary", &windows, unit)).transpose()?,
            lead_days: lead_days(new.lead_days.unwrap_or(14))?,
            mixed: new.mixed.as_deref().map_or(Ok(Mixed::Strict), mixed)?,
            raise_chance: raise_chance(new.raise_chance.unwrap_or(0.1))?,
        },
    };
    let writing = writing(&app, &caller, key, "service-rules", &body.bytes);
    let view = |record: &RuleRecord| answer(StatusCode::CREATED, Some(record.version), &view(record));
    let done = app.store.add_rule(record, &writing, view).await?;
    app.news.notify_one();
    Ok(done)
}

/// One service rule
#[utoipa::path(
    get, path = "/v1/service-rules/{code}", operation_id = "get_service_rule", tag = "Register",
    params(("code" = String, Path, description = "its code")),
    responses((status = 200, body = RuleAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_service_rule(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(code): Segment,
) -> Result<Response, Problem> {
    let found = app.store.find_rule(&code).await?;
    let found = found.filter(|rule| rule.depot.as_deref().is_none_or(|depot| caller.actor.may_see(depot)));
    let record = found.ok_or_else(|| Problem::not_found("service rule", &code))?;
    Ok(tagged(record.version, &view(&record)))
}

/// Change a service rule
#[utoipa::path(
    patch, path = "/v1/service-rules/{code}", operation_id = "change_service_rule", tag = "Register",
    params(("code" = String, Path, description = "its code"), AsSeen),
    request_body = RulePatch,
    responses((status = 200, body = RuleAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn change_service_rule(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(code): Segment,
    IfMatch(if_match): IfMatch,
    body: Json<RulePatch>,
) -> Result<Answer, Problem> {
    let found = app.store.find_rule(&code).await?;
    let found = found.filter(|rule| rule.depot.as_deref().is_none_or(|depot| caller.actor.may_see(depot)));
    let old = found.ok_or_else(|| Problem::not_found("service rule", &code))?;
    let change = changed(body.value, old.distance_unit)?;
    let writing = writing(&app, &caller, None, "", &[]);
    let view = |record: &RuleRecord| answer(StatusCode::OK, Some(record.version), &view(record));
    let done = app.store.change_rule(&code, if_match, change, &writing, view).await?;
    app.news.notify_one();
    Ok(done)
}
