//! From log rows to local days.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;

use super::DutyDay;
use crate::fleet::{DutyLog, SeatLog, day_start, local_day};

/// Sums up duty and seat logs by local day.
///
/// Distinct shifts of a day add up; of the same shift from several sources the largest counts. A source's total of
/// the day (a row without a shift) is never added to shifts: the day has the larger of the shifts' sum and the
/// largest total. A row with start and end is split at local midnight in the zone that `zone_on` gives for its date,
/// in elapsed hours; its trips stay on the row's date. A car cannot be on duty for longer than the day lasts, so
/// overlapping shifts are cut there.
#[must_use]
pub fn days(duty: &[DutyLog], seats: &[SeatLog], zone_on: impl Fn(NaiveDate) -> Tz) -> BTreeMap<NaiveDate, DutyDay> {
    let mut tallies: BTreeMap<NaiveDate, Tally<'_>> = BTreeMap::new();
    for log in duty {
        add_duty(&mut tallies, log, &zone_on);
    }
    for log in seats {
        let tally = tallies.entry(log.date).or_default();
        tally.has_seat = true;
        tally.seats.note(log.date, &log.shift, log.source, (log.trips, log.rear_trips.min(log.trips)));
    }
    tallies.into_iter().map(|(date, tally)| (date, tally.day(date, zone_on(date)))).collect()
}

fn add_duty<'a>(tallies: &mut BTreeMap<NaiveDate, Tally<'a>>, log: &'a DutyLog, zone_on: impl Fn(NaiveDate) -> Tz) {
    let tally = tallies.entry(log.date).or_default();
    tally.has_duty = true;
    if let Some(trips) = log.trips {
        tally.trips.note(log.date, &log.shift, log.source, trips);
    }
    let pieces = match log.span {
        Some((start, end)) if start < end => pieces(start, end, zone_on(log.date)),
        _ => vec![(log.date, (log.hours.0.max(0.0) * MILLIS_PER_HOUR).round() as i64)],
    };
    for (date, millis) in pieces {
        let tally = tallies.entry(date).or_default();
        tally.has_duty = true;
        tally.millis.note(log.date, &log.shift, log.source, millis);
    }
}

/// Milliseconds in an hour. Hours are summed in whole milliseconds, so that ten hours are ten hours.
pub(super) const MILLIS_PER_HOUR: f64 = 3_600_000.0;

/// No local day is shorter than 22 hours: below that there is no need to look at the zone.
const SHORTEST_DAY: i64 = 22 * 3_600_000;

/// Milliseconds of a local day.
fn length(date: NaiveDate, zone: Tz) -> i64 {
    date.succ_opt().map_or(0, |next| (day_start(next, zone) - day_start(date, zone)).num_milliseconds())
}

/// The elapsed milliseconds from `start` to `end` by local day.
fn pieces(start: DateTime<Utc>, end: DateTime<Utc>, zone: Tz) -> Vec<(NaiveDate, i64)> {
    let mut pieces = Vec::new();
    let mut from = start;
    let mut date = local_day(start, zone);
    while from < end {
        let Some(next) = date.succ_opt() else { break };
        let until = day_start(next, zone).min(end);
        if until > from {
            pieces.push((date, (until - from).num_milliseconds()));
            from = until;
        }
        date = next;
    }
    pieces
}

/// What the rows of one local day say.
#[derive(Default)]
struct Tally<'a> {
    millis: Counts<'a, i64>,
    trips: Counts<'a, u32>,
    /// Trips, and those of them with the rear seat taken: kept as a pair.
    seats: Counts<'a, (u32, u32)>,
    has_duty: bool,
    has_seat: bool,
}

impl Tally<'_> {
    fn day(&self, date: NaiveDate, zone: Tz) -> DutyDay {
        let millis = self.millis.best(i64::saturating_add);
        let millis = if millis > SHORTEST_DAY { millis.min(length(date, zone)) } else { millis };
        let hours = millis as f64 / MILLIS_PER_HOUR;
        let trips = self.trips.best(u32::saturating_add);
        let (seat_trips, rear_trips) =
            self.seats.best(|(trips, rear), (more, behind)| (trips.saturating_add(more), rear.saturating_add(behind)));
        let driven = hours > 0.0 || trips > 0 || seat_trips > 0;
        DutyDay { hours, trips, seat_trips, rear_trips, driven, has_duty: self.has_duty, has_seat: self.has_seat }
    }
}

/// One quantity of one local day. A shift is told by its name and the date of its row: the end of last night's
/// shift and the beginning of tonight's are two.
#[derive(Default)]
struct Counts<'a, T> {
    shifts: BTreeMap<(NaiveDate, &'a str), T>,
    /// By source and the row's date.
    totals: BTreeMap<(i64, NaiveDate), T>,
}

impl<'a, T: Copy + Default + Ord> Counts<'a, T> {
    fn note(&mut self, date: NaiveDate, shift: &'a str, source: i64, value: T) {
        let place = match shift {
            "" => self.totals.entry((source, date)).or_default(),
            shift => self.shifts.entry((date, shift)).or_default(),
        };
        *place = value.max(*place);
    }

    /// The larger of the shifts' sum and the largest source's total.
    fn best(&self, add: impl Fn(T, T) -> T + Copy) -> T {
        let shifts = self.shifts.values().copied().fold(T::default(), add);
        let mut totals: BTreeMap<i64, T> = BTreeMap::new();
        for ((source, _), value) in &self.totals {
            let total = totals.entry(*source).or_default();
            *total = add(*total, *value);
        }
        totals.into_values().fold(shifts, T::max)
    }
}
