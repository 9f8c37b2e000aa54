-- What a car is told for days to come: a move to a depot (depot_id), else other shifts, where what is null stays as its logs
-- have it. done_us: when a move took effect.
CREATE TABLE plans (
    id INTEGER PRIMARY KEY,
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    from_day INTEGER NOT NULL,
    to_day INTEGER,
    depot_id INTEGER REFERENCES depots (id),
    days_per_week REAL,
    hours_per_day REAL,
    rear_share REAL,
    metres_per_driven_day REAL,
    note TEXT,
    told_by TEXT NOT NULL,
    version INTEGER NOT NULL,
    created_us INTEGER NOT NULL,
    withdrawn_us INTEGER,
    done_us INTEGER
) STRICT;
CREATE INDEX plans_by_vehicle ON plans (vehicle_id, from_day);
CREATE INDEX plans_moves ON plans (from_day) WHERE depot_id IS NOT NULL AND withdrawn_us IS NULL AND done_us IS NULL;
