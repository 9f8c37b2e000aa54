//! Shifts as somebody tells them, beside what the logs show.

use super::{Condition, Evidence, Grading, Settings};
use crate::fleet::Grade;

/// How a car would be driven from now on; what is `None` stays as its logs have it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Pattern {
    /// Driven days a week, 0 to 7.
    pub days_per_week: Option<f64>,
    /// Elapsed hours on duty on a driven day, 0 to 24.
    pub hours_per_day: Option<f64>,
    /// Share of trips with the rear seat taken, 0 to 1.
    pub rear_share: Option<f64>,
}

impl Pattern {
    /// The conditions of hard duty that weeks of such shifts would meet.
    ///
    /// Duty logs are missing no more once both the days and the hours are told, nor seat logs once the share is.
    #[must_use]
    pub fn conditions(&self, current: &Evidence, settings: &Settings) -> Vec<Condition> {
        let met = |condition: &Condition| {
            let told = match condition {
                Condition::SixDayWeek => self.days_per_week.map(|days| days >= f64::from(settings.week_days)),
                Condition::LongDays => self.hours_per_day.map(|hours| hours > settings.mean_hours),
                Condition::RearSeat => self.rear_share.map(|share| share >= settings.rear_share),
                Condition::DutyLogsMissing => self.days_per_week.and(self.hours_per_day).map(|_| false),
                Condition::SeatLogsMissing => self.rear_share.map(|_| false),
            };
            told.unwrap_or_else(|| current.conditions.contains(condition))
        };
        Condition::ALL.into_iter().filter(met).collect()
    }
}

impl Evidence {
    /// Driven days a week over the days of the window on which the car was on the road; `None` where there was none.
    #[must_use]
    pub fn days_per_week(&self) -> Option<f64> {
        let on_road = (self.to - self.from).num_days() + 1 - i64::from(self.days_off_road);
        (on_road > 0).then(|| 7.0 * f64::from(self.days_driven) / on_road as f64)
    }
}

impl Grading {
    /// The grade were the car driven like this from now on. What it did since the last service stays with it.
    #[must_use]
    pub fn told(self, pattern: &Pattern, settings: &Settings) -> Self {
        let hard = !pattern.conditions(&self.current, settings).is_empty();
        let now = if hard { Grade::Hard } else { Grade::Ordinary };
        let grade = if hard || self.hard_since_service { Grade::Hard } else { Grade::Ordinary };
        Self { now, grade, held: None, ..self }
    }
}
