//! The first passage of one edge.

use chrono::NaiveDate;

use super::Quantiles;
use super::course::{Step, chance, dates};
use crate::usage::RoadDays;

/// How an edge is reached.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Passage {
    /// On a known day, past or future; `None` beyond the calendar.
    On(Option<NaiveDate>),
    /// By driving on.
    Ahead(Vec<Step>),
}

/// No date is looked for further ahead than this many days.
const FURTHEST: f64 = 1e6;

impl Passage {
    pub(super) fn quantiles(&self, road: &RoadDays) -> Quantiles {
        match self {
            Self::On(day) => Quantiles { p10: *day, p50: *day, p90: *day },
            Self::Ahead(steps) => {
                let [p10, p50, p90] = dates(steps, road, FURTHEST);
                Quantiles { p10, p50, p90 }
            }
        }
    }

    /// The chance that the edge is reached on or before `by`.
    pub(super) fn chance(&self, by: NaiveDate, road: &RoadDays) -> f64 {
        match self {
            Self::On(day) => f64::from(u8::from(day.is_some_and(|day| day <= by))),
            Self::Ahead(steps) => chance(steps, by, road),
        }
    }
}
