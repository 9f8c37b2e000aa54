//! Vehicles: which car, under which unit number, at which depot, from when to when.

use chrono::NaiveDate;
use chrono_tz::Tz;
use serde_json::{Value, json};
use ventmile_model::fleet::{DistanceUnit, Metres, Vin, parse_zone};

use super::depots::DepotRecord;
use super::journal::Entry;
use super::orders::order_number;
use super::outbox::Told;
use super::values::{date, day_number, known, micros};
use super::{
    Answer, Conflict, EventType, IfMatch, Refused, Result, Store, StoreError, Tally, Tx, Verdict, Writing, one_changed,
    opened, read, stale, within,
};

/// A stored vehicle.
#[derive(Clone, Debug)]
pub struct VehicleRecord {
    /// Its number in the database.
    pub id: i64,
    /// Counts its changes.
    pub version: i64,
    /// The fleet's own number for it: today's, or the last it had.
    pub unit: String,
    /// Number of the depot where it stays.
    pub depot_id: i64,
    /// Code of that depot.
    pub depot: String,
    /// Zone of that depot.
    pub zone: Tz,
    /// Vehicle identification number.
    pub vin: Option<String>,
    /// Model, in the fleet's own words.
    pub model: Option<String>,
    /// Type for the track's speed limit.
    pub vehicle_type: String,
    /// The unit its in-service odometer was given in.
    pub distance_unit: DistanceUnit,
    /// First day in service.
    pub in_service_on: NaiveDate,
    /// Odometer on that day.
    pub odometer_in_service: Option<Metres>,
    /// Whether it came in used, where somebody said so.
    pub came_in_used: Option<bool>,
    /// Last day in service.
    pub retired_on: Option<NaiveDate>,
    /// Why it was retired.
    pub retired_reason: Option<String>,
}

/// A vehicle to be added.
#[derive(Clone, Debug)]
pub struct NewVehicle {
    /// Unit number.
    pub unit: String,
    /// Code of its depot.
    pub depot: String,
    /// Vehicle identification number.
    pub vin: Option<Vin>,
    /// Model.
    pub model: Option<String>,
    /// Type for the track's speed limit.
    pub vehicle_type: String,
    /// Unit of the odometer.
    pub distance_unit: Option<DistanceUnit>,
    /// First day in service.
    pub in_service_on: NaiveDate,
    /// Odometer on that day.
    pub odometer_in_service: Option<Metres>,
    /// Whether it came in used.
    pub came_in_used: Option<bool>,
}

/// What may be changed about a vehicle: `None` stays, `Some(None)` is emptied.
#[derive(Clone, Debug, Default)]
pub struct VehicleChange {
    /// Vehicle identification number.
    pub vin: Option<Option<Vin>>,
    /// Model.
    pub model: Option<Option<String>>,
    /// Type.
    pub vehicle_type: Option<String>,
    /// Odometer at the start.
    pub odometer_in_service: Option<Option<Metres>>,
    /// Whether it came in used.
    pub came_in_used: Option<Option<bool>>,
}

/// Which vehicles a list shows.
#[derive(Clone, Debug, Default)]
pub struct VehicleFilter {
    /// Only of this depot.
    pub depot: Option<String>,
    /// Retired ones too.
    pub with_retired: bool,
    /// After this unit and number.
    pub after: Option<(String, i64)>,
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
    /// At most so many.
    pub limit: i64,
}

/// Where a car is stationed from a day on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stay {
    /// The first day, local to the depot.
    pub from: NaiveDate,
    /// Code of the depot.
    pub depot: String,
    /// Its name.
    pub name: String,
}

#[derive(sqlx::FromRow)]
struct Row {
    id: i64,
    version: i64,
    unit: String,
    depot_id: i64,
    depot: String,
    zone: String,
    vin: Option<String>,
    model: Option<String>,
    vehicle_type: String,
    distance_unit: String,
    in_service_day: i64,
    in_service_metres: Option<i64>,
    came_in_used: Option<i64>,
    retired_day: Option<i64>,
    retired_reason: Option<String>,
}

macro_rules! select {
    ($rest:literal) => {
        concat!(
            "SELECT v.id, v.version, v.unit, v.depot_id, d.code AS depot, d.zone, v.vin, v.model, v.vehicle_type,
                v.distance_unit, v.in_service_day, v.in_service_metres, v.came_in_used, v.retired_day, v.retired_reason
            FROM vehicles v JOIN depots d ON d.id = v.depot_id ",
            $rest
        )
    };
}

/// The car that holds the number today, else the one that held it last.
const BY_UNIT: &str =
    select!("WHERE v.id = (SELECT vehicle_id FROM unit_numbers WHERE unit = $1 ORDER BY from_day DESC LIMIT 1)");
const BY_ID: &str = select!("WHERE v.id = $1");
const LIST: &str = select!(
    "WHERE (CAST($1 AS TEXT) IS NULL OR d.code = $1) AND (CAST($2 AS BIGINT) = 1 OR v.retired_day IS NULL)
        AND (v.unit, v.id) > ($3, $4) AND (CAST($5 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $5 AND depot_id = v.depot_id))
    ORDER BY v.unit, v.id LIMIT $6"
);
const ADD: &str = "INSERT INTO vehicles (unit, depot_id, vin, model, vehicle_type, distance_unit, in_service_day,
        in_service_metres, came_in_used, version, created_us, changed_us)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, 1, $10, $10) RETURNING id";
const HOLDERS: &str = "SELECT from_day, to_day FROM unit_numbers WHERE unit = $1 ORDER BY from_day";
const TAKE_UNIT: &str = "INSERT INTO unit_numbers (unit, from_day, vehicle_id) VALUES ($1, $2, $3)";
const STAY: &str = "INSERT INTO stays (vehicle_id, from_day, depot_id) VALUES ($1, $2, $3)
    ON CONFLICT (vehicle_id, from_day) DO UPDATE SET depot_id = excluded.depot_id";
const STAYS: &str = "SELECT s.from_day, d.code, d.name FROM stays s JOIN depots d ON d.id = s.depot_id
    WHERE s.vehicle_id = $1 ORDER BY s.from_day";
const LAST_STAY: &str = "SELECT max(from_day) FROM stays WHERE vehicle_id = $1";
const CHANGE: &str = "UPDATE vehicles SET vin = $2, model = $3, vehicle_type = $4, in_service_metres = $5,
        came_in_used = $6, depot_id = $7, retired_day = $8, retired_reason = $9, version = version + 1, changed_us = $10
    WHERE id = $1 AND version = $11";
const GIVE_UP_UNIT: &str = "UPDATE unit_numbers SET to_day = $2 WHERE vehicle_id = $1 AND to_day IS NULL";
const CANCEL_ORDERS: &str = "UPDATE work_orders SET status = 'cancelled', closing_reason = $2, version = version + 1,
        changed_us = $3, lease_until_us = NULL, paused_us = NULL, paused_reason = NULL, plan_day = NULL, plan = NULL
    WHERE vehicle_id = $1 AND status IN ('needs-action', 'in-process') RETURNING id";
const DROP_FORECASTS: &str = "DELETE FROM forecasts WHERE vehicle_id = $1";
// What the car did elsewhere says nothing of what is usual here.
const MOVE_FORECASTS: &str =
    "UPDATE forecasts SET depot_id = $2, metres_per_day = NULL, hours_per_day = NULL WHERE vehicle_id = $1";
// A plan was for a bay of the old depot.
const MOVE_ORDERS: &str = "UPDATE work_orders SET depot_id = $2, version = version + 1, changed_us = $3,
        plan_day = NULL, plan = NULL
    WHERE vehicle_id = $1 AND status IN ('needs-action', 'in-process')";
pub(super) const MARK_STALE: &str = stale!("VALUES ($1, $2, $2, 0, -1000000)");

impl TryFrom<Row> for VehicleRecord {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        Ok(Self {
            id: row.id,
            version: row.version,
            depot_id: row.depot_id,
            depot: row.depot,
            zone: known("depots.zone", &row.zone, parse_zone(&row.zone))?,
            distance_unit: known(
                "vehicles.distance_unit",
                &row.distance_unit,
                DistanceUnit::parse(&row.distance_unit),
            )?,
            in_service_on: date("vehicles.in_service_day", row.in_service_day)?,
            retired_on: row.retired_day.map(|day| date("vehicles.retired_day", day)).transpose()?,
            unit: row.unit,
            vin: row.vin,
            model: row.model,
            vehicle_type: row.vehicle_type,
            odometer_in_service: row.in_service_metres.map(Metres),
            came_in_used: row.came_in_used.map(|used| used != 0),
            retired_reason: row.retired_reason,
        })
    }
}

fn journal_view(car: &VehicleRecord) -> Value {
    json!({
        "unit": car.unit, "depot": car.depot, "vin": car.vin, "model": car.model, "vehicle_type": car.vehicle_type,
        "in_service_on": car.in_service_on, "odometer_in_service_m": car.odometer_in_service.map(|metres| metres.0),
        "came_in_used": car.came_in_used, "retired_on": car.retired_on, "retired_reason": car.retired_reason,
    })
}

impl Tx {
    /// The car of this unit number, if the caller may see it.
    pub(super) async fn vehicle(&mut self, unit: &str, writing: &Writing) -> Result<VehicleRecord> {
        let row: Option<Row> = within!(self, c => sqlx::query_as(BY_UNIT).bind(unit).fetch_optional(c).await)?;
        let record = row.map(VehicleRecord::try_from).transpose()?;
        record
            .filter(|car| writing.actor.may_see(&car.depot))
            .ok_or_else(|| Conflict::Missing { what: "vehicle", name: unit.to_owned() }.into())
    }

    /// The car of this number.
    pub(super) async fn vehicle_of(&mut self, id: i64) -> Result<Option<VehicleRecord>> {
        let row: Option<Row> = within!(self, c => sqlx::query_as(BY_ID).bind(id).fetch_optional(c).await)?;
        row.map(VehicleRecord::try_from).transpose()
    }

    pub(super) async fn mark_stale(&mut self, vehicle_id: i64, since_us: i64) -> Result<()> {
        within!(self, c => sqlx::query(MARK_STALE).bind(vehicle_id).bind(since_us).execute(c).await.map(drop))?;
        Ok(())
    }

    async fn journal_vehicle(
        &mut self,
        action: &'static str,
        before: Option<&VehicleRecord>,
        after: &VehicleRecord,
        writing: &Writing,
    ) -> Result<()> {
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("vehicle {}", after.unit),
            depot_id: Some(after.depot_id),
            before: before.map(journal_view),
            after: Some(journal_view(after)),
        })
        .await
    }

    /// Tells of a car; `data` is an object, to which the car's unit number is added.
    pub(super) async fn tell_of_car(
        &mut self,
        what: EventType,
        car: &VehicleRecord,
        mut data: Value,
        writing: &Writing,
    ) -> Result<()> {
        if let Value::Object(members) = &mut data {
            members.insert("unit".to_owned(), json!(car.unit));
        }
        let (subject, depot_id) = (format!("vehicle {}", car.unit), Some(car.depot_id));
        self.tell(Told { at: writing.now, what, subject, depot_id, actor: &writing.actor.name, data }).await
    }

    async fn save_vehicle(&mut self, old: &VehicleRecord, new: &VehicleRecord, now_us: i64) -> Result<()> {
        let changed = within!(self, c => sqlx::query(CHANGE)
            .bind(old.id).bind(&new.vin).bind(&new.model).bind(&new.vehicle_type)
            .bind(new.odometer_in_service.map(|metres| metres.0)).bind(new.came_in_used.map(i64::from))
            .bind(new.depot_id).bind(new.retired_on.map(day_number)).bind(&new.retired_reason).bind(now_us)
            .bind(old.version).execute(c).await.map(|done| done.rows_affected()))?;
        one_changed(changed, old.version)
    }

    /// A unit number may be taken from a day on when nobody holds it then or later.
    async fn check_unit_free(&mut self, unit: &str, from: NaiveDate) -> Result<()> {
        let holders: Vec<(i64, Option<i64>)> =
            within!(self, c => sqlx::query_as(HOLDERS).bind(unit).fetch_all(c).await)?;
        let from_day = day_number(from);
        for (_, to_day) in holders {
            let Some(to_day) = to_day else {
                return Err(Conflict::Exists { what: "vehicle", name: unit.to_owned() }.into());
            };
            if to_day >= from_day {
                let until = date("unit_numbers.to_day", to_day)?;
                let reason = format!("unit {unit:?} belongs to another car until {until}: give a later in_service_on");
                return Err(Conflict::Field { field: "in_service_on", reason }.into());
            }
        }
        Ok(())
    }

    async fn insert_vehicle(&mut self, new: NewVehicle, writing: &Writing) -> Result<VehicleRecord> {
        let depot = self.named_depot(&new.depot, writing).await?;
        self.check_unit_free(&new.unit, new.in_service_on).await?;
        let unit = new.distance_unit.unwrap_or(depot.depot.distance_unit);
        let in_service_day = day_number(new.in_service_on);
        let id: i64 = within!(self, c => sqlx::query_scalar(ADD)
            .bind(&new.unit).bind(depot.id).bind(new.vin.as_ref().map(Vin::as_str)).bind(&new.model)
            .bind(&new.vehicle_type).bind(unit.as_str()).bind(in_service_day)
            .bind(new.odometer_in_service.map(|metres| metres.0)).bind(new.came_in_used.map(i64::from))
            .bind(micros(writing.now)).fetch_one(c).await)?;
        let taken: Result<_, sqlx::Error> = within!(self, c => sqlx::query(TAKE_UNIT)
            .bind(&new.unit).bind(in_service_day).bind(id).execute(c).await.map(drop));
        taken.map_err(|error| {
            StoreError::or_exists(error, || Conflict::Exists { what: "vehicle", name: new.unit.clone() })
        })?;
        within!(self, c => sqlx::query(STAY).bind(id).bind(in_service_day).bind(depot.id)
            .execute(c).await.map(drop))?;
        self.mark_stale(id, micros(writing.now)).await?;
        let record = VehicleRecord {
            id,
            version: 1,
            unit: new.unit,
            depot_id: depot.id,
            depot: depot.depot.code,
            zone: depot.depot.zone,
            vin: new.vin.map(|vin| vin.as_str().to_owned()),
            model: new.model,
            vehicle_type: new.vehicle_type,
            distance_unit: unit,
            in_service_on: new.in_service_on,
            odometer_in_service: new.odometer_in_service,
            came_in_used: new.came_in_used,
            retired_on: None,
            retired_reason: None,
        };
        self.journal_vehicle("vehicle add", None, &record, writing).await?;
        Ok(record)
    }

    /// The first day of the car's present stay, where a day is before it.
    async fn since_after(&mut self, vehicle_id: i64, on: NaiveDate) -> Result<Option<NaiveDate>> {
        let last: Option<i64> = within!(self, c => sqlx::query_scalar(LAST_STAY).bind(vehicle_id).fetch_one(c).await)?;
        last.filter(|last| day_number(on) < *last).map(|last| date("stays.from_day", last)).transpose()
    }

    /// Whether a car can have moved on a day: it has been at its depot no longer.
    pub(super) async fn is_last_stay(&mut self, vehicle_id: i64, on: NaiveDate) -> Result<bool> {
        Ok(self.since_after(vehicle_id, on).await?.is_none())
    }

    /// Moves a car to another depot from a day on; its open orders go with it, its history stays.
    pub(super) async fn relocate(
        &mut self,
        old: &VehicleRecord,
        target: DepotRecord,
        on: NaiveDate,
        writing: &Writing,
    ) -> Result<VehicleRecord> {
        if let Some(since) = self.since_after(old.id, on).await? {
            let reason = format!("the car has been at its depot since {since}: a move cannot be earlier");
            return Err(Conflict::Field { field: "on", reason }.into());
        }
        within!(self, c => sqlx::query(STAY).bind(old.id).bind(day_number(on)).bind(target.id)
            .execute(c).await.map(drop))?;
        let new = VehicleRecord {
            version: old.version + 1,
            depot_id: target.id,
            depot: target.depot.code,
            zone: target.depot.zone,
            ..old.clone()
        };
        let now_us = micros(writing.now);
        self.save_vehicle(old, &new, now_us).await?;
        within!(self, c => sqlx::query(MOVE_ORDERS).bind(old.id).bind(target.id).bind(now_us)
            .execute(c).await.map(drop))?;
        self.mark_stale(old.id, now_us).await?;
        within!(self, c => sqlx::query(MOVE_FORECASTS).bind(old.id).bind(target.id).execute(c).await.map(drop))?;
        self.journal_vehicle("vehicle move", Some(old), &new, writing).await?;
        self.tell_of_car(EventType::CarLeft, old, json!({"on": on}), writing).await?;
        self.tell_of_car(EventType::CarArrived, &new, json!({"on": on}), writing).await?;
        Ok(new)
    }
}

impl Store {
    /// The car that holds this unit number today, else the one that held it last.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or the row cannot be read.
    pub async fn find_vehicle(&self, unit: &str) -> Result<Option<VehicleRecord>> {
        let row: Option<Row> = read!(self, pool => sqlx::query_as(BY_UNIT).bind(unit).fetch_optional(pool).await)?;
        row.map(VehicleRecord::try_from).transpose()
    }

    /// Where a car has been stationed, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn stays(&self, vehicle_id: i64) -> Result<Vec<Stay>> {
        let rows: Vec<(i64, String, String)> =
            read!(self, pool => sqlx::query_as(STAYS).bind(vehicle_id).fetch_all(pool).await)?;
        let stay = |(from, depot, name)| Ok(Stay { from: date("stays.from_day", from)?, depot, name });
        rows.into_iter().map(stay).collect()
    }

    /// Vehicles by unit number.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn vehicles(&self, filter: &VehicleFilter) -> Result<Vec<VehicleRecord>> {
        let (after_unit, after_id) = filter.after.clone().unwrap_or_default();
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(LIST)
            .bind(&filter.depot).bind(i64::from(filter.with_retired)).bind(after_unit).bind(after_id)
            .bind(filter.key_depots_of).bind(filter.limit).fetch_all(pool).await)?;
        rows.into_iter().map(VehicleRecord::try_from).collect()
    }

    /// Adds a vehicle.
    ///
    /// # Errors
    /// [`Conflict::Exists`] when a car in service holds the unit number, [`Conflict::Field`] when the depot is not
    /// there or the number is taken on the first day.
    pub async fn add_vehicle(
        &self,
        new: NewVehicle,
        writing: &Writing,
        answer: impl FnOnce(&VehicleRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let record = tx.insert_vehicle(new, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Changes what is known of a vehicle.
    ///
    /// # Errors
    /// [`Conflict::Missing`], or [`Conflict::Version`] when it has changed since.
    pub async fn change_vehicle(
        &self,
        unit: &str,
        if_match: IfMatch,
        change: VehicleChange,
        writing: &Writing,
        answer: impl FnOnce(&VehicleRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let old = tx.vehicle(unit, writing).await?;
        if_match.check(old.version)?;
        let mut new = VehicleRecord { version: old.version + 1, ..old.clone() };
        if let Some(vin) = change.vin {
            new.vin = vin.map(|vin| vin.as_str().to_owned());
        }
        new.model = change.model.unwrap_or(new.model);
        new.vehicle_type = change.vehicle_type.unwrap_or(new.vehicle_type);
        new.odometer_in_service = change.odometer_in_service.unwrap_or(new.odometer_in_service);
        new.came_in_used = change.came_in_used.unwrap_or(new.came_in_used);
        tx.save_vehicle(&old, &new, micros(writing.now)).await?;
        tx.mark_stale(old.id, micros(writing.now)).await?;
        tx.journal_vehicle("vehicle change", Some(&old), &new, writing).await?;
        tx.finish(writing, answer(&new)).await
    }

    /// Moves a car to another depot from a day on; its open orders go with it, its history stays.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], or [`Conflict::Field`] when the depot is not there or the day is
    /// before the last move.
    pub async fn move_vehicle(
        &self,
        unit: &str,
        if_match: IfMatch,
        depot: &str,
        on: NaiveDate,
        writing: &Writing,
        answer: impl FnOnce(&VehicleRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let old = tx.vehicle(unit, writing).await?;
        if_match.check(old.version)?;
        let target = tx.depot(depot, writing).await?;
        let new = tx.relocate(&old, target, on, writing).await?;
        tx.finish(writing, answer(&new)).await
    }

    /// Retires a car: its number is free from the day after, its open orders are cancelled with the reason.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], or [`Conflict::Rule`] when it is retired already.
    pub async fn retire_vehicle(
        &self,
        unit: &str,
        if_match: IfMatch,
        on: NaiveDate,
        reason: &str,
        writing: &Writing,
        answer: impl FnOnce(&VehicleRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let old = tx.vehicle(unit, writing).await?;
        if_match.check(old.version)?;
        if let Some(day) = old.retired_on {
            return Err(Conflict::Rule(format!("the car was retired on {day}")).into());
        }
        if on < old.in_service_on {
            let reason = format!("the car came into service on {}", old.in_service_on);
            return Err(Conflict::Field { field: "on", reason }.into());
        }
        let new = VehicleRecord {
            version: old.version + 1,
            retired_on: Some(on),
            retired_reason: Some(reason.to_owned()),
            ..old.clone()
        };
        let now_us = micros(writing.now);
        tx.hold_orders(&[old.id]).await?;
        tx.save_vehicle(&old, &new, now_us).await?;
        within!(&mut tx, c => sqlx::query(GIVE_UP_UNIT).bind(old.id).bind(day_number(on))
            .execute(c).await.map(drop))?;
        tx.withdraw_plans(old.id, on, now_us).await?;
        within!(&mut tx, c => sqlx::query(DROP_FORECASTS).bind(old.id).execute(c).await.map(drop))?;
        let cancelled: Vec<i64> = within!(&mut tx, c => sqlx::query_scalar(CANCEL_ORDERS)
            .bind(old.id).bind(format!("car retired: {reason}")).bind(now_us).fetch_all(c).await)?;
        tx.journal_vehicle("vehicle retire", Some(&old), &new, writing).await?;
        tx.tell_of_car(EventType::CarRetired, &new, json!({"on": on, "reason": reason}), writing).await?;
        for id in cancelled {
            tx.journal(Entry {
                at: writing.now,
                actor: &writing.actor.name,
                action: "work-order cancel",
                subject: format!("work-order {}", order_number(id)),
                depot_id: Some(old.depot_id),
                before: None,
                after: Some(json!({"status": "cancelled", "reason": format!("car retired: {reason}")})),
            })
            .await?;
            let order = tx.reread(id).await?;
            tx.tell_order("work-order cancel", &order, &writing.actor.name, writing.now).await?;
        }
        tx.finish(writing, answer(&new)).await
    }
}

impl Store {
    /// Adds vehicles in one transaction, a verdict each: a row that says what is stored already is `repeated`. As a trial it is
    /// taken back.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails: none is added then.
    pub async fn add_vehicles(&self, rows: Vec<(u64, NewVehicle)>, writing: &Writing, trial: bool) -> Result<Tally> {
        let mut tally = Tally::default();
        let mut tx = self.begin().await?;
        for (row, new) in rows {
            if tx.is_as_stored(&new, writing).await? {
                tally.take(row, Verdict::Repeated);
                continue;
            }
            let given = new.clone();
            match tx.insert_vehicle(new, writing).await {
                Ok(_) => tally.take(row, Verdict::Stored),
                Err(StoreError::Conflict(conflict)) => tally.refused.push(refusal(row, &given, &conflict)),
                Err(other) => return Err(other),
            }
        }
        if !trial {
            tx.commit().await?;
        }
        Ok(tally)
    }
}

/// What a conflict means for one row of many.
fn refusal(row: u64, given: &NewVehicle, conflict: &Conflict) -> Refused {
    let field = match conflict {
        Conflict::Field { field, .. } => field,
        _ => "unit",
    };
    let value = match field {
        "depot" => json!(given.depot),
        "in_service_on" => json!(given.in_service_on),
        _ => json!(given.unit),
    };
    Refused { row, field: field.to_owned(), value, reason: conflict.to_string() }
}

impl Tx {
    async fn is_as_stored(&mut self, new: &NewVehicle, writing: &Writing) -> Result<bool> {
        match self.vehicle(&new.unit, writing).await {
            Ok(old) => Ok(old.depot == new.depot
                && old.vin.as_deref() == new.vin.as_ref().map(Vin::as_str)
                && old.model == new.model
                && old.vehicle_type == new.vehicle_type
                && old.in_service_on == new.in_service_on
                && old.odometer_in_service == new.odometer_in_service
                && old.came_in_used == new.came_in_used),
            Err(StoreError::Conflict(_)) => Ok(false),
            Err(other) => Err(other),
        }
    }
}
