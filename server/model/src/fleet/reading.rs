//! What the logs say about one car, as plain values.

use chrono::{DateTime, NaiveDate, Utc};

use super::{Hours, Metres};

/// What a person decided about a reading; it overrules the track.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Ruling {
    /// Believe it whatever the track says.
    Keep,
    /// Leave it out whatever the track says.
    SetAside,
}

/// One odometer reading as it was sent.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Reading {
    /// When the odometer was read, by the sender's clock.
    #[serde(with = "chrono::serde::ts_microseconds")]
    pub at: DateTime<Utc>,
    /// What it showed.
    pub odometer: Metres,
    /// Who sent it: a number that stands for the source's name.
    pub source: i64,
    /// A person's ruling, where there is one.
    pub ruling: Option<Ruling>,
}

/// One duty log row: a shift, or a source's total for the day when `shift` is empty.
#[derive(Clone, Debug, PartialEq)]
pub struct DutyLog {
    /// Local date at the depot; the date on which a shift that crosses midnight began.
    pub date: NaiveDate,
    /// The shift's name; empty for a source's total of the day.
    pub shift: String,
    /// Who sent it.
    pub source: i64,
    /// Elapsed hours on duty.
    pub hours: Hours,
    /// Trips driven, where counted.
    pub trips: Option<u32>,
    /// Start and end, where given: such a row is split at local midnight.
    pub span: Option<(DateTime<Utc>, DateTime<Utc>)>,
}

/// One seat log row: how many of the trips used the rear seat.
#[derive(Clone, Debug, PartialEq)]
pub struct SeatLog {
    /// Local date at the depot.
    pub date: NaiveDate,
    /// The shift's name; empty for a source's total of the day.
    pub shift: String,
    /// Who sent it.
    pub source: i64,
    /// Trips counted.
    pub trips: u32,
    /// Trips on which somebody sat in the rear; never more than `trips`.
    pub rear_trips: u32,
}

/// Days on which a car does no duty, from the first to the last, both included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OffRoad {
    /// First day off the road.
    pub from: NaiveDate,
    /// Last day off the road; `None` while the end is not known.
    pub to: Option<NaiveDate>,
}

impl OffRoad {
    /// Whether the car is off the road on `day`.
    #[must_use]
    pub fn covers(&self, day: NaiveDate) -> bool {
        self.from <= day && self.to.is_none_or(|to| day <= to)
    }
}

/// The service from which an interval counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Service {
    /// When it was done.
    pub at: DateTime<Utc>,
    /// Odometer at the service, where it was recorded.
    pub odometer: Option<Metres>,
}
