//! The journal, read.

use axum::extract::State;
use axum::http::Uri;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};

use super::body::Params;
use super::key::{Admin, Key};
use super::page::{self, Page};
use super::problem::Problem;
use crate::app::App;

/// Which lines are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct JournalQuery {
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// One line of the journal.
#[derive(Debug, Serialize, ToSchema)]
pub struct LineAnswer {
    /// Its number.
    id: i64,
    /// When.
    at: DateTime<Utc>,
    /// Which key acted; `loop` for the daemon itself.
    actor: String,
    /// What was done.
    action: String,
    /// To what.
    subject: String,
    /// What stood there before.
    before: Option<Value>,
    /// What stands there since.
    after: Option<Value>,
    /// SHA-256 over the line before and this one.
    hash: String,
}

/// List the journal
///
/// Every change, oldest first: who did what, from which key, before and after.
#[utoipa::path(
    get, path = "/v1/journal", operation_id = "list_journal", tag = "Around", params(JournalQuery),
    responses((status = 200, body = Page<LineAnswer>), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn list_journal(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    uri: Uri,
    Params(query): Params<JournalQuery>,
) -> Result<Page<LineAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let after: i64 = page::place(query.cursor.as_deref())?.unwrap_or(0);
    let mut rows = app.store.journal_lines(after, caller.actor.key_depots_of(), limit + 1).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |line| line.id);
    let json = |text: Option<String>| text.and_then(|text| serde_json::from_str(&text).ok());
    let items = rows
        .into_iter()
        .map(|line| LineAnswer {
            id: line.id,
            at: line.at,
            actor: line.actor,
            action: line.action,
            subject: line.subject,
            before: json(line.before),
            after: json(line.after),
            hash: line.hash,
        })
        .collect();
    Ok(Page { items, next })
}
