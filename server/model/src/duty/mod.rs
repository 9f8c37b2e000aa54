//! How hard a car is driven: the evidence of its duty and seat logs, and the grade that follows.
//!
//! Hard duty is driving on six days a week, or more than ten hours a day, or often with the rear seat taken; any one
//! is enough. No standard defines the three, so each number is a setting. Logs that are missing count as hard and are
//! said.
//!
//! # How a car goes from one grade to the other
//!
//! A window of days ends on every day and is hard or not. Were its grade the car's, a car at the edge would change it
//! every other week: a mean of 28 days wanders about ten hours by a tenth or two. So the way back is longer than the way
//! there:
//!
//! - **To hard at once:** the day on which a hard window ends.
//! - **To ordinary by a margin and for a time:** once the windows of more than [`Settings::release_days`] days in a row
//!   were ordinary and would be so if long days and the rear seat began at [`Settings::release_share`] of where they do.
//!   There is no margin for days a week: five and a half do not exist.
//!
//! Five shifts a week of ten hours in the mean, give or take one or two, change the grade 29 times a year by the window
//! alone, 7 times with the time alone (14 days), 1 to 6 times with the margin alone (0.95), about once or less with both.
//!
//! The course is run from the first log, so that the same logs give the same grade in whatever order they came, and logs
//! that come late take back what their absence did. What its first part left behind may be kept as a [`Past`] and gone on
//! from: the grade is the same, as long as the logs of that part are. A window that reaches back
//! before the first log counts only while it is the current one: what is not known of a car new to Ventmile does not
//! stick to it. Each day has the grade of the window that ends on it, and a day's grade does not depend on later days.
//!
//! That is the grade *now*, which [`Grading::split`] follows day by day. [`Grading::grade`] is harder: whatever hard
//! window lies wholly after the last service keeps the car hard until the next one, so that what it did since the
//! service moves its date back only by a service, that is by a person. Hard windows that reach back before the service
//! count while they decide the grade now; when they no longer do, [`Grading::eased`] says so.

mod days;
mod grade;
mod ledger;
mod past;
mod pattern;
#[cfg(test)]
mod tests;

use chrono::NaiveDate;

use crate::fleet::Grade;

pub use days::days;
pub use grade::{grade, grade_from};
pub use past::Past;
pub use pattern::Pattern;

/// Where hard duty begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// Length of the trailing window; it ends yesterday, since today is not over.
    pub window_days: i64,
    /// What seven days a week are.
    pub week: WeekKind,
    /// Days driven in one week from which on it is hard.
    pub week_days: u32,
    /// Mean hours per driven day above which it is hard.
    pub mean_hours: f64,
    /// Share of trips with the rear seat taken from which on it is hard.
    pub rear_share: f64,
    /// How many days logs may take to arrive before they count as missing.
    pub log_grace_days: i64,
    /// How many days in a row the window must have been ordinary by the margin before the car is.
    pub release_days: i64,
    /// The margin: long days and the rear seat count as ordinary below this share of where hard duty begins.
    pub release_share: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            window_days: 28,
            week: WeekKind::Iso,
            week_days: 6,
            mean_hours: 10.0,
            rear_share: 0.5,
            log_grace_days: 3,
            release_days: 14,
            release_share: 0.95,
        }
    }
}

/// The weeks in which driven days are counted. Only complete ones inside a window count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum WeekKind {
    /// ISO weeks, Monday to Sunday.
    Iso,
    /// Any seven days in a row.
    Rolling,
}

impl WeekKind {
    /// Its name in settings and answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Iso => "iso",
            Self::Rolling => "rolling",
        }
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
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
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
    /// All of them, in the order of answers.
    pub const ALL: [Self; 5] =
        [Self::SixDayWeek, Self::LongDays, Self::RearSeat, Self::DutyLogsMissing, Self::SeatLogsMissing];

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
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
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
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Evidence {
    /// First day.
    pub from: NaiveDate,
    /// Last day.
    pub to: NaiveDate,
    /// Days on which the car was driven.
    pub days_driven: u32,
    /// Monday of the complete ISO week with the most driven days (the latest such week), and how many.
    pub busiest_week: Option<(NaiveDate, u32)>,
    /// First of the seven days in a row with the most driven days (the latest such), and how many.
    pub busiest_seven_days: Option<(NaiveDate, u32)>,
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
    /// Complete weeks without their logs that ended so lately that these may still come: not held against the car.
    pub awaited: Vec<Missing>,
    /// The conditions of hard duty that hold.
    pub conditions: Vec<Condition>,
    /// Hard when any condition holds.
    pub grade: Grade,
}

/// Why a car is hard still, although its current window is not.
#[derive(Clone, Debug, PartialEq)]
pub struct Held {
    /// The conditions within the margin; empty when only time has to pass.
    pub close: Vec<Condition>,
    /// The last day it is held, unless its duty gets harder again; `None` while a condition is within the margin.
    pub until: Option<NaiveDate>,
}

/// A car's grade and what it rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct Grading {
    /// The grade now, or that of the hardest window wholly since the last service if that is harder.
    pub grade: Grade,
    /// Whether a window that lies wholly after the last service was hard.
    pub hard_since_service: bool,
    /// The grade now.
    pub now: Grade,
    /// Since when that has been the grade; at the earliest the first day with a log, or that of the service if earlier.
    pub now_since: NaiveDate,
    /// The day since the last service on which the grade now went from hard to ordinary, if it is that still.
    pub eased: Option<NaiveDate>,
    /// Why it is hard now although the current window is ordinary.
    pub held: Option<Held>,
    /// The trailing window.
    pub current: Evidence,
    /// The latest hard window, where the current one is not hard but that one makes [`Grading::grade`] so.
    pub hardest: Option<Evidence>,
    /// First day, last day and grade of each stretch from the day of the last service to today, in order; empty when
    /// that day is not known. It follows the grade now, and today has that of yesterday.
    pub split: Vec<(NaiveDate, NaiveDate, Grade)>,
}
