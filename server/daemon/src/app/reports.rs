//! Reports: were services done inside their window, and how often does cooling fail.

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate, TimeDelta};
use serde::Serialize;
use ventmile_model::due::Band;
use ventmile_model::fleet::{Completion, Kind, Metres, Reading, WindowSet, local_day};
use ventmile_model::wear::{History, Recurrence, recurrences};

use super::App;
use super::assess::{Interval, SOURCE_SERVICE, Terms, assess};
use super::forecasts::{ALL_RULES, rule_for, rule_of};
use crate::store::{AwayRecord, CarLogs, DoneService, Judged, ReportFilter, StoreError, WatchedCar};

/// Where in their windows services were done.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Shares {
    /// Before the early edge.
    pub before: u64,
    /// Inside.
    pub inside: u64,
    /// Past the late edge.
    pub past: u64,
    /// Nothing to count from, or no odometer.
    pub unknown: u64,
}

/// How often cooling fails.
#[derive(Clone, Debug, PartialEq)]
pub struct Failures {
    /// Cars watched.
    pub cars: usize,
    /// Days all of them were watched, added up.
    pub car_days: f64,
    /// Faults meanwhile.
    pub faults: usize,
    /// The mean cumulative function by a car's days in service.
    pub steps: Vec<Recurrence>,
}

impl Failures {
    /// Days between faults in the mean; `None` without any fault.
    #[must_use]
    pub fn days_between(&self) -> Option<f64> {
        (self.faults > 0).then(|| self.car_days / self.faults as f64)
    }
}

enum Place {
    Before,
    Inside,
    Past,
}

impl Place {
    /// Reads a place as it was kept; `None` where it was unknown.
    fn parse(text: &str) -> Option<Self> {
        let bands = [(Band::Before, Self::Before), (Band::Inside, Self::Inside), (Band::Past, Self::Past)];
        bands.into_iter().find(|(band, _)| band.as_str() == text).map(|(_, place)| place)
    }
}

/// Where in its window a service was done, by distance and days, whichever was further.
fn place(windows: &WindowSet, metres: Option<Metres>, days: i64) -> Option<Place> {
    let distance = windows.distance.zip(metres).map(|(window, gone)| (gone >= window.early, gone > window.late));
    let time = windows.days.map(|window| (days >= window.early, days > window.late));
    let reached = [distance, time].into_iter().flatten();
    reached.reduce(|one, other| (one.0 || other.0, one.1 || other.1)).map(|reached| match reached {
        (_, true) => Place::Past,
        (true, false) => Place::Inside,
        (false, false) => Place::Before,
    })
}

impl Shares {
    fn count(&mut self, place: Option<Place>) {
        match place {
            Some(Place::Before) => self.before += 1,
            Some(Place::Inside) => self.inside += 1,
            Some(Place::Past) => self.past += 1,
            None => self.unknown += 1,
        }
    }
}

/// What of a service's place in its window is kept; distances are metres.
#[derive(Serialize)]
struct Numbers<'a> {
    rule: &'a str,
    rule_version: i64,
    grade: &'static str,
    since: NaiveDate,
    metres: i64,
    hours: f64,
    metres_window: Option<[i64; 2]>,
    hours_window: Option<[f64; 2]>,
    days_window: Option<[i64; 2]>,
}

/// Where a service was done, counted from the one before it in the same car, or from a new car's start.
fn interval(before: Option<&DoneService>, done: &DoneService) -> Option<(Option<Metres>, i64)> {
    let day = |service: &DoneService| local_day(service.at, service.zone);
    let (since, from) = match before.filter(|before| before.vehicle_id == done.vehicle_id) {
        Some(before) => (day(before), before.odometer),
        None => done.in_service.map(|(on, metres)| (on, Some(metres)))?,
    };
    let gone = from.zip(done.odometer).map(|(from, to)| to - from);
    Some((gone, (day(done) - since).num_days()))
}

fn history(car: &WatchedCar, today: NaiveDate) -> Option<(History, usize)> {
    let age = |day: NaiveDate| (day - car.in_service_on).num_days() as f64;
    let start = age(car.since.date_naive()).max(0.0);
    let end = age(car.retired_on.unwrap_or(today)) + 1.0;
    let ages = car.faults.iter().map(|at| age(at.date_naive()) + 0.5);
    let events: Vec<f64> = ages.filter(|age| *age > start && *age <= end).collect();
    let count = events.len();
    (start < end).then_some((History { start, end, events }, count))
}

impl App {
    /// Where in its window a fan service is that was done so: by the rule, the grade and the duty hours as they stand, with the
    /// car at its odometer. `None` where no rule is there.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn judge_service(
        &self,
        mut logs: CarLogs,
        done: &Completion,
        odometer: Metres,
    ) -> Result<Option<Judged>, StoreError> {
        let rules = self.store.rules("", None, ALL_RULES).await?;
        let Some(rule) = rule_for(&rules, Kind::FanService, &logs) else { return Ok(None) };
        let usual = self.store.usual(logs.depot_id).await?;
        logs.readings.push(Reading { at: done.at, odometer, source: SOURCE_SERVICE, ruling: None });
        let fits = self.fits.get();
        let terms = Terms { rule: &rule.rule, usual, elsewhere: &[], fits: &fits, tried: None };
        let found = assess(&logs, &terms, done.at, &self.settings);
        let numbers = found.interval.as_ref().map(|Interval { position, windows, .. }| Numbers {
            rule: &rule.code,
            rule_version: rule.version,
            grade: found.grading.grade.as_str(),
            since: position.service_on,
            metres: position.metres_since.0,
            hours: position.hours_since,
            metres_window: windows.distance.map(|window| [window.early.0, window.late.0]),
            hours_window: windows.hours.map(|window| [window.early.0, window.late.0]),
            days_window: windows.days.map(|window| [window.early, window.late]),
        });
        let numbers = serde_json::to_string(&numbers).unwrap_or_default();
        Ok(Some(Judged { place: found.band().as_str(), numbers }))
    }

    /// Cars that are off the road today, by the calendar of each car's depot.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn cars_away_today(
        &self,
        depot: Option<&str>,
        key_depots_of: Option<i64>,
    ) -> Result<Vec<AwayRecord>, StoreError> {
        let (now, day) = (self.now(), TimeDelta::days(1));
        let anywhere = (now - day).date_naive()..=(now + day).date_naive();
        let mut away = self.store.cars_away(anywhere, depot, key_depots_of).await?;
        away.retain(|car| car.time.covers(local_day(now, car.zone)));
        Ok(away)
    }

    /// Where in their windows fan services were done, by depot and month, as it was found when the order was completed. A
    /// service that was only logged is held against the window of hard duty as the rule stands now, by distance and days.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn service_shares(
        &self,
        filter: &ReportFilter,
    ) -> Result<BTreeMap<(String, NaiveDate), Shares>, StoreError> {
        let rules = self.store.rules("", None, i64::MAX).await?;
        let services = self.store.done_services(filter).await?;
        let mut shares: BTreeMap<(String, NaiveDate), Shares> = BTreeMap::new();
        let before = std::iter::once(None).chain(services.iter().map(Some));
        for (before, done) in before.zip(&services) {
            let day = local_day(done.at, done.zone);
            let month = day.with_day(1).unwrap_or(day);
            let rule = rule_of(&rules, Kind::FanService, &done.depot, done.model.as_deref());
            let by_rule = || {
                let (rule, (metres, days)) = rule.zip(interval(before, done))?;
                place(&rule.rule.hard, metres, days)
            };
            let place = done.place.as_deref().map_or_else(by_rule, Place::parse);
            if !done.shown {
                continue;
            }
            shares.entry((done.depot.clone(), month)).or_default().count(place);
        }
        Ok(shares)
    }

    /// How often cooling fails: orders for a cooling check that were raised while the car was in the register and not cancelled.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn failures(&self, filter: &ReportFilter) -> Result<Failures, StoreError> {
        let today = self.now().date_naive();
        let cars = self.store.watched_cars(filter).await?;
        let watched: Vec<(History, usize)> = cars.iter().filter_map(|car| history(car, today)).collect();
        let histories: Vec<History> = watched.iter().map(|(history, _)| history.clone()).collect();
        let steps = recurrences(&histories)
            .map_err(|fault| StoreError::BadRow { column: "vehicles", value: fault.to_string() })?;
        Ok(Failures {
            cars: histories.len(),
            car_days: histories.iter().map(|history| history.end - history.start).sum(),
            faults: watched.iter().map(|(_, count)| count).sum(),
            steps,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ventmile_model::fleet::Window;

    #[test]
    fn edges_belong_to_the_window() {
        let windows = WindowSet {
            distance: Some(Window { early: Metres(20), late: Metres(25) }),
            days: Some(Window { early: 100, late: 200 }),
            ..WindowSet::default()
        };
        let found = |metres: i64, days| match place(&windows, Some(Metres(metres)), days) {
            Some(Place::Before) => "before",
            Some(Place::Inside) => "inside",
            Some(Place::Past) => "past",
            None => "unknown",
        };
        for (metres, days, expected) in [
            (19, 99, "before"),
            (20, 0, "inside"),
            (25, 0, "inside"),
            (26, 0, "past"),
            (0, 100, "inside"),
            (0, 201, "past"),
            (20, 201, "past"),
        ] {
            assert_eq!(found(metres, days), expected, "{metres} {days}");
        }
        assert!(place(&WindowSet::default(), Some(Metres(1)), 1).is_none());
    }
}
