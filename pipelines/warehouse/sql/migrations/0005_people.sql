-- Names that were taken out for good: an ingest that brings one again gets the pseudonym instead.
CREATE TABLE forgotten (
    name_hash VARCHAR PRIMARY KEY,   -- scrypt of the name with the salt beside it
    salt VARCHAR NOT NULL,
    pseudonym VARCHAR NOT NULL,
    forgotten_at TIMESTAMP NOT NULL
);
