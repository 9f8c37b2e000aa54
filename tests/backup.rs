//! Backups of a SQLite database, and how one is put back.

use std::path::{Path, PathBuf};

use sqlx::{Connection, Executor, SqliteConnection};
use ventmile::clock::Clock;
use ventmile::config::{Config, Settings};
use ventmile::serve::Server;
use ventmile::store::{Claim, Store, VehicleFilter};
use ventmile::upkeep::{back_up, put_back};

use crate::common::{Client, Database, Engine, TestApp, car, month_of_readings, post, two_depots};

fn settings(address: &str) -> Settings {
    let flags = [("database".to_owned(), address.to_owned()), ("listen".to_owned(), "127.0.0.1:0".to_owned())];
    Config::load(None, Vec::new(), &flags).unwrap().settings
}

/// A small fleet, a copy of it, and a folder to work in.
async fn copied() -> (TestApp, Client, tempfile::TempDir, PathBuf) {
    let (app, manager) = TestApp::new(Engine::Sqlite).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    post(&manager, "odometer-readings", month_of_readings("7", 5_000.0, 100.0)).await;
    app.settle().await;
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join("copy.db");
    app.app.store.backup(&copy).await.unwrap();
    (app, manager, folder, copy)
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        std::fs::read_dir(folder).unwrap().map(|file| file.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

async fn change(file: &Path, sql: &str) {
    let mut connection = SqliteConnection::connect(file.to_str().unwrap()).await.unwrap();
    connection.execute(sqlx::AssertSqlSafe(sql.to_owned())).await.unwrap();
    connection.close().await.unwrap();
}

#[tokio::test]
async fn a_backup_opens_and_holds_the_same_rows() {
    let (app, _manager, folder, target) = copied().await;
    let fault = app.app.store.backup(&target).await.unwrap_err();
    assert!(fault.to_string().contains("is there already"), "it writes over nothing: {fault}");
    assert_eq!(names(folder.path()), ["copy.db"], "nothing half is left");
    let copy = Store::open(&format!("sqlite:{}", target.display()), 1).await.unwrap();
    let all = VehicleFilter { limit: 100, ..VehicleFilter::default() };
    let cars = (app.app.store.vehicles(&all).await.unwrap(), copy.vehicles(&all).await.unwrap());
    assert_eq!((format!("{:?}", cars.0), cars.0.len()), (format!("{:?}", cars.1), 1));
    let logs = (
        app.app.store.car_logs(&[Claim::unclaimed(cars.0[0].id)]).await.unwrap(),
        copy.car_logs(&[Claim::unclaimed(cars.1[0].id)]).await.unwrap(),
    );
    assert_eq!((format!("{:?}", logs.0), logs.0[0].readings.len()), (format!("{:?}", logs.1), 30));
    let journal =
        (app.app.store.journal_lines(0, None, 100).await.unwrap(), copy.journal_lines(0, None, 100).await.unwrap());
    assert_eq!(format!("{:?}", journal.0), format!("{:?}", journal.1));
    copy.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn copies_made_under_load_are_of_one_moment() {
    let (app, manager, folder, _) = copied().await;
    let writing = tokio::spawn({
        let manager = manager.clone();
        async move {
            for number in 0..60 {
                car(&manager, &format!("N{number}"), "WEST").await;
            }
        }
    });
    let mut seen = Vec::new();
    while !writing.is_finished() {
        let target = folder.path().join(format!("{}.db", seen.len()));
        app.app.store.backup(&target).await.unwrap();
        let mut copy = SqliteConnection::connect(target.to_str().unwrap()).await.unwrap();
        // One transaction writes the car, its number, its stay and its journal line.
        let counts: (i64, i64, i64, i64) = sqlx::query_as(
            "SELECT (SELECT count(*) FROM vehicles), (SELECT count(*) FROM unit_numbers), (SELECT count(*) FROM stays),
                (SELECT count(*) FROM journal WHERE action = 'vehicle add')",
        )
        .fetch_one(&mut copy)
        .await
        .unwrap();
        assert!([counts.1, counts.2, counts.3].iter().all(|count| *count == counts.0), "{counts:?}");
        seen.push(counts.0);
    }
    writing.await.unwrap();
    assert!(seen.len() > 1, "{seen:?}");
}

#[tokio::test]
async fn a_database_that_is_not_sound_makes_no_copy() {
    let (app, _manager, folder, _) = copied().await;
    change(
        app.app.store.file().unwrap(),
        "DROP TRIGGER journal_is_never_changed; UPDATE journal SET actor = 'x' WHERE id = 2",
    )
    .await;
    let fault = app.app.store.backup(&folder.path().join("bad.db")).await.unwrap_err();
    assert_eq!(fault.to_string(), "the copy is not sound: journal line 2: it was changed");
    assert_eq!(names(folder.path()), ["copy.db"]);
}

#[tokio::test]
async fn a_copy_is_put_back() {
    let (app, manager, folder, copy) = copied().await;
    let now = app.clock.now();
    let target = folder.path().join("fleet.db");
    let settings = settings(&format!("sqlite:{}", target.display()));
    let says = put_back(&settings, &copy, false, now).await.unwrap();
    assert!(says.contains("journal lines, the last with the hash"), "{says}");
    assert_eq!(std::fs::read(&copy).unwrap(), std::fs::read(&target).unwrap());

    // A day later the fleet has grown; the copy comes back, and what stood there is kept.
    let server = Server::prepare(settings.clone()).await.unwrap();
    let fault = put_back(&settings, &copy, true, now).await.unwrap_err();
    assert!(fault.to_string().contains("another ventmile serves"), "{fault}");
    let writing = ventmile::store::Writing { actor: ventmile::store::Actor::internal("test"), now, once: None };
    let retired =
        server.app.store.retire_vehicle("7", ventmile::store::IfMatch::Any, now.date_naive(), "sold", &writing, |_| {
            ventmile::store::Answer { status: 200, etag: None, body: String::new() }
        });
    retired.await.unwrap();
    server.app.store.close().await;
    drop(server);
    let fault = put_back(&settings, &copy, false, now).await.unwrap_err();
    assert!(fault.to_string().contains("is there already: with --replace it is moved aside"), "{fault}");
    let says = put_back(&settings, &copy, true, now).await.unwrap();
    let aside = folder.path().join(format!("fleet.db.replaced-{}", now.format("%Y%m%dT%H%M%SZ")));
    assert!(says.contains(&aside.display().to_string()), "{says}");
    for (file, retired) in [(&target, 0_i64), (&aside, 1)] {
        let mut connection = SqliteConnection::connect(file.to_str().unwrap()).await.unwrap();
        let count: i64 = sqlx::query_scalar("SELECT count(*) FROM vehicles WHERE retired_day IS NOT NULL")
            .fetch_one(&mut connection)
            .await
            .unwrap();
        assert_eq!(count, retired, "{}", file.display());
    }

    // It serves again.
    let server = Server::prepare(settings).await.unwrap();
    assert!(server.app.store.find_vehicle("7").await.unwrap().is_some());
    drop(manager);
}

#[tokio::test]
async fn what_is_no_sound_backup_is_not_put_back() {
    let (app, _manager, folder, copy) = copied().await;
    let target = folder.path().join("fleet.db");
    let settings = settings(&format!("sqlite:{}", target.display()));
    let bad = folder.path().join("bad.db");
    let cases: [(&str, &str); 5] = [
        ("DROP TRIGGER journal_is_never_changed; UPDATE journal SET after = '{}' WHERE id = 3", "journal line 3"),
        ("DROP TRIGGER journal_is_never_deleted; DELETE FROM journal WHERE id = 2", "lines are missing"),
        ("INSERT INTO _sqlx_migrations VALUES (9999, 'later', '2030-01-01', TRUE, x'00', 0)", "use a newer one"),
        ("UPDATE _sqlx_migrations SET checksum = x'00' WHERE version = 3", "its migration 3 is not this program's"),
        ("DROP TABLE _sqlx_migrations", "it holds no Ventmile database"),
    ];
    for (sql, says) in cases {
        std::fs::copy(&copy, &bad).unwrap();
        change(&bad, sql).await;
        let fault = put_back(&settings, &bad, false, app.clock.now()).await.unwrap_err().to_string();
        assert!(fault.contains(says), "{sql}: {fault}");
    }
    let whole = std::fs::read(&copy).unwrap();
    let mut flipped = whole.clone();
    let middle = whole.len() / 2;
    flipped[middle..middle + 4096].fill(0x5a);
    for (bytes, what) in
        [(&whole[..whole.len() / 2], "cut short"), (&flipped, "overwritten"), (b"not a database", "text")]
    {
        std::fs::write(&bad, bytes).unwrap();
        let fault = put_back(&settings, &bad, false, app.clock.now()).await.unwrap_err().to_string();
        assert!(fault.contains("the copy is not sound"), "{what}: {fault}");
    }
    std::fs::write(folder.path().join("copy.db-wal"), "x").unwrap();
    let fault = put_back(&settings, &copy, false, app.clock.now()).await.unwrap_err().to_string();
    assert!(fault.contains("-wal file beside it"), "{fault}");
    let fault = put_back(&settings, &folder.path().join("none.db"), false, app.clock.now()).await.unwrap_err();
    assert!(fault.to_string().ends_with("none.db: there is no such file"), "{fault}");
    assert!(!target.exists() && names(folder.path()).iter().all(|name| !name.contains("half")));
}

#[tokio::test]
async fn postgres_says_who_backs_it_up() {
    let database = Database::new(Engine::Postgres).await;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("copy.db");
    let fault = back_up(&settings(&database.address()), &file).await.unwrap_err();
    assert!(fault.to_string().contains("pg_dump"), "{fault}");
    let now = ventmile::clock::SystemClock.now();
    let fault = put_back(&settings(&database.address()), &file, false, now).await.unwrap_err();
    assert!(fault.to_string().contains("pg_restore"), "{fault}");
}
