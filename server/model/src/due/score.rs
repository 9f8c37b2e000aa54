//! Forecasts held against what happened.

use crate::dist::{median, normal};

/// Chances of the quantiles that are forecast and scored.
pub const CHANCES: [f64; 3] = [0.1, 0.5, 0.9];

/// What came of a forecast, in days since it was made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outcome {
    /// Days until the edge was passed; days followed so far where it is not yet (censored, and kept).
    pub days: f64,
    /// Days followed: a forecast beyond this cannot be told from one at it.
    pub followed: f64,
}

/// How good many forecasts were.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Score {
    /// Forecasts scored.
    pub count: usize,
    /// Mean pinball loss in days over the three quantiles: the smaller the better.
    pub mean_pinball: f64,
    /// Share of outcomes from the 10 % to the 90 % quantile: 0.8 is right.
    pub cover80: f64,
    /// Share of outcomes before the 10 % quantile.
    pub below_q10: f64,
    /// Share of outcomes after the 90 % quantile.
    pub above_q90: f64,
    /// Median of the absolute error of the 50 % quantile, in days.
    pub median_abs_error: f64,
}

/// Pinball loss of the quantile `forecast` of chance `p` against `outcome`, in their unit.
///
/// `p (Y - y)` where the outcome Y lies at or above the forecast y, else `(1 - p) (y - Y)` (Koenker & Bassett,
/// "Regression quantiles", 1978; from memory).
#[must_use]
pub fn pinball(p: f64, forecast: f64, outcome: f64) -> f64 {
    if outcome >= forecast { p * (outcome - forecast) } else { (1.0 - p) * (forecast - outcome) }
}

/// Scores forecasts, quantiles in days since they were made (infinite where beyond any horizon), against outcomes.
///
/// Outcome and quantiles are both cut at the days followed; cutting is monotone, so the p-quantile of the cut outcome is
/// the cut p-quantile, and the score stays proper with no need to know what came later. `None` without any forecast.
#[must_use]
pub fn score(forecasts: impl IntoIterator<Item = ([f64; 3], Outcome)>) -> Option<Score> {
    let (mut pinballs, mut below, mut above) = (0.0, 0_usize, 0_usize);
    let mut errors = Vec::new();
    for (quantiles, outcome) in forecasts {
        let [low, middle, high] = quantiles.map(|day| day.min(outcome.followed));
        for (p, forecast) in CHANCES.into_iter().zip([low, middle, high]) {
            pinballs += pinball(p, forecast, outcome.days);
        }
        below += usize::from(outcome.days < low);
        above += usize::from(outcome.days > high);
        errors.push((middle - outcome.days).abs());
    }
    let count = errors.len();
    let share = |part: usize| part as f64 / count as f64;
    Some(Score {
        count,
        mean_pinball: pinballs / (count * CHANCES.len()) as f64,
        cover80: 1.0 - share(below) - share(above),
        below_q10: share(below),
        above_q90: share(above),
        median_abs_error: median(errors)?,
    })
}

/// The naive forecast: daily distances independent and normal with mean `m` and standard deviation `s`; the day by
/// which `distance` is driven with chance `p`.
///
/// `sqrt(n) = (z s + sqrt(z² s² + 4 m D)) / (2 m)` with `z` the normal quantile of `p`; it solves `(m n - D) / (s sqrt n) = z`.
#[must_use]
pub fn naive(mean: f64, sd: f64, distance: f64, p: f64) -> f64 {
    if mean <= 0.0 {
        return f64::INFINITY;
    }
    let spread = normal::quantile(p) * sd;
    let root = (spread + (spread * spread + 4.0 * mean * distance.max(0.0)).sqrt()) / (2.0 * mean);
    root * root
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outcome(days: f64, followed: f64) -> Outcome {
        Outcome { days, followed }
    }

    #[test]
    fn a_sharp_right_forecast_costs_nothing() {
        let score = score([([10.0; 3], outcome(10.0, 30.0))]).unwrap();
        assert_eq!((score.mean_pinball, score.cover80, score.median_abs_error), (0.0, 1.0, 0.0));
    }

    #[test]
    fn losses_by_hand() {
        // Outcome 20 against 10, 18, 30: 0.1*10, 0.5*2, 0.1*10 = 3 over three quantiles.
        let one = score([([10.0, 18.0, 30.0], outcome(20.0, 99.0))]).unwrap();
        assert!((one.mean_pinball - 1.0).abs() < 1e-12);
        // Not passed after 15 days: all quantiles cut to 15 at most: 0.1*5 and nothing else.
        let censored = score([([10.0, 18.0, 30.0], outcome(15.0, 15.0))]).unwrap();
        assert!((censored.mean_pinball - 0.5 / 3.0).abs() < 1e-12);
        assert_eq!((censored.below_q10, censored.above_q90), (0.0, 0.0));
    }

    #[test]
    fn a_quantile_beyond_any_horizon_is_cut_too() {
        let score = score([([5.0, f64::INFINITY, f64::INFINITY], outcome(10.0, 10.0))]).unwrap();
        assert!((score.mean_pinball - 0.5 / 3.0).abs() < 1e-12);
    }

    #[test]
    fn nothing_has_no_score() {
        assert_eq!(score([]), None);
    }

    #[test]
    fn the_naive_median_is_the_distance_over_the_rate() {
        assert!((naive(150.0, 60.0, 3000.0, 0.5) - 20.0).abs() < 1e-12);
        for p in CHANCES {
            let days = naive(150.0, 60.0, 3000.0, p);
            let z = (150.0 * days - 3000.0) / (60.0 * days.sqrt());
            assert!((normal::cdf(z) - p).abs() < 1e-9);
        }
    }
}
