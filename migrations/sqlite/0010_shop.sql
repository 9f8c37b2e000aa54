-- Holds by codes, pieces promised to plans, what is retired, services judged as they were done, claims, later reasons.

-- stop_code: the code on which the car was stopped by itself; sound_us: since when the car is known to be sound again, sound_by: trips or order.
ALTER TABLE off_road ADD COLUMN stop_code TEXT;
ALTER TABLE off_road ADD COLUMN sound_us INTEGER;
ALTER TABLE off_road ADD COLUMN sound_by TEXT;
CREATE INDEX off_road_by_stop ON off_road (vehicle_id, stop_code) WHERE stop_code IS NOT NULL;

-- plan_gear: [id], pieces that the plan names; causes: [key], what the loop has called for it so far.
ALTER TABLE work_orders ADD COLUMN plan_gear TEXT NOT NULL DEFAULT '[]';
ALTER TABLE work_orders ADD COLUMN causes TEXT NOT NULL DEFAULT '[]';
CREATE INDEX work_orders_by_job ON work_orders (depot_id, kind, status, rank, due_day, id)
    WHERE status IN ('needs-action', 'in-process');

-- causes: [[key, reason]], of which reason is made; since_us: when a code that stops the car was last confirmed.
ALTER TABLE order_calls ADD COLUMN causes TEXT NOT NULL DEFAULT '[]';
ALTER TABLE order_calls ADD COLUMN since_us INTEGER NOT NULL DEFAULT 0;

-- The name is the one thing that says who a person is: it stands here only, and can be erased.
ALTER TABLE technicians ADD COLUMN name TEXT;
ALTER TABLE technicians ADD COLUMN retired_day INTEGER;
ALTER TABLE technicians ADD COLUMN retired_reason TEXT;
ALTER TABLE gear ADD COLUMN retired_day INTEGER;
ALTER TABLE gear ADD COLUMN retired_reason TEXT;
ALTER TABLE parts ADD COLUMN retired_day INTEGER;
ALTER TABLE parts ADD COLUMN retired_reason TEXT;

-- Where in its window a fan service was done, by rule, grade and depot as they stood then; judged: the numbers as JSON.
ALTER TABLE past_services ADD COLUMN depot_id INTEGER REFERENCES depots (id);
ALTER TABLE past_services ADD COLUMN place TEXT;
ALTER TABLE past_services ADD COLUMN judged TEXT;

-- A claim under warranty in place of core credit; money in cents.
ALTER TABLE cores ADD COLUMN claim_state TEXT;
ALTER TABLE cores ADD COLUMN claim_day INTEGER;
ALTER TABLE cores ADD COLUMN claim_cents INTEGER;
ALTER TABLE cores ADD COLUMN claim_paid_cents INTEGER;
