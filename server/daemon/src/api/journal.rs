//! The journal, read.

use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, Uri, header};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use futures_util::stream::{self, Stream};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};

use super::body::Params;
use super::key::{Admin, Key};
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use crate::app::App;
use crate::store::{JournalLine, Store, StoreError};

/// Which lines are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct JournalQuery {
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
    /// `json` or `ndjson`; by the Accept header when left out.
    format: Option<String>,
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
    /// Number of the depot it concerns; null when it concerns all.
    depot_number: Option<i64>,
    /// What stood there before.
    before: Option<Value>,
    /// What stands there since.
    after: Option<Value>,
    /// Hash of the line before; empty in the first.
    previous: String,
    /// SHA-256, hexadecimal, over `previous`, the microseconds of `at` since 1970 and, each after a byte 0x1f, actor, action,
    /// subject, before, after (compact JSON, members sorted, empty for null) and depot number.
    hash: String,
}

impl From<JournalLine> for LineAnswer {
    fn from(line: JournalLine) -> Self {
        let json = |text: Option<String>| text.and_then(|text| serde_json::from_str(&text).ok());
        Self {
            id: line.id,
            at: line.at,
            actor: line.actor,
            action: line.action,
            subject: line.subject,
            depot_number: line.depot_id,
            before: json(line.before),
            after: json(line.after),
            previous: line.previous,
            hash: line.hash,
        }
    }
}

const NDJSON: &str = "application/x-ndjson";

/// The journal as NDJSON from a line on, oldest first, a page at a time.
pub fn export(
    store: Store,
    after: i64,
    key_depots_of: Option<i64>,
) -> impl Stream<Item = Result<String, StoreError>> + Send {
    stream::try_unfold(after, move |after| {
        let store = store.clone();
        async move {
            let page = store.journal_page(after, key_depots_of).await?;
            Ok(page.map(|(lines, last)| (lines.into_iter().map(text_line).collect(), last)))
        }
    })
}

fn text_line(line: JournalLine) -> String {
    let mut text = serde_json::to_string(&LineAnswer::from(line)).unwrap_or_default();
    text.push('\n');
    text
}

fn as_ndjson(format: Option<&str>, headers: &HeaderMap) -> Result<bool, Problem> {
    match format {
        Some("ndjson") => Ok(true),
        Some("json") => Ok(false),
        Some(other) => Err(Problem::query(Fault::parameter("format", Some(other), "give json or ndjson"))),
        None => Ok(super::csv::accepts(headers, NDJSON)),
    }
}

/// List the journal
///
/// Every change, oldest first: who did what, from which key, before and after. As NDJSON the whole of it in one answer, from
/// `cursor` on.
#[utoipa::path(
    get, path = "/v1/journal", operation_id = "list_journal", tag = "Around", params(JournalQuery),
    responses(
        (status = 200, content((Page<LineAnswer> = "application/json"), (LineAnswer = "application/x-ndjson"))),
        Problem
    ),
    security(("key" = ["admin"]))
)]
pub(super) async fn list_journal(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    uri: Uri,
    headers: HeaderMap,
    Params(query): Params<JournalQuery>,
) -> Result<Response, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let after: i64 = page::place(query.cursor.as_deref())?.unwrap_or(0);
    let key_depots_of = caller.actor.key_depots_of();
    if as_ndjson(query.format.as_deref(), &headers)? {
        let body = Body::from_stream(export(app.store.clone(), after, key_depots_of));
        return Ok(([(header::CONTENT_TYPE, NDJSON)], body).into_response());
    }
    let mut rows = app.store.journal_lines(after, key_depots_of, limit + 1).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |line| line.id);
    Ok(Page { items: rows.into_iter().map(LineAnswer::from).collect(), next }.into_response())
}
