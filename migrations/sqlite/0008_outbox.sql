-- Events that tell others of changes, and the addresses they are sent to.

-- Where events are sent. types: separated by commas, empty for all; state: active, paused, stopped, closed. The secret
-- signs, so it is kept itself and not a hash; the old one signs beside it for a while after a rotation.
CREATE TABLE webhooks (
    id INTEGER PRIMARY KEY,
    url TEXT NOT NULL,
    types TEXT NOT NULL,
    note TEXT,
    secret TEXT NOT NULL,
    old_secret TEXT,
    old_until_us INTEGER,
    state TEXT NOT NULL,
    state_reason TEXT,
    rests_until_us INTEGER NOT NULL,
    added_by TEXT NOT NULL,
    version INTEGER NOT NULL,
    created_us INTEGER NOT NULL,
    changed_us INTEGER NOT NULL
) STRICT;

-- What a transaction tells, in the same transaction. Published soon after it has committed: until then it has no place in
-- the order of events.
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY,
    at_us INTEGER NOT NULL,
    event_type TEXT NOT NULL,
    subject TEXT NOT NULL,
    depot_id INTEGER REFERENCES depots (id),
    webhook_id INTEGER REFERENCES webhooks (id),
    data TEXT NOT NULL
) STRICT;

-- Published events. One publisher at a time gives the numbers, so who has read up to a number has missed nothing
-- below it. A number is never given twice, even after all events were forgotten. webhook_id: only for this one.
CREATE TABLE events (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    at_us INTEGER NOT NULL,
    event_type TEXT NOT NULL,
    subject TEXT NOT NULL,
    depot_id INTEGER REFERENCES depots (id),
    webhook_id INTEGER REFERENCES webhooks (id),
    data TEXT NOT NULL
) STRICT;
CREATE INDEX events_by_time ON events (at_us);

-- A subscription with no row here gets events of every depot.
CREATE TABLE webhook_depots (
    webhook_id INTEGER NOT NULL REFERENCES webhooks (id),
    depot_id INTEGER NOT NULL REFERENCES depots (id),
    PRIMARY KEY (webhook_id, depot_id)
) STRICT;

-- state: waiting, delivered, dead. last_status: of the last answer; last_fault: why there was none, or no good one.
CREATE TABLE deliveries (
    id INTEGER PRIMARY KEY,
    webhook_id INTEGER NOT NULL REFERENCES webhooks (id),
    event_id INTEGER NOT NULL REFERENCES events (id),
    state TEXT NOT NULL,
    attempts INTEGER NOT NULL,
    due_us INTEGER NOT NULL,
    claimed_until_us INTEGER NOT NULL,
    last_us INTEGER,
    last_status INTEGER,
    last_fault TEXT,
    created_us INTEGER NOT NULL,
    UNIQUE (webhook_id, event_id)
) STRICT;
CREATE INDEX deliveries_waiting ON deliveries (webhook_id, due_us, event_id) WHERE state = 'waiting';
CREATE INDEX deliveries_by_event ON deliveries (event_id);

-- What was last told of a forecast: small changes add up before they are told.
ALTER TABLE forecasts ADD COLUMN told_band TEXT;
ALTER TABLE forecasts ADD COLUMN told_due_day INTEGER;
