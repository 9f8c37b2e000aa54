-- Up to which mark of its car a forecast rests on what came in: nothing that came in later is left out of it unless the car
-- is marked again. Null where an older program made it.
ALTER TABLE forecasts ADD COLUMN mark BIGINT;
