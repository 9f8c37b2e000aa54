//! Work orders: raised, listed, acted on.

use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use ventmile_model::fleet::{Completion, DistanceUnit, Kind, Metres, Order, Outcome, Status};

use super::journal::Entry;
use super::values::{instant, known, micros};
use super::{Answer, Conflict, IfMatch, Result, Store, StoreError, Tx, Writing, one_changed, read, within};

/// A stored work order, with what today's forecast says of it.
#[derive(Clone, Debug)]
pub struct OrderRecord {
    /// Its number in the database; [`order_number`] writes it.
    pub id: i64,
    /// Counts its changes.
    pub version: i64,
    /// The car.
    pub vehicle_id: i64,
    /// Its unit number.
    pub unit: String,
    /// Its depot.
    pub depot: String,
    /// Number of that depot.
    pub depot_id: i64,
    /// Unit in which that depot shows distances.
    pub distance_unit: DistanceUnit,
    /// The job.
    pub kind: Kind,
    /// Status, holder, completion.
    pub order: Order,
    /// `loop`, or the name of the key that raised it.
    pub raised_by: String,
    /// Why it was raised.
    pub reason: String,
    /// Why an order is called for today, as the forecast says; empty when it no longer is.
    pub reason_today: Option<String>,
    /// Today's forecast, as a list shows it.
    pub item: Option<String>,
    /// Rank in the queue.
    pub rank: i64,
    /// Day number of the late edge.
    pub due_day: i64,
    /// The shop's own number for it.
    pub external_ref: Option<String>,
    /// When it was raised.
    pub created_at: DateTime<Utc>,
    /// When it was last changed.
    pub changed_at: DateTime<Utc>,
}

/// A work order to be raised by hand.
#[derive(Clone, Debug)]
pub struct NewOrder {
    /// Unit number of the car.
    pub unit: String,
    /// The job.
    pub kind: Kind,
    /// Why.
    pub reason: String,
    /// The shop's own number for it.
    pub external_ref: Option<String>,
}

/// A work order the loop has raised.
#[derive(Clone, Debug)]
pub struct RaisedOrder {
    /// Its number in the database.
    pub id: i64,
    /// The car.
    pub vehicle_id: i64,
    /// The job.
    pub kind: String,
    /// Why.
    pub reason: String,
}

/// Which orders a list shows.
#[derive(Clone, Debug, Default)]
pub struct OrderFilter {
    /// Only in this status.
    pub status: Option<Status>,
    /// Only open ones, or only closed ones.
    pub open: Option<bool>,
    /// Only of this depot.
    pub depot: Option<String>,
    /// Only of this kind.
    pub kind: Option<Kind>,
    /// Only of this car.
    pub unit: Option<String>,
    /// Only taken by this person.
    pub assigned_to: Option<String>,
    /// Only with this number of the shop's.
    pub external_ref: Option<String>,
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
    /// Changed at or after this instant: the list is then in the order of change.
    pub changed_since: Option<DateTime<Utc>>,
    /// After this place: rank and day, or zero and the change's microseconds; then the number.
    pub after: Option<(i64, i64, i64)>,
    /// At most so many.
    pub limit: i64,
}

/// What a query for the next order may be confined to.
#[derive(Clone, Debug, Default)]
pub struct NextOrder {
    /// Who takes it.
    pub by: String,
    /// Only of this depot.
    pub depot: Option<String>,
    /// Only of this kind.
    pub kind: Option<Kind>,
}

#[derive(sqlx::FromRow)]
struct Row {
    id: i64,
    version: i64,
    vehicle_id: i64,
    unit: String,
    depot: String,
    depot_id: i64,
    kind: String,
    status: String,
    raised_by: String,
    reason: String,
    reason_today: Option<String>,
    item: Option<String>,
    rank: i64,
    due_day: i64,
    external_ref: Option<String>,
    assigned_to: Option<String>,
    started_us: Option<i64>,
    distance_unit: String,
    outcome: Option<String>,
    done_us: Option<i64>,
    done_metres: Option<i64>,
    done_by: Option<String>,
    note: Option<String>,
    closing_reason: Option<String>,
    created_us: i64,
    changed_us: i64,
}

macro_rules! select {
    ($rest:literal) => {
        concat!(
            "SELECT w.id, w.version, w.vehicle_id, v.unit, d.code AS depot, w.depot_id, w.kind, w.status, w.raised_by,
                w.reason, f.raise_reason AS reason_today, f.item, w.rank, w.due_day, w.external_ref, w.assigned_to,
                w.started_us, d.distance_unit, w.outcome, w.done_us, w.done_metres, w.done_by, w.note, w.closing_reason, w.created_us,
                w.changed_us
            FROM work_orders w JOIN vehicles v ON v.id = w.vehicle_id JOIN depots d ON d.id = w.depot_id
                LEFT JOIN forecasts f ON f.vehicle_id = w.vehicle_id AND f.kind = w.kind ",
            $rest
        )
    };
}

const BY_ID: &str = select!("WHERE w.id = $1");

macro_rules! list {
    ($rest:literal) => {
        concat!(
            select!(
                "WHERE (CAST($1 AS TEXT) IS NULL OR w.status = $1)
                AND (CAST($2 AS BIGINT) IS NULL OR ($2 = 1) = (w.status IN ('needs-action', 'in-process')))
                AND (CAST($3 AS TEXT) IS NULL OR d.code = $3) AND (CAST($4 AS TEXT) IS NULL OR w.kind = $4)
                AND (CAST($5 AS TEXT) IS NULL OR v.unit = $5) AND (CAST($6 AS TEXT) IS NULL OR w.assigned_to = $6)
                AND (CAST($7 AS TEXT) IS NULL OR w.external_ref = $7)
                AND (CAST($8 AS BIGINT) IS NULL
                    OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $8 AND key_depots.depot_id = w.depot_id)) "
            ),
            $rest
        )
    };
}

const LIST_BY_URGENCY: &str =
    list!("AND (w.rank, w.due_day, w.id) > ($9, $10, $11) ORDER BY w.rank, w.due_day, w.id LIMIT $12");
const LIST_BY_CHANGE: &str = list!(
    "AND CAST($9 AS BIGINT) IS NOT NULL AND (w.changed_us, w.id) > ($10, $11) ORDER BY w.changed_us, w.id LIMIT $12"
);

const ADD: &str = "INSERT INTO work_orders (vehicle_id, depot_id, kind, status, raised_by, reason, rank, due_day,
        external_ref, external_key_id, version, created_us, changed_us)
    VALUES ($1, $2, $3, 'needs-action', $4, $5, $6, $7, $8, $9, 1, $10, $10) RETURNING id";
const FORECAST_PLACE: &str = "SELECT rank, due_day FROM forecasts WHERE vehicle_id = $1 AND kind = $2";
const OPEN_ORDER: &str = "SELECT id FROM work_orders
    WHERE vehicle_id = $1 AND kind = $2 AND status IN ('needs-action', 'in-process')";
const BY_REFERENCE: &str = "SELECT id FROM work_orders WHERE external_key_id = $1 AND external_ref = $2";
/// One statement, so that no order can be closed between the look and the insert: a car just serviced is stale and
/// is left alone until its forecast is made anew.
const RAISE: &str = "INSERT INTO work_orders (vehicle_id, depot_id, kind, status, raised_by, reason, rank, due_day,
        version, created_us, changed_us)
    SELECT f.vehicle_id, f.depot_id, f.kind, 'needs-action', 'loop', f.reason, f.rank, f.due_day, 1, $1, $1
    FROM (SELECT vehicle_id, depot_id, kind, raise_reason AS reason, rank, due_day, made_us FROM forecasts
            WHERE raise_reason IS NOT NULL
        UNION ALL SELECT vehicle_id, depot_id, kind, reason, rank, due_day, made_us FROM order_calls) f
    WHERE NOT EXISTS (SELECT 1 FROM stale_cars s WHERE s.vehicle_id = f.vehicle_id)
        AND EXISTS (SELECT 1 FROM vehicles v WHERE v.id = f.vehicle_id AND v.retired_day IS NULL
            AND (v.created_us <= $3 OR f.made_us <= $4))
        AND NOT EXISTS (SELECT 1 FROM work_orders w WHERE w.vehicle_id = f.vehicle_id AND w.kind = f.kind
            AND (w.status IN ('needs-action', 'in-process') OR w.quiet_until_us > $1))
    ORDER BY f.rank, f.due_day, f.vehicle_id LIMIT $2
    ON CONFLICT DO NOTHING
    RETURNING id, vehicle_id, kind, reason, depot_id";
const CHANGE: &str =
    "UPDATE work_orders SET status = $2, assigned_to = $3, started_us = $4, outcome = $5, done_us = $6,
        done_metres = $7, done_by = $8, note = $9, closing_reason = $10, quiet_until_us = $11, changed_us = $12,
        version = version + 1
    WHERE id = $1 AND version = $13";
const REFER: &str = "UPDATE work_orders SET external_ref = $2, external_key_id = $3, changed_us = $4,
        version = version + 1
    WHERE id = $1 AND version = $5";
/// A standing service that somebody told apart keeps its row: the order's own is then written a microsecond beside it.
const SERVICE_DONE: &str = "INSERT INTO past_services
        (vehicle_id, kind, at_us, metres, note, work_order_id, received_us, revision)
    VALUES ($1, $2, $3, $4, $5, $6, $7, 0)
    ON CONFLICT (vehicle_id, kind, at_us) DO UPDATE SET metres = excluded.metres, note = excluded.note,
        work_order_id = excluded.work_order_id, received_us = excluded.received_us, voided_us = NULL,
        revision = past_services.revision + 1
    WHERE past_services.voided_us IS NOT NULL OR past_services.work_order_id = excluded.work_order_id";
const SERVICE_UNDONE: &str = "UPDATE past_services SET voided_us = $2, revision = revision + 1
    WHERE work_order_id = $1 AND voided_us IS NULL";

macro_rules! next {
    ($lock:literal) => {
        concat!(
            "UPDATE work_orders SET assigned_to = $1, changed_us = $2, version = version + 1
            WHERE id = (SELECT w.id FROM work_orders w JOIN depots d ON d.id = w.depot_id
                WHERE w.status = 'needs-action' AND w.assigned_to IS NULL
                    AND (CAST($3 AS TEXT) IS NULL OR d.code = $3) AND (CAST($4 AS TEXT) IS NULL OR w.kind = $4)
                    AND (CAST($5 AS BIGINT) IS NULL
                        OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $5 AND key_depots.depot_id = w.depot_id))
                ORDER BY w.rank, w.due_day, w.id LIMIT 1 ",
            $lock,
            ") RETURNING id"
        )
    };
}

const NEXT_SQLITE: &str = next!("");
const NEXT_POSTGRES: &str = next!("FOR UPDATE OF w SKIP LOCKED");

/// An order's number as people write it: `WO-` and at least five digits.
#[must_use]
pub fn order_number(id: i64) -> String {
    format!("WO-{id:05}")
}

/// Reads an order's number.
#[must_use]
pub fn parse_order_number(number: &str) -> Option<i64> {
    let digits = number.strip_prefix("WO-")?;
    let plain = !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit());
    if plain { digits.parse().ok() } else { None }
}

impl TryFrom<Row> for OrderRecord {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let completion = match (&row.outcome, row.done_us) {
            (Some(outcome), Some(done_us)) => Some(Completion {
                outcome: known("work_orders.outcome", outcome, Outcome::parse(outcome))?,
                at: instant("work_orders.done_us", done_us)?,
                odometer: row.done_metres.map(Metres),
                by: row.done_by.unwrap_or_default(),
                note: row.note,
            }),
            _ => None,
        };
        Ok(Self {
            id: row.id,
            version: row.version,
            vehicle_id: row.vehicle_id,
            unit: row.unit,
            depot: row.depot,
            depot_id: row.depot_id,
            distance_unit: known("depots.distance_unit", &row.distance_unit, DistanceUnit::parse(&row.distance_unit))?,
            kind: known("work_orders.kind", &row.kind, Kind::parse(&row.kind))?,
            order: Order {
                status: known("work_orders.status", &row.status, Status::parse(&row.status))?,
                assigned_to: row.assigned_to,
                started_at: row.started_us.map(|at| instant("work_orders.started_us", at)).transpose()?,
                completion,
                closing_reason: row.closing_reason,
                ..Order::queued()
            },
            raised_by: row.raised_by,
            reason: row.reason,
            reason_today: row.reason_today,
            item: row.item,
            rank: row.rank,
            due_day: row.due_day,
            external_ref: row.external_ref,
            created_at: instant("work_orders.created_us", row.created_us)?,
            changed_at: instant("work_orders.changed_us", row.changed_us)?,
        })
    }
}

fn journal_view(order: &Order) -> Value {
    json!({
        "status": order.status.as_str(), "assigned_to": order.assigned_to, "closing_reason": order.closing_reason,
        "outcome": order.completion.as_ref().map(|done| done.outcome.as_str()),
        "done_at": order.completion.as_ref().map(|done| done.at),
        "odometer_m": order.completion.as_ref().and_then(|done| done.odometer).map(|metres| metres.0),
        "done_by": order.completion.as_ref().map(|done| done.by.as_str()),
    })
}

fn reference_taken() -> Conflict {
    let reason = "another order has this external_ref from this key: each may be used once".to_owned();
    Conflict::Field { field: "external_ref", reason }
}

impl Tx {
    async fn order(&mut self, number: &str, writing: &Writing) -> Result<OrderRecord> {
        let missing = || Conflict::Missing { what: "work order", name: number.to_owned() };
        let id = parse_order_number(number).ok_or_else(missing)?;
        let record = self.order_by_id(id).await?;
        Ok(record.filter(|order| writing.actor.may_see(&order.depot)).ok_or_else(missing)?)
    }

    async fn order_by_id(&mut self, id: i64) -> Result<Option<OrderRecord>> {
        let row: Option<Row> = within!(self, c => sqlx::query_as(BY_ID).bind(id).fetch_optional(c).await)?;
        row.map(OrderRecord::try_from).transpose()
    }

    async fn reread(&mut self, id: i64) -> Result<OrderRecord> {
        let record = self.order_by_id(id).await?;
        Ok(record.ok_or_else(|| Conflict::Missing { what: "work order", name: order_number(id) })?)
    }

    async fn journal_order(
        &mut self,
        action: &'static str,
        before: Option<&OrderRecord>,
        after: &OrderRecord,
        writing: &Writing,
    ) -> Result<()> {
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("work-order {}", order_number(after.id)),
            depot_id: Some(after.depot_id),
            before: before.map(|record| journal_view(&record.order)),
            after: Some(journal_view(&after.order)),
        })
        .await
    }

    /// An external reference may stand on one order of a key: this one, or none yet.
    async fn check_reference(&mut self, reference: Option<&str>, own: Option<i64>, writing: &Writing) -> Result<()> {
        let Some(reference) = reference else { return Ok(()) };
        let taken: Option<i64> = within!(self, c => sqlx::query_scalar(BY_REFERENCE)
            .bind(writing.actor.key_id).bind(reference).fetch_optional(c).await)?;
        match taken {
            Some(id) if Some(id) != own => Err(reference_taken().into()),
            _ => Ok(()),
        }
    }

    async fn save_order(
        &mut self,
        old: &OrderRecord,
        new: &Order,
        quiet_until_us: Option<i64>,
        now: DateTime<Utc>,
    ) -> Result<()> {
        let done = new.completion.as_ref();
        let changed: Result<u64, sqlx::Error> = within!(self, c => sqlx::query(CHANGE)
            .bind(old.id).bind(new.status.as_str()).bind(&new.assigned_to).bind(new.started_at.map(micros))
            .bind(done.map(|done| done.outcome.as_str())).bind(done.map(|done| micros(done.at)))
            .bind(done.and_then(|done| done.odometer).map(|metres| metres.0)).bind(done.map(|done| done.by.as_str()))
            .bind(done.and_then(|done| done.note.as_deref())).bind(&new.closing_reason).bind(quiet_until_us)
            .bind(micros(now)).bind(old.version).execute(c).await.map(|done| done.rows_affected()));
        let changed = changed.map_err(|error| {
            StoreError::or_exists(error, || {
                Conflict::Rule(format!("another {} order of this car is open", old.kind.as_str()))
            })
        })?;
        one_changed(changed, old.version)
    }

    /// What the act does to the interval: a completed service is a past service, a reopened one no longer is.
    async fn follow_up(&mut self, old: &OrderRecord, new: &Order, now: DateTime<Utc>) -> Result<()> {
        if old.order.completion.is_some() && new.completion.is_none() {
            within!(self, c => sqlx::query(SERVICE_UNDONE).bind(old.id).bind(micros(now))
                .execute(c).await.map(drop))?;
        }
        if let Some(done) = new.completion.as_ref().filter(|done| done.outcome == Outcome::Serviced) {
            let mut at_us = micros(done.at);
            while self.add_service(old, done, at_us, now).await? == 0 {
                at_us += 1;
            }
        }
        self.mark_stale(old.vehicle_id, micros(now)).await
    }

    async fn add_service(
        &mut self,
        order: &OrderRecord,
        done: &Completion,
        at_us: i64,
        now: DateTime<Utc>,
    ) -> Result<u64> {
        Ok(within!(self, c => sqlx::query(SERVICE_DONE)
            .bind(order.vehicle_id).bind(order.kind.as_str()).bind(at_us).bind(done.odometer.map(|metres| metres.0))
            .bind(&done.note).bind(order.id).bind(micros(now)).execute(c).await.map(|added| added.rows_affected()))?)
    }
}

impl Store {
    /// The work order of this number.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or the row cannot be read.
    pub async fn find_order(&self, number: &str) -> Result<Option<OrderRecord>> {
        let Some(id) = parse_order_number(number) else { return Ok(None) };
        let row: Option<Row> = read!(self, pool => sqlx::query_as(BY_ID).bind(id).fetch_optional(pool).await)?;
        row.map(OrderRecord::try_from).transpose()
    }

    /// Work orders by urgency, or by change when `changed_since` is given.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn orders(&self, filter: &OrderFilter) -> Result<Vec<OrderRecord>> {
        let (sql, first) = match filter.changed_since {
            Some(since) => (LIST_BY_CHANGE, (0, micros(since), -1)),
            None => (LIST_BY_URGENCY, (-1, 0, 0)),
        };
        let after = filter.after.unwrap_or(first);
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(sql)
            .bind(filter.status.map(Status::as_str)).bind(filter.open.map(i64::from)).bind(&filter.depot)
            .bind(filter.kind.map(Kind::as_str)).bind(&filter.unit).bind(&filter.assigned_to)
            .bind(&filter.external_ref).bind(filter.key_depots_of).bind(after.0).bind(after.1).bind(after.2)
            .bind(filter.limit).fetch_all(pool).await)?;
        rows.into_iter().map(OrderRecord::try_from).collect()
    }

    /// Raises an order by hand.
    ///
    /// # Errors
    /// [`Conflict::Missing`] when the car is not there, [`Conflict::Exists`] when an order of the kind is open for
    /// it, [`Conflict::Field`] when the external reference is taken.
    pub async fn raise_order(
        &self,
        new: NewOrder,
        writing: &Writing,
        answer: impl FnOnce(&OrderRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = self.begin().await?;
        if let Some(before) = tx.claim(writing.once.as_ref(), writing.now).await? {
            return Ok(before);
        }
        let car = tx.vehicle(&new.unit, writing).await?;
        if let Some(day) = car.retired_on {
            return Err(Conflict::Rule(format!("the car was retired on {day}")).into());
        }
        let kind = new.kind.as_str();
        let open: Option<i64> = within!(&mut tx, c => sqlx::query_scalar(OPEN_ORDER)
            .bind(car.id).bind(kind).fetch_optional(c).await)?;
        if let Some(id) = open {
            return Err(
                Conflict::Exists { what: "open order of this kind for the car:", name: order_number(id) }.into()
            );
        }
        tx.check_reference(new.external_ref.as_deref(), None, writing).await?;
        let place: Option<(i64, i64)> = within!(&mut tx, c => sqlx::query_as(FORECAST_PLACE)
            .bind(car.id).bind(kind).fetch_optional(c).await)?;
        let today = super::values::day_number(writing.now.with_timezone(&car.zone).date_naive());
        let (rank, due_day) = place.unwrap_or((2, today));
        let reference_key = new.external_ref.as_ref().and(writing.actor.key_id);
        let added: Result<i64, sqlx::Error> = within!(&mut tx, c => sqlx::query_scalar(ADD)
            .bind(car.id).bind(car.depot_id).bind(kind).bind(&writing.actor.name).bind(&new.reason)
            .bind(rank).bind(due_day).bind(&new.external_ref).bind(reference_key)
            .bind(micros(writing.now)).fetch_one(c).await);
        let id = added.map_err(|error| {
            StoreError::or_exists(error, || Conflict::Exists {
                what: "open order of this kind for the car",
                name: new.unit.clone(),
            })
        })?;
        let record = tx.reread(id).await?;
        tx.journal_order("work-order raise", None, &record, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Raises an order for every car whose forecast calls for one and that has none open. A car registered after
    /// `settled` waits until its forecast is from before `quiet`: its first logs may still be on their way.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn raise_due_orders(
        &self,
        now: DateTime<Utc>,
        settled: DateTime<Utc>,
        quiet: DateTime<Utc>,
        limit: i64,
    ) -> Result<Vec<RaisedOrder>> {
        let mut tx = self.begin().await?;
        let raised: Vec<(i64, i64, String, String, i64)> = within!(&mut tx, c => sqlx::query_as(RAISE)
                .bind(micros(now)).bind(limit).bind(micros(settled)).bind(micros(quiet)).fetch_all(c).await)?;
        let mut orders = Vec::with_capacity(raised.len());
        for (id, vehicle_id, kind, reason, depot_id) in raised {
            tx.journal(Entry {
                at: now,
                actor: "loop",
                action: "work-order raise",
                subject: format!("work-order {}", order_number(id)),
                depot_id: Some(depot_id),
                before: None,
                after: Some(json!({"status": "needs-action", "kind": kind, "reason": reason})),
            })
            .await?;
            orders.push(RaisedOrder { id, vehicle_id, kind, reason });
        }
        tx.commit().await?;
        Ok(orders)
    }

    /// Does an act on an order that still has the version the caller holds; `act` says what comes of it.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], or what `act` refuses.
    #[allow(clippy::too_many_arguments, reason = "each is a different thing and all come from the request")]
    pub async fn act_on_order(
        &self,
        number: &str,
        if_match: IfMatch,
        action: &'static str,
        quiet_until: Option<DateTime<Utc>>,
        writing: &Writing,
        act: impl FnOnce(&OrderRecord) -> Result<Order, Conflict>,
        answer: impl FnOnce(&OrderRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = self.begin().await?;
        if let Some(before) = tx.claim(writing.once.as_ref(), writing.now).await? {
            return Ok(before);
        }
        let old = tx.order(number, writing).await?;
        let new = act(&old)?;
        if_match.check(old.version)?;
        tx.save_order(&old, &new, quiet_until.map(micros), writing.now).await?;
        tx.follow_up(&old, &new, writing.now).await?;
        let record = tx.reread(old.id).await?;
        tx.journal_order(action, Some(&old), &record, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Gives an order the shop's own number, or takes it away.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], or [`Conflict::Field`] when the number is taken.
    pub async fn refer_order(
        &self,
        number: &str,
        if_match: IfMatch,
        external_ref: Option<String>,
        writing: &Writing,
        answer: impl FnOnce(&OrderRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = self.begin().await?;
        let old = tx.order(number, writing).await?;
        if_match.check(old.version)?;
        let key_id = external_ref.as_ref().and(writing.actor.key_id);
        tx.check_reference(external_ref.as_deref(), Some(old.id), writing).await?;
        let changed: Result<u64, sqlx::Error> = within!(&mut tx, c => sqlx::query(REFER)
            .bind(old.id).bind(&external_ref).bind(key_id).bind(micros(writing.now)).bind(old.version)
            .execute(c).await.map(|done| done.rows_affected()));
        let changed = changed.map_err(|error| StoreError::or_exists(error, reference_taken))?;
        one_changed(changed, old.version)?;
        let record = tx.reread(old.id).await?;
        tx.journal_order("work-order refer", Some(&old), &record, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Hands the most urgent order that nobody has taken to one caller, however many ask at once.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn take_next_order(
        &self,
        next: &NextOrder,
        writing: &Writing,
        answer: impl FnOnce(Option<&OrderRecord>) -> Answer,
    ) -> Result<Answer> {
        let mut tx = self.begin().await?;
        if let Some(before) = tx.claim(writing.once.as_ref(), writing.now).await? {
            return Ok(before);
        }
        let sql = tx.pick(NEXT_SQLITE, NEXT_POSTGRES);
        let id: Option<i64> = within!(&mut tx, c => sqlx::query_scalar(sql)
            .bind(&next.by).bind(micros(writing.now)).bind(&next.depot).bind(next.kind.map(Kind::as_str))
            .bind(writing.actor.key_depots_of()).fetch_optional(c).await)?;
        let Some(id) = id else {
            // Nothing was done, so nothing is kept: the same key may ask again when there is work.
            return Ok(answer(None));
        };
        let record = tx.reread(id).await?;
        tx.journal_order("work-order accept", None, &record, writing).await?;
        tx.finish(writing, answer(Some(&record))).await
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_as_they_are_written() {
        for id in [1, 99_999, 100_000, i64::MAX] {
            assert_eq!(parse_order_number(&order_number(id)), Some(id));
        }
        for text in ["", "WO-", "WO--1", "WO-+1", "12", "wo-1", "WO-99999999999999999999"] {
            assert_eq!(parse_order_number(text), None, "{text:?}");
        }
    }
}
