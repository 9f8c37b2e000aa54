-- What was forecast, one a week, car, kind and edge, and what came of it.
-- p10_day, p50_day, p90_day: null beyond the horizon. left_metres, left_hours, limit_day: how far off the edge was, by meter.
-- all_*, recent_*: mean and standard deviation of a day's metres over all history and over the last 28 days, for two naive
-- forecasts. told: 1 where a plan was told that was still to come. passed_day: when the odometer passed the edge.
-- seen_day: up to when the readings reach.
CREATE TABLE past_forecasts (
    vehicle_id BIGINT NOT NULL REFERENCES vehicles (id),
    kind TEXT NOT NULL,
    edge TEXT NOT NULL,
    week_day BIGINT NOT NULL,
    made_day BIGINT NOT NULL,
    depot_id BIGINT NOT NULL REFERENCES depots (id),
    as_of_us BIGINT NOT NULL,
    as_of_day BIGINT NOT NULL,
    p10_day BIGINT,
    p50_day BIGINT,
    p90_day BIGINT,
    left_metres BIGINT,
    left_hours DOUBLE PRECISION,
    limit_day BIGINT,
    all_mean DOUBLE PRECISION,
    all_sd DOUBLE PRECISION,
    recent_mean DOUBLE PRECISION,
    recent_sd DOUBLE PRECISION,
    told BIGINT NOT NULL,
    passed_day BIGINT,
    seen_day BIGINT NOT NULL,
    PRIMARY KEY (vehicle_id, kind, edge, week_day)
);
CREATE INDEX past_forecasts_open ON past_forecasts (vehicle_id) WHERE passed_day IS NULL;
CREATE INDEX past_forecasts_by_depot ON past_forecasts (depot_id, made_day);
