//! Cars and where they truly were.

use chrono::{DateTime, Duration, Utc};

use crate::random::Random;

/// Metres in a mile.
pub(crate) const MILE: f64 = 1_609.344;
/// Days of the corpus: fourteen months.
pub(crate) const DAYS: usize = 425;
/// Clock errors state times outside the corpus: the truth is known this many days before and after it.
const MARGIN: usize = 400;
/// Hours of the day.
const HOURS: usize = 24;

/// How cars are used.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pattern {
    /// Mean miles of a driven day.
    miles: f64,
    /// How a day's miles vary, as a share.
    spread: f64,
    /// How different cars are, as a share.
    cars: f64,
    /// Weekdays driven, Monday first.
    week: [f64; 7],
    /// Hours between which it is driven.
    from: usize,
    to: usize,
}

const PATTERNS: [Pattern; 4] = [
    // A taxi in two shifts, every day.
    Pattern {
        miles: 260.0,
        spread: 0.20,
        cars: 0.15,
        week: [0.98, 0.98, 0.98, 0.98, 0.99, 0.99, 0.95],
        from: 4,
        to: 24,
    },
    // A taxi in one shift, six days a week.
    Pattern {
        miles: 150.0,
        spread: 0.28,
        cars: 0.20,
        week: [0.95, 0.95, 0.95, 0.95, 0.97, 0.90, 0.10],
        from: 6,
        to: 18,
    },
    // Ride-hail, when the driver pleases.
    Pattern { miles: 120.0, spread: 0.45, cars: 0.30, week: [0.6, 0.6, 0.65, 0.7, 0.9, 0.9, 0.6], from: 10, to: 24 },
    // An airport shuttle on fixed runs.
    Pattern { miles: 180.0, spread: 0.08, cars: 0.15, week: [1.0, 1.0, 1.0, 1.0, 1.0, 0.7, 0.7], from: 5, to: 22 },
];

/// One car's truth.
#[derive(Clone, Debug)]
pub(crate) struct Car {
    /// True miles at each hour, from `MARGIN` days before the corpus on.
    miles: Vec<f64>,
    /// True miles at the start.
    start: f64,
}

/// First instant of the corpus.
pub(crate) fn epoch() -> DateTime<Utc> {
    DateTime::from_timestamp(1_735_689_600, 0).unwrap_or_default() // 2025-01-01T00:00:00Z
}

/// The instant `days` after the first.
pub(crate) fn instant(days: f64) -> DateTime<Utc> {
    epoch() + Duration::seconds((days * 86_400.0).round() as i64)
}

/// Days since the first instant.
pub(crate) fn days(at: DateTime<Utc>) -> f64 {
    (at - epoch()).num_seconds() as f64 / 86_400.0
}

impl Car {
    /// A car at random.
    pub(crate) fn new(random: &mut Random) -> Self {
        let pattern = PATTERNS.get(random.below(PATTERNS.len())).copied().unwrap_or(PATTERNS[0]);
        let mean = pattern.miles * libm::exp(pattern.cars * random.normal());
        let (mut level, mut off) = (0.0, 0.0);
        let mut total = 0.0;
        let mut miles = vec![0.0];
        for day in 0..DAYS + 2 * MARGIN {
            // The level of use wanders by about a tenth over two months.
            level += 0.013 * random.normal() - 0.01 * level;
            off = if off > 0.0 { off - 1.0 } else { stay_off(random) };
            let weekday = pattern.week.get(day % 7).copied().unwrap_or(1.0);
            let driven = off <= 0.0 && random.chance(weekday);
            let today = if driven { mean * libm::exp(level) * day_factor(pattern.spread, random) } else { 0.0 };
            drive(&mut miles, &mut total, today, pattern, random);
        }
        let before = miles.get(MARGIN * HOURS).copied().unwrap_or_default();
        // A third are new, the rest have run up to 180,000 miles.
        let start = if random.chance(0.33) { random.between(5.0, 400.0) } else { random.between(15_000.0, 180_000.0) };
        miles.iter_mut().for_each(|at| *at -= before);
        Self { miles, start }
    }

    /// True miles `days` after the first instant, whatever the cluster shows; below zero before a new car was built.
    pub(crate) fn miles(&self, days: f64) -> f64 {
        let hour = ((days + MARGIN as f64) * HOURS as f64).max(0.0);
        let whole = (hour as usize).min(self.miles.len().saturating_sub(2));
        let get = |hour: usize| self.miles.get(hour).copied().unwrap_or_default();
        self.start + get(whole) + (get(whole + 1) - get(whole)) * (hour - whole as f64).min(1.0)
    }
}

/// Now and then a car is off the road for a week or more.
fn stay_off(random: &mut Random) -> f64 {
    if random.chance(1.0 / 150.0) { random.between(2.0, 16.0).floor() } else { 0.0 }
}

/// A day against the mean day: bell-shaped, with long trips and half days.
fn day_factor(spread: f64, random: &mut Random) -> f64 {
    let factor = (1.0 + spread * random.normal()).clamp(0.15, 2.2);
    match random.share() {
        share if share < 0.015 => factor * random.between(1.5, 2.3),
        share if share < 0.04 => factor * random.between(0.2, 0.6),
        _ => factor,
    }
}

/// Spreads a day's miles over its hours; no hour has more than 55.
fn drive(miles: &mut Vec<f64>, total: &mut f64, today: f64, pattern: Pattern, random: &mut Random) {
    let on = |hour: usize| (pattern.from..pattern.to).contains(&hour);
    let shares: Vec<f64> = (0..HOURS).map(|hour| if on(hour) { random.between(0.4, 1.6) } else { 0.0 }).collect();
    let sum: f64 = shares.iter().sum();
    for share in shares {
        *total += (today * share / sum).min(55.0);
        miles.push(*total);
    }
}
