//! The reference for writing: the bare engine, with the same table, keys and durability.

use std::sync::{Mutex, PoisonError};
use std::thread;

use rusqlite::Connection;
use sqlx::PgPool;
use tokio::task::JoinSet;

use crate::fleet::Reading;
use crate::{Fault, Result};

/// A connection to a database that nobody else writes to.
pub enum Bare {
    Sqlite(Mutex<Connection>),
    Postgres(PgPool),
}

const SQLITE: &str = "INSERT INTO odometer_readings (vehicle_id, at_us, source_id, metres, received_us, revision)
    VALUES (?, ?, ?, ?, ?, 0)";
const POSTGRES: &str = "INSERT INTO odometer_readings (vehicle_id, at_us, source_id, metres, received_us, revision)
    VALUES ($1, $2, $3, $4, $5, 0)";
const COPY: &str = "COPY odometer_readings (vehicle_id, at_us, source_id, metres, received_us, revision) FROM STDIN";

impl Bare {
    /// All rows in one transaction, in the order of their key, by one prepared statement or COPY.
    pub async fn bulk(&self, mut rows: Vec<Reading>) -> Result<()> {
        rows.sort_unstable_by_key(|row| (row.vehicle_id, row.at_us));
        match self {
            Self::Sqlite(connection) => tokio::task::block_in_place(|| {
                let mut connection = connection.lock().unwrap_or_else(PoisonError::into_inner);
                let transaction = connection.transaction()?;
                let mut insert = transaction.prepare_cached(SQLITE)?;
                for row in &rows {
                    insert.execute(row.values())?;
                }
                drop(insert);
                Ok(transaction.commit()?)
            }),
            Self::Postgres(pool) => {
                let mut text = String::with_capacity(rows.len() * 64);
                for row in &rows {
                    let [vehicle, at, source, metres, received] = row.values();
                    text.push_str(&format!("{vehicle}\t{at}\t{source}\t{metres}\t{received}\t0\n"));
                }
                let mut connection = pool.acquire().await?;
                let mut copy = connection.copy_in_raw(COPY).await?;
                copy.send(text.as_bytes()).await?;
                copy.finish().await?;
                Ok(())
            }
        }
    }

    /// Every row a transaction of its own; each of the lists is one client's.
    pub async fn singles(&self, clients: Vec<Vec<Reading>>) -> Result<()> {
        match self {
            Self::Sqlite(connection) => tokio::task::block_in_place(|| {
                thread::scope(|scope| {
                    let insert = |rows: Vec<Reading>| {
                        for row in rows {
                            let connection = connection.lock().unwrap_or_else(PoisonError::into_inner);
                            connection.prepare_cached(SQLITE)?.execute(row.values())?;
                        }
                        Ok::<_, Fault>(())
                    };
                    let threads: Vec<_> = clients.into_iter().map(|rows| scope.spawn(move || insert(rows))).collect();
                    threads.into_iter().try_for_each(|thread| thread.join().map_err(|_| "a client panicked")?)
                })
            }),
            Self::Postgres(pool) => {
                let mut tasks = JoinSet::new();
                for rows in clients {
                    let mut connection = pool.acquire().await?;
                    tasks.spawn(async move {
                        for row in rows {
                            let [vehicle, at, source, metres, received] = row.values();
                            let insert = sqlx::query(POSTGRES).bind(vehicle).bind(at).bind(source).bind(metres);
                            insert.bind(received).execute(&mut *connection).await?;
                        }
                        Ok::<_, Fault>(())
                    });
                }
                while let Some(done) = tasks.join_next().await {
                    done??;
                }
                Ok(())
            }
        }
    }
}
