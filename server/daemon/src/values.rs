//! Texts of a request as domain values; each fault says what would be right.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde_json::Value;
use ventmile_model::fleet::{DistanceUnit, Kind, Metres};

/// Further than any car goes.
const LONGEST_KM: f64 = 10_000_000.0;

/// Longest name or number that people give, in characters.
pub(super) const LONGEST_NAME: usize = 64;

/// Longest text that people give, in characters.
pub(super) const LONGEST_TEXT: usize = 2_000;

/// Nothing in this trade is older.
const EARLIEST_YEAR: i32 = 1990;

/// What is wrong with a value, and what would be right.
pub(super) type Wrong = String;

/// An instant with its offset (RFC 3339), to whole microseconds.
pub(super) fn instant(text: &str) -> Result<DateTime<Utc>, Wrong> {
    let at = DateTime::parse_from_rfc3339(text)
        .map_err(|_| "give a time with its offset (RFC 3339), such as 2026-03-01T06:30:00-05:00".to_owned())?
        .to_utc();
    let year = chrono::Datelike::year(&at);
    if !(EARLIEST_YEAR..=9999).contains(&year) {
        return Err(format!("give a time from the year {EARLIEST_YEAR} on"));
    }
    Ok(chrono::DurationRound::duration_trunc(at, TimeDelta::microseconds(1)).unwrap_or(at))
}

/// A date (RFC 3339 full-date).
pub(super) fn date(text: &str) -> Result<NaiveDate, Wrong> {
    let date = NaiveDate::parse_from_str(text, "%Y-%m-%d").ok().filter(|_| text.len() == 10);
    let date = date.ok_or_else(|| "give a date such as 2026-03-01".to_owned())?;
    if chrono::Datelike::year(&date) < EARLIEST_YEAR {
        return Err(format!("give a date from the year {EARLIEST_YEAR} on"));
    }
    Ok(date)
}

/// `mi` or `km`.
pub(super) fn distance_unit(text: &str) -> Result<DistanceUnit, Wrong> {
    DistanceUnit::parse(text).ok_or_else(|| "give mi or km".to_owned())
}

/// An odometer in its unit.
pub(super) fn odometer(value: f64, unit: DistanceUnit) -> Result<Metres, Wrong> {
    if !value.is_finite() || value < 0.0 {
        return Err("give a number that is not negative".to_owned());
    }
    let metres = unit.to_metres(value).filter(|metres| metres.as_f64() <= LONGEST_KM * 1000.0);
    metres.ok_or_else(|| format!("give at most {:.0} {unit}", LONGEST_KM * 1000.0 / unit.metres()))
}

/// A job's kind.
pub(super) fn kind(text: &str) -> Result<Kind, Wrong> {
    Kind::parse(text).ok_or_else(|| {
        let known: Vec<&str> = Kind::ALL.iter().map(|kind| kind.as_str()).collect();
        format!("give one of {}", known.join(", "))
    })
}

/// A name or number that people gave: 1 to `longest` characters, none of them a control character.
pub(super) fn name(text: &str, longest: usize) -> Result<String, Wrong> {
    let text = text.trim();
    let length = text.chars().count();
    if length == 0 || length > longest || text.chars().any(char::is_control) {
        return Err(format!("give 1 to {longest} characters, none of them a control character"));
    }
    Ok(text.to_owned())
}

/// Free text of up to `longest` characters; line breaks may stand in it, other control characters not.
pub(super) fn free_text(text: &str, longest: usize) -> Result<String, Wrong> {
    let control = |letter: char| letter.is_control() && !matches!(letter, '\n' | '\r' | '\t');
    if text.chars().count() > longest || text.chars().any(control) {
        return Err(format!("give at most {longest} characters, no control characters but line breaks"));
    }
    Ok(text.to_owned())
}

/// A finite number as JSON, anything else as text.
pub(super) fn number(value: f64) -> Value {
    serde_json::Number::from_f64(value).map_or_else(|| Value::String(value.to_string()), Value::Number)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_instant_needs_its_offset() {
        assert_eq!(instant("2026-03-01T06:30:00-05:00").unwrap().to_rfc3339(), "2026-03-01T11:30:00+00:00");
        for wrong in ["2026-03-01", "2026-03-01T06:30:00", "", "yesterday", "1889-01-01T00:00:00Z"] {
            assert!(instant(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn an_odometer_is_a_finite_distance_of_a_car() {
        assert_eq!(odometer(1.0, DistanceUnit::Mile), Ok(Metres(1609)));
        for wrong in [-0.1, f64::NAN, f64::INFINITY, 1e12] {
            assert!(odometer(wrong, DistanceUnit::Kilometre).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_date_has_ten_characters() {
        assert!(date("2026-02-29").is_err());
        assert!(date("2026-2-9").is_err());
        assert!(date("2028-02-29").is_ok());
    }
}
