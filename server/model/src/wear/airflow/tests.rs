use chrono::Duration;
use proptest::prelude::*;

use super::*;
use crate::wear::made::Draws;

fn day(days: i64) -> DateTime<Utc> {
    "2026-01-01T12:00:00Z".parse::<DateTime<Utc>>().unwrap() + Duration::days(days)
}

/// A check every second day: currents from 20 to 60 A at stages 1 to 3, each with its own effect, 5 % of noise, and the
/// index that `index(day)` gives.
fn made(days: std::ops::Range<i64>, seed: u64, index: impl Fn(i64) -> f64) -> Vec<PackCheck> {
    let mut draws = Draws(seed);
    let check = |number: i64| {
        let fan_stage = (number / 2 % 3 + 1) as u8;
        let current_a = 40.0 + 8.0 * draws.normal().clamp(-2.5, 2.5);
        let rise = 0.012 / f64::from(fan_stage) * current_a * current_a * index(number);
        PackCheck {
            current_a: Some(if number % 4 == 0 { current_a } else { -current_a }),
            cabin_c: Some(22.0),
            pack_c: Some(22.0 + rise * libm::exp(0.05 * draws.normal())),
            fan_stage: Some(fan_stage),
            ..PackCheck::of(day(number), vec![14.5; 14])
        }
    };
    days.step_by(2).map(check).collect()
}

fn read(checks: &[PackCheck], services: &[i64], as_of: i64) -> Airflow {
    let services: Vec<_> = services.iter().map(|service| day(*service)).collect();
    airflow(checks, &services, day(as_of), &AirflowSettings::default())
}

/// The index doubles in 300 days.
fn clogging(days: i64) -> f64 {
    libm::exp2(days as f64 / 300.0)
}

#[test]
fn a_clogging_duct_brings_the_service_forward() {
    let found = read(&made(0..120, 1, clogging), &[0], 120);
    let trend = found.trend.unwrap();
    // The check at the hour of the service itself is not one after it.
    assert_eq!((found.compared, found.loose_duct, trend.from), (59, None, day(118)));
    // The baseline is of the first 45 days, so by day 118 the index is 2^((118 - 23) / 300).
    assert!((trend.index / 1.245 - 1.0).abs() < 0.05, "{}", trend.index);
    assert!((trend.growth.mid / (std::f64::consts::LN_2 / 300.0) - 1.0).abs() < 0.25, "{:?}", trend.growth);
    // 1.5 against the baseline is reached on day 23 + 175.
    let [early, middle, late] = [0.1, 0.5, 0.9].map(|p| days_between(day(0), trend.by(p).unwrap()));
    assert!(early < middle && middle < late && early < 198.0 && 198.0 < late, "{early} {middle} {late}");
    let forward = trend.brings_forward(day(300)).unwrap();
    assert_eq!(forward.to, trend.by(0.1).unwrap());
    assert!(forward.chance_by_planned > 0.9);
    assert_eq!(trend.brings_forward(day(130)), None);
}

#[test]
fn clean_air_brings_nothing_forward() {
    let found = read(&made(0..120, 2, |_| 1.0), &[0], 120);
    let trend = found.trend.unwrap();
    assert!((trend.index - 1.0).abs() < 0.05 && trend.growth.low < 0.0, "{trend:?}");
    assert_eq!(trend.brings_forward(day(10_000)), None);
}

#[test]
fn an_index_past_its_limit_calls_for_service_at_once() {
    let found = read(&made(0..120, 3, |days| if days < 40 { 1.0 } else { 2.0 }), &[0], 120);
    let trend = found.trend.unwrap();
    assert_eq!(trend.brings_forward(day(400)).unwrap().to, trend.from);
}

#[test]
fn wild_thermometers_do_not_move_the_trend() {
    let mut checks = made(0..120, 1, clogging);
    checks.iter_mut().step_by(9).for_each(|check| check.pack_c = Some(75.0));
    let trend = read(&checks, &[0], 120).trend.unwrap();
    assert!((trend.index / 1.245 - 1.0).abs() < 0.1, "{}", trend.index);
    assert!((trend.growth.mid / (std::f64::consts::LN_2 / 300.0) - 1.0).abs() < 0.3, "{:?}", trend.growth);
}

#[test]
fn a_jump_at_a_service_is_a_loose_duct() {
    let after = |index: f64| {
        let checks = made(0..140, 4, |days| if days <= 100 { 1.0 } else { index });
        read(&checks, &[0, 100], 140).loose_duct
    };
    let found = after(1.6).unwrap();
    assert_eq!(found.service, day(100));
    assert!(found.factor.low > 1.3 && (found.factor.mid / 1.6 - 1.0).abs() < 0.1, "{found:?}");
    assert_eq!(after(0.7), None);
    assert_eq!(after(1.0), None);
    assert_eq!(after(1.1), None);
}

#[test]
fn without_a_service_or_with_little_there_is_no_index() {
    assert_eq!(read(&made(0..120, 1, clogging), &[], 120), Airflow::default());
    assert_eq!(read(&made(0..120, 1, clogging), &[130], 120), Airflow::default());
    assert_eq!(read(&made(0..8, 1, clogging), &[0], 8).trend, None);
    let mut off = made(0..120, 1, clogging);
    off.iter_mut().for_each(|check| check.fan_stage = Some(0));
    assert_eq!(read(&off, &[0], 120).compared, 0);
}

proptest! {
    #[test]
    fn the_order_of_checks_does_not_matter(checks in Just(made(0..80, 5, clogging)).prop_shuffle()) {
        prop_assert_eq!(read(&checks, &[40, 0], 80), read(&made(0..80, 5, clogging), &[0, 40], 80));
    }

    #[test]
    fn garbage_never_panics(
        rows in prop::collection::vec((0_i64..60, prop::array::uniform3(prop::num::f64::ANY), 0_u8..4), 0..20),
    ) {
        let checks: Vec<_> = rows.into_iter().map(|(number, [current, pack, cabin], stage)| PackCheck {
            current_a: Some(current), pack_c: Some(pack), cabin_c: Some(cabin), fan_stage: Some(stage),
            ..PackCheck::of(day(number), Vec::new())
        }).collect();
        let found = read(&checks, &[10, 30], 60);
        let _ = found.trend.and_then(|trend| trend.brings_forward(day(100)));
    }
}
