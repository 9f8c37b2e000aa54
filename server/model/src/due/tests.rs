use chrono::{Duration, NaiveDate};
use proptest::prelude::*;

use super::*;
use crate::fleet::{Grade, Mixed, Rule};
use crate::usage::{Basis, Coefficients, Features, Fits, Outlook, Week};

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

const TODAY: &str = "2026-06-02";
const HORIZON: i64 = 365;

fn km(km: i64) -> Metres {
    Metres(km * 1_000)
}

/// Serviced on 1 April, 20,000 km since as of 1 June.
fn position() -> Position {
    Position {
        service_on: date("2026-04-01"),
        as_of: date("2026-06-01"),
        metres_since: km(20_000),
        hours_since: 400.0,
        crossed: Crossed::default(),
    }
}

/// Outer lines `drift + noise sqrt(60 / h)` off a middle one that stays at the level.
fn outlook(level: f64, noise: f64, drift: f64) -> Outlook {
    let lines = Coefficients { lines: [[drift, 0.0, 1.0, 0.0], [0.0; 4], [-drift, 0.0, -1.0, 0.0]] };
    Outlook::new(&Features { level, change: 0.0, noise, idle: 0.0 }, &lines, 0.0)
}

/// 400 km and 8 h a day.
fn usage(noise: f64, drift: f64) -> Usage {
    driven(outlook(400_000.0, noise, drift), outlook(8.0, noise, drift))
}

fn driven(metres: Outlook, hours: Outlook) -> Usage {
    Usage {
        basis: Basis::Own,
        from: None,
        to: None,
        days_counted: 56,
        metres_per_day: metres.rate(),
        hours_per_day: hours.rate(),
        metres,
        hours,
        metres_week: Week::default(),
        hours_week: Week::default(),
        metres_known: None,
        hours_known: None,
        fits: Fits::default(),
    }
}

fn distance(early: i64, late: i64) -> WindowSet {
    WindowSet { distance: Some(Window { early: km(early), late: km(late) }), ..WindowSet::default() }
}

fn due(usage: &Usage, windows: &WindowSet, off_road: &[OffRoad]) -> Due {
    forecast(&position(), usage, windows, &[], off_road, date(TODAY), HORIZON).unwrap()
}

#[track_caller]
fn check(found: Quantiles, p10: &str, p50: &str, p90: &str) {
    assert_eq!(found, Quantiles { p10: Some(date(p10)), p50: Some(date(p50)), p90: Some(date(p90)) });
}

#[test]
fn the_median_is_what_is_left_over_the_daily_rate() {
    // 12,000 km left to the early edge, 20,000 to the late one: 30 and 50 days of 400 km.
    let due = due(&usage(0.0, 0.0), &distance(32_000, 40_000), &[]);
    check(due.early, "2026-07-01", "2026-07-01", "2026-07-01");
    check(due.late, "2026-07-21", "2026-07-21", "2026-07-21");
    assert_eq!((due.deciding_meter, due.band, due.inside_days), (Meter::Distance, Band::Before, Some(20)));
    assert_eq!(due.expected_today, km(20_400));
    assert_eq!(due.expected_hours_today, Hours(408.0));
    assert_eq!(due.chance_past_late(date("2026-07-20")), 0.0);
    assert_eq!(due.chance_past_late(date("2026-07-21")), 1.0);
}

#[test]
fn a_drifting_rate_alone() {
    // 30 e^-0.2 = 24.56 and 30 e^0.2 = 36.64 days.
    let due = due(&usage(0.0, 0.2), &distance(32_000, 40_000), &[]);
    check(due.early, "2026-06-26", "2026-07-01", "2026-07-08");
}

#[test]
fn uneven_days_alone() {
    // n = 30 exp(-0.1 sqrt(60 / n)) = 25.76 and n = 30 exp(0.1 sqrt(60 / n)) = 34.24 days.
    let due = due(&usage(0.1, 0.0), &distance(32_000, 40_000), &[]);
    check(due.early, "2026-06-27", "2026-07-01", "2026-07-06");
}

#[test]
fn a_broken_day_counts_whole() {
    // 12,001 km left: 30 days and a kilometre, so in the course of the 31st.
    let due = due(&usage(0.0, 0.0), &distance(32_001, 40_000), &[]);
    assert_eq!(due.early.p50, Some(date("2026-07-02")));
}

#[test]
fn a_week_off_the_road_moves_the_dates_by_a_week() {
    let off = |from: &str, to: Option<&str>| OffRoad { from: date(from), to: to.map(date) };
    let windows = distance(32_000, 40_000);
    let straight = due(&usage(0.1, 0.15), &windows, &[]);
    let week = due(&usage(0.1, 0.15), &windows, &[off("2026-06-08", Some("2026-06-14"))]);
    let later = |date: Option<NaiveDate>| date.map(|date| date + Duration::days(7));
    for (edge, moved) in [(straight.early, week.early), (straight.late, week.late)] {
        assert_eq!(moved, Quantiles { p10: later(edge.p10), p50: later(edge.p50), p90: later(edge.p90) });
    }
    let by = date("2026-07-21");
    assert_eq!(week.chance_past_late(by + Duration::days(7)), straight.chance_past_late(by));
    // Without an end, nothing beyond it is ever reached.
    let gone = due(&usage(0.1, 0.15), &windows, &[off("2026-06-08", None)]);
    assert_eq!((gone.early, gone.late, gone.band), (Quantiles::default(), Quantiles::default(), Band::Before));
    assert!(gone.chance_past_late(date("2027-06-01")) < 1e-6);
    assert_eq!(gone.expected_today, km(20_400));
}

#[test]
fn crossed_edges_keep_their_day() {
    let mut position = position();
    position.crossed.distance = Crossing { early: Some(date("2026-05-20")), late: None };
    let windows = distance(18_000, 20_000);
    let due = forecast(&position, &usage(0.1, 0.15), &windows, &[], &[], date(TODAY), HORIZON).unwrap();
    check(due.early, "2026-05-20", "2026-05-20", "2026-05-20");
    check(due.late, "2026-06-01", "2026-06-01", "2026-06-01"); // reached, on a day nobody told
    assert_eq!((due.band, due.chance_past_late(date(TODAY))), (Band::Past, 1.0));
}

#[test]
fn bands_go_by_the_median() {
    for (early, late, band) in [
        (20_401, 40_000, Band::Before), // tomorrow
        (20_400, 40_000, Band::Inside), // today
        (20_100, 20_401, Band::Inside),
        (20_100, 20_400, Band::Past),
    ] {
        assert_eq!(due(&usage(0.1, 0.15), &distance(early, late), &[]).band, band, "{early} to {late}");
    }
}

#[test]
fn a_silent_car_is_forecast_up_to_today() {
    let windows = distance(32_000, 40_000);
    let due = forecast(&position(), &usage(0.0, 0.0), &windows, &[], &[], date("2026-07-05"), HORIZON).unwrap();
    assert_eq!((due.band, due.expected_today), (Band::Inside, km(20_000 + 34 * 400)));
}

#[test]
fn the_first_meter_decides() {
    let windows = WindowSet {
        hours: Some(Window { early: Hours(500.0), late: Hours(640.0) }),
        days: Some(Window { early: 70, late: 365 }),
        ..distance(32_000, 40_000)
    };
    // Hours: 100 / 8 = 12.5 and 240 / 8 = 30 days; days: 70 days after 1 April are 10 June.
    let due = due(&usage(0.0, 0.0), &windows, &[]);
    assert_eq!(due.deciding_meter, Meter::Hours);
    assert_eq!(
        due.by_meter.iter().map(|(meter, _)| *meter).collect::<Vec<_>>(),
        [Meter::Distance, Meter::Hours, Meter::Days]
    );
    check(due.by_meter[1].1.early, "2026-06-14", "2026-06-14", "2026-06-14");
    check(due.early, "2026-06-10", "2026-06-10", "2026-06-10");
    check(due.late, "2026-07-01", "2026-07-01", "2026-07-01");
    assert_eq!(due.by_meter[2].1.late.p50, Some(date("2027-04-01")));
}

#[test]
fn each_quantile_is_of_the_meter_that_comes_first_there() {
    let windows = WindowSet { days: Some(Window { early: 90, late: 110 }), ..distance(32_000, 40_000) };
    let due = due(&usage(0.1, 0.15), &windows, &[]);
    // Days: 30 June and 20 July for sure. By distance 50 days to the late edge, 10 % within 41.
    assert!(due.late.p10.unwrap() < date("2026-07-20"));
    assert_eq!((due.late.p50, due.late.p90), (Some(date("2026-07-20")), Some(date("2026-07-20"))));
    assert_eq!((due.deciding_meter, due.chance_past_late(date("2026-07-20"))), (Meter::Days, 1.0));
    assert!(due.chance_past_late(date("2026-07-19")) < 0.5);
}

#[test]
fn a_car_that_stands_never_arrives() {
    let usage = driven(Outlook::STANDING, Outlook::STANDING);
    let found = due(&usage, &distance(32_000, 40_000), &[]);
    assert_eq!((found.early, found.late, found.band), (Quantiles::default(), Quantiles::default(), Band::Before));
    assert_eq!(found.chance_past_late(date("2036-01-01")), 0.0);
    let with_days = WindowSet { days: Some(Window { early: 90, late: 110 }), ..distance(32_000, 40_000) };
    assert_eq!(due(&usage, &with_days, &[]).deciding_meter, Meter::Days);
}

#[test]
fn nothing_beyond_the_horizon() {
    let windows = distance(32_000, 40_000);
    let due = forecast(&position(), &usage(0.0, 0.15), &windows, &[], &[], date(TODAY), 29).unwrap();
    assert_eq!(due.early, Quantiles { p10: Some(date("2026-06-27")), p50: Some(date("2026-07-01")), p90: None });
    assert_eq!(due.late, Quantiles::default());
    assert!(due.chance_past_late(date("2027-01-01")) > 0.99);
    // The meter that decides is the same however far one looks.
    let windows =
        WindowSet { hours: Some(Window { early: Hours(4_000.0), late: Hours(5_000.0) }), ..distance(50_000, 60_000) };
    let due = forecast(&position(), &usage(0.0, 0.15), &windows, &[], &[], date(TODAY), 10).unwrap();
    assert_eq!(due.deciding_meter, Meter::Distance);
}

#[test]
fn no_meter_no_forecast() {
    assert!(forecast(&position(), &usage(0.1, 0.15), &WindowSet::default(), &[], &[], date(TODAY), HORIZON).is_none());
}

#[test]
fn a_car_that_never_works_on_sundays_never_falls_due_on_one() {
    let week = Week::new([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0]);
    let usage = Usage { metres_week: week, ..usage(0.0, 0.0) };
    // 1 June is a Monday. Of 400 km a day each of six days drives 466.67: 12,000 km are reached on the 26th of them.
    let found = due(&usage, &distance(32_000, 32_600), &[]);
    assert_eq!(found.early.p50, Some(date("2026-07-01")));
    // 12,600 km make 27 of them, the second of July; counted evenly, the 32nd day would have been the third.
    assert_eq!(found.late.p50, Some(date("2026-07-02")));
    // One more kilometre on a Saturday waits for the Monday.
    let saturday = due(&usage, &distance(22_333, 22_334), &[]);
    check(saturday.early, "2026-06-06", "2026-06-06", "2026-06-06");
    check(saturday.late, "2026-06-08", "2026-06-08", "2026-06-08");
    assert_eq!(saturday.chance_past_late(date("2026-06-07")), 0.0);
    // By today, the Tuesday, it has gone one day's part.
    assert_eq!(found.expected_today, km(20_000) + Metres(466_667));
}

proptest! {
    /// A quantile's date is the first day by which the chance is at least that of the quantile.
    #[test]
    fn dates_and_chances_agree(
        rate in 50.0_f64..600.0, noise in 0.01_f64..3.0, drift in 0.0_f64..0.5, left in 100_i64..60_000,
        off in (0_i64..60, 0_i64..20), amounts in proptest::array::uniform7(0.0_f64..2.0),
    ) {
        let usage = driven(outlook(rate * 1e3, noise, drift), outlook(8.0, noise, drift));
        let usage = Usage { metres_week: Week::new(amounts.map(|amount| (amount - 0.5).max(0.0))), ..usage };
        let from = date(TODAY) + Duration::days(off.0);
        let off_road = [OffRoad { from, to: Some(from + Duration::days(off.1)) }];
        let windows = distance(20_001, 20_000 + left);
        let due = forecast(&position(), &usage, &windows, &[], &off_road, date(TODAY), 100_000).unwrap();
        for (p, on) in [(0.1, due.late.p10), (0.5, due.late.p50), (0.9, due.late.p90)] {
            let on = on.unwrap();
            prop_assert!(due.chance_past_late(on) >= p - 1e-6);
            prop_assert!(due.chance_past_late(on - Duration::days(1)) <= p + 1e-6);
        }
        prop_assert!(due.late.p10 <= due.late.p50 && due.late.p50 <= due.late.p90);
        prop_assert!(due.early.p10 <= due.late.p10 && due.early.p90 <= due.late.p90);
    }

    #[test]
    fn the_chance_rises_from_day_to_day(noise in 0.0_f64..3.0, drift in 0.0_f64..0.5, day in -5_i64..300) {
        let due = due(&usage(noise, drift), &distance(32_000, 40_000), &[]);
        let on = date(TODAY) + Duration::days(day);
        let (before, after) = (due.chance_past_late(on), due.chance_past_late(on + Duration::days(1)));
        prop_assert!(before <= after && (0.0..=1.0).contains(&before) && (0.0..=1.0).contains(&after));
    }
}

const MILE: f64 = 1_609.344;

fn miles(miles: f64) -> Metres {
    Metres((miles * MILE).round() as i64)
}

/// Hard 20,000 to 25,000 mi, ordinary 30,000 to 40,000 mi.
fn rule() -> Rule {
    let window = |early, late| WindowSet {
        distance: Some(Window { early: miles(early), late: miles(late) }),
        ..WindowSet::default()
    };
    Rule {
        hard: window(20_000.0, 25_000.0),
        ordinary: Some(window(30_000.0, 40_000.0)),
        lead_days: 14,
        mixed: Mixed::Blended,
        raise_chance: 0.1,
    }
}

fn stretch(grade: Grade, driven: f64) -> Stretch {
    Stretch { grade, metres: miles(driven), hours: Hours(driven / 20.0), days: (driven / 100.0) as i64 }
}

#[track_caller]
fn check_blend(stretches: &[Stretch], current: Grade, early: f64, late: f64) {
    let found = blend(&rule(), stretches, current).distance.unwrap();
    assert!((found.early - miles(early)).0.abs() <= 1, "{} is not {early}", found.early.as_f64() / MILE);
    assert!((found.late - miles(late)).0.abs() <= 1, "{} is not {late}", found.late.as_f64() / MILE);
}

#[test]
fn each_mile_uses_up_its_share() {
    use Grade::{Hard, Ordinary};
    check_blend(&[], Hard, 20_000.0, 25_000.0);
    check_blend(&[], Ordinary, 30_000.0, 40_000.0);
    check_blend(&[stretch(Hard, 7_000.0)], Hard, 20_000.0, 25_000.0);
    // 10,000 hard miles are half of the early edge and two fifths of the late one; half of 30,000 and three fifths of
    // 40,000 are left.
    check_blend(&[stretch(Hard, 10_000.0)], Ordinary, 25_000.0, 34_000.0);
    // 15,000 ordinary miles are 1/2 and 3/8; 10,000 and 15,625 hard ones are left.
    check_blend(&[stretch(Ordinary, 15_000.0)], Hard, 25_000.0, 30_625.0);
    // 1/4 + 1/4 and 1/5 + 3/16 used after 12,500; half of 30,000 and 49/80 of 40,000 are left.
    check_blend(&[stretch(Hard, 5_000.0), stretch(Ordinary, 7_500.0)], Ordinary, 27_500.0, 37_000.0);
}

#[test]
fn what_is_used_up_stays_where_it_was_used_up() {
    use Grade::{Hard, Ordinary};
    // After 15,000 ordinary miles the early edge is reached 10,000 hard miles on, and 2,000 more do not move it.
    let stretches = [stretch(Ordinary, 15_000.0), stretch(Hard, 12_000.0)];
    for current in [Hard, Ordinary] {
        let found = blend(&rule(), &stretches, current).distance.unwrap();
        assert!((found.early - miles(25_000.0)).0.abs() <= 1);
    }
    // Late: 3/8 + 12/25 used, 0.145 of 25,000 or 40,000 left beyond 27,000.
    check_blend(&stretches, Hard, 25_000.0, 30_625.0);
    check_blend(&stretches, Ordinary, 25_000.0, 32_800.0);
}

#[test]
fn every_meter_has_its_own_account() {
    let both = |hours: f64, days: i64| WindowSet {
        hours: Some(Window { early: Hours(hours / 2.0), late: Hours(hours) }),
        days: Some(Window { early: days / 2, late: days }),
        distance: None,
    };
    let rule = Rule { hard: both(1_000.0, 100), ordinary: Some(WindowSet { hours: None, ..both(0.0, 200) }), ..rule() };
    let stretches = [Stretch { grade: Grade::Hard, metres: km(1), hours: Hours(250.0), days: 25 }];
    let found = blend(&rule, &stretches, Grade::Hard);
    assert_eq!(found.hours, Some(Window { early: Hours(500.0), late: Hours(1_000.0) }));
    let found = blend(&rule, &stretches, Grade::Ordinary);
    assert_eq!((found.distance, found.hours), (None, None)); // ordinary duty counts no hours
    assert_eq!(found.days, Some(Window { early: 75, late: 175 }));
}

#[test]
fn without_an_ordinary_window_the_hard_one_holds_throughout() {
    let rule = Rule { ordinary: None, ..rule() };
    let stretches = [stretch(Grade::Ordinary, 9_000.0), stretch(Grade::Hard, 3_000.0)];
    let found = blend(&rule, &stretches, Grade::Ordinary).distance.unwrap();
    assert!((found.late - miles(25_000.0)).0.abs() <= 1 && (found.early - miles(20_000.0)).0.abs() <= 1);
}

/// A tenth of the 400 km a day from a day on.
fn slower(from: &str, windows: WindowSet) -> Phase {
    Phase { from: date(from), usage: driven(outlook(40_000.0, 0.0, 0.0), outlook(0.8, 0.0, 0.0)), windows }
}

#[test]
fn from_a_told_day_on_it_goes_on_at_the_told_pace() {
    let windows = distance(32_000, 40_000);
    let phases = [slower("2026-06-12", windows)];
    let due = forecast(&position(), &usage(0.0, 0.0), &windows, &phases, &[], date(TODAY), 3_650).unwrap();
    // 12,000 km left to the early edge: ten days of 400 km up to 11 June, and 200 days of 40 for the 8,000 left then.
    check(due.early, "2026-12-28", "2026-12-28", "2026-12-28");
    let [early, late] = &due.ways;
    let days: Vec<(NaiveDate, f64)> = early.iter().map(|part| (part.from, part.days.round())).collect();
    assert_eq!(days, [(date("2026-06-02"), 10.0), (date("2026-06-12"), 200.0)]);
    assert!((late.iter().map(|part| part.amount).sum::<f64>() - 20_000_000.0).abs() < 1e-3, "{late:?}");
    let (metres, Hours(hours)) = expected(&position(), &usage(0.0, 0.0), &phases, &[], date("2026-06-13"));
    assert_eq!((metres, (hours * 1e6).round()), (km(24_080), 481_600_000.0));
}

#[test]
fn edges_behind_the_car_by_a_told_day_are_reached_on_it() {
    // From 20 June on the edges lie where the car was on 6 June and will be on 6 July.
    let phases = [Phase { usage: usage(0.0, 0.0), ..slower("2026-06-20", distance(22_000, 34_000)) }];
    let due =
        forecast(&position(), &usage(0.0, 0.0), &distance(32_000, 40_000), &phases, &[], date(TODAY), HORIZON).unwrap();
    check(due.early, "2026-06-20", "2026-06-20", "2026-06-20");
    check(due.late, "2026-07-06", "2026-07-06", "2026-07-06");
    // Further off than before they are reached later; in days likewise.
    let days = |early, late| WindowSet { days: Some(Window { early, late }), ..WindowSet::default() };
    let phases = [Phase { usage: usage(0.0, 0.0), ..slower("2026-06-20", days(10, 100)) }];
    let due = forecast(&position(), &usage(0.0, 0.0), &days(70, 90), &phases, &[], date(TODAY), HORIZON).unwrap();
    // 70 days after 1 April is 10 June, before the phase; 100 days is 10 July.
    check(due.early, "2026-06-10", "2026-06-10", "2026-06-10");
    check(due.late, "2026-07-10", "2026-07-10", "2026-07-10");
    assert_eq!((due.chance_past_late(date("2026-07-09")), due.chance_past_late(date("2026-07-10"))), (0.0, 1.0));
}

fn days_from(day: &str, days: i64) -> NaiveDate {
    date(day) + Duration::days(days)
}

proptest! {
    /// A phase in which nothing changes changes nothing, to the day and to the chance.
    #[test]
    fn a_phase_like_the_days_before_is_none(
        (noise, drift) in (0.0_f64..0.3, 0.01_f64..0.4),
        (begins, second, by) in (1_i64..90, 1_i64..60, 0_i64..150),
        away in (0_i64..60, 0_i64..20),
    ) {
        let (windows, usage) = (distance(32_000, 40_000), usage(noise, drift));
        let off = [OffRoad { from: days_from(TODAY, away.0), to: Some(days_from(TODAY, away.0 + away.1)) }];
        let phase = |days| Phase { from: days_from("2026-06-01", days), usage, windows };
        let phases = [phase(begins), phase(begins + second)];
        let plain = forecast(&position(), &usage, &windows, &[], &off, date(TODAY), HORIZON).unwrap();
        let same = forecast(&position(), &usage, &windows, &phases, &off, date(TODAY), HORIZON).unwrap();
        prop_assert_eq!((same.early, same.late, same.band), (plain.early, plain.late, plain.band));
        prop_assert!((same.expected_today - plain.expected_today).0.abs() <= 1);
        let by = days_from(TODAY, by);
        prop_assert!((same.chance_past_late(by) - plain.chance_past_late(by)).abs() < 1e-9);
    }

    /// A phase from the day after the last reading on is as if the car had always been used so.
    #[test]
    fn a_phase_from_the_first_day_on_is_all(factor in 0.1_f64..10.0, (noise, drift) in (0.0_f64..0.3, 0.0_f64..0.4)) {
        let windows = distance(32_000, 40_000);
        let other = driven(outlook(400_000.0 * factor, noise, drift), outlook(8.0 * factor, noise, drift));
        let phases = [Phase { from: date("2026-06-02"), usage: other, windows }];
        let found = forecast(&position(), &usage(noise, drift), &windows, &phases, &[], date(TODAY), 3_650).unwrap();
        let plain = forecast(&position(), &other, &windows, &[], &[], date(TODAY), 3_650).unwrap();
        prop_assert_eq!((found.early, found.late), (plain.early, plain.late));
    }

    /// Chances rise with the days and agree with the dates, whatever is told.
    #[test]
    fn chances_rise_over_phases(
        factors in proptest::collection::vec((0.0_f64..5.0, 1_i64..40, 30_000_i64..45_000), 0..4),
        (noise, drift) in (0.0_f64..0.3, 0.01_f64..0.4),
    ) {
        let mut from = date("2026-06-01");
        let phases: Vec<Phase> = factors.into_iter().map(|(factor, days, late)| {
            from += Duration::days(days);
            let other = driven(outlook(400_000.0 * factor, noise, drift), outlook(8.0 * factor, noise, drift));
            Phase { from, usage: other, windows: distance(29_000, late) }
        }).collect();
        let windows = distance(32_000, 40_000);
        let due = forecast(&position(), &usage(noise, drift), &windows, &phases, &[], date(TODAY), 365).unwrap();
        let chances: Vec<f64> = (0..365).map(|days| due.chance_past_late(days_from(TODAY, days))).collect();
        prop_assert!(chances.windows(2).all(|pair| pair[0] <= pair[1]), "{chances:?}");
        for (day, chance) in [(due.late.p10, 0.1), (due.late.p50, 0.5), (due.late.p90, 0.9)] {
            if let Some(day) = day {
                prop_assert!(due.chance_past_late(day) >= chance - 1e-6, "{day} {chance}");
                let before = due.chance_past_late(day.pred_opt().unwrap());
                prop_assert!(before <= chance + 1e-6, "{day} {chance}: {before}");
            }
        }
    }
}
