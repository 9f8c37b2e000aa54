//! From days to a grade.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::ledger::{Ledger, plus};
use super::{DutyDay, Grading, Held, Settings};
use crate::fleet::{Grade, OffRoad};

/// Logs and services longer ago than this do not make a car harder: nobody has the logs. Twenty years.
const FURTHEST: i64 = 7_305;

/// Grades a car as of `today`.
///
/// A window is [`Settings::window_days`] long; one ends on every day up to yesterday, and that of yesterday is the
/// current one. A window is hard when any of these holds: [`Settings::week_days`] driven days in a complete week as
/// [`Settings::week`] counts them; mean hours over the driven days above [`Settings::mean_hours`]; a rear-seat share of
/// at least [`Settings::rear_share`]; a complete ISO week without a duty log that ended more than
/// [`Settings::log_grace_days`] ago, or no duty log at all in a window that holds no such week, unless the car was off
/// the road or stood still all the time; a complete ISO week as old with driving but without a seat log, or no seat log
/// at all although the car was driven or its duty logs are missing.
///
/// A hard window makes the car hard at once; how it returns to ordinary is said in the [module](super)'s
/// documentation. [`Grading::grade`] is hard when the car is hard now, or when a window that lies wholly after the day
/// of the last service, `since`, was hard. Where `since` is not known the windows since the first log count.
///
/// Days told to be off the road excuse missing logs; a log of a day driven all the same counts.
/// `stood_still` says whether readings show that the car stood still from one day to another, both included.
#[must_use]
pub fn grade(
    days: &BTreeMap<NaiveDate, DutyDay>,
    off_road: &[OffRoad],
    stood_still: impl Fn(NaiveDate, NaiveDate) -> bool,
    since: Option<NaiveDate>,
    today: NaiveDate,
    settings: &Settings,
) -> Grading {
    let yesterday = plus(today, -1);
    let furthest = plus(today, -FURTHEST);
    let first_log = days.keys().next().copied().unwrap_or(today);
    let first = since.unwrap_or(today).min(first_log).max(furthest).min(yesterday);
    let ledger = Ledger::new(days, off_road, &stood_still, first, today, settings);
    let course = Course::run(&ledger, &stood_still, first, first_log, yesterday, settings);

    let last = ledger.number(yesterday);
    let current = ledger.window(last, &stood_still);
    let floor = ledger.number(since.map_or(first_log, |since| plus(since, 1)).max(furthest));
    let since_service = course.last_hard.filter(|to| to + 1 - settings.window_days.max(1) >= floor);
    let (now, now_since) = course.stretches.last().map_or((Grade::Ordinary, yesterday), |last| (last.2, last.0));
    let current_hard = current.is_hard();
    let held = (now == Grade::Hard && !current_hard).then(|| {
        let close: Vec<_> = current.close().collect();
        let until = close.is_empty().then(|| plus(yesterday, settings.release_days - course.clear));
        Held { close, until }
    });
    let earlier = if held.is_some() { course.last_hard } else { since_service };
    let earlier = earlier.filter(|_| !current_hard);
    Grading {
        grade: if now == Grade::Hard || since_service.is_some() { Grade::Hard } else { Grade::Ordinary },
        hard_since_service: since_service.is_some(),
        now,
        now_since,
        eased: course.eased().filter(|day| since.is_none_or(|since| *day > since)),
        held,
        current: current.evidence(),
        hardest: earlier.map(|to| ledger.window(to, &stood_still).evidence()),
        split: since.map(|since| split(&course.stretches, since.max(furthest), today)).unwrap_or_default(),
    }
}

/// First day, last day and grade.
type Stretch = (NaiveDate, NaiveDate, Grade);

/// How the grade went, day by day.
struct Course {
    /// The stretches of one grade, in order; the last ends yesterday.
    stretches: Vec<Stretch>,
    /// The day on which the latest hard window ended.
    last_hard: Option<i64>,
    /// Days up to yesterday on which the window was ordinary by the margin.
    clear: i64,
}

impl Course {
    fn run(
        ledger: &Ledger<'_>,
        stood_still: impl Fn(NaiveDate, NaiveDate) -> bool,
        first: NaiveDate,
        first_log: NaiveDate,
        yesterday: NaiveDate,
        settings: &Settings,
    ) -> Self {
        // A window that reaches back before the first log counts only while it is the current one.
        let whole = ledger.number(first_log) + settings.window_days.max(1) - 1;
        let mut course = Self { stretches: Vec::new(), last_hard: None, clear: 0 };
        let mut sticks = false;
        let mut begun = (ledger.number(first), Grade::Ordinary);
        for to in ledger.number(first)..=ledger.number(yesterday) {
            let window = ledger.window(to, &stood_still);
            let hard = window.is_hard();
            if hard {
                course.last_hard = Some(to);
            }
            course.clear = if hard || window.close().next().is_some() { 0 } else { course.clear + 1 };
            sticks = (hard && to >= whole) || (sticks && course.clear <= settings.release_days);
            let grade = if hard || sticks { Grade::Hard } else { Grade::Ordinary };
            if grade != begun.1 {
                course.push(ledger, begun, to - 1);
                begun = (to, grade);
            }
        }
        course.push(ledger, begun, ledger.number(yesterday));
        course
    }

    fn push(&mut self, ledger: &Ledger<'_>, (from, grade): (i64, Grade), to: i64) {
        if from <= to {
            self.stretches.push((ledger.date(from), ledger.date(to), grade));
        }
    }

    /// The day of the last change from hard to ordinary, where it is ordinary now.
    fn eased(&self) -> Option<NaiveDate> {
        match self.stretches.as_slice() {
            [.., (_, _, Grade::Hard), (from, _, Grade::Ordinary)] => Some(*from),
            _ => None,
        }
    }
}

/// The stretches from `since` to `today`, which has the grade of yesterday.
fn split(stretches: &[Stretch], since: NaiveDate, today: NaiveDate) -> Vec<Stretch> {
    let last = stretches.len().saturating_sub(1);
    let clipped = stretches.iter().enumerate().map(|(place, (from, to, grade))| {
        let to = if place == last { today } else { *to };
        (since.max(*from), to, *grade)
    });
    clipped.filter(|(from, to, _)| from <= to).collect()
}
