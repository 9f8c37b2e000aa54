//! The migrations of both databases, embedded.

use sqlx::SqlSafeStr;
use sqlx::migrate::{Migration, MigrationType, Migrator};

use super::{Engine, Result, Store, read};

/// Number, name, text for SQLite, text for Postgres.
type Step = (i64, &'static str, &'static str, &'static str);

macro_rules! step {
    ($number:literal, $name:literal, $file:literal) => {
        (
            $number,
            $name,
            include_str!(concat!("../../../../migrations/sqlite/", $file)),
            include_str!(concat!("../../../../migrations/postgres/", $file)),
        )
    };
}

const STEPS: &[Step] = &[
    step!(1, "start", "0001_start.sql"),
    step!(2, "hindsight", "0002_hindsight.sql"),
    step!(3, "usage_fits", "0003_usage_fits.sql"),
    step!(4, "packs", "0004_packs.sql"),
    step!(5, "work", "0005_work.sql"),
    step!(6, "events", "0006_events.sql"),
    step!(7, "plans", "0007_plans.sql"),
    step!(8, "outbox", "0008_outbox.sql"),
    step!(9, "rights", "0009_rights.sql"),
    step!(10, "shop", "0010_shop.sql"),
    step!(11, "board", "0011_board.sql"),
    step!(12, "move", "0012_move.sql"),
    step!(13, "told", "0013_told.sql"),
    step!(14, "books", "0014_books.sql"),
    step!(15, "remembered", "0015_remembered.sql"),
];

/// File names of all migrations, as they stand in both folders.
#[must_use]
pub fn file_names() -> Vec<String> {
    STEPS.iter().map(|(number, name, ..)| format!("{number:04}_{name}.sql")).collect()
}

fn migrator(text: impl Fn(&Step) -> &'static str) -> Migrator {
    let steps = STEPS
        .iter()
        .map(|step| Migration::new(step.0, step.1.into(), MigrationType::Simple, text(step).into_sql_str(), false));
    Migrator::with_migrations(steps.collect())
}

pub(super) fn sqlite() -> Migrator {
    migrator(|step| step.2)
}

pub(super) fn postgres() -> Migrator {
    migrator(|step| step.3)
}

/// How far a database has been brought.
pub(super) enum Steps {
    /// All that this program knows are done.
    All,
    /// So many of them are.
    Some(usize),
    /// It holds others, which the text names.
    Foreign(String),
}

const DONE: &str = "SELECT version, checksum FROM _sqlx_migrations ORDER BY version";

fn judge(known: &Migrator, done: &[(i64, Vec<u8>)]) -> Steps {
    for ((version, checksum), step) in done.iter().zip(known.iter()) {
        if *version != step.version || checksum[..] != step.checksum[..] {
            return Steps::Foreign(format!("its migration {version} is not this program's"));
        }
    }
    match known.iter().count() {
        all if done.len() > all => {
            Steps::Foreign(format!("it has {} migrations, this program knows {all}: use a newer one", done.len()))
        }
        all if done.len() == all => Steps::All,
        _ => Steps::Some(done.len()),
    }
}

impl Store {
    /// How far the database has been brought; fails where it was never begun.
    pub(super) async fn steps(&self) -> Result<Steps> {
        let done: Vec<(i64, Vec<u8>)> = read!(self, pool => sqlx::query_as(DONE).fetch_all(pool).await)?;
        let known = match self.engine() {
            Engine::Sqlite => sqlite(),
            Engine::Postgres => postgres(),
        };
        Ok(judge(&known, &done))
    }
}
