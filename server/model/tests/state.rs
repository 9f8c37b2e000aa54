//! The filters against published and independently computed values: `data/state/README.md`.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "tests")]

use proptest::prelude::*;
use ventmile_model::state::{Innovation, LevelModel, LinearTrend, LocalLevel, TrendModel};

const STATES: f64 = 1e-8;
const VARIANCES: f64 = 1e-6;
const LIKELIHOOD: f64 = 1e-6;

/// Variances of the Nile by maximum likelihood, as published (Durbin & Koopman 2012, section 2.10).
const NILE: LevelModel = LevelModel { noise: 15_099.0, drift: 1_469.1 };

/// Variances with which the odometer was made.
const ODOMETER: TrendModel = TrendModel { noise: 625.0, level: 100.0, slope: 36.0 };

#[track_caller]
fn near(found: f64, expected: f64, tolerance: f64, what: &str) {
    assert!((found - expected).abs() <= tolerance * expected.abs(), "{what}: {found} is not {expected}");
}

/// The rows of a table; an empty field is not a number.
fn rows<const N: usize>(text: &str) -> Vec<[f64; N]> {
    let row = |line: &str| {
        let numbers: Vec<f64> = line.split(',').map(|field| field.parse().unwrap_or(f64::NAN)).collect();
        numbers.try_into().unwrap()
    };
    text.lines().skip(1).map(row).collect()
}

fn nile() -> Vec<[f64; 2]> {
    rows(include_str!("data/state/nile.csv"))
}

/// The filter through the whole of the Nile, with its innovations.
fn filter_nile(model: &LevelModel) -> (LocalLevel, Vec<Innovation>) {
    let mut filter = LocalLevel::default();
    let innovations = nile()
        .iter()
        .map(|[_, flow]| {
            filter = filter.after(model, 1);
            filter.update(model, *flow)
        })
        .collect();
    (filter, innovations)
}

#[test]
fn the_level_of_the_nile() {
    let expected: Vec<[f64; 7]> = rows(include_str!("data/state/nile_levels.csv"));
    assert_eq!(expected.len(), 9);
    let mut filter = LocalLevel::default();
    for [year, flow] in nile() {
        filter = filter.after(&NILE, 1);
        let predicted = filter.state();
        let innovation = filter.update(&NILE, flow);
        let Some([_, level, level_variance, error, error_variance, filtered, filtered_variance]) =
            expected.iter().find(|row| row[0] == year)
        else {
            continue;
        };
        let what = format!("{year}");
        if let (Some(predicted), Innovation::Forecast { error: found, variance }) = (predicted, innovation) {
            near(predicted.level, *level, STATES, &what);
            near(predicted.variance, *level_variance, VARIANCES, &what);
            near(found, *error, STATES, &what);
            near(variance, *error_variance, VARIANCES, &what);
        } else {
            assert!(year == 1871.0 && level.is_nan() && innovation == Innovation::Start { spread: 1.0 });
        }
        let found = filter.state().unwrap();
        near(found.level, *filtered, STATES, &what);
        near(found.variance, *filtered_variance, VARIANCES, &what);
    }
    for [years, mean, level_variance, value_variance] in rows(include_str!("data/state/nile_forecasts.csv")) {
        let forecast = filter.after(&NILE, years as u32).state().unwrap();
        near(forecast.level, mean, STATES, "forecast");
        near(forecast.variance, level_variance, VARIANCES, "forecast of the level");
        near(forecast.variance + NILE.noise, value_variance, VARIANCES, "forecast of a value");
    }
}

#[test]
fn the_likelihood_of_the_nile() {
    let (_, innovations) = filter_nile(&NILE);
    let all: f64 = innovations.iter().map(Innovation::log_density).sum();
    // By statsmodels, and without the term of the first year, as published (-632.54).
    assert!((all - -633.464_563_6).abs() <= LIKELIHOOD, "{all}");
    let later: f64 = innovations[1..].iter().map(Innovation::log_density).sum();
    assert!((later - -632.545_625_1).abs() <= LIKELIHOOD, "{later}");
}

/// With a noise of 1 and the drift `exp(log_ratio)`, the noise that makes the Nile likeliest is the mean of `v² / F`; with
/// it, twice the logarithm of the likelihood is less than nothing by this, but for a constant (section 2.10.2).
fn concentrated(log_ratio: f64) -> (f64, f64) {
    let model = LevelModel { noise: 1.0, drift: libm::exp(log_ratio) };
    let (mut squares, mut logs, mut count) = (0.0, 0.0, 0.0);
    for innovation in filter_nile(&model).1 {
        if let Innovation::Forecast { error, variance } = innovation {
            squares += error * error / variance;
            logs += libm::log(variance);
            count += 1.0;
        }
    }
    let noise = squares / count;
    (noise, count * libm::log(noise) + logs)
}

#[test]
fn the_likeliest_variances_of_the_nile_are_the_published_ones() {
    let (mut low, mut high) = (-8.0, 2.0);
    for _ in 0..100 {
        let third = (high - low) / 3.0;
        if concentrated(low + third).1 < concentrated(high - third).1 {
            high -= third;
        } else {
            low += third;
        }
    }
    let noise = concentrated(low).0;
    near(noise, 15_099.0, 1e-3, "noise");
    near(noise * libm::exp(low), 1_469.1, 1e-3, "drift");
    // By statsmodels, to what a search for a flat top can give.
    near(noise, 15_098.518, 1e-5, "noise");
    near(noise * libm::exp(low), 1_469.176_3, 1e-5, "drift");
}

#[test]
fn the_trend_of_an_odometer_with_missing_days() {
    let expected: Vec<[f64; 6]> = rows(include_str!("data/state/odometer_states.csv"));
    assert_eq!(expected.len(), 7);
    let mut filter = LinearTrend::default();
    let (mut today, mut likelihood) = (0.0, 0.0);
    let readings: Vec<[f64; 2]> = rows(include_str!("data/state/odometer.csv"));
    for ([day, reading], next) in readings.iter().zip(readings.iter().skip(1).map(|row| row[0]).chain([f64::INFINITY]))
    {
        filter = filter.after(&ODOMETER, (day - today) as u32);
        today = *day;
        likelihood += filter.update(&ODOMETER, *reading).log_density();
        for [on, level, slope, level_variance, covariance, slope_variance] in &expected {
            if (today..next).contains(on) {
                let found = filter.after(&ODOMETER, (on - today) as u32).state().unwrap();
                let what = format!("day {on}");
                near(found.level, *level, STATES, &what);
                near(found.slope, *slope, STATES, &what);
                near(found.level_variance, *level_variance, VARIANCES, &what);
                near(found.covariance, *covariance, VARIANCES, &what);
                near(found.slope_variance, *slope_variance, VARIANCES, &what);
            }
        }
    }
    assert!((likelihood - -378.165_681).abs() <= LIKELIHOOD, "{likelihood}");
    assert_eq!(today, 119.0);
    for [days, mean, error] in rows(include_str!("data/state/odometer_forecasts.csv")) {
        let forecast = filter.after(&ODOMETER, days as u32).state().unwrap();
        near(forecast.level, mean, STATES, "forecast");
        near(libm::sqrt(forecast.level_variance + ODOMETER.noise), error, VARIANCES, "its standard error");
    }
}

#[test]
fn without_drift_they_are_the_mean_and_the_line() {
    let even = LevelModel { noise: 2.0, drift: 0.0 };
    let straight = TrendModel { noise: 2.0, level: 0.0, slope: 0.0 };
    let (mut level, mut trend) = (LocalLevel::default(), LinearTrend::default());
    assert_eq!((level.state(), trend.state()), (None, None));
    // A week without a value first: nothing was known, and nothing is.
    (level, trend) = (level.after(&even, 7), trend.after(&straight, 7));
    for (days, value) in [(0, 1.0), (1, 3.0), (1, 2.0), (2, 8.0)] {
        (level, trend) = (level.after(&even, days), trend.after(&straight, days));
        level.update(&even, value);
        trend.update(&straight, value);
    }
    let level = level.state().unwrap();
    assert!((level.level - 3.5).abs() < 1e-12 && (level.variance - 0.5).abs() < 1e-12, "{level:?}");
    // Days 0, 1, 2, 4 about their mean 1.75: sum of squares 8.75, with the values 14.5. At day 4: 3.5 + 2.25 slope.
    let found = trend.state().unwrap();
    let slope = 14.5 / 8.75;
    near(found.slope, slope, 1e-12, "slope");
    near(found.level, 3.5 + 2.25 * slope, 1e-12, "level");
    near(found.slope_variance, 2.0 / 8.75, 1e-12, "variance of the slope");
    near(found.level_variance, 2.0 * (0.25 + 2.25 * 2.25 / 8.75), 1e-12, "variance of the level");
    near(found.covariance, 2.0 * 2.25 / 8.75, 1e-12, "covariance");
}

#[test]
fn two_values_of_one_day_say_nothing_about_the_slope() {
    let mut trend = LinearTrend::default();
    trend.update(&ODOMETER, 10.0);
    trend.update(&ODOMETER, 20.0);
    assert_eq!(trend.state(), None);
    trend = trend.after(&ODOMETER, 5);
    assert_eq!(trend.update(&ODOMETER, 40.0), Innovation::Start { spread: 25.0 });
    let found = trend.state().unwrap();
    // From their mean, 15, whose variance is half the noise.
    assert!((found.slope - 5.0).abs() < 1e-12, "{found:?}");
    let drifted = 625.0 / 2.0 + 5.0 * 100.0 + 30.0 * 36.0 + 625.0;
    near(found.slope_variance, drifted / 25.0 + 5.0 * 36.0 - 2.0 * 10.0 * 36.0 / 5.0, 1e-12, "variance of the slope");
}

/// Days passed before each value, and the value.
fn history() -> impl Strategy<Value = Vec<(u32, f64)>> {
    proptest::collection::vec((0_u32..40, -1e3_f64..1e3), 1..60)
}

/// Variances, and now and then none.
fn variance() -> impl Strategy<Value = f64> {
    prop_oneof![Just(0.0), 1e-3_f64..1e3]
}

proptest! {
    #[test]
    fn days_at_once_are_days_one_by_one(
        history in history(), noise in 1e-3_f64..1e3, level in variance(), slope in variance(),
    ) {
        let drift = LevelModel { noise, drift: level };
        let trend = TrendModel { noise, level, slope };
        let mut at_once = (LocalLevel::default(), LinearTrend::default());
        let mut one_by_one = at_once;
        for (days, value) in history {
            at_once = (at_once.0.after(&drift, days), at_once.1.after(&trend, days));
            for _ in 0..days {
                one_by_one = (one_by_one.0.after(&drift, 1), one_by_one.1.after(&trend, 1));
            }
            at_once.0.update(&drift, value);
            at_once.1.update(&trend, value);
            one_by_one.0.update(&drift, value);
            one_by_one.1.update(&trend, value);
        }
        let (found, expected) = (at_once.0.state().unwrap(), one_by_one.0.state().unwrap());
        prop_assert!((found.level - expected.level).abs() <= 1e-8 * expected.level.abs().max(1.0));
        prop_assert!((found.variance - expected.variance).abs() <= 1e-8 * expected.variance);
        prop_assert_eq!(at_once.1.state().is_some(), one_by_one.1.state().is_some());
        if let (Some(found), Some(expected)) = (at_once.1.state(), one_by_one.1.state()) {
            let near = |found: f64, expected: f64| (found - expected).abs() <= 1e-6 * expected.abs().max(1e-3);
            prop_assert!(near(found.level, expected.level) && near(found.slope, expected.slope));
            prop_assert!(near(found.level_variance, expected.level_variance));
            prop_assert!(near(found.covariance, expected.covariance));
            prop_assert!(near(found.slope_variance, expected.slope_variance));
        }
    }

    #[test]
    fn variances_stay_variances(
        history in history(), noise in 1e-3_f64..1e3, level in variance(), slope in variance(),
    ) {
        let model = TrendModel { noise, level, slope };
        let mut trend = LinearTrend::default();
        for (days, value) in history {
            trend = trend.after(&model, days);
            trend.update(&model, value);
            if let Some(found) = trend.state() {
                prop_assert!(found.level_variance >= 0.0 && found.slope_variance >= 0.0, "{found:?}");
                let both = found.level_variance * found.slope_variance;
                prop_assert!(found.covariance * found.covariance <= both * (1.0 + 1e-6) + 1e-12, "{found:?}");
            }
        }
    }

    #[test]
    fn in_the_long_run_the_gain_is_that_of_the_decay(decay in 0.5_f64..0.999) {
        let model = LevelModel::with_decay(decay);
        let mut level = LocalLevel::default();
        for _ in 0..20_000 {
            level = level.after(&model, 1);
            level.update(&model, 0.0);
        }
        level = level.after(&model, 1);
        level.update(&model, 1.0);
        prop_assert!((level.state().unwrap().level - (1.0 - decay)).abs() <= 1e-10);
    }
}
