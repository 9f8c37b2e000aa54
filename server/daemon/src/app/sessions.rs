//! Sessions of the board: a key given once, then a cookie.

use chrono::TimeDelta;

use super::App;
use super::keys::{Caller, caller_of, hash_of, secret};
use crate::store::StoreError;

/// The token that a session's forms carry: it can't be made without the secret, and does not give it away.
#[must_use]
pub fn form_token(secret: &str) -> String {
    hash_of(&format!("form of {secret}"))
}

/// What the idempotency keys of a page's forms begin with.
///
/// # Errors
/// [`StoreError`] when the system's random source fails.
pub fn form_key() -> Result<String, StoreError> {
    secret()
}

impl App {
    /// Begins a session for a key: its secret, for the cookie. `None` where no such key stands. It ends with the key, or with the
    /// secret that was given where that one has been rotated away.
    ///
    /// # Errors
    /// [`StoreError`] when the database or the system's random source fails.
    pub async fn sign_in(&self, key: &str) -> Result<Option<String>, StoreError> {
        let now = self.now();
        let Some(caller) = self.caller(key).await? else { return Ok(None) };
        let Some(key_id) = caller.actor.key_id else { return Ok(None) };
        let secret = secret()?;
        let lasts = now + TimeDelta::hours(self.settings.board.session_hours);
        let expires_at = caller.ends_at.map_or(lasts, |end| end.min(lasts));
        self.store.add_session(&hash_of(&secret), key_id, now, expires_at).await?;
        Ok(Some(secret))
    }

    /// Who holds this session; `None` when it or its key has ended.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn session(&self, secret: &str) -> Result<Option<Caller>, StoreError> {
        let now = self.now();
        let key = self.store.key_of_session(&hash_of(secret), now).await?;
        Ok(key.map(|key| caller_of(&key, false)).filter(|caller| caller.ends_at.is_none_or(|end| now < end)))
    }

    /// Ends a session.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn sign_out(&self, secret: &str) -> Result<(), StoreError> {
        self.store.end_session(&hash_of(secret)).await
    }
}
