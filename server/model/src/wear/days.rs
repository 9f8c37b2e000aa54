//! Instants as real days apart.

use chrono::{DateTime, TimeDelta, Utc};

const SECONDS_A_DAY: f64 = 86_400.0;

/// Days from one instant to another, below zero when it came before.
pub(super) fn days_between(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    (to - from).as_seconds_f64() / SECONDS_A_DAY
}

/// The instant so many days after another, to the microsecond; `None` beyond the calendar.
pub(super) fn days_after(from: DateTime<Utc>, days: f64) -> Option<DateTime<Utc>> {
    let microseconds = days * SECONDS_A_DAY * 1e6;
    let counted = microseconds.abs() < i64::MAX as f64;
    counted.then(|| from.checked_add_signed(TimeDelta::microseconds(microseconds as i64))).flatten()
}
