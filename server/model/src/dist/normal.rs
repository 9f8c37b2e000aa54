//! The standard normal distribution.

use std::f64::consts::FRAC_1_SQRT_2;

/// The chance that a standard normal variable is at most `z`.
///
/// `cdf(z) = erfc(-z / sqrt(2)) / 2`, which keeps its relative accuracy in the lower tail
/// (Abramowitz & Stegun 26.2.29 with 7.1.2).
#[must_use]
pub fn cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z * FRAC_1_SQRT_2)
}

/// The value that a standard normal variable stays below with chance `p`.
///
/// Rational approximations of relative accuracy about 1e-16: M. J. Wichura, "Algorithm AS 241: the percentage
/// points of the normal distribution", Applied Statistics 37 (1988) 477-484, routine PPND16. Minus infinity for
/// `p <= 0`, plus infinity for `p >= 1`, not a number for not a number.
#[must_use]
pub fn quantile(p: f64) -> f64 {
    if p.is_nan() {
        return f64::NAN;
    }
    if p <= 0.0 {
        return f64::NEG_INFINITY;
    }
    if p >= 1.0 {
        return f64::INFINITY;
    }
    let q = p - 0.5;
    if q.abs() <= CENTRE {
        return q * ratio(CENTRE * CENTRE - q * q, &CENTRAL);
    }
    let tail = libm::sqrt(-libm::log(if q < 0.0 { p } else { 1.0 - p }));
    let z = if tail <= FAR { ratio(tail - 1.6, &NEAR_TAIL) } else { ratio(tail - FAR, &FAR_TAIL) };
    if q < 0.0 { -z } else { z }
}

/// Half the width of the central region in `p`.
const CENTRE: f64 = 0.425;

/// Where, in `sqrt(-log p)`, the far tail begins.
const FAR: f64 = 5.0;

/// A ratio of two polynomials of degree 7; coefficients by rising power, the denominator's first is one.
struct Rational {
    above: [f64; 8],
    below: [f64; 8],
}

fn ratio(x: f64, of: &Rational) -> f64 {
    polynomial(x, &of.above) / polynomial(x, &of.below)
}

fn polynomial(x: f64, coefficients: &[f64]) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, coefficient| sum * x + coefficient)
}

#[allow(clippy::excessive_precision, reason = "as printed in the paper")]
const CENTRAL: Rational = Rational {
    above: [
        3.3871328727963666080e0,
        1.3314166789178437745e+2,
        1.9715909503065514427e+3,
        1.3731693765509461125e+4,
        4.5921953931549871457e+4,
        6.7265770927008700853e+4,
        3.3430575583588128105e+4,
        2.5090809287301226727e+3,
    ],
    below: [
        1.0,
        4.2313330701600911252e+1,
        6.8718700749205790830e+2,
        5.3941960214247511077e+3,
        2.1213794301586595867e+4,
        3.9307895800092710610e+4,
        2.8729085735721942674e+4,
        5.2264952788528545610e+3,
    ],
};

#[allow(clippy::excessive_precision, reason = "as printed in the paper")]
const NEAR_TAIL: Rational = Rational {
    above: [
        1.42343711074968357734e0,
        4.63033784615654529590e0,
        5.76949722146069140550e0,
        3.64784832476320460504e0,
        1.27045825245236838258e0,
        2.41780725177450611770e-1,
        2.27238449892691845833e-2,
        7.74545014278341407640e-4,
    ],
    below: [
        1.0,
        2.05319162663775882187e0,
        1.67638483018380384940e0,
        6.89767334985100004550e-1,
        1.48103976427480074590e-1,
        1.51986665636164571966e-2,
        5.47593808499534494600e-4,
        1.05075007164441684324e-9,
    ],
};

#[allow(clippy::excessive_precision, reason = "as printed in the paper")]
const FAR_TAIL: Rational = Rational {
    above: [
        6.65790464350110377720e0,
        5.46378491116411436990e0,
        1.78482653991729133580e0,
        2.96560571828504891230e-1,
        2.65321895265761230930e-2,
        1.24266094738807843860e-3,
        2.71155556874348757815e-5,
        2.01033439929228813265e-7,
    ],
    below: [
        1.0,
        5.99832206555887937690e-1,
        1.36929880922735805310e-1,
        1.48753612908506148525e-2,
        7.86869131145613259100e-4,
        1.84631831751005468180e-5,
        1.42151175831644588870e-7,
        2.04426310338993978564e-15,
    ],
};

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const TOLERANCE: f64 = 1e-14;

    #[track_caller]
    fn near(found: f64, expected: f64, tolerance: f64) {
        let scale = expected.abs().max(f64::MIN_POSITIVE);
        assert!((found - expected).abs() <= tolerance * scale, "{found} is not {expected}");
    }

    #[test]
    fn tabled_chances() {
        // Abramowitz & Stegun, table 26.1 (15 decimals).
        near(cdf(0.0), 0.5, TOLERANCE);
        near(cdf(1.0), 0.841_344_746_068_543, 1e-14);
        near(cdf(2.0), 0.977_249_868_051_821, 1e-14);
        near(cdf(3.0), 0.998_650_101_968_370, 1e-14);
        near(cdf(-1.0), 1.0 - 0.841_344_746_068_543, 1e-14);
    }

    #[test]
    fn percentage_points_of_the_paper() {
        // Wichura 1988, check values of PPND16.
        near(quantile(0.25), -0.674_489_750_196_081_7, TOLERANCE);
        near(quantile(0.001), -3.090_232_306_167_814, TOLERANCE);
        near(quantile(1e-20), -9.262_340_089_798_408, TOLERANCE);
        near(quantile(0.9), 1.281_551_565_544_600_4, TOLERANCE);
        near(quantile(0.1), -1.281_551_565_544_600_4, TOLERANCE);
        near(quantile(0.975), 1.959_963_984_540_054, TOLERANCE);
        assert_eq!(quantile(0.5), 0.0);
    }

    #[test]
    fn extremes() {
        assert_eq!(quantile(0.0), f64::NEG_INFINITY);
        assert_eq!(quantile(-1.0), f64::NEG_INFINITY);
        assert_eq!(quantile(1.0), f64::INFINITY);
        assert!(quantile(f64::NAN).is_nan());
        assert!(cdf(f64::NAN).is_nan());
        assert_eq!(cdf(f64::NEG_INFINITY), 0.0);
        assert_eq!(cdf(f64::INFINITY), 1.0);
        assert!(quantile(f64::MIN_POSITIVE).is_finite());
        near(cdf(quantile(1e-300)), 1e-300, 1e-11);
    }

    proptest! {
        #[test]
        fn there_and_back(z in -37.0_f64..8.0) {
            let p = cdf(z);
            // Near one, p itself holds z only to the last bit of p over the density.
            let density = libm::exp(-0.5 * z * z) / 2.506_628_274_631_000_2;
            let tolerance = 1e-13 * (1.0 + z.abs()) + 4.0 * f64::EPSILON * p / density;
            prop_assert!((quantile(p) - z).abs() <= tolerance, "{} is not {z}", quantile(p));
        }

        #[test]
        fn rises(p in 1e-12_f64..0.999, share in 1e-6_f64..0.999) {
            let higher = p + share * (1.0 - p);
            prop_assert!(quantile(p) < quantile(higher));
        }

        #[test]
        fn mirrors(p in 1e-3_f64..0.5) {
            prop_assert!((quantile(p) + quantile(1.0 - p)).abs() < 1e-12);
        }
    }
}
