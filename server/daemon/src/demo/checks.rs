//! What the shop's scan tool would have shown of the invented fleet's packs, noise and bad samples included.

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use serde::Serialize;
use serde_json::{Value, json};

use super::dirt::is_missing;
use super::driving::{Day, Scene, instant};
use super::fleet::FleetFault;
use super::logs::{Told, utc};
use super::packs::{Pack, cabin_c};
use super::random::SplitMix64;
use super::tables::{Kind, PackStory, Tables};

/// A car with the packs it has had.
#[derive(Debug)]
pub struct Equipped<'t, 'a> {
    pub told: &'t Told<'a>,
    pub packs: Vec<Pack<'a>>,
    /// What is odd about its pack.
    pub story: Option<PackStory>,
}

/// Every pack check as CSV, by time.
///
/// # Errors
/// [`FleetFault::Row`] when a row cannot be written.
pub fn pack_checks(fleet: &[Equipped<'_, '_>], scene: &Scene) -> Result<String, FleetFault> {
    let mut checks: Vec<Check<'_>> = fleet.iter().flat_map(|car| checks_of(car, scene)).collect();
    checks.sort_by_key(|check| check.taken);
    let mut out = csv::Writer::from_writer(Vec::new());
    for check in &checks {
        out.serialize(CheckLine::from(check)).map_err(|_| FleetFault::Row)?;
    }
    let bytes = out.into_inner().map_err(|_| FleetFault::Row)?;
    String::from_utf8(bytes).map_err(|_| FleetFault::Row)
}

struct Check<'a> {
    unit: &'a str,
    taken: DateTime<Utc>,
    volts: Vec<f64>,
    load: Load,
    pack_c: f64,
    cabin_c: f64,
}

/// How the pack was loaded.
#[derive(Clone, Copy)]
struct Load {
    current_a: f64,
    charge_pct: f64,
    fan_stage: u8,
}

#[derive(Serialize)]
struct CheckLine<'a> {
    unit: &'a str,
    at: String,
    block_volts: String,
    current_a: f64,
    charge_pct: f64,
    pack_c: f64,
    cabin_c: f64,
    fan_stage: u8,
    source: &'static str,
}

impl<'a> From<&'a Check<'a>> for CheckLine<'a> {
    fn from(check: &'a Check<'a>) -> Self {
        let volts: Vec<String> = check.volts.iter().map(|volts| format!("{volts:.2}")).collect();
        let tenths = |value: f64| (value * 10.0).round() / 10.0;
        Self {
            unit: check.unit,
            at: utc(check.taken),
            block_volts: volts.join(" "),
            current_a: tenths(check.load.current_a),
            charge_pct: check.load.charge_pct.round(),
            pack_c: tenths(check.pack_c),
            cabin_c: tenths(check.cabin_c),
            fan_stage: check.load.fan_stage,
            source: "scan tool",
        }
    }
}

/// One car's checks: every week, every two weeks or every four, by car; those of a car with a story every week.
fn checks_of<'t>(car: &'t Equipped<'_, '_>, scene: &Scene) -> Vec<Check<'t>> {
    let number = car.told.car.number;
    let every = if car.story.is_some() { 7 } else { [7, 14, 28].get(number as usize % 3).copied().unwrap_or(7) };
    let mut last = u32::MAX;
    let mut checks: Vec<Check<'t>> = Vec::new();
    for day in &car.told.life.days {
        if last.saturating_sub(day.ago) < every || is_missing(&car.told.dirt, day.ago, &[Kind::SilentSince]) {
            continue;
        }
        let mut draws = SplitMix64::stream(scene.seed, CHECKS ^ number, day.ago.into());
        let Some(mut check) = taken_on(car, day, scene, &mut draws) else { continue };
        spoil(&mut check, checks.last(), &mut draws);
        checks.push(check);
        last = day.ago;
    }
    checks
}

/// Streams of draws that are no car's.
const CHECKS: u64 = 1 << 40;

/// What a check shows when nothing goes wrong with it: at the end of the day's last shift, while the car still drives.
fn taken_on<'t>(car: &'t Equipped<'_, '_>, day: &Day<'_>, scene: &Scene, draws: &mut SplitMix64) -> Option<Check<'t>> {
    let taken = day.shifts.last()?.end - TimeDelta::minutes(20);
    let odometer = day.odometer + day.miles();
    let pack = car.packs.iter().rfind(|pack| pack.from.at <= taken)?;
    let load = load(draws);
    let cabin_c = cabin_c(&car.told.car, scene) + 1.5 * draws.normal();
    let blocks = usize::from(pack.row.blocks);
    let mut own = SplitMix64::stream(scene.seed, CHECKS ^ car.told.car.number, pack.from.at.timestamp().unsigned_abs());
    let usual = pack.row.block_volts + 0.012 * (load.charge_pct - 60.0) - 0.012 * load.current_a;
    let wander = 0.02 * draws.normal();
    let volts = (0..blocks).map(|block| {
        let weak = if block == pack.weak_block { pack.deficit_v(odometer) + wander } else { 0.0 };
        let sensed = if car.story == Some(PackStory::AlternatingSense) && block % 2 == 1 { 0.2 } else { 0.0 };
        let resistance = 0.6 + 0.4 * load.current_a / 30.0;
        usual + 0.01 * own.normal() + 0.01 * draws.normal() - weak * resistance - sensed
    });
    let volts = volts.collect();
    let stage = if load.fan_stage == 2 { 1.4 } else { 1.0 };
    let heating = heating(car, taken, odometer) * stage * (0.06 * draws.normal()).exp();
    let pack_c = cabin_c + 0.0035 * load.current_a.powi(2) * heating;
    Some(Check { unit: &car.told.car.row.unit, taken, volts, load, pack_c, cabin_c })
}

/// Mostly a pull at moderate load in the middle of the charge; now and then braking, creeping, or a steep hill.
fn load(draws: &mut SplitMix64) -> Load {
    let other = draws.chance(0.15);
    let odd = draws.pick(&[-28.0, 6.0, 78.0]).copied().unwrap_or_default();
    let usual = draws.between(22.0, 50.0);
    Load {
        current_a: if other { odd } else { usual },
        charge_pct: if draws.chance(0.04) { 33.0 } else { draws.between(46.0, 74.0) },
        fan_stage: if draws.chance(0.15) { 2 } else { 3 },
    }
}

/// How much more the pack heats up than with a clean fan.
fn heating(car: &Equipped<'_, '_>, at: DateTime<Utc>, odometer: f64) -> f64 {
    const DUST: f64 = 8e-6;
    let services = &car.told.life.services;
    let last = services.iter().rfind(|service| service.at <= at);
    let newest = last.map(|service| service.at) == services.last().map(|service| service.at);
    let dust = if newest && car.story == Some(PackStory::WorseningAirflow) { 3.5e-5 } else { DUST };
    let duct = if newest && car.story == Some(PackStory::LooseDuct) { 1.8 } else { 1.0 };
    let since = odometer - last.map_or(car.told.car.row.odometer_in_service, |service| service.odometer);
    duct * (dust * since.min(30_000.0)).exp()
}

/// Now and then a block is misread, or the tool shows the volts of the time before.
fn spoil(check: &mut Check<'_>, before: Option<&Check<'_>>, draws: &mut SplitMix64) {
    let (misread, frozen, place) = (draws.chance(0.02), draws.chance(0.01), draws.unit());
    let place = (place * check.volts.len() as f64) as usize;
    let wrong = draws.pick(&[0.0, 16.4]).copied().unwrap_or_default();
    if let Some(volts) = check.volts.get_mut(place).filter(|_| misread) {
        *volts = wrong;
    }
    if let Some(before) = before.filter(|before| frozen && before.volts.len() == check.volts.len()) {
        check.volts.clone_from(&before.volts);
    }
}

/// When codes are read in the shop.
const READ_AT: NaiveTime = NaiveTime::MIN.overflowing_add_signed(TimeDelta::hours(15)).0;

/// The trouble codes of the table.
///
/// # Errors
/// [`FleetFault`] where a car is in no table or a day lies outside the calendar.
pub fn trouble_codes(tables: &Tables, scene: &Scene) -> Result<Vec<Value>, FleetFault> {
    let row = |row: &super::tables::CodeRow| {
        let depot = tables.vehicles.iter().find(|car| car.unit == row.unit).map(|car| &car.depot);
        let depot = depot.and_then(|code| tables.depots.iter().find(|depot| depot.code == *code));
        let unknown = || FleetFault::Unknown { unit: row.unit.clone(), name: row.code.clone() };
        let at = instant(depot.ok_or_else(unknown)?.zone, scene.date(row.days_ago)?, READ_AT)?;
        Ok(json!({"unit": row.unit, "at": utc(at), "code": row.code, "state": row.state, "source": "scan tool"}))
    };
    tables.codes.iter().map(row).collect()
}
