//! When a service falls due: the first passage of a window's edges.
//!
//! The distance of the next `n` on-road days is taken as normal with mean `m n` and variance `s² n + (r m n)²`, where
//! `m` is the daily rate, `s` the standard deviation of one day and `r` the relative spread of the rate itself; duty
//! hours likewise. An odometer never runs back, so the edge at a distance `D` ahead is reached within `n` days exactly
//! when `n` days bring at least `D`:
//!
//! `P(T <= n) = P(X_n >= D) = Phi((m n - D) / sqrt(s² n + r² m² n²))`
//!
//! which rises with `n` and is solved in closed form. The normal's tail below zero, which no car drives, is neglected:
//! after three weeks with `s = m/2` it holds 4e-8 for `r = 0.15` and 0.8 % for `r = 0.4`.
//!
//! Whichever meter comes first decides. The meters of one car are taken as fully dependent: its daily miles and hours
//! move together (correlation above 0.98 in the open data set used for checks). Then a quantile of the first passage is
//! the earliest of the meters' quantiles, and its chance is the largest of theirs. A joint distribution is to come.

mod blend;
mod passage;
mod score;
#[cfg(test)]
mod tests;

use chrono::{Days, NaiveDate};

use crate::fleet::{Hours, Meter, Metres, OffRoad, Window, WindowSet};
use crate::usage::{RoadDays, Usage};

pub use blend::{Stretch, blend};
use passage::{Passage, Walk};
pub use score::{CHANCES, Outcome, Score, naive, pinball, score};

/// Where a car stands in its interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Position {
    /// Local day of the last service.
    pub service_on: NaiveDate,
    /// Local day of the last kept reading: what is known, is known as of its end.
    pub as_of: NaiveDate,
    /// Distance since the service as of `as_of`.
    pub metres_since: Metres,
    /// Duty hours since the service as of `as_of`.
    pub hours_since: f64,
    /// Edges already crossed.
    pub crossed: Crossed,
}

/// When edges were crossed, where they were. The days meter needs none: its edges are dates.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Crossed {
    /// The edges in distance.
    pub distance: Crossing,
    /// The edges in duty hours.
    pub hours: Crossing,
}

/// The days on which the edges of one meter were crossed. An edge below what the position says without a day here
/// counts as crossed on the day of the last reading.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Crossing {
    /// The early edge.
    pub early: Option<NaiveDate>,
    /// The late edge.
    pub late: Option<NaiveDate>,
}

/// The days by which an edge is reached with 10, 50 and 90 % chance; `None` beyond the horizon.
///
/// A date is the local day in the course of which the edge is reached: `n` on-road days after the day of the last
/// reading, `n` rounded up. The 50 % date is that of `n = D / m`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Quantiles {
    /// 10 %.
    pub p10: Option<NaiveDate>,
    /// 50 %, the median.
    pub p50: Option<NaiveDate>,
    /// 90 %.
    pub p90: Option<NaiveDate>,
}

impl Quantiles {
    fn of(date: impl Fn(f64) -> Option<NaiveDate>) -> Self {
        Self { p10: date(0.1), p50: date(0.5), p90: date(0.9) }
    }

    fn earliest(self, other: Self) -> Self {
        Self { p10: earlier(self.p10, other.p10), p50: earlier(self.p50, other.p50), p90: earlier(self.p90, other.p90) }
    }

    fn within(self, horizon: NaiveDate) -> Self {
        let cut = |date: Option<NaiveDate>| date.filter(|date| *date <= horizon);
        Self { p10: cut(self.p10), p50: cut(self.p50), p90: cut(self.p90) }
    }
}

fn earlier(one: Option<NaiveDate>, other: Option<NaiveDate>) -> Option<NaiveDate> {
    one.into_iter().chain(other).min()
}

/// Where a car is against its window, by the median.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Band {
    /// There is nothing to count from. No forecast says so itself: without a service there is none.
    Unknown,
    /// The early edge is not reached.
    Before,
    /// Between the edges.
    Inside,
    /// The late edge is reached.
    Past,
}

impl Band {
    /// The band's name in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::Before => "before",
            Self::Inside => "inside",
            Self::Past => "past",
        }
    }
}

/// The dates of the two edges.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct EdgeDates {
    /// The early edge.
    pub early: Quantiles,
    /// The late edge.
    pub late: Quantiles,
}

/// When a service falls due.
#[derive(Clone, Debug, PartialEq)]
pub struct Due {
    /// The meter whose late edge comes first by the median; on a tie, whose early edge does.
    pub deciding_meter: Meter,
    /// Where the car is today.
    pub band: Band,
    /// When the first of the early edges is reached.
    pub early: Quantiles,
    /// When the first of the late edges is reached.
    pub late: Quantiles,
    /// The same by meter, in the order distance, hours, days.
    pub by_meter: Vec<(Meter, EdgeDates)>,
    /// Median distance since the service by the end of today.
    pub expected_today: Metres,
    /// Median duty hours since the service by the end of today.
    pub expected_hours_today: Hours,
    road: RoadDays,
    late_edges: Vec<Passage>,
}

impl Due {
    /// The chance that a late edge is reached on or before the local day `by`.
    #[must_use]
    pub fn chance_past_late(&self, by: NaiveDate) -> f64 {
        self.late_edges.iter().map(|edge| edge.chance(by, &self.road)).fold(0.0, f64::max)
    }
}

/// The dates on which `position` reaches the edges of `windows`, seen from `today` up to `horizon_days` ahead.
///
/// `None` when `windows` has no meter. A car that stands (rate 0) never reaches an edge of distance.
#[must_use]
pub fn forecast(
    position: &Position,
    usage: &Usage,
    windows: &WindowSet,
    off_road: &[OffRoad],
    today: NaiveDate,
    horizon_days: i64,
) -> Option<Due> {
    let road = RoadDays::new(off_road);
    let passages = passages(position, usage, windows);
    let dates: Vec<(Meter, EdgeDates)> = passages.iter().map(|(meter, edges)| (*meter, edges.dates(&road))).collect();
    let (deciding_meter, _) = dates.iter().min_by_key(|(_, dates)| rank(dates)).copied()?;
    let first = dates.iter().fold(EdgeDates::default(), |first, (_, dates)| EdgeDates {
        early: first.early.earliest(dates.early),
        late: first.late.earliest(dates.late),
    });
    let horizon = plus(today, horizon_days).unwrap_or(NaiveDate::MAX);
    let days = road.between(position.as_of, today) as f64;
    Some(Due {
        deciding_meter,
        band: band(&first, today),
        early: first.early.within(horizon),
        late: first.late.within(horizon),
        by_meter: dates.iter().map(|(meter, dates)| (*meter, dates.within(horizon))).collect(),
        expected_today: position.metres_since + Metres((usage.metres_per_day * days).round() as i64),
        expected_hours_today: Hours(position.hours_since + usage.hours_per_day * days),
        road,
        late_edges: passages.iter().map(|(_, edges)| edges.late).collect(),
    })
}

/// Dates beyond the horizon still decide which meter comes first.
fn rank(dates: &EdgeDates) -> (NaiveDate, NaiveDate) {
    (dates.late.p50.unwrap_or(NaiveDate::MAX), dates.early.p50.unwrap_or(NaiveDate::MAX))
}

fn band(first: &EdgeDates, today: NaiveDate) -> Band {
    let reached = |edge: Quantiles| edge.p50.is_some_and(|date| date <= today);
    if reached(first.late) {
        Band::Past
    } else if reached(first.early) {
        Band::Inside
    } else {
        Band::Before
    }
}

impl EdgeDates {
    fn within(self, horizon: NaiveDate) -> Self {
        Self { early: self.early.within(horizon), late: self.late.within(horizon) }
    }
}

/// The passages of one meter's edges.
struct Edges {
    early: Passage,
    late: Passage,
}

impl Edges {
    fn dates(&self, road: &RoadDays) -> EdgeDates {
        EdgeDates { early: self.early.quantiles(road), late: self.late.quantiles(road) }
    }
}

fn passages(position: &Position, usage: &Usage, windows: &WindowSet) -> Vec<(Meter, Edges)> {
    let rate_spread = usage.rate_spread;
    let distance = windows.distance.map(|window| {
        let walk = Walk { mean: usage.metres_per_day, sd: usage.metres_sd, rate_spread };
        let window = Window { early: window.early.as_f64(), late: window.late.as_f64() };
        (Meter::Distance, walked(position, position.metres_since.as_f64(), window, position.crossed.distance, walk))
    });
    let hours = windows.hours.map(|window| {
        let walk = Walk { mean: usage.hours_per_day, sd: usage.hours_sd, rate_spread };
        let window = Window { early: window.early.0, late: window.late.0 };
        (Meter::Hours, walked(position, position.hours_since, window, position.crossed.hours, walk))
    });
    let days = windows.days.map(|window| {
        let on = |days| Passage::On(plus(position.service_on, days));
        (Meter::Days, Edges { early: on(window.early), late: on(window.late) })
    });
    [distance, hours, days].into_iter().flatten().collect()
}

fn walked(position: &Position, since: f64, window: Window<f64>, crossed: Crossing, walk: Walk) -> Edges {
    let passage = |edge: f64, crossed: Option<NaiveDate>| match crossed {
        Some(day) => Passage::On(Some(day)),
        None if edge <= since => Passage::On(Some(position.as_of)),
        None => Passage::Ahead { as_of: position.as_of, remaining: edge - since, walk },
    };
    Edges { early: passage(window.early, crossed.early), late: passage(window.late, crossed.late) }
}

fn plus(day: NaiveDate, days: i64) -> Option<NaiveDate> {
    let by = Days::new(days.unsigned_abs());
    if days < 0 { day.checked_sub_days(by) } else { day.checked_add_days(by) }
}
