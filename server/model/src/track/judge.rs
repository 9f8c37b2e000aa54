//! From the chosen chain to a verdict per reading.

use chrono::{DateTime, Utc};

use super::chain::{Bounds, Heights, Link, Point, longest, usual_speed};
use super::{Judged, Limits, Reason, Track, Verdict};
use crate::fleet::{Metres, Reading, Ruling};

/// Judges `readings`, which may come in any order, as of `now`.
///
/// The chosen chain keeps the most readings under the limits; a cluster change costs
/// [`Limits::cluster_change_cost`] of them. Doubles count once. Of equally long chains the one with fewer cluster
/// changes wins, then the one whose steps deviate least from the car's usual speed. A reading ruled to be kept is in
/// the chain whatever it costs; one ruled aside is not. The order of arrival does not matter.
#[must_use]
pub fn clean(readings: &[Reading], limits: &Limits, now: DateTime<Utc>) -> Track {
    let mut readings = readings.to_vec();
    readings.sort_by_key(|reading| (reading.at, reading.odometer, reading.source, reading.ruling.map(order)));
    let first = readings.iter().map(|reading| reading.at).next().unwrap_or(now);
    let bounds = Bounds::new(limits);
    let (points, places) = distinct(&readings, limits, now, first);
    let chain = without_excursions(&points, &bounds);
    let findings = findings(&points, &chain, &bounds);
    let mut started = None;
    let judged = readings.iter().zip(places).map(|(reading, place)| {
        let (verdict, travelled) = match place {
            Place::Aside(reason) => (Verdict::SetAside(reason), None),
            Place::Point(point) => match findings.get(point) {
                Some(Finding::Kept { jump, travelled }) => {
                    let opens = *jump && started.replace(point) != Some(point);
                    (if opens { Verdict::NewCluster } else { Verdict::Kept }, Some(*travelled))
                }
                Some(Finding::Aside(reason)) => (Verdict::SetAside(*reason), None),
                None => (Verdict::SetAside(Reason::TooFast), None),
            },
        };
        Judged { reading: *reading, verdict, travelled }
    });
    Track { judged: judged.collect() }
}

const fn order(ruling: Ruling) -> u8 {
    match ruling {
        Ruling::Keep => 0,
        Ruling::SetAside => 1,
    }
}

/// Where a reading goes before the chain is chosen.
enum Place {
    Aside(Reason),
    Point(usize),
}

/// The distinct points of the readings that may be kept, and each reading's place.
fn distinct(
    readings: &[Reading],
    limits: &Limits,
    now: DateTime<Utc>,
    first: DateTime<Utc>,
) -> (Vec<Point>, Vec<Place>) {
    let mut points: Vec<Point> = Vec::with_capacity(readings.len());
    let mut last: Option<(DateTime<Utc>, Metres)> = None;
    let latest = now.checked_add_signed(limits.ahead).unwrap_or(now);
    let places = readings.iter().map(|reading| {
        let pinned = reading.ruling == Some(Ruling::Keep);
        if reading.ruling == Some(Ruling::SetAside) {
            return Place::Aside(Reason::Ruled);
        }
        if reading.at > latest && !pinned {
            return Place::Aside(Reason::AheadOfClock);
        }
        if last.replace((reading.at, reading.odometer)) != Some((reading.at, reading.odometer)) {
            let seconds = (reading.at - first).num_milliseconds() as f64 / 1_000.0;
            points.push(Point { seconds, odometer: reading.odometer.as_f64(), pinned: false });
        }
        if let Some(point) = points.last_mut() {
            point.pinned |= pinned;
        }
        Place::Point(points.len() - 1)
    });
    let places = places.collect();
    (points, places)
}

/// The longest chain, without counts that are left and then taken up again.
///
/// Two cluster changes can be the cheapest reading of a source that sent kilometres for miles, or another car's
/// odometer, for a week. Where a count goes on after such an excursion about as the car's usual speed foretells, the
/// cluster was never changed and the excursion is set aside.
fn without_excursions(points: &[Point], bounds: &Bounds) -> Vec<Link> {
    let usual = usual_speed(points, bounds);
    let mut alive: Vec<usize> = (0..points.len()).collect();
    loop {
        let candidates: Vec<Point> = alive.iter().filter_map(|point| points.get(*point).copied()).collect();
        let chain = longest(&candidates, bounds);
        let Some(excursion) = excursion(&candidates, &chain, bounds, usual) else {
            return chain
                .iter()
                .filter_map(|link| alive.get(link.point).map(|point| Link { point: *point, jump: link.jump }))
                .collect();
        };
        let mut position = 0;
        alive.retain(|_| {
            position += 1;
            !excursion.contains(&(position - 1))
        });
    }
}

/// The links of the first count that the next one but one leaves behind.
fn excursion(points: &[Point], chain: &[Link], bounds: &Bounds, usual: f64) -> Option<Vec<usize>> {
    let counts: Vec<&[Link]> = chain.chunk_by(|_, after| !after.jump).collect();
    counts.windows(3).find_map(|counts| {
        let [before, between, after] = counts else { return None };
        let (left, resumed) = (points.get(before.last()?.point)?, points.get(after.first()?.point)?);
        let pinned = between.iter().any(|link| points.get(link.point).is_some_and(|point| point.pinned));
        let expected = usual * (resumed.seconds - left.seconds);
        let driven = resumed.odometer - left.odometer;
        let resumes = driven >= expected / 3.0 - bounds.slack && driven <= expected * 3.0 + bounds.slack;
        let agrees = Heights::of(left, bounds).allow(resumed, bounds);
        (!pinned && agrees && resumes && between.len() < before.len())
            .then(|| between.iter().map(|link| link.point).collect())
    })
}

/// What became of a point.
#[derive(Clone, Copy)]
enum Finding {
    Kept { jump: bool, travelled: Metres },
    Aside(Reason),
}

fn findings(points: &[Point], chain: &[Link], bounds: &Bounds) -> Vec<Finding> {
    let mut links = chain.iter().peekable();
    let mut count: Option<Count> = None;
    let mut findings = Vec::with_capacity(points.len());
    for (index, point) in points.iter().enumerate() {
        let finding = match links.next_if(|link| link.point == index) {
            Some(link) => {
                let now = match &count {
                    None => Count::first(point, bounds),
                    Some(count) if link.jump => count.changed(point, bounds),
                    Some(count) => count.goes_on(point, bounds),
                };
                count = Some(now);
                Finding::Kept { jump: link.jump, travelled: now.travelled() }
            }
            None => {
                let after = links.peek().and_then(|link| points.get(link.point));
                Finding::Aside(reason(point, count.as_ref(), after, bounds))
            }
        };
        findings.push(finding);
    }
    findings
}

fn reason(point: &Point, before: Option<&Count>, after: Option<&Point>, bounds: &Bounds) -> Reason {
    if let Some(count) = before {
        if count.heights.runs_back(point, bounds) {
            return Reason::RunsBack;
        }
        if count.heights.too_fast(point, bounds) {
            return Reason::TooFast;
        }
    }
    match after {
        Some(after) if Heights::of(point, bounds).runs_back(after, bounds) => Reason::RunsBack,
        _ => Reason::TooFast,
    }
}

/// One count of the odometer, from a cluster change to the next.
#[derive(Clone, Copy)]
struct Count {
    heights: Heights,
    /// Odometer at the count's first reading.
    origin: f64,
    /// Distance travelled by then.
    base: f64,
    /// The last point's time and odometer.
    last: Point,
}

impl Count {
    fn first(point: &Point, bounds: &Bounds) -> Self {
        Self { heights: Heights::of(point, bounds), origin: point.odometer, base: 0.0, last: *point }
    }

    fn goes_on(&self, point: &Point, bounds: &Bounds) -> Self {
        Self { heights: self.heights.with(point, bounds), last: *point, ..*self }
    }

    /// A new count. What was driven since the last reading of the old one is known only when the new cluster began
    /// at zero; then it is what the new one shows.
    fn changed(&self, point: &Point, bounds: &Bounds) -> Self {
        let drivable = bounds.speed * (point.seconds - self.last.seconds) + bounds.slack;
        let from_zero = point.odometer < self.last.odometer && point.odometer <= drivable;
        let driven = if from_zero { point.odometer } else { 0.0 };
        let base = self.base + self.heights.odometer - self.origin + driven;
        Self { base, ..Self::first(point, bounds) }
    }

    /// A reading a little below the one before it, within the slack, has not travelled back.
    fn travelled(&self) -> Metres {
        Metres((self.base + self.heights.odometer - self.origin).round() as i64)
    }
}
