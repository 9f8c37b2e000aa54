//! From the chosen chain to a verdict per reading.

use chrono::{DateTime, Utc};

use super::bounds::{Bounds, Point, seconds};
use super::chain::{Chains, Heights, Label};
use super::diagnose::Believed;
use super::state::{Chain, Place, metres};
use super::{Judged, Limits, Reason, Track, Verdict};
use crate::fleet::Reading;

/// Judges `readings`, which may come in any order, as of `now`.
///
/// The chosen chain keeps the most trust under the limits: each reading counts as its source is trusted, a cluster
/// change costs [`Limits::cluster_change_cost`] readings (many more where the new count lies just where a wrong unit
/// would place it), and a step far from the car's usual rate costs nearly one. Doubles count once. Of chains equally
/// good the one with fewer cluster changes wins, then the one whose steps deviate least from the car's usual rate. A
/// reading ruled to be kept is in the chain whatever it costs; one ruled aside is not, nor is one whose source is not
/// trusted at all. The order of arrival does not matter.
#[must_use]
pub fn clean(readings: &[Reading], limits: &Limits, now: DateTime<Utc>) -> Track {
    let mut chain = Chain::new(limits, now);
    chain.extend(readings, now);
    chain.track()
}

/// The verdicts on `readings`, each of which has its place among `chains`.
pub(super) fn track(readings: &[Reading], places: &[Place], chains: &Chains, bounds: &Bounds) -> Track {
    let labels: Vec<&Label> = chains.best().into_iter().filter_map(|index| chains.get(index)).collect();
    let usual = if let [.., before, _] = labels.as_slice() { Some(before.rate) } else { None };
    let judge = Judge { chains, believed: Believed { labels, bounds } };
    let mut next = 0;
    let judged = readings.iter().zip(places).enumerate().map(|(index, (reading, place))| {
        let (verdict, travelled) = match place {
            Place::Aside(reason) => (Verdict::SetAside(judge.left_out(reading, *reason)), None),
            Place::Point(point) => {
                while judge.believed.labels.get(next).is_some_and(|label| label.index < *point) {
                    next += 1;
                }
                match judge.believed.labels.get(next).filter(|label| label.index == *point) {
                    Some(label) => (kept(index, label), Some(metres(label.count.travelled()))),
                    None => (Verdict::SetAside(judge.reason(next, *point, reading)), None),
                }
            }
        };
        Judged { reading: *reading, verdict, travelled }
    });
    Track { judged: judged.collect(), usual }
}

fn kept(index: usize, label: &Label) -> Verdict {
    match (label.point.reading == index, label.jump) {
        (false, _) => Verdict::Double,
        (true, true) => Verdict::NewCluster,
        (true, false) => Verdict::Kept,
    }
}

struct Judge<'a> {
    chains: &'a Chains,
    believed: Believed<'a>,
}

impl Judge<'_> {
    /// Why a reading that had no part in the choice was left out.
    fn left_out(&self, reading: &Reading, reason: Reason) -> Reason {
        if reason != Reason::AheadOfClock {
            return reason;
        }
        let (seconds, odometer) = (seconds(reading.at.timestamp_millis()), reading.odometer.as_f64());
        let point = Point { reading: 0, seconds, odometer, weight: 0, pinned: false };
        self.believed.diagnose_ahead(&point, reading.at).unwrap_or(reason)
    }

    /// Why `point` is not believed, which lies before the believed reading number `next`.
    fn reason(&self, next: usize, point: usize, reading: &Reading) -> Reason {
        let Some(point) = self.chains.get(point).map(|label| &label.point) else { return Reason::Unlikely };
        let named = self.believed.diagnose(point, reading.at);
        named.unwrap_or_else(|| self.against(next, point))
    }

    /// Which limit `point` breaks beside the believed readings around it.
    fn against(&self, next: usize, point: &Point) -> Reason {
        let bounds = self.believed.bounds;
        let before = next.checked_sub(1).and_then(|last| self.believed.labels.get(last));
        let before = before.map(|label| label.count.heights);
        let after = self.believed.labels.get(next).filter(|label| before.is_none() || !label.jump);
        let here = Heights::of(point, bounds);
        if before.is_some_and(|before| before.runs_back(point, bounds))
            || after.is_some_and(|after| here.runs_back(&after.point, bounds))
        {
            Reason::RunsBack
        } else if before.is_some_and(|before| before.too_fast(point, bounds))
            || after.is_some_and(|after| here.too_fast(&after.point, bounds))
        {
            Reason::TooFast
        } else {
            Reason::Unlikely
        }
    }
}
