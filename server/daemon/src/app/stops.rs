//! Confirmed codes on which a car is stopped at once.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use ventmile_model::fleet::{CodeLog, CodeState, Trips, TroubleCode};
use ventmile_model::work::{StopNotice, stop_notice};

use super::App;
use crate::store::{StopCodes, StoreError};

/// A code on which a car is stopped, since when, and what is to be done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stop {
    /// The code.
    pub code: String,
    /// Since when it is confirmed.
    pub since: DateTime<Utc>,
    /// What it means and what to do.
    pub notice: StopNotice,
}

impl Stop {
    /// The notice as one line.
    #[must_use]
    pub fn line(&self) -> String {
        format!("STOP: {} since {}: {}; {}", self.code, self.since, self.notice.means, self.notice.does)
    }
}

/// Those of a car's codes that are confirmed at `now` and stop it.
#[must_use]
pub fn standing_stops(codes: &[TroubleCode], zone: Tz, now: DateTime<Utc>) -> Vec<Stop> {
    // Trips decide only what a cleared code means; these stop a car while they are confirmed.
    let none = BTreeMap::new();
    let log = CodeLog::fold(codes, Trips { by_day: &none, zone }, now);
    let stop = |(code, standing): (ventmile_model::fleet::Code, ventmile_model::fleet::Standing)| {
        let code = code.to_string();
        let notice = stop_notice(&code).filter(|_| standing.state == CodeState::Confirmed)?;
        Some(Stop { code, since: standing.since, notice })
    };
    log.standings().filter_map(stop).collect()
}

impl App {
    /// Cars that are to be stopped at once, with why.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn stopped_cars(
        &self,
        depot: Option<&str>,
        key_depots_of: Option<i64>,
    ) -> Result<Vec<(StopCodes, Vec<Stop>)>, StoreError> {
        let now = self.now();
        let cars = self.store.stop_codes(depot, key_depots_of).await?;
        let with_stops = cars.into_iter().map(|car| {
            let stops = standing_stops(&car.codes, car.zone, now);
            (car, stops)
        });
        Ok(with_stops.filter(|(_, stops)| !stops.is_empty()).collect())
    }
}
