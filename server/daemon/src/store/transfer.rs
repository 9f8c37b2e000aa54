//! A whole database moved into another one, of the same kind or the other.
//!
//! Which tables and columns there are is asked of the catalogue. Both databases are held while it lasts: nobody serves
//! them or writes to them. The target is written in one transaction, so that it holds all or nothing.

use std::fmt::Write;

use futures_util::TryStreamExt;
use sha2::{Digest, Sha256};
use sqlx::postgres::PgConnectOptions;
use sqlx::sqlite::{SqliteConnectOptions, SqlitePoolOptions};
use sqlx::{AssertSqlSafe, Connection, PgConnection, Row};

use super::catalog::{Form, Table};
use super::migrations::{self, Steps};
use super::{Db, Result, Store, StoreError, Tx, within};

/// What a table holds: how many rows, and a sum over all of them that is the same on both databases.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TableSum {
    /// Its name.
    pub table: String,
    /// How many rows it has.
    pub rows: u64,
    /// Sum, modulo 2^128, of the first half of each row's SHA-256 over its columns by name. A column counts as a byte for
    /// its form (0 null, 1 whole number, 2 real number, 3 text, 4 bytes) and its value: numbers as 8 bytes with the
    /// highest first, zero without a sign, text and bytes after their length in 8 bytes.
    pub sum: u128,
}

/// The number that a table hands out next.
#[derive(sqlx::FromRow)]
pub(super) struct NextNumber {
    pub table: String,
    pub column: String,
    pub next: i64,
}

/// The values of one column in a batch of rows.
enum Cells {
    Whole(Vec<Option<i64>>),
    Real(Vec<Option<f64>>),
    Text(Vec<Option<String>>),
    Bytes(Vec<Option<Vec<u8>>>),
}

impl Cells {
    fn new(form: Form) -> Self {
        match form {
            Form::Whole => Self::Whole(Vec::new()),
            Form::Real => Self::Real(Vec::new()),
            Form::Text => Self::Text(Vec::new()),
            Form::Bytes => Self::Bytes(Vec::new()),
        }
    }

    fn clear(&mut self) {
        match self {
            Self::Whole(list) => list.clear(),
            Self::Real(list) => list.clear(),
            Self::Text(list) => list.clear(),
            Self::Bytes(list) => list.clear(),
        }
    }

    fn digest(&self, row: usize, digest: &mut Sha256) {
        let sized = |digest: &mut Sha256, form: u8, bytes: &[u8]| {
            digest.update([form]);
            digest.update((bytes.len() as u64).to_be_bytes());
            digest.update(bytes);
        };
        let number = |digest: &mut Sha256, form: u8, bytes: [u8; 8]| {
            digest.update([form]);
            digest.update(bytes);
        };
        match self {
            Self::Whole(list) => match list.get(row).copied().flatten() {
                Some(value) => number(digest, 1, value.to_be_bytes()),
                None => digest.update([0]),
            },
            // SQLite keeps no sign of zero.
            Self::Real(list) => match list.get(row).copied().flatten() {
                Some(value) => number(digest, 2, (value + 0.0).to_bits().to_be_bytes()),
                None => digest.update([0]),
            },
            Self::Text(list) => match list.get(row).and_then(Option::as_ref) {
                Some(value) => sized(digest, 3, value.as_bytes()),
                None => digest.update([0]),
            },
            Self::Bytes(list) => match list.get(row).and_then(Option::as_ref) {
                Some(value) => sized(digest, 4, value),
                None => digest.update([0]),
            },
        }
    }
}

/// Rows on their way.
struct Batch {
    columns: Vec<Cells>,
    rows: usize,
}

/// Rows in a batch: with the widest table below what SQLite takes of bound values in one statement, 32,766.
const BATCH: usize = 500;

impl Batch {
    fn sum(&self) -> u128 {
        let of_row = |row| {
            let mut digest = Sha256::new();
            self.columns.iter().for_each(|cells| cells.digest(row, &mut digest));
            let half = digest.finalize().first_chunk::<16>().copied().unwrap_or_default();
            u128::from_be_bytes(half)
        };
        (0..self.rows).map(of_row).fold(0, u128::wrapping_add)
    }

    fn clear(&mut self) {
        self.columns.iter_mut().for_each(Cells::clear);
        self.rows = 0;
    }
}

/// Goes over the rows of a table in batches and sums them.
async fn go_over(tx: &mut Tx, table: &Table, mut then: impl AsyncFnMut(&Batch) -> Result<()>) -> Result<TableSum> {
    let mut batch = Batch { columns: table.columns.iter().map(|column| Cells::new(column.form)).collect(), rows: 0 };
    let mut total = TableSum { table: table.name.clone(), rows: 0, sum: 0 };
    let sql = format!("SELECT {} FROM \"{}\"", table.column_list(), table.name);
    within!(tx, c => {
        let mut rows = sqlx::query(AssertSqlSafe(sql)).fetch(c);
        loop {
            let row = rows.try_next().await?;
            if batch.rows == BATCH || (row.is_none() && batch.rows > 0) {
                then(&batch).await?;
                total.rows += batch.rows as u64;
                total.sum = total.sum.wrapping_add(batch.sum());
                batch.clear();
            }
            let Some(row) = row else { break };
            for (place, cells) in batch.columns.iter_mut().enumerate() {
                match cells {
                    Cells::Whole(list) => list.push(row.try_get(place)?),
                    Cells::Real(list) => list.push(row.try_get(place)?),
                    Cells::Text(list) => list.push(row.try_get(place)?),
                    Cells::Bytes(list) => list.push(row.try_get(place)?),
                }
            }
            batch.rows += 1;
        }
    });
    Ok(total)
}

async fn sum_of(tx: &mut Tx, table: &Table) -> Result<TableSum> {
    go_over(tx, table, async |_| Ok(())).await
}

/// Whoever uses a Postgres database shares this lock, whoever moves it has it alone.
const USE: &str = "SELECT pg_advisory_lock_shared(7420, 1)";
const TRY_USE: &str = "SELECT pg_try_advisory_lock_shared(7420, 1)";
const HOLD: &str = "SELECT pg_try_advisory_lock(7420, 1)";
const SNAPSHOT: &str = "BEGIN ISOLATION LEVEL REPEATABLE READ";
const REMEMBERED: &str = "SELECT name AS \"table\", 'id' AS \"column\", seq + 1 AS next FROM sqlite_sequence";
const NUMBERED: &str = "SELECT CAST(t.relname AS TEXT), CAST(a.attname AS TEXT),
        pg_get_serial_sequence(quote_ident(t.relname), a.attname)
    FROM pg_class t JOIN pg_attribute a ON a.attrelid = t.oid
    WHERE t.relnamespace = CAST(current_schema() AS regnamespace) AND a.attidentity <> '' AND a.attnum > 0
    ORDER BY 1, 2";

/// Tells on a new connection that the database is in use; waits while it is being moved.
pub(super) async fn tell_use(connection: &mut PgConnection) -> sqlx::Result<()> {
    sqlx::query(USE).execute(connection).await.map(drop)
}

/// Whether the database is being moved now.
pub(super) async fn is_moved(options: &PgConnectOptions) -> bool {
    let Ok(mut connection) = PgConnection::connect_with(options).await else { return false };
    let free: sqlx::Result<bool> = sqlx::query_scalar(TRY_USE).fetch_one(&mut connection).await;
    free.is_ok_and(|free| !free)
}

pub(super) fn being_moved() -> StoreError {
    StoreError::Refused("this Postgres database is being moved: start again when that is done".to_owned())
}

impl Tx {
    async fn put(&mut self, table: &Table, batch: &Batch) -> Result<()> {
        let into = format!("INSERT INTO \"{}\" ({}) ", table.name, table.column_list());
        match self {
            Self::Sqlite(inner) => {
                let row = format!("({})", vec!["?"; batch.columns.len()].join(", "));
                let sql = format!("{into} VALUES {}", vec![row; batch.rows].join(", "));
                let mut query = sqlx::query(AssertSqlSafe(sql));
                for row in 0..batch.rows {
                    for cells in &batch.columns {
                        query = match cells {
                            Cells::Whole(list) => query.bind(list.get(row).copied().flatten()),
                            Cells::Real(list) => query.bind(list.get(row).copied().flatten()),
                            Cells::Text(list) => query.bind(list.get(row).cloned().flatten()),
                            Cells::Bytes(list) => query.bind(list.get(row).cloned().flatten()),
                        };
                    }
                }
                query.execute(&mut **inner).await?;
            }
            Self::Postgres(inner) => {
                let mut sql = format!("{into} SELECT * FROM UNNEST(");
                for (place, cells) in batch.columns.iter().enumerate() {
                    let form = match cells {
                        Cells::Whole(_) => "bigint",
                        Cells::Real(_) => "double precision",
                        Cells::Text(_) => "text",
                        Cells::Bytes(_) => "bytea",
                    };
                    let comma = if place == 0 { "" } else { ", " };
                    // Writing to a text cannot fail.
                    let _ = write!(sql, "{comma}CAST(${} AS {form}[])", place + 1);
                }
                sql.push(')');
                let mut query = sqlx::query(AssertSqlSafe(sql));
                for cells in &batch.columns {
                    query = match cells {
                        Cells::Whole(list) => query.bind(list.as_slice()),
                        Cells::Real(list) => query.bind(list.as_slice()),
                        Cells::Text(list) => query.bind(list.as_slice()),
                        Cells::Bytes(list) => query.bind(list.as_slice()),
                    };
                }
                query.execute(&mut **inner).await?;
            }
        }
        Ok(())
    }

    async fn sums(&mut self) -> Result<Vec<TableSum>> {
        let mut sums = Vec::new();
        for table in self.tables().await? {
            sums.push(sum_of(self, &table).await?);
        }
        Ok(sums)
    }

    /// Takes away what migrations put in; anything else that is there already is a reason to stop.
    async fn empty(&mut self, tables: &[Table]) -> Result<()> {
        let seeds = seeds().await?;
        for table in tables.iter().rev() {
            let found = sum_of(self, table).await?;
            if found.rows > 0 && !seeds.contains(&found) {
                let says = format!("the target is not empty: {} has {} rows", table.name, found.rows);
                return Err(StoreError::Refused(says));
            }
            if found.rows > 0 {
                let sql = format!("DELETE FROM \"{}\"", table.name);
                within!(self, c => sqlx::query(AssertSqlSafe(sql)).execute(c).await.map(drop))?;
            }
        }
        Ok(())
    }

    /// Hands out the numbers that the other database would have handed out next, above all that are taken.
    async fn number_on(&mut self, next: &[NextNumber]) -> Result<()> {
        for NextNumber { table, column, .. } in self.next_numbers().await? {
            let there = next.iter().find(|it| it.table == table).map_or(1, |it| it.next);
            let free = format!("(SELECT coalesce(max(\"{column}\"), 0) + 1 FROM \"{table}\")");
            let sql = match self {
                Self::Sqlite(_) => {
                    format!("UPDATE sqlite_sequence SET seq = max({there}, {free}) - 1 WHERE name = '{table}'")
                }
                Self::Postgres(_) => {
                    let sequence = format!("pg_get_serial_sequence('\"{table}\"', '{column}')");
                    format!("SELECT setval({sequence}, greatest({there}, {free}), false)")
                }
            };
            within!(self, c => sqlx::query(AssertSqlSafe(sql)).execute(c).await.map(drop))?;
        }
        Ok(())
    }

    /// What is handed out next where a database remembers it: everywhere on Postgres; on SQLite, which else goes on from the
    /// highest number there is, where no number may ever come again.
    pub(super) async fn next_numbers(&mut self) -> Result<Vec<NextNumber>> {
        let inner = match self {
            Self::Sqlite(inner) => return Ok(sqlx::query_as(REMEMBERED).fetch_all(&mut **inner).await?),
            Self::Postgres(inner) => inner,
        };
        let columns: Vec<(String, String, String)> = sqlx::query_as(NUMBERED).fetch_all(&mut **inner).await?;
        let mut numbers = Vec::with_capacity(columns.len());
        for (table, column, sequence) in columns {
            let sql = format!("SELECT CASE WHEN is_called THEN last_value + 1 ELSE last_value END FROM {sequence}");
            let next = sqlx::query_scalar(AssertSqlSafe(sql)).fetch_one(&mut **inner).await?;
            numbers.push(NextNumber { table, column, next });
        }
        Ok(numbers)
    }
}

/// What a database holds that nobody has used yet: what its migrations put in.
async fn seeds() -> Result<Vec<TableSum>> {
    let store = fresh().await?;
    let sums = store.begin_read().await?.sums().await;
    store.close().await;
    sums
}

/// A new database in memory.
pub(super) async fn fresh() -> Result<Store> {
    let options = SqliteConnectOptions::new().in_memory(true);
    let pool = SqlitePoolOptions::new().max_connections(1).connect_with(options).await?;
    migrations::sqlite().run(&pool).await?;
    Ok(Store { db: Db::Sqlite { read: pool.clone(), write: pool, file: Default::default() } })
}

impl Store {
    /// Opens a database for this process alone, without bringing its tables up to date. A SQLite file is kept from others
    /// by the lock of whoever serves it, which the caller takes.
    ///
    /// # Errors
    /// [`StoreError::Refused`] when another process uses a Postgres database; else as [`Store::open`].
    pub async fn open_alone(address: &str) -> Result<Self> {
        let store = Self::connect(address, 1, None).await?;
        store.hold().await?;
        Ok(store)
    }

    /// Takes a Postgres database for this process alone, as long as its one connection lives.
    async fn hold(&self) -> Result<()> {
        let Db::Postgres(pool) = &self.db else { return Ok(()) };
        let held: bool = sqlx::query_scalar(HOLD).fetch_one(pool).await?;
        let used = || StoreError::Refused("another ventmile uses this Postgres database: stop it first".to_owned());
        if held { Ok(()) } else { Err(used()) }
    }

    /// A transaction that sees one moment throughout, and while which nobody else writes to a SQLite file.
    async fn begin_snapshot(&self) -> Result<Tx> {
        match &self.db {
            Db::Sqlite { .. } => self.begin().await,
            Db::Postgres(pool) => Ok(Tx::Postgres(pool.begin_with(SNAPSHOT).await?)),
        }
    }

    /// What each table holds.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn sums(&self) -> Result<Vec<TableSum>> {
        self.begin_snapshot().await?.sums().await
    }

    /// Copies every row into `target`, whose tables are up to date and empty, reads all of it back and compares; all or
    /// nothing. `told` hears of each table, how many of its rows are over, and how many there are.
    ///
    /// # Errors
    /// [`StoreError::Refused`] when the source's tables are not up to date, the target is not empty, or what was read back
    /// is not the same; [`StoreError::Database`] when either fails.
    pub async fn move_to(&self, target: &Self, mut told: impl FnMut(&str, u64, u64)) -> Result<Vec<TableSum>> {
        match self.steps().await? {
            Steps::All => {}
            Steps::Some(done) => {
                let known = migrations::file_names().len();
                let says =
                    format!("the source has {done} of {known} migrations done: serve it once with this program first");
                return Err(StoreError::Refused(says));
            }
            Steps::Foreign(says) => return Err(StoreError::Refused(format!("the source: {says}"))),
        }
        // What brought it up to date had a connection of its own.
        target.hold().await?;
        let (mut from, mut to) = (self.begin_snapshot().await?, target.begin().await?);
        let (tables, there) = (from.tables().await?, to.tables().await?);
        if tables != there {
            return Err(StoreError::Refused("the tables of source and target differ".to_owned()));
        }
        to.empty(&tables).await?;
        let mut sums = Vec::with_capacity(tables.len());
        for table in &tables {
            sums.push(carry(&mut from, &mut to, table, &mut told).await?);
        }
        to.number_on(&from.next_numbers().await?).await?;
        to.commit().await?;
        if let Db::Postgres(pool) = &target.db {
            sqlx::query("ANALYZE").execute(pool).await?;
        }
        Ok(sums)
    }
}

/// Copies one table and compares.
async fn carry(from: &mut Tx, to: &mut Tx, table: &Table, told: &mut impl FnMut(&str, u64, u64)) -> Result<TableSum> {
    let sql = format!("SELECT count(*) FROM \"{}\"", table.name);
    let all: i64 = within!(from, c => sqlx::query_scalar(AssertSqlSafe(sql)).fetch_one(c).await)?;
    let mut over = 0;
    told(&table.name, over, all.unsigned_abs());
    let read = go_over(from, table, async |batch| {
        to.put(table, batch).await?;
        over += batch.rows as u64;
        told(&table.name, over, all.unsigned_abs());
        Ok(())
    })
    .await?;
    let written = sum_of(to, table).await?;
    if read == written {
        return Ok(read);
    }
    let (name, rows, sum) = (&table.name, read.rows, read.sum);
    Err(StoreError::Refused(format!(
        "{name} came out otherwise: {rows} rows with the sum {sum:032x} were read, {} with {:032x} written",
        written.rows, written.sum
    )))
}
