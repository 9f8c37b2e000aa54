//! Sessions of the board. Only a hash of each secret is stored.

use chrono::{DateTime, Utc};

use super::keys::{KeyRecord, Row};
use super::values::micros;
use super::{Result, Store, read, within};

const ADD: &str = "INSERT INTO board_sessions (hash, key_id, created_us, expires_us) VALUES ($1, $2, $3, $4)";
const FORGET_OLD: &str = "DELETE FROM board_sessions WHERE expires_us <= $1";
const END: &str = "DELETE FROM board_sessions WHERE hash = $1";
const KEY_OF: &str =
    "SELECT k.id, k.name, k.may, k.created_us, k.expires_us, k.revoked_us, k.last_used_us, k.old_until_us, k.hash, k.old_hash
    FROM board_sessions s JOIN keys k ON k.id = s.key_id
    WHERE s.hash = $1 AND s.expires_us > $2 AND k.revoked_us IS NULL";

/// The key of a session, with the hashes of its secrets.
#[derive(Clone, Debug)]
pub struct SessionKey {
    /// The key.
    pub key: KeyRecord,
    /// Of the secret it has.
    pub hash: String,
    /// Of the one from before its rotation.
    pub old_hash: Option<String>,
}

#[derive(sqlx::FromRow)]
struct SessionRow {
    #[sqlx(flatten)]
    key: Row,
    hash: String,
    old_hash: Option<String>,
}

impl Store {
    /// Begins a session of a key, and forgets those that have ended.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails.
    pub async fn add_session(
        &self,
        hash: &str,
        key_id: i64,
        now: DateTime<Utc>,
        expires_at: DateTime<Utc>,
    ) -> Result<()> {
        let mut tx = self.begin().await?;
        within!(&mut tx, c => sqlx::query(FORGET_OLD).bind(micros(now)).execute(c).await.map(drop))?;
        within!(&mut tx, c => sqlx::query(ADD).bind(hash).bind(key_id).bind(micros(now)).bind(micros(expires_at))
            .execute(c).await.map(drop))?;
        tx.commit().await
    }

    /// The key, not revoked, of a session that has not ended.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails.
    pub async fn key_of_session(&self, hash: &str, now: DateTime<Utc>) -> Result<Option<SessionKey>> {
        let row: Option<SessionRow> =
            read!(self, pool => sqlx::query_as(KEY_OF).bind(hash).bind(micros(now)).fetch_optional(pool).await)?;
        let Some(row) = row else { return Ok(None) };
        let key = self.keys_with_depots(vec![row.key]).await?.pop();
        Ok(key.map(|key| SessionKey { key, hash: row.hash, old_hash: row.old_hash }))
    }

    /// Ends a session.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails.
    pub async fn end_session(&self, hash: &str) -> Result<()> {
        let mut tx = self.begin().await?;
        within!(&mut tx, c => sqlx::query(END).bind(hash).execute(c).await.map(drop))?;
        tx.commit().await
    }
}
