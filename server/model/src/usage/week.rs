//! What each weekday brings beside the mean day.

use chrono::{Days, NaiveDate};

use super::days::day_number;
use super::filter::MOST;

/// Days of a week.
const DAYS: usize = 7;

/// Memory of one weekday: half of it after thirteen of them, a quarter of a year, so that another shift shows within a
/// season (by reasoning).
const FADING: f64 = 0.948_077_514_339_171_4;

/// [`FADING`] over one day.
const DAY_FADING: f64 = 0.992_411_933_860_698_7;

/// Relative standard deviation of the weekdays of one car beside each other, as expected before anything is known of it:
/// a car with one or two days off a week has 0.4 to 0.6 (by reasoning).
const EXPECTED_SPREAD: f64 = 0.5;

/// How uneven the days of one weekday are before anything is known, and for how many days that counts (by reasoning).
const EXPECTED_UNEVEN: f64 = 1.0;
const EXPECTED_DAYS: f64 = 7.0;

/// A weekday that brings less than this share of the mean day counts as a day off (by reasoning).
const LEAST_WEIGHT: f64 = 0.1;

/// Takes the noise of the last digits off a count of days before it is rounded up: 20 days are not 21.
pub(super) const ROUNDING: f64 = 1e-9;

/// What each weekday brings beside the mean day: weights from Monday to Sunday, with mean 1.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Week([f64; DAYS]);

impl Default for Week {
    fn default() -> Self {
        Self([1.0; DAYS])
    }
}

impl Week {
    /// The week in which a weekday brings its part of `amounts`, Monday to Sunday. Amounts that are no number, or bring
    /// nothing, make the even week.
    #[must_use]
    pub fn new(amounts: [f64; DAYS]) -> Self {
        let mean = amounts.iter().sum::<f64>() / DAYS as f64;
        let right = mean > 0.0 && amounts.iter().all(|amount| (0.0..=MOST).contains(amount));
        if right { Self(amounts.map(|amount| amount / mean)) } else { Self::default() }
    }

    /// The weights, Monday to Sunday.
    #[must_use]
    pub const fn weights(&self) -> [f64; DAYS] {
        self.0
    }

    /// The weight of a day by its number, days from the first of the common era, a Monday.
    #[must_use]
    pub fn on(&self, number: i64) -> f64 {
        self.0.get(place(number)).copied().unwrap_or(1.0)
    }

    /// The mean days from `from` to `to`, both included; 0 when `to` is earlier.
    pub(super) fn between(&self, from: NaiveDate, to: NaiveDate) -> f64 {
        let (first, count) = (day_number(from), (to - from).num_days() + 1);
        if count <= 0 {
            return 0.0;
        }
        let rest = count % DAYS as i64;
        (count - rest) as f64 + (first..first + rest).map(|number| self.on(number)).sum::<f64>()
    }

    /// The day, `first` or later, by the end of which the days from `first` on come to `mean_days`, more than 0; `None`
    /// beyond the calendar.
    pub(super) fn reached(&self, first: NaiveDate, mean_days: f64) -> Option<NaiveDate> {
        // Whole weeks come to seven mean days, whatever their weekdays; the last one, whole or not, is walked.
        let weeks_days = (libm::ceil(mean_days / DAYS as f64) - 1.0).max(0.0) * DAYS as f64;
        let mut left = mean_days - weeks_days;
        let mut day = first.checked_add_days(Days::new(weeks_days as u64))?;
        loop {
            left -= self.on(day_number(day));
            if left <= ROUNDING {
                return Some(day);
            }
            day = day.succ_opt()?;
        }
    }

    /// The mean days in so many days of each weekday.
    pub(super) fn mean_days(&self, days: [f64; DAYS]) -> f64 {
        self.0.iter().zip(days).map(|(weight, days)| weight * days).sum()
    }
}

/// The place of a day in its week, Monday 0.
fn place(number: i64) -> usize {
    (number - 1).rem_euclid(DAYS as i64) as usize
}

/// The weekdays of one meter of one car.
///
/// The mean of `n` days of one weekday, whose relative standard deviation is `c`, is known to `c²/n`; weekdays differ by
/// a relative standard deviation of [`EXPECTED_SPREAD`] `s`. So the even week weighs as `m = c²/s²` weeks: a weekday has
/// the weight `(n x + m) / (n + m)`, with `x` its mean beside that of all. `c` is pooled over the weekdays and begins at
/// [`EXPECTED_UNEVEN`]: the evenest car's weekdays are moved four fifths of the way by four weeks and nineteen twentieths
/// by ten, and one whose days are as uneven as their mean is held back by a sixth however long it is known.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Profile {
    means: [f64; DAYS],
    /// Days behind each mean, the old ones fading.
    counts: [f64; DAYS],
    /// Squares within the weekdays, and the days they were gathered on, both fading.
    squares: f64,
    spare: f64,
    /// Known days of each weekday so far.
    days: [f64; DAYS],
}

impl Profile {
    /// Counts a day that brought `amount`; where this is a guess it says nothing about its weekday.
    pub(super) fn step(&mut self, number: i64, amount: f64, is_own: bool) {
        let place = place(number);
        if let Some(days) = self.days.get_mut(place) {
            *days += 1.0;
        }
        let (Some(mean), Some(count)) = (self.means.get_mut(place), self.counts.get_mut(place)) else { return };
        if !is_own {
            return;
        }
        let before = FADING * *count;
        *count = before + 1.0;
        let off = amount - *mean;
        *mean += off / *count;
        self.squares = DAY_FADING * self.squares + off * off * before / *count;
        self.spare = DAY_FADING * self.spare + f64::from(u8::from(before > 0.0));
    }

    /// Known days of each weekday so far.
    pub(super) const fn days(&self) -> [f64; DAYS] {
        self.days
    }

    pub(super) fn week(&self) -> Week {
        let seen = self.counts.iter().filter(|count| **count > 0.0).count() as f64;
        let mean = self.means.iter().sum::<f64>() / seen;
        if seen < 1.0 || mean <= 0.0 {
            return Week::default();
        }
        let uneven = (self.squares / (mean * mean) + EXPECTED_DAYS * EXPECTED_UNEVEN * EXPECTED_UNEVEN)
            / (self.spare + EXPECTED_DAYS);
        let even = uneven / (EXPECTED_SPREAD * EXPECTED_SPREAD);
        let mut weights = self.means;
        for (weight, count) in weights.iter_mut().zip(self.counts) {
            *weight = (count * *weight / mean + even) / (count + even);
            if *weight < LEAST_WEIGHT {
                *weight = 0.0;
            }
        }
        Week::new(weights)
    }
}
