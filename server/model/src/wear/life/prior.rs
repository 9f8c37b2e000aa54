//! What is held likely before any failure was seen.

/// A normal distribution of one parameter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Normal {
    /// Its mean.
    pub mean: f64,
    /// Its standard deviation, above 0.
    pub sd: f64,
}

impl Normal {
    pub(super) fn is_proper(&self) -> bool {
        self.mean.is_finite() && self.sd.is_finite() && self.sd > 0.0
    }
}

/// Independent normal priors. What has none is estimated by maximum likelihood alone.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Prior {
    /// Of the logarithm of the shape.
    pub log_shape: Option<Normal>,
    /// Of the logarithm of the scale of a pack whose covariates are all 0, so covariates are best given as differences
    /// from a usual pack.
    pub log_scale: Option<Normal>,
    /// Of every coefficient, per unit of its covariate.
    pub coefficients: Option<Normal>,
}

impl Prior {
    /// No prior: maximum likelihood.
    #[must_use]
    pub const fn none() -> Self {
        Self { log_shape: None, log_scale: None, coefficients: None }
    }

    /// A weak prior about a typical scale, in the unit of the lives.
    ///
    /// No usable published Weibull parameters of such packs were found, so it says little (by reasoning): the shape is
    /// 2, wear-out, within 1.1 and 3.6 with 68 % (standard deviation 0.6 of its logarithm, which leaves falling risk
    /// possible); the scale is known within a factor of 2.7 either way with 68 %; a unit of a covariate changes life by
    /// less than a factor of 2.7 with 68 %.
    #[must_use]
    pub fn weak(scale: f64) -> Self {
        Self {
            log_shape: Some(Normal { mean: std::f64::consts::LN_2, sd: 0.6 }),
            log_scale: Some(Normal { mean: libm::log(scale), sd: 1.0 }),
            coefficients: Some(Normal { mean: 0.0, sd: 1.0 }),
        }
    }

    /// The priors of shape and scale.
    pub(super) fn both(&self) -> Option<(Normal, Normal)> {
        Some((self.log_shape?, self.log_scale?))
    }
}
