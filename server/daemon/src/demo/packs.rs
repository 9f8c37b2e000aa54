//! The packs of the invented fleet: how long each truly lives, and which were exchanged when and why.
//!
//! True lives are Weibull; heat and late fan services shorten them and many miles a day stretch them, so that a life
//! curve has something to find.

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use serde_json::{Value, json};

use super::driving::{Car, Life, SERVICE_GAP, Scene, instant};
use super::fleet::FleetFault;
use super::logs::{Told, number, utc};
use super::random::SplitMix64;
use super::tables::{PackStory, PackTypeRow, StoryRow, Tables};

/// Shape of the true lives.
const SHAPE: f64 = 3.0;

/// The spread of a new pack and of one at the end of its life, in volts.
const NEW_V: f64 = 0.03;
const LIMIT_V: f64 = 1.0;

/// The power of distance with which a block falls.
const FALL: f64 = 4.0;

/// A moment of a car's life.
#[derive(Clone, Copy, Debug)]
pub struct Moment {
    ago: u32,
    pub at: DateTime<Utc>,
    /// Miles truly run by then.
    pub odometer: f64,
}

/// A pack's time in a car.
#[derive(Clone, Debug)]
pub struct Pack<'a> {
    pub row: &'a PackTypeRow,
    serial: String,
    pub from: Moment,
    /// Miles the pack itself had run by then.
    used: f64,
    original: bool,
    /// When it was taken out, and why.
    until: Option<(Moment, &'static str)>,
    /// Miles after which its weakest block has fallen to the limit.
    life: f64,
    /// Whether its end shows in the volts.
    announced: bool,
    /// The block that falls.
    pub weak_block: usize,
}

impl Pack<'_> {
    /// How far the weakest block lies under the others, in volts, when the car has run so many miles.
    #[must_use]
    pub fn deficit_v(&self, odometer: f64) -> f64 {
        let share = (self.used + odometer - self.from.odometer).max(0.0) / self.life;
        if self.announced { NEW_V + (LIMIT_V - NEW_V) * share.powf(FALL) } else { NEW_V }
    }
}

/// How warm the air is that cools a car's pack, in degrees Celsius: its depot's weather, and how the car is used.
#[must_use]
pub fn cabin_c(car: &Car<'_>, scene: &Scene) -> f64 {
    let offset = SplitMix64::stream(scene.seed, HEAT, car.number).between(-4.0, 4.0);
    offset + if car.depot.code == "VB" { 27.0 } else { 21.0 }
}

/// Streams of draws that are no car's.
const HEAT: u64 = u64::MAX - 1;
const PACKS: u64 = u64::MAX - 2;

/// The packs a car has had, the first one first; none where nobody has registered them.
///
/// # Errors
/// [`FleetFault`] where its model has no pack, or a day lies outside the calendar.
pub fn packs_of<'a>(told: &Told<'a>, tables: &'a Tables, scene: &Scene) -> Result<Vec<Pack<'a>>, FleetFault> {
    let car = &told.car;
    let story = tables.stories.iter().find(|story| story.unit == car.row.unit);
    if story.is_some_and(|story| story.kind == PackStory::Unregistered) {
        return Ok(Vec::new());
    }
    let row = tables.pack_types.iter().find(|row| row.models.split(';').any(|model| model == car.row.model));
    let unknown = || FleetFault::Unknown { unit: car.row.unit.clone(), name: car.row.model.clone() };
    let row = row.ok_or_else(unknown)?;
    let makers = Maker { told, scene, story, row, typical: row.life_miles * stretch(told, scene) };
    makers.packs()
}

/// By how much the packs of a car live longer than is typical.
fn stretch(told: &Told<'_>, scene: &Scene) -> f64 {
    let (car, odometers) = (&told.car, told.life.services.iter().map(|service| service.odometer));
    let odometers: Vec<f64> = odometers.collect();
    let late: f64 = odometers.windows(2).map(|pair| (span(pair) - LATE).max(0.0)).sum();
    let late_share = late / span(&odometers).max(LATE);
    let heat = ((cabin_c(car, scene) + 5.0 - 25.0) / 10.0).exp2();
    (car.mean_pace() / 170.0).powf(0.3) * heat.powf(-0.5) * (-1.5 * late_share).exp()
}

/// Miles after a fan service from which the next one is late.
const LATE: f64 = 25_000.0;

fn span(odometers: &[f64]) -> f64 {
    odometers.last().zip(odometers.first()).map_or(0.0, |(last, first)| last - first)
}

/// What the packs of one car are made from.
struct Maker<'t, 'a> {
    told: &'t Told<'a>,
    scene: &'t Scene,
    story: Option<&'a StoryRow>,
    row: &'a PackTypeRow,
    typical: f64,
}

impl<'a> Maker<'_, 'a> {
    fn packs(&self) -> Result<Vec<Pack<'a>>, FleetFault> {
        let (car, life) = (&self.told.car, &self.told.life);
        let mut draws = SplitMix64::stream(self.scene.seed, PACKS, car.number);
        let now = life.days.last().map_or(car.row.odometer_in_service, |day| day.odometer + day.miles());
        let start = car.row.in_service_days_ago;
        let at = instant(car.depot.zone, self.scene.date(start)?, NaiveTime::MIN)?;
        let mut from = Moment { ago: start, at, odometer: car.row.odometer_in_service };
        // The story of the pack in the car begins so many miles ago.
        let told_from = self.story.and_then(|story| story.pack_miles).map(|miles| now - miles);
        let mut packs: Vec<Pack<'a>> = Vec::new();
        loop {
            let mut pack = self.pack(from, packs.len(), &mut draws);
            let (lasts, because) = end_of(&pack, &mut draws);
            let mut next = from.odometer + lasts - pack.used;
            let awaited = told_from.filter(|told_from| *told_from > from.odometer + EARLIEST);
            if let Some(told_from) = awaited.filter(|told_from| next > told_from - EARLIEST) {
                next = told_from;
                pack.life = pack.used + next - from.odometer;
            }
            if next >= now || (awaited.is_none() && told_from.is_some()) {
                self.settle(&mut pack, now);
                packs.push(pack);
                return Ok(packs);
            }
            from = self.moment(next)?;
            pack.until = Some((from, because));
            packs.push(pack);
        }
    }

    fn pack(&self, from: Moment, place: usize, draws: &mut SplitMix64) -> Pack<'a> {
        let original = place == 0;
        let used = if original { from.odometer } else { 0.0 };
        let drawn = self.typical * (-(1.0 - draws.unit()).ln()).powf(1.0 / SHAPE);
        Pack {
            row: self.row,
            serial: format!("{}-{:04}", self.row.pack_type, 11 * (self.told.car.number + 1) + place as u64),
            from,
            used,
            original,
            until: None,
            // A pack that came in with the car was alive then.
            life: drawn.max(used + EARLIEST),
            announced: !draws.chance(0.2),
            weak_block: (draws.unit() * f64::from(self.row.blocks)) as usize,
        }
    }

    /// The pack in the car is alive, and as worn as its story says.
    fn settle(&self, pack: &mut Pack<'a>, now: f64) {
        let age = pack.used + now - pack.from.odometer;
        match self.story.and_then(|story| story.deficit_v) {
            Some(deficit_v) => {
                pack.announced = true;
                pack.life = age / ((deficit_v - NEW_V) / (LIMIT_V - NEW_V)).powf(1.0 / FALL);
            }
            None => pack.life = pack.life.max(age / 0.7),
        }
    }

    /// The morning on which the car had run so many miles, before its first shift.
    fn moment(&self, odometer: f64) -> Result<Moment, FleetFault> {
        let Told { car, life, .. } = self.told;
        let logged = life.days.first().filter(|first| first.odometer <= odometer);
        let day = logged.and_then(|_| life.days.iter().find(|day| day.odometer >= odometer).or(life.days.last()));
        if let Some((day, shift)) = day.and_then(|day| Some((day, day.shifts.first()?))) {
            return Ok(Moment { ago: day.ago, at: shift.start - TimeDelta::minutes(30), odometer: day.odometer });
        }
        let (first, shown) = life.days.first().map_or((0, odometer), |day| (day.ago, day.odometer));
        let ago = first + 1 + ((shown - odometer) / car.mean_pace()) as u32;
        let at = instant(car.depot.zone, self.scene.date(ago)?, MORNING)?;
        Ok(Moment { ago, at, odometer })
    }
}

/// No pack is exchanged within so many miles.
const EARLIEST: f64 = 8_000.0;

const MORNING: NaiveTime = NaiveTime::MIN.overflowing_add_signed(TimeDelta::hours(10)).0;

/// After how many miles of its own a pack is taken out, and why.
fn end_of(pack: &Pack<'_>, draws: &mut SplitMix64) -> (f64, &'static str) {
    const PLANNED: f64 = 190_000.0;
    let (fate, at) = (draws.unit(), draws.between(0.2, 0.9));
    match fate {
        ..0.05 => ((pack.life * at).max(pack.used + EARLIEST), "crash"),
        0.05..0.15 if pack.life > PLANNED && pack.used < PLANNED => (PLANNED, "age"),
        ..0.65 => (pack.life, "failed"),
        _ => (pack.life, "condition"),
    }
}

/// A pack as the interface takes it.
#[must_use]
pub fn pack_row(pack: &Pack<'_>, car: &Car<'_>, life: &Life<'_>) -> Value {
    let shown = |moment: &Moment| number(car.in_own_unit(life.shown(moment.odometer, moment.ago)).round());
    let (removed, because) = pack.until.as_ref().map(|(moment, because)| (moment, because)).unzip();
    json!({
        "serial": pack.serial,
        "type": pack.row.pack_type,
        "chemistry": pack.row.chemistry,
        "blocks": pack.row.blocks,
        "modules_per_block": pack.row.modules_per_block,
        "cells_per_module": pack.row.cells_per_module,
        "unit": car.row.unit,
        "installed_at": utc(pack.from.at),
        "odometer": shown(&pack.from),
        "distance_unit": car.depot.distance_unit.as_str(),
        "original": pack.original,
        "removed_at": removed.map(|moment| utc(moment.at)),
        "removed_odometer": removed.map(shown),
        "removed_because": because,
    })
}

/// Miles between two services of a car before its logs begin: a third of the cars were serviced late at times.
#[must_use]
pub fn early_gap(car: &Car<'_>, scene: &Scene, draws: &mut SplitMix64) -> f64 {
    const LATE_GAP: (f64, f64) = (25_000.0, 42_000.0);
    let careless = SplitMix64::stream(scene.seed, PACKS, !car.number).chance(0.35);
    let (from, to) = if careless { LATE_GAP } else { SERVICE_GAP };
    draws.between(from, to)
}
