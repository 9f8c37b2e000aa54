//! Technicians: where they work, what they hold, when they are there.

use chrono::NaiveDate;
use serde_json::{Value, json};
use ventmile_model::fleet::OpeningHours;
use ventmile_model::work::{Absence, Certificate, Technician};

use super::depots::{StoredHours, stored_hours};
use super::in_use::{Named, OpenOrder};
use super::journal::Entry;
use super::retired::{Retired, retired_view};
use super::values::{date, day_number, micros, of_json};
use super::{Answer, Conflict, IfMatch, Result, Store, StoreError, Tx, Writing, one_changed, opened, read, within};

/// A stored technician.
#[derive(Clone, Debug)]
pub struct TechnicianRecord {
    /// Number in the database.
    pub id: i64,
    /// Counts the changes.
    pub version: i64,
    /// The technician.
    pub technician: Technician,
    /// Their name: it stands here only, and may be erased.
    pub name: Option<String>,
    /// Why they work here no more.
    pub retired_reason: Option<String>,
}

impl TechnicianRecord {
    fn retired(&self) -> Retired {
        self.technician.retired_on.zip(self.retired_reason.clone())
    }
}

/// What may be changed about a technician; what is `None` stays.
#[derive(Clone, Debug, Default)]
pub struct TechnicianChange {
    /// Code of the depot.
    pub depot: Option<String>,
    /// Certificates held.
    pub certificates: Option<Vec<Certificate>>,
    /// Working hours.
    pub hours: Option<OpeningHours>,
    /// Days away.
    pub absences: Option<Vec<Absence>>,
    /// Their name, or none any more.
    pub name: Option<Option<String>>,
    /// Since when and why they work here no more, or that they do again.
    pub retired: Option<Retired>,
}

impl TechnicianChange {
    fn applied_to(self, record: &TechnicianRecord) -> TechnicianRecord {
        let old = &record.technician;
        let (retired_on, retired_reason) = self.retired.unwrap_or_else(|| record.retired()).unzip();
        let technician = Technician {
            code: old.code.clone(),
            depot: self.depot.unwrap_or_else(|| old.depot.clone()),
            certificates: self.certificates.unwrap_or_else(|| old.certificates.clone()),
            hours: self.hours.unwrap_or(old.hours),
            absences: self.absences.unwrap_or_else(|| old.absences.clone()),
            retired_on,
        };
        let name = self.name.unwrap_or_else(|| record.name.clone());
        TechnicianRecord { id: record.id, version: record.version + 1, technician, name, retired_reason }
    }
}

type Row = (i64, i64, String, String, String, String, String, Option<String>, Option<i64>, Option<String>);

macro_rules! select {
    ($rest:literal) => {
        concat!(
            "SELECT t.id, t.version, t.code, d.code, t.certificates, t.hours, t.absences, t.name, t.retired_day,
                t.retired_reason
            FROM technicians t JOIN depots d ON d.id = t.depot_id ",
            $rest
        )
    };
}

const BY_CODE: &str = select!("WHERE t.code = $1");
pub(super) const LIST: &str = select!(
    "WHERE t.code > $1 AND (CAST($2 AS TEXT) IS NULL OR d.code = $2) AND (CAST($3 AS BIGINT) IS NULL
        OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $3 AND key_depots.depot_id = t.depot_id))
        AND ($5 = 1 OR t.retired_day IS NULL)
    ORDER BY t.code LIMIT $4"
);
const ADD: &str = "INSERT INTO technicians
        (code, depot_id, certificates, hours, absences, version, created_us, changed_us, name)
    VALUES ($1, $2, $3, $4, $5, 1, $6, $6, $7) RETURNING id";
const CHANGE: &str = "UPDATE technicians SET depot_id = $2, certificates = $3, hours = $4, absences = $5,
        version = version + 1, changed_us = $6, name = $8, retired_day = $9, retired_reason = $10
    WHERE id = $1 AND version = $7";

impl TryFrom<Row> for TechnicianRecord {
    type Error = StoreError;

    fn try_from((id, version, code, depot, certificates, hours, absences, name, day, reason): Row) -> Result<Self> {
        let certificates: Vec<(String, NaiveDate)> = of_json("technicians.certificates", &certificates)?;
        let absences: Vec<(NaiveDate, NaiveDate)> = of_json("technicians.absences", &absences)?;
        let hours: StoredHours = of_json("technicians.hours", &hours)?;
        let technician = Technician {
            code,
            depot,
            certificates: certificates.into_iter().map(|(name, expires_on)| Certificate { name, expires_on }).collect(),
            hours: hours.into(),
            absences: absences.into_iter().map(|(from, to)| Absence { from, to }).collect(),
            retired_on: day.map(|day| date("technicians.retired_day", day)).transpose()?,
        };
        Ok(Self { id, version, technician, name, retired_reason: reason })
    }
}

fn certificates(person: &Technician) -> Value {
    person.certificates.iter().map(|held| json!([held.name, held.expires_on])).collect()
}

fn absences(person: &Technician) -> Value {
    person.absences.iter().map(|absence| json!([absence.from, absence.to])).collect()
}

/// Never the name.
fn journal_view(record: &TechnicianRecord) -> Value {
    let person = &record.technician;
    json!({
        "code": person.code, "depot": person.depot, "certificates": certificates(person),
        "hours": stored_hours(&person.hours), "absences": absences(person), "named": record.name.is_some(),
        "retired": retired_view(record.retired().as_ref()),
    })
}

impl Tx {
    /// Every technician the caller may see.
    pub(super) async fn technicians(&mut self, writing: &Writing) -> Result<Vec<Technician>> {
        let rows: Vec<Row> = within!(self, c => sqlx::query_as(LIST)
            .bind("").bind(None::<&str>).bind(writing.actor.key_depots_of()).bind(i64::MAX).bind(1_i64).fetch_all(c).await)?;
        rows.into_iter().map(|row| Ok(TechnicianRecord::try_from(row)?.technician)).collect()
    }

    /// The technician of this code, if the caller may see them.
    pub(super) async fn technician(&mut self, code: &str, writing: &Writing) -> Result<TechnicianRecord> {
        let row: Option<Row> = within!(self, c => sqlx::query_as(BY_CODE).bind(code).fetch_optional(c).await)?;
        let record = row.map(TechnicianRecord::try_from).transpose()?;
        record
            .filter(|found| writing.actor.may_see(&found.technician.depot))
            .ok_or_else(|| Conflict::Missing { what: "technician", name: code.to_owned() }.into())
    }

    async fn journal_technician(
        &mut self,
        action: &'static str,
        before: Option<&TechnicianRecord>,
        after: &TechnicianRecord,
        depot_id: i64,
        writing: &Writing,
    ) -> Result<()> {
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("technician {}", after.technician.code),
            depot_id: Some(depot_id),
            before: before.map(journal_view),
            after: Some(journal_view(after)),
        })
        .await
    }
}

impl Store {
    /// The technician of this code.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or the row cannot be read.
    pub async fn find_technician(&self, code: &str) -> Result<Option<TechnicianRecord>> {
        let row: Option<Row> = read!(self, pool => sqlx::query_as(BY_CODE).bind(code).fetch_optional(pool).await)?;
        row.map(TechnicianRecord::try_from).transpose()
    }

    /// Technicians by code, after `after`; only of a depot, only those of the key when `key_depots_of` names one.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn technicians(
        &self,
        after: &str,
        depot: Option<&str>,
        with_retired: bool,
        key_depots_of: Option<i64>,
        limit: i64,
    ) -> Result<Vec<TechnicianRecord>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(LIST)
            .bind(after).bind(depot).bind(key_depots_of).bind(limit).bind(i64::from(with_retired)).fetch_all(pool).await)?;
        rows.into_iter().map(TechnicianRecord::try_from).collect()
    }

    /// Adds a technician.
    ///
    /// # Errors
    /// [`Conflict::Exists`] when the code is taken, [`Conflict::Field`] when the depot is not there.
    pub async fn add_technician(
        &self,
        technician: Technician,
        name: Option<String>,
        writing: &Writing,
        answer: impl FnOnce(&TechnicianRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let depot_id = tx.named_depot(&technician.depot, writing).await?.id;
        let added: Result<i64, sqlx::Error> = within!(&mut tx, c => sqlx::query_scalar(ADD)
            .bind(&technician.code).bind(depot_id).bind(certificates(&technician).to_string())
            .bind(stored_hours(&technician.hours).to_string()).bind(absences(&technician).to_string())
            .bind(micros(writing.now)).bind(&name).fetch_one(c).await);
        let id = added.map_err(|error| {
            let name = technician.code.clone();
            StoreError::or_exists(error, || Conflict::Exists { what: "technician", name })
        })?;
        let record = TechnicianRecord { id, version: 1, technician, name, retired_reason: None };
        tx.journal_technician("technician add", None, &record, depot_id, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Changes a technician who still has the version the caller holds.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], [`Conflict::Field`] when the depot is not there, or [`Conflict::Rule`] when
    /// an open order of their depot counts on whom is to be retired.
    pub async fn change_technician(
        &self,
        code: &str,
        if_match: IfMatch,
        change: TechnicianChange,
        writing: &Writing,
        answer: impl FnOnce(&TechnicianRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = self.begin().await?;
        tx.hold_named(Named::Technicians, &[code], true).await?;
        let old = tx.technician(code, writing).await?;
        if_match.check(old.version)?;
        let record = change.applied_to(&old);
        let technician = &record.technician;
        if let Some(on) = technician.retired_on.filter(|on| old.technician.retired_on != Some(*on)) {
            let held = |open: &OpenOrder| {
                open.holder.as_deref() == Some(code) || open.is_planned(on, |it| &it.technicians, code)
            };
            tx.spare("hand it over or plan it anew first", held, writing).await?;
        }
        let depot_id = tx.named_depot(&technician.depot, writing).await?.id;
        let changed = within!(&mut tx, c => sqlx::query(CHANGE)
            .bind(old.id).bind(depot_id).bind(certificates(technician).to_string())
            .bind(stored_hours(&technician.hours).to_string()).bind(absences(technician).to_string())
            .bind(micros(writing.now)).bind(old.version).bind(&record.name)
            .bind(technician.retired_on.map(day_number)).bind(&record.retired_reason).execute(c).await.map(|done| done.rows_affected()))?;
        one_changed(changed, old.version)?;
        tx.journal_technician("technician change", Some(&old), &record, depot_id, writing).await?;
        tx.finish(writing, answer(&record)).await
    }
}
