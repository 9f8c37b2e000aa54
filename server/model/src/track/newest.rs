//! The newest reading, which nothing confirms yet.

use chrono::Duration;

use super::bounds::{seconds, unusual};
use super::rate::{DAY, Rate};
use super::state::metres;
use super::{Judged, Track, Verdict};
use crate::fleet::{Metres, Reading};

/// What rounding may add or take between two readings, metres.
const ROUNDING: f64 = 2_000.0;

/// A newest reading that is believed although it alone takes the car further, or less far, than it usually goes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Provisional {
    /// The reading.
    pub reading: Reading,
    /// How long after the believed reading before it.
    pub after: Duration,
    /// How far it takes the car from there.
    pub moved: Metres,
    /// How far the car usually goes in that time.
    pub usual: Metres,
}

/// A believed reading, cluster changes taken out: seconds, metres travelled, and the usual rate as of then.
#[derive(Clone, Copy, Debug)]
pub(super) struct Mark {
    pub(super) seconds: f64,
    pub(super) odometer: f64,
    pub(super) rate: Rate,
    pub(super) jump: bool,
    travelled: f64,
}

/// The believed readings of a track, doubles once.
pub(super) fn marks(track: &Track) -> Vec<Mark> {
    let mut marks: Vec<Mark> = Vec::new();
    for judged in track.kept().filter(|judged| judged.verdict != Verdict::Double) {
        let (at, odometer) = (seconds(judged.reading.at.timestamp_millis()), judged.reading.odometer.as_f64());
        let jump = judged.verdict == Verdict::NewCluster;
        let rate = match marks.last() {
            None => Rate::new(at, odometer),
            Some(last) if jump => last.rate.restarted(at, odometer),
            Some(last) => last.rate.after(at, odometer),
        };
        let travelled = judged.travelled.unwrap_or_default().as_f64();
        marks.push(Mark { seconds: at, odometer, rate, jump, travelled });
    }
    marks
}

impl Track {
    /// The newest believed reading, if it alone moves the car by more, or less, than its usual rate explains.
    ///
    /// No later reading confirms it, so a date that rests on it is provisional: compute it also from
    /// [`Track::without_last`]. Whether a step is usual is judged by two standard deviations of the distance over the
    /// time since the believed reading before it, as learned from the car's own readings; `None` also where there is
    /// no reading before it, or a person ruled that it stays.
    #[must_use]
    pub fn provisional(&self) -> Option<Provisional> {
        let last = self.last()?.reading;
        let marks = marks(self);
        let [.., before, newest] = marks.as_slice() else { return None };
        let days = (newest.seconds - before.seconds) / DAY;
        let moved = newest.travelled - before.travelled;
        let unusual = unusual(&before.rate, days, moved, ROUNDING);
        (unusual && last.ruling.is_none()).then(|| Provisional {
            reading: last,
            after: Duration::milliseconds(((newest.seconds - before.seconds) * 1_000.0).round() as i64),
            moved: metres(moved),
            usual: metres(before.rate.expected(days)),
        })
    }

    /// The track as if the newest believed reading, with its doubles, had not come in; all other verdicts stay.
    #[must_use]
    pub fn without_last(&self) -> Self {
        let Some(last) = self.last().map(|judged| judged.reading) else { return self.clone() };
        let double = |judged: &Judged| {
            judged.verdict.is_kept() && (judged.reading.at, judged.reading.odometer) == (last.at, last.odometer)
        };
        Self { judged: self.judged.iter().copied().filter(|judged| !double(judged)).collect() }
    }
}
