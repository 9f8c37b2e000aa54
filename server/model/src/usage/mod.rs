//! How a car is used, and what the days ahead bring.
//!
//! Each meter of a car has a [`UsageFilter`], stepped once for every whole day on the road: a long-run and a recent
//! level, the noise of the weeks, and a memory of idle spells. Three quantile lines, fitted on the windows of the fleet
//! that have ended ([`Record`]), turn these into an [`Outlook`]: how far the rate of such a car has drifted in this fleet,
//! in which direction, and how much of a recent change has stayed. A [`Week`] says what each weekday brings; time is
//! counted in mean days, and [`RoadDays`] turns these into dates. On the open utilisation data (flights of a year, the
//! hardest case at hand) it is this drift, common to the fleet, and not the noise of single days that makes a date
//! uncertain.

mod calendar;
mod change;
mod days;
mod filter;
mod fit;
mod logged;
mod outlook;
mod past;
#[cfg(test)]
mod tests;
mod told;
mod week;

use std::collections::BTreeMap;

use chrono::NaiveDate;
use chrono_tz::Tz;

use crate::duty::DutyDay;
use crate::fleet::OffRoad;
use crate::track::Track;

pub use calendar::RoadDays;
use change::Measure;
pub use change::{Change, Use};
pub use days::{Covered, Day, day_number, each_day};
pub use filter::{Brought, Features, Snapshot, Snapshots, UsageFilter};
pub use fit::{CHANCES, CUT_DAYS, CUTS, Coefficients, Fits, Record, Row, Terms};
pub use outlook::{Outlook, Reach};
use past::Gone;
pub use past::{Past, Walked};
pub use told::{Pace, Shifts, Told, Untold};
pub use week::Week;

/// How the usage model is set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// On-road days needed for a rate of its own.
    pub min_days: i64,
    /// Relative standard deviation of the rates of cars beside each other: how well a borrowed rate is known.
    pub borrowed_spread: f64,
    /// Metres a day assumed where not even the depot has a rate.
    pub assumed_metres_per_day: f64,
    /// Duty hours a day assumed there.
    pub assumed_hours_per_day: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            min_days: 7,
            borrowed_spread: 0.40,
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
    /// Its own readings before a told change, and the rate of its depot, to equal parts, while there are few since.
    Changed,
    /// The rate of its depot.
    Depot,
    /// A setting.
    Assumed,
    /// Shifts somebody told, while there are few days since.
    Told,
}

impl Basis {
    /// The basis in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Own => "own",
            Self::Changed => "changed",
            Self::Depot => "depot",
            Self::Assumed => "assumed",
            Self::Told => "told",
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

/// What is told about a car's use.
#[derive(Clone, Copy, Debug, Default)]
pub struct Plans<'a> {
    /// Stretches of days off the road.
    pub off_road: &'a [OffRoad],
    /// Changes of what the car is used for, in order.
    pub changes: &'a [Change],
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
    /// On-road days after `from` up to and including `to`, long gaps between readings left out.
    pub days_counted: i64,
    /// Median metres a day over the next sixty on-road days. It is that to any edge as long as the median line of the
    /// fit has no noise term, as by default; with one, [`Outlook::reach`] gives the days, and what is left over these
    /// days is the rate to that edge.
    pub metres_per_day: f64,
    /// Median duty hours a day, likewise.
    pub hours_per_day: f64,
    /// What the days ahead bring in metres.
    pub metres: Outlook,
    /// What they bring in duty hours.
    pub hours: Outlook,
    /// What each weekday brings of the distance; even where it rests on others.
    pub metres_week: Week,
    /// What each brings of the hours.
    pub hours_week: Week,
    /// What the car's distance has been like; `None` where it rests on others.
    pub metres_known: Option<Snapshot>,
    /// What its hours have been like.
    pub hours_known: Option<Snapshot>,
    /// The lines that turned these into an outlook.
    pub fits: Fits,
}

/// How the car is used, from all its whole days on the road so far.
///
/// The days are those of [`each_day`]; days before the first driven one do not count. With fewer than
/// [`Settings::min_days`] days, or without a duty log for the hours, the depot's rate stands in, and failing this the
/// assumed one; a longer but still short history is drawn towards it ([`Outlook::of`]). A car of which there are enough
/// readings, all of the same odometer, stands.
///
/// From a move to another depot on the car begins anew, with its weekdays as they were. What it did before is then no
/// more than a second opinion beside its new depot's rate: the two are believed alike, so their mean is the rate that
/// stands in and that a short history is drawn towards, known to [`Settings::borrowed_spread`] over the root of two.
/// Against days as uneven as their mean that is worth twelve days; after 45 the car stands for itself.
///
/// From told shifts on it begins anew too, with its weekdays as they were unless the days a week are told. What it did
/// before, at the told pace, stands in and is what a short history is drawn towards. Once told shifts end
/// ([`Use::Before`]) it is as it was before them: the days between say nothing of what it does else.
///
/// Changes after the last whole day count: the outlook is then that from the last of them on.
///
/// Where the past goes on from a [`Walked`] the answer is the same to the last bit as from all of it.
#[must_use]
pub fn estimate(past: &Past<'_>, prior: &Prior, settings: &Settings, fits: &Fits) -> Usage {
    let Gone { covered, mut metres, mut hours, .. } = past.walk(None);
    let (metres, hours) = (metres.finish(Measure::Metres), hours.finish(Measure::Hours));
    let own = covered.days >= settings.min_days.max(1);
    let basis = match prior.metres_per_day {
        _ if metres.is_told() => Basis::Told,
        _ if own && metres.is_moved() => Basis::Changed,
        _ if own => Basis::Own,
        Some(_) => Basis::Depot,
        None => Basis::Assumed,
    };
    let (metres_known, metres_ahead) = metres.outlook(own, prior, settings, &fits.metres);
    let (hours_known, hours_ahead) = hours.outlook(own, prior, settings, &fits.hours);
    Usage {
        basis,
        from: covered.from,
        to: covered.to,
        days_counted: covered.days,
        metres_per_day: metres_ahead.rate(),
        hours_per_day: hours_ahead.rate(),
        metres: metres_ahead,
        hours: hours_ahead,
        metres_week: metres.week(own),
        hours_week: hours.week(own),
        metres_known,
        hours_known,
        fits: *fits,
    }
}

/// Snapshots of both meters, of the metres and of the duty hours, at the ends of the day numbers `cuts`: what a fleet's
/// [`Record`] is made of.
#[must_use]
pub fn history(
    track: &Track,
    days: &BTreeMap<NaiveDate, DutyDay>,
    off_road: &[OffRoad],
    zone: Tz,
    cuts: &[i64],
) -> [Vec<Option<Snapshot>>; 2] {
    let (mut metres, mut hours) = (Snapshots::new(cuts), Snapshots::new(cuts));
    let (mut last, mut last_hours) = (i64::MIN, i64::MIN);
    each_day(track, days, &RoadDays::new(off_road), zone, |day| {
        metres.step(&day.metres());
        last = day.number;
        if let Some(brought) = day.hours() {
            hours.step(&brought);
            last_hours = day.number;
        }
    });
    [metres.finish(last), hours.finish(last_hours)]
}

/// The day numbers of the cuts of a record that ends with the day number `last`.
#[must_use]
pub fn cuts_until(last: i64) -> Vec<i64> {
    (0..CUTS as i64).rev().map(|back| last - CUT_DAYS * back).collect()
}
