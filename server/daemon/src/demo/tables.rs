//! The tables under `demo-data/`, embedded, as typed rows.

use chrono::{NaiveTime, Weekday};
use chrono_tz::Tz;
use serde::de::{DeserializeOwned, Deserializer, Error};
use serde::{Deserialize, Serialize};
use ventmile_model::fleet::{DistanceUnit, parse_zone};

use super::fleet::FleetFault;

/// A depot and the hours of its shop, the same on each of its `days`.
#[derive(Clone, Debug, Deserialize)]
pub struct DepotRow {
    pub code: String,
    pub name: String,
    #[serde(deserialize_with = "zone")]
    pub zone: Tz,
    pub bays: u32,
    #[serde(deserialize_with = "distance_unit")]
    pub distance_unit: DistanceUnit,
    #[serde(deserialize_with = "time_of_day")]
    pub opens: NaiveTime,
    #[serde(deserialize_with = "time_of_day")]
    pub closes: NaiveTime,
    #[serde(deserialize_with = "weekdays")]
    pub days: Vec<Weekday>,
}

/// A car. Distances are in miles whatever its depot shows.
#[derive(Clone, Debug, Deserialize)]
pub struct VehicleRow {
    pub unit: String,
    pub depot: String,
    pub model: String,
    pub vin: Option<String>,
    pub in_service_days_ago: u32,
    pub odometer_in_service: f64,
    pub pattern: String,
    /// Mean over the days on which the car does every shift of its pattern.
    pub miles_per_day: f64,
    /// What the car has run since its last fan service; `None` for a car without one.
    pub miles_since_service: Option<f64>,
    pub shop_sheet: bool,
}

/// How a shift's time is told in the duty log.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GivenAs {
    /// A date and elapsed hours.
    Hours,
    /// The instants of its start and end.
    Times,
}

/// One shift of a pattern.
#[derive(Clone, Debug, Deserialize)]
pub struct PatternRow {
    pub pattern: String,
    pub shift: String,
    #[serde(deserialize_with = "weekdays")]
    pub days: Vec<Weekday>,
    /// Share of those days on which the shift is not driven.
    pub skip: f64,
    #[serde(deserialize_with = "time_of_day")]
    pub starts: NaiveTime,
    pub hours: f64,
    pub rear_share: f64,
    pub trips_per_hour: f64,
    pub given_as: GivenAs,
}

/// Days on which a car stands, for a reason that was told.
#[derive(Clone, Debug, Deserialize)]
pub struct OffRoadRow {
    pub unit: String,
    pub from_days_ago: u32,
    /// How many days; `None` while the end is not known.
    pub days: Option<u32>,
    pub reason: String,
}

impl OffRoadRow {
    /// Whether the car stands on the day `ago` days before today.
    #[must_use]
    pub fn covers(&self, ago: u32) -> bool {
        is_within(ago, self.from_days_ago, self.days)
    }
}

/// Who sends odometer readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Source {
    Telematics,
    FuelCard,
    ShopSheet,
}

/// What went wrong in the logs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    DroppedDigit,
    AddedDigit,
    SwappedDigits,
    KmAsMiles,
    MilesAsKm,
    Tenths,
    NewCluster,
    ClockDay,
    ClockMonth,
    ClockYear,
    Doubled,
    Late,
    ExchangedWith,
    MissingReadings,
    MissingDuty,
    MissingSeat,
    SilentSince,
}

/// One piece of dirt.
#[derive(Clone, Debug, Deserialize)]
pub struct DirtRow {
    pub unit: String,
    pub days_ago: u32,
    /// How many days it lasts; `None`: the last reading on or before that day.
    pub days: Option<u32>,
    pub source: Option<Source>,
    pub kind: Kind,
    /// What the kind needs besides: the other unit, or what a new cluster shows at first.
    pub value: Option<String>,
}

/// A type of pack, and what a typical one lives.
#[derive(Clone, Debug, Deserialize)]
pub struct PackTypeRow {
    #[serde(rename = "type")]
    pub pack_type: String,
    pub chemistry: String,
    pub blocks: u16,
    pub modules_per_block: u16,
    pub cells_per_module: u16,
    /// Volts of a sound block without load at 60 % of its charge.
    pub block_volts: f64,
    /// By so many miles 63 % of such packs are worn out, in a car as most are.
    pub life_miles: f64,
    /// Models built with it, with semicolons between them.
    pub models: String,
}

/// What is odd about a car's pack.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PackStory {
    /// A block falls.
    FallingBlock,
    /// Every other block is sensed too low.
    AlternatingSense,
    /// The air gets through worse from week to week.
    WorseningAirflow,
    /// The duct has been loose since the last fan service.
    LooseDuct,
    /// Nobody has registered it.
    Unregistered,
}

/// A car whose pack is odd.
#[derive(Clone, Debug, Deserialize)]
pub struct StoryRow {
    pub unit: String,
    pub kind: PackStory,
    /// What the pack has run; empty: as it falls out.
    pub pack_miles: Option<f64>,
    /// How far the block lies under the others now, in volts.
    pub deficit_v: Option<f64>,
}

/// A trouble code that was read, or cleared.
#[derive(Clone, Debug, Deserialize)]
pub struct CodeRow {
    pub unit: String,
    pub days_ago: u32,
    pub code: String,
    pub state: String,
}

/// Whether the day `ago` days before today is one of the `days` that began `from` days before it.
#[must_use]
pub fn is_within(ago: u32, from: u32, days: Option<u32>) -> bool {
    ago <= from && days.is_none_or(|days| from - ago < days)
}

/// Every table.
#[derive(Clone, Debug)]
pub struct Tables {
    pub depots: Vec<DepotRow>,
    pub vehicles: Vec<VehicleRow>,
    pub patterns: Vec<PatternRow>,
    pub off_road: Vec<OffRoadRow>,
    pub dirt: Vec<DirtRow>,
    pub pack_types: Vec<PackTypeRow>,
    pub stories: Vec<StoryRow>,
    pub codes: Vec<CodeRow>,
}

impl Tables {
    /// Reads the embedded tables.
    ///
    /// # Errors
    /// [`FleetFault::Table`] with the table's name and the row at fault.
    pub fn read() -> Result<Self, FleetFault> {
        Ok(Self {
            depots: rows("depots.csv", include_str!("../../../../demo-data/depots.csv"))?,
            vehicles: rows("vehicles.csv", include_str!("../../../../demo-data/vehicles.csv"))?,
            patterns: rows("patterns.csv", include_str!("../../../../demo-data/patterns.csv"))?,
            off_road: rows("off-road.csv", include_str!("../../../../demo-data/off-road.csv"))?,
            dirt: rows("dirt.csv", include_str!("../../../../demo-data/dirt.csv"))?,
            pack_types: rows("pack-types.csv", include_str!("../../../../demo-data/pack-types.csv"))?,
            stories: rows("pack-stories.csv", include_str!("../../../../demo-data/pack-stories.csv"))?,
            codes: rows("codes.csv", include_str!("../../../../demo-data/codes.csv"))?,
        })
    }
}

fn rows<T: DeserializeOwned>(table: &'static str, text: &str) -> Result<Vec<T>, FleetFault> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader.deserialize().collect::<Result<_, _>>().map_err(|fault| FleetFault::Table { table, fault })
}

fn zone<'de, D: Deserializer<'de>>(input: D) -> Result<Tz, D::Error> {
    let text = String::deserialize(input)?;
    parse_zone(&text).ok_or_else(|| D::Error::custom(format!("{text:?} is no IANA zone")))
}

fn distance_unit<'de, D: Deserializer<'de>>(input: D) -> Result<DistanceUnit, D::Error> {
    let text = String::deserialize(input)?;
    DistanceUnit::parse(&text).ok_or_else(|| D::Error::custom(format!("{text:?} is neither mi nor km")))
}

fn time_of_day<'de, D: Deserializer<'de>>(input: D) -> Result<NaiveTime, D::Error> {
    let text = String::deserialize(input)?;
    NaiveTime::parse_from_str(&text, "%H:%M").map_err(D::Error::custom)
}

fn weekdays<'de, D: Deserializer<'de>>(input: D) -> Result<Vec<Weekday>, D::Error> {
    let text = String::deserialize(input)?;
    let day = |name: &str| name.parse().map_err(|_| D::Error::custom(format!("{name:?} is no weekday")));
    text.split_whitespace().map(day).collect()
}
