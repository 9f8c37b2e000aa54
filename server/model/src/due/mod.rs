//! When a service falls due: the first passage of a window's edges.
//!
//! Distance and duty hours only ever rise, so an edge at a distance `D` ahead is not reached within `n` mean days
//! exactly when these bring less than `D`: `P(T > n) = P(W(n) < D)`. [`Outlook`] gives the quantiles of what `n` days
//! bring, and their first passage is the root of each ([`Outlook::reach`]).
//!
//! Whichever meter comes first decides. One use of the car drives all its meters: in the open utilisation data the daily
//! miles and hours of one vehicle have a correlation of 0.986 to 0.999, and over sixty days the logarithm of their ratio
//! a standard deviation of 0.04. So the meters are taken as fully dependent, `P(T > n) = min_k P(T_k > n)`: a quantile of
//! the first passage is the earliest of the meters' quantiles, and its chance is the largest of theirs. That is their
//! joint distribution, not a minimum of medians: it holds at every chance. Taken as independent they would bring the date
//! forward (pinball loss 4.26 days there, against 3.75 with the same forecast of each); allowing for the 0.04 by Clark's
//! formula for the minimum of two normals changes it by less than 0.01 days.

mod blend;
mod passage;
mod score;
mod tally;
#[cfg(test)]
mod tests;

use chrono::{Days, NaiveDate};

use crate::fleet::{Hours, Meter, Metres, OffRoad, Window, WindowSet};
use crate::usage::{Outlook, RoadDays, Usage, Week};

pub use blend::{Stretch, blend};
use passage::Passage;
pub use score::{CHANCES, Outcome, Score, naive, pinball, score};
pub use tally::{Tally, chance_by, tally};

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
/// A date is the local day in the course of which the edge is reached: that by whose end the on-road days after the day
/// of the last reading, each counting as its weekday does, come to `n` mean days. None is on a weekday that brings
/// nothing.
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
    /// How long the car will be inside its window: days from the median of the early edge to that of the late one, days
    /// off the road included; `None` where either is beyond the horizon. Both edges are reached by one use of the car, so
    /// this is the median of the time between them too.
    pub inside_days: Option<i64>,
    /// Median distance since the service by the end of today.
    pub expected_today: Metres,
    /// Median duty hours since the service by the end of today.
    pub expected_hours_today: Hours,
    road: RoadDays,
    late_edges: Vec<Passage>,
}

impl Due {
    /// The same, with the early edge reached by `day` at the latest: what a signal of condition does to a service.
    #[must_use]
    pub fn brought_forward(self, day: NaiveDate) -> Self {
        let capped = |date: Option<NaiveDate>| earlier(date, Some(day));
        let early = Quantiles { p10: capped(self.early.p10), p50: capped(self.early.p50), p90: capped(self.early.p90) };
        let inside_days = early.p50.zip(self.late.p50).map(|(early, late)| (late - early).num_days().max(0));
        Self { early, inside_days, ..self }
    }

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
    let so_far = |week: &Week| road.mean_days(week, position.as_of, today);
    let driven_by_today = usage.metres.median(so_far(&usage.metres_week));
    let hours_by_today = usage.hours.median(so_far(&usage.hours_week));
    let (early, late) = (first.early.within(horizon), first.late.within(horizon));
    Some(Due {
        deciding_meter,
        band: band(&first, today),
        early,
        late,
        inside_days: early.p50.zip(late.p50).map(|(early, late)| (late - early).num_days().max(0)),
        by_meter: dates.iter().map(|(meter, dates)| (*meter, dates.within(horizon))).collect(),
        expected_today: position.metres_since + Metres(driven_by_today.round() as i64),
        expected_hours_today: Hours(position.hours_since + hours_by_today),
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
    let distance = windows.distance.map(|window| {
        let window = Window { early: window.early.as_f64(), late: window.late.as_f64() };
        let since = position.metres_since.as_f64();
        (
            Meter::Distance,
            driven(position, since, window, position.crossed.distance, (&usage.metres, usage.metres_week)),
        )
    });
    let hours = windows.hours.map(|window| {
        let window = Window { early: window.early.0, late: window.late.0 };
        (
            Meter::Hours,
            driven(position, position.hours_since, window, position.crossed.hours, (&usage.hours, usage.hours_week)),
        )
    });
    let days = windows.days.map(|window| {
        let on = |days| Passage::On(plus(position.service_on, days));
        (Meter::Days, Edges { early: on(window.early), late: on(window.late) })
    });
    [distance, hours, days].into_iter().flatten().collect()
}

fn driven(
    position: &Position,
    since: f64,
    window: Window<f64>,
    crossed: Crossing,
    (outlook, week): (&Outlook, Week),
) -> Edges {
    let passage = |edge: f64, crossed: Option<NaiveDate>| match crossed {
        Some(day) => Passage::On(Some(day)),
        None if edge <= since => Passage::On(Some(position.as_of)),
        None => Passage::Ahead { as_of: position.as_of, reach: outlook.reach(edge - since), week },
    };
    Edges { early: passage(window.early, crossed.early), late: passage(window.late, crossed.late) }
}

fn plus(day: NaiveDate, days: i64) -> Option<NaiveDate> {
    let by = Days::new(days.unsigned_abs());
    if days < 0 { day.checked_sub_days(by) } else { day.checked_add_days(by) }
}
