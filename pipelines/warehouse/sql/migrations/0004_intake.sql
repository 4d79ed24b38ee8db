-- A capture whose newest file, or whose copy of ours, cannot be read, while the earlier reading stands.
CREATE TABLE capture_trouble (
    capture_file VARCHAR PRIMARY KEY,
    what VARCHAR NOT NULL,           -- file: the file in the drop folder; copy: the warehouse's own
    reason VARCHAR NOT NULL,
    file_bytes BIGINT,               -- of the file refused; NULL: try it again at every ingest
    file_mtime_ns BIGINT,
    tried_with VARCHAR,              -- hash of hookup and family it was tried with
    noticed_at TIMESTAMP NOT NULL
);
