//! The life curve: a Weibull distribution whose scale depends on covariates, by maximum likelihood or posterior.

use std::fmt;

use super::climb::{Top, climb, downward};
use super::lives::Lives;
use super::objective::{Objective, coefficient_weights, intercept_weights};
use super::prior::{Normal, Prior};
use super::square::{Square, dot, unit};
use crate::dist::{Weibull, normal};

/// What is left of a covariate once the others are taken out, below which it is one of them in other words.
const LEAST_OWN: f64 = 1e-9;
/// Failures' worth of information below which a coefficient has none: it runs to infinity while the likelihood levels.
const LEAST_INFORMATION: f64 = 1e-6;
/// The shape a search begins with lies between these.
const FIRST_SHAPES: (f64, f64) = (0.2, 10.0);

/// Why there is no fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum NoFit {
    /// No pack has failed, and shape and scale do not both have a prior: any long life explains the lives as well as
    /// another. With a known shape there is still a lower bound, [`least_scale`](super::least_scale).
    NoFailures,
    /// The likelihood rises with the shape for ever: all failures came at one age, after which no pack was seen alive.
    ShapeRunsAway,
    /// The likelihood rises as the shape falls to 0: packs bought used whose risk falls faster than any Weibull's.
    ShapeVanishes,
    /// This covariate is the same for all packs.
    ConstantCovariate {
        /// Which.
        covariate: usize,
    },
    /// This covariate follows from those before it.
    CollinearCovariate {
        /// Which.
        covariate: usize,
    },
    /// The likelihood rises for ever with this covariate's coefficient, as where no pack of one kind has failed.
    SeparatingCovariate {
        /// Which.
        covariate: usize,
    },
    /// A prior whose mean is not finite or whose standard deviation is not above 0.
    BadPrior {
        /// The prior.
        prior: Normal,
    },
    /// Numbers that cannot be computed with.
    NotFinite,
    /// The search did not end.
    NotConverged {
        /// After so many steps
        steps: u32,
        /// the next one promised to raise the logarithm of the likelihood by half of this.
        gain: f64,
    },
}

impl fmt::Display for NoFit {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoFailures => out.write_str("no pack has failed yet, and shape and scale do not both have a prior"),
            Self::ShapeRunsAway => out.write_str("all failures came at one age, after which no pack was seen alive"),
            Self::ShapeVanishes => out.write_str("the risk falls with age faster than any Weibull curve's"),
            Self::ConstantCovariate { covariate } => write!(out, "covariate {covariate} is the same for all packs"),
            Self::CollinearCovariate { covariate } => write!(out, "covariate {covariate} follows from those before it"),
            Self::SeparatingCovariate { covariate } => {
                write!(out, "covariate {covariate} tells all that failed from all that did not: its effect has no end")
            }
            Self::BadPrior { prior } => {
                write!(out, "a prior of mean {} and standard deviation {} cannot be", prior.mean, prior.sd)
            }
            Self::NotFinite => out.write_str("the lives lead to numbers that cannot be computed with"),
            Self::NotConverged { steps, gain } => write!(out, "no end after {steps} steps (gain {gain})"),
        }
    }
}

impl std::error::Error for NoFit {}

/// An estimate with its standard error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// The estimate.
    pub value: f64,
    /// Its standard error, from the observed information.
    pub se: f64,
}

/// An interval; an end that the lives do not bound is `None`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// The lower end.
    pub low: Option<f64>,
    /// The upper end.
    pub high: Option<f64>,
}

impl Estimate {
    /// `exp(value -+ z se)`, the interval of what this is the logarithm of.
    #[must_use]
    pub fn exp_interval(self, level: f64) -> Interval {
        let reach = normal::quantile(0.5 + level / 2.0) * self.se;
        let end = |log| Some(libm::exp(log)).filter(|end: &f64| end.is_finite());
        Interval { low: end(self.value - reach), high: end(self.value + reach) }
    }
}

/// A fitted life curve: `S(t) = exp(-(t / scale)^shape)`, `log scale = intercept + x'b`, one shape for all.
#[derive(Clone, Debug)]
pub struct LifeFit {
    /// Logarithm of the scale of a pack whose covariates are all 0.
    pub intercept: f64,
    /// The coefficients, per unit of each covariate: 0.1 means 10.5 % longer life.
    pub coefficients: Vec<f64>,
    /// Logarithm of the shape.
    pub log_shape: f64,
    /// Logarithm of the likelihood.
    pub loglik: f64,
    /// Logarithm of likelihood times prior; that of the likelihood without a prior.
    pub log_posterior: f64,
    /// Newton steps taken.
    pub steps: u32,
    covariance: Square,
    /// Where the fit stands in the scaled coordinates, for the profiles.
    pub(super) top: Top,
}

/// Fits a life curve: by maximum likelihood without a prior, else by maximum a posteriori.
///
/// The observed information gives the standard errors. Newton's method, with gradient and Hessian in closed form, each
/// step halved until it rises; one pass over the lives a step.
///
/// # Errors
/// Says why there is no fit.
pub fn fit(lives: &Lives, prior: &Prior) -> Result<LifeFit, NoFit> {
    check(lives, prior)?;
    let mut objective = Objective::new(lives, prior, 0.0);
    let top = climb(&mut objective, first_point(lives, prior), None)?;
    let covariance = scaled_covariance(lives, &top)?;
    Ok(unscaled(lives, top, &covariance))
}

fn check(lives: &Lives, prior: &Prior) -> Result<(), NoFit> {
    let priors = [prior.log_shape, prior.log_scale, prior.coefficients];
    if let Some(&prior) = priors.iter().flatten().find(|prior| !prior.is_proper()) {
        return Err(NoFit::BadPrior { prior });
    }
    check_covariates(lives)?;
    if prior.both().is_none() && lives.failures() <= 0.0 {
        return Err(NoFit::NoFailures);
    }
    // A failure's logarithm is 0 at the longest age and negative before it.
    if prior.log_shape.is_none() && lives.failed.logs >= 0.0 {
        return Err(NoFit::ShapeRunsAway);
    }
    Ok(())
}

fn check_covariates(lives: &Lives) -> Result<(), NoFit> {
    if let Some(covariate) = lives.covariates.iter().position(|scaling| scaling.spread <= 0.0) {
        return Err(NoFit::ConstantCovariate { covariate });
    }
    if lives.covariates.is_empty() {
        return Ok(());
    }
    let mut products = Square::zero(lives.width());
    for (row, terms) in lives.each() {
        products.add_outer(terms, row.count);
    }
    let collinear = |row: usize| NoFit::CollinearCovariate { covariate: row.saturating_sub(1) };
    products.factor(LEAST_OWN).map(|_| ()).map_err(collinear)
}

/// The search begins with the shape that the scatter of the failures' logarithms would mean: their standard deviation
/// is 1.28 over the shape for whole lives, and 1 over it where only the youngest failures were seen.
fn first_point(lives: &Lives, prior: &Prior) -> Vec<f64> {
    let failed = &lives.failed;
    let number = failed.number();
    let mean = failed.logs / number;
    let scatter = libm::sqrt(failed.squares / number - mean * mean);
    let (least, most) = FIRST_SHAPES;
    let believed = prior.log_shape.map_or(0.0, |normal| normal.mean);
    let by_scatter = scatter > 0.0 && number > 2.0;
    let log_shape = if by_scatter { libm::log((1.15 / scatter).clamp(least, most)) } else { believed };
    let mut point = vec![0.0; lives.width() + 1];
    if let Some(last) = point.last_mut() {
        *last = log_shape;
    }
    if let Some((intercept, normal)) = point.first_mut().zip(prior.log_scale) {
        *intercept = normal.mean - lives.longest;
    }
    point
}

/// The inverse of the observed information, in the scaled coordinates.
fn scaled_covariance(lives: &Lives, top: &Top) -> Result<Square, NoFit> {
    let bend = downward(&top.terms.hessian);
    let shape = libm::exp(top.point.last().copied().unwrap_or(0.0));
    let lower = bend.factor(f64::EPSILON).map_err(|row| lost(lives, row))?;
    let inverse = lower.inverse();
    // Of a coefficient: its variance, times the squared shape, is one over the failures' worth of information.
    let known = |place: usize| inverse.at(place, place) * shape * shape < 1.0 / LEAST_INFORMATION;
    match (1..lives.width()).find(|place| !known(*place)) {
        Some(place) => Err(NoFit::SeparatingCovariate { covariate: place - 1 }),
        None => Ok(inverse),
    }
}

fn lost(lives: &Lives, row: usize) -> NoFit {
    match row.checked_sub(1) {
        Some(covariate) if covariate < lives.covariates.len() => NoFit::SeparatingCovariate { covariate },
        _ => NoFit::NotFinite,
    }
}

fn unscaled(lives: &Lives, top: Top, covariance: &Square) -> LifeFit {
    let side = lives.width() + 1;
    let zeros = vec![0.0; lives.covariates.len()];
    let mut rows = vec![intercept_weights(lives, &zeros)];
    rows.extend((0..lives.covariates.len()).map(|number| coefficient_weights(lives, number)));
    rows.push(unit(side, side - 1));
    let mut turned = Square::zero(side);
    for (place, row) in rows.iter().enumerate() {
        let along = covariance.times(row);
        for (other, weights) in rows.iter().enumerate() {
            turned.set(place, other, dot(weights, &along));
        }
    }
    let values: Vec<f64> = rows.iter().map(|weights| dot(weights, &top.point)).collect();
    LifeFit {
        intercept: values.first().copied().unwrap_or(f64::NAN) + lives.longest,
        coefficients: values.iter().skip(1).take(lives.covariates.len()).copied().collect(),
        log_shape: values.last().copied().unwrap_or(f64::NAN),
        loglik: top.terms.loglik,
        log_posterior: top.terms.value,
        steps: top.steps,
        covariance: turned,
        top,
    }
}

impl LifeFit {
    /// The shape.
    #[must_use]
    pub fn shape(&self) -> f64 {
        libm::exp(self.log_shape)
    }

    /// The curve of a pack with these covariates; those left out count as 0.
    #[must_use]
    pub fn curve(&self, covariates: &[f64]) -> Weibull {
        Weibull { shape: self.shape(), scale: libm::exp(self.intercept + dot(&self.coefficients, covariates)) }
    }

    /// Covariance of two parameters, in the order intercept, coefficients, logarithm of the shape.
    #[must_use]
    pub fn covariance(&self, one: usize, other: usize) -> f64 {
        self.covariance.at(one, other)
    }

    /// Covariance of two linear functions of the parameters.
    pub(crate) fn covariance_along(&self, one: &[f64], other: &[f64]) -> f64 {
        dot(one, &self.covariance.times(other))
    }

    /// The intercept: of no covariates the logarithm of the scale.
    #[must_use]
    pub fn intercept(&self) -> Estimate {
        Estimate { value: self.intercept, se: libm::sqrt(self.covariance.at(0, 0)) }
    }

    /// A coefficient.
    #[must_use]
    pub fn coefficient(&self, number: usize) -> Option<Estimate> {
        let value = *self.coefficients.get(number)?;
        Some(Estimate { value, se: libm::sqrt(self.covariance.at(number + 1, number + 1)) })
    }

    /// The logarithm of the shape.
    #[must_use]
    pub fn log_shape(&self) -> Estimate {
        let last = self.coefficients.len() + 1;
        Estimate { value: self.log_shape, se: libm::sqrt(self.covariance.at(last, last)) }
    }

    /// The logarithm of the age by which this share has failed, of packs with these covariates:
    /// `intercept + x'b + log(-log(1 - chance)) / shape`, its error by the delta method.
    #[must_use]
    pub fn log_quantile(&self, chance: f64, covariates: &[f64]) -> Estimate {
        let lift = log_hazard_at(chance) / self.shape();
        let value = libm::log(self.curve(covariates).scale) + lift;
        Estimate { value, se: self.error(1.0, covariates, -lift) }
    }

    /// The chance that a pack alive at `age` fails within `further`, with its interval: the delta method on the
    /// logarithm of the hazard between the two ages, which keeps the ends between 0 and 1.
    #[must_use]
    pub fn chance_within(&self, age: f64, further: f64, covariates: &[f64], level: f64) -> (f64, Interval) {
        let curve = self.curve(covariates);
        let hazard = curve.hazard_between(age, further);
        if hazard <= 0.0 {
            return (0.0, Interval { low: Some(0.0), high: Some(0.0) });
        }
        // The hazard's slope in the logarithm of the shape: the sum of each end's hazard times its own logarithm.
        let bend = |age: f64| {
            let hazard = curve.cumulative_hazard(age);
            if hazard > 0.0 { hazard * libm::log(hazard) } else { 0.0 }
        };
        let along_shape = (bend(age + further) - bend(age)) / hazard;
        let log_hazard = Estimate { value: libm::log(hazard), se: self.error(-curve.shape, covariates, along_shape) };
        let ends = log_hazard.exp_interval(level);
        let chance = |hazard: f64| -libm::expm1(-hazard);
        (chance(hazard), Interval { low: ends.low.map(chance), high: Some(ends.high.map_or(1.0, chance)) })
    }

    /// The standard error of `line (intercept + x'b) + shape_part log_shape`.
    fn error(&self, line: f64, covariates: &[f64], shape_part: f64) -> f64 {
        let given = (0..self.coefficients.len()).map(|number| covariates.get(number).copied().unwrap_or(0.0));
        let weights: Vec<f64> =
            std::iter::once(line).chain(given.map(|value| line * value)).chain([shape_part]).collect();
        libm::sqrt(self.covariance_along(&weights, &weights))
    }
}

/// The logarithm of the hazard by which this share has failed.
pub(super) fn log_hazard_at(chance: f64) -> f64 {
    libm::log(-libm::log1p(-chance))
}
