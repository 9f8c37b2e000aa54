-- Whether the code was reported as confirmed at the very instant of the clear that took that row's place: it is not lost by it.
ALTER TABLE trouble_codes ADD COLUMN was_confirmed INTEGER NOT NULL DEFAULT 0;

-- The last day of use of which it was told that it has gone by.
ALTER TABLE gear ADD COLUMN told_due_day INTEGER;
