//! Intervals by profile likelihood.

use super::climb::{Held, climb, downward};
use super::fit::{Interval, LifeFit, NoFit, log_hazard_at};
use super::lives::Lives;
use super::objective::{Objective, Terms, coefficient_weights, intercept_weights};
use super::prior::Prior;
use super::square::{dot, unit};
use crate::dist::normal;

/// How near the end is found, in the root of twice the fall of the logarithm: about as many standard errors.
const NEAR: f64 = 1e-8;
/// Places tried for one end.
const MOST_TRIES: u32 = 60;
/// An end this far away, in logarithms, is none.
const FARTHEST: f64 = 700.0;

/// What an interval is asked of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Quantity<'a> {
    /// The shape.
    Shape,
    /// The scale of a pack with these covariates.
    Scale(&'a [f64]),
    /// A coefficient.
    Coefficient(usize),
    /// The age by which this share has failed, of packs with these covariates.
    Quantile(f64, &'a [f64]),
}

/// The values for which the likelihood, at its best over all else, is within reach of its top:
/// `2 (top - best) <= z^2`, `z` the normal quantile of the level (so the interval of a fit with a prior is that of the
/// posterior's profile).
///
/// # Errors
/// Says why a search did not end. An end that lies nowhere is not an error but `None`.
pub fn profile(
    lives: &Lives,
    prior: &Prior,
    fit: &LifeFit,
    quantity: Quantity<'_>,
    level: f64,
) -> Result<Interval, NoFit> {
    let side = lives.width() + 1;
    let (weights, shift, anchor) = match quantity {
        Quantity::Shape => (unit(side, side - 1), 0.0, 0.0),
        Quantity::Coefficient(number) => (coefficient_weights(lives, number), 0.0, 0.0),
        Quantity::Scale(covariates) => (intercept_weights(lives, covariates), lives.longest, 0.0),
        Quantity::Quantile(chance, covariates) => {
            (intercept_weights(lives, covariates), lives.longest, log_hazard_at(chance))
        }
    };
    let mut point = fit.top.point.clone();
    if let Some(intercept) = point.first_mut() {
        *intercept += anchor / fit.shape();
    }
    let mut objective = Objective::new(lives, prior, anchor);
    let terms = objective.at(&mut point, false);
    let reach = normal::quantile(0.5 + level / 2.0);
    let mut search = Search { objective, held: Held::new(&weights), weights: &weights, top: (point, terms), reach };
    let value = |end: f64| match quantity {
        Quantity::Coefficient(_) => end,
        _ => libm::exp(end + shift),
    };
    let (low, high) = (search.end(-1.0)?, search.end(1.0)?);
    let finite = |end: Option<f64>| end.map(value).filter(|end| end.is_finite());
    Ok(Interval { low: finite(low), high: finite(high) })
}

struct Search<'a> {
    objective: Objective<'a>,
    held: Held<'a>,
    weights: &'a [f64],
    top: (Vec<f64>, Terms),
    reach: f64,
}

impl Search<'_> {
    /// The end on one side. The root of twice the fall is near a line in the value held, so Newton's steps find it;
    /// what is known to lie inside and outside keeps them in bounds.
    fn end(&mut self, side: f64) -> Result<Option<f64>, NoFit> {
        let (mut point, mut terms) = self.top.clone();
        let top = terms.value;
        let middle = dot(self.weights, &point);
        let (mut inside, mut outside) = (0.0, f64::INFINITY);
        let mut away = self.first_step(&terms)?;
        for _ in 0..MOST_TRIES {
            self.push(&mut point, &terms, middle + side * away);
            let found = match climb(&mut self.objective, point, Some(&self.held)) {
                Ok(found) => found,
                // The likelihood levels out on the way to a shape of 0 or of infinity: there is no end.
                Err(NoFit::ShapeVanishes | NoFit::ShapeRunsAway) => return Ok(None),
                Err(reason) => return Err(reason),
            };
            (point, terms) = (found.point, found.terms);
            let fall = libm::sqrt(2.0 * (top - terms.value).max(0.0));
            if (fall - self.reach).abs() < NEAR {
                return Ok(Some(middle + side * away));
            }
            if fall < self.reach {
                inside = away
            } else {
                outside = away
            }
            // d fall / d away = - slope / fall, the slope taken outwards.
            let steepness = -side * self.held.slope(&terms) / fall;
            away = next_try(away, (self.reach - fall) / steepness, inside, outside);
            if away > FARTHEST {
                return Ok(None);
            }
            if outside.is_finite() && outside - inside <= f64::EPSILON * outside {
                return Ok(Some(middle + side * away));
            }
        }
        Ok(Some(middle + side * away))
    }

    /// As far as the standard error says.
    fn first_step(&self, terms: &Terms) -> Result<f64, NoFit> {
        let lower = downward(&terms.hessian).factor(0.0).map_err(|_| NoFit::NotFinite)?;
        Ok(self.reach * libm::sqrt(dot(self.weights, &lower.solve(self.weights))))
    }

    /// Moves a point so that the held function takes a value, along the way that costs least by the curvature there.
    fn push(&self, point: &mut [f64], terms: &Terms, value: f64) {
        let short = value - dot(self.weights, point);
        let way = downward(&terms.hessian)
            .factor(f64::EPSILON)
            .map_or_else(|_| self.weights.to_vec(), |lower| lower.solve(self.weights));
        let rate = short / dot(self.weights, &way);
        point.iter_mut().zip(way).for_each(|(place, part)| *place += rate * part);
    }
}

/// Newton's next try where it lies between what is known, else the middle; at most twice as far where no outside is known.
fn next_try(away: f64, step: f64, inside: f64, outside: f64) -> f64 {
    let newton = away + step;
    if newton > inside && newton < outside {
        newton.min(2.0 * away)
    } else if outside.is_finite() {
        inside + (outside - inside) / 2.0
    } else {
        2.0 * away
    }
}
