//! Shifts as somebody tells them, as rates.

use super::{Basis, Outlook, Usage, Week};
use crate::duty::{Evidence, Pattern};

/// Shifts a car would be driven in from now on.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Shifts {
    /// Days, hours and rear seat; what is `None` stays as its logs have it.
    pub pattern: Pattern,
    /// Metres on a driven day; `None` where the car keeps its mean speed.
    pub metres_per_driven_day: Option<f64>,
}

/// Shifts with the rates that follow from them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Told {
    /// The shifts.
    pub pattern: Pattern,
    /// Metres a day, days off included.
    pub metres_per_day: f64,
    /// Duty hours a day, likewise; `None` where nothing tells the hours of a driven day.
    pub hours_per_day: Option<f64>,
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
    /// The rates: `days / 7` times what a driven day brings. The metres of a driven day follow its hours where they are
    /// not told: the car keeps its mean speed.
    ///
    /// # Errors
    /// [`Untold`] where neither the shifts nor the logs, `current`, tell enough.
    pub fn rates(&self, current: &Evidence, usage: &Usage) -> Result<Told, Untold> {
        let days_now = current.days_per_week().filter(|days| *days > 0.0);
        let hours_now = current.mean_hours.filter(|hours| *hours > 0.0);
        let days = self.pattern.days_per_week.or(days_now).ok_or(Untold::DaysPerWeek)?;
        let metres = || {
            let now = usage.metres_per_day * 7.0 / days_now?;
            let longer = self.pattern.hours_per_day.map_or(Some(1.0), |hours| Some(hours / hours_now?));
            Some(now * longer?)
        };
        let metres = self.metres_per_driven_day.or_else(metres).ok_or(Untold::MetresPerDrivenDay)?;
        let hours = self.pattern.hours_per_day.or(hours_now);
        Ok(Told {
            pattern: self.pattern,
            metres_per_day: metres * days / 7.0,
            hours_per_day: hours.map(|hours| hours * days / 7.0),
        })
    }
}

impl Usage {
    /// The usage at the rates that are told. Its quantile lines stay around them: how far a rate drifts in this fleet is
    /// not known to depend on the shift. A car that stands gets the lines of a borrowed rate, known to `spread`. Where
    /// the days a week are told the weekdays it was driven on say nothing more.
    #[must_use]
    pub fn told(self, told: &Told, spread: f64) -> Self {
        let same_days = told.pattern.days_per_week.is_none();
        let week = |week: Week| if same_days { week } else { Week::default() };
        let metres = self.metres.at_rate(told.metres_per_day, spread);
        let hours = told.hours_per_day.map_or(self.hours, |rate| self.hours.at_rate(rate, spread));
        Self {
            basis: Basis::Told,
            metres_per_day: metres.rate(),
            hours_per_day: hours.rate(),
            metres,
            hours,
            metres_week: week(self.metres_week),
            hours_week: week(self.hours_week),
            ..self
        }
    }
}

impl Outlook {
    /// The outlook with its median rate over sixty days at `rate`.
    fn at_rate(self, rate: f64, spread: f64) -> Self {
        let now = self.rate();
        if now > 0.0 { self.times(rate / now) } else { Self::borrowed(rate, spread) }
    }
}

#[cfg(test)]
mod tests {
    use chrono::NaiveDate;
    use proptest::prelude::*;

    use super::*;
    use crate::fleet::Grade;
    use crate::usage::Fits;

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

    fn usage(metres: f64, hours: f64) -> Usage {
        let (metres, hours) = (Outlook::borrowed(metres, 0.0), Outlook::borrowed(hours, 0.0));
        Usage {
            basis: Basis::Own,
            from: None,
            to: None,
            days_counted: 100,
            metres_per_day: metres.rate(),
            hours_per_day: hours.rate(),
            metres,
            hours,
            metres_known: None,
            hours_known: None,
            metres_week: Week::default(),
            hours_week: Week::default(),
            fits: Fits::default(),
        }
    }

    fn shifts(days: Option<f64>, hours: Option<f64>, metres: Option<f64>) -> Shifts {
        let pattern = Pattern { days_per_week: days, hours_per_day: hours, rear_share: None };
        Shifts { pattern, metres_per_driven_day: metres }
    }

    #[track_caller]
    fn close(found: f64, expected: f64) {
        assert!((found - expected).abs() <= 1e-9 * expected.abs(), "{found} is not {expected}");
    }

    #[test]
    fn a_day_more_a_week_brings_a_fifth_more() {
        let usage = usage(100_000.0, 6.0);
        let told = shifts(Some(6.0), None, None).rates(&evidence(20, Some(8.0)), &usage).unwrap();
        close(told.metres_per_day, usage.metres_per_day * 1.2);
        close(told.hours_per_day.unwrap(), 8.0 * 6.0 / 7.0);
    }

    #[test]
    fn longer_days_go_as_much_further_unless_it_is_told() {
        let usage = usage(100_000.0, 6.0);
        let told = shifts(None, Some(10.0), None).rates(&evidence(20, Some(8.0)), &usage).unwrap();
        close(told.metres_per_day, usage.metres_per_day * 1.25);
        let told = shifts(None, Some(10.0), Some(140_000.0)).rates(&evidence(20, Some(8.0)), &usage).unwrap();
        close(told.metres_per_day, 100_000.0);
    }

    #[test]
    fn what_nothing_tells_is_named() {
        let usage = usage(100_000.0, 6.0);
        let of = |shifts: Shifts| shifts.rates(&evidence(0, None), &usage);
        assert_eq!(of(shifts(None, Some(8.0), None)), Err(Untold::DaysPerWeek));
        assert_eq!(of(shifts(Some(5.0), Some(8.0), None)), Err(Untold::MetresPerDrivenDay));
        assert_eq!(of(shifts(Some(5.0), None, Some(70_000.0))).map(|told| told.hours_per_day), Ok(None));
        let short = shifts(None, Some(8.0), None).rates(&evidence(20, None), &usage);
        assert_eq!(short, Err(Untold::MetresPerDrivenDay));
    }

    #[test]
    fn a_car_that_stands_takes_the_told_rate() {
        let standing = Usage { metres: Outlook::STANDING, metres_per_day: 0.0, ..usage(1.0, 6.0) };
        let told = Told { pattern: Pattern::default(), metres_per_day: 70_000.0, hours_per_day: None };
        let [_, days, _] = standing.told(&told, SPREAD).metres.reach(700_000.0).0;
        let [_, borrowed, _] = Outlook::borrowed(70_000.0, SPREAD).reach(700_000.0).0;
        assert_eq!(days, borrowed);
    }

    #[test]
    fn told_days_a_week_take_the_place_of_its_weekdays() {
        let off = Week::new([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0]);
        let own = Usage { metres_week: off, ..usage(100_000.0, 6.0) };
        let told = |days_per_week| Told {
            pattern: Pattern { days_per_week, ..Pattern::default() },
            metres_per_day: 80_000.0,
            hours_per_day: None,
        };
        assert_eq!(own.told(&told(None), SPREAD).metres_week, off);
        assert_eq!(own.told(&told(Some(7.0)), SPREAD).metres_week, Week::default());
    }

    proptest! {
        /// Twice the rate reaches an edge no later, and with the same relative spread as far as no noise of days counts.
        #[test]
        fn told_rates_are_the_median_rates(rate in 1e3_f64..1e6, factor in 0.1_f64..10.0) {
            let told = Told { pattern: Pattern::default(), metres_per_day: rate * factor, hours_per_day: Some(factor) };
            let found = usage(rate, 5.0).told(&told, SPREAD);
            prop_assert!((found.metres_per_day - rate * factor).abs() <= 1e-9 * rate * factor);
            prop_assert!((found.hours_per_day - factor).abs() <= 1e-9 * factor);
            prop_assert_eq!(found.basis, Basis::Told);
        }
    }
}
