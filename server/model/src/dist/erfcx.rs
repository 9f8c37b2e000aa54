//! The scaled complementary error function, and differences of it without cancellation.

use std::f64::consts::FRAC_2_SQRT_PI;

/// From here on the asymptotic series is exact to the last digits.
const FAR: f64 = 8.0;

/// `erfcx(x) = exp(x²) erfc(x)`; infinite below about -26.
///
/// The product itself up to [`FAR`], with what rounding takes from `x²` given back; then the asymptotic series
/// (Abramowitz & Stegun 7.1.23).
pub(super) fn erfcx(x: f64) -> f64 {
    if x >= FAR {
        return 0.5 * FRAC_2_SQRT_PI / x * (1.0 - shortfall(x));
    }
    let square = x * x;
    let lost = libm::fma(x, x, -square);
    libm::exp(square) * (1.0 + lost) * libm::erfc(x)
}

/// `1 - sqrt(pi) x erfcx(x)` for large `x`: the asymptotic series without its first term.
fn shortfall(x: f64) -> f64 {
    let ratio = 1.0 / (2.0 * x * x);
    let mut term = 1.0;
    let mut sum = 0.0;
    for k in 1..=20 {
        term *= -f64::from(2 * k - 1) * ratio;
        sum -= term;
    }
    sum
}

/// Minus the derivative of [`erfcx`]: `2 / sqrt(pi) - 2 x erfcx(x)`, always positive.
fn fall(x: f64) -> f64 {
    if x >= FAR { FRAC_2_SQRT_PI * shortfall(x) } else { FRAC_2_SQRT_PI - 2.0 * x * erfcx(x) }
}

/// Below this width, as a share of the place, the difference is integrated.
const NARROW: f64 = 0.01;

/// Half the spread of the three points of Gauss and Legendre's rule on `-1..1`: `sqrt(3 / 5)`.
const OUTER: f64 = 0.774_596_669_241_483_4;

/// `erfcx(x) - erfcx(x + width)` for a width not below zero.
///
/// Two values that lie close would cancel: there the derivative is integrated by the three-point rule of Gauss and
/// Legendre (Abramowitz & Stegun 25.4.30), whose relative error at [`NARROW`] is below 1e-14.
pub(super) fn difference(x: f64, width: f64) -> f64 {
    if width > NARROW * x.max(1.0) {
        return erfcx(x) - erfcx(x + width);
    }
    let half = width / 2.0;
    let middle = x + half;
    let sum = 8.0 * fall(middle) + 5.0 * (fall(middle - OUTER * half) + fall(middle + OUTER * half));
    half * sum / 9.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn near(found: f64, expected: f64) {
        assert!((found - expected).abs() <= 5e-14 * expected.abs(), "{found} is not {expected}");
    }

    #[test]
    fn values_to_fifty_digits() {
        // mpmath 1.3, exp(x^2) erfc(x) with 50 digits.
        near(erfcx(-3.0), 16205.988853999586);
        near(erfcx(-0.5), 1.952360489182557);
        near(erfcx(0.25), 0.7703465477309968);
        near(erfcx(1.0), 0.427583576155807);
        near(erfcx(4.0), 0.13699945762506138);
        near(erfcx(11.9), 0.04724523248408767);
        near(erfcx(12.5), 0.04499209900102792);
        near(erfcx(30.0), 0.01879588886141675);
        near(erfcx(1000.0), 0.0005641893014533876);
    }

    #[test]
    fn close_neighbours_do_not_cancel() {
        // mpmath 1.3, 60 digits.
        near(difference(-0.6, 1e-07), 3.887003638070812e-07);
        near(difference(0.0, 0.001), 0.0011273799188485914);
        near(difference(0.3, 0.5), 0.24549874534454041);
        near(difference(2.0, 1e-09), 1.0679646181168685e-10);
        near(difference(11.99, 0.05), 0.00019341503846575573);
        near(difference(15.0, 1e-06), 2.490975275364829e-09);
        near(difference(200.0, 0.5), 7.034519706621105e-06);
    }

    #[test]
    fn the_two_forms_meet() {
        near(erfcx(FAR - 1e-9), erfcx(FAR) + 1e-9 * fall(FAR));
    }
}
