//! How many cars reach an edge within some days.

use std::collections::VecDeque;

use chrono::NaiveDate;

use super::Quantiles;
use crate::dist::normal;
use crate::usage::Reach;

/// The chance that an edge with these dates is reached on or before `by`, as seen from the end of `as_of`.
///
/// The logarithm of the days from `as_of` is taken as normal on either side of the median, as in [`Reach::chance`], so that
/// the chances at the three dates are 10, 50 and 90 %. Without a median it is 0.
#[must_use]
pub fn chance_by(dates: &Quantiles, as_of: NaiveDate, by: NaiveDate) -> f64 {
    let Some(median) = dates.p50 else { return 0.0 };
    let days = |date: NaiveDate| (date - as_of).num_days() as f64;
    if days(median) <= 0.0 {
        return f64::from(u8::from(by >= median));
    }
    let early = dates.p10.map_or(f64::INFINITY, |date| days(date).max(LEAST_DAYS));
    let late = dates.p90.map_or(f64::INFINITY, days);
    Reach([early, days(median), late]).chance(days(by))
}

/// A date on or before the day it is seen from stands for half a day, so that it has a logarithm.
const LEAST_DAYS: f64 = 0.5;

/// How many of several cars do something, each with a chance of its own.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tally {
    /// Expected number.
    pub mean: f64,
    /// The least number reached with a chance of at least 10 %: `P(N <= p10) >= 0.1`.
    pub p10: u32,
    /// The same at 90 %.
    pub p90: u32,
}

/// Above this variance the count is as good as normal.
const NORMAL_ABOVE: f64 = 100.0;

/// Counts less likely than this are no longer followed: all that is lost of a fleet's probability is far below [`ROUNDING`].
const NEGLIGIBLE: f64 = 1e-20;

/// The number of cars that do something with these chances, each for itself.
///
/// It is Poisson-binomial: `N = sum B_i` with `P(B_i = 1) = p_i`. Up to a variance `sum p_i (1 - p_i)` of 100 its
/// probabilities are worked out one car after the other, `P_i(n) = (1 - p_i) P_{i-1}(n) + p_i P_{i-1}(n - 1)`, around the mean only;
/// above it is taken as normal with the same mean and variance, rounded at half a car. What moves all cars alike, such as a holiday, is not in it.
#[must_use]
pub fn tally(chances: &[f64]) -> Tally {
    let mean: f64 = chances.iter().sum();
    let variance: f64 = chances.iter().map(|chance| chance * (1.0 - chance)).sum();
    let deviation = libm::sqrt(variance);
    if variance > NORMAL_ABOVE {
        let at = |chance: f64| libm::ceil((mean + normal::quantile(chance) * deviation - 0.5).max(0.0)) as u32;
        return Tally { mean, p10: at(0.1), p90: at(0.9) };
    }
    let (mut first, mut mass) = (0, VecDeque::from([1.0]));
    for chance in chances.iter().filter(|chance| **chance > 0.0) {
        let mut below = 0.0;
        for here in &mut mass {
            let before = *here;
            *here = (1.0 - chance) * before + chance * below;
            below = before;
        }
        mass.push_back(chance * below);
        let unlikely = |mass: Option<&f64>| mass.is_some_and(|mass| *mass < NEGLIGIBLE);
        while unlikely(mass.front()) {
            mass.pop_front();
            first += 1;
        }
        while unlikely(mass.back()) {
            mass.pop_back();
        }
    }
    Tally { mean, p10: first + least(&mass, 0.1), p90: first + least(&mass, 0.9) }
}

/// The least count whose cumulated probability is at least `chance`.
fn least(mass: &VecDeque<f64>, chance: f64) -> u32 {
    let mut sum = 0.0;
    let found = mass.iter().position(|mass| {
        sum += mass;
        sum >= chance - ROUNDING
    });
    found.unwrap_or(mass.len().saturating_sub(1)) as u32
}

/// Takes the noise of the last digits off a cumulated probability.
const ROUNDING: f64 = 1e-12;

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn dates(p10: &str, p50: &str, p90: &str) -> Quantiles {
        Quantiles { p10: Some(date(p10)), p50: Some(date(p50)), p90: Some(date(p90)) }
    }

    #[test]
    fn the_chances_at_the_three_dates_are_theirs() {
        let edge = dates("2026-06-11", "2026-06-21", "2026-07-11");
        for (by, chance) in [("2026-06-11", 0.1), ("2026-06-21", 0.5), ("2026-07-11", 0.9), ("2026-06-01", 0.0)] {
            let found = chance_by(&edge, date("2026-06-01"), date(by));
            assert!((found - chance).abs() < 1e-9, "{by}: {found}");
        }
    }

    #[test]
    fn what_has_been_reached_is_sure_and_what_has_no_date_is_not_in_sight() {
        let crossed = dates("2026-05-20", "2026-05-20", "2026-05-20");
        let chance = |edge: &Quantiles, by: &str| chance_by(edge, date("2026-06-01"), date(by));
        assert_eq!((chance(&crossed, "2026-05-19"), chance(&crossed, "2026-05-20")), (0.0, 1.0));
        assert_eq!(chance(&Quantiles::default(), "2027-01-01"), 0.0);
        let sure = dates("2026-06-10", "2026-06-10", "2026-06-10");
        assert_eq!((chance(&sure, "2026-06-09"), chance(&sure, "2026-06-10")), (0.0, 1.0));
        let open = Quantiles { p90: None, ..dates("2026-06-11", "2026-06-21", "2026-06-21") };
        assert!(chance(&open, "2026-12-01") >= 0.5);
    }

    /// Worked out by hand from Pascal's triangle.
    #[test]
    fn alike_chances_give_the_binomial() {
        assert_eq!(tally(&[]), Tally::default());
        // P(0) = 0.25, P(<= 1) = 0.75.
        assert_eq!(tally(&[0.5, 0.5]), Tally { mean: 1.0, p10: 0, p90: 2 });
        assert_eq!(tally(&[1.0, 1.0, 0.0]), Tally { mean: 2.0, p10: 2, p90: 2 });
        // P(N <= 6) = 0.0577, P(N <= 7) = 0.1316; P(N <= 12) = 0.8684, P(N <= 13) = 0.9423.
        assert_eq!(tally(&[0.5; 20]), Tally { mean: 10.0, p10: 7, p90: 13 });
        // Sure cars only move the count.
        let mut many = vec![1.0; 5_000];
        many.extend([0.5; 20]);
        assert_eq!(tally(&many), Tally { mean: 5_010.0, p10: 5_007, p90: 5_013 });
    }

    #[test]
    fn many_cars_join_the_normal_smoothly() {
        // 400 at a half have a variance of 100 and are counted out; one more is taken as normal.
        let (exact, normal) = (tally(&[0.5; 400]), tally(&[0.5; 401]));
        assert_eq!((exact.p10, exact.p90), (187, 213));
        assert!(exact.p10.abs_diff(normal.p10) <= 1 && exact.p90.abs_diff(normal.p90) <= 1, "{normal:?}");
    }
}
