//! What was forecast, and what came of it.

use chrono::{DateTime, Datelike, NaiveDate, Utc};
use ventmile_model::fleet::{Kind, Metres};

use super::values::{date, day_number, instant, known, micros};
use super::{Result, Store, StoreError, Tx, read, within};

/// Mean and standard deviation of a day's metres, for a naive forecast.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DailyMetres {
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub sd: f64,
}

/// A forecast of one edge as it was made, and what came of it so far.
#[derive(Clone, Debug)]
pub struct PastForecast {
    /// The car.
    pub vehicle_id: i64,
    /// The job.
    pub kind: Kind,
    /// `early` or `late`.
    pub edge: String,
    /// Local day on which it was made.
    pub made_on: NaiveDate,
    /// The car's depot then.
    pub depot_id: i64,
    /// The reading it rested on.
    pub as_of: DateTime<Utc>,
    /// That reading's local day.
    pub as_of_day: NaiveDate,
    /// 10, 50 and 90 % dates.
    pub dates: [Option<NaiveDate>; 3],
    /// Distance left to the edge.
    pub left_metres: Option<Metres>,
    /// Duty hours left to the edge.
    pub left_hours: Option<f64>,
    /// Date of the edge in days.
    pub limit_on: Option<NaiveDate>,
    /// A day's metres over all history.
    pub all: Option<DailyMetres>,
    /// A day's metres over the last 28 days.
    pub recent: Option<DailyMetres>,
    /// Whether a plan still to come was told.
    pub told: bool,
    /// When the edge was passed.
    pub passed_on: Option<NaiveDate>,
    /// Up to when the car was followed.
    pub seen_on: NaiveDate,
}

/// Which past forecasts are scored.
#[derive(Clone, Debug)]
pub struct HindsightFilter {
    /// Only of this job.
    pub kind: Kind,
    /// Made on or after this day.
    pub from: NaiveDate,
    /// Made on or before this day.
    pub to: NaiveDate,
    /// Only of this depot.
    pub depot: Option<String>,
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
    /// At most so many, the newest.
    pub limit: i64,
}

#[derive(sqlx::FromRow)]
struct Row {
    vehicle_id: i64,
    kind: String,
    edge: String,
    made_day: i64,
    depot_id: i64,
    as_of_us: i64,
    as_of_day: i64,
    p10_day: Option<i64>,
    p50_day: Option<i64>,
    p90_day: Option<i64>,
    left_metres: Option<i64>,
    left_hours: Option<f64>,
    limit_day: Option<i64>,
    all_mean: Option<f64>,
    all_sd: Option<f64>,
    recent_mean: Option<f64>,
    recent_sd: Option<f64>,
    told: i64,
    passed_day: Option<i64>,
    seen_day: i64,
}

macro_rules! select {
    ($rest:literal) => {
        concat!(
            "SELECT p.vehicle_id, p.kind, p.edge, p.made_day, p.depot_id, p.as_of_us, p.as_of_day, p.p10_day, p.p50_day,
                p.p90_day, p.left_metres, p.left_hours, p.limit_day, p.all_mean, p.all_sd, p.recent_mean, p.recent_sd,
                p.told, p.passed_day, p.seen_day
            FROM past_forecasts p ",
            $rest
        )
    };
}

const OPEN_SQLITE: &str = select!("WHERE p.passed_day IS NULL AND p.vehicle_id IN (SELECT value FROM json_each($1))");
const OPEN_POSTGRES: &str = select!(
    "WHERE p.passed_day IS NULL AND p.vehicle_id = ANY (ARRAY(
        SELECT CAST(value AS bigint) FROM jsonb_array_elements_text(CAST($1 AS jsonb)) AS value))"
);
const LIST: &str = select!(
    "JOIN depots d ON d.id = p.depot_id
    WHERE p.kind = $1 AND p.made_day >= $2 AND p.made_day <= $3 AND (CAST($4 AS TEXT) IS NULL OR d.code = $4)
        AND (CAST($5 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $5 AND key_depots.depot_id = p.depot_id))
    ORDER BY p.made_day DESC, p.vehicle_id, p.edge LIMIT $6"
);
/// The first forecast of a week stands: later ones of the same week are not kept.
const RECORD: &str =
    "INSERT INTO past_forecasts (vehicle_id, kind, edge, week_day, made_day, depot_id, as_of_us, as_of_day,
        p10_day, p50_day, p90_day, left_metres, left_hours, limit_day, all_mean, all_sd, recent_mean, recent_sd, told,
        seen_day)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20)
    ON CONFLICT (vehicle_id, kind, edge, week_day) DO NOTHING";
const SETTLE: &str = "UPDATE past_forecasts SET passed_day = $5, seen_day = $6
    WHERE vehicle_id = $1 AND kind = $2 AND edge = $3 AND week_day = $4";

/// Day number of the Monday of a day's week.
pub(super) fn week_of(day: NaiveDate) -> i64 {
    day_number(day) - i64::from(day.weekday().num_days_from_monday())
}

impl TryFrom<Row> for PastForecast {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let day = |day: Option<i64>| day.map(|day| date("past_forecasts.p50_day", day)).transpose();
        let daily = |mean: Option<f64>, sd: Option<f64>| Some(DailyMetres { mean: mean?, sd: sd? });
        Ok(Self {
            vehicle_id: row.vehicle_id,
            kind: known("past_forecasts.kind", &row.kind, Kind::parse(&row.kind))?,
            edge: row.edge,
            made_on: date("past_forecasts.made_day", row.made_day)?,
            depot_id: row.depot_id,
            as_of: instant("past_forecasts.as_of_us", row.as_of_us)?,
            as_of_day: date("past_forecasts.as_of_day", row.as_of_day)?,
            dates: [day(row.p10_day)?, day(row.p50_day)?, day(row.p90_day)?],
            left_metres: row.left_metres.map(Metres),
            left_hours: row.left_hours,
            limit_on: day(row.limit_day)?,
            all: daily(row.all_mean, row.all_sd),
            recent: daily(row.recent_mean, row.recent_sd),
            told: row.told != 0,
            passed_on: day(row.passed_day)?,
            seen_on: date("past_forecasts.seen_day", row.seen_day)?,
        })
    }
}

impl Store {
    /// Past forecasts of these cars whose edge is not passed yet.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn open_past_forecasts(&self, vehicle_ids: &[i64]) -> Result<Vec<PastForecast>> {
        let ids = serde_json::to_string(vehicle_ids).unwrap_or_default();
        let sql = self.pick(OPEN_SQLITE, OPEN_POSTGRES);
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(sql).bind(ids).fetch_all(pool).await)?;
        rows.into_iter().map(PastForecast::try_from).collect()
    }

    /// Past forecasts, newest first.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn past_forecasts(&self, filter: &HindsightFilter) -> Result<Vec<PastForecast>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(LIST)
            .bind(filter.kind.as_str()).bind(day_number(filter.from)).bind(day_number(filter.to))
            .bind(&filter.depot).bind(filter.key_depots_of).bind(filter.limit).fetch_all(pool).await)?;
        rows.into_iter().map(PastForecast::try_from).collect()
    }
}

impl Tx {
    /// Keeps a forecast, unless one of its week is kept already.
    pub(super) async fn record_forecast(&mut self, past: &PastForecast) -> Result<()> {
        let [p10, p50, p90] = past.dates.map(|day| day.map(day_number));
        within!(self, c => sqlx::query(RECORD)
            .bind(past.vehicle_id).bind(past.kind.as_str()).bind(&past.edge).bind(week_of(past.made_on))
            .bind(day_number(past.made_on)).bind(past.depot_id).bind(micros(past.as_of)).bind(day_number(past.as_of_day))
            .bind(p10).bind(p50).bind(p90).bind(past.left_metres.map(|metres| metres.0)).bind(past.left_hours)
            .bind(past.limit_on.map(day_number)).bind(past.all.map(|daily| daily.mean)).bind(past.all.map(|daily| daily.sd))
            .bind(past.recent.map(|daily| daily.mean)).bind(past.recent.map(|daily| daily.sd))
            .bind(i64::from(past.told)).bind(day_number(past.seen_on)).execute(c).await.map(drop))?;
        Ok(())
    }

    /// Writes down what came of a past forecast.
    pub(super) async fn settle_forecast(&mut self, past: &PastForecast) -> Result<()> {
        within!(self, c => sqlx::query(SETTLE)
            .bind(past.vehicle_id).bind(past.kind.as_str()).bind(&past.edge).bind(week_of(past.made_on))
            .bind(past.passed_on.map(day_number)).bind(day_number(past.seen_on)).execute(c).await.map(drop))?;
        Ok(())
    }
}
