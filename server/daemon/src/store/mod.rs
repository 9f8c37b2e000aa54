//! The store: what is kept, in SQLite or Postgres. It never sees HTTP.
//!
//! One text per query wherever the two dialects agree; [`Store::pick`] chooses where they do not. A method is a
//! whole use case and owns its transaction. Writes on SQLite go through one connection and begin IMMEDIATE.

mod backup;
mod books;
mod calendars;
mod catalog;
mod closing;
mod deep;
mod deliveries;
mod depots;
mod event_types;
mod events;
mod evidence;
mod fits;
mod forecasts;
mod gauges;
mod gear;
mod hindsight;
mod holds;
mod idempotency;
mod in_use;
mod journal;
mod keep;
mod keys;
mod logs;
mod migrations;
mod off_road;
mod orders;
mod outbox;
mod pack_logs;
mod pack_rows;
mod parts;
mod plans;
mod procedures;
mod reports;
mod retired;
mod rows;
mod rules;
mod sessions;
mod stops;
mod technicians;
mod transfer;
pub mod values;
mod vehicles;
mod wear;
mod webhooks;
mod writer;

use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::time::Duration;

use chrono::{DateTime, Utc};
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use sqlx::sqlite::{SqliteConnectOptions, SqliteError, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous};
use sqlx::{Connection, PgPool, Postgres, Sqlite, SqlitePool, Transaction};

pub use backup::{BackupReport, Restored, restore};
pub use books::{BookChange, Claim, Kept, Remembered};
pub use calendars::{CalendarRecord, NewCalendar};
pub use closing::{Closing, Judged};
pub use deep::{RuleCheck, SHOWN};
pub use deliveries::{DeliveryCounts, DeliveryFilter, DeliveryRecord, DeliveryState, Outgoing, Sent};
pub use depots::{DepotChange, DepotRecord};
pub use event_types::EventType;
pub use events::{BREAKDOWN, EventFilter, EventRecord, NewEvent, NewWindow, StopCodes, WindowRecord};
pub use evidence::{Desk, EntryRecord, Look, OrderFile};
pub use fits::FitRecord;
pub use forecasts::{CarLogs, ForecastRow, ListFilter, ListPosition, ListRow, Recast, Usual};
pub use gauges::{Connections, ForecastAge, OpenOrders, StaleCars};
pub use gear::{GearFilter, GearRecord};
pub use hindsight::{DailyMetres, HindsightFilter, PastForecast};
pub use holds::{HoldFile, StopCall};
pub use idempotency::{Answer, Once};
pub use journal::{JournalCheck, JournalLine};
pub use keep::Swept;
pub use keys::{KeyRecord, NewKey};
pub use logs::{DutyRow, LogRows, OdometerRow, Refused, SeatRow, SentRow, ServiceRow, Tally, Verdict};
pub use migrations::file_names as migration_files;
pub use off_road::{AwayRecord, NewOffRoad, OffRoadRecord, Return};
pub use orders::{
    Doing, Joined, NewOrder, NextOrder, OrderFilter, OrderRecord, ProcedureName, RaisedOrder, order_number,
};
pub use outbox::{PublishedEvent, StreamFilter};
pub use pack_logs::{CheckRow, CodeRow, PackRow};
pub use pack_rows::{CheckRecord, CodeRecord, PackFilter, PackRecord, PackRemoval};
pub use parts::{CoreChange, CoreFilter, CoreRecord, NewPart, PartFilter, PartNeed, PartRecord, Receipt};
pub use plans::{CarPlan, NewPlan, PlanRecord, Planned};
pub use procedures::{NeedsText, ProcedureRecord, ProcedureText, RecordText, StepText};
pub use reports::{DoneService, ReportFilter, WatchedCar};
pub use retired::Retired;
pub use rows::{DutyRecord, LogFilter, OdometerRecord, RowName, SeatRecord, ServiceRecord};
pub use rules::{RuleChange, RuleRecord};
pub use sessions::SessionKey;
pub use technicians::{TechnicianChange, TechnicianRecord};
pub use transfer::TableSum;
pub use vehicles::{NewVehicle, Stay, VehicleChange, VehicleFilter, VehicleRecord};
pub use wear::{
    ExposureRow, LivedPack, OrderCall, OutlookFilter, OutlookListed, OutlookRow, PackCount, PackRecast, PastRisk,
    RiskFilter,
};
pub use webhooks::{NewWebhook, SigningSecret, WebhookChange, WebhookRecord, WebhookState};
pub use writer::Writer;

use crate::clock::Stopwatch;

/// What the store says when it can't do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The database failed or could not be reached.
    #[error("database: {0}")]
    Database(#[from] sqlx::Error),
    /// The migrations could not be run.
    #[error("migration: {0}")]
    Migration(#[from] sqlx::migrate::MigrateError),
    /// A stored value makes no sense.
    #[error("a stored row cannot be read: {column} holds {value:?}")]
    BadRow {
        /// Column or table.column.
        column: &'static str,
        /// What it holds.
        value: String,
    },
    /// The database's address cannot be used.
    #[error("database address {0:?}: write sqlite:PATH or postgres://USER@HOST/NAME")]
    Address(String),
    /// A transaction that several requests shared failed: none of their rows is stored.
    #[error("{0}")]
    Write(std::sync::Arc<StoreError>),
    /// The writer has stopped: the process is shutting down.
    #[error("the writer has stopped")]
    Stopped,
    /// What was asked collides with what is stored.
    #[error("{0}")]
    Conflict(Conflict),
    /// The database as it stands does not allow it.
    #[error("{0}")]
    Refused(String),
    /// A file could not be read or written.
    #[error("{0}")]
    File(#[from] std::io::Error),
    /// The SQLite file is there and may only be read.
    #[error("{path} may not be written: {fault}")]
    ReadOnly {
        /// The file.
        path: String,
        /// What the system said.
        fault: std::io::Error,
    },
}

/// What is already there, or no longer as it was.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Conflict {
    /// Something of that name is there already.
    #[error("{what} {name:?} is there already")]
    Exists {
        /// Kind of thing.
        what: &'static str,
        /// Its name.
        name: String,
    },
    /// Nothing of that name is there (or the key may not see it).
    #[error("there is no {what} {name:?}")]
    Missing {
        /// Kind of thing.
        what: &'static str,
        /// Its name.
        name: String,
    },
    /// It has changed since the version the caller holds.
    #[error("it has changed: version {found} is stored, the request was made against another")]
    Version {
        /// Version stored.
        found: i64,
    },
    /// The change does not fit what is stored.
    #[error("{0}")]
    Rule(String),
    /// One field of the request does not fit what is stored.
    #[error("{reason}")]
    Field {
        /// Field of the request.
        field: &'static str,
        /// What would be right.
        reason: String,
    },
    /// The body has faults, all of them named.
    #[error("{}", placed(.0))]
    Body(Vec<Fault>),
    /// What must stand before this step, or before the order is closed, is missing.
    #[error("missing: {}", told(.0))]
    Gate(Vec<Fault>),
    /// The plan clashes with what is stored.
    #[error("{}", told(.0))]
    Clash(Vec<Fault>),
    /// An idempotency key was used before with another request.
    #[error("this Idempotency-Key was used before with another request")]
    KeyReused,
    /// The key may not do this.
    #[error("{0}")]
    Forbidden(String),
}

/// One thing that is wrong or missing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// JSON pointer.
    pub pointer: String,
    /// Stable code of what is missing.
    pub item: Option<String>,
    /// What is wrong and what would be right.
    pub says: String,
}

impl Fault {
    /// A fault of a field.
    #[must_use]
    pub fn new(pointer: impl Into<String>, says: impl Into<String>) -> Self {
        Self { pointer: pointer.into(), item: None, says: says.into() }
    }
}

fn placed(faults: &[Fault]) -> String {
    let says: Vec<_> = faults.iter().map(|fault| format!("{}: {}", fault.pointer, fault.says)).collect();
    says.join("; ")
}

fn told(faults: &[Fault]) -> String {
    let says: Vec<_> = faults.iter().map(|fault| fault.says.as_str()).collect();
    says.join("; ")
}

impl From<Conflict> for StoreError {
    fn from(conflict: Conflict) -> Self {
        Self::Conflict(conflict)
    }
}

/// Primary result codes of SQLite: <https://sqlite.org/rescode.html>.
const SQLITE_READONLY: i32 = 8;
const SQLITE_INTERRUPT: i32 = 9;
const SQLITE_IOERR: i32 = 10;
const SQLITE_FULL: i32 = 13;

impl StoreError {
    /// Whether the database could not be reached or is about to end, so that the same request may go through later.
    #[must_use]
    pub fn is_away(&self) -> bool {
        match self {
            Self::Database(sqlx::Error::Io(_) | sqlx::Error::PoolTimedOut | sqlx::Error::PoolClosed) => true,
            Self::Write(inner) => inner.is_away(),
            Self::Stopped => true,
            _ => self.failed_by(
                |code| code == SQLITE_IOERR,
                // Shutdown, crash, start-up; too many connections; the connection broke.
                |code| code.starts_with("57P") || code == "53300" || code.starts_with("08"),
            ),
        }
    }

    /// Whether the database stopped because it took longer than it may.
    #[must_use]
    pub fn is_cut_short(&self) -> bool {
        self.failed_by(|code| code == SQLITE_INTERRUPT, |code| code == "57014")
    }

    /// Whether there was no room on the disk: nothing was stored.
    #[must_use]
    pub fn is_full(&self) -> bool {
        self.failed_by(|code| code == SQLITE_FULL, |code| code == "53100")
    }

    /// Whether the database may only be read at the moment: a standby, a server put at rest, a disk mounted so.
    #[must_use]
    pub fn is_read_only(&self) -> bool {
        self.failed_by(|code| code == SQLITE_READONLY, |code| code == "25006")
    }

    /// Whether another transaction made this one fail, so that it may be tried again: deadlock or serialization failure.
    #[must_use]
    pub fn is_collision(&self) -> bool {
        self.failed_by(|_| false, |code| matches!(code, "40P01" | "40001"))
    }

    /// Whether the database said so: by SQLite's primary result code, or by Postgres' SQLSTATE.
    fn failed_by(&self, sqlite: impl Fn(i32) -> bool, postgres: impl Fn(&str) -> bool) -> bool {
        match self {
            Self::Database(sqlx::Error::Database(fault)) => {
                let code = fault.code().unwrap_or_default();
                if fault.try_downcast_ref::<SqliteError>().is_some() {
                    code.parse::<i32>().is_ok_and(|code| sqlite(code & 0xff))
                } else {
                    postgres(&code)
                }
            }
            Self::Write(inner) => inner.failed_by(sqlite, postgres),
            _ => false,
        }
    }

    fn bad_row(column: &'static str, value: impl ToString) -> Self {
        Self::BadRow { column, value: value.to_string() }
    }

    /// Turns a broken uniqueness into `conflict`; every other error stays what it was.
    fn or_exists(error: sqlx::Error, conflict: impl FnOnce() -> Conflict) -> Self {
        match error.as_database_error() {
            Some(broken) if broken.is_unique_violation() => conflict().into(),
            _ => error.into(),
        }
    }
}

/// Who writes: the key and what it may see.
#[derive(Clone, Debug)]
pub struct Actor {
    /// The key's number; `None` for the daemon itself and the command line.
    pub key_id: Option<i64>,
    /// What stands in the journal.
    pub name: String,
    /// Codes of the depots it is confined to; empty when it may see all.
    pub depots: Vec<String>,
}

impl Actor {
    /// The daemon itself or the command line, which may see all.
    #[must_use]
    pub fn internal(name: &str) -> Self {
        Self { key_id: None, name: name.to_owned(), depots: Vec::new() }
    }

    /// Whether it may see the depot of this code.
    #[must_use]
    pub fn may_see(&self, depot: &str) -> bool {
        self.depots.is_empty() || self.depots.iter().any(|code| code == depot)
    }

    /// The key whose depots confine a list, where one does.
    #[must_use]
    pub fn key_depots_of(&self) -> Option<i64> {
        if self.depots.is_empty() { None } else { self.key_id }
    }
}

/// A request to write: who, when, and the idempotency key it came with.
#[derive(Clone, Debug)]
pub struct Writing {
    /// Who writes.
    pub actor: Actor,
    /// When.
    pub now: DateTime<Utc>,
    /// Its idempotency key.
    pub once: Option<Once>,
}

/// The versions a caller's If-Match names.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum IfMatch {
    /// Whatever is there.
    Any,
    /// One of these.
    Versions(Vec<i64>),
}

impl IfMatch {
    fn check(&self, found: i64) -> Result<()> {
        match self {
            Self::Versions(versions) if !versions.contains(&found) => Err(Conflict::Version { found }.into()),
            _ => Ok(()),
        }
    }
}

pub(crate) type Result<T, E = StoreError> = std::result::Result<T, E>;

/// Which databases there are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Engine {
    /// One file.
    Sqlite,
    /// A server.
    Postgres,
}

#[derive(Clone, Debug)]
enum Db {
    Sqlite { read: SqlitePool, write: SqlitePool, file: PathBuf },
    Postgres(PgPool),
}

/// A transaction that may write.
enum Tx {
    Sqlite(Transaction<'static, Sqlite>),
    Postgres(Transaction<'static, Postgres>),
}

/// Runs one body on the read pool of whichever database is there.
macro_rules! read {
    ($store:expr, $pool:ident => $body:expr) => {
        match &$store.db {
            $crate::store::Db::Sqlite { read: $pool, .. } => $body,
            $crate::store::Db::Postgres($pool) => $body,
        }
    };
}

/// Runs one body on the connection of a transaction.
macro_rules! within {
    ($tx:expr, $connection:ident => $body:expr) => {
        match &mut *$tx {
            $crate::store::Tx::Sqlite(inner) => {
                let $connection = &mut **inner;
                $body
            }
            $crate::store::Tx::Postgres(inner) => {
                let $connection = &mut **inner;
                $body
            }
        }
    };
}

/// The transaction of a request that writes. Where an earlier one with its idempotency key left an answer, the method ends
/// with that.
macro_rules! opened {
    ($store:expr, $writing:expr) => {
        match $store.begin_once($writing).await? {
            $crate::store::idempotency::Begun::Now(tx) => tx,
            $crate::store::idempotency::Begun::Before(answer) => return Ok(answer),
        }
    };
}

/// Marks the cars of a selection (number, instant, instant, 0, first day that what came in speaks of) stale: -1000000 where
/// log rows of any day may have changed, 1000000 where none have. A mark is the instant of its marking, or later: one that
/// was taken away never comes again.
macro_rules! stale {
    ($cars:literal) => {
        concat!(
            "INSERT INTO stale_cars (vehicle_id, since_us, mark, claimed_until_us, from_day) ",
            $cars,
            " ON CONFLICT (vehicle_id) DO UPDATE
            SET mark = CASE WHEN excluded.mark > stale_cars.mark THEN excluded.mark ELSE stale_cars.mark + 1 END,
                from_day = CASE WHEN excluded.from_day < stale_cars.from_day THEN excluded.from_day
                    ELSE stale_cars.from_day END"
        )
    };
}

use {opened, read, stale, within};

impl Tx {
    /// The text for this transaction's dialect.
    fn pick(&self, sqlite: &'static str, postgres: &'static str) -> &'static str {
        match self {
            Self::Sqlite(_) => sqlite,
            Self::Postgres(_) => postgres,
        }
    }

    async fn commit(self) -> Result<()> {
        match self {
            Self::Sqlite(inner) => inner.commit().await?,
            Self::Postgres(inner) => inner.commit().await?,
        }
        Ok(())
    }
}

/// An update that named the version it was made against must have found it; on Postgres another transaction may
/// have come between the look and the update.
fn one_changed(rows: u64, version: i64) -> Result<()> {
    if rows == 1 { Ok(()) } else { Err(Conflict::Version { found: version + 1 }.into()) }
}

/// Connects to a file that may be new. Where two make one at the same moment they collide at its turn to write-ahead logging,
/// and there SQLite does not wait by itself.
async fn connect_first(pool: &SqlitePoolOptions, options: &SqliteConnectOptions) -> Result<SqlitePool> {
    let watch = Stopwatch::start();
    let is_busy = |fault: &sqlx::Error| {
        fault.as_database_error().and_then(|fault| fault.code()).is_some_and(|code| code == SQLITE_BUSY)
    };
    loop {
        match pool.clone().connect_with(options.clone()).await {
            Err(fault) if is_busy(&fault) && watch.elapsed_ms() < BUSY_TIMEOUT.as_secs_f64() * 1e3 => {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
            connected => return Ok(connected?),
        }
    }
}

/// The code of a database that another connection holds.
const SQLITE_BUSY: &str = "5";

/// SQLite opens a file that may only be read without a word, and fails at the first write.
fn may_be_written(path: &Path) -> Result<()> {
    match std::fs::File::options().write(true).open(path) {
        Err(fault) if fault.kind() != std::io::ErrorKind::NotFound => {
            Err(StoreError::ReadOnly { path: path.display().to_string(), fault })
        }
        _ => Ok(()),
    }
}

/// The store.
#[derive(Clone, Debug)]
pub struct Store {
    db: Db,
}

/// How long a writer waits for another process that writes to the same SQLite file.
const BUSY_TIMEOUT: Duration = Duration::from_secs(30);

/// SQLite looks at the time after so many steps of its machine: every millisecond or so.
const STEPS_BETWEEN_LOOKS: i32 = 10_000;

const NO_STATEMENT_LIMIT: &str = "SET statement_timeout = 0";

/// How long a request waits for a free connection to the SQLite file.
const ACQUIRE_TIMEOUT: Duration = Duration::from_secs(30);

/// The same of Postgres, which may be away: then this is how long a client waits to hear so.
const REACH_TIMEOUT: Duration = Duration::from_secs(10);

impl Store {
    /// Opens the database at `address` (`sqlite:PATH` or `postgres://…`) and brings its tables up to date.
    ///
    /// # Errors
    /// [`StoreError::Address`] when the address is neither; [`StoreError::Database`] when it cannot be reached;
    /// [`StoreError::Migration`] when a newer program has written to it.
    pub async fn open(address: &str, connections: u32) -> Result<Self> {
        Self::open_limited(address, connections, None).await
    }

    /// The same, where a statement that takes `longest` ends with an error: on SQLite those that only read.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub async fn open_limited(address: &str, connections: u32, longest: Option<Duration>) -> Result<Self> {
        address.strip_prefix("sqlite:").map_or(Ok(()), |path| may_be_written(Path::new(path)))?;
        let store = Self::connect(address, connections, longest).await?;
        store.bring_up_to_date().await?;
        Ok(store)
    }

    /// Runs the migrations that are still to be done.
    ///
    /// # Errors
    /// [`StoreError::Migration`] when one fails, or a newer program has written to the database.
    pub async fn bring_up_to_date(&self) -> Result<()> {
        match &self.db {
            Db::Sqlite { write, .. } => {
                // In one transaction: of two processes that open a new file at once, one waits for the other.
                let mut tx = write.begin_with("BEGIN IMMEDIATE").await?;
                migrations::sqlite().run(&mut *tx).await?;
                tx.commit().await?;
            }
            Db::Postgres(pool) => {
                let mut connection = pool.acquire().await?;
                sqlx::query(NO_STATEMENT_LIMIT).execute(&mut *connection).await?;
                migrations::postgres().run(&mut *connection).await?;
                connection.close().await?;
                // Another, which tells that the database is in use.
                drop(pool.acquire().await?);
            }
        }
        Ok(())
    }

    async fn connect(address: &str, connections: u32, longest: Option<Duration>) -> Result<Self> {
        if let Some(path) = address.strip_prefix("sqlite:") {
            return Self::connect_sqlite(Path::new(path), connections, longest).await;
        }
        if !address.starts_with("postgres://") && !address.starts_with("postgresql://") {
            return Err(StoreError::Address(address.to_owned()));
        }
        // Notices tell of tables that are there already, at every start.
        let options = PgConnectOptions::from_str(address)?.application_name("ventmile").options([
            ("client_min_messages", "warning".to_owned()),
            ("statement_timeout", longest.map_or(0, |longest| longest.as_millis()).to_string()),
        ]);
        // Every connection tells that the database is in use, and waits while it is being moved.
        let pool = PgPoolOptions::new()
            .min_connections(1)
            .max_connections(connections)
            .acquire_timeout(REACH_TIMEOUT)
            .after_connect(|connection, _| Box::pin(transfer::tell_use(connection)));
        match pool.connect_with(options.clone()).await {
            Ok(pool) => Ok(Self { db: Db::Postgres(pool) }),
            Err(sqlx::Error::PoolTimedOut) if transfer::is_moved(&options).await => Err(transfer::being_moved()),
            Err(fault) => Err(fault.into()),
        }
    }

    async fn connect_sqlite(path: &Path, connections: u32, longest: Option<Duration>) -> Result<Self> {
        let options = SqliteConnectOptions::new()
            .filename(path)
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .foreign_keys(true)
            .busy_timeout(BUSY_TIMEOUT)
            .pragma("cache_size", "-65536")
            .row_buffer_size(512);
        let pool = || SqlitePoolOptions::new().acquire_timeout(ACQUIRE_TIMEOUT);
        // On a full disk SQLite rolls back by itself, after which sqlx takes the connection to be inside a transaction
        // for ever: such a one is thrown away.
        let write = pool()
            .max_connections(1)
            .before_acquire(|connection, _| Box::pin(async move { Ok(!connection.is_in_transaction()) }));
        let write = connect_first(&write, &options).await?;
        let read = pool().max_connections(connections).before_acquire(move |connection, _| {
            Box::pin(async move {
                if let Some(longest) = longest {
                    let watch = Stopwatch::start();
                    let in_time = move || watch.elapsed_ms() < longest.as_secs_f64() * 1e3;
                    connection.lock_handle().await?.set_progress_handler(STEPS_BETWEEN_LOOKS, in_time);
                }
                Ok(!connection.is_in_transaction())
            })
        });
        let read = read.connect_with(options).await?;
        Ok(Self { db: Db::Sqlite { read, write, file: path.to_owned() } })
    }

    /// Which database this is.
    #[must_use]
    pub fn engine(&self) -> Engine {
        match &self.db {
            Db::Sqlite { .. } => Engine::Sqlite,
            Db::Postgres(_) => Engine::Postgres,
        }
    }

    /// The SQLite file, where that is what it is.
    #[must_use]
    pub fn file(&self) -> Option<&Path> {
        match &self.db {
            Db::Sqlite { file, .. } => Some(file),
            Db::Postgres(_) => None,
        }
    }

    /// Asks the database for an answer, to see that it gives one.
    ///
    /// # Errors
    /// [`StoreError::Database`] when it does not.
    pub async fn ping(&self) -> Result<()> {
        read!(self, pool => sqlx::query("SELECT 1").execute(pool).await.map(drop))?;
        Ok(())
    }

    /// Closes every connection.
    pub async fn close(&self) {
        match &self.db {
            Db::Sqlite { read, write, .. } => {
                read.close().await;
                write.close().await;
            }
            Db::Postgres(pool) => pool.close().await,
        }
    }

    /// The text for this database's dialect.
    fn pick(&self, sqlite: &'static str, postgres: &'static str) -> &'static str {
        match self.engine() {
            Engine::Sqlite => sqlite,
            Engine::Postgres => postgres,
        }
    }

    /// A transaction that only reads, so that everything read is of one moment.
    async fn begin_read(&self) -> Result<Tx> {
        Ok(match &self.db {
            Db::Sqlite { read, .. } => Tx::Sqlite(read.begin().await?),
            Db::Postgres(pool) => Tx::Postgres(pool.begin().await?),
        })
    }

    /// Begins a transaction for a request, unless it was answered before.
    async fn begin_once(&self, writing: &Writing) -> Result<idempotency::Begun> {
        let mut tx = self.begin().await?;
        let before = tx.claim(writing.once.as_ref(), writing.now).await?;
        Ok(before.map_or(idempotency::Begun::Now(tx), idempotency::Begun::Before))
    }

    async fn begin(&self) -> Result<Tx> {
        Ok(match &self.db {
            Db::Sqlite { write, .. } => Tx::Sqlite(write.begin_with("BEGIN IMMEDIATE").await?),
            Db::Postgres(pool) => Tx::Postgres(pool.begin().await?),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ENDLESS: &str = "WITH RECURSIVE c (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c) SELECT count(*) FROM c";

    #[tokio::test]
    async fn a_question_to_sqlite_is_cut_short_and_the_next_one_is_not() {
        let dir = tempfile::tempdir().unwrap();
        let address = format!("sqlite:{}", dir.path().join("fleet.db").display());
        let store = Store::open_limited(&address, 1, Some(Duration::from_millis(200))).await.unwrap();
        for _ in 0..2 {
            let Db::Sqlite { read, .. } = &store.db else { unreachable!() };
            let asked: Result<i64, sqlx::Error> = sqlx::query_scalar(ENDLESS).fetch_one(read).await;
            let fault = StoreError::from(asked.unwrap_err());
            assert!(fault.is_cut_short() && !fault.is_away(), "{fault}");
            store.ping().await.unwrap();
        }
        store.backup(&dir.path().join("copy.db")).await.unwrap();
        store.close().await;
    }
}
