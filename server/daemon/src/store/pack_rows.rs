//! Stored packs, pack checks and trouble codes, as lists show them and as a forecast needs them.

use chrono::{DateTime, Utc};
use serde::Deserialize;
use serde_json::json;
use ventmile_model::fleet::{
    Chemistry, Code, CodeReport, Layout, Metres, PackCheck, PackLife, Removal, RemovedBecause, TroubleCode,
};

use super::journal::Entry;
use super::values::{instant, known, micros};
use super::{Answer, Conflict, LogFilter, Result, Store, StoreError, Writing, opened, read, within};

/// A stored pack's time in a car.
#[derive(Clone, Debug)]
pub struct PackRecord {
    /// Number of the car.
    pub vehicle_id: i64,
    /// Its unit number.
    pub unit: String,
    /// The car's depot.
    pub depot: String,
    /// The pack and its time.
    pub life: PackLife,
    /// What else was noted.
    pub note: Option<String>,
    /// When the row was voided.
    pub voided_at: Option<DateTime<Utc>>,
}

/// Which packs a list shows.
#[derive(Clone, Debug, Default)]
pub struct PackFilter {
    /// Only this serial.
    pub serial: Option<String>,
    /// Only in cars of this depot.
    pub depot: Option<String>,
    /// Only in this car.
    pub unit: Option<String>,
    /// Only of this type.
    pub pack_type: Option<String>,
    /// Those taken out too.
    pub with_removed: bool,
    /// After this place: serial, instant, car.
    pub after: (String, i64, i64),
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
    /// At most so many.
    pub limit: i64,
}

/// A pack is taken out.
#[derive(Clone, Debug)]
pub struct PackRemoval {
    /// When and why.
    pub removal: Removal,
    /// What else was noted; what was noted before stays where this is `None`.
    pub note: Option<String>,
}

/// A stored pack check.
#[derive(Clone, Debug)]
pub struct CheckRecord {
    /// What was shown.
    pub check: PackCheck,
    /// Number of its source.
    pub source_id: i64,
    /// Its source.
    pub source: String,
    /// When it was voided.
    pub voided_at: Option<DateTime<Utc>>,
}

/// A stored trouble code.
#[derive(Clone, Debug)]
pub struct CodeRecord {
    /// The code and what was reported of it.
    pub code: TroubleCode,
    /// Whether it was confirmed at the very instant at which it was cleared.
    pub was_confirmed: bool,
    /// The maker's own detail number.
    pub detail: Option<i64>,
    /// Number of its source.
    pub source_id: i64,
    /// Its source.
    pub source: String,
    /// When it was voided.
    pub voided_at: Option<DateTime<Utc>>,
}

const PACKS: &str = "SELECT p.vehicle_id, v.unit, d.code AS depot, p.serial, p.pack_type, p.chemistry, p.blocks,
        p.modules_per_block, p.cells_per_module, p.at_us, p.metres, p.used_metres, p.original, p.removed_us,
        p.removed_metres, p.removed_because, p.note, p.voided_us
    FROM pack_lives p JOIN vehicles v ON v.id = p.vehicle_id JOIN depots d ON d.id = v.depot_id
    WHERE (p.serial, p.at_us, p.vehicle_id) > ($1, $2, $3) AND (CAST($4 AS TEXT) IS NULL OR p.serial = $4)
        AND (CAST($5 AS TEXT) IS NULL OR d.code = $5) AND (CAST($6 AS TEXT) IS NULL OR v.unit = $6)
        AND (CAST($7 AS TEXT) IS NULL OR p.pack_type = $7)
        AND (CAST($8 AS BIGINT) = 1 OR (p.removed_us IS NULL AND p.voided_us IS NULL))
        AND (CAST($9 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $9 AND depot_id = v.depot_id))
    ORDER BY p.serial, p.at_us, p.vehicle_id LIMIT $10";
const REMOVE: &str = "UPDATE pack_lives SET removed_us = $4, removed_metres = $5, removed_because = $6, note = $7,
        revision = revision + 1
    WHERE vehicle_id = $1 AND at_us = $2 AND serial = $3";
const CHECKS: &str = "SELECT r.at_us, r.block_volts, r.current_a, r.charge_pct, r.pack_c, r.cabin_c, r.fan_stage,
        r.source_id, s.name AS source, r.voided_us
    FROM pack_checks r JOIN sources s ON s.id = r.source_id
    WHERE r.vehicle_id = $1 AND r.at_us >= $2 AND r.at_us <= $3 AND (r.at_us, r.source_id) > ($4, $5)
    ORDER BY r.at_us, r.source_id LIMIT $6";
const CODES: &str =
    "SELECT r.at_us, r.code, r.state, r.was_confirmed, r.detail, r.source_id, s.name AS source, r.voided_us
    FROM trouble_codes r JOIN sources s ON s.id = r.source_id
    WHERE r.vehicle_id = $1 AND r.at_us >= $2 AND r.at_us <= $3 AND (r.at_us, r.code, r.source_id) > ($4, $5, $6)
    ORDER BY r.at_us, r.code, r.source_id LIMIT $7";

/// A pack's time in a car as it is stored: a row, or a JSON array of these values in this order.
#[derive(Deserialize, sqlx::FromRow)]
pub(super) struct LifeColumns {
    serial: String,
    pack_type: String,
    chemistry: Option<String>,
    blocks: Option<i64>,
    modules_per_block: Option<i64>,
    cells_per_module: Option<i64>,
    at_us: i64,
    metres: Option<i64>,
    used_metres: Option<i64>,
    original: i64,
    removed_us: Option<i64>,
    removed_metres: Option<i64>,
    removed_because: Option<String>,
}

/// A pack check as it is stored, likewise.
#[derive(Deserialize, sqlx::FromRow)]
pub(super) struct CheckColumns {
    at_us: i64,
    block_volts: String,
    current_a: Option<f64>,
    charge_pct: Option<f64>,
    pack_c: Option<f64>,
    cabin_c: Option<f64>,
    fan_stage: Option<i64>,
}

/// A trouble code as it is stored, likewise.
#[derive(Deserialize, sqlx::FromRow)]
pub(super) struct CodeColumns {
    at_us: i64,
    code: String,
    state: String,
    was_confirmed: i64,
}

impl CodeColumns {
    /// What the row reports, in the order of its reports.
    pub(super) fn reports(self) -> Result<impl Iterator<Item = TroubleCode>> {
        let was_confirmed = self.was_confirmed != 0;
        let last = TroubleCode::try_from(self)?;
        let before = was_confirmed.then_some(TroubleCode { state: CodeReport::Confirmed, ..last });
        Ok(before.into_iter().chain([last]))
    }
}

impl LifeColumns {
    fn layout(&self) -> Option<Layout> {
        let count = |count: Option<i64>| u16::try_from(count?).ok();
        Some(Layout {
            blocks: count(self.blocks)?,
            modules_per_block: count(self.modules_per_block)?,
            cells_per_module: count(self.cells_per_module)?,
        })
    }

    fn removal(&self) -> Result<Option<Removal>> {
        let Some((at, because)) = self.removed_us.zip(self.removed_because.as_deref()) else { return Ok(None) };
        Ok(Some(Removal {
            at: instant("pack_lives.removed_us", at)?,
            odometer: self.removed_metres.map(Metres),
            because: known("pack_lives.removed_because", because, RemovedBecause::parse(because))?,
        }))
    }
}

impl TryFrom<LifeColumns> for PackLife {
    type Error = StoreError;

    fn try_from(row: LifeColumns) -> Result<Self> {
        let chemistry = |text: &str| known("pack_lives.chemistry", text, Chemistry::parse(text));
        Ok(Self {
            chemistry: row.chemistry.as_deref().map(chemistry).transpose()?,
            layout: row.layout(),
            removal: row.removal()?,
            at: instant("pack_lives.at_us", row.at_us)?,
            odometer: row.metres.map(Metres),
            used: row.used_metres.map(Metres),
            original: row.original != 0,
            serial: row.serial,
            pack_type: row.pack_type,
        })
    }
}

impl TryFrom<CheckColumns> for PackCheck {
    type Error = StoreError;

    fn try_from(row: CheckColumns) -> Result<Self> {
        let volts = serde_json::from_str(&row.block_volts).ok();
        Ok(Self {
            at: instant("pack_checks.at_us", row.at_us)?,
            block_volts: known("pack_checks.block_volts", &row.block_volts, volts)?,
            current_a: row.current_a,
            charge_pct: row.charge_pct,
            pack_c: row.pack_c,
            cabin_c: row.cabin_c,
            fan_stage: row.fan_stage.and_then(|stage| u8::try_from(stage).ok()),
        })
    }
}

impl TryFrom<CodeColumns> for TroubleCode {
    type Error = StoreError;

    fn try_from(row: CodeColumns) -> Result<Self> {
        Ok(Self {
            at: instant("trouble_codes.at_us", row.at_us)?,
            code: known("trouble_codes.code", &row.code, Code::parse(&row.code).ok())?,
            state: known("trouble_codes.state", &row.state, CodeReport::parse(&row.state))?,
        })
    }
}

#[derive(sqlx::FromRow)]
struct PackListed {
    vehicle_id: i64,
    unit: String,
    depot: String,
    #[sqlx(flatten)]
    life: LifeColumns,
    note: Option<String>,
    voided_us: Option<i64>,
}

#[derive(sqlx::FromRow)]
struct CheckListed {
    #[sqlx(flatten)]
    check: CheckColumns,
    source_id: i64,
    source: String,
    voided_us: Option<i64>,
}

#[derive(sqlx::FromRow)]
struct CodeListed {
    #[sqlx(flatten)]
    code: CodeColumns,
    detail: Option<i64>,
    source_id: i64,
    source: String,
    voided_us: Option<i64>,
}

fn record(row: PackListed) -> Result<PackRecord> {
    Ok(PackRecord {
        vehicle_id: row.vehicle_id,
        unit: row.unit,
        depot: row.depot,
        life: row.life.try_into()?,
        note: row.note,
        voided_at: voided(row.voided_us)?,
    })
}

fn voided(at: Option<i64>) -> Result<Option<DateTime<Utc>>> {
    at.map(|at| instant("voided_us", at)).transpose()
}

impl Store {
    /// Packs and the cars they were in, by serial.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn packs(&self, filter: &PackFilter) -> Result<Vec<PackRecord>> {
        let (serial, at, vehicle_id) = &filter.after;
        let rows: Vec<PackListed> = read!(self, pool => sqlx::query_as(PACKS)
            .bind(serial).bind(at).bind(vehicle_id).bind(&filter.serial).bind(&filter.depot).bind(&filter.unit)
            .bind(&filter.pack_type).bind(i64::from(filter.with_removed)).bind(filter.key_depots_of)
            .bind(filter.limit).fetch_all(pool).await)?;
        rows.into_iter().map(record).collect()
    }

    /// Ends a pack's time in the car it is in.
    ///
    /// # Errors
    /// [`Conflict::Missing`] when no car has it now, [`Conflict::Field`] when it was put in later.
    pub async fn remove_pack(
        &self,
        serial: &str,
        removed: PackRemoval,
        writing: &Writing,
        answer: impl FnOnce(PackRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let rows: Vec<PackListed> = within!(&mut tx, c => sqlx::query_as(PACKS)
            .bind("").bind(i64::MIN).bind(i64::MIN).bind(serial).bind(None::<&str>).bind(None::<&str>)
            .bind(None::<&str>).bind(0_i64).bind(writing.actor.key_depots_of()).bind(i64::MAX).fetch_all(c).await)?;
        let last = rows.into_iter().next_back().map(record).transpose()?;
        let old = last.ok_or_else(|| Conflict::Missing { what: "pack in a car", name: serial.to_owned() })?;
        let Removal { at, odometer, because } = removed.removal;
        if at < old.life.at {
            let reason = format!("the pack was put in at {}: it is taken out later", old.life.at);
            return Err(Conflict::Field { field: "at", reason }.into());
        }
        let new = PackRecord {
            life: PackLife { removal: Some(removed.removal), ..old.life.clone() },
            note: removed.note.or_else(|| old.note.clone()),
            ..old.clone()
        };
        within!(&mut tx, c => sqlx::query(REMOVE).bind(old.vehicle_id).bind(micros(old.life.at)).bind(serial)
            .bind(micros(at)).bind(odometer.map(|metres| metres.0)).bind(because.as_str()).bind(&new.note)
            .execute(c).await.map(drop))?;
        tx.mark_stale(old.vehicle_id, micros(writing.now)).await?;
        let car = tx.vehicle(&old.unit, writing).await?;
        tx.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action: "pack remove",
            subject: format!("pack {serial} in vehicle {}", old.unit),
            depot_id: Some(car.depot_id),
            before: None,
            after: Some(json!({"at": at, "odometer_m": odometer.map(|metres| metres.0), "because": because.as_str(),
                "note": new.note})),
        })
        .await?;
        tx.finish(writing, answer(new)).await
    }

    /// Pack checks of a car in time order.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn pack_checks(&self, filter: &LogFilter) -> Result<Vec<CheckRecord>> {
        let rows: Vec<CheckListed> = read!(self, pool => sqlx::query_as(CHECKS)
            .bind(filter.vehicle_id).bind(filter.from).bind(filter.to).bind(filter.after.0).bind(filter.after.2)
            .bind(filter.limit).fetch_all(pool).await)?;
        let record = |row: CheckListed| {
            let (check, voided_at) = (row.check.try_into()?, voided(row.voided_us)?);
            Ok(CheckRecord { check, source_id: row.source_id, source: row.source, voided_at })
        };
        rows.into_iter().map(record).collect()
    }

    /// Trouble codes of a car in time order.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn trouble_codes(&self, filter: &LogFilter) -> Result<Vec<CodeRecord>> {
        let rows: Vec<CodeListed> = read!(self, pool => sqlx::query_as(CODES)
            .bind(filter.vehicle_id).bind(filter.from).bind(filter.to).bind(filter.after.0).bind(&filter.after.1)
            .bind(filter.after.2).bind(filter.limit).fetch_all(pool).await)?;
        let record = |row: CodeListed| {
            Ok(CodeRecord {
                was_confirmed: row.code.was_confirmed != 0,
                code: row.code.try_into()?,
                detail: row.detail,
                source_id: row.source_id,
                source: row.source,
                voided_at: voided(row.voided_us)?,
            })
        };
        rows.into_iter().map(record).collect()
    }
}
