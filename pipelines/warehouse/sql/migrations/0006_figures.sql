-- What the people's and jobs' models said of the newest day, so that a page opens without working it out again.
CREATE TABLE figure (
    name VARCHAR PRIMARY KEY,
    as_of DATE NOT NULL,
    key VARCHAR NOT NULL,            -- JSON of all the value depends on: a value of another key is never shown
    value VARCHAR NOT NULL           -- see pipelines/warehouse/codec.py
);
