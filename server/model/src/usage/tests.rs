use chrono::{DateTime, Duration, Utc};
use proptest::prelude::*;

use super::*;
use crate::duty::Pattern;
use crate::fleet::{Metres, Reading};
use crate::track::{Limits, clean};

mod past;

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

fn estimated(track: &Track, days: &BTreeMap<NaiveDate, DutyDay>, off_road: &[OffRoad], prior: Prior) -> Usage {
    let plans = Plans { off_road, changes: &[] };
    estimate(&Past::new(track, days, plans, ZONE), &prior, &Settings::default(), &Fits::default())
}

fn usage(track: &Track, off_road: &[OffRoad]) -> Usage {
    estimated(track, &BTreeMap::new(), off_road, Prior::default())
}

#[track_caller]
fn near(found: f64, expected: f64) {
    assert!((found - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{found} is not {expected}");
}

#[test]
fn an_even_car_goes_what_a_pocket_calculator_says() {
    // 1 June to 29 June, days off included: 8,400 km / 28 days = 300 km a day.
    let found = usage(&track(&[(0, 1_000.0), (6, 2_800.0), (20, 7_000.0), (28, 9_400.0)]), &[]);
    assert_eq!((found.basis, found.days_counted), (Basis::Own, 28));
    assert_eq!((found.from, found.to), (Some(date("2026-06-01")), Some(date("2026-06-29"))));
    near(found.metres_per_day, 300_000.0);
    // 27 whole days: the broken ones around the first and the last reading are left out.
    let known = found.metres_known.unwrap();
    assert_eq!((known.days, known.settled), (27.0, false));
    near(known.total, 27.0 * 300_000.0);
}

#[test]
fn days_off_the_road_do_not_count() {
    let readings = track(&[(0, 0.0), (7, 2_100.0), (21, 4_200.0), (28, 6_300.0)]);
    // 9 to 15 June: 21 on-road days in 28, and then the car went 300 km on each.
    let found = usage(&readings, &[off("2026-06-09", Some("2026-06-15"))]);
    assert_eq!(found.days_counted, 21);
    near(found.metres_per_day, 300_000.0);
}

#[test]
fn a_recent_change_counts_by_half() {
    // 100 km a day for 400 days, then 300 km a day for 60.
    let readings: Vec<_> =
        (0..=460).map(|day| (day, 100.0 * (day as f64) + 200.0 * ((day - 400).max(0) as f64))).collect();
    let found = usage(&track(&readings), &[]);
    let known = found.metres_known.unwrap().features;
    assert!(known.level > 110_000.0 && known.level < 140_000.0 && known.change > 0.3, "{known:?}");
    near(found.metres_per_day, known.level * libm::exp(0.5 * known.change));
}

#[test]
fn readings_by_the_hour_make_whole_days() {
    // Driven from noon to 11 at night each day, read three times: in whole days an even car.
    let mut readings = Vec::new();
    for day in 0..20 {
        for (hour, share) in [(0, 0.0), (6, 0.5), (11, 1.0)] {
            let odometer = Metres(((f64::from(day) + share) * 300_000.0) as i64);
            let at = noon(i64::from(day)) + Duration::hours(hour);
            readings.push(Reading { at, odometer, source: 1, ruling: None });
        }
    }
    let found = usage(&clean(&readings, &Limits::default(), noon(100)), &[]);
    near(found.metres_per_day, 300_000.0);
    assert!(found.metres_known.unwrap().features.noise < 1e-6);
}

#[test]
fn a_change_of_clocks_is_no_slow_day() {
    // New York put its clocks forward on 8 March 2026; read at the same instant of each day.
    let at = |day| "2026-02-20T17:00:00Z".parse::<DateTime<Utc>>().unwrap() + Duration::days(day);
    let reading = |day| Reading { at: at(day), odometer: Metres(day * 300_000), source: 1, ruling: None };
    let found = usage(&clean(&(0..30).map(reading).collect::<Vec<_>>(), &Limits::default(), at(40)), &[]);
    near(found.metres_per_day, 300_000.0);
    assert_eq!((found.days_counted, found.to), (29, Some(date("2026-03-21"))));
}

#[test]
fn a_long_gap_says_nothing_about_its_days() {
    // 100 km on the first of many days without a reading, then 300 km a day for four weeks.
    let readings: Vec<_> =
        std::iter::once((0, 0.0)).chain((0..=28).map(|day| (400 + day, 40_000.0 + 300.0 * day as f64))).collect();
    let found = usage(&track(&readings), &[]);
    assert_eq!((found.days_counted, found.from), (28, Some(date("2027-07-06"))));
    near(found.metres_per_day, 300_000.0);
}

#[test]
fn a_car_that_stands_has_no_rate() {
    let found = usage(&track(&[(0, 500.0), (10, 500.0), (20, 500.0)]), &[]);
    assert_eq!((found.basis, found.metres_per_day, found.metres), (Basis::Own, 0.0, Outlook::STANDING));
}

#[test]
fn a_car_of_few_days_borrows() {
    let few = track(&[(0, 0.0), (6, 1_800.0)]);
    let found = usage(&few, &[]);
    assert_eq!((found.basis, found.days_counted), (Basis::Assumed, 6));
    near(found.metres_per_day, 241_401.6); // 150 mi
    near(found.hours_per_day, 8.0);
    let prior = Prior { metres_per_day: Some(200_000.0), hours_per_day: Some(9.0) };
    let found = estimated(&few, &BTreeMap::new(), &[], prior);
    assert_eq!(found.basis, Basis::Depot);
    near(found.metres_per_day, 200_000.0);
    near(found.hours_per_day, 9.0);
    assert_eq!(usage(&Track::default(), &[]).from, None);
    // Six whole days of its own, and the prior as heavy: 1 * (1 - 6 / 45) / 0.16 = 5.42 days of 200 km.
    let found = estimated(&track(&[(0, 0.0), (7, 2_100.0)]), &BTreeMap::new(), &[], prior);
    assert_eq!(found.basis, Basis::Own);
    near(found.metres_per_day, (6.0 * 300_000.0 + 39.0 / 7.2 * 200_000.0) / (6.0 + 39.0 / 7.2));
}

fn duty(days: &[(&str, f64)]) -> BTreeMap<NaiveDate, DutyDay> {
    let day = |hours| DutyDay { hours, has_duty: true, driven: hours > 0.0, ..DutyDay::default() };
    days.iter().map(|(on, hours)| (date(on), day(*hours))).collect()
}

#[test]
fn hours_are_counted_from_the_first_log_to_the_last() {
    let readings = track(&[(0, 0.0), (14, 4_200.0)]);
    // Whole days from 2 June up to 9 June, the last log: 8 days, 40 h. The log of 1 June lies on a broken day.
    let days = duty(&[("2026-06-01", 12.0), ("2026-06-02", 10.0), ("2026-06-04", 10.0), ("2026-06-09", 20.0)]);
    let known = estimated(&readings, &days, &[], Prior::default()).hours_known.unwrap();
    assert_eq!((known.days, known.total), (8.0, 40.0));
    assert_eq!(usage(&readings, &[]).hours_known, None);
    // Without the days off the road: 6 days.
    let off_road = [off("2026-06-05", Some("2026-06-06"))];
    let known = estimated(&readings, &days, &off_road, Prior::default()).hours_known.unwrap();
    assert_eq!((known.days, known.total), (6.0, 40.0));
}

#[test]
fn snapshots_are_what_the_filter_said_then() {
    let readings = track(&[(0, 0.0), (30, 9_000.0), (50, 9_000.0), (60, 12_000.0)]);
    let last = day_number(date("2026-07-30"));
    let cuts = [last - 45, last - 15, last, last + 15];
    let [metres, hours] = history(&readings, &BTreeMap::new(), &[], ZONE, &cuts);
    assert_eq!(hours, [None; 4]);
    let days: Vec<_> = metres.iter().map(|taken| taken.map(|taken| taken.days)).collect();
    assert_eq!(days, [Some(14.0), Some(44.0), Some(59.0), None]);
    near(metres[0].unwrap().total, 14.0 * 300_000.0);
    assert_eq!(cuts_until(last).len(), CUTS);
    assert_eq!(cuts_until(last).last(), Some(&last));
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
    let even = Week::default();
    for (days, expected) in [
        (0.0, Some("2026-06-08")),
        (0.3, Some("2026-06-09")),
        (1.0, Some("2026-06-09")),
        (2.0, Some("2026-06-15")),
        (5.1, Some("2026-06-19")),
        (6.0, Some("2026-06-19")),
        (6.1, None),
    ] {
        assert_eq!(road.reached(&even, date("2026-06-08"), days), expected.map(date), "{days}");
    }
    assert_eq!(road.reached(&even, date("2026-06-12"), 0.0), Some(date("2026-06-12")));
    assert_eq!(road.reached(&even, date("2026-06-12"), 0.1), Some(date("2026-06-15")));
    assert!(road.is_off(date("2026-06-13")) && !road.is_off(date("2026-06-15")) && road.is_off(date("2030-01-01")));
}

proptest! {
    /// The day on which mean days are reached is the first by whose end they have come together, by plain counting.
    #[test]
    fn counting_and_finding_road_days_agree(
        stretches in proptest::collection::vec((0_i64..200, 0_i64..20), 0..8),
        amounts in proptest::array::uniform7(0.0_f64..3.0),
        wanted in 0.01_f64..150.0,
    ) {
        let day = |days| date("2026-01-01") + Duration::days(days);
        let stretches: Vec<_> =
            stretches.iter().map(|(from, days)| OffRoad { from: day(*from), to: Some(day(from + days)) }).collect();
        let road = RoadDays::new(&stretches);
        let week = Week::new(amounts.map(|amount| (amount - 1.0).max(0.0)));
        let found = road.reached(&week, day(0), wanted).unwrap();
        let counted = |to: NaiveDate| -> f64 {
            let on_road = day(0).iter_days().skip(1).take_while(|day| *day <= to);
            let on_road = on_road.filter(|day| !stretches.iter().any(|stretch| stretch.covers(*day)));
            on_road.map(|day| week.on(day_number(day))).sum()
        };
        prop_assert!((road.mean_days(&week, day(0), found) - counted(found)).abs() < 1e-9);
        prop_assert!(counted(found) >= wanted - 1e-6 && counted(found - Duration::days(1)) <= wanted + 1e-6);
        prop_assert!(week.on(day_number(found)) > 0.0 && !road.is_off(found));
        prop_assert_eq!(road.between(day(0), found) as f64, {
            let even = Week::default();
            road.mean_days(&even, day(0), found)
        });
    }
}

/// A day's readings: 300 km driven between 8 in the morning and 6 in the evening, read at both.
fn working(days: impl IntoIterator<Item = i64>) -> Track {
    let mut readings = Vec::new();
    for (driven, day) in days.into_iter().enumerate() {
        for (hour, share) in [(-4, 0), (6, 1)] {
            let at = noon(day) + Duration::hours(hour);
            let odometer = Metres((driven as i64 + share) * 300_000);
            readings.push(Reading { at, odometer, source: 1, ruling: None });
        }
    }
    clean(&readings, &Limits::default(), noon(1_000))
}

/// 1 June 2026 is a Monday, day 0.
fn no_sundays(days: std::ops::Range<i64>) -> impl Iterator<Item = i64> {
    days.filter(|day| day % 7 != 6)
}

#[test]
fn a_car_that_never_works_on_sundays_has_a_week_of_six_days() {
    let week = usage(&working(no_sundays(0..140)), &[]).metres_week.weights();
    assert_eq!(week[6], 0.0);
    near(week.iter().sum(), 7.0);
    assert!(week[..6].iter().all(|weight| (weight - 7.0 / 6.0).abs() < 0.01), "{week:?}");
    // Three weeks say less: m = c² / s² = (7 / (7 + 14)) / 0.25 = 4/3 weeks against somewhat less than three.
    let week = usage(&working(no_sundays(0..22)), &[]).metres_week.weights();
    assert!(week[6] > 0.25 && week[6] < 0.45, "{week:?}");
}

#[test]
fn what_lies_between_sparse_readings_says_nothing_of_weekdays() {
    // The same car read on Mondays, or at the end of each day driven: nobody knows where Sunday's part went.
    let mondays: Vec<_> = (0..30).map(|week| (7 * week, 1_800.0 * week as f64)).collect();
    assert_eq!(usage(&track(&mondays), &[]).metres_week, Week::default());
    let evenings: Vec<_> = no_sundays(0..210).enumerate().map(|(driven, day)| (day, 300.0 * driven as f64)).collect();
    let week = usage(&track(&evenings), &[]).metres_week.weights();
    assert!(week[6] > 0.9, "{week:?}");
    // Its duty logs say so.
    let days: BTreeMap<_, _> = no_sundays(0..210)
        .map(|day| {
            (
                date("2026-06-01") + Duration::days(day),
                DutyDay { hours: 9.0, has_duty: true, driven: true, ..DutyDay::default() },
            )
        })
        .collect();
    for readings in [mondays, evenings] {
        let found = estimated(&track(&readings), &days, &[], Prior::default());
        assert_eq!((found.metres_week.weights()[6], found.hours_week.weights()[6]), (0.0, 0.0));
        assert!((found.metres_per_day - 1_800_000.0 / 7.0).abs() < 100.0, "{}", found.metres_per_day);
    }
}

#[test]
fn days_on_which_the_logs_say_it_stood_get_nothing() {
    // 600 km between two Saturdays' and Mondays' noons; the logs know of no Sunday.
    let readings = track(&[(0, 0.0), (5, 1_500.0), (7, 2_100.0), (9, 2_700.0)]);
    let of = |days: &BTreeMap<NaiveDate, DutyDay>| {
        let mut found = Vec::new();
        each_day(&readings, days, &RoadDays::default(), ZONE, |day| found.push((day.number, day.metres, day.own)));
        found
    };
    let first = day_number(date("2026-06-05"));
    let sunday = |found: &[(i64, f64, bool)]| found.iter().find(|day| day.0 == first + 2).copied().unwrap();
    assert_eq!(sunday(&of(&BTreeMap::new())), (first + 2, 300_000.0, false));
    let logged = duty(&[("2026-06-05", 9.0), ("2026-06-06", 9.0), ("2026-06-08", 9.0), ("2026-06-09", 9.0)]);
    let found = of(&logged);
    assert_eq!(sunday(&found), (first + 2, 0.0, true));
    // Nothing is lost: the two halves of the days around it got it.
    near(found.iter().map(|day| day.1).sum(), 2_700_000.0 - 1.5 * 300_000.0 + 150_000.0);
}

#[test]
fn a_told_change_makes_the_history_a_second_opinion() {
    // 300 km a day for 100 days, and the depot's cars go 100.
    let changed = |readings: &Track, changed_on: &str| {
        let prior = Prior { metres_per_day: Some(100_000.0), hours_per_day: None };
        let changes = [Change { on: date(changed_on), to: Use::Depot(prior) }];
        let plans = Plans { off_road: &[], changes: &changes };
        estimate(&Past::new(readings, &BTreeMap::new(), plans, ZONE), &prior, &Settings::default(), &Fits::default())
    };
    let even: Vec<_> = (0..=100).map(|day| (day, 300.0 * day as f64)).collect();
    // On 9 September it is day 100: nothing is known since.
    let found = changed(&track(&even), "2026-09-09");
    assert_eq!((found.basis, found.metres_known), (Basis::Changed, None));
    near(found.metres_per_day, 200_000.0);
    // 0.4 over the root of two is how well it is known.
    assert_eq!(found.metres, Outlook::borrowed(f64::midpoint(300_000.0, 100_000.0), 0.4 * libm::sqrt(0.5)));
    // Ten days since: 30 August up to 8 September. They weigh 10, and the mean of the two 1 * (1 - 10 / 45) / 0.08 = 9.72.
    let found = changed(&track(&even), "2026-08-30");
    let weight = 35.0 / 45.0 / 0.08;
    near(found.metres_per_day, (10.0 * 300_000.0 + weight * 200_000.0) / (10.0 + weight));
    // After 45 days it stands for itself, by what it did since: here half as much.
    let slower: Vec<_> =
        (0..=160).map(|day| (day, 300.0 * day.min(100) as f64 + 150.0 * (day - 100).max(0) as f64)).collect();
    let found = changed(&track(&slower), "2026-09-10");
    assert_eq!(found.basis, Basis::Own);
    assert!((found.metres_per_day - 150_000.0).abs() < 100.0, "{}", found.metres_per_day);
    // A change before there was anything is none.
    near(changed(&track(&even), "2026-05-01").metres_per_day, 300_000.0);
}

/// Metres a day and basis where half as far is told, or so many metres a day, from a day on, and where that ends again.
fn told(readings: &Track, metres: Pace, from: &str, ends: Option<&str>) -> (f64, Basis) {
    let pattern = Pattern { days_per_week: None, hours_per_day: None, rear_share: None };
    let shifts = Use::Shifts(Told { pattern, metres, hours: Pace::Times(1.0) });
    let mut changes = vec![Change { on: date(from), to: shifts }];
    changes.extend(ends.map(|day| Change { on: date(day), to: Use::Before }));
    let plans = Plans { off_road: &[], changes: &changes };
    let days = BTreeMap::new();
    let past = Past::new(readings, &days, plans, ZONE);
    let found = estimate(&past, &Prior::default(), &Settings::default(), &Fits::default());
    (found.metres_per_day, found.basis)
}

#[test]
fn told_shifts_stand_in_until_the_days_since_speak() {
    let even: Vec<_> = (0..=100).map(|day| (day, 300.0 * day as f64)).collect();
    // On 9 September it is day 100: nothing is known since.
    let (rate, basis) = told(&track(&even), Pace::Times(0.5), "2026-09-09", None);
    near(rate, 150_000.0);
    assert_eq!(basis, Basis::Told);
    near(told(&track(&even), Pace::Rate(90_000.0), "2026-09-09", None).0, 90_000.0);
    // Ten days since, at the old pace after all. They weigh 10, and what was told (1 - 10 / 45) / 0.16 = 4.86.
    let weight = 35.0 / 45.0 / 0.16;
    let (rate, basis) = told(&track(&even), Pace::Times(0.5), "2026-08-30", None);
    near(rate, (10.0 * 300_000.0 + weight * 150_000.0) / (10.0 + weight));
    assert_eq!(basis, Basis::Told);
    // After 45 days it stands for itself, whatever was told.
    let (rate, basis) = told(&track(&even), Pace::Rate(1.0), "2026-07-01", None);
    near(rate, 300_000.0);
    assert_eq!(basis, Basis::Own);
}

#[test]
fn what_it_did_in_told_shifts_that_ended_says_nothing_of_what_it_does_else() {
    // 300 km a day, for thirty days of told shifts 600.
    let longer = |day: i64| 300.0 * day as f64 + 300.0 * (day - 60).clamp(0, 30) as f64;
    let readings = track(&(0..=100).map(|day| (day, longer(day))).collect::<Vec<_>>());
    // Noon of day 60 is that of 31 July, noon of day 90 that of 30 August.
    let (rate, basis) = told(&readings, Pace::Times(2.0), "2026-07-31", Some("2026-08-31"));
    near(rate, 300_000.0);
    assert_eq!(basis, Basis::Own);
    // Their end is told, and still to come.
    let ahead = told(
        &track(&(0..=90).map(|day| (day, longer(day))).collect::<Vec<_>>()),
        Pace::Times(2.0),
        "2026-07-31",
        Some("2026-12-01"),
    );
    near(ahead.0, 300_000.0);
}

#[test]
fn a_move_within_told_shifts_ends_them() {
    let even: Vec<_> = (0..=100).map(|day| (day, 300.0 * day as f64)).collect();
    let there = Prior { metres_per_day: Some(100_000.0), hours_per_day: None };
    let pattern = Pattern { days_per_week: None, hours_per_day: None, rear_share: None };
    let shifts = Told { pattern, metres: Pace::Rate(500_000.0), hours: Pace::Times(1.0) };
    let change = |on: &str, to: Use| Change { on: date(on), to };
    let changes = [
        change("2026-09-09", Use::Shifts(shifts)),
        change("2026-09-20", Use::Depot(there)),
        change("2026-10-01", Use::Before),
    ];
    let by = |changes: &[Change]| {
        let plans = Plans { off_road: &[], changes };
        let (track, days) = (track(&even), BTreeMap::new());
        let found = estimate(&Past::new(&track, &days, plans, ZONE), &there, &Settings::default(), &Fits::default());
        (found.metres_per_day, found.basis)
    };
    // What was told and the other depot's rate, to equal parts; the end of the shifts it left is none of its.
    let (rate, basis) = by(&changes);
    near(rate, 300_000.0);
    assert_eq!((by(&changes[..2]), basis), ((rate, basis), Basis::Changed));
}
