//! A level that drifts, seen with noise.

use super::Innovation;

/// A level that drifts, seen with noise: `y = m + N(0, noise)`, and from day to day `m + N(0, drift)`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelModel {
    /// `r`: variance of a value around the level, above 0.
    pub noise: f64,
    /// `q`: variance of what the level drifts in a day, 0 or more.
    pub drift: f64,
}

impl LevelModel {
    /// The model, in units of its noise, whose filter in the long run weighs each value by `decay` less than the next.
    ///
    /// There the gain `K` of the filter solves `K² / (1 - K) = q / r` (Durbin & Koopman 2012, section 2.11; from memory),
    /// and `decay = 1 - K`, between 0 and 1.
    #[must_use]
    pub const fn with_decay(decay: f64) -> Self {
        Self { noise: 1.0, drift: (1.0 - decay) * (1.0 - decay) / decay }
    }
}

/// What is known of the level.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LevelState {
    /// Mean of the level, which is that of a value too.
    pub level: f64,
    /// Variance of the level; that of a value is larger by [`LevelModel::noise`].
    pub variance: f64,
}

/// The filter of a [`LevelModel`]: two numbers.
///
/// ```
/// use ventmile_model::state::{LevelModel, LocalLevel};
///
/// let model = LevelModel { noise: 15_099.0, drift: 1_469.1 };
/// let mut nile = LocalLevel::default();
/// nile.update(&model, 1_120.0);
/// nile = nile.after(&model, 1);
/// nile.update(&model, 1_160.0);
/// assert!((nile.state().unwrap().level - 1_140.93).abs() < 0.01);
/// ```
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LocalLevel(LevelState);

impl Default for LocalLevel {
    /// Nothing known.
    fn default() -> Self {
        Self(LevelState { level: 0.0, variance: f64::INFINITY })
    }
}

impl LocalLevel {
    /// What is known of the level; `None` before the first value.
    #[must_use]
    pub fn state(&self) -> Option<LevelState> {
        self.0.variance.is_finite().then_some(self.0)
    }

    /// The filter when `days` have passed without a value: `P + days q`.
    #[must_use]
    pub fn after(mut self, model: &LevelModel, days: u32) -> Self {
        self.0.variance += f64::from(days) * model.drift;
        self
    }

    /// Takes in a finite value: `v = y - m`, `F = P + r`, `K = P / F`, then `m + K v` and `P (1 - K) = K r`.
    pub fn update(&mut self, model: &LevelModel, value: f64) -> Innovation {
        let LevelState { level, variance } = self.0;
        if variance.is_infinite() {
            self.0 = LevelState { level: value, variance: model.noise };
            return Innovation::Start { spread: 1.0 };
        }
        let error = value - level;
        let expected = variance + model.noise;
        let gain = variance / expected;
        self.0 = LevelState { level: level + gain * error, variance: gain * model.noise };
        Innovation::Forecast { error, variance: expected }
    }
}
