//! How a car's grade goes from day to day, and what of it is remembered.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::ledger::{Ledger, plus};
use super::{DutyDay, Evidence, Settings};
use crate::fleet::{Grade, OffRoad};

/// Logs and services longer ago than this do not make a car harder: nobody has the logs. Twenty years.
pub(super) const FURTHEST: i64 = 7_305;

/// First day, last day and grade.
pub(super) type Stretch = (NaiveDate, NaiveDate, Grade);

/// What a car's days up to one of them have left for the grade of the days after it.
///
/// It holds what [`grade`](super::grade()) knows once it has gone through the window that ends on that day, so that
/// [`grade_from`](super::grade_from) can go on from there. It is of use only with the settings it was made with, and as
/// long as the logs, the days off the road and the standing still up to that day are what they were.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Past {
    /// The last day gone through.
    by: NaiveDate,
    /// The first day with a log.
    first_log: NaiveDate,
    /// Since when the grade of that day has been the grade.
    open: (NaiveDate, Grade),
    /// Whether the grade is hard whatever the next window shows, unless the hold is over.
    sticks: bool,
    /// Days in a row, the last included, on which the window was ordinary by the margin.
    clear: i64,
    /// The latest hard window.
    last_hard: Option<Evidence>,
}

impl Past {
    /// The past up to the day `by`, as known on the day `today`, of a car whose logs begin by then.
    ///
    /// `days`, `off_road` and `stood_still` are those of [`grade`](super::grade()); `days` need reach no further than
    /// `by`. `stood_still` is asked only about days from [`Settings::window_days`] before the first log to `by`, and
    /// what it answers must be what it will answer ever after: a car is seen to have stood still over some days only by
    /// a reading after them, so there should be one after `by` that is believed for good.
    ///
    /// `None` where the grade of those days may yet change, or the past would be of no use: no log by `by`, logs that
    /// are awaited still (`by` no more than [`Settings::log_grace_days`] ago), a first log longer ago than counts.
    #[must_use]
    pub fn new(
        days: &BTreeMap<NaiveDate, DutyDay>,
        off_road: &[OffRoad],
        stood_still: impl Fn(NaiveDate, NaiveDate) -> bool,
        by: NaiveDate,
        today: NaiveDate,
        settings: &Settings,
    ) -> Option<Self> {
        let first_log = days.keys().next().copied().filter(|first| *first <= by)?;
        let mut past = stands(by, first_log, today, settings).then(|| Self::before(first_log, first_log))?;
        // As if `today` were the day after: no log of the past is awaited.
        let settings = Settings { log_grace_days: 0, ..*settings };
        let ledger = Ledger::new(days, off_road, &stood_still, first_log, plus(by, 1), &settings);
        past.go_on(&ledger, stood_still, by, &settings);
        Some(past)
    }

    /// That of a car of which nothing is known before the day `first`.
    pub(super) fn before(first: NaiveDate, first_log: NaiveDate) -> Self {
        let (by, open) = (plus(first, -1), (first, Grade::Ordinary));
        Self { by, first_log, open, sticks: false, clear: 0, last_hard: None }
    }

    /// The last day gone through.
    #[must_use]
    pub fn by(&self) -> NaiveDate {
        self.by
    }

    /// The first day of the first window after it: [`grade_from`](super::grade_from) needs every log from this day on.
    #[must_use]
    pub fn needs_from(&self, settings: &Settings) -> NaiveDate {
        plus(self.by, 2 - settings.window_days.max(1))
    }

    pub(super) fn first_log(&self) -> NaiveDate {
        self.first_log
    }

    /// Days in a row on which the window was ordinary by the margin.
    pub(super) fn clear(&self) -> i64 {
        self.clear
    }

    /// The latest hard window.
    pub(super) fn last_hard(&self) -> Option<&Evidence> {
        self.last_hard.as_ref()
    }

    /// Whether it is the same seen from `today`.
    pub(super) fn stands(&self, today: NaiveDate, settings: &Settings) -> bool {
        stands(self.by, self.first_log, today, settings)
    }

    /// Goes on to the day `to`. The stretches of one grade, in order: the first began when the open one did, the last
    /// ends on `to`.
    pub(super) fn go_on(
        &mut self,
        ledger: &Ledger<'_>,
        stood_still: impl Fn(NaiveDate, NaiveDate) -> bool,
        to: NaiveDate,
        settings: &Settings,
    ) -> Vec<Stretch> {
        // A window that reaches back before the first log counts only while it is the current one.
        let whole = ledger.number(self.first_log) + settings.window_days.max(1) - 1;
        let mut stretches = Vec::new();
        let mut last_hard = None;
        for number in ledger.number(self.by) + 1..=ledger.number(to) {
            let window = ledger.window(number, &stood_still);
            let hard = window.is_hard();
            if hard {
                last_hard = Some(number);
            }
            self.clear = if hard || window.close().next().is_some() { 0 } else { self.clear + 1 };
            self.sticks = (hard && number >= whole) || (self.sticks && self.clear <= settings.release_days);
            let grade = if hard || self.sticks { Grade::Hard } else { Grade::Ordinary };
            let (from, before) = self.open;
            if grade != before {
                self.open = (ledger.date(number), grade);
                stretches.push((from, ledger.date(number - 1), before));
            }
        }
        let (from, grade) = self.open;
        stretches.push((from, to, grade));
        stretches.retain(|(from, to, _)| from <= to);
        self.by = to;
        self.last_hard =
            last_hard.map(|number| ledger.window(number, &stood_still).evidence()).or(self.last_hard.take());
        stretches
    }
}

/// Whether the logs up to `by` are not awaited any more on the day `today`, and the first one still counts.
fn stands(by: NaiveDate, first_log: NaiveDate, today: NaiveDate, settings: &Settings) -> bool {
    (today - by).num_days() > settings.log_grace_days.max(0) && plus(today, -FURTHEST) <= first_log
}
