//! The first passage of one edge.

use chrono::NaiveDate;

use super::Quantiles;
use crate::usage::{Reach, RoadDays, Week};

/// How an edge is reached.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Passage {
    /// On a known day, past or future; `None` beyond the calendar.
    On(Option<NaiveDate>),
    /// By driving on.
    Ahead {
        /// The day from whose end on the days count.
        as_of: NaiveDate,
        /// Mean days on the road until the edge is reached.
        reach: Reach,
        /// What each weekday counts.
        week: Week,
    },
}

/// No date is looked for further ahead than this many days.
const FURTHEST: f64 = 1e6;

impl Passage {
    pub(super) fn quantiles(&self, road: &RoadDays) -> Quantiles {
        match self {
            Self::On(day) => Quantiles { p10: *day, p50: *day, p90: *day },
            Self::Ahead { as_of, reach: Reach(days), week } => {
                let [p10, p50, p90] = days.map(|days| {
                    let days = Some(days).filter(|days| *days <= FURTHEST)?;
                    road.reached(week, *as_of, days)
                });
                Quantiles { p10, p50, p90 }
            }
        }
    }

    /// The chance that the edge is reached on or before `by`.
    pub(super) fn chance(&self, by: NaiveDate, road: &RoadDays) -> f64 {
        match self {
            Self::On(day) => f64::from(u8::from(day.is_some_and(|day| day <= by))),
            Self::Ahead { as_of, reach, week } => reach.chance(road.mean_days(week, *as_of, by)),
        }
    }
}
