//! What the fleet's own past says about the days ahead, and the cars it is learned from.

use chrono::{DateTime, Utc};
use ventmile_model::fleet::Meter;
use ventmile_model::usage::Coefficients;

use super::values::{instant, micros};
use super::{Result, Store, StoreError, read, within};

/// The lines of one meter, fitted at one time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FitRecord {
    /// Distance or hours.
    pub meter: Meter,
    /// When it was made.
    pub made_at: DateTime<Utc>,
    /// Cars it was learned from.
    pub cars: usize,
    /// Their windows that had ended.
    pub windows: usize,
    /// The lines.
    pub coefficients: Coefficients,
}

type Row = (String, i64, i64, i64, String);

const ADD: &str = "INSERT INTO usage_fits (meter, made_us, cars, windows, lines) VALUES ($1, $2, $3, $4, $5)";
const LATEST: &str = "SELECT meter, made_us, cars, windows, lines FROM usage_fits
    WHERE id IN (SELECT max(id) FROM usage_fits GROUP BY meter) ORDER BY meter";
const VEHICLE_IDS: &str = "SELECT id FROM vehicles ORDER BY id";

fn fit((meter, made, cars, windows, lines): Row) -> Result<FitRecord> {
    let known = [Meter::Distance, Meter::Hours].into_iter().find(|known| known.as_str() == meter);
    let parsed = serde_json::from_str(&lines).map_err(|_| StoreError::bad_row("usage_fits.lines", &lines))?;
    Ok(FitRecord {
        meter: super::values::known("usage_fits.meter", &meter, known)?,
        made_at: instant("usage_fits.made_us", made)?,
        cars: usize::try_from(cars).unwrap_or_default(),
        windows: usize::try_from(windows).unwrap_or_default(),
        coefficients: Coefficients { lines: parsed },
    })
}

impl Store {
    /// Keeps fits; the newest of a meter is the one in use.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails: none is kept then.
    pub async fn save_fits(&self, fits: &[FitRecord]) -> Result<()> {
        let mut tx = self.begin().await?;
        for fit in fits {
            let lines = serde_json::to_string(&fit.coefficients.lines).unwrap_or_default();
            within!(&mut tx, c => sqlx::query(ADD).bind(fit.meter.as_str()).bind(micros(fit.made_at))
                .bind(fit.cars as i64).bind(fit.windows as i64).bind(&lines).execute(c).await.map(drop))?;
        }
        tx.commit().await
    }

    /// The newest fit of each meter that has one.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn latest_fits(&self) -> Result<Vec<FitRecord>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(LATEST).fetch_all(pool).await)?;
        rows.into_iter().map(fit).collect()
    }

    /// At most `limit` cars, evenly spread over all by their number, retired ones among them: their past counts too.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn sample_of_vehicles(&self, limit: usize) -> Result<Vec<i64>> {
        let ids: Vec<i64> = read!(self, pool => sqlx::query_scalar(VEHICLE_IDS).fetch_all(pool).await)?;
        let stride = ids.len().div_ceil(limit.max(1)).max(1);
        Ok(ids.into_iter().step_by(stride).collect())
    }
}
