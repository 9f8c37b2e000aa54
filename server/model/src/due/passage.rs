//! The first passage of one edge.

use chrono::NaiveDate;

use super::Quantiles;
use crate::dist::normal;
use crate::usage::RoadDays;

/// What an on-road day brings: metres or duty hours.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Walk {
    /// Mean of a day.
    pub(super) mean: f64,
    /// Standard deviation of a day.
    pub(super) sd: f64,
    /// Relative standard deviation of the mean itself.
    pub(super) rate_spread: f64,
}

impl Walk {
    /// On-road days within which `distance` is driven with chance `p`; `None` when it never is.
    ///
    /// `m n - D = z sqrt(s² n + r² m² n²)` with `z` the normal quantile of `p`, squared:
    /// `(1 - z² r²) m² n² - (2 m D + z² s²) n + D² = 0`. The smaller root belongs to `p < 1/2`, the larger to
    /// `p > 1/2`, where there is none when `z r >= 1`: a rate that uncertain may be nothing.
    pub(super) fn days(&self, distance: f64, p: f64) -> Option<f64> {
        if distance <= 0.0 {
            return Some(0.0);
        }
        if self.mean <= 0.0 {
            return None;
        }
        let z = normal::quantile(p);
        let zz = z * z;
        let a = (1.0 - zz * self.rate_spread * self.rate_spread) * self.mean * self.mean;
        let b = 2.0 * self.mean * distance + zz * self.sd * self.sd;
        let c = distance * distance;
        let root = libm::sqrt((b * b - 4.0 * a * c).max(0.0));
        if z <= 0.0 {
            return Some(2.0 * c / (b + root));
        }
        (a > 0.0).then(|| (b + root) / (2.0 * a))
    }

    /// The chance that `days` on-road days bring at least `distance`.
    pub(super) fn chance(&self, distance: f64, days: f64) -> f64 {
        if distance <= 0.0 {
            return 1.0;
        }
        if self.mean <= 0.0 || days <= 0.0 {
            return 0.0;
        }
        let drift = self.rate_spread * self.mean * days;
        let sd = libm::sqrt(self.sd * self.sd * days + drift * drift);
        let excess = self.mean * days - distance;
        if sd > 0.0 { normal::cdf(excess / sd) } else { f64::from(u8::from(excess >= 0.0)) }
    }
}

/// How an edge is reached.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Passage {
    /// On a known day, past or future; `None` beyond the calendar.
    On(Option<NaiveDate>),
    /// By driving on.
    Ahead {
        /// The day at whose end `remaining` was left.
        as_of: NaiveDate,
        /// What is left to the edge.
        remaining: f64,
        /// What a day brings.
        walk: Walk,
    },
}

/// Takes the noise of the last digits off a count of days before it is rounded up: 20 days are not 21.
const ROUNDING: f64 = 1e-9;

/// No date is looked for further ahead than this many days.
const FURTHEST: f64 = 1e6;

impl Passage {
    pub(super) fn quantiles(&self, road: &RoadDays) -> Quantiles {
        match self {
            Self::On(day) => Quantiles::of(|_| *day),
            Self::Ahead { as_of, remaining, walk } => Quantiles::of(|p| {
                let days = walk.days(*remaining, p).filter(|days| *days <= FURTHEST)?;
                road.nth(*as_of, libm::ceil(days * (1.0 - ROUNDING)) as u64)
            }),
        }
    }

    /// The chance that the edge is reached on or before `by`.
    pub(super) fn chance(&self, by: NaiveDate, road: &RoadDays) -> f64 {
        match self {
            Self::On(day) => f64::from(u8::from(day.is_some_and(|day| day <= by))),
            Self::Ahead { as_of, remaining, walk } => walk.chance(*remaining, road.between(*as_of, by) as f64),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn the_closed_form_solves_the_equation(
            sd in 0.0_f64..2.0, rate_spread in 0.0_f64..0.6, distance in 0.1_f64..1_000.0, p in 0.01_f64..0.94,
        ) {
            let walk = Walk { mean: 1.0, sd, rate_spread };
            let days = walk.days(distance, p).unwrap();
            prop_assume!(sd + rate_spread > 1e-3);
            prop_assert!((walk.chance(distance, days) - p).abs() < 1e-6, "{days}");
        }
    }

    #[test]
    fn a_rate_that_may_be_nothing_has_no_upper_quantile() {
        let walk = Walk { mean: 1.0, sd: 0.5, rate_spread: 0.8 };
        assert_eq!(walk.days(10.0, 0.9), None);
        assert!(walk.days(10.0, 0.1).is_some());
        assert!(walk.chance(10.0, 1e9) < 0.9);
    }

    /// Uniform draws from (0, 1): Knuth's 64-bit congruential generator (MMIX).
    fn uniforms(mut state: u64) -> impl Iterator<Item = f64> {
        std::iter::repeat_with(move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
        })
    }

    #[test]
    fn cars_driven_day_by_day_arrive_as_foretold() {
        const CARS: usize = 20_000;
        let (walk, distance) = (Walk { mean: 1.0, sd: 0.5, rate_spread: 0.15 }, 30.0);
        let mut uniforms = uniforms(1);
        let mut draw = || uniforms.next().unwrap();
        let mut arrivals = vec![0_u32; CARS];
        for arrival in &mut arrivals {
            let rate = walk.mean * (1.0 + walk.rate_spread * normal::quantile(draw()));
            let mut driven = 0.0;
            while driven < distance && *arrival < 1_000 {
                // Uniform, never below zero but for the slowest cars, with the standard deviation asked for.
                driven += (rate + walk.sd * 12.0_f64.sqrt() * (draw() - 0.5)).max(0.0);
                *arrival += 1;
            }
        }
        for days in [22, 26, 30, 34, 40, 50] {
            let share = arrivals.iter().filter(|arrival| **arrival <= days).count() as f64 / CARS as f64;
            let chance = walk.chance(distance, f64::from(days));
            assert!((share - chance).abs() < 0.01, "{days} days: {share} driven, {chance} foretold");
        }
    }
}
