//! Whether a life curve fits the lives it came from.

use std::fmt;

use super::life::{Life, LifeFit, Lives};
use crate::dist::gamma;

/// Failures below which a curve is not tested, and said to rest on too few (by reasoning: two stretches of five each,
/// the least that Pearson's rule of thumb asks of a class).
const FEWEST: f64 = 10.0;
/// Failures to expect in a stretch, and the most stretches (by reasoning).
const FAILURES_A_STRETCH: f64 = 5.0;
const MOST_STRETCHES: usize = 8;
/// A curve is said not to fit below this chance.
const DOUBTFUL: f64 = 0.05;

/// A stretch of ages, from just after one to another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// From just after this age
    pub from: f64,
    /// to this one; infinite for the last.
    pub to: f64,
    /// Packs that failed in it.
    pub failed: f64,
    /// Packs that should have by the curve, given how long each was watched in it.
    pub expected: f64,
}

/// Something to say plainly beside a curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Warning {
    /// Too few packs have failed to tell whether it fits.
    TooFewFailures {
        /// This many.
        failures: f64,
    },
    /// The failures come at other ages than it says.
    DoesNotFit {
        /// The chance of being off by as much where the curve is right.
        chance: f64,
    },
}

impl fmt::Display for Warning {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFewFailures { failures } => {
                write!(out, "too few failures ({failures}) to tell whether the curve fits")
            }
            Self::DoesNotFit { chance } => write!(
                out,
                "the curve does not fit: packs that follow it would stray as far in {:.1} of 100 fleets",
                100.0 * chance
            ),
        }
    }
}

/// How a curve stands the test.
#[derive(Clone, Debug, PartialEq)]
pub struct FitCheck {
    /// Seen against expected failures by age.
    pub stretches: Vec<Stretch>,
    /// The statistic, `None` where there are too few failures.
    pub statistic: Option<f64>,
    /// The degrees of freedom of the chi-square distribution that it has where the curve is right.
    pub freedom: usize,
    /// The chance of a larger one where the curve is right.
    pub chance: Option<f64>,
    /// What to say beside the curve.
    pub warning: Option<Warning>,
}

/// Tests a fit against lives: are there, stretch of age by stretch, as many failures as it expects?
///
/// The ages are cut into stretches of as many expected failures each. Against the fit stands a hazard that is a multiple of the
/// fit's in each stretch; the score test of all multiples being 1 has the statistic `u' V^-1 u` with `u` seen less
/// expected failures and `V` their covariance with the curve's parameters estimated, `diag(expected) - D C D'` (`D` the slope
/// of the expected failures in the parameters, `C` the covariance of the parameters). One multiple is left out, since all
/// together are the scale, so it has chi-square distribution with one degree of freedom less than stretches (N. L.
/// Hjort, Annals of Statistics 18 (1990) 1221-1258; M. G. Akritas, JASA 83 (1988) 222-230). The lives may be censored
/// and truncated and have covariates.
#[must_use]
pub fn check_fit(lives: &Lives, fit: &LifeFit) -> FitCheck {
    let cells = cells(lives, fit);
    let failures = lives.failures();
    let stretches: Vec<Stretch> = cells.iter().map(|cell| cell.stretch).collect();
    let freedom = cells.len().saturating_sub(1);
    let statistic = if failures < FEWEST || freedom == 0 { None } else { statistic(&cells, fit) };
    let chance = statistic.map(|statistic| gamma::upper(freedom as f64 / 2.0, statistic / 2.0));
    let warning = match chance {
        None => Some(Warning::TooFewFailures { failures }),
        Some(chance) if chance < DOUBTFUL => Some(Warning::DoesNotFit { chance }),
        Some(_) => None,
    };
    FitCheck { stretches, statistic, freedom, chance, warning }
}

/// A stretch, with the slope of its expected failures in the fit's parameters.
struct Cell {
    stretch: Stretch,
    slopes: Vec<f64>,
}

/// How the packs under watch change at one age.
struct Change {
    age: f64,
    /// Of the sums over the packs under watch: of `m`, `m x` and `m log m`, where `m` is a pack's hazard beside that of a pack
    /// whose covariates are 0.
    sums: Vec<f64>,
    failed: f64,
}

/// Cuts the ages into stretches of as many expected failures each, and says what is seen and expected in each.
///
/// A pack's hazard by an age is `m v` with `v = (age / scale)^shape`, so while nobody comes or goes the expected failures
/// rise by the sum of `m` for each unit of `v`: one walk over the ages.
fn cells(lives: &Lives, fit: &LifeFit) -> Vec<Cell> {
    let usual = fit.curve(&[]);
    let mut changes = changes(lives, fit);
    changes.sort_unstable_by(|one, other| one.age.total_cmp(&other.age));
    let width = lives.width();
    let number = ((lives.failures() / FAILURES_A_STRETCH) as usize).clamp(2, MOST_STRETCHES);
    let share = total(&changes, fit) / number as f64;
    let fresh = |from| Cell {
        stretch: Stretch { from, to: f64::INFINITY, failed: 0.0, expected: 0.0 },
        slopes: vec![0.0; width + 1],
    };
    let (mut full, mut cell) = (Vec::new(), fresh(0.0));
    let (mut at, mut sums) = (0.0, vec![0.0; width + 1]);
    for change in changes {
        let to = usual.cumulative_hazard(change.age);
        let watched = sums.first().copied().unwrap_or(0.0);
        // The last stretch takes what is left.
        while full.len() + 1 < number && cell.stretch.expected + watched * (to - at) > share {
            let cut = at + (share - cell.stretch.expected) / watched;
            cell.pass(&sums, (at, cut), usual.shape);
            at = cut;
            cell.stretch.to = usual.scale * libm::pow(cut, 1.0 / usual.shape);
            let next = fresh(cell.stretch.to);
            full.push(std::mem::replace(&mut cell, next));
        }
        cell.pass(&sums, (at, to), usual.shape);
        cell.stretch.failed += change.failed;
        at = to;
        sums.iter_mut().zip(&change.sums).for_each(|(sum, by)| *sum += by);
    }
    full.push(cell);
    full
}

fn changes(lives: &Lives, fit: &LifeFit) -> Vec<Change> {
    let of = |(number, life): (usize, &Life)| {
        let covariates = lives.covariates_of(number);
        let log = fit.shape() * (fit.intercept - libm::log(fit.curve(&covariates).scale));
        let times = life.count * libm::exp(log);
        let sums: Vec<f64> =
            std::iter::once(times).chain(covariates.iter().map(|x| times * x)).chain([times * log]).collect();
        let leaves = sums.iter().map(|sum| -sum).collect();
        let failed = if life.failed { life.count } else { 0.0 };
        [Change { age: life.entry, sums, failed: 0.0 }, Change { age: life.exit, sums: leaves, failed }]
    };
    lives.lives().iter().enumerate().flat_map(of).collect()
}

/// All failures that the fit expects.
fn total(changes: &[Change], fit: &LifeFit) -> f64 {
    let curve = fit.curve(&[]);
    let left = |change: &Change| change.sums.first().map_or(0.0, |sum| -sum * curve.cumulative_hazard(change.age));
    changes.iter().map(left).sum()
}

impl Cell {
    /// Adds what the packs under watch make expect between two values of `v`, and its slopes: with `H = m v` it is `-shape H` in
    /// the intercept, times the covariate in its coefficient, and `H log H` in the logarithm of the shape.
    fn pass(&mut self, sums: &[f64], (from, to): (f64, f64), shape: f64) {
        let by_log = |v: f64| if v > 0.0 { v * libm::log(v) } else { 0.0 };
        let Some((by_own, line)) = sums.split_last() else { return };
        let watched = line.first().copied().unwrap_or(0.0);
        self.stretch.expected += watched * (to - from);
        self.slopes.iter_mut().zip(line).for_each(|(slope, sum)| *slope -= shape * sum * (to - from));
        if let Some(last) = self.slopes.last_mut() {
            *last += by_own * (to - from) + watched * (by_log(to) - by_log(from));
        }
    }
}

fn statistic(cells: &[Cell], fit: &LifeFit) -> Option<f64> {
    let (_, tested) = cells.split_last()?;
    let mut variance = super::life::Square::zero(tested.len());
    for (row, one) in tested.iter().enumerate() {
        variance.add(row, row, one.stretch.expected);
        for (column, other) in tested.iter().enumerate() {
            variance.add(row, column, -fit.covariance_along(&one.slopes, &other.slopes));
        }
    }
    let misses: Vec<f64> = tested.iter().map(|cell| cell.stretch.failed - cell.stretch.expected).collect();
    let solved = variance.factor(1e-9).ok()?.solve(&misses);
    Some(misses.iter().zip(solved).map(|(miss, part)| miss * part).sum())
}
