//! Packs: what is to be expected of each, and why.

use axum::extract::State;
use axum::http::{HeaderMap, Uri};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::fleet::{Code, CodeState, DistanceUnit, Metres, Standing};
use ventmile_model::wear::outlook::Outlook;
use ventmile_model::wear::spread::{Pattern, SetAside};

use super::body::{Params, Segment};
use super::csv;
use super::key::{Key, Read};
use super::pack_logs::{PackAnswer, before_all, pack_view};
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::shapes::{Dates, shown, thousandth};
use super::upcoming::unit_asked;
use crate::app::App;
use crate::app::forecasts::AssessedCar;
use crate::app::packs::{BANDS, CarPacks, CurrentPack, PackItem};
use crate::store::{OutlookFilter, OutlookListed, PackFilter, PackRecord};

/// Chances of degradation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct ChancesAnswer {
    /// Within 30 days.
    within_30_days: f64,
    /// Within 90 days.
    within_90_days: f64,
    /// Within 180 days.
    within_180_days: f64,
}

impl From<[f64; 3]> for ChancesAnswer {
    fn from(chances: [f64; 3]) -> Self {
        let [within_30_days, within_90_days, within_180_days] = chances.map(fine);
        Self { within_30_days, within_90_days, within_180_days }
    }
}

/// A chance to a millionth: those of young packs are small.
fn fine(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

/// An interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct RangeAnswer {
    /// Its lower end; null where the data do not bound it.
    pub(super) low: Option<f64>,
    /// Its upper end; null where the data do not bound it.
    pub(super) high: Option<f64>,
}

/// What is to be expected of the pack in a car.
#[derive(Debug, Serialize, ToSchema)]
pub struct PackOutlookItem {
    /// Unit number of the car.
    unit: String,
    /// Its depot.
    depot: String,
    /// Serial of the pack; null where none is registered for the car.
    serial: Option<String>,
    /// Its type.
    #[serde(rename = "type")]
    pack_type: String,
    /// `degraded`, `now`, `plan`, `watch`, `low` or `unknown`.
    band: String,
    /// Chances of degradation; null where nothing is known.
    chances: Option<ChancesAnswer>,
    /// How far the chance within 90 days may be off because the life curve is.
    interval_90_days: Option<RangeAnswer>,
    /// The day by which degradation is as likely as not; null where it is further off than ten years.
    median_on: Option<NaiveDate>,
    /// Distance the pack has behind it.
    age: f64,
    /// Unit of distances.
    distance_unit: &'static str,
    /// Distance a day its car goes.
    distance_per_day: f64,
    /// The weightiest reason.
    reason: Option<String>,
    /// When it was last checked.
    last_check_at: Option<DateTime<Utc>>,
    /// Why no chance is given.
    no_chance_because: Option<String>,
}

fn distance(metres: f64, unit: DistanceUnit) -> f64 {
    shown(Metres(metres.round() as i64), unit)
}

fn outlook_item(unit: String, depot: String, item: PackItem, shown_in: DistanceUnit) -> PackOutlookItem {
    PackOutlookItem {
        unit,
        depot,
        serial: item.serial,
        pack_type: item.pack_type,
        band: item.band,
        chances: item.chances.map(ChancesAnswer::from),
        interval_90_days: item.interval.map(|[low, high]| RangeAnswer { low: Some(fine(low)), high: Some(fine(high)) }),
        median_on: item.median_on,
        age: distance(item.age_metres, shown_in),
        distance_unit: shown_in.as_str(),
        distance_per_day: distance(item.metres_per_day, shown_in),
        reason: item.reason,
        last_check_at: item.last_check_at,
        no_chance_because: item.no_chance_because,
    }
}

impl PackOutlookItem {
    fn cells(self) -> [String; 13] {
        let chance = |pick: fn(&ChancesAnswer) -> f64| csv::maybe(self.chances.as_ref().map(pick));
        [
            csv::text(&self.unit),
            csv::text(&self.depot),
            csv::text(self.serial.as_deref().unwrap_or_default()),
            csv::text(&self.pack_type),
            self.band.clone(),
            chance(|chances| chances.within_30_days),
            chance(|chances| chances.within_90_days),
            chance(|chances| chances.within_180_days),
            csv::maybe(self.median_on),
            self.age.to_string(),
            self.distance_unit.to_owned(),
            csv::text(self.reason.as_deref().unwrap_or_default()),
            csv::maybe(self.last_check_at.map(|at| at.to_rfc3339())),
        ]
    }
}

const HEAD: [&str; 13] = [
    "unit",
    "depot",
    "serial",
    "type",
    "band",
    "chance_30_days",
    "chance_90_days",
    "chance_180_days",
    "median_on",
    "age",
    "distance_unit",
    "reason",
    "last_check_at",
];

/// Which packs are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct OutlookQuery {
    /// Only in cars of this depot.
    depot: Option<String>,
    /// Only of this type.
    #[serde(rename = "type")]
    pack_type: Option<String>,
    /// Only in this band of risk.
    band: Option<String>,
    /// Only in this car.
    unit: Option<String>,
    /// `mi` or `km`; that of each car's depot when left out.
    distance_unit: Option<String>,
    /// `json` or `csv`; by the Accept header when left out.
    format: Option<String>,
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// Which packs are wearing out
///
/// The pack of every car, the one with the highest chance of degradation within 90 days first.
#[utoipa::path(
    get, path = "/v1/pack-outlook", operation_id = "list_pack_outlook", tag = "Answers", params(OutlookQuery),
    responses(
        (status = 200, content((Page<PackOutlookItem> = "application/json"), (String = "text/csv"))),
        Problem
    ),
    security(("key" = ["read"]))
)]
pub(super) async fn list_pack_outlook(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    headers: HeaderMap,
    Params(query): Params<OutlookQuery>,
) -> Result<Response, Problem> {
    let as_csv = csv::wanted(query.format.as_deref(), &headers)?;
    let limit = page::limit(&app, query.limit)?;
    let unit = unit_asked(query.distance_unit.as_deref())?;
    if let Some(band) = query.band.as_deref().filter(|band| !BANDS.contains(band)) {
        let detail = format!("give one of {}", BANDS.join(", "));
        return Err(Problem::query(Fault::parameter("band", Some(band), detail)));
    }
    // The bits of the chance: a decimal number might come back a little off.
    let after: Option<(u64, i64)> = page::place(query.cursor.as_deref())?;
    let filter = OutlookFilter {
        depot: query.depot,
        pack_type: query.pack_type,
        band: query.band,
        unit: query.unit,
        after: after.map(|(chance, car)| (f64::from_bits(chance), car)),
        key_depots_of: caller.actor.key_depots_of(),
        limit: limit + 1,
    };
    let mut rows = app.store.pack_outlooks(&filter).await?;
    let place = |row: &OutlookListed| (row.chance_90.to_bits(), row.vehicle_id);
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), place);
    let mut items = Vec::with_capacity(rows.len());
    for row in rows {
        let item = row.read()?;
        let own = DistanceUnit::parse(&item.distance_unit).unwrap_or(DistanceUnit::Mile);
        items.push(outlook_item(row.unit, row.depot, item, unit.unwrap_or(own)));
    }
    if as_csv {
        let response = csv::table(HEAD, items.into_iter().map(PackOutlookItem::cells));
        return Ok(page::with_link(response, next.as_deref()));
    }
    Ok(Page { items, next }.into_response())
}

/// The chances of one way of failing.
#[derive(Debug, Serialize, ToSchema)]
pub struct ModeAnswer {
    /// `block-wear`, `cooling`, `sensing`, `isolation` or `fuse`.
    mode: &'static str,
    /// Its chances, as if it were the only one.
    chances: ChancesAnswer,
}

/// Why the chance is what it is.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReasonAnswer {
    /// Which input: `age`, `usage-rate`, `heat`, `late-services`, `pack-type`, `spread-level`, `spread-trend`, `codes` or
    /// `cooling`.
    factor: &'static str,
    /// By how much it moves the logarithm of the odds of degradation within 90 days beside its neutral value; above 0
    /// towards degradation.
    weight: Option<f64>,
    /// In words and numbers.
    says: String,
}

/// The weakest block.
#[derive(Debug, Serialize, ToSchema)]
pub struct WeakestAnswer {
    /// Its number, from 1, in the order of the pack.
    block: usize,
    /// Volts under the median of the pack's blocks at the reference current.
    deficit_v: f64,
    /// `sound`, `watch` or `weak`, by the limits of its type.
    standing: &'static str,
    /// Since which check it has kept to the watch limit or beyond.
    since: Option<DateTime<Utc>>,
    /// How sure it is that this block and no other is the weakest.
    chance: f64,
}

/// What was left out of the comparison.
#[derive(Debug, Serialize, ToSchema)]
pub struct SetAsideCheck {
    /// When the check was taken.
    at: DateTime<Utc>,
    /// The block, from 1; null for the whole check.
    block: Option<usize>,
    /// Why.
    why: &'static str,
}

/// A block's deficit at one check.
#[derive(Debug, Serialize, ToSchema)]
pub struct LevelAnswer {
    /// When the check was taken.
    at: DateTime<Utc>,
    /// Volts under the median.
    deficit_v: f64,
}

/// The spread of the blocks at like load, charge and heat.
#[derive(Debug, Serialize, ToSchema)]
pub struct SpreadAnswer {
    /// Checks that could be compared.
    compared: usize,
    /// From here on a block is watched.
    watch_v: f64,
    /// From here on it is weak.
    weak_v: f64,
    /// The weakest block; null where no check could be compared.
    weakest: Option<WeakestAnswer>,
    /// Its deficits by time.
    levels: Vec<LevelAnswer>,
    /// A regular pattern over the blocks: the sensing module is the first suspect, not the cells.
    sensing_pattern: Option<String>,
    /// What was set aside, newest first.
    set_aside: Vec<SetAsideCheck>,
    /// By the spread alone, its drift leaning on the fleet's: 10, 50 and 90 % days of reaching the limit; null where further
    /// off than ten years.
    limit_reached: Option<Dates>,
}

/// How well the pack is cooled.
#[derive(Debug, Serialize, ToSchema)]
pub struct AirflowAnswer {
    /// Checks since the last fan service that could be compared.
    compared: usize,
    /// How many times as much the pack heats up over the cabin's air as after the last fan service, at like load and stage.
    index: Option<f64>,
    /// The index that calls for the next fan service.
    limit: f64,
    /// 10, 50 and 90 % days of crossing it.
    limit_crossed: Option<Dates>,
    /// A jump at the last service: a duct may be loose.
    loose_duct: Option<LooseDuctAnswer>,
}

/// A jump of the pack's heating at a fan service.
#[derive(Debug, Serialize, ToSchema)]
pub struct LooseDuctAnswer {
    /// The service.
    service_at: DateTime<Utc>,
    /// By what factor the heating grew.
    factor: f64,
}

/// Where a trouble code stands.
#[derive(Debug, Serialize, ToSchema)]
pub struct CodeAnswer {
    /// The code.
    code: String,
    /// `confirmed`, `pending`, `history`, `unknown-since-clear` or `none`.
    state: &'static str,
    /// Since when.
    since: DateTime<Utc>,
    /// When it was last reported.
    last_at: DateTime<Utc>,
    /// What it says.
    says: Option<&'static str>,
    /// What to do about it.
    todo: Option<&'static str>,
}

/// What keeping a pack for another month is expected to cost.
#[derive(Debug, Serialize, ToSchema)]
pub struct HoldingAnswer {
    /// Days looked ahead.
    days: u32,
    /// Chance that its blocks are worn out within them, all signs taken together.
    chance: f64,
    /// That chance times what a failure costs beyond a planned replacement.
    expected_loss: f64,
    /// What the further use of the old pack spares.
    spared: f64,
    /// The loss less what is spared; below 0 it is cheaper to keep it.
    net: f64,
}

/// The pack in a car with every number that led to its outlook.
#[derive(Debug, Serialize, ToSchema)]
pub struct CarPackAnswer {
    /// What is to be expected of it.
    outlook: PackOutlookItem,
    /// When it was put in, or the car came into service.
    installed_at: DateTime<Utc>,
    /// Ways of failing that have a forecast.
    modes: Vec<ModeAnswer>,
    /// Why, the weightiest first.
    reasons: Vec<ReasonAnswer>,
    /// What else to know.
    notes: Vec<String>,
    /// Distance a day over its life.
    lifetime_distance_per_day: Option<f64>,
    /// How many times faster than at the reference temperature it aged, by its checks.
    heat_factor: Option<f64>,
    /// Share of its distance driven with the fan service past its late edge.
    late_share: Option<f64>,
    /// The spread of its blocks.
    spread: SpreadAnswer,
    /// Its cooling.
    airflow: AirflowAnswer,
    /// Its car's trouble codes.
    codes: Vec<CodeAnswer>,
    /// What keeping it for another month is expected to cost, in the manager's currency.
    another_month: Option<HoldingAnswer>,
    /// A caution.
    caution: &'static str,
}

const CAUTION: &str = "A forecast is no safety clearance. High-voltage work follows the vehicle maker's procedure, local codes \
    and licensed practice, by trained people only.";

/// Newest of those set aside that are shown.
const SHOWN_ASIDE: usize = 50;

fn spread_answer(pack: &CurrentPack) -> SpreadAnswer {
    let spread = &pack.spread;
    let set_aside = |aside: &SetAside| SetAsideCheck {
        at: aside.at,
        block: aside.block.map(|block| block + 1),
        why: aside.why.explain(),
    };
    SpreadAnswer {
        compared: spread.compared,
        watch_v: pack.limits.watch_v,
        weak_v: pack.limits.weak_v,
        weakest: spread.weakest.map(|weakest| WeakestAnswer {
            block: weakest.block + 1,
            deficit_v: thousandth(weakest.deficit_v),
            standing: weakest.standing(pack.limits).as_str(),
            since: weakest.since,
            chance: thousandth(weakest.chance),
        }),
        levels: spread
            .levels
            .iter()
            .map(|level| LevelAnswer { at: level.at, deficit_v: thousandth(level.deficit_v) })
            .collect(),
        sensing_pattern: spread.pattern.map(Pattern::says),
        set_aside: spread.set_aside.iter().rev().take(SHOWN_ASIDE).map(set_aside).collect(),
        limit_reached: pack.limit_reached().map(Dates::from),
    }
}

fn airflow_answer(forecast: &AssessedCar, limit: f64) -> AirflowAnswer {
    let airflow = &forecast.assessment.airflow;
    AirflowAnswer {
        compared: airflow.compared,
        index: airflow.trend.map(|trend| thousandth(trend.index)),
        limit,
        limit_crossed: airflow
            .trend
            .map(|trend| Dates::from([0.1, 0.5, 0.9].map(|chance| trend.by(chance).map(|at| at.date_naive())))),
        loose_duct: airflow
            .loose_duct
            .map(|duct| LooseDuctAnswer { service_at: duct.service, factor: thousandth(duct.factor.mid) }),
    }
}

fn code_answer((code, standing): (Code, Standing)) -> CodeAnswer {
    CodeAnswer {
        code: code.to_string(),
        state: standing.state.as_str(),
        since: standing.since,
        last_at: standing.last,
        says: code.meaning().map(|meaning| meaning.says),
        todo: code.meaning().map(|meaning| meaning.todo),
    }
}

fn modes(outlook: &Outlook) -> Vec<ModeAnswer> {
    let mode = |mode: &ventmile_model::wear::outlook::ModeOutlook| ModeAnswer {
        mode: mode.mode.as_str(),
        chances: ChancesAnswer::from(crate::app::packs::three(mode.chances)),
    };
    outlook.modes.iter().map(mode).collect()
}

fn reasons(outlook: &Outlook) -> Vec<ReasonAnswer> {
    let reason = |reason: &ventmile_model::wear::outlook::Reason| ReasonAnswer {
        factor: reason.factor.as_str(),
        weight: reason.weight.map(thousandth),
        says: reason.says.clone(),
    };
    outlook.reasons.iter().map(reason).collect()
}

fn car_pack(forecast: &AssessedCar, pack: &CurrentPack, unit: DistanceUnit, app: &App) -> CarPackAnswer {
    let outlook = pack.outlook.as_ref().ok();
    let item = pack.item(&forecast.logs, &forecast.assessment);
    CarPackAnswer {
        outlook: outlook_item(forecast.logs.unit.clone(), forecast.logs.depot.clone(), item, unit),
        installed_at: pack.lived.from,
        modes: outlook.map(modes).unwrap_or_default(),
        reasons: outlook.map(reasons).unwrap_or_default(),
        notes: outlook.map(|outlook| outlook.notes.iter().map(|note| note.says()).collect()).unwrap_or_default(),
        lifetime_distance_per_day: pack.exposure.metres_per_day.map(|metres| distance(metres, unit)),
        heat_factor: pack.exposure.heat.map(thousandth),
        late_share: pack.lived.late_share().map(thousandth),
        spread: spread_answer(pack),
        airflow: airflow_answer(forecast, app.settings.wear.airflow_limit),
        codes: pack
            .codes
            .standings()
            .filter(|(_, standing)| standing.state != CodeState::None)
            .map(code_answer)
            .collect(),
        another_month: pack.holding.map(|holding| HoldingAnswer {
            days: 30,
            chance: fine(holding.chance),
            expected_loss: thousandth(holding.expected_loss),
            spared: thousandth(holding.spared),
            net: thousandth(holding.net()),
        }),
        caution: CAUTION,
    }
}

/// The car and its packs as of now.
async fn packs_of_car(app: &App, vehicle_id: i64) -> Result<(AssessedCar, CarPacks), Problem> {
    let found = app.assess_car(vehicle_id).await?;
    found.ok_or_else(|| Problem::not_found("vehicle number", &vehicle_id.to_string()))
}

/// Unit for distances.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct UnitQuery {
    /// `mi` or `km`; that of the car's depot when left out.
    distance_unit: Option<String>,
}

/// The pack in a car, explained
///
/// Computed from what is stored now, with every number that led to the outlook: age on the life curve, the spread of its
/// blocks and what was set aside, its cooling, its codes.
#[utoipa::path(
    get, path = "/v1/vehicles/{unit}/pack", operation_id = "get_vehicle_pack", tag = "Answers",
    params(("unit" = String, Path, description = "its unit number"), UnitQuery),
    responses((status = 200, body = CarPackAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_vehicle_pack(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(unit): Segment,
    Params(query): Params<UnitQuery>,
) -> Result<Response, Problem> {
    let car = super::vehicles::visible(&app, &caller, &unit).await?;
    let shown_in = unit_asked(query.distance_unit.as_deref())?;
    let (forecast, packs) = packs_of_car(&app, car.id).await?;
    let shown_in = shown_in.unwrap_or(forecast.logs.distance_unit);
    let pack = packs.current.as_ref().ok_or_else(|| Problem::not_found("pack in use in vehicle", &unit))?;
    Ok(axum::Json(car_pack(&forecast, pack, shown_in, &app)).into_response())
}

/// A pack's time in one car with what came of it.
#[derive(Debug, Serialize, ToSchema)]
pub struct PackStay {
    /// As it is stored.
    #[serde(flatten)]
    stored: PackAnswer,
    /// What it had behind it at the end of that time, or has by the last believed reading; null where no reading of the
    /// car is believed, and of a voided row.
    age: Option<f64>,
    /// Distance of that age that was driven in this car while it was watched.
    distance: Option<f64>,
    /// Days in the car.
    days: Option<i64>,
    /// Duty hours in the car, as far as its logs reach.
    hours: Option<f64>,
}

/// A pack's history, and its outlook while it is in a car.
#[derive(Debug, Serialize, ToSchema)]
pub struct PackHistory {
    /// Its serial.
    serial: String,
    /// Its time in each car, in order.
    lives: Vec<PackStay>,
    /// What is known of it in the car it is in; null where it is in none.
    in_use: Option<CarPackAnswer>,
}

fn stay(record: PackRecord, forecast: &AssessedCar, packs: &CarPacks, unit: DistanceUnit) -> PackStay {
    let lived = packs.lived_as(&record).map(|(lived, _)| lived);
    PackStay {
        age: lived.map(|lived| distance(lived.age, unit)),
        distance: lived.map(|lived| distance(lived.age - lived.entry, unit)),
        days: lived.map(|lived| forecast.days_of(lived)),
        hours: lived.map(|lived| thousandth(forecast.hours_of(lived))),
        stored: pack_view(record, unit),
    }
}

/// A pack with its history
#[utoipa::path(
    get, path = "/v1/packs/{serial}", operation_id = "get_pack", tag = "Answers",
    params(("serial" = String, Path, description = "its serial"), UnitQuery),
    responses((status = 200, body = PackHistory), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_pack(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Segment(serial): Segment,
    Params(query): Params<UnitQuery>,
) -> Result<Response, Problem> {
    let unit = unit_asked(query.distance_unit.as_deref())?.unwrap_or(DistanceUnit::Mile);
    let filter = PackFilter {
        serial: Some(serial.clone()),
        with_removed: true,
        after: before_all(),
        key_depots_of: caller.actor.key_depots_of(),
        limit: app.settings.limits.page_max,
        ..PackFilter::default()
    };
    let lives = app.store.packs(&filter).await?;
    if lives.is_empty() {
        return Err(Problem::not_found("pack", &serial));
    }
    let mut in_use = None;
    let mut stays = Vec::with_capacity(lives.len());
    for record in lives {
        let (forecast, packs) = packs_of_car(&app, record.vehicle_id).await?;
        stays.push(stay(record, &forecast, &packs, unit));
        let own = packs.current.filter(|pack| pack.exposure.serial == serial);
        in_use = own.map(|pack| car_pack(&forecast, &pack, unit, &app)).or(in_use);
    }
    let lives = stays;
    Ok(axum::Json(PackHistory { serial, lives, in_use }).into_response())
}
