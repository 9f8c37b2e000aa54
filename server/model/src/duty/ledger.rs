//! A car's days without gaps, summed so that any window is read off in a few steps.

use std::collections::BTreeMap;
use std::ops::Sub;

use chrono::{Datelike, Days, NaiveDate};

use super::days::MILLIS_PER_HOUR;
use super::{Condition, DutyDay, Evidence, Missing, Settings};
use crate::fleet::{Grade, OffRoad};

/// Sums over a stretch of days.
#[derive(Clone, Copy, Default)]
struct Sums {
    driven: u32,
    off_road: u32,
    /// Hours in whole milliseconds: sums stay exact, so that a mean of exactly ten hours is not above ten.
    millis: i64,
    days_with_hours: u32,
    trips: u32,
    seat_trips: u32,
    rear_trips: u32,
    duty_logs: u32,
    seat_logs: u32,
}

impl Sums {
    fn and(self, day: Option<&DutyDay>, off_road: bool) -> Self {
        let day = day.copied().unwrap_or_default();
        Self {
            driven: self.driven + u32::from(day.driven),
            off_road: self.off_road + u32::from(off_road),
            millis: self.millis + (day.hours * MILLIS_PER_HOUR).round() as i64,
            days_with_hours: self.days_with_hours + u32::from(day.hours > 0.0),
            trips: self.trips.saturating_add(day.trips),
            seat_trips: self.seat_trips.saturating_add(day.seat_trips),
            rear_trips: self.rear_trips.saturating_add(day.rear_trips),
            duty_logs: self.duty_logs + u32::from(day.has_duty),
            seat_logs: self.seat_logs + u32::from(day.has_seat),
        }
    }
}

impl Sub for Sums {
    type Output = Self;
    fn sub(self, earlier: Self) -> Self {
        Self {
            driven: self.driven - earlier.driven,
            off_road: self.off_road - earlier.off_road,
            millis: self.millis - earlier.millis,
            days_with_hours: self.days_with_hours - earlier.days_with_hours,
            trips: self.trips.saturating_sub(earlier.trips),
            seat_trips: self.seat_trips.saturating_sub(earlier.seat_trips),
            rear_trips: self.rear_trips.saturating_sub(earlier.rear_trips),
            duty_logs: self.duty_logs - earlier.duty_logs,
            seat_logs: self.seat_logs - earlier.seat_logs,
        }
    }
}

/// One ISO week.
#[derive(Clone, Copy)]
struct Week {
    monday: NaiveDate,
    driven: u32,
    duty_missing: bool,
    seat_missing: bool,
    /// It ended long enough ago for its logs to have arrived.
    ripe: bool,
}

/// The days from `start` on.
pub(super) struct Ledger<'a> {
    settings: &'a Settings,
    today: NaiveDate,
    start: NaiveDate,
    /// Sums over the days before `start + index`.
    sums: Vec<Sums>,
    first_monday: NaiveDate,
    weeks: Vec<Week>,
}

const WEEK: i64 = 7;

impl<'a> Ledger<'a> {
    /// The ledger of the days from `start` to yesterday.
    pub(super) fn new(
        days: &BTreeMap<NaiveDate, DutyDay>,
        off_road: &[OffRoad],
        stood_still: impl Fn(NaiveDate, NaiveDate) -> bool,
        start: NaiveDate,
        today: NaiveDate,
        settings: &'a Settings,
    ) -> Self {
        let sums = sums(days, off_road, start, today);
        let first_monday = monday_from(start);
        let mut ledger = Self { settings, today, start, sums, first_monday, weeks: Vec::new() };
        let complete = (today - first_monday).num_days().max(0) / WEEK;
        ledger.weeks = (0..complete).map(|week| ledger.week(plus(first_monday, week * WEEK), &stood_still)).collect();
        ledger
    }

    fn week(&self, monday: NaiveDate, stood_still: impl Fn(NaiveDate, NaiveDate) -> bool) -> Week {
        let sunday = plus(monday, WEEK - 1);
        let sums = self.between(monday, sunday);
        let ripe = (self.today - sunday).num_days() > self.settings.log_grace_days;
        let all_off_road = i64::from(sums.off_road) == WEEK;
        Week {
            monday,
            driven: sums.driven,
            duty_missing: ripe && sums.duty_logs == 0 && !all_off_road && !stood_still(monday, sunday),
            seat_missing: ripe && sums.seat_logs == 0 && sums.driven > 0,
            ripe,
        }
    }

    fn between(&self, from: NaiveDate, to: NaiveDate) -> Sums {
        self.before(plus(to, 1)) - self.before(from)
    }

    fn before(&self, day: NaiveDate) -> Sums {
        let index = usize::try_from((day - self.start).num_days()).unwrap_or(0);
        self.sums.get(index).or(self.sums.last()).copied().unwrap_or_default()
    }

    /// The complete weeks of a window.
    fn weeks(&self, from: NaiveDate, to: NaiveDate) -> &[Week] {
        let first = (monday_from(from) - self.first_monday).num_days() / WEEK;
        let complete = ((plus(to, 1) - monday_from(from)).num_days() / WEEK).max(0);
        let range = usize::try_from(first).ok().zip(usize::try_from(first + complete).ok());
        range.and_then(|(first, end)| self.weeks.get(first..end.min(self.weeks.len()))).unwrap_or_default()
    }

    /// The window that ends on `to`.
    pub(super) fn window(&self, to: NaiveDate, stood_still: impl Fn(NaiveDate, NaiveDate) -> bool) -> Window<'_> {
        let from = plus(to, 1 - self.settings.window_days.max(1));
        let sums = self.between(from, to);
        let weeks = self.weeks(from, to);
        let ripe = weeks.iter().any(|week| week.ripe);
        let all_off_road = i64::from(sums.off_road) >= self.settings.window_days;
        let silent = !ripe && sums.duty_logs == 0 && !all_off_road && !stood_still(from, to);
        let duty_missing = silent || weeks.iter().any(|week| week.duty_missing);
        let settled = plus(self.today, -1 - self.settings.log_grace_days).min(to);
        let driven = from <= settled && self.between(from, settled).driven > 0;
        let unseen = sums.seat_logs == 0 && (driven || duty_missing);
        Window { from, to, sums, weeks, silent, unseen, settings: self.settings }
    }
}

/// The first Monday on or after `day`.
fn monday_from(day: NaiveDate) -> NaiveDate {
    plus(day, (WEEK - i64::from(day.weekday().num_days_from_monday())) % WEEK)
}

/// `day` moved by `days`; at the ends of the calendar it stays where it is.
pub(super) fn plus(day: NaiveDate, days: i64) -> NaiveDate {
    let by = Days::new(days.unsigned_abs());
    if days < 0 { day.checked_sub_days(by) } else { day.checked_add_days(by) }.unwrap_or(day)
}

fn sums(days: &BTreeMap<NaiveDate, DutyDay>, off_road: &[OffRoad], start: NaiveDate, today: NaiveDate) -> Vec<Sums> {
    let mut logged = days.range(start..today.max(start)).peekable();
    let mut sum = Sums::default();
    let mut sums = vec![sum];
    for date in start.iter_days().take_while(|date| *date < today) {
        let day = logged.next_if(|(logged, _)| **logged == date).map(|(_, day)| day);
        sum = sum.and(day, off_road.iter().any(|stretch| stretch.covers(date)));
        sums.push(sum);
    }
    sums
}

/// One window over the ledger.
pub(super) struct Window<'a> {
    from: NaiveDate,
    to: NaiveDate,
    sums: Sums,
    weeks: &'a [Week],
    /// No duty log in a window too short or too fresh to hold a week that can be missing.
    silent: bool,
    /// No seat log in the whole window.
    unseen: bool,
    settings: &'a Settings,
}

impl Window<'_> {
    pub(super) fn from(&self) -> NaiveDate {
        self.from
    }

    fn holds(&self, condition: Condition) -> bool {
        let sums = &self.sums;
        match condition {
            Condition::SixDayWeek => self.weeks.iter().any(|week| week.driven >= self.settings.week_days),
            Condition::LongDays => {
                sums.millis as f64 > self.settings.mean_hours * MILLIS_PER_HOUR * f64::from(sums.days_with_hours)
            }
            Condition::RearSeat => {
                let bar = self.settings.rear_share * f64::from(sums.seat_trips);
                sums.seat_trips > 0 && f64::from(sums.rear_trips) >= bar
            }
            Condition::DutyLogsMissing => self.silent || self.weeks.iter().any(|week| week.duty_missing),
            Condition::SeatLogsMissing => self.unseen || self.weeks.iter().any(|week| week.seat_missing),
        }
    }

    fn conditions(&self) -> impl Iterator<Item = Condition> {
        [
            Condition::SixDayWeek,
            Condition::LongDays,
            Condition::RearSeat,
            Condition::DutyLogsMissing,
            Condition::SeatLogsMissing,
        ]
        .into_iter()
        .filter(|condition| self.holds(*condition))
    }

    pub(super) fn grade(&self) -> Grade {
        if self.conditions().next().is_some() { Grade::Hard } else { Grade::Ordinary }
    }

    fn missing(&self) -> Vec<Missing> {
        let mut missing = Vec::new();
        let first = self.from.week(chrono::Weekday::Mon).checked_first_day().unwrap_or(self.from);
        if self.silent {
            missing.push(Missing::Duty { week: first });
        }
        for week in self.weeks {
            if week.duty_missing {
                missing.push(Missing::Duty { week: week.monday });
            }
            if week.seat_missing || (self.unseen && week.duty_missing) {
                missing.push(Missing::Seat { week: week.monday });
            }
        }
        if self.unseen && !missing.iter().any(|missing| matches!(missing, Missing::Seat { .. })) {
            missing.push(Missing::Seat { week: first });
        }
        missing
    }

    pub(super) fn evidence(&self) -> Evidence {
        let Sums { driven, millis, days_with_hours, seat_trips, rear_trips, .. } = self.sums;
        let hours = millis as f64 / MILLIS_PER_HOUR;
        Evidence {
            from: self.from,
            to: self.to,
            days_driven: driven,
            busiest_week: self.weeks.iter().map(|week| (week.monday, week.driven)).max_by_key(|(_, driven)| *driven),
            complete_weeks: u32::try_from(self.weeks.len()).unwrap_or(u32::MAX),
            mean_hours: (days_with_hours > 0).then(|| hours / f64::from(days_with_hours)),
            rear_share: (seat_trips > 0).then(|| f64::from(rear_trips) / f64::from(seat_trips)),
            trips: self.sums.trips,
            days_off_road: self.sums.off_road,
            missing: self.missing(),
            conditions: self.conditions().collect(),
            grade: self.grade(),
        }
    }
}
