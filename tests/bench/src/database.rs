//! The databases of a run: SQLite files in a folder, or databases on a Postgres server.

use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use rusqlite::Connection;
use sqlx::postgres::{PgPool, PgPoolOptions};
use sqlx::{AssertSqlSafe, Row};

use crate::Result;
use crate::bare::Bare;
use crate::daemon::{Daemon, Program};
use crate::process::{Process, free_address, output};

/// Where databases are made.
pub enum Server {
    Files(PathBuf),
    Postgres { address: String, _process: Option<Process> },
}

fn user_number(flag: &str) -> Result<u32> {
    Ok(output(Command::new("id").arg(flag).arg("postgres"))?.trim().parse()?)
}

/// Programs of the server, which refuses to run as root.
fn postgres_command(program: &str) -> Result<Command> {
    let mut command = Command::new(Path::new(output(Command::new("pg_config").arg("--bindir"))?.trim()).join(program));
    if output(Command::new("id").arg("-u"))?.trim() == "0" {
        command.uid(user_number("-u")?).gid(user_number("-g")?);
    }
    Ok(command)
}

impl Server {
    /// The server named in the environment, or one of our own with its data in the folder.
    pub async fn postgres(folder: &Path) -> Result<Self> {
        if let Ok(address) = std::env::var("VENTMILE_TEST_POSTGRES") {
            return Ok(Self::Postgres { address, _process: None });
        }
        let data = folder.join("postgres");
        std::fs::create_dir(&data)?;
        if output(Command::new("id").arg("-u"))?.trim() == "0" {
            // The folder above lets its owner in only.
            std::fs::set_permissions(folder, std::os::unix::fs::PermissionsExt::from_mode(0o711))?;
            std::os::unix::fs::chown(&data, Some(user_number("-u")?), Some(user_number("-g")?))?;
        }
        let mut initdb = postgres_command("initdb")?;
        initdb.current_dir(&data).args(["-A", "trust", "-U", "postgres", "-E", "UTF8", "--no-sync", "-D"]).arg(&data);
        output(&mut initdb)?;
        let address = free_address()?;
        let mut serve = postgres_command("postgres")?;
        serve.current_dir(&data).arg("-D").arg(&data).args(["-p", &address.port().to_string()]);
        serve.args(["-c", "listen_addresses=127.0.0.1", "-c", "unix_socket_directories="]);
        serve.stdout(Stdio::null()).stderr(Stdio::null());
        // Its fast shutdown.
        let mut process = Process::start(&mut serve, "-INT")?;
        process.listens(address).await?;
        let server = Self::Postgres { address: format!("postgres://postgres@{address}"), _process: Some(process) };
        Ok(server)
    }
}

/// One run's databases, each by its short name, and the daemon that serves them.
pub struct Database {
    server: Server,
    program: Program,
    made: Mutex<Vec<&'static str>>,
}

/// The next so many ids after every car's own.
const SPACING: usize = 1_000;

const COPY_VEHICLES: &str = "WITH RECURSIVE n (k) AS (SELECT 1 UNION ALL SELECT k + 1 FROM n WHERE k < {copies})
    INSERT INTO vehicles (id, unit, depot_id, model, vehicle_type, distance_unit, in_service_day, in_service_metres,
        version, created_us, changed_us)
    SELECT id + k * {spacing}, unit || '-' || k, depot_id, model, vehicle_type, distance_unit, in_service_day,
        in_service_metres, version, created_us, changed_us
    FROM vehicles CROSS JOIN n";
const COPY_FORECASTS: &str = "WITH RECURSIVE n (k) AS (SELECT 1 UNION ALL SELECT k + 1 FROM n WHERE k < {copies})
    INSERT INTO forecasts (vehicle_id, kind, depot_id, rank, due_day, early_day, band, made_day, made_us,
        metres_per_day, hours_per_day, raise_reason, item)
    SELECT vehicle_id + k * {spacing}, kind, depot_id, rank, due_day, early_day, band, made_day, made_us,
        metres_per_day, hours_per_day, raise_reason, item
    FROM forecasts CROSS JOIN n";
const COPY_ORDERS: &str = "WITH RECURSIVE n (k) AS (SELECT 1 UNION ALL SELECT k + 1 FROM n WHERE k < {copies})
    INSERT INTO work_orders (id, vehicle_id, depot_id, kind, status, raised_by, reason, rank, due_day, version,
        created_us, changed_us)
    SELECT id + k * {spacing}, vehicle_id + k * {spacing}, depot_id, kind, status, raised_by, reason, rank, due_day,
        version, created_us, changed_us
    FROM work_orders CROSS JOIN n";

const TO_SETTLE: Duration = Duration::from_secs(300);

impl Database {
    pub fn new(server: Server, program: Program) -> Self {
        Self { server, program, made: Mutex::default() }
    }

    fn file(folder: &Path, name: &str) -> PathBuf {
        folder.join(format!("{name}.db"))
    }

    fn postgres_name(name: &str) -> String {
        format!("bench{}_{name}", std::process::id())
    }

    fn address(&self, name: &str) -> String {
        match &self.server {
            Server::Files(folder) => format!("sqlite:{}", Self::file(folder, name).display()),
            Server::Postgres { address, .. } => format!("{address}/{}", Self::postgres_name(name)),
        }
    }

    async fn pool(&self, address: &str, connections: u32) -> Result<PgPool> {
        Ok(PgPoolOptions::new().max_connections(connections).connect(address).await?)
    }

    /// Runs a statement on the Postgres server outside every database of ours.
    async fn administer(&self, sql: String) -> Result<()> {
        if let Server::Postgres { address, .. } = &self.server {
            let pool = self.pool(&format!("{address}/postgres"), 1).await?;
            sqlx::query(AssertSqlSafe(sql)).execute(&pool).await?;
            pool.close().await;
        }
        Ok(())
    }

    fn remember(&self, name: &'static str) {
        self.made.lock().unwrap_or_else(std::sync::PoisonError::into_inner).push(name);
    }

    /// Makes an empty database.
    pub async fn create(&self, name: &'static str) -> Result<()> {
        self.remember(name);
        self.administer(format!("CREATE DATABASE {}", Self::postgres_name(name))).await
    }

    /// Copies a database that nobody uses.
    pub async fn copy(&self, from: &str, to: &'static str) -> Result<()> {
        self.remember(to);
        if let Server::Files(folder) = &self.server {
            std::fs::copy(Self::file(folder, from), Self::file(folder, to))?;
        }
        let (from, to) = (Self::postgres_name(from), Self::postgres_name(to));
        self.administer(format!("CREATE DATABASE {to} TEMPLATE {from}")).await
    }

    /// Removes what was made on the server; files go with their folder.
    pub async fn drop_all(&self) -> Result<()> {
        let made = std::mem::take(&mut *self.made.lock().unwrap_or_else(std::sync::PoisonError::into_inner));
        for name in made {
            self.administer(format!("DROP DATABASE IF EXISTS {} WITH (FORCE)", Self::postgres_name(name))).await?;
        }
        Ok(())
    }

    pub async fn serve(&self, name: &str, set: &[&str]) -> Result<Daemon> {
        Daemon::start(&self.program, &self.address(name), set).await
    }

    pub async fn bare(&self, name: &str, connections: u32) -> Result<Bare> {
        match &self.server {
            Server::Files(folder) => {
                let connection = Connection::open(Self::file(folder, name))?;
                // As the daemon opens it.
                connection.execute_batch(
                    "PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; PRAGMA cache_size = -65536;",
                )?;
                let mode: String = connection.query_row("PRAGMA journal_mode", [], |row| row.get(0))?;
                if mode != "wal" {
                    return Err(format!("the daemon's journal mode is {mode}, not wal").into());
                }
                Ok(Bare::Sqlite(Mutex::new(connection)))
            }
            Server::Postgres { .. } => Ok(Bare::Postgres(self.pool(&self.address(name), connections).await?)),
        }
    }

    /// The numbers a query gives, one column.
    pub async fn numbers(&self, name: &str, sql: &'static str) -> Result<Vec<i64>> {
        match &self.server {
            Server::Files(folder) => {
                let connection = Connection::open(Self::file(folder, name))?;
                let mut query = connection.prepare(sql)?;
                let rows = query.query_map([], |row| row.get(0))?;
                Ok(rows.collect::<Result<_, _>>()?)
            }
            Server::Postgres { .. } => {
                let pool = self.pool(&self.address(name), 1).await?;
                let rows = sqlx::query(sql).fetch_all(&pool).await?;
                pool.close().await;
                Ok(rows.iter().map(|row| row.try_get(0)).collect::<Result<_, _>>()?)
            }
        }
    }

    /// Waits until the daemon has recomputed every car, so that it does nothing while its reference is measured.
    pub async fn settle(&self, name: &str) -> Result<()> {
        let start = Instant::now();
        while self.numbers(name, "SELECT count(*) FROM stale_cars").await? != [0] {
            if start.elapsed() > TO_SETTLE {
                return Err("the daemon did not recompute the cars in time".into());
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        Ok(())
    }

    /// Multiplies every car, its forecast and its order until there are `cars` in a database nobody uses.
    pub async fn multiply(&self, name: &str, cars: usize, to: usize) -> Result<()> {
        let copies = to / cars - 1;
        for text in [COPY_VEHICLES, COPY_FORECASTS, COPY_ORDERS] {
            let sql = text.replace("{copies}", &copies.to_string()).replace("{spacing}", &SPACING.to_string());
            match &self.server {
                Server::Files(folder) => drop(Connection::open(Self::file(folder, name))?.execute(&sql, [])?),
                Server::Postgres { .. } => {
                    let pool = self.pool(&self.address(name), 1).await?;
                    sqlx::query(AssertSqlSafe(sql)).execute(&pool).await?;
                    pool.close().await;
                }
            }
        }
        if let Server::Postgres { .. } = &self.server {
            let pool = self.pool(&self.address(name), 1).await?;
            // As autovacuum would before long.
            sqlx::query("VACUUM ANALYZE").execute(&pool).await?;
            pool.close().await;
        }
        Ok(())
    }

    pub async fn version(&self) -> Result<String> {
        match &self.server {
            Server::Files(_) => Ok(format!("SQLite {}", rusqlite::version())),
            Server::Postgres { address, .. } => {
                let pool = self.pool(&format!("{address}/postgres"), 1).await?;
                let version: String = sqlx::query_scalar("SHOW server_version").fetch_one(&pool).await?;
                pool.close().await;
                Ok(format!("PostgreSQL {}", version.split(' ').next().unwrap_or_default()))
            }
        }
    }
}
