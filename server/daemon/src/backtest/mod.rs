//! The product's own forecast, held against what happened, beside two naive ones.
//!
//! Only what is known at the end of the day of a forecast is used for it: the car's own days so far, and the windows of
//! the whole fleet that had ended. Days off the road and unknown days are left out; a forecast counts in the others.

mod file;

use std::collections::BTreeMap;

use serde::Serialize;
use ventmile_model::due::{Outcome, Score, naive, score};
use ventmile_model::usage::{
    Brought, CHANCES, Coefficients, Outlook, Reach, Record, Settings, Snapshot, Snapshots, Week, cuts_until,
};

pub use file::{Absent, FileFault, Limits, Task, read_task};

/// A known day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Day {
    /// Its number.
    pub number: i64,
    /// What it brought on each meter: distance, hours.
    pub amounts: [f64; 2],
    /// Whether these are known to be this day's.
    pub own: bool,
}

/// A vehicle's known days.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Vehicle {
    /// In order.
    pub days: Vec<Day>,
    /// Number of the last day up to which it is known.
    pub last: i64,
}

/// One forecast to be made, and what came of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Case {
    /// Place of its vehicle among all.
    pub vehicle: usize,
    /// Number of the day at whose end the forecast is made.
    pub origin: i64,
    /// What counts, whichever comes first.
    pub limits: Limits,
    /// What came of it.
    pub outcome: Outcome,
}

/// How good each forecast was.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Table {
    /// The product's own.
    pub ventmile: Score,
    /// The average of all history.
    pub all_history: Score,
    /// The average of the last 28 days.
    pub last_28_days: Score,
}

/// The forecasts of one case, its own and the two naive ones, and what came of it.
type Made = ([Reach; 3], Outcome);

/// Days of the shorter naive forecast.
const NAIVE_DAYS: i64 = 28;

/// No naive mean is below one distance unit a day, or a millionth of an hour: their first passage stays finite.
const NAIVE_FLOORS: [f64; 2] = [1.0, 1e-6];

/// Makes every forecast and scores it; `None` without a case.
#[must_use]
pub fn run(fleet: &[Vehicle], cases: &[Case], settings: &Settings) -> Option<Table> {
    table(&by_origin(fleet, cases, settings).into_values().flatten().collect::<Vec<_>>())
}

/// The tables of the single origins, by day number, and the one over all; `None` without a case.
#[must_use]
pub fn run_by_origin(fleet: &[Vehicle], cases: &[Case], settings: &Settings) -> Option<(Vec<(i64, Table)>, Table)> {
    let made = by_origin(fleet, cases, settings);
    let single = made.iter().filter_map(|(origin, made)| Some((*origin, table(made)?))).collect();
    Some((single, table(&made.into_values().flatten().collect::<Vec<_>>())?))
}

fn by_origin(fleet: &[Vehicle], cases: &[Case], settings: &Settings) -> BTreeMap<i64, Vec<Made>> {
    let mut by_origin: BTreeMap<i64, Vec<&Case>> = BTreeMap::new();
    for case in cases {
        by_origin.entry(case.origin).or_default().push(case);
    }
    let of = |(origin, cases): (i64, Vec<&Case>)| {
        let known = Known::at(fleet, origin, settings);
        let made = cases.into_iter().filter_map(|case| {
            let vehicle = fleet.get(case.vehicle)?;
            let naive = |after| naive_forecast(vehicle, &case.limits, after, origin);
            Some(([known.forecast(case, vehicle), naive(i64::MIN), naive(origin - NAIVE_DAYS)], case.outcome))
        });
        (origin, made.collect())
    };
    by_origin.into_iter().map(of).collect()
}

fn table(made: &[Made]) -> Option<Table> {
    let of = |pick: fn(&[Reach; 3]) -> Reach| score(made.iter().map(|(reach, outcome)| (pick(reach).0, *outcome)));
    Some(Table {
        ventmile: of(|[own, _, _]| *own)?,
        all_history: of(|[_, all, _]| *all)?,
        last_28_days: of(|[_, _, recent]| *recent)?,
    })
}

impl Day {
    /// What it brought on one meter.
    #[must_use]
    pub fn brought(&self, pick: fn(&[f64; 2]) -> f64) -> Brought {
        Brought { number: self.number, amount: pick(&self.amounts), driven: self.driven(), own: self.own }
    }

    fn driven(&self) -> bool {
        let [distance, _] = self.amounts;
        distance > 0.0
    }
}

/// What is known of one meter at an origin.
struct Meter {
    latest: Vec<Option<Snapshot>>,
    coefficients: Coefficients,
    /// Mean level of the fleet.
    usual: f64,
}

struct Known {
    meters: [Meter; 2],
    spread: f64,
}

impl Known {
    fn at(fleet: &[Vehicle], origin: i64, settings: &Settings) -> Self {
        let cuts = cuts_until(origin);
        let of = |pick: fn(&[f64; 2]) -> f64| {
            let histories: Vec<_> = fleet.iter().map(|vehicle| history(vehicle, &cuts, pick)).collect();
            let coefficients = Record::gather(&histories).fit();
            let latest: Vec<Option<Snapshot>> =
                histories.iter().map(|history| history.last().copied().flatten()).collect();
            let levels: Vec<f64> = latest.iter().flatten().map(|snapshot| snapshot.features.level).collect();
            let usual = levels.iter().sum::<f64>() / levels.len().max(1) as f64;
            Meter { latest, coefficients, usual }
        };
        Self { meters: [of(|[distance, _]| *distance), of(|[_, hours]| *hours)], spread: settings.borrowed_spread }
    }

    fn forecast(&self, case: &Case, vehicle: &Vehicle) -> Reach {
        let limits = case.limits;
        let by_meter = self.meters.iter().zip([limits.distance, limits.hours]).filter_map(|(meter, limit)| {
            let known = meter.latest.get(case.vehicle).copied().flatten();
            let outlook = match &known {
                Some(known) => Outlook::of(known, meter.usual, self.spread, &meter.coefficients),
                None => Outlook::borrowed(meter.usual, self.spread),
            };
            let week = known.map(|known| known.week).unwrap_or_default();
            Some(dates(outlook.reach(limit?), &week, vehicle, case.origin))
        });
        first(by_meter, &limits)
    }
}

/// No date is looked for further ahead than this many days.
const FURTHEST: f64 = 1e5;

/// The days after `origin` by which each quantile is reached, as the product gives dates: whole days, each counting as
/// its weekday does. Only days that the vehicle will be known on count, as in the outcome; beyond them all do.
fn dates(Reach(reach): Reach, week: &Week, vehicle: &Vehicle, origin: i64) -> Reach {
    let known = || vehicle.days.iter().map(|day| day.number).filter(|number| *number > origin);
    let beyond = vehicle.last.max(origin) + 1..;
    let date = |mean_days: f64| {
        if mean_days > FURTHEST {
            return f64::INFINITY;
        }
        let mut left = mean_days * (1.0 - ROUNDING);
        let before = known().chain(beyond.clone()).take_while(|number| {
            left -= week.on(*number);
            left > ROUNDING
        });
        before.count() as f64 + 1.0
    };
    Reach(reach.map(date))
}

/// Takes the noise of the last digits off a count of days before it is rounded up, as the model does.
const ROUNDING: f64 = 1e-9;

/// Whichever comes first, the limit in days included.
fn first(by_meter: impl Iterator<Item = Reach>, limits: &Limits) -> Reach {
    let days = Reach([limits.days.unwrap_or(f64::INFINITY); CHANCES.len()]);
    by_meter.fold(days, Reach::earlier)
}

fn history(vehicle: &Vehicle, cuts: &[i64], pick: fn(&[f64; 2]) -> f64) -> Vec<Option<Snapshot>> {
    let mut snapshots = Snapshots::new(cuts);
    let until = cuts.last().copied().unwrap_or(i64::MIN);
    for day in vehicle.days.iter().take_while(|day| day.number <= until) {
        snapshots.step(&day.brought(pick));
    }
    snapshots.finish(vehicle.last)
}

/// The naive forecast from the days after `after`, but not before the first driven one, up to `origin`.
fn naive_forecast(vehicle: &Vehicle, limits: &Limits, after: i64, origin: i64) -> Reach {
    let known = || {
        let so_far = vehicle.days.iter().take_while(|day| day.number <= origin);
        so_far.skip_while(|day| !day.driven()).filter(|day| day.number > after)
    };
    let of = |pick: fn(&[f64; 2]) -> f64, floor: f64, limit: Option<f64>| {
        let amounts = || known().map(|day| pick(&day.amounts));
        let count = amounts().count() as f64;
        let mean = amounts().sum::<f64>() / count.max(1.0);
        let squares: f64 = amounts().map(|amount| (amount - mean) * (amount - mean)).sum();
        let sd = (squares / (count - 1.0).max(1.0)).sqrt();
        Some(Reach(CHANCES.map(|chance| naive(mean.max(floor), sd, limit.unwrap_or_default(), chance))))
            .filter(|_| limit.is_some())
    };
    let [miles_floor, hours_floor] = NAIVE_FLOORS;
    let distance = of(|[distance, _]| *distance, miles_floor, limits.distance);
    let hours = of(|[_, hours]| *hours, hours_floor, limits.hours);
    first(distance.into_iter().chain(hours), limits)
}

impl Table {
    fn rows(&self) -> [(&'static str, &Score); 3] {
        [("ventmile", &self.ventmile), ("all_history", &self.all_history), ("last_28_days", &self.last_28_days)]
    }

    /// The table for people.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = format!(
            "{:<14}{:>7}{:>14}{:>9}{:>11}{:>11}{:>18}\n",
            "forecast", "n", "mean_pinball", "cover80", "below_q10", "above_q90", "median_abs_error"
        );
        for (name, score) in self.rows() {
            text.push_str(&format!(
                "{name:<14}{:>7}{:>14.3}{:>9.3}{:>11.3}{:>11.3}{:>18.2}\n",
                score.count,
                score.mean_pinball,
                score.cover80,
                score.below_q10,
                score.above_q90,
                score.median_abs_error
            ));
        }
        text
    }

    /// The table for programs.
    #[must_use]
    pub fn json(&self) -> String {
        let rows: BTreeMap<&str, ScoreRow> =
            self.rows().into_iter().map(|(name, score)| (name, ScoreRow::from(score))).collect();
        serde_json::to_string_pretty(&rows).unwrap_or_default()
    }
}

/// A score with the names that the table has.
#[derive(Serialize)]
struct ScoreRow {
    n: usize,
    mean_pinball: f64,
    cover80: f64,
    below_q10: f64,
    above_q90: f64,
    median_abs_error: f64,
}

impl From<&Score> for ScoreRow {
    fn from(score: &Score) -> Self {
        Self {
            n: score.count,
            mean_pinball: score.mean_pinball,
            cover80: score.cover80,
            below_q10: score.below_q10,
            above_q90: score.above_q90,
            median_abs_error: score.median_abs_error,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    const DATA: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data/utilisation/");

    /// Every eighth vehicle of the open data as a fleet of its own: a hundred vehicles, in a second. The whole fleet's
    /// table takes the same path: `ventmile backtest --daily … --absent zero`.
    fn table(targets: &str, limits: &str) -> Table {
        let path = |name: &str| Path::new(DATA).join(name);
        let task = read_task(&path("daily.csv.gz"), &path(targets), limits.parse().unwrap(), Absent::Zero).unwrap();
        let fleet: Vec<Vehicle> = task.fleet.into_iter().step_by(8).collect();
        let of_fleet = task.cases.into_iter().filter(|case| case.vehicle % 8 == 0);
        let cases: Vec<Case> = of_fleet.map(|case| Case { vehicle: case.vehicle / 8, ..case }).collect();
        run(&fleet, &cases, &Settings::default()).unwrap()
    }

    #[track_caller]
    fn check(score: &Score, expected: &str) {
        let found = format!(
            "{} {:.3} {:.3} {:.3} {:.3} {:.2}",
            score.count, score.mean_pinball, score.cover80, score.below_q10, score.above_q90, score.median_abs_error
        );
        assert_eq!(found, expected);
    }

    /// As the independent reference (numpy) scores the same hundred vehicles.
    #[test]
    fn the_open_data_score_as_the_reference_says() {
        let found = table("targets.csv", "miles=25000");
        check(&found.ventmile, "578 5.821 0.827 0.071 0.102 14.00");
        check(&found.all_history, "578 6.555 0.552 0.197 0.251 13.57");
        check(&found.last_28_days, "578 10.124 0.405 0.265 0.330 18.66");
        assert!(found.text().lines().count() == 4 && found.json().contains("\"n\": 578"));
    }

    #[test]
    fn the_open_data_score_on_two_meters_and_days() {
        let found = table("targets_two_meters.csv", "miles=25000,hours=57,days=75");
        check(&found.ventmile, "578 3.319 0.896 0.066 0.038 7.00");
        check(&found.all_history, "578 3.777 0.685 0.176 0.138 8.02");
        check(&found.last_28_days, "578 5.206 0.516 0.230 0.254 10.83");
    }

    #[test]
    fn nothing_to_forecast_has_no_table() {
        assert_eq!(run(&[], &[], &Settings::default()), None);
    }

    #[test]
    fn unknown_days_are_left_out() {
        // A hundred miles on every known day; every third day is unknown, and then not zero.
        let days: Vec<_> = (1..=120)
            .filter(|number| number % 3 != 0)
            .map(|number| Day { number, amounts: [100.0, 4.0], own: true })
            .collect();
        let fleet = [Vehicle { days, last: 120 }];
        let limits = Limits { distance: Some(1_000.0), hours: None, days: None };
        let outcome = Outcome { days: 10.0, followed: 30.0 };
        let found = run(&fleet, &[Case { vehicle: 0, origin: 90, limits, outcome }], &Settings::default()).unwrap();
        assert!(found.all_history.mean_pinball < 1e-9 && found.ventmile.median_abs_error < 0.5, "{found:?}");
    }
}
