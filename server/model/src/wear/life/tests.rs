//! What holds for any lives, and what has no fit.

use proptest::prelude::*;

use super::*;
use crate::dist::Weibull;

/// Lives with ties, counts and entries, some failed, that a curve can be fitted to.
fn some_lives() -> impl Strategy<Value = Vec<Life>> {
    let one = (0.0_f64..1.0, 0.3_f64..1.5, 0_u8..3, 1_u8..4, proptest::bool::ANY);
    proptest::collection::vec(one, 8..60).prop_map(|rows| {
        let row = |(at, spread, failed, count, used): (f64, f64, u8, u8, bool)| {
            let exit = (100.0 * spread * (1.0 + at)).round();
            let entry = if used { (0.4 * exit).floor() } else { 0.0 };
            Life { entry, exit, failed: failed == 0, count: f64::from(count) }
        };
        rows.into_iter()
            .map(row)
            .chain([Life::from_new(60.0, true), Life::from_new(90.0, true), Life::from_new(310.0, false)])
            .collect()
    })
}

fn fitted(lives: Vec<Life>) -> (Lives, LifeFit) {
    let lives = Lives::plain(lives).unwrap();
    let found = fit(&lives, &Prior::none()).unwrap();
    (lives, found)
}

fn times(lives: &[Life], factor: f64) -> Vec<Life> {
    lives.iter().map(|life| Life { entry: factor * life.entry, exit: factor * life.exit, ..*life }).collect()
}

proptest! {
    #[test]
    fn the_unit_of_age_does_not_matter(lives in some_lives(), power in -200_i32..200) {
        let factor = libm::exp2(f64::from(power));
        let (one, other) = (fitted(lives.clone()).1, fitted(times(&lives, factor)).1);
        prop_assert!((one.log_shape - other.log_shape).abs() < 1e-9);
        prop_assert!((one.intercept + libm::log(factor) - other.intercept).abs() < 1e-9);
        prop_assert!((one.log_shape().se / other.log_shape().se - 1.0).abs() < 1e-7);
    }

    #[test]
    fn the_top_is_level_and_curved_as_told(lives in some_lives(), believed in proptest::bool::ANY, anchor in -2.0_f64..0.5) {
        let prior = if believed { Prior::weak(100.0) } else { Prior::none() };
        let column = lives.iter().enumerate().map(|(k, life)| (k % 5) as f64 + life.exit / 100.0).collect();
        let lives = Lives::new(lives, &[column]).unwrap();
        let Ok(found) = fit(&lives, &prior) else { return Ok(()) };
        prop_assert!(found.top.terms.gradient.iter().all(|slope| slope.abs() < 1e-4 * lives.packs()));
        // Gradient and Hessian against differences, away from the top.
        let mut objective = objective::Objective::new(&lives, &prior, anchor);
        let mut away: Vec<f64> = found.top.point.iter().map(|at| at + 0.1).collect();
        let terms = objective.at(&mut away, false);
        let step = 1e-5;
        for place in 0..away.len() {
            let mut at = |shift: f64| {
                let mut point = away.clone();
                point[place] += shift;
                objective.at(&mut point, false)
            };
            let (before, after) = (at(-step), at(step));
            let size = 1.0 + lives.packs() + terms.value.abs() + terms.gradient[place].abs() + terms.hessian.at(place, place).abs();
            prop_assert!(((after.value - before.value) / (2.0 * step) - terms.gradient[place]).abs() < 1e-5 * size);
            for other in 0..away.len() {
                let slope = (after.gradient[other] - before.gradient[other]) / (2.0 * step);
                let size = size + terms.hessian.at(other, other).abs();
                prop_assert!((slope - terms.hessian.at(place, other)).abs() < 1e-5 * size);
            }
        }
    }

    #[test]
    fn counts_are_repeated_lives(lives in some_lives()) {
        let repeat = |life: &Life| std::iter::repeat_n(Life { count: 1.0, ..*life }, life.count as usize);
        let (one, other) = (fitted(lives.clone()).1, fitted(lives.iter().flat_map(repeat).collect()).1);
        prop_assert!((one.log_shape - other.log_shape).abs() < 1e-9);
        prop_assert!((one.loglik - other.loglik).abs() < 1e-9 * one.loglik.abs());
        prop_assert!((one.intercept().se / other.intercept().se - 1.0).abs() < 1e-9);
    }

    #[test]
    fn intervals_hold_the_estimate(lives in some_lives(), level in 0.1_f64..0.99, chance in 0.01_f64..0.99) {
        let (lives, found) = fitted(lives);
        let curve = found.curve(&[]);
        for (quantity, value) in [
            (Quantity::Shape, curve.shape),
            (Quantity::Scale(&[]), curve.scale),
            (Quantity::Quantile(chance, &[]), curve.quantile(chance)),
        ] {
            let ends = profile(&lives, &Prior::none(), &found, quantity, level).unwrap();
            prop_assert!(ends.low.is_none_or(|low| low < value), "{quantity:?} {value} {ends:?}");
            prop_assert!(ends.high.is_none_or(|high| high > value), "{quantity:?} {value} {ends:?}");
        }
        let (chance, ends) = found.chance_within(70.0, 20.0, &[], level);
        prop_assert!(0.0 <= ends.low.unwrap() && ends.low.unwrap() <= chance);
        prop_assert!(chance <= ends.high.unwrap() && ends.high.unwrap() <= 1.0);
    }

    #[test]
    fn the_unit_of_a_covariate_does_not_matter(lives in some_lives(), factor in 1e-6_f64..1e6, shift in -100.0_f64..100.0) {
        let column: Vec<f64> = (0..lives.len()).map(|k| libm::sin(k as f64 * 7.0)).collect();
        let other: Vec<f64> = column.iter().map(|x| factor * (x + shift)).collect();
        let fit_with = |column| fit(&Lives::new(lives.clone(), &[column]).unwrap(), &Prior::none()).unwrap();
        let (one, other) = (fit_with(column), fit_with(other));
        prop_assert!((one.log_shape - other.log_shape).abs() < 1e-7);
        prop_assert!((one.coefficients[0] - factor * other.coefficients[0]).abs() < 1e-7);
        let there = one.intercept - shift * one.coefficients[0];
        prop_assert!((there - other.intercept).abs() < 1e-6 * (1.0 + shift.abs()));
    }

    #[test]
    fn any_number_of_failures_with_a_prior(lives in some_lives(), scale in 10.0_f64..1e4) {
        let none: Vec<Life> = lives.iter().map(|life| Life { failed: false, ..*life }).collect();
        for lives in [none, lives[..1].to_vec(), Vec::new()] {
            let lives = Lives::plain(lives).unwrap();
            let prior = Prior::weak(scale);
            let found = fit(&lives, &prior).unwrap();
            prop_assert!(found.log_shape().se.is_finite() && found.intercept().se.is_finite());
            let posterior = Posterior::new(&lives, &prior).unwrap();
            let median = posterior.quantile_of(|curve| curve.quantile(0.1), 0.5);
            prop_assert!(median > 0.0 && median.is_finite());
            prop_assert!(posterior.quantile_of(|curve| curve.quantile(0.1), 0.1) < median);
            prop_assert!((posterior.of(|_| 1.0).value - 1.0).abs() < 1e-9);
        }
    }
}

#[test]
fn without_lives_the_prior_is_the_posterior() {
    let prior = Prior::weak(1_000.0);
    let posterior = Posterior::new(&Lives::plain(Vec::new()).unwrap(), &prior).unwrap();
    let log_scale = posterior.of(|curve| libm::log(curve.scale));
    assert!((log_scale.value - libm::log(1_000.0)).abs() < 1e-9 && (log_scale.se - 1.0).abs() < 1e-9);
    assert!((posterior.of(|curve| libm::log(curve.shape)).se - 0.6).abs() < 1e-9);
    assert!(posterior.log_evidence.abs() < 1e-9);
    let quartile = posterior.quantile_of(|curve| libm::log(curve.scale), 0.25);
    assert!((quartile - libm::log(1_000.0) + 0.674_489_75).abs() < 1e-3);
}

#[track_caller]
fn refused(lives: &[(f64, f64, bool)], columns: &[Vec<f64>], reason: NoFit) {
    let life = |&(entry, exit, failed): &(f64, f64, bool)| Life { entry, exit, failed, count: 1.0 };
    let lives = Lives::new(lives.iter().map(life).collect(), columns).unwrap();
    assert_eq!(fit(&lives, &Prior::none()).unwrap_err(), reason, "{reason}");
}

#[test]
fn why_there_is_no_fit() {
    refused(&[], &[], NoFit::NoFailures);
    refused(&[(0.0, 5.0, false)], &[], NoFit::NoFailures);
    refused(&[(0.0, 5.0, true)], &[], NoFit::ShapeRunsAway);
    refused(&[(0.0, 5.0, true), (1.0, 5.0, true), (0.0, 4.0, false)], &[], NoFit::ShapeRunsAway);
    // Each failed just after it came under watch, and those that did not were watched long.
    let falling = [(1.0, 1.01, true), (2.0, 2.01, true), (3.0, 3.01, true), (1.0, 50.0, false), (2.0, 90.0, false)];
    refused(&falling, &[], NoFit::ShapeVanishes);
    let plain = [(0.0, 5.0, true), (0.0, 6.0, true), (0.0, 7.0, false), (0.0, 8.0, true), (0.0, 9.0, false)];
    let kind = vec![0.0, 0.0, 1.0, 0.0, 1.0];
    refused(&plain, &[vec![3.0; 5]], NoFit::ConstantCovariate { covariate: 0 });
    let twice = kind.iter().map(|x| 2.0 * x - 7.0).collect();
    refused(&plain, &[kind.clone(), twice], NoFit::CollinearCovariate { covariate: 1 });
    refused(&plain, &[vec![1.0, 2.0, 1.0, 2.0, 1.5], kind.clone()], NoFit::SeparatingCovariate { covariate: 1 });
    let lives = Lives::plain(vec![Life::from_new(5.0, true), Life::from_new(7.0, false)]).unwrap();
    let bad = Normal { mean: 0.0, sd: 0.0 };
    let prior = Prior { log_shape: Some(bad), ..Prior::none() };
    assert_eq!(fit(&lives, &prior).unwrap_err(), NoFit::BadPrior { prior: bad });
    // With a prior a kind of which none has failed is no obstacle.
    let life = |&(entry, exit, failed): &(f64, f64, bool)| Life { entry, exit, failed, count: 1.0 };
    let lives = Lives::new(plain.iter().map(life).collect(), &[kind]).unwrap();
    assert!(fit(&lives, &Prior::weak(8.0)).unwrap().coefficients[0] > 0.0);
}

#[test]
fn one_failure_and_longer_lives_have_a_fit() {
    let (lives, found) =
        fitted(vec![Life::from_new(5.0, true), Life::from_new(9.0, false), Life::from_new(10.0, false)]);
    assert!(found.shape() > 0.5 && found.curve(&[]).scale > 10.0);
    let ends = profile(&lives, &Prior::none(), &found, Quantity::Shape, 0.95).unwrap();
    assert!(ends.low.unwrap() < 0.3 && ends.high.unwrap() > 2.0, "{ends:?}");
}

#[test]
fn lives_that_cannot_be_are_named() {
    let new = Life::from_new(5.0, true);
    let refused = |life: Life, field, value| {
        assert_eq!(Lives::plain(vec![new, life]).unwrap_err(), BadLives::Life { row: 1, field, value });
    };
    refused(Life { entry: -1.0, ..new }, LifeField::Entry, -1.0);
    refused(Life { entry: 5.0, ..new }, LifeField::Exit, 5.0);
    refused(Life { exit: f64::INFINITY, ..new }, LifeField::Exit, f64::INFINITY);
    refused(Life { count: 0.0, ..new }, LifeField::Count, 0.0);
    let short = Lives::new(vec![new, new], &[vec![1.0]]).unwrap_err();
    assert_eq!(short, BadLives::Length { covariate: 0, found: 1, lives: 2 });
    assert_eq!(short.to_string(), "covariate 0 is given for 1 of 2 lives");
    let endless = Lives::new(vec![new], &[vec![f64::INFINITY]]).unwrap_err();
    assert_eq!(endless, BadLives::Covariate { row: 0, covariate: 0, value: f64::INFINITY });
}

#[test]
fn the_conditional_chance_by_hand() {
    // Exponential lives of known failures: the chance within d is 1 - exp(-d / scale) at any age.
    let curve = Weibull { shape: 1.0, scale: 100.0 };
    let (_, found) = fitted((1..200).map(|k| Life::from_new(curve.quantile(f64::from(k) / 200.0), true)).collect());
    let (new, old) = (found.chance_within(0.0, 10.0, &[], 0.9).0, found.chance_within(150.0, 10.0, &[], 0.9).0);
    assert!((new - 0.095).abs() < 0.01 && (old - 0.095).abs() < 0.01, "{new} {old}");
}
