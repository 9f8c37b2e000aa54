//! Scales: from values to shares of the room, with ticks at round values or at days people count from.

use chrono::{Datelike, Days, Months, NaiveDate};

use super::super::say;

/// From values to shares of the room.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::board) struct Scale {
    low: f64,
    high: f64,
    /// Value and label.
    pub ticks: Vec<(f64, String)>,
}

/// Ticks wanted, at most so many and a few more.
const WANTED: f64 = 4.0;

/// The place of a day on a scale of days.
pub(in crate::board) fn day_place(day: NaiveDate) -> f64 {
    f64::from(day.num_days_from_ce())
}

impl Scale {
    /// A scale of numbers that holds both ends, widened to round values.
    pub(in crate::board) fn numbers(low: f64, high: f64) -> Self {
        let step = round_step((high - low).max(f64::MIN_POSITIVE) / WANTED);
        let (first, last) = ((low / step).floor(), (high / step).ceil().max((low / step).floor() + 1.0));
        let count = (last - first) as i64;
        let ticks = (0..=count).map(|place| (first + place as f64) * step);
        let decimals = (-step.log10()).ceil().clamp(0.0, 9.0) as usize;
        let label = |value: f64| if decimals == 0 { say::number(value) } else { format!("{value:.decimals$}") };
        Self { low: first * step, high: last * step, ticks: ticks.map(|value| (value, label(value))).collect() }
    }

    /// A scale of numbers from 0 to an end that need not be round.
    pub(in crate::board) fn up_to(high: f64) -> Self {
        let round = Self::numbers(0.0, high);
        Self { high, ticks: round.ticks.into_iter().filter(|(value, _)| *value <= high).collect(), ..round }
    }

    /// Numbers from 0 for counts: no tick between two whole numbers.
    pub(in crate::board) fn counts(high: f64) -> Self {
        Self::numbers(0.0, high.max(WANTED))
    }

    /// A scale of shares, from none to all.
    pub(in crate::board) fn shares() -> Self {
        let tick = |percent: u32| (f64::from(percent) / 100.0, format!("{percent} %"));
        Self { low: 0.0, high: 1.0, ticks: [0, 25, 50, 75, 100].map(tick).to_vec() }
    }

    /// A scale of shares from none to one, widened to a round per cent.
    pub(in crate::board) fn percents(high: f64) -> Self {
        let whole = Self::numbers(0.0, 100.0 * high);
        let tick = |(value, label): (f64, String)| (value / 100.0, format!("{label} %"));
        Self { low: 0.0, high: whole.high / 100.0, ticks: whole.ticks.into_iter().map(tick).collect() }
    }

    /// A scale of days, with ticks on Mondays, first days of months or of years.
    pub(in crate::board) fn days(from: NaiveDate, to: NaiveDate) -> Self {
        let ticks = day_ticks(from, to).into_iter();
        Self {
            low: day_place(from),
            high: day_place(to).max(day_place(from) + 1.0),
            ticks: ticks.map(|(day, label)| (day_place(day), label)).collect(),
        }
    }

    /// A scale with ticks of one's own.
    pub(in crate::board) fn with_ticks(low: f64, high: f64, ticks: Vec<(f64, String)>) -> Self {
        Self { low, high, ticks }
    }

    /// The share of a value, held within the scale.
    pub(super) fn share(&self, value: f64) -> f64 {
        ((value - self.low) / (self.high - self.low)).clamp(0.0, 1.0)
    }
}

/// The least of 1, 2 and 5 times a power of ten that is not below `step`.
fn round_step(step: f64) -> f64 {
    let power = 10_f64.powf(step.log10().floor());
    let factor = [1.0, 2.0, 5.0].into_iter().find(|factor| factor * power >= step * (1.0 - 1e-9));
    factor.unwrap_or(10.0) * power
}

/// Spans up to so many days have ticks on Mondays; longer ones at months, by so many.
const BY_WEEKS: i64 = 50;
const BY_MONTHS: [(i64, u32); 5] = [(200, 1), (400, 2), (800, 4), (1600, 6), (i64::MAX, 12)];

fn day_ticks(from: NaiveDate, to: NaiveDate) -> Vec<(NaiveDate, String)> {
    let span = (to - from).num_days();
    if span <= BY_WEEKS {
        let to_monday = (7 - u64::from(from.weekday().num_days_from_monday())) % 7;
        let first = from.checked_add_days(Days::new(to_monday));
        let mondays = std::iter::successors(first, |day| day.checked_add_days(Days::new(7)));
        return mondays.take_while(|day| *day <= to).map(|day| (day, day.format("%-d %b").to_string())).collect();
    }
    let step = BY_MONTHS.into_iter().find(|(days, _)| span <= *days).map_or(12, |(_, step)| step);
    let start = from.with_day(1).and_then(|day| day.checked_sub_months(Months::new(day.month0() % step)));
    let months = std::iter::successors(start, |day| day.checked_add_months(Months::new(step)));
    let label = |day: NaiveDate| day.format(if day.month() == 1 { "%b %Y" } else { "%b" }).to_string();
    months.skip_while(|day| *day < from).take_while(|day| *day <= to).map(|day| (day, label(day))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(scale: &Scale) -> Vec<&str> {
        scale.ticks.iter().map(|(_, label)| label.as_str()).collect()
    }

    #[test]
    fn numbers_have_round_ticks_that_hold_both_ends() {
        assert_eq!(labels(&Scale::numbers(0.0, 24_700.0)), ["0", "10,000", "20,000", "30,000"]);
        assert_eq!(labels(&Scale::numbers(0.0, 1.0)), ["0.0", "0.5", "1.0"]);
        assert_eq!(labels(&Scale::counts(0.0)), ["0", "1", "2", "3", "4"]);
        assert_eq!(labels(&Scale::up_to(24_700.0)), ["0", "10,000", "20,000"]);
        assert_eq!(Scale::up_to(24_700.0).share(24_700.0), 1.0);
        assert_eq!(labels(&Scale::numbers(-3.0, 3.0)), ["−4", "−2", "0", "2", "4"]);
    }

    #[test]
    fn days_have_ticks_people_count_from() {
        let scale = |from: &str, to: &str| Scale::days(from.parse().unwrap(), to.parse().unwrap());
        assert_eq!(labels(&scale("2026-03-18", "2026-04-07")), ["23 Mar", "30 Mar", "6 Apr"]);
        assert_eq!(labels(&scale("2025-11-20", "2026-04-07")), ["Dec", "Jan 2026", "Feb", "Mar", "Apr"]);
        assert_eq!(
            labels(&scale("2024-01-01", "2026-01-01")),
            ["Jan 2024", "May", "Sep", "Jan 2025", "May", "Sep", "Jan 2026"]
        );
    }

    #[test]
    fn shares_go_from_none_to_all() {
        assert_eq!(labels(&Scale::shares()), ["0 %", "25 %", "50 %", "75 %", "100 %"]);
        assert_eq!(Scale::shares().share(0.25), 0.25);
        assert_eq!(labels(&Scale::percents(0.17)), ["0 %", "5 %", "10 %", "15 %", "20 %"]);
    }

    #[test]
    fn shares_stay_within_the_scale() {
        let scale = Scale::numbers(0.0, 10.0);
        assert_eq!([scale.share(-5.0), scale.share(5.0), scale.share(50.0)], [0.0, 0.5, 1.0]);
    }
}
