//! Whether a life curve fits the lives it came from.

use std::fmt;

use super::life::{LifeFit, Lives};
use crate::dist::gamma;

/// Failures below which a curve is not tested, and said to rest on too few (by reasoning: two stretches of five each,
/// the least that Pearson's rule of thumb asks of a class).
const FEWEST: f64 = 10.0;
/// Failures that a stretch should hold, and the most stretches (by reasoning).
const FAILURES_A_STRETCH: f64 = 8.0;
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
/// The ages are cut into stretches of as many failures each. Against the fit stands a hazard that is a multiple of the
/// fit's in each stretch; the score test of all multiples being 1 has the statistic `u' V^-1 u` with `u` seen less
/// expected failures and `V` their covariance with the curve's parameters estimated, `diag(expected) - D C D'` (`D` the slope
/// of the expected failures in the parameters, `C` the covariance of the parameters). One multiple is left out, since all
/// together are the scale, so it has chi-square distribution with one degree of freedom less than stretches (N. L.
/// Hjort, Annals of Statistics 18 (1990) 1221-1258; M. G. Akritas, JASA 83 (1988) 222-230). The lives may be censored
/// and truncated and have covariates.
#[must_use]
pub fn check_fit(lives: &Lives, fit: &LifeFit) -> FitCheck {
    let mut cells = cells(lives);
    expect(&mut cells, lives, fit);
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

/// Stretches of about as many failures each; what failed at one age stays together.
fn cells(lives: &Lives) -> Vec<Cell> {
    let mut failed: Vec<(f64, f64)> =
        lives.lives().iter().filter(|life| life.failed).map(|life| (life.exit, life.count)).collect();
    failed.sort_unstable_by(|one, other| one.0.total_cmp(&other.0));
    let all = lives.failures();
    let number = ((all / FAILURES_A_STRETCH) as usize).clamp(2, MOST_STRETCHES);
    let share = all / number as f64;
    let slopes = vec![0.0; lives.width() + 1];
    let (mut from, mut held, mut seen) = (0.0, 0.0, 0.0);
    let mut cells = Vec::new();
    for same in failed.chunk_by(|one, other| one.0 == other.0) {
        let to = same.first().map_or(from, |one| one.0);
        let count: f64 = same.iter().map(|one| one.1).sum();
        held += count;
        seen += count;
        // Half a failure of slack, so that the last stretch is not left with what rounding spares.
        let due = share * (cells.len() + 1) as f64;
        if seen + 0.5 > due && cells.len() + 1 < number && seen < all {
            cells.push(Cell { stretch: Stretch { from, to, failed: held, expected: 0.0 }, slopes: slopes.clone() });
            (from, held) = (to, 0.0);
        }
    }
    cells.push(Cell { stretch: Stretch { from, to: f64::INFINITY, failed: held, expected: 0.0 }, slopes });
    cells
}

/// Adds up what each life makes expect in each stretch, and the slopes: with `H = exp(k (log t - line))` in the line
/// `-k H`, times the covariate for its coefficient, and in the logarithm of the shape `H log H`.
fn expect(cells: &mut [Cell], lives: &Lives, fit: &LifeFit) {
    let shape = fit.shape();
    for (number, life) in lives.lives().iter().enumerate() {
        let covariates = lives.covariates_of(number);
        let curve = fit.curve(&covariates);
        let hazard = |age: f64| {
            let hazard = curve.cumulative_hazard(age);
            (hazard, if hazard > 0.0 { hazard * libm::log(hazard) } else { 0.0 })
        };
        let mut before = hazard(life.entry);
        for cell in cells.iter_mut() {
            if life.exit <= cell.stretch.from {
                break;
            }
            if life.entry >= cell.stretch.to {
                continue;
            }
            let after = hazard(life.exit.min(cell.stretch.to));
            let expected = life.count * (after.0 - before.0);
            let along_shape = life.count * (after.1 - before.1);
            cell.stretch.expected += expected;
            let line = -shape * expected;
            let slopes = std::iter::once(line).chain(covariates.iter().map(|value| line * value)).chain([along_shape]);
            cell.slopes.iter_mut().zip(slopes).for_each(|(sum, slope)| *sum += slope);
            before = after;
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
