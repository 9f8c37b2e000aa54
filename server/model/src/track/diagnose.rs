//! What happened to a reading that is set aside: which slip, once undone, puts it where the car was.
//!
//! The believed readings around an instant give a normal distribution of what the odometer showed. Each slip is
//! weighed by the density of what it says was meant, times the share of such slips that give just this value. The
//! heaviest is named, if it outweighs a value out of the blue.

use chrono::{DateTime, Days, Months, Utc};

use super::Reason;
use super::bounds::{Bounds, Point, seconds};
use super::chain::Label;
use super::digits;
use super::rate::DAY;
use crate::fleet::DistanceUnit;

/// An error out of the blue of `e` metres has the density `1 / (50 e)` per metre: errors between 1 and 500,000 km are
/// as likely in each doubling (`1 / (2 ln(500,000) e)` counts both signs), and as likely as one kind of slip or two.
const OUT_OF_THE_BLUE: f64 = 1.0 / 50.0;
/// The error assumed out of the blue where no reading is believed, metres.
const WORST_ERROR: f64 = 500_000_000.0;
/// How far in standard deviations what was meant may lie from where the car is expected.
const FITS: f64 = 4.0;
/// Few odometers are typed in with their tenths.
const TENTHS_TYPED: f64 = 0.1;
/// A change of clock beyond the ends of the believed readings says little after so many days.
const BEYOND_DAYS: f64 = 45.0;

/// The readings believed, in order.
pub(super) struct Believed<'a> {
    pub(super) labels: Vec<&'a Label>,
    pub(super) bounds: &'a Bounds,
}

/// Where the odometer is expected: normal within hard edges, all in metres.
#[derive(Clone, Copy)]
struct Expected {
    mean: f64,
    deviation: f64,
    least: f64,
    most: f64,
}

impl Expected {
    /// Density per metre at `odometer`.
    fn density(&self, odometer: f64) -> f64 {
        let z = (odometer - self.mean) / self.deviation;
        if odometer < self.least || odometer > self.most || z.abs() > FITS {
            return 0.0;
        }
        libm::exp(-z * z / 2.0) / (self.deviation * libm::sqrt(2.0 * std::f64::consts::PI))
    }
}

impl Believed<'_> {
    /// Where the odometer is expected `at` seconds: one answer, or one for either count around a cluster change.
    fn expected(&self, at: f64) -> [Option<Expected>; 2] {
        let next = self.labels.partition_point(|label| label.point.seconds <= at);
        let before = next.checked_sub(1).and_then(|last| self.labels.get(last)).copied();
        let after = self.labels.get(next).copied();
        match (before, after) {
            (Some(before), Some(after)) if !after.jump => [Some(self.between(before, after, at)), None],
            _ => [before.map(|before| self.onward(before, at)), after.map(|after| self.backward(after, at))],
        }
    }

    /// Linear between two readings of one count; its variance is that of a bridge, `v1 v2 / (v1 + v2)`.
    fn between(&self, before: &Label, after: &Label, at: f64) -> Expected {
        let (since, until) = (at - before.point.seconds, after.point.seconds - at);
        let share = since / (since + until).max(1.0);
        let first = before.rate.deviation(since / DAY, self.bounds.slack);
        let second = before.rate.deviation(until / DAY, self.bounds.slack);
        Expected {
            mean: before.point.odometer + share * (after.point.odometer - before.point.odometer),
            deviation: first * second / libm::hypot(first, second),
            least: before.point.odometer - self.bounds.slack,
            most: after.point.odometer + self.bounds.slack,
        }
    }

    fn onward(&self, before: &Label, at: f64) -> Expected {
        let since = at - before.point.seconds;
        Expected {
            mean: before.point.odometer + before.rate.expected(since / DAY),
            deviation: before.rate.deviation(since / DAY, self.bounds.slack),
            least: before.point.odometer - self.bounds.slack,
            most: before.point.odometer + self.bounds.speed * since + self.bounds.slack,
        }
    }

    fn backward(&self, after: &Label, at: f64) -> Expected {
        let until = after.point.seconds - at;
        Expected {
            mean: after.point.odometer - after.rate.expected(until / DAY),
            deviation: after.rate.deviation(until / DAY, self.bounds.slack),
            least: (after.point.odometer - self.bounds.speed * until - self.bounds.slack).max(0.0),
            most: after.point.odometer + self.bounds.slack,
        }
    }

    /// Where the odometer is expected `at` seconds, if that is not too far beyond the readings to say.
    fn known(&self, at: f64) -> Where {
        let first = self.labels.first().map_or(at, |label| label.point.seconds);
        let last = self.labels.last().map_or(at, |label| label.point.seconds);
        let beyond = at < first - BEYOND_DAYS * DAY || at > last + BEYOND_DAYS * DAY;
        Where(if beyond { [None; 2] } else { self.expected(at) })
    }

    /// The slip that explains `point`, which is set aside; `None` when none does.
    pub(super) fn diagnose(&self, point: &Point, at: DateTime<Utc>) -> Option<Reason> {
        let here = self.known(point.seconds);
        let mut weights = clocks(self, point, at, false);
        weights.extend(ratios(point.odometer, &here));
        weights.extend(slips(point.odometer, &here));
        heaviest(weights, self.out_of_the_blue(point))
    }

    /// The clock error that explains a reading from the future.
    pub(super) fn diagnose_ahead(&self, point: &Point, at: DateTime<Utc>) -> Option<Reason> {
        heaviest(clocks(self, point, at, true), self.out_of_the_blue(point))
    }

    /// Density of the value of `point` if nothing explains it, per metre.
    fn out_of_the_blue(&self, point: &Point) -> f64 {
        let expected = self.expected(point.seconds);
        let errors = expected.iter().flatten().map(|expected| (point.odometer - expected.mean).abs());
        OUT_OF_THE_BLUE / errors.fold(WORST_ERROR, f64::min).max(self.bounds.slack).max(1.0)
    }
}

/// Where the odometer is expected at an instant: around a cluster change on either count.
struct Where([Option<Expected>; 2]);

impl Where {
    /// Density per metre at `odometer`.
    fn density(&self, odometer: f64) -> f64 {
        self.0.iter().flatten().map(|expected| expected.density(odometer)).fold(0.0, f64::max)
    }
}

fn heaviest(weights: Vec<(Reason, f64)>, out_of_the_blue: f64) -> Option<Reason> {
    let best = weights.into_iter().max_by(|one, other| one.1.total_cmp(&other.1))?;
    (best.1 > out_of_the_blue).then_some(best.0)
}

/// The weights of clock errors: the value is right for another time, which is earlier when `ahead`.
fn clocks(believed: &Believed<'_>, point: &Point, at: DateTime<Utc>, ahead: bool) -> Vec<(Reason, f64)> {
    let months = |count| [at.checked_sub_months(Months::new(count)), at.checked_add_months(Months::new(count))];
    let days = [at.checked_sub_days(Days::new(1)), at.checked_add_days(Days::new(1))];
    let kinds = [(Reason::ClockOffDay, days), (Reason::ClockOffMonth, months(1)), (Reason::ClockOffYear, months(12))];
    let weigh = |(reason, [early, late]): (Reason, [Option<DateTime<Utc>>; 2])| {
        let times = [early, late.filter(|_| !ahead)];
        let density = |at: DateTime<Utc>| believed.known(seconds(at.timestamp_millis())).density(point.odometer);
        (reason, times.into_iter().flatten().map(density).sum::<f64>() / 2.0)
    };
    kinds.into_iter().map(weigh).collect()
}

/// The weights of wrong units. What was meant was a whole number, but for tenths: ten times as many could be meant.
fn ratios(odometer: f64, here: &Where) -> [(Reason, f64); 4] {
    let mile = DistanceUnit::Mile.metres() / DistanceUnit::Kilometre.metres();
    [
        (Reason::KmAsMiles, here.density(odometer / mile)),
        (Reason::MilesAsKm, here.density(odometer * mile)),
        (Reason::TenthsAsWhole, here.density(odometer / 10.0) / 10.0),
        (Reason::WholeAsTenths, here.density(odometer * 10.0)),
    ]
}

/// The weights of slips of the hand, in whole miles or kilometres or their tenths: which it was is not stored.
fn slips(odometer: f64, here: &Where) -> Vec<(Reason, f64)> {
    let units = [DistanceUnit::Mile, DistanceUnit::Kilometre];
    let typed = units.into_iter().flat_map(|unit| [(unit.metres(), 1.0), (unit.metres() / 10.0, TENTHS_TYPED)]);
    typed
        .filter_map(|(step, share)| Some((step, share, digits::digits(whole(odometer, step)?)?)))
        .flat_map(|(step, share, digits)| {
            let places = digits.len() as f64;
            let sum = |numbers: &mut dyn Iterator<Item = u64>| -> f64 {
                numbers.map(|number| here.density(number as f64 * step)).sum::<f64>() * share
            };
            [
                (Reason::DroppedDigit, sum(&mut digits::with_one_more(&digits)) / (places + 1.0)),
                (Reason::AddedDigit, sum(&mut digits::with_one_less(&digits)) / (places * 10.0)),
                (Reason::SwappedDigits, sum(&mut digits::with_neighbours_swapped(&digits)) / (places - 1.0).max(1.0)),
            ]
        })
        .collect()
}

/// How many of `step` metres `odometer` is, if that is a whole number but for the rounding to metres.
fn whole(odometer: f64, step: f64) -> Option<u64> {
    let count = (odometer / step).round();
    (count > 0.0 && (count * step - odometer).abs() <= 0.51).then_some(count as u64)
}
