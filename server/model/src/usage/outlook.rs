//! What the days ahead bring on one meter, and when an amount is reached.

use super::filter::{Features, Snapshot};
use super::fit::{CHANCES, Coefficients, REFERENCE_DAYS};
use crate::dist::normal;

/// Days below and above which the noise is taken as at these: a line is fitted on windows of 30 to 120 days and not
/// followed far beyond them.
const LEAST_DAYS: f64 = 5.0;
const MOST_DAYS: f64 = 400.0;

/// Steps after which a root is good enough in any case.
const STEPS: usize = 60;

/// Relative precision of a root, in the logarithm of the days.
const PRECISION: f64 = 1e-12;

/// A line says `ln(W(h) / (a h)) = shift + noise sqrt(60 / h)`, with `h` held between [`LEAST_DAYS`] and [`MOST_DAYS`].
#[derive(Clone, Copy, Debug, PartialEq)]
struct Line {
    shift: f64,
    noise: f64,
}

/// What the days ahead bring on one meter: three quantile lines around the car's level.
///
/// What `h` mean days on the road bring is, in its 90, 50 and 10 % quantiles, `W(h) = a h exp(shift + noise sqrt(60 / h))`. An
/// odometer never runs back, so an amount `D` is not reached within `h` days exactly when these bring less than `D`:
/// `P(T > h) = P(W(h) < D)`, and each quantile of the days is the root of its line. In between, the logarithm of the
/// days is taken as normal on either side of its median, so that chances and quantiles agree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outlook {
    level: f64,
    /// By chance of arrival: 10, 50, 90 %.
    lines: [Line; 3],
}

/// Mean days until an amount is reached: 10, 50 and 90 %, rising; infinite where it never is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reach(pub [f64; 3]);

impl Outlook {
    /// The outlook of a car that stands: nothing is ever reached.
    pub const STANDING: Self = Self { level: 0.0, lines: [Line { shift: 0.0, noise: 0.0 }; 3] };

    /// The outlook from features and lines, where the level itself is known to a relative standard deviation `spread`.
    ///
    /// Drift and ignorance of the level are independent, so the outer lines stand `sqrt(u² + (1.28 spread)²)` off the
    /// middle one, with `u` their distance without it.
    #[must_use]
    pub fn new(features: &Features, coefficients: &Coefficients, spread: f64) -> Self {
        let mut lines = coefficients.lines.map(|[b0, b1, b2, b3]| Line {
            shift: b0 + b1 * features.change + b3 * features.idle,
            noise: b2 * features.noise,
        });
        let [_, middle, _] = lines;
        if spread > 0.0 {
            for (line, chance) in lines.iter_mut().zip(CHANCES) {
                let z = -normal::quantile(chance);
                let off = libm::hypot(line.shift - middle.shift, z * spread);
                line.shift = middle.shift + if z == 0.0 { 0.0 } else { off.copysign(z) };
            }
        }
        Self { level: features.level, lines }
    }

    /// The outlook of a car without history of its own: `level` as others have it, known to a relative standard
    /// deviation `spread`, and the default lines.
    #[must_use]
    pub fn borrowed(level: f64, spread: f64) -> Self {
        Self::new(&Features { level, change: 0.0, noise: 0.0, idle: 0.0 }, &Coefficients::default(), spread)
    }

    /// The outlook of a car, its level drawn towards `prior` while its history is short.
    ///
    /// The mean of `n` days of relative standard deviation `c` is known to `c²/n`, a borrowed level to `spread²`; so the
    /// prior weighs as `m = c² / spread²` days (six to seven where days are as uneven as `c = 1`), the level is
    /// `(n a + m prior) / (n + m)` and is known to `spread² m / (n + m)`. From 45 days on a car stands for itself, since
    /// the lines were fitted on such cars; up to there the prior's weight fades to nothing.
    #[must_use]
    pub fn of(known: &Snapshot, prior: f64, spread: f64, coefficients: &Coefficients) -> Self {
        let short = 1.0 - known.days / Snapshot::SETTLED_DAYS;
        if short <= 0.0 || spread <= 0.0 {
            return Self::new(&known.features, coefficients, 0.0);
        }
        // The noise is half the relative standard deviation of a day; one week says nothing about it.
        let uneven = if known.weeks < TWO_WEEKS { 1.0 } else { 2.0 * known.features.noise };
        let weight = short * uneven * uneven / (spread * spread);
        let share = weight / (weight + known.days);
        let level = known.features.level + share * (prior - known.features.level);
        Self::new(&Features { level, ..known.features }, coefficients, spread * libm::sqrt(share))
    }

    /// The outlook of a car that brings `factor` times as much a day.
    #[must_use]
    pub(super) fn times(self, factor: f64) -> Self {
        Self { level: self.level * factor, ..self }
    }

    /// Metres or hours a day around which the lines stand.
    pub(super) const fn level(&self) -> f64 {
        self.level
    }

    /// What `days` mean days on the road bring, line by line: its 90, 50 and 10 %.
    #[must_use]
    pub fn brought(&self, days: f64) -> [f64; 3] {
        let log_days = libm::log(days);
        self.lines.map(|line| if days <= 0.0 { 0.0 } else { self.level * libm::exp(line.log_amount(log_days)) })
    }

    /// Mean days until `left` more has come, line by line, than `after` days bring: at least `after`, infinite where it
    /// never comes. Unlike in [`Outlook::reach`] lines that cross stay crossed.
    #[must_use]
    pub fn beyond(&self, after: f64, left: [f64; 3]) -> [f64; 3] {
        let mut days = self.brought(after);
        for ((days, left), line) in days.iter_mut().zip(left).zip(self.lines) {
            *days = match left {
                ..=0.0 => after,
                _ if self.level <= 0.0 => f64::INFINITY,
                _ => libm::exp(line.solve(libm::log((left + *days) / self.level))).max(after),
            };
        }
        days
    }

    /// Median of what `days` mean days on the road bring.
    #[must_use]
    pub fn median(&self, days: f64) -> f64 {
        let [_, middle, _] = self.lines;
        if days <= 0.0 { 0.0 } else { self.level * libm::exp(middle.log_amount(libm::log(days))) }
    }

    /// The median rate over sixty days: metres or hours a day.
    #[must_use]
    pub fn rate(&self) -> f64 {
        self.median(REFERENCE_DAYS) / REFERENCE_DAYS
    }

    /// Mean days on the road until `amount` is reached.
    #[must_use]
    pub fn reach(&self, amount: f64) -> Reach {
        if amount <= 0.0 {
            return Reach([0.0; 3]);
        }
        if self.level <= 0.0 {
            return Reach([f64::INFINITY; 3]);
        }
        let target = libm::log(amount / self.level);
        Reach::sorted(self.lines.map(|line| libm::exp(line.solve(target))))
    }
}

/// Two whole weeks are needed for a spread between weeks; the first has faded a little.
const TWO_WEEKS: f64 = 1.9;

impl Line {
    /// `ln(W / a)` at the logarithm of a number of days; rises with it.
    fn log_amount(&self, log_days: f64) -> f64 {
        let held = libm::exp(log_days).clamp(self.least_days(), MOST_DAYS);
        log_days + self.shift + self.noise * libm::sqrt(REFERENCE_DAYS / held)
    }

    /// Where noise falls faster than days add up the line would fall: it is held from there, `sqrt(60 / h) = 2 / noise`.
    fn least_days(&self) -> f64 {
        let turning = REFERENCE_DAYS * self.noise * self.noise.max(0.0) / 4.0;
        turning.clamp(LEAST_DAYS, MOST_DAYS)
    }

    /// The logarithm of the days at which [`Line::log_amount`] is `target`: in closed form outside the days between
    /// which the noise changes, by Newton's method inside, where the line is convex (`noise > 0`, from the right end) or
    /// concave (from the left end), so that no step overshoots.
    fn solve(&self, target: f64) -> f64 {
        let (low, high) = (libm::log(self.least_days()), libm::log(MOST_DAYS));
        let (at_low, at_high) = (self.log_amount(low), self.log_amount(high));
        if self.noise == 0.0 || target <= at_low {
            return low + target - at_low;
        }
        if target >= at_high {
            return high + target - at_high;
        }
        let mut found = if self.noise > 0.0 { high } else { low };
        for _ in 0..STEPS {
            let noise = self.noise * libm::sqrt(REFERENCE_DAYS) * libm::exp(-found / 2.0);
            let excess = found + self.shift + noise - target;
            let step = excess / (1.0 - noise / 2.0).max(PRECISION);
            found = (found - step).clamp(low, high);
            if step.abs() <= PRECISION {
                break;
            }
        }
        found
    }
}

impl Reach {
    /// Lines may cross for unusual features. Each rises with the days, so sorting the roots is sorting the lines.
    #[must_use]
    pub fn sorted(mut days: [f64; 3]) -> Self {
        days.sort_unstable_by(f64::total_cmp);
        Self(days)
    }

    /// The days at the chance of the same place, whichever of the two comes first, when both are driven by one use of
    /// the car: each quantile is the lesser of theirs.
    #[must_use]
    pub fn earlier(self, other: Self) -> Self {
        let ([a, b, c], [d, e, f]) = (self.0, other.0);
        Self([a.min(d), b.min(e), c.min(f)])
    }

    /// The chance of having arrived within `days`.
    ///
    /// `Phi(z)` with `z` linear in the logarithm of the days through -1.28, 0 and 1.28 at the three quantiles.
    #[must_use]
    pub fn chance(&self, days: f64) -> f64 {
        let [low, middle, high] = self.0;
        if days <= 0.0 || middle.is_infinite() {
            return f64::from(u8::from(middle <= 0.0));
        }
        let outer = if days < middle { low } else { high };
        let width = (libm::log(outer) - libm::log(middle)).abs();
        // Sure to the day, or already there.
        if width <= 0.0 || width.is_nan() {
            return f64::from(u8::from(days >= middle));
        }
        normal::cdf(normal::quantile(0.9) * (libm::log(days) - libm::log(middle)) / width)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::week::Week;
    use super::*;

    fn features() -> impl Strategy<Value = Features> {
        let numbers = (1e-9_f64..1e9, -2.4_f64..8.0, 0.0_f64..20.0, -2.0_f64..6.0);
        numbers.prop_map(|(level, change, noise, idle)| Features { level, change, noise, idle })
    }

    fn lines() -> impl Strategy<Value = Coefficients> {
        proptest::array::uniform3(proptest::array::uniform4(-1.0_f64..1.0)).prop_map(|lines| Coefficients { lines })
    }

    #[test]
    fn an_even_car_arrives_after_what_is_left_over_its_rate() {
        let features = Features { level: 300.0, change: 0.0, noise: 0.0, idle: -2.0 };
        let outlook = Outlook::new(&features, &Coefficients::default(), 0.0);
        let Reach([low, middle, high]) = outlook.reach(9_000.0);
        assert!((middle - 30.0).abs() < 1e-12 && (outlook.rate() - 300.0).abs() < 1e-9);
        // 30 e^-0.05 and 30 e^0.05 days.
        assert!((low - 28.536_882_735).abs() < 1e-8 && (high - 31.538_132_891).abs() < 1e-8, "{low} {high}");
    }

    #[test]
    fn a_car_that_stands_never_arrives() {
        let reach = Outlook::STANDING.reach(1.0);
        assert_eq!((reach, reach.chance(1e9), Outlook::STANDING.median(100.0)), (Reach([f64::INFINITY; 3]), 0.0, 0.0));
        assert_eq!(Outlook::STANDING.reach(0.0).chance(0.0), 1.0);
    }

    #[test]
    fn a_borrowed_level_is_less_sure() {
        let own = Outlook::borrowed(300.0, 0.0).reach(9_000.0).0;
        let borrowed = Outlook::borrowed(300.0, 0.4).reach(9_000.0).0;
        assert!((own[1] - borrowed[1]).abs() < 1e-9 && borrowed[0] < own[0] && own[2] < borrowed[2]);
        // sqrt(0.05² + (1.2816 0.4)²) = 0.51506 off the median of 30 days.
        assert!((borrowed[2] - 30.0 * libm::exp(0.515_055)).abs() < 1e-3, "{borrowed:?}");
    }

    #[test]
    fn a_short_history_is_drawn_towards_the_prior() {
        let features = Features { level: 300.0, change: 0.0, noise: 0.0, idle: -2.0 };
        let known = |days: f64, noise: f64| {
            let features = Features { noise, ..features };
            Snapshot {
                features,
                total: 0.0,
                days,
                weekdays: [days / 7.0; 7],
                week: Week::default(),
                weeks: libm::floor(days / 7.0),
                settled: days >= 45.0,
            }
        };
        let level = |known: &Snapshot| Outlook::of(known, 100.0, 0.4, &Coefficients::default()).level;
        // Nine days: they weigh 9, the prior 0.8 / 0.16 = 5 days: (9 300 + 5 100) / 14.
        assert!((level(&known(9.0, 0.0)) - 3_200.0 / 14.0).abs() < 1e-9);
        // Even weeks speak for themselves, and so do 45 days whatever they were.
        assert!((level(&known(28.0, 0.0)) - 300.0).abs() < 1e-9);
        assert!((level(&known(45.0, 3.0)) - 300.0).abs() < 1e-9);
        assert!(level(&known(28.0, 0.5)) < 300.0);
    }

    proptest! {
        #[test]
        fn a_root_is_on_its_line(shift in -3.0_f64..3.0, noise in -10.0_f64..10.0, target in -10.0_f64..15.0) {
            let line = Line { shift, noise };
            let found = line.solve(target);
            prop_assert!((line.log_amount(found) - target).abs() <= 1e-9, "{}", line.log_amount(found) - target);
        }

        #[test]
        fn quantiles_rise_and_are_numbers(features in features(), lines in lines(), amount in 0.0_f64..1e12) {
            let Reach([low, middle, high]) = Outlook::new(&features, &lines, 0.1).reach(amount);
            prop_assert!(low <= middle && middle <= high && low >= 0.0, "{low} {middle} {high}");
        }

        #[test]
        fn chances_agree_with_the_quantiles(features in features(), lines in lines(), amount in 1.0_f64..1e6) {
            let reach = Outlook::new(&features, &lines, 0.0).reach(amount);
            prop_assume!(reach.0.iter().all(|days| days.is_finite() && *days > 0.0));
            prop_assume!(reach.0[0] < reach.0[1] && reach.0[1] < reach.0[2]);
            for (days, chance) in reach.0.into_iter().zip(CHANCES) {
                prop_assert!((reach.chance(days) - chance).abs() < 1e-9);
            }
        }

        #[test]
        fn the_chance_rises(features in features(), lines in lines(), days in 0.0_f64..1e4, more in 0.0_f64..1e3) {
            let reach = Outlook::new(&features, &lines, 0.0).reach(10_000.0);
            let (before, after) = (reach.chance(days), reach.chance(days + more));
            prop_assert!(before <= after && (0.0..=1.0).contains(&before) && (0.0..=1.0).contains(&after));
        }

        #[test]
        fn the_median_is_reached_at_the_median(features in features(), lines in lines(), days in 0.5_f64..2_000.0) {
            let outlook = Outlook::new(&features, &lines, 0.0);
            let amount = outlook.median(days);
            prop_assume!(amount.is_finite() && amount > 0.0);
            let found = libm::exp(outlook.lines[1].solve(libm::log(amount / outlook.level)));
            prop_assert!((found - days).abs() <= 1e-6 * days, "{found} is not {days}");
        }
    }
}
