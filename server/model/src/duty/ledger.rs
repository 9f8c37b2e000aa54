//! A car's days without gaps, summed so that any window is read off in a few steps.

use std::collections::BTreeMap;
use std::ops::Sub;

use chrono::{Datelike, Days, NaiveDate, Weekday};

use super::days::MILLIS_PER_HOUR;
use super::{Condition, DutyDay, Evidence, Missing, Settings, WeekKind};
use crate::fleet::{Grade, OffRoad};

/// Sums over a stretch of days.
#[derive(Clone, Copy, Default)]
struct Sums {
    driven: u32,
    off_road: u32,
    /// Hours in whole milliseconds: sums stay exact, so that a mean of exactly ten hours is not above ten.
    millis: i64,
    days_with_hours: u32,
    /// Trips, wide enough for any number of days, so that a window's sum is the same wherever the ledger starts.
    trips: u64,
    seat_trips: u64,
    rear_trips: u64,
    duty_logs: u32,
    seat_logs: u32,
    /// Weeks of seven days, each counted on its last day.
    sevens: Sevens,
}

/// Weeks of seven days.
#[derive(Clone, Copy, Default)]
struct Sevens {
    /// Driven on enough days: ISO weeks, or any seven days.
    busy: u32,
    /// ISO weeks.
    iso: u32,
    /// ISO weeks without a duty log, though the car was neither off the road nor stood still all the time.
    without_duty: u32,
    /// ISO weeks driven without a seat log.
    without_seat: u32,
}

impl Sums {
    fn and(self, day: Option<&DutyDay>, off_road: bool) -> Self {
        let day = day.copied().unwrap_or_default();
        Self {
            driven: self.driven + u32::from(day.driven),
            off_road: self.off_road + u32::from(off_road),
            millis: self.millis + (day.hours * MILLIS_PER_HOUR).round() as i64,
            days_with_hours: self.days_with_hours + u32::from(day.hours > 0.0),
            trips: self.trips + u64::from(day.trips),
            seat_trips: self.seat_trips + u64::from(day.seat_trips),
            rear_trips: self.rear_trips + u64::from(day.rear_trips),
            duty_logs: self.duty_logs + u32::from(day.has_duty),
            seat_logs: self.seat_logs + u32::from(day.has_seat),
            sevens: self.sevens,
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
            trips: self.trips - earlier.trips,
            seat_trips: self.seat_trips - earlier.seat_trips,
            rear_trips: self.rear_trips - earlier.rear_trips,
            duty_logs: self.duty_logs - earlier.duty_logs,
            seat_logs: self.seat_logs - earlier.seat_logs,
            sevens: self.sevens - earlier.sevens,
        }
    }
}

impl Sub for Sevens {
    type Output = Self;
    fn sub(self, earlier: Self) -> Self {
        Self {
            busy: self.busy - earlier.busy,
            iso: self.iso - earlier.iso,
            without_duty: self.without_duty - earlier.without_duty,
            without_seat: self.without_seat - earlier.without_seat,
        }
    }
}

/// The days of a car by number: day 0 is the first.
pub(super) struct Ledger<'a> {
    settings: &'a Settings,
    start: NaiveDate,
    /// Sums over the days before the day of that number.
    sums: Vec<Sums>,
    /// The last day whose logs should be there; before day 0 when there is none.
    settled: i64,
}

const WEEK: i64 = 7;

impl<'a> Ledger<'a> {
    /// The ledger that windows ending on days from `first` to yesterday are read from.
    pub(super) fn new(
        days: &BTreeMap<NaiveDate, DutyDay>,
        off_road: &[OffRoad],
        stood_still: impl Fn(NaiveDate, NaiveDate) -> bool,
        first: NaiveDate,
        today: NaiveDate,
        settings: &'a Settings,
    ) -> Self {
        let start = plus(first, 1 - settings.window_days.max(1));
        let length = usize::try_from((today - start).num_days()).unwrap_or(0);
        let mut sums: Vec<Sums> = Vec::with_capacity(length + 1);
        let mut sum = Sums::default();
        sums.push(sum);
        let mut logged = days.range(start..today.max(start)).peekable();
        let mut weekday = start.weekday();
        for date in start.iter_days().take(length) {
            let day = logged.next_if(|(logged, _)| **logged == date).map(|(_, day)| day);
            sum = sum.and(day, off_road.iter().any(|stretch| stretch.covers(date)));
            let a_week_ago = sums.len().checked_sub(WEEK as usize).and_then(|at| sums.get(at));
            if let Some(before) = a_week_ago {
                let seven = sum - *before;
                let iso = weekday == Weekday::Sun;
                let busy = seven.driven >= settings.week_days && (iso || settings.week == WeekKind::Rolling);
                let excused = || i64::from(seven.off_road) == WEEK || stood_still(plus(date, 1 - WEEK), date);
                sum.sevens.busy += u32::from(busy);
                sum.sevens.iso += u32::from(iso);
                sum.sevens.without_duty += u32::from(iso && seven.duty_logs == 0 && !excused());
                sum.sevens.without_seat += u32::from(iso && seven.seat_logs == 0 && seven.driven > 0);
            }
            sums.push(sum);
            weekday = weekday.succ();
        }
        let settled = (today - start).num_days() - 1 - settings.log_grace_days;
        Self { settings, start, sums, settled }
    }

    /// The number of a day.
    pub(super) fn number(&self, date: NaiveDate) -> i64 {
        (date - self.start).num_days()
    }

    /// The day of a number.
    pub(super) fn date(&self, number: i64) -> NaiveDate {
        plus(self.start, number)
    }

    #[inline]
    fn between(&self, from: i64, to: i64) -> Sums {
        if from > to { Sums::default() } else { self.before(to + 1) - self.before(from) }
    }

    #[inline]
    fn before(&self, number: i64) -> Sums {
        let index = usize::try_from(number).unwrap_or(0);
        self.sums.get(index).or(self.sums.last()).copied().unwrap_or_default()
    }

    /// The window that ends on the day of number `to`.
    #[inline]
    pub(super) fn window(&self, to: i64, stood_still: impl Fn(NaiveDate, NaiveDate) -> bool) -> Window<'_> {
        let from = to + 1 - self.settings.window_days.max(1);
        let sums = self.between(from, to);
        let sevens = self.between(from + WEEK - 1, to).sevens;
        let settled = self.settled.min(to);
        let ripe = if settled == to { sevens } else { self.between(from + WEEK - 1, settled).sevens };
        let excused =
            || i64::from(sums.off_road) >= self.settings.window_days || stood_still(self.date(from), self.date(to));
        let silent = ripe.iso == 0 && sums.duty_logs == 0 && !excused();
        let duty_missing = silent || ripe.without_duty > 0;
        let unseen = sums.seat_logs == 0 && (duty_missing || self.between(from, settled).driven > 0);
        let seat_missing = unseen || ripe.without_seat > 0;
        Window { ledger: self, from, to, sums, sevens, silent, unseen, duty_missing, seat_missing }
    }
}

/// `day` moved by `days`; at the ends of the calendar it stays where it is.
pub(super) fn plus(day: NaiveDate, days: i64) -> NaiveDate {
    let by = Days::new(days.unsigned_abs());
    if days < 0 { day.checked_sub_days(by) } else { day.checked_add_days(by) }.unwrap_or(day)
}

/// One window over the ledger.
pub(super) struct Window<'a> {
    ledger: &'a Ledger<'a>,
    from: i64,
    to: i64,
    sums: Sums,
    sevens: Sevens,
    /// No duty log in a window too short or too fresh to hold a week that can be missing.
    silent: bool,
    /// No seat log in the whole window.
    unseen: bool,
    duty_missing: bool,
    seat_missing: bool,
}

impl Window<'_> {
    /// Whether mean hours are above `share` of where hard duty begins.
    fn long_days(&self, share: f64) -> bool {
        let bar = share * self.ledger.settings.mean_hours * MILLIS_PER_HOUR;
        self.sums.millis as f64 > bar * f64::from(self.sums.days_with_hours)
    }

    /// Whether the rear seat was taken on at least `share` of the trips from which on duty is hard.
    fn rear_seat(&self, share: f64) -> bool {
        let bar = share * self.ledger.settings.rear_share * self.sums.seat_trips as f64;
        self.sums.seat_trips > 0 && self.sums.rear_trips as f64 >= bar
    }

    fn holds(&self, condition: Condition) -> bool {
        match condition {
            Condition::SixDayWeek => self.sevens.busy > 0,
            Condition::LongDays => self.long_days(1.0),
            Condition::RearSeat => self.rear_seat(1.0),
            Condition::DutyLogsMissing => self.duty_missing,
            Condition::SeatLogsMissing => self.seat_missing,
        }
    }

    fn conditions(&self) -> impl Iterator<Item = Condition> {
        Condition::ALL.into_iter().filter(|condition| self.holds(*condition))
    }

    pub(super) fn is_hard(&self) -> bool {
        self.conditions().next().is_some()
    }

    /// The conditions that do not hold, but would if they began at [`Settings::release_share`] of where they do.
    pub(super) fn close(&self) -> impl Iterator<Item = Condition> {
        let share = self.ledger.settings.release_share;
        let long_days = (self.long_days(share) && !self.long_days(1.0)).then_some(Condition::LongDays);
        let rear_seat = (self.rear_seat(share) && !self.rear_seat(1.0)).then_some(Condition::RearSeat);
        long_days.into_iter().chain(rear_seat)
    }

    /// The last days of all complete ISO weeks.
    fn sundays(&self) -> impl Iterator<Item = i64> {
        let first = self.from + WEEK - 1;
        let after = i64::from(self.ledger.date(first).weekday().num_days_from_monday());
        (first + (WEEK - 1 - after)..=self.to).step_by(WEEK as usize)
    }

    /// The weeks whose logs are missing, and those whose logs may still come.
    fn missing(&self) -> (Vec<Missing>, Vec<Missing>) {
        let ledger = self.ledger;
        let from = ledger.date(self.from);
        let first = from.week(Weekday::Mon).checked_first_day().unwrap_or(from);
        let (mut missing, mut awaited) = (Vec::new(), Vec::new());
        if self.silent {
            missing.push(Missing::Duty { week: first });
        }
        for sunday in self.sundays() {
            let week = ledger.date(sunday + 1 - WEEK);
            let ripe = sunday <= ledger.settled;
            let Sevens { without_duty, without_seat, .. } = ledger.between(sunday, sunday).sevens;
            let place = if ripe { &mut missing } else { &mut awaited };
            if without_duty > 0 {
                place.push(Missing::Duty { week });
            }
            if without_seat > 0 || (without_duty > 0 && (self.unseen || !ripe)) {
                place.push(Missing::Seat { week });
            }
        }
        if self.unseen && !missing.iter().any(|missing| matches!(missing, Missing::Seat { .. })) {
            missing.push(Missing::Seat { week: first });
        }
        (missing, awaited)
    }

    /// The latest of the stretches of seven days that end on `last_days` and have the most driven days.
    fn busiest(&self, last_days: impl Iterator<Item = i64>) -> Option<(NaiveDate, u32)> {
        let driven = |to: i64| (to + 1 - WEEK, self.ledger.between(to + 1 - WEEK, to).driven);
        let (first, driven) = last_days.map(driven).max_by_key(|(_, driven)| *driven)?;
        Some((self.ledger.date(first), driven))
    }

    pub(super) fn evidence(&self) -> Evidence {
        let Sums { driven, millis, days_with_hours, seat_trips, rear_trips, .. } = self.sums;
        let hours = millis as f64 / MILLIS_PER_HOUR;
        let (missing, awaited) = self.missing();
        Evidence {
            from: self.ledger.date(self.from),
            to: self.ledger.date(self.to),
            days_driven: driven,
            busiest_week: self.busiest(self.sundays()),
            busiest_seven_days: self.busiest(self.from + WEEK - 1..=self.to),
            complete_weeks: self.sevens.iso,
            mean_hours: (days_with_hours > 0).then(|| hours / f64::from(days_with_hours)),
            rear_share: (seat_trips > 0).then(|| rear_trips as f64 / seat_trips as f64),
            trips: u32::try_from(self.sums.trips).unwrap_or(u32::MAX),
            days_off_road: self.sums.off_road,
            missing,
            awaited,
            conditions: self.conditions().collect(),
            grade: if self.is_hard() { Grade::Hard } else { Grade::Ordinary },
        }
    }
}
