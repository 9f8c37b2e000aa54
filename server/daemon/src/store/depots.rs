//! Depots.

use serde_json::{Value, json};
use ventmile_model::fleet::{Depot, DistanceUnit, OpeningHours, parse_zone};

use super::journal::Entry;
use super::values::{known, micros};
use super::{Answer, Conflict, Result, Store, StoreError, Tx, Writing, one_changed, opened, read, stale, within};

/// A stored depot.
#[derive(Clone, Debug)]
pub struct DepotRecord {
    /// Its number in the database.
    pub id: i64,
    /// Counts its changes.
    pub version: i64,
    /// The depot.
    pub depot: Depot,
}

/// What may be changed about a depot; what is `None` stays.
#[derive(Clone, Debug, Default)]
pub struct DepotChange {
    /// What people call it.
    pub name: Option<String>,
    /// Zone: earlier days keep being read in the new one.
    pub zone: Option<chrono_tz::Tz>,
    /// Bays.
    pub bays: Option<u32>,
    /// Opening hours.
    pub hours: Option<OpeningHours>,
    /// Distance unit.
    pub distance_unit: Option<DistanceUnit>,
}

impl DepotChange {
    fn applied_to(self, depot: &Depot) -> Depot {
        Depot {
            code: depot.code.clone(),
            name: self.name.unwrap_or_else(|| depot.name.clone()),
            zone: self.zone.unwrap_or(depot.zone),
            bays: self.bays.unwrap_or(depot.bays),
            hours: self.hours.unwrap_or(depot.hours),
            distance_unit: self.distance_unit.unwrap_or(depot.distance_unit),
        }
    }
}

type Row = (i64, i64, String, String, String, i64, String, String);

const BY_CODE: &str =
    "SELECT id, version, code, name, zone, bays, distance_unit, opening_hours FROM depots WHERE code = $1";
const BY_ID: &str =
    "SELECT id, version, code, name, zone, bays, distance_unit, opening_hours FROM depots WHERE id = $1";
const LIST: &str = "SELECT id, version, code, name, zone, bays, distance_unit, opening_hours FROM depots
    WHERE code > $1 AND (CAST($2 AS BIGINT) IS NULL
        OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $2 AND depot_id = depots.id))
    ORDER BY code LIMIT $3";
const ADD: &str = "INSERT INTO depots
        (code, name, zone, bays, distance_unit, opening_hours, version, created_us, changed_us)
    VALUES ($1, $2, $3, $4, $5, $6, 1, $7, $7) RETURNING id";
const CHANGE: &str = "UPDATE depots SET name = $2, zone = $3, bays = $4, distance_unit = $5, opening_hours = $6,
        version = version + 1, changed_us = $7
    WHERE id = $1 AND version = $8";
const STALE_BY_DEPOT: &str = stale!("SELECT id, $2, $2, 0, 1000000 FROM vehicles WHERE depot_id = $1 ORDER BY id");

impl TryFrom<Row> for DepotRecord {
    type Error = StoreError;

    fn try_from((id, version, code, name, zone, bays, unit, hours): Row) -> Result<Self> {
        let hours: StoredHours =
            serde_json::from_str(&hours).map_err(|_| StoreError::bad_row("depots.opening_hours", &hours))?;
        let depot = Depot {
            zone: known("depots.zone", &zone, parse_zone(&zone))?,
            bays: u32::try_from(bays).map_err(|_| StoreError::bad_row("depots.bays", bays))?,
            distance_unit: known("depots.distance_unit", &unit, DistanceUnit::parse(&unit))?,
            hours: hours.into(),
            code,
            name,
        };
        Ok(Self { id, version, depot })
    }
}

/// Opening hours as they stand in their column: minutes of the day, Monday first.
#[derive(serde::Serialize, serde::Deserialize)]
pub(super) struct StoredHours([Option<(chrono::NaiveTime, chrono::NaiveTime)>; 7]);

impl From<StoredHours> for OpeningHours {
    fn from(stored: StoredHours) -> Self {
        Self(stored.0.map(|day| day.map(|(opens, closes)| ventmile_model::fleet::DayHours { opens, closes })))
    }
}

pub(super) fn stored_hours(hours: &OpeningHours) -> Value {
    json!(StoredHours(hours.0.map(|day| day.map(|day| (day.opens, day.closes)))))
}

fn journal_view(depot: &Depot) -> Value {
    json!({
        "code": depot.code, "name": depot.name, "zone": depot.zone.name(), "bays": depot.bays,
        "distance_unit": depot.distance_unit.as_str(), "opening_hours": stored_hours(&depot.hours),
    })
}

impl Tx {
    /// The depot of this code, if the caller may see it.
    pub(super) async fn depot(&mut self, code: &str, writing: &Writing) -> Result<DepotRecord> {
        let missing = || Conflict::Missing { what: "depot", name: code.to_owned() };
        if !writing.actor.may_see(code) {
            return Err(missing().into());
        }
        let row: Option<Row> = within!(self, c => sqlx::query_as(BY_CODE).bind(code).fetch_optional(c).await)?;
        row.ok_or_else(missing)?.try_into()
    }

    /// The depot of this number.
    pub(super) async fn depot_of(&mut self, id: i64) -> Result<Option<DepotRecord>> {
        let row: Option<Row> = within!(self, c => sqlx::query_as(BY_ID).bind(id).fetch_optional(c).await)?;
        row.map(DepotRecord::try_from).transpose()
    }

    /// The depot that a body names in its field `depot`.
    pub(super) async fn named_depot(&mut self, code: &str, writing: &Writing) -> Result<DepotRecord> {
        self.depot(code, writing).await.map_err(|error| match error {
            StoreError::Conflict(Conflict::Missing { .. }) => {
                let reason = format!("there is no depot {code:?}: add it first");
                Conflict::Field { field: "depot", reason }.into()
            }
            other => other,
        })
    }
}

impl Store {
    /// The depot of this code.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or the row cannot be read.
    pub async fn find_depot(&self, code: &str) -> Result<Option<DepotRecord>> {
        let row: Option<Row> = read!(self, pool => sqlx::query_as(BY_CODE).bind(code).fetch_optional(pool).await)?;
        row.map(DepotRecord::try_from).transpose()
    }

    /// Depots by code, after `after`; only those of the key when `key_depots_of` names one.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn depots(&self, after: &str, key_depots_of: Option<i64>, limit: i64) -> Result<Vec<DepotRecord>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(LIST)
            .bind(after).bind(key_depots_of).bind(limit).fetch_all(pool).await)?;
        rows.into_iter().map(DepotRecord::try_from).collect()
    }

    /// Adds a depot.
    ///
    /// # Errors
    /// [`Conflict::Exists`] when the code is taken.
    pub async fn add_depot(
        &self,
        depot: Depot,
        writing: &Writing,
        answer: impl FnOnce(&DepotRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let added: Result<i64, sqlx::Error> = within!(&mut tx, c => sqlx::query_scalar(ADD)
            .bind(&depot.code).bind(&depot.name).bind(depot.zone.name()).bind(i64::from(depot.bays))
            .bind(depot.distance_unit.as_str()).bind(stored_hours(&depot.hours).to_string())
            .bind(micros(writing.now)).fetch_one(c).await);
        let id = added.map_err(|error| {
            StoreError::or_exists(error, || Conflict::Exists { what: "depot", name: depot.code.clone() })
        })?;
        let record = DepotRecord { id, version: 1, depot };
        tx.journal_depot("depot add", None, &record, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Changes a depot that still has the version the caller holds.
    ///
    /// # Errors
    /// [`Conflict::Missing`], or [`Conflict::Version`] when it has changed since.
    pub async fn change_depot(
        &self,
        code: &str,
        if_match: super::IfMatch,
        change: DepotChange,
        writing: &Writing,
        answer: impl FnOnce(&DepotRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = self.begin().await?;
        let old = tx.depot(code, writing).await?;
        if_match.check(old.version)?;
        let record = DepotRecord { id: old.id, version: old.version + 1, depot: change.applied_to(&old.depot) };
        let depot = &record.depot;
        let changed = within!(&mut tx, c => sqlx::query(CHANGE)
            .bind(old.id).bind(&depot.name).bind(depot.zone.name()).bind(i64::from(depot.bays))
            .bind(depot.distance_unit.as_str()).bind(stored_hours(&depot.hours).to_string())
            .bind(micros(writing.now)).bind(old.version).execute(c).await.map(|done| done.rows_affected()))?;
        one_changed(changed, old.version)?;
        if depot.zone != old.depot.zone || depot.distance_unit != old.depot.distance_unit {
            within!(&mut tx, c => sqlx::query(STALE_BY_DEPOT).bind(old.id).bind(micros(writing.now))
                .execute(c).await.map(drop))?;
        }
        tx.journal_depot("depot change", Some(journal_view(&old.depot)), &record, writing).await?;
        tx.finish(writing, answer(&record)).await
    }
}

impl Tx {
    async fn journal_depot(
        &mut self,
        action: &'static str,
        before: Option<Value>,
        record: &DepotRecord,
        writing: &Writing,
    ) -> Result<()> {
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("depot {}", record.depot.code),
            depot_id: Some(record.id),
            before,
            after: Some(journal_view(&record.depot)),
        })
        .await
    }

    /// Keeps the answer and commits.
    pub(super) async fn finish(mut self, writing: &Writing, answer: Answer) -> Result<Answer> {
        self.keep_answer(writing.once.as_ref(), &answer).await?;
        self.commit().await?;
        Ok(answer)
    }
}
