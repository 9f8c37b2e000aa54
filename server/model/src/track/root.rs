//! What is kept of a car's past, so that its later readings are judged without the earlier ones.

use chrono::{DateTime, Utc};

use super::chain::Stump;
use super::state::{Chain, key};
use super::{Judged, Limits, Track};
use crate::fleet::Reading;

/// A believed reading from which the chain goes on without the readings before it, and what is still of use of these.
///
/// ```
/// use chrono::{DateTime, Duration, Utc};
/// use ventmile_model::fleet::{Metres, Reading};
/// use ventmile_model::track::{Limits, Root, clean};
///
/// let start: DateTime<Utc> = "2026-01-01T06:00:00Z".parse()?;
/// let day = |number: i64| start + Duration::days(number);
/// let shows = |number: i64| Reading { at: day(number), odometer: Metres(300_000 * number), source: 1, ruling: None };
/// let readings: Vec<Reading> = (0..200).map(shows).collect();
/// let limits = Limits::default();
/// let root = Root::find(&readings, &limits, day(200), (day(90), day(100)), &[day(20)]).ok_or("no root")?;
/// assert_eq!(root.at(), day(100));
///
/// // Half a year of news, and only the readings after the root beside it.
/// let news: Vec<Reading> = (101..400).map(shows).collect();
/// let track = root.grown(&news, &limits, day(400)).ok_or("in doubt")?;
/// let whole = clean(&(0..400).map(shows).collect::<Vec<_>>(), &limits, day(400));
/// assert_eq!(track.last(), whole.last());
/// assert_eq!(track.travelled_at(day(20) + Duration::hours(1)), whole.travelled_at(day(20) + Duration::hours(1)));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Root {
    /// Believed readings up to and with it.
    believed: Vec<Judged>,
    stump: Stump,
}

impl Root {
    /// The last believed reading not after `by` that can be a root, as of `now`.
    ///
    /// Of the believed readings before it are kept: the first, all since `since`, and the last by and the first after each
    /// of the instants `events`. `None` where there is none after `since`: it stands alone at its instant, and the
    /// chain goes through it and the reading after it, however the readings before it are looked at.
    #[must_use]
    pub fn find(
        readings: &[Reading],
        limits: &Limits,
        now: DateTime<Utc>,
        (since, by): (DateTime<Utc>, DateTime<Utc>),
        events: &[DateTime<Utc>],
    ) -> Option<Self> {
        let mut chain = Chain::new(limits, now);
        chain.extend(readings, now);
        let judged = chain.track().judged;
        let stands_alone = |place: usize| {
            let at = |place: usize| judged.get(place).map(|judged| judged.reading.at);
            let before = place.checked_sub(1).and_then(at);
            before != at(place) && at(place + 1) != at(place)
        };
        let found = judged.iter().enumerate().rev().skip_while(|(_, judged)| judged.reading.at > by);
        let mut found = found.take_while(|(_, judged)| judged.reading.at > since);
        let (place, stump) = found.find_map(|(place, judged)| {
            let alone = judged.verdict.is_kept() && stands_alone(place);
            Some((place, chain.stump(place).filter(|_| alone)?))
        })?;
        Some(Self { believed: thinned(judged.get(..=place)?, since, events), stump })
    }

    /// The time of the reading.
    #[must_use]
    pub fn at(&self) -> DateTime<Utc> {
        self.believed.last().map_or(DateTime::<Utc>::MIN_UTC, |judged| judged.reading.at)
    }

    /// What [`clean`](super::clean) makes of all readings, from those after the root alone, which are `readings` in any order.
    ///
    /// Up to the root only the readings that [`Root::find`] kept are in it, so that it may be asked where the car was only
    /// since then, at its first reading, and at the events. After it all are as they would be, but for the reasons why
    /// some are set aside, which may also come of readings long before.
    ///
    /// `None` where the readings before the root may have a say in what is believed after it, or the chain has turned
    /// away from it; where there is no believed reading after it; and where it is ahead of the clock.
    #[must_use]
    pub fn grown(&self, readings: &[Reading], limits: &Limits, now: DateTime<Utc>) -> Option<Track> {
        let root = self.believed.last().filter(|root| root.reading.at <= now)?;
        let later = readings.iter().filter(|reading| reading.at > root.reading.at);
        let mut all: Vec<Reading> = std::iter::once(&root.reading).chain(later).copied().collect();
        all.sort_by_key(key);
        let track = Chain::grown_from(&self.stump, all, limits, now)?;
        let later = track.judged.into_iter().skip(1);
        let judged: Vec<Judged> = self.believed.iter().copied().chain(later).collect();
        let track = Track { judged, ..track };
        (track.last()?.reading.at > root.reading.at).then_some(track)
    }
}

/// Of the believed readings the first, those since `since` and those around `events`.
fn thinned(judged: &[Judged], since: DateTime<Utc>, events: &[DateTime<Utc>]) -> Vec<Judged> {
    let believed: Vec<&Judged> = judged.iter().filter(|judged| judged.verdict.is_kept()).collect();
    let after = |at: DateTime<Utc>| believed.partition_point(|judged| judged.reading.at <= at);
    let mut wanted: Vec<bool> = believed.iter().map(|judged| judged.reading.at >= since).collect();
    wanted.iter_mut().take(1).for_each(|wanted| *wanted = true);
    for event in events {
        let next = after(*event);
        wanted.iter_mut().take(next + 1).skip(next.saturating_sub(1)).for_each(|wanted| *wanted = true);
    }
    believed.into_iter().zip(wanted).filter(|(_, wanted)| *wanted).map(|(judged, _)| *judged).collect()
}
