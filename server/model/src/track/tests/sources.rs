//! Sources wrong as a whole, and the newest reading.

use super::*;

/// Two months read by source 1 every day, and by source 2 every `every` days from day `from` on, `ratio` times as high.
fn two_sources(every: usize, from: usize, ratio: f64) -> Vec<Reading> {
    let mut readings = daily(0, 60, 100_000.0);
    readings.extend((from..60).step_by(every).map(|day| {
        let days = day as f64 + 0.3;
        Reading { source: 2, ..shows(days, (100_000.0 + 300.0 * days) * ratio) }
    }));
    readings
}

#[test]
fn a_source_in_the_wrong_unit_is_named() {
    for suspicion in [Suspicion::KmAsMiles, Suspicion::MilesAsKm, Suspicion::TenthsAsWhole, Suspicion::WholeAsTenths] {
        for every in [2, 7, 20] {
            let track = judge(&two_sources(every, 0, suspicion.ratio()));
            assert_eq!(suspect_sources(&track), [(2, suspicion)], "every {every} days");
            assert!(suspicion.explain().ends_with('.'));
        }
    }
}

#[test]
fn good_sources_and_stray_slips_are_not_named() {
    assert_eq!(suspect_sources(&judge(&two_sources(1, 0, 1.0))), []);
    assert_eq!(suspect_sources(&judge(&two_sources(20, 20, 1.609_344))), []); // twice is not enough
    let mut put_right = two_sources(2, 0, 1.0);
    for reading in put_right.iter_mut().filter(|reading| reading.source == 2).take(5) {
        reading.odometer = Metres((reading.odometer.as_f64() * 1.609_344) as i64);
    }
    assert_eq!(suspect_sources(&judge(&put_right)), []);
}

#[test]
fn the_less_trusted_source_is_the_one_named() {
    let readings = two_sources(1, 0, 1.609_344);
    let trusted = |source: i64| {
        let limits = Limits { trust: Trust::default().with(source, 3.0), ..Limits::default() };
        suspect_sources(&clean(&readings, &limits, now()))
    };
    assert_eq!(trusted(1), [(2, Suspicion::KmAsMiles)]);
    assert_eq!(trusted(2), [(1, Suspicion::MilesAsKm)]);
}

#[test]
fn a_newest_reading_far_ahead_is_provisional() {
    let mut readings = daily(0, 30, 100_000.0);
    readings.push(shows(33.0, 112_050.0)); // 3,350 km in four days, at 300 km a day
    let track = judge(&readings);
    let provisional = track.provisional().unwrap();
    assert_eq!(provisional.reading, readings[30]);
    assert_eq!(provisional.moved, Metres(3_350_000));
    assert_eq!(provisional.after, Duration::days(4));
    assert!((provisional.usual.as_f64() - 1_200_000.0).abs() < 100_000.0);
    assert_eq!(track.without_last().judged, judge(&readings[..30]).judged);

    readings.push(shows(34.0, 112_300.0));
    assert_eq!(judge(&readings).provisional(), None);
    readings[31] = shows(34.0, 110_200.0);
    let track = judge(&readings);
    assert_eq!(track.provisional(), None);
    assert_eq!(verdict(&track, &readings[30]), Verdict::SetAside(Reason::RunsBack));
}

#[test]
fn an_ordinary_newest_reading_is_not_provisional() {
    let mut readings = daily(0, 30, 100_000.0);
    assert_eq!(judge(&readings).provisional(), None);
    readings.push(Reading { source: 2, ..readings[29] });
    let track = judge(&readings);
    assert_eq!(kept(&track), 31);
    assert_eq!(kept(&track.without_last()), 29);
    readings.push(shows(30.0, 108_700.0)); // a day off
    assert_eq!(judge(&readings).provisional(), None);
    assert_eq!(Track::default().without_last(), Track::default());
    assert_eq!(judge(&[shows(0.0, 5.0)]).provisional(), None);
}
