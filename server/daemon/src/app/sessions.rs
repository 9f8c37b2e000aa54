//! Sessions of the board: a key given once, then a cookie.

use chrono::TimeDelta;

use super::App;
use super::keys::{Caller, caller_of, hash_of, secret};
use crate::store::{SessionKey, StoreError};

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

/// How many characters a session's own part of its secret has; the rest is [`mark_of`].
const OWN: usize = 64;

/// The end of a session's secret: it tells by which of a key's secrets the session was begun.
fn mark_of(key_hash: &str) -> String {
    hash_of(&format!("session by {key_hash}"))
}

/// Whether a session was begun by the secret from before the key's rotation; `None` when by neither that nor the one it has.
fn by_old_secret(secret: &str, key: &SessionKey) -> Option<bool> {
    let mark = secret.get(OWN..)?;
    let is = |hash: &str| mark_of(hash) == mark;
    if is(&key.hash) { Some(false) } else { key.old_hash.as_deref().is_some_and(is).then_some(true) }
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
        let secret = format!("{}{}", secret()?, mark_of(&hash_of(key)));
        let lasts = now + TimeDelta::hours(self.settings.board.session_hours);
        let expires_at = caller.ends_at.map_or(lasts, |end| end.min(lasts));
        self.store.add_session(&hash_of(&secret), key_id, now, expires_at).await?;
        Ok(Some(secret))
    }

    /// Who holds this session; `None` when it or its key has ended, or the secret by which it was begun.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn session(&self, secret: &str) -> Result<Option<Caller>, StoreError> {
        let now = self.now();
        let Some(found) = self.store.key_of_session(&hash_of(secret), now).await? else { return Ok(None) };
        let caller = by_old_secret(secret, &found).map(|old| caller_of(&found.key, old));
        Ok(caller.filter(|caller| caller.ends_at.is_none_or(|end| now < end)))
    }

    /// Ends a session.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn sign_out(&self, secret: &str) -> Result<(), StoreError> {
        self.store.end_session(&hash_of(secret)).await
    }
}
