-- Who did it, where a person did it in a form; NULL where a table of the drop folder or the program did.
ALTER TABLE intake_log ADD COLUMN IF NOT EXISTS entered_by VARCHAR;

ALTER TABLE coaching ADD COLUMN IF NOT EXISTS note VARCHAR;

-- What somebody decided about a thing that waits for a person; versions are only ever added.
CREATE TABLE IF NOT EXISTS waiting_mark (
    item VARCHAR NOT NULL,           -- key of the thing, see pipelines/warehouse/marks.py
    version INTEGER NOT NULL,
    state VARCHAR NOT NULL,          -- open, done, dismissed
    assigned_to VARCHAR,
    reason VARCHAR,
    entered_by VARCHAR NOT NULL,
    entered_at TIMESTAMP NOT NULL,
    PRIMARY KEY (item, version)
);
