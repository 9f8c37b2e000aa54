//! Every rule that what is stored keeps, looked for in the whole database while others use it.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde_json::Value;
use sqlx::AssertSqlSafe;

use super::catalog::Table;
use super::evidence::plan_of;
use super::journal::JournalLine;
use super::migrations::{self, Steps};
use super::transfer::{NextNumber, fresh};
use super::values::of_json;
use super::{Claim, Db, Engine, EventType, OrderFilter, Result, Store, StoreError, Tx, order_number, within};

/// One rule, and what breaks it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RuleCheck {
    /// Its name.
    pub rule: &'static str,
    /// What breaks it, at most [`SHOWN`] and a last line that there is more.
    pub found: Vec<String>,
    /// What is to be done about it.
    pub todo: &'static str,
}

/// How much of what breaks a rule is told.
pub const SHOWN: usize = 20;

/// A rule as a query whose rows are what breaks it.
struct Rule {
    name: &'static str,
    todo: &'static str,
    sql: &'static str,
}

macro_rules! rule {
    ($name:literal, $todo:literal, $($sql:expr),+ $(,)?) => {
        Rule { name: $name, todo: $todo, sql: concat!($($sql),+) }
    };
}

const RESTORE: &str = "put the last sound backup back; what was acknowledged since is in the senders' hands";

/// When something last came in about each car of a log table.
macro_rules! last_of {
    ($table:literal) => {
        concat!(
            "SELECT vehicle_id, max(CASE WHEN voided_us > received_us THEN voided_us ELSE received_us END) AS at_us FROM ",
            $table,
            " GROUP BY vehicle_id UNION ALL "
        )
    };
}

/// A car's or an order's name, as a text that SQL puts together.
macro_rules! order {
    ($rest:literal) => {
        concat!("'order ' || CAST(w.id AS TEXT) || ' of car ' || v.unit || ", $rest)
    };
}

const RULES: &[Rule] = &[
    rule!(
        "one open order a car and kind",
        "cancel all but one of them",
        "SELECT 'car ' || v.unit || ' has ' || CAST(count(*) AS TEXT) || ' open orders of the kind ' || w.kind
        FROM work_orders w JOIN vehicles v ON v.id = w.vehicle_id
        WHERE w.status IN ('needs-action', 'in-process') GROUP BY v.id, v.unit, w.kind HAVING count(*) > 1"
    ),
    rule!(
        "order numbers",
        "give the order another number by hand while nobody serves",
        "SELECT ", order!("' has no number that can be written'"),
        " FROM work_orders w JOIN vehicles v ON v.id = w.vehicle_id WHERE w.id < 1
        UNION ALL
        SELECT 'the reference ' || w.external_ref || ' stands on ' || CAST(count(*) AS TEXT) || ' orders of one key'
        FROM work_orders w WHERE w.external_ref IS NOT NULL AND w.external_key_id IS NOT NULL
        GROUP BY w.external_key_id, w.external_ref HAVING count(*) > 1"
    ),
    rule!(
        "status of orders",
        "reopen the order, and complete or cancel it anew",
        "SELECT ", order!("' is ' || w.status || CASE
            WHEN w.status = 'completed' THEN ' without an outcome, or serviced without an odometer'
            WHEN w.status = 'in-process' THEN ' without a start or a holder'
            ELSE ' with an outcome, or a status of its own' END"),
        " FROM work_orders w JOIN vehicles v ON v.id = w.vehicle_id
        WHERE w.status NOT IN ('needs-action', 'in-process', 'completed', 'cancelled')
            OR (w.status = 'completed') <> (w.outcome IS NOT NULL AND w.done_us IS NOT NULL)
            OR (w.outcome = 'serviced' AND w.done_metres IS NULL)
            OR (w.status = 'in-process' AND (w.started_us IS NULL OR w.assigned_to IS NULL))"
    ),
    rule!(
        "leases",
        "hand the order back: decline it in the name of its holder",
        "SELECT ", order!("' is ' || w.status || ' and has a lease without a holder who waits for its start'"),
        " FROM work_orders w JOIN vehicles v ON v.id = w.vehicle_id
        WHERE w.lease_until_us IS NOT NULL AND (w.status <> 'needs-action' OR w.assigned_to IS NULL)"
    ),
    rule!(
        "pauses and plans",
        "reopen the order, or resume it and plan it anew",
        "SELECT ", order!("' is ' || w.status || ' and has a pause or a plan that does not belong there'"),
        " FROM work_orders w JOIN vehicles v ON v.id = w.vehicle_id
        WHERE (w.paused_us IS NOT NULL AND w.status <> 'in-process')
            OR (w.status IN ('completed', 'cancelled') AND (w.plan IS NOT NULL OR w.plan_day IS NOT NULL))
            OR (w.plan IS NULL) <> (w.plan_day IS NULL)"
    ),
    rule!(
        "procedures of orders",
        "reopen the order with the procedure of its kind",
        "SELECT ", order!("' is a ' || w.kind || ' with the procedure ' || p.code || ' of a ' || p.kind"),
        " FROM work_orders w JOIN vehicles v ON v.id = w.vehicle_id JOIN procedures p ON p.id = w.procedure_id
        WHERE p.kind <> w.kind"
    ),
    rule!(
        "services of orders",
        "void the service, or reopen the order and complete it anew",
        "SELECT ", order!("' was serviced, and no past service says so'"),
        " FROM work_orders w JOIN vehicles v ON v.id = w.vehicle_id
        WHERE w.status = 'completed' AND w.outcome = 'serviced' AND w.kind <> 'pack-replacement'
            AND NOT EXISTS (SELECT 1 FROM past_services s WHERE s.work_order_id = w.id)
        UNION ALL
        SELECT ", order!("' has a past service and is ' || w.status || ', of another kind or of another car'"),
        " FROM past_services s JOIN work_orders w ON w.id = s.work_order_id JOIN vehicles v ON v.id = w.vehicle_id
        WHERE s.voided_us IS NULL AND (w.status <> 'completed' OR w.outcome <> 'serviced' OR s.kind <> w.kind
            OR s.vehicle_id <> w.vehicle_id)
        UNION ALL
        SELECT ", order!("' has more than one past service that stands'"),
        " FROM work_orders w JOIN vehicles v ON v.id = w.vehicle_id
        WHERE (SELECT count(*) FROM past_services s WHERE s.work_order_id = w.id AND s.voided_us IS NULL) > 1"
    ),
    rule!(
        "forecasts",
        "change anything about the car, such as its model and back: it is then forecast anew",
        "SELECT 'car ' || v.unit || ' has neither a forecast nor a mark to make one' FROM vehicles v
        WHERE v.retired_day IS NULL AND NOT EXISTS (SELECT 1 FROM forecasts f WHERE f.vehicle_id = v.id)
            AND NOT EXISTS (SELECT 1 FROM stale_cars s WHERE s.vehicle_id = v.id)
            AND EXISTS (SELECT 1 FROM service_rules r WHERE r.kind = 'fan-service'
                AND (r.depot_id IS NULL OR r.depot_id = v.depot_id) AND (r.model IS NULL OR r.model = v.model))
        UNION ALL
        SELECT 'car ' || v.unit || ' has a forecast of ' || f.kind || ' and is retired, or at another depot'
        FROM forecasts f JOIN vehicles v ON v.id = f.vehicle_id
        WHERE (v.retired_day IS NOT NULL OR f.depot_id <> v.depot_id)
            AND NOT EXISTS (SELECT 1 FROM stale_cars s WHERE s.vehicle_id = v.id)
        UNION ALL
        SELECT 'car ' || v.unit || ': its forecast of ' || f.kind || ' is older than what it rests on'
        FROM forecasts f JOIN vehicles v ON v.id = f.vehicle_id
            JOIN (SELECT vehicle_id, max(at_us) AS at_us FROM (",
        last_of!("odometer_readings"), last_of!("duty_logs"), last_of!("seat_logs"), last_of!("past_services"),
        last_of!("pack_lives"), last_of!("pack_checks"), last_of!("trouble_codes"),
        "SELECT vehicle_id, max(CASE WHEN released_us > created_us THEN released_us ELSE created_us END) FROM off_road
                GROUP BY vehicle_id
            UNION ALL
            SELECT vehicle_id, max(CASE WHEN withdrawn_us > created_us THEN withdrawn_us ELSE created_us END) FROM plans
                GROUP BY vehicle_id
            UNION ALL SELECT id, changed_us FROM vehicles
            UNION ALL SELECT id, (SELECT max(changed_us) FROM service_rules) FROM vehicles) each_log GROUP BY vehicle_id) i
            ON i.vehicle_id = f.vehicle_id
        WHERE i.at_us > f.mark AND NOT EXISTS (SELECT 1 FROM stale_cars s WHERE s.vehicle_id = f.vehicle_id)"
    ),
    rule!(
        "unit numbers",
        "correct the car's numbers by hand while nobody serves",
        "SELECT 'car ' || v.unit || ' is in service and does not hold its number' FROM vehicles v
        WHERE v.retired_day IS NULL AND NOT EXISTS (SELECT 1 FROM unit_numbers u
            WHERE u.vehicle_id = v.id AND u.unit = v.unit AND u.to_day IS NULL)
        UNION ALL
        SELECT 'the number ' || a.unit || ' belongs to two cars at once' FROM unit_numbers a JOIN unit_numbers b
            ON b.unit = a.unit AND b.from_day > a.from_day AND b.from_day <= coalesce(a.to_day, b.from_day)"
    ),
    rule!(
        "stays",
        "move the car to where it is",
        "SELECT 'car ' || v.unit || ' is not at the depot of its last stay' FROM vehicles v
        WHERE v.depot_id IS DISTINCT FROM
            (SELECT s.depot_id FROM stays s WHERE s.vehicle_id = v.id ORDER BY s.from_day DESC LIMIT 1)"
    ),
    rule!(
        "packs",
        "void the row that is wrong, or take the pack out where it no longer is",
        "SELECT 'pack ' || p.serial || ' came out of car ' || v.unit || ' before it went in' FROM pack_lives p
            JOIN vehicles v ON v.id = p.vehicle_id WHERE p.voided_us IS NULL AND p.removed_us < p.at_us
        UNION ALL
        SELECT 'car ' || v.unit || ' had the packs ' || a.serial || ' and ' || b.serial || ' in it at once'
        FROM pack_lives a JOIN pack_lives b ON b.vehicle_id = a.vehicle_id AND b.voided_us IS NULL
                AND (b.at_us > a.at_us OR (b.at_us = a.at_us AND b.serial > a.serial))
            JOIN vehicles v ON v.id = a.vehicle_id
        WHERE a.voided_us IS NULL AND (a.removed_us > b.at_us OR a.at_us = b.at_us)
        UNION ALL
        SELECT 'pack ' || p.serial || ' is in ' || CAST(count(*) AS TEXT) || ' cars at once' FROM pack_lives p
        WHERE p.voided_us IS NULL AND p.removed_us IS NULL AND NOT EXISTS (SELECT 1 FROM pack_lives later
            WHERE later.vehicle_id = p.vehicle_id AND later.voided_us IS NULL AND later.at_us > p.at_us)
        GROUP BY p.serial HAVING count(*) > 1"
    ),
    rule!(
        "packs and cores of orders",
        "reopen the order and complete it anew",
        "SELECT ", order!("' is ' || w.status || ' and took out the pack ' || p.serial || ' or put it in'"),
        " FROM pack_lives p JOIN work_orders w ON w.id = p.closed_by OR w.id = p.opened_by
            JOIN vehicles v ON v.id = w.vehicle_id
        WHERE p.voided_us IS NULL AND (w.status <> 'completed' OR w.kind <> 'pack-replacement'
            OR w.vehicle_id <> p.vehicle_id)
        UNION ALL
        SELECT ", order!("' took out the pack ' || p.serial || ', and there is no core of it'"),
        " FROM pack_lives p JOIN work_orders w ON w.id = p.closed_by JOIN vehicles v ON v.id = w.vehicle_id
        WHERE p.voided_us IS NULL AND NOT EXISTS (SELECT 1 FROM cores c
            WHERE c.work_order_id = w.id AND c.serial = p.serial AND c.voided_us IS NULL)
        UNION ALL
        SELECT ", order!("' is ' || w.status || ' and has the core ' || c.serial || ', or it is another car''s'"),
        " FROM cores c JOIN work_orders w ON w.id = c.work_order_id JOIN vehicles v ON v.id = w.vehicle_id
        WHERE c.voided_us IS NULL
            AND (w.status <> 'completed' OR w.kind <> 'pack-replacement' OR c.vehicle_id <> w.vehicle_id)"
    ),
    rule!(
        "kept answers",
        "delete the row: the request it stands for was not done",
        "SELECT 'the Idempotency-Key ' || i.value || ' of the key ' || k.name || ' has no answer'
        FROM idempotency_keys i JOIN keys k ON k.id = i.key_id WHERE i.status IS NULL OR i.body IS NULL"
    ),
    rule!(
        "books of old rows",
        "delete its row in car_books: the next recast makes it again",
        "SELECT 'the book of the car ' || v.unit || ' has ' || CAST(b.row_count AS TEXT) || ' rows, and there are '
            || CAST(b.found AS TEXT)
        FROM (SELECT c.vehicle_id, c.until_day, c.row_count,
            (SELECT count(*) FROM odometer_readings l WHERE l.vehicle_id = c.vehicle_id AND l.voided_us IS NULL
                AND l.at_us >= c.since_day * 86400000000 AND l.at_us < c.until_day * 86400000000)
            + (SELECT count(*) FROM pack_checks l WHERE l.vehicle_id = c.vehicle_id AND l.voided_us IS NULL
                AND l.at_us < c.until_day * 86400000000)
            + (SELECT count(*) FROM duty_logs l WHERE l.vehicle_id = c.vehicle_id AND l.voided_us IS NULL
                AND l.day >= c.since_day AND l.day < c.until_day)
            + (SELECT count(*) FROM seat_logs l WHERE l.vehicle_id = c.vehicle_id AND l.voided_us IS NULL
                AND l.day >= c.since_day AND l.day < c.until_day) AS found
            FROM car_books c) b JOIN vehicles v ON v.id = b.vehicle_id
        WHERE b.row_count <> b.found AND NOT EXISTS (SELECT 1 FROM stale_cars s
            WHERE s.vehicle_id = b.vehicle_id AND s.from_day < b.until_day)"
    ),
    rule!(
        "deliveries",
        "let the event be sent again: POST /v1/webhooks/{id}/deliveries/{event}/redeliver",
        "SELECT 'event ' || CAST(y.event_id AS TEXT) || ' to webhook ' || CAST(y.webhook_id AS TEXT) || ' is ' || y.state || CASE
            WHEN y.state NOT IN ('waiting', 'delivered', 'dead') THEN ', which is no state'
            WHEN y.state = 'waiting' THEN ', and the webhook is ' || w.state
            WHEN y.state = 'delivered' THEN ' without a good answer'
            ELSE ' without a fault' END
        FROM deliveries y JOIN webhooks w ON w.id = y.webhook_id
        WHERE y.state NOT IN ('waiting', 'delivered', 'dead')
            OR (y.state = 'waiting' AND w.state NOT IN ('active', 'paused'))
            OR (y.state = 'delivered' AND (y.last_us IS NULL OR y.last_status IS NULL OR y.last_status NOT BETWEEN 200 AND 299))
            OR (y.state = 'dead' AND y.last_fault IS NULL)
        UNION ALL
        SELECT 'event ' || CAST(e.id AS TEXT) || ' is for webhook ' || CAST(e.webhook_id AS TEXT) || ' alone and goes to '
            || CAST(y.webhook_id AS TEXT)
        FROM deliveries y JOIN events e ON e.id = y.event_id WHERE e.webhook_id <> y.webhook_id"
    ),
    rule!(
        "events",
        "correct the row by hand while nobody serves, or delete it: what it tells of stands in the journal",
        "SELECT 'event ' || CAST(id AS TEXT) || ' does not say what it tells and who did it' FROM events
        WHERE data NOT LIKE '{%\"actor\":%}'
        UNION ALL
        SELECT 'row ' || CAST(id AS TEXT) || ' of the outbox does not say what it tells and who did it' FROM outbox
        WHERE data NOT LIKE '{%\"actor\":%}'"
    ),
    rule!(
        "told plans",
        "withdraw the plan and tell it anew",
        "SELECT 'plan ' || CAST(p.id AS TEXT) || ' of car ' || v.unit || CASE
            WHEN p.to_day < p.from_day THEN ' ends before it begins'
            WHEN p.done_us IS NOT NULL AND p.depot_id IS NULL THEN ' has taken effect and is no move'
            WHEN p.done_us IS NOT NULL AND p.withdrawn_us IS NOT NULL THEN ' has taken effect and was withdrawn'
            ELSE ' is a move and tells of shifts' END
        FROM plans p JOIN vehicles v ON v.id = p.vehicle_id
        WHERE p.to_day < p.from_day OR (p.done_us IS NOT NULL AND (p.depot_id IS NULL OR p.withdrawn_us IS NOT NULL))
            OR (p.depot_id IS NOT NULL AND (p.days_per_week IS NOT NULL OR p.hours_per_day IS NOT NULL
                OR p.rear_share IS NOT NULL OR p.metres_per_driven_day IS NOT NULL))"
    ),
    rule!(
        "sessions",
        "delete the row: whoever it was signs in again",
        "SELECT 'a session of the key ' || k.name || ' ends before it began, or is not kept by a hash'
        FROM board_sessions s JOIN keys k ON k.id = s.key_id
        WHERE s.expires_us <= s.created_us OR length(s.hash) <> 64"
    ),
    rule!(
        "holds",
        "take the car off the road by hand with a safety hold, then correct the row while nobody serves",
        "SELECT 'car ' || v.unit || CASE
            WHEN o.stop_code IS NOT NULL AND o.safety_hold = 0 THEN ' is stopped by ' || o.stop_code || ' without a safety hold'
            WHEN o.released_us IS NOT NULL AND o.to_day IS NULL THEN ' was brought back and is still off the road'
            WHEN o.to_day < o.from_day - 1 THEN ' came back before it was off the road'
            ELSE ' is known to be sound, and not by what' END
        FROM off_road o JOIN vehicles v ON v.id = o.vehicle_id
        WHERE (o.stop_code IS NOT NULL AND o.safety_hold = 0) OR (o.released_us IS NOT NULL AND o.to_day IS NULL)
            OR o.to_day < o.from_day - 1 OR (o.sound_us IS NOT NULL AND (o.sound_by IS NULL OR o.stop_code IS NULL))
        UNION ALL
        SELECT 'car ' || v.unit || ' is held twice for ' || o.stop_code FROM off_road o JOIN vehicles v ON v.id = o.vehicle_id
        WHERE o.stop_code IS NOT NULL AND o.released_us IS NULL GROUP BY v.id, v.unit, o.stop_code HAVING count(*) > 1
        UNION ALL
        SELECT DISTINCT 'car ' || v.unit || ' is on the road with ' || c.code || ' confirmed'
        FROM trouble_codes c JOIN vehicles v ON v.id = c.vehicle_id
        WHERE substr(c.code, 1, 5) IN ('P0AA6', 'P0A7E') AND c.state = 'confirmed' AND c.voided_us IS NULL
            AND c.at_us <= c.received_us AND v.retired_day IS NULL
            AND NOT EXISTS (SELECT 1 FROM stale_cars s WHERE s.vehicle_id = v.id)
            AND NOT EXISTS (SELECT 1 FROM off_road o WHERE o.vehicle_id = v.id AND o.stop_code = substr(c.code, 1, 5)
                AND o.released_us IS NULL)
            AND NOT EXISTS (SELECT 1 FROM trouble_codes l WHERE l.vehicle_id = c.vehicle_id AND l.voided_us IS NULL
                AND l.at_us >= c.at_us AND l.state <> 'confirmed'
                AND (l.code = c.code OR (l.state = 'cleared' AND l.code = substr(c.code, 1, 5))))"
    ),
    rule!(
        "stock is not below nothing",
        "count the shelf and take the difference in",
        "SELECT 'part ' || p.number || ' at ' || d.code || ': ' || CAST(p.stock AS TEXT)
        FROM parts p JOIN depots d ON d.id = p.depot_id WHERE p.stock < 0"
    ),
];

const EVENT_TYPES: &str = "SELECT event_type FROM events UNION SELECT event_type FROM outbox ORDER BY 1";
const ORDER_IDS: &str = "SELECT id FROM work_orders";
const OPEN_PLANS: &str = "SELECT id, depot_id, plan_day, plan, plan_gear FROM work_orders
    WHERE status IN ('needs-action', 'in-process') AND plan IS NOT NULL AND plan_day IS NOT NULL ORDER BY id";
const STOCKS: &str = "SELECT p.depot_id, p.number, d.code, p.stock FROM parts p JOIN depots d ON d.id = p.depot_id";
const USES: &str = "SELECT depot_id, parts_used FROM work_orders WHERE parts_used <> '[]'";
const CARS: &str = "SELECT id FROM vehicles ORDER BY id";
const BROKEN_INDEXES: &str = "SELECT 'the index ' || c.relname || ' is not valid' FROM pg_index i
    JOIN pg_class c ON c.oid = i.indexrelid
    WHERE c.relnamespace = CAST(current_schema() AS regnamespace) AND NOT (i.indisvalid AND i.indisready)";
const READ_ONLY: &str = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY";

/// Cars read at once.
const CARS_AT_ONCE: usize = 200;

fn checked(rule: &'static str, todo: &'static str, mut found: Vec<String>) -> RuleCheck {
    if found.len() > SHOWN {
        found.truncate(SHOWN);
        found.push("… and more".to_owned());
    }
    RuleCheck { rule, found, todo }
}

/// What the journal tells of orders and stock.
#[derive(Default)]
struct Told {
    orders: BTreeSet<i64>,
    /// By depot and part: what it was added with, and what came.
    stock: BTreeMap<(i64, String), i64>,
}

impl Told {
    fn hear(&mut self, line: &JournalLine) {
        if let Some(number) = line.subject.strip_prefix("work-order ") {
            self.orders.extend(super::orders::parse_order_number(number));
        }
        let (Some(part), Some(depot)) = (line.subject.strip_prefix("part "), line.depot_id) else { return };
        let after: Value = line.after.as_deref().and_then(|text| serde_json::from_str(text).ok()).unwrap_or_default();
        let count = |name: &str| after.get(name).and_then(Value::as_i64).unwrap_or_default();
        let came = match line.action.as_str() {
            "part add" => count("stock"),
            "part receive" if after.get("expected_on").is_none_or(Value::is_null) => count("quantity"),
            _ => return,
        };
        *self.stock.entry((depot, part.to_owned())).or_default() += came;
    }
}

impl Store {
    /// Looks through the whole database, of one moment, for what breaks its rules; `told` hears of each rule.
    ///
    /// # Errors
    /// [`StoreError::Refused`] when its tables are not up to date; [`StoreError::Database`] when it cannot be read.
    pub async fn check_deep(address: &str, mut told: impl FnMut(&RuleCheck)) -> Result<bool> {
        if let Some(path) = address.strip_prefix("sqlite:").filter(|path| !Path::new(path).is_file()) {
            return Err(StoreError::Refused(format!("{path}: there is no such database")));
        }
        let store = Self::connect(address, 2, None).await?;
        let mut sound = true;
        let mut tell = |check: RuleCheck| {
            sound &= check.found.is_empty();
            told(&check);
        };
        match store.steps().await? {
            Steps::All => {}
            Steps::Some(done) => {
                let says = format!("{done} of {} migrations done: serve it once first", migrations::file_names().len());
                return Err(StoreError::Refused(says));
            }
            Steps::Foreign(says) => return Err(StoreError::Refused(says)),
        }
        let mut tx = match &store.db {
            Db::Sqlite { .. } => store.begin_read().await?,
            Db::Postgres(pool) => Tx::Postgres(pool.begin_with(READ_ONLY).await?),
        };
        tell(checked("pages and indexes", RESTORE, store.broken(&mut tx).await?));
        let tables = tx.tables().await?;
        tell(checked("tables, indexes and triggers", RESTORE, tx.missing(&tables, store.engine()).await?));
        tell(checked("rows referred to", RESTORE, tx.dangling(&tables).await?));
        let mut heard = Told::default();
        let journal = tx.walk_journal(None, |line| heard.hear(line)).await?;
        let faults = journal.faults.iter().map(|(line, says)| format!("line {line}: {says}")).collect();
        tell(checked("journal", "compare it with the last export and find who can write to the database", faults));
        let orders = tx.unheard(&heard).await?;
        tell(checked("journal and orders", RESTORE, orders));
        for rule in RULES {
            tell(checked(rule.name, rule.todo, tx.broken_rule(rule).await?));
        }
        tell(checked("types of events", "serve the database with the newest program", tx.strange_events().await?));
        tell(checked("bays", "plan one of the two anew", tx.double_bays().await?));
        let stocks = tx.stocks(&heard).await?;
        tell(checked("stock is what came less what was used", "count the shelf and take the difference in", stocks));
        let numbers = tx.low_numbers().await?;
        tell(checked(
            "numbers handed out next",
            "set the sequence above the highest number: setval on Postgres, sqlite_sequence on SQLite",
            numbers,
        ));
        let ids: Vec<i64> = within!(&mut tx, c => sqlx::query_scalar(CARS).fetch_all(c).await)?;
        drop(tx);
        tell(checked(
            "rows that can be read",
            "correct the value by hand while nobody serves",
            store.unreadable(&ids).await?,
        ));
        store.close().await;
        Ok(sound)
    }

    async fn broken(&self, tx: &mut Tx) -> Result<Vec<String>> {
        match tx {
            Tx::Sqlite(_) => self.broken_pages().await,
            Tx::Postgres(inner) => Ok(sqlx::query_scalar(BROKEN_INDEXES).fetch_all(&mut **inner).await?),
        }
    }

    /// Cars and orders whose rows make no sense.
    async fn unreadable(&self, cars: &[i64]) -> Result<Vec<String>> {
        let mut found = Vec::new();
        for batch in cars.chunks(CARS_AT_ONCE) {
            let claims: Vec<Claim> = batch.iter().copied().map(Claim::unclaimed).collect();
            if self.car_logs(&claims).await.is_ok() {
                continue;
            }
            for car in claims {
                if let Err(StoreError::BadRow { column, value }) = self.car_logs(&[car]).await {
                    found.push(format!("vehicle number {}: {column} holds {value:?}", car.vehicle_id));
                }
            }
        }
        let mut filter = OrderFilter { limit: 500, ..OrderFilter::default() };
        loop {
            let page = match self.orders(&filter).await {
                Ok(page) => page,
                Err(StoreError::BadRow { column, value }) => {
                    found.push(format!("an order: {column} holds {value:?}"));
                    break;
                }
                Err(other) => return Err(other),
            };
            let Some(last) = page.last() else { break };
            filter.after = Some((last.rank, last.due_day, last.id));
        }
        Ok(found)
    }
}

impl Tx {
    async fn broken_rule(&mut self, rule: &Rule) -> Result<Vec<String>> {
        let sql = format!("SELECT * FROM ({}) found LIMIT {}", rule.sql, SHOWN + 1);
        Ok(within!(self, c => sqlx::query_scalar(AssertSqlSafe(sql)).fetch_all(c).await)?)
    }

    /// What a new database has and this one does not.
    async fn missing(&mut self, tables: &[Table], engine: Engine) -> Result<Vec<String>> {
        let model = fresh().await?;
        let mut known = model.begin_read().await?;
        let (wanted, guards) = (known.tables().await?, known.guards(engine).await?);
        drop(known);
        model.close().await;
        let mut found = Vec::new();
        for table in wanted {
            match tables.iter().find(|it| it.name == table.name) {
                None => found.push(format!("the table {} is missing", table.name)),
                Some(it) => {
                    let lost = table.columns.iter().filter(|column| !it.columns.contains(column));
                    found.extend(
                        lost.map(|column| format!("{}.{} is missing, or of another type", table.name, column.name)),
                    );
                    let lost = table.references.iter().filter(|reference| !it.references.contains(reference));
                    found.extend(
                        lost.map(|to| format!("{}.{} no longer has to be in {}", table.name, to.column, to.table)),
                    );
                }
            }
        }
        let there = self.guards(engine).await?;
        let mut lost: Vec<&String> = guards.difference(&there).collect();
        lost.sort_unstable();
        found.extend(lost.into_iter().map(|guard| format!("the {guard} is missing")));
        Ok(found)
    }

    /// Rows that refer to others which are not there.
    async fn dangling(&mut self, tables: &[Table]) -> Result<Vec<String>> {
        let mut found = Vec::new();
        for table in tables {
            for to in &table.references {
                let sql = format!(
                    "SELECT count(*) FROM \"{}\" t WHERE t.\"{}\" IS NOT NULL
                        AND NOT EXISTS (SELECT 1 FROM \"{}\" r WHERE r.\"{}\" = t.\"{}\")",
                    table.name, to.column, to.table, to.to, to.column
                );
                let lost: i64 = within!(self, c => sqlx::query_scalar(AssertSqlSafe(sql)).fetch_one(c).await)?;
                if lost > 0 {
                    found.push(format!("{lost} rows of {}.{} are not in {}", table.name, to.column, to.table));
                }
            }
        }
        Ok(found)
    }

    /// Orders of which the journal knows nothing, and the other way round.
    async fn unheard(&mut self, heard: &Told) -> Result<Vec<String>> {
        let orders: Vec<i64> = within!(self, c => sqlx::query_scalar(ORDER_IDS).fetch_all(c).await)?;
        let orders: BTreeSet<i64> = orders.into_iter().collect();
        let silent = orders.difference(&heard.orders).map(|id| format!("no line tells of {}", order_number(*id)));
        let gone = heard.orders.difference(&orders).map(|id| format!("{} is no longer there", order_number(*id)));
        Ok(silent.chain(gone).collect())
    }

    /// Types of events that this program does not know.
    async fn strange_events(&mut self) -> Result<Vec<String>> {
        let types: Vec<String> = within!(self, c => sqlx::query_scalar(EVENT_TYPES).fetch_all(c).await)?;
        let strange = types.into_iter().filter(|name| EventType::parse(name).is_none());
        Ok(strange.map(|name| format!("events of the type {name}")).collect())
    }

    async fn double_bays(&mut self) -> Result<Vec<String>> {
        let rows: Vec<(i64, i64, i64, String, String)> =
            within!(self, c => sqlx::query_as(OPEN_PLANS).fetch_all(c).await)?;
        let mut plans = Vec::with_capacity(rows.len());
        for (id, depot, day, plan, gear) in rows {
            // What cannot be read is told elsewhere.
            plans.extend(plan_of(day, &plan, &gear).ok().map(|plan| (id, depot, plan)));
        }
        let mut found = Vec::new();
        for (place, (id, depot, plan)) in plans.iter().enumerate() {
            let others = plans.iter().skip(place + 1).filter(|(_, other, _)| other == depot);
            let clash = others.filter(|(.., other)| other.bay == plan.bay && other.overlaps(plan));
            found.extend(clash.map(|(other, ..)| {
                format!("{} and {} are in bay {} at once", order_number(*id), order_number(*other), plan.bay)
            }));
        }
        Ok(found)
    }

    async fn stocks(&mut self, heard: &Told) -> Result<Vec<String>> {
        let mut expected = heard.stock.clone();
        let uses: Vec<(i64, String)> = within!(self, c => sqlx::query_as(USES).fetch_all(c).await)?;
        for (depot, used) in uses {
            let used: Vec<(String, i64)> = of_json("work_orders.parts_used", &used).unwrap_or_default();
            for (number, quantity) in used {
                *expected.entry((depot, number)).or_default() -= quantity;
            }
        }
        let stocks: Vec<(i64, String, String, i64)> = within!(self, c => sqlx::query_as(STOCKS).fetch_all(c).await)?;
        let wrong = stocks.into_iter().filter_map(|(depot, number, code, stock)| {
            let expected = expected.get(&(depot, number.clone())).copied().unwrap_or_default();
            (stock != expected)
                .then(|| format!("part {number} at {code}: {stock} stored, {expected} by what came and went"))
        });
        Ok(wrong.collect())
    }

    /// Sequences that would hand out a number which is taken.
    async fn low_numbers(&mut self) -> Result<Vec<String>> {
        let mut found = Vec::new();
        for NextNumber { table, column, next } in self.next_numbers().await? {
            let sql = format!("SELECT coalesce(max(\"{column}\"), 0) FROM \"{table}\"");
            let highest: i64 = within!(self, c => sqlx::query_scalar(AssertSqlSafe(sql)).fetch_one(c).await)?;
            if next <= highest {
                found.push(format!("{table}.{column}: {next} comes next, {highest} is taken"));
            }
        }
        Ok(found)
    }
}
