//! Migrations: embedded as they stand in their folders, and alike on both databases.

use std::collections::BTreeMap;
use std::path::Path;

use sqlx::Connection;
use ventmile::store::{Store, migration_files};

use crate::common::{Database, Engine};

fn root() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../.."))
}

#[test]
fn both_folders_hold_what_is_embedded() {
    for engine in ["sqlite", "postgres"] {
        let folder = root().join("migrations").join(engine);
        let mut files: Vec<String> =
            std::fs::read_dir(folder).unwrap().map(|file| file.unwrap().file_name().into_string().unwrap()).collect();
        files.sort();
        assert_eq!(files, migration_files(), "{engine}");
    }
}

/// Table and column, and whether it may be null.
type Columns = BTreeMap<(String, String), bool>;

async fn sqlite_columns(address: &str) -> Columns {
    let path = address.strip_prefix("sqlite:").unwrap();
    let mut connection = sqlx::SqliteConnection::connect(path).await.unwrap();
    let rows: Vec<(String, String, bool, i64)> = sqlx::query_as(
        "SELECT t.name, c.name, c.\"notnull\", c.pk FROM sqlite_schema t JOIN pragma_table_info(t.name) c
        WHERE t.type = 'table' AND t.name NOT LIKE 'sqlite%' AND t.name NOT LIKE '\\_sqlx%' ESCAPE '\\'",
    )
    .fetch_all(&mut connection)
    .await
    .unwrap();
    rows.into_iter().map(|(table, column, filled, key)| ((table, column), !filled && key == 0)).collect()
}

async fn postgres_columns(address: &str) -> Columns {
    let mut connection = sqlx::PgConnection::connect(address).await.unwrap();
    let rows: Vec<(String, String, String)> = sqlx::query_as(
        "SELECT table_name::text, column_name::text, is_nullable::text FROM information_schema.columns
        WHERE table_schema = 'public' AND table_name NOT LIKE '\\_sqlx%'",
    )
    .fetch_all(&mut connection)
    .await
    .unwrap();
    rows.into_iter().map(|(table, column, nullable)| ((table, column), nullable == "YES")).collect()
}

#[tokio::test]
async fn tables_columns_and_nullability_are_the_same() {
    let (one, other) = (Database::new(Engine::Sqlite).await, Database::new(Engine::Postgres).await);
    for database in [&one, &other] {
        let store = Store::open(&database.address(), 1).await.unwrap();
        store.close().await;
        // A second start finds nothing to do.
        Store::open(&database.address(), 1).await.unwrap().close().await;
    }
    let (one, other) = (sqlite_columns(&one.address()).await, postgres_columns(&other.address()).await);
    assert!(one.len() > 100, "{}", one.len());
    assert_eq!(one, other);
}

/// `serve` and `key new` may be the first two on a new file, and begin at the same moment.
#[tokio::test]
async fn two_may_open_a_new_database_at_once() {
    for engine in [Engine::Sqlite, Engine::Postgres] {
        for _ in 0..10 {
            let database = Database::new(engine).await;
            let address = database.address();
            let open = async || Store::open(&address, 1).await.map(drop).map_err(|fault| fault.to_string());
            let (one, other) = tokio::join!(open(), open());
            assert_eq!((one, other), (Ok(()), Ok(())), "{engine:?}");
        }
    }
}
