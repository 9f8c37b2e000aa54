//! The incomplete gamma function.

/// Terms after which a sum or fraction is taken as it is; both settle long before over the arguments used.
const MOST_TERMS: usize = 10_000;

/// The regularised lower incomplete gamma function `P(a, x)`, the integral of `t^(a-1) e^(-t)` from 0 to `x` over
/// `Gamma(a)`, for `a > 0`: 0 for `x <= 0`, not a number for not a number.
///
/// By its series below `x = a + 1` and by the continued fraction of its complement above (Abramowitz & Stegun 6.5.29
/// and 6.5.31).
#[must_use]
pub fn lower(a: f64, x: f64) -> f64 {
    if x <= 0.0 {
        0.0
    } else if x < a + 1.0 {
        weight(a, x) * series(a, x)
    } else {
        1.0 - weight(a, x) * fraction(a, x)
    }
}

/// The complement `Q(a, x) = 1 - P(a, x)`, which keeps its relative accuracy in the upper tail.
#[must_use]
pub fn upper(a: f64, x: f64) -> f64 {
    if x <= 0.0 {
        1.0
    } else if x < a + 1.0 {
        1.0 - weight(a, x) * series(a, x)
    } else {
        weight(a, x) * fraction(a, x)
    }
}

/// `x^a e^(-x) / Gamma(a)`.
fn weight(a: f64, x: f64) -> f64 {
    libm::exp(a * libm::log(x) - x - libm::lgamma(a))
}

/// `sum of x^n / (a (a + 1) ... (a + n))`.
fn series(a: f64, x: f64) -> f64 {
    let mut term = 1.0 / a;
    let mut sum = term;
    for n in 1..MOST_TERMS {
        term *= x / (a + n as f64);
        sum += term;
        if term <= f64::EPSILON * sum {
            break;
        }
    }
    sum
}

/// `1 / (x + 1 - a - 1 (1 - a) / (x + 3 - a - 2 (2 - a) / (x + 5 - a - ...)))`, by Lentz's method (Thompson and Barnett 1986).
fn fraction(a: f64, x: f64) -> f64 {
    let mut below = x + 1.0 - a;
    let mut c = 1.0 / f64::MIN_POSITIVE;
    let mut d = 1.0 / below;
    let mut value = d;
    for n in 1..MOST_TERMS {
        let n = n as f64;
        let above = n * (a - n);
        below += 2.0;
        d = 1.0 / away_from_zero(above * d + below);
        c = away_from_zero(below + above / c);
        let factor = c * d;
        value *= factor;
        if (factor - 1.0).abs() <= f64::EPSILON {
            break;
        }
    }
    value
}

fn away_from_zero(x: f64) -> f64 {
    if x.abs() < f64::MIN_POSITIVE { f64::MIN_POSITIVE } else { x }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[track_caller]
    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance * expected.abs(), "{found} is not {expected}");
    }

    #[test]
    fn closed_forms() {
        // P(1, x) = 1 - e^-x and P(1/2, x) = erf(sqrt x) (Abramowitz & Stegun 6.5.12, 6.5.16).
        for x in [1e-9, 0.1, 1.0, 1.9, 2.1, 10.0, 30.0] {
            near(lower(1.0, x), -libm::expm1(-x), 1e-14);
            near(upper(1.0, x), libm::exp(-x), 1e-13);
            near(lower(0.5, x), libm::erf(libm::sqrt(x)), 1e-14);
        }
        assert_eq!(lower(2.0, 0.0), 0.0);
        assert_eq!(upper(2.0, -1.0), 1.0);
        assert!(lower(2.0, f64::NAN).is_nan());
    }

    #[test]
    fn tabled_chi_squares() {
        // The 5 % points of chi-square, four digits (Abramowitz & Stegun, table 26.8).
        for (freedom, point) in [(1.0, 3.841_46), (2.0, 5.991_46), (5.0, 11.070_5), (10.0, 18.307_0), (30.0, 43.772_9)]
        {
            near(upper(freedom / 2.0, point / 2.0), 0.05, 1e-4);
        }
    }

    proptest! {
        #[test]
        fn the_two_make_one_and_step_by_one(a in 0.05_f64..40.0, x in 0.001_f64..80.0) {
            prop_assert!((lower(a, x) + upper(a, x) - 1.0).abs() < 1e-13);
            // P(a + 1, x) = P(a, x) - x^a e^-x / Gamma(a + 1) (Abramowitz & Stegun 6.5.21).
            let step = libm::exp(a * libm::log(x) - x - libm::lgamma(a + 1.0));
            prop_assert!((lower(a + 1.0, x) - (lower(a, x) - step)).abs() < 1e-12);
        }
    }
}
