//! Housekeeping: old answers and rows are forgotten, a SQLite file is copied once a day.

use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono::{TimeDelta, Timelike};
use tokio_util::sync::CancellationToken;

use crate::app::App;
use crate::clock::Stopwatch;
use crate::store::{Engine, StoreError};

const EVERY: Duration = Duration::from_secs(600);

pub(super) async fn run(app: App, stop: CancellationToken) {
    loop {
        let watch = Stopwatch::start();
        match keep(&app).await {
            Ok(()) => app.meters.ran("keep", app.now(), watch.elapsed_ms() / 1e3, EVERY),
            Err(error) => tracing::error!(%error, "housekeeping failed"),
        }
        if !super::pause(&stop, EVERY).await {
            return;
        }
    }
}

/// How often it is written down which keys were used.
const NOTE_KEYS_EVERY: Duration = Duration::from_secs(60);

pub(super) async fn key_use(app: App, stop: CancellationToken) {
    loop {
        // Once more after the loops are told to stop.
        let go_on = super::pause(&stop, NOTE_KEYS_EVERY).await;
        let watch = Stopwatch::start();
        match app.note_key_use().await {
            Ok(()) => app.meters.ran("key-use", app.now(), watch.elapsed_ms() / 1e3, NOTE_KEYS_EVERY),
            Err(error) => tracing::error!(%error, "when keys were used could not be written down"),
        }
        if !go_on {
            return;
        }
    }
}

async fn keep(app: &App) -> Result<(), StoreError> {
    let settings = &app.settings;
    let answers = TimeDelta::hours(settings.limits.idempotency_hours);
    let logs = (settings.keep.logs_days > 0).then(|| TimeDelta::days(settings.keep.logs_days));
    let swept = app.store.sweep(app.now(), answers, logs).await?;
    if swept.answers + swept.log_rows > 0 {
        tracing::info!(answers = swept.answers, log_rows = swept.log_rows, "forgotten");
    }
    let events = app.store.sweep_events(app.now(), TimeDelta::days(settings.keep.events_days)).await?;
    if events > 0 {
        tracing::info!(events, "old events forgotten");
    }
    if !settings.keep.backup_dir.is_empty() && app.store.engine() == Engine::Sqlite {
        back_up(app, Path::new(&settings.keep.backup_dir)).await?;
    }
    Ok(())
}

const PREFIX: &str = "ventmile-";
const SUFFIX: &str = ".db";

/// One copy a day, named by its date.
async fn back_up(app: &App, dir: &Path) -> Result<(), StoreError> {
    let now = app.now();
    let target = dir.join(format!("{PREFIX}{}{SUFFIX}", now.date_naive()));
    if now.hour() < app.settings.keep.backup_hour || target.exists() {
        return Ok(());
    }
    std::fs::create_dir_all(dir)?;
    let report = app.store.backup(&target).await?;
    let hash = report.journal_hash.unwrap_or_default();
    tracing::info!(file = %target.display(), journal_lines = report.journal_lines, journal_hash = hash, "backed up");
    for old in surplus(dir, app.settings.keep.backups)? {
        std::fs::remove_file(old)?;
    }
    Ok(())
}

/// All copies but the newest `kept`.
fn surplus(dir: &Path, kept: usize) -> std::io::Result<Vec<PathBuf>> {
    let mut copies: Vec<PathBuf> = Vec::new();
    for entry in std::fs::read_dir(dir)? {
        let path = entry?.path();
        let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        let date = name.strip_prefix(PREFIX).and_then(|rest| rest.strip_suffix(SUFFIX));
        if date.is_some_and(|date| date.parse::<chrono::NaiveDate>().is_ok()) {
            copies.push(path);
        }
    }
    copies.sort_unstable();
    let drop = copies.len().saturating_sub(kept);
    copies.truncate(drop);
    Ok(copies)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_newest_copies_stay_and_other_files_are_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        for name in
            ["ventmile-2026-01-01.db", "ventmile-2026-01-02.db", "ventmile-2026-01-03.db", "ventmile-mine.db", "x"]
        {
            std::fs::write(dir.path().join(name), "").unwrap();
        }
        let old = surplus(dir.path(), 2).unwrap();
        assert_eq!(old, [dir.path().join("ventmile-2026-01-01.db")]);
        assert!(surplus(dir.path(), 5).unwrap().is_empty());
    }
}
