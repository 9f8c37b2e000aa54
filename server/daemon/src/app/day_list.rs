//! The dispatcher's list of a day: which cars to bring in, which to read or inspect.

use chrono::NaiveDate;

use super::App;
use super::item::Item;
use crate::store::{ListFilter, ListRow, OrderFilter, OrderRecord, StoreError};

/// More cars than one depot has open at once; the list of a day is never cut.
const WHOLE: i64 = 1_000_000;

/// A depot's list of one day.
#[derive(Debug)]
pub struct DayList {
    /// Open orders whose car is to come in by that day, most urgent first.
    pub bring_in: Vec<OrderRecord>,
    /// Cars nobody knows enough about: unknown or silent, with what is known.
    pub look_at: Vec<(ListRow, Item)>,
}

impl App {
    /// The list of `date` at a depot, or at all the key may see.
    ///
    /// A car is to be brought in when an order is open for it, it is not off the road, and its early edge is reached
    /// by then at 50 %. Unknown and silent cars are to be looked at whatever the date.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn day_list(
        &self,
        date: NaiveDate,
        depot: Option<String>,
        key_depots_of: Option<i64>,
    ) -> Result<DayList, StoreError> {
        let orders = OrderFilter {
            open: Some(true),
            depot: depot.clone(),
            key_depots_of,
            now: self.now(),
            limit: WHOLE,
            ..OrderFilter::default()
        };
        let due = |order: &OrderRecord| match order.item.as_deref().map(serde_json::from_str::<Item>) {
            // Raised by hand for a job that has no forecast: it waits from the day it was raised.
            None => order.created_at.date_naive() <= date,
            Some(Err(_)) => true,
            Some(Ok(item)) => {
                let [_, early, _] = item.early;
                !item.off_road && item.band != "unknown" && early.is_some_and(|early| early <= date)
            }
        };
        let bring_in = self.store.orders(&orders).await?.into_iter().filter(due).collect();
        let lists = ListFilter { depot, key_depots_of, limit: WHOLE, ..ListFilter::default() };
        let rows = self.store.list_forecasts(&lists).await?;
        let mut look_at = Vec::new();
        for row in rows.into_iter().take_while(|row| row.position.rank < 2) {
            let item: Item = serde_json::from_str(&row.item)
                .map_err(|fault| StoreError::BadRow { column: "forecasts.item", value: fault.to_string() })?;
            if !item.off_road {
                look_at.push((row, item));
            }
        }
        Ok(DayList { bring_in, look_at })
    }
}
