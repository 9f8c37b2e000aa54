//! The one place where time is read.

use std::fmt::Debug;
use std::sync::Mutex;

use chrono::{DateTime, DurationRound, TimeDelta, Utc};

/// Gives the present instant, in whole microseconds: all that both databases keep.
pub trait Clock: Debug + Send + Sync {
    /// The present instant.
    fn now(&self) -> DateTime<Utc>;
}

/// The machine's clock.
#[derive(Clone, Copy, Debug)]
pub struct SystemClock;

impl Clock for SystemClock {
    #[allow(clippy::disallowed_methods, reason = "this is the home of the clock")]
    fn now(&self) -> DateTime<Utc> {
        to_micros(Utc::now())
    }
}

/// A clock that stands where it was put, for tests and for replaying a day.
#[derive(Debug)]
pub struct SetClock(Mutex<DateTime<Utc>>);

impl SetClock {
    /// A clock that stands at `now`.
    #[must_use]
    pub fn new(now: DateTime<Utc>) -> Self {
        Self(Mutex::new(to_micros(now)))
    }

    /// Puts the clock to `now`.
    pub fn set(&self, now: DateTime<Utc>) {
        *self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = to_micros(now);
    }
}

impl Clock for SetClock {
    fn now(&self) -> DateTime<Utc> {
        *self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

/// A stopwatch for the time a request took; never for anything that is stored.
#[derive(Clone, Copy, Debug)]
pub struct Stopwatch(std::time::Instant);

impl Stopwatch {
    /// Starts it.
    #[must_use]
    #[allow(clippy::disallowed_methods, reason = "this is the home of the clock")]
    pub fn start() -> Self {
        Self(std::time::Instant::now())
    }

    /// Milliseconds since it was started.
    #[must_use]
    pub fn elapsed_ms(self) -> f64 {
        self.0.elapsed().as_secs_f64() * 1e3
    }
}

fn to_micros(at: DateTime<Utc>) -> DateTime<Utc> {
    at.duration_trunc(TimeDelta::microseconds(1)).unwrap_or(at)
}
