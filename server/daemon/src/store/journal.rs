//! The journal: who changed what, append-only, each line's hash covering the line before it.

use chrono::{DateTime, Utc};
use serde_json::Value;
use sha2::{Digest, Sha256};

use super::values::{instant, micros};
use super::{Result, Store, Tx, read, within};

/// What is written into the journal.
pub(super) struct Entry<'a> {
    pub at: DateTime<Utc>,
    pub actor: &'a str,
    pub action: &'static str,
    pub subject: String,
    pub depot_id: Option<i64>,
    pub before: Option<Value>,
    pub after: Option<Value>,
}

/// One line of the journal.
#[derive(Clone, Debug)]
pub struct JournalLine {
    /// Its number.
    pub id: i64,
    /// When.
    pub at: DateTime<Utc>,
    /// Which key acted.
    pub actor: String,
    /// What was done.
    pub action: String,
    /// To what.
    pub subject: String,
    /// What stood there before, as JSON.
    pub before: Option<String>,
    /// What stands there since, as JSON.
    pub after: Option<String>,
    /// Hash of this line, hexadecimal SHA-256.
    pub hash: String,
}

type Row = (i64, i64, String, String, String, Option<String>, Option<String>, String);

const LAST_HASH: &str = "SELECT hash FROM journal ORDER BY id DESC LIMIT 1";

const ADD: &str = "INSERT INTO journal (at_us, actor, action, subject, depot_id, before, after, previous, hash)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)";

const LIST: &str = "SELECT id, at_us, actor, action, subject, before, after, hash FROM journal
    WHERE id > $1 AND (CAST($2 AS BIGINT) IS NULL
        OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $2 AND key_depots.depot_id = journal.depot_id))
    ORDER BY id LIMIT $3";

/// The chain has one end, so writers on Postgres take turns at it; the number is our port.
const TAKE_TURN: &str = "SELECT pg_advisory_xact_lock(7420)";

/// Hash of a line: SHA-256 over the previous hash and every field, each ended by a unit separator.
fn line_hash(previous: &str, at_us: i64, fields: [&str; 5]) -> String {
    let mut digest = Sha256::new();
    digest.update(previous);
    digest.update(at_us.to_string());
    for field in fields {
        digest.update("\u{1f}");
        digest.update(field);
    }
    hex::encode(digest.finalize())
}

impl Tx {
    pub(super) async fn journal(&mut self, entry: Entry<'_>) -> Result<()> {
        if let Tx::Postgres(inner) = self {
            sqlx::query(TAKE_TURN).execute(&mut **inner).await?;
        }
        let previous: Option<String> = within!(self, c => sqlx::query_scalar(LAST_HASH).fetch_optional(c).await)?;
        let previous = previous.unwrap_or_default();
        let before = entry.before.map(|value| value.to_string());
        let after = entry.after.map(|value| value.to_string());
        let at_us = micros(entry.at);
        let text = |side: &Option<String>| side.clone().unwrap_or_default();
        let hash =
            line_hash(&previous, at_us, [entry.actor, entry.action, &entry.subject, &text(&before), &text(&after)]);
        within!(self, c => sqlx::query(ADD)
            .bind(at_us).bind(entry.actor).bind(entry.action).bind(entry.subject).bind(entry.depot_id)
            .bind(before).bind(after).bind(previous).bind(hash)
            .execute(c).await.map(drop))?;
        Ok(())
    }
}

impl Store {
    /// Lines after number `after`, oldest first; only those of the key's depots when `key_depots_of` names a key.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn journal_lines(&self, after: i64, key_depots_of: Option<i64>, limit: i64) -> Result<Vec<JournalLine>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(LIST)
            .bind(after).bind(key_depots_of).bind(limit).fetch_all(pool).await)?;
        rows.into_iter()
            .map(|(id, at, actor, action, subject, before, after, hash)| {
                let at = instant("journal.at_us", at)?;
                Ok(JournalLine { id, at, actor, action, subject, before, after, hash })
            })
            .collect()
    }
}
