//! What an operator watches: how much waits to be done, and since when.

use chrono::{DateTime, Utc};

use super::values::instant;
use super::{Db, Result, Store, read};

/// Cars whose forecasts are to be made anew.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StaleCars {
    /// How many.
    pub cars: i64,
    /// Since when the first of them waits.
    pub since: Option<DateTime<Utc>>,
}

/// A depot's forecasts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ForecastAge {
    /// Code of the depot.
    pub depot: String,
    /// How many there are.
    pub forecasts: i64,
    /// When the oldest was made.
    pub oldest: DateTime<Utc>,
}

/// A depot's open orders of a kind.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OpenOrders {
    /// Code of the depot.
    pub depot: String,
    /// The job.
    pub kind: String,
    /// `needs-action` or `in-process`.
    pub status: String,
    /// How many there are.
    pub orders: i64,
    /// When the oldest was raised.
    pub oldest: DateTime<Utc>,
}

/// The database's connections.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Connections {
    /// Open and at work.
    pub busy: usize,
    /// Open and free.
    pub idle: usize,
}

const STALE: &str = "SELECT count(*), min(since_us) FROM stale_cars";
const FORECASTS: &str = "SELECT d.code, count(*), min(f.made_us) FROM forecasts f JOIN depots d ON d.id = f.depot_id
    GROUP BY d.code ORDER BY d.code";
const ORDERS: &str = "SELECT d.code, w.kind, w.status, count(*), min(w.created_us)
    FROM work_orders w JOIN depots d ON d.id = w.depot_id WHERE w.status IN ('needs-action', 'in-process')
    GROUP BY d.code, w.kind, w.status ORDER BY d.code, w.kind, w.status";

impl Store {
    /// How many cars are stale, and since when.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn stale_cars(&self) -> Result<StaleCars> {
        let (cars, since): (i64, Option<i64>) = read!(self, pool => sqlx::query_as(STALE).fetch_one(pool).await)?;
        Ok(StaleCars { cars, since: since.map(|at| instant("stale_cars.since_us", at)).transpose()? })
    }

    /// How old forecasts are, by depot.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn forecast_ages(&self) -> Result<Vec<ForecastAge>> {
        let rows: Vec<(String, i64, i64)> = read!(self, pool => sqlx::query_as(FORECASTS).fetch_all(pool).await)?;
        let age = |(depot, forecasts, oldest): (String, i64, i64)| {
            Ok(ForecastAge { depot, forecasts, oldest: instant("forecasts.made_us", oldest)? })
        };
        rows.into_iter().map(age).collect()
    }

    /// Open orders by depot, kind and status.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn open_orders(&self) -> Result<Vec<OpenOrders>> {
        let rows: Vec<(String, String, String, i64, i64)> =
            read!(self, pool => sqlx::query_as(ORDERS).fetch_all(pool).await)?;
        let open = |(depot, kind, status, orders, oldest): (String, String, String, i64, i64)| {
            Ok(OpenOrders { depot, kind, status, orders, oldest: instant("work_orders.created_us", oldest)? })
        };
        rows.into_iter().map(open).collect()
    }

    /// Connections by what they are for.
    #[must_use]
    pub fn connections(&self) -> Vec<(&'static str, Connections)> {
        let of = |open: u32, idle: usize| Connections { busy: (open as usize).saturating_sub(idle), idle };
        match &self.db {
            Db::Sqlite { read, write, .. } => {
                vec![("read", of(read.size(), read.num_idle())), ("write", of(write.size(), write.num_idle()))]
            }
            Db::Postgres(pool) => vec![("all", of(pool.size(), pool.num_idle()))],
        }
    }
}
