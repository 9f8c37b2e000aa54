//! How hard a car is driven: the evidence of its duty and seat logs, and the grade that follows.
//!
//! Hard duty is driving on six days a week, or more than ten hours a day, or often with the rear seat taken; any one
//! is enough. No standard defines the three, so each number is a setting. Logs that are missing count as hard and are
//! said.

mod days;
mod grade;
mod ledger;
#[cfg(test)]
mod tests;

use chrono::NaiveDate;

use crate::fleet::Grade;

pub use days::days;
pub use grade::grade;

/// Where hard duty begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// Length of the trailing window; it ends yesterday, since today is not over.
    pub window_days: i64,
    /// Days driven in one ISO week from which on it is hard.
    pub week_days: u32,
    /// Mean hours per driven day above which it is hard.
    pub mean_hours: f64,
    /// Share of trips with the rear seat taken from which on it is hard.
    pub rear_share: f64,
    /// How many days logs may take to arrive before they count as missing.
    pub log_grace_days: i64,
}

impl Default for Settings {
    fn default() -> Self {
        Self { window_days: 28, week_days: 6, mean_hours: 10.0, rear_share: 0.5, log_grace_days: 3 }
    }
}

/// What the logs say about one local day.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DutyDay {
    /// Elapsed hours on duty, at most the length of the day.
    pub hours: f64,
    /// Trips by the duty logs.
    pub trips: u32,
    /// Trips by the seat logs.
    pub seat_trips: u32,
    /// Those of `seat_trips` on which the rear seat was taken.
    pub rear_trips: u32,
    /// Whether anything of the above is more than zero.
    pub driven: bool,
    /// Whether there is a duty log.
    pub has_duty: bool,
    /// Whether there is a seat log.
    pub has_seat: bool,
}

/// A condition under which duty is hard.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Condition {
    /// Driven on many days of one week.
    SixDayWeek,
    /// Long days in the mean.
    LongDays,
    /// The rear seat is often taken.
    RearSeat,
    /// Duty logs are missing: it may be hard.
    DutyLogsMissing,
    /// Seat logs are missing: it may be hard.
    SeatLogsMissing,
}

impl Condition {
    /// The condition's name in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::SixDayWeek => "days-per-week",
            Self::LongDays => "hours-per-day",
            Self::RearSeat => "rear-seat",
            Self::DutyLogsMissing => "duty-logs-missing",
            Self::SeatLogsMissing => "seat-logs-missing",
        }
    }
}

/// A week without logs that should be there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Missing {
    /// No duty log.
    Duty {
        /// Its Monday.
        week: NaiveDate,
    },
    /// No seat log although the car was driven, or may have been.
    Seat {
        /// Its Monday.
        week: NaiveDate,
    },
}

/// What one window of days shows.
#[derive(Clone, Debug, PartialEq)]
pub struct Evidence {
    /// First day.
    pub from: NaiveDate,
    /// Last day.
    pub to: NaiveDate,
    /// Days on which the car was driven.
    pub days_driven: u32,
    /// Monday of the complete ISO week with the most driven days (the latest such week), and how many.
    pub busiest_week: Option<(NaiveDate, u32)>,
    /// ISO weeks, Monday to Sunday, wholly inside the window.
    pub complete_weeks: u32,
    /// Mean hours over the driven days whose hours are known.
    pub mean_hours: Option<f64>,
    /// Share of the trips in the seat logs on which the rear seat was taken.
    pub rear_share: Option<f64>,
    /// Trips by the duty logs.
    pub trips: u32,
    /// Days told to be off the road.
    pub days_off_road: u32,
    /// Weeks without their logs, by date. Where the window holds no complete week, the week of its first day.
    pub missing: Vec<Missing>,
    /// The conditions of hard duty that hold.
    pub conditions: Vec<Condition>,
    /// Hard when any condition holds.
    pub grade: Grade,
}

/// A car's grade and what it rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct Grading {
    /// The hardest grade sustained over a window since the last service.
    pub grade: Grade,
    /// The trailing window.
    pub current: Evidence,
    /// The latest earlier window that was hard, where the current one is not.
    pub hardest: Option<Evidence>,
    /// First day, last day and grade of each stretch from the day of the last service to today, in order; empty when
    /// that day is not known. A stretch of seven days has the grade of the window that ends with it.
    pub split: Vec<(NaiveDate, NaiveDate, Grade)>,
}
