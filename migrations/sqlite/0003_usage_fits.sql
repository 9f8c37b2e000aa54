-- What the fleet's own past windows say about the days ahead: the usage model's lines, fitted once a day.
CREATE TABLE usage_fits (
    id INTEGER PRIMARY KEY,
    meter TEXT NOT NULL,
    made_us INTEGER NOT NULL,
    cars INTEGER NOT NULL,
    windows INTEGER NOT NULL,
    lines TEXT NOT NULL
) STRICT;
CREATE INDEX usage_fits_by_meter ON usage_fits (meter, id);
