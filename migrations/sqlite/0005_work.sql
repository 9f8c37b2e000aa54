-- Work as a shop runs it: procedures, people, gear, what was recorded at each step, plans.

-- An order keeps the version it was raised with; body: the procedure as JSON, its members those of the files.
CREATE TABLE procedures (
    id INTEGER PRIMARY KEY,
    code TEXT NOT NULL,
    version INTEGER NOT NULL,
    kind TEXT NOT NULL,
    body TEXT NOT NULL,
    added_by TEXT NOT NULL,
    created_us INTEGER NOT NULL,
    UNIQUE (code, version)
) STRICT;
CREATE INDEX procedures_by_kind ON procedures (kind, id);

-- certificates: [[name, last day]]; absences: [[first day, last day]]; hours as in depots.
CREATE TABLE technicians (
    id INTEGER PRIMARY KEY,
    code TEXT NOT NULL UNIQUE,
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    certificates TEXT NOT NULL,
    hours TEXT NOT NULL,
    absences TEXT NOT NULL,
    version INTEGER NOT NULL,
    created_us INTEGER NOT NULL,
    changed_us INTEGER NOT NULL
) STRICT;

-- what: kind and rating as JSON.
CREATE TABLE gear (
    id INTEGER PRIMARY KEY,
    code TEXT NOT NULL UNIQUE,
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    what TEXT NOT NULL,
    issued_day INTEGER,
    version INTEGER NOT NULL,
    created_us INTEGER NOT NULL,
    changed_us INTEGER NOT NULL
) STRICT;

CREATE TABLE gear_tests (
    id INTEGER PRIMARY KEY,
    gear_id INTEGER NOT NULL REFERENCES gear (id),
    on_day INTEGER NOT NULL,
    tested_by TEXT NOT NULL,
    passed INTEGER NOT NULL,
    received_us INTEGER NOT NULL
) STRICT;
CREATE INDEX gear_tests_by_gear ON gear_tests (gear_id, id);

-- declined: [[by, reason, when]]; joined: [[reason, by, when]], reasons that joined the first; missed: [[day, reason]];
-- plan: [start, minutes, bay, [technicians]] of plan_day; evidence counts from reopened_us on.
ALTER TABLE work_orders ADD COLUMN procedure_id INTEGER REFERENCES procedures (id);
ALTER TABLE work_orders ADD COLUMN joined TEXT NOT NULL DEFAULT '[]';
ALTER TABLE work_orders ADD COLUMN lease_until_us INTEGER;
ALTER TABLE work_orders ADD COLUMN declined TEXT NOT NULL DEFAULT '[]';
ALTER TABLE work_orders ADD COLUMN paused_us INTEGER;
ALTER TABLE work_orders ADD COLUMN paused_reason TEXT;
ALTER TABLE work_orders ADD COLUMN plan_day INTEGER;
ALTER TABLE work_orders ADD COLUMN plan TEXT;
ALTER TABLE work_orders ADD COLUMN missed TEXT NOT NULL DEFAULT '[]';
ALTER TABLE work_orders ADD COLUMN counts_from_us INTEGER;
ALTER TABLE work_orders ADD COLUMN reopened_us INTEGER;
CREATE INDEX work_orders_by_plan ON work_orders (depot_id, plan_day) WHERE plan_day IS NOT NULL;

-- What was recorded at a step; never changed. with_others and gear: [code]; records: name to number or text.
CREATE TABLE work_entries (
    id INTEGER PRIMARY KEY,
    work_order_id INTEGER NOT NULL REFERENCES work_orders (id),
    step INTEGER NOT NULL,
    at_us INTEGER NOT NULL,
    done_us INTEGER NOT NULL,
    done_by TEXT NOT NULL,
    with_others TEXT NOT NULL,
    records TEXT NOT NULL,
    gear TEXT NOT NULL,
    late INTEGER NOT NULL,
    stops INTEGER NOT NULL
) STRICT;
CREATE INDEX work_entries_by_order ON work_entries (work_order_id, id);

-- An administrator's decisions to go on without an item; never changed.
CREATE TABLE work_overrides (
    id INTEGER PRIMARY KEY,
    work_order_id INTEGER NOT NULL REFERENCES work_orders (id),
    item TEXT NOT NULL,
    decided_by TEXT NOT NULL,
    reason TEXT NOT NULL,
    at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX work_overrides_by_order ON work_overrides (work_order_id, id);
