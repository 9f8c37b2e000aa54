//! Keys: made, looked up, remembered for a moment.

use std::collections::HashMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use chrono::{DateTime, TimeDelta, Utc};
use sha2::{Digest, Sha256};

use super::App;
use crate::store::{Actor, Answer, Conflict, KeyRecord, NewKey, StoreError, Writing};

/// What a key may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Scope {
    /// See answers.
    Read,
    /// Post logs.
    Post,
    /// Raise orders and act on them.
    Work,
    /// Take cars off the road and back.
    Plan,
    /// Change the register, the rules and single rows; release safety holds.
    Admin,
}

impl Scope {
    /// Every scope.
    pub const ALL: [Self; 5] = [Self::Read, Self::Post, Self::Work, Self::Plan, Self::Admin];

    /// The scope's name.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Read => "read",
            Self::Post => "post",
            Self::Work => "work",
            Self::Plan => "plan",
            Self::Admin => "admin",
        }
    }

    /// Reads a scope's name.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|scope| scope.as_str() == text)
    }
}

/// Who sent a request.
#[derive(Clone, Debug)]
pub struct Caller {
    /// Key, name and depots.
    pub actor: Actor,
    /// What the key may do.
    pub scopes: Vec<Scope>,
    /// When what was sent ends: the key, or its old secret after a rotation.
    pub ends_at: Option<DateTime<Utc>>,
}

impl Caller {
    /// Whether the key has the scope.
    #[must_use]
    pub fn may(&self, scope: Scope) -> bool {
        self.scopes.contains(&scope)
    }

    /// Whether the caller may hold a key of these rights in hand: nobody gets from a key what that key cannot do itself, nor
    /// for longer.
    ///
    /// # Errors
    /// [`Conflict::Forbidden`] naming what goes further.
    pub fn may_hand_out(
        &self,
        scopes: &[Scope],
        depots: &[String],
        ends_at: Option<DateTime<Utc>>,
    ) -> Result<(), Conflict> {
        let wider = scopes.iter().find(|scope| !self.may(**scope));
        let says = if let Some(scope) = wider {
            format!("the key that asks has not the scope {} itself", scope.as_str())
        } else if depots.is_empty() && !self.actor.depots.is_empty() {
            "the key that asks is confined to depots: name those of them that the new key may see".to_owned()
        } else if let Some(end) = self.ends_at.filter(|end| ends_at.is_none_or(|asked| asked > *end)) {
            format!("the key that asks ends at {}: a key it makes or rotates ends no later", end.to_rfc3339())
        } else {
            return Ok(());
        };
        Err(Conflict::Forbidden(says))
    }
}

/// A key's lookup is remembered this long. A key that is revoked or rotated is forgotten at once by the process that did it;
/// other processes on the same database take it no longer than this.
pub const REMEMBERED: TimeDelta = TimeDelta::seconds(2);

/// More keys than this at once are not remembered.
const RING_SIZE: usize = 10_000;

/// Keys that were looked up a moment ago.
#[derive(Debug, Default)]
pub struct Keyring(Mutex<Ring>);

#[derive(Debug, Default)]
struct Ring {
    by_hash: HashMap<String, (DateTime<Utc>, Caller)>,
    /// When keys were used since that was last written down, by number.
    used: HashMap<i64, DateTime<Utc>>,
    /// Counts the times all was forgotten, so that nothing looked up before is remembered after.
    forgotten: u64,
}

impl Keyring {
    fn ring(&self) -> MutexGuard<'_, Ring> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The key, if it is remembered, and else how often all was forgotten by now.
    fn find(&self, hash: &str, now: DateTime<Utc>) -> Result<Caller, u64> {
        let ring = self.ring();
        let fresh = |since: DateTime<Utc>| since <= now && now - since < REMEMBERED;
        match ring.by_hash.get(hash) {
            Some((since, caller)) if fresh(*since) && caller.ends_at.is_none_or(|end| now < end) => Ok(caller.clone()),
            _ => Err(ring.forgotten),
        }
    }

    fn remember(&self, hash: String, now: DateTime<Utc>, caller: &Caller, forgotten: u64) {
        let mut ring = self.ring();
        ring.used.extend(caller.actor.key_id.map(|id| (id, now)));
        if ring.forgotten != forgotten {
            return;
        }
        if ring.by_hash.len() >= RING_SIZE {
            ring.by_hash.clear();
        }
        ring.by_hash.insert(hash, (now, caller.clone()));
    }

    fn forget(&self) {
        let mut ring = self.ring();
        ring.by_hash.clear();
        ring.forgotten += 1;
    }
}

/// Begins every key, so that one that leaks into a log or a repository is seen for what it is.
const PREFIX: &str = "vm_";

/// 256 bits from the operating system: too many to guess, so a plain hash is enough to keep them by.
const SECRET_BYTES: usize = 32;

/// Bytes nobody can guess.
pub(super) fn random_bytes<const COUNT: usize>() -> Result<[u8; COUNT], StoreError> {
    let mut bytes = [0_u8; COUNT];
    getrandom::fill(&mut bytes).map_err(|fault| StoreError::File(std::io::Error::other(fault.to_string())))?;
    Ok(bytes)
}

/// A secret nobody can guess, hexadecimal.
pub(super) fn secret() -> Result<String, StoreError> {
    Ok(hex::encode(random_bytes::<SECRET_BYTES>()?))
}

pub(super) fn hash_of(key: &str) -> String {
    hex::encode(Sha256::digest(key))
}

fn new_secret() -> Result<String, StoreError> {
    Ok(format!("{PREFIX}{}", secret()?))
}

/// The scopes of a stored key.
#[must_use]
pub fn scopes_of(key: &KeyRecord) -> Vec<Scope> {
    key.may.split(',').filter_map(Scope::parse).collect()
}

pub(super) fn caller_of(key: &KeyRecord, by_old_secret: bool) -> Caller {
    let ends = [key.expires_at, key.old_until.filter(|_| by_old_secret)];
    Caller {
        actor: Actor { key_id: Some(key.id), name: key.name.clone(), depots: key.depots.clone() },
        scopes: scopes_of(key),
        ends_at: ends.into_iter().flatten().min(),
    }
}

/// A key that is asked for.
#[derive(Clone, Debug)]
pub struct KeyWish {
    /// What it is called.
    pub name: String,
    /// What it may do.
    pub scopes: Vec<Scope>,
    /// Codes of the depots it is confined to; empty for all.
    pub depots: Vec<String>,
    /// When it ends, where it does.
    pub expires_at: Option<DateTime<Utc>>,
}

impl App {
    /// Makes a key by the command line's right; its text is given once and never stored.
    ///
    /// # Errors
    /// As [`App::make_key`].
    pub async fn new_key(
        &self,
        name: &str,
        scopes: &[Scope],
        depots: &[String],
        expires_at: Option<DateTime<Utc>>,
    ) -> Result<String, StoreError> {
        let (name, scopes, depots) = (name.to_owned(), scopes.to_vec(), depots.to_vec());
        let wish = KeyWish { name, scopes, depots, expires_at };
        Ok(self.make_key(wish, &self.by_command_line(), bare).await?.body)
    }

    /// A change made at the command line.
    #[must_use]
    pub fn by_command_line(&self) -> Writing {
        Writing { actor: Actor::internal("command line"), now: self.now(), once: None }
    }

    /// Makes a key. `answer` is made twice: once without the secret, as it is kept, and once with it.
    ///
    /// # Errors
    /// [`StoreError`] when the name is taken, a depot is not there, or the database or the system's random source fails.
    pub async fn make_key(
        &self,
        wish: KeyWish,
        writing: &Writing,
        answer: impl Fn(&KeyRecord, Option<&str>) -> Answer,
    ) -> Result<Answer, StoreError> {
        let secret = new_secret()?;
        let may: Vec<&str> =
            Scope::ALL.into_iter().filter(|scope| wish.scopes.contains(scope)).map(Scope::as_str).collect();
        let mut depots = wish.depots;
        depots.sort();
        depots.dedup();
        let (name, hash, may) = (wish.name, hash_of(&secret), may.join(","));
        let new = NewKey { name, hash, may, depots, expires_at: wish.expires_at };
        self.store.add_key(new, writing, |key, openly| answer(key, openly.then_some(secret.as_str()))).await
    }

    /// Gives a key a new secret; the one it has works for `overlap` longer. `answer` is made as in [`App::make_key`].
    ///
    /// # Errors
    /// [`StoreError`] when the key is not there, was revoked or has ended, or the database or the system's random source fails.
    pub async fn rotate_key(
        &self,
        name: &str,
        overlap: TimeDelta,
        writing: &Writing,
        answer: impl Fn(&KeyRecord, Option<&str>) -> Answer,
    ) -> Result<Answer, StoreError> {
        let secret = new_secret()?;
        let told = |key: &KeyRecord, openly: bool| answer(key, openly.then_some(secret.as_str()));
        let done = self.store.rotate_key(name, &hash_of(&secret), writing.now + overlap, writing, told).await?;
        self.keyring.forget();
        Ok(done)
    }

    /// Revokes a key: this process takes it no more, others for [`REMEMBERED`] at most.
    ///
    /// # Errors
    /// [`StoreError`] when it is not there or was revoked before, or the database fails.
    pub async fn revoke_key(
        &self,
        name: &str,
        writing: &Writing,
        answer: impl FnOnce(&KeyRecord) -> Answer,
    ) -> Result<Answer, StoreError> {
        let done = self.store.revoke_key(name, writing, answer).await?;
        self.keyring.forget();
        Ok(done)
    }

    /// Writes down when keys were last used: every now and then, since a write for each request would be dear.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn note_key_use(&self) -> Result<(), StoreError> {
        let used: Vec<_> = std::mem::take(&mut self.keyring.ring().used).into_iter().collect();
        if used.is_empty() { Ok(()) } else { self.store.note_key_use(&used).await }
    }

    /// Whom a key belongs to; `None` when it is not known, revoked or has ended.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn caller(&self, key: &str) -> Result<Option<Caller>, StoreError> {
        if !key.starts_with(PREFIX) {
            return Ok(None);
        }
        // The hash is looked up, never compared byte by byte with a secret, so timing tells nothing of use.
        let hash = hash_of(key);
        let now = self.now();
        let forgotten = match self.keyring.find(&hash, now) {
            Ok(caller) => return Ok(Some(caller)),
            Err(forgotten) => forgotten,
        };
        let found = self.store.find_key(&hash).await?.map(|(key, old)| caller_of(&key, old));
        let caller = found.filter(|caller| caller.ends_at.is_none_or(|end| now < end));
        if let Some(caller) = &caller {
            self.keyring.remember(hash, now, caller, forgotten);
        }
        Ok(caller)
    }
}

/// The secret alone, for the command line.
#[must_use]
pub fn bare(_: &KeyRecord, secret: Option<&str>) -> Answer {
    Answer { status: 200, etag: None, body: secret.unwrap_or_default().to_owned() }
}
