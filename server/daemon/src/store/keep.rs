//! Housekeeping: what may be forgotten, and how a database stands.

use std::path::Path;

use chrono::{DateTime, TimeDelta, Utc};

use super::books::micros_of_day;
use super::values::{day_number, micros};
use super::{Result, Store, Tx, stale, within};

/// How many rows a sweep took away.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Swept {
    /// Answers kept by idempotency key.
    pub answers: u64,
    /// Log rows.
    pub log_rows: u64,
}

const OLD_ANSWERS: &str = "DELETE FROM idempotency_keys WHERE created_us < $1";

/// Rows since a car's last fan service stay whatever their age; a car without one keeps all its rows.
macro_rules! old_rows {
    ($table:literal, $column:literal, $scale:literal) => {
        concat!(
            "DELETE FROM ",
            $table,
            " WHERE ",
            $column,
            " < $1 / ",
            $scale,
            " AND ",
            $column,
            " < (
                SELECT coalesce(max(at_us), 0) / ",
            $scale,
            " FROM past_services s
                WHERE s.vehicle_id = ",
            $table,
            ".vehicle_id AND s.kind IN ('fan-service', 'pack-replacement') AND s.voided_us IS NULL)"
        )
    };
}

const OLD_ROWS: [&str; 3] = [
    old_rows!("odometer_readings", "at_us", "1"),
    old_rows!("duty_logs", "day", "86400000000"),
    old_rows!("seat_logs", "day", "86400000000"),
];

/// The cars that lose rows: what a recast of them rests on is no longer what it was.
const LOSING_ROWS: &str = stale!(
    "SELECT v.id, $2, $2, 0, -1000000 FROM vehicles v
        JOIN (SELECT vehicle_id, max(at_us) AS at_us FROM past_services
            WHERE kind IN ('fan-service', 'pack-replacement') AND voided_us IS NULL GROUP BY vehicle_id) s
        ON s.vehicle_id = v.id
    WHERE EXISTS (SELECT 1 FROM odometer_readings l WHERE l.vehicle_id = v.id AND l.at_us < $1 AND l.at_us < s.at_us)
        OR EXISTS (SELECT 1 FROM duty_logs l
            WHERE l.vehicle_id = v.id AND l.day < $1 / 86400000000 AND l.day < s.at_us / 86400000000)
        OR EXISTS (SELECT 1 FROM seat_logs l
            WHERE l.vehicle_id = v.id AND l.day < $1 / 86400000000 AND l.day < s.at_us / 86400000000)
    ORDER BY v.id"
);

impl Store {
    /// Forgets answers from before `answers` and log rows older than `logs`, where that is set.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails.
    pub async fn sweep(&self, now: DateTime<Utc>, answers: DateTime<Utc>, logs: Option<TimeDelta>) -> Result<Swept> {
        let mut tx = self.begin().await?;
        if let Tx::Postgres(inner) = &mut tx {
            sqlx::query("SET LOCAL statement_timeout = 0").execute(&mut **inner).await?;
        }
        let answers = within!(&mut tx, c => sqlx::query(OLD_ANSWERS).bind(micros(answers))
            .execute(c).await.map(|done| done.rows_affected()))?;
        let mut swept = Swept { answers, log_rows: 0 };
        if let Some(logs) = logs {
            // By whole days, so that a car loses rows, and is recast for it, once a day at most.
            let before = micros_of_day(day_number((now - logs).date_naive()));
            within!(&mut tx, c => sqlx::query(LOSING_ROWS).bind(before).bind(micros(now))
                .execute(c).await.map(drop))?;
            for sql in OLD_ROWS {
                swept.log_rows += within!(&mut tx, c => sqlx::query(sql).bind(before)
                    .execute(c).await.map(|done| done.rows_affected()))?;
            }
        }
        tx.commit().await?;
        Ok(swept)
    }
}

const STEPS_DONE: &str = "SELECT count(*) FROM _sqlx_migrations";

impl Store {
    /// Says whether the database at `address` can be used, without changing it.
    ///
    /// # Errors
    /// [`super::StoreError`] when it cannot be reached.
    pub async fn inspect(address: &str) -> Result<String> {
        let known = super::migration_files().len() as i64;
        if let Some(path) = address.strip_prefix("sqlite:")
            && !Path::new(path).exists()
        {
            return Ok("not there yet; it is made at the first start".to_owned());
        }
        let store = Self::connect(address, 1, None).await?;
        let done: std::result::Result<i64, sqlx::Error> =
            super::read!(store, pool => sqlx::query_scalar(STEPS_DONE).fetch_one(pool).await);
        store.close().await;
        Ok(match done {
            Err(_) => "it can be reached; its tables are made at the first start".to_owned(),
            Ok(done) if done == known => format!("ready, {done} of {known} migrations done"),
            Ok(done) if done < known => {
                format!("{done} of {known} migrations done; the rest are done at the first start")
            }
            Ok(done) => format!("{done} migrations done, this program knows {known}: use a newer one"),
        })
    }
}
