-- Who is signed in to the board. Only the hash of a session's secret is kept; a session ends with its key.

CREATE TABLE board_sessions (
    hash TEXT NOT NULL PRIMARY KEY,
    key_id BIGINT NOT NULL REFERENCES keys (id),
    created_us BIGINT NOT NULL,
    expires_us BIGINT NOT NULL
);
CREATE INDEX board_sessions_by_end ON board_sessions (expires_us);
