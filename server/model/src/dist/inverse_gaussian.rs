//! When a Wiener process with drift first reaches a limit: the inverse Gaussian distribution, and its mixture over a
//! drift that is not known exactly.

use std::f64::consts::{FRAC_1_SQRT_2, LN_2, TAU};

use super::erfcx::{difference, erfcx};

/// A Wiener process `X(t) = drift t + sigma B(t)` that starts at zero, and how far off its limit is.
///
/// The drift is normal: known only to a mean and a variance. Any unit of level and of time, the same throughout.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Walk {
    /// How far the limit is off, in the level's unit; above zero.
    pub distance: f64,
    /// Mean of the drift, in level per time; of any sign.
    pub drift: f64,
    /// Variance of the drift, in its unit squared; zero when the drift is known exactly.
    pub drift_variance: f64,
    /// `sigma²`: variance that the process gains in a unit of time; above zero.
    pub noise: f64,
}

impl Walk {
    /// When the walk first reaches its limit.
    ///
    /// # Errors
    /// `None` when distance or noise is not above zero, the drift's variance is negative, or a number is not finite.
    #[must_use]
    pub fn passage(self) -> Option<FirstPassage> {
        let Self { distance, drift, drift_variance, noise } = self;
        let finite = [distance, drift, drift_variance, noise].iter().all(|number| number.is_finite());
        (finite && distance > 0.0 && noise > 0.0 && drift_variance >= 0.0).then_some(FirstPassage(self))
    }
}

/// Distribution of the time at which a [`Walk`] first reaches its limit.
///
/// With distance `D`, drift `N(m, v)` and `s = sigma²`:
///
/// `F(t) = Phi((m t - D) / r) + exp(2 m D / s + 2 v D² / s²) Phi(-(2 v D t + s (m t + D)) / (s r))`, `r² = s t + v t²`
///
/// (Whitmore 1986; Peng & Tseng 2009). For `v = 0` and `m > 0` it is the inverse Gaussian of mean `D / m` and shape
/// `D² / s` (Chhikara & Folks 1989). A drift that may be negative leaves a chance that the limit is never reached.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FirstPassage(Walk);

/// Where the closed form stands at one time: `F = Phi(a) + exp(e) Phi(-b)` with `b = a + gap` and
/// `e - b²/2 = -a²/2`, which is why the second term needs no exponential that overflows.
struct Place {
    a: f64,
    gap: f64,
}

/// Below this `a` the survival is one minus the chance; above, the difference of the two terms.
const EARLY: f64 = -1.0;

/// No root of the logarithm of time is looked for beyond this: the largest that has an exponential.
const FURTHEST: f64 = 700.0;

impl FirstPassage {
    /// Density at `t`, per unit of time; zero for `t <= 0`.
    #[must_use]
    pub fn pdf(&self, t: f64) -> f64 {
        libm::exp(self.log_pdf(t))
    }

    /// The chance that the limit is reached by `t`.
    #[must_use]
    pub fn cdf(&self, t: f64) -> f64 {
        libm::exp(self.log_cdf(t))
    }

    /// The chance that the limit is not yet reached at `t`.
    #[must_use]
    pub fn sf(&self, t: f64) -> f64 {
        libm::exp(self.log_sf(t))
    }

    /// Logarithm of [`Self::cdf`], exact far into the lower tail.
    #[must_use]
    pub fn log_cdf(&self, t: f64) -> f64 {
        if t <= 0.0 {
            return f64::NEG_INFINITY;
        }
        let Place { a, gap } = self.place(t);
        if a > 0.0 {
            return complement(self.log_sf(t));
        }
        let first = erfcx(-a * FRAC_1_SQRT_2);
        let b = a + gap;
        if b >= 0.0 {
            return -a * a / 2.0 + libm::log((first + erfcx(b * FRAC_1_SQRT_2)) / 2.0);
        }
        let Walk { distance, drift, drift_variance, noise } = self.0;
        let exponent = 2.0 * distance / noise * (drift + drift_variance * distance / noise);
        let second = exponent + libm::log(super::normal::cdf(-b));
        log_sum(-a * a / 2.0 + libm::log(first / 2.0), second)
    }

    /// Logarithm of [`Self::sf`], exact far into the upper tail.
    #[must_use]
    pub fn log_sf(&self, t: f64) -> f64 {
        if t <= 0.0 {
            return 0.0;
        }
        let Place { a, gap } = self.place(t);
        if a < EARLY {
            return complement(self.log_cdf(t));
        }
        -a * a / 2.0 + libm::log(difference(a * FRAC_1_SQRT_2, gap * FRAC_1_SQRT_2) / 2.0)
    }

    /// The chance that the limit is never reached, which only a drift that may be negative leaves.
    #[must_use]
    pub fn never(&self) -> f64 {
        let Walk { distance, drift, drift_variance, noise } = self.0;
        if drift_variance > 0.0 {
            return self.sf(f64::INFINITY);
        }
        -libm::expm1(2.0 * drift.min(0.0) * distance / noise)
    }

    /// The time by which the limit is reached with chance `p`: infinite where it never gets that likely, zero for
    /// `p <= 0`, not a number for not a number.
    ///
    /// Newton's method on the logarithm of the smaller of chance and survival over the logarithm of time, held inside
    /// a bracket.
    #[must_use]
    pub fn quantile(&self, p: f64) -> f64 {
        if p.is_nan() {
            return f64::NAN;
        }
        if p <= 0.0 {
            return 0.0;
        }
        if 1.0 - p <= self.never() {
            return f64::INFINITY;
        }
        let Some((mut low, mut high)) = self.bracket(p) else { return f64::INFINITY };
        let mut y = (low + high) / 2.0;
        for _ in 0..200 {
            let (miss, slope) = self.miss(libm::exp(y), p);
            if miss < 0.0 {
                low = y
            } else {
                high = y
            }
            let newton = y - miss / slope;
            let next = if low < newton && newton < high { newton } else { (low + high) / 2.0 };
            if (next - y).abs() <= f64::EPSILON * (1.0 + y.abs()) {
                break;
            }
            y = next;
        }
        libm::exp(y)
    }

    fn log_pdf(&self, t: f64) -> f64 {
        if t <= 0.0 || t == f64::INFINITY {
            return f64::NEG_INFINITY;
        }
        let Walk { distance, drift, drift_variance, noise } = self.0;
        let spread = noise + drift_variance * t;
        let off = distance - drift * t;
        libm::log(distance) - (3.0 * libm::log(t) + libm::log(TAU * spread) + off / t * (off / spread)) / 2.0
    }

    fn place(&self, t: f64) -> Place {
        let Walk { distance, drift, drift_variance, noise } = self.0;
        let scale = libm::sqrt(noise / t + drift_variance);
        Place { a: (drift - distance / t) / scale, gap: 2.0 * distance * scale / noise }
    }

    /// How far the chance at `t` misses `p`, in logarithms, and how fast that rises with the logarithm of time.
    fn miss(&self, t: f64, p: f64) -> (f64, f64) {
        let log_rate = self.log_pdf(t) + libm::log(t);
        if p <= 0.5 {
            let log_cdf = self.log_cdf(t);
            return (log_cdf - libm::log(p), libm::exp(log_rate - log_cdf));
        }
        let log_sf = self.log_sf(t);
        (libm::log1p(-p) - log_sf, libm::exp(log_rate - log_sf))
    }

    /// Logarithms of two times between which the chance passes `p`.
    fn bracket(&self, p: f64) -> Option<(f64, f64)> {
        let Walk { distance, drift, noise, .. } = self.0;
        let by_noise = distance * distance / noise;
        let start = libm::log(if drift > 0.0 { by_noise.min(distance / drift) } else { by_noise });
        let passed = |y: f64| self.miss(libm::exp(y), p).0 >= 0.0;
        let mut step = if passed(start) { -1.0 } else { 1.0 };
        let mut from = start;
        loop {
            let to = from + step;
            if to.is_nan() || to.abs() > FURTHEST {
                return None;
            }
            if passed(to) == (step > 0.0) {
                return Some((from.min(to), from.max(to)));
            }
            from = to;
            step *= 2.0;
        }
    }
}

/// `log(1 - exp(x))` for `x <= 0`.
fn complement(x: f64) -> f64 {
    if x > -LN_2 { libm::log(-libm::expm1(x)) } else { libm::log1p(-libm::exp(x)) }
}

/// `log(exp(x) + exp(y))`.
fn log_sum(x: f64, y: f64) -> f64 {
    let (more, less) = (x.max(y), x.min(y));
    if less == f64::NEG_INFINITY { more } else { more + libm::log1p(libm::exp(less - more)) }
}

#[cfg(test)]
mod tests;
