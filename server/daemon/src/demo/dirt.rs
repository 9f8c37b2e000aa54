//! What befalls true readings on their way: slips, wrong clocks, doubles, gaps.

use chrono::{DateTime, Months, TimeDelta, Utc};
use ventmile_model::fleet::DistanceUnit;

use super::random::SplitMix64;
use super::tables::{DirtRow, Kind, Source, is_within};

/// An odometer reading on its way to the log.
#[derive(Clone, Debug)]
pub struct Reading {
    pub unit: String,
    /// Days before today of the duty day it belongs to.
    pub ago: u32,
    /// When it was truly taken: the order in which rows arrive.
    pub taken: DateTime<Utc>,
    /// When the sender's clock says it was taken.
    pub at: DateTime<Utc>,
    pub odometer: f64,
    pub distance_unit: DistanceUnit,
    pub source: Source,
    /// Whether it arrives after everything else.
    pub late: bool,
}

/// Whether a log of one day is missing for one of the reasons in `kinds`.
#[must_use]
pub fn is_missing(dirt: &[&DirtRow], ago: u32, kinds: &[Kind]) -> bool {
    dirt.iter().any(|row| kinds.contains(&row.kind) && row.covers(ago))
}

/// Lets the dirt of one car befall its readings.
pub fn soil(readings: &mut Vec<Reading>, dirt: &[&DirtRow]) {
    for row in dirt {
        match row.kind {
            Kind::SilentSince | Kind::MissingReadings => {
                readings.retain(|reading| !(row.concerns(reading.source) && row.covers(reading.ago)));
            }
            Kind::Doubled => {
                let doubles: Vec<_> = row.hits(readings).into_iter().map(|reading| reading.clone()).collect();
                readings.extend(doubles);
            }
            _ => row.hits(readings).into_iter().for_each(|reading| row.spoil(reading)),
        }
    }
}

/// Mistypes about one fuel-card reading in sixty; the tables do not list these.
pub fn mistype_now_and_then(reading: &mut Reading, draws: &mut SplitMix64) {
    const SLIPS: [Kind; 3] = [Kind::DroppedDigit, Kind::AddedDigit, Kind::SwappedDigits];
    if reading.source != Source::FuelCard || !draws.chance(1.0 / 60.0) {
        return;
    }
    let place = draws.between(1.0, 5.0) as usize;
    if let Some(slip) = draws.pick(&SLIPS) {
        reading.odometer = mistyped(reading.odometer, *slip, place);
    }
}

impl DirtRow {
    fn covers(&self, ago: u32) -> bool {
        match self.kind {
            Kind::SilentSince => ago < self.days_ago,
            _ => is_within(ago, self.days_ago, self.days),
        }
    }

    fn concerns(&self, source: Source) -> bool {
        self.source.is_none_or(|own| own == source)
    }

    /// The readings it befalls: those of its days, or else the last one on or before its day.
    fn hits<'a>(&self, readings: &'a mut [Reading]) -> Vec<&'a mut Reading> {
        let concerned = readings.iter_mut().filter(|reading| self.concerns(reading.source));
        match self.days {
            Some(_) => concerned.filter(|reading| self.covers(reading.ago)).collect(),
            None => concerned
                .filter(|reading| reading.ago >= self.days_ago)
                .min_by_key(|reading| reading.ago)
                .into_iter()
                .collect(),
        }
    }

    fn spoil(&self, reading: &mut Reading) {
        match self.kind {
            Kind::DroppedDigit | Kind::AddedDigit | Kind::SwappedDigits => {
                reading.odometer = mistyped(reading.odometer, self.kind, 1);
            }
            Kind::KmAsMiles => reading.odometer = tenths(reading.odometer * KM_PER_MILE),
            Kind::MilesAsKm => reading.odometer = tenths(reading.odometer / KM_PER_MILE),
            Kind::Tenths => reading.odometer = (reading.odometer * 10.0).round(),
            Kind::ClockDay => reading.at -= TimeDelta::days(1),
            Kind::ClockMonth => reading.at = reading.at - Months::new(1),
            Kind::ClockYear => reading.at = reading.at - Months::new(12),
            Kind::Late => reading.late = true,
            Kind::ExchangedWith => reading.unit.clone_from(self.value.as_ref().unwrap_or(&self.unit)),
            // A new cluster shows on the car itself; the rest leave rows out or repeat them.
            Kind::NewCluster
            | Kind::Doubled
            | Kind::MissingReadings
            | Kind::MissingDuty
            | Kind::MissingSeat
            | Kind::SilentSince => {}
        }
    }
}

const KM_PER_MILE: f64 = 1.609_344;

fn tenths(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

/// `odometer` in whole units with a slip at its `place`th digit from the left, counted from zero.
fn mistyped(odometer: f64, slip: Kind, place: usize) -> f64 {
    let mut digits: Vec<char> = format!("{odometer:.0}").chars().collect();
    let place = place.min(digits.len().saturating_sub(1));
    match slip {
        Kind::DroppedDigit if digits.len() > 1 => {
            digits.remove(place);
        }
        Kind::AddedDigit => {
            let twice = digits.get(place).copied();
            twice.into_iter().for_each(|digit| digits.insert(place, digit));
        }
        Kind::SwappedDigits => swap_from(&mut digits, place),
        _ => {}
    }
    digits.into_iter().collect::<String>().parse().unwrap_or(odometer)
}

/// Swaps the first two neighbours from `place` on that differ.
fn swap_from(digits: &mut [char], place: usize) {
    let uneven = digits.windows(2).skip(place).position(|pair| pair.first() != pair.last());
    if let Some(after) = uneven {
        digits.swap(place + after, place + after + 1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(slip: Kind, place: usize, odometer: f64, expected: f64) {
        assert_eq!(mistyped(odometer, slip, place), expected);
    }

    #[test]
    fn slips_of_the_hand() {
        check(Kind::DroppedDigit, 1, 123_456.0, 13_456.0);
        check(Kind::DroppedDigit, 9, 123_456.0, 12_345.0);
        check(Kind::DroppedDigit, 1, 7.0, 7.0);
        check(Kind::AddedDigit, 1, 123_456.0, 1_223_456.0);
        check(Kind::SwappedDigits, 1, 123_456.0, 132_456.0);
        check(Kind::SwappedDigits, 1, 122_256.0, 122_526.0);
        check(Kind::SwappedDigits, 3, 1_222.0, 1_222.0);
    }
}
