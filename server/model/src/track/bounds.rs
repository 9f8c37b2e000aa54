//! The limits in the chain's units, and what each step between two readings costs.

use super::Limits;
use super::rate::{DAY, Rate};

/// What one fully trusted reading counts in a chain's score.
pub(super) const ONE: i64 = 1_000_000;
/// What a step costs per unit of log-likelihood below an ordinary one, in readings.
const COST_PER_NAT: f64 = 0.50;
/// The most a step within the limits costs, in readings. Less than one: no reading is set aside for one unusual step,
/// which may be a new way of using the car, or the newest reading, which a later one may confirm. A slip in the middle
/// makes two.
const COSTLIEST: f64 = 0.95;
/// Steps of up to so many standard deviations are ordinary and cost nothing.
const ORDINARY: f64 = 2.0;
/// Degrees of freedom of the distance's heavy-tailed distribution (Student's t).
const TAIL: f64 = 4.0;
/// Going less far than expected is this much less telling than going further: cars have days off.
const IDLE: f64 = 1.5;
/// A new count that lies where a wrong unit would place it costs this many times a cluster change.
const WRONG_UNIT: i64 = 12;
/// A step so many standard deviations off that ends where a wrong unit would place it
const WRONG_UNIT_FROM: f64 = 3.0;
/// costs so many readings, also where the car could have driven it.
const WRONG_UNIT_STEP: f64 = 10.0;
/// What is usual is known of road vehicles: of a type that goes faster than this, km/h, only the limits are held.
const FASTEST_ON_ROADS: f64 = 250.0;
/// The ratios of a wrong unit: kilometres for miles, miles for kilometres, tenths for whole units, and the reverse.
pub(super) const UNIT_RATIOS: [f64; 4] = [1.609_344, 1.0 / 1.609_344, 10.0, 0.1];
/// How near a ratio must be to one of these, at the most.
const RATIO_WIDTH: f64 = 0.03;
/// How near in standard deviations of where the car is expected.
const RATIO_DEVIATIONS: f64 = 3.0;
/// Below this odometer, metres, a ratio says nothing.
const RATIO_FROM: f64 = 50_000.0;

/// A distinct pair of instant and odometer.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Point {
    /// The first of the readings that say so, in the order of time.
    pub(super) reading: usize,
    /// Seconds since 1970.
    pub(super) seconds: f64,
    /// Metres.
    pub(super) odometer: f64,
    /// What it counts, in millionths of a reading.
    pub(super) weight: i64,
    /// A person ruled that it stays.
    pub(super) pinned: bool,
}

/// What the step between two points of one count costs.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Step {
    /// In millionths of a reading.
    pub(super) cost: i64,
    /// Squared deviation from the usual rate.
    pub(super) strain: f64,
}

/// The limits in the chain's units.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Bounds {
    /// Metres per second.
    pub(super) speed: f64,
    /// Metres.
    pub(super) slack: f64,
    cost: i64,
    wrong_unit_cost: i64,
    /// Whether an unusual step costs anything, and left counts may be taken up again.
    pub(super) usual: bool,
    /// Seconds since 1970 of the known cluster changes, in order.
    told: Vec<f64>,
}

impl Bounds {
    pub(super) fn new(limits: &Limits) -> Self {
        let cost = i64::try_from(limits.cluster_change_cost).unwrap_or(i64::MAX).saturating_mul(ONE);
        let cost = cost.min(i64::MAX / 1_000);
        let mut told: Vec<f64> = limits.cluster_changes.iter().map(|at| seconds(at.timestamp_millis())).collect();
        told.sort_by(f64::total_cmp);
        let usual = limits.max_speed_kmh <= FASTEST_ON_ROADS;
        Self {
            speed: limits.max_speed_kmh / 3.6,
            slack: limits.slack.as_f64(),
            cost,
            wrong_unit_cost: if usual { cost.saturating_mul(WRONG_UNIT) } else { cost },
            usual,
            told,
        }
    }

    /// The hard limits alone: no step within them costs anything.
    #[cfg(test)]
    pub(super) fn hard(limits: &Limits) -> Self {
        let bounds = Self::new(limits);
        Self { wrong_unit_cost: bounds.cost, usual: false, ..bounds }
    }

    /// How far the car could have driven by a point's time beyond what its odometer shows.
    pub(super) fn reserve(&self, point: &Point) -> f64 {
        self.speed * point.seconds - point.odometer
    }

    /// The cost of the step between two points of one count.
    ///
    /// With `z` the deviation from the usual rate in standard deviations the cost is proportional to
    /// `(t + 1) / 2 ln((1 + z^2 / t) / (1 + o^2 / t))`, the log-likelihood of a Student distribution with `t` degrees
    /// of freedom against that of the edge `o` of the ordinary. It counts as much as the less trusted of the two.
    pub(super) fn step(&self, before: &Point, rate: &Rate, after: &Point) -> Step {
        let days = (after.seconds - before.seconds) / DAY;
        let strain = strain(rate, days, after.odometer - before.odometer, self.slack);
        if !self.usual || strain <= ORDINARY * ORDINARY {
            return Step { strain, ..Step::default() };
        }
        let weight = before.weight.min(after.weight) as f64;
        if strain > WRONG_UNIT_FROM * WRONG_UNIT_FROM && self.lands_in_wrong_unit(before, rate, after) {
            return Step { cost: (WRONG_UNIT_STEP * weight) as i64, strain };
        }
        let nats = (TAIL + 1.0) / 2.0 * libm::log((TAIL + strain) / (TAIL + ORDINARY * ORDINARY));
        let share = (COST_PER_NAT * nats).min(COSTLIEST);
        Step { cost: (share * weight) as i64, strain }
    }

    /// The cost of a new count that starts at `after`, in millionths of a reading.
    pub(super) fn change(&self, before: &Point, rate: &Rate, after: &Point) -> i64 {
        let next = self.told.partition_point(|told| *told <= before.seconds);
        if self.told.get(next).is_some_and(|told| *told <= after.seconds) {
            return self.least_change();
        }
        if self.lands_in_wrong_unit(before, rate, after) { self.wrong_unit_cost } else { self.cost }
    }

    /// The least that a new count may cost, in millionths of a reading.
    pub(super) fn least_change(&self) -> i64 {
        ONE.min(self.cost)
    }

    /// Whether `after` lies where a wrong unit would place it, going by the usual rate since `before`.
    fn lands_in_wrong_unit(&self, before: &Point, rate: &Rate, after: &Point) -> bool {
        let days = (after.seconds - before.seconds) / DAY;
        let expected = before.odometer + rate.expected(days);
        let width = (RATIO_DEVIATIONS * rate.deviation(days, self.slack) / expected).min(RATIO_WIDTH);
        wrong_unit(after.odometer, expected, width).is_some()
    }
}

/// Whether a step of `driven` metres in `days` is further, or less far, than usual.
pub(super) fn unusual(rate: &Rate, days: f64, driven: f64, slack: f64) -> bool {
    strain(rate, days, driven, slack) > ORDINARY * ORDINARY
}

/// The squared deviation of `driven` metres in `days` from what is usual, in variances; less for a car that was idle.
fn strain(rate: &Rate, days: f64, driven: f64, slack: f64) -> f64 {
    let surprise = driven - rate.expected(days);
    let surprise = if surprise < 0.0 { surprise / IDLE } else { surprise };
    surprise * surprise / rate.spread(days, slack)
}

/// Which of [`UNIT_RATIOS`] takes `expected` to `odometer`, both in metres, give or take the share `width`.
pub(super) fn wrong_unit(odometer: f64, expected: f64, width: f64) -> Option<f64> {
    let ratio = odometer / expected;
    let near = |wrong: &f64| (ratio / wrong - 1.0).abs() <= width;
    UNIT_RATIOS.into_iter().find(|wrong| expected >= RATIO_FROM && near(wrong))
}

/// Seconds of an instant in milliseconds.
pub(super) fn seconds(milliseconds: i64) -> f64 {
    milliseconds as f64 / 1_000.0
}
