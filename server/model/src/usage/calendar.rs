//! On-road days: the calendar without the days told to be off the road.

use chrono::{Days, NaiveDate};

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

    /// How many on-road days there are after `after`, up to and including `to`; 0 when `to` is not later.
    #[must_use]
    pub fn between(&self, after: NaiveDate, to: NaiveDate) -> i64 {
        let Some(first) = after.succ_opt() else { return 0 };
        let off: i64 = self.off.iter().map(|(from, until)| days(first.max(*from), to.min(*until))).sum();
        days(first, to) - off
    }

    /// The on-road day number `count` after `after`; `after` itself for 0. `None` when the car is off the road
    /// without an end before that, or beyond the calendar.
    #[must_use]
    pub fn nth(&self, after: NaiveDate, count: u64) -> Option<NaiveDate> {
        let first = after.succ_opt()?;
        let mut day = after.checked_add_days(Days::new(count))?;
        for (from, to) in self.off.iter().filter(|(_, to)| *to >= first) {
            let from = first.max(*from);
            if from > day {
                break;
            }
            day = day.checked_add_days(Days::new(days(from, *to).unsigned_abs()))?;
        }
        Some(day)
    }
}

/// Days from `from` to `to`, both included; 0 when `to` is earlier.
fn days(from: NaiveDate, to: NaiveDate) -> i64 {
    ((to - from).num_days() + 1).max(0)
}
