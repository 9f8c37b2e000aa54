//! What checks of a pack's spread say of its life.

use crate::fleet::Metres;
/// The powers that a fleet is tried with, in quarters.
const POWERS: std::ops::RangeInclusive<u8> = 2..=12;
/// The noises, in halvings and doublings of half a step, of the usual one.
const NOISES: std::ops::RangeInclusive<i8> = -10..=14;
const USUAL_NOISE: f64 = 1.5e-10;

/// The spread found at one check.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpreadCheck {
    /// The pack's age at the check.
    pub age: Metres,
    /// How far the weakest block lies under the median of its pack's blocks at like load, in volts.
    pub spread_v: f64,
}

/// How spread grows over a pack's life: a Wiener process over the pack's clock `reference (age / reference)^power`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpreadWalk {
    /// The spread of a new pack, in volts.
    pub new_v: f64,
    /// Standard deviation of that, in volts.
    pub new_sd_v: f64,
    /// Standard deviation of a check's own error, in volts.
    pub check_sd_v: f64,
    /// Variance that the spread itself gains, in square volts a metre of the clock; above 0.
    pub noise_v2_per_m: f64,
    /// The power of distance with which spread grows but for noise: 1 evenly, more ever faster; from 0.5 to 4.
    pub power: f64,
    /// The age, in metres, at which the clock shows the distance done; above 0. Without effect at power 1.
    pub reference_m: f64,
}

/// Stand-ins until the fleet's own drift is known (by reasoning): the spread of a new pack and of a check as seen between
/// sound blocks; the noise such that of packs that drift alike with a life of 250,000 km to a limit of 1 V lives scatter
/// by a fifth (`sigma² = 0.2² 0.95² V² / 250,000 km`).
impl Default for SpreadWalk {
    fn default() -> Self {
        Self {
            new_v: 0.05,
            new_sd_v: 0.03,
            check_sd_v: 0.03,
            noise_v2_per_m: USUAL_NOISE,
            power: 1.0,
            reference_m: 250e6,
        }
    }
}

impl SpreadWalk {
    /// The walk of a fleet: this one with the power and the noise under which its packs' checks, in any order, are
    /// likeliest, of powers a quarter apart and noises a factor of the root of two apart. `None` where no pack has two
    /// checks, and where an age is below 0 or a spread is no number.
    #[must_use]
    pub fn learnt(self, packs: &[Vec<SpreadCheck>]) -> Option<Self> {
        let driven = |checks: &&Vec<SpreadCheck>| checks.len() > 1 && checks.iter().any(|check| check.age > Metres(0));
        let mut packs: Vec<_> = packs.iter().filter(driven).cloned().collect();
        packs.iter_mut().for_each(|checks| in_order(checks));
        let tried = POWERS.flat_map(|quarters| {
            NOISES.map(move |step| Self {
                power: f64::from(quarters) / 4.0,
                noise_v2_per_m: USUAL_NOISE * libm::exp2(f64::from(step) / 2.0),
                ..self
            })
        });
        let likelihood = |walk: Self| (packs.iter().map(|checks| walk.log_likelihood(checks)).sum::<f64>(), walk);
        let likeliest = tried.map(likelihood).filter(|(height, _)| height.is_finite());
        let (_, walk) = likeliest.max_by(|one, two| one.0.total_cmp(&two.0))?;
        (!packs.is_empty()).then_some(walk)
    }

    /// The logarithm of the likelihood of a pack's checks whatever its drift, but for constants: the drift is integrated out
    /// with no drift likelier than another. Given the drift all is linear in it, so one pass of the filter over the
    /// levels and over the clock gives the whole.
    fn log_likelihood(&self, checks: &[SpreadCheck]) -> f64 {
        let mut filter = Filter::new(self);
        let (mut level, mut clock) = (self.new_v, 0.0);
        let (mut logs, mut levels, mut both, mut clocks) = (0.0, 0.0, 0.0, 0.0);
        for check in checks {
            let at = self.clock(check.age.as_f64());
            let (sum, trust) = filter.step(at);
            let (off, ahead) = (check.spread_v - level, at - clock);
            logs += libm::log(sum);
            levels += off * off / sum;
            both += off * ahead / sum;
            clocks += ahead * ahead / sum;
            level += trust * off;
            clock += trust * ahead;
        }
        -(logs + levels - both * both / clocks + libm::log(clocks)) / 2.0
    }

    /// What the clock shows at an age in metres.
    #[must_use]
    pub fn clock(&self, age: f64) -> f64 {
        if self.power == 1.0 { age } else { self.reference_m * libm::pow(age / self.reference_m, self.power) }
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
    walk: SpreadWalk,
    age: f64,
    /// Volts to the limit at the last check, all checks weighed.
    pub(super) left: f64,
    /// What the clock showed then, less the error of `left` as the clock's metres in which the walk strays as far.
    seen: f64,
    /// Volts to the limit when the pack was new, and what the clock showed, counted likewise.
    new_left: f64,
    new: f64,
}

/// The variance of a walk that is seen with errors, from check to check (R. E. Kalman 1960).
struct Filter<'a> {
    walk: &'a SpreadWalk,
    clock: f64,
    variance: f64,
}

impl<'a> Filter<'a> {
    fn new(walk: &'a SpreadWalk) -> Self {
        Self { walk, clock: 0.0, variance: walk.new_sd_v * walk.new_sd_v }
    }

    /// Goes on to a check: the variance of what it shows, and the share of a surprise that is believed.
    fn step(&mut self, clock: f64) -> (f64, f64) {
        self.variance += self.walk.noise_v2_per_m * (clock - self.clock);
        self.clock = clock;
        let sum = self.variance + self.walk.check_sd_v * self.walk.check_sd_v;
        let trust = if sum > 0.0 { self.variance / sum } else { 1.0 };
        self.variance *= 1.0 - trust;
        (sum, trust)
    }
}

/// Puts checks in the order of ages.
pub(super) fn in_order(checks: &mut [SpreadCheck]) {
    checks.sort_unstable_by(|one, two| one.age.cmp(&two.age).then(one.spread_v.total_cmp(&two.spread_v)));
}

impl Finding {
    /// The finding for a pack of this age from checks in the order of ages.
    ///
    /// The level is followed through the checks as a Wiener process seen with errors; its drift does not matter here, see [`Evidence::log_weight`].
    pub(super) fn of(checks: &[SpreadCheck], walk: &SpreadWalk, limit: f64, age: f64) -> Self {
        let Some(last) = checks.last() else { return Self::Unchecked };
        let (mut level, mut filter) = (walk.new_v, Filter::new(walk));
        for check in checks {
            let (_, trust) = filter.step(walk.clock(check.age.as_f64()));
            level += trust * (check.spread_v - level);
        }
        if level >= limit || last.spread_v >= limit {
            return Self::Reached;
        }
        let strayed = |variance: f64| variance / walk.noise_v2_per_m;
        Self::Below(Evidence {
            walk: *walk,
            age,
            left: limit - level,
            seen: filter.clock - strayed(filter.variance),
            new_left: limit - walk.new_v,
            new: -strayed(walk.new_sd_v * walk.new_sd_v),
        })
    }
}

impl Evidence {
    /// The logarithm of how well a life that ends `further` metres on explains the checks, but for a constant.
    ///
    /// With `g(D, t) = D t^(-3/2) exp(-D² / 2 sigma² t)`, the density of the time in which a Wiener process without drift
    /// first climbs `D` (Chhikara and Folks 1989), and `end` what the clock shows then, it is
    /// `log g(left, end - seen) - log g(new_left, end - new)`.
    /// Given when it first reaches its limit a Wiener process is the same whatever its drift, a Bessel bridge
    /// (D. Williams 1974, from memory), so nothing is assumed of how drifts scatter.
    pub(super) fn log_weight(&self, further: f64) -> f64 {
        let end = self.walk.clock(self.age + further);
        let (since, whole) = (end - self.seen, end - self.new);
        let climb = self.left * self.left / since - self.new_left * self.new_left / whole;
        -1.5 * libm::log(since / whole) - climb / (2.0 * self.walk.noise_v2_per_m)
    }
}
