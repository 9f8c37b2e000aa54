//! Keys: who may do what, at which depots. Only a hash of each secret is stored.

use chrono::{DateTime, Utc};
use serde_json::json;

use super::journal::Entry;
use super::values::{instant, micros};
use super::{Answer, Conflict, Result, Store, StoreError, Tx, Writing, opened, read, within};

/// A stored key.
#[derive(Clone, Debug)]
pub struct KeyRecord {
    /// Its number.
    pub id: i64,
    /// What it is called.
    pub name: String,
    /// Scopes, separated by commas.
    pub may: String,
    /// Depots it is confined to; empty when it may see all.
    pub depots: Vec<String>,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it ends, where it does.
    pub expires_at: Option<DateTime<Utc>>,
    /// When it was revoked.
    pub revoked_at: Option<DateTime<Utc>>,
    /// When it was last used, to the minute or so.
    pub last_used_at: Option<DateTime<Utc>>,
    /// Until when the secret from before its last rotation works beside the new one.
    pub old_until: Option<DateTime<Utc>>,
}

/// A key to be stored.
#[derive(Clone, Debug)]
pub struct NewKey {
    /// What it is called.
    pub name: String,
    /// Hexadecimal SHA-256 of its secret.
    pub hash: String,
    /// Scopes, separated by commas.
    pub may: String,
    /// Codes of the depots it is confined to; empty for all.
    pub depots: Vec<String>,
    /// When it ends, where it does.
    pub expires_at: Option<DateTime<Utc>>,
}

pub(super) type Row = (i64, String, String, i64, Option<i64>, Option<i64>, Option<i64>, Option<i64>);

macro_rules! select {
    ($rest:literal) => {
        concat!(
            "SELECT k.id, k.name, k.may, k.created_us, k.expires_us, k.revoked_us, k.last_used_us, k.old_until_us
            FROM keys k ",
            $rest
        )
    };
}

/// A key confined to depots knows of keys confined to no other ones.
macro_rules! seen_by {
    ($key:literal, $rest:literal) => {
        concat!(
            "(CAST(",
            $key,
            " AS BIGINT) IS NULL OR (EXISTS (SELECT 1 FROM key_depots own WHERE own.key_id = k.id)
                AND NOT EXISTS (SELECT 1 FROM key_depots own WHERE own.key_id = k.id AND own.depot_id NOT IN
                    (SELECT caller.depot_id FROM key_depots caller WHERE caller.key_id = ",
            $key,
            ")))) ",
            $rest
        )
    };
}

const BY_HASH: &str = select!("WHERE k.hash = $1 AND k.revoked_us IS NULL");
const BY_OLD_HASH: &str = select!("WHERE k.old_hash = $1 AND k.revoked_us IS NULL");
const BY_NAME: &str = concat!(select!("WHERE k.name = $1 AND "), seen_by!("$2", ""));
const LIST: &str = concat!(select!("WHERE k.id > $1 AND "), seen_by!("$2", "ORDER BY k.id LIMIT $3"));
const DEPOTS: &str = "SELECT kd.key_id, d.code FROM key_depots kd JOIN depots d ON d.id = kd.depot_id
    WHERE kd.key_id BETWEEN $1 AND $2 ORDER BY d.code";
const ADD: &str = "INSERT INTO keys (name, hash, may, created_us, expires_us) VALUES ($1, $2, $3, $4, $5) RETURNING id";
const CONFINE: &str = "INSERT INTO key_depots (key_id, depot_id) SELECT $1, id FROM depots WHERE code = $2";
const REVOKE: &str = "UPDATE keys SET revoked_us = $2 WHERE id = $1 AND revoked_us IS NULL";
const ROTATE: &str = "UPDATE keys SET old_hash = hash, old_until_us = $3, hash = $2
    WHERE id = $1 AND revoked_us IS NULL";
const USED: &str = "UPDATE keys SET last_used_us = $2 WHERE id = $1 AND (last_used_us IS NULL OR last_used_us < $2)";

fn record((id, name, may, created, expires, revoked, used, old_until): Row) -> Result<KeyRecord> {
    let maybe = |column, at: Option<i64>| at.map(|at| instant(column, at)).transpose();
    Ok(KeyRecord {
        id,
        name,
        may,
        depots: Vec::new(),
        created_at: instant("keys.created_us", created)?,
        expires_at: maybe("keys.expires_us", expires)?,
        revoked_at: maybe("keys.revoked_us", revoked)?,
        last_used_at: maybe("keys.last_used_us", used)?,
        old_until: maybe("keys.old_until_us", old_until)?,
    })
}

/// Gives keys, in the order of their numbers, the depots found for them.
fn with_depots(mut keys: Vec<KeyRecord>, found: Vec<(i64, String)>) -> Vec<KeyRecord> {
    for (id, code) in found {
        if let Ok(place) = keys.binary_search_by_key(&id, |key| key.id)
            && let Some(key) = keys.get_mut(place)
        {
            key.depots.push(code);
        }
    }
    keys
}

fn missing(name: &str) -> Conflict {
    Conflict::Missing { what: "key", name: name.to_owned() }
}

impl Tx {
    /// The key of this name, if the caller may know of it.
    async fn key(&mut self, name: &str, writing: &Writing) -> Result<KeyRecord> {
        let row: Option<Row> = within!(self, c => sqlx::query_as(BY_NAME)
            .bind(name).bind(writing.actor.key_depots_of()).fetch_optional(c).await)?;
        let key = record(row.ok_or_else(|| missing(name))?)?;
        let depots: Vec<(i64, String)> =
            within!(self, c => sqlx::query_as(DEPOTS).bind(key.id).bind(key.id).fetch_all(c).await)?;
        with_depots(vec![key], depots).pop().ok_or_else(|| missing(name).into())
    }

    async fn confine(&mut self, id: i64, code: &str, writing: &Writing) -> Result<()> {
        let confined = if writing.actor.may_see(code) {
            within!(self, c => sqlx::query(CONFINE).bind(id).bind(code)
                .execute(c).await.map(|done| done.rows_affected()))?
        } else {
            0
        };
        if confined == 0 {
            return Err(Conflict::Field { field: "depots", reason: format!("there is no depot {code:?}") }.into());
        }
        Ok(())
    }

    async fn journal_key(&mut self, action: &'static str, key: &KeyRecord, writing: &Writing) -> Result<()> {
        // The line of a key that is confined to one depot is that depot's, so that its own administrator sees it.
        let depot = match key.depots.as_slice() {
            [only] => Some(self.depot(only, writing).await?.id),
            _ => None,
        };
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("key {}", key.name),
            depot_id: depot,
            before: None,
            after: Some(
                json!({"may": key.may, "depots": key.depots, "expires_at": key.expires_at, "old_until": key.old_until}),
            ),
        })
        .await
    }
}

impl Store {
    /// The key with this hash that is not revoked, and whether the hash is that of the secret from before its rotation.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn find_key(&self, hash: &str) -> Result<Option<(KeyRecord, bool)>> {
        for (text, old) in [(BY_HASH, false), (BY_OLD_HASH, true)] {
            let row: Option<Row> = read!(self, pool => sqlx::query_as(text).bind(hash).fetch_optional(pool).await)?;
            if let Some(row) = row {
                let found = self.keys_with_depots(vec![row]).await?.pop();
                return Ok(found.map(|key| (key, old)));
            }
        }
        Ok(None)
    }

    /// The key of this name, revoked or not; only of the depots of the key that `key_depots_of` names.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn find_key_named(&self, name: &str, key_depots_of: Option<i64>) -> Result<Option<KeyRecord>> {
        let row: Option<Row> = read!(self, pool => sqlx::query_as(BY_NAME)
            .bind(name).bind(key_depots_of).fetch_optional(pool).await)?;
        Ok(self.keys_with_depots(row.into_iter().collect()).await?.pop())
    }

    /// Keys in the order of their making, after number `after`, revoked ones too; only of the depots of the key that
    /// `key_depots_of` names.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn keys(&self, after: i64, key_depots_of: Option<i64>, limit: i64) -> Result<Vec<KeyRecord>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(LIST)
            .bind(after).bind(key_depots_of).bind(limit).fetch_all(pool).await)?;
        self.keys_with_depots(rows).await
    }

    pub(super) async fn keys_with_depots(&self, rows: Vec<Row>) -> Result<Vec<KeyRecord>> {
        let keys = rows.into_iter().map(record).collect::<Result<Vec<_>>>()?;
        let (Some(first), Some(last)) = (keys.first(), keys.last()) else { return Ok(keys) };
        let depots: Vec<(i64, String)> = read!(self, pool => sqlx::query_as(DEPOTS)
            .bind(first.id).bind(last.id).fetch_all(pool).await)?;
        Ok(with_depots(keys, depots))
    }

    /// Stores a key. `answer` is made twice: told `false` it must not hold the secret, since that one is kept for a
    /// repeated request; told `true` it is what goes out now.
    ///
    /// # Errors
    /// [`Conflict::Exists`] when the name is taken, [`Conflict::Field`] when a depot is not there.
    pub async fn add_key(
        &self,
        new: NewKey,
        writing: &Writing,
        answer: impl Fn(&KeyRecord, bool) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let added: Result<i64, sqlx::Error> = within!(&mut tx, c => sqlx::query_scalar(ADD)
            .bind(&new.name).bind(&new.hash).bind(&new.may).bind(micros(writing.now)).bind(new.expires_at.map(micros))
            .fetch_one(c).await);
        let id = added.map_err(|error| {
            StoreError::or_exists(error, || Conflict::Exists { what: "key", name: new.name.clone() })
        })?;
        for code in &new.depots {
            tx.confine(id, code, writing).await?;
        }
        let key = tx.key(&new.name, writing).await?;
        tx.journal_key("key new", &key, writing).await?;
        tx.finish(writing, answer(&key, false)).await?;
        Ok(answer(&key, true))
    }

    /// Gives the key of this name a new secret; the one it has works until `old_until`, the one before that no more.
    /// `answer` is made twice as in [`Store::add_key`].
    ///
    /// # Errors
    /// [`Conflict::Missing`] when it is not there, [`Conflict::Rule`] when it was revoked or has ended.
    pub async fn rotate_key(
        &self,
        name: &str,
        hash: &str,
        old_until: DateTime<Utc>,
        writing: &Writing,
        answer: impl Fn(&KeyRecord, bool) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let old = tx.key(name, writing).await?;
        if old.expires_at.is_some_and(|end| end <= writing.now) {
            return Err(Conflict::Rule("the key has ended: make another".to_owned()).into());
        }
        let rotated = within!(&mut tx, c => sqlx::query(ROTATE).bind(old.id).bind(hash).bind(micros(old_until))
            .execute(c).await.map(|done| done.rows_affected()))?;
        if rotated == 0 {
            return Err(Conflict::Rule("the key was revoked: make another".to_owned()).into());
        }
        let key = tx.key(name, writing).await?;
        tx.journal_key("key rotate", &key, writing).await?;
        tx.finish(writing, answer(&key, false)).await?;
        Ok(answer(&key, true))
    }

    /// Revokes the key of this name.
    ///
    /// # Errors
    /// [`Conflict::Missing`] when it is not there, [`Conflict::Rule`] when that was done already.
    pub async fn revoke_key(
        &self,
        name: &str,
        writing: &Writing,
        answer: impl FnOnce(&KeyRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let key = tx.key(name, writing).await?;
        let revoked = within!(&mut tx, c => sqlx::query(REVOKE).bind(key.id).bind(micros(writing.now))
            .execute(c).await.map(|done| done.rows_affected()))?;
        if revoked == 0 {
            return Err(Conflict::Rule("the key was revoked before".to_owned()).into());
        }
        let key = tx.key(name, writing).await?;
        tx.journal_key("key revoke", &key, writing).await?;
        tx.finish(writing, answer(&key)).await
    }

    /// Notes when keys were last used.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn note_key_use(&self, used: &[(i64, DateTime<Utc>)]) -> Result<()> {
        let mut tx = self.begin().await?;
        for (id, at) in used {
            within!(&mut tx, c => sqlx::query(USED).bind(id).bind(micros(*at)).execute(c).await.map(drop))?;
        }
        tx.commit().await
    }
}
