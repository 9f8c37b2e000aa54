-- The first day that what came in since the last recast speaks of: rows of earlier days are as they were then.
ALTER TABLE stale_cars ADD COLUMN from_day INTEGER NOT NULL DEFAULT -1000000;

-- A car's log rows of days before until_day once more, packed, so that a recast reads little however long they reach back.
CREATE TABLE car_books (
    vehicle_id INTEGER PRIMARY KEY REFERENCES vehicles (id),
    until_day INTEGER NOT NULL,
    row_count INTEGER NOT NULL,
    body BLOB NOT NULL
) STRICT;
