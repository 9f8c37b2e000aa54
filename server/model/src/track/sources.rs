//! Sources that are wrong as a whole: in the wrong unit, or with the point in the wrong place.

use std::collections::BTreeMap;

use super::bounds::{seconds, wrong_unit};
use super::rate::{DAY, Rate};
use super::{Judged, Reason, Track, Verdict};

/// How many readings of a source must be off by the same ratio.
const LEAST: usize = 3;
/// What share of its readings since the first of them.
const SHARE: f64 = 0.8;
/// How near a reading must be to the ratio, as a share.
const WIDTH: f64 = 0.02;

/// What a source does to all of its readings, against what is believed of the others.
///
/// Whichever side has more trusted readings is believed; that the other is wrong is for a person to say.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Suspicion {
    /// It sends kilometres as miles, or the others send miles as kilometres.
    KmAsMiles,
    /// It sends miles as kilometres, or the others send kilometres as miles.
    MilesAsKm,
    /// It sends tenths as whole units, or the others whole units as tenths.
    TenthsAsWhole,
    /// It sends whole units as tenths, or the others tenths as whole units.
    WholeAsTenths,
}

impl Suspicion {
    const ALL: [Self; 4] = [Self::KmAsMiles, Self::MilesAsKm, Self::TenthsAsWhole, Self::WholeAsTenths];

    /// What its readings are multiplied by, against the others.
    #[must_use]
    pub const fn ratio(self) -> f64 {
        match self {
            Self::KmAsMiles => 1.609_344,
            Self::MilesAsKm => 1.0 / 1.609_344,
            Self::TenthsAsWhole => 10.0,
            Self::WholeAsTenths => 0.1,
        }
    }

    /// The suspicion's name in answers: that of the slip, see [`Reason::as_str`].
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        self.reason().as_str()
    }

    /// The same slip of a single reading.
    #[must_use]
    pub const fn reason(self) -> Reason {
        match self {
            Self::KmAsMiles => Reason::KmAsMiles,
            Self::MilesAsKm => Reason::MilesAsKm,
            Self::TenthsAsWhole => Reason::TenthsAsWhole,
            Self::WholeAsTenths => Reason::WholeAsTenths,
        }
    }

    /// The suspicion in one sentence.
    #[must_use]
    pub const fn explain(self) -> &'static str {
        match self {
            Self::KmAsMiles => "Its readings are 1.609 times the others': it seems to send kilometres as miles.",
            Self::MilesAsKm => "The others' readings are 1.609 times its own: it seems to send miles as kilometres.",
            Self::TenthsAsWhole => "Its readings are ten times the others': it seems to send tenths as whole units.",
            Self::WholeAsTenths => "Its readings are a tenth of the others': it seems to send whole units as tenths.",
        }
    }
}

/// How often a source was off by a ratio, and since then.
#[derive(Clone, Copy, Debug, Default)]
struct Tally {
    off: usize,
    since: usize,
}

/// A believed reading, cluster changes taken out: seconds, metres, and the usual rate as of then.
#[derive(Clone, Copy, Debug)]
struct Mark {
    seconds: f64,
    odometer: f64,
    rate: Rate,
    jump: bool,
}

/// The believed readings of a track, doubles once.
fn marks(track: &Track) -> Vec<Mark> {
    let mut marks: Vec<Mark> = Vec::new();
    for judged in track.kept().filter(|judged| judged.verdict != Verdict::Double) {
        let (at, odometer) = (seconds(judged.reading.at.timestamp_millis()), judged.reading.odometer.as_f64());
        let jump = judged.verdict == Verdict::NewCluster;
        let rate = match marks.last() {
            None => Rate::new(at, odometer),
            Some(last) if jump => last.rate.restarted(at, odometer),
            Some(last) => last.rate.after(at, odometer),
        };
        marks.push(Mark { seconds: at, odometer, rate, jump });
    }
    marks
}

/// The sources that are off by 1.609 or 10, either way, against the readings believed, with what they seem to do.
///
/// A source is named when three of its readings, and four in five of all it sent since the first of these, are off by
/// the same ratio, within 2 %: so one that was put right is no longer named once it has sent good readings. By source.
#[must_use]
pub fn suspect_sources(track: &Track) -> Vec<(i64, Suspicion)> {
    let marks = marks(track);
    let mut tallies: BTreeMap<i64, [Tally; 4]> = BTreeMap::new();
    for judged in &track.judged {
        if matches!(judged.verdict, Verdict::SetAside(Reason::Ruled | Reason::AheadOfClock)) {
            continue;
        }
        let off = off(judged, &marks);
        let tally = tallies.entry(judged.reading.source).or_default();
        for (tally, suspicion) in tally.iter_mut().zip(Suspicion::ALL) {
            tally.off += usize::from(off == Some(suspicion));
            tally.since += usize::from(tally.off > 0);
        }
    }
    let suspect = |(source, tallies): (i64, [Tally; 4])| {
        let likely = |tally: &Tally| tally.off >= LEAST && tally.off as f64 >= SHARE * tally.since as f64;
        let found = tallies.iter().zip(Suspicion::ALL).find(|(tally, _)| likely(tally));
        found.map(|(_, suspicion)| (source, suspicion))
    };
    tallies.into_iter().filter_map(suspect).collect()
}

/// By which ratio a reading that is set aside is off.
fn off(judged: &Judged, marks: &[Mark]) -> Option<Suspicion> {
    if judged.verdict.is_kept() {
        return None;
    }
    let expected = expected(seconds(judged.reading.at.timestamp_millis()), marks);
    let ratio = |expected: f64| wrong_unit(judged.reading.odometer.as_f64(), expected, WIDTH);
    let ratio = expected.into_iter().flatten().find_map(ratio)?;
    Suspicion::ALL.into_iter().find(|suspicion| suspicion.ratio() == ratio)
}

/// What the odometer should have shown, in metres: linear between believed readings, at the usual rate beyond them;
/// around a cluster change on either count.
fn expected(at: f64, marks: &[Mark]) -> [Option<f64>; 2] {
    let next = marks.partition_point(|mark| mark.seconds <= at);
    let before = next.checked_sub(1).and_then(|last| marks.get(last));
    let after = marks.get(next);
    match (before, after) {
        (Some(before), Some(after)) if !after.jump => {
            let share = (at - before.seconds) / (after.seconds - before.seconds);
            [Some(before.odometer + share * (after.odometer - before.odometer)), None]
        }
        _ => [
            before.map(|before| before.odometer + before.rate.expected((at - before.seconds) / DAY)),
            after.map(|after| after.odometer - after.rate.expected((after.seconds - at) / DAY)),
        ],
    }
}
