//! The most trustworthy chain of readings that agree with each other.
//!
//! Two points agree when the later one is not below the earlier one and not further than the speed limit allows:
//! with `x = odometer` and `y = limit * time - odometer`, both in metres, neither may fall by more than the slack.
//! A chain in which each point is held against the highest `x` and `y` before it agrees pair by pair, so slack does
//! not add up from reading to reading.
//!
//! The chain's score is the trust of its readings less the cost of unusual steps and of cluster changes. Longest path
//! by dynamic programming in time order: the best chain that ends at a point depends only on the points before it, so
//! points are appended at the end and taken off it without touching the rest. The search for a predecessor goes back
//! in time and stops as soon as nothing earlier can do better, which on a mostly clean track is after a step or two,
//! and in any case after [`LOOK_BACK`] points: linear in the number of points.
//!
//! A chain can also grow from a [`Stump`]: one point of an earlier chain, without the points before it. Where the search
//! would have gone on beyond it, what it could have found there is bounded by the best chain that ended there: the point
//! is given that as its [`Label::hope`]. As long as no hope outdoes what was found, all points before the stump would
//! have changed nothing; else [`Chains::is_in_doubt`].

use super::bounds::{Bounds, ONE, Point};
use super::rate::{DAY, Rate};

/// How many points back a predecessor is searched at most.
const LOOK_BACK: usize = 1_000;
/// How many cluster changes back an abandoned count may be taken up again.
const RETURNS: usize = 3;
/// What it costs to take one up, in millionths of a reading: two readings bring the track back.
const RETURN: i64 = ONE;

/// The highest odometer and reserve of one count so far.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
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

    fn with(&self, point: &Point, bounds: &Bounds) -> Self {
        Self { odometer: self.odometer.max(point.odometer), reserve: self.reserve.max(bounds.reserve(point)) }
    }
}

/// How good a chain is: its score, then fewer cluster changes, then less strain.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
struct Rank {
    /// Trust of the readings kept less the cost of steps and cluster changes, in millionths of a reading.
    score: i64,
    jumps: u32,
    /// Squared deviations of its steps from the car's usual rate, summed.
    strain: f64,
}

impl Rank {
    const fn start(weight: i64) -> Self {
        Self { score: weight, jumps: 0, strain: 0.0 }
    }

    fn beats(&self, other: &Self) -> bool {
        (self.score, other.jumps, other.strain) > (other.score, self.jumps, self.strain)
    }

    fn next(self, gain: i64, strain: f64) -> Self {
        Self { score: self.score.saturating_add(gain), jumps: self.jumps, strain: self.strain + strain }
    }

    fn jump(self, gain: i64) -> Self {
        Self { score: self.score.saturating_add(gain), jumps: self.jumps.saturating_add(1), strain: self.strain }
    }
}

/// One count of the odometer, from a cluster change to the next.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Count {
    pub(super) heights: Heights,
    /// Odometer at the count's first reading.
    origin: f64,
    /// Distance travelled by then.
    base: f64,
    /// Its first point.
    first: usize,
    /// How many points it has.
    size: usize,
    /// Whether one of them is pinned.
    pinned: bool,
}

impl Count {
    fn first(index: usize, point: &Point, bounds: &Bounds) -> Self {
        let heights = Heights::of(point, bounds);
        Self { heights, origin: point.odometer, base: 0.0, first: index, size: 1, pinned: point.pinned }
    }

    fn goes_on(&self, point: &Point, bounds: &Bounds) -> Self {
        let heights = self.heights.with(point, bounds);
        Self { heights, size: self.size + 1, pinned: self.pinned || point.pinned, ..*self }
    }

    /// A new count. What was driven since the last reading of the old one is known only when the new cluster began
    /// at zero; then it is what the new one shows.
    fn changed(&self, last: &Point, index: usize, point: &Point, bounds: &Bounds) -> Self {
        let drivable = bounds.speed * (point.seconds - last.seconds) + bounds.slack;
        let from_zero = point.odometer < last.odometer && point.odometer <= drivable;
        let driven = if from_zero { point.odometer } else { 0.0 };
        Self { base: self.travelled() + driven, ..Self::first(index, point, bounds) }
    }

    /// Distance since the chain's first point, metres. A reading a little below the one before it, within the slack,
    /// has not travelled back.
    pub(super) fn travelled(&self) -> f64 {
        self.base + self.heights.odometer - self.origin
    }
}

/// The best chain that ends at one point.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Label {
    pub(super) point: Point,
    pub(super) count: Count,
    pub(super) rate: Rate,
    /// Whether a new count starts here.
    pub(super) jump: bool,
    /// The point before it in the chain.
    pub(super) from: Option<usize>,
    /// Its place among the labels.
    pub(super) index: usize,
    rank: Rank,
    /// The best chain that ends here or before: its rank and its last point.
    champion: (Rank, usize),
    /// The last pinned point here or before.
    pinned: Option<usize>,
    /// A better rank that it may have by a way beyond the stump: never more than this.
    hope: Option<Rank>,
}

/// How a point is reached.
#[derive(Clone, Copy)]
enum Entry {
    Start,
    Jump(usize),
    Step(usize),
}

/// An earlier count that a point may take up again.
enum Back {
    /// There is none.
    None,
    /// The one that ended at this point.
    To(usize),
    /// There may be one beyond the stump.
    Beyond,
}

/// The best way to reach a point.
#[derive(Clone, Copy)]
struct Best {
    rank: Rank,
    entry: Entry,
    hope: Option<Rank>,
}

impl Best {
    fn new(rank: Rank, entry: Entry) -> Self {
        Self { rank, entry, hope: None }
    }

    /// Hopes for `rank` unless something better was found.
    fn hoping(self, rank: Rank) -> Self {
        let vain = self.rank.beats(&rank) || self.hope.is_some_and(|hope| hope.beats(&rank));
        if vain { self } else { Self { hope: Some(rank), ..self } }
    }

    /// What is left of the hopes once all has been looked at.
    fn settled(self) -> Self {
        Self { hope: self.hope.filter(|hope| !self.rank.beats(hope)), ..self }
    }
}

/// A point of a chain from which it can grow on without the points before.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Stump {
    label: Label,
    /// The best rank before it, where a later point may be reached past it.
    before: Option<Rank>,
}

/// The best chains that end at each point, which are in the order of time, then odometer.
#[derive(Clone, Debug, Default)]
pub(super) struct Chains {
    labels: Vec<Label>,
    /// The best rank before the first of them.
    before: Option<Rank>,
    in_doubt: bool,
}

impl Chains {
    /// The point number `index` as a stump; `None` where the best chain may yet leave it out.
    pub(super) fn stump(&self, index: usize) -> Option<Stump> {
        let (label, next) = (self.labels.get(index)?, self.labels.get(index + 1)?);
        let on_the_way = label.champion.1 == index && next.champion.1 == index + 1 && next.from == Some(index);
        if !on_the_way || label.hope.is_some() || next.hope.is_some() {
            return None;
        }
        let before = index.checked_sub(1).and_then(|before| self.labels.get(before));
        // Of the count it is in: whether a later point may take up the one left for it.
        let jump = self.labels.get(label.count.first).is_some_and(|first| first.jump && !label.count.pinned);
        let point = Point { reading: 0, ..label.point };
        let root = Label {
            point,
            count: Count { first: 0, ..label.count },
            jump,
            from: None,
            index: 0,
            champion: (label.champion.0, 0),
            pinned: label.pinned.map(|_| 0),
            ..*label
        };
        Some(Stump { label: root, before: before.filter(|_| !point.pinned).map(|before| before.champion.0) })
    }

    /// The chains that grow from a stump, which is their point number 0.
    pub(super) fn grown_from(stump: &Stump) -> Self {
        Self { labels: vec![stump.label], before: stump.before, in_doubt: false }
    }

    /// Whether points before the stump may have changed what was found.
    pub(super) fn is_in_doubt(&self) -> bool {
        self.in_doubt
    }

    /// The last point of the best chain.
    pub(super) fn end(&self) -> Option<usize> {
        self.labels.last().map(|label| label.champion.1)
    }

    pub(super) fn get(&self, index: usize) -> Option<&Label> {
        self.labels.get(index)
    }

    pub(super) fn truncate(&mut self, count: usize) {
        self.labels.truncate(count);
    }

    pub(super) fn reserve(&mut self, more: usize) {
        self.labels.reserve(more);
    }

    pub(super) fn len(&self) -> usize {
        self.labels.len()
    }

    /// The points of the best chain, in order.
    pub(super) fn best(&self) -> Vec<usize> {
        let mut points = Vec::with_capacity(self.labels.len());
        let mut at = self.end();
        while let Some((point, label)) = at.and_then(|point| Some((point, self.labels.get(point)?))) {
            points.push(point);
            at = label.from;
        }
        points.reverse();
        points
    }

    /// Takes off the last point.
    pub(super) fn pop(&mut self) -> Option<Point> {
        self.labels.pop().map(|label| label.point)
    }

    /// Appends a point, which is not before the last one.
    pub(super) fn push(&mut self, point: Point, bounds: &Bounds) {
        let best = self.entry(&point, bounds);
        let label = self.label(point, &best, bounds);
        let outdone = |hope: &Rank| point.pinned || !label.champion.0.beats(hope);
        self.in_doubt |= label.hope.as_ref().is_some_and(outdone);
        self.labels.push(label);
    }

    fn label(&self, point: Point, best: &Best, bounds: &Bounds) -> Label {
        let Best { rank, entry, hope } = *best;
        let index = self.labels.len();
        let (at, odometer) = (point.seconds, point.odometer);
        let (count, rate, from) = match entry {
            Entry::Jump(from) => self.labels.get(from).map(|before| {
                (before.count.changed(&before.point, index, &point, bounds), before.rate.restarted(at, odometer), from)
            }),
            Entry::Step(from) => self
                .labels
                .get(from)
                .map(|before| (before.count.goes_on(&point, bounds), before.rate.after(at, odometer), from)),
            Entry::Start => None,
        }
        .map_or_else(
            || (Count::first(index, &point, bounds), Rate::new(at, odometer), None),
            |(count, rate, from)| (count, rate, Some(from)),
        );
        let last = self.labels.last();
        let champion = match last {
            Some(last) if !point.pinned && !rank.beats(&last.champion.0) => last.champion,
            _ => (rank, index),
        };
        let pinned = if point.pinned { Some(index) } else { last.and_then(|last| last.pinned) };
        let jump = matches!(entry, Entry::Jump(_));
        Label { point, count, rate, jump, from, index, rank, champion, pinned, hope }
    }

    /// The best way to reach `point`; it may not pass over the last pinned point.
    ///
    /// First from the best chain so far, which is nearly always right, so that what costs more is seldom looked at.
    fn entry(&self, point: &Point, bounds: &Bounds) -> Best {
        let start = Best::new(Rank::start(point.weight), Entry::Start);
        let Some(last) = self.labels.last() else { return start };
        let (champion, end) = last.champion;
        let next = self.labels.get(end).and_then(|label| step(end, label, point, &start.rank, bounds));
        let mut best = next.unwrap_or(start);
        let change = champion.jump(point.weight.saturating_sub(bounds.least_change()));
        if change.beats(&best.rank) || last.pinned.is_some() {
            best = self.opening(last, point, best, bounds);
        }
        let floor = last.pinned.unwrap_or(0);
        for (index, label) in self.labels.iter().enumerate().skip(floor).rev().take(LOOK_BACK) {
            if !label.champion.0.next(point.weight, 0.0).beats(&best.rank) {
                return best.settled();
            }
            let hope = label.hope.map(|hope| hope.next(point.weight, 0.0));
            let next = step(index, label, point, &best.rank, bounds);
            best = next.map_or(best, |next| Best { hope: best.hope, ..next });
            best = hope.map_or(best, |hope| best.hoping(hope));
        }
        let beyond = self.before.filter(|_| floor == 0 && self.labels.len() < LOOK_BACK);
        beyond.map_or(best, |before| best.hoping(before.next(point.weight, 0.0))).settled()
    }

    /// `point` as the first of its count after a cluster change, or as the one that takes up an old count, if that is
    /// better than `best`; also if not, where the chain must not start afresh since it has pinned points.
    fn opening(&self, last: &Label, point: &Point, best: Best, bounds: &Bounds) -> Best {
        let champion = last.champion.1;
        let Some(before) = self.labels.get(champion) else { return best };
        let back = if bounds.usual { self.left_behind(before, point, bounds) } else { Back::None };
        let returned = before.rank.jump(point.weight.saturating_sub(RETURN));
        let (rank, entry) = match back {
            Back::To(left) => (returned, Entry::Step(left)),
            Back::None | Back::Beyond => {
                let cost = bounds.change(&before.point, &before.rate, point);
                (before.rank.jump(point.weight.saturating_sub(cost)), Entry::Jump(champion))
            }
        };
        let forced = last.pinned.is_some() && matches!(best.entry, Entry::Start);
        let hope = if rank.beats(&returned) { rank } else { returned };
        let best = if forced || rank.beats(&best.rank) { Best { rank, entry, ..best } } else { best };
        if matches!(back, Back::Beyond) { best.hoping(hope) } else { best }
    }

    /// The end of an earlier count of `label`'s chain that `point` takes up again.
    ///
    /// Two cluster changes can be the cheapest account of a source that sent another car's odometer for a week. Where
    /// a count goes on after such an excursion about as the car's usual rate foretells, and is longer than the
    /// excursion, the cluster was never changed and the excursion is set aside.
    fn left_behind(&self, label: &Label, point: &Point, bounds: &Bounds) -> Back {
        let (mut count, mut away) = (label.count, 0);
        for _ in 0..RETURNS {
            let first = self.labels.get(count.first).filter(|first| first.jump && !count.pinned);
            let Some(first) = first else { return Back::None };
            let Some((index, left)) = first.from.and_then(|index| Some((index, self.labels.get(index)?))) else {
                return Back::Beyond;
            };
            away += count.size;
            if away < left.count.size && resumes(left, point, bounds) {
                return Back::To(index);
            }
            count = left.count;
        }
        Back::None
    }
}

/// `point` after the chain that ends at `label`, which is number `index`, if that is allowed and better than `best`.
fn step(index: usize, label: &Label, point: &Point, best: &Rank, bounds: &Bounds) -> Option<Best> {
    if !label.rank.next(point.weight, 0.0).beats(best) || !label.count.heights.allow(point, bounds) {
        return None;
    }
    let step = bounds.step(&label.point, &label.rate, point);
    let rank = label.rank.next(point.weight - step.cost, step.strain);
    rank.beats(best).then_some(Best::new(rank, Entry::Step(index)))
}

/// Whether `point` lies about where the car would be had it gone on as usual since `left`: within a factor of three.
fn resumes(left: &Label, point: &Point, bounds: &Bounds) -> bool {
    let expected = left.rate.expected((point.seconds - left.point.seconds) / DAY);
    let driven = point.odometer - left.point.odometer;
    left.count.heights.allow(point, bounds)
        && driven >= expected / 3.0 - bounds.slack
        && driven <= expected * 3.0 + bounds.slack
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::Limits;
    use super::*;
    use crate::fleet::Metres;

    const COST: usize = 3;

    fn bounds(cost: usize) -> Bounds {
        Bounds::hard(&Limits { slack: Metres(0), cluster_change_cost: cost, ..Limits::default() })
    }

    /// The score of the chain that the search finds, counted afresh.
    fn found(points: &[Point], bounds: &Bounds, cost: usize) -> i64 {
        let mut chains = Chains::default();
        points.iter().for_each(|point| chains.push(*point, bounds));
        let worth = |index: usize| {
            let label = chains.get(index).unwrap();
            label.point.weight - if label.jump { cost as i64 * ONE } else { 0 }
        };
        chains.best().into_iter().map(worth).sum()
    }

    /// The best score of all subsets: each step that breaks the limits is a cluster change.
    fn best(points: &[Point], bounds: &Bounds, cost: usize) -> i64 {
        let subset = |mask: u32| points.iter().enumerate().filter(move |(index, _)| mask & (1 << index) != 0);
        (0..1_u32 << points.len())
            .filter(|mask| points.iter().enumerate().all(|(index, point)| !point.pinned || mask & (1 << index) != 0))
            .map(|mask| {
                let chain: Vec<&Point> = subset(mask).map(|(_, point)| point).collect();
                let breaks =
                    chain.windows(2).filter(|pair| !Heights::of(pair[0], bounds).allow(pair[1], bounds)).count();
                chain.iter().map(|point| point.weight).sum::<i64>() - ONE * (cost * breaks) as i64
            })
            .max()
            .unwrap_or(0)
    }

    fn any_points() -> impl Strategy<Value = Vec<Point>> {
        let row = (0_u32..48, 0_u32..12, prop::bool::weighted(0.1), 1_i64..5);
        proptest::collection::vec(row, 0..10).prop_map(|mut rows| {
            rows.sort_unstable();
            rows.dedup_by_key(|row| (row.0, row.1));
            let point = |(reading, (hours, hundreds, pinned, halves)): (usize, (u32, u32, bool, i64))| Point {
                reading,
                seconds: f64::from(hours) * 3_600.0,
                odometer: f64::from(hundreds) * 100_000.0,
                weight: halves * ONE / 2,
                pinned,
            };
            rows.into_iter().enumerate().map(point).collect()
        })
    }

    proptest! {
        /// Without slack and the costs of unusual steps the search is exact: it finds what trying every subset finds.
        #[test]
        fn no_subset_is_better(points in any_points(), cost in 0..=COST) {
            let bounds = bounds(cost);
            prop_assert_eq!(found(&points, &bounds, cost), best(&points, &bounds, cost));
        }
    }
}
