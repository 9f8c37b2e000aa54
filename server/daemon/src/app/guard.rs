//! How much is let in: requests of a key, failed attempts of a stranger, requests at once.

use std::collections::HashSet;
use std::hash::Hash;
use std::net::IpAddr;
use std::num::NonZeroU32;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use governor::clock::{Clock, DefaultClock};
use governor::middleware::StateInformationMiddleware;
use governor::state::keyed::HashMapStateStore;
use governor::{Quota, RateLimiter};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::config::Limits;

/// How much of an allowance is left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Allowance {
    /// Requests in a window.
    pub quota: u32,
    /// The window, in seconds.
    pub window_s: u32,
    /// Requests left.
    pub left: u32,
    /// Seconds until all of the quota is there again.
    pub whole_in_s: u64,
    /// Seconds until the next request is let in, where this one is not.
    pub wait_s: Option<u64>,
}

impl Allowance {
    fn new(quota: u32, window_s: u32, left: u32, wait: Option<Duration>) -> Self {
        let missing = u64::from(quota.saturating_sub(left)) * u64::from(window_s);
        Self {
            quota,
            window_s,
            left,
            whole_in_s: missing.div_ceil(u64::from(quota.max(1))),
            wait_s: wait.map(|wait| wait.as_secs() + u64::from(wait.subsec_nanos() > 0)),
        }
    }
}

/// Buckets that fill evenly, one for each name.
struct Buckets<K: Hash + Eq + Clone, C: Clock> {
    quota: u32,
    window_s: u32,
    clock: C,
    limiter: RateLimiter<K, HashMapStateStore<K>, C, StateInformationMiddleware>,
    /// Counts checks, so that full buckets are thrown away now and then.
    checks: AtomicU32,
}

/// Buckets are looked through for full ones after so many checks.
const LOOK_THROUGH_AFTER: u32 = 10_000;

impl<K: Hash + Eq + Clone, C: Clock + Clone> Buckets<K, C> {
    /// `None` without a limit.
    fn new(quota: u32, window_s: u32, clock: C) -> Option<Self> {
        let burst = NonZeroU32::new(quota)?;
        let rate = Quota::with_period(Duration::from_secs(u64::from(window_s)) / quota)?.allow_burst(burst);
        let limiter = RateLimiter::new(rate, HashMapStateStore::default(), clock.clone());
        Some(Self { quota, window_s, clock, limiter, checks: AtomicU32::new(0) })
    }

    fn take(&self, name: &K) -> Allowance {
        if self.checks.fetch_add(1, Ordering::Relaxed) % LOOK_THROUGH_AFTER == LOOK_THROUGH_AFTER - 1 {
            self.limiter.retain_recent();
        }
        match self.limiter.check_key(name) {
            Ok(state) => Allowance::new(self.quota, self.window_s, state.remaining_burst_capacity(), None),
            Err(not_until) => {
                Allowance::new(self.quota, self.window_s, 0, Some(not_until.wait_time_from(self.clock.now())))
            }
        }
    }
}

/// Acts that are under way: the key that asked for each and its idempotency key.
type UnderWay = Arc<Mutex<HashSet<(i64, String)>>>;

/// An act under way, until this is dropped.
#[derive(Debug)]
pub struct Hold {
    all: UnderWay,
    act: (i64, String),
}

impl Drop for Hold {
    fn drop(&mut self) {
        self.all.lock().unwrap_or_else(PoisonError::into_inner).remove(&self.act);
    }
}

/// Lets in what the settings allow; each process keeps its own count.
pub struct Guard {
    keys: Option<Buckets<i64, DefaultClock>>,
    strangers: Option<Buckets<IpAddr, DefaultClock>>,
    running: Arc<Semaphore>,
    under_way: UnderWay,
}

impl std::fmt::Debug for Guard {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("Guard").field("room", &self.room()).finish_non_exhaustive()
    }
}

impl Guard {
    /// As the settings have it.
    #[must_use]
    pub fn new(limits: &Limits) -> Self {
        let clock = DefaultClock::default();
        Self {
            keys: Buckets::new(limits.key_requests, limits.key_seconds, clock.clone()),
            strangers: Buckets::new(limits.stranger_requests, limits.stranger_seconds, clock),
            running: Arc::new(Semaphore::new(limits.concurrent)),
            under_way: UnderWay::default(),
        }
    }

    /// Counts a request of a key; `None` where keys have no limit.
    #[must_use]
    pub fn key(&self, key: i64) -> Option<Allowance> {
        self.keys.as_ref().map(|buckets| buckets.take(&key))
    }

    /// Counts a request from an address that came without a valid key; `None` where these have no limit.
    #[must_use]
    pub fn stranger(&self, address: IpAddr) -> Option<Allowance> {
        self.strangers.as_ref().map(|buckets| buckets.take(&network(address)))
    }

    /// Holds an act by its idempotency key; `None` while the same one is under way.
    #[must_use]
    pub fn hold(&self, key: i64, value: &str) -> Option<Hold> {
        let act = (key, value.to_owned());
        let begun = self.under_way.lock().unwrap_or_else(PoisonError::into_inner).insert(act.clone());
        begun.then(|| Hold { all: Arc::clone(&self.under_way), act })
    }

    /// For how many more requests at once there is room.
    #[must_use]
    pub fn room(&self) -> usize {
        self.running.available_permits()
    }

    /// Room for one more request at once, held as long as what is given; `None` where there is none.
    #[must_use]
    pub fn enter(&self) -> Option<OwnedSemaphorePermit> {
        Arc::clone(&self.running).try_acquire_owned().ok()
    }
}

/// Who has one IPv6 address has all of its /64.
fn network(address: IpAddr) -> IpAddr {
    match address {
        IpAddr::V6(six) => match six.to_ipv4_mapped() {
            Some(four) => IpAddr::V4(four),
            None => IpAddr::V6((u128::from(six) & !u128::from(u64::MAX)).into()),
        },
        four @ IpAddr::V4(_) => four,
    }
}

#[cfg(test)]
mod tests {
    use governor::clock::FakeRelativeClock;

    use super::*;

    #[test]
    fn a_bucket_empties_and_fills_evenly() {
        let clock = FakeRelativeClock::default();
        let buckets = Buckets::new(4, 60, clock.clone()).unwrap();
        let left: Vec<(u32, u64)> = (0..4)
            .map(|_| {
                let allowance = buckets.take(&1);
                (allowance.left, allowance.whole_in_s)
            })
            .collect();
        assert_eq!(left, [(3, 15), (2, 30), (1, 45), (0, 60)]);
        clock.advance(Duration::from_millis(500));
        let refused = buckets.take(&1);
        assert_eq!((refused.left, refused.wait_s), (0, Some(15)));
        assert_eq!(buckets.take(&2).left, 3, "each has a bucket of its own");
        clock.advance(Duration::from_millis(14_500));
        assert_eq!((buckets.take(&1).wait_s, buckets.take(&1).wait_s), (None, Some(15)));
        clock.advance(Duration::from_secs(600));
        assert_eq!(buckets.take(&1).left, 3, "it holds no more than the quota");
    }

    #[test]
    fn full_buckets_are_thrown_away() {
        let clock = FakeRelativeClock::default();
        let buckets = Buckets::new(4, 60, clock.clone()).unwrap();
        for name in 0..LOOK_THROUGH_AFTER - 1 {
            let _ = buckets.take(&name);
        }
        clock.advance(Duration::from_secs(120));
        let _ = buckets.take(&0);
        assert!(buckets.limiter.len() <= 1, "{}", buckets.limiter.len());
    }

    #[test]
    fn without_a_quota_there_is_no_limit() {
        assert!(Buckets::<i64, _>::new(0, 60, FakeRelativeClock::default()).is_none());
    }

    #[test]
    fn an_act_is_under_way_once() {
        let guard = Guard::new(&crate::config::Config::load(None, [], &[]).unwrap().settings.limits);
        let first = guard.hold(1, "a");
        assert!(first.is_some() && guard.hold(1, "a").is_none());
        assert!(guard.hold(2, "a").is_some() && guard.hold(1, "b").is_some());
        drop(first);
        assert!(guard.hold(1, "a").is_some());
    }

    #[test]
    fn an_ipv6_network_counts_as_one() {
        let same = |one: &str, other: &str| network(one.parse().unwrap()) == network(other.parse().unwrap());
        assert!(same("2001:db8::1", "2001:db8::ffff:2"));
        assert!(!same("2001:db8::1", "2001:db8:0:1::1"));
        assert!(same("::ffff:192.0.2.1", "192.0.2.1"));
        assert!(!same("192.0.2.2", "192.0.2.1"));
    }
}
