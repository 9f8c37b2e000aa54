//! The deep check: every rule is broken on purpose, and each break is found and named.

use std::collections::BTreeSet;

use sqlx::{AssertSqlSafe, Connection, Executor, PgConnection, SqliteConnection};
use ventmile::store::{RuleCheck, Store};

use crate::common::{Database, Engine, postgres_server};
use crate::moving::busy;

/// The rule that is broken, what breaks it, what is told.
type Case = (&'static str, &'static str, &'static str);

const PAGES: &str = "pages and indexes";
const SEQUENCES: &str = "numbers handed out next";

/// A delivery that waits, of an event of its own to a webhook of its own.
macro_rules! delivery {
    () => {
        "INSERT INTO webhooks (id, url, types, secret, state, rests_until_us, added_by, version, created_us, changed_us)
            VALUES (901, 'x', '', 'x', 'active', 0, 'x', 1, 1, 1);
        INSERT INTO events (id, at_us, event_type, subject, data) VALUES (901, 1, 'car.stop', 'x', '{\"actor\":\"x\"}');
        INSERT INTO deliveries (id, webhook_id, event_id, state, attempts, due_us, claimed_until_us, created_us)
            VALUES (901, 901, 901, 'waiting', 0, 1, 0, 1);"
    };
}

/// Other shifts, told of car 7.
macro_rules! told {
    () => {
        "INSERT INTO plans (id, vehicle_id, from_day, to_day, days_per_week, told_by, version, created_us)
            SELECT 901, id, 5, 9, 5, 'x', 1, 1 FROM vehicles WHERE unit = '7';"
    };
}

/// A safety hold of car 31.
macro_rules! held {
    () => {
        "INSERT INTO off_road (id, vehicle_id, from_day, reason, safety_hold, release_by, created_us, stop_code)
            SELECT 901, id, 5, 'x', 1, '', 1, 'P0AA6' FROM vehicles WHERE unit = '31';"
    };
}

const CASES: &[Case] = &[
    ("tables, indexes and triggers", "DROP INDEX work_orders_open", "the index work_orders_open is missing"),
    ("tables, indexes and triggers", "ALTER TABLE keys DROP COLUMN expires_us", "keys.expires_us is missing"),
    ("rows referred to", "DELETE FROM sources", "rows of odometer_readings.source_id are not in sources"),
    ("journal", "UPDATE journal SET actor = 'x' WHERE id = 3", "line 3: it was changed"),
    ("journal", "DELETE FROM journal WHERE id = 3", "lines are missing"),
    ("journal and orders", "DELETE FROM work_orders WHERE id = 1", "WO-00001 is no longer there"),
    (
        "journal and orders",
        "INSERT INTO work_orders (id, vehicle_id, depot_id, kind, status, raised_by, reason, rank, due_day, version,
            created_us, changed_us) VALUES (99, 1, 1, 'x', 'cancelled', 'x', 'x', 2, 1, 1, 1, 1)",
        "no line tells of WO-00099",
    ),
    (
        "one open order a car and kind",
        "DROP INDEX work_orders_open; UPDATE work_orders SET status = 'needs-action', kind = 'fan-service', vehicle_id = 1",
        "open orders of the kind fan-service",
    ),
    ("order numbers", "UPDATE work_orders SET id = -1 WHERE id = 1", "order -1 of car 7 has no number"),
    (
        "order numbers",
        "DROP INDEX work_orders_by_reference; UPDATE work_orders SET external_ref = 'R-1', external_key_id = 1",
        "the reference R-1 stands on",
    ),
    ("status of orders", "UPDATE work_orders SET outcome = NULL WHERE id = 1", "order 1 of car 7 is completed without"),
    ("status of orders", "UPDATE work_orders SET done_metres = NULL WHERE id = 1", "serviced without an odometer"),
    ("status of orders", "UPDATE work_orders SET status = 'flying' WHERE id = 1", "order 1 of car 7 is flying"),
    (
        "status of orders",
        "UPDATE work_orders SET status = 'in-process', started_us = NULL WHERE status = 'needs-action'",
        "is in-process without a start or a holder",
    ),
    ("leases", "UPDATE work_orders SET lease_until_us = 5 WHERE id = 1", "is completed and has a lease"),
    ("pauses and plans", "UPDATE work_orders SET paused_us = 5 WHERE id = 1", "order 1 of car 7 is completed and has a pause"),
    ("pauses and plans", "UPDATE work_orders SET plan_day = NULL", "needs-action and has a pause or a plan"),
    (
        "procedures of orders",
        "UPDATE work_orders SET procedure_id = (SELECT id FROM procedures WHERE code = 'fan-service') WHERE id = 1",
        "is a pack-replacement with the procedure fan-service",
    ),
    ("services of orders", "DELETE FROM past_services WHERE kind = 'fan-service'", "and no past service says so"),
    ("services of orders", "UPDATE past_services SET kind = 'x' WHERE work_order_id IS NOT NULL", "of another kind"),
    (
        "services of orders",
        "INSERT INTO past_services (id, vehicle_id, kind, at_us, work_order_id, received_us, revision)
        SELECT 99, vehicle_id, kind, at_us + 1, work_order_id, 0, 0 FROM past_services WHERE work_order_id = 1",
        "has more than one past service",
    ),
    ("forecasts", "DELETE FROM forecasts", "car 7 has neither a forecast nor a mark"),
    ("forecasts", "UPDATE vehicles SET retired_day = 5 WHERE unit = '31'", "and is retired, or at another depot"),
    ("forecasts", "UPDATE duty_logs SET received_us = received_us + 86400000000", "car 31: its forecast of fan-service is older"),
    ("forecasts", "UPDATE pack_checks SET voided_us = received_us + 86400000000", "car 31: its forecast of fan-service is older"),
    ("forecasts", "UPDATE service_rules SET changed_us = 4000000000000000", "car 32: its forecast of fan-service is older"),
    ("unit numbers", "DELETE FROM unit_numbers WHERE unit = '7'", "car 7 is in service and does not hold its number"),
    (
        "unit numbers",
        "INSERT INTO unit_numbers SELECT unit, from_day + 1, from_day + 2, vehicle_id FROM unit_numbers WHERE unit = '7'",
        "the number 7 belongs to two cars at once",
    ),
    ("stays", "UPDATE stays SET depot_id = 1 WHERE depot_id = 2", "car 31 is not at the depot of its last stay"),
    ("packs", "UPDATE pack_lives SET removed_us = at_us - 1 WHERE serial = 'O-1'", "O-1 came out of car 7 before it went in"),
    ("packs", "UPDATE pack_lives SET removed_us = removed_us + 1 WHERE serial = 'O-1'", "the packs O-1 and N-1 in it at once"),
    ("packs", "UPDATE pack_lives SET serial = 'N-1' WHERE serial = 'O-31'", "pack N-1 is in 2 cars at once"),
    ("packs and cores of orders", "UPDATE cores SET voided_us = 5", "took out the pack O-1, and there is no core of it"),
    (
        "packs and cores of orders",
        "UPDATE pack_lives SET opened_by = (SELECT id FROM work_orders WHERE kind = 'fan-service' AND status = 'completed')
        WHERE serial = 'O-31'",
        "took out the pack O-31 or put it in",
    ),
    (
        "packs and cores of orders",
        "UPDATE cores SET vehicle_id = (SELECT id FROM vehicles WHERE unit = '31')",
        "has the core O-1, or it is another car's",
    ),
    ("kept answers", "UPDATE idempotency_keys SET status = NULL WHERE value LIKE 'k%'", "has no answer"),
    ("books of old rows", "UPDATE car_books SET row_count = row_count + 1", "the book of the car 32 has"),
    (
        "deliveries",
        concat!(delivery!(), "UPDATE deliveries SET state = 'flying'"),
        "event 901 to webhook 901 is flying, which is no state",
    ),
    ("deliveries", concat!(delivery!(), "UPDATE webhooks SET state = 'stopped'"), "is waiting, and the webhook is stopped"),
    (
        "deliveries",
        concat!(delivery!(), "UPDATE deliveries SET state = 'delivered', last_us = 5, last_status = 500"),
        "is delivered without a good answer",
    ),
    ("deliveries", concat!(delivery!(), "UPDATE deliveries SET state = 'dead'"), "is dead without a fault"),
    (
        "deliveries",
        concat!(
            delivery!(),
            "INSERT INTO webhooks (id, url, types, secret, state, rests_until_us, added_by, version, created_us, changed_us)
            VALUES (902, 'x', '', 'x', 'active', 0, 'x', 1, 1, 1); UPDATE events SET webhook_id = 902 WHERE id = 901"
        ),
        "event 901 is for webhook 902 alone and goes to 901",
    ),
    ("events", concat!(delivery!(), "UPDATE events SET data = '{}'"), "event 901 does not say what it tells"),
    ("events", "UPDATE outbox SET data = 'x'", "of the outbox does not say what it tells"),
    ("types of events", "UPDATE outbox SET event_type = 'car.flew'", "events of the type car.flew"),
    ("told plans", concat!(told!(), "UPDATE plans SET to_day = 4"), "plan 901 of car 7 ends before it begins"),
    ("told plans", concat!(told!(), "UPDATE plans SET done_us = 5"), "has taken effect and is no move"),
    ("told plans", concat!(told!(), "UPDATE plans SET depot_id = 1"), "is a move and tells of shifts"),
    (
        "told plans",
        concat!(told!(), "UPDATE plans SET depot_id = 1, days_per_week = NULL, done_us = 5, withdrawn_us = 6"),
        "has taken effect and was withdrawn",
    ),
    (
        "sessions",
        "INSERT INTO board_sessions (hash, key_id, created_us, expires_us) VALUES
            ('0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef', 1, 5, 5)",
        "ends before it began",
    ),
    ("sessions", "INSERT INTO board_sessions (hash, key_id, created_us, expires_us) VALUES ('s3cret', 1, 5, 6)", "not kept by a hash"),
    ("holds", concat!(held!(), "UPDATE off_road SET safety_hold = 0 WHERE id = 901"), "car 31 is stopped by P0AA6 without"),
    ("holds", "UPDATE off_road SET released_us = 5", "car 33 was brought back and is still off the road"),
    ("holds", "UPDATE off_road SET to_day = from_day - 2", "car 33 came back before it was off the road"),
    ("holds", concat!(held!(), "UPDATE off_road SET sound_us = 5 WHERE id = 901"), "car 31 is known to be sound, and not by what"),
    (
        "holds",
        concat!(
            held!(),
            "INSERT INTO off_road (id, vehicle_id, from_day, reason, safety_hold, release_by, created_us, stop_code)
            SELECT 902, vehicle_id, from_day, reason, safety_hold, release_by, created_us, stop_code FROM off_road WHERE id = 901"
        ),
        "car 31 is held twice for P0AA6",
    ),
    (
        "holds",
        "INSERT INTO trouble_codes (vehicle_id, at_us, code, source_id, state, received_us, revision)
        SELECT vehicle_id, 1, 'P0A7E-1F', source_id, 'confirmed', 2, 0 FROM trouble_codes",
        "car 31 is on the road with P0A7E-1F confirmed",
    ),
    ("stock is not below nothing", "UPDATE parts SET stock = -1", "part PK-14 at NORTH: -1"),
    ("stock is what came less what was used", "UPDATE parts SET stock = stock + 1", "5 stored, 4 by what came and went"),
    (
        "bays",
        "UPDATE work_orders SET depot_id = 1, plan_day = 20532, plan = (SELECT max(plan) FROM work_orders)
        WHERE status = 'needs-action'",
        "are in bay 1 at once",
    ),
    ("rows that can be read", "UPDATE depots SET zone = 'Mars/Base' WHERE id = 1", "depots.zone holds \"Mars/Base\""),
    ("rows that can be read", "UPDATE work_orders SET joined = 'x' WHERE id = 1", "an order: work_orders.joined holds"),
];

async fn check(database: &str) -> (bool, Vec<RuleCheck>) {
    let mut checks = Vec::new();
    let sound = Store::check_deep(database, |check| checks.push(check.clone())).await.unwrap();
    (sound, checks)
}

/// Copies of one database, each to be broken in its own way.
enum Copies {
    Sqlite { folder: tempfile::TempDir, made: usize },
    Postgres { from: String, made: usize },
}

impl Copies {
    /// A copy in which `sql` was run without the guards that keep the program from doing such a thing.
    async fn broken(&mut self, sql: &str) -> String {
        match self {
            Self::Sqlite { folder, made } => {
                *made += 1;
                let copy = folder.path().join(format!("{made}.db"));
                std::fs::copy(folder.path().join("0.db"), &copy).unwrap();
                let mut connection = SqliteConnection::connect(copy.to_str().unwrap()).await.unwrap();
                let guards = "PRAGMA foreign_keys = OFF; DROP TRIGGER journal_is_never_changed;
                    DROP TRIGGER journal_is_never_deleted;";
                connection.execute(AssertSqlSafe(format!("{guards} {sql}"))).await.unwrap();
                connection.close().await.unwrap();
                format!("sqlite:{}", copy.display())
            }
            Self::Postgres { from, made } => {
                *made += 1;
                let server = postgres_server();
                let copy = format!("{from}_{made}");
                let mut connection = PgConnection::connect(&format!("{server}/postgres")).await.unwrap();
                connection.execute(AssertSqlSafe(format!("CREATE DATABASE {copy} TEMPLATE {from}"))).await.unwrap();
                let mut connection = PgConnection::connect(&format!("{server}/{copy}")).await.unwrap();
                let guards = "SET session_replication_role = replica;";
                connection.execute(AssertSqlSafe(format!("{guards} {sql}"))).await.unwrap();
                connection.close().await.unwrap();
                format!("{server}/{copy}")
            }
        }
    }
}

async fn every_rule_that_is_broken_is_found(engine: Engine) {
    let (shop, _) = busy(engine).await;
    let address = shop.app.database.address();
    // The daemon goes on meanwhile.
    let (sound, checks) = check(&address).await;
    let broken: Vec<&RuleCheck> = checks.iter().filter(|check| !check.found.is_empty()).collect();
    assert!(sound && broken.is_empty(), "{broken:?}");
    let folder = tempfile::tempdir().unwrap();
    let (mut copies, own): (_, &[Case]) = match &shop.app.database {
        Database::Sqlite { .. } => {
            shop.app.app.store.backup(&folder.path().join("0.db")).await.unwrap();
            let own: &[Case] = &[
                ("tables, indexes and triggers", "SELECT 1", "the trigger journal_is_never_changed is missing"),
                (
                    SEQUENCES,
                    "INSERT INTO events (id, at_us, event_type, subject, data) VALUES (900, 1, 'x', 'x', '{}');
                    UPDATE sqlite_sequence SET seq = 3 WHERE name = 'events'",
                    "events.id: 4 comes next, 900 is taken",
                ),
            ];
            (Copies::Sqlite { folder, made: 0 }, own)
        }
        Database::Postgres { name, .. } => {
            shop.app.app.store.close().await;
            let own: &[Case] = &[
                (
                    PAGES,
                    "UPDATE pg_index SET indisvalid = FALSE WHERE indexrelid = 'vehicles_by_unit'::regclass",
                    "vehicles_by_unit is not valid",
                ),
                (
                    SEQUENCES,
                    "SELECT setval(pg_get_serial_sequence('work_orders', 'id'), 1)",
                    "work_orders.id: 2 comes next",
                ),
                (
                    "tables, indexes and triggers",
                    "DROP TRIGGER journal_is_never_changed ON journal",
                    "the trigger of journal is missing",
                ),
            ];
            (Copies::Postgres { from: name.clone(), made: 0 }, own)
        }
    };
    let mut covered = BTreeSet::new();
    for (rule, sql, says) in CASES.iter().chain(own) {
        covered.insert(*rule);
        if sql.is_empty() {
            continue;
        }
        let broken = copies.broken(sql).await;
        let (sound, checks) = check(&broken).await;
        let found = checks.iter().find(|check| check.rule == *rule).unwrap_or_else(|| panic!("no rule {rule}"));
        let told = found.found.iter().any(|line| line.contains(says));
        assert!(!sound && told && !found.todo.is_empty(), "{rule}: {sql}\n{checks:#?}");
    }
    if engine == Engine::Sqlite {
        covered.insert(PAGES);
    }
    let rules: BTreeSet<&str> = checks.iter().map(|check| check.rule).collect();
    assert_eq!(rules, covered, "each rule is broken once");
}

#[tokio::test]
async fn an_index_without_its_row_is_found() {
    let (shop, _) = busy(Engine::Sqlite).await;
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join("copy.db");
    shop.app.app.store.backup(&copy).await.unwrap();
    // The index is hidden while a row is written.
    let run = async |sql: String| {
        let mut connection = SqliteConnection::connect(copy.to_str().unwrap()).await.unwrap();
        connection.execute(AssertSqlSafe(format!("PRAGMA writable_schema = ON; {sql}"))).await.unwrap();
        connection.close().await.unwrap();
    };
    run("CREATE TABLE hidden AS SELECT * FROM sqlite_schema WHERE name = 'vehicles_by_unit';
        DELETE FROM sqlite_schema WHERE name = 'vehicles_by_unit'"
        .to_owned())
    .await;
    run("UPDATE vehicles SET unit = '77' WHERE unit = '7'".to_owned()).await;
    run("INSERT INTO sqlite_schema SELECT * FROM hidden; DROP TABLE hidden".to_owned()).await;
    let (sound, checks) = check(&format!("sqlite:{}", copy.display())).await;
    let found = checks.iter().find(|check| check.rule == PAGES).unwrap();
    assert!(!sound && found.found.iter().any(|line| line.contains("vehicles_by_unit")), "{checks:#?}");
}

async fn what_cannot_be_checked_is_said(engine: Engine) {
    let database = Database::new(engine).await;
    let fault = Store::check_deep(&database.address(), |_| {}).await.unwrap_err().to_string();
    let expected = if engine == Engine::Sqlite { "there is no such database" } else { "_sqlx_migrations" };
    assert!(fault.contains(expected), "{fault}");
    // A new one keeps every rule.
    Store::open(&database.address(), 1).await.unwrap().close().await;
    assert!(check(&database.address()).await.0);
}

crate::on_both!(every_rule_that_is_broken_is_found, what_cannot_be_checked_is_said);
