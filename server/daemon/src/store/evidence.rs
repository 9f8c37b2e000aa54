//! What is known about an order's work: evidence, overrides, and what gates and plans are held against.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, NaiveTime, Timelike, Utc};
use serde_json::{Value as Json, json};
use ventmile_model::fleet::{Depot, Plan, Status, local_day};
use ventmile_model::work::{Booked, Entry, Gear, Item, Override, Passed, Procedure, Supply, Technician, Value};

use super::in_use::Named;
use super::journal;
use super::values::{date, instant, known, micros, of_json};
use super::{
    Answer, Conflict, IfMatch, OffRoadRecord, OrderRecord, Result, Store, StoreError, Tx, Writing, one_changed, opened,
    order_number, within,
};

/// A stored entry, with what was found when it was taken.
#[derive(Clone, Debug)]
pub struct EntryRecord {
    /// The entry.
    pub entry: Entry,
    /// Whether it was told late.
    pub late: bool,
    /// Whether it held a reading that stopped the order.
    pub stops: bool,
}

/// What gates go by beside the order itself.
#[derive(Clone, Debug, Default)]
pub struct OrderFile {
    /// The procedure in the version the order was raised with.
    pub procedure: Option<Procedure>,
    /// Everything recorded, in the server's order.
    pub entries: Vec<EntryRecord>,
    /// Every override, in the server's order.
    pub overrides: Vec<Override>,
    /// The technicians the caller may see.
    pub technicians: Vec<Technician>,
    /// The gear the caller may see.
    pub gear: Vec<Gear>,
}

/// What a plan is held against beside that.
#[derive(Clone, Debug)]
pub struct Desk {
    /// The order's depot.
    pub depot: Depot,
    /// Plans of its other open orders.
    pub booked: Vec<Booked>,
    /// First and last days on which the car can be spared, from today on; none where nobody has told any.
    pub spared: Vec<(NaiveDate, NaiveDate)>,
    /// The car's times off the road.
    pub off_road: Vec<OffRoadRecord>,
    /// The parts that the order takes.
    pub parts: Vec<Supply>,
}

/// What an act looks at beside the order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Look {
    /// Nothing.
    Order,
    /// The order's file.
    File,
    /// The file, and the desk; other plans of the depot wait meanwhile.
    Desk,
}

type EntryRow = (i64, i64, i64, String, String, String, String, i64, i64);
type OverrideRow = (String, String, String, i64);
type PlanRow = (i64, String, String, String, i64, Option<i64>);

const ENTRIES: &str = "SELECT step, at_us, done_us, done_by, with_others, records, gear, late, stops FROM work_entries
    WHERE work_order_id = $1 ORDER BY id";
const OVERRIDES: &str =
    "SELECT item, decided_by, reason, at_us FROM work_overrides WHERE work_order_id = $1 ORDER BY id";
const ADD_ENTRY: &str = "INSERT INTO work_entries
        (work_order_id, step, at_us, done_us, done_by, with_others, records, gear, late, stops)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)";
const ADD_OVERRIDE: &str = "INSERT INTO work_overrides (work_order_id, item, decided_by, reason, at_us)
    VALUES ($1, $2, $3, $4, $5)";
const TOUCH: &str = "UPDATE work_orders SET changed_us = $2, version = version + 1 WHERE id = $1 AND version = $3";
const BOOKED: &str = "SELECT w.id, v.unit, w.plan, w.plan_gear, w.plan_day, w.procedure_id
    FROM work_orders w JOIN vehicles v ON v.id = w.vehicle_id
    WHERE w.depot_id = $1 AND w.plan_day IS NOT NULL AND w.id <> $2 AND w.status IN ('needs-action', 'in-process')
    ORDER BY w.plan_day, w.id";
/// Plans of one depot are made one after the other; the first number is ours for this.
const TAKE_TURN: &str = "SELECT pg_advisory_xact_lock(7421, CAST($1 AS INTEGER))";

/// A plan as it stands in its column.
pub(super) fn stored_plan(plan: &Plan) -> Json {
    json!([plan.start.num_seconds_from_midnight() / 60, plan.minutes, plan.bay, plan.technicians])
}

/// The plan of a day and its column.
pub(super) fn plan_of(day: i64, text: &str, gear: &str) -> Result<Plan> {
    let (start, minutes, bay, technicians): (u32, u32, u32, Vec<String>) = of_json("work_orders.plan", text)?;
    let time = NaiveTime::from_num_seconds_from_midnight_opt(start.saturating_mul(60), 0);
    Ok(Plan {
        on: date("work_orders.plan_day", day)?,
        start: known("work_orders.plan", text, time)?,
        minutes,
        bay,
        technicians,
        gear: of_json("work_orders.plan_gear", gear)?,
    })
}

fn entry((step, at, done, by, with, records, gear, late, stops): EntryRow) -> Result<EntryRecord> {
    let texts = |column, text: &str| of_json::<Vec<String>>(column, text);
    let values: BTreeMap<String, Json> = of_json("work_entries.records", &records)?;
    let value = |value: Json| match value {
        Json::Number(number) => number.as_f64().map(Value::Number),
        Json::String(text) => Some(Value::Text(text)),
        _ => None,
    };
    let records: Option<_> = values.into_iter().map(|(name, json)| Some((name, value(json)?))).collect();
    let entry = Entry {
        step: u32::try_from(step).map_err(|_| StoreError::bad_row("work_entries.step", step))?,
        at: instant("work_entries.at_us", at)?,
        done_at: instant("work_entries.done_us", done)?,
        by,
        with: texts("work_entries.with_others", &with)?,
        records: records.ok_or_else(|| StoreError::bad_row("work_entries.records", "a value of no kind"))?,
        gear: texts("work_entries.gear", &gear)?,
    };
    Ok(EntryRecord { entry, late: late != 0, stops: stops != 0 })
}

fn given((item, by, reason, at): OverrideRow) -> Result<Override> {
    let item = known("work_overrides.item", &item, Item::parse(&item))?;
    Ok(Override { item, by, reason, at: instant("work_overrides.at_us", at)? })
}

/// Records as JSON, by name.
fn stored_records(records: &BTreeMap<String, Value>) -> Json {
    let value = |value: &Value| match value {
        Value::Number(number) => json!(number),
        Value::Text(text) => json!(text),
    };
    records.iter().map(|(name, found)| (name.clone(), value(found))).collect::<serde_json::Map<_, _>>().into()
}

impl Tx {
    /// What is recorded of an order, and what was overridden.
    async fn recorded(&mut self, order: &OrderRecord) -> Result<(Vec<EntryRecord>, Vec<Override>)> {
        let entries: Vec<EntryRow> = within!(self, c => sqlx::query_as(ENTRIES).bind(order.id).fetch_all(c).await)?;
        let overrides: Vec<OverrideRow> =
            within!(self, c => sqlx::query_as(OVERRIDES).bind(order.id).fetch_all(c).await)?;
        Ok((
            entries.into_iter().map(entry).collect::<Result<_>>()?,
            overrides.into_iter().map(given).collect::<Result<_>>()?,
        ))
    }

    /// Puts to each open order what it may wait for. Orders of a procedure at a depot share it until they are begun.
    pub(super) async fn lay_out(&mut self, orders: &mut [OrderRecord]) -> Result<()> {
        let mut shared: HashMap<(i64, i64), Arc<OrderFile>> = HashMap::new();
        for order in orders.iter_mut().filter(|order| order.order.status.is_open()) {
            let Some(procedure) = order.procedure.as_ref().map(|name| name.id) else { continue };
            let file = match shared.get(&(procedure, order.depot_id)) {
                Some(file) => Arc::clone(file),
                None => {
                    let file = Arc::new(OrderFile {
                        procedure: Some(self.procedure(procedure).await?),
                        gear: self.gear_at(&order.depot).await?,
                        ..OrderFile::default()
                    });
                    Arc::clone(shared.entry((procedure, order.depot_id)).or_insert(file))
                }
            };
            order.file = if order.order.status == Status::InProcess {
                let (entries, overrides) = self.recorded(order).await?;
                Arc::new(OrderFile { entries, overrides, ..OrderFile::clone(&file) })
            } else {
                file
            };
        }
        Ok(())
    }

    pub(super) async fn order_file(&mut self, order: &OrderRecord, writing: &Writing) -> Result<OrderFile> {
        let procedure = match &order.procedure {
            Some(name) => Some(self.procedure(name.id).await?),
            None => None,
        };
        let (entries, overrides) = self.recorded(order).await?;
        Ok(OrderFile {
            procedure,
            entries,
            overrides,
            technicians: self.technicians(writing).await?,
            gear: self.all_gear(writing).await?,
        })
    }

    pub(super) async fn desk(&mut self, order: &OrderRecord, writing: &Writing) -> Result<Desk> {
        if let Tx::Postgres(inner) = self {
            sqlx::query(TAKE_TURN).bind(order.depot_id).execute(&mut **inner).await?;
        }
        let depot = self.depot(&order.depot, writing).await?.depot;
        let rows: Vec<PlanRow> =
            within!(self, c => sqlx::query_as(BOOKED).bind(order.depot_id).bind(order.id).fetch_all(c).await)?;
        let mut high_voltage: BTreeMap<i64, bool> = BTreeMap::new();
        let mut booked = Vec::new();
        for (id, car, plan, gear, day, procedure) in rows {
            let touches = match procedure {
                None => false,
                Some(procedure) => match high_voltage.get(&procedure) {
                    Some(known) => *known,
                    None => {
                        let touches = self.procedure(procedure).await?.touches_high_voltage();
                        *high_voltage.entry(procedure).or_insert(touches)
                    }
                },
            };
            let plan = plan_of(day, &plan, &gear)?;
            booked.push(Booked { order: order_number(id), car, plan, high_voltage: touches });
        }
        let spared = self.spared(order.vehicle_id, local_day(writing.now, order.zone)).await?;
        let off_road = self.off_road_of(order.vehicle_id).await?;
        let parts = self.supplies(order).await?;
        Ok(Desk { depot, booked, spared, off_road, parts })
    }

    /// A new version of an order to which something was added.
    async fn touch_order(&mut self, order: &OrderRecord, now: DateTime<Utc>) -> Result<()> {
        let touched = within!(self, c => sqlx::query(TOUCH).bind(order.id).bind(micros(now)).bind(order.version)
            .execute(c).await.map(|done| done.rows_affected()))?;
        one_changed(touched, order.version)
    }

    async fn journal_work(
        &mut self,
        action: &'static str,
        order: &OrderRecord,
        after: Json,
        writing: &Writing,
    ) -> Result<()> {
        self.journal(journal::Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("work-order {}", order_number(order.id)),
            depot_id: Some(order.depot_id),
            before: None,
            after: Some(after),
        })
        .await
    }
}

impl Store {
    /// The order of this number with its file; nothing when it is not there or the caller may not see it.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn find_order_file(&self, number: &str, writing: &Writing) -> Result<Option<(OrderRecord, OrderFile)>> {
        let mut tx = self.begin_read().await?;
        match tx.order(number, writing).await {
            Ok(order) => {
                let file = tx.order_file(&order, writing).await?;
                Ok(Some((order, file)))
            }
            Err(StoreError::Conflict(Conflict::Missing { .. })) => Ok(None),
            Err(error) => Err(error),
        }
    }

    /// Takes an entry into an order's evidence, once `judge` has let it pass.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], or what `judge` refuses.
    pub async fn record_step(
        &self,
        number: &str,
        if_match: IfMatch,
        entry: &Entry,
        writing: &Writing,
        judge: impl FnOnce(&OrderRecord, &OrderFile) -> Result<Passed, Conflict>,
        answer: impl FnOnce(&OrderRecord, &EntryRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let order = tx.order(number, writing).await?;
        let gear: Vec<&str> = entry.gear.iter().map(String::as_str).collect();
        tx.hold_named(Named::Technicians, &entry.people(), false).await?;
        tx.hold_named(Named::Gear, &gear, false).await?;
        let file = tx.order_file(&order, writing).await?;
        let passed = judge(&order, &file)?;
        if_match.check(order.version)?;
        tx.touch_order(&order, writing.now).await?;
        let records = stored_records(&entry.records);
        within!(&mut tx, c => sqlx::query(ADD_ENTRY)
            .bind(order.id).bind(i64::from(entry.step)).bind(micros(entry.at)).bind(micros(entry.done_at))
            .bind(&entry.by).bind(json!(entry.with).to_string()).bind(records.to_string())
            .bind(json!(entry.gear).to_string()).bind(i64::from(passed.late)).bind(i64::from(passed.stops))
            .execute(c).await.map(drop))?;
        tx.isolation_measured(&order, entry).await?;
        let after = json!({
            "step": entry.step, "done_at": entry.done_at, "by": entry.by, "with": entry.with, "records": records,
            "gear": entry.gear, "late": passed.late, "stops": passed.stops,
        });
        tx.journal_work("work-order step", &order, after, writing).await?;
        let order = tx.reread(order.id).await?;
        tx.tell_step(&order, entry, passed, writing).await?;
        let record = EntryRecord { entry: entry.clone(), late: passed.late, stops: passed.stops };
        tx.finish(writing, answer(&order, &record)).await
    }

    /// Keeps an administrator's decision to go on without an item.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], or what `judge` refuses.
    pub async fn override_item(
        &self,
        number: &str,
        if_match: IfMatch,
        given: &Override,
        writing: &Writing,
        judge: impl FnOnce(&OrderRecord) -> Result<(), Conflict>,
        answer: impl FnOnce(&OrderRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let order = tx.order(number, writing).await?;
        judge(&order)?;
        if_match.check(order.version)?;
        tx.touch_order(&order, writing.now).await?;
        within!(&mut tx, c => sqlx::query(ADD_OVERRIDE)
            .bind(order.id).bind(given.item.to_string()).bind(&given.by).bind(&given.reason).bind(micros(given.at))
            .execute(c).await.map(drop))?;
        let after = json!({"item": given.item.to_string(), "by": given.by, "reason": given.reason});
        tx.journal_work("work-order override", &order, after, writing).await?;
        let order = tx.reread(order.id).await?;
        tx.finish(writing, answer(&order)).await
    }
}
