//! Calendars of depots at secret addresses. Only a hash of each secret is stored.

use chrono::{DateTime, Utc};
use serde_json::json;

use super::journal::Entry;
use super::values::{instant, micros};
use super::{Answer, Conflict, Result, Store, Tx, Writing, opened, read, within};

/// A calendar somebody may read without a key.
#[derive(Clone, Debug)]
pub struct CalendarRecord {
    /// Its number.
    pub id: i64,
    /// Code of its depot.
    pub depot: String,
    /// Number of that depot.
    pub depot_id: i64,
    /// Who reads it, in words.
    pub name: String,
    /// Which key made it.
    pub added_by: String,
    /// When.
    pub created_at: DateTime<Utc>,
    /// When its address was taken back.
    pub revoked_at: Option<DateTime<Utc>>,
}

/// A calendar to be stored.
#[derive(Clone, Debug)]
pub struct NewCalendar {
    /// Code of its depot.
    pub depot: String,
    /// Who reads it, in words.
    pub name: String,
    /// Hexadecimal SHA-256 of the secret in its address.
    pub hash: String,
}

type Row = (i64, String, i64, String, String, i64, Option<i64>);

macro_rules! select {
    ($rest:literal) => {
        concat!(
            "SELECT c.id, d.code, c.depot_id, c.name, c.added_by, c.created_us, c.revoked_us
            FROM calendars c JOIN depots d ON d.id = c.depot_id ",
            $rest
        )
    };
}

const BY_HASH: &str = select!("WHERE c.hash = $1 AND c.revoked_us IS NULL");
const BY_ID: &str = select!("WHERE c.id = $1");
const LIST: &str = select!(
    "WHERE c.id > $1 AND (CAST($2 AS BIGINT) IS NULL
        OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $2 AND key_depots.depot_id = c.depot_id))
    ORDER BY c.id LIMIT $3"
);
const ADD: &str = "INSERT INTO calendars (depot_id, name, hash, added_by, created_us)
    VALUES ($1, $2, $3, $4, $5) RETURNING id";
const REVOKE: &str = "UPDATE calendars SET revoked_us = $2 WHERE id = $1 AND revoked_us IS NULL";

fn record((id, depot, depot_id, name, added_by, created, revoked): Row) -> Result<CalendarRecord> {
    Ok(CalendarRecord {
        id,
        depot,
        depot_id,
        name,
        added_by,
        created_at: instant("calendars.created_us", created)?,
        revoked_at: revoked.map(|at| instant("calendars.revoked_us", at)).transpose()?,
    })
}

impl Tx {
    async fn calendar(&mut self, id: i64, writing: &Writing) -> Result<CalendarRecord> {
        let row: Option<Row> = within!(self, c => sqlx::query_as(BY_ID).bind(id).fetch_optional(c).await)?;
        let found = row.map(record).transpose()?.filter(|calendar| writing.actor.may_see(&calendar.depot));
        Ok(found.ok_or_else(|| Conflict::Missing { what: "calendar", name: id.to_string() })?)
    }

    async fn journal_calendar(
        &mut self,
        action: &'static str,
        calendar: &CalendarRecord,
        writing: &Writing,
    ) -> Result<()> {
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("calendar {}", calendar.id),
            depot_id: Some(calendar.depot_id),
            before: None,
            after: Some(json!({"name": calendar.name, "depot": calendar.depot})),
        })
        .await
    }
}

impl Store {
    /// The calendar whose address has this hash and stands.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails.
    pub async fn find_calendar(&self, hash: &str) -> Result<Option<CalendarRecord>> {
        let row: Option<Row> = read!(self, pool => sqlx::query_as(BY_HASH).bind(hash).fetch_optional(pool).await)?;
        row.map(record).transpose()
    }

    /// Calendars in the order of their making, revoked ones too.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails.
    pub async fn calendars(&self, after: i64, key_depots_of: Option<i64>, limit: i64) -> Result<Vec<CalendarRecord>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(LIST)
            .bind(after).bind(key_depots_of).bind(limit).fetch_all(pool).await)?;
        rows.into_iter().map(record).collect()
    }

    /// Stores a calendar. `answer` is made twice: told `false` it must not hold the secret, since that one is kept for a
    /// repeated request; told `true` it is what goes out now.
    ///
    /// # Errors
    /// [`Conflict::Field`] when the depot is not there.
    pub async fn add_calendar(
        &self,
        new: NewCalendar,
        writing: &Writing,
        answer: impl Fn(&CalendarRecord, bool) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let depot = tx.named_depot(&new.depot, writing).await?;
        let id: i64 = within!(&mut tx, c => sqlx::query_scalar(ADD)
            .bind(depot.id).bind(&new.name).bind(&new.hash).bind(&writing.actor.name).bind(micros(writing.now))
            .fetch_one(c).await)?;
        let calendar = tx.calendar(id, writing).await?;
        tx.journal_calendar("calendar add", &calendar, writing).await?;
        tx.finish(writing, answer(&calendar, false)).await?;
        Ok(answer(&calendar, true))
    }

    /// Takes a calendar's address back.
    ///
    /// # Errors
    /// [`Conflict::Missing`] when it is not there, [`Conflict::Rule`] when that was done already.
    pub async fn revoke_calendar(
        &self,
        id: i64,
        writing: &Writing,
        answer: impl FnOnce(&CalendarRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        tx.calendar(id, writing).await?;
        let revoked = within!(&mut tx, c => sqlx::query(REVOKE).bind(id).bind(micros(writing.now))
            .execute(c).await.map(|done| done.rows_affected()))?;
        if revoked == 0 {
            return Err(Conflict::Rule("its address was taken back before".to_owned()).into());
        }
        let calendar = tx.calendar(id, writing).await?;
        tx.journal_calendar("calendar revoke", &calendar, writing).await?;
        tx.finish(writing, answer(&calendar)).await
    }
}
