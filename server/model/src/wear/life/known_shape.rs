//! The scale where the shape is known.

use super::lives::{Life, Lives};

/// The likeliest scale of a known shape, `(sum of (exit^shape - entry^shape) / failures)^(1 / shape)`; `None` without a
/// failure.
#[must_use]
pub fn scale_of_shape(lives: &Lives, shape: f64) -> Option<f64> {
    scale(lives, shape, lives.failures())
}

/// The scale that a known shape has at least, with this confidence, where no pack has failed:
/// `(sum of (exit^shape - entry^shape) / -log(1 - confidence))^(1 / shape)`, the "Weibayes" bound (Abernethy and others,
/// Weibull Analysis Handbook, AFWAL-TR-83-2079, 1983, formula from memory; entries by the same reasoning). `None` once
/// a pack has failed, without lives, and for a confidence not between 0 and 1.
#[must_use]
pub fn least_scale(lives: &Lives, shape: f64, confidence: f64) -> Option<f64> {
    scale(lives, shape, -libm::log1p(-confidence)).filter(|_| lives.failures() == 0.0)
}

/// `None` where the result is no scale.
fn scale(lives: &Lives, shape: f64, failures: f64) -> Option<f64> {
    // Beside the longest age, since powers of ages may be beyond any number.
    let longest = libm::exp(lives.longest);
    let aged =
        |life: &Life| life.count * (libm::pow(life.exit / longest, shape) - libm::pow(life.entry / longest, shape));
    let hazard: f64 = lives.lives().iter().map(aged).sum();
    let scale = longest * libm::pow(hazard / failures, 1.0 / shape);
    Some(scale).filter(|scale| scale.is_finite() && *scale > 0.0 && shape > 0.0 && failures > 0.0)
}
