//! Stale cars, what a forecast is made from, and the forecasts as lists show them.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde::de::DeserializeOwned;
use serde_json::json;
use ventmile_model::fleet::{
    DistanceUnit, DutyLog, Hours, Kind, Metres, OffRoad, PackCheck, PackLife, Reading, SeatLog, Service, TroubleCode,
    parse_zone,
};

use super::books::{ALL_DAYS, BookChange, Claim, Kept, Remembered, micros_of_day};
use super::outbox::Told;
use super::pack_rows::{CheckColumns, CodeColumns, LifeColumns};
use super::plans::{CarPlan, PlanColumns};
use super::rows::ruling;
use super::values::{date, day_number, instant, known, micros};
use super::{EventType, PackRecast, PastForecast, Result, Store, StoreError, Tx, read, within};

/// All that is stored about one car that a forecast needs.
#[derive(Clone, Debug)]
pub struct CarLogs {
    /// Number in the database.
    pub vehicle_id: i64,
    /// How often it had been marked stale when it was claimed.
    pub mark: i64,
    /// Unit number.
    pub unit: String,
    /// Number of its depot.
    pub depot_id: i64,
    /// Its depot.
    pub depot: String,
    /// That depot's zone.
    pub zone: Tz,
    /// Unit in which its depot shows distances.
    pub distance_unit: DistanceUnit,
    /// Model.
    pub model: Option<String>,
    /// Type for the speed limit.
    pub vehicle_type: String,
    /// First day in service.
    pub in_service_on: NaiveDate,
    /// Odometer on that day.
    pub odometer_in_service: Option<Metres>,
    /// Whether it came in used, where somebody said so.
    pub came_in_used: Option<bool>,
    /// Whether it is retired.
    pub retired: bool,
    /// When it was registered.
    pub registered_at: DateTime<Utc>,
    /// What a reading of a source counts, where it is not 1; the app fills it in from the settings.
    pub trust: Arc<[(i64, f64)]>,
    /// Where it stayed: from this day on in that zone, oldest first.
    pub stays: Vec<(NaiveDate, Tz)>,
    /// The day on which it last moved from one depot to another.
    pub moved_on: Option<NaiveDate>,
    /// Odometer readings that are not void.
    pub readings: Vec<Reading>,
    /// Duty logs that are not void.
    pub duty: Vec<DutyLog>,
    /// Seat logs that are not void.
    pub seats: Vec<SeatLog>,
    /// Past services that are not void, oldest first.
    pub services: Vec<(Kind, Service)>,
    /// Told days off the road.
    pub off_road: Vec<OffRoad>,
    /// What it is told for days to come, by their first day; a move that took effect is none any more.
    pub plans: Vec<CarPlan>,
    /// Packs that are not void, in the order they were put in.
    pub packs: Vec<PackLife>,
    /// Pack checks that are not void, in time order.
    pub checks: Vec<PackCheck>,
    /// Trouble codes that are not void, in time order.
    pub codes: Vec<TroubleCode>,
    /// The book it has of its old rows.
    pub book: Option<Kept>,
    /// What stands for the oldest readings, duty and seat logs, which are not among the above then.
    pub remembered: Option<Remembered>,
}

/// A forecast to be saved.
#[derive(Clone, Debug)]
pub struct ForecastRow {
    /// The car.
    pub vehicle_id: i64,
    /// Mark at which it was claimed.
    pub mark: i64,
    /// The job.
    pub kind: Kind,
    /// Its depot.
    pub depot_id: i64,
    /// 0 unknown, 1 silent, 2 the rest.
    pub rank: i64,
    /// Late edge, 50 %.
    pub due_on: Option<NaiveDate>,
    /// Early edge, 50 %.
    pub early_on: Option<NaiveDate>,
    /// Band.
    pub band: &'static str,
    /// Local day for which it was made.
    pub made_on: NaiveDate,
    /// Metres a day, where they come from the car's own readings.
    pub metres_per_day: Option<f64>,
    /// Hours a day, likewise.
    pub hours_per_day: Option<f64>,
    /// Why an order is to be raised.
    pub raise_reason: Option<String>,
    /// What a list shows, as JSON.
    pub item: String,
}

/// What a recast of some cars brought.
#[derive(Clone, Debug, Default)]
pub struct Recast {
    /// Forecasts.
    pub rows: Vec<ForecastRow>,
    /// Cars out of service, number and mark: their forecasts are dropped.
    pub gone: Vec<(i64, i64)>,
    /// Cars to which no rule applies, likewise; packs and codes are theirs all the same.
    pub unruled: Vec<(i64, i64)>,
    /// Forecasts to be kept for hindsight.
    pub record: Vec<PastForecast>,
    /// Past forecasts of which more is known now.
    pub settle: Vec<PastForecast>,
    /// Packs, car by car.
    pub packs: Vec<PackRecast>,
    /// Cars whose books change.
    pub books: Vec<(i64, BookChange)>,
    /// A due date that moved by so many days since it was last told is told again.
    pub notable_days: i64,
}

/// What the other cars of a depot do in a day, for a car that has no history of its own.
#[derive(Clone, Copy, Debug, Default)]
pub struct Usual {
    /// Mean metres a day.
    pub metres_per_day: Option<f64>,
    /// Mean hours a day.
    pub hours_per_day: Option<f64>,
}

/// Which forecasts a list shows.
#[derive(Clone, Debug, Default)]
pub struct ListFilter {
    /// Only of this depot.
    pub depot: Option<String>,
    /// Only of this kind.
    pub kind: Option<Kind>,
    /// Only in this band.
    pub band: Option<String>,
    /// Early edge reached by then at 50 %; unknown and silent cars stay in.
    pub until: Option<NaiveDate>,
    /// Only this car.
    pub unit: Option<String>,
    /// Only cars whose unit number has this in it, in capitals or small letters.
    pub unit_has: Option<String>,
    /// After this place.
    pub after: Option<ListPosition>,
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
    /// At most so many.
    pub limit: i64,
}

/// A place in the list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ListPosition {
    /// Rank.
    pub rank: i64,
    /// Day number of the late edge.
    pub due_day: i64,
    /// The car.
    pub vehicle_id: i64,
    /// The job.
    pub kind: String,
}

/// A forecast as a list shows it.
#[derive(Clone, Debug)]
pub struct ListRow {
    /// Its place.
    pub position: ListPosition,
    /// Unit number.
    pub unit: String,
    /// Depot.
    pub depot: String,
    /// Number of the open work order.
    pub work_order_id: Option<i64>,
    /// What a list shows, as JSON.
    pub item: String,
}

/// Stands for a date that is not within the horizon: after every other.
const NEVER: i64 = i64::MAX;

/// Claims cars that nobody has claimed. A claim that lies much farther ahead than one is made for was made by a clock that
/// was wrong, and holds nothing.
macro_rules! claim {
    ($lock:literal) => {
        concat!(
            "UPDATE stale_cars SET claimed_until_us = $2 WHERE vehicle_id IN (
                SELECT vehicle_id FROM stale_cars WHERE claimed_until_us <= $1 OR claimed_until_us > 2 * $2 - $1
                ORDER BY since_us, vehicle_id LIMIT $3 ",
            $lock,
            ") RETURNING vehicle_id, mark, from_day"
        )
    };
}

const CLAIM_SQLITE: &str = claim!("");
const CLAIM_POSTGRES: &str = claim!("FOR UPDATE SKIP LOCKED");
const UNCLAIM: [&str; 2] = [
    "UPDATE stale_cars SET claimed_until_us = 0",
    "UPDATE deliveries SET claimed_until_us = 0 WHERE state = 'waiting'",
];
const COUNT_STALE: &str = "SELECT count(*) FROM stale_cars";
const DEPOT_ZONES: &str = "SELECT id, zone FROM depots";
// A clock that was set back leaves forecasts of a day to come.
const OUTDATED: &str = "INSERT INTO stale_cars (vehicle_id, since_us, mark, claimed_until_us, from_day)
    SELECT f.vehicle_id, $3, $3, 0, 1000000 FROM forecasts f WHERE f.depot_id = $1 AND (f.made_day < $2 OR f.made_day > $2)
    ORDER BY f.vehicle_id ON CONFLICT (vehicle_id) DO NOTHING";
const USUAL: &str = "SELECT avg(metres_per_day), avg(hours_per_day) FROM forecasts
    WHERE depot_id = $1 AND metres_per_day IS NOT NULL AND kind = 'fan-service'";

/// Both dialects' texts of a query over the cars of a JSON array.
macro_rules! of_cars {
    ($name:ident, $head:literal, $tail:literal) => {
        of_cars!($name, $head, $head, $tail);
    };
    ($name:ident, $sqlite:expr, $postgres:expr, $tail:literal) => {
        const $name: [&str; 2] = [
            concat!($sqlite, " IN (SELECT value FROM json_each($1)) ", $tail),
            concat!(
                $postgres,
                // With IN Postgres guesses many cars and reads the whole table.
                " = ANY (ARRAY(SELECT CAST(value AS bigint) FROM jsonb_array_elements_text(CAST($1 AS jsonb)) AS value)) ",
                $tail
            ),
        ];
    };
}

of_cars!(
    CARS,
    "SELECT v.id, v.unit, v.depot_id, d.code AS depot, d.zone, v.model, v.vehicle_type, v.in_service_day,
        v.in_service_metres, v.came_in_used, v.retired_day, v.created_us, d.distance_unit
    FROM vehicles v JOIN depots d ON d.id = v.depot_id WHERE v.id",
    ""
);
of_cars!(
    STAYS,
    "SELECT s.vehicle_id, s.from_day, s.depot_id, d.zone FROM stays s JOIN depots d ON d.id = s.depot_id WHERE s.vehicle_id",
    "ORDER BY s.vehicle_id, s.from_day"
);
of_cars!(
    SERVICES,
    "SELECT vehicle_id, kind, at_us, metres FROM past_services WHERE voided_us IS NULL AND vehicle_id",
    "ORDER BY vehicle_id, at_us"
);
of_cars!(
    OFF_ROAD,
    "SELECT vehicle_id, from_day, CASE WHEN safety_hold = 1 AND released_us IS NULL THEN NULL ELSE to_day END
    FROM off_road WHERE vehicle_id",
    "ORDER BY vehicle_id, from_day"
);

of_cars!(
    TOLD,
    "SELECT f.vehicle_id, f.kind, v.unit, f.told_band, f.told_due_day FROM forecasts f JOIN vehicles v ON v.id = f.vehicle_id
    WHERE f.vehicle_id",
    "ORDER BY f.vehicle_id"
);

of_cars!(
    PLANS,
    "SELECT p.vehicle_id, p.from_day, p.to_day, p.depot_id, d.code AS depot, d.zone, p.days_per_week, p.hours_per_day,
        p.rear_share, p.metres_per_driven_day
    FROM plans p LEFT JOIN depots d ON d.id = p.depot_id
    WHERE p.withdrawn_us IS NULL AND p.done_us IS NULL AND p.vehicle_id",
    "ORDER BY p.vehicle_id, p.from_day, p.id"
);

/// Of each car of a JSON array, its rows from a day or an instant on as one JSON text: several times cheaper than handing
/// them over one by one. Each element is car and bound.
macro_rules! packed {
    ($name:ident, $table:literal, $time:literal, $columns:literal) => {
        const $name: [&str; 2] = [
            concat!(
                "SELECT c.value ->> 0, (SELECT json_group_array(json_array(",
                $columns,
                ")) FROM ",
                $table,
                " WHERE vehicle_id = c.value ->> 0 AND ",
                $time,
                " >= c.value ->> 1 AND voided_us IS NULL) FROM json_each($1) c"
            ),
            concat!(
                "SELECT c.car, l.found FROM (SELECT CAST(value ->> 0 AS bigint) AS car, CAST(value ->> 1 AS bigint) AS since
                FROM jsonb_array_elements(CAST($1 AS jsonb)) AS value) c
                CROSS JOIN LATERAL (SELECT CAST(json_agg(json_build_array(",
                $columns,
                ")) AS text) AS found FROM ",
                $table,
                " WHERE vehicle_id = c.car AND ",
                $time,
                " >= c.since AND voided_us IS NULL) l WHERE l.found IS NOT NULL"
            ),
        ];
    };
}

packed!(READINGS, "odometer_readings", "at_us", "at_us, metres, source_id, ruling");
packed!(DUTY, "duty_logs", "day", "day, shift, source_id, hours, trips, start_us, end_us");
packed!(SEATS, "seat_logs", "day", "day, shift, source_id, trips, rear_trips");
packed!(
    PACKS,
    "pack_lives",
    "at_us",
    "serial, pack_type, chemistry, blocks, modules_per_block, cells_per_module, at_us, metres, used_metres, original,
        removed_us, removed_metres, removed_because"
);
packed!(CHECKS, "pack_checks", "at_us", "at_us, block_volts, current_a, charge_pct, pack_c, cabin_c, fan_stage");
packed!(CODES, "trouble_codes", "at_us", "at_us, code, state, was_confirmed");

const SAVE: &str =
    "INSERT INTO forecasts (vehicle_id, kind, depot_id, rank, due_day, early_day, band, made_day, made_us,
        metres_per_day, hours_per_day, raise_reason, item, mark)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)
    ON CONFLICT (vehicle_id, kind) DO UPDATE SET depot_id = excluded.depot_id, rank = excluded.rank,
        due_day = excluded.due_day, early_day = excluded.early_day, band = excluded.band, made_day = excluded.made_day,
        made_us = excluded.made_us, metres_per_day = excluded.metres_per_day, hours_per_day = excluded.hours_per_day,
        raise_reason = excluded.raise_reason, item = excluded.item,
        mark = CASE WHEN forecasts.mark > excluded.mark THEN forecasts.mark ELSE excluded.mark END";
const TELL: &str = "UPDATE forecasts SET told_band = $3, told_due_day = $4 WHERE vehicle_id = $1 AND kind = $2";
/// The queue is sorted by today's forecast; the order itself is not changed by it.
const SORT_ORDER: &str = "UPDATE work_orders SET rank = $3, due_day = $4
    WHERE vehicle_id = $1 AND kind = $2 AND status IN ('needs-action', 'in-process')";
const FRESH: &str = "DELETE FROM stale_cars WHERE vehicle_id = $1 AND mark = $2";
/// Ends the claim on a car and tells its mark; where something came in meanwhile it may be claimed again at once.
const RELEASE: &str = "UPDATE stale_cars SET claimed_until_us = 0 WHERE vehicle_id = $1 RETURNING mark";
const FORGET: &str = "DELETE FROM forecasts WHERE vehicle_id = $1";

/// The page is cut before anything is joined: Postgres takes a row value for very selective, and would sort half the
/// fleet for a page deep in the list.
const LIST: &str = "SELECT f.rank, f.due_day, f.vehicle_id, f.kind, v.unit, d.code, w.id, f.item
    FROM (SELECT rank, due_day, vehicle_id, kind, depot_id, item FROM forecasts
        WHERE (rank, due_day, vehicle_id, kind) > ($1, $2, $3, $4)
            AND (CAST($5 AS TEXT) IS NULL OR depot_id = (SELECT id FROM depots WHERE code = $5))
            AND (CAST($6 AS TEXT) IS NULL OR kind = $6) AND (CAST($7 AS TEXT) IS NULL OR band = $7)
            AND (CAST($8 AS BIGINT) IS NULL OR early_day <= $8 OR rank < 2)
            AND (CAST($9 AS TEXT) IS NULL OR vehicle_id IN (SELECT id FROM vehicles WHERE unit = $9))
            AND (CAST($10 AS BIGINT) IS NULL
                OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $10 AND key_depots.depot_id = forecasts.depot_id))
            AND (CAST($12 AS TEXT) IS NULL
                OR vehicle_id IN (SELECT id FROM vehicles WHERE lower(unit) LIKE lower($12) ESCAPE '!'))
        ORDER BY rank, due_day, vehicle_id, kind LIMIT $11) f
    JOIN vehicles v ON v.id = f.vehicle_id JOIN depots d ON d.id = f.depot_id
    LEFT JOIN work_orders w ON w.vehicle_id = f.vehicle_id AND w.kind = f.kind
        AND w.status IN ('needs-action', 'in-process')
    ORDER BY f.rank, f.due_day, f.vehicle_id, f.kind";

#[derive(sqlx::FromRow)]
struct CarRow {
    id: i64,
    unit: String,
    depot_id: i64,
    depot: String,
    zone: String,
    model: Option<String>,
    vehicle_type: String,
    in_service_day: i64,
    in_service_metres: Option<i64>,
    came_in_used: Option<i64>,
    retired_day: Option<i64>,
    created_us: i64,
    distance_unit: String,
}

impl CarRow {
    fn empty_logs(self, mark: i64) -> Result<CarLogs> {
        Ok(CarLogs {
            vehicle_id: self.id,
            mark,
            zone: known("depots.zone", &self.zone, parse_zone(&self.zone))?,
            in_service_on: date("vehicles.in_service_day", self.in_service_day)?,
            odometer_in_service: self.in_service_metres.map(Metres),
            came_in_used: self.came_in_used.map(|used| used != 0),
            retired: self.retired_day.is_some(),
            registered_at: instant("vehicles.created_us", self.created_us)?,
            distance_unit: known(
                "depots.distance_unit",
                &self.distance_unit,
                DistanceUnit::parse(&self.distance_unit),
            )?,
            unit: self.unit,
            depot_id: self.depot_id,
            depot: self.depot,
            model: self.model,
            vehicle_type: self.vehicle_type,
            trust: Arc::default(),
            stays: Vec::new(),
            moved_on: None,
            readings: Vec::new(),
            duty: Vec::new(),
            seats: Vec::new(),
            services: Vec::new(),
            off_road: Vec::new(),
            plans: Vec::new(),
            packs: Vec::new(),
            checks: Vec::new(),
            codes: Vec::new(),
            book: None,
            remembered: None,
        })
    }
}

/// What was last told of a forecast, where something was: band and due day.
struct LastTold {
    unit: String,
    forecast: Option<(String, i64)>,
}

type ToldRow = (i64, String, String, Option<String>, Option<i64>);
pub(super) type ReadingTuple = (i64, i64, i64, Option<String>);
pub(super) type DutyTuple = (i64, String, i64, f64, Option<u32>, Option<i64>, Option<i64>);
pub(super) type SeatTuple = (i64, String, i64, u32, u32);
type ListTuple = (i64, i64, i64, String, String, String, Option<i64>, String);

pub(super) fn reading((at, metres, source, ruled): ReadingTuple) -> Result<Reading> {
    Ok(Reading {
        at: instant("odometer_readings.at_us", at)?,
        odometer: Metres(metres),
        source,
        ruling: ruled.as_deref().map(ruling).transpose()?,
    })
}

pub(super) fn duty((day, shift, source, hours, trips, start, end): DutyTuple) -> Result<DutyLog> {
    let at = |micros| instant("duty_logs.start_us", micros);
    let span = match (start, end) {
        (Some(start), Some(end)) => Some((at(start)?, at(end)?)),
        _ => None,
    };
    Ok(DutyLog { date: date("duty_logs.day", day)?, shift, source, hours: Hours(hours), trips, span })
}

pub(super) fn seat((day, shift, source, trips, rear_trips): SeatTuple) -> Result<SeatLog> {
    Ok(SeatLog { date: date("seat_logs.day", day)?, shift, source, trips, rear_trips })
}

fn unpack<T: DeserializeOwned, U>(column: &'static str, text: &str, read: impl Fn(T) -> Result<U>) -> Result<Vec<U>> {
    let rows: Vec<T> = serde_json::from_str(text)
        .map_err(|fault| StoreError::bad_row(column, format!("{fault} in {} bytes", text.len())))?;
    rows.into_iter().map(read).collect()
}

/// The pattern of texts that contain `part`, every character of it taken as it stands.
pub(super) fn containing(part: &str) -> String {
    format!("%{}%", part.replace('!', "!!").replace('%', "!%").replace('_', "!_"))
}

impl Store {
    /// Claims up to `limit` stale cars until `until`; a claim that runs out frees them again.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn claim_stale(&self, now: DateTime<Utc>, until: DateTime<Utc>, limit: i64) -> Result<Vec<Claim>> {
        let mut tx = self.begin().await?;
        let sql = tx.pick(CLAIM_SQLITE, CLAIM_POSTGRES);
        let cars = within!(&mut tx, c => sqlx::query_as(sql)
            .bind(micros(now)).bind(micros(until)).bind(limit).fetch_all(c).await)?;
        tx.commit().await?;
        Ok(cars)
    }

    /// Frees every claim: for the one process on a SQLite file when it starts, since nobody else can hold one.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn free_claims(&self) -> Result<()> {
        let mut tx = self.begin().await?;
        for sql in UNCLAIM {
            within!(&mut tx, c => sqlx::query(sql).execute(c).await.map(drop))?;
        }
        tx.commit().await
    }

    /// How many cars are stale.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn count_stale(&self) -> Result<i64> {
        Ok(read!(self, pool => sqlx::query_scalar(COUNT_STALE).fetch_one(pool).await)?)
    }

    /// Marks every car stale whose forecast was made for a day before its depot's present one.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a zone cannot be read.
    pub async fn mark_outdated(&self, now: DateTime<Utc>) -> Result<u64> {
        let zones: Vec<(i64, String)> = read!(self, pool => sqlx::query_as(DEPOT_ZONES).fetch_all(pool).await)?;
        let mut marked = 0;
        for (depot_id, zone) in zones {
            let zone = known("depots.zone", &zone, parse_zone(&zone))?;
            let today = day_number(now.with_timezone(&zone).date_naive());
            let mut tx = self.begin().await?;
            marked += within!(&mut tx, c => sqlx::query(OUTDATED).bind(depot_id).bind(today).bind(micros(now))
                .execute(c).await.map(|done| done.rows_affected()))?;
            tx.commit().await?;
        }
        Ok(marked)
    }

    /// What a depot's cars usually do in a day.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn usual(&self, depot_id: i64) -> Result<Usual> {
        let (metres_per_day, hours_per_day) =
            read!(self, pool => sqlx::query_as(USUAL).bind(depot_id).fetch_one(pool).await)?;
        Ok(Usual { metres_per_day, hours_per_day })
    }

    /// Everything stored about the given cars.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn car_logs(&self, claims: &[Claim]) -> Result<Vec<CarLogs>> {
        let ids: Vec<i64> = claims.iter().map(|claim| claim.vehicle_id).collect();
        let ids = serde_json::to_string(&ids).unwrap_or_default();
        let marks: HashMap<i64, i64> = claims.iter().map(|claim| (claim.vehicle_id, claim.mark)).collect();
        let text = |pair: [&'static str; 2]| self.pick(pair[0], pair[1]);
        let rows: Vec<CarRow> = read!(self, pool => sqlx::query_as(text(CARS)).bind(&ids).fetch_all(pool).await)?;
        let mut logs = HashMap::with_capacity(rows.len());
        for row in rows {
            let mark = marks.get(&row.id).copied().unwrap_or_default();
            logs.insert(row.id, row.empty_logs(mark)?);
        }
        let stays: Vec<(i64, i64, i64, String)> =
            read!(self, pool => sqlx::query_as(text(STAYS)).bind(&ids).fetch_all(pool).await)?;
        let mut before = None;
        for (id, from, depot, zone) in stays {
            let (from, zone) = (date("stays.from_day", from)?, known("depots.zone", &zone, parse_zone(&zone))?);
            let moved = before.replace((id, depot)).is_some_and(|(car, left)| car == id && left != depot);
            logs.entry(id).and_modify(|car| {
                car.stays.push((from, zone));
                car.moved_on = moved.then_some(from).or(car.moved_on);
            });
        }
        let services: Vec<(i64, String, i64, Option<i64>)> =
            read!(self, pool => sqlx::query_as(text(SERVICES)).bind(&ids).fetch_all(pool).await)?;
        for (id, kind, at, metres) in services {
            let kind = known("past_services.kind", &kind, Kind::parse(&kind))?;
            let service = Service { at: instant("past_services.at_us", at)?, odometer: metres.map(Metres) };
            logs.entry(id).and_modify(|car| car.services.push((kind, service)));
        }
        let off_road: Vec<(i64, i64, Option<i64>)> =
            read!(self, pool => sqlx::query_as(text(OFF_ROAD)).bind(&ids).fetch_all(pool).await)?;
        for (id, from, to) in off_road {
            let from = date("off_road.from_day", from)?;
            let to = to.map(|day| date("off_road.to_day", day)).transpose()?;
            logs.entry(id).and_modify(|car| car.off_road.push(OffRoad { from, to }));
        }
        let plans: Vec<PlanColumns> =
            read!(self, pool => sqlx::query_as(text(PLANS)).bind(&ids).fetch_all(pool).await)?;
        for row in plans {
            let (id, plan) = (row.vehicle_id, row.try_into()?);
            logs.entry(id).and_modify(|car| car.plans.push(plan));
        }
        let rest = self.open_books(claims, &ids, &mut logs).await?;
        let from: [fn(i64) -> i64; 3] = [|_| micros_of_day(ALL_DAYS), |day| day, micros_of_day];
        let [all, days, instants] = from.map(|from| {
            let bounds: Vec<(i64, i64)> = rest.iter().map(|(car, day)| (*car, from(*day))).collect();
            serde_json::to_string(&bounds).unwrap_or_default()
        });
        for (id, rows) in self.packed(text(READINGS), &instants).await? {
            let rows = unpack("odometer_readings", &rows, reading)?;
            logs.entry(id).and_modify(|car| car.readings.extend(rows));
        }
        for (id, rows) in self.packed(text(DUTY), &days).await? {
            let rows = unpack("duty_logs", &rows, duty)?;
            logs.entry(id).and_modify(|car| car.duty.extend(rows));
        }
        for (id, rows) in self.packed(text(SEATS), &days).await? {
            let rows = unpack("seat_logs", &rows, seat)?;
            logs.entry(id).and_modify(|car| car.seats.extend(rows));
        }
        for (id, rows) in self.packed(text(CHECKS), &instants).await? {
            let mut rows = unpack("pack_checks", &rows, |row: CheckColumns| PackCheck::try_from(row))?;
            rows.sort_by_key(|check| check.at);
            logs.entry(id).and_modify(|car| car.checks.extend(rows));
        }
        for (id, rows) in self.packed(text(PACKS), &all).await? {
            let mut rows = unpack("pack_lives", &rows, |row: LifeColumns| PackLife::try_from(row))?;
            rows.sort_by(|one, other| (one.at, &one.serial).cmp(&(other.at, &other.serial)));
            logs.entry(id).and_modify(|car| car.packs = rows);
        }
        for (id, rows) in self.packed(text(CODES), &all).await? {
            let rows = unpack("trouble_codes", &rows, CodeColumns::reports)?;
            let mut rows: Vec<TroubleCode> = rows.into_iter().flatten().collect();
            rows.sort_by_key(|code| code.at);
            logs.entry(id).and_modify(|car| car.codes = rows);
        }
        let mut logs: Vec<CarLogs> = logs.into_values().collect();
        logs.sort_unstable_by_key(|car| car.vehicle_id);
        Ok(logs)
    }

    async fn packed(&self, sql: &'static str, bounds: &str) -> Result<Vec<(i64, String)>> {
        Ok(read!(self, pool => sqlx::query_as(sql).bind(bounds).fetch_all(pool).await)?)
    }

    /// Saves what a recast brought, and the cars are no longer stale unless something came in since they were claimed.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails; nothing is saved then.
    pub async fn save_forecasts(&self, recast: &Recast, now: DateTime<Utc>) -> Result<()> {
        let Recast { rows, gone, unruled, record, settle, packs, books, notable_days } = recast;
        let claims: BTreeSet<_> =
            rows.iter().map(|row| (row.vehicle_id, row.mark)).chain(gone.iter().chain(unruled).copied()).collect();
        let mut tx = self.begin().await?;
        tx.hold_orders(&claims.iter().map(|(vehicle_id, _)| *vehicle_id).collect::<Vec<_>>()).await?;
        // In the order in which posts mark cars stale, or the two would wait for each other on Postgres.
        let (mut still, mut fresh) = (HashSet::new(), HashSet::new());
        for (vehicle_id, mark) in claims {
            let found = tx.end_claim(vehicle_id, mark).await?;
            still.extend(found.map(|_| vehicle_id));
            fresh.extend(found.filter(|found| *found == mark).map(|_| vehicle_id));
        }
        // Where something came in meanwhile the next recast sees to the book: this one may lack a row of its days.
        for (vehicle_id, change) in books.iter().filter(|(vehicle_id, _)| fresh.contains(vehicle_id)) {
            tx.change_book(*vehicle_id, change).await?;
        }
        let told = tx.told_forecasts(&still).await?;
        for row in rows.iter().filter(|row| still.contains(&row.vehicle_id)) {
            tx.save_forecast(row, now).await?;
            let before = told.get(&(row.vehicle_id, row.kind.as_str().to_owned()));
            tx.tell_forecast(row, before, *notable_days, now).await?;
        }
        for past in record.iter().filter(|past| still.contains(&past.vehicle_id)) {
            tx.record_forecast(past).await?;
        }
        for past in settle.iter().filter(|past| still.contains(&past.vehicle_id)) {
            tx.settle_forecast(past).await?;
        }
        for packs in packs.iter().filter(|packs| still.contains(&packs.vehicle_id)) {
            tx.save_packs(packs, now).await?;
        }
        for (vehicle_id, _) in gone {
            tx.forget_pack_outlook(*vehicle_id).await?;
        }
        for (vehicle_id, _) in gone.iter().chain(unruled).filter(|(vehicle_id, _)| still.contains(vehicle_id)) {
            within!(&mut tx, c => sqlx::query(FORGET).bind(vehicle_id).execute(c).await.map(drop))?;
        }
        for packs in packs.iter().filter(|packs| still.contains(&packs.vehicle_id)) {
            tx.hold_for(packs.vehicle_id, packs.stops.as_deref().unwrap_or_default(), now).await?;
        }
        tx.commit().await
    }

    /// Forecasts in the order of urgency: unknown first, then silent, then by the late edge.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn list_forecasts(&self, filter: &ListFilter) -> Result<Vec<ListRow>> {
        let first = ListPosition { rank: -1, due_day: 0, vehicle_id: 0, kind: String::new() };
        let after = filter.after.as_ref().unwrap_or(&first);
        let rows: Vec<ListTuple> = read!(self, pool => sqlx::query_as(LIST)
            .bind(after.rank).bind(after.due_day).bind(after.vehicle_id).bind(&after.kind)
            .bind(&filter.depot).bind(filter.kind.map(Kind::as_str)).bind(&filter.band)
            .bind(filter.until.map(day_number)).bind(&filter.unit).bind(filter.key_depots_of).bind(filter.limit)
            .bind(filter.unit_has.as_deref().map(containing)).fetch_all(pool).await)?;
        let row = |(rank, due_day, vehicle_id, kind, unit, depot, work_order_id, item): ListTuple| ListRow {
            position: ListPosition { rank, due_day, vehicle_id, kind },
            unit,
            depot,
            work_order_id,
            item,
        };
        Ok(rows.into_iter().map(row).collect())
    }
}

impl Tx {
    /// Ends a claim; the car's mark by now, or nothing where the forecast made under the claim is no longer wanted: the car
    /// is fresh already, another worker took over after the claim ran out, and what it saved rests on more.
    async fn end_claim(&mut self, vehicle_id: i64, mark: i64) -> Result<Option<i64>> {
        let found: Option<i64> =
            within!(self, c => sqlx::query_scalar(RELEASE).bind(vehicle_id).fetch_optional(c).await)?;
        if found == Some(mark) {
            within!(self, c => sqlx::query(FRESH).bind(vehicle_id).bind(mark).execute(c).await.map(drop))?;
        }
        Ok(found)
    }

    /// What was last told of these cars' forecasts.
    async fn told_forecasts(&mut self, cars: &HashSet<i64>) -> Result<HashMap<(i64, String), LastTold>> {
        let sql = self.pick(TOLD[0], TOLD[1]);
        let ids = serde_json::to_string(cars).unwrap_or_default();
        let rows: Vec<ToldRow> = within!(self, c => sqlx::query_as(sql).bind(ids).fetch_all(c).await)?;
        let last =
            |(car, kind, unit, band, due_day): ToldRow| ((car, kind), LastTold { unit, forecast: band.zip(due_day) });
        Ok(rows.into_iter().map(last).collect())
    }

    /// Tells of a forecast that is no longer as it was last told. A car's first one is not told: a first load would tell of
    /// every car, and what calls for work raises an order.
    async fn tell_forecast(
        &mut self,
        row: &ForecastRow,
        before: Option<&LastTold>,
        notable_days: i64,
        now: DateTime<Utc>,
    ) -> Result<()> {
        let due_day = row.due_on.map_or(NEVER, day_number);
        let last = before.and_then(|before| before.forecast.as_ref());
        if last.is_some_and(|(band, day)| band == row.band && due_day.abs_diff(*day) < notable_days.unsigned_abs()) {
            return Ok(());
        }
        within!(self, c => sqlx::query(TELL)
            .bind(row.vehicle_id).bind(row.kind.as_str()).bind(row.band).bind(due_day).execute(c).await.map(drop))?;
        let Some((unit, (band, day))) = before.and_then(|before| Some((&before.unit, before.forecast.as_ref()?)))
        else {
            return Ok(());
        };
        let was_due_on = if *day == NEVER { None } else { Some(date("forecasts.told_due_day", *day)?) };
        self.tell(Told {
            at: now,
            what: EventType::ForecastChanged,
            subject: format!("vehicle {unit}"),
            depot_id: Some(row.depot_id),
            actor: "loop",
            data: json!({
                "unit": unit, "kind": row.kind.as_str(), "band": row.band, "was_band": band, "early_on": row.early_on,
                "due_on": row.due_on, "was_due_on": was_due_on,
            }),
        })
        .await
    }

    async fn save_forecast(&mut self, row: &ForecastRow, now: DateTime<Utc>) -> Result<()> {
        let due_day = row.due_on.map_or(NEVER, day_number);
        let kind = row.kind.as_str();
        within!(self, c => sqlx::query(SAVE)
            .bind(row.vehicle_id).bind(kind).bind(row.depot_id).bind(row.rank).bind(due_day)
            .bind(row.early_on.map_or(NEVER, day_number)).bind(row.band).bind(day_number(row.made_on))
            .bind(micros(now)).bind(row.metres_per_day).bind(row.hours_per_day).bind(&row.raise_reason)
            .bind(&row.item).bind(row.mark).execute(c).await.map(drop))?;
        within!(self, c => sqlx::query(SORT_ORDER)
            .bind(row.vehicle_id).bind(kind).bind(row.rank).bind(due_day).execute(c).await.map(drop))?;
        Ok(())
    }
}
