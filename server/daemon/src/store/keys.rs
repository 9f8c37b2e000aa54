//! Keys: who may do what, at which depots. Only a hash of each secret is stored.

use chrono::{DateTime, Utc};
use serde_json::json;

use super::journal::Entry;
use super::values::{instant, micros};
use super::{Conflict, Result, Store, StoreError, read, within};

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

type Row = (i64, String, String, i64, Option<i64>, Option<i64>);

const COLUMNS_BY_HASH: &str =
    "SELECT id, name, may, created_us, expires_us, revoked_us FROM keys WHERE hash = $1 AND revoked_us IS NULL";
const ALL: &str = "SELECT id, name, may, created_us, expires_us, revoked_us FROM keys ORDER BY id";
const DEPOTS: &str = "SELECT d.code FROM key_depots kd JOIN depots d ON d.id = kd.depot_id
    WHERE kd.key_id = $1 ORDER BY d.code";
const ADD: &str = "INSERT INTO keys (name, hash, may, created_us, expires_us) VALUES ($1, $2, $3, $4, $5) RETURNING id";
const CONFINE: &str = "INSERT INTO key_depots (key_id, depot_id) SELECT $1, id FROM depots WHERE code = $2";
const REVOKE: &str = "UPDATE keys SET revoked_us = $2 WHERE name = $1 AND revoked_us IS NULL";

impl Store {
    /// The key with this hash that is not revoked.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn find_key(&self, hash: &str) -> Result<Option<KeyRecord>> {
        let row: Option<Row> =
            read!(self, pool => sqlx::query_as(COLUMNS_BY_HASH).bind(hash).fetch_optional(pool).await)?;
        match row {
            Some(row) => Ok(Some(self.key_of(row).await?)),
            None => Ok(None),
        }
    }

    /// Every key, revoked ones too.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn keys(&self) -> Result<Vec<KeyRecord>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(ALL).fetch_all(pool).await)?;
        let mut keys = Vec::with_capacity(rows.len());
        for row in rows {
            keys.push(self.key_of(row).await?);
        }
        Ok(keys)
    }

    async fn key_of(&self, (id, name, may, created, expires, revoked): Row) -> Result<KeyRecord> {
        let depots: Vec<String> = read!(self, pool => sqlx::query_scalar(DEPOTS).bind(id).fetch_all(pool).await)?;
        Ok(KeyRecord {
            id,
            name,
            may,
            depots,
            created_at: instant("keys.created_us", created)?,
            expires_at: expires.map(|at| instant("keys.expires_us", at)).transpose()?,
            revoked_at: revoked.map(|at| instant("keys.revoked_us", at)).transpose()?,
        })
    }

    /// Stores a key.
    ///
    /// # Errors
    /// [`Conflict::Exists`] when the name is taken, [`Conflict::Missing`] when a depot is not there.
    pub async fn add_key(&self, key: NewKey, actor: &str, now: DateTime<Utc>) -> Result<i64> {
        let mut tx = self.begin().await?;
        let added: Result<i64, sqlx::Error> = within!(&mut tx, c => sqlx::query_scalar(ADD)
            .bind(&key.name).bind(&key.hash).bind(&key.may).bind(micros(now)).bind(key.expires_at.map(micros))
            .fetch_one(c).await);
        let id = added.map_err(|error| {
            StoreError::or_exists(error, || Conflict::Exists { what: "key", name: key.name.clone() })
        })?;
        for code in &key.depots {
            let confined = within!(&mut tx, c => sqlx::query(CONFINE).bind(id).bind(code)
                .execute(c).await.map(|done| done.rows_affected()))?;
            if confined == 0 {
                return Err(Conflict::Missing { what: "depot", name: code.clone() }.into());
            }
        }
        tx.journal(Entry {
            at: now,
            actor,
            action: "key new",
            subject: format!("key {}", key.name),
            depot_id: None,
            before: None,
            after: Some(json!({"may": key.may, "depots": key.depots})),
        })
        .await?;
        tx.commit().await?;
        Ok(id)
    }

    /// Revokes the key of this name. Whether there was one that stood.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn revoke_key(&self, name: &str, actor: &str, now: DateTime<Utc>) -> Result<bool> {
        let mut tx = self.begin().await?;
        let revoked = within!(&mut tx, c => sqlx::query(REVOKE).bind(name).bind(micros(now))
            .execute(c).await.map(|done| done.rows_affected()))?;
        if revoked == 0 {
            return Ok(false);
        }
        tx.journal(Entry {
            at: now,
            actor,
            action: "key revoke",
            subject: format!("key {name}"),
            depot_id: None,
            before: None,
            after: None,
        })
        .await?;
        tx.commit().await?;
        Ok(true)
    }
}
