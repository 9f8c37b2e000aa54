mod course;
mod oracle;
mod past;

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate, Weekday};
use chrono_tz::Tz;

use super::*;
use crate::fleet::{DutyLog, Hours, OffRoad, SeatLog};

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// A Monday: the window of 28 days before it is the four complete weeks from 1 to 28 June.
const TODAY: &str = "2026-06-29";

fn ordinary_day() -> DutyDay {
    DutyDay { hours: 8.0, trips: 20, seat_trips: 20, rear_trips: 4, driven: true, has_duty: true, has_seat: true }
}

fn idle_day() -> DutyDay {
    DutyDay { has_duty: true, has_seat: true, ..DutyDay::default() }
}

/// Days from `from` to `to`, driven like `day` on the `per_week` first days of each week and idle on the others.
fn weeks(from: &str, to: &str, per_week: u32, day: DutyDay) -> BTreeMap<NaiveDate, DutyDay> {
    date(from)
        .iter_days()
        .take_while(|day| *day <= date(to))
        .map(|on| (on, if on.weekday().num_days_from_monday() < per_week { day } else { idle_day() }))
        .collect()
}

fn june(per_week: u32, day: DutyDay) -> BTreeMap<NaiveDate, DutyDay> {
    weeks("2026-06-01", "2026-06-28", per_week, day)
}

fn graded(days: &BTreeMap<NaiveDate, DutyDay>) -> Grading {
    grade(days, &[], |_, _| false, None, date(TODAY), &Settings::default())
}

#[track_caller]
fn check(days: &BTreeMap<NaiveDate, DutyDay>, conditions: &[Condition]) {
    let grading = graded(days);
    assert_eq!(grading.current.conditions, conditions);
    assert_eq!(grading.grade == Grade::Hard, !conditions.is_empty());
}

#[test]
fn five_short_days_with_empty_rear_seats_are_ordinary() {
    check(&june(5, ordinary_day()), &[]);
    let evidence = graded(&june(5, ordinary_day())).current;
    assert_eq!((evidence.from, evidence.to), (date("2026-06-01"), date("2026-06-28")));
    assert_eq!(evidence.busiest_week, Some((date("2026-06-22"), 5)));
    assert_eq!((evidence.complete_weeks, evidence.days_driven, evidence.trips), (4, 20, 400));
    assert_eq!((evidence.mean_hours, evidence.rear_share), (Some(8.0), Some(0.2)));
    assert!(evidence.missing.is_empty());
}

#[test]
fn six_days_in_one_week_are_hard() {
    let mut days = june(5, ordinary_day());
    days.insert(date("2026-06-13"), ordinary_day());
    check(&days, &[Condition::SixDayWeek]);
}

#[test]
fn six_days_in_a_row_over_two_weeks_are_not_a_week() {
    let mut days = june(0, ordinary_day());
    for on in date("2026-06-05").iter_days().take(6) {
        days.insert(on, ordinary_day());
    }
    check(&days, &[]);
}

fn rolling() -> Settings {
    Settings { week: WeekKind::Rolling, ..Settings::default() }
}

#[track_caller]
fn check_rolling(first_driven: &str, days_driven: usize, busiest: (&str, u32), conditions: &[Condition]) {
    let mut days = weeks("2026-05-01", "2026-06-28", 0, ordinary_day());
    days.extend(date(first_driven).iter_days().take(days_driven).map(|on| (on, ordinary_day())));
    let evidence = grade(&days, &[], |_, _| false, None, date(TODAY), &rolling()).current;
    assert_eq!(evidence.conditions, conditions, "{first_driven}");
    assert_eq!(evidence.busiest_seven_days, Some((date(busiest.0), busiest.1)), "{first_driven}");
}

#[test]
fn six_of_any_seven_days_are_hard_where_the_week_rolls() {
    // From Friday to Wednesday; of the stretches of seven days that hold all six the latest is named.
    check_rolling("2026-06-05", 6, ("2026-06-05", 6), &[Condition::SixDayWeek]);
    check_rolling("2026-06-05", 5, ("2026-06-05", 5), &[]);
    // At the ends of the window; of days before it only those inside count.
    check_rolling("2026-06-23", 6, ("2026-06-22", 6), &[Condition::SixDayWeek]);
    check_rolling("2026-06-01", 6, ("2026-06-01", 6), &[Condition::SixDayWeek]);
    check_rolling("2026-05-31", 6, ("2026-06-01", 5), &[]);
}

#[test]
fn the_busiest_seven_days_are_named_beside_the_busiest_week() {
    let mut days = june(0, ordinary_day());
    days.extend(date("2026-06-05").iter_days().take(6).map(|on| (on, ordinary_day())));
    let evidence = graded(&days).current;
    assert_eq!(evidence.busiest_week, Some((date("2026-06-08"), 3)));
    assert_eq!(evidence.busiest_seven_days, Some((date("2026-06-05"), 6)));
}

#[test]
fn a_week_cut_by_the_window_is_not_complete() {
    // Tuesday: the window runs from Tuesday 2 June to Monday 29 June and holds three complete weeks.
    let mut days = weeks("2026-06-01", "2026-06-29", 5, ordinary_day());
    days.insert(date("2026-06-06"), ordinary_day());
    let grading = grade(&days, &[], |_, _| false, None, date("2026-06-30"), &Settings::default());
    assert_eq!((grading.current.complete_weeks, grading.current.grade), (3, Grade::Ordinary));
    // The window of the day before held it whole.
    assert_eq!(grading.hardest.map(|hard| hard.to), Some(date("2026-06-28")));
}

#[test]
fn a_mean_of_ten_hours_is_not_above_ten() {
    check(&june(5, DutyDay { hours: 10.0, ..ordinary_day() }), &[]);
    check(&june(5, DutyDay { hours: 10.01, ..ordinary_day() }), &[Condition::LongDays]);
    // 9.9 and 10.1 in turn: ten in the mean, to the last digit.
    let mut days = june(4, ordinary_day());
    for (index, day) in days.values_mut().filter(|day| day.driven).enumerate() {
        day.hours = if index % 2 == 0 { 9.9 } else { 10.1 };
    }
    check(&days, &[]);
}

#[test]
fn days_of_unknown_hours_do_not_shorten_the_mean() {
    let mut days = june(4, DutyDay { hours: 11.0, ..ordinary_day() });
    days.insert(date("2026-06-05"), DutyDay { hours: 0.0, ..ordinary_day() });
    check(&days, &[Condition::LongDays]);
    assert_eq!(graded(&days).current.mean_hours, Some(11.0));
}

#[test]
fn half_the_trips_with_the_rear_seat_taken_are_hard() {
    check(&june(5, DutyDay { rear_trips: 10, ..ordinary_day() }), &[Condition::RearSeat]);
    check(&june(5, DutyDay { rear_trips: 9, ..ordinary_day() }), &[]);
}

#[test]
fn no_logs_at_all_are_hard() {
    check(&BTreeMap::new(), &[Condition::DutyLogsMissing, Condition::SeatLogsMissing]);
    let missing = graded(&BTreeMap::new()).current.missing;
    // Three weeks ended more than three days ago; the last, on Sunday, may still come.
    let weeks = ["2026-06-01", "2026-06-08", "2026-06-15"].map(date);
    let expected: Vec<_> =
        weeks.into_iter().flat_map(|week| [Missing::Duty { week }, Missing::Seat { week }]).collect();
    assert_eq!(missing, expected);
}

fn without(mut days: BTreeMap<NaiveDate, DutyDay>, from: &str, to: &str) -> BTreeMap<NaiveDate, DutyDay> {
    days.retain(|day, _| *day < date(from) || *day > date(to));
    days
}

#[test]
fn a_week_without_duty_logs_is_hard() {
    let days = without(june(5, ordinary_day()), "2026-06-08", "2026-06-14");
    check(&days, &[Condition::DutyLogsMissing]);
    assert_eq!(graded(&days).current.missing, [Missing::Duty { week: date("2026-06-08") }]);
    // One row in the week, even of an idle day, and it is not missing.
    let mut days = days;
    days.insert(date("2026-06-10"), idle_day());
    check(&days, &[]);
}

#[test]
fn logs_may_take_three_days() {
    let days = without(weeks("2026-06-01", "2026-07-02", 5, ordinary_day()), "2026-06-22", "2026-06-28");
    for (today, expected) in [("2026-07-01", Grade::Ordinary), ("2026-07-02", Grade::Hard)] {
        let grading = grade(&days, &[], |_, _| false, None, date(today), &Settings::default());
        assert_eq!(grading.grade, expected, "{today}");
        let (missing, awaited) = (grading.current.missing, grading.current.awaited);
        let week = vec![Missing::Duty { week: date("2026-06-22") }, Missing::Seat { week: date("2026-06-22") }];
        // Other seat logs are there, and what was not driven has no trips: hard by the duty logs alone.
        let (expected_missing, expected_awaited) =
            if expected == Grade::Hard { (week[..1].to_vec(), vec![]) } else { (vec![], week) };
        assert_eq!((missing, awaited), (expected_missing, expected_awaited), "{today}");
    }
}

#[test]
fn logs_within_the_grace_change_nothing_when_they_come() {
    let whole = weeks("2026-05-01", "2026-07-01", 5, ordinary_day());
    for silent_since in ["2026-06-22", "2026-06-25", "2026-06-29"] {
        let late = without(whole.clone(), silent_since, "2026-07-01");
        for (days, of) in [(&whole, "whole"), (&late, "late")] {
            let grading = grade(days, &[], |_, _| false, Some(date("2026-05-01")), date("2026-07-01"), &rolling());
            assert_eq!((grading.grade, grading.now), (Grade::Ordinary, Grade::Ordinary), "{of} {silent_since}");
        }
    }
}

#[test]
fn logs_that_come_after_the_grace_take_back_what_their_absence_did() {
    let whole = weeks("2026-05-01", "2026-07-12", 5, ordinary_day());
    let late = without(whole.clone(), "2026-06-08", "2026-06-14");
    let of = |days| grade(days, &[], |_, _| false, Some(date("2026-05-01")), date("2026-07-13"), &Settings::default());
    let grading = of(&late);
    assert_eq!((grading.grade, grading.now), (Grade::Hard, Grade::Hard));
    let hardest = grading.hardest.unwrap();
    assert_eq!((hardest.to, &hardest.conditions[..]), (date("2026-07-05"), &[Condition::DutyLogsMissing][..]));
    let grading = of(&whole);
    assert_eq!((grading.grade, grading.now, grading.hardest), (Grade::Ordinary, Grade::Ordinary, None));
}

#[test]
fn the_mean_is_of_elapsed_hours_when_clocks_change() {
    // From midnight to ten by the clock in New York, five days a week with Sunday: 11 h on 2026-11-01, 9 h on
    // 2026-03-08, 10 h else. (IANA time zone database.)
    for (first, today, mean) in
        [("2026-10-05", "2026-11-02", 10.05), ("2026-02-09", "2026-03-09", 9.95), ("2026-06-01", "2026-06-29", 10.0)]
    {
        let night = |on: NaiveDate| {
            let at = |hour| on.and_hms_opt(hour, 0, 0).unwrap().and_local_timezone(NEW_YORK).unwrap().to_utc();
            let times = Some((at(0), at(10)));
            DutyLog { span: times, ..shift(&on.to_string(), "night", 1, 0.0, 7) }
        };
        let logs: Vec<_> =
            date(first).iter_days().take(28).filter(|on| on.weekday().number_from_monday() > 2).collect();
        let duty: Vec<_> = logs.iter().map(|on| night(*on)).collect();
        let seats: Vec<_> = logs
            .iter()
            .map(|on| SeatLog { date: *on, shift: String::new(), source: 1, trips: 7, rear_trips: 1 })
            .collect();
        let days = days(&duty, &seats, |_| NEW_YORK);
        let grading = grade(&days, &[], |_, _| false, None, date(today), &Settings::default());
        assert_eq!(grading.current.mean_hours, Some(mean));
        let conditions: &[_] = if mean > 10.0 { &[Condition::LongDays] } else { &[] };
        assert_eq!(grading.current.conditions, conditions);
    }
}

#[test]
fn a_week_of_driving_without_seat_logs_is_hard() {
    let mut days = june(5, ordinary_day());
    for (_, day) in days.range_mut(date("2026-06-08")..=date("2026-06-14")) {
        *day = DutyDay { seat_trips: 0, rear_trips: 0, has_seat: false, ..*day };
    }
    check(&days, &[Condition::SeatLogsMissing]);
    assert_eq!(graded(&days).current.missing, [Missing::Seat { week: date("2026-06-08") }]);
    for (_, day) in days.range_mut(date("2026-06-08")..=date("2026-06-14")) {
        *day = DutyDay { has_duty: true, ..DutyDay::default() };
    }
    check(&days, &[]);
}

#[test]
fn no_seat_log_in_the_whole_window_is_hard_when_it_was_driven() {
    // Driven only in the last, still fresh week, but on days whose logs had the time to come.
    let mut days = june(0, ordinary_day());
    days.values_mut().for_each(|day| day.has_seat = false);
    check(&days, &[]);
    days.insert(date("2026-06-23"), DutyDay { has_seat: false, seat_trips: 0, rear_trips: 0, ..ordinary_day() });
    check(&days, &[Condition::SeatLogsMissing]);
    assert_eq!(graded(&days).current.missing, [Missing::Seat { week: date("2026-06-01") }]);
}

#[test]
fn a_window_without_a_complete_week_still_misses_its_logs() {
    let settings = Settings { window_days: 5, ..Settings::default() };
    let grading = grade(&BTreeMap::new(), &[], |_, _| false, None, date("2026-06-27"), &settings);
    assert_eq!(grading.current.complete_weeks, 0);
    assert_eq!(grading.current.conditions, [Condition::DutyLogsMissing, Condition::SeatLogsMissing]);
    assert_eq!(grading.current.missing[0], Missing::Duty { week: date("2026-06-22") });
}

fn off(from: &str, to: Option<&str>) -> OffRoad {
    OffRoad { from: date(from), to: to.map(date) }
}

#[test]
fn off_the_road_no_logs_are_missed() {
    let days = without(june(5, ordinary_day()), "2026-06-08", "2026-06-14");
    for (stretch, expected) in [
        (off("2026-06-08", Some("2026-06-14")), Grade::Ordinary),
        (off("2026-06-08", Some("2026-06-13")), Grade::Hard),
        (off("2026-06-08", None), Grade::Ordinary),
    ] {
        let grading = grade(&days, &[stretch], |_, _| false, None, date(TODAY), &Settings::default());
        assert_eq!(grading.grade, expected, "{stretch:?}");
    }
    let grading =
        grade(&BTreeMap::new(), &[off("2026-01-01", None)], |_, _| false, None, date(TODAY), &Settings::default());
    assert_eq!((grading.grade, grading.current.days_off_road), (Grade::Ordinary, 28));
    // Back since two days, whose logs may still come.
    let back = off("2026-01-01", Some("2026-06-26"));
    let grading = grade(&BTreeMap::new(), &[back], |_, _| false, None, date(TODAY), &Settings::default());
    assert_eq!(grading.grade, Grade::Ordinary);
}

#[test]
fn driving_on_days_told_off_the_road_counts() {
    let grading = grade(
        &june(6, ordinary_day()),
        &[off("2026-06-01", None)],
        |_, _| false,
        None,
        date(TODAY),
        &Settings::default(),
    );
    assert_eq!(grading.current.conditions, [Condition::SixDayWeek]);
}

#[test]
fn a_car_that_stood_still_misses_no_logs() {
    let days = without(june(5, ordinary_day()), "2026-06-08", "2026-06-14");
    let stood = |from, to| (from, to) == (date("2026-06-08"), date("2026-06-14"));
    assert_eq!(grade(&days, &[], stood, None, date(TODAY), &Settings::default()).grade, Grade::Ordinary);
    let none = BTreeMap::new();
    assert_eq!(grade(&none, &[], |_, _| true, None, date(TODAY), &Settings::default()).grade, Grade::Ordinary);
}

#[test]
fn the_hardest_window_since_the_service_decides() {
    // Hard until Sunday 17 May, ordinary since.
    let mut days = weeks("2026-01-01", "2026-05-17", 6, ordinary_day());
    days.extend(weeks("2026-05-18", "2026-06-28", 5, ordinary_day()));
    let since = |day| grade(&days, &[], |_, _| false, Some(date(day)), date(TODAY), &Settings::default());
    let grading = since("2026-03-01");
    assert_eq!((grading.grade, grading.current.grade), (Grade::Hard, Grade::Ordinary));
    // The latest window that holds a week of six days: 11 May to 7 June.
    let hardest = grading.hardest.unwrap();
    assert_eq!((hardest.from, hardest.to), (date("2026-05-11"), date("2026-06-07")));
    assert_eq!(hardest.busiest_week, Some((date("2026-05-11"), 6)));
    // Wholly after the service: from the day after it.
    assert_eq!(since("2026-05-10").grade, Grade::Hard);
    assert_eq!(since("2026-05-11").grade, Grade::Ordinary);
    assert!(since("2026-05-11").hardest.is_none());
}

#[test]
fn the_split_covers_every_day_since_the_service() {
    let mut days = weeks("2026-01-01", "2026-05-17", 6, ordinary_day());
    days.extend(weeks("2026-05-18", "2026-06-28", 5, ordinary_day()));
    let split = grade(&days, &[], |_, _| false, Some(date("2026-03-04")), date(TODAY), &Settings::default()).split;
    // The window that ends on 7 June still holds the week of 11 May whole, that of 8 June does not; two weeks' hold.
    let expected =
        [(date("2026-03-04"), date("2026-06-21"), Grade::Hard), (date("2026-06-22"), date(TODAY), Grade::Ordinary)];
    assert_eq!(split, expected);
    let today = grade(&days, &[], |_, _| false, Some(date(TODAY)), date(TODAY), &Settings::default()).split;
    assert_eq!(today, [(date(TODAY), date(TODAY), Grade::Ordinary)]);
    assert!(graded(&days).split.is_empty());
    assert!(
        grade(&days, &[], |_, _| false, Some(date("2026-07-04")), date(TODAY), &Settings::default()).split.is_empty()
    );
}

#[test]
fn iso_weeks_at_the_turn_of_the_year() {
    // ISO 8601: 2026-12-31 is 2026-W53-4, 2024-12-30 is 2025-W01-1.
    let week = |text| date(text).iso_week();
    assert_eq!((week("2026-12-31").year(), week("2026-12-31").week()), (2026, 53));
    assert_eq!(date("2026-12-31").weekday(), Weekday::Thu);
    assert_eq!((week("2024-12-30").year(), week("2024-12-30").week()), (2025, 1));
    for (monday, today) in [("2026-12-28", "2027-01-04"), ("2024-12-30", "2025-01-06")] {
        let mut days = weeks(monday, today, 6, ordinary_day());
        days.extend(date(monday).iter_days().rev().skip(1).take(30).map(|day| (day, idle_day())));
        let evidence = grade(&days, &[], |_, _| false, None, date(today), &Settings::default()).current;
        assert_eq!(evidence.busiest_week, Some((date(monday), 6)));
        assert_eq!(evidence.conditions, [Condition::SixDayWeek]);
    }
}

const NEW_YORK: Tz = Tz::America__New_York;

fn shift(date_text: &str, shift: &str, source: i64, hours: f64, trips: u32) -> DutyLog {
    DutyLog { date: date(date_text), shift: shift.into(), source, hours: Hours(hours), trips: Some(trips), span: None }
}

fn span(date_text: &str, start: &str, end: &str) -> DutyLog {
    let span = Some((start.parse().unwrap(), end.parse().unwrap()));
    DutyLog { span, ..shift(date_text, "night", 1, 0.0, 7) }
}

#[track_caller]
fn check_days(logs: &[DutyLog], expected: &[(&str, f64, u32)]) {
    let found: Vec<_> =
        days(logs, &[], |_| NEW_YORK).into_iter().map(|(date, day)| (date, day.hours, day.trips)).collect();
    let expected: Vec<_> = expected.iter().map(|(day, hours, trips)| (date(day), *hours, *trips)).collect();
    assert_eq!(found, expected);
}

#[test]
fn shifts_add_up_and_sources_do_not() {
    let day = "2026-06-01";
    check_days(&[shift(day, "early", 1, 6.0, 10), shift(day, "late", 1, 7.0, 12)], &[(day, 13.0, 22)]);
    check_days(&[shift(day, "early", 1, 6.0, 10), shift(day, "early", 2, 6.5, 9)], &[(day, 6.5, 10)]);
}

#[test]
fn a_total_is_never_added_to_shifts() {
    let day = "2026-06-01";
    let shifts = [shift(day, "early", 1, 6.0, 10), shift(day, "late", 1, 7.0, 12)];
    for (total, hours) in [(12.0, 13.0), (14.0, 14.0)] {
        check_days(&[&shifts[..], &[shift(day, "", 2, total, 0)]].concat(), &[(day, hours, 22)]);
    }
    check_days(&[shift(day, "", 1, 6.0, 3), shift(day, "", 2, 5.0, 4)], &[(day, 6.0, 4)]);
}

#[test]
fn a_day_is_no_longer_than_it_lasts() {
    let day = "2026-06-01";
    check_days(&[shift(day, "early", 1, 13.0, 1), shift(day, "late", 1, 14.0, 1)], &[(day, 24.0, 2)]);
}

#[test]
fn a_night_shift_is_split_at_midnight() {
    // 20:00 to 06:00 in New York (UTC-4 in June), twice: the second night has its own share of the 2nd.
    let nights = [
        span("2026-06-01", "2026-06-02T00:00:00Z", "2026-06-02T10:00:00Z"),
        span("2026-06-02", "2026-06-03T00:00:00Z", "2026-06-03T10:00:00Z"),
    ];
    check_days(&nights, &[("2026-06-01", 4.0, 7), ("2026-06-02", 10.0, 7), ("2026-06-03", 6.0, 0)]);
}

#[test]
fn hours_are_elapsed_when_clocks_change() {
    // IANA time zone database, New York: 2026-03-08 has 23 h, 2026-11-01 has 25 h.
    check_days(
        &[span("2026-03-08", "2026-03-08T05:00:00Z", "2026-03-09T06:00:00Z")],
        &[("2026-03-08", 23.0, 7), ("2026-03-09", 2.0, 0)],
    );
    check_days(&[span("2026-11-01", "2026-11-01T04:00:00Z", "2026-11-02T05:00:00Z")], &[("2026-11-01", 25.0, 7)]);
    // From 22:00 to 06:00 by the clock: seven hours in spring, nine in autumn.
    check_days(
        &[span("2026-03-07", "2026-03-08T03:00:00Z", "2026-03-08T10:00:00Z")],
        &[("2026-03-07", 2.0, 7), ("2026-03-08", 5.0, 0)],
    );
    check_days(
        &[span("2026-10-31", "2026-11-01T02:00:00Z", "2026-11-01T11:00:00Z")],
        &[("2026-10-31", 2.0, 7), ("2026-11-01", 7.0, 0)],
    );
}

#[test]
fn seats_stay_pairs() {
    let day = date("2026-06-01");
    let seat =
        |shift: &str, source, trips, rear_trips| SeatLog { date: day, shift: shift.into(), source, trips, rear_trips };
    let sum = |logs: &[SeatLog]| {
        let day = days(&[], logs, |_| NEW_YORK)[&day];
        assert!(day.has_seat && !day.has_duty && day.driven);
        (day.seat_trips, day.rear_trips)
    };
    assert_eq!(sum(&[seat("early", 1, 10, 1), seat("early", 2, 8, 8), seat("late", 1, 5, 5)]), (15, 6));
    assert_eq!(sum(&[seat("early", 1, 10, 1), seat("", 2, 20, 3)]), (20, 3));
    assert_eq!(sum(&[seat("", 1, 10, 1), seat("", 2, 10, 3)]), (10, 3));
}

#[test]
fn a_row_of_nothing_is_a_log_of_an_idle_day() {
    let day = days(&[shift("2026-06-01", "", 1, 0.0, 0)], &[], |_| NEW_YORK)[&date("2026-06-01")];
    assert_eq!(day, DutyDay { has_duty: true, ..DutyDay::default() });
}

/// A car of five short days whose grade is asked for under other shifts.
#[test]
fn told_shifts_grade_a_car_by_the_same_conditions() {
    let told = |days: Option<f64>, hours: Option<f64>, rear: Option<f64>| {
        let pattern = Pattern { days_per_week: days, hours_per_day: hours, rear_share: rear };
        let settings = Settings::default();
        let grading = graded(&june(5, ordinary_day()));
        (pattern.conditions(&grading.current, &settings), grading.told(&pattern, &settings).grade)
    };
    assert_eq!(told(None, None, None), (vec![], Grade::Ordinary));
    assert_eq!(told(Some(5.9), Some(10.0), Some(0.49)), (vec![], Grade::Ordinary));
    assert_eq!(told(Some(6.0), None, None), (vec![Condition::SixDayWeek], Grade::Hard));
    assert_eq!(told(None, Some(10.1), None), (vec![Condition::LongDays], Grade::Hard));
    assert_eq!(told(None, None, Some(0.5)), (vec![Condition::RearSeat], Grade::Hard));
}

#[test]
fn told_shifts_stand_for_logs_that_are_missing() {
    let none = graded(&BTreeMap::new());
    let conditions = |days: Option<f64>, hours: Option<f64>, rear: Option<f64>| {
        Pattern { days_per_week: days, hours_per_day: hours, rear_share: rear }
            .conditions(&none.current, &Settings::default())
    };
    assert_eq!(none.current.conditions, [Condition::DutyLogsMissing, Condition::SeatLogsMissing]);
    assert_eq!(conditions(Some(5.0), None, None), none.current.conditions);
    assert_eq!(conditions(Some(5.0), Some(8.0), None), [Condition::SeatLogsMissing]);
    assert_eq!(conditions(Some(5.0), Some(8.0), Some(0.1)), []);
}

#[test]
fn what_a_car_did_since_its_service_stays_with_it() {
    let mut days = weeks("2026-05-01", "2026-06-28", 6, ordinary_day());
    let pattern = Pattern { days_per_week: Some(5.0), ..Pattern::default() };
    let settings = Settings::default();
    let of = |days: &BTreeMap<NaiveDate, DutyDay>, since: &str| {
        let grading = grade(days, &[], |_, _| false, Some(date(since)), date(TODAY), &settings);
        let told = grading.told(&pattern, &settings);
        (told.now, told.grade)
    };
    assert_eq!(of(&days, "2026-05-01"), (Grade::Ordinary, Grade::Hard));
    // The hard window began before that service, so it says nothing against shifts told from now on.
    assert_eq!(of(&days, "2026-06-20"), (Grade::Ordinary, Grade::Ordinary));
    days.clear();
    assert_eq!(of(&days, "2026-06-20"), (Grade::Hard, Grade::Hard));
}
