-- When a key was last used, to the minute; and, while a rotated key's old secret still works, its hash and until when.
ALTER TABLE keys ADD COLUMN last_used_us INTEGER;
ALTER TABLE keys ADD COLUMN old_hash TEXT;
ALTER TABLE keys ADD COLUMN old_until_us INTEGER;
CREATE UNIQUE INDEX keys_by_old_hash ON keys (old_hash);
