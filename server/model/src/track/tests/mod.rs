use chrono::{DateTime, Duration, NaiveDate, Utc};
use chrono_tz::Tz;

use super::*;
use crate::fleet::Ruling;

mod properties;
mod root;
mod slips;
mod sources;

fn start() -> DateTime<Utc> {
    "2026-01-01T06:00:00Z".parse().unwrap()
}

fn now() -> DateTime<Utc> {
    start() + Duration::days(100)
}

/// A reading `days` after the start that shows `km`.
fn shows(days: f64, km: f64) -> Reading {
    let at = start() + Duration::seconds((days * 86_400.0).round() as i64);
    Reading { at, odometer: Metres((km * 1_000.0).round() as i64), source: 1, ruling: None }
}

/// `count` days at 300 km a day from `km` on.
fn daily(from: i32, count: i32, km: f64) -> Vec<Reading> {
    (0..count).map(|day| shows(f64::from(from + day), km + 300.0 * f64::from(day))).collect()
}

fn judge(readings: &[Reading]) -> Track {
    clean(readings, &Limits::default(), now())
}

fn verdict(track: &Track, reading: &Reading) -> Verdict {
    track.judged.iter().find(|judged| judged.reading == *reading).unwrap().verdict
}

fn kept(track: &Track) -> usize {
    track.kept().count()
}

#[test]
fn a_clean_month_is_kept() {
    let track = judge(&daily(0, 30, 100_000.0));
    assert_eq!(kept(&track), 30);
    assert_eq!(track.last().unwrap().travelled, Some(Metres(29 * 300_000)));
    assert_eq!(track.first().unwrap().travelled, Some(Metres(0)));
}

#[test]
fn the_limit_holds_against_every_earlier_reading() {
    // Slack does not add up: a reading a minute, each 1.9 km on, or 1.9 km back.
    for step in [1.9, -1.9] {
        let creeping: Vec<_> =
            (0..50).map(|minute| shows(f64::from(minute) / 1_440.0, 1_000.0 + step * f64::from(minute))).collect();
        let track = judge(&creeping);
        let odometers: Vec<_> = track.kept().map(|judged| judged.reading.odometer.as_f64()).collect();
        let (least, most) =
            (odometers.iter().copied().fold(f64::MAX, f64::min), odometers.iter().copied().fold(0.0, f64::max));
        assert!(most - least <= 2_000.0 + 49.0 * 140_000.0 / 60.0, "{least} to {most}");
        assert!(step > 0.0 || most - least <= 2_000.0, "{least} to {most}");
    }
}

#[test]
fn two_sources_at_one_instant() {
    let mut readings = daily(0, 10, 5_000.0);
    let near = Reading { source: 2, ..shows(4.0, 6_201.5) };
    let far = Reading { source: 3, ..shows(5.0, 6_580.0) };
    readings.extend([near, far]);
    let track = judge(&readings);
    assert_eq!(verdict(&track, &near), Verdict::Kept);
    assert_eq!(verdict(&track, &far), Verdict::SetAside(Reason::TooFast));
    assert!(track.kept().is_sorted_by_key(|judged| judged.travelled));
}

#[test]
fn rounding_back_is_no_running_back() {
    // 6,200.9 km by telematics, then 6,199.6 km (3,852 whole miles) by hand: the car has not moved back.
    let readings = [shows(0.0, 5_900.0), shows(1.0, 6_200.9), shows(1.01, 6_199.6), shows(2.0, 6_500.0)];
    let track = judge(&readings);
    let travelled: Vec<_> = track.kept().map(|judged| judged.travelled.unwrap().0).collect();
    assert_eq!(travelled, [0, 300_900, 300_900, 600_000]);
}

#[test]
fn a_new_cluster_goes_on_counting() {
    let mut readings = daily(0, 30, 100_000.0);
    readings.extend(daily(30, 20, 250.0));
    let track = judge(&readings);
    assert_eq!(kept(&track), 50);
    assert_eq!(verdict(&track, &shows(30.0, 250.0)), Verdict::NewCluster);
    assert_eq!(verdict(&track, &shows(31.0, 550.0)), Verdict::Kept);
    // 29 days of the old count, 250 km that the new one shows since zero, 19 days of the new one.
    assert_eq!(track.last().unwrap().travelled, Some(Metres((29 * 300 + 250 + 19 * 300) * 1_000)));
}

#[test]
fn a_used_cluster_adds_nothing_of_its_own() {
    for km in [180_000.0, 60_000.0] {
        let mut readings = daily(0, 30, 100_000.0);
        readings.extend(daily(30, 20, km));
        let track = judge(&readings);
        assert_eq!(verdict(&track, &shows(30.0, km)), Verdict::NewCluster);
        assert_eq!(track.last().unwrap().travelled, Some(Metres(48 * 300_000)));
    }
}

#[test]
fn a_cluster_change_is_paid_for() {
    for (count, changes) in [(5, 0), (6, 1)] {
        let mut readings = daily(0, 30, 100_000.0);
        readings.extend(daily(30, count, 250.0));
        let track = judge(&readings);
        let found = track.kept().filter(|judged| judged.verdict == Verdict::NewCluster).count();
        assert_eq!(found, changes, "{count} readings of a new count");
    }
}

#[test]
fn a_ruling_makes_a_cluster_change() {
    let mut readings = daily(0, 30, 100_000.0);
    readings.extend(daily(30, 2, 250.0));
    readings[31].ruling = Some(Ruling::Keep);
    let track = judge(&readings);
    assert_eq!(verdict(&track, &readings[31]), Verdict::Kept);
    assert_eq!(verdict(&track, &readings[30]), Verdict::NewCluster);
    assert_eq!(kept(&track), 32);
}

#[test]
fn a_source_in_the_wrong_unit_is_no_cluster_change() {
    let mut readings = daily(0, 60, 100_000.0);
    for reading in &mut readings[20..30] {
        reading.odometer = Metres((reading.odometer.as_f64() / 1.609_344) as i64);
    }
    let track = judge(&readings);
    assert_eq!(kept(&track), 50);
    assert!(track.kept().all(|judged| judged.verdict == Verdict::Kept));
    assert_eq!(track.last().unwrap().travelled, Some(Metres(59 * 300_000)));
}

#[test]
fn rulings_go_before_the_track() {
    let mut readings = daily(0, 30, 100_000.0);
    readings[7].ruling = Some(Ruling::SetAside);
    readings[20] = Reading { ruling: Some(Ruling::Keep), ..shows(20.0, 107_000.0) };
    readings.push(Reading { ruling: Some(Ruling::Keep), ..shows(101.0, 130_000.0) });
    let track = judge(&readings);
    assert_eq!(verdict(&track, &readings[7]), Verdict::SetAside(Reason::Ruled));
    assert_eq!(verdict(&track, &readings[20]), Verdict::Kept);
    assert_eq!(verdict(&track, &readings[21]), Verdict::SetAside(Reason::RunsBack));
    assert_eq!(verdict(&track, &readings[30]), Verdict::Kept); // ahead of the clock, but ruled
}

#[test]
fn doubles_buy_no_cluster_change() {
    let mut readings = daily(0, 30, 100_000.0);
    readings.extend((0..20).map(|source| Reading { source, ..shows(29.5, 250.0) }));
    let track = judge(&readings);
    assert_eq!(kept(&track), 30);
}

#[test]
fn nothing_comes_of_nothing() {
    let track = judge(&[]);
    assert_eq!(track, Track::default());
    assert_eq!(track.travelled_at(now()), None);
    assert_eq!(track.reached(Metres(0)), None);
    assert_eq!(kept(&judge(&[shows(1.0, 1.0)])), 1);
}

#[test]
fn between_readings_the_track_is_linear() {
    let track =
        judge(&[shows(0.0, 1_000.0), shows(1.0, 1_300.0), shows(2.0, 900.0), shows(3.0, 1_300.0), shows(5.0, 1_900.0)]);
    let at = |days: f64| shows(days, 0.0).at;
    for (days, km) in [(0.0, Some(0)), (0.5, Some(150)), (2.0, Some(300)), (4.0, Some(600)), (5.0, Some(900))] {
        assert_eq!(track.travelled_at(at(days)), km.map(|km| Metres(km * 1_000)), "day {days}");
    }
    assert_eq!(track.travelled_at(at(-0.1)), None);
    assert_eq!(track.travelled_at(at(5.1)), None);
    for (km, days) in [(0, Some(0.0)), (150, Some(0.5)), (300, Some(1.0)), (600, Some(4.0)), (900, Some(5.0))] {
        assert_eq!(track.reached(Metres(km * 1_000)), days.map(at), "{km} km");
    }
    assert_eq!(track.reached(Metres(900_001)), None);
    assert_eq!(track.reached(Metres(-1)), None);
}

#[test]
fn standing_still_is_shown_by_readings_around_the_days() {
    let zone = Tz::America__New_York;
    let day = |day| NaiveDate::from_ymd_opt(2026, 1, day).unwrap();
    let readings = [shows(0.0, 1_000.0), shows(9.0, 1_001.9), shows(20.0, 3_000.0)];
    let track = judge(&readings);
    assert_eq!(track.stood_still(day(2), day(8), zone), Some(true));
    assert_eq!(track.stood_still(day(2), day(9), zone), Some(true));
    assert_eq!(track.stood_still(day(2), day(10), zone), Some(false)); // read at one in the morning of the 10th
    assert_eq!(track.stood_still(day(11), day(15), zone), Some(false));
    assert_eq!(track.stood_still(day(11), day(25), zone), None);
    assert_eq!(track.stood_still(NaiveDate::from_ymd_opt(2025, 12, 30).unwrap(), day(5), zone), None);
}

#[test]
fn names_and_sentences() {
    for reason in Reason::ALL {
        assert!(reason.explain().ends_with('.'));
        assert!(reason.as_str().chars().all(|letter| letter.is_ascii_lowercase() || letter == '-'));
    }
}
