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
    let mut notes = Vec::with_capacity(2 * duty.len() + seats.len());
    for log in duty {
        note_duty(&mut notes, log, &zone_on);
    }
    notes.extend(seats.iter().map(|log| {
        let rear_trips = log.rear_trips.min(log.trips);
        Note::new(What::Seats, log.date, (log.date, &log.shift, log.source), [log.trips.into(), rear_trips.into()])
    }));
    notes.sort();
    let of_a_day = notes.chunk_by(|one, other| one.day == other.day);
    of_a_day.filter_map(|notes| notes.first().map(|note| (note.day, day(notes, note.day, &zone_on)))).collect()
}

fn note_duty<'a>(notes: &mut Vec<Note<'a>>, log: &'a DutyLog, zone_on: impl Fn(NaiveDate) -> Tz) {
    let row = (log.date, log.shift.as_str(), log.source);
    let millis = |(day, millis)| Note::new(What::Millis, day, row, [millis, 0]);
    match log.span {
        Some((start, end)) if start < end => {
            notes.extend(pieces(start, end, zone_on(log.date)).into_iter().map(millis));
        }
        _ => notes.push(millis((log.date, (log.hours.0.max(0.0) * MILLIS_PER_HOUR).round() as i64))),
    }
    // Without trips too: the row is a duty log of its date, wherever its hours fall.
    notes.push(Note::new(What::Trips, log.date, row, [log.trips.unwrap_or_default().into(), 0]));
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

/// What a number counts.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum What {
    Millis,
    Trips,
    /// Trips, and those of them with the rear seat taken: kept as a pair.
    Seats,
}

/// One number of one row, for one local day; in the order in which they are summed up.
///
/// A shift is told by its name and the date of its row: the end of last night's shift and the beginning of tonight's are
/// two. Of numbers that tell of the same the largest is the last.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct Note<'a> {
    day: NaiveDate,
    what: What,
    /// The source of a total; `None` of a shift, whoever tells of it.
    total_by: Option<i64>,
    shift: &'a str,
    dated: NaiveDate,
    value: [i64; 2],
}

impl<'a> Note<'a> {
    /// Of a row with its date, shift and source.
    fn new(what: What, day: NaiveDate, (dated, shift, source): (NaiveDate, &'a str, i64), value: [i64; 2]) -> Self {
        Self { day, what, total_by: shift.is_empty().then_some(source), shift, dated, value }
    }
}

fn day(notes: &[Note<'_>], date: NaiveDate, zone_on: impl Fn(NaiveDate) -> Tz) -> DutyDay {
    let mut day = DutyDay::default();
    let trips = |count| u32::try_from(count).unwrap_or(u32::MAX);
    for notes in notes.chunk_by(|one, other| one.what == other.what) {
        let [value, rear_trips] = best(notes);
        match notes.first().map(|note| note.what) {
            Some(What::Millis) => {
                let whole = value > SHORTEST_DAY;
                let millis = if whole { value.min(length(date, zone_on(date))) } else { value };
                (day.hours, day.has_duty) = (millis as f64 / MILLIS_PER_HOUR, true);
            }
            Some(What::Trips) => (day.trips, day.has_duty) = (trips(value), true),
            _ => (day.seat_trips, day.rear_trips, day.has_seat) = (trips(value), trips(rear_trips), true),
        }
    }
    day.driven = day.hours > 0.0 || day.trips > 0 || day.seat_trips > 0;
    day
}

/// The larger of the shifts' sum and the largest source's total.
fn best(notes: &[Note<'_>]) -> [i64; 2] {
    let told = notes.chunk_by(|one, other| one.total_by == other.total_by);
    told.map(sum).max().unwrap_or_default()
}

/// Adds up, of numbers that tell of the same the largest.
fn sum(notes: &[Note<'_>]) -> [i64; 2] {
    let same = notes.chunk_by(|one, other| (one.shift, one.dated) == (other.shift, other.dated));
    same.filter_map(<[Note<'_>]>::last).fold([0; 2], |[first, second], Note { value: [more, behind], .. }| {
        [first.saturating_add(*more), second.saturating_add(*behind)]
    })
}
