//! A whole database moved between SQLite and Postgres, both ways.

use std::collections::BTreeMap;
use std::time::Duration;

use axum::http::Method;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, Connection, Executor, PgConnection, SqliteConnection};
use ventmile::config::Secret;
use ventmile::store::{Store, TableSum};
use ventmile::upkeep::move_database;

use crate::common::{Client, Database, Engine, TestApp, car, dates, duty, ordinary_car, post};
use crate::parts::{done, pack_in_stock, ready};
use crate::work::{Shop, shop};

async fn moved(from: &Database, to: &Database) -> Result<Vec<TableSum>, String> {
    let (from, to) = (Secret(from.address()), Secret(to.address()));
    move_database(&from, &to, &mut |_, over, all| assert!(over <= all)).await.map_err(|fault| fault.to_string())
}

async fn prepared(engine: Engine) -> Database {
    let database = Database::new(engine).await;
    Store::open(&database.address(), 1).await.unwrap().close().await;
    database
}

async fn run(database: &Database, sql: String) {
    let address = database.address();
    match address.strip_prefix("sqlite:") {
        Some(path) => {
            let mut connection = SqliteConnection::connect(path).await.unwrap();
            connection.execute(AssertSqlSafe(sql)).await.unwrap();
            connection.close().await.unwrap();
        }
        None => {
            let mut connection = PgConnection::connect(&address).await.unwrap();
            connection.execute(AssertSqlSafe(sql)).await.unwrap();
            connection.close().await.unwrap();
        }
    }
}

/// Tables with their columns and types, as the catalogue of SQLite has them; asked for here by other means than the
/// store does.
async fn tables() -> BTreeMap<String, Vec<(String, String, bool)>> {
    let database = prepared(Engine::Sqlite).await;
    let address = database.address();
    let mut connection = SqliteConnection::connect(address.strip_prefix("sqlite:").unwrap()).await.unwrap();
    let rows: Vec<(String, String, String, bool)> = sqlx::query_as(
        "SELECT m.tbl_name, c.name, c.type, c.\"notnull\" OR c.pk > 0 FROM sqlite_master m, pragma_table_info(m.tbl_name) c
        WHERE m.type = 'table' AND m.name NOT GLOB 'sqlite*' AND m.name <> '_sqlx_migrations'",
    )
    .fetch_all(&mut connection)
    .await
    .unwrap();
    let mut tables: BTreeMap<String, Vec<_>> = BTreeMap::new();
    for (table, column, kind, filled) in rows {
        tables.entry(table).or_default().push((column, kind, filled));
    }
    assert!(tables.len() > 30, "{}", tables.len());
    tables
}

const ROWS: std::ops::Range<i64> = 11..14;

/// Puts rows into every table: numbers that are found where they refer to, awkward texts and reals, nulls where allowed.
async fn fill(database: &Database, engine: Engine) {
    let mut sql = match engine {
        Engine::Sqlite => "PRAGMA foreign_keys = OFF; BEGIN;\n".to_owned(),
        Engine::Postgres => "BEGIN; SET LOCAL session_replication_role = replica;\n".to_owned(),
    };
    for (table, columns) in tables().await {
        for row in ROWS {
            let values: Vec<String> = columns
                .iter()
                .map(|(column, kind, filled)| match kind.as_str() {
                    _ if !filled && row == 12 => "NULL".to_owned(),
                    "INTEGER" if row == 13 && column.ends_with("_us") => format!("{}", i64::MAX - 13),
                    "INTEGER" => row.to_string(),
                    "REAL" => ["0.1", "-0.0", "1e300"][(row - 11) as usize].to_owned(),
                    "BLOB" if engine == Engine::Sqlite => format!("X'00FF{row}'"),
                    "BLOB" => format!("'\\x00FF{row}'"),
                    "TEXT" => format!("'{column} {row} ''\"\\ \n\t Ünïcödé ☃ 💡'"),
                    other => panic!("{table}.{column} is {other}"),
                })
                .collect();
            let names: Vec<String> = columns.iter().map(|(column, ..)| format!("\"{column}\"")).collect();
            sql += &format!("INSERT INTO {table} ({}) VALUES ({});\n", names.join(", "), values.join(", "));
        }
    }
    run(database, sql + "COMMIT;").await;
}

/// Everything in a database as text, table by table.
async fn contents(database: &Database) -> BTreeMap<String, Vec<String>> {
    let address = database.address();
    let mut all = BTreeMap::new();
    for (table, columns) in tables().await {
        let (number, bytes) = if address.starts_with("sqlite:") {
            ("CASE WHEN {} IS NOT NULL THEN printf('%.17g', {}) END", "lower(hex({}))")
        } else {
            ("CAST({} + 0.0 AS text)", "encode({}, 'hex')")
        };
        let texts: Vec<String> = columns
            .iter()
            .map(|(column, kind, _)| match kind.as_str() {
                "REAL" => format!("coalesce({}, 'null')", number.replace("{}", &format!("\"{column}\""))),
                "BLOB" => format!("coalesce({}, 'null')", bytes.replace("{}", &format!("\"{column}\""))),
                _ => format!("coalesce(CAST(\"{column}\" AS text), 'null')"),
            })
            .collect();
        let sql = format!("SELECT {} FROM {table}", texts.join(" || '|' || "));
        let mut rows: Vec<String> = match address.strip_prefix("sqlite:") {
            Some(path) => {
                let mut connection = SqliteConnection::connect(path).await.unwrap();
                sqlx::query_scalar(AssertSqlSafe(sql)).fetch_all(&mut connection).await.unwrap()
            }
            None => {
                let mut connection = PgConnection::connect(&address).await.unwrap();
                sqlx::query_scalar(AssertSqlSafe(sql)).fetch_all(&mut connection).await.unwrap()
            }
        };
        // The two write real numbers each in its own way.
        for row in &mut rows {
            let real = |cell: &str| cell.parse::<i64>().is_err().then(|| cell.parse::<f64>().ok()).flatten();
            let cells = row.split('|').map(|cell| real(cell).map_or(cell.to_owned(), |real| format!("{real:?}")));
            *row = cells.collect::<Vec<_>>().join("|");
        }
        rows.sort();
        all.insert(table, rows);
    }
    all
}

fn number(row: &str) -> i64 {
    row.split('|').next().unwrap().parse().unwrap()
}

async fn every_table_comes_over_whole(engine: Engine) {
    for to in [Engine::Sqlite, Engine::Postgres] {
        let (source, target) = (prepared(engine).await, Database::new(to).await);
        fill(&source, engine).await;
        // The last event was forgotten: its number never comes again.
        let forget = match engine {
            Engine::Sqlite => {
                "INSERT INTO events (id, at_us, event_type, subject, data) VALUES (20, 1, 'x', 'x', '{}');
                DELETE FROM events WHERE id = 20"
            }
            Engine::Postgres => "SELECT setval(pg_get_serial_sequence('events', 'id'), 20)",
        };
        run(&source, forget.to_owned()).await;
        let sums = moved(&source, &target).await.unwrap();
        let found: BTreeMap<&str, u64> = sums.iter().map(|sum| (sum.table.as_str(), sum.rows)).collect();
        for table in tables().await.keys() {
            let seeded = u64::from(table == "service_rules");
            assert_eq!(found.get(table.as_str()), Some(&(3 + seeded)), "{table} to {to:?}");
        }
        let (before, after) = (contents(&source).await, contents(&target).await);
        for (table, rows) in &before {
            assert!(rows.len() >= 3, "{table}");
            assert_eq!(rows, &after[table], "{table} from {engine:?} to {to:?}");
        }
        // Numbers go on after those that came along.
        let car =
            "INSERT INTO vehicles (unit, depot_id, vehicle_type, distance_unit, in_service_day, version, created_us,
            changed_us) VALUES ('new', 11, 'car', 'mi', 1, 1, 1, 1)";
        run(&target, car.to_owned()).await;
        assert!(contents(&target).await["vehicles"].iter().any(|row| row.starts_with("14|new|")), "to {to:?}");
        run(&target, "INSERT INTO events (at_us, event_type, subject, data) VALUES (1, 'x', 'x', '{}')".to_owned())
            .await;
        let next = contents(&target).await["events"].iter().map(|row| number(row)).max().unwrap();
        assert_eq!(next, 21, "from {engine:?} to {to:?}");
        // The other way there is something in the way now.
        let fault = moved(&source, &target).await.unwrap_err();
        assert!(fault.starts_with("the target is not empty: "), "{fault}");
    }
}

async fn what_cannot_be_moved_is_named(engine: Engine) {
    let source = prepared(engine).await;
    let fault = moved(&source, &source).await.unwrap_err();
    assert!(fault.ends_with("cannot be moved to itself"), "{fault}");
    let target = Database::new(Engine::Sqlite).await;

    // Whoever serves either database keeps it from being moved.
    let user = Store::open(&source.address(), 1).await.unwrap();
    if engine == Engine::Postgres {
        let fault = moved(&source, &target).await.unwrap_err();
        assert!(fault.contains("another ventmile uses this Postgres database"), "{fault}");
        let fault = moved(&target, &source).await.unwrap_err();
        assert!(fault.contains("there is no such database"), "{fault}");
    } else {
        let path = source.address().strip_prefix("sqlite:").unwrap().to_owned();
        let _lock = ventmile::serve::lock(std::path::Path::new(&path)).unwrap();
        let fault = moved(&source, &target).await.unwrap_err();
        assert!(fault.contains("another ventmile serves"), "{fault}");
    }
    user.close().await;

    run(&source, "DELETE FROM _sqlx_migrations WHERE version = (SELECT max(version) FROM _sqlx_migrations)".to_owned())
        .await;
    let fault = moved(&source, &target).await.unwrap_err();
    assert!(fault.contains("serve it once with this program first"), "{fault}");
}

async fn nothing_is_left_of_a_move_that_fails(engine: Engine) {
    let source = prepared(Engine::Sqlite).await;
    fill(&source, Engine::Sqlite).await;
    let target = prepared(engine).await;
    let empty = contents(&target).await;
    // Something in the target changes what is written.
    let meddle = match engine {
        Engine::Sqlite => {
            "CREATE TRIGGER meddle AFTER INSERT ON work_overrides WHEN new.id = 12
            BEGIN UPDATE work_overrides SET reason = 'y' WHERE id = 12; END"
        }
        Engine::Postgres => {
            "CREATE FUNCTION meddle() RETURNS trigger LANGUAGE plpgsql AS
            $$ BEGIN IF new.id = 12 THEN new.reason := 'y'; END IF; RETURN new; END $$;
            CREATE TRIGGER meddle BEFORE INSERT ON work_overrides FOR EACH ROW EXECUTE FUNCTION meddle()"
        }
    };
    run(&target, meddle.to_owned()).await;
    let fault = moved(&source, &target).await.unwrap_err();
    assert!(fault.starts_with("work_overrides came out otherwise: 3 rows with the sum "), "{fault}");
    assert_eq!(contents(&target).await, empty);
}

#[tokio::test]
async fn what_postgres_cannot_hold_leaves_nothing_behind() {
    let source = prepared(Engine::Sqlite).await;
    fill(&source, Engine::Sqlite).await;
    run(&source, "UPDATE work_orders SET note = 'a' || char(0) WHERE id = 11".to_owned()).await;
    let target = prepared(Engine::Postgres).await;
    let empty = contents(&target).await;
    let fault = moved(&source, &target).await.unwrap_err();
    assert!(fault.starts_with("database: "), "{fault}");
    assert_eq!(contents(&target).await, empty);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_comes_to_a_postgres_database_that_is_being_moved() {
    let database = prepared(Engine::Postgres).await;
    let alone = Store::open_alone(&database.address()).await.unwrap();
    let address = database.address();
    let comes = async { Store::open(&address, 1).await.unwrap().ping().await };
    let mut comes = std::pin::pin!(comes);
    assert!(tokio::time::timeout(Duration::from_millis(500), &mut comes).await.is_err(), "it waits");
    alone.close().await;
    tokio::time::timeout(Duration::from_secs(20), comes).await.unwrap().unwrap();
}

/// A shop in full swing: cars with logs, orders done, under way and open, packs swapped, parts, reports, plans.
pub async fn busy(engine: Engine) -> (Shop, String) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    ordinary_car(boss, "31", "WEST").await;
    ordinary_car(boss, "32", "NORTH").await;
    // Long enough ago for a book of old rows.
    post(boss, "duty-logs", duty("32", dates("2025-11-20", "2025-11-20"), 8.0)).await;
    pack_in_stock(boss, 24).await;
    let replaced = ready(&shop, "7").await;
    let told = json!({
        "removed_because": "failed", "hours": 2.5, "cost_cents": 210_000, "parts": [{"number": "PK-14", "quantity": 1}],
    });
    boss.act(&replaced, "complete", done(told)).await.expect(200);
    let receipt = json!({"depot": "NORTH", "quantity": 3});
    boss.send("/v1/parts/PK-14/receipts", receipt).await.expect(201);
    let expected = json!({"depot": "NORTH", "quantity": 2, "expected_on": "2026-04-20"});
    boss.send("/v1/parts/PK-14/receipts", expected).await.expect(201);
    let check = json!({
        "unit": "31", "at": "2026-03-10T12:00:00Z", "block_volts": [15.1, 15.2, 15.0, 14.6], "current_a": 30.0,
        "charge_pct": 55.0, "pack_c": 31.5, "cabin_c": 22.0, "fan_stage": 2,
    });
    post(boss, "pack-checks", check).await;
    let old = json!({
        "unit": "31", "serial": "O-31", "type": "P-14", "installed_at": "2025-01-01T06:00:00Z", "odometer": 10,
        "distance_unit": "mi", "original": true,
    });
    post(boss, "packs", old).await;
    let code = json!({"unit": "31", "at": "2026-03-12T12:00:00Z", "code": "P0A80-00", "state": "confirmed"});
    post(boss, "trouble-codes", code).await;
    let fan = json!({"unit": "32", "kind": "fan-service", "reason": "dust"});
    let fan = boss.send("/v1/work-orders", fan).await.expect(201);
    let fan = fan["number"].as_str().unwrap();
    boss.act(fan, "start", json!({"by": "lee"})).await.expect(200);
    let fan_done = json!({"outcome": "serviced", "odometer": 41_000, "distance_unit": "mi", "by": "lee"});
    boss.act(fan, "complete", fan_done).await.expect(200);
    let noise = json!({"unit": "32", "symptom": "fan-noise", "told": "it howls", "by": "driver 31"});
    let report = boss.send("/v1/driver-reports", noise).await.expect(201);
    let number = report["work_order"].as_str().unwrap();
    let plan = json!({"on": "2026-03-20", "start": "09:00", "minutes": 120, "bay": 1});
    boss.act(number, "plan", plan).await.expect(200);
    boss.act(number, "accept", json!({"by": "lee"})).await.expect(200);
    boss.send("/v1/release-windows", json!({"unit": "32", "from": "2026-03-20", "to": "2026-03-22"})).await.expect(201);
    car(boss, "33", "NORTH").await;
    boss.send("/v1/breakdowns", json!({"unit": "33", "told": "stands", "by": "driver 2"})).await.expect(201);
    boss.send("/v1/calendars", json!({"depot": "NORTH", "name": "wall"})).await.expect(201);
    shop.app.settle().await;
    // What the packs say together is learnt, and every forecast rests on it.
    shop.app.app.learn_life_when_due().await.unwrap();
    shop.app.settle().await;
    (shop, replaced)
}

/// What the interface answers to every plain question of its document, and to the main ones about one thing.
async fn answers(boss: &Client, order: &str) -> BTreeMap<String, Value> {
    let document: Value = serde_json::from_str(include_str!("../openapi/ventmile.json")).unwrap();
    let paths = document["paths"].as_object().unwrap();
    let plain =
        paths.iter().filter(|(path, it)| it.get("get").is_some() && path.starts_with("/v1/") && !path.contains('{'));
    let mut asked: Vec<String> = plain.map(|(path, _)| path.clone()).collect();
    // A stream has no end.
    asked.retain(|path| path != "/v1/events");
    for log in ["odometer-readings", "duty-logs", "seat-logs", "pack-checks", "trouble-codes", "past-services"] {
        asked.retain(|path| path != &format!("/v1/{log}"));
        asked.push(format!("/v1/{log}?unit=31"));
    }
    asked.push("/v1/packs?with_removed=true".to_owned());
    asked.push("/v1/day-lists/2026-03-20?depot=NORTH".to_owned());
    asked.push(format!("/v1/work-orders/{order}"));
    asked.push(format!("/v1/work-orders/{order}/steps"));
    for unit in ["7", "31", "32", "33"] {
        for what in ["", "/forecast", "/duty-days", "/off-road"] {
            asked.push(format!("/v1/vehicles/{unit}{what}"));
        }
    }
    asked.push("/v1/vehicles/31/pack".to_owned());
    let mut found = BTreeMap::new();
    for path in asked {
        let mut reply = boss.call(Method::GET, &path).send().await;
        if reply.status == 422 || reply.status == 400 {
            let with_days = format!("{path}?from=2026-01-01&to=2026-03-18");
            reply = boss.call(Method::GET, &with_days).send().await;
        }
        assert_eq!(reply.status, 200, "{path}: {}", reply.text);
        let mut value = reply.json();
        // Each process learns the curve by itself.
        if path == "/v1/life-curve" {
            assert!(value.as_object_mut().unwrap().remove("made_at").is_some());
        }
        found.insert(path, value);
    }
    found
}

async fn a_moved_database_answers_the_same(engine: Engine) {
    let (shop, order) = busy(engine).await;
    let other = if engine == Engine::Sqlite { Engine::Postgres } else { Engine::Sqlite };
    let before = answers(&shop.boss, &order).await;
    let (from, now) = (shop.app.database.address(), shop.app.app.now());
    shop.app.app.store.close().await;
    let target = Database::new(other).await;
    let nobody = |_: &str, _, _| {};
    let sums = move_database(&Secret(from), &Secret(target.address()), &mut { nobody }).await.unwrap();
    let there = TestApp::on(target, &[]).await;
    there.clock.set(now);
    let boss = shop.boss.at(&there);
    let after = answers(&boss, &order).await;
    assert!(before.len() > 40, "{}", before.len());
    for (path, answer) in &before {
        assert_eq!(answer, &after[path], "{path}");
    }
    assert_eq!(there.app.store.sums().await.unwrap(), sums);
    let check = there.app.store.check_journal(None).await.unwrap();
    assert!(check.faults.is_empty() && check.lines > 30, "{check:?}");
    // It goes on: the next order has the next number.
    let raised = json!({"unit": "7", "kind": "fan-service", "reason": "after the move"});
    let next = boss.send("/v1/work-orders", raised).await.expect(201);
    let highest = before["/v1/work-orders"]["items"].as_array().unwrap();
    let highest = highest.iter().map(|order| order["number"].as_str().unwrap().to_owned()).max().unwrap();
    let number = |text: &str| text.trim_start_matches("WO-").parse::<u32>().unwrap();
    assert!(number(next["number"].as_str().unwrap()) > number(&highest), "{next} after {highest}");
}

crate::on_both!(
    every_table_comes_over_whole,
    what_cannot_be_moved_is_named,
    nothing_is_left_of_a_move_that_fails,
    a_moved_database_answers_the_same,
);
