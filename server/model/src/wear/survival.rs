//! How many packs live how long, without any curve: Kaplan-Meier and Nelson-Aalen.

use super::life::{Interval, Life};
use crate::dist::normal;

/// The state after the failures at one age.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// The age.
    pub age: f64,
    /// Packs under watch just before it: those with `entry < age <= exit`.
    pub at_risk: f64,
    /// Packs that failed at it.
    pub failed: f64,
    /// Kaplan and Meier's estimate of the share that lives longer. With left truncation it is the share of those that
    /// lived at the youngest entry, and the few packs watched at first can bring it to 0 early.
    pub survival: f64,
    /// Its standard error; `None` once it is 0.
    pub survival_se: Option<f64>,
    /// Nelson and Aalen's estimate of the cumulative hazard.
    pub hazard: f64,
    /// Its standard error.
    pub hazard_se: f64,
}

impl Step {
    /// The interval of the survival by normal theory on `log(-log)` (Kalbfleisch and Prentice 1980), which keeps it
    /// between 0 and 1; without ends where the survival is 0 or 1.
    #[must_use]
    pub fn interval(&self, level: f64) -> Interval {
        let Some(se) = self.survival_se.filter(|_| self.survival < 1.0) else {
            return Interval { low: None, high: None };
        };
        let log = libm::log(self.survival);
        let reach = normal::quantile(0.5 + level / 2.0) * se / (self.survival * log.abs());
        let end = |reach: f64| Some(libm::exp(log * libm::exp(reach)));
        Interval { low: end(reach), high: end(-reach) }
    }
}

/// The survival at every age at which a pack failed, youngest first. Lives should have passed the checks of
/// [`Lives`](super::life::Lives).
///
/// `S = product of (1 - failed / at risk)` with Greenwood's variance, `S^2 sum of failed / (at risk (at risk - failed))`,
/// and `H = sum of failed / at risk` with variance `sum of failed / at risk^2` (Kaplan and Meier 1958; Greenwood 1926;
/// Nelson 1969, Aalen 1978; with entries: Klein and Moeschberger, Survival Analysis, section 4.6).
#[must_use]
pub fn survival(lives: &[Life]) -> Vec<Step> {
    let entries = sorted(lives.iter().map(|life| (life.entry, life.count)));
    let exits = sorted(lives.iter().map(|life| (life.exit, life.count)));
    let failures = sorted(lives.iter().filter(|life| life.failed).map(|life| (life.exit, life.count)));
    let (mut entered, mut left) = (Passing::over(&entries), Passing::over(&exits));
    let mut last =
        Step { age: 0.0, at_risk: 0.0, failed: 0.0, survival: 1.0, survival_se: None, hazard: 0.0, hazard_se: 0.0 };
    let (mut greenwood, mut hazard_variance) = (0.0, 0.0);
    let mut steps = Vec::new();
    for same in failures.chunk_by(|one, other| one.0 == other.0) {
        let age = same.first().map_or(0.0, |one| one.0);
        let failed: f64 = same.iter().map(|one| one.1).sum();
        let at_risk = entered.before(age) - left.before(age);
        greenwood += failed / (at_risk * (at_risk - failed));
        hazard_variance += failed / (at_risk * at_risk);
        let survival = last.survival * (1.0 - failed / at_risk);
        last = Step {
            age,
            at_risk,
            failed,
            survival,
            survival_se: Some(survival * libm::sqrt(greenwood)).filter(|_| survival > 0.0),
            hazard: last.hazard + failed / at_risk,
            hazard_se: libm::sqrt(hazard_variance),
        };
        steps.push(last);
    }
    steps
}

fn sorted(of: impl Iterator<Item = (f64, f64)>) -> Vec<(f64, f64)> {
    let mut all: Vec<(f64, f64)> = of.collect();
    all.sort_unstable_by(|one, other| one.0.total_cmp(&other.0));
    all
}

/// Counts what lies before rising ages.
struct Passing<'a> {
    rest: &'a [(f64, f64)],
    passed: f64,
}

impl<'a> Passing<'a> {
    fn over(all: &'a [(f64, f64)]) -> Self {
        Self { rest: all, passed: 0.0 }
    }

    fn before(&mut self, age: f64) -> f64 {
        while let Some(((_, count), rest)) = self.rest.split_first().filter(|(first, _)| first.0 < age) {
            self.passed += count;
            self.rest = rest;
        }
        self.passed
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_share_that_only_falls(
            rows in proptest::collection::vec((0_u32..20, 1_u32..20, proptest::bool::ANY, 1_u8..4), 1..60)
        ) {
            let life = |(entry, watched, failed, count): (u32, u32, bool, u8)| Life {
                entry: f64::from(entry),
                exit: f64::from(entry + watched),
                failed,
                count: f64::from(count),
            };
            let lives: Vec<Life> = rows.into_iter().map(life).collect();
            let mut before = (1.0, 0.0);
            for step in survival(&lives) {
                // By the definition, one age at a time.
                let at_risk = lives.iter().filter(|life| life.entry < step.age && step.age <= life.exit);
                prop_assert_eq!(step.at_risk, at_risk.map(|life| life.count).sum::<f64>());
                prop_assert!((0.0..=1.0).contains(&step.survival) && step.survival <= before.0);
                prop_assert!(step.hazard > before.1);
                let ends = step.interval(0.9);
                prop_assert!(ends.low.is_none_or(|low| (0.0..=step.survival).contains(&low)));
                prop_assert!(ends.high.is_none_or(|high| (step.survival..=1.0).contains(&high)));
                before = (step.survival, step.hazard);
            }
        }
    }
}
