//! The week's events: days on which a car can be spared, what drivers report, breakdowns, codes that stop a car.

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde_json::json;
use ventmile_model::fleet::{Kind, TroubleCode, local_day, parse_zone};

use super::journal::Entry;
use super::orders::stop_code;
use super::values::{date, day_number, instant, known, micros};
use super::{
    Answer, Conflict, EventType, NewOffRoad, NewOrder, Result, Store, Tx, VehicleRecord, Writing, opened, order_number,
    read, within,
};

/// Days on which a car can be spared.
#[derive(Clone, Debug)]
pub struct WindowRecord {
    /// Its number.
    pub id: i64,
    /// The car.
    pub unit: String,
    /// Its depot.
    pub depot: String,
    /// First day.
    pub from: NaiveDate,
    /// Last day.
    pub to: NaiveDate,
    /// What else was noted.
    pub note: Option<String>,
    /// Which key posted it.
    pub added_by: String,
    /// When it was taken back.
    pub withdrawn_at: Option<DateTime<Utc>>,
}

/// Days to be stored on which a car can be spared.
#[derive(Clone, Debug)]
pub struct NewWindow {
    /// The car.
    pub unit: String,
    /// First day.
    pub from: NaiveDate,
    /// Last day.
    pub to: NaiveDate,
    /// What else is noted.
    pub note: Option<String>,
}

/// Which windows or events a list shows.
#[derive(Clone, Debug, Default)]
pub struct EventFilter {
    /// Only of this depot's cars.
    pub depot: Option<String>,
    /// Only of this car.
    pub unit: Option<String>,
    /// Breakdowns only, or drivers' reports only.
    pub breakdowns: bool,
    /// After this number.
    pub after: i64,
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
    /// At most so many.
    pub limit: i64,
}

/// What a driver reported, or a breakdown.
#[derive(Clone, Debug)]
pub struct EventRecord {
    /// Its number.
    pub id: i64,
    /// The car.
    pub unit: String,
    /// Its depot then.
    pub depot: String,
    /// What it was.
    pub what: String,
    /// When.
    pub at: DateTime<Utc>,
    /// What was told.
    pub told: String,
    /// Who told it.
    pub told_by: String,
    /// Number of the order it raised or joined.
    pub work_order_id: Option<i64>,
    /// Whether that order was open already.
    pub joined: bool,
    /// First day off the road.
    pub off_road_from: Option<NaiveDate>,
}

/// An event to be stored.
#[derive(Clone, Debug)]
pub struct NewEvent {
    /// The car.
    pub unit: String,
    /// [`BREAKDOWN`], or a symptom.
    pub what: &'static str,
    /// When.
    pub at: DateTime<Utc>,
    /// What was told.
    pub told: String,
    /// Who told it.
    pub told_by: String,
    /// The job it calls for.
    pub calls_for: Option<Kind>,
}

/// What a breakdown is called among the events.
pub const BREAKDOWN: &str = "breakdown";

/// A car with codes on which cars are stopped, whatever their state.
#[derive(Clone, Debug)]
pub struct StopCodes {
    /// The car.
    pub unit: String,
    /// Its depot.
    pub depot: String,
    /// That depot's zone.
    pub zone: Tz,
    /// The codes.
    pub codes: Vec<TroubleCode>,
}

type WindowRow = (i64, String, String, i64, i64, Option<String>, String, Option<i64>);
type EventRow = (i64, String, String, String, i64, String, String, Option<i64>, i64, Option<i64>);

macro_rules! windows {
    ($rest:literal) => {
        concat!(
            "SELECT r.id, v.unit, d.code, r.from_day, r.to_day, r.note, r.added_by, r.withdrawn_us
            FROM release_windows r JOIN vehicles v ON v.id = r.vehicle_id JOIN depots d ON d.id = v.depot_id ",
            $rest
        )
    };
}

const WINDOW: &str = windows!("WHERE r.id = $1");
const WINDOWS: &str = windows!(
    "WHERE r.id > $1 AND (CAST($2 AS TEXT) IS NULL OR d.code = $2) AND (CAST($3 AS TEXT) IS NULL OR v.unit = $3)
        AND (CAST($4 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $4 AND key_depots.depot_id = v.depot_id))
    ORDER BY r.id LIMIT $5"
);
const STANDING_WINDOWS: &str = windows!(
    "WHERE r.withdrawn_us IS NULL AND r.to_day >= $1 AND v.retired_day IS NULL
        AND (CAST($2 AS TEXT) IS NULL OR d.code = $2)
        AND (CAST($3 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $3 AND key_depots.depot_id = v.depot_id))
    ORDER BY r.from_day, v.unit, r.id"
);
const SPARED: &str = "SELECT from_day, to_day FROM release_windows
    WHERE vehicle_id = $1 AND to_day >= $2 AND withdrawn_us IS NULL ORDER BY from_day, id";
const ADD_WINDOW: &str = "INSERT INTO release_windows (vehicle_id, from_day, to_day, note, added_by, created_us)
    VALUES ($1, $2, $3, $4, $5, $6) RETURNING id";
const WITHDRAW: &str = "UPDATE release_windows SET withdrawn_us = $2 WHERE id = $1 AND withdrawn_us IS NULL";

macro_rules! events {
    ($rest:literal) => {
        concat!(
            "SELECT e.id, v.unit, d.code, e.what, e.at_us, e.told, e.told_by, e.work_order_id, e.joined, o.from_day
            FROM car_events e JOIN vehicles v ON v.id = e.vehicle_id JOIN depots d ON d.id = e.depot_id
                LEFT JOIN off_road o ON o.id = e.off_road_id ",
            $rest
        )
    };
}

const EVENT: &str = events!("WHERE e.id = $1");
const EVENTS: &str = events!(
    "WHERE e.id > $1 AND (CAST($2 AS TEXT) IS NULL OR d.code = $2) AND (CAST($3 AS TEXT) IS NULL OR v.unit = $3)
        AND (CAST($4 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $4 AND key_depots.depot_id = e.depot_id))
        AND (e.what = 'breakdown') = (CAST($6 AS BIGINT) = 1)
    ORDER BY e.id LIMIT $5"
);
const ADD_EVENT: &str =
    "INSERT INTO car_events (vehicle_id, depot_id, what, at_us, told, told_by, work_order_id, joined,
        off_road_id, created_us)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) RETURNING id";
const STOPS: &str = "SELECT v.unit, d.code, d.zone,
        string_agg(c.code || ' ' || c.state || ' ' || CAST(c.at_us AS TEXT), ',') AS codes
    FROM trouble_codes c JOIN vehicles v ON v.id = c.vehicle_id JOIN depots d ON d.id = v.depot_id
    WHERE substr(c.code, 1, 5) IN ('P0AA6', 'P0A7E') AND c.voided_us IS NULL AND v.retired_day IS NULL
        AND (CAST($1 AS TEXT) IS NULL OR d.code = $1)
        AND (CAST($2 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $2 AND key_depots.depot_id = v.depot_id))
    GROUP BY v.unit, d.code, d.zone ORDER BY v.unit";

fn window((id, unit, depot, from, to, note, added_by, withdrawn): WindowRow) -> Result<WindowRecord> {
    Ok(WindowRecord {
        id,
        unit,
        depot,
        from: date("release_windows.from_day", from)?,
        to: date("release_windows.to_day", to)?,
        note,
        added_by,
        withdrawn_at: withdrawn.map(|at| instant("release_windows.withdrawn_us", at)).transpose()?,
    })
}

fn event((id, unit, depot, what, at, told, told_by, order, joined, off_road): EventRow) -> Result<EventRecord> {
    Ok(EventRecord {
        id,
        unit,
        depot,
        what,
        at: instant("car_events.at_us", at)?,
        told,
        told_by,
        work_order_id: order,
        joined: joined != 0,
        off_road_from: off_road.map(|day| date("off_road.from_day", day)).transpose()?,
    })
}

impl Tx {
    /// Windows of a car that do not end before a day, first and last day of each.
    pub(super) async fn spared(&mut self, vehicle_id: i64, from: NaiveDate) -> Result<Vec<(NaiveDate, NaiveDate)>> {
        let rows: Vec<(i64, i64)> = within!(self, c => sqlx::query_as(SPARED)
            .bind(vehicle_id).bind(day_number(from)).fetch_all(c).await)?;
        let day = |day| date("release_windows", day);
        rows.into_iter().map(|(from, to)| Ok((day(from)?, day(to)?))).collect()
    }

    async fn window(&mut self, id: i64, writing: &Writing) -> Result<WindowRecord> {
        let row: Option<WindowRow> = within!(self, c => sqlx::query_as(WINDOW).bind(id).fetch_optional(c).await)?;
        let found = row.map(window).transpose()?.filter(|window| writing.actor.may_see(&window.depot));
        Ok(found.ok_or_else(|| Conflict::Missing { what: "release window", name: id.to_string() })?)
    }

    async fn journal_window(&mut self, action: &'static str, window: &WindowRecord, writing: &Writing) -> Result<()> {
        let car = self.vehicle(&window.unit, writing).await?;
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("vehicle {}", car.unit),
            depot_id: Some(car.depot_id),
            before: None,
            after: Some(json!({"from": window.from, "to": window.to, "note": window.note})),
        })
        .await
    }

    /// The order an event calls for: number and whether it was open already.
    async fn order_for(
        &mut self,
        new: &NewEvent,
        car: &VehicleRecord,
        writing: &Writing,
    ) -> Result<Option<(i64, bool)>> {
        let Some(kind) = new.calls_for else { return Ok(None) };
        let reason = format!("{}: {}", new.what, new.told);
        let order = NewOrder { unit: new.unit.clone(), kind, reason, external_ref: None };
        let (record, is_new) = self.raise_or_join(&order, car, writing).await?;
        Ok(Some((record.id, !is_new)))
    }

    /// Takes a car that broke down off the road, unless it is already.
    async fn broke_down(&mut self, new: &NewEvent, car: &VehicleRecord, writing: &Writing) -> Result<Option<i64>> {
        let from = local_day(new.at, car.zone);
        if let Some(standing) = self.standing_off_road(car.id, from).await?.first() {
            return Ok(Some(standing.id));
        }
        let reason = format!("{BREAKDOWN}: {}", new.told);
        let off = NewOffRoad { from, to: None, reason, safety_hold: false, release_by: Vec::new(), stop_code: None };
        self.take_off_road(car, &off, writing).await.map(Some)
    }
}

impl Store {
    /// Windows in the order of their posting.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn release_windows(&self, filter: &EventFilter) -> Result<Vec<WindowRecord>> {
        let rows: Vec<WindowRow> = read!(self, pool => sqlx::query_as(WINDOWS)
            .bind(filter.after).bind(&filter.depot).bind(&filter.unit).bind(filter.key_depots_of).bind(filter.limit)
            .fetch_all(pool).await)?;
        rows.into_iter().map(window).collect()
    }

    /// Windows that were not taken back and do not end before a day, by their first day.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn standing_windows(
        &self,
        from: NaiveDate,
        depot: Option<&str>,
        key_depots_of: Option<i64>,
    ) -> Result<Vec<WindowRecord>> {
        let rows: Vec<WindowRow> = read!(self, pool => sqlx::query_as(STANDING_WINDOWS)
            .bind(day_number(from)).bind(depot).bind(key_depots_of).fetch_all(pool).await)?;
        rows.into_iter().map(window).collect()
    }

    /// Stores days on which a car can be spared.
    ///
    /// # Errors
    /// [`Conflict::Missing`] when the car is not there.
    pub async fn add_release_window(
        &self,
        new: NewWindow,
        writing: &Writing,
        answer: impl FnOnce(&WindowRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let car = tx.vehicle(&new.unit, writing).await?;
        let id: i64 = within!(&mut tx, c => sqlx::query_scalar(ADD_WINDOW)
            .bind(car.id).bind(day_number(new.from)).bind(day_number(new.to)).bind(&new.note)
            .bind(&writing.actor.name).bind(micros(writing.now)).fetch_one(c).await)?;
        let record = tx.window(id, writing).await?;
        tx.journal_window("release-window add", &record, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Takes such days back.
    ///
    /// # Errors
    /// [`Conflict::Missing`] when they are not there, [`Conflict::Rule`] when that was done already.
    pub async fn withdraw_release_window(
        &self,
        id: i64,
        writing: &Writing,
        answer: impl FnOnce(&WindowRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        tx.window(id, writing).await?;
        let withdrawn = within!(&mut tx, c => sqlx::query(WITHDRAW).bind(id).bind(micros(writing.now))
            .execute(c).await.map(|done| done.rows_affected()))?;
        if withdrawn == 0 {
            return Err(Conflict::Rule("it was withdrawn before".to_owned()).into());
        }
        let record = tx.window(id, writing).await?;
        tx.journal_window("release-window withdraw", &record, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Events in the order in which they were told.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn car_events(&self, filter: &EventFilter) -> Result<Vec<EventRecord>> {
        let rows: Vec<EventRow> = read!(self, pool => sqlx::query_as(EVENTS)
            .bind(filter.after).bind(&filter.depot).bind(&filter.unit).bind(filter.key_depots_of).bind(filter.limit)
            .bind(i64::from(filter.breakdowns)).fetch_all(pool).await)?;
        rows.into_iter().map(event).collect()
    }

    /// Stores an event with what comes of it: an order raised or joined, and after a breakdown the car off the road.
    ///
    /// # Errors
    /// [`Conflict::Missing`] when the car is not there, [`Conflict::Rule`] when it is retired.
    pub async fn add_car_event(
        &self,
        new: NewEvent,
        writing: &Writing,
        answer: impl FnOnce(&EventRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let car = tx.vehicle(&new.unit, writing).await?;
        if new.what == BREAKDOWN {
            tx.hold_orders(&[car.id]).await?;
            tx.mark_stale(car.id, micros(writing.now)).await?;
        }
        let order = tx.order_for(&new, &car, writing).await?;
        let off_road = if new.what == BREAKDOWN { tx.broke_down(&new, &car, writing).await? } else { None };
        let id: i64 = within!(&mut tx, c => sqlx::query_scalar(ADD_EVENT)
            .bind(car.id).bind(car.depot_id).bind(new.what).bind(micros(new.at)).bind(&new.told).bind(&new.told_by)
            .bind(order.map(|(id, _)| id)).bind(i64::from(order.is_some_and(|(_, joined)| joined)))
            .bind(off_road).bind(micros(writing.now)).fetch_one(c).await)?;
        tx.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action: if new.what == BREAKDOWN { "vehicle breakdown" } else { "vehicle driver-report" },
            subject: format!("vehicle {}", car.unit),
            depot_id: Some(car.depot_id),
            before: None,
            after: Some(json!({"what": new.what, "at": new.at, "told": new.told, "by": new.told_by,
                "work_order": order.map(|(id, _)| order_number(id))})),
        })
        .await?;
        let event_type = if new.what == BREAKDOWN { EventType::CarBreakdown } else { EventType::CarReport };
        // What was told and by whom stays here: events go to other systems.
        let told = json!({"what": new.what, "at": new.at, "work_order": order.map(|(id, _)| order_number(id))});
        tx.tell_of_car(event_type, &car, told, writing).await?;
        let row: EventRow = within!(&mut tx, c => sqlx::query_as(EVENT).bind(id).fetch_one(c).await)?;
        let record = event(row)?;
        tx.finish(writing, answer(&record)).await
    }

    /// Cars with codes on which cars are stopped, in whatever state, by unit number.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn stop_codes(&self, depot: Option<&str>, key_depots_of: Option<i64>) -> Result<Vec<StopCodes>> {
        let rows: Vec<(String, String, String, String)> = read!(self, pool => sqlx::query_as(STOPS)
            .bind(depot).bind(key_depots_of).fetch_all(pool).await)?;
        let car = |(unit, depot, zone, codes): (String, String, String, String)| {
            let zone = known("depots.zone", &zone, parse_zone(&zone))?;
            let codes = codes.split(',').map(stop_code).collect::<Result<_>>()?;
            Ok(StopCodes { unit, depot, zone, codes })
        };
        rows.into_iter().map(car).collect()
    }
}
