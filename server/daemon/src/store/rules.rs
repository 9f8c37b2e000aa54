//! Service rules: the widest applies unless one for the car's depot or model is there.

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use ventmile_model::fleet::{DistanceUnit, Hours, Kind, Metres, Mixed, Rule, Window, WindowSet};

use super::journal::Entry;
use super::values::{known, micros};
use super::{
    Answer, Conflict, IfMatch, Result, Store, StoreError, Tx, Writing, one_changed, opened, read, stale, within,
};

/// A stored rule.
#[derive(Clone, Debug)]
pub struct RuleRecord {
    /// Its number in the database.
    pub id: i64,
    /// Counts its changes.
    pub version: i64,
    /// What the fleet calls it.
    pub code: String,
    /// The job it is for.
    pub kind: Kind,
    /// Code of the only depot it is for.
    pub depot: Option<String>,
    /// The only model it is for.
    pub model: Option<String>,
    /// The unit in which its windows are shown.
    pub distance_unit: DistanceUnit,
    /// The rule.
    pub rule: Rule,
}

/// What may be changed about a rule; what is `None` stays.
#[derive(Clone, Debug, Default)]
pub struct RuleChange {
    /// Windows in hard duty.
    pub hard: Option<WindowSet>,
    /// Windows in ordinary duty; `Some(None)` takes them away.
    pub ordinary: Option<Option<WindowSet>>,
    /// Lead time in days.
    pub lead_days: Option<i64>,
    /// Mixed duty.
    pub mixed: Option<Mixed>,
    /// Chance above which an order is raised.
    pub raise_chance: Option<f64>,
    /// Unit in which windows are shown.
    pub distance_unit: Option<DistanceUnit>,
}

impl RuleChange {
    /// The record with this change.
    #[must_use]
    pub fn on(self, record: RuleRecord) -> RuleRecord {
        let old = record.rule;
        RuleRecord {
            distance_unit: self.distance_unit.unwrap_or(record.distance_unit),
            rule: Rule {
                hard: self.hard.unwrap_or(old.hard),
                ordinary: self.ordinary.unwrap_or(old.ordinary),
                lead_days: self.lead_days.unwrap_or(old.lead_days),
                mixed: self.mixed.unwrap_or(old.mixed),
                raise_chance: self.raise_chance.unwrap_or(old.raise_chance),
            },
            ..record
        }
    }
}

#[derive(sqlx::FromRow)]
struct Row {
    id: i64,
    version: i64,
    code: String,
    kind: String,
    depot: Option<String>,
    model: Option<String>,
    hard: String,
    ordinary: Option<String>,
    distance_unit: String,
    lead_days: i64,
    mixed: String,
    raise_chance: f64,
}

#[derive(Clone, Copy, Serialize, Deserialize)]
struct StoredWindow<T> {
    early: T,
    late: T,
}

/// A window set as it stands in its column: metres, hours, days.
#[derive(Serialize, Deserialize)]
struct StoredSet {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    distance: Option<StoredWindow<i64>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    hours: Option<StoredWindow<f64>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    days: Option<StoredWindow<i64>>,
}

impl From<&WindowSet> for StoredSet {
    fn from(set: &WindowSet) -> Self {
        Self {
            distance: set.distance.map(|window| StoredWindow { early: window.early.0, late: window.late.0 }),
            hours: set.hours.map(|window| StoredWindow { early: window.early.0, late: window.late.0 }),
            days: set.days.map(|window| StoredWindow { early: window.early, late: window.late }),
        }
    }
}

impl From<StoredSet> for WindowSet {
    fn from(set: StoredSet) -> Self {
        Self {
            distance: set.distance.map(|window| Window { early: Metres(window.early), late: Metres(window.late) }),
            hours: set.hours.map(|window| Window { early: Hours(window.early), late: Hours(window.late) }),
            days: set.days.map(|window| Window { early: window.early, late: window.late }),
        }
    }
}

fn stored(set: &WindowSet) -> Value {
    json!(StoredSet::from(set))
}

fn window_set(column: &'static str, text: &str) -> Result<WindowSet> {
    let stored: StoredSet = serde_json::from_str(text).map_err(|_| StoreError::bad_row(column, text))?;
    Ok(stored.into())
}

macro_rules! select {
    ($rest:literal) => {
        concat!(
            "SELECT r.id, r.version, r.code, r.kind, d.code AS depot, r.model, r.hard, r.ordinary, r.distance_unit,
                r.lead_days, r.mixed, r.raise_chance
            FROM service_rules r LEFT JOIN depots d ON d.id = r.depot_id ",
            $rest
        )
    };
}

const BY_CODE: &str = select!("WHERE r.code = $1");
const LIST: &str = select!(
    "WHERE r.code > $1 AND (CAST($2 AS BIGINT) IS NULL OR r.depot_id IS NULL
        OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $2 AND key_depots.depot_id = r.depot_id))
    ORDER BY r.code LIMIT $3"
);
const ADD: &str = "INSERT INTO service_rules (code, kind, depot_id, model, hard, ordinary, distance_unit, lead_days,
        mixed, raise_chance, version, created_us, changed_us)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, 1, $11, $11) RETURNING id";
const CHANGE: &str = "UPDATE service_rules SET hard = $2, ordinary = $3, distance_unit = $4, lead_days = $5,
        mixed = $6, raise_chance = $7, version = version + 1, changed_us = $8
    WHERE id = $1 AND version = $9";
const STALE_ALL: &str = stale!("SELECT id, $1, $1, 0, 1000000 FROM vehicles WHERE retired_day IS NULL ORDER BY id");

impl TryFrom<Row> for RuleRecord {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let ordinary = row.ordinary.as_deref().map(|text| window_set("service_rules.ordinary", text)).transpose()?;
        let rule = Rule {
            hard: window_set("service_rules.hard", &row.hard)?,
            ordinary,
            lead_days: row.lead_days,
            mixed: known("service_rules.mixed", &row.mixed, Mixed::parse(&row.mixed))?,
            raise_chance: row.raise_chance,
        };
        Ok(Self {
            id: row.id,
            version: row.version,
            kind: known("service_rules.kind", &row.kind, Kind::parse(&row.kind))?,
            distance_unit: known(
                "service_rules.distance_unit",
                &row.distance_unit,
                DistanceUnit::parse(&row.distance_unit),
            )?,
            code: row.code,
            depot: row.depot,
            model: row.model,
            rule,
        })
    }
}

fn journal_view(record: &RuleRecord) -> Value {
    let rule = &record.rule;
    json!({
        "code": record.code, "kind": record.kind.as_str(), "depot": record.depot, "model": record.model,
        "hard": stored(&rule.hard), "ordinary": rule.ordinary.as_ref().map(stored), "lead_days": rule.lead_days,
        "mixed": rule.mixed.as_str(), "raise_chance": rule.raise_chance,
    })
}

impl Tx {
    async fn journal_rule(
        &mut self,
        action: &'static str,
        before: Option<&RuleRecord>,
        after: &RuleRecord,
        writing: &Writing,
    ) -> Result<()> {
        within!(self, c => sqlx::query(STALE_ALL).bind(micros(writing.now)).execute(c).await.map(drop))?;
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("service-rule {}", after.code),
            depot_id: None,
            before: before.map(journal_view),
            after: Some(journal_view(after)),
        })
        .await
    }
}

impl Store {
    /// The rule of this code.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or the row cannot be read.
    pub async fn find_rule(&self, code: &str) -> Result<Option<RuleRecord>> {
        let row: Option<Row> = read!(self, pool => sqlx::query_as(BY_CODE).bind(code).fetch_optional(pool).await)?;
        row.map(RuleRecord::try_from).transpose()
    }

    /// Rules by code, after `after`; only those for all depots or the key's when `key_depots_of` names one.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn rules(&self, after: &str, key_depots_of: Option<i64>, limit: i64) -> Result<Vec<RuleRecord>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(LIST).bind(after).bind(key_depots_of).bind(limit).fetch_all(pool).await)?;
        rows.into_iter().map(RuleRecord::try_from).collect()
    }

    /// Adds a rule; every car's forecast is made anew.
    ///
    /// # Errors
    /// [`Conflict::Exists`] when the code, or a rule for the same kind, depot and model, is there;
    /// [`Conflict::Missing`] when the depot is not.
    pub async fn add_rule(
        &self,
        mut record: RuleRecord,
        writing: &Writing,
        answer: impl FnOnce(&RuleRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let depot_id = match &record.depot {
            Some(code) => Some(tx.depot(code, writing).await?.id),
            None => None,
        };
        let rule = &record.rule;
        let added: Result<i64, sqlx::Error> = within!(&mut tx, c => sqlx::query_scalar(ADD)
            .bind(&record.code).bind(record.kind.as_str()).bind(depot_id).bind(&record.model)
            .bind(stored(&rule.hard).to_string()).bind(rule.ordinary.as_ref().map(|set| stored(set).to_string()))
            .bind(record.distance_unit.as_str()).bind(rule.lead_days).bind(rule.mixed.as_str())
            .bind(rule.raise_chance).bind(micros(writing.now)).fetch_one(c).await);
        record.id = added.map_err(|error| {
            StoreError::or_exists(error, || Conflict::Exists {
                what: "service rule of that code, or for that kind, depot and model:",
                name: record.code.clone(),
            })
        })?;
        tx.journal_rule("service-rule add", None, &record, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Changes a rule that still has the version the caller holds; every car's forecast is made anew.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], or [`Conflict::Forbidden`] when the key is confined to depots
    /// and the rule reaches beyond them.
    pub async fn change_rule(
        &self,
        code: &str,
        if_match: IfMatch,
        change: RuleChange,
        writing: &Writing,
        answer: impl FnOnce(&RuleRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = self.begin().await?;
        let row: Option<Row> = within!(&mut tx, c => sqlx::query_as(BY_CODE).bind(code).fetch_optional(c).await)?;
        let missing = || Conflict::Missing { what: "service rule", name: code.to_owned() };
        let old: RuleRecord = row.ok_or_else(missing)?.try_into()?;
        if old.depot.as_deref().is_some_and(|depot| !writing.actor.may_see(depot)) {
            return Err(missing().into());
        }
        if_match.check(old.version)?;
        if writing.actor.key_depots_of().is_some() && old.depot.is_none() {
            return Err(Conflict::Forbidden("this rule reaches beyond the depots of the key".into()).into());
        }
        let new = change.on(RuleRecord { version: old.version + 1, ..old.clone() });
        let rule = &new.rule;
        let changed = within!(&mut tx, c => sqlx::query(CHANGE)
            .bind(old.id).bind(stored(&rule.hard).to_string())
            .bind(rule.ordinary.as_ref().map(|set| stored(set).to_string())).bind(new.distance_unit.as_str())
            .bind(rule.lead_days).bind(rule.mixed.as_str()).bind(rule.raise_chance).bind(micros(writing.now))
            .bind(old.version).execute(c).await.map(|done| done.rows_affected()))?;
        one_changed(changed, old.version)?;
        tx.journal_rule("service-rule change", Some(&old), &new, writing).await?;
        tx.finish(writing, answer(&new)).await
    }
}
