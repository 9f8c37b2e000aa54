//! Risks as they were told, held against what happened.

use chrono::{NaiveDate, TimeDelta};

use super::App;
use crate::store::{PastRisk, RiskFilter, StoreError};

/// Days ahead for which chances are told.
pub const HORIZONS: [i64; 3] = [30, 90, 180];

/// Most risks looked at in one question.
pub const MOST: i64 = 200_000;

/// Parts the risks are cut into, from the lowest to the highest.
const PARTS: usize = 10;

/// A part of the risks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decile {
    /// Risks in it.
    pub count: usize,
    /// Their mean.
    pub told: f64,
    /// Share that came true.
    pub happened: f64,
}

/// How right the risks of one horizon were.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HorizonRecord {
    /// Risks whose outcome is known.
    pub count: usize,
    /// Those that came true.
    pub failures: usize,
    /// Brier score (G. W. Brier 1950): the mean of `(chance - outcome)²`.
    pub brier: Option<f64>,
    /// That of the share that came true, told of every pack.
    pub base: Option<f64>,
    /// By the size of the chance.
    pub deciles: Vec<Decile>,
}

/// Whether a risk came true within so many days; `None` while that is not known.
fn outcome(risk: &PastRisk, days: i64) -> Option<bool> {
    let end = risk.made_on + TimeDelta::days(days);
    match risk.failed_on {
        Some(failed) => Some(failed <= end),
        None => (risk.seen_on >= end).then_some(false),
    }
}

/// The record of the horizon that stands at `place` in [`HORIZONS`].
#[must_use]
pub fn of_horizon(risks: &[PastRisk], place: usize, days: i64) -> HorizonRecord {
    let known = |risk: &PastRisk| Some((*risk.chances.get(place)?, outcome(risk, days)?));
    let mut told: Vec<(f64, bool)> = risks.iter().filter_map(known).collect();
    if told.is_empty() {
        return HorizonRecord::default();
    }
    told.sort_by(|one, other| one.0.total_cmp(&other.0));
    let count = told.len();
    let failures = told.iter().filter(|(_, failed)| *failed).count();
    let rate = failures as f64 / count as f64;
    let one = |failed: bool| f64::from(u8::from(failed));
    let score = |chance: &dyn Fn(f64) -> f64| {
        told.iter().map(|(told, failed)| (chance(*told) - one(*failed)).powi(2)).sum::<f64>() / count as f64
    };
    let part = |number: usize| {
        let part = told.get(number * count / PARTS..(number + 1) * count / PARTS)?;
        let size = part.len();
        (size > 0).then(|| Decile {
            count: size,
            told: part.iter().map(|(chance, _)| chance).sum::<f64>() / size as f64,
            happened: part.iter().map(|(_, failed)| one(*failed)).sum::<f64>() / size as f64,
        })
    };
    HorizonRecord {
        count,
        failures,
        brier: Some(score(&|told| told)),
        base: Some(score(&|_| rate)),
        deciles: (0..PARTS).filter_map(part).collect(),
    }
}

/// What came of the risks that were told.
#[derive(Clone, Debug, PartialEq)]
pub struct RiskHindsight {
    /// Risks told.
    pub told: usize,
    /// When the first of them was told.
    pub first_on: Option<NaiveDate>,
    /// The record of each of [`HORIZONS`], in days.
    pub horizons: [(i64, HorizonRecord); 3],
}

impl App {
    /// How right the risks told from a day to a day were.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn risk_hindsight(&self, filter: &RiskFilter) -> Result<RiskHindsight, StoreError> {
        let past = self.store.past_risks(filter).await?;
        let [first, second, third] = HORIZONS;
        Ok(RiskHindsight {
            told: past.len(),
            first_on: past.iter().map(|risk| risk.made_on).min(),
            horizons: [
                (first, of_horizon(&past, 0, first)),
                (second, of_horizon(&past, 1, second)),
                (third, of_horizon(&past, 2, third)),
            ],
        })
    }
}

#[cfg(test)]
mod tests {
    use chrono::{DateTime, NaiveDate};

    use super::*;

    fn risk(chance: f64, failed: Option<&str>, seen: &str) -> PastRisk {
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        PastRisk {
            vehicle_id: 1,
            depot_id: 1,
            made_on: day("2026-01-01"),
            installed_at: DateTime::default(),
            chances: [chance / 3.0, chance, chance],
            failed_on: failed.map(day),
            seen_on: day(seen),
        }
    }

    #[test]
    fn only_what_is_known_counts() {
        let risks = [
            risk(0.8, Some("2026-03-01"), "2026-03-01"),
            risk(0.2, None, "2026-06-01"),
            // Not followed for 90 days.
            risk(0.5, None, "2026-03-01"),
            // Failed after the horizon.
            risk(0.4, Some("2026-05-01"), "2026-05-01"),
        ];
        let record = of_horizon(&risks, 1, 90);
        assert_eq!((record.count, record.failures), (3, 1));
        let brier: f64 = (0.2 * 0.2 + 0.2 * 0.2 + 0.4 * 0.4) / 3.0;
        assert!((record.brier.unwrap() - brier).abs() < 1e-12);
        assert!((record.base.unwrap() - 2.0 / 9.0).abs() < 1e-12);
        // Within 180 days all but the one that nobody followed are known.
        assert_eq!(of_horizon(&risks, 2, 180).failures, 2);
    }

    #[test]
    fn tenths_go_from_the_lowest_to_the_highest() {
        let risks: Vec<PastRisk> = (0..100)
            .map(|number| {
                let failed = (number >= 90).then_some("2026-01-20");
                risk(f64::from(number) / 100.0, failed, "2026-12-01")
            })
            .collect();
        let record = of_horizon(&risks, 1, 90);
        assert_eq!(record.deciles.len(), 10);
        assert_eq!((record.deciles[0].count, record.deciles[0].happened, record.deciles[9].happened), (10, 0.0, 1.0));
        assert!((record.deciles[9].told - 0.945).abs() < 1e-12);
        assert_eq!(of_horizon(&[], 1, 90), HorizonRecord::default());
    }
}
