//! The chances of one pack, and of the same pack with an input replaced.

use super::answer::{Ahead, Band, Chances, ModeOutlook, Note, Range};
use super::codes::{Codes, Found};
use super::evidence::{Finding, SpreadCheck};
use super::inputs::{Air, Cooling, Factor, Inputs, RiskLimits, Settings};
use super::remaining::Remaining;
use crate::dist::Weibull;
use crate::fleet::{CodeState, Metres, Mode};

/// A pack as a chance is computed for it.
#[derive(Clone, Debug)]
pub(super) struct Case<'a> {
    pub(super) inputs: &'a Inputs<'a>,
    pub(super) settings: &'a Settings,
    pub(super) curve: Option<Weibull>,
    /// Its age on the curve; the checks keep the real one.
    pub(super) age: f64,
    pub(super) rate: f64,
    /// In the order of ages.
    pub(super) checks: &'a [SpreadCheck],
    pub(super) codes: Codes,
    pub(super) cooling: Cooling<'a>,
}

impl<'a> Case<'a> {
    pub(super) fn of(inputs: &'a Inputs<'a>, settings: &'a Settings, checks: &'a [SpreadCheck]) -> Self {
        Self {
            inputs,
            settings,
            curve: curve(inputs, None),
            age: inputs.age.as_f64(),
            rate: inputs.metres_per_day,
            checks,
            codes: Codes::of(inputs.codes),
            cooling: inputs.cooling,
        }
    }

    /// The curve with one covariate at its usual value.
    pub(super) fn usual_curve(&self, factor: Factor) -> Option<Weibull> {
        curve(self.inputs, Some(factor))
    }

    pub(super) fn finding(&self) -> Finding {
        Finding::of(self.checks, &self.settings.walk, self.inputs.limit_v, self.inputs.age.as_f64())
    }

    pub(super) fn cooling_fault(&self) -> bool {
        self.cooling.air == Air::Over || self.codes.confirmed(Mode::Cooling).is_some()
    }

    /// Whether the cooling was looked at and found in order.
    fn cooling_is_clear(&self) -> bool {
        let stands = |found: &Found| found.meaning.mode == Mode::Cooling && found.state > CodeState::History;
        self.cooling.air == Air::Within && !self.codes.found.iter().any(stands)
    }

    pub(super) fn band(&self, chance: Option<f64>, limits: &RiskLimits) -> Option<Band> {
        let explained = |found: &Found| found.code.cooling_first() && !self.cooling_is_clear();
        let mut asking = self.codes.found.iter().filter(|found| found.asks_for_pack()).peekable();
        let asks = asking.peek().is_some();
        if self.finding() == Finding::Reached || asking.any(|found| !explained(found)) {
            return Some(Band::Degraded);
        }
        if asks {
            return Some(Band::Now);
        }
        let bands = [(limits.now, Band::Now), (limits.plan, Band::Plan), (limits.watch, Band::Watch)];
        chance.map(|chance| bands.into_iter().find(|(limit, _)| chance >= *limit).map_or(Band::Low, |(_, band)| band))
    }

    pub(super) fn notes(&self) -> Vec<Note> {
        let mut notes = Vec::new();
        notes.extend(self.curve.is_none().then_some(Note::NoCurve));
        notes.extend(self.codes.cleared.then_some(Note::UnknownSinceClear));
        let note = |found: &Found| match found.meaning.mode {
            Mode::BlockWear if found.code.cooling_first() && !self.cooling_is_clear() => {
                Some(Note::CheckCoolingFirst(found.code))
            }
            Mode::BlockWear => None,
            _ => (found.state != CodeState::Confirmed).then_some(Note::NotForecast(found.code)),
        };
        notes.extend(self.codes.found.iter().filter_map(note));
        notes
    }

    /// The chance within the middle horizon for both ends of the interval of the curve's own chance. Each end is the curve
    /// of that chance, with the shape as it is.
    pub(super) fn interval(&self, level: f64) -> Option<Range> {
        let (life, curve) = (self.inputs.life?, self.curve?);
        let covariates: Vec<f64> = life.covariates.iter().map(|covariate| covariate.value).collect();
        let further = super::MIDDLE * self.rate;
        let (_, ends) = life.fit.chance_within(self.age, further, &covariates, level);
        let chance = |end: f64| {
            let curve = with_chance(curve, self.age, further, end);
            Risk::of(&Self { curve: Some(curve), ..self.clone() }).overall(super::MIDDLE)
        };
        Some(Range { low: chance(ends.low.unwrap_or(0.0))?, high: chance(ends.high.unwrap_or(1.0))? })
    }
}

/// The pack's curve, with one covariate at its usual value.
fn curve(inputs: &Inputs<'_>, usual: Option<Factor>) -> Option<Weibull> {
    let life = inputs.life?;
    let value = |covariate: &super::Covariate| {
        if usual == Some(covariate.factor) { covariate.usual } else { covariate.value }
    };
    Some(life.fit.curve(&life.covariates.iter().map(value).collect::<Vec<_>>()))
}

/// The curve of the same shape by which the chance within `further` is another.
fn with_chance(curve: Weibull, age: f64, further: f64, chance: f64) -> Weibull {
    const LEAST: f64 = 1e-12;
    let hazard = curve.hazard_between(age, further);
    let other = -libm::log1p(-chance.clamp(LEAST, 1.0 - LEAST));
    if hazard > 0.0 {
        Weibull { scale: curve.scale * libm::pow(hazard / other, 1.0 / curve.shape), ..curve }
    } else {
        curve
    }
}

/// What is believed of the blocks.
#[derive(Clone, Debug)]
enum Wear {
    Unknown,
    Degraded,
    Ahead { remaining: Remaining, unannounced: f64, multiplier: f64 },
}

/// The chances of a case.
#[derive(Debug)]
pub(super) struct Risk<'a> {
    wear: Wear,
    rate: f64,
    /// Modes in which the pack is degraded now, but for block wear.
    certain: Vec<Mode>,
    cooling: Cooling<'a>,
}

/// Days beyond which no median is looked for, and how near it is found.
const FURTHEST: f64 = 36_525.0;
const NEAR: f64 = 0.01;

impl<'a> Risk<'a> {
    pub(super) fn of(case: &Case<'a>) -> Self {
        let fault = case.cooling_fault();
        let stands = |mode: &Mode| if *mode == Mode::Cooling { fault } else { case.codes.confirmed(*mode).is_some() };
        let others = [Mode::Cooling, Mode::Sensing, Mode::Isolation, Mode::Fuse];
        Self {
            wear: Wear::of(case, fault),
            rate: case.rate,
            certain: others.into_iter().filter(stands).collect(),
            cooling: case.cooling,
        }
    }

    /// The chance of degradation in any mode; `None` where block wear has no forecast and nothing else is certain.
    pub(super) fn overall(&self, days: f64) -> Option<f64> {
        if !self.certain.is_empty() {
            return Some(1.0);
        }
        let cooling = self.cooling(days).unwrap_or(0.0);
        self.wear.chance(days * self.rate).map(|wear| wear + (1.0 - wear) * cooling)
    }

    pub(super) fn modes(&self) -> Vec<ModeOutlook> {
        let wear = Chances::of(|days| self.wear.chance(days * self.rate));
        let cooling = Chances::of(|days| self.cooling(days)).filter(|_| !self.certain.contains(&Mode::Cooling));
        let certain = self.certain.iter().map(|mode| (*mode, Chances::of(|_| Some(1.0))));
        let all = [(Mode::BlockWear, wear), (Mode::Cooling, cooling)].into_iter().chain(certain);
        all.filter_map(|(mode, chances)| Some(ModeOutlook { mode, chances: chances? })).collect()
    }

    pub(super) fn median(&self) -> Option<Ahead> {
        let passed = |days: f64| self.overall(days).map(|chance| chance >= 0.5);
        let at = |days: f64| Ahead { days, distance: Metres(libm::round(days * self.rate) as i64) };
        if passed(0.0)? {
            return Some(at(0.0));
        }
        if !passed(FURTHEST)? {
            return None;
        }
        let (mut low, mut high) = (0.0, FURTHEST);
        while high - low > NEAR {
            let middle = low + (high - low) / 2.0;
            if passed(middle)? { high = middle } else { low = middle }
        }
        Some(at(high))
    }

    fn cooling(&self, days: f64) -> Option<f64> {
        let chance = self.cooling.chance_within?(days);
        (!chance.is_nan()).then(|| chance.clamp(0.0, 1.0))
    }
}

impl Wear {
    fn of(case: &Case<'_>, cooling_fault: bool) -> Self {
        let evidence = match case.finding() {
            Finding::Reached => return Self::Degraded,
            Finding::Unchecked => None,
            Finding::Below(evidence) => Some(evidence),
        };
        let Some(curve) = case.curve else { return Self::Unknown };
        Self::Ahead {
            remaining: Remaining::new(curve, case.age, evidence),
            unannounced: case.settings.unannounced,
            multiplier: case.codes.heaviest(&case.settings.codes, cooling_fault).0,
        }
    }

    fn chance(&self, further: f64) -> Option<f64> {
        match self {
            Self::Unknown => None,
            Self::Degraded => Some(1.0),
            Self::Ahead { remaining, unannounced, multiplier } => {
                let (by_curve, by_checks) = (remaining.by_curve(further), remaining.chance(further));
                let chance = by_checks + unannounced * (by_curve - by_checks);
                Some(-libm::expm1(multiplier * libm::log1p(-chance)))
            }
        }
    }
}
