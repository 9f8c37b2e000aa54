//! Keys: made, looked up, remembered for a moment.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

use chrono::{DateTime, TimeDelta, Utc};
use sha2::{Digest, Sha256};

use super::App;
use crate::store::{Actor, KeyRecord, NewKey, StoreError};

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
}

impl Caller {
    /// Whether the key has the scope.
    #[must_use]
    pub fn may(&self, scope: Scope) -> bool {
        self.scopes.contains(&scope)
    }
}

/// A key's lookup is remembered this long, so a revoked key works no longer than this.
const REMEMBERED: TimeDelta = TimeDelta::seconds(2);

/// More keys than this at once are not remembered.
const RING_SIZE: usize = 10_000;

/// Keys that were looked up a moment ago, by hash.
#[derive(Debug, Default)]
pub struct Keyring(Mutex<HashMap<String, (DateTime<Utc>, Caller)>>);

impl Keyring {
    fn find(&self, hash: &str, now: DateTime<Utc>) -> Option<Caller> {
        let ring = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (since, caller) = ring.get(hash)?;
        let age = now - *since;
        (age >= TimeDelta::zero() && age < REMEMBERED).then(|| caller.clone())
    }

    fn remember(&self, hash: String, now: DateTime<Utc>, caller: &Caller) {
        let mut ring = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if ring.len() >= RING_SIZE {
            ring.clear();
        }
        ring.insert(hash, (now, caller.clone()));
    }
}

/// Begins every key, so that one that leaks into a log or a repository is seen for what it is.
const PREFIX: &str = "vm_";

/// 256 bits from the operating system: too many to guess, so a plain hash is enough to keep them by.
const SECRET_BYTES: usize = 32;

/// A secret nobody can guess, hexadecimal.
pub(super) fn secret() -> Result<String, StoreError> {
    let mut secret = [0_u8; SECRET_BYTES];
    getrandom::fill(&mut secret).map_err(|fault| StoreError::File(std::io::Error::other(fault.to_string())))?;
    Ok(hex::encode(secret))
}

pub(super) fn hash_of(key: &str) -> String {
    hex::encode(Sha256::digest(key))
}

fn caller_of(key: &KeyRecord) -> Caller {
    Caller {
        actor: Actor { key_id: Some(key.id), name: key.name.clone(), depots: key.depots.clone() },
        scopes: key.may.split(',').filter_map(Scope::parse).collect(),
    }
}

impl App {
    /// Makes a key; its text is given once and never stored.
    ///
    /// # Errors
    /// [`StoreError`] when the name is taken, a depot is not there, or the database or the system's random source fails.
    pub async fn new_key(
        &self,
        name: &str,
        scopes: &[Scope],
        depots: &[String],
        expires_at: Option<DateTime<Utc>>,
    ) -> Result<String, StoreError> {
        let key = format!("{PREFIX}{}", secret()?);
        let may: Vec<&str> = scopes.iter().map(|scope| scope.as_str()).collect();
        let new = NewKey {
            name: name.to_owned(),
            hash: hash_of(&key),
            may: may.join(","),
            depots: depots.to_vec(),
            expires_at,
        };
        self.store.add_key(new, "command line", self.now()).await?;
        Ok(key)
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
        if let Some(caller) = self.keyring.find(&hash, now) {
            return Ok(Some(caller));
        }
        let found = self.store.find_key(&hash).await?;
        let caller = found.filter(|key| key.expires_at.is_none_or(|end| now < end)).map(|key| caller_of(&key));
        if let Some(caller) = &caller {
            self.keyring.remember(hash, now, caller);
        }
        Ok(caller)
    }
}
