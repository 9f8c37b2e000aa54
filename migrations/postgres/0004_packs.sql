-- Packs: how long each was in which car, what scan tools showed of it, which trouble codes were read.

-- One row an installation; a pack without a removal ends its time in a car when the next one is put in.
CREATE TABLE pack_lives (
    vehicle_id BIGINT NOT NULL REFERENCES vehicles (id),
    at_us BIGINT NOT NULL,
    serial TEXT NOT NULL,
    pack_type TEXT NOT NULL,
    chemistry TEXT,
    blocks BIGINT,
    modules_per_block BIGINT,
    cells_per_module BIGINT,
    metres BIGINT,
    used_metres BIGINT,
    original BIGINT NOT NULL,
    removed_us BIGINT,
    removed_metres BIGINT,
    removed_because TEXT,
    note TEXT,
    received_us BIGINT NOT NULL,
    revision BIGINT NOT NULL,
    voided_us BIGINT,
    PRIMARY KEY (vehicle_id, at_us, serial)
);
CREATE INDEX pack_lives_by_serial ON pack_lives (serial, at_us);

CREATE TABLE pack_checks (
    vehicle_id BIGINT NOT NULL REFERENCES vehicles (id),
    at_us BIGINT NOT NULL,
    source_id BIGINT NOT NULL REFERENCES sources (id),
    block_volts TEXT NOT NULL,
    current_a DOUBLE PRECISION,
    charge_pct DOUBLE PRECISION,
    pack_c DOUBLE PRECISION,
    cabin_c DOUBLE PRECISION,
    fan_stage BIGINT,
    received_us BIGINT NOT NULL,
    revision BIGINT NOT NULL,
    voided_us BIGINT,
    PRIMARY KEY (vehicle_id, at_us, source_id)
);

CREATE TABLE trouble_codes (
    vehicle_id BIGINT NOT NULL REFERENCES vehicles (id),
    at_us BIGINT NOT NULL,
    code TEXT NOT NULL,
    source_id BIGINT NOT NULL REFERENCES sources (id),
    state TEXT NOT NULL,
    detail BIGINT,
    received_us BIGINT NOT NULL,
    revision BIGINT NOT NULL,
    voided_us BIGINT,
    PRIMARY KEY (vehicle_id, at_us, code, source_id)
);

-- What each pack has lived through by the last recast: what the life curve and the drift of block spread are fitted on.
CREATE TABLE pack_exposures (
    vehicle_id BIGINT NOT NULL REFERENCES vehicles (id),
    installed_us BIGINT NOT NULL,
    serial TEXT NOT NULL,
    pack_type TEXT NOT NULL,
    entry_metres DOUBLE PRECISION NOT NULL,
    exit_metres DOUBLE PRECISION NOT NULL,
    in_use BIGINT NOT NULL,
    failed BIGINT NOT NULL,
    metres_per_day DOUBLE PRECISION,
    heat DOUBLE PRECISION,
    late TEXT,
    path TEXT,
    PRIMARY KEY (vehicle_id, installed_us, serial)
);

-- One row a car: the outlook of the pack that is in it. chance_90: what the list is sorted by; item: what it shows.
CREATE TABLE pack_outlooks (
    vehicle_id BIGINT PRIMARY KEY REFERENCES vehicles (id),
    depot_id BIGINT NOT NULL REFERENCES depots (id),
    serial TEXT,
    pack_type TEXT NOT NULL,
    band TEXT NOT NULL,
    chance_90 DOUBLE PRECISION NOT NULL,
    made_day BIGINT NOT NULL,
    item TEXT NOT NULL
);
CREATE INDEX pack_outlooks_by_chance ON pack_outlooks (chance_90, vehicle_id);
CREATE INDEX pack_outlooks_by_depot ON pack_outlooks (depot_id, chance_90, vehicle_id);

-- Orders that a pack's codes and condition call for.
CREATE TABLE order_calls (
    vehicle_id BIGINT NOT NULL REFERENCES vehicles (id),
    kind TEXT NOT NULL,
    depot_id BIGINT NOT NULL REFERENCES depots (id),
    reason TEXT NOT NULL,
    rank BIGINT NOT NULL,
    due_day BIGINT NOT NULL,
    made_us BIGINT NOT NULL,
    PRIMARY KEY (vehicle_id, kind)
);

-- Risks as they were told, one a week and car, held against what happened.
CREATE TABLE past_risks (
    vehicle_id BIGINT NOT NULL REFERENCES vehicles (id),
    week_day BIGINT NOT NULL,
    depot_id BIGINT NOT NULL REFERENCES depots (id),
    made_day BIGINT NOT NULL,
    installed_us BIGINT NOT NULL,
    chance_30 DOUBLE PRECISION NOT NULL,
    chance_90 DOUBLE PRECISION NOT NULL,
    chance_180 DOUBLE PRECISION NOT NULL,
    failed_day BIGINT,
    seen_day BIGINT NOT NULL,
    PRIMARY KEY (vehicle_id, week_day)
);
CREATE INDEX past_risks_by_day ON past_risks (made_day);
