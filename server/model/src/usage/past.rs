//! A car's past, walked from its beginning or from where it was left.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;

use super::change::{Bend, Change, Count, Counted};
use super::days::{Covered, Day, Stand, Walk};
use super::{Plans, RoadDays};
use crate::duty::DutyDay;
use crate::track::{Judged, Track};

/// What a car's use is estimated from.
#[derive(Clone, Copy, Debug)]
pub struct Past<'a> {
    track: &'a Track,
    days: &'a BTreeMap<NaiveDate, DutyDay>,
    plans: Plans<'a>,
    zone: Tz,
    walked: Option<&'a Walked>,
}

/// What the believed readings of a car up to and with one of them, and the duty logs of the days before its day, have
/// left in memory. To go on from there takes only what came later: see [`Past::after`].
///
/// It holds counts and levels, and nothing of settings, of a depot's rates or of told paces, which may change any day.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Walked {
    stand: Stand,
    /// The changes before the day of its reading.
    bends: Vec<Bend>,
    metres: Count,
    hours: Count,
}

impl Walked {
    /// What a car's past has left by the believed reading of the instant `at`. A past that goes on from an earlier
    /// reading, or from this one, will do.
    ///
    /// `None` where no reading of that instant is believed, or several are.
    #[must_use]
    pub fn by(past: &Past<'_>, at: DateTime<Utc>) -> Option<Self> {
        let Gone { stand, metres, hours, .. } = past.walk(Some(at));
        let stand = stand.filter(|stand| stand.at() == at)?;
        let bends = bends(past.plans.changes, stand.day()).collect();
        Some(Self { stand, bends, metres: metres.count(), hours: hours.count() })
    }

    /// The instant of its reading.
    #[must_use]
    pub const fn at(&self) -> DateTime<Utc> {
        self.stand.at()
    }

    /// The day of its reading, by clocks as they stood at the car's first reading. Duty days are looked at from this one
    /// on.
    #[must_use]
    pub const fn day(&self) -> NaiveDate {
        self.stand.day()
    }
}

impl<'a> Past<'a> {
    /// All that is known of a car, from its beginning; `zone` is that of its depot.
    #[must_use]
    pub const fn new(track: &'a Track, days: &'a BTreeMap<NaiveDate, DutyDay>, plans: Plans<'a>, zone: Tz) -> Self {
        Self { track, days, plans, zone, walked: None }
    }

    /// The past that goes on from where a walk over the whole of it once stood.
    ///
    /// The track need then hold only the readings from [`Walked::at`] on, travelled as from the car's first one, and
    /// `days` only those from [`Walked::day`] on, each from all of its logs; what they hold of earlier ones is not looked
    /// at. The plans are told in full.
    ///
    /// Taken for granted is that nothing before is other than it was then: no reading earlier than that instant, no log
    /// that falls on a duty day before that day, no stretch off the road up to and with it, and not the zone. `None`
    /// where anything else shows that the whole past may not lead there any more, and has to be walked again: the
    /// reading is no longer believed, not alone at its instant, or not as far on; other changes are told of the days
    /// before its day; or the duty logs say another thing of that day than they did (that the car was driven, that it
    /// stood, or nothing; how many hours is of no matter), as when logs come in where there were no more.
    #[must_use]
    pub fn after(self, walked: &'a Walked) -> Option<Self> {
        let same_bends = || bends(self.plans.changes, walked.day()).eq(walked.bends.iter().copied());
        let leads_there = walked.stand.holds(self.track, self.days) && same_bends();
        leads_there.then_some(Self { walked: Some(walked), ..self })
    }

    /// Counts its days, up to and with the believed reading of the instant `until`, or all.
    pub(super) fn walk(&self, until: Option<DateTime<Utc>>) -> Gone<'a> {
        let road = RoadDays::new(self.plans.off_road);
        let (metres, hours) =
            self.walked.map(|walked| (walked.metres.clone(), walked.hours.clone())).unwrap_or_default();
        let mut metres = Counted::new(metres, self.plans.changes);
        let mut hours = Counted::new(hours, self.plans.changes);
        let each = |day: &Day| {
            metres.step(&day.metres());
            if let Some(brought) = day.hours() {
                hours.step(&brought);
            }
        };
        let mut walk = match self.walked {
            Some(walked) => Walk::from(&walked.stand, self.days, &road, self.zone, each),
            None => Walk::new(self.track, self.days, &road, self.zone, each),
        };
        let ahead = self.ahead().take_while(|judged| until.is_none_or(|until| judged.reading.at <= until));
        ahead.for_each(|judged| walk.reach(judged));
        let stand = until.and_then(|_| walk.stand(self.track, self.days));
        Gone { covered: walk.covered(), stand, metres, hours }
    }

    /// The kept readings still to be walked to.
    fn ahead(&self) -> impl Iterator<Item = &'a Judged> {
        let judged = &self.track.judged;
        let behind = self.walked.map_or(0, |walked| judged.partition_point(|judged| judged.reading.at <= walked.at()));
        judged.iter().skip(behind).filter(|judged| judged.verdict.is_kept())
    }
}

/// A past that was walked.
pub(super) struct Gone<'a> {
    pub(super) covered: Covered,
    /// Where it came to a halt.
    stand: Option<Stand>,
    pub(super) metres: Counted<'a>,
    pub(super) hours: Counted<'a>,
}

/// What of the changes before `day` shapes what was counted by then.
fn bends(changes: &[Change], day: NaiveDate) -> impl Iterator<Item = Bend> {
    changes.iter().take_while(move |change| change.on < day).map(Change::bend)
}
