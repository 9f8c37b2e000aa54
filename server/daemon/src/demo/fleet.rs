//! An invented fleet: two depots in two zones, sixty hybrid cars and fourteen months of their logs.
//!
//! The tables under `demo-data/` say how each car is driven and what goes wrong in its logs; its README
//! tells the story. Everything is counted back from the day it is told for, so that the fleet looks the
//! same on whatever day it is shown: the clock is no part of it.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc, Weekday};
use serde_json::{Map, Value, json};

use super::checks::{Equipped, pack_checks, trouble_codes};
use super::driving::{Car, Scene, drive};
use super::logs::{Told, duty_logs, number, odometer_readings, seat_logs, utc};
use super::packs::{pack_row, packs_of};
use super::random::SplitMix64;
use super::tables::{DepotRow, OffRoadRow, Tables};

/// The seed of the story that the README tells.
pub const SEED: u64 = 25_000;

/// Register entries as the interface takes them, and the logs.
#[derive(Clone, Debug, PartialEq)]
pub struct Fleet {
    /// Depots.
    pub depots: Vec<Value>,
    /// Cars.
    pub vehicles: Vec<Value>,
    /// Fan services done, car by car, earliest first.
    pub past_services: Vec<Value>,
    /// Unit, and the days it is off the road with the reason.
    pub off_road: Vec<(String, Value)>,
    /// NDJSON in the order of arrival.
    pub odometer_readings: String,
    /// CSV with a header, by day.
    pub duty_logs: String,
    /// CSV with a header, by day.
    pub seat_logs: String,
    /// Packs, car by car, the first one first.
    pub packs: Vec<Value>,
    /// CSV with a header, by time.
    pub pack_checks: String,
    /// Trouble codes read and cleared.
    pub trouble_codes: Vec<Value>,
}

/// Why the fleet cannot be told.
#[derive(Debug, thiserror::Error)]
pub enum FleetFault {
    /// A table does not read.
    #[error("demo-data/{table} does not read: {fault}")]
    Table {
        /// The file's name.
        table: &'static str,
        /// What is wrong, with the line.
        fault: csv::Error,
    },
    /// A car names a depot or a pattern that is in no table.
    #[error("car {unit} names {name:?}, which is in no table of demo-data")]
    Unknown {
        /// The car.
        unit: String,
        /// What it names.
        name: String,
    },
    /// Counting back from this day leaves the calendar.
    #[error("no calendar around {0}")]
    Calendar(NaiveDate),
    /// A log row cannot be written.
    #[error("a log row cannot be written")]
    Row,
}

/// The fleet as it stands early on `today`, a local date in its depots' zones.
///
/// # Errors
/// [`FleetFault`] when a table is at fault or `today` lies at the calendar's edge.
pub fn fleet(today: NaiveDate) -> Result<Fleet, FleetFault> {
    seeded_fleet(today, SEED)
}

/// The fleet as it stands early on `today`, with other random draws than those of [`fleet`].
///
/// # Errors
/// As for [`fleet`].
pub fn seeded_fleet(today: NaiveDate, seed: u64) -> Result<Fleet, FleetFault> {
    let scene = Scene { today, seed };
    let tables = Tables::read()?;
    let told = tell(&tables, &scene)?;
    let equipped = equip(&told, &tables, &scene)?;
    let pack_rows = |car: &Equipped<'_, '_>| {
        car.packs.iter().map(|pack| pack_row(pack, &car.told.car, &car.told.life)).collect::<Vec<_>>()
    };
    Ok(Fleet {
        depots: tables.depots.iter().map(depot).collect(),
        vehicles: told.iter().map(|told| vehicle(&told.car, &scene)).collect::<Result<_, _>>()?,
        past_services: told.iter().flat_map(|told| past_services(told, &scene)).collect(),
        off_road: tables.off_road.iter().map(|row| off_road(row, &scene)).collect::<Result<_, _>>()?,
        odometer_readings: odometer_readings(&told, &scene)?,
        duty_logs: duty_logs(&told)?,
        seat_logs: seat_logs(&told)?,
        packs: equipped.iter().flat_map(pack_rows).collect(),
        pack_checks: pack_checks(&equipped, &scene)?,
        trouble_codes: trouble_codes(&tables, &scene)?,
    })
}

/// The latest day on which every reading told by [`fleet`] lies before `now`.
///
/// The last ones are taken before 05:00 in the western depot's zone, which is 11:00 UTC in winter.
#[must_use]
pub fn latest_day(now: DateTime<Utc>) -> NaiveDate {
    (now - TimeDelta::hours(11)).date_naive()
}

fn tell<'a>(tables: &'a Tables, scene: &Scene) -> Result<Vec<Told<'a>>, FleetFault> {
    let tell_one = |(number, row)| {
        let car = Car::new(number, row, tables)?;
        let life = drive(&car, scene)?;
        let dirt = tables.dirt.iter().filter(|dirt| dirt.unit == row.unit).collect();
        Ok(Told { car, life, dirt })
    };
    tables.vehicles.iter().enumerate().map(tell_one).collect()
}

fn equip<'t, 'a>(told: &'t [Told<'a>], tables: &'a Tables, scene: &Scene) -> Result<Vec<Equipped<'t, 'a>>, FleetFault> {
    let equip_one = |told: &'t Told<'a>| {
        let story = tables.stories.iter().find(|story| story.unit == told.car.row.unit);
        Ok(Equipped { told, packs: packs_of(told, tables, scene)?, story: story.map(|story| story.kind) })
    };
    told.iter().map(equip_one).collect()
}

fn depot(row: &DepotRow) -> Value {
    json!({
        "code": row.code,
        "name": row.name,
        "zone": row.zone.name(),
        "bays": row.bays,
        "distance_unit": row.distance_unit.as_str(),
        "opening_hours": opening_hours(row),
    })
}

fn opening_hours(row: &DepotRow) -> Map<String, Value> {
    let hours =
        json!({"opens": row.opens.format("%H:%M").to_string(), "closes": row.closes.format("%H:%M").to_string()});
    let week = std::iter::successors(Some(Weekday::Mon), |day| Some(day.succ())).take(7);
    week.map(|day| (day.to_string().to_lowercase(), if row.days.contains(&day) { hours.clone() } else { Value::Null }))
        .collect()
}

fn vehicle(car: &Car<'_>, scene: &Scene) -> Result<Value, FleetFault> {
    Ok(json!({
        "unit": car.row.unit,
        "depot": car.row.depot,
        "vin": car.row.vin,
        "model": car.row.model,
        "in_service_on": scene.date(car.row.in_service_days_ago)?,
        "odometer_in_service": number(car.in_own_unit(car.row.odometer_in_service).round()),
        "distance_unit": car.depot.distance_unit.as_str(),
    }))
}

/// What the shop wrote beside a service.
const NOTES: [&str; 5] = [
    "fan out and cleaned, ducts clear, all speeds run",
    "fan out and cleaned, lint on the intake grille removed",
    "fan out and cleaned, one duct clip replaced",
    "fan out and cleaned, intake was half under a seat cover",
    "fan out and cleaned, heavy dust, filter mat replaced",
];

fn past_services(told: &Told<'_>, scene: &Scene) -> Vec<Value> {
    let mut draws = SplitMix64::stream(scene.seed, u64::MAX, told.car.number);
    let services = told.life.services.iter();
    services
        .map(|service| {
            json!({
                "unit": told.car.row.unit,
                "kind": "fan-service",
                "at": utc(service.at),
                "odometer": number(told.car.in_own_unit(told.life.shown(service.odometer, service.ago))),
                "distance_unit": told.car.depot.distance_unit.as_str(),
                "note": draws.pick(&NOTES),
            })
        })
        .collect()
}

fn off_road(row: &OffRoadRow, scene: &Scene) -> Result<(String, Value), FleetFault> {
    let from = scene.date(row.from_days_ago)?;
    let to = row.days.and_then(|days| from.checked_add_signed(TimeDelta::days(i64::from(days) - 1)));
    let days = json!({"from": from, "to": to, "reason": row.reason, "safety_hold": false});
    Ok((row.unit.clone(), days))
}

#[cfg(test)]
mod tests {
    use std::collections::{BTreeMap, BTreeSet};

    use ventmile_model::fleet::Vin;

    use super::*;
    use crate::demo::driving::LOG_DAYS;
    use crate::demo::tables::Kind;

    /// Each weekday once; the clocks change in the night before the second and on the day before the third.
    const TODAYS: [(i32, u32, u32); 7] =
        [(2026, 11, 25), (2026, 3, 8), (2026, 11, 2), (2027, 1, 1), (2028, 2, 29), (2026, 7, 4), (2026, 6, 18)];

    fn todays() -> impl Iterator<Item = NaiveDate> {
        TODAYS.into_iter().map(|(year, month, day)| NaiveDate::from_ymd_opt(year, month, day).unwrap())
    }

    fn a_day() -> NaiveDate {
        todays().next().unwrap()
    }

    fn readings(fleet: &Fleet) -> Vec<Value> {
        fleet.odometer_readings.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    fn instant_of(row: &Value, field: &str) -> DateTime<Utc> {
        row[field].as_str().unwrap().parse().unwrap()
    }

    /// The band of each car against 20,000 to 25,000 miles, from the truth, and whether it comes to the early
    /// edge within 30 days at the pace of its last four weeks.
    fn story(today: NaiveDate) -> BTreeMap<&'static str, Vec<String>> {
        let tables = Tables::read().unwrap();
        let mut story = BTreeMap::<_, Vec<_>>::new();
        for told in tell(&tables, &Scene { today, seed: SEED }).unwrap() {
            let recent = told.life.days.iter().filter(|day| day.ago <= 28).map(|day| day.miles()).sum::<f64>();
            let came_in = told.car.row.odometer_in_service;
            let counts_from = told.life.services.last().map(|service| service.odometer);
            let counts_from = counts_from.or((came_in < 40_000.0).then_some(came_in));
            let now = told.life.days.last().map(|day| day.odometer + day.miles()).unwrap();
            let band = match counts_from.map(|odometer| now - odometer) {
                None => "unknown",
                Some(miles) if miles > 25_000.0 => "past",
                Some(miles) if miles >= 20_000.0 => "inside",
                Some(miles) if miles + recent / 28.0 * 30.0 >= 20_000.0 => "soon",
                Some(_) => "before",
            };
            story.entry(band).or_default().push(told.car.row.unit.clone());
        }
        story
    }

    #[test]
    fn the_same_day_tells_the_same_fleet() {
        assert_eq!(fleet(a_day()).unwrap(), fleet(a_day()).unwrap());
        assert_ne!(fleet(a_day()).unwrap(), seeded_fleet(a_day(), 1).unwrap());
    }

    #[test]
    fn the_story_is_the_same_on_any_day() {
        for today in todays() {
            let story = story(today);
            assert_eq!(story["past"], ["V101", "V102", "V103", "M201"], "{today}");
            assert_eq!(
                story["inside"],
                ["V104", "V105", "V106", "V107", "V108", "M202", "M203", "M204", "M205"],
                "{today}"
            );
            let soon = ["V109", "V110", "V111", "V112", "V113", "V114", "V115", "M206", "M207", "M208", "M209", "M210"];
            assert_eq!(story["soon"], soon, "{today}");
            assert_eq!(story["unknown"], ["V134", "M223"], "{today}");
        }
    }

    #[test]
    fn the_fleet_has_its_counts_and_stays_small() {
        for today in todays() {
            let fleet = fleet(today).unwrap();
            assert_eq!((fleet.depots.len(), fleet.vehicles.len(), fleet.off_road.len()), (2, 60, 2));
            assert!((350..600).contains(&fleet.past_services.len()), "{}", fleet.past_services.len());
            let bytes = fleet.odometer_readings.len() + fleet.duty_logs.len() + fleet.seat_logs.len();
            assert!((100_000..500_000).contains(&fleet.pack_checks.len()), "{}", fleet.pack_checks.len());
            assert!((3_000_000..8_000_000).contains(&bytes), "{bytes}");
        }
    }

    #[test]
    fn every_reading_is_of_a_known_car_and_in_the_past() {
        for today in todays().take(3) {
            let fleet = fleet(today).unwrap();
            let zones: BTreeMap<_, _> = Tables::read().unwrap().depots.into_iter().map(|d| (d.code, d.zone)).collect();
            let depots: BTreeMap<_, _> =
                fleet.vehicles.iter().map(|car| (car["unit"].as_str(), car["depot"].as_str())).collect();
            for row in readings(&fleet) {
                let zone = zones[depots[&row["unit"].as_str()].unwrap()];
                let at = instant_of(&row, "at").with_timezone(&zone).naive_local();
                assert!(at <= today.and_hms_opt(5, 0, 0).unwrap(), "{row}");
                assert!(row["odometer"].as_f64().unwrap() >= 0.0, "{row}");
            }
        }
    }

    #[test]
    fn every_reading_of_the_latest_day_lies_before_now() {
        for now in ["2026-11-25T10:59:00Z", "2026-11-25T11:00:00Z", "2026-07-04T11:00:00Z", "2026-03-08T11:00:00Z"] {
            let now: DateTime<Utc> = now.parse().unwrap();
            let fleet = fleet(latest_day(now)).unwrap();
            assert!(readings(&fleet).iter().all(|row| instant_of(row, "at") < now));
        }
    }

    #[test]
    fn check_digits_are_right_and_a_few_cars_have_no_vin() {
        let fleet = fleet(a_day()).unwrap();
        let vins: BTreeSet<_> = fleet.vehicles.iter().filter_map(|car| car["vin"].as_str()).collect();
        assert_eq!(vins.len(), 56);
        for vin in vins {
            assert!(Vin::parse(vin).unwrap().has_right_check_digit(), "{vin}");
        }
    }

    #[test]
    fn services_fall_into_open_hours_and_between_true_readings() {
        let tables = Tables::read().unwrap();
        for told in tell(&tables, &Scene { today: a_day(), seed: SEED }).unwrap() {
            assert_eq!(told.life.services.is_empty(), told.car.row.miles_since_service.is_none());
            for service in &told.life.services {
                let local = service.at.with_timezone(&told.car.depot.zone).time();
                assert!(told.car.depot.opens < local && local < told.car.depot.closes);
                let after = told.life.days.iter().find(|day| day.shifts[0].start > service.at);
                assert!(after.is_none_or(|day| day.odometer >= service.odometer - 1e-6));
                let before = told.life.days.iter().rfind(|day| day.shifts[0].start < service.at);
                assert!(before.is_none_or(|day| day.shifts.iter().all(|shift| shift.end < service.at)));
                assert!(before.is_none_or(|day| day.odometer + day.miles() <= service.odometer + 1e-6));
            }
            let logged = told.life.services.windows(2).filter(|pair| pair[1].ago <= LOG_DAYS);
            let gaps = logged.map(|pair| pair[1].odometer - pair[0].odometer);
            assert!(gaps.into_iter().all(|gap| (20_000.0..25_000.0).contains(&gap)));
        }
    }

    #[test]
    fn true_days_do_not_overlap_and_the_odometer_never_runs_back() {
        let tables = Tables::read().unwrap();
        for told in tell(&tables, &Scene { today: a_day(), seed: SEED }).unwrap() {
            let shifts: Vec<_> = told.life.days.iter().flat_map(|day| &day.shifts).collect();
            assert!(shifts.windows(2).all(|pair| pair[0].end < pair[1].start), "{}", told.car.row.unit);
            assert!(shifts.iter().all(|shift| shift.rear_trips <= shift.trips));
            let ends = told.life.days.windows(2);
            assert!(ends.into_iter().all(|pair| (pair[0].odometer + pair[0].miles() - pair[1].odometer).abs() < 1e-6));
        }
    }

    #[test]
    fn packs_follow_each_other_and_enough_have_failed_for_a_curve() {
        for today in todays() {
            let fleet = fleet(today).unwrap();
            let failed =
                |row: &&Value| ["failed", "condition"].contains(&row["removed_because"].as_str().unwrap_or(""));
            let failures = fleet.packs.iter().filter(failed).count();
            assert!((30..80).contains(&failures), "{today}: {failures}");
            for pair in fleet.packs.windows(2).filter(|pair| pair[0]["unit"] == pair[1]["unit"]) {
                assert_eq!(pair[0]["removed_at"], pair[1]["installed_at"]);
                assert_eq!(pair[0]["removed_odometer"], pair[1]["odometer"]);
                assert!(pair[1]["original"] == false && pair[0]["serial"] != pair[1]["serial"]);
            }
            // A car has one pack in it, but for the four whose pack nobody has registered.
            let in_use: BTreeSet<_> =
                fleet.packs.iter().filter(|row| row["removed_at"].is_null()).map(|row| row["unit"].as_str()).collect();
            assert_eq!((in_use.len(), in_use.contains(&Some("M224"))), (56, false));
            let removed = fleet.packs.iter().filter(|row| !row["removed_at"].is_null());
            for row in removed.filter(|row| row["unit"] != "V119") {
                assert!(row["removed_odometer"].as_f64() > row["odometer"].as_f64(), "{row}");
                assert!(instant_of(row, "removed_at") > instant_of(row, "installed_at"), "{row}");
            }
        }
    }

    #[test]
    fn dirt_shows_where_the_table_says() {
        let fleet = fleet(a_day()).unwrap();
        let rows = readings(&fleet);
        let of = |unit: &str| rows.iter().filter(|row| row["unit"] == unit).collect::<Vec<_>>();
        let last = |unit: &str| of(unit).into_iter().map(|row| instant_of(row, "at")).max().unwrap().date_naive();
        assert!((13..=16).contains(&(a_day() - last("V116")).num_days()));
        assert!((30..=33).contains(&(a_day() - last("M211")).num_days()));
        assert!((6..=8).contains(&(a_day() - last("M213")).num_days()));
        assert!(of("V119").last().unwrap()["odometer"].as_f64().unwrap() < 10_000.0);
        assert!(!fleet.seat_logs.contains("V132") && fleet.duty_logs.contains("V132"));
        let distinct: BTreeSet<_> = fleet.odometer_readings.lines().collect();
        assert_eq!(rows.len() - distinct.len(), 4);
        let dirt = Tables::read().unwrap().dirt;
        assert!(dirt.iter().all(|row| row.days_ago <= LOG_DAYS));
        let cars: BTreeSet<_> = fleet.vehicles.iter().filter_map(|car| car["unit"].as_str()).collect();
        assert!(dirt.iter().all(|row| cars.contains(row.unit.as_str())));
        let partners = dirt.iter().filter(|row| row.kind == Kind::ExchangedWith);
        assert!(partners.into_iter().all(|row| cars.contains(row.value.as_deref().unwrap())));
    }
}
