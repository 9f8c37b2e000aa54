//! What the duty logs say day by day.

use std::collections::BTreeMap;
use std::ops::RangeBounds;

use chrono::NaiveDate;

use super::day_number;
use crate::duty::DutyDay;

/// Days without a duty log count as days on which the car stood where there is a log not further off on either side:
/// beyond that the logs may be missing (by reasoning: a week).
const TOLD_GAP: i64 = 7;

/// The days with a duty log among `days`, by their numbers.
pub(super) fn logs(
    duty: &BTreeMap<NaiveDate, DutyDay>,
    days: impl RangeBounds<NaiveDate>,
) -> impl DoubleEndedIterator<Item = (i64, &DutyDay)> {
    duty.range(days).filter(|(_, day)| day.has_duty).map(|(day, duty)| (day_number(*day), duty))
}

/// What the duty logs say of `day`, where the last day with a log before it has the number `last_log`.
pub(super) fn said_on(duty: &BTreeMap<NaiveDate, DutyDay>, day: NaiveDate, last_log: Option<i64>) -> Option<Said> {
    Logged::new(logs(duty, day..).take(1), last_log).on(day_number(day)).map(|day| day.said)
}

/// What the duty logs say of a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(super) enum Said {
    /// That the car was driven.
    Driven,
    /// That it stood.
    Stood,
    /// Neither: they may be missing.
    Nothing,
}

/// The duty logs day by day, from the first day with a log to the last.
pub(super) struct Logged {
    /// Number of the first day.
    pub(super) first: Option<i64>,
    days: Vec<LoggedDay>,
}

#[derive(Clone, Copy)]
pub(super) struct LoggedDay {
    pub(super) hours: f64,
    pub(super) said: Said,
}

impl LoggedDay {
    pub(super) fn is_told(&self) -> bool {
        self.said != Said::Nothing
    }
}

impl Logged {
    /// Of days with a log, in order; `last` is the number of the last one before them, which only stands for a day.
    pub(super) fn new<'a>(logs: impl Iterator<Item = (i64, &'a DutyDay)>, last: Option<i64>) -> Self {
        let stood = |said| LoggedDay { hours: 0.0, said };
        let (mut first, mut days) = (last, Vec::new());
        days.extend(last.map(|_| stood(Said::Nothing)));
        for (number, duty) in logs {
            let place = (number - *first.get_or_insert(number)).unsigned_abs() as usize;
            let near = (place - days.len()) as i64 <= TOLD_GAP;
            days.resize(place, stood(if near { Said::Stood } else { Said::Nothing }));
            days.push(LoggedDay { hours: duty.hours, said: if duty.driven { Said::Driven } else { Said::Stood } });
        }
        Self { first, days }
    }

    /// The day, where it lies between the first and the last with a log.
    pub(super) fn on(&self, number: i64) -> Option<&LoggedDay> {
        self.days.get(usize::try_from(number.checked_sub(self.first?)?).ok()?)
    }

    pub(super) fn stood(&self, number: i64) -> bool {
        self.on(number).is_some_and(|day| day.said == Said::Stood)
    }

    /// Whether of every day that `from` and `to` lie on or between it is said whether the car was driven.
    pub(super) fn is_told(&self, from: f64, to: f64) -> bool {
        let (first, last) = (libm::floor(from) as i64, libm::floor(to) as i64);
        (first..=last).all(|number| self.on(number).is_some_and(LoggedDay::is_told))
    }
}
