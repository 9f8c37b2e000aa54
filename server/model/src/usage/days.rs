//! What each whole day brought, by the kept readings and the duty logs.

use std::collections::BTreeMap;

use chrono::{Datelike, FixedOffset, NaiveDate, Offset, Timelike};
use chrono_tz::Tz;

use super::RoadDays;
use crate::duty::DutyDay;
use crate::fleet::{Metres, local_day};
use crate::track::{Judged, Track};

/// Readings further apart than this many days say how far the car went, but not when: the days between them stay unknown
/// (by reasoning: two months).
const LONGEST_GAP: f64 = 62.0;

/// A whole day on the road.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Day {
    /// Its number, days from the first of the common era.
    pub number: i64,
    /// What it brought, in metres.
    pub metres: f64,
    /// Duty hours; `None` before the first and after the last day with a duty log.
    pub hours: Option<f64>,
}

impl Day {
    /// Whether the car was driven.
    #[must_use]
    pub fn driven(&self) -> bool {
        self.metres > 0.0
    }
}

/// The number of a date, as in [`Day::number`].
#[must_use]
pub fn day_number(day: NaiveDate) -> i64 {
    i64::from(day.num_days_from_ce())
}

/// What the walk over the days covered.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Covered {
    /// Local day of the reading it began with.
    pub from: Option<NaiveDate>,
    /// Local day of the last reading.
    pub to: Option<NaiveDate>,
    /// On-road days after `from` up to and including `to`, those within gaps left out.
    pub days: i64,
}

/// Calls `each` for every whole local day on the road between kept readings, in order.
///
/// What lies between two readings is spread evenly over the time on the road between them. Days have 24 hours throughout:
/// they begin at midnight as clocks stood at the first reading, so where clocks change they are off by that hour. The
/// broken days around the first and the last reading are left out: they would count as slow ones. Readings more than 62
/// days apart leave the days between them out.
pub fn each_day(
    track: &Track,
    duty: &BTreeMap<NaiveDate, DutyDay>,
    road: &RoadDays,
    zone: Tz,
    each: impl FnMut(&Day),
) -> Covered {
    let mut walk = Walk { road, hours: Hours::new(duty), each, number: 0, metres: 0.0, whole: false };
    let mut covered = Covered::default();
    let Some(first) = track.first() else { return covered };
    let clock = first.reading.at.with_timezone(&zone).offset().fix();
    let mut before: Option<(Place, &Judged)> = None;
    for judged in track.kept() {
        let Some(place) = Place::of(judged, clock) else { continue };
        if let Some((before, reading)) = before {
            if place.position - before.position > LONGEST_GAP {
                walk.begin(&place);
            } else {
                covered.from = covered.from.or_else(|| Some(local_day(reading.reading.at, zone)));
                covered.days += road.between(before.day, place.day);
                walk.between(&before, &place);
            }
        } else {
            walk.begin(&place);
        }
        before = Some((place, judged));
    }
    covered.to = before.map(|(_, last)| local_day(last.reading.at, zone));
    covered.from = covered.from.or(covered.to);
    covered
}

/// A kept reading by the clock of its track.
#[derive(Clone, Copy)]
struct Place {
    day: NaiveDate,
    /// Days with their fraction.
    position: f64,
    travelled: Metres,
}

impl Place {
    fn of(judged: &Judged, clock: FixedOffset) -> Option<Self> {
        let local = judged.reading.at.naive_utc().checked_add_offset(clock)?;
        let day = local.date();
        let position = day_number(day) as f64 + f64::from(local.num_seconds_from_midnight()) / 86_400.0;
        Some(Self { day, position, travelled: judged.travelled? })
    }
}

struct Walk<'a, F> {
    road: &'a RoadDays,
    hours: Hours<'a>,
    each: F,
    /// The day being filled.
    number: i64,
    metres: f64,
    /// Whether it was there from its beginning.
    whole: bool,
}

impl<F: FnMut(&Day)> Walk<'_, F> {
    /// Begins anew at a reading.
    fn begin(&mut self, place: &Place) {
        self.number = libm::floor(place.position) as i64;
        self.metres = 0.0;
        self.whole = place.position <= self.number as f64;
    }

    fn between(&mut self, before: &Place, after: &Place) {
        let driven = (after.travelled - before.travelled).as_f64();
        if after.position <= before.position {
            self.metres += driven;
            return;
        }
        let time = self.time_on_road(before.position, after.position);
        let rate = if time > 0.0 { driven / time } else { 0.0 };
        let mut from = before.position;
        while (self.number + 1) as f64 <= after.position {
            let end = (self.number + 1) as f64;
            self.close(rate * (end - from));
            from = end;
        }
        if !self.is_off(self.number) {
            self.metres += rate * (after.position - from);
        }
    }

    /// Ends the day being filled with its last piece, and opens the next.
    fn close(&mut self, piece: f64) {
        if !self.is_off(self.number) {
            let day = Day { number: self.number, metres: self.metres + piece, hours: self.hours.on(self.number) };
            if self.whole {
                (self.each)(&day);
            }
        }
        self.number += 1;
        self.metres = 0.0;
        self.whole = true;
    }

    fn time_on_road(&self, from: f64, to: f64) -> f64 {
        if !self.road.has_off() {
            return to - from;
        }
        let (first, last) = (libm::floor(from) as i64, libm::floor(to) as i64);
        let piece = |number: i64| ((number + 1) as f64).min(to) - (number as f64).max(from);
        (first..=last).filter(|number| !self.is_off(*number)).map(piece).sum()
    }

    fn is_off(&self, number: i64) -> bool {
        self.road.has_off() && date(number).is_some_and(|day| self.road.is_off(day))
    }
}

fn date(number: i64) -> Option<NaiveDate> {
    i32::try_from(number).ok().and_then(NaiveDate::from_num_days_from_ce_opt)
}

/// The hours of the duty days, asked for in order.
struct Hours<'a> {
    ahead: std::iter::Peekable<std::collections::btree_map::Iter<'a, NaiveDate, DutyDay>>,
    known: Option<(i64, i64)>,
}

impl<'a> Hours<'a> {
    fn new(duty: &'a BTreeMap<NaiveDate, DutyDay>) -> Self {
        let first = duty.iter().find(|(_, day)| day.has_duty);
        let last = duty.iter().rfind(|(_, day)| day.has_duty);
        let known = first.zip(last).map(|((first, _), (last, _))| (day_number(*first), day_number(*last)));
        Self { ahead: duty.iter().peekable(), known }
    }

    /// Hours of the day; none of a day without a log between the first and the last with one.
    fn on(&mut self, number: i64) -> Option<f64> {
        let (first, last) = self.known?;
        if !(first..=last).contains(&number) {
            return None;
        }
        while self.ahead.next_if(|(day, _)| day_number(**day) < number).is_some() {}
        let logged = self.ahead.next_if(|(day, _)| day_number(**day) == number);
        Some(logged.map_or(0.0, |(_, day)| day.hours))
    }
}
