//! Webhooks: where events are sent, of which types and depots, signed with which secret.

use std::fmt;

use chrono::{DateTime, Utc};
use serde_json::{Value, json};

use super::journal::Entry;
use super::outbox::{Told, type_names};
use super::values::{instant, known, micros};
use super::{
    Actor, Answer, Conflict, EventType, IfMatch, Result, Store, Tx, Writing, one_changed, opened, read, within,
};

/// Whether events are sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WebhookState {
    /// They are.
    Active,
    /// They wait until somebody lets them go on.
    Paused,
    /// The receiver answered 410: none are sent nor kept for it, until somebody lets it go on.
    Stopped,
    /// It has ended for good.
    Closed,
}

impl WebhookState {
    /// Every state.
    pub const ALL: [Self; 4] = [Self::Active, Self::Paused, Self::Stopped, Self::Closed];

    /// The state's name.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Active => "active",
            Self::Paused => "paused",
            Self::Stopped => "stopped",
            Self::Closed => "closed",
        }
    }

    /// Reads a state's name.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.as_str() == text)
    }
}

/// What signs: never shown but when it is made.
#[derive(Clone)]
pub struct SigningSecret(pub String);

impl fmt::Debug for SigningSecret {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("whsec_…")
    }
}

/// A stored subscription, without its secrets.
#[derive(Clone, Debug)]
pub struct WebhookRecord {
    /// Its number.
    pub id: i64,
    /// Counts its changes.
    pub version: i64,
    /// Where events are sent.
    pub url: String,
    /// Types of events; empty for all.
    pub types: Vec<EventType>,
    /// Codes of the depots whose events are sent; empty for all.
    pub depots: Vec<String>,
    /// What it is for.
    pub note: Option<String>,
    /// Whether events are sent.
    pub state: WebhookState,
    /// Why it is in that state.
    pub state_reason: Option<String>,
    /// Until when the secret before the last rotation signs too.
    pub old_secret_until: Option<DateTime<Utc>>,
    /// Which key made it.
    pub added_by: String,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it was last changed.
    pub changed_at: DateTime<Utc>,
}

impl WebhookRecord {
    /// Whether a key may see it: one that is confined to depots, only what is confined to some of them.
    #[must_use]
    pub fn is_seen_by(&self, actor: &Actor) -> bool {
        actor.depots.is_empty() || (!self.depots.is_empty() && self.depots.iter().all(|code| actor.may_see(code)))
    }
}

/// A subscription to be stored.
#[derive(Clone, Debug)]
pub struct NewWebhook {
    /// Where events are sent.
    pub url: String,
    /// Types of events; empty for all.
    pub types: Vec<EventType>,
    /// Codes of depots; empty for all the key may see.
    pub depots: Vec<String>,
    /// What it is for.
    pub note: Option<String>,
}

/// What is changed about a subscription; what is `None` stays.
#[derive(Clone, Debug, Default)]
pub struct WebhookChange {
    /// Where events are sent.
    pub url: Option<String>,
    /// Types of events.
    pub types: Option<Vec<EventType>>,
    /// Codes of depots.
    pub depots: Option<Vec<String>>,
    /// What it is for.
    pub note: Option<Option<String>>,
    /// Active or paused.
    pub state: Option<WebhookState>,
}

#[derive(sqlx::FromRow)]
struct Row {
    id: i64,
    version: i64,
    url: String,
    types: String,
    note: Option<String>,
    state: String,
    state_reason: Option<String>,
    old_until_us: Option<i64>,
    added_by: String,
    created_us: i64,
    changed_us: i64,
}

macro_rules! select {
    ($rest:literal) => {
        concat!(
            "SELECT w.id, w.version, w.url, w.types, w.note, w.state, w.state_reason, w.old_until_us, w.added_by,
                w.created_us, w.changed_us
            FROM webhooks w ",
            $rest
        )
    };
}

const BY_ID: &str = select!("WHERE w.id = $1");
const LIST: &str = select!(
    "WHERE w.id > $1 AND (CAST($2 AS BIGINT) IS NULL OR (
        EXISTS (SELECT 1 FROM webhook_depots d WHERE d.webhook_id = w.id)
        AND NOT EXISTS (SELECT 1 FROM webhook_depots d WHERE d.webhook_id = w.id AND NOT EXISTS (
            SELECT 1 FROM key_depots k WHERE k.key_id = $2 AND k.depot_id = d.depot_id))))
    ORDER BY w.id LIMIT $3"
);
const DEPOTS: &str = "SELECT d.code FROM webhook_depots w JOIN depots d ON d.id = w.depot_id
    WHERE w.webhook_id = $1 ORDER BY d.code";
const ADD: &str =
    "INSERT INTO webhooks (url, types, note, secret, state, rests_until_us, added_by, version, created_us,
        changed_us)
    VALUES ($1, $2, $3, $4, 'active', 0, $5, 1, $6, $6) RETURNING id";
const CONFINE: &str = "INSERT INTO webhook_depots (webhook_id, depot_id) VALUES ($1, $2) ON CONFLICT DO NOTHING";
const UNCONFINE: &str = "DELETE FROM webhook_depots WHERE webhook_id = $1";
const CHANGE: &str = "UPDATE webhooks SET url = $2, types = $3, note = $4, state = $5, state_reason = $6,
        rests_until_us = 0, changed_us = $7, version = version + 1
    WHERE id = $1 AND version = $8";
const ROTATE: &str = "UPDATE webhooks SET old_secret = secret, old_until_us = $3, secret = $2, changed_us = $4,
        version = version + 1
    WHERE id = $1";
const END: &str = "UPDATE webhooks SET state = $2, state_reason = $3, changed_us = $4, version = version + 1
    WHERE id = $1 AND state <> 'closed'";
const DROP_WAITING: &str = "UPDATE deliveries SET state = 'dead', last_fault = $2, claimed_until_us = 0
    WHERE webhook_id = $1 AND state = 'waiting'";

fn record(row: Row, depots: Vec<String>) -> Result<WebhookRecord> {
    let event = |name: &str| known("webhooks.types", name, EventType::parse(name));
    Ok(WebhookRecord {
        id: row.id,
        version: row.version,
        types: row.types.split(',').filter(|name| !name.is_empty()).map(event).collect::<Result<_>>()?,
        url: row.url,
        depots,
        note: row.note,
        state: known("webhooks.state", &row.state, WebhookState::parse(&row.state))?,
        state_reason: row.state_reason,
        old_secret_until: row.old_until_us.map(|at| instant("webhooks.old_until_us", at)).transpose()?,
        added_by: row.added_by,
        created_at: instant("webhooks.created_us", row.created_us)?,
        changed_at: instant("webhooks.changed_us", row.changed_us)?,
    })
}

fn missing(id: i64) -> Conflict {
    Conflict::Missing { what: "webhook", name: id.to_string() }
}

fn ended() -> Conflict {
    Conflict::Rule("it was closed: make another".to_owned())
}

/// A subscription as the journal keeps it: no secret, and of its address only the host, since a path may be a secret too.
fn journal_view(webhook: &WebhookRecord) -> Value {
    let host = webhook.url.split('/').nth(2).unwrap_or_default();
    json!({"host": host, "types": type_names(&webhook.types), "depots": webhook.depots, "state": webhook.state.as_str()})
}

impl Tx {
    async fn webhook_by_id(&mut self, id: i64) -> Result<Option<WebhookRecord>> {
        let row: Option<Row> = within!(self, c => sqlx::query_as(BY_ID).bind(id).fetch_optional(c).await)?;
        let Some(row) = row else { return Ok(None) };
        let depots: Vec<String> = within!(self, c => sqlx::query_scalar(DEPOTS).bind(id).fetch_all(c).await)?;
        record(row, depots).map(Some)
    }

    /// The subscription of this number, where the caller may see it.
    pub(super) async fn webhook(&mut self, id: i64, writing: &Writing) -> Result<WebhookRecord> {
        let found = self.webhook_by_id(id).await?.filter(|webhook| webhook.is_seen_by(&writing.actor));
        Ok(found.ok_or_else(|| missing(id))?)
    }

    async fn journal_webhook(
        &mut self,
        action: &'static str,
        before: Option<&WebhookRecord>,
        after: &WebhookRecord,
        writing: &Writing,
    ) -> Result<()> {
        let depot_id = match after.depots.as_slice() {
            [only] => Some(self.named_depot(only, writing).await?.id),
            _ => None,
        };
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("webhook {}", after.id),
            depot_id,
            before: before.map(journal_view),
            after: Some(journal_view(after)),
        })
        .await
    }

    /// Confines a subscription to these depots. A key that is confined itself may not ask for all of them.
    async fn confine_webhook(&mut self, id: i64, depots: &[String], writing: &Writing) -> Result<()> {
        let depots = if depots.is_empty() { &writing.actor.depots } else { depots };
        within!(self, c => sqlx::query(UNCONFINE).bind(id).execute(c).await.map(drop))?;
        for code in depots {
            let depot = self.depot(code, writing).await.map_err(|_| {
                let reason = format!("there is no depot {code:?}, or the key may not see it");
                Conflict::Field { field: "depots", reason }
            })?;
            within!(self, c => sqlx::query(CONFINE).bind(id).bind(depot.id).execute(c).await.map(drop))?;
        }
        Ok(())
    }

    /// Ends a subscription, for good or until somebody lets it go on; what waits for it is dead.
    pub(super) async fn end_webhook(
        &mut self,
        id: i64,
        state: WebhookState,
        reason: &str,
        now: DateTime<Utc>,
    ) -> Result<bool> {
        let ended = within!(self, c => sqlx::query(END).bind(id).bind(state.as_str()).bind(reason).bind(micros(now))
            .execute(c).await.map(|done| done.rows_affected()))?;
        within!(self, c => sqlx::query(DROP_WAITING).bind(id).bind(format!("the webhook is {}: {reason}", state.as_str()))
            .execute(c).await.map(drop))?;
        Ok(ended > 0)
    }
}

impl Store {
    /// The subscription of this number.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or the row cannot be read.
    pub async fn find_webhook(&self, id: i64) -> Result<Option<WebhookRecord>> {
        self.begin_read().await?.webhook_by_id(id).await
    }

    /// Subscriptions in the order of their making, ended ones too; of a confined key only those of its depots.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn webhooks(&self, after: i64, key_depots_of: Option<i64>, limit: i64) -> Result<Vec<WebhookRecord>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(LIST)
            .bind(after).bind(key_depots_of).bind(limit).fetch_all(pool).await)?;
        let mut records = Vec::with_capacity(rows.len());
        for row in rows {
            let depots: Vec<String> =
                read!(self, pool => sqlx::query_scalar(DEPOTS).bind(row.id).fetch_all(pool).await)?;
            records.push(record(row, depots)?);
        }
        Ok(records)
    }

    /// Stores a subscription. `answer` is made twice: told `false` it must not hold the secret, since that one is kept for a
    /// repeated request; told `true` it is what goes out now.
    ///
    /// # Errors
    /// [`Conflict::Field`] when a depot is not there.
    pub async fn add_webhook(
        &self,
        new: NewWebhook,
        secret: &str,
        writing: &Writing,
        answer: impl Fn(&WebhookRecord, bool) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let id: i64 = within!(&mut tx, c => sqlx::query_scalar(ADD)
            .bind(&new.url).bind(type_names(&new.types)).bind(&new.note).bind(secret).bind(&writing.actor.name)
            .bind(micros(writing.now)).fetch_one(c).await)?;
        tx.confine_webhook(id, &new.depots, writing).await?;
        let webhook = tx.webhook(id, writing).await?;
        tx.journal_webhook("webhook add", None, &webhook, writing).await?;
        tx.finish(writing, answer(&webhook, false)).await?;
        Ok(answer(&webhook, true))
    }

    /// Changes a subscription.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], [`Conflict::Field`] when a depot is not there, [`Conflict::Rule`] when it
    /// was closed.
    pub async fn change_webhook(
        &self,
        id: i64,
        if_match: IfMatch,
        change: WebhookChange,
        writing: &Writing,
        answer: impl FnOnce(&WebhookRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = self.begin().await?;
        let old = tx.webhook(id, writing).await?;
        if_match.check(old.version)?;
        if old.state == WebhookState::Closed {
            return Err(ended().into());
        }
        let state = change.state.unwrap_or(old.state);
        let reason = if state == old.state { old.state_reason.clone() } else { None };
        let changed = within!(&mut tx, c => sqlx::query(CHANGE)
            .bind(id).bind(change.url.as_ref().unwrap_or(&old.url))
            .bind(type_names(change.types.as_ref().unwrap_or(&old.types)))
            .bind(change.note.as_ref().unwrap_or(&old.note)).bind(state.as_str()).bind(reason)
            .bind(micros(writing.now)).bind(old.version).execute(c).await.map(|done| done.rows_affected()))?;
        one_changed(changed, old.version)?;
        if let Some(depots) = &change.depots {
            tx.confine_webhook(id, depots, writing).await?;
        }
        let webhook = tx.webhook(id, writing).await?;
        tx.journal_webhook("webhook change", Some(&old), &webhook, writing).await?;
        tx.finish(writing, answer(&webhook)).await
    }

    /// Gives a subscription a new secret; the old one signs beside it until `old_until`. `answer` is made as in
    /// [`Store::add_webhook`].
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Rule`] when it was closed.
    pub async fn rotate_webhook(
        &self,
        id: i64,
        secret: &str,
        old_until: DateTime<Utc>,
        writing: &Writing,
        answer: impl Fn(&WebhookRecord, bool) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let old = tx.webhook(id, writing).await?;
        if old.state == WebhookState::Closed {
            return Err(ended().into());
        }
        within!(&mut tx, c => sqlx::query(ROTATE)
            .bind(id).bind(secret).bind(micros(old_until)).bind(micros(writing.now)).execute(c).await.map(drop))?;
        let webhook = tx.webhook(id, writing).await?;
        tx.journal_webhook("webhook rotate", Some(&old), &webhook, writing).await?;
        tx.finish(writing, answer(&webhook, false)).await?;
        Ok(answer(&webhook, true))
    }

    /// Closes a subscription for good; what waits for it is dead.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Rule`] when that was done already.
    pub async fn close_webhook(
        &self,
        id: i64,
        writing: &Writing,
        answer: impl FnOnce(&WebhookRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let old = tx.webhook(id, writing).await?;
        let reason = format!("by {}", writing.actor.name);
        if !tx.end_webhook(id, WebhookState::Closed, &reason, writing.now).await? {
            return Err(Conflict::Rule("it was closed before".to_owned()).into());
        }
        let webhook = tx.webhook(id, writing).await?;
        tx.journal_webhook("webhook close", Some(&old), &webhook, writing).await?;
        tx.finish(writing, answer(&webhook)).await
    }

    /// Sends a test to one subscription, whatever types it wants.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Rule`] when it is stopped or closed.
    pub async fn ping_webhook(
        &self,
        id: i64,
        writing: &Writing,
        answer: impl FnOnce(&WebhookRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let webhook = tx.webhook(id, writing).await?;
        webhook.takes_deliveries()?;
        let told = Told {
            at: writing.now,
            what: EventType::WebhookPing,
            subject: format!("webhook {id}"),
            depot_id: None,
            actor: &writing.actor.name,
            data: json!({"webhook": id}),
        };
        tx.tell_only(told, Some(id)).await?;
        tx.finish(writing, answer(&webhook)).await
    }
}

impl WebhookRecord {
    /// Whether deliveries are kept for it.
    pub(super) fn takes_deliveries(&self) -> Result<(), Conflict> {
        match self.state {
            WebhookState::Active | WebhookState::Paused => Ok(()),
            WebhookState::Stopped => Err(Conflict::Rule("it is stopped: change its state to active first".to_owned())),
            WebhookState::Closed => Err(ended()),
        }
    }
}
