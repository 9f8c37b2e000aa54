//! One car's readings with the chain chosen so far, kept so that a new reading costs little.

use chrono::{DateTime, Utc};

use super::bounds::{Bounds, Point, seconds};
use super::chain::{Chains, Label, Stump};
use super::{Limits, Reason, Track, judge};
use crate::fleet::{Metres, Reading, Ruling};

/// One car's readings and which of them to believe, ready for the next reading.
///
/// [`Chain::insert`] of a reading that is not older than the others costs the same however many there are: the best
/// chain that ends at a reading depends only on what is older. A late one costs the readings after it. Whatever the
/// order, [`Chain::track`] is what [`clean`](super::clean) makes of all readings at once.
///
/// ```
/// use chrono::{DateTime, Duration, Utc};
/// use ventmile_model::fleet::{Metres, Reading};
/// use ventmile_model::track::{Chain, Limits, clean};
///
/// let start: DateTime<Utc> = "2026-01-01T06:00:00Z".parse()?;
/// let shows = |day: i64, odometer: i64| {
///     Reading { at: start + Duration::days(day), odometer: Metres(odometer), source: 1, ruling: None }
/// };
/// let now = start + Duration::days(2);
/// let mut chain = Chain::new(&Limits::default(), now);
/// chain.insert(shows(0, 1_000), now);
/// chain.insert(shows(1, 301_000), now);
/// assert_eq!(chain.travelled(), Some(Metres(300_000)));
/// assert_eq!(chain.track(), clean(&[shows(1, 301_000), shows(0, 1_000)], &Limits::default(), now));
/// # Ok::<(), chrono::ParseError>(())
/// ```
#[derive(Clone, Debug)]
pub struct Chain {
    limits: Limits,
    bounds: Bounds,
    /// The last instant that is not ahead of the clock.
    latest: DateTime<Utc>,
    /// In the order of [`key`].
    readings: Vec<Reading>,
    /// Where each of them went.
    places: Vec<Place>,
    chains: Chains,
}

/// Where a reading goes before the chain is chosen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Place {
    /// Left out of the choice.
    Aside(Reason),
    /// A point of its own, or another reading's.
    Point(usize),
}

impl Chain {
    /// No readings yet, as of `now`.
    #[must_use]
    pub fn new(limits: &Limits, now: DateTime<Utc>) -> Self {
        Self {
            bounds: Bounds::new(limits),
            latest: now.checked_add_signed(limits.ahead).unwrap_or(now),
            limits: limits.clone(),
            readings: Vec::new(),
            places: Vec::new(),
            chains: Chains::default(),
        }
    }

    /// The track of `readings`, the first of which is the point of `stump`, and all others later, in the order of [`key`]; `None`
    /// where it may be another one by readings before these.
    pub(super) fn grown_from(
        stump: &Stump,
        readings: Vec<Reading>,
        limits: &Limits,
        now: DateTime<Utc>,
    ) -> Option<Track> {
        let (places, chains) = (vec![Place::Point(0)], Chains::grown_from(stump));
        let mut chain = Self { readings, places, chains, ..Self::new(limits, now) };
        chain.choose();
        let grown = chain.chains.best().first() == Some(&0) && !chain.chains.is_in_doubt();
        grown.then(|| chain.track())
    }

    /// The believed reading at a place as a stump, where it can be one.
    pub(super) fn stump(&self, place: usize) -> Option<Stump> {
        match self.places.get(place)? {
            Place::Point(point) => self.chains.stump(*point),
            Place::Aside(_) => None,
        }
    }

    /// Takes a reading that has come in by `now`.
    ///
    /// Returns the time of the last believed reading up to which nothing has changed: believed readings up to and
    /// with it are believed still, at the same distance travelled, and no others are. `None` when all may have changed.
    pub fn insert(&mut self, reading: Reading, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let place = self.readings.partition_point(|other| key(other) <= key(&reading));
        let before = self.chains.end();
        let from = self.passed(now).min(place);
        let mut kept = self.truncate(from, before);
        self.readings.insert(place, reading);
        self.choose();
        let mut now = self.chains.end();
        while now != kept {
            if now > kept {
                now = self.label(now).and_then(|label| label.from);
            } else {
                kept = self.label(kept).and_then(|label| label.from);
            }
        }
        self.label(now).and_then(|label| self.readings.get(label.point.reading)).map(|reading| reading.at)
    }

    /// Takes all of `readings`, in any order, that have come in by `now`.
    pub fn extend(&mut self, readings: &[Reading], now: DateTime<Utc>) {
        let _ = self.passed(now);
        self.readings.extend_from_slice(readings);
        self.readings.sort_by_key(key);
        self.truncate(0, None);
        self.choose();
    }

    /// Moves the present to `now`: readings that were ahead of the clock may no longer be.
    pub fn advance(&mut self, now: DateTime<Utc>) {
        let from = self.passed(now);
        self.truncate(from, None);
        self.choose();
    }

    /// The last believed reading.
    #[must_use]
    pub fn last(&self) -> Option<Reading> {
        let label = self.label(self.chains.end())?;
        self.readings.get(label.point.reading).copied()
    }

    /// Distance between the first and the last believed reading, continuous across cluster changes.
    #[must_use]
    pub fn travelled(&self) -> Option<Metres> {
        self.label(self.chains.end()).map(|label| metres(label.count.travelled()))
    }

    /// Every reading with its verdict.
    #[must_use]
    pub fn track(&self) -> Track {
        judge::track(&self.readings, &self.places, &self.chains, &self.bounds)
    }

    fn label(&self, index: Option<usize>) -> Option<&Label> {
        index.and_then(|index| self.chains.get(index))
    }

    /// Moves the present; returns the first reading of which that may change whether it is ahead of the clock.
    fn passed(&mut self, now: DateTime<Utc>) -> usize {
        let latest = now.checked_add_signed(self.limits.ahead).unwrap_or(now);
        let least = latest.min(self.latest);
        if latest == self.latest {
            return self.readings.len();
        }
        self.latest = latest;
        self.readings.partition_point(|reading| reading.at <= least)
    }

    /// Undoes the choice from reading `from` on, and from the doubles before it. Of the chain that ends at `end` it
    /// returns the last point that is left.
    fn truncate(&mut self, from: usize, mut end: Option<usize>) -> Option<usize> {
        let from = self.group(from);
        let left = self.places.iter().take(from).rev().find_map(|place| match place {
            Place::Point(index) => Some(index + 1),
            Place::Aside(_) => None,
        });
        let left = left.unwrap_or(0);
        while end.is_some_and(|index| index >= left) {
            end = self.label(end).and_then(|label| label.from);
        }
        self.places.truncate(from);
        self.chains.truncate(left);
        end
    }

    /// The first reading at the instant of the one before `from`: from there on doubles may be joined.
    fn group(&self, from: usize) -> usize {
        let before = from.checked_sub(1).and_then(|before| self.readings.get(before));
        before.map_or(from, |before| self.readings.partition_point(|reading| reading.at < before.at))
    }

    /// Chooses afresh from the first reading without a place on.
    fn choose(&mut self) {
        let more = self.readings.len() - self.places.len();
        self.places.reserve(more);
        self.chains.reserve(more);
        let mut last: Option<(DateTime<Utc>, Metres)> = None;
        for (index, reading) in self.readings.iter().enumerate().skip(self.places.len()) {
            let place = match aside(reading, &self.limits, self.latest) {
                Some(reason) => Place::Aside(reason),
                None => {
                    let mut point = point(index, reading, &self.limits);
                    if last.replace((reading.at, reading.odometer)) == Some((reading.at, reading.odometer)) {
                        point = self.chains.pop().map_or(point, |double| joined(&double, &point));
                    }
                    self.chains.push(point, &self.bounds);
                    Place::Point(self.chains.len() - 1)
                }
            };
            self.places.push(place);
        }
    }
}

/// The order of readings: by time, odometer, source, ruling.
pub(super) fn key(reading: &Reading) -> (DateTime<Utc>, Metres, i64, u8) {
    let ruling = match reading.ruling {
        None => 0,
        Some(Ruling::Keep) => 1,
        Some(Ruling::SetAside) => 2,
    };
    (reading.at, reading.odometer, reading.source, ruling)
}

/// Why a reading has no part in the choice.
fn aside(reading: &Reading, limits: &Limits, latest: DateTime<Utc>) -> Option<Reason> {
    match reading.ruling {
        Some(Ruling::SetAside) => Some(Reason::Ruled),
        Some(Ruling::Keep) => None,
        None if reading.at > latest => Some(Reason::AheadOfClock),
        None => (weight(reading, limits) <= 0).then_some(Reason::Untrusted),
    }
}

/// What a reading counts, in millionths.
fn weight(reading: &Reading, limits: &Limits) -> i64 {
    let weight = limits.trust.weight(reading.source);
    if weight > 0.0 { ((weight * 1e6).round() as i64).max(1) } else { 0 }
}

fn point(index: usize, reading: &Reading, limits: &Limits) -> Point {
    Point {
        reading: index,
        seconds: seconds(reading.at.timestamp_millis()),
        odometer: reading.odometer.as_f64(),
        weight: weight(reading, limits),
        pinned: reading.ruling == Some(Ruling::Keep),
    }
}

/// Doubles count once, as much as the most trusted of them.
fn joined(one: &Point, other: &Point) -> Point {
    Point { weight: one.weight.max(other.weight), pinned: one.pinned || other.pinned, ..*one }
}

/// Whole metres.
pub(super) fn metres(metres: f64) -> Metres {
    Metres(metres.round() as i64)
}
