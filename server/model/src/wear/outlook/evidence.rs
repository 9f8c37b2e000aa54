//! What checks of a pack's spread say of its life.

use crate::fleet::Metres;

/// The spread found at one check.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpreadCheck {
    /// The pack's age at the check.
    pub age: Metres,
    /// How far the weakest block lies under the median of its pack's blocks at like load, in volts.
    pub spread_v: f64,
}

/// How spread grows over a pack's life: a Wiener process.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpreadWalk {
    /// The spread of a new pack, in volts.
    pub new_v: f64,
    /// Standard deviation of that, in volts.
    pub new_sd_v: f64,
    /// Standard deviation of a check's own error, in volts.
    pub check_sd_v: f64,
    /// Variance that the spread itself gains, in square volts a metre; above 0.
    pub noise_v2_per_m: f64,
}

/// Stand-ins until the fleet's own drift is known (by reasoning): the spread of a new pack and of a check as seen between
/// sound blocks; the noise such that of packs that drift alike with a life of 250,000 km to a limit of 1 V lives scatter
/// by a fifth (`sigma² = 0.2² 0.95² V² / 250,000 km`).
impl Default for SpreadWalk {
    fn default() -> Self {
        Self { new_v: 0.05, new_sd_v: 0.03, check_sd_v: 0.03, noise_v2_per_m: 1.5e-10 }
    }
}

/// What all checks together say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Finding {
    /// There are none.
    Unchecked,
    /// The limit is reached.
    Reached,
    /// The limit is not reached.
    Below(Evidence),
}

/// A level under the limit, as far as lives are weighed by it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Evidence {
    /// Volts to the limit at the last check, all checks weighed.
    pub(super) left: f64,
    /// Metres since then, and the error of `left` as the metres in which the walk strays as far.
    since: f64,
    /// Volts to the limit when the pack was new,
    new_left: f64,
    /// and the metres since, counted likewise.
    whole: f64,
    noise: f64,
}

impl Finding {
    /// The finding for a pack of this age from checks in the order of ages.
    ///
    /// The level is followed through the checks as a Wiener process seen with errors (R. E. Kalman 1960); its drift does not
    /// matter here, see [`Evidence::log_weight`].
    pub(super) fn of(checks: &[SpreadCheck], walk: &SpreadWalk, limit: f64, age: f64) -> Self {
        let Some(last) = checks.last() else { return Self::Unchecked };
        let (mut level, mut variance, mut at) = (walk.new_v, walk.new_sd_v * walk.new_sd_v, 0.0);
        let error = walk.check_sd_v * walk.check_sd_v;
        for check in checks {
            variance += walk.noise_v2_per_m * (check.age.as_f64() - at);
            at = check.age.as_f64();
            let sum = variance + error;
            let trust = if sum > 0.0 { variance / sum } else { 1.0 };
            level += trust * (check.spread_v - level);
            variance *= 1.0 - trust;
        }
        if level >= limit || last.spread_v >= limit {
            return Self::Reached;
        }
        Self::Below(Evidence {
            left: limit - level,
            since: age - at + variance / walk.noise_v2_per_m,
            new_left: limit - walk.new_v,
            whole: age + walk.new_sd_v * walk.new_sd_v / walk.noise_v2_per_m,
            noise: walk.noise_v2_per_m,
        })
    }
}

impl Evidence {
    /// The logarithm of how well a life that ends `further` metres on explains the checks, but for a constant.
    ///
    /// With `g(D, t) = D t^(-3/2) exp(-D² / 2 sigma² t)`, the density of the time in which a Wiener process without drift
    /// first climbs `D` (Chhikara and Folks 1989), it is `log g(left, since + further) - log g(new_left, whole + further)`.
    /// Given when it first reaches its limit a Wiener process is the same whatever its drift, a Bessel bridge
    /// (D. Williams 1974, from memory), so nothing is assumed of how drifts scatter.
    pub(super) fn log_weight(&self, further: f64) -> f64 {
        let log_passage = |distance: f64, time: f64| {
            libm::log(distance) - 1.5 * libm::log(time) - distance * distance / (2.0 * self.noise * time)
        };
        log_passage(self.left, self.since + further) - log_passage(self.new_left, self.whole + further)
    }
}
