//! What a value brought that was not expected.

/// Logarithm of 2 pi.
const LN_2_PI: f64 = 1.837_877_066_409_345_3;

/// What a value brought that the filter had not forecast.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Innovation {
    /// The value set a part of the state of which nothing was known.
    Start {
        /// `F∞`, the factor of the infinite variance of its forecast.
        spread: f64,
    },
    /// The value was forecast.
    Forecast {
        /// `v`: the value less its forecast.
        error: f64,
        /// `F`: variance of that error.
        variance: f64,
    },
}

impl Innovation {
    /// What the value adds to the logarithm of the likelihood: `-(ln 2 pi + ln F + v² / F) / 2`, and of a start
    /// `-(ln 2 pi + ln F∞) / 2` (Durbin & Koopman 2012, section 7.2.2; from memory).
    ///
    /// The sum over all values is the diffuse likelihood; some leave the `ln 2 pi` of the starts out.
    #[must_use]
    pub fn log_density(&self) -> f64 {
        let surprise = match self {
            Self::Start { spread } => libm::log(*spread),
            Self::Forecast { error, variance } => libm::log(*variance) + error * error / variance,
        };
        -(LN_2_PI + surprise) / 2.0
    }
}
