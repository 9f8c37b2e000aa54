//! How well a pack is cooled: how far it heats up over the cabin's air at like load and fan stage, against the same car
//! after its last fan service.
//!
//! Heat in the pack goes with the square of the current, so the rise over the cabin's air divided by that square stands for
//! how badly the air carries it off at one fan stage. What a stage does is the car's own affair: a check is held only against
//! checks of its stage, from just after the last service. Everything is reckoned in logarithms: an index of 1.5 is a rise
//! half again of what it was.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};

use super::days::{days_after, days_between};
use super::robust::{Estimate, Point, centre, scatter, shift, theil_sen};
use super::spread::Band;
use crate::dist::normal;
use crate::fleet::PackCheck;

/// Which checks are compared, and what is asked of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AirflowSettings {
    /// Current, given or taken, in amperes: of little the square says nothing.
    pub current_a: Band,
    /// Rise over the cabin's air, in degrees Celsius.
    pub rise_c: Band,
    /// The baseline is made of checks within so many days of a service.
    pub baseline_days: f64,
    /// At most so many checks of a stage make its baseline.
    pub baseline_checks: usize,
    /// The index at which the fan should be serviced.
    pub limit: f64,
    /// A jump of the index by this factor at a service points at a loose duct.
    pub jump: f64,
    /// The chance of having passed the limit that is borne before the service is brought forward.
    pub borne_chance: f64,
}

impl Default for AirflowSettings {
    /// Ours, no published source.
    fn default() -> Self {
        Self {
            current_a: Band { low: 10.0, high: 100.0 },
            rise_c: Band { low: 1.0, high: 60.0 },
            baseline_days: 45.0,
            baseline_checks: 8,
            limit: 1.5,
            jump: 1.25,
            borne_chance: 0.1,
        }
    }
}

/// What the checks say of a pack's cooling.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Airflow {
    /// Checks since the last fan service that had a baseline to be held against.
    pub compared: usize,
    /// The index at each of them, by time: 1 is as after the last fan service, more is worse.
    pub levels: Vec<(DateTime<Utc>, f64)>,
    /// The index and its trend; `None` with too few checks or no service.
    pub trend: Option<Trend>,
    /// A jump at the last service.
    pub loose_duct: Option<LooseDuct>,
}

/// The airflow index on its way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    /// The latest check that was compared: the forecast counts from here.
    pub from: DateTime<Utc>,
    /// The index then: 1 is as after the last fan service, more is worse.
    pub index: f64,
    /// Growth of the index's logarithm in a day, with its 80 % interval.
    pub growth: Estimate,
    /// The index at which the fan should be serviced.
    pub limit: f64,
    /// Standard error of the index's logarithm.
    index_error: f64,
    borne_chance: f64,
}

/// A rise at a fan service where a fall was to be expected: likely a duct left loose or left off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LooseDuct {
    /// The service.
    pub service: DateTime<Utc>,
    /// By what factor the rise over the cabin's air grew, with its 90 % interval.
    pub factor: Estimate,
    /// The fan stage at which most checks on both sides were there.
    pub fan_stage: u8,
}

/// A fan service that the index brings forward.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BroughtForward {
    /// When it should be done.
    pub to: DateTime<Utc>,
    /// The chance that the limit would be passed by the day that was planned.
    pub chance_by_planned: f64,
}

/// Reads the cooling of one pack from its `checks`, in any order, and the instants of its fan services; what came after
/// `as_of` is not looked at. For a car never serviced its start in service stands for a service.
#[must_use]
pub fn airflow(
    checks: &[PackCheck],
    services: &[DateTime<Utc>],
    as_of: DateTime<Utc>,
    settings: &AirflowSettings,
) -> Airflow {
    let mut past: Vec<DateTime<Utc>> = services.iter().filter(|service| **service <= as_of).copied().collect();
    past.sort_unstable();
    let Some(service) = past.pop() else { return Airflow::default() };
    let (before, after): (Vec<Sample>, Vec<Sample>) =
        samples(checks, as_of, settings).into_iter().partition(|sample| sample.at <= service);
    let earlier = past.last().copied().unwrap_or(DateTime::<Utc>::MIN_UTC);
    let before: Vec<Sample> = before.into_iter().filter(|sample| earlier < sample.at).collect();
    let compared = compared(&after, service, settings);
    Airflow {
        compared: compared.len(),
        levels: compared.iter().map(|(at, point)| (*at, libm::exp(point.level))).collect(),
        trend: trend(&compared, service, settings),
        loose_duct: loose_duct(&before, &after, service, settings),
    }
}

/// 80 % of a normal variable lie within so many standard deviations.
const EIGHTY: f64 = 0.8;

/// No day is looked for further ahead than this.
const FURTHEST_DAYS: f64 = 3_650.0;

impl Trend {
    /// The chance that the limit is passed by `at`: of a straight line whose height and slope are normal.
    #[must_use]
    pub fn chance(&self, at: DateTime<Utc>) -> f64 {
        self.chance_after(days_between(self.from, at))
    }

    /// By when the limit is passed with chance `p`; `None` when not within ten years.
    #[must_use]
    pub fn by(&self, p: f64) -> Option<DateTime<Utc>> {
        let (mut low, mut high) = (0.0, FURTHEST_DAYS);
        if self.chance_after(low) >= p {
            return Some(self.from);
        }
        if self.chance_after(high) < p {
            return None;
        }
        for _ in 0..50 {
            let middle = (low + high) / 2.0;
            if self.chance_after(middle) < p { low = middle } else { high = middle }
        }
        days_after(self.from, high)
    }

    /// Whether the index brings a fan service forward from the day that was planned, and to when: to the day on which the
    /// chance of having passed the limit becomes more than is borne. Only an index that surely grows, or surely is past its
    /// limit, moves a service.
    #[must_use]
    pub fn brings_forward(&self, planned: DateTime<Utc>) -> Option<BroughtForward> {
        let past = self.chance_after(0.0) > 1.0 - self.borne_chance;
        if self.growth.low <= 0.0 && !past {
            return None;
        }
        let to = self.by(self.borne_chance).filter(|to| *to < planned)?;
        Some(BroughtForward { to, chance_by_planned: self.chance(planned) })
    }

    fn chance_after(&self, days: f64) -> f64 {
        let Estimate { low, mid, high } = self.growth;
        let slope_error = (high - low) / 2.0 / normal::quantile(0.5 + EIGHTY / 2.0);
        let days = days.max(0.0);
        let error = libm::hypot(self.index_error, slope_error * days);
        normal::cdf((libm::log(self.index / self.limit) + mid * days) / error)
    }
}

/// One check that tells of the cooling.
#[derive(Clone, Copy, PartialEq)]
struct Sample {
    at: DateTime<Utc>,
    fan_stage: u8,
    /// Logarithm of the rise over the square of the current.
    level: f64,
}

/// The checks that tell of the cooling, by time, each once.
fn samples(checks: &[PackCheck], as_of: DateTime<Utc>, settings: &AirflowSettings) -> Vec<Sample> {
    let sample = |check: &PackCheck| {
        let fan_stage = check.fan_stage.filter(|stage| *stage > 0)?;
        let current_a = Some(check.current_a?.abs()).filter(|current| settings.current_a.holds(Some(*current)))?;
        let rise_c = Some(check.pack_c? - check.cabin_c?).filter(|rise| settings.rise_c.holds(Some(*rise)))?;
        let level = libm::log(rise_c / (current_a * current_a));
        (check.at <= as_of && level.is_finite()).then_some(Sample { at: check.at, fan_stage, level })
    };
    let mut samples: Vec<Sample> = checks.iter().filter_map(sample).collect();
    samples.sort_unstable_by(|one, two| {
        (one.at, one.fan_stage).cmp(&(two.at, two.fan_stage)).then(one.level.total_cmp(&two.level))
    });
    samples.dedup();
    samples
}

/// Levels by fan stage, in the order of `samples`.
fn by_stage<'a>(samples: impl Iterator<Item = &'a Sample>) -> BTreeMap<u8, Vec<f64>> {
    let mut stages: BTreeMap<u8, Vec<f64>> = BTreeMap::new();
    for sample in samples {
        stages.entry(sample.fan_stage).or_default().push(sample.level);
    }
    stages
}

/// Fewer checks than this are no baseline.
const FEWEST: usize = 3;

/// The samples against the baseline of their stage, by days since the service.
fn compared(after: &[Sample], service: DateTime<Utc>, settings: &AirflowSettings) -> Vec<(DateTime<Utc>, Point)> {
    let early = after.iter().filter(|sample| days_between(service, sample.at) <= settings.baseline_days);
    let baselines = by_stage(early);
    let baseline = |stage: u8| {
        let levels = baselines.get(&stage)?;
        let first = levels.get(..levels.len().min(settings.baseline_checks)).filter(|first| first.len() >= FEWEST)?;
        centre(first, EIGHTY).map(|baseline| baseline.mid)
    };
    let point = |sample: &Sample| {
        let level = sample.level - baseline(sample.fan_stage)?;
        Some((sample.at, Point { t: days_between(service, sample.at), level }))
    };
    after.iter().filter_map(point).collect()
}

fn trend(compared: &[(DateTime<Utc>, Point)], service: DateTime<Utc>, settings: &AirflowSettings) -> Option<Trend> {
    let points: Vec<Point> = compared.iter().map(|(_, point)| *point).collect();
    let from = compared.last().filter(|_| points.len() >= 2 * FEWEST)?.0;
    let line = theil_sen(&points, EIGHTY)?;
    let at = |t: f64| line.intercept + line.slope.mid * t;
    let left_over: Vec<f64> = points.iter().map(|point| point.level - at(point.t)).collect();
    let error = scatter(&left_over) * libm::sqrt(std::f64::consts::FRAC_PI_2 / points.len() as f64);
    Some(Trend {
        from,
        index: libm::exp(at(days_between(service, from))),
        growth: line.slope,
        limit: settings.limit,
        index_error: error.max(LEAST_ERROR),
        borne_chance: settings.borne_chance,
    })
}

/// No index is known better than to this, in its logarithm: thermometers count whole degrees.
const LEAST_ERROR: f64 = 0.01;

/// How sure a jump must be.
const NINETY: f64 = 0.9;

fn loose_duct(
    before: &[Sample],
    after: &[Sample],
    service: DateTime<Utc>,
    settings: &AirflowSettings,
) -> Option<LooseDuct> {
    let near = |sample: &&Sample| days_between(service, sample.at).abs() <= settings.baseline_days;
    let (before, after) = (by_stage(before.iter().filter(near)), by_stage(after.iter().filter(near)));
    let both = before.iter().filter_map(|(stage, before)| Some((*stage, before, after.get(stage)?)));
    let enough = both.filter(|(_, before, after)| before.len().min(after.len()) >= FEWEST);
    let (fan_stage, before, after) = enough.max_by_key(|(_, before, after)| before.len() * after.len())?;
    let shift = shift(before, after, NINETY)?;
    let jumped = shift.low > 0.0 && shift.mid >= libm::log(settings.jump);
    jumped.then(|| LooseDuct { service, factor: shift.map(libm::exp), fan_stage })
}

#[cfg(test)]
mod tests;
