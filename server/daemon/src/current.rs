//! What is known of the request being answered, for whoever answers it: its id, and how much its sender may still ask.

use std::net::IpAddr;
use std::sync::{Arc, OnceLock};

use crate::app::App;
use crate::app::guard::{Allowance, Hold};
use crate::app::keys::Caller;

/// A request being answered.
#[derive(Debug)]
pub struct Current {
    id: String,
    from: Option<IpAddr>,
    allowance: OnceLock<Allowance>,
    caller: OnceLock<i64>,
    /// The act it asks for, held until it is answered.
    act: OnceLock<Hold>,
}

tokio::task_local! {
    static CURRENT: Arc<Current>;
}

impl Current {
    /// A request with this id, from this address where that is known.
    #[must_use]
    pub fn new(id: String, from: Option<IpAddr>) -> Arc<Self> {
        Arc::new(Self { id, from, allowance: OnceLock::new(), caller: OnceLock::new(), act: OnceLock::new() })
    }

    /// What was left of its sender's allowance, once that was asked.
    #[must_use]
    pub fn allowance(&self) -> Option<&Allowance> {
        self.allowance.get()
    }

    /// Answers it.
    pub async fn answer<T>(self: Arc<Self>, answering: impl Future<Output = T>) -> T {
        CURRENT.scope(self, answering).await
    }
}

/// The id of the request being answered; `None` outside of one.
#[must_use]
pub fn id() -> Option<String> {
    CURRENT.try_with(|current| current.id.clone()).ok()
}

/// A sender has asked too much.
#[derive(Clone, Copy, Debug)]
pub struct TooMany {
    /// What was allowed.
    pub allowance: Allowance,
    /// Seconds until the next request is let in.
    pub wait_s: u64,
}

/// Lets in a request of a known key, as far as its allowance goes.
///
/// # Errors
/// [`TooMany`] where it goes no further.
pub fn admit(app: &App, caller: &Caller) -> Result<(), TooMany> {
    tracing::Span::current().record("key", caller.actor.name.as_str());
    if let Some(key) = caller.actor.key_id {
        let _ = CURRENT.try_with(|current| current.caller.set(key));
    }
    within(app, "key", caller.actor.key_id.and_then(|key| app.guard.key(key)))
}

/// Counts a request without a valid key.
///
/// # Errors
/// [`TooMany`] where its address has sent too many of them.
pub fn stranger(app: &App) -> Result<(), TooMany> {
    let from = CURRENT.try_with(|current| current.from).ok().flatten();
    within(app, "stranger", from.and_then(|address| app.guard.stranger(address)))
}

/// Holds the act that a request asks for by its idempotency key until it is answered; `false` while the same one is under way.
#[must_use]
pub fn hold(app: &App, value: &str) -> bool {
    let Ok(Some(caller)) = CURRENT.try_with(|current| current.caller.get().copied()) else { return true };
    let Some(act) = app.guard.hold(caller, value) else { return false };
    let _ = CURRENT.try_with(|current| current.act.set(act));
    true
}

fn within(app: &App, who: &str, allowance: Option<Allowance>) -> Result<(), TooMany> {
    let Some(allowance) = allowance else { return Ok(()) };
    let _ = CURRENT.try_with(|current| current.allowance.set(allowance));
    let Some(wait_s) = allowance.wait_s else { return Ok(()) };
    app.meters.limited(who);
    Err(TooMany { allowance, wait_s })
}
