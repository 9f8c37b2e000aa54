//! How far a car usually goes, learned step by step along a chain of readings, and how unusual a step is.
//!
//! The estimate at a reading uses only the readings before it in the same chain. So it costs the same for each
//! reading, and a reading that is appended changes nothing before it.

/// Seconds in a day.
pub(super) const DAY: f64 = 86_400.0;
/// Before anything is known of a car: metres per day, nights and days off included.
const ASSUMED_PER_DAY: f64 = 250_000.0;
/// What the assumption weighs, in days of readings.
const ASSUMED_DAYS: f64 = 2.0;
/// Days of readings over which the estimate forgets: usage drifts.
const MEMORY_DAYS: f64 = 28.0;
/// How unsure the assumption is, as a share of it: a car that nobody knows may well run 600 miles a day.
const UNSURE: f64 = 1.4;
/// Spread of a day's distance before anything is known of it, as a share of the day's distance.
const ASSUMED_SPREAD: f64 = 0.5;
/// The least spread of a day's distance, as a share of it.
const LEAST_SPREAD: f64 = 0.12;
/// A car that stands may start to work again: it is never taken to go less than this, metres per day.
const LEAST_PER_DAY: f64 = 60_000.0;
/// How much the daily distance may have changed for good since the last reading, as a share of it.
const DRIFT: f64 = 0.12;
/// Spread of the distance within a day, as a share of the day's distance: a car drives by day and stands by night.
const WITHIN_DAY: f64 = 0.4;
/// How fast a working car gets ahead for an hour or two, metres per day.
const BURST_PER_DAY: f64 = 70_000.0 * 24.0;
/// Steps shorter than this are too much at the mercy of the hour to learn from, in days.
const SHORTEST_LESSON: f64 = 0.75;
/// A step teaches no more than this many spreads.
const CLIP: f64 = 2.5;

/// A car's usual distance per day and how it varies, as of one reading.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Rate {
    /// Metres per day.
    per_day: f64,
    /// Variance of a day's distance, square metres.
    variance: f64,
    /// Days of readings behind the estimate.
    known: f64,
    /// Where the next lesson starts: seconds and metres.
    anchor: (f64, f64),
}

impl Rate {
    /// Nothing is known but a first reading.
    pub(super) fn new(seconds: f64, odometer: f64) -> Self {
        let spread = ASSUMED_SPREAD * ASSUMED_PER_DAY;
        Self { per_day: ASSUMED_PER_DAY, variance: spread * spread, known: ASSUMED_DAYS, anchor: (seconds, odometer) }
    }

    /// Distance to expect over `days`, metres.
    pub(super) fn expected(&self, days: f64) -> f64 {
        self.per_day * days
    }

    /// Variance of the distance over `days`, square metres; `slack` is the deviation of reading the odometer, metres.
    ///
    /// `v = v1 days + (drift level days)^2 + (within level)^2 + slack^2`: days vary on their own, the level is known
    /// only so well, and within two days the hours of reading matter.
    pub(super) fn spread(&self, days: f64, slack: f64) -> f64 {
        let level = self.per_day.max(LEAST_PER_DAY);
        let unsure = DRIFT + UNSURE * ASSUMED_DAYS / self.known;
        let drift = unsure * level * days;
        let within = (WITHIN_DAY * level).min(BURST_PER_DAY * days);
        let fading = (2.0 - days).clamp(0.0, 1.0);
        self.variance * days + drift * drift + within * within * fading + slack * slack
    }

    /// Standard deviation of the distance over `days`, metres; see [`Rate::spread`].
    pub(super) fn deviation(&self, days: f64, slack: f64) -> f64 {
        libm::sqrt(self.spread(days, slack))
    }

    /// After the chain's next reading.
    pub(super) fn after(self, seconds: f64, odometer: f64) -> Self {
        let days = (seconds - self.anchor.0) / DAY;
        if days < SHORTEST_LESSON {
            return self;
        }
        let surprise = odometer - self.anchor.1 - self.expected(days);
        let most = CLIP * CLIP * self.spread(days, 0.0);
        let surprise = if surprise * surprise > most { libm::sqrt(most).copysign(surprise) } else { surprise };
        let known = (self.known + days).min(MEMORY_DAYS + days);
        let gain = days / known;
        let per_day = (self.per_day + gain * surprise / days).max(0.0);
        let least = LEAST_SPREAD * per_day.max(LEAST_PER_DAY);
        let learned = self.variance + gain * (surprise * surprise / days - self.variance) / days.max(1.0);
        let variance = learned.max(least * least);
        Self { per_day, variance, known: known.min(MEMORY_DAYS), anchor: (seconds, odometer) }
    }

    /// After a change of the cluster: the same car on a new count.
    pub(super) fn restarted(self, seconds: f64, odometer: f64) -> Self {
        Self { anchor: (seconds, odometer), ..self }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn driven(steps: impl IntoIterator<Item = (f64, f64)>) -> Rate {
        let (mut day, mut metres) = (0.0, 0.0);
        steps.into_iter().fold(Rate::new(0.0, 0.0), |rate, (days, per_day)| {
            day += days;
            metres += days * per_day;
            rate.after(day * DAY, metres)
        })
    }

    #[test]
    fn a_steady_car_is_learned_in_weeks() {
        let rate = driven(vec![(1.0, 400_000.0); 60]);
        assert!((rate.expected(1.0) / 400_000.0 - 1.0).abs() < 0.02, "{rate:?}");
        assert!(rate.deviation(1.0, 0.0) < 0.55 * 400_000.0, "{rate:?}");
        let halved = driven((0..120).map(|day| (1.0, if day < 60 { 400_000.0 } else { 200_000.0 })));
        assert!((halved.expected(1.0) / 200_000.0 - 1.0).abs() < 0.15, "{halved:?}");
    }

    #[test]
    fn readings_by_the_hour_teach_what_daily_ones_do() {
        let daily = driven(vec![(1.0, 300_000.0); 30]);
        let hourly = driven(vec![(1.0 / 24.0, 300_000.0); 720]);
        assert!((daily.expected(1.0) - hourly.expected(1.0)).abs() < 10_000.0);
    }

    #[test]
    fn one_wild_step_teaches_little() {
        let rate = driven((0..60).map(|day| (1.0, if day == 50 { 3_000_000.0 } else { 300_000.0 })));
        assert!((rate.expected(1.0) / 300_000.0 - 1.0).abs() < 0.15, "{rate:?}");
    }
}
