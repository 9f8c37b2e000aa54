//! The logs the invented fleet would have sent: odometer readings, duty and seats.

use std::cmp::Reverse;

use chrono::{DateTime, Datelike, NaiveDate, NaiveTime, SecondsFormat, TimeDelta, Utc, Weekday};
use serde::Serialize;
use serde_json::{Number, Value, json};

use super::dirt::{Reading, is_missing, mistype_now_and_then, soil};
use super::driving::{Car, Day, Life, Scene, Shift, instant};
use super::fleet::FleetFault;
use super::random::SplitMix64;
use super::tables::{DirtRow, GivenAs, Kind, Source};

/// When the night watch fills the shop's sheet on Mondays: every car stands then.
const SHEET_TIME: NaiveTime = NaiveTime::MIN.overflowing_add_signed(TimeDelta::minutes(4 * 60 + 50)).0;

/// Share of driven days on which a car is filled up.
const FILL_UPS: f64 = 0.25;

/// A car, what it did, and what went wrong in telling it.
#[derive(Debug)]
pub struct Told<'a> {
    pub car: Car<'a>,
    pub life: Life<'a>,
    pub dirt: Vec<&'a DirtRow>,
}

/// Every odometer reading as NDJSON, in the order of arrival.
///
/// # Errors
/// [`FleetFault`] when a day lies outside the calendar or a row cannot be written.
pub fn odometer_readings(fleet: &[Told<'_>], scene: &Scene) -> Result<String, FleetFault> {
    let mut readings = Vec::new();
    for told in fleet {
        readings.extend(readings_of(told, scene)?);
    }
    readings.sort_by_key(|reading| (reading.late, reading.taken));
    let mut lines = String::with_capacity(readings.len() * 128);
    for reading in &readings {
        let line = serde_json::to_string(&ReadingLine::from(reading)).map_err(|_| FleetFault::Row)?;
        lines.push_str(&line);
        lines.push('\n');
    }
    Ok(lines)
}

#[derive(Serialize)]
struct ReadingLine<'a> {
    unit: &'a str,
    at: String,
    odometer: Value,
    distance_unit: &'static str,
    source: Source,
}

impl<'a> From<&'a Reading> for ReadingLine<'a> {
    fn from(reading: &'a Reading) -> Self {
        Self {
            unit: &reading.unit,
            at: utc(reading.at),
            odometer: number(reading.odometer),
            distance_unit: reading.distance_unit.as_str(),
            source: reading.source,
        }
    }
}

fn readings_of(told: &Told<'_>, scene: &Scene) -> Result<Vec<Reading>, FleetFault> {
    let mut readings = Vec::new();
    for day in &told.life.days {
        let mut draws = SplitMix64::stream(!scene.seed, told.car.number, day.ago.into());
        readings.extend(sheet(told, day)?);
        readings.extend(fill_up(told, day, &mut draws));
        readings.extend(end_of_day(told, day));
    }
    soil(&mut readings, &told.dirt);
    Ok(readings)
}

impl Told<'_> {
    fn reading(&self, day: &Day<'_>, source: Source, at: DateTime<Utc>, miles: f64) -> Reading {
        let odometer = self.car.in_own_unit(self.life.shown(day.odometer + miles, day.ago));
        Reading {
            unit: self.car.row.unit.clone(),
            ago: day.ago,
            taken: at,
            at,
            odometer: if source == Source::Telematics { odometer } else { odometer.round() },
            distance_unit: self.car.depot.distance_unit,
            source,
            late: false,
        }
    }
}

/// The telematics unit sends once a day, when the last shift has ended.
fn end_of_day(told: &Told<'_>, day: &Day<'_>) -> Option<Reading> {
    let at = day.shifts.last()?.end + TimeDelta::minutes(3);
    Some(told.reading(day, Source::Telematics, at, day.miles()))
}

/// The fuel card sends what the driver types at the pump, at some time during the first shift.
fn fill_up(told: &Told<'_>, day: &Day<'_>, draws: &mut SplitMix64) -> Option<Reading> {
    let shift = day.shifts.first()?;
    if !draws.chance(FILL_UPS) {
        return None;
    }
    let share = draws.between(0.3, 0.9);
    let at = shift.start + TimeDelta::seconds(((shift.end - shift.start).num_seconds() as f64 * share) as i64);
    let mut reading = told.reading(day, Source::FuelCard, at, shift.miles * share);
    mistype_now_and_then(&mut reading, draws);
    Some(reading)
}

/// Some cars stand on the shop's sheet on Mondays, before the first shift.
fn sheet(told: &Told<'_>, day: &Day<'_>) -> Result<Option<Reading>, FleetFault> {
    if !told.car.row.shop_sheet || day.date.weekday() != Weekday::Mon {
        return Ok(None);
    }
    let at = instant(told.car.depot.zone, day.date, SHEET_TIME)?;
    Ok(Some(told.reading(day, Source::ShopSheet, at, 0.0)))
}

/// Every duty log as CSV, by day.
///
/// # Errors
/// [`FleetFault::Row`] when a row cannot be written.
pub fn duty_logs(fleet: &[Told<'_>]) -> Result<String, FleetFault> {
    csv_by_day(fleet, &[Kind::MissingDuty, Kind::SilentSince], |car, day, shift| DutyLine::new(car, day, shift))
}

#[derive(Serialize)]
struct DutyLine<'a> {
    unit: &'a str,
    date: Option<NaiveDate>,
    shift: &'a str,
    hours: Option<f64>,
    trips: u32,
    source: &'static str,
    start_at: Option<String>,
    end_at: Option<String>,
}

impl<'a> DutyLine<'a> {
    fn new(car: &Car<'a>, day: &Day<'_>, shift: &Shift<'a>) -> Self {
        let hours = (shift.end - shift.start).num_minutes() as f64 / 60.0;
        let local = |at: DateTime<Utc>| at.with_timezone(&car.depot.zone).to_rfc3339_opts(SecondsFormat::Secs, true);
        let as_times = shift.given_as == GivenAs::Times;
        Self {
            unit: &car.row.unit,
            date: (!as_times).then_some(day.date),
            shift: shift.name,
            hours: (!as_times).then_some((hours * 100.0).round() / 100.0),
            trips: shift.trips,
            source: "dispatch",
            start_at: as_times.then(|| local(shift.start)),
            end_at: as_times.then(|| local(shift.end)),
        }
    }
}

/// Every seat log as CSV, by day.
///
/// # Errors
/// [`FleetFault::Row`] when a row cannot be written.
pub fn seat_logs(fleet: &[Told<'_>]) -> Result<String, FleetFault> {
    csv_by_day(fleet, &[Kind::MissingSeat, Kind::SilentSince], |car, day, shift| SeatLine {
        unit: &car.row.unit,
        date: day.date,
        shift: shift.name,
        trips: shift.trips,
        rear_trips: shift.rear_trips,
        source: "seat-sensor",
    })
}

#[derive(Serialize)]
struct SeatLine<'a> {
    unit: &'a str,
    date: NaiveDate,
    shift: &'a str,
    trips: u32,
    rear_trips: u32,
    source: &'static str,
}

/// One CSV row per shift, earliest day first, without the days that are missing for one of the reasons in `missing`.
fn csv_by_day<'a, Line: Serialize>(
    fleet: &[Told<'a>],
    missing: &[Kind],
    line: impl Fn(&Car<'a>, &Day<'a>, &Shift<'a>) -> Line,
) -> Result<String, FleetFault> {
    let mut days: Vec<_> = fleet.iter().flat_map(|told| told.life.days.iter().map(move |day| (told, day))).collect();
    days.retain(|(told, day)| !is_missing(&told.dirt, day.ago, missing));
    days.sort_by_key(|(_, day)| Reverse(day.ago));
    let mut out = csv::Writer::from_writer(Vec::new());
    for (told, day) in days {
        for shift in &day.shifts {
            out.serialize(line(&told.car, day, shift)).map_err(|_| FleetFault::Row)?;
        }
    }
    let bytes = out.into_inner().map_err(|_| FleetFault::Row)?;
    String::from_utf8(bytes).map_err(|_| FleetFault::Row)
}

/// A whole number without a point, anything else with one.
#[must_use]
pub fn number(value: f64) -> Value {
    if value.fract() == 0.0 { Value::Number(Number::from(value as i64)) } else { json!(value) }
}

/// An instant as RFC 3339 in UTC, to the second.
#[must_use]
pub fn utc(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}
