-- Times are microseconds since 1970 (UTC), days are days since 1970-01-01, distances are metres.

CREATE TABLE keys (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    hash TEXT NOT NULL UNIQUE,
    may TEXT NOT NULL,
    created_us INTEGER NOT NULL,
    expires_us INTEGER,
    revoked_us INTEGER
) STRICT;

CREATE TABLE depots (
    id INTEGER PRIMARY KEY,
    code TEXT NOT NULL UNIQUE,
    name TEXT NOT NULL,
    zone TEXT NOT NULL,
    bays INTEGER NOT NULL,
    distance_unit TEXT NOT NULL,
    opening_hours TEXT NOT NULL,
    version INTEGER NOT NULL,
    created_us INTEGER NOT NULL,
    changed_us INTEGER NOT NULL
) STRICT;

-- A key with no row here may see every depot.
CREATE TABLE key_depots (
    key_id INTEGER NOT NULL REFERENCES keys (id),
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    PRIMARY KEY (key_id, depot_id)
) STRICT;

-- unit and depot_id are today's; unit_numbers and stays hold the history.
CREATE TABLE vehicles (
    id INTEGER PRIMARY KEY,
    unit TEXT NOT NULL,
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    vin TEXT,
    model TEXT,
    vehicle_type TEXT NOT NULL,
    distance_unit TEXT NOT NULL,
    in_service_day INTEGER NOT NULL,
    in_service_metres INTEGER,
    came_in_used INTEGER,
    retired_day INTEGER,
    retired_reason TEXT,
    version INTEGER NOT NULL,
    created_us INTEGER NOT NULL,
    changed_us INTEGER NOT NULL
) STRICT;
CREATE INDEX vehicles_by_depot ON vehicles (depot_id, unit);
CREATE INDEX vehicles_by_unit ON vehicles (unit, id);

-- A unit number belongs to one car from a day to a day, both included.
CREATE TABLE unit_numbers (
    unit TEXT NOT NULL,
    from_day INTEGER NOT NULL,
    to_day INTEGER,
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    PRIMARY KEY (unit, from_day)
) STRICT;
CREATE UNIQUE INDEX unit_numbers_current ON unit_numbers (unit) WHERE to_day IS NULL;
CREATE INDEX unit_numbers_by_vehicle ON unit_numbers (vehicle_id);

-- A stay lasts until the car's next one begins.
CREATE TABLE stays (
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    from_day INTEGER NOT NULL,
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    PRIMARY KEY (vehicle_id, from_day)
) STRICT;

CREATE TABLE service_rules (
    id INTEGER PRIMARY KEY,
    code TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL,
    depot_id INTEGER REFERENCES depots (id),
    model TEXT,
    hard TEXT NOT NULL,
    ordinary TEXT,
    distance_unit TEXT NOT NULL,
    lead_days INTEGER NOT NULL,
    mixed TEXT NOT NULL,
    raise_chance REAL NOT NULL,
    version INTEGER NOT NULL,
    created_us INTEGER NOT NULL,
    changed_us INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX service_rules_by_reach ON service_rules (kind, coalesce(depot_id, 0), coalesce(model, ''));

CREATE TABLE sources (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
) STRICT;

CREATE TABLE odometer_readings (
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    at_us INTEGER NOT NULL,
    source_id INTEGER NOT NULL REFERENCES sources (id),
    metres INTEGER NOT NULL,
    received_us INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    ruling TEXT,
    voided_us INTEGER,
    PRIMARY KEY (vehicle_id, at_us, source_id)
) STRICT, WITHOUT ROWID;

CREATE TABLE duty_logs (
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    day INTEGER NOT NULL,
    shift TEXT NOT NULL,
    source_id INTEGER NOT NULL REFERENCES sources (id),
    hours REAL NOT NULL,
    trips INTEGER,
    start_us INTEGER,
    end_us INTEGER,
    received_us INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    voided_us INTEGER,
    PRIMARY KEY (vehicle_id, day, shift, source_id)
) STRICT, WITHOUT ROWID;

CREATE TABLE seat_logs (
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    day INTEGER NOT NULL,
    shift TEXT NOT NULL,
    source_id INTEGER NOT NULL REFERENCES sources (id),
    trips INTEGER NOT NULL,
    rear_trips INTEGER NOT NULL,
    received_us INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    voided_us INTEGER,
    PRIMARY KEY (vehicle_id, day, shift, source_id)
) STRICT, WITHOUT ROWID;

CREATE TABLE off_road (
    id INTEGER PRIMARY KEY,
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    from_day INTEGER NOT NULL,
    to_day INTEGER,
    reason TEXT NOT NULL,
    safety_hold INTEGER NOT NULL,
    release_by TEXT NOT NULL,
    released_us INTEGER,
    created_us INTEGER NOT NULL
) STRICT;
CREATE INDEX off_road_by_vehicle ON off_road (vehicle_id, from_day);

CREATE TABLE stale_cars (
    vehicle_id INTEGER PRIMARY KEY REFERENCES vehicles (id),
    since_us INTEGER NOT NULL,
    mark INTEGER NOT NULL,
    claimed_until_us INTEGER NOT NULL
) STRICT;

-- rank: 0 unknown, 1 silent, 2 the rest; due_day: late edge, 50 %; early_day: early edge, 50 %; item: what a list shows.
CREATE TABLE forecasts (
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    kind TEXT NOT NULL,
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    rank INTEGER NOT NULL,
    due_day INTEGER NOT NULL,
    early_day INTEGER NOT NULL,
    band TEXT NOT NULL,
    made_day INTEGER NOT NULL,
    made_us INTEGER NOT NULL,
    metres_per_day REAL,
    hours_per_day REAL,
    raise_reason TEXT,
    item TEXT NOT NULL,
    PRIMARY KEY (vehicle_id, kind)
) STRICT;
CREATE INDEX forecasts_by_date ON forecasts (rank, due_day, vehicle_id, kind);
CREATE INDEX forecasts_by_depot ON forecasts (depot_id, rank, due_day, vehicle_id, kind);
CREATE INDEX forecasts_to_raise ON forecasts (rank, due_day, vehicle_id) WHERE raise_reason IS NOT NULL;
CREATE INDEX forecasts_usual ON forecasts (depot_id, kind, metres_per_day, hours_per_day);
CREATE INDEX forecasts_by_day ON forecasts (depot_id, made_day);

CREATE TABLE work_orders (
    id INTEGER PRIMARY KEY,
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    kind TEXT NOT NULL,
    status TEXT NOT NULL,
    raised_by TEXT NOT NULL,
    reason TEXT NOT NULL,
    rank INTEGER NOT NULL,
    due_day INTEGER NOT NULL,
    external_ref TEXT,
    external_key_id INTEGER REFERENCES keys (id),
    assigned_to TEXT,
    started_us INTEGER,
    outcome TEXT,
    done_us INTEGER,
    done_metres INTEGER,
    done_by TEXT,
    note TEXT,
    closing_reason TEXT,
    quiet_until_us INTEGER,
    version INTEGER NOT NULL,
    created_us INTEGER NOT NULL,
    changed_us INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX work_orders_open ON work_orders (vehicle_id, kind) WHERE status IN ('needs-action', 'in-process');
CREATE UNIQUE INDEX work_orders_by_reference ON work_orders (external_key_id, external_ref) WHERE external_ref IS NOT NULL;
CREATE INDEX work_orders_queue ON work_orders (rank, due_day, id) WHERE status IN ('needs-action', 'in-process');
CREATE INDEX work_orders_by_change ON work_orders (changed_us, id);
CREATE INDEX work_orders_by_vehicle ON work_orders (vehicle_id, kind, id);

CREATE TABLE past_services (
    id INTEGER PRIMARY KEY,
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    kind TEXT NOT NULL,
    at_us INTEGER NOT NULL,
    metres INTEGER,
    note TEXT,
    work_order_id INTEGER REFERENCES work_orders (id),
    received_us INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    voided_us INTEGER,
    UNIQUE (vehicle_id, kind, at_us)
) STRICT;

-- Answers kept so that a repeated request gets the first one's answer.
CREATE TABLE idempotency_keys (
    key_id INTEGER NOT NULL REFERENCES keys (id),
    value TEXT NOT NULL,
    fingerprint TEXT NOT NULL,
    status INTEGER,
    etag TEXT,
    body TEXT,
    created_us INTEGER NOT NULL,
    PRIMARY KEY (key_id, value)
) STRICT;
CREATE INDEX idempotency_keys_by_age ON idempotency_keys (created_us);

-- Append-only: each line's hash covers the line before it.
CREATE TABLE journal (
    id INTEGER PRIMARY KEY,
    at_us INTEGER NOT NULL,
    actor TEXT NOT NULL,
    action TEXT NOT NULL,
    subject TEXT NOT NULL,
    depot_id INTEGER,
    before TEXT,
    after TEXT,
    previous TEXT NOT NULL,
    hash TEXT NOT NULL
) STRICT;

-- The one rule that is there from the first day: hard duty, 20,000 to 25,000 miles (common practice, no published source).
-- Ordinary duty has no window until the manager sets one.
INSERT INTO service_rules
    (code, kind, hard, distance_unit, lead_days, mixed, raise_chance, version, created_us, changed_us)
VALUES
    ('fan-service', 'fan-service', '{"distance":{"early":32186880,"late":40233600}}', 'mi', 14, 'strict', 0.1, 1, 0, 0);
