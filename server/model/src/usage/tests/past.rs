//! Going on from where a walk stood is walking all of it.

use proptest::sample::Index;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;

use super::*;
use crate::track::{Judged, Reason, Verdict};

const TOLD_DAYS: Pattern = Pattern { days_per_week: Some(5.0), hours_per_day: None, rear_share: None };
const SAME_DAYS: Pattern = Pattern { days_per_week: None, ..TOLD_DAYS };

fn even() -> Prior {
    Prior { metres_per_day: Some(200_000.0), hours_per_day: Some(9.0) }
}

fn usage_of(past: &Past<'_>) -> Usage {
    estimate(past, &even(), &Settings::default(), &Fits::default())
}

fn shifts(pattern: Pattern, metres: f64) -> Use {
    Use::Shifts(Told { pattern, metres: Pace::Rate(metres), hours: Pace::Times(1.5) })
}

/// What is known of a car by some day.
#[derive(Clone, Debug)]
struct Car {
    track: Track,
    days: BTreeMap<NaiveDate, DutyDay>,
    off_road: Vec<OffRoad>,
    changes: Vec<Change>,
    zone: Tz,
}

impl Car {
    fn past(&self) -> Past<'_> {
        let plans = Plans { off_road: &self.off_road, changes: &self.changes };
        Past::new(&self.track, &self.days, plans, self.zone)
    }

    /// With no more than is asked for.
    fn since(&self, walked: &Walked) -> Self {
        let mut since = self.clone();
        since.track.judged.retain(|judged| judged.reading.at >= walked.at());
        since.days.retain(|day, _| *day >= walked.day());
        since
    }

    /// The estimate that goes on from where a walk stood.
    fn gone_on_from(&self, walked: &Walked) -> Option<Usage> {
        self.since(walked).past().after(walked).map(|past| usage_of(&past))
    }
}

/// Three years: read twice a day, driven on all days but Sundays, off the road for a fortnight each summer.
fn three_years() -> Car {
    let mut car = Car {
        track: working(no_sundays(0..1_000)),
        days: no_sundays(0..1_000)
            .map(|day| (date("2026-06-01") + Duration::days(day), 8.0 + (day % 3) as f64))
            .map(|(on, hours)| (on, DutyDay { hours, has_duty: true, driven: true, ..DutyDay::default() }))
            .collect(),
        off_road: (2026..2029).map(|year| off(&format!("{year}-08-01"), Some(&format!("{year}-08-14")))).collect(),
        changes: Vec::new(),
        zone: ZONE,
    };
    let change = |on: &str, to: Use| Change { on: date(on), to };
    car.changes = vec![
        change("2026-11-01", Use::Depot(even())),
        change("2027-03-01", shifts(TOLD_DAYS, 400_000.0)),
        change("2027-06-01", Use::Before),
        change("2028-01-01", shifts(SAME_DAYS, 250_000.0)),
        change("2029-02-10", Use::Depot(Prior::default())),
    ];
    car
}

#[test]
fn any_reading_of_an_ordinary_car_can_be_gone_on_from() {
    let car = three_years();
    let whole = usage_of(&car.past());
    assert_eq!((whole.from, whole.to), (Some(date("2026-06-01")), Some(date("2029-02-24"))));
    for judged in car.track.kept().step_by(17).chain(car.track.last()) {
        let walked = Walked::by(&car.past(), judged.reading.at).unwrap();
        assert_eq!(car.gone_on_from(&walked), Some(whole), "{}", judged.reading.at);
    }
}

#[test]
fn walking_on_in_steps_is_walking_at_once() {
    let car = three_years();
    let kept: Vec<_> = car.track.kept().map(|judged| judged.reading.at).collect();
    let mut walked = Walked::by(&car.past(), kept[0]).unwrap();
    for at in kept.into_iter().step_by(101) {
        walked = Walked::by(&car.since(&walked).past().after(&walked).unwrap(), at).unwrap();
        assert_eq!(walked, Walked::by(&car.past(), at).unwrap());
    }
    // What lies before where it stands is not there any more.
    assert_eq!(Walked::by(&car.past().after(&walked).unwrap(), noon(30) + Duration::hours(6)), None);
}

#[test]
fn what_is_told_of_later_days_and_how_much_is_told_of_earlier_ones_may_change() {
    let car = three_years();
    let walked = Walked::by(&car.past(), noon(700) + Duration::hours(6)).unwrap();
    let mut other = car.clone();
    for change in &mut other.changes {
        change.to = match change.to {
            Use::Depot(_) => Use::Depot(Prior { metres_per_day: Some(99_000.0), hours_per_day: None }),
            Use::Shifts(told) => shifts(told.pattern, 77_000.0),
            Use::Before => Use::Before,
        };
    }
    other.changes.truncate(4);
    other.off_road.push(off("2028-12-01", None));
    assert_eq!(other.gone_on_from(&walked), Some(usage_of(&other.past())));
    assert_ne!(usage_of(&other.past()), usage_of(&car.past()));
}

#[test]
fn a_past_that_may_not_lead_there_is_known() {
    let car = three_years();
    let (evening, day) = (noon(700) + Duration::hours(6), date("2028-05-01"));
    let walked = Walked::by(&car.past(), evening).unwrap();
    assert_eq!((walked.at(), walked.day()), (evening, day));
    let holds = |change: &dyn Fn(&mut Car)| {
        let mut other = car.clone();
        change(&mut other);
        other.gone_on_from(&walked).is_some()
    };
    assert!(holds(&|_| {}));
    // The reading is set aside, its odometer is another, and there is a second one.
    let reading = car.track.judged.iter().position(|judged| judged.reading.at == evening).unwrap();
    assert!(!holds(&|car| car.track.judged[reading].verdict = Verdict::SetAside(Reason::Ruled)));
    assert!(!holds(&|car| car.track.judged[reading].travelled = Some(Metres(1))));
    assert!(!holds(&|car| car.track.judged.insert(reading, car.track.judged[reading])));
    // The changes before are others.
    assert!(!holds(&|car| car.changes.truncate(1)));
    assert!(!holds(&|car| car.changes[1].to = shifts(SAME_DAYS, 400_000.0)));
    assert!(!holds(&|car| car.changes[1].on = date("2027-03-02")));
    let moves = |car: &mut Car, on: &str| car.changes.insert(4, Change { on: date(on), to: Use::Depot(even()) });
    assert!(!holds(&|car| moves(car, "2028-04-30")));
    assert!(holds(&|car| moves(car, "2028-05-01")));
    // A day's hours are of no matter before it is over, but whether the car was driven is.
    assert!(holds(&|car| car.days.get_mut(&day).unwrap().hours = 1.0));
    assert!(!holds(&|car| car.days.get_mut(&day).unwrap().driven = false));
    assert!(!holds(&|car| car.days.retain(|on, _| *on != day)));
}

#[test]
fn logs_that_come_in_where_there_were_no_more_say_another_thing_of_days_gone() {
    let (mut car, evening) = (three_years(), noon(700) + Duration::hours(6));
    let all = std::mem::take(&mut car.days);
    let until = |car: &mut Car, last: &str| car.days = all.range(..=date(last)).map(|(on, day)| (*on, *day)).collect();
    until(&mut car, "2028-04-20");
    let walked = Walked::by(&car.past(), evening).unwrap();
    assert_eq!(car.gone_on_from(&walked), Some(usage_of(&car.past())));
    car.days.insert(date("2028-05-20"), DutyDay { has_duty: true, ..DutyDay::default() });
    assert_eq!(car.gone_on_from(&walked), None);
    until(&mut car, "2028-12-01");
    assert_eq!(car.gone_on_from(&walked), None);
}

#[test]
fn a_reading_that_is_not_believed_or_not_alone_is_no_place_to_stand() {
    let mut car = three_years();
    assert_eq!(Walked::by(&car.past(), noon(700)), None);
    let evening = noon(700) + Duration::hours(6);
    let reading = car.track.judged.iter().position(|judged| judged.reading.at == evening).unwrap();
    car.track.judged.insert(reading, Judged { verdict: Verdict::Double, ..car.track.judged[reading] });
    assert_eq!(Walked::by(&car.past(), evening), None);
    car.track.judged.truncate(reading);
    assert_eq!(Walked::by(&car.past(), evening), None);
    assert_eq!(Walked::by(&Car { track: Track::default(), ..car }.past(), evening), None);
}

/// Readings of any kind: minutes since the one before, metres since, and what became of it.
fn some_track() -> impl Strategy<Value = Track> {
    let gap = prop_oneof![
        2 => Just(0_i64),
        1 => Just(1),
        6 => 1_i64..86_400,
        4 => Just(86_400_i64),
        4 => 86_400_i64..10 * 86_400,
        1 => 55 * 86_400_i64..70 * 86_400,
    ];
    let step = (gap, prop_oneof![Just(0_i64), 0_i64..900_000], 0..8_u8);
    (0_i64..86_400, proptest::collection::vec(step, 1..80)).prop_map(|(start, steps)| {
        let mut track = Track::default();
        let (mut at, mut travelled) = (noon(0) + Duration::seconds(start), 0);
        for (gap, metres, kind) in steps {
            at += Duration::seconds(gap);
            let verdict = match kind {
                0 => Verdict::SetAside(Reason::Ruled),
                1 => Verdict::NewCluster,
                _ if gap == 0 => Verdict::Double,
                _ => Verdict::Kept,
            };
            travelled += if verdict.is_kept() && gap > 0 { metres } else { 0 };
            let reading = Reading { at, odometer: Metres(travelled), source: 1, ruling: None };
            let travelled = verdict.is_kept().then_some(Metres(travelled));
            track.judged.push(Judged { reading, verdict, travelled });
        }
        track
    })
}

/// Duty days with gaps, some without a duty log.
fn some_days() -> impl Strategy<Value = BTreeMap<NaiveDate, DutyDay>> {
    let step = (prop_oneof![6 => Just(1_i64), 2 => 2_i64..12], 0.0_f64..16.0, 0..4_u8, 0..8_u8);
    (-20_i64..60, proptest::collection::vec(step, 0..120)).prop_map(|(start, steps)| {
        let mut on = date("2026-06-01") + Duration::days(start);
        let mut days = BTreeMap::new();
        for (gap, hours, driven, logged) in steps {
            on += Duration::days(gap);
            days.insert(on, DutyDay { hours, driven: driven > 0, has_duty: logged > 0, ..DutyDay::default() });
        }
        days
    })
}

fn some_changes() -> impl Strategy<Value = Vec<Change>> {
    let one = (-5_i64..250, 0..5_u8).prop_map(|(day, kind)| {
        let to = match kind {
            0 => Use::Depot(even()),
            1 => Use::Depot(Prior::default()),
            2 => shifts(TOLD_DAYS, 300_000.0),
            3 => shifts(SAME_DAYS, 90_000.0),
            _ => Use::Before,
        };
        Change { on: date("2026-06-01") + Duration::days(day), to }
    });
    proptest::collection::vec(one, 0..6).prop_map(|mut changes| {
        changes.sort_by_key(|change| change.on);
        changes
    })
}

fn some_car() -> impl Strategy<Value = Car> {
    let stretch = (-10_i64..250, -2_i64..20, 0..9_u8).prop_map(|(day, length, open)| {
        let from = date("2026-06-01") + Duration::days(day);
        OffRoad { from, to: (open > 0).then(|| from + Duration::days(length)) }
    });
    let off_road = proptest::collection::vec(stretch, 0..4);
    let zone = prop_oneof![Just(ZONE), Just(Tz::UTC), Just(Tz::Asia__Kolkata)];
    (some_track(), some_days(), off_road, some_changes(), zone).prop_map(|(track, days, off_road, changes, zone)| Car {
        track,
        days,
        off_road,
        changes,
        zone,
    })
}

/// What was known of a car by an earlier day, when it stood at the instant `at` of the local day `on`: some of the later
/// readings, logs and plans were still to come, or have been taken back since.
fn earlier(car: &Car, at: DateTime<Utc>, on: NaiveDate, known: &[bool]) -> Car {
    let mut earlier = car.clone();
    let mut known = known.iter().copied().cycle();
    let mut known = || known.next().unwrap_or(true);
    earlier.track.judged.retain(|judged| judged.reading.at <= at || known());
    earlier.days.retain(|day, _| *day < on || known());
    earlier.days.range_mut(on..).for_each(|(_, day)| day.hours += 1.0);
    earlier.changes.retain(|change| change.on < on || known());
    for change in &mut earlier.changes {
        change.to = match change.to {
            Use::Depot(_) => Use::Depot(Prior { metres_per_day: Some(1.0), hours_per_day: None }),
            Use::Shifts(told) => shifts(told.pattern, 1.0),
            Use::Before => Use::Before,
        };
    }
    earlier.off_road.retain(|stretch| stretch.from <= on || known());
    earlier
}

/// Whether a walk of the earlier day's past was gone on from. Where it was, the answer is that from all of it.
fn goes_on(car: &Car, pick: Index, known: &[bool]) -> Result<bool, TestCaseError> {
    let kept: Vec<_> = car.track.kept().map(|judged| judged.reading.at).collect();
    let Some(at) = (!kept.is_empty()).then(|| *pick.get(&kept)) else { return Ok(false) };
    let Some(walked) = Walked::by(&car.past(), at) else { return Ok(false) };
    let earlier = earlier(car, at, walked.day(), known);
    let then = Walked::by(&earlier.past(), at).unwrap();
    let whole = usage_of(&car.past());
    prop_assert_eq!(car.gone_on_from(&walked), Some(whole));
    let more = car.past().after(&then).map(|past| usage_of(&past));
    prop_assert_eq!(car.gone_on_from(&then), more);
    prop_assert!(more.is_none_or(|found| found == whole), "{:?} is not {:?}", more, whole);
    prop_assert!(more.is_none() || then == walked);
    Ok(more.is_some())
}

#[test]
fn mostly_it_can_be_gone_on_from() {
    let mut runner = TestRunner::deterministic();
    let cases = (some_car(), any::<Index>(), proptest::collection::vec(any::<bool>(), 1..40));
    let mut gone_on = 0;
    for _ in 0..300 {
        let (car, pick, known) = cases.new_tree(&mut runner).unwrap().current();
        gone_on += u32::from(goes_on(&car, pick, &known).unwrap());
    }
    assert!(gone_on > 150, "{gone_on} of 300");
}

proptest! {
    #[test]
    fn going_on_is_walking_all_of_it(
        car in some_car(),
        pick in any::<Index>(),
        known in proptest::collection::vec(any::<bool>(), 1..40),
    ) {
        goes_on(&car, pick, &known)?;
    }

    #[test]
    fn going_on_twice_is_walking_all_of_it(car in some_car(), one in any::<Index>(), other in any::<Index>()) {
        let kept: Vec<_> = car.track.kept().map(|judged| judged.reading.at).collect();
        prop_assume!(!kept.is_empty());
        let (first, second) = (*one.get(&kept).min(other.get(&kept)), *one.get(&kept).max(other.get(&kept)));
        let (Some(walked), at_once) = (Walked::by(&car.past(), first), Walked::by(&car.past(), second)) else {
            return Ok(());
        };
        let since = car.since(&walked);
        prop_assert_eq!(Walked::by(&since.past().after(&walked).unwrap(), second), at_once);
    }
}
