//! The dispatcher's list of a day: which cars to stop, who is planned, which to bring in, when they are back.

use std::ops::RangeInclusive;

use chrono::{DateTime, Days, NaiveDate, Utc};
use ventmile_model::fleet::{Status, local_day};

use super::App;
use super::item::Item;
use super::stops::Stop;
use crate::store::{AwayRecord, ListFilter, ListRow, OrderFilter, OrderRecord, StopCodes, StoreError, WindowRecord};

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

/// A day's list as the dispatcher works by it, with what goes on from before and what comes next.
#[derive(Debug)]
pub struct DaySheet {
    /// The list of the day.
    pub list: DayList,
    /// Orders at work that are not planned for the day and are not expected to end before it.
    pub goes_on: Vec<OrderRecord>,
    /// Orders whose car is expected back that day, by time.
    pub done: Vec<OrderRecord>,
    /// Cars whose time off the road ended the day before.
    pub back: Vec<AwayRecord>,
    /// The days that follow.
    pub ahead: Vec<DayAhead>,
    /// Days on which cars can be spared, from that day on.
    pub spare: Vec<WindowRecord>,
}

/// A day to come.
#[derive(Debug)]
pub struct DayAhead {
    /// The day.
    pub date: NaiveDate,
    /// Open orders planned for it, by time and bay.
    pub slots: Vec<OrderRecord>,
    /// Open orders without a slot whose car reaches its early edge that day.
    pub due: Vec<OrderRecord>,
    /// Units that come back that day: off the road until the day before, or from work.
    pub back: Vec<String>,
    /// Cars off the road.
    pub away: usize,
}

/// Days that a sheet looks ahead.
pub const DAYS_AHEAD: u64 = 7;

/// When an order's car will be back: as told last, else the end of its slot.
#[must_use]
pub fn expected_back(record: &OrderRecord) -> Option<DateTime<Utc>> {
    let order = &record.order;
    let told = order.back.as_ref().map(|back| back.at);
    told.or_else(|| order.plan.as_ref().map(|plan| plan.ends_at(record.zone)))
}

fn planned_on(record: &OrderRecord, date: NaiveDate) -> bool {
    record.order.plan.as_ref().is_some_and(|plan| plan.on == date)
}

fn back_on(record: &OrderRecord, date: NaiveDate) -> bool {
    expected_back(record).is_some_and(|at| local_day(at, record.zone) == date)
}

/// Whether a car's last day off the road was the one before.
fn returns(away: &AwayRecord, date: NaiveDate) -> bool {
    let off = &away.time.off_road;
    let first_back = off.to.and_then(|to| to.succ_opt());
    !off.safety_hold && !away.time.released && first_back == Some(date)
}

/// Open orders planned for these days, by day, time and bay.
fn slots_of(open: &[OrderRecord], days: &RangeInclusive<NaiveDate>) -> Vec<OrderRecord> {
    let planned = |order: &&OrderRecord| order.order.plan.as_ref().is_some_and(|plan| days.contains(&plan.on));
    let mut slots: Vec<OrderRecord> = open.iter().filter(planned).cloned().collect();
    slots.sort_by_key(|order| order.order.plan.as_ref().map(|plan| (plan.on, plan.start, plan.bay)));
    slots
}

fn day_ahead(date: NaiveDate, open: &[OrderRecord], away: &[AwayRecord]) -> DayAhead {
    let before = date.pred_opt().unwrap_or(date);
    let comes = |order: &&OrderRecord| order.order.plan.is_none() && due(order, date) && !due(order, before);
    let from_work = open.iter().filter(|order| back_on(order, date)).map(|order| order.unit.clone());
    let from_off = away.iter().filter(|car| returns(car, date)).map(|car| car.unit.clone());
    let mut back: Vec<String> = from_work.chain(from_off).collect();
    back.sort();
    back.dedup();
    DayAhead {
        date,
        slots: slots_of(open, &(date..=date)),
        due: open.iter().filter(comes).cloned().collect(),
        back,
        away: away.iter().filter(|car| car.time.covers(date)).count(),
    }
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
        let open = self.open_orders(depot.as_deref(), key_depots_of).await?;
        self.list_of(span, &open, depot, key_depots_of).await
    }

    /// A day's list with what goes on from before, what is back that day and what the days after it bring.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn day_sheet(
        &self,
        date: NaiveDate,
        depot: Option<&str>,
        key_depots_of: Option<i64>,
    ) -> Result<DaySheet, StoreError> {
        let open = self.open_orders(depot, key_depots_of).await?;
        let list = self.list_of(&DaySpan::of(date), &open, depot.map(str::to_owned), key_depots_of).await?;
        let later = |days| date.checked_add_days(Days::new(days)).unwrap_or(date);
        let before = date.pred_opt().unwrap_or(date);
        let away = self.store.cars_away(before..=later(DAYS_AHEAD), depot, key_depots_of).await?;
        let mut done: Vec<OrderRecord> = open.iter().filter(|order| back_on(order, date)).cloned().collect();
        done.sort_by_key(expected_back);
        let now = self.now();
        let at_work = |order: &&OrderRecord| {
            let ends = expected_back(order).filter(|at| *at > now).map(|at| local_day(at, order.zone));
            order.order.status == Status::InProcess && !planned_on(order, date) && ends.is_none_or(|day| day >= date)
        };
        Ok(DaySheet {
            list,
            goes_on: open.iter().filter(at_work).cloned().collect(),
            done,
            ahead: (1..=DAYS_AHEAD).map(|days| day_ahead(later(days), &open, &away)).collect(),
            back: away.into_iter().filter(|car| returns(car, date)).collect(),
            spare: self.store.standing_windows(date, depot, key_depots_of).await?,
        })
    }

    async fn open_orders(
        &self,
        depot: Option<&str>,
        key_depots_of: Option<i64>,
    ) -> Result<Vec<OrderRecord>, StoreError> {
        let filter = OrderFilter {
            open: Some(true),
            depot: depot.map(str::to_owned),
            key_depots_of,
            now: self.now(),
            limit: WHOLE,
            ..OrderFilter::default()
        };
        self.store.orders(&filter).await
    }

    async fn list_of(
        &self,
        span: &DaySpan,
        open: &[OrderRecord],
        depot: Option<String>,
        key_depots_of: Option<i64>,
    ) -> Result<DayList, StoreError> {
        let stops = self.stopped_cars(depot.as_deref(), key_depots_of).await?;
        let away = self.store.cars_away(span.by..=span.by, depot.as_deref(), key_depots_of).await?;
        let slots = slots_of(open, &span.slots);
        let bring_in = open.iter().filter(|order| due(order, span.by)).cloned().collect();
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
