//! The Weibull distribution.

/// A Weibull distribution: `S(t) = exp(-(t / scale)^shape)` (W. Weibull, "A statistical distribution function of wide
/// applicability", Journal of Applied Mechanics 18 (1951) 293-297).
///
/// Both parameters are positive; the scale is in the unit of the lives, the age by which 63.2 % have failed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weibull {
    /// The shape: below 1 the risk falls with age, above 1 it rises.
    pub shape: f64,
    /// The scale, in the unit of the lives.
    pub scale: f64,
}

impl Weibull {
    /// The cumulative hazard `(age / scale)^shape`, 0 for an age below 0.
    #[must_use]
    pub fn cumulative_hazard(self, age: f64) -> f64 {
        libm::pow(age.max(0.0) / self.scale, self.shape)
    }

    /// The chance to live longer than an age.
    #[must_use]
    pub fn survival(self, age: f64) -> f64 {
        libm::exp(-self.cumulative_hazard(age))
    }

    /// The risk per unit of age, `shape / scale (age / scale)^(shape - 1)`.
    #[must_use]
    pub fn hazard(self, age: f64) -> f64 {
        self.shape / self.scale * libm::pow(age.max(0.0) / self.scale, self.shape - 1.0)
    }

    /// The age by which this share has failed: `scale (-ln(1 - chance))^(1 / shape)`.
    #[must_use]
    pub fn quantile(self, chance: f64) -> f64 {
        self.quantile_after(0.0, chance)
    }

    /// The age by which this share has failed of those that live at `age`:
    /// `scale ((age / scale)^shape - ln(1 - chance))^(1 / shape)`.
    #[must_use]
    pub fn quantile_after(self, age: f64, chance: f64) -> f64 {
        self.scale * libm::pow(self.cumulative_hazard(age) - libm::log1p(-chance), 1.0 / self.shape)
    }

    /// The cumulative hazard between an age and `further` on, without the cancellation of a plain difference.
    #[must_use]
    pub fn hazard_between(self, age: f64, further: f64) -> f64 {
        if age <= 0.0 {
            return self.cumulative_hazard(age + further);
        }
        let growth = self.shape * libm::log1p(further.max(0.0) / age);
        self.cumulative_hazard(age) * libm::expm1(growth)
    }

    /// The chance to fail within `further` of those that live at `age`.
    #[must_use]
    pub fn chance_within(self, age: f64, further: f64) -> f64 {
        -libm::expm1(-self.hazard_between(age, further))
    }

    /// The mean life, `scale Gamma(1 + 1 / shape)`.
    #[must_use]
    pub fn mean(self) -> f64 {
        self.scale * libm::tgamma(1.0 + 1.0 / self.shape)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_conditional_risk() {
        // Computed from the definition: 1 - exp((100/150)^3 - (105/150)^3) = 4.563 %.
        let curve = Weibull { shape: 3.0, scale: 150_000.0 };
        assert!((curve.chance_within(100_000.0, 5_000.0) - 0.045_63).abs() < 5e-6);
        assert!((curve.chance_within(0.0, 150_000.0) - (1.0 - 1.0 / std::f64::consts::E)).abs() < 1e-15);
    }

    #[test]
    fn means_by_the_gamma_function() {
        // Gamma(2) = 1 and Gamma(3/2) = sqrt(pi) / 2.
        assert!((Weibull { shape: 1.0, scale: 7.0 }.mean() - 7.0).abs() < 1e-14);
        assert!((Weibull { shape: 2.0, scale: 1.0 }.mean() - libm::sqrt(std::f64::consts::PI) / 2.0).abs() < 1e-15);
    }

    proptest! {
        #[test]
        fn there_and_back(
            shape in 0.3_f64..8.0, scale in 1e-3_f64..1e6, chance in 0.001_f64..0.999, aged in 0.0_f64..2.0
        ) {
            let curve = Weibull { shape, scale };
            let age = aged * scale;
            let end = curve.quantile_after(age, chance);
            prop_assert!(end >= age);
            prop_assert!((curve.chance_within(age, end - age) - chance).abs() < 1e-9);
            prop_assert!((curve.survival(end) / curve.survival(age) - (1.0 - chance)).abs() < 1e-9);
        }

        #[test]
        fn the_hazard_is_the_slope(shape in 0.5_f64..6.0, age in 0.2_f64..2.0) {
            let curve = Weibull { shape, scale: 1.0 };
            let step = 1e-6;
            let slope = curve.hazard_between(age, step) / step;
            prop_assert!((slope / curve.hazard(age + step / 2.0) - 1.0).abs() < 1e-8);
        }
    }
}
