//! How far a pack still goes: the life curve given its age, weighed by the checks.

use super::evidence::Evidence;
use crate::dist::Weibull;
use crate::wear::quadrature::integral;

/// Logarithms of hazard between which lives are looked for, and how far apart the first looks are.
const LEAST: f64 = -60.0;
const MOST: f64 = 20.0;
const LOOKS: u32 = 80;
/// Looks once it is known where.
const CLOSER_LOOKS: u32 = 32;
/// What is less dense than the densest by this, in logarithms, is left out.
const FADED: f64 = 27.0;
/// Parts in which the density is integrated.
const PARTS: u32 = 32;

/// Distance still to go of a pack alive at `age`, both in the curve's unit.
///
/// The density is taken over `z`, the logarithm of the hazard that the curve gathers from the age on: there the curve
/// alone is `exp(z - e^z)` whatever its shape and scale, smooth and fading at both ends.
#[derive(Clone, Debug)]
pub(super) struct Remaining {
    curve: Weibull,
    age: f64,
    /// The hazard that the curve has gathered by the age.
    gathered: f64,
    weighed: Option<Weighed>,
}

/// The density weighed by evidence: its mass before each of the parts.
#[derive(Clone, Debug)]
struct Weighed {
    evidence: Evidence,
    low: f64,
    width: f64,
    peak: f64,
    before: Vec<f64>,
}

impl Remaining {
    pub(super) fn new(curve: Weibull, age: f64, evidence: Option<Evidence>) -> Self {
        let plain = Self { curve, age, gathered: curve.cumulative_hazard(age), weighed: None };
        let weighed = evidence.and_then(|evidence| plain.weighed_by(evidence));
        Self { weighed, ..plain }
    }

    /// The chance to fail within `further` by the curve alone.
    pub(super) fn by_curve(&self, further: f64) -> f64 {
        self.curve.chance_within(self.age, further)
    }

    /// The chance to fail within `further`.
    pub(super) fn chance(&self, further: f64) -> f64 {
        let Some(weighed) = &self.weighed else { return self.by_curve(further) };
        let z = libm::log(self.curve.hazard_between(self.age, further));
        let place = ((z - weighed.low) / weighed.width).clamp(0.0, f64::from(PARTS));
        let part = libm::floor(place);
        let low = weighed.low + part * weighed.width;
        let within = integral(low, z.max(low).min(low + weighed.width), |z| self.density(weighed, z));
        let (Some(before), Some(all)) = (weighed.before.get(part as usize), weighed.before.last()) else { return 0.0 };
        ((before + if place > part { within } else { 0.0 }) / all).clamp(0.0, 1.0)
    }

    /// The distance after which the curve has gathered this much more hazard than at the age.
    fn further(&self, hazard: f64) -> f64 {
        if self.gathered > 0.0 {
            self.age * libm::expm1(libm::log1p(hazard / self.gathered) / self.curve.shape)
        } else {
            self.curve.scale * libm::pow(hazard, 1.0 / self.curve.shape)
        }
    }

    fn log_density(&self, evidence: &Evidence, z: f64) -> f64 {
        let hazard = libm::exp(z);
        let density = z - hazard + evidence.log_weight(self.further(hazard));
        if density.is_finite() { density } else { f64::NEG_INFINITY }
    }

    fn density(&self, weighed: &Weighed, z: f64) -> f64 {
        libm::exp(self.log_density(&weighed.evidence, z) - weighed.peak)
    }

    /// `None` where no life explains the checks, as far as numbers go.
    fn weighed_by(&self, evidence: Evidence) -> Option<Weighed> {
        let log_density = |z: f64| self.log_density(&evidence, z);
        let mut span = dense(LEAST, MOST, LOOKS, &log_density)?;
        loop {
            let closer = dense(span.low, span.high, CLOSER_LOOKS, &log_density)?;
            let narrower = closer.high - closer.low < (span.high - span.low) / 2.0;
            span = closer;
            if !narrower {
                break;
            }
        }
        let width = (span.high - span.low) / f64::from(PARTS);
        let mut weighed = Weighed { evidence, low: span.low, width, peak: span.peak, before: vec![0.0] };
        let mut mass = 0.0;
        for part in 0..PARTS {
            let low = span.low + f64::from(part) * width;
            mass += integral(low, low + width, |z| self.density(&weighed, z));
            weighed.before.push(mass);
        }
        (mass > 0.0).then_some(weighed)
    }
}

/// Where a density has not faded, and its peak's logarithm.
struct Span {
    low: f64,
    high: f64,
    peak: f64,
}

/// Looks from `low` to `high`; a look to either side of what is dense belongs to it. `None` where nothing is.
fn dense(low: f64, high: f64, looks: u32, log_density: &impl Fn(f64) -> f64) -> Option<Span> {
    let step = (high - low) / f64::from(looks);
    let seen: Vec<(f64, f64)> = (0..=looks)
        .map(|look| {
            let z = low + f64::from(look) * step;
            (z, log_density(z))
        })
        .collect();
    let peak = seen.iter().fold(f64::NEG_INFINITY, |peak, (_, density)| peak.max(*density));
    let kept = |(_, density): &&(f64, f64)| *density > peak - FADED;
    let first = seen.iter().find(kept)?.0;
    let last = seen.iter().rev().find(kept)?.0;
    Some(Span { low: (first - step).max(low), high: (last + step).min(high), peak })
}
