//! Shifts as somebody tells them, as rates.

use super::Outlook;
use crate::duty::{Evidence, Pattern};

/// Shifts a car would be driven in from now on.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Shifts {
    /// Days, hours and rear seat; what is `None` stays as its logs have it.
    pub pattern: Pattern,
    /// Metres on a driven day; `None` where the car keeps its mean speed.
    pub metres_per_driven_day: Option<f64>,
}

/// Shifts with the paces that follow from them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Told {
    /// The shifts.
    pub pattern: Pattern,
    /// Metres a day, days off included.
    pub metres: Pace,
    /// Duty hours a day, likewise.
    pub hours: Pace,
}

/// How much a day brings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pace {
    /// So many metres or hours.
    Rate(f64),
    /// So many times what it brought before.
    Times(f64),
}

/// What the shifts leave open and the car's logs do not say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Untold {
    /// On how many days a week it is driven.
    DaysPerWeek,
    /// How far it goes on a driven day of so many hours.
    MetresPerDrivenDay,
}

impl Shifts {
    /// The paces: `days / 7` times what a driven day brings. The metres of a driven day follow its hours where they are
    /// not told: the car keeps its mean speed. Where nothing tells the hours of a driven day they stay as they are.
    ///
    /// # Errors
    /// [`Untold`] where neither the shifts nor the logs, `current`, tell enough.
    pub fn told(&self, current: &Evidence) -> Result<Told, Untold> {
        let days_now = current.days_per_week().filter(|days| *days > 0.0);
        let hours_now = current.mean_hours.filter(|hours| *hours > 0.0);
        let days = self.pattern.days_per_week.or(days_now).ok_or(Untold::DaysPerWeek)?;
        let longer = || self.pattern.hours_per_day.map_or(Some(1.0), |hours| Some(hours / hours_now?));
        let metres = match self.metres_per_driven_day {
            Some(metres) => Pace::Rate(metres * days / 7.0),
            None => {
                let times = days_now.and_then(|now| Some(longer()? * days / now));
                Pace::Times(times.ok_or(Untold::MetresPerDrivenDay)?)
            }
        };
        let hours = self.pattern.hours_per_day.or(hours_now);
        let hours = hours.map_or(Pace::Times(1.0), |hours| Pace::Rate(hours * days / 7.0));
        Ok(Told { pattern: self.pattern, metres, hours })
    }
}

impl Outlook {
    /// The outlook at another pace. Its quantile lines stay around it: how far a rate drifts in this fleet is not known to
    /// depend on the shift. A car that stands gets the lines of a borrowed rate, known to `spread`.
    #[must_use]
    pub(super) fn at(self, pace: Pace, spread: f64) -> Self {
        match pace {
            Pace::Times(factor) => self.times(factor),
            Pace::Rate(rate) if self.rate() > 0.0 => self.times(rate / self.rate()),
            Pace::Rate(rate) => Self::borrowed(rate, spread),
        }
    }
}

#[cfg(test)]
mod tests {
    use chrono::NaiveDate;
    use proptest::prelude::*;

    use super::*;
    use crate::fleet::Grade;

    const SPREAD: f64 = 0.4;

    fn evidence(days_driven: u32, mean_hours: Option<f64>) -> Evidence {
        Evidence {
            from: NaiveDate::from_ymd_opt(2026, 6, 1).unwrap(),
            to: NaiveDate::from_ymd_opt(2026, 6, 28).unwrap(),
            days_driven,
            busiest_week: None,
            busiest_seven_days: None,
            complete_weeks: 4,
            mean_hours,
            rear_share: None,
            trips: 0,
            days_off_road: 0,
            missing: Vec::new(),
            awaited: Vec::new(),
            conditions: Vec::new(),
            grade: Grade::Ordinary,
        }
    }

    fn shifts(days: Option<f64>, hours: Option<f64>, metres: Option<f64>) -> Shifts {
        let pattern = Pattern { days_per_week: days, hours_per_day: hours, rear_share: None };
        Shifts { pattern, metres_per_driven_day: metres }
    }

    #[track_caller]
    fn close(found: Pace, expected: Pace) {
        let near = match (found, expected) {
            (Pace::Rate(found), Pace::Rate(expected)) | (Pace::Times(found), Pace::Times(expected)) => {
                (found - expected).abs() <= 1e-9 * expected.abs()
            }
            _ => false,
        };
        assert!(near, "{found:?} is not {expected:?}");
    }

    #[test]
    fn a_day_more_a_week_brings_a_fifth_more() {
        let told = shifts(Some(6.0), None, None).told(&evidence(20, Some(8.0))).unwrap();
        close(told.metres, Pace::Times(1.2));
        close(told.hours, Pace::Rate(8.0 * 6.0 / 7.0));
    }

    #[test]
    fn longer_days_go_as_much_further_unless_it_is_told() {
        let told = shifts(None, Some(10.0), None).told(&evidence(20, Some(8.0))).unwrap();
        close(told.metres, Pace::Times(1.25));
        let told = shifts(None, Some(10.0), Some(140_000.0)).told(&evidence(20, Some(8.0))).unwrap();
        close(told.metres, Pace::Rate(100_000.0));
    }

    #[test]
    fn what_nothing_tells_is_named() {
        let of = |shifts: Shifts| shifts.told(&evidence(0, None));
        assert_eq!(of(shifts(None, Some(8.0), None)), Err(Untold::DaysPerWeek));
        assert_eq!(of(shifts(Some(5.0), Some(8.0), None)), Err(Untold::MetresPerDrivenDay));
        assert_eq!(of(shifts(Some(5.0), None, Some(70_000.0))).map(|told| told.hours), Ok(Pace::Times(1.0)));
        let short = shifts(None, Some(8.0), None).told(&evidence(20, None));
        assert_eq!(short, Err(Untold::MetresPerDrivenDay));
    }

    #[test]
    fn a_car_that_stands_takes_the_told_rate() {
        let [_, days, _] = Outlook::STANDING.at(Pace::Rate(70_000.0), SPREAD).reach(700_000.0).0;
        let [_, borrowed, _] = Outlook::borrowed(70_000.0, SPREAD).reach(700_000.0).0;
        assert_eq!(days, borrowed);
    }

    proptest! {
        #[test]
        fn told_rates_are_the_median_rates(rate in 1e3_f64..1e6, factor in 0.1_f64..10.0) {
            let now = Outlook::borrowed(rate, 0.0);
            for pace in [Pace::Rate(now.rate() * factor), Pace::Times(factor)] {
                let found = now.at(pace, SPREAD).rate();
                prop_assert!((found - rate * factor).abs() <= 1e-9 * rate * factor, "{pace:?}: {found}");
            }
        }
    }
}
