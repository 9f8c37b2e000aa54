//! Backups of a SQLite file, and how one is put back.

use std::fmt;
use std::fs::{self, File};
use std::io::{Error, ErrorKind};
use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};
use sqlx::sqlite::{SqliteConnectOptions, SqlitePoolOptions};

use super::migrations::{self, Steps};
use super::{Db, Result, Store, StoreError};

/// What a copy was found to hold when it was read through.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BackupReport {
    /// Migrations done.
    pub migrations: usize,
    /// Lines of the journal.
    pub journal_lines: u64,
    /// Hash of its last line, to be noted elsewhere.
    pub journal_hash: Option<String>,
}

impl fmt::Display for BackupReport {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { migrations, journal_lines, journal_hash } = self;
        write!(out, "read through and sound: {migrations} migrations, {journal_lines} journal lines")?;
        journal_hash.as_ref().map_or(Ok(()), |hash| write!(out, ", the last with the hash {hash}"))
    }
}

/// What putting a backup back did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Restored {
    /// What the backup holds.
    pub report: BackupReport,
    /// Where the database that stood there before is now.
    pub replaced: Option<PathBuf>,
}

const ON_POSTGRES: &str = "a Postgres database is backed up by pg_dump and put back by pg_restore, see the runbook";

impl Store {
    /// Writes a whole, consistent copy of a SQLite database to `target` while others read and write. It is on the disk
    /// and read through before it gets its name, so that no half copy is ever taken for a whole one.
    ///
    /// # Errors
    /// [`StoreError::File`] when `target` exists or cannot be written; [`StoreError::Refused`] when the copy turns out
    /// not to be sound, and on Postgres always, since its own `pg_dump` does this better.
    pub async fn backup(&self, target: &Path) -> Result<BackupReport> {
        let Db::Sqlite { read, .. } = &self.db else { return Err(StoreError::Refused(ON_POSTGRES.to_owned())) };
        not_there(target)?;
        let half = Half::beside(target);
        let mut connection = read.acquire().await?;
        // A copy of a big file takes its time.
        connection.lock_handle().await?.remove_progress_handler();
        let file = half.0.to_string_lossy().into_owned();
        sqlx::query("VACUUM INTO $1").bind(file).execute(&mut *connection).await?;
        let report = sound(&half.0).await?;
        half.take_name(target)?;
        Ok(report)
    }
}

/// Puts a backup where `target` is, which nobody may have open: it is read through first, and a database that stands
/// there is moved aside when `replace` says so, never deleted.
///
/// # Errors
/// [`StoreError::Refused`] when the backup is not sound; [`StoreError::File`] when something stands at `target` and
/// `replace` does not say so, or a file cannot be read or written.
pub async fn restore(backup: &Path, target: &Path, replace: bool, now: DateTime<Utc>) -> Result<Restored> {
    if !backup.is_file() {
        return Err(placed(backup, Error::new(ErrorKind::NotFound, "there is no such file")));
    }
    // What is in a log beside it is not in the file: a database that is or was in use, not a backup.
    if fs::metadata(beside(backup, "-wal")).is_ok_and(|log| log.len() > 0) {
        let says =
            format!("{} has a -wal file beside it: it is no backup; make one with `ventmile backup`", backup.display());
        return Err(StoreError::Refused(says));
    }
    if !replace {
        not_there(target)?;
    }
    let half = Half::beside(target);
    fs::copy(backup, &half.0).map_err(|fault| placed(backup, fault))?;
    let report = sound(&half.0).await?;
    let replaced = if target.exists() { Some(move_aside(target, now)?) } else { None };
    half.take_name(target)?;
    Ok(Restored { report, replaced })
}

/// Moves a database with its log files to a name of their own.
fn move_aside(target: &Path, now: DateTime<Utc>) -> Result<PathBuf> {
    let aside = beside(target, &now.format(".replaced-%Y%m%dT%H%M%SZ").to_string());
    not_there(&aside)?;
    for end in ["-wal", "-shm", ""] {
        let (from, to) = (beside(target, end), beside(&aside, end));
        if from.exists() {
            fs::rename(&from, to).map_err(|fault| placed(&from, fault))?;
        }
    }
    Ok(aside)
}

/// A file that is not whole yet, gone unless it takes its name.
struct Half(PathBuf);

impl Half {
    fn beside(target: &Path) -> Self {
        Self(beside(target, &format!(".half-{}", std::process::id())))
    }

    /// Gives it its name, never another file's, once all of it is on the disk.
    fn take_name(self, target: &Path) -> Result<()> {
        File::open(&self.0).and_then(|file| file.sync_all()).map_err(|fault| placed(&self.0, fault))?;
        fs::hard_link(&self.0, target).map_err(|fault| placed(target, fault))?;
        let folder = target.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        File::open(folder).and_then(|folder| folder.sync_all()).map_err(|fault| placed(folder, fault))
    }
}

impl Drop for Half {
    fn drop(&mut self) {
        // It may never have been made.
        let _ = fs::remove_file(&self.0);
    }
}

fn beside(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    name.into()
}

fn placed(path: &Path, fault: Error) -> StoreError {
    Error::new(fault.kind(), format!("{}: {fault}", path.display())).into()
}

fn not_there(path: &Path) -> Result<()> {
    if path.exists() { Err(placed(path, Error::new(ErrorKind::AlreadyExists, "is there already"))) } else { Ok(()) }
}

/// Reads a copy through: its pages and indexes, its migrations, the chain of its journal.
async fn sound(copy: &Path) -> Result<BackupReport> {
    let options = SqliteConnectOptions::new().filename(copy).read_only(true).immutable(true);
    let pool = SqlitePoolOptions::new()
        .max_connections(1)
        .connect_with(options)
        .await
        .map_err(|_| unsound("it cannot be opened"))?;
    let store = Store { db: Db::Sqlite { read: pool.clone(), write: pool, file: copy.to_owned() } };
    let report = store.sound_report().await;
    store.close().await;
    report
}

fn unsound(says: impl std::fmt::Display) -> StoreError {
    StoreError::Refused(format!("the copy is not sound: {says}"))
}

impl Store {
    async fn sound_report(&self) -> Result<BackupReport> {
        let broken = self.broken_pages().await.map_err(unsound)?;
        if let Some(first) = broken.first() {
            return Err(unsound(first));
        }
        let migrations = match self.steps().await.map_err(|_| unsound("it holds no Ventmile database"))? {
            Steps::All => migrations::file_names().len(),
            Steps::Some(done) => done,
            Steps::Foreign(says) => return Err(unsound(says)),
        };
        let journal = self.check_journal(None).await?;
        if let Some((line, says)) = journal.faults.first() {
            return Err(unsound(format_args!("journal line {line}: {says}")));
        }
        Ok(BackupReport { migrations, journal_lines: journal.lines, journal_hash: journal.last.map(|(_, hash)| hash) })
    }
}

const INTEGRITY: &str = "PRAGMA integrity_check(20)";

impl Store {
    /// What SQLite finds wrong with its pages and indexes.
    pub(super) async fn broken_pages(&self) -> Result<Vec<String>> {
        let Db::Sqlite { read, .. } = &self.db else { return Ok(Vec::new()) };
        let found: Vec<String> = sqlx::query_scalar(INTEGRITY).fetch_all(read).await?;
        Ok(found.into_iter().filter(|line| line != "ok").collect())
    }
}
