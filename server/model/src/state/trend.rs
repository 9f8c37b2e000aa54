//! A level with a slope, both of which drift, seen with noise.

use super::Innovation;

/// A level with a slope: `y = m + N(0, noise)`, and from day to day `m + s + N(0, level)` and `s + N(0, slope)`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrendModel {
    /// `r`: variance of a value around the level, above 0.
    pub noise: f64,
    /// Variance of what the level drifts in a day beside its slope, 0 or more.
    pub level: f64,
    /// Variance of what the slope drifts in a day, 0 or more.
    pub slope: f64,
}

/// What is known of level and slope.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TrendState {
    /// Mean of the level, which is that of a value too.
    pub level: f64,
    /// Mean of the slope, a day.
    pub slope: f64,
    /// Variance of the level; that of a value is larger by [`TrendModel::noise`].
    pub level_variance: f64,
    /// Covariance of level and slope.
    pub covariance: f64,
    /// Variance of the slope.
    pub slope_variance: f64,
}

/// The filter of a [`TrendModel`]: six numbers.
///
/// ```
/// use ventmile_model::state::{LinearTrend, TrendModel};
///
/// let model = TrendModel { noise: 4.0, level: 0.0, slope: 0.0 };
/// let mut trend = LinearTrend::default();
/// trend.update(&model, 100.0);
/// trend = trend.after(&model, 10);
/// trend.update(&model, 90.0);
/// assert_eq!(trend.after(&model, 5).state().unwrap().level, 85.0);
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LinearTrend {
    known: TrendState,
    unknown: Unknown,
}

/// The part of the state of which nothing is known. As long as it is the slope its infinite variance is that of
/// `(days, 1)`: the level is uncertain by what the slope brought since the first value.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
enum Unknown {
    #[default]
    All,
    Slope {
        days: f64,
    },
    Nothing,
}

impl LinearTrend {
    /// What is known of level and slope; `None` before there were values on two days.
    #[must_use]
    pub fn state(&self) -> Option<TrendState> {
        (self.unknown == Unknown::Nothing).then_some(self.known)
    }

    /// The filter when `days` have passed without a value.
    ///
    /// That many single days in one: with `h` days the drift of the slope adds `h` times its variance to that of the
    /// slope, `h (h - 1) / 2` times to the covariance and, as the sum of squares `0² + … + (h - 1)²`,
    /// `h (h - 1) (2 h - 1) / 6` times to that of the level.
    #[must_use]
    pub fn after(self, model: &TrendModel, days: u32) -> Self {
        let TrendState { level, slope, level_variance, covariance, slope_variance } = self.known;
        let h = f64::from(days);
        let sum = h * (h - 1.0) / 2.0;
        let squares = sum * (2.0 * h - 1.0) / 3.0;
        let known = TrendState {
            level: level + h * slope,
            slope,
            level_variance: level_variance
                + h * (2.0 * covariance + h * slope_variance + model.level)
                + squares * model.slope,
            covariance: covariance + h * slope_variance + sum * model.slope,
            slope_variance: slope_variance + h * model.slope,
        };
        let unknown = match self.unknown {
            Unknown::Slope { days } => Unknown::Slope { days: days + h },
            other => other,
        };
        Self { known, unknown }
    }

    /// Takes in a finite value.
    pub fn update(&mut self, model: &TrendModel, value: f64) -> Innovation {
        match self.unknown {
            Unknown::All => self.set_level(model, value),
            Unknown::Slope { days } if days > 0.0 => self.set_slope(model, value, days),
            _ => self.correct(model, value),
        }
    }

    fn set_level(&mut self, model: &TrendModel, value: f64) -> Innovation {
        self.known = TrendState { level: value, level_variance: model.noise, ..TrendState::default() };
        self.unknown = Unknown::Slope { days: 0.0 };
        Innovation::Start { spread: 1.0 }
    }

    /// With `P∞ = (days, 1)(days, 1)'` the gain is `K = (1, 1 / days)`, the value is believed wholly, and what was known
    /// of the slope is left as `(1 - K Z) P (1 - K Z)' + K r K'`.
    fn set_slope(&mut self, model: &TrendModel, value: f64, days: f64) -> Innovation {
        let TrendState { level, slope, level_variance, covariance, slope_variance } = self.known;
        let TrendModel { noise, .. } = *model;
        self.known = TrendState {
            level: value,
            slope: slope + (value - level) / days,
            level_variance: noise,
            covariance: noise / days,
            slope_variance: slope_variance + ((level_variance + noise) / days - 2.0 * covariance) / days,
        };
        self.unknown = Unknown::Nothing;
        Innovation::Start { spread: days * days }
    }

    /// `v = y - m`, `F = P_mm + r`, `K = (P_mm, P_ms) / F`.
    fn correct(&mut self, model: &TrendModel, value: f64) -> Innovation {
        let TrendState { level, slope, level_variance, covariance, slope_variance } = self.known;
        let error = value - level;
        let variance = level_variance + model.noise;
        let (level_gain, slope_gain) = (level_variance / variance, covariance / variance);
        self.known = TrendState {
            level: level + level_gain * error,
            slope: slope + slope_gain * error,
            level_variance: level_gain * model.noise,
            covariance: slope_gain * model.noise,
            slope_variance: slope_variance - slope_gain * covariance,
        };
        Innovation::Forecast { error, variance }
    }
}
