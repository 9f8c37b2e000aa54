//! From days to a grade.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::ledger::{Ledger, plus};
use super::past::{FURTHEST, Past, Stretch};
use super::{DutyDay, Grading, Held, Settings};
use crate::fleet::{Grade, OffRoad};

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
    let first_log = days.keys().next().copied().unwrap_or(today);
    let first = since.unwrap_or(today).min(first_log).max(plus(today, -FURTHEST)).min(plus(today, -1));
    go_on(Past::before(first, first_log), days, off_road, stood_still, since, today, settings)
}

/// Grades a car as of `today` by its days since its `past` ended: what [`grade`] says from all its days.
///
/// `days` must hold every log from [`Past::needs_from`] on and may leave out those before; `stood_still` is asked only
/// about days from there on, and must answer as it would with all readings known. `off_road` is as for all days.
///
/// `None` where that is not enough, or might not be: the day of the last service, `since`, is not known or not after
/// [`Past::by`]; `today` is a day after it or less, so that no window has ended since, or no more than
/// [`Settings::log_grace_days`], so that logs are awaited still; the first log is longer ago than counts.
#[must_use]
pub fn grade_from(
    past: &Past,
    days: &BTreeMap<NaiveDate, DutyDay>,
    off_road: &[OffRoad],
    stood_still: impl Fn(NaiveDate, NaiveDate) -> bool,
    since: Option<NaiveDate>,
    today: NaiveDate,
    settings: &Settings,
) -> Option<Grading> {
    let goes_on = past.by() < plus(today, -1) && past.stands(today, settings);
    let enough = goes_on && since.is_some_and(|since| since > past.by());
    enough.then(|| go_on(past.clone(), days, off_road, stood_still, since, today, settings))
}

/// The grading of a car that goes on from its past to `today`.
fn go_on(
    mut past: Past,
    days: &BTreeMap<NaiveDate, DutyDay>,
    off_road: &[OffRoad],
    stood_still: impl Fn(NaiveDate, NaiveDate) -> bool,
    since: Option<NaiveDate>,
    today: NaiveDate,
    settings: &Settings,
) -> Grading {
    let (yesterday, furthest) = (plus(today, -1), plus(today, -FURTHEST));
    let ledger = Ledger::new(days, off_road, &stood_still, plus(past.by(), 1), today, settings);
    let stretches = past.go_on(&ledger, &stood_still, yesterday, settings);

    let current = ledger.window(ledger.number(yesterday), &stood_still);
    let floor = since.map_or(past.first_log(), |since| plus(since, 1)).max(furthest);
    let hard_since_service = past.last_hard().is_some_and(|hard| hard.from >= floor);
    let (now, now_since) = stretches.last().map_or((Grade::Ordinary, yesterday), |last| (last.2, last.0));
    let current_hard = current.is_hard();
    let held = (now == Grade::Hard && !current_hard).then(|| {
        let close: Vec<_> = current.close().collect();
        let until = close.is_empty().then(|| plus(yesterday, settings.release_days - past.clear()));
        Held { close, until }
    });
    let by_earlier = !current_hard && (held.is_some() || hard_since_service);
    Grading {
        grade: if now == Grade::Hard || hard_since_service { Grade::Hard } else { Grade::Ordinary },
        hard_since_service,
        now,
        now_since,
        eased: eased(&stretches).filter(|day| since.is_none_or(|since| *day > since)),
        held,
        current: current.evidence(),
        hardest: past.last_hard().filter(|_| by_earlier).cloned(),
        split: since.map(|since| split(&stretches, since.max(furthest), today)).unwrap_or_default(),
    }
}

/// The day of the last change from hard to ordinary, where it is ordinary now.
fn eased(stretches: &[Stretch]) -> Option<NaiveDate> {
    match stretches {
        [.., (_, _, Grade::Hard), (from, _, Grade::Ordinary)] => Some(*from),
        _ => None,
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
