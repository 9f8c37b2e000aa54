//! Which odometer readings to believe.
//!
//! Readings lie: typing slips, kilometres for miles, a swapped instrument cluster, wrong clocks, doubles, late
//! arrivals. [`clean`] chooses the most trustworthy chain: the one that keeps the most trust while the odometer never
//! runs back and never goes faster than a car can. A change of the instrument cluster breaks both rules; it is
//! allowed where it keeps enough readings that would otherwise be lost. No reading is deleted: each ends kept or set
//! aside with a reason, and a person's ruling goes before all this.
//!
//! It does not look at who drives, at duty logs or at other cars, and it does not repair: a reading whose slip is
//! known is still left out, since the car's next reading says more.

mod bounds;
mod chain;
mod diagnose;
mod digits;
mod judge;
mod limits;
mod newest;
mod rate;
mod reason;
mod root;
mod sources;
mod state;
#[cfg(test)]
mod tests;

use chrono::{DateTime, Duration, NaiveDate, Utc};
use chrono_tz::Tz;
use rate::Rate;

use crate::fleet::{Metres, Reading, day_start};

pub use judge::clean;
pub use limits::{Limits, Trust};
pub use newest::Provisional;
pub use reason::Reason;
pub use root::Root;
pub use sources::{Suspicion, suspect_sources};
pub use state::Chain;

/// What became of a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Verdict {
    /// Believed.
    Kept,
    /// Believed, but said before: another reading has the same time and odometer, and counts for both.
    Double,
    /// Believed, and the first of a new count: the instrument cluster was changed before it.
    NewCluster,
    /// Not believed.
    SetAside(Reason),
}

impl Verdict {
    /// Whether the reading is believed.
    #[must_use]
    pub const fn is_kept(self) -> bool {
        !matches!(self, Self::SetAside(_))
    }
}

/// A reading with its verdict.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Judged {
    /// The reading as sent.
    pub reading: Reading,
    /// What became of it.
    pub verdict: Verdict,
    /// Distance since the first kept reading, continuous across cluster changes; `None` when set aside.
    pub travelled: Option<Metres>,
}

/// All readings of one car, judged.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Track {
    /// By time, then odometer. `travelled` never falls along it.
    pub judged: Vec<Judged>,
    /// The usual rate by the believed readings before the newest.
    usual: Option<Rate>,
}

/// Below this a car counts as having stood: moving it about the yard is not duty.
const STOOD: Metres = Metres(2_000);

impl Track {
    /// The kept readings in time order.
    pub fn kept(&self) -> impl Iterator<Item = &Judged> {
        self.judged.iter().filter(|judged| judged.verdict.is_kept())
    }

    /// The first kept reading.
    #[must_use]
    pub fn first(&self) -> Option<&Judged> {
        self.kept().next()
    }

    /// The last kept reading.
    #[must_use]
    pub fn last(&self) -> Option<&Judged> {
        self.judged.iter().rev().find(|judged| judged.verdict.is_kept())
    }

    /// Distance travelled at the instant `at`, linear between the kept readings around it.
    ///
    /// `None` before the first and after the last kept reading.
    #[must_use]
    pub fn travelled_at(&self, at: DateTime<Utc>) -> Option<Metres> {
        let (before, after) = self.around(at);
        let before = before?;
        let start = before.travelled?;
        if before.reading.at == at {
            return Some(start);
        }
        let after = after?;
        let share = ratio(at - before.reading.at, after.reading.at - before.reading.at);
        let gained = (after.travelled? - start).as_f64() * share;
        Some(start + Metres(gained.round() as i64))
    }

    /// The first instant at which `travelled` was reached, linear between kept readings.
    ///
    /// `None` when it is not reached yet, or lies before the first kept reading.
    #[must_use]
    pub fn reached(&self, travelled: Metres) -> Option<DateTime<Utc>> {
        let mut before: Option<(DateTime<Utc>, Metres)> = None;
        for judged in self.kept() {
            let (at, here) = (judged.reading.at, judged.travelled?);
            if here >= travelled {
                return match before {
                    None => (here == travelled).then_some(at),
                    Some((from, start)) => Some(from + scaled(at - from, travelled - start, here - start)),
                };
            }
            before = Some((at, here));
        }
        None
    }

    /// Whether the car stood still over the local days `from` to `to`, both included.
    ///
    /// `Some(true)` when the last kept reading before them and the first after them are less than 2 km of travel
    /// apart, `Some(false)` when they are more, `None` when there are no such two readings.
    #[must_use]
    pub fn stood_still(&self, from: NaiveDate, to: NaiveDate, zone: Tz) -> Option<bool> {
        let (before, _) = self.around(day_start(from, zone));
        let end = day_start(to.succ_opt()?, zone);
        let at = self.judged.partition_point(|judged| judged.reading.at < end);
        let after = self.judged.get(at..)?.iter().find(|judged| judged.verdict.is_kept());
        Some(after?.travelled? - before?.travelled? < STOOD)
    }

    /// The last kept reading at or before `at` and the first after it.
    fn around(&self, at: DateTime<Utc>) -> (Option<&Judged>, Option<&Judged>) {
        let (before, after) = self.judged.split_at(self.judged.partition_point(|judged| judged.reading.at <= at));
        (
            before.iter().rev().find(|judged| judged.verdict.is_kept()),
            after.iter().find(|judged| judged.verdict.is_kept()),
        )
    }
}

fn ratio(part: Duration, whole: Duration) -> f64 {
    part.num_milliseconds() as f64 / whole.num_milliseconds().max(1) as f64
}

fn scaled(span: Duration, part: Metres, whole: Metres) -> Duration {
    let share = part.as_f64() / whole.as_f64().max(1.0);
    Duration::milliseconds((span.num_milliseconds() as f64 * share).round() as i64)
}
