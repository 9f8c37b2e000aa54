//! What is remembered of how a car is driven: a few numbers a meter, stepped once a day.

use super::week::{Profile, Week};
use crate::state::{LevelModel, LocalLevel};

/// Half-life of the long-run level, in days, once it has been followed for long: a year, so that every season counts (by
/// reasoning).
const SLOW_DECAY: f64 = 0.998_102_768_651_594_6;

/// Half-life of the recent level: 60 days (set on the open utilisation data; 30 to 80 do alike).
const FAST_DECAY: f64 = 0.988_514_020_352_896_2;

/// A level with these decays drifts by as much, beside the noise of a day. How noisy days are is of no matter to it.
const SLOW: LevelModel = LevelModel::with_decay(SLOW_DECAY);
const FAST: LevelModel = LevelModel::with_decay(FAST_DECAY);

/// Half-life of the memory of a long idle spell: 180 days (by reasoning).
const IDLE_DECAY: f64 = 0.996_156_587_220_575_2;

/// Days in a block of the noise estimate: a week, so that days off in it are no noise (by reasoning).
const BLOCK_DAYS: f64 = 7.0;

/// [`SLOW_DECAY`] over one block.
const BLOCK_DECAY: f64 = 0.986_794_731_219_622_9;

/// Share of the long-run level added to both levels before they are compared, so that a car that has just stood for
/// long is not compared with nothing (taken over from an earlier log-rate method).
const CHANGE_FLOOR: f64 = 0.1;

/// Where the idle feature is zero: `ln(1 + 6.4 days)` (by reasoning).
const IDLE_CENTRE: f64 = 2.0;

/// No level is below this, so that logarithms stay finite.
const LEAST_LEVEL: f64 = 1e-9;

/// No day brings more than this, so that squares stay finite: a car that goes a million kilometres a day is a fault.
pub(super) const MOST: f64 = 1e9;

/// A car whose windows join the fleet's record, and that stands for itself, has at least so many days,
const SETTLED_DAYS: f64 = 45.0;
/// has driven on so many of them,
const SETTLED_DRIVEN: f64 = 20.0;
/// and has last driven at most so many days ago (the three by reasoning).
const SETTLED_GAP: f64 = 14.0;

/// Least share of a mean day that the days so far are taken for, however few and slow their weekdays.
const LEAST_AXIS: f64 = 0.1;

/// What one whole day brought on one meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Brought {
    /// The day's number.
    pub number: i64,
    /// Metres or hours; below zero or not a number counts as none.
    pub amount: f64,
    /// Whether the car was driven.
    pub driven: bool,
    /// Whether the amount is known to be this day's: see [`Day::own`](super::Day::own).
    pub own: bool,
}

/// The state of one meter of one car: some forty numbers, whatever the length of its history.
///
/// Two levels, a long-run and a recent one, the sums of whole weeks and their squares, the spells without driving, and
/// what each weekday brings. A level is that of a mean day: the weights of the weekdays so far are levelled as the
/// amounts are, and divide them, so that it is the same on a Friday and after two days off.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct UsageFilter {
    slow: LocalLevel,
    fast: LocalLevel,
    slow_axis: LocalLevel,
    fast_axis: LocalLevel,
    profile: Profile,
    week: Week,
    days: f64,
    driven_days: f64,
    gap: f64,
    idle: f64,
    block_sum: f64,
    block_days: f64,
    blocks: f64,
    blocks_sum: f64,
    blocks_squares: f64,
}

/// What the state says about the days ahead.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Features {
    /// Long-run level `a`: metres or hours a day, above zero.
    pub level: f64,
    /// Recent change `r = ln((f + a/10) / (a + a/10))`, with `f` the recent level: 0 where nothing has changed.
    pub change: f64,
    /// Noise `v`: half the relative standard deviation of a day, taken from whole weeks as if days were independent,
    /// `sqrt(7 var(week)) / mean(week) / 2`; 0 before the second whole week.
    pub noise: f64,
    /// Memory of idle spells `i = ln(1 + s) - 2`, with `s` the longest spell without driving in days, fading.
    pub idle: f64,
}

/// Follows a level by one day.
fn follow(level: &mut LocalLevel, model: &LevelModel, value: f64) {
    *level = level.after(model, 1);
    level.update(model, value);
}

/// Features with what had been counted by then.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Snapshot {
    /// What the state said.
    pub features: Features,
    /// All that was counted so far: metres or hours.
    pub total: f64,
    /// Days counted so far.
    pub days: f64,
    /// The same by weekday, Monday to Sunday.
    pub weekdays: [f64; 7],
    /// What each weekday brings, by what is known so far.
    pub week: Week,
    /// Whole weeks behind [`Features::noise`], the old ones fading.
    pub weeks: f64,
    /// Whether there is enough, and recent, history to learn from.
    pub settled: bool,
}

impl Snapshot {
    /// The mean days, by the week known here, of the days counted since then until `later`.
    pub(super) fn mean_days_until(&self, later: &Self) -> f64 {
        let mut days = later.weekdays;
        days.iter_mut().zip(self.weekdays).for_each(|(days, before)| *days -= before);
        self.week.mean_days(days)
    }

    /// Days from which on a car stands for itself, as those do that the fleet's record is made of.
    pub const SETTLED_DAYS: f64 = SETTLED_DAYS;
}

impl UsageFilter {
    /// Counts one whole day; gives what was counted. Days before the first driven one are not counted.
    pub fn step(&mut self, day: &Brought) -> f64 {
        if self.days <= 0.0 && !day.driven {
            return 0.0;
        }
        let amount = if day.amount.is_nan() { 0.0 } else { day.amount.clamp(0.0, MOST) };
        let weight = self.week.on(day.number);
        follow(&mut self.slow, &SLOW, amount);
        follow(&mut self.fast, &FAST, amount);
        follow(&mut self.slow_axis, &SLOW, weight);
        follow(&mut self.fast_axis, &FAST, weight);
        self.profile.step(day.number, amount, day.own);
        self.days += 1.0;
        self.driven_days += f64::from(u8::from(day.driven));
        self.gap = if day.driven { 0.0 } else { self.gap + 1.0 };
        self.idle = (IDLE_DECAY * self.idle).max(self.gap);
        self.block_sum += amount;
        self.block_days += 1.0;
        if self.block_days >= BLOCK_DAYS {
            self.close_block();
        }
        amount
    }

    /// The state of a car that begins anew: nothing is known but what its weekdays bring.
    pub(super) fn anew(&self) -> Self {
        Self { profile: self.profile, week: self.week, ..Self::default() }
    }

    /// What each weekday brings.
    pub(super) fn week(&self) -> Week {
        self.profile.week()
    }

    fn close_block(&mut self) {
        self.blocks = BLOCK_DECAY * self.blocks + 1.0;
        self.blocks_sum = BLOCK_DECAY * self.blocks_sum + self.block_sum;
        self.blocks_squares = BLOCK_DECAY * self.blocks_squares + self.block_sum * self.block_sum;
        self.block_sum = 0.0;
        self.block_days = 0.0;
        self.week = self.profile.week();
    }

    /// What the state says; `None` before the first driven day.
    #[must_use]
    pub fn features(&self) -> Option<Features> {
        let mean =
            |level: &LocalLevel, axis: &LocalLevel| Some(level.state()?.level / axis.state()?.level.max(LEAST_AXIS));
        let level = mean(&self.slow, &self.slow_axis)?.max(LEAST_LEVEL);
        let recent = mean(&self.fast, &self.fast_axis)?;
        let change = libm::log((recent + CHANGE_FLOOR * level) / ((1.0 + CHANGE_FLOOR) * level));
        let weeks = self.blocks.max(1.0);
        let mean = self.blocks_sum / weeks;
        let spare = (weeks - 1.0).max(1.0);
        let variance = (self.blocks_squares / weeks - mean * mean).max(0.0) * weeks / spare;
        let noise = libm::sqrt(variance * BLOCK_DAYS) / mean.max(LEAST_LEVEL) / 2.0;
        Some(Features { level, change, noise, idle: libm::log1p(self.idle) - IDLE_CENTRE })
    }

    /// The state as the fleet's record keeps it, where `total` is all that was counted so far; `None` before the first
    /// driven day.
    #[must_use]
    pub fn snapshot(&self, total: f64) -> Option<Snapshot> {
        let settled = self.days >= SETTLED_DAYS && self.driven_days >= SETTLED_DRIVEN && self.gap <= SETTLED_GAP;
        let features = self.features()?;
        Some(Snapshot {
            features,
            total,
            days: self.days,
            weekdays: self.profile.days(),
            week: self.week(),
            weeks: self.blocks,
            settled,
        })
    }
}

/// Snapshots of one meter on certain days.
#[derive(Clone, Debug)]
pub struct Snapshots<'a> {
    cuts: &'a [i64],
    filter: UsageFilter,
    total: f64,
    taken: Vec<Option<Snapshot>>,
}

impl<'a> Snapshots<'a> {
    /// Snapshots at the ends of the days `cuts`, rising day numbers.
    #[must_use]
    pub fn new(cuts: &'a [i64]) -> Self {
        Self { cuts, filter: UsageFilter::default(), total: 0.0, taken: Vec::with_capacity(cuts.len()) }
    }

    /// Counts a day later than every day before, as [`UsageFilter::step`] does.
    pub fn step(&mut self, day: &Brought) {
        self.take_before(day.number);
        self.total += self.filter.step(day);
    }

    /// The snapshots, one for each cut; `None` before the first driven day and after the day number `last`, up to which
    /// the car is known.
    #[must_use]
    pub fn finish(mut self, last: i64) -> Vec<Option<Snapshot>> {
        self.take_before(last.saturating_add(1));
        self.taken.resize(self.cuts.len(), None);
        self.taken
    }

    fn take_before(&mut self, on: i64) {
        while self.cuts.get(self.taken.len()).is_some_and(|cut| *cut < on) {
            self.taken.push(self.filter.snapshot(self.total));
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn day(number: i64, amount: f64) -> Brought {
        Brought { number, amount, driven: amount > 0.0, own: true }
    }

    #[test]
    fn the_decays_are_their_half_lives() {
        for (decay, half_life) in
            [(SLOW_DECAY, 365.0), (FAST_DECAY, 60.0), (IDLE_DECAY, 180.0), (BLOCK_DECAY, 365.0 / BLOCK_DAYS)]
        {
            assert!((decay - libm::exp2(-1.0 / half_life)).abs() < 1e-15, "{half_life}");
        }
    }

    #[test]
    fn an_even_car_has_no_change_and_no_noise() {
        let mut filter = UsageFilter::default();
        assert_eq!(filter.features(), None);
        filter.step(&day(1, 0.0));
        assert_eq!(filter.features(), None);
        for number in 2..702 {
            filter.step(&day(number, 300.0));
        }
        let found = filter.features().unwrap();
        assert!((found.level - 300.0).abs() < 1e-9 && found.change.abs() < 1e-12 && found.noise < 1e-6, "{found:?}");
        assert!((found.idle + 2.0).abs() < 1e-12);
    }

    #[test]
    fn a_level_is_the_same_on_every_day_of_the_week() {
        let mut filter = UsageFilter::default();
        let mut levels = Vec::new();
        for number in 1..=420 {
            filter.step(&day(number, if number % 7 < 5 { 350.0 } else { 0.0 }));
            levels.extend(filter.features().filter(|_| number > 400).map(|found| (found.level, found.change)));
        }
        assert!(levels.iter().all(|(level, change)| (level - 250.0).abs() < 1.0 && change.abs() < 0.005), "{levels:?}");
    }

    proptest! {
        #[test]
        fn stepped_is_as_summed(amounts in proptest::collection::vec(0.001_f64..1e6, 1..200)) {
            let mut filter = UsageFilter::default();
            // Days whose amounts are not their own: the week stays even.
            for (number, amount) in std::iter::once(&1.0).chain(&amounts).enumerate() {
                filter.step(&Brought { own: false, ..day(number as i64, *amount) });
            }
            let all: Vec<f64> = std::iter::once(1.0).chain(amounts).collect();
            // The same level in closed form, from the difference equation of its least squares: with nothing known at the
            // start the weights rise as the hyperbolic cosine, day by day.
            let mean = |half_life: f64| {
                let weight = |day: usize| libm::cosh((day as f64 + 0.5) * std::f64::consts::LN_2 / half_life);
                let weighted: f64 = all.iter().enumerate().map(|(day, amount)| weight(day) * amount).sum();
                weighted / (0..all.len()).map(weight).sum::<f64>()
            };
            let (slow, fast) = (mean(365.0), mean(60.0));
            let found = filter.features().unwrap();
            prop_assert!((found.level - slow).abs() <= 1e-9 * slow);
            prop_assert!((found.change - libm::log((fast + 0.1 * slow) / (1.1 * slow))).abs() <= 1e-9);
        }

        #[test]
        fn features_are_finite(amounts in proptest::collection::vec(0.0_f64..f64::MAX, 1..100)) {
            let mut filter = UsageFilter::default();
            for (number, amount) in amounts.iter().enumerate() {
                filter.step(&day(number as i64, *amount));
            }
            if let Some(found) = filter.features() {
                let all = [found.level, found.change, found.noise, found.idle];
                prop_assert!(all.iter().all(|number| number.is_finite()), "{found:?}");
            }
        }
    }
}
