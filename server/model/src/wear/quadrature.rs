//! Integrals of smooth functions.

/// Gauss and Legendre's rule of five points on `-1..1`: places and weights (Abramowitz & Stegun, table 25.4, n = 5).
const POINTS: [(f64, f64); 5] = [
    (-0.906_179_845_938_664, 0.236_926_885_056_189),
    (-0.538_469_310_105_683, 0.478_628_670_499_366),
    (0.0, 0.568_888_888_888_889),
    (0.538_469_310_105_683, 0.478_628_670_499_366),
    (0.906_179_845_938_664, 0.236_926_885_056_189),
];

/// The integral of `f` between two places.
pub(super) fn integral(low: f64, high: f64, f: impl Fn(f64) -> f64) -> f64 {
    let half = (high - low) / 2.0;
    let middle = low + half;
    half * POINTS.into_iter().map(|(place, weight)| weight * f(middle + half * place)).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::integral;

    #[test]
    fn powers_up_to_the_ninth_are_exact() {
        for power in 0..=9_u8 {
            let exact = (libm::pow(3.0, f64::from(power) + 1.0) - 1.0) / (f64::from(power) + 1.0);
            let found = integral(1.0, 3.0, |x| libm::pow(x, f64::from(power)));
            assert!((found / exact - 1.0).abs() < 1e-14, "{power}: {found} is not {exact}");
        }
    }
}
