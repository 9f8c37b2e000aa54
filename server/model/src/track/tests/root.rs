//! A chain that goes on from a root is the one made of all readings, or is said not to be.

use proptest::prelude::*;

use super::super::Root;
use super::*;

/// A year of daily readings, some of them dirty: alone, in runs, or a cluster change.
fn year() -> impl Strategy<Value = Vec<Reading>> {
    let dirt = proptest::collection::vec((0_usize..360, 0_usize..8, 1_usize..12), 0..12);
    let rates = proptest::collection::vec(prop_oneof![1 => Just(0.0), 6 => 100.0_f64..450.0], 360);
    let start = prop_oneof![Just(120_000.0), Just(900.0)];
    (rates, dirt, start).prop_map(|(rates, dirt, start)| {
        let mut km = start;
        let mut readings = Vec::new();
        for (day, rate) in rates.iter().enumerate() {
            let spoils = dirt.iter().filter(|(from, _, days)| (*from..from + days).contains(&day));
            let shown = spoils.fold(km, |shown, (_, kind, _)| match kind {
                0 => shown / 10.0,
                1 => shown * 10.0,
                2 => shown * 1.609_344,
                3 => shown / 1.609_344,
                4 => 31_000.0 + 186.0 * day as f64,
                5 => shown - 900.0,
                _ => shown,
            });
            // A new cluster, and now and then a day without a reading.
            km = if dirt.iter().any(|(from, kind, _)| *from == day && *kind == 6) { 0.0 } else { km + rate };
            let silent = dirt.iter().any(|(from, kind, days)| *kind == 7 && (*from..from + days).contains(&day));
            readings.extend((!silent).then(|| shows(day as f64, shown.max(0.0))));
        }
        readings
    })
}

fn believed(track: &Track, after: DateTime<Utc>) -> Vec<(Reading, Verdict, Option<Metres>)> {
    let later = track.kept().filter(|judged| judged.reading.at > after);
    later.map(|judged| (judged.reading, judged.verdict, judged.travelled)).collect()
}

/// Roots at `by` days, made of the readings up to `known` days, and grown by all others; whether it was one.
fn check(readings: &[Reading], by: f64, known: f64, limits: &Limits) -> Result<bool, TestCaseError> {
    let day = |days: f64| shows(days, 0.0).at;
    let now = day(400.0);
    let events = [day(3.5), day(by / 2.0)];
    let old: Vec<Reading> = readings.iter().copied().filter(|reading| reading.at <= day(known)).collect();
    let Some(root) = Root::find(&old, limits, now, (day(by - 30.0), day(by)), &events) else { return Ok(false) };
    // Late ones before the root would have been reason to look at all of them.
    let rest: Vec<Reading> =
        readings.iter().copied().filter(|reading| reading.at > root.at() || reading.at <= day(known)).collect();
    let whole = clean(&rest, limits, now);
    let Some(grown) = root.grown(&rest, limits, now) else { return Ok(false) };
    prop_assert_eq!(believed(&grown, root.at()), believed(&whole, root.at()));
    prop_assert_eq!(grown.provisional(), whole.provisional());
    prop_assert_eq!(grown.first(), whole.first());
    for event in events {
        prop_assert_eq!(grown.travelled_at(event), whole.travelled_at(event));
    }
    let lately = day(by - 30.0).max(day(0.0));
    let since = |track: &Track| believed(track, lately - Duration::milliseconds(1));
    prop_assert_eq!(since(&grown), since(&whole));
    Ok(true)
}

proptest! {
    #[test]
    fn a_grown_track_is_the_whole_one(readings in year(), by in 40.0_f64..300.0, known in 0.0_f64..60.0) {
        check(&readings, by, by + known, &Limits::default())?;
        let cheap = Limits { cluster_change_cost: 0, ..Limits::default() };
        check(&readings, by, by + known, &cheap)?;
        let fast = Limits { max_speed_kmh: 1_200.0, ..Limits::default() };
        check(&readings, by, by + known, &fast)?;
    }

    #[test]
    fn of_any_readings_too(
        readings in properties::mess(true), by in 2.0_f64..25.0, known in 0.0_f64..10.0, trust in properties::any_trust(),
    ) {
        check(&readings, by, by + known, &Limits { trust, ..Limits::default() })?;
    }
}

/// Of a hundred cars with a bad reading a month, few need all their readings.
#[test]
fn a_root_serves_most_cars() {
    let served = (0..100_u32).filter(|car| {
        let spoilt = |day: usize| (day as u32 * 7 + car * 13).is_multiple_of(31);
        let km = |day: usize| 90_000.0 + 300.0 * day as f64 * if spoilt(day) { 10.0 } else { 1.0 };
        let readings: Vec<Reading> = (0..360).map(|day| shows(day as f64, km(day))).collect();
        check(&readings, 150.0, 180.0, &Limits::default()).unwrap()
    });
    assert!(served.count() >= 95);
}

#[test]
fn where_the_chain_turns_away_from_the_root_it_says_so() {
    // A root on a count that later readings show to be the excursion.
    let mut readings = daily(0, 30, 500_000.0);
    readings.extend(daily(30, 20, 5_000.0));
    let day = |days: f64| shows(days, 0.0).at;
    let root = Root::find(&readings, &Limits::default(), now(), (day(35.0), day(45.0)), &[]).unwrap();
    assert!(root.grown(&readings, &Limits::default(), now()).is_some());
    readings.extend(daily(50, 20, 515_000.0));
    let whole = judge(&readings);
    assert!(whole.kept().all(|judged| judged.reading.at != root.at()));
    assert_eq!(root.grown(&readings, &Limits::default(), now()), None);
}
