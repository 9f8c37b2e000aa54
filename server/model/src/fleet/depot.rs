//! Depots: where cars stay, in which zone and when the shop is open.

use chrono::{NaiveTime, Weekday};
use chrono_tz::Tz;

use super::DistanceUnit;

/// Opening hours of one weekday, from `opens` to `closes` on the same day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DayHours {
    /// When the shop opens, local time.
    pub opens: NaiveTime,
    /// When it closes, local time; later than `opens`.
    pub closes: NaiveTime,
}

/// Opening hours by weekday, Monday first; `None` on a day on which the shop is closed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct OpeningHours(pub [Option<DayHours>; 7]);

impl OpeningHours {
    /// The hours of `weekday`.
    #[must_use]
    pub fn on(&self, weekday: Weekday) -> Option<DayHours> {
        self.0.get(weekday.num_days_from_monday() as usize).copied().flatten()
    }
}

/// A depot.
#[derive(Clone, Debug, PartialEq)]
pub struct Depot {
    /// The fleet's own short code.
    pub code: String,
    /// What people call it.
    pub name: String,
    /// IANA time zone: its local dates are the depot's duty days.
    pub zone: Tz,
    /// Bays in which a car can be worked on.
    pub bays: u32,
    /// Opening hours of its shop.
    pub hours: OpeningHours,
    /// The unit in which its distances are shown.
    pub distance_unit: DistanceUnit,
}

/// Reads an IANA zone name, such as `America/New_York`.
#[must_use]
pub fn parse_zone(text: &str) -> Option<Tz> {
    text.parse().ok()
}

/// Zones of the United States, Canada and Mexico by country code in the IANA time zone database's
/// `zone.tab` (release 2025b), with the older names that point at them.
const NORTH_AMERICAN: &[&str] = &[
    "America/Adak",
    "America/Anchorage",
    "America/Atikokan",
    "America/Bahia_Banderas",
    "America/Blanc-Sablon",
    "America/Boise",
    "America/Cambridge_Bay",
    "America/Cancun",
    "America/Chicago",
    "America/Chihuahua",
    "America/Ciudad_Juarez",
    "America/Creston",
    "America/Dawson",
    "America/Dawson_Creek",
    "America/Denver",
    "America/Detroit",
    "America/Edmonton",
    "America/Fort_Nelson",
    "America/Glace_Bay",
    "America/Goose_Bay",
    "America/Halifax",
    "America/Hermosillo",
    "America/Indiana/Indianapolis",
    "America/Indiana/Knox",
    "America/Indiana/Marengo",
    "America/Indiana/Petersburg",
    "America/Indiana/Tell_City",
    "America/Indiana/Vevay",
    "America/Indiana/Vincennes",
    "America/Indiana/Winamac",
    "America/Inuvik",
    "America/Iqaluit",
    "America/Juneau",
    "America/Kentucky/Louisville",
    "America/Kentucky/Monticello",
    "America/Los_Angeles",
    "America/Matamoros",
    "America/Mazatlan",
    "America/Menominee",
    "America/Merida",
    "America/Metlakatla",
    "America/Mexico_City",
    "America/Moncton",
    "America/Monterrey",
    "America/New_York",
    "America/Nome",
    "America/North_Dakota/Beulah",
    "America/North_Dakota/Center",
    "America/North_Dakota/New_Salem",
    "America/Ojinaga",
    "America/Phoenix",
    "America/Rankin_Inlet",
    "America/Regina",
    "America/Resolute",
    "America/Sitka",
    "America/St_Johns",
    "America/Swift_Current",
    "America/Tijuana",
    "America/Toronto",
    "America/Vancouver",
    "America/Whitehorse",
    "America/Winnipeg",
    "America/Yakutat",
    "Pacific/Honolulu",
];

/// Prefixes of older zone names of the same three countries (IANA `backward` file).
const NORTH_AMERICAN_PREFIXES: &[&str] = &["US/", "Canada/", "Mexico/"];

/// Whether a zone lies in the United States, Canada or Mexico, where the VIN's check digit is binding.
#[must_use]
pub fn is_north_american(zone: Tz) -> bool {
    let name = zone.name();
    NORTH_AMERICAN.binary_search(&name).is_ok()
        || NORTH_AMERICAN_PREFIXES.iter().any(|prefix| name.starts_with(prefix))
        || matches!(name, "EST" | "EST5EDT" | "CST6CDT" | "MST" | "MST7MDT" | "PST8PDT")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_list_is_sorted_and_every_zone_is_known() {
        assert!(NORTH_AMERICAN.is_sorted());
        assert!(NORTH_AMERICAN.iter().all(|name| parse_zone(name).is_some()));
    }

    #[test]
    fn north_america_is_three_countries() {
        for (name, expected) in [
            ("America/New_York", true),
            ("US/Pacific", true),
            ("Pacific/Honolulu", true),
            ("America/Sao_Paulo", false),
            ("Europe/Vienna", false),
        ] {
            assert_eq!(is_north_american(parse_zone(name).unwrap()), expected, "{name}");
        }
    }
}
