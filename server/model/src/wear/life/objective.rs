//! The logarithm of likelihood and prior, with gradient and Hessian.
//!
//! A point holds `[a, b, s]`: the logarithm of the scale beside the longest age, the coefficients of the scaled
//! covariates, and the logarithm of the shape `k`. With `y = log t - a - x'b` and the anchor `w`, `z = k y + w`, a life
//! adds `failed (s - log t + z) - exp(z)`, and `+ exp(z)` at its entry. With `w = 0` `a` is the scale; with
//! `w = log(-log(1 - p))` it is the age by which the share `p` has failed, so that such an age can be profiled.

use super::lives::Lives;
use super::prior::{Normal, Prior};
use super::square::{Square, dot, unit};

/// Value, gradient and Hessian at a point.
#[derive(Clone, Debug)]
pub(super) struct Terms {
    pub(super) value: f64,
    /// The part of the value that is the likelihood's.
    pub(super) loglik: f64,
    pub(super) gradient: Vec<f64>,
    pub(super) hessian: Square,
}

/// What is climbed.
#[derive(Debug)]
pub(super) struct Objective<'a> {
    lives: &'a Lives,
    anchor: f64,
    beliefs: Vec<Belief>,
    sums: Sums,
}

/// A normal prior of `weights' point + shift`, less the anchor over the shape where it is of the scale.
#[derive(Clone, Debug)]
struct Belief {
    weights: Vec<f64>,
    shift: f64,
    of_scale: bool,
    normal: Normal,
}

/// Sums over the lives: with `e = exp(z)` at exit and entry and `q` their difference, of `q x x'` (lower triangle), of
/// the difference of `e y x`, and of that of `e y y`.
#[derive(Clone, Debug)]
struct Sums {
    products: Vec<f64>,
    firsts: Vec<f64>,
    seconds: f64,
}

impl Sums {
    fn zero(width: usize) -> Self {
        Self { products: vec![0.0; width * (width + 1) / 2], firsts: vec![0.0; width], seconds: 0.0 }
    }

    fn clear(&mut self) {
        self.products.fill(0.0);
        self.firsts.fill(0.0);
        self.seconds = 0.0;
    }

    #[inline(always)]
    fn add(&mut self, terms: &[f64], [difference, first, second]: [f64; 3], width: usize) {
        self.seconds += second;
        self.firsts.iter_mut().zip(terms).take(width).for_each(|(sum, term)| *sum += first * term);
        let mut rest = self.products.as_mut_slice();
        for (row, term) in terms.iter().enumerate().take(width) {
            let Some((products, later)) = rest.split_at_mut_checked(row + 1) else { return };
            let weighted = difference * term;
            products.iter_mut().zip(terms).for_each(|(product, other)| *product += weighted * other);
            rest = later;
        }
    }

    /// The sum of `q`: the failures expected.
    fn expected(&self) -> f64 {
        self.products.first().copied().unwrap_or(0.0)
    }

    /// The sum of `q x`.
    fn expected_terms(&self) -> impl Iterator<Item = f64> {
        // The first column of the lower triangle: places 0, 1, 3, 6, ...
        (0..self.firsts.len()).map(|row| self.products.get(row * (row + 1) / 2).copied().unwrap_or(0.0))
    }

    /// The sums after `a` has risen by `rise`, which makes the expected failures `factor` times as many.
    fn shift(&mut self, rise: f64, factor: f64) {
        let expected: Vec<f64> = self.expected_terms().collect();
        let first = self.firsts.first().copied().unwrap_or(0.0);
        self.seconds = factor * (self.seconds - 2.0 * rise * first + rise * rise * self.expected());
        self.firsts.iter_mut().zip(expected).for_each(|(sum, of)| *sum = factor * (*sum - rise * of));
        self.products.iter_mut().for_each(|sum| *sum *= factor);
    }
}

impl<'a> Objective<'a> {
    pub(super) fn new(lives: &'a Lives, prior: &Prior, anchor: f64) -> Self {
        Self { lives, anchor, beliefs: beliefs(lives, prior), sums: Sums::zero(lives.width()) }
    }

    pub(super) fn side(&self) -> usize {
        self.lives.width() + 1
    }

    /// Whether the intercept has a best value in closed form, given the rest: without priors, as the failures expected
    /// are then as many as those seen.
    pub(super) fn settles(&self) -> bool {
        self.beliefs.is_empty() && self.lives.failures() > 0.0
    }

    /// The terms at a point, whose intercept is first set to its best where `settle` says so.
    pub(super) fn at(&mut self, point: &mut [f64], settle: bool) -> Terms {
        self.measure(point);
        if settle {
            self.settle(point);
        }
        let mut terms = self.likelihood(point);
        for belief in &self.beliefs {
            belief.add_to(&mut terms, point, self.anchor);
        }
        terms
    }

    /// One pass over the lives. For few covariates their number is given as a constant, for which the compiler unrolls
    /// the loops.
    fn measure(&mut self, point: &[f64]) {
        match self.lives.width() {
            1 => self.pass(point, 1),
            2 => self.pass(point, 2),
            3 => self.pass(point, 3),
            4 => self.pass(point, 4),
            5 => self.pass(point, 5),
            width => self.pass(point, width),
        }
    }

    #[inline(always)]
    fn pass(&mut self, point: &[f64], width: usize) {
        let (line, shape) = split(point);
        let Some(line) = line.get(..width) else { return };
        let anchor = self.anchor;
        self.sums.clear();
        for (row, terms) in self.lives.rows.iter().zip(self.lives.terms.chunks_exact(width)) {
            let middle = dot(line, terms);
            let weights = |age: f64| {
                let y = age - middle;
                let e = row.count * libm::exp(shape * y + anchor);
                [e, e * y, e * y * y]
            };
            let mut difference = weights(row.exit);
            if row.entry > f64::NEG_INFINITY {
                difference.iter_mut().zip(weights(row.entry)).for_each(|(at_exit, at_entry)| *at_exit -= at_entry);
            }
            self.sums.add(terms, difference, width);
        }
    }

    fn settle(&mut self, point: &mut [f64]) {
        let (_, shape) = split(point);
        let ratio = self.sums.expected() / self.lives.failures();
        let rise = libm::log(ratio) / shape;
        if let Some(intercept) = point.first_mut() {
            *intercept += rise;
        }
        self.sums.shift(rise, 1.0 / ratio);
    }

    fn likelihood(&self, point: &[f64]) -> Terms {
        let (line, shape) = split(point);
        let failed = &self.lives.failed;
        let number = failed.number();
        let place = self.lives.width();
        let mut gradient: Vec<f64> =
            failed.terms.iter().zip(self.sums.expected_terms()).map(|(seen, of)| shape * (of - seen)).collect();
        let mut hessian = Square::zero(self.side());
        let mut products = self.sums.products.iter();
        for (row, (slope, first)) in gradient.iter().zip(&self.sums.firsts).enumerate() {
            for (column, product) in products.by_ref().take(row + 1).enumerate() {
                hessian.add_both(row, column, -shape * shape * product);
            }
            hessian.add_both(row, place, slope + shape * shape * first);
        }
        // The sum of z, less the anchor, over the failures.
        let seen = shape * (failed.logs - dot(line, &failed.terms));
        let bend = seen - shape * self.sums.firsts.first().copied().unwrap_or(0.0);
        gradient.push(number + bend);
        hessian.add(place, place, bend - shape * shape * self.sums.seconds);
        let logs = failed.logs + number * self.lives.longest;
        let log_shape = point.last().copied().unwrap_or(0.0);
        let loglik = number * (log_shape + self.anchor) - logs + seen - self.sums.expected();
        Terms { value: loglik, loglik, gradient, hessian }
    }
}

/// The scale and the coefficients, and the shape.
fn split(point: &[f64]) -> (&[f64], f64) {
    point.split_last().map_or((point, f64::NAN), |(log_shape, line)| (line, libm::exp(*log_shape)))
}

fn beliefs(lives: &Lives, prior: &Prior) -> Vec<Belief> {
    let side = lives.width() + 1;
    let mut all = Vec::new();
    if let Some(normal) = prior.log_shape {
        all.push(Belief { weights: unit(side, side - 1), shift: 0.0, of_scale: false, normal });
    }
    if let Some(normal) = prior.log_scale {
        let weights = intercept_weights(lives, &vec![0.0; lives.covariates.len()]);
        all.push(Belief { weights, shift: lives.longest, of_scale: true, normal });
    }
    for (number, normal) in (0..lives.covariates.len()).filter_map(|number| Some((number, prior.coefficients?))) {
        all.push(Belief { weights: coefficient_weights(lives, number), shift: 0.0, of_scale: false, normal });
    }
    all
}

/// The logarithm of the scale at the given covariates, less that of the longest age, as weights of a point.
pub(super) fn intercept_weights(lives: &Lives, covariates: &[f64]) -> Vec<f64> {
    let scaled = lives.covariates.iter().zip(covariates).map(|(scaling, value)| scaling.scaled(*value));
    std::iter::once(1.0).chain(scaled).chain([0.0]).collect()
}

/// A coefficient per unit of its covariate, as weights of a point.
pub(super) fn coefficient_weights(lives: &Lives, number: usize) -> Vec<f64> {
    let mut weights = unit(lives.width() + 1, number + 1);
    let spread = lives.covariates.get(number).map_or(1.0, |scaling| scaling.spread);
    weights.iter_mut().for_each(|weight| *weight /= spread);
    weights
}

impl Belief {
    fn add_to(&self, terms: &mut Terms, point: &[f64], anchor: f64) {
        let (_, shape) = split(point);
        let lift = if self.of_scale { anchor / shape } else { 0.0 };
        let mut slope = self.weights.clone();
        if let Some(last) = slope.last_mut() {
            *last += lift;
        }
        let precision = 1.0 / (self.normal.sd * self.normal.sd);
        let miss = dot(&self.weights, point) + self.shift - lift - self.normal.mean;
        terms.value += log_density(miss, self.normal.sd);
        terms.gradient.iter_mut().zip(&slope).for_each(|(sum, slope)| *sum -= precision * miss * slope);
        terms.hessian.add_outer(&slope, -precision);
        let last = point.len().saturating_sub(1);
        terms.hessian.add(last, last, precision * miss * lift);
    }
}

/// The logarithm of a normal density, this far from its mean.
pub(super) fn log_density(miss: f64, sd: f64) -> f64 {
    const LOG_ROOT_TAU: f64 = 0.918_938_533_204_672_8;
    -0.5 * miss * miss / (sd * sd) - libm::log(sd) - LOG_ROOT_TAU
}
