//! The dispatcher's list of a day: which cars to stop, who is planned, which to bring in, when they are back.

use std::ops::RangeInclusive;

use chrono::{Days, NaiveDate};

use super::App;
use super::item::Item;
use super::stops::Stop;
use crate::store::{AwayRecord, ListFilter, ListRow, OrderFilter, OrderRecord, StopCodes, StoreError};

/// More cars than one depot has open at once; the list of a day is never cut.
pub(super) const WHOLE: i64 = 1_000_000;

/// Which days a calendar shows around today: slots that have gone by, cars to bring in, slots to come.
const PAST_SLOTS: Days = Days::new(7);
const BRING_IN: Days = Days::new(7);
const COMING_SLOTS: Days = Days::new(365);

/// What a list covers.
#[derive(Clone, Debug)]
pub struct DaySpan {
    /// Days whose planned slots are shown.
    pub slots: RangeInclusive<NaiveDate>,
    /// Cars to be brought in by this day are shown.
    pub by: NaiveDate,
}

impl DaySpan {
    /// One day.
    #[must_use]
    pub const fn of(date: NaiveDate) -> Self {
        Self { slots: date..=date, by: date }
    }

    /// What a calendar shows on a day.
    #[must_use]
    pub fn around(today: NaiveDate) -> Self {
        let first = today.checked_sub_days(PAST_SLOTS).unwrap_or(today);
        let later = |days| today.checked_add_days(days).unwrap_or(today);
        Self { slots: first..=later(COMING_SLOTS), by: later(BRING_IN) }
    }
}

/// A depot's list of one day.
#[derive(Debug)]
pub struct DayList {
    /// Cars to be stopped at once.
    pub stops: Vec<(StopCodes, Vec<Stop>)>,
    /// Open orders planned for the day, by day and time.
    pub slots: Vec<OrderRecord>,
    /// Open orders whose car is to come in by that day, most urgent first.
    pub bring_in: Vec<OrderRecord>,
    /// Cars nobody knows enough about: unknown or silent, with what is known.
    pub look_at: Vec<(ListRow, Item)>,
    /// Cars off the road that day.
    pub away: Vec<AwayRecord>,
}

/// Whether the car of an order is to be brought in by a day.
fn due(order: &OrderRecord, by: NaiveDate) -> bool {
    match order.item.as_deref().map(serde_json::from_str::<Item>) {
        // Raised by hand for a job that has no forecast: it waits from the day it was raised.
        None => order.created_at.date_naive() <= by,
        Some(Err(_)) => true,
        Some(Ok(item)) => {
            let [_, early, _] = item.early;
            !item.off_road && item.band != "unknown" && early.is_some_and(|early| early <= by)
        }
    }
}

impl App {
    /// The list of a day at a depot, or at all the key may see.
    ///
    /// A car is to be brought in when an order is open for it, it is not off the road, and its early edge is reached
    /// by then at 50 %. Unknown and silent cars are to be looked at whatever the date, and codes that stop a car stop it.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn day_list(
        &self,
        span: &DaySpan,
        depot: Option<String>,
        key_depots_of: Option<i64>,
    ) -> Result<DayList, StoreError> {
        let stops = self.stopped_cars(depot.as_deref(), key_depots_of).await?;
        let away = self.store.cars_away(span.by..=span.by, depot.as_deref(), key_depots_of).await?;
        let orders = OrderFilter {
            open: Some(true),
            depot: depot.clone(),
            key_depots_of,
            now: self.now(),
            limit: WHOLE,
            ..OrderFilter::default()
        };
        let open = self.store.orders(&orders).await?;
        let planned =
            |order: &&OrderRecord| order.order.plan.as_ref().is_some_and(|plan| span.slots.contains(&plan.on));
        let mut slots: Vec<OrderRecord> = open.iter().filter(planned).cloned().collect();
        slots.sort_by_key(|order| order.order.plan.as_ref().map(|plan| (plan.on, plan.start, plan.bay)));
        let bring_in = open.into_iter().filter(|order| due(order, span.by)).collect();
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
        Ok(DayList { stops, slots, bring_in, look_at, away })
    }
}
