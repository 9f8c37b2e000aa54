//! How far a car goes in a day, and how sure that is.

mod calendar;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use chrono::{Duration, NaiveDate};
use chrono_tz::Tz;

use crate::duty::DutyDay;
use crate::fleet::{OffRoad, local_day};
use crate::track::{Judged, Track};

pub use calendar::RoadDays;

/// How the usage model is set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// How far back from the last kept reading the car's own rate is taken.
    pub window_days: i64,
    /// On-road days needed for a rate of its own.
    pub min_days: i64,
    /// Relative standard deviation by which the daily rate of a known car drifts.
    pub rate_spread: f64,
    /// The same for a car whose rate is borrowed.
    pub rate_spread_prior: f64,
    /// Metres a day assumed where not even the depot has a rate.
    pub assumed_metres_per_day: f64,
    /// Duty hours a day assumed there.
    pub assumed_hours_per_day: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            window_days: 56,
            min_days: 7,
            rate_spread: 0.15,
            rate_spread_prior: 0.40,
            assumed_metres_per_day: 150.0 * 1_609.344,
            assumed_hours_per_day: 8.0,
        }
    }
}

/// What a rate rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// The car's own readings.
    Own,
    /// The rate of its depot.
    Depot,
    /// A setting.
    Assumed,
}

impl Basis {
    /// The basis in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Own => "own",
            Self::Depot => "depot",
            Self::Assumed => "assumed",
        }
    }
}

/// The rates of the car's depot, where it has any.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Prior {
    /// Metres per on-road day.
    pub metres_per_day: Option<f64>,
    /// Duty hours per on-road day.
    pub hours_per_day: Option<f64>,
}

/// How a car is used. A day here is an on-road day: any calendar day, days off included, that is not told to be off
/// the road.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Usage {
    /// What the distance rate rests on.
    pub basis: Basis,
    /// Local day of the first reading used.
    pub from: Option<NaiveDate>,
    /// Local day of the last reading used.
    pub to: Option<NaiveDate>,
    /// On-road days after `from` up to and including `to`.
    pub days_counted: i64,
    /// Metres per day.
    pub metres_per_day: f64,
    /// Standard deviation of one day's metres.
    pub metres_sd: f64,
    /// Duty hours per day.
    pub hours_per_day: f64,
    /// Standard deviation of one day's duty hours.
    pub hours_sd: f64,
    /// Relative standard deviation of the rates themselves: they drift, and are known from few days.
    pub rate_spread: f64,
}

/// Fewer increments than this say nothing about the spread of a day.
const MIN_INCREMENTS: usize = 3;

/// Standard deviation of one day, as a share of its mean, where the car's own is not known.
const USUAL_SPREAD: f64 = 0.5;

/// Least standard deviation of one day, as a share of its mean.
const LEAST_SPREAD: f64 = 0.05;

/// An increment over less of an on-road day than this is no increment.
const LEAST_DAYS: f64 = 0.25;

/// How the car is used, from the last [`Settings::window_days`] days before its last kept reading.
///
/// `metres_per_day = (travelled(to) - travelled(from)) / days_counted`, where `from` and `to` are the local days of the
/// first and the last kept reading in the window. The variance of one day's metres is
/// `sum((d_k - m D_k)^2 / D_k) / (K - 1)` over the K increments `d_k` between the last readings of one local day and
/// the next that has any, `D_k` elapsed days apart: the estimator of the variance per day of a walk with independent
/// increments and a known mean. It is at least (5 % of the mean)², and (50 % of the mean)² below three increments.
///
/// Hours are the mean and the standard deviation of the duty days' hours over the same on-road days, up to the last day
/// with a duty log: logs of later days are still to come. A day without a log within them counts as zero hours.
/// Where the car has too few days or no duty log among them, the depot's rates apply, and failing these the assumed ones.
#[must_use]
pub fn estimate(
    track: &Track,
    days: &BTreeMap<NaiveDate, DutyDay>,
    off_road: &[OffRoad],
    zone: Tz,
    prior: &Prior,
    settings: &Settings,
) -> Usage {
    let road = RoadDays::new(off_road);
    let readings = daily(track, zone, settings.window_days);
    let span = readings.first().zip(readings.last());
    let counted = span.map_or(0, |(first, last)| road.between(first.day, last.day));
    let own = span.filter(|_| counted >= settings.min_days.max(1));
    let (metres_per_day, metres_sd, basis) = match own {
        Some((first, last)) => {
            let mean = (last.metres - first.metres) / counted as f64;
            (mean, metres_sd(&readings, &road, mean), Basis::Own)
        }
        None => {
            let basis = if prior.metres_per_day.is_some() { Basis::Depot } else { Basis::Assumed };
            let mean = prior.metres_per_day.unwrap_or(settings.assumed_metres_per_day);
            (mean, USUAL_SPREAD * mean, basis)
        }
    };
    let (hours_per_day, hours_sd) =
        own.and_then(|(first, last)| hours(days, &road, first.day, last.day)).unwrap_or_else(|| {
            let mean = prior.hours_per_day.unwrap_or(settings.assumed_hours_per_day);
            (mean, USUAL_SPREAD * mean)
        });
    Usage {
        basis,
        from: span.map(|(first, _)| first.day),
        to: span.map(|(_, last)| last.day),
        days_counted: counted,
        metres_per_day,
        metres_sd,
        hours_per_day,
        hours_sd,
        rate_spread: if basis == Basis::Own { settings.rate_spread } else { settings.rate_spread_prior },
    }
}

/// A kept reading: the first of the window, or the last of its local day.
struct Daily {
    day: NaiveDate,
    /// Days since the window's first reading, with their fraction.
    elapsed: f64,
    metres: f64,
}

fn daily(track: &Track, zone: Tz, window_days: i64) -> Vec<Daily> {
    let Some(last) = track.last() else { return Vec::new() };
    let start = Duration::try_days(window_days).and_then(|window| last.reading.at.checked_sub_signed(window));
    let window = track.kept().filter(|judged| start.is_none_or(|start| judged.reading.at >= start));
    let mut readings: Vec<Daily> = Vec::new();
    let mut origin = None;
    for Judged { reading, travelled, .. } in window {
        let origin = *origin.get_or_insert(reading.at);
        let day = local_day(reading.at, zone);
        let elapsed = (reading.at - origin).num_seconds() as f64 / 86_400.0;
        let metres = travelled.unwrap_or_default().as_f64();
        if readings.len() > 1 {
            readings.pop_if(|before| before.day == day);
        }
        readings.push(Daily { day, elapsed, metres });
    }
    readings
}

fn metres_sd(readings: &[Daily], road: &RoadDays, mean: f64) -> f64 {
    let terms: Vec<f64> = readings
        .iter()
        .zip(readings.iter().skip(1))
        .filter_map(|(before, after)| {
            let calendar = (after.day - before.day).num_days();
            let off_road = calendar - road.between(before.day, after.day);
            let length = after.elapsed - before.elapsed - off_road as f64;
            let excess = after.metres - before.metres - mean * length;
            (calendar > 0 && length >= LEAST_DAYS).then(|| excess * excess / length)
        })
        .collect();
    if terms.len() < MIN_INCREMENTS {
        return USUAL_SPREAD * mean;
    }
    let variance = terms.iter().sum::<f64>() / (terms.len() - 1) as f64;
    libm::sqrt(variance).max(LEAST_SPREAD * mean)
}

/// Mean and standard deviation of the hours of an on-road day after `from`, up to `to`.
fn hours(days: &BTreeMap<NaiveDate, DutyDay>, road: &RoadDays, from: NaiveDate, to: NaiveDate) -> Option<(f64, f64)> {
    let range = from.succ_opt().filter(|first| *first <= to)?..=to;
    let logged = || days.range(range.clone()).filter(|(day, _)| !road.is_off(**day));
    let last = logged().rfind(|(_, day)| day.has_duty).map(|(date, _)| *date)?;
    let counted = road.between(from, last) as f64;
    let known = || logged().take_while(|(date, _)| **date <= last).map(|(_, day)| day.hours);
    let mean = known().sum::<f64>() / counted;
    if counted < MIN_INCREMENTS as f64 {
        return Some((mean, USUAL_SPREAD * mean));
    }
    let without_log = counted - known().count() as f64;
    let squares = known().map(|hours| (hours - mean) * (hours - mean)).sum::<f64>() + without_log * mean * mean;
    Some((mean, libm::sqrt(squares / (counted - 1.0)).max(LEAST_SPREAD * mean)))
}
