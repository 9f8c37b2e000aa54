use proptest::prelude::*;

use super::*;

#[track_caller]
fn near(found: f64, expected: f64, relative: f64, what: &str) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{what}: {found} is not {expected}");
}

fn known(distance: f64, drift: f64, sigma: f64) -> FirstPassage {
    Walk { distance, drift, drift_variance: 0.0, noise: sigma * sigma }.passage().unwrap()
}

/// Below this a chance has lost digits of its own: the logarithms are compared there.
const TINY: f64 = 1e-300;

/// One row: kind, threshold, drift, sigma, time or chance, then what is expected there.
fn check(row: &str) {
    let (kind, numbers) = row.split_once(',').unwrap();
    let numbers: Vec<f64> = numbers.split(',').map(|number| number.parse().unwrap_or(f64::NAN)).collect();
    let passage = known(numbers[0], numbers[1], numbers[2]);
    let (x, expected) = (numbers[3], &numbers[4..]);
    if kind == "quantile" {
        return near(passage.quantile(x), expected[0], 1e-8, row);
    }
    for (found, expected) in
        [(passage.cdf(x), expected[0]), (passage.sf(x), expected[1]), (passage.pdf(x), expected[4])]
    {
        if expected > TINY {
            near(found, expected, 1e-9, row);
        } else {
            assert!(found <= TINY, "{row}: {found}");
        }
    }
    for (found, expected) in [(passage.log_cdf(x), expected[2]), (passage.log_sf(x), expected[3])] {
        assert!((found - expected).abs() <= 1e-8, "{row}: {found} is not {expected}");
    }
}

#[test]
fn inverse_gaussian_to_sixty_digits() {
    // mpmath with 60 digits; scipy.stats.invgauss agrees to 1e-12.
    let rows: Vec<&str> = include_str!("../../../tests/data/wear/inverse_gaussian.csv").lines().skip(1).collect();
    assert_eq!(rows.len(), 100);
    rows.into_iter().for_each(check);
}

#[test]
fn mixed_and_improper_cases_to_sixty_digits() {
    // mpmath 1.3 with 60 digits: distance, drift, its variance, noise, time, cdf, sf; time infinite for "never".
    mixed([10.0, 0.002, 1.7e-07, 0.000117, 5000.0], 0.5053059222496483, 0.4946940777503517);
    mixed([10.0, 0.002, 1.7e-07, 0.000117, f64::INFINITY], 0.9999994260697119, 5.739302880184071e-07);
    mixed([1.0, -0.3, 0.01, 0.5, 3.0], 0.20647543283491882, 0.7935245671650812);
    mixed([1.0, -0.3, 0.01, 0.5, 1000000.0], 0.32610879686134, 0.67389120313866);
    mixed([1.0, -0.3, 0.01, 0.5, f64::INFINITY], 0.3261088411835913, 0.6738911588164087);
    mixed([5.0, -4.0, 0.0, 0.5, 0.9], 3.9614041992698005e-37, 1.0);
    mixed([1.0, -1e-08, 0.0, 1.0, 1e+20], 0.9999999800000002, 1.99999998e-08);
    mixed([1e-06, 0.0, 0.0, 1.0, 4.0], 0.9999996010577196, 3.98942280401416e-07);
    mixed([0.3, 1.0, 4.0, 0.01, 0.02], 2.1756168573810592e-11, 0.9999999999782438);
    mixed([0.3, -6.0, 4.0, 0.01, 2.0], 0.0010896466116817798, 0.9989103533883182);
    mixed([0.001, 0.5, 0.0, 1.0, 30.0], 0.9999996588756354, 3.411243645898703e-07);
    mixed([100.0, -2.0, 0.5, 3.0, 200.0], 0.0002681165304496066, 0.9997318834695504);
}

#[track_caller]
fn mixed([distance, drift, drift_variance, noise, t]: [f64; 5], cdf: f64, sf: f64) {
    let passage = Walk { distance, drift, drift_variance, noise }.passage().unwrap();
    if t.is_infinite() {
        return near(passage.never(), sf, 1e-12, "never");
    }
    near(passage.cdf(t), cdf, 1e-12, "cdf");
    near(passage.sf(t), sf, 1e-11, "sf");
}

#[test]
fn what_is_no_walk_has_no_passage() {
    let walk = Walk { distance: 1.0, drift: 1.0, drift_variance: 0.0, noise: 1.0 };
    assert!(Walk { distance: 0.0, ..walk }.passage().is_none());
    assert!(Walk { noise: 0.0, ..walk }.passage().is_none());
    assert!(Walk { drift_variance: -1.0, ..walk }.passage().is_none());
    assert!(Walk { drift: f64::NAN, ..walk }.passage().is_none());
}

#[test]
fn edges_of_time_and_chance() {
    let passage = known(1.0, 1.0, 1.0);
    assert_eq!((passage.cdf(0.0), passage.sf(-1.0), passage.pdf(0.0)), (0.0, 1.0, 0.0));
    assert_eq!((passage.quantile(0.0), passage.quantile(1.0), passage.never()), (0.0, f64::INFINITY, 0.0));
    assert!(passage.quantile(f64::NAN).is_nan());
    // A drift away from the limit reaches it with chance exp(2 m D / s) at most.
    let away = known(1.0, -0.5, 1.0);
    near(away.never(), 1.0 - libm::exp(-1.0), 1e-14, "never");
    assert_eq!(away.quantile(0.4), f64::INFINITY);
    assert!(away.quantile(0.36).is_finite());
}

prop_compose! {
    fn passages()(
        distance in -3.0..3.0_f64,
        drift in -2.0..2.0_f64,
        rate in -3.0..3.0_f64,
        variance in prop_oneof![Just(None), (-6.0..2.0_f64).prop_map(Some)],
        noise in -6.0..2.0_f64,
    ) -> FirstPassage {
        let ten = |power: f64| libm::pow(10.0, power);
        let drift_variance = variance.map_or(0.0, ten);
        Walk { distance: ten(distance), drift: drift * ten(rate), drift_variance, noise: ten(noise) }.passage().unwrap()
    }
}

proptest! {
    #[test]
    fn chance_and_survival_are_one(passage in passages(), power in -8.0..8.0_f64) {
        let t = libm::pow(10.0, power);
        prop_assert!((passage.cdf(t) + passage.sf(t) - 1.0).abs() <= 1e-13, "{}", passage.cdf(t) + passage.sf(t));
    }

    #[test]
    fn quantile_inverts(passage in passages(), share in 1e-9..0.999_999_f64) {
        let p = share * (1.0 - passage.never());
        let t = passage.quantile(p);
        prop_assert!((passage.cdf(t) - p).abs() <= 1e-9 * p.max(1e-3), "{t}: {} is not {p}", passage.cdf(t));
    }

    #[test]
    fn density_is_the_slope_of_the_chance(passage in passages(), share in 0.01..0.9_f64) {
        let t = passage.quantile(share * (1.0 - passage.never()));
        if passage.pdf(t) == 0.0 {
            return Ok(()); // A limit that is as good as never reached.
        }
        let width = 1e-4 * t.min(passage.cdf(t) / passage.pdf(t));
        let slope = (passage.cdf(t + width) - passage.cdf(t - width)) / (2.0 * width);
        prop_assert!((slope / passage.pdf(t) - 1.0).abs() < 1e-4, "{slope} is not {}", passage.pdf(t));
    }

    #[test]
    fn never_panics(numbers in prop::array::uniform5(prop::num::f64::ANY)) {
        let [distance, drift, drift_variance, noise, t] = numbers;
        if let Some(passage) = (Walk { distance, drift, drift_variance, noise }).passage() {
            let _ = (passage.cdf(t), passage.sf(t), passage.pdf(t), passage.quantile(t), passage.never());
        }
    }
}
