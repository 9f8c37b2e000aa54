//! Single readings that are wrong, each with the name of its slip.

use super::*;
use crate::fleet::DistanceUnit;

/// A clean month at 100,000 km in which the reading of `day` is `bad` instead: it alone is set aside, with `reason`.
#[track_caller]
fn check_dirt(day: usize, bad: Reading, reason: Reason) {
    let mut readings = daily(0, 30, 100_000.0);
    readings[day] = bad;
    let track = judge(&readings);
    assert_eq!(verdict(&track, &bad), Verdict::SetAside(reason));
    assert_eq!(kept(&track), 29);
}

/// A month around 123,456 miles in whose middle the odometer is said to show `miles`.
#[track_caller]
fn check_miles(miles: i64, reason: Reason) {
    let mut readings = daily(0, 30, 123_456.0 * 1.609_344 - 15.0 * 300.0);
    let bad = Reading { odometer: DistanceUnit::Mile.to_metres(miles as f64).unwrap(), ..shows(15.0, 0.0) };
    readings[15] = bad;
    assert_eq!(verdict(&judge(&readings), &bad), Verdict::SetAside(reason), "{miles} for 123,456 miles");
}

#[test]
fn slips_of_the_hand() {
    check_dirt(10, shows(10.0, 10_300.0), Reason::DroppedDigit);
    check_dirt(10, shows(10.0, 1_093_000.0), Reason::AddedDigit);
    check_dirt(10, shows(10.0, 130_000.0), Reason::SwappedDigits); // 103,000
    check_dirt(6, shows(6.0, 108_100.0), Reason::SwappedDigits); // 101,800
    check_dirt(6, shows(6.0, 103_800.0), Reason::RunsBack); // 101,800 with one digit wrong: possible, then impossible
    check_dirt(25, shows(25.0, 100_750.0), Reason::RunsBack); // a zero too many and one digit less
}

#[test]
fn slips_are_found_in_the_unit_they_were_made_in() {
    check_miles(12_456, Reason::DroppedDigit);
    check_miles(23_456, Reason::DroppedDigit);
    check_miles(1_293_456, Reason::AddedDigit);
    check_miles(132_456, Reason::SwappedDigits);
    check_miles(124_356, Reason::SwappedDigits);
    check_miles(198_683, Reason::KmAsMiles);
    check_miles(76_712, Reason::MilesAsKm);
    check_miles(1_234_564, Reason::TenthsAsWhole);
    check_miles(170_000, Reason::RunsBack);
}

#[test]
fn wrong_units() {
    check_dirt(10, shows(10.0, 103_000.0 * 1.609_344), Reason::KmAsMiles);
    check_dirt(10, shows(10.0, 103_000.0 / 1.609_344), Reason::MilesAsKm);
    check_dirt(10, shows(10.0, 1_030_000.0), Reason::TenthsAsWhole);
    check_dirt(11, shows(11.0, 10_330.2), Reason::WholeAsTenths);
}

#[test]
fn wrong_clocks() {
    check_dirt(20, shows(19.0, 106_000.0), Reason::ClockOffDay); // a day slow
    check_dirt(20, shows(21.5, 106_000.0), Reason::ClockOffDay); // a day and a half fast
    check_dirt(29, shows(-2.0, 108_700.0), Reason::ClockOffMonth); // a month slow, before all others
    check_dirt(5, shows(25.5, 101_500.0), Reason::RunsBack); // three weeks fast
    check_dirt(20, shows(385.0, 106_000.0), Reason::ClockOffYear); // a year fast
    check_dirt(20, shows(200.0, 106_000.0), Reason::AheadOfClock); // half a year fast
}

#[test]
fn a_bad_first_reading_is_set_aside() {
    check_dirt(0, shows(0.0, 1_000_000.0), Reason::TenthsAsWhole);
    check_dirt(0, shows(0.0, 10_000.0), Reason::DroppedDigit);
    check_dirt(0, shows(0.0, 150_000.0), Reason::RunsBack);
    check_dirt(0, shows(0.0, 30_000.0), Reason::TooFast);
}

#[test]
fn at_the_end_the_likelier_of_two_is_believed() {
    check_dirt(29, shows(29.0, 107_000.0), Reason::RunsBack);
    check_dirt(28, shows(28.0, 111_000.0), Reason::RunsBack); // the one before the last ran ahead
    check_dirt(29, shows(29.0, 200_000.0), Reason::TooFast);
}
