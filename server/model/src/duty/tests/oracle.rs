//! The conditions counted day by day, as the rule reads, against the summed ledger.

use proptest::prelude::*;

use super::*;

/// The rule, counted the slow way, for the window that ends the day before `today`.
fn conditions(
    days: &BTreeMap<NaiveDate, DutyDay>,
    off: &OffRoad,
    today: NaiveDate,
    settings: &Settings,
) -> Vec<Condition> {
    let to = today - chrono::Days::new(1);
    let from = to - chrono::Days::new(settings.window_days as u64 - 1);
    let of = |on: NaiveDate| days.get(&on).copied().unwrap_or_default();
    let all: Vec<(NaiveDate, DutyDay)> = from.iter_days().take_while(|on| *on <= to).map(|on| (on, of(on))).collect();
    let settled = |on: NaiveDate| (today - on).num_days() > settings.log_grace_days;

    let sevens =
        all.windows(7).filter(|seven| seven[0].0.weekday() == Weekday::Mon || settings.week == WeekKind::Rolling);
    let driven = |seven: &[(NaiveDate, DutyDay)]| seven.iter().filter(|(_, day)| day.driven).count();
    let busy = sevens.clone().any(|seven| driven(seven) >= settings.week_days as usize);
    let hours: Vec<i64> =
        all.iter().filter(|(_, day)| day.hours > 0.0).map(|(_, day)| (day.hours * 100.0).round() as i64).collect();
    let long = hours.iter().sum::<i64>() > (settings.mean_hours * 100.0) as i64 * hours.len() as i64;
    let trips: u32 = all.iter().map(|(_, day)| day.seat_trips).sum();
    let rear: u32 = all.iter().map(|(_, day)| day.rear_trips).sum();
    let rear_seat = trips > 0 && f64::from(rear) / f64::from(trips) >= settings.rear_share;

    let ripe: Vec<_> =
        all.windows(7).filter(|seven| seven[0].0.weekday() == Weekday::Mon && settled(seven[6].0)).collect();
    let no_duty = |some: &[(NaiveDate, DutyDay)]| {
        some.iter().all(|(_, day)| !day.has_duty) && !some.iter().all(|(on, _)| off.covers(*on))
    };
    let no_seat = |some: &[(NaiveDate, DutyDay)]| some.iter().all(|(_, day)| !day.has_seat);
    let duty_missing = ripe.iter().any(|seven| no_duty(seven)) || (ripe.is_empty() && no_duty(&all));
    let driven_lately = all.iter().any(|(on, day)| day.driven && settled(*on));
    let seat_missing = ripe.iter().any(|seven| no_seat(seven) && driven(seven) > 0)
        || (no_seat(&all) && (driven_lately || duty_missing));

    let found = [busy, long, rear_seat, duty_missing, seat_missing];
    Condition::ALL.into_iter().zip(found).filter(|(_, holds)| *holds).map(|(condition, _)| condition).collect()
}

/// Days of which many have no logs.
fn patchy_days() -> impl Strategy<Value = BTreeMap<NaiveDate, DutyDay>> {
    let week = (0_u32..4, prop::collection::vec((0_u32..1_200, 0_u32..20, 0_u32..20, 0_u32..8), 7));
    prop::collection::vec(week, 4..12).prop_map(|weeks| {
        let mut days = BTreeMap::new();
        let drawn = weeks.into_iter().flat_map(|(kind, week)| week.into_iter().map(move |day| (kind, day)));
        for (on, (kind, (hundredths, trips, rear, logs))) in date("2026-01-05").iter_days().zip(drawn) {
            let (has_duty, has_seat) = (kind != 0 && logs > 1, kind < 2 && logs % 3 > 0);
            let hours = if has_duty { f64::from(hundredths) / 100.0 } else { 0.0 };
            let seat_trips = if has_seat { trips } else { 0 };
            let driven = hours > 0.0 || seat_trips > 0;
            let rear_trips = rear.min(seat_trips);
            if has_duty || has_seat {
                days.insert(on, DutyDay { hours, trips: 0, seat_trips, rear_trips, driven, has_duty, has_seat });
            }
        }
        days
    })
}

proptest! {
    #[test]
    fn the_ledger_counts_as_the_rule_reads(
        days in patchy_days(),
        (rolling, week_days, window_days, log_grace_days) in (any::<bool>(), 3_u32..=7, 7_i64..40, 0_i64..20),
        (mean, rear) in (3_u32..8, 3_u32..7),
        (off_from, off_days, last) in (0_u64..80, 0_u64..40, 5_u64..90),
    ) {
        let week = if rolling { WeekKind::Rolling } else { WeekKind::Iso };
        let (mean_hours, rear_share) = (f64::from(mean), f64::from(rear) / 10.0);
        let settings =
            Settings { window_days, week, week_days, mean_hours, rear_share, log_grace_days, ..Settings::default() };
        let first = date("2026-01-05");
        let off_from = first + chrono::Days::new(off_from);
        let off = OffRoad { from: off_from, to: Some(off_from + chrono::Days::new(off_days)) };
        let today = first + chrono::Days::new(last);
        let grading = grade(&days, &[off], |_, _| false, None, today, &settings);
        prop_assert_eq!(&grading.current.conditions, &conditions(&days, &off, today, &settings));
        prop_assert!(grading.now == Grade::Hard || grading.current.grade == Grade::Ordinary);
        let seven = grading.current.busiest_seven_days.map_or(0, |(_, days)| days);
        prop_assert!(seven >= grading.current.busiest_week.map_or(0, |(_, days)| days));
    }
}
