//! The longest chain of readings that agree with each other.
//!
//! Two points agree when the later one is not below the earlier one and not further than the speed limit allows:
//! with `x = odometer` and `y = limit * time - odometer`, both in metres, neither may fall by more than the slack.
//! A chain in which each point is held against the highest `x` and `y` before it agrees pair by pair, so slack does
//! not add up from reading to reading.
//!
//! Longest path by dynamic programming in time order. The search for a predecessor goes back in time and stops as
//! soon as nothing earlier can do better, which on a mostly clean track is after a step or two; the worst case is
//! quadratic with a small constant.

use super::Limits;

/// A distinct pair of instant and odometer.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    /// Seconds since the first point.
    pub(super) seconds: f64,
    /// Metres.
    pub(super) odometer: f64,
    /// A person ruled that it stays.
    pub(super) pinned: bool,
}

/// One point of the chosen chain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Link {
    /// Which point.
    pub(super) point: usize,
    /// Whether a new count starts here.
    pub(super) jump: bool,
}

/// The limits in the chain's units.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bounds {
    /// Metres per second.
    pub(super) speed: f64,
    /// Metres.
    pub(super) slack: f64,
    cost: i64,
}

impl Bounds {
    pub(super) fn new(limits: &Limits) -> Self {
        Self {
            speed: limits.max_speed_kmh / 3.6,
            slack: limits.slack.as_f64(),
            cost: i64::try_from(limits.cluster_change_cost).unwrap_or(i64::MAX / 2),
        }
    }

    /// How far the car could have driven by a point's time beyond what its odometer shows.
    pub(super) fn reserve(&self, point: &Point) -> f64 {
        self.speed * point.seconds - point.odometer
    }
}

/// The highest odometer and reserve of one count so far.
#[derive(Clone, Copy, Debug)]
pub(super) struct Heights {
    pub(super) odometer: f64,
    pub(super) reserve: f64,
}

impl Heights {
    pub(super) fn of(point: &Point, bounds: &Bounds) -> Self {
        Self { odometer: point.odometer, reserve: bounds.reserve(point) }
    }

    pub(super) fn runs_back(&self, point: &Point, bounds: &Bounds) -> bool {
        point.odometer < self.odometer - bounds.slack
    }

    pub(super) fn too_fast(&self, point: &Point, bounds: &Bounds) -> bool {
        bounds.reserve(point) < self.reserve - bounds.slack
    }

    pub(super) fn allow(&self, point: &Point, bounds: &Bounds) -> bool {
        !self.runs_back(point, bounds) && !self.too_fast(point, bounds)
    }

    pub(super) fn with(&self, point: &Point, bounds: &Bounds) -> Self {
        Self { odometer: self.odometer.max(point.odometer), reserve: self.reserve.max(bounds.reserve(point)) }
    }
}

/// How good a chain is: more readings, then fewer cluster changes, then less strain.
#[derive(Clone, Copy, Debug)]
struct Rank {
    /// Readings kept less what cluster changes cost.
    score: i64,
    jumps: u32,
    /// Metres by which its steps deviate from the car's usual speed, summed.
    strain: f64,
}

impl Rank {
    const START: Self = Self { score: 1, jumps: 0, strain: 0.0 };

    fn beats(&self, other: &Self) -> bool {
        (self.score, other.jumps, other.strain) > (other.score, self.jumps, self.strain)
    }

    fn next(self, strain: f64) -> Self {
        Self { score: self.score.saturating_add(1), jumps: self.jumps, strain: self.strain + strain }
    }

    fn jump(self, cost: i64) -> Self {
        let score = self.score.saturating_add(1).saturating_sub(cost);
        Self { score, jumps: self.jumps.saturating_add(1), strain: self.strain }
    }
}

/// The best chain that ends at one point.
#[derive(Clone, Copy, Debug)]
struct Label {
    point: Point,
    rank: Rank,
    heights: Heights,
    from: Option<usize>,
    jump: bool,
}

/// The best chain that ends at a point or before it.
#[derive(Clone, Copy, Debug)]
struct Champion {
    rank: Rank,
    point: usize,
}

/// The chain that keeps the most of `points`, which are in time order, then odometer order.
pub(super) fn longest(points: &[Point], bounds: &Bounds) -> Vec<Link> {
    let search = Search { bounds, usual: usual_speed(points, bounds) };
    let mut labels: Vec<Label> = Vec::with_capacity(points.len());
    let mut champions: Vec<Champion> = Vec::with_capacity(points.len());
    let mut pinned = None;
    for (index, point) in points.iter().enumerate() {
        let label = search.label(&labels, &champions, pinned, point);
        let champion = Champion { rank: label.rank, point: index };
        champions.push(match champions.last() {
            Some(best) if !point.pinned && !label.rank.beats(&best.rank) => *best,
            _ => champion,
        });
        labels.push(label);
        if point.pinned {
            pinned = Some(index);
        }
    }
    trace(&labels, champions.last().map(|champion| champion.point))
}

fn trace(labels: &[Label], end: Option<usize>) -> Vec<Link> {
    let mut links = Vec::with_capacity(labels.len());
    let mut at = end;
    while let Some((point, label)) = at.and_then(|point| labels.get(point).map(|label| (point, label))) {
        links.push(Link { point, jump: label.jump });
        at = label.from;
    }
    links.reverse();
    links
}

struct Search<'a> {
    bounds: &'a Bounds,
    usual: f64,
}

impl Search<'_> {
    /// The best label of `point`; its predecessor may not lie before the last pinned point.
    fn label(&self, labels: &[Label], champions: &[Champion], pinned: Option<usize>, point: &Point) -> Label {
        let mut best = self.opening(champions, pinned, point);
        let floor = pinned.unwrap_or(0);
        let earlier = labels.iter().zip(champions).enumerate().skip(floor).rev();
        for (index, (label, champion)) in earlier {
            if !champion.rank.next(0.0).beats(&best.rank) {
                break;
            }
            if !label.rank.next(0.0).beats(&best.rank) || !label.heights.allow(point, self.bounds) {
                continue;
            }
            let rank = label.rank.next(self.strain(&label.point, point));
            if rank.beats(&best.rank) {
                let heights = label.heights.with(point, self.bounds);
                best = Label { point: *point, rank, heights, from: Some(index), jump: false };
            }
        }
        best
    }

    /// `point` as the first of its count: of the whole chain, or after a cluster change.
    fn opening(&self, champions: &[Champion], pinned: Option<usize>, point: &Point) -> Label {
        let heights = Heights::of(point, self.bounds);
        let start = Label { point: *point, rank: Rank::START, heights, from: None, jump: false };
        let Some(champion) = champions.last() else { return start };
        let rank = champion.rank.jump(self.bounds.cost);
        if pinned.is_none() && !rank.beats(&start.rank) {
            return start;
        }
        Label { point: *point, rank, heights, from: Some(champion.point), jump: true }
    }

    fn strain(&self, before: &Point, after: &Point) -> f64 {
        (after.odometer - before.odometer - self.usual * (after.seconds - before.seconds)).abs()
    }
}

const DAY: f64 = 86_400.0;

/// The car's usual speed in metres per second, nights and days off included: the median over pairs of points at
/// least a day apart, of those that agree with the limits.
pub(super) fn usual_speed(points: &[Point], bounds: &Bounds) -> f64 {
    let mut speeds = Vec::with_capacity(points.len());
    let mut later = points.iter();
    let mut next = later.next();
    for point in points {
        while next.is_some_and(|next| next.seconds - point.seconds < DAY) {
            next = later.next();
        }
        let Some(next) = next else { break };
        let speed = (next.odometer - point.odometer) / (next.seconds - point.seconds);
        if (0.0..=bounds.speed).contains(&speed) {
            speeds.push(speed);
        }
    }
    let middle = speeds.len() / 2;
    if speeds.is_empty() { 0.0 } else { *speeds.select_nth_unstable_by(middle, f64::total_cmp).1 }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::fleet::Metres;

    fn bounds(cost: usize) -> Bounds {
        Bounds::new(&Limits { slack: Metres(0), cluster_change_cost: cost, ..Limits::default() })
    }

    fn score(chosen: &[Link], cost: usize) -> i64 {
        chosen.len() as i64 - (cost * chosen.iter().filter(|link| link.jump).count()) as i64
    }

    /// The best score of all subsets: each step that breaks the limits is a cluster change.
    fn best(points: &[Point], bounds: &Bounds) -> i64 {
        let subset = |mask: u32| points.iter().enumerate().filter(move |(index, _)| mask & (1 << index) != 0);
        (0..1_u32 << points.len())
            .filter(|mask| points.iter().enumerate().all(|(index, point)| !point.pinned || mask & (1 << index) != 0))
            .map(|mask| {
                let chain: Vec<&Point> = subset(mask).map(|(_, point)| point).collect();
                let breaks =
                    chain.windows(2).filter(|pair| !Heights::of(pair[0], bounds).allow(pair[1], bounds)).count();
                chain.len() as i64 - bounds.cost * breaks as i64
            })
            .max()
            .unwrap_or(0)
    }

    proptest! {
        /// Without slack the search is exact: it finds what trying every subset finds.
        #[test]
        fn no_subset_is_better(
            rows in proptest::collection::vec((0_u32..48, 0_u32..12, prop::bool::weighted(0.1)), 0..10),
            cost in 0_usize..4,
        ) {
            let mut rows = rows;
            rows.sort_unstable();
            rows.dedup_by_key(|row| (row.0, row.1));
            let points: Vec<Point> = rows
                .into_iter()
                .map(|(hours, hundreds, pinned)| {
                    Point { seconds: f64::from(hours) * 3_600.0, odometer: f64::from(hundreds) * 100_000.0, pinned }
                })
                .collect();
            let bounds = bounds(cost);
            prop_assert_eq!(score(&longest(&points, &bounds), cost), best(&points, &bounds));
        }
    }

    #[test]
    fn the_usual_speed_is_a_median() {
        let point = |days: f64, km: f64| Point { seconds: days * DAY, odometer: km * 1_000.0, pinned: false };
        let points = [point(0.0, 0.0), point(1.0, 300.0), point(2.0, 90_000.0), point(3.0, 900.0), point(4.0, 1_200.0)];
        // Only the first and the last step agree with the limits, 300 km a day each.
        let speed = usual_speed(&points, &bounds(5));
        assert!((speed * DAY - 300_000.0).abs() < 1e-6);
        assert_eq!(usual_speed(&[], &bounds(5)), 0.0);
    }
}
