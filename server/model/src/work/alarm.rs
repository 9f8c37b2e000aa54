//! Confirmed codes on which a car is stopped at once.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;

use crate::fleet::{Code, CodeLog, CodeState, Standing, Trips, TroubleCode};

/// The isolation fault of the high-voltage system.
pub const ISOLATION_FAULT: &str = "P0AA6";

/// The pack is too hot.
pub const TOO_HOT: &str = "P0A7E";

/// What an order records when the car's isolation was measured and found sound by the maker's limit: name and word.
pub const ISOLATION_SOUND: (&str, &str) = ("isolation", "sound");

/// What dispatcher and shop are told at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StopNotice {
    /// What the code means.
    pub means: &'static str,
    /// What is to be done.
    pub does: &'static str,
}

/// The notice for a confirmed trouble code, upper-cased and without its failure-type byte; `None` for any other code.
///
/// The codes are those of SAE J2012; their meaning is in our own words.
#[must_use]
pub fn stop_notice(code: &str) -> Option<StopNotice> {
    let base = code.split('-').next().unwrap_or_default().trim().to_ascii_uppercase();
    match base.as_str() {
        ISOLATION_FAULT => Some(StopNotice {
            means: "the high-voltage system may be touching the car's body",
            does: "stop the car, passengers out, do not restart; do not touch it: a qualified person only",
        }),
        TOO_HOT => Some(StopNotice {
            means: "the pack is too hot",
            does: "stop the car, passengers out, do not restart; smoke, smell or heat: keep away and call",
        }),
        _ => None,
    }
}

/// A code on which a car is stopped, since when, and what is to be done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stop {
    /// The code.
    pub code: String,
    /// Since when it is confirmed.
    pub since: DateTime<Utc>,
    /// What it means and what to do.
    pub notice: StopNotice,
}

impl Stop {
    /// The notice as one line.
    #[must_use]
    pub fn line(&self) -> String {
        format!("STOP: {} since {}: {}; {}", self.code, self.since, self.notice.means, self.notice.does)
    }
}

/// Those of a car's codes that are confirmed at `now` and stop it.
#[must_use]
pub fn standing_stops(codes: &[TroubleCode], zone: Tz, now: DateTime<Utc>) -> Vec<Stop> {
    // Trips decide only what a cleared code means; these stop a car while they are confirmed.
    let none = BTreeMap::new();
    let log = CodeLog::fold(codes, Trips { by_day: &none, zone }, now);
    let stop = |(code, standing): (Code, Standing)| {
        let code = code.to_string();
        let notice = stop_notice(&code).filter(|_| standing.state == CodeState::Confirmed)?;
        Some(Stop { code, since: standing.since, notice })
    };
    log.standings().filter_map(stop).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fleet::Code;

    #[test]
    fn two_codes_stop_a_car() {
        for code in ["P0AA6", "p0aa6", "P0AA6-00", "P0A7E", " P0A7E"] {
            assert!(stop_notice(code).is_some_and(|notice| notice.does.contains("do not restart")), "{code}");
        }
        for code in ["P0A80", "P0A7F", "", "P0AA61"] {
            assert_eq!(stop_notice(code), None, "{code}");
        }
        for code in ["P0AA6", "P0A7E", "P0A80", "P0A82"].map(|text| Code::parse(text).unwrap()) {
            assert_eq!(code.meaning().unwrap().stops, stop_notice(&code.to_string()).is_some(), "{code}");
        }
    }
}
