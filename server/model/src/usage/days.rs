//! What each whole day brought, by the kept readings and the duty logs.

use std::collections::BTreeMap;

use chrono::{DateTime, Datelike, FixedOffset, NaiveDate, Offset, Timelike, Utc};
use chrono_tz::Tz;

use super::logged::{Logged, LoggedDay, Said, logs, said_on};
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
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
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
    let mut walk = Walk::new(track, duty, road, zone, each);
    track.kept().for_each(|judged| walk.reach(judged));
    walk.covered()
}

/// A kept reading by the clock of its track.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
struct Place {
    at: DateTime<Utc>,
    day: NaiveDate,
    /// Days with their fraction.
    position: f64,
    travelled: Metres,
}

impl Place {
    fn of(judged: &Judged, clock: FixedOffset) -> Option<Self> {
        let at = judged.reading.at;
        let local = at.naive_utc().checked_add_offset(clock)?;
        let day = local.date();
        let position = day_number(day) as f64 + f64::from(local.num_seconds_from_midnight()) / 86_400.0;
        Some(Self { at, day, position, travelled: judged.travelled? })
    }
}

/// Where a walk stands after a reading, and all that it knows of what lies before.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Stand {
    /// Seconds by which clocks stood ahead of UTC at the first reading.
    clock: i32,
    place: Place,
    covered: Covered,
    filled: Filled,
    /// Number of the last day with a duty log before the reading's day.
    last_log: Option<i64>,
    /// What the duty logs say of the reading's day; `None` before the first and after the last day with a log.
    said: Option<Said>,
}

impl Stand {
    pub(super) const fn at(&self) -> DateTime<Utc> {
        self.place.at
    }

    pub(super) const fn day(&self) -> NaiveDate {
        self.place.day
    }

    /// Whether its reading is believed still, alone at its instant and as far on, and the duty logs say of its day, and
    /// so of the days after the last log before it, what they said.
    pub(super) fn holds(&self, track: &Track, duty: &BTreeMap<NaiveDate, DutyDay>) -> bool {
        let place = only_at(track, self.at()).and_then(|judged| Place::of(judged, self.clock()));
        place == Some(self.place) && said_on(duty, self.day(), self.last_log) == self.said
    }

    fn clock(&self) -> FixedOffset {
        FixedOffset::east_opt(self.clock).unwrap_or_else(|| Utc.fix())
    }
}

/// The kept reading of an instant, where there are not several.
fn only_at(track: &Track, at: DateTime<Utc>) -> Option<&Judged> {
    let from = track.judged.partition_point(|judged| judged.reading.at < at);
    let then = track.judged.get(from..)?.iter().take_while(|judged| judged.reading.at == at);
    let mut kept = then.filter(|judged| judged.verdict.is_kept());
    kept.next().filter(|_| kept.next().is_none())
}

/// A walk over the days, from kept reading to kept reading.
pub(super) struct Walk<'a, F> {
    road: &'a RoadDays,
    zone: Tz,
    duty: Logged,
    each: F,
    clock: FixedOffset,
    /// The last reading.
    before: Option<Place>,
    covered: Covered,
    filled: Filled,
}

/// The day being filled.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
struct Filled {
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

impl<'a, F: FnMut(&Day)> Walk<'a, F> {
    /// Before the first reading.
    pub(super) fn new(
        track: &Track,
        duty: &BTreeMap<NaiveDate, DutyDay>,
        road: &'a RoadDays,
        zone: Tz,
        each: F,
    ) -> Self {
        Self {
            road,
            zone,
            duty: Logged::new(logs(duty, ..), None),
            each,
            clock: track.first().map_or(Utc.fix(), |first| first.reading.at.with_timezone(&zone).offset().fix()),
            before: None,
            covered: Covered::default(),
            filled: Filled { number: 0, metres: 0.0, own: true, whole: false },
        }
    }

    /// Where another walk stood.
    pub(super) fn from(
        stand: &Stand,
        duty: &BTreeMap<NaiveDate, DutyDay>,
        road: &'a RoadDays,
        zone: Tz,
        each: F,
    ) -> Self {
        Self {
            road,
            zone,
            duty: Logged::new(logs(duty, stand.day()..), stand.last_log),
            each,
            clock: stand.clock(),
            before: Some(stand.place),
            covered: stand.covered,
            filled: stand.filled,
        }
    }

    /// Walks on to the next kept reading.
    pub(super) fn reach(&mut self, judged: &Judged) {
        let Some(place) = Place::of(judged, self.clock) else { return };
        match self.before.replace(place) {
            Some(before) if place.position - before.position <= LONGEST_GAP => {
                self.covered.from = self.covered.from.or_else(|| Some(local_day(before.at, self.zone)));
                self.covered.days += self.road.between(before.day, place.day);
                self.between(&before, &place);
            }
            _ => self.begin(&place),
        }
    }

    /// What was covered up to the last reading.
    pub(super) fn covered(&self) -> Covered {
        let to = self.before.map(|last| local_day(last.at, self.zone));
        Covered { from: self.covered.from.or(to), to, ..self.covered }
    }

    /// Where it stands after its last reading; `None` before the first, and where another has the same instant.
    pub(super) fn stand(&self, track: &Track, duty: &BTreeMap<NaiveDate, DutyDay>) -> Option<Stand> {
        let place = self.before?;
        only_at(track, place.at)?;
        // Of a walk that went on from another, the first day may be the last with a log that the other knew of.
        let known = self.duty.first.filter(|first| *first < day_number(place.day));
        let last_log = logs(duty, ..place.day).next_back().map(|(number, _)| number).max(known);
        Some(Stand {
            clock: self.clock.local_minus_utc(),
            place,
            covered: self.covered,
            filled: self.filled,
            last_log,
            said: said_on(duty, place.day, last_log),
        })
    }

    /// Begins anew at a reading.
    fn begin(&mut self, place: &Place) {
        let number = libm::floor(place.position) as i64;
        self.filled = Filled { number, metres: 0.0, own: true, whole: place.position <= number as f64 };
    }

    fn between(&mut self, before: &Place, after: &Place) {
        let driven = (after.travelled - before.travelled).as_f64();
        if after.position <= before.position {
            self.filled.metres += driven;
            return;
        }
        let spread = self.spread(driven, before.position, after.position);
        let mut from = before.position;
        while (self.filled.number + 1) as f64 <= after.position {
            let end = (self.filled.number + 1) as f64;
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
        self.filled.own &= spread.own;
        let stood = self.is_off(self.filled.number) || spread.by_duty && self.duty.stood(self.filled.number);
        if !stood {
            self.filled.metres += spread.rate * time;
        }
    }

    /// Ends the day being filled and opens the next.
    fn close(&mut self) {
        let Filled { number, metres, own, whole } = self.filled;
        if whole && !self.is_off(number) {
            let logged = self.duty.on(number);
            let (hours, told) = (logged.map(|day| day.hours), logged.is_some_and(LoggedDay::is_told));
            (self.each)(&Day { number, metres, hours, own, told });
        }
        self.filled = Filled { number: number + 1, metres: 0.0, own: true, whole: true };
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
