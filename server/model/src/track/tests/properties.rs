//! What holds for any readings.

use proptest::prelude::*;

use super::*;

fn any_ruling() -> impl Strategy<Value = Option<Ruling>> {
    prop_oneof![20 => Just(None), 1 => Just(Some(Ruling::Keep)), 1 => Just(Some(Ruling::SetAside))]
}

/// Readings near one of two lines or anywhere, with and without rulings.
pub(super) fn mess(rulings: bool) -> impl Strategy<Value = Vec<Reading>> {
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

/// The last believed reading, the first of its doubles.
fn last_alone(track: &Track) -> Option<Reading> {
    track.kept().filter(|judged| judged.verdict != Verdict::Double).last().map(|judged| judged.reading)
}

/// How much each of three sources is trusted.
pub(super) fn any_trust() -> impl Strategy<Value = Trust> {
    proptest::collection::vec(prop_oneof![Just(0.0), Just(1.0), 0.1_f64..3.0], 3)
        .prop_map(|weights| (1..).zip(weights).collect())
}

proptest! {
    #[test]
    fn one_reading_at_a_time_is_all_at_once(
        (readings, shuffled) in mess(true).prop_flat_map(|all| (Just(all.clone()), Just(all).prop_shuffle())),
        trust in any_trust(),
    ) {
        let limits = Limits { trust, ..Limits::default() };
        let mut sorted = readings.clone();
        sorted.sort_by_key(|reading| reading.at);
        for order in [sorted, shuffled] {
            let mut chain = Chain::new(&limits, now());
            for (count, reading) in order.iter().enumerate() {
                let before = chain.track();
                let settled = chain.insert(*reading, now());
                let track = chain.track();
                prop_assert_eq!(&track, &clean(&order[..=count], &limits, now()));
                prop_assert_eq!(chain.last(), last_alone(&track));
                prop_assert_eq!(chain.travelled(), track.last().and_then(|judged| judged.travelled));
                if let Some(settled) = settled {
                    let upto = |track: &Track| -> Vec<_> {
                        let kept = track.kept().filter(|judged| judged.reading.at < settled);
                        kept.map(|judged| (judged.reading.at, judged.travelled)).collect()
                    };
                    prop_assert_eq!(upto(&before), upto(&track));
                }
            }
        }
    }

    #[test]
    fn the_present_may_move(readings in mess(true), days in proptest::collection::vec(0_i64..40, 1..6)) {
        let limits = Limits::default();
        let mut chain = Chain::new(&limits, now());
        chain.extend(&readings, now());
        for day in days {
            let present = start() + Duration::days(day);
            chain.advance(present);
            prop_assert_eq!(chain.track(), clean(&readings, &limits, present));
        }
    }

    #[test]
    fn a_source_without_trust_decides_nothing(readings in mess(true)) {
        let limits = Limits { trust: Trust::default().with(3, 0.0), ..Limits::default() };
        let track = clean(&readings, &limits, now());
        let others: Vec<_> =
            readings.iter().copied().filter(|reading| reading.source != 3 || reading.ruling.is_some()).collect();
        let without = clean(&others, &limits, now());
        let decided = |track: &Track| -> Vec<_> {
            track.kept().map(|judged| (judged.reading, judged.verdict, judged.travelled)).collect()
        };
        prop_assert_eq!(decided(&track), decided(&without));
        for judged in track.judged.iter().filter(|judged| judged.reading.source == 3 && judged.reading.ruling.is_none()) {
            prop_assert!(matches!(
                judged.verdict,
                Verdict::SetAside(Reason::Untrusted | Reason::AheadOfClock)
            ));
        }
    }

    /// All sources trusted half as much: nothing changes but what a cluster change costs.
    #[test]
    fn only_the_proportion_of_trust_counts(readings in mess(true)) {
        let track = |weight: f64, cost: usize| {
            let trust = (1..4).map(|source| (source, weight)).collect();
            clean(&readings, &Limits { trust, cluster_change_cost: cost, ..Limits::default() }, now())
        };
        prop_assert_eq!(track(1.0, 1_000), track(0.5, 1_000));
    }
}

#[test]
fn the_more_trusted_of_two_is_believed() {
    for (first, second) in [(2.0, 1.0), (1.0, 2.0)] {
        let limits = Limits { trust: [(1, first), (2, second)].into_iter().collect(), ..Limits::default() };
        let readings: Vec<_> = (0..40)
            .map(|day| {
                let line = if day % 2 == 0 { 100_000.0 } else { 250_000.0 };
                Reading { source: 1 + day % 2, ..shows(day as f64, line + 300.0 * day as f64) }
            })
            .collect();
        let track = clean(&readings, &limits, now());
        let believed = if first > second { 1 } else { 2 };
        assert!(track.judged.iter().all(|judged| judged.verdict.is_kept() == (judged.reading.source == believed)));
    }
}

#[test]
fn a_known_cluster_change_needs_two_readings() {
    let mut readings = daily(0, 30, 100_000.0);
    readings.extend(daily(30, 2, 250.0));
    let told = Limits { cluster_changes: vec![start() + Duration::hours(29 * 24 + 12)], ..Limits::default() };
    let track = clean(&readings, &told, now());
    assert_eq!(kept(&track), 32);
    assert_eq!(verdict(&track, &readings[30]), Verdict::NewCluster);
    assert_eq!(kept(&judge(&readings)), 30);
}
