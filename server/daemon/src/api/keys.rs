//! Keys: made, listed, rotated, revoked.

use axum::extract::State;
use axum::http::{StatusCode, Uri};
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::body::{Json, Params, Segment};
use super::condition::{DoneOnce, IdempotencyKey, writing};
use super::key::{Admin, Key};
use super::logs::LONGEST_NAME;
use super::orders::checked;
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::shapes::answer;
use super::values;
use crate::app::App;
use crate::app::keys::{Caller, KeyWish, Scope, scopes_of};
use crate::store::{Answer, KeyRecord};

/// A key to be made.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"name": "north shop", "may": ["read", "post", "work"], "depots": ["NORTH"]}))]
pub struct NewKeyRequest {
    /// What it is called: its acts stand under this name in the journal. Not used by any key before.
    name: String,
    /// What it may do: read, post, work, plan, admin. Nothing that the key that asks may not do itself.
    may: Vec<String>,
    /// Codes of the depots it is confined to; all when empty or left out.
    #[serde(default)]
    depots: Vec<String>,
    /// When it ends; never when left out. Not later than the key that asks.
    expires_at: Option<String>,
}

/// How a key gets a new secret.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"overlap_hours": 24}))]
pub struct RotateRequest {
    /// For how many hours the secret it has works beside the new one; 24 when left out, 0 where it has leaked.
    overlap_hours: Option<u32>,
}

/// A key.
#[derive(Debug, Serialize, ToSchema)]
pub struct KeyAnswer {
    /// What it is called.
    name: String,
    /// What it may do.
    may: Vec<&'static str>,
    /// The depots it is confined to; all when empty.
    depots: Vec<String>,
    /// When it was made.
    created_at: DateTime<Utc>,
    /// When it ends; null for never.
    expires_at: Option<DateTime<Utc>>,
    /// When it was revoked.
    revoked_at: Option<DateTime<Utc>>,
    /// When it was last used, as written down about once a minute.
    last_used_at: Option<DateTime<Utc>>,
    /// Until when the secret from before its last rotation works beside the new one.
    old_secret_until: Option<DateTime<Utc>>,
    /// What is sent as Bearer credential: shown once, when the key is made or rotated.
    key: Option<String>,
}

fn view(record: &KeyRecord, key: Option<&str>) -> KeyAnswer {
    KeyAnswer {
        name: record.name.clone(),
        may: scopes_of(record).into_iter().map(Scope::as_str).collect(),
        depots: record.depots.clone(),
        created_at: record.created_at,
        expires_at: record.expires_at,
        revoked_at: record.revoked_at,
        last_used_at: record.last_used_at,
        old_secret_until: record.old_until,
        key: key.map(str::to_owned),
    }
}

fn name(text: &str) -> Result<String, Problem> {
    let read = values::name(text, LONGEST_NAME);
    checked(
        "name",
        text,
        read.and_then(|name| if name.contains(',') { Err("give a name without a comma".to_owned()) } else { Ok(name) }),
    )
}

fn scopes(texts: &[String]) -> Result<Vec<Scope>, Problem> {
    let known: Vec<&str> = Scope::ALL.into_iter().map(Scope::as_str).collect();
    let wrong = |place: String, value| {
        Problem::body(Fault::field(place, value, format!("give one or more of {}", known.join(", "))))
    };
    if texts.is_empty() {
        return Err(wrong("/may".to_owned(), None));
    }
    let read = |(place, text): (usize, &String)| {
        Scope::parse(text).ok_or_else(|| wrong(format!("/may/{place}"), Some(text.as_str().into())))
    };
    texts.iter().enumerate().map(read).collect()
}

fn end(text: Option<&str>, now: DateTime<Utc>) -> Result<Option<DateTime<Utc>>, Problem> {
    let read = |text: &str| {
        let to_come = |at| if at > now { Ok(at) } else { Err("give a time to come".to_owned()) };
        checked("expires_at", text, values::instant(text).and_then(to_come))
    };
    text.map(read).transpose()
}

/// Make a key
///
/// It is shown this once: the answer to a repeated request has none. Nobody makes a key that may do more, see more or stand
/// longer than the key that asks.
#[utoipa::path(
    post, path = "/v1/keys", operation_id = "add_key", tag = "Around",
    params(DoneOnce),
    request_body = NewKeyRequest,
    responses((status = 201, body = KeyAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn add_key(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: IdempotencyKey,
    body: Json<NewKeyRequest>,
) -> Result<Answer, Problem> {
    let request = body.value;
    let expires_at = end(request.expires_at.as_deref(), app.now())?;
    let wish =
        KeyWish { name: name(&request.name)?, scopes: scopes(&request.may)?, depots: request.depots, expires_at };
    caller.may_hand_out(&wish.scopes, &wish.depots, wish.expires_at)?;
    let writing = writing(&app, &caller, Some(key), "keys", &body.bytes);
    let made = |record: &KeyRecord, secret: Option<&str>| answer(StatusCode::CREATED, None, &view(record, secret));
    Ok(app.make_key(wish, &writing, made).await?)
}

/// Which keys are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct KeyQuery {
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// List keys
///
/// In the order of their making, revoked ones too. A key confined to depots sees keys confined to none but these.
#[utoipa::path(
    get, path = "/v1/keys", operation_id = "list_keys", tag = "Around", params(KeyQuery),
    responses((status = 200, body = Page<KeyAnswer>), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn list_keys(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    uri: Uri,
    Params(query): Params<KeyQuery>,
) -> Result<Page<KeyAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let after = page::place(query.cursor.as_deref())?.unwrap_or(0);
    let mut rows = app.store.keys(after, caller.actor.key_depots_of(), limit + 1).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| row.id);
    Ok(Page { items: rows.iter().map(|row| view(row, None)).collect(), next })
}

/// The key of this name, if the caller may know of it.
async fn known(app: &App, caller: &Caller, name: &str) -> Result<KeyRecord, Problem> {
    let found = app.store.find_key_named(name, caller.actor.key_depots_of()).await?;
    found.ok_or_else(|| Problem::not_found("key", name))
}

/// One key
#[utoipa::path(
    get, path = "/v1/keys/{name}", operation_id = "get_key", tag = "Around",
    params(("name" = String, Path, description = "its name")),
    responses((status = 200, body = KeyAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn get_key(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(name): Segment,
) -> Result<axum::Json<KeyAnswer>, Problem> {
    Ok(axum::Json(view(&known(&app, &caller, &name).await?, None)))
}

/// A month: an overlap is for the time it takes to tell everybody, no second key.
const LONGEST_OVERLAP_HOURS: u32 = 744;

/// Give a key a new secret
///
/// The new one is shown this once. The one it has works for `overlap_hours` more, an older one no longer. Nobody rotates a key that
/// may do more or stands longer than the key that asks.
#[utoipa::path(
    post, path = "/v1/keys/{name}/rotate", operation_id = "rotate_key", tag = "Around",
    params(("name" = String, Path, description = "its name"), DoneOnce),
    request_body = RotateRequest,
    responses((status = 200, body = KeyAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn rotate_key(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(name): Segment,
    key: IdempotencyKey,
    body: Json<RotateRequest>,
) -> Result<Answer, Problem> {
    let hours = body.value.overlap_hours.unwrap_or(24);
    if hours > LONGEST_OVERLAP_HOURS {
        let detail = format!("give 0 to {LONGEST_OVERLAP_HOURS} hours");
        return Err(Problem::body(Fault::field("/overlap_hours", Some(hours.into()), detail)));
    }
    let record = known(&app, &caller, &name).await?;
    caller.may_hand_out(&scopes_of(&record), &record.depots, record.expires_at)?;
    let writing = writing(&app, &caller, Some(key), &format!("keys/{name}/rotate"), &body.bytes);
    let rotated = |record: &KeyRecord, secret: Option<&str>| answer(StatusCode::OK, None, &view(record, secret));
    Ok(app.rotate_key(&name, TimeDelta::hours(i64::from(hours)), &writing, rotated).await?)
}

/// Revoke a key
///
/// The process that answers takes it no more; another one on the same database does for two seconds at most.
#[utoipa::path(
    post, path = "/v1/keys/{name}/revoke", operation_id = "revoke_key", tag = "Around",
    params(("name" = String, Path, description = "its name"), DoneOnce),
    responses((status = 200, body = KeyAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn revoke_key(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(name): Segment,
    key: IdempotencyKey,
) -> Result<Answer, Problem> {
    let writing = writing(&app, &caller, Some(key), &format!("keys/{name}/revoke"), &[]);
    let revoked = |record: &KeyRecord| answer(StatusCode::OK, None, &view(record, None));
    Ok(app.revoke_key(&name, &writing, revoked).await?)
}
