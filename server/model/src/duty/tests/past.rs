//! A car graded from what its past left, against the same car graded from all its days.

use proptest::prelude::*;

use super::*;

const FIRST: &str = "2024-01-03"; // a Wednesday

fn day(number: i64) -> NaiveDate {
    date(FIRST) + chrono::Duration::days(number)
}

/// A car and how it is looked at.
struct Case<'a> {
    days: &'a BTreeMap<NaiveDate, DutyDay>,
    off_road: &'a [OffRoad],
    stood_still: &'a dyn Fn(NaiveDate, NaiveDate) -> bool,
    settings: Settings,
}

impl Case<'_> {
    fn whole(&self, since: Option<NaiveDate>, today: NaiveDate) -> Grading {
        grade(self.days, self.off_road, self.stood_still, since, today, &self.settings)
    }

    /// Its past, by no more than the days of the past.
    fn past(&self, by: NaiveDate, today: NaiveDate) -> Option<Past> {
        let days = self.days.range(..=by).map(|(on, day)| (*on, *day)).collect();
        let still = |from, to| {
            assert!(to <= by, "asked about days after {by}");
            (self.stood_still)(from, to)
        };
        Past::new(&days, self.off_road, still, by, today, &self.settings)
    }

    /// Graded by no more than the days that are needed.
    fn from(&self, past: &Past, since: Option<NaiveDate>, today: NaiveDate) -> Option<Grading> {
        let first = past.needs_from(&self.settings);
        let days = self.days.range(first..).map(|(on, day)| (*on, *day)).collect();
        let still = |from, to| {
            assert!(from >= first, "asked about days before {first}");
            (self.stood_still)(from, to)
        };
        grade_from(past, &days, self.off_road, still, since, today, &self.settings)
    }
}

fn plain(days: &BTreeMap<NaiveDate, DutyDay>) -> Case<'_> {
    Case { days, off_road: &[], stood_still: &|_, _| false, settings: Settings::default() }
}

/// Five years, serviced every half year: ordinary, but for a week of six days in each quarter.
#[test]
fn a_car_of_five_years_goes_on_from_its_past_as_from_its_first_day() {
    let mut days = weeks(FIRST, "2028-12-31", 5, ordinary_day());
    for quarter in 0..20 {
        days.extend(day(quarter * 91).iter_days().take(7).map(|on| (on, ordinary_day())));
    }
    let car = plain(&days);
    let mut seen = Vec::new();
    for service in (180..1_800).step_by(182) {
        let past = car.past(day(service - 30), day(service)).unwrap();
        assert_eq!(past.by(), day(service - 30));
        for on in service..service + 182 {
            let grading = car.from(&past, Some(day(service)), day(on)).unwrap();
            assert_eq!(grading, car.whole(Some(day(service)), day(on)));
            seen.push((grading.grade, grading.now, grading.hardest.is_some(), grading.eased.is_some()));
        }
    }
    seen.sort();
    seen.dedup();
    // Hard by its window, held, eased, and ordinary.
    assert!(seen.len() >= 4, "{seen:?}");
}

#[test]
fn a_car_held_since_before_its_past_ended_is_told_by_which_window() {
    // 10.5 h for ten weeks, then within the margin for good.
    let mut days = weeks(FIRST, "2024-03-12", 5, DutyDay { hours: 10.5, ..ordinary_day() });
    days.extend(weeks("2024-03-13", "2025-12-31", 5, DutyDay { hours: 9.8, ..ordinary_day() }));
    let car = plain(&days);
    let past = car.past(day(400), day(410)).unwrap();
    let grading = car.from(&past, Some(day(420)), day(600)).unwrap();
    assert_eq!(grading, car.whole(Some(day(420)), day(600)));
    assert!(grading.held.is_some() && grading.hardest.is_some_and(|hard| hard.to < day(100)));
}

#[test]
fn where_the_past_is_not_enough_nothing_is_said() {
    let days = weeks(FIRST, "2046-12-31", 5, ordinary_day());
    let car = plain(&days);
    // No log yet; logs awaited (three days); a first log twenty years ago.
    for (by, today, made) in [
        (-1, 100, false),
        (0, 100, true),
        (97, 100, false),
        (96, 100, true),
        (7_300, 7_305, true),
        (7_300, 7_306, false),
    ] {
        assert_eq!(car.past(day(by), day(today)).is_some(), made, "{by} {today}");
    }
    let past = car.past(day(96), day(100)).unwrap();
    for (since, today, said) in [
        (None, 200, false),
        (Some(96), 200, false),
        (Some(97), 200, true),
        (Some(97), 99, false),
        (Some(97), 100, true),
        (Some(97), 7_305, true),
        (Some(97), 7_306, false),
    ] {
        assert_eq!(car.from(&past, since.map(day), day(today)).is_some(), said, "{since:?} {today}");
    }
}

#[test]
fn trips_beyond_all_measure_do_not_reach_later_windows() {
    let mut days = june(5, ordinary_day());
    let many = DutyDay { trips: u32::MAX, seat_trips: u32::MAX, rear_trips: u32::MAX, ..ordinary_day() };
    days.extend(date("2026-04-01").iter_days().take(3).map(|on| (on, many)));
    let current = graded(&days).current;
    assert_eq!((current.trips, current.rear_share), (400, Some(0.2)));
}

/// Weeks of one kind each, several alike in a row: ordinary, near the edge, hard, without the one or the other log.
fn course() -> impl Strategy<Value = BTreeMap<NaiveDate, DutyDay>> {
    let drawn = (0_u32..100, 0_u32..100, 0_u32..100);
    let spell = (0_u32..16, 1_usize..10).prop_flat_map(move |(kind, weeks)| {
        prop::collection::vec(drawn.clone(), weeks * 7).prop_map(move |drawn| (kind, drawn))
    });
    prop::collection::vec(spell, 3..16).prop_map(|spells| {
        let drawn = spells.into_iter().flat_map(|(kind, days)| days.into_iter().map(move |day| (kind, day)));
        let shown = day(0).iter_days().zip(drawn).map(|(on, (kind, drawn))| (on, shown(kind, drawn)));
        shown.filter(|(_, day)| day.has_duty || day.has_seat).collect()
    })
}

fn shown(kind: u32, (driven, length, logged): (u32, u32, u32)) -> DutyDay {
    let (share, tenths, rear_trips) = match kind {
        0..3 => (60, 90, 9),
        3 => (95, 100, 10),
        _ => (50, 70, 4),
    };
    let has_duty = kind != 4 && logged > 3;
    let has_seat = kind != 5 && logged % 20 > 0;
    let driven = driven < share && (has_duty || has_seat);
    let hours = if driven && has_duty { f64::from(tenths + length % 15) / 10.0 } else { 0.0 };
    let seat_trips = if driven && has_seat { 20 } else { 0 };
    let rear_trips = (rear_trips + length % 3).min(seat_trips);
    DutyDay { hours, trips: u32::from(driven) * 20, seat_trips, rear_trips, driven, has_duty, has_seat }
}

/// Settings under which the days of [`course`] are at the edge.
fn settings() -> impl Strategy<Value = Settings> {
    let hard = (any::<bool>(), 5_u32..=8, 80_u32..110, 4_u32..7);
    let time = (1_i64..45, 0_i64..15, 0_i64..40, 80_u32..=100);
    (hard, time).prop_map(|((rolling, week_days, tenths, rear), (window_days, log_grace_days, release_days, share))| {
        Settings {
            window_days,
            week: if rolling { WeekKind::Rolling } else { WeekKind::Iso },
            week_days,
            mean_hours: f64::from(tenths) / 10.0,
            rear_share: f64::from(rear) / 10.0,
            log_grace_days,
            release_days,
            release_share: f64::from(share) / 100.0,
        }
    })
}

/// Some stretches off the road, the last perhaps without an end.
fn off_road() -> impl Strategy<Value = Vec<OffRoad>> {
    let stretch = (-20_i64..500, 0_i64..40, 0_u32..8);
    let stretch =
        stretch.prop_map(|(from, days, open)| OffRoad { from: day(from), to: (open > 0).then(|| day(from + days)) });
    prop::collection::vec(stretch, 0..4)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(768))]

    #[test]
    fn a_car_goes_on_from_its_past_as_from_its_first_day(
        days in course(),
        off_road in off_road(),
        settings in settings(),
        still_of in 1_i32..6,
        (by, made_after, known_after) in (-5_i64..400, 0_i64..60, 0_i64..200),
        since_after in prop::option::weighted(0.95, -3_i64..150),
    ) {
        let (grace, by) = (settings.log_grace_days, day(by));
        let later = |days| by + chrono::Duration::days(days);
        let (made_on, today, since) = (later(made_after), later(known_after), since_after.map(later));
        let stood_still = |from: NaiveDate, to: NaiveDate| (from.num_days_from_ce() + to.day() as i32) % still_of == 1;
        let car = Case { days: &days, off_road: &off_road, stood_still: &stood_still, settings };
        let past = car.past(by, made_on);
        let begun = days.keys().next().is_some_and(|first| *first <= by);
        prop_assert_eq!(past.is_some(), begun && made_after > grace);
        if let Some(past) = past {
            let grading = car.from(&past, since, today);
            let enough = known_after > grace.max(1) && since_after.is_some_and(|days| days > 0);
            prop_assert_eq!(grading.is_some(), enough);
            if let Some(grading) = grading {
                prop_assert_eq!(grading, car.whole(since, today));
            }
        }
    }
}
