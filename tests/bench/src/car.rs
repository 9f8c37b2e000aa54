//! A year of an invented car, and all that the model makes of it.

use chrono::{DateTime, Datelike, Days, NaiveDate, TimeDelta, Utc};
use chrono_tz::America::New_York;
use ventmile_model::due::{self, Crossed, Due, Position};
use ventmile_model::duty;
use ventmile_model::fleet::{DutyLog, Hours, Metres, Reading, SeatLog, Window, WindowSet};
use ventmile_model::state::{LevelModel, LocalLevel};
use ventmile_model::track::{self, Limits};
use ventmile_model::usage::{self, Fits, Past, Plans, Prior};

/// Days of logs.
pub const DAYS: u64 = 365;

/// Days since the last fan service.
const SINCE_SERVICE: u64 = 80;

const HORIZON: i64 = 730;

const MILE: f64 = 1_609.344;

/// Variances of what a car goes in a day, in square miles.
pub const LEVEL: LevelModel = LevelModel { noise: 2_500.0, drift: 50.0 };

/// A reading, a duty log and a seat log each day, days off among them.
pub struct Car {
    readings: Vec<Reading>,
    duty: Vec<DutyLog>,
    seats: Vec<SeatLog>,
}

/// Any day does; the model knows no clock.
pub fn now() -> DateTime<Utc> {
    NaiveDate::default().and_time(chrono::NaiveTime::MIN).and_utc() + TimeDelta::days(20_000)
}

/// Miles of a day: a pace that changes by the season, days that differ, and a day off a week.
fn miles(seed: u64, day: u64) -> u64 {
    let pace = 60 + 30 * ((day / 50 + seed) % 3);
    if (day + seed).is_multiple_of(7) { 0 } else { pace + (day * 37 + seed * 53) % 101 }
}

/// What a car goes each day.
pub fn daily_miles(seed: u64) -> Vec<f64> {
    (0..DAYS).map(|day| miles(seed, day) as f64).collect()
}

/// The filter of a car's days and nothing else: the likelihood of what it went, as a level that drifts.
pub fn filtered(miles: &[f64]) -> f64 {
    let mut level = LocalLevel::default();
    let mut likelihood = 0.0;
    for day in miles {
        level = level.after(&LEVEL, 1);
        likelihood += level.update(&LEVEL, *day).log_density();
    }
    likelihood
}

impl Car {
    pub fn new(seed: u64) -> Self {
        let (mut readings, mut duty, mut seats) = (Vec::new(), Vec::new(), Vec::new());
        let mut odometer = 30_000.0 * MILE;
        for day in 0..DAYS {
            let at = now() - TimeDelta::days((DAYS - day) as i64) + TimeDelta::hours(23);
            let date = at.date_naive();
            let driven = miles(seed, day);
            odometer += driven as f64 * MILE;
            readings.push(Reading { at, odometer: Metres(odometer as i64), source: 1, ruling: None });
            if driven > 0 {
                let hours = Hours(7.0 + (driven % 5) as f64);
                let shift = "day".to_owned();
                duty.push(DutyLog { date, shift: shift.clone(), source: 1, hours, trips: Some(20), span: None });
                let rear_trips = 8 + date.day() % 5;
                seats.push(SeatLog { date, shift, source: 1, trips: 20, rear_trips });
            }
        }
        Self { readings, duty, seats }
    }

    /// Everything from the logs on: track, duty, usage, and the dates by miles, hours and days.
    pub fn recomputed(&self) -> Option<Due> {
        let now = now();
        let today = now.date_naive();
        let service_on = today - Days::new(SINCE_SERVICE);
        let track = track::clean(&self.readings, &Limits::default(), now);
        let days = duty::days(&self.duty, &self.seats, |_| New_York);
        let still = |from, to| track.stood_still(from, to, New_York) == Some(true);
        let grading = duty::grade(&days, &[], still, Some(service_on), today, &duty::Settings::default());
        let past = Past::new(&track, &days, Plans::default(), New_York);
        let usage = usage::estimate(&past, &Prior::default(), &usage::Settings::default(), &Fits::default());
        let driven = track.last()?.travelled? - track.travelled_at(now - TimeDelta::days(SINCE_SERVICE as i64))?;
        let position = Position {
            service_on,
            as_of: usage.to?,
            metres_since: driven,
            hours_since: days.range(service_on..).map(|(_, day)| day.hours).sum(),
            crossed: Crossed::default(),
        };
        let miles = |miles: f64| Metres((miles * MILE) as i64);
        let windows = WindowSet {
            distance: Some(Window { early: miles(20_000.0), late: miles(25_000.0) }),
            hours: Some(Window { early: Hours(1_600.0), late: Hours(2_000.0) }),
            days: Some(Window { early: 180, late: 240 }),
        };
        std::hint::black_box(grading);
        due::forecast(&position, &usage, &windows, &[], &[], today, HORIZON)
    }
}
