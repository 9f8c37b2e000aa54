//! The journal: who changed what, append-only, each line's hash covering the line before it.

use chrono::{DateTime, Utc};
use serde_json::Value;
use sha2::{Digest, Sha256};

use super::forecasts::containing;
use super::values::{instant, micros};
use super::{Result, Store, StoreError, Tx, read, within};

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
    /// Number of the depot it concerns; `None` when it concerns all.
    pub depot_id: Option<i64>,
    /// What stood there before, as JSON.
    pub before: Option<String>,
    /// What stands there since, as JSON.
    pub after: Option<String>,
    /// Hash of the line before; empty in the first.
    pub previous: String,
    /// Hash of this line, hexadecimal SHA-256.
    pub hash: String,
}

/// What a walk along the whole journal found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct JournalCheck {
    /// Lines there are.
    pub lines: u64,
    /// Number and hash of the last one.
    pub last: Option<(i64, String)>,
    /// Number of a line and what is wrong with it, in order.
    pub faults: Vec<(i64, &'static str)>,
    /// Whether a line with the hash asked for is there; `true` when none was asked for.
    pub holds: bool,
}

type Row = (i64, i64, String, String, String, Option<i64>, Option<String>, Option<String>, String, String);

const LAST_HASH: &str = "SELECT hash FROM journal ORDER BY id DESC LIMIT 1";

const ADD: &str = "INSERT INTO journal (at_us, actor, action, subject, depot_id, before, after, previous, hash)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)";

macro_rules! lines {
    ($further:literal) => {
        concat!(
            "SELECT id, at_us, actor, action, subject, depot_id, before, after, previous, hash FROM journal
            WHERE (CAST($2 AS BIGINT) IS NULL
                OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $2 AND key_depots.depot_id = journal.depot_id)) AND ",
            $further
        )
    };
}

const LIST: &str = lines!("id > $1 ORDER BY id LIMIT $3");

const BACK: &str = lines!(
    "id < $1 AND (CAST($4 AS TEXT) IS NULL OR lower(actor || ' ' || action || ' ' || subject) LIKE lower($4) ESCAPE '!')
    ORDER BY id DESC LIMIT $3"
);

/// The chain has one end, so writers on Postgres take turns at it; the number is our port.
const TAKE_TURN: &str = "SELECT pg_advisory_xact_lock(7420)";

/// Lines read at once on a walk along the journal.
const PAGE: i64 = 1000;

/// Hash of a line: SHA-256 over the previous hash, the instant in microseconds and every field, each field after a unit
/// separator: actor, action, subject, before, after, number of the depot.
fn line_hash(previous: &str, at_us: i64, fields: &[&str]) -> String {
    let mut digest = Sha256::new();
    digest.update(previous);
    digest.update(at_us.to_string());
    for field in fields {
        digest.update("\u{1f}");
        digest.update(field);
    }
    hex::encode(digest.finalize())
}

fn depot_text(depot_id: Option<i64>) -> String {
    depot_id.map(|id| id.to_string()).unwrap_or_default()
}

impl TryFrom<Row> for JournalLine {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let (id, at, actor, action, subject, depot_id, before, after, previous, hash) = row;
        let at = instant("journal.at_us", at)?;
        Ok(Self { id, at, actor, action, subject, depot_id, before, after, previous, hash })
    }
}

impl JournalLine {
    /// The hash that this line should have.
    fn expected(&self, with_depot: bool) -> String {
        let text = |side: &Option<String>| side.clone().unwrap_or_default();
        let (before, after, depot) = (text(&self.before), text(&self.after), depot_text(self.depot_id));
        let fields = [self.actor.as_str(), &self.action, &self.subject, &before, &after, &depot];
        let counted = if with_depot { fields.len() } else { fields.len() - 1 };
        line_hash(&self.previous, micros(self.at), fields.get(..counted).unwrap_or_default())
    }
}

/// A walk along the chain.
#[derive(Default)]
struct Walk {
    check: JournalCheck,
    /// Whether a line was seen whose hash covers its depot: older lines do not, later ones all do.
    covers_depots: bool,
}

impl Walk {
    fn step(&mut self, line: &JournalLine, asked: Option<&str>) {
        let before = self.check.last.as_ref().map_or("", |(_, hash)| hash);
        if line.previous != before {
            self.check
                .faults
                .push((line.id, "it does not follow the line before it: lines are missing or out of order"));
        }
        let covers = line.hash == line.expected(true);
        if !covers && (self.covers_depots || line.hash != line.expected(false)) {
            self.check.faults.push((line.id, "it was changed"));
        }
        self.covers_depots |= covers;
        self.check.holds |= asked == Some(line.hash.as_str());
        self.check.lines += 1;
        self.check.last = Some((line.id, line.hash.clone()));
    }
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
        let (old, new, depot) = (text(&before), text(&after), depot_text(entry.depot_id));
        let hash = line_hash(&previous, at_us, &[entry.actor, entry.action, &entry.subject, &old, &new, &depot]);
        within!(self, c => sqlx::query(ADD)
            .bind(at_us).bind(entry.actor).bind(entry.action).bind(entry.subject).bind(entry.depot_id)
            .bind(before).bind(after).bind(previous).bind(hash)
            .execute(c).await.map(drop))?;
        Ok(())
    }

    async fn journal_lines(&mut self, after: i64, key_depots_of: Option<i64>, limit: i64) -> Result<Vec<JournalLine>> {
        let rows: Vec<Row> = within!(self, c => sqlx::query_as(LIST)
            .bind(after).bind(key_depots_of).bind(limit).fetch_all(c).await)?;
        rows.into_iter().map(JournalLine::try_from).collect()
    }

    /// Walks along the whole journal; `each` sees every line.
    pub(super) async fn walk_journal(
        &mut self,
        holds: Option<&str>,
        mut each: impl FnMut(&JournalLine),
    ) -> Result<JournalCheck> {
        let mut walk = Walk::default();
        walk.check.holds = holds.is_none();
        let mut after = i64::MIN;
        loop {
            let lines = self.journal_lines(after, None, PAGE).await?;
            let Some(last) = lines.last() else { return Ok(walk.check) };
            after = last.id;
            for line in &lines {
                walk.step(line, holds);
                each(line);
            }
        }
    }
}

impl Store {
    /// Lines after number `after`, oldest first; only those of the key's depots when `key_depots_of` names a key.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn journal_lines(&self, after: i64, key_depots_of: Option<i64>, limit: i64) -> Result<Vec<JournalLine>> {
        self.begin_read().await?.journal_lines(after, key_depots_of, limit).await
    }

    /// Lines before number `before`, newest first, whose actor, action and subject have `part` in them.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn journal_back(
        &self,
        before: i64,
        part: Option<&str>,
        key_depots_of: Option<i64>,
        limit: i64,
    ) -> Result<Vec<JournalLine>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(BACK)
            .bind(before).bind(key_depots_of).bind(limit).bind(part.map(containing)).fetch_all(pool).await)?;
        rows.into_iter().map(JournalLine::try_from).collect()
    }

    /// The next lines of a walk along the journal, with the number after which to go on; nothing at its end.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn journal_page(
        &self,
        after: i64,
        key_depots_of: Option<i64>,
    ) -> Result<Option<(Vec<JournalLine>, i64)>> {
        let lines = self.journal_lines(after, key_depots_of, PAGE).await?;
        let last = lines.last().map(|line| line.id);
        Ok(last.map(|last| (lines, last)))
    }

    /// Walks along the whole journal and says which lines were changed, are missing or out of order. Lines cut off its end
    /// are seen by `holds` alone: the hash of a line that was noted elsewhere.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn check_journal(&self, holds: Option<&str>) -> Result<JournalCheck> {
        self.begin_read().await?.walk_journal(holds, |_| {}).await
    }
}
