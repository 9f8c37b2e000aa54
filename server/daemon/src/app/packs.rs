//! One car's packs: what each has lived through, what checks and codes show of the one in the car, what is to be expected
//! of it, and which orders that calls for.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use ventmile_model::fleet::{
    Chemistry, CodeLog, CodeState, Kind, Layout, Metres, Mode, PackCheck, PackLife, PackType, Rule, Service,
    SpreadLimits, Trips, day_start, local_day,
};
use ventmile_model::wear::airflow::{self, Airflow, AirflowSettings};
use ventmile_model::wear::block_wear::{BlockWear, look_ahead};
use ventmile_model::wear::life::Covariate;
use ventmile_model::wear::outlook::{
    self, Air, Band, Chances, CodeWeights, Cooling, Factor, Inputs, LifeCurve, Outlook, Reason, RiskLimits,
    SpreadCheck, SpreadWalk, percent,
};
use ventmile_model::wear::spread::{Month, Spread, SpreadSettings, spread};
use ventmile_model::wear::{Carrier, Costs, End, Exposure, Holding, Lived, hold};

use super::App;
use super::assess::{Assessment, day_of, zone_on};
use super::forecasts::AssessedCar;
use super::life::{FleetLife, StoredLevels, heat};
use super::stops::stop_calls;
use crate::config::Settings;
use crate::store::{CarLogs, ExposureRow, OrderCall, OutlookRow, PackRecast, PackRecord, PastRisk, StopCall};

/// A month, for what waiting costs: the nearest horizon of a pack's chances.
pub const MONTH_DAYS: f64 = 30.0;

/// Days of packs further ahead than ten years are not given: no car in such work lives to see them.
pub const FURTHEST_DAYS: f64 = 3_652.0;

/// The limits of types that have none of their own.
const ANY: &str = "any";

/// The pack in a car, and all that is known of it.
#[derive(Debug)]
pub struct CurrentPack {
    /// Its time in the car.
    pub lived: Lived,
    /// What it has lived through, as the curve takes it.
    pub exposure: ExposureRow,
    /// Its covariates on the curve.
    pub covariates: Vec<f64>,
    /// Limits of its type.
    pub limits: SpreadLimits,
    /// The spread of its blocks.
    pub spread: Spread,
    /// By that alone: when its weakest block reaches the limit.
    pub alone: BlockWear,
    /// Its car's trouble codes.
    pub codes: CodeLog,
    /// What is to be expected, all taken together.
    pub outlook: Result<Outlook, outlook::BadInput>,
    /// What keeping it for another month is expected to cost.
    pub holding: Option<Holding>,
    /// Whether its chances rest on more than what was held likely before: on a curve that the fleet's own failures bear
    /// out, or on checks of its own.
    pub founded: bool,
    /// When it was last checked.
    pub last_check_at: Option<DateTime<Utc>>,
}

/// The packs of a car.
#[derive(Debug)]
pub struct CarPacks {
    /// Every pack's time in the car with what it lived through.
    pub lived: Vec<(Lived, ExposureRow)>,
    /// The one that is in it.
    pub current: Option<CurrentPack>,
    /// Codes that take the car off the road by themselves.
    pub stops: Vec<StopCall>,
}

/// What a list shows of a pack's outlook; distances are metres.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PackItem {
    /// Its serial; `None` where no pack is registered for the car.
    pub serial: Option<String>,
    /// Its type.
    pub pack_type: String,
    /// Its age.
    pub age_metres: f64,
    /// What its car covers a day.
    pub metres_per_day: f64,
    /// The unit of its car's depot, which its reason speaks in.
    pub distance_unit: String,
    /// Band of risk.
    pub band: String,
    /// Chance of degradation within 30, 90 and 180 days; `None` where nothing is known.
    pub chances: Option<[f64; 3]>,
    /// Interval of the chance within 90 days.
    pub interval: Option<[f64; 2]>,
    /// The day by which degradation is as likely as not.
    pub median_on: Option<NaiveDate>,
    /// The weightiest reason in words.
    pub reason: Option<String>,
    /// The next reasons, as far as they move the chance.
    #[serde(default)]
    pub more_reasons: Vec<String>,
    /// When it was last checked.
    pub last_check_at: Option<DateTime<Utc>>,
    /// Why no chance is given.
    pub no_chance_because: Option<String>,
}

/// The band of a pack of which nothing is known.
pub const UNKNOWN_BAND: &str = "unknown";

/// All bands, the most urgent first.
pub const BANDS: [&str; 6] = ["degraded", "now", "plan", "watch", "low", UNKNOWN_BAND];

/// The three horizons' chances.
#[must_use]
pub fn three(chances: Chances) -> [f64; 3] {
    [chances.within_30, chances.within_90, chances.within_180]
}

/// The settings of the airflow index.
#[must_use]
pub fn airflow_settings(settings: &Settings) -> AirflowSettings {
    AirflowSettings { limit: settings.wear.airflow_limit, ..AirflowSettings::default() }
}

/// The fan services of a car in order, its start in service first: until one is done that stands for one.
#[must_use]
pub fn fan_services(logs: &CarLogs) -> Vec<Service> {
    let at = day_start(logs.in_service_on, zone_on(logs, logs.in_service_on));
    let started = Service { at, odometer: logs.odometer_in_service };
    let done = logs.services.iter().filter(|(kind, _)| kind.restarts_fan_interval()).map(|(_, service)| *service);
    let mut all: Vec<Service> = std::iter::once(started).chain(done).collect();
    all.sort_by_key(|service| service.at);
    all
}

/// How well the pack in a car is cooled.
#[must_use]
pub fn airflow_of(logs: &CarLogs, now: DateTime<Utc>, settings: &Settings) -> Airflow {
    let services: Vec<DateTime<Utc>> = fan_services(logs).iter().map(|service| service.at).collect();
    airflow::airflow(&logs.checks, &services, now, &airflow_settings(settings))
}

fn limit(by_type: &BTreeMap<String, f64>, pack_type: &str, otherwise: f64) -> f64 {
    by_type.get(pack_type).or_else(|| by_type.get(ANY)).copied().unwrap_or(otherwise)
}

/// The limits of a pack type.
#[must_use]
pub fn limits_of(pack_type: &str, settings: &Settings) -> SpreadLimits {
    let default = SpreadLimits::default();
    let weak_v = limit(&settings.wear.weak_v, pack_type, default.weak_v);
    SpreadLimits { watch_v: limit(&settings.wear.watch_v, pack_type, default.watch_v).min(weak_v), weak_v }
}

/// What a replacement costs on a planned day and on the road side.
#[must_use]
pub fn costs(settings: &Settings) -> Costs {
    let cost = &settings.cost;
    let both = cost.pack + cost.labour;
    Costs {
        planned: both + cost.lost_shift * cost.shifts_planned,
        roadside: both + cost.tow + cost.lost_shift * cost.shifts_roadside,
    }
}

/// The outlook's settings; the noise of spread is the fleet's own where it is known.
fn outlook_settings(settings: &Settings, fleet: &FleetLife) -> outlook::Settings {
    let wear = &settings.wear;
    let stand_in = SpreadWalk { new_v: wear.new_spread_v, ..SpreadWalk::default() };
    outlook::Settings {
        walk: fleet.walk.unwrap_or(stand_in),
        unannounced: wear.unannounced_share,
        codes: CodeWeights { strong: wear.strong_code, sign: wear.sign_code, ..CodeWeights::default() },
        limits: RiskLimits { watch: wear.watch_chance, plan: wear.plan_chance, now: wear.now_chance },
        ..outlook::Settings::default()
    }
}

/// A type as checks are held against it. Where the register does not say how the pack is put together the checks tell how
/// many blocks it has, and no bound is set on their volts: a layout is never assumed.
fn pack_type(pack: Option<&PackLife>, checks: &[PackCheck], limits: SpreadLimits) -> Option<PackType> {
    let told = pack.and_then(|pack| pack.layout);
    let chemistry = pack.and_then(|pack| pack.chemistry).unwrap_or(Chemistry::LithiumIon);
    let layout = told.or_else(|| {
        let mut counts: BTreeMap<usize, usize> = BTreeMap::new();
        checks.iter().for_each(|check| *counts.entry(check.block_volts.len()).or_default() += 1);
        let (blocks, _) = counts.into_iter().max_by_key(|(_, count)| *count)?;
        Some(Layout { blocks: u16::try_from(blocks).ok()?, modules_per_block: 100, cells_per_module: 1 })
    })?;
    Some(PackType { layout, chemistry, limits })
}

/// What happened to a car's packs, laid out for the model.
struct Case<'a> {
    logs: &'a CarLogs,
    assessment: &'a Assessment,
    carrier: Carrier<'a>,
    fleet: &'a FleetLife,
    now: DateTime<Utc>,
    settings: &'a Settings,
}

/// Assesses the packs of a car.
#[must_use]
pub fn assess_packs(
    logs: &CarLogs,
    assessment: &Assessment,
    rule: &Rule,
    fleet: &FleetLife,
    now: DateTime<Utc>,
    settings: &Settings,
) -> CarPacks {
    let services = fan_services(logs);
    let windows = rule.windows(assessment.grading.grade);
    let carrier = Carrier {
        track: &assessment.track,
        watched_from: day_start(logs.in_service_on, zone_on(logs, logs.in_service_on)),
        odometer_then: logs.odometer_in_service,
        packs: &logs.packs,
        services: &services,
        late_after: windows.distance.map(|window| window.late),
    };
    let case = Case { logs, assessment, carrier, fleet, now, settings };
    let lived: Vec<(Lived, ExposureRow)> = case
        .carrier
        .lived()
        .into_iter()
        .map(|lived| {
            let exposure = case.exposure(&lived);
            (lived, exposure)
        })
        .collect();
    let last = lived.last().filter(|(lived, _)| lived.end == End::InUse && !logs.retired);
    let current = last.map(|(lived, exposure)| case.current(lived, exposure));
    let stops = stop_calls(&case.codes(), assessment.today);
    CarPacks { lived, current, stops }
}

impl Case<'_> {
    fn type_of(&self, lived: &Lived) -> String {
        let unregistered = || self.logs.model.clone().unwrap_or_else(|| "unregistered".to_owned());
        lived.pack.as_ref().map_or_else(unregistered, |pack| pack.pack_type.clone())
    }

    fn checks(&self, lived: &Lived) -> Vec<PackCheck> {
        let within = |check: &&PackCheck| {
            check.at >= lived.from && check.at <= self.now && lived.end.at().is_none_or(|end| check.at <= end)
        };
        self.logs.checks.iter().filter(within).cloned().collect()
    }

    fn spread(&self, lived: &Lived, checks: &[PackCheck]) -> Option<Spread> {
        let limits = limits_of(&self.type_of(lived), self.settings);
        let pack = pack_type(lived.pack.as_ref(), checks, limits)?;
        Some(spread(checks, &pack, &SpreadSettings::default()))
    }

    /// The deficits of the weakest block by days and by the pack's age.
    fn levels(&self, lived: &Lived, spread: &Spread) -> StoredLevels {
        let age = |at: DateTime<Utc>| lived.age_at(&self.carrier, at);
        let level = |Month { point, middle: [one, other] }: Month| {
            Some([point.t, f64::midpoint(age(one)?, age(other)?), point.level])
        };
        spread.months().into_iter().filter_map(level).collect()
    }

    fn exposure(&self, lived: &Lived) -> ExposureRow {
        let checks = self.checks(lived);
        let temperatures: Vec<Exposure> =
            checks.iter().filter_map(|check| Some(Exposure { celsius: check.pack_c?, hours: 1.0 })).collect();
        let spread = self.spread(lived, &checks).filter(|spread| spread.levels.len() > 1);
        let levels = spread.map(|spread| self.levels(lived, &spread));
        let path = levels.map(|levels| serde_json::to_string(&levels).unwrap_or_default());
        ExposureRow {
            vehicle_id: self.logs.vehicle_id,
            installed_at: lived.from,
            serial: lived.pack.as_ref().map(|pack| pack.serial.clone()).unwrap_or_default(),
            pack_type: self.type_of(lived),
            entry: lived.entry,
            exit: lived.age,
            in_use: lived.end == End::InUse && !self.logs.retired,
            failed: lived.end.is_failure(),
            metres_per_day: lived.metres_per_day,
            heat: heat(self.settings).mean_factor(&temperatures),
            late: lived.late.as_ref().map(|late| serde_json::to_string(late).unwrap_or_default()),
            path,
        }
    }

    fn current(&self, lived: &Lived, exposure: &ExposureRow) -> CurrentPack {
        let checks = self.checks(lived);
        let spread = self.spread(lived, &checks).unwrap_or_default();
        let limits = limits_of(&exposure.pack_type, self.settings);
        let codes = self.codes();
        let covariates = self.fleet.covariates(exposure);
        let outlook = self.outlook(lived, &covariates, &spread, limits, &codes);
        let metres_per_day = self.assessment.usage.metres_per_day;
        let holding = self.fleet.fit.as_ref().ok().and_then(|fit| {
            let (costs, further) = (costs(self.settings), MONTH_DAYS * metres_per_day);
            let by_curve = hold(fit.curve(&covariates), costs, lived.age, further).ok()?;
            // Checks and codes say more of this pack than the curve of all.
            let wear = outlook.as_ref().ok().and_then(wear_chances).map(|chances| chances.within_30);
            Some(wear.map_or(by_curve, |chance| by_curve.with_chance(costs, chance)))
        });
        CurrentPack {
            lived: lived.clone(),
            exposure: exposure.clone(),
            alone: look_ahead(&spread, self.fleet.drift.as_ref(), limits),
            founded: spread.compared > 1 || self.fleet.is_borne_out(),
            last_check_at: checks.last().map(|check| check.at),
            covariates,
            limits,
            spread,
            codes,
            outlook,
            holding,
        }
    }

    /// The codes as they stand. A day that was driven without a count of its trips counts one.
    fn codes(&self) -> CodeLog {
        let trips = self
            .assessment
            .days
            .iter()
            .map(|(date, day)| (*date, day.trips.max(day.seat_trips).max(u32::from(day.driven))));
        let by_day: BTreeMap<NaiveDate, u32> = trips.collect();
        CodeLog::fold(&self.logs.codes, Trips { by_day: &by_day, zone: self.logs.zone }, self.now)
    }

    fn outlook(
        &self,
        lived: &Lived,
        covariates: &[f64],
        spread: &Spread,
        limits: SpreadLimits,
        codes: &CodeLog,
    ) -> Result<Outlook, outlook::BadInput> {
        let metres = |metres: f64| Metres(metres.round() as i64);
        let checks: Vec<SpreadCheck> = self
            .levels(lived, spread)
            .into_iter()
            .map(|[_, age, volts]| SpreadCheck { age: metres(age.max(0.0)), spread_v: volts })
            .collect();
        let trend = self.assessment.airflow.trend;
        // A fan service puts the cooling right: nothing is forecast beyond the next one.
        let planned = self.assessment.interval.as_ref().and_then(|interval| interval.due.early.p50);
        let until = planned.map_or(f64::INFINITY, |day| (day - self.assessment.today).num_days().max(0) as f64);
        let chance = trend.map(|trend| {
            let now = self.now;
            move |days: f64| trend.chance(now + TimeDelta::milliseconds((days.min(until) * 86_400_000.0) as i64))
        });
        let cooling = Cooling {
            air: match trend {
                None => Air::NotKnown,
                Some(trend) if trend.index >= trend.limit => Air::Over,
                Some(_) => Air::Within,
            },
            chance_within: chance.as_ref().map(|chance| chance as &dyn Fn(f64) -> f64),
        };
        let named = self.fleet.accelerators.covariates.iter().zip(covariates).zip(&self.fleet.means);
        let covariates: Vec<outlook::Covariate> = named
            .map(|((covariate, value), usual)| outlook::Covariate {
                factor: factor(covariate),
                value: *value,
                usual: *usual,
            })
            .collect();
        let inputs = Inputs {
            age: metres(lived.age.max(0.0)),
            metres_per_day: self.assessment.usage.metres_per_day,
            usual: self.fleet.usual,
            life: self.fleet.fit.as_ref().ok().map(|fit| LifeCurve { fit, covariates: &covariates }),
            limit_v: limits.weak_v,
            checks: &checks,
            codes,
            cooling,
            unit: self.logs.distance_unit,
        };
        outlook::outlook(&inputs, &outlook_settings(self.settings, self.fleet))
    }
}

/// The chances that its blocks wear out.
fn wear_chances(outlook: &Outlook) -> Option<Chances> {
    outlook.modes.iter().find(|mode| mode.mode == Mode::BlockWear).map(|mode| mode.chances)
}

/// Reasons after the first that a list shows.
const MORE_REASONS: usize = 2;

/// A reason that moves the logarithm of the odds by less is not worth its words in a list.
const WORTH_SAYING: f64 = 0.2;

fn more_reasons(outlook: &Outlook) -> Vec<String> {
    let moves = |reason: &&Reason| reason.weight.is_none_or(|weight| weight.abs() >= WORTH_SAYING);
    let more = outlook.reasons.iter().skip(1).filter(moves).take(MORE_REASONS);
    more.map(|reason| reason.says.clone()).collect()
}

const fn factor(covariate: &Covariate) -> Factor {
    match covariate {
        Covariate::Rate => Factor::UsageRate,
        Covariate::Heat => Factor::Heat,
        Covariate::LateShare => Factor::LateServices,
        Covariate::PackType(_) => Factor::PackType,
    }
}

impl CurrentPack {
    /// Its band of risk.
    #[must_use]
    pub fn band(&self) -> &'static str {
        self.outlook.as_ref().ok().and_then(|outlook| outlook.band).map_or(UNKNOWN_BAND, Band::as_str)
    }

    /// The chances within the three horizons.
    #[must_use]
    pub fn chances(&self) -> Option<[f64; 3]> {
        self.outlook.as_ref().ok().and_then(|outlook| outlook.chances).map(three)
    }

    /// Why there is no chance.
    #[must_use]
    pub fn no_chance_because(&self) -> Option<String> {
        match &self.outlook {
            Err(bad) => Some(bad.to_string()),
            Ok(outlook) if outlook.chances.is_none() => Some("too few packs have failed for a life curve".to_owned()),
            Ok(_) => None,
        }
    }

    /// The day by which degradation is as likely as not; `None` where it is further off than [`FURTHEST_DAYS`].
    #[must_use]
    pub fn median_on(&self, today: NaiveDate) -> Option<NaiveDate> {
        let ahead = self.outlook.as_ref().ok()?.median.filter(|ahead| ahead.days <= FURTHEST_DAYS)?;
        today.checked_add_signed(TimeDelta::try_days(ahead.days.ceil() as i64)?)
    }

    /// By the spread alone, its drift leaning on the fleet's: 10, 50 and 90 % days of reaching the limit, each `None` where
    /// further off than [`FURTHEST_DAYS`]; `None` where too few checks tell.
    #[must_use]
    pub fn limit_reached(&self) -> Option<[Option<NaiveDate>; 3]> {
        let furthest = self.last_check_at?.checked_add_signed(TimeDelta::try_days(FURTHEST_DAYS as i64)?)?;
        match &self.alone {
            BlockWear::Unknown => None,
            BlockWear::Reached { at } => Some([Some(at.date_naive()); 3]),
            BlockWear::Ahead(ahead) => {
                let by = |chance: f64| ahead.by(chance).filter(|at| *at <= furthest).map(|at| at.date_naive());
                Some([0.1, 0.5, 0.9].map(by))
            }
        }
    }

    /// What a list shows.
    #[must_use]
    pub fn item(&self, logs: &CarLogs, assessment: &Assessment) -> PackItem {
        let outlook = self.outlook.as_ref().ok();
        PackItem {
            serial: Some(self.exposure.serial.clone()).filter(|serial| !serial.is_empty()),
            pack_type: self.exposure.pack_type.clone(),
            age_metres: self.lived.age,
            metres_per_day: assessment.usage.metres_per_day,
            distance_unit: logs.distance_unit.as_str().to_owned(),
            band: self.band().to_owned(),
            chances: self.chances(),
            interval: outlook.and_then(|outlook| outlook.interval).map(|range| [range.low, range.high]),
            median_on: self.median_on(assessment.today),
            reason: outlook.and_then(|outlook| outlook.reasons.first()).map(|reason| reason.says.clone()),
            more_reasons: outlook.map(more_reasons).unwrap_or_default(),
            last_check_at: self.last_check_at,
            no_chance_because: self.no_chance_because(),
        }
    }
}

/// Places in the queue before everything else, and among the rest.
const FIRST: i64 = -1;
const AMONG: i64 = 2;

impl CarPacks {
    /// What a stored pack lived through in this car; `None` of a voided row, and while no reading of the car is believed.
    #[must_use]
    pub fn lived_as(&self, record: &PackRecord) -> Option<&(Lived, ExposureRow)> {
        let same = |pack: &PackLife| pack.serial == record.life.serial && pack.at == record.life.at;
        self.lived.iter().find(|(lived, _)| record.voided_at.is_none() && lived.pack.as_ref().is_some_and(same))
    }

    /// What a recast saves of them.
    #[must_use]
    pub fn recast(&self, logs: &CarLogs, assessment: &Assessment, settings: &Settings) -> PackRecast {
        let seen_on = assessment.last_reading_at.map_or(assessment.today, |at| day_of(logs, at)).min(assessment.today);
        let failures = self.lived.iter().filter(|(lived, _)| lived.end.is_failure());
        PackRecast {
            vehicle_id: logs.vehicle_id,
            exposures: self.lived.iter().map(|(_, exposure)| exposure.clone()).collect(),
            outlook: self.current.as_ref().map(|current| OutlookRow {
                depot_id: logs.depot_id,
                serial: Some(current.exposure.serial.clone()).filter(|serial| !serial.is_empty()),
                pack_type: current.exposure.pack_type.clone(),
                band: current.band(),
                chance_90: current.chances().map_or(0.0, |[_, within_90, _]| within_90),
                made_on: assessment.today,
                item: serde_json::to_string(&current.item(logs, assessment)).unwrap_or_default(),
            }),
            calls: self.current.as_ref().map(|current| current.calls(logs, assessment, settings)).unwrap_or_default(),
            risk: self.current.as_ref().and_then(|current| {
                Some(PastRisk {
                    vehicle_id: logs.vehicle_id,
                    depot_id: logs.depot_id,
                    made_on: assessment.today,
                    installed_at: current.lived.from,
                    chances: current.chances()?,
                    failed_on: None,
                    seen_on,
                })
            }),
            stops: (!logs.retired).then(|| self.stops.clone()),
            failures: failures.filter_map(|(lived, _)| Some((lived.from, day_of(logs, lived.end.at()?)))).collect(),
            seen_on,
        }
    }
}

impl CurrentPack {
    /// Orders that its codes and its risk call for; none whose reason was there before the last job of its kind was done.
    fn calls(&self, logs: &CarLogs, assessment: &Assessment, settings: &Settings) -> Vec<OrderCall> {
        let mut calls: BTreeMap<&'static str, OrderCall> = BTreeMap::new();
        let mut call = |kind: Kind, stop: Option<DateTime<Utc>>, cause: &str, reason: String| {
            let (depot_id, due_on) = (logs.depot_id, assessment.today);
            let new = || OrderCall { kind, depot_id, causes: Vec::new(), since: None, rank: AMONG, due_on };
            let joined = calls.entry(kind.as_str()).or_insert_with(new);
            joined.rank = if stop.is_some() { FIRST } else { joined.rank };
            joined.since = joined.since.max(stop);
            joined.causes.push((cause.to_owned(), reason));
        };
        let done = |kind: Kind| {
            let own = logs.services.iter().filter(|(done, _)| *done == kind);
            own.map(|(_, service)| service.at).max()
        };
        for (code, standing) in self.codes.standings() {
            let Some(meaning) = code.meaning() else { continue };
            let stands = standing.state == CodeState::Confirmed || (meaning.stops && standing.is_in_doubt());
            let kind = meaning.calls_for();
            if stands && done(kind).is_none_or(|done| standing.confirmed > Some(done)) {
                let stop = standing.confirmed.filter(|_| meaning.stops);
                call(kind, stop, &code.to_string(), format!("{code}: {}; {}", meaning.says, meaning.todo));
            }
        }
        if let Some(duct) =
            assessment.airflow.loose_duct.filter(|duct| done(Kind::CoolingCheck).is_none_or(|done| duct.service > done))
        {
            let factor = duct.factor.mid;
            let on = day_of(logs, duct.service);
            call(
                Kind::CoolingCheck,
                None,
                "loose-duct",
                format!(
                    "the pack heats up {factor:.2} times as much since the fan service of {on}: a duct may be loose"
                ),
            );
        }
        if let Some(reason) = self.risk_reason(settings) {
            let again = TimeDelta::days(settings.wear.assess_again_days);
            let lately =
                done(Kind::PackAssessment).is_some_and(|done| local_day(done + again, logs.zone) > assessment.today);
            if !lately {
                call(Kind::PackAssessment, None, "wear", reason);
            }
        }
        calls.into_values().collect()
    }

    /// Why its wear calls for an assessment. A fan that gets dirty is for the fan service, and a code calls by itself.
    fn risk_reason(&self, settings: &Settings) -> Option<String> {
        let outlook = self.outlook.as_ref().ok()?;
        let confirmed = self.codes.standings().any(|(_, standing)| standing.state == CodeState::Confirmed);
        if outlook.band? == Band::Degraded && !confirmed {
            let (weakest, last) = (self.spread.weakest?, self.spread.levels.last()?);
            return Some(format!(
                "block {} lies {:.2} V under the others at like load, over the limit of {:.2} V",
                weakest.block + 1,
                weakest.deficit_v.max(last.deficit_v),
                self.limits.weak_v
            ));
        }
        let wear = wear_chances(outlook)?.within_90;
        (self.founded && wear >= settings.wear.plan_chance).then(|| {
            format!(
                "{} chance that the pack is worn out within 90 days, over the limit of {}",
                percent(wear),
                percent(settings.wear.plan_chance)
            )
        })
    }
}

impl AssessedCar {
    fn last_day_of(&self, lived: &Lived) -> NaiveDate {
        lived.end.at().map_or(self.assessment.today, |end| day_of(&self.logs, end))
    }

    /// Days from the day a pack was put in to that of its end, or to today.
    #[must_use]
    pub fn days_of(&self, lived: &Lived) -> i64 {
        (self.last_day_of(lived) - day_of(&self.logs, lived.from)).num_days()
    }

    /// Duty hours of the car's days in that time.
    #[must_use]
    pub fn hours_of(&self, lived: &Lived) -> f64 {
        let (from, to) = (day_of(&self.logs, lived.from), self.last_day_of(lived));
        let within = self.assessment.days.iter().filter(|(date, _)| from <= **date && **date <= to);
        within.map(|(_, day)| day.hours).sum()
    }
}

impl App {
    /// What the packs of a car are like, from its logs and its forecast.
    #[must_use]
    pub fn packs_of(&self, logs: &CarLogs, assessment: &Assessment, rule: &Rule, fleet: &FleetLife) -> CarPacks {
        assess_packs(logs, assessment, rule, fleet, self.now(), &self.settings)
    }
}
