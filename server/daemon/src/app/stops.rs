//! Confirmed codes on which a car is stopped at once.

pub use ventmile_model::work::{Stop, standing_stops};

use super::App;
use crate::store::{StopCodes, StoreError};

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
