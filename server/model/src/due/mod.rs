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
mod course;
mod passage;
mod score;
mod tally;
#[cfg(test)]
mod tests;

use chrono::{Days, NaiveDate};

use crate::fleet::{Hours, Meter, Metres, OffRoad, Window, WindowSet};
use crate::usage::{RoadDays, Usage};

pub use blend::{Stretch, blend};
use course::Course;
pub use course::Part;
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
    /// The ways to the early and to the late edge in distance, by the median, part by part; empty where it is crossed
    /// already, or never is.
    pub ways: [Vec<Part>; 2],
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

/// From a day on the car is used otherwise, or its edges lie elsewhere.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Phase {
    /// Its first day.
    pub from: NaiveDate,
    /// How the car is used.
    pub usage: Usage,
    /// The windows that apply, counted from the service.
    pub windows: WindowSet,
}

/// What the car has driven since the service by the end of a day, by the median, where `phases` are to come.
#[must_use]
pub fn expected(
    position: &Position,
    usage: &Usage,
    phases: &[Phase],
    off_road: &[OffRoad],
    by: NaiveDate,
) -> (Metres, Hours) {
    Ahead::new(position, usage, phases, RoadDays::new(off_road)).expected(position, by)
}

/// The dates on which `position` reaches the edges of `windows`, seen from `today` up to `horizon_days` ahead.
///
/// `phases` are changes after the day of the last reading, in order: from each on the car is used in another way, and its
/// edges are those of the phase: one that is behind it by then is reached on the phase's first day.
///
/// `None` when neither `windows` nor a phase has a meter. A car that stands (rate 0) never reaches an edge of distance.
#[must_use]
pub fn forecast(
    position: &Position,
    usage: &Usage,
    windows: &WindowSet,
    phases: &[Phase],
    off_road: &[OffRoad],
    today: NaiveDate,
    horizon_days: i64,
) -> Option<Due> {
    let ahead = Ahead::new(position, usage, phases, RoadDays::new(off_road));
    let passages = ahead.passages(position, windows, phases);
    let road = &ahead.road;
    let dates: Vec<(Meter, EdgeDates)> = passages.iter().map(|(meter, edges)| (*meter, edges.dates(road))).collect();
    let (deciding_meter, _) = dates.iter().min_by_key(|(_, dates)| rank(dates)).copied()?;
    let first = dates.iter().fold(EdgeDates::default(), |first, (_, dates)| EdgeDates {
        early: first.early.earliest(dates.early),
        late: first.late.earliest(dates.late),
    });
    let horizon = plus(today, horizon_days).unwrap_or(NaiveDate::MAX);
    let (expected_today, expected_hours_today) = ahead.expected(position, today);
    let (early, late) = (first.early.within(horizon), first.late.within(horizon));
    Some(Due {
        deciding_meter,
        band: band(&first, today),
        early,
        late,
        inside_days: early.p50.zip(late.p50).map(|(early, late)| (late - early).num_days().max(0)),
        by_meter: dates.iter().map(|(meter, dates)| (*meter, dates.within(horizon))).collect(),
        expected_today,
        expected_hours_today,
        ways: ahead.ways(&passages),
        late_edges: passages.into_iter().map(|(_, edges)| edges.late).collect(),
        road: ahead.road,
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

/// The days ahead on both meters.
struct Ahead {
    road: RoadDays,
    metres: Course,
    hours: Course,
}

impl Ahead {
    fn new(position: &Position, usage: &Usage, phases: &[Phase], road: RoadDays) -> Self {
        let first = position.as_of.succ_opt().unwrap_or(position.as_of);
        let all = || std::iter::once((first, usage)).chain(phases.iter().map(|phase| (phase.from, &phase.usage)));
        let metres = Course::new(all().map(|(from, usage)| (from, usage.metres, usage.metres_week)), &road);
        let hours = Course::new(all().map(|(from, usage)| (from, usage.hours, usage.hours_week)), &road);
        Self { road, metres, hours }
    }

    fn expected(&self, position: &Position, by: NaiveDate) -> (Metres, Hours) {
        let metres = self.metres.median(by, &self.road);
        let hours = self.hours.median(by, &self.road);
        (position.metres_since + Metres(metres.round() as i64), Hours(position.hours_since + hours))
    }

    fn passages(&self, position: &Position, windows: &WindowSet, phases: &[Phase]) -> Vec<(Meter, Edges)> {
        let all = || std::iter::once(windows).chain(phases.iter().map(|phase| &phase.windows));
        let distance = |window: &WindowSet| window.distance.map(|window| (window.early.as_f64(), window.late.as_f64()));
        let hours = |window: &WindowSet| window.hours.map(|window| (window.early.0, window.late.0));
        let driven = |of: &dyn Fn(&WindowSet) -> Option<(f64, f64)>, course: &Course, since: f64, crossed: Crossing| {
            let edges: Vec<Option<(f64, f64)>> = all().map(of).collect();
            let as_of = position.as_of;
            edges.iter().any(Option::is_some).then(|| Edges {
                early: passage(course, edges.iter().map(|edge| Some(edge.as_ref()?.0)), since, crossed.early, as_of),
                late: passage(course, edges.iter().map(|edge| Some(edge.as_ref()?.1)), since, crossed.late, as_of),
            })
        };
        let crossed = &position.crossed;
        let metres = driven(&distance, &self.metres, position.metres_since.as_f64(), crossed.distance);
        let hours = driven(&hours, &self.hours, position.hours_since, crossed.hours);
        let days = || all().map(|windows| windows.days);
        let on = |edge: fn(Window<i64>) -> i64| {
            let later = phases.iter().map(|phase| phase.from);
            let begins = std::iter::once(position.service_on).chain(later);
            Passage::On(days_edge(begins.zip(days().map(|window| plus(position.service_on, edge(window?))))))
        };
        let days =
            days().any(|window| window.is_some()).then(|| Edges { early: on(|it| it.early), late: on(|it| it.late) });
        let by_meter = [(Meter::Distance, metres), (Meter::Hours, hours), (Meter::Days, days)];
        by_meter.into_iter().filter_map(|(meter, edges)| Some((meter, edges?))).collect()
    }

    fn ways(&self, passages: &[(Meter, Edges)]) -> [Vec<Part>; 2] {
        let way = |passage: &Passage| match passage {
            Passage::Ahead(steps) => self.metres.parts(steps),
            Passage::On(_) => Vec::new(),
        };
        let distance = passages.iter().find(|(meter, _)| *meter == Meter::Distance);
        distance.map(|(_, edges)| [way(&edges.early), way(&edges.late)]).unwrap_or_default()
    }
}

/// The passage of an edge that lies at each of `edges` in turn, counted from the service.
fn passage(
    course: &Course,
    mut edges: impl Iterator<Item = Option<f64>> + Clone,
    since: f64,
    crossed: Option<NaiveDate>,
    as_of: NaiveDate,
) -> Passage {
    if let Some(day) = crossed {
        return Passage::On(Some(day));
    }
    let steps = course.steps(edges.clone().map(|edge| Some(edge? - since)));
    match edges.next() {
        Some(Some(edge)) if edge <= since => Passage::On(Some(as_of)),
        _ => Passage::Ahead(steps),
    }
}

/// The date of an edge in days that lies on each of these dates in turn, from a day on each.
fn days_edge(edges: impl Iterator<Item = (NaiveDate, Option<NaiveDate>)>) -> Option<NaiveDate> {
    edges.fold(None, |found: Option<NaiveDate>, (from, edge)| match found {
        Some(day) if day < from => Some(day),
        _ => edge.map(|day| day.max(from)),
    })
}

fn plus(day: NaiveDate, days: i64) -> Option<NaiveDate> {
    let by = Days::new(days.unsigned_abs());
    if days < 0 { day.checked_sub_days(by) } else { day.checked_add_days(by) }
}
