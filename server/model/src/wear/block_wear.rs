//! When a pack's weakest block reaches the limit of its type.

use chrono::{DateTime, Utc};

use super::days::{days_after, days_between};
use super::drift::{Drift, Fleet, Path, reached};
use super::spread::Spread;
use crate::dist::inverse_gaussian::FirstPassage;
use crate::fleet::SpreadLimits;

/// Where a pack stands on its way to the limit of a weak block.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum BlockWear {
    /// Too few checks could be compared to say.
    Unknown,
    /// The limit was reached.
    Reached {
        /// When, between two levels of its path on a straight line.
        at: DateTime<Utc>,
    },
    /// The limit lies ahead.
    Ahead(Ahead),
}

/// A limit that lies ahead.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ahead {
    /// When the latest level of its path was reached: the forecast counts from here.
    pub from: DateTime<Utc>,
    /// The level then, in volts under the median of the blocks.
    pub level_v: f64,
    /// What is believed of its drift, in volts a day.
    pub drift: Drift,
    /// How long until the limit, in days.
    pub passage: FirstPassage,
}

impl Ahead {
    /// By when the limit is reached with chance `p`; `None` where it never gets that likely, or beyond the calendar.
    #[must_use]
    pub fn by(&self, p: f64) -> Option<DateTime<Utc>> {
        days_after(self.from, self.passage.quantile(p))
    }

    /// The chance that the limit is reached by `at`.
    #[must_use]
    pub fn chance(&self, at: DateTime<Utc>) -> f64 {
        self.passage.cdf(days_between(self.from, at))
    }
}

/// Looks ahead from the spread of one pack. Its drift leans on `fleet`'s; without one it stands alone.
#[must_use]
pub fn look_ahead(spread: &Spread, fleet: Option<&Fleet>, limits: SpreadLimits) -> BlockWear {
    ahead(spread, fleet, limits).unwrap_or(BlockWear::Unknown)
}

/// Fewer levels than this do not tell a pack's noise, and there is no fleet to ask.
const ALONE: usize = 5;

fn ahead(spread: &Spread, fleet: Option<&Fleet>, limits: SpreadLimits) -> Option<BlockWear> {
    let (start, points) = (spread.levels.first()?.at, spread.path());
    let last = points.last()?;
    if last.level >= limits.weak_v {
        return days_after(start, reached(&points, limits.weak_v)?).map(|at| BlockWear::Reached { at });
    }
    let path = Path::of(&points);
    let (drift, noise) = match fleet {
        Some(fleet) => (fleet.drift_of(&path), fleet.noise),
        None if points.len() < ALONE => return None,
        None => (path.own_drift(path.noise()?)?, path.noise()?),
    };
    let passage = drift.passage(limits.weak_v - last.level, noise)?;
    Some(BlockWear::Ahead(Ahead { from: days_after(start, last.t)?, level_v: last.level, drift, passage }))
}
