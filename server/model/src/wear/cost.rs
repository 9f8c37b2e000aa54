//! What a replacement costs, planned and on the road side, and when it is cheapest.

use std::fmt;

use super::quadrature::integral;
use crate::dist::{Weibull, gamma};

/// What a replacement costs, in the manager's currency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Costs {
    /// On a planned day.
    pub planned: f64,
    /// After a failure on the road: the same and the tow, the lost shifts, the passengers.
    pub roadside: f64,
}

/// Why costs or a curve cannot be taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum BadCost {
    /// Costs that are not finite and above 0.
    Costs(Costs),
    /// A curve whose shape or scale is not finite and above 0.
    Curve(Weibull),
}

impl fmt::Display for BadCost {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Costs(costs) => {
                write!(
                    out,
                    "costs of {} planned and {} on the road side are not above 0",
                    costs.planned, costs.roadside
                )
            }
            Self::Curve(curve) => write!(out, "a curve of shape {} and scale {} is none", curve.shape, curve.scale),
        }
    }
}

impl std::error::Error for BadCost {}

/// Why no age is cheapest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoOptimum {
    /// The risk does not rise with age, so a new pack is no safer than an old one.
    RiskDoesNotRise,
    /// A failure on the road costs no more than a planned replacement.
    RoadsideIsNoDearer,
    /// The risk rises so slowly that the age is beyond any number.
    BeyondAnyAge,
}

/// The cheapest way to replace packs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Replacement {
    /// At this age, or at the failure where that comes first.
    AtAge {
        /// The age, in the unit of the curve's scale.
        age: f64,
        /// Cost for each unit of age in the long run.
        rate: f64,
        /// The same where every pack is run to its failure.
        run_to_failure: f64,
    },
    /// No finite optimum: at the failure.
    AtFailure {
        /// Why.
        reason: NoOptimum,
        /// Cost for each unit of age in the long run.
        rate: f64,
    },
}

impl Replacement {
    /// Cost for each unit of age in the long run, replaced in the cheapest way.
    #[must_use]
    pub const fn rate(&self) -> f64 {
        match self {
            Self::AtAge { rate, .. } | Self::AtFailure { rate, .. } => *rate,
        }
    }
}

impl Costs {
    fn check(&self, curve: Weibull) -> Result<(), BadCost> {
        let real = |value: f64| value.is_finite() && value > 0.0;
        if !(real(self.planned) && real(self.roadside)) {
            return Err(BadCost::Costs(*self));
        }
        if !(real(curve.shape) && real(curve.scale)) {
            return Err(BadCost::Curve(curve));
        }
        Ok(())
    }

    /// Cost for each unit of age in the long run where packs are replaced at an age, or at the failure where that comes
    /// first: `(planned S(T) + roadside F(T)) / integral of S from 0 to T`.
    #[must_use]
    pub fn rate_at(&self, curve: Weibull, age: f64) -> f64 {
        let survives = curve.survival(age);
        (self.planned * survives + self.roadside * (1.0 - survives)) / mean_use(curve, age)
    }
}

/// The mean of the lesser of life and an age, the integral of `S` from 0 to it:
/// `scale / shape gamma(1 / shape, (age / scale)^shape)`.
fn mean_use(curve: Weibull, age: f64) -> f64 {
    curve.mean() * gamma::lower(1.0 / curve.shape, curve.cumulative_hazard(age))
}

/// The age at which replacing packs costs least in the long run.
///
/// With `h` the hazard it is the root of `h(T) integral of S from 0 to T - F(T) = planned / (roadside - planned)`, whose left
/// side rises without end where the shape is above 1; there the cost rate is `(roadside - planned) h(T)` (R. E. Barlow
/// and L. Hunter, Operations Research 8 (1960) 90-100; Barlow and Proschan, Mathematical Theory of Reliability, 1965,
/// chapter 4).
///
/// # Errors
/// Costs or a curve that are not above 0.
pub fn cheapest_age(curve: Weibull, costs: Costs) -> Result<Replacement, BadCost> {
    costs.check(curve)?;
    let run_to_failure = costs.roadside / curve.mean();
    let at_failure = |reason| Ok(Replacement::AtFailure { reason, rate: run_to_failure });
    if curve.shape <= 1.0 {
        return at_failure(NoOptimum::RiskDoesNotRise);
    }
    if costs.roadside <= costs.planned {
        return at_failure(NoOptimum::RoadsideIsNoDearer);
    }
    let extra = costs.roadside - costs.planned;
    let age = curve.scale * libm::exp(log_optimal_hazard(curve.shape, costs.planned / extra) / curve.shape);
    if !age.is_finite() {
        return at_failure(NoOptimum::BeyondAnyAge);
    }
    Ok(Replacement::AtAge { age, rate: extra * curve.hazard(age), run_to_failure })
}

/// The logarithm of the hazard `x = (T / scale)^shape` by the cheapest age. With `a = 1 / shape` the left side is
/// `x^(1-a) gamma(a, x) - 1 + e^-x`; it rises with slope `(1-a) x^-a gamma(a, x)`, by which Newton's steps on its logarithm
/// go, kept between what is too early and what is too late.
fn log_optimal_hazard(shape: f64, ratio: f64) -> f64 {
    const MOST_STEPS: usize = 200;
    const FARTHEST: f64 = 700.0;
    let a = 1.0 / shape;
    let whole = libm::tgamma(a);
    let (mut early, mut late) = (-FARTHEST, FARTHEST + 1.0);
    // Early on the left side is about (shape - 1) x.
    let mut log_x = libm::log(ratio / (shape - 1.0)).clamp(early, late);
    for _ in 0..MOST_STEPS {
        let x = libm::exp(log_x);
        let gathered = libm::exp((1.0 - a) * log_x) * whole * gamma::lower(a, x);
        let value = gathered + libm::expm1(-x);
        if value > ratio {
            late = log_x
        } else {
            early = log_x
        }
        let newton = log_x - libm::log(value / ratio) * value / ((1.0 - a) * gathered);
        let next = if newton > early && newton < late { newton } else { early + (late - early) / 2.0 };
        if (next - log_x).abs() <= 1e-14 * log_x.abs().max(1.0) {
            break;
        }
        log_x = next;
    }
    if log_x < FARTHEST { log_x } else { f64::INFINITY }
}

/// What keeping a pack for some further use is expected to bring.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Holding {
    /// The chance that it fails on the road within it.
    pub chance: f64,
    /// What such a failure costs beyond a planned replacement now, times the chance.
    pub expected_loss: f64,
    /// What the use had of the old pack spares of the long-run cost of packs.
    pub spared: f64,
}

impl Holding {
    /// What holding on costs in all; below 0 it is cheaper than replacing now.
    #[must_use]
    pub fn net(&self) -> f64 {
        self.expected_loss - self.spared
    }

    /// The same where more than the curve is known of the pack: with this chance that it fails within the time.
    #[must_use]
    pub fn with_chance(self, costs: Costs, chance: f64) -> Self {
        Self { chance, expected_loss: (costs.roadside - costs.planned) * chance, ..self }
    }
}

/// What it is expected to cost to keep a pack that is alive at `age` for `further` use (a month's, say), against
/// replacing it on a planned day now.
///
/// Loss: `(roadside - planned) P(fails within it)`. Spared: the expected use within it, `integral of S from age to age + further
/// over S(age)`, times the cheapest long-run rate; to hold on pays while this is more (the marginal cost rule of age
/// replacement, Barlow and Proschan 1965, chapter 4).
///
/// # Errors
/// As [`cheapest_age`].
pub fn hold(curve: Weibull, costs: Costs, age: f64, further: f64) -> Result<Holding, BadCost> {
    let rate = cheapest_age(curve, costs)?.rate();
    let chance = curve.chance_within(age, further);
    let used = use_within(curve, age, further);
    Ok(Holding { chance, expected_loss: (costs.roadside - costs.planned) * chance, spared: rate * used })
}

/// The integral of `S(age + u) / S(age)` over `u` from 0 to `further`, in sixteen parts.
fn use_within(curve: Weibull, age: f64, further: f64) -> f64 {
    const PARTS: u32 = 16;
    let width = further.max(0.0) / f64::from(PARTS);
    let lives = |further: f64| libm::exp(-curve.hazard_between(age, further));
    (0..PARTS).map(|part| integral(width * f64::from(part), width * f64::from(part + 1), lives)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn curve(shape: f64, scale: f64) -> Weibull {
        Weibull { shape, scale }
    }

    #[test]
    fn no_finite_optimum_is_said() {
        let reason = |shape, planned, roadside| match cheapest_age(curve(shape, 1e3), Costs { planned, roadside }) {
            Ok(Replacement::AtFailure { reason, .. }) => Some(reason),
            _ => None,
        };
        assert_eq!(reason(1.0, 1.0, 5.0), Some(NoOptimum::RiskDoesNotRise));
        assert_eq!(reason(3.0, 5.0, 5.0), Some(NoOptimum::RoadsideIsNoDearer));
        assert_eq!(reason(1.000_01, 1.0, 2.0), Some(NoOptimum::BeyondAnyAge));
        assert_eq!(reason(1.05, 1.0, 2.0), None);
    }

    #[test]
    fn what_is_known_beside_the_curve_changes_the_loss_alone() {
        let costs = Costs { planned: 1_000.0, roadside: 1_500.0 };
        let by_curve = hold(curve(2.0, 100.0), costs, 50.0, 1.0).unwrap();
        let worn = by_curve.with_chance(costs, 1.0);
        assert_eq!((worn.chance, worn.expected_loss, worn.spared), (1.0, 500.0, by_curve.spared));
        assert!(by_curve.net() < 0.0 && worn.net() > 0.0);
    }

    #[test]
    fn what_cannot_be_is_refused() {
        let costs = Costs { planned: 0.0, roadside: 5.0 };
        assert_eq!(cheapest_age(curve(2.0, 1.0), costs), Err(BadCost::Costs(costs)));
        let costs = Costs { planned: 1.0, roadside: f64::INFINITY };
        assert_eq!(cheapest_age(curve(2.0, 1.0), costs), Err(BadCost::Costs(costs)));
        let flat = curve(0.0, 1.0);
        assert_eq!(cheapest_age(flat, Costs { planned: 1.0, roadside: 2.0 }), Err(BadCost::Curve(flat)));
    }

    proptest! {
        #[test]
        fn no_other_age_is_cheaper(
            shape in 1.1_f64..8.0, scale in 1e-3_f64..1e6, planned in 0.1_f64..1e4, dearer in 1.05_f64..200.0
        ) {
            let costs = Costs { planned, roadside: planned * dearer };
            let Ok(Replacement::AtAge { age, rate, run_to_failure }) = cheapest_age(curve(shape, scale), costs) else {
                return Ok(());
            };
            prop_assert!((costs.rate_at(curve(shape, scale), age) / rate - 1.0).abs() < 1e-9);
            prop_assert!(rate <= run_to_failure * (1.0 + 1e-9));
            for factor in [0.5, 0.9, 0.99, 1.01, 1.1, 2.0] {
                prop_assert!(costs.rate_at(curve(shape, scale), factor * age) >= rate * (1.0 - 1e-9));
            }
        }

        #[test]
        fn to_hold_on_pays_until_the_cheapest_age(shape in 1.3_f64..6.0, dearer in 1.5_f64..20.0) {
            let (curve, costs) = (curve(shape, 1e5), Costs { planned: 2e3, roadside: 2e3 * dearer });
            let Ok(Replacement::AtAge { age, .. }) = cheapest_age(curve, costs) else { return Ok(()) };
            prop_assert!(hold(curve, costs, 0.98 * age, 0.01 * age).unwrap().net() < 0.0);
            prop_assert!(hold(curve, costs, 1.01 * age, 0.01 * age).unwrap().net() > 0.0);
        }

        #[test]
        fn use_from_new_is_the_gamma_integral(shape in 1.0_f64..6.0, further in 0.01_f64..2.0) {
            let curve = curve(shape, 1.0);
            prop_assert!((use_within(curve, 0.0, further) / mean_use(curve, further) - 1.0).abs() < 1e-6);
        }
    }
}
