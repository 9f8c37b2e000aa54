//! Answers kept by idempotency key, in the transaction of the work they answer for.

use chrono::{DateTime, Utc};

use super::values::micros;
use super::{Conflict, Result, Tx, within};

/// A request that must have its effect once: the key that sent it, its idempotency key, a digest of what it asks.
#[derive(Clone, Debug)]
pub struct Once {
    /// The key that sent it.
    pub key_id: i64,
    /// Value of the Idempotency-Key header.
    pub value: String,
    /// Digest of method, path, condition and body.
    pub fingerprint: String,
}

/// An answer as it is sent and kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// Entity tag, where there is one.
    pub etag: Option<String>,
    /// JSON body.
    pub body: String,
}

/// A request that begins, or that was answered before.
pub(super) enum Begun {
    Now(Tx),
    Before(Answer),
}

const CLAIM: &str = "INSERT INTO idempotency_keys (key_id, value, fingerprint, created_us) VALUES ($1, $2, $3, $4)
    ON CONFLICT (key_id, value) DO NOTHING";
const FIND: &str = "SELECT fingerprint, status, etag, body FROM idempotency_keys WHERE key_id = $1 AND value = $2";
const FINISH: &str = "UPDATE idempotency_keys SET status = $3, etag = $4, body = $5 WHERE key_id = $1 AND value = $2";

type Kept = (String, Option<i64>, Option<String>, Option<String>);

fn kept((fingerprint, status, etag, body): Kept, once: &Once) -> Result<Answer> {
    if fingerprint != once.fingerprint {
        return Err(Conflict::KeyReused.into());
    }
    let status = status.and_then(|status| u16::try_from(status).ok()).unwrap_or(200);
    Ok(Answer { status, etag, body: body.unwrap_or_default() })
}

impl Tx {
    /// Claims the key for this transaction, or gives the answer an earlier one left. Within a process a second request that comes
    /// while the first is at work is refused before it gets here; one in another process waits here for its end.
    pub(super) async fn claim(&mut self, once: Option<&Once>, now: DateTime<Utc>) -> Result<Option<Answer>> {
        let Some(once) = once else { return Ok(None) };
        let claimed = within!(self, c => sqlx::query(CLAIM)
            .bind(once.key_id).bind(&once.value).bind(&once.fingerprint).bind(micros(now))
            .execute(c).await.map(|done| done.rows_affected()))?;
        if claimed == 1 {
            return Ok(None);
        }
        let row: Kept = within!(self, c => sqlx::query_as(FIND)
            .bind(once.key_id).bind(&once.value).fetch_one(c).await)?;
        kept(row, once).map(Some)
    }

    /// Keeps the answer under the claimed key.
    pub(super) async fn keep_answer(&mut self, once: Option<&Once>, answer: &Answer) -> Result<()> {
        let Some(once) = once else { return Ok(()) };
        within!(self, c => sqlx::query(FINISH)
            .bind(once.key_id).bind(&once.value).bind(i64::from(answer.status)).bind(&answer.etag).bind(&answer.body)
            .execute(c).await.map(drop))?;
        Ok(())
    }
}

impl super::Store {
    /// The answer an earlier request left under this key; for bulk posts, whose work needs no claim because the same
    /// rows again change nothing.
    ///
    /// # Errors
    /// [`Conflict::KeyReused`] when the key came with another request.
    pub async fn find_answer(&self, once: &Once) -> Result<Option<Answer>> {
        let row: Option<Kept> = super::read!(self, pool => sqlx::query_as(FIND)
            .bind(once.key_id).bind(&once.value).fetch_optional(pool).await)?;
        row.map(|row| kept(row, once)).transpose()
    }

    /// Keeps the answer of a bulk post and gives it, or the one that another process has kept meanwhile.
    ///
    /// # Errors
    /// [`Conflict::KeyReused`] when that one was to another request; [`super::StoreError`] when the database fails.
    pub async fn save_answer(&self, once: &Once, answer: Answer, now: DateTime<Utc>) -> Result<Answer> {
        let mut tx = self.begin().await?;
        if let Some(before) = tx.claim(Some(once), now).await? {
            return Ok(before);
        }
        tx.keep_answer(Some(once), &answer).await?;
        tx.commit().await?;
        Ok(answer)
    }
}
