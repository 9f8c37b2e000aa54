-- What was forecast, one a week, car, kind and edge, and what came of it.
-- p10_day, p50_day, p90_day: null beyond the horizon. left_metres, left_hours, limit_day: how far off the edge was, by meter.
-- all_*, recent_*: mean and standard deviation of a day's metres over all history and over the last 28 days, for two naive
-- forecasts. told: 1 where a plan was told that was still to come. passed_day: when the odometer passed the edge.
-- seen_day: up to when the readings reach.
CREATE TABLE past_forecasts (
    vehicle_id INTEGER NOT NULL REFERENCES vehicles (id),
    kind TEXT NOT NULL,
    edge TEXT NOT NULL,
    week_day INTEGER NOT NULL,
    made_day INTEGER NOT NULL,
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    as_of_us INTEGER NOT NULL,
    as_of_day INTEGER NOT NULL,
    p10_day INTEGER,
    p50_day INTEGER,
    p90_day INTEGER,
    left_metres INTEGER,
    left_hours REAL,
    limit_day INTEGER,
    all_mean REAL,
    all_sd REAL,
    recent_mean REAL,
    recent_sd REAL,
    told INTEGER NOT NULL,
    passed_day INTEGER,
    seen_day INTEGER NOT NULL,
    PRIMARY KEY (vehicle_id, kind, edge, week_day)
) STRICT, WITHOUT ROWID;
CREATE INDEX past_forecasts_open ON past_forecasts (vehicle_id) WHERE passed_day IS NULL;
CREATE INDEX past_forecasts_by_depot ON past_forecasts (depot_id, made_day);
