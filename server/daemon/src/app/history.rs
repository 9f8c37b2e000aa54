//! What has happened to a car: its services, orders, moves and times off the road.

use super::App;
use crate::store::{LogFilter, OffRoadRecord, OrderRecord, ServiceRecord, Stay, StoreError, VehicleRecord};

/// More rows of one kind than a car ever has.
const ALL: i64 = 10_000;

/// What has happened to a car, each in order of time.
#[derive(Clone, Debug, Default)]
pub struct History {
    /// Services that are not void.
    pub services: Vec<ServiceRecord>,
    /// Work orders, open and closed.
    pub orders: Vec<OrderRecord>,
    /// Where it has been stationed.
    pub stays: Vec<Stay>,
    /// Times off the road.
    pub off_road: Vec<OffRoadRecord>,
}

impl App {
    /// What has happened to a car; of its orders those that the key may see.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn history(&self, car: &VehicleRecord, key_depots_of: Option<i64>) -> Result<History, StoreError> {
        let all = LogFilter {
            vehicle_id: car.id,
            from: i64::MIN,
            to: i64::MAX,
            after: (i64::MIN, String::new(), i64::MIN),
            limit: ALL,
        };
        let services = self.store.past_services(&all).await?;
        Ok(History {
            services: services.into_iter().filter(|service| service.voided_at.is_none()).collect(),
            orders: self.store.orders_of(car.id, key_depots_of).await?,
            stays: self.store.stays(car.id).await?,
            off_road: self.store.off_road(car.id).await?,
        })
    }
}
