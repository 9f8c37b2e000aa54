//! Work orders: raised, listed, acted on.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde_json::{Value, json};
use ventmile_model::fleet::{
    Code, CodeReport, Completion, Confirmed, Declined, DistanceUnit, ExpectedBack, Kind, Metres, Missed, Order,
    Outcome, Pause, Plan, Refused, Status, TroubleCode, local_day, parse_zone,
};
use ventmile_model::work::{self, Gear, Passed, Procedure, Technician};

use super::closing::{Closing, Judged, fan_is_done};
use super::evidence::{Desk, Look, OrderFile, plan_of, stored_plan};
use super::in_use::Named;
use super::journal::Entry;
use super::outbox::Told;
use super::procedures::FOR_KIND;
use super::values::{date, day_number, instant, known, micros, of_json};
use super::{
    Actor, Answer, Conflict, EventType, IfMatch, Result, Store, StoreError, Tx, VehicleRecord, Writing, one_changed,
    opened, read, within,
};

/// The procedure an order was raised with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProcedureName {
    /// Number in the database.
    pub id: i64,
    /// Its code.
    pub code: String,
    /// Its version.
    pub version: i64,
}

/// A later reason for an order that was open already.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Joined {
    /// Why it was called for.
    pub reason: String,
    /// Who called for it.
    pub by: String,
    /// When.
    pub at: DateTime<Utc>,
}

/// A stored work order, with what today's forecast says of it.
#[derive(Clone, Debug)]
pub struct OrderRecord {
    /// Its number in the database; [`order_number`] writes it.
    pub id: i64,
    /// Counts its changes.
    pub version: i64,
    /// The car.
    pub vehicle_id: i64,
    /// Its unit number.
    pub unit: String,
    /// Its depot.
    pub depot: String,
    /// Number of that depot.
    pub depot_id: i64,
    /// That depot's zone.
    pub zone: Tz,
    /// Unit in which that depot shows distances.
    pub distance_unit: DistanceUnit,
    /// The car's model.
    pub model: Option<String>,
    /// The job.
    pub kind: Kind,
    /// Status, holder, completion.
    pub order: Order,
    /// `loop`, or the name of the key that raised it.
    pub raised_by: String,
    /// Why it was raised.
    pub reason: String,
    /// Reasons that joined it since.
    pub joined: Vec<Joined>,
    /// The procedure it was raised with.
    pub procedure: Option<ProcedureName>,
    /// Minutes worked.
    pub labour_minutes: Option<i64>,
    /// What it cost, in cents.
    pub cost: Option<i64>,
    /// Parts taken from stock: number and quantity.
    pub parts_used: Vec<(String, i64)>,
    /// What is known of the car's codes on which it is stopped at once.
    pub stop_codes: Vec<TroubleCode>,
    /// Whether the car is held for an isolation fault that is not known to be gone, or one was confirmed of which no recast has
    /// heard yet.
    pub isolation_in_doubt: bool,
    /// Numbers of parts that are not here for it once the more urgent orders have theirs.
    pub short_of: Vec<String>,
    /// First and last days on which its car can be spared, where the dispatcher told any since it was raised.
    pub spared: Vec<(NaiveDate, NaiveDate)>,
    /// While it is open, what it may wait for beside that: its procedure, what is recorded, the depot's gear; no people.
    pub file: Arc<OrderFile>,
    /// When it was last reopened: evidence from before no longer counts.
    pub reopened_at: Option<DateTime<Utc>>,
    /// Why an order is called for today, as the forecast says; empty when it no longer is.
    pub reason_today: Option<String>,
    /// Today's forecast, as a list shows it.
    pub item: Option<String>,
    /// Rank in the queue.
    pub rank: i64,
    /// Day number of the late edge.
    pub due_day: i64,
    /// The shop's own number for it.
    pub external_ref: Option<String>,
    /// When it was raised.
    pub created_at: DateTime<Utc>,
    /// When it was last changed.
    pub changed_at: DateTime<Utc>,
}

/// A work order to be raised by hand.
#[derive(Clone, Debug)]
pub struct NewOrder {
    /// Unit number of the car.
    pub unit: String,
    /// The job.
    pub kind: Kind,
    /// Why.
    pub reason: String,
    /// The shop's own number for it.
    pub external_ref: Option<String>,
}

/// A work order the loop has raised.
#[derive(Clone, Debug)]
pub struct RaisedOrder {
    /// Its number in the database.
    pub id: i64,
    /// The car.
    pub vehicle_id: i64,
    /// The job.
    pub kind: String,
    /// Why.
    pub reason: String,
}

/// Which orders a list shows.
#[derive(Clone, Debug, Default)]
pub struct OrderFilter {
    /// Only in this status.
    pub status: Option<Status>,
    /// Only open ones, or only closed ones.
    pub open: Option<bool>,
    /// Only of this depot.
    pub depot: Option<String>,
    /// Only of this kind.
    pub kind: Option<Kind>,
    /// Only of this car.
    pub unit: Option<String>,
    /// Only taken by this person.
    pub assigned_to: Option<String>,
    /// The present instant: one whose lease has run out is taken by nobody.
    pub now: DateTime<Utc>,
    /// Only with this number of the shop's.
    pub external_ref: Option<String>,
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
    /// Changed at or after this instant: the list is then in the order of change.
    pub changed_since: Option<DateTime<Utc>>,
    /// After this place: rank and day, or zero and the change's microseconds; then the number.
    pub after: Option<(i64, i64, i64)>,
    /// At most so many.
    pub limit: i64,
}

/// What a query for the next order may be confined to.
#[derive(Clone, Debug, Default)]
pub struct NextOrder {
    /// Who takes it.
    pub by: String,
    /// Whether `by` is the code of a technician.
    pub is_technician: bool,
    /// How long it waits for its start.
    pub lease_until: Option<DateTime<Utc>>,
    /// Only of this depot.
    pub depot: Option<String>,
    /// Only of this kind.
    pub kind: Option<Kind>,
}

/// An act, and on what condition.
#[derive(Clone, Debug)]
pub struct Doing<'a> {
    /// Number of the order.
    pub number: &'a str,
    /// The versions the caller holds.
    pub if_match: IfMatch,
    /// What stands in the journal.
    pub action: &'static str,
    /// Until when the loop raises no other.
    pub quiet_until: Option<DateTime<Utc>>,
    /// What the act looks at beside the order.
    pub look: Look,
    /// Codes of the people it names.
    pub people: Vec<&'a str>,
    /// Ids of the pieces of gear it names.
    pub gear: Vec<&'a str>,
    /// What is told beside how it ended, when it is completed.
    pub closing: &'a Closing,
}

#[derive(sqlx::FromRow)]
struct Row {
    id: i64,
    version: i64,
    vehicle_id: i64,
    unit: String,
    depot: String,
    depot_id: i64,
    kind: String,
    status: String,
    raised_by: String,
    reason: String,
    reason_today: Option<String>,
    item: Option<String>,
    rank: i64,
    due_day: i64,
    external_ref: Option<String>,
    assigned_to: Option<String>,
    started_us: Option<i64>,
    distance_unit: String,
    outcome: Option<String>,
    done_us: Option<i64>,
    done_metres: Option<i64>,
    done_by: Option<String>,
    note: Option<String>,
    closing_reason: Option<String>,
    created_us: i64,
    changed_us: i64,
    zone: String,
    model: Option<String>,
    procedure_id: Option<i64>,
    procedure_code: Option<String>,
    procedure_version: Option<i64>,
    joined: String,
    lease_until_us: Option<i64>,
    declined: String,
    paused_us: Option<i64>,
    paused_reason: Option<String>,
    plan_day: Option<i64>,
    plan: Option<String>,
    plan_gear: String,
    missed: String,
    counts_from_us: Option<i64>,
    reopened_us: Option<i64>,
    labour_minutes: Option<i64>,
    cost: Option<i64>,
    parts_used: String,
    slot: Option<String>,
    refused: String,
    back_us: Option<i64>,
    back_reason: Option<String>,
    stop_codes: Option<String>,
    isolation_in_doubt: bool,
    short_of: Option<String>,
    spared: Option<String>,
}

macro_rules! select {
    ($rest:literal) => {
        concat!(
            "SELECT w.id, w.version, w.vehicle_id, v.unit, d.code AS depot, w.depot_id, w.kind, w.status, w.raised_by,
                w.reason, f.raise_reason AS reason_today, f.item, w.rank, w.due_day, w.external_ref, w.assigned_to,
                w.started_us, d.distance_unit, w.outcome, w.done_us, w.done_metres, w.done_by, w.note, w.closing_reason, w.created_us,
                w.changed_us, d.zone, v.model, w.procedure_id, p.code AS procedure_code, p.version AS procedure_version,
                w.joined, w.lease_until_us, w.declined, w.paused_us, w.paused_reason, w.plan_day, w.plan, w.plan_gear, w.missed,
                w.counts_from_us, w.reopened_us, w.labour_minutes, w.cost, w.parts_used, w.slot, w.refused, w.back_us, w.back_reason,
                (SELECT string_agg(c.code || ' ' || c.state || ' ' || CAST(c.at_us AS TEXT), ',') FROM trouble_codes c
                    WHERE c.vehicle_id = w.vehicle_id AND substr(c.code, 1, 5) IN ('P0AA6', 'P0A7E')
                        AND c.voided_us IS NULL) AS stop_codes,
                (EXISTS (SELECT 1 FROM off_road h WHERE h.vehicle_id = w.vehicle_id AND h.stop_code = 'P0AA6'
                        AND h.released_us IS NULL AND h.sound_us IS NULL)
                    OR EXISTS (SELECT 1 FROM stale_cars s JOIN trouble_codes c ON c.vehicle_id = s.vehicle_id
                        WHERE s.vehicle_id = w.vehicle_id AND substr(c.code, 1, 5) = 'P0AA6' AND c.voided_us IS NULL
                            AND (c.state = 'confirmed' OR c.was_confirmed = 1) AND c.received_us >= s.since_us))
                    AS isolation_in_doubt,
                (SELECT string_agg(s.number, ',') FROM parts s
                    WHERE s.depot_id = w.depot_id AND s.job = w.kind AND s.retired_day IS NULL AND w.status = 'needs-action'
                        AND (s.pack_type IS NULL OR NOT EXISTS (SELECT 1 FROM pack_outlooks k
                            WHERE k.vehicle_id = w.vehicle_id AND k.pack_type <> s.pack_type))
                        AND s.stock < s.per_job * (SELECT count(*) FROM work_orders a
                            WHERE a.depot_id = w.depot_id AND a.kind = w.kind AND (a.status = 'in-process'
                                    OR (a.status = 'needs-action' AND (a.rank, a.due_day, a.id) <= (w.rank, w.due_day, w.id)))
                                AND (s.pack_type IS NULL OR NOT EXISTS (SELECT 1 FROM pack_outlooks k
                                    WHERE k.vehicle_id = a.vehicle_id AND k.pack_type <> s.pack_type)))) AS short_of,
                (SELECT string_agg(CAST(r.from_day AS TEXT) || ' ' || CAST(r.to_day AS TEXT), ',') FROM release_windows r
                    WHERE r.vehicle_id = w.vehicle_id AND r.withdrawn_us IS NULL AND w.status = 'needs-action'
                        AND r.to_day >= w.created_us / 86400000000 - 1) AS spared
            FROM work_orders w JOIN vehicles v ON v.id = w.vehicle_id JOIN depots d ON d.id = w.depot_id
                LEFT JOIN procedures p ON p.id = w.procedure_id
                LEFT JOIN forecasts f ON f.vehicle_id = w.vehicle_id AND f.kind = w.kind ",
            $rest
        )
    };
}

const BY_ID: &str = select!("WHERE w.id = $1");
const OF_CAR: &str = select!(
    "WHERE w.vehicle_id = $1 AND (CAST($2 AS BIGINT) IS NULL
        OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $2 AND key_depots.depot_id = w.depot_id))
    ORDER BY w.created_us, w.id"
);
const TAKEN: &str =
    "SELECT d.code, w.plan_day, w.plan, w.plan_gear FROM work_orders w JOIN depots d ON d.id = w.depot_id
    WHERE w.plan_day IS NOT NULL AND w.kind <> $1 AND w.status IN ('needs-action', 'in-process')";

macro_rules! list {
    ($rest:literal) => {
        concat!(
            select!(
                "WHERE (CAST($1 AS TEXT) IS NULL OR w.status = $1)
                AND (CAST($2 AS BIGINT) IS NULL OR ($2 = 1) = (w.status IN ('needs-action', 'in-process')))
                AND (CAST($3 AS TEXT) IS NULL OR d.code = $3) AND (CAST($4 AS TEXT) IS NULL OR w.kind = $4)
                AND (CAST($5 AS TEXT) IS NULL OR v.unit = $5) AND (CAST($6 AS TEXT) IS NULL OR (w.assigned_to = $6
                    AND (w.status <> 'needs-action' OR w.lease_until_us IS NULL OR w.lease_until_us > $13)))
                AND (CAST($7 AS TEXT) IS NULL OR w.external_ref = $7)
                AND (CAST($8 AS BIGINT) IS NULL
                    OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $8 AND key_depots.depot_id = w.depot_id)) "
            ),
            $rest
        )
    };
}

const LIST_BY_URGENCY: &str =
    list!("AND (w.rank, w.due_day, w.id) > ($9, $10, $11) ORDER BY w.rank, w.due_day, w.id LIMIT $12");
const LIST_BY_CHANGE: &str = list!(
    "AND CAST($9 AS BIGINT) IS NOT NULL AND (w.changed_us, w.id) > ($10, $11) ORDER BY w.changed_us, w.id LIMIT $12"
);

const ADD: &str = "INSERT INTO work_orders (vehicle_id, depot_id, kind, status, raised_by, reason, rank, due_day,
        external_ref, external_key_id, version, created_us, changed_us, procedure_id)
    VALUES ($1, $2, $3, 'needs-action', $4, $5, $6, $7, $8, $9, 1, $10, $10, $11) ON CONFLICT DO NOTHING RETURNING id";
const FORECAST_PLACE: &str = "SELECT rank, due_day FROM forecasts WHERE vehicle_id = $1 AND kind = $2";
macro_rules! open_order {
    ($lock:literal) => {
        concat!(
            "SELECT id FROM work_orders
            WHERE vehicle_id = $1 AND kind = $2 AND status IN ('needs-action', 'in-process') ",
            $lock
        )
    };
}

const OPEN_SQLITE: &str = open_order!("");
const OPEN_POSTGRES: &str = open_order!("FOR UPDATE");
const HOLD: &str = "SELECT id FROM work_orders
    WHERE vehicle_id IN (SELECT value::bigint FROM jsonb_array_elements_text(CAST($1 AS jsonb)) AS value)
        AND status IN ('needs-action', 'in-process')
    ORDER BY id FOR UPDATE";
const JOIN: &str = "UPDATE work_orders SET joined = $2, external_ref = COALESCE($3, external_ref),
        external_key_id = COALESCE($4, external_key_id), changed_us = $5, version = version + 1
    WHERE id = $1 AND version = $6";
const BY_REFERENCE: &str = "SELECT id FROM work_orders WHERE external_key_id = $1 AND external_ref = $2";
/// The cause of an order that a forecast calls for; its words are the forecast's.
const DUE: &str = "due";
/// What is called for, by forecasts, codes and wear.
macro_rules! called {
    () => {
        "(SELECT vehicle_id, depot_id, kind, raise_reason AS reason, rank, due_day, made_us, 0 AS since_us,
                '[[\"due\",\"\"]]' AS causes
            FROM forecasts WHERE raise_reason IS NOT NULL
        UNION ALL SELECT vehicle_id, depot_id, kind, reason, rank, due_day, made_us, since_us, causes FROM order_calls) f"
    };
}

/// One statement, so that no order can be closed between the look and the insert: a car just serviced is stale and
/// is left alone until its forecast is made anew.
const RAISE: &str = concat!(
    "INSERT INTO work_orders (vehicle_id, depot_id, kind, status, raised_by, reason, rank, due_day,
        version, created_us, changed_us, procedure_id, causes)
    SELECT f.vehicle_id, f.depot_id, f.kind, 'needs-action', 'loop', f.reason, f.rank, f.due_day, 1, $1, $1,
        (SELECT max(p.id) FROM procedures p WHERE p.kind = f.kind), f.causes
    FROM ",
    called!(),
    " WHERE NOT EXISTS (SELECT 1 FROM stale_cars s WHERE s.vehicle_id = f.vehicle_id)
        AND EXISTS (SELECT 1 FROM vehicles v WHERE v.id = f.vehicle_id AND v.retired_day IS NULL
            AND (v.created_us <= $3 OR f.made_us <= $4))
        AND NOT EXISTS (SELECT 1 FROM work_orders w WHERE w.vehicle_id = f.vehicle_id AND w.kind = f.kind
            AND (w.status IN ('needs-action', 'in-process') OR (w.quiet_until_us > $1 AND w.changed_us >= f.since_us)))
    ORDER BY f.rank, f.due_day, f.vehicle_id LIMIT $2
    ON CONFLICT DO NOTHING
    RETURNING id, vehicle_id, kind, reason, depot_id"
);
/// Open orders for which something is called that they may not know yet.
macro_rules! later {
    ($lock:literal) => {
        concat!(
            "SELECT w.id, w.causes, f.causes, f.reason, f.rank FROM ",
            called!(),
            " JOIN work_orders w ON w.vehicle_id = f.vehicle_id AND w.kind = f.kind
                AND w.status IN ('needs-action', 'in-process')
            WHERE w.causes <> f.causes AND NOT EXISTS (SELECT 1 FROM stale_cars s WHERE s.vehicle_id = f.vehicle_id)
                AND EXISTS (SELECT 1 FROM vehicles v WHERE v.id = f.vehicle_id AND (v.created_us <= $1 OR f.made_us <= $2))
            ORDER BY w.id ",
            $lock
        )
    };
}

const LATER_SQLITE: &str = later!("");
const LATER_POSTGRES: &str = later!("FOR UPDATE OF w SKIP LOCKED");
const KNOW: &str = "UPDATE work_orders SET causes = $2, rank = CASE WHEN $3 < rank THEN $3 ELSE rank END WHERE id = $1";
const CHANGE: &str =
    "UPDATE work_orders SET status = $2, assigned_to = $3, started_us = $4, outcome = $5, done_us = $6,
        done_metres = $7, done_by = $8, note = $9, closing_reason = $10, quiet_until_us = $11, changed_us = $12,
        lease_until_us = $14, declined = $15, paused_us = $16, paused_reason = $17, plan_day = $18, plan = $19,
        missed = $20, counts_from_us = $21, reopened_us = $22, slot = $23, refused = $24, back_us = $25,
        back_reason = $26, plan_gear = $27, version = version + 1
    WHERE id = $1 AND version = $13";
const REFER: &str = "UPDATE work_orders SET external_ref = $2, external_key_id = $3, changed_us = $4,
        version = version + 1
    WHERE id = $1 AND version = $5";
/// A standing service that somebody told apart keeps its row: the order's own is then written a microsecond beside it.
const SERVICE_DONE: &str = "INSERT INTO past_services
        (vehicle_id, kind, at_us, metres, note, work_order_id, received_us, revision, depot_id, place, judged)
    VALUES ($1, $2, $3, $4, $5, $6, $7, 0, $8, $9, $10)
    ON CONFLICT (vehicle_id, kind, at_us) DO UPDATE SET metres = excluded.metres, note = excluded.note,
        depot_id = excluded.depot_id, place = excluded.place, judged = excluded.judged,
        work_order_id = excluded.work_order_id, received_us = excluded.received_us, voided_us = NULL,
        revision = past_services.revision + 1
    WHERE past_services.voided_us IS NOT NULL OR past_services.work_order_id = excluded.work_order_id";
const SERVICE_UNDONE: &str = "UPDATE past_services SET voided_us = $2, revision = revision + 1
    WHERE work_order_id = $1 AND voided_us IS NULL";

const WAITING: &str = select!(
    "WHERE w.status = 'needs-action' AND (w.assigned_to IS NULL OR w.lease_until_us <= $1)
        AND (CAST($2 AS TEXT) IS NULL OR d.code = $2) AND (CAST($3 AS TEXT) IS NULL OR w.kind = $3)
        AND (CAST($4 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $4 AND key_depots.depot_id = w.depot_id))
        AND (w.rank, w.due_day, w.id) > ($5, $6, $7)
    ORDER BY w.rank, w.due_day, w.id LIMIT $8"
);

macro_rules! take {
    ($lock:literal) => {
        concat!(
            "UPDATE work_orders SET assigned_to = $3, lease_until_us = $4, changed_us = $5, version = version + 1
            WHERE id = (SELECT id FROM work_orders WHERE id = $1 AND version = $2 ",
            $lock,
            ") RETURNING id"
        )
    };
}

const TAKE_SQLITE: &str = take!("");
const TAKE_POSTGRES: &str = take!("FOR UPDATE SKIP LOCKED");
const TAKE_POSTGRES_AFTER_OTHERS: &str = take!("FOR UPDATE");

/// What to do about an order that another transaction holds.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Held {
    PassOver,
    WaitFor,
}

/// Waiting orders looked through at once.
const WAITING_PAGE: i64 = 100;

/// An order's number as people write it: `WO-` and at least five digits.
#[must_use]
pub fn order_number(id: i64) -> String {
    format!("WO-{id:05}")
}

/// Reads an order's number.
#[must_use]
pub fn parse_order_number(number: &str) -> Option<i64> {
    let digits = number.strip_prefix("WO-")?;
    let plain = !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit());
    if plain { digits.parse().ok() } else { None }
}

impl TryFrom<Row> for OrderRecord {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let at = |column, micros: Option<i64>| micros.map(|micros| instant(column, micros)).transpose();
        let declined: Vec<(String, String, i64)> = of_json("work_orders.declined", &row.declined)?;
        let missed: Vec<(i64, String)> = of_json("work_orders.missed", &row.missed)?;
        let joined: Vec<(String, String, i64)> = of_json("work_orders.joined", &row.joined)?;
        let refused: Vec<(i64, String, String)> = of_json("work_orders.refused", &row.refused)?;
        let slot: Option<(String, i64)> =
            row.slot.as_deref().map(|text| of_json("work_orders.slot", text)).transpose()?;
        let name = row.procedure_code.zip(row.procedure_version);
        let completion = match (&row.outcome, row.done_us) {
            (Some(outcome), Some(done_us)) => Some(Completion {
                outcome: known("work_orders.outcome", outcome, Outcome::parse(outcome))?,
                at: instant("work_orders.done_us", done_us)?,
                odometer: row.done_metres.map(Metres),
                by: row.done_by.unwrap_or_default(),
                note: row.note,
            }),
            _ => None,
        };
        Ok(Self {
            id: row.id,
            version: row.version,
            vehicle_id: row.vehicle_id,
            unit: row.unit,
            depot: row.depot,
            depot_id: row.depot_id,
            distance_unit: known("depots.distance_unit", &row.distance_unit, DistanceUnit::parse(&row.distance_unit))?,
            kind: known("work_orders.kind", &row.kind, Kind::parse(&row.kind))?,
            order: Order {
                status: known("work_orders.status", &row.status, Status::parse(&row.status))?,
                assigned_to: row.assigned_to,
                started_at: at("work_orders.started_us", row.started_us)?,
                completion,
                closing_reason: row.closing_reason,
                lease_until: at("work_orders.lease_until_us", row.lease_until_us)?,
                declined: declined
                    .into_iter()
                    .map(|(by, reason, at)| Ok(Declined { by, reason, at: instant("work_orders.declined", at)? }))
                    .collect::<Result<_>>()?,
                paused: at("work_orders.paused_us", row.paused_us)?
                    .map(|at| Pause { reason: row.paused_reason.unwrap_or_default(), at }),
                plan: row.plan_day.zip(row.plan).map(|(day, plan)| plan_of(day, &plan, &row.plan_gear)).transpose()?,
                missed: missed
                    .into_iter()
                    .map(|(day, reason)| Ok(Missed { on: date("work_orders.missed", day)?, reason }))
                    .collect::<Result<_>>()?,
                confirmed: slot
                    .map(|(by, at)| Ok::<_, StoreError>(Confirmed { by, at: instant("work_orders.slot", at)? }))
                    .transpose()?,
                refused: refused
                    .into_iter()
                    .map(|(day, by, reason)| Ok(Refused { on: date("work_orders.refused", day)?, by, reason }))
                    .collect::<Result<_>>()?,
                back: at("work_orders.back_us", row.back_us)?
                    .map(|at| ExpectedBack { at, reason: row.back_reason.unwrap_or_default() }),
                counts_from: at("work_orders.counts_from_us", row.counts_from_us)?,
            },
            labour_minutes: row.labour_minutes,
            cost: row.cost,
            parts_used: of_json("work_orders.parts_used", &row.parts_used)?,
            stop_codes: row.stop_codes.iter().flat_map(|all| all.split(',')).map(stop_code).collect::<Result<_>>()?,
            isolation_in_doubt: row.isolation_in_doubt,
            spared: row.spared.iter().flat_map(|all| all.split(',')).map(window).collect::<Result<_>>()?,
            file: Arc::default(),
            short_of: sorted(row.short_of.iter().flat_map(|all| all.split(','))),
            zone: known("depots.zone", &row.zone, parse_zone(&row.zone))?,
            model: row.model,
            joined: joined
                .into_iter()
                .map(|(reason, by, at)| Ok(Joined { reason, by, at: instant("work_orders.joined", at)? }))
                .collect::<Result<_>>()?,
            procedure: row.procedure_id.zip(name).map(|(id, (code, version))| ProcedureName { id, code, version }),
            reopened_at: at("work_orders.reopened_us", row.reopened_us)?,
            raised_by: row.raised_by,
            reason: row.reason,
            reason_today: row.reason_today,
            item: row.item,
            rank: row.rank,
            due_day: row.due_day,
            external_ref: row.external_ref,
            created_at: instant("work_orders.created_us", row.created_us)?,
            changed_at: instant("work_orders.changed_us", row.changed_us)?,
        })
    }
}

fn sorted<'a>(names: impl Iterator<Item = &'a str>) -> Vec<String> {
    let mut names: Vec<String> = names.map(str::to_owned).collect();
    names.sort_unstable();
    names
}

/// Days on which a car can be spared as the query gathers them.
fn window(text: &str) -> Result<(NaiveDate, NaiveDate)> {
    let day = |text: &str| date("release_windows", known("release_windows", text, text.parse().ok())?);
    let (from, to) = known("release_windows", text, text.split_once(' '))?;
    Ok((day(from)?, day(to)?))
}

/// A trouble code as the query gathers it: code, state and microseconds.
pub(super) fn stop_code(text: &str) -> Result<TroubleCode> {
    let mut parts = text.split(' ');
    let mut part = || known("trouble_codes", text, parts.next());
    let (code, state, at) = (part()?, part()?, part()?);
    Ok(TroubleCode {
        code: known("trouble_codes.code", code, Code::parse(code).ok())?,
        state: known("trouble_codes.state", state, CodeReport::parse(state))?,
        at: instant("trouble_codes.at_us", known("trouble_codes.at_us", at, at.parse().ok())?)?,
    })
}

fn journal_view(order: &Order) -> Value {
    json!({
        "status": order.status.as_str(), "assigned_to": order.assigned_to, "closing_reason": order.closing_reason,
        "outcome": order.completion.as_ref().map(|done| done.outcome.as_str()),
        "done_at": order.completion.as_ref().map(|done| done.at),
        "odometer_m": order.completion.as_ref().and_then(|done| done.odometer).map(|metres| metres.0),
        "done_by": order.completion.as_ref().map(|done| done.by.as_str()), "lease_until": order.lease_until,
        "declined": order.declined.iter().map(|no| json!({"by": no.by, "reason": no.reason})).collect::<Vec<_>>(),
        "paused": order.paused.as_ref().map(|pause| pause.reason.as_str()),
        "plan": order.plan.as_ref().map(|plan| json!({
            "on": plan.on, "start": plan.start, "minutes": plan.minutes, "bay": plan.bay, "technicians": plan.technicians,
            "gear": plan.gear,
        })),
        "missed": order.missed.iter().map(|missed| json!({"on": missed.on, "reason": missed.reason})).collect::<Vec<_>>(),
        "confirmed_by": order.confirmed.as_ref().map(|confirmed| confirmed.by.as_str()),
        "refused": order.refused.iter().map(|no| json!({"on": no.on, "by": no.by, "reason": no.reason})).collect::<Vec<_>>(),
        "expected_back": order.back.as_ref().map(|back| json!({"at": back.at, "reason": back.reason})),
    })
}

/// An order as events tell of it: what the journal keeps, and what one needs to know without asking.
fn told_order(record: &OrderRecord) -> Value {
    let mut data = journal_view(&record.order);
    if let Value::Object(members) = &mut data {
        members.extend([
            ("number".to_owned(), json!(order_number(record.id))),
            ("unit".to_owned(), json!(record.unit)),
            ("kind".to_owned(), json!(record.kind.as_str())),
            ("reason".to_owned(), json!(record.reason)),
            ("external_ref".to_owned(), json!(record.external_ref)),
            ("version".to_owned(), json!(record.version)),
        ]);
    }
    data
}

fn reference_taken() -> Conflict {
    let reason = "another order has this external_ref from this key: each may be used once".to_owned();
    Conflict::Field { field: "external_ref", reason }
}

impl Tx {
    pub(super) async fn order(&mut self, number: &str, writing: &Writing) -> Result<OrderRecord> {
        let missing = || Conflict::Missing { what: "work order", name: number.to_owned() };
        let id = parse_order_number(number).ok_or_else(missing)?;
        let record = self.order_by_id(id).await?;
        Ok(record.filter(|order| writing.actor.may_see(&order.depot)).ok_or_else(missing)?)
    }

    async fn order_by_id(&mut self, id: i64) -> Result<Option<OrderRecord>> {
        let row: Option<Row> = within!(self, c => sqlx::query_as(BY_ID).bind(id).fetch_optional(c).await)?;
        let mut record = row.map(OrderRecord::try_from).transpose()?;
        self.lay_out(record.as_mut_slice()).await?;
        Ok(record)
    }

    pub(super) async fn reread(&mut self, id: i64) -> Result<OrderRecord> {
        let record = self.order_by_id(id).await?;
        Ok(record.ok_or_else(|| Conflict::Missing { what: "work order", name: order_number(id) })?)
    }

    async fn journal_order(
        &mut self,
        action: &'static str,
        before: Option<&OrderRecord>,
        after: &OrderRecord,
        writing: &Writing,
    ) -> Result<()> {
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("work-order {}", order_number(after.id)),
            depot_id: Some(after.depot_id),
            before: before.map(|record| journal_view(&record.order)),
            after: Some(journal_view(&after.order)),
        })
        .await?;
        self.tell_order(action, after, &writing.actor.name, writing.now).await
    }

    /// Tells what an action of the journal did to an order, where there is an event for it.
    pub(super) async fn tell_order(
        &mut self,
        action: &str,
        order: &OrderRecord,
        actor: &str,
        at: DateTime<Utc>,
    ) -> Result<()> {
        let Some(what) = EventType::of_order_action(action) else { return Ok(()) };
        let subject = format!("work-order {}", order_number(order.id));
        self.tell(Told { at, what, subject, depot_id: Some(order.depot_id), actor, data: told_order(order) }).await
    }

    /// Tells that a step was recorded: which and by whom, not what.
    pub(super) async fn tell_step(
        &mut self,
        order: &OrderRecord,
        entry: &work::Entry,
        passed: Passed,
        writing: &Writing,
    ) -> Result<()> {
        self.tell(Told {
            at: writing.now,
            what: EventType::OrderStepRecorded,
            subject: format!("work-order {}", order_number(order.id)),
            depot_id: Some(order.depot_id),
            actor: &writing.actor.name,
            data: json!({
                "number": order_number(order.id), "unit": order.unit, "kind": order.kind.as_str(), "step": entry.step,
                "by": entry.by, "with": entry.with, "done_at": entry.done_at, "late": passed.late, "stops": passed.stops,
                "version": order.version,
            }),
        })
        .await
    }

    /// An external reference may stand on one order of a key: this one, or none yet.
    async fn check_reference(&mut self, reference: Option<&str>, own: Option<i64>, writing: &Writing) -> Result<()> {
        let Some(reference) = reference else { return Ok(()) };
        let taken: Option<i64> = within!(self, c => sqlx::query_scalar(BY_REFERENCE)
            .bind(writing.actor.key_id).bind(reference).fetch_optional(c).await)?;
        match taken {
            Some(id) if Some(id) != own => Err(reference_taken().into()),
            _ => Ok(()),
        }
    }

    /// Keeps every other transaction from the open orders of these cars until this one ends. Whoever touches several
    /// things of a car takes them in the same order: open orders, stale mark, all else, journal; or two would wait for
    /// each other on Postgres. SQLite has one writer at a time.
    pub(super) async fn hold_orders(&mut self, cars: &[i64]) -> Result<()> {
        if let Tx::Postgres(inner) = self {
            sqlx::query(HOLD).bind(json!(cars).to_string()).execute(&mut **inner).await?;
        }
        Ok(())
    }

    /// The open order of this kind for the car; nobody closes it meanwhile.
    async fn open_order(&mut self, vehicle_id: i64, kind: Kind) -> Result<Option<i64>> {
        let sql = self.pick(OPEN_SQLITE, OPEN_POSTGRES);
        Ok(within!(self, c => sqlx::query_scalar(sql).bind(vehicle_id).bind(kind.as_str()).fetch_optional(c).await)?)
    }

    async fn insert_order(&mut self, new: &NewOrder, car: &VehicleRecord, writing: &Writing) -> Result<Option<i64>> {
        let kind = new.kind.as_str();
        let place: Option<(i64, i64)> =
            within!(self, c => sqlx::query_as(FORECAST_PLACE).bind(car.id).bind(kind).fetch_optional(c).await)?;
        let (rank, due_day) = place.unwrap_or((2, day_number(local_day(writing.now, car.zone))));
        let procedure: Option<i64> = within!(self, c => sqlx::query_scalar(FOR_KIND).bind(kind).fetch_one(c).await)?;
        let reference_key = new.external_ref.as_ref().and(writing.actor.key_id);
        Ok(within!(self, c => sqlx::query_scalar(ADD)
            .bind(car.id).bind(car.depot_id).bind(kind).bind(&writing.actor.name).bind(&new.reason)
            .bind(rank).bind(due_day).bind(&new.external_ref).bind(reference_key)
            .bind(micros(writing.now)).bind(procedure).fetch_optional(c).await)?)
    }

    /// A second reason joins the first; the same one again changes nothing.
    async fn join_order(
        &mut self,
        id: i64,
        reason: &str,
        external_ref: Option<&String>,
        writing: &Writing,
    ) -> Result<OrderRecord> {
        let old = self.reread(id).await?;
        if let Some(other) = old.external_ref.as_ref().filter(|own| external_ref.is_some_and(|it| it != *own)) {
            let reason = format!("{} is open for this car and has the external_ref {other:?}", order_number(id));
            return Err(Conflict::Field { field: "external_ref", reason }.into());
        }
        let told = old.reason == reason || old.joined.iter().any(|joined| joined.reason == reason);
        let refers = old.external_ref.is_none() && external_ref.is_some();
        if told && !refers {
            return Ok(old);
        }
        let mut joined: Vec<Value> =
            old.joined.iter().map(|joined| json!([joined.reason, joined.by, micros(joined.at)])).collect();
        joined.extend((!told).then(|| json!([reason, writing.actor.name, micros(writing.now)])));
        let reference = external_ref.filter(|_| refers);
        let changed = within!(self, c => sqlx::query(JOIN).bind(id).bind(json!(joined).to_string())
            .bind(reference).bind(reference.and(writing.actor.key_id)).bind(micros(writing.now)).bind(old.version)
            .execute(c).await.map(|done| done.rows_affected()))?;
        one_changed(changed, old.version)?;
        let record = self.reread(id).await?;
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action: "work-order join",
            subject: format!("work-order {}", order_number(id)),
            depot_id: Some(record.depot_id),
            before: None,
            after: Some(json!({"reason": reason, "external_ref": record.external_ref})),
        })
        .await?;
        self.tell_order("work-order join", &record, &writing.actor.name, writing.now).await?;
        Ok(record)
    }

    /// What the loop calls for since an open order was raised joins it, each cause once however its words change.
    async fn join_later_causes(
        &mut self,
        now: DateTime<Utc>,
        settled: DateTime<Utc>,
        quiet: DateTime<Utc>,
    ) -> Result<()> {
        let sql = self.pick(LATER_SQLITE, LATER_POSTGRES);
        let rows: Vec<(i64, String, String, String, i64)> =
            within!(self, c => sqlx::query_as(sql).bind(micros(settled)).bind(micros(quiet)).fetch_all(c).await)?;
        let writing = Writing { actor: Actor::internal("loop"), now, once: None };
        for (id, known, called, reason, rank) in rows {
            let mut causes: Vec<(String, String)> = of_json("work_orders.causes", &known)?;
            let called: Vec<(String, String)> = of_json("order_calls.causes", &called)?;
            let news: Vec<_> = called.into_iter().filter(|(key, _)| causes.iter().all(|it| it.0 != *key)).collect();
            for (key, says) in &news {
                let says = if key == DUE { &reason } else { says };
                self.join_order(id, says, None, &writing).await?;
            }
            if !news.is_empty() {
                causes.extend(news);
                within!(self, c => sqlx::query(KNOW).bind(id).bind(json!(causes).to_string()).bind(rank)
                    .execute(c).await.map(drop))?;
            }
        }
        Ok(())
    }

    /// Raises an order for a car, or joins the one of the kind that is open; and whether it is new.
    pub(super) async fn raise_or_join(
        &mut self,
        new: &NewOrder,
        car: &VehicleRecord,
        writing: &Writing,
    ) -> Result<(OrderRecord, bool)> {
        if let Some(day) = car.retired_on {
            return Err(Conflict::Rule(format!("the car was retired on {day}")).into());
        }
        let open = self.open_order(car.id, new.kind).await?;
        self.check_reference(new.external_ref.as_deref(), open, writing).await?;
        let added = match open {
            Some(_) => None,
            None => self.insert_order(new, car, writing).await?,
        };
        let Some(id) = added else {
            // Nothing was added: an order of the kind is open, or was opened by another at this moment.
            let open = self.open_order(car.id, new.kind).await?.ok_or_else(reference_taken)?;
            return Ok((self.join_order(open, &new.reason, new.external_ref.as_ref(), writing).await?, false));
        };
        let record = self.reread(id).await?;
        self.journal_order("work-order raise", None, &record, writing).await?;
        Ok((record, true))
    }

    /// The technician who asks for the next order.
    async fn taker(&mut self, code: &str, writing: &Writing) -> Result<Technician> {
        self.hold_named(Named::Technicians, &[code], false).await?;
        match self.technician(code, writing).await {
            Ok(record) => Ok(record.technician),
            Err(StoreError::Conflict(Conflict::Missing { .. })) => {
                let reason = format!("there is no technician {code:?}");
                Err(Conflict::Field { field: "technician", reason }.into())
            }
            Err(error) => Err(error),
        }
    }

    async fn waiting_orders(
        &mut self,
        next: &NextOrder,
        after: (i64, i64, i64),
        writing: &Writing,
    ) -> Result<Vec<OrderRecord>> {
        let rows: Vec<Row> = within!(self, c => sqlx::query_as(WAITING)
            .bind(micros(writing.now)).bind(&next.depot).bind(next.kind.map(Kind::as_str))
            .bind(writing.actor.key_depots_of()).bind(after.0).bind(after.1).bind(after.2).bind(WAITING_PAGE)
            .fetch_all(c).await)?;
        rows.into_iter().map(OrderRecord::try_from).collect()
    }

    /// Takes an order that is still as it was read; `false` when it is not, or somebody else is at it.
    async fn take(&mut self, order: &OrderRecord, next: &NextOrder, held: Held, now: DateTime<Utc>) -> Result<bool> {
        let patient = if held == Held::WaitFor { TAKE_POSTGRES_AFTER_OTHERS } else { TAKE_POSTGRES };
        let sql = self.pick(TAKE_SQLITE, patient);
        let taken: Option<i64> = within!(self, c => sqlx::query_scalar(sql)
            .bind(order.id).bind(order.version).bind(&next.by).bind(next.lease_until.map(micros)).bind(micros(now))
            .fetch_optional(c).await)?;
        Ok(taken.is_some())
    }

    /// Takes the first waiting order that fits: as it was and as it is now.
    async fn take_first(
        &mut self,
        next: &NextOrder,
        held: Held,
        fits: &impl Fn(&OrderRecord, Option<&Procedure>) -> bool,
        writing: &Writing,
    ) -> Result<Option<(OrderRecord, OrderRecord)>> {
        let mut procedures: BTreeMap<i64, Procedure> = BTreeMap::new();
        let mut after = (-1, 0, 0);
        loop {
            let page = self.waiting_orders(next, after, writing).await?;
            let Some(last) = page.last() else { return Ok(None) };
            after = (last.rank, last.due_day, last.id);
            for order in page {
                let id = order.procedure.as_ref().map(|name| name.id);
                if let Some(id) = id.filter(|id| next.is_technician && !procedures.contains_key(id)) {
                    procedures.insert(id, self.procedure(id).await?);
                }
                let procedure = id.and_then(|id| procedures.get(&id));
                if fits(&order, procedure) && self.take(&order, next, held, writing.now).await? {
                    let record = self.reread(order.id).await?;
                    return Ok(Some((order, record)));
                }
            }
        }
    }

    async fn save_order(
        &mut self,
        old: &OrderRecord,
        new: &Order,
        quiet_until_us: Option<i64>,
        now: DateTime<Utc>,
    ) -> Result<()> {
        let done = new.completion.as_ref();
        let declined: Value = new.declined.iter().map(|no| json!([no.by, no.reason, micros(no.at)])).collect();
        let missed: Value = new.missed.iter().map(|missed| json!([day_number(missed.on), missed.reason])).collect();
        let refused: Value = new.refused.iter().map(|no| json!([day_number(no.on), no.by, no.reason])).collect();
        let (declined, missed, refused) = (declined.to_string(), missed.to_string(), refused.to_string());
        let slot = new.confirmed.as_ref().map(|confirmed| json!([confirmed.by, micros(confirmed.at)]).to_string());
        let reopens = !old.order.status.is_open() && new.status.is_open();
        let reopened = if reopens { Some(now) } else { old.reopened_at };
        let changed: Result<u64, sqlx::Error> = within!(self, c => sqlx::query(CHANGE)
            .bind(old.id).bind(new.status.as_str()).bind(&new.assigned_to).bind(new.started_at.map(micros))
            .bind(done.map(|done| done.outcome.as_str())).bind(done.map(|done| micros(done.at)))
            .bind(done.and_then(|done| done.odometer).map(|metres| metres.0)).bind(done.map(|done| done.by.as_str()))
            .bind(done.and_then(|done| done.note.as_deref())).bind(&new.closing_reason).bind(quiet_until_us)
            .bind(micros(now)).bind(old.version).bind(new.lease_until.map(micros)).bind(&declined)
            .bind(new.paused.as_ref().map(|pause| micros(pause.at)))
            .bind(new.paused.as_ref().map(|pause| pause.reason.as_str()))
            .bind(new.plan.as_ref().map(|plan| day_number(plan.on)))
            .bind(new.plan.as_ref().map(|plan| stored_plan(plan).to_string())).bind(&missed)
            .bind(new.counts_from.map(micros)).bind(reopened.map(micros)).bind(slot).bind(&refused)
            .bind(new.back.as_ref().map(|back| micros(back.at))).bind(new.back.as_ref().map(|back| back.reason.as_str()))
            .bind(json!(new.plan.as_ref().map_or(&[][..], |plan| &plan.gear)).to_string())
            .execute(c).await.map(|done| done.rows_affected()));
        let changed = changed.map_err(|error| {
            StoreError::or_exists(error, || {
                Conflict::Rule(format!("another {} order of this car is open", old.kind.as_str()))
            })
        })?;
        one_changed(changed, old.version)
    }

    /// What the act does to the interval: a completed service is a past service, a reopened one no longer is.
    async fn follow_up(
        &mut self,
        old: &OrderRecord,
        new: &Order,
        (file, judged): (&OrderFile, Option<&Judged>),
        now: DateTime<Utc>,
    ) -> Result<()> {
        if old.order.completion.is_some() && new.completion.is_none() {
            within!(self, c => sqlx::query(SERVICE_UNDONE).bind(old.id).bind(micros(now))
                .execute(c).await.map(drop))?;
        }
        // A new pack alone restarts nothing: the fan must have been serviced with it.
        let counts = old.kind != Kind::PackReplacement || fan_is_done(old, file);
        if let Some(done) = new.completion.as_ref().filter(|done| done.outcome == Outcome::Serviced && counts) {
            let mut at_us = micros(done.at);
            while self.add_service(old, (done, judged), at_us, now).await? == 0 {
                at_us += 1;
            }
        }
        self.mark_stale(old.vehicle_id, micros(now)).await
    }

    async fn add_service(
        &mut self,
        order: &OrderRecord,
        (done, judged): (&Completion, Option<&Judged>),
        at_us: i64,
        now: DateTime<Utc>,
    ) -> Result<u64> {
        Ok(within!(self, c => sqlx::query(SERVICE_DONE)
            .bind(order.vehicle_id).bind(order.kind.as_str()).bind(at_us).bind(done.odometer.map(|metres| metres.0))
            .bind(&done.note).bind(order.id).bind(micros(now)).bind(order.depot_id)
            .bind(judged.map(|judged| judged.place)).bind(judged.map(|judged| judged.numbers.as_str())).execute(c).await.map(|added| added.rows_affected()))?)
    }
}

impl Store {
    /// The work order of this number.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or the row cannot be read.
    pub async fn find_order(&self, number: &str) -> Result<Option<OrderRecord>> {
        let Some(id) = parse_order_number(number) else { return Ok(None) };
        self.begin_read().await?.order_by_id(id).await
    }

    /// A car's work orders, open and closed, oldest first, without what they may wait for.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn orders_of(&self, vehicle_id: i64, key_depots_of: Option<i64>) -> Result<Vec<OrderRecord>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(OF_CAR)
            .bind(vehicle_id).bind(key_depots_of).fetch_all(pool).await)?;
        rows.into_iter().map(OrderRecord::try_from).collect()
    }

    /// What is planned for jobs of every kind but one: the depot's code, and the plan.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn plans_of_other_kinds(&self, kind: Kind) -> Result<Vec<(String, Plan)>> {
        let rows: Vec<(String, i64, String, String)> =
            read!(self, pool => sqlx::query_as(TAKEN).bind(kind.as_str()).fetch_all(pool).await)?;
        let plan = |(depot, day, plan, gear): (String, i64, String, String)| Ok((depot, plan_of(day, &plan, &gear)?));
        rows.into_iter().map(plan).collect()
    }

    /// Work orders by urgency, or by change when `changed_since` is given.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn orders(&self, filter: &OrderFilter) -> Result<Vec<OrderRecord>> {
        let (sql, first) = match filter.changed_since {
            Some(since) => (LIST_BY_CHANGE, (0, micros(since), -1)),
            None => (LIST_BY_URGENCY, (-1, 0, 0)),
        };
        let after = filter.after.unwrap_or(first);
        let mut tx = self.begin_read().await?;
        let rows: Vec<Row> = within!(&mut tx, c => sqlx::query_as(sql)
            .bind(filter.status.map(Status::as_str)).bind(filter.open.map(i64::from)).bind(&filter.depot)
            .bind(filter.kind.map(Kind::as_str)).bind(&filter.unit).bind(&filter.assigned_to)
            .bind(&filter.external_ref).bind(filter.key_depots_of).bind(after.0).bind(after.1).bind(after.2)
            .bind(filter.limit).bind(micros(filter.now)).fetch_all(c).await)?;
        let mut orders: Vec<OrderRecord> = rows.into_iter().map(OrderRecord::try_from).collect::<Result<_>>()?;
        tx.lay_out(&mut orders).await?;
        Ok(orders)
    }

    /// Raises an order by hand; while one of the kind is open for the car, the reason joins that one. `answer` is told
    /// whether the order is new.
    ///
    /// # Errors
    /// [`Conflict::Missing`] when the car is not there, [`Conflict::Field`] when the external reference is taken, or the
    /// open order has another.
    pub async fn raise_order(
        &self,
        new: NewOrder,
        writing: &Writing,
        answer: impl FnOnce(&OrderRecord, bool) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let car = tx.vehicle(&new.unit, writing).await?;
        let (record, is_new) = tx.raise_or_join(&new, &car, writing).await?;
        tx.finish(writing, answer(&record, is_new)).await
    }

    /// Raises an order for every car whose forecast calls for one and that has none open; a later cause joins the open one. A
    /// car registered after
    /// `settled` waits until its forecast is from before `quiet`: its first logs may still be on their way.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn raise_due_orders(
        &self,
        now: DateTime<Utc>,
        settled: DateTime<Utc>,
        quiet: DateTime<Utc>,
        limit: i64,
    ) -> Result<Vec<RaisedOrder>> {
        let mut tx = self.begin().await?;
        let raised: Vec<(i64, i64, String, String, i64)> = within!(&mut tx, c => sqlx::query_as(RAISE)
                .bind(micros(now)).bind(limit).bind(micros(settled)).bind(micros(quiet)).fetch_all(c).await)?;
        tx.join_later_causes(now, settled, quiet).await?;
        let mut orders = Vec::with_capacity(raised.len());
        for (id, vehicle_id, kind, reason, depot_id) in raised {
            tx.journal(Entry {
                at: now,
                actor: "loop",
                action: "work-order raise",
                subject: format!("work-order {}", order_number(id)),
                depot_id: Some(depot_id),
                before: None,
                after: Some(json!({"status": "needs-action", "kind": kind, "reason": reason})),
            })
            .await?;
            let record = tx.reread(id).await?;
            tx.tell_order("work-order raise", &record, "loop", now).await?;
            orders.push(RaisedOrder { id, vehicle_id, kind, reason });
        }
        tx.commit().await?;
        Ok(orders)
    }

    /// Does an act on an order that still has the version the caller holds; `act` says what comes of it.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], or what `act` refuses.
    pub async fn act_on_order(
        &self,
        doing: Doing<'_>,
        writing: &Writing,
        act: impl FnOnce(&OrderRecord, &OrderFile, Option<&Desk>) -> Result<Order, Conflict>,
        answer: impl FnOnce(&OrderRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let old = tx.order(doing.number, writing).await?;
        tx.hold_named(Named::Technicians, &doing.people, false).await?;
        tx.hold_named(Named::Gear, &doing.gear, false).await?;
        let file = match doing.look {
            Look::Order => OrderFile::default(),
            Look::File | Look::Desk => tx.order_file(&old, writing).await?,
        };
        let desk = if doing.look == Look::Desk { Some(tx.desk(&old, writing).await?) } else { None };
        let new = act(&old, &file, desk.as_ref())?;
        doing.if_match.check(old.version)?;
        tx.save_order(&old, &new, doing.quiet_until.map(micros), writing.now).await?;
        tx.follow_up(&old, &new, (&file, doing.closing.judged.as_ref()), writing.now).await?;
        tx.prove(&old, &new, writing.now).await?;
        tx.close_books(&old, &new, doing.closing, &file, writing).await?;
        let record = tx.reread(old.id).await?;
        tx.journal_order(doing.action, Some(&old), &record, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Gives an order the shop's own number, or takes it away.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], or [`Conflict::Field`] when the number is taken.
    pub async fn refer_order(
        &self,
        number: &str,
        if_match: IfMatch,
        external_ref: Option<String>,
        writing: &Writing,
        answer: impl FnOnce(&OrderRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = self.begin().await?;
        let old = tx.order(number, writing).await?;
        if_match.check(old.version)?;
        let key_id = external_ref.as_ref().and(writing.actor.key_id);
        tx.check_reference(external_ref.as_deref(), Some(old.id), writing).await?;
        let changed: Result<u64, sqlx::Error> = within!(&mut tx, c => sqlx::query(REFER)
            .bind(old.id).bind(&external_ref).bind(key_id).bind(micros(writing.now)).bind(old.version)
            .execute(c).await.map(|done| done.rows_affected()));
        let changed = changed.map_err(|error| StoreError::or_exists(error, reference_taken))?;
        one_changed(changed, old.version)?;
        let record = tx.reread(old.id).await?;
        tx.journal_order("work-order refer", Some(&old), &record, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Hands the most urgent order that nobody has taken and that `fits` to one caller, however many ask at once.
    ///
    /// # Errors
    /// [`Conflict::Field`] when the technician is not there.
    pub async fn take_next_order(
        &self,
        next: &NextOrder,
        writing: &Writing,
        fits: impl Fn(&OrderRecord, Option<&Procedure>, Option<(&Technician, &[Gear])>) -> bool,
        answer: impl FnOnce(Option<&OrderRecord>) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let taker = match next.is_technician {
            true => Some((tx.taker(&next.by, writing).await?, tx.all_gear(writing).await?)),
            false => None,
        };
        let taker = taker.as_ref().map(|(person, gear)| (person, gear.as_slice()));
        let fits = |order: &OrderRecord, procedure: Option<&Procedure>| fits(order, procedure, taker);
        // The first look passes over what others are at, so that many who ask at once do not queue. Often that is only the
        // loop at the order's place in the queue: before it is said that there is none, each is waited for.
        for held in [Held::PassOver, Held::WaitFor] {
            if let Some((order, record)) = tx.take_first(next, held, &fits, writing).await? {
                tx.journal_order("work-order accept", Some(&order), &record, writing).await?;
                return tx.finish(writing, answer(Some(&record))).await;
            }
        }
        // Nothing was done, so nothing is kept: the same key may ask again when there is work.
        Ok(answer(None))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_as_they_are_written() {
        for id in [1, 99_999, 100_000, i64::MAX] {
            assert_eq!(parse_order_number(&order_number(id)), Some(id));
        }
        for text in ["", "WO-", "WO--1", "WO-+1", "12", "wo-1", "WO-99999999999999999999"] {
            assert_eq!(parse_order_number(text), None, "{text:?}");
        }
    }
}
