//! What a car's old rows have left in memory, so that a new reading costs the same however long they reach back.
//!
//! A recast of a car with years of logs needs few of them: what lies before its last fan service speaks only through the chain
//! of its odometer, the filters of its use, the course of its grade, and the mean of all its days. [`Past`] holds
//! these as they stood at one believed reading, months ago; a recast goes on from there with the rows since, and comes to
//! the very same. Where it cannot be sure to, [`Memory::is_in_doubt`] says so, and the car is read from all its rows.
//!
//! It is no second truth: it is never looked at once a row before it has changed (see the store's books), is made anew
//! from all rows every two months, and every question that somebody asks is answered from all rows.

use std::cell::Cell;
use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use ventmile_model::duty::{self, DutyDay, Grading};
use ventmile_model::fleet::{CodeLog, CodeReport, Metres, OffRoad, Reading, TroubleCode, day_start};
use ventmile_model::track::{self, Root, Track};
use ventmile_model::usage::{self, Plans, Walked};

use super::assess::{Assessment, CountsFrom, all_readings, day_of, with_days_before_service};
use super::limits::{duty_settings, track_limits};
use super::packs::fan_services;
use crate::config::Settings;
use crate::store::{CarLogs, DailyMetres, PastForecast, Remembered};

/// Another number wherever the model makes something else of the same rows: nothing goes on from what an older program left.
const FORM: u32 = 1;

/// Nothing is remembered of the last two months: most that comes late, or turns a chain, comes within these.
const BEHIND_DAYS: u64 = 60;

/// Days before a service, a told plan or an open forecast that must be known one by one.
const BEFORE_DAYS: u64 = 3;

/// Within so many days there should be a believed reading.
const ROOT_DAYS: u64 = 15;

/// Believed readings are kept for so many days before it, or a window of duty: the forecast of the recent past looks as
/// far back.
const KEPT_DAYS: u64 = 42;

/// Where fewer days than these would be spared, there is nothing to remember.
const WORTH_DAYS: i64 = 60;

/// What a car's rows up to a believed reading have left in memory.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Past {
    root: Root,
    walked: Walked,
    duty: duty::Past,
    daily: Daily,
    /// From this instant on all believed readings are there.
    kept_from: DateTime<Utc>,
    /// Of what else it rests on.
    grounds: [u8; 32],
}

/// What a day brought in the mean, in metres, and how evenly, by the recurrence of B. P. Welford (1962; from memory).
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Daily {
    days: f64,
    mean: f64,
    squares: f64,
    /// The last midnight, and how far the car had gone by then.
    last: Option<(NaiveDate, Metres)>,
}

impl Daily {
    /// Counts the days up to the one that begins with the midnight of `day`, by when the car had gone so far.
    pub(super) fn step(&mut self, day: NaiveDate, travelled: Metres) {
        if let Some((_, before)) = self.last.replace((day, travelled)) {
            let metres = (travelled - before).as_f64();
            self.days += 1.0;
            let off = metres - self.mean;
            self.mean += off / self.days;
            self.squares += off * (metres - self.mean);
        }
    }

    /// The last midnight counted.
    pub(super) fn last_day(&self) -> Option<NaiveDate> {
        self.last.map(|(day, _)| day)
    }

    /// Mean and standard deviation of a day's metres; `None` of fewer than two days.
    pub(super) fn mean_and_sd(&self) -> Option<DailyMetres> {
        (self.days >= 2.0).then(|| DailyMetres { mean: self.mean, sd: (self.squares / (self.days - 1.0)).sqrt() })
    }
}

/// What is remembered of a car while it is assessed, if anything is.
#[derive(Debug, Default)]
pub struct Memory {
    past: Option<Past>,
    in_doubt: Cell<bool>,
}

impl Memory {
    /// What is remembered of a car as it was read.
    pub(super) fn of(logs: &CarLogs, settings: &Settings) -> Self {
        let Some(remembered) = &logs.remembered else { return Self::default() };
        let past = postcard::from_bytes(&remembered.body).ok();
        let past = past.filter(|past: &Past| past.grounds == grounds(logs, past.root.at(), settings));
        Self { in_doubt: Cell::new(past.is_none()), past }
    }

    /// Whether the assessment may be another one by rows that were not read.
    pub(super) fn is_in_doubt(&self) -> bool {
        self.in_doubt.get()
    }

    /// What was remembered, once nothing more is asked of it.
    pub(super) fn into_past(self) -> Option<Past> {
        self.past
    }

    /// `by_past`, or `otherwise` where nothing is remembered, or where that does not do.
    fn or_doubt<T>(&self, by_past: impl FnOnce(&Past) -> Option<T>, otherwise: impl FnOnce() -> T) -> T {
        let Some(past) = &self.past else { return otherwise() };
        by_past(past).unwrap_or_else(|| {
            self.in_doubt.set(true);
            otherwise()
        })
    }

    pub(super) fn track(&self, logs: &CarLogs, now: DateTime<Utc>, settings: &Settings) -> Track {
        let (readings, limits) = (all_readings(logs), track_limits(settings, &logs.vehicle_type, &logs.trust));
        self.or_doubt(|past| past.root.grown(&readings, &limits, now), || track::clean(&readings, &limits, now))
    }

    pub(super) fn grade(
        &self,
        days: &BTreeMap<NaiveDate, DutyDay>,
        off_road: &[OffRoad],
        still: impl Fn(NaiveDate, NaiveDate) -> bool,
        since: Option<NaiveDate>,
        today: NaiveDate,
        settings: &duty::Settings,
    ) -> Grading {
        self.or_doubt(
            |past| duty::grade_from(&past.duty, days, off_road, &still, since, today, settings),
            || duty::grade(days, off_road, &still, since, today, settings),
        )
    }

    pub(super) fn usage<'a>(&'a self, all: usage::Past<'a>) -> usage::Past<'a> {
        match &self.past {
            None => all,
            Some(past) => all.after(&past.walked).unwrap_or_else(|| {
                self.in_doubt.set(true);
                all
            }),
        }
    }

    /// Something is asked about the instant `at`.
    pub(super) fn ask(&self, at: DateTime<Utc>) {
        if self.past.as_ref().is_some_and(|past| at <= past.root.at()) {
            self.in_doubt.set(true);
        }
    }
}

impl Assessment {
    /// Whether it is what all rows of the car say, and so is all that a recast makes of it; `open` are its forecasts whose
    /// outcome is still to be seen.
    #[must_use]
    pub fn is_sure(&self, logs: &CarLogs, open: &[PastForecast]) -> bool {
        !self.in_doubt && self.past.as_ref().is_none_or(|past| past.serves(logs, self, open))
    }
}

impl Past {
    /// What the rows of a car leave behind, which were all read, and the first day from which on they still have to be: `None`
    /// where nothing is spared, and where the days before its last fan service are not known well enough to be
    /// left at that. `open` are its forecasts whose outcome is still to be seen.
    #[must_use]
    pub fn remembered(
        logs: &CarLogs,
        assessment: &Assessment,
        open: &[PastForecast],
        now: DateTime<Utc>,
        settings: &Settings,
    ) -> Option<Remembered> {
        if logs.retired || logs.remembered.is_some() {
            return None;
        }
        let duty = duty_settings(settings);
        let (track, days) = (&assessment.track, &assessment.days);
        let by = boundary(logs, assessment, open, duty.log_grace_days)?;
        let before = |days: u64| Some(day_start(by.checked_sub_days(Days::new(days))?, logs.zone));
        let kept_from = before(ROOT_DAYS + KEPT_DAYS.max(duty.window_days.unsigned_abs() + BEFORE_DAYS))?;
        if track.first()?.reading.at + TimeDelta::days(WORTH_DAYS) > kept_from {
            return None;
        }
        let (readings, limits) = (all_readings(logs), track_limits(settings, &logs.vehicle_type, &logs.trust));
        let root = Root::find(&readings, &limits, now, (kept_from, before(0)?), &events(logs, kept_from))?;
        if root.at() < before(ROOT_DAYS)? {
            return None;
        }
        let plans = Plans { off_road: &logs.off_road, changes: &assessment.changes };
        let walked = Walked::by(&usage::Past::new(track, days, plans, logs.zone), root.at())?;
        // The windows of the days before the root's are seen to have stood still, or not, by the root at the latest.
        let graded_by = walked.day().min(day_of(logs, root.at())).checked_sub_days(Days::new(2))?;
        let still = |from, to| track.stood_still(from, to, logs.zone) == Some(true);
        let (off_road, today) = (with_days_before_service(logs), assessment.today);
        let graded = duty::Past::new(days, &off_road, still, graded_by, today, &duty)?;
        // The logs of a night may belong to the day before.
        let since = graded.needs_from(&duty).checked_sub_days(Days::new(BEFORE_DAYS))?;
        let daily = super::hindsight::daily(logs, track, Daily::default(), None, root.at());
        let grounds = grounds(logs, root.at(), settings);
        let past = Self { root, walked, duty: graded, daily, kept_from, grounds };
        Some(Remembered { since, body: postcard::to_allocvec(&past).ok()? })
    }

    /// The days of which only a mean is left.
    pub(super) fn daily(&self) -> Daily {
        self.daily
    }

    /// Whether what is remembered is enough to say how these forecasts turned out, and what the car's codes mean by now.
    fn serves(&self, logs: &CarLogs, assessment: &Assessment, open: &[PastForecast]) -> bool {
        let known = |past: &PastForecast| past.as_of >= self.kept_from && past.as_of_day >= self.walked.day();
        // Of a clear so long ago it matters only that the car has made a few trips since.
        let (from, today) = (self.walked.day(), assessment.today);
        let driven = assessment.days.range(from..=today.max(from));
        let trips = driven.map(|(_, day)| u64::from(day.trips.max(day.seat_trips).max(u32::from(day.driven))));
        let long_ago = |code: &TroubleCode| code.state == CodeReport::Cleared && day_of(logs, code.at) < from;
        open.iter().all(known) && (trips.sum::<u64>() >= CodeLog::TRIPS || !logs.codes.iter().any(long_ago))
    }
}

/// The last day before whose beginning everything may be left at what is remembered of it.
fn boundary(logs: &CarLogs, assessment: &Assessment, open: &[PastForecast], log_grace_days: i64) -> Option<NaiveDate> {
    let CountsFrom::Service { on, .. } = assessment.counts_from else { return None };
    let asked = open.iter().map(|past| past.as_of_day.min(day_of(logs, past.as_of)));
    let lately = assessment.today.checked_sub_days(Days::new(BEHIND_DAYS))?;
    let told = logs.plans.iter().filter(|plan| plan.to.is_none_or(|to| to >= lately)).map(|plan| plan.from);
    let asked = asked.chain(told).chain([on]).min()?;
    Some(asked.checked_sub_days(Days::new(BEFORE_DAYS + log_grace_days.unsigned_abs()))?.min(lately))
}

/// The instants before the believed readings that are all kept about which something is asked still: services, pack swaps
/// and checks.
fn events(logs: &CarLogs, kept_from: DateTime<Utc>) -> Vec<DateTime<Utc>> {
    let services = fan_services(logs).into_iter().map(|service| service.at);
    let swaps = logs.packs.iter().flat_map(|pack| [Some(pack.at), pack.removal.map(|removal| removal.at)]);
    let checks = logs.checks.iter().map(|check| check.at);
    let asked = services.chain(swaps.flatten()).chain(checks).filter(|at| *at < kept_from);
    asked.chain([kept_from]).collect()
}

/// What else than log rows a past rests on that ends with the instant `by`, as a digest: where another one comes of it, or the
/// program writes it otherwise, it is made anew.
fn grounds(logs: &CarLogs, by: DateTime<Utc>, settings: &Settings) -> [u8; 32] {
    let old = |reading: &Reading| reading.source < 0 && reading.at <= by;
    let written_down: Vec<Reading> = all_readings(logs).into_iter().filter(old).collect();
    let last = day_of(logs, by).checked_add_days(Days::new(1)).unwrap_or(NaiveDate::MAX);
    let off_road = logs.off_road.iter().filter(|off| off.from <= last);
    let off_road: Vec<_> = off_road.map(|off| (off.from, off.to.unwrap_or(last).min(last))).collect();
    let services: Vec<_> = fan_services(logs).into_iter().filter(|service| service.at <= by).collect();
    let packs = (&logs.packs, &logs.in_service_on, logs.odometer_in_service);
    let limits = track_limits(settings, &logs.vehicle_type, &logs.trust);
    let program = (FORM, env!("CARGO_PKG_VERSION"), chrono_tz::IANA_TZDB_VERSION);
    let set = (program, limits, duty_settings(settings));
    let all = (written_down, off_road, services, packs, &logs.stays, logs.zone, set);
    Sha256::digest(format!("{all:?}")).into()
}

#[cfg(test)]
mod tests;
