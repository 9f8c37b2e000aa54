//! From days to a grade.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::ledger::{Ledger, Window, plus};
use super::{DutyDay, Evidence, Grading, Settings};
use crate::fleet::{Grade, OffRoad};

/// Days between one window and the one before it.
const STEP: i64 = 7;

/// Services longer ago than this do not make a car harder: nobody has the logs. Twenty years.
const FURTHEST: i64 = 7_305;

/// Grades a car as of `today`.
///
/// The current window is the last [`Settings::window_days`] days up to yesterday. The car is in hard duty when that
/// window is hard, or when any window of the same length since the day of the last service, `since`, was: the windows
/// step back from the current one by seven days, and lie wholly after `since`. Where `since` is not known they go back
/// to the first day with a log.
///
/// A window is hard when any of these holds: [`Settings::week_days`] driven days in a complete ISO week; mean hours
/// over the driven days above [`Settings::mean_hours`]; a rear-seat share of at least [`Settings::rear_share`]; a
/// complete week without a duty log that ended more than [`Settings::log_grace_days`] ago, or no duty log at all in a
/// window that holds no such week, unless the car was off the road or stood still all the time; a complete week as old
/// with driving but without a seat log, or no seat log at all although the car was driven or its duty logs are missing.
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
    let first_log = days.keys().next().copied().unwrap_or(today);
    let floor = since.map_or(first_log, |since| plus(since, 1)).max(plus(today, -FURTHEST));
    let start = plus(floor.min(today), -settings.window_days - STEP);
    let ledger = Ledger::new(days, off_road, &stood_still, start, today, settings);
    let window = |to| ledger.window(to, &stood_still);

    let current = window(yesterday).evidence();
    let hardest = match current.grade {
        Grade::Hard => None,
        Grade::Ordinary => earlier_hard(window, yesterday, floor),
    };
    let grade = if hardest.is_some() { Grade::Hard } else { current.grade };
    let split = since.map(|since| split(window, since, today)).unwrap_or_default();
    Grading { grade, current, hardest, split }
}

fn back(from: NaiveDate) -> impl Iterator<Item = NaiveDate> {
    (1..).map(move |step| plus(from, -STEP * step))
}

/// The latest hard window before the one that ends on `current`, wholly on or after `floor`.
fn earlier_hard<'a>(
    window: impl Fn(NaiveDate) -> Window<'a>,
    current: NaiveDate,
    floor: NaiveDate,
) -> Option<Evidence> {
    back(current)
        .map(window)
        .take_while(|window| window.from() >= floor)
        .find(|window| window.grade() == Grade::Hard)
        .map(|window| window.evidence())
}

/// The stretches from `since` to `today`, latest weeks graded first, neighbours of one grade joined.
fn split<'a>(
    window: impl Fn(NaiveDate) -> Window<'a>,
    since: NaiveDate,
    today: NaiveDate,
) -> Vec<(NaiveDate, NaiveDate, Grade)> {
    let since = since.max(plus(today, -FURTHEST));
    let mut stretches: Vec<(NaiveDate, NaiveDate, Grade)> = Vec::new();
    let mut to = today;
    let mut end = plus(today, -1);
    while to >= since {
        let from = plus(end, 1 - STEP).max(since).min(to);
        let grade = window(end).grade();
        match stretches.last_mut() {
            Some(later) if later.2 == grade => later.0 = from,
            _ => stretches.push((from, to, grade)),
        }
        to = plus(from, -1);
        end = plus(end, -STEP);
    }
    stretches.reverse();
    stretches
}
