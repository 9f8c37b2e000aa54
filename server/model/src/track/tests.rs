use chrono::{DateTime, Duration, NaiveDate, Utc};
use chrono_tz::Tz;
use proptest::prelude::*;

use super::*;
use crate::fleet::Ruling;

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

/// A clean month at 100,000 km in which the reading of `day` is `bad` instead: it alone is set aside, with `reason`.
#[track_caller]
fn check_dirt(day: usize, bad: Reading, reason: Reason) {
    let mut readings = daily(0, 30, 100_000.0);
    readings[day] = bad;
    let track = judge(&readings);
    assert_eq!(verdict(&track, &bad), Verdict::SetAside(reason));
    assert_eq!(kept(&track), 29);
}

#[test]
fn a_clean_month_is_kept() {
    let track = judge(&daily(0, 30, 100_000.0));
    assert_eq!(kept(&track), 30);
    assert_eq!(track.last().unwrap().travelled, Some(Metres(29 * 300_000)));
    assert_eq!(track.first().unwrap().travelled, Some(Metres(0)));
}

#[test]
fn slips_of_the_hand() {
    check_dirt(10, shows(10.0, 10_300.0), Reason::RunsBack); // a digit dropped
    check_dirt(10, shows(10.0, 1_030_000.0), Reason::TooFast); // a digit added
    check_dirt(10, shows(10.0, 130_000.0), Reason::TooFast); // 103,000 with two digits swapped
    check_dirt(6, shows(6.0, 108_100.0), Reason::TooFast); // 101,800 with two digits swapped
    check_dirt(6, shows(6.0, 103_800.0), Reason::RunsBack); // 101,800 with one digit wrong: possible, then impossible
    check_dirt(25, shows(25.0, 100_750.0), Reason::RunsBack); // 107,500 with two digits swapped
}

#[test]
fn wrong_units() {
    check_dirt(10, shows(10.0, 103_000.0 * 1.609_344), Reason::TooFast);
    check_dirt(10, shows(10.0, 103_000.0 / 1.609_344), Reason::RunsBack);
}

#[test]
fn wrong_clocks() {
    check_dirt(20, shows(19.0, 106_000.0), Reason::TooFast); // a day slow
    check_dirt(20, shows(21.5, 106_000.0), Reason::RunsBack); // a day and a half fast
    check_dirt(25, shows(-5.0, 107_500.0), Reason::RunsBack); // a month slow, before all others
    check_dirt(5, shows(25.5, 101_500.0), Reason::RunsBack); // three weeks fast
    check_dirt(20, shows(385.0, 106_000.0), Reason::AheadOfClock); // a year fast
}

#[test]
fn a_bad_first_reading_is_set_aside() {
    check_dirt(0, shows(0.0, 1_000_000.0), Reason::RunsBack);
    check_dirt(0, shows(0.0, 10_000.0), Reason::TooFast);
}

#[test]
fn at_the_end_the_likelier_of_two_is_believed() {
    check_dirt(29, shows(29.0, 107_000.0), Reason::RunsBack);
    check_dirt(28, shows(28.0, 111_000.0), Reason::RunsBack); // the one before the last ran ahead
    check_dirt(29, shows(29.0, 200_000.0), Reason::TooFast);
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
    let far = Reading { source: 3, ..shows(5.0, 6_510.0) };
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
    for reason in [Reason::RunsBack, Reason::TooFast, Reason::AheadOfClock, Reason::Ruled] {
        assert!(reason.explain().ends_with('.'));
        assert!(reason.as_str().chars().all(|letter| letter.is_ascii_lowercase() || letter == '-'));
    }
}

fn any_ruling() -> impl Strategy<Value = Option<Ruling>> {
    prop_oneof![20 => Just(None), 1 => Just(Some(Ruling::Keep)), 1 => Just(Some(Ruling::SetAside))]
}

/// Readings near one of two lines or anywhere, with and without rulings.
fn mess(rulings: bool) -> impl Strategy<Value = Vec<Reading>> {
    let one = (0_i64..40_000, 0_usize..4, 0.0_f64..1.0, 1_i64..4, any_ruling());
    proptest::collection::vec(one, 0..60).prop_map(move |rows| {
        let row = |(minutes, line, noise, source, ruling): (i64, usize, f64, i64, Option<Ruling>)| {
            let days = minutes as f64 / 1_440.0;
            let km = match line {
                0 | 1 => 50_000.0 + 300.0 * days + 3.0 * noise,
                2 => 31_000.0 + 186.0 * days + 3.0 * noise,
                _ => 100_000.0 * noise,
            };
            Reading { source, ruling: ruling.filter(|_| rulings), ..shows(days, km) }
        };
        rows.into_iter().map(row).collect()
    })
}

proptest! {
    #[test]
    fn no_count_runs_back_or_goes_too_fast(readings in mess(true)) {
        let track = judge(&readings);
        let kept: Vec<_> = track.kept().collect();
        for count in kept.chunk_by(|_, after| after.verdict != Verdict::NewCluster) {
            for (index, before) in count.iter().enumerate() {
                for after in &count[index..] {
                    let driven = (after.reading.odometer - before.reading.odometer).as_f64();
                    let seconds = (after.reading.at - before.reading.at).num_seconds() as f64;
                    prop_assert!(driven >= -2_000.0);
                    prop_assert!(driven <= seconds * 140.0 / 3.6 + 2_000.0 + 1e-6);
                }
            }
        }
        prop_assert!(kept.is_sorted_by_key(|judged| judged.travelled));
        prop_assert!(track.judged.iter().all(|judged| judged.travelled.is_some() == judged.verdict.is_kept()));
        prop_assert_eq!(track.judged.len(), readings.len());
    }

    #[test]
    fn the_order_of_arrival_does_not_matter(
        (readings, shuffled) in mess(true).prop_flat_map(|all| (Just(all.clone()), Just(all).prop_shuffle()))
    ) {
        prop_assert_eq!(judge(&readings), judge(&shuffled));
    }

    #[test]
    fn rulings_are_honoured(readings in mess(true)) {
        for judged in judge(&readings).judged {
            match judged.reading.ruling {
                Some(Ruling::Keep) => prop_assert!(judged.verdict.is_kept()),
                Some(Ruling::SetAside) => prop_assert_eq!(judged.verdict, Verdict::SetAside(Reason::Ruled)),
                None => {}
            }
        }
    }

    #[test]
    fn doubles_change_nothing(readings in mess(false)) {
        let once = judge(&readings);
        let twice = judge(&[readings.clone(), readings].concat());
        for judged in &once.judged {
            let same = twice.judged.iter().find(|other| other.reading == judged.reading).unwrap();
            prop_assert_eq!(same.travelled, judged.travelled);
        }
    }

    #[test]
    fn gross_dirt_is_found_and_nothing_else(
        rates in proptest::collection::vec(50.0_f64..450.0, 40),
        dirt in proptest::collection::btree_map(0_usize..40, 0_usize..4, 1..5),
    ) {
        let mut km = 120_000.0;
        let mut readings = Vec::new();
        for (day, rate) in rates.iter().enumerate() {
            km += rate;
            let spoil = dirt.get(&day).map(|kind| [0.1, 10.0, 1.609_344, 1.0 / 1.609_344][*kind]);
            readings.push(shows(day as f64, km * spoil.unwrap_or(1.0)));
        }
        let track = judge(&readings);
        for (day, judged) in track.judged.iter().enumerate() {
            prop_assert_eq!(judged.verdict.is_kept(), !dirt.contains_key(&day), "day {}", day);
        }
    }
}
