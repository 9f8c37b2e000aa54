//! Where each of a car's trouble codes stands now.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;

use super::{Code, local_day};

/// What was reported of a code. At one instant the later of this list counts: codes are read, then cleared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum CodeReport {
    /// It was confirmed once and is not now.
    History,
    /// It was found and awaits another trip.
    Pending,
    /// It is set.
    Confirmed,
    /// It was cleared.
    Cleared,
}

impl CodeReport {
    /// The report's name in logs.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::History => "history",
            Self::Pending => "pending",
            Self::Confirmed => "confirmed",
            Self::Cleared => "cleared",
        }
    }

    /// Reads a report's name.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let all = [Self::History, Self::Pending, Self::Confirmed, Self::Cleared];
        all.into_iter().find(|report| report.as_str() == text)
    }
}

/// One trouble code row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TroubleCode {
    /// When it was read, or cleared.
    pub at: DateTime<Utc>,
    /// Which code.
    pub code: Code,
    /// What was reported of it.
    pub state: CodeReport,
}

impl TroubleCode {
    /// Whether the row says something of `code`: its own, or a clear of all its failure types.
    fn is_about(&self, code: Code) -> bool {
        self.code == code || (self.state == CodeReport::Cleared && self.code == code.base())
    }
}

/// Where a code stands, from best to worst.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum CodeState {
    /// Not there, and driven far enough since any clear for that to mean something.
    None,
    /// Not there, but codes were cleared and it has had too few trips to come back: unknown, not healthy.
    UnknownSinceClear,
    /// Confirmed once, not now.
    History,
    /// Found, awaiting another trip.
    Pending,
    /// Set.
    Confirmed,
}

impl CodeState {
    /// The state's name in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Pending => "pending",
            Self::Confirmed => "confirmed",
            Self::History => "history",
            Self::None => "none",
            Self::UnknownSinceClear => "unknown-since-clear",
        }
    }
}

/// Trips driven, by local day; a day that is not in it counts none.
#[derive(Clone, Copy, Debug)]
pub struct Trips<'a> {
    /// Trips by day.
    pub by_day: &'a BTreeMap<NaiveDate, u32>,
    /// The zone of the days.
    pub zone: Tz,
}

impl Trips<'_> {
    /// Trips from the day after `after` to the day of `until`: those of the day itself may have come before.
    fn between(&self, after: DateTime<Utc>, until: DateTime<Utc>) -> u64 {
        let (first, last) = (local_day(after, self.zone), local_day(until, self.zone));
        self.by_day.iter().filter(|(day, _)| first < **day && **day <= last).map(|(_, trips)| u64::from(*trips)).sum()
    }
}

/// Where one code of the log stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Standing {
    /// Where it stands.
    pub state: CodeState,
    /// The first report since it was last cleared; of a code that is not there, the last clear.
    pub since: DateTime<Utc>,
    /// The last report of it.
    pub last: DateTime<Utc>,
    /// The last time it was reported as confirmed.
    pub confirmed: Option<DateTime<Utc>>,
}

impl Standing {
    /// Whether it was confirmed and may be there still: it is not yet known to be gone.
    #[must_use]
    pub fn is_in_doubt(&self) -> bool {
        self.confirmed.is_some() && self.state != CodeState::None
    }
}

/// A car's trouble codes at one instant, told apart by failure type too.
#[derive(Clone, Debug, PartialEq)]
pub struct CodeLog {
    standings: BTreeMap<Code, Standing>,
    /// Trips since anything was last cleared; `None` where nothing was.
    trips_since_clear: Option<u64>,
}

impl CodeLog {
    /// Trips that a code may need to come back after a clear, where it is not known that one will do; beyond them it does
    /// not matter how many there were.
    pub const TRIPS: u64 = 2;

    /// Folds `events`, in any order, into the state at `as_of`; what came later is not looked at.
    #[must_use]
    pub fn fold(events: &[TroubleCode], trips: Trips<'_>, as_of: DateTime<Utc>) -> Self {
        let events: Vec<_> = events.iter().filter(|event| event.at <= as_of).copied().collect();
        let codes: BTreeSet<Code> = events.iter().map(|event| event.code).collect();
        let standings = codes.into_iter().filter_map(|code| {
            let own = events.iter().filter(|event| event.is_about(code)).copied().collect();
            Some((code, standing(code, own, |clear| trips.between(clear, as_of))?))
        });
        let clears = events.iter().filter(|event| event.state == CodeReport::Cleared);
        let last_clear = clears.map(|event| event.at).max();
        Self { standings: standings.collect(), trips_since_clear: last_clear.map(|clear| trips.between(clear, as_of)) }
    }

    /// Where `code` stands, logged or not; without a failure type, the worst of its failure types. A scan tool clears
    /// every code at once, so after any clear a code that was never logged is unknown too.
    #[must_use]
    pub fn state(&self, code: Code) -> CodeState {
        let logged = self.standings.iter().filter(|(own, _)| **own == code || own.base() == code);
        let unlogged = || self.trips_since_clear.map_or(CodeState::None, |trips| absent(code, trips));
        logged.map(|(_, standing)| standing.state).max().unwrap_or_else(unlogged)
    }

    /// Every code that was ever logged, in the order of codes.
    pub fn standings(&self) -> impl Iterator<Item = (Code, Standing)> + '_ {
        self.standings.iter().map(|(code, standing)| (*code, *standing))
    }
}

/// Where `code` stands after its own `events`; `None` without any.
fn standing(code: Code, mut events: Vec<TroubleCode>, trips: impl Fn(DateTime<Utc>) -> u64) -> Option<Standing> {
    events.sort_unstable_by_key(|event| (event.at, event.state));
    let last = events.last()?;
    let state = match last.state {
        CodeReport::Pending => CodeState::Pending,
        CodeReport::Confirmed => CodeState::Confirmed,
        CodeReport::History => CodeState::History,
        CodeReport::Cleared => absent(code, trips(last.at)),
    };
    let there = events.iter().rev().take_while(|event| event.state != CodeReport::Cleared);
    let confirmed = events.iter().rev().find(|event| event.state == CodeReport::Confirmed);
    Some(Standing {
        state,
        since: there.last().map_or(last.at, |event| event.at),
        last: last.at,
        confirmed: confirmed.map(|event| event.at),
    })
}

/// What it means that `code` is not there, so many trips after a clear.
fn absent(code: Code, trips: u64) -> CodeState {
    let one_will_do = code.meaning().is_some_and(|meaning| !meaning.two_trips && !meaning.stops);
    let needed = if one_will_do { 1 } else { CodeLog::TRIPS };
    if trips < needed { CodeState::UnknownSinceClear } else { CodeState::None }
}

#[cfg(test)]
mod tests {
    use chrono::Duration;
    use proptest::prelude::*;

    use super::*;

    fn noon(day: i64) -> DateTime<Utc> {
        "2026-06-01T16:00:00Z".parse::<DateTime<Utc>>().unwrap() + Duration::days(day)
    }

    fn code(text: &str) -> Code {
        Code::parse(text).unwrap()
    }

    fn event(day: i64, text: &str, state: CodeReport) -> TroubleCode {
        TroubleCode { at: noon(day), code: code(text), state }
    }

    fn fold(events: &[TroubleCode], trips: &[(i64, u32)], as_of: i64) -> CodeLog {
        let zone = Tz::America__New_York;
        let by_day = trips.iter().map(|(day, trips)| (local_day(noon(*day), zone), *trips)).collect();
        CodeLog::fold(events, Trips { by_day: &by_day, zone }, noon(as_of))
    }

    use CodeReport::{Cleared, Confirmed, History, Pending};

    #[test]
    fn the_last_report_counts_and_since_is_the_first_after_a_clear() {
        let events = [
            event(0, "P0A80", Confirmed),
            event(2, "P0A80", Cleared),
            event(5, "P0A80", Pending),
            event(7, "P0A80", Confirmed),
            event(8, "P0A7F", History),
            event(9, "P3011", Confirmed),
        ];
        let log = fold(&events, &[], 8);
        let standings: Vec<_> = log.standings().collect();
        let confirmed =
            Standing { state: CodeState::Confirmed, since: noon(5), last: noon(7), confirmed: Some(noon(7)) };
        let history = Standing { state: CodeState::History, since: noon(8), last: noon(8), confirmed: None };
        assert_eq!(standings, [(code("P0A7F"), history), (code("P0A80"), confirmed)]);
        assert_eq!(fold(&events, &[], 6).state(code("P0A80")), CodeState::Pending);
    }

    #[track_caller]
    fn check_clear(text: &str, trips: &[(i64, u32)], state: CodeState) {
        let log = fold(&[event(0, "P0A80", Confirmed), event(0, "P0A80", Cleared)], trips, 3);
        assert_eq!(log.state(code(text)), state, "{text} after {trips:?}");
    }

    #[test]
    fn within_two_trips_of_a_clear_no_code_is_unknown() {
        check_clear("P0A80", &[], CodeState::UnknownSinceClear);
        // Those of the day itself may have come before the clear, those after the day that is asked about don't count.
        check_clear("P0A80", &[(0, 9), (1, 1), (4, 9)], CodeState::UnknownSinceClear);
        check_clear("P0A80", &[(1, 1), (3, 1)], CodeState::None);
        // A clear wipes the codes that were not logged as well.
        check_clear("P0A7F", &[(1, 1)], CodeState::UnknownSinceClear);
        check_clear("P0A7F", &[(1, 2)], CodeState::None);
        check_clear("P0A82", &[], CodeState::UnknownSinceClear);
        check_clear("P0A82", &[(1, 1)], CodeState::None);
        // Of a code that is not listed nothing is known, so it is given both.
        check_clear("P1234", &[(1, 1)], CodeState::UnknownSinceClear);
        assert_eq!(fold(&[], &[], 0).state(code("P0A80")), CodeState::None);
    }

    #[test]
    fn a_code_that_stops_the_car_is_in_doubt_until_two_trips_after_its_clear() {
        let events = [event(0, "P0AA6-1F", Confirmed), event(1, "P0AA6", Cleared)];
        let doubt = |events: &[TroubleCode], trips: &[(i64, u32)]| {
            let log = fold(events, trips, 4);
            let standing = log.standings().find(|(found, _)| *found == code("P0AA6-1F")).unwrap().1;
            (standing.is_in_doubt(), standing.confirmed)
        };
        assert_eq!(doubt(&events, &[]), (true, Some(noon(0))));
        assert_eq!(doubt(&events, &[(1, 9), (2, 1)]), (true, Some(noon(0))));
        assert_eq!(doubt(&events, &[(2, 1), (3, 1)]), (false, Some(noon(0))));
        let back = [events[0], events[1], event(3, "P0AA6-1F", Pending)];
        assert_eq!(doubt(&back, &[(2, 9)]), (true, Some(noon(0))));
        assert_eq!(doubt(&[event(0, "P0AA6-1F", Pending)], &[]), (false, None), "never confirmed");
    }

    #[test]
    fn failure_types_are_told_apart_and_cleared_together() {
        let mut events = vec![event(0, "P0A80-1F", Confirmed), event(1, "P0A80-00", Pending)];
        let log = fold(&events, &[], 3);
        assert_eq!(log.state(code("P0A80-00")), CodeState::Pending);
        assert_eq!(log.state(code("P0A80")), CodeState::Confirmed);
        assert_eq!(log.state(code("P0A80-77")), CodeState::None);
        events.push(event(2, "P0A80", Cleared));
        assert_eq!(fold(&events, &[], 3).state(code("P0A80-1F")), CodeState::UnknownSinceClear);
        assert_eq!(fold(&events, &[(3, 2)], 3).state(code("P0A80")), CodeState::None);
    }

    #[test]
    fn names_read_back() {
        for report in [History, Pending, Confirmed, Cleared] {
            assert_eq!(CodeReport::parse(report.as_str()), Some(report));
        }
        assert_eq!(CodeReport::parse("gone"), None);
    }

    prop_compose! {
        fn events()(
            rows in prop::collection::vec((0_i64..20, 0_usize..3, 0_usize..4), 0..20),
        ) -> Vec<TroubleCode> {
            let codes = ["P0A80", "P0A80-1F", "P0A82"];
            let reports = [History, Pending, Confirmed, Cleared];
            rows.into_iter().map(|(day, code, report)| event(day, codes[code], reports[report])).collect()
        }
    }

    proptest! {
        #[test]
        fn the_order_of_arrival_does_not_matter(
            (events, shuffled) in events().prop_flat_map(|events| (Just(events.clone()), Just(events).prop_shuffle())),
            trips in prop::collection::vec((0_i64..20, 0_u32..3), 0..10),
            as_of in 0_i64..20,
        ) {
            prop_assert_eq!(fold(&events, &trips, as_of), fold(&shuffled, &trips, as_of));
        }
    }
}
