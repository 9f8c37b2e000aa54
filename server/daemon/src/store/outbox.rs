//! Events that tell others of changes: written in the transaction of the change, published in one order after it.
//!
//! A transaction writes what it tells into `outbox`. On Postgres numbers are given at the insert but seen at the commit, so
//! a reader who has seen number 8 may have missed 7. That is why there are two tables: [`Store::publish_events`], one at a time among
//! all processes, moves committed rows into `events` and gives them their numbers there. Numbers of `events` become visible in
//! their order, and whoever has read up to one has missed nothing below it.

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};

use super::values::{instant, micros};
use super::{EventType, Result, Store, Tx, read, within};

/// What a transaction tells.
pub(super) struct Told<'a> {
    pub at: DateTime<Utc>,
    pub what: EventType,
    /// What it is about, such as `vehicle 7`.
    pub subject: String,
    pub depot_id: Option<i64>,
    /// Who did it: the name of a key, or `loop`.
    pub actor: &'a str,
    /// The members of a JSON object.
    pub data: Value,
}

/// A published event.
#[derive(Clone, Debug, PartialEq)]
pub struct PublishedEvent {
    /// Its number.
    pub id: i64,
    /// When.
    pub at: DateTime<Utc>,
    /// Its type.
    pub event_type: String,
    /// What it is about.
    pub subject: String,
    /// Code of the depot it concerns; `None` when it concerns all.
    pub depot: Option<String>,
    /// What it tells, as JSON.
    pub data: String,
}

/// Which events a stream shows.
#[derive(Clone, Debug, Default)]
pub struct StreamFilter {
    /// Only of these types; empty for all.
    pub types: Vec<EventType>,
    /// Only of this depot.
    pub depot: Option<String>,
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
}

type OutboxRow = (i64, i64, String, String, Option<i64>, Option<i64>, String);
pub(super) type EventRow = (i64, i64, String, String, Option<String>, String);

const TELL: &str = "INSERT INTO outbox (at_us, event_type, subject, depot_id, webhook_id, data)
    VALUES ($1, $2, $3, $4, $5, $6)";
const ANY_TOLD: &str = "SELECT EXISTS (SELECT 1 FROM outbox)";
/// Publishers take turns; who finds another at it leaves it to that one. The number is our port's neighbour.
const TRY_TURN: &str = "SELECT pg_try_advisory_xact_lock(7421)";
const TAKE: &str = "DELETE FROM outbox WHERE id IN (SELECT id FROM outbox ORDER BY id LIMIT $1)
    RETURNING id, at_us, event_type, subject, depot_id, webhook_id, data";
const PUBLISH: &str = "INSERT INTO events (at_us, event_type, subject, depot_id, webhook_id, data)
    VALUES ($1, $2, $3, $4, $5, $6) RETURNING id";
/// A ping goes to the subscription that asked for it, anything else to all that want it.
const ADDRESS: &str =
    "INSERT INTO deliveries (webhook_id, event_id, state, attempts, due_us, claimed_until_us, created_us)
    SELECT w.id, e.id, 'waiting', 0, $2, 0, $2 FROM events e JOIN webhooks w ON w.state IN ('active', 'paused')
    WHERE e.id = $1 AND (e.webhook_id = w.id OR (e.webhook_id IS NULL
        AND (w.types = '' OR ',' || w.types || ',' LIKE '%,' || e.event_type || ',%')
        AND (NOT EXISTS (SELECT 1 FROM webhook_depots d WHERE d.webhook_id = w.id)
            OR EXISTS (SELECT 1 FROM webhook_depots d WHERE d.webhook_id = w.id AND d.depot_id = e.depot_id))))";
const ENDS: &str = "SELECT min(id), max(id) FROM events";
const STREAM: &str = "SELECT e.id, e.at_us, e.event_type, e.subject, d.code, e.data
    FROM events e LEFT JOIN depots d ON d.id = e.depot_id
    WHERE e.id > $1 AND e.id <= $2 AND e.webhook_id IS NULL
        AND (CAST($3 AS TEXT) = '' OR ',' || CAST($3 AS TEXT) || ',' LIKE '%,' || e.event_type || ',%')
        AND (CAST($4 AS TEXT) IS NULL OR d.code = $4)
        AND (CAST($5 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $5 AND key_depots.depot_id = e.depot_id))
    ORDER BY e.id LIMIT $6";
/// The newest stays, so that it is always known how far events have been published.
const LAST_OLD: &str = "SELECT max(id) FROM events WHERE at_us < $1 AND id < (SELECT max(id) FROM events)";
const FORGET_DELIVERIES: &str = "DELETE FROM deliveries WHERE event_id <= $1";
const FORGET_EVENTS: &str = "DELETE FROM events WHERE id <= $1";

/// Events published in one transaction.
const BATCH: i64 = 500;

pub(super) fn published((id, at, event_type, subject, depot, data): EventRow) -> Result<PublishedEvent> {
    Ok(PublishedEvent { id, at: instant("events.at_us", at)?, event_type, subject, depot, data })
}

/// Names of types as they stand in a column: separated by commas.
pub(super) fn type_names(types: &[EventType]) -> String {
    let names: Vec<&str> = types.iter().map(|event| event.as_str()).collect();
    names.join(",")
}

impl Tx {
    /// Tells of a change that this transaction makes.
    pub(super) async fn tell(&mut self, told: Told<'_>) -> Result<()> {
        self.tell_only(told, None).await
    }

    /// Tells one subscription, or all that want it.
    pub(super) async fn tell_only(&mut self, told: Told<'_>, webhook_id: Option<i64>) -> Result<()> {
        let mut data = told.data;
        if let Value::Object(members) = &mut data {
            members.insert("actor".to_owned(), json!(told.actor));
        }
        within!(self, c => sqlx::query(TELL)
            .bind(micros(told.at)).bind(told.what.as_str()).bind(told.subject).bind(told.depot_id).bind(webhook_id)
            .bind(data.to_string()).execute(c).await.map(drop))?;
        Ok(())
    }

    async fn has_turn(&mut self) -> Result<bool> {
        match self {
            Self::Sqlite(_) => Ok(true),
            Self::Postgres(inner) => Ok(sqlx::query_scalar(TRY_TURN).fetch_one(&mut **inner).await?),
        }
    }

    async fn publish(&mut self, row: OutboxRow, now: DateTime<Utc>) -> Result<()> {
        let (_, at, event_type, subject, depot_id, webhook_id, data) = row;
        let id: i64 = within!(self, c => sqlx::query_scalar(PUBLISH)
            .bind(at).bind(event_type).bind(subject).bind(depot_id).bind(webhook_id).bind(data).fetch_one(c).await)?;
        within!(self, c => sqlx::query(ADDRESS).bind(id).bind(micros(now)).execute(c).await.map(drop))?;
        Ok(())
    }
}

impl Store {
    /// Publishes what committed transactions have told and addresses it to the subscriptions that want it; how many
    /// events. While another process is at it, nothing.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails; what was told stays in the outbox.
    pub async fn publish_events(&self, now: DateTime<Utc>) -> Result<usize> {
        let any: bool = read!(self, pool => sqlx::query_scalar(ANY_TOLD).fetch_one(pool).await)?;
        if !any {
            return Ok(0);
        }
        let mut tx = self.begin().await?;
        if !tx.has_turn().await? {
            return Ok(0);
        }
        let mut rows: Vec<OutboxRow> = within!(&mut tx, c => sqlx::query_as(TAKE).bind(BATCH).fetch_all(c).await)?;
        rows.sort_unstable_by_key(|row| row.0);
        let count = rows.len();
        for row in rows {
            tx.publish(row, now).await?;
        }
        tx.commit().await?;
        Ok(count)
    }

    /// Numbers of the oldest and the newest event that are kept; `None` while there has been none.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails.
    pub async fn event_ends(&self) -> Result<Option<(i64, i64)>> {
        let (oldest, newest): (Option<i64>, Option<i64>) =
            read!(self, pool => sqlx::query_as(ENDS).fetch_one(pool).await)?;
        Ok(oldest.zip(newest))
    }

    /// Events after one number up to another, oldest first.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn events_between(
        &self,
        after: i64,
        until: i64,
        filter: &StreamFilter,
        limit: i64,
    ) -> Result<Vec<PublishedEvent>> {
        let rows: Vec<EventRow> = read!(self, pool => sqlx::query_as(STREAM)
            .bind(after).bind(until).bind(type_names(&filter.types)).bind(&filter.depot).bind(filter.key_depots_of)
            .bind(limit).fetch_all(pool).await)?;
        rows.into_iter().map(published).collect()
    }

    /// Forgets events from before `now - kept`, and their deliveries whatever became of them; how many events.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails.
    pub async fn sweep_events(&self, now: DateTime<Utc>, kept: TimeDelta) -> Result<u64> {
        let mut tx = self.begin().await?;
        let last: Option<i64> =
            within!(&mut tx, c => sqlx::query_scalar(LAST_OLD).bind(micros(now - kept)).fetch_one(c).await)?;
        let Some(last) = last else { return Ok(0) };
        within!(&mut tx, c => sqlx::query(FORGET_DELIVERIES).bind(last).execute(c).await.map(drop))?;
        let swept = within!(&mut tx, c => sqlx::query(FORGET_EVENTS).bind(last)
            .execute(c).await.map(|done| done.rows_affected()))?;
        tx.commit().await?;
        Ok(swept)
    }
}
