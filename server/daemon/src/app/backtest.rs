//! The backtest on the fleet's own logs: rolling origins, the late edge of each car's window.

use ventmile_model::due::Outcome;
use ventmile_model::fleet::{DistanceUnit, Kind};
use ventmile_model::usage::{RoadDays, Snapshots, each_day};

use super::App;
use super::assess::{Terms, assess};
use super::fits::SAMPLE;
use super::forecasts::{ALL_RULES, rule_for};
use crate::backtest::{Case, Day, Limits, Table, Vehicle, run};
use crate::store::{CarLogs, Claim, RuleRecord, StoreError, Usual};

/// Days between two origins.
const ORIGIN_DAYS: i64 = 30;

/// Origins looked back at, at most: five years.
const ORIGINS: i64 = 61;

/// Cars loaded at a time.
const BATCH: usize = 100;

impl App {
    /// Scores the forecasts that would have been made every thirty days of at most a thousand cars: when a whole late edge
    /// of the car's present window would be driven. Readings are judged by what is known today; days off the road do not
    /// count. `None` while there is nothing to score.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn backtest(&self) -> Result<Option<Table>, StoreError> {
        let rules = self.store.rules("", None, ALL_RULES).await?;
        let mut edges = Vec::new();
        let mut fleet = Vec::new();
        for ids in self.store.sample_of_vehicles(SAMPLE).await?.chunks(BATCH) {
            let claims: Vec<Claim> = ids.iter().copied().map(Claim::unclaimed).collect();
            let cars = self.cars(&claims).await?;
            let (app, rules) = (self.clone(), rules.clone());
            let batch = tokio::task::spawn_blocking(move || {
                cars.iter().filter_map(|car| app.past_days(car, &rules)).collect::<Vec<_>>()
            });
            for (vehicle, edge) in batch.await.map_err(|_| StoreError::Stopped)? {
                fleet.push(vehicle);
                edges.push(edge);
            }
        }
        let settings = super::limits::usage_settings(&self.settings);
        let scored = tokio::task::spawn_blocking(move || run(&fleet, &cases(&fleet, &edges), &settings));
        scored.await.map_err(|_| StoreError::Stopped)
    }

    /// A car's days in miles and hours, and the late edge of its window in miles.
    fn past_days(&self, logs: &CarLogs, rules: &[RuleRecord]) -> Option<(Vehicle, f64)> {
        let rule = &rule_for(rules, Kind::FanService, logs)?.rule;
        let fits = self.fits.get();
        let terms = Terms { rule, usual: Usual::default(), elsewhere: &[], fits: &fits, tried: None };
        let assessment = assess(logs, &terms, self.now(), &self.settings);
        let own = assessment.interval.as_ref().map(|interval| interval.windows.distance);
        let window = own.unwrap_or_else(|| rule.windows(assessment.grading.grade).distance)?;
        let mut vehicle = Vehicle::default();
        let mile = DistanceUnit::Mile.metres();
        each_day(&assessment.track, &assessment.days, &RoadDays::new(&logs.off_road), logs.zone, |day| {
            let amounts = [day.metres / mile, day.hours.unwrap_or_default()];
            vehicle.days.push(Day { number: day.number, amounts, own: day.own });
            vehicle.last = day.number;
        });
        Some((vehicle, window.late.as_f64() / mile))
    }
}

/// Every origin at which a car had enough, and recent, history.
fn cases(fleet: &[Vehicle], edges: &[f64]) -> Vec<Case> {
    let last = fleet.iter().map(|vehicle| vehicle.last).max().unwrap_or_default();
    let origins: Vec<i64> = (1..ORIGINS).rev().map(|back| last - ORIGIN_DAYS * back).collect();
    let of = |(place, (vehicle, edge)): (usize, (&Vehicle, &f64))| {
        let mut snapshots = Snapshots::new(&origins);
        vehicle.days.iter().for_each(|day| snapshots.step(&day.brought(|[miles, _]| *miles)));
        let taken = snapshots.finish(vehicle.last);
        let settled = origins.iter().zip(taken).filter(|(_, taken)| taken.is_some_and(|taken| taken.settled));
        let limits = Limits { distance: Some(*edge), ..Limits::default() };
        let case = |(origin, _): (&i64, _)| {
            Some(Case { vehicle: place, origin: *origin, limits, outcome: outcome(vehicle, *origin, *edge)? })
        };
        settled.filter_map(case).collect::<Vec<Case>>()
    };
    fleet.iter().zip(edges).enumerate().flat_map(of).collect()
}

/// On which day after the origin `miles` were driven; `None` where no later day is known.
fn outcome(vehicle: &Vehicle, origin: i64, miles: f64) -> Option<Outcome> {
    let later = || vehicle.days.iter().filter(|day| day.number > origin);
    let followed = later().count() as f64;
    let mut driven = 0.0;
    let before = later().take_while(|day| {
        let [more, _] = day.amounts;
        driven += more;
        driven < miles
    });
    let days = (before.count() as f64 + 1.0).min(followed);
    (followed > 0.0).then_some(Outcome { days, followed })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn vehicle(days: i64) -> Vehicle {
        let day = |number| Day { number, amounts: [100.0, 5.0], own: true };
        Vehicle { days: (1..=days).map(day).collect(), last: days }
    }

    #[test]
    fn the_day_of_the_last_mile_counts() {
        let outcome = |miles| outcome(&vehicle(100), 60, miles).unwrap();
        assert_eq!(outcome(1_000.0), Outcome { days: 10.0, followed: 40.0 });
        assert_eq!(outcome(1_001.0).days, 11.0);
        assert_eq!(outcome(5_000.0).days, 40.0);
        assert_eq!(super::outcome(&vehicle(60), 60, 1.0), None);
    }

    #[test]
    fn origins_are_thirty_days_apart_where_there_is_history() {
        let found = cases(&[vehicle(140), vehicle(30)], &[1_000.0, 1_000.0]);
        // From day 140 back: 110, 80 and 50; by day 20 there was too little.
        assert_eq!(
            found.iter().map(|case| (case.vehicle, case.origin)).collect::<Vec<_>>(),
            [(0, 50), (0, 80), (0, 110)]
        );
        let table = run(&[vehicle(140)], &found, &ventmile_model::usage::Settings::default()).unwrap();
        assert!(table.ventmile.median_abs_error < 1e-6 && table.all_history.mean_pinball < 1e-6, "{table:?}");
    }
}
