//! Gear: gloves and meters with their test logs.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use ventmile_model::fleet::parse_zone;
use ventmile_model::work::{Gear, GearType, GloveClass, Rating, Test};

use super::in_use::{Named, OpenOrder};
use super::journal::Entry;
use super::outbox::Told;
use super::retired::retired_view;
use super::values::{date, day_number, known, micros, of_json};
use super::{
    Answer, Conflict, EventType, IfMatch, Result, Store, StoreError, Tx, Writing, one_changed, opened, within,
};

/// A stored piece of gear.
#[derive(Clone, Debug)]
pub struct GearRecord {
    /// Number in the database.
    pub number: i64,
    /// Counts its changes.
    pub version: i64,
    /// Number of its depot.
    pub depot_id: i64,
    /// That depot's zone: its days are local.
    pub zone: Tz,
    /// The piece.
    pub gear: Gear,
    /// Why it is used no more.
    pub retired_reason: Option<String>,
    /// The last day of use of which it was told that it has gone by.
    pub told_due_on: Option<NaiveDate>,
}

/// Which gear a list shows.
#[derive(Clone, Debug, Default)]
pub struct GearFilter {
    /// After this id.
    pub after: String,
    /// Only this piece.
    pub id: Option<String>,
    /// Whether pieces that are used no more are shown too.
    pub with_retired: bool,
    /// Only of this depot.
    pub depot: Option<String>,
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
    /// At most so many.
    pub limit: i64,
}

/// What gear is, as it stands in its column.
#[derive(Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
enum What {
    Gloves { class: String, protectors: bool },
    Meter { meter: (u8, u32), leads: (u8, u32) },
}

impl What {
    fn of(what: &GearType) -> Self {
        let pair = |rating: &Rating| (rating.category, rating.volts);
        match what {
            GearType::Gloves { class, protectors } => {
                Self::Gloves { class: class.as_str().to_owned(), protectors: *protectors }
            }
            GearType::Meter { meter, leads } => Self::Meter { meter: pair(meter), leads: pair(leads) },
        }
    }

    fn gear_type(&self) -> Result<GearType> {
        let rating = |(category, volts): (u8, u32)| Rating { category, volts };
        Ok(match self {
            Self::Gloves { class, protectors } => GearType::Gloves {
                class: known("gear.what", class, GloveClass::parse(class))?,
                protectors: *protectors,
            },
            Self::Meter { meter, leads } => GearType::Meter { meter: rating(*meter), leads: rating(*leads) },
        })
    }
}

type Row = (i64, i64, String, i64, String, String, String, Option<i64>, Option<i64>, Option<String>, Option<i64>);
type TestRow = (i64, i64, String, i64);

macro_rules! chosen {
    ($head:literal, $tail:literal) => {
        concat!(
            $head,
            " FROM gear g JOIN depots d ON d.id = g.depot_id
            WHERE g.code > $1 AND (CAST($2 AS TEXT) IS NULL OR g.code = $2) AND (CAST($3 AS TEXT) IS NULL OR d.code = $3)
                AND (CAST($4 AS BIGINT) IS NULL
                    OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $4 AND key_depots.depot_id = g.depot_id))
                AND ($6 = 1 OR g.retired_day IS NULL)
            ORDER BY g.code LIMIT $5",
            $tail
        )
    };
}

const LIST: &str = chosen!(
    "SELECT g.id, g.version, g.code, g.depot_id, d.code, d.zone, g.what, g.issued_day, g.retired_day, g.retired_reason,
        g.told_due_day",
    ""
);
const TESTS: &str = chosen!(
    "SELECT t.gear_id, t.on_day, t.tested_by, t.passed FROM gear_tests t WHERE t.gear_id IN (SELECT g.id",
    ") ORDER BY t.id"
);
const ADD: &str = "INSERT INTO gear (code, depot_id, what, version, created_us, changed_us)
    VALUES ($1, $2, $3, 1, $4, $4) RETURNING id";
const CHANGE: &str =
    "UPDATE gear SET depot_id = $2, what = $3, issued_day = $4, version = version + 1, changed_us = $5,
        retired_day = $7, retired_reason = $8
    WHERE id = $1 AND version = $6";
const ADD_TEST: &str = "INSERT INTO gear_tests (gear_id, on_day, tested_by, passed, received_us)
    VALUES ($1, $2, $3, $4, $5)";

const TOLD: &str = "UPDATE gear SET told_due_day = $2 WHERE id = $1 AND told_due_day IS DISTINCT FROM $2";

fn record(row: Row, tests: Vec<Test>) -> Result<GearRecord> {
    let (number, version, id, depot_id, depot, zone, what, issued, retired, retired_reason, told) = row;
    let what: What = of_json("gear.what", &what)?;
    let issued_on = issued.map(|day| date("gear.issued_day", day)).transpose()?;
    let zone = known("depots.zone", &zone, parse_zone(&zone))?;
    let retired_on = retired.map(|day| date("gear.retired_day", day)).transpose()?;
    let gear = Gear { id, depot, what: what.gear_type()?, tests, issued_on, retired_on };
    let told_due_on = told.map(|day| date("gear.told_due_day", day)).transpose()?;
    Ok(GearRecord { number, version, depot_id, zone, gear, retired_reason, told_due_on })
}

fn journal_view(record: &GearRecord) -> Value {
    let gear = &record.gear;
    let retired = gear.retired_on.zip(record.retired_reason.clone());
    let last = gear.tests.last();
    json!({
        "id": gear.id, "depot": gear.depot, "what": What::of(&gear.what), "issued_on": gear.issued_on,
        "tests": gear.tests.len(),
        "retired": retired_view(retired.as_ref()),
        "last_test": last.map(|test| json!({"on": test.on, "by": test.by, "passed": test.passed})),
    })
}

impl Tx {
    /// Gear with its test logs.
    pub(super) async fn gear(&mut self, filter: &GearFilter) -> Result<Vec<GearRecord>> {
        macro_rules! filtered {
            ($sql:ident, $c:ident) => {
                sqlx::query_as($sql)
                    .bind(&filter.after)
                    .bind(&filter.id)
                    .bind(&filter.depot)
                    .bind(filter.key_depots_of)
                    .bind(filter.limit)
                    .bind(i64::from(filter.with_retired))
                    .fetch_all($c)
                    .await
            };
        }
        let rows: Vec<Row> = within!(self, c => filtered!(LIST, c))?;
        let tests: Vec<TestRow> = within!(self, c => filtered!(TESTS, c))?;
        let mut logs: HashMap<i64, Vec<Test>> = HashMap::new();
        for (piece, day, by, passed) in tests {
            let test = Test { on: date("gear_tests.on_day", day)?, by, passed: passed != 0 };
            logs.entry(piece).or_default().push(test);
        }
        rows.into_iter()
            .map(|row| {
                let log = logs.remove(&row.0).unwrap_or_default();
                record(row, log)
            })
            .collect()
    }

    /// All gear the caller may see.
    pub(super) async fn all_gear(&mut self, writing: &Writing) -> Result<Vec<Gear>> {
        let all = GearFilter {
            key_depots_of: writing.actor.key_depots_of(),
            limit: i64::MAX,
            with_retired: true,
            ..GearFilter::default()
        };
        Ok(self.gear(&all).await?.into_iter().map(|record| record.gear).collect())
    }

    /// The gear of a depot that is in use.
    pub(super) async fn gear_at(&mut self, depot: &str) -> Result<Vec<Gear>> {
        let here = GearFilter { depot: Some(depot.to_owned()), limit: i64::MAX, ..GearFilter::default() };
        Ok(self.gear(&here).await?.into_iter().map(|record| record.gear).collect())
    }

    async fn piece(&mut self, id: &str, writing: &Writing) -> Result<GearRecord> {
        let filter = GearFilter {
            id: Some(id.to_owned()),
            with_retired: true,
            key_depots_of: writing.actor.key_depots_of(),
            limit: 1,
            ..GearFilter::default()
        };
        let missing = || Conflict::Missing { what: "gear", name: id.to_owned() };
        Ok(self.gear(&filter).await?.into_iter().next().ok_or_else(missing)?)
    }

    async fn save_gear(
        &mut self,
        action: &'static str,
        old: &GearRecord,
        new: GearRecord,
        writing: &Writing,
    ) -> Result<GearRecord> {
        let gear = &new.gear;
        let depot_id =
            if gear.depot == old.gear.depot { old.depot_id } else { self.named_depot(&gear.depot, writing).await?.id };
        let changed = within!(self, c => sqlx::query(CHANGE)
            .bind(old.number).bind(depot_id).bind(json!(What::of(&gear.what)).to_string())
            .bind(gear.issued_on.map(day_number)).bind(micros(writing.now)).bind(old.version)
            .bind(gear.retired_on.map(day_number)).bind(&new.retired_reason).execute(c).await.map(|done| done.rows_affected()))?;
        one_changed(changed, old.version)?;
        self.journal_gear(action, Some(old), &new, depot_id, writing).await?;
        Ok(GearRecord { version: old.version + 1, depot_id, ..new })
    }

    async fn journal_gear(
        &mut self,
        action: &'static str,
        before: Option<&GearRecord>,
        after: &GearRecord,
        depot_id: i64,
        writing: &Writing,
    ) -> Result<()> {
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("gear {}", after.gear.id),
            depot_id: Some(depot_id),
            before: before.map(journal_view),
            after: Some(journal_view(after)),
        })
        .await
    }
}

impl Store {
    /// Tells of pieces whose last day of use has gone by, each day of each piece once.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails: nothing is told then.
    pub async fn tell_overdue_gear(&self, overdue: &[(GearRecord, NaiveDate)], now: DateTime<Utc>) -> Result<()> {
        let mut tx = self.begin().await?;
        // In the order in which orders hold the pieces that they name.
        let mut overdue: Vec<&(GearRecord, NaiveDate)> = overdue.iter().collect();
        overdue.sort_by_key(|(record, _)| record.number);
        for (record, due) in overdue {
            let gear = &record.gear;
            let news = within!(&mut tx, c => sqlx::query(TOLD).bind(record.number).bind(day_number(*due))
                .execute(c).await.map(|done| done.rows_affected()))?;
            if news == 0 {
                continue;
            }
            tx.tell(Told {
                at: now,
                what: EventType::GearOverdue,
                subject: format!("gear {}", gear.id),
                depot_id: Some(record.depot_id),
                actor: "loop",
                data: json!({"id": gear.id, "kind": gear.kind().as_str(), "depot": gear.depot, "due_on": due}),
            })
            .await?;
        }
        tx.commit().await
    }

    /// Gear by id, with its test logs.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn gear(&self, filter: &GearFilter) -> Result<Vec<GearRecord>> {
        self.begin_read().await?.gear(filter).await
    }

    /// Adds a piece of gear.
    ///
    /// # Errors
    /// [`Conflict::Exists`] when the id is taken, [`Conflict::Field`] when the depot is not there.
    pub async fn add_gear(
        &self,
        gear: Gear,
        writing: &Writing,
        answer: impl FnOnce(&GearRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let depot_id = tx.named_depot(&gear.depot, writing).await?.id;
        let added: Result<i64, sqlx::Error> = within!(&mut tx, c => sqlx::query_scalar(ADD)
            .bind(&gear.id).bind(depot_id).bind(json!(What::of(&gear.what)).to_string()).bind(micros(writing.now))
            .fetch_one(c).await);
        added.map_err(|error| {
            let name = gear.id.clone();
            StoreError::or_exists(error, || Conflict::Exists { what: "gear", name })
        })?;
        let record = tx.piece(&gear.id, writing).await?;
        tx.journal_gear("gear add", None, &record, depot_id, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Changes, tests or issues a piece of gear; `change` says what comes of it. A test is added to its log.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], [`Conflict::Field`] when the depot is not there, [`Conflict::Rule`] when an
    /// open order of its depot counts on what is to be retired, or what `change` refuses.
    pub async fn change_gear(
        &self,
        action: &'static str,
        id: &str,
        if_match: IfMatch,
        writing: &Writing,
        change: impl FnOnce(&mut GearRecord) -> Result<(), Conflict>,
        answer: impl FnOnce(&GearRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        tx.hold_named(Named::Gear, &[id], true).await?;
        let old = tx.piece(id, writing).await?;
        let mut new = old.clone();
        change(&mut new)?;
        if_match.check(old.version)?;
        if let Some(on) = new.gear.retired_on.filter(|on| old.gear.retired_on != Some(*on)) {
            let held = |open: &OpenOrder| open.is_planned(on, |plan| &plan.gear, id) || open.uses(id);
            let todo =
                "plan it anew or record its lock-out with another piece first; a failed test keeps it from use at once";
            tx.spare(todo, held, writing).await?;
        }
        for test in new.gear.tests.iter().skip(old.gear.tests.len()) {
            within!(&mut tx, c => sqlx::query(ADD_TEST)
                .bind(old.number).bind(day_number(test.on)).bind(&test.by).bind(i64::from(test.passed))
                .bind(micros(writing.now)).execute(c).await.map(drop))?;
        }
        let record = tx.save_gear(action, &old, new, writing).await?;
        tx.finish(writing, answer(&record)).await
    }
}
