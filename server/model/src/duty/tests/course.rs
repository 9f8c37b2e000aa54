//! How the grade goes from one day to the next.

use proptest::prelude::*;

use super::*;

const FIRST: &str = "2026-01-05"; // a Monday

/// Days from [`FIRST`] on, five a week, each as `day` says by its number.
fn five_a_week(count: u64, day: impl Fn(u64) -> DutyDay) -> BTreeMap<NaiveDate, DutyDay> {
    let days = date(FIRST).iter_days().zip(0..count);
    days.map(|(on, number)| (on, if number % 7 < 5 { day(number) } else { idle_day() })).collect()
}

fn hours(hours: f64) -> DutyDay {
    DutyDay { hours, ..ordinary_day() }
}

fn on(days: &BTreeMap<NaiveDate, DutyDay>, today: NaiveDate, settings: &Settings) -> Grading {
    let known = days.range(..today).map(|(on, day)| (*on, *day)).collect();
    grade(&known, &[], |_, _| false, Some(date(FIRST)), today, settings)
}

fn day(number: u64) -> NaiveDate {
    date(FIRST) + chrono::Days::new(number)
}

/// The grade now on each day, by the number of the last day that was known.
fn course(days: &BTreeMap<NaiveDate, DutyDay>, first: u64, settings: &Settings) -> Vec<Grading> {
    (first..days.len() as u64).map(|number| on(days, day(number + 1), settings)).collect()
}

#[test]
fn to_hard_at_once_and_to_ordinary_after_two_weeks_of_clearly_ordinary_windows() {
    // Five days a week of 8 h; one week of six days, from day 84.
    let mut days = five_a_week(200, |_| hours(8.0));
    days.insert(day(89), hours(8.0));
    let course = course(&days, 60, &Settings::default());
    let changes: Vec<_> = course.windows(2).filter(|pair| pair[0].now != pair[1].now).map(|pair| &pair[1]).collect();
    let [hard, eased] = changes[..] else { panic!("{}", changes.len()) };
    // The week is complete on Sunday, day 90; the last window that holds it whole is that of days 84 to 111.
    assert_eq!((hard.now, hard.now_since, hard.current.to), (Grade::Hard, day(90), day(90)));
    assert_eq!((eased.now, eased.now_since, eased.current.to), (Grade::Ordinary, day(126), day(126)));
    assert_eq!(eased.eased, Some(day(126)));
    // Strict: hard until the next service, by the latest hard window.
    assert_eq!(eased.grade, Grade::Hard);
    let hardest = eased.hardest.as_ref().unwrap();
    assert_eq!((hardest.from, hardest.to, hardest.busiest_week), (day(84), day(111), Some((day(84), 6))));
    assert!(eased.held.is_none());
}

#[test]
fn what_holds_a_car_is_said() {
    let mut days = five_a_week(200, |_| hours(8.0));
    days.insert(day(89), hours(8.0));
    for (last, until) in [(111, None), (112, Some(125)), (125, Some(125)), (126, None)] {
        let grading = on(&days, day(last + 1), &Settings::default());
        let held = until.map(|until| Held { close: vec![], until: Some(day(until)) });
        assert_eq!(grading.held, held, "{last}");
        assert_eq!(grading.hardest.map(|hard| hard.to), (last > 111).then(|| day(111)), "{last}");
    }
}

#[test]
fn within_the_margin_a_hard_car_stays_hard_and_an_ordinary_one_ordinary() {
    // Ten weeks of 10.5 h, then of 9.6 h: within 5 % of ten.
    let eases_to = |hours_then: f64| {
        let days = five_a_week(365, |number| hours(if number < 70 { 10.5 } else { hours_then }));
        on(&days, day(364), &Settings::default())
    };
    let grading = eases_to(9.6);
    assert_eq!((grading.current.grade, grading.now, grading.eased), (Grade::Ordinary, Grade::Hard, None));
    assert_eq!(grading.held, Some(Held { close: vec![Condition::LongDays], until: None }));
    assert_eq!(eases_to(9.5).now, Grade::Ordinary);
    // Its first three weeks were hard for want of earlier logs.
    let never_hard = on(&five_a_week(365, |_| hours(9.99)), day(364), &Settings::default());
    assert_eq!((never_hard.now, never_hard.now_since, never_hard.grade), (Grade::Ordinary, day(21), Grade::Ordinary));

    let rear = |rear_trips| DutyDay { rear_trips, trips: 100, seat_trips: 100, ..ordinary_day() };
    for (then, close) in [(48, vec![Condition::RearSeat]), (47, vec![])] {
        let days = five_a_week(365, |number| rear(if number < 70 { 50 } else { then }));
        let held = on(&days, day(364), &Settings::default()).held;
        assert_eq!(held.map(|held| held.close).unwrap_or_default(), close);
    }
}

#[test]
fn without_hold_and_margin_the_grade_is_that_of_the_window() {
    let settings = Settings { release_days: 0, release_share: 1.0, ..Settings::default() };
    let days = five_a_week(200, |number| hours(if number % 50 < 20 { 11.0 } else { 9.5 }));
    for grading in course(&days, 0, &settings) {
        assert_eq!(grading.now, grading.current.grade);
        assert!(grading.held.is_none());
    }
}

#[test]
fn what_is_not_known_of_the_time_before_the_first_log_does_not_stick() {
    // In service for long, first logs on a Monday: hard for want of logs until a window holds no week without.
    let days = five_a_week(60, |_| hours(8.0));
    let grades: Vec<_> = (0..60)
        .map(|last| {
            let known = days.range(..=day(last)).map(|(on, day)| (*on, *day)).collect();
            grade(&known, &[], |_, _| false, None, day(last + 1), &Settings::default()).now
        })
        .collect();
    let hard = grades.iter().filter(|grade| **grade == Grade::Hard).count();
    // Day 20 sees the week before the first log for the last time.
    assert_eq!((hard, grades[20], grades[21]), (21, Grade::Hard, Grade::Ordinary));
}

#[test]
fn a_service_leaves_the_grade_now_as_it_is_and_forgets_what_was_before() {
    let mut days = five_a_week(200, |_| hours(8.0));
    days.insert(day(89), hours(8.0));
    // Days 84 to 90 are hard; serviced during the hold and after it.
    let of = |service, last| {
        let known = days.range(..=day(last)).map(|(on, day)| (*on, *day)).collect();
        grade(&known, &[], |_, _| false, Some(day(service)), day(last + 1), &Settings::default())
    };
    let held = of(115, 120);
    assert_eq!((held.grade, held.now, held.now_since), (Grade::Hard, Grade::Hard, day(90)));
    assert_eq!(held.hardest.map(|hard| hard.to), Some(day(111)));
    let eased = of(115, 130);
    assert_eq!((eased.grade, eased.eased), (Grade::Ordinary, Some(day(126))));
    assert_eq!(eased.split, [(day(115), day(125), Grade::Hard), (day(126), day(131), Grade::Ordinary)]);
    let after = of(130, 140);
    assert_eq!((after.grade, after.eased, after.now_since), (Grade::Ordinary, None, day(126)));
}

/// A generator with a fixed seed: 0 to 1, evenly.
fn even(state: &mut u64) -> f64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*state >> 11) as f64 / (1_u64 << 53) as f64
}

/// Changes of the grade now in a year of five days a week, each of `mean` hours give or take `sd`.
fn changes_a_year(mean: f64, sd: f64, settings: &Settings) -> f64 {
    const YEARS: u64 = 15;
    let mut state = 7;
    let mut normal = || (0..12).map(|_| even(&mut state)).sum::<f64>() - 6.0;
    let drawn: Vec<f64> = (0..YEARS * 365).map(|_| mean + sd * normal()).collect();
    let days = five_a_week(YEARS * 365, |number| hours(drawn[number as usize].clamp(0.5, 24.0)));
    let split = on(&days, day(YEARS * 365), settings).split;
    (split.len() - 1) as f64 / YEARS as f64
}

#[test]
fn a_car_at_the_edge_changes_its_grade_seldom() {
    let settings = |release_days, release_share| Settings { release_days, release_share, ..Settings::default() };
    for (mean, sd) in [(9.8, 1.0), (10.0, 1.0), (10.0, 2.0), (10.1, 2.0)] {
        let [window, time, margin, both] = [(0, 1.0), (14, 1.0), (0, 0.95), (14, 0.95)]
            .map(|(days, share)| changes_a_year(mean, sd, &settings(days, share)));
        println!("{mean} ± {sd}: window {window:.1}, time {time:.1}, margin {margin:.1}, both {both:.1} a year");
        assert!(window > 15.0 && (4.0..9.0).contains(&time) && margin < 8.0, "{window} {time} {margin}");
        assert!(both <= 2.0, "{mean} {sd}: {both}");
    }
}

/// Days about the edge of every condition; some cars miss logs.
fn days_at_the_edge() -> impl Strategy<Value = BTreeMap<NaiveDate, DutyDay>> {
    let day = (prop::bool::weighted(0.78), 80_u32..120, 0_u32..=20, prop::bool::weighted(0.995));
    prop::collection::vec(day, 150..400).prop_map(|drawn| {
        let shown = |(driven, tenths, rear, logged): (bool, u32, u32, bool)| {
            let hours = if driven { f64::from(tenths) / 10.0 } else { 0.0 };
            let trips = if driven { 20 } else { 0 };
            let rear_trips = rear.min(trips);
            DutyDay { hours, trips, seat_trips: trips, rear_trips, driven, has_duty: logged, has_seat: logged }
        };
        date(FIRST).iter_days().zip(drawn).map(|(on, drawn)| (on, shown(drawn))).collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn no_car_flaps(days in days_at_the_edge(), release_days in 0_i64..40, rolling in any::<bool>()) {
        let week = if rolling { WeekKind::Rolling } else { WeekKind::Iso };
        let settings = Settings { release_days, week, week_days: 7, ..Settings::default() };
        let course = course(&days, 28, &settings);
        let complete = days.values().all(|day| day.has_duty && day.has_seat);
        let mut hard_since = None;
        for pair in course.windows(2) {
            let [before, after] = pair else { unreachable!() };
            // At once to hard.
            prop_assert!(after.current.grade == Grade::Ordinary || after.now == Grade::Hard);
            prop_assert_eq!(after.held.is_some(), after.now != after.current.grade);
            match (before.now, after.now) {
                (Grade::Ordinary, Grade::Hard) => {
                    // A hard spell outlasts the hold: at most one change to hard in so many days.
                    let gap = hard_since.map(|hard: NaiveDate| (after.current.to - hard).num_days());
                    prop_assert!(gap.is_none_or(|gap| gap > release_days));
                    prop_assert!(!complete || after.now_since == after.current.to);
                    hard_since = Some(after.current.to);
                }
                (Grade::Hard, Grade::Ordinary) => {
                    prop_assert!(!complete || after.now_since == after.current.to);
                    let spell = hard_since.map(|hard: NaiveDate| (after.current.to - hard).num_days());
                    prop_assert!(spell.is_none_or(|spell| spell > release_days));
                }
                // Logs that never came make a past day hard once their grace is over; else the past stands.
                _ => prop_assert!(!complete || after.now_since == before.now_since),
            }
            // Strict: never back to ordinary without a service.
            prop_assert!(!complete || !before.hard_since_service || after.grade == Grade::Hard);
        }
    }

    #[test]
    fn the_course_replayed_at_the_end_is_the_course_as_it_went(days in days_at_the_edge()) {
        let settings = Settings { week_days: 7, ..Settings::default() };
        let end = on(&days, day(days.len() as u64), &settings);
        for grading in course(&days, 28, &settings) {
            let on = grading.current.to;
            let stretch = end.split.iter().find(|(from, to, _)| *from <= on && on <= *to);
            prop_assert_eq!(stretch.map(|stretch| stretch.2), Some(grading.now), "{}", on);
        }
        let joined = end.split.windows(2).all(|pair| pair[0].1.succ_opt() == Some(pair[1].0) && pair[0].2 != pair[1].2);
        prop_assert!(joined);
    }
}
