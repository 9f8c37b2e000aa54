//! Housekeeping: old answers and rows are forgotten, gear that has become overdue is told, a SQLite file is copied once a day.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Timelike, Utc};
use tokio_util::sync::CancellationToken;

use crate::app::App;
use crate::clock::Stopwatch;
use crate::store::{Engine, StoreError};

const EVERY: Duration = Duration::from_secs(600);

pub(super) async fn run(app: App, stop: CancellationToken) {
    let mut hours = Hours::begin(app.now());
    loop {
        let watch = Stopwatch::start();
        match keep(&app, &mut hours).await {
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

/// What the clock said while this process ran, against the time that really passed: a clock that jumps makes nothing old.
#[derive(Debug)]
struct Hours {
    watch: Stopwatch,
    /// How long the process had run, and what the clock said, at each round; the first is its start.
    seen: VecDeque<(TimeDelta, DateTime<Utc>)>,
}

impl Hours {
    fn begin(now: DateTime<Utc>) -> Self {
        Self { watch: Stopwatch::start(), seen: VecDeque::from([(TimeDelta::zero(), now)]) }
    }

    fn before(&mut self, now: DateTime<Utc>, time: TimeDelta) -> DateTime<Utc> {
        self.before_at(TimeDelta::milliseconds(self.watch.elapsed_ms() as i64), now, time)
    }

    /// What the clock said `time` ago, where the process has run for `ran`. Before its start the clock is taken to have gone
    /// right; what the clock says now bounds it, so that one set back after a jump makes nothing old either.
    fn before_at(&mut self, ran: TimeDelta, now: DateTime<Utc>, time: TimeDelta) -> DateTime<Utc> {
        self.seen.push_back((ran, now));
        let then = ran - time;
        // Of the rounds by then only the last one tells anything.
        while self.seen.get(1).is_some_and(|(ran, _)| *ran <= then) {
            self.seen.pop_front();
        }
        let by_rounds = self.seen.front().map(|(ran, said)| if *ran <= then { *said } else { *said + (then - *ran) });
        by_rounds.unwrap_or(now).min(now - time)
    }
}

async fn keep(app: &App, hours: &mut Hours) -> Result<(), StoreError> {
    let settings = &app.settings;
    let answers = hours.before(app.now(), TimeDelta::hours(settings.limits.idempotency_hours));
    let logs = (settings.keep.logs_days > 0).then(|| TimeDelta::days(settings.keep.logs_days));
    let swept = app.store.sweep(app.now(), answers, logs).await?;
    if swept.answers + swept.log_rows > 0 {
        tracing::info!(answers = swept.answers, log_rows = swept.log_rows, "forgotten");
    }
    let events = app.store.sweep_events(app.now(), TimeDelta::days(settings.keep.events_days)).await?;
    if events > 0 {
        tracing::info!(events, "old events forgotten");
    }
    let overdue = app.tell_overdue_gear().await?;
    if overdue > 0 {
        tracing::info!(overdue, "pieces of gear are overdue");
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
    fn a_clock_that_jumps_makes_nothing_old() {
        let start: DateTime<Utc> = "2026-03-18T16:00:00Z".parse().unwrap();
        let (hour, kept) = (TimeDelta::hours(1), TimeDelta::hours(48));
        let mut hours = Hours::begin(start);
        // It goes right: so many hours ago, as it should.
        for ran in 1..60 {
            assert_eq!(hours.before_at(hour * ran, start + hour * ran, kept), start + hour * (ran - 48), "{ran}");
        }
        // Ten days ahead all at once: what was kept a moment ago stays for its 48 hours.
        let jump = TimeDelta::days(10);
        for ran in 60..108 {
            assert_eq!(
                hours.before_at(hour * ran, start + jump + hour * ran, kept),
                start + hour * (ran - 48),
                "{ran}"
            );
        }
        assert_eq!(hours.before_at(hour * 108, start + jump + hour * 108, kept), start + jump + hour * 60);
        // Set back: nothing that was kept since is taken for old.
        assert_eq!(hours.before_at(hour * 109, start + hour * 109, kept), start + hour * 61);
        assert!(hours.seen.len() <= 50, "{}", hours.seen.len());
    }

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
