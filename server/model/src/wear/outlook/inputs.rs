//! What an outlook rests on.

use std::fmt;

use super::codes::CodeWeights;
use super::evidence::{SpreadCheck, SpreadWalk};
use crate::fleet::{CodeLog, DistanceUnit, Metres};
use crate::wear::life::LifeFit;

/// All that is known of a pack.
#[derive(Clone, Copy, Debug)]
pub struct Inputs<'a> {
    /// Its age.
    pub age: Metres,
    /// Metres that its car covers a day from now on; at least 0.
    pub metres_per_day: f64,
    /// What is usual in the fleet.
    pub usual: Usual,
    /// Its life curve, fitted to lives in metres; `None` where too few packs have failed.
    pub life: Option<LifeCurve<'a>>,
    /// The spread from which on its type is degraded, in volts.
    pub limit_v: f64,
    /// The checks of its spread, in any order.
    pub checks: &'a [SpreadCheck],
    /// Its car's trouble codes.
    pub codes: &'a CodeLog,
    /// Its cooling.
    pub cooling: Cooling<'a>,
    /// The unit in which the reasons give distances.
    pub unit: DistanceUnit,
}

/// What is usual in the fleet: the neutral values of the reasons.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Usual {
    /// The age of its packs.
    pub age: Metres,
    /// Metres that its cars cover a day; at least 0.
    pub metres_per_day: f64,
}

/// The fleet's life curve and where a pack stands on it.
#[derive(Clone, Copy, Debug)]
pub struct LifeCurve<'a> {
    /// The curve.
    pub fit: &'a LifeFit,
    /// The pack's covariates, in the order of the fit.
    pub covariates: &'a [Covariate],
}

/// One covariate of a pack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Covariate {
    /// What it stands for.
    pub factor: Factor,
    /// The pack's value.
    pub value: f64,
    /// The fleet's mean.
    pub usual: f64,
}

/// The inputs that reasons are given for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Factor {
    /// Age on the life curve; neutral is the fleet's usual age.
    Age,
    /// Distance a day, as what lies ahead and as a covariate; neutral is the fleet's usual.
    UsageRate,
    /// Heat, a covariate: the logarithm of the mean factor of ageing.
    Heat,
    /// Late fan services, a covariate: the share of distance driven past the late edge.
    LateServices,
    /// The type of the pack, a covariate.
    PackType,
    /// The last check's spread; neutral is none.
    SpreadLevel,
    /// The checks before it; neutral is none.
    SpreadTrend,
    /// The codes but for those of the cooling; neutral is none.
    Codes,
    /// Airflow and the codes of the cooling; neutral is no forecast and no fault.
    Cooling,
}

impl Factor {
    /// The factor's name in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Age => "age",
            Self::UsageRate => "usage-rate",
            Self::Heat => "heat",
            Self::LateServices => "late-services",
            Self::PackType => "pack-type",
            Self::SpreadLevel => "spread-level",
            Self::SpreadTrend => "spread-trend",
            Self::Codes => "codes",
            Self::Cooling => "cooling",
        }
    }
}

/// What is known of a pack's airflow now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Air {
    /// Nothing.
    NotKnown,
    /// Its index is within the limit.
    Within,
    /// Its index is over the limit.
    Over,
}

/// A pack's cooling.
#[derive(Clone, Copy)]
pub struct Cooling<'a> {
    /// The airflow now.
    pub air: Air,
    /// The chance that the airflow index crosses its limit within some days, the services that are planned until then done;
    /// `None` without a forecast. What is not a number counts as none.
    pub chance_within: Option<&'a dyn Fn(f64) -> f64>,
}

impl Cooling<'_> {
    /// Nothing known.
    pub const NOT_KNOWN: Cooling<'static> = Cooling { air: Air::NotKnown, chance_within: None };
}

impl fmt::Debug for Cooling<'_> {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let within_90 = self.chance_within.map(|chance| chance(super::MIDDLE));
        out.debug_struct("Cooling").field("air", &self.air).field("within_90", &within_90).finish()
    }
}

/// Chances of degradation within 90 days from which on a pack is in a band of risk.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RiskLimits {
    /// To be watched.
    pub watch: f64,
    /// To be planned for.
    pub plan: f64,
    /// To be seen to now.
    pub now: f64,
}

impl Default for RiskLimits {
    fn default() -> Self {
        Self { watch: 0.05, plan: 0.15, now: 0.40 }
    }
}

/// How to weigh it all.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// How spread grows.
    pub walk: SpreadWalk,
    /// Share of block failures that no spread announces, from 0 to 1.
    pub unannounced: f64,
    /// What codes weigh.
    pub codes: CodeWeights,
    /// The manager's limits.
    pub limits: RiskLimits,
    /// The level of the interval.
    pub level: f64,
}

/// A quarter of failures unannounced, an interval of 90 %: by reasoning.
impl Default for Settings {
    fn default() -> Self {
        Self {
            walk: SpreadWalk::default(),
            unannounced: 0.25,
            codes: CodeWeights::default(),
            limits: RiskLimits::default(),
            level: 0.9,
        }
    }
}

/// An input or a setting that cannot be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BadInput {
    /// Which.
    pub field: &'static str,
    /// Its value.
    pub value: f64,
    /// What would be right.
    pub right: &'static str,
}

impl fmt::Display for BadInput {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} must be {}, not {}", self.field, self.right, self.value)
    }
}

impl std::error::Error for BadInput {}

/// No noise is taken for smaller: a walk that strays by a hundredth of a volt in a hundred thousand kilometres.
const LEAST_NOISE: f64 = 1e-12;
/// Nothing that is measured in volts or metres a day is taken for larger.
const MOST: f64 = 1e7;

fn within(field: &'static str, value: f64, least: f64, most: f64, right: &'static str) -> Result<(), BadInput> {
    if value >= least && value <= most { Ok(()) } else { Err(BadInput { field, value, right }) }
}

pub(super) fn check(inputs: &Inputs<'_>, settings: &Settings) -> Result<(), BadInput> {
    let from_0 = |field, value| within(field, value, 0.0, MOST, "from 0 to 10,000,000");
    let share = |field, value| within(field, value, 0.0, 1.0, "from 0 to 1");
    let age = |field, value: Metres| within(field, value.as_f64(), 0.0, f64::MAX, "at least 0");
    age("age", inputs.age)?;
    age("usual.age", inputs.usual.age)?;
    from_0("metres_per_day", inputs.metres_per_day)?;
    from_0("usual.metres_per_day", inputs.usual.metres_per_day)?;
    for check in inputs.checks {
        within("checks.age", check.age.as_f64(), 0.0, inputs.age.as_f64(), "from 0 to the pack's age")?;
        within("checks.spread_v", check.spread_v, -MOST, MOST, "a number of volts")?;
    }
    for covariate in inputs.life.iter().flat_map(|life| life.covariates) {
        within("covariates.value", covariate.value, -MOST, MOST, "a number")?;
        within("covariates.usual", covariate.usual, -MOST, MOST, "a number")?;
    }
    if let Some(life) = inputs.life {
        let values: Vec<f64> = life.covariates.iter().map(|covariate| covariate.value).collect();
        let curve = life.fit.curve(&values);
        within("life.shape", curve.shape, f64::MIN_POSITIVE, f64::MAX, "a number above 0")?;
        within("life.scale", curve.scale, f64::MIN_POSITIVE, f64::MAX, "a number above 0")?;
    }
    let walk = &settings.walk;
    from_0("walk.new_v", walk.new_v)?;
    from_0("walk.new_sd_v", walk.new_sd_v)?;
    from_0("walk.check_sd_v", walk.check_sd_v)?;
    within("walk.noise_v2_per_m", walk.noise_v2_per_m, LEAST_NOISE, MOST, "at least 1e-12")?;
    within("walk.power", walk.power, 0.5, 4.0, "from 0.5 to 4")?;
    within("walk.reference_m", walk.reference_m, 1.0, 1e12, "at least 1 m")?;
    if inputs.limit_v.is_nan() || inputs.limit_v <= walk.new_v || inputs.limit_v > MOST {
        return Err(BadInput { field: "limit_v", value: inputs.limit_v, right: "above the spread of a new pack" });
    }
    share("unannounced", settings.unannounced)?;
    let codes = &settings.codes;
    within("codes.strong", codes.strong, 1.0, MOST, "at least 1")?;
    within("codes.sign", codes.sign, 1.0, MOST, "at least 1")?;
    share("codes.pending", codes.pending)?;
    share("codes.history", codes.history)?;
    share("codes.beside_cooling_fault", codes.beside_cooling_fault)?;
    let limits = &settings.limits;
    share("limits.watch", limits.watch)?;
    within("limits.plan", limits.plan, limits.watch, 1.0, "from limits.watch to 1")?;
    within("limits.now", limits.now, limits.plan, 1.0, "from limits.plan to 1")?;
    within("level", settings.level, 0.01, 0.999, "from 0.01 to 0.999")
}
