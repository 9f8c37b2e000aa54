-- Packs: how long each was in which car, what scan tools showed of it, which trouble codes were read.

-- One row an installation; a pack without a removal ends its time in a car when the next one is put in.
CREATE TABLE pack_lives (
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    at_us INTEGER NOT NULL,
    serial TEXT NOT NULL,
    pack_type TEXT NOT NULL,
    chemistry TEXT,
    blocks INTEGER,
    modules_per_block INTEGER,
    cells_per_module INTEGER,
    metres INTEGER,
    used_metres INTEGER,
    original INTEGER NOT NULL,
    removed_us INTEGER,
    removed_metres INTEGER,
    removed_because TEXT,
    note TEXT,
    received_us INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    voided_us INTEGER,
    PRIMARY KEY (vehicle_id, at_us, serial)
) STRICT, WITHOUT ROWID;
CREATE INDEX pack_lives_by_serial ON pack_lives (serial, at_us);

CREATE TABLE pack_checks (
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    at_us INTEGER NOT NULL,
    source_id INTEGER NOT NULL REFERENCES sources (id),
    block_volts TEXT NOT NULL,
    current_a REAL,
    charge_pct REAL,
    pack_c REAL,
    cabin_c REAL,
    fan_stage INTEGER,
    received_us INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    voided_us INTEGER,
    PRIMARY KEY (vehicle_id, at_us, source_id)
) STRICT, WITHOUT ROWID;

CREATE TABLE trouble_codes (
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    at_us INTEGER NOT NULL,
    code TEXT NOT NULL,
    source_id INTEGER NOT NULL REFERENCES sources (id),
    state TEXT NOT NULL,
    detail INTEGER,
    received_us INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    voided_us INTEGER,
    PRIMARY KEY (vehicle_id, at_us, code, source_id)
) STRICT, WITHOUT ROWID;

-- What each pack has lived through by the last recast: what the life curve and the drift of block spread are fitted on.
CREATE TABLE pack_exposures (
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    installed_us INTEGER NOT NULL,
    serial TEXT NOT NULL,
    pack_type TEXT NOT NULL,
    entry_metres REAL NOT NULL,
    exit_metres REAL NOT NULL,
    in_use INTEGER NOT NULL,
    failed INTEGER NOT NULL,
    metres_per_day REAL,
    heat REAL,
    late TEXT,
    path TEXT,
    PRIMARY KEY (vehicle_id, installed_us, serial)
) STRICT, WITHOUT ROWID;

-- One row a car: the outlook of the pack that is in it. chance_90: what the list is sorted by; item: what it shows.
CREATE TABLE pack_outlooks (
    vehicle_id INTEGER PRIMARY KEY REFERENCES vehicles (id),
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    serial TEXT,
    pack_type TEXT NOT NULL,
    band TEXT NOT NULL,
    chance_90 REAL NOT NULL,
    made_day INTEGER NOT NULL,
    item TEXT NOT NULL
) STRICT;
CREATE INDEX pack_outlooks_by_chance ON pack_outlooks (chance_90, vehicle_id);
CREATE INDEX pack_outlooks_by_depot ON pack_outlooks (depot_id, chance_90, vehicle_id);

-- Orders that a pack's codes and condition call for.
CREATE TABLE order_calls (
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    kind TEXT NOT NULL,
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    reason TEXT NOT NULL,
    rank INTEGER NOT NULL,
    due_day INTEGER NOT NULL,
    made_us INTEGER NOT NULL,
    PRIMARY KEY (vehicle_id, kind)
) STRICT, WITHOUT ROWID;

-- Risks as they were told, one a week and car, held against what happened.
CREATE TABLE past_risks (
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    week_day INTEGER NOT NULL,
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    made_day INTEGER NOT NULL,
    installed_us INTEGER NOT NULL,
    chance_30 REAL NOT NULL,
    chance_90 REAL NOT NULL,
    chance_180 REAL NOT NULL,
    failed_day INTEGER,
    seen_day INTEGER NOT NULL,
    PRIMARY KEY (vehicle_id, week_day)
) STRICT, WITHOUT ROWID;
CREATE INDEX past_risks_by_day ON past_risks (made_day);
