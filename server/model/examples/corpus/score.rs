//! Counts how well the track tells good readings from harmful ones.

use std::collections::BTreeMap;
use std::fmt;

use chrono::{DateTime, Utc};
use ventmile_model::fleet::Reading;
use ventmile_model::track::{Chain, Limits, Reason, Track, Verdict};

use crate::dirt::{Kind, Known, Sent};

/// More miles off than this is harmful.
const HARMFUL: f64 = 50.0;
/// The least share of harmful readings to be set aside,
const LEAST_CAUGHT: f64 = 0.98;
/// and the most of good ones.
const MOST_SPARED: f64 = 0.002;
/// How many later readings are in when a reading is scored.
const LATER: usize = 3;

/// How one kind of reading fared.
#[derive(Clone, Copy, Debug, Default)]
struct Row {
    /// Of these many,
    readings: usize,
    /// so many are harmful,
    harmful: usize,
    /// of which so many are set aside
    caught: usize,
    /// and so many have the right name.
    named: usize,
    /// Of those that are not harmful, so many are set aside.
    spared: usize,
    /// At the moment they come in: harmful ones, and those of them set aside,
    harmful_at_once: usize,
    caught_at_once: usize,
    /// and the same for those that are not harmful.
    harmless_at_once: usize,
    spared_at_once: usize,
}

/// How all kinds fared.
#[derive(Clone, Debug, Default)]
pub(crate) struct Score {
    rows: BTreeMap<Kind, Row>,
    /// Readings by the name they were set aside with, and how many of them that name is right for.
    names: BTreeMap<Reason, (usize, usize)>,
}

/// The name that a kind of dirt should have.
const fn name(kind: Kind) -> Option<Reason> {
    match kind {
        Kind::DroppedDigit => Some(Reason::DroppedDigit),
        Kind::AddedDigit => Some(Reason::AddedDigit),
        Kind::SwappedDigits => Some(Reason::SwappedDigits),
        Kind::KmAsMiles => Some(Reason::KmAsMiles),
        Kind::MilesAsKm => Some(Reason::MilesAsKm),
        Kind::TenthsAsWhole => Some(Reason::TenthsAsWhole),
        Kind::WholeAsTenths => Some(Reason::WholeAsTenths),
        Kind::ClockOffDay => Some(Reason::ClockOffDay),
        Kind::ClockOffMonth => Some(Reason::ClockOffMonth),
        Kind::ClockOffYear => Some(Reason::ClockOffYear),
        Kind::Good | Kind::Double | Kind::NewCluster | Kind::OtherCar => None,
    }
}

/// Whether the track sets the reading aside, and why.
fn aside(track: &Track, reading: &Reading) -> Option<Reason> {
    let found = track.judged.iter().find(|judged| judged.reading == *reading)?;
    match found.verdict {
        Verdict::SetAside(reason) => Some(reason),
        _ => None,
    }
}

impl Score {
    /// Hands over one car's readings in the order of arrival and scores each.
    pub(crate) fn add(&mut self, sent: &Sent) {
        let limits = Limits::default();
        let mut chain =
            Chain::new(&limits, sent.readings.first().map_or(DateTime::<Utc>::MIN_UTC, |known| known.arrives));
        for (index, known) in sent.readings.iter().enumerate() {
            chain = told(chain, sent, index, &limits);
            chain.insert(known.reading, known.arrives);
            let track = chain.track();
            self.count_at_once(&track, known);
            if let Some(before) = index.checked_sub(LATER).and_then(|before| sent.readings.get(before)) {
                self.settle(&track, before);
            }
        }
    }

    fn count_at_once(&mut self, track: &Track, known: &Known) {
        let aside = usize::from(aside(track, &known.reading).is_some());
        let row = self.rows.entry(known.kind).or_default();
        if known.off > HARMFUL {
            row.harmful_at_once += 1;
            row.caught_at_once += aside;
        } else {
            row.harmless_at_once += 1;
            row.spared_at_once += aside;
        }
    }

    fn settle(&mut self, track: &Track, known: &Known) {
        let reason = aside(track, &known.reading);
        let row = self.rows.entry(known.kind).or_default();
        let aside = usize::from(reason.is_some());
        row.readings += 1;
        if known.off > HARMFUL {
            row.harmful += 1;
            row.caught += aside;
        } else {
            row.spared += aside;
        }
        if let Some(reason) = reason {
            let right = usize::from(name(known.kind) == Some(reason));
            row.named += right * usize::from(known.off > HARMFUL);
            let (all, rightly) = self.names.entry(reason).or_default();
            *all += 1;
            *rightly += right;
        }
    }

    /// All but day clock errors, which are reported apart.
    fn scored(&self) -> Row {
        self.sum(|kind| kind != Kind::ClockOffDay)
    }

    /// Whether enough harmful readings and few enough good ones are set aside.
    pub(crate) fn within_bounds(&self) -> bool {
        let (scored, good) = (self.scored(), self.sum(Kind::is_good));
        scored.caught as f64 >= LEAST_CAUGHT * scored.harmful as f64
            && good.spared as f64 <= MOST_SPARED * (good.readings - good.harmful) as f64
    }

    fn sum(&self, pick: impl Fn(Kind) -> bool) -> Row {
        let rows = self.rows.iter().filter(|(kind, _)| pick(**kind)).map(|(_, row)| row);
        rows.fold(Row::default(), |sum, row| Row {
            readings: sum.readings + row.readings,
            harmful: sum.harmful + row.harmful,
            caught: sum.caught + row.caught,
            named: sum.named + row.named,
            spared: sum.spared + row.spared,
            harmful_at_once: sum.harmful_at_once + row.harmful_at_once,
            harmless_at_once: sum.harmless_at_once + row.harmless_at_once,
            caught_at_once: sum.caught_at_once + row.caught_at_once,
            spared_at_once: sum.spared_at_once + row.spared_at_once,
        })
    }
}

/// When a cluster change is told, the car is judged afresh with that known.
fn told(chain: Chain, sent: &Sent, index: usize, limits: &Limits) -> Chain {
    let arrives = |index: usize| sent.readings.get(index).map(|known| known.arrives);
    let Some(told) = sent.told.filter(|told| {
        index > 0 && arrives(index - 1).is_some_and(|at| at < *told) && arrives(index).is_some_and(|at| at >= *told)
    }) else {
        return chain;
    };
    let limits = Limits { cluster_changes: vec![told], ..limits.clone() };
    let mut afresh = Chain::new(&limits, told);
    let earlier: Vec<Reading> = sent.readings.iter().take(index).map(|known| known.reading).collect();
    afresh.extend(&earlier, told);
    afresh
}

fn percent(part: usize, whole: usize) -> String {
    if whole == 0 { "-".to_owned() } else { format!("{:.2} %", 100.0 * part as f64 / whole as f64) }
}

fn line(f: &mut fmt::Formatter<'_>, name: &str, row: &Row) -> fmt::Result {
    let harmless = row.readings - row.harmful;
    writeln!(
        f,
        "{name:<16}{:>9}{:>9}{:>11}{:>11}{:>10}{:>12}{:>11}{:>12}",
        row.readings,
        row.harmful,
        percent(row.caught, row.harmful),
        percent(row.named, row.caught),
        row.spared,
        percent(row.spared, harmless),
        percent(row.caught_at_once, row.harmful_at_once),
        percent(row.spared_at_once, row.harmless_at_once),
    )
}

/// Heads of the table's columns, in two lines.
const HEADS: [[&str; 9]; 2] = [
    ["", "readings", "harmful", "set aside", "named so", "harmless", "share of", "at once:", "at once:"],
    ["", "", "", "(recall)", "", "set aside", "harmless", "harmful", "harmless"],
];

impl fmt::Display for Score {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for [first, a, b, c, d, e, g, h, i] in HEADS {
            writeln!(f, "{first:<16}{a:>9}{b:>9}{c:>11}{d:>11}{e:>10}{g:>12}{h:>11}{i:>12}")?;
        }
        for (kind, row) in &self.rows {
            line(f, kind.as_str(), row)?;
        }
        writeln!(f)?;
        line(f, "good", &self.sum(Kind::is_good))?;
        line(f, "dirt but a day", &self.sum(|kind| !kind.is_good() && kind != Kind::ClockOffDay))?;
        let scored = self.scored();
        line(f, "all but a day", &scored)?;
        let aside = percent(scored.caught, scored.caught + scored.spared);
        writeln!(f, "\nOf those set aside, day clock errors left out, {aside} are harmful.")?;
        let verdict = if self.within_bounds() { "met" } else { "NOT MET" };
        writeln!(f, "Bounds, at least 98 % of harmful and at most 0.2 % of good readings set aside: {verdict}.")?;
        writeln!(f, "\n{:<20}{:>10}{:>10}", "name given", "readings", "right")?;
        for (reason, (all, right)) in &self.names {
            writeln!(f, "{:<20}{all:>10}{:>10}", reason.as_str(), percent(*right, *all))?;
        }
        Ok(())
    }
}
