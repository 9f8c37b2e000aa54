//! Estimates that a few wild values do not move.
//!
//! Their intervals are order statistics: of all pairs of values, so many are left out at either end as the statistic's
//! normal approximation says, rounded to the nearest (as scipy's `theilslopes` does, and as R's exact intervals come out
//! on small samples).

use crate::dist::{median, normal};

/// A level at a time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Time, in any unit from any start.
    pub t: f64,
    /// Level at that time.
    pub level: f64,
}

/// An estimate between the ends of its interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// Lower end.
    pub low: f64,
    /// The estimate itself.
    pub mid: f64,
    /// Upper end.
    pub high: f64,
}

impl Estimate {
    /// The estimate through a function that rises.
    pub(super) fn map(self, through: impl Fn(f64) -> f64) -> Self {
        Self { low: through(self.low), mid: through(self.mid), high: through(self.high) }
    }
}

/// A straight line through points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Its slope, in level per time.
    pub slope: Estimate,
    /// Its level at time zero: the median of what the slope leaves over.
    pub intercept: f64,
}

/// The line of Theil and Sen: its slope is the median of the slopes between all pairs of points that differ in time, its
/// interval at `confidence` by the variance of Kendall's statistic with ties (Sen 1968). Takes time and room as the
/// square of the points. `None` without two different times.
#[must_use]
pub fn theil_sen(points: &[Point], confidence: f64) -> Option<Line> {
    let mut sorted = points.to_vec();
    sorted.sort_unstable_by(|one, two| one.t.total_cmp(&two.t));
    let slopes = pairs(&sorted).filter(|(one, two)| one.t < two.t);
    let slopes: Vec<f64> = slopes.map(|(one, two)| (two.level - one.level) / (two.t - one.t)).collect();
    let tied =
        ties(points.iter().map(|point| point.t).collect()) + ties(points.iter().map(|point| point.level).collect());
    let variance = (kendall(points.len()) - tied) / 72.0;
    let slope = middle(slopes, variance, confidence)?;
    let intercept = median(points.iter().map(|point| point.level - slope.mid * point.t).collect())?;
    Some(Line { slope, intercept })
}

/// The centre of `values` after Hodges and Lehmann: the median of the means of all pairs, each value paired with itself
/// too; its interval is that of the signed-rank test. `None` without values.
#[must_use]
pub fn centre(values: &[f64], confidence: f64) -> Option<Estimate> {
    let means = pairs(values).map(|(one, two)| (one + two) / 2.0).chain(values.iter().copied()).collect();
    let n = values.len() as f64;
    middle(means, n * (n + 1.0) * (2.0 * n + 1.0) / 24.0, confidence)
}

/// How far `after` lies above `before` after Hodges and Lehmann: the median of all differences; its interval is that of
/// the rank-sum test. `None` where either is empty.
#[must_use]
pub fn shift(before: &[f64], after: &[f64], confidence: f64) -> Option<Estimate> {
    let differences = after.iter().flat_map(|late| before.iter().map(move |early| late - early)).collect();
    let (m, n) = (before.len() as f64, after.len() as f64);
    middle(differences, m * n * (m + n + 1.0) / 12.0, confidence)
}

/// Spread of `values`: 1.4826 times the median distance from their median, which is the standard deviation of normal
/// ones. Zero without values.
#[must_use]
pub fn scatter(values: &[f64]) -> f64 {
    let Some(middle) = median(values.to_vec()) else { return 0.0 };
    1.4826 * median(values.iter().map(|value| (value - middle).abs()).collect()).unwrap_or(0.0)
}

/// Every pair of two different places, the earlier first.
fn pairs<T>(values: &[T]) -> impl Iterator<Item = (&T, &T)> {
    values.iter().enumerate().flat_map(|(place, one)| values.iter().skip(place + 1).map(move |two| (one, two)))
}

/// The median of `values` between their order statistics at `confidence`, where the count of values below the truth has
/// `variance`.
fn middle(mut values: Vec<f64>, variance: f64, confidence: f64) -> Option<Estimate> {
    values.sort_unstable_by(f64::total_cmp);
    let last = values.len().checked_sub(1)?;
    let reach = normal::quantile(0.5 + confidence / 2.0) * libm::sqrt(variance.max(0.0));
    let left_out = libm::round(values.len() as f64 / 2.0 - reach).max(1.0) as usize - 1;
    let left_out = left_out.min(last / 2);
    let (low, high) = (*values.get(left_out)?, *values.get(last - left_out)?);
    Some(Estimate { low, mid: median(values)?, high })
}

/// `k (k - 1) (2 k + 5)`: what `k` values in disorder, or `k` equal ones, add to Kendall's variance, times 18.
fn kendall(k: usize) -> f64 {
    let k = k as f64;
    k * (k - 1.0) * (2.0 * k + 5.0)
}

/// The sum of [`kendall`] over the groups of equal values.
fn ties(mut values: Vec<f64>) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    values.chunk_by(|one, two| one == two).map(|equal| kendall(equal.len())).sum()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const TOLERANCE: f64 = 1e-9;

    fn points(t: &[f64], levels: &[f64]) -> Vec<Point> {
        t.iter().zip(levels).map(|(t, level)| Point { t: *t, level: *level }).collect()
    }

    #[track_caller]
    fn check(found: Estimate, mid: f64, low: f64, high: f64) {
        for (found, expected) in [(found.mid, mid), (found.low, low), (found.high, high)] {
            assert!((found - expected).abs() <= TOLERANCE * expected.abs().max(1.0), "{found:?} is not {expected}");
        }
    }

    #[track_caller]
    fn check_line(points: &[Point], confidence: f64, slope: [f64; 3], intercept: f64) {
        let line = theil_sen(points, confidence).unwrap();
        check(line.slope, slope[0], slope[1], slope[2]);
        assert!((line.intercept - intercept).abs() <= TOLERANCE * intercept.abs(), "{}", line.intercept);
    }

    #[test]
    fn slopes_of_the_literature() {
        // The example of ci.theil in the R package statpsych prints 0.5 and 0.3243243 to 0.75; scipy agrees.
        let x = [67.0, 28.0, 30.0, 28.0, 52.0, 40.0, 25.0, 37.0, 44.0, 10.0, 14.0, 20.0, 28.0, 40.0, 51.0];
        let y = [21.0, 4.0, 9.0, 12.0, 35.0, 18.0, 10.0, 22.0, 24.0, 1.0, 6.0, 8.0, 13.0, 16.0, 19.0];
        check_line(&points(&x, &y), 0.95, [0.5, 12.0 / 37.0, 0.75], -2.0);
        // Cloud seeding, Hollander & Wolfe; interval by scipy.
        let y = [1.26, 1.27, 1.12, 1.16, 1.03];
        check_line(&points(&[1.0, 2.0, 3.0, 4.0, 5.0], &y), 0.95, [-0.05625, -0.15, 0.04], 1.31625);
        // Sen 1968, section 6 (data and slope from memory); interval by scipy.
        let (x, y) = ([1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0], [9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0]);
        check_line(&points(&x, &y), 0.93, [4.0, 26.0 / 7.0, 4.375], 6.0);
    }

    #[test]
    fn eight_gross_errors_of_sixty_do_not_move_it() {
        // Made odometer, true slope 310 a day (numpy default_rng(61)); slope and interval by scipy.
        let rows = include_str!("../../tests/data/wear/odometer_gross_errors.csv").lines().skip(1);
        let number = |text: &str| text.parse::<f64>().unwrap();
        let rows = rows.map(|row| row.split_once(',').unwrap());
        let points: Vec<_> = rows.map(|(t, level)| Point { t: number(t), level: number(level) }).collect();
        check_line(&points, 0.95, [310.129_080_613, 309.519_230_769_230_8, 310.705_882_352_941_2], 52_000.593_437_7);
    }

    /// Depression scores before and after, Hollander & Wolfe 1973 p. 29; in R `?wilcox.test`.
    const BEFORE: [f64; 9] = [1.83, 0.5, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.3];
    #[allow(clippy::approx_constant, reason = "a score that happens to look like pi")]
    const AFTER: [f64; 9] = [0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29];

    #[test]
    fn centres_and_shifts_of_the_literature() {
        // R 4.2.2 prints -0.46 and -0.786 to -0.01.
        let differences: Vec<f64> = AFTER.iter().zip(BEFORE).map(|(after, before)| after - before).collect();
        check(centre(&differences, 0.95).unwrap(), -0.46, -0.786, -0.01);
        // Permeability, Hollander & Wolfe 1973 p. 69; R 4.2.2 prints 0.305 and -0.15 to 0.76.
        let at_term = [0.8, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46];
        let early = [1.15, 0.88, 0.9, 0.74, 1.21];
        check(shift(&early, &at_term, 0.95).unwrap(), 0.305, -0.15, 0.76);
    }

    #[test]
    fn scatter_is_what_r_calls_mad() {
        // R: mad(x) of the scores before.
        assert!((scatter(&BEFORE) - 0.29652).abs() < TOLERANCE);
        assert_eq!(scatter(&[]), 0.0);
    }

    #[test]
    fn nothing_gives_nothing() {
        assert_eq!(theil_sen(&points(&[1.0, 1.0], &[1.0, 2.0]), 0.9), None);
        assert_eq!((centre(&[], 0.9), shift(&[], &[1.0], 0.9)), (None, None));
        let one = centre(&[2.0], 0.9).unwrap();
        assert_eq!((one.low, one.mid, one.high), (2.0, 2.0, 2.0));
    }

    proptest! {
        #[test]
        fn never_panics(
            numbers in prop::collection::vec((prop::num::f64::ANY, prop::num::f64::ANY), 0..12),
            confidence in prop::num::f64::ANY,
        ) {
            let points: Vec<_> = numbers.iter().map(|(t, level)| Point { t: *t, level: *level }).collect();
            let levels: Vec<_> = numbers.iter().map(|(_, level)| *level).collect();
            let _ = (theil_sen(&points, confidence), centre(&levels, confidence), scatter(&levels));
        }

        #[test]
        fn the_order_of_points_does_not_matter(
            (points, shuffled) in prop::collection::vec((0_i32..20, -9_i32..9), 2..12)
                .prop_flat_map(|points| (Just(points.clone()), Just(points).prop_shuffle())),
        ) {
            let line = |points: &[(i32, i32)]| {
                let points: Vec<_> = points.iter().map(|(t, level)| Point { t: (*t).into(), level: (*level).into() }).collect();
                theil_sen(&points, 0.8)
            };
            prop_assert_eq!(line(&points), line(&shuffled));
        }
    }
}
