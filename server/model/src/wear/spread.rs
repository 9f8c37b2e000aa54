//! How far a pack's blocks lie apart under load: which block is weakest, since when, and how sure that is.
//!
//! A block's deficit is how far it lies under the median of its pack's blocks in the same check, so whatever moves all
//! blocks alike drops out. What remains depends on load, charge and heat. Charge and heat bend it in ways no line follows
//! (near empty and near full, and in the cold), so checks outside a band of either are set aside. Load within its band
//! acts through a block's resistance, which is a straight line: neighbouring checks at different currents tell each
//! block's slope, and deficits are brought to one reference current by it, where the slope is told from zero at all.

use std::cmp::Ordering;
use std::f64::consts::FRAC_PI_2;
use std::ops::Range;

use chrono::{DateTime, Utc};

use super::days::days_between;
use super::robust::{Point, centre, scatter};
use crate::dist::{median, normal};
use crate::fleet::{PackCheck, PackType, SpreadLimits};

/// A range, both ends included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Band {
    /// Whether the range holds a value that is known.
    pub(super) fn holds(&self, value: Option<f64>) -> bool {
        value.is_some_and(|value| (self.low..=self.high).contains(&value))
    }
}

/// Which checks are compared, and what is taken for noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpreadSettings {
    /// Current that the pack gives, in amperes.
    pub current_a: Band,
    /// The current to which deficits are brought, in amperes.
    pub reference_a: f64,
    /// State of charge, in per cent.
    pub charge_pct: Band,
    /// Temperature of the pack, in degrees Celsius.
    pub pack_c: Band,
    /// A value this far off those before and after it, the same way, is a bad sample, in volts.
    pub spike_v: f64,
    /// What a good voltage may be off by, in volts.
    pub noise_v: f64,
    /// How many of the latest checks say how things stand.
    pub recent: usize,
}

impl Default for SpreadSettings {
    /// The middle of charge and heat, and a moderate load: ours, no published source.
    fn default() -> Self {
        Self {
            current_a: Band { low: 15.0, high: 60.0 },
            reference_a: 30.0,
            charge_pct: Band { low: 40.0, high: 80.0 },
            pack_c: Band { low: 10.0, high: 45.0 },
            spike_v: 0.3,
            noise_v: 0.02,
            recent: 5,
        }
    }
}

/// Why a check, or one block's voltage in it, was set aside.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    /// Its volts cannot be of this type of pack.
    Misfit,
    /// The same check again.
    Duplicate,
    /// Every voltage is the same as in the check before.
    FrozenCheck,
    /// Current unknown or outside the band.
    OtherLoad,
    /// Charge unknown or outside the band.
    OtherCharge,
    /// Pack temperature unknown or outside the band.
    OtherHeat,
    /// The block shows less than half of what the others do.
    DeadBlock,
    /// The block shows the same while the others move.
    FrozenBlock,
    /// The block shows what no check before or after it does; the newest check's is believed once another confirms it.
    Spike,
}

impl Why {
    /// The reason in words.
    #[must_use]
    pub const fn explain(self) -> &'static str {
        match self {
            Self::Misfit => "no check of this type of pack",
            Self::Duplicate => "the same check again",
            Self::FrozenCheck => "every voltage is that of the check before",
            Self::OtherLoad => "current not known or not like the others",
            Self::OtherCharge => "charge not known or not like the others",
            Self::OtherHeat => "temperature not known or not like the others",
            Self::DeadBlock => "less than half of what the other blocks show",
            Self::FrozenBlock => "the same value while the other blocks move",
            Self::Spike => "a value that no check before or after it shows",
        }
    }
}

/// A check or a block's voltage that was set aside.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SetAside {
    /// When the check was taken.
    pub at: DateTime<Utc>,
    /// The block, counted from zero; `None` for the whole check.
    pub block: Option<usize>,
    /// Why.
    pub why: Why,
}

/// The weakest block.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weakest {
    /// Its place, counted from zero.
    pub block: usize,
    /// How far it lies under the median of the blocks, in volts at the reference current: the median of recent checks.
    pub deficit_v: f64,
    /// From which check on it has kept to the watch limit or beyond, if it does.
    pub since: Option<DateTime<Utc>>,
    /// How sure it is that this block and no other is the weakest: the chance that it truly lies under the next one.
    pub chance: f64,
}

/// Where a deficit stands against its limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// Within the watch limit.
    Sound,
    /// At the watch limit or beyond.
    Watch,
    /// At the limit of a weak block or beyond.
    Weak,
}

impl Standing {
    /// The standing's name in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Sound => "sound",
            Self::Watch => "watch",
            Self::Weak => "weak",
        }
    }
}

impl Weakest {
    /// Where the block stands.
    #[must_use]
    pub fn standing(&self, limits: SpreadLimits) -> Standing {
        match self.deficit_v {
            deficit if deficit >= limits.weak_v => Standing::Weak,
            deficit if deficit >= limits.watch_v => Standing::Watch,
            _ => Standing::Sound,
        }
    }
}

/// A regular pattern over the blocks: it points at the sensing module, not at cells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pattern {
    /// Blocks at one distance from each other, from the first one on, lie apart from all the others, on one side.
    EveryNth {
        /// Blocks from one to the next.
        period: usize,
        /// The first of them, counted from zero.
        first: usize,
    },
    /// A block has shown nothing to be believed in any of the latest checks, while others have.
    Silent {
        /// The block, counted from zero.
        block: usize,
    },
    /// A block lies as far under as its neighbour lies over: the sense wire between them.
    Mirrored {
        /// The lower block, counted from zero.
        low: usize,
        /// The higher block, counted from zero.
        high: usize,
    },
}

impl Pattern {
    /// The pattern in words; blocks count from 1.
    #[must_use]
    pub fn says(self) -> String {
        match self {
            Self::EveryNth { period, first } => {
                format!("every {period} blocks from block {} on lie apart on one side", first + 1)
            }
            Self::Silent { block } => {
                format!("block {} shows nothing that can be believed, while others do", block + 1)
            }
            Self::Mirrored { low, high } => format!(
                "block {} lies as far under as block {} lies over: the sense wire between them",
                low + 1,
                high + 1
            ),
        }
    }
}

/// A deficit of the weakest block at the reference current.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// When the check was taken.
    pub at: DateTime<Utc>,
    /// Volts under the median of the blocks.
    pub deficit_v: f64,
}

/// What the checks of one pack say of its spread.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Spread {
    /// Checks that could be compared.
    pub compared: usize,
    /// The weakest block; `None` where no check could be compared.
    pub weakest: Option<Weakest>,
    /// The weakest block's deficits, by time.
    pub levels: Vec<Level>,
    /// A regular pattern over the blocks.
    pub pattern: Option<Pattern>,
    /// What was set aside, by time.
    pub set_aside: Vec<SetAside>,
}

/// Reads the spread of one pack from its `checks`, in any order.
#[must_use]
pub fn spread(checks: &[PackCheck], pack: &PackType, settings: &SpreadSettings) -> Spread {
    let mut set_aside = Vec::new();
    let compared = compared(checks, pack, settings, &mut set_aside);
    let blocks: Vec<Vec<Sample>> = (0..usize::from(pack.layout.blocks))
        .map(|block| {
            let (samples, bad) = samples(&compared, block, settings);
            set_aside.extend(bad);
            samples
        })
        .collect();
    set_aside.sort_unstable_by_key(|aside| (aside.at, aside.block));
    let oldest = compared.len().saturating_sub(settings.recent.max(1));
    let from = compared.get(oldest).map(|compared| compared.check.at);
    let recent: Vec<Option<f64>> = blocks.iter().map(|samples| recent(samples, from)).collect();
    let weakest = weakest(&blocks, &recent, pack.limits, settings);
    let levels = weakest.and_then(|weakest| blocks.get(weakest.block)).cloned().unwrap_or_default();
    Spread {
        compared: compared.len(),
        weakest,
        levels: levels.iter().map(|sample| Level { at: sample.at, deficit_v: sample.deficit }).collect(),
        pattern: pattern(&recent, settings.noise_v),
        set_aside,
    }
}

/// Levels within so many days are made one: a measurement's noise would otherwise be taken for the pack's own wander. Of
/// made packs with noisy checks every five days, 80 % intervals then held 87 %; with weeks made one, 97 %.
const DAYS_AS_ONE: f64 = 28.0;

/// The deficits of four weeks made one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Month {
    /// Their median, at the middle check, in days from the first check of all.
    pub point: Point,
    /// The middle check; of an even number the two in the middle.
    pub middle: [DateTime<Utc>; 2],
}

impl Spread {
    /// The weakest block's deficits, every four weeks made one.
    #[must_use]
    pub fn months(&self) -> Vec<Month> {
        let Some(first) = self.levels.first() else { return Vec::new() };
        let days = |level: &Level| days_between(first.at, level.at);
        let month = |level: &Level| (days(level) / DAYS_AS_ONE) as i64;
        let months = self.levels.chunk_by(|one, two| month(one) == month(two));
        let months = months.filter_map(|levels| {
            let t = median(levels.iter().map(days).collect())?;
            let level = median(levels.iter().map(|level| level.deficit_v).collect())?;
            let (lower, upper) = (levels.get((levels.len() - 1) / 2)?, levels.get(levels.len() / 2)?);
            Some(Month { point: Point { t, level }, middle: [lower.at, upper.at] })
        });
        months.collect()
    }

    /// The same as a path in days from the first.
    #[must_use]
    pub fn path(&self) -> Vec<Point> {
        self.months().iter().map(|month| month.point).collect()
    }
}

/// A check that can be compared, with the median of its blocks.
struct Compared<'a> {
    check: &'a PackCheck,
    median: f64,
    current_a: f64,
}

/// One block in one check.
#[derive(Clone, Copy)]
struct Sample {
    at: DateTime<Utc>,
    volts: f64,
    median: f64,
    current_a: f64,
    deficit: f64,
}

/// The checks that can be compared, by time; the others go to `set_aside`.
fn compared<'a>(
    checks: &'a [PackCheck],
    pack: &PackType,
    settings: &SpreadSettings,
    set_aside: &mut Vec<SetAside>,
) -> Vec<Compared<'a>> {
    let mut sorted: Vec<&PackCheck> = checks.iter().collect();
    sorted.sort_by(|one, two| order(one, two));
    let mut before: Option<&PackCheck> = None;
    let mut kept = Vec::new();
    for check in sorted {
        let why = verdict(check, before, pack, settings);
        before = Some(check);
        match (why, median(check.block_volts.clone()), check.current_a) {
            (None, Some(median), Some(current_a)) => kept.push(Compared { check, median, current_a }),
            (why, ..) => set_aside.push(SetAside { at: check.at, block: None, why: why.unwrap_or(Why::OtherLoad) }),
        }
    }
    kept
}

/// By time, and at one time by what was read, so that the order of arrival does not matter.
fn order(one: &PackCheck, two: &PackCheck) -> Ordering {
    let numbers = |check: &PackCheck| {
        let optional = [check.current_a, check.charge_pct, check.pack_c].map(|value| value.unwrap_or(f64::NAN));
        check.block_volts.iter().copied().chain(optional).collect::<Vec<_>>()
    };
    let places = numbers(one).into_iter().zip(numbers(two));
    let first_difference = places.map(|(one, two)| one.total_cmp(&two)).find(|order| order.is_ne());
    one.at.cmp(&two.at).then(first_difference.unwrap_or(Ordering::Equal))
}

fn verdict(check: &PackCheck, before: Option<&PackCheck>, pack: &PackType, settings: &SpreadSettings) -> Option<Why> {
    let same = before.filter(|before| before.block_volts == check.block_volts);
    if same.is_some_and(|before| before.at == check.at) {
        return Some(Why::Duplicate);
    }
    if check.check().and_then(|()| pack.fits(check)).is_err() {
        return Some(Why::Misfit);
    }
    if same.is_some() {
        return Some(Why::FrozenCheck);
    }
    let bands = [
        (settings.current_a, check.current_a, Why::OtherLoad),
        (settings.charge_pct, check.charge_pct, Why::OtherCharge),
        (settings.pack_c, check.pack_c, Why::OtherHeat),
    ];
    bands.into_iter().find(|(band, value, _)| !band.holds(*value)).map(|(.., why)| why)
}

/// One block's samples that are to be believed, at the reference current, and those that are not.
fn samples(compared: &[Compared<'_>], block: usize, settings: &SpreadSettings) -> (Vec<Sample>, Vec<SetAside>) {
    let sample = |compared: &Compared<'_>| {
        let volts = *compared.check.block_volts.get(block)?;
        let Compared { median, current_a, .. } = *compared;
        Some(Sample { at: compared.check.at, volts, median, current_a, deficit: median - volts })
    };
    let mut samples: Vec<Sample> = compared.iter().filter_map(sample).collect();
    let mut bad = Vec::new();
    let mut drop = |samples: &mut Vec<Sample>, marks: Vec<bool>, why: Why| {
        let mut marks = marks.into_iter();
        samples.retain(|sample| {
            let marked = marks.next().unwrap_or(false);
            bad.extend(marked.then_some(SetAside { at: sample.at, block: Some(block), why }));
            !marked
        });
    };
    let dead = samples.iter().map(|sample| sample.volts < sample.median / 2.0).collect();
    drop(&mut samples, dead, Why::DeadBlock);
    let frozen = frozen(&samples, settings.noise_v);
    drop(&mut samples, frozen, Why::FrozenBlock);
    let by_load = load_slope(&samples);
    for sample in &mut samples {
        sample.deficit -= by_load * (sample.current_a - settings.reference_a);
    }
    let spikes = spikes(&samples, settings.spike_v);
    drop(&mut samples, spikes, Why::Spike);
    (samples, bad)
}

/// Equal voltages in a row that are too many to be chance, while the median moved by so many times the noise.
const FROZEN_RUN: usize = 4;
const MOVED: f64 = 5.0;

fn frozen(samples: &[Sample], noise_v: f64) -> Vec<bool> {
    let runs = samples.chunk_by(|one, two| one.volts == two.volts);
    let marks = runs.flat_map(|run| {
        let highest = run.iter().map(|sample| sample.median).fold(f64::NEG_INFINITY, f64::max);
        let lowest = run.iter().map(|sample| sample.median).fold(f64::INFINITY, f64::min);
        let frozen = run.len() >= FROZEN_RUN && highest - lowest >= MOVED * noise_v;
        std::iter::repeat_n(frozen, run.len())
    });
    marks.collect()
}

/// Neighbouring checks tell a slope over load when they lie so many amperes and at most so many days apart; at least so
/// many such pairs are asked for.
const TELLING_A: f64 = 5.0;
const NEIGHBOURS_DAYS: f64 = 14.0;
const TELLING_PAIRS: usize = 5;

/// Volts that a block's deficit grows by an ampere; zero where its 95 % interval does not say which way.
fn load_slope(samples: &[Sample]) -> f64 {
    let slope = |pair: &[Sample]| match pair {
        [one, two] => {
            let amperes = two.current_a - one.current_a;
            let near = days_between(one.at, two.at) <= NEIGHBOURS_DAYS;
            (near && amperes.abs() >= TELLING_A).then(|| (two.deficit - one.deficit) / amperes)
        }
        _ => None,
    };
    let slopes: Vec<f64> = samples.windows(2).filter_map(slope).collect();
    let told = centre(&slopes, 0.95).filter(|_| slopes.len() >= TELLING_PAIRS);
    told.filter(|slope| slope.low > 0.0 || slope.high < 0.0).map_or(0.0, |slope| slope.mid)
}

/// How many samples on either side a spike is held against.
const SIDE: usize = 3;

/// Marks samples that lie off the median of those before and of those after, the same way. At an end, where there is one
/// side, a nearest neighbour that agrees clears a sample.
fn spikes(samples: &[Sample], spike_v: f64) -> Vec<bool> {
    let deficits: Vec<f64> = samples.iter().map(|sample| sample.deficit).collect();
    let middle = |range: Range<usize>| median(deficits.get(range).unwrap_or_default().to_vec());
    let mark = |(place, deficit): (usize, &f64)| {
        let before = |side: usize| middle(place.saturating_sub(side)..place);
        let after = |side: usize| middle(place + 1..deficits.len().min(place + 1 + side));
        let held_against = match (before(SIDE), after(SIDE)) {
            (Some(before), Some(after)) => [before, after],
            (Some(side), None) => [side, before(1)?],
            (None, Some(side)) => [side, after(1)?],
            (None, None) => return None,
        };
        let off = held_against.map(|middle| deficit - middle);
        Some(off.iter().all(|off| *off > spike_v) || off.iter().all(|off| *off < -spike_v))
    };
    deficits.iter().enumerate().map(|sample| mark(sample).unwrap_or(false)).collect()
}

/// The median deficit of the checks from `from` on.
fn recent(samples: &[Sample], from: Option<DateTime<Utc>>) -> Option<f64> {
    let from = from?;
    median(samples.iter().filter(|sample| sample.at >= from).map(|sample| sample.deficit).collect())
}

/// Names the block whose recent deficit is greatest.
fn weakest(
    blocks: &[Vec<Sample>],
    recent: &[Option<f64>],
    limits: SpreadLimits,
    settings: &SpreadSettings,
) -> Option<Weakest> {
    let mut ranked: Vec<(f64, usize)> =
        recent.iter().enumerate().filter_map(|(block, deficit)| Some(((*deficit)?, block))).collect();
    ranked.sort_by(|one, two| two.0.total_cmp(&one.0));
    let (deficit_v, block) = *ranked.first()?;
    let samples = blocks.get(block)?;
    let next = ranked.get(1).and_then(|(_, next)| blocks.get(*next));
    Some(Weakest {
        block,
        deficit_v,
        since: since(samples, limits.watch_v),
        chance: next.map_or(0.5, |next| chance_under(samples, next, settings)),
    })
}

/// The chance that the first block truly lies under the second: by the median of their differences in recent checks, whose
/// standard error is `sqrt(pi / 2)` of the mean's.
fn chance_under(first: &[Sample], second: &[Sample], settings: &SpreadSettings) -> f64 {
    let of_second = |at| second.iter().find(|sample| sample.at == at);
    let both = first.iter().rev().filter_map(|sample| Some(sample.deficit - of_second(sample.at)?.deficit));
    let differences: Vec<f64> = both.take(2 * settings.recent).collect();
    let Some(middle) = median(differences.clone()) else { return 0.5 };
    let noise = scatter(&differences).max(settings.noise_v);
    normal::cdf(middle / (noise * libm::sqrt(FRAC_PI_2 / differences.len() as f64)))
}

/// The first check from which on the deficit, smoothed over three checks, keeps to `watch_v` or beyond.
fn since(samples: &[Sample], watch_v: f64) -> Option<DateTime<Utc>> {
    let smooth = |place: usize| {
        let near = samples.get(place.saturating_sub(1)..(place + 2).min(samples.len())).unwrap_or_default();
        median(near.iter().map(|sample| sample.deficit).collect()).unwrap_or(f64::NEG_INFINITY)
    };
    let beyond = (0..samples.len()).rev().take_while(|place| smooth(*place) >= watch_v);
    beyond.last().and_then(|place| samples.get(place)).map(|sample| sample.at)
}

/// A group of blocks counts as apart when the gap to the others is so many times the noise.
const GAP: f64 = 3.0;

/// A pattern that blocks in disorder would show more often than this is none.
const COINCIDENCE: f64 = 0.1;

/// A mirrored pair: how far the two may differ, and how far any other block may lie off, as shares of the lower one's.
const MIRROR: f64 = 0.25;
const QUIET: f64 = 0.5;

/// Looks for a regular pattern in the recent deficits.
fn pattern(recent: &[Option<f64>], noise_v: f64) -> Option<Pattern> {
    if let Some(block) = recent.iter().position(Option::is_none) {
        return recent.iter().any(Option::is_some).then_some(Pattern::Silent { block });
    }
    let deficits: Vec<f64> = recent.iter().copied().flatten().collect();
    every_nth(&deficits, GAP * noise_v).or_else(|| mirrored(&deficits, GAP * noise_v))
}

/// At least so many blocks make a pattern.
const REPEATS: usize = 3;

fn every_nth(deficits: &[f64], gap: f64) -> Option<Pattern> {
    let blocks = deficits.len();
    let places = (2..=blocks / REPEATS).flat_map(|period| (0..period).map(move |first| (period, first)));
    let found = places.into_iter().find(|(period, first)| {
        let (own, others): (Vec<_>, Vec<_>) =
            deficits.iter().enumerate().partition(|(block, _)| block % period == *first);
        let ends = |group: &[(usize, &f64)]| {
            let values = group.iter().map(|(_, deficit)| **deficit);
            (values.clone().fold(f64::INFINITY, f64::min), values.fold(f64::NEG_INFINITY, f64::max))
        };
        let ((own_low, own_high), (low, high)) = (ends(&own), ends(&others));
        let apart = own_low >= high + gap || own_high <= low - gap;
        own.len() >= REPEATS && apart && 2.0 * *period as f64 / choices(blocks, own.len()) <= COINCIDENCE
    });
    found.map(|(period, first)| Pattern::EveryNth { period, first })
}

/// In how many ways `chosen` of `all` can be chosen.
fn choices(all: usize, chosen: usize) -> f64 {
    (1..=chosen).map(|place| (all - chosen + place) as f64 / place as f64).product()
}

fn mirrored(deficits: &[f64], gap: f64) -> Option<Pattern> {
    let (low, under) = deficits.iter().enumerate().max_by(|one, two| one.1.total_cmp(two.1))?;
    let (high, over) = deficits.iter().enumerate().min_by(|one, two| one.1.total_cmp(two.1))?;
    let rest = deficits.iter().enumerate().filter(|(block, _)| *block != low && *block != high);
    let quiet = rest.map(|(_, deficit)| deficit.abs()).fold(0.0, f64::max) <= QUIET * under;
    let mirror = low.abs_diff(high) == 1 && (under + over).abs() <= MIRROR * under;
    (*under >= gap && mirror && quiet).then_some(Pattern::Mirrored { low, high })
}

#[cfg(test)]
mod tests;
