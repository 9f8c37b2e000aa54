//! Cars that codes take off the road by themselves, and what must be known before they come back.

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde_json::json;
use ventmile_model::fleet::{Kind, Order, Outcome, TroubleCode};
use ventmile_model::work::{Entry, ISOLATION_FAULT, ISOLATION_SOUND, TOO_HOT};

use super::pack_rows::CodeColumns;
use super::values::{known, micros};
use super::{Actor, EventType, NewOffRoad, OrderRecord, Result, Tx, VehicleRecord, Writing, order_number, within};

/// A code that stops a car and is confirmed, or was and may be there still.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StopCall {
    /// The code without its failure type.
    pub code: String,
    /// When it was last reported as confirmed.
    pub confirmed_at: DateTime<Utc>,
    /// Whether it is confirmed now.
    pub stands: bool,
    /// What the hold says.
    pub reason: String,
    /// First day off the road.
    pub from: NaiveDate,
}

/// What a return to service is held against where a code took the car off the road.
#[derive(Clone, Debug)]
pub struct HoldFile {
    /// The code without its failure type.
    pub code: String,
    /// Since when the car is known to be sound again.
    pub sound_at: Option<DateTime<Utc>>,
    /// What was reported of the code.
    pub codes: Vec<TroubleCode>,
    /// Number and kind of the car's open orders.
    pub open: Vec<(String, Kind)>,
    /// The car's zone.
    pub zone: Tz,
}

const UNIT: &str = "SELECT unit FROM vehicles WHERE id = $1";
/// A hold that a person ended answers whatever was confirmed before it.
const HELD: &str = "SELECT count(*) FROM off_road
    WHERE vehicle_id = $1 AND stop_code = $2 AND (released_us IS NULL OR ($4 = 0 AND released_us > $3))";
/// What an order has proved stands until the code is confirmed after it; trips prove nothing once it is back.
const DOUBT_AGAIN: &str = "UPDATE off_road SET sound_us = NULL
    WHERE vehicle_id = $1 AND stop_code = $2 AND released_us IS NULL AND (sound_by = 'trips' OR sound_us <= $3)";
/// Of codes that are neither confirmed nor in doubt.
const GONE: &str = "UPDATE off_road SET sound_us = $3, sound_by = 'trips'
    WHERE vehicle_id = $1 AND stop_code IS NOT NULL AND released_us IS NULL AND sound_us IS NULL
        AND $2 NOT LIKE '%' || stop_code || '%'";
const SOUND: &str = "UPDATE off_road SET sound_us = $3, sound_by = 'order'
    WHERE vehicle_id = $1 AND stop_code = $2 AND released_us IS NULL";
const UNPROVED: &str = "UPDATE off_road SET sound_us = NULL
    WHERE vehicle_id = $1 AND stop_code IS NOT NULL AND released_us IS NULL";
const OF_CODE: &str = "SELECT at_us, code, state, was_confirmed FROM trouble_codes
    WHERE vehicle_id = $1 AND voided_us IS NULL AND (code = $2 OR code LIKE $2 || '-%')";
const OPEN: &str = "SELECT id, kind FROM work_orders
    WHERE vehicle_id = $1 AND status IN ('needs-action', 'in-process') ORDER BY id";

impl Tx {
    /// Notes of a car's holds which are in doubt again, and which have nothing left to stand for.
    pub(super) async fn judge_holds(&mut self, vehicle_id: i64, stops: &[StopCall], now: DateTime<Utc>) -> Result<()> {
        for stop in stops {
            within!(self, c => sqlx::query(DOUBT_AGAIN)
                .bind(vehicle_id).bind(&stop.code).bind(micros(stop.confirmed_at)).execute(c).await.map(drop))?;
        }
        let codes: Vec<&str> = stops.iter().map(|stop| stop.code.as_str()).collect();
        within!(self, c => sqlx::query(GONE).bind(vehicle_id).bind(codes.join(" ")).bind(micros(now))
            .execute(c).await.map(drop))?;
        Ok(())
    }

    /// Takes a car off the road for each of its codes that stop it, unless it is held for that already. It writes to the
    /// journal, so it comes after all else.
    pub(super) async fn hold_for(&mut self, vehicle_id: i64, stops: &[StopCall], now: DateTime<Utc>) -> Result<()> {
        for stop in stops {
            let held: i64 = within!(self, c => sqlx::query_scalar(HELD)
                .bind(vehicle_id).bind(&stop.code).bind(micros(stop.confirmed_at)).bind(i64::from(stop.stands))
                .fetch_one(c).await)?;
            if held == 0 {
                self.hold(vehicle_id, stop, now).await?;
            }
        }
        Ok(())
    }

    async fn hold(&mut self, vehicle_id: i64, stop: &StopCall, now: DateTime<Utc>) -> Result<()> {
        let writing = Writing { actor: Actor::internal("loop"), now, once: None };
        let unit: String = within!(self, c => sqlx::query_scalar(UNIT).bind(vehicle_id).fetch_one(c).await)?;
        let car = self.vehicle(&unit, &writing).await?;
        let off = NewOffRoad {
            from: stop.from,
            to: None,
            reason: stop.reason.clone(),
            safety_hold: true,
            release_by: Vec::new(),
            stop_code: Some(stop.code.clone()),
        };
        self.take_off_road(&car, &off, &writing).await?;
        let told = json!({
            "code": stop.code, "confirmed_at": stop.confirmed_at, "stands": stop.stands, "from": stop.from,
            "reason": stop.reason,
        });
        self.tell_of_car(EventType::CarHeld, &car, told, &writing).await
    }

    /// What an entry says of the car's isolation.
    pub(super) async fn isolation_measured(&mut self, order: &OrderRecord, entry: &Entry) -> Result<()> {
        let (name, word) = ISOLATION_SOUND;
        let Some(found) = entry.text(name) else { return Ok(()) };
        let sound = (found == word).then_some(entry.at);
        self.found_sound(order.vehicle_id, ISOLATION_FAULT, sound).await
    }

    /// What an act says of the car: a cooling check that was done answers a pack that was too hot; an order that is
    /// reopened proves nothing any more.
    pub(super) async fn prove(&mut self, old: &OrderRecord, new: &Order, now: DateTime<Utc>) -> Result<()> {
        if old.order.completion.is_some() && new.completion.is_none() {
            within!(self, c => sqlx::query(UNPROVED).bind(old.vehicle_id).execute(c).await.map(drop))?;
        }
        let done = new.completion.as_ref().is_some_and(|done| done.outcome == Outcome::Serviced);
        if done && old.kind == Kind::CoolingCheck {
            self.found_sound(old.vehicle_id, TOO_HOT, Some(now)).await?;
        }
        Ok(())
    }

    async fn found_sound(&mut self, vehicle_id: i64, code: &str, at: Option<DateTime<Utc>>) -> Result<()> {
        within!(self, c => sqlx::query(SOUND).bind(vehicle_id).bind(code).bind(at.map(micros))
            .execute(c).await.map(drop))?;
        Ok(())
    }

    /// What was reported of a code, whatever its failure type.
    pub(super) async fn reports_of(&mut self, vehicle_id: i64, code: &str) -> Result<Vec<TroubleCode>> {
        let rows: Vec<CodeColumns> =
            within!(self, c => sqlx::query_as(OF_CODE).bind(vehicle_id).bind(code).fetch_all(c).await)?;
        let reports: Vec<_> = rows.into_iter().map(CodeColumns::reports).collect::<Result<_>>()?;
        Ok(reports.into_iter().flatten().collect())
    }

    pub(super) async fn hold_file(
        &mut self,
        car: &VehicleRecord,
        code: &str,
        sound_at: Option<DateTime<Utc>>,
    ) -> Result<HoldFile> {
        let open: Vec<(i64, String)> = within!(self, c => sqlx::query_as(OPEN).bind(car.id).fetch_all(c).await)?;
        let named =
            |(id, kind): (i64, String)| Ok((order_number(id), known("work_orders.kind", &kind, Kind::parse(&kind))?));
        Ok(HoldFile {
            code: code.to_owned(),
            sound_at,
            codes: self.reports_of(car.id, code).await?,
            open: open.into_iter().map(named).collect::<Result<_>>()?,
            zone: car.zone,
        })
    }
}
