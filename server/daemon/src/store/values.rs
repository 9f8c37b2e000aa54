//! How domain values stand in columns.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde::de::DeserializeOwned;

use super::StoreError;

/// An instant as microseconds since 1970.
#[must_use]
pub fn micros(at: DateTime<Utc>) -> i64 {
    at.timestamp_micros()
}

/// The instant of a column of microseconds.
///
/// # Errors
/// [`StoreError::BadRow`] when the number is outside the calendar.
pub fn instant(column: &'static str, micros: i64) -> Result<DateTime<Utc>, StoreError> {
    DateTime::from_timestamp_micros(micros).ok_or_else(|| StoreError::bad_row(column, micros))
}

/// A date as days since 1970-01-01.
#[must_use]
pub fn day_number(date: NaiveDate) -> i64 {
    date.signed_duration_since(NaiveDate::default()).num_days()
}

/// The date of a column of days.
///
/// # Errors
/// [`StoreError::BadRow`] when the number is outside the calendar.
pub fn date(column: &'static str, day: i64) -> Result<NaiveDate, StoreError> {
    TimeDelta::try_days(day)
        .and_then(|days| NaiveDate::default().checked_add_signed(days))
        .ok_or_else(|| StoreError::bad_row(column, day))
}

/// A value that a column must hold for its row to make sense.
///
/// # Errors
/// [`StoreError::BadRow`] when `parsed` is empty.
pub fn known<T>(column: &'static str, text: &str, parsed: Option<T>) -> Result<T, StoreError> {
    parsed.ok_or_else(|| StoreError::bad_row(column, text))
}

/// What a column of JSON holds.
///
/// # Errors
/// [`StoreError::BadRow`] when it holds something else.
pub fn of_json<T: DeserializeOwned>(column: &'static str, text: &str) -> Result<T, StoreError> {
    serde_json::from_str(text).map_err(|fault| StoreError::bad_row(column, format!("{fault} in {text:?}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_and_dates_are_one() {
        for text in ["1970-01-01", "2026-11-25", "1999-12-31", "2400-02-29"] {
            let day: NaiveDate = text.parse().unwrap();
            assert_eq!(date("day", day_number(day)).unwrap(), day);
        }
        assert_eq!(day_number("1970-01-02".parse().unwrap()), 1);
        assert!(date("day", i64::MAX).is_err());
    }
}
