//! The life curve of a usual pack as it is shown, and what follows from it: when a replacement is cheapest, and what late
//! fan services cost in pack life.

use ventmile_model::dist::Weibull;
use ventmile_model::wear::life::{Covariate, Interval, LifeFit, Quantity, profile};
use ventmile_model::wear::{Costs, NoOptimum, Replacement, cheapest_age};

use super::life::FleetLife;

/// The level of the intervals here.
pub const LEVEL: f64 = 0.9;

/// What the effect of late services is and is not.
pub const LATE: &str = "An association in this fleet's own packs, adjusted for rate of use, heat and type as far as they are \
    known: cars serviced late may differ in other ways too. Given as a range, not as a point.";

/// The curve of a usual pack; ages are metres.
#[derive(Clone, Debug)]
pub struct UsualCurve<'a> {
    life: &'a FleetLife,
    /// The fit it is of.
    pub fit: &'a LifeFit,
    /// The covariates of a usual pack.
    pub covariates: Vec<f64>,
}

/// A point of the curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurveSpot {
    /// Metres a pack has behind it.
    pub age: f64,
    /// Share of usual packs that live longer.
    pub survival: f64,
    /// Its interval.
    pub interval: Interval,
}

impl FleetLife {
    /// The curve of a usual pack, of one type where it is given; `None` where no curve could be fitted.
    #[must_use]
    pub fn usual_curve(&self, pack_type: Option<&str>) -> Option<UsualCurve<'_>> {
        let fit = self.fit.as_ref().ok()?;
        Some(UsualCurve { life: self, fit, covariates: self.usual_covariates(pack_type) })
    }
}

impl UsualCurve<'_> {
    /// The curve itself.
    #[must_use]
    pub fn weibull(&self) -> Weibull {
        self.fit.curve(&self.covariates)
    }

    /// The interval of a quantity by profile likelihood; without ends where the data do not bound it.
    #[must_use]
    pub fn interval(&self, quantity: Quantity<'_>) -> Interval {
        let found = profile(&self.life.lives, &self.life.prior, self.fit, quantity, LEVEL);
        found.unwrap_or(Interval { low: None, high: None })
    }

    /// The curve in fifty steps, as far as the oldest pack and at most three times as far.
    #[must_use]
    pub fn spots(&self) -> Vec<CurveSpot> {
        const STEPS: u32 = 50;
        let curve = self.weibull();
        let oldest = self.life.lives.lives().iter().map(|life| life.exit).fold(0.0, f64::max);
        // Without packs there is no oldest: the curve is drawn until hardly any are left.
        let whole = curve.quantile(0.95);
        let end = if oldest > 0.0 { whole.min(3.0 * oldest).max(oldest) } else { whole };
        let spot = |step: u32| {
            let age = end * f64::from(step) / f64::from(STEPS);
            let (_, failed) = self.fit.chance_within(0.0, age, &self.covariates, LEVEL);
            let lives = |chance: Option<f64>| chance.map(|chance| 1.0 - chance);
            let interval = Interval { low: lives(failed.high), high: lives(failed.low) };
            CurveSpot { age, survival: curve.survival(age), interval }
        };
        (0..=STEPS).map(spot).collect()
    }

    /// The cheapest way to replace usual packs; `None` where a cost is not above 0.
    #[must_use]
    pub fn replacement(&self, costs: Costs) -> Option<Replacement> {
        cheapest_age(self.weibull(), costs).ok()
    }

    /// What late fan services do to pack life; `None` where this fleet's packs cannot tell.
    #[must_use]
    pub fn late_services(&self, costs: Costs) -> Option<LateServices> {
        let number = self.life.accelerators.covariates.iter().position(|one| *one == Covariate::LateShare)?;
        let mut in_time = self.covariates.clone();
        *in_time.get_mut(number)? = 0.0;
        Some(LateServices {
            life_in_time: self.fit.curve(&in_time).mean(),
            effect: *self.fit.coefficients.get(number)?,
            interval: profile(&self.life.lives, &self.life.prior, self.fit, Quantity::Coefficient(number), LEVEL)
                .ok()?,
            planned: costs.planned,
        })
    }
}

/// Why no age is cheapest, in words.
#[must_use]
pub const fn no_optimum(reason: NoOptimum) -> &'static str {
    match reason {
        NoOptimum::RiskDoesNotRise => "the risk does not rise with age, so a new pack is no safer than an old one",
        NoOptimum::RoadsideIsNoDearer => "a failure on the road costs no more than a planned replacement",
        NoOptimum::BeyondAnyAge => "the risk rises so slowly that the age is beyond any number",
    }
}

/// What late fan services do to the life of a usual pack: driven late for the share `s` of its distance, it lives `exp(s b)`
/// times as far.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LateServices {
    /// Mean life in metres of a usual pack whose fan is always serviced in time.
    pub life_in_time: f64,
    /// The coefficient `b`: below 0 late services shorten life.
    pub effect: f64,
    /// Its interval.
    pub interval: Interval,
    /// What a planned replacement costs.
    pub planned: f64,
}

/// An amount with what it may be: `low` to `high`, each `None` where the data do not bound it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Likely {
    /// Its lower end.
    pub low: Option<f64>,
    /// Its best estimate.
    pub middle: f64,
    /// Its upper end.
    pub high: Option<f64>,
}

impl Likely {
    /// Nothing, for sure.
    pub const NOTHING: Self = Self { low: Some(0.0), middle: 0.0, high: Some(0.0) };

    /// The sum of two amounts that rest on the same effect, so that their ends are reached together.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        let sum = |one: Option<f64>, other: Option<f64>| Some(one? + other?);
        Self { low: sum(self.low, other.low), middle: self.middle + other.middle, high: sum(self.high, other.high) }
    }
}

impl LateServices {
    /// By how many metres life changes where all of it is driven late; below 0 is lost.
    #[must_use]
    pub fn life_change(&self) -> Likely {
        let change = |effect: f64| self.life_in_time * (effect.exp() - 1.0);
        let Interval { low, high } = self.interval;
        Likely { low: low.map(change), middle: change(self.effect), high: high.map(change) }
    }

    /// What it costs a pack's life where all of it is driven late; above 0 is lost.
    #[must_use]
    pub fn cost_per_pack(&self) -> Likely {
        self.cost_of(self.life_in_time)
    }

    /// What so many metres driven late cost, as the only ones in the life of a usual pack; above 0 is lost.
    ///
    /// They are the share `s` of its life, which is then `exp(s b)` times as long: a pack that lives so much shorter is
    /// bought so much more often for the same distance, `planned (exp(-s b) - 1)`.
    #[must_use]
    pub fn cost_of(&self, metres_late: f64) -> Likely {
        let share = (metres_late / self.life_in_time).clamp(0.0, 1.0);
        let cost = |effect: f64| self.planned * ((-effect * share).exp() - 1.0);
        let Interval { low, high } = self.interval;
        Likely { low: high.map(cost), middle: cost(self.effect), high: low.map(cost) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Life is halved where all of it is driven late, or a tenth longer, or a third as long.
    fn halved() -> LateServices {
        let interval = Interval { low: Some(-(3.0_f64.ln())), high: Some(1.1_f64.ln()) };
        LateServices { life_in_time: 200_000.0, effect: -std::f64::consts::LN_2, interval, planned: 3_000.0 }
    }

    fn near(found: Option<f64>, expected: f64) {
        let found = found.unwrap();
        assert!((found - expected).abs() < 1e-6 * expected.abs().max(1.0), "{found} {expected}");
    }

    #[test]
    fn a_life_driven_late_costs_the_packs_bought_more_often() {
        let (change, cost) = (halved().life_change(), halved().cost_per_pack());
        near(Some(change.middle), -100_000.0);
        near(change.high, 20_000.0);
        // Half the life is one more pack for the same distance; a third of it two more.
        near(Some(cost.middle), 3_000.0);
        near(cost.high, 6_000.0);
        near(cost.low, 3_000.0 * (1.0 / 1.1 - 1.0));
    }

    #[test]
    fn a_stretch_costs_its_share_and_no_more_than_a_life() {
        let late = halved();
        near(Some(late.cost_of(100_000.0).middle), 3_000.0 * (2.0_f64.sqrt() - 1.0));
        assert_eq!(late.cost_of(0.0).middle, 0.0);
        assert_eq!(late.cost_of(9e9), late.cost_per_pack());
        let unbound = LateServices { interval: Interval { low: None, high: Some(0.0) }, ..late };
        let sum = unbound.cost_of(50_000.0).plus(Likely::NOTHING);
        assert_eq!((sum.low, sum.high), (Some(0.0), None), "an end that is not known is none in a sum");
    }
}
