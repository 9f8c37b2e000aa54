//! Days on which a car does no duty, and safety holds.

use std::ops::RangeInclusive;

use chrono::{DateTime, Days, NaiveDate, Utc};
use chrono_tz::Tz;
use serde_json::json;
use ventmile_model::fleet::parse_zone;

use super::journal::Entry;
use super::values::{date, day_number, instant, known, micros};
use super::{Answer, Conflict, EventType, HoldFile, Result, Store, Tx, VehicleRecord, Writing, opened, read, within};

/// A car taken off the road.
#[derive(Clone, Debug)]
pub struct NewOffRoad {
    /// First day.
    pub from: NaiveDate,
    /// Last day; open when it is not known.
    pub to: Option<NaiveDate>,
    /// Why.
    pub reason: String,
    /// Whether only the named keys may bring it back: it then stays off the road until one does, whatever `to` says.
    pub safety_hold: bool,
    /// Names of the keys that may release a safety hold.
    pub release_by: Vec<String>,
    /// The code on which the car was stopped by itself, without its failure type.
    pub stop_code: Option<String>,
}

/// A stored time off the road.
#[derive(Clone, Debug)]
pub struct OffRoadRecord {
    /// Its number.
    pub id: i64,
    /// What was said.
    pub off_road: NewOffRoad,
    /// Whether it was ended by a return to service.
    pub released: bool,
    /// Since when the car is known to be sound again, where a code took it off the road.
    pub sound_at: Option<DateTime<Utc>>,
}

impl OffRoadRecord {
    /// Whether the car is off the road on a day.
    #[must_use]
    pub fn covers(&self, on: NaiveDate) -> bool {
        let off = &self.off_road;
        !self.released && off.from <= on && (off.safety_hold || off.to.is_none_or(|to| on <= to))
    }
}

/// How a car comes back.
#[derive(Clone, Copy, Debug)]
pub struct Return<'a> {
    /// First day back.
    pub on: NaiveDate,
    /// What else is noted.
    pub note: Option<&'a str>,
    /// Whether the key may release every safety hold.
    pub may_release_all: bool,
}

/// A car that is off the road.
#[derive(Clone, Debug)]
pub struct AwayRecord {
    /// The car.
    pub unit: String,
    /// Its depot.
    pub depot: String,
    /// That depot's zone.
    pub zone: Tz,
    /// Since when, until when and why.
    pub time: OffRoadRecord,
}

#[derive(sqlx::FromRow)]
struct AwayRow {
    unit: String,
    depot: String,
    zone: String,
    id: i64,
    from_day: i64,
    to_day: Option<i64>,
    reason: String,
    safety_hold: i64,
    release_by: String,
    stop_code: Option<String>,
    sound_us: Option<i64>,
}

type Row = (i64, i64, Option<i64>, String, i64, String, Option<i64>, Option<String>, Option<i64>);

const ADD: &str = "INSERT INTO off_road (vehicle_id, from_day, to_day, reason, safety_hold, release_by, created_us,
        stop_code)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8) RETURNING id";
const LIST: &str = "SELECT id, from_day, to_day, reason, safety_hold, release_by, released_us, stop_code, sound_us
    FROM off_road WHERE vehicle_id = $1 ORDER BY from_day, id";
const STANDING: &str = "SELECT id, from_day, to_day, reason, safety_hold, release_by, released_us, stop_code, sound_us
    FROM off_road WHERE vehicle_id = $1 AND released_us IS NULL AND from_day <= $2
        AND (to_day IS NULL OR to_day >= $2 OR safety_hold = 1) ORDER BY id";
const AWAY: &str =
    "SELECT v.unit, d.code AS depot, d.zone, o.id, o.from_day, o.to_day, o.reason, o.safety_hold, o.release_by,
        o.stop_code, o.sound_us
    FROM off_road o JOIN vehicles v ON v.id = o.vehicle_id JOIN depots d ON d.id = v.depot_id
    WHERE o.released_us IS NULL AND v.retired_day IS NULL AND o.from_day <= $4
        AND (o.to_day IS NULL OR o.to_day >= $1 OR o.safety_hold = 1) AND (CAST($2 AS TEXT) IS NULL OR d.code = $2)
        AND (CAST($3 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $3 AND key_depots.depot_id = v.depot_id))
    ORDER BY v.unit, o.id";
const END: &str = "UPDATE off_road SET to_day = $2, released_us = $3 WHERE id = $1 AND released_us IS NULL";

fn record((id, from, to, reason, hold, release_by, released, stop_code, sound): Row) -> Result<OffRoadRecord> {
    Ok(OffRoadRecord {
        id,
        off_road: NewOffRoad {
            from: date("off_road.from_day", from)?,
            to: to.map(|day| date("off_road.to_day", day)).transpose()?,
            reason,
            safety_hold: hold != 0,
            release_by: release_by.split(',').filter(|name| !name.is_empty()).map(str::to_owned).collect(),
            stop_code,
        },
        released: released.is_some(),
        sound_at: sound.map(|at| instant("off_road.sound_us", at)).transpose()?,
    })
}

impl Tx {
    /// Takes a car off the road; the number of that time.
    pub(super) async fn take_off_road(
        &mut self,
        car: &VehicleRecord,
        new: &NewOffRoad,
        writing: &Writing,
    ) -> Result<i64> {
        let id: i64 = within!(self, c => sqlx::query_scalar(ADD)
            .bind(car.id).bind(day_number(new.from)).bind(new.to.map(day_number)).bind(&new.reason)
            .bind(i64::from(new.safety_hold)).bind(new.release_by.join(",")).bind(micros(writing.now))
            .bind(&new.stop_code).fetch_one(c).await)?;
        self.mark_stale(car.id, micros(writing.now)).await?;
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action: "vehicle off-road",
            subject: format!("vehicle {}", car.unit),
            depot_id: Some(car.depot_id),
            before: None,
            after: Some(json!({
                "from": new.from, "to": new.to, "reason": new.reason, "safety_hold": new.safety_hold,
                "release_by": new.release_by, "stop_code": new.stop_code,
            })),
        })
        .await?;
        let told = json!({
            "from": new.from, "to": new.to, "reason": new.reason, "safety_hold": new.safety_hold,
        });
        self.tell_of_car(EventType::CarOffRoad, car, told, writing).await?;
        Ok(id)
    }

    /// A car's times off the road, oldest first.
    pub(super) async fn off_road_of(&mut self, vehicle_id: i64) -> Result<Vec<OffRoadRecord>> {
        let rows: Vec<Row> = within!(self, c => sqlx::query_as(LIST).bind(vehicle_id).fetch_all(c).await)?;
        rows.into_iter().map(record).collect()
    }

    /// The times off the road that cover a day.
    pub(super) async fn standing_off_road(&mut self, vehicle_id: i64, on: NaiveDate) -> Result<Vec<OffRoadRecord>> {
        let rows: Vec<Row> = within!(self, c => sqlx::query_as(STANDING)
            .bind(vehicle_id).bind(day_number(on)).fetch_all(c).await)?;
        rows.into_iter().map(record).collect()
    }
}

impl Store {
    /// A car's times off the road, oldest first.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn off_road(&self, vehicle_id: i64) -> Result<Vec<OffRoadRecord>> {
        self.begin_read().await?.off_road_of(vehicle_id).await
    }

    /// Cars off the road on any of these days, by unit number.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn cars_away(
        &self,
        days: RangeInclusive<NaiveDate>,
        depot: Option<&str>,
        key_depots_of: Option<i64>,
    ) -> Result<Vec<AwayRecord>> {
        let rows: Vec<AwayRow> = read!(self, pool => sqlx::query_as(AWAY)
            .bind(day_number(*days.start())).bind(depot).bind(key_depots_of).bind(day_number(*days.end())).fetch_all(pool).await)?;
        let away = |row: AwayRow| {
            let AwayRow { id, from_day, to_day, reason, safety_hold, release_by, stop_code, sound_us, .. } = row;
            let time = (id, from_day, to_day, reason, safety_hold, release_by, None, stop_code, sound_us);
            let zone = known("depots.zone", &row.zone, parse_zone(&row.zone))?;
            Ok(AwayRecord { unit: row.unit, depot: row.depot, zone, time: record(time)? })
        };
        rows.into_iter().map(away).collect()
    }

    /// Takes a car off the road.
    ///
    /// # Errors
    /// [`Conflict::Missing`] when the car is not there.
    pub async fn add_off_road(
        &self,
        unit: &str,
        new: NewOffRoad,
        writing: &Writing,
        answer: impl FnOnce(&OffRoadRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let car = tx.vehicle(unit, writing).await?;
        let id = tx.take_off_road(&car, &new, writing).await?;
        tx.finish(writing, answer(&OffRoadRecord { id, off_road: new, released: false, sound_at: None })).await
    }

    /// Brings a car back into service from a day on: every time off the road that covers the day ends before it.
    ///
    /// # Errors
    /// [`Conflict::Missing`] when the car is not there, [`Conflict::Rule`] when it is not off the road on that day,
    /// [`Conflict::Forbidden`] when a safety hold stands that the key may not release, or what `judge` refuses of one that a
    /// code made.
    pub async fn return_to_service(
        &self,
        unit: &str,
        Return { on, note, may_release_all }: Return<'_>,
        writing: &Writing,
        judge: impl Fn(&HoldFile) -> Result<(), Conflict>,
        answer: impl FnOnce() -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let car = tx.vehicle(unit, writing).await?;
        tx.mark_stale(car.id, micros(writing.now)).await?;
        let found = tx.standing_off_road(car.id, on).await?;
        if found.is_empty() {
            return Err(Conflict::Rule(format!("the car is not off the road on {on}")).into());
        }
        let last_day = on.checked_sub_days(Days::new(1)).unwrap_or(on);
        for standing in found {
            let hold = &standing.off_road;
            let named = hold.release_by.contains(&writing.actor.name);
            if hold.safety_hold && !named && !may_release_all {
                let who = if hold.release_by.is_empty() {
                    "a key with the scope admin".to_owned()
                } else {
                    format!("{} or a key with the scope admin", hold.release_by.join(", "))
                };
                let reason = format!("a safety hold stands ({}): only {who} may release it", hold.reason);
                return Err(Conflict::Forbidden(reason).into());
            }
            if let Some(code) = &hold.stop_code {
                judge(&tx.hold_file(&car, code, standing.sound_at).await?)?;
            }
            let ended = within!(&mut tx, c => sqlx::query(END)
                .bind(standing.id).bind(day_number(last_day)).bind(micros(writing.now))
                .execute(c).await.map(|done| done.rows_affected()))?;
            if ended == 0 {
                return Err(Conflict::Rule("somebody else has brought the car back".to_owned()).into());
            }
        }
        tx.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action: "vehicle return-to-service",
            subject: format!("vehicle {unit}"),
            depot_id: Some(car.depot_id),
            before: None,
            after: Some(json!({"on": on, "note": note})),
        })
        .await?;
        tx.tell_of_car(EventType::CarReturned, &car, json!({"on": on}), writing).await?;
        tx.finish(writing, answer()).await
    }
}
