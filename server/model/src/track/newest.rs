//! The newest reading, which nothing confirms yet.

use chrono::Duration;

use super::bounds::{seconds, unusual};
use super::rate::DAY;
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

impl Track {
    /// The newest believed reading, if it alone moves the car by more, or less, than its usual rate explains.
    ///
    /// No later reading confirms it, so a date that rests on it is provisional: compute it also from
    /// [`Track::without_last`]. Whether a step is usual is judged by two standard deviations of the distance over the
    /// time since the believed reading before it, as learned from the car's own readings; `None` also where there is
    /// no reading before it, or a person ruled that it stays.
    #[must_use]
    pub fn provisional(&self) -> Option<Provisional> {
        let (rate, last) = (self.usual?, self.last()?.reading);
        let mut points =
            self.judged.iter().rev().filter(|judged| judged.verdict.is_kept() && judged.verdict != Verdict::Double);
        let (newest, before) = (points.next()?, points.next()?);
        let seconds = |judged: &Judged| seconds(judged.reading.at.timestamp_millis());
        let elapsed = seconds(newest) - seconds(before);
        let moved = newest.travelled?.as_f64() - before.travelled?.as_f64();
        let unusual = unusual(&rate, elapsed / DAY, moved, ROUNDING);
        (unusual && last.ruling.is_none()).then(|| Provisional {
            reading: last,
            after: Duration::milliseconds((elapsed * 1_000.0).round() as i64),
            moved: metres(moved),
            usual: metres(rate.expected(elapsed / DAY)),
        })
    }

    /// The track as if the newest believed reading, with its doubles, had not come in; all other verdicts stay. No reading of
    /// it is [`Track::provisional`].
    #[must_use]
    pub fn without_last(&self) -> Self {
        let Some(last) = self.last().map(|judged| judged.reading) else { return self.clone() };
        let double = |judged: &Judged| {
            judged.verdict.is_kept() && (judged.reading.at, judged.reading.odometer) == (last.at, last.odometer)
        };
        Self { judged: self.judged.iter().copied().filter(|judged| !double(judged)).collect(), usual: None }
    }
}
