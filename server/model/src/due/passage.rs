//! The first passage of one edge.

use chrono::NaiveDate;

use super::Quantiles;
use crate::usage::{Reach, RoadDays};

/// How an edge is reached.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Passage {
    /// On a known day, past or future; `None` beyond the calendar.
    On(Option<NaiveDate>),
    /// By driving on.
    Ahead {
        /// The day from whose end on the days count.
        as_of: NaiveDate,
        /// On-road days until the edge is reached.
        reach: Reach,
    },
}

/// Takes the noise of the last digits off a count of days before it is rounded up: 20 days are not 21.
const ROUNDING: f64 = 1e-9;

/// No date is looked for further ahead than this many days.
const FURTHEST: f64 = 1e6;

impl Passage {
    pub(super) fn quantiles(&self, road: &RoadDays) -> Quantiles {
        match self {
            Self::On(day) => Quantiles { p10: *day, p50: *day, p90: *day },
            Self::Ahead { as_of, reach: Reach(days) } => {
                let [p10, p50, p90] = days.map(|days| {
                    let days = Some(days).filter(|days| *days <= FURTHEST)?;
                    road.nth(*as_of, libm::ceil(days * (1.0 - ROUNDING)) as u64)
                });
                Quantiles { p10, p50, p90 }
            }
        }
    }

    /// The chance that the edge is reached on or before `by`.
    pub(super) fn chance(&self, by: NaiveDate, road: &RoadDays) -> f64 {
        match self {
            Self::On(day) => f64::from(u8::from(day.is_some_and(|day| day <= by))),
            Self::Ahead { as_of, reach } => reach.chance(road.between(*as_of, by) as f64),
        }
    }
}
