//! Commands on a whole database: back it up, put a backup back, move it.

use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};

use crate::config::{Secret, Settings};
use crate::serve::lock;
use crate::store::{Store, StoreError, TableSum, restore};

/// What went wrong, for people.
pub type Failure = Box<dyn std::error::Error + Send + Sync>;

/// Copies the database to a new file and says what it holds.
///
/// # Errors
/// When the database cannot be read or the file cannot be written.
pub async fn back_up(settings: &Settings, target: &Path) -> Result<String, Failure> {
    let report = Store::open(&settings.database.0, 1).await?.backup(target).await?;
    Ok(format!("copied to {}; {}", target.display(), report))
}

/// Puts a backup where the database is and says what it did.
///
/// # Errors
/// When a server holds the database, something stands there and `replace` does not say so, or the backup is not sound.
pub async fn put_back(
    settings: &Settings,
    backup: &Path,
    replace: bool,
    now: DateTime<Utc>,
) -> Result<String, Failure> {
    let Some(target) = settings.database.0.strip_prefix("sqlite:").map(Path::new) else {
        let says = "a Postgres database is put back by pg_restore, see deploy/RUNBOOK.md";
        return Err(StoreError::Refused(says.to_owned()).into());
    };
    let _lock = lock(target)?;
    let done = restore(backup, target, replace, now).await.map_err(|fault| match fault {
        StoreError::File(io) if io.kind() == std::io::ErrorKind::AlreadyExists => {
            format!("{io}: with --replace it is moved aside").into()
        }
        other => Failure::from(other),
    })?;
    let aside = done.replaced.map(|path| format!("; what stood there is now {}", path.display())).unwrap_or_default();
    Ok(format!("{} is back at {}{aside}; {}", backup.display(), target.display(), done.report))
}

/// Where the rows of a move stand, for whoever watches.
pub type Told<'a> = &'a mut dyn FnMut(&str, u64, u64);

/// Moves everything from one database to another, both held for this process alone.
///
/// # Errors
/// When somebody uses one of them, the source is not up to date, the target is not empty, or what was written is not what
/// was read; the target is then as it was.
pub async fn move_database(from: &Secret, to: &Secret, told: Told<'_>) -> Result<Vec<TableSum>, Failure> {
    if from.0 == to.0 {
        return Err(format!("{from} cannot be moved to itself").into());
    }
    let file = |address: &Secret| address.0.strip_prefix("sqlite:").map(PathBuf::from);
    if let Some(path) = file(from).filter(|path| !path.is_file()) {
        return Err(format!("{}: there is no such database", path.display()).into());
    }
    let _locks = [file(from), file(to)].into_iter().flatten().map(|path| lock(&path)).collect::<Result<Vec<_>, _>>()?;
    let source = Store::open_alone(&from.0).await.map_err(|fault| format!("{from}: {fault}"))?;
    let target = Store::open_alone(&to.0).await.map_err(|fault| format!("{to}: {fault}"))?;
    target.bring_up_to_date().await.map_err(|fault| format!("{to}: {fault}"))?;
    let moved = source.move_to(&target, told).await;
    source.close().await;
    target.close().await;
    Ok(moved?)
}
