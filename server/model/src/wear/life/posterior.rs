//! The posterior of shape and scale, by quadrature.

use super::fit::{Estimate, NoFit, fit};
use super::lives::Lives;
use super::objective::log_density;
use super::prior::{Normal, Prior};
use crate::dist::Weibull;

/// Nodes are this far apart, in standard deviations: the trapezoidal rule is then exact to many digits for a smooth
/// density that fades at both ends (Trefethen and Weideman 2014).
const SPACING: f64 = 0.2;
/// That of the scales for one shape, which cost no pass over the lives: fine enough for quantiles.
const FINE_SPACING: f64 = 0.1;
/// Nodes less dense than the densest by this, in logarithms, are left out.
const FADED: f64 = 26.0;
/// How near a quantile is found, relative to it.
const NEAR: f64 = 1e-8;
/// Nodes in one direction.
const MOST_NODES: u32 = 2_000;

/// What the shape and the scale may be, given lives without covariates and a prior of both.
///
/// Nodes in both logarithms, each with its share of the probability. For a given shape the lives come into the
/// likelihood by one sum only, so there is one pass over them for each shape and not for each node.
#[derive(Clone, Debug, PartialEq)]
pub struct Posterior {
    nodes: Vec<Node>,
    /// Logarithm of the chance of the lives under the prior.
    pub log_evidence: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Node {
    log_scale: f64,
    log_shape: f64,
    /// Half the distance to its neighbours in the logarithm of the scale.
    reach: f64,
    /// A logarithm at first, a share at the end.
    weight: f64,
}

impl Posterior {
    /// The posterior of lives; their covariates are not looked at.
    ///
    /// # Errors
    /// As [`fit()`], and [`NoFit::NoFailures`] where shape and scale do not both have a prior, since then their
    /// posterior need not exist.
    pub fn new(lives: &Lives, prior: &Prior) -> Result<Self, NoFit> {
        let (shape_prior, scale_prior) = prior.both().ok_or(NoFit::NoFailures)?;
        let plain = lives.without_covariates();
        let mode = fit(&plain, &Prior { coefficients: None, ..prior.clone() })?;
        let mut nodes = Vec::new();
        let mut add = |log_shape: f64| {
            let slice = Slice::new(&plain, log_shape, &scale_prior);
            let known = log_density(log_shape - shape_prior.mean, shape_prior.sd) + slice.constant;
            slice.nodes(known, &mut nodes)
        };
        let spacing = SPACING * mode.log_shape().se;
        walk(mode.log_shape, spacing, &mut add);
        Ok(Self::weighed(nodes, spacing))
    }

    fn weighed(mut nodes: Vec<Node>, spacing: f64) -> Self {
        let densest = nodes.iter().fold(f64::NEG_INFINITY, |densest, node| densest.max(node.weight));
        nodes.retain(|node| node.weight > densest - FADED);
        nodes.iter_mut().for_each(|node| node.weight = libm::exp(node.weight - densest));
        let all: f64 = nodes.iter().map(|node| node.weight).sum();
        nodes.iter_mut().for_each(|node| node.weight /= all);
        Self { nodes, log_evidence: densest + libm::log(all * spacing) }
    }

    /// The mean and the standard deviation of something that depends on the curve.
    pub fn of(&self, something: impl Fn(Weibull) -> f64) -> Estimate {
        let mean: f64 = self.nodes.iter().map(|node| node.weight * something(node.curve())).sum();
        let square = self.nodes.iter().map(|node| {
            let miss = something(node.curve()) - mean;
            node.weight * miss * miss
        });
        Estimate { value: mean, se: libm::sqrt(square.sum()) }
    }

    /// The value that something which depends on the curve stays below with this chance, where it rises or falls with
    /// the scale. A node's share is spread over the scales nearest to it.
    pub fn quantile_of(&self, something: impl Fn(Weibull) -> f64, chance: f64) -> f64 {
        let span = |node: &Node| {
            let end = |log_scale| something(Node { log_scale, ..*node }.curve());
            let (one, other) = (end(node.log_scale - node.reach), end(node.log_scale + node.reach));
            (one.min(other), one.max(other), node.weight)
        };
        let spans: Vec<(f64, f64, f64)> = self.nodes.iter().map(span).collect();
        let below = |value: f64| -> f64 {
            spans.iter().map(|(low, high, weight)| weight * ((value - low) / (high - low)).clamp(0.0, 1.0)).sum()
        };
        let mut low = spans.iter().fold(f64::INFINITY, |least, span| least.min(span.0));
        let mut high = spans.iter().fold(f64::NEG_INFINITY, |most, span| most.max(span.1));
        while high - low > NEAR * low.abs().max(high.abs()) {
            let middle = low + (high - low) / 2.0;
            if below(middle) < chance { low = middle } else { high = middle }
        }
        low + (high - low) / 2.0
    }
}

impl Node {
    fn curve(&self) -> Weibull {
        Weibull { shape: libm::exp(self.log_shape), scale: libm::exp(self.log_scale) }
    }
}

/// The posterior of the scale for one shape. With `u` the logarithm of the scale beside the longest age it is
/// `constant - failures shape u - hazard exp(-shape u) - (u - mean)^2 / 2 sd^2`.
struct Slice {
    log_shape: f64,
    shape: f64,
    longest: f64,
    failures: f64,
    hazard: f64,
    constant: f64,
    mean: f64,
    sd: f64,
}

impl Slice {
    fn new(lives: &Lives, log_shape: f64, prior: &Normal) -> Self {
        let shape = libm::exp(log_shape);
        let hazard =
            lives.rows.iter().map(|row| row.count * (libm::exp(shape * row.exit) - libm::exp(shape * row.entry)));
        let failures = lives.failures();
        let logs = lives.failed.logs;
        Self {
            log_shape,
            shape,
            longest: lives.longest,
            failures,
            hazard: hazard.sum(),
            constant: failures * log_shape + (shape - 1.0) * logs - failures * lives.longest,
            mean: prior.mean - lives.longest,
            sd: prior.sd,
        }
    }

    fn density(&self, u: f64) -> f64 {
        let miss = u - self.mean;
        -self.failures * self.shape * u - self.hazard * libm::exp(-self.shape * u) + log_density(miss, self.sd)
    }

    /// The densest scale and the standard deviation about it. The slope falls, and is convex left of its root, so
    /// Newton's steps from the left come to it from one side.
    fn top(&self) -> (f64, f64) {
        let precision = 1.0 / (self.sd * self.sd);
        let expected = |u: f64| self.shape * self.hazard * libm::exp(-self.shape * u);
        let slope = |u: f64| expected(u) - self.failures * self.shape - (u - self.mean) * precision;
        let bend = |u: f64| self.shape * expected(u) + precision;
        // Left of the root, where the slope is not negative: of the prior's mean and the likeliest scale the lesser.
        let likeliest = libm::log(self.hazard / self.failures) / self.shape;
        let mut u = self.mean.min(likeliest);
        for _ in 0..MOST_NODES {
            let step = slope(u) / bend(u);
            u += step;
            if step.abs() <= 1e-10 * libm::sqrt(1.0 / bend(u)) {
                break;
            }
        }
        (u, libm::sqrt(1.0 / bend(u)))
    }

    /// Adds the nodes of this shape; gives the densest one's logarithm.
    fn nodes(&self, known: f64, nodes: &mut Vec<Node>) -> f64 {
        let (top, sd) = self.top();
        let spacing = FINE_SPACING * sd;
        let mut add = |u: f64| {
            let density = known + self.density(u);
            let weight = density + libm::log(spacing);
            let (log_scale, log_shape) = (u + self.longest, self.log_shape);
            nodes.push(Node { log_scale, log_shape, reach: spacing / 2.0, weight });
            density
        };
        walk(top, spacing, &mut add);
        known + self.density(top)
    }
}

/// Visits places this far apart, from the middle out on both sides, until the density has faded.
fn walk(middle: f64, spacing: f64, visit: &mut impl FnMut(f64) -> f64) {
    let mut densest = visit(middle);
    for side in [-1.0, 1.0] {
        for number in 1..=MOST_NODES {
            let density = visit(middle + side * f64::from(number) * spacing);
            densest = densest.max(density);
            if density < densest - FADED || density.is_nan() {
                break;
            }
        }
    }
}
