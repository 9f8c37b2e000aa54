//! The life curve of the fleet's packs, what a replacement is worth, and whether the risks were right.

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Days, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::fleet::{DistanceUnit, Metres};
use ventmile_model::wear::life::{Covariate, Interval, Quantity};
use ventmile_model::wear::{Costs, NoOptimum, Replacement};

use super::body::Params;
use super::key::{Key, Read};
use super::packs::RangeAnswer;
use super::problem::{Fault, Problem};
use super::shapes::{shown, thousandth};
use super::upcoming::{parameter, unit_asked};
use super::values;
use crate::app::App;
use crate::app::curve::{CurveSpot, LATE, Likely, UsualCurve, no_optimum};
use crate::app::life::{FleetLife, Without};
use crate::app::risks::{self, HorizonRecord};
use crate::store::{LivedPack, RiskFilter};

/// What is asked of the life curve.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct CurveQuery {
    /// Packs shown on it only of this depot.
    depot: Option<String>,
    /// Packs shown on it only of this type; the curve then is that of a usual pack of the type.
    #[serde(rename = "type")]
    pack_type: Option<String>,
    /// `stated` (the settings' weak prior; when left out) or `none` (maximum likelihood).
    prior: Option<String>,
    /// `all` (when left out) or `none` (one curve for all packs).
    covariates: Option<String>,
    /// Unit for distances; `mi` when left out.
    distance_unit: Option<String>,
    /// Packs shown on it, the oldest first.
    limit: Option<i64>,
}

/// An estimate with its interval.
#[derive(Debug, Serialize, ToSchema)]
pub struct EstimateAnswer {
    /// The estimate.
    value: f64,
    /// Its 90 % interval, by profile likelihood.
    interval: RangeAnswer,
}

/// What a covariate does to life.
#[derive(Debug, Serialize, ToSchema)]
pub struct EffectAnswer {
    /// Which: the rate of use, the heat, the share driven past the late edge, or a pack type.
    covariate: String,
    /// The factor by which life is longer: for the rate of use and the heat factor where either doubles; for the share
    /// where all of the distance is driven late; for a type beside the commonest one.
    life_factor: EstimateAnswer,
    /// What that means, and what it does not.
    says: &'static str,
}

/// A point of the curve.
#[derive(Debug, Serialize, ToSchema)]
pub struct CurvePoint {
    /// Distance a pack has behind it.
    age: f64,
    /// Share of usual packs that live longer.
    survival: f64,
    /// Its 90 % interval.
    interval: RangeAnswer,
}

/// A step of the curve of Kaplan and Meier.
#[derive(Debug, Serialize, ToSchema)]
pub struct StepAnswer {
    /// Distance at which packs failed.
    age: f64,
    /// Packs under watch just before.
    at_risk: f64,
    /// Packs that failed there.
    failed: f64,
    /// Share that lives longer, counted without a curve.
    survival: f64,
}

/// A pack on the curve.
#[derive(Debug, Serialize, ToSchema)]
pub struct CurvePack {
    /// Its serial; null where none is registered for the car.
    serial: Option<String>,
    /// Its car.
    unit: String,
    /// That car's depot.
    depot: String,
    /// Its type.
    #[serde(rename = "type")]
    pack_type: String,
    /// Distance it had behind it when watching began: above 0 in a car bought used.
    watched_from: f64,
    /// Distance it has behind it, or had at its end.
    age: f64,
    /// Whether it is in the car still.
    in_use: bool,
    /// Whether it was worn out at its end.
    failed: bool,
    /// Share of such packs, used as it was, that live longer than it has.
    survival: Option<f64>,
}

/// The cheapest way to replace packs.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReplacementAnswer {
    /// A replacement on a planned day, in the manager's currency.
    planned_cost: f64,
    /// The same after a failure on the road: tow and lost shifts too.
    roadside_cost: f64,
    /// The cheapest age to replace a usual pack; null where there is no finite optimum.
    cheapest_age: Option<f64>,
    /// Why there is none.
    no_finite_optimum_because: Option<&'static str>,
    /// Cost per thousand of `distance_unit` in the long run, replaced so.
    cost_per_thousand: f64,
    /// The same where every pack is run to its failure.
    run_to_failure_per_thousand: f64,
}

/// What late fan services cost in pack life, by this fleet's own packs.
#[derive(Debug, Serialize, ToSchema)]
pub struct LateServicesAnswer {
    /// Mean life of a usual pack whose fan is always serviced in time.
    life_in_time: f64,
    /// 90 % interval of the change of that life where all distance is driven past the late edge; below 0 is lost.
    life_change: RangeAnswer,
    /// The same in money for each pack's life, at the price of a planned replacement; above 0 is lost.
    cost_per_pack: RangeAnswer,
    /// What this is and is not.
    says: &'static str,
}

/// The life curve of a usual pack of this fleet.
#[derive(Debug, Serialize, ToSchema)]
pub struct LifeCurveAnswer {
    /// When it was learned.
    made_at: DateTime<Utc>,
    /// Packs it was learned from.
    packs: usize,
    /// Those of them that were worn out.
    failures: f64,
    /// Unit of distances.
    distance_unit: &'static str,
    /// Why there is no curve.
    no_curve_because: Option<String>,
    /// While nothing has failed: with 90 % confidence the scale is at least this, where the shape is the one held likely
    /// before (`wear.prior_shape`).
    scale_at_least: Option<f64>,
    /// The Weibull shape: above 1 the risk rises with age.
    shape: Option<EstimateAnswer>,
    /// The Weibull scale: by this distance 63 % of usual packs have failed.
    scale: Option<EstimateAnswer>,
    /// The distance by which a tenth of usual packs has failed.
    b10: Option<EstimateAnswer>,
    /// What a usual pack is.
    usual: String,
    /// What was held likely before any failure.
    prior: String,
    /// What changes life.
    effects: Vec<EffectAnswer>,
    /// Covariates of which nothing can be said, since they follow from the others here.
    inseparable: Vec<String>,
    /// The curve, in fifty steps.
    points: Vec<CurvePoint>,
    /// The curve of Kaplan and Meier beside it.
    kaplan_meier: Vec<StepAnswer>,
    /// Whether the curve fits: the chance of packs that follow it straying as far (a score test of failures seen against
    /// expected by age).
    fit_chance: Option<f64>,
    /// A plain warning where it does not fit, or too few packs have failed to tell.
    warning: Option<String>,
    /// The cheapest age to replace a usual pack.
    replacement: Option<ReplacementAnswer>,
    /// What late fan services cost.
    late_services: Option<LateServicesAnswer>,
    /// Packs on the curve, the oldest first.
    on_curve: Vec<CurvePack>,
}

/// The curve and the unit of the answer.
struct Curve<'a> {
    usual: UsualCurve<'a>,
    unit: DistanceUnit,
}

fn range(interval: Interval, through: impl Fn(f64) -> f64) -> RangeAnswer {
    RangeAnswer { low: interval.low.map(&through), high: interval.high.map(&through) }
}

fn likely(amount: Likely, through: impl Fn(f64) -> f64) -> RangeAnswer {
    range(Interval { low: amount.low, high: amount.high }, through)
}

fn cents(amount: f64) -> f64 {
    (amount * 100.0).round() / 100.0
}

impl Curve<'_> {
    fn distance(&self, metres: f64) -> f64 {
        shown(Metres(metres.round() as i64), self.unit)
    }

    fn estimate(&self, value: f64, quantity: Quantity<'_>, through: impl Fn(f64) -> f64) -> EstimateAnswer {
        EstimateAnswer { value: through(value), interval: range(self.usual.interval(quantity), through) }
    }

    fn points(&self) -> Vec<CurvePoint> {
        let point = |spot: CurveSpot| CurvePoint {
            age: self.distance(spot.age),
            survival: thousandth(spot.survival),
            interval: range(spot.interval, thousandth),
        };
        self.usual.spots().into_iter().map(point).collect()
    }

    fn effects(&self, life: &FleetLife) -> Vec<EffectAnswer> {
        let effect = |(number, covariate): (usize, &Covariate)| {
            let (times, says) = reading(covariate);
            let factor = move |coefficient: f64| thousandth((coefficient * times).exp());
            let coefficient = *self.usual.fit.coefficients.get(number)?;
            Some(EffectAnswer {
                covariate: covariate.to_string(),
                life_factor: self.estimate(coefficient, Quantity::Coefficient(number), factor),
                says,
            })
        };
        life.accelerators.covariates.iter().enumerate().filter_map(effect).collect()
    }

    fn replacement(&self, costs: Costs) -> Option<ReplacementAnswer> {
        let thousand = 1_000.0 * self.unit.metres();
        let answer = |age: Option<f64>, reason: Option<NoOptimum>, rate: f64, to_failure: f64| ReplacementAnswer {
            planned_cost: costs.planned,
            roadside_cost: costs.roadside,
            cheapest_age: age.map(|age| self.distance(age)),
            no_finite_optimum_because: reason.map(no_optimum),
            cost_per_thousand: cents(rate * thousand),
            run_to_failure_per_thousand: cents(to_failure * thousand),
        };
        Some(match self.usual.replacement(costs)? {
            Replacement::AtAge { age, rate, run_to_failure } => answer(Some(age), None, rate, run_to_failure),
            Replacement::AtFailure { reason, rate } => answer(None, Some(reason), rate, rate),
        })
    }

    fn late_services(&self, costs: Costs) -> Option<LateServicesAnswer> {
        let late = self.usual.late_services(costs)?;
        Some(LateServicesAnswer {
            life_in_time: self.distance(late.life_in_time),
            life_change: likely(late.life_change(), |metres| self.distance(metres)),
            cost_per_pack: likely(late.cost_per_pack(), cents),
            says: LATE,
        })
    }
}

/// By how much a covariate is changed for its effect to be told, and what that means.
fn reading(covariate: &Covariate) -> (f64, &'static str) {
    let doubled = std::f64::consts::LN_2;
    match covariate {
        Covariate::Rate => (
            doubled,
            "life in distance where the car goes twice as far a day: 1 is ageing by distance alone, 2 by calendar alone",
        ),
        Covariate::Heat => (doubled, "life where heat ages a pack twice as fast; half is what Arrhenius' law says"),
        Covariate::LateShare => (1.0, LATE),
        Covariate::PackType(_) => (1.0, "life of this type beside the commonest one"),
    }
}

fn on_curve(pack: LivedPack, life: &FleetLife, unit: DistanceUnit) -> CurvePack {
    let row = &pack.exposure;
    let distance = |metres: f64| shown(Metres(metres.round() as i64), unit);
    let survival = life.fit.as_ref().ok().map(|fit| thousandth(fit.curve(&life.covariates(row)).survival(row.exit)));
    CurvePack {
        watched_from: distance(row.entry),
        age: distance(row.exit),
        in_use: row.in_use,
        failed: row.failed,
        survival,
        serial: Some(pack.exposure.serial).filter(|serial| !serial.is_empty()),
        unit: pack.unit,
        depot: pack.depot,
        pack_type: pack.exposure.pack_type,
    }
}

fn usual(life: &FleetLife, unit: DistanceUnit) -> String {
    format!(
        "in a car that goes {:.0} {unit} a day, kept at the heat factor of the fleet, its fan serviced as late as in the fleet",
        life.usual.metres_per_day / unit.metres()
    )
}

fn prior(life: &FleetLife, unit: DistanceUnit) -> String {
    let (Some(shape), Some(scale)) = (life.prior.log_shape, life.prior.log_scale) else {
        return "none: maximum likelihood".to_owned();
    };
    format!(
        "shape {:.1} and scale {:.0} {unit}, each known to a factor of {:.1} and {:.1} with 68 %; no covariate is held to \
         matter; settings wear.prior_…",
        shape.mean.exp(),
        scale.mean.exp() / unit.metres(),
        shape.sd.exp(),
        scale.sd.exp()
    )
}

/// The life curve
///
/// Weibull with censoring and truncation, by maximum a posteriori with a weak, stated prior, with Kaplan and Meier's curve
/// beside it; what replacing packs costs; the fleet's packs on it. A pack pulled for its condition counts as worn out. To a key
/// confined to depots it is the curve of their packs alone, while outlooks lean on the whole fleet's.
#[utoipa::path(
    get, path = "/v1/life-curve", operation_id = "get_life_curve", tag = "Answers", params(CurveQuery),
    responses((status = 200, body = LifeCurveAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_life_curve(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Params(query): Params<CurveQuery>,
) -> Result<Response, Problem> {
    let unit = unit_asked(query.distance_unit.as_deref())?.unwrap_or(DistanceUnit::Mile);
    let limit = super::page::limit(&app, query.limit)?;
    let without = Without {
        prior: left_out("prior", query.prior.as_deref(), "stated")?,
        covariates: left_out("covariates", query.covariates.as_deref(), "all")?,
    };
    let life = app.life_seen_by(caller.actor.key_depots_of()).await?;
    let packs = app
        .store
        .lived_packs(query.depot.as_deref(), query.pack_type.as_deref(), caller.actor.key_depots_of(), limit)
        .await?;
    let asked = query.pack_type;
    // Profiles of a big fleet take a while: not on the threads that answer requests.
    let answer = tokio::task::spawn_blocking(move || {
        let other = (without != Without::default()).then(|| life.without(without));
        life_curve(&app, other.as_ref().unwrap_or(&life), packs, asked.as_deref(), unit)
    })
    .await;
    let answer = answer.map_err(|_| crate::store::StoreError::Stopped)?;
    Ok(axum::Json(answer).into_response())
}

/// Whether a parameter says `none` and not what it is when left out.
fn left_out(name: &str, text: Option<&str>, usual: &str) -> Result<bool, Problem> {
    match text {
        Some("none") => Ok(true),
        Some(other) if other != usual => {
            Err(Problem::query(Fault::parameter(name, Some(other), format!("give {usual} or none"))))
        }
        _ => Ok(false),
    }
}

fn life_curve(
    app: &App,
    life: &FleetLife,
    packs: Vec<LivedPack>,
    pack_type: Option<&str>,
    unit: DistanceUnit,
) -> LifeCurveAnswer {
    let curve = life.usual_curve(pack_type).map(|usual| Curve { usual, unit });
    let costs = app.replacement_costs();
    let distance = |metres: f64| shown(Metres(metres.round() as i64), unit);
    LifeCurveAnswer {
        made_at: life.made_at,
        packs: life.packs,
        failures: life.failures(),
        distance_unit: unit.as_str(),
        no_curve_because: life.fit.as_ref().err().map(ToString::to_string),
        scale_at_least: life.least_scale(&app.settings).map(distance),
        shape: curve.as_ref().map(|curve| curve.estimate(curve.usual.fit.shape(), Quantity::Shape, thousandth)),
        scale: curve.as_ref().map(|curve| {
            let scale = curve.usual.weibull().scale;
            curve.estimate(scale, Quantity::Scale(&curve.usual.covariates), distance)
        }),
        b10: curve.as_ref().map(|curve| {
            let age = curve.usual.weibull().quantile(0.1);
            curve.estimate(age, Quantity::Quantile(0.1, &curve.usual.covariates), distance)
        }),
        usual: usual(life, unit),
        prior: prior(life, unit),
        effects: curve.as_ref().map(|curve| curve.effects(life)).unwrap_or_default(),
        inseparable: life.inseparable.iter().map(ToString::to_string).collect(),
        points: curve.as_ref().map(Curve::points).unwrap_or_default(),
        kaplan_meier: life
            .steps
            .iter()
            .map(|step| StepAnswer {
                age: distance(step.age),
                at_risk: step.at_risk,
                failed: step.failed,
                survival: thousandth(step.survival),
            })
            .collect(),
        fit_chance: life.check.as_ref().and_then(|check| check.chance).map(thousandth),
        warning: life.check.as_ref().and_then(|check| check.warning).map(|warning| warning.to_string()),
        replacement: curve.as_ref().and_then(|curve| curve.replacement(costs)),
        late_services: curve.as_ref().and_then(|curve| curve.late_services(costs)),
        on_curve: packs.into_iter().map(|pack| on_curve(pack, life, unit)).collect(),
    }
}

/// Which risks are looked at.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct RiskQuery {
    /// Told on or after this day; two years ago when left out.
    from: Option<String>,
    /// Told on or before this day; today when left out.
    to: Option<String>,
    /// Only of this depot.
    depot: Option<String>,
}

/// A tenth of the risks, from the lowest to the highest.
#[derive(Debug, Serialize, ToSchema)]
pub struct DecileAnswer {
    /// Risks in it.
    n: usize,
    /// Their mean.
    told: f64,
    /// Share of the packs that were worn out within the horizon.
    happened: f64,
}

/// How right the risks of one horizon were.
#[derive(Debug, Serialize, ToSchema)]
pub struct RiskRecord {
    /// Days ahead.
    days: i64,
    /// Risks whose outcome is known.
    n: usize,
    /// Packs that were worn out within the horizon.
    failures: usize,
    /// Brier score: mean squared distance of the chance from the outcome; the smaller the better.
    brier: Option<f64>,
    /// The Brier score of telling every pack the share that failed.
    brier_of_base_rate: Option<f64>,
    /// By tenths of the risks.
    deciles: Vec<DecileAnswer>,
}

/// Were the risks right.
#[derive(Debug, Serialize, ToSchema)]
pub struct RiskHindsightAnswer {
    /// Told on or after this day.
    from: NaiveDate,
    /// Told on or before this day.
    to: NaiveDate,
    /// Within 30, 90 and 180 days.
    horizons: Vec<RiskRecord>,
    /// How it is counted.
    note: &'static str,
}

const RISK_NOTE: &str = "One risk a week and car is kept. It counts once the pack was worn out or followed to the end of the \
    horizon; one whose pack went for another reason before, or that is not followed so far yet, does not.";

fn record(days: i64, record: HorizonRecord) -> RiskRecord {
    RiskRecord {
        days,
        n: record.count,
        failures: record.failures,
        brier: record.brier.map(|score| (score * 1e5).round() / 1e5),
        brier_of_base_rate: record.base.map(|score| (score * 1e5).round() / 1e5),
        deciles: record
            .deciles
            .into_iter()
            .map(|decile| DecileAnswer {
                n: decile.count,
                told: thousandth(decile.told),
                happened: thousandth(decile.happened),
            })
            .collect(),
    }
}

/// Were the risks right
///
/// Chances of degradation as they were told against what happened: reliability by tenths, and the Brier score beside that
/// of the base rate.
#[utoipa::path(
    get, path = "/v1/hindsight/risks", operation_id = "get_risk_hindsight", tag = "Answers", params(RiskQuery),
    responses((status = 200, body = RiskHindsightAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_risk_hindsight(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Params(query): Params<RiskQuery>,
) -> Result<Response, Problem> {
    let today = app.now().date_naive();
    let to = parameter("to", query.to.as_deref(), values::date)?.unwrap_or(today);
    let two_years_ago = today.checked_sub_days(Days::new(730)).unwrap_or(today);
    let from = parameter("from", query.from.as_deref(), values::date)?.unwrap_or(two_years_ago);
    let filter =
        RiskFilter { from, to, depot: query.depot, key_depots_of: caller.actor.key_depots_of(), limit: risks::MOST };
    let found = app.risk_hindsight(&filter).await?;
    let horizons = found.horizons.into_iter().map(|(days, horizon)| record(days, horizon)).collect();
    Ok(axum::Json(RiskHindsightAnswer { from, to, horizons, note: RISK_NOTE }).into_response())
}
