//! What closing an order does beside the interval: packs in and out, cores, parts taken, hours and cost; and how reopening
//! undoes it.

use chrono::{DateTime, Days, Utc};
use serde_json::json;
use ventmile_model::fleet::{Completion, Kind, Order, Outcome, RemovedBecause, local_day};
use ventmile_model::work::Role;

use super::evidence::OrderFile;
use super::journal::Entry;
use super::outbox::Told;
use super::values::{day_number, instant, micros, of_json};
use super::{Conflict, EventType, OrderRecord, Result, StoreError, Tx, Writing, order_number, within};

/// What is told when an order is completed, beside how it ended.
#[derive(Clone, Debug, Default)]
pub struct Closing {
    /// Serial of the pack that went in.
    pub installed_serial: Option<String>,
    /// Its part type.
    pub installed_type: Option<String>,
    /// Serial of the pack that came out.
    pub removed_serial: Option<String>,
    /// Its part type, where no register knows it.
    pub removed_type: Option<String>,
    /// Why it came out.
    pub removed_because: Option<RemovedBecause>,
    /// Whether it is whole.
    pub core_intact: Option<bool>,
    /// Minutes worked.
    pub labour_minutes: Option<i64>,
    /// What it cost, parts and labour, in cents.
    pub cost: Option<i64>,
    /// Parts taken from the depot's stock: number and quantity.
    pub parts: Vec<(String, i64)>,
    /// Where in its window the service was done.
    pub judged: Option<Judged>,
}

/// Where in its window a fan service was done, by rule, grade and hours as they stood then.
#[derive(Clone, Debug)]
pub struct Judged {
    /// `before`, `inside`, `past` or `unknown`.
    pub place: &'static str,
    /// Window and position, as JSON.
    pub numbers: String,
}

/// The pack that a replacement puts in and the one it takes out.
struct Swap {
    serial: String,
    pack_type: String,
    removed_serial: Option<String>,
    removed_type: Option<String>,
    because: RemovedBecause,
    intact: bool,
}

/// Days in which a core comes back where no part says otherwise (common practice, no published source).
const USUAL_CORE_DAYS: i64 = 30;

type LifeRow = (i64, String, String, Option<i64>, Option<i64>, Option<i64>);
type TermsRow = (i64, Option<i64>, Option<i64>, Option<i64>);

const IN_CAR: &str = "SELECT at_us, serial, pack_type, metres, warranty_months, warranty_metres FROM pack_lives
    WHERE vehicle_id = $1 AND removed_us IS NULL AND voided_us IS NULL AND at_us <= $2 ORDER BY at_us DESC LIMIT 1";
const ELSEWHERE: &str = "SELECT v.unit FROM pack_lives p JOIN vehicles v ON v.id = p.vehicle_id
    WHERE p.serial = $1 AND p.removed_us IS NULL AND p.voided_us IS NULL LIMIT 1";
const CLOSE: &str = "UPDATE pack_lives SET removed_us = $4, removed_metres = $5, removed_because = $6, closed_by = $7,
        revision = revision + 1
    WHERE vehicle_id = $1 AND at_us = $2 AND serial = $3";
const OPEN: &str =
    "INSERT INTO pack_lives (vehicle_id, at_us, serial, pack_type, metres, original, received_us, revision,
        opened_by, warranty_months, warranty_metres)
    VALUES ($1, $2, $3, $4, $5, 0, $6, 0, $7, $8, $9)
    ON CONFLICT (vehicle_id, at_us, serial) DO UPDATE SET pack_type = excluded.pack_type, metres = excluded.metres,
        opened_by = excluded.opened_by, voided_us = NULL, revision = pack_lives.revision + 1";
const TERMS: &str = "SELECT core_days, core_credit, warranty_months, warranty_metres FROM parts
    WHERE depot_id = $1 AND pack_type = $2 ORDER BY retired_day IS NOT NULL, id LIMIT 1";
const ADD_CORE: &str = "INSERT INTO cores (work_order_id, vehicle_id, depot_id, serial, core_type, bought_type, intact,
        packed, removed_day, removed_metres, fitted_day, fitted_metres, warranty_months, warranty_metres, return_by_day,
        credit_expected, version, created_us, changed_us)
    VALUES ($1, $2, $3, $4, $5, $6, $7, 0, $8, $9, $10, $11, $12, $13, $14, $15, 1, $16, $16)";
const TAKE: &str = "UPDATE parts SET stock = stock - $3, changed_us = $4, version = version + 1
    WHERE depot_id = $1 AND number = $2 AND stock >= $3 AND (retired_day IS NULL OR $3 < 0)";
const STOCK: &str = "SELECT stock, retired_day IS NOT NULL FROM parts WHERE depot_id = $1 AND number = $2";
const SPENT: &str = "UPDATE work_orders SET labour_minutes = $2, cost = $3, parts_used = $4 WHERE id = $1";
const USED: &str = "SELECT parts_used FROM work_orders WHERE id = $1";
const REOPEN_LIFE: &str = "UPDATE pack_lives SET removed_us = NULL, removed_metres = NULL, removed_because = NULL,
        closed_by = NULL, revision = revision + 1
    WHERE closed_by = $1";
const VOID_LIFE: &str = "UPDATE pack_lives SET voided_us = $2, opened_by = NULL, revision = revision + 1
    WHERE opened_by = $1";
const VOID_CORE: &str = "UPDATE cores SET voided_us = $2, version = version + 1
    WHERE work_order_id = $1 AND voided_us IS NULL";

fn field(field: &'static str, reason: impl Into<String>) -> Conflict {
    Conflict::Field { field, reason: reason.into() }
}

/// The last text recorded under a name since the order was last opened.
fn recorded(order: &OrderRecord, file: &OrderFile, name: &str) -> Option<String> {
    let counts = |at: DateTime<Utc>| order.reopened_at.is_none_or(|from| from <= at);
    let entries = file.entries.iter().rev().filter(|record| counts(record.entry.at));
    entries.filter_map(|record| record.entry.text(name)).next().map(str::to_owned)
}

/// Whether every fan step of the order's procedure is recorded, and there is one.
pub(super) fn fan_is_done(order: &OrderRecord, file: &OrderFile) -> bool {
    let counts = |at: DateTime<Utc>| order.reopened_at.is_none_or(|from| from <= at);
    let done = |number| file.entries.iter().any(|it| it.entry.step == number && counts(it.entry.at));
    let steps = file.procedure.iter().flat_map(|procedure| &procedure.steps);
    let mut fan = steps.filter(|step| step.role == Role::Fan).peekable();
    fan.peek().is_some() && fan.all(|step| done(step.number))
}

impl Closing {
    /// What a replacement did to the packs, as told, or else as recorded at the steps; `None` where neither says so.
    fn swap(&self, order: &OrderRecord, file: &OrderFile, serviced: bool) -> Result<Option<Swap>, Conflict> {
        let replaces = order.kind == Kind::PackReplacement && serviced;
        if !replaces {
            let told = self.installed_serial.is_some() || self.removed_serial.is_some();
            let reason = "packs change at a pack-replacement that is completed as `serviced`";
            return if told { Err(field("installed_serial", reason)) } else { Ok(None) };
        }
        let or_recorded = |told: &Option<String>, name| told.clone().or_else(|| recorded(order, file, name));
        let Some(serial) = or_recorded(&self.installed_serial, "new_serial") else { return Ok(None) };
        let pack_type = or_recorded(&self.installed_type, "new_part_type");
        let whole = recorded(order, file, "core").map(|word| word == "intact");
        Ok(Some(Swap {
            serial,
            pack_type: pack_type.ok_or_else(|| field("installed_type", "give the type of the pack that went in"))?,
            removed_serial: or_recorded(&self.removed_serial, "old_serial"),
            removed_type: or_recorded(&self.removed_type, "old_part_type"),
            because: self.removed_because.unwrap_or(RemovedBecause::Condition),
            intact: self.core_intact.or(whole).unwrap_or(true),
        }))
    }
}

impl Tx {
    /// Does what closing or reopening an order does beside the interval.
    pub(super) async fn close_books(
        &mut self,
        old: &OrderRecord,
        new: &Order,
        closing: &Closing,
        file: &OrderFile,
        writing: &Writing,
    ) -> Result<()> {
        match (&old.order.completion, &new.completion) {
            (None, Some(done)) => {
                self.take_parts(old, closing, writing).await?;
                match closing.swap(old, file, done.outcome == Outcome::Serviced)? {
                    Some(swap) => self.swap_packs(old, done, &swap, writing).await,
                    None => Ok(()),
                }
            }
            (Some(_), None) => self.open_books(old, writing.now).await,
            _ => Ok(()),
        }
    }

    async fn take_parts(&mut self, order: &OrderRecord, closing: &Closing, writing: &Writing) -> Result<()> {
        for (number, quantity) in &closing.parts {
            let taken = within!(self, c => sqlx::query(TAKE)
                .bind(order.depot_id).bind(number).bind(quantity).bind(micros(writing.now))
                .execute(c).await.map(|done| done.rows_affected()))?;
            if taken == 1 {
                continue;
            }
            let stock: Option<(i64, bool)> = within!(self, c => sqlx::query_as(STOCK)
                .bind(order.depot_id).bind(number).fetch_optional(c).await)?;
            let reason = match stock {
                Some((_, true)) => format!("{} keeps {number:?} no more: it is retired", order.depot),
                Some((stock, _)) => format!("{} has {stock} of {number:?} in stock, not {quantity}", order.depot),
                None => format!("{} keeps no part {number:?}: add it first", order.depot),
            };
            return Err(field("parts", reason).into());
        }
        within!(self, c => sqlx::query(SPENT)
            .bind(order.id).bind(closing.labour_minutes).bind(closing.cost).bind(json!(closing.parts).to_string())
            .execute(c).await.map(drop))?;
        Ok(())
    }

    async fn swap_packs(
        &mut self,
        order: &OrderRecord,
        done: &Completion,
        swap: &Swap,
        writing: &Writing,
    ) -> Result<()> {
        let at = micros(done.at);
        let metres = done.odometer.map(|metres| metres.0);
        let elsewhere: Option<String> =
            within!(self, c => sqlx::query_scalar(ELSEWHERE).bind(&swap.serial).fetch_optional(c).await)?;
        if elsewhere.is_some() {
            let reason = format!("pack {:?} is in a car: take it out there first", swap.serial);
            return Err(field("installed_serial", reason).into());
        }
        let inside: Option<LifeRow> =
            within!(self, c => sqlx::query_as(IN_CAR).bind(order.vehicle_id).bind(at).fetch_optional(c).await)?;
        if let (Some((_, serial, ..)), Some(told)) = (&inside, &swap.removed_serial)
            && serial != told
        {
            let reason = format!("the car has the pack {serial:?} in it, not {told:?}");
            return Err(field("removed_serial", reason).into());
        }
        if let Some((since, serial, ..)) = &inside {
            within!(self, c => sqlx::query(CLOSE)
                .bind(order.vehicle_id).bind(since).bind(serial).bind(at).bind(metres).bind(swap.because.as_str())
                .bind(order.id).execute(c).await.map(drop))?;
        }
        let terms: Option<TermsRow> = within!(self, c => sqlx::query_as(TERMS)
            .bind(order.depot_id).bind(&swap.pack_type).fetch_optional(c).await)?;
        let (core_days, credit, months, warranty) = terms.unwrap_or((USUAL_CORE_DAYS, None, None, None));
        within!(self, c => sqlx::query(OPEN)
            .bind(order.vehicle_id).bind(at).bind(&swap.serial).bind(&swap.pack_type).bind(metres)
            .bind(micros(writing.now)).bind(order.id).bind(months).bind(warranty)
            .execute(c).await.map(drop))?;
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action: "pack replace",
            subject: format!("pack {} in vehicle {}", swap.serial, order.unit),
            depot_id: Some(order.depot_id),
            before: inside.as_ref().map(|life| json!({"serial": life.1, "type": life.2})),
            after: Some(json!({"serial": swap.serial, "type": swap.pack_type, "at": done.at, "odometer_m": metres,
                "because": swap.because.as_str(), "work_order": order_number(order.id)})),
        })
        .await?;
        self.tell(Told {
            at: writing.now,
            what: EventType::PackReplaced,
            subject: format!("vehicle {}", order.unit),
            depot_id: Some(order.depot_id),
            actor: &writing.actor.name,
            data: json!({"unit": order.unit, "serial": swap.serial, "type": swap.pack_type,
                "removed": inside.as_ref().map(|life| &life.1), "because": swap.because.as_str(),
                "work_order": order_number(order.id)}),
        })
        .await?;
        let core_type = inside.as_ref().map(|life| life.2.clone()).or_else(|| swap.removed_type.clone());
        let serial = inside.as_ref().map(|life| life.1.clone()).or_else(|| swap.removed_serial.clone());
        let Some((core_type, serial)) = core_type.zip(serial) else { return Ok(()) };
        let removed = local_day(done.at, order.zone);
        let days = Days::new(u64::try_from(core_days).unwrap_or_default());
        let return_by = removed.checked_add_days(days).unwrap_or(removed);
        let day = |life: &LifeRow| Ok::<_, StoreError>(local_day(instant("pack_lives.at_us", life.0)?, order.zone));
        let fitted = inside.as_ref().map(day).transpose()?.map(day_number);
        within!(self, c => sqlx::query(ADD_CORE)
            .bind(order.id).bind(order.vehicle_id).bind(order.depot_id).bind(serial).bind(core_type)
            .bind(&swap.pack_type).bind(i64::from(swap.intact)).bind(day_number(removed)).bind(metres)
            .bind(fitted).bind(inside.as_ref().and_then(|life| life.3))
            .bind(inside.as_ref().and_then(|life| life.4)).bind(inside.as_ref().and_then(|life| life.5))
            .bind(day_number(return_by)).bind(credit).bind(micros(writing.now)).execute(c).await.map(drop))?;
        Ok(())
    }

    /// A reopened order takes back what it did: parts go back into stock, the old pack is in the car again.
    async fn open_books(&mut self, order: &OrderRecord, now: DateTime<Utc>) -> Result<()> {
        let used: String = within!(self, c => sqlx::query_scalar(USED).bind(order.id).fetch_one(c).await)?;
        let used: Vec<(String, i64)> = of_json("work_orders.parts_used", &used)?;
        for (number, quantity) in used {
            within!(self, c => sqlx::query(TAKE)
                .bind(order.depot_id).bind(number).bind(-quantity).bind(micros(now)).execute(c).await.map(drop))?;
        }
        within!(self, c => sqlx::query(SPENT)
            .bind(order.id).bind(None::<i64>).bind(None::<i64>).bind("[]").execute(c).await.map(drop))?;
        within!(self, c => sqlx::query(VOID_LIFE).bind(order.id).bind(micros(now)).execute(c).await.map(drop))?;
        within!(self, c => sqlx::query(REOPEN_LIFE).bind(order.id).execute(c).await.map(drop))?;
        within!(self, c => sqlx::query(VOID_CORE).bind(order.id).bind(micros(now)).execute(c).await.map(drop))?;
        Ok(())
    }
}
