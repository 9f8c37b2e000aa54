//! Deliveries: which event waits for which webhook, what was tried, what became of it.

use chrono::{DateTime, Utc};
use serde_json::json;

use super::journal::Entry;
use super::outbox::{EventRow, PublishedEvent, published};
use super::values::{instant, known, micros};
use super::{Answer, Conflict, Result, SigningSecret, Store, Tx, WebhookState, Writing, opened, read, within};

/// What became of a delivery.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeliveryState {
    /// It is to be sent, or sent again.
    Waiting,
    /// The receiver took it.
    Delivered,
    /// It is not tried any more.
    Dead,
}

impl DeliveryState {
    /// Every state.
    pub const ALL: [Self; 3] = [Self::Waiting, Self::Delivered, Self::Dead];

    /// The state's name.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Waiting => "waiting",
            Self::Delivered => "delivered",
            Self::Dead => "dead",
        }
    }

    /// Reads a state's name.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.as_str() == text)
    }
}

/// One event for one webhook.
#[derive(Clone, Debug)]
pub struct DeliveryRecord {
    /// The event.
    pub event: PublishedEvent,
    /// What became of it.
    pub state: DeliveryState,
    /// How often it was sent, since it was last sent again by hand.
    pub attempts: i64,
    /// When it is sent next, while it waits.
    pub due_at: DateTime<Utc>,
    /// When it was last sent.
    pub last_at: Option<DateTime<Utc>>,
    /// HTTP status of the last answer.
    pub last_status: Option<i64>,
    /// Why it failed.
    pub last_fault: Option<String>,
}

/// Which deliveries a list shows.
#[derive(Clone, Debug)]
pub struct DeliveryFilter {
    /// Of this webhook.
    pub webhook_id: i64,
    /// Only in this state.
    pub state: Option<DeliveryState>,
    /// Before this event; the newest come first.
    pub before: i64,
    /// At most so many.
    pub limit: i64,
}

/// A delivery that is about to be sent.
#[derive(Clone, Debug)]
pub struct Outgoing {
    /// Its number.
    pub id: i64,
    /// Number of its webhook.
    pub webhook_id: i64,
    /// Where it goes.
    pub url: String,
    /// What signs it: the secret, and the one before while both do.
    pub secrets: Vec<SigningSecret>,
    /// How often it was sent before.
    pub attempts: i64,
    /// What it tells.
    pub event: PublishedEvent,
}

/// What came of sending.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sent {
    /// What becomes of the delivery.
    pub state: DeliveryState,
    /// When it is sent again, if it waits.
    pub due_at: DateTime<Utc>,
    /// HTTP status of the answer.
    pub status: Option<u16>,
    /// Why it failed.
    pub fault: Option<String>,
    /// Until when nothing else is sent there either.
    pub rests_until: Option<DateTime<Utc>>,
    /// Whether the receiver wants no more.
    pub gone: bool,
}

/// How deliveries stand, for metrics.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DeliveryCounts {
    /// They wait for their first attempt or the next one.
    pub waiting: i64,
    /// Of those, how many failed at least once.
    pub failing: i64,
    /// They are not tried any more.
    pub dead: i64,
    /// When the oldest one that waits was made.
    pub oldest_waiting: Option<DateTime<Utc>>,
}

#[derive(sqlx::FromRow)]
struct Row {
    event_id: i64,
    at_us: i64,
    event_type: String,
    subject: String,
    depot: Option<String>,
    data: String,
    state: String,
    attempts: i64,
    due_us: i64,
    last_us: Option<i64>,
    last_status: Option<i64>,
    last_fault: Option<String>,
}

#[derive(sqlx::FromRow)]
struct OutgoingRow {
    id: i64,
    webhook_id: i64,
    url: String,
    secret: String,
    old_secret: Option<String>,
    old_until_us: Option<i64>,
    attempts: i64,
    event_id: i64,
    at_us: i64,
    event_type: String,
    subject: String,
    depot: Option<String>,
    data: String,
}

macro_rules! select {
    ($rest:literal) => {
        concat!(
            "SELECT y.event_id, e.at_us, e.event_type, e.subject, d.code AS depot, e.data, y.state, y.attempts, y.due_us,
                y.last_us, y.last_status, y.last_fault
            FROM deliveries y JOIN events e ON e.id = y.event_id LEFT JOIN depots d ON d.id = e.depot_id ",
            $rest
        )
    };
}

const ONE: &str = select!("WHERE y.webhook_id = $1 AND y.event_id = $2");
const LIST: &str = select!(
    "WHERE y.webhook_id = $1 AND y.event_id < $2 AND (CAST($3 AS TEXT) IS NULL OR y.state = $3)
    ORDER BY y.event_id DESC LIMIT $4"
);
const DUE_WEBHOOKS: &str = "SELECT w.id FROM webhooks w WHERE w.state = 'active' AND w.rests_until_us <= $1
        AND EXISTS (SELECT 1 FROM deliveries y WHERE y.webhook_id = w.id AND y.state = 'waiting' AND y.due_us <= $1
            AND y.claimed_until_us <= $1)
    ORDER BY w.id";

macro_rules! claim {
    ($lock:literal) => {
        concat!(
            "UPDATE deliveries SET claimed_until_us = $3 WHERE id IN (
                SELECT id FROM deliveries
                WHERE webhook_id = $1 AND state = 'waiting' AND due_us <= $2 AND claimed_until_us <= $2
                ORDER BY due_us, event_id LIMIT $4 ",
            $lock,
            ") RETURNING id"
        )
    };
}

const CLAIM_SQLITE: &str = claim!("");
const CLAIM_POSTGRES: &str = claim!("FOR UPDATE SKIP LOCKED");
const OUTGOING: &str =
    "SELECT y.id, y.webhook_id, w.url, w.secret, w.old_secret, w.old_until_us, y.attempts, y.event_id,
        e.at_us, e.event_type, e.subject, d.code AS depot, e.data
    FROM deliveries y JOIN webhooks w ON w.id = y.webhook_id JOIN events e ON e.id = y.event_id
        LEFT JOIN depots d ON d.id = e.depot_id
    WHERE y.id = $1";
/// What somebody declared dead meanwhile stays so, unless it arrived.
const RECORD: &str = "UPDATE deliveries SET state = $2, attempts = attempts + 1, due_us = $3, claimed_until_us = 0,
        last_us = $4, last_status = $5, last_fault = $6
    WHERE id = $1 AND (state = 'waiting' OR $2 = 'delivered')";
/// Whoever changes a webhook and its deliveries begins with the webhook, or two would wait for each other on Postgres.
const REST: &str = "UPDATE webhooks SET rests_until_us = CASE WHEN rests_until_us < $2 THEN $2 ELSE rests_until_us END
    WHERE id = $1";
const AGAIN: &str = "UPDATE deliveries SET attempts = CASE WHEN state = 'waiting' THEN attempts ELSE 0 END,
        state = 'waiting', due_us = $3
    WHERE webhook_id = $1 AND event_id = $2";
const WAKE: &str = "UPDATE webhooks SET rests_until_us = 0 WHERE id = $1";
const COUNTS: &str = "SELECT count(*), CAST(coalesce(sum(CASE WHEN attempts > 0 THEN 1 ELSE 0 END), 0) AS BIGINT),
        min(created_us)
    FROM deliveries WHERE state = 'waiting'";
const COUNT_DEAD: &str = "SELECT count(*) FROM deliveries WHERE state = 'dead'";

fn record(row: Row) -> Result<DeliveryRecord> {
    let event: EventRow = (row.event_id, row.at_us, row.event_type, row.subject, row.depot, row.data);
    Ok(DeliveryRecord {
        event: published(event)?,
        state: known("deliveries.state", &row.state, DeliveryState::parse(&row.state))?,
        attempts: row.attempts,
        due_at: instant("deliveries.due_us", row.due_us)?,
        last_at: row.last_us.map(|at| instant("deliveries.last_us", at)).transpose()?,
        last_status: row.last_status,
        last_fault: row.last_fault,
    })
}

fn outgoing(row: OutgoingRow, now: DateTime<Utc>) -> Result<Outgoing> {
    let old = row.old_secret.filter(|_| row.old_until_us.is_some_and(|until| micros(now) < until));
    Ok(Outgoing {
        id: row.id,
        webhook_id: row.webhook_id,
        url: row.url,
        secrets: [Some(row.secret), old].into_iter().flatten().map(SigningSecret).collect(),
        attempts: row.attempts,
        event: published((row.event_id, row.at_us, row.event_type, row.subject, row.depot, row.data))?,
    })
}

impl Tx {
    async fn delivery(&mut self, webhook_id: i64, event_id: i64) -> Result<DeliveryRecord> {
        let row: Option<Row> = within!(self, c => sqlx::query_as(ONE)
            .bind(webhook_id).bind(event_id).fetch_optional(c).await)?;
        let missing = || Conflict::Missing { what: "delivery", name: event_id.to_string() };
        record(row.ok_or_else(missing)?)
    }
}

impl Store {
    /// Deliveries of a webhook, the newest event first.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn deliveries(&self, filter: &DeliveryFilter) -> Result<Vec<DeliveryRecord>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(LIST)
            .bind(filter.webhook_id).bind(filter.before).bind(filter.state.map(DeliveryState::as_str))
            .bind(filter.limit).fetch_all(pool).await)?;
        rows.into_iter().map(record).collect()
    }

    /// Webhooks for which something is due.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails.
    pub async fn due_webhooks(&self, now: DateTime<Utc>) -> Result<Vec<i64>> {
        Ok(read!(self, pool => sqlx::query_scalar(DUE_WEBHOOKS).bind(micros(now)).fetch_all(pool).await)?)
    }

    /// Claims up to `limit` deliveries of a webhook until `until`, those first that have been due longest; a claim that runs out frees
    /// them again.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn claim_deliveries(
        &self,
        webhook_id: i64,
        now: DateTime<Utc>,
        until: DateTime<Utc>,
        limit: i64,
    ) -> Result<Vec<Outgoing>> {
        let mut tx = self.begin().await?;
        let sql = tx.pick(CLAIM_SQLITE, CLAIM_POSTGRES);
        let ids: Vec<i64> = within!(&mut tx, c => sqlx::query_scalar(sql)
            .bind(webhook_id).bind(micros(now)).bind(micros(until)).bind(limit).fetch_all(c).await)?;
        let mut claimed = Vec::with_capacity(ids.len());
        for id in ids {
            let row: OutgoingRow = within!(&mut tx, c => sqlx::query_as(OUTGOING).bind(id).fetch_one(c).await)?;
            claimed.push(outgoing(row, now)?);
        }
        tx.commit().await?;
        claimed.sort_unstable_by_key(|one| one.event.id);
        Ok(claimed)
    }

    /// Notes what came of sending, and ends the claim.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails: it is sent again once the claim has run out.
    pub async fn record_delivery(&self, outgoing: &Outgoing, sent: &Sent, now: DateTime<Utc>) -> Result<()> {
        let mut tx = self.begin().await?;
        if let Some(until) = sent.rests_until.or_else(|| sent.gone.then_some(now)) {
            within!(&mut tx, c => sqlx::query(REST).bind(outgoing.webhook_id).bind(micros(until))
                .execute(c).await.map(drop))?;
        }
        within!(&mut tx, c => sqlx::query(RECORD)
            .bind(outgoing.id).bind(sent.state.as_str()).bind(micros(sent.due_at)).bind(micros(now))
            .bind(sent.status.map(i64::from)).bind(&sent.fault).execute(c).await.map(drop))?;
        if sent.gone {
            let reason = "the receiver answered 410 Gone";
            tx.end_webhook(outgoing.webhook_id, WebhookState::Stopped, reason, now).await?;
        }
        tx.commit().await
    }

    /// Sends a delivery again, whatever became of it, and at once if it waits.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Rule`] when the webhook is stopped or closed.
    pub async fn redeliver(
        &self,
        webhook_id: i64,
        event_id: i64,
        writing: &Writing,
        answer: impl FnOnce(&DeliveryRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let webhook = tx.webhook(webhook_id, writing).await?;
        tx.delivery(webhook_id, event_id).await?;
        webhook.takes_deliveries()?;
        within!(&mut tx, c => sqlx::query(WAKE).bind(webhook_id).execute(c).await.map(drop))?;
        within!(&mut tx, c => sqlx::query(AGAIN).bind(webhook_id).bind(event_id).bind(micros(writing.now))
            .execute(c).await.map(drop))?;
        let delivery = tx.delivery(webhook_id, event_id).await?;
        tx.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action: "webhook redeliver",
            subject: format!("webhook {webhook_id}"),
            depot_id: None,
            before: None,
            after: Some(json!({"event": event_id})),
        })
        .await?;
        tx.finish(writing, answer(&delivery)).await
    }

    /// How deliveries stand.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails.
    pub async fn delivery_counts(&self) -> Result<DeliveryCounts> {
        let (waiting, failing, oldest): (i64, i64, Option<i64>) =
            read!(self, pool => sqlx::query_as(COUNTS).fetch_one(pool).await)?;
        let dead = read!(self, pool => sqlx::query_scalar(COUNT_DEAD).fetch_one(pool).await)?;
        let oldest_waiting = oldest.map(|at| instant("deliveries.created_us", at)).transpose()?;
        Ok(DeliveryCounts { waiting, failing, dead, oldest_waiting })
    }
}
