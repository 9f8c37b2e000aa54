//! Refit: what the fleet's own past windows say about the days ahead, learned in the background and used by recast.

use std::sync::{Mutex, PoisonError};

use chrono::TimeDelta;
use ventmile_model::duty;
use ventmile_model::fleet::Meter;
use ventmile_model::usage::{self, Fits, Record, Snapshot, cuts_until, day_number};

use super::App;
use super::assess::{all_readings, track_of, zone_on};
use crate::store::{CarLogs, Claim, FitRecord, StoreError};

/// Cars that a fit is learned from, at most.
pub(super) const SAMPLE: usize = 1_000;

/// Cars loaded at a time.
const BATCH: usize = 100;

/// A fit is used for so long before the next one is made.
const RENEW_AFTER: TimeDelta = TimeDelta::hours(24);

/// The newest fits, read from the store.
#[derive(Debug, Default)]
pub struct LatestFits(Mutex<Fits>);

impl LatestFits {
    /// The fits last read; the defaults of the model before that, or where none is stored.
    #[must_use]
    pub fn get(&self) -> Fits {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn set(&self, records: &[FitRecord]) {
        let mut fits = Fits::default();
        for record in records {
            match record.meter {
                Meter::Distance => fits.metres = record.coefficients,
                Meter::Hours => fits.hours = record.coefficients,
                Meter::Days => {}
            }
        }
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = fits;
    }
}

/// Snapshots of both meters, car by car.
type Histories = [Vec<Vec<Option<Snapshot>>>; 2];

impl App {
    /// Reads the newest fits, which another process may have made.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn refresh_fits(&self) -> Result<(), StoreError> {
        self.fits.set(&self.store.latest_fits().await?);
        Ok(())
    }

    /// Makes a new fit where there is none or the newest is a day old; whether it did.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn refit_when_due(&self) -> Result<bool, StoreError> {
        let newest = self.store.latest_fits().await?.iter().map(|fit| fit.made_at).max();
        if newest.is_some_and(|made| self.now() - made < RENEW_AFTER) {
            return Ok(false);
        }
        Ok(!self.refit().await?.is_empty())
    }

    /// Fits the lines of both meters on the windows of the last year of at most a thousand cars, and keeps them; nothing
    /// is kept while no window has ended. Cars already recast keep their dates until they are recast anew, by a new
    /// reading or a new day.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails: nothing is kept then.
    pub async fn refit(&self) -> Result<Vec<FitRecord>, StoreError> {
        let now = self.now();
        let cuts = cuts_until(day_number(now.date_naive()) - 1);
        let mut histories = Histories::default();
        for ids in self.store.sample_of_vehicles(SAMPLE).await?.chunks(BATCH) {
            let claims: Vec<Claim> = ids.iter().copied().map(Claim::unclaimed).collect();
            let cars = self.cars(&claims).await?;
            let (app, cuts) = (self.clone(), cuts.clone());
            let batch = tokio::task::spawn_blocking(move || app.histories(&cars, &cuts)).await;
            let [metres, hours] = batch.map_err(|_| StoreError::Stopped)?;
            let [all_metres, all_hours] = &mut histories;
            all_metres.extend(metres);
            all_hours.extend(hours);
        }
        let fit = tokio::task::spawn_blocking(move || {
            let [metres, hours] = histories;
            [(Meter::Distance, metres), (Meter::Hours, hours)].map(|(meter, fleet)| {
                let record = Record::gather(&fleet);
                let cars = fleet.iter().filter(|car| car.iter().any(Option::is_some)).count();
                FitRecord { meter, made_at: now, cars, windows: record.rows.len(), coefficients: record.fit() }
            })
        });
        let fits = fit.await.map_err(|_| StoreError::Stopped)?;
        let learned: Vec<FitRecord> = fits.into_iter().filter(|fit| fit.windows > 0).collect();
        self.store.save_fits(&learned).await?;
        self.refresh_fits().await?;
        Ok(learned)
    }

    fn histories(&self, cars: &[CarLogs], cuts: &[i64]) -> Histories {
        let mut histories = Histories::default();
        let [all_metres, all_hours] = &mut histories;
        for logs in cars {
            let track = track_of(logs, &all_readings(logs), self.now(), &self.settings);
            let days = duty::days(&logs.duty, &logs.seats, |day| zone_on(logs, day));
            let [metres, hours] = usage::history(&track, &days, &logs.off_road, logs.zone, cuts);
            all_metres.push(metres);
            all_hours.push(hours);
        }
        histories
    }
}
