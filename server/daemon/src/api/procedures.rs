//! Procedures.

use axum::extract::State;
use axum::http::{StatusCode, Uri};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::body::{Json, Params, Segment};
use super::condition::{IdempotencyKey, MayBeRepeated, writing};
use super::key::{Admin, Key, Read};
use super::page::{self, Page};
use super::problem::Problem;
use super::shapes::answer;
use crate::app::App;
use crate::store::{Answer, ProcedureRecord, ProcedureText};

/// A procedure: ordered steps, what each needs and what it must record.
#[derive(ToSchema)]
#[allow(dead_code, reason = "read and written as ProcedureText; this names its fields in the document")]
pub(super) struct ProcedureBody {
    /// The fleet's own code.
    code: String,
    /// The job it is for. New orders of the job get the procedure added last for it.
    kind: String,
    /// Its version: the next after the latest, 1 for a new code.
    version: u32,
    /// What it is called.
    title: String,
    /// What is read before the first step.
    cautions: Vec<String>,
    /// Its steps in order.
    steps: Vec<StepBody>,
}

/// One step of a procedure.
#[derive(ToSchema)]
#[allow(dead_code, reason = "read and written as StepText; this names its fields in the document")]
pub(super) struct StepBody {
    /// Its number, from 1; may be left out, its place says it.
    number: Option<u32>,
    /// What it is called.
    title: String,
    /// What is done.
    text: String,
    /// What the gates know it as: `plain`, `cooling`, `fan`, `person`, `gloves`, `meter`, `key-out`, `ground-off`, `plug-out`,
    /// `wait`, `measure`, `lift`, `plug-in` or `codes`.
    role: String,
    /// Whether the high-voltage system is open at this step: the lock-out stands before it.
    #[schema(required = false)]
    opens_high_voltage: bool,
    /// What it needs.
    #[schema(required = false)]
    needs: NeedsBody,
    /// What it must record.
    #[schema(required = false)]
    records: Vec<RecordBody>,
}

/// What a step needs.
#[derive(ToSchema)]
#[allow(dead_code, reason = "read and written as NeedsText; this names its fields in the document")]
pub(super) struct NeedsBody {
    /// How many people; 1 when left out. A lifting aid makes one enough for a lift.
    #[schema(required = false)]
    people: usize,
    /// The certificate that each of them holds.
    certificate: Option<String>,
    /// Gear that is named by id: `gloves`, `meter`.
    #[schema(required = false)]
    gear: Vec<String>,
    /// Tools to have at hand; shown, not checked.
    #[schema(required = false)]
    tools: Vec<String>,
}

/// One thing a step records.
#[derive(ToSchema)]
#[allow(dead_code, reason = "read and written as RecordText; this names its fields in the document")]
pub(super) struct RecordBody {
    /// Its name in evidence: lower-case letters, digits and `_`.
    name: String,
    /// `choice`, `number`, `residual` (volts left at a point that must be dead), `name` (a person's code), `photo` (a
    /// reference) or `text`.
    ask: String,
    /// Of a choice: what may be chosen.
    options: Option<Vec<String>>,
    /// Of a choice: those that count as passed; each when empty.
    #[schema(required = false)]
    pass: Vec<String>,
    /// Of a number: its unit.
    unit: Option<String>,
    /// Of a number: the lowest that can be true.
    low: Option<f64>,
    /// Of a number: the highest that can be true.
    high: Option<f64>,
    /// Whether the step is refused without it; true when left out.
    #[schema(required = false)]
    required: bool,
}

/// A stored version of a procedure.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProcedureAnswer {
    /// The procedure.
    #[schema(value_type = ProcedureBody)]
    procedure: ProcedureText,
    /// Who added this version.
    added_by: String,
    /// When.
    added_at: DateTime<Utc>,
}

fn view(record: &ProcedureRecord) -> ProcedureAnswer {
    ProcedureAnswer { procedure: record.text.clone(), added_by: record.added_by.clone(), added_at: record.added_at }
}

/// Which procedures are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct ProcedureListQuery {
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// List procedures
///
/// The latest version of each.
#[utoipa::path(
    get, path = "/v1/procedures", operation_id = "list_procedures", tag = "Register", params(ProcedureListQuery),
    responses((status = 200, body = Page<ProcedureAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_procedures(
    State(app): State<App>,
    Key(..): Key<Read>,
    uri: Uri,
    Params(query): Params<ProcedureListQuery>,
) -> Result<Page<ProcedureAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let after: String = page::place(query.cursor.as_deref())?.unwrap_or_default();
    let mut rows = app.store.procedures(&after, limit + 1).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| row.text.code.clone());
    Ok(Page { items: rows.iter().map(view).collect(), next })
}

/// Which version is wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct ProcedureQuery {
    /// The version; the latest when left out.
    version: Option<i64>,
}

/// One procedure
#[utoipa::path(
    get, path = "/v1/procedures/{code}", operation_id = "get_procedure", tag = "Register",
    params(("code" = String, Path, description = "its code"), ProcedureQuery),
    responses((status = 200, body = ProcedureAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_procedure(
    State(app): State<App>,
    Key(..): Key<Read>,
    Segment(code): Segment,
    Params(query): Params<ProcedureQuery>,
) -> Result<axum::Json<ProcedureAnswer>, Problem> {
    let found = app.store.find_procedure(&code, query.version).await?;
    Ok(axum::Json(view(&found.ok_or_else(|| Problem::not_found("procedure", &code))?)))
}

/// Add a procedure, or the next version of one
///
/// It is checked before it is taken: the lock-out in its order before every step that opens the high-voltage system, the plug
/// back and codes read afterwards, what the gates look for recorded in the words they know. Open orders keep their version.
#[utoipa::path(
    post, path = "/v1/procedures", operation_id = "add_procedure", tag = "Register",
    params(MayBeRepeated),
    request_body = ProcedureBody,
    responses((status = 201, body = ProcedureAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn add_procedure(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<ProcedureText>,
) -> Result<Answer, Problem> {
    if !caller.actor.depots.is_empty() {
        return Err(Problem::forbidden("the key is confined to depots, and a procedure is for all"));
    }
    let writing = writing(&app, &caller, key, "procedures", &body.bytes);
    let added = |record: &ProcedureRecord| answer(StatusCode::CREATED, None, &view(record));
    Ok(app.store.add_procedure(&body.value, &writing, added).await?)
}
