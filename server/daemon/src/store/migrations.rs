//! The migrations of both databases, embedded.

use sqlx::SqlSafeStr;
use sqlx::migrate::{Migration, MigrationType, Migrator};

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
