//! The life curve and what goes with it against public libraries and printed values: `data/wear/README.md` names the
//! source of each case.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic, reason = "tests")]

use ventmile_model::dist::Weibull;
use ventmile_model::wear::life::{
    Estimate, Interval, Life, LifeFit, Lives, NoFit, Normal, Posterior, Prior, Quantity, fit, least_scale, profile,
    scale_of_shape,
};
use ventmile_model::wear::{Costs, History, NoOptimum, Replacement, cheapest_age, check_fit, recurrences, survival};

/// The reference values have ten digits.
const ESTIMATE: f64 = 1e-6;
const ERROR: f64 = 1e-4;
const LOGLIK: f64 = 1e-6;
const TABLE: f64 = 1e-10;

#[track_caller]
fn near(found: f64, expected: f64, tolerance: f64, what: &str) {
    assert!((found - expected).abs() <= tolerance * expected.abs(), "{what}: {found} is not {expected}");
}

#[track_caller]
fn close(found: f64, expected: f64, tolerance: f64, what: &str) {
    assert!((found - expected).abs() <= tolerance, "{what}: {found} is not {expected}");
}

#[track_caller]
fn spans(found: Interval, expected: &[f64], what: &str) {
    near(found.low.unwrap(), expected[0], ERROR, what);
    near(found.high.unwrap(), expected[1], ERROR, what);
}

fn rows(text: &str) -> impl Iterator<Item = Vec<&str>> {
    text.lines().skip(1).map(|line| line.split(',').collect())
}

fn numbers(fields: &[&str]) -> Vec<f64> {
    fields.iter().map(|field| if field.is_empty() { f64::NAN } else { field.parse().unwrap() }).collect()
}

fn life(fields: &[&str]) -> Life {
    let fields = numbers(fields);
    Life { entry: fields[0], exit: fields[1], failed: fields[2] == 1.0, count: fields.get(3).copied().unwrap_or(1.0) }
}

fn lives_of(case: &str) -> Lives {
    let of_case = rows(include_str!("data/wear/lives.csv")).filter(|row| row[0] == case);
    Lives::plain(of_case.map(|row| life(&row[1..])).collect()).unwrap()
}

#[test]
fn weibull_fits() {
    for row in rows(include_str!("data/wear/fits.csv")) {
        let (case, of) = (row[0], numbers(&row[1..]));
        let lives = lives_of(case);
        assert_eq!((lives.packs(), lives.failures()), (of[0], of[1]), "{case}");
        let found = fit(&lives, &Prior::none()).unwrap();
        let curve = found.curve(&[]);
        near(curve.shape, of[2], ESTIMATE, case);
        near(curve.scale, of[3], ESTIMATE, case);
        close(found.loglik, of[4], LOGLIK, case);
        near(curve.shape * found.log_shape().se, of[5], ERROR, case);
        near(curve.scale * found.intercept().se, of[6], ERROR, case);
        near(found.log_shape().se, of[7], ERROR, case);
        near(found.intercept().se, of[8], ERROR, case);
        near(found.covariance(0, 1), of[9], ERROR, case);
        spans(found.log_shape().exp_interval(0.95), &of[10..], case);
        spans(found.intercept().exp_interval(0.95), &of[12..], case);
        for (chance, of) in [(0.1, &of[14..]), (0.5, &of[18..])] {
            let quantile = found.log_quantile(chance, &[]);
            near(libm::exp(quantile.value), of[0], ESTIMATE, case);
            near(curve.quantile(chance), of[0], ESTIMATE, case);
            near(quantile.se, of[1], ERROR, case);
            spans(quantile.exp_interval(0.95), &of[2..], case);
        }
        let ends = |of| profile(&lives, &Prior::none(), &found, of, 0.95).unwrap();
        spans(ends(Quantity::Shape), &of[22..], case);
        spans(ends(Quantity::Scale(&[])), &of[24..], case);
        if of[26].is_finite() {
            near(curve.mean(), of[26], ESTIMATE, case);
        }
        assert!(found.steps <= 9, "{case}: {} steps", found.steps);
    }
}

#[test]
fn scales_of_known_shapes() {
    for row in rows(include_str!("data/wear/known_shape.csv")) {
        near(
            scale_of_shape(&lives_of(row[0]), row[1].parse().unwrap()).unwrap(),
            row[2].parse().unwrap(),
            1e-9,
            row[0],
        );
    }
}

#[test]
fn zero_failures() {
    let ages = [31_000.0, 42_500.0, 55_000.0, 61_000.0, 70_250.0, 88_000.0];
    let lives = Lives::plain(ages.map(|age| Life::from_new(age, false)).to_vec()).unwrap();
    for row in rows(include_str!("data/wear/zero_failures.csv")) {
        let [shape, confidence, scale] = numbers(&row)[..] else { panic!("{row:?}") };
        near(least_scale(&lives, shape, confidence).unwrap(), scale, 1e-9, "least scale");
    }
    assert_eq!(fit(&lives, &Prior::none()).unwrap_err(), NoFit::NoFailures);
    let believed = Some(Normal { mean: 0.7, sd: 0.3 });
    let half = Prior { log_shape: believed, ..Prior::none() };
    assert_eq!(fit(&lives, &half).unwrap_err(), NoFit::NoFailures);
    assert_eq!(Posterior::new(&lives, &half).unwrap_err(), NoFit::NoFailures);
    let found = fit(&lives, &Prior::weak(100_000.0)).unwrap();
    assert!(found.curve(&[]).scale > 100_000.0 && found.shape() > 1.0);
}

#[test]
fn small_samples_with_a_prior() {
    for row in rows(include_str!("data/wear/priors.csv")) {
        let (case, of) = (row[0], numbers(&row[1..]));
        let normal = |at: usize| Some(Normal { mean: of[at], sd: of[at + 1] });
        let prior = Prior { log_shape: normal(0), log_scale: normal(2), coefficients: None };
        let lives = lives_of(case);
        let mode = fit(&lives, &prior).unwrap();
        near(mode.log_shape, of[4], ERROR, case);
        near(mode.intercept, of[5], ERROR, case);
        near(mode.log_shape().se, of[6], ERROR, case);
        near(mode.intercept().se, of[7], ERROR, case);
        let posterior = Posterior::new(&lives, &prior).unwrap();
        let log_shape = posterior.of(|curve| libm::log(curve.shape));
        let log_scale = posterior.of(|curve| libm::log(curve.scale));
        near(log_shape.value, of[8], ERROR, case);
        near(log_scale.value, of[9], ERROR, case);
        near(log_shape.se, of[10], ERROR, case);
        near(log_scale.se, of[11], ERROR, case);
        near(posterior.of(|curve| libm::log(curve.quantile(0.1))).value, of[12], ERROR, case);
        for (chance, expected) in [(0.1, of[13]), (0.5, of[14]), (0.9, of[15])] {
            near(posterior.quantile_of(|curve| curve.quantile(0.1), chance), expected, 1e-3, case);
        }
        close(posterior.log_evidence, of[16], 1e-5, case);
    }
}

fn accelerated(text: &str) -> (Lives, LifeFit) {
    let table: Vec<_> = rows(text).map(|row| (life(&row[..3]), numbers(&row[3..]))).collect();
    let column = |number: usize| table.iter().map(|(_, values)| values[number]).collect();
    let columns: Vec<Vec<f64>> = (0..table[0].1.len()).map(column).collect();
    let lives = Lives::new(table.iter().map(|(life, _)| *life).collect(), &columns).unwrap();
    let found = fit(&lives, &Prior::none()).unwrap();
    (lives, found)
}

#[track_caller]
fn check_accelerated(case: &str, text: &str) {
    let (lives, found) = accelerated(text);
    let width = found.coefficients.len() + 1;
    let mut place = 0;
    for row in rows(include_str!("data/wear/aft_fits.csv")).filter(|row| row[0] == case) {
        let what = format!("{case} {}", row[1]);
        let of = numbers(&row[2..]);
        if row[1] == "loglik" {
            close(found.loglik, of[0], LOGLIK, &what);
            continue;
        }
        let estimate: Estimate = match place {
            0 => found.intercept(),
            _ if place == width => found.log_shape(),
            _ => found.coefficient(place - 1).unwrap(),
        };
        close(estimate.value, of[0], 1e-5 * (1.0 + of[0].abs()), &what);
        near(estimate.se, of[1], ERROR, &what);
        for (other, expected) in of[2..].iter().enumerate() {
            let scale = libm::sqrt(found.covariance(place, place) * found.covariance(other, other));
            close(found.covariance(place, other), *expected, ERROR * scale, &what);
        }
        if (1..width).contains(&place) {
            let ends = profile(&lives, &Prior::none(), &found, Quantity::Coefficient(place - 1), 0.9).unwrap();
            assert!(ends.low.unwrap() < estimate.value && estimate.value < ends.high.unwrap(), "{what}: {ends:?}");
        }
        place += 1;
    }
    assert_eq!(place, width + 1, "{case}");
    assert!(found.steps <= 12, "{case}: {} steps", found.steps);
}

#[test]
fn accelerated_lives() {
    check_accelerated("larynx", include_str!("data/wear/aft_larynx.csv"));
    check_accelerated("made_packs_heat_duty", include_str!("data/wear/aft_made_packs_heat_duty.csv"));
    check_accelerated("motorettes", include_str!("data/wear/aft_motorettes.csv"));
    check_accelerated("nicd_spacecraft_batteries", include_str!("data/wear/aft_nicd_spacecraft_batteries.csv"));
    check_accelerated("ovarian_ecog_rx", include_str!("data/wear/aft_ovarian_ecog_rx.csv"));
    check_accelerated("rossi", include_str!("data/wear/aft_rossi.csv"));
}

#[test]
fn survival_tables() {
    for case in ["6mp", "channing_men"] {
        let of_case = rows(include_str!("data/wear/survival_lives.csv")).filter(|row| row[0] == case);
        let lives: Vec<Life> = of_case.map(|row| life(&row[1..])).collect();
        let steps = survival(&lives);
        let table: Vec<_> = rows(include_str!("data/wear/survival.csv")).filter(|row| row[0] == case).collect();
        assert_eq!(steps.len(), table.len(), "{case}");
        for (step, row) in steps.iter().zip(&table) {
            let of = numbers(&row[1..]);
            let what = format!("{case} at {}", step.age);
            assert_eq!((step.age, step.at_risk, step.failed), (of[0], of[1], of[2]), "{what}");
            close(step.survival, of[3], TABLE, &what);
            assert_eq!(step.survival_se.is_none(), of[4].is_nan(), "{what}");
            if let Some(se) = step.survival_se {
                close(se, of[4], TABLE, &what);
            }
            // Written with ten digits, which is fewer than ten decimals above 1.
            close(step.hazard, of[5], TABLE * of[5].max(5.0), &what);
            close(step.hazard_se, of[6], TABLE * of[6].max(5.0), &what);
            if of[7].is_finite() {
                close(step.interval(0.95).low.unwrap(), of[7], TABLE, &what);
                close(step.interval(0.95).high.unwrap(), of[8], TABLE, &what);
            }
        }
    }
}

#[test]
fn valve_seats() {
    let history = |row: Vec<&str>| {
        let of = numbers(&row);
        History { start: 0.0, end: of[0], events: of[1..].to_vec() }
    };
    let histories: Vec<History> = rows(include_str!("data/wear/valve_seats.csv")).map(history).collect();
    let steps = recurrences(&histories).unwrap();
    let table: Vec<_> = rows(include_str!("data/wear/valve_seats_mcf.csv")).collect();
    assert_eq!(steps.len(), table.len());
    for (step, row) in steps.iter().zip(&table) {
        let of = numbers(row);
        assert_eq!((step.age, step.at_risk, step.events), (of[0], of[1], of[2]));
        close(step.mean, of[3], 5.0 * TABLE, "mean");
        close(step.se, of[4], TABLE, "se");
    }
}

#[test]
fn replacement_ages() {
    for row in rows(include_str!("data/wear/age_replacement.csv")) {
        let of = numbers(&row);
        let (costs, curve) = (Costs { planned: of[0], roadside: of[1] }, Weibull { scale: of[2], shape: of[3] });
        match cheapest_age(curve, costs).unwrap() {
            Replacement::AtAge { age, rate, run_to_failure } => {
                near(age, of[4], 1e-9, "age");
                near(rate, of[5], 1e-9, "rate");
                near(run_to_failure, of[6], 1e-9, "run to failure");
                for (factor, expected) in [0.5, 0.8, 1.25, 2.0].into_iter().zip(&of[7..]) {
                    near(costs.rate_at(curve, factor * of[4]), *expected, 1e-9, "rate elsewhere");
                }
            }
            Replacement::AtFailure { reason, rate } => {
                assert!(of[4].is_nan());
                assert_eq!(reason, NoOptimum::RiskDoesNotRise);
                near(rate, of[5], 1e-9, "run to failure");
            }
        }
    }
    // Computed and cross-checked: shape 2, scale 100, costs 1 and 5.
    let costs = Costs { planned: 1.0, roadside: 5.0 };
    let Ok(Replacement::AtAge { age, rate, run_to_failure }) =
        cheapest_age(Weibull { shape: 2.0, scale: 100.0 }, costs)
    else {
        panic!()
    };
    near(age, 51.07, 1e-4, "age");
    near(rate, 0.040_852, 1e-4, "rate");
    near(run_to_failure, 0.056_419, 1e-4, "run to failure");
}

#[test]
fn curves_that_fit_and_one_that_does_not() {
    let check = |case: &str| {
        let lives = lives_of(case);
        check_fit(&lives, &fit(&lives, &Prior::none()).unwrap())
    };
    for case in ["made_used_packs", "nelson_diesel_fan", "lieblein_zelen_ball_bearings", "nist_8413"] {
        let check = check(case);
        assert_eq!(check.warning, None, "{case}: {check:?}");
        let (seen, expected) = check
            .stretches
            .iter()
            .fold((0.0, 0.0), |sums, stretch| (sums.0 + stretch.failed, sums.1 + stretch.expected));
        close(seen, expected, 1e-6 * seen, case);
    }
    assert!(check("bearing_cage").chance.is_none());
    // One mode in the first weeks and another much later: no one Weibull curve.
    let two = (0..200).map(|k| {
        let age = if k % 2 == 0 { 1.0 + f64::from(k) / 100.0 } else { 90.0 + f64::from(k) / 20.0 };
        Life::from_new(age, true)
    });
    let lives = Lives::plain(two.collect()).unwrap();
    let check = check_fit(&lives, &fit(&lives, &Prior::none()).unwrap());
    assert!(check.chance.unwrap() < 1e-6, "{check:?}");
    assert!(check.warning.unwrap().to_string().starts_with("the curve does not fit"));
}
