//! What each whole day brought, by the kept readings and the duty logs.

use std::collections::BTreeMap;

use chrono::{Datelike, FixedOffset, NaiveDate, Offset, Timelike};
use chrono_tz::Tz;

use super::{Brought, RoadDays};
use crate::duty::DutyDay;
use crate::fleet::{Metres, local_day};
use crate::track::{Judged, Track};

/// Readings further apart than this many days say how far the car went, but not when: the days between them stay unknown
/// (by reasoning: two months).
const LONGEST_GAP: f64 = 62.0;

/// Readings not further apart than this say on which day the car went how far, those of different days at about the same
/// time among them (by reasoning: a day and a half).
const OWN_GAP: f64 = 1.5;

/// Days without a duty log count as days on which the car stood where there is a log not further off on either side:
/// beyond that the logs may be missing (by reasoning: a week).
const TOLD_GAP: i64 = 7;

/// A whole day on the road.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Day {
    /// Its number, days from the first of the common era.
    pub number: i64,
    /// What it brought, in metres.
    pub metres: f64,
    /// Duty hours; `None` before the first and after the last day with a duty log.
    pub hours: Option<f64>,
    /// Whether the metres are known to be this day's, and not its part of what several days brought: the readings are
    /// close together, or the duty logs say on which of the days between them the car stood.
    pub own: bool,
    /// Whether the duty logs say that the car stood, or was driven.
    pub told: bool,
}

impl Day {
    /// Whether the car was driven.
    #[must_use]
    pub fn driven(&self) -> bool {
        self.metres > 0.0
    }

    /// What the day brought in metres.
    #[must_use]
    pub fn metres(&self) -> Brought {
        Brought { number: self.number, amount: self.metres, driven: self.driven(), own: self.own }
    }

    /// What it brought in duty hours, where its logs are known.
    #[must_use]
    pub fn hours(&self) -> Option<Brought> {
        Some(Brought { number: self.number, amount: self.hours?, driven: self.driven(), own: self.told })
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
/// What lies between two readings is spread evenly over the time on the road between them. Where they are more than a day
/// and a half apart, the days on which the duty logs say that the car stood get nothing, unless they say so of all that
/// time: logs that are missing here and there can do no more harm than that. Days have 24 hours throughout:
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
    let mut walk = Walk { road, duty: Logged::new(duty), each, number: 0, metres: 0.0, own: true, whole: false };
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
    duty: Logged,
    each: F,
    /// The day being filled.
    number: i64,
    metres: f64,
    own: bool,
    /// Whether it was there from its beginning.
    whole: bool,
}

/// What is spread between two readings.
#[derive(Clone, Copy)]
struct Spread {
    rate: f64,
    /// Whether days on which the duty logs say that the car stood get nothing.
    by_duty: bool,
    own: bool,
}

impl<F: FnMut(&Day)> Walk<'_, F> {
    /// Begins anew at a reading.
    fn begin(&mut self, place: &Place) {
        self.number = libm::floor(place.position) as i64;
        self.metres = 0.0;
        self.own = true;
        self.whole = place.position <= self.number as f64;
    }

    fn between(&mut self, before: &Place, after: &Place) {
        let driven = (after.travelled - before.travelled).as_f64();
        if after.position <= before.position {
            self.metres += driven;
            return;
        }
        let spread = self.spread(driven, before.position, after.position);
        let mut from = before.position;
        while (self.number + 1) as f64 <= after.position {
            let end = (self.number + 1) as f64;
            self.add(spread, end - from);
            self.close();
            from = end;
        }
        if after.position > from {
            self.add(spread, after.position - from);
        }
    }

    fn spread(&self, driven: f64, from: f64, to: f64) -> Spread {
        let (on_road, at_work) = self.time(from, to);
        let by_duty = to - from > OWN_GAP && at_work > 0.0;
        let time = if by_duty { at_work } else { on_road };
        let rate = if time > 0.0 { driven / time } else { 0.0 };
        Spread { rate, by_duty, own: time <= OWN_GAP || driven <= 0.0 || self.duty.is_told(from, to) }
    }

    /// Adds a piece of the day being filled.
    fn add(&mut self, spread: Spread, time: f64) {
        self.own &= spread.own;
        let stood = self.is_off(self.number) || spread.by_duty && self.duty.stood(self.number);
        if !stood {
            self.metres += spread.rate * time;
        }
    }

    /// Ends the day being filled and opens the next.
    fn close(&mut self) {
        if self.whole && !self.is_off(self.number) {
            let logged = self.duty.on(self.number);
            let (hours, told) = (logged.map(|day| day.hours), logged.is_some_and(|day| day.told));
            (self.each)(&Day { number: self.number, metres: self.metres, hours, own: self.own, told });
        }
        self.number += 1;
        self.metres = 0.0;
        self.own = true;
        self.whole = true;
    }

    /// The time on the road, and the part of it in which the duty logs do not say that the car stood.
    fn time(&self, from: f64, to: f64) -> (f64, f64) {
        let (first, last) = (libm::floor(from) as i64, libm::floor(to) as i64);
        let (mut on_road, mut at_work) = (0.0, 0.0);
        for number in first..=last {
            let piece = ((number + 1) as f64).min(to) - (number as f64).max(from);
            if !self.is_off(number) {
                on_road += piece;
                at_work += if self.duty.stood(number) { 0.0 } else { piece };
            }
        }
        (on_road, at_work)
    }

    fn is_off(&self, number: i64) -> bool {
        self.road.has_off() && date(number).is_some_and(|day| self.road.is_off(day))
    }
}

fn date(number: i64) -> Option<NaiveDate> {
    i32::try_from(number).ok().and_then(NaiveDate::from_num_days_from_ce_opt)
}

/// The duty logs day by day, from the first day with a log to the last.
struct Logged {
    first: i64,
    days: Vec<LoggedDay>,
}

#[derive(Clone, Copy)]
struct LoggedDay {
    hours: f64,
    /// Whether the logs say that the car stood, or that it was driven.
    told: bool,
    driven: bool,
}

impl Logged {
    fn new(duty: &BTreeMap<NaiveDate, DutyDay>) -> Self {
        let logged = || duty.iter().filter(|(_, day)| day.has_duty);
        let first = logged().next().map_or(0, |(day, _)| day_number(*day));
        let mut days = Vec::new();
        for (day, duty) in logged() {
            let place = (day_number(*day) - first).unsigned_abs() as usize;
            let stood = LoggedDay { hours: 0.0, told: (place - days.len()) as i64 <= TOLD_GAP, driven: false };
            days.resize(place, stood);
            days.push(LoggedDay { hours: duty.hours, told: true, driven: duty.driven });
        }
        Self { first, days }
    }

    /// The day, where it lies between the first and the last with a log.
    fn on(&self, number: i64) -> Option<&LoggedDay> {
        self.days.get(usize::try_from(number.checked_sub(self.first)?).ok()?)
    }

    fn stood(&self, number: i64) -> bool {
        self.on(number).is_some_and(|day| day.told && !day.driven)
    }

    /// Whether of every day that `from` and `to` lie on or between it is said whether the car was driven.
    fn is_told(&self, from: f64, to: f64) -> bool {
        let (first, last) = (libm::floor(from) as i64, libm::floor(to) as i64);
        (first..=last).all(|number| self.on(number).is_some_and(|day| day.told))
    }
}
