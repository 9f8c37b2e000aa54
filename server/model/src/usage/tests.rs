use chrono::{DateTime, Utc};
use proptest::prelude::*;

use super::*;
use crate::fleet::{Metres, Reading};
use crate::track::{Limits, clean};

const ZONE: Tz = Tz::America__New_York;

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// Noon of 1 June in New York, `days` later.
fn noon(days: i64) -> DateTime<Utc> {
    "2026-06-01T16:00:00Z".parse::<DateTime<Utc>>().unwrap() + Duration::days(days)
}

fn track(readings: &[(i64, f64)]) -> Track {
    let reading = |(days, km): &(i64, f64)| Reading {
        at: noon(*days),
        odometer: Metres((km * 1_000.0) as i64),
        source: 1,
        ruling: None,
    };
    let readings: Vec<_> = readings.iter().map(reading).collect();
    clean(&readings, &Limits::default(), noon(1_000))
}

fn off(from: &str, to: Option<&str>) -> OffRoad {
    OffRoad { from: date(from), to: to.map(date) }
}

fn usage(track: &Track, off_road: &[OffRoad]) -> Usage {
    estimate(track, &BTreeMap::new(), off_road, ZONE, &Prior::default(), &Settings::default())
}

#[track_caller]
fn near(found: f64, expected: f64) {
    assert!((found - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{found} is not {expected}");
}

#[test]
fn a_pocket_calculator_gives_the_same_rate() {
    // 1 June to 29 June, days off included: 8,400 km / 28 days = 300 km a day.
    let found = usage(&track(&[(0, 1_000.0), (6, 3_300.0), (20, 6_900.0), (28, 9_400.0)]), &[]);
    assert_eq!((found.basis, found.days_counted), (Basis::Own, 28));
    assert_eq!((found.from, found.to), (Some(date("2026-06-01")), Some(date("2026-06-29"))));
    near(found.metres_per_day, 300_000.0);
    near(found.rate_spread, 0.15);
    // Increments 2,300 km in 6 days, 3,600 in 14, 2,500 in 8: 500²/6 + 600²/14 + 100²/8 km², over 2.
    let variance: f64 = (250_000.0 / 6.0 + 360_000.0 / 14.0 + 10_000.0 / 8.0) / 2.0;
    near(found.metres_sd, 1_000.0 * variance.sqrt());
}

#[test]
fn days_off_the_road_do_not_count() {
    let readings = track(&[(0, 0.0), (7, 2_100.0), (21, 4_200.0), (28, 6_300.0)]);
    // 8 to 14 June: 21 on-road days in 28, and then the car went 300 km on each.
    let found = usage(&readings, &[off("2026-06-09", Some("2026-06-15"))]);
    assert_eq!(found.days_counted, 21);
    near(found.metres_per_day, 300_000.0);
    near(found.metres_sd, 15_000.0); // an even car still has the least spread, 5 %
}

#[test]
fn only_the_trailing_window_counts() {
    // 100 km a day for 44 days, then 300 km a day for 56.
    let readings: Vec<_> =
        (0..=100).map(|day| (day, 100.0 * (day as f64) + 200.0 * ((day - 44).max(0) as f64))).collect();
    let found = usage(&track(&readings), &[]);
    assert_eq!(found.days_counted, 56);
    near(found.metres_per_day, 300_000.0);
}

#[test]
fn with_two_increments_the_spread_is_half_the_mean() {
    let found = usage(&track(&[(0, 0.0), (7, 2_100.0), (14, 4_200.0)]), &[]);
    near(found.metres_sd, 150_000.0);
}

#[test]
fn readings_by_the_hour_are_one_a_day() {
    // Driven from noon to midnight each day, read every six hours: in whole days an even car.
    let mut readings = Vec::new();
    for day in 0..20 {
        for (hour, share) in [(0, 0.0), (6, 0.5), (11, 1.0)] {
            let odometer = Metres(((f64::from(day) + share) * 300_000.0) as i64);
            let at = noon(i64::from(day)) + Duration::hours(hour);
            readings.push(Reading { at, odometer, source: 1, ruling: None });
        }
    }
    let found = usage(&clean(&readings, &Limits::default(), noon(100)), &[]);
    near(found.metres_per_day, 6_000_000.0 / 19.0);
    assert!(found.metres_sd < 0.06 * found.metres_per_day, "{}", found.metres_sd);
}

#[test]
fn a_car_of_few_days_borrows() {
    let few = track(&[(0, 0.0), (6, 1_800.0)]);
    let found = usage(&few, &[]);
    assert_eq!((found.basis, found.days_counted), (Basis::Assumed, 6));
    near(found.metres_per_day, 241_401.6); // 150 mi
    near(found.metres_sd, 120_700.8);
    near(found.rate_spread, 0.40);
    near(found.hours_per_day, 8.0);
    let prior = Prior { metres_per_day: Some(200_000.0), hours_per_day: Some(9.0) };
    let found = estimate(&few, &BTreeMap::new(), &[], ZONE, &prior, &Settings::default());
    assert_eq!((found.basis, found.metres_per_day, found.hours_per_day), (Basis::Depot, 200_000.0, 9.0));
    assert_eq!(usage(&Track::default(), &[]).from, None);
    assert_eq!(usage(&track(&[(0, 0.0), (7, 2_100.0)]), &[]).basis, Basis::Own);
}

fn duty(days: &[(&str, f64)]) -> BTreeMap<NaiveDate, DutyDay> {
    let day = |hours| DutyDay { hours, has_duty: true, driven: hours > 0.0, ..DutyDay::default() };
    days.iter().map(|(on, hours)| (date(on), day(*hours))).collect()
}

#[test]
fn hours_are_counted_over_the_same_days_up_to_the_last_log() {
    let readings = track(&[(0, 0.0), (14, 4_200.0)]);
    // After 1 June up to 9 June, the last log: 8 days, 40 h. The log of 1 June is before the first reading's next day.
    let days = duty(&[("2026-06-01", 12.0), ("2026-06-02", 10.0), ("2026-06-04", 10.0), ("2026-06-09", 20.0)]);
    let found = estimate(&readings, &days, &[], ZONE, &Prior::default(), &Settings::default());
    near(found.hours_per_day, 5.0);
    // Deviations 5, 5, 15 and five days of none: (25 + 25 + 225 + 5 * 25) / 7.
    near(found.hours_sd, (400.0_f64 / 7.0).sqrt());
    // Without the days off the road: 6 days.
    let found = estimate(
        &readings,
        &days,
        &[off("2026-06-05", Some("2026-06-06"))],
        ZONE,
        &Prior::default(),
        &Settings::default(),
    );
    near(found.hours_per_day, 40.0 / 6.0);
}

#[test]
fn road_days() {
    let road = RoadDays::new(&[
        off("2026-06-10", Some("2026-06-12")),
        off("2026-06-20", None),
        off("2026-06-11", Some("2026-06-14")),
        off("2026-06-18", Some("2026-06-17")),
    ]);
    assert_eq!(road.between(date("2026-06-08"), date("2026-06-16")), 3); // 9, 15, 16
    assert_eq!(road.between(date("2026-06-12"), date("2026-06-16")), 2);
    assert_eq!(road.between(date("2026-06-16"), date("2026-06-08")), 0);
    assert_eq!(road.between(date("2026-06-16"), date("2027-06-16")), 3); // 17, 18, 19
    for (count, expected) in
        [(0, Some("2026-06-08")), (1, Some("2026-06-09")), (2, Some("2026-06-15")), (6, Some("2026-06-19")), (7, None)]
    {
        assert_eq!(road.nth(date("2026-06-08"), count), expected.map(date), "{count}");
    }
    assert_eq!(road.nth(date("2026-06-12"), 0), Some(date("2026-06-12")));
    assert!(road.is_off(date("2026-06-13")) && !road.is_off(date("2026-06-15")) && road.is_off(date("2030-01-01")));
}

proptest! {
    #[test]
    fn counting_and_finding_road_days_agree(
        stretches in proptest::collection::vec((0_i64..200, 0_i64..20), 0..8),
        count in 0_u64..150,
    ) {
        let day = |days| date("2026-01-01") + Duration::days(days);
        let stretches: Vec<_> =
            stretches.iter().map(|(from, days)| OffRoad { from: day(*from), to: Some(day(from + days)) }).collect();
        let road = RoadDays::new(&stretches);
        let found = road.nth(day(0), count).unwrap();
        prop_assert_eq!(road.between(day(0), found), count as i64);
        prop_assert!(count == 0 || !road.is_off(found));
        let counted = day(0).iter_days().skip(1).take_while(|day| *day <= found)
            .filter(|day| !stretches.iter().any(|stretch| stretch.covers(*day))).count();
        prop_assert_eq!(counted as u64, count);
    }
}
