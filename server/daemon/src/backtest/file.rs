//! A backtest from two files: what each vehicle did day by day, and what is to be forecast.

use std::collections::HashMap;
use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::str::FromStr;

use flate2::read::MultiGzDecoder;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use ventmile_model::due::Outcome;

use super::{Case, Day, Vehicle};

/// What counts, whichever comes first.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Limits {
    /// In the unit of the daily distances.
    pub distance: Option<f64>,
    /// Hours.
    pub hours: Option<f64>,
    /// Days.
    pub days: Option<f64>,
}

/// Reads `miles=25000,hours=57,days=75`.
impl FromStr for Limits {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let mut limits = Self::default();
        for part in text.split(',') {
            let (name, value) =
                part.split_once('=').ok_or("write miles=25000, with hours= and days= beside it if wanted")?;
            let number = value.trim().parse().ok().filter(|number: &f64| number.is_finite() && *number > 0.0);
            let place = match name.trim() {
                "miles" => &mut limits.distance,
                "hours" => &mut limits.hours,
                "days" => &mut limits.days,
                other => return Err(format!("{other:?} is no limit: give miles, hours, days")),
            };
            *place = Some(number.ok_or_else(|| format!("{value:?} is no number above 0"))?);
        }
        if limits.distance.or(limits.hours).is_none() {
            return Err("give a limit in miles or in hours".to_owned());
        }
        Ok(limits)
    }
}

/// What a day without a row means.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Absent {
    /// The vehicle was not driven.
    Zero,
    /// Nobody knows.
    Unknown,
}

/// A fleet and what is to be forecast of it.
#[derive(Clone, Debug, Default)]
pub struct Task {
    /// The vehicles.
    pub fleet: Vec<Vehicle>,
    /// The forecasts.
    pub cases: Vec<Case>,
}

/// Why a file cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("{path}: {reason}")]
pub struct FileFault {
    path: String,
    reason: String,
}

#[derive(Deserialize)]
struct DailyRow {
    unit: String,
    day: i64,
    miles: f64,
    #[serde(default)]
    hours: f64,
}

#[derive(Deserialize)]
struct TargetRow {
    unit: String,
    day: i64,
    days_to_limit: f64,
    reached: u8,
}

/// More days than any fleet has records of: a hundred years.
const MOST_DAYS: i64 = 36_525;

const GZIP: [u8; 2] = [0x1f, 0x8b];

/// Reads the daily amounts and the targets, plain or gzip.
///
/// # Errors
/// [`FileFault`] naming the file and the row at fault.
pub fn read_task(daily: &Path, targets: &Path, limits: Limits, absent: Absent) -> Result<Task, FileFault> {
    let fault = |path: &Path, reason: String| FileFault { path: path.display().to_string(), reason };
    let days = rows::<DailyRow>(daily).map_err(|reason| fault(daily, reason))?;
    let (mut fleet, units) = vehicles(days).map_err(|reason| fault(daily, reason))?;
    let last = fleet.iter().map(|vehicle| vehicle.last).max().unwrap_or_default();
    for vehicle in &mut fleet {
        vehicle.last = last;
        if absent == Absent::Zero {
            fill(vehicle);
        }
    }
    let targets_of = rows::<TargetRow>(targets).map_err(|reason| fault(targets, reason))?;
    let case = |(row, target): (usize, TargetRow)| {
        let at = |reason: String| fault(targets, format!("row {}: {reason}", row + 1));
        let vehicle = *units.get(&target.unit).ok_or_else(|| at(format!("unit {:?} has no daily row", target.unit)))?;
        if target.days_to_limit < 0.0 || target.days_to_limit.is_nan() {
            return Err(at(format!("days_to_limit {} is no count of days", target.days_to_limit)));
        }
        // Until the last day of the file, or, where the limit was not reached, as long as the row says.
        let reached = target.reached != 0;
        let followed = if reached { (last - target.day) as f64 } else { target.days_to_limit };
        let outcome = Outcome { days: target.days_to_limit, followed: followed.max(target.days_to_limit) };
        Ok(Case { vehicle, origin: target.day, limits, outcome })
    };
    let cases = targets_of.into_iter().enumerate().map(case).collect::<Result<_, _>>()?;
    Ok(Task { fleet, cases })
}

fn rows<T: DeserializeOwned>(path: &Path) -> Result<Vec<T>, String> {
    let mut file = BufReader::new(File::open(path).map_err(|fault| fault.to_string())?);
    let packed = file.fill_buf().map_err(|fault| fault.to_string())?.starts_with(&GZIP);
    let text: Box<dyn Read> = if packed { Box::new(MultiGzDecoder::new(file)) } else { Box::new(file) };
    csv::Reader::from_reader(text).deserialize().collect::<Result<_, _>>().map_err(|fault| fault.to_string())
}

/// The vehicles with their days in order, and the place of each unit.
fn vehicles(rows: Vec<DailyRow>) -> Result<(Vec<Vehicle>, HashMap<String, usize>), String> {
    let mut units: HashMap<String, usize> = HashMap::new();
    let mut fleet: Vec<Vehicle> = Vec::new();
    for (row, day) in rows.into_iter().enumerate() {
        let right = |amount: f64| amount.is_finite() && amount >= 0.0;
        if !right(day.miles) || !right(day.hours) || !(1..=MOST_DAYS).contains(&day.day) {
            return Err(format!("row {}: day counts from 1 to {MOST_DAYS}, miles and hours are 0 or more", row + 1));
        }
        let count = fleet.len();
        let place = *units.entry(day.unit).or_insert(count);
        if place == count {
            fleet.push(Vehicle::default());
        }
        if let Some(vehicle) = fleet.get_mut(place) {
            vehicle.days.push(Day { number: day.day, amounts: [day.miles, day.hours], own: true });
            vehicle.last = vehicle.last.max(day.day);
        }
    }
    for vehicle in &mut fleet {
        vehicle.days.sort_by_key(|day| day.number);
        // Two rows of one day are two parts of it.
        vehicle.days.dedup_by(|day, before| {
            let same = day.number == before.number;
            if same {
                before.amounts.iter_mut().zip(day.amounts).for_each(|(sum, part)| *sum += part);
            }
            same
        });
    }
    Ok((fleet, units))
}

/// Puts the days without a row in as days on which nothing was driven.
fn fill(vehicle: &mut Vehicle) {
    let mut known = std::mem::take(&mut vehicle.days).into_iter().peekable();
    vehicle.days = (1..=vehicle.last)
        .map(|number| {
            let stood = Day { number, amounts: [0.0; 2], own: true };
            known.next_if(|known| known.number == number).unwrap_or(stood)
        })
        .collect();
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_read_by_name() {
        let limits = Limits { distance: Some(25_000.0), hours: Some(57.0), days: Some(75.0) };
        assert_eq!("miles=25000,hours=57,days=75".parse(), Ok(limits));
        for (text, reason) in [
            ("25000", "write miles=25000, with hours= and days= beside it if wanted"),
            ("km=3", "\"km\" is no limit: give miles, hours, days"),
            ("miles=-3", "\"-3\" is no number above 0"),
            ("days=3", "give a limit in miles or in hours"),
        ] {
            assert_eq!(text.parse::<Limits>(), Err(reason.to_owned()));
        }
    }

    fn task(daily: &str, targets: &str, absent: Absent) -> Result<Task, FileFault> {
        let dir = tempfile::tempdir().unwrap();
        let (first, second) = (dir.path().join("daily.csv"), dir.path().join("targets.csv"));
        std::fs::write(&first, daily).unwrap();
        std::fs::write(&second, targets).unwrap();
        read_task(&first, &second, Limits { distance: Some(100.0), ..Limits::default() }, absent)
    }

    #[test]
    fn absent_days_are_zero_or_left_out() {
        let daily = "unit,day,miles,hours\nA,2,10,1\nA,4,20,2\nA,4,5,1\nB,5,1,0\n";
        let targets = "unit,day,days_to_limit,reached\nA,2,3,0\nB,3,1,1\n";
        let found = task(daily, targets, Absent::Unknown).unwrap();
        let day = |number, amounts| Day { number, amounts, own: true };
        assert_eq!(found.fleet[0].days, [day(2, [10.0, 1.0]), day(4, [25.0, 3.0])]);
        assert_eq!((found.cases[0].outcome.followed, found.cases[1].outcome.followed), (3.0, 2.0));
        let found = task(daily, targets, Absent::Zero).unwrap();
        let miles: Vec<f64> = found.fleet[0].days.iter().map(|day| day.amounts[0]).collect();
        assert_eq!(miles, [0.0, 10.0, 0.0, 25.0, 0.0]);
    }

    #[test]
    fn a_row_that_cannot_be_used_is_named() {
        let targets = "unit,day,days_to_limit,reached\nC,2,3,0\n";
        let said = |daily: &str| task(daily, targets, Absent::Zero).unwrap_err().to_string();
        assert!(said("unit,day,miles,hours\nA,2,10,1\n").ends_with("row 1: unit \"C\" has no daily row"));
        assert!(said("unit,day,miles,hours\nA,0,10,1\n").contains("row 1: day counts from 1"));
        assert!(said("unit,day,miles,hours\nA,2,ten,1\n").contains("invalid float"));
    }
}
