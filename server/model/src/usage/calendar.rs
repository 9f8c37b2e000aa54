//! On-road days: the calendar without the days told to be off the road.

use chrono::NaiveDate;

use super::week::{ROUNDING, Week};
use crate::fleet::OffRoad;

/// The days on which a car is on the road.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RoadDays {
    /// First and last day of each stretch off the road: in order, apart. An open end is the calendar's last day.
    off: Vec<(NaiveDate, NaiveDate)>,
}

impl RoadDays {
    /// The calendar without `off_road`, whose stretches may overlap and come in any order.
    #[must_use]
    pub fn new(off_road: &[OffRoad]) -> Self {
        let mut stretches: Vec<_> =
            off_road.iter().map(|stretch| (stretch.from, stretch.to.unwrap_or(NaiveDate::MAX))).collect();
        stretches.retain(|(from, to)| from <= to);
        stretches.sort_unstable();
        let mut off: Vec<(NaiveDate, NaiveDate)> = Vec::with_capacity(stretches.len());
        for (from, to) in stretches {
            match off.last_mut() {
                Some((_, end)) if from <= *end => *end = to.max(*end),
                _ => off.push((from, to)),
            }
        }
        Self { off }
    }

    /// Whether the car is off the road on `day`.
    #[must_use]
    pub fn is_off(&self, day: NaiveDate) -> bool {
        self.off.iter().any(|(from, to)| (*from..=*to).contains(&day))
    }

    /// Whether there is any day off the road.
    pub(super) fn has_off(&self) -> bool {
        !self.off.is_empty()
    }

    /// How many mean days the on-road days after `after` up to and including `to` come to, each counting as its weekday
    /// does; 0 when `to` is not later.
    #[must_use]
    pub fn mean_days(&self, week: &Week, after: NaiveDate, to: NaiveDate) -> f64 {
        let Some(first) = after.succ_opt() else { return 0.0 };
        let off: f64 = self.off.iter().map(|(from, until)| week.between(first.max(*from), to.min(*until))).sum();
        week.between(first, to) - off
    }

    /// The first on-road day after `after` by the end of which the on-road days since then come to `mean_days`; `after`
    /// itself for 0. `None` when the car is off the road without an end before that, or beyond the calendar.
    ///
    /// A weekday without weight adds nothing, so nothing is reached on one.
    #[must_use]
    pub fn reached(&self, week: &Week, after: NaiveDate, mean_days: f64) -> Option<NaiveDate> {
        if mean_days <= 0.0 {
            return Some(after);
        }
        let mut left = mean_days * (1.0 - ROUNDING);
        let mut first = after.succ_opt()?;
        for (from, to) in self.off.iter().filter(|(_, to)| *to > after) {
            let before = from.pred_opt().map_or(0.0, |last| week.between(first, last));
            if left <= before {
                break;
            }
            left -= before;
            first = to.succ_opt()?;
        }
        week.reached(first, left)
    }

    /// How many on-road days there are after `after`, up to and including `to`; 0 when `to` is not later.
    #[must_use]
    pub fn between(&self, after: NaiveDate, to: NaiveDate) -> i64 {
        let Some(first) = after.succ_opt() else { return 0 };
        let off: i64 = self.off.iter().map(|(from, until)| days(first.max(*from), to.min(*until))).sum();
        days(first, to) - off
    }
}

/// Days from `from` to `to`, both included; 0 when `to` is earlier.
fn days(from: NaiveDate, to: NaiveDate) -> i64 {
    ((to - from).num_days() + 1).max(0)
}
