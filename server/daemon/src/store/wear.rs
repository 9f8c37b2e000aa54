//! What packs have lived through, their outlooks, the orders these call for, and the risks that were told.

use chrono::{DateTime, NaiveDate, Utc};
use ventmile_model::fleet::Kind;

use super::hindsight::week_of;
use super::values::{date, day_number, micros};
use super::{Result, StopCall, Store, StoreError, Tx, read, within};

/// What one pack has lived through in one car, by the last recast; distances in metres.
#[derive(Clone, Debug, PartialEq)]
pub struct ExposureRow {
    /// The car.
    pub vehicle_id: i64,
    /// When it was put in.
    pub installed_at: DateTime<Utc>,
    /// Its serial; empty for a pack that is not registered.
    pub serial: String,
    /// Its type.
    pub pack_type: String,
    /// Its age when watching began.
    pub entry: f64,
    /// Its age at its end, or by the last believed reading.
    pub exit: f64,
    /// Whether it is in the car still.
    pub in_use: bool,
    /// Whether it was worn out at its end.
    pub failed: bool,
    /// Metres a day.
    pub metres_per_day: Option<f64>,
    /// Mean factor of ageing by heat.
    pub heat: Option<f64>,
    /// Stretches driven past the late edge of the fan service, from one age to another, as JSON.
    pub late: Option<String>,
    /// Sums over the steps of its block spread, as JSON.
    pub path: Option<String>,
}

/// The outlook of the pack in a car.
#[derive(Clone, Debug)]
pub struct OutlookRow {
    /// Its depot.
    pub depot_id: i64,
    /// Its serial.
    pub serial: Option<String>,
    /// Its type.
    pub pack_type: String,
    /// Band of risk.
    pub band: &'static str,
    /// Chance of degradation within 90 days.
    pub chance_90: f64,
    /// Local day for which it was made.
    pub made_on: NaiveDate,
    /// What a list shows, as JSON.
    pub item: String,
}

/// An order that is called for.
#[derive(Clone, Debug)]
pub struct OrderCall {
    /// The job.
    pub kind: Kind,
    /// The car's depot.
    pub depot_id: i64,
    /// Why: what calls for it, and in words.
    pub causes: Vec<(String, String)>,
    /// When a code that stops the car was last confirmed.
    pub since: Option<DateTime<Utc>>,
    /// Its place in the queue: 0 is first.
    pub rank: i64,
    /// By when.
    pub due_on: NaiveDate,
}

impl OrderCall {
    /// All that calls for it, in one line.
    fn reason(&self) -> String {
        let reasons: Vec<&str> = self.causes.iter().map(|(_, reason)| reason.as_str()).collect();
        reasons.join("; ")
    }
}

/// A risk as it was told, and what came of it so far.
#[derive(Clone, Debug, PartialEq)]
pub struct PastRisk {
    /// The car.
    pub vehicle_id: i64,
    /// Its depot then.
    pub depot_id: i64,
    /// Local day on which it was told.
    pub made_on: NaiveDate,
    /// When the pack it was told of was put in.
    pub installed_at: DateTime<Utc>,
    /// Chance of degradation within 30, 90 and 180 days.
    pub chances: [f64; 3],
    /// When the pack was worn out.
    pub failed_on: Option<NaiveDate>,
    /// Up to when it was followed.
    pub seen_on: NaiveDate,
}

/// What a recast says of the packs of one car.
#[derive(Clone, Debug)]
pub struct PackRecast {
    /// The car.
    pub vehicle_id: i64,
    /// What each of its packs has lived through.
    pub exposures: Vec<ExposureRow>,
    /// The outlook of the one that is in it.
    pub outlook: Option<OutlookRow>,
    /// Orders called for.
    pub calls: Vec<OrderCall>,
    /// Codes that take the car off the road by themselves; `None` for a car out of service.
    pub stops: Option<Vec<StopCall>>,
    /// The risk to be kept for hindsight.
    pub risk: Option<PastRisk>,
    /// Packs that were worn out, by when they were put in, and when; all others of the car were followed up to the day.
    pub failures: Vec<(DateTime<Utc>, NaiveDate)>,
    /// Up to when the car was followed.
    pub seen_on: NaiveDate,
}

/// Which outlooks a list shows.
#[derive(Clone, Debug, Default)]
pub struct OutlookFilter {
    /// Only of this depot.
    pub depot: Option<String>,
    /// Only of this type.
    pub pack_type: Option<String>,
    /// Only in this band.
    pub band: Option<String>,
    /// Only of this car.
    pub unit: Option<String>,
    /// After this place: chance, car.
    pub after: Option<(f64, i64)>,
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
    /// At most so many.
    pub limit: i64,
}

/// An outlook as a list shows it.
#[derive(Clone, Debug, sqlx::FromRow)]
pub struct OutlookListed {
    /// Chance of degradation within 90 days.
    pub chance_90: f64,
    /// The car.
    pub vehicle_id: i64,
    /// Unit number.
    pub unit: String,
    /// Depot.
    pub depot: String,
    /// What a list shows, as JSON.
    pub item: String,
}

/// How many cars have a pack of a type in a band of risk.
#[derive(Clone, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct PackCount {
    /// The type.
    pub pack_type: String,
    /// The band.
    pub band: String,
    /// How many.
    pub packs: i64,
}

/// A pack on the life curve.
#[derive(Clone, Debug)]
pub struct LivedPack {
    /// Unit number of its car.
    pub unit: String,
    /// That car's depot.
    pub depot: String,
    /// What it has lived through.
    pub exposure: ExposureRow,
}

const CLEAR_EXPOSURES: &str = "DELETE FROM pack_exposures WHERE vehicle_id = $1";
const ADD_EXPOSURE: &str = "INSERT INTO pack_exposures (vehicle_id, installed_us, serial, pack_type, entry_metres,
        exit_metres, in_use, failed, metres_per_day, heat, late, path)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)";
const FORGET_OUTLOOK: &str = "DELETE FROM pack_outlooks WHERE vehicle_id = $1";
const SAVE_OUTLOOK: &str =
    "INSERT INTO pack_outlooks (vehicle_id, depot_id, serial, pack_type, band, chance_90, made_day,
        item)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8)
    ON CONFLICT (vehicle_id) DO UPDATE SET depot_id = excluded.depot_id, serial = excluded.serial,
        pack_type = excluded.pack_type, band = excluded.band, chance_90 = excluded.chance_90,
        made_day = excluded.made_day, item = excluded.item";
const FORGET_CALLS: &str = "DELETE FROM order_calls WHERE vehicle_id = $1";
const ADD_CALL: &str =
    "INSERT INTO order_calls (vehicle_id, kind, depot_id, reason, rank, due_day, made_us, causes, since_us)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)";
/// The first risk of a week stands.
const RECORD_RISK: &str = "INSERT INTO past_risks (vehicle_id, week_day, depot_id, made_day, installed_us, chance_30,
        chance_90, chance_180, seen_day)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)
    ON CONFLICT (vehicle_id, week_day) DO NOTHING";
const FOLLOW_RISKS: &str = "UPDATE past_risks SET seen_day = $2 WHERE vehicle_id = $1 AND failed_day IS NULL";
const SETTLE_RISK: &str = "UPDATE past_risks SET failed_day = $3, seen_day = $3
    WHERE vehicle_id = $1 AND installed_us = $2 AND made_day <= $3";

const EXPOSURES: &str = "SELECT vehicle_id, installed_us, serial, pack_type, entry_metres, exit_metres, in_use, failed,
        metres_per_day, heat, late, path
    FROM pack_exposures WHERE CAST($1 AS BIGINT) IS NULL OR EXISTS (SELECT 1 FROM vehicles v
        JOIN key_depots k ON k.depot_id = v.depot_id WHERE k.key_id = $1 AND v.id = pack_exposures.vehicle_id)
    ORDER BY vehicle_id, installed_us, serial";
const COUNT: &str = "SELECT count(*), CAST(coalesce(sum(failed), 0) AS BIGINT) FROM pack_exposures
    WHERE exit_metres > entry_metres AND entry_metres >= 0";
const MARK_ALL: &str = "INSERT INTO stale_cars (vehicle_id, since_us, mark, claimed_until_us, from_day)
    SELECT id, $1, $1, 0, 1000000 FROM vehicles WHERE retired_day IS NULL ORDER BY id ON CONFLICT (vehicle_id) DO NOTHING";
const ON_CURVE: &str = "SELECT v.unit, d.code AS depot, e.vehicle_id, e.installed_us, e.serial, e.pack_type,
        e.entry_metres, e.exit_metres, e.in_use, e.failed, e.metres_per_day, e.heat, e.late, e.path
    FROM pack_exposures e JOIN vehicles v ON v.id = e.vehicle_id JOIN depots d ON d.id = v.depot_id
    WHERE (CAST($1 AS TEXT) IS NULL OR d.code = $1) AND (CAST($2 AS TEXT) IS NULL OR e.pack_type = $2)
        AND (CAST($3 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $3 AND depot_id = v.depot_id))
    ORDER BY e.exit_metres DESC, e.vehicle_id LIMIT $4";
const OUTLOOKS: &str = "SELECT o.chance_90, o.vehicle_id, v.unit, d.code AS depot, o.item
    FROM (SELECT chance_90, vehicle_id, depot_id, item FROM pack_outlooks
        WHERE (chance_90 < $1 OR (chance_90 = $1 AND vehicle_id < $2))
            AND (CAST($3 AS TEXT) IS NULL OR depot_id = (SELECT id FROM depots WHERE code = $3))
            AND (CAST($4 AS TEXT) IS NULL OR pack_type = $4) AND (CAST($5 AS TEXT) IS NULL OR band = $5)
            AND (CAST($6 AS TEXT) IS NULL OR vehicle_id IN (SELECT id FROM vehicles WHERE unit = $6))
            AND (CAST($7 AS BIGINT) IS NULL OR EXISTS (SELECT 1 FROM key_depots
                WHERE key_id = $7 AND key_depots.depot_id = pack_outlooks.depot_id))
        ORDER BY chance_90 DESC, vehicle_id DESC LIMIT $8) o
    JOIN vehicles v ON v.id = o.vehicle_id JOIN depots d ON d.id = o.depot_id
    ORDER BY o.chance_90 DESC, o.vehicle_id DESC";
const PACK_COUNTS: &str = "SELECT o.pack_type, o.band, count(*) AS packs
    FROM pack_outlooks o JOIN depots d ON d.id = o.depot_id
    WHERE (CAST($1 AS TEXT) IS NULL OR d.code = $1) AND (CAST($2 AS BIGINT) IS NULL
        OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $2 AND key_depots.depot_id = o.depot_id))
    GROUP BY o.pack_type, o.band ORDER BY o.pack_type, o.band";
const RISKS: &str =
    "SELECT p.vehicle_id, p.depot_id, p.made_day, p.installed_us, p.chance_30, p.chance_90, p.chance_180,
        p.failed_day, p.seen_day
    FROM past_risks p JOIN depots d ON d.id = p.depot_id
    WHERE p.made_day >= $1 AND p.made_day <= $2 AND (CAST($3 AS TEXT) IS NULL OR d.code = $3)
        AND (CAST($4 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $4 AND key_depots.depot_id = p.depot_id))
    ORDER BY p.made_day DESC, p.vehicle_id LIMIT $5";

#[derive(sqlx::FromRow)]
struct ExposureColumns {
    vehicle_id: i64,
    installed_us: i64,
    serial: String,
    pack_type: String,
    entry_metres: f64,
    exit_metres: f64,
    in_use: i64,
    failed: i64,
    metres_per_day: Option<f64>,
    heat: Option<f64>,
    late: Option<String>,
    path: Option<String>,
}

#[derive(sqlx::FromRow)]
struct LivedColumns {
    unit: String,
    depot: String,
    #[sqlx(flatten)]
    exposure: ExposureColumns,
}

impl TryFrom<ExposureColumns> for ExposureRow {
    type Error = StoreError;

    fn try_from(row: ExposureColumns) -> Result<Self> {
        Ok(Self {
            vehicle_id: row.vehicle_id,
            installed_at: super::values::instant("pack_exposures.installed_us", row.installed_us)?,
            serial: row.serial,
            pack_type: row.pack_type,
            entry: row.entry_metres,
            exit: row.exit_metres,
            in_use: row.in_use != 0,
            failed: row.failed != 0,
            metres_per_day: row.metres_per_day,
            heat: row.heat,
            late: row.late,
            path: row.path,
        })
    }
}

type RiskTuple = (i64, i64, i64, i64, f64, f64, f64, Option<i64>, i64);

/// Which past risks are scored.
#[derive(Clone, Debug)]
pub struct RiskFilter {
    /// Told on or after this day.
    pub from: NaiveDate,
    /// Told on or before this day.
    pub to: NaiveDate,
    /// Only of this depot.
    pub depot: Option<String>,
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
    /// At most so many, the newest.
    pub limit: i64,
}

impl Store {
    /// What every pack has lived through.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn exposures(&self, key_depots_of: Option<i64>) -> Result<Vec<ExposureRow>> {
        let rows: Vec<ExposureColumns> =
            read!(self, pool => sqlx::query_as(EXPOSURES).bind(key_depots_of).fetch_all(pool).await)?;
        rows.into_iter().map(ExposureRow::try_from).collect()
    }

    /// How many packs there are to learn from, and how many of them were worn out.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn count_exposures(&self) -> Result<(i64, i64)> {
        Ok(read!(self, pool => sqlx::query_as(COUNT).fetch_one(pool).await)?)
    }

    /// Marks every car in service stale.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn mark_every_car(&self, now: DateTime<Utc>) -> Result<()> {
        let mut tx = self.begin().await?;
        within!(&mut tx, c => sqlx::query(MARK_ALL).bind(micros(now)).execute(c).await.map(drop))?;
        tx.commit().await
    }

    /// Packs with their age, the oldest first.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn lived_packs(
        &self,
        depot: Option<&str>,
        pack_type: Option<&str>,
        key_depots_of: Option<i64>,
        limit: i64,
    ) -> Result<Vec<LivedPack>> {
        let rows: Vec<LivedColumns> = read!(self, pool => sqlx::query_as(ON_CURVE)
            .bind(depot).bind(pack_type).bind(key_depots_of).bind(limit).fetch_all(pool).await)?;
        let lived =
            |row: LivedColumns| Ok(LivedPack { unit: row.unit, depot: row.depot, exposure: row.exposure.try_into()? });
        rows.into_iter().map(lived).collect()
    }

    /// Outlooks, the riskiest first.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn pack_outlooks(&self, filter: &OutlookFilter) -> Result<Vec<OutlookListed>> {
        let (chance, vehicle_id) = filter.after.unwrap_or((f64::MAX, i64::MAX));
        Ok(read!(self, pool => sqlx::query_as(OUTLOOKS)
            .bind(chance).bind(vehicle_id).bind(&filter.depot).bind(&filter.pack_type).bind(&filter.band)
            .bind(&filter.unit).bind(filter.key_depots_of).bind(filter.limit).fetch_all(pool).await)?)
    }

    /// How many packs there are of each type in each band, at a depot or at all of a key's.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn pack_counts(&self, depot: Option<&str>, key_depots_of: Option<i64>) -> Result<Vec<PackCount>> {
        Ok(read!(self, pool => sqlx::query_as(PACK_COUNTS).bind(depot).bind(key_depots_of).fetch_all(pool).await)?)
    }

    /// Risks that were told, newest first.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn past_risks(&self, filter: &RiskFilter) -> Result<Vec<PastRisk>> {
        let rows: Vec<RiskTuple> = read!(self, pool => sqlx::query_as(RISKS)
            .bind(day_number(filter.from)).bind(day_number(filter.to)).bind(&filter.depot)
            .bind(filter.key_depots_of).bind(filter.limit).fetch_all(pool).await)?;
        let risk = |(vehicle_id, depot_id, made, installed, in_30, in_90, in_180, failed, seen): RiskTuple| {
            Ok(PastRisk {
                vehicle_id,
                depot_id,
                made_on: date("past_risks.made_day", made)?,
                installed_at: super::values::instant("past_risks.installed_us", installed)?,
                chances: [in_30, in_90, in_180],
                failed_on: failed.map(|day| date("past_risks.failed_day", day)).transpose()?,
                seen_on: date("past_risks.seen_day", seen)?,
            })
        };
        rows.into_iter().map(risk).collect()
    }
}

impl Tx {
    /// Saves what a recast says of a car's packs in place of what stood before.
    pub(super) async fn save_packs(&mut self, packs: &PackRecast, now: DateTime<Utc>) -> Result<()> {
        let car = packs.vehicle_id;
        within!(self, c => sqlx::query(CLEAR_EXPOSURES).bind(car).execute(c).await.map(drop))?;
        for row in &packs.exposures {
            within!(self, c => sqlx::query(ADD_EXPOSURE)
                .bind(car).bind(micros(row.installed_at)).bind(&row.serial).bind(&row.pack_type).bind(row.entry)
                .bind(row.exit).bind(i64::from(row.in_use)).bind(i64::from(row.failed)).bind(row.metres_per_day)
                .bind(row.heat).bind(&row.late).bind(&row.path).execute(c).await.map(drop))?;
        }
        self.save_outlook(car, packs.outlook.as_ref()).await?;
        within!(self, c => sqlx::query(FORGET_CALLS).bind(car).execute(c).await.map(drop))?;
        for call in &packs.calls {
            within!(self, c => sqlx::query(ADD_CALL)
                .bind(car).bind(call.kind.as_str()).bind(call.depot_id).bind(call.reason()).bind(call.rank)
                .bind(day_number(call.due_on)).bind(micros(now)).bind(serde_json::json!(call.causes).to_string())
                .bind(call.since.map_or(0, micros)).execute(c).await.map(drop))?;
        }
        if let Some(stops) = &packs.stops {
            self.judge_holds(car, stops, now).await?;
        }
        self.save_risks(packs).await
    }

    async fn save_outlook(&mut self, car: i64, outlook: Option<&OutlookRow>) -> Result<()> {
        let Some(row) = outlook else {
            within!(self, c => sqlx::query(FORGET_OUTLOOK).bind(car).execute(c).await.map(drop))?;
            return Ok(());
        };
        within!(self, c => sqlx::query(SAVE_OUTLOOK)
            .bind(car).bind(row.depot_id).bind(&row.serial).bind(&row.pack_type).bind(row.band).bind(row.chance_90)
            .bind(day_number(row.made_on)).bind(&row.item).execute(c).await.map(drop))?;
        Ok(())
    }

    async fn save_risks(&mut self, packs: &PackRecast) -> Result<()> {
        let car = packs.vehicle_id;
        within!(self, c => sqlx::query(FOLLOW_RISKS).bind(car).bind(day_number(packs.seen_on))
            .execute(c).await.map(drop))?;
        for (installed_at, failed_on) in &packs.failures {
            within!(self, c => sqlx::query(SETTLE_RISK).bind(car).bind(micros(*installed_at))
                .bind(day_number(*failed_on)).execute(c).await.map(drop))?;
        }
        if let Some(risk) = &packs.risk {
            let [in_30, in_90, in_180] = risk.chances;
            within!(self, c => sqlx::query(RECORD_RISK)
                .bind(car).bind(week_of(risk.made_on)).bind(risk.depot_id).bind(day_number(risk.made_on))
                .bind(micros(risk.installed_at)).bind(in_30).bind(in_90).bind(in_180).bind(day_number(risk.seen_on))
                .execute(c).await.map(drop))?;
        }
        Ok(())
    }

    /// Drops what lists show of a car that is out of service; what its packs lived through stays.
    pub(super) async fn forget_pack_outlook(&mut self, car: i64) -> Result<()> {
        self.save_outlook(car, None).await?;
        within!(self, c => sqlx::query(FORGET_CALLS).bind(car).execute(c).await.map(drop))?;
        Ok(())
    }
}
