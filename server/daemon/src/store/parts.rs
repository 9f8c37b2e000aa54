//! Parts by depot, what is on its way, and cores.

use chrono::NaiveDate;
use chrono_tz::Tz;
use serde_json::{Value, json};
use ventmile_model::fleet::{DistanceUnit, Kind, Metres, parse_zone};
use ventmile_model::work::{ClaimState, Core, CoreTerms, Fitted, Supply, Warranty};

use super::journal::Entry;
use super::outbox::Told;
use super::retired::{Retired, retired, retired_columns, retired_view};
use super::values::{date, day_number, known, micros};
use super::{
    Answer, Conflict, EventType, IfMatch, OrderRecord, Result, Store, StoreError, Tx, Writing, one_changed, opened,
    order_number, within,
};

/// A part that a depot keeps.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewPart {
    /// Code of the depot.
    pub depot: String,
    /// The part's number.
    pub number: String,
    /// What it is.
    pub name: String,
    /// The job that takes it.
    pub job: Option<Kind>,
    /// How many one such job takes.
    pub per_job: i64,
    /// Type of the pack, where it is one.
    pub pack_type: Option<String>,
    /// Days from order to arrival.
    pub lead_days: i64,
    /// How many are there.
    pub stock: i64,
    /// Days in which the core of a pack comes back.
    pub core_days: i64,
    /// Credit for that core, in cents.
    pub core_credit: Option<i64>,
    /// Warranty it is sold with.
    pub warranty: Option<Warranty>,
    /// Since when it is kept no more, and why.
    pub retired: Retired,
}

/// A stored part with what is reserved and on its way.
#[derive(Clone, Debug)]
pub struct PartRecord {
    /// Number in the database.
    pub id: i64,
    /// Counts its changes.
    pub version: i64,
    /// Number of its depot.
    pub depot_id: i64,
    /// That depot's zone.
    pub zone: Tz,
    /// The part.
    pub part: NewPart,
    /// How many the depot's open orders will take.
    pub reserved: i64,
    /// What is on its way: number, day, how many.
    pub arrivals: Vec<(i64, NaiveDate, i64)>,
    /// What cars will need beyond open orders, where a list asks for it.
    pub need: PartNeed,
}

/// What cars will need of a part beyond open orders.
#[derive(Clone, Debug, Default)]
pub struct PartNeed {
    /// Late edges at 50 % of the depot's cars without an open order of the job.
    pub due: Vec<NaiveDate>,
    /// Chances of degradation within 90 days of the depot's packs of the type, added up.
    pub packs_90: f64,
}

/// Which parts a list shows.
#[derive(Clone, Debug, Default)]
pub struct PartFilter {
    /// Only of this depot.
    pub depot: Option<String>,
    /// Only of this number.
    pub number: Option<String>,
    /// After this one, by its number in the database.
    pub after: i64,
    /// Whether parts that are kept no more are shown too.
    pub with_retired: bool,
    /// Tell what cars will need within twice the lead time from this day on.
    pub needs_from: Option<NaiveDate>,
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
    /// At most so many.
    pub limit: i64,
}

/// Parts that came, or that will.
#[derive(Clone, Debug)]
pub struct Receipt {
    /// Code of the depot.
    pub depot: String,
    /// How many.
    pub quantity: i64,
    /// The day on which they are expected; `None` when they are here.
    pub expected_on: Option<NaiveDate>,
    /// The arrival that this is.
    pub arrival: Option<i64>,
}

/// A stored core.
#[derive(Clone, Debug)]
pub struct CoreRecord {
    /// Its number.
    pub id: i64,
    /// Counts its changes.
    pub version: i64,
    /// The order at which it came out.
    pub work_order: String,
    /// The car.
    pub unit: String,
    /// The depot.
    pub depot: String,
    /// Number of that depot.
    pub depot_id: i64,
    /// That depot's zone.
    pub zone: Tz,
    /// Unit in which that depot shows distances.
    pub distance_unit: DistanceUnit,
    /// Its serial.
    pub serial: String,
    /// The old pack as it stands.
    pub core: Core,
    /// What the supplier asks.
    pub terms: CoreTerms,
    /// When it was sent.
    pub shipped_on: Option<NaiveDate>,
    /// Credit expected, in cents.
    pub credit_expected: Option<i64>,
    /// Credit received, in cents.
    pub credit_received: Option<i64>,
    /// When its warranty was claimed.
    pub claimed_on: Option<NaiveDate>,
    /// What was claimed, in cents.
    pub claim_cents: Option<i64>,
    /// What was paid for it, in cents.
    pub claim_paid_cents: Option<i64>,
    /// What else was noted.
    pub note: Option<String>,
}

/// What is changed about a core; what is `None` stays.
#[derive(Clone, Debug, Default)]
pub struct CoreChange {
    /// Whether it is whole.
    pub intact: Option<bool>,
    /// Whether it is packed.
    pub packed: Option<bool>,
    /// When it was sent.
    pub shipped_on: Option<NaiveDate>,
    /// When the supplier took it.
    pub returned_on: Option<NaiveDate>,
    /// Credit expected, in cents.
    pub credit_expected: Option<i64>,
    /// Credit received, in cents.
    pub credit_received: Option<i64>,
    /// Where the claim under its warranty stands.
    pub claim: Option<ClaimState>,
    /// When it was claimed.
    pub claimed_on: Option<NaiveDate>,
    /// What was claimed, in cents.
    pub claim_cents: Option<i64>,
    /// What was paid for it, in cents.
    pub claim_paid_cents: Option<i64>,
    /// What else is noted.
    pub note: Option<String>,
}

/// Which cores a list shows.
#[derive(Clone, Debug, Default)]
pub struct CoreFilter {
    /// Only of this depot.
    pub depot: Option<String>,
    /// Only this one.
    pub id: Option<i64>,
    /// After this one.
    pub after: i64,
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
    /// At most so many.
    pub limit: i64,
}

#[derive(sqlx::FromRow)]
struct PartRow {
    id: i64,
    version: i64,
    depot_id: i64,
    depot: String,
    zone: String,
    number: String,
    name: String,
    job: Option<String>,
    per_job: i64,
    pack_type: Option<String>,
    lead_days: i64,
    stock: i64,
    core_days: i64,
    core_credit: Option<i64>,
    warranty_months: Option<i64>,
    warranty_metres: Option<i64>,
    retired_day: Option<i64>,
    retired_reason: Option<String>,
    orders: i64,
    arrivals: Option<String>,
    due: Option<String>,
    packs_90: f64,
}

#[derive(sqlx::FromRow)]
struct CoreRow {
    id: i64,
    version: i64,
    work_order_id: i64,
    unit: String,
    depot: String,
    depot_id: i64,
    zone: String,
    distance_unit: String,
    serial: String,
    core_type: String,
    bought_type: String,
    intact: i64,
    packed: i64,
    removed_day: i64,
    removed_metres: Option<i64>,
    fitted_day: Option<i64>,
    fitted_metres: Option<i64>,
    warranty_months: Option<i64>,
    warranty_metres: Option<i64>,
    return_by_day: i64,
    shipped_day: Option<i64>,
    returned_day: Option<i64>,
    credit_expected: Option<i64>,
    credit_received: Option<i64>,
    claim_state: Option<String>,
    claim_day: Option<i64>,
    claim_cents: Option<i64>,
    claim_paid_cents: Option<i64>,
    note: Option<String>,
}

/// Open orders of the job at the depot; of a pack only those whose car has that type in it, or none that is known.
const PARTS: &str = "SELECT p.id, p.version, p.depot_id, d.code AS depot, d.zone, p.number, p.name, p.job, p.per_job, p.pack_type,
        p.lead_days, p.stock, p.core_days, p.core_credit, p.warranty_months, p.warranty_metres, p.retired_day, p.retired_reason,
        (SELECT count(*) FROM work_orders w WHERE w.depot_id = p.depot_id AND w.kind = p.job
            AND w.status IN ('needs-action', 'in-process')
            AND (p.pack_type IS NULL OR NOT EXISTS (SELECT 1 FROM pack_outlooks o
                WHERE o.vehicle_id = w.vehicle_id AND o.pack_type <> p.pack_type))) AS orders,
        (SELECT string_agg(CAST(a.id AS TEXT) || ' ' || CAST(a.expected_day AS TEXT) || ' ' || CAST(a.quantity AS TEXT), ',')
            FROM part_arrivals a WHERE a.part_id = p.id AND a.received_us IS NULL) AS arrivals,
        (SELECT string_agg(CAST(f.due_day AS TEXT), ',') FROM forecasts f
            WHERE CAST($6 AS BIGINT) IS NOT NULL AND f.depot_id = p.depot_id AND f.kind = p.job AND f.rank >= 2
                AND f.due_day <= $6 + 2 * p.lead_days AND p.pack_type IS NULL
                AND NOT EXISTS (SELECT 1 FROM work_orders w WHERE w.vehicle_id = f.vehicle_id AND w.kind = f.kind
                    AND w.status IN ('needs-action', 'in-process'))) AS due,
        CAST(COALESCE((SELECT sum(o.chance_90) FROM pack_outlooks o
            WHERE CAST($6 AS BIGINT) IS NOT NULL AND o.depot_id = p.depot_id AND o.pack_type = p.pack_type
                AND p.job = 'pack-replacement' AND o.chance_90 > 0
                AND NOT EXISTS (SELECT 1 FROM work_orders w WHERE w.vehicle_id = o.vehicle_id AND w.kind = p.job
                    AND w.status IN ('needs-action', 'in-process'))), 0) AS DOUBLE PRECISION) AS packs_90
    FROM parts p JOIN depots d ON d.id = p.depot_id
    WHERE p.id > $1 AND (CAST($2 AS TEXT) IS NULL OR d.code = $2) AND (CAST($3 AS TEXT) IS NULL OR p.number = $3)
        AND (CAST($4 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $4 AND key_depots.depot_id = p.depot_id))
        AND ($7 = 1 OR p.retired_day IS NULL)
    ORDER BY p.id LIMIT $5";
const ADD: &str = "INSERT INTO parts (depot_id, number, name, job, per_job, pack_type, lead_days, stock, core_days,
        core_credit, warranty_months, warranty_metres, version, created_us, changed_us)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, 1, $13, $13)";
const CHANGE: &str = "UPDATE parts SET name = $2, job = $3, per_job = $4, pack_type = $5, lead_days = $6, stock = $7,
        core_days = $8, core_credit = $9, warranty_months = $10, warranty_metres = $11, retired_day = $12,
        retired_reason = $13, changed_us = $14, version = version + 1
    WHERE id = $1 AND version = $15";
const RECEIVE: &str = "UPDATE parts SET stock = stock + $2, changed_us = $3, version = version + 1 WHERE id = $1";
const EXPECT: &str = "INSERT INTO part_arrivals (part_id, quantity, expected_day, created_us) VALUES ($1, $2, $3, $4)";
const ARRIVED: &str = "UPDATE part_arrivals SET received_us = $3
    WHERE id = $2 AND part_id = $1 AND received_us IS NULL";
const PACK_IN: &str = "SELECT pack_type FROM pack_outlooks WHERE vehicle_id = $1";
/// Other orders of the job that have begun, or are planned: the day, and the type of the pack in the car.
const TAKERS: &str = "SELECT CASE WHEN w.status = 'in-process' THEN NULL ELSE w.plan_day END,
        (SELECT o.pack_type FROM pack_outlooks o WHERE o.vehicle_id = w.vehicle_id)
    FROM work_orders w WHERE w.depot_id = $1 AND w.kind = $2 AND w.id <> $3
        AND (w.status = 'in-process' OR (w.status = 'needs-action' AND w.plan_day IS NOT NULL))";
const CORES: &str =
    "SELECT c.id, c.version, c.work_order_id, v.unit, d.code AS depot, c.depot_id, d.zone, d.distance_unit, c.serial,
        c.core_type, c.bought_type, c.intact, c.packed, c.removed_day, c.removed_metres, c.fitted_day, c.fitted_metres,
        c.warranty_months, c.warranty_metres, c.return_by_day, c.shipped_day, c.returned_day, c.credit_expected,
        c.credit_received, c.claim_state, c.claim_day, c.claim_cents, c.claim_paid_cents, c.note
    FROM cores c JOIN vehicles v ON v.id = c.vehicle_id JOIN depots d ON d.id = c.depot_id
    WHERE c.id > $1 AND (CAST($2 AS TEXT) IS NULL OR d.code = $2) AND (CAST($3 AS BIGINT) IS NULL OR c.id = $3)
        AND (CAST($4 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $4 AND key_depots.depot_id = c.depot_id))
        AND c.voided_us IS NULL
    ORDER BY c.id LIMIT $5";
const CHANGE_CORE: &str = "UPDATE cores SET intact = COALESCE($2, intact), packed = COALESCE($3, packed),
        shipped_day = COALESCE($4, shipped_day), returned_day = COALESCE($5, returned_day),
        credit_expected = COALESCE($6, credit_expected), credit_received = COALESCE($7, credit_received),
        note = COALESCE($8, note), changed_us = $9, claim_state = COALESCE($11, claim_state),
        claim_day = COALESCE($12, claim_day), claim_cents = COALESCE($13, claim_cents),
        claim_paid_cents = COALESCE($14, claim_paid_cents), version = version + 1
    WHERE id = $1 AND version = $10";

fn journal_view(part: &NewPart) -> Value {
    json!({
        "name": part.name, "job": part.job.map(Kind::as_str), "per_job": part.per_job, "pack_type": part.pack_type,
        "lead_days": part.lead_days, "stock": part.stock, "core_days": part.core_days, "core_credit": part.core_credit,
        "warranty_months": part.warranty.map(|warranty| warranty.months),
        "warranty_m": part.warranty.and_then(|warranty| warranty.distance).map(|metres| metres.0),
        "retired": retired_view(part.retired.as_ref()),
    })
}

fn warranty(months: Option<i64>, metres: Option<i64>) -> Option<Warranty> {
    let months = u32::try_from(months?).ok()?;
    Some(Warranty { months, distance: metres.map(Metres) })
}

/// Days as the query gathers them.
fn days(text: Option<&str>) -> Result<Vec<NaiveDate>> {
    let day = |text: &str| date("forecasts.due_day", known("forecasts.due_day", text, text.parse().ok())?);
    let mut days: Vec<_> = text.iter().flat_map(|all| all.split(',')).map(day).collect::<Result<_>>()?;
    days.sort_unstable();
    Ok(days)
}

fn arrival(text: &str) -> Result<(i64, NaiveDate, i64)> {
    let numbers: Option<Vec<i64>> = text.split(' ').map(|part| part.parse().ok()).collect();
    match known("part_arrivals", text, numbers)?.as_slice() {
        [id, day, quantity] => Ok((*id, date("part_arrivals.expected_day", *day)?, *quantity)),
        _ => Err(StoreError::bad_row("part_arrivals", text)),
    }
}

impl TryFrom<PartRow> for PartRecord {
    type Error = StoreError;

    fn try_from(row: PartRow) -> Result<Self> {
        let mut arrivals: Vec<_> =
            row.arrivals.iter().flat_map(|all| all.split(',')).map(arrival).collect::<Result<_>>()?;
        arrivals.sort_by_key(|(id, day, _)| (*day, *id));
        let job = |text: &str| known("parts.job", text, Kind::parse(text));
        Ok(Self {
            id: row.id,
            version: row.version,
            depot_id: row.depot_id,
            zone: known("depots.zone", &row.zone, parse_zone(&row.zone))?,
            reserved: row.orders * row.per_job,
            arrivals,
            need: PartNeed { due: days(row.due.as_deref())?, packs_90: row.packs_90 },
            part: NewPart {
                depot: row.depot,
                number: row.number,
                name: row.name,
                job: row.job.as_deref().map(job).transpose()?,
                per_job: row.per_job,
                pack_type: row.pack_type,
                lead_days: row.lead_days,
                stock: row.stock,
                core_days: row.core_days,
                core_credit: row.core_credit,
                warranty: warranty(row.warranty_months, row.warranty_metres),
                retired: retired("parts.retired_day", row.retired_day, row.retired_reason)?,
            },
        })
    }
}

impl TryFrom<CoreRow> for CoreRecord {
    type Error = StoreError;

    fn try_from(row: CoreRow) -> Result<Self> {
        let day = |column, day: Option<i64>| day.map(|day| date(column, day)).transpose();
        let claim = |text: &str| known("cores.claim_state", text, ClaimState::parse(text));
        let fitted_on = day("cores.fitted_day", row.fitted_day)?;
        Ok(Self {
            id: row.id,
            version: row.version,
            work_order: order_number(row.work_order_id),
            unit: row.unit,
            depot: row.depot,
            depot_id: row.depot_id,
            zone: known("depots.zone", &row.zone, parse_zone(&row.zone))?,
            distance_unit: known("depots.distance_unit", &row.distance_unit, DistanceUnit::parse(&row.distance_unit))?,
            serial: row.serial,
            core: Core {
                part_type: row.core_type,
                intact: row.intact != 0,
                packed: row.packed != 0,
                returned_on: day("cores.returned_day", row.returned_day)?,
                fitted: fitted_on.map(|on| Fitted { on, odometer: row.fitted_metres.map(Metres) }),
                removed: Fitted {
                    on: date("cores.removed_day", row.removed_day)?,
                    odometer: row.removed_metres.map(Metres),
                },
                warranty: warranty(row.warranty_months, row.warranty_metres),
                claim: row.claim_state.as_deref().map(claim).transpose()?,
            },
            terms: CoreTerms { part_type: row.bought_type, return_by: date("cores.return_by_day", row.return_by_day)? },
            shipped_on: day("cores.shipped_day", row.shipped_day)?,
            credit_expected: row.credit_expected,
            credit_received: row.credit_received,
            claimed_on: day("cores.claim_day", row.claim_day)?,
            claim_cents: row.claim_cents,
            claim_paid_cents: row.claim_paid_cents,
            note: row.note,
        })
    }
}

impl Tx {
    async fn parts(&mut self, filter: &PartFilter) -> Result<Vec<PartRecord>> {
        let rows: Vec<PartRow> = within!(self, c => sqlx::query_as(PARTS)
            .bind(filter.after).bind(&filter.depot).bind(&filter.number).bind(filter.key_depots_of).bind(filter.limit)
            .bind(filter.needs_from.map(day_number)).bind(i64::from(filter.with_retired)).fetch_all(c).await)?;
        rows.into_iter().map(PartRecord::try_from).collect()
    }

    /// The parts that an order takes, with who else takes of them.
    pub(super) async fn supplies(&mut self, order: &OrderRecord) -> Result<Vec<Supply>> {
        let filter = PartFilter { depot: Some(order.depot.clone()), limit: i64::MAX, ..PartFilter::default() };
        let mut kept = self.parts(&filter).await?;
        kept.retain(|record| record.part.job == Some(order.kind) && record.part.retired.is_none());
        if kept.is_empty() {
            return Ok(Vec::new());
        }
        let own: Option<String> =
            within!(self, c => sqlx::query_scalar(PACK_IN).bind(order.vehicle_id).fetch_optional(c).await)?;
        let others: Vec<(Option<i64>, Option<String>)> = within!(self, c => sqlx::query_as(TAKERS)
            .bind(order.depot_id).bind(order.kind.as_str()).bind(order.id).fetch_all(c).await)?;
        let supply = |record: PartRecord| {
            let NewPart { number, pack_type, per_job, stock, .. } = record.part;
            let takes = |own: &Option<String>| pack_type.is_none() || own.is_none() || *own == pack_type;
            let day = |day: &Option<i64>| day.map(|day| date("work_orders.plan_day", day)).transpose();
            let arrivals = record.arrivals.into_iter().map(|(_, on, many)| (on, many)).collect();
            let others = others.iter().filter(|(_, own)| takes(own)).map(|(on, _)| day(on)).collect::<Result<_>>()?;
            Ok(takes(&own).then_some(Supply { number, per_order: per_job, here: stock, arrivals, others }))
        };
        kept.into_iter().filter_map(|record| supply(record).transpose()).collect()
    }

    async fn part(&mut self, depot: &str, number: &str) -> Result<PartRecord> {
        let filter = PartFilter {
            depot: Some(depot.to_owned()),
            number: Some(number.to_owned()),
            with_retired: true,
            limit: 1,
            ..PartFilter::default()
        };
        let missing = || Conflict::Missing { what: "part", name: number.to_owned() };
        Ok(self.parts(&filter).await?.into_iter().next().ok_or_else(missing)?)
    }

    async fn cores(&mut self, filter: &CoreFilter) -> Result<Vec<CoreRecord>> {
        let rows: Vec<CoreRow> = within!(self, c => sqlx::query_as(CORES)
            .bind(filter.after).bind(&filter.depot).bind(filter.id).bind(filter.key_depots_of).bind(filter.limit)
            .fetch_all(c).await)?;
        rows.into_iter().map(CoreRecord::try_from).collect()
    }

    async fn core(&mut self, id: i64, writing: &Writing) -> Result<CoreRecord> {
        let filter = CoreFilter {
            id: Some(id),
            key_depots_of: writing.actor.key_depots_of(),
            limit: 1,
            ..CoreFilter::default()
        };
        let missing = || Conflict::Missing { what: "core", name: id.to_string() };
        Ok(self.cores(&filter).await?.into_iter().next().ok_or_else(missing)?)
    }

    async fn journal_part(
        &mut self,
        action: &'static str,
        record: &PartRecord,
        before: Option<Value>,
        after: Value,
        writing: &Writing,
    ) -> Result<()> {
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("part {}", record.part.number),
            depot_id: Some(record.depot_id),
            before,
            after: Some(after),
        })
        .await
    }
}

impl Store {
    /// Parts in the order of their entry.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn parts(&self, filter: &PartFilter) -> Result<Vec<PartRecord>> {
        self.begin_read().await?.parts(filter).await
    }

    /// Adds a part to a depot's stock.
    ///
    /// # Errors
    /// [`Conflict::Exists`] when the depot keeps it already, [`Conflict::Field`] when the depot is not there.
    pub async fn add_part(
        &self,
        new: NewPart,
        writing: &Writing,
        answer: impl FnOnce(&PartRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let depot = tx.named_depot(&new.depot, writing).await?;
        let warranty = new.warranty.as_ref();
        let added: Result<(), sqlx::Error> = within!(&mut tx, c => sqlx::query(ADD)
            .bind(depot.id).bind(&new.number).bind(&new.name).bind(new.job.map(Kind::as_str)).bind(new.per_job)
            .bind(&new.pack_type).bind(new.lead_days).bind(new.stock).bind(new.core_days).bind(new.core_credit)
            .bind(warranty.map(|warranty| i64::from(warranty.months)))
            .bind(warranty.and_then(|warranty| warranty.distance).map(|metres| metres.0)).bind(micros(writing.now))
            .execute(c).await.map(drop));
        added.map_err(|error| {
            StoreError::or_exists(error, || Conflict::Exists { what: "part", name: new.number.clone() })
        })?;
        let record = tx.part(&new.depot, &new.number).await?;
        tx.journal_part("part add", &record, None, journal_view(&record.part), writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Changes a part that still has the version the caller holds; `change` says what comes of it.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], or [`Conflict::Field`] when the depot is not there.
    pub async fn change_part(
        &self,
        (depot, number): (&str, &str),
        if_match: IfMatch,
        writing: &Writing,
        change: impl FnOnce(&PartRecord) -> NewPart,
        answer: impl FnOnce(&PartRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = self.begin().await?;
        tx.named_depot(depot, writing).await?;
        let old = tx.part(depot, number).await?;
        let new = change(&old);
        if_match.check(old.version)?;
        let (day, why) = retired_columns(new.retired.as_ref());
        let changed = within!(&mut tx, c => sqlx::query(CHANGE)
            .bind(old.id).bind(&new.name).bind(new.job.map(Kind::as_str)).bind(new.per_job).bind(&new.pack_type)
            .bind(new.lead_days).bind(new.stock).bind(new.core_days).bind(new.core_credit)
            .bind(new.warranty.map(|warranty| i64::from(warranty.months)))
            .bind(new.warranty.and_then(|warranty| warranty.distance).map(|metres| metres.0))
            .bind(day).bind(why).bind(micros(writing.now)).bind(old.version)
            .execute(c).await.map(|done| done.rows_affected()))?;
        one_changed(changed, old.version)?;
        let record = tx.part(depot, number).await?;
        let (before, after) = (journal_view(&old.part), journal_view(&record.part));
        tx.journal_part("part change", &record, Some(before), after, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Takes parts into stock, or notes that they are on their way.
    ///
    /// # Errors
    /// [`Conflict::Missing`] when the depot keeps no such part, [`Conflict::Field`] when the depot or the arrival is not there.
    pub async fn receive_part(
        &self,
        number: &str,
        receipt: &Receipt,
        writing: &Writing,
        answer: impl FnOnce(&PartRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        tx.named_depot(&receipt.depot, writing).await?;
        let part = tx.part(&receipt.depot, number).await?;
        if let Some(arrival) = receipt.arrival {
            let came = within!(&mut tx, c => sqlx::query(ARRIVED).bind(part.id).bind(arrival).bind(micros(writing.now))
                .execute(c).await.map(|done| done.rows_affected()))?;
            if came == 0 {
                let reason = format!("no arrival {arrival} of this part is expected");
                return Err(Conflict::Field { field: "arrival", reason }.into());
            }
        }
        match receipt.expected_on {
            Some(on) => within!(&mut tx, c => sqlx::query(EXPECT).bind(part.id).bind(receipt.quantity)
                .bind(day_number(on)).bind(micros(writing.now)).execute(c).await.map(drop))?,
            None => within!(&mut tx, c => sqlx::query(RECEIVE).bind(part.id).bind(receipt.quantity)
                .bind(micros(writing.now)).execute(c).await.map(drop))?,
        }
        let record = tx.part(&receipt.depot, number).await?;
        let after =
            json!({"quantity": receipt.quantity, "expected_on": receipt.expected_on, "stock": record.part.stock});
        tx.journal_part("part receive", &record, None, after, writing).await?;
        tx.tell(Told {
            at: writing.now,
            what: EventType::PartReceived,
            subject: format!("part {number}"),
            depot_id: Some(record.depot_id),
            actor: &writing.actor.name,
            data: json!({"number": number, "quantity": receipt.quantity, "expected_on": receipt.expected_on,
                "stock": record.part.stock}),
        })
        .await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Cores in the order in which they came out.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn cores(&self, filter: &CoreFilter) -> Result<Vec<CoreRecord>> {
        self.begin_read().await?.cores(filter).await
    }

    /// Notes what became of a core, once `judge` has let it pass.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], or what `judge` refuses.
    pub async fn change_core(
        &self,
        id: i64,
        if_match: IfMatch,
        change: &CoreChange,
        writing: &Writing,
        judge: impl FnOnce(&CoreRecord) -> Result<(), Conflict>,
        answer: impl FnOnce(&CoreRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = self.begin().await?;
        let old = tx.core(id, writing).await?;
        judge(&old)?;
        if_match.check(old.version)?;
        let changed = within!(&mut tx, c => sqlx::query(CHANGE_CORE)
            .bind(id).bind(change.intact.map(i64::from)).bind(change.packed.map(i64::from))
            .bind(change.shipped_on.map(day_number)).bind(change.returned_on.map(day_number))
            .bind(change.credit_expected).bind(change.credit_received).bind(&change.note).bind(micros(writing.now))
            .bind(old.version).bind(change.claim.map(ClaimState::as_str)).bind(change.claimed_on.map(day_number))
            .bind(change.claim_cents).bind(change.claim_paid_cents)
            .execute(c).await.map(|done| done.rows_affected()))?;
        one_changed(changed, old.version)?;
        let record = tx.core(id, writing).await?;
        let seen = |record: &CoreRecord| {
            json!({"intact": record.core.intact, "packed": record.core.packed, "shipped_on": record.shipped_on,
                "returned_on": record.core.returned_on, "credit_expected": record.credit_expected,
                "credit_received": record.credit_received, "claim": record.core.claim.map(ClaimState::as_str),
                "claimed_on": record.claimed_on, "claim_cents": record.claim_cents,
                "claim_paid_cents": record.claim_paid_cents, "note": record.note})
        };
        tx.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action: "core change",
            subject: format!("core {id}"),
            depot_id: Some(record.depot_id),
            before: Some(seen(&old)),
            after: Some(seen(&record)),
        })
        .await?;
        tx.tell(Told {
            at: writing.now,
            what: EventType::CoreChanged,
            subject: format!("core {id}"),
            depot_id: Some(record.depot_id),
            actor: &writing.actor.name,
            data: seen(&record),
        })
        .await?;
        tx.finish(writing, answer(&record)).await
    }
}
