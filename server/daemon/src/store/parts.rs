//! Parts by depot, what is on its way, and cores.

use chrono::NaiveDate;
use chrono_tz::Tz;
use serde_json::json;
use ventmile_model::fleet::{DistanceUnit, Kind, Metres, parse_zone};
use ventmile_model::work::{Core, CoreTerms, Fitted, Warranty};

use super::journal::Entry;
use super::outbox::Told;
use super::values::{date, day_number, known, micros};
use super::{
    Answer, Conflict, EventType, IfMatch, Result, Store, StoreError, Tx, Writing, one_changed, order_number, read,
    within,
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
    orders: i64,
    arrivals: Option<String>,
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
    note: Option<String>,
}

/// Open orders of the job at the depot; of a pack only those whose car has that type in it, or none that is known.
const PARTS: &str = "SELECT p.id, p.version, p.depot_id, d.code AS depot, d.zone, p.number, p.name, p.job, p.per_job, p.pack_type,
        p.lead_days, p.stock, p.core_days, p.core_credit, p.warranty_months, p.warranty_metres,
        (SELECT count(*) FROM work_orders w WHERE w.depot_id = p.depot_id AND w.kind = p.job
            AND w.status IN ('needs-action', 'in-process')
            AND (p.pack_type IS NULL OR NOT EXISTS (SELECT 1 FROM pack_outlooks o
                WHERE o.vehicle_id = w.vehicle_id AND o.pack_type <> p.pack_type))) AS orders,
        (SELECT string_agg(CAST(a.id AS TEXT) || ' ' || CAST(a.expected_day AS TEXT) || ' ' || CAST(a.quantity AS TEXT), ',')
            FROM part_arrivals a WHERE a.part_id = p.id AND a.received_us IS NULL) AS arrivals
    FROM parts p JOIN depots d ON d.id = p.depot_id
    WHERE p.id > $1 AND (CAST($2 AS TEXT) IS NULL OR d.code = $2) AND (CAST($3 AS TEXT) IS NULL OR p.number = $3)
        AND (CAST($4 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $4 AND key_depots.depot_id = p.depot_id))
    ORDER BY p.id LIMIT $5";
const ADD: &str = "INSERT INTO parts (depot_id, number, name, job, per_job, pack_type, lead_days, stock, core_days,
        core_credit, warranty_months, warranty_metres, version, created_us, changed_us)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, 1, $13, $13)";
const RECEIVE: &str = "UPDATE parts SET stock = stock + $2, changed_us = $3, version = version + 1 WHERE id = $1";
const EXPECT: &str = "INSERT INTO part_arrivals (part_id, quantity, expected_day, created_us) VALUES ($1, $2, $3, $4)";
const ARRIVED: &str = "UPDATE part_arrivals SET received_us = $3
    WHERE id = $2 AND part_id = $1 AND received_us IS NULL";
const DUE: &str =
    "SELECT f.due_day FROM forecasts f WHERE f.depot_id = $1 AND f.kind = $2 AND f.rank >= 2 AND f.due_day <= $3
        AND NOT EXISTS (SELECT 1 FROM work_orders w WHERE w.vehicle_id = f.vehicle_id AND w.kind = f.kind
            AND w.status IN ('needs-action', 'in-process'))
    ORDER BY f.due_day";
const PACKS_90: &str = "SELECT CAST(COALESCE(sum(o.chance_90), 0) AS DOUBLE PRECISION) FROM pack_outlooks o
    WHERE o.depot_id = $1 AND o.pack_type = $2 AND o.chance_90 > 0
        AND NOT EXISTS (SELECT 1 FROM work_orders w WHERE w.vehicle_id = o.vehicle_id AND w.kind = 'pack-replacement'
            AND w.status IN ('needs-action', 'in-process'))";
const CORES: &str =
    "SELECT c.id, c.version, c.work_order_id, v.unit, d.code AS depot, c.depot_id, d.zone, d.distance_unit, c.serial,
        c.core_type, c.bought_type, c.intact, c.packed, c.removed_day, c.removed_metres, c.fitted_day, c.fitted_metres,
        c.warranty_months, c.warranty_metres, c.return_by_day, c.shipped_day, c.returned_day, c.credit_expected,
        c.credit_received, c.note
    FROM cores c JOIN vehicles v ON v.id = c.vehicle_id JOIN depots d ON d.id = c.depot_id
    WHERE c.id > $1 AND (CAST($2 AS TEXT) IS NULL OR d.code = $2) AND (CAST($3 AS BIGINT) IS NULL OR c.id = $3)
        AND (CAST($4 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $4 AND key_depots.depot_id = c.depot_id))
        AND c.voided_us IS NULL
    ORDER BY c.id LIMIT $5";
const CHANGE_CORE: &str = "UPDATE cores SET intact = COALESCE($2, intact), packed = COALESCE($3, packed),
        shipped_day = COALESCE($4, shipped_day), returned_day = COALESCE($5, returned_day),
        credit_expected = COALESCE($6, credit_expected), credit_received = COALESCE($7, credit_received),
        note = COALESCE($8, note), changed_us = $9, version = version + 1
    WHERE id = $1 AND version = $10";

fn warranty(months: Option<i64>, metres: Option<i64>) -> Option<Warranty> {
    let months = u32::try_from(months?).ok()?;
    Some(Warranty { months, distance: metres.map(Metres) })
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
            },
        })
    }
}

impl TryFrom<CoreRow> for CoreRecord {
    type Error = StoreError;

    fn try_from(row: CoreRow) -> Result<Self> {
        let day = |column, day: Option<i64>| day.map(|day| date(column, day)).transpose();
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
            },
            terms: CoreTerms { part_type: row.bought_type, return_by: date("cores.return_by_day", row.return_by_day)? },
            shipped_on: day("cores.shipped_day", row.shipped_day)?,
            credit_expected: row.credit_expected,
            credit_received: row.credit_received,
            note: row.note,
        })
    }
}

impl Tx {
    async fn parts(&mut self, filter: &PartFilter) -> Result<Vec<PartRecord>> {
        let rows: Vec<PartRow> = within!(self, c => sqlx::query_as(PARTS)
            .bind(filter.after).bind(&filter.depot).bind(&filter.number).bind(filter.key_depots_of).bind(filter.limit)
            .fetch_all(c).await)?;
        rows.into_iter().map(PartRecord::try_from).collect()
    }

    async fn part(&mut self, depot: &str, number: &str) -> Result<PartRecord> {
        let filter = PartFilter {
            depot: Some(depot.to_owned()),
            number: Some(number.to_owned()),
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
        after: serde_json::Value,
        writing: &Writing,
    ) -> Result<()> {
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("part {}", record.part.number),
            depot_id: Some(record.depot_id),
            before: None,
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

    /// What cars will need of a part by a day, beyond open orders.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn part_need(&self, record: &PartRecord, until: NaiveDate) -> Result<PartNeed> {
        let part = &record.part;
        let Some(job) = part.job else { return Ok(PartNeed::default()) };
        if let Some(pack_type) = part.pack_type.as_ref().filter(|_| job == Kind::PackReplacement) {
            let sum: f64 = read!(self, pool => sqlx::query_scalar(PACKS_90)
                .bind(record.depot_id).bind(pack_type).fetch_one(pool).await)?;
            return Ok(PartNeed { due: Vec::new(), packs_90: sum });
        }
        let days: Vec<i64> = read!(self, pool => sqlx::query_scalar(DUE)
            .bind(record.depot_id).bind(job.as_str()).bind(day_number(until)).fetch_all(pool).await)?;
        let due = days.into_iter().map(|day| date("forecasts.due_day", day)).collect::<Result<_>>()?;
        Ok(PartNeed { due, packs_90: 0.0 })
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
        let mut tx = self.begin().await?;
        if let Some(before) = tx.claim(writing.once.as_ref(), writing.now).await? {
            return Ok(before);
        }
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
        let after = json!({"name": new.name, "stock": new.stock, "lead_days": new.lead_days});
        tx.journal_part("part add", &record, after, writing).await?;
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
        let mut tx = self.begin().await?;
        if let Some(before) = tx.claim(writing.once.as_ref(), writing.now).await? {
            return Ok(before);
        }
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
        tx.journal_part("part receive", &record, after, writing).await?;
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

    /// Notes what became of a core.
    ///
    /// # Errors
    /// [`Conflict::Missing`] or [`Conflict::Version`].
    pub async fn change_core(
        &self,
        id: i64,
        if_match: IfMatch,
        change: &CoreChange,
        writing: &Writing,
        answer: impl FnOnce(&CoreRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = self.begin().await?;
        let old = tx.core(id, writing).await?;
        if_match.check(old.version)?;
        let changed = within!(&mut tx, c => sqlx::query(CHANGE_CORE)
            .bind(id).bind(change.intact.map(i64::from)).bind(change.packed.map(i64::from))
            .bind(change.shipped_on.map(day_number)).bind(change.returned_on.map(day_number))
            .bind(change.credit_expected).bind(change.credit_received).bind(&change.note).bind(micros(writing.now))
            .bind(old.version).execute(c).await.map(|done| done.rows_affected()))?;
        one_changed(changed, old.version)?;
        let record = tx.core(id, writing).await?;
        let seen = |record: &CoreRecord| {
            json!({"intact": record.core.intact, "packed": record.core.packed, "shipped_on": record.shipped_on,
                "returned_on": record.core.returned_on, "credit_expected": record.credit_expected,
                "credit_received": record.credit_received, "note": record.note})
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
