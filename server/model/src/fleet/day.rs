//! Local days: calendar dates in a zone, 23 to 25 hours long.

use chrono::{DateTime, Duration, LocalResult, NaiveDate, NaiveTime, TimeZone, Utc};
use chrono_tz::Tz;

/// The local date in `zone` at the instant `at`.
#[must_use]
pub fn local_day(at: DateTime<Utc>, zone: Tz) -> NaiveDate {
    at.with_timezone(&zone).date_naive()
}

/// Quarters of an hour looked through for the first instant of a day: enough for a zone that skipped a whole day.
const QUARTERS: i32 = 25 * 4 + 1;

/// The first instant of the local day `day` in `zone`.
///
/// Where clocks skip midnight the day begins when they have skipped; where they strike it twice, at the first.
#[must_use]
pub fn day_start(day: NaiveDate, zone: Tz) -> DateTime<Utc> {
    let midnight = day.and_time(NaiveTime::MIN);
    (0..QUARTERS)
        .filter_map(|quarter| midnight.checked_add_signed(Duration::minutes(i64::from(quarter) * 15)))
        .find_map(|local| match zone.from_local_datetime(&local) {
            LocalResult::Single(at) | LocalResult::Ambiguous(at, _) => Some(at.to_utc()),
            LocalResult::None => None,
        })
        .unwrap_or_else(|| midnight.and_utc())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hours(zone: &str, (year, month, day): (i32, u32, u32)) -> i64 {
        let zone: Tz = zone.parse().unwrap();
        let day = NaiveDate::from_ymd_opt(year, month, day).unwrap();
        (day_start(day.succ_opt().unwrap(), zone) - day_start(day, zone)).num_hours()
    }

    #[test]
    fn days_have_23_to_25_hours() {
        // IANA time zone database: New York changes on 2026-03-08 and 2026-11-01.
        assert_eq!(hours("America/New_York", (2026, 3, 8)), 23);
        assert_eq!(hours("America/New_York", (2026, 11, 1)), 25);
        assert_eq!(hours("America/New_York", (2026, 6, 1)), 24);
    }

    #[test]
    fn a_skipped_midnight_is_no_hole() {
        // IANA time zone database: Havana springs forward at midnight (2026-03-08), Apia skipped 2011-12-30.
        assert_eq!(hours("America/Havana", (2026, 3, 8)), 23);
        assert_eq!(hours("Pacific/Apia", (2011, 12, 30)), 0);
    }

    #[test]
    fn the_local_day_is_the_depots() {
        let at = "2026-01-01T04:59:59Z".parse().unwrap();
        assert_eq!(local_day(at, Tz::America__New_York), NaiveDate::from_ymd_opt(2025, 12, 31).unwrap());
        assert_eq!(local_day(at, Tz::UTC), NaiveDate::from_ymd_opt(2026, 1, 1).unwrap());
    }
}
