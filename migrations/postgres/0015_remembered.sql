-- A book may hold what the rows of days before since_day have left in memory, in place of these rows.
ALTER TABLE car_books ADD COLUMN since_day BIGINT NOT NULL DEFAULT -1000000;
