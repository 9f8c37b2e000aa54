-- The week's events, calendars at secret addresses, parts and cores, what work cost; and nobody rewrites the journal.

CREATE TRIGGER journal_is_never_changed BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER journal_is_never_deleted BEFORE DELETE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;

-- Only the hash of the secret in the address is kept.
CREATE TABLE calendars (
    id INTEGER PRIMARY KEY,
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    name TEXT NOT NULL,
    hash TEXT NOT NULL UNIQUE,
    added_by TEXT NOT NULL,
    created_us INTEGER NOT NULL,
    revoked_us INTEGER
) STRICT;

-- Days on which the dispatcher can spare a car.
CREATE TABLE release_windows (
    id INTEGER PRIMARY KEY,
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    from_day INTEGER NOT NULL,
    to_day INTEGER NOT NULL,
    note TEXT,
    added_by TEXT NOT NULL,
    created_us INTEGER NOT NULL,
    withdrawn_us INTEGER
) STRICT;
CREATE INDEX release_windows_by_vehicle ON release_windows (vehicle_id, to_day);

-- What drivers report, and breakdowns. what: symptom of a report, `breakdown` of a breakdown.
CREATE TABLE car_events (
    id INTEGER PRIMARY KEY,
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    what TEXT NOT NULL,
    at_us INTEGER NOT NULL,
    told TEXT NOT NULL,
    told_by TEXT NOT NULL,
    work_order_id INTEGER REFERENCES work_orders (id),
    joined INTEGER NOT NULL,
    off_road_id INTEGER REFERENCES off_road (id),
    created_us INTEGER NOT NULL
) STRICT;
CREATE INDEX car_events_by_vehicle ON car_events (vehicle_id, id);

-- slot: [confirmed, by, note, when], the dispatcher's answer to the planned slot; refused: [[day, by, reason, when]].
ALTER TABLE work_orders ADD COLUMN slot TEXT;
ALTER TABLE work_orders ADD COLUMN refused TEXT NOT NULL DEFAULT '[]';
ALTER TABLE work_orders ADD COLUMN back_us INTEGER;
ALTER TABLE work_orders ADD COLUMN back_reason TEXT;

-- parts_used: [[number, quantity]]; cost in the smallest unit of the fleet's money, parts and labour together.
ALTER TABLE work_orders ADD COLUMN labour_minutes INTEGER;
ALTER TABLE work_orders ADD COLUMN cost INTEGER;
ALTER TABLE work_orders ADD COLUMN parts_used TEXT NOT NULL DEFAULT '[]';

-- Codes on which a car is stopped are looked for by their base.
CREATE INDEX trouble_codes_by_base ON trouble_codes ((substr(code, 1, 5)), vehicle_id);

-- Which order opened a pack's time in a car, and which closed it: a reopened one takes both back.
ALTER TABLE pack_lives ADD COLUMN opened_by INTEGER REFERENCES work_orders (id);
ALTER TABLE pack_lives ADD COLUMN closed_by INTEGER REFERENCES work_orders (id);
ALTER TABLE pack_lives ADD COLUMN warranty_months INTEGER;
ALTER TABLE pack_lives ADD COLUMN warranty_metres INTEGER;

-- What a depot keeps. job: the job that takes per_job of it; pack_type: of a pack. Money in cents.
CREATE TABLE parts (
    id INTEGER PRIMARY KEY,
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    number TEXT NOT NULL,
    name TEXT NOT NULL,
    job TEXT,
    per_job INTEGER NOT NULL,
    pack_type TEXT,
    lead_days INTEGER NOT NULL,
    stock INTEGER NOT NULL,
    core_days INTEGER NOT NULL,
    core_credit INTEGER,
    warranty_months INTEGER,
    warranty_metres INTEGER,
    version INTEGER NOT NULL,
    created_us INTEGER NOT NULL,
    changed_us INTEGER NOT NULL,
    UNIQUE (depot_id, number)
) STRICT;

-- What is on its way; received_us once it came.
CREATE TABLE part_arrivals (
    id INTEGER PRIMARY KEY,
    part_id INTEGER NOT NULL REFERENCES parts (id),
    quantity INTEGER NOT NULL,
    expected_day INTEGER NOT NULL,
    created_us INTEGER NOT NULL,
    received_us INTEGER
) STRICT;
CREATE INDEX part_arrivals_by_part ON part_arrivals (part_id, id);

-- Old packs that go back: of which order, bought against which type, on what terms.
CREATE TABLE cores (
    id INTEGER PRIMARY KEY,
    work_order_id INTEGER NOT NULL REFERENCES work_orders (id),
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    serial TEXT NOT NULL,
    core_type TEXT NOT NULL,
    bought_type TEXT NOT NULL,
    intact INTEGER NOT NULL,
    packed INTEGER NOT NULL,
    removed_day INTEGER NOT NULL,
    removed_metres INTEGER,
    fitted_day INTEGER,
    fitted_metres INTEGER,
    warranty_months INTEGER,
    warranty_metres INTEGER,
    return_by_day INTEGER NOT NULL,
    shipped_day INTEGER,
    returned_day INTEGER,
    credit_expected INTEGER,
    credit_received INTEGER,
    note TEXT,
    version INTEGER NOT NULL,
    created_us INTEGER NOT NULL,
    changed_us INTEGER NOT NULL,
    voided_us INTEGER
) STRICT;
CREATE INDEX cores_by_order ON cores (work_order_id);
